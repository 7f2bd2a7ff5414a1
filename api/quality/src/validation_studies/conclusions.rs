//! Conclusions: signed by their author, reviewed and approved by others; they bound what the method is validated for.

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, ValidationConclusionId};
use ferrotitre_base::pins;
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::words;
use ferrotitre_bench::impacts::store as impacts;
use ferrotitre_bench::impacts::wire::TouchView;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use uuid::Uuid;

use crate::validation_studies::answer::CharacteristicAnswer;
use crate::validation_studies::pinned;
use crate::validation_studies::plan::{STUDY, digest_of};
use crate::validation_studies::reading;
use crate::validation_studies::store::{self, ConclusionRow, StudyRow};
use crate::validation_studies::wire::{ConclusionView, NewConclusion};

const KIND: EntityKind = EntityKind::ValidationConclusion;
/// Units a validated range can have: those of results.
const UNITS: [&str; 5] = ["mol/L", "g/L", "mg/L", "% m/m", "mol/kg"];

/// What becomes of a conclusion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Decision {
    Review,
    Approve,
    Return,
    Reject,
}

impl Decision {
    fn leads_to(self) -> (&'static str, Meaning) {
        match self {
            Self::Review => ("reviewed", Meaning::Reviewed),
            Self::Approve => ("approved", Meaning::Approved),
            Self::Return => ("running", Meaning::Rejected),
            Self::Reject => ("rejected", Meaning::Rejected),
        }
    }
}

fn check(new: &NewConclusion) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    words(&mut errors, "words", &new.words);
    words(&mut errors, "matrix", &new.matrix);
    words(&mut errors, "limitations", &new.limitations);
    let known = UNITS.contains(&new.unit.as_str());
    errors.require(known, "unit", "one_of", format!("must be one of {}", UNITS.join(", ")), &new.unit);
    let message = format!("must be above the lower end, {}: the range is the wrong way round", new.validated_low);
    let apart = new.validated_low.value() < new.validated_high.value();
    errors.require(apart, "validated_high", "order", message, &new.validated_high);
    errors.check()
}

/// Digest of what a signature on a conclusion covers: the conclusion and every answer it rests on.
fn digest(row: &ConclusionRow, answers: &str) -> String {
    digest_of(&format!(
        "ferrotitre validation conclusion 1\n{} {} {} {}\n{}\n{} {} {}\n{}\n{}\n{answers}\n",
        row.id,
        row.study_id,
        row.number,
        row.fit,
        row.words,
        row.validated_low,
        row.validated_high,
        row.unit,
        row.matrix,
        row.limitations
    ))
}

fn text_of(answers: &[CharacteristicAnswer]) -> Result<String, Refusal> {
    serde_json::to_string(answers).map_err(Refusal::internal)
}

/// Digest of what a conclusion is drawn from, for its signature: every answer, and the identity of every datum with whether it
/// counts. The rows of the data are not read for it, since a datum never changes.
pub(super) fn answers_digest(loaded: &reading::Loaded) -> Result<String, Refusal> {
    let mut text = format!("ferrotitre validation answers 1\n{}\n", text_of(&loaded.answers()?)?);
    for row in &loaded.plan {
        for point in loaded.points(row.id) {
            text.push_str(&format!("{} {}\n", point.id, loaded.counts(point.id)));
        }
    }
    Ok(digest_of(&text))
}

/// Digest of what was signed: of the answers as they are kept with the author's signature, whatever is recorded later.
pub(super) fn signed_digest(row: &ConclusionRow, signed: &[sign_offs::Row]) -> Option<String> {
    let author = signed.iter().find(|sign| sign.meaning == "authored")?;
    Some(digest(row, author.evaluation.as_deref()?))
}

/// The same, or what the answers come to now where none are kept.
async fn digest_now(
    connection: &Connection,
    row: &ConclusionRow,
    (signed, loaded): (&[sign_offs::Row], &reading::Loaded),
) -> Result<String, Refusal> {
    match signed_digest(row, signed) {
        Some(digest) => Ok(digest),
        None => Ok(digest(row, &text_of(&loaded.whole_answers(connection).await?)?)),
    }
}

/// Conclusions as shown.
pub(super) async fn views(
    connection: &Connection,
    study: &StudyRow,
    loaded: &reading::Loaded,
) -> Result<Vec<ConclusionView>, Refusal> {
    let rows = store::conclusions(connection, study.id).await?;
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let mut views = Vec::with_capacity(rows.len());
    for row in rows {
        let signed = sign_offs::of(connection, row.id.0).await?;
        let digest = digest_now(connection, &row, (&signed, loaded)).await?;
        let authored: Vec<_> = signed.iter().filter(|sign| sign.meaning == "authored").map(|sign| sign.id).collect();
        let touched = impacts::touching(connection, &authored).await?;
        views.push(ConclusionView {
            id: row.id,
            number: row.number,
            fit: row.fit,
            words: row.words,
            validated_low: row.validated_low,
            validated_high: row.validated_high,
            unit: row.unit,
            matrix: row.matrix,
            limitations: row.limitations,
            touched: touched.iter().map(TouchView::from).collect(),
            sign_offs: signed.into_iter().map(|sign| sign.view(&digest, None, false)).collect(),
            content_digest: digest,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        });
    }
    Ok(views)
}

/// Concludes a running study, signed by the author of the conclusion; the answers are kept with the signature as they stood.
pub async fn conclude(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    id: Uuid,
    new: NewConclusion,
) -> Result<Answer, Refusal> {
    check(&new)?;
    let by = author(act)?;
    let signature = new.signature();
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        let study = store::study(connection, id).await?;
        let (loaded, mut used) = pinned::to_pin(connection, &study).await?;
        if loaded.recorders().is_empty() {
            return Err(Refusal::new(Code::NotEnoughData, "not enough data: the study has none to conclude from"));
        }
        let asked = NewMove { to: "complete".to_owned(), reason: None };
        states::advance(connection, act, STUDY, id, &asked, None).await?;
        let number = store::conclusions(connection, study.id).await?.last().map_or(1, |last| last.number + 1);
        let row = ConclusionRow {
            id: ValidationConclusionId::new(),
            study_id: study.id,
            number,
            fit: new.fit,
            words: new.words,
            validated_low: new.validated_low,
            validated_high: new.validated_high,
            unit: new.unit,
            matrix: new.matrix,
            limitations: new.limitations,
            recorded_at: DateTime::<Utc>::UNIX_EPOCH,
            recorded_by: by,
        };
        let row = store::insert_conclusion(connection, &row).await?;
        let answers = text_of(&loaded.whole_answers(connection).await?)?;
        sign_offs::seen(&signature, &answers_digest(&loaded)?, || serde_json::Value::Null)?;
        let digest = digest(&row, &answers);
        // The conclusion is in the request itself; what had to be looked at are the answers.
        let signature = NewSignature { content_digest: Some(digest.clone()), ..signature };
        let content = Content { kind: KIND, id: row.id.0, digest: &digest, evaluation: Some(answers) };
        let signed = sign_offs::sign(connection, user, Meaning::Authored, content, &signature).await?;
        used.add(KIND.table(), row.id.0, signed.recorded_at);
        pins::record(connection, signed.id, &used, Some(by)).await?;
        reading::view(connection, study).await
    })
    .await
}

/// People who may not judge a conclusion: authors of the plan, of the data, of the conclusion.
fn involved(study: &StudyRow, recorders: Vec<AccountId>, conclusion: &ConclusionRow) -> Vec<AccountId> {
    let mut all = recorders;
    all.extend([study.recorded_by, conclusion.recorded_by]);
    all
}

/// Reviews, approves, returns or rejects a conclusion; by nobody who had a hand in the study.
pub async fn decide(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    (id, decision): (Uuid, Decision),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| {
        let study = store::study(connection, id).await?;
        let state = states::present(connection, STUDY, id).await?.state;
        let last = store::conclusions(connection, study.id).await?.pop();
        let Some(conclusion) = last.filter(|_| matches!(state.as_str(), "complete" | "reviewed")) else {
            let detail = format!("the study is {state}: there is no conclusion to decide on");
            return Err(Refusal::new(Code::StateConflict, detail));
        };
        let loaded = reading::load_study(connection, &study).await?;
        let detail = "a conclusion is judged by nobody who wrote the plan or the conclusion or recorded data";
        let involved = involved(&study, loaded.recorders(), &conclusion);
        signing::not_a_party(connection, user.account, &involved, detail).await?;
        if decision == Decision::Approve {
            let reviewers = sign_offs::reviewers(connection, conclusion.id.0, None).await?;
            let detail = "you reviewed this conclusion; somebody else approves it";
            signing::not_a_party(connection, user.account, &reviewers, detail).await?;
        }
        let signed = sign_offs::of(connection, conclusion.id.0).await?;
        let digest = digest_now(connection, &conclusion, (&signed, &loaded)).await?;
        let (to, meaning) = decision.leads_to();
        let asked = NewMove { to: to.to_owned(), reason: signature.reason.clone() };
        states::advance(connection, act, STUDY, id, &asked, None).await?;
        let content = Content { kind: KIND, id: conclusion.id.0, digest: &digest, evaluation: None };
        sign_offs::sign(connection, user, meaning, content, &signature).await?;
        reading::view(connection, study).await
    })
    .await
}
