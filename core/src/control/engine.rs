//! The one engine that reads points against run rules: one pass, a few words of memory per rule.
//!
//! The same step function serves the chart and the exact run lengths of [`super::run_length`], so what is shown for a
//! rule set is what the chart does.

use std::cmp::Ordering;

use super::ControlError;
use super::rules::{Consequence, Pattern, Rule, RuleSet, Side};

/// Rules completed by one point, as a bit per position in the rule set.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Marks(u32);

impl Marks {
    /// Whether no rule was completed.
    #[must_use]
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Whether the rule at this position was completed.
    #[must_use]
    pub fn contains(self, rule: usize) -> bool {
        rule < 32 && self.0 & (1 << rule) != 0
    }

    /// Positions of the completed rules, rising.
    pub fn iter(self) -> impl Iterator<Item = usize> {
        (0..32).filter(move |&rule| self.contains(rule))
    }

    /// The bits, for storage.
    #[must_use]
    pub fn bits(self) -> u32 {
        self.0
    }
}

/// Memory of one rule.
///
/// For [`Pattern::Beyond`] and [`Pattern::Within`]: a bit per earlier point that may still take part in a hit, the
/// newest lowest, for the upper (or only) and the lower count. For [`Pattern::Steady`]: steps risen and steps fallen.
/// For [`Pattern::Alternating`]: steps in turn, and the direction of the last one (1 up, 2 down).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct RuleMemory {
    /// First word.
    pub upper: u64,
    /// Second word.
    pub lower: u64,
}

/// Everything an engine must remember between points; plain, to be stored with a chart.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct EngineState {
    /// One per rule, in the set's order.
    pub memories: Vec<RuleMemory>,
    /// The last point, standardised; `None` before the first.
    pub last: Option<f64>,
}

/// What happens to the memory when a rule is completed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum AfterSignal {
    /// Memory goes on: the eighth and the ninth point of a run are both marked.
    #[default]
    Continue,
    /// All memory is cleared, as after an intervention: the next point is the first.
    Restart,
}

/// Reads standardised points one by one.
///
/// # Example
/// ```
/// use ferrotitre_core::control::{AfterSignal, Engine, RuleSet};
/// # fn main() -> Result<(), ferrotitre_core::control::ControlError> {
/// let rules = RuleSet::laboratory();
/// let mut engine = Engine::new(&rules, AfterSignal::Continue);
/// assert!(engine.push(2.4)?.is_empty());
/// assert!(engine.push(0.3)?.is_empty());
/// let marks = engine.push(2.1)?;
/// assert_eq!(marks.iter().collect::<Vec<_>>(), [1]); // 2 of 3 beyond 2 s
/// # Ok(()) }
/// ```
#[derive(Debug, Clone)]
pub struct Engine<'a> {
    rules: &'a [Rule],
    after_signal: AfterSignal,
    state: EngineState,
}

impl<'a> Engine<'a> {
    /// An engine before its first point.
    #[must_use]
    pub fn new(rules: &'a RuleSet, after_signal: AfterSignal) -> Self {
        let memories = vec![RuleMemory::default(); rules.rules().len()];
        Self { rules: rules.rules(), after_signal, state: EngineState { memories, last: None } }
    }

    /// An engine that goes on from a stored state.
    ///
    /// # Errors
    /// The state is not of this rule set: another number of memories.
    pub fn resume(rules: &'a RuleSet, after_signal: AfterSignal, state: EngineState) -> Result<Self, ControlError> {
        if state.memories.len() != rules.rules().len() {
            let value = state.memories.len() as f64;
            let rule = "the number of rules of the set";
            return Err(ControlError::OutOfRange { field: "memories of the stored state", rule, value });
        }
        Ok(Self { rules: rules.rules(), after_signal, state })
    }

    /// What to store.
    #[must_use]
    pub fn state(&self) -> &EngineState {
        &self.state
    }

    /// Reads one point and tells which rules it completes.
    ///
    /// # Errors
    /// A point that is not finite; the state is then unchanged.
    pub fn push(&mut self, z: f64) -> Result<Marks, ControlError> {
        if !z.is_finite() {
            return Err(ControlError::OutOfRange { field: "standardised point", rule: "finite", value: z });
        }
        let step = self.state.last.and_then(|last| z.partial_cmp(&last));
        let marks = advance(self.rules, &mut self.state.memories, z, step);
        self.state.last = Some(z);
        if !marks.is_empty() && self.after_signal == AfterSignal::Restart {
            self.state.memories.fill(RuleMemory::default());
            self.state.last = None;
        }
        Ok(marks)
    }

    /// The gravest consequence among completed rules.
    #[must_use]
    pub fn consequence(&self, marks: Marks) -> Option<Consequence> {
        let of = |rule: usize| self.rules.get(rule).map(|rule| rule.consequence);
        let all: Vec<Consequence> = marks.iter().filter_map(of).collect();
        all.iter().copied().find(|c| *c == Consequence::Reject).or_else(|| all.first().copied())
    }
}

/// Marks of a whole series, in one pass.
///
/// # Errors
/// A point that is not finite.
pub fn judge(rules: &RuleSet, points: &[f64], after_signal: AfterSignal) -> Result<Vec<Marks>, ControlError> {
    let mut engine = Engine::new(rules, after_signal);
    points.iter().map(|&z| engine.push(z)).collect()
}

/// One step of every rule. `step` is the point compared with the one before it, `None` if there is none.
pub(super) fn advance(rules: &[Rule], memories: &mut [RuleMemory], z: f64, step: Option<Ordering>) -> Marks {
    let mut marks = 0;
    for (position, (rule, memory)) in rules.iter().zip(memories).enumerate() {
        let completed = match rule.pattern {
            Pattern::Beyond { count, of, sigmas, side } => {
                let (above, below) = (z > sigmas, z < -sigmas);
                let (first, second) = match side {
                    Side::Same => (above, below),
                    Side::Any => (above || below, false),
                    Side::Upper => (above, false),
                    Side::Lower => (false, below),
                };
                // Both are evaluated: each moves its own memory.
                window(&mut memory.upper, first, count, of) | window(&mut memory.lower, second, count, of)
            }
            Pattern::Within { count, sigmas } => window(&mut memory.upper, z.abs() <= sigmas, count, count),
            Pattern::Steady { points } => steady(memory, step, points),
            Pattern::Alternating { points } => alternating(memory, step, points),
        };
        marks |= u32::from(completed) << position;
    }
    Marks(marks)
}

/// The lowest `n` bits.
fn mask(n: u8) -> u64 {
    if n >= 64 { u64::MAX } else { (1 << n) - 1 }
}

/// Takes one point into the window of a "count of `of`" rule and drops what can no longer take part in a hit.
///
/// A bit stays only if some future exists in which it is inside a window with enough hits: with t further points, all
/// hits, a window reaches back over the newest `of` − t bits. Dropping the others makes equal futures equal states, which
/// keeps the Markov chain of the run length small.
fn window(bits: &mut u64, hit: bool, count: u8, of: u8) -> bool {
    if *bits == 0 && !hit {
        return false;
    }
    let seen = (*bits << 1 | u64::from(hit)) & mask(of);
    let completed = hit && seen.count_ones() >= u32::from(count);
    let reach = (1..=count)
        .map(|t| (t, of - t))
        .find(|&(t, reach)| u32::from(t) + (seen & mask(reach)).count_ones() >= u32::from(count));
    *bits = reach.map_or(0, |(_, reach)| seen & mask(reach));
    completed
}

fn steady(memory: &mut RuleMemory, step: Option<Ordering>, points: u8) -> bool {
    let most = u64::from(points) - 1;
    let (rising, falling) = match step {
        Some(Ordering::Greater) => ((memory.upper + 1).min(most), 0),
        Some(Ordering::Less) => (0, (memory.lower + 1).min(most)),
        _ => (0, 0),
    };
    *memory = RuleMemory { upper: rising, lower: falling };
    rising == most || falling == most
}

fn alternating(memory: &mut RuleMemory, step: Option<Ordering>, points: u8) -> bool {
    let most = u64::from(points) - 1;
    let direction = match step {
        Some(Ordering::Greater) => 1,
        Some(Ordering::Less) => 2,
        _ => 0,
    };
    let turned = direction != 0 && memory.lower != 0 && direction != memory.lower;
    let steps = match (direction, turned) {
        (0, _) => 0,
        (_, true) => (memory.upper + 1).min(most),
        (_, false) => 1,
    };
    *memory = RuleMemory { upper: steps, lower: direction };
    steps == most
}

#[cfg(test)]
mod tests {
    use super::super::rules::{any_side, same_side};
    use super::*;

    fn hits(pattern: Pattern, points: &[f64]) -> Vec<usize> {
        let rules = RuleSet::new(vec![Rule::rejecting(pattern)]).unwrap();
        let marks = judge(&rules, points, AfterSignal::Continue).unwrap();
        (0..points.len()).filter(|&i| !marks[i].is_empty()).collect()
    }

    #[test]
    fn the_completing_point_is_marked_and_must_itself_be_beyond() {
        assert_eq!(hits(same_side(2, 3, 2.0), &[2.1, 0.0, 2.2, 0.0, 0.0, 2.3]), [2]);
        assert_eq!(hits(same_side(2, 3, 2.0), &[2.1, 0.0, -2.2]), [0; 0]);
        assert_eq!(hits(any_side(2, 3, 2.0), &[2.1, 0.0, -2.2]), [2]);
        assert_eq!(hits(same_side(2, 3, 2.0), &[2.1, 2.2, 0.0, 2.3]), [1, 3]);
    }

    #[test]
    fn a_point_on_a_line_is_inside_and_breaks_a_run() {
        assert_eq!(hits(same_side(1, 1, 3.0), &[3.0, 3.0000001]), [1]);
        assert_eq!(hits(same_side(3, 3, 0.0), &[1.0, 1.0, 0.0, 1.0, 1.0, 1.0, 1.0]), [5, 6]);
    }

    #[test]
    fn seven_points_rising_are_six_steps() {
        let rising: Vec<f64> = (0..8).map(f64::from).map(|i| i / 10.0).collect();
        assert_eq!(hits(Pattern::Steady { points: 7 }, &rising), [6, 7]);
        assert_eq!(hits(Pattern::Steady { points: 3 }, &[0.1, 0.2, 0.2, 0.1, 0.0]), [4]);
        assert_eq!(hits(Pattern::Alternating { points: 4 }, &[0.0, 1.0, 0.5, 0.8, 0.9, 0.1, 0.2]), [3, 6]);
    }

    #[test]
    fn a_restart_forgets_the_points_before_the_signal() {
        let rules = RuleSet::new(vec![Rule::rejecting(same_side(3, 3, 0.0))]).unwrap();
        let marks = judge(&rules, &[1.0; 7], AfterSignal::Restart).unwrap();
        assert_eq!((0..7).filter(|&i| !marks[i].is_empty()).collect::<Vec<_>>(), [2, 5]);
    }

    #[test]
    fn a_stored_state_goes_on_as_if_never_stopped() {
        let rules = RuleSet::nelson();
        let points: Vec<f64> = (0..60).map(|i| (f64::from(i) * 1.7).sin() * 2.5).collect();
        let whole = judge(&rules, &points, AfterSignal::Continue).unwrap();
        let mut engine = Engine::new(&rules, AfterSignal::Continue);
        let mut pieces = Vec::new();
        for &z in &points {
            let state = engine.state().clone();
            engine = Engine::resume(&rules, AfterSignal::Continue, state).unwrap();
            pieces.push(engine.push(z).unwrap());
        }
        assert_eq!(whole, pieces);
        assert!(engine.push(f64::NAN).is_err());
    }
}
