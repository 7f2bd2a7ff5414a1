//! Structured columns: a wire type stored as `jsonb`.

use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::expression::AsExpression;
use diesel::pg::{Pg, PgValue};
use diesel::serialize::{self, Output, ToSql};
use diesel::sql_types::Jsonb;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A value kept in a `jsonb` column.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema, AsExpression, FromSqlRow)]
#[diesel(sql_type = Jsonb)]
#[serde(transparent, bound = "")]
pub struct Json<T: std::fmt::Debug + Serialize + DeserializeOwned>(pub T);

impl<T: std::fmt::Debug + Serialize + DeserializeOwned> FromSql<Jsonb, Pg> for Json<T> {
    fn from_sql(value: PgValue<'_>) -> deserialize::Result<Self> {
        // The version of the form comes first, and there is only one.
        match value.as_bytes() {
            [1, text @ ..] => Ok(Self(serde_json::from_slice(text)?)),
            _ => Err("a jsonb of another version than 1".into()),
        }
    }
}

impl<T: std::fmt::Debug + Serialize + DeserializeOwned> ToSql<Jsonb, Pg> for Json<T> {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        let value = serde_json::to_value(&self.0)?;
        <serde_json::Value as ToSql<Jsonb, Pg>>::to_sql(&value, &mut out.reborrow())
    }
}
