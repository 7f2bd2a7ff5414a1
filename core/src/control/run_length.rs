//! Exact run lengths of a rule set: how many points until the first mark.
//!
//! The states are those the engine of [`super::engine`] can reach before its first mark. Rules that compare a point with
//! the limits need only the zone of each point. Rules that compare it with the point before it also need where in its
//! zone the last point lies; with u the distribution function of the process, that density is, within a zone, a
//! polynomial in u whose degree is below the number of points compared, so as many Gauss-Legendre nodes carry it without
//! error. Nothing is simulated or discretised.
//!
//! Once the survivors have settled over the states, a constant share of them is marked at every further point; from
//! there the distribution is geometric and is summed in closed form.

use std::cmp::Ordering;
use std::collections::HashMap;

use super::engine::{RuleMemory, advance};
use super::rules::{Pattern, RuleSet};
use super::{ControlError, require};
use crate::statistics::distribution::{normal_cdf, normal_sf};
use crate::statistics::quadrature::Rule as Quadrature;
use crate::stop;

mod estimated;

pub use estimated::{EstimatedRunLength, with_estimated_limits};

/// Numbers held at once, states times nodes.
const LARGEST: usize = 4_000_000;
const MOST_STEPS: usize = 200_000;
/// Whole numbers beyond it are not all doubles.
const MOST_POINTS: f64 = 9_007_199_254_740_992.0;

/// The process that the chart watches, in units of the chart's sigma: points are normal and independent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Process {
    /// Mean minus centre line.
    pub shift: f64,
    /// Standard deviation over the chart's sigma.
    pub scale: f64,
}

impl Process {
    /// As the limits suppose.
    pub const IN_CONTROL: Self = Self { shift: 0.0, scale: 1.0 };

    /// The mean moved by `shift` sigmas.
    #[must_use]
    pub const fn shifted(shift: f64) -> Self {
        Self { shift, scale: 1.0 }
    }

    /// Probability of a point between `a` and `b`, from the nearer tail so that far zones keep their digits.
    fn between(&self, a: f64, b: f64) -> f64 {
        let (a, b) = ((a - self.shift) / self.scale, (b - self.shift) / self.scale);
        if a > 0.0 { normal_sf(a) - normal_sf(b) } else { normal_cdf(b) - normal_cdf(a) }
    }
}

/// Distribution of the number of points up to and including the first marked one.
#[derive(Debug, Clone, PartialEq)]
pub struct RunLength {
    /// Probability that no point up to and including the n-th is marked, from n = 0.
    survival: Vec<f64>,
    /// Probability of a mark at each later point, given none before.
    hazard: f64,
}

impl RunLength {
    /// Average run length: the expected number of points up to and including the first marked one.
    #[must_use]
    pub fn average(&self) -> f64 {
        let (last, before) = self.survival.split_last().map_or((0.0, [].as_slice()), |(last, rest)| (*last, rest));
        let tail = if last > 0.0 { last / self.hazard } else { 0.0 };
        before.iter().sum::<f64>() + tail
    }

    /// Probability of no mark among the first `n` points.
    #[must_use]
    pub fn survival(&self, n: u64) -> f64 {
        let settled = self.survival.len() - 1;
        match usize::try_from(n) {
            Ok(n) if n <= settled => self.survival[n],
            _ => {
                let further = n as f64 - settled as f64;
                self.survival[settled] * (further * (-self.hazard).ln_1p()).exp()
            }
        }
    }

    /// Probability of at least one mark among the first `points` points of any of `charts` independent charts: the
    /// false-alarm probability when the process is in control.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::control::{Process, RuleSet, run_length};
    /// # fn main() -> Result<(), ferrotitre_core::control::ControlError> {
    /// let run = run_length::run_length(&RuleSet::action_limits_only(), Process::IN_CONTROL)?;
    /// assert!((run.average() - 370.40).abs() < 0.005);
    /// // 250 points in a year on each of 4 charts: a false alarm is all but certain.
    /// assert!((run.probability_of_mark(250, 4) - (1.0 - 0.9973002_f64.powi(1000))).abs() < 1e-5);
    /// # Ok(()) }
    /// ```
    #[must_use]
    pub fn probability_of_mark(&self, points: u64, charts: u32) -> f64 {
        1.0 - self.survival(points).powf(f64::from(charts))
    }

    /// Smallest number of points by which a mark has come with probability `p`.
    ///
    /// # Errors
    /// `p` outside (0, 1); [`ControlError::TooLong`] beyond 2^53 points, where numbers of points are no longer exact.
    pub fn quantile(&self, p: f64) -> Result<u64, ControlError> {
        let p = require("probability", "greater than 0 and less than 1", p, p > 0.0 && p < 1.0)?;
        let left = 1.0 - p;
        let settled = self.survival.len() - 1;
        if let Some(n) = self.survival.iter().position(|&s| s <= left) {
            return Ok(n as u64);
        }
        let further = ((left / self.survival[settled]).ln() / (-self.hazard).ln_1p()).ceil();
        if further > MOST_POINTS {
            return Err(ControlError::TooLong { longest: MOST_POINTS });
        }
        Ok(settled as u64 + further as u64)
    }

    /// Standard deviation of the run length.
    #[must_use]
    pub fn standard_deviation(&self) -> f64 {
        let settled = self.survival.len() - 1;
        let (s, h, n) = (self.survival[settled], self.hazard, settled as f64);
        let head: f64 = self.survival[..settled].iter().enumerate().map(|(i, s)| (2.0 * i as f64 + 1.0) * s).sum();
        let tail = if s > 0.0 { s * ((2.0 * n + 1.0) / h + 2.0 * (1.0 - h) / (h * h)) } else { 0.0 };
        (head + tail - self.average().powi(2)).max(0.0).sqrt()
    }
}

/// Run length of a rule set for one process.
///
/// # Source
/// C. W. Champ and W. H. Woodall, Technometrics 29 (1987) 393 (method; abstract read), extended to rules that compare
/// neighbouring points as the module says.
///
/// # Errors
/// As [`Chain::new`] and [`Chain::run_length`].
pub fn run_length(rules: &RuleSet, process: Process) -> Result<RunLength, ControlError> {
    Chain::new(rules)?.run_length(process)
}

/// How the new point lies to the last one inside the same zone.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Move {
    /// Another zone, or nobody compares: the new density is flat.
    Fresh,
    Above,
    Below,
}

#[derive(Debug, Clone, Copy)]
struct Transition {
    /// State reached; `None` when a rule is completed.
    target: Option<usize>,
    zone: usize,
    by: Move,
}

/// The states of a rule set and their transitions; independent of the process, so built once for a whole curve.
#[derive(Debug, Clone)]
pub struct Chain {
    /// Limits of the zones, rising, without the infinite ends.
    edges: Vec<f64>,
    /// Zone of the last point per state (0 where nobody compares points).
    zones: Vec<usize>,
    transitions: Vec<Vec<Transition>>,
    first: Vec<Transition>,
    density: Density,
    memory: usize,
}

impl Chain {
    /// Finds all states.
    ///
    /// # Errors
    /// [`ControlError::TooManyStates`].
    pub fn new(rules: &RuleSet) -> Result<Self, ControlError> {
        Self::at_most(rules, LARGEST)
    }

    /// Finds all states, but gives up early: at more than `largest` states, counted by what they take. A state counts once per
    /// point of memory of the rules that compare points with each other, at least once.
    ///
    /// # Errors
    /// [`ControlError::TooManyStates`].
    pub fn at_most(rules: &RuleSet, largest: usize) -> Result<Self, ControlError> {
        let mut edges: Vec<f64> = rules
            .rules()
            .iter()
            .flat_map(|rule| match rule.pattern {
                Pattern::Beyond { sigmas, .. } | Pattern::Within { sigmas, .. } => vec![-sigmas, sigmas],
                Pattern::Steady { .. } | Pattern::Alternating { .. } => Vec::new(),
            })
            .map(|edge| edge + 0.0)
            .collect();
        edges.sort_by(f64::total_cmp);
        edges.dedup();
        let compared = rules.rules().iter().map(|rule| rule.pattern).filter(Pattern::compares_points);
        let nodes = compared.map(|pattern| usize::from(pattern.memory())).max().unwrap_or(1);
        let memory = usize::from(rules.memory());
        let mut chain = Self {
            edges,
            zones: Vec::new(),
            transitions: Vec::new(),
            first: Vec::new(),
            density: Density::new(nodes),
            memory,
        };
        chain.explore(rules, largest.min(LARGEST))?;
        Ok(chain)
    }

    /// Number of states before the first mark, the start not counted.
    #[must_use]
    pub fn states(&self) -> usize {
        self.transitions.len()
    }

    /// A point inside each zone.
    fn representatives(&self) -> Vec<f64> {
        let Some((&low, &high)) = self.edges.first().zip(self.edges.last()) else { return vec![0.0] };
        let middles = self.edges.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]));
        std::iter::once(low - 1.0).chain(middles).chain(std::iter::once(high + 1.0)).collect()
    }

    fn explore(&mut self, rules: &RuleSet, largest: usize) -> Result<(), ControlError> {
        let points = self.representatives();
        let compares = self.density.nodes() > 1;
        let mut states = States { known: HashMap::new(), queue: Vec::new(), compares };
        let empty = vec![RuleMemory::default(); rules.rules().len()];
        for (zone, &point) in points.iter().enumerate() {
            let target = states.reach(rules, &empty, (zone, point), None);
            self.first.push(Transition { target, zone, by: Move::Fresh });
        }
        while let Some((memories, last)) = states.queue.get(self.transitions.len()).cloned() {
            stop::point();
            let mut out = Vec::with_capacity(points.len() + 1);
            for (zone, &point) in points.iter().enumerate() {
                for &(step, by) in moves(compares, zone.cmp(&last)) {
                    let target = states.reach(rules, &memories, (zone, point), step);
                    out.push(Transition { target, zone, by });
                }
            }
            self.transitions.push(out);
            if states.queue.len() * self.density.nodes() > largest {
                return Err(ControlError::TooManyStates { limit: largest / self.density.nodes() });
            }
        }
        self.zones = states.queue.into_iter().map(|(_, zone)| zone).collect();
        Ok(())
    }

    /// Run length for one process.
    ///
    /// # Errors
    /// A shift that is not finite, a scale that is not positive, or no settling within 200 000 points.
    pub fn run_length(&self, process: Process) -> Result<RunLength, ControlError> {
        self.run_length_to(process, 1e-12)
    }

    fn run_length_to(&self, process: Process, settled_to: f64) -> Result<RunLength, ControlError> {
        require("shift", "finite", process.shift, process.shift.is_finite())?;
        let scale = process.scale;
        require("scale", "finite and greater than 0", scale, scale.is_finite() && scale > 0.0)?;
        let width = self.widths(process);
        let nodes = self.density.nodes();
        let mut now = vec![0.0; self.states() * nodes];
        for transition in &self.first {
            if let Some(target) = transition.target {
                // Masses where nobody compares points, densities otherwise.
                let value = if nodes == 1 { width[transition.zone] } else { 1.0 };
                now[target * nodes..][..nodes].iter_mut().for_each(|g| *g += value);
            }
        }
        let marked: f64 = self.first.iter().filter(|t| t.target.is_none()).map(|t| width[t.zone]).sum();
        let mut hazard = self.normalise(&mut now, &width, marked);
        let mut survival = vec![1.0, 1.0 - hazard];
        let mut next = vec![0.0; now.len()];
        let mut fresh = vec![0.0; self.states()];
        let mut settled = 0;
        for step in 2..MOST_STEPS {
            stop::point();
            if hazard >= 1.0 {
                return Ok(RunLength { survival, hazard: 1.0 });
            }
            let marked = self.advance(&now, &mut next, &mut fresh, &width);
            let new_hazard = self.normalise(&mut next, &width, marked);
            survival.push(survival[step - 1] * (1.0 - new_hazard));
            // Rare states fill last and may carry the whole hazard, so the hazard itself must stand still, and not before
            // every rule had time to be completed.
            let still = (new_hazard - hazard).abs() <= settled_to * new_hazard && new_hazard > 0.0;
            let moved = self.distance(&now, &next, &width);
            if new_hazard <= 0.0 && hazard <= 0.0 && moved < settled_to && step > 3 * self.memory + 10 {
                return Err(ControlError::TooLong { longest: f64::MAX });
            }
            settled = if still && moved < settled_to && step > 3 * self.memory { settled + 1 } else { 0 };
            hazard = new_hazard;
            std::mem::swap(&mut now, &mut next);
            if settled == 3 {
                return Ok(RunLength { survival, hazard });
            }
        }
        Err(ControlError::NotConverged { what: "run length", steps: MOST_STEPS })
    }

    fn widths(&self, process: Process) -> Vec<f64> {
        let lower = std::iter::once(f64::NEG_INFINITY).chain(self.edges.iter().copied());
        let upper = self.edges.iter().copied().chain(std::iter::once(f64::INFINITY));
        lower.zip(upper).map(|(a, b)| process.between(a, b)).collect()
    }

    fn mass(&self, state: usize, values: &[f64], width: &[f64]) -> f64 {
        let nodes = self.density.nodes();
        if nodes == 1 {
            return values[state];
        }
        width[self.zones[state]] * dot(&self.density.weights, &values[state * nodes..][..nodes])
    }

    /// Scales the survivors to total 1; returns the share marked.
    fn normalise(&self, values: &mut [f64], width: &[f64], marked: f64) -> f64 {
        let left: f64 = (0..self.states()).map(|state| self.mass(state, values, width)).sum();
        if left <= 0.0 {
            return 1.0;
        }
        values.iter_mut().for_each(|v| *v /= left);
        marked / (left + marked)
    }

    fn distance(&self, a: &[f64], b: &[f64], width: &[f64]) -> f64 {
        (0..self.states()).map(|s| (self.mass(s, a, width) - self.mass(s, b, width)).abs()).sum()
    }

    /// One more point for everyone; returns the mass marked.
    fn advance(&self, now: &[f64], next: &mut [f64], fresh: &mut [f64], width: &[f64]) -> f64 {
        let nodes = self.density.nodes();
        next.fill(0.0);
        // Flat densities are added up as one number per state and spread over its nodes at the end.
        fresh.fill(0.0);
        let mut marked = 0.0;
        for (state, transitions) in self.transitions.iter().enumerate() {
            let mass = self.mass(state, now, width);
            if mass == 0.0 {
                continue;
            }
            let density = &now[state * nodes..][..nodes];
            for transition in transitions {
                let p = width[transition.zone];
                match (transition.target, transition.by) {
                    (None, Move::Fresh) => marked += mass * p,
                    (None, Move::Above) => marked += p * p * dot(&self.density.total_above, density),
                    (None, Move::Below) => marked += p * p * dot(&self.density.total_below, density),
                    (Some(target), Move::Fresh) if nodes == 1 => next[target] += mass * p,
                    (Some(target), Move::Fresh) => fresh[target] += mass,
                    (Some(target), by) => {
                        let rows = if by == Move::Above { &self.density.above } else { &self.density.below };
                        for (g, row) in next[target * nodes..][..nodes].iter_mut().zip(rows.chunks_exact(nodes)) {
                            *g += p * dot(row, density);
                        }
                    }
                }
            }
        }
        if nodes > 1 {
            for (density, fresh) in next.chunks_exact_mut(nodes).zip(fresh.iter()) {
                density.iter_mut().for_each(|g| *g += fresh);
            }
        }
        marked
    }
}

/// States found so far, in the order of their discovery.
struct States {
    known: HashMap<(Vec<RuleMemory>, usize), usize>,
    queue: Vec<(Vec<RuleMemory>, usize)>,
    compares: bool,
}

impl States {
    /// The state after one more point; `None` when a rule is completed.
    fn reach(
        &mut self,
        rules: &RuleSet,
        memories: &[RuleMemory],
        (zone, point): (usize, f64),
        step: Option<Ordering>,
    ) -> Option<usize> {
        let mut after = memories.to_vec();
        if !advance(rules.rules(), &mut after, point, step).is_empty() {
            return None;
        }
        let key = (after, if self.compares { zone } else { 0 });
        let next = self.queue.len();
        let index = *self.known.entry(key.clone()).or_insert(next);
        if index == next {
            self.queue.push(key);
        }
        Some(index)
    }
}

/// Steps possible when the new point's zone lies so to the last one's.
fn moves(compares: bool, zones: Ordering) -> &'static [(Option<Ordering>, Move)] {
    match (compares, zones) {
        (false, _) => &[(None, Move::Fresh)],
        (true, Ordering::Greater) => &[(Some(Ordering::Greater), Move::Fresh)],
        (true, Ordering::Less) => &[(Some(Ordering::Less), Move::Fresh)],
        (true, Ordering::Equal) => &[(Some(Ordering::Greater), Move::Above), (Some(Ordering::Less), Move::Below)],
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Polynomials on (0, 1) by their values at Gauss-Legendre nodes, with the matrices that integrate them.
#[derive(Debug, Clone)]
struct Density {
    weights: Vec<f64>,
    /// Row i, column j: integral of the j-th basis polynomial from 0 to node i; row after row.
    above: Vec<f64>,
    /// The same from node i to 1.
    below: Vec<f64>,
    total_above: Vec<f64>,
    total_below: Vec<f64>,
}

impl Density {
    fn new(n: usize) -> Self {
        let rule = Quadrature::new(n);
        let (nodes, weights): (Vec<f64>, Vec<f64>) = rule.on(0.0, 1.0).unzip();
        let basis = |j: usize, t: f64| -> f64 {
            (0..n).filter(|&k| k != j).map(|k| (t - nodes[k]) / (nodes[j] - nodes[k])).product()
        };
        let integral = |a: f64, b: f64, j: usize| rule.integrate(a, b, |t| basis(j, t));
        let table = |from_zero: bool| -> Vec<f64> {
            let cell = |i: usize, j: usize| {
                if from_zero { integral(0.0, nodes[i], j) } else { integral(nodes[i], 1.0, j) }
            };
            (0..n * n).map(|at| cell(at / n, at % n)).collect()
        };
        let (above, below) = (table(true), table(false));
        let total =
            |rows: &[f64]| -> Vec<f64> { (0..n).map(|j| (0..n).map(|i| weights[i] * rows[i * n + j]).sum()).collect() };
        let (total_above, total_below) = (total(&above), total(&below));
        Self { weights, above, below, total_above, total_below }
    }

    fn nodes(&self) -> usize {
        self.weights.len()
    }
}
