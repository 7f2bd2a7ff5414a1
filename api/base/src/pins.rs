//! What a signature stands over: the rows its evaluation read, by identity. What is signed is read from them alone.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_core::determination::FORMULA_SET;
use uuid::Uuid;

use crate::db::Connection;
use crate::ids::{AccountId, PinsId, SignOffId, UnpinnedSignatureId};
use crate::kept::kept;
use crate::refusal::Refusal;
use ferrotitre_schema::{pins, unpinned_signatures};

/// Which rows an evaluation reads.
#[derive(Debug, Clone)]
pub enum Sight {
    /// Those of the present.
    Present,
    /// Those that a signature stands over.
    Pinned(Arc<HashSet<Uuid>>),
    /// Those that had been recorded by a moment.
    AsOf(DateTime<Utc>),
}

impl Sight {
    /// Whether a row is among them.
    pub fn sees(&self, row: Uuid, recorded_at: DateTime<Utc>) -> bool {
        match self {
            Self::Present => true,
            Self::Pinned(rows) => rows.contains(&row),
            Self::AsOf(moment) => recorded_at <= *moment,
        }
    }
}

/// Rows that an evaluation read, with the bench time each was last used at.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Used(BTreeMap<(String, Uuid), DateTime<Utc>>);

impl Used {
    /// Adds a row of a table.
    pub fn add(&mut self, kind: &str, row: Uuid, at: DateTime<Utc>) {
        let known = self.0.entry((kind.to_owned(), row)).or_insert(at);
        *known = at.max(*known);
    }

    /// Adds all rows of another evaluation.
    pub fn extend(&mut self, other: &Self) {
        for ((kind, row), at) in &other.0 {
            self.add(kind, *row, *at);
        }
    }

    /// Identities of the rows.
    pub fn rows(&self) -> HashSet<Uuid> {
        self.0.keys().map(|(_, row)| *row).collect()
    }

    /// The rows of a table with the time each was last used at.
    pub fn times(&self, kind: &str) -> Vec<(Uuid, DateTime<Utc>)> {
        self.0.iter().filter(|((of, _), _)| of == kind).map(|((_, row), at)| (*row, *at)).collect()
    }

    /// The rows of a table.
    pub fn of(&self, kind: &str) -> Vec<Uuid> {
        self.0.keys().filter(|(of, _)| of == kind).map(|(_, row)| *row).collect()
    }
}

#[derive(Insertable)]
#[diesel(table_name = pins)]
struct NewRow<'a> {
    id: PinsId,
    sign_off_id: SignOffId,
    kinds: Vec<&'a str>,
    row_ids: Vec<Uuid>,
    used_at: Vec<DateTime<Utc>>,
    recorded_by: Option<AccountId>,
}

/// Records what a signature stands over, in its own transaction.
///
/// # Errors
/// A store that cannot be reached.
pub async fn record(
    mut connection: &Connection,
    sign_off: SignOffId,
    used: &Used,
    by: Option<AccountId>,
) -> Result<(), Refusal> {
    let row = NewRow {
        id: PinsId::new(),
        sign_off_id: sign_off,
        kinds: used.0.keys().map(|(kind, _)| kind.as_str()).collect(),
        row_ids: used.0.keys().map(|(_, row)| *row).collect(),
        used_at: used.0.values().copied().collect(),
        recorded_by: by,
    };
    diesel::insert_into(pins::table).values(&row).execute(&mut connection).await?;
    Ok(())
}

/// Records that a signature of an earlier release fits no rows on record.
///
/// # Errors
/// A store that cannot be reached.
pub async fn record_unpinned(mut connection: &Connection, sign_off: SignOffId, reason: &str) -> Result<(), Refusal> {
    diesel::insert_into(unpinned_signatures::table)
        .values((
            unpinned_signatures::id.eq(UnpinnedSignatureId::new()),
            unpinned_signatures::sign_off_id.eq(sign_off),
            unpinned_signatures::reason.eq(reason),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// A signature under which a thing stands, with what it stands over.
#[derive(Debug, Clone, QueryableByName)]
pub struct Standing {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub entity_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub sign_off: SignOffId,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub signed_at: DateTime<Utc>,
    /// Digest that was signed.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub content_digest: String,
    /// Version of the formulae it was evaluated by.
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub formula_set: String,
    /// The evaluation as it stood, read only where the formulae have changed since.
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Text>)]
    pub evaluation: Option<String>,
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Array<diesel::sql_types::Uuid>>)]
    rows: Option<Vec<Uuid>>,
    /// Why the signature of an earlier release fits no rows.
    #[diesel(sql_type = diesel::sql_types::Nullable<diesel::sql_types::Text>)]
    pub unpinned: Option<String>,
}

impl Standing {
    /// What is read under this signature; none where it fits no rows.
    pub fn sight(&self) -> Option<Sight> {
        self.rows.as_ref().map(|rows| Sight::Pinned(Arc::new(rows.iter().copied().collect())))
    }

    /// The rows it stands over.
    pub fn rows(&self) -> &[Uuid] {
        self.rows.as_deref().unwrap_or_default()
    }
}

/// The statement for one thing keeps its plan; the one for several is planned for as many as are asked for.
macro_rules! standing {
    ($things:literal) => {
        concat!(
            "SELECT DISTINCT ON (s.entity_id) s.entity_id, s.id AS sign_off, s.recorded_at AS signed_at, s.content_digest, \
             s.formula_set, CASE WHEN s.formula_set <> $2 THEN s.evaluation END AS evaluation, p.row_ids AS rows, \
             n.reason AS unpinned FROM sign_offs s LEFT JOIN pins p ON p.sign_off_id = s.id \
             LEFT JOIN unpinned_signatures n ON n.sign_off_id = s.id WHERE s.entity_id = ",
            $things,
            " AND s.meaning = $3 ORDER BY s.entity_id, s.id DESC"
        )
    };
}

/// The latest signatures of the authors of things, by thing.
///
/// # Errors
/// A store that cannot be reached.
pub async fn standing(connection: &Connection, things: &[Uuid]) -> Result<HashMap<Uuid, Standing>, Refusal> {
    under(connection, things, "authored").await
}

/// The latest signatures of one meaning on things, by thing.
///
/// # Errors
/// A store that cannot be reached.
pub async fn under(
    mut connection: &Connection,
    things: &[Uuid],
    meaning: &str,
) -> Result<HashMap<Uuid, Standing>, Refusal> {
    let rows: Vec<Standing> = match things {
        [] => Vec::new(),
        [one] => {
            kept(standing!("$1"))
                .bind::<diesel::sql_types::Uuid, _>(one)
                .bind::<diesel::sql_types::Text, _>(FORMULA_SET)
                .bind::<diesel::sql_types::Text, _>(meaning)
                .load(&mut connection)
                .await?
        }
        several => {
            diesel::sql_query(standing!("ANY($1)"))
                .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(several)
                .bind::<diesel::sql_types::Text, _>(FORMULA_SET)
                .bind::<diesel::sql_types::Text, _>(meaning)
                .load(&mut connection)
                .await?
        }
    };
    Ok(rows.into_iter().map(|row| (row.entity_id, row)).collect())
}

#[derive(QueryableByName)]
struct Rows {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    entity_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Uuid>)]
    rows: Vec<Uuid>,
}

/// What is read under signatures, by the thing that was signed; identities that are no signatures are passed over.
///
/// # Errors
/// A store that cannot be reached.
pub async fn sights(mut connection: &Connection, among: &[Uuid]) -> Result<HashMap<Uuid, Sight>, Refusal> {
    let rows: Vec<Rows> = diesel::sql_query(
        "SELECT s.entity_id, p.row_ids AS rows FROM sign_offs s JOIN pins p ON p.sign_off_id = s.id WHERE s.id = ANY($1)",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(among)
    .load(&mut connection)
    .await?;
    Ok(rows.into_iter().map(|row| (row.entity_id, Sight::Pinned(Arc::new(row.rows.into_iter().collect())))).collect())
}

#[derive(QueryableByName)]
struct Signed {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    entity_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Uuid>)]
    rows: Vec<Uuid>,
}

/// The same by the signature, with what was signed.
///
/// # Errors
/// A store that cannot be reached.
pub async fn sights_by_signature(
    mut connection: &Connection,
    among: &[Uuid],
) -> Result<HashMap<Uuid, (Uuid, Sight)>, Refusal> {
    let rows: Vec<Signed> = diesel::sql_query(
        "SELECT s.id, s.entity_id, p.row_ids AS rows FROM sign_offs s JOIN pins p ON p.sign_off_id = s.id WHERE s.id = ANY($1)",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(among)
    .load(&mut connection)
    .await?;
    let sight = |rows: Vec<Uuid>| Sight::Pinned(Arc::new(rows.into_iter().collect()));
    Ok(rows.into_iter().map(|row| (row.id, (row.entity_id, sight(row.rows)))).collect())
}

#[derive(QueryableByName)]
struct Lists {
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Text>)]
    kinds: Vec<String>,
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Uuid>)]
    row_ids: Vec<Uuid>,
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Timestamptz>)]
    used_at: Vec<DateTime<Utc>>,
}

/// What the latest pinned signatures on things stand over, all together.
///
/// # Errors
/// A store that cannot be reached.
pub async fn together(mut connection: &Connection, things: &[Uuid]) -> Result<Used, Refusal> {
    let rows: Vec<Lists> = diesel::sql_query(
        "SELECT DISTINCT ON (s.entity_id) p.kinds, p.row_ids, p.used_at FROM sign_offs s JOIN pins p ON p.sign_off_id = s.id \
         WHERE s.entity_id = ANY($1) ORDER BY s.entity_id, s.id DESC",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(things)
    .load(&mut connection)
    .await?;
    let mut used = Used::default();
    for row in rows {
        for ((kind, id), at) in row.kinds.iter().zip(&row.row_ids).zip(&row.used_at) {
            used.add(kind, *id, *at);
        }
    }
    Ok(used)
}

/// A signature that has neither pins nor a mark yet.
#[derive(Debug, Clone, QueryableByName)]
pub struct Unpinned {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub sign_off: SignOffId,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub entity_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub content_digest: String,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub signed_at: DateTime<Utc>,
}

/// Signatures of a meaning on things of a kind that an earlier release made, oldest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn without(
    mut connection: &Connection,
    (kind, meaning): (&str, &str),
    limit: i64,
) -> Result<Vec<Unpinned>, Refusal> {
    Ok(diesel::sql_query(
        "SELECT s.id AS sign_off, s.entity_id, s.content_digest, s.recorded_at AS signed_at FROM sign_offs s \
         WHERE s.entity_kind = $1 AND s.meaning = $2 AND NOT EXISTS (SELECT FROM pins p WHERE p.sign_off_id = s.id) \
         AND NOT EXISTS (SELECT FROM unpinned_signatures n WHERE n.sign_off_id = s.id) ORDER BY s.id LIMIT $3",
    )
    .bind::<diesel::sql_types::Text, _>(kind)
    .bind::<diesel::sql_types::Text, _>(meaning)
    .bind::<diesel::sql_types::BigInt, _>(limit)
    .load(&mut connection)
    .await?)
}

/// Gives a signature of an earlier release its pins where the rows on record fit its digest, or else a mark.
///
/// # Errors
/// A store that cannot be reached.
pub async fn adopt(
    connection: &Connection,
    unpinned: &Unpinned,
    read: Option<(String, Used)>,
) -> Result<bool, Refusal> {
    match read {
        Some((digest, used)) if digest == unpinned.content_digest => {
            record(connection, unpinned.sign_off, &used, None).await?;
            Ok(true)
        }
        Some(_) => {
            let reason =
                "the digest that was signed fits no rows on record: what was signed then cannot be shown again";
            record_unpinned(connection, unpinned.sign_off, reason).await?;
            Ok(false)
        }
        None => {
            let reason = "the rows that were signed cannot be evaluated any more";
            record_unpinned(connection, unpinned.sign_off, reason).await?;
            Ok(false)
        }
    }
}

/// Notes what touched signatures of an earlier release since they were made, once they have pins.
///
/// # Errors
/// A store that cannot be reached.
pub async fn touch_past(mut connection: &Connection) -> Result<(), Refusal> {
    diesel::sql_query("SELECT touch_past()").execute(&mut connection).await?;
    Ok(())
}
