//! From one thing at the bench to the next: what waits is proposed, each save leads on, and the end of the runs is one form.

use ferrotitre_tests::bench::{minutes_ago, sample, text};
use ferrotitre_tests::browser::Browser;
use serde_json::json;

use super::Visitor;
use super::tasks::Counted;
use crate::control::Control;
use crate::lab::{self, Lab, method_with, rules};

/// A sample with one test portion.
async fn portion(lab: &Lab, code: &str) -> String {
    let taken = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(50),
    });
    let new = json!({ "sample": sample(code), "portions": [taken] });
    let made = lab.app.analyst.post("/samples/with-portions", &new).await.expect(201);
    text(&made["portions"][0], "id")
}

async fn titration_at(bench: &mut Counted, last: &str) {
    bench.browser.fill("[name='initial_readings[0]']", "0.00").await;
    bench.browser.fill("[name='final_readings[0]']", last).await;
    bench.click("label.tile:has([name=end_point][value='green to violet, sharp'])").await;
    bench.on("form.titration .send button").await;
}

/// An analyst logs three titrations of the next sample on three pages, without a list in between.
#[tokio::test(flavor = "multi_thread")]
async fn three_titrations_of_the_next_sample_take_three_pages() {
    let lab = Lab::open().await;
    let mut three = rules();
    three["minimum_titres"] = json!(3);
    let method = method_with(&lab.app, ("M3", "iron(II)", "none"), three).await;
    let run = lab.run(&method).await;
    lab.blank(&run).await;
    let mut begun = Vec::new();
    for code in ["S-11", "S-12", "S-13"] {
        let new = json!({ "run": run, "portion": portion(&lab, code).await, "purpose": "sample", "observed_at": minutes_ago(40) });
        begun.push(text(&lab.app.analyst.post("/determinations", &new).await.expect(201), "id"));
    }
    for last in ["21.46", "21.48", "21.46"] {
        lab.titrate(&begun[0], &lab.titration("accurate", last, None)).await;
    }
    let browser = Browser::open(&format!("http://{}", lab.app.running.address)).await;
    browser.sign_in(&lab.app.analyst.code, &lab.app.analyst.password).await;
    // From the sample before to the next.
    browser.goto(&format!("/runs/{run}")).await;
    let mut bench = Counted::of(browser);
    bench.on("a.button.main").await;
    assert!(bench.browser.path().await.starts_with(&format!("/determinations/{}/bench", begun[1])));
    (bench.pages, bench.clicks) = (0, 0);
    for last in ["21.44", "21.46", "21.44"] {
        titration_at(&mut bench, last).await;
    }
    let (pages, clicks) = (bench.pages, bench.clicks);
    println!("three titrations of the next sample: {pages} pages, {clicks} clicks");
    assert!(pages <= 3 && clicks <= 6, "{pages} pages, {clicks} clicks");
    // The third of them leads to the sample after, and says what the one before came to.
    let path = bench.browser.path().await;
    assert!(path.starts_with(&format!("/determinations/{}/bench", begun[2])), "{path}");
    assert!(
        bench.browser.text("#before").await.contains("iron(II) of S-12"),
        "{}",
        bench.browser.text("#before").await
    );
    assert_eq!(bench.browser.value("[name='final_readings[0]']").await, "", "readings are never proposed");
    // On a telephone the first reading is in view, without scrolling.
    let metrics = json!({ "width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": true });
    bench.browser.command("Emulation.setDeviceMetricsOverride", metrics).await;
    bench.browser.goto(&path).await;
    let script = "return document.querySelector(\"[name='initial_readings[0]']\").getBoundingClientRect().bottom";
    let bottom = bench.browser.script(script).await.as_f64().unwrap();
    println!("the first reading ends at {bottom} of 844 pixels");
    assert!(bottom <= 844.0, "{bottom}");
    let wide = "return document.documentElement.scrollWidth";
    assert_eq!(bench.browser.script(wide).await, json!(390), "nothing is wider than the telephone");
    bench.browser.close().await;
}

fn titration<'a>(page: &'a super::Page, lab: &'a Lab, last: &'a str) -> Vec<(&'a str, &'a str)> {
    vec![
        ("_code", page.hidden("_code")),
        ("_key", page.hidden("_key")),
        ("_meant", page.hidden("_meant")),
        ("kind", "accurate"),
        ("titrant", &lab.titrant),
        ("burette", &lab.bench.burette),
        ("initial_readings[0]", "0.00"),
        ("final_readings[0]", last),
        ("solution_temperature", "20.0"),
        ("end_point", "green to violet, sharp"),
        ("waste_stream", "chromium acid"),
    ]
}

/// What asks for a look keeps its analyst on the page.
#[tokio::test(flavor = "multi_thread")]
async fn a_save_leads_on_only_where_nothing_is_left_to_look_at() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    lab.blank(&run).await;
    let (first, second) = (lab.begin(&run).await, lab.begin(&run).await);
    let analyst = Visitor::of(lab.app.running.address, &lab.app.analyst);
    let save = async |determination: &str, last: &str| {
        let bench = format!("/determinations/{determination}/bench");
        let page = analyst.get(&bench).await;
        let answer = analyst.post(&bench, &titration(&page, &lab, last)).await;
        assert_eq!(answer.status, 303, "{}", answer.text);
        answer.header("location").to_owned()
    };
    let of = |id: &str| format!("/determinations/{id}/bench");
    assert!(save(&first, "21.46").await.starts_with(&of(&first)), "the rule asks for another");
    // A whole millilitre off is asked about.
    assert!(save(&first, "22.46").await.starts_with(&of(&first)));
    assert!(save(&first, "21.48").await.starts_with(&of(&first)), "a slip is asked about");
    assert!(save(&second, "21.46").await.starts_with(&of(&second)));
    // The first still asks for something: it comes before the end.
    let on = save(&second, "21.48").await;
    let view = lab.app.auditor.get(&format!("/determinations/{first}")).await.expect(200);
    let expected = if view["evaluation"]["progress"]["complete"] == json!(true) {
        format!("/runs/{run}/finish")
    } else {
        of(&first)
    };
    assert!(on.starts_with(&expected), "{on}, expected {expected}");
}

/// A laboratory whose plan asks for a control in every run of iron(II), with a portion of it that is still to be titrated.
async fn controlled() -> Control {
    let control = Control::open().await;
    let chart = control.chart("X-BATH", &json!({})).await;
    let plan = json!({ "method": control.lab.iron2, "charts": [{ "chart": chart, "values": 1 }], "blanks": 1, "duplicates": 0 });
    let _ = control.app().manager.post("/qc-plans", &plan).await.expect(201);
    control
}

fn ticked(page: &str) -> Vec<String> {
    let tiles = page.split("name=\"titrates\" value=\"").skip(1);
    let checked = tiles.filter(|tile| tile.split('>').next().unwrap().ends_with(" checked"));
    checked.map(|tile| tile.split_once("<span>").unwrap().1.split('<').next().unwrap().to_owned()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn runs_begin_with_what_waits_for_their_methods() {
    let control = controlled().await;
    let lab = &control.lab;
    let address = lab.app.running.address;
    let analyst = Visitor::of(address, &lab.app.analyst);
    let form = analyst.get("/runs/begin").await;
    assert_eq!(ticked(&form.text), ["M1: CM-1/1", "M1: S-1/1", "M2: S-1/1"], "{}", form.text);
    // Of two methods for the same one is proposed, the one whose plan asks for a control; the other can be ticked.
    let other = lab::approved_method(&lab.app, ("A9", "iron(II)", "none"), rules()).await;
    let with_other = analyst.get("/runs/begin").await;
    assert_eq!(ticked(&with_other.text), ["M1: CM-1/1", "M1: S-1/1", "M2: S-1/1"], "{}", with_other.text);
    assert!(with_other.text.contains("<span>A9: S-1/1</span>"), "{}", with_other.text);
    // Nobody is proposed work they are not authorised for.
    let manager = Visitor::of(address, &lab.app.manager);
    assert_eq!(ticked(&manager.get("/runs/begin").await.text), Vec::<String>::new());
    let value = |code: &str| {
        let (before, _) = form.text.split_once(&format!("<span>{code}</span>")).unwrap();
        before.rsplit_once("value=\"").unwrap().1.split('"').next().unwrap().to_owned()
    };
    let (of_control, sample) = (value("M1: CM-1/1"), value("M1: S-1/1"));
    let hidden = [("_code", form.hidden("_code")), ("_key", form.hidden("_key")), ("bench", "bench 2")];
    let nothing = analyst.post("/runs/begin", &hidden).await;
    assert!(nothing.status == 422 && nothing.text.contains("tick what is titrated"), "{}", nothing.text);
    let form = analyst.get("/runs/begin").await;
    let hidden = [("_code", form.hidden("_code")), ("_key", form.hidden("_key")), ("bench", "bench 2")];
    let sent = [&hidden[..], &[("titrates", &of_control), ("titrates", &sample)]].concat();
    let begun = analyst.post("/runs/begin", &sent).await;
    assert_eq!(begun.status, 303, "{}", begun.text);
    let place = begun.header("location").to_owned();
    assert!(place.contains("/blanks/new"), "the blank is due first: {place}");
    // What a run has waits no more; what it does not have still does.
    assert_eq!(ticked(&analyst.get("/runs/begin").await.text), ["M2: S-1/1"]);
    // A sample whose iron(II) is begun is not proposed to the other method either, which still offers it.
    assert!(analyst.get("/runs/begin").await.text.contains(&format!("value=\"{other}/sample/{}\"", lab.portion)));
    // Sent again it opens nothing more.
    let before = lab.app.row_counts(&["runs", "determinations"]).await;
    assert!(analyst.post("/runs/begin", &sent).await.header("location").contains("done=again"));
    assert_eq!(lab.app.row_counts(&["runs", "determinations"]).await, before);
    // Of a rejected run everything waits again.
    let run = place.split('/').nth(2).unwrap().to_owned();
    lab.close(&run).await;
    let reason = Some("burette leaked");
    let _ = lab.app.manager.sign(&format!("/runs/{run}/rejection"), reason).await.expect(201);
    assert_eq!(ticked(&analyst.get("/runs/begin").await.text), ["M1: CM-1/1", "M1: S-1/1", "M2: S-1/1"]);
}
