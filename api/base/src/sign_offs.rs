//! Signatures: what was signed, with what meaning, and whether it still holds.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_core::determination::FORMULA_SET;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::sign_offs;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::auth::current_user::CurrentUser;
use crate::db::Connection;
use crate::ids::{AccountId, SignOffId};
use crate::refusal::{Code, Refusal};

/// A signature asked for: the secret again, and the version that was looked at.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSignature {
    /// Own password, asked again for every signature.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// Digest of the content that was looked at, as the content itself shows it; without it, or if the content has changed
    /// meanwhile, nothing is signed.
    pub content_digest: Option<String>,
    /// Reason, where one is needed; free words elsewhere.
    pub reason: Option<String>,
}

/// Meanings of a signature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Meaning {
    /// These are my observations.
    Authored,
    /// I checked readings, working, quality control and trail.
    Reviewed,
    /// Fit for release.
    Approved,
    /// Not accepted.
    Rejected,
    /// I was there.
    Witnessed,
    /// It may be reported although its titres disagree.
    Decided,
}

impl Meaning {
    fn text(self) -> &'static str {
        match self {
            Self::Authored => "authored",
            Self::Reviewed => "reviewed",
            Self::Approved => "approved",
            Self::Rejected => "rejected",
            Self::Witnessed => "witnessed",
            Self::Decided => "decided",
        }
    }

    pub fn statement(self) -> &'static str {
        match self {
            Self::Authored => "these are my observations",
            Self::Reviewed => "I checked readings, working, quality control and trail",
            Self::Approved => "fit for release",
            Self::Rejected => "not accepted, for the reason given",
            Self::Witnessed => "made under my supervision, as recorded",
            Self::Decided => {
                "the titres disagree and no cause was found: it may be reported as discordant, for the reason given"
            }
        }
    }
}

/// A signature as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = sign_offs)]
pub struct Row {
    pub id: SignOffId,
    pub entity_kind: String,
    pub entity_id: Uuid,
    pub meaning: String,
    pub printed_name: String,
    pub statement: String,
    pub content_digest: String,
    pub evaluation: Option<String>,
    pub formula_set: String,
    pub reason: Option<String>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// A signature as shown: printed name, date and time, meaning, and whether it still holds.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SignOff {
    /// Identity.
    pub id: SignOffId,
    /// authored, witnessed, decided, reviewed, approved or rejected.
    #[schema(example = "approved")]
    pub meaning: String,
    /// The sentence signed.
    #[schema(example = "fit for release")]
    pub statement: String,
    /// Printed name of the signer.
    #[schema(example = "Manager 1")]
    pub printed_name: String,
    /// Signer.
    pub signer: AccountId,
    /// Server time.
    pub signed_at: DateTime<Utc>,
    /// SHA-256 of the canonical text of what was signed.
    pub content_digest: String,
    /// Version of the formulae.
    pub formula_set: String,
    /// Reason, where one was given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Whether the content is still the one that was signed; if not, the signature is no longer valid.
    pub still_valid: bool,
    /// The evaluation as it stood, bit for bit.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Object>)]
    pub evaluation: Option<Box<serde_json::value::RawValue>>,
}

impl Row {
    /// As shown, beside the digest of the content as it is now and the time of its latest amendment, which revokes what was
    /// signed before.
    pub fn view(self, present_digest: &str, amended_at: Option<DateTime<Utc>>, with_evaluation: bool) -> SignOff {
        let evaluation = self
            .evaluation
            .filter(|_| with_evaluation)
            .and_then(|text| serde_json::value::RawValue::from_string(text).ok());
        SignOff {
            id: self.id,
            still_valid: self.content_digest == present_digest
                && amended_at.is_none_or(|amended| self.recorded_at > amended),
            meaning: self.meaning,
            statement: self.statement,
            printed_name: self.printed_name,
            signer: self.recorded_by,
            signed_at: self.recorded_at,
            content_digest: self.content_digest,
            formula_set: self.formula_set,
            reason: self.reason,
            evaluation,
        }
    }
}

/// What is signed.
pub struct Content<'a> {
    pub kind: EntityKind,
    pub id: Uuid,
    pub digest: &'a str,
    pub evaluation: Option<String>,
}

/// Refuses a signature whose request names no digest, or that of another content, with what is known to have changed.
///
/// # Errors
/// [`Code::StaleVersion`].
pub fn seen(
    signature: &NewSignature,
    present: &str,
    changed: impl FnOnce() -> serde_json::Value,
) -> Result<(), Refusal> {
    let detail = match &signature.content_digest {
        Some(seen) if seen == present => return Ok(()),
        Some(_) => "the content has changed since you looked at it: nothing was signed; read it again",
        None => "name the digest of the content you looked at, in content_digest: nothing was signed",
    };
    let facts = serde_json::json!({ "named": signature.content_digest, "present": present, "changed": changed() });
    Err(Refusal::new(Code::StaleVersion, detail).with_facts(facts))
}

/// Stores a signature with the sentence of its meaning.
///
/// # Errors
/// [`Code::StaleVersion`] where the request names no digest, or that of another content.
pub async fn sign(
    connection: &Connection,
    user: &CurrentUser,
    meaning: Meaning,
    content: Content<'_>,
    signature: &NewSignature,
) -> Result<Row, Refusal> {
    sign_saying(connection, user, (meaning, meaning.statement()), content, signature).await
}

/// Stores a signature with a sentence of its own, where that of its meaning would not be true. There is no other way to store
/// one, so none is made over what its signer did not see.
///
/// # Errors
/// [`Code::StaleVersion`] where the request names no digest, or that of another content.
pub async fn sign_saying(
    mut connection: &Connection,
    user: &CurrentUser,
    (meaning, statement): (Meaning, &str),
    content: Content<'_>,
    signature: &NewSignature,
) -> Result<Row, Refusal> {
    seen(signature, content.digest, || serde_json::Value::Null)?;
    let row = Row {
        id: SignOffId::new(),
        entity_kind: content.kind.table().to_owned(),
        entity_id: content.id,
        meaning: meaning.text().to_owned(),
        printed_name: user.display_name.clone(),
        statement: statement.to_owned(),
        content_digest: content.digest.to_owned(),
        evaluation: content.evaluation,
        formula_set: FORMULA_SET.to_owned(),
        reason: signature.reason.clone(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: user.account,
    };
    Ok(diesel::insert_into(sign_offs::table)
        .values(&row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await?)
}

/// Signatures of a thing, oldest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of(mut connection: &Connection, id: Uuid) -> Result<Vec<Row>, Refusal> {
    Ok(sign_offs::table
        .filter(sign_offs::entity_id.eq(id))
        .order(sign_offs::id)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Who reviewed a thing, since its latest amendment if there was one.
///
/// # Errors
/// A store that cannot be reached.
pub async fn reviewers(
    connection: &Connection,
    id: Uuid,
    since: Option<DateTime<Utc>>,
) -> Result<Vec<AccountId>, Refusal> {
    let signed = of(connection, id).await?.into_iter();
    let counted = signed.filter(|sign| sign.meaning == Meaning::Reviewed.text());
    let counted = counted.filter(|sign| since.is_none_or(|since| sign.recorded_at > since));
    Ok(counted.map(|sign| sign.recorded_by).collect())
}

/// Signatures of a thing as a list of its own. The newest signature's content is taken as the present one; the thing itself
/// shows what its content is now.
///
/// # Errors
/// A store that cannot be reached.
pub async fn list(db: &crate::db::Db, id: Uuid) -> Result<Vec<SignOff>, Refusal> {
    db.read(async |connection| {
        let rows = of(connection, id).await?;
        let newest = rows.last().map(|row| row.content_digest.clone()).unwrap_or_default();
        let moves = crate::states::history(connection, id).await?;
        let amended = moves.iter().rfind(|step| step.to_state == "amended").map(|step| step.recorded_at);
        Ok(rows.into_iter().map(|row| row.view(&newest, amended, true)).collect())
    })
    .await
}
