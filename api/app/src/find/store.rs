//! Things by what their code begins with.

use std::fmt::Write as _;
use std::sync::LazyLock;

use diesel::prelude::*;
use diesel::sql_types::{Bool, Integer, Nullable, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

use super::KINDS;

/// Things of one kind that are found at once.
pub(super) const EACH: usize = 12;

/// A thing that was found.
#[derive(Debug, Clone, QueryableByName)]
pub(super) struct Found {
    /// Which of [`KINDS`].
    #[diesel(sql_type = Integer)]
    pub(super) kind: i32,
    #[diesel(sql_type = SqlUuid)]
    pub(super) id: Uuid,
    #[diesel(sql_type = Text)]
    pub(super) code: String,
    #[diesel(sql_type = Text)]
    pub(super) what: String,
    #[diesel(sql_type = Nullable<Text>)]
    pub(super) state: Option<String>,
    /// The code is what was looked for, to the last letter.
    #[diesel(sql_type = Bool)]
    pub(super) exact: bool,
}

/// One statement over all kinds. A code is compared letter by letter and without regard to case, which indexes serve in every
/// language of the machine; words of the few things that have titles are looked through.
static FIND: LazyLock<String> = LazyLock::new(|| {
    let mut sql = String::from("SELECT f.kind, f.id, f.code, f.what, s.state, f.exact FROM (");
    for (at, kind) in KINDS.iter().enumerate() {
        let or = if kind.also.is_empty() { String::new() } else { format!("OR {}", kind.also) };
        let counts = if kind.counts.is_empty() { String::new() } else { format!("AND {}", kind.counts) };
        let present = if kind.versions {
            format!("AND NOT EXISTS (SELECT FROM {} n WHERE n.supersedes = t.id)", kind.table)
        } else {
            String::new()
        };
        // Writing to a String cannot fail.
        let _ = write!(
            sql,
            "{union}(SELECT {at} AS kind, t.{id} AS id, t.{code} AS code, {what} AS what, upper(t.{code}) = $1 AS exact \
             FROM {table} t WHERE ((upper(t.{code}) COLLATE \"C\" >= $1 AND upper(t.{code}) COLLATE \"C\" < $2) {or}) {present} {counts} \
             ORDER BY upper(t.{code}) COLLATE \"C\" LIMIT {limit})",
            union = if at == 0 { "" } else { " UNION ALL " },
            id = kind.id,
            code = kind.code,
            what = kind.what,
            table = kind.table,
            limit = EACH + 1,
        );
    }
    sql.push_str(
        ") f LEFT JOIN present_states s ON s.entity_id = f.id ORDER BY f.exact DESC, f.kind, upper(f.code) COLLATE \"C\"",
    );
    sql
});

/// Everything whose code begins with these letters, what has the very code first.
pub(super) async fn find(mut connection: &Connection, letters: &str) -> Result<Vec<Found>, Refusal> {
    let begins = letters.to_uppercase();
    // The last letter there is ends whatever goes on with others.
    let ends = format!("{begins}\u{10FFFF}");
    Ok(diesel::sql_query(FIND.as_str()).bind::<Text, _>(begins).bind::<Text, _>(ends).load(&mut connection).await?)
}
