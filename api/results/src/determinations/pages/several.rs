//! Several signatures in one form: what waits for this person, each ticked by them, the password once.

use std::collections::HashSet;

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
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
use crate::determinations::several::offers::{MOST, Offer, Offers, offered};
use crate::determinations::several::{self, NewSignatures, SignedOne, ToSign};
use crate::determinations::steps::Step;

fn page(offer: &Offer) -> String {
    format!("/{}/{}", offer.kind.replace('_', "-"), offer.id)
}

/// As a tick sends it: what was looked at, not what would stand there later.
fn value(offer: &Offer) -> String {
    format!("{}/{}/{}", offer.kind, offer.id, offer.digest)
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

async fn table(shell: &Shell, db: &Db, offers: &[Offer]) -> Result<Table, Refusal> {
    let samples: Vec<Uuid> = offers.iter().map(|offer| offer.sample).collect();
    let samples = labels::of(db, EntityKind::Sample, &samples).await?;
    let row = |offer: &Offer| {
        vec![
            Cell::link(offer.code.clone(), page(offer)),
            Cell::text(samples.get(&offer.sample).cloned().unwrap_or_default()),
            Cell::text(offer.what.clone()),
            Cell::text(shell.n(&offer.stands)),
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
        let thing = offer.map_or_else(Cell::default, |offer| Cell::link(offer.code.clone(), page(offer)));
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
    let Offers { offered: offers, more, .. } = offered(db, who.user(), state, &HashSet::new()).await?;
    let (_, title, button, meaning, _) = step_of(word);
    let more = if more {
        format!(" Looked through are the newest {MOST} of the laboratory; older ones stand in its lists.")
    } else {
        String::new()
    };
    let lead = format!("{meaning} Look at each before you tick it: every one is a signature of its own.{more}");
    let choices = offers
        .iter()
        .map(|offer| Choice::thing(value(offer), &offer.code, format!("{} {}", offer.what, shell.n(&offer.stands))));
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
    let above =
        vec![Section::new("waits", "What waits for your signature", Part::Table(table(shell, db, &offers).await?))];
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
