//! Trend of a series in time: Mann-Kendall test and Theil-Sen slope.

use crate::statistics::distribution::Normal;
use crate::statistics::double_double::{DoubleDouble, Observation, series};
use crate::statistics::hypothesis::{Interval, PValues};
use crate::statistics::model_error::ModelError;

/// How the p-values of a Mann-Kendall test were obtained.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KendallForm {
    /// From the distribution of S over all orders: no ties and at most [`LARGEST_EXACT`] values.
    Exact,
    /// Normal form with continuity correction; the variance corrected for ties.
    Normal,
}

/// Result of the Mann-Kendall test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Pairs that rise minus pairs that fall.
    pub s: i64,
    /// Variance of S without trend, corrected for ties.
    pub variance: f64,
    /// `S/√((n(n-1)/2 - ties) n(n-1)/2)`, Kendall's tau-b.
    pub tau: f64,
    /// Probabilities of S in both tails: `greater` is small for a rise, `less` for a fall.
    pub p: PValues,
    /// How they were obtained.
    pub form: KendallForm,
    /// Number of values.
    pub n: usize,
    /// Number of values that share theirs with another.
    pub tied: usize,
}

/// Theil-Sen line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs.
    pub slope: f64,
    /// Median of y minus slope times median of x.
    pub intercept: f64,
    /// Confidence interval of the slope; `None` when n is too small for the confidence.
    pub slope_interval: Option<Interval>,
    /// How its ranks were obtained.
    pub form: KendallForm,
    /// Number of points.
    pub n: usize,
}

/// Up to this many values without ties the distribution of S is computed exactly.
pub const LARGEST_EXACT: usize = 100;

/// Most points of a Theil-Sen line: beyond, the slopes of all pairs take too much memory.
const LARGEST_THEIL_SEN: usize = 4000;

/// `P(at most k inversions)` for k = 0, 1, … in a random order of n values without ties.
///
/// # Formula
/// Convolution of the uniform distributions on 0..=i, i < n: multiplying in one value at a time.
///
/// # Source
/// Kendall, Rank Correlation Methods (from memory).
#[must_use]
pub fn inversion_probabilities(n: usize) -> Vec<f64> {
    let mut probabilities = vec![1.0_f64];
    for i in 2..=n {
        let mut next = vec![0.0; probabilities.len() + i - 1];
        for (k, p) in probabilities.iter().enumerate() {
            // Only positive terms are added, so the far tails keep their digits.
            for slot in next.iter_mut().skip(k).take(i) {
                *slot += p / i as f64;
            }
        }
        probabilities = next;
    }
    probabilities
}

/// Exact tails of S: `(P(S <= s), P(S >= s))`.
fn exact_tails(n: usize, s: i64) -> (f64, f64) {
    let probabilities = inversion_probabilities(n);
    let pairs = (n * n.saturating_sub(1) / 2) as i64;
    // S = pairs - 2 inversions, and the distribution is symmetric.
    let tail_to = |inversions: i64| -> f64 {
        let last = usize::try_from(inversions + 1).unwrap_or(0);
        probabilities.iter().take(last).sum::<f64>().min(1.0)
    };
    (tail_to((pairs + s) / 2), tail_to((pairs - s) / 2))
}

/// Sorts `values` and counts the pairs out of order; merge sort, so that a long chart costs n log n.
fn inversions(values: &mut [f64], buffer: &mut Vec<f64>) -> i64 {
    let n = values.len();
    if n < 2 {
        return 0;
    }
    let (left, right) = values.split_at_mut(n / 2);
    let mut count = inversions(left, buffer) + inversions(right, buffer);
    buffer.clear();
    let (mut i, mut j) = (0, 0);
    while i < left.len() && j < right.len() {
        if left[i] <= right[j] {
            buffer.push(left[i]);
            i += 1;
        } else {
            buffer.push(right[j]);
            count += (left.len() - i) as i64;
            j += 1;
        }
    }
    buffer.extend_from_slice(&left[i..]);
    buffer.extend_from_slice(&right[j..]);
    values.copy_from_slice(buffer);
    count
}

/// Mann-Kendall test of a series in the order of time.
///
/// # Formula
/// `S = Σ_{i<j} sign(xⱼ - xᵢ)`; without ties and for n <= 100 the exact distribution; otherwise
/// `Z = (S ∓ 1)/√Var`, `Var = (n(n-1)(2n+5) - Σ t(t-1)(2t+5))/18` over groups of t ties.
///
/// # Source
/// Mann 1945; Kendall, Rank Correlation Methods (from memory).
///
/// # Errors
/// Fewer than three values; values that are all equal; a value that is not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::trend::mann_kendall;
/// let test = mann_kendall(&[1.0004, 1.0000, 0.9993, 0.9990, 0.9983, 0.9981, 0.9974])?;
/// assert_eq!(test.s, -21);
/// assert!((test.p.two_sided - 2.0 / 5040.0).abs() < 1e-15);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn mann_kendall<T: Observation>(values: &[T]) -> Result<MannKendall, ModelError> {
    ModelError::need("values", 3, values.len())?;
    let exact = series("values", values)?;
    // Ranks of the 32-digit values: decimals that one f64 cannot tell apart are not ties.
    let mut order: Vec<usize> = (0..exact.len()).collect();
    order.sort_by(|a, b| (exact[*a] - exact[*b]).value().total_cmp(&0.0));
    let mut ranks = vec![0.0; exact.len()];
    let (mut tied, mut tied_pairs, mut correction) = (0, 0_i64, 0.0);
    let mut rank = 0.0;
    for group in order.chunk_by(|a, b| exact[*a] == exact[*b]) {
        rank += 1.0;
        for index in group {
            ranks[*index] = rank;
        }
        let t = group.len() as f64;
        correction += t * (t - 1.0) * (2.0 * t + 5.0);
        tied_pairs += (group.len() * (group.len() - 1) / 2) as i64;
        tied += if group.len() > 1 { group.len() } else { 0 };
    }
    let n = values.len();
    let pairs = (n * (n - 1) / 2) as i64;
    if tied_pairs == pairs {
        return Err(ModelError::NoSpread { what: "the values", needed: "a test of trend needs values that differ" });
    }
    let s = pairs - tied_pairs - 2 * inversions(&mut ranks, &mut Vec::with_capacity(n));
    let count = n as f64;
    let variance = (count * (count - 1.0) * (2.0 * count + 5.0) - correction) / 18.0;
    let form = if tied == 0 && n <= LARGEST_EXACT { KendallForm::Exact } else { KendallForm::Normal };
    let (less, greater) = match form {
        KendallForm::Exact => exact_tails(n, s),
        KendallForm::Normal => {
            let z = |shift: f64| (s as f64 + shift) / variance.sqrt();
            (Normal.cdf(z(1.0)), Normal.sf(z(-1.0)))
        }
    };
    let tau = s as f64 / (((pairs - tied_pairs) as f64) * pairs as f64).sqrt();
    Ok(MannKendall { s, variance, tau, p: PValues::from_tails(less, greater), form, n, tied })
}

/// Median of a slice that may be reordered.
pub(super) fn median_in_place(values: &mut [f64]) -> f64 {
    let n = values.len();
    let (below, middle, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return *middle;
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    // Halving first keeps the sum finite; infinite slopes of equal sign stay infinite.
    if lower == *middle { lower } else { 0.5 * lower + 0.5 * *middle }
}

/// Largest number of pairs C such that `P(S >= C + 2) <= alpha/2`, capped at the number of pairs.
fn kendall_critical(n: usize, variance: f64, alpha: f64, form: KendallForm) -> Result<f64, ModelError> {
    if form == KendallForm::Normal {
        return Ok(Normal.upper_quantile(0.5 * alpha)? * variance.sqrt());
    }
    let pairs = (n * (n - 1) / 2) as f64;
    let mut tail = 0.0;
    for (k, p) in inversion_probabilities(n).into_iter().enumerate() {
        tail += p;
        if tail > 0.5 * alpha {
            // S = pairs - 2k is the first whose tail is too heavy, so S + 2 is critical and C = S.
            return Ok(pairs - 2.0 * k as f64);
        }
    }
    Ok(0.0)
}

/// Theil-Sen line: median of the slopes of all pairs with different x.
///
/// # Formula
/// `b = median (yⱼ - yᵢ)/(xⱼ - xᵢ)`, `a = median(y) - b median(x)`. With N slopes the interval is the
/// `(N - C)/2`-th smallest to the `(N + C)/2 + 1`-th, `C = k - 2`, `P(S >= k) <= α/2` from Kendall's exact distribution;
/// for ties, or more than 100 points, `C = z √Var`, ranks rounded outwards.
///
/// # Source
/// Theil 1950; Sen 1968; ranks: Hollander and Wolfe, section 9.3 (from memory).
///
/// # Errors
/// Series of different length; fewer than two points, or more than 4000; all x equal; confidence outside (0, 1).
pub fn theil_sen<T: Observation, U: Observation>(x: &[T], y: &[U], confidence: f64) -> Result<TheilSen, ModelError> {
    ModelError::paired(("x", x.len()), ("y", y.len()))?;
    ModelError::need("points", 2, x.len())?;
    let alpha = 1.0 - ModelError::fraction("confidence", confidence)?;
    let n = x.len();
    if n > LARGEST_THEIL_SEN {
        return Err(ModelError::OutOfRange { name: "number of points", rule: "at most 4000", value: n as f64 });
    }
    let (x, y) = (series("x", x)?, series("y", y)?);
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    for (i, (xi, yi)) in x.iter().zip(&y).enumerate() {
        for (xj, yj) in x.iter().zip(&y).skip(i + 1) {
            let run = *xj - *xi;
            if run != DoubleDouble::ZERO {
                slopes.push(((*yj - *yi) / run).value());
            }
        }
    }
    if slopes.is_empty() {
        return Err(ModelError::NoSpread { what: "the x values", needed: "a slope needs two different x" });
    }
    let slope = median_in_place(&mut slopes);
    let plain = |values: &[DoubleDouble]| values.iter().map(|v| v.value()).collect::<Vec<f64>>();
    let (mut xs, mut ys) = (plain(&x), plain(&y));
    let (tied_x, tied_y) = (tie_sum(&mut xs), tie_sum(&mut ys));
    let form = if tied_x + tied_y == 0.0 && n <= LARGEST_EXACT { KendallForm::Exact } else { KendallForm::Normal };
    let count = n as f64;
    let variance = (count * (count - 1.0) * (2.0 * count + 5.0) - tied_x - tied_y) / 18.0;
    let critical = kendall_critical(n, variance.max(0.0), alpha, form)?;
    let intercept = median_in_place(&mut ys) - slope * median_in_place(&mut xs);
    let slope_interval = rank_interval(&mut slopes, critical, confidence);
    Ok(TheilSen { slope, intercept, slope_interval, form, n })
}

/// Σ t(t-1)(2t+5) over groups of equal values; sorts them.
fn tie_sum(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values
        .chunk_by(|a, b| a == b)
        .map(|group| {
            let t = group.len() as f64;
            t * (t - 1.0) * (2.0 * t + 5.0)
        })
        .sum()
}

/// Slopes of ranks `(N - C)/2` and `(N + C)/2 + 1`, rounded outwards; `None` when they lie beyond the ends.
fn rank_interval(slopes: &mut [f64], critical: f64, confidence: f64) -> Option<Interval> {
    let count = slopes.len() as f64;
    let lower = (0.5 * (count - critical)).floor();
    if lower < 1.0 {
        return None;
    }
    // As a count this is exact: it lies between 1 and the number of slopes.
    let rank = (1..=slopes.len()).take_while(|k| *k as f64 <= lower).last()?;
    slopes.sort_unstable_by(f64::total_cmp);
    Some(Interval { low: slopes[rank - 1], high: slopes[slopes.len() - rank], confidence })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exact_distribution_is_that_of_all_orders() {
        // Numbers of permutations of 4 with 0..6 inversions: 1 3 5 6 5 3 1 (Knuth, volume 3, 5.1.1).
        let found = inversion_probabilities(4);
        for (p, count) in found.iter().zip([1.0, 3.0, 5.0, 6.0, 5.0, 3.0, 1.0]) {
            assert!((p - count / 24.0).abs() < 1e-16);
        }
        assert_eq!(found.len(), 7);
        // The rarest order of 100 values keeps its digits: 1/100! = 1.0715e-158 (mpmath 1.3.0).
        assert!((inversion_probabilities(100)[0] / 1.071_510_288_125_467e-158 - 1.0).abs() < 1e-12);
    }

    #[test]
    fn a_million_values_are_tested_by_the_normal_form() {
        let values: Vec<f64> = (0..1_000_000_i64).map(|i| ((i * 7919) % 1_000_003) as f64).collect();
        assert_eq!(mann_kendall(&values).unwrap().form, KendallForm::Normal);
    }

    #[test]
    fn small_and_flat_series_are_answered_honestly() {
        assert!(matches!(mann_kendall(&[1.0, 2.0]), Err(ModelError::NotEnoughData { .. })));
        assert!(matches!(mann_kendall(&[1.0; 5]), Err(ModelError::NoSpread { .. })));
        let two = theil_sen(&[0.0, 2.0], &[1.0, 5.0], 0.95).unwrap();
        assert_eq!((two.slope, two.intercept, two.slope_interval), (2.0, 1.0, None));
        assert!(matches!(theil_sen(&[1.0, 1.0], &[1.0, 5.0], 0.95), Err(ModelError::NoSpread { .. })));
    }

    #[test]
    fn decimals_beyond_an_f64_are_not_ties() {
        use std::str::FromStr;
        let values: Vec<bigdecimal::BigDecimal> = ["1000000000000.00001", "1000000000000.00002", "1000000000000.00003"]
            .iter()
            .map(|text| bigdecimal::BigDecimal::from_str(text).unwrap())
            .collect();
        let test = mann_kendall(&values).unwrap();
        assert_eq!((test.s, test.tied), (3, 0));
    }
}
