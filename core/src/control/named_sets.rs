//! Run rules chosen by name: published sets, each with its source and what it does while all is well.

use super::ControlError;
use super::limits::ESTABLISHED;
use super::rules::{Rule, RuleSet, same_side};
use super::run_length::{Process, run_length, with_estimated_limits};

/// Baseline points of preliminary limits.
///
/// Nordtest TR 569: about 25 (from memory).
pub const PRELIMINARY: u64 = 25;

/// A published set of run rules.
#[derive(Debug, Clone, Copy)]
pub struct NamedSet {
    /// Its name, by which it is chosen.
    pub name: &'static str,
    /// What it is for, in a few words.
    pub purpose: &'static str,
    /// Where it is published.
    pub source: &'static str,
    rules: fn() -> RuleSet,
}

/// What a set does while the process is in control, for independent normal values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FalseAlarms {
    /// Expected points up to and including the first false hit of any rule, with true limits.
    pub any: f64,
    /// The same of the rules that reject a run.
    pub rejecting: f64,
    /// Expected points until a shift of 1 sigma is found by any rule.
    pub at_shift_of_1: f64,
    /// Probability that at least one of 60 points is a false hit that rejects, with true limits.
    pub in_60: f64,
    /// The same with limits estimated from [`PRELIMINARY`] points.
    pub in_60_preliminary: f64,
}

/// The sets, those with the fewest false alarms first.
pub const NAMED_SETS: [NamedSet; 5] = [
    NamedSet {
        name: "action limits",
        purpose: "few false alarms; a small shift is found late",
        source: "W. A. Shewhart, 1931; ISO 7870-2",
        rules: RuleSet::action_limits_only,
    },
    NamedSet {
        name: "action and warning limits",
        purpose: "two rules, both reject the run",
        source: "C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393",
        rules: RuleSet::action_and_warning,
    },
    NamedSet {
        name: "daily judgement",
        purpose: "the laboratory's default: two rules reject the run, a side or a trend is looked into",
        source: "Nordtest TR 569",
        rules: RuleSet::laboratory,
    },
    NamedSet {
        name: "zone rules",
        purpose: "shifts are found early, at the price of false alarms",
        source: "Statistical Quality Control Handbook, Western Electric, 1956",
        rules: RuleSet::western_electric,
    },
    NamedSet {
        name: "eight tests",
        purpose: "every pattern there is a test for; many false alarms",
        source: "L. S. Nelson, Journal of Quality Technology 16 (1984) 237",
        rules: RuleSet::nelson,
    },
];

impl NamedSet {
    /// The set of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<&'static Self> {
        NAMED_SETS.iter().find(|set| set.name == name)
    }

    /// The set that these rules are.
    #[must_use]
    pub fn of(rules: &RuleSet) -> Option<&'static Self> {
        NAMED_SETS.iter().find(|set| set.rules() == *rules)
    }

    /// Its rules.
    #[must_use]
    pub fn rules(&self) -> RuleSet {
        (self.rules)()
    }

    /// What it does while the process is in control.
    ///
    /// # Source
    /// As [`run_length`] and [`with_estimated_limits`].
    ///
    /// # Errors
    /// None for the sets here; as [`run_length`].
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::control::named_sets::NamedSet;
    /// # fn main() -> Result<(), ferrotitre_core::control::ControlError> {
    /// let set = NamedSet::named("action limits").map(NamedSet::false_alarms).transpose()?;
    /// assert!(set.is_some_and(|alarms| (alarms.any - 370.40).abs() < 0.005));
    /// # Ok(()) }
    /// ```
    pub fn false_alarms(&self) -> Result<FalseAlarms, ControlError> {
        let rules = self.rules();
        // Every set has rules that reject.
        let rejecting = rules.rejecting().unwrap_or_else(|| rules.clone());
        let known = run_length(&rejecting, Process::IN_CONTROL)?;
        let estimated = with_estimated_limits(&rejecting, PRELIMINARY, false, 0.0)?;
        Ok(FalseAlarms {
            any: run_length(&rules, Process::IN_CONTROL)?.average(),
            rejecting: known.average(),
            at_shift_of_1: run_length(&rules, Process::shifted(1.0))?.average(),
            in_60: known.probability_of_mark(ESTABLISHED, 1),
            in_60_preliminary: estimated.probability_of_mark(ESTABLISHED),
        })
    }
}

impl RuleSet {
    /// One point beyond 3 s, or 2 of 3 beyond 2 s on the same side; both reject the run.
    ///
    /// # Source
    /// C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393, set C12 (from memory).
    #[must_use]
    pub fn action_and_warning() -> Self {
        Self::of_rules(vec![Rule::rejecting(same_side(1, 1, 3.0)), Rule::rejecting(same_side(2, 3, 2.0))])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_set_is_found_by_its_name_and_by_its_rules() {
        for set in &NAMED_SETS {
            assert_eq!(NamedSet::named(set.name).map(|found| found.name), Some(set.name));
            assert_eq!(NamedSet::of(&set.rules()).map(|found| found.name), Some(set.name));
            assert!(RuleSet::new(set.rules().rules().to_vec()).is_ok(), "{}", set.name);
        }
        assert!(NamedSet::named("none").is_none());
    }

    #[test]
    fn false_alarms_are_those_published() {
        let alarms = |name: &str| NamedSet::named(name).unwrap().false_alarms().unwrap();
        // 1 / P(|z| > 3), P from any table of the normal distribution; C1, C12 and C1234 of Champ and Woodall 1987 (91.75
        // read, 225.44 from memory).
        assert!((alarms("action limits").any - 370.40).abs() < 0.005);
        assert!((alarms("action and warning limits").any - 225.44).abs() < 0.005);
        assert!((alarms("zone rules").any - 91.75).abs() < 0.005);
        assert!((alarms("daily judgement").rejecting - 225.44).abs() < 0.005);
        // 1 - 0.9973002^60.
        assert!((alarms("action limits").in_60 - 0.149_73).abs() < 0.000_05, "{}", alarms("action limits").in_60);
    }

    #[test]
    fn estimated_limits_raise_more_false_alarms() {
        for set in &NAMED_SETS {
            let alarms = set.false_alarms().unwrap();
            assert!(alarms.in_60_preliminary > alarms.in_60 && alarms.any <= alarms.rejecting, "{}", set.name);
            assert!(alarms.at_shift_of_1 < alarms.any, "{}", set.name);
        }
    }
}
