//! Concessions: an expired or overdue item used all the same, or a result approved although its run has not decided, with the
//! signatures of two managers.

pub mod pages;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, ConcessionId};
use ferrotitre_base::labels;
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature, SignOff};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::zone;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use ferrotitre_schema::concessions;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::{equipment, standards, titrants};

const KIND: EntityKind = EntityKind::Concession;
const ITEMS: [&str; 5] = ["titrants", "primary_standards", "reagents", "equipment", DETERMINATIONS];
/// Kind of item of a concession for a result whose run has not decided.
const DETERMINATIONS: &str = "determinations";

/// A concession as asked for.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewConcession {
    /// titrants, primary_standards, reagents or equipment; or determinations, for a result whose run was not released or had no
    /// plan of quality control.
    #[schema(example = "titrants")]
    pub item_kind: String,
    /// The item.
    pub item: Uuid,
    /// Why it may be used all the same, at least 5 characters.
    #[schema(example = "new lot arrives on Monday; control in range this morning")]
    pub reason: String,
    /// From when.
    pub valid_from: DateTime<Utc>,
    /// Until when, at most 31 days later.
    pub valid_to: DateTime<Utc>,
}

/// A concession as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = concessions)]
pub struct Row {
    pub id: ConcessionId,
    pub item_kind: String,
    pub item_id: Uuid,
    pub reason: String,
    pub valid_from: DateTime<Utc>,
    pub valid_to: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// A concession.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConcessionView {
    /// Identity.
    pub id: Uuid,
    /// Kind of item.
    pub item_kind: String,
    /// The item.
    pub item: Uuid,
    /// Why.
    pub reason: String,
    /// From when.
    pub valid_from: DateTime<Utc>,
    /// Until when.
    pub valid_to: DateTime<Utc>,
    /// requested, granted or refused.
    #[schema(example = "granted")]
    pub state: String,
    /// SHA-256 of what a signature covers.
    pub content_digest: String,
    /// Signatures; two managers' are needed.
    pub sign_offs: Vec<SignOff>,
    /// Server time of the request.
    pub recorded_at: DateTime<Utc>,
    /// Who asked.
    pub recorded_by: AccountId,
}

impl Located for ConcessionView {
    fn location(&self) -> String {
        format!("/api/v1/concessions/{}", self.id)
    }
}

fn digest(row: &Row) -> String {
    let text = format!(
        "ferrotitre concession 1\n{} {} {} {} {} {}",
        row.id, row.item_kind, row.item_id, row.valid_from, row.valid_to, row.reason
    );
    hex::encode(Sha256::digest(text.as_bytes()))
}

async fn view(connection: &Connection, row: Row) -> Result<ConcessionView, Refusal> {
    let digest = digest(&row);
    let sign_offs =
        sign_offs::of(connection, row.id.0).await?.into_iter().map(|sign| sign.view(&digest, None, false)).collect();
    Ok(ConcessionView {
        id: row.id.0,
        item_kind: row.item_kind,
        item: row.item_id,
        reason: row.reason,
        valid_from: row.valid_from,
        valid_to: row.valid_to,
        state: states::present(connection, KIND, row.id.0).await?.state,
        content_digest: digest,
        sign_offs,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    })
}

async fn find(mut connection: &Connection, id: Uuid) -> Result<Row, Refusal> {
    let row =
        concessions::table.find(ConcessionId(id)).select(Row::as_select()).first(&mut connection).await.optional()?;
    row.ok_or_else(|| Refusal::not_found("concession", id))
}

#[derive(QueryableByName)]
struct ResultRow {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    code: String,
}

/// Determinations are made above the bench; all that a concession knows of one is that there is such a row.
async fn result_exists(mut connection: &Connection, id: Uuid) -> Result<(), Refusal> {
    let found: Option<ResultRow> = diesel::sql_query("SELECT id, code FROM determinations WHERE id = $1")
        .bind::<diesel::sql_types::Uuid, _>(id)
        .get_result(&mut connection)
        .await
        .optional()?;
    found.map(|_| ()).ok_or_else(|| Refusal::not_found("determination", id))
}

/// Determinations that wait for their review or approval, newest first: identity and code.
pub async fn waiting_results(db: &Db) -> Result<Vec<(Uuid, String)>, Refusal> {
    db.read(async |mut connection| {
        let rows: Vec<ResultRow> = diesel::sql_query(
            "SELECT d.id, d.code FROM determinations d JOIN present_states s ON s.entity_id = d.id \
             WHERE s.entity_kind = 'determinations' AND s.state IN ('submitted', 'reviewed') ORDER BY d.id DESC LIMIT 200",
        )
        .load(&mut connection)
        .await?;
        Ok(rows.into_iter().map(|row| (row.id, row.code)).collect())
    })
    .await
}

/// The item the concession is for.
async fn item_exists(connection: &Connection, kind: &str, item: Uuid) -> Result<(), Refusal> {
    match kind {
        "titrants" => titrants::store::titrant(connection, item).await.map(drop),
        "primary_standards" => standards::primary::versions::current(connection, item).await.map(drop),
        "reagents" => standards::reagents::versions::current(connection, item).await.map(drop),
        DETERMINATIONS => result_exists(connection, item).await,
        _ => equipment::store::versions::current(connection, item).await.map(drop),
    }
    .map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at("item", "exists", item),
        _ => refusal,
    })
}

pub async fn request(db: &Db, act: &Act, new: NewConcession) -> Result<Answer, Refusal> {
    let mut errors = FieldErrors::default();
    let message = format!("must be one of {}", ITEMS.join(", "));
    errors.require(ITEMS.contains(&new.item_kind.as_str()), "item_kind", "one_of", message, &new.item_kind);
    let window = new.valid_to > new.valid_from && new.valid_to <= new.valid_from + chrono::Duration::days(31);
    errors.require(
        window,
        "valid_to",
        "range",
        "must be after the beginning, at most 31 days",
        new.valid_to.to_rfc3339(),
    );
    errors.check()?;
    states::reason_given("reason", Some(&new.reason))?;
    let row = Row {
        id: ConcessionId::new(),
        item_kind: new.item_kind,
        item_id: new.item,
        reason: new.reason,
        valid_from: new.valid_from,
        valid_to: new.valid_to,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    db.write(act, async |mut connection| {
        item_exists(connection, &row.item_kind, row.item_id).await?;
        let row: Row = diesel::insert_into(concessions::table)
            .values(&row)
            .returning(Row::as_returning())
            .get_result(&mut connection)
            .await?;
        view(connection, row).await
    })
    .await
}

/// Signs a concession; the second manager's signature grants it. Nobody signs their own request, nobody signs twice.
pub async fn sign(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        let row = find(connection, id).await?;
        let signed = sign_offs::of(connection, id).await?;
        let mut parties = vec![row.recorded_by];
        parties.extend(signed.iter().map(|sign| sign.recorded_by));
        let detail = "a concession is signed by two managers who did not ask for it";
        signing::not_a_party(connection, user.account, &parties, detail).await?;
        let state = states::present(connection, KIND, id).await?.state;
        if state != "requested" {
            return Err(Refusal::new(Code::StateConflict, format!("the concession is {state}")));
        }
        let digest = digest(&row);
        let content = Content { kind: KIND, id, digest: &digest, evaluation: None };
        sign_offs::sign(connection, user, Meaning::Approved, content, &signature).await?;
        if !signed.is_empty() {
            states::advance(connection, act, KIND, id, &NewMove { to: "granted".to_owned(), reason: None }, None)
                .await?;
        }
        view(connection, row).await
    })
    .await
}

pub async fn read(db: &Db, id: Uuid) -> Result<ConcessionView, Refusal> {
    db.read(async |connection| view(connection, find(connection, id).await?).await).await
}

pub async fn list(db: &Db, listing: &Listing) -> Result<Page<ConcessionView>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |mut connection| {
        let rows: Vec<Row> = concessions::table
            .filter(concessions::id.lt(ConcessionId(listing.before())))
            .order(concessions::id.desc())
            .limit(limit + 1)
            .select(Row::as_select())
            .load(&mut connection)
            .await?;
        let page = Page::of(rows, limit, |row| row.id.0);
        let mut items = Vec::with_capacity(page.items.len());
        for row in page.items {
            items.push(view(connection, row).await?);
        }
        Ok(Page { items, next: page.next })
    })
    .await
}

/// Newest concessions for things that are offered.
const OFFERED: i64 = 200;

/// Concessions for a titrant lot or a piece of equipment that were granted, newest first, with what they are for.
///
/// # Errors
/// A store that cannot be reached.
pub async fn for_things(db: &Db) -> Result<Vec<(Row, String)>, Refusal> {
    let rows: Vec<Row> = db
        .read(async |mut connection| {
            let rows: Vec<Row> = concessions::table
                .filter(concessions::item_kind.eq_any([EntityKind::Titrant.table(), EntityKind::Equipment.table()]))
                .order(concessions::id.desc())
                .limit(OFFERED)
                .select(Row::as_select())
                .load(&mut connection)
                .await?;
            let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
            let known = states::present_many(connection, KIND, &ids).await?;
            Ok(rows.into_iter().filter(|row| known.get(&row.id.0).is_some_and(|state| state == "granted")).collect())
        })
        .await?;
    let mut codes = std::collections::HashMap::new();
    for kind in [EntityKind::Titrant, EntityKind::Equipment] {
        let of_kind = rows.iter().filter(|row| row.item_kind == kind.table());
        let ids: Vec<Uuid> = of_kind.map(|row| row.item_id).collect();
        if !ids.is_empty() {
            codes.extend(labels::of(db, kind, &ids).await?);
        }
    }
    let named = |row: Row| {
        let code = codes.get(&row.item_id).cloned().unwrap_or_default();
        (row, code)
    };
    Ok(rows.into_iter().map(named).collect())
}

/// Whether a concession covers an item at a time; otherwise the refusal stands.
///
/// # Errors
/// The refusal handed in, or that the concession does not fit.
pub async fn excuse(
    connection: &Connection,
    concession: Option<ConcessionId>,
    item: Uuid,
    at: DateTime<Utc>,
    refusal: Refusal,
) -> Result<(), Refusal> {
    let Some(id) = concession else { return Err(refusal) };
    let row = find(connection, id.0).await?;
    let state = states::present(connection, KIND, id.0).await?.state;
    if row.item_id == item && state == "granted" && row.valid_from <= at && at < row.valid_to {
        return Ok(());
    }
    let detail = format!(
        "{}; the concession is {state} for item {} from {} to {}",
        refusal.detail, row.item_id, row.valid_from, row.valid_to
    );
    Err(Refusal::new(refusal.code, detail).at("concession", "covers", id))
}

/// Concessions that were ever granted for a determination.
async fn granted_for(mut connection: &Connection, determination: Uuid) -> Result<Vec<Row>, Refusal> {
    let rows: Vec<Row> = concessions::table
        .filter(concessions::item_id.eq(determination).and(concessions::item_kind.eq(DETERMINATIONS)))
        .order(concessions::id)
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let known = states::present_many(connection, KIND, &ids).await?;
    Ok(rows.into_iter().filter(|row| known.get(&row.id.0).is_some_and(|state| state == "granted")).collect())
}

/// Whether a concession lets a determination be approved at a time although its run has not decided.
pub async fn holds_for(connection: &Connection, determination: Uuid, at: DateTime<Utc>) -> Result<bool, Refusal> {
    let granted = granted_for(connection, determination).await?;
    Ok(granted.iter().any(|row| row.valid_from <= at && at < row.valid_to))
}

/// What is printed with a result of the concessions granted for it.
pub async fn of_result(connection: &Connection, determination: Uuid) -> Result<Vec<String>, Refusal> {
    let mut texts = Vec::new();
    for row in granted_for(connection, determination).await? {
        let signed = sign_offs::of(connection, row.id.0).await?;
        let names: Vec<&str> = signed.iter().map(|sign| sign.printed_name.as_str()).collect();
        let day = zone::local(row.recorded_at).format("%-d %b %Y");
        texts.push(format!("under the concession of {day}, granted by {}: {}", names.join(" and "), row.reason));
    }
    Ok(texts)
}
