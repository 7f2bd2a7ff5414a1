//! An expression as the formula of a cell.
//!
//! Parentheses stand where the order of computation wants them and nowhere else, so that a spreadsheet rounds as the tree does.

use super::place::{Place, Range};
use super::tree::{Comparison, Function, Node, Operator, Scalar};

/// How tightly a text holds together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Binding {
    Sum,
    Product,
    Power,
    Atom,
}

impl Operator {
    const fn sign(self) -> (char, Binding) {
        match self {
            Self::Plus => ('+', Binding::Sum),
            Self::Minus => ('-', Binding::Sum),
            Self::Times => ('*', Binding::Product),
            Self::Over => ('/', Binding::Product),
            Self::Power => ('^', Binding::Power),
        }
    }
}

impl Comparison {
    const fn sign(self) -> &'static str {
        match self {
            Self::Equal => "=",
            Self::Less => "<",
            Self::AtLeast => ">=",
        }
    }
}

impl Function {
    /// Name that every spreadsheet program has, old ones too.
    const fn name(self) -> &'static str {
        match self {
            Self::Absolute => "ABS",
            Self::BetaBelow => "BETADIST",
            Self::BetaQuantile => "BETAINV",
            Self::ChiSquareTail => "CHIDIST",
            Self::ChiSquareUpperQuantile => "CHIINV",
            Self::Count => "COUNT",
            Self::FisherTail => "FDIST",
            Self::FisherUpperQuantile => "FINV",
            Self::GammaQuantile => "GAMMAINV",
            Self::Intercept => "INTERCEPT",
            Self::Largest => "MAX",
            Self::Mean => "AVERAGE",
            Self::NormalQuantile => "NORMSINV",
            Self::RSquared => "RSQ",
            Self::SampleDeviation => "STDEV",
            Self::SampleVariance => "VAR",
            Self::Slope => "SLOPE",
            Self::Smallest => "MIN",
            Self::SquareRoot => "SQRT",
            Self::SquaredDeviations => "DEVSQ",
            Self::StudentQuantile => "TINV",
            Self::StudentTail => "TDIST",
            Self::Sum => "SUM",
            Self::SumOfProducts => "SUMPRODUCT",
            Self::SumOfSquares => "SUMSQ",
        }
    }
}

impl Scalar {
    /// As the formula of a cell, without the sign that a formula begins with.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::validation::cells::Scalar;
    /// let one = Scalar::from(1.0);
    /// assert_eq!(((&one + 2.0) * 3.0 - (&one - 0.5)).formula(), "(1+2)*3-(1-0.5)");
    /// ```
    #[must_use]
    pub fn formula(&self) -> String {
        text(&self.0).0
    }
}

fn number(value: f64) -> (String, Binding) {
    // A minus before a power would belong to its base.
    (if value < 0.0 { format!("({value})") } else { value.to_string() }, Binding::Atom)
}

fn range(of: &Range) -> String {
    let (letter, first, last) = (of.letter, of.rows.first, of.rows.last);
    format!("${letter}${first}:${letter}${last}")
}

fn place(of: &Place) -> String {
    let (letter, row) = (of.letter, of.row);
    if of.fixed { format!("${letter}${row}") } else { format!("{letter}{row}") }
}

fn held(of: &Node, least: Binding) -> String {
    let (text, binding) = text(of);
    if binding >= least { text } else { format!("({text})") }
}

fn list(of: &[super::tree::Part]) -> String {
    of.iter().map(|part| text(part).0).collect::<Vec<_>>().join(",")
}

fn text(of: &Node) -> (String, Binding) {
    match of {
        Node::Number(value) | Node::Given(_, value) => number(*value),
        Node::Empty => ("\"\"".to_owned(), Binding::Atom),
        Node::Cell(at) => (place(at), Binding::Atom),
        Node::Range(at) => (range(at), Binding::Atom),
        Node::Across(places) => {
            let ends = [places.first(), places.last()].map(|end| end.map(place).unwrap_or_default());
            (ends.join(":"), Binding::Atom)
        }
        Node::Named(_, part) => text(part),
        // A minus belongs to what follows it, before any power.
        Node::Negative(part) => (format!("(-{})", held(part, Binding::Atom)), Binding::Atom),
        Node::Operation(operator, a, b) => {
            let (sign, binding) = operator.sign();
            let (left, right) = match binding {
                Binding::Sum => (Binding::Sum, Binding::Product),
                Binding::Product => (Binding::Product, Binding::Power),
                // Programs differ in which of two powers comes first.
                Binding::Power | Binding::Atom => (Binding::Atom, Binding::Atom),
            };
            (format!("{}{sign}{}", held(a, left), held(b, right)), binding)
        }
        Node::Call(function, of) => (format!("{}({})", function.name(), list(of)), Binding::Atom),
        Node::Choice(comparison, [a, b, holds, otherwise]) => {
            let [a, b, holds, otherwise] = [a, b, holds, otherwise].map(|part| text(part).0);
            (format!("IF({a}{}{b},{holds},{otherwise})", comparison.sign()), Binding::Atom)
        }
    }
}
