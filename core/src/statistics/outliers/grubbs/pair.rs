//! Grubbs' statistics for two values, and the studentised range of one sample.
use std::f64::consts::{FRAC_1_SQRT_2, PI};
use std::sync::{Arc, Mutex, PoisonError};

use super::rest::{Draw, SIMULATED, enclosing_pairs, ordered_pairs_weight};
use crate::statistics::memory::Memory;
use crate::statistics::outliers::largest::{Largest, Parts};
use crate::statistics::outliers::{
    Critical, End, Finding, Obtained, OutlierError, PValue, Sidedness, finding, level, no_decision, size, sorted,
};
use crate::statistics::quadrature::{Rule, find_root};
use crate::statistics::summary::Summary;

/// Most values for which these statistics have critical values.
pub const MOST: usize = 100;

/// Which statistic of two values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PairStatistic {
    /// Sum of squares without the two values at one end over that of all; small values are conspicuous.
    SameEnd,
    /// Sum of squares without the lowest and the highest over that of all; small values are conspicuous.
    OppositeEnds,
    /// Range over standard deviation; large values are conspicuous.
    RangeOverSd,
}

impl PairStatistic {
    fn fewest(self) -> usize {
        match self {
            Self::SameEnd | Self::OppositeEnds => 4,
            Self::RangeOverSd => 3,
        }
    }
}

/// Probability of a statistic at least as conspicuous as the one given.
///
/// `SameEnd` is found by quadrature over the pair (Obtained::Exact; error below 1e-7 in the critical value); two-sided it is twice the value of
/// one end. The other two need the joint distribution of both extremes of the rest, for which shapes are simulated with
/// a fixed seed; the standard error is given. They have no one-sided form.
///
/// # Source
/// F. E. Grubbs (1950), Ann. Math. Statist. 21, 27; H. A. David, H. O. Hartley, E. S. Pearson (1954), Biometrika 41, 482
/// (statistics from memory); distribution derived in `rest.rs`.
///
/// # Errors
/// A number of values the statistic is not defined for; a one-sided `OppositeEnds` or `RangeOverSd` is answered two-sided.
pub fn p_value(statistic: PairStatistic, n: usize, value: f64, sidedness: Sidedness) -> Result<PValue, OutlierError> {
    size(n, statistic.fewest(), MOST)?;
    if statistic == PairStatistic::SameEnd {
        let one = SameEnd::new(n)?.p(value);
        let (value, obtained) = match sidedness {
            Sidedness::OneSided => (one, Obtained::Exact),
            Sidedness::TwoSided => (2.0 * one, Obtained::Bonferroni),
        };
        return Ok(PValue { value: value.min(1.0), sidedness, obtained });
    }
    let sidedness = Sidedness::TwoSided;
    if n == 3 {
        return Ok(PValue { value: range_of_three(value), sidedness, obtained: Obtained::Exact });
    }
    let estimate = Simulated::new(statistic, n).p(value);
    let obtained = Obtained::Simulated { standard_error: estimate.standard_error };
    Ok(PValue { value: estimate.p.min(1.0), sidedness, obtained })
}

/// Critical value: the statistic is conspicuous below it (`SameEnd`, `OppositeEnds`) or above it (`RangeOverSd`).
///
/// # Errors
/// A level outside (0, 1) and those of [`p_value`].
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Sidedness, grubbs::pair::{PairStatistic, critical}};
/// // ISO 5725-2 table 5, p = 10, 5 %: 0.1864 (from memory; itself simulated).
/// let c = critical(PairStatistic::SameEnd, 10, 0.05, Sidedness::TwoSided)?;
/// assert!((c.value - 0.1864).abs() < 1e-4);
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn critical(
    statistic: PairStatistic,
    n: usize,
    alpha: f64,
    sidedness: Sidedness,
) -> Result<Critical, OutlierError> {
    type Key = (PairStatistic, usize, u64);
    static MEMORY: Memory<Key, (f64, f64)> = Memory::new();
    let alpha = level(alpha)?;
    size(n, statistic.fewest(), MOST)?;
    let sidedness = if statistic == PairStatistic::SameEnd { sidedness } else { Sidedness::TwoSided };
    let at_one_end = statistic == PairStatistic::SameEnd && sidedness == Sidedness::TwoSided;
    let one_level = if at_one_end { 0.5 * alpha } else { alpha };
    let key = (statistic, n, one_level.to_bits());
    let (value, standard_error) = match MEMORY.known(&key) {
        Some(known) => known,
        None => MEMORY.keep(key, solve(statistic, n, one_level)?),
    };
    let obtained = match statistic {
        PairStatistic::SameEnd if at_one_end => Obtained::Bonferroni,
        _ if standard_error == 0.0 => Obtained::Exact,
        _ => Obtained::Simulated { standard_error },
    };
    Ok(Critical { value, alpha, sidedness, obtained })
}

/// Critical value and its standard error, 0 for the exact ones.
fn solve(statistic: PairStatistic, n: usize, alpha: f64) -> Result<(f64, f64), OutlierError> {
    let exponent = 0.5 * (n as f64 - 3.0);
    match statistic {
        PairStatistic::SameEnd => {
            let same = SameEnd::new(n)?;
            // In ln l the tail is nearly straight, with the slope of the exponent.
            let start = alpha.ln() / exponent - 1.0;
            let root = find_root((-80.0, 0.0), 1e-12, start, |u| same.p(u.exp()).ln() - alpha.ln());
            Ok((root.exp(), 0.0))
        }
        PairStatistic::OppositeEnds => {
            let simulated = Simulated::new(statistic, n);
            let start = alpha.ln() / exponent - 1.0;
            let root = find_root((-80.0, 0.0), 1e-9, start, |u| simulated.p(u.exp()).p.ln() - alpha.ln());
            Ok((root.exp(), simulated.error_of_critical(root.exp())))
        }
        PairStatistic::RangeOverSd if n == 3 => Ok((2.0 * (alpha * PI / 6.0).cos(), 0.0)),
        PairStatistic::RangeOverSd => {
            let simulated = Simulated::new(statistic, n);
            let most = (2.0 * (n as f64 - 1.0)).sqrt();
            let root = find_root((0.3 * most, most), 1e-9, 0.8 * most, |q| simulated.p(q).p.ln() - alpha.ln());
            Ok((root, simulated.error_of_critical(root)))
        }
    }
}

/// P(range/s > q) for three values: R/s = 2 cos ψ with ψ uniform within ± π/6.
fn range_of_three(q: f64) -> f64 {
    if q >= 2.0 { 0.0 } else { ((0.5 * q).clamp(-1.0, 1.0).acos() / (PI / 6.0)).min(1.0) }
}

/// The two highest values, by quadrature.
struct SameEnd {
    n: f64,
    /// Distribution of the highest of the rest; `None` for a rest of two, whose highest is fixed.
    rest: Option<Largest>,
    /// Below this no highest of the rest counts.
    lowest: f64,
    rule: Rule,
}

impl SameEnd {
    fn new(n: usize) -> Result<Self, OutlierError> {
        let m = n - 2;
        let count = m as f64;
        // The highest of the rest lies below this many standard deviations with a probability under 2e-7; below 14 values
        // the table reaches down to the least possible.
        let deviations: f64 = if m < 28 { 0.6 } else { 0.8 };
        let lowest = if m < 14 { 1.001 / (count - 1.0) } else { deviations * count.sqrt() / (count - 1.0) };
        let rest = if m > 2 { Some(Largest::new(Parts::Deviations, m, lowest)?) } else { None };
        Ok(Self { n: n as f64, rest, lowest, rule: Rule::new(24) })
    }

    /// P(the rest lies below `b`, in units of the root of its sum of squares).
    fn rest_below(&self, b: f64) -> f64 {
        let m = self.n - 2.0;
        let w = b * (m / (m - 1.0)).sqrt();
        match &self.rest {
            Some(_) if w <= self.lowest => 0.0,
            Some(largest) => 1.0 - largest.tail(w),
            None => f64::from(u8::from(b >= FRAC_1_SQRT_2)),
        }
    }

    /// P(L < l), l = SS without the two highest over SS.
    fn p(&self, l: f64) -> f64 {
        if l >= 1.0 {
            return 1.0;
        }
        let exponent = 0.5 * (self.n - 3.0);
        let k = (self.n / (2.0 * (self.n - 2.0))).sqrt();
        let pairs = 0.5 * self.n * (self.n - 1.0);
        // The lower of the pair reaches b = ρ (k cos θ − sin θ/√2); at this angle it is level with the mean of the rest.
        let last_angle = (k * std::f64::consts::SQRT_2).atan();
        let m = self.n - 2.0;
        let most = ((m - 1.0) / m).sqrt();
        let reach = |theta: f64| k * theta.cos() - theta.sin() * FRAC_1_SQRT_2;
        let within = |theta: f64| match &self.rest {
            None => {
                let rho = FRAC_1_SQRT_2 / reach(theta);
                (1.0 / (1.0 + rho * rho)).min(l).powf(exponent)
            }
            Some(_) => {
                // Up to this share of the pair's own probability it clears every possible rest; beyond, the rest is in the
                // way with a half-integer power, which the square in the substitution smooths.
                let rho = most / reach(theta);
                let clear = (1.0 / (l * (1.0 + rho * rho))).powf(exponent).min(1.0);
                let blocked = self.rule.integrate(0.0, 1.0, |s| {
                    let part = l * (clear + (1.0 - clear) * s * s).powf(1.0 / exponent);
                    2.0 * s * self.rest_below((1.0 / part - 1.0).sqrt() * reach(theta))
                });
                l.powf(exponent) * (clear + (1.0 - clear) * blocked)
            }
        };
        // Where the rest begins to be in the way the integrand bends; quadrature on both sides of the bend.
        let rho_l = (1.0 / l - 1.0).sqrt();
        let bend = bend(rho_l, last_angle, most, &reach);
        let total = self.rule.integrate(0.0, bend, within) + self.rule.integrate(bend, last_angle, within);
        (pairs / PI * total).clamp(0.0, 1.0)
    }
}

/// Angle at which the pair at ρ_l just clears every possible rest.
fn bend(rho_l: f64, last_angle: f64, most: f64, reach: &impl Fn(f64) -> f64) -> f64 {
    if rho_l * reach(0.0) <= most {
        return 0.5 * last_angle;
    }
    find_root((0.0, last_angle), 1e-14, 0.5 * last_angle, |theta| rho_l * reach(theta) - most)
}

struct Estimate {
    p: f64,
    standard_error: f64,
}

/// The draws for the number of values asked for last: a study asks for several levels and both statistics of one n.
fn remembered_pairs(n: usize) -> Arc<Vec<Draw>> {
    static LAST: Mutex<Option<(usize, Arc<Vec<Draw>>)>> = Mutex::new(None);
    let mut last = LAST.lock().unwrap_or_else(PoisonError::into_inner);
    match &*last {
        Some((of, draws)) if *of == n => Arc::clone(draws),
        _ => {
            let draws = Arc::new(enclosing_pairs(n));
            *last = Some((n, Arc::clone(&draws)));
            draws
        }
    }
}

/// The highest and the lowest value, by simulation of the rest.
struct Simulated {
    statistic: PairStatistic,
    n: f64,
    weight: f64,
    draws: Arc<Vec<Draw>>,
}

impl Simulated {
    fn new(statistic: PairStatistic, n: usize) -> Self {
        Self { statistic, n: n as f64, weight: ordered_pairs_weight(n), draws: remembered_pairs(n) }
    }

    /// Largest L that is conspicuous for a draw.
    fn limit(&self, draw: &Draw, value: f64) -> f64 {
        match self.statistic {
            PairStatistic::RangeOverSd => 1.0 - value * value / (2.0 * (self.n - 1.0) * draw.sin2),
            _ => value,
        }
    }

    fn p(&self, value: f64) -> Estimate {
        let exponent = 0.5 * (self.n - 3.0);
        let (mut sum, mut squares) = (0.0, 0.0);
        for draw in self.draws.iter() {
            let part = self.limit(draw, value).min(draw.enclosing).max(0.0).powf(exponent);
            sum += part;
            squares += part * part;
        }
        let count = SIMULATED as f64;
        let mean = sum / count;
        let variance = (squares / count - mean * mean).max(0.0);
        Estimate { p: self.weight * mean, standard_error: self.weight * (variance / count).sqrt() }
    }

    /// Standard error of p over the slope of p, by a central difference.
    fn error_of_critical(&self, value: f64) -> f64 {
        let h = 1e-4 * value;
        let slope = (self.p(value + h).p - self.p(value - h).p) / (2.0 * h);
        (self.p(value).standard_error / slope).abs()
    }
}

/// What a test of two values says.
#[derive(Debug, Clone, PartialEq)]
pub struct PairTest {
    /// Which statistic.
    pub statistic: PairStatistic,
    /// Number of values.
    pub n: usize,
    /// Its value.
    pub value: f64,
    /// For the same-end form, the end tested.
    pub end: Option<End>,
    /// Suspect values.
    pub suspects: [f64; 2],
    /// Critical value at 5 %.
    pub critical_5: Critical,
    /// Critical value at 1 %.
    pub critical_1: Critical,
    /// p-value.
    pub p: PValue,
    /// Verdict, from the p-value.
    pub finding: Finding,
}

/// Tests two values. For `SameEnd` the more conspicuous end is taken (two-sided) unless one was fixed beforehand.
///
/// # Errors
/// Fewer than four values (three for the range), more than 100, or values that do not differ.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Finding, grubbs::pair::{PairStatistic, test}};
/// let titres = [23.16, 23.18, 23.20, 23.16, 23.22, 23.18, 23.58, 23.62];
/// let result = test(PairStatistic::SameEnd, &titres, None, 0.02)?;
/// assert_eq!((result.suspects, result.finding), ([23.58, 23.62], Finding::Outlier));
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn test(
    statistic: PairStatistic,
    values: &[f64],
    end: Option<End>,
    resolution: f64,
) -> Result<PairTest, OutlierError> {
    let x = sorted(values, statistic.fewest(), MOST)?;
    let n = x.len();
    let all = Summary::of(&x)?;
    if all.sum_of_squares() <= 0.0 {
        return Err(OutlierError::NoSpread);
    }
    let share = |rest: &[f64]| Ok::<f64, OutlierError>(Summary::of(rest)?.sum_of_squares() / all.sum_of_squares());
    let mut sidedness = Sidedness::TwoSided;
    let (value, end, suspects) = match statistic {
        PairStatistic::RangeOverSd => (all.range() / all.sample_sd()?, None, [x[0], x[n - 1]]),
        PairStatistic::OppositeEnds => (share(&x[1..n - 1])?, None, [x[0], x[n - 1]]),
        PairStatistic::SameEnd => {
            let (low, high) = (share(&x[2..])?, share(&x[..n - 2])?);
            if end.is_some() {
                sidedness = Sidedness::OneSided;
            }
            match end.unwrap_or(if high <= low { End::High } else { End::Low }) {
                End::High => (high, Some(End::High), [x[n - 2], x[n - 1]]),
                End::Low => (low, Some(End::Low), [x[0], x[1]]),
            }
        }
    };
    let p = p_value(statistic, n, value, sidedness)?;
    Ok(PairTest {
        statistic,
        n,
        value,
        end,
        suspects,
        critical_5: critical(statistic, n, 0.05, sidedness)?,
        critical_1: critical(statistic, n, 0.01, sidedness)?,
        p,
        finding: finding(p.value, no_decision(values, resolution)),
    })
}
