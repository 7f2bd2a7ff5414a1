//! The language: expressions over cells, either one number or as many as a range has rows.

use std::ops::{Add, Div, Mul, Sub};
use std::sync::Arc;

use super::place::{Place, Range};
use crate::validation::{Statistic, StudyTerm};

/// Two operands in between which a sign stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Operator {
    Plus,
    Minus,
    Times,
    Over,
    Power,
}

/// How two numbers are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Comparison {
    Equal,
    Less,
    AtLeast,
}

/// What spreadsheet programs have by a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Function {
    Absolute,
    /// Distribution function of the beta distribution: x, shapes.
    BetaBelow,
    /// Quantile of the beta distribution: probability, shapes.
    BetaQuantile,
    /// P(X > x) of chi-square: x, whole degrees of freedom.
    ChiSquareTail,
    /// x with P(X > x): probability, whole degrees of freedom.
    ChiSquareUpperQuantile,
    Count,
    /// P(F > f): f, whole degrees of freedom.
    FisherTail,
    /// f with P(F > f): probability, whole degrees of freedom.
    FisherUpperQuantile,
    /// Quantile of the gamma distribution: probability, shape, scale.
    GammaQuantile,
    Intercept,
    Largest,
    Mean,
    NormalQuantile,
    RSquared,
    SampleDeviation,
    SampleVariance,
    Slope,
    Smallest,
    SquareRoot,
    SquaredDeviations,
    /// t with P(|T| > t): probability, whole degrees of freedom.
    StudentQuantile,
    /// P(T > t), or P(|T| > t) for two tails, t from 0 on: t, whole degrees of freedom, tails.
    StudentTail,
    Sum,
    SumOfProducts,
    SumOfSquares,
}

/// What a part of an expression is known as where others refer to it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Name {
    Statistic(Statistic),
    SquareOf(Statistic),
    Term(StudyTerm),
}

/// A part of an expression.
pub(super) type Part = Arc<Node>;

/// What a part is.
#[derive(Debug, PartialEq)]
pub(super) enum Node {
    /// A number of the formula, or a count.
    Number(f64),
    /// A number of the plan.
    Given(StudyTerm, f64),
    /// Nothing: a cell that stays empty.
    Empty,
    Cell(Place),
    Range(Range),
    /// Cells of one row beside each other.
    Across(Vec<Place>),
    /// A part with a name, written out.
    Named(Name, Part),
    Operation(Operator, Part, Part),
    Negative(Part),
    Call(Function, Vec<Part>),
    /// Two numbers that are compared; what stands where that holds, and where not.
    Choice(Comparison, [Part; 4]),
}

/// An expression that is one number.
#[derive(Debug, Clone, PartialEq)]
pub struct Scalar(pub(super) Part);

/// An expression with a number for every row of a range.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Array(pub(super) Part);

fn call(function: Function, of: &[&Part]) -> Part {
    Arc::new(Node::Call(function, of.iter().map(|part| Part::clone(part)).collect()))
}

fn operation(operator: Operator, a: &Part, b: &Part) -> Part {
    Arc::new(Node::Operation(operator, Part::clone(a), Part::clone(b)))
}

impl From<f64> for Scalar {
    fn from(number: f64) -> Self {
        Self(Arc::new(Node::Number(number)))
    }
}

impl From<usize> for Scalar {
    fn from(count: usize) -> Self {
        Self::from(count as f64)
    }
}

impl From<&Self> for Scalar {
    fn from(of: &Self) -> Self {
        of.clone()
    }
}

macro_rules! operators {
    ($($trait:ident, $method:ident, $operator:ident;)*) => {$(
        impl<R: Into<Scalar>> $trait<R> for Scalar {
            type Output = Scalar;
            fn $method(self, other: R) -> Scalar {
                Scalar(operation(Operator::$operator, &self.0, &other.into().0))
            }
        }
        impl<R: Into<Scalar>> $trait<R> for &Scalar {
            type Output = Scalar;
            fn $method(self, other: R) -> Scalar {
                Scalar(operation(Operator::$operator, &self.0, &other.into().0))
            }
        }
        impl $trait<Scalar> for f64 {
            type Output = Scalar;
            fn $method(self, other: Scalar) -> Scalar {
                Scalar(operation(Operator::$operator, &Scalar::from(self).0, &other.0))
            }
        }
        impl $trait<&Scalar> for f64 {
            type Output = Scalar;
            fn $method(self, other: &Scalar) -> Scalar {
                Scalar(operation(Operator::$operator, &Scalar::from(self).0, &other.0))
            }
        }
    )*};
}

operators! {
    Add, add, Plus;
    Sub, sub, Minus;
    Mul, mul, Times;
    Div, div, Over;
}

impl Scalar {
    /// A number of the plan.
    pub(super) fn given(term: StudyTerm, value: f64) -> Self {
        Self(Arc::new(Node::Given(term, value)))
    }

    /// Nothing.
    pub(super) fn empty() -> Self {
        Self(Arc::new(Node::Empty))
    }

    /// A cell.
    pub(super) fn cell(place: Place) -> Self {
        Self(Arc::new(Node::Cell(place)))
    }

    /// The same, known as a statistic where others refer to it.
    pub(super) fn named(&self, of: Statistic) -> Self {
        self.known_as(Name::Statistic(of))
    }

    /// The same, known by a name.
    pub(super) fn known_as(&self, name: Name) -> Self {
        Self(Arc::new(Node::Named(name, Part::clone(&self.0))))
    }

    fn function(function: Function, of: &[&Self]) -> Self {
        Self(call(function, &of.iter().map(|scalar| &scalar.0).collect::<Vec<_>>()))
    }

    pub(super) fn negative(&self) -> Self {
        Self(Arc::new(Node::Negative(Part::clone(&self.0))))
    }

    pub(super) fn power(&self, exponent: f64) -> Self {
        Self(operation(Operator::Power, &self.0, &Self::from(exponent).0))
    }

    pub(super) fn absolute(&self) -> Self {
        Self::function(Function::Absolute, &[self])
    }

    pub(super) fn root(&self) -> Self {
        Self::function(Function::SquareRoot, &[self])
    }

    pub(super) fn largest(&self, other: &Self) -> Self {
        Self::function(Function::Largest, &[self, other])
    }

    pub(super) fn smallest(&self, other: &Self) -> Self {
        Self::function(Function::Smallest, &[self, other])
    }

    /// One of two, by how this compares with another.
    pub(super) fn choice(&self, comparison: Comparison, with: &Self, holds: &Self, otherwise: &Self) -> Self {
        let parts = [self, with, holds, otherwise].map(|scalar| Part::clone(&scalar.0));
        Self(Arc::new(Node::Choice(comparison, parts)))
    }
}

/// Distributions. Spreadsheet programs cut degrees of freedom of t, F and chi-square to whole numbers; beta and gamma take any.
impl Scalar {
    /// Two-sided quantile of Student's t for whole degrees of freedom.
    pub(super) fn student(alpha: f64, dof: usize) -> Self {
        Self::function(Function::StudentQuantile, &[&alpha.into(), &dof.into()])
    }

    /// The same for degrees of freedom that need not be whole, from the beta distribution; unlimited without them.
    pub(super) fn student_of(alpha: f64, dof: Option<f64>) -> Self {
        match dof.map(Self::from) {
            Some(dof) => {
                let beta = Self::function(Function::BetaQuantile, &[&alpha.into(), &(&dof / 2.0), &0.5.into()]);
                (dof * (1.0 / beta - 1.0)).root()
            }
            None => Self::function(Function::NormalQuantile, &[&(1.0 - alpha / 2.0).into()]),
        }
    }

    /// P(T > t); the function of spreadsheets takes t from 0 on only.
    pub(super) fn student_tail(&self, dof: usize) -> Self {
        let tail = Self::function(Function::StudentTail, &[&self.absolute(), &dof.into(), &1.0.into()]);
        self.choice(Comparison::AtLeast, &0.0.into(), &tail, &(1.0 - &tail))
    }

    /// P(|T| > |t|).
    pub(super) fn student_tails(&self, dof: usize) -> Self {
        Self::function(Function::StudentTail, &[&self.absolute(), &dof.into(), &2.0.into()])
    }

    /// P(F > f) for whole degrees of freedom.
    pub(super) fn fisher_tail(&self, above: usize, below: usize) -> Self {
        Self::function(Function::FisherTail, &[self, &above.into(), &below.into()])
    }

    /// The same where the degrees of freedom below need not be whole; unlimited without them.
    pub(super) fn fisher_tail_of(&self, above: usize, below: Option<f64>) -> Self {
        let above = Self::from(above);
        match below.map(Self::from) {
            Some(below) => {
                let x = &below / (&below + &above * self);
                Self::function(Function::BetaBelow, &[&x, &(below / 2.0), &(above / 2.0)])
            }
            None => Self::function(Function::ChiSquareTail, &[&(&above * self), &above]),
        }
    }

    /// f with P(F > f) = p, for whole degrees of freedom.
    pub(super) fn fisher(p: f64, above: usize, below: usize) -> Self {
        Self::function(Function::FisherUpperQuantile, &[&p.into(), &above.into(), &below.into()])
    }

    /// x with P(X > x) = p of chi-square, for whole degrees of freedom.
    pub(super) fn chi_square(p: f64, dof: usize) -> Self {
        Self::function(Function::ChiSquareUpperQuantile, &[&p.into(), &dof.into()])
    }

    /// x with P(X < x) = p of chi-square whose degrees of freedom need not be whole, from the gamma distribution.
    pub(super) fn chi_square_of(p: f64, dof: &Self) -> Self {
        Self::function(Function::GammaQuantile, &[&p.into(), &(dof / 2.0), &2.0.into()])
    }
}

impl Array {
    /// The cells of a range.
    pub(super) fn range(range: Range) -> Self {
        Self(Arc::new(Node::Range(range)))
    }

    /// Cells of one row beside each other.
    pub(super) fn across(places: Vec<Place>) -> Self {
        Self(Arc::new(Node::Across(places)))
    }

    fn over(&self, function: Function) -> Scalar {
        Scalar(call(function, &[&self.0]))
    }

    pub(super) fn count(&self) -> Scalar {
        self.over(Function::Count)
    }

    pub(super) fn sum(&self) -> Scalar {
        self.over(Function::Sum)
    }

    pub(super) fn mean(&self) -> Scalar {
        self.over(Function::Mean)
    }

    pub(super) fn sum_of_squares(&self) -> Scalar {
        self.over(Function::SumOfSquares)
    }

    pub(super) fn squared_deviations(&self) -> Scalar {
        self.over(Function::SquaredDeviations)
    }

    pub(super) fn sample_deviation(&self) -> Scalar {
        self.over(Function::SampleDeviation)
    }

    pub(super) fn sample_variance(&self) -> Scalar {
        self.over(Function::SampleVariance)
    }

    /// Root mean square.
    pub(super) fn root_mean_square(&self) -> Scalar {
        (self.sum_of_squares() / self.count()).root()
    }

    /// Slope of the line of this on x.
    pub(super) fn slope(&self, x: &Self) -> Scalar {
        Scalar(call(Function::Slope, &[&self.0, &x.0]))
    }

    /// Intercept of the line of this on x.
    pub(super) fn intercept(&self, x: &Self) -> Scalar {
        Scalar(call(Function::Intercept, &[&self.0, &x.0]))
    }

    /// Share of the squared deviations of this that the line on x explains.
    pub(super) fn r_squared(&self, x: &Self) -> Scalar {
        Scalar(call(Function::RSquared, &[&self.0, &x.0]))
    }

    /// Sum of products, row by row.
    pub(super) fn products(&self, other: &Self) -> Scalar {
        Scalar(call(Function::SumOfProducts, &[&self.0, &other.0]))
    }

    /// Sum of all. What is computed row by row inside it is an array in every program, and only there.
    pub(super) fn added_up(&self) -> Scalar {
        self.over(Function::SumOfProducts)
    }

    /// Largest without its sign.
    pub(super) fn largest_absolute(&self) -> Scalar {
        let largest = call(Function::Largest, &[&call(Function::Absolute, &[&self.0])]);
        Scalar(call(Function::SumOfProducts, &[&largest]))
    }

    /// Less a number, in every row.
    pub(super) fn less(&self, number: &Scalar) -> Self {
        Self(operation(Operator::Minus, &self.0, &number.0))
    }

    /// What is left of a line with that intercept and slope on x.
    pub(super) fn off_line(&self, intercept: &Scalar, slope: &Scalar, x: &Self) -> Self {
        let rise = operation(Operator::Times, &slope.0, &x.0);
        Self(operation(Operator::Minus, &self.less(intercept).0, &rise))
    }

    pub(super) fn squared(&self) -> Self {
        Self(operation(Operator::Power, &self.0, &Scalar::from(2.0).0))
    }
}
