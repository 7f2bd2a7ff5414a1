//! Things that are corrected by a new version: the same shape on the wire, the same queries, the same rules.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::ids::AccountId;

/// A thing in its present version.
#[derive(Debug, Serialize, ToSchema)]
pub struct VersionView<F> {
    /// The thing itself, the same in all its versions.
    pub id: Uuid,
    /// This version; the ETag to name in If-Match when it is corrected.
    pub version_id: Uuid,
    /// Number of the version, from 1.
    #[schema(example = 1)]
    pub version: i32,
    /// Version this one corrects.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supersedes: Option<Uuid>,
    /// Reason of the correction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Present state.
    #[schema(example = "released")]
    pub state: String,
    /// What was recorded.
    #[serde(flatten)]
    pub facts: F,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
    /// Path of the thing, for the Location header.
    #[serde(skip)]
    pub path: &'static str,
}

impl<F> crate::web::answer::Located for VersionView<F> {
    fn location(&self) -> String {
        format!("{}/{}", self.path, self.id)
    }
}

/// A thing with all its versions, oldest first; earlier values stay visible beside the present ones.
#[derive(Debug, Serialize, ToSchema)]
pub struct History<F> {
    /// Versions, oldest first.
    pub versions: Vec<VersionView<F>>,
    /// Moves between states, oldest first.
    pub moves: Vec<crate::states::StateMove>,
}

/// A correction: the whole thing as it should be, and why.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Correction<F> {
    /// Why, at least 5 characters.
    #[schema(example = "serial number was read off wrongly")]
    pub reason: String,
    /// The thing as it should be.
    pub facts: F,
}

/// Makes a module `versions` with the row, the queries and the use cases of a versioned table.
///
/// `also` names what a kind needs beyond making, reading and correcting a row: `exactly` (one version), `every` (all versions of
/// several things), and the use cases
/// `record`, `record_all` (in a transaction that does more, with the codes that are `taken`), `correct`, `advance`, `read` (with the
/// history) and `list`.
///
/// Needs in scope: the facts type (queryable, insertable, serialisable) with a method `check(&self) -> Result<(), Refusal>`.
#[macro_export]
macro_rules! versioned {
    (table: $table:ident, id: $id:ident, facts: $facts:ident, kind: $kind:expr, path: $path:literal, meanings: $meanings:expr,
     also: [$($part:ident),* $(,)?] $(,)?) => {
        pub mod versions {
            use diesel::prelude::*;
            use diesel_async::RunQueryDsl;
            use uuid::Uuid;

            use super::$facts;
            use $crate::db::{Act, Connection};
            use $crate::ids::{AccountId, $id};
            use $crate::refusal::{Code, Refusal, from_store};
            use $crate::schema::$table;
            use $crate::states;
            use $crate::web::answer::expect_version;
            use $crate::web::versions::{Correction, VersionView};

            /// A version as stored.
            #[derive(Debug, Clone, Queryable, Selectable, Insertable)]
            #[diesel(table_name = $table)]
            pub struct Row {
                pub id: $id,
                pub record_id: Uuid,
                pub version: i32,
                pub supersedes: Option<$id>,
                pub reason: Option<String>,
                #[diesel(embed)]
                pub facts: $facts,
                #[diesel(skip_insertion)]
                pub recorded_at: chrono::DateTime<chrono::Utc>,
                pub recorded_by: AccountId,
            }

            impl Row {
                pub fn view(self, state: String) -> VersionView<$facts> {
                    VersionView {
                        id: self.record_id,
                        version_id: self.id.0,
                        version: self.version,
                        supersedes: self.supersedes.map(|id| id.0),
                        reason: self.reason,
                        state,
                        facts: self.facts,
                        recorded_at: self.recorded_at,
                        recorded_by: self.recorded_by,
                        path: $path,
                    }
                }
            }

            /// Present version of a thing.
            pub async fn current(mut connection: &Connection, record: Uuid) -> Result<Row, Refusal> {
                $table::table
                    .filter($table::record_id.eq(record))
                    .order($table::version.desc())
                    .select(Row::as_select())
                    .first(&mut connection)
                    .await
                    .optional()?
                    .ok_or_else(|| Refusal::not_found($kind.noun(), record))
            }

            pub async fn insert(mut connection: &Connection, row: &Row) -> Result<Row, Refusal> {
                diesel::insert_into($table::table)
                    .values(row)
                    .returning(Row::as_returning())
                    .get_result(&mut connection)
                    .await
                    .map_err(|error| from_store(error, $meanings))
            }

            fn actor(act: &Act) -> Result<AccountId, Refusal> {
                act.actor.ok_or_else(|| Refusal::new(Code::NotSignedIn, "a record needs somebody who records it"))
            }

            /// A first version, not yet stored.
            pub fn first(act: &Act, facts: $facts) -> Result<Row, Refusal> {
                facts.check()?;
                let id = $id::new();
                Ok(Row {
                    id,
                    record_id: id.0,
                    version: 1,
                    supersedes: None,
                    reason: None,
                    facts,
                    recorded_at: chrono::DateTime::UNIX_EPOCH,
                    recorded_by: actor(act)?,
                })
            }

            /// The next version, not yet stored.
            pub fn next(
                act: &Act,
                present: &Row,
                if_match: Option<&str>,
                correction: Correction<$facts>,
            ) -> Result<Row, Refusal> {
                expect_version(if_match, &present.id.to_string())?;
                states::reason_given("reason", Some(&correction.reason))?;
                correction.facts.check()?;
                Ok(Row {
                    id: $id::new(),
                    record_id: present.record_id,
                    version: present.version + 1,
                    supersedes: Some(present.id),
                    reason: Some(correction.reason),
                    facts: correction.facts,
                    recorded_at: chrono::DateTime::UNIX_EPOCH,
                    recorded_by: actor(act)?,
                })
            }

            $($crate::web::versions::versioned!(@ $part $table, $id, $facts, $kind);)*
        }
    };
    (@ exactly $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        /// One version.
        pub async fn exactly(mut connection: &Connection, id: $id) -> Result<Row, Refusal> {
            let row = $table::table.find(id).select(Row::as_select()).first(&mut connection).await.optional()?;
            row.ok_or_else(|| Refusal::not_found($kind.noun(), id))
        }
    };
    (@ several $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        /// Several versions, those that there are.
        pub async fn several(mut connection: &Connection, ids: &[$id]) -> Result<Vec<Row>, Refusal> {
            Ok($table::table.filter($crate::among::among($table::id, ids)).select(Row::as_select()).load(&mut connection).await?)
        }
    };
    (@ every $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        /// All versions of several things, those of one together and oldest first.
        pub async fn every(mut connection: &Connection, records: &[Uuid]) -> Result<Vec<Row>, Refusal> {
            Ok($table::table
                .filter($crate::among::among($table::record_id, records))
                .order(($table::record_id, $table::version))
                .select(Row::as_select())
                .load(&mut connection)
                .await?)
        }
    };
    (@ record $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        pub async fn record(db: &$crate::db::Db, act: &Act, facts: $facts) -> Result<$crate::web::answer::Answer, Refusal> {
            let row = first(act, facts)?;
            db.write(act, async |connection| {
                Ok(insert(connection, &row).await?.view($kind.first_state().to_owned()))
            })
            .await
        }
    };
    (@ record_all $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        /// Records several, in their order.
        pub async fn record_all(mut connection: &Connection, act: &Act, all: Vec<$facts>) -> Result<Vec<Uuid>, Refusal> {
            let rows = all.into_iter().map(|facts| first(act, facts)).collect::<Result<Vec<Row>, Refusal>>()?;
            // A statement takes at most 65 535 values.
            for some in rows.chunks(1000) {
                diesel::insert_into($table::table)
                    .values(some)
                    .execute(&mut connection)
                    .await
                    .map_err(|error| from_store(error, super::MEANINGS))?;
            }
            Ok(rows.into_iter().map(|row| row.record_id).collect())
        }

        /// Those codes that something has or had.
        pub async fn taken(mut connection: &Connection, codes: &[String]) -> Result<Vec<String>, Refusal> {
            Ok($table::table
                .filter($table::code.eq_any(codes))
                .select($table::code)
                .distinct()
                .load(&mut connection)
                .await?)
        }
    };
    (@ correct $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        pub async fn correct(
            db: &$crate::db::Db,
            act: &Act,
            record: Uuid,
            if_match: Option<&str>,
            correction: Correction<$facts>,
        ) -> Result<$crate::web::answer::Answer, Refusal> {
            db.write(act, async |connection| {
                let present = current(connection, record).await?;
                let row = next(act, &present, if_match, correction)?;
                let state = states::present(connection, $kind, record).await?.state;
                Ok(insert(connection, &row).await?.view(state))
            })
            .await
        }
    };
    (@ advance $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        pub async fn advance(
            db: &$crate::db::Db,
            act: &Act,
            record: Uuid,
            asked: states::NewMove,
        ) -> Result<$crate::web::answer::Answer, Refusal> {
            db.write(act, async |connection| advance_in(connection, act, record, &asked).await).await
        }

        /// Moves a thing in a transaction that does more.
        pub async fn advance_in(
            connection: &Connection,
            act: &Act,
            record: Uuid,
            asked: &states::NewMove,
        ) -> Result<states::StateMove, Refusal> {
            current(connection, record).await?;
            states::advance(connection, act, $kind, record, asked, None).await
        }
    };
    (@ read $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        pub async fn read(db: &$crate::db::Db, record: Uuid) -> Result<$crate::web::answer::Versioned<$crate::web::versions::History<$facts>>, Refusal> {
            db.read(async |mut connection| {
                let rows: Vec<Row> = $table::table
                    .filter($table::record_id.eq(record))
                    .order($table::version)
                    .select(Row::as_select())
                    .load(&mut connection)
                    .await?;
                let tag = rows.last().map(|row| row.id.to_string());
                let tag = tag.ok_or_else(|| Refusal::not_found($kind.noun(), record))?;
                let state = states::present(connection, $kind, record).await?.state;
                let moves = states::history(connection, record).await?;
                let versions = rows.into_iter().map(|row| row.view(state.clone())).collect();
                Ok($crate::web::answer::Versioned { resource: $crate::web::versions::History { versions, moves }, tag })
            })
            .await
        }
    };
    (@ list $table:ident, $id:ident, $facts:ident, $kind:expr) => {
        pub async fn list(db: &$crate::db::Db, listing: &$crate::web::paging::Listing) -> Result<$crate::web::paging::Page<VersionView<$facts>>, Refusal> {
            let limit = listing.limit()?;
            db.read(async |mut connection| {
                let newer = diesel::alias!($table as newer);
                let replaced = newer.filter(newer.field($table::supersedes).eq($table::id.nullable()));
                let rows: Vec<Row> = $table::table
                    .filter(diesel::dsl::not(diesel::dsl::exists(replaced)))
                    .filter($table::record_id.lt(listing.before()))
                    .filter($table::recorded_at.ge(listing.window_start()))
                    .filter($table::recorded_at.lt(listing.window_end()))
                    .order($table::record_id.desc())
                    .limit(limit + 1)
                    .select(Row::as_select())
                    .load(&mut connection)
                    .await?;
                let ids: Vec<Uuid> = rows.iter().map(|row| row.record_id).collect();
                let mut known = states::present_many(connection, $kind, &ids).await?;
                $crate::web::paging::Page::of(rows, limit, |row| row.record_id).try_map(|row| {
                    Ok(known
                        .remove(&row.record_id)
                        .map_or_else(|| row.clone().view(String::new()), |state| row.clone().view(state)))
                })
            })
            .await
        }
    };
}
pub use versioned;
