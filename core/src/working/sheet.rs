//! Where a calculation is written: every operation is a node, computed when it is added.
//!
//! ```
//! use ferrotitre_core::working::{Label, Quantity, Sheet, Source};
//! let sheet = Sheet::new();
//! let c = sheet.given(Label::only(Quantity::Concentration), 0.1, Source::MethodVersion);
//! let v = sheet.given(Label::only(Quantity::NetTitre), 23.16, Source::MethodVersion);
//! let n = sheet.named(c * v, Label::only(Quantity::IronAmount), Source::Stoichiometry);
//! assert_eq!(n.value(), 0.1 * 23.16);
//! assert_eq!(sheet.working(n).formula(sheet.working(n).result()), "c V_net");
//! ```

use std::cell::RefCell;
use std::fmt;

use crate::chemistry::CorrectionError;
use crate::chemistry::burette_correction;
use crate::quantity::Reading;
use crate::uncertainty::{Input, InputError, same_quantity};
use crate::working::handle::{Arena, Handle};
use crate::working::operation::{Operation, Table};
use crate::working::quantity::{Index, Label};
use crate::working::source::Source;

/// Where a number comes from when it is not computed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Fact<'r> {
    /// Table of the record.
    pub kind: &'static str,
    /// Identity of the record.
    pub id: &'r str,
    /// Field of the record.
    pub field: &'static str,
}

/// Digits as they were entered.
#[derive(Debug, Clone, Copy)]
pub enum Digits<'r> {
    /// A reading.
    Reading(&'r Reading),
    /// A text.
    Text(&'r str),
}

impl Digits<'_> {
    pub(super) fn text(self) -> String {
        match self {
            Self::Reading(reading) => reading.text(),
            Self::Text(text) => text.to_owned(),
        }
    }
}

/// What states a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin<'r> {
    /// A record.
    Fact(Fact<'r>),
    /// A published source.
    Source(Source),
}

/// What an input of an uncertainty budget is: two results that have one of the same identity share its error.
#[derive(Debug, Clone, PartialEq)]
pub enum Identity<'r> {
    /// A record.
    Record(&'r str),
    /// The repeatability of a determination or standardisation.
    Repeatability(&'r str),
    /// The run of a determination.
    Run(&'r str),
    /// The mean of blanks.
    Blanks(Vec<&'r str>),
    /// Titrant equivalent to the iron(II) added to a blank.
    Equivalent(&'r str),
    /// The end point of a chemistry with an indicator.
    EndPoint(&'r str, &'r str),
    /// The molar mass of iron.
    MolarMassOfIron,
    /// A molar mass, by its value.
    MolarMass(f64),
    /// The mass fraction of a lot.
    Purity(&'r str),
    /// The mass weighed for a preparation.
    Mass(&'r str),
    /// The temperature of a preparation.
    Temperature(&'r str),
}

impl fmt::Display for Identity<'_> {
    fn fmt(&self, page: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Record(id) => page.write_str(id),
            Self::Repeatability(id) => write!(page, "repeatability:{id}"),
            Self::Run(id) => write!(page, "run:{id}"),
            Self::Equivalent(id) => write!(page, "equivalent:{id}"),
            Self::Blanks(ids) => write!(page, "blank:{}", ids.join("+")),
            Self::EndPoint(chemistry, indicator) => write!(page, "end-point:{chemistry}:{indicator}"),
            Self::MolarMassOfIron => page.write_str("molar-mass:Fe"),
            Self::MolarMass(value) => write!(page, "molar-mass:{value}"),
            Self::Purity(id) => write!(page, "purity:{id}"),
            Self::Mass(id) => write!(page, "mass:{id}"),
            Self::Temperature(id) => write!(page, "temperature:{id}"),
        }
    }
}

/// An uncertain number from outside.
#[derive(Debug, Clone)]
pub struct Leaf<'r> {
    /// What it is.
    pub label: Label,
    /// Best estimate.
    pub value: f64,
    /// What states it.
    pub origin: Origin<'r>,
    /// Standard uncertainty and what states that.
    pub u: (f64, Origin<'r>),
    /// Degrees of freedom; none for unlimited.
    pub dof: Option<f64>,
    /// Identity in the budget.
    pub identity: Identity<'r>,
}

/// A node that carries an uncertainty of its own.
#[derive(Debug, Clone)]
pub(super) struct Uncertain<'r> {
    pub(super) node: u32,
    pub(super) identity: Identity<'r>,
    /// Node of the standard uncertainty; none on a lean sheet.
    pub(super) u_node: Option<u32>,
    pub(super) u: f64,
    pub(super) dof: Option<f64>,
}

/// What is known of a leaf beside its value.
#[derive(Debug, Clone, Copy)]
pub(super) struct Detail<'r> {
    pub(super) node: u32,
    pub(super) fact: Option<Fact<'r>>,
    pub(super) digits: Option<Digits<'r>>,
}

/// A calculation as it is written. What was recorded is borrowed; texts are made when a working is asked for.
#[derive(Debug, Default)]
pub struct Sheet<'r> {
    pub(super) arena: Arena,
    pub(super) details: RefCell<Vec<Detail<'r>>>,
    pub(super) uncertain: RefCell<Vec<Uncertain<'r>>>,
    pub(super) codes: RefCell<Vec<&'r str>>,
    pub(super) tables: RefCell<Vec<&'r Table>>,
    /// Room for the pass backwards.
    pub(super) adjoint: RefCell<Vec<(f64, bool)>>,
}

impl<'r> Sheet<'r> {
    /// An empty sheet.
    #[must_use]
    pub fn new() -> Self {
        Self { arena: Arena::new(false), ..Self::default() }
    }

    /// An empty sheet for a result and its uncertainty alone: what no input of the budget acts on is not kept, so there is no
    /// working to print.
    #[must_use]
    pub fn lean() -> Self {
        Self { arena: Arena::new(true), ..Self::default() }
    }

    /// Index by the code of what a quantity belongs to.
    pub fn code(&self, code: &'r str) -> Index {
        let mut codes = self.codes.borrow_mut();
        let at = codes.iter().position(|known| *known == code).unwrap_or_else(|| {
            codes.push(code);
            codes.len() - 1
        });
        Index::Code(u32::try_from(at).unwrap_or(u32::MAX))
    }

    /// A number of a formula.
    pub fn number(&self, value: f64) -> Handle<'_> {
        self.arena.number(value)
    }

    fn leaf(&self, label: Label, value: f64, origin: Origin<'r>, digits: Option<Digits<'r>>) -> Handle<'_> {
        let (fact, source) = match origin {
            Origin::Fact(fact) => (Some(fact), None),
            Origin::Source(source) => (None, Some(source)),
        };
        let handle = self.arena.leaf(label, value, source);
        self.detail(handle, fact, digits);
        handle
    }

    fn detail(&self, of: Handle<'_>, fact: Option<Fact<'r>>, digits: Option<Digits<'r>>) {
        if let (Some(node), true) = (of.place(), fact.is_some() || digits.is_some()) {
            self.details.borrow_mut().push(Detail { node, fact, digits });
        }
    }

    /// A recorded number.
    pub fn recorded(&self, label: Label, value: f64, fact: Fact<'r>) -> Handle<'_> {
        self.leaf(label, value, Origin::Fact(fact), None)
    }

    /// A recorded number with its digits.
    pub fn entered(&self, label: Label, value: f64, fact: Fact<'r>, digits: Digits<'r>) -> Handle<'_> {
        self.leaf(label, value, Origin::Fact(fact), Some(digits))
    }

    /// A number that a published source or the method version states; the same is one node.
    pub fn given(&self, label: Label, value: f64, source: Source) -> Handle<'_> {
        match self.arena.leaf_of(label, value, source) {
            Some(known) => known,
            None => self.leaf(label, value, Origin::Source(source), None),
        }
    }

    /// The same as a node of its own, whatever is there already.
    pub fn given_anew(&self, label: Label, value: f64, source: Source) -> Handle<'_> {
        self.leaf(label, value, Origin::Source(source), None)
    }

    /// Gives a computed node its name. One that has a name already keeps it, and what is named is a node equal to it.
    pub fn named<'s>(&'s self, node: Handle<'s>, label: Label, source: Source) -> Handle<'s> {
        self.arena.name(node, label, source)
    }

    /// An uncertain number; the same identity is one node.
    ///
    /// # Errors
    /// Numbers that cannot be used; the same identity with other numbers.
    pub fn input(&self, leaf: Leaf<'r>) -> Result<Handle<'_>, InputError> {
        self.input_with(leaf, None)
    }

    /// The same for an uncertain number with the digits as entered.
    ///
    /// # Errors
    /// Those of [`Sheet::input`].
    pub fn entered_input(&self, leaf: Leaf<'r>, digits: Digits<'r>) -> Result<Handle<'_>, InputError> {
        self.input_with(leaf, Some(digits))
    }

    fn input_with(&self, leaf: Leaf<'r>, digits: Option<Digits<'r>>) -> Result<Handle<'_>, InputError> {
        let (u, u_origin) = leaf.u;
        if let Some(known) = self.known(&leaf.identity, leaf.label, (leaf.value, u, leaf.dof))? {
            return Ok(known);
        }
        let u = self.leaf(leaf.label.u(), u, u_origin, None);
        let node = self.leaf(leaf.label, leaf.value, leaf.origin, digits);
        Ok(self.mark(node, leaf.label, leaf.identity, u, leaf.dof))
    }

    /// Makes a named node an input of the budget: what it was computed from acts through its own uncertainty.
    ///
    /// # Errors
    /// Those of [`Sheet::input`].
    pub fn uncertain<'s>(
        &'s self,
        node: Handle<'s>,
        (label, identity): (Label, Identity<'r>),
        u: Handle<'s>,
        dof: Option<f64>,
    ) -> Result<Handle<'s>, InputError> {
        match self.known(&identity, label, (node.value(), u.value(), dof))? {
            Some(known) => Ok(known),
            None => Ok(self.mark(node, label, identity, u, dof)),
        }
    }

    /// Takes the degrees of freedom of an input for unlimited.
    pub(crate) fn without_limit(&self, identity: &Identity<'_>) {
        for known in self.uncertain.borrow_mut().iter_mut().filter(|known| known.identity == *identity) {
            known.dof = None;
        }
    }

    fn mark<'s>(
        &'s self,
        node: Handle<'s>,
        label: Label,
        identity: Identity<'r>,
        u: Handle<'s>,
        dof: Option<f64>,
    ) -> Handle<'s> {
        let mut uncertain = self.uncertain.borrow_mut();
        let node = self.arena.mark(node, label, u32::try_from(uncertain.len()).unwrap_or(u32::MAX));
        uncertain.push(Uncertain {
            node: node.place().unwrap_or(u32::MAX),
            identity,
            u_node: u.place(),
            u: u.value(),
            dof,
        });
        node
    }

    /// The input of an identity, if there is one with these numbers.
    fn known(
        &self,
        identity: &Identity<'r>,
        label: Label,
        (value, u, dof): (f64, f64, Option<f64>),
    ) -> Result<Option<Handle<'_>>, InputError> {
        let usable = value.is_finite() && u.is_finite() && u >= 0.0 && dof.is_none_or(|dof| dof > 0.0);
        let input = |value, u, dof| {
            Input::new(identity.to_string(), String::new(), label.quantity.unit(), value, u).with_dof(dof)
        };
        if !usable {
            input(value, u, dof).validate()?;
        }
        let uncertain = self.uncertain.borrow();
        let Some(known) = uncertain.iter().find(|known| known.identity == *identity) else { return Ok(None) };
        let node = self.arena.at(known.node);
        if node.value() != value || known.u != u || known.dof != dof {
            same_quantity(&input(node.value(), known.u, known.dof), &input(value, u, dof))?;
        }
        Ok(Some(node))
    }

    fn of(&self, operation: Operation, operands: &[Handle<'_>]) -> Handle<'_> {
        self.arena.compute(operation, operands, &[])
    }

    /// Sum of all.
    pub fn sum(&self, of: &[Handle<'_>]) -> Handle<'_> {
        self.of(Operation::Sum, of)
    }

    /// Product of all.
    pub fn product(&self, of: &[Handle<'_>]) -> Handle<'_> {
        self.of(Operation::Product, of)
    }

    /// Square root.
    pub fn square_root(&self, of: Handle<'_>) -> Handle<'_> {
        self.of(Operation::SquareRoot, &[of])
    }

    /// Largest.
    pub fn largest(&self, of: &[Handle<'_>]) -> Handle<'_> {
        self.of(Operation::Largest, of)
    }

    /// Arithmetic mean.
    pub fn mean(&self, of: &[Handle<'_>]) -> Handle<'_> {
        self.of(Operation::Mean, of)
    }

    /// Median.
    pub fn median(&self, of: &[Handle<'_>]) -> Handle<'_> {
        self.of(Operation::Median, of)
    }

    /// Sample standard deviation.
    pub fn sample_deviation(&self, of: &[Handle<'_>]) -> Handle<'_> {
        self.of(Operation::SampleDeviation, of)
    }

    /// Linear interpolation in a table.
    ///
    /// # Errors
    /// An argument outside the table.
    pub fn interpolated<'s>(&'s self, table: &'r Table, at: Handle<'s>) -> Result<Handle<'s>, CorrectionError> {
        burette_correction(table, at.value())?;
        if at.place().is_none() {
            return Ok(self.arena.compute(Operation::Interpolation(0), &[at], table));
        }
        let mut tables = self.tables.borrow_mut();
        let place =
            tables.iter().position(|known| std::ptr::eq(*known, table) || *known == table).unwrap_or_else(|| {
                tables.push(table);
                tables.len() - 1
            });
        let operation = Operation::Interpolation(u32::try_from(place).unwrap_or(u32::MAX));
        Ok(self.arena.compute(operation, &[at], table))
    }

    /// The same node with its value computed on the decimals as entered, which double precision cannot hold exactly.
    pub fn exactly<'s>(&'s self, node: Handle<'s>, value: f64) -> Handle<'s> {
        self.arena.set(node, value)
    }
}
