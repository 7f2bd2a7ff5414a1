//! Checks of equipment beside a use, however long ago that was.

use super::*;

#[tokio::test(flavor = "multi_thread")]
async fn an_old_result_shows_the_checks_on_either_side_of_it_and_none_that_was_corrected() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, _) = approved(&lab).await;
    let checks = format!("/equipment/{}/checks", lab.bench.burette);
    let check = |outcome: &str, minutes: i64| json!({ "outcome": outcome, "note": "delivery weighed", "observed_at": minutes_ago(minutes) });
    // It was titrated half an hour ago: before that two checks, of which the later was a slip; after it the same.
    let before = app.analyst.post(&checks, &check("passed", 60)).await.expect(201);
    let slip = app.analyst.post(&checks, &check("failed", 50)).await.expect(201);
    let after = app.analyst.post(&checks, &check("passed", 15)).await.expect(201);
    let correction =
        json!({ "reason": "the check was of another burette and an hour before", "facts": check("passed", 110) });
    let corrections = format!("/equipment-checks/{}/corrections", text(&slip, "id"));
    let _ = app.manager.post(&corrections, &correction).await.expect(201);
    // A check a day, for the better part of a year.
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute(&format!(
        "BEGIN; SET LOCAL session_replication_role = replica; \
         INSERT INTO equipment_checks SELECT (jsonb_populate_record(c, jsonb_build_object('id', uuid_by_time(), \
         'observed_at', c.observed_at + i * interval '1 day', 'outcome', 'failed'))).* \
         FROM equipment_checks c, generate_series(1, 201) i WHERE c.id = '{}'; COMMIT",
        text(&after, "id")
    ))
    .await
    .unwrap();
    let proof = app.auditor.get(&format!("{path}/control")).await.expect(200);
    let all = proof["calibrations"].as_array().unwrap();
    let burette = all.iter().find(|one| one["equipment_code"] == "B-01").unwrap();
    for (side, expected) in [("checked_before", &before), ("checked_after", &after)] {
        let shown = (&burette[side]["observed_at"], &burette[side]["outcome"]);
        assert_eq!(shown, (&expected["observed_at"], &json!("passed")), "{side}: {burette}");
    }
    // Who judged the run, and when: a time that a program reads.
    let judged = &proof["run"]["judged"][0];
    assert_eq!((&judged["meaning"], &judged["name"]), (&json!("approved"), &json!("manager-2")), "{judged}");
    assert!(text(judged, "at").parse::<chrono::DateTime<chrono::Utc>>().is_ok(), "{judged}");
}
