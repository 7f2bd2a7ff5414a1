//! Accounts on the wire.

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::web::answer::Located;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::accounts::codes::wire::OwnCodes;
use crate::accounts::store::competences::Competence;
use crate::accounts::store::grants::{RoleGrant, RoleGrantDecision};

/// Name, password and, where they are set up, a one-time code.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Credentials {
    /// Sign-in name.
    #[schema(example = "analyst-1")]
    pub account: String,
    /// Password.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// Code of the authenticator, or a recovery code; left out by those who have not set up one-time codes.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "287082")]
    pub one_time_code: Option<SecretString>,
}

/// The first sign-in with a provisional password, and the own one that takes its place.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct FirstSignIn {
    pub(super) account: String,
    pub(super) password: SecretString,
    pub(super) new: SecretString,
    #[serde(default)]
    pub(super) one_time_code: Option<SecretString>,
}

/// A refresh token.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Refresh {
    /// Token from the sign-in or the last renewal; good once.
    pub refresh_token: String,
}

/// Tokens of a session.
#[derive(Debug, Serialize, ToSchema)]
pub struct Tokens {
    /// Access token (JWT) for the header Authorization: Bearer.
    pub access_token: String,
    /// Always Bearer.
    #[schema(example = "Bearer")]
    pub token_type: &'static str,
    /// Seconds until the access token expires.
    #[schema(example = 600)]
    pub expires_in: i64,
    /// Token that renews the session; good once.
    pub refresh_token: String,
    /// End of the refresh token's validity.
    pub refresh_expires_at: DateTime<Utc>,
    /// The password was set by somebody else and must be changed first.
    pub password_provisional: bool,
}

/// A session of the own account that has not ended.
#[derive(Debug, Serialize, ToSchema)]
pub struct OwnSession {
    /// Session.
    pub id: Uuid,
    /// Server time of the sign-in.
    pub started_at: DateTime<Utc>,
    /// Address of the sign-in.
    #[schema(example = "192.0.2.17")]
    pub source_address: Option<String>,
    /// Whether it is the one that asks.
    pub current: bool,
}

/// Own account.
#[derive(Debug, Serialize, ToSchema)]
pub struct OwnAccount {
    /// Account.
    pub id: Uuid,
    /// Sign-in name.
    #[schema(example = "analyst-1")]
    pub code: String,
    /// Printed name.
    #[schema(example = "Analyst 1")]
    pub display_name: String,
    /// Roles in force.
    #[schema(example = json!(["analyst"]))]
    pub roles: Vec<&'static str>,
    /// Actions these roles allow.
    pub actions: Vec<&'static str>,
    /// The password must be changed first.
    pub password_provisional: bool,
    /// One-time codes must be set up before anything else.
    pub one_time_codes_due: bool,
    /// One-time codes, if they are set up.
    pub one_time_codes: Option<OwnCodes>,
}

/// A change of the own password.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PasswordChange {
    /// Present password.
    #[schema(value_type = String, format = Password)]
    pub present: SecretString,
    /// New password, at least 12 characters.
    #[schema(value_type = String, format = Password)]
    pub new: SecretString,
}

/// An account to be created.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewAccount {
    /// Sign-in name: lower-case letters, digits, dots, hyphens.
    #[schema(example = "analyst-3")]
    pub code: String,
    /// Printed name.
    #[schema(example = "Analyst 3")]
    pub display_name: String,
    /// person or service.
    #[schema(example = "person")]
    pub kind: String,
    /// Day since which the owner has worked here, if records of that time are to be taken over; the day of creation if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub since: Option<NaiveDate>,
}

/// An account as created, with its provisional password, which is shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct CreatedAccount {
    /// The account.
    pub account: AccountView,
    /// Provisional password of a person; to be changed at first use.
    pub provisional_password: Option<String>,
}

/// A provisional password, shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProvisionalPassword {
    /// Account.
    pub account: Uuid,
    /// Password, to be changed at first use.
    pub provisional_password: String,
}

/// An account.
#[derive(Debug, Serialize, ToSchema)]
pub struct AccountView {
    /// Identity.
    pub id: Uuid,
    /// Sign-in name.
    #[schema(example = "analyst-1")]
    pub code: String,
    /// Printed name.
    pub display_name: String,
    /// person or service.
    pub kind: String,
    /// active, locked or retired.
    #[schema(example = "active")]
    pub state: String,
    /// Roles in force.
    pub roles: Vec<String>,
    /// Somebody else set its password, and nobody has confirmed since whose account it is: it signs nothing.
    pub awaits_confirmation: bool,
    /// One-time codes are set up: it signs in with one.
    pub one_time_codes: bool,
    /// Day since which the owner has worked here, if that was said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since: Option<NaiveDate>,
    /// Server time of creation.
    pub recorded_at: DateTime<Utc>,
    /// Latest successful sign-in.
    pub last_sign_in: Option<DateTime<Utc>>,
}

impl Located for AccountView {
    fn location(&self) -> String {
        format!("/api/v1/accounts/{}", self.id)
    }
}

/// A role to be given or withdrawn.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRoleGrant {
    /// analyst, manager, auditor, administrator or instrument.
    #[schema(example = "analyst")]
    pub role: String,
    /// grant or withdraw.
    #[schema(example = "grant")]
    pub effect: String,
    /// Why, at least 5 characters.
    #[schema(example = "finished training for method M1")]
    pub reason: String,
}

/// A manager's answer to a role grant.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDecision {
    /// approved or refused.
    #[schema(example = "approved")]
    pub decision: String,
    /// Why.
    pub reason: Option<String>,
}

/// A second person's word that an account is in the hands of its owner.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewIdentityConfirmation {
    /// Own password, asked again.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// How it is known, at least 5 characters.
    #[schema(example = "asked her at bench 2; she has changed it")]
    pub reason: String,
}

/// A token for an instrument.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewServiceToken {
    /// Service account that will act with it.
    pub account: Uuid,
    /// What it is for.
    #[schema(example = "balance at bench 2")]
    pub label: String,
    /// Actions it may do: record_titrations, check_equipment, send_readings.
    #[schema(example = json!(["check_equipment"]))]
    pub scopes: Vec<String>,
    /// End of validity, within 400 days.
    pub expires_at: DateTime<Utc>,
}

/// A service token; the token itself is shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct IssuedServiceToken {
    /// Identity.
    pub id: Uuid,
    /// The token, for the header Authorization: Bearer.
    pub token: String,
    /// End of validity.
    pub expires_at: DateTime<Utc>,
}

/// Reason of a revocation.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Revocation {
    /// Why, at least 5 characters.
    #[schema(example = "instrument was replaced")]
    pub reason: String,
}

/// An authorisation for a method.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCompetence {
    /// Code of the method, all versions.
    #[schema(example = "M1")]
    pub method_code: String,
    /// First day.
    pub valid_from: NaiveDate,
    /// Last day.
    pub valid_to: NaiveDate,
    /// What the authorisation rests on.
    #[schema(example = "seven blind replicates of the control within limits")]
    pub evidence: String,
}

/// Somebody to begin with.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FirstPerson {
    /// Printed name.
    pub display_name: String,
    /// Sign-in name; made of the printed one if absent.
    #[serde(default)]
    pub code: Option<String>,
}

/// People for whom accounts are made and roles asked for.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPeople {
    /// The people, at most 50.
    pub people: Vec<NewPerson>,
    /// Why they get their roles, at least 5 characters; stands with each.
    #[schema(example = "people of the bath laboratory")]
    pub reason: String,
}

/// Somebody who gets an account and, once a manager has approved it, a role.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPerson {
    /// Printed name.
    #[schema(example = "Mara Lindqvist")]
    pub display_name: String,
    /// Sign-in name; made of the printed one if absent, as mara.lindqvist.
    #[serde(default)]
    pub code: Option<String>,
    /// analyst, manager, auditor or administrator.
    #[schema(example = "analyst")]
    pub role: String,
}

/// Accounts as made, each with its provisional password, which is shown this once, and the role asked for.
#[derive(Debug, Serialize, ToSchema)]
pub struct CreatedPeople {
    /// In the order of the request.
    pub people: Vec<CreatedPerson>,
}

/// An account as made.
#[derive(Debug, Serialize, ToSchema)]
pub struct CreatedPerson {
    /// The account.
    pub account: AccountView,
    /// To be changed at first use.
    pub provisional_password: String,
    /// The role asked for; it waits for a manager.
    pub grant: RoleGrant,
}

/// One answer to several role grants.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewDecisions {
    /// The grants.
    pub grants: Vec<Uuid>,
    /// approved or refused.
    #[schema(example = "approved")]
    pub decision: String,
    /// Why.
    pub reason: Option<String>,
}

/// What was decided, grant by grant.
#[derive(Debug, Serialize, ToSchema)]
pub struct Decisions {
    /// A record for each grant.
    pub decisions: Vec<RoleGrantDecision>,
}

impl Located for Decisions {
    fn location(&self) -> String {
        "/api/v1/role-grants".to_owned()
    }
}

/// Several people authorised for several methods.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCompetences {
    /// Their accounts.
    pub people: Vec<Uuid>,
    /// Codes of the methods, all versions.
    #[schema(example = json!(["M1", "M2"]))]
    pub methods: Vec<String>,
    /// First day.
    pub valid_from: NaiveDate,
    /// Last day.
    pub valid_to: NaiveDate,
    /// What each of the authorisations rests on.
    #[schema(example = "seven blind replicates of the control within limits")]
    pub evidence: String,
}

/// What was recorded, for each person and method.
#[derive(Debug, Serialize, ToSchema)]
pub struct Competences {
    /// A record for each person and method.
    pub competences: Vec<Competence>,
}

impl Located for Competences {
    fn location(&self) -> String {
        "/api/v1/accounts".to_owned()
    }
}
