//! The tree as rows that refer to each other: what a spreadsheet, or a check by another program, is written from.

use crate::working::{Expression, Step};

/// A step as a row.
#[derive(Debug, Clone, PartialEq)]
pub struct Row<'a> {
    /// The step.
    pub step: &'a Step,
    /// Rows of its inputs, in their order.
    pub inputs: Vec<usize>,
    /// Row of its standard uncertainty, for an input of the budget.
    pub u: Option<usize>,
    /// Rows that read it, with their partial derivatives to it in terms of *their* inputs; empty where nothing of the
    /// budget hangs on it. The sensitivity of the result to the row is the sum of theirs, each times its derivative.
    pub readers: Vec<(usize, Expression)>,
}

impl Step {
    /// Every step once as a row; what is needed first comes first, the last row is the step itself.
    ///
    /// # Formula
    /// dy/dx = sum over the rows p that read x of dy/dp dp/dx (the chain rule, from the result backwards)
    #[must_use]
    pub fn rows(&self) -> Vec<Row<'_>> {
        let steps = self.steps();
        let at = |step: &Step| steps.iter().position(|other| *other == step);
        let mut rows: Vec<Row<'_>> = steps
            .iter()
            .map(|step| Row {
                step,
                inputs: step.inputs.iter().filter_map(at).collect(),
                u: step.uncertain.as_ref().and_then(|uncertain| at(&uncertain.u)),
                readers: Vec::new(),
            })
            .collect();
        let carries = carries(&rows);
        for reader in 0..rows.len() {
            // What is below an input of the budget acts through that input's own uncertainty.
            if rows[reader].u.is_some() || !carries[reader] {
                continue;
            }
            let Some(expression) = &rows[reader].step.expression else { continue };
            for (position, input) in rows[reader].inputs.clone().into_iter().enumerate() {
                if let Some(derivative) = carries[input].then(|| expression.derivative(position)).flatten() {
                    rows[input].readers.push((reader, derivative));
                }
            }
        }
        rows
    }
}

/// Whether a row is an input of the budget or depends on one.
fn carries(rows: &[Row<'_>]) -> Vec<bool> {
    let mut carries = vec![false; rows.len()];
    for (at, row) in rows.iter().enumerate() {
        carries[at] = row.u.is_some() || row.inputs.iter().any(|input| carries[*input]);
    }
    carries
}
