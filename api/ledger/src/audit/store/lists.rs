//! Queries of the lists that an auditor asks for. Each of their sources is read from the newest on along an index, so that a page
//! costs the same however long the laboratory has worked; identities sort by the time they were made.

use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

use crate::audit::lists::Of;

/// Results that are named with a correction; of more only the number is told.
const NAMED: usize = 5;
/// Results under a correction that are counted.
pub const COUNTED: i64 = 101;
/// An identity is made by the service a little before its row is dated by the store.
const APART: TimeDelta = TimeDelta::hours(1);

/// A row of a list as stored.
#[derive(Debug, Clone, QueryableByName)]
pub struct ListRow {
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    #[diesel(sql_type = Timestamptz)]
    pub recorded_at: DateTime<Utc>,
    /// Table of what it is about.
    #[diesel(sql_type = Text)]
    pub kind: String,
    #[diesel(sql_type = SqlUuid)]
    pub subject: Uuid,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub recorded_by: Option<Uuid>,
    #[diesel(sql_type = Text)]
    pub what: String,
    #[diesel(sql_type = Nullable<Text>)]
    pub cause: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    pub evidence: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    pub decision: Option<String>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub decided_by: Option<Uuid>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub decided_at: Option<DateTime<Utc>>,
    /// Signed results that a correction touched, at most [`COUNTED`].
    #[diesel(sql_type = Nullable<BigInt>)]
    pub results: Option<i64>,
    #[diesel(sql_type = Array<Text>)]
    pub result_kinds: Vec<String>,
    #[diesel(sql_type = Array<SqlUuid>)]
    pub result_ids: Vec<Uuid>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub concession: Option<Uuid>,
    /// The event that proves it.
    #[diesel(sql_type = SqlUuid)]
    pub event: Uuid,
    #[diesel(sql_type = Nullable<Text>)]
    pub address: Option<String>,
}

/// What is listed.
#[derive(Debug, Clone)]
pub struct ListFilter {
    /// Only rows made before this one.
    pub before: Uuid,
    pub from: DateTime<Utc>,
    pub until: DateTime<Utc>,
    /// Only of this account.
    pub account: Option<Uuid>,
    /// Only from this address.
    pub address: Option<String>,
    /// Only what has its leaf from one place up to and without another.
    pub leaves: Option<(i64, i64)>,
    pub limit: i64,
}

/// What every source is read with: `$1` to `$5`, on columns `id` and `recorded_at` of the alias.
fn part(select: &str, alias: &str) -> String {
    format!(
        "({select} AND {alias}.id < $1 AND {alias}.id >= $2 AND {alias}.recorded_at >= $3 AND {alias}.recorded_at < $4 \
         ORDER BY {alias}.id DESC LIMIT $5)"
    )
}

/// Titres, blanks, runs and control values that were rejected; word for word the condition of an index.
const LEFT_OUT: &str = "m.to_state IN ('rejected', 'invalid-with-cause') AND m.entity_kind IN \
     ('titrations', 'blanks', 'standardisation_titrations', 'runs', 'control_values')";

/// Columns of a source: its own name, what it is about, by whom, what, cause, evidence.
fn exclusions() -> String {
    let moves = format!(
        "SELECT m.id, m.recorded_at, 'state_moves' AS source, m.entity_kind AS kind, m.entity_id AS subject, m.recorded_by, \
         m.to_state AS what, m.cause, m.reason AS evidence FROM state_moves m WHERE {LEFT_OUT}"
    );
    let points = "SELECT b.id, b.recorded_at, 'chart_baseline_points', 'chart_baseline_points', b.id, b.recorded_by, \
         'left out of a baseline', b.cause, b.reason FROM chart_baseline_points b WHERE b.excluded";
    let data = "SELECT v.id, v.recorded_at, 'validation_exclusions', 'validation_exclusions', v.id, v.recorded_by, \
         'left out of a study', v.cause, v.evidence FROM validation_exclusions v WHERE true";
    format!(
        "SELECT x.id, x.recorded_at, x.kind, x.subject, x.recorded_by, x.what, x.cause, x.evidence, \
         a.to_state AS decision, a.recorded_by AS decided_by, a.recorded_at AS decided_at, {NO_RESULTS}, \
         NULL::uuid AS concession, {EVENT} \
         FROM ({} UNION ALL {} UNION ALL {}) x \
         LEFT JOIN LATERAL (SELECT s.to_state, s.recorded_by, s.recorded_at FROM state_moves s WHERE s.entity_id = CASE x.kind \
             WHEN 'titrations' THEN (SELECT determination_id FROM titrations WHERE id = x.subject) \
             WHEN 'blanks' THEN (SELECT run_id FROM blanks WHERE id = x.subject) \
             WHEN 'standardisation_titrations' THEN (SELECT standardisation_id FROM standardisation_titrations WHERE id = x.subject) \
             WHEN 'chart_baseline_points' THEN (SELECT phase_id FROM chart_baseline_points WHERE id = x.subject) \
             WHEN 'validation_exclusions' THEN x.subject END \
             AND s.to_state IN ('approved', 'released', 'preliminary', 'established', 'rejected') \
             AND s.recorded_at >= x.recorded_at AND s.id <> x.id ORDER BY s.position LIMIT 1) a ON true \
         {PROVED}",
        part(&moves, "m"),
        part(points, "b"),
        part(data, "v"),
    )
}

const NO_RESULTS: &str = "NULL::bigint AS results, '{}'::text[] AS result_kinds, '{}'::uuid[] AS result_ids";
const EVENT: &str = "e.id AS event, e.source_address AS address";
/// The event of the insertion of a row, and the order of every list.
const PROVED: &str = "CROSS JOIN LATERAL (SELECT v.id, v.source_address FROM audit_events v WHERE v.entity_id = x.id \
     AND v.entity_kind = x.source ORDER BY v.at LIMIT 1) e WHERE true";

/// Of a stretch of leaves, where one is asked for.
const OF_LEAVES: &str = "AND ($9::bigint IS NULL OR EXISTS (SELECT FROM audit_leaves f WHERE f.event_id = e.id \
     AND f.leaf_index >= $9 AND f.leaf_index < $10))";

fn corrections() -> String {
    let impacts = "SELECT i.id, i.recorded_at, 'impacts' AS source, 'impacts' AS kind, i.id AS subject, i.recorded_by, i.what, \
         NULL::text AS cause, NULL::text AS evidence, i.touched_id AS touched, i.since FROM impacts i WHERE true";
    let amended = "SELECT m.id, m.recorded_at, 'state_moves', m.entity_kind, m.entity_id, m.recorded_by, 'amended', m.cause, \
         m.reason, NULL::uuid, NULL::timestamptz FROM state_moves m WHERE m.to_state = 'amended'";
    format!(
        "SELECT x.id, x.recorded_at, x.kind, x.subject, x.recorded_by, x.what, x.cause, x.evidence, \
         d.decision, d.decided_by, d.decided_at, r.results, \
         coalesce(r.kinds[1:{NAMED}], '{{}}') AS result_kinds, coalesce(r.ids[1:{NAMED}], '{{}}') AS result_ids, \
         NULL::uuid AS concession, {EVENT} \
         FROM ({} UNION ALL {}) x \
         LEFT JOIN LATERAL (SELECT count(*) AS results, array_agg(f.entity_kind ORDER BY f.entity_id) AS kinds, \
             array_agg(f.entity_id ORDER BY f.entity_id) AS ids FROM ( \
             SELECT DISTINCT s.entity_kind, s.entity_id FROM pins p JOIN sign_offs s ON s.id = p.sign_off_id \
             WHERE p.row_ids @> ARRAY[x.touched] AND s.meaning = 'authored' AND s.recorded_at < x.recorded_at AND (x.since IS NULL \
             OR EXISTS (SELECT FROM unnest(p.row_ids, p.used_at) u (id, at) WHERE u.id = x.touched AND u.at >= x.since)) \
             LIMIT {COUNTED}) f) r ON x.touched IS NOT NULL \
         LEFT JOIN LATERAL (SELECT string_agg(c.decision || ': ' || c.number, ', ' ORDER BY c.decision) AS decision, \
             (array_agg(c.by_whom ORDER BY c.last DESC))[1] AS decided_by, max(c.last) AS decided_at FROM ( \
             SELECT q.decision, count(*) AS number, max(q.recorded_at) AS last, \
             (array_agg(q.recorded_by ORDER BY q.recorded_at DESC))[1] AS by_whom \
             FROM impact_decisions q WHERE q.impact_id = x.id GROUP BY q.decision) c) d ON true \
         {PROVED}",
        part(impacts, "i"),
        part(amended, "m"),
    )
}

fn released() -> String {
    let doubted = "SELECT b.id, b.recorded_at, 'doubted_approvals' AS source, b.result_kind AS kind, b.result_id AS subject, \
         b.recorded_by, b.what, b.move_id, b.concession_id FROM doubted_approvals b WHERE true";
    format!(
        "SELECT x.id, x.recorded_at, x.kind, x.subject, coalesce(x.recorded_by, m.recorded_by) AS recorded_by, x.what, \
         NULL::text AS cause, c.reason AS evidence, m.to_state AS decision, m.recorded_by AS decided_by, \
         m.recorded_at AS decided_at, {NO_RESULTS}, x.concession_id AS concession, {EVENT} \
         FROM {} x JOIN state_moves m ON m.id = x.move_id LEFT JOIN concessions c ON c.id = x.concession_id {PROVED}",
        part(doubted, "b"),
    )
}

fn sign_ins(only_refused: bool) -> String {
    let account = "($6::uuid IS NULL OR";
    // Each word for word the condition of an index.
    let tried = if only_refused { "NOT a.succeeded" } else { "(a.purpose = 'sign in' OR NOT a.succeeded)" };
    let attempts = format!(
        "SELECT a.id, a.recorded_at, 'sign_in_attempts' AS source, 'accounts' AS kind, a.account_id AS subject, \
         NULL::uuid AS recorded_by, CASE WHEN a.succeeded THEN 'signed in' \
         WHEN EXISTS (SELECT FROM code_refusals c WHERE c.attempt_id = a.id) THEN (SELECT CASE WHEN a.purpose = 'sign in' \
         THEN 'refused: ' ELSE 'asked to sign: ' END || 'right password, one-time code ' || c.cause FROM code_refusals c \
         WHERE c.attempt_id = a.id) WHEN a.purpose = 'sign in' \
         THEN 'refused: wrong password, or the account was not active' ELSE 'wrong password, asked to ' || a.purpose END AS what \
         FROM sign_in_attempts a WHERE {tried} AND {account} a.account_id = $6)"
    );
    let unknown = "SELECT u.id, u.recorded_at, 'unknown_sign_ins', 'unknown_sign_ins', u.id, NULL::uuid, 'refused: unknown name' \
         FROM unknown_sign_ins u WHERE $6::uuid IS NULL";
    let resets = format!(
        "SELECT w.id, w.recorded_at, 'account_secrets', 'accounts', w.account_id, w.recorded_by, \
         CASE WHEN w.recorded_by = w.account_id THEN 'own password changed' ELSE 'password set by somebody else' END \
         FROM account_secrets w WHERE {account} w.account_id = $6)"
    );
    let ends = format!(
        "SELECT o.id, o.recorded_at, 'session_ends', 'accounts', o.account_id, o.recorded_by, 'session ended: ' || o.cause \
         FROM session_ends o WHERE {account} o.account_id = $6)"
    );
    let recovered = format!(
        "SELECT r.id, r.recorded_at, 'code_uses', 'accounts', r.account_id, r.account_id, 'recovery code ' || r.recovery || ' used' \
         FROM code_uses r WHERE r.recovery IS NOT NULL AND {account} r.account_id = $6)"
    );
    let set_up = format!(
        "SELECT s.id, s.recorded_at, 'code_enrolments', 'accounts', s.account_id, s.recorded_by, 'one-time codes set up' \
         FROM code_enrolments s WHERE {account} s.account_id = $6)"
    );
    let ended = format!(
        "SELECT d.id, d.recorded_at, 'code_ends', 'accounts', d.account_id, d.recorded_by, CASE d.kind WHEN 'reset' \
         THEN 'one-time codes reset by somebody else: ' ELSE 'own one-time codes ended: ' END || d.reason \
         FROM code_ends d WHERE {account} d.account_id = $6)"
    );
    let mut parts = vec![part(&attempts, "a"), part(unknown, "u"), part(&resets, "w")];
    parts.extend([part(&recovered, "r"), part(&set_up, "s"), part(&ended, "d")]);
    if !only_refused {
        parts.push(part(&ends, "o"));
    }
    format!(
        "SELECT x.id, x.recorded_at, x.kind, x.subject, x.recorded_by, x.what, NULL::text AS cause, NULL::text AS evidence, \
         NULL::text AS decision, NULL::uuid AS decided_by, NULL::timestamptz AS decided_at, {NO_RESULTS}, \
         NULL::uuid AS concession, {EVENT} FROM ({}) x {PROVED} AND ($7::text IS NULL OR e.source_address = $7)",
        parts.join(" UNION ALL ")
    )
}

/// The smallest identity made at a moment (RFC 9562, version 7).
fn first_of(moment: DateTime<Utc>) -> Uuid {
    let milliseconds = u128::try_from(moment.timestamp_millis().clamp(0, (1 << 48) - 1)).unwrap_or(0);
    Uuid::from_u128(milliseconds << 80)
}

/// Rows of a list, newest first.
pub async fn listed(mut connection: &Connection, of: Of, filter: &ListFilter) -> Result<Vec<ListRow>, Refusal> {
    let sql = match of {
        Of::Exclusions => exclusions(),
        Of::Corrections => corrections(),
        Of::Released => released(),
        Of::RefusedSignIns => sign_ins(true),
        Of::SignIns => sign_ins(false),
    };
    // A page from one address or of a stretch of leaves is looked for among more rows than it holds.
    let ceiling = first_of(filter.until.checked_add_signed(APART).unwrap_or(filter.until)).min(filter.before);
    let floor = first_of(filter.from.checked_sub_signed(APART).unwrap_or(filter.from));
    let narrowed = filter.address.is_some() || filter.leaves.is_some();
    let each = if narrowed { i64::from(i32::MAX) } else { filter.limit };
    let (first, end) = filter.leaves.unzip();
    let query = diesel::sql_query(format!("{sql} {OF_LEAVES} ORDER BY x.id DESC LIMIT $8"))
        .bind::<SqlUuid, _>(ceiling)
        .bind::<SqlUuid, _>(floor)
        .bind::<Timestamptz, _>(filter.from)
        .bind::<Timestamptz, _>(filter.until)
        .bind::<BigInt, _>(each)
        .bind::<Nullable<SqlUuid>, _>(filter.account)
        .bind::<Nullable<Text>, _>(filter.address.as_deref())
        .bind::<BigInt, _>(filter.limit)
        .bind::<Nullable<BigInt>, _>(first)
        .bind::<Nullable<BigInt>, _>(end);
    Ok(query.load(&mut connection).await?)
}

/// How many rows of each list some events made.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, QueryableByName)]
pub struct Counted {
    #[diesel(sql_type = BigInt)]
    pub events: i64,
    #[diesel(sql_type = BigInt)]
    pub exclusions: i64,
    #[diesel(sql_type = BigInt)]
    pub corrections: i64,
    #[diesel(sql_type = BigInt)]
    pub released: i64,
    #[diesel(sql_type = BigInt)]
    pub refused_sign_ins: i64,
    #[diesel(sql_type = BigInt)]
    pub sign_ins: i64,
}

/// Counts over events `e` with the rows that they wrote.
const COUNTS: &str = "count(*) AS events, \
     count(*) FILTER (WHERE e.entity_kind IN ('chart_baseline_points', 'validation_exclusions') AND (b.id IS NULL OR b.excluded) \
         OR m.id IS NOT NULL AND m.to_state IN ('rejected', 'invalid-with-cause') AND m.entity_kind IN \
         ('titrations', 'blanks', 'standardisation_titrations', 'runs', 'control_values')) AS exclusions, \
     count(*) FILTER (WHERE e.entity_kind = 'impacts' OR m.to_state = 'amended') AS corrections, \
     count(*) FILTER (WHERE e.entity_kind = 'doubted_approvals') AS released, \
     count(*) FILTER (WHERE e.entity_kind IN ('unknown_sign_ins', 'account_secrets', 'code_enrolments', 'code_ends') \
         OR NOT a.succeeded OR r.recovery IS NOT NULL) AS refused_sign_ins, \
     count(*) FILTER (WHERE e.entity_kind IN ('unknown_sign_ins', 'account_secrets', 'code_enrolments', 'code_ends', 'session_ends') \
         OR NOT a.succeeded OR r.recovery IS NOT NULL OR a.purpose = 'sign in') AS sign_ins";
const WITH_ROWS: &str = "LEFT JOIN state_moves m ON e.entity_kind = 'state_moves' AND m.id = e.entity_id \
     LEFT JOIN chart_baseline_points b ON e.entity_kind = 'chart_baseline_points' AND b.id = e.entity_id \
     LEFT JOIN sign_in_attempts a ON e.entity_kind = 'sign_in_attempts' AND a.id = e.entity_id \
     LEFT JOIN code_uses r ON e.entity_kind = 'code_uses' AND r.id = e.entity_id";

/// Counts over a stretch of leaves.
pub async fn counted(mut connection: &Connection, from: i64, until: i64) -> Result<Counted, Refusal> {
    let sql = format!(
        "SELECT {COUNTS} FROM audit_leaves l JOIN audit_events e ON e.id = l.event_id {WITH_ROWS} \
         WHERE l.leaf_index >= $1 AND l.leaf_index < $2"
    );
    Ok(diesel::sql_query(sql).bind::<BigInt, _>(from).bind::<BigInt, _>(until).get_result(&mut connection).await?)
}

/// Counts over everything after a leaf, sealed or not.
pub async fn counted_since(mut connection: &Connection, from: i64) -> Result<Counted, Refusal> {
    let sql = format!(
        "SELECT {COUNTS} FROM (SELECT event_id FROM audit_leaves WHERE leaf_index >= $1 UNION ALL SELECT event_id FROM audit_pending) l \
         JOIN audit_events e ON e.id = l.event_id {WITH_ROWS}"
    );
    Ok(diesel::sql_query(sql).bind::<BigInt, _>(from).get_result(&mut connection).await?)
}

/// The time of the first event there is.
pub async fn first_event(mut connection: &Connection) -> Result<Option<DateTime<Utc>>, Refusal> {
    use ferrotitre_schema::audit_events;
    Ok(audit_events::table
        .order((audit_events::at, audit_events::id))
        .select(audit_events::at)
        .first(&mut connection)
        .await
        .optional()?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identities_are_bounded_by_the_time_they_were_made() {
        let now = Utc::now();
        let made = Uuid::now_v7();
        assert!(first_of(now - TimeDelta::milliseconds(1)) < made);
        assert!(made < first_of(now + TimeDelta::seconds(5)));
        assert_eq!(first_of(DateTime::UNIX_EPOCH - TimeDelta::days(1)), Uuid::nil());
    }
}
