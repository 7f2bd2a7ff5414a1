//! Present states of recorded things and moves between them, for every feature.

use crate::among::among;
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_core::lifecycle::{EntityKind, check_move};
use ferrotitre_schema::{present_states, state_moves};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::db::{Act, Connection};
use crate::ids::{AccountId, StateMoveId};
use crate::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal, from_store};

/// A move asked for.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMove {
    /// State to go to.
    #[schema(example = "released")]
    pub to: String,
    /// Why; at least 5 characters where the move needs a reason.
    #[schema(example = "certificate checked on receipt")]
    pub reason: Option<String>,
}

/// A move made.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable)]
#[diesel(table_name = state_moves)]
pub struct StateMove {
    /// Identity.
    pub id: StateMoveId,
    /// Kind of thing.
    #[schema(example = "titrants")]
    pub entity_kind: String,
    /// The thing.
    pub entity_id: Uuid,
    /// Which move of the thing, from 1.
    #[schema(example = 1)]
    pub position: i32,
    /// State before.
    #[schema(example = "received")]
    pub from_state: String,
    /// State after.
    #[schema(example = "released")]
    pub to_state: String,
    /// Assignable cause, where one is asked for.
    pub cause: Option<String>,
    /// Why, in words.
    pub reason: Option<String>,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Who moved it; absent for the system.
    pub recorded_by: Option<AccountId>,
}

impl crate::web::answer::Located for StateMove {
    fn location(&self) -> String {
        format!("/api/v1/{}/{}", self.entity_kind.replace('_', "-"), self.entity_id)
    }
}

/// Present state of a thing and the number of its moves so far.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Present {
    /// State.
    pub state: String,
    /// Moves so far.
    pub moves: i32,
}

/// Present state.
///
/// # Errors
/// A store that cannot be read.
pub async fn present(mut connection: &Connection, kind: EntityKind, id: Uuid) -> Result<Present, Refusal> {
    let last: Option<(String, i32)> = state_moves::table
        .filter(state_moves::entity_id.eq(id))
        .order(state_moves::position.desc())
        .select((state_moves::to_state, state_moves::position))
        .first(&mut connection)
        .await
        .optional()?;
    Ok(last.map_or_else(
        || Present { state: kind.first_state().to_owned(), moves: 0 },
        |(state, moves)| Present { state, moves },
    ))
}

/// Present states of many things at once, in one query; those without a move are in their first state.
///
/// # Errors
/// A store that cannot be read.
pub async fn present_many(
    mut connection: &Connection,
    kind: EntityKind,
    ids: &[Uuid],
) -> Result<std::collections::HashMap<Uuid, String>, Refusal> {
    let mut states: std::collections::HashMap<Uuid, String> =
        ids.iter().map(|id| (*id, kind.first_state().to_owned())).collect();
    if ids.is_empty() {
        return Ok(states);
    }
    let moves: Vec<(Uuid, String)> = state_moves::table
        .filter(among(state_moves::entity_id, ids))
        .order((state_moves::entity_id, state_moves::position))
        .select((state_moves::entity_id, state_moves::to_state))
        .load(&mut connection)
        .await?;
    states.extend(moves);
    Ok(states)
}

/// Things that are in a state now, newest first, older than a cursor.
///
/// Lists read the working table that the store keeps beside the moves; what a rule rests on reads the moves.
///
/// # Errors
/// A store that cannot be read.
pub async fn in_state(
    mut connection: &Connection,
    kind: EntityKind,
    state: &str,
    (before, limit): (Uuid, i64),
) -> Result<Vec<Uuid>, Refusal> {
    Ok(present_states::table
        .filter(present_states::entity_kind.eq(kind.table()).and(present_states::state.eq(state)))
        .filter(present_states::entity_id.lt(before))
        .order(present_states::entity_id.desc())
        .limit(limit)
        .select(present_states::entity_id)
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct Named {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    entity_id: Uuid,
}

/// The same for a kind whose versions share one state, that of the thing: rows of its corrections have none of their own.
///
/// # Errors
/// A store that cannot be read.
pub async fn records_in_state(
    mut connection: &Connection,
    kind: EntityKind,
    state: &str,
    (before, limit): (Uuid, i64),
) -> Result<Vec<Uuid>, Refusal> {
    let table = kind.table();
    let query = format!(
        "SELECT p.entity_id FROM present_states p JOIN {table} t ON t.id = p.entity_id AND t.version = 1 \
         WHERE p.entity_kind = $1 AND p.state = $2 AND p.entity_id < $3 ORDER BY p.entity_id DESC LIMIT $4"
    );
    let rows: Vec<Named> = diesel::sql_query(query)
        .bind::<diesel::sql_types::Text, _>(table)
        .bind::<diesel::sql_types::Text, _>(state)
        .bind::<diesel::sql_types::Uuid, _>(before)
        .bind::<diesel::sql_types::BigInt, _>(limit)
        .load(&mut connection)
        .await?;
    Ok(rows.into_iter().map(|row| row.entity_id).collect())
}

/// All moves of a thing, oldest first.
///
/// # Errors
/// A store that cannot be read.
pub async fn history(mut connection: &Connection, id: Uuid) -> Result<Vec<StateMove>, Refusal> {
    Ok(state_moves::table
        .filter(state_moves::entity_id.eq(id))
        .order(state_moves::position)
        .select(StateMove::as_select())
        .load(&mut connection)
        .await?)
}

/// All moves of several things, oldest first.
///
/// # Errors
/// A store that cannot be read.
pub async fn moves_of(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<StateMove>, Refusal> {
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    Ok(state_moves::table
        .filter(among(state_moves::entity_id, ids))
        .order((state_moves::entity_id, state_moves::position))
        .select(StateMove::as_select())
        .load(&mut connection)
        .await?)
}

/// A reason as required after the first save: at least 5 characters that are not blanks.
///
/// # Errors
/// [`Code::Invalid`] naming the field.
pub fn reason_given(field: &str, reason: Option<&str>) -> Result<(), Refusal> {
    let given = reason.unwrap_or_default();
    let mut errors = FieldErrors::default();
    let long_enough = given.chars().filter(|c| !c.is_whitespace()).count() >= 5;
    errors.require(long_enough, field, "reason", "give a reason of at least 5 characters", given);
    errors.check()
}

/// Moves a thing to another state if that is legal.
///
/// # Errors
/// [`Code::IllegalMove`] with the states that can be reached; [`Code::Invalid`] for a missing reason.
pub async fn advance(
    connection: &Connection,
    act: &Act,
    kind: EntityKind,
    id: Uuid,
    asked: &NewMove,
    cause: Option<&str>,
) -> Result<StateMove, Refusal> {
    let now = present(connection, kind, id).await?;
    let step = check_move(kind, &now.state, &asked.to).map_err(|refused| {
        Refusal::new(Code::IllegalMove, refused.to_string())
            .at("to", "legal_move", &asked.to)
            .with_facts(serde_json::json!({ "state": refused.from, "allowed": refused.allowed }))
    })?;
    if step.reason {
        reason_given("reason", asked.reason.as_deref())?;
    }
    let row = Row {
        id: StateMoveId::new(),
        entity_kind: kind.table(),
        entity_id: id,
        position: now.moves + 1,
        from_state: &now.state,
        to_state: &asked.to,
        cause,
        reason: asked.reason.as_deref(),
        recorded_by: act.actor,
    };
    let mut connection = connection;
    diesel::insert_into(state_moves::table)
        .values(&row)
        .returning(StateMove::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))
}

const MEANINGS: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "state_moves_in_order",
    code: Code::IllegalMove,
    field: "",
    detail: "somebody else moved it at the same moment; read it again",
}];

#[derive(Insertable)]
#[diesel(table_name = state_moves)]
struct Row<'a> {
    id: StateMoveId,
    entity_kind: &'a str,
    entity_id: Uuid,
    position: i32,
    from_state: &'a str,
    to_state: &'a str,
    cause: Option<&'a str>,
    reason: Option<&'a str>,
    recorded_by: Option<AccountId>,
}
