//! Runs with what is titrated in them.

use ferrotitre_tests::bench::text;
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
