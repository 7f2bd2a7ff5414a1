//! What is refused, with a clear problem and nothing half stored.

use ferrotitre_tests::bench::text;
use serde_json::json;

use super::{Control, baseline, days_ago, material, target};

#[tokio::test(flavor = "multi_thread")]
async fn limits_the_wrong_way_round_and_thin_baselines_are_refused() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    let path = format!("/control-charts/{chart}/phases");
    let wrong = json!({
        "origin": "target", "label": "established", "lower_action": "119.2", "upper_action": "116.8",
        "valid_from": days_ago(10.0), "reason": "requirement of the clients",
    });
    let problem = app.analyst.post(&path, &wrong).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "upper_action");
    assert!(problem["errors"][0]["message"].as_str().unwrap().contains("wrong way round"), "{problem}");
    for i in 0..12 {
        control.import(&chart, ["117.9", "118.2"][i % 2], 100.0 - i as f64).await;
    }
    let thin = app.analyst.post(&path, &baseline(1, 12, "established", 50.0)).await.refused(422, "not_enough_data");
    let detail = thin["detail"].as_str().unwrap();
    assert!(detail.contains("12 points") && detail.contains("60") && detail.contains("preliminary"), "{detail}");
    app.analyst.post(&path, &baseline(1, 1, "preliminary", 50.0)).await.refused(422, "not_enough_data");
    // The smallest number there is: the length of such a range is none that a machine can hold.
    app.analyst.post(&path, &baseline(1, i32::MIN, "preliminary", 50.0)).await.refused(422, "invalid_input");
    assert_eq!(app.row_counts(&["chart_phases", "chart_baseline_points"]).await, [0, 0]);
    let labelled = app.analyst.post(&path, &baseline(1, 12, "preliminary", 50.0)).await.expect(201);
    let approved = control.approve(&labelled).await;
    assert_eq!((&approved["state"], &approved["n"]), (&json!("preliminary"), &json!(12)));
    // The right way round it is the centre and a third of the distance to it.
    let right = json!({
        "origin": "target", "label": "established", "lower_action": "116.8", "upper_action": "119.2",
        "valid_from": days_ago(40.0), "reason": "requirement of the clients",
    });
    let phase = app.analyst.post(&path, &right).await.expect(201);
    super::near("centre", super::number(&phase, "/centre"), 118.0, 1e-9);
    super::near("s", super::number(&phase, "/s"), 0.4, 1e-9);
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_approves_the_phase_they_proposed() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    let path = format!("/control-charts/{chart}/phases");
    let proposed = app.manager.post(&path, &target("118.0", "0.413", 10.0)).await.expect(201);
    let approval = format!("/chart-phases/{}/approval", text(&proposed, "id"));
    app.manager.sign(&approval, None).await.refused(403, "own_record");
    app.analyst.sign(&approval, None).await.refused(403, "forbidden");
    app.manager2.post(&approval, &json!({ "password": "not it" })).await.refused(403, "secret_wrong");
    let other = json!({ "password": app.manager2.password, "content_digest": "0".repeat(64) });
    app.manager2.post(&approval, &other).await.refused(412, "stale_version");
    let seen = json!({ "password": app.manager2.password, "content_digest": proposed["content_digest"] });
    let approved = app.manager2.post(&approval, &seen).await.expect(201);
    assert_eq!(approved["state"], "established");
    app.manager2.post(&approval, &seen).await.refused(422, "rule_broken");
    let second = app.analyst.post(&path, &target("118.2", "0.4", 9.0)).await.expect(201);
    let rejection = format!("/chart-phases/{}/rejection", text(&second, "id"));
    app.manager.sign(&rejection, None).await.refused(422, "invalid_input");
    let rejected = app.manager.sign(&rejection, Some("the centre is the assigned value")).await.expect(201);
    assert_eq!(rejected["state"], "rejected");
    assert_eq!(control.import(&chart, "118.1", 8.0).await["phase"], approved["id"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_material_without_assigned_value_is_not_released_and_gives_no_centre() {
    let control = Control::open().await;
    let app = control.app();
    let mut bare = material("CM-2");
    for field in ["assigned_value", "standard_uncertainty", "certificate"] {
        bare[field] = json!(null);
    }
    let id = text(&app.analyst.post("/control-materials", &bare).await.expect(201), "id");
    let moves = format!("/control-materials/{id}/moves");
    let problem = app.manager.post(&moves, &json!({ "to": "released" })).await.refused(422, "not_enough_data");
    assert!(problem["detail"].as_str().unwrap().contains("no assigned value"), "{problem}");
    let chart = control.chart("X-2", &json!({ "material": id })).await;
    let reference = json!({
        "origin": "reference", "label": "established", "s": "0.4", "valid_from": days_ago(5.0),
        "reason": "about the assigned value",
    });
    let path = format!("/control-charts/{chart}/phases");
    app.analyst.post(&path, &reference).await.refused(422, "not_enough_data");
    let mut uncertain = material("CM-3");
    uncertain["standard_uncertainty"] = json!(null);
    let problem = app.analyst.post("/control-materials", &uncertain).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "standard_uncertainty");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_value_before_its_phase_and_a_phase_before_its_values_are_refused() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    let first = control.import(&chart, "118.0", 50.0).await;
    assert_eq!((&first["verdict"], first.get("phase")), (&json!("not judged"), None), "before any phase: collected");
    control.target(&chart, 40.0).await;
    let values = format!("/control-charts/{chart}/values");
    let early = json!({ "value": "118.0", "history": "bench book 7", "observed_at": days_ago(45.0) });
    let problem = app.analyst.post(&values, &early).await.refused(422, "rule_broken");
    assert_eq!(problem["errors"][0]["rule"], "before_its_phase");
    control.import(&chart, "118.4", 30.0).await;
    let path = format!("/control-charts/{chart}/phases");
    let back = app.analyst.post(&path, &target("118.2", "0.4", 35.0)).await.refused(422, "rule_broken");
    assert_eq!(back["errors"][0]["rule"], "before_its_values");
    // A value that comes between proposal and approval stops the approval, too.
    let proposed = app.analyst.post(&path, &target("118.2", "0.4", 25.0)).await.expect(201);
    control.import(&chart, "118.3", 20.0).await;
    let approval = format!("/chart-phases/{}/approval", text(&proposed, "id"));
    let signature = json!({ "password": app.manager.password });
    app.manager.post(&approval, &signature).await.refused(422, "rule_broken");
    let future = json!({ "value": "118.0", "history": "bench book 7", "observed_at": days_ago(-2.0) });
    app.analyst.post(&values, &future).await.refused(422, "invalid_input");
    let comma = json!({ "value": "118,0", "history": "bench book 7", "observed_at": days_ago(1.0) });
    let problem = app.analyst.post(&values, &comma).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "value");
    assert_eq!(app.row_counts(&["control_values"]).await, [3]);
}

#[tokio::test(flavor = "multi_thread")]
async fn charts_that_cannot_be_are_refused_with_every_field_named() {
    let control = Control::open().await;
    let app = control.app();
    let chart = |changes: serde_json::Value| {
        let mut new = json!({
            "code": "X-9", "title": "iron", "quantity": "x", "material": control.material, "method": control.method,
            "unit": "g/L",
        });
        for (field, value) in changes.as_object().unwrap() {
            new[field] = value.clone();
        }
        new
    };
    let rule = |count: u8, of: u8| json!([{ "pattern": "beyond", "count": count, "of": of, "sigmas": "2", "side": "same", "consequence": "reject" }]);
    for (changes, field) in [
        (json!({ "quantity": "mood" }), "quantity"),
        (json!({ "material": null }), "material"),
        (json!({ "method": null }), "method"),
        (json!({ "unit": "mg/L" }), "unit"),
        (json!({ "titrant": control.lab.titrant }), "titrant"),
        (json!({ "rules": rule(4, 3) }), "rules[0]"),
        (json!({ "rules": [] }), "rules"),
        (json!({ "quantity": "cusum" }), "design"),
        (json!({ "design": { "k": "0.5", "h": "5" } }), "design"),
        (json!({ "quantity": "ewma", "design": { "lambda": "1.5", "limit": "3" } }), "design"),
        (json!({ "baseline_minimum": 3 }), "baseline_minimum"),
    ] {
        let problem = app.manager.post("/control-charts", &chart(changes.clone())).await.refused(422, "invalid_input");
        let fields: Vec<&str> =
            problem["errors"].as_array().unwrap().iter().map(|error| error["field"].as_str().unwrap()).collect();
        assert!(fields.contains(&field), "{changes}: {fields:?}");
    }
    assert_eq!(app.row_counts(&["control_charts"]).await, [0]);
    let _ = app.manager.post("/control-charts", &chart(json!({}))).await.expect(201);
    app.manager.post("/control-charts", &chart(json!({}))).await.refused(409, "already_exists");
    app.analyst.post("/control-charts", &chart(json!({ "code": "X-10" }))).await.refused(403, "forbidden");
}
