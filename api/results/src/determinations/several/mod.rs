//! Several signatures with the secret asked once: each stands over what was looked at, is checked as if it were alone, and is a
//! record of its own.

pub(super) mod handlers;
pub mod offers;

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_ledger::accounts::signing;
use secrecy::SecretString;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::determinations::steps::{self, Step};

/// Most signatures of one request: as many as somebody can have looked at.
const MOST: usize = 50;

/// Several signatures asked for: the secret again, and of each the version that was looked at.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSignatures {
    /// Own password, asked once for all of them.
    #[schema(value_type = String, format = Password)]
    pub password: SecretString,
    /// What is signed, in this order: determinations before the iron results that are made of them. At most 50.
    pub of: Vec<ToSign>,
}

/// Something to be signed, as it was looked at.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToSign {
    /// determinations or iron_results.
    #[schema(example = "determinations")]
    pub kind: String,
    /// Which.
    pub id: Uuid,
    /// Digest of the content that was looked at; if it has changed meanwhile, this one is not signed.
    pub content_digest: String,
}

/// What became of each, in the order of the request.
#[derive(Debug, Serialize, ToSchema)]
pub struct SignedSeveral {
    /// In the order of the request.
    pub signed: Vec<SignedOne>,
}

/// What became of one.
#[derive(Debug, Serialize, ToSchema)]
pub struct SignedOne {
    /// determinations or iron_results.
    pub kind: String,
    /// Which.
    pub id: Uuid,
    /// Why it was not signed; absent where it was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub refused: Option<String>,
}

async fn one(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    step: Step,
    (of, password): (&ToSign, &SecretString),
) -> Result<Answer, Refusal> {
    let signature =
        NewSignature { password: password.clone(), content_digest: Some(of.content_digest.clone()), reason: None };
    let act = act.part(of.id);
    match of.kind.as_str() {
        "determinations" => steps::determination_confirmed(db, &act, user, (of.id, step), signature).await,
        _ => steps::iron_result_confirmed(db, &act, user, (of.id, step), signature).await,
    }
}

/// Signs what can be signed; what is refused says why and takes nothing of the others back.
///
/// # Errors
/// The secret; nothing to sign or something that is not signed here; or, where none of them could be signed, why not the first.
pub async fn sign(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    step: Step,
    new: NewSignatures,
) -> Result<SignedSeveral, Refusal> {
    if !(1..=MOST).contains(&new.of.len()) {
        let message = format!("name at least one and at most {MOST}");
        return Err(Refusal::invalid("of", "count", message, new.of.len()));
    }
    for (at, of) in new.of.iter().enumerate() {
        if !["determinations", "iron_results"].contains(&of.kind.as_str()) {
            let field = format!("of[{at}].kind");
            return Err(Refusal::invalid(&field, "one_of", "must be determinations or iron_results", &of.kind));
        }
    }
    signing::confirm(db, act, policy, new.password.clone()).await?;
    let mut signed = Vec::with_capacity(new.of.len());
    let mut first = None;
    for of in &new.of {
        let outcome = one(db, act, user, step, (of, &new.password)).await;
        let refused = outcome.as_ref().err().map(|refusal| refusal.detail.clone());
        signed.push(SignedOne { kind: of.kind.clone(), id: of.id, refused });
        if let (Err(refusal), None) = (outcome, &first) {
            first = Some(refusal);
        }
    }
    match first {
        Some(refusal) if signed.iter().all(|one| one.refused.is_some()) => Err(refusal),
        _ => Ok(SignedSeveral { signed }),
    }
}
