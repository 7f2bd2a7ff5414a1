//! Published sets of run rules as shown: their rules, source and false alarms, computed once by the process.

use std::sync::LazyLock;

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::control::NamedSet;
use ferrotitre_core::control::named_sets::{FalseAlarms, NAMED_SETS, PRELIMINARY};
use serde::Serialize;
use utoipa::ToSchema;

use crate::control_charts::rules::{RuleText, of_set};

/// A published set of run rules, and what it does to independent normal values.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct RuleSetView {
    /// Name by which a chart takes it.
    #[schema(example = "daily judgement")]
    pub name: &'static str,
    /// What it is for.
    pub purpose: &'static str,
    /// Where it is published.
    #[schema(example = "Nordtest TR 569")]
    pub source: &'static str,
    /// Its rules in words, in the order of their numbers, each with what it asks for.
    pub words: Vec<String>,
    /// Its rules as data.
    pub rules: Vec<RuleText>,
    /// Expected points up to and including the first false alarm of any rule, with true limits.
    #[schema(example = 111.9)]
    pub in_control: f64,
    /// The same of the rules that reject a run.
    #[schema(example = 225.4)]
    pub in_control_rejecting: f64,
    /// Expected points until a shift of 1 s is found by any rule.
    #[schema(example = 11.3)]
    pub at_shift_of_1_s: f64,
    /// Probability that 60 good points reject at least one run, with true limits.
    #[schema(example = 0.23)]
    pub false_alarm_in_60_points: f64,
    /// The same with limits from 25 points.
    #[schema(example = 0.37)]
    pub false_alarm_in_60_points_preliminary: f64,
    /// The false alarms in words.
    #[schema(example = "one false alarm in 112 points on average")]
    pub false_alarms: String,
}

fn view(set: &NamedSet, alarms: FalseAlarms) -> RuleSetView {
    let rules = of_set(set);
    let core = set.rules();
    let words = core.rules().iter().zip(&rules).map(|(rule, text)| format!("{rule}: {}", text.consequence));
    let words: Vec<String> = words.collect();
    RuleSetView {
        name: set.name,
        purpose: set.purpose,
        source: set.source,
        words,
        in_control: alarms.any,
        in_control_rejecting: alarms.rejecting,
        at_shift_of_1_s: alarms.at_shift_of_1,
        false_alarm_in_60_points: alarms.in_60,
        false_alarm_in_60_points_preliminary: alarms.in_60_preliminary,
        false_alarms: in_words(alarms),
        rules,
    }
}

fn in_words(alarms: FalseAlarms) -> String {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let rejecting = if alarms.rejecting > alarms.any {
        format!(", one that rejects a run in {:.0}", alarms.rejecting)
    } else {
        String::new()
    };
    format!(
        "one false alarm in {:.0} points on average{rejecting}; a shift of 1 s is found after {:.0} points. 60 good points reject at least one run \
         in {} of cases, with limits from {PRELIMINARY} points in {}",
        alarms.any,
        alarms.at_shift_of_1,
        percent(alarms.in_60),
        percent(alarms.in_60_preliminary)
    )
}

/// Computed at the first question: the longest set takes most of a second.
static SETS: LazyLock<Vec<RuleSetView>> = LazyLock::new(|| {
    NAMED_SETS.iter().filter_map(|set| set.false_alarms().ok().map(|alarms| view(set, alarms))).collect()
});

/// The sets, those with the fewest false alarms first.
///
/// # Errors
/// None but a thread that cannot be had.
pub async fn all() -> Result<&'static [RuleSetView], Refusal> {
    tokio::task::spawn_blocking(|| SETS.as_slice()).await.map_err(Refusal::internal)
}
