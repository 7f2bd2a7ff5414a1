//! An expression as text: in symbols, with numbers put in, or as the formula of a spreadsheet's cell.

use crate::working::document::Working;
use crate::working::operation::{Operation, Table};

/// Where a spreadsheet keeps what formulas refer to.
pub trait Cells {
    /// Cell of a named node.
    fn cell(&self, node: usize) -> String;
    /// Interpolation at a cell or expression in a table, by its place in [`Working::tables`].
    fn interpolation(&self, table: usize, at: &str) -> String;
}

/// How the parts of an expression are written.
pub(super) enum Notation<'c> {
    /// Symbols, factors beside each other.
    Symbols,
    /// Values, or digits as entered.
    Numbers,
    /// Cells.
    Cells(&'c dyn Cells),
}

/// How tightly an expression holds together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Binding {
    Sum,
    Product,
    Atom,
}

pub(super) struct Writer<'w> {
    pub(super) working: &'w Working,
    pub(super) notation: Notation<'w>,
}

impl Working {
    /// The formula of a node in symbols; empty for a leaf.
    #[must_use]
    pub fn formula(&self, of: usize) -> String {
        Writer { working: self, notation: Notation::Symbols }.operation(of)
    }

    /// The formula of a node with numbers put in; empty for a leaf.
    #[must_use]
    pub fn numbers(&self, of: usize) -> String {
        Writer { working: self, notation: Notation::Numbers }.operation(of)
    }

    /// The formula of a node in cells; empty for a leaf.
    #[must_use]
    pub fn cell_formula(&self, of: usize, cells: &dyn Cells) -> String {
        Writer { working: self, notation: Notation::Cells(cells) }.operation(of)
    }

    /// Table of an operation.
    #[must_use]
    pub fn table(&self, operation: Operation) -> &Table {
        super::table_of(operation, self.tables())
    }
}

impl Writer<'_> {
    /// What a node computes; empty for a leaf.
    fn operation(&self, of: usize) -> String {
        if self.working.nodes()[of].operation.computes() { self.expression(of).0 } else { String::new() }
    }

    /// A node as it stands in a formula: by its name, or as the expression it is.
    fn part(&self, at: usize) -> (String, Binding) {
        let node = &self.working.nodes()[at];
        if node.label.is_none() && node.operation.computes() {
            return self.expression(at);
        }
        if node.label.is_none() || matches!(self.notation, Notation::Numbers) {
            let text = node.entered.clone().unwrap_or_else(|| node.value.to_string());
            return if text.starts_with('-') { (format!("({text})"), Binding::Atom) } else { (text, Binding::Atom) };
        }
        match &self.notation {
            Notation::Cells(cells) => (cells.cell(at), Binding::Atom),
            _ => (node.symbol.clone(), Binding::Atom),
        }
    }

    pub(super) fn held(&self, at: usize) -> String {
        let (text, binding) = self.part(at);
        if binding == Binding::Atom { text } else { format!("({text})") }
    }

    fn expression(&self, at: usize) -> (String, Binding) {
        let node = &self.working.nodes()[at];
        let of = &node.operands;
        let list = || of.iter().map(|operand| self.part(*operand).0).collect::<Vec<_>>().join(self.comma());
        let cells = matches!(self.notation, Notation::Cells(_));
        let function =
            |plain: &str, cell: &str| (format!("{}({})", if cells { cell } else { plain }, list()), Binding::Atom);
        match node.operation {
            Operation::Leaf | Operation::Number => self.part(at),
            Operation::Sum | Operation::Difference => self.sum(at),
            Operation::Product | Operation::Quotient => self.product(at),
            Operation::SquareRoot => function("sqrt", "SQRT"),
            Operation::Largest => function("max", "MAX"),
            Operation::Mean => function("mean", "AVERAGE"),
            Operation::Median => function("median", "MEDIAN"),
            Operation::SampleDeviation => function("s", "STDEV"),
            Operation::Interpolation(table) => match &self.notation {
                Notation::Cells(cells) => (cells.interpolation(table as usize, &list()), Binding::Atom),
                _ => function("table", ""),
            },
        }
    }

    fn comma(&self) -> &'static str {
        if matches!(self.notation, Notation::Cells(_)) { "," } else { ", " }
    }

    fn sum(&self, at: usize) -> (String, Binding) {
        let node = &self.working.nodes()[at];
        let (plus, minus) = match self.notation {
            Notation::Cells(_) => ("+", "-"),
            _ => (" + ", " - "),
        };
        let mut text = String::new();
        for (place, operand) in node.operands.iter().enumerate() {
            let part = &self.working.nodes()[*operand];
            let subtracted = place > 0 && node.operation == Operation::Difference;
            if place > 0
                && !subtracted
                && part.label.is_none()
                && part.operation == Operation::Number
                && part.value < 0.0
            {
                text.push_str(minus);
                text.push_str(&(-part.value).to_string());
                continue;
            }
            if place > 0 {
                text.push_str(if subtracted { minus } else { plus });
            }
            let (written, binding) = self.part(*operand);
            let hold = binding == Binding::Sum && subtracted;
            text.push_str(&if hold { format!("({written})") } else { written });
        }
        // One operand is the operand itself.
        (text, if node.operands.len() == 1 { Binding::Product } else { Binding::Sum })
    }

    fn product(&self, at: usize) -> (String, Binding) {
        let (mut above, mut below) = (Vec::new(), Vec::new());
        self.factors(at, false, &mut above, &mut below);
        let join = |factors: &[String]| {
            let mut text = String::new();
            for factor in factors {
                if !text.is_empty() {
                    text.push_str(match self.notation {
                        Notation::Cells(_) => "*",
                        Notation::Symbols if !factor.starts_with(|c: char| c.is_ascii_digit()) => " ",
                        _ => " x ",
                    });
                }
                text.push_str(factor);
            }
            text
        };
        let over = if matches!(self.notation, Notation::Cells(_)) { "/" } else { " / " };
        let top = if above.is_empty() { "1".to_owned() } else { join(&above) };
        let text = match below.len() {
            0 => top,
            1 => format!("{top}{over}{}", below[0]),
            _ => format!("{top}{over}({})", join(&below)),
        };
        (text, Binding::Product)
    }

    /// Factors of products and quotients within each other: above and below one line.
    fn factors(&self, at: usize, inverse: bool, above: &mut Vec<String>, below: &mut Vec<String>) {
        let node = &self.working.nodes()[at];
        for (place, operand) in node.operands.iter().enumerate() {
            let part = &self.working.nodes()[*operand];
            let inverse = inverse != (node.operation == Operation::Quotient && place == 1);
            if part.label.is_none() && matches!(part.operation, Operation::Product | Operation::Quotient) {
                self.factors(*operand, inverse, above, below);
            } else if inverse {
                below.push(self.held(*operand));
            } else {
                above.push(self.held(*operand));
            }
        }
    }
}
