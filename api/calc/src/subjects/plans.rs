//! Results that share their sources, and plans that lower an uncertainty.

use ferrotitre_core::statistics::distribution::ChiSquared;
use ferrotitre_core::uncertainty::plan::{self as core, Act, Choice, Plan, Question};
use ferrotitre_core::uncertainty::{Input, Inputs, Sourced};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::model::Model;
use super::uncertainty::{CorrelationInput, CoverageChoice, QuantityInput, check_names, named, rule};
use crate::subject::{Calculation, Outcome, Place};
use ferrotitre_base::refusal::{Code, Refusal};

/// A result as a formula.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NamedModel {
    /// Name: letters, digits, underscores.
    id: String,
    /// Formula: + - * / ^, brackets, sqrt, exp, ln.
    model: String,
}

/// Several results of the same inputs, and what is made of them.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct JointUncertaintyInput {
    /// Inputs, shared by all results.
    inputs: Vec<QuantityInput>,
    /// Correlations beyond what shared inputs make.
    #[serde(default)]
    correlations: Vec<CorrelationInput>,
    /// Results, as formulae in the names of the inputs.
    results: Vec<NamedModel>,
    /// Sums, differences, means, balances: formulae in the names of the results.
    #[serde(default)]
    combinations: Vec<NamedModel>,
    /// Coverage factor; left out, k = 2.
    coverage: Option<CoverageChoice>,
}

/// A result or what is made of several.
#[derive(Debug, Serialize, ToSchema)]
pub struct JointResultFigures {
    /// Name.
    id: String,
    /// Value.
    value: f64,
    /// Standard uncertainty.
    u: f64,
    /// Expanded uncertainty.
    expanded_uncertainty: f64,
    /// Coverage factor.
    k: f64,
    /// Combinations: standard uncertainty if the results were taken as independent, which is wrong where they share sources.
    u_if_independent: Option<f64>,
}

/// Results with everything between them.
#[derive(Debug, Serialize, ToSchema)]
pub struct JointUncertaintyFigures {
    /// Results, in their order.
    results: Vec<JointResultFigures>,
    /// Covariance matrix of the results.
    covariance: Vec<Vec<f64>>,
    /// Correlation matrix; null where a result has no uncertainty.
    correlation: Vec<Vec<Option<f64>>>,
    /// Factor of the ellipsoid that holds all results at once with the coverage probability, or 95 %.
    joint_factor: f64,
    /// What is made of the results.
    combinations: Vec<JointResultFigures>,
}

/// Three determinations with one titrant and one pipette.
const BATCH: &str = r#"{"inputs": [{"id": "c", "label": "titrant, mol/L", "value": 0.016667, "u": 0.00002},
  {"id": "V0", "label": "pipette, mL", "value": 25, "u": 0.012},
  {"id": "V1", "value": 21.46, "u": 0.02}, {"id": "V2", "value": 21.52, "u": 0.02}, {"id": "V3", "value": 23.18, "u": 0.02}],
 "results": [{"id": "first", "model": "6 * c * 55.845 * V1 / V0"}, {"id": "second", "model": "6 * c * 55.845 * V2 / V0"},
  {"id": "total", "model": "6 * c * 55.845 * V3 / V0"}],
 "combinations": [{"id": "mean", "model": "(first + second) / 2"}, {"id": "ferric", "model": "total - (first + second) / 2"}]}"#;

fn formulae(list: &str, models: &[NamedModel], names: &[String]) -> Result<Vec<Model>, Refusal> {
    let ids: Vec<String> = models.iter().map(|model| model.id.clone()).collect();
    check_names(list, &ids)?;
    let parse = |(at, named): (usize, &NamedModel)| {
        Model::parse(&named.model, names).map_err(|mut refusal| {
            refusal.fields.iter_mut().for_each(|field| field.field = format!("{list}[{at}].{}", field.field));
            refusal
        })
    };
    models.iter().enumerate().map(parse).collect()
}

impl JointUncertaintyInput {
    fn figures(
        &self,
        id: &str,
        inputs: &Inputs,
        value: &Sourced,
        u_if_independent: Option<f64>,
    ) -> Result<JointResultFigures, Refusal> {
        let u = inputs.standard_uncertainty(value);
        if !(value.value().is_finite() && u.is_finite()) {
            return Err(Refusal::new(
                Code::RuleBroken,
                "the formula has no finite value or derivatives at the estimates",
            )
            .at(id, "finite", value.value()));
        }
        let degrees = inputs.effective_degrees_of_freedom(value);
        let coverage = ferrotitre_core::uncertainty::expand(u, degrees, rule(self.coverage)?)?;
        let (k, expanded_uncertainty) = (coverage.factor, coverage.expanded_uncertainty);
        Ok(JointResultFigures { id: id.to_owned(), value: value.value(), u, expanded_uncertainty, k, u_if_independent })
    }
}

impl Calculation for JointUncertaintyInput {
    const NAME: &'static str = "joint-uncertainty";
    const SUMMARY: &'static str =
        "covariance of several results from shared sources; sums, differences, means, balances";
    const METHOD: &'static str = "U_y = C U_x C^T with exact partial derivatives of every result to every input";
    const SOURCE: &'static str = "JCGM 102:2011, 6.2 and 7.7; JCGM 100:2008, H.2";
    const EXAMPLE: &'static str = BATCH;
    type Result = JointUncertaintyFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        vec![("results", self.results.len(), 200), ("combinations", self.combinations.len(), 200)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<JointUncertaintyFigures>, Refusal> {
        let names = named(&self.inputs)?;
        if self.results.is_empty() || self.results.len() > 1000 {
            return Err(Refusal::invalid("results", "size", "must be from 1 to 1000", self.results.len()));
        }
        let mut inputs = Inputs::new();
        for input in &self.inputs {
            inputs.add(input.input()?)?;
        }
        inputs.correlate_all(&self.correlations.iter().map(CorrelationInput::stated).collect::<Vec<_>>())?;
        let sourced = inputs.sourced();
        let models = formulae("results", &self.results, &names)?;
        let values: Vec<Sourced> = models.iter().map(|model| model.with(&sourced)).collect();
        let ids: Vec<String> = self.results.iter().map(|result| result.id.clone()).collect();
        let results: Vec<JointResultFigures> = ids
            .iter()
            .zip(&values)
            .map(|(id, value)| self.figures(id, &inputs, value, None))
            .collect::<Result<_, Refusal>>()?;
        // The same results as if each had sources of its own.
        let mut apart = Inputs::new();
        let apart_values = results
            .iter()
            .map(|result| apart.add(Input::new(result.id.clone(), "", "", result.value, result.u)))
            .collect::<Result<Vec<_>, _>>()?;
        let mut combinations = Vec::new();
        for (named, model) in self.combinations.iter().zip(formulae("combinations", &self.combinations, &ids)?) {
            let independent = apart.standard_uncertainty(&model.with(&apart_values));
            combinations.push(self.figures(&named.id, &inputs, &model.with(&values), Some(independent))?);
        }
        let matrix = |of: &dyn Fn(&Sourced, &Sourced) -> f64| -> Vec<Vec<f64>> {
            values.iter().map(|a| values.iter().map(|b| of(a, b)).collect()).collect()
        };
        let p = self.coverage.and_then(|choice| choice.probability()).unwrap_or(0.95);
        let joint_factor = ChiSquared::new(values.len() as f64)?.quantile(p)?.sqrt();
        let correlation = values.iter().map(|a| values.iter().map(|b| inputs.correlation(a, b)).collect()).collect();
        Ok(Outcome::of(JointUncertaintyFigures {
            results,
            covariance: matrix(&|a, b| inputs.covariance(a, b)),
            correlation,
            joint_factor,
            combinations,
        }))
    }
}

/// A way of doing a thing.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChoiceInput {
    /// What it is called.
    label: String,
    /// Cost, in whatever unit all costs are in.
    cost: f64,
    /// Inputs as they then are, in place of those of the same id.
    #[serde(default)]
    inputs: Vec<QuantityInput>,
}

/// A thing that can be done in several ways.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ActInput {
    /// What it is called.
    name: String,
    /// The ways; the first is the present one.
    choices: Vec<ChoiceInput>,
}

/// A formula, its present inputs, and what can be changed at which cost.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UncertaintyPlanInput {
    /// Formula in the names of the inputs: + - * / ^, brackets, sqrt, exp, ln.
    model: String,
    /// Present inputs.
    inputs: Vec<QuantityInput>,
    /// Correlations of inputs.
    #[serde(default)]
    correlations: Vec<CorrelationInput>,
    /// What can be changed: aliquot, replicates, burette, standardisations, a newer standard.
    acts: Vec<ActInput>,
    /// Expanded uncertainty that is wanted at most, in the unit of the result.
    target: Option<f64>,
    /// Coverage factor; left out, k = 2.
    coverage: Option<CoverageChoice>,
}

/// A plan.
#[derive(Debug, Serialize, ToSchema)]
pub struct CostedPlanFigures {
    /// Chosen ways, act by act.
    choices: Vec<String>,
    /// Sum of costs.
    cost: f64,
    /// Standard uncertainty.
    u: f64,
    /// Expanded uncertainty.
    expanded_uncertainty: f64,
}

/// One act changed, all others as at present.
#[derive(Debug, Serialize, ToSchema)]
pub struct SingleChangeFigures {
    /// Act.
    act: String,
    /// The way it would be done.
    choice: String,
    /// What it costs more.
    further_cost: f64,
    /// Expanded uncertainty then.
    expanded_uncertainty: f64,
    /// By how much that is lower.
    gain: f64,
    /// Gain per unit of cost: the derivative of U to cost, with its sign changed; null where it costs nothing more.
    gain_per_cost: Option<f64>,
}

/// Plans.
#[derive(Debug, Serialize, ToSchema)]
pub struct UncertaintyPlanFigures {
    /// Combinations compared.
    compared: usize,
    /// As it is.
    present: CostedPlanFigures,
    /// The cheapest plan that meets the target; null where none does, or no target was given.
    cheapest: Option<CostedPlanFigures>,
    /// The plan with the least uncertainty, whatever it costs.
    best: Option<CostedPlanFigures>,
    /// Plans that no other beats in both cost and uncertainty, by rising cost; at most 200.
    frontier: Vec<CostedPlanFigures>,
    /// Changes of one act alone, the largest gain per cost first.
    single_changes: Vec<SingleChangeFigures>,
}

/// Standardisation of a titrant (Eurachem QUAM, example A2), with costs invented for the example.
const A2: &str = r#"{"model": "1000 * rep * m * P / (M * V)",
 "inputs": [{"id": "rep", "label": "repeatability", "value": 1, "u": 0.0005},
  {"id": "m", "label": "mass of standard, g", "value": 0.3888, "u": 0.00013},
  {"id": "P", "label": "purity", "value": 1, "u": 0.00029},
  {"id": "M", "label": "molar mass, g/mol", "value": 204.2212, "u": 0.0038},
  {"id": "V", "label": "titre, mL", "value": 18.64, "u": 0.013}],
 "acts": [{"name": "standardisations", "choices": [{"label": "1", "cost": 10},
   {"label": "4", "cost": 40, "inputs": [{"id": "rep", "value": 1, "u": 0.00025}]}]},
  {"name": "burette", "choices": [{"label": "class A", "cost": 0},
   {"label": "calibrated", "cost": 15, "inputs": [{"id": "V", "value": 18.64, "u": 0.006}]}]}],
 "target": 0.00016}"#;

impl ActInput {
    fn act(&self, at: usize) -> Result<Act, Refusal> {
        let choice = |(number, choice): (usize, &ChoiceInput)| {
            let inputs = choice.inputs.iter().map(QuantityInput::input).collect::<Result<_, Refusal>>();
            let inputs = inputs.map_err(|mut refusal| {
                let place = format!("acts[{at}].choices[{number}]");
                refusal.fields.iter_mut().for_each(|field| field.field = format!("{place}.{}", field.field));
                refusal
            })?;
            Ok(Choice { label: choice.label.clone(), cost: choice.cost, inputs })
        };
        let choices = self.choices.iter().enumerate().map(choice).collect::<Result<_, Refusal>>()?;
        Ok(Act { name: self.name.clone(), choices })
    }
}

fn shown(plan: &Plan, acts: &[Act]) -> CostedPlanFigures {
    let label = |(act, choice): (&Act, &usize)| format!("{}: {}", act.name, act.choices[*choice].label);
    CostedPlanFigures {
        choices: acts.iter().zip(&plan.choices).map(label).collect(),
        cost: plan.cost,
        u: plan.u,
        expanded_uncertainty: plan.expanded_uncertainty,
    }
}

fn single_changes(plans: &[Plan], present: &Plan, acts: &[Act]) -> Vec<SingleChangeFigures> {
    let change = |plan: &&Plan| {
        let (act, choice) = acts.iter().zip(&plan.choices).find(|(_, choice)| **choice != 0)?;
        let gain = present.expanded_uncertainty - plan.expanded_uncertainty;
        let further_cost = plan.cost - present.cost;
        Some(SingleChangeFigures {
            act: act.name.clone(),
            choice: act.choices[*choice].label.clone(),
            further_cost,
            expanded_uncertainty: plan.expanded_uncertainty,
            gain,
            gain_per_cost: (further_cost > 0.0).then(|| gain / further_cost),
        })
    };
    let mut changes: Vec<SingleChangeFigures> = core::single_changes(plans).iter().filter_map(change).collect();
    // What costs nothing and gains comes first.
    let worth = |change: &SingleChangeFigures| match change.gain_per_cost {
        Some(gain) => gain,
        None if change.gain > 0.0 => f64::INFINITY,
        None => change.gain,
    };
    changes.sort_by(|a, b| worth(b).total_cmp(&worth(a)));
    changes
}

impl Calculation for UncertaintyPlanInput {
    const NAME: &'static str = "uncertainty-plan";
    const SUMMARY: &'static str = "what to change for a smaller uncertainty: cheapest plan for a target, gain per cost";
    const METHOD: &'static str = "every combination of choices is propagated anew; none is linearised";
    const SOURCE: &'static str = "JCGM 100:2008, equations (10), (16) and (G.2b); Eurachem QUAM, example A2 (read)";
    const EXAMPLE: &'static str = A2;
    type Result = UncertaintyPlanFigures;

    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        let combinations = self.acts.iter().fold(1_usize, |product, act| product.saturating_mul(act.choices.len()));
        let work = combinations.saturating_mul(self.inputs.len() + self.correlations.len());
        vec![("acts", combinations, 20_000), ("acts x inputs", work, 500_000)]
    }

    fn calculate(self, _: Place) -> Result<Outcome<UncertaintyPlanFigures>, Refusal> {
        let names = named(&self.inputs)?;
        let model = Model::parse(&self.model, &names)?;
        let inputs: Vec<Input> = self.inputs.iter().map(QuantityInput::input).collect::<Result<_, Refusal>>()?;
        let acts: Vec<Act> =
            self.acts.iter().enumerate().map(|(at, act)| act.act(at)).collect::<Result<_, Refusal>>()?;
        if let Some(target) = self.target.filter(|target| !(*target > 0.0 && target.is_finite())) {
            return Err(Refusal::invalid("target", "range", "must be greater than 0", target));
        }
        let correlations: Vec<(&str, &str, f64)> = self.correlations.iter().map(CorrelationInput::stated).collect();
        let question = Question {
            inputs: &inputs,
            correlations: &correlations,
            acts: &acts,
            model: |values: &[Sourced]| model.with(values),
            coverage: rule(self.coverage)?,
        };
        let plans = question.plans()?;
        let Some(present) = plans.first() else {
            return Err(Refusal::invalid("acts", "required", "there is nothing to compare", ""));
        };
        let cheapest = self.target.and_then(|target| core::cheapest(&plans, target));
        let best = plans.iter().min_by(|a, b| a.expanded_uncertainty.total_cmp(&b.expanded_uncertainty));
        let figures = UncertaintyPlanFigures {
            compared: plans.len(),
            present: shown(present, &acts),
            cheapest: cheapest.map(|plan| shown(plan, &acts)),
            best: best.map(|plan| shown(plan, &acts)),
            frontier: core::frontier(&plans).into_iter().take(200).map(|plan| shown(plan, &acts)).collect(),
            single_changes: single_changes(&plans, present, &acts),
        };
        let outcome = Outcome::of(figures);
        Ok(match (self.target, cheapest) {
            (Some(target), Some(plan)) => {
                let detail = format!("U = {} for a cost of {}", plan.expanded_uncertainty, plan.cost);
                outcome.judged(format!("U of {target} at most"), true, detail)
            }
            (Some(target), None) => {
                let least = best.map_or(0.0, |plan| plan.expanded_uncertainty);
                outcome.judged(format!("U of {target} at most"), false, format!("the least of all plans is {least}"))
            }
            (None, _) => outcome,
        })
    }
}
