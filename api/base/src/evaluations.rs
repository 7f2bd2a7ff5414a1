//! What core computes, on the wire: steps of a working, verdicts, budgets.

use ferrotitre_core::determination::{Outcome, Verdict};
use ferrotitre_core::uncertainty::{Contribution, DegreesOfFreedom};
use ferrotitre_core::working::{Working, WorkingNode};
use serde::Serialize;
use utoipa::ToSchema;

/// A step of a working.
#[derive(Debug, Serialize, ToSchema)]
#[schema(no_recursion)]
pub struct StepView {
    /// Symbol.
    #[schema(example = "V")]
    pub symbol: String,
    /// Name of the quantity.
    pub name: String,
    /// Formula in symbols; absent for a fact.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub formula: String,
    /// Where the formula comes from.
    #[serde(skip_serializing_if = "str::is_empty")]
    pub source: &'static str,
    /// The formula with numbers put in.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub numbers: String,
    /// Value at full precision.
    pub value: f64,
    /// The digits as entered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entered: Option<String>,
    /// Unit.
    pub unit: &'static str,
    /// Standard uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standard_uncertainty: Option<f64>,
    /// The record it comes from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fact: Option<FactView>,
    /// What it was computed from.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub inputs: Vec<StepView>,
}

/// The record a number comes from.
#[derive(Debug, Serialize, ToSchema)]
pub struct FactView {
    /// Table.
    #[schema(example = "titrations")]
    pub kind: &'static str,
    /// Identity.
    pub id: String,
    /// Field.
    #[schema(example = "final_readings")]
    pub field: &'static str,
}

impl StepView {
    fn of(working: &Working, at: usize) -> Self {
        let node: &WorkingNode = &working.nodes()[at];
        Self {
            symbol: node.symbol.clone(),
            name: node.name.clone(),
            formula: working.formula(at),
            source: node.source.map_or("", |source| source.citation()),
            numbers: working.numbers(at),
            value: node.value,
            entered: node.entered.clone(),
            unit: node.unit,
            standard_uncertainty: node.standard_uncertainty,
            fact: node.fact.as_ref().map(|fact| FactView { kind: fact.kind, id: fact.id.clone(), field: fact.field }),
            inputs: working.inputs(at).into_iter().map(|input| Self::of(working, input)).collect(),
        }
    }
}

impl From<&Working> for StepView {
    fn from(working: &Working) -> Self {
        Self::of(working, working.result())
    }
}

/// What a rule says.
#[derive(Debug, Serialize, ToSchema)]
pub struct VerdictView {
    /// Rule.
    #[schema(example = "concordance")]
    pub rule: &'static str,
    /// met, not met, query or no decision.
    #[schema(example = "met")]
    pub outcome: &'static str,
    /// What was compared.
    pub compared: String,
    /// Its value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Critical value or limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub critical: Option<f64>,
    /// Unit of both.
    #[serde(skip_serializing_if = "str::is_empty")]
    pub unit: &'static str,
    /// How the critical value was obtained.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub obtained: String,
    /// p-value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p: Option<f64>,
    /// What may be done now.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub advice: String,
}

impl From<Verdict> for VerdictView {
    fn from(verdict: Verdict) -> Self {
        Self {
            rule: verdict.rule,
            outcome: match verdict.outcome {
                Outcome::Met => "met",
                Outcome::NotMet => "not met",
                Outcome::Query => "query",
                Outcome::NoDecision => "no decision",
            },
            compared: verdict.compared,
            value: verdict.value,
            critical: verdict.critical,
            unit: verdict.unit,
            obtained: verdict.obtained,
            p: verdict.p,
            advice: verdict.advice,
        }
    }
}

/// A line of an uncertainty budget.
#[derive(Debug, Serialize, ToSchema)]
pub struct BudgetLine {
    /// Identity of the input; results that share it share its error.
    pub id: String,
    /// What it is.
    #[schema(example = "concentration of D-1")]
    pub label: String,
    /// Value.
    pub value: f64,
    /// Unit of value and u.
    pub unit: &'static str,
    /// Standard uncertainty.
    pub u: f64,
    /// Degrees of freedom; absent for unlimited.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Partial derivative of the result.
    pub sensitivity: f64,
    /// Sensitivity times u, in the unit of the result.
    pub contribution: f64,
    /// Share of the variance.
    #[schema(example = 0.42)]
    pub share: f64,
}

/// Degrees of freedom as a number, absent for unlimited.
#[must_use]
pub fn finite(dof: DegreesOfFreedom) -> Option<f64> {
    match dof {
        DegreesOfFreedom::Finite(dof) => Some(dof),
        DegreesOfFreedom::Infinite => None,
    }
}

impl From<Contribution> for BudgetLine {
    fn from(line: Contribution) -> Self {
        Self {
            id: line.input.id,
            label: line.input.label,
            value: line.input.value,
            unit: line.input.unit,
            u: line.input.standard_uncertainty,
            degrees_of_freedom: finite(line.input.degrees_of_freedom),
            sensitivity: line.sensitivity,
            contribution: line.contribution,
            share: line.share,
        }
    }
}
