//! Limits are set before data and cannot be changed afterwards by any path; what changes openly is an amendment.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};
use tokio_postgres::error::SqlState;

use super::{Study, datum, method, most, plan, planned, sign};

fn repeatability(limit: &str) -> Value {
    planned("repeatability", "g/L", 3, &json!({}), &[most("rsd_r", limit, "%")])
}

async fn refused_by_store(client: &tokio_postgres::Client, sql: &str) -> (SqlState, Option<String>) {
    let act = "BEGIN; SELECT set_config('ferrotitre.act', '{\"kind\":\"system\",\"action\":\"test\"}', true);";
    let error = client.batch_execute(&format!("{act} {sql}; COMMIT")).await.unwrap_err();
    client.batch_execute("ROLLBACK").await.unwrap();
    let error = error.as_db_error().unwrap();
    (error.code().clone(), error.constraint().map(str::to_owned))
}

#[tokio::test(flavor = "multi_thread")]
async fn no_data_before_the_plan_is_approved_by_somebody_else() {
    let app = TestApp::start().await;
    let method = method(&app).await;
    let new = plan("VS-1", &method, &[repeatability("0.3")]);
    app.auditor.post("/validation-studies", &new).await.refused(403, "forbidden");
    let study = app.manager.post("/validation-studies", &new).await.expect(201);
    let (id, characteristic) = (text(&study, "id"), text(&study["characteristics"][0], "id"));
    assert_eq!(study["state"], "planned");
    let data = format!("/validation-characteristics/{characteristic}/data");
    let one = json!({ "data": [datum("100.0", &json!({}))] });
    let refused = app.analyst.post(&data, &one).await.refused(409, "state_conflict");
    assert!(refused["detail"].as_str().unwrap().contains("not approved yet"), "{refused}");
    let sql = app.sql(DatabaseRole::Service).await;
    let (state, constraint) = refused_by_store(
        &sql,
        &format!(
            "INSERT INTO validation_data (id, characteristic_id, position, value, labels, source, recorded_by) \
             VALUES (gen_random_uuid(), '{characteristic}', 1, 100, '{{}}', 'person', '{}')",
            app.analyst.id
        ),
    )
    .await;
    assert_eq!((state, constraint.as_deref()), (SqlState::CHECK_VIOLATION, Some("validation_study_running")));

    let approval = format!("/validation-studies/{id}/plan-approval");
    sign(&app.manager, &approval, None).await.refused(403, "own_record");
    sign(&app.analyst, &approval, None).await.refused(403, "forbidden");
    app.manager2.post(&approval, &json!({ "password": "not it" })).await.refused(403, "secret_wrong");
    let stale = json!({ "password": app.manager2.password, "content_digest": "0".repeat(64) });
    app.manager2.post(&approval, &stale).await.refused(412, "stale_version");
    let running = sign(&app.manager2, &approval, None).await.expect(201);
    assert_eq!(running["sign_offs"][0]["meaning"], "approved");
    assert_eq!(running["sign_offs"][0]["still_valid"], true);
    let _ = app.analyst.post(&data, &one).await.expect(201);
    sign(&app.manager2, &approval, None).await.refused(409, "state_conflict");
    sign(&app.manager2, &format!("/validation-studies/{id}/plan-rejection"), Some("too late"))
        .await
        .refused(409, "state_conflict");
}

#[tokio::test(flavor = "multi_thread")]
async fn limits_cannot_change_after_approval_by_any_path() {
    let study = Study::run(&[repeatability("0.3")]).await;
    let app = &study.app;
    let before = study.read().await;
    let (id, characteristic) = (&study.id, &study.characteristics[0]);
    // The API has no operation that would change a plan.
    let changed = plan("VS-1", &text(&before, "method"), &[repeatability("3")]);
    for path in [format!("/validation-studies/{id}"), format!("/validation-characteristics/{characteristic}")] {
        for verb in [reqwest::Method::PUT, reqwest::Method::PATCH, reqwest::Method::DELETE, reqwest::Method::POST] {
            let answer = app.manager.send(verb.clone(), &path, &[], Some(changed.to_string().into_bytes())).await;
            assert!(matches!(answer.status, 404 | 405), "{verb} {path}: {}", answer.text);
        }
    }
    app.analyst.post("/validation-studies", &changed).await.refused(409, "already_exists");
    // The store refuses as the service, as the owner and as the superuser.
    for role in [DatabaseRole::Service, DatabaseRole::Owner, DatabaseRole::Superuser] {
        let sql = app.sql(role).await;
        for change in [
            format!("UPDATE validation_characteristics SET limits = '[{{}}]' WHERE id = '{characteristic}'"),
            format!("DELETE FROM validation_characteristics WHERE id = '{characteristic}'"),
            format!("UPDATE validation_studies SET title = 'other' WHERE id = '{id}'"),
            "TRUNCATE validation_characteristics CASCADE".to_owned(),
        ] {
            let (state, _) = refused_by_store(&sql, &change).await;
            assert_eq!(state, SqlState::INSUFFICIENT_PRIVILEGE, "{change} as {role:?}");
        }
        let added = format!(
            "INSERT INTO validation_characteristics (id, study_id, position, kind, title, unit, planned_n, design, limits, recorded_by) \
             SELECT gen_random_uuid(), study_id, 2, kind, title, unit, 1, design, limits, recorded_by \
             FROM validation_characteristics WHERE id = '{characteristic}'"
        );
        let (state, constraint) = refused_by_store(&sql, &added).await;
        assert_eq!((state, constraint.as_deref()), (SqlState::CHECK_VIOLATION, Some("validation_plan_frozen")));
    }
    let after = study.read().await;
    assert_eq!(before, after);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_late_change_is_an_amendment_shown_with_both_limits() {
    let study = Study::run(&[repeatability("0.3")]).await;
    let app = &study.app;
    // RSD_r is exactly 0.5 %: 100 ± 0.5.
    let answer = study.record(0, &["99.5", "100.0", "100.5"].map(|value| datum(value, &json!({})))).await;
    assert_eq!(answer["verdict"], "does not meet");
    let path = format!("/validation-characteristics/{}/amendments", study.characteristics[0]);
    let new = |limit: &str, reason: &str| json!({ "limits": [most("rsd_r", limit, "%")], "reason": reason });
    app.auditor.post(&path, &new("0.6", "wider")).await.refused(403, "forbidden");
    app.manager2.post(&path, &new("0.6", "no")).await.refused(422, "invalid_input");
    app.manager2.post(&path, &new("0.3", "the same again")).await.refused(422, "invalid_input");
    let proposed = app.manager2.post(&path, &new("0.6", "the client needs 0.6 % only")).await.expect(201);
    assert_eq!(proposed["verdict"], "does not meet", "a proposal changes nothing");
    app.manager2.post(&path, &new("0.7", "another one at once")).await.refused(409, "state_conflict");
    let amendment = text(&proposed["criterion"]["amendments"][0], "id");
    let approval = format!("/validation-amendments/{amendment}/approval");
    sign(&app.manager2, &approval, None).await.refused(403, "own_record");
    let answer = sign(&app.manager, &approval, None).await.expect(201);
    assert_eq!(answer["verdict"], "meets");
    assert_eq!(answer["verdict_as_planned"], "does not meet", "the verdict by the first limits stays beside it");
    let shown = &study.answer(0).await["criterion"];
    let amendment = &shown["amendments"][0];
    assert_eq!(amendment["old_limits"][0]["upper"], "0.3");
    assert_eq!(amendment["new_limits"][0]["upper"], "0.6");
    assert_eq!(amendment["reason"], "the client needs 0.6 % only");
    assert!(amendment["decided_by"].as_str().is_some_and(|name| !name.is_empty()), "{amendment}");
    assert_eq!(shown["planned_limits"][0]["upper"], "0.3");
    assert_eq!(shown["limits"][0]["upper"], "0.6");
    let view = study.read().await;
    assert_eq!(view["characteristics"][0]["criterion"]["amendments"][0]["state"], "approved");
    assert_eq!(view["sign_offs"][0]["still_valid"], true, "the plan itself is what was signed");
    // The author of the plan cannot approve an amendment either: planned by the analyst, so try one planned by a manager.
    let new_study = plan("VS-2", &text(&view, "method"), &[repeatability("0.3")]);
    let other = app.manager.post("/validation-studies", &new_study).await.expect(201);
    let id = text(&other, "id");
    let _ = sign(&app.manager2, &format!("/validation-studies/{id}/plan-approval"), None).await.expect(201);
    let path = format!("/validation-characteristics/{}/amendments", text(&other["characteristics"][0], "id"));
    let proposed = app.analyst.post(&path, &new("0.6", "wider for the client")).await.expect(201);
    let id = text(&proposed["criterion"]["amendments"][0], "id");
    sign(&app.manager, &format!("/validation-amendments/{id}/approval"), None).await.refused(403, "own_record");
    let answer =
        sign(&app.manager2, &format!("/validation-amendments/{id}/rejection"), Some("no reason to")).await.expect(201);
    assert_eq!(answer["criterion"]["limits"][0]["upper"], "0.3");
}
