//! Signatures that a thing, a person or a stretch of time reaches, found through the pins.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::SignOffId;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

/// What signatures are looked for from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// A thing in whatever version, or any row that signatures stand over.
    Thing(Uuid),
    /// A person, under whichever of their accounts: what they weighed, pipetted, titrated, supervised, prepared or calibrated.
    Person(Uuid),
    /// Everything.
    Everything,
}

/// Stretches of time, each from a moment on and before another.
#[derive(Debug, Clone, Copy)]
pub struct When {
    /// Of the signature.
    pub signed: (DateTime<Utc>, DateTime<Utc>),
    /// Of the last use, bench time.
    pub used: (DateTime<Utc>, DateTime<Utc>),
}

/// A signature over it.
#[derive(Debug, Clone, QueryableByName)]
pub struct Use {
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub entity_kind: String,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub entity_id: Uuid,
    /// Where its page is: the study of a conclusion, else the thing itself.
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub shown_at: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub sign_off: SignOffId,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub signed_at: DateTime<Utc>,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub used_at: DateTime<Utc>,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub state: String,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub stands: bool,
}

/// Every version of a thing, and the thing itself.
const VERSIONS: &str = "SELECT $1::uuid AS id UNION SELECT id FROM equipment WHERE record_id = $1 \
    UNION SELECT id FROM primary_standards WHERE record_id = $1 UNION SELECT id FROM samples WHERE record_id = $1 \
    UNION SELECT id FROM test_portions WHERE record_id = $1 UNION SELECT id FROM blanks WHERE record_id = $1 \
    UNION SELECT id FROM methods WHERE record_id = $1 UNION SELECT id FROM titrations WHERE record_id = $1";

/// Rows that somebody made, under whichever account, apart from titrations, which are many.
const MADE: &str = "WITH who AS (SELECT DISTINCT b.id FROM accounts a \
    JOIN accounts b ON printed_name_key(b.display_name) = printed_name_key(a.display_name) WHERE a.id = ANY($1)), \
    made AS (SELECT array_agg(of.id) AS rows FROM (SELECT r.id FROM titrant_preparations r WHERE r.recorded_by IN (SELECT id FROM who) \
    UNION ALL SELECT r.id FROM standardisation_titrations r WHERE r.recorded_by IN (SELECT id FROM who) \
    UNION ALL SELECT r.id FROM equipment_calibrations r WHERE r.recorded_by IN (SELECT id FROM who) \
    UNION ALL SELECT r.id FROM blanks r WHERE r.recorded_by IN (SELECT id FROM who)) of), \
    titrated AS (SELECT t.determination_id AS id FROM titrations t WHERE t.recorded_by IN (SELECT id FROM who) \
    UNION SELECT t.determination_id FROM titration_supervisions v JOIN titrations t ON t.id = v.titration_id \
    WHERE v.supervisor_id IN (SELECT id FROM who) \
    UNION SELECT d.id FROM test_portions p JOIN determinations d ON d.portion_id = p.record_id \
    WHERE p.recorded_by IN (SELECT id FROM who)), \
    results AS (SELECT id FROM titrated UNION SELECT id FROM iron_results WHERE total_id IN (SELECT id FROM titrated) \
    UNION SELECT id FROM iron_results WHERE iron2_id IN (SELECT id FROM titrated)), \
    reached AS (SELECT p.sign_off_id, NULL::timestamptz AS at FROM results r JOIN sign_offs s ON s.entity_id = r.id \
    JOIN pins p ON p.sign_off_id = s.id \
    UNION SELECT p.sign_off_id, NULL FROM pins p, made WHERE p.row_ids && made.rows)";

#[derive(QueryableByName)]
struct Id {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
}

impl Reach {
    /// What stands in the statements for what is looked for. The versions of a thing are asked for first: the store knows how
    /// many signatures stand over rows that it is told, and plans by that.
    async fn rows(self, mut connection: &Connection) -> Result<Vec<Uuid>, Refusal> {
        match self {
            Self::Thing(id) => {
                let versions: Vec<Id> =
                    diesel::sql_query(VERSIONS).bind::<diesel::sql_types::Uuid, _>(id).load(&mut connection).await?;
                Ok(versions.into_iter().map(|row| row.id).collect())
            }
            Self::Person(id) => Ok(vec![id]),
            Self::Everything => Ok(Vec::new()),
        }
    }

    /// Signatures reached, with the time of the last use where it is that of the thing.
    const fn reached(self) -> &'static str {
        match self {
            Self::Thing(_) => {
                "WITH reached AS (SELECT p.sign_off_id, (SELECT max(u.at) FROM unnest(p.row_ids, p.used_at) u (id, at) \
                 WHERE u.id = ANY($1)) AS at FROM pins p WHERE p.row_ids && $1)"
            }
            Self::Person(_) => MADE,
            Self::Everything => {
                "WITH reached AS (SELECT sign_off_id, NULL::timestamptz AS at FROM pins WHERE $1 IS NOT NULL)"
            }
        }
    }

    /// What is selected of them, with the columns of [`Use`]. `OFFSET 0` keeps the last use from being looked up for each
    /// comparison anew.
    fn selected(self) -> String {
        format!(
            "{} SELECT s.entity_kind, s.entity_id, coalesce(vc.study_id, s.entity_id) AS shown_at, s.id AS sign_off, \
             s.recorded_at AS signed_at, t.state, of.at AS used_at, \
             t.state IN ('submitted', 'complete', 'reviewed', 'approved', 'reported', 'released', 'in use', 'suspended', 'expired', \
             'exhausted') \
             AND NOT EXISTS (SELECT FROM sign_offs later WHERE later.entity_id = s.entity_id AND later.meaning = s.meaning \
             AND later.id > s.id) \
             AND NOT EXISTS (SELECT FROM validation_conclusions l WHERE l.study_id = vc.study_id AND l.number > vc.number) AS stands \
             FROM reached r JOIN sign_offs s ON s.id = r.sign_off_id JOIN pins p ON p.sign_off_id = s.id \
             CROSS JOIN LATERAL (SELECT coalesce(r.at, (SELECT max(u.at) FROM unnest(p.kinds, p.used_at) u (kind, at) \
             WHERE u.kind = 'titrations'), (SELECT max(u.at) FROM unnest(p.used_at) u (at))) AS at OFFSET 0) of \
             LEFT JOIN validation_conclusions vc ON s.entity_kind = 'validation_conclusions' AND vc.id = s.entity_id \
             JOIN present_states t ON t.entity_id = coalesce(vc.study_id, s.entity_id) \
             WHERE s.recorded_at >= $2 AND s.recorded_at < $3 AND of.at >= $4 AND of.at < $5",
            self.reached()
        )
    }
}

/// Signatures reached, oldest first, after a cursor.
pub async fn uses(
    mut connection: &Connection,
    (reach, when): (Reach, When),
    (after, limit): (Uuid, i64),
) -> Result<Vec<Use>, Refusal> {
    let rows = reach.rows(connection).await?;
    Ok(diesel::sql_query(format!("{} AND s.id > $6 ORDER BY s.id LIMIT $7", reach.selected()))
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(rows)
        .bind::<diesel::sql_types::Timestamptz, _>(when.signed.0)
        .bind::<diesel::sql_types::Timestamptz, _>(when.signed.1)
        .bind::<diesel::sql_types::Timestamptz, _>(when.used.0)
        .bind::<diesel::sql_types::Timestamptz, _>(when.used.1)
        .bind::<diesel::sql_types::Uuid, _>(after)
        .bind::<diesel::sql_types::BigInt, _>(limit)
        .load(&mut connection)
        .await?)
}

/// Everything that stands among what is reached, by kind and then by signature.
pub async fn standing(mut connection: &Connection, (reach, when): (Reach, When)) -> Result<Vec<Use>, Refusal> {
    let rows = reach.rows(connection).await?;
    let sql = format!("SELECT * FROM ({}) of WHERE stands ORDER BY entity_kind, sign_off", reach.selected());
    Ok(diesel::sql_query(sql)
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(rows)
        .bind::<diesel::sql_types::Timestamptz, _>(when.signed.0)
        .bind::<diesel::sql_types::Timestamptz, _>(when.signed.1)
        .bind::<diesel::sql_types::Timestamptz, _>(when.used.0)
        .bind::<diesel::sql_types::Timestamptz, _>(when.used.1)
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct Count {
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    number: i64,
}

/// How many signatures are reached.
pub async fn count(mut connection: &Connection, (reach, when): (Reach, When)) -> Result<i64, Refusal> {
    let rows = reach.rows(connection).await?;
    let found: Count = diesel::sql_query(format!("SELECT count(*) AS number FROM ({}) of", reach.selected()))
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(rows)
        .bind::<diesel::sql_types::Timestamptz, _>(when.signed.0)
        .bind::<diesel::sql_types::Timestamptz, _>(when.signed.1)
        .bind::<diesel::sql_types::Timestamptz, _>(when.used.0)
        .bind::<diesel::sql_types::Timestamptz, _>(when.used.1)
        .get_result(&mut connection)
        .await?;
    Ok(found.number)
}

/// What an identity is of.
#[derive(Debug, Clone, QueryableByName)]
pub struct Named {
    /// Kind, by the name of its table.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub kind: String,
    /// What it is called.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub name: String,
}

/// The newest name of what has versions.
const VERSIONED: [&str; 4] = ["equipment", "primary_standards", "samples", "methods"];
/// What has a code and no versions.
const CODED: [&str; 4] = ["titrants", "runs", "standardisations", "determinations"];

fn names() -> String {
    let mut all = vec!["SELECT 'accounts' AS kind, display_name AS name FROM accounts WHERE id = $1".to_owned()];
    all.extend(VERSIONED.map(|table| {
        format!("(SELECT '{table}', code FROM {table} WHERE record_id = $1 OR id = $1 ORDER BY version DESC LIMIT 1)")
    }));
    all.extend(CODED.map(|table| format!("SELECT '{table}', code FROM {table} WHERE id = $1")));
    all.extend(
        [
            "(SELECT 'equipment_calibrations', 'calibration ' || c.certificate || ' of ' || e.code FROM equipment_calibrations c \
             JOIN equipment e ON e.record_id = c.equipment_id WHERE c.id = $1 ORDER BY e.version DESC LIMIT 1)",
            "SELECT 'titrant_factors', 'the factor of ' || t.code || ' from ' || to_char(f.valid_from AT TIME ZONE 'UTC', 'YYYY-MM-DD') \
             FROM titrant_factors f JOIN titrants t ON t.id = f.titrant_id WHERE f.id = $1",
            "(SELECT 'blanks', 'a blank of ' || r.code FROM blanks b JOIN runs r ON r.id = b.run_id WHERE b.id = $1 OR b.record_id = $1 LIMIT 1)",
            "(SELECT 'test_portions', 'a test portion of ' || s.code FROM test_portions p JOIN samples s ON s.record_id = p.sample_id \
             WHERE p.id = $1 OR p.record_id = $1 LIMIT 1)",
        ]
        .map(str::to_owned),
    );
    all.join(" UNION ALL ")
}

/// What an identity is of: a person, or a thing; none where it is of nothing that has a name.
pub async fn named(mut connection: &Connection, id: Uuid) -> Result<(Reach, Option<Named>), Refusal> {
    let found: Option<Named> = diesel::sql_query(format!("{} LIMIT 1", names()))
        .bind::<diesel::sql_types::Uuid, _>(id)
        .get_result(&mut connection)
        .await
        .optional()?;
    let person = found.as_ref().is_some_and(|found| found.kind == "accounts");
    Ok((if person { Reach::Person(id) } else { Reach::Thing(id) }, found))
}
