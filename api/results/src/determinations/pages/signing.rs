//! Submission, review, return, approval and amendment of a determination, each with the password again.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    ApproveDeterminations, CountersignTitrations, DecideDiscordance, ReviewDeterminations, SubmitDeterminations,
};
use ferrotitre_base::auth::permissions::{Action, Deed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Form, Sent, onward};
use ferrotitre_html::sheet::Sheet;
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::certificates::service as certificates;
use crate::determinations::steps::{self, Step};
use crate::determinations::{discordance, service, supervision};

/// A step by the word in its address, with its title, its button, what it means and whether it needs a reason.
pub(super) fn step_of(word: &str) -> (Step, &'static str, &'static str, &'static str, bool) {
    match word {
        "review" => (
            Step::Review,
            "Review",
            "Sign as reviewed",
            "You sign: I checked readings, working, quality control and trail.",
            false,
        ),
        "return" => (Step::Return, "Return", "Return it", "It goes back to its author, with your reason.", true),
        "approval" => (
            Step::Approve,
            "Approve",
            "Sign as approved",
            "You sign: fit for release. The figures, the digest of their inputs and the formulae are frozen.",
            false,
        ),
        "amendment" => (
            Step::Amend,
            "Amend",
            "Reopen it",
            "The signatures are no longer valid from then on; somebody else approves anew.",
            true,
        ),
        _ => (Step::Submit, "Submit", "Sign and submit", "You sign: these are my observations.", false),
    }
}

/// What a signature stands under, as its form shows it.
pub(super) struct Signed {
    /// Its page.
    pub(super) place: String,
    pub(super) code: String,
    /// What it is and where it stands.
    pub(super) words: String,
    /// What is to be known before signing.
    pub(super) flags: Vec<String>,
    pub(super) digest: String,
}

/// The form of a step, carried out by the use case of what is signed.
pub(super) async fn take_step<D: Deed>(
    who: &Allowed<D>,
    shell: &Shell,
    sent: &Sent,
    (word, signed): (&str, Signed),
    work: impl AsyncFnOnce(Act, Step, NewSignature) -> Result<Answer, Refusal>,
) -> Result<HttpResponse, Problem> {
    let (step, title, button, meaning, reason) = step_of(word);
    let Signed { place, code, words, flags, digest } = signed;
    let flags = if flags.is_empty() { String::new() } else { format!(" To be known: {}.", flags.join("; ")) };
    let form = Form::new(format!("{title} {code}"), button, place.as_str())
        .lead(format!("{code}, {words}. {meaning}{flags}"))
        .signing(&digest, reason)
        .help(
            "A signature stands over the digest of what you looked at. If it has changed meanwhile, nothing is signed.",
            "ISO/IEC 17025:2017 7.8.1.2 and 7.5.1: who did, checked and authorised it.",
            "Submitted, then reviewed by somebody else, then approved by a manager.",
        );
    shell
        .take(who, sent, form, async |act, signature: NewSignature| {
            Ok(onward(&work(act, step, signature).await?, &place))
        })
        .await
}

/// Ways to the signatures that a state waits for.
pub(super) fn with_steps<'a>(sheet: Sheet<'a>, shell: &Shell, state: &str, path: &str) -> Sheet<'a> {
    let (reviews, approves) = (shell.may(Action::ReviewDeterminations), shell.may(Action::ApproveDeterminations));
    sheet
        .way(state == "submitted" && reviews, "Review", format!("{path}/review"))
        .way(state == "reviewed" && approves, "Approve", format!("{path}/approval"))
        .way(matches!(state, "submitted" | "reviewed") && reviews, "Return", format!("{path}/return"))
        .way(matches!(state, "approved" | "reported") && approves, "Amend", format!("{path}/amendment"))
}

async fn sign<D: Deed>(
    who: &Allowed<D>,
    shell: &Shell,
    (db, policy): (&Db, Policy),
    (id, word): (Uuid, &str),
    sent: &Sent,
) -> Result<HttpResponse, Problem> {
    let mut view = service::read(db, id).await?;
    if word == "amendment" {
        view.flags.extend(certificates::to_be_amended(db, id).await?);
    }
    let stands = match &view.evaluation.reported {
        Some(reported) => shell.n(reported.stated()),
        None => view.evaluation.progress.detail.clone(),
    };
    let signed = Signed {
        place: format!("/determinations/{id}"),
        words: format!("{}: {stands}", view.analyte),
        code: view.code,
        flags: view.flags,
        digest: view.content_digest,
    };
    take_step(who, shell, sent, (word, signed), async |act, step, signature| {
        steps::determination(db, &act, who.user(), policy, (id, step), signature).await
    })
    .await
}

/// Countersigns titrations made under one's supervision.
#[routes]
#[get("/determinations/{id}/countersignature")]
#[post("/determinations/{id}/countersignature")]
pub(super) async fn countersign(
    who: Allowed<CountersignTitrations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let place = format!("/determinations/{id}");
    let form = Form::new(format!("Countersign {}", view.code), "Sign as the supervisor", place.as_str())
        .lead("You sign: made under my supervision, as recorded.")
        .signing(&view.content_digest, false)
        .help(
            "Who is not yet authorised for a method titrates under supervision; the supervisor signs for it.",
            "ISO/IEC 17025:2017 6.2.5 d and 6.2.6.",
            "When something is recorded after that, it is countersigned anew. Then its author submits it.",
        );
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            let answer = supervision::countersign(&db, &act, who.user(), **policy, *id, signature).await?;
            Ok(onward(&answer, &place))
        })
        .await
}

/// Decides that a discordant result may be reported.
#[routes]
#[get("/determinations/{id}/discordance-decision")]
#[post("/determinations/{id}/discordance-decision")]
pub(super) async fn decide(
    who: Allowed<DecideDiscordance>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let place = format!("/determinations/{id}");
    let stands = view.evaluation.reported.as_ref().map(|reported| shell.n(reported.stated())).unwrap_or_default();
    let form = Form::new(format!("Decide on {}", view.code), "Sign the decision", place.as_str())
        .lead(format!(
            "{}: {stands}; {}. You sign: it may be reported as discordant, for the reason given. Otherwise return it.",
            view.analyte, view.evaluation.progress.detail
        ))
        .signing(&view.content_digest, true)
        .help(
            "The titres disagree and no cause was found. All of them count, and the uncertainty covers the scatter observed. Whether the figure is fit for the client's purpose is decided by somebody who had no hand in it.",
            "ISO 5725-6:1994 5.2 (results that are not acceptable); ISO/IEC 17025:2017 7.7.1 and 7.8.1.2.",
            "A manager approves it; decision, name and reason are printed with the result.",
        );
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            let answer = discordance::decide(&db, &act, who.user(), **policy, *id, signature).await?;
            Ok(onward(&answer, &place))
        })
        .await
}

/// Submits, signed by the author.
#[routes]
#[get("/determinations/{id}/submission")]
#[post("/determinations/{id}/submission")]
pub(super) async fn submit(
    who: Allowed<SubmitDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), (*id, "submission"), &sent).await
}

/// Reviews or returns.
#[routes]
#[get("/determinations/{id}/{step:review|return}")]
#[post("/determinations/{id}/{step:review|return}")]
pub(super) async fn review(
    who: Allowed<ReviewDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), (path.0, &path.1), &sent).await
}

/// Approves or amends.
#[routes]
#[get("/determinations/{id}/{step:approval|amendment}")]
#[post("/determinations/{id}/{step:approval|amendment}")]
pub(super) async fn approve(
    who: Allowed<ApproveDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), (path.0, &path.1), &sent).await
}
