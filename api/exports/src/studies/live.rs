//! Parts of live formulas: estimates with their intervals, tails of distributions, where data stand on a sheet.

use std::collections::HashMap;

use ferrotitre_core::validation::Statistic;
use ferrotitre_quality::validation_studies::answer::CharacteristicAnswer;
use ferrotitre_quality::validation_studies::kinds::Rule;

use crate::cells::Cell;

/// A formula with its interval, where it has one.
pub(super) struct Live {
    pub(super) value: String,
    pub(super) interval: Option<(String, String)>,
}

impl Live {
    pub(super) fn value(value: impl Into<String>) -> Self {
        Self { value: value.into(), interval: None }
    }

    /// A standard deviation with its interval by chi-square; its degrees of freedom need not be whole, so the quantile is
    /// that of the gamma distribution, which spreadsheets do not cut to an integer.
    pub(super) fn deviation(value: &str, dof: &str, alpha: f64) -> Self {
        let end = |p: f64| format!("{value}*SQRT(({dof})/GAMMAINV({p},({dof})/2,2))");
        Self { value: value.to_owned(), interval: Some((end(1.0 - alpha / 2.0), end(alpha / 2.0))) }
    }

    /// An estimate with a half-width.
    pub(super) fn around(value: &str, half: &str) -> Self {
        let interval = Some((format!("{value}-{half}"), format!("{value}+{half}")));
        Self { value: value.to_owned(), interval }
    }

    /// A mean of a range with its interval by Student's t.
    pub(super) fn mean(range: &str, n: usize, confidence: f64) -> Self {
        let half = format!("{}*STDEV({range})/SQRT({n})", student(1.0 - confidence, n.saturating_sub(1)));
        Self::around(&format!("AVERAGE({range})"), &half)
    }

    /// Both times a positive factor.
    pub(super) fn times(&self, factor: &str) -> Self {
        let scaled = |text: &String| format!("({text})*{factor}");
        let interval = self.interval.as_ref().map(|(low, high)| (scaled(low), scaled(high)));
        Self { value: scaled(&self.value), interval }
    }

    /// Both times a factor of either sign.
    pub(super) fn times_signed(&self, factor: &str) -> Self {
        let scaled = |text: &String| format!("({text})*{factor}");
        let interval = self.interval.as_ref().map(|(low, high)| {
            let (a, b) = (scaled(low), scaled(high));
            (format!("MIN({a},{b})"), format!("MAX({a},{b})"))
        });
        Self { value: scaled(&self.value), interval }
    }
}

/// Two-sided quantile of Student's t for whole degrees of freedom.
pub(super) fn student(alpha: f64, dof: usize) -> String {
    format!("TINV({alpha},{dof})")
}

/// The same for degrees of freedom that need not be whole, from the beta distribution; unlimited without them.
pub(super) fn student_of(alpha: f64, dof: Option<f64>) -> String {
    match dof {
        Some(dof) => format!("SQRT({dof}*(1/BETAINV({alpha},{dof}/2,0.5)-1))"),
        None => format!("NORMSINV({})", 1.0 - alpha / 2.0),
    }
}

/// P(T > t); the function of spreadsheets takes t from 0 on only.
fn upper_tail(t: &str, dof: usize) -> String {
    format!("IF({t}>=0,TDIST(ABS({t}),{dof},1),1-TDIST(ABS({t}),{dof},1))")
}

/// P(F > f), the degrees of freedom below not necessarily whole; unlimited without them.
pub(super) fn fisher_tail(f: &str, above: usize, below: Option<f64>) -> String {
    match below {
        Some(below) => format!("BETADIST({below}/({below}+{above}*({f})),{below}/2,{above}/2)"),
        None => format!("CHIDIST({above}*({f}),{above})"),
    }
}

/// p-value of two one-sided tests of a mean of a range between margins.
pub(super) fn equivalence(range: &str, n: usize, (low, high): (f64, f64)) -> Option<String> {
    let dof = n.checked_sub(1)?;
    let over = |margin: f64| format!("((AVERAGE({range})-({margin}))*SQRT({n})/STDEV({range}))");
    let (lower, upper) = (upper_tail(&over(low), dof), upper_tail(&format!("(-{})", over(high)), dof));
    Some(format!("MAX({lower},{upper})"))
}

/// Limits of a statistic as margins, where the whole interval must lie between them.
pub(super) fn margins(answer: &CharacteristicAnswer, statistic: Statistic) -> Option<(f64, f64)> {
    let mut limits = answer.criterion.limits.iter();
    let limit = limits.find(|limit| limit.statistic == statistic.key() && limit.rule == Rule::Interval)?;
    Some((limit.lower.as_ref()?.value(), limit.upper.as_ref()?.value()))
}

/// Formulas by the name of the statistic and what it is of.
#[derive(Default)]
pub(super) struct Formulas {
    found: HashMap<(Statistic, Option<String>), Live>,
    /// What formulas refer to beside the data: means of pairs, of runs, lines without a pair.
    pub(super) table: Vec<Vec<Cell>>,
}

impl Formulas {
    pub(super) fn add(&mut self, name: Statistic, live: Live) {
        self.found.insert((name, None), live);
    }

    pub(super) fn add_value(&mut self, name: Statistic, value: impl Into<String>) {
        self.add(name, Live::value(value));
    }

    pub(super) fn add_of(&mut self, name: Statistic, of: &str, live: Live) {
        self.found.insert((name, Some(of.to_owned())), live);
    }

    pub(super) fn get(&self, name: Statistic, of: Option<&String>) -> Option<&Live> {
        self.found.get(&(name, of.cloned()))
    }
}

/// Rows that follow each other and have the same labels.
#[derive(Debug, Clone)]
pub(super) struct Span {
    pub(super) labels: Vec<String>,
    pub(super) first: usize,
    pub(super) last: usize,
}

impl Span {
    pub(super) fn n(&self) -> usize {
        self.last + 1 - self.first
    }

    /// Range of a column over these rows.
    pub(super) fn range(&self, letter: &str) -> String {
        range(letter, self.first, self.last)
    }

    pub(super) fn values(&self) -> String {
        self.range("A")
    }
}

/// A range of a column.
pub(super) fn range(letter: &str, first: usize, last: usize) -> String {
    format!("${letter}${first}:${letter}${last}")
}

/// Where the data that count stand on a sheet: their rows, sorted by labels.
pub(super) struct Block {
    pub(super) first: usize,
    pub(super) last: usize,
    /// By all labels.
    pub(super) spans: Vec<Span>,
    /// Letter of a column by its name.
    pub(super) columns: HashMap<String, String>,
    /// First row that a table of derived figures may take.
    pub(super) free: usize,
}

impl Block {
    pub(super) fn letter(&self, name: &str) -> Option<&str> {
        self.columns.get(name).map(String::as_str)
    }

    pub(super) fn column(&self, name: &str) -> Option<String> {
        self.letter(name).map(|letter| range(letter, self.first, self.last))
    }

    pub(super) fn values(&self) -> String {
        range("A", self.first, self.last)
    }

    pub(super) fn n(&self) -> usize {
        self.last + 1 - self.first
    }

    /// Spans by the first so many labels.
    pub(super) fn groups(&self, depth: usize) -> Vec<Span> {
        let mut groups: Vec<Span> = Vec::new();
        for span in &self.spans {
            let labels = span.labels.get(..depth).unwrap_or(&span.labels);
            match groups.last_mut() {
                Some(group) if group.labels == labels => group.last = span.last,
                _ => groups.push(Span { labels: labels.to_vec(), ..span.clone() }),
            }
        }
        groups
    }

    /// The span with exactly these labels.
    pub(super) fn span(&self, labels: &[&str]) -> Option<&Span> {
        self.spans.iter().find(|span| span.labels == labels)
    }
}

/// A table of groups with their sizes, squared deviations from their own means, and means; the rows they stand in.
pub(super) fn groups_table(found: &mut Formulas, block: &Block, groups: &[Span]) -> (usize, usize) {
    found.table.push(["Group", "n", "Squared deviations", "Mean"].map(Cell::Head).to_vec());
    for group in groups {
        let name = group.labels.first().map(String::as_str).unwrap_or_default();
        let cells = ["COUNT", "DEVSQ", "AVERAGE"].map(|of| Cell::Formula(format!("={of}({})", group.values())));
        found.table.push(std::iter::once(Cell::text(name)).chain(cells).collect());
    }
    (block.free + 1, block.free + groups.len())
}

/// Standard deviation about a line. The function for it takes differences of large sums in some programs and loses half of
/// the digits, so the residuals are squared one by one; SUMPRODUCT has them computed as an array in every program.
pub(super) fn about_line(y: &str, x: &str, dof: usize) -> String {
    format!("SQRT(SUMPRODUCT(({y}-INTERCEPT({y},{x})-SLOPE({y},{x})*{x})^2)/{dof})")
}

/// Adds a figure below the table, in column C; the cell it stands in.
pub(super) fn below(found: &mut Formulas, block: &Block, name: &'static str, formula: &str) -> String {
    found.table.push(vec![Cell::text(name), Cell::Empty, Cell::Formula(format!("={formula}"))]);
    format!("$C${}", block.free + found.table.len() - 1)
}
