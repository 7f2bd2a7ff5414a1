//! The workbook of a result: live sheets, the same as numbers, what was signed, every titration ever made, where it is from.

use chrono::SecondsFormat;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_core::determination::{FORMULA_SET, Reported};
use ferrotitre_core::uncertainty::{Contribution, CoverageRule};
use ferrotitre_core::working::Working;
use ferrotitre_html::sheet::Names;
use ferrotitre_results::determinations::service::Exported;
use ferrotitre_results::determinations::wire::TitrationView;

use crate::cells::{Book, Cell, Finished};
use crate::formulas::{Budgeted, Layout};

/// What an export says about itself.
pub(super) struct Around {
    pub(super) query: String,
    pub(super) tree_head: String,
    pub(super) made: String,
    pub(super) people: Names,
}

/// A result that a workbook is made of.
pub(super) struct Part<'a> {
    pub(super) title: String,
    pub(super) working: &'a Working,
    pub(super) budget: &'a [Contribution],
    pub(super) coverage: CoverageRule,
    pub(super) allowed: Vec<Option<f64>>,
    pub(super) reported: Option<&'a Reported>,
    pub(super) sign_offs: &'a [SignOff],
    pub(super) content_digest: &'a str,
    pub(super) state: &'a str,
    pub(super) made_of: Vec<&'a Exported>,
}

/// Makes the workbook.
pub(super) fn of(part: &Part<'_>, around: &Around) -> Result<Finished, Refusal> {
    let layout = Layout::of(part.working);
    let budgeted = Budgeted { budget: part.budget, coverage: part.coverage, allowed: part.allowed.clone() };
    let mut book = Book::new(&part.title)?;
    book.sheet("Budget", &layout.budget(&budgeted), true)?;
    for (name, rows) in layout.sheets() {
        book.sheet(name, &rows, true)?;
    }
    book.sheet("As evaluated", &as_evaluated(part, &layout), true)?;
    book.sheet("As signed", &as_signed(part), true)?;
    book.sheet("Titrations", &titrations(part, around), true)?;
    book.sheet("About", &about(part, around), false)?;
    book.finish()
}

fn pair(name: &str, value: impl Into<String>) -> Vec<Cell> {
    vec![Cell::text(name), Cell::text(value)]
}

fn as_evaluated(part: &Part<'_>, layout: &Layout<'_>) -> Vec<Vec<Cell>> {
    let mut rows = layout.as_evaluated();
    rows.push(Vec::new());
    for one in &part.made_of {
        rows.push(pair(&format!("titres of {}", one.view.code), one.evaluation.outcome.word()));
    }
    if let Some(reported) = part.reported {
        rows.push(pair("reported", &reported.text));
        rows.push(pair("rounded value", &reported.value));
        rows.push(pair("expanded uncertainty", &reported.expanded_uncertainty));
        rows.push(vec![Cell::text("coverage factor"), Cell::Number(reported.coverage.factor)]);
        rows.push(pair("unit", reported.unit));
    }
    rows.push(pair("formula set", FORMULA_SET));
    rows.push(pair("digest of the record", part.content_digest));
    rows
}

/// Signatures, and the evaluation that the newest valid approval froze, value by value.
fn as_signed(part: &Part<'_>) -> Vec<Vec<Cell>> {
    let heads = ["Meaning", "Statement", "Printed name", "Signed at", "Digest", "Formula set", "Valid", "Reason"];
    let mut rows = vec![heads.map(Cell::Head).to_vec()];
    for sign in part.sign_offs {
        rows.push(vec![
            Cell::text(&sign.meaning),
            Cell::text(&sign.statement),
            Cell::text(&sign.printed_name),
            Cell::text(ferrotitre_base::zone::local(sign.signed_at).to_rfc3339_opts(SecondsFormat::Secs, false)),
            Cell::text(&sign.content_digest),
            Cell::text(&sign.formula_set),
            Cell::text(if sign.still_valid { "valid" } else { "no longer valid" }),
            sign.reason.clone().map_or(Cell::Empty, Cell::Text),
        ]);
    }
    let frozen = part.sign_offs.iter().rev().find(|sign| sign.still_valid && sign.evaluation.is_some());
    let text = frozen.and_then(|sign| sign.evaluation.as_ref()).map(|raw| raw.get());
    if let Some(value) = text.and_then(|text| serde_json::from_str::<serde_json::Value>(text).ok()) {
        rows.push(Vec::new());
        rows.push(vec![Cell::Head("Figure as signed"), Cell::Head("Value")]);
        flatten("", &value, &mut rows);
    } else {
        rows.push(pair("nothing", "no valid signature has frozen an evaluation yet"));
    }
    rows
}

fn flatten(path: &str, value: &serde_json::Value, rows: &mut Vec<Vec<Cell>>) {
    use serde_json::Value;
    let below = |name: &str| if path.is_empty() { name.to_owned() } else { format!("{path}.{name}") };
    match value {
        Value::Object(fields) => fields.iter().for_each(|(name, value)| flatten(&below(name), value, rows)),
        Value::Array(items) => {
            items.iter().enumerate().for_each(|(at, value)| flatten(&format!("{path}[{at}]"), value, rows));
        }
        Value::Number(number) => rows.push(vec![Cell::text(path), Cell::number(number.as_f64())]),
        Value::String(text) => rows.push(pair(path, text)),
        Value::Bool(value) => rows.push(pair(path, if *value { "yes" } else { "no" })),
        Value::Null => {}
    }
}

/// What titrations are told in, column by column.
const TITRATION_HEADS: [&str; 22] = [
    "Determination",
    "No.",
    "Version",
    "Kind",
    "Fate",
    "Reasons",
    "Initial readings, mL",
    "Final readings, mL",
    "Difference, mL",
    "At 20 °C, mL",
    "Less blank, mL",
    "Temperature, °C",
    "End point",
    "Reduction",
    "Queries",
    "Corrected because",
    "Saved late",
    "Concession",
    "Observed at",
    "Recorded at",
    "By",
    "Identity",
];

/// Every titration ever made, in order, with its fate.
fn titrations(part: &Part<'_>, around: &Around) -> Vec<Vec<Cell>> {
    let mut rows = vec![TITRATION_HEADS.map(Cell::Head).to_vec()];
    for of in &part.made_of {
        rows.extend(of.view.titrations.iter().map(|titration| titration_row(of, titration, around)));
    }
    rows
}

fn titration_row(of: &Exported, titration: &TitrationView, around: &Around) -> Vec<Cell> {
    let id = titration.version_id.to_string();
    let titre = of.view.evaluation.titres.iter().find(|titre| titre.titration == id);
    let facts = &titration.facts;
    let readings = |of: &[ferrotitre_base::web::decimal::Decimal]| {
        of.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
    };
    let joined = |list: Option<&Vec<String>>| list.map(|list| list.join("; ")).unwrap_or_default();
    vec![
        Cell::text(&of.view.code),
        Cell::Number(f64::from(titration.position)),
        Cell::Number(f64::from(titration.version)),
        Cell::text(&facts.kind),
        Cell::text(titre.map_or("superseded", |titre| titre.fate)),
        Cell::text(joined(titre.map(|titre| &titre.reasons))),
        Cell::text(readings(&facts.initial_readings)),
        Cell::text(readings(&facts.final_readings)),
        Cell::text(titre.map(|titre| titre.difference_ml.clone()).unwrap_or_default()),
        Cell::number(titre.map(|titre| titre.volume_ml)),
        Cell::number(titre.map(|titre| titre.net_ml)),
        Cell::number(facts.solution_temperature.as_ref().map(|celsius| celsius.value())),
        Cell::text(&facts.end_point),
        Cell::text(titre.and_then(|titre| titre.reduction).unwrap_or_default()),
        Cell::text(joined(titre.map(|titre| &titre.queries))),
        Cell::text(titration.reason.clone().unwrap_or_default()),
        Cell::text(if titration.late { "late" } else { "" }),
        Cell::text(facts.concession.map(|id| id.to_string()).unwrap_or_default()),
        Cell::text(facts.observed_at.to_rfc3339_opts(SecondsFormat::Secs, true)),
        Cell::text(titration.recorded_at.to_rfc3339_opts(SecondsFormat::Micros, true)),
        Cell::text(around.people.get(&titration.recorded_by.0).cloned().unwrap_or_default()),
        Cell::Text(id),
    ]
}

fn about(part: &Part<'_>, around: &Around) -> Vec<Vec<Cell>> {
    let states: Vec<String> = part.made_of.iter().map(|of| format!("{}: {}", of.view.code, of.view.state)).collect();
    let mut rows = vec![
        pair("What", &part.title),
        pair("State", part.state),
        pair("Determinations", states.join("; ")),
        pair("Query", &around.query),
        pair("Time of the data", &around.made),
        pair("Service", format!("ferrotitre {}", env!("CARGO_PKG_VERSION"))),
        pair("Formula set", FORMULA_SET),
        pair("Head of the audit tree", &around.tree_head),
        pair("Digest of the record", part.content_digest),
        pair(
            "How to read it",
            "Yellow cells of Readings, Inputs and Tables may be changed; all other cells are protected, without a password. \
             Every formula refers to them, so a changed titre changes the result as the service would compute it.",
        ),
        pair(
            "What it does not do",
            "It keeps the titres that the service used. Whether the rule still chooses them stands below the budget. The rounding \
             of the reported figure follows the method's rule on ties and stands in As evaluated.",
        ),
        pair("Formulas", "have no stored values: the program that opens the file computes them."),
    ];
    for flag in part.made_of.iter().flat_map(|of| &of.view.flags) {
        rows.push(pair("To be known", flag));
    }
    rows
}
