//! Verdicts on points: core's engine, fed with what the store remembers.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_core::control::cusum::CusumMemory;
use ferrotitre_core::control::ewma::{EwmaLimits, EwmaMemory};
use ferrotitre_core::control::limits::{ProportionLimits, proportion_limits};
use ferrotitre_core::control::{AfterSignal, Consequence, Engine, Limits, RuleSet};

use crate::control_charts::rules::{
    CoreDesign, Design, PROPORTION_ALPHA, Quantity, RuleText, RuleView, own_rule, refused, rule_set,
};
use crate::control_charts::store::{charts, phases, values};
use crate::control_charts::wire::{Hit, PointLimits, Statistic};

/// What a rule set says of a point.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    pub verdict: &'static str,
    /// Numbers of the rules completed, from 1.
    pub hits: Vec<i32>,
    pub statistic: Option<Statistic>,
}

/// How a chart decides: its quantity, rules and design, ready for core.
#[derive(Debug)]
pub struct Criteria {
    pub quantity: Quantity,
    pub rules: Option<RuleSet>,
    pub design: Option<CoreDesign>,
    texts: Vec<RuleText>,
    own: Option<String>,
}

impl Criteria {
    pub fn of(chart: &charts::Row) -> Result<Self, Refusal> {
        let quantity = Quantity::of(&chart.quantity)?;
        Self::new(quantity, &chart.rules.0, chart.design.as_ref().map(|design| &design.0))
    }

    /// Criteria of a chart that is about to be.
    pub fn new(quantity: Quantity, rules: &[RuleText], design: Option<&Design>) -> Result<Self, Refusal> {
        let own = own_rule(quantity, design);
        let core_design = Design::to_core(design, quantity)?;
        if own.is_some() && !rules.is_empty() {
            let message = "a cusum, ewma or proportion chart decides by its design; it takes no run rules";
            return Err(Refusal::invalid("rules", "quantity", message, rules.len()));
        }
        let set = if own.is_none() { Some(rule_set(rules)?) } else { None };
        Ok(Self { quantity, rules: set, design: core_design, texts: rules.to_vec(), own })
    }

    /// Points before the newest one that can take part in a verdict.
    pub fn memory(&self) -> i64 {
        self.rules.as_ref().map_or(1, |rules| i64::from(rules.memory()))
    }

    /// The rules with their numbers; run lengths are added where they are known.
    pub fn views(&self, lengths: &[Option<f64>]) -> Vec<RuleView> {
        if let Some(own) = &self.own {
            return vec![RuleView { number: 1, text: own.clone(), rule: None, average_run_length: None }];
        }
        let core = self.rules.as_ref().map_or(&[][..], RuleSet::rules);
        (1..)
            .zip(core.iter().zip(&self.texts))
            .map(|(number, (rule, text))| RuleView {
                number,
                text: rule.to_string(),
                rule: Some(text.clone()),
                average_run_length: lengths.get(usize::try_from(number - 1).unwrap_or(0)).copied().flatten(),
            })
            .collect()
    }

    /// Hits in words.
    pub fn hits(&self, numbers: &[i32]) -> Vec<Hit> {
        let core = self.rules.as_ref().map_or(&[][..], RuleSet::rules);
        let text = |number: i32| {
            let rule = usize::try_from(number - 1).ok().and_then(|index| core.get(index));
            rule.map(ToString::to_string).or_else(|| self.own.clone()).unwrap_or_default()
        };
        numbers.iter().map(|&rule| Hit { rule, text: text(rule) }).collect()
    }
}

/// Limits of a phase as core takes them; `None` for a proportion.
pub fn limits_of(phase: &phases::Row) -> Option<Limits> {
    let value = |limit: &Option<Decimal>| limit.as_ref().map(Decimal::value);
    Some(Limits {
        centre: phase.centre.value(),
        sigma: value(&phase.s)?,
        lower_action: value(&phase.lower_action),
        lower_warning: value(&phase.lower_warning),
        upper_warning: value(&phase.upper_warning)?,
        upper_action: value(&phase.upper_action)?,
    })
}

/// Exact limits of a proportion for a number of trials.
pub fn proportion(phase: &phases::Row, trials: i32) -> Result<ProportionLimits, Refusal> {
    let trials = u64::try_from(trials).unwrap_or(0);
    proportion_limits(trials, phase.centre.value(), PROPORTION_ALPHA).map_err(refused)
}

/// The same as proportions, to be drawn.
pub fn point_limits(phase: &phases::Row, trials: i32) -> Option<PointLimits> {
    let limits = proportion(phase, trials).ok()?;
    let share = |count: Option<u64>| count.map(|count| count as f64 / f64::from(trials));
    Some(PointLimits { lower: share(limits.lower), upper: share(limits.upper) })
}

/// A point as it is judged.
#[derive(Debug, Clone, Copy)]
pub struct Judged {
    pub value: f64,
    pub counts: Option<(i32, i32)>,
}

impl Judged {
    pub fn of(row: &values::Row) -> Self {
        Self { value: row.value.value(), counts: row.events.zip(row.trials) }
    }
}

/// Reads the points of one phase in order.
pub struct Judge<'a> {
    criteria: &'a Criteria,
    phase: &'a phases::Row,
    limits: Option<Limits>,
    engine: Option<Engine<'a>>,
    cusum: CusumMemory,
    ewma: EwmaMemory,
}

impl<'a> Judge<'a> {
    /// A judge before the first point of a phase.
    pub fn new(criteria: &'a Criteria, phase: &'a phases::Row) -> Self {
        let start = match criteria.design {
            Some(CoreDesign::Cusum(_, head_start)) => head_start,
            _ => 0.0,
        };
        Self {
            criteria,
            phase,
            limits: limits_of(phase),
            engine: criteria.rules.as_ref().map(|rules| Engine::new(rules, AfterSignal::Continue)),
            cusum: CusumMemory::starting_at(start),
            ewma: EwmaMemory::default(),
        }
    }

    /// Goes on after the points a verdict reads, newest first as the store gives them; values that are invalid are left out by
    /// the caller.
    pub fn after(criteria: &'a Criteria, phase: &'a phases::Row, newest: &[&values::Row]) -> Result<Self, Refusal> {
        let mut judge = Self::new(criteria, phase);
        if criteria.quantity.is_cumulative() {
            if let Some(Json(statistic)) = newest.first().and_then(|row| row.statistic.as_ref()) {
                judge.resume(statistic);
            }
        } else {
            for row in newest.iter().rev() {
                judge.push(Judged::of(row))?;
            }
        }
        Ok(judge)
    }

    fn resume(&mut self, statistic: &Statistic) {
        match *statistic {
            Statistic::Cusum { upper, lower, since_upper, since_lower } => {
                self.cusum = CusumMemory { upper, lower, since_upper, since_lower };
            }
            Statistic::Ewma { average, remaining, .. } => self.ewma = EwmaMemory { average, remaining },
        }
    }

    fn standardised(&self, value: f64) -> Result<f64, Refusal> {
        let limits = self.limits.as_ref();
        limits.map(|limits| limits.standardise(value)).ok_or_else(|| Refusal::new(Code::Internal, "a phase has no s"))
    }

    /// Judges the next point.
    pub fn push(&mut self, point: Judged) -> Result<Judgement, Refusal> {
        let alone = |hit: bool| if hit { ("investigate", vec![1]) } else { ("in control", Vec::new()) };
        let (design, quantity) = (self.criteria.design, self.criteria.quantity);
        if let Some(CoreDesign::Cusum(cusum, _)) = design {
            let z = self.standardised(point.value)?;
            let beyond = cusum.step(&mut self.cusum, z).map_err(refused)?.beyond;
            let CusumMemory { upper, lower, since_upper, since_lower } = self.cusum;
            let statistic = Some(Statistic::Cusum { upper, lower, since_upper, since_lower });
            let (verdict, hits) = alone(beyond);
            return Ok(Judgement { verdict, hits, statistic });
        }
        if let Some(CoreDesign::Ewma(ewma)) = design {
            let z = self.standardised(point.value)?;
            let step = ewma.step(&mut self.ewma, z, EwmaLimits::Asymptotic).map_err(refused)?;
            let EwmaMemory { average, remaining } = self.ewma;
            let statistic = Some(Statistic::Ewma { average, limit: step.limit, remaining });
            let (verdict, hits) = alone(step.beyond);
            return Ok(Judgement { verdict, hits, statistic });
        }
        if quantity == Quantity::DiscardedReductions {
            let (events, trials) = point
                .counts
                .ok_or_else(|| Refusal::invalid("trials", "required", "a proportion needs events and trials", ""))?;
            let limits = proportion(self.phase, trials)?;
            let count = u64::try_from(events).unwrap_or(0);
            let beyond =
                limits.upper.is_some_and(|upper| count >= upper) || limits.lower.is_some_and(|low| count <= low);
            let (verdict, hits) = alone(beyond);
            return Ok(Judgement { verdict, hits, statistic: None });
        }
        let z = self.standardised(point.value)?;
        let engine = self.engine.as_mut().ok_or_else(|| Refusal::new(Code::Internal, "a chart has no rules"))?;
        let marks = engine.push(z).map_err(refused)?;
        let verdict = match engine.consequence(marks) {
            Some(Consequence::Reject) => "out of control",
            Some(Consequence::Investigate) => "investigate",
            None => "in control",
        };
        let hits = marks.iter().filter_map(|rule| i32::try_from(rule + 1).ok()).collect();
        Ok(Judgement { verdict, hits, statistic: None })
    }
}
