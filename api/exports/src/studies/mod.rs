//! A validation study as a workbook: data, statistics by the service, and beside them the same as live formulas where a
//! spreadsheet can compute them.

mod places;
#[cfg(test)]
mod tests;

use std::collections::HashMap;

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::validation::DataUnit;
use ferrotitre_core::validation::cells::{Block, Scalar, Span, StudyCells};
use ferrotitre_quality::validation_studies::answer::{CharacteristicAnswer, InputRow, StudyAnswers, StudyStatistic};
use ferrotitre_quality::validation_studies::kinds::{Kind, Label};
use ferrotitre_quality::validation_studies::open::Open;
use ferrotitre_quality::validation_studies::statistics::{Point, Question};

use crate::cells::{Book, Cell, Finished};
use crate::service::Said;
use crate::tables::aside;

/// Data whose rows are read at once.
const AT_ONCE: usize = 1000;

/// Columns by which the data of a kind are sorted, so that what belongs together is one range.
fn keys(kind: Kind) -> &'static [Label] {
    match kind {
        Kind::Recovery | Kind::MethodComparison => &[Label::Pair, Label::Arm],
        Kind::Selectivity => &[Label::Group, Label::Pair, Label::Arm],
        Kind::Linearity | Kind::DetectionByDifference => &[Label::Taken],
        Kind::Ruggedness => &[Label::Run],
        Kind::Uncertainty => &[Label::Arm],
        _ => &[Label::Group],
    }
}

fn label(of: Label, kind: Kind, point: &Point) -> String {
    let text = point.labels.text(of);
    match (kind, text.parse::<f64>()) {
        // 10 and 10.0 are one level.
        (Kind::Linearity, Ok(level)) => level.to_string(),
        _ => text,
    }
}

/// Expressions of the statistics of data that stand in a block.
fn expressions(answer: &CharacteristicAnswer, block: &Block, points: &[&Point]) -> StudyCells {
    let (Some(unit), false) = (DataUnit::of(&answer.unit), points.is_empty()) else { return StudyCells::default() };
    let CharacteristicAnswer { kind, ref design, planned_n, .. } = *answer;
    places::expressions(&Question { kind, unit, design, planned_n, limits: &answer.criterion.limits }, block, points)
}

/// The workbook of a study.
pub(super) async fn of(db: &Db, open: &Open, said: &Said) -> Result<Finished, Refusal> {
    let study = &open.answers;
    let mut book = Book::new(&format!("{} {}", study.code, study.title))?;
    book.sheet("Summary", &summary(study), true)?;
    for (at, answer) in study.characteristics.iter().enumerate() {
        book.begin(&format!("C{}", answer.position), true)?;
        characteristic(db, open, (at, answer), &mut book).await?;
        book.end()?;
    }
    let about = said.rows().into_iter().map(|(name, value)| vec![Cell::Text(name), Cell::Text(value)]);
    book.sheet("About", &about.collect::<Vec<_>>(), false)?;
    aside(move || book.finish()).await
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

/// Heading of a characteristic's sheet.
fn heads(answer: &CharacteristicAnswer) -> [Vec<Cell>; 4] {
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
    [
        vec![Cell::text(answer.kind.text()), Cell::text(&answer.title)],
        vec![Cell::text("Verdict"), Cell::text(answer.verdict.text())],
        Vec::new(),
        heads,
    ]
}

/// Writes the sheet of a characteristic: data, what formulas share, statistics, limits.
async fn characteristic(
    db: &Db,
    open: &Open,
    (at, answer): (usize, &CharacteristicAnswer),
    book: &mut Book,
) -> Result<(), Refusal> {
    for row in heads(answer) {
        book.row(&row)?;
    }
    // What counts stands in one block, sorted by its labels; what is left out stands below, with its cause.
    let (kept, left_out) = open.points(at);
    let first = book.rows() + 1;
    let (counted, spans) = sorted(answer.kind, kept, first);
    write_data(db, open, (at, true), &counted, book).await?;
    let last = book.rows();
    book.row(&[])?;
    write_data(db, open, (at, false), &left_out, book).await?;
    book.row(&[])?;
    let letters = places::letters(&answer.inputs).collect();
    let block = Block { first, last, spans, letters, free: book.rows() + 1 };
    let live = expressions(answer, &block, &counted);
    let mut rows: Vec<Vec<Cell>> = live.table.iter().map(|row| row.iter().cloned().map(Cell::from).collect()).collect();
    if !rows.is_empty() {
        rows.push(Vec::new());
    }
    rows.extend(statistics(answer, &live));
    rows.push(Vec::new());
    rows.extend(limits(answer));
    rows.extend(answer.notes.iter().map(|note| vec![Cell::text("Note"), Cell::text(note)]));
    rows.iter().try_for_each(|row| book.row(row))
}

/// Writes the rows of data of a characteristic, read as they are written.
async fn write_data(
    db: &Db,
    open: &Open,
    (at, counted): (usize, bool),
    points: &[&Point],
    book: &mut Book,
) -> Result<(), Refusal> {
    for some in points.chunks(AT_ONCE) {
        let ids: Vec<_> = some.iter().map(|point| point.id).collect();
        for row in open.rows_of(db, at, &ids).await? {
            book.row(&datum(&row, counted))?;
        }
    }
    Ok(())
}

/// Data that count, equal labels together, in the order in which labels first appear; and the spans of equal labels on
/// a sheet where the first of them has this row.
fn sorted(kind: Kind, mut points: Vec<&Point>, first: usize) -> (Vec<&Point>, Vec<Span>) {
    let mut orders: Vec<HashMap<String, usize>> = vec![HashMap::new(); keys(kind).len()];
    for point in &points {
        for (order, key) in orders.iter_mut().zip(keys(kind)) {
            let next = order.len();
            order.entry(label(*key, kind, point)).or_insert(next);
        }
    }
    points.sort_by_cached_key(|point| {
        let mut places = [0; 3];
        for ((place, order), key) in places.iter_mut().zip(&orders).zip(keys(kind)) {
            *place = order.get(&label(*key, kind, point)).copied().unwrap_or_default();
        }
        (places, point.position)
    });
    let mut spans: Vec<Span> = Vec::new();
    for (line, point) in (first..).zip(&points) {
        let labels: Vec<String> = keys(kind).iter().map(|key| label(*key, kind, point)).collect();
        match spans.last_mut() {
            Some(span) if span.labels == labels => span.last = line,
            _ => spans.push(Span { labels, first: line, last: line }),
        }
    }
    (points, spans)
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

fn statistics(answer: &CharacteristicAnswer, live: &StudyCells) -> Vec<Vec<Cell>> {
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
        let own = live.get(found.name, found.of.as_deref());
        let formula = |of: Option<&Scalar>| of.map_or(Cell::Empty, places::formula);
        let interval = own.and_then(|own| own.interval.as_ref()).filter(|_| found.interval.is_some());
        rows.push(vec![
            Cell::text(found.name.key()),
            found.of.clone().map_or(Cell::Empty, Cell::Text),
            Cell::text(found.title),
            Cell::Number(found.value),
            own.map_or_else(|| Cell::text(NO_FORMULA), |own| formula(Some(&own.value))),
            Cell::number(end(found, true)),
            formula(interval.map(|(low, _)| low)),
            Cell::number(end(found, false)),
            formula(interval.map(|(_, high)| high)),
            Cell::text(found.unit),
            Cell::text(found.formula),
            Cell::text(found.source),
        ]);
    }
    rows
}

fn end(found: &StudyStatistic, low: bool) -> Option<f64> {
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
