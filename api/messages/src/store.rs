//! Tables of settings, choices and endpoints.

pub(crate) mod outbox;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, Bool, Integer, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::auth::permissions::{Action, Role, may};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, MailChoiceId, MailSettingsId, WebhookEndpointEndId, WebhookEndpointId};
use ferrotitre_base::kept::kept;
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_schema::{mail_choices, mail_settings, webhook_endpoint_ends, webhook_endpoints};

use crate::wire::{MailSettings, WebhookEndpoint};

/// Settings as stored.
#[derive(Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = mail_settings)]
pub(crate) struct SettingsRow {
    pub(crate) id: MailSettingsId,
    pub(crate) active: bool,
    pub(crate) host: String,
    pub(crate) port: i32,
    pub(crate) encryption: String,
    pub(crate) user_name: Option<String>,
    pub(crate) sealed_password: Option<Vec<u8>>,
    pub(crate) sender: String,
    pub(crate) base_address: String,
    pub(crate) domains: Vec<String>,
    pub(crate) reason: String,
    #[diesel(skip_insertion)]
    pub(crate) recorded_at: DateTime<Utc>,
    pub(crate) recorded_by: AccountId,
}

impl From<SettingsRow> for MailSettings {
    fn from(row: SettingsRow) -> Self {
        Self {
            id: row.id,
            active: row.active,
            host: row.host,
            port: row.port,
            encryption: row.encryption,
            user_name: row.user_name,
            sender: row.sender,
            base_address: row.base_address,
            domains: row.domains,
            reason: row.reason,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        }
    }
}

pub(crate) async fn insert_settings(mut connection: &Connection, row: &SettingsRow) -> Result<SettingsRow, Refusal> {
    Ok(diesel::insert_into(mail_settings::table)
        .values(row)
        .returning(SettingsRow::as_returning())
        .get_result(&mut connection)
        .await?)
}

/// Settings, newest first.
pub(crate) async fn settings(mut connection: &Connection, limit: i64) -> Result<Vec<SettingsRow>, Refusal> {
    Ok(mail_settings::table
        .order(mail_settings::recorded_at.desc())
        .limit(limit)
        .select(SettingsRow::as_select())
        .load(&mut connection)
        .await?)
}

/// A choice as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = mail_choices)]
pub(crate) struct ChoiceRow {
    pub(crate) id: MailChoiceId,
    pub(crate) account_id: AccountId,
    pub(crate) address: Option<String>,
    pub(crate) at_once: bool,
    pub(crate) digest_hour: Option<i32>,
    #[diesel(skip_insertion)]
    pub(crate) recorded_at: DateTime<Utc>,
    pub(crate) recorded_by: AccountId,
}

pub(crate) async fn insert_choice(mut connection: &Connection, row: &ChoiceRow) -> Result<ChoiceRow, Refusal> {
    Ok(diesel::insert_into(mail_choices::table)
        .values(row)
        .returning(ChoiceRow::as_returning())
        .get_result(&mut connection)
        .await?)
}

/// What somebody chose last.
pub(crate) async fn choice(mut connection: &Connection, account: AccountId) -> Result<Option<ChoiceRow>, Refusal> {
    Ok(mail_choices::table
        .filter(mail_choices::account_id.eq(account))
        .order(mail_choices::recorded_at.desc())
        .select(ChoiceRow::as_select())
        .first(&mut connection)
        .await
        .optional()?)
}

/// Somebody who is told by e-mail.
#[derive(Debug, Clone)]
pub(crate) struct Recipient {
    pub(crate) account: AccountId,
    pub(crate) code: String,
    pub(crate) roles: Vec<Role>,
    pub(crate) address: String,
    pub(crate) at_once: bool,
    pub(crate) digest_hour: Option<u32>,
    /// When it was chosen.
    pub(crate) since: DateTime<Utc>,
}

#[derive(QueryableByName)]
struct RecipientRow {
    #[diesel(sql_type = SqlUuid)]
    account: AccountId,
    #[diesel(sql_type = Text)]
    code: String,
    #[diesel(sql_type = Array<Text>)]
    roles: Vec<String>,
    #[diesel(sql_type = Text)]
    address: String,
    #[diesel(sql_type = Bool)]
    at_once: bool,
    #[diesel(sql_type = Nullable<Integer>)]
    digest_hour: Option<i32>,
    #[diesel(sql_type = Timestamptz)]
    since: DateTime<Utc>,
}

/// Those who are told now: they want it, their account is active, and they may read what alerts are about.
pub(crate) async fn recipients(mut connection: &Connection) -> Result<Vec<Recipient>, Refusal> {
    let rows: Vec<RecipientRow> = kept(
        "SELECT c.account_id AS account, a.code, r.roles, c.address, c.at_once, c.digest_hour, c.recorded_at AS since \
         FROM (SELECT DISTINCT ON (account_id) * FROM mail_choices ORDER BY account_id, recorded_at DESC) c \
         JOIN accounts a ON a.id = c.account_id JOIN account_roles r ON r.account_id = c.account_id \
         JOIN present_states s ON s.entity_id = c.account_id \
         WHERE c.address IS NOT NULL AND s.state = 'active' ORDER BY a.code",
    )
    .load(&mut connection)
    .await?;
    let of = |row: RecipientRow| Recipient {
        account: row.account,
        code: row.code,
        roles: row.roles.iter().filter_map(|role| Role::from_text(role)).collect(),
        address: row.address,
        at_once: row.at_once,
        digest_hour: row.digest_hour.and_then(|hour| u32::try_from(hour).ok()),
        since: row.since,
    };
    Ok(rows.into_iter().map(of).filter(|one| may(&one.roles, Action::ReadRecords)).collect())
}

/// An endpoint as stored.
#[derive(Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = webhook_endpoints)]
pub(crate) struct EndpointRow {
    pub(crate) id: WebhookEndpointId,
    pub(crate) name: String,
    pub(crate) address: String,
    pub(crate) plain_http: bool,
    pub(crate) sealed_secret: Vec<u8>,
    pub(crate) reason: String,
    #[diesel(skip_insertion)]
    pub(crate) recorded_at: DateTime<Utc>,
    pub(crate) recorded_by: AccountId,
}

/// The end of an endpoint as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = webhook_endpoint_ends)]
pub(crate) struct EndRow {
    pub(crate) id: WebhookEndpointEndId,
    pub(crate) endpoint_id: WebhookEndpointId,
    pub(crate) reason: String,
    #[diesel(skip_insertion)]
    pub(crate) recorded_at: DateTime<Utc>,
    pub(crate) recorded_by: AccountId,
}

/// An endpoint with its end, without its secret.
pub(crate) fn view(row: EndpointRow, end: Option<&EndRow>) -> WebhookEndpoint {
    WebhookEndpoint {
        id: row.id,
        name: row.name,
        address: row.address,
        plain_http: row.plain_http,
        reason: row.reason,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
        ended_at: end.map(|end| end.recorded_at),
        end_reason: end.map(|end| end.reason.clone()),
    }
}

pub(crate) async fn insert_endpoint(mut connection: &Connection, row: &EndpointRow) -> Result<EndpointRow, Refusal> {
    Ok(diesel::insert_into(webhook_endpoints::table)
        .values(row)
        .returning(EndpointRow::as_returning())
        .get_result(&mut connection)
        .await?)
}

const ENDED: &[ConstraintMeaning] = &[ConstraintMeaning {
    constraint: "webhook_endpoint_ends_once",
    code: Code::StateConflict,
    field: "",
    detail: "the endpoint was ended before",
}];

pub(crate) async fn insert_end(mut connection: &Connection, row: &EndRow) -> Result<EndRow, Refusal> {
    diesel::insert_into(webhook_endpoint_ends::table)
        .values(row)
        .returning(EndRow::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, ENDED))
}

/// Endpoints with their ends, newest first.
pub(crate) async fn endpoints(mut connection: &Connection) -> Result<Vec<(EndpointRow, Option<EndRow>)>, Refusal> {
    let rows: Vec<EndpointRow> = webhook_endpoints::table
        .order(webhook_endpoints::id.desc())
        .select(EndpointRow::as_select())
        .load(&mut connection)
        .await?;
    let ends: Vec<EndRow> = webhook_endpoint_ends::table.select(EndRow::as_select()).load(&mut connection).await?;
    let end_of = |id: WebhookEndpointId| ends.iter().find(|end| end.endpoint_id == id).cloned();
    Ok(rows.into_iter().map(|row| (row.clone(), end_of(row.id))).collect())
}

/// Endpoints that are told.
pub(crate) async fn open_endpoints(connection: &Connection) -> Result<Vec<EndpointRow>, Refusal> {
    let all = endpoints(connection).await?;
    Ok(all.into_iter().filter(|(_, end)| end.is_none()).map(|(row, _)| row).collect())
}
