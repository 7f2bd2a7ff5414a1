//! Run rules: judgement of a series, and how long a set of rules runs without a mark.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::control::run_length::{self, Chain, with_estimated_limits};
use ferrotitre_core::control::{AfterSignal, Consequence, Engine, Pattern, Process, Rule, RuleSet, Side};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::control::standardised;
use crate::csv::Table;
use crate::subject::{Calculation, Outcome, Place};

/// Sides of the centre line that a rule watches.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum SideOfRule {
    /// Each side is counted on its own.
    #[default]
    Same,
    /// Points of both sides are counted together.
    Any,
    /// Only the upper side.
    Upper,
    /// Only the lower side.
    Lower,
}

fn yes() -> bool {
    true
}

/// One rule: give `beyond` with `of`, `within`, `steady` or `alternating`.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RuleInput {
    /// Points needed beyond `sigmas`.
    beyond: Option<u8>,
    /// Points looked at; left out, as many as are needed.
    of: Option<u8>,
    /// Points in a row needed within `sigmas`.
    within: Option<u8>,
    /// Points in a row that rise, or fall.
    steady: Option<u8>,
    /// Points in a row that go up and down by turns.
    alternating: Option<u8>,
    /// Distance from the centre line.
    #[serde(default)]
    #[schema(default = 0.0)]
    sigmas: f64,
    /// Sides.
    #[serde(default)]
    side: SideOfRule,
    /// Whether a hit rejects the run; otherwise it is investigated.
    #[serde(default = "yes")]
    #[schema(default = true)]
    rejects: bool,
}

impl RuleInput {
    fn rule(&self, at: usize) -> Result<Rule, Refusal> {
        let side = match self.side {
            SideOfRule::Same => Side::Same,
            SideOfRule::Any => Side::Any,
            SideOfRule::Upper => Side::Upper,
            SideOfRule::Lower => Side::Lower,
        };
        let sigmas = self.sigmas;
        let pattern = match (self.beyond, self.within, self.steady, self.alternating) {
            (Some(count), None, None, None) => Pattern::Beyond { count, of: self.of.unwrap_or(count), sigmas, side },
            (None, Some(count), None, None) => Pattern::Within { count, sigmas },
            (None, None, Some(points), None) => Pattern::Steady { points },
            (None, None, None, Some(points)) => Pattern::Alternating { points },
            _ => {
                let message = "give one of beyond, within, steady and alternating";
                return Err(Refusal::invalid(&format!("rules[{at}]"), "one_of", message, ""));
            }
        };
        let consequence = if self.rejects { Consequence::Reject } else { Consequence::Investigate };
        Ok(Rule { pattern, consequence })
    }
}

/// Sets of rules with a name.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum SetName {
    /// 1 beyond 3 s; 2 of 3 beyond 2 s on the same side; 10 of 11 on one side; 7 points steadily rising or falling.
    #[default]
    #[serde(rename = "laboratory")]
    Laboratory,
    /// 1 beyond 3 s only.
    #[serde(rename = "action limits")]
    ActionLimits,
    /// The four zone rules of 1956.
    #[serde(rename = "zones 1956")]
    Zones,
    /// The eight rules of Nelson 1984.
    #[serde(rename = "Nelson 1984")]
    Nelson,
}

fn set(rules: Option<&Vec<RuleInput>>, name: Option<SetName>) -> Result<RuleSet, Refusal> {
    match (rules, name) {
        (Some(rules), None) => {
            let rules: Result<Vec<Rule>, Refusal> = rules.iter().enumerate().map(|(at, rule)| rule.rule(at)).collect();
            RuleSet::new(rules?).map_err(|error| Refusal::invalid("rules", "range", error.to_string(), ""))
        }
        (None, name) => Ok(match name.unwrap_or_default() {
            SetName::Laboratory => RuleSet::laboratory(),
            SetName::ActionLimits => RuleSet::action_limits_only(),
            SetName::Zones => RuleSet::western_electric(),
            SetName::Nelson => RuleSet::nelson(),
        }),
        (Some(rules), Some(_)) => Err(Refusal::invalid("rules", "one_of", "give rules or set, not both", rules.len())),
    }
}

/// A series and the rules it is judged by.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChartJudgementInput {
    /// Points in order, in sigmas from the centre line, or raw with `centre` and `sigma`.
    points: Vec<f64>,
    /// Centre line of raw points.
    centre: Option<f64>,
    /// Sigma of raw points.
    sigma: Option<f64>,
    /// Rules of your own.
    rules: Option<Vec<RuleInput>>,
    /// A set with a name; left out (and no rules), the laboratory's.
    set: Option<SetName>,
    /// Whether memory is cleared after a mark, as after an intervention.
    #[serde(default)]
    restart: bool,
}

/// A point that completes a rule.
#[derive(Debug, Serialize, ToSchema)]
pub struct MarkFigures {
    /// Position of the point, from 1.
    position: usize,
    /// The point in sigmas from the centre line.
    z: f64,
    /// Rules it completes, by their position from 1.
    rules: Vec<usize>,
    /// reject or investigate: the gravest of the rules.
    consequence: &'static str,
}

/// Rules and marks.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChartJudgementFigures {
    /// Rules in words.
    rules: Vec<String>,
    /// Number of points.
    n: usize,
    /// Points that complete a rule.
    marks: Vec<MarkFigures>,
}

impl Calculation for ChartJudgementInput {
    const NAME: &'static str = "chart-judgement";
    const SUMMARY: &'static str = "run rules over a series: which point completes which rule";
    const METHOD: &'static str = "one engine for all rules; the completing point is marked";
    const SOURCE: &'static str = "Nordtest TR 569; Western Electric 1956; Nelson 1984";
    const EXAMPLE: &'static str = r#"{"points": [0.3, 2.4, 0.1, 2.1, -0.4, 3.2]}"#;
    const TABLE: Table = Table::Columns(&["points"]);
    type Result = ChartJudgementFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ChartJudgementFigures>, Refusal> {
        let rules = set(self.rules.as_ref(), self.set)?;
        let after = if self.restart { AfterSignal::Restart } else { AfterSignal::Continue };
        let points = standardised(self.points, self.centre, self.sigma)?;
        let mut engine = Engine::new(&rules, after);
        let mut marks = Vec::new();
        let mut rejecting = 0;
        for (at, z) in points.iter().enumerate() {
            let found = engine.push(*z)?;
            if found.is_empty() {
                continue;
            }
            let reject = engine.consequence(found) == Some(Consequence::Reject);
            rejecting += usize::from(reject);
            marks.push(MarkFigures {
                position: at + 1,
                z: *z,
                rules: found.iter().map(|rule| rule + 1).collect(),
                consequence: if reject { "reject" } else { "investigate" },
            });
        }
        let n = points.len();
        let detail = format!("{} of {n} points complete a rule, {rejecting} reject", marks.len());
        let finding = match (marks.is_empty(), rejecting) {
            (true, _) => "met",
            (false, 0) => "query",
            _ => "not met",
        };
        let figures =
            ChartJudgementFigures { rules: rules.rules().iter().map(ToString::to_string).collect(), n, marks };
        Ok(Outcome::of(figures).says("in control", finding, detail))
    }
}

fn unit() -> f64 {
    1.0
}

/// Rules, and the process they watch.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RunLengthInput {
    /// Rules of your own.
    rules: Option<Vec<RuleInput>>,
    /// A set with a name; left out (and no rules), the laboratory's.
    set: Option<SetName>,
    /// Only rules whose hit rejects the run.
    #[serde(default)]
    rejecting_only: bool,
    /// Mean minus centre line, in sigmas.
    #[serde(default)]
    #[schema(default = 0.0)]
    shift: f64,
    /// True sigma over the chart's.
    #[serde(default = "unit")]
    #[schema(default = 1.0)]
    scale: f64,
    /// Points in the period whose probability of a mark is wanted, such as a year's.
    points: Option<u64>,
    /// Number of charts watched at once.
    #[serde(default = "one_chart")]
    #[schema(default = 1)]
    charts: u32,
    /// Points of the baseline that the limits were estimated from; left out, limits are true.
    baseline: Option<u64>,
    /// Whether the centre line is a reference value and only sigma was estimated.
    #[serde(default)]
    centre_is_reference: bool,
}

fn one_chart() -> u32 {
    1
}

/// Run length of a set of rules.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunLengthFigures {
    /// Rules in words.
    rules: Vec<String>,
    /// Average number of points up to the first mark; null where it is infinite (too small a baseline).
    average: Option<f64>,
    /// Standard deviation of that number; with true limits.
    standard_deviation: Option<f64>,
    /// Median number of points; with true limits.
    median: Option<u64>,
    /// 5 % and 95 % quantiles of that number; with true limits.
    quantiles: Option<[u64; 2]>,
    /// With estimated limits: average run length that 10 % of baselines fall short of.
    average_of_unlucky_baselines: Option<f64>,
    /// Probability of at least one mark in the period.
    probability_of_mark: Option<f64>,
}

impl Calculation for RunLengthInput {
    const NAME: &'static str = "run-length";
    const SUMMARY: &'static str = "average run length and false-alarm probability of rules, also with estimated limits";
    const METHOD: &'static str =
        "Markov chain over the states of the rule engine, geometric tail; mixture over baselines";
    const SOURCE: &'static str = "Champ and Woodall 1987; Quesenberry 1993";
    const EXAMPLE: &'static str = r#"{"set": "zones 1956", "points": 250}"#;
    type Result = RunLengthFigures;

    fn calculate(self, place: Place) -> Result<Outcome<RunLengthFigures>, Refusal> {
        let mut rules = set(self.rules.as_ref(), self.set)?;
        if place == Place::Service {
            // Limits from a baseline take several hundred run lengths.
            Chain::at_most(&rules, if self.baseline.is_some() { 10_000 } else { 200_000 })?;
        }
        if self.rejecting_only {
            rules = rules
                .rejecting()
                .ok_or_else(|| Refusal::invalid("rejecting_only", "rules", "no rule rejects", true))?;
        }
        let words = rules.rules().iter().map(ToString::to_string).collect();
        let figures = match self.baseline {
            None => {
                let run = run_length::run_length(&rules, Process { shift: self.shift, scale: self.scale })?;
                RunLengthFigures {
                    rules: words,
                    average: Some(run.average()),
                    standard_deviation: Some(run.standard_deviation()),
                    median: Some(run.quantile(0.5)?),
                    quantiles: Some([run.quantile(0.05)?, run.quantile(0.95)?]),
                    average_of_unlucky_baselines: None,
                    probability_of_mark: self.points.map(|points| run.probability_of_mark(points, self.charts)),
                }
            }
            Some(baseline) => {
                if self.charts != 1 || (self.scale - 1.0).abs() > 0.0 {
                    let message = "with a baseline, charts and scale must be 1";
                    return Err(Refusal::invalid("baseline", "supported", message, baseline));
                }
                let run = with_estimated_limits(&rules, baseline, self.centre_is_reference, self.shift)?;
                RunLengthFigures {
                    rules: words,
                    average: run.average().ok(),
                    standard_deviation: None,
                    median: None,
                    quantiles: None,
                    average_of_unlucky_baselines: Some(run.average_quantile(0.1)?),
                    probability_of_mark: self.points.map(|points| run.probability_of_mark(points)),
                }
            }
        };
        Ok(Outcome::of(figures))
    }
}
