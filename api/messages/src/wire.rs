//! Settings, choices, endpoints and messages on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::ids::{AccountId, MailSettingsId, MessageId, WebhookEndpointId};
use ferrotitre_base::web::answer::Located;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// How e-mail shall be sent from now on.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMailSettings {
    /// Whether e-mail is sent; turned off, messages that still wait are given up.
    pub active: bool,
    /// Name or address of the mail server.
    #[schema(example = "mail.harbour.example")]
    pub host: String,
    /// Its port, 1 to 65535: mostly 587 for STARTTLS, 465 for TLS.
    #[schema(example = 587)]
    pub port: i32,
    /// none, STARTTLS (RFC 3207), or TLS from the first byte (RFC 8314).
    #[schema(example = "STARTTLS")]
    pub encryption: String,
    /// Name at the mail server; left out where it asks for none. Off the machine only with encryption.
    #[serde(default)]
    #[schema(example = "iron")]
    pub user_name: Option<String>,
    /// Password at the mail server, never shown again; left out, the one before stays, as long as server, port, encryption and name do.
    #[serde(default)]
    #[schema(value_type = Option<String>)]
    pub password: Option<SecretString>,
    /// Who the messages are from.
    #[schema(example = "Iron laboratory <iron@harbour.example>")]
    pub sender: String,
    /// Address of the service as people reach it; links in messages begin with it.
    #[schema(example = "https://iron.harbour.example:8420")]
    pub base_address: String,
    /// Domains that addresses of people may be of; empty for any.
    #[serde(default)]
    #[schema(example = json!(["harbour.example"]))]
    pub domains: Vec<String>,
    /// Why, at least 5 characters.
    #[schema(example = "the mail server was renewed")]
    pub reason: String,
}

/// How e-mail is sent, by one decision; the newest counts. The password is never shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MailSettings {
    /// Identity.
    pub id: MailSettingsId,
    /// Whether e-mail is sent.
    pub active: bool,
    /// Name or address of the mail server.
    pub host: String,
    /// Its port.
    pub port: i32,
    /// none, STARTTLS or TLS.
    pub encryption: String,
    /// Name at the mail server.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub user_name: Option<String>,
    /// Who the messages are from.
    pub sender: String,
    /// Address that links begin with.
    pub base_address: String,
    /// Domains that addresses of people may be of; empty for any.
    pub domains: Vec<String>,
    /// Why.
    pub reason: String,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Administrator who recorded it.
    pub recorded_by: AccountId,
}

impl Located for MailSettings {
    fn location(&self) -> String {
        "/api/v1/mail-settings".to_owned()
    }
}

/// Where a test message goes.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTestMessage {
    /// E-mail address.
    #[schema(example = "administrator@harbour.example")]
    pub address: String,
}

/// What somebody wants to be told by e-mail.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MailChoice {
    /// E-mail address; left out where nothing is wanted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "analyst@harbour.example")]
    pub address: Option<String>,
    /// Whether what presses is told when it begins.
    pub at_once: bool,
    /// Hour of the laboratory's clock, 0 to 23, from which all that needs attention is told once a day; left out for never.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 7)]
    pub digest_hour: Option<i32>,
}

/// The own choice.
#[derive(Debug, Serialize, ToSchema)]
pub struct OwnMailChoice {
    /// What was chosen last; nothing to begin with.
    #[serde(flatten)]
    pub choice: MailChoice,
    /// Whether the laboratory sends e-mail at all.
    pub sent_here: bool,
    /// When it was chosen.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_at: Option<DateTime<Utc>>,
}

impl Located for OwnMailChoice {
    fn location(&self) -> String {
        "/api/v1/accounts/me/messages".to_owned()
    }
}

/// A program that shall be told of every alert that begins and ends.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewWebhookEndpoint {
    /// What it is.
    #[schema(example = "board in the control room")]
    pub name: String,
    /// Address to post to: https, or http on this machine.
    #[schema(example = "https://board.harbour.example/alerts")]
    pub address: String,
    /// Whether http will do off the machine, where others can read what is sent.
    #[serde(default)]
    pub plain_http: bool,
    /// Why, at least 5 characters.
    #[schema(example = "the control room wants to see what is overdue")]
    pub reason: String,
}

/// An endpoint on record, without its secret.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct WebhookEndpoint {
    /// Identity.
    pub id: WebhookEndpointId,
    /// What it is.
    pub name: String,
    /// Address that is posted to.
    pub address: String,
    /// Whether http off the machine was decided to do.
    pub plain_http: bool,
    /// Why it is told.
    pub reason: String,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Administrator who recorded it.
    pub recorded_by: AccountId,
    /// When it was ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended_at: Option<DateTime<Utc>>,
    /// Why it was ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end_reason: Option<String>,
}

impl Located for WebhookEndpoint {
    fn location(&self) -> String {
        "/api/v1/webhook-endpoints".to_owned()
    }
}

/// An endpoint that was just recorded; the secret is shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedWebhookEndpoint {
    /// The endpoint.
    pub endpoint: WebhookEndpoint,
    /// Secret to check signatures with, as Standard Webhooks writes it: whsec_ and base64.
    pub secret: String,
}

/// Why an endpoint is told nothing more.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WebhookEndpointEnd {
    /// Why, at least 5 characters.
    #[schema(example = "the board was taken down")]
    pub reason: String,
}

/// Which messages.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct MessagesAsked {
    /// Only those in this state: waiting, delivered or given up.
    #[param(example = "waiting")]
    pub state: Option<String>,
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200, example = 50)]
    pub limit: Option<i64>,
    /// Cursor from the field `next` of the page before.
    pub after: Option<Uuid>,
}

/// A message without what it says.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MessageView {
    /// Identity, the same at every try.
    pub id: MessageId,
    /// at once, digest, test, alert began or alert ended.
    #[schema(example = "digest")]
    pub kind: String,
    /// E-mail address, or name of the endpoint.
    pub to: String,
    /// How many alerts it tells of.
    pub alerts: i32,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// waiting, delivered or given up.
    #[schema(example = "delivered")]
    pub state: String,
    /// How often it was tried.
    pub tries: i32,
    /// When it is tried next.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next_at: Option<DateTime<Utc>>,
    /// When it was tried last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tried_at: Option<DateTime<Utc>>,
    /// What the other side answered last, or why there was no answer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub answer: Option<String>,
}

impl Located for MessageView {
    fn location(&self) -> String {
        format!("/api/v1/messages/{}", self.id)
    }
}

/// A try to send a message.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct MessageTry {
    /// Which try, from 1.
    pub number: i32,
    /// When.
    pub tried_at: DateTime<Utc>,
    /// Whether the other side took it.
    pub delivered: bool,
    /// What it answered, or why there was no answer.
    pub answer: String,
}

/// A message with its tries.
#[derive(Debug, Serialize, ToSchema)]
pub struct MessageHistory {
    /// The message.
    #[serde(flatten)]
    pub message: MessageView,
    /// What it says, for those who may read records.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Tries, oldest first.
    pub history: Vec<MessageTry>,
}
