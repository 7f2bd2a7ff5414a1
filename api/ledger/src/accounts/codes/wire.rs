//! One-time codes on the wire.

use chrono::{DateTime, Utc};
use ferrotitre_base::web::answer::Located;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What an authenticator is given; it counts only once it is confirmed with a code of it. Nothing of it is kept until then.
#[derive(Debug, Serialize, ToSchema)]
pub struct CodeProposal {
    /// The shared secret in base32 (RFC 4648), to be typed where nothing can be scanned.
    #[schema(example = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ")]
    pub secret: String,
    /// The same as authenticators read it: SHA-1, six digits, 30 s.
    #[schema(
        example = "otpauth://totp/ferrotitre:analyst-1?secret=GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ&issuer=ferrotitre"
    )]
    pub uri: String,
    /// The address as a QR code, SVG.
    pub qr_code: String,
    /// Sent back with the first code; good for a quarter of an hour.
    pub proposal: String,
}

/// Confirms a proposal: the authenticator has it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCodes {
    /// The proposal as it came.
    #[schema(value_type = String, format = Password)]
    pub proposal: SecretString,
    /// A code that the authenticator shows.
    #[schema(value_type = String, example = "287082")]
    pub one_time_code: SecretString,
    /// Own password, asked again.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// Whether every signature shall ask for a code, too.
    #[serde(default)]
    pub at_signatures: bool,
}

/// Codes as set up, with the recovery codes, which are shown this once.
#[derive(Debug, Serialize, ToSchema)]
pub struct CodesSetUp {
    /// What is in force now.
    pub one_time_codes: OwnCodes,
    /// Ten codes, each good once, for when the device is lost.
    #[schema(example = json!(["4GQK-7ZPA-2MXC-WN5T"]))]
    pub recovery_codes: Vec<String>,
}

/// One-time codes of the own account.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OwnCodes {
    /// Server time at which they were set up.
    pub since: DateTime<Utc>,
    /// Whether every signature asks for a code.
    pub at_signatures: bool,
    /// Recovery codes that were not used yet.
    #[schema(example = 10)]
    pub recovery_codes_left: i64,
}

impl Located for OwnCodes {
    fn location(&self) -> String {
        "/api/v1/accounts/me".to_owned()
    }
}

/// Whether signatures shall ask for a code; a code in the header One-Time-Code goes with it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CodeChoice {
    /// Whether every signature shall ask for a code.
    pub at_signatures: bool,
    /// Own password, asked again.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
}

/// Ends the own codes; a code, or a recovery code, in the header One-Time-Code goes with it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OwnCodesEnd {
    /// Own password, asked again.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// Why, at least 5 characters.
    #[schema(example = "new telephone")]
    pub reason: String,
}

/// Resets the codes of somebody who lost the device and has no recovery code left.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CodeReset {
    /// Why, at least 5 characters.
    #[schema(example = "telephone lost, asked in person")]
    pub reason: String,
}

/// A decision on whether administrators must use one-time codes.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewCodeRule {
    /// Whether they must.
    pub administrators_must: bool,
    /// Why, at least 5 characters.
    #[schema(example = "administrators set passwords and tokens")]
    pub reason: String,
    /// Own password, asked again.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
}
