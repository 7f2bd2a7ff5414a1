//! A characteristic's statistics as expressions over the cells of its sheet, and the table of derived figures they share.

use std::collections::HashMap;

use super::place::{Block, Derived, Place, Rows, Span};
use super::tree::{Array, Name, Scalar};
use super::{lines, near_zero, pairs, scatter};
use crate::validation::{DataUnit, Statistic, StudyTerm};

/// What a characteristic's data are.
#[derive(Debug, Clone, Copy)]
pub enum Shape<'a> {
    /// Data of one group, or groups under their label: repeatability and intermediate precision.
    Groups,
    /// Data against a certified value.
    Certified,
    /// The same of an analyst whose scatter is compared with the method's.
    Competence,
    /// Pairs with the arms `unspiked` and `spiked`; the amount added of every row, in the order of the rows.
    Additions(&'a [String]),
    /// Levels under their label, with amounts taken.
    Levels,
    /// Data near zero.
    NearZero,
    /// Totals of iron under their label, data near zero at each.
    Totals,
    /// Runs under their number.
    Runs,
    /// Groups of pairs with the arms `without` and `with`.
    Interferents,
    /// Storages under their label, with hours.
    Storages,
    /// Pairs with the arms `reference` and `new`.
    Methods,
    /// Arms `bottom-up`, `within-laboratory`, `bias` and `reference`.
    Arms,
}

/// Numbers of the plan.
#[derive(Debug, Clone)]
pub struct Planned<'a> {
    /// Unit of the data.
    pub unit: DataUnit,
    /// Confidence of intervals, in (0.5, 1).
    pub confidence: f64,
    /// Confidence of the interval that stands for two one-sided tests.
    pub equivalence_confidence: f64,
    /// Certified value and its standard uncertainty.
    pub reference: Option<(f64, f64)>,
    /// Standard deviation of the method.
    pub method_sd: Option<f64>,
    /// Its degrees of freedom; unlimited without them.
    pub method_sd_dof: Option<f64>,
    /// Error variance of the new method over that of the reference.
    pub variance_ratio: f64,
    /// Replicates of a reported result.
    pub replicates: u32,
    /// Blanks whose mean is subtracted.
    pub blanks: Option<u32>,
    /// Factor of the limit of quantification.
    pub quantification_factor: f64,
    /// Titre aimed at and its standard uncertainty, mL.
    pub titre: Option<(f64, f64)>,
    /// Holding time, h.
    pub holding_hours: Option<f64>,
    /// Names of the seven factors of a ruggedness design.
    pub factors: Vec<&'a str>,
    /// Margins that the whole interval of a statistic must lie between.
    pub margins: Vec<(Statistic, (f64, f64))>,
}

impl Planned<'_> {
    /// Share of intervals that miss.
    pub(super) fn alpha(&self) -> f64 {
        1.0 - self.confidence
    }

    pub(super) fn margins_of(&self, statistic: Statistic) -> Option<(f64, f64)> {
        self.margins.iter().find(|(of, _)| *of == statistic).map(|(_, margins)| *margins)
    }
}

/// An expression with the ends of its interval, where it has one.
#[derive(Debug, Clone)]
pub struct Estimate {
    /// The value.
    pub value: Scalar,
    /// Lower end and upper end.
    pub interval: Option<(Scalar, Scalar)>,
}

impl From<Scalar> for Estimate {
    fn from(value: Scalar) -> Self {
        Self { value, interval: None }
    }
}

impl Estimate {
    /// A standard deviation with its interval by chi-square.
    pub(super) fn deviation(value: &Scalar, dof: &Scalar, alpha: f64) -> Self {
        let end = |p: f64| value * (dof / Scalar::chi_square_of(p, dof)).root();
        Self { value: value.clone(), interval: Some((end(1.0 - alpha / 2.0), end(alpha / 2.0))) }
    }

    /// An estimate with a half-width.
    pub(super) fn around(value: &Scalar, half: &Scalar) -> Self {
        Self { value: value.clone(), interval: Some((value - half, value + half)) }
    }

    /// A mean with its interval by Student's t.
    pub(super) fn mean(of: &Array, n: usize, confidence: f64) -> Self {
        let t = Scalar::student(1.0 - confidence, n.saturating_sub(1));
        Self::around(&of.mean(), &(t * of.sample_deviation() / Scalar::from(n).root()))
    }

    /// All times a positive factor.
    pub(super) fn scaled(&self, times: impl Fn(&Scalar) -> Scalar) -> Self {
        let interval = self.interval.as_ref().map(|(low, high)| (times(low), times(high)));
        Self { value: times(&self.value), interval }
    }

    /// All times a factor of either sign.
    pub(super) fn scaled_with_sign(&self, times: impl Fn(&Scalar) -> Scalar) -> Self {
        let interval = self.interval.as_ref().map(|(low, high)| {
            let (a, b) = (times(low), times(high));
            (a.smallest(&b), a.largest(&b))
        });
        Self { value: times(&self.value), interval }
    }
}

/// A cell of the table of derived figures.
#[derive(Debug, Clone)]
pub enum Entry {
    /// Nothing.
    Empty,
    /// Heading.
    Head(&'static str),
    /// Text.
    Text(String),
    /// A number.
    Number(f64),
    /// A formula.
    Formula(Scalar),
}

/// What a statistic is of: a level, group or factor; none for all data.
type Of = Option<String>;

/// Statistics of a characteristic as expressions, and what they share.
#[derive(Debug, Default)]
pub struct StudyCells {
    found: HashMap<(Statistic, Of), Estimate>,
    /// Rows of derived figures from the block's free row on: means of pairs, of runs, lines without a pair.
    pub table: Vec<Vec<Entry>>,
    /// Number of the first of these rows on the sheet.
    first: usize,
}

impl StudyCells {
    /// Expressions of the statistics that data of that shape come to. One that these data do not allow is left out.
    ///
    /// # Formula
    /// [`Statistic::formula`] of each.
    ///
    /// # Source
    /// [`Statistic::source`] of each.
    #[must_use]
    pub fn of(shape: Shape<'_>, plan: &Planned<'_>, block: &Block) -> Self {
        let mut cells = Self { first: block.free, ..Self::default() };
        match shape {
            Shape::Groups => scatter::groups(&mut cells, plan, block),
            Shape::Certified => scatter::certified(&mut cells, plan, block),
            Shape::Competence => scatter::competence(&mut cells, plan, block),
            Shape::Runs => scatter::runs(&mut cells, plan, block),
            Shape::Arms => scatter::arms(&mut cells, block),
            Shape::NearZero => near_zero::near_zero(&mut cells, plan, block),
            Shape::Totals => near_zero::totals(&mut cells, plan, block),
            Shape::Levels => lines::levels(&mut cells, plan, block),
            Shape::Storages => lines::storages(&mut cells, plan, block),
            Shape::Additions(added) => pairs::additions(&mut cells, plan, (block, added)),
            Shape::Interferents => pairs::interferents(&mut cells, plan, block),
            Shape::Methods => pairs::methods(&mut cells, plan, block),
        }
        cells
    }

    /// The expression of a statistic.
    #[must_use]
    pub fn get(&self, statistic: Statistic, of: Option<&str>) -> Option<&Estimate> {
        self.found.get(&(statistic, of.map(str::to_owned)))
    }

    /// Every statistic that has an expression, what it is of, and the expression.
    pub fn all(&self) -> impl Iterator<Item = (Statistic, Option<&str>, &Estimate)> {
        self.found.iter().map(|((statistic, of), estimate)| (*statistic, of.as_deref(), estimate))
    }

    /// A cell of the table, by its column from 0 and its row on the sheet.
    pub(super) fn entry(&self, column: u8, row: usize) -> Option<&Entry> {
        self.table.get(row.checked_sub(self.first)?)?.get(usize::from(column))
    }

    pub(super) fn add(&mut self, statistic: Statistic, estimate: impl Into<Estimate>) {
        self.found.insert((statistic, None), estimate.into());
    }

    pub(super) fn add_of(&mut self, statistic: Statistic, of: &str, estimate: impl Into<Estimate>) {
        self.found.insert((statistic, Some(of.to_owned())), estimate.into());
    }

    /// Number that the next row of the table has on the sheet.
    pub(super) fn next_row(&self) -> usize {
        self.first + self.table.len()
    }

    /// Adds a row of headings.
    pub(super) fn heads<const N: usize>(&mut self, heads: [&'static str; N]) {
        self.table.push(heads.map(Entry::Head).to_vec());
    }

    /// Adds a row of formulas behind a name; its number on the sheet.
    pub(super) fn row<const N: usize>(&mut self, name: &str, formulas: [Scalar; N]) -> usize {
        let row = self.next_row();
        let formulas = formulas.map(Entry::Formula);
        self.table.push(std::iter::once(Entry::Text(name.to_owned())).chain(formulas).collect());
        row
    }

    /// Adds a figure below the table; the cell it stands in.
    pub(super) fn figure(&mut self, name: &str, formula: Scalar) -> Scalar {
        let row = self.next_row();
        self.table.push(vec![Entry::Text(name.to_owned()), Entry::Empty, Entry::Formula(formula)]);
        Scalar::cell(Derived::Figure.at_row(row))
    }

    /// A table of groups with their sizes, squared deviations from their own means, and means; the rows they stand in.
    pub(super) fn groups(&mut self, groups: &[Span]) -> Rows {
        self.heads(["Group", "n", "Squared deviations", "Mean"]);
        let first = self.next_row();
        for group in groups {
            let (name, data) = (group.labels.first().map_or("", String::as_str), group.values());
            self.row(name, [data.count(), data.squared_deviations(), data.mean()]);
        }
        Rows { first, last: self.next_row() - 1 }
    }
}

/// A number of the plan.
pub(super) fn given(term: StudyTerm, value: f64) -> Scalar {
    Scalar::given(term, value)
}

/// A cell.
pub(super) fn cell(place: Place) -> Scalar {
    Scalar::cell(place)
}

/// Standard deviation about a line. The function for it takes differences of large sums in some programs and loses half of
/// the digits, so the residuals are squared one by one.
pub(super) fn about_line(y: &Array, x: &Array, dof: usize) -> Scalar {
    let residuals = y.off_line(&y.intercept(x), &y.slope(x), x);
    let squares = residuals.squared().added_up().known_as(Name::Term(StudyTerm::ResidualSquares));
    (squares / dof).root()
}
