//! Run rules as data, and the sets in common use.
//!
//! A rule reads standardised points z = (x − centre) / sigma. "Beyond a" means strictly further from the centre than
//! a sigma; a point exactly on a limit is inside, and a point exactly on the centre line is on neither side.

use super::ControlError;

/// Which sides of the centre line a rule watches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// Each side is counted on its own.
    Same,
    /// Points of both sides are counted together.
    Any,
    /// Only the upper side.
    Upper,
    /// Only the lower side.
    Lower,
}

/// What a rule looks for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pattern {
    /// At least `count` of the last `of` points beyond `sigmas`, the newest among them. With `sigmas` 0 and
    /// [`Side::Same`]: points on one side of the centre line.
    Beyond {
        /// Points needed.
        count: u8,
        /// Points looked at, 1 to 64.
        of: u8,
        /// Distance from the centre line, not negative.
        sigmas: f64,
        /// Sides.
        side: Side,
    },
    /// `count` points in a row not beyond `sigmas`.
    Within {
        /// Points needed, 1 to 64.
        count: u8,
        /// Distance from the centre line, positive.
        sigmas: f64,
    },
    /// `points` points in a row, each above the one before it, or each below: `points` − 1 steps. Two equal points end
    /// the run.
    Steady {
        /// Points needed, 3 to 64; 7 points are 6 steps.
        points: u8,
    },
    /// `points` points in a row going up and down by turns: `points` − 1 steps. Two equal points end the run.
    Alternating {
        /// Points needed, 3 to 64.
        points: u8,
    },
}

impl Pattern {
    /// Points that the pattern looks at.
    #[must_use]
    pub fn memory(&self) -> u8 {
        match *self {
            Self::Beyond { of, .. } => of,
            Self::Within { count, .. } => count,
            Self::Steady { points } | Self::Alternating { points } => points,
        }
    }

    /// Whether the pattern compares a point with the one before it, rather than with the limits.
    #[must_use]
    pub fn compares_points(&self) -> bool {
        matches!(self, Self::Steady { .. } | Self::Alternating { .. })
    }

    fn validate(&self) -> Result<(), ControlError> {
        let check = |field, rule, value: f64, ok: bool| {
            if ok { Ok(()) } else { Err(ControlError::OutOfRange { field, rule, value }) }
        };
        match *self {
            Self::Beyond { count, of, sigmas, .. } => {
                check("points looked at", "from 1 to 64", of.into(), (1..=64).contains(&of))?;
                check("points needed", "from 1 to the points looked at", count.into(), (1..=of).contains(&count))?;
                check("distance in sigmas", "finite and not negative", sigmas, sigmas.is_finite() && sigmas >= 0.0)
            }
            Self::Within { count, sigmas } => {
                check("points needed", "from 1 to 64", count.into(), (1..=64).contains(&count))?;
                check("distance in sigmas", "finite and greater than 0", sigmas, sigmas.is_finite() && sigmas > 0.0)
            }
            Self::Steady { points } | Self::Alternating { points } => {
                check("points needed", "from 3 to 64", points.into(), (3..=64).contains(&points))
            }
        }
    }
}

/// What a hit of a rule means for the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Consequence {
    /// Out of control: the run is rejected.
    Reject,
    /// In control, but the cause is looked for.
    Investigate,
}

/// One rule of a set.
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    /// What it looks for.
    pub pattern: Pattern,
    /// What a hit means.
    pub consequence: Consequence,
}

impl Rule {
    /// A rule whose hit rejects the run.
    #[must_use]
    pub fn rejecting(pattern: Pattern) -> Self {
        Self { pattern, consequence: Consequence::Reject }
    }

    /// A rule whose hit is investigated.
    #[must_use]
    pub fn investigating(pattern: Pattern) -> Self {
        Self { pattern, consequence: Consequence::Investigate }
    }
}

impl std::fmt::Display for Rule {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.pattern {
            Pattern::Beyond { count, of, sigmas, side } => {
                match (count, of) {
                    (1, 1) => write!(f, "1 point")?,
                    (k, m) if k == m => write!(f, "{k} points in a row")?,
                    (k, m) => write!(f, "{k} of {m} points")?,
                }
                match (side, sigmas == 0.0) {
                    (Side::Same, true) => write!(f, " on one side of the centre line"),
                    (Side::Any, true) => write!(f, " off the centre line"),
                    (Side::Upper, true) => write!(f, " above the centre line"),
                    (Side::Lower, true) => write!(f, " below the centre line"),
                    (Side::Same, false) if of > 1 => write!(f, " beyond {sigmas} s on the same side"),
                    (Side::Same | Side::Any, false) => write!(f, " beyond {sigmas} s"),
                    (Side::Upper, false) => write!(f, " above +{sigmas} s"),
                    (Side::Lower, false) => write!(f, " below -{sigmas} s"),
                }
            }
            Pattern::Within { count, sigmas } => write!(f, "{count} points in a row within {sigmas} s"),
            Pattern::Steady { points } => write!(f, "{points} points steadily rising or falling"),
            Pattern::Alternating { points } => write!(f, "{points} points alternating up and down"),
        }
    }
}

/// `count` of `of` points beyond `sigmas` on the same side.
#[must_use]
pub const fn same_side(count: u8, of: u8, sigmas: f64) -> Pattern {
    Pattern::Beyond { count, of, sigmas, side: Side::Same }
}

/// `count` of `of` points beyond `sigmas`, sides counted together.
#[must_use]
pub const fn any_side(count: u8, of: u8, sigmas: f64) -> Pattern {
    Pattern::Beyond { count, of, sigmas, side: Side::Any }
}

/// A checked set of at most 32 rules, chosen before data.
#[derive(Debug, Clone, PartialEq)]
pub struct RuleSet {
    rules: Vec<Rule>,
}

impl RuleSet {
    /// Checks the rules.
    ///
    /// # Errors
    /// No rule or more than 32; a pattern with a number out of its range.
    pub fn new(rules: Vec<Rule>) -> Result<Self, ControlError> {
        if rules.is_empty() || rules.len() > 32 {
            let value = rules.len() as f64;
            return Err(ControlError::OutOfRange { field: "number of rules", rule: "from 1 to 32", value });
        }
        rules.iter().try_for_each(|rule| rule.pattern.validate())?;
        Ok(Self { rules })
    }

    /// A set in this crate, whose rules are known to be sound.
    pub(super) fn of_rules(rules: Vec<Rule>) -> Self {
        Self { rules }
    }

    /// The rules, in the order of their marks.
    #[must_use]
    pub fn rules(&self) -> &[Rule] {
        &self.rules
    }

    /// The rules that reject a run, alone; `None` if there is none.
    #[must_use]
    pub fn rejecting(&self) -> Option<Self> {
        let rules: Vec<Rule> =
            self.rules.iter().filter(|rule| rule.consequence == Consequence::Reject).cloned().collect();
        (!rules.is_empty()).then_some(Self { rules })
    }

    /// Whether no rule tells up from down.
    #[must_use]
    pub fn is_symmetric(&self) -> bool {
        let one_sided = |rule: &Rule| matches!(rule.pattern, Pattern::Beyond { side: Side::Upper | Side::Lower, .. });
        !self.rules.iter().any(one_sided)
    }

    /// Points that the set looks at.
    #[must_use]
    pub fn memory(&self) -> u8 {
        self.rules.iter().map(|rule| rule.pattern.memory()).max().unwrap_or(1)
    }

    /// The default: one point beyond 3 s, or 2 of 3 beyond 2 s on the same side, reject the run; 10 of 11 on one side,
    /// or 7 points (6 steps) steadily rising or falling, are investigated.
    ///
    /// # Source
    /// Nordtest TR 569, daily interpretation (from memory), with the wording "same side" and "7 points" fixed.
    #[must_use]
    pub fn laboratory() -> Self {
        Self {
            rules: vec![
                Rule::rejecting(same_side(1, 1, 3.0)),
                Rule::rejecting(same_side(2, 3, 2.0)),
                Rule::investigating(same_side(10, 11, 0.0)),
                Rule::investigating(Pattern::Steady { points: 7 }),
            ],
        }
    }

    /// One point beyond 3 s.
    #[must_use]
    pub fn action_limits_only() -> Self {
        Self { rules: vec![Rule::rejecting(same_side(1, 1, 3.0))] }
    }

    /// One point beyond 3 s; 2 of 3 beyond 2 s; 4 of 5 beyond 1 s; 8 in a row on one side.
    ///
    /// # Source
    /// Statistical Quality Control Handbook, Western Electric, 1956, as studied by Champ and Woodall, Technometrics 29
    /// (1987) 393 (from memory).
    #[must_use]
    pub fn western_electric() -> Self {
        Self {
            rules: vec![
                Rule::rejecting(same_side(1, 1, 3.0)),
                Rule::rejecting(same_side(2, 3, 2.0)),
                Rule::investigating(same_side(4, 5, 1.0)),
                Rule::investigating(same_side(8, 8, 0.0)),
            ],
        }
    }

    /// The eight tests for special causes.
    ///
    /// # Source
    /// L. S. Nelson, Journal of Quality Technology 16 (1984) 237 (from memory).
    #[must_use]
    pub fn nelson() -> Self {
        Self {
            rules: vec![
                Rule::rejecting(same_side(1, 1, 3.0)),
                Rule::investigating(same_side(9, 9, 0.0)),
                Rule::investigating(Pattern::Steady { points: 6 }),
                Rule::investigating(Pattern::Alternating { points: 14 }),
                Rule::rejecting(same_side(2, 3, 2.0)),
                Rule::investigating(same_side(4, 5, 1.0)),
                Rule::investigating(Pattern::Within { count: 15, sigmas: 1.0 }),
                Rule::investigating(any_side(8, 8, 1.0)),
            ],
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rules_read_as_the_bench_says_them() {
        let text = |pattern| Rule::rejecting(pattern).to_string();
        assert_eq!(text(same_side(1, 1, 3.0)), "1 point beyond 3 s");
        assert_eq!(text(same_side(2, 3, 2.0)), "2 of 3 points beyond 2 s on the same side");
        assert_eq!(text(any_side(2, 3, 2.0)), "2 of 3 points beyond 2 s");
        assert_eq!(text(same_side(10, 11, 0.0)), "10 of 11 points on one side of the centre line");
        assert_eq!(text(Pattern::Steady { points: 7 }), "7 points steadily rising or falling");
    }

    #[test]
    fn a_set_that_cannot_be_is_refused_with_the_number() {
        let set = |pattern| RuleSet::new(vec![Rule::rejecting(pattern)]);
        assert_eq!(
            set(same_side(4, 3, 2.0)).unwrap_err().to_string(),
            "points needed must be from 1 to the points looked at, not 4"
        );
        assert!(set(same_side(1, 65, 2.0)).is_err());
        assert!(set(same_side(1, 1, f64::NAN)).is_err());
        assert!(set(Pattern::Steady { points: 2 }).is_err());
        assert!(RuleSet::new(Vec::new()).is_err());
    }
}
