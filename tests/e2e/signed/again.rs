//! Signed figures evaluated again from their rows, as `ferrotitre verify` does: what somebody wrote who holds the log's key, too.

use ferrotitre_results::determinations::again::again;
use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::json;

use super::*;

#[tokio::test(flavor = "multi_thread")]
async fn a_figure_or_a_reading_written_by_somebody_with_the_key_does_not_follow_from_the_rest() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, _) = approved(&lab).await;
    let total = lab.total_done(["23.16", "23.18"]).await;
    lab.through(&format!("/determinations/{total}")).await;
    let id = path.trim_start_matches("/determinations/").to_owned();
    let new = json!({ "code": "FE3-1", "total": total, "iron2": id, "observed_at": minutes_ago(5) });
    let result = text(&app.analyst.post("/iron-results", &new).await.expect(201), "id");
    lab.through(&format!("/iron-results/{result}")).await;
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let honest = again(&connection, |_| ()).await.unwrap();
    // Author, reviewer and approver of two determinations and of their difference.
    assert_eq!((honest.agree, honest.of_other_formulae, honest.unpinned), (9, 0, 0), "{honest:?}");
    assert_eq!(honest.findings, Vec::<String>::new());
    let sql = app.sql(DatabaseRole::Superuser).await;
    sql.batch_execute("SET session_replication_role = replica").await.unwrap();
    let forged = async |change: &str, back: &str| {
        assert_eq!(sql.execute(change, &[]).await.unwrap(), 1, "{change}");
        let found = again(&connection, |_| ()).await.unwrap().findings;
        sql.execute(back, &[]).await.unwrap();
        found
    };
    // The reviewer's copy of the figure alone: 2 is put before its digits.
    let of = format!("FROM sign_offs s WHERE s.entity_id = '{id}' AND s.meaning = 'reviewed'");
    let kept: String = sql.query_one(&format!("SELECT s.evaluation {of}"), &[]).await.unwrap().get(0);
    let whose = format!("WHERE entity_id = '{id}' AND meaning = 'reviewed'");
    let found = forged(
        &format!("UPDATE sign_offs SET evaluation = replace(evaluation, '\"u\":', '\"u\":2') {whose}"),
        &format!("UPDATE sign_offs SET evaluation = $ferrotitre${kept}$ferrotitre$ {whose}"),
    )
    .await;
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].contains("(reviewed) on") && found[0].contains("another figure than its rows give"), "{found:?}");
    // A reading: every signature on it, and on the difference, stands over something else now.
    let of = format!("WHERE id = (SELECT id FROM titrations WHERE determination_id = '{id}' ORDER BY id LIMIT 1)");
    let column = "final_readings";
    let found = forged(
        &format!("UPDATE titrations SET {column}[1] = {column}[1] + 1 {of}"),
        &format!("UPDATE titrations SET {column}[1] = {column}[1] - 1 {of}"),
    )
    .await;
    assert_eq!(found.len(), 6, "{found:?}");
    assert!(found.iter().all(|one| one.contains("rows of another digest than the one signed")), "{found:?}");
    assert_eq!(again(&connection, |_| ()).await.unwrap(), honest, "put back");
}
