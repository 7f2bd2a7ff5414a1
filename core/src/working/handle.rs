//! Nodes in an array, and the handles that formulae are written with.

use std::cell::RefCell;
use std::ops::{Add, Div, Mul, Sub};

use crate::working::operation::{Operation, Table};
use crate::working::quantity::Label;
use crate::working::source::Source;

/// Mark of what is not there: no input of the budget, no label, no node.
pub(super) const NONE: u32 = u32::MAX;
/// Mark of an operand that is a number: its place in the list of numbers below it.
const NUMBER: u32 = 1 << 31;

/// A node: an operation on nodes before it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Node {
    pub(super) value: f64,
    pub(super) operation: Operation,
    /// Two operands; of more or fewer, the first in the list of operands and how many.
    pair: [u32; 2],
    listed: bool,
    /// Whether it is an input of the budget or depends on one.
    pub(super) carries: bool,
    /// Place in the list of labels.
    label: u32,
    /// Place in the list of inputs of the budget.
    pub(super) uncertain: u32,
}

/// All nodes, in order of computation, and what they refer to.
#[derive(Debug, Default)]
pub(super) struct Nodes {
    pub(super) list: Vec<Node>,
    operands: Vec<u32>,
    numbers: Vec<f64>,
    labels: Vec<(Label, Option<Source>)>,
}

impl Nodes {
    /// Operands of a node.
    pub(super) fn operands<'a>(&'a self, node: &'a Node) -> &'a [u32] {
        let [first, count] = node.pair;
        if node.listed { &self.operands[first as usize..(first + count) as usize] } else { &node.pair }
    }

    /// An operand that is a number, not a node.
    pub(super) fn number(&self, operand: u32) -> Option<f64> {
        (operand & NUMBER != 0).then(|| self.numbers[(operand & !NUMBER) as usize])
    }

    pub(super) fn value(&self, operand: u32) -> f64 {
        self.number(operand).unwrap_or_else(|| self.list[operand as usize].value)
    }

    /// Whether an operand is an input of the budget or depends on one.
    pub(super) fn carries(&self, operand: u32) -> bool {
        self.list.get(operand as usize).is_some_and(|node| node.carries)
    }

    pub(super) fn label(&self, node: &Node) -> (Option<Label>, Option<Source>) {
        match self.labels.get(node.label as usize) {
            Some((label, source)) => (Some(*label), *source),
            None => (None, None),
        }
    }

    fn push(&mut self, operation: Operation, value: f64, operands: &[Handle<'_>]) -> u32 {
        let at = place(self.list.len());
        let carries = operands.iter().any(|operand| operand.at != NONE && self.list[operand.at as usize].carries);
        let pair = [place(self.operands.len()), 0];
        let mut node = Node { value, operation, pair, listed: true, carries, label: NONE, uncertain: NONE };
        if let [a, b] = operands {
            (node.pair, node.listed) = ([self.operand(a), self.operand(b)], false);
        } else {
            node.pair[1] = place(operands.len());
            for operand in operands {
                let operand = self.operand(operand);
                self.operands.push(operand);
            }
        }
        self.list.push(node);
        at
    }

    fn operand(&mut self, of: &Handle<'_>) -> u32 {
        if of.at != NONE {
            return of.at;
        }
        self.numbers.push(of.value);
        NUMBER | place(self.numbers.len() - 1)
    }

    fn set_label(&mut self, at: u32, label: Label, source: Option<Source>) {
        self.list[at as usize].label = place(self.labels.len());
        self.labels.push((label, source));
    }
}

/// The nodes of a sheet.
#[derive(Debug, Default)]
pub(super) struct Arena {
    nodes: RefCell<Nodes>,
    /// Only what inputs of the budget act on is kept as a node, all else as a number: enough for a result and its
    /// uncertainty, and nothing to print.
    lean: bool,
}

fn place(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(NONE)
}

impl Arena {
    pub(super) fn new(lean: bool) -> Self {
        let nodes = if lean { 64 } else { 256 };
        Self { nodes: RefCell::new(Nodes { list: Vec::with_capacity(nodes), ..Nodes::default() }), lean }
    }

    fn handle(&self, at: u32, value: f64) -> Handle<'_> {
        Handle { arena: self, at, value }
    }

    pub(super) fn number(&self, value: f64) -> Handle<'_> {
        self.handle(NONE, value)
    }

    pub(super) fn at(&self, at: u32) -> Handle<'_> {
        self.handle(at, self.nodes.borrow().list[at as usize].value)
    }

    /// A number from outside.
    pub(super) fn leaf(&self, label: Label, value: f64, source: Option<Source>) -> Handle<'_> {
        if self.lean { self.number(value) } else { self.kept_leaf(label, value, source) }
    }

    /// The same where it must be a node.
    pub(super) fn kept_leaf(&self, label: Label, value: f64, source: Option<Source>) -> Handle<'_> {
        let mut nodes = self.nodes.borrow_mut();
        let at = nodes.push(Operation::Leaf, value, &[]);
        nodes.set_label(at, label, source);
        self.handle(at, value)
    }

    pub(super) fn compute(&self, operation: Operation, operands: &[Handle<'_>], table: &Table) -> Handle<'_> {
        let value = match operands {
            [a] => operation.value(&[a.value], table),
            [a, b] => operation.value(&[a.value, b.value], table),
            // Few operands are the rule: they need no list of their own.
            few if few.len() <= 8 => {
                let mut values = [0.0; 8];
                values.iter_mut().zip(few).for_each(|(value, operand)| *value = operand.value);
                operation.value(&values[..few.len()], table)
            }
            all => operation.value(&all.iter().map(|operand| operand.value).collect::<Vec<_>>(), table),
        };
        if self.lean && operands.iter().all(|operand| operand.at == NONE) {
            return self.number(value);
        }
        let at = self.nodes.borrow_mut().push(operation, value, operands);
        self.handle(at, value)
    }

    pub(super) fn set<'s>(&'s self, node: Handle<'s>, value: f64) -> Handle<'s> {
        if node.at != NONE {
            self.nodes.borrow_mut().list[node.at as usize].value = value;
        }
        self.handle(node.at, value)
    }

    /// Makes a node an input of the budget.
    pub(super) fn mark<'s>(&'s self, node: Handle<'s>, label: Label, uncertain: u32) -> Handle<'s> {
        let node = if node.at == NONE { self.kept_leaf(label, node.value, None) } else { node };
        let marked = &mut self.nodes.borrow_mut().list[node.at as usize];
        (marked.uncertain, marked.carries) = (uncertain, true);
        node
    }

    pub(super) fn name<'s>(&'s self, node: Handle<'s>, label: Label, source: Source) -> Handle<'s> {
        if self.lean {
            return node;
        }
        let fresh = node.at != NONE && {
            let known = self.nodes.borrow().list[node.at as usize];
            known.label == NONE && known.operation.computes()
        };
        let node = if fresh { node } else { self.compute(Operation::Sum, &[node], &[]) };
        self.nodes.borrow_mut().set_label(node.at, label, Some(source));
        node
    }

    /// A leaf that a source states, if it is there already.
    pub(super) fn leaf_of(&self, label: Label, value: f64, source: Source) -> Option<Handle<'_>> {
        let nodes = self.nodes.borrow();
        let same = |node: &Node| {
            node.operation == Operation::Leaf && node.value == value && nodes.label(node) == (Some(label), Some(source))
        };
        let at = nodes.list.iter().position(same)?;
        Some(self.handle(place(at), value))
    }

    /// Nodes to look at.
    pub(super) fn read<T>(&self, look: impl FnOnce(&Nodes) -> T) -> T {
        look(&self.nodes.borrow())
    }
}

/// A node of a sheet, to compute with.
#[derive(Debug, Clone, Copy)]
pub struct Handle<'s> {
    arena: &'s Arena,
    at: u32,
    value: f64,
}

impl<'s> Handle<'s> {
    /// Place of the node; none for a number.
    pub(super) fn place(self) -> Option<u32> {
        (self.at != NONE).then_some(self.at)
    }

    /// Value at full precision.
    #[must_use]
    pub fn value(self) -> f64 {
        self.value
    }

    fn with(self, operation: Operation, other: Self) -> Self {
        self.arena.compute(operation, &[self, other], &[])
    }
}

/// Arithmetic that a formula may use, so that it is written once for nodes and for plain numbers.
pub(crate) trait Number:
    Copy + Add<Output = Self> + Sub<Output = Self> + Mul<Output = Self> + Div<Output = Self>
{
    /// A number of the formula.
    fn number(self, value: f64) -> Self;
}

impl Number for f64 {
    fn number(self, value: f64) -> Self {
        value
    }
}

impl Number for Handle<'_> {
    fn number(self, value: f64) -> Self {
        self.arena.number(value)
    }
}

macro_rules! operator {
    ($trait:ident, $method:ident, $operation:ident) => {
        impl<'s> $trait for Handle<'s> {
            type Output = Handle<'s>;
            fn $method(self, other: Self) -> Self {
                self.with(Operation::$operation, other)
            }
        }
        impl<'s> $trait<f64> for Handle<'s> {
            type Output = Handle<'s>;
            fn $method(self, other: f64) -> Self {
                self.with(Operation::$operation, self.arena.number(other))
            }
        }
        impl<'s> $trait<Handle<'s>> for f64 {
            type Output = Handle<'s>;
            fn $method(self, other: Handle<'s>) -> Handle<'s> {
                other.arena.number(self).with(Operation::$operation, other)
            }
        }
    };
}

operator!(Add, add, Sum);
operator!(Sub, sub, Difference);
operator!(Mul, mul, Product);
operator!(Div, div, Quotient);
