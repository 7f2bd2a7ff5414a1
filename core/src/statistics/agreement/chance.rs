//! How often the bench rule is met by chance.
use super::range_cdf;
use crate::statistics::distribution::{DistributionError, normal_cdf, normal_density, normal_sf};
use crate::statistics::quadrature::Rule;

/// Probability that `chosen` of `n` titres agree within a limit when nothing but scatter is at work.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChanceAgreement {
    /// Number of titres made.
    pub n: u32,
    /// Number of titres picked as "concordant".
    pub chosen: u32,
    /// Limit over true standard deviation.
    pub limit_over_sd: f64,
    /// Probability that some choice meets the limit.
    pub probability: f64,
}

/// Most titres for which the probability is computed.
const MOST: u32 = 50;

/// Probability that some `chosen` of `n` normal titres have a range within `limit`.
///
/// Available for pairs (chosen = 2), for all titres (chosen = n) and for leaving one out (chosen = n − 1): the rules of
/// the bench.
///
/// # Formula
/// Pairs: one minus `n! ∫ … ∫ φ(x₁) … φ(xₙ)` over `xᵢ₊₁ > xᵢ + limit`, as a chain of cumulative integrals. All: the
/// distribution of the range. One left out: P(without the highest) + P(without the lowest) − P(both), from the density
/// of the two lowest.
///
/// # Source
/// David, Order Statistics, 2.2 (from memory).
///
/// # Errors
/// Fewer than 2 or more than 50 titres; a choice other than those above; limit or deviation not positive.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::agreement::chance_agreement;
/// let some_pair = chance_agreement(3, 2, 0.10, 0.10)?;
/// assert!((some_pair.probability - 0.9061).abs() < 5e-5); // 90.6 % of triples
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
pub fn chance_agreement(n: u32, chosen: u32, limit: f64, sd: f64) -> Result<ChanceAgreement, DistributionError> {
    let bad = |name, rule, value| Err(DistributionError::Parameter { name, rule, value });
    if !(2..=MOST).contains(&n) {
        return bad("number of titres", "between 2 and 50", f64::from(n));
    }
    if !(chosen == 2 || chosen == n || chosen == n - 1) || chosen < 2 {
        return bad("number of chosen titres", "2, all, or all but one", f64::from(chosen));
    }
    for (name, value) in [("limit", limit), ("standard deviation", sd)] {
        if !(value > 0.0 && value.is_finite()) {
            return bad(name, "positive and finite", value);
        }
    }
    let w = limit / sd;
    let probability = if chosen == n {
        range_cdf(n, w)
    } else if chosen == 2 {
        1.0 - no_pair_within(n, w)
    } else {
        one_left_out(n, w)
    };
    Ok(ChanceAgreement { n, chosen, limit_over_sd: w, probability: probability.clamp(0.0, 1.0) })
}

/// P(all neighbouring gaps of n normal values exceed w).
fn no_pair_within(n: u32, w: f64) -> f64 {
    const END: f64 = 9.0;
    if w > 2.0 * END {
        return 0.0;
    }
    // The shift by w is a whole number of steps.
    let per_shift = (w / 0.02).ceil().max(1.0);
    let step = w / per_shift;
    let shift = per_shift as usize;
    let count = (2.0 * END / step).ceil().min(4e6) as usize + 1;
    let densities: Vec<f64> = (0..count).map(|i| normal_density(-END + i as f64 * step)).collect();
    // Kept as k! times the chain, so that the numbers stay of the order of a density.
    let mut chain = densities.clone();
    for k in 2..=n {
        crate::stop::point();
        let cumulative = cumulative_integral(&chain, step);
        for (i, value) in chain.iter_mut().enumerate() {
            let below = i.checked_sub(shift).map_or(0.0, |at| cumulative[at]);
            *value = f64::from(k) * densities[i] * below;
        }
    }
    cumulative_integral(&chain, step).last().copied().unwrap_or(0.0)
}

/// Running integral of a smooth function that vanishes at both ends, by the six-point formula (error of order h⁶).
pub(super) fn cumulative_integral(f: &[f64], step: f64) -> Vec<f64> {
    let at = |i: isize| usize::try_from(i).ok().and_then(|i| f.get(i)).copied().unwrap_or(0.0);
    let mut total = 0.0;
    (0..f.len())
        .map(|i| {
            let here = i as isize;
            if i > 0 {
                let outer = at(here - 3) + at(here + 2);
                let middle = at(here - 2) + at(here + 1);
                let inner = at(here - 1) + at(here);
                total += step * (802.0 * inner - 93.0 * middle + 11.0 * outer) / 1440.0;
            }
            total
        })
        .collect()
}

/// P(range without the highest or without the lowest <= w).
fn one_left_out(n: u32, w: f64) -> f64 {
    const END: f64 = 9.0;
    let count = f64::from(n);
    let power = |base: f64, exponent: u32| base.max(0.0).powi(i32::try_from(exponent).unwrap_or(i32::MAX));
    let between = |a: f64, b: f64| if a > 0.0 { normal_sf(a) - normal_sf(b) } else { normal_cdf(b) - normal_cdf(a) };
    let inner = Rule::new(32);
    let step = std::f64::consts::PI * (2.0 / (36.0 * count)).sqrt();
    let half = (END / step).ceil() as i32;
    let (mut one, mut both) = (0.0, 0.0);
    for i in -half..=half {
        let x = f64::from(i) * step;
        let (within, above) = (between(x, x + w), normal_sf(x + w));
        let density = normal_density(x);
        one += density * (power(within, n - 1) + (count - 1.0) * power(within, n - 2) * above);
        // The second lowest at y; all others up to y + w, all but one of them up to x + w.
        both += density
            * inner.integrate(x, x + w, |y| {
                let (near, far) = (between(y, x + w), between(x + w, y + w));
                normal_density(y) * (power(near, n - 2) + (count - 2.0) * power(near, n - 3) * far)
            });
    }
    count * step * (2.0 * one - (count - 1.0) * both)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_ways_of_choosing_two_of_three_agree() {
        for w in [0.05, 0.5, 1.0, 2.5] {
            let (chain, left_out) = (1.0 - no_pair_within(3, w), one_left_out(3, w));
            assert!((chain - left_out).abs() < 1e-11, "{w}: {chain} {left_out}");
            let pair = 1.0 - no_pair_within(2, w);
            assert!((pair - range_cdf(2, w)).abs() < 1e-12, "{w}: {pair}");
        }
    }

    #[test]
    fn impossible_questions_are_refused() {
        assert!(chance_agreement(5, 3, 0.1, 0.1).is_err());
        assert!(chance_agreement(2, 1, 0.1, 0.1).is_err());
        assert!(chance_agreement(1, 1, 0.1, 0.1).is_err());
        assert!(chance_agreement(3, 2, 0.0, 0.1).is_err());
        assert!(chance_agreement(3, 2, 0.1, f64::NAN).is_err());
    }
}
