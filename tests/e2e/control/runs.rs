//! Runs that lack their control, values from each source, and the second failure.

use ferrotitre_tests::bench::{self, text};
use serde_json::json;

use super::{Control, number};
use crate::lab::sign;

#[tokio::test(flavor = "multi_thread")]
async fn a_run_without_its_planned_control_releases_nothing_until_the_control_is_signed() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 30.0).await;
    let before = control.run(None).await;
    control.plan(&[&chart]).await;
    let run = control.run(None).await;
    let portion = json!({
        "pipette": control.lab.bench.pipette_10, "dilution": [{ "flask": control.lab.bench.flask_250 }],
        "aliquot_pipette": control.lab.bench.pipette_25, "observed_at": bench::minutes_ago(50),
    });
    let portion = app.analyst.post(&format!("/samples/{}/portions", control.sample), &portion).await.expect(201);
    let determination = control.begin(&run, "control", &text(&portion, "id")).await;
    for _ in 0..2 {
        let titration = control.lab.titration("accurate", &control.titre(118.1).await, None);
        control.lab.titrate(&determination, &titration).await;
    }
    let closed = control.close(&run).await;
    assert_eq!(closed["quality"]["verdict"], "missing QC");
    assert_eq!(closed["missing"], json!(["1 of 1 control values on chart X-1"]));
    let signature = json!({ "password": app.manager.password });
    let release = format!("/runs/{run}/release");
    app.manager.post(&release, &signature).await.refused(422, "not_enough_data");
    // What nobody answers for is not charted, not even by hand.
    let by_hand = json!({ "determination": determination });
    let values = format!("/control-charts/{chart}/values");
    app.analyst.post(&values, &by_hand).await.refused(409, "state_conflict");
    sign(&app.analyst, &format!("/determinations/{determination}"), "submission", None).await.expect(201);
    let read = app.auditor.get(&format!("/runs/{run}")).await.expect(200);
    assert_eq!(read["quality"]["verdict"], "in control", "{}", read["quality"]);
    app.analyst.post(&values, &by_hand).await.refused(409, "already_exists");
    let released = app.manager.sign(&release, None).await.expect(201);
    assert_eq!(released["sign_offs"][0]["still_valid"], true);
    // A run opened before there was a plan goes without one, and says so.
    let closed = control.close(&before).await;
    assert_eq!((&closed["quality"]["verdict"], closed["quality"].get("plan")), (&json!("no QC plan"), None));
}

#[tokio::test(flavor = "multi_thread")]
async fn duplicates_of_a_sample_fill_a_range_chart_when_the_run_closes() {
    let control = Control::open().await;
    let app = control.app();
    let changes = json!({ "quantity": "range", "material": null, "unit": "%", "resolution": null });
    let chart = control.chart("R-1", &changes).await;
    control.phase(&chart, &super::target("1", "0.2", 30.0)).await;
    let plan = json!({
        "method": control.lab.iron2, "charts": [{ "chart": chart, "values": 1 }], "blanks": 0, "duplicates": 1,
    });
    let _ = app.manager.post("/qc-plans", &plan).await.expect(201);
    let run = control.run(None).await;
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-DUP")).await.expect(201), "id");
    let mut determinations = Vec::new();
    for titre in ["21.40", "21.50"] {
        let portion = json!({
            "pipette": control.lab.bench.pipette_10, "dilution": [{ "flask": control.lab.bench.flask_250 }],
            "aliquot_pipette": control.lab.bench.pipette_25, "observed_at": bench::minutes_ago(50),
        });
        let portion = app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201);
        let id = control.begin(&run, "sample", &text(&portion, "id")).await;
        for _ in 0..2 {
            control.lab.titrate(&id, &control.lab.titration("accurate", titre, None)).await;
        }
        sign(&app.analyst, &format!("/determinations/{id}"), "submission", None).await.expect(201);
        determinations.push(id);
    }
    let closed = control.close(&run).await;
    assert_eq!(closed["quality"]["verdict"], "in control", "{}", closed["quality"]);
    let points = control.points(&chart, "").await;
    assert_eq!((points.len(), &points[0]["source"]), (1, &json!("duplicates")));
    // |21.40 - 21.50| over 21.45: content is proportional to the titre.
    let value: f64 = points[0]["value"].as_str().unwrap().parse().unwrap();
    super::near("relative range", value, 100.0 * 0.10 / 21.45, 1e-9);
    assert_eq!(points[0]["determination"], json!(determinations[0]));
    assert_eq!(points[0]["second_determination"], json!(determinations[1]));
    // d2 s and d2 + 3 d3 for s = 0.2 and two values, d2 and d3 as in ISO 7870-2.
    super::near("z", number(&points[0], "/z"), (value - 0.2 * 1.128) / (0.2 * 0.8525), 0.005);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_titrant_factor_and_a_recovery_are_computed_and_never_typed() {
    let control = Control::open().await;
    let app = control.app();
    let changes = json!({
        "quantity": "titrant factor", "material": null, "method": null, "titrant": control.lab.titrant, "unit": "1",
        "resolution": null,
    });
    let chart = control.chart("F-1", &changes).await;
    control.phase(&chart, &super::target("1.0000", "0.0010", 30.0)).await;
    let factors = app.auditor.get(&format!("/titrants/{}/factors", control.lab.titrant)).await.expect(200);
    let values = format!("/control-charts/{chart}/values");
    let point = app.analyst.post(&values, &json!({ "factor": factors[0]["id"] })).await.expect(201);
    assert_eq!((&point["value"], &point["source"]), (&factors[0]["factor"], &json!("factor")));
    let typed = json!({ "value": "1.0016", "observed_at": bench::minutes_ago(5) });
    let problem = app.analyst.post(&values, &typed).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["rule"], "computed");
    let recovery = control.chart("REC-1", &json!({ "quantity": "recovery", "unit": "%", "resolution": null })).await;
    let reference = json!({
        "origin": "reference", "label": "established", "s": "0.35", "valid_from": super::days_ago(30.0),
        "reason": "recovery is judged about 100 %",
    });
    let phase = control.phase(&recovery, &reference).await;
    super::near("centre", number(&phase, "/centre"), 100.0, 1e-12);
    let run = control.run(None).await;
    let titre = control.titre(118.2).await;
    let determination = control.control(&run, &titre).await;
    let values = format!("/control-charts/{recovery}/values");
    let point = app.analyst.post(&values, &json!({ "determination": determination })).await.expect(201);
    let found: f64 = point["value"].as_str().unwrap().parse().unwrap();
    let content = titre.parse::<f64>().unwrap() * control.per_ml().await;
    super::near("recovery", found, 100.0 * content / 118.0, 1e-6);
    let material = app.auditor.get(&format!("/control-materials/{}", control.material)).await.expect(200);
    assert_eq!(material["versions"][0]["state"], "in use");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_second_failure_lists_everything_since_the_last_good_control() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 30.0).await;
    control.plan(&[&chart]).await;
    let good = control.import(&chart, "118.05", 2.0).await;
    let low = control.titre(118.0 - 4.0 * 0.413).await;
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-9")).await.expect(201), "id");
    let portion = json!({
        "pipette": control.lab.bench.pipette_10, "dilution": [{ "flask": control.lab.bench.flask_250 }],
        "aliquot_pipette": control.lab.bench.pipette_25, "observed_at": bench::minutes_ago(50),
    });
    let portion = app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201);
    let mut runs = Vec::new();
    let mut affected = Vec::new();
    for repeats in [false, true] {
        let run = control.run(repeats.then(|| runs.last().cloned().unwrap_or_default()).as_deref()).await;
        let result = control.begin(&run, "sample", &text(&portion, "id")).await;
        for _ in 0..2 {
            control.lab.titrate(&result, &control.lab.titration("accurate", "21.46", None)).await;
        }
        let controlled = control.control(&run, &low).await;
        assert_eq!(control.close(&run).await["quality"]["verdict"], "out of control");
        // No result of the run is found fit for release; the control itself can be signed to look into the failure.
        for (id, status) in [(&result, 422), (&controlled, 201)] {
            let path = format!("/determinations/{id}");
            if id == &result {
                sign(&app.analyst, &path, "submission", None).await.expect(201);
            }
            sign(&app.analyst2, &path, "review", None).await.expect(201);
            let approval = sign(&app.manager, &path, "approval", None).await;
            assert_eq!(approval.status, status, "{}", approval.text);
        }
        affected.push(result);
        control.reject(&run, "beyond action").await;
        runs.push(run);
    }
    let found = app.auditor.get(&format!("/nonconformities?entity={}", runs[1])).await.expect(200);
    let second = &found["items"][0];
    assert_eq!((&second["source"], &second["severity"]), (&json!("repeated run rejection"), &json!("major")));
    let scope = second["scope"].as_str().unwrap();
    assert!(scope.contains(&format!("point {}", good["position"])), "{scope}");
    let looked: Vec<&str> = second["links"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|link| link["relation"] == "look-back")
        .map(|link| link["entity"].as_str().unwrap())
        .collect();
    affected.sort();
    let mut looked = looked;
    looked.sort_unstable();
    assert_eq!(looked, affected, "the samples of both runs, and no control");
    // Only a rejected run is repeated.
    let open = control.run(None).await;
    let new = json!({
        "method": control.lab.iron2, "bench": "bench 2", "observed_at": bench::minutes_ago(3), "repeats": open,
    });
    app.analyst.post("/runs", &new).await.refused(409, "state_conflict");
}
