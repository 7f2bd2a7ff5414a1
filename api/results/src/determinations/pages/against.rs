//! A result against limits that somebody asks about: the decision, its guard band, and both on a number line.

use ferrotitre_core::uncertainty::conformity::GuardBand;
use ferrotitre_core::uncertainty::decision_rule::percent;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_html::number_line::{self, NumberLine};
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;

use crate::determinations::decision::{Limits, decide};
use crate::determinations::evaluation::{EvaluationView, FigureView};

/// Guard bands that can be asked for.
const GUARDS: [&str; 3] = ["none", "U", "1.645 u"];

/// Limits as a form gives them.
#[derive(Debug, Default, Clone, Deserialize)]
pub struct Against {
    #[serde(default)]
    lower: String,
    #[serde(default)]
    upper: String,
    #[serde(default)]
    guard: String,
}

fn number(text: &str, name: &str) -> Result<Option<f64>, String> {
    if text.trim().is_empty() {
        return Ok(None);
    }
    show::typed(text).map(Some).ok_or_else(|| format!("The {name} must be a number, not {text}."))
}

/// The figure that is reported, before rounding.
fn reported<'a>(evaluation: &'a EvaluationView, expressed: &str) -> Option<(&'a FigureView, f64)> {
    let reported = evaluation.reported.as_ref()?;
    let mut figures = evaluation.figures.iter().filter(|figure| figure.unit == reported.unit);
    let figure = figures.clone().find(|figure| figure.expressed == expressed).or_else(|| figures.next())?;
    Some((figure, reported.coverage_factor))
}

/// The form, and what it says once limits are given.
pub(super) fn sections(shell: &Shell, evaluation: &EvaluationView, expressed: &str, asked: &Against) -> Vec<Section> {
    let Some((figure, k)) = reported(evaluation, expressed) else { return Vec::new() };
    let mut table = Table {
        columns: vec!["Decision", "Probability of conforming", "Guard band", "Rule"],
        empty: "Enter limits to see the result against them. Nothing is stored.",
        filters: vec![
            Field::new("lower", &format!("Lower limit, {}", figure.unit), Kind::Decimal).optional().value(&asked.lower),
            Field::new("upper", &format!("Upper limit, {}", figure.unit), Kind::Decimal).optional().value(&asked.upper),
            Field::new("guard", "Guard band", Kind::List(words(&GUARDS))).optional().value(&asked.guard),
        ],
        ..Table::default()
    };
    let title = "Against limits of your own";
    let wrong = |words: String| vec![Section::new("against-wrong", title, Part::Alert(vec![words]))];
    let (lower, upper) = match (number(&asked.lower, "lower limit"), number(&asked.upper, "upper limit")) {
        (Ok(lower), Ok(upper)) => (lower, upper),
        (Err(words), _) | (_, Err(words)) => {
            let mut sections = wrong(words);
            sections.push(Section::new("against", "", Part::Table(table)));
            return sections;
        }
    };
    if lower.is_none() && upper.is_none() {
        return vec![Section::new("against", title, Part::Table(table))];
    }
    let guard = match asked.guard.as_str() {
        "U" => GuardBand::Expanded { w: 1.0, k },
        "1.645 u" => GuardBand::OneSided95,
        _ => GuardBand::Simple,
    };
    let decision = match decide(figure, figure.u, Limits { lower, upper, guard }) {
        Ok(decision) => decision,
        Err(refusal) => {
            let mut sections = wrong(refusal.detail);
            sections.push(Section::new("against", "", Part::Table(table)));
            return sections;
        }
    };
    let rule = match guard {
        GuardBand::Simple => "simple acceptance",
        GuardBand::Expanded { .. } => "guard band of U",
        GuardBand::OneSided95 => "guard band of 1.645 u",
    };
    table.rows = vec![vec![
        Cell::state(decision.outcome),
        Cell::number(shell.n(percent(decision.conformance_probability))),
        Cell::number(format!("{} {}", shell.n(show::figure(decision.guard, 3)), figure.unit)),
        Cell::text(rule),
    ]];
    let line = NumberLine { value: figure.value, expanded: k * figure.u, lower, upper, guard: decision.guard };
    let mut sections = vec![Section::new("against", title, Part::Table(table))];
    if let Some(drawing) = number_line::draw(shell, line, figure.unit) {
        let guard = if line.guard > 0.0 { " Hatched edge: guard band." } else { "" };
        let caption =
            format!("The result with U against its limits. Shaded: accepted.{guard} The value is drawn unrounded.");
        sections.push(Section::new("against-line", "", Part::Picture { drawing, caption }));
    }
    sections
}
