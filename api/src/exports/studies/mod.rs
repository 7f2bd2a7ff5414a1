//! A validation study as a workbook: data, statistics by the service, and beside them the same as live formulas where a
//! spreadsheet can compute them.

mod lines;
mod live;
mod pairs;
mod scatter;

use std::collections::HashMap;

use crate::exports::cells::{Book, Cell, Finished};
use crate::exports::service::Said;
use crate::exports::studies::live::{Block, Formulas, Span};
use crate::refusal::Refusal;
use crate::validation_studies::answer::{CharacteristicAnswer, InputRow, Statistic, StudyAnswers};
use crate::validation_studies::kinds::Kind;

/// Columns by which the data of a kind are sorted, so that what belongs together is one range.
fn keys(kind: Kind) -> &'static [&'static str] {
    match kind {
        Kind::Recovery | Kind::MethodComparison => &["pair", "arm"],
        Kind::Selectivity => &["group", "pair", "arm"],
        Kind::Linearity | Kind::DetectionByDifference => &["taken"],
        Kind::Ruggedness => &["run"],
        Kind::Uncertainty => &["arm"],
        _ => &["group"],
    }
}

fn label(name: &str, answer: &CharacteristicAnswer, row: &InputRow) -> String {
    let at = answer.inputs.columns.iter().position(|column| column.name == name);
    let text = at.and_then(|at| row.cells.get(at)).cloned().unwrap_or_default();
    match (answer.kind, text.parse::<f64>()) {
        // 10 and 10.0 are one level.
        (Kind::Linearity, Ok(level)) => level.to_string(),
        _ => text,
    }
}

/// Formulas by the statistic.
fn formulas(answer: &CharacteristicAnswer, block: &Block, rows: &[&InputRow]) -> Formulas {
    match answer.kind {
        Kind::Repeatability | Kind::IntermediatePrecision => scatter::precision(answer, block),
        Kind::Trueness | Kind::Competence => scatter::trueness(answer, block),
        Kind::Detection => scatter::detection(answer, block),
        Kind::DetectionByDifference => scatter::detection_by_difference(answer, block),
        Kind::Ruggedness => scatter::ruggedness(answer, block),
        Kind::Uncertainty => scatter::uncertainty(block),
        Kind::Linearity => lines::linearity(answer, block),
        Kind::Stability => lines::stability(answer, block),
        Kind::Recovery => pairs::recovery(answer, block, rows),
        Kind::Selectivity => pairs::selectivity(answer, block),
        Kind::MethodComparison => pairs::comparison(answer, block),
    }
}

/// The workbook of a study.
pub(super) fn of(study: &StudyAnswers, said: &Said) -> Result<Finished, Refusal> {
    let mut book = Book::new(&format!("{} {}", study.code, study.title))?;
    book.sheet("Summary", &summary(study), true)?;
    for answer in &study.characteristics {
        book.sheet(&format!("C{}", answer.position), &characteristic(answer), true)?;
    }
    let about = said.rows().into_iter().map(|(name, value)| vec![Cell::Text(name), Cell::Text(value)]);
    book.sheet("About", &about.collect::<Vec<_>>(), false)?;
    book.finish()
}

fn summary(study: &StudyAnswers) -> Vec<Vec<Cell>> {
    let mut rows = vec![
        vec![Cell::text("Study"), Cell::text(&study.code), Cell::text(&study.title)],
        vec![Cell::text("State"), Cell::text(&study.state)],
        Vec::new(),
        ["Sheet", "Characteristic", "Title", "Planned n", "n", "Verdict", "By the first limits", "Missing"]
            .map(Cell::Head)
            .to_vec(),
    ];
    for answer in &study.characteristics {
        rows.push(vec![
            Cell::Text(format!("C{}", answer.position)),
            Cell::text(answer.kind.text()),
            Cell::text(&answer.title),
            Cell::Number(f64::from(answer.planned_n)),
            Cell::Number(answer.n as f64),
            Cell::text(answer.verdict.text()),
            answer.verdict_as_planned.map_or(Cell::Empty, |verdict| Cell::text(verdict.text())),
            Cell::text(answer.missing.join("; ")),
        ]);
    }
    rows
}

/// Whether a datum counts.
fn counts(row: &InputRow) -> bool {
    !row.excluded.as_ref().is_some_and(|excluded| excluded.holds)
}

fn characteristic(answer: &CharacteristicAnswer) -> Vec<Vec<Cell>> {
    let mut rows = vec![
        vec![Cell::text(answer.kind.text()), Cell::text(&answer.title)],
        vec![Cell::text("Verdict"), Cell::text(answer.verdict.text())],
        Vec::new(),
    ];
    let mut heads: Vec<Cell> = answer
        .inputs
        .columns
        .iter()
        .map(|column| match &column.unit {
            Some(unit) => Cell::Text(format!("{}, {unit}", column.name)),
            None => Cell::text(&column.name),
        })
        .collect();
    heads.extend(["Position", "Source", "Left out because"].map(Cell::Head));
    rows.push(heads);
    // What counts stands in one block, sorted by its labels; what is left out stands below, with its cause.
    let counted = sorted(answer);
    let first = rows.len() + 1;
    let mut spans: Vec<Span> = Vec::new();
    for (line, (labels, row)) in (first..).zip(&counted) {
        match spans.last_mut() {
            Some(span) if span.labels == *labels => span.last = line,
            _ => spans.push(Span { labels: labels.clone(), first: line, last: line }),
        }
        rows.push(datum(row, true));
    }
    let last = rows.len();
    rows.push(Vec::new());
    rows.extend(answer.inputs.rows.iter().filter(|row| !counts(row)).map(|row| datum(row, false)));
    rows.push(Vec::new());
    let letters = answer.inputs.columns.iter().zip('A'..='Z');
    let columns = letters.map(|(column, letter)| (column.name.clone(), letter.to_string())).collect();
    let block = Block { first, last, spans, columns, free: rows.len() + 1 };
    let in_order: Vec<&InputRow> = counted.iter().map(|(_, row)| *row).collect();
    let mut live = if counted.is_empty() { Formulas::default() } else { formulas(answer, &block, &in_order) };
    let table = std::mem::take(&mut live.table);
    if !table.is_empty() {
        rows.extend(table);
        rows.push(Vec::new());
    }
    rows.extend(statistics(answer, &live));
    rows.push(Vec::new());
    rows.extend(limits(answer));
    rows.extend(answer.notes.iter().map(|note| vec![Cell::text("Note"), Cell::text(note)]));
    rows
}

/// Data that count with their labels, equal ones together, in the order in which labels first appear.
fn sorted(answer: &CharacteristicAnswer) -> Vec<(Vec<String>, &InputRow)> {
    let keys = keys(answer.kind);
    let mut counted: Vec<(Vec<String>, &InputRow)> = answer
        .inputs
        .rows
        .iter()
        .filter(|row| counts(row))
        .map(|row| (keys.iter().map(|key| label(key, answer, row)).collect(), row))
        .collect();
    let mut orders: Vec<HashMap<String, usize>> = vec![HashMap::new(); keys.len()];
    for (labels, _) in &counted {
        for (order, label) in orders.iter_mut().zip(labels) {
            let next = order.len();
            order.entry(label.clone()).or_insert(next);
        }
    }
    counted.sort_by_cached_key(|(labels, row)| {
        let places: Vec<Option<usize>> =
            orders.iter().zip(labels).map(|(order, label)| order.get(label).copied()).collect();
        (places, row.position)
    });
    counted
}

fn datum(row: &InputRow, counted: bool) -> Vec<Cell> {
    let mut cells: Vec<Cell> = row
        .cells
        .iter()
        .map(|text| match text.parse::<f64>() {
            Ok(value) if counted => Cell::Entered(value),
            Ok(value) => Cell::Number(value),
            Err(_words) => Cell::text(text),
        })
        .collect();
    cells.push(Cell::Number(f64::from(row.position)));
    let source = match (row.source.determination.or(row.source.iron_result), row.source.line) {
        (Some(id), _) => format!("{} {id}", row.source.kind),
        (None, Some(line)) => format!("{}, line {line}", row.source.kind),
        (None, None) => row.source.kind.clone(),
    };
    cells.push(Cell::Text(source));
    if let Some(excluded) = &row.excluded {
        let by = excluded.signed_by.as_deref().unwrap_or("not signed");
        cells.push(Cell::Text(format!("{} ({}): {}; {by}", excluded.cause, excluded.state, excluded.evidence)));
    }
    cells
}

/// Where a figure has no formula beside it.
const NO_FORMULA: &str = "a figure of the service: these data do not allow the formula";

fn statistics(answer: &CharacteristicAnswer, live: &Formulas) -> Vec<Vec<Cell>> {
    let heads = [
        "Statistic",
        "Of",
        "In words",
        "By the service",
        "Formula",
        "Lower end",
        "Formula",
        "Upper end",
        "Formula",
        "Unit",
        "How",
        "Source",
    ];
    let mut rows = vec![heads.map(Cell::Head).to_vec()];
    for found in &answer.statistics {
        let own = live.get(found.name, found.of.as_ref());
        let formula = |text: Option<&String>| text.map_or(Cell::Empty, |text| Cell::Formula(format!("={text}")));
        let interval = own.and_then(|own| own.interval.as_ref()).filter(|_| found.interval.is_some());
        rows.push(vec![
            Cell::text(found.name),
            found.of.clone().map_or(Cell::Empty, Cell::Text),
            Cell::text(found.title),
            Cell::Number(found.value),
            own.map_or_else(|| Cell::text(NO_FORMULA), |own| formula(Some(&own.value))),
            Cell::number(end(found, true)),
            formula(interval.map(|(low, _)| low)),
            Cell::number(end(found, false)),
            formula(interval.map(|(_, high)| high)),
            Cell::text(&found.unit),
            Cell::text(found.formula),
            Cell::text(found.source),
        ]);
    }
    rows
}

fn end(found: &Statistic, low: bool) -> Option<f64> {
    found.interval.map(|interval| if low { interval.low } else { interval.high })
}

fn limits(answer: &CharacteristicAnswer) -> Vec<Vec<Cell>> {
    let heads = ["Limit on", "Of", "Lower", "Upper", "Unit", "Found", "Met"];
    let mut rows = vec![heads.map(Cell::Head).to_vec()];
    for judged in &answer.judgements {
        rows.push(vec![
            Cell::text(&judged.statistic),
            judged.of.clone().map_or(Cell::Empty, Cell::Text),
            Cell::number(judged.lower),
            Cell::number(judged.upper),
            Cell::text(&judged.unit),
            Cell::Number(judged.value),
            Cell::text(if judged.met { "met" } else { "not met" }),
        ]);
    }
    for late in &answer.criterion.amendments {
        let by = late.decided_by.as_deref().unwrap_or("not decided");
        rows.push(vec![
            Cell::Text(format!("Amendment {}: {}", late.number, late.state)),
            Cell::text(&late.reason),
            Cell::text(late.recorded_at.to_rfc3339()),
            Cell::text(by),
        ]);
    }
    rows
}
