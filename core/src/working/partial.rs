//! Sensitivities of a result along the lines of its working, as numbers and as formulas of a spreadsheet.

use crate::working::document::Working;
use crate::working::formula::{Cells, Notation, Writer};
use crate::working::operation::Operation;

impl Working {
    /// Values of the operands of a node.
    #[must_use]
    pub fn operand_values(&self, of: usize) -> Vec<f64> {
        self.nodes()[of].operands.iter().map(|operand| self.nodes()[*operand].value).collect()
    }

    /// Why a node has no derivative to its operands at these values, if it has none.
    #[must_use]
    pub fn kink(&self, of: usize) -> Option<&'static str> {
        let operation = self.nodes()[of].operation;
        operation.kink(&self.operand_values(of), self.table(operation))
    }

    /// Partial derivatives of a node to its operands.
    #[must_use]
    pub fn partials(&self, of: usize) -> Vec<f64> {
        let node = &self.nodes()[of];
        let values = self.operand_values(of);
        let table = self.table(node.operation);
        (0..values.len()).map(|to| node.operation.derivative(&values, table, node.value, to)).collect()
    }

    /// Which nodes are inputs of the budget or depend on one.
    #[must_use]
    pub fn carries(&self) -> Vec<bool> {
        let mut carries = vec![false; self.nodes().len()];
        for (at, node) in self.nodes().iter().enumerate() {
            carries[at] = node.uncertain.is_some() || node.operands.iter().any(|operand| carries[*operand]);
        }
        carries
    }

    /// Derivative of the result to every node; what is below an input of the budget acts through that input alone.
    #[must_use]
    pub fn sensitivities(&self) -> Vec<f64> {
        let mut found = vec![0.0; self.nodes().len()];
        if let Some(last) = found.last_mut() {
            *last = 1.0;
        }
        for at in (0..self.nodes().len()).rev() {
            let node = &self.nodes()[at];
            if node.uncertain.is_some() {
                continue;
            }
            for (operand, partial) in node.operands.iter().zip(self.partials(at)) {
                found[*operand] += found[at] * partial;
            }
        }
        found
    }

    /// Lines that read a line, with the derivative of each to it as a formula of cells.
    ///
    /// Only where something of the budget acts through it. The sensitivity of the result to a line is the sum over its readers
    /// of their own times this.
    #[must_use]
    pub fn readers(&self, cells: &dyn Cells) -> Vec<Vec<(usize, String)>> {
        let carries = self.carries();
        let mut readers = vec![Vec::new(); self.nodes().len()];
        for reader in self.lines() {
            if self.nodes()[reader].uncertain.is_some() {
                continue;
            }
            for input in self.inputs(reader).into_iter().filter(|input| carries[*input]) {
                let writer = Writer { working: self, notation: Notation::Cells(cells) };
                if let Some(derivative) = writer.derivative(reader, reader, input) {
                    readers[input].push((reader, derivative));
                }
            }
        }
        readers
    }
}

impl Writer<'_> {
    /// Derivative of a part of the formula of `root` to a line, in cells; none where it does not depend on it.
    fn derivative(&self, root: usize, at: usize, to: usize) -> Option<String> {
        if at == to {
            return Some("1".to_owned());
        }
        let node = &self.working.nodes()[at];
        if at != root && node.label.is_some() {
            return None;
        }
        let partials = self.working.partials(at);
        let mut terms = Vec::new();
        for (place, operand) in node.operands.iter().enumerate() {
            let Some(inner) = self.derivative(root, *operand, to) else { continue };
            let outer = self.outer(at, place, partials[place]);
            terms.push(match (inner.as_str(), outer.as_str()) {
                ("1", _) => outer,
                (_, "1") => inner,
                _ => format!("{inner}*{outer}"),
            });
        }
        match terms.len() {
            0 => None,
            1 => terms.pop(),
            _ => Some(format!("({})", terms.join("+"))),
        }
    }

    /// Derivative of an operation to its operand at a place, in cells.
    fn outer(&self, at: usize, place: usize, partial: f64) -> String {
        let node = &self.working.nodes()[at];
        let others = || {
            let others = node.operands.iter().enumerate().filter(|(other, _)| *other != place);
            others.map(|(_, operand)| self.held(*operand)).collect::<Vec<_>>()
        };
        match (node.operation, place) {
            (Operation::Sum, _) | (Operation::Difference, 0) => "1".to_owned(),
            (Operation::Difference, _) => "(-1)".to_owned(),
            (Operation::Product, _) if node.operands.len() > 1 => others().join("*"),
            (Operation::Quotient, 0) => format!("(1/{})", self.held(node.operands[1])),
            (Operation::Quotient, _) => {
                let (above, below) = (self.held(node.operands[0]), self.held(node.operands[1]));
                format!("(-{above}/({below}*{below}))")
            }
            (Operation::SquareRoot, _) => format!("(0.5/SQRT({}))", self.held(node.operands[0])),
            (Operation::Mean, _) => format!("(1/{})", node.operands.len()),
            // Exact at these values; a cell that changes which value is the middle or the largest is not followed.
            _ => {
                if partial < 0.0 {
                    format!("({partial})")
                } else {
                    partial.to_string()
                }
            }
        }
    }
}
