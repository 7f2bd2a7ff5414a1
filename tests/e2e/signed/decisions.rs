//! Who decides on what touched signed results, and that nothing that waits for a decision is lost among what was decided.

use ferrotitre_tests::app::sign_in;
use ferrotitre_tests::cluster::DatabaseRole;

use super::*;
use crate::copies::Copies;
use crate::pages::Visitor;

/// The newest impact.
async fn impact(lab: &Lab) -> Value {
    lab.app.auditor.get("/impacts?limit=1").await.expect(200)["items"][0].clone()
}

#[tokio::test(flavor = "multi_thread")]
async fn what_waits_can_be_decided_however_many_were_decided_before() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, _) = approved(&lab).await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    Copies::approved(&id_of(&path), 205).make(&lab).await;
    let impact = text(&impact(&lab).await, "id");
    let first = app.auditor.get(&format!("/impacts/{impact}?limit=200")).await.expect(200);
    assert_eq!(first["results"], 206, "{first}");
    let decided: Vec<&Value> = first["touched"].as_array().unwrap().iter().map(|one| &one["id"]).collect();
    let decision = json!({ "results": decided, "reason": "the volume differs by less than its uncertainty" });
    let decisions = format!("/impacts/{impact}/decisions");
    let after = app.manager.post(&decisions, &decision).await.expect(201);
    assert_eq!(after["waits"], true, "six are left");
    let rest = app.auditor.get(&format!("/impacts/{impact}?after={}", text(&first, "next"))).await.expect(200);
    let left: Vec<String> = rest["touched"].as_array().unwrap().iter().map(|one| text(one, "id")).collect();
    assert_eq!(left.len(), 6);
    let form = Visitor::of(app.running.address, &app.manager).get(&decisions).await.text;
    for id in &left {
        assert!(form.contains(&format!("value=\"{id}\"")), "{id} cannot be chosen: {form}");
    }
    assert!(!form.contains(&format!("value=\"{}\"", decided[0].as_str().unwrap())), "decided already");
    let decision = json!({ "results": left, "reason": "the volume differs by less than its uncertainty" });
    let after = app.manager.post(&decisions, &decision).await.expect(201);
    assert_eq!(after["waits"], false);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_stays_until_it_is_decided_whatever_was_touched_since() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let _ = approved(&lab).await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let waits = impact(&lab).await;
    // A hundred and one later ones, of rows that no signature stands over any more.
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute(&format!(
        "BEGIN; SET LOCAL session_replication_role = replica; \
         INSERT INTO impacts SELECT (jsonb_populate_record(i, jsonb_build_object('id', uuid_by_time(), \
         'cause_id', gen_random_uuid(), 'touched_id', gen_random_uuid(), 'recorded_at', clock_timestamp()))).* \
         FROM impacts i, generate_series(1, 101) WHERE i.id = '{}'; COMMIT",
        text(&waits, "id")
    ))
    .await
    .unwrap();
    let alerts = app.manager.get("/alerts").await.expect(200);
    let found: Vec<&Value> =
        alerts["items"].as_array().unwrap().iter().filter(|alert| alert["kind"] == "signed result touched").collect();
    assert_eq!(found.len(), 1, "{alerts}");
    assert_eq!((&found[0]["subject"], &found[0]["code"]), (&waits["id"], &json!("test portion")));
    // The list says of each what it touches.
    let listed = app.auditor.get("/impacts?limit=200").await.expect(200);
    let counts: Vec<(i64, bool)> = listed["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| (one["results"].as_i64().unwrap(), one["waits"].as_bool().unwrap()))
        .collect();
    assert_eq!(counts.len(), 102);
    assert!(counts[..101].iter().all(|one| *one == (0, false)), "{counts:?}");
    assert_eq!(counts[101], (1, true));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_old_impact_waits_however_often_it_was_looked_at_and_a_new_one_after_it() {
    const OLD: &str = "01900000-0000-7000-8000-000000000000";
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, _) = approved(&lab).await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute(&format!(
        "BEGIN; SET LOCAL session_replication_role = replica; \
         UPDATE sign_offs SET recorded_at = recorded_at - interval '3 hours'; \
         UPDATE impacts SET id = '{OLD}', recorded_at = recorded_at - interval '2 hours'; COMMIT"
    ))
    .await
    .unwrap();
    let waiting = async || {
        let alerts = app.manager.get("/alerts").await.expect(200);
        let of = |alert: &Value| (alert["kind"] == "signed result touched").then(|| text(alert, "subject"));
        alerts["items"].as_array().unwrap().iter().filter_map(of).collect::<Vec<String>>()
    };
    for _ in 0..3 {
        assert_eq!(waiting().await, [OLD]);
    }
    let decision = json!({ "results": [id_of(&path)], "reason": "the volume differs by less than its uncertainty" });
    let _ = app.manager2.post(&format!("/impacts/{OLD}/decisions"), &decision).await.expect(201);
    for _ in 0..2 {
        assert!(waiting().await.is_empty());
    }
    let _ = correct_portion(&lab, &lab.bench.pipette_10).await.expect(201);
    for _ in 0..2 {
        assert!(matches!(&waiting().await[..], [one] if one != OLD));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_waves_through_what_touched_a_result_that_they_signed() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, _) = approved(&lab).await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    // The author is made a manager, properly, by two people.
    let grant = json!({ "role": "manager", "effect": "grant", "reason": "promoted this morning" });
    let grants = format!("/accounts/{}/role-grants", app.analyst.id);
    let grant = app.administrator.post(&grants, &grant).await.expect(201);
    let approval = json!({ "decision": "approved" });
    let _ = app.manager.post(&format!("/role-grants/{}/decisions", text(&grant, "id")), &approval).await.expect(201);
    let author = app.analyst.with_token(&sign_in(&app.nobody, &app.analyst.code, &app.analyst.password).await);
    let decisions = format!("/impacts/{}/decisions", text(&impact(&lab).await, "id"));
    let decision = json!({ "results": [id_of(&path)], "reason": "the volume differs by less than its uncertainty" });
    let problem = author.post(&decisions, &decision).await.refused(403, "own_record");
    assert!(text(&problem, "detail").contains("somebody else decides on what touched it"), "{problem}");
    let choice = format!("value=\"{}\"", id_of(&path));
    assert!(
        !Visitor::of(app.running.address, &author).get(&decisions).await.text.contains(&choice),
        "offered to its author"
    );
    assert!(Visitor::of(app.running.address, &app.manager2).get(&decisions).await.text.contains(&choice));
    assert_eq!(app.row_counts(&["impact_decisions"]).await, [0]);
    let _ = app.manager2.post(&decisions, &decision).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_nonconformity_does_not_say_a_thousand_where_there_are_more() {
    let lab = Lab::open().await;
    let (path, _) = approved(&lab).await;
    Copies::approved(&id_of(&path), 1_001).make(&lab).await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let opened = lab.app.auditor.get("/nonconformities").await.expect(200)["items"][0].clone();
    assert!(text(&opened, "scope").starts_with("more than 1000 signed results rest on what changed"), "{opened}");
}
