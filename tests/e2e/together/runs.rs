//! Runs with what is titrated in them.

use ferrotitre_tests::bench::{minutes_ago, text};
use serde_json::json;

use super::{actions, runs, titrate};
use crate::control::Control;

#[tokio::test]
async fn runs_are_opened_with_what_is_titrated_in_them_or_not_at_all() {
    let control = Control::open().await;
    let lab = &control.lab;
    let app = &lab.app;
    let of_control = app.auditor.get(&format!("/samples/{}/portions", control.sample)).await.expect(200);
    let of_control = text(&of_control[0], "id");
    let sample = || titrate(&lab.portion, "sample");
    let new =
        runs(&[(&lab.iron2, json!([titrate(&of_control, "control"), sample()])), (&lab.total, json!([sample()]))]);
    let opened = app.analyst.post("/runs/with-determinations", &new).await.expect(201);
    let of = |at: usize| opened["runs"][at]["determinations"].as_array().unwrap().clone();
    assert_eq!((of(0).len(), of(1).len()), (2, 1), "{opened}");
    let first = app.auditor.get(&format!("/determinations/{}", text(&of(0)[0], "id"))).await.expect(200);
    assert_eq!((&first["purpose"], &first["run"]), (&json!("control"), &opened["runs"][0]["id"]), "{first}");
    assert_eq!(actions(lab, &text(&of(1)[0], "id")).await, ["conduct_runs"]);

    let before = app.row_counts(&["runs", "determinations"]).await;
    let stranger = uuid::Uuid::now_v7().to_string();
    for (new, field) in [
        // A client's sample is no control.
        (
            runs(&[(&lab.iron2, json!([sample()])), (&lab.total, json!([titrate(&lab.portion, "control")]))]),
            "runs[1].titrates[0].purpose",
        ),
        (runs(&[(&lab.iron2, json!([sample(), titrate(&stranger, "sample")]))]), "runs[0].titrates[1].portion"),
        (runs(&[(&stranger, json!([sample()]))]), "runs[0].method"),
        (runs(&[(&lab.iron2, json!([sample()])), (&lab.iron2, json!([sample()]))]), "runs[0].method"),
        (runs(&[(&lab.iron2, json!([]))]), "runs[0].titrates"),
        (runs(&[]), "runs"),
    ] {
        let answer = app.analyst.post("/runs/with-determinations", &new).await;
        assert!((400..500).contains(&answer.status), "{}", answer.text);
        assert_eq!(answer.json["errors"][0]["field"], field, "{}", answer.text);
    }
    app.auditor.post("/runs/with-determinations", &new).await.refused(403, "forbidden");
    assert_eq!(app.row_counts(&["runs", "determinations"]).await, before);
}

#[tokio::test]
async fn a_portion_is_taken_with_the_run_with_the_vessels_of_another() {
    let control = Control::open().await;
    let lab = &control.lab;
    let app = &lab.app;
    let take = |sample: &str, like: &str| json!({ "take": { "sample": sample, "like": like }, "purpose": "control" });
    let before = app.row_counts(&["runs", "determinations", "test_portions"]).await;
    let stranger = uuid::Uuid::now_v7().to_string();
    let all = app.auditor.get("/samples").await.expect(200);
    let client = all["items"].as_array().unwrap().iter().find(|one| one["code"] == "S-1").unwrap();
    let client = text(client, "id");
    let weighed = json!({ "mass_g": "10.0012", "balance": lab.bench.balance, "observed_at": minutes_ago(50) });
    let weighed = app.analyst.post(&format!("/samples/{client}/portions"), &weighed).await.expect(201);
    for (one, field) in [
        (take(&stranger, &lab.portion), "runs[0].titrates[0].take.sample"),
        (take(&control.sample, &stranger), "runs[0].titrates[0].take.like"),
        // No mass is taken over.
        (take(&control.sample, &text(&weighed, "id")), "runs[0].titrates[0].take.like"),
        (json!({ "purpose": "control" }), "runs[0].titrates[0].portion"),
        // A client's sample is no control.
        (take(&client, &lab.portion), "runs[0].titrates[0].purpose"),
    ] {
        let answer = app.analyst.post("/runs/with-determinations", &runs(&[(&lab.iron2, json!([one]))])).await;
        assert!((400..500).contains(&answer.status), "{}", answer.text);
        assert_eq!(answer.json["errors"][0]["field"], field, "{}", answer.text);
    }
    assert_eq!(
        app.row_counts(&["runs", "determinations", "test_portions"]).await,
        [before[0], before[1], before[2] + 1]
    );

    let new = runs(&[(&lab.iron2, json!([take(&control.sample, &lab.portion), titrate(&lab.portion, "sample")]))]);
    let opened = app.analyst.post("/runs/with-determinations", &new).await.expect(201);
    let begun = &opened["runs"][0]["determinations"];
    let portions = async |sample: &str| app.auditor.get(&format!("/samples/{sample}/portions")).await.expect(200);
    let (taken, model) = (portions(&control.sample).await, portions(&client).await);
    let model = model.as_array().unwrap().iter().find(|one| one["id"] == json!(lab.portion)).unwrap();
    assert_eq!(begun[0]["portion"], taken[0]["id"], "{opened}");
    for vessel in ["pipette", "dilution", "aliquot_pipette"] {
        assert_eq!(taken[0][vessel], model[vessel], "{vessel}");
    }
    assert_eq!(actions(lab, &text(&taken[0], "id")).await, ["register_samples"]);
    assert_eq!(actions(lab, &text(&begun[0], "id")).await, ["conduct_runs"]);
    assert_eq!(actions(lab, &text(&begun[1], "id")).await, ["conduct_runs"]);
}
