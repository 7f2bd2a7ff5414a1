//! Pages of outlines: what may be begun with, why, and what is to be shown before use.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::Field;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;

use crate::methods::outlines::{OUTLINES, Outline};

/// The outline of that name.
pub(super) fn named(key: &str) -> Result<&'static Outline, Refusal> {
    Outline::named(key).ok_or_else(|| Refusal::not_found("outline", key))
}

/// Fields whose help says why a value is proposed.
pub(super) fn reasoned(outline: &Outline, fields: Vec<Field>) -> Vec<Field> {
    let proposals: Vec<_> = outline.proposals().collect();
    let with_reason = |field: Field| match proposals.iter().find(|one| one.field == field.name) {
        Some(one) if one.source.is_empty() => field.help(one.reason),
        Some(one) => field.help(format!("{} {}.", one.reason, one.source)),
        None => field,
    };
    fields.into_iter().map(with_reason).collect()
}

/// Lists outlines.
#[get("/methods/outlines")]
pub(super) async fn list_outlines(_who: Allowed<ReadRecords>, shell: Shell) -> Result<HttpResponse, Problem> {
    let rows = OUTLINES.iter().map(|outline| {
        vec![
            Cell::link(outline.title, format!("/methods/outlines/{}", outline.key)),
            Cell::text(outline.analyte),
            Cell::text(outline.chemistry),
            Cell::text(outline.reduction),
            Cell::text(outline.sources.join("; ")),
        ]
    });
    let table = Table {
        columns: vec!["Outline", "Determines", "Chemistry", "Reduction", "Published in"],
        rows: rows.collect(),
        ..Table::default()
    };
    Sheet::new(&shell, "Methods", "Outlines of methods")
        .way(shell.may(Action::DraftMethods), "Draft several", "/methods/drafts")
        .way(shell.may(Action::DraftMethods), "Draft a method from nothing", "/methods/new")
        .section("list", "", Part::Table(table))
        .help(
            "Procedures that are published, with rules to begin with. An outline is no method: nothing can be titrated by it.",
            "ISO/IEC 17025:2017 7.2.1 (selection and verification of methods).",
            "Choose one, see what it proposes and why, and draft your own method from it; several are drafted in one form.",
        )
        .show()
}

/// One outline: what it proposes, and what is to be validated.
#[get("/methods/outlines/{key}")]
pub(super) async fn read_outline(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    key: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let outline = named(&key)?;
    let label = |path: &str| {
        super::rule_fields().into_iter().chain(super::report_fields(Vec::new())).find(|field| field.name == path)
    };
    let rows = outline.proposals().map(|one| {
        let field = label(one.field);
        let value = match one.value {
            "true" => "yes",
            value => value,
        };
        vec![
            Cell::text(field.map_or_else(|| one.field.to_owned(), |field| field.label)),
            Cell::text(value),
            Cell::text(one.reason),
            Cell::text(one.source),
        ]
    });
    let table = Table { columns: vec!["Rule", "Proposed", "Why", "Source"], rows: rows.collect(), ..Table::default() };
    Sheet::new(&shell, "Outline of a method", outline.title)
        .lead(outline.principle)
        .way(shell.may(Action::DraftMethods), "Draft a method from it", format!("/methods/new?outline={}", outline.key))
        .cautions(outline.cautions())
        .section(
            "before",
            "To be shown before use",
            Part::List(outline.before_use.iter().map(|&one| one.to_owned()).collect()),
        )
        .section("rules", "What it proposes", Part::Table(table))
        .section("sources", "Published in", Part::List(outline.sources.iter().map(|&one| one.to_owned()).collect()))
        .help(
            "Rules to begin with. What depends on your samples, burettes and people is left open.",
            "ISO/IEC 17025:2017 7.2.1 and 7.2.2.",
            "Draft your own from it, plan its validation, have it approved by someone else.",
        )
        .show()
}
