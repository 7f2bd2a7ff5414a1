//! A request that is sent again is carried out once.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench;
use serde_json::json;

#[tokio::test(flavor = "multi_thread")]
async fn the_same_key_and_body_give_the_same_answer_and_one_row() {
    let app = TestApp::start().await;
    let body = bench::sample("S-1");
    let first = app.analyst.post_with_key("/samples", "key-1", &body).await;
    assert_eq!((first.status, first.header("idempotency-replayed")), (201, ""), "{}", first.text);
    let second = app.analyst.post_with_key("/samples", "key-1", &body).await;
    assert_eq!((second.status, second.header("idempotency-replayed")), (201, "true"), "{}", second.text);
    assert_eq!(second.text, first.text, "byte for byte");
    assert_eq!(second.header("location"), first.header("location"));
    assert_ne!(second.header("x-request-id"), first.header("x-request-id"));
    assert_eq!(app.row_counts(&["samples"]).await, [1]);
    let events = app.auditor.get(&format!("/audit-events?entity_id={}", first.json["id"].as_str().unwrap())).await;
    assert_eq!(events.expect(200)["items"].as_array().unwrap().len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_used_key_with_another_body_or_path_is_refused() {
    let app = TestApp::start().await;
    let _ = app.analyst.post_with_key("/samples", "key-1", &bench::sample("S-1")).await.expect(201);
    let problem = app.analyst.post_with_key("/samples", "key-1", &bench::sample("S-2")).await;
    let problem = problem.refused(422, "idempotency_key_reused");
    assert_eq!(problem["errors"][0]["field"], "Idempotency-Key");
    assert_eq!(problem["errors"][0]["value"], "key-1");
    let reagent = app.analyst.post_with_key("/reagents", "key-1", &bench::reagent("R-1")).await;
    reagent.refused(422, "idempotency_key_reused");
    assert_eq!(app.row_counts(&["samples", "reagents"]).await, [1, 0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn keys_of_two_people_do_not_collide() {
    let app = TestApp::start().await;
    let first = app.analyst.post_with_key("/samples", "key-1", &bench::sample("S-1")).await.expect(201);
    let second = app.analyst2.post_with_key("/samples", "key-1", &bench::sample("S-2")).await.expect(201);
    assert_ne!(first["id"], second["id"]);
    assert_eq!(second["recorded_by"], json!(app.analyst2.id));
    assert_eq!(app.row_counts(&["samples"]).await, [2]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_request_does_not_use_its_key_up() {
    let app = TestApp::start().await;
    let mut body = bench::sample("S-1");
    body["condition"] = json!("");
    app.analyst.post_with_key("/samples", "key-1", &body).await.refused(422, "invalid_input");
    body["condition"] = json!("intact");
    let answer = app.analyst.post_with_key("/samples", "key-1", &body).await;
    assert_eq!((answer.status, answer.header("idempotency-replayed")), (201, ""), "{}", answer.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_key_must_have_one_to_two_hundred_characters() {
    let app = TestApp::start().await;
    let long = "k".repeat(201);
    app.analyst.post_with_key("/samples", &long, &bench::sample("S-1")).await.refused(422, "invalid_input");
    let _ = app.analyst.post_with_key("/samples", &long[..200], &bench::sample("S-1")).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn twenty_requests_at_once_with_one_key_store_one_row_and_get_equal_answers() {
    let app = TestApp::start().await;
    // Reagents and samples have codes that must be unique; checks have nothing but the key to tell a repetition by.
    let burette = bench::install(
        &app,
        &bench::equipment("B-01", "burette", "50.00", Some("0.02")),
        &bench::calibration(None, "0.015"),
    )
    .await;
    let check = json!({ "outcome": "passed", "observed_at": bench::minutes_ago(1) });
    for (path, table, body) in [
        ("/samples".to_owned(), "samples", bench::sample("S-1")),
        (format!("/equipment/{burette}/checks"), "equipment_checks", check),
    ] {
        let key = format!("key of {table}");
        let tasks: Vec<_> = (0..20)
            .map(|_| {
                let (client, path, key, body) = (app.analyst.clone(), path.clone(), key.clone(), body.clone());
                tokio::spawn(async move { client.post_with_key(&path, &key, &body).await })
            })
            .collect();
        let mut answers = Vec::new();
        for task in tasks {
            answers.push(task.await.unwrap());
        }
        assert_eq!(app.row_counts(&[table]).await, [1]);
        for answer in &answers {
            assert_eq!((answer.status, &answer.text), (201, &answers[0].text), "{table}");
        }
        let replayed = answers.iter().filter(|answer| answer.header("idempotency-replayed") == "true").count();
        assert_eq!(replayed, 19, "{table}");
    }
}
