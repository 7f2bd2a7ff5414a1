//! Propagation of distributions by Monte Carlo.
//!
//! Trials are made in blocks of fixed size, each with its own random numbers, and combined in order: the result is the
//! same to the last bit for any number of threads.

use super::inputs::cholesky;
use super::{DegreesOfFreedom, Distribution, Input, Inputs};
use crate::stop;

mod random;

use random::{Stream, layers};

/// Trials per block.
const BLOCK: usize = 1000;
/// Trials per batch of the adaptive procedure.
const BATCH: usize = 10_000;

/// Why a Monte Carlo evaluation cannot be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MonteCarloError {
    /// A setting outside its range.
    #[error("{field} must be {rule}, not {value}")]
    OutOfRange {
        /// Which setting.
        field: &'static str,
        /// The rule broken.
        rule: &'static str,
        /// Offending value.
        value: f64,
    },
    /// Correlated inputs that are not normal have no unique joint distribution.
    #[error("input {id} is correlated but not normal; its joint distribution is not defined")]
    CorrelatedShape {
        /// Input.
        id: String,
    },
    /// The model has no finite value somewhere in the range of its inputs.
    #[error("{trials} trials of the model are not finite numbers")]
    NotFinite {
        /// How many trials.
        trials: usize,
    },
    /// The adaptive procedure did not stabilise.
    #[error("not stable to {tolerance} after {trials} trials")]
    NotStable {
        /// Numerical tolerance asked for.
        tolerance: f64,
        /// Trials made.
        trials: usize,
    },
}

/// How to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// Trials, at least 10 000 and at least 100/(1 − probability). For [`adaptive`]: the most that are made.
    pub trials: usize,
    /// Coverage probability, in (0, 1).
    pub probability: f64,
    /// Seed; the same seed gives the same numbers.
    pub seed: u64,
    /// Threads, at least 1; does not change the result.
    pub threads: usize,
}

impl Default for Settings {
    /// 10⁶ trials, 95 %, one thread.
    fn default() -> Self {
        Self { trials: 1_000_000, probability: 0.95, seed: 0, threads: 1 }
    }
}

/// A coverage interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoverageInterval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Result of a Monte Carlo evaluation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonteCarlo {
    /// Trials made.
    pub trials: usize,
    /// Mean of the model values.
    pub mean: f64,
    /// Their standard deviation.
    pub standard_uncertainty: f64,
    /// Coverage probability of the intervals.
    pub probability: f64,
    /// Interval with equal probability left out at both ends.
    pub symmetric: CoverageInterval,
    /// Shortest interval.
    pub shortest: CoverageInterval,
}

/// Propagates distributions with a fixed number of trials.
///
/// `samples` is working room, reused between calls; afterwards it holds the model values in no particular order.
///
/// # Formula
/// q = ⌊pM + ½⌋; symmetric \[y₍r₎, y₍r+q₎\] with r = ⌊(M − q + 1)/2⌋; shortest: the r that makes y₍r+q₎ − y₍r₎ least
///
/// # Source
/// JCGM 101:2008, 7.2 to 7.7 (from memory).
///
/// # Errors
/// Settings out of range, correlated inputs that are not normal, a model that is not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::uncertainty::monte_carlo::{Settings, simulate};
/// use ferrotitre_core::uncertainty::{Input, Inputs};
/// # fn main() -> Result<(), Box<dyn std::error::Error>> {
/// let mut inputs = Inputs::new();
/// for id in ["a", "b", "c", "d"] {
///     inputs.add(Input::new(id, "standard normal", "", 0.0, 1.0))?;
/// }
/// let settings = Settings { trials: 200_000, ..Settings::default() };
/// let result = simulate(&inputs, |x| x.iter().sum(), &settings, &mut Vec::new())?;
/// assert!((result.standard_uncertainty - 2.0).abs() < 0.015);
/// # Ok(()) }
/// ```
pub fn simulate(
    inputs: &Inputs,
    model: impl Fn(&[f64]) -> f64 + Sync,
    settings: &Settings,
    samples: &mut Vec<f64>,
) -> Result<MonteCarlo, MonteCarloError> {
    check(settings)?;
    let plan = Plan::new(inputs)?;
    samples.clear();
    samples.resize(settings.trials, 0.0);
    plan.fill(&model, settings, 0, samples);
    summarise(samples, settings.probability)
}

/// Propagates distributions until mean, standard uncertainty and both ends of the interval are stable.
///
/// # Formula
/// Batches of 10 000 trials (or 100/(1−p) if more) until twice the standard error of the batch means of each of the four
/// figures is below the tolerance.
///
/// # Source
/// JCGM 101:2008, 7.9.4 (from memory). The interval is the probabilistically symmetric one.
///
/// # Errors
/// As [`simulate`]; a tolerance that is not positive; not stable within `settings.trials`.
pub fn adaptive(
    inputs: &Inputs,
    model: impl Fn(&[f64]) -> f64 + Sync,
    tolerance: f64,
    settings: &Settings,
    samples: &mut Vec<f64>,
) -> Result<MonteCarlo, MonteCarloError> {
    check(settings)?;
    let usable = tolerance.is_finite() && tolerance > 0.0;
    require("numerical tolerance", "finite and greater than 0", tolerance, usable)?;
    let plan = Plan::new(inputs)?;
    let batch = batch(settings.probability);
    samples.clear();
    let mut scratch = vec![0.0; batch];
    let mut figures: [Running; 4] = Default::default();
    while samples.len() + batch <= settings.trials {
        plan.fill(&model, settings, samples.len() / BLOCK, &mut scratch);
        samples.extend_from_slice(&scratch);
        let result = summarise(&mut scratch, settings.probability)?;
        let values = [result.mean, result.standard_uncertainty, result.symmetric.low, result.symmetric.high];
        figures.iter_mut().zip(values).for_each(|(figure, value)| figure.add(value));
        if figures.iter().all(|figure| figure.count >= 2.0 && 2.0 * figure.standard_error() < tolerance) {
            return summarise(samples, settings.probability);
        }
    }
    Err(MonteCarloError::NotStable { tolerance, trials: samples.len() })
}

/// Numerical tolerance for a standard uncertainty meaningful to `digits` significant figures.
///
/// # Formula
/// u = c × 10ˡ with c a whole number of that many digits; δ = ½ × 10ˡ
///
/// # Source
/// JCGM 101:2008, 7.9.2 (from memory).
///
/// # Errors
/// An uncertainty that is not positive; digits outside 1 to 4.
pub fn numerical_tolerance(u: f64, digits: u8) -> Result<f64, MonteCarloError> {
    require("standard uncertainty", "finite and greater than 0", u, u.is_finite() && u > 0.0)?;
    require("significant digits", "from 1 to 4", digits.into(), (1..=4).contains(&digits))?;
    // The decade is read off the rounded number: 0.0996 to one digit is 1 × 10⁻¹.
    let text = format!("{u:.*e}", usize::from(digits) - 1);
    let decade: i32 = text.split_once('e').and_then(|(_, exponent)| exponent.parse().ok()).unwrap_or(0);
    Ok(0.5 * 10_f64.powi(decade - i32::from(digits) + 1))
}

fn require(field: &'static str, rule: &'static str, value: f64, ok: bool) -> Result<(), MonteCarloError> {
    if ok { Ok(()) } else { Err(MonteCarloError::OutOfRange { field, rule, value }) }
}

/// Trials per batch, a whole number of blocks.
fn batch(probability: f64) -> usize {
    let least = (100.0 / (1.0 - probability)).ceil() as usize;
    least.max(BATCH).div_ceil(BLOCK) * BLOCK
}

fn check(settings: &Settings) -> Result<(), MonteCarloError> {
    let p = settings.probability;
    require("coverage probability", "greater than 0 and less than 1", p, p > 0.0 && p < 1.0)?;
    let trials = settings.trials;
    let enough = trials >= batch(p) && trials <= u32::MAX as usize;
    require("trials", "at least 10 000 and 100/(1 - probability)", trials as f64, enough)?;
    require("threads", "at least 1", settings.threads as f64, settings.threads >= 1)
}

/// Mean and variance of a growing list.
#[derive(Default)]
struct Running {
    count: f64,
    mean: f64,
    squares: f64,
}

impl Running {
    fn add(&mut self, value: f64) {
        self.count += 1.0;
        let step = value - self.mean;
        self.mean += step / self.count;
        self.squares += step * (value - self.mean);
    }
    fn standard_error(&self) -> f64 {
        (self.squares / ((self.count - 1.0) * self.count)).sqrt()
    }
}

/// What to draw, worked out once.
struct Plan<'a> {
    inputs: &'a [Input],
    /// Positions of correlated inputs and the lower Cholesky factor of their correlation matrix.
    correlated: Vec<u32>,
    factor: Vec<Vec<f64>>,
}

impl<'a> Plan<'a> {
    fn new(inputs: &'a Inputs) -> Result<Self, MonteCarloError> {
        let (correlated, matrix) = inputs.correlated_block();
        let list = inputs.list();
        for &position in &correlated {
            let input = &list[position as usize];
            if input.distribution != Distribution::Normal {
                return Err(MonteCarloError::CorrelatedShape { id: input.id.clone() });
            }
        }
        // `Inputs::correlate` admits positive semidefinite matrices only.
        let factor = cholesky(matrix).unwrap_or_default();
        Ok(Self { inputs: list, correlated, factor })
    }

    /// Fills `out` with the trials from block `first` on, shared among threads.
    fn fill<M: Fn(&[f64]) -> f64 + Sync>(&self, model: &M, settings: &Settings, first: usize, out: &mut [f64]) {
        let blocks = out.len().div_ceil(BLOCK);
        let share = blocks.div_ceil(settings.threads);
        if settings.threads == 1 || share == blocks {
            self.fill_blocks(model, settings.seed, first, out);
            return;
        }
        let stop = stop::watched();
        let ended = std::thread::scope(|scope| {
            let mut workers = Vec::new();
            for (i, part) in out.chunks_mut(share * BLOCK).enumerate() {
                let stop = &stop;
                let work = move || self.fill_blocks(model, settings.seed, first + i * share, part);
                workers.push(scope.spawn(move || stop::until(stop, work)));
            }
            workers.into_iter().fold(false, |ended, worker| match worker.join() {
                Ok(done) => ended || done.is_err(),
                Err(cause) => std::panic::resume_unwind(cause),
            })
        });
        if ended {
            stop::leave();
        }
    }

    fn fill_blocks<M: Fn(&[f64]) -> f64>(&self, model: &M, seed: u64, first: usize, out: &mut [f64]) {
        let n = self.inputs.len();
        // Column by column, so that each distribution is drawn in a tight loop.
        let mut columns = vec![0.0; n * BLOCK];
        let mut row = vec![0.0; n];
        for (i, block) in out.chunks_mut(BLOCK).enumerate() {
            stop::point();
            let number = (first + i) as u32;
            for (position, column) in (0_u32..).zip(columns.chunks_exact_mut(BLOCK)) {
                let stream = Stream::new(seed, position, number);
                draw(&self.inputs[position as usize], stream, self.correlated.contains(&position), column);
            }
            self.correlate(&mut columns);
            for (trial, value) in block.iter_mut().enumerate() {
                for (x, column) in row.iter_mut().zip(columns.chunks_exact(BLOCK)) {
                    *x = column[trial];
                }
                *value = model(&row);
            }
        }
    }

    /// Mixes the independent normal columns of correlated inputs and gives them their mean and uncertainty.
    fn correlate(&self, columns: &mut [f64]) {
        if self.correlated.is_empty() {
            return;
        }
        let mut z = vec![0.0; self.correlated.len()];
        for trial in 0..BLOCK {
            for (z, &position) in z.iter_mut().zip(&self.correlated) {
                *z = columns[position as usize * BLOCK + trial];
            }
            for (row, &position) in self.factor.iter().zip(&self.correlated) {
                let mixed: f64 = row.iter().zip(&z).map(|(l, z)| l * z).sum();
                let input = &self.inputs[position as usize];
                columns[position as usize * BLOCK + trial] = input.value + input.standard_uncertainty * mixed;
            }
        }
    }
}

/// Draws one input for a block; correlated inputs stay standard normal.
fn draw(input: &Input, mut stream: Stream, standard: bool, column: &mut [f64]) {
    let layers = layers();
    let (value, u) = if standard { (0.0, 1.0) } else { (input.value, input.standard_uncertainty) };
    let a = input.distribution.half_width(u);
    match input.distribution {
        Distribution::Exact => column.fill(value),
        Distribution::Rectangular => column.iter_mut().for_each(|x| *x = value + a * stream.symmetric()),
        Distribution::Triangular => {
            column.iter_mut().for_each(|x| *x = value + a * (stream.uniform() + stream.uniform() - 1.0));
        }
        Distribution::Trapezoidal { top_to_base: b } => {
            let (wide, narrow) = (0.5 * a * (1.0 + b), 0.5 * a * (1.0 - b));
            column.iter_mut().for_each(|x| *x = value + wide * stream.symmetric() + narrow * stream.symmetric());
        }
        Distribution::Arcsine => {
            column.iter_mut().for_each(|x| *x = value + a * (std::f64::consts::TAU * stream.uniform()).sin());
        }
        Distribution::CurvilinearTrapezoid { relative_limit_width: d } => {
            // a is the outermost reach; its middle value is a / (1 + d).
            let middle = a / (1.0 + d);
            let limit = |r: f64| middle * (1.0 + d * r);
            column.iter_mut().for_each(|x| *x = value + limit(stream.symmetric()) * stream.symmetric());
        }
        Distribution::Normal => column.iter_mut().for_each(|x| *x = value + u * stream.normal(layers)),
        Distribution::StudentT => match input.degrees_of_freedom {
            DegreesOfFreedom::Infinite => column.iter_mut().for_each(|x| *x = value + u * stream.normal(layers)),
            DegreesOfFreedom::Finite(df) => {
                column.iter_mut().for_each(|x| *x = value + u * stream.student_t(layers, df));
            }
        },
    }
}

/// Mean, deviation and intervals; permutes the samples.
fn summarise(samples: &mut [f64], probability: f64) -> Result<MonteCarlo, MonteCarloError> {
    let bad = samples.iter().filter(|y| !y.is_finite()).count();
    if bad > 0 {
        return Err(MonteCarloError::NotFinite { trials: bad });
    }
    let trials = samples.len();
    let (mean, squares) = moments(samples);
    let covered = (probability * trials as f64 + 0.5).floor() as usize;
    let left_out = trials - covered.min(trials - 1);
    let (low, high) = tails(samples, left_out);
    // Ranks from 1 in the source: y(r) is low[r − 1] and y(r + q) is high[r − 1].
    let interval = |r: usize| CoverageInterval { low: low[r - 1], high: high[r - 1] };
    let symmetric = interval(left_out.div_ceil(2));
    let width = |r: usize| high[r - 1] - low[r - 1];
    let shortest = (1..=left_out).min_by(|&a, &b| width(a).total_cmp(&width(b))).map_or(symmetric, interval);
    let standard_uncertainty = (squares / (trials as f64 - 1.0)).sqrt();
    Ok(MonteCarlo { trials, mean, standard_uncertainty, probability, symmetric, shortest })
}

/// Mean and sum of squared deviations, block by block in order.
fn moments(samples: &[f64]) -> (f64, f64) {
    let (mut n, mut mean, mut squares) = (0.0, 0.0, 0.0);
    for block in samples.chunks(BLOCK) {
        let m = block.len() as f64;
        let block_mean = lanes(block, |y| y) / m;
        let block_squares = lanes(block, |y| (y - block_mean) * (y - block_mean));
        let step = block_mean - mean;
        let total = n + m;
        mean += step * m / total;
        squares += block_squares + step * step * n * m / total;
        n = total;
    }
    (mean, squares)
}

/// Sum in eight interleaved parts: quick, and always in the same order.
fn lanes(block: &[f64], f: impl Fn(f64) -> f64) -> f64 {
    let mut parts = [0.0; 8];
    let chunks = block.chunks_exact(8);
    let rest: f64 = chunks.remainder().iter().map(|y| f(*y)).sum();
    for chunk in chunks {
        for (part, y) in parts.iter_mut().zip(chunk) {
            *part += f(*y);
        }
    }
    parts.iter().sum::<f64>() + rest
}

/// The `k` smallest and the `k` largest samples, each in order; only the ends are sorted.
fn tails(samples: &mut [f64], k: usize) -> (&[f64], &[f64]) {
    let n = samples.len();
    if 2 * k >= n {
        samples.sort_unstable_by(f64::total_cmp);
    } else {
        let (low, _, rest) = samples.select_nth_unstable_by(k - 1, f64::total_cmp);
        low.sort_unstable_by(f64::total_cmp);
        let (_, _, high) = rest.select_nth_unstable_by(n - 2 * k - 1, f64::total_cmp);
        high.sort_unstable_by(f64::total_cmp);
    }
    (&samples[..k], &samples[n - k..])
}
