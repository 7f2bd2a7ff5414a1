//! The page of a certificate: whether an issue is current, amended or withdrawn, and what it says.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::sheet::{Cell, Fact, Names, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use serde::Deserialize;
use uuid::Uuid;

use crate::certificates::document::{CertifiedResult, CertifiedSample, Document};
use crate::certificates::service;
use crate::certificates::wire::{CertificateView, CopyView, DeliveryView, IssueView};

/// Which copy somebody holds, as its symbol says.
#[derive(Debug, Default, Deserialize)]
pub(super) struct InHand {
    issue: Option<i32>,
    digest: Option<String>,
    /// Word of the step before, which the frame reads.
    #[serde(default, rename = "done")]
    _done: String,
}

/// The version whose contents are shown: the draft, else the issue that holds, else the last that went out.
fn shown(view: &CertificateView) -> Option<&IssueView> {
    let of = |state: &str| view.issues.iter().rfind(|one| one.state == state);
    of("draft").or_else(|| of("issued")).or_else(|| of("withdrawn")).or_else(|| view.issues.last())
}

/// What somebody with a copy in hand has to know.
fn in_hand(view: &CertificateView, asked: &InHand) -> Vec<String> {
    let Some(issue) = asked.issue else { return Vec::new() };
    let Some(found) = view.issues.iter().rfind(|one| one.issue == issue && one.pdf_digest.is_some()) else {
        return vec![format!("There is no issue {issue} of {}: this laboratory never issued it.", view.number)];
    };
    let mut said = vec![match found.state.as_str() {
        "issued" => format!("Issue {issue} is current."),
        _ => format!("Issue {issue} is no longer valid. It was {}.", found.status),
    }];
    match &asked.digest {
        Some(digest) if *digest == found.content_digest => {
            said.push("The digest in the symbol is the one that was signed.".to_owned());
        }
        Some(_) => said.push(
            "The digest in the symbol is not the one that was signed: this copy is not the document that was issued."
                .to_owned(),
        ),
        None => {}
    }
    said
}

fn issues(view: &CertificateView) -> Table {
    let row = |one: &IssueView| {
        let issued = one.moves.iter().find(|step| step.to_state == "issued");
        let by = one.sign_offs.iter().find(|sign| sign.meaning == "approved");
        let paper = match &one.pdf_digest {
            Some(_) => Cell::link(
                "PDF as it went out",
                format!("/api/v1/certificates/{}/issues/{}/certificate.pdf", view.id, one.issue),
            ),
            None => Cell::default(),
        };
        vec![
            Cell::number(one.issue.to_string()),
            Cell::state(one.state.clone()),
            Cell::text(one.status.clone()),
            Cell::text(issued.map(|step| show::time(step.recorded_at)).unwrap_or_default()),
            Cell::text(by.map(|sign| sign.printed_name.clone()).unwrap_or_default()),
            Cell::text(one.reason.clone().unwrap_or_default()),
            paper,
        ]
    };
    Table {
        columns: vec!["Issue", "State", "Status", "Issued", "Authorised by", "Reason for this version", ""],
        rows: view.issues.iter().rev().map(row).collect(),
        ..Table::default()
    }
}

fn results(shell: &Shell, one: &IssueView) -> Table {
    let place = |code: &str| {
        let at = one.document.results.iter().position(|result| result.code == code)?;
        let result = one.results.get(at)?;
        let folder = if result.kind == "iron_results" { "iron-results" } else { "determinations" };
        Some(format!("/{folder}/{}", result.id))
    };
    let row = |result: &CertifiedResult| {
        let conformity: Vec<String> =
            result.conformity.iter().map(|said| format!("{}: {}", said.specification, said.outcome)).collect();
        vec![
            match place(&result.code) {
                Some(place) => Cell::link(result.code.clone(), place),
                None => Cell::text(result.code.clone()),
            },
            Cell::text(result.sample.clone()),
            Cell::text(format!("{} as {}", result.analyte, result.expressed)),
            Cell::number(shell.n(format!("{} ± {}", result.value, result.expanded_uncertainty))),
            Cell::text(result.unit.clone()),
            Cell::number(shell.n(&result.coverage_factor)),
            Cell::text(result.methods.join(", ")),
            Cell::text(conformity.join("; ")),
        ]
    };
    Table {
        columns: vec!["Record", "Sample", "Quantity", "Result", "Unit", "k", "Method", "Conformity"],
        rows: one.document.results.iter().map(row).collect(),
        ..Table::default()
    }
}

fn about(document: &Document) -> Vec<Fact> {
    let mut facts = vec![
        fact("Customer", Cell::text(format!("{}, {}", document.customer, document.customer_address))),
        fact("Laboratory", Cell::link(document.laboratory.name.clone(), "/laboratory")),
    ];
    if let Some(replaced) = &document.replaces {
        let words = format!(
            "issue {} of {}. What changed: {}. Reason: {}",
            replaced.issue,
            show::time(replaced.issued_at),
            replaced.what_changed,
            replaced.reason
        );
        facts.push(fact("Replaces", Cell::text(words)));
    }
    facts.extend(document.samples.iter().map(|sample| fact("Sample", Cell::text(sample_words(sample)))));
    facts
}

fn sample_words(sample: &CertifiedSample) -> String {
    format!(
        "{}: {}, {}; received {}, {}",
        sample.code,
        sample.client_reference,
        sample.matrix,
        show::time(sample.received_at),
        sample.condition
    )
}

fn sent(view: &CertificateView, names: &Names) -> Table {
    let row = |one: &DeliveryView| {
        vec![
            Cell::number(one.issue.to_string()),
            Cell::text(one.recipient.clone()),
            Cell::text(one.means.clone()),
            Cell::text(show::time(one.delivered_at)),
            Cell::text(names.get(&one.recorded_by.0).cloned().unwrap_or_default()),
        ]
    };
    Table {
        columns: vec!["Issue", "Recipient", "How", "When", "Recorded by"],
        rows: view.deliveries.iter().map(row).collect(),
        empty: "No recipient recorded.",
        ..Table::default()
    }
}

fn taken(view: &CertificateView, names: &Names) -> Table {
    let row = |one: &CopyView| {
        vec![
            Cell::number(one.issue.to_string()),
            Cell::text(show::time(one.taken_at)),
            Cell::text(names.get(&one.taken_by.0).cloned().unwrap_or_default()),
        ]
    };
    Table {
        columns: vec!["Issue", "When", "By"],
        rows: view.copies.iter().map(row).collect(),
        empty: "None so far.",
        ..Table::default()
    }
}

/// The state of the certificate in a sentence.
fn lead(view: &CertificateView, one: &IssueView) -> String {
    match (view.current_issue, one.state.as_str()) {
        (Some(issue), "draft") => format!("Issue {issue} is current. A draft of issue {} waits.", one.issue),
        (Some(issue), _) => format!("Issue {issue} is current."),
        (None, "draft") => "A draft: not yet authorised, and not yet a certificate.".to_owned(),
        (None, _) => format!("No issue is in force. The last one was {}.", one.status),
    }
}

fn ways<'a>(sheet: Sheet<'a>, shell: &Shell, view: &CertificateView, one: &IssueView) -> Sheet<'a> {
    let path = format!("/certificates/{}", view.number);
    let (drafts, authorises) = (shell.may(Action::DraftCertificates), shell.may(Action::AuthoriseCertificates));
    let draft = one.state == "draft";
    let holds = view.current_issue.is_some();
    sheet
        .way(draft, "Look at the draft as PDF", format!("/api/v1/certificates/{}/draft.pdf", view.id))
        .way(draft && authorises, "Authorise", format!("{path}/authorisation"))
        .way(draft && drafts, "Redraft", format!("{path}/draft"))
        .way(draft && drafts, "Discard the draft", format!("{path}/discarding"))
        .way(holds && !draft && drafts, "Amend", format!("{path}/amendment"))
        .way(holds && drafts, "Record a recipient", format!("{path}/deliveries"))
        .way(holds && authorises, "Withdraw", format!("{path}/withdrawal"))
}

/// A certificate by its number.
#[get("/certificates/{number}")]
pub(super) async fn read_certificate(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    number: web::Path<String>,
    asked: Params<InHand>,
) -> Result<HttpResponse, Problem> {
    let view = service::named(&db, &number).await?;
    let one = shown(&view).ok_or_else(|| Refusal::not_found("certificate", &*number))?;
    let mut people: Vec<Uuid> = view.deliveries.iter().map(|of| of.recorded_by.0).collect();
    people.extend(view.copies.iter().map(|of| of.taken_by.0));
    let moves: Vec<_> = view.issues.iter().flat_map(|of| of.moves.iter().cloned()).collect();
    people.extend(moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0));
    people.push(one.recorded_by.0);
    let names = accounts::names(&db, &people).await?;
    let state = if view.current_issue.is_some() { "issued".to_owned() } else { view.state.clone() };
    let copy = in_hand(&view, &asked.0);
    let (conformity, deviations) = (conformity(one), deviations(one));
    let path = format!("/certificates/{}", view.number);
    let sheet = Sheet::new(&shell, "Certificate of analysis", view.number.clone()).state(state).lead(lead(&view, one));
    let mut drawn_up = about(&one.document);
    let by = names.get(&one.recorded_by.0).cloned().unwrap_or_default();
    drawn_up.push(fact("Drawn up", Cell::text(format!("{}, {by}", show::time(one.recorded_at)))));
    drawn_up.push(fact("Digest of what it says", Cell::text(one.content_digest.clone())));
    ways(sheet, &shell, &view, one)
        .section_of("copy", "The copy in your hand", (!copy.is_empty()).then_some(Part::Alert(copy)))
        .section_of("marks", "Since it was issued", (!view.marks.is_empty()).then(|| Part::Alert(view.marks.clone())))
        .section("issues", "Issues", Part::Table(issues(&view)))
        .section("about", format!("What issue {} says", one.issue), Part::Facts(drawn_up))
        .section("results", "Results", Part::Table(results(&shell, one)))
        .section_of("conformity", "Conformity", conformity)
        .section_of("deviations", "Deviations, limitations and concessions", deviations)
        .with(signatures(&view))
        .section("deliveries", "Recipients", Part::Table(sent(&view, &names)))
        .section_way(
            view.current_issue.is_some() && shell.may(Action::DraftCertificates),
            "Record a recipient",
            format!("{path}/deliveries"),
        )
        .section("copies", "Copies downloaded", Part::Table(taken(&view, &names)))
        .section("history", "History", Part::Moves(moves, names))
        .section_way(shell.may(Action::ExportRecords), "As bundle to be checked", format!("/api/v1/certificates/{}/bundle", view.id))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={}", one.version_id))
        .help(
            "A certificate with every issue of it. What an issue says never changes; whether it is still in force is shown here.",
            "ISO/IEC 17025:2017 7.8.2 (what it says), 7.8.6 (conformity) and 7.8.8 (amendments).",
            "Amending draws up the next issue, which says what it replaces, what changed and why; tell everybody who was sent the one before.",
        )
        .show()
}

/// Statements of conformity, where it makes any.
fn conformity(one: &IssueView) -> Option<Part> {
    let said = one.document.results.iter().flat_map(|result| &result.conformity);
    let lines: Vec<String> =
        said.map(|said| format!("{}, {}. {} {}", said.specification, said.title, said.statement, said.risk)).collect();
    (!lines.is_empty()).then_some(Part::Lines(lines))
}

fn deviations(one: &IssueView) -> Option<Part> {
    let mut lines = one.document.deviations.clone();
    lines.extend(one.document.remarks.clone());
    (!lines.is_empty()).then_some(Part::Alert(lines))
}

/// Signatures of each issue that has any.
fn signatures(view: &CertificateView) -> Vec<Section> {
    let signed = view.issues.iter().filter(|one| !one.sign_offs.is_empty());
    let section = |one: &IssueView| {
        let title = format!("Signatures on issue {}", one.issue);
        Section::new(format!("signatures-{}", one.issue), title, Part::Signatures(one.sign_offs.clone()))
    };
    signed.map(section).collect()
}
