//! A store of the release before pins: its signatures get the rows they stand over, and one that fits none is marked.

use ferrotitre_api::migrate;
use ferrotitre_base::db::Db;
use ferrotitre_results::determinations::adoption::{Adopted, adopt};
use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::json;

use super::*;

const BACK: &str = include_str!("../../../migrations/2026-11-28-000040_pins/down.sql");

#[tokio::test(flavor = "multi_thread")]
async fn its_signatures_stand_over_what_was_signed_and_a_digest_that_fits_nothing_is_marked() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    let total = format!("/determinations/{total}");
    lab.through(&total).await;
    let id = |path: &str| path.trim_start_matches("/determinations/").to_owned();
    let new = json!({ "code": "FE3-1", "total": id(&total), "iron2": id(&path), "observed_at": minutes_ago(5) });
    let result = text(&app.analyst.post("/iron-results", &new).await.expect(201), "id");
    let iron3 = lab.through(&format!("/iron-results/{result}")).await;
    let odd = format!("/determinations/{}", lab.iron2_done(["21.50", "21.52"]).await);
    sign(&app.analyst, &odd, "submission", None).await.expect(201);
    let superuser = app.sql(DatabaseRole::Superuser).await;
    let rows = "SELECT s.entity_id, (SELECT array_agg(row ORDER BY row) FROM unnest(p.row_ids) row) \
                FROM pins p JOIN sign_offs s ON s.id = p.sign_off_id WHERE s.entity_id <> $1::text::uuid ORDER BY 1";
    let read = async || {
        let rows = superuser.query(rows, &[&id(&odd)]).await.unwrap();
        rows.iter().map(|row| (row.get::<_, uuid::Uuid>(0), row.get::<_, Vec<uuid::Uuid>>(1))).collect::<Vec<_>>()
    };
    let pinned = read().await;
    assert!(pinned.len() >= 4, "a preparation, two determinations and an iron result: {}", pinned.len());

    // Back to the schema of the release before, in which a corrected portion valued everything anew.
    app.sql(DatabaseRole::Owner).await.batch_execute(BACK).await.unwrap();
    let forget = format!(
        "DELETE FROM __diesel_schema_migrations WHERE version = '20261128000040'; \
         ALTER TABLE sign_offs DISABLE TRIGGER USER; \
         UPDATE sign_offs SET content_digest = repeat('a', 64) WHERE entity_id = '{}'; \
         ALTER TABLE sign_offs ENABLE TRIGGER USER; \
         BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"test\"}}', true); \
         INSERT INTO test_portions (id, record_id, version, supersedes, reason, sample_id, taken_by, pipette_id, \
         aliquot_pipette_id, observed_at, recorded_by) SELECT gen_random_uuid(), record_id, 2, id, 'the other pipette was used', \
         sample_id, taken_by, '{}', aliquot_pipette_id, observed_at, recorded_by FROM test_portions; COMMIT",
        id(&odd),
        lab.bench.pipette_25
    );
    superuser.batch_execute(&forget).await.unwrap();

    migrate::run(&app.shared.address(DatabaseRole::Owner, &app.database)).await.unwrap();
    let db = Db::for_worker(&app.shared.address(DatabaseRole::Service, &app.database)).unwrap();
    assert_eq!(adopt(&db).await.unwrap(), Adopted { pinned: pinned.len(), marked: 1 });
    assert_eq!(adopt(&db).await.unwrap(), Adopted::default(), "a second time has nothing to do");
    assert_eq!(read().await, pinned, "the same rows as were pinned with the signature");
    crate::factors::nothing_is_found(&lab).await;

    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&after), signed_part(&signed));
    assert!(after["since"]["touched"].to_string().contains("test portion corrected"), "{}", after["since"]);
    let after = app.auditor.get(&format!("/iron-results/{result}")).await.expect(200);
    assert_eq!(after["evaluation"], iron3["evaluation"]);
    let marked = app.auditor.get(&odd).await.expect(200);
    assert!(marked["since"]["words"].to_string().contains("fits no rows on record"), "{}", marked["since"]);
    assert_eq!(marked["sign_offs"][0]["still_valid"], false);
    sign(&app.analyst2, &odd, "review", None).await.refused(409, "state_conflict");
}

/// ISO/IEC 17025:2017, 8.4 (from memory): records stay, whichever release reads them.
#[tokio::test(flavor = "multi_thread")]
async fn the_schema_of_the_release_before_is_gone_back_to_after_a_corrected_calibration_and_a_nonconformity() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let _ = approved(&lab).await;
    let calibrations = format!("/equipment/{}/calibrations", lab.bench.flask_250);
    let wrong = app.auditor.get(&calibrations).await.expect(200)[0].clone();
    let mut facts = ferrotitre_tests::bench::calibration(Some("251.00"), "0.08");
    facts["calibrated_on"] = wrong["calibrated_on"].clone();
    let correction = json!({ "reason": "the volume was misread from the certificate", "facts": facts });
    let _ =
        app.manager.post(&format!("/calibrations/{}/corrections", text(&wrong, "id")), &correction).await.expect(201);
    let opened = app.auditor.get("/nonconformities").await.expect(200)["items"][0].clone();
    assert_eq!(opened["source"], "signed result touched", "{opened}");

    let owner = app.sql(DatabaseRole::Owner).await;
    owner.batch_execute(BACK).await.unwrap();
    // A day still has one calibration that counts, by the name that the release before knows; both that are there stay.
    let superuser = app.sql(DatabaseRole::Superuser).await;
    let again = |of: &str| {
        format!(
            "BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"test\"}}', true); \
             INSERT INTO equipment_calibrations SELECT (jsonb_populate_record(c, jsonb_build_object('id', gen_random_uuid()))).* \
             FROM equipment_calibrations c WHERE c.equipment_id = '{of}' LIMIT 1; COMMIT"
        )
    };
    for piece in [&lab.bench.flask_250, &lab.bench.flask_1000] {
        let refused = superuser.batch_execute(&again(piece)).await.unwrap_err();
        let refused = refused.as_db_error().unwrap();
        assert_eq!(refused.constraint(), Some("equipment_calibrations_day_once"), "{refused:?}");
        superuser.batch_execute("ROLLBACK").await.unwrap();
    }
    let kept = "SELECT count(*) FROM equipment_calibrations WHERE equipment_id = $1::text::uuid";
    let kept: i64 = superuser.query_one(kept, &[&lab.bench.flask_250]).await.unwrap().get(0);
    assert_eq!(kept, 2);
    // And forward again.
    superuser.batch_execute("DELETE FROM __diesel_schema_migrations WHERE version = '20261128000040'").await.unwrap();
    migrate::run(&app.shared.address(DatabaseRole::Owner, &app.database)).await.unwrap();
    let read = app.auditor.get(&calibrations).await.expect(200);
    assert_eq!(read.as_array().unwrap().len(), 2, "{read}");
}
