//! Where numbers stand on a sheet: columns of data, columns of the table of derived figures, ranges, rows of equal labels.

use std::collections::HashMap;

use super::tree::Array;

/// A column of a sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Column {
    /// Data, always in the first column.
    Value,
    /// Standard uncertainties of the data.
    Uncertainty,
    /// Amounts taken.
    Taken,
    /// Amounts added.
    Added,
    /// Hours since the start.
    Hours,
    /// A column of the table of derived figures.
    Derived(Derived),
}

/// A column of a table that stands below the data and holds what formulas share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Derived {
    /// Number of data in a group.
    GroupSize,
    /// Squared deviations of a group from its own mean.
    GroupSquares,
    /// Mean of a group.
    GroupMean,
    /// A single figure below the groups.
    Figure,
    /// Total iron.
    Total,
    /// Standard deviation near zero at that total.
    SdAtTotal,
    /// Mean of a run.
    RunMean,
    /// Level of one of the seven factors, 1 or -1; its effect below.
    Factor(u8),
    /// Mean of the unspiked.
    Unspiked,
    /// Spiked.
    Spiked,
    /// Added.
    Addition,
    /// Recovery.
    Recovery,
    /// Mean of the first arm of a pair.
    First,
    /// Mean of the second arm of a pair.
    Second,
    /// Second less first.
    Difference,
    /// The same in per cent of the first.
    RelativeDifference,
    /// Squared deviations of the first arms without this pair.
    SquaresOfFirst,
    /// Squared deviations of the second arms without this pair.
    SquaresOfSecond,
    /// Products of deviations without this pair.
    Products,
    /// Slope without this pair.
    Slope,
    /// Intercept without this pair.
    Intercept,
}

impl Derived {
    /// Place of the column, from 0 for A.
    pub(super) const fn at(self) -> u8 {
        match self {
            Self::Total => 0,
            Self::GroupSize | Self::SdAtTotal | Self::RunMean | Self::Unspiked | Self::First => 1,
            Self::GroupSquares | Self::Figure | Self::Spiked | Self::Second => 2,
            Self::GroupMean | Self::Addition | Self::Difference => 3,
            Self::Recovery | Self::RelativeDifference => 4,
            Self::SquaresOfFirst => 5,
            Self::SquaresOfSecond => 6,
            Self::Products => 7,
            Self::Slope => 8,
            Self::Intercept => 9,
            Self::Factor(at) => 2 + at,
        }
    }

    /// The cells of the column in some rows.
    pub(super) fn over(self, rows: Rows) -> Array {
        Array::range(Range { column: Column::Derived(self), letter: self.letter(), rows })
    }

    /// The cell of the column in a row; it moves along where the row is copied.
    pub(super) fn beside(self, row: usize) -> Place {
        Place { column: Column::Derived(self), letter: self.letter(), row, fixed: false }
    }

    /// The cell of the column in a row, wherever a formula is copied.
    pub(super) fn at_row(self, row: usize) -> Place {
        Place { fixed: true, ..self.beside(row) }
    }

    fn letter(self) -> char {
        char::from(b'A' + self.at())
    }
}

/// Rows that follow each other, by their numbers on the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Rows {
    pub(super) first: usize,
    pub(super) last: usize,
}

impl Rows {
    pub(super) fn n(self) -> usize {
        self.last + 1 - self.first
    }

    /// The data in these rows.
    pub(super) fn values(self) -> Array {
        Array::range(Range { column: Column::Value, letter: 'A', rows: self })
    }
}

/// Cells of a column that follow each other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Range {
    pub(super) column: Column,
    pub(super) letter: char,
    pub(super) rows: Rows,
}

/// One cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    pub(super) column: Column,
    pub(super) letter: char,
    pub(super) row: usize,
    /// Whether it stays where it is when the formula is copied.
    pub(super) fixed: bool,
}

/// Rows of data that follow each other and have the same labels.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Span {
    /// Their labels.
    pub labels: Vec<String>,
    /// Number of the first row on the sheet.
    pub first: usize,
    /// Number of the last row.
    pub last: usize,
}

impl Span {
    /// Number of data.
    #[must_use]
    pub fn n(&self) -> usize {
        self.rows().n()
    }

    pub(super) fn rows(&self) -> Rows {
        Rows { first: self.first, last: self.last }
    }

    pub(super) fn values(&self) -> Array {
        self.rows().values()
    }
}

/// Where the data that count stand on a sheet: their rows, sorted by labels.
#[derive(Debug, Clone)]
pub struct Block {
    /// Number of the first row on the sheet.
    pub first: usize,
    /// Number of the last row.
    pub last: usize,
    /// By all labels.
    pub spans: Vec<Span>,
    /// Letters of the columns beside the values, which stand in A.
    pub letters: HashMap<Column, char>,
    /// First row that a table of derived figures may take.
    pub free: usize,
}

impl Block {
    /// Number of data.
    #[must_use]
    pub fn n(&self) -> usize {
        self.rows().n()
    }

    pub(super) fn rows(&self) -> Rows {
        Rows { first: self.first, last: self.last }
    }

    pub(super) fn values(&self) -> Array {
        self.rows().values()
    }

    /// Cells of a column of data in some rows; none where the sheet has no such column.
    pub(super) fn column(&self, column: Column, rows: Rows) -> Option<Array> {
        let letter = *self.letters.get(&column)?;
        Some(Array::range(Range { column, letter, rows }))
    }

    /// Spans by the first so many labels.
    #[must_use]
    pub fn groups(&self, depth: usize) -> Vec<Span> {
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

    /// The span of a group that has one more label, this one. Only the rows of the group are looked at: there may be as many
    /// groups as data.
    pub(super) fn part(&self, group: &Span, label: &str) -> Option<&Span> {
        let from = self.spans.partition_point(|span| span.first < group.first);
        let mut within = self.spans[from..].iter().take_while(|span| span.last <= group.last);
        within.find(|span| span.labels.split_last().is_some_and(|(last, of)| last == label && of == group.labels))
    }

    /// The span with exactly these labels.
    #[must_use]
    pub fn span(&self, labels: &[&str]) -> Option<&Span> {
        self.spans.iter().find(|span| span.labels == labels)
    }
}
