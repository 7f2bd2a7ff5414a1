//! Run lengths of a chart's rules, computed once per set of rules and remembered by the process.

use std::collections::HashMap;
use std::sync::{LazyLock, Mutex};

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::control::limits::{false_alarm_rate, sigma_ratio};
use ferrotitre_core::control::run_length::{Process, run_length, with_estimated_limits};
use ferrotitre_core::control::{ControlError, RuleSet};
use serde::Serialize;
use utoipa::ToSchema;

use crate::control_charts::judging::Criteria;
use crate::control_charts::rules::{Quantity, refused};

/// What the chosen rules do while the process is in control, and what a finite baseline does to that. For independent normal
/// values; of ranges and proportions nothing exact is known and nothing is shown.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RunLengthsView {
    /// Expected points up to and including the first false hit of any rule, with true limits.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 111.9)]
    pub in_control: Option<f64>,
    /// The same for the rules that reject a run.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 225.4)]
    pub in_control_rejecting: Option<f64>,
    /// Expected points until a shift of 1 s is found by any rule.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_shift_of_1_s: Option<f64>,
    /// For the shifts asked for.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub at_shifts: Vec<LengthAtShift>,
    /// Of each rule alone, in the order of their numbers.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub alone: Vec<Option<f64>>,
    /// What n baseline points do; absent for a target.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub baseline: Option<BaselineEffect>,
    /// Why a figure is missing.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub not_computed: Vec<String>,
}

/// Run length for a shifted mean.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct LengthAtShift {
    /// Shift of the mean, in s.
    #[schema(example = "0.5")]
    pub shift: Decimal,
    /// Expected points up to and including the first hit of any rule.
    pub average: f64,
}

/// What a finite baseline does to the false-alarm rate.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct BaselineEffect {
    /// Points of the baseline.
    pub n: u64,
    /// Expected share of in-control points beyond the action limits; 0.0027 for true limits.
    #[schema(example = 0.0086)]
    pub false_alarm_rate: f64,
    /// 95 % interval of the true standard deviation over the estimated one.
    pub sigma_ratio: [f64; 2],
    /// Expected points up to the first false hit of a rejecting rule, over all baselines of n points.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub in_control_rejecting: Option<f64>,
    /// Probability of at least one false hit of a rejecting rule among 60 points.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub false_alarm_in_60_points: Option<f64>,
}

/// Baseline points and whether the centre is known from elsewhere.
pub type Baseline = Option<(u64, bool)>;

static REMEMBERED: LazyLock<Mutex<HashMap<String, RunLengthsView>>> = LazyLock::new(|| Mutex::new(HashMap::new()));
/// More charts than any laboratory has; beyond it the memory is emptied and filled anew.
const MOST: usize = 1000;

/// Run lengths; those computed before are kept.
pub fn of(criteria: &Criteria, baseline: Baseline) -> RunLengthsView {
    let key = format!("{:?} {:?} {:?} {baseline:?}", criteria.quantity, criteria.rules, criteria.design);
    if let Ok(remembered) = REMEMBERED.lock()
        && let Some(view) = remembered.get(&key)
    {
        return view.clone();
    }
    let view = compute(criteria, baseline);
    if let Ok(mut remembered) = REMEMBERED.lock() {
        if remembered.len() >= MOST {
            remembered.clear();
        }
        remembered.insert(key, view.clone());
    }
    view
}

/// Keeps a figure or notes why there is none.
fn kept(notes: &mut Vec<String>, what: &str, figure: Result<f64, ControlError>) -> Option<f64> {
    match figure {
        Ok(value) if value.is_finite() => Some(value),
        Ok(_) => None,
        Err(error) => {
            notes.push(format!("{what}: {error}"));
            None
        }
    }
}

fn average(rules: &RuleSet, process: Process) -> Result<f64, ControlError> {
    run_length(rules, process).map(|run| run.average())
}

fn compute(criteria: &Criteria, baseline: Baseline) -> RunLengthsView {
    let mut notes = Vec::new();
    let mut view = RunLengthsView {
        in_control: None,
        in_control_rejecting: None,
        at_shift_of_1_s: None,
        at_shifts: Vec::new(),
        alone: Vec::new(),
        baseline: None,
        not_computed: Vec::new(),
    };
    match (criteria.quantity, criteria.design, &criteria.rules) {
        (Quantity::Range | Quantity::DiscardedReductions, ..) => {
            notes.push("ranges and proportions are not normal: no exact run length".to_owned());
        }
        (_, Some(design), _) => {
            view.in_control = kept(&mut notes, "in control", design.average_run_length(0.0));
            view.at_shift_of_1_s = kept(&mut notes, "at a shift of 1 s", design.average_run_length(1.0));
        }
        (_, None, Some(rules)) => {
            view.in_control = kept(&mut notes, "in control", average(rules, Process::IN_CONTROL));
            view.at_shift_of_1_s = kept(&mut notes, "at a shift of 1 s", average(rules, Process::shifted(1.0)));
            let alone = |rule: &ferrotitre_core::control::Rule| {
                RuleSet::new(vec![rule.clone()]).and_then(|set| average(&set, Process::IN_CONTROL)).ok()
            };
            view.alone = rules.rules().iter().map(alone).collect();
            if let Some(rejecting) = rules.rejecting() {
                view.in_control_rejecting =
                    kept(&mut notes, "rejecting rules", average(&rejecting, Process::IN_CONTROL));
            }
        }
        (_, None, None) => {}
    }
    if let Some((n, centre_known)) = baseline {
        view.baseline = effect(criteria, n, centre_known, &mut notes);
    }
    view.not_computed = notes;
    view
}

fn effect(criteria: &Criteria, n: u64, centre_known: bool, notes: &mut Vec<String>) -> Option<BaselineEffect> {
    if matches!(criteria.quantity, Quantity::Range | Quantity::DiscardedReductions) {
        return None;
    }
    let rate = kept(notes, "false-alarm rate", false_alarm_rate(n, centre_known))?;
    let ratio = sigma_ratio(n).ok()?;
    let mut effect = BaselineEffect {
        n,
        false_alarm_rate: rate,
        sigma_ratio: [ratio.low, ratio.high],
        in_control_rejecting: None,
        false_alarm_in_60_points: None,
    };
    if let Some(rejecting) = criteria.rules.as_ref().and_then(RuleSet::rejecting) {
        match with_estimated_limits(&rejecting, n, centre_known, 0.0) {
            Ok(run) => {
                effect.in_control_rejecting = kept(notes, "rejecting rules from this baseline", run.average());
                effect.false_alarm_in_60_points = Some(run.probability_of_mark(60));
            }
            Err(error) => notes.push(format!("rejecting rules from this baseline: {error}")),
        }
    }
    Some(effect)
}

/// Run length for one shift.
///
/// # Errors
/// A chart whose run length is not known, or rules with too many states.
pub fn at(criteria: &Criteria, shift: &Decimal) -> Result<LengthAtShift, Refusal> {
    let found = match (criteria.design, &criteria.rules) {
        (Some(design), _) => design.average_run_length(shift.value()),
        (None, Some(rules)) => average(rules, Process::shifted(shift.value())),
        (None, None) => return Err(Refusal::new(Code::NotEnoughData, "proportions have no exact run length")),
    };
    Ok(LengthAtShift { shift: shift.clone(), average: found.map_err(refused)? })
}
