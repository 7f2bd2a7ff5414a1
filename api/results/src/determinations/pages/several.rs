//! Several signatures in one form: what waits for this person, each ticked by them, the password once.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Deed;
use ferrotitre_base::auth::permissions::acts::{ApproveDeterminations, ReviewDeterminations, SubmitDeterminations};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent};
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table};
use ferrotitre_html::shell::Shell;
use secrecy::SecretString;
use serde::Deserialize;
use uuid::Uuid;

use super::signing::step_of;
use crate::determinations::iron_results::IronResultView;
use crate::determinations::several::{self, NewSignatures, SignedOne, ToSign};
use crate::determinations::steps::Step;
use crate::determinations::wire::DeterminationView;
use crate::determinations::{iron_results, service, waiting};

/// Most that are offered at once.
const MOST: i64 = 50;

/// Something this person can sign now.
struct Offer {
    kind: &'static str,
    id: Uuid,
    code: String,
    sample: Uuid,
    what: String,
    stands: String,
    flags: Vec<String>,
    digest: String,
}

impl Offer {
    fn page(&self) -> String {
        format!("/{}/{}", self.kind.replace('_', "-"), self.id)
    }

    /// As a tick sends it: what was looked at, not what would stand there later.
    fn value(&self) -> String {
        format!("{}/{}/{}", self.kind, self.id, self.digest)
    }
}

/// What was ticked, as the API takes it.
fn ticked(value: &str) -> Result<ToSign, Refusal> {
    let mut parts = value.splitn(3, '/');
    let (kind, id, digest) = (parts.next(), parts.next().and_then(|id| id.parse().ok()), parts.next());
    match (kind, id, digest) {
        (Some(kind), Some(id), Some(digest)) => {
            Ok(ToSign { kind: kind.to_owned(), id, content_digest: digest.to_owned() })
        }
        _ => Err(Refusal::invalid("of", "one_of", "is none of what is offered here", value)),
    }
}

/// With whether this person titrated it, and whether it can be signed.
fn determination(shell: &Shell, view: DeterminationView) -> (Offer, bool, bool) {
    let own = shell.user.as_ref().is_some_and(|user| view.titrations.iter().any(|one| one.recorded_by == user.account));
    let complete = view.evaluation.progress.complete;
    let stands = view.evaluation.reported.as_ref().map(|reported| shell.n(reported.stated()));
    let offer = Offer {
        kind: "determinations",
        id: view.id,
        code: view.code,
        sample: view.sample,
        what: view.analyte,
        stands: stands.unwrap_or_else(|| view.evaluation.progress.detail.clone()),
        flags: view.flags,
        digest: view.content_digest,
    };
    (offer, own, complete)
}

fn iron_result(shell: &Shell, view: IronResultView) -> (Offer, bool, bool) {
    let own = shell.user.as_ref().is_some_and(|user| view.recorded_by == user.account);
    let stands = view.evaluation.reported.as_ref().map(|reported| shell.n(reported.stated()));
    let complete = stands.is_some();
    let offer = Offer {
        kind: "iron_results",
        id: view.id,
        code: view.code,
        sample: view.sample,
        what: "iron(III)".to_owned(),
        stands: stands.unwrap_or_default(),
        flags: view.flags,
        digest: view.content_digest,
    };
    (offer, own, complete)
}

/// What waits for this person in a state: determinations oldest first, then the iron results that are made of them; and whether more
/// is in that state than was looked through.
async fn offers(shell: &Shell, db: &Db, user: &CurrentUser, state: &str) -> Result<(Vec<Offer>, bool), Refusal> {
    let newest = (Uuid::max(), MOST);
    let lines = service::in_state(db, state, newest).await?;
    let results = iron_results::waiting(db, state, newest).await?;
    let more = lines.next.is_some() || results.next.is_some();
    let begun = state == "in progress";
    let mut blocked = waiting::blocked(db, user, &lines.items).await?;
    let free: Vec<Uuid> = lines.items.iter().map(|line| line.id).filter(|id| !blocked.contains_key(id)).collect();
    let mut offered = Vec::new();
    for view in service::several(db, &free).await?.into_iter().rev() {
        let (offer, own, complete) = determination(shell, view);
        if !begun || (own && complete) {
            offered.push(offer);
        }
    }
    let here = |id: Uuid| offered.iter().any(|offer| offer.id == id);
    let results = results.items;
    let together: Vec<Uuid> =
        results.iter().filter(|row| here(row.total_id.0) && here(row.iron2_id.0)).map(|row| row.id.0).collect();
    blocked.extend(waiting::blocked_results(db, user, state, &results).await?);
    // What waits for the approval of both determinations is approved with them.
    blocked.retain(|id, _| state != "reviewed" || !together.contains(id));
    let free: Vec<Uuid> = results.iter().map(|row| row.id.0).filter(|id| !blocked.contains_key(id)).collect();
    for view in iron_results::several(db, &free).await?.into_iter().rev() {
        let (offer, own, complete) = iron_result(shell, view);
        if complete && (!begun || own) {
            offered.push(offer);
        }
    }
    Ok((offered, more))
}

async fn table(db: &Db, offers: &[Offer]) -> Result<Table, Refusal> {
    let samples: Vec<Uuid> = offers.iter().map(|offer| offer.sample).collect();
    let samples = labels::of(db, EntityKind::Sample, &samples).await?;
    let row = |offer: &Offer| {
        vec![
            Cell::link(offer.code.clone(), offer.page()),
            Cell::text(samples.get(&offer.sample).cloned().unwrap_or_default()),
            Cell::text(offer.what.clone()),
            Cell::text(offer.stands.clone()),
            Cell::text(offer.flags.join("; ")),
        ]
    };
    Ok(Table {
        columns: vec!["What", "Sample", "Determines", "Result", "To be known"],
        rows: offers.iter().map(row).collect(),
        empty: "Nothing waits for your signature.",
        ..Table::default()
    })
}

/// What became of each, where not all could be signed.
fn outcomes(
    shell: &Shell,
    (title, again): (&str, String),
    offers: &[Offer],
    signed: &[SignedOne],
) -> Result<HttpResponse, Problem> {
    let row = |one: &SignedOne| {
        let offer = offers.iter().find(|offer| offer.id == one.id);
        let thing = offer.map_or_else(Cell::default, |offer| Cell::link(offer.code.clone(), offer.page()));
        let said = one.refused.clone().map_or_else(|| "signed".to_owned(), |why| format!("not signed: {why}"));
        vec![thing, Cell::text(said)]
    };
    let refused = signed.iter().filter(|one| one.refused.is_some()).count();
    let table = Table { columns: vec!["What", ""], rows: signed.iter().map(row).collect(), ..Table::default() };
    Sheet::new(shell, "Signatures", format!("{title}: {refused} of {} not signed", signed.len()))
        .way(true, "Back to what waits", again)
        .section("outcomes", "", Part::Table(table))
        .help(
            "Each signature is a record of its own: what could be signed is, and stays so.",
            "ISO/IEC 17025:2017 7.5.1 and 7.8.1.2.",
            "Look at what was not signed: the line says why.",
        )
        .show()
}

/// What the form sends.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    password: SecretString,
    of: Vec<String>,
}

async fn sign<D: Deed>(
    who: &Allowed<D>,
    shell: &Shell,
    (db, policy): (&Db, Policy),
    (word, step, state): (&str, Step, &str),
    sent: &Sent,
) -> Result<HttpResponse, Problem> {
    let (offers, more) = offers(shell, db, who.user(), state).await?;
    let (_, title, button, meaning, _) = step_of(word);
    let more = if more {
        format!(" Looked through are the newest {MOST} of the laboratory; older ones stand in its lists.")
    } else {
        String::new()
    };
    let lead = format!("{meaning} Look at each before you tick it: every one is a signature of its own.{more}");
    let choices = offers
        .iter()
        .map(|offer| Choice::thing(offer.value(), &offer.code, format!("{} {}", offer.what, offer.stands)));
    let form = Form::new(format!("{title} several"), button, "/day")
        .lead(lead)
        .with([
            Field::new("of", "What you sign", Kind::Several(choices.collect())),
            Field::new("password", "Your own password, again", Kind::Password)
                .help("Asked once for all that are ticked. Your printed name, the time and the meaning are recorded with each."),
        ])
        .help(
            "Each signature stands over what you looked at. One whose content has changed meanwhile is not signed.",
            "ISO/IEC 17025:2017 7.8.1.2 and 7.5.1: who did, checked and authorised it.",
            "Submitted, then reviewed by somebody else, then approved by a manager.",
        );
    let above = vec![Section::new("waits", "What waits for your signature", Part::Table(table(db, &offers).await?))];
    let mut signed = Vec::new();
    let answer = shell
        .take_below(who, sent, form, above, async |act, asked: Asked| {
            if asked.of.is_empty() {
                return Err(Refusal::invalid("of", "required", "tick what you have looked at and sign", ""));
            }
            let of = asked.of.iter().map(|value| ticked(value)).collect::<Result<Vec<_>, _>>()?;
            let new = NewSignatures { password: asked.password, of };
            signed = several::sign(db, &act, who.user(), policy, step, new).await?.signed;
            Ok("/day?done=saved".to_owned())
        })
        .await?;
    if signed.iter().all(|one| one.refused.is_none()) {
        return Ok(answer);
    }
    outcomes(shell, (title, format!("/signatures/{word}")), &offers, &signed)
}

/// Submits several, signed by their author.
#[routes]
#[get("/signatures/submission")]
#[post("/signatures/submission")]
pub(super) async fn submit(
    who: Allowed<SubmitDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), ("submission", Step::Submit, "in progress"), &sent).await
}

/// Reviews several.
#[routes]
#[get("/signatures/review")]
#[post("/signatures/review")]
pub(super) async fn review(
    who: Allowed<ReviewDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), ("review", Step::Review, "submitted"), &sent).await
}

/// Approves several.
#[routes]
#[get("/signatures/approval")]
#[post("/signatures/approval")]
pub(super) async fn approve(
    who: Allowed<ApproveDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), ("approval", Step::Approve, "reviewed"), &sent).await
}
