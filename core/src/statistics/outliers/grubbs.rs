//! Grubbs' tests for one value, for the range, and for two values on the same or on opposite sides.
//!
//! The pair and range statistics are on [`pair`].
pub mod pair;
mod rest;

use super::largest::{Largest, Parts};
use super::{
    Critical, End, Finding, Obtained, OutlierError, PValue, Sidedness, finding, level, no_decision, size, sorted,
};
use crate::statistics::distribution::{StudentT, ln_gamma};
use crate::statistics::quadrature::{Rule, find_root, solve_increasing};
use crate::statistics::summary::Summary;

/// What Grubbs' test says about the value farthest from the mean.
#[derive(Debug, Clone, PartialEq)]
pub struct GrubbsTest {
    /// Number of values.
    pub n: usize,
    /// |suspect − mean| / s.
    pub statistic: f64,
    /// Suspect end.
    pub end: End,
    /// Suspect value.
    pub suspect: f64,
    /// Sidedness of the critical values, the p-value and the verdict.
    pub sidedness: Sidedness,
    /// Critical value at 5 %.
    pub critical_5: f64,
    /// Critical value at 1 %.
    pub critical_1: f64,
    /// How the critical value at 5 % was obtained.
    pub obtained: Obtained,
    /// p-value.
    pub p: f64,
    /// How the p-value was obtained.
    pub p_obtained: Obtained,
    /// Verdict, from the p-value.
    pub finding: Finding,
}

/// Most values accepted; the statistic of a long series tests its length, not a titre.
pub const MOST: usize = 1_000_000;

fn ends(sidedness: Sidedness) -> f64 {
    match sidedness {
        Sidedness::OneSided => 1.0,
        Sidedness::TwoSided => 2.0,
    }
}

/// Largest possible statistic, (n − 1)/√n.
fn largest_possible(n: f64) -> f64 {
    (n - 1.0) / n.sqrt()
}

/// Whether Bonferroni's bound is exact at this statistic: no second value can be as far out.
///
/// On the same side two deviations G leave room only if G² <= (n − 1)(n − 2)/2n; on opposite sides if G² <= (n − 1)/2.
fn bound_is_exact(n: f64, statistic: f64, sidedness: Sidedness) -> bool {
    let limit = match sidedness {
        Sidedness::OneSided => (n - 1.0) * (n - 2.0) / (2.0 * n),
        Sidedness::TwoSided => 0.5 * (n - 1.0),
    };
    statistic * statistic >= limit
}

fn obtained(n: f64, statistic: f64, sidedness: Sidedness) -> Obtained {
    if bound_is_exact(n, statistic, sidedness) { Obtained::Exact } else { Obtained::Bonferroni }
}

/// Critical value of max |x − x̄| / s (two-sided) or of (x − x̄)/s at a fixed end, by the published formula.
///
/// # Formula
/// `(n−1)/√n · √(t² / (n − 2 + t²))`, t the upper α/n (one-sided) or α/2n (two-sided) quantile with n − 2 degrees of
/// freedom. Exact while two values cannot both exceed it, slightly too large (conservative) beyond.
///
/// # Source
/// Grubbs 1969, Technometrics 11, 1; ISO 5725-2, 7.3.4 (from memory).
///
/// # Errors
/// Fewer than three values or a level outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Sidedness, grubbs::critical};
/// assert!((critical(6, 0.05, Sidedness::TwoSided).unwrap() - 1.8871).abs() < 5e-5); // independent computation
/// ```
pub fn critical(n: usize, alpha: f64, sidedness: Sidedness) -> Result<f64, OutlierError> {
    Ok(critical_by_t(n, alpha, sidedness)?.value)
}

/// [`critical`] with how it was obtained.
///
/// # Errors
/// Those of [`critical`].
pub fn critical_by_t(n: usize, alpha: f64, sidedness: Sidedness) -> Result<Critical, OutlierError> {
    let alpha = level(alpha)?;
    size(n, 3, MOST)?;
    let count = n as f64;
    let t = StudentT::new(count - 2.0)?.upper_quantile(alpha / (ends(sidedness) * count))?;
    let value = largest_possible(count) * (t * t / (count - 2.0 + t * t)).sqrt();
    Ok(Critical { value, alpha, sidedness, obtained: obtained(count, value, sidedness) })
}

/// Critical value at one fixed end from the exact distribution, for up to 200 values.
///
/// # Formula
/// Recursion over the farthest value, see `largest.rs`; equal to [`critical`] where that is exact.
///
/// # Source
/// K. Pearson and C. Chandra Sekar (1936), Biometrika 28, 308, for the recursion's idea (from memory).
///
/// # Errors
/// Fewer than three or more than 200 values; a level outside (0, 1).
pub fn critical_exact_one_sided(n: usize, alpha: f64) -> Result<Critical, OutlierError> {
    size(n, 3, 200)?;
    let bound = critical_by_t(n, alpha, Sidedness::OneSided)?;
    if bound.obtained == Obtained::Exact {
        return Ok(bound);
    }
    let (count, scale) = (n as f64, 1.0 / largest_possible(n as f64));
    let mut lowest = bound.value * scale;
    loop {
        lowest *= 0.95;
        let largest = Largest::new(Parts::Deviations, n, lowest)?;
        // The largest deviation is at least s/√n, where the search must have ended.
        if largest.tail(lowest) > alpha || lowest < 1.0 / count {
            let start = 0.5 * (lowest + bound.value * scale);
            let w = find_root((lowest, bound.value * scale), 1e-13, start, |w| largest.tail(w).ln() - alpha.ln());
            return Ok(Critical { value: w / scale, obtained: Obtained::Exact, ..bound });
        }
    }
}

/// Critical value from the exact distribution, for up to 200 values: at one fixed end, or of the larger of both.
///
/// # Formula
/// One end: [`critical_exact_one_sided`]. Either end: the root of [`p_value`].
///
/// # Errors
/// Fewer than three or more than 200 values; a level outside (0, 1).
pub fn critical_exact(n: usize, alpha: f64, sidedness: Sidedness) -> Result<Critical, OutlierError> {
    if sidedness == Sidedness::OneSided {
        return critical_exact_one_sided(n, alpha);
    }
    size(n, 3, 200)?;
    let bound = critical_by_t(n, alpha, sidedness)?;
    if bound.obtained == Obtained::Exact {
        return Ok(bound);
    }
    let mut lowest = bound.value;
    while p_value(n, lowest, sidedness)?.value < alpha {
        lowest *= 0.95;
    }
    let tail = |g: f64| p_value(n, g, sidedness).map_or(f64::NAN, |p| p.value.ln()) - alpha.ln();
    let value = find_root((lowest, bound.value), 1e-11, 0.5 * (lowest + bound.value), tail);
    Ok(Critical { value, obtained: Obtained::Exact, ..bound })
}

/// Probability that a value lies more than G s above the mean and another more than G s below it.
///
/// The highest value is taken out, at g s; its distribution is that of any studentised residual. In the rest, whose mean and
/// deviation follow from g, the lowest must still be that far out, and none may be higher. The two are taken as independent there:
/// an error of the order of the probability of three such values, below 2e-5.
///
/// # Formula
/// P = n integral over g from G of f(g) P(low end of n − 1 > (G − g/(n−1)) / q) (1 − P(high end of n − 1 > g n / ((n−1) q))) dg,
/// q² = ((n−1) − g² n/(n−1)) / (n−2)
fn both_ends(n: usize, statistic: f64) -> Result<f64, OutlierError> {
    let count = n as f64;
    if n < 5 || statistic * statistic >= 0.5 * (count - 1.0) {
        return Ok(0.0);
    }
    let (most, rest_most) = (largest_possible(count), largest_possible(count - 1.0));
    let scale = |g: f64| ((count - 1.0 - g * g * count / (count - 1.0)) / (count - 2.0)).sqrt();
    let low = |g: f64| (statistic - g / (count - 1.0)) / scale(g);
    let high = |g: f64| g * count / (count - 1.0) / scale(g);
    let last = solve_increasing(statistic, most * (1.0 - 1e-12), rest_most, low);
    let fewest = (count - 1.0).sqrt().recip();
    let rest = Largest::new(Parts::Deviations, n - 1, low(statistic).max(fewest) / rest_most)?;
    let tail = |deviation: f64| match deviation {
        far if far >= rest_most => 0.0,
        near if near <= fewest => 1.0,
        other => rest.tail(other / rest_most),
    };
    // Density of one studentised residual: (1 − w²)^((n−4)/2), w = g / most.
    let front =
        (ln_gamma(0.5 * (count - 1.0))? - ln_gamma(0.5 * (count - 2.0))?).exp() / (std::f64::consts::PI.sqrt() * most);
    let density = |g: f64| front * (1.0 - (g / most).powi(2)).powf(0.5 * (count - 4.0));
    let rule = Rule::new(32);
    Ok(count * rule.integrate(statistic, last, |g| density(g) * tail(low(g)) * (1.0 - tail(high(g)))))
}

/// Probability that max |x − x̄| / s (two-sided) or the deviation at a fixed end exceeds the statistic.
///
/// One-sided: exact, to 200 values. Two-sided: twice the one-sided value less the probability that both ends exceed, which is
/// nothing while no two values on opposite sides can; above 200 values without that.
///
/// # Errors
/// Fewer than three values.
pub fn p_value(n: usize, statistic: f64, sidedness: Sidedness) -> Result<PValue, OutlierError> {
    size(n, 3, MOST)?;
    let count = n as f64;
    let g = statistic / largest_possible(count);
    let answer = |value: f64, obtained| Ok(PValue { value: value.min(1.0), sidedness, obtained });
    if g >= 1.0 {
        return answer(0.0, Obtained::Exact);
    }
    // The largest deviation from the mean is at least s/√n (two-sided: s √((n−1)/n)).
    if statistic <= count.sqrt().recip() {
        return answer(1.0, Obtained::Exact);
    }
    let nu = count - 2.0;
    let t = g * (nu / ((1.0 - g) * (1.0 + g))).sqrt();
    let bound = ends(sidedness) * count * StudentT::new(nu)?.sf(t);
    let how = obtained(count, statistic, sidedness);
    let one_sided_exact = bound_is_exact(count, statistic, Sidedness::OneSided);
    if how == Obtained::Exact || n > 200 {
        return answer(bound, how);
    }
    if one_sided_exact && sidedness == Sidedness::TwoSided {
        return answer(bound - both_ends(n, statistic)?, Obtained::Exact);
    }
    let exact = Largest::new(Parts::Deviations, n, g)?.tail(g);
    match sidedness {
        Sidedness::OneSided => answer(exact, Obtained::Exact),
        Sidedness::TwoSided => answer(2.0 * exact - both_ends(n, statistic)?, Obtained::Exact),
    }
}

/// Tests the value farthest from the mean, two-sided.
///
/// # Errors
/// Fewer than three values, or values that do not differ.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::{Finding, grubbs::test};
/// let result = test(&[23.16, 23.18, 23.20, 23.16, 23.58], 0.02)?;
/// assert!(result.statistic > result.critical_1); // 1.7637 for n = 5 (independent computation)
/// assert_eq!(result.finding, Finding::Outlier);
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn test(values: &[f64], resolution: f64) -> Result<GrubbsTest, OutlierError> {
    test_end(values, None, resolution)
}

/// Tests the value farthest from the mean (two-sided) or, one-sided, the value at an end fixed beforehand.
///
/// # Errors
/// Fewer than three values, or values that do not differ.
pub fn test_end(values: &[f64], end: Option<End>, resolution: f64) -> Result<GrubbsTest, OutlierError> {
    let x = sorted(values, 3, MOST)?;
    let n = x.len();
    let summary = Summary::of(&x)?;
    let (mean, s) = (summary.mean()?, summary.sample_sd()?);
    if s <= 0.0 {
        return Err(OutlierError::NoSpread);
    }
    let (low, high) = (mean - x[0], x[n - 1] - mean);
    let sidedness = if end.is_some() { Sidedness::OneSided } else { Sidedness::TwoSided };
    let end = end.unwrap_or(if high >= low { End::High } else { End::Low });
    let (deviation, suspect) = match end {
        End::High => (high, x[n - 1]),
        End::Low => (low, x[0]),
    };
    let statistic = deviation / s;
    let critical_5 = critical_by_t(n, 0.05, sidedness)?;
    let p = p_value(n, statistic, sidedness)?;
    Ok(GrubbsTest {
        n,
        statistic,
        end,
        suspect,
        sidedness,
        critical_5: critical_5.value,
        critical_1: critical(n, 0.01, sidedness)?,
        obtained: critical_5.obtained,
        p: p.value,
        p_obtained: p.obtained,
        finding: finding(p.value, no_decision(values, resolution)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_largest_possible_statistic_has_no_tail() {
        // Independent computation: largest 1.15470; 5 % two-sided 1.154305 (data/03_grubbs_single.csv).
        assert!((largest_possible(3.0) - 1.15470).abs() < 5e-6);
        assert!((critical(3, 0.05, Sidedness::TwoSided).unwrap() - 1.154305).abs() < 5e-7);
        assert_eq!(p_value(3, 1.1548, Sidedness::TwoSided).unwrap().value, 0.0);
        assert_eq!(p_value(3, 0.5, Sidedness::OneSided).unwrap().value, 1.0);
    }

    #[test]
    fn critical_values_and_p_values_are_inverse() {
        for n in [3, 5, 12, 40] {
            for alpha in [0.005, 0.05, 0.2] {
                let exact = critical_exact_one_sided(n, alpha).unwrap();
                let p = p_value(n, exact.value, Sidedness::OneSided).unwrap();
                assert!((p.value / alpha - 1.0).abs() < 1e-9, "{n} {alpha}: {}", p.value);
            }
        }
    }
}
