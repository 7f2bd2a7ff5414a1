//! Uncertainty of a formula: budget and Monte Carlo.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::rounding::{self, Ties};
use ferrotitre_core::uncertainty::monte_carlo::{self, Settings};
use ferrotitre_core::uncertainty::{self as core, CoverageRule, Distribution, Input, Inputs, propagate_numerically};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::model::Model;
use crate::figures::uncertainty::{CoverageFigures, MonteCarloFigures};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::{Show, ninety_five};

/// Shape of what is known about an input.
#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ShapeName {
    /// Normal.
    #[default]
    Normal,
    /// Only limits are known.
    Rectangular,
    /// Limits, the middle more likely.
    Triangular,
    /// Symmetric trapezoid with `shape` as ratio of top to base.
    Trapezoidal,
    /// U-shaped.
    Arcsine,
    /// Scaled Student t with the input's degrees of freedom.
    StudentT,
    /// Rectangular with limits known to `shape` of the half-width.
    CurvilinearTrapezoid,
}

/// An input: its value and one statement of its uncertainty.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct QuantityInput {
    /// Name in the formula: letters, digits, underscores.
    id: String,
    /// What it is, for the budget.
    #[serde(default)]
    label: String,
    /// Best estimate.
    value: f64,
    /// Standard uncertainty.
    u: Option<f64>,
    /// Expanded uncertainty of a certificate, with its factor k.
    expanded: Option<f64>,
    /// Coverage factor of the certificate.
    k: Option<f64>,
    /// Half-width of limits; the shape says which.
    half_width: Option<f64>,
    /// Sample standard deviation of readings, with their number n.
    sd: Option<f64>,
    /// Number of readings whose mean the value is.
    n: Option<u32>,
    /// Degrees of freedom of the standard uncertainty; left out, infinite.
    degrees_of_freedom: Option<f64>,
    /// Shape.
    #[serde(default)]
    distribution: ShapeName,
    /// Parameter of the shape, from 0 to 1.
    shape: Option<f64>,
}

impl QuantityInput {
    fn shape(&self) -> Result<Distribution, Refusal> {
        let parameter = || {
            let refused = |value: String| {
                Refusal::invalid(
                    &format!("inputs.{}.shape", self.id),
                    "range",
                    "this shape needs one from 0 to 1",
                    value,
                )
            };
            self.shape
                .filter(|shape| (0.0..=1.0).contains(shape))
                .ok_or_else(|| refused(self.shape.map(|shape| shape.to_string()).unwrap_or_default()))
        };
        Ok(match self.distribution {
            ShapeName::Normal => Distribution::Normal,
            ShapeName::Rectangular => Distribution::Rectangular,
            ShapeName::Triangular => Distribution::Triangular,
            ShapeName::Trapezoidal => Distribution::Trapezoidal { top_to_base: parameter()? },
            ShapeName::Arcsine => Distribution::Arcsine,
            ShapeName::StudentT => Distribution::StudentT,
            ShapeName::CurvilinearTrapezoid => {
                Distribution::CurvilinearTrapezoid { relative_limit_width: parameter()? }
            }
        })
    }

    fn input(&self) -> Result<Input, Refusal> {
        let bare = |u| Input::new(self.id.clone(), self.label.clone(), "", self.value, u);
        let shape = self.shape()?;
        let input = match (self.u, self.expanded, self.half_width, self.sd) {
            (Some(u), None, None, None) => bare(u).with_dof(self.degrees_of_freedom).shaped(shape),
            (None, Some(expanded), None, None) => {
                let k = self.k.unwrap_or(2.0);
                bare(0.0).from_certificate(expanded, k)?.with_dof(self.degrees_of_freedom).shaped(shape)
            }
            (None, None, Some(half_width), None) => {
                bare(0.0).within(half_width, shape)?.with_dof(self.degrees_of_freedom)
            }
            (None, None, None, Some(sd)) => {
                let n = self.n.ok_or_else(|| {
                    Refusal::invalid(
                        &format!("inputs.{}.n", self.id),
                        "required",
                        "a standard deviation needs its number",
                        "",
                    )
                })?;
                bare(0.0).from_readings(sd, n)?.shaped(shape)
            }
            (None, None, None, None) => Input::exact(self.id.clone(), self.label.clone(), "", self.value),
            _ => {
                let message = "state the uncertainty once: u, expanded, half_width or sd";
                return Err(Refusal::invalid(&format!("inputs.{}", self.id), "one_of", message, &self.id));
            }
        };
        input.validate()?;
        Ok(input)
    }
}

/// Correlation of two inputs.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CorrelationInput {
    /// First input.
    first: String,
    /// Second input.
    second: String,
    /// Coefficient, -1 to 1.
    r: f64,
}

/// Puts inputs and formula together.
fn prepared(
    model: &str,
    inputs: &[QuantityInput],
    correlations: &[CorrelationInput],
) -> Result<(Model, Inputs), Refusal> {
    if inputs.is_empty() || inputs.len() > 200 {
        return Err(Refusal::invalid("inputs", "size", "must be from 1 to 200", inputs.len()));
    }
    let names: Vec<String> = inputs.iter().map(|input| input.id.clone()).collect();
    for (at, name) in names.iter().enumerate() {
        let starts = name.starts_with(|c: char| c.is_alphabetic() || c == '_');
        if !starts
            || !name.chars().all(|c| c.is_alphanumeric() || c == '_')
            || ["sqrt", "exp", "ln"].contains(&name.as_str())
        {
            let message = "must begin with a letter and have letters, digits and underscores only";
            return Err(Refusal::invalid(&format!("inputs[{at}].id"), "name", message, name));
        }
        if names[..at].contains(name) {
            return Err(Refusal::invalid(&format!("inputs[{at}].id"), "once", "is given twice", name));
        }
    }
    let parsed = Model::parse(model, &names)?;
    let mut list = Inputs::new();
    for input in inputs {
        list.add(input.input()?)?;
    }
    for correlation in correlations {
        list.correlate(&correlation.first, &correlation.second, correlation.r)?;
    }
    if !parsed.of(&list.values()).is_finite() {
        return Err(Refusal::new(Code::RuleBroken, "the formula has no finite value at the estimates")
            .at("model", "finite", model));
    }
    Ok((parsed, list))
}

/// How the coverage factor is chosen.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CoverageChoice {
    /// A fixed factor.
    k: Option<f64>,
    /// Coverage probability, from Student's t.
    probability: Option<f64>,
}

fn rule(choice: Option<CoverageChoice>) -> Result<CoverageRule, Refusal> {
    match choice {
        None => Ok(CoverageRule::Fixed(2.0)),
        Some(CoverageChoice { k: Some(k), probability: None }) if k > 0.0 && k.is_finite() => {
            Ok(CoverageRule::Fixed(k))
        }
        Some(CoverageChoice { k: None, probability: Some(p) }) => Ok(CoverageRule::Probability(p)),
        Some(choice) => {
            let given = choice.k.map(|k| k.to_string()).unwrap_or_default();
            Err(Refusal::invalid("coverage", "one_of", "give k (greater than 0) or probability", given))
        }
    }
}

/// A formula and its inputs.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UncertaintyInput {
    /// Formula in the names of the inputs: + - * / ^, brackets, sqrt, exp, ln.
    #[schema(example = "z * c * M * V / V0")]
    model: String,
    /// Inputs.
    inputs: Vec<QuantityInput>,
    /// Correlations beyond what shared inputs make.
    #[serde(default)]
    correlations: Vec<CorrelationInput>,
    /// Coverage factor; left out, k = 2.
    coverage: Option<CoverageChoice>,
}

/// A line of the budget.
#[derive(Debug, Serialize, ToSchema)]
pub struct BudgetLineFigures {
    /// Input.
    id: String,
    /// What it is.
    label: String,
    /// Best estimate.
    value: f64,
    /// Standard uncertainty.
    u: f64,
    /// Degrees of freedom; null when infinite.
    degrees_of_freedom: Option<f64>,
    /// Partial derivative of the result.
    sensitivity: f64,
    /// Sensitivity times u.
    contribution: f64,
    /// Share of the variance; shares sum to 1.
    share: f64,
}

/// The result and its budget.
#[derive(Debug, Serialize, ToSchema)]
pub struct UncertaintyFigures {
    /// Value.
    value: f64,
    /// Combined standard uncertainty.
    u: f64,
    /// Effective degrees of freedom (Welch and Satterthwaite); null when infinite.
    effective_degrees_of_freedom: Option<f64>,
    /// Expanded uncertainty.
    coverage: CoverageFigures,
    /// Value and expanded uncertainty as reported, two figures of the uncertainty.
    reported: Option<String>,
    /// Budget, in the order of the inputs.
    budget: Vec<BudgetLineFigures>,
    /// Standard uncertainty by finite differences, as a check; null where they leave the range of the formula.
    u_by_differences: Option<f64>,
}

/// Iron(III) by difference: one titrant, pipette and flask for both titres.
const IRON3: &str = r#"{"model": "z * c * M * D * (V_T - V_2) / V_0",
 "inputs": [{"id": "z", "label": "electrons", "value": 6},
  {"id": "c", "label": "dichromate, mol/L", "value": 0.016667, "u": 0.0000035},
  {"id": "M", "label": "molar mass of iron, g/mol", "value": 55.845, "half_width": 0.002, "distribution": "rectangular"},
  {"id": "D", "label": "dilution", "value": 10, "u": 0.0075},
  {"id": "V_0", "label": "portion, mL", "value": 10, "half_width": 0.02, "distribution": "triangular"},
  {"id": "V_T", "label": "titre of total iron, mL", "value": 23.18, "u": 0.02},
  {"id": "V_2", "label": "titre of iron(II), mL", "value": 21.46, "u": 0.02}]}"#;

impl Calculation for UncertaintyInput {
    const NAME: &'static str = "uncertainty";
    const SUMMARY: &'static str = "value, combined uncertainty and budget of a formula";
    const METHOD: &'static str = "exact partial derivatives; correlations; Welch and Satterthwaite";
    const SOURCE: &'static str = "JCGM 100:2008, equations (10), (16) and (G.2b)";
    const EXAMPLE: &'static str = IRON3;
    type Result = UncertaintyFigures;

    fn calculate(self, _: Place) -> Result<Outcome<UncertaintyFigures>, Refusal> {
        let (model, inputs) = prepared(&self.model, &self.inputs, &self.correlations)?;
        let result = model.with(&inputs.sourced());
        let u = inputs.standard_uncertainty(&result);
        if !(result.value().is_finite() && u.is_finite()) {
            return Err(Refusal::new(Code::RuleBroken, "the formula has no finite derivatives at the estimates").at(
                "model",
                "finite",
                &self.model,
            ));
        }
        let degrees = inputs.effective_degrees_of_freedom(&result);
        let coverage = core::expand(u, degrees, rule(self.coverage)?)?;
        let reported = rounding::report(result.value(), coverage.expanded_uncertainty, Ties::HalfEven);
        let budget = inputs.budget(&result);
        let numerical = propagate_numerically(&inputs, |values| model.of(values));
        let lines = budget.iter().map(|line| BudgetLineFigures {
            id: line.input.id.clone(),
            label: line.input.label.clone(),
            value: line.input.value,
            u: line.input.standard_uncertainty,
            degrees_of_freedom: line.input.degrees_of_freedom.show(),
            sensitivity: line.sensitivity,
            contribution: line.contribution,
            share: line.share,
        });
        let figures = UncertaintyFigures {
            value: result.value(),
            u,
            effective_degrees_of_freedom: degrees.show(),
            coverage: coverage.show(),
            reported: reported
                .map(|r| format!("{} +- {} (k = {:.2})", r.value, r.expanded_uncertainty, coverage.factor)),
            budget: lines.collect(),
            u_by_differences: numerical.map(|numerical| numerical.standard_uncertainty).filter(|u| u.is_finite()),
        };
        let mut page = format!("y = {} = {}\n", self.model, result.value());
        for line in &budget {
            let (id, x, ux) = (&line.input.id, line.input.value, line.input.standard_uncertainty);
            page.push_str(&format!(
                "{id} = {x}, u = {ux}, dy/d{id} = {}, contribution {}, share {:.2} %\n",
                line.sensitivity,
                line.contribution,
                100.0 * line.share
            ));
        }
        page.push_str(&format!("u(y) = {u}, U = {} u = {}\n", coverage.factor, coverage.expanded_uncertainty));
        Ok(Outcome::of(figures).worked(&page))
    }
}

fn million() -> usize {
    1_000_000
}

fn seed() -> u64 {
    1
}

/// A formula, its inputs and how to simulate.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MonteCarloInput {
    /// Formula in the names of the inputs: + - * / ^, brackets, sqrt, exp, ln.
    #[schema(example = "z * c * M * V / V0")]
    model: String,
    /// Inputs.
    inputs: Vec<QuantityInput>,
    /// Correlations of normal inputs.
    #[serde(default)]
    correlations: Vec<CorrelationInput>,
    /// Trials; with `digits`, the most that are made.
    #[serde(default = "million")]
    #[schema(default = 1_000_000)]
    trials: usize,
    /// Coverage probability.
    #[serde(default = "ninety_five")]
    #[schema(default = 0.95)]
    probability: f64,
    /// Seed; the same seed gives the same result, whatever the number of threads.
    #[serde(default = "seed")]
    #[schema(default = 1)]
    seed: u64,
    /// Significant digits of u that must be stable: trials are then added until they are.
    digits: Option<u8>,
}

impl Calculation for MonteCarloInput {
    const NAME: &'static str = "monte-carlo";
    const SUMMARY: &'static str = "distribution of a formula's value by simulation, as of iron(III) near 0";
    const METHOD: &'static str = "seeded counter-based random numbers in blocks; symmetric and shortest intervals";
    const SOURCE: &'static str = "JCGM 101:2008, 7";
    const EXAMPLE: &'static str = IRON3;
    type Result = MonteCarloFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![
            ("trials", self.trials, 1_000_000),
            ("inputs", self.inputs.len(), 30),
            ("trials x inputs", self.trials.saturating_mul(self.inputs.len()), 20_000_000),
        ]
    }

    fn calculate(self, place: Place) -> Result<Outcome<MonteCarloFigures>, Refusal> {
        if self.trials > 1_000_000_000 {
            return Err(Refusal::invalid("trials", "range", "must be at most 1e9", self.trials));
        }
        let (model, inputs) = prepared(&self.model, &self.inputs, &self.correlations)?;
        let settings =
            Settings { trials: self.trials, probability: self.probability, seed: self.seed, threads: place.threads() };
        let function = |values: &[f64]| model.of(values);
        let mut samples = Vec::new();
        let result = match self.digits {
            None => monte_carlo::simulate(&inputs, function, &settings, &mut samples)?,
            Some(digits) => {
                let u = inputs.standard_uncertainty(&model.with(&inputs.sourced()));
                let tolerance = monte_carlo::numerical_tolerance(u, digits)?;
                monte_carlo::adaptive(&inputs, function, tolerance, &settings, &mut samples)?
            }
        };
        Ok(Outcome::of(result.show()))
    }
}
