//! Cochran's test for the largest of several variances.

use super::largest::{Largest, Parts};
use super::{Critical, Finding, Obtained, OutlierError, PValue, Sidedness, finding, level, size};
use crate::statistics::distribution::{Beta, DistributionError, FisherF};
use crate::statistics::quadrature::find_root;

/// Most groups for which values are computed.
pub const MOST_GROUPS: usize = 200;

/// Which distribution of the largest share is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// The published formula: p times the tail of one group's share. Exact for C >= 1/2, an upper bound below.
    BoundByF,
    /// The exact distribution, which takes account of two and more groups exceeding together.
    Exact,
}

fn check(groups: usize, degrees_of_freedom: f64) -> Result<(), OutlierError> {
    size(groups, 2, MOST_GROUPS)?;
    if degrees_of_freedom > 0.0 && degrees_of_freedom <= 1e6 {
        Ok(())
    } else {
        let (name, rule) = ("degrees of freedom of a variance", "greater than 0 and at most 1e6");
        Err(OutlierError::Setting { name, rule, value: degrees_of_freedom })
    }
}

fn share(groups: usize, degrees_of_freedom: f64) -> Result<Beta, DistributionError> {
    Beta::new(0.5 * degrees_of_freedom, 0.5 * (groups as f64 - 1.0) * degrees_of_freedom)
}

/// Probability that the largest of `groups` variances makes up more than `c` of their sum.
///
/// # Formula
/// Bound: `p P(F(ν, (p − 1)ν) > (p − 1) c/(1 − c))`. Exact: the recursion over the largest share of `largest.rs`.
///
/// # Source
/// ISO 5725-2, 7.3.3 (from memory); W. G. Cochran (1941), Annals of Eugenics 11, 47 (from memory).
///
/// # Errors
/// Fewer than 2 or more than 200 groups; degrees of freedom that are not positive.
pub fn p_value(groups: usize, degrees_of_freedom: f64, c: f64, form: Form) -> Result<PValue, OutlierError> {
    check(groups, degrees_of_freedom)?;
    let answer = |value: f64, obtained| Ok(PValue { value: value.min(1.0), sidedness: Sidedness::OneSided, obtained });
    if c <= 1.0 / groups as f64 {
        return answer(1.0, Obtained::Exact);
    }
    let bound = groups as f64 * share(groups, degrees_of_freedom)?.sf(c);
    if c >= 0.5 {
        return answer(bound, Obtained::Exact);
    }
    match form {
        Form::BoundByF => answer(bound, Obtained::Bonferroni),
        Form::Exact => {
            let largest = Largest::new(Parts::GammaShares { shape: 0.5 * degrees_of_freedom }, groups, c)?;
            answer(largest.tail(c), Obtained::Exact)
        }
    }
}

/// Critical value of the largest share.
///
/// # Formula
/// Bound: `1 / (1 + (p − 1)/F)` with F the upper `alpha/p` quantile for ν and (p − 1)ν degrees of freedom. Exact: root of
/// the exact tail, which lies at or below the bound.
///
/// # Source
/// As [`p_value`].
///
/// # Errors
/// A level outside (0, 1), and those of [`p_value`].
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::cochran::{Form, critical};
/// // Independent computation: 6 groups of 2, 5 %: 0.781.
/// assert!((critical(6, 1.0, 0.05, Form::BoundByF)?.value - 0.781).abs() < 5e-4);
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn critical(groups: usize, degrees_of_freedom: f64, alpha: f64, form: Form) -> Result<Critical, OutlierError> {
    let alpha = level(alpha)?;
    check(groups, degrees_of_freedom)?;
    let count = groups as f64;
    let f = FisherF::new(degrees_of_freedom, (count - 1.0) * degrees_of_freedom)?.upper_quantile(alpha / count)?;
    let bound = f / (f + count - 1.0);
    let answer = |value, obtained| Ok(Critical { value, alpha, sidedness: Sidedness::OneSided, obtained });
    match form {
        _ if bound >= 0.5 => answer(bound, Obtained::Exact),
        Form::BoundByF => answer(bound, Obtained::Bonferroni),
        Form::Exact => {
            // The exact value lies below the bound; how far is not known beforehand, so the start of the tables is
            // moved down until the tail there is above the level.
            let least = 1.0 / count;
            let mut lowest = bound;
            loop {
                lowest = (lowest - 0.1 * (bound - least)).max(least + 1e-3 * (bound - least));
                let largest = Largest::new(Parts::GammaShares { shape: 0.5 * degrees_of_freedom }, groups, lowest)?;
                if largest.tail(lowest) > alpha || lowest <= least + 1e-3 * (bound - least) {
                    let value = find_root((lowest, bound), 1e-13, 0.5 * (lowest + bound), |c| {
                        largest.tail(c).ln() - alpha.ln()
                    });
                    return answer(value, Obtained::Exact);
                }
            }
        }
    }
}

/// What Cochran's test says.
#[derive(Debug, Clone, PartialEq)]
pub struct CochranTest {
    /// Number of groups.
    pub groups: usize,
    /// Replicates per group; the mean number if they differ.
    pub replicates: f64,
    /// Whether all groups have the same number of replicates. If not, the test is approximate.
    pub equal_replicates: bool,
    /// Largest variance over the sum of variances.
    pub statistic: f64,
    /// Position (from 0) of the group with the largest variance.
    pub suspect: usize,
    /// Critical value at 5 %, published form.
    pub critical_5: Critical,
    /// Critical value at 1 %, published form.
    pub critical_1: Critical,
    /// Exact p-value (for equal replicates).
    pub p: f64,
    /// How the p-value was obtained.
    pub p_obtained: Obtained,
    /// Verdict, from the p-value.
    pub finding: Finding,
}

/// Tests the largest of the variances of groups of replicates.
///
/// The test is made for equal numbers of replicates; for nearly equal ones the mean number is used, as ISO 5725-2 allows
/// ("minor effects"), and `equal_replicates` says so.
///
/// # Source
/// ISO 5725-2, 7.3.3 (from memory).
///
/// # Errors
/// Fewer than two groups; a group of one; variances that are all zero; a value that is not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::outliers::cochran::test;
/// let result = test(&[vec![23.16, 23.18], vec![21.44, 21.46], vec![20.00, 20.30]])?;
/// assert_eq!(result.suspect, 2);
/// assert!((result.statistic - 0.09 / 0.0908).abs() < 1e-9); // d²: 0.0004, 0.0004, 0.09, by hand
/// # Ok::<(), ferrotitre_core::statistics::outliers::OutlierError>(())
/// ```
pub fn test<G: AsRef<[f64]>>(groups: &[G]) -> Result<CochranTest, OutlierError> {
    size(groups.len(), 2, MOST_GROUPS)?;
    let mut variances = Vec::with_capacity(groups.len());
    let (mut fewest, mut most, mut total) = (usize::MAX, 0, 0);
    for group in groups {
        let values = group.as_ref();
        variances.push(crate::statistics::summary::Summary::of(values)?.sample_variance()?);
        (fewest, most, total) = (fewest.min(values.len()), most.max(values.len()), total + values.len());
    }
    let sum: f64 = variances.iter().sum();
    if sum <= 0.0 {
        return Err(OutlierError::NoSpread);
    }
    let largest = variances.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1));
    let (suspect, variance) = largest.map_or((0, 0.0), |(at, variance)| (at, *variance));
    let replicates = total as f64 / groups.len() as f64;
    let statistic = variance / sum;
    let p = p_value(groups.len(), replicates - 1.0, statistic, Form::Exact)?;
    Ok(CochranTest {
        groups: groups.len(),
        replicates,
        equal_replicates: fewest == most,
        statistic,
        suspect,
        critical_5: critical(groups.len(), replicates - 1.0, 0.05, Form::BoundByF)?,
        critical_1: critical(groups.len(), replicates - 1.0, 0.01, Form::BoundByF)?,
        p: p.value,
        p_obtained: p.obtained,
        finding: finding(p.value, None),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_and_three_shares_follow_closed_forms() {
        // Three groups with ν = 2 have exponential shares: P(largest > c) = 3(1 − c)² − 3(1 − 2c)₊² + (1 − 3c)₊² (Fisher's
        // test for periodogram ordinates, 1929; from memory).
        for c in [0.34_f64, 0.4, 0.45, 0.499, 0.6] {
            let exact = 3.0 * (1.0 - c).powi(2) - 3.0 * (1.0 - 2.0 * c).max(0.0).powi(2);
            let found = p_value(3, 2.0, c, Form::Exact).unwrap().value;
            assert!((found - exact).abs() < 1e-13, "{c}: {found} {exact}");
        }
        // Ten groups, same source: Σ (−1)^(j+1) C(10, j) (1 − j c)₊^9.
        for c in [0.15_f64, 0.22, 0.3, 0.4] {
            let mut choose = 1.0;
            let exact: f64 = (1..=10)
                .map(|j| {
                    choose *= f64::from(11 - j) / f64::from(j);
                    (if j % 2 == 1 { 1.0 } else { -1.0 }) * choose * (1.0 - f64::from(j) * c).max(0.0).powi(9)
                })
                .sum();
            let found = p_value(10, 2.0, c, Form::Exact).unwrap().value;
            assert!((found - exact).abs() < 1e-12, "{c}: {found} {exact}");
        }
    }

    #[test]
    fn unequal_replicates_are_said_to_be_unequal() {
        let result = test(&[vec![1.0, 2.0, 3.0], vec![1.0, 2.0], vec![4.0, 4.5]]).unwrap();
        assert!(!result.equal_replicates && (result.replicates - 7.0 / 3.0).abs() < 1e-15);
        assert!(matches!(test(&[vec![1.0, 2.0], vec![1.0]]), Err(OutlierError::Summary(_))));
        assert!(matches!(test(&[vec![1.0, 1.0], vec![2.0, 2.0]]), Err(OutlierError::NoSpread)));
    }
}
