//! Power and sample size of t tests and of equivalence tests.

use crate::statistics::distribution::StudentT;
use crate::statistics::model_error::ModelError;
use crate::statistics::noncentral_t::{NoncentralT, both_sides};

/// What is measured how often.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Design {
    /// One series of n values; the standard deviation is that of a value.
    OneSample {
        /// Number of values, at least 2.
        n: usize,
    },
    /// n pairs; the standard deviation is that of a difference.
    Paired {
        /// Number of pairs, at least 2.
        n: usize,
    },
    /// Two series with a common standard deviation.
    TwoSample {
        /// Number of values in the first series.
        n_first: usize,
        /// Number of values in the second series.
        n_second: usize,
    },
}

impl Design {
    /// Degrees of freedom and variance of the estimate in units of the variance of a value.
    fn sizes(self) -> Result<(f64, f64), ModelError> {
        match self {
            Self::OneSample { n } | Self::Paired { n } => {
                ModelError::need("the design", 2, n)?;
                Ok((n as f64 - 1.0, 1.0 / n as f64))
            }
            Self::TwoSample { n_first, n_second } => {
                ModelError::need("the first series", 1, n_first)?;
                ModelError::need("the second series", 1, n_second)?;
                ModelError::need("both series together", 3, n_first + n_second)?;
                let (a, b) = (n_first as f64, n_second as f64);
                Ok((a + b - 2.0, 1.0 / a + 1.0 / b))
            }
        }
    }

    /// The same kind of design with n values, pairs, or values in each series.
    fn resized(self, n: usize) -> Self {
        match self {
            Self::OneSample { .. } => Self::OneSample { n },
            Self::Paired { .. } => Self::Paired { n },
            Self::TwoSample { .. } => Self::TwoSample { n_first: n, n_second: n },
        }
    }
}

/// What a t test is to show.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Alternative {
    /// A difference in either direction.
    TwoSided,
    /// A true difference greater than zero.
    Greater,
    /// A true difference less than zero.
    Less,
}

/// Question put to a t test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DifferenceQuestion {
    /// True difference from the hypothesis.
    pub difference: f64,
    /// True standard deviation of a value, or of a difference of pairs.
    pub sd: f64,
    /// Level of the test, 0 to 1.
    pub alpha: f64,
    /// What is to be shown.
    pub alternative: Alternative,
}

/// Question put to two one-sided tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EquivalenceQuestion {
    /// True difference.
    pub difference: f64,
    /// True standard deviation of a value, or of a difference of pairs.
    pub sd: f64,
    /// Lower margin.
    pub low: f64,
    /// Upper margin.
    pub high: f64,
    /// Level of each one-sided test, 0 to 0.5.
    pub alpha: f64,
}

/// A number of measurements and what it achieves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleSize {
    /// Number of values, pairs, or values in each of two series.
    pub n: usize,
    /// Power with that number.
    pub power: f64,
}

/// Largest number of measurements considered.
const LARGEST_N: usize = 100_000;

/// Power of a t test: the probability that it finds a true difference.
///
/// # Formula
/// `δ = difference/(σ √c)`, c = 1/n or 1/n₁ + 1/n₂; two-sided `P(T' > t) + P(T' < -t)` with `t = t(1-α/2; ν)` and T'
/// noncentral with ν and δ; one-sided the one term with `t(1-α; ν)`.
///
/// # Source
/// Any textbook of statistics; noncentral t: see [`NoncentralT`].
///
/// # Errors
/// Too few measurements; a standard deviation that is not positive; alpha outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::power::{Alternative, DifferenceQuestion, Design, difference_power};
/// let question = DifferenceQuestion { difference: 0.5, sd: 1.0, alpha: 0.05, alternative: Alternative::TwoSided };
/// let power = difference_power(Design::TwoSample { n_first: 64, n_second: 64 }, question)?;
/// assert!((power - 0.8015).abs() < 5e-5); // statsmodels 0.15.0, TTestIndPower
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn difference_power(design: Design, question: DifferenceQuestion) -> Result<f64, ModelError> {
    let DifferenceQuestion { difference, sd, alpha, alternative } = question;
    let sd = ModelError::positive("standard deviation", sd)?;
    let alpha = ModelError::fraction("alpha", alpha)?;
    ModelError::finite("difference", difference)?;
    let (nu, variance) = design.sizes()?;
    let t = NoncentralT::new(nu, difference / (sd * variance.sqrt()))?;
    let student = StudentT::new(nu)?;
    Ok(match alternative {
        Alternative::TwoSided => {
            let critical = student.upper_quantile(0.5 * alpha)?;
            (t.sf(critical) + t.cdf(-critical)).min(1.0)
        }
        Alternative::Greater => t.sf(student.upper_quantile(alpha)?),
        Alternative::Less => t.cdf(-student.upper_quantile(alpha)?),
    })
}

/// Power of two one-sided tests: the probability that equivalence is shown.
///
/// # Formula
/// `P((θ_L - δ)/σ_d + t w < Z < (θ_U - δ)/σ_d - t w)` over `w = √(χ²_ν/ν)`, `t = t(1-α; ν)`, `σ_d = σ √c`: exact, by
/// quadrature.
///
/// # Source
/// Definition; equal to the difference of Owen's Q functions of Phillips 1990 (from memory).
///
/// # Errors
/// Too few measurements; a standard deviation that is not positive; margins in the wrong order; alpha outside (0, 0.5).
pub fn equivalence_power(design: Design, question: EquivalenceQuestion) -> Result<f64, ModelError> {
    let EquivalenceQuestion { difference, sd, low, high, alpha } = question;
    let sd = ModelError::positive("standard deviation", sd)?;
    for (name, value) in [("difference", difference), ("lower margin", low), ("upper margin", high)] {
        ModelError::finite(name, value)?;
    }
    if low >= high {
        return Err(ModelError::OutOfRange { name: "upper margin", rule: "above the lower margin", value: high });
    }
    if !(alpha > 0.0 && alpha < 0.5) {
        return Err(ModelError::OutOfRange { name: "alpha", rule: "above 0 and below 0.5", value: alpha });
    }
    let (nu, variance) = design.sizes()?;
    let sd_of_estimate = sd * variance.sqrt();
    let critical = StudentT::new(nu)?.upper_quantile(alpha)?;
    Ok(both_sides(nu, (low - difference) / sd_of_estimate, (high - difference) / sd_of_estimate, critical))
}

/// Smallest number of measurements with which a t test has the wanted power; two series have the same number each.
///
/// # Errors
/// A difference of zero, or in the direction opposite to the alternative; power not above alpha; more than 100 000
/// measurements; what [`difference_power`] refuses.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::power::{Alternative, DifferenceQuestion, Design, difference_sample_size};
/// let question = DifferenceQuestion { difference: 0.5, sd: 1.0, alpha: 0.05, alternative: Alternative::TwoSided };
/// assert_eq!(difference_sample_size(Design::OneSample { n: 2 }, question, 0.8)?.n, 34);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn difference_sample_size(
    design: Design,
    question: DifferenceQuestion,
    power: f64,
) -> Result<SampleSize, ModelError> {
    let aims_at = match question.alternative {
        Alternative::TwoSided => question.difference.abs(),
        Alternative::Greater => question.difference,
        Alternative::Less => -question.difference,
    };
    if aims_at <= 0.0 {
        let (what, reason) = ("the sample size", "the true difference is not in the direction that is to be shown");
        return Err(ModelError::NoSolution { what, reason });
    }
    if power <= question.alpha {
        return Err(ModelError::OutOfRange { name: "power", rule: "above alpha", value: power });
    }
    search(design, power, |design| difference_power(design, question))
}

/// Smallest number of measurements with which two one-sided tests have the wanted power.
///
/// # Errors
/// A true difference outside the margins; more than 100 000 measurements; what [`equivalence_power`] refuses.
pub fn equivalence_sample_size(
    design: Design,
    question: EquivalenceQuestion,
    power: f64,
) -> Result<SampleSize, ModelError> {
    if !(question.low < question.difference && question.difference < question.high) {
        let (what, reason) = ("the sample size", "the true difference is not between the margins");
        return Err(ModelError::NoSolution { what, reason });
    }
    search(design, power, |design| equivalence_power(design, question))
}

/// Power rises with n: doubling, then bisection.
fn search(
    design: Design,
    wanted: f64,
    power: impl Fn(Design) -> Result<f64, ModelError>,
) -> Result<SampleSize, ModelError> {
    let wanted = ModelError::fraction("power", wanted)?;
    let at = |n: usize| power(design.resized(n));
    let mut high = 2;
    while at(high)? < wanted {
        if high >= LARGEST_N {
            let (what, reason) = ("the sample size", "more than 100 000 measurements would be needed");
            return Err(ModelError::NoSolution { what, reason });
        }
        high = (2 * high).min(LARGEST_N);
    }
    let mut low = high / 2;
    while high - low > 1 {
        let middle = usize::midpoint(low, high);
        if at(middle)? < wanted { low = middle } else { high = middle }
    }
    if low >= 2 && at(low)? >= wanted {
        high = low;
    }
    Ok(SampleSize { n: high, power: at(high)? })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_difference_the_power_is_the_level() {
        for alternative in [Alternative::TwoSided, Alternative::Greater, Alternative::Less] {
            let question = DifferenceQuestion { difference: 0.0, sd: 1.0, alpha: 0.01, alternative };
            let power = difference_power(Design::Paired { n: 7 }, question).unwrap();
            assert!((power / 0.01 - 1.0).abs() < 1e-11, "{power}");
        }
    }

    #[test]
    fn at_a_margin_equivalence_is_shown_no_more_often_than_the_level() {
        let question = EquivalenceQuestion { difference: 0.3, sd: 0.1, low: -0.3, high: 0.3, alpha: 0.05 };
        let power = equivalence_power(Design::OneSample { n: 12 }, question).unwrap();
        assert!((power - 0.05).abs() < 1e-10, "{power}");
    }

    #[test]
    fn the_sample_size_is_the_smallest() {
        let question = EquivalenceQuestion { difference: 0.02, sd: 0.1, low: -0.1, high: 0.1, alpha: 0.05 };
        let size = equivalence_sample_size(Design::TwoSample { n_first: 2, n_second: 2 }, question, 0.9).unwrap();
        let one_less = Design::TwoSample { n_first: size.n - 1, n_second: size.n - 1 };
        assert!(size.power >= 0.9 && equivalence_power(one_less, question).unwrap() < 0.9);
    }

    #[test]
    fn questions_without_an_answer_are_refused() {
        let question = DifferenceQuestion { difference: -1.0, sd: 1.0, alpha: 0.05, alternative: Alternative::Greater };
        let design = Design::OneSample { n: 2 };
        assert!(matches!(difference_sample_size(design, question, 0.8), Err(ModelError::NoSolution { .. })));
        let tiny = DifferenceQuestion { difference: 1e-6, alternative: Alternative::TwoSided, ..question };
        assert!(matches!(difference_sample_size(design, tiny, 0.8), Err(ModelError::NoSolution { .. })));
        assert!(difference_power(Design::OneSample { n: 1 }, question).is_err());
        assert!(difference_power(design, DifferenceQuestion { sd: 0.0, ..question }).is_err());
    }
}
