//! Who signs: a person is one, nobody judges their own work, and nobody signs in somebody else's name. ISO/IEC 17025:2017 6.2
//! (personnel), 7.5.1 (who did and who checked) and 7.11.3 (information management).

use ferrotitre_tests::TestApp;
use ferrotitre_tests::app::{make_usable, sign_in};
use ferrotitre_tests::bench::{self, bench, day, days_ahead, minutes_ago, text};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

use crate::lab::{Lab, sign};

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
    let problem = sign(&app.manager, &path, "submission", None).await;
    let problem = problem.refused(403, "not_own_observations");
    assert!(problem["detail"].as_str().unwrap().contains("analyst-1"), "{problem}");
    let signed = sign(&app.analyst, &path, "submission", None).await.expect(201);
    assert_eq!(signed["sign_offs"][0]["statement"], "these are my observations");
    sign(&app.manager, &path, "approval", None).await.refused(403, "own_record");
    let _ = sign(&app.manager2, &path, "approval", None).await.expect(201);
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
    app.manager.sign(&format!("{path}/closing"), None).await.refused(403, "own_record");
    let _ = app.manager2.sign(&format!("{path}/closing"), None).await.expect(201);
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

/// An analyst who is authorised for nothing.
pub(crate) async fn trainee(app: &TestApp) -> Client {
    let new = json!({ "code": "trainee-1", "display_name": "Trainee 1", "kind": "person", "since": day(-10) });
    let created = app.administrator.post("/accounts", &new).await.expect(201);
    let id = text(&created["account"], "id");
    let grant = json!({ "role": "analyst", "effect": "grant", "reason": "new colleague" });
    let grant = app.administrator.post(&format!("/accounts/{id}/role-grants"), &grant).await.expect(201);
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    let _ = app.manager.post(&decisions, &json!({ "decision": "approved" })).await.expect(201);
    let password = "the trainee has a long password";
    let token = make_usable(&app.nobody, "trainee-1", &text(&created, "provisional_password"), password).await;
    app.nobody.with_account(id.parse().unwrap(), "trainee-1", password).with_token(&token)
}

/// ISO/IEC 17025:2017 6.2.5 d: supervision of personnel is among what the laboratory keeps procedures and records for.
#[tokio::test(flavor = "multi_thread")]
async fn who_is_not_authorised_titrates_under_a_supervisor_who_countersigns_before_the_submission() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let trainee = trainee(app).await;
    let run = lab.run(&lab.iron2).await;
    let path = format!("/determinations/{}", lab.begin(&run).await);
    let titrations = format!("{path}/titrations");
    let mut titration = lab.titration("accurate", "21.46", None);
    let problem = trainee.post(&titrations, &titration).await.refused(403, "not_competent");
    assert_eq!(problem["errors"][0]["field"], "supervisor", "{problem}");
    titration["supervisor"] = json!(trainee.id);
    trainee.post(&titrations, &titration).await.refused(422, "invalid_input");
    // The manager is not authorised for the method either.
    titration["supervisor"] = json!(app.manager.id);
    trainee.post(&titrations, &titration).await.refused(403, "not_competent");
    titration["supervisor"] = json!(app.analyst.id);
    for _ in 0..2 {
        let view = trainee.post(&titrations, &titration).await.expect(201);
        assert_eq!(view["titrations"][0]["supervisor"], json!(app.analyst.id));
    }
    // Nor does a manager titrate without being authorised.
    let own = lab.titration("accurate", "21.46", None);
    app.manager.post(&titrations, &own).await.refused(403, "not_competent");
    let problem = sign(&trainee, &path, "submission", None).await.refused(409, "state_conflict");
    assert!(problem["detail"].as_str().unwrap().contains("analyst-1"), "{problem}");
    sign(&app.analyst2, &path, "countersignature", None).await.refused(403, "forbidden");
    sign(&app.analyst, &path, "countersignature", None).await.expect(201);
    // What is recorded after that is not yet countersigned.
    let _ = trainee.post(&titrations, &titration).await.expect(201);
    sign(&trainee, &path, "submission", None).await.refused(409, "state_conflict");
    let signed = sign(&app.analyst, &path, "countersignature", None).await.expect(201);
    let last = signed["sign_offs"].as_array().unwrap().last().unwrap();
    assert_eq!((&last["meaning"], &last["still_valid"]), (&json!("witnessed"), &json!(true)));
    sign(&trainee, &path, "submission", None).await.expect(201);
    // Who supervised is a party.
    sign(&app.analyst, &path, "review", None).await.refused(403, "own_record");
    sign(&app.analyst2, &path, "review", None).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn competence_is_that_of_the_day_of_the_titration_not_of_its_record() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let trainee = trainee(app).await;
    let competence = json!({
        "method_code": "M1", "valid_from": day(0), "valid_to": day(300), "evidence": "seven blind replicates in limits",
    });
    let path = format!("/accounts/{}/competences", trainee.id);
    let _ = app.manager.post(&path, &competence).await.expect(201);
    let portion = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(2 * 1440),
        "late_reason": "taken over from bench book 7",
    });
    let mut sample = bench::sample("S-OLD");
    sample["received_at"] = json!(minutes_ago(3 * 1440));
    let sample = text(&app.analyst.post("/samples", &sample).await.expect(201), "id");
    let portion = app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201);
    let run = json!({
        "method": lab.iron2, "bench": "bench 2", "observed_at": minutes_ago(2 * 1440), "late_reason": "power failure",
    });
    let run = text(&app.analyst.post("/runs", &run).await.expect(201), "id");
    let new = json!({
        "run": run, "portion": text(&portion, "id"), "purpose": "sample", "observed_at": minutes_ago(2 * 1440),
    });
    let determination = text(&app.analyst.post("/determinations", &new).await.expect(201), "id");
    let titrations = format!("/determinations/{determination}/titrations");
    let mut titration = lab.titration("accurate", "21.46", None);
    titration["observed_at"] = json!(minutes_ago(2 * 1440));
    trainee.post(&titrations, &titration).await.refused(403, "not_competent");
    titration["observed_at"] = json!(minutes_ago(5));
    let _ = trainee.post(&titrations, &titration).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_recorded_more_than_a_day_later_needs_a_reason_which_is_kept_beside_it() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let old = minutes_ago(2 * 1440);
    let mut run = json!({ "method": lab.iron2, "bench": "bench 2", "observed_at": old });
    let problem = app.analyst.post("/runs", &run).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "late_reason", "{problem}");
    run["late_reason"] = json!("oh");
    app.analyst.post("/runs", &run).await.refused(422, "invalid_input");
    run["late_reason"] = json!("bench book taken over after the power failure");
    let opened = app.analyst.post("/runs", &run).await.expect(201);
    assert_eq!(opened["late"][0]["reason"], run["late_reason"]);
    // Within a day nothing is asked.
    run["observed_at"] = json!(minutes_ago(1430));
    run["late_reason"] = Value::Null;
    let recent = text(&app.analyst.post("/runs", &run).await.expect(201), "id");
    // A titration dated back needs a reason of its own in a run that was recorded in time, and is covered by one that says why.
    let mut sample = bench::sample("S-OLD");
    sample["received_at"] = json!(minutes_ago(3 * 1440));
    let sample = text(&app.analyst.post("/samples", &sample).await.expect(201), "id");
    let mut portion = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": old,
    });
    let portions = format!("/samples/{sample}/portions");
    app.analyst.post(&portions, &portion).await.refused(422, "invalid_input");
    portion["late_reason"] = json!("weighed before the power failure");
    let portion = text(&app.analyst.post(&portions, &portion).await.expect(201), "id");
    for (run, covered) in [(text(&opened, "id"), true), (recent, false)] {
        let new = json!({ "run": run, "portion": portion, "purpose": "sample", "observed_at": minutes_ago(60) });
        let id = text(&app.analyst.post("/determinations", &new).await.expect(201), "id");
        let titrations = format!("/determinations/{id}/titrations");
        let mut titration = lab.titration("accurate", "21.46", None);
        titration["observed_at"] = json!(minutes_ago(2 * 1440 - 5));
        let answer = app.analyst.post(&titrations, &titration).await;
        if covered {
            let _ = answer.expect(201);
            continue;
        }
        let problem = answer.refused(422, "invalid_input");
        assert_eq!(problem["errors"][0]["field"], "late_reason", "{problem}");
        titration["late_reason"] = json!("written down during the power failure");
        let view = app.analyst.post(&titrations, &titration).await.expect(201);
        assert!(view["late"].to_string().contains("during the power failure"), "{}", view["late"]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_observed_before_what_it_was_observed_with_was_there() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let late = "taken over from bench book 7";
    let refused = |problem: Value, what: &str| {
        let error = &problem["errors"][0];
        assert_eq!((&error["field"], &error["rule"]), (&json!("observed_at"), &json!("existed")), "{what}: {problem}");
    };
    // The sample came two hours ago.
    let portion = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(180),
    });
    let samples = app.auditor.get("/samples").await.expect(200);
    let path = format!("/samples/{}/portions", text(&samples["items"][0], "id"));
    refused(app.analyst.post(&path, &portion).await.refused(422, "invalid_input"), "sample");
    // The portion was taken fifty minutes ago.
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let mut titration = lab.titration("accurate", "21.46", None);
    titration["observed_at"] = json!(minutes_ago(55));
    let titrations = format!("/determinations/{determination}/titrations");
    refused(app.analyst.post(&titrations, &titration).await.refused(422, "invalid_input"), "portion");
    // The lot was made up ten hours ago.
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let lot = json!({
        "code": "D-8", "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "direct preparation", "factor_low": "0.980", "factor_high": "1.020", "storage": "dark, 20 C",
        "container": "amber glass, 1 L", "expires_at": days_ahead(90), "observed_at": minutes_ago(600),
    });
    let lot = text(&app.analyst.post("/titrants", &lot).await.expect(201), "id");
    let preparation = json!({
        "titrant": lot, "primary_standard": text(&standards["items"][0], "version_id"), "mass_g": "4.9032",
        "balance": lab.bench.balance, "flask": lab.bench.flask_1000, "solution_temperature": "20.0",
        "observed_at": minutes_ago(700),
    });
    refused(app.analyst.post("/preparations", &preparation).await.refused(422, "invalid_input"), "lot");
    // The account's owner came ten days ago.
    let trainee = trainee(app).await;
    let run = json!({
        "method": lab.iron2, "bench": "bench 2", "observed_at": minutes_ago(12 * 1440), "late_reason": late,
    });
    refused(trainee.post("/runs", &run).await.refused(422, "invalid_input"), "account");
    let _ = app.analyst.post("/runs", &run).await.expect(201);
    // The burette was first calibrated a hundred days ago.
    let check = json!({ "outcome": "passed", "observed_at": minutes_ago(120 * 1440), "late_reason": late });
    let checks = format!("/equipment/{}/checks", lab.bench.burette);
    refused(app.analyst.post(&checks, &check).await.refused(422, "invalid_input"), "equipment");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_method_names_how_many_distinct_people_sign_its_results() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let mut rules = crate::lab::rules();
    rules["distinct_people"] = json!(2);
    let few = json!({
        "code": "M9", "title": "iron(II)", "principle": "titration with dichromate", "analyte": "iron(II)",
        "matrix": "hydrochloric pickling bath", "chemistry": "dichromate", "reduction": "none",
        "indicator": "diphenylamine sulfonate", "rules": rules,
    });
    app.manager.post("/methods", &few).await.refused(422, "invalid_input");
    rules["distinct_people"] = json!(4);
    let method = crate::lab::method_with(app, ("M8", "iron(II)", "none"), rules).await;
    let run = lab.run(&method).await;
    let path = format!("/determinations/{}", lab.begin(&run).await);
    for _ in 0..2 {
        let titration = lab.titration("accurate", "21.46", None);
        let _ = app.analyst.post(&format!("{path}/titrations"), &titration).await.expect(201);
    }
    lab.close(&run).await;
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    lab.release_run_of(&path).await;
    let problem = sign(&app.manager, &path, "approval", None).await.refused(422, "rule_broken");
    assert!(problem["detail"].as_str().unwrap().contains("4 distinct people"), "{problem}");
    sign(&app.analyst2, &path, "review", None).await.refused(403, "own_record");
    let twice = sign(&app.manager2, &path, "review", None).await.expect(201);
    assert_eq!(twice["state"], "reviewed");
    sign(&app.manager2, &path, "approval", None).await.refused(403, "own_record");
    assert_eq!(sign(&app.manager, &path, "approval", None).await.expect(201)["state"], "approved");
}
