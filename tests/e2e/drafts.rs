//! Several methods drafted at once: all of them or none, each a draft like any other.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::text;
use serde_json::{Value, json};

use crate::lab::rules;
use crate::pages::Visitor;

fn facts(code: &str) -> Value {
    json!({
        "code": code, "title": "iron(II) in pickling baths", "principle": "titration with dichromate",
        "analyte": "iron(II)", "matrix": "hydrochloric pickling bath", "chemistry": "dichromate", "reduction": "none",
        "indicator": "diphenylamine sulfonate", "rules": rules(),
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn several_methods_are_drafted_whole_or_not_at_all() {
    let app = TestApp::start().await;
    let both = json!({ "drafts": [facts("M-1"), facts("M-2")] });
    let made = app.analyst.post("/methods/several", &both).await.expect(201);
    let states: Vec<&Value> = made["methods"].as_array().unwrap().iter().map(|one| &one["state"]).collect();
    assert_eq!(states, ["draft", "draft"]);
    // Each is approved for itself, by somebody else.
    let moves = format!("/methods/{}/moves", text(&made["methods"][1], "id"));
    let _ = app.manager.post(&moves, &json!({ "to": "approved" })).await.expect(201);
    let mut wrong = facts("M-4");
    wrong["rules"]["validated_low"] = json!("300");
    let mut unread = facts("M-5");
    unread["colour"] = json!("green");
    for (second, field) in [
        (facts("M-1"), "drafts[1].code"),
        (facts("M-3"), "drafts[1].code"),
        (facts(""), "drafts[1].code"),
        (wrong, "drafts[1].rules.validated_high"),
        (unread, "drafts[1].colour"),
    ] {
        let answer = app.analyst.post("/methods/several", &json!({ "drafts": [facts("M-3"), second] })).await;
        assert!([409, 422].contains(&answer.status), "{field}: {}", answer.text);
        assert_eq!(answer.json["errors"][0]["field"], field, "{}", answer.text);
    }
    let none = app.analyst.post("/methods/several", &json!({ "drafts": [] })).await.refused(422, "invalid_input");
    assert_eq!(none["errors"][0]["rule"], "count", "{none}");
    app.auditor.post("/methods/several", &both).await.refused(403, "forbidden");
    assert_eq!(app.row_counts(&["methods"]).await, [2]);
}

#[tokio::test(flavor = "multi_thread")]
async fn outlines_that_are_ticked_become_drafts_with_what_the_laboratory_says_once() {
    let app = TestApp::start().await;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    assert!(analyst.get("/methods/outlines").await.text.contains("href=\"/methods/drafts\""));
    let form = analyst.get("/methods/drafts").await;
    for (caution, times) in [
        ("Chromium(VI): carcinogenic", 1),
        ("Mercury(II) chloride is fatal if swallowed", 1),
        ("licensed practice decide; ask the safety officer.", 1),
    ] {
        assert_eq!(form.text.matches(caution).count(), times, "{caution}: {}", form.text);
    }
    let (code, key) = (form.hidden("_code").to_owned(), form.hidden("_key").to_owned());
    let outlines = app.auditor.get("/method-outlines").await.expect(200);
    let row = |outline: &str, field: &str| {
        let at = outlines.as_array().unwrap().iter().position(|one| one["key"] == outline).unwrap();
        format!("drafts[{at}].{field}")
    };
    let post = async |entries: &[(&str, String)]| {
        let mut sent = vec![("_code", code.as_str()), ("_key", key.as_str())];
        sent.extend(entries.iter().map(|(name, value)| (*name, value.as_str())));
        analyst.post("/methods/drafts", &sent).await
    };
    let said = |low: &str, high: &str| {
        [
            ("matrix", "hydrochloric pickling bath"),
            ("end_point_u_ml", "0.01"),
            ("validated_low", low),
            ("validated_high", high),
        ]
        .map(|(name, value)| (name, value.to_owned()))
    };
    let tick = |outline: &'static str, of: &str| {
        [(row(outline, "outline"), outline.to_owned()), (row(outline, "code"), of.to_owned())]
    };
    let (iron2, total) = (tick("iron2-dichromate", "M1"), tick("total-silver", "M2"));
    let with = |rows: &[&[(String, String); 2]], said: [(&'static str, String); 4]| -> Vec<(String, String)> {
        let rows = rows.iter().flat_map(|row| row.iter().cloned());
        rows.chain(said.into_iter().map(|(name, value)| (name.to_owned(), value))).collect()
    };
    let send = async |entries: Vec<(String, String)>| {
        let entries: Vec<(&str, String)> = entries.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
        post(&entries).await
    };
    // A code beside an outline that is not ticked is not read.
    let unticked = [(row("iron2-cerium", "code"), "M9".to_owned()), (row("iron2-cerium", "mark"), String::new())];
    let none = send(with(&[&unticked], said("1", "200"))).await;
    assert!(none.status == 422 && none.text.contains("tick the outlines you begin with"), "{}", none.text);
    // What is wrong with what was said once is told once.
    let swapped = send(with(&[&iron2, &total], said("200", "1"))).await;
    assert_eq!((swapped.status, swapped.text.matches("class=\"wrong\"").count()), (422, 1), "{}", swapped.text);
    let same = send(with(&[&iron2, &tick("total-silver", "M1")], said("1", "200"))).await;
    assert!(same.status == 409 && same.text.contains("there is a method with this code"), "{}", same.text);
    assert_eq!(app.row_counts(&["methods"]).await, [0]);
    let saved = send(with(&[&iron2, &total], said("1", "200"))).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    let methods = app.auditor.get("/methods").await.expect(200);
    let drafted = |code: &str| {
        methods["items"]
            .as_array()
            .unwrap()
            .iter()
            .find(|one| one["code"] == code)
            .unwrap_or_else(|| panic!("{methods}"))
    };
    assert_eq!(methods["items"].as_array().unwrap().len(), 2);
    for (code, outline) in [("M1", "iron2-dichromate"), ("M2", "total-silver")] {
        let (method, of) =
            (drafted(code), outlines.as_array().unwrap().iter().find(|one| one["key"] == outline).unwrap());
        for same in ["title", "principle", "analyte", "chemistry", "reduction", "indicator"] {
            assert_eq!(method[same], of[same], "{code} {same}");
        }
        assert_eq!((&method["state"], &method["rules"]["end_point_u_ml"]), (&json!("draft"), &json!("0.01")));
        for proposal in of["proposals"].as_array().unwrap() {
            let rule = proposal["field"].as_str().unwrap().strip_prefix("rules.").unwrap();
            let found = match &method["rules"][rule] {
                Value::String(text) => text.clone(),
                other => other.to_string(),
            };
            assert_eq!(found, proposal["value"].as_str().unwrap(), "{code} {rule}");
        }
    }
}
