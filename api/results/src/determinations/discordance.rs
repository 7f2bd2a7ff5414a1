//! Titres that disagree without a cause: the result is approved only under the reasoned, signed decision of somebody who had no
//! hand in it (ISO/IEC 17025:2017 7.7.1 and 7.8.1.2).

use chrono::Utc;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::locks;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_core::determination::{Detail, Evaluation, ResultOutcome};
use ferrotitre_ledger::accounts::signing;
use ferrotitre_ledger::accounts::store::competences;
use uuid::Uuid;

use crate::determinations::record::{KIND, Loaded, load};
use crate::determinations::wire::DeterminationView;
use crate::determinations::{service, store};

const DECIDED: &str = "decided";

/// The decision on the content as it is, made since its author last signed.
pub(super) fn decision<'a>(sign_offs: &'a [sign_offs::Row], digest: &str) -> Option<&'a sign_offs::Row> {
    let since = sign_offs.iter().rposition(|sign| sign.meaning == "authored").unwrap_or(0);
    let held = sign_offs.get(since..).unwrap_or_default();
    held.iter().rfind(|sign| sign.meaning == DECIDED && sign.content_digest == digest)
}

/// What a reader is told of a result whose titres disagree.
pub(super) fn words(evaluation: &Evaluation, sign_offs: &[sign_offs::Row], digest: &str) -> Option<String> {
    if evaluation.outcome != ResultOutcome::Discordant {
        return None;
    }
    let seen = evaluation
        .agreement
        .as_ref()
        .map_or_else(String::new, |agreement| format!(" over a range of {:.2} mL", agreement.range_ml));
    let so_far = match decision(sign_offs, digest) {
        Some(sign) => format!(
            "{} decided on {} that it may be reported: {}",
            sign.printed_name,
            sign.recorded_at.date_naive(),
            sign.reason.as_deref().unwrap_or_default()
        ),
        None => "nobody has decided yet whether it may be reported".to_owned(),
    };
    Some(format!("discordant: the titres disagree{seen} and no cause was found; {so_far}"))
}

/// Refuses the approval of a discordant result that nobody has decided on.
///
/// # Errors
/// [`Code::RuleBroken`].
pub(super) fn decided(loaded: &Loaded, evaluation: &Evaluation) -> Result<(), Refusal> {
    if evaluation.outcome != ResultOutcome::Discordant {
        return Ok(());
    }
    match decision(&loaded.frame.sign_offs, &Loaded::digest(evaluation)) {
        Some(_) => Ok(()),
        None => Err(Refusal::new(
            Code::RuleBroken,
            "the titres disagree and no cause was found: before approval somebody who had no hand in it must decide, with a \
             reason, whether the discordant result may be reported",
        )),
    }
}

/// Decides, with a reason, that a discordant result may be reported.
pub async fn decide(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", signature.reason.as_deref())?;
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| signed(connection, user, id, signature).await).await
}

async fn signed(
    connection: &Connection,
    user: &CurrentUser,
    id: Uuid,
    signature: NewSignature,
) -> Result<DeterminationView, Refusal> {
    let row = store::determination(connection, id).await?;
    hold(connection, &[Held::Run(row.run_id.0)]).await?;
    locks::determination(connection, id).await?;
    let loaded = load(connection, row).await?;
    if !matches!(loaded.state.as_str(), "submitted" | "reviewed") {
        let detail =
            format!("the determination is {}: a decision is made on what its author has submitted", loaded.state);
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    let evaluation = loaded.evaluate(Detail::Figures)?;
    if evaluation.outcome != ResultOutcome::Discordant {
        let detail = format!("its titres are {}: there is nothing to decide", evaluation.outcome.word());
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    let digest = Loaded::digest(&evaluation);
    sign_offs::seen(&signature, &digest, || {
        let changed = loaded.changed_since(signature.content_digest.as_deref().unwrap_or_default());
        let row = |(kind, id, at)| serde_json::json!({ "kind": kind, "id": id, "recorded_at": at });
        changed.into_iter().map(row).collect()
    })?;
    let detail = "you had a hand in this record: somebody else decides on titres that disagree";
    signing::not_a_party(connection, user.account, &loaded.authors, detail).await?;
    competent(connection, user, &loaded).await?;
    let content = Content { kind: KIND, id, digest: &digest, evaluation: None };
    sign_offs::sign(connection, user, Meaning::Decided, content, &signature).await?;
    service::shown(load(connection, loaded.row).await?)
}

/// An analyst decides only on methods they are authorised for.
async fn competent(connection: &Connection, user: &CurrentUser, loaded: &Loaded) -> Result<(), Refusal> {
    let (method, today) = (&loaded.frame.method.facts.code, Utc::now().date_naive());
    if user.roles.contains(&Role::Manager) || competences::competent(connection, user.account, method, today).await? {
        return Ok(());
    }
    let detail =
        format!("an analyst decides only on methods they are authorised for today; {method} is not among yours");
    Err(Refusal::new(Code::NotCompetent, detail))
}
