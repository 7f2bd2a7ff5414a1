//! Statements of conformity as sections of pages and reports: a table, and each decision on a number line.

use ferrotitre_html::number_line::{self, NumberLine};
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;

use crate::specifications::conformity::{ConformityStatement, Decided};

/// What the specifications of a sample say of its results; empty where it has none.
pub fn sections(shell: &Shell, statements: &[ConformityStatement]) -> Vec<Section> {
    if statements.is_empty() {
        return Vec::new();
    }
    let table = Table {
        columns: vec![
            "Specification",
            "Outcome",
            "Statement",
            "Accepted",
            "Value with U",
            "Probability of conforming",
            "Assigned",
        ],
        rows: statements.iter().map(|of| row(shell, of)).collect(),
        ..Table::default()
    };
    let as_of = statements.iter().map(|of| of.as_of).max().map(show::time_with_zone).unwrap_or_default();
    let mut risks: Vec<String> = Vec::new();
    for of in statements {
        let (Some(rule), Some(named_by), Some(risk)) = (&of.rule, &of.rule_named_by, &of.risk) else { continue };
        let compared = of.compared.as_deref().unwrap_or_default();
        let line = shell.n(format!("{rule}; named by {named_by}. {risk} Compared: the {compared} result."));
        if !risks.contains(&line) {
            risks.push(line);
        }
    }
    risks.push(format!("As of {as_of}; the sample keeps the versions it was given."));
    let mut sections = vec![Section::new("conformity", "Conformity with specifications", Part::Table(table))];
    for (index, of) in statements.iter().enumerate() {
        let drawing = of.decided.as_ref().and_then(|decided| drawn(shell, of, decided));
        if let Some(drawing) = drawing {
            let guard = of.decided.as_ref().is_some_and(|decided| decided.guard_band > 0.0);
            let caption = format!(
                "{} v{}, {}: the result with U against its limits. Shaded: accepted.{} The value is drawn {}.",
                of.code,
                of.version,
                of.analyte,
                if guard { " Hatched edge: guard band." } else { "" },
                if of.compared.as_deref() == Some("reported") { "as reported" } else { "unrounded" }
            );
            sections.push(Section::new(
                format!("conformity-line-{}", index + 1),
                "",
                Part::Picture { drawing, caption },
            ));
        }
    }
    sections.push(Section::new("conformity-rules", "", Part::Lines(risks)));
    sections
}

fn row(shell: &Shell, of: &ConformityStatement) -> Vec<Cell> {
    let mut assigned = show::time(of.assigned_at);
    if of.assigned_after_approval {
        assigned.push_str(", assigned after approval");
    }
    if let Some(removed) = of.removed_at {
        assigned = format!("{assigned}; taken off {}", show::time(removed));
    }
    let mut cells = vec![
        Cell::link(format!("{} v{}", of.code, of.version), format!("/specifications/{}", of.specification)),
        Cell::state(of.outcome),
        Cell::text(shell.n(&of.statement)),
    ];
    match &of.decided {
        Some(decided) => cells.extend([
            Cell::text(shell.n(accepted(decided, &of.unit))),
            Cell::text(shell.n(format!(
                "{} ± {} {} (k = {:.2})",
                show::figure(decided.value, 6),
                show::figure(decided.expanded_uncertainty, 3),
                of.unit,
                decided.coverage_factor
            ))),
            Cell::number(shell.n(&decided.conformance_probability_text)),
        ]),
        None => cells.extend(std::iter::repeat_n(Cell::default(), 3)),
    }
    cells.push(Cell::text(assigned));
    cells
}

fn accepted(decided: &Decided, unit: &str) -> String {
    let shown = |limit: f64| show::figure(limit, 6);
    match (decided.lower_acceptance, decided.upper_acceptance) {
        (Some(low), Some(high)) => {
            format!("from {} to {} {unit}; the {} limit decides", shown(low), shown(high), decided.deciding_limit)
        }
        (Some(low), None) => format!("from {} {unit}", shown(low)),
        (None, Some(high)) => format!("up to {} {unit}", shown(high)),
        (None, None) => String::new(),
    }
}

fn drawn(shell: &Shell, of: &ConformityStatement, decided: &Decided) -> Option<String> {
    let limit = |limit: &Option<ferrotitre_base::web::decimal::Decimal>| {
        limit.as_ref().map(ferrotitre_base::web::decimal::Decimal::value)
    };
    let line = NumberLine {
        value: decided.value,
        expanded: decided.expanded_uncertainty,
        lower: limit(&of.lower),
        upper: limit(&of.upper),
        guard: decided.guard_band,
    };
    number_line::draw(shell, line, &of.unit)
}
