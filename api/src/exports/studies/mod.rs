//! A validation study as a workbook: data, statistics by the service, and beside them the same as live formulas where a
//! spreadsheet can compute them.

use std::collections::HashMap;

use crate::exports::cells::{Book, Cell, Finished};
use crate::exports::service::Said;
use crate::refusal::Refusal;
use crate::validation_studies::answer::{CharacteristicAnswer, InputRow, Statistic, StudyAnswers};
use crate::validation_studies::kinds::Kind;

/// A formula with its interval, where it has one.
struct Live {
    value: String,
    interval: Option<(String, String)>,
}

impl Live {
    fn value(value: impl Into<String>) -> Self {
        Self { value: value.into(), interval: None }
    }

    /// A standard deviation with its interval by chi-square.
    fn deviation(value: &str, dof: &str, alpha: f64) -> Self {
        let end = |p: f64| format!("{value}*SQRT(({dof})/CHIINV({p},{dof}))");
        Self { value: value.to_owned(), interval: Some((end(alpha / 2.0), end(1.0 - alpha / 2.0))) }
    }

    /// An estimate with a half-width.
    fn around(value: &str, half: &str) -> Self {
        let interval = Some((format!("{value}-{half}"), format!("{value}+{half}")));
        Self { value: value.to_owned(), interval }
    }

    /// Both times a positive factor.
    fn times(&self, factor: &str) -> Self {
        let scaled = |text: &String| format!("({text})*{factor}");
        let interval = self.interval.as_ref().map(|(low, high)| (scaled(low), scaled(high)));
        Self { value: scaled(&self.value), interval }
    }
}

/// Where the data that count stand on a sheet: their rows, and the runs of rows that are a group.
struct Block {
    first: usize,
    last: usize,
    groups: Vec<(String, usize, usize)>,
    /// Letter of a column by its name.
    columns: HashMap<String, String>,
}

impl Block {
    fn column(&self, name: &str) -> Option<String> {
        self.columns.get(name).map(|letter| format!("${letter}${}:${letter}${}", self.first, self.last))
    }

    fn values(&self) -> String {
        format!("$A${}:$A${}", self.first, self.last)
    }

    /// Sum over the groups of the squared deviations from their own means.
    fn within(&self) -> String {
        let parts = self.groups.iter().map(|(_, first, last)| format!("DEVSQ($A${first}:$A${last})"));
        format!("({})", parts.collect::<Vec<_>>().join("+"))
    }

    fn n(&self) -> usize {
        self.last + 1 - self.first
    }
}

fn label(name: &str, answer: &CharacteristicAnswer, row: &InputRow) -> String {
    let at = answer.inputs.columns.iter().position(|column| column.name == name);
    at.and_then(|at| row.cells.get(at)).cloned().unwrap_or_default()
}

/// Formulas by the name of the statistic.
fn formulas(answer: &CharacteristicAnswer, block: &Block) -> HashMap<&'static str, Live> {
    let alpha = 1.0 - answer.design.confidence();
    match answer.kind {
        Kind::Repeatability if block.groups.len() < 2 => one_group(block, alpha),
        Kind::Repeatability | Kind::IntermediatePrecision => several_groups(block, alpha),
        Kind::Linearity => line(block, alpha).unwrap_or_default(),
        Kind::Trueness => trueness(answer, block).unwrap_or_default(),
        Kind::Detection => detection(answer, block, alpha),
        _ => HashMap::new(),
    }
}

fn scatter(mean: &str, s_r: Live) -> HashMap<&'static str, Live> {
    let percent = format!("100/ABS({mean})");
    HashMap::from([
        ("mean", Live::value(mean)),
        ("rsd_r", s_r.times(&percent)),
        ("r_limit", s_r.times("2.8")),
        ("s_r", s_r),
    ])
}

fn one_group(block: &Block, alpha: f64) -> HashMap<&'static str, Live> {
    let data = block.values();
    let s_r = Live::deviation(&format!("STDEV({data})"), &format!("(COUNT({data})-1)"), alpha);
    scatter(&format!("AVERAGE({data})"), s_r)
}

fn several_groups(block: &Block, alpha: f64) -> HashMap<&'static str, Live> {
    let data = block.values();
    let (k, n) = (block.groups.len(), block.n());
    let within = format!("({}/{})", block.within(), n - k);
    let between = format!("((DEVSQ({data})-{})/{})", block.within(), k - 1);
    let squares: usize = block.groups.iter().map(|(_, first, last)| (last + 1 - first).pow(2)).sum();
    let n0 = format!("(({n}-{squares}/{n})/{})", k - 1);
    let variance_between = format!("MAX(0,({between}-{within})/{n0})");
    let intermediate = format!("SQRT({within}+{variance_between})");
    let mean = format!("AVERAGE({data})");
    let mut found = scatter(&mean, Live::deviation(&format!("SQRT({within})"), &(n - k).to_string(), alpha));
    found.insert("ms_within", Live::value(&within));
    found.insert("ms_between", Live::value(&between));
    found.insert("s_between", Live::value(format!("SQRT({variance_between})")));
    found.insert("rsd_i", Live::value(format!("100*{intermediate}/ABS({mean})")));
    found.insert("rsd_ratio", Live::value(format!("{intermediate}/SQRT({within})")));
    found.insert("between_p", Live::value(format!("FDIST({between}/{within},{},{})", k - 1, n - k)));
    found.insert("s_i", Live::value(intermediate));
    found
}

fn line(block: &Block, alpha: f64) -> Option<HashMap<&'static str, Live>> {
    let (x, y) = (block.column("taken")?, block.values());
    let residual = format!("STEYX({y},{x})");
    let t = format!("TINV({alpha},{})", block.n().checked_sub(2)?);
    let slope_half = format!("{t}*{residual}/SQRT(DEVSQ({x}))");
    let intercept_half = format!("{t}*{residual}*SQRT(1/COUNT({x})+AVERAGE({x})^2/DEVSQ({x}))");
    Some(HashMap::from([
        ("slope", Live::around(&format!("SLOPE({y},{x})"), &slope_half)),
        ("intercept", Live::around(&format!("INTERCEPT({y},{x})"), &intercept_half)),
        ("residual_sd", Live::value(residual)),
        ("r_squared", Live::value(format!("RSQ({y},{x})"))),
    ]))
}

fn trueness(answer: &CharacteristicAnswer, block: &Block) -> Option<HashMap<&'static str, Live>> {
    let (reference, u) = (answer.design.reference.as_ref()?.value(), answer.design.reference_u.as_ref()?.value());
    let data = block.values();
    let bias = format!("(AVERAGE({data})-{reference})");
    let u_bias = format!("SQRT(VAR({data})/COUNT({data})+{u}^2)");
    Some(HashMap::from([
        ("mean", Live::value(format!("AVERAGE({data})"))),
        ("bias", Live::around(&bias, &format!("2*{u_bias}"))),
        ("relative_bias", Live::around(&bias, &format!("2*{u_bias}")).times(&format!("100/{reference}"))),
        ("bias_ratio", Live::value(format!("ABS({bias})/(2*{u_bias})"))),
        ("u_bias", Live::value(u_bias)),
    ]))
}

fn detection(answer: &CharacteristicAnswer, block: &Block, alpha: f64) -> HashMap<&'static str, Live> {
    let data = block.values();
    let s0 = format!("STDEV({data})");
    let replicates = answer.design.routine_replicates.unwrap_or(1);
    let adjusted = match answer.design.routine_blanks {
        Some(blanks) => format!("{s0}*SQRT(1/{replicates}+1/{blanks})"),
        None => format!("{s0}*SQRT(1/{replicates})"),
    };
    let k = answer.design.quantification_factor.as_ref().map_or(10.0, crate::web::decimal::Decimal::value);
    HashMap::from([
        ("lod", Live::value(format!("3*{adjusted}"))),
        ("loq", Live::value(format!("{k}*{adjusted}"))),
        ("s0_adjusted", Live::value(adjusted)),
        ("s0", Live::deviation(&s0, &format!("(COUNT({data})-1)"), alpha)),
    ])
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
    // What counts stands in one block, group by group; what is left out stands below, with its cause.
    let mut counted: Vec<&InputRow> = answer.inputs.rows.iter().filter(|row| counts(row)).collect();
    let mut order: Vec<String> = Vec::new();
    for row in &counted {
        let group = label("group", answer, row);
        if !order.contains(&group) {
            order.push(group);
        }
    }
    counted.sort_by_key(|row| {
        let group = label("group", answer, row);
        (order.iter().position(|other| *other == group), row.position)
    });
    let first = rows.len() + 1;
    let mut groups: Vec<(String, usize, usize)> = Vec::new();
    for (line, row) in (first..).zip(&counted) {
        let group = label("group", answer, row);
        match groups.last_mut() {
            Some((name, _, last)) if *name == group => *last = line,
            _ => groups.push((group, line, line)),
        }
        rows.push(datum(row, true));
    }
    let last = rows.len();
    rows.push(Vec::new());
    rows.extend(answer.inputs.rows.iter().filter(|row| !counts(row)).map(|row| datum(row, false)));
    let letters = answer.inputs.columns.iter().zip('A'..='Z');
    let columns = letters.map(|(column, letter)| (column.name.clone(), letter.to_string())).collect();
    let block = Block { first, last, groups, columns };
    let live = if block.last >= block.first { formulas(answer, &block) } else { HashMap::new() };
    rows.push(Vec::new());
    rows.extend(statistics(answer, &live));
    rows.push(Vec::new());
    rows.extend(limits(answer));
    rows.extend(answer.notes.iter().map(|note| vec![Cell::text("Note"), Cell::text(note)]));
    rows
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
    let source = match (&row.source.determination, row.source.line) {
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

fn statistics(answer: &CharacteristicAnswer, live: &HashMap<&'static str, Live>) -> Vec<Vec<Cell>> {
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
        let own = live.get(found.name).filter(|_| found.of.is_none());
        let formula = |text: Option<&String>| text.map_or(Cell::Empty, |text| Cell::Formula(format!("={text}")));
        let interval = own.and_then(|own| own.interval.as_ref()).filter(|_| found.interval.is_some());
        rows.push(vec![
            Cell::text(found.name),
            found.of.clone().map_or(Cell::Empty, Cell::Text),
            Cell::text(found.title),
            Cell::Number(found.value),
            formula(own.map(|own| &own.value)),
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
