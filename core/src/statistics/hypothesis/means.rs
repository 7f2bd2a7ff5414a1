//! Student's and Welch's tests for one or two means.

use super::{Interval, PValues};
use crate::statistics::distribution::StudentT;
use crate::statistics::double_double::{Moments, Observation, series};
use crate::statistics::model_error::ModelError;

/// Which t test a result belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MeanTestKind {
    /// One series against a stated value.
    OneSample,
    /// Differences of pairs against a stated value.
    Paired,
    /// Two series, variances taken as equal.
    Pooled,
    /// Two series, variances not taken as equal.
    Welch,
}

/// Result of a t test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanTest {
    /// Which test.
    pub kind: MeanTestKind,
    /// Number of values, or of pairs, in the first series.
    pub n: usize,
    /// Number of values in the second series; `None` for one series or pairs.
    pub n_second: Option<usize>,
    /// Mean, mean difference of pairs, or first mean minus second mean.
    pub estimate: f64,
    /// Value the estimate is compared with.
    pub hypothesised: f64,
    /// Standard error of the estimate.
    pub standard_error: f64,
    /// `(estimate - hypothesised) / standard_error`.
    pub t: f64,
    /// Degrees of freedom; not an integer for Welch's test.
    pub degrees_of_freedom: f64,
    /// Probabilities of t in both tails.
    pub p: PValues,
    /// Confidence interval of the estimate.
    pub interval: Interval,
}

/// Number, mean and standard deviation of a series, where only these were published.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Series {
    /// Number of values, at least 2.
    pub n: usize,
    /// Mean.
    pub mean: f64,
    /// Sample standard deviation (divisor n - 1), 0 or more.
    pub sample_sd: f64,
}

/// Standard error and degrees of freedom of an estimate that follows Student's t.
#[derive(Debug, Clone, Copy)]
pub(super) struct Estimate {
    pub(super) kind: MeanTestKind,
    pub(super) n: usize,
    pub(super) n_second: Option<usize>,
    pub(super) value: f64,
    pub(super) standard_error: f64,
    pub(super) degrees_of_freedom: f64,
}

impl Estimate {
    pub(super) fn one_sample<T: Observation>(values: &[T]) -> Result<Self, ModelError> {
        let moments = Moments::new("values", 2, values)?;
        Ok(Self::of_moments(MeanTestKind::OneSample, &moments, values.len()))
    }

    fn of_moments(kind: MeanTestKind, moments: &Moments, n: usize) -> Self {
        Self {
            kind,
            n,
            n_second: None,
            value: moments.mean.value(),
            standard_error: moments.sd() / moments.n.sqrt(),
            degrees_of_freedom: moments.n - 1.0,
        }
    }

    pub(super) fn paired<T: Observation, U: Observation>(first: &[T], second: &[U]) -> Result<Self, ModelError> {
        ModelError::paired(("first", first.len()), ("second", second.len()))?;
        ModelError::need("pairs", 2, first.len())?;
        let (first, second) = (series("first", first)?, series("second", second)?);
        let differences: Vec<_> = first.iter().zip(&second).map(|(a, b)| *a - *b).collect();
        Ok(Self::of_moments(MeanTestKind::Paired, &Moments::of(&differences), first.len()))
    }

    pub(super) fn two_series<T: Observation, U: Observation>(
        kind: MeanTestKind,
        first: &[T],
        second: &[U],
    ) -> Result<Self, ModelError> {
        let (a, b) = (Moments::new("first", 2, first)?, Moments::new("second", 2, second)?);
        Ok(Self::two(
            kind,
            (a.n, first.len(), a.variance()),
            (b.n, second.len(), b.variance()),
            (a.mean - b.mean).value(),
        ))
    }

    fn two_summaries(kind: MeanTestKind, first: Series, second: Series) -> Result<Self, ModelError> {
        for (what, series) in [("first", first), ("second", second)] {
            ModelError::need(what, 2, series.n)?;
            ModelError::finite("mean", series.mean)?;
            ModelError::not_negative("sample standard deviation", series.sample_sd)?;
        }
        let part = |s: Series| (s.n as f64, s.n, s.sample_sd * s.sample_sd);
        Ok(Self::two(kind, part(first), part(second), first.mean - second.mean))
    }

    fn two(kind: MeanTestKind, a: (f64, usize, f64), b: (f64, usize, f64), value: f64) -> Self {
        let ((n_a, count_a, var_a), (n_b, count_b, var_b)) = (a, b);
        let (variance, degrees_of_freedom) = if kind == MeanTestKind::Pooled {
            let df = n_a + n_b - 2.0;
            let pooled = ((n_a - 1.0) * var_a + (n_b - 1.0) * var_b) / df;
            (pooled * (1.0 / n_a + 1.0 / n_b), df)
        } else {
            // Shares of the larger term, so that no square overflows or vanishes.
            let (part_a, part_b) = (var_a / n_a, var_b / n_b);
            let sum = part_a + part_b;
            let (share_a, share_b) = (part_a / sum, part_b / sum);
            (sum, 1.0 / (share_a * share_a / (n_a - 1.0) + share_b * share_b / (n_b - 1.0)))
        };
        let standard_error = variance.sqrt();
        Self { kind, n: count_a, n_second: Some(count_b), value, standard_error, degrees_of_freedom }
    }

    /// Refuses an estimate without spread: its t would be 0/0 or infinite.
    pub(super) fn spread(self) -> Result<Self, ModelError> {
        if self.standard_error > 0.0 {
            return Ok(self);
        }
        Err(ModelError::NoSpread {
            what: if self.kind == MeanTestKind::Paired { "the differences" } else { "the values" },
            needed: "a t test needs a standard deviation above zero, for instance from readings with finer resolution",
        })
    }

    fn test(self, hypothesised: f64, confidence: f64) -> Result<MeanTest, ModelError> {
        ModelError::finite("hypothesised value", hypothesised)?;
        ModelError::fraction("confidence", confidence)?;
        let Self { kind, n, n_second, value, standard_error, degrees_of_freedom } = self.spread()?;
        let student = StudentT::new(degrees_of_freedom)?;
        let t = (value - hypothesised) / standard_error;
        let half = student.upper_quantile(0.5 * (1.0 - confidence))? * standard_error;
        Ok(MeanTest {
            kind,
            n,
            n_second,
            estimate: value,
            hypothesised,
            standard_error,
            t,
            degrees_of_freedom,
            p: PValues::from_tails(student.cdf(t), student.sf(t)),
            interval: Interval::around(value, half, confidence),
        })
    }
}

/// Student's test of one mean against a stated value.
///
/// # Formula
/// `t = (x̄ - μ₀) / (s/√n)`, `ν = n - 1`; interval `x̄ ± t(1-α/2; ν) s/√n`.
///
/// # Source
/// Student 1908; any textbook of statistics.
///
/// # Errors
/// Fewer than two values; values that are all equal; a value that is not finite; confidence outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::hypothesis::one_sample_t;
/// let test = one_sample_t(&[52.41, 52.33, 52.38, 52.40], 52.36, 0.95)?;
/// assert_eq!(test.degrees_of_freedom, 3.0);
/// assert!(test.p.two_sided > 0.05);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn one_sample_t<T: Observation>(values: &[T], hypothesised: f64, confidence: f64) -> Result<MeanTest, ModelError> {
    Estimate::one_sample(values)?.test(hypothesised, confidence)
}

/// Student's test of the mean difference of pairs, first minus second, against a stated value.
///
/// # Formula
/// `t = (d̄ - δ₀) / (s_d/√n)`, `ν = n - 1`.
///
/// # Source
/// Student 1908; any textbook of statistics.
///
/// # Errors
/// Series of different length; fewer than two pairs; equal differences; confidence outside (0, 1).
pub fn paired_t<T: Observation, U: Observation>(
    first: &[T],
    second: &[U],
    hypothesised: f64,
    confidence: f64,
) -> Result<MeanTest, ModelError> {
    Estimate::paired(first, second)?.test(hypothesised, confidence)
}

/// Student's test of two means, first minus second, with one pooled variance.
///
/// # Formula
/// `t = (x̄₁ - x̄₂ - δ₀) / (s_p √(1/n₁ + 1/n₂))`, `s_p² = ((n₁-1)s₁² + (n₂-1)s₂²)/ν`, `ν = n₁ + n₂ - 2`.
///
/// # Source
/// Any textbook of statistics.
///
/// # Errors
/// Fewer than two values in a series; no spread in either; confidence outside (0, 1).
pub fn pooled_t<T: Observation, U: Observation>(
    first: &[T],
    second: &[U],
    hypothesised: f64,
    confidence: f64,
) -> Result<MeanTest, ModelError> {
    Estimate::two_series(MeanTestKind::Pooled, first, second)?.test(hypothesised, confidence)
}

/// Welch's test of two means, first minus second, each with its own variance.
///
/// # Formula
/// `t = (x̄₁ - x̄₂ - δ₀) / √(s₁²/n₁ + s₂²/n₂)`, `ν = (Σ s²/n)² / Σ((s²/n)²/(n-1))`.
///
/// # Source
/// Welch 1947; Satterthwaite 1946.
///
/// # Errors
/// Fewer than two values in a series; no spread in either; confidence outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::hypothesis::welch_t;
/// // Titres of two analysts, Vogel, 5th ed., p. 175.
/// let test = welch_t(&[22.53, 22.60, 22.54, 22.62], &[22.48, 22.40, 22.48, 22.43], 0.0, 0.95)?;
/// assert!((test.p.two_sided - 0.00574983).abs() < 5e-9);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn welch_t<T: Observation, U: Observation>(
    first: &[T],
    second: &[U],
    hypothesised: f64,
    confidence: f64,
) -> Result<MeanTest, ModelError> {
    Estimate::two_series(MeanTestKind::Welch, first, second)?.test(hypothesised, confidence)
}

/// [`pooled_t`] from published summaries.
///
/// # Errors
/// As [`pooled_t`]; a negative standard deviation.
pub fn pooled_t_from_summaries(
    first: Series,
    second: Series,
    hypothesised: f64,
    confidence: f64,
) -> Result<MeanTest, ModelError> {
    Estimate::two_summaries(MeanTestKind::Pooled, first, second)?.test(hypothesised, confidence)
}

/// [`welch_t`] from published summaries.
///
/// # Errors
/// As [`welch_t`]; a negative standard deviation.
pub fn welch_t_from_summaries(
    first: Series,
    second: Series,
    hypothesised: f64,
    confidence: f64,
) -> Result<MeanTest, ModelError> {
    Estimate::two_summaries(MeanTestKind::Welch, first, second)?.test(hypothesised, confidence)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_values_give_the_textbook_interval() {
        // t(0.975, 1) = 12.7062 (any table of Student's t); s/√2 = 0.01.
        let test = one_sample_t(&[23.16, 23.18], 23.17, 0.95).unwrap();
        assert!((test.interval.high - 23.17 - 0.12706204736).abs() < 1e-10);
        assert!(test.t.abs() < 1e-9 && (test.p.two_sided - 1.0).abs() < 1e-9);
    }

    #[test]
    fn what_cannot_be_tested_says_what_is_needed() {
        let one = one_sample_t(&[23.16], 23.0, 0.95).unwrap_err();
        assert_eq!(one, ModelError::NotEnoughData { what: "values", needed: 2, found: 1 });
        assert!(matches!(one_sample_t(&[23.1; 5], 23.0, 0.95), Err(ModelError::NoSpread { .. })));
        assert!(matches!(paired_t(&[2.0, 3.0], &[1.0, 2.0], 0.0, 0.95), Err(ModelError::NoSpread { .. })));
        assert!(matches!(welch_t(&[1.0; 3], &[2.0; 3], 0.0, 0.95), Err(ModelError::NoSpread { .. })));
        assert!(matches!(paired_t(&[1.0, 2.0], &[1.0], 0.0, 0.95), Err(ModelError::LengthsDiffer { .. })));
        assert!(matches!(one_sample_t(&[1.0, 2.0], 0.0, 1.0), Err(ModelError::OutOfRange { .. })));
        assert!(matches!(one_sample_t(&[1.0, f64::INFINITY], 0.0, 0.9), Err(ModelError::NotFinite { .. })));
    }

    #[test]
    fn a_p_value_keeps_its_digits_at_1e_minus_254() {
        let values: Vec<f64> = (0..41).map(|i| 1e6 + f64::from(i % 2)).collect();
        let test = one_sample_t(&values, 0.0, 0.95).unwrap();
        // P(T > t), ν = 40, t = (1e6 + 20/41)/√(420/41/40/41): mpmath 1.3.0, 50 digits.
        assert!((test.p.greater / 5.6336398182643e-254 - 1.0).abs() < 1e-10, "{}", test.p.greater);
        assert_eq!(test.p.less, 1.0);
    }
}
