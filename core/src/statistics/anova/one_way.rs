//! One-way analysis of variance: days, runs, analysts or laboratories with replicates.

use super::FRatio;
use super::components::{Component, VarianceSum};
use crate::statistics::distribution::{ChiSquared, FisherF};
use crate::statistics::double_double::{DoubleDouble, LongSum, Observation, exact, unchecked, usable};
use crate::statistics::hypothesis::Interval;
use crate::statistics::model_error::ModelError;

/// One-way analysis of variance with variance components.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneWay {
    /// Number of groups, k.
    pub groups: usize,
    /// Number of values, N.
    pub n: usize,
    /// Mean of all values (groups weighted by their size).
    pub grand_mean: f64,
    /// Sum of squares between groups.
    pub ss_between: f64,
    /// Sum of squares within groups.
    pub ss_within: f64,
    /// Sum of squares about the grand mean.
    pub ss_total: f64,
    /// k - 1.
    pub df_between: f64,
    /// N - k.
    pub df_within: f64,
    /// Mean square between groups.
    pub ms_between: f64,
    /// Mean square within groups.
    pub ms_within: f64,
    /// F test of equal group means; `None` without any spread within groups.
    pub f_test: Option<FRatio>,
    /// Share of the total sum of squares that lies between groups; `None` when all values are equal.
    pub r_squared: Option<f64>,
    /// Effective number of replicates n₀; the common size when all groups have it.
    pub effective_replicates: f64,
    /// Repeatability standard deviation s_r, with its interval.
    pub repeatability: VarianceSum,
    /// Between-group component s_L.
    pub between: Component,
    /// Confidence interval of the between-group standard deviation; approximate for groups of different size.
    pub between_interval: Interval,
    /// Intermediate precision s_I (reproducibility s_R when groups are laboratories).
    pub intermediate: VarianceSum,
}

impl OneWay {
    /// Expected variance of the mean of `replicates` results in each of `runs` runs.
    ///
    /// # Formula
    /// `s_L²/runs + s_r²/(runs·replicates)`
    ///
    /// # Source
    /// USP general chapter 1010 (layout of the precision study).
    ///
    /// # Errors
    /// No runs or no replicates.
    pub fn variance_of_mean(&self, runs: usize, replicates: usize) -> Result<f64, ModelError> {
        ModelError::need("runs", 1, runs)?;
        ModelError::need("replicates", 1, replicates)?;
        let (runs, replicates) = (runs as f64, replicates as f64);
        Ok((self.between.variance + self.repeatability.variance / replicates) / runs)
    }
}

/// Sums of squares of groups, with 32 digits.
struct Sums {
    total_n: usize,
    squared_sizes: f64,
    mean: DoubleDouble,
    between: DoubleDouble,
    within: DoubleDouble,
}

/// From this many values on, deviations from means of 31 digits are taken as doubles: a few units of the last place in place of
/// 32 digits, at a fifth of the time.
const MANY: usize = 10_000;

fn sums<T: Observation, G: AsRef<[T]>>(groups: &[G]) -> Result<Sums, ModelError> {
    let count: usize = groups.iter().map(|group| group.as_ref().len()).sum();
    if count < MANY { exact_sums(groups) } else { quick_sums(groups) }
}

/// The same two passes in doubles; what can cancel, means and their differences, keeps its digits.
fn quick_sums<T: Observation, G: AsRef<[T]>>(groups: &[G]) -> Result<Sums, ModelError> {
    let (mut total_n, mut squared_sizes) = (0_usize, 0.0);
    let (mut total, mut within) = (LongSum::default(), LongSum::default());
    let mut means = Vec::with_capacity(groups.len());
    for group in groups.iter().map(AsRef::as_ref) {
        ModelError::need("every group", 1, group.len())?;
        let n = group.len() as f64;
        if let Some(index) = group.iter().position(|x| !usable(x)) {
            exact("values", total_n + index, &group[index])?;
        }
        let values = || group.iter().map(unchecked);
        let (mean, sum) = DoubleDouble::mean_of(values(), n);
        let squares = values().map(|x| DoubleDouble::from(x.away_from(mean).powi(2)));
        within.add(if group.len() < 100 {
            DoubleDouble::from(squares.map(DoubleDouble::value).sum::<f64>())
        } else {
            DoubleDouble::sum(squares)
        });
        total.add(sum);
        total_n += group.len();
        squared_sizes += n * n;
        means.push((n, mean));
    }
    let mean = total.total() / DoubleDouble::from(total_n as f64);
    let mut between = LongSum::default();
    for (n, group) in means {
        between.add(DoubleDouble::from(n * group.away_from(mean).powi(2)));
    }
    let scale = DoubleDouble::from(total_n as f64) * mean.square();
    let (between, within) = (between.total().above_rounding(scale), within.total().above_rounding(scale));
    Ok(Sums { total_n, squared_sizes, mean, between, within })
}

/// Two passes over each group and one over the group means: every square is of a true deviation.
fn exact_sums<T: Observation, G: AsRef<[T]>>(groups: &[G]) -> Result<Sums, ModelError> {
    let (mut total_n, mut squared_sizes) = (0_usize, 0.0);
    let (mut total, mut within) = (LongSum::default(), LongSum::default());
    let mut means = Vec::with_capacity(groups.len());
    let mut buffer = Vec::new();
    // Most designs have one size: its reciprocal is worked out once.
    let mut known = (0_usize, DoubleDouble::ZERO);
    for group in groups.iter().map(AsRef::as_ref) {
        ModelError::need("every group", 1, group.len())?;
        buffer.clear();
        let mut sum = DoubleDouble::ZERO;
        for x in group {
            let x = exact("values", total_n + buffer.len(), x)?;
            sum = sum + x;
            buffer.push(x);
        }
        let n = group.len() as f64;
        if known.0 != group.len() {
            known = (group.len(), DoubleDouble::ONE / DoubleDouble::from(n));
        }
        let mean = sum * known.1;
        within.add(buffer.iter().fold(DoubleDouble::ZERO, |squares, x| squares + (*x - mean).square()));
        total.add(sum);
        total_n += group.len();
        squared_sizes += n * n;
        means.push((n, mean));
    }
    let mean = total.total() / DoubleDouble::from(total_n as f64);
    let mut between = LongSum::default();
    for (n, group) in means {
        between.add(DoubleDouble::from(n) * (group - mean).square());
    }
    let scale = DoubleDouble::from(total_n as f64) * mean.square();
    let (between, within) = (between.total().above_rounding(scale), within.total().above_rounding(scale));
    Ok(Sums { total_n, squared_sizes, mean, between, within })
}

/// Interval of the between-group standard deviation.
///
/// Source: Williams 1962, Biometrika 49, 278 (from memory): the ends are
/// `ν_b (MS_b - F MS_w) / (n₀ χ²)` with F and chi-square at the same tail; a negative end is 0.
fn between_interval(
    ms: (f64, f64),
    df: (f64, f64),
    effective_replicates: f64,
    confidence: f64,
) -> Result<Interval, ModelError> {
    let tail = 0.5 * (1.0 - confidence);
    let (f, chi) = (FisherF::new(df.0, df.1)?, ChiSquared::new(df.0)?);
    let end = |f: f64, chi: f64| (df.0 * (ms.0 - f * ms.1) / (effective_replicates * chi)).max(0.0).sqrt();
    Ok(Interval {
        low: end(f.upper_quantile(tail)?, chi.upper_quantile(tail)?),
        high: end(f.quantile(tail)?, chi.quantile(tail)?),
        confidence,
    })
}

/// One-way analysis of variance of groups of equal or different size.
///
/// # Formula
/// `SS_b = Σ nᵢ(x̄ᵢ - x̄)²`, `SS_w = ΣΣ(xᵢⱼ - x̄ᵢ)²`, `F = MS_b/MS_w`; `s_r² = MS_w`,
/// `s_L² = max(0, (MS_b - MS_w)/n₀)`, `n₀ = (N - Σnᵢ²/N)/(k - 1)`, `s_I² = s_r² + s_L²`. Degrees of freedom of s_I by
/// Satterthwaite from `MS_b/n₀ + (1 - 1/n₀) MS_w`; when s_L was set to 0 they are those of s_r.
///
/// # Source
/// ISO 5725-2 (variance components; from memory); Satterthwaite 1946; interval of s_L: Williams 1962 (from memory).
///
/// # Errors
/// Fewer than two groups; an empty group; no group with two values; a value that is not finite; confidence outside
/// (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::anova::one_way;
/// let days = [[52.41, 52.33, 52.38], [52.22, 52.29, 52.25], [52.47, 52.40, 52.44]];
/// let study = one_way(&days, 0.95)?;
/// assert!(study.intermediate.sd > study.repeatability.sd);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn one_way<T: Observation, G: AsRef<[T]>>(groups: &[G], confidence: f64) -> Result<OneWay, ModelError> {
    ModelError::fraction("confidence", confidence)?;
    ModelError::need("groups", 2, groups.len())?;
    let Sums { total_n: n, squared_sizes, mean, between, within } = sums(groups)?;
    ModelError::need("values (one more than groups)", groups.len() + 1, n)?;
    let (k, count) = (groups.len() as f64, n as f64);
    let (df_between, df_within) = (k - 1.0, count - k);
    let total = between + within;
    let (ms_between, ms_within) = (between.value() / df_between, within.value() / df_within);
    let n0 = (count - squared_sizes / count) / df_between;
    let between_component = Component::new((ms_between - ms_within) / n0);
    let repeatability = VarianceSum::satterthwaite(&[(1.0, ms_within, df_within)], confidence)?;
    let intermediate = if between_component.truncated() {
        repeatability
    } else {
        let terms = [(1.0 / n0, ms_between, df_between), (1.0 - 1.0 / n0, ms_within, df_within)];
        VarianceSum::satterthwaite(&terms, confidence)?
    };
    Ok(OneWay {
        groups: groups.len(),
        n,
        grand_mean: mean.value(),
        ss_between: between.value(),
        ss_within: within.value(),
        ss_total: total.value(),
        df_between,
        df_within,
        ms_between,
        ms_within,
        f_test: FRatio::of((ms_between, df_between), (ms_within, df_within))?,
        r_squared: (total.value() > 0.0).then(|| (between / total).value()),
        effective_replicates: n0,
        repeatability,
        between: between_component,
        between_interval: between_interval((ms_between, ms_within), (df_between, df_within), n0, confidence)?,
        intermediate,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_values_have_neither_f_nor_r_squared() {
        let study = one_way(&[[52.3; 3], [52.3; 3]], 0.95).unwrap();
        assert_eq!((study.f_test, study.r_squared), (None, None));
        assert_eq!((study.repeatability.sd, study.between.sd, study.intermediate.sd), (0.0, 0.0, 0.0));
    }

    #[test]
    fn designs_that_cannot_be_analysed_say_what_is_needed() {
        assert!(matches!(one_way(&[[1.0, 2.0]], 0.95), Err(ModelError::NotEnoughData { what: "groups", .. })));
        assert!(matches!(one_way(&[[1.0], [2.0]], 0.95), Err(ModelError::NotEnoughData { needed: 3, found: 2, .. })));
        assert!(matches!(one_way(&[vec![1.0, 2.0], vec![]], 0.95), Err(ModelError::NotEnoughData { .. })));
        assert!(matches!(
            one_way(&[[1.0, f64::NAN], [1.0, 2.0]], 0.95),
            Err(ModelError::NotFinite { position: 2, .. })
        ));
    }

    #[test]
    fn a_negative_component_becomes_zero_and_keeps_its_raw_value() {
        let study = one_way(&[[1.0, 3.0], [1.1, 2.9], [0.9, 3.1]], 0.95).unwrap();
        assert!(study.between.truncated() && study.between.raw_variance < 0.0);
        assert_eq!(study.between.variance, 0.0);
        assert_eq!(study.intermediate, study.repeatability);
    }

    #[test]
    fn many_values_lose_no_more_than_the_last_places() {
        // Spread 1e-3 on an offset of 1e9, sizes 1 to 200: against the sums with 32 digits.
        let groups: Vec<Vec<f64>> = (1..=200u32)
            .map(|size| (0..size).map(|i| 1e9 + f64::from((i * 7919 + size * 104_729) % 1009) * 1e-6).collect())
            .collect();
        let (quick, exact) = (quick_sums(&groups).unwrap(), exact_sums(&groups).unwrap());
        assert_eq!(quick.total_n, exact.total_n);
        for (quick, exact) in [(quick.mean, exact.mean), (quick.within, exact.within), (quick.between, exact.between)] {
            assert!((quick.value() / exact.value() - 1.0).abs() < 1e-15, "{} {}", quick.value(), exact.value());
        }
    }

    #[test]
    fn a_hundred_thousand_groups_of_three_are_exact() {
        let groups: Vec<[f64; 3]> = (0..100_000).map(|i| [1.0, 2.0, 3.0].map(|x| x + 1e9 + f64::from(i % 2))).collect();
        let study = one_way(&groups, 0.95).unwrap();
        // Within each group the squares are 1 + 0 + 1; the means lie 0.5 to either side of the grand mean.
        assert_eq!((study.ss_within, study.ss_between), (200_000.0, 75_000.0));
    }
}
