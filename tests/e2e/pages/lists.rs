//! Lists as they are looked through: narrowed, put in order, taken out as they are seen; and the places in the head.

use ferrotitre_tests::bench::{minutes_ago, sample, text};
use ferrotitre_tests::browser::Browser;
use serde_json::{Value, json};

use super::Visitor;
use crate::lab::Lab;

/// A sample of a client with one test portion; the portion.
async fn portion(lab: &Lab, code: &str, client: &str) -> String {
    let taken = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(50),
    });
    let mut sample = sample(code);
    sample["client_reference"] = json!(client);
    let new = json!({ "sample": sample, "portions": [taken] });
    text(&lab.app.analyst.post("/samples/with-portions", &new).await.expect(201)["portions"][0], "id")
}

/// Three determinations of two clients: two with a result, one begun by somebody else.
async fn three(lab: &Lab) -> [String; 3] {
    let run = lab.run(&lab.iron2).await;
    let mut made = Vec::new();
    for (code, client, last) in [("S-21", "north bath", "21.46"), ("S-22", "south bath", "23.10")] {
        let new = json!({ "run": run, "portion": portion(lab, code, client).await, "purpose": "sample", "observed_at": minutes_ago(40) });
        let id = text(&lab.app.analyst.post("/determinations", &new).await.expect(201), "id");
        for _ in 0..2 {
            lab.titrate(&id, &lab.titration("accurate", last, None)).await;
        }
        made.push(id);
    }
    lab.close(&run).await;
    let run = lab.run(&lab.total).await;
    let new = json!({ "run": run, "portion": portion(lab, "S-23", "North shaft").await, "purpose": "sample", "observed_at": minutes_ago(40) });
    made.push(text(&lab.app.analyst2.post("/determinations", &new).await.expect(201), "id"));
    made.try_into().unwrap()
}

fn ids(list: &Value) -> Vec<String> {
    list["items"].as_array().unwrap().iter().map(|one| text(one, "id")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn determinations_are_narrowed_and_put_in_order_by_what_people_ask_for() {
    let lab = Lab::open().await;
    let [first, second, third] = three(&lab).await;
    let list = async |query: &str| lab.app.auditor.get(&format!("/determinations?{query}")).await.expect(200);
    let all = list("").await;
    assert_eq!(ids(&all), [third.clone(), second.clone(), first.clone()], "the newest is first");
    let line = &all["items"][2];
    for (field, wanted) in [
        ("sample_code", json!("S-21")),
        ("client_reference", json!("north bath")),
        ("method_code", json!("M1")),
        ("analyte", json!("iron(II)")),
    ] {
        assert_eq!(line[field], wanted, "{field}");
    }
    assert_ne!(line["analyst"], "", "who began it is named");
    let shown = lab.app.auditor.get(&format!("/determinations/{first}")).await.expect(200);
    assert_eq!(line["reported"], shown["evaluation"]["reported"], "the figure of the list is that of the page");
    assert!(all["items"][0]["reported"].is_null(), "no result without titres");
    assert_eq!(ids(&list("of=north").await), [third.clone(), first.clone()], "client's references, in whatever case");
    assert_eq!(ids(&list("of=s-22").await), std::slice::from_ref(&second), "codes of samples");
    assert_eq!(ids(&list("method=M2").await), std::slice::from_ref(&third));
    assert_eq!(ids(&list(&format!("analyst={}", lab.app.analyst2.code)).await), std::slice::from_ref(&third));
    assert_eq!(ids(&list("state=approved").await), Vec::<String>::new());
    lab.through(&format!("/determinations/{first}")).await;
    assert_eq!(ids(&list("state=approved").await), std::slice::from_ref(&first));
    assert_eq!(
        ids(&list("state=approved&of=north").await),
        std::slice::from_ref(&first),
        "a state with something else"
    );
    assert_eq!(ids(&list("state=approved&of=south").await), Vec::<String>::new());
    assert_eq!(ids(&list("sort=-result").await), [second.clone(), first.clone(), third.clone()]);
    assert_eq!(
        ids(&list("sort=result").await),
        [first.clone(), second.clone(), third.clone()],
        "without a result is last"
    );
    assert_eq!(ids(&list("sort=client").await), [third.clone(), first.clone(), second.clone()]);
    for (query, field) in [("sort=colour", "sort"), ("state=lost", "state"), ("purpose=fun", "purpose")] {
        let refused = lab.app.auditor.get(&format!("/determinations?{query}")).await;
        assert_eq!(refused.status, 422, "{query}: {}", refused.text);
        assert_eq!(refused.json["errors"][0]["field"], field, "{}", refused.text);
    }
    // A beginning that is a pattern elsewhere is a text here.
    assert_eq!(ids(&list("of=%25").await), Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_seen_is_what_is_taken_out_and_an_analyst_takes_out_only_own_work() {
    let lab = Lab::open().await;
    let [first, second, third] = three(&lab).await;
    let rows = async |who: &ferrotitre_tests::client::Client, query: &str| -> Vec<String> {
        let file = who.get(&format!("/exports/determination-list?format=json{query}")).await;
        assert_eq!(file.status, 200, "{}", file.text);
        file.json["rows"].as_array().unwrap().iter().map(|row| text(row, "id")).collect()
    };
    assert_eq!(rows(&lab.app.manager, "").await, [third.clone(), second.clone(), first.clone()]);
    assert_eq!(rows(&lab.app.manager, "&of=north&method=M1").await, std::slice::from_ref(&first));
    assert_eq!(rows(&lab.app.analyst2, "").await, std::slice::from_ref(&third), "analysts take out own work");
    let csv = lab.app.auditor.get("/exports/determination-list?format=csv&of=S-21").await;
    assert_eq!(csv.status, 200);
    let shown = lab.app.auditor.get(&format!("/determinations/{first}")).await.expect(200);
    assert!(csv.text.contains(&text(&shown["evaluation"]["reported"], "text")), "{}", csv.text);
    let page =
        Visitor::of(lab.app.running.address, &lab.app.manager).get("/determinations?of=north&sort=-result").await;
    let html = page.text.replace("&#38;", "&");
    assert!(
        html.contains("\"/api/v1/exports/determination-list?of=north&format=xlsx\""),
        "the list is offered as it is narrowed"
    );
    assert!(html.contains("aria-sort=\"descending\""), "the column says how the list stands");
    assert!(
        html.contains("\"/determinations?of=north&sort=result\""),
        "the heading turns the order round and keeps what is narrowed"
    );
    assert!(!html.contains("south bath"));
}

#[tokio::test(flavor = "multi_thread")]
async fn samples_are_found_by_client_and_stand_in_the_order_of_their_deadline() {
    let lab = Lab::open().await;
    for (code, client, hours) in [("S-31", "east pond", 5), ("S-32", "east weir", 2), ("S-33", "west pond", 9)] {
        let mut facts = sample(code);
        facts["client_reference"] = json!(client);
        facts["iron2_deadline"] = json!((chrono::Utc::now() + chrono::Duration::hours(hours)).to_rfc3339());
        let _ = lab.app.analyst.post("/samples", &facts).await.expect(201);
    }
    let codes = async |query: &str| -> Vec<String> {
        let list = lab.app.auditor.get(&format!("/samples?{query}")).await.expect(200);
        list["items"].as_array().unwrap().iter().map(|one| text(one, "code")).collect()
    };
    assert_eq!(codes("of=EAST&sort=deadline").await, ["S-32", "S-31"]);
    assert_eq!(codes("of=EAST&sort=-deadline").await, ["S-31", "S-32"]);
    assert_eq!(codes("of=S-33").await, ["S-33"]);
    assert_eq!(codes("of=S-3&state=disposed").await, Vec::<String>::new());
    // What a correction replaced is not found any longer, what it says is.
    let found = lab.app.auditor.get("/samples?of=S-33").await.expect(200);
    let mut facts = sample("S-33");
    facts["client_reference"] = json!("lower pond");
    let correction = json!({ "reason": "another pond", "facts": facts });
    let (id, version) = (text(&found["items"][0], "id"), text(&found["items"][0], "version_id"));
    let corrected = lab.app.analyst.post_if_match(&format!("/samples/{id}/corrections"), &version, &correction).await;
    assert_eq!(corrected.status, 201, "{}", corrected.text);
    assert_eq!(codes("of=west").await, Vec::<String>::new());
    assert_eq!(codes("of=lower").await, ["S-33"]);
}

/// The kinds of work stand in one line at 1280 px and behind one word on a telephone; nothing is wider than either.
#[tokio::test(flavor = "multi_thread")]
async fn the_head_is_one_line_of_at_most_seven_kinds_of_work_and_a_menu_on_a_telephone() {
    let lab = Lab::open().await;
    let browser = Browser::open(&format!("http://{}", lab.app.running.address)).await;
    let size = async |width: u32, height: u32| {
        let metrics = json!({ "width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500 });
        browser.command("Emulation.setDeviceMetricsOverride", metrics).await;
    };
    let lines =
        "return new Set([...document.querySelectorAll('.works a')].map((one) => one.getBoundingClientRect().top)).size";
    let works = "return [...document.querySelectorAll('.works a')].length";
    let beside = "const top = (one) => document.querySelector(one).getBoundingClientRect(); \
        return top('.works').bottom > top('.name').top && top('.works').top < top('.who').bottom && top('.who').top < top('.works').bottom";
    for who in [&lab.app.analyst, &lab.app.manager, &lab.app.auditor] {
        browser.be(who.token()).await;
        size(1280, 800).await;
        browser.goto("/determinations").await;
        assert!(browser.script(works).await.as_u64().unwrap() <= 7, "{}", who.code);
        assert_eq!(browser.script(lines).await, json!(1), "{}: one line", who.code);
        assert_eq!(browser.script(beside).await, json!(true), "{}: beside the name and who is signed in", who.code);
        assert_eq!(browser.text(".places [aria-current=page]").await, "Determinations");
        size(390, 844).await;
        let head = "return document.querySelector('.head').getBoundingClientRect().height";
        let high = browser.script(head).await.as_f64().unwrap();
        assert!(high < 140.0, "{}: {high} px of a telephone's head", who.code);
        browser.click(".menu summary").await;
        browser.click(".menu a[href='/titrants']").await;
        browser.sees("Titrant").await;
        let wide = browser.script("return document.documentElement.scrollWidth").await;
        assert_eq!(wide, json!(390), "nothing is wider than the telephone");
    }
    browser.close().await;
}
