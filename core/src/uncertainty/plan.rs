//! Which change of a procedure lowers an uncertainty most for what it costs.

use super::{CoverageRule, DegreesOfFreedom, Input, InputError, Inputs, Sourced, expand};
use crate::statistics::distribution::DistributionError;
use crate::stop;

/// Most plans that are compared.
pub const MOST_PLANS: usize = 1_000_000;

/// One way of doing a thing: the inputs as they would then be, in place of those of the same identity, and its cost.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// What it is called.
    pub label: String,
    /// Cost, in whatever unit all costs are in.
    pub cost: f64,
    /// Inputs that are different from the present ones.
    pub inputs: Vec<Input>,
}

/// A thing that can be done in several ways, independently of the others.
#[derive(Debug, Clone, PartialEq)]
pub struct Act {
    /// What it is called.
    pub name: String,
    /// The ways; the first is the present one.
    pub choices: Vec<Choice>,
}

/// One choice for every act.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Position of the choice, act by act.
    pub choices: Vec<usize>,
    /// Sum of costs.
    pub cost: f64,
    /// Value of the result.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Expanded uncertainty.
    pub expanded_uncertainty: f64,
}

/// Why plans cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// An act without a choice.
    #[error("act {0} has no choice")]
    NoChoice(String),
    /// An input of a choice is not in the formula.
    #[error("the choice {choice} of act {act} changes {id}, which is no input")]
    UnknownInput {
        /// Act.
        act: String,
        /// Choice.
        choice: String,
        /// Input.
        id: String,
    },
    /// An input that two acts change.
    #[error("input {id} is changed by two acts, {first} and {second}")]
    Twice {
        /// Input.
        id: String,
        /// One act.
        first: String,
        /// The other.
        second: String,
    },
    /// A cost that is no number.
    #[error("the cost of {choice} must be a number, 0 or more, not {value}")]
    Cost {
        /// Choice.
        choice: String,
        /// Offending value.
        value: f64,
    },
    /// More combinations than are compared.
    #[error("{found} combinations of choices are more than {MOST_PLANS}")]
    TooMany {
        /// How many there are.
        found: usize,
    },
    /// The formula has no value with some combination.
    #[error("the formula has no finite value or uncertainty with {0}")]
    NotFinite(String),
    /// An input that is not usable.
    #[error(transparent)]
    Input(#[from] InputError),
    /// A coverage factor that does not exist.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// A formula with the present inputs and what can be changed.
pub struct Question<'a, M> {
    /// Present inputs.
    pub inputs: &'a [Input],
    /// Correlations of inputs.
    pub correlations: &'a [(&'a str, &'a str, f64)],
    /// Acts.
    pub acts: &'a [Act],
    /// Formula, on the inputs in their order.
    pub model: M,
    /// How the expanded uncertainty is made.
    pub coverage: CoverageRule,
}

/// Number of combinations of so many choices each.
#[must_use]
pub fn combinations(sizes: &[usize]) -> usize {
    sizes.iter().fold(1_usize, |product, size| product.saturating_mul(*size))
}

/// Turns to the next combination, the last act fastest; false after the last one.
pub(crate) fn turn(choices: &mut [usize], sizes: &[usize]) -> bool {
    let Some(turned) = (0..choices.len()).rev().find(|&act| choices[act] + 1 < sizes[act]) else { return false };
    choices[turned] += 1;
    choices[turned + 1..].fill(0);
    true
}

fn sizes(acts: &[Act]) -> Vec<usize> {
    acts.iter().map(|act| act.choices.len()).collect()
}

impl<M: Fn(&[Sourced]) -> Sourced> Question<'_, M> {
    /// Every combination of choices, the present one first.
    ///
    /// # Source
    /// Propagation by JCGM 100:2008, equations (10), (16) and (G.2b), for each (from memory); nothing is linearised over
    /// choices, so that effects on each other (an aliquot that changes the titre) are in it.
    ///
    /// # Errors
    /// [`PlanError`].
    pub fn plans(&self) -> Result<Vec<Plan>, PlanError> {
        self.check()?;
        let sizes = sizes(self.acts);
        let mut plans = Vec::with_capacity(combinations(&sizes));
        let mut choices = vec![0; self.acts.len()];
        loop {
            stop::point();
            plans.push(self.plan(&choices)?);
            if !turn(&mut choices, &sizes) {
                return Ok(plans);
            }
        }
    }

    fn check(&self) -> Result<(), PlanError> {
        let found = combinations(&sizes(self.acts));
        if found > MOST_PLANS {
            return Err(PlanError::TooMany { found });
        }
        let mut changed: Vec<(&str, &str)> = Vec::new();
        for act in self.acts {
            if act.choices.is_empty() {
                return Err(PlanError::NoChoice(act.name.clone()));
            }
            for choice in &act.choices {
                if !(choice.cost >= 0.0 && choice.cost.is_finite()) {
                    return Err(PlanError::Cost { choice: choice.label.clone(), value: choice.cost });
                }
                for input in &choice.inputs {
                    let id = input.id.as_str();
                    if !self.inputs.iter().any(|known| known.id == id) {
                        let (act, choice) = (act.name.clone(), choice.label.clone());
                        return Err(PlanError::UnknownInput { act, choice, id: id.to_owned() });
                    }
                    if let Some((_, first)) = changed.iter().find(|(known, by)| *known == id && *by != act.name) {
                        let (first, second) = ((*first).to_owned(), act.name.clone());
                        return Err(PlanError::Twice { id: id.to_owned(), first, second });
                    }
                    changed.push((id, &act.name));
                }
            }
        }
        Ok(())
    }

    fn plan(&self, choices: &[usize]) -> Result<Plan, PlanError> {
        let mut inputs = Inputs::new();
        let chosen = || self.acts.iter().zip(choices).map(|(act, &choice)| &act.choices[choice]);
        for input in self.inputs {
            let changed = chosen().flat_map(|choice| &choice.inputs).find(|other| other.id == input.id);
            inputs.add(changed.unwrap_or(input).clone())?;
        }
        inputs.correlate_all(self.correlations)?;
        let result = (self.model)(&inputs.sourced());
        let u = inputs.standard_uncertainty(&result);
        if !(result.value().is_finite() && u.is_finite()) {
            let labels: Vec<&str> = chosen().map(|choice| choice.label.as_str()).collect();
            return Err(PlanError::NotFinite(labels.join(", ")));
        }
        let degrees_of_freedom = inputs.effective_degrees_of_freedom(&result);
        let expanded_uncertainty = expand(u, degrees_of_freedom, self.coverage)?.expanded_uncertainty;
        let cost = chosen().map(|choice| choice.cost).sum();
        Ok(Plan { choices: choices.to_vec(), cost, value: result.value(), u, degrees_of_freedom, expanded_uncertainty })
    }
}

fn cheaper(a: &Plan, b: &Plan) -> std::cmp::Ordering {
    a.cost.total_cmp(&b.cost).then_with(|| a.expanded_uncertainty.total_cmp(&b.expanded_uncertainty))
}

/// The cheapest plan whose expanded uncertainty is at most `target`; of two that cost the same, the better one.
#[must_use]
pub fn cheapest(plans: &[Plan], target: f64) -> Option<&Plan> {
    plans.iter().filter(|plan| plan.expanded_uncertainty <= target).min_by(|a, b| cheaper(a, b))
}

/// Plans that no other plan beats in both cost and uncertainty, by rising cost.
#[must_use]
pub fn frontier(plans: &[Plan]) -> Vec<&Plan> {
    let mut sorted: Vec<&Plan> = plans.iter().collect();
    sorted.sort_by(|a, b| cheaper(a, b));
    let mut least = f64::INFINITY;
    sorted.retain(|plan| {
        let better = plan.expanded_uncertainty < least;
        least = least.min(plan.expanded_uncertainty);
        better
    });
    sorted
}

/// Plans that differ from the present one in a single act.
#[must_use]
pub fn single_changes(plans: &[Plan]) -> Vec<&Plan> {
    plans.iter().filter(|plan| plan.choices.iter().filter(|choice| **choice != 0).count() == 1).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn relative(id: &str, u: f64) -> Input {
        Input::new(id, "", "", 1.0, u)
    }

    fn choice(label: &str, cost: f64, inputs: Vec<Input>) -> Choice {
        Choice { label: label.to_owned(), cost, inputs }
    }

    /// Eurachem QUAM, example A2 (read): relative u of repeatability 0.0005, mass 0.00033, purity 0.00029, molar mass
    /// 0.000019, volume 0.0007, together 0.00097 of 0.10214 mol/L. The rest is its sum of squares by hand.
    #[test]
    fn the_standardisation_of_the_guide_is_improved_where_it_pays_most() {
        let parts = [("rep", 0.0005), ("m", 0.00033), ("P", 0.00029), ("M", 0.000_019), ("V", 0.0007)];
        let inputs: Vec<Input> = parts.iter().map(|(id, u)| relative(id, *u)).collect();
        let acts = [
            Act {
                name: "replicates".to_owned(),
                choices: vec![
                    choice("1", 10.0, vec![]),
                    choice("4", 40.0, vec![relative("rep", 0.00025)]),
                    choice("9", 90.0, vec![relative("rep", 0.0005 / 3.0)]),
                ],
            },
            Act {
                name: "burette".to_owned(),
                choices: vec![choice("as sold", 0.0, vec![]), choice("calibrated", 15.0, vec![relative("V", 0.00035)])],
            },
        ];
        let model =
            |x: &[Sourced]| x.iter().skip(1).fold(x[0].clone() * 0.10214, |product, factor| product * factor.clone());
        let question =
            Question { inputs: &inputs, correlations: &[], acts: &acts, model, coverage: CoverageRule::Fixed(2.0) };
        let plans = question.plans().unwrap();
        assert_eq!(plans.len(), 6);
        let by_hand = |rep: f64, v: f64| {
            let squares = rep * rep + 0.00033f64.powi(2) + 0.00029f64.powi(2) + 0.000_019f64.powi(2) + v * v;
            2.0 * 0.10214 * squares.sqrt()
        };
        assert!((plans[0].u / 0.10214 - 0.00097).abs() < 5e-6, "{}", plans[0].u / 0.10214);
        let found = |choices: [usize; 2]| {
            plans.iter().find(|plan| plan.choices == choices).map(|plan| plan.expanded_uncertainty).unwrap()
        };
        for (choices, rep, v) in [
            ([0, 0], 0.0005, 0.0007),
            ([1, 0], 0.00025, 0.0007),
            ([0, 1], 0.0005, 0.00035),
            ([2, 1], 0.0005 / 3.0, 0.00035),
        ] {
            assert!((found(choices) - by_hand(rep, v)).abs() < 1e-12, "{choices:?}");
        }
        // 0.00076 relative with the calibrated burette alone, for 15; four replicates alone come to 0.00087 for 30.
        let target = 2.0 * 0.10214 * 0.0008;
        assert_eq!(cheapest(&plans, target).unwrap().choices, [0, 1]);
        assert!(cheapest(&plans, 0.0).is_none());
        let costs: Vec<f64> = frontier(&plans).iter().map(|plan| plan.cost).collect();
        // 40 without calibration is worse than 25 with it, so it is not among them.
        assert_eq!(costs, [10.0, 25.0, 55.0, 105.0]);
        assert_eq!(single_changes(&plans).len(), 3);
    }

    #[test]
    fn questions_that_contradict_themselves_are_refused() {
        let inputs = [relative("a", 0.1)];
        let ask = |acts: &[Act]| {
            let model = |x: &[Sourced]| x[0].clone();
            let coverage = CoverageRule::Fixed(2.0);
            Question { inputs: &inputs, correlations: &[], acts, model, coverage }.plans()
        };
        let act = |name: &str, choices| Act { name: name.to_owned(), choices };
        assert_eq!(ask(&[]).unwrap().len(), 1);
        assert!(matches!(ask(&[act("x", vec![])]), Err(PlanError::NoChoice(_))));
        let other = choice("b", 1.0, vec![relative("b", 0.1)]);
        assert!(matches!(ask(&[act("x", vec![other])]), Err(PlanError::UnknownInput { .. })));
        let change = || vec![choice("now", 0.0, vec![]), choice("a", 1.0, vec![relative("a", 0.05)])];
        assert!(matches!(ask(&[act("x", change()), act("y", change())]), Err(PlanError::Twice { .. })));
        assert!(matches!(ask(&[act("x", vec![choice("z", -1.0, vec![])])]), Err(PlanError::Cost { .. })));
        let many: Vec<Act> = (0..25).map(|i| act(&i.to_string(), vec![choice("", 0.0, vec![]); 2])).collect();
        assert!(matches!(ask(&many), Err(PlanError::TooMany { .. })));
    }
}
