//! A statement written as text whose plan the connection keeps, which it never does for `diesel::sql_query`.

use diesel::QueryResult;
use diesel::pg::Pg;
use diesel::query_builder::{AstPass, Query, QueryFragment, QueryId};
use diesel::serialize::ToSql;
use diesel::sql_types::{HasSqlType, Untyped};

/// A statement with its values; see [`kept`].
pub struct Kept<'a> {
    sql: &'static str,
    values: Vec<Box<dyn QueryFragment<Pg> + Send + 'a>>,
}

/// A statement with `$1`, `$2` … where values go, each of which may stand in several places.
///
/// For text that never changes: each text is a plan that is kept.
#[must_use]
pub const fn kept(sql: &'static str) -> Kept<'static> {
    Kept { sql, values: Vec::new() }
}

impl<'a> Kept<'a> {
    /// The next value.
    #[must_use]
    pub fn bind<ST, V>(mut self, value: V) -> Self
    where
        Pg: HasSqlType<ST>,
        ST: Send + 'a,
        V: ToSql<ST, Pg> + Send + 'a,
    {
        self.values.push(Box::new(Value::<ST, V>(value, std::marker::PhantomData)));
        self
    }
}

impl Query for Kept<'_> {
    type SqlType = Untyped;
}

// Found again by its text.
impl QueryId for Kept<'_> {
    type QueryId = ();
    const HAS_STATIC_QUERY_ID: bool = false;
}

impl QueryFragment<Pg> for Kept<'_> {
    fn walk_ast<'b>(&'b self, mut out: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        let mut pieces = self.sql.split('$');
        out.push_sql(pieces.next().unwrap_or_default());
        for piece in pieces {
            let (number, text) = piece.split_at(piece.find(|c: char| !c.is_ascii_digit()).unwrap_or(piece.len()));
            let value = number.parse::<usize>().ok().and_then(|number| self.values.get(number.checked_sub(1)?));
            let missing = || diesel::result::Error::QueryBuilderError(format!("${number} has no value").into());
            value.ok_or_else(missing)?.walk_ast(out.reborrow())?;
            out.push_sql(text);
        }
        Ok(())
    }
}

struct Value<ST, V>(V, std::marker::PhantomData<ST>);

impl<ST, V> QueryFragment<Pg> for Value<ST, V>
where
    Pg: HasSqlType<ST>,
    V: ToSql<ST, Pg>,
{
    fn walk_ast<'b>(&'b self, mut out: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        out.push_bind_param::<ST, V>(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::kept;
    use diesel::pg::Pg;
    use diesel::sql_types::{Integer, Text};

    #[test]
    fn a_value_may_stand_in_several_places() {
        let two = kept("SELECT $2, $1 || $2").bind::<Integer, _>(7).bind::<Text, _>("mL");
        assert_eq!(diesel::debug_query::<Pg, _>(&two).to_string(), "SELECT $1, $2 || $3 -- binds: [\"mL\", 7, \"mL\"]");
    }

    #[test]
    fn a_missing_value_is_said() {
        use diesel::query_builder::QueryBuilder as _;
        let mut out = diesel::pg::PgQueryBuilder::default();
        let none = kept("SELECT $1");
        let refused = diesel::query_builder::QueryFragment::<Pg>::to_sql(&none, &mut out, &Pg);
        assert!(refused.is_err_and(|error| error.to_string().contains("$1 has no value")));
        drop(out.finish());
    }
}
