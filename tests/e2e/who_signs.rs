//! Who signs: a person is one, nobody judges their own work, and nobody signs in somebody else's name. ISO/IEC 17025:2017 6.2
//! (personnel), 7.5.1 (who did and who checked) and 7.11.3 (information management).

use ferrotitre_tests::TestApp;
use ferrotitre_tests::app::{make_usable, sign_in};
use ferrotitre_tests::bench::{self, bench, day, days_ahead, minutes_ago, text};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

use crate::determination::{Lab, sign};

fn secret(who: &Client) -> Value {
    json!({ "password": who.password })
}

/// A standardisation with four replicates by an analyst.
async fn standardisation(app: &TestApp) -> (String, Vec<String>) {
    let bench = bench(app).await;
    let oxalate = json!({
        "code": "PS-OX", "substance": "sodium oxalate", "supplier": "reference materials", "supplier_lot": "3",
        "certificate": "RM-3", "mass_fraction": "0.9996", "expanded_uncertainty": "0.0003", "coverage_factor": "2",
        "basis": "reducing capacity", "expires_on": day(300),
    });
    let oxalate = text(&app.analyst.post("/primary-standards", &oxalate).await.expect(201), "id");
    let released = app.manager.post(&format!("/primary-standards/{oxalate}/moves"), &json!({ "to": "released" })).await;
    let _ = released.expect(201);
    let lot = json!({
        "code": "M-1", "species": "permanganate", "nominal_concentration": "0.02", "concentration_unit": "mol/L",
        "route": "standardisation", "factor_low": "0.980", "factor_high": "1.020", "storage": "dark",
        "container": "amber glass", "expires_at": days_ahead(300), "observed_at": minutes_ago(600),
    });
    let titrant = text(&app.analyst.post("/titrants", &lot).await.expect(201), "id");
    let begin = json!({
        "code": "STD-1", "primary_standard": oxalate, "balance": bench.balance, "burette": bench.burette,
        "indicator": "self", "valid_days": 60, "correct_burette": false, "correct_temperature": false,
        "correct_buoyancy": false, "observed_at": minutes_ago(500),
    });
    let begun = app.analyst.post(&format!("/titrants/{titrant}/standardisations"), &begin).await.expect(201);
    let path = format!("/standardisations/{}", text(&begun, "id"));
    let mut replicates = Vec::new();
    for (kind, mass, last) in [
        ("blank", None, "0.04"),
        ("replicate", Some("0.1675"), "25.04"),
        ("replicate", Some("0.1682"), "25.14"),
        ("replicate", Some("0.1671"), "24.98"),
        ("replicate", Some("0.1690"), "25.40"),
    ] {
        let titration = json!({
            "kind": kind, "mass_g": mass, "initial_readings": ["0.00"], "final_readings": [last],
            "end_point": "faint pink, 30 s", "observed_at": minutes_ago(490),
        });
        let view = app.analyst.post(&format!("{path}/titrations"), &titration).await.expect(201);
        replicates.push(text(view["titrations"].as_array().unwrap().last().unwrap(), "id"));
    }
    (path, replicates)
}

#[tokio::test(flavor = "multi_thread")]
async fn who_rejects_a_replicate_is_a_party_and_signs_no_observations_of_others() {
    let app = TestApp::start().await;
    let (path, replicates) = standardisation(&app).await;
    let rejection = json!({ "cause": "air bubble", "reason": "seen in the tip of the burette" });
    let last = replicates.last().unwrap();
    let rejected = app.manager.post(&format!("/standardisation-titrations/{last}/rejection"), &rejection).await;
    let _ = rejected.expect(201);
    let problem = app.manager.post(&format!("{path}/submission"), &secret(&app.manager)).await;
    let problem = problem.refused(403, "not_own_observations");
    assert!(problem["detail"].as_str().unwrap().contains("analyst-1"), "{problem}");
    let signed = app.analyst.post(&format!("{path}/submission"), &secret(&app.analyst)).await.expect(201);
    assert_eq!(signed["sign_offs"][0]["statement"], "these are my observations");
    app.manager.post(&format!("{path}/approval"), &secret(&app.manager)).await.refused(403, "own_record");
    let _ = app.manager2.post(&format!("{path}/approval"), &secret(&app.manager2)).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_reviews_and_approves_the_same_thing() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let id = lab.iron2_done(["21.46", "21.48"]).await;
    let path = format!("/determinations/{id}");
    sign(&app.manager, &path, "submission", None).await.refused(403, "not_own_observations");
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.manager, &path, "review", None).await.expect(201);
    lab.release_run_of(&path).await;
    let problem = sign(&app.manager, &path, "approval", None).await.refused(403, "own_record");
    assert!(problem["detail"].as_str().unwrap().contains("reviewed"), "{problem}");
    assert_eq!(sign(&app.manager2, &path, "approval", None).await.expect(201)["state"], "approved");
}

#[tokio::test(flavor = "multi_thread")]
async fn observations_of_two_people_are_signed_by_one_of_them_who_names_the_other() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let id = lab.begin(&run).await;
    let path = format!("/determinations/{id}");
    for who in [&lab.app.analyst, &lab.app.analyst2] {
        let titration = lab.titration("accurate", "21.46", None);
        let _ = who.post(&format!("{path}/titrations"), &titration).await.expect(201);
    }
    let signed = sign(&lab.app.analyst2, &path, "submission", None).await.expect(201);
    assert_eq!(signed["sign_offs"][0]["statement"], "these are my observations and those of analyst-1");
}

#[tokio::test(flavor = "multi_thread")]
async fn one_person_does_not_open_a_nonconformity_for_another_write_it_and_close_it() {
    let app = TestApp::start().await;
    let new = json!({
        "source": "complaint", "severity": "minor", "title": "result of bath 3 doubted", "scope": "one report",
        "owner": app.analyst.id, "due_on": day(30), "observed_at": minutes_ago(10),
    });
    let opened = app.manager.post("/nonconformities", &new).await.expect(201);
    assert_eq!((&opened["owner"], &opened["recorded_by"]), (&json!(app.analyst.id), &json!(app.manager.id)));
    let path = format!("/nonconformities/{}", text(&opened, "id"));
    for (kind, state) in
        [("containment", "contained"), ("impact", "investigating"), ("cause", "action"), ("action", "verifying")]
    {
        let step = json!({ "kind": kind, "words": format!("{kind} as found on the bench") });
        let stepped = app.manager.post(&format!("{path}/steps"), &step).await.expect(201);
        let by = &stepped["steps"].as_array().unwrap().last().unwrap()["recorded_by"];
        assert_eq!(by, &json!(app.manager.id), "a step bears who recorded it");
        let _ = app.manager.post(&format!("{path}/moves"), &json!({ "to": state })).await.expect(201);
    }
    let check = json!({ "kind": "effectiveness", "words": "looked at ten reports since", "effective": true });
    let _ = app.manager.post(&format!("{path}/steps"), &check).await.expect(201);
    app.manager.post(&format!("{path}/closing"), &secret(&app.manager)).await.refused(403, "own_record");
    let _ = app.manager2.post(&format!("{path}/closing"), &secret(&app.manager2)).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_account_whose_password_was_reset_signs_nothing_until_a_second_person_confirmed_it() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let path = format!("/determinations/{}", lab.iron2_done(["21.46", "21.48"]).await);
    // The administrator resets the password of the analyst, signs in as that person and sets a password of their own liking.
    let reset = async |of: &Client, new: &str| {
        let set = app.administrator.post(&format!("/accounts/{}/provisional-password", of.id), &json!({})).await;
        let provisional = text(&set.expect(201), "provisional_password");
        let token = make_usable(&app.nobody, &of.code, &provisional, new).await;
        app.nobody.with_account(of.id, &of.code, new).with_token(&token)
    };
    let stolen = reset(&app.analyst, "whatever the thief likes").await;
    sign(&stolen, &path, "submission", None).await.refused(403, "identity_unconfirmed");
    let account = format!("/accounts/{}", app.analyst.id);
    assert_eq!(app.auditor.get(&account).await.expect(200)["awaits_confirmation"], true);
    let confirmations = format!("{account}/identity-confirmations");
    let word =
        |who: &Client| json!({ "password": who.password, "reason": "asked at bench 2, the password was forgotten" });
    app.administrator.post(&confirmations, &word(&app.administrator)).await.refused(403, "forbidden");
    // A manager whose own password was reset by the same administrator is no second person.
    let puppet = reset(&app.manager2, "another one of the thief's").await;
    puppet.post(&confirmations, &word(&puppet)).await.refused(403, "identity_unconfirmed");
    let grant = json!({ "role": "manager", "effect": "grant", "reason": "helps out at the bench" });
    let grant = app.administrator.post(&format!("{account}/role-grants"), &grant).await.expect(201);
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    puppet.post(&decisions, &json!({ "decision": "approved" })).await.refused(403, "identity_unconfirmed");
    let mut curt = word(&app.manager);
    curt["reason"] = json!("ok");
    app.manager.post(&confirmations, &curt).await.refused(422, "invalid_input");
    let own = format!("/accounts/{}/identity-confirmations", app.manager.id);
    app.manager.post(&own, &word(&app.manager)).await.refused(409, "state_conflict");
    let confirmed = app.manager.post(&confirmations, &word(&app.manager)).await.expect(201);
    assert_eq!(confirmed["recorded_by"], json!(app.manager.id));
    app.manager.post(&confirmations, &word(&app.manager)).await.refused(409, "state_conflict");
    sign(&stolen, &path, "submission", None).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_printed_name_is_one_persons_whatever_its_case_and_blanks() {
    let app = TestApp::start().await;
    for (code, name) in [("analyst-7", "Analyst-1"), ("analyst-8", " ANALYST -1"), ("analyst-9", "analyst\u{200b}-1")] {
        let new = json!({ "code": code, "display_name": name, "kind": "person" });
        let problem = app.administrator.post("/accounts", &new).await.refused(409, "already_exists");
        assert_eq!(problem["errors"][0]["field"], "display_name", "{problem}");
    }
    let new = json!({ "code": "analyst-7", "display_name": "Analyst 7", "kind": "person" });
    let _ = app.administrator.post("/accounts", &new).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn two_accounts_of_one_person_that_a_store_already_had_are_one_person() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let path = format!("/determinations/{}", lab.iron2_done(["21.46", "21.48"]).await);
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    // As a store of the release before may have it: the name is not yet taken when the second account is made.
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.execute("DELETE FROM printed_names WHERE name_key = 'analyst-1'", &[]).await.unwrap();
    let new = json!({ "code": "second-self", "display_name": "Analyst-1", "kind": "person" });
    let created = app.administrator.post("/accounts", &new).await.expect(201);
    let id = text(&created["account"], "id");
    let grant = json!({ "role": "manager", "effect": "grant", "reason": "promoted this morning" });
    let grant = app.administrator.post(&format!("/accounts/{id}/role-grants"), &grant).await.expect(201);
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    let _ = app.manager.post(&decisions, &json!({ "decision": "approved" })).await.expect(201);
    let password = "a second self has a password, too";
    let token = make_usable(&app.nobody, "second-self", &text(&created, "provisional_password"), password).await;
    let second = app.nobody.with_account(id.parse().unwrap(), "second-self", password).with_token(&token);
    sign(&second, &path, "review", None).await.refused(403, "own_record");
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    lab.release_run_of(&path).await;
    sign(&second, &path, "approval", None).await.refused(403, "own_record");
    let _ = sign_in(&app.nobody, "second-self", password).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_is_authorised_for_a_method_that_does_not_exist() {
    let app = TestApp::start().await;
    let competence = json!({
        "method_code": "M-NONE", "valid_from": day(-1), "valid_to": day(300), "evidence": "seven blind replicates",
    });
    let path = format!("/accounts/{}/competences", app.analyst.id);
    let problem = app.manager.post(&path, &competence).await.refused(422, "unknown_reference");
    assert_eq!(problem["errors"][0]["field"], "method_code", "{problem}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_rejected_on_receipt_takes_no_portion_and_what_is_kept_is_not_disposed_of() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let portion = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(50),
    });
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-2")).await.expect(201), "id");
    let taken = app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201);
    let rejection = json!({ "to": "rejected on receipt", "reason": "the bottle leaked in transit" });
    let _ = app.analyst.post(&format!("/samples/{sample}/moves"), &rejection).await.expect(201);
    app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.refused(409, "state_conflict");
    let run = lab.run(&lab.iron2).await;
    let new = json!({ "run": run, "portion": text(&taken, "id"), "purpose": "sample", "observed_at": minutes_ago(44) });
    app.analyst.post("/determinations", &new).await.refused(409, "state_conflict");
    let mut facts = bench::sample("S-3");
    for (kept, refused) in [(day(0), true), (day(-1), false)] {
        facts["code"] = json!(format!("S-3-{refused}"));
        facts["retained_until"] = json!(kept);
        let sample = text(&app.analyst.post("/samples", &facts).await.expect(201), "id");
        let moves = format!("/samples/{sample}/moves");
        for state in ["accepted", "in analysis", "reported", "archived"] {
            let _ = app.analyst.post(&moves, &json!({ "to": state })).await.expect(201);
        }
        let disposal = json!({ "to": "disposed", "reason": "neutralised and collected" });
        let answer = app.analyst.post(&moves, &disposal).await;
        if refused {
            let problem = answer.refused(422, "rule_broken");
            assert!(problem["detail"].as_str().unwrap().contains(&kept), "{problem}");
        } else {
            let _ = answer.expect(201);
        }
    }
}
