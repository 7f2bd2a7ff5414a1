//! A validation study and an export, on the pages alone: planned, approved, filled from files, concluded, taken out.

use std::path::{Path, PathBuf};

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::text;
use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use super::Visitor;
use crate::lab::Lab;
use crate::validation_studies::{Study, method, most, plan, planned};

async fn send(browser: &Browser) {
    browser.click("form.entry button.main").await;
    browser.sees("Saved.").await;
}

async fn sign(browser: &Browser, who: &Client, path: &str) {
    browser.sign_in(&who.code, &who.password).await;
    browser.goto(path).await;
    browser.fill("[name=password]", &who.password).await;
    send(browser).await;
}

/// A file to upload, gone with its folder's next cleaning.
fn file(name: &str, bytes: &[u8]) -> PathBuf {
    let path = std::env::temp_dir().join(format!("ferrotitre-{}-{name}", uuid::Uuid::now_v7().simple()));
    std::fs::write(&path, bytes).unwrap();
    path
}

/// The limit of a characteristic: its statistic from the list, its rule, its ends.
async fn limit(browser: &Browser, at: usize, (statistic, rule): (&str, &str), ends: (&str, &str)) {
    let name = |field: &str| format!("characteristics[{at}].limits[0].{field}");
    browser.choose(&name("statistic"), statistic).await;
    browser.click(&format!("[name='{}'][value={rule}]", name("rule"))).await;
    for (field, value) in [("lower", ends.0), ("upper", ends.1)] {
        if !value.is_empty() {
            browser.fill(&format!("[name='{}']", name(field)), value).await;
        }
    }
}

async fn add(browser: &Browser, number: usize, kind: &str, title: &str, n: &str) {
    browser.choose("_add", kind).await;
    browser.click("button[value=add]").await;
    browser.sees(&format!("{}. {kind}", number + 1)).await;
    browser.fill(&format!("[name='characteristics[{number}].title']"), title).await;
    browser.choose(&format!("characteristics[{number}].unit"), "% m/m").await;
    browser.fill(&format!("[name='characteristics[{number}].planned_n']"), n).await;
}

/// Plans as the analyst; returns the study's page.
async fn plan_study(browser: &Browser, analyst: &Client) -> String {
    browser.sign_in(&analyst.code, &analyst.password).await;
    browser.goto("/validation/new").await;
    browser.fill("[name=code]", "VS-7").await;
    browser.fill("[name=title]", "total iron in ores").await;
    browser.fill("[name=purpose]", "release of ores at 52 %").await;
    browser.fill("[name=method]", "M3").await;
    add(browser, 0, "repeatability", "one ore, one day", "5").await;
    limit(browser, 0, ("rsd_r", "value"), ("", "0.3")).await;
    add(browser, 1, "linearity", "three levels twice", "6").await;
    // What was entered before is still there.
    assert_eq!(browser.value("[name='characteristics[0].title']").await, "one ore, one day");
    limit(browser, 1, ("slope", "covers"), ("1", "1")).await;
    send(browser).await;
    browser.path().await.split('?').next().unwrap_or_default().to_owned()
}

/// Uploads a table: tried first, then taken.
async fn upload(browser: &Browser, path: &str, table: &Path) {
    browser.goto(path).await;
    browser.click("a[href$='/import']").await;
    browser.choose_file("[name=_file]", table).await;
    browser.click("form.entry button.main").await;
    browser.sees("nothing is stored yet").await;
    browser.click("[name=_do][value=import]").await;
    send(browser).await;
}

/// Leaves the sixth datum out: proposed by one, signed by another.
async fn leave_out(browser: &Browser, app: &TestApp, path: &str) {
    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    browser.goto(path).await;
    browser.sees("does not meet").await;
    browser.click("#data tbody tr:nth-child(6) a[href$='/exclusion']").await;
    browser.choose("cause", "overrun end point").await;
    browser.fill("[name=evidence]", "bench book 3, page 12: overrun by 1 mL").await;
    send(browser).await;
    browser.sees("Saved.").await;
    browser.sign_in(&app.manager.code, &app.manager.password).await;
    browser.goto(path).await;
    browser.click("#data a[href$='/approval']").await;
    browser.fill("[name=password]", &app.manager.password).await;
    send(browser).await;
    browser.sees("left out: overrun end point").await;
}

async fn conclude(browser: &Browser, app: &TestApp, study: &str) {
    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    browser.goto(study).await;
    browser.click("a[href$='/conclusion']").await;
    browser.sees("2 characteristics meet their limits").await;
    browser.click("[name=fit][value=true]").await;
    for (name, words) in [
        ("words", "fit for release of ores"),
        ("validated_low", "20"),
        ("validated_high", "60"),
        ("matrix", "iron ore"),
        ("limitations", "none known"),
        ("password", app.analyst.password.as_str()),
    ] {
        browser.fill(&format!("[name={name}]"), words).await;
    }
    browser.click("[name=unit][value='% m/m']").await;
    send(browser).await;
    sign(browser, &app.analyst2, &format!("{study}/review")).await;
    sign(browser, &app.manager2, &format!("{study}/approval")).await;
    browser.sees("approved").await;
}

/// Takes the study out as the auditor; the log on the page names the digests of what was handed out.
async fn export(browser: &Browser, app: &TestApp) {
    browser.sign_in(&app.auditor.code, &app.auditor.password).await;
    browser.goto("/exports").await;
    let links = "return [...document.querySelectorAll('#studies a')].map((link) => link.getAttribute('href'))";
    let links = browser.script(links).await;
    let auditor = Visitor::of(app.running.address, &app.auditor);
    for format in ["xlsx", "json"] {
        let found = links.as_array().unwrap().iter().filter_map(Value::as_str);
        let link = found.clone().find(|link| link.contains(format)).unwrap_or_else(|| panic!("no {format}: {links}"));
        let taken = auditor.get(link).await;
        let digest = taken.header("x-content-sha256").to_owned();
        assert!(taken.status == 200 && digest.len() == 64, "{format}: {} {digest}", taken.status);
        if format == "json" {
            let file: Value = serde_json::from_str(&taken.text).unwrap();
            assert!(file.to_string().contains("overrun end point"), "{file}");
        }
        browser.goto("/exports").await;
        browser.sees(&digest).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_study_goes_from_its_plan_to_the_auditors_export_through_the_pages() {
    let app = TestApp::start().await;
    method(&app).await;
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    let study = plan_study(&browser, &app.analyst).await;
    sign(&browser, &app.manager, &format!("{study}/plan-approval")).await;
    let view = app.auditor.get(&study.replace("/validation/", "/validation-studies/")).await.expect(200);
    let characteristics: Vec<String> = view["characteristics"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| format!("/validation/characteristics/{}", text(one, "id")))
        .collect();
    assert_eq!(view["characteristics"][0]["criterion"]["limits"][0]["unit"], "%", "{view}");

    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    let head = "ferrotitre validation data 1\nvalue [% m/m];group;analyst;burette;lot;note\n";
    let values = ["52,41", "52,39", "52,44", "52,40", "52,38", "53,90"].map(|value| format!("{value};;;;;\n")).concat();
    let first = file("ore.csv", format!("{head}{values}").as_bytes());
    upload(&browser, &characteristics[0], &first).await;
    // As a spreadsheet of some years ago writes it: UTF-16, least significant byte first, with its mark.
    let head = "ferrotitre validation data 1\nvalue [% m/m];taken [% m/m];analyst;burette;lot;note\n";
    let rows = ["20,1;20", "19,9;20", "40,2;40", "39,9;40", "59,8;60", "60,1;60"].map(|row| format!("{row};;;;\n"));
    let units = format!("\u{feff}{head}{}", rows.concat());
    let bytes: Vec<u8> = units.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let second = file("levels.txt", &bytes);
    upload(&browser, &characteristics[1], &second).await;
    // Least squares by hand: 0.9987 (sums of products about the means 1598 over 1600).
    browser.sees("0.99875").await;
    assert!(browser.has("#picture svg").await);

    leave_out(&browser, &app, &characteristics[0]).await;
    // s/mean of the five that stay, by hand: 0.0230217/52.404 = 0.043931 %.
    browser.sees("0.043931").await;
    conclude(&browser, &app, &study).await;
    browser.goto("/imports").await;
    browser.sees("ore.csv").await;
    browser.click("#list a[href^='/imports/']").await;
    browser.sees("ferrotitre validation data 1").await;
    export(&browser, &app).await;
    assert_eq!(browser.console().await, Vec::<String>::new());
    browser.close().await;
    for table in [first, second] {
        let _ = std::fs::remove_file(table);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_plan_of_many_characteristics_needs_no_script_and_errors_stand_beside_their_fields() {
    let app = TestApp::start().await;
    method(&app).await;
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.without_script().await;
    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    browser.goto("/validation/new").await;
    for (number, kind) in ["trueness", "repeatability", "ruggedness"].iter().enumerate() {
        add(&browser, number, kind, "as planned", "8").await;
    }
    // The middle one is left out again; the last one keeps its name.
    browser.click("button[value='leave-out 1']").await;
    browser.sees("2. ruggedness").await;
    assert_eq!(browser.value("[name='characteristics[2].title']").await, "as planned");
    for (name, words) in [("code", "VS-8"), ("title", "ores"), ("purpose", "release of ores at 52 %"), ("method", "M3")]
    {
        browser.fill(&format!("[name={name}]"), words).await;
    }
    browser.fill("[name='characteristics[0].design.reference']", "52.36").await;
    browser.fill("[name='characteristics[0].design.reference_u']", "0.03").await;
    limit(&browser, 0, ("bias_ratio", "value"), ("", "1")).await;
    browser.fill("[name='characteristics[2].design.known_sd']", "-0.07").await;
    for factor in 0..7 {
        for (field, words) in [("name", format!("factor {factor}")), ("low", "1".to_owned()), ("high", "2".to_owned())]
        {
            browser.fill(&format!("[name='characteristics[2].design.factors[{factor}].{field}']"), &words).await;
        }
    }
    limit(&browser, 2, ("effect_ratio", "value"), ("", "1")).await;
    browser.click("form.entry button.main").await;
    browser.sees("must be above 0").await;
    let wrong = browser.text("[id='f-characteristics-2--design-known-sd-h'] .wrong").await;
    assert_eq!(wrong, "must be above 0");
    browser.fill("[name='characteristics[2].design.known_sd']", "0.07").await;
    send(&browser).await;
    browser.close().await;
    let studies = app.auditor.get("/validation-studies").await.expect(200);
    let plan = &studies["items"][0]["characteristics"];
    let kinds: Vec<&Value> = plan.as_array().unwrap().iter().map(|one| &one["kind"]).collect();
    assert_eq!(kinds, [&json!("trueness"), &json!("ruggedness")]);
    assert_eq!(plan[1]["design"]["factors"].as_array().unwrap().len(), 7);
    assert_eq!(plan[1]["design"]["factors"][6]["name"], "factor 6");
}

#[tokio::test(flavor = "multi_thread")]
async fn data_are_drawn_from_determinations_and_typed_with_what_they_share() {
    let lab = Lab::open().await;
    let characteristics =
        [planned("intermediate precision", "g/L", 4, &json!({ "groups": 2 }), &[most("rsd_i", "9", "%")])];
    let new = plan("VS-9", &lab.iron2, &characteristics);
    let planned = lab.app.analyst.post("/validation-studies", &new).await.expect(201);
    let done = [lab.iron2_done(["21.46", "21.46"]).await, lab.iron2_done(["21.48", "21.50"]).await];
    let Lab { app, .. } = lab;
    let study = Study::approve(app, &planned).await;
    let app = &study.app;
    let path = format!("/validation/characteristics/{}", study.characteristics[0]);
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.sign_in(&app.analyst.code, &app.analyst.password).await;
    browser.goto(&format!("{path}/determinations")).await;
    browser.sees("2 complete determinations").await;
    // The second of the list is taken, the first is not; its error stands beside it.
    browser.click("[name='data[1].determination']").await;
    browser.fill("[name='data[1].labels.group']", "").await;
    browser.click("form.entry button.main").await;
    browser.sees("must not be empty").await;
    browser.fill("[name='data[1].labels.group']", "day 1").await;
    let chosen = browser.value("[name='data[1].determination']").await;
    assert!(done.contains(&chosen), "{chosen}");
    send(&browser).await;
    let answer = study.answer(0).await;
    let rows = answer["inputs"]["rows"].as_array().unwrap();
    assert_eq!((rows.len(), &rows[0]["source"]["determination"]), (1, &json!(chosen)));
    // What was taken is offered no more; the filter narrows what is.
    browser.goto(&format!("{path}/determinations")).await;
    browser.sees("1 complete determinations").await;
    browser.fill("[name=_codes]", "DET-999999").await;
    browser.click("button[value=find]").await;
    browser.sees("0 complete determinations").await;

    browser.goto(&format!("{path}/data")).await;
    browser.click("button[value=more]").await;
    browser.sees("Datum 24").await;
    browser.fill("[name=_analyst]", "analyst-2").await;
    for (row, value) in [(0, "118.20"), (23, "118.40")] {
        browser.fill(&format!("[name='data[{row}].value']"), value).await;
        browser.fill(&format!("[name='data[{row}].labels.group']"), "day 2").await;
    }
    browser.fill("[name='data[23].standard_uncertainty']", "0.12").await;
    send(&browser).await;
    browser.close().await;
    let rows = study.answer(0).await["inputs"]["rows"].clone();
    assert_eq!(rows.as_array().unwrap().len(), 3, "{rows}");
    assert!(rows[2].to_string().contains("analyst-2") && rows[2].to_string().contains("0.12"), "{rows}");
}
