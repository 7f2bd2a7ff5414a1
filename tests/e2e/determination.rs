//! Determinations as the roles of a laboratory would carry them out, and the scenario's events.

use ferrotitre_tests::bench::{days_ahead, minutes_ago, text};
use serde_json::{Value, json};

use crate::lab::{Lab, dichromate, sign};

/// Standard atomic weight of iron, CIAAW 2021.
const IRON: f64 = 55.845;

fn evaluation_titres(determination: &Value) -> Vec<(String, String)> {
    let titres = determination["evaluation"]["titres"].as_array().unwrap();
    titres.iter().map(|titre| (text(titre, "difference_ml"), text(titre, "fate"))).collect()
}

fn figure(determination: &Value, unit: &str) -> f64 {
    let figures = determination["evaluation"]["figures"].as_array().unwrap();
    let found = figures.iter().find(|figure| figure["unit"] == unit && figure["expressed"] == "Fe");
    found.unwrap()["value"].as_f64().unwrap()
}

#[track_caller]
fn assert_near(found: f64, expected: f64, relative: f64) {
    assert!((found / expected - 1.0).abs() < relative, "{found} is not {expected}");
}

#[tokio::test(flavor = "multi_thread")]
async fn iron_ii_total_iron_and_iron_iii_from_the_balance_to_the_approval() {
    let lab = Lab::open().await;
    let factors = lab.app.auditor.get(&format!("/titrants/{}/factors", lab.titrant)).await.expect(200);
    let c: f64 = factors[0]["concentration"].as_str().unwrap().parse().unwrap();
    // m P B / M with B = (1 - 0.0012/8.0) / (1 - 0.0012/2.676) and M = 294.181 g/mol (CIAAW 2021), made up at 20 C.
    let buoyancy = (1.0 - 0.0012 / 8.0) / (1.0 - 0.0012 / 2.676);
    assert_near(c, 4.9032 * 0.9998 * buoyancy / 294.181, 1e-5);
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    lab.titrate(&total, &lab.titration("rough", "24.10", Some("slight white"))).await;
    for last in ["23.16", "23.18", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    let path = format!("/determinations/{total}");
    // Nothing of an open run can be approved.
    sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    sign(&lab.app.analyst2, &path, "review", None).await.expect(201);
    sign(&lab.app.manager, &path, "approval", None).await.refused(409, "state_conflict");
    lab.close(&run).await;
    sign(&lab.app.manager, &path, "approval", None).await.refused(409, "state_conflict");
    lab.release_run_of(&path).await;
    let approved = sign(&lab.app.manager, &path, "approval", None).await.expect(201);
    assert_eq!(approved["state"], "approved");
    let fates = evaluation_titres(&approved);
    let rough = ("24.10".to_owned(), "rough".to_owned());
    assert_eq!(fates[0], rough, "b: a rough titre is kept and never averaged");
    assert!(fates[1..].iter().all(|(_, fate)| fate == "used"), "{fates:?}");
    // Mean of the three accurate titres only.
    let mean = (23.16 + 23.18 + 23.18) / 3.0;
    assert_near(approved["evaluation"]["titre_ml"].as_f64().unwrap(), mean, 1e-12);
    // V c 6 M(Fe) / 25 mL, 10 mL to 250 mL.
    let per_ml = c * 6.0 * IRON / 25.0 * 25.0;
    assert_near(figure(&approved, "g/L"), mean * per_ml, 1e-9);
    let approved = lab.through(&format!("/determinations/{iron2}")).await;
    assert_near(figure(&approved, "g/L"), 21.46 * per_ml, 1e-9);
    let meanings: Vec<String> =
        approved["sign_offs"].as_array().unwrap().iter().map(|sign| text(sign, "meaning")).collect();
    assert_eq!(meanings, ["authored", "reviewed", "approved"]);
    assert!(approved["sign_offs"].as_array().unwrap().iter().all(|sign| sign["still_valid"] == true));
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let result = lab.app.analyst.post("/iron-results", &new).await.expect(201);
    let result = lab.through(&format!("/iron-results/{}", text(&result, "id"))).await;
    assert_eq!(result["state"], "approved");
    let iron3 = &result["evaluation"];
    assert_near(iron3["value"].as_f64().unwrap(), (mean - 21.46) * per_ml, 1e-9);
    // Titrant, pipettes and flask are common to both: their error must not be counted twice.
    assert!(iron3["u"].as_f64().unwrap() < iron3["u_if_independent"].as_f64().unwrap(), "{iron3}");
    let working = lab.app.auditor.get(&format!("/iron-results/{}/working", text(&result, "id"))).await;
    assert_eq!(working.status, 200);
    for entered in ["23.16", "23.18", "21.46"] {
        assert!(working.text.contains(entered), "the working shows {entered}:\n{}", working.text);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_slip_of_one_millilitre_is_queried_and_its_correction_leaves_both_versions_to_be_seen() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    for last in ["21.46", "21.46"] {
        lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
    }
    let slipped = lab.titrate(&determination, &lab.titration("accurate", "22.46", None)).await;
    let titre = &slipped["evaluation"]["titres"][2];
    assert!(!titre["queries"].as_array().unwrap().is_empty(), "{titre}");
    assert_eq!(slipped["evaluation"]["progress"]["complete"], false, "a query does not remove the titre");
    let titration = slipped["titrations"].as_array().unwrap().last().unwrap();
    let path = format!("/titrations/{}/corrections", text(titration, "id"));
    let facts = lab.titration("accurate", "21.46", None);
    let unreasoned = json!({ "reason": "", "facts": facts });
    let version = text(titration, "version_id");
    lab.app.analyst.post_if_match(&path, &version, &unreasoned).await.refused(422, "invalid_input");
    let correction = json!({ "reason": "read 22 for 21 on the bench sheet", "facts": facts });
    lab.app.analyst.post(&path, &correction).await.refused(428, "version_required");
    let corrected = lab.app.analyst.post_if_match(&path, &version, &correction).await.expect(201);
    lab.app.analyst.post_if_match(&path, &version, &correction).await.refused(412, "stale_version");
    assert_eq!(corrected["evaluation"]["progress"]["complete"], true, "{}", corrected["evaluation"]["progress"]);
    assert_near(corrected["evaluation"]["titre_ml"].as_f64().unwrap(), 21.46, 1e-12);
    let history = lab.app.auditor.get(&format!("/titrations/{}", text(titration, "id"))).await.expect(200);
    let versions = history["versions"].as_array().unwrap();
    let seen: Vec<&str> = versions.iter().map(|one| one["final_readings"][0].as_str().unwrap()).collect();
    assert_eq!(seen, ["22.46", "21.46"]);
    assert_eq!(versions[0]["state"], "superseded");
    assert_eq!(versions[1]["reason"], "read 22 for 21 on the bench sheet");
    let shown: Vec<(String, String)> = evaluation_titres(&corrected);
    assert!(shown.contains(&("22.46".to_owned(), "superseded".to_owned())), "{shown:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn failed_reductions_are_kept_and_never_used() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.total).await;
    let determination = lab.begin(&run).await;
    for seen in ["grey", "heavy white", "none"] {
        lab.titrate(&determination, &lab.titration("accurate", "23.60", Some(seen))).await;
    }
    let mut without = lab.titration("accurate", "23.18", None);
    let path = format!("/determinations/{determination}/titrations");
    lab.app.analyst.post(&path, &without).await.refused(422, "invalid_input");
    without["reduction"] = Value::Null;
    lab.app.analyst.post(&path, &without).await.refused(422, "invalid_input");
    for last in ["23.18", "23.20"] {
        lab.titrate(&determination, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    let read = lab.app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    let fates: Vec<String> = evaluation_titres(&read).into_iter().map(|(_, fate)| fate).collect();
    assert_eq!(fates, ["failed reduction", "failed reduction", "failed reduction", "used", "used"]);
    for titre in &read["evaluation"]["titres"].as_array().unwrap()[..3] {
        assert_eq!(titre["reduction"], "failed");
        assert!(!titre["reasons"].as_array().unwrap().is_empty(), "{titre}");
    }
    assert_near(read["evaluation"]["titre_ml"].as_f64().unwrap(), 23.19, 1e-12);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_blank_without_iron_is_refused_with_the_reason() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let blank = json!({
        "kind": "reagent", "titrant": lab.titrant, "burette": lab.bench.burette, "initial_readings": ["0.00"],
        "final_readings": ["0.04"], "solution_temperature": "20.0", "indicator_drops": 6, "end_point": "violet",
        "observed_at": minutes_ago(30),
    });
    let path = format!("/runs/{run}/blanks");
    let problem = lab.app.analyst.post(&path, &blank).await.refused(422, "blank_without_iron");
    assert!(problem["detail"].as_str().unwrap().contains("iron(II)"), "{problem}");
    assert_eq!(problem["errors"][0]["field"], "kind");
    assert_eq!(lab.app.row_counts(&["blanks"]).await, [0]);
    let mut with_iron = blank.clone();
    with_iron["kind"] = json!("reagent with iron(II)");
    with_iron["final_readings"] = json!(["1.04"]);
    lab.app.analyst.post(&path, &with_iron).await.refused(422, "invalid_input");
    with_iron["iron_equivalent_ml"] = json!("1.00");
    let _ = lab.app.analyst.post(&path, &with_iron).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_expired_titrant_is_refused_and_usable_only_under_a_concession_of_two_managers() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let standard = text(&standards["items"][0], "version_id");
    let expired = json!(chrono::Utc::now() - chrono::Duration::days(1));
    let old = dichromate(app, &lab.bench, &standard, "D-0", expired, minutes_ago(10 * 1440)).await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let path = format!("/determinations/{determination}/titrations");
    let mut titration = lab.titration("accurate", "21.46", None);
    titration["titrant"] = json!(old);
    let problem = app.analyst.post(&path, &titration).await.refused(422, "item_expired");
    assert_eq!((&problem["errors"][0]["field"], &problem["errors"][0]["value"]), (&json!("titrant"), &json!("D-0")));
    let ask = json!({
        "item_kind": "titrants", "item": old, "reason": "the new lot arrives on Monday; control in range",
        "valid_from": minutes_ago(600), "valid_to": days_ahead(2),
    });
    let mut elsewhere = ask.clone();
    elsewhere["item_kind"] = json!("equipment");
    let problem = app.analyst.post("/concessions", &elsewhere).await.refused(422, "unknown_reference");
    assert_eq!(problem["errors"][0]["field"], json!("item"), "a titrant lot is no equipment");
    let concession = text(&app.analyst.post("/concessions", &ask).await.expect(201), "id");
    titration["concession"] = json!(concession);
    let refused = app.analyst.post(&path, &titration).await;
    assert!((400..500).contains(&refused.status), "not signed yet: {}", refused.text);
    let signatures = format!("/concessions/{concession}/signatures");
    app.analyst2.sign(&signatures, None).await.refused(403, "forbidden");
    let unseen = json!({ "password": app.manager.password });
    app.manager.post(&signatures, &unseen).await.refused(412, "stale_version");
    let once = app.manager.sign(&signatures, None).await.expect(201);
    assert_eq!(once["state"], "requested");
    app.manager.sign(&signatures, None).await.refused(403, "own_record");
    let refused = app.analyst.post(&path, &titration).await;
    assert!((400..500).contains(&refused.status), "one signature is not enough: {}", refused.text);
    let twice = app.manager2.sign(&signatures, None).await.expect(201);
    assert_eq!(twice["state"], "granted");
    let recorded = app.analyst.post(&path, &titration).await.expect(201);
    assert!(recorded["flags"].to_string().contains("concession"), "shown on the record: {}", recorded["flags"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_reviews_or_approves_their_own_work_even_after_a_change_of_role() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let path = format!("/determinations/{}", lab.iron2_done(["21.46", "21.48"]).await);
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.analyst, &path, "review", None).await.refused(403, "own_record");
    let grant = json!({ "role": "manager", "effect": "grant", "reason": "promoted this morning" });
    let grants = format!("/accounts/{}/role-grants", app.analyst.id);
    let grant = app.administrator.post(&grants, &grant).await.expect(201);
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    let _ = app.manager.post(&decisions, &json!({ "decision": "approved" })).await.expect(201);
    let own = app.analyst.get("/accounts/me").await.expect(200);
    assert_eq!(own["roles"], json!(["analyst", "manager"]));
    sign(&app.analyst, &path, "review", None).await.refused(403, "own_record");
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    lab.release_run_of(&path).await;
    sign(&app.analyst, &path, "approval", None).await.refused(403, "own_record");
    sign(&app.analyst2, &path, "approval", None).await.refused(403, "forbidden");
    assert_eq!(sign(&app.manager, &path, "approval", None).await.expect(201)["state"], "approved");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_analyst_without_the_competence_does_not_review_and_a_stale_look_signs_nothing() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let path = format!("/determinations/{}", lab.iron2_done(["21.46", "21.48"]).await);
    let digest = text(&app.auditor.get(&path).await.expect(200), "content_digest");
    let stale = json!({ "password": app.analyst.password, "content_digest": "0".repeat(64) });
    app.analyst.post(&format!("{path}/submission"), &stale).await.refused(412, "stale_version");
    let seen = json!({ "password": app.analyst.password, "content_digest": digest });
    let _ = app.analyst.post(&format!("{path}/submission"), &seen).await.expect(201);
    let new = json!({ "code": "analyst-9", "display_name": "Analyst 9", "kind": "person" });
    let created = app.administrator.post("/accounts", &new).await.expect(201);
    let id = text(&created["account"], "id");
    let grant = json!({ "role": "analyst", "effect": "grant", "reason": "new colleague" });
    let grant = app.administrator.post(&format!("/accounts/{id}/role-grants"), &grant).await.expect(201);
    let decisions = format!("/role-grants/{}/decisions", text(&grant, "id"));
    let _ = app.manager.post(&decisions, &json!({ "decision": "approved" })).await.expect(201);
    let password = "the ninth has a long password";
    let provisional = text(&created, "provisional_password");
    let token = ferrotitre_tests::app::make_usable(&app.nobody, "analyst-9", &provisional, password).await;
    let ninth = app.nobody.with_account(id.parse().unwrap(), "analyst-9", password).with_token(&token);
    sign(&ninth, &path, "review", None).await.refused(403, "not_competent");
    let wrong = json!({ "password": "not the password at all" });
    app.analyst2.post(&format!("{path}/review"), &wrong).await.refused(403, "secret_wrong");
    sign(&app.analyst2, &path, "review", None).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_amendment_revokes_the_signatures_and_another_manager_approves_anew() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let path = format!("/determinations/{}", lab.iron2_done(["21.44", "21.46"]).await);
    let approved = lab.through(&path).await;
    let frozen = approved["content_digest"].clone();
    let titration = approved["titrations"].as_array().unwrap().last().unwrap().clone();
    let corrections = format!("/titrations/{}/corrections", text(&titration, "id"));
    let reason = "the bench sheet says 21.48, not 21.46";
    let correction = json!({ "reason": reason, "facts": lab.titration("accurate", "21.48", None) });
    let version = text(&titration, "version_id");
    app.manager.post_if_match(&corrections, &version, &correction).await.refused(409, "state_conflict");
    sign(&app.manager, &path, "amendment", None).await.refused(422, "invalid_input");
    let amended = sign(&app.manager, &path, "amendment", Some(reason)).await.expect(201);
    assert_eq!(amended["state"], "amended");
    let corrected = app.manager.post_if_match(&corrections, &version, &correction).await.expect(201);
    assert_ne!(corrected["content_digest"], frozen);
    let old = corrected["sign_offs"].as_array().unwrap();
    let approval = old.iter().find(|sign| sign["meaning"] == "approved").unwrap();
    assert_eq!((&approval["still_valid"], &approval["content_digest"]), (&json!(false), &frozen));
    let signed = sign(&app.manager, &path, "submission", None).await.expect(201);
    let said = signed["sign_offs"].as_array().unwrap().last().unwrap();
    assert_eq!(said["statement"], "these are the observations of analyst-1, with my corrections");
    sign(&app.manager, &path, "review", None).await.refused(403, "own_record");
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    sign(&app.manager, &path, "approval", None).await.refused(403, "own_record");
    let again = sign(&app.manager2, &path, "approval", None).await.expect(201);
    assert_eq!(again["state"], "approved");
    let approvals: Vec<&Value> =
        again["sign_offs"].as_array().unwrap().iter().filter(|sign| sign["meaning"] == "approved").collect();
    let held: Vec<&Value> = approvals.iter().map(|sign| &sign["still_valid"]).collect();
    assert_eq!(held, [&json!(false), &json!(true)]);
    // What was signed first stays as it was, bit for bit.
    let id = path.trim_start_matches("/determinations/");
    let kept = app.auditor.get(&format!("/sign-offs?entity={id}")).await.expect(200);
    let first = kept.as_array().unwrap().iter().find(|sign| sign["meaning"] == "approved").unwrap();
    assert_near(first["evaluation"]["titre_ml"].as_f64().unwrap(), 21.45, 1e-12);
    assert_near(again["evaluation"]["titre_ml"].as_f64().unwrap(), 21.46, 1e-12);
}

#[tokio::test(flavor = "multi_thread")]
async fn iron_iii_negative_beyond_its_uncertainty_opens_a_nonconformity() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let iron2 = lab.iron2_done(["23.16", "23.18"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["21.44", "21.46"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    for determination in [&total, &iron2] {
        lab.through(&format!("/determinations/{determination}")).await;
    }
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let result = text(&app.analyst.post("/iron-results", &new).await.expect(201), "id");
    assert_eq!(app.row_counts(&["nonconformities"]).await, [0]);
    let signed = sign(&app.analyst, &format!("/iron-results/{result}"), "submission", None).await.expect(201);
    assert!(signed["evaluation"]["value"].as_f64().unwrap() < 0.0, "a negative difference is kept: {signed}");
    let found = app.auditor.get(&format!("/nonconformities?entity={result}")).await.expect(200);
    assert_eq!(found["items"][0]["source"], "negative iron(III)");
    let links = found["items"][0]["links"].as_array().unwrap();
    assert!(links.iter().any(|link| link["entity"] == json!(total)), "{links:?}");
}
