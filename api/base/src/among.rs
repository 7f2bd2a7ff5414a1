//! `column = ANY(…)`, and `column = …` for one value: the store keeps the plan of the latter, and plans the former anew each time.

use diesel::expression::{AppearsOnTable, AsExpression, Expression, SelectableExpression, ValidGrouping, is_aggregate};
use diesel::pg::Pg;
use diesel::query_builder::{AstPass, QueryFragment, QueryId};
use diesel::sql_types::{Bool, SingleValue, SqlType};
use diesel::{ExpressionMethods, QueryResult, dsl};

/// One of two conditions that say the same of one value and of several.
#[derive(Debug, Clone)]
pub enum Among<One, Several> {
    One(One),
    Several(Several),
}

/// Whether a column has one of these values.
pub fn among<C, T>(column: C, values: &[T]) -> Among<dsl::Eq<C, T>, dsl::EqAny<C, Vec<T>>>
where
    C: ExpressionMethods,
    C::SqlType: SqlType + SingleValue,
    T: AsExpression<C::SqlType> + Clone,
    Vec<T>: diesel::expression::AsExpression<diesel::sql_types::Array<C::SqlType>>
        + diesel::expression::array_comparison::AsInExpression<C::SqlType>,
{
    match values {
        [one] => Among::One(column.eq(one.clone())),
        several => Among::Several(column.eq_any(several.to_vec())),
    }
}

impl<O, S> Expression for Among<O, S>
where
    O: Expression<SqlType = Bool>,
    S: Expression<SqlType = Bool>,
{
    type SqlType = Bool;
}

impl<O, S, Q> AppearsOnTable<Q> for Among<O, S>
where
    Self: Expression,
    O: AppearsOnTable<Q>,
    S: AppearsOnTable<Q>,
{
}

impl<O, S, Q> SelectableExpression<Q> for Among<O, S>
where
    Self: AppearsOnTable<Q>,
    O: SelectableExpression<Q>,
    S: SelectableExpression<Q>,
{
}

impl<O, S> ValidGrouping<()> for Among<O, S> {
    type IsAggregate = is_aggregate::No;
}

impl<O: QueryFragment<Pg>, S: QueryFragment<Pg>> QueryFragment<Pg> for Among<O, S> {
    fn walk_ast<'b>(&'b self, pass: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        match self {
            Self::One(one) => one.walk_ast(pass),
            Self::Several(several) => several.walk_ast(pass),
        }
    }
}

/// Kept by its text, which is not the same for one value and for several.
impl<O, S> QueryId for Among<O, S> {
    type QueryId = ();
    const HAS_STATIC_QUERY_ID: bool = false;
}
