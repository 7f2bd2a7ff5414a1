//! A calculation as a graph of typed quantities: written once, on a [`Sheet`], and computed while it is written.
//!
//! A node is a recorded fact, a number that a published source states, or an operation on nodes before it. One pass
//! backwards gives the derivative of a result to every uncertain input. A [`Working`] is what a result rests on, as a
//! document: formula in symbols, the same with numbers, spreadsheet cells and pages are all printed from its nodes, and
//! nothing else writes any of them.

mod derivative;
mod document;
mod formula;
mod handle;
mod operation;
mod partial;
mod quantity;
mod sheet;
mod source;

pub use derivative::{Estimate, Sensitivities};
pub use document::{OwnedFact, UncertainNode, Working, WorkingNode};
pub use formula::Cells;
pub use handle::Handle;
pub(crate) use handle::Number;
pub use operation::{Operation, Table};
pub use quantity::{ContentUnit, Index, Label, Quantity};
pub use sheet::{Digits, Fact, Identity, Leaf, Origin, Sheet};
pub use source::Source;

/// The table of an interpolation; empty for any other operation.
fn table_of<T: AsRef<[(f64, f64)]>>(operation: Operation, tables: &[T]) -> &Table {
    match operation {
        Operation::Interpolation(at) => tables.get(at as usize).map(AsRef::as_ref).unwrap_or_default(),
        _ => &[],
    }
}
