//! Tolerance intervals of a normal distribution: where a stated share of all results lies.

use crate::statistics::distribution::{ChiSquared, Normal, StudentT};
use crate::statistics::double_double::{Moments, Observation};
use crate::statistics::model_error::ModelError;
use crate::statistics::noncentral_t::{NoncentralT, bisect, panel_nodes};

/// Smallest content of a two-sided interval: of one that holds nothing the search for its factor would not end.
const LEAST_CONTENT: f64 = 1e-6;

/// What a tolerance interval promises.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Promise {
    /// At least the share `content` of the distribution, with the stated confidence.
    Content {
        /// Share of the distribution, 0 to 1.
        content: f64,
        /// Confidence, 0 to 1.
        confidence: f64,
    },
    /// The share `content` on average.
    Expectation {
        /// Share of the distribution, 0 to 1.
        content: f64,
    },
}

/// Which ends a tolerance interval has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Both.
    TwoSided,
    /// Only a lower one.
    Lower,
    /// Only an upper one.
    Upper,
}

/// A tolerance interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToleranceInterval {
    /// Lower end; `None` for an upper limit.
    pub low: Option<f64>,
    /// Upper end; `None` for a lower limit.
    pub high: Option<f64>,
    /// Factor k of the standard deviation.
    pub factor: f64,
    /// What it promises.
    pub promise: Promise,
    /// Number of values.
    pub n: usize,
}

/// Mean of n values with a standard deviation of ν degrees of freedom, its own or a pooled one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleInformation {
    /// Number of values in the mean (an effective number is allowed), greater than 0.
    pub n: f64,
    /// Degrees of freedom of the standard deviation, at least 0.5.
    pub degrees_of_freedom: f64,
}

impl SampleInformation {
    /// A series of n values with its own standard deviation.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn of_series(n: usize) -> Result<Self, ModelError> {
        ModelError::need("values", 2, n)?;
        Ok(Self { n: n as f64, degrees_of_freedom: n as f64 - 1.0 })
    }

    fn checked(self) -> Result<Self, ModelError> {
        ModelError::positive("number of values", self.n)?;
        ModelError::positive("degrees of freedom", self.degrees_of_freedom)?;
        Ok(self)
    }

    /// Exact two-sided factor for a content with a confidence.
    ///
    /// # Formula
    /// k solves `2√(n/2π) ∫₀^∞ P(χ²_ν > ν r(x)²/k²) e^{-nx²/2} dx = γ`, where r(x) solves
    /// `Φ(x + r) - Φ(x - r) = β`.
    ///
    /// # Source
    /// Odeh 1978; ISO 16269-6 (from memory); by quadrature.
    ///
    /// # Errors
    /// Content or confidence outside (0, 1); sizes that are not positive.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::statistics::tolerance::SampleInformation;
    /// let k = SampleInformation::of_series(10)?.two_sided_factor(0.95, 0.95)?;
    /// assert!((k - 3.39343).abs() < 5e-6); // SciPy 1.17.1, own quadrature
    /// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
    /// ```
    pub fn two_sided_factor(self, content: f64, confidence: f64) -> Result<f64, ModelError> {
        let Self { n, degrees_of_freedom: nu } = self.checked()?;
        if content < LEAST_CONTENT {
            return Err(ModelError::OutOfRange { name: "content", rule: "at least 1e-6", value: content });
        }
        let outside = 1.0 - ModelError::fraction("content", content)?;
        let confidence = ModelError::fraction("confidence", confidence)?;
        let z = Normal.upper_quantile(0.5 * outside)?;
        let chi = ChiSquared::new(nu)?;
        // Beyond nine standard deviations of the mean the weight is below 1e-17.
        let end = 9.0 / n.sqrt();
        let radius = |x: f64| bisect(z, x + z, |r| Normal.sf(r + x) + Normal.sf(r - x) > outside);
        let scale = 2.0 * (n / std::f64::consts::TAU).sqrt();
        // The radii do not depend on k.
        let nodes: Vec<(f64, f64)> = panel_nodes(0.0, end, end / 24.0)
            .map(|(x, weight)| (radius(x), scale * weight * (-0.5 * n * x * x).exp()))
            .collect();
        let doubt = 1.0 - confidence;
        let failing =
            |k: f64| -> f64 { nodes.iter().map(|(radius, weight)| weight * chi.cdf(nu * (radius / k).powi(2))).sum() };
        // The failing probability falls with k; Howe's factor is within a few per cent.
        let start = self.howe_factor(content, confidence)?;
        let (mut low, mut high) = (start, start);
        while failing(low) < doubt {
            low *= 0.5;
        }
        while failing(high) > doubt && high < 1e300 {
            high *= 2.0;
        }
        Ok(bisect(low, high, |k| failing(k) > doubt))
    }

    /// Howe's approximation to the two-sided factor, printed by many tables and programs.
    ///
    /// # Formula
    /// `k = z((1+β)/2) √(ν(1 + 1/n)/χ²(1-γ; ν))`
    ///
    /// # Source
    /// Howe 1969, J. Am. Stat. Assoc. 64, 610; NIST/SEMATECH e-Handbook 7.2.6.3 (from memory).
    ///
    /// # Errors
    /// Content or confidence outside (0, 1); sizes that are not positive.
    pub fn howe_factor(self, content: f64, confidence: f64) -> Result<f64, ModelError> {
        let Self { n, degrees_of_freedom: nu } = self.checked()?;
        let z = Normal.upper_quantile(0.5 * (1.0 - ModelError::fraction("content", content)?))?;
        let chi = ChiSquared::new(nu)?.quantile(1.0 - ModelError::fraction("confidence", confidence)?)?;
        Ok(z * (nu * (1.0 + 1.0 / n) / chi).sqrt())
    }

    /// Exact one-sided factor for a content with a confidence.
    ///
    /// # Formula
    /// `k = t'(γ; ν, z(β)√n)/√n` with t' the quantile of noncentral t.
    ///
    /// # Source
    /// ISO 16269-6 (from memory); any textbook.
    ///
    /// # Errors
    /// Content or confidence outside (0, 1); sizes that are not positive or out of range of [`NoncentralT`].
    pub fn one_sided_factor(self, content: f64, confidence: f64) -> Result<f64, ModelError> {
        let Self { n, degrees_of_freedom } = self.checked()?;
        let z = Normal.quantile(ModelError::fraction("content", content)?)?;
        Ok(NoncentralT::new(degrees_of_freedom, z * n.sqrt())?.quantile(confidence)? / n.sqrt())
    }

    /// Factor of the interval that holds a share on average (for one further value: the prediction interval).
    ///
    /// # Formula
    /// `k = t((1+β)/2; ν) √(1 + 1/n)`, one-sided `t(β; ν) √(1 + 1/n)`.
    ///
    /// # Source
    /// Wilks 1941 (from memory).
    ///
    /// # Errors
    /// Content outside (0, 1); sizes that are not positive.
    pub fn expectation_factor(self, content: f64, side: Side) -> Result<f64, ModelError> {
        let Self { n, degrees_of_freedom } = self.checked()?;
        let outside = 1.0 - ModelError::fraction("content", content)?;
        let tail = if side == Side::TwoSided { 0.5 * outside } else { outside };
        Ok(StudentT::new(degrees_of_freedom)?.upper_quantile(tail)? * (1.0 + 1.0 / n).sqrt())
    }

    /// Factor for any promise and side.
    ///
    /// # Errors
    /// As the single functions.
    pub fn factor(self, promise: Promise, side: Side) -> Result<f64, ModelError> {
        match (promise, side) {
            (Promise::Content { content, confidence }, Side::TwoSided) => self.two_sided_factor(content, confidence),
            (Promise::Content { content, confidence }, _) => self.one_sided_factor(content, confidence),
            (Promise::Expectation { content }, side) => self.expectation_factor(content, side),
        }
    }
}

/// Tolerance interval of a series of normal values.
///
/// # Formula
/// `x̄ ± k s`, or one end of it.
///
/// # Source
/// ISO 16269-6 (from memory).
///
/// # Errors
/// Fewer than two values; what [`SampleInformation::factor`] refuses. Equal values give an interval of width zero.
pub fn tolerance_interval<T: Observation>(
    values: &[T],
    promise: Promise,
    side: Side,
) -> Result<ToleranceInterval, ModelError> {
    let moments = Moments::new("values", 2, values)?;
    let factor = SampleInformation::of_series(values.len())?.factor(promise, side)?;
    let (mean, half) = (moments.mean.value(), factor * moments.sd());
    Ok(ToleranceInterval {
        low: (side != Side::Upper).then_some(mean - half),
        high: (side != Side::Lower).then_some(mean + half),
        factor,
        promise,
        n: values.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_two_sided_factor_lies_above_the_one_sided_and_near_howes() {
        for n in [3, 5, 10, 30, 100, 1000] {
            let sample = SampleInformation::of_series(n).unwrap();
            let (two, one) = (sample.two_sided_factor(0.9, 0.95).unwrap(), sample.one_sided_factor(0.9, 0.95).unwrap());
            let howe = sample.howe_factor(0.9, 0.95).unwrap();
            assert!(two > one, "{n}");
            assert!((two / howe - 1.0).abs() < 0.015, "{n}: {two} {howe}");
        }
    }

    #[test]
    fn equal_values_give_a_point_and_one_value_an_error() {
        let promise = Promise::Content { content: 0.9, confidence: 0.9 };
        let interval = tolerance_interval(&[3.0; 4], promise, Side::TwoSided).unwrap();
        assert_eq!((interval.low, interval.high), (Some(3.0), Some(3.0)));
        assert!(tolerance_interval(&[3.0], promise, Side::Upper).is_err());
        assert!(SampleInformation::of_series(5).unwrap().two_sided_factor(1.0, 0.9).is_err());
    }
}
