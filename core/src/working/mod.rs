//! The tree of steps behind a number: symbol = formula = numbers = value unit, down to the recorded facts.

mod expression;
mod rows;

use std::fmt::Write as _;

pub use expression::Expression;
pub use rows::Row;

/// Where a number comes from when it is not computed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fact {
    /// Table of the record.
    pub kind: &'static str,
    /// Identity of the record.
    pub id: String,
    /// Field of the record.
    pub field: &'static str,
}

/// One line of the working.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Symbol.
    pub symbol: String,
    /// Name of the quantity.
    pub name: String,
    /// Formula in symbols; empty for a fact.
    pub formula: &'static str,
    /// Where the formula comes from.
    pub source: &'static str,
    /// The formula with numbers put in; empty for a fact.
    pub numbers: String,
    /// Value at full precision.
    pub value: f64,
    /// The exact decimal, where the value was entered as one.
    pub entered: Option<String>,
    /// Unit.
    pub unit: &'static str,
    /// Standard uncertainty, where it is known.
    pub standard_uncertainty: Option<f64>,
    /// The record it comes from, for a fact.
    pub fact: Option<Fact>,
    /// What it was computed from.
    pub inputs: Vec<Step>,
    /// How it was computed from them; none for a fact.
    pub expression: Option<Expression>,
    /// What makes it an input of the uncertainty budget.
    pub uncertain: Option<Box<UncertainInput>>,
}

/// What makes a step an input of an uncertainty budget.
#[derive(Debug, Clone, PartialEq)]
pub struct UncertainInput {
    /// Identity in the budget; what two results share has the same.
    pub id: String,
    /// Standard uncertainty.
    pub u: Step,
    /// Degrees of freedom; none for unlimited.
    pub degrees_of_freedom: Option<f64>,
}

impl Step {
    /// A recorded fact.
    #[must_use]
    pub fn fact(
        symbol: impl Into<String>,
        name: impl Into<String>,
        value: f64,
        unit: &'static str,
        fact: Fact,
    ) -> Self {
        Self {
            symbol: symbol.into(),
            name: name.into(),
            formula: "",
            source: "",
            numbers: String::new(),
            value,
            entered: None,
            unit,
            standard_uncertainty: None,
            fact: Some(fact),
            inputs: Vec::new(),
            expression: None,
            uncertain: None,
        }
    }

    /// A number that the method or a convention gives.
    #[must_use]
    pub fn given(
        symbol: impl Into<String>,
        name: impl Into<String>,
        value: f64,
        unit: &'static str,
        source: &'static str,
    ) -> Self {
        Self::computed(symbol, name, ("", source), String::new(), value, unit)
    }

    /// A computed quantity.
    #[must_use]
    pub fn computed(
        symbol: impl Into<String>,
        name: impl Into<String>,
        (formula, source): (&'static str, &'static str),
        numbers: String,
        value: f64,
        unit: &'static str,
    ) -> Self {
        Self {
            symbol: symbol.into(),
            name: name.into(),
            formula,
            source,
            numbers,
            value,
            entered: None,
            unit,
            standard_uncertainty: None,
            fact: None,
            inputs: Vec::new(),
            expression: None,
            uncertain: None,
        }
    }

    /// The same with the digits as entered.
    #[must_use]
    pub fn entered_as(mut self, text: impl Into<String>) -> Self {
        self.entered = Some(text.into());
        self
    }

    /// The same with its standard uncertainty.
    #[must_use]
    pub fn with_u(mut self, u: f64) -> Self {
        self.standard_uncertainty = Some(u);
        self
    }

    /// The same with what it was computed from.
    #[must_use]
    pub fn from(mut self, inputs: Vec<Step>) -> Self {
        self.inputs = inputs;
        self
    }

    /// The same with how it was computed from what.
    #[must_use]
    pub fn by(mut self, inputs: Vec<Step>, expression: Expression) -> Self {
        self.inputs = inputs;
        self.expression = Some(expression);
        self
    }

    /// The same as an input of the uncertainty budget.
    #[must_use]
    pub fn as_input(mut self, id: impl Into<String>, u: Step, degrees_of_freedom: Option<f64>) -> Self {
        self.standard_uncertainty = Some(u.value);
        self.uncertain = Some(Box::new(UncertainInput { id: id.into(), u, degrees_of_freedom }));
        self
    }

    /// Every step once, what is needed first comes first: the order of a page and of a spreadsheet.
    #[must_use]
    pub fn steps(&self) -> Vec<&Step> {
        let mut found = Vec::new();
        self.collect(&mut found);
        found
    }

    fn collect<'a>(&'a self, found: &mut Vec<&'a Step>) {
        if found.contains(&self) {
            return;
        }
        for input in &self.inputs {
            input.collect(found);
        }
        if let Some(uncertain) = &self.uncertain {
            uncertain.u.collect(found);
        }
        found.push(self);
    }

    /// The tree as a page of a notebook: what is needed first comes first, and nothing is written twice.
    #[must_use]
    pub fn text(&self) -> String {
        let mut page = String::new();
        let mut written = std::collections::BTreeSet::new();
        self.write(&mut page, &mut written);
        page
    }

    fn write(&self, page: &mut String, written: &mut std::collections::BTreeSet<String>) {
        for input in &self.inputs {
            input.write(page, written);
        }
        if let Some(uncertain) = self.uncertain.as_ref().filter(|uncertain| uncertain.u.expression.is_some()) {
            uncertain.u.write(page, written);
        }
        let line = self.line();
        if written.insert(line.clone()) {
            // Writing to a String cannot fail.
            let _ = writeln!(page, "{line}");
        }
    }

    fn line(&self) -> String {
        let mut line = format!("{:<12}", self.symbol);
        if !self.formula.is_empty() {
            let _ = write!(line, "= {} = {} ", self.formula, self.numbers);
        }
        let value = self.entered.clone().unwrap_or_else(|| self.value.to_string());
        let _ = write!(line, "= {value}");
        if !self.unit.is_empty() {
            let _ = write!(line, " {}", self.unit);
        }
        if let Some(u) = self.standard_uncertainty {
            let _ = write!(line, "  (u = {u:.3e})");
        }
        let _ = write!(line, "  [{}", self.name);
        match &self.fact {
            Some(fact) => {
                let _ = write!(line, "; {} {} {}]", fact.kind, fact.id, fact.field);
            }
            None => {
                let _ = write!(line, "; {}]", self.source);
            }
        }
        line
    }
}
