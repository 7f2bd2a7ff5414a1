//! Control charts, phases, values, nonconformities, labels and calculations through their pages.

use chrono::{Duration, Local};
use ferrotitre_tests::bench::{day, text};
use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use super::{Page, Visitor};
use crate::control::{Control, days_ago};

/// So many days ago, as a form gives a time.
fn field_time(days: f64) -> String {
    (Local::now() - Duration::milliseconds((days * 86_400_000.0) as i64)).format("%Y-%m-%dT%H:%M").to_string()
}

/// Twelve values written down in the weeks before, one of them far off.
fn history() -> String {
    let mut table = String::from("ferrotitre control values 1\nobserved_at;value [g/L];note\n");
    for (i, value) in
        ["117,9", "118,2", "118,1", "117,8", "118,0", "121,5", "118,3", "117,7", "118,0", "118,1", "117,9", "118,2"]
            .iter()
            .enumerate()
    {
        table.push_str(&format!("{};{value};\n", days_ago(60.0 - i as f64)));
    }
    table
}

/// A laboratory whose chart has a history, limits, a proposal, a rule hit, and whose bench has an open nonconformity.
async fn furnished() -> Control {
    furnish(Control::open().await).await
}

/// The same for a laboratory that has worked before it had a plan of quality control.
pub(super) async fn furnish(control: Control) -> Control {
    let chart = control.chart("X-BATH", &json!({})).await;
    for i in 0..12 {
        control.import(&chart, ["117.9", "118.2"][i % 2], 60.0 - i as f64).await;
    }
    control.target(&chart, 20.0).await;
    control.import(&chart, "118.1", 10.0).await;
    control.import(&chart, "121.0", 5.0).await;
    let proposal = crate::control::baseline(1, 12, "preliminary", 1.0);
    let _ = control.app().analyst.post(&format!("/control-charts/{chart}/phases"), &proposal).await.expect(201);
    let plans = control.app().auditor.get("/qc-plans").await.expect(200);
    match plans["items"].as_array().unwrap().iter().find(|plan| plan["method"] == json!(control.lab.iron2)) {
        None => {
            let _ = control.plan(&[&chart]).await;
        }
        Some(plan) => {
            let charts = json!([{ "chart": chart, "values": 1 }]);
            let facts = json!({ "method": control.lab.iron2, "charts": charts, "blanks": 1, "duplicates": 0 });
            let correction = json!({ "reason": "a control sample in every run, too", "facts": facts });
            let path = format!("/qc-plans/{}/corrections", text(plan, "id"));
            let version = text(plan, "version_id");
            let _ = control.app().manager.post_if_match(&path, &version, &correction).await.expect(201);
        }
    }
    let complaint = json!({
        "source": "complaint", "severity": "minor", "title": "result of bath 3 doubted", "scope": "one report",
        "due_on": day(30), "observed_at": days_ago(0.1),
    });
    let _ = control.app().analyst.post("/nonconformities", &complaint).await.expect(201);
    control
}

async fn post(visitor: &Visitor, path: &str, entries: &[(&str, &str)]) -> Page {
    let form = visitor.get(path).await;
    let mut sent = vec![("_code", form.hidden("_code")), ("_key", form.hidden("_key"))];
    sent.extend_from_slice(entries);
    visitor.post(path, &sent).await
}

/// Imports the history of a chart through its page, after trying it.
async fn import_history(control: &Control, analyst: &Visitor, chart: &str) {
    let app = control.app();
    // Tried first: the wrong cell is named by its line, nothing is stored.
    let import = format!("{chart}/import");
    let wrong = history().replace("121,5", "121.5");
    let entries = |text: &'static str, step: &'static str| {
        [
            ("file_name", "bath.csv"),
            ("decimal_mark", "comma"),
            ("separator", "semicolon"),
            ("text", text),
            ("_do", step),
        ]
    };
    let wrong: &'static str = wrong.leak();
    let answer = post(analyst, &import, &entries(wrong, "try")).await;
    assert!(answer.status == 422 && answer.text.contains("121.5") && answer.text.contains("line 8"), "{}", answer.text);
    let answer = post(analyst, &import, &entries(wrong, "import")).await;
    assert_eq!(answer.status, 422);
    let good: &'static str = history().leak();
    let answer = post(analyst, &import, &entries(good, "try")).await;
    assert!(answer.status == 200 && answer.text.contains("nothing is stored yet"), "{}", answer.text);
    assert_eq!(app.row_counts(&["control_values"]).await, [0]);
    let answer = post(analyst, &import, &entries(good, "import")).await;
    assert_eq!((answer.status, app.row_counts(&["control_values"]).await), (303, vec![12]), "{}", answer.text);
}

/// Makes a plan that names the chart, and corrects it.
async fn plan_controls(control: &Control, manager: &Visitor) {
    let plan = manager.fill(
        "/qc-plans/new",
        &[
            ("method", "M1"),
            ("blanks", "1"),
            ("duplicates", "0"),
            ("charts[0].chart", "X-9"),
            ("charts[0].values", "1"),
        ],
    );
    let plan = plan.await;
    let correction = [
        ("blanks", "2"),
        ("duplicates", "0"),
        ("charts[0].chart", "X-9"),
        ("charts[0].values", "1"),
        ("method", "M1"),
        ("reason", "two blanks from now on"),
    ];
    manager.fill(&format!("{plan}/correction"), &correction).await;
    let run = control.run(None).await;
    let page = manager.get(&format!("/runs/{run}")).await.text;
    assert!(page.contains("1 of 1 control values on chart X-9") && page.contains("2 of 2 blanks"), "{page}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_chart_goes_through_its_forms_from_its_definition_to_its_plan() {
    let control = Control::open().await;
    let app = control.app();
    let of = |client: &Client| Visitor::of(app.running.address, client);
    let (analyst, manager) = (of(&app.analyst), of(&app.manager));
    let definition = [
        ("code", "X-9"),
        ("title", "total iron in the bath control"),
        ("quantity", "x"),
        ("unit", "g/L"),
        ("material", "CM-BATH-1"),
        ("method", "M1"),
        ("resolution", "0.1"),
        ("baseline_minimum", "10"),
    ];
    let chart = manager.fill("/charts/new", &definition).await;
    let id = chart.rsplit('/').next().unwrap().to_owned();

    import_history(&control, &analyst, &chart).await;

    // A point is left out only with its cause, and the page says so beside the point.
    let propose = format!("{chart}/phases/new?first=1&last=12");
    let form = analyst.get(&propose).await;
    let marked = "name=\"exclusions[5].value\" value=\"";
    let point = form.text.split_once(marked).and_then(|(_, rest)| rest.split('"').next()).unwrap().to_owned();
    let from = field_time(30.0);
    let mut entries = vec![
        ("origin", "baseline"),
        ("label", "established"),
        ("baseline.first", "1"),
        ("baseline.last", "12"),
        ("valid_from", from.as_str()),
        ("reason", "limits from the laboratory's own values"),
        ("exclusions[5].value", point.as_str()),
    ];
    let refused = post(&analyst, &propose, &entries).await;
    assert!(refused.status == 422 && refused.text.contains("must not be empty"), "{}", refused.text);
    entries.push(("exclusions[5].cause", "wrong aliquot"));
    entries.push(("exclusions[5].reason", "no"));
    let refused = post(&analyst, &propose, &entries).await;
    let row =
        refused.text.split_once("name=\"exclusions[5].reason\"").map_or("", |(_, rest)| &rest[..rest.len().min(300)]);
    assert!(refused.status == 422 && row.contains("at least 5 characters"), "{row}");
    entries.pop();
    entries.push(("exclusions[5].reason", "20 mL pipette found at the bench"));
    let proposed = post(&analyst, &propose, &entries).await;
    assert_eq!(proposed.status, 303, "{}", proposed.text);
    let phase = proposed.header("location").split('?').next().unwrap().to_owned();
    let shown = manager.get(&phase).await.text;
    assert!(shown.contains("wrong aliquot") && shown.contains("n = 11"), "{shown}");
    manager.fill(&format!("{phase}/approval"), &[("password", &app.manager.password)]).await;
    let phases = app.auditor.get(&format!("/control-charts/{id}")).await.expect(200);
    assert_eq!(phases["phases"][0]["state"], "established", "{phases}");
    // The mean of the eleven values kept, by hand.
    crate::control::near("centre", phases["phases"][0]["centre"].as_f64().unwrap(), 1298.2 / 11.0, 1e-9);

    let page = manager.get(&chart).await.text;
    for words in ["phase 1", "n = 11", "Good points beyond the action limits", "Points until a false hit"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let point = page.split_once("href=\"/control-values/").unwrap().1.split('"').next().unwrap().to_owned();
    assert!(
        page.contains(&format!("<a href=\"/control-values/{point}\" aria-label=")),
        "the points of the picture are links"
    );
    let typed = [("value", "118.1"), ("history", "bench book 7, page 12"), ("observed_at", &field_time(2.0))];
    analyst.fill(&format!("{chart}/values/new"), &typed).await;
    assert!(manager.get(&format!("{chart}?verdict=in+control")).await.text.contains("point 13"));
    assert!(!manager.get(&format!("{chart}?verdict=out+of+control")).await.text.contains("point 13"));
    let review = manager.get(&format!("{chart}/review")).await;
    assert!(review.status == 200 && review.text.contains("Findings"), "{}", review.text);

    plan_controls(&control, &manager).await;
    let lengths =
        post(&analyst, "/charts/run-lengths", &[("quantity", "x"), ("baseline", "25"), ("shifts[0]", "1")]).await;
    // 2 P(t > 3 / sqrt(1 + 1/25)) with 24 degrees of freedom, by Simpson's rule over the density of Student's t: 0.7124 %.
    assert!(lengths.status == 200 && lengths.text.contains("0.712 %, not 0.27 %"), "{}", lengths.text);
    manager.fill(&format!("{chart}/closing"), &[("to", "closed"), ("reason", "method withdrawn")]).await;
}

async fn signed_in(control: &Control, who: &Client) -> Browser {
    let browser = Browser::open(&format!("http://{}", control.app().running.address)).await;
    browser.sign_in(&who.code, &who.password).await;
    browser
}

async fn send(browser: &Browser) {
    browser.click("form.entry button.main").await;
    browser.sees("Saved.").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_rule_hit_is_seen_by_the_manager_and_leads_to_a_closed_nonconformity() {
    let control = furnished().await;
    let app = control.app();
    let browser = signed_in(&control, &app.manager2).await;
    browser.goto("/day").await;
    browser.sees("Rules completed on control charts").await;
    // Limits that the analyst proposed are approved by a manager, with the password again.
    browser.click("#phases tbody a").await;
    browser.click(".ways a.main").await;
    browser.fill("[name=password]", &app.manager2.password).await;
    send(&browser).await;
    browser.sees("preliminary").await;

    browser.goto("/day").await;
    browser.click("#hits a").await;
    browser.sees("Rule 1: ").await;
    let value = browser.path().await;
    browser.click(".ways a.main").await;
    browser.click("[name=to][value='under investigation']").await;
    browser.fill("[name=reason]", "control opened the day before").await;
    send(&browser).await;
    browser
        .goto(&format!("/nonconformities/new?kind=control_values&entity={}", value.rsplit('/').next().unwrap()))
        .await;
    browser.fill("[name=title]", "bath control far too high").await;
    browser.fill("[name=scope]", "results since Monday").await;
    browser.click("[name=source][value='rule violation']").await;
    browser.click("[name=severity][value=major]").await;
    browser.fill("[name=owner]", &app.analyst.code).await;
    browser.script(&format!("document.querySelector('[name=due_on]').value = '{}'", day(20))).await;
    send(&browser).await;
    browser.sees("Say how it is contained.").await;
    let nonconformity = browser.path().await.split('?').next().unwrap().to_owned();
    for (kind, next) in [
        ("containment", "contained"),
        ("impact", ""),
        ("cause", "action"),
        ("action", "verifying"),
        ("effectiveness", ""),
    ] {
        if kind == "impact" {
            browser.goto(&format!("{nonconformity}/moves")).await;
            browser.click("[name=to][value=investigating]").await;
            send(&browser).await;
        }
        browser.goto(&format!("{nonconformity}/steps?kind={kind}")).await;
        browser.fill("[name=words]", &format!("{kind} as found at the bench")).await;
        if kind == "effectiveness" {
            browser.click("[name=effective][value=true]").await;
        }
        send(&browser).await;
        if !next.is_empty() {
            browser.goto(&format!("{nonconformity}/moves")).await;
            browser.click(&format!("[name=to][value={next}]")).await;
            send(&browser).await;
        }
    }
    // Whoever wrote what was done does not close it: another manager does.
    browser.sign_in(&app.manager.code, &app.manager.password).await;
    browser.goto(&format!("{nonconformity}/closing")).await;
    browser.fill("[name=password]", &app.manager.password).await;
    send(&browser).await;
    browser.sees("closed").await;
    let closed = app.auditor.get(&nonconformity).await.expect(200);
    assert_eq!((&closed["state"], &closed["links"][0]["entity_kind"]), (&json!("closed"), &json!("control_values")));
    assert_eq!(browser.console().await, Vec::<String>::new());
    browser.close().await;
}

/// A symbol as pixels, from the path it is drawn with: rows of rectangles one module high.
fn pixels(page: &str) -> (Vec<u8>, u32) {
    let (_, rest) = page.split_once("class=\"symbol\" viewBox=\"0 0 ").unwrap();
    let side: usize = rest.split(' ').next().unwrap().parse().unwrap();
    let path = rest.split_once("<path d=\"").unwrap().1.split('"').next().unwrap();
    let scale = 5;
    let width = side * scale;
    let mut luma = vec![255_u8; width * width];
    for part in path.split('M').filter(|part| !part.is_empty()) {
        let (at, run) = part.split_once('h').unwrap();
        let (x, y) = at.split_once(' ').unwrap();
        let [x, y]: [usize; 2] = [x, y].map(|number| number.parse().unwrap());
        let length: usize = run.split('v').next().unwrap().parse().unwrap();
        for line in y * scale..(y + 1) * scale {
            luma[line * width + x * scale..line * width + (x + length) * scale].fill(0);
        }
    }
    (luma, u32::try_from(width).unwrap())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_printed_label_is_read_by_another_decoder_and_leads_to_its_record() {
    let control = Control::open().await;
    let app = control.app();
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let lot = control.lab.titrant.clone();
    let page = analyst.get(&format!("/labels/sheet?kind=titrants&id={lot}")).await.text;
    assert!(page.contains("dichromate") && page.contains("use until"), "{page}");
    let (luma, side) = pixels(&page);
    let read = rxing::helpers::detect_in_luma(luma, side, side, Some(rxing::BarcodeFormat::DATA_MATRIX)).unwrap();
    let label = read.getText().to_owned();
    assert_eq!(label[..32].to_lowercase(), lot.replace('-', ""));
    let found = analyst.get(&format!("/labels/find?label={label}")).await;
    assert_eq!((found.status, found.header("location")), (303, format!("/titrants/{lot}").as_str()));
    let mut damaged = label.clone();
    damaged.replace_range(3..4, if &label[3..4] == "7" { "8" } else { "7" });
    let wrong = analyst.get(&format!("/labels/find?label={damaged}")).await;
    assert!(wrong.status == 200 && wrong.text.contains("not read correctly"), "{}", wrong.text);
    // Lots on the shelf have labels, too, with their last day and what is known of their hazard.
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let standard = text(&standards["items"][0], "id");
    for (kind, id, place, words) in [
        ("standards", &standard, "/stock/standards", "Chromium(VI)"),
        ("control-materials", &control.material, "/control-materials", "assigned 118.0 g/L"),
    ] {
        let page = analyst.get(&format!("/labels/sheet?kind={kind}&id={id}")).await.text;
        assert!(page.contains("use until") && page.contains(words), "{page}");
        let (luma, side) = pixels(&page);
        let read = rxing::helpers::detect_in_luma(luma, side, side, Some(rxing::BarcodeFormat::DATA_MATRIX)).unwrap();
        let found = analyst.get(&format!("/labels/find?label={}", read.getText())).await;
        assert_eq!((found.status, found.header("location")), (303, format!("{place}/{id}").as_str()));
    }
    // Every field that asks for a thing takes its label.
    let (from, to) = (format!("{}T08:00", day(0)), format!("{}T08:00", day(3)));
    let asked = |item: String| {
        vec![
            ("item_kind", "titrants".to_owned()),
            ("item", item),
            ("reason", "new lot arrives on Monday".to_owned()),
            ("valid_from", from.clone()),
            ("valid_to", to.clone()),
        ]
    };
    let refused = asked(damaged);
    let refused: Vec<(&str, &str)> = refused.iter().map(|(name, value)| (*name, value.as_str())).collect();
    let refused = post(&analyst, "/concessions/new", &refused).await;
    assert!(refused.status == 422 && refused.text.contains("check character does not fit"), "{}", refused.text);
    let taken = asked(label);
    let taken: Vec<(&str, &str)> = taken.iter().map(|(name, value)| (*name, value.as_str())).collect();
    analyst.fill("/concessions/new", &taken).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn drift_decision_and_calculations_answer_on_their_pages() {
    let control = Control::open().await;
    let app = control.app();
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let lot = &control.lab.titrant;
    let drift = analyst.get(&format!("/titrants/{lot}/drift?at={}", field_time(0.0))).await;
    assert!(drift.status == 200 && drift.text.contains("Factor in force"), "{}", drift.text);
    assert!(drift.text.contains("Standardise again by") && drift.text.contains("<svg"), "{}", drift.text);
    let early = analyst.get(&format!("/titrants/{lot}/drift?at=2001-01-01T00:00")).await;
    assert!(early.status == 200 && early.text.contains("had no factor in force"), "{}", early.text);

    let run = control.lab.run(&control.lab.iron2).await;
    let determination = control.lab.begin(&run).await;
    for _ in 0..2 {
        let _: Value = control.lab.titrate(&determination, &control.lab.titration("accurate", "21.46", None)).await;
    }
    let view = app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    let unit = text(&view["evaluation"]["reported"], "unit");
    let figures = view["evaluation"]["figures"].as_array().unwrap();
    let figure = figures.iter().find(|figure| figure["unit"] == unit.as_str() && figure["expressed"] == "Fe").unwrap();
    let value = figure["value"].as_f64().unwrap();
    // A value on its own upper limit conforms with a probability of one half: the normal distribution is symmetric.
    let page = analyst.get(&format!("/determinations/{determination}?lower=0&upper={value}")).await.text;
    assert!(page.contains("conforms</span>") && page.contains("50.0 %"), "{page}");
    let page = analyst.get(&format!("/determinations/{determination}?upper={value}&guard=U")).await.text;
    assert!(page.contains("conditional</span>") && page.contains("class=\"guard\""), "{page}");
    let page = analyst.get(&format!("/determinations/{determination}?lower=9&upper=8")).await;
    assert!(page.status == 200 && page.text.contains("greater than the lower"), "{}", page.text);

    let list = analyst.get("/calculations").await;
    assert!(list.status == 200 && list.text.contains("subject=dixon"), "{}", list.text);
    let example = "{\"u\": 1, \"degrees_of_freedom\": 10}";
    let answer = post(&analyst, "/calculations/one?subject=coverage-factor", &[("input", example)]).await;
    // Two-sided 95 % quantile of Student's t with 10 degrees of freedom: 2.228 (JCGM 100:2008, table G.2: 2.23).
    assert!(answer.status == 200 && answer.text.contains("2.228"), "{}", answer.text);
    let wrong = post(&analyst, "/calculations/one?subject=coverage-factor", &[("input", "{\"colour\": 1}")]).await;
    assert!(wrong.status == 422 && wrong.text.contains("colour"), "{}", wrong.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_chart_shows_how_its_points_lie_and_the_ranges_below_them() {
    let control = furnished().await;
    let app = control.app();
    let charts = app.auditor.get("/control-charts").await.expect(200);
    let chart = text(&charts["items"][0], "id");
    let picture = format!("/control-charts/{chart}.svg");
    let svg = app.auditor.get(&picture).await.text;
    // Limits of the range of two values with s = 0.413: d2 s = 0.466, (d2 + 3 d3) s = 1.5223 (ISO 7870-2, table of d2 and d3
    // from memory: 1.128 and 0.8525).
    for words in ["moving range, g/L", "mean 0.46602", "action 1.5223", "n = 14"] {
        assert!(svg.contains(words), "{words}: {svg}");
    }
    // A chart of ranges of the same material takes the place of the moving ranges.
    let ranges = control.chart("R-BATH", &json!({ "quantity": "range", "replicates": 2 })).await;
    control.import(&ranges, "0.3", 9.0).await;
    control.import(&ranges, "0.7", 6.0).await;
    let svg = app.auditor.get(&picture).await.text;
    assert!(svg.contains("range, g/L") && !svg.contains("moving range"), "{svg}");
    assert!(svg.contains(": 0.7 g/L"), "the ranges are links to their own pages: {svg}");
}
