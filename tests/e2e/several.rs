//! What is done for several at once: a record for each, by the rules of each.

use ferrotitre_base::db::Db;
use ferrotitre_ledger::accounts::create_by_operator;
use ferrotitre_tests::TestApp;
use ferrotitre_tests::app::{make_usable, sign_in};
use ferrotitre_tests::bench::{day, text};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use reqwest::Method;
use serde_json::{Value, json};

use crate::lab::Lab;

fn person(name: &str, role: &str) -> Value {
    json!({ "display_name": name, "role": role })
}

#[tokio::test]
async fn people_get_accounts_in_one_request_and_roles_by_one_decision() {
    let app = TestApp::start().await;
    let reason = "people of the bath laboratory";
    let list =
        json!({ "people": [person("Mara Lindqvist", "analyst"), person("Theo Brandt", "manager")], "reason": reason });
    let made = app.administrator.post("/people", &list).await.expect(201);
    let codes: Vec<&str> =
        made["people"].as_array().unwrap().iter().map(|one| one["account"]["code"].as_str().unwrap()).collect();
    assert_eq!(codes, ["mara.lindqvist", "theo.brandt"]);
    for one in made["people"].as_array().unwrap() {
        let (code, password) = (text(&one["account"], "code"), text(one, "provisional_password"));
        let _ = app.nobody.sign_in(&code, &password).await.expect(200);
        assert_eq!(one["account"]["roles"], json!([]), "a role counts once a manager has approved it");
    }
    let grants: Vec<String> = made["people"].as_array().unwrap().iter().map(|one| text(&one["grant"], "id")).collect();
    // Whoever asked does not decide, nor does a role that may not.
    let approve = |ids: &[String]| json!({ "grants": ids, "decision": "approved", "reason": "seen at the bench" });
    app.administrator.post("/role-grants/decisions", &approve(&grants)).await.refused(403, "forbidden");
    let decided = app.manager.post("/role-grants/decisions", &approve(&grants)).await.expect(201);
    assert_eq!(decided["decisions"].as_array().unwrap().len(), 2);
    let mara = app.auditor.get(&format!("/accounts/{}", text(&made["people"][0]["account"], "id"))).await.expect(200);
    assert_eq!(mara["roles"], json!(["analyst"]));
    // Decided is decided: of several none is, where one cannot be.
    let list = json!({ "people": [person("Ada Quist", "analyst")], "reason": reason });
    let ada = app.administrator.post("/people", &list).await.expect(201);
    let mixed = [text(&ada["people"][0]["grant"], "id"), grants[0].clone()];
    let problem = app.manager.post("/role-grants/decisions", &approve(&mixed)).await.refused(409, "state_conflict");
    assert_eq!(problem["errors"][0]["field"], "grants[1]", "{problem}");
    assert_eq!(app.row_counts(&["role_grant_decisions"]).await, [3], "the instrument's and these two");
}

#[tokio::test]
async fn a_list_of_people_is_made_whole_or_not_at_all() {
    let app = TestApp::start().await;
    let before = app.row_counts(&["accounts", "role_grants"]).await;
    let reason = "people of the bath laboratory";
    for (second, field) in [
        (person("Mara Lindqvist", "analyst"), "people[1].code"),
        (person("Zoë Müller", "analyst"), "people[1].code"),
        (person("Theo Brandt", "instrument"), "people[1].role"),
        (person("Theo Brandt", "chief"), "people[1].role"),
    ] {
        let list = json!({ "people": [person("Mara Lindqvist", "analyst"), second.clone()], "reason": reason });
        let answer = app.administrator.post("/people", &list).await;
        assert!([409, 422].contains(&answer.status), "{}", answer.text);
        assert_eq!(answer.json["errors"][0]["field"], field, "{second}: {}", answer.text);
    }
    let none = json!({ "people": [], "reason": reason });
    app.administrator.post("/people", &none).await.refused(422, "invalid_input");
    let curt = json!({ "people": [person("Mara Lindqvist", "analyst")], "reason": "new" });
    let problem = app.administrator.post("/people", &curt).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "reason", "{problem}");
    assert_eq!(app.row_counts(&["accounts", "role_grants"]).await, before);
}

/// What the operator of the machine gave counts at once: a decision on it would change nothing, and says so.
#[tokio::test]
async fn a_grant_of_the_command_line_is_not_decided_on() {
    let app = TestApp::start().await;
    let db = Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
    let password = create_by_operator(&db, "admin-9", "Admin 9", &["administrator".to_owned()], None).await.unwrap();
    let own = app.nobody.with_token(&sign_in(&app.nobody, "admin-9", &password).await);
    let own = own.get("/accounts/me").await.expect(200);
    let grants = app.auditor.get("/role-grants").await.expect(200);
    let grant = grants["items"].as_array().unwrap().iter().find(|grant| grant["account_id"] == own["id"]).unwrap();
    let path = format!("/role-grants/{}/decisions", text(grant, "id"));
    app.manager.post(&path, &json!({ "decision": "refused" })).await.refused(409, "state_conflict");
    let both = json!({ "grants": [grant["id"]], "decision": "refused" });
    app.manager.post("/role-grants/decisions", &both).await.refused(409, "state_conflict");
    let account = app.auditor.get(&format!("/accounts/{}", text(&own, "id"))).await.expect(200);
    assert_eq!(account["roles"], json!(["administrator"]));
}

#[tokio::test]
async fn several_people_are_authorised_for_several_methods_each_on_record() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let before = app.row_counts(&["competences"]).await[0];
    let new = |people: Value, methods: Value| {
        json!({ "people": people, "methods": methods, "valid_from": day(0), "valid_to": day(365),
            "evidence": "seven replicates of the control within limits" })
    };
    let (one, two) = (app.analyst.id, app.analyst2.id);
    let made = app.manager.post("/competences", &new(json!([one, two]), json!(["M1", "M2"]))).await.expect(201);
    assert_eq!(made["competences"].as_array().unwrap().len(), 4);
    assert_eq!(app.row_counts(&["competences"]).await[0], before + 4);
    // Nobody authorises themself, also not among others; then nobody is.
    let own = new(json!([one, app.manager.id]), json!(["M1"]));
    let problem = app.manager.post("/competences", &own).await.refused(403, "own_record");
    assert_eq!(problem["errors"][0]["field"], "people[1]", "{problem}");
    let unknown = new(json!([one]), json!(["M1", "M-9"]));
    let answer = app.manager.post("/competences", &unknown).await;
    assert_eq!(answer.json["errors"][0]["field"], "methods[1]", "{}", answer.text);
    app.analyst.post("/competences", &new(json!([two]), json!(["M1"]))).await.refused(403, "forbidden");
    assert_eq!(app.row_counts(&["competences"]).await[0], before + 4);
}

/// What somebody looked at, to be signed.
async fn looked_at(who: &Client, kind: &str, id: &str) -> Value {
    let path = format!("/{}/{id}", kind.replace('_', "-"));
    json!({ "kind": kind, "id": id, "content_digest": who.get(&path).await.expect(200)["content_digest"] })
}

async fn sign(who: &Client, step: &str, of: &[Value]) -> ferrotitre_tests::Answer {
    who.post(step, &json!({ "password": who.password, "of": of })).await
}

#[tokio::test]
async fn several_are_signed_with_the_secret_asked_once_and_each_for_itself() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let iron2 = lab.iron2_done(["21.46", "21.48"]).await;
    let total = lab.total_done(["23.16", "23.18"]).await;
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": chrono::Utc::now() });
    let iron3 = text(&app.analyst.post("/iron-results", &new).await.expect(201), "id");
    let kinds = [("determinations", &iron2), ("determinations", &total), ("iron_results", &iron3)];
    let mut of = Vec::new();
    for (kind, id) in kinds {
        of.push(looked_at(&app.analyst, kind, id).await);
    }
    // One whose content is another by now is not signed; the others are, and say so.
    let mut stale = of.clone();
    stale[1]["content_digest"] = json!("0".repeat(64));
    let wrong = json!({ "password": "not the password", "of": of });
    app.analyst.post("/submissions", &wrong).await.refused(403, "secret_wrong");
    let some = sign(&app.analyst, "/submissions", &stale[..2]).await.expect(201);
    assert!(some["signed"][0]["refused"].is_null() && some["signed"][1]["refused"].is_string(), "{some}");
    let body = serde_json::to_vec(&json!({ "password": app.analyst.password, "of": of[1..] })).unwrap();
    let headers = [("Idempotency-Key", "all of the bath"), ("Content-Type", "application/json")];
    let before = app.row_counts(&["sign_offs"]).await[0];
    // Sent twice, as after a lost answer: each is signed once, and the second answer says the same.
    for _ in 0..2 {
        let sent = app.analyst.send(Method::POST, "/submissions", &headers, Some(body.clone())).await.expect(201);
        assert!(sent["signed"].as_array().unwrap().iter().all(|one| one["refused"].is_null()), "{sent}");
    }
    assert_eq!(app.row_counts(&["sign_offs"]).await[0], before + 2, "a signature of its own for each");
    // Nobody reviews their own; somebody else does, in one go, and a third person approves once the runs are released.
    sign(&app.analyst, "/reviews", &of).await.refused(403, "own_record");
    let reviewed = sign(&app.analyst2, "/reviews", &of).await.expect(201);
    assert_eq!(reviewed["signed"].as_array().unwrap().len(), 3);
    sign(&app.analyst2, "/approvals", &of).await.refused(403, "forbidden");
    let early = sign(&app.manager, "/approvals", &of).await;
    assert_ne!(early.status, 201, "the runs are not released: {}", early.text);
    for id in [&iron2, &total] {
        lab.release_run_of(&format!("/determinations/{id}")).await;
    }
    let approved = sign(&app.manager, "/approvals", &of).await.expect(201);
    assert!(approved["signed"].as_array().unwrap().iter().all(|one| one["refused"].is_null()), "{approved}");
    for (kind, id) in kinds {
        let view = app.auditor.get(&format!("/{}/{id}", kind.replace('_', "-"))).await.expect(200);
        assert_eq!((&view["state"], view["sign_offs"].as_array().unwrap().len()), (&json!("approved"), 3), "{view}");
    }
    for (of, rule) in
        [(json!([]), "count"), (json!([{ "kind": "runs", "id": iron2, "content_digest": "0" }]), "one_of")]
    {
        let body = json!({ "password": app.manager.password, "of": of });
        let problem = app.manager.post("/approvals", &body).await.refused(422, "invalid_input");
        assert_eq!(problem["errors"][0]["rule"], rule, "{problem}");
    }
}

/// Somebody whose account is in other hands signs none of several.
#[tokio::test]
async fn a_provisional_password_signs_nothing() {
    let app = TestApp::start().await;
    let list = json!({ "people": [person("Ada Quist", "analyst")], "reason": "people of the bath laboratory" });
    let made = app.administrator.post("/people", &list).await.expect(201);
    let grants = json!({ "grants": [made["people"][0]["grant"]["id"]], "decision": "approved" });
    let _ = app.manager.post("/role-grants/decisions", &grants).await.expect(201);
    let provisional = text(&made["people"][0], "provisional_password");
    let token = sign_in(&app.nobody, "ada.quist", &provisional).await;
    let first = app.nobody.with_token(&token);
    let body = json!({ "password": provisional, "of": [{ "kind": "determinations", "id": uuid::Uuid::now_v7(), "content_digest": "0" }] });
    let refused = first.post("/submissions", &body).await;
    assert_eq!(refused.status, 403, "{}", refused.text);
    let token = make_usable(&app.nobody, "ada.quist", &provisional, "kettle-orbit-fern-lantern").await;
    let own = app.nobody.with_token(&token).get("/accounts/me").await.expect(200);
    assert_eq!(own["roles"], json!(["analyst"]));
}
