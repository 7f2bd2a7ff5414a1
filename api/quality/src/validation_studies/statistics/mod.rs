//! From the data of a characteristic to its statistics. The mathematics is core's; here data find their places in a design.

mod bias;
mod limits_of_detection;
mod lines;
mod outliers;
mod precision;
mod robustness;

use std::collections::HashMap;
use std::fmt::Display;
use std::sync::Arc;

use ferrotitre_base::ids::ValidationDatumId;
use ferrotitre_core::statistics::hypothesis::Interval;
use ferrotitre_core::validation::{DataUnit, Statistic};

use crate::validation_studies::answer::{IntervalOf, Judgement, OutlierFlag, StudyStatistic, Verdict};
use crate::validation_studies::data::Labels;
use crate::validation_studies::kinds::{Design, Kind, Limit, Rule};

/// A datum as statistics see it.
#[derive(Debug, Clone)]
pub struct Point {
    pub id: ValidationDatumId,
    pub position: i32,
    pub value: f64,
    /// Standard uncertainty, if known.
    pub u: Option<f64>,
    /// Shared by data that have the same.
    pub labels: Arc<Labels>,
}

/// What is asked of the data.
#[derive(Debug, Clone, Copy)]
pub struct Question<'a> {
    pub kind: Kind,
    pub unit: DataUnit,
    pub design: &'a Design,
    pub planned_n: i32,
    pub limits: &'a [Limit],
}

/// What the data come to.
#[derive(Debug, Clone, Default)]
pub struct Found {
    pub statistics: Vec<StudyStatistic>,
    pub judgements: Vec<Judgement>,
    pub missing: Vec<String>,
    pub notes: Vec<String>,
    pub flags: Vec<OutlierFlag>,
}

/// Statistics while they are made.
struct Making<'a> {
    asked: Question<'a>,
    found: Found,
}

impl Making<'_> {
    /// Adds a statistic of all data.
    fn add(&mut self, name: Statistic, value: f64, interval: Option<Interval>) {
        self.add_of(name, None, value, interval);
    }

    /// Adds a statistic of a level, group or factor. A figure that is no number is missing, never shown.
    fn add_of(&mut self, name: Statistic, of: Option<&str>, value: f64, interval: Option<Interval>) {
        if !value.is_finite() {
            self.miss(format!("{} has no finite value with these data", name.title()));
            return;
        }
        let interval = interval
            .filter(|interval| interval.low.is_finite() && interval.high.is_finite())
            .map(|Interval { low, high, confidence }| IntervalOf { low, high, confidence });
        self.found.statistics.push(StudyStatistic {
            name,
            of: of.map(str::to_owned),
            symbol: name.symbol(),
            title: name.title(),
            value,
            unit: name.unit(self.asked.unit),
            interval,
            formula: name.formula(),
            source: name.source(),
        });
    }

    /// Says what is missing.
    fn miss(&mut self, what: impl Display) {
        self.found.missing.push(what.to_string());
    }

    /// Says what is missing in a group.
    fn miss_of(&mut self, of: &str, what: impl Display) {
        if of.is_empty() { self.miss(what) } else { self.found.missing.push(format!("{of}: {what}")) }
    }

    fn note(&mut self, what: impl Display) {
        self.found.notes.push(what.to_string());
    }

    /// Limits of a statistic as margins, where the whole interval must lie between them.
    fn margins(&self, statistic: Statistic) -> Option<(f64, f64)> {
        let whole = |limit: &&Limit| limit.statistic == statistic.key() && limit.rule == Rule::Interval;
        let limit = self.asked.limits.iter().find(whole)?;
        Some((limit.lower.as_ref()?.value(), limit.upper.as_ref()?.value()))
    }
}

/// Percent of a reference; nothing against a reference of zero.
fn percent(value: f64, of: f64) -> Option<f64> {
    (of != 0.0).then(|| 100.0 * value / of)
}

fn scaled(interval: Interval, factor: f64) -> Interval {
    let (a, b) = (interval.low * factor, interval.high * factor);
    Interval { low: a.min(b), high: a.max(b), confidence: interval.confidence }
}

fn values(points: &[&Point]) -> Vec<f64> {
    points.iter().map(|point| point.value).collect()
}

/// Data by a label, in the order in which the labels first appear; data without the label are one group without a name.
pub(super) fn grouped<'p>(
    points: &[&'p Point],
    label: impl Fn(&Point) -> Option<String>,
) -> Vec<(String, Vec<&'p Point>)> {
    let mut groups: Vec<(String, Vec<&Point>)> = Vec::new();
    let mut places: HashMap<String, usize> = HashMap::new();
    for point in points {
        let key = label(point).unwrap_or_default();
        match places.get(&key).and_then(|at| groups.get_mut(*at)) {
            Some((_, group)) => group.push(point),
            None => {
                places.insert(key.clone(), groups.len());
                groups.push((key, vec![point]));
            }
        }
    }
    groups
}

/// A pair of arms: mean of the first, mean of the second.
struct Pair {
    name: String,
    first: f64,
    second: f64,
    /// The data of the second arm.
    members: Vec<ValidationDatumId>,
}

/// Pairs by their label; one arm without the other is missing, not zero.
fn pairs(making: &mut Making<'_>, points: &[&Point], (first, second): (&str, &str)) -> Vec<Pair> {
    let mut found = Vec::new();
    for (name, members) in grouped(points, |point| point.labels.pair.clone()) {
        let arm = |wanted: &str| -> Vec<&Point> {
            members.iter().filter(|point| point.labels.arm.as_deref() == Some(wanted)).copied().collect()
        };
        let (one, other) = (arm(first), arm(second));
        if one.is_empty() || other.is_empty() {
            let absent = if one.is_empty() { first } else { second };
            making.miss(format!("pair {name} has no datum \"{absent}\""));
            continue;
        }
        let mean = |arm: &[&Point]| arm.iter().map(|point| point.value).sum::<f64>() / arm.len() as f64;
        found.push(Pair {
            first: mean(&one),
            second: mean(&other),
            members: other.iter().map(|point| point.id).collect(),
            name,
        });
    }
    found
}

/// The label by which a plan counts groups.
fn cell(kind: Kind, point: &Point) -> Option<String> {
    let labels = &point.labels;
    let text = |value: &Option<ferrotitre_base::web::decimal::Decimal>| value.as_ref().map(ToString::to_string);
    match kind {
        Kind::Linearity | Kind::DetectionByDifference => text(&labels.taken),
        Kind::Recovery => text(&labels.added),
        Kind::Ruggedness => labels.run.map(|run| run.to_string()),
        Kind::MethodComparison => labels.pair.clone(),
        Kind::Stability => labels.group.clone(),
        Kind::Uncertainty => labels.arm.clone(),
        _ => labels.group.clone(),
    }
}

/// What the frozen plan asks for and the data do not have yet.
fn sizes(making: &mut Making<'_>, points: &[&Point]) {
    let Question { kind, design, planned_n, .. } = making.asked;
    let planned = usize::try_from(planned_n).unwrap_or(0);
    if points.len() < planned {
        making.miss(format!("needs {planned} data as planned, has {}", points.len()));
    }
    let counted: Vec<&Point> =
        points.iter().filter(|point| kind != Kind::Recovery || point.labels.added.is_some()).copied().collect();
    let groups = grouped(&counted, |point| cell(kind, point));
    if let Some(needed) = design.groups
        && (groups.len() as u64) < u64::from(needed)
    {
        making.miss(format!("needs {needed} groups as planned, has {}", groups.len()));
    }
    if let Some(needed) = design.replicates {
        for (name, group) in &groups {
            if (group.len() as u64) < u64::from(needed) {
                making.miss(format!("group {name} needs {needed} data as planned, has {}", group.len()));
            }
        }
    }
}

/// Statistics, judgements and flags of data.
pub fn study(asked: Question<'_>, points: &[&Point]) -> Found {
    let mut making = Making { asked, found: Found::default() };
    sizes(&mut making, points);
    if points.is_empty() {
        return making.found;
    }
    match asked.kind {
        Kind::Repeatability => precision::repeatability(&mut making, points),
        Kind::IntermediatePrecision => precision::intermediate(&mut making, points),
        Kind::Trueness => bias::trueness(&mut making, points),
        Kind::Competence => bias::competence(&mut making, points),
        Kind::Recovery => bias::recovery(&mut making, points),
        Kind::Selectivity => bias::selectivity(&mut making, points),
        Kind::Linearity => lines::linearity(&mut making, points),
        Kind::Stability => lines::stability(&mut making, points),
        Kind::MethodComparison => lines::comparison(&mut making, points),
        Kind::Detection => limits_of_detection::detection(&mut making, points),
        Kind::DetectionByDifference => limits_of_detection::by_difference(&mut making, points),
        Kind::Ruggedness => robustness::ruggedness(&mut making, points),
        Kind::Uncertainty => robustness::uncertainty(&mut making, points),
    }
    outliers::flag(&mut making, points);
    judge(&mut making);
    making.found
}

/// Compares statistics with limits; a limit whose statistic is not there stays without a judgement, which is missing.
fn judge(making: &mut Making<'_>) {
    for limit in making.asked.limits {
        let found: Vec<StudyStatistic> =
            making.found.statistics.iter().filter(|found| found.name.key() == limit.statistic).cloned().collect();
        if found.is_empty() {
            making.miss(format!("{} has a limit but no value", limit.statistic));
        }
        let lower = limit.lower.as_ref().map(ferrotitre_base::web::decimal::Decimal::value);
        let upper = limit.upper.as_ref().map(ferrotitre_base::web::decimal::Decimal::value);
        let above = |value: f64| lower.is_none_or(|lower| value >= lower);
        let below = |value: f64| upper.is_none_or(|upper| value <= upper);
        for statistic in found {
            let met = match (limit.rule, statistic.interval) {
                (Rule::Value, _) => above(statistic.value) && below(statistic.value),
                (Rule::Interval, Some(interval)) => above(interval.low) && below(interval.high),
                (Rule::Covers, Some(interval)) => above(interval.high) && below(interval.low),
                (_, None) => {
                    making.miss(format!("{} has a limit on its interval but no interval", statistic.title));
                    continue;
                }
            };
            making.found.judgements.push(Judgement {
                statistic: limit.statistic.clone(),
                of: statistic.of,
                rule: limit.rule,
                lower,
                upper,
                unit: limit.unit.clone(),
                value: statistic.value,
                met,
            });
        }
    }
}

impl Found {
    /// The verdict: none while anything is missing.
    pub fn verdict(&self) -> Verdict {
        if !self.missing.is_empty() || self.judgements.is_empty() {
            Verdict::NotEnoughData
        } else if self.judgements.iter().all(|judgement| judgement.met) {
            Verdict::Meets
        } else {
            Verdict::DoesNotMeet
        }
    }
}
