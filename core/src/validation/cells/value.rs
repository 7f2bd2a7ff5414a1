//! The value of an expression, as a spreadsheet program computes it, from the same cells.
//!
//! Sums are taken about the first number or the mean, in double precision; distributions are those of
//! [`distribution`](crate::statistics::distribution). Where a spreadsheet program cuts degrees of freedom to a whole number,
//! so does this: an expression that hands a fraction to such a function has another value than the service.

use std::cell::RefCell;
use std::collections::HashMap;

use super::place::Column;
use super::study::{Entry, StudyCells};
use super::tree::{Comparison, Function, Node, Operator, Part, Scalar};
use crate::statistics::distribution::{
    Beta, ChiSquared, FisherF, Normal, StudentT, chi_square_quantile, chi_square_sf, student_t_sf,
};

/// The numbers in the columns of data.
pub trait Numbers {
    /// The number in a column, by the row of the sheet; none where the cell has none.
    fn number(&self, column: Column, row: usize) -> Option<f64>;
}

/// Computes expressions over the data and the derived figures of a sheet.
pub struct Evaluation<'a> {
    cells: &'a StudyCells,
    data: &'a dyn Numbers,
    /// Figures of the table that are computed already, by column and row.
    known: RefCell<HashMap<(u8, usize), f64>>,
}

/// A number, or one for every row of a range.
#[derive(Debug, Clone)]
enum Value {
    One(f64),
    Many(Vec<f64>),
}

impl Value {
    fn numbers(self) -> Vec<f64> {
        match self {
            Self::One(one) => vec![one],
            Self::Many(many) => many,
        }
    }

    fn each(self, of: impl Fn(f64) -> f64) -> Self {
        match self {
            Self::One(one) => Self::One(of(one)),
            Self::Many(many) => Self::Many(many.into_iter().map(of).collect()),
        }
    }

    fn with(self, other: Self, of: impl Fn(f64, f64) -> f64) -> Self {
        match (self, other) {
            (Self::Many(a), Self::Many(b)) => Self::Many(a.into_iter().zip(b).map(|(a, b)| of(a, b)).collect()),
            (a, Self::One(b)) => a.each(|a| of(a, b)),
            (Self::One(a), b) => b.each(|b| of(a, b)),
        }
    }
}

impl<'a> Evaluation<'a> {
    /// Of a sheet's expressions over these data.
    #[must_use]
    pub fn new(cells: &'a StudyCells, data: &'a dyn Numbers) -> Self {
        Self { cells, data, known: RefCell::default() }
    }

    /// Value of an expression; not a number where there is none.
    #[must_use]
    pub fn value(&self, of: &Scalar) -> f64 {
        self.one(&of.0)
    }

    fn one(&self, of: &Part) -> f64 {
        match self.part(of) {
            Value::One(one) => one,
            Value::Many(_) => f64::NAN,
        }
    }

    fn part(&self, of: &Node) -> Value {
        match of {
            Node::Number(value) | Node::Given(_, value) => Value::One(*value),
            Node::Empty => Value::One(f64::NAN),
            Node::Cell(at) => Value::One(self.cell(at.column, at.row)),
            Node::Range(at) => {
                Value::Many((at.rows.first..=at.rows.last).map(|row| self.cell(at.column, row)).collect())
            }
            Node::Across(places) => Value::Many(places.iter().map(|at| self.cell(at.column, at.row)).collect()),
            Node::Named(_, part) => self.part(part),
            Node::Negative(part) => self.part(part).each(|x| -x),
            Node::Operation(operator, a, b) => self.part(a).with(self.part(b), |a, b| operator.of(a, b)),
            Node::Call(Function::Absolute, of) => self.part(&of[0]).each(f64::abs),
            Node::Call(function, of) => {
                Value::One(function.of(of.iter().map(|part| self.part(part).numbers()).collect()))
            }
            Node::Choice(comparison, [a, b, holds, otherwise]) => {
                let (a, b) = (self.one(a), self.one(b));
                match comparison.holds(a, b) {
                    Some(true) => self.part(holds),
                    Some(false) => self.part(otherwise),
                    None => Value::One(f64::NAN),
                }
            }
        }
    }

    fn cell(&self, column: Column, row: usize) -> f64 {
        let Column::Derived(derived) = column else { return self.data.number(column, row).unwrap_or(f64::NAN) };
        let place = (derived.at(), row);
        if let Some(known) = self.known.borrow().get(&place) {
            return *known;
        }
        let value = match self.cells.entry(derived.at(), row) {
            Some(Entry::Formula(formula)) => self.value(formula),
            Some(Entry::Number(number)) => *number,
            _ => f64::NAN,
        };
        self.known.borrow_mut().insert(place, value);
        value
    }
}

impl Operator {
    fn of(self, a: f64, b: f64) -> f64 {
        match self {
            Self::Plus => a + b,
            Self::Minus => a - b,
            Self::Times => a * b,
            Self::Over => a / b,
            Self::Power => a.powf(b),
        }
    }
}

impl Comparison {
    fn holds(self, a: f64, b: f64) -> Option<bool> {
        let order = a.partial_cmp(&b)?;
        Some(match self {
            Self::Equal => order.is_eq(),
            Self::Less => order.is_lt(),
            Self::AtLeast => order.is_ge(),
        })
    }
}

fn mean(of: &[f64]) -> f64 {
    let first = of.first().copied().unwrap_or(f64::NAN);
    first + of.iter().map(|x| x - first).sum::<f64>() / of.len() as f64
}

/// Sum of products of deviations from the means.
fn deviations(a: &[f64], b: &[f64]) -> f64 {
    let (mean_a, mean_b) = (mean(a), mean(b));
    a.iter().zip(b).map(|(a, b)| (a - mean_a) * (b - mean_b)).sum()
}

fn variance(of: &[f64]) -> f64 {
    deviations(of, of) / (of.len() as f64 - 1.0)
}

/// As spreadsheet programs take degrees of freedom.
fn cut(dof: f64) -> f64 {
    dof.floor()
}

impl Function {
    /// Of ranges, and of single numbers as ranges of one.
    fn of(self, of: Vec<Vec<f64>>) -> f64 {
        match (self, of.as_slice()) {
            (Self::Largest, of) => of.iter().flatten().copied().fold(f64::NEG_INFINITY, f64::max),
            (Self::Smallest, of) => of.iter().flatten().copied().fold(f64::INFINITY, f64::min),
            (Self::SumOfProducts, [a, b]) => a.iter().zip(b).map(|(a, b)| a * b).sum(),
            (Self::SumOfProducts | Self::Sum, [x]) => x.iter().sum(),
            (Self::Count, [x]) => x.len() as f64,
            (Self::Mean, [x]) => mean(x),
            (Self::SumOfSquares, [x]) => x.iter().map(|x| x * x).sum(),
            (Self::SquaredDeviations, [x]) => deviations(x, x),
            (Self::SampleVariance, [x]) => variance(x),
            (Self::SampleDeviation, [x]) => variance(x).sqrt(),
            (Self::Slope, [y, x]) => deviations(x, y) / deviations(x, x),
            (Self::Intercept, [y, x]) => mean(y) - deviations(x, y) / deviations(x, x) * mean(x),
            (Self::RSquared, [y, x]) => deviations(x, y).powi(2) / (deviations(x, x) * deviations(y, y)),
            (Self::SquareRoot, [x]) => x.first().map_or(f64::NAN, |x| x.sqrt()),
            (_, single) => {
                let single: Vec<f64> = single.iter().filter_map(|of| of.first().copied()).collect();
                self.of_distribution(&single).unwrap_or(f64::NAN)
            }
        }
    }

    fn of_distribution(self, of: &[f64]) -> Option<f64> {
        match (self, of) {
            (Self::BetaBelow, [x, a, b]) => Some(Beta::new(*a, *b).ok()?.cdf(*x)),
            (Self::BetaQuantile, [p, a, b]) => Beta::new(*a, *b).ok()?.quantile(*p).ok(),
            (Self::GammaQuantile, [p, shape, scale]) => Some(chi_square_quantile(*p, 2.0 * shape).ok()? * scale / 2.0),
            (Self::NormalQuantile, [p]) => Normal.quantile(*p).ok(),
            (Self::ChiSquareTail, [x, dof]) => chi_square_sf(*x, cut(*dof)).ok(),
            (Self::ChiSquareUpperQuantile, [p, dof]) => ChiSquared::new(cut(*dof)).ok()?.upper_quantile(*p).ok(),
            (Self::FisherTail, [f, above, below]) if *f >= 0.0 => {
                Some(FisherF::new(cut(*above), cut(*below)).ok()?.sf(*f))
            }
            (Self::FisherUpperQuantile, [p, above, below]) => {
                FisherF::new(cut(*above), cut(*below)).ok()?.upper_quantile(*p).ok()
            }
            (Self::StudentQuantile, [alpha, dof]) => StudentT::new(cut(*dof)).ok()?.upper_quantile(alpha / 2.0).ok(),
            (Self::StudentTail, [t, dof, tails]) if *t >= 0.0 => Some(tails * student_t_sf(*t, cut(*dof)).ok()?),
            _ => None,
        }
    }
}
