//! Signed standardisations and preparations evaluated again from their rows, as `ferrotitre verify` does: a factor or a mass that
//! somebody wrote who holds the log's key, too.

use ferrotitre_base::again::Again;
use ferrotitre_bench::titrants::again::again;
use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::json;

use super::*;
use crate::factors::{replicate, standardised};

/// What the forger finds, with a change that is put back after.
struct Forger {
    sql: tokio_postgres::Client,
    service: ferrotitre_base::db::Connection,
}

impl Forger {
    async fn of(lab: &Lab) -> Self {
        let sql = lab.app.sql(DatabaseRole::Superuser).await;
        sql.batch_execute("SET session_replication_role = replica").await.unwrap();
        let service = lab.app.shared.address(DatabaseRole::Service, &lab.app.database).connect().await.unwrap();
        Self { sql, service }
    }

    async fn again(&self) -> Again {
        again(&self.service, |_| ()).await.unwrap()
    }

    /// What is found after the statements; everything they changed in these tables is put back.
    async fn finds(&self, change: &str) -> Vec<String> {
        let tables = [
            "titrant_factors",
            "standardisation_titrations",
            "sign_offs",
            "titrant_preparations",
            "primary_standards",
            "factor_corrections",
            "pins",
            "standardisations",
        ];
        for table in tables {
            let keep = format!("CREATE TEMPORARY TABLE kept_{table} AS SELECT * FROM public.{table}");
            self.sql.batch_execute(&keep).await.unwrap();
        }
        self.sql.batch_execute(change).await.unwrap();
        let found = self.again().await.findings;
        for table in tables {
            let back = format!(
                "DELETE FROM public.{table}; INSERT INTO public.{table} SELECT * FROM kept_{table}; DROP TABLE kept_{table}"
            );
            self.sql.batch_execute(&back).await.unwrap();
        }
        found
    }
}

/// ISO/IEC 17025:2017, 7.5.2 (from memory): amendments can be tracked to earlier versions. Each forgery is named, and neither a
/// correction nor an amendment is taken for one.
#[tokio::test(flavor = "multi_thread")]
async fn a_factor_or_a_mass_written_by_somebody_with_the_key_does_not_follow_from_the_rest() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [lot, _, path] = standardised(&lab).await;
    let approved = {
        sign(&app.analyst, &path, "submission", None).await.expect(201);
        sign(&app.manager, &path, "approval", None).await.expect(201)
    };
    // One mass was misread: amended, signed again, its factor in the place of the other.
    let titration = approved["titrations"][0].clone();
    sign(&app.manager, &path, "amendment", Some("a mass was misread")).await.expect(201);
    let mut right = replicate();
    right["mass_g"] = json!("0.1394");
    right["observed_at"] = titration["observed_at"].clone();
    let correction = json!({ "reason": "0.1394 g stand in the bench book", "facts": right });
    let corrections = format!("/standardisation-titrations/{}/corrections", text(&titration, "id"));
    let _ = app.analyst.post_if_match(&corrections, &text(&titration, "version_id"), &correction).await.expect(201);
    let forger = Forger::of(&lab).await;
    assert_eq!(forger.again().await.findings, Vec::<String>::new(), "under an amendment");
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.manager2, &path, "approval", None).await.expect(201);

    let honest = forger.again().await;
    // Author and approver of the standardisation, twice; the release of the laboratory's own lot, which was prepared by mass.
    assert_eq!((honest.agree, honest.of_other_formulae, honest.unpinned), (5, 0, 0), "{honest:?}");
    assert_eq!(honest.findings, Vec::<String>::new());

    let of_lot = format!("titrant_id = '{lot}'");
    let newest = format!("id = (SELECT id FROM titrant_factors WHERE {of_lot} ORDER BY id DESC LIMIT 1)");
    let one = |found: &[String], words: &str| {
        assert_eq!(found.len(), 1, "{words}: {found:?}");
        assert!(found[0].contains(words), "{found:?}");
    };
    // The factor alone, one part in a thousand; its u; its time.
    for column in ["concentration", "standard_uncertainty", "factor"] {
        let found =
            forger.finds(&format!("UPDATE titrant_factors SET {column} = {column} * 1.001 WHERE {newest}")).await;
        one(&found, "has other numbers than were signed");
        assert!(found[0].contains("STD-7"), "{found:?}");
    }
    let found = forger.finds(&format!("UPDATE titrant_factors SET degrees_of_freedom = 200 WHERE {newest}")).await;
    one(&found, "has other numbers than were signed");
    let later = format!("UPDATE titrant_factors SET valid_to = valid_to + interval '30 days' WHERE {newest}");
    one(&forger.finds(&later).await, "another moment");
    // The factor with everything that was kept of it: what the rows give still tells.
    let swap = |column: &str| {
        format!("{column} = regexp_replace({column}, '\"concentration\":0\\.0167', '\"concentration\":0.0168')")
    };
    let found = forger
        .finds(&format!(
            "UPDATE titrant_factors SET concentration = concentration + 0.0001, {} WHERE {newest}; \
             UPDATE sign_offs SET {} WHERE meaning = 'approved' AND entity_kind = 'standardisations'",
            swap("evaluation"),
            swap("evaluation")
        ))
        .await;
    assert!(found.iter().any(|one| one.contains("is over another factor than its rows give")), "{found:?}");
    // A mass of a replicate that was never corrected: all four signatures on it.
    let mass = "UPDATE standardisation_titrations SET mass_g = mass_g + 0.001 WHERE position = 2";
    let found = forger.finds(mass).await;
    assert_eq!(found.len(), 4, "{found:?}");
    assert!(found.iter().all(|one| one.contains("STD-7 stands over rows of another digest")), "{found:?}");
    // The mass of the preparation; the purity, on which no digest of the release is, but the factor rests on it.
    let found = forger.finds("UPDATE titrant_preparations SET mass_g = mass_g + 0.001").await;
    one(&found, "the preparation of D-1 stands over rows of another digest");
    let purer = "UPDATE primary_standards SET mass_fraction = 0.9500 WHERE id IN \
                 (SELECT primary_standard_id FROM titrant_preparations)";
    one(&forger.finds(purer).await, "is over another factor than its rows give");
    // A factor that nobody signed; one in the place of another lot's; pins taken away; a factor taken away.
    let invented = format!(
        "INSERT INTO titrant_factors SELECT (jsonb_populate_record(f, jsonb_build_object('id', gen_random_uuid(), \
         'recorded_at', clock_timestamp(), 'valid_from', f.valid_from + interval '1 minute'))).* \
         FROM titrant_factors f WHERE {newest}"
    );
    one(&forger.finds(&invented).await, "was put into force by no signature");
    let foreign = format!(
        "UPDATE factor_corrections SET corrects_id = (SELECT id FROM titrant_factors WHERE NOT ({of_lot}) LIMIT 1)"
    );
    one(&forger.finds(&foreign).await, "takes the place of one it cannot");
    let found = forger.finds("DELETE FROM pins WHERE 'standardisations' = ANY(kinds)").await;
    assert!(!found.is_empty() && found.iter().all(|one| one.contains("nothing on record says why")), "{found:?}");
    one(&forger.finds(&format!("DELETE FROM titrant_factors WHERE {newest}")).await, "put 0 factors into force");
    assert_eq!(forger.again().await, honest, "put back");
}
