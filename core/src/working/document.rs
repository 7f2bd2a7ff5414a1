//! What a result rests on, as a document that outlives the sheet and the record.

use std::fmt::Write as _;

use crate::working::handle::Handle;
use crate::working::operation::Operation;
use crate::working::quantity::{Label, Quantity};
use crate::working::sheet::Sheet;
use crate::working::source::Source;

/// The record a number comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct OwnedFact {
    /// Table of the record.
    pub kind: &'static str,
    /// Identity of the record.
    pub id: String,
    /// Field of the record.
    pub field: &'static str,
}

/// What makes a node an input of the uncertainty budget.
#[derive(Debug, Clone, PartialEq)]
pub struct UncertainNode {
    /// Identity in the budget; what two results share has the same.
    pub id: String,
    /// Node of the standard uncertainty.
    pub u: usize,
    /// Degrees of freedom; none for unlimited.
    pub degrees_of_freedom: Option<f64>,
}

/// A node of a working.
#[derive(Debug, Clone, PartialEq)]
pub struct WorkingNode {
    /// What it is; none for a part of a formula.
    pub label: Option<Label>,
    /// Symbol; empty for a part of a formula.
    pub symbol: String,
    /// Name in words; empty for a part of a formula.
    pub name: String,
    /// Unit; empty for a number and for a part of a formula.
    pub unit: &'static str,
    /// Source of the formula or of the number.
    pub source: Option<Source>,
    /// What it does with its operands.
    pub operation: Operation,
    /// Nodes before it.
    pub operands: Vec<usize>,
    /// Value at full precision.
    pub value: f64,
    /// Digits as entered.
    pub entered: Option<String>,
    /// The record it comes from.
    pub fact: Option<OwnedFact>,
    /// What makes it an input of the budget.
    pub uncertain: Option<UncertainNode>,
    /// Standard uncertainty of a named node, where anything of the budget acts on it.
    pub standard_uncertainty: Option<f64>,
}

impl WorkingNode {
    const fn bare(operation: Operation) -> Self {
        Self {
            label: None,
            symbol: String::new(),
            name: String::new(),
            unit: "",
            source: None,
            operation,
            operands: Vec::new(),
            value: 0.0,
            entered: None,
            fact: None,
            uncertain: None,
            standard_uncertainty: None,
        }
    }

    /// Quantity; none for a part of a formula.
    #[must_use]
    pub fn quantity(&self) -> Option<Quantity> {
        self.label.map(|label| label.quantity)
    }

    /// Whether it is this quantity itself, not its standard uncertainty.
    #[must_use]
    pub fn is(&self, quantity: Quantity) -> bool {
        self.label.is_some_and(|label| label.quantity == quantity && !label.uncertainty)
    }
}

/// What a result rests on: nodes in order of computation, the result last.
#[derive(Debug, Clone, PartialEq)]
pub struct Working {
    nodes: Vec<WorkingNode>,
    tables: Vec<Vec<(f64, f64)>>,
}

impl Sheet<'_> {
    /// What a node rests on; empty for a number, and of a lean sheet.
    #[must_use]
    pub fn working(&self, of: Handle<'_>) -> Working {
        let mut nodes = Vec::new();
        if let Some(last) = of.place() {
            let reached = self.reached(last as usize);
            let mut places = vec![usize::MAX; reached.len()];
            for (at, _) in reached.iter().enumerate().filter(|(_, reached)| **reached) {
                self.own(at, &mut places, &mut nodes);
            }
        }
        Working { nodes, tables: self.tables.borrow().iter().map(|table| table.to_vec()).collect() }
    }

    /// Which nodes a node rests on: operands, and the standard uncertainties of inputs.
    fn reached(&self, last: usize) -> Vec<bool> {
        let uncertain = self.uncertain.borrow();
        self.arena.read(|nodes| {
            let mut reached = vec![false; last + 1];
            reached[last] = true;
            for at in (0..=last).rev() {
                if !reached[at] {
                    continue;
                }
                let node = &nodes.list[at];
                let u = uncertain.get(node.uncertain as usize).and_then(|known| known.u_node);
                for operand in nodes.operands(node).iter().copied().chain(u) {
                    if let Some(reached) = reached.get_mut(operand as usize) {
                        *reached = true;
                    }
                }
            }
            reached
        })
    }

    /// Adds a node, after the numbers it reads.
    fn own(&self, at: usize, places: &mut [usize], all: &mut Vec<WorkingNode>) {
        let uncertain = self.uncertain.borrow();
        let details = self.details.borrow();
        let detail = details.binary_search_by_key(&at, |detail| detail.node as usize).ok().map(|found| details[found]);
        let standard_uncertainty = self.shown_u(at);
        self.arena.read(|nodes| {
            let node = &nodes.list[at];
            let mut operands = Vec::with_capacity(2);
            for operand in nodes.operands(node) {
                operands.push(match nodes.number(*operand) {
                    Some(value) => {
                        all.push(WorkingNode { value, ..WorkingNode::bare(Operation::Number) });
                        all.len() - 1
                    }
                    None => places[*operand as usize],
                });
            }
            let (label, source) = nodes.label(node);
            let code = label.and_then(|label| self.code_of(label));
            let known = uncertain.get(node.uncertain as usize);
            places[at] = all.len();
            all.push(WorkingNode {
                label,
                symbol: label.map(|label| label.symbol(code)).unwrap_or_default(),
                name: label.map(|label| label.name(code)).unwrap_or_default(),
                unit: label.map_or("", |label| label.quantity.unit()),
                source,
                operands,
                value: node.value,
                entered: detail.and_then(|detail| detail.digits).map(|digits| digits.text()),
                fact: detail.and_then(|detail| detail.fact).map(|fact| OwnedFact {
                    kind: fact.kind,
                    id: fact.id.to_owned(),
                    field: fact.field,
                }),
                uncertain: known.and_then(|known| {
                    let u = places[known.u_node? as usize];
                    Some(UncertainNode { id: known.identity.to_string(), u, degrees_of_freedom: known.dof })
                }),
                standard_uncertainty,
                ..WorkingNode::bare(node.operation)
            });
        });
    }

    /// Standard uncertainty of a named node, where anything of the budget acts on it.
    fn shown_u(&self, at: usize) -> Option<f64> {
        let label = self.arena.read(|nodes| nodes.label(&nodes.list[at]).0);
        // An uncertainty's own is not what a budget is about, and would be that of a difference of nearly equal values.
        let named = label.is_some_and(|label| !label.uncertainty);
        let parts = named.then(|| self.sensitivities(self.arena.at(u32::try_from(at).unwrap_or(u32::MAX))))?;
        (!parts.is_empty()).then(|| self.u(&parts))
    }
}

impl Working {
    /// All nodes, in order of computation.
    #[must_use]
    pub fn nodes(&self) -> &[WorkingNode] {
        &self.nodes
    }

    /// Place of the result.
    #[must_use]
    pub fn result(&self) -> usize {
        self.nodes.len().saturating_sub(1)
    }

    /// Tables that nodes interpolate in.
    #[must_use]
    pub fn tables(&self) -> &[Vec<(f64, f64)>] {
        &self.tables
    }

    /// Named nodes, in order of computation: the lines of a page and of a spreadsheet.
    pub fn lines(&self) -> impl DoubleEndedIterator<Item = usize> + '_ {
        (0..self.nodes.len()).filter(|at| self.nodes[*at].label.is_some())
    }

    /// Named nodes that a node is computed from, each once, through the parts of its formula.
    #[must_use]
    pub fn inputs(&self, of: usize) -> Vec<usize> {
        let mut found = Vec::new();
        self.collect(of, &mut found);
        found
    }

    fn collect(&self, of: usize, found: &mut Vec<usize>) {
        for operand in &self.nodes[of].operands {
            if self.nodes[*operand].label.is_none() {
                self.collect(*operand, found);
            } else if !found.contains(operand) {
                found.push(*operand);
            }
        }
    }

    /// The working as a page of a notebook: what is needed first comes first.
    #[must_use]
    pub fn text(&self) -> String {
        let mut page = String::new();
        for at in self.lines() {
            let node = &self.nodes[at];
            // A stated uncertainty stands beside its value.
            if node.label.is_some_and(|label| label.uncertainty) && node.operation == Operation::Leaf {
                continue;
            }
            self.line(at, &mut page);
        }
        page
    }

    /// Writing to a String cannot fail.
    fn line(&self, at: usize, page: &mut String) {
        let node = &self.nodes[at];
        let _ = write!(page, "{:<12}", node.symbol);
        if node.operation.computes() {
            let _ = write!(page, "= {} = {} ", self.formula(at), self.numbers(at));
        }
        match &node.entered {
            Some(entered) => page.push_str(&format!("= {entered}")),
            None => page.push_str(&format!("= {}", node.value)),
        }
        if !node.unit.is_empty() {
            let _ = write!(page, " {}", node.unit);
        }
        if let Some(u) = node.standard_uncertainty {
            let _ = write!(page, "  (u = {u:.3e})");
        }
        let _ = write!(page, "  [{}", node.name);
        if let Some(source) = node.source {
            let _ = write!(page, "; {}", source.citation());
        }
        if let Some(fact) = &node.fact {
            let _ = write!(page, "; {} {} {}", fact.kind, fact.id, fact.field);
        }
        page.push_str("]\n");
    }
}
