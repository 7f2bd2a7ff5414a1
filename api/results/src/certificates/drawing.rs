//! Use cases of drawing up: a first draft, a draft anew, the draft of the next issue, and giving one up.

use chrono::{DateTime, Datelike as _, Utc};
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{CertificateId, CertificateResultId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove, reason_given};
use ferrotitre_base::web::answer::{Answer, expect_version};
use ferrotitre_base::web::decimal::words;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_base::zone;
use ferrotitre_ledger::laboratory;
use uuid::Uuid;

use crate::certificates::document::{self, Document, Heading};
use crate::certificates::gather;
use crate::certificates::service;
use crate::certificates::store::{self, KIND, ResultRow, Row};
use crate::certificates::wire::{CertificateFacts, Discarding};
use crate::determinations::certifying::{Certifiable, Named};

fn check(facts: &CertificateFacts, issue: i32) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    words(&mut errors, "customer", &facts.customer);
    words(&mut errors, "customer_address", &facts.customer_address);
    if let Some(text) = &facts.remarks {
        words(&mut errors, "remarks", text);
    }
    match (&facts.what_changed, issue) {
        (Some(text), 1) => {
            errors.require(false, "what_changed", "first_issue", "must be left empty for a first issue", text)
        }
        (Some(text), _) => words(&mut errors, "what_changed", text),
        (None, 1) => {}
        (None, _) => errors.require(false, "what_changed", "required", "say what differs from the issue before", ""),
    }
    errors.check()
}

/// Where a draft stands among the versions of its certificate.
struct Place<'a> {
    /// The version it follows.
    before: Option<&'a Row>,
    year: i32,
    running: i32,
    number: String,
    issue: i32,
    /// Issue that it replaces, when that was issued, and why it is replaced.
    replaces: Option<(i32, DateTime<Utc>, String)>,
    /// Why this version was made.
    reason: Option<String>,
}

/// What a draft says, from results that are held.
pub(super) async fn drawn(
    connection: &Connection,
    (number, issue): (&str, i32),
    replaces: Option<&(i32, DateTime<Utc>, String)>,
    (facts, named): (&CertificateFacts, Vec<Named>),
) -> Result<(Document, laboratory::store::versions::Row, Vec<Certifiable>), Refusal> {
    let results = gather::results(connection, (number, named)).await?;
    let laboratory = laboratory::store::present(connection).await?.ok_or_else(|| {
        let detail = "no laboratory details are recorded yet; a certificate must state its name and address";
        Refusal::new(Code::StateConflict, detail)
    })?;
    let heading = Heading {
        number: (number, issue),
        replaces: replaces.map(|(issue, at, _)| (*issue, *at)),
        laboratory: laboratory.facts.clone(),
    };
    let reason = replaces.map(|(_, _, reason)| reason.as_str());
    let document = document::drawn_up(heading, facts, reason, &results)?;
    Ok((document, laboratory, results))
}

async fn insert(
    connection: &Connection,
    act: &Act,
    place: Place<'_>,
    (facts, named): (CertificateFacts, Vec<Named>),
) -> Result<Row, Refusal> {
    let by = author(act)?;
    let of = (place.number.as_str(), place.issue);
    let (document, laboratory, results) = drawn(connection, of, place.replaces.as_ref(), (&facts, named)).await?;
    let (text, content_digest) = document.frozen()?;
    let id = CertificateId::new();
    let row = Row {
        id,
        record_id: place.before.map_or(id.0, |before| before.record_id),
        version: place.before.map_or(1, |before| before.version + 1),
        supersedes: place.before.map(|before| before.id),
        reason: place.reason,
        year: place.year,
        running: place.running,
        number: place.number,
        issue: place.issue,
        laboratory_id: laboratory.id,
        customer: facts.customer,
        customer_address: facts.customer_address,
        remarks: facts.remarks,
        what_changed: facts.what_changed,
        specifications: facts.specifications,
        document: text,
        content_digest,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    let rows: Vec<ResultRow> = (1..)
        .zip(&results)
        .map(|(position, one)| ResultRow {
            id: CertificateResultId::new(),
            certificate_id: id,
            position,
            result_kind: one.kind.table().to_owned(),
            result_id: one.id,
            sign_off_id: one.sign_off,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        })
        .collect();
    store::insert(connection, &row, &rows).await
}

/// Draws a certificate up: its first draft, with the next number of the year.
pub async fn draw_up(db: &Db, act: &Act, facts: CertificateFacts) -> Result<Answer, Refusal> {
    check(&facts, 1)?;
    db.write(act, async |connection| {
        let named = gather::named(connection, &facts.results).await?;
        gather::held(connection, None, &named).await?;
        let year = zone::local(Utc::now()).year();
        let running = store::next_running(connection, year).await?;
        let number = format!("C-{year}-{running:04}");
        let place = Place { before: None, year, running, number, issue: 1, replaces: None, reason: None };
        let row = insert(connection, act, place, (facts, named)).await?;
        service::view(connection, row.record_id).await
    })
    .await
}

/// The latest version of a certificate that is held, if it is the one that was looked at.
async fn latest(connection: &Connection, id: Uuid, if_match: Option<&str>) -> Result<(Vec<Row>, String), Refusal> {
    let rows = store::versions(connection, id).await?;
    let latest = rows.last().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
    expect_version(if_match, &latest.id.to_string())?;
    let state = states::present(connection, KIND, latest.id.0).await?.state;
    Ok((rows, state))
}

fn moved(to: &str, reason: String) -> NewMove {
    NewMove { to: to.to_owned(), reason: Some(reason) }
}

/// Draws a draft up anew, from results and records as they are now; the draft before is given up.
pub async fn revise(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<CertificateFacts>,
) -> Result<Answer, Refusal> {
    reason_given("reason", Some(&correction.reason))?;
    let Correction { reason, facts } = correction;
    db.write(act, async |connection| {
        let named = gather::named(connection, &facts.results).await?;
        gather::held(connection, Some(id), &named).await?;
        let (rows, state) = latest(connection, id, if_match).await?;
        let Some(before) = rows.last().filter(|_| state == "draft") else {
            let detail = format!("the certificate is {state}: only a draft can be redrafted");
            return Err(Refusal::new(Code::StateConflict, detail));
        };
        check(&facts, before.issue)?;
        let replaces = Document::read(&before.document)?.replaces;
        let replaces = replaces.map(|of| (of.issue, of.issued_at, of.reason));
        let given_up = moved("discarded", format!("redrafted: {reason}"));
        states::advance(connection, act, KIND, before.id.0, &given_up, None).await?;
        let place = Place {
            before: Some(before),
            year: before.year,
            running: before.running,
            number: before.number.clone(),
            issue: before.issue,
            replaces,
            reason: Some(reason),
        };
        insert(connection, act, place, (facts, named)).await?;
        service::view(connection, id).await
    })
    .await
}

/// Draws up the issue that is to replace the one that holds.
pub async fn amend(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<CertificateFacts>,
) -> Result<Answer, Refusal> {
    reason_given("reason", Some(&correction.reason))?;
    let Correction { reason, facts } = correction;
    db.write(act, async |connection| {
        let named = gather::named(connection, &facts.results).await?;
        gather::held(connection, Some(id), &named).await?;
        let (rows, state) = latest(connection, id, if_match).await?;
        let before = rows.last().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
        if state == "draft" {
            let detail = format!("there is a draft of issue {} already: redraft or discard that", before.issue);
            return Err(Refusal::new(Code::StateConflict, detail));
        }
        let Some((current, issued_at)) = service::current(connection, &rows).await? else {
            let detail = format!(
                "{} is no longer in force and cannot be issued again; draw up a new certificate",
                before.number
            );
            return Err(Refusal::new(Code::StateConflict, detail));
        };
        check(&facts, current.issue + 1)?;
        let place = Place {
            before: Some(before),
            year: before.year,
            running: before.running,
            number: before.number.clone(),
            issue: current.issue + 1,
            replaces: Some((current.issue, issued_at, reason.clone())),
            reason: Some(reason),
        };
        insert(connection, act, place, (facts, named)).await?;
        service::view(connection, id).await
    })
    .await
}

/// Gives a draft up, with a reason. Its number is not used again.
pub async fn discard(db: &Db, act: &Act, id: Uuid, why: Discarding) -> Result<Answer, Refusal> {
    reason_given("reason", Some(&why.reason))?;
    db.write(act, async |connection| {
        hold(connection, &[Held::Certificate(id)]).await?;
        let rows = store::versions(connection, id).await?;
        let last = rows.last().ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
        states::advance(connection, act, KIND, last.id.0, &moved("discarded", why.reason), None).await?;
        service::view(connection, id).await
    })
    .await
}
