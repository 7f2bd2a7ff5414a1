//! Nonconformities from opening to closing, and those that open by themselves.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{day, minutes_ago, text};
use serde_json::{Value, json};

use super::{Control, burette};

fn complaint(owner: &str) -> Value {
    json!({
        "source": "complaint", "severity": "minor", "title": "result of bath 3 doubted", "scope": "one report",
        "owner": owner, "due_on": day(30), "observed_at": minutes_ago(10),
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_nonconformity_goes_through_all_its_states_and_is_closed_by_somebody_else() {
    let app = TestApp::start().await;
    let owner = app.manager.id.to_string();
    let opened = app.analyst.post("/nonconformities", &complaint(&owner)).await.expect(201);
    let path = format!("/nonconformities/{}", text(&opened, "id"));
    let to = |state: &str| json!({ "to": state });
    let step = |kind: &str| json!({ "kind": kind, "words": format!("{kind} as found on the bench") });
    let (moves, steps) = (format!("{path}/moves"), format!("{path}/steps"));
    let problem = app.analyst.post(&moves, &to("contained")).await.refused(422, "not_enough_data");
    assert!(problem["detail"].as_str().unwrap().contains("containment"), "{problem}");
    app.analyst.post(&moves, &to("verifying")).await.refused(422, "not_enough_data");
    for (kind, state) in
        [("containment", "contained"), ("impact", "investigating"), ("cause", "action"), ("action", "verifying")]
    {
        let _ = app.analyst.post(&steps, &step(kind)).await.expect(201);
        assert_eq!(app.analyst.post(&moves, &to(state)).await.expect(201)["state"], state);
    }
    let closing = format!("{path}/closing");
    app.manager2.sign(&closing, None).await.refused(422, "not_enough_data");
    let mut check = step("effectiveness");
    app.analyst.post(&steps, &check).await.refused(422, "invalid_input");
    check["effective"] = json!(false);
    let _ = app.analyst.post(&steps, &check).await.expect(201);
    app.manager2.sign(&closing, None).await.refused(422, "not_enough_data");
    check["effective"] = json!(true);
    let _ = app.analyst.post(&steps, &check).await.expect(201);
    app.analyst.post(&moves, &to("closed")).await.refused(409, "illegal_move");
    app.manager.sign(&closing, None).await.refused(403, "own_record");
    app.analyst.sign(&closing, None).await.refused(403, "forbidden");
    let closed = app.manager2.sign(&closing, None).await.expect(201);
    assert_eq!((&closed["state"], &closed["sign_offs"][0]["still_valid"]), (&json!("closed"), &json!(true)));
    app.analyst.post(&steps, &step("action")).await.refused(409, "state_conflict");
    let reopening = format!("{path}/reopening");
    app.manager2.post(&reopening, &json!({ "reason": "no" })).await.refused(422, "invalid_input");
    let reopened = app.manager2.post(&reopening, &json!({ "reason": "it came up again" })).await.expect(201);
    assert_eq!(reopened["state"], "reopened");
    let _ = app.auditor.post("/nonconformities", &complaint(&owner)).await.expect(201);
    let stranger = complaint(&uuid::Uuid::now_v7().to_string());
    app.analyst.post("/nonconformities", &stranger).await.refused(422, "unknown_reference");
    let mut odd = complaint(&owner);
    odd["links"] = json!([{ "entity_kind": "moods", "entity": owner }]);
    app.analyst.post("/nonconformities", &odd).await.refused(422, "invalid_input");
    app.administrator.post("/nonconformities", &complaint(&owner)).await.refused(403, "forbidden");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_failed_check_and_a_withdrawn_lot_open_one_by_themselves() {
    let app = TestApp::start().await;
    let burette = burette(&app).await;
    let check = json!({ "outcome": "failed", "note": "leaks at the stopcock", "observed_at": minutes_ago(5) });
    let _ = app.analyst.post(&format!("/equipment/{burette}/checks"), &check).await.expect(201);
    let found = app.auditor.get(&format!("/nonconformities?entity={burette}")).await.expect(200);
    assert_eq!(found["items"][0]["source"], "failed equipment check");
    assert_eq!(found["items"][0]["owner"], json!(app.analyst.id));
    let passed = json!({ "outcome": "passed", "observed_at": minutes_ago(4) });
    let _ = app.analyst.post(&format!("/equipment/{burette}/checks"), &passed).await.expect(201);
    assert_eq!(app.row_counts(&["nonconformities"]).await, [1]);
    drop(app);
    let control = Control::open().await;
    let app = control.app();
    let withdraw = json!({ "to": "withdrawn", "reason": "certificate of the standard was corrected" });
    let lot = &control.lab.titrant;
    let _ = app.manager.post(&format!("/titrants/{lot}/moves"), &withdraw).await.expect(201);
    let found = app.auditor.get(&format!("/nonconformities?entity={lot}")).await.expect(200);
    assert_eq!(found["items"][0]["source"], "withdrawn lot");
    assert!(found["items"][0]["scope"].as_str().unwrap().contains("certificate of the standard"), "{found}");
}
