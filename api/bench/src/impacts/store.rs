//! Tables of impacts and of what was decided on them.

pub mod reach;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use uuid::Uuid;

use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, ImpactDecisionId, ImpactId, SignOffId};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::{impact_decisions, impacts, nonconformity_links};

/// An impact as stored.
#[derive(Debug, Clone, Queryable, QueryableByName, Selectable)]
#[diesel(table_name = impacts)]
pub struct Row {
    pub id: ImpactId,
    pub cause_kind: String,
    pub cause_id: Uuid,
    pub touched_id: Uuid,
    pub since: Option<DateTime<Utc>>,
    pub figures: bool,
    pub what: String,
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: Option<AccountId>,
}

pub(super) async fn find(mut connection: &Connection, id: Uuid) -> Result<Row, Refusal> {
    let row = impacts::table.find(ImpactId(id)).select(Row::as_select()).first(&mut connection).await.optional()?;
    row.ok_or_else(|| Refusal::not_found("impact", id))
}

pub(super) async fn list(mut connection: &Connection, listing: &Listing, limit: i64) -> Result<Vec<Row>, Refusal> {
    Ok(impacts::table
        .filter(impacts::id.lt(ImpactId(listing.before())))
        .filter(impacts::recorded_at.ge(listing.window_start()))
        .filter(impacts::recorded_at.lt(listing.window_end()))
        .order(impacts::id.desc())
        .limit(limit)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// What a row touched.
pub(super) async fn of_cause(mut connection: &Connection, cause: Uuid) -> Result<Vec<Row>, Refusal> {
    Ok(impacts::table
        .filter(impacts::cause_id.eq(cause))
        .order(impacts::id)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Something that touched a signature, with what was decided for that.
#[derive(Debug, Clone, QueryableByName)]
pub struct Touch {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub id: ImpactId,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub sign_off: SignOffId,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub figures: bool,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub what: String,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub recorded_at: DateTime<Utc>,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Uuid>)]
    pub recorded_by: Option<AccountId>,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Text>)]
    pub decision: Option<String>,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Text>)]
    pub reason: Option<String>,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Timestamptz>)]
    pub decided_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Uuid>)]
    pub decided_by: Option<AccountId>,
}

impl Touch {
    /// What happened, and what was decided.
    pub fn in_words(&self) -> String {
        match (&self.decision, &self.reason) {
            (Some(decision), Some(reason)) => format!("{} ({decision}: {reason})", self.what),
            _ => self.what.clone(),
        }
    }
}

/// Whether anything ever touched one of these rows: of most nothing did, and that is quickly said.
pub async fn any_touched(mut connection: &Connection, rows: &[Uuid]) -> Result<bool, Refusal> {
    let touched = impacts::table.filter(impacts::touched_id.eq_any(rows)).select(impacts::id);
    let found: Option<ImpactId> = touched.first(&mut connection).await.optional()?;
    Ok(found.is_some())
}

/// What touched the rows under signatures after they were made; a cause that touched several rows is named once.
pub async fn touching(mut connection: &Connection, sign_offs: &[SignOffId]) -> Result<Vec<Touch>, Refusal> {
    if sign_offs.is_empty() {
        return Ok(Vec::new());
    }
    let ids: Vec<Uuid> = sign_offs.iter().map(|id| id.0).collect();
    let mut touches: Vec<Touch> = diesel::sql_query(
        "SELECT DISTINCT ON (p.sign_off_id, i.cause_id) i.id, p.sign_off_id AS sign_off, i.figures, i.what, i.recorded_at, \
         i.recorded_by, d.decision, d.reason, d.recorded_at AS decided_at, d.recorded_by AS decided_by \
         FROM pins p JOIN sign_offs s ON s.id = p.sign_off_id CROSS JOIN LATERAL unnest(p.row_ids, p.used_at) u (id, at) \
         JOIN impacts i ON i.touched_id = u.id AND (i.since IS NULL OR u.at >= i.since) AND i.recorded_at > s.recorded_at \
         LEFT JOIN impact_decisions d ON d.impact_id = i.id AND d.sign_off_id = p.sign_off_id \
         WHERE p.sign_off_id = ANY($1) ORDER BY p.sign_off_id, i.cause_id, i.id",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(ids)
    .load(&mut connection)
    .await?;
    touches.sort_by_key(|touch| (touch.sign_off, touch.recorded_at, touch.id));
    Ok(touches)
}

/// A signed result that something touched.
#[derive(Debug, Clone, QueryableByName)]
pub struct Touched {
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub entity_kind: String,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub entity_id: Uuid,
    /// Where its page is: the study of a conclusion, else the result itself.
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub shown_at: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub sign_off: SignOffId,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub state: String,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub signed_at: DateTime<Utc>,
    /// Its author, who does not decide on it.
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub signed_by: AccountId,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Text>)]
    pub decision: Option<String>,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Text>)]
    pub reason: Option<String>,
}

/// Results whose author's signature was made before the impact and still stands, over a row it touches.
///
/// A conclusion of a study is in the state of its study, and stands until there is a later one. The impact is `i`, the
/// signature's rows are `p`.
const STANDING: &str = "JOIN sign_offs s ON s.id = p.sign_off_id \
    LEFT JOIN validation_conclusions vc ON s.entity_kind = 'validation_conclusions' AND vc.id = s.entity_id \
    JOIN present_states t ON t.entity_id = coalesce(vc.study_id, s.entity_id) \
    LEFT JOIN impact_decisions d ON d.impact_id = i.id AND d.sign_off_id = s.id \
    WHERE p.row_ids @> ARRAY[i.touched_id] AND s.meaning = 'authored' AND s.recorded_at < i.recorded_at \
    AND (t.state IN ('submitted', 'reviewed', 'approved', 'reported') OR (vc.id IS NOT NULL AND t.state = 'complete')) \
    AND NOT EXISTS (SELECT FROM validation_conclusions l WHERE l.study_id = vc.study_id AND l.number > vc.number) \
    AND NOT EXISTS (SELECT FROM sign_offs later WHERE later.entity_id = s.entity_id AND later.meaning = 'authored' AND later.id > s.id) \
    AND (i.since IS NULL OR EXISTS (SELECT FROM unnest(p.row_ids, p.used_at) u (id, at) WHERE u.id = i.touched_id AND u.at >= i.since))";

/// Of one impact, `$1`.
fn of_one() -> String {
    format!(
        "SELECT s.entity_kind, s.entity_id, coalesce(vc.study_id, s.entity_id) AS shown_at, s.id AS sign_off, t.state, \
         s.recorded_at AS signed_at, s.recorded_by AS signed_by, d.decision, d.reason \
         FROM impacts i CROSS JOIN pins p {STANDING} AND i.id = $1"
    )
}

/// Results that an impact touches, in the order of their signatures, after a cursor.
pub async fn touched(
    mut connection: &Connection,
    impact: ImpactId,
    (after, limit): (Uuid, i64),
) -> Result<Vec<Touched>, Refusal> {
    Ok(diesel::sql_query(format!("{} AND s.id > $2 ORDER BY s.id LIMIT $3", of_one()))
        .bind::<diesel::sql_types::Uuid, _>(impact)
        .bind::<diesel::sql_types::Uuid, _>(after)
        .bind::<diesel::sql_types::BigInt, _>(limit)
        .load(&mut connection)
        .await?)
}

/// Those of these results that an impact touches.
pub(super) async fn touched_among(
    mut connection: &Connection,
    impact: ImpactId,
    results: &[Uuid],
) -> Result<Vec<Touched>, Refusal> {
    Ok(diesel::sql_query(format!("{} AND s.entity_id = ANY($2) ORDER BY s.id", of_one()))
        .bind::<diesel::sql_types::Uuid, _>(impact)
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(results)
        .load(&mut connection)
        .await?)
}

/// Results of other authors that an impact touches and for which nothing was decided yet, the first so many.
pub(super) async fn undecided(
    mut connection: &Connection,
    impact: ImpactId,
    own: &[AccountId],
    limit: i64,
) -> Result<Vec<Touched>, Refusal> {
    let sql = format!("{} AND d.id IS NULL AND s.recorded_by <> ALL ($2) ORDER BY s.id LIMIT $3", of_one());
    Ok(diesel::sql_query(sql)
        .bind::<diesel::sql_types::Uuid, _>(impact)
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(own)
        .bind::<diesel::sql_types::BigInt, _>(limit)
        .load(&mut connection)
        .await?)
}

/// The newest impact that no transaction still under way can have been before: what was signed in one of them may be older than
/// the impact and not yet seen. The hour is for one that ends while the store is asked.
pub(super) async fn newest_settled(mut connection: &Connection) -> Result<Option<ImpactId>, Refusal> {
    Ok(impacts::table
        .filter(diesel::dsl::sql::<diesel::sql_types::Bool>(
            "recorded_at < LEAST(now() - interval '1 hour', (SELECT min(xact_start) FROM pg_stat_activity))",
        ))
        .order(impacts::id.desc())
        .select(impacts::id)
        .first(&mut connection)
        .await
        .optional()?)
}

/// Impacts that touch a result for which nothing was decided yet, newest first: of those after one, and of some.
///
/// What was decided is left out before anything else is looked up, which `OFFSET 0` keeps so: of most impacts all is decided.
pub(super) async fn waiting(
    mut connection: &Connection,
    (after, among): (Option<ImpactId>, &[ImpactId]),
    limit: i64,
) -> Result<Vec<Row>, Refusal> {
    let among: Vec<Uuid> = among.iter().map(|id| id.0).collect();
    let sql = format!(
        "SELECT i.* FROM (SELECT * FROM impacts WHERE id > $1 UNION SELECT * FROM impacts WHERE id = ANY($2)) i \
         WHERE EXISTS (SELECT FROM (SELECT p.* FROM pins p WHERE p.row_ids @> ARRAY[i.touched_id] \
         AND NOT EXISTS (SELECT FROM impact_decisions o WHERE o.impact_id = i.id AND o.sign_off_id = p.sign_off_id) OFFSET 0) p \
         {STANDING} AND d.id IS NULL) ORDER BY i.id DESC LIMIT $3"
    );
    Ok(diesel::sql_query(sql)
        .bind::<diesel::sql_types::Uuid, _>(after.map_or(Uuid::nil(), |id| id.0))
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(among)
        .bind::<diesel::sql_types::BigInt, _>(limit)
        .load(&mut connection)
        .await?)
}

/// Whether one of these impacts is where a nonconformity comes from.
pub(super) async fn followed_up(mut connection: &Connection, impacts: &[Uuid]) -> Result<bool, Refusal> {
    let opened = nonconformity_links::table
        .filter(nonconformity_links::entity_kind.eq("impacts"))
        .filter(nonconformity_links::entity_id.eq_any(impacts))
        .filter(nonconformity_links::relation.eq("origin"));
    Ok(diesel::select(diesel::dsl::exists(opened)).get_result(&mut connection).await?)
}

#[derive(QueryableByName)]
struct Certificate {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    words: String,
}

/// Issued certificates over results that an impact touches, by identity and what they are called. Certificates are drawn up in a
/// room above.
pub(super) async fn certificates(
    mut connection: &Connection,
    impact: ImpactId,
    limit: i64,
) -> Result<Vec<(Uuid, String)>, Refusal> {
    let sql = format!(
        "SELECT DISTINCT c.id, 'issued certificate ' || c.number || ' (issue ' || c.issue || ')' AS words FROM ({}) of \
         JOIN certificate_results r ON r.result_id = of.entity_id JOIN certificates c ON c.id = r.certificate_id \
         JOIN present_states x ON x.entity_id = c.id WHERE x.state = 'issued' ORDER BY c.id LIMIT $2",
        of_one()
    );
    let rows: Vec<Certificate> = diesel::sql_query(sql)
        .bind::<diesel::sql_types::Uuid, _>(impact)
        .bind::<diesel::sql_types::BigInt, _>(limit)
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.words)).collect())
}

/// How many results an impact touches, and whether something waits to be decided for one of them.
#[derive(Debug, Clone, Copy, QueryableByName)]
pub(super) struct Counted {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub(super) id: ImpactId,
    #[diesel(sql_type = diesel::sql_types::BigInt)]
    pub(super) number: i64,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    pub(super) waits: bool,
}

/// The same of several impacts, in one statement; one that touches nothing any more is left out.
pub(super) async fn counted(mut connection: &Connection, impacts: &[Uuid]) -> Result<Vec<Counted>, Refusal> {
    let sql = format!(
        "SELECT i.id, count(*) AS number, bool_or(d.id IS NULL) AS waits FROM impacts i CROSS JOIN pins p {STANDING} \
         AND i.id = ANY($1) GROUP BY i.id"
    );
    Ok(diesel::sql_query(sql)
        .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(impacts)
        .load(&mut connection)
        .await?)
}

const DECISION_MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "impact_decisions_once",
    code: Code::AlreadyExists,
    field: "",
    detail: "it was decided already",
}];

/// Records a decision for a signed result.
pub(super) async fn insert_decision(
    mut connection: &Connection,
    impact: ImpactId,
    sign_off: SignOffId,
    (decision, reason): (&str, &str),
    by: AccountId,
) -> Result<(), Refusal> {
    diesel::insert_into(impact_decisions::table)
        .values((
            impact_decisions::id.eq(ImpactDecisionId::new()),
            impact_decisions::impact_id.eq(impact),
            impact_decisions::sign_off_id.eq(sign_off),
            impact_decisions::decision.eq(decision),
            impact_decisions::reason.eq(reason),
            impact_decisions::recorded_by.eq(by),
        ))
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, DECISION_MEANINGS))?;
    Ok(())
}
