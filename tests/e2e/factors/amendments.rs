//! Replicates corrected under an amendment of their standardisation: which factor counts from then on, and what tells of it.

use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::json;

use super::{MISREAD, close, correct, determined, factors, iron, nothing_is_found, replicate, standardised};
use crate::lab::{Lab, sign};
use crate::signed::{amend, grams_per_litre, signed_part};

/// Back to the release before corrected factors.
const BACK: &str = include_str!("../../../migrations/2026-11-29-000102_factor_corrections/down.sql");

/// One of three masses of 0.1396 g was 0.1394 g: the mean of 0.1396, 0.1396 and 0.1394 is 0.1395333, so that the factor and with it
/// the content are 0.9995225 of what they were, by hand. Nothing was on record that would have told of it: the corrected factor
/// itself marks the results and opens the nonconformity.
#[tokio::test(flavor = "multi_thread")]
async fn a_misread_replicate_is_corrected_under_an_amendment_and_the_factor_itself_tells_of_it() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [lot, standard, standardisation] = standardised(&lab).await;
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    let approved = sign(&app.manager, &standardisation, "approval", None).await.expect(201);
    let path = determined(&lab, &lot).await;
    let signed = lab.through(&path).await;
    // What changes nothing opens nothing, and does not hide what comes after it.
    let mut renamed = iron(MISREAD);
    renamed["supplier"] = json!("reference materials, new name");
    let _ = correct(&lab, &standard, &renamed).await.expect(201);
    assert_eq!(app.auditor.get("/nonconformities").await.expect(200)["items"], json!([]));
    let titration = approved["titrations"][0].clone();
    let mut right = replicate();
    right["mass_g"] = json!("0.1394");
    right["observed_at"] = titration["observed_at"].clone();
    let correction = json!({ "reason": "0.1394 g stand in the bench book", "facts": right });
    let corrections = format!("/standardisation-titrations/{}/corrections", text(&titration, "id"));
    let version = text(&titration, "version_id");
    let refused = app.analyst.post_if_match(&corrections, &version, &correction).await.refused(409, "state_conflict");
    assert!(text(&refused, "detail").contains("a manager must amend it"), "{refused}");
    let reason = "a mass was misread";
    sign(&app.manager, &standardisation, "amendment", Some(reason)).await.expect(201);
    // Two replicates are no factor, and none can be added: rejecting one would leave the wrong factor for good.
    let rejection = json!({ "cause": "other", "reason": "a drop was lost" });
    let rejections = format!("/standardisation-titrations/{}/rejection", text(&titration, "id"));
    let refused = app.analyst.post(&rejections, &rejection).await.refused(409, "state_conflict");
    assert!(text(&refused, "detail").contains("withdraw the lot"), "{refused}");
    let _ = app.analyst.post_if_match(&corrections, &version, &correction).await.expect(201);
    // Nothing is signed with the lot while its standardisation no longer gives its factor.
    let other = determined(&lab, &lot).await;
    sign(&app.analyst, &other, "submission", None).await.refused(422, "rule_broken");
    let since = app.auditor.get(&path).await.expect(200)["since"].to_string();
    assert!(!since.contains("factor of D-7 corrected"), "nothing counts before it is approved: {since}");
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    nothing_is_found(&lab).await;
    let id = path.trim_start_matches("/determinations/");
    let opened = app.auditor.get(&format!("/nonconformities?entity={id}")).await.expect(200);
    assert_eq!(opened["items"][0]["title"], json!(format!("factor of D-7 corrected: {reason}")), "{opened}");
    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&after)["evaluation"], signed_part(&signed)["evaluation"]);
    close(
        grams_per_litre(&app.auditor.get(&other).await.expect(200)) / grams_per_litre(&signed),
        0.139_533_333 / 0.1396,
    );
    sign(&app.analyst, &other, "submission", None).await.expect(201);
    // A second amendment corrects the corrected factor; the first signature stands over the first of the three all the same.
    // The same holds where the factor was made by the formulae of an earlier release.
    let superuser = app.sql(DatabaseRole::Superuser).await;
    superuser
        .batch_execute(
            "BEGIN; SET LOCAL session_replication_role = replica; \
             UPDATE titrant_factors SET formula_set = 'ferrotitre formulae 2' WHERE standardisation_id IS NOT NULL; COMMIT",
        )
        .await
        .unwrap();
    sign(&app.manager, &standardisation, "amendment", Some("the bench book was right")).await.expect(201);
    let read = app.auditor.get(&standardisation).await.expect(200);
    let present = read["titrations"].as_array().unwrap().iter().rfind(|one| one["id"] == titration["id"]).unwrap();
    right["mass_g"] = json!("0.1396");
    let back = json!({ "reason": "0.1396 g was right after all", "facts": right });
    let _ = app.analyst.post_if_match(&corrections, &text(present, "version_id"), &back).await.expect(201);
    sign(&app.analyst, &determined(&lab, &lot).await, "submission", None).await.refused(422, "rule_broken");
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    assert_eq!(factors(&lab, &lot).await.len(), 3);
    for place in [&path, &other] {
        let said = app.auditor.get(place).await.expect(200)["since"]["words"].to_string();
        assert!(said.contains("factor of D-7 corrected: the bench book was right"), "{place}: {said}");
    }
    let first = app.auditor.get(&path).await.expect(200);
    assert_eq!(first["evaluation"], signed["evaluation"]);
    assert!(
        first["since"]["words"].to_string().contains("the reported figure would be the same"),
        "{}",
        first["since"]
    );
    // Signed again with the factor as it is now: every signature stands over the figure that its own rows give.
    let _ = amend(&lab, &path, "the factor was corrected").await;
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let honest = ferrotitre_results::determinations::again::again(&connection, |_| ()).await.unwrap();
    assert_eq!((honest.findings.clone(), honest.agree), (Vec::new(), 5), "{honest:?}");
    // The release before is gone back to, and forward again: the factors that were corrected stay beside those in their place.
    app.sql(DatabaseRole::Owner).await.batch_execute(BACK).await.unwrap();
    let superuser = app.sql(DatabaseRole::Superuser).await;
    superuser.batch_execute("DELETE FROM __diesel_schema_migrations WHERE version = '20261129000102'").await.unwrap();
    ferrotitre_api::migrate::run(&app.shared.address(DatabaseRole::Owner, &app.database)).await.unwrap();
    assert_eq!(factors(&lab, &lot).await.len(), 3);
}

/// Three times 0.1396 g that were 0.1424 g: 1.02006 of the factor that was, by hand, and above the limit of the lot, 1.010. What was
/// titrated has that factor nevertheless; nothing more is titrated with the lot.
#[tokio::test(flavor = "multi_thread")]
async fn a_corrected_factor_outside_the_limits_counts_for_what_was_titrated_and_suspends_the_lot() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [lot, _, standardisation] = standardised(&lab).await;
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    let approved = sign(&app.manager, &standardisation, "approval", None).await.expect(201);
    let path = determined(&lab, &lot).await;
    let before = grams_per_litre(&app.auditor.get(&path).await.expect(200));
    sign(&app.manager, &standardisation, "amendment", Some("the tare was forgotten")).await.expect(201);
    for titration in approved["titrations"].as_array().unwrap() {
        let mut right = replicate();
        right["mass_g"] = json!("0.1424");
        right["observed_at"] = titration["observed_at"].clone();
        let correction = json!({ "reason": "the tare was forgotten", "facts": right });
        let corrections = format!("/standardisation-titrations/{}/corrections", text(titration, "id"));
        let _ = app.analyst.post_if_match(&corrections, &text(titration, "version_id"), &correction).await.expect(201);
    }
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    close(grams_per_litre(&app.auditor.get(&path).await.expect(200)) / before, 0.1424 / 0.1396);
    let read = app.auditor.get(&format!("/titrants/{lot}")).await.expect(200);
    assert_eq!(read["state"], "suspended", "{read}");
    let reason = read["moves"].as_array().unwrap().last().unwrap()["reason"].to_string();
    assert!(reason.contains("outside the limits of the lot"), "{reason}");
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    nothing_is_found(&lab).await;
}
