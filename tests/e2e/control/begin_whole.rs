//! A control begun with the release of its lot, a test portion of its sample, and plans of further methods.

use ferrotitre_tests::bench::{day, text};
use serde_json::{Value, json};
use uuid::Uuid;

use super::begin::{control, fields, put};
use super::days_ago;
use crate::lab::Lab;
use crate::pages::Visitor;

const TABLES: [&str; 7] =
    ["control_materials", "samples", "test_portions", "control_charts", "qc_plans", "chart_phases", "state_moves"];

fn whole(lab: &Lab) -> Value {
    let mut body = control(&lab.iron2, "CM-1");
    body["release"] = json!(true);
    body["portion"] = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25,
    });
    body["other_plans"] = json!([{ "method": lab.total, "blanks": 1, "duplicates": 0 }]);
    body
}

async fn actions_on(lab: &Lab, id: &str) -> Vec<String> {
    let events = lab.app.auditor.get(&format!("/audit-events?entity_id={id}")).await.expect(200);
    events["items"].as_array().unwrap().iter().map(|event| text(event, "action")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_lot_is_released_a_portion_taken_and_the_other_plan_made_in_the_same_request() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let begun = app.manager.post("/controls", &whole(&lab)).await.expect(201);
    assert_eq!(begun["material"]["state"], "released");
    let material = text(&begun["material"], "id");
    let read = app.auditor.get(&format!("/control-materials/{material}")).await.expect(200);
    assert_eq!(read["versions"][0]["state"], "released", "{read}");
    // Each part by its own permission.
    let moved = text(&read["moves"][0], "id");
    assert_eq!(actions_on(&lab, &moved).await, ["release_lots"]);
    let portion = text(&begun["portion"], "version_id");
    assert_eq!(actions_on(&lab, &portion).await, ["register_samples"]);
    let plan = text(&begun["other_plans"][0], "version_id");
    assert_eq!(actions_on(&lab, &plan).await, ["define_control_charts"]);
    assert_eq!(
        (&begun["other_plans"][0]["method"], &begun["other_plans"][0]["charts"]),
        (&json!(lab.total), &json!([]))
    );
    // Nothing is left but limits and a first value.
    let pages = begun["next"].to_string();
    assert!(!pages.contains("/control-materials/") && pages.contains("/chart-phases/"), "{pages}");
    // The portion is titrated as a control at once.
    let run = lab.run(&lab.iron2).await;
    let new = json!({ "run": run, "portion": begun["portion"]["id"], "purpose": "control", "observed_at": chrono::Utc::now() });
    let _ = app.analyst.post("/determinations", &new).await.expect(201);
    let run = app.auditor.get(&format!("/runs/{}", lab.run(&lab.total).await)).await.expect(200);
    assert!(run["missing"].to_string().contains("blank"), "{run}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_wrong_with_any_of_it_records_nothing() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let there = json!({ "method": lab.total, "charts": [], "blanks": 1, "duplicates": 0 });
    let good = whole(&lab);
    let valueless = |mut body: Value| {
        for name in ["assigned_value", "standard_uncertainty", "certificate"] {
            body["new_material"][name] = Value::Null;
        }
        body
    };
    let before = app.row_counts(&TABLES).await;
    for (body, field) in [
        (valueless(good.clone()), "new_material.assigned_value"),
        (put(&good, "/new_material/expires_on", json!(day(-1))), "release"),
        (put(&good, "/release", json!("at once")), "release"),
        (put(&good, "/portion/pipette", Value::Null), "portion.pipette"),
        (put(&good, "/portion/pipette", json!(lab.bench.flask_250)), "portion.pipette"),
        (put(&good, "/portion/dilution/0/flask", json!(Uuid::now_v7())), "portion.dilution[0].flask"),
        (put(&good, "/portion/temperature", json!("90")), "portion.temperature"),
        (put(&good, "/portion/observed_at", json!(days_ago(40.0))), "portion.observed_at"),
        (put(&good, "/portion/observed_at", json!(days_ago(-1.0))), "portion.observed_at"),
        (put(&good, "/portion/colour", json!("green")), "portion.colour"),
        (put(&good, "/other_plans/0/method", json!(lab.iron2)), "other_plans[0].method"),
        (put(&good, "/other_plans/0/method", json!(Uuid::now_v7())), "other_plans[0].method"),
        (put(&good, "/other_plans/0/blanks", json!(99)), "other_plans[0].blanks"),
        (put(&good, "/other_plans", json!([good["other_plans"][0], good["other_plans"][0]])), "other_plans[1].method"),
    ] {
        let refused = app.manager.post("/controls", &body).await;
        assert!((400..500).contains(&refused.status), "{field}: {}", refused.text);
        assert_eq!(fields(&refused.json), [field], "{}", refused.text);
    }
    assert_eq!(app.row_counts(&TABLES).await, before);
    // A method that has its plan keeps it.
    let _ = app.manager.post("/qc-plans", &there).await.expect(201);
    let problem = app.manager.post("/controls", &good).await.refused(409, "already_exists");
    assert_eq!(fields(&problem), ["other_plans[0].method"]);
    // A lot is released once.
    let lot = app.analyst.post("/control-materials", &super::material("CM-OLD")).await.expect(201);
    let mut old = put(&good, "/other_plans", json!([]));
    old["new_material"] = Value::Null;
    old["material"] = lot["id"].clone();
    old["limits"] = Value::Null;
    let begun = app.manager.post("/controls", &old).await.expect(201);
    assert_eq!((&begun["material"]["state"], begun["portion"].is_null()), (&json!("released"), false));
    let mut again = put(&old, "/chart/code", json!("X-2"));
    again["sample"] = Value::Null;
    again["plan"]["corrects"] = begun["plan"]["version_id"].clone();
    let problem = app.manager.post("/controls", &again).await.refused(409, "illegal_move");
    assert_eq!(fields(&problem), ["release"]);
    app.analyst.post("/controls", &good).await.refused(403, "forbidden");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_form_offers_the_plans_that_are_missing_and_takes_what_is_ticked() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let manager = Visitor::of(app.running.address, &app.manager);
    let path = format!("/charts/begin?method={}", lab.iron2);
    let form = manager.get(&path).await;
    assert!(form.text.contains("Plan of M2") && !form.text.contains("Plan of M1"), "{}", form.text);
    let last = day(200);
    let mut entries = vec![
        ("_code", form.hidden("_code")),
        ("_key", form.hidden("_key")),
        ("new_material.code", "CM-1"),
        ("new_material.kind", "in-house"),
        ("new_material.description", "pooled bath, filtered"),
        ("new_material.expires_on", last.as_str()),
        ("new_material.assigned_value", "119.5"),
        ("new_material.standard_uncertainty", "0.2"),
        ("new_material.certificate", "study 26-3"),
        ("release", "true"),
        ("sample.condition", "intact"),
        ("sample.preservation", "acid as taken"),
        ("sample.container", "glass, 250 mL"),
        ("sample.storage", "refrigerator 2"),
        ("portion.pipette", "P10"),
        ("portion.dilution[0].flask", "F250"),
        ("portion.aliquot_pipette", "P25"),
        ("chart.rule_set", "daily judgement"),
        ("plan.values", "1"),
        ("plan.blanks", "1"),
        ("plan.duplicates", "0"),
        // Proposed beside a plan that is not ticked, these are not read.
        ("other_plans[0].blanks", "1"),
        ("other_plans[0].duplicates", "0"),
    ];
    let total = lab.total.clone();
    entries.push(("other_plans[0].method", total.as_str()));
    let saved = manager.post(&path, &entries).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    let plans = app.auditor.get("/qc-plans").await.expect(200);
    assert_eq!(plans["items"].as_array().unwrap().len(), 2, "{plans}");
    assert_eq!(app.row_counts(&["test_portions"]).await[0], 2, "that of the laboratory's sample, and this one");
    let form = manager.get(&path).await;
    assert!(!form.text.contains("Plan of M2"), "it has one now");
}
