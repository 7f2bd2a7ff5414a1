//! Events f, g and j of the scenario, and the concurrency of closing.

use ferrotitre_tests::bench::text;
use serde_json::json;

use super::{Control, baseline, days_ago, hits, near, number, verdicts};

#[tokio::test(flavor = "multi_thread")]
async fn two_of_three_beyond_warning_reject_a_run_and_its_repetition_stands_beside_it() {
    // Event f.
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 30.0).await;
    control.plan(&[&chart]).await;
    control.import(&chart, "118.95", 1.0).await; // +2.3 s
    let run = control.run(None).await;
    let high = control.titre(118.0 + 2.4 * 0.413).await;
    let determination = control.control(&run, &high).await;
    let closed = control.close(&run).await;
    assert_eq!(closed["quality"]["verdict"], "out of control", "{}", closed["quality"]);
    let value = &closed["quality"]["values"][0];
    assert_eq!((&value["hits"][0]["rule"], &value["verdict"]), (&json!(2), &json!("out of control")));
    // The value is the determination's own unrounded result, not a typed one.
    let read = app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    let figures = read["evaluation"]["figures"].as_array().unwrap();
    let figure = figures.iter().find(|f| f["unit"] == "g/L" && f["expressed"] == "Fe").unwrap();
    let charted: f64 = value["value"].as_str().unwrap().parse().unwrap();
    assert_eq!(charted.to_bits(), figure["value"].as_f64().unwrap().to_bits());
    let release = format!("/runs/{run}/release");
    let signature = json!({ "password": app.manager.password });
    let refused = app.manager.post(&release, &signature).await.refused(422, "rule_broken");
    assert!(refused["detail"].as_str().unwrap().contains("2 of 3 points beyond 2 s"), "{refused}");
    let rejected = control.reject(&run, "rule 2 on the bath control").await;
    assert_eq!(rejected["state"], "rejected");
    let found = app.auditor.get(&format!("/nonconformities?entity={run}")).await.expect(200);
    let opened = &found["items"][0];
    assert_eq!((&opened["source"], &opened["automatic"]), (&json!("run rejection"), &json!(true)));
    let repeat = control.run(Some(&run)).await;
    control.control(&repeat, &control.titre(118.1).await).await;
    let closed = control.close(&repeat).await;
    assert_eq!(closed["quality"]["verdict"], "in control", "{}", closed["quality"]);
    assert_eq!(closed["repeats"], json!(run));
    app.manager.post(&format!("/runs/{repeat}/release"), &signature).await.refused(412, "stale_version");
    let released = app.manager.sign(&format!("/runs/{repeat}/release"), None).await.expect(201);
    assert_eq!(released["state"], "released");
    let first = app.auditor.get(&format!("/runs/{run}")).await.expect(200);
    assert_eq!((&first["state"], &first["repeated_by"]), (&json!("rejected"), &json!([repeat])));
    assert_eq!(verdicts(&control.points(&chart, "").await), ["in control", "out of control", "in control"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_of_eleven_on_one_side_after_a_new_burette_are_in_control_and_investigated() {
    // Event g.
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 30.0).await;
    control.plan(&[&chart]).await;
    for (i, value) in
        ["117.9", "118.2", "118.3", "118.1", "118.4", "118.2", "118.1", "118.3", "118.2", "118.4"].iter().enumerate()
    {
        control.import(&chart, value, 20.0 - i as f64).await;
    }
    let run = control.run(None).await;
    control.control(&run, &control.titre(118.3).await).await;
    let closed = control.close(&run).await;
    assert_eq!(closed["quality"]["verdict"], "in control with something to investigate", "{}", closed["quality"]);
    assert_eq!(closed["quality"]["values"][0]["hits"][0]["rule"], 3);
    assert_eq!(closed["quality"]["values"][0]["hits"][0]["text"], "10 of 11 points on one side of the centre line");
    let released = app.manager.sign(&format!("/runs/{run}/release"), None).await.expect(201);
    assert_eq!(released["state"], "released");
}

/// Twenty values with mean 99.995 and s 0.196 (invented), then two that were out of control.
async fn baseline_and_two_failures(control: &Control) -> String {
    let chart = control.chart("X-1", &json!({ "unit": "g/L", "baseline_minimum": 20 })).await;
    for i in 0..20 {
        let value = if i % 2 == 0 { "100.186" } else { "99.804" };
        control.import(&chart, value, 200.0 - f64::from(i)).await;
    }
    let phase = control.phase(&chart, &baseline(1, 20, "established", 170.0)).await;
    near("upper action", number(&phase, "/upper_action"), 100.58, 0.005);
    for (value, days) in [("102.1", 160.0), ("102.4", 159.0)] {
        assert_eq!(control.import(&chart, value, days).await["verdict"], "out of control");
    }
    chart
}

#[tokio::test(flavor = "multi_thread")]
async fn two_out_of_control_points_are_not_absorbed_into_the_limits() {
    // Event j.
    let control = Control::open().await;
    let app = control.app();
    let chart = baseline_and_two_failures(&control).await;
    let path = format!("/control-charts/{chart}/phases");
    let absorbing = baseline(1, 22, "established", 100.0);
    let problem = app.analyst.post(&path, &absorbing).await.refused(422, "rule_broken");
    let fields: Vec<&str> =
        problem["errors"].as_array().unwrap().iter().map(|error| error["field"].as_str().unwrap()).collect();
    assert_eq!(fields, ["baseline point 21", "baseline point 22"]);
    assert_eq!(app.row_counts(&["chart_phases"]).await, [1], "nothing is half stored");
    let points = control.points(&chart, "").await;
    let exclude = |position: usize, cause: &str| json!({ "value": points[position - 1]["id"], "cause": cause, "reason": "factor of lot D-2 used for D-3" });
    let mut left_out = absorbing.clone();
    left_out["exclusions"] = json!([exclude(21, "outlier test"), exclude(22, "wrong factor")]);
    let problem = app.analyst.post(&path, &left_out).await.refused(422, "invalid_input");
    assert!(problem["detail"].as_str().unwrap().contains("outlier test alone"), "{problem}");
    left_out["exclusions"] = json!([exclude(21, "wrong factor")]);
    app.analyst.post(&path, &left_out).await.refused(422, "rule_broken");
    left_out["exclusions"] = json!([exclude(21, "wrong factor"), exclude(22, "wrong factor")]);
    let phase = control.phase(&chart, &left_out).await;
    assert_eq!(phase["n"], 20);
    near("upper action", number(&phase, "/upper_action"), 100.58, 0.005);
    assert_eq!(phase["exclusions"].as_array().unwrap().len(), 2);
    let points = control.points(&chart, "").await;
    assert_eq!(points.len(), 22, "what is left out is drawn still");
    let drawn: Vec<bool> = points.iter().map(|point| point["excluded"].as_bool().unwrap()).collect();
    assert_eq!(drawn.iter().filter(|hollow| **hollow).count(), 2);
    assert_eq!((&points[21]["cause"], &points[21]["verdict"]), (&json!("wrong factor"), &json!("out of control")));
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_cause_a_point_stays_in_once_it_was_investigated() {
    let control = Control::open().await;
    let app = control.app();
    let chart = baseline_and_two_failures(&control).await;
    let points = control.points(&chart, "").await;
    for point in &points[20..] {
        let path = format!("/control-values/{}/dispositions", text(point, "id"));
        let look = json!({ "to": "under investigation", "reason": "burette, factor and bottle looked at" });
        app.analyst.post(&path, &look).await.refused(403, "forbidden");
        let _ = app.manager.post(&path, &look).await.expect(201);
        let open =
            app.analyst.post(&format!("/control-charts/{chart}/phases"), &baseline(1, 22, "established", 99.0)).await;
        open.refused(422, "rule_broken");
        let valid = json!({ "to": "valid", "reason": "no cause was found in any of them" });
        let _ = app.manager.post(&path, &valid).await.expect(201);
        let read = app.auditor.get(&format!("/control-values/{}", text(point, "id"))).await.expect(200);
        assert_eq!((&read["state"], &read["verdict"]), (&json!("valid"), &json!("out of control")));
        assert_eq!(read["moves"].as_array().unwrap().len(), 2);
    }
    // The arithmetic of row 8: then the failures lie inside the limits, which is why it takes two decisions and a signature.
    let phase = control.phase(&chart, &baseline(1, 22, "established", 100.0)).await;
    near("upper action", number(&phase, "/upper_action"), 102.27, 0.005);
    assert_eq!(verdicts(&control.points(&chart, "").await)[20..], ["out of control", "out of control"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn two_runs_closed_at_the_same_instant_get_one_consistent_verdict_each() {
    let control = Control::open().await;
    let app = control.app();
    for round in 0..4 {
        let code = format!("X-{round}");
        let chart = control.chart(&code, &json!({})).await;
        control.target(&chart, 30.0).await;
        if round == 0 {
            control.plan(&[&chart]).await;
        } else {
            let plans = app.auditor.get("/qc-plans").await.expect(200);
            let plan = &plans["items"][0];
            let charts = json!([{ "chart": chart, "values": 1 }]);
            let facts = json!({ "method": control.lab.iron2, "charts": charts, "blanks": 0, "duplicates": 0 });
            let correction = json!({ "reason": "a fresh chart for the round", "facts": facts });
            let path = format!("/qc-plans/{}/corrections", text(plan, "id"));
            let _ = app.manager.post_if_match(&path, &text(plan, "version_id"), &correction).await.expect(201);
        }
        let (one, other) = (control.run(None).await, control.run(None).await);
        let high = control.titre(118.0 + 2.4 * 0.413).await;
        control.control(&one, &high).await;
        control.control(&other, &high).await;
        let path = |run: &str| format!("/runs/{run}/closing");
        let body = json!({});
        let (first, second) = (path(&one), path(&other));
        let (a, b) = tokio::join!(app.analyst.post(&first, &body), app.analyst2.post(&second, &body));
        let (a, b) = (a.expect(201), b.expect(201));
        let mut points = control.points(&chart, "").await;
        // Whichever was taken in first: they are listed by when they were observed.
        points.sort_by_key(|point| point["position"].as_i64());
        // 2 of 3 spans both runs: it is marked once, at the point that came second, and only that run is out of control.
        assert_eq!(hits(&points), [vec![], vec![2]], "round {round}");
        let verdict = |run: &serde_json::Value| run["quality"]["verdict"].as_str().unwrap().to_owned();
        let mut both = [verdict(&a), verdict(&b)];
        both.sort();
        assert_eq!(both, ["in control", "out of control"], "round {round}");
        for (run, closed) in [(&one, &a), (&other, &b)] {
            let again = app.auditor.get(&format!("/runs/{run}")).await.expect(200);
            assert_eq!(again["quality"], closed["quality"], "what was answered is what stays");
        }
    }
    assert!(days_ago(1.0) < days_ago(0.0));
}
