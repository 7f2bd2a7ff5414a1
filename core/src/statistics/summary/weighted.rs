//! Weighted means and pooled standard deviations.
use super::{Summary, SummaryError, check, check_all, need};

/// A weighted mean and what its weights and its scatter say about it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WeightedMean {
    /// Number of values.
    pub n: u64,
    /// `Σ w x / Σ w`.
    pub mean: f64,
    /// `1 / √Σ w`: the standard uncertainty if each weight is `1/u²` and the uncertainties are right and independent.
    pub internal_uncertainty: f64,
    /// `√(Σ w (x − x̄)² / ((n − 1) Σ w))`: the same judged by the scatter; `None` for one value.
    pub external_uncertainty: Option<f64>,
    /// `Σ w (x − x̄)²`; chi-squared with n − 1 degrees of freedom if each weight is `1/u²`.
    pub weighted_sum_of_squares: f64,
    /// `Σ w (x − x̄)² / (Σ w − Σ w² / Σ w)`: sample variance for weights of reliability; `None` for one value.
    pub sample_variance: Option<f64>,
}

/// Weighted mean; for results with standard uncertainties `u` the weights are `1/u²`.
///
/// # Source
/// Bevington and Robinson, Data Reduction and Error Analysis, 3rd ed., ch. 4 (from memory).
///
/// # Errors
/// No values, unequal lengths, a weight that is not positive, a value that is not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::summary::weighted_mean;
/// let mean = weighted_mean(&[10.0, 12.0], &[3.0, 1.0])?;
/// assert_eq!((mean.mean, mean.internal_uncertainty), (10.5, 0.5)); // by hand
/// # Ok::<(), ferrotitre_core::statistics::summary::SummaryError>(())
/// ```
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> Result<WeightedMean, SummaryError> {
    check_all(values)?;
    if values.len() != weights.len() {
        return Err(SummaryError::Lengths { values: values.len() as u64, weights: weights.len() as u64 });
    }
    let n = need(1, values.len() as u64)?;
    if let Some((value, position)) = weights.iter().zip(1..).find(|(w, _)| !(**w > 0.0 && w.is_finite())) {
        return Err(SummaryError::Weight { position, value: *value });
    }
    // Differences from the first value keep the digits of values on a large offset.
    let first = values[0];
    let total: f64 = weights.iter().sum();
    let shifted: f64 = values.iter().zip(weights).map(|(x, w)| w * (x - first)).sum();
    let mean = first + shifted / total;
    let squares: f64 = values.iter().zip(weights).map(|(x, w)| w * (x - mean) * (x - mean)).sum();
    let weight_squares: f64 = weights.iter().map(|w| w * (w / total)).sum();
    let several = values.len() > 1;
    Ok(WeightedMean {
        n: values.len() as u64,
        mean,
        internal_uncertainty: total.sqrt().recip(),
        external_uncertainty: several.then(|| (squares / ((n - 1.0) * total)).sqrt()),
        weighted_sum_of_squares: squares,
        sample_variance: several.then(|| squares / (total - weight_squares)),
    })
}

/// A pooled standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PooledSd {
    /// Standard deviation.
    pub sd: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Number of groups that contributed.
    pub groups: u64,
}

fn pooled(squares: f64, degrees_of_freedom: f64, groups: u64) -> Result<PooledSd, SummaryError> {
    if degrees_of_freedom < 1.0 {
        return Err(SummaryError::NotEnoughData { needed: 1, found: 0 });
    }
    Ok(PooledSd { sd: (squares / degrees_of_freedom).sqrt(), degrees_of_freedom, groups })
}

/// Pooled standard deviation of pairs of results.
///
/// # Formula
/// `√(Σ d² / 2p)` with p degrees of freedom, d the difference of a pair, p the number of pairs.
///
/// # Source
/// Nordtest TR 569 (from memory).
///
/// # Errors
/// No pairs; a value that is not finite.
pub fn pooled_sd_of_duplicates(pairs: &[[f64; 2]]) -> Result<PooledSd, SummaryError> {
    let mut squares = 0.0;
    for ([first, second], position) in pairs.iter().zip(1..) {
        let difference = check(*second, position)? - check(*first, position)?;
        squares += 0.5 * difference * difference;
    }
    pooled(squares, pairs.len() as f64, pairs.len() as u64)
}

/// Pooled standard deviation of groups of replicates; groups of one contribute nothing.
///
/// # Formula
/// `√(Σᵢ Σⱼ (xᵢⱼ − x̄ᵢ)² / Σᵢ (nᵢ − 1))`
///
/// # Source
/// ISO 5725-2, 7.4.5.1 (from memory).
///
/// # Errors
/// No group of two or more; a value that is not finite.
pub fn pooled_sd<G: AsRef<[f64]>>(groups: &[G]) -> Result<PooledSd, SummaryError> {
    let (mut squares, mut degrees, mut count) = (0.0, 0.0, 0);
    for group in groups {
        let summary = Summary::of(group.as_ref())?;
        if summary.n() > 1 {
            squares += summary.sum_of_squares();
            degrees += summary.n() as f64 - 1.0;
            count += 1;
        }
    }
    pooled(squares, degrees, count)
}

/// Pools standard deviations that carry their own degrees of freedom, given as `(s, ν)`.
///
/// # Formula
/// `√(Σ ν s² / Σ ν)`
///
/// # Errors
/// None given, or a deviation or degrees of freedom that are negative or not finite.
pub fn pooled_sd_of_estimates(estimates: &[(f64, f64)]) -> Result<PooledSd, SummaryError> {
    let (mut squares, mut degrees) = (0.0, 0.0);
    for ((s, nu), position) in estimates.iter().zip(1..) {
        for value in [*s, *nu] {
            if !(0.0..=super::LARGEST_VALUE).contains(&value) {
                return Err(SummaryError::Weight { position, value });
            }
        }
        squares += nu * s * s;
        degrees += nu;
    }
    pooled(squares, degrees, estimates.len() as u64)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pairs_and_groups_of_two_pool_to_the_same_deviation() {
        // By hand: d = 0.02, 0.04, 0; sum of squares 0.0020; s = √(0.0020/6) = 0.0182574.
        let pairs = [[23.16, 23.18], [21.44, 21.48], [20.0, 20.0]];
        let duplicates = pooled_sd_of_duplicates(&pairs).unwrap();
        let groups = pooled_sd(&pairs).unwrap();
        assert!((duplicates.sd - 0.018_257_419).abs() < 5e-10);
        assert!((duplicates.sd - groups.sd).abs() < 1e-15);
        assert_eq!((duplicates.degrees_of_freedom, groups.degrees_of_freedom), (3.0, 3.0));
        assert!(pooled_sd::<[f64; 1]>(&[[1.0]]).is_err());
    }

    #[test]
    fn a_weighted_mean_reports_both_uncertainties() {
        // By hand: weights 3 and 1, mean 10.5, Σw(x − x̄)² = 3·0.25 + 2.25 = 3; external √(3/4); V1 − V2/V1 = 1.5.
        let mean = weighted_mean(&[10.0, 12.0], &[3.0, 1.0]).unwrap();
        assert!((mean.external_uncertainty.unwrap() - 0.75f64.sqrt()).abs() < 1e-15);
        assert!((mean.sample_variance.unwrap() - 2.0).abs() < 1e-15);
        assert!(matches!(weighted_mean(&[1.0], &[0.0]), Err(SummaryError::Weight { position: 1, .. })));
        assert!(matches!(weighted_mean(&[1.0], &[]), Err(SummaryError::Lengths { .. })));
        assert_eq!(weighted_mean(&[1.0], &[2.0]).unwrap().external_uncertainty, None);
    }

    #[test]
    fn estimates_pool_by_their_degrees_of_freedom() {
        // By hand: (4·0.09 + 1·0.04)/5 = 0.08.
        let pooled = pooled_sd_of_estimates(&[(0.3, 4.0), (0.2, 1.0)]).unwrap();
        assert!((pooled.sd - 0.08f64.sqrt()).abs() < 1e-15);
        assert!(pooled_sd_of_estimates(&[]).is_err());
    }
}
