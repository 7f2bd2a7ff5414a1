//! What needs attention: as a list, as a stream, as metrics.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{calibration, day, dichromate_standard, equipment, install};
use serde_json::{Value, json};

/// Reads events until one with data has come.
async fn next_event(response: &mut reqwest::Response, pending: &mut String) -> Value {
    loop {
        if let Some((event, rest)) = pending.split_once("\n\n").map(|(event, rest)| (event.to_owned(), rest.to_owned()))
        {
            *pending = rest;
            if let Some(data) = event.lines().find_map(|line| line.strip_prefix("data: ")) {
                assert!(event.starts_with("event: alerts"), "{event}");
                return serde_json::from_str(data).unwrap();
            }
            continue;
        }
        let chunk = response.chunk().await.unwrap().unwrap_or_else(|| panic!("the stream ended: {pending}"));
        pending.push_str(std::str::from_utf8(&chunk).unwrap());
    }
}

fn kinds(alerts: &Value) -> Vec<(String, String, String)> {
    let text = |value: &Value| value.as_str().unwrap().to_owned();
    let of = |item: &Value| (text(&item["kind"]), text(&item["urgency"]), text(&item["code"]));
    alerts["items"].as_array().unwrap().iter().map(of).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_ends_is_announced_then_pressing_and_gone_once_it_is_dealt_with() {
    let app = TestApp::start().await;
    assert_eq!(app.auditor.get("/alerts").await.expect(200)["items"], json!([]));
    app.administrator.get("/alerts").await.refused(403, "forbidden");
    let problem = app.analyst.get("/alerts?days=1000").await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], json!("days"));
    app.analyst.get("/alerts/stream?days=-1").await.refused(422, "invalid_input");

    let url = format!("http://{}/api/v1/alerts/stream", app.running.address);
    let client = reqwest::Client::new();
    let mut stream = client.get(&url).bearer_auth(app.analyst.token()).send().await.unwrap();
    assert_eq!(stream.headers()["content-type"], "text/event-stream");
    let mut pending = String::new();
    assert_eq!(next_event(&mut stream, &mut pending).await["items"], json!([]), "the list comes at once");

    let burette = equipment("B-09", "burette", "50.00", Some("0.02"));
    let mut ended = calibration(None, "0.015");
    ended["due_on"] = json!(day(-1));
    let id = install(&app, &burette, &ended).await;
    let event = next_event(&mut stream, &mut pending).await;
    let overdue = ("calibration overdue".to_owned(), "now".to_owned(), "B-09".to_owned());
    assert_eq!(kinds(&event), vec![overdue.clone()], "the change is pushed");
    drop(stream);

    let mut standard = dichromate_standard("PS-9");
    standard["expires_on"] = json!(day(10));
    let standard = app.analyst.post("/primary-standards", &standard).await.expect(201);
    assert_eq!(kinds(&app.auditor.get("/alerts").await.expect(200)).len(), 1, "not released, so nobody uses it");
    let moves = format!("/primary-standards/{}/moves", standard["id"].as_str().unwrap());
    let _ = app.manager.post(&moves, &json!({ "to": "released" })).await.expect(201);
    let soon = ("primary standard expires".to_owned(), "soon".to_owned(), "PS-9".to_owned());
    assert_eq!(kinds(&app.auditor.get("/alerts").await.expect(200)), vec![overdue, soon.clone()]);
    assert_eq!(kinds(&app.auditor.get("/alerts?days=5").await.expect(200)).len(), 1, "beyond the horizon");

    let metrics = reqwest::get(format!("http://{}/metrics", app.running.address)).await.unwrap().text().await.unwrap();
    assert!(metrics.contains("ferrotitre_alerts{kind=\"calibration overdue\",urgency=\"now\"} 1"), "{metrics}");

    let mut renewed = calibration(None, "0.015");
    renewed["calibrated_on"] = json!(day(0));
    let _ = app.manager.post(&format!("/equipment/{id}/calibrations"), &renewed).await.expect(201);
    assert_eq!(kinds(&app.auditor.get("/alerts").await.expect(200)), vec![soon]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_competence_that_ends_is_announced_until_it_is_renewed() {
    let app = TestApp::start().await;
    let method = json!({
        "code": "M1", "title": "iron(II)", "principle": "titration with dichromate", "analyte": "iron(II)",
        "matrix": "hydrochloric pickling bath", "chemistry": "dichromate", "reduction": "none",
        "indicator": "diphenylamine sulfonate", "rules": crate::lab::rules(),
    });
    let _ = app.manager.post("/methods", &method).await.expect(201);
    let path = format!("/accounts/{}/competences", app.analyst2.id);
    let competence = |from: i64, to: i64| json!({ "method_code": "M1", "valid_from": day(from), "valid_to": day(to), "evidence": "seven blind controls" });
    let alerts = async || kinds(&app.auditor.get("/alerts").await.expect(200));
    // Ended long ago and never renewed is no news.
    let _ = app.manager.post(&path, &competence(-200, -100)).await.expect(201);
    assert_eq!(alerts().await, vec![]);
    let _ = app.manager.post(&path, &competence(-99, 5)).await.expect(201);
    let of = app.analyst2.code.clone();
    assert_eq!(alerts().await, vec![("competence ends".to_owned(), "soon".to_owned(), of.clone())]);
    let items = app.auditor.get("/alerts").await.expect(200)["items"].clone();
    assert_eq!(items[0]["message"], json!(format!("{of} is authorised for M1 until {}", day(5))));
    assert_eq!(items[0]["subject_kind"], json!("accounts"));
    let _ = app.manager.post(&path, &competence(6, 300)).await.expect(201);
    assert_eq!(alerts().await, vec![]);
}
