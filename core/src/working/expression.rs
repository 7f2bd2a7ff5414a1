//! What a step computes, as a tree of operations on the step's inputs: the same that is evaluated, differentiated and
//! written into a spreadsheet.

use std::ops::{Add, Div, Mul, Sub};

use crate::chemistry::burette_correction;
use crate::statistics::summary::{Summary, median};

/// An operation on numbers and on the inputs of a step, which are named by their position.
#[derive(Debug, Clone, PartialEq)]
pub enum Expression {
    /// A number.
    Number(f64),
    /// The value of an input.
    Input(usize),
    /// Sum.
    Sum(Vec<Expression>),
    /// First less second.
    Difference(Box<Expression>, Box<Expression>),
    /// Product.
    Product(Vec<Expression>),
    /// First over second.
    Quotient(Box<Expression>, Box<Expression>),
    /// Square root.
    SquareRoot(Box<Expression>),
    /// Largest.
    Largest(Vec<Expression>),
    /// Arithmetic mean of inputs.
    Mean(Vec<usize>),
    /// Median of inputs.
    Median(Vec<usize>),
    /// Sample standard deviation of inputs.
    SampleDeviation(Vec<usize>),
    /// Linear interpolation at an input in a table of (argument, value) with rising arguments; no value outside it.
    Interpolated(usize, Vec<(f64, f64)>),
}

impl Expression {
    /// Its square root.
    #[must_use]
    pub fn square_root(self) -> Self {
        Self::SquareRoot(Box::new(self))
    }

    /// Its value; not a number where an input is missing or lies outside a table.
    #[must_use]
    pub fn value(&self, inputs: &[f64]) -> f64 {
        let input = |at: usize| inputs.get(at).copied().unwrap_or(f64::NAN);
        let all = |which: &[usize]| which.iter().map(|at| input(*at)).collect::<Vec<_>>();
        match self {
            Self::Number(number) => *number,
            Self::Input(at) => input(*at),
            Self::Sum(terms) => terms.iter().map(|term| term.value(inputs)).sum(),
            Self::Difference(a, b) => a.value(inputs) - b.value(inputs),
            Self::Product(factors) => factors.iter().map(|factor| factor.value(inputs)).product(),
            Self::Quotient(a, b) => a.value(inputs) / b.value(inputs),
            Self::SquareRoot(a) => a.value(inputs).sqrt(),
            Self::Largest(of) => of.iter().map(|one| one.value(inputs)).fold(f64::NEG_INFINITY, f64::max),
            Self::Mean(of) => all(of).iter().sum::<f64>() / of.len() as f64,
            Self::Median(of) => median(&all(of)).unwrap_or(f64::NAN),
            Self::SampleDeviation(of) => {
                Summary::of(&all(of)).and_then(|summary| summary.sample_sd()).unwrap_or(f64::NAN)
            }
            Self::Interpolated(at, table) => burette_correction(table, input(*at)).unwrap_or(f64::NAN),
        }
    }

    /// Partial derivative to an input; `None` where the operation has none everywhere (median, largest, tables).
    #[must_use]
    pub fn derivative(&self, to: usize) -> Option<Self> {
        Some(match self {
            Self::Number(_) => Self::Number(0.0),
            Self::Input(at) => Self::Number(if *at == to { 1.0 } else { 0.0 }),
            Self::Sum(terms) => sum(terms.iter().map(|term| term.derivative(to)).collect::<Option<Vec<_>>>()?),
            Self::Difference(a, b) => {
                let (a, b) = (a.derivative(to)?, b.derivative(to)?);
                if b == Self::Number(0.0) { a } else { sum(vec![a, product(vec![Self::Number(-1.0), b])]) }
            }
            Self::Product(factors) => {
                let mut terms = Vec::new();
                for (i, factor) in factors.iter().enumerate() {
                    let mut term = factors.clone();
                    term[i] = factor.derivative(to)?;
                    terms.push(product(term));
                }
                sum(terms)
            }
            Self::Quotient(a, b) => {
                let (above, below) = (a.derivative(to)?, b.derivative(to)?);
                let first = if above == Self::Number(0.0) { above } else { above / (**b).clone() };
                let share = (**a).clone() / product(vec![(**b).clone(), (**b).clone()]);
                sum(vec![first, product(vec![Self::Number(-1.0), below, share])])
            }
            Self::Mean(of) => {
                let times = of.iter().filter(|at| **at == to).count();
                Self::Number(times as f64 / of.len() as f64)
            }
            Self::SquareRoot(_)
            | Self::Largest(_)
            | Self::Median(_)
            | Self::SampleDeviation(_)
            | Self::Interpolated(..) => {
                return if self.reads(to) { None } else { Some(Self::Number(0.0)) };
            }
        })
    }

    /// Whether it depends on an input.
    fn reads(&self, input: usize) -> bool {
        match self {
            Self::Number(_) => false,
            Self::Input(at) | Self::Interpolated(at, _) => *at == input,
            Self::Sum(of) | Self::Product(of) | Self::Largest(of) => of.iter().any(|one| one.reads(input)),
            Self::Difference(a, b) | Self::Quotient(a, b) => a.reads(input) || b.reads(input),
            Self::SquareRoot(a) => a.reads(input),
            Self::Mean(of) | Self::Median(of) | Self::SampleDeviation(of) => of.contains(&input),
        }
    }
}

/// A sum without its zeros.
fn sum(mut terms: Vec<Expression>) -> Expression {
    terms.retain(|term| *term != Expression::Number(0.0));
    match terms.len() {
        0 => Expression::Number(0.0),
        1 => terms.remove(0),
        _ => Expression::Sum(terms),
    }
}

/// A product without its ones; zero where a factor is.
fn product(mut factors: Vec<Expression>) -> Expression {
    if factors.contains(&Expression::Number(0.0)) {
        return Expression::Number(0.0);
    }
    factors.retain(|factor| *factor != Expression::Number(1.0));
    match factors.len() {
        0 => Expression::Number(1.0),
        1 => factors.remove(0),
        _ => Expression::Product(factors),
    }
}

impl Add for Expression {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        match self {
            Self::Sum(mut terms) => {
                terms.push(other);
                Self::Sum(terms)
            }
            first => Self::Sum(vec![first, other]),
        }
    }
}

impl Sub for Expression {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::Difference(Box::new(self), Box::new(other))
    }
}

impl Mul for Expression {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        match self {
            Self::Product(mut factors) => {
                factors.push(other);
                Self::Product(factors)
            }
            first => Self::Product(vec![first, other]),
        }
    }
}

impl Div for Expression {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        Self::Quotient(Box::new(self), Box::new(other))
    }
}

#[cfg(test)]
mod tests {
    use super::Expression::{Input, Interpolated, Mean, Median, Number};

    /// Central differences of the value, which know nothing of the rules of differentiation.
    #[test]
    fn derivatives_agree_with_central_differences() {
        let model = (Input(0) - Input(1)) * Input(2) * Number(3.0) / (Input(1) * Input(3)) + Mean(vec![0, 0, 2]);
        let at = [23.18, 0.42, 0.0167, 25.0];
        for to in 0..4 {
            let found = model.derivative(to).unwrap().value(&at);
            let h = at[to] * 1e-5;
            let (mut up, mut down) = (at, at);
            up[to] += h;
            down[to] -= h;
            let expected = (model.value(&up) - model.value(&down)) / (2.0 * h);
            // Central differences: h² and rounding/h, both of the order 1e-10.
            assert!((found - expected).abs() <= 1e-8 * expected.abs().max(1.0), "{to}: {found} is not {expected}");
        }
    }

    #[test]
    fn what_has_no_derivative_says_so_and_a_table_ends_at_its_ends() {
        assert_eq!(Median(vec![0, 1]).derivative(0), None);
        assert_eq!(Median(vec![0, 1]).derivative(2), Some(Number(0.0)));
        let table = Interpolated(0, vec![(0.0, 0.0), (10.0, 0.02)]);
        assert_eq!(table.value(&[5.0]), 0.01);
        assert!(table.value(&[10.5]).is_nan() && table.derivative(0).is_none());
    }
}
