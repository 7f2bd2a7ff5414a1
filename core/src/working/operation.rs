//! The operations a node can be: value, and exact partial derivative to each operand.

use crate::chemistry::burette_correction;
use crate::statistics::summary::{Summary, median};

/// A table of (argument, value) with rising arguments.
pub type Table = [(f64, f64)];

/// What a node does with its operands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Operation {
    /// Nothing: a recorded fact, or a number that a method or a published source states.
    Leaf,
    /// Nothing: a number of the formula itself.
    Number,
    /// Sum of all.
    Sum,
    /// First less second.
    Difference,
    /// Product of all.
    Product,
    /// First over second.
    Quotient,
    /// Square root.
    SquareRoot,
    /// Largest of all.
    Largest,
    /// Arithmetic mean.
    Mean,
    /// Median: the middle value, or the mean of the two in the middle.
    Median,
    /// Sample standard deviation, with n - 1.
    SampleDeviation,
    /// Linear interpolation in a table, by its place in the list of tables; no value outside it.
    Interpolation(u32),
}

impl Operation {
    /// Whether it has operands.
    #[must_use]
    pub const fn computes(self) -> bool {
        !matches!(self, Self::Leaf | Self::Number)
    }

    /// Value of the operands; not a number where it does not exist.
    #[must_use]
    pub fn value(self, of: &[f64], table: &Table) -> f64 {
        match (self, of) {
            (Self::Sum, of) => of.iter().skip(1).fold(of.first().copied().unwrap_or(0.0), |sum, x| sum + x),
            (Self::Product, of) => of.iter().skip(1).fold(of.first().copied().unwrap_or(1.0), |product, x| product * x),
            (Self::Difference, [a, b]) => a - b,
            (Self::Quotient, [a, b]) => a / b,
            (Self::SquareRoot, [a]) => a.sqrt(),
            (Self::Largest, of) => of.iter().copied().fold(f64::NEG_INFINITY, f64::max),
            (Self::Mean, of) => of.iter().sum::<f64>() / of.len() as f64,
            (Self::Median, of) => median(of).unwrap_or(f64::NAN),
            (Self::SampleDeviation, of) => Summary::of(of).and_then(|summary| summary.sample_sd()).unwrap_or(f64::NAN),
            (Self::Interpolation(_), [x]) => burette_correction(table, *x).unwrap_or(f64::NAN),
            _ => f64::NAN,
        }
    }

    /// Partial derivative to the operand at a place.
    ///
    /// Exact wherever there is one; where [`Operation::kink`] says that there is none, the one of the operands' order: the
    /// first of equal largest values, the segment below a point of a table.
    #[must_use]
    pub fn derivative(self, of: &[f64], table: &Table, value: f64, to: usize) -> f64 {
        match (self, of) {
            (Self::Sum, _) => 1.0,
            (Self::Difference, _) => {
                if to == 0 {
                    1.0
                } else {
                    -1.0
                }
            }
            (Self::Product, of) => of.iter().enumerate().filter(|(at, _)| *at != to).map(|(_, x)| x).product(),
            (Self::Quotient, [_, b]) => {
                if to == 0 {
                    1.0 / b
                } else {
                    -value / b
                }
            }
            (Self::SquareRoot, _) => 0.5 / value,
            (Self::Largest, of) => {
                let first = of.iter().position(|x| *x == value);
                if first == Some(to) { 1.0 } else { 0.0 }
            }
            (Self::Mean, of) => 1.0 / of.len() as f64,
            (Self::Median, of) => median_derivative(of, to),
            (Self::SampleDeviation, of) => {
                let n = of.len() as f64;
                let mean = of.iter().sum::<f64>() / n;
                (of[to] - mean) / ((n - 1.0) * value)
            }
            (Self::Interpolation(_), [x]) => slope(table, *x).0,
            _ => 0.0,
        }
    }

    /// Why there is no derivative at these operands, if there is none.
    #[must_use]
    pub fn kink(self, of: &[f64], table: &Table) -> Option<&'static str> {
        match (self, of) {
            (Self::SquareRoot, [a]) if *a <= 0.0 => Some("the square root has no derivative at zero"),
            (Self::SampleDeviation, of) if of.windows(2).all(|pair| pair[0] == pair[1]) => {
                Some("the standard deviation of equal values has no derivative")
            }
            (Self::Largest, of) => {
                let largest = self.value(of, table);
                let several = of.iter().filter(|x| **x == largest).count() > 1;
                several.then_some("several values are the largest: the derivative to one side is given")
            }
            (Self::Median, of) => {
                let mut sorted = of.to_vec();
                sorted.sort_by(f64::total_cmp);
                let (low, high) = ((sorted.len() - 1) / 2, sorted.len() / 2);
                let before = low.checked_sub(1).is_some_and(|at| sorted[at] == sorted[low]);
                let after = sorted.get(high + 1).is_some_and(|x| *x == sorted[high]);
                (before || after).then_some("several values are in the middle: the derivative to one side is given")
            }
            (Self::Interpolation(_), [x]) => {
                slope(table, *x).1.then_some("a point of the table: the slope of the segment below is given")
            }
            _ => None,
        }
    }
}

/// Share of a value in the median: of the value, or of the two, in the middle.
fn median_derivative(of: &[f64], to: usize) -> f64 {
    let mut order: Vec<usize> = (0..of.len()).collect();
    order.sort_by(|a, b| of[*a].total_cmp(&of[*b]));
    let (low, high) = (order[(of.len() - 1) / 2], order[of.len() / 2]);
    match (low == to, high == to) {
        (true, true) => 1.0,
        (true, false) | (false, true) => 0.5,
        (false, false) => 0.0,
    }
}

/// Slope of the segment that holds an argument, and whether the argument is where two slopes meet.
fn slope(table: &Table, x: f64) -> (f64, bool) {
    let of = |pair: &[(f64, f64)]| (pair[1].1 - pair[0].1) / (pair[1].0 - pair[0].0);
    let Some(at) = table.windows(2).position(|pair| x <= pair[1].0) else { return (0.0, !table.is_empty()) };
    let found = of(&table[at..=at + 1]);
    let at_end =
        table.first().is_some_and(|(first, _)| x == *first) || table.last().is_some_and(|(last, _)| x == *last);
    let next = table.get(at + 1..=at + 2).filter(|pair| pair[0].0 == x).map(of);
    (found, at_end || next.is_some_and(|next| next != found))
}
