//! Tables of one-time codes: what was set up, chosen, used, refused, ended and reset, and who must use them.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Bool, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{
    AccountId, CodeChoiceId, CodeEndId, CodeEnrolmentId, CodeRefusalId, CodeRuleId, CodeUseId, SignInAttemptId,
};
use ferrotitre_base::kept::kept;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::answer::Located;
use ferrotitre_schema::{code_choices, code_ends, code_enrolments, code_refusals, code_rules, code_uses};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// Codes that are set up for an account.
#[derive(Debug, Clone, QueryableByName)]
pub(in crate::accounts) struct Enrolment {
    #[diesel(sql_type = SqlUuid)]
    pub(in crate::accounts) id: CodeEnrolmentId,
    #[diesel(sql_type = diesel::sql_types::Binary)]
    pub(in crate::accounts) sealed_secret: Vec<u8>,
    #[diesel(sql_type = diesel::sql_types::Array<diesel::sql_types::Binary>)]
    pub(in crate::accounts) recovery_digests: Vec<Vec<u8>>,
    #[diesel(sql_type = Timestamptz)]
    pub(in crate::accounts) recorded_at: DateTime<Utc>,
    #[diesel(sql_type = Bool)]
    pub(in crate::accounts) at_signatures: bool,
}

/// The codes of an account that have not ended.
pub(in crate::accounts) async fn in_force(
    mut connection: &Connection,
    account: AccountId,
) -> Result<Option<Enrolment>, Refusal> {
    Ok(kept(
        "SELECT e.id, e.sealed_secret, e.recovery_digests, e.recorded_at, coalesce((SELECT c.at_signatures FROM code_choices c \
         WHERE c.enrolment_id = e.id ORDER BY c.recorded_at DESC LIMIT 1), false) AS at_signatures \
         FROM code_enrolments e WHERE e.id = codes_in_force($1)",
    )
    .bind::<SqlUuid, _>(account)
    .get_result(&mut connection)
    .await
    .optional()?)
}

pub(in crate::accounts) async fn insert_enrolment(
    mut connection: &Connection,
    (id, account): (CodeEnrolmentId, AccountId),
    sealed: &[u8],
    recovery: &[Vec<u8>],
) -> Result<DateTime<Utc>, Refusal> {
    Ok(diesel::insert_into(code_enrolments::table)
        .values((
            code_enrolments::id.eq(id),
            code_enrolments::account_id.eq(account),
            code_enrolments::sealed_secret.eq(sealed),
            code_enrolments::recovery_digests.eq(recovery),
            code_enrolments::recorded_by.eq(account),
        ))
        .returning(code_enrolments::recorded_at)
        .get_result(&mut connection)
        .await?)
}

pub(in crate::accounts) async fn insert_choice(
    mut connection: &Connection,
    (enrolment, account): (CodeEnrolmentId, AccountId),
    at_signatures: bool,
) -> Result<DateTime<Utc>, Refusal> {
    Ok(diesel::insert_into(code_choices::table)
        .values((
            code_choices::id.eq(CodeChoiceId::new()),
            code_choices::enrolment_id.eq(enrolment),
            code_choices::account_id.eq(account),
            code_choices::at_signatures.eq(at_signatures),
            code_choices::recorded_by.eq(account),
        ))
        .returning(code_choices::recorded_at)
        .get_result(&mut connection)
        .await?)
}

/// A code that fits, to be used up.
#[derive(Debug, Clone, Copy)]
pub(in crate::accounts) enum Fits {
    /// That of a step.
    Step(i64),
    /// A recovery code, from 1.
    Recovery(i32),
}

/// Uses a code up; false if that was done before. Of two requests at the same moment the second waits for the first to commit. The
/// same request sent again is the same use.
pub(in crate::accounts) async fn use_up(
    mut connection: &Connection,
    (enrolment, account): (CodeEnrolmentId, AccountId),
    fits: Fits,
    purpose: &str,
    request: Option<[u8; 32]>,
) -> Result<bool, Refusal> {
    let (step, recovery) = match fits {
        Fits::Step(step) => (Some(step), None),
        Fits::Recovery(place) => (None, Some(place)),
    };
    let request = request.map(|digest| digest.to_vec());
    let inserted = diesel::insert_into(code_uses::table)
        .values((
            code_uses::id.eq(CodeUseId::new()),
            code_uses::enrolment_id.eq(enrolment),
            code_uses::account_id.eq(account),
            code_uses::step.eq(step),
            code_uses::recovery.eq(recovery),
            code_uses::purpose.eq(purpose),
            code_uses::request_digest.eq(&request),
        ))
        .on_conflict_do_nothing()
        .execute(&mut connection)
        .await?;
    if inserted == 1 || request.is_none() {
        return Ok(inserted == 1);
    }
    let before = code_uses::table
        .filter(code_uses::enrolment_id.eq(enrolment))
        .filter(code_uses::step.is_not_distinct_from(step))
        .filter(code_uses::recovery.is_not_distinct_from(recovery))
        .filter(code_uses::request_digest.eq(request))
        .select(code_uses::id);
    Ok(diesel::select(diesel::dsl::exists(before)).get_result(&mut connection).await?)
}

pub(in crate::accounts) async fn recovery_codes_used(
    mut connection: &Connection,
    enrolment: CodeEnrolmentId,
) -> Result<i64, Refusal> {
    Ok(code_uses::table
        .filter(code_uses::enrolment_id.eq(enrolment))
        .filter(code_uses::recovery.is_not_null())
        .count()
        .get_result(&mut connection)
        .await?)
}

pub(in crate::accounts) async fn insert_refusal(
    mut connection: &Connection,
    attempt: SignInAttemptId,
    account: AccountId,
    cause: &str,
) -> Result<(), Refusal> {
    diesel::insert_into(code_refusals::table)
        .values((
            code_refusals::id.eq(CodeRefusalId::new()),
            code_refusals::attempt_id.eq(attempt),
            code_refusals::account_id.eq(account),
            code_refusals::cause.eq(cause),
        ))
        .execute(&mut connection)
        .await?;
    Ok(())
}

/// The end of the one-time codes of an account.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = code_ends)]
pub struct CodeEnd {
    /// Identity.
    pub id: CodeEndId,
    /// Codes that ended.
    pub enrolment_id: CodeEnrolmentId,
    /// Whose codes.
    pub account_id: AccountId,
    /// ended by the owner, or reset by somebody else.
    #[schema(example = "reset")]
    pub kind: String,
    /// Why.
    pub reason: String,
    /// Server time.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Who ended or reset them; absent when reset at the command line.
    pub recorded_by: Option<AccountId>,
}

impl Located for CodeEnd {
    fn location(&self) -> String {
        format!("/api/v1/accounts/{}", self.account_id)
    }
}

const END_MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "code_ends_once",
        code: Code::StateConflict,
        field: "",
        detail: "somebody ended these codes at the same moment",
    },
    ConstraintMeaning {
        constraint: "code_ends_not_of_oneself",
        code: Code::OwnRecord,
        field: "",
        detail: "nobody resets their own one-time codes",
    },
    ConstraintMeaning {
        constraint: "code_ends_reason",
        code: Code::Invalid,
        field: "reason",
        detail: "give a reason of at least 5 characters",
    },
];

pub(in crate::accounts) async fn insert_end(mut connection: &Connection, row: &CodeEnd) -> Result<CodeEnd, Refusal> {
    diesel::insert_into(code_ends::table)
        .values(row)
        .returning(CodeEnd::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, END_MEANINGS))
}

/// Ends of the codes of an account, newest first.
pub(in crate::accounts) async fn ends(
    mut connection: &Connection,
    account: AccountId,
) -> Result<Vec<CodeEnd>, Refusal> {
    Ok(code_ends::table
        .filter(code_ends::account_id.eq(account))
        .order(code_ends::recorded_at.desc())
        .limit(50)
        .select(CodeEnd::as_select())
        .load(&mut connection)
        .await?)
}

/// A reset with the names it needs.
#[derive(Debug, Clone, QueryableByName)]
pub(in crate::accounts) struct Reset {
    #[diesel(sql_type = SqlUuid)]
    pub(in crate::accounts) account: Uuid,
    #[diesel(sql_type = Text)]
    pub(in crate::accounts) code: String,
    #[diesel(sql_type = Nullable<Text>)]
    pub(in crate::accounts) by: Option<String>,
    #[diesel(sql_type = Text)]
    pub(in crate::accounts) reason: String,
    #[diesel(sql_type = Timestamptz)]
    pub(in crate::accounts) at: DateTime<Utc>,
}

/// Resets since a moment.
pub(in crate::accounts) async fn resets(
    mut connection: &Connection,
    since: DateTime<Utc>,
) -> Result<Vec<Reset>, Refusal> {
    Ok(kept(
        "SELECT a.id AS account, a.code, b.display_name AS by, e.reason, e.recorded_at AS at FROM code_ends e \
         JOIN accounts a ON a.id = e.account_id LEFT JOIN accounts b ON b.id = e.recorded_by \
         WHERE e.kind = 'reset' AND e.recorded_at > $1 ORDER BY e.recorded_at",
    )
    .bind::<Timestamptz, _>(since)
    .load(&mut connection)
    .await?)
}

/// A decision on whether administrators must use one-time codes; the newest counts.
#[derive(Debug, Clone, Serialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = code_rules)]
pub struct CodeRule {
    /// Identity.
    pub id: CodeRuleId,
    /// Whether they must: one without codes can then do nothing but set them up.
    pub administrators_must: bool,
    /// Why.
    pub reason: String,
    /// Server time.
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    /// Manager who decided.
    pub recorded_by: AccountId,
}

impl Located for CodeRule {
    fn location(&self) -> String {
        "/api/v1/one-time-code-rules".to_owned()
    }
}

pub(in crate::accounts) async fn insert_rule(mut connection: &Connection, row: &CodeRule) -> Result<CodeRule, Refusal> {
    Ok(diesel::insert_into(code_rules::table)
        .values(row)
        .returning(CodeRule::as_returning())
        .get_result(&mut connection)
        .await?)
}

/// Decisions, newest first.
pub(in crate::accounts) async fn rules(mut connection: &Connection) -> Result<Vec<CodeRule>, Refusal> {
    Ok(code_rules::table
        .order(code_rules::recorded_at.desc())
        .limit(200)
        .select(CodeRule::as_select())
        .load(&mut connection)
        .await?)
}
