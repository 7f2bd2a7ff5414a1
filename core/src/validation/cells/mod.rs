//! Statistics of studies as expressions over the cells of a sheet: data in columns, derived figures in a table below them.
//!
//! An expression is written once, here. Its formula in a spreadsheet is printed from it, its value is computed from it, and the
//! symbols it speaks of are read from it; tests hold the value against the algorithms of [`statistics`](crate::statistics) that
//! the service reports, and the symbols against [`Statistic::formula`](super::Statistic::formula).
//!
//! Beside the graphs of [`expression`](super::expression()), which stay closed forms over single data with their records, these
//! have the aggregates, quantiles and tails that spreadsheet programs have, so that a sheet follows when a datum is changed.
//! Which function stands where is a matter of digits: some programs cut degrees of freedom to whole numbers, or take a
//! standard deviation about a line from differences of large sums; comments say so where another function was left alone.

mod formula;
mod lines;
mod near_zero;
mod pairs;
mod place;
mod scatter;
mod study;
#[cfg(test)]
mod symbols;
#[cfg(test)]
mod tests;
mod tree;
mod value;

pub use place::{Block, Column, Derived, Span};
pub use study::{Entry, Estimate, Planned, Shape, StudyCells};
pub use tree::Scalar;
pub use value::{Evaluation, Numbers};
