//! Dixon's ratios r10, r11, r12, r20, r21 and r22 with exact critical values and p-values.
//!
//! The ratio of the lower end is (x[1+i] - x[1]) / (x[n-j] - x[1]) for r_ij; the upper end mirrors it.

use std::collections::HashMap;
use std::sync::{Mutex, OnceLock, PoisonError};

use crate::statistics::distribution::{DistributionError, normal_cdf, normal_density, normal_sf};
use crate::statistics::outliers::{Finding, Obtained, OutlierError, Sidedness, no_decision, sorted};
use crate::statistics::quadrature::{Rule, solve_increasing};

/// Which ratio: `gap` neighbours are skipped in the numerator, `cut` values at the far end in the denominator.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ratio {
    /// Gap over range.
    R10,
    /// Far value left out of the range.
    R11,
    /// Two far values left out.
    R12,
    /// Gap to the second neighbour over range.
    R20,
    /// The same, far value left out.
    R21,
    /// The same, two far values left out.
    R22,
}

impl Ratio {
    /// All ratios.
    pub const ALL: [Ratio; 6] = [Ratio::R10, Ratio::R11, Ratio::R12, Ratio::R20, Ratio::R21, Ratio::R22];

    fn gap_and_cut(self) -> (usize, usize) {
        match self {
            Self::R10 => (1, 0),
            Self::R11 => (1, 1),
            Self::R12 => (1, 2),
            Self::R20 => (2, 0),
            Self::R21 => (2, 1),
            Self::R22 => (2, 2),
        }
    }

    /// Name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::R10 => "r10",
            Self::R11 => "r11",
            Self::R12 => "r12",
            Self::R20 => "r20",
            Self::R21 => "r21",
            Self::R22 => "r22",
        }
    }

    /// Fewest values it is defined for.
    #[must_use]
    pub fn fewest(self) -> usize {
        let (gap, cut) = self.gap_and_cut();
        gap + cut + 2
    }

    /// The ratio recommended for a number of values: r10 to 7, r11 to 10, r21 to 13, r22 above.
    ///
    /// # Source
    /// Dixon 1953 (from memory).
    #[must_use]
    pub fn recommended(n: usize) -> Self {
        match n {
            0..=7 => Self::R10,
            8..=10 => Self::R11,
            11..=13 => Self::R21,
            _ => Self::R22,
        }
    }
}

/// Most values for which critical values are computed.
pub const MOST: usize = 30;

/// Ratios at both ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ends {
    /// Ratio at the low end.
    pub low: f64,
    /// Ratio at the high end.
    pub high: f64,
}

/// The ratio at both ends.
///
/// # Errors
/// [`OutlierError`] for a number of values the ratio is not defined for, or values that do not differ.
pub fn statistic(ratio: Ratio, values: &[f64]) -> Result<Ends, OutlierError> {
    let x = sorted(values, ratio.fewest(), MOST)?;
    let (gap, cut) = ratio.gap_and_cut();
    let n = x.len();
    let (low_range, high_range) = (x[n - 1 - cut] - x[0], x[n - 1] - x[cut]);
    if low_range <= 0.0 || high_range <= 0.0 {
        return Err(OutlierError::NoSpread);
    }
    Ok(Ends { low: (x[gap] - x[0]) / low_range, high: (x[n - 1] - x[n - 1 - gap]) / high_range })
}

/// P(ratio at one end, fixed beforehand, exceeds `r`) for `n` independent normal values.
///
/// # Formula
/// With x the lowest value, y = x[n-j], and N = n - 2 - j values between them, of which at most i - 1 may lie below
/// x + r (y - x):
///
/// n! / (N! j!) double integral of phi(x) phi(y) (1 - Phi(y))^j sum_{m<i} C(N,m) (Phi(x+rv) - Phi(x))^m (Phi(y) - Phi(x+rv))^{N-m}
///
/// # Source
/// Joint density of order statistics (David, Order Statistics, 2.2; from memory); Dixon 1951.
///
/// # Errors
/// A number of values the ratio is not defined for, or above 30.
pub fn one_sided_p(ratio: Ratio, n: usize, r: f64) -> Result<f64, OutlierError> {
    check_size(ratio, n)?;
    if r <= 0.0 {
        return Ok(1.0);
    }
    if r >= 1.0 {
        return Ok(0.0);
    }
    let (gap, cut) = ratio.gap_and_cut();
    let between = n - 2 - cut;
    // n! / (N! j!) = n (n-1) ... (N+1) / j!
    let front: f64 =
        (between + 1..=n).map(|k| k as f64).product::<f64>() / (1..=cut).map(|k| k as f64).product::<f64>();
    let power = |base: f64, exponent: usize| base.max(0.0).powi(i32::try_from(exponent).unwrap_or(i32::MAX));
    let outer = rule();
    let p = front
        * outer.integrate(-8.5, 8.5, |x| {
            let phi_x = normal_cdf(x);
            let weight = normal_density(x);
            // Above y = 8.5 nothing is left of the density.
            outer_stretch(outer, (8.5 - x).max(0.0), |v| {
                let y = x + v;
                let (split, top) = (x + r * v, normal_cdf(y));
                // Differences of tails where those are the small numbers.
                let below = if x > 0.0 { normal_sf(x) - normal_sf(split) } else { normal_cdf(split) - phi_x };
                let above = if split > 0.0 { normal_sf(split) - normal_sf(y) } else { top - normal_cdf(split) };
                let mut ways = power(above, between);
                if gap == 2 {
                    ways += between as f64 * below.max(0.0) * power(above, between - 1);
                }
                normal_density(y) * power(normal_sf(y), cut) * ways
            }) * weight
        });
    Ok(p.clamp(0.0, 1.0))
}

/// Integrates over a stretch in two pieces, finer where the density is.
fn outer_stretch(rule: &Rule, length: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
    let middle = length.min(5.0);
    let near = rule.integrate(0.0, middle, &mut f);
    if length > middle { near + rule.integrate(middle, length, &mut f) } else { near }
}

fn rule() -> &'static Rule {
    static RULE: OnceLock<Rule> = OnceLock::new();
    RULE.get_or_init(|| Rule::new(56))
}

fn check_size(ratio: Ratio, n: usize) -> Result<(), OutlierError> {
    if (ratio.fewest()..=MOST).contains(&n) {
        Ok(())
    } else {
        Err(OutlierError::Size { low: ratio.fewest(), high: MOST, found: n })
    }
}

/// P(the larger of both ends exceeds `r`) for r10, exact.
///
/// # Formula
/// 2 P(one end) - P(both); both ends exceed together only for r < 1/2:
/// n (n-1) double integral of phi(x) phi(y) (Phi(y - rv) - Phi(x + rv))^(n-2)
///
/// # Errors
/// A number of values the ratio is not defined for, or above 30.
pub fn two_sided_p_r10(n: usize, r: f64) -> Result<f64, OutlierError> {
    let one = one_sided_p(Ratio::R10, n, r)?;
    if r <= 0.0 {
        return Ok(1.0);
    }
    let both = if r >= 0.5 {
        0.0
    } else {
        let count = n as f64;
        let exponent = i32::try_from(n - 2).unwrap_or(i32::MAX);
        count
            * (count - 1.0)
            * rule().integrate(-8.5, 8.5, |x| {
                let inner = outer_stretch(rule(), (8.5 - x).max(0.0), |v| {
                    let y = x + v;
                    let (low, high) = (x + r * v, y - r * v);
                    let inside =
                        if low > 0.0 { normal_sf(low) - normal_sf(high) } else { normal_cdf(high) - normal_cdf(low) };
                    normal_density(y) * inside.max(0.0).powi(exponent)
                });
                normal_density(x) * inner
            })
    };
    Ok((2.0 * one - both).clamp(0.0, 1.0))
}

/// A critical value and how it was obtained.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Critical {
    /// The ratio is conspicuous above this value.
    pub value: f64,
    /// Level.
    pub alpha: f64,
    /// Sidedness of the level.
    pub sidedness: Sidedness,
    /// How it was obtained.
    pub obtained: Obtained,
}

type Key = (Ratio, usize, u64, bool);

/// Critical value at any level; computed once, then remembered.
///
/// # Errors
/// A level outside (0, 1) or a number of values the ratio is not defined for.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Sidedness, dixon::{Ratio, critical}};
/// let c = critical(Ratio::R10, 5, 0.05, Sidedness::TwoSided).unwrap();
/// assert!((c.value - 0.7102).abs() < 5e-5); // data/02_dixon_r10_two_sided_exact.csv
/// ```
pub fn critical(ratio: Ratio, n: usize, alpha: f64, sidedness: Sidedness) -> Result<Critical, OutlierError> {
    static MEMORY: OnceLock<Mutex<HashMap<Key, f64>>> = OnceLock::new();
    if !(alpha > 0.0 && alpha < 1.0) {
        return Err(DistributionError::Probability(alpha).into());
    }
    check_size(ratio, n)?;
    let exact_two_sided = sidedness == Sidedness::TwoSided && ratio == Ratio::R10;
    let level = if sidedness == Sidedness::TwoSided && !exact_two_sided { alpha / 2.0 } else { alpha };
    let obtained = match sidedness {
        Sidedness::TwoSided if !exact_two_sided => Obtained::Bonferroni,
        _ => Obtained::Exact,
    };
    let key = (ratio, n, level.to_bits(), exact_two_sided);
    let memory = MEMORY.get_or_init(Mutex::default);
    let known = memory.lock().unwrap_or_else(PoisonError::into_inner).get(&key).copied();
    let value = known.unwrap_or_else(|| {
        let tail = |r: f64| {
            if exact_two_sided { two_sided_p_r10(n, r) } else { one_sided_p(ratio, n, r) }.map_or(f64::NAN, |p| -p)
        };
        let value = solve(level, tail);
        memory.lock().unwrap_or_else(PoisonError::into_inner).insert(key, value);
        value
    });
    Ok(Critical { value, alpha, sidedness, obtained })
}

/// A secant within a bracket would save a few evaluations; bisection to 1e-12 is certain and happens once per value.
fn solve(level: f64, mut negative_tail: impl FnMut(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while high - low > 1e-12 {
        let middle = 0.5 * (low + high);
        if negative_tail(middle) < -level { low = middle } else { high = middle }
    }
    solve_increasing(low, high, -level, negative_tail)
}

/// What Dixon's test says about the more conspicuous end.
#[derive(Debug, Clone, PartialEq)]
pub struct DixonTest {
    /// Ratio used.
    pub ratio: Ratio,
    /// Number of values.
    pub n: usize,
    /// Larger of the two ends' ratios.
    pub statistic: f64,
    /// Suspect value.
    pub suspect: f64,
    /// Critical value at 5 %.
    pub critical_5: Critical,
    /// Critical value at 1 %.
    pub critical_1: Critical,
    /// p-value of the sidedness, exact for r10; for the others twice the one-sided one, an upper bound.
    pub p: f64,
    /// Verdict.
    pub finding: Finding,
}

/// Tests the more conspicuous end (two-sided) with the recommended ratio.
///
/// # Errors
/// Fewer than 3 or more than 30 values, or values that do not differ.
pub fn test(values: &[f64], resolution: f64) -> Result<DixonTest, OutlierError> {
    let n = values.len();
    let ratio = Ratio::recommended(n);
    let ends = statistic(ratio, values)?;
    let x = sorted(values, 3, MOST)?;
    let (statistic, suspect) = if ends.high >= ends.low { (ends.high, x[n - 1]) } else { (ends.low, x[0]) };
    let critical_5 = critical(ratio, n, 0.05, Sidedness::TwoSided)?;
    let critical_1 = critical(ratio, n, 0.01, Sidedness::TwoSided)?;
    let p = match ratio {
        Ratio::R10 => two_sided_p_r10(n, statistic)?,
        _ => (2.0 * one_sided_p(ratio, n, statistic)?).min(1.0),
    };
    let finding = match no_decision(&x, resolution) {
        Some(reason) => Finding::NoDecision { reason },
        None if statistic > critical_1.value => Finding::Outlier,
        None if statistic > critical_5.value => Finding::Straggler,
        None => Finding::None,
    };
    Ok(DixonTest { ratio, n, statistic, suspect, critical_5, critical_1, p, finding })
}
