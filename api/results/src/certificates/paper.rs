//! A certificate on paper: A4, PDF/A, with the symbol of its number, issue and digest.

use chrono::{DateTime, Utc};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::mark::Head;
use ferrotitre_html::show;
use ferrotitre_html::symbol::Symbol;
use ferrotitre_paper::{Align, Block, Cell, Column, Document as Paper, Fact, Level, Picture, Table, Width, Words};

use crate::certificates::document::{CertifiedResult, Document};

/// By whom and when it was issued.
pub(super) struct Issued {
    /// Printed name of whoever authorised it.
    pub(super) by: String,
    /// When.
    pub(super) at: DateTime<Utc>,
    /// Digest that was signed.
    pub(super) digest: String,
}

/// Width of the symbol, mm: modules of half a millimetre.
const SYMBOL_MM: f32 = 32.0;

const UNCERTAINTY: &str = "U is the expanded uncertainty: the standard uncertainty multiplied by the coverage factor k that stands with the \
    result, which for a normal distribution corresponds to a coverage probability of about 95 % (JCGM 100:2008).";
const ITEMS: &str = "The results relate only to the items tested, as they were received.";
const IN_FULL: &str =
    "This certificate may be reproduced only in full, unless the laboratory has agreed otherwise in writing.";

fn fact(name: &str, value: impl Into<Words>) -> Fact {
    Fact { name: name.into(), value: vec![value.into()] }
}

fn heading(words: &str) -> Block {
    Block::Heading(Level::Section, words.into())
}

/// A time to the minute, with its offset: days and hours are what 7.8.2 asks for.
fn time(at: DateTime<Utc>) -> String {
    ferrotitre_base::zone::local(at).format("%-d %b %Y %H:%M %:z").to_string()
}

fn day(at: DateTime<Utc>) -> String {
    ferrotitre_base::zone::local(at).format("%-d %b %Y").to_string()
}

fn quantity(result: &CertifiedResult) -> String {
    match (result.analyte.as_str(), result.expressed.as_str()) {
        (analyte, "Fe") => analyte.to_owned(),
        (analyte, expressed) => format!("{analyte}, as {expressed}"),
    }
}

fn performed(result: &CertifiedResult) -> String {
    let (from, until) = (day(result.performed_from), day(result.performed_until));
    if from == until { from } else { format!("{from} to {until}") }
}

fn results(document: &Document) -> Block {
    let title = |title: &str, align| Column { title: title.to_owned(), align };
    let columns = vec![
        title("Sample", Align::Left),
        title("Quantity", Align::Left),
        title("Result", Align::Right),
        title("U", Align::Right),
        title("Unit", Align::Left),
        title("k", Align::Right),
        title("Method", Align::Left),
        title("Date of testing", Align::Left),
        title("Record", Align::Left),
    ];
    let cell = |words: Words| Cell { words, ..Cell::default() };
    let row = |one: &CertifiedResult| {
        vec![
            cell(one.sample.as_str().into()),
            cell(quantity(one).into()),
            cell(Words::default().strong(one.value.as_str())),
            cell(one.expanded_uncertainty.as_str().into()),
            cell(one.unit.as_str().into()),
            cell(one.coverage_factor.as_str().into()),
            cell(one.methods.join(", ").into()),
            cell(performed(one).into()),
            cell(one.code.as_str().into()),
        ]
    };
    Block::Table(Table { columns, rows: document.results.iter().map(row).collect() })
}

fn conformity(document: &Document) -> Vec<Block> {
    let mut facts = Vec::new();
    for result in &document.results {
        for one in &result.conformity {
            let said = Words::default().strong(format!("{}, {}", one.specification, one.title));
            let risk = Words::default().quiet(one.risk.as_str());
            facts.push(Fact {
                name: Words::default().state(one.outcome.as_str()),
                value: vec![said.plain(format!(" ({})", result.sample)), one.statement.as_str().into(), risk],
            });
        }
    }
    if facts.is_empty() {
        return Vec::new();
    }
    vec![
        heading("Statements of conformity"),
        Block::Remark("ISO/IEC 17025:2017, 7.8.6. Each by the decision rule that was agreed, with its risk.".into()),
        Block::Verdicts(facts),
    ]
}

fn samples(document: &Document) -> Vec<Block> {
    let mut blocks = vec![heading(if document.samples.len() == 1 { "Sample" } else { "Samples" })];
    for sample in &document.samples {
        let mut facts = vec![
            fact("Sample", Words::default().strong(sample.code.as_str())),
            fact("Customer's reference", sample.client_reference.as_str()),
            fact("Description", format!("{}; {}", sample.description, sample.matrix)),
        ];
        if let Some(at) = sample.sampled_at {
            facts.push(fact("Sampled (as stated by the customer)", time(at)));
        }
        facts.push(fact("Received", time(sample.received_at)));
        facts.push(fact("Condition on receipt", format!("{}; {}", sample.condition, sample.preservation)));
        blocks.push(Block::Facts(facts));
    }
    blocks
}

fn head(document: &Document, issued: Option<&Issued>) -> Vec<Block> {
    let laboratory = &document.laboratory;
    let mut blocks = vec![Block::Paragraph(Words::default().strong(laboratory.name.as_str()))];
    let mut lines: Vec<Words> = laboratory.address.lines().map(Words::from).collect();
    lines.push(laboratory.contact.as_str().into());
    lines.extend(laboratory.accreditation.iter().flat_map(|text| text.lines()).map(Words::from));
    blocks.push(Block::Lines(lines));
    let kind = if document.replaces.is_some() { "Amended certificate of analysis" } else { "Certificate of analysis" };
    let title = Words::from(format!("{kind} {}, issue {}", document.number, document.issue));
    blocks.push(Block::Heading(Level::Title, title));
    if issued.is_none() {
        let words = Words::default().strong("Draft. ").plain("This is not a certificate: nobody has authorised it.");
        blocks.push(Block::Caution(words));
    }
    if let Some(replaced) = &document.replaces {
        let words = Words::default()
            .strong(format!("This issue replaces issue {} of {}. ", replaced.issue, day(replaced.issued_at)))
            .plain(format!("What changed: {}. Reason: {}.", ended(&replaced.what_changed), ended(&replaced.reason)));
        blocks.push(Block::Caution(words));
    }
    blocks
}

/// A sentence without its full stop, which follows.
fn ended(text: &str) -> &str {
    text.trim().trim_end_matches('.')
}

fn about(document: &Document, issued: Option<&Issued>) -> Block {
    let mut customer = vec![Words::from(document.customer.as_str())];
    customer.extend(document.customer_address.lines().map(Words::from));
    let mut facts = vec![Fact { name: "Customer".into(), value: customer }];
    let when = issued.map_or_else(|| "not issued".to_owned(), |of| time(of.at));
    facts.push(fact("Date of issue", when));
    Block::Facts(facts)
}

fn methods(document: &Document) -> Block {
    let method = |one: &crate::certificates::document::CertifiedMethod| {
        fact(&one.code, format!("{}: {}", one.title, one.principle))
    };
    Block::Facts(document.methods.iter().map(method).collect())
}

fn deviations(document: &Document) -> Block {
    let mut said: Vec<Words> = document.deviations.iter().map(|one| one.as_str().into()).collect();
    said.extend(document.remarks.iter().flat_map(|text| text.lines()).map(Words::from));
    if said.is_empty() {
        said.push("None.".into());
    }
    Block::Alert(said)
}

/// Lays a certificate out; without word of its issue it is a draft.
///
/// # Errors
/// A symbol that cannot be drawn, which is our bug.
pub(super) fn certificate(
    document: &Document,
    digest: &str,
    issued: Option<&Issued>,
    tree: Option<&Head>,
) -> Result<Paper, Refusal> {
    let Document { number, issue, .. } = document;
    let mut blocks = head(document, issued);
    blocks.push(about(document, issued));
    blocks.extend(samples(document));
    blocks.push(heading("Results"));
    blocks.push(results(document));
    blocks.push(Block::Remark(UNCERTAINTY.into()));
    blocks.extend(conformity(document));
    blocks.push(heading("Methods"));
    blocks.push(methods(document));
    blocks.push(heading("Deviations, limitations and concessions"));
    blocks.push(deviations(document));
    blocks.push(heading("Validity"));
    blocks.push(Block::Paragraph(format!("{ITEMS} {IN_FULL}").into()));
    blocks.push(heading("Authorised by"));
    match issued {
        Some(of) => {
            let said = format!(", {}: “I authorise this certificate for issue”", show::time_with_zone(of.at));
            let who = Words::default().strong(of.by.as_str()).plain(said);
            blocks.push(Block::Statements(vec![vec![who, Words::default().fine(format!("content {}", of.digest))]]));
        }
        None => blocks.push(Block::Remark("Nobody yet.".into())),
    }
    let symbol = Symbol::of(&document.symbol_text(digest, tree))?;
    let status = document.laboratory.status_address.as_ref();
    let status = status.map(|address| format!(" Its present status: {address}{number}")).unwrap_or_default();
    let of_tree = if tree.is_some() { ", and the head of the audit tree before it was issued" } else { "" };
    let caption = format!("Data Matrix of number, issue and digest of this certificate{of_tree}.{status}");
    blocks.push(Block::Picture(Picture { svg: symbol.svg(), caption, width: Width::Millimetres(SYMBOL_MM) }));
    if let Some(head) = tree {
        blocks.push(Block::Lines(vec![Words::default().fine(format!("tree {}", head.text()))]));
    }
    blocks.push(Block::Paragraph(Words::default().strong(format!("End of certificate {number}, issue {issue}"))));
    let state = if issued.is_some() { String::new() } else { "draft".to_owned() };
    let made = issued.map_or_else(Utc::now, |of| of.at);
    Ok(Paper {
        title: format!("Certificate of analysis {number}, issue {issue}"),
        head: [format!("{}: certificate of analysis {number}, issue {issue}", document.laboratory.name), state],
        foot: format!("Certificate {number}, issue {issue}"),
        identity: format!("certificate {number} issue {issue} {digest}"),
        made,
        blocks,
    })
}
