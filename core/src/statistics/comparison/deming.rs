//! Deming regression: errors in both methods, with a known ratio of their variances.

use super::JackknifeEstimate;
use super::bland_altman::correlation;
use crate::statistics::distribution::StudentT;
use crate::statistics::double_double::{DoubleDouble, Observation, series};
use crate::statistics::hypothesis::Interval;
use crate::statistics::model_error::ModelError;

/// Result of a Deming regression.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deming {
    /// Number of points.
    pub n: usize,
    /// Slope.
    pub slope: JackknifeEstimate,
    /// Intercept.
    pub intercept: JackknifeEstimate,
    /// Ratio of the error variances used, y over x.
    pub variance_ratio: f64,
    /// Correlation coefficient of the points.
    pub correlation: Option<f64>,
}

/// Sums from which the line follows, with 32 digits.
#[derive(Clone, Copy)]
struct Sums {
    n: f64,
    x: DoubleDouble,
    y: DoubleDouble,
    xx: DoubleDouble,
    yy: DoubleDouble,
    xy: DoubleDouble,
}

impl Sums {
    fn of(x: &[DoubleDouble], y: &[DoubleDouble]) -> Self {
        let product = |a: &[DoubleDouble], b: &[DoubleDouble]| DoubleDouble::sum(a.iter().zip(b).map(|(a, b)| *a * *b));
        Self {
            n: x.len() as f64,
            x: DoubleDouble::sum(x.iter().copied()),
            y: DoubleDouble::sum(y.iter().copied()),
            xx: product(x, x),
            yy: product(y, y),
            xy: product(x, y),
        }
    }

    fn without(self, x: DoubleDouble, y: DoubleDouble) -> Self {
        Self {
            n: self.n - 1.0,
            x: self.x - x,
            y: self.y - y,
            xx: self.xx - x * x,
            yy: self.yy - y * y,
            xy: self.xy - x * y,
        }
    }

    /// Slope and intercept; `None` when x and y do not vary together.
    fn line(self, variance_ratio: f64) -> Option<(f64, f64)> {
        let n = DoubleDouble::from(self.n);
        let about = |ab: DoubleDouble, a: DoubleDouble, b: DoubleDouble| ab - a * b / n;
        let (sxx, syy, sxy) =
            (about(self.xx, self.x, self.x), about(self.yy, self.y, self.y), about(self.xy, self.x, self.y));
        if sxy.value() == 0.0 {
            return None;
        }
        let ratio = DoubleDouble::from(variance_ratio);
        let two = DoubleDouble::from(2.0);
        let difference = syy - ratio * sxx;
        let root = (difference.square() + DoubleDouble::from(4.0) * ratio * sxy.square()).sqrt();
        // Two forms of the same root; take the one that adds.
        let slope = if difference.value() >= 0.0 {
            (difference + root) / (two * sxy)
        } else {
            two * ratio * sxy / (root - difference)
        };
        Some((slope.value(), ((self.y - slope * self.x) / n).value()))
    }
}

/// Deming regression of y on x with a known ratio of error variances, jackknife standard errors.
///
/// # Formula
/// `b = (Syy - λSxx + √((Syy - λSxx)² + 4λSxy²))/(2Sxy)`, `a = ȳ - b x̄`, λ = var(error y)/var(error x); pseudovalues
/// `n b - (n-1) b₍ᵢ₎`, their standard error, t with n - 2 degrees of freedom.
///
/// # Source
/// Deming 1943; jackknife: Linnet 1993, Clin. Chem. 39, 424 (from memory).
///
/// # Errors
/// Series of different length; fewer than four points; a ratio that is not positive; x or y without spread or without
/// any common variation; confidence outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::comparison::deming;
/// let (old, new) = ([20.1, 35.3, 50.2, 65.4, 80.0], [20.0, 35.5, 50.1, 65.6, 80.3]);
/// let line = deming(&old, &new, 1.0, 0.95)?;
/// assert!(line.slope.interval.contains(1.0));
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn deming<T: Observation, U: Observation>(
    x: &[T],
    y: &[U],
    variance_ratio: f64,
    confidence: f64,
) -> Result<Deming, ModelError> {
    ModelError::paired(("x", x.len()), ("y", y.len()))?;
    ModelError::need("points", 4, x.len())?;
    ModelError::positive("ratio of error variances", variance_ratio)?;
    let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
    let (x, y) = (series("x", x)?, series("y", y)?);
    // About the first point, so that sums of products do not carry the offset.
    let centred = |values: &[DoubleDouble]| values.iter().map(|v| *v - values[0]).collect::<Vec<_>>();
    let (u, v) = (centred(&x), centred(&y));
    let no_line = ModelError::NoSpread { what: "x and y together", needed: "a line needs x and y that vary together" };
    let sums = Sums::of(&u, &v);
    let line_about = |sums: Sums| {
        let (slope, intercept) = sums.line(variance_ratio)?;
        let back = y[0] + DoubleDouble::from(intercept) - DoubleDouble::from(slope) * x[0];
        Some((slope, back.value()))
    };
    let (slope, intercept) = line_about(sums).ok_or(no_line.clone())?;
    let left_out = u
        .iter()
        .zip(&v)
        .map(|(u, v)| line_about(sums.without(*u, *v)).ok_or(no_line.clone()))
        .collect::<Result<Vec<_>, _>>()?;
    let n = x.len() as f64;
    let t = StudentT::new(n - 2.0)?.upper_quantile(tail)?;
    let jackknife = |estimate: f64, of: fn(&(f64, f64)) -> f64| {
        // The spread of the pseudovalues is (n - 1) times that of the estimates with one point left out.
        let mean = left_out.iter().map(of).sum::<f64>() / n;
        let squares: f64 = left_out.iter().map(|line| (of(line) - mean).powi(2)).sum();
        let standard_error = ((n - 1.0) / n * squares).sqrt();
        JackknifeEstimate {
            estimate,
            standard_error,
            interval: Interval::around(estimate, t * standard_error, confidence),
        }
    };
    Ok(Deming {
        n: x.len(),
        slope: jackknife(slope, |line| line.0),
        intercept: jackknife(intercept, |line| line.1),
        variance_ratio,
        correlation: correlation(&x, &y),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exchanging_the_methods_inverts_the_line() {
        let (x, y) = ([1.0, 2.0, 3.5, 5.0, 6.2], [1.3, 1.9, 3.9, 4.8, 6.6]);
        let (forth, back) = (deming(&x, &y, 4.0, 0.95).unwrap(), deming(&y, &x, 0.25, 0.95).unwrap());
        assert!((forth.slope.estimate * back.slope.estimate - 1.0).abs() < 1e-13);
    }

    #[test]
    fn points_on_a_line_have_no_error_and_flat_points_no_line() {
        let x = [1.0, 2.0, 3.0, 4.0];
        let exact = deming(&x, &x.map(|x| 2.0 * x + 1.0), 1.0, 0.95).unwrap();
        assert!((exact.slope.estimate - 2.0).abs() < 1e-15 && exact.slope.standard_error < 1e-15);
        assert!(matches!(deming(&x, &[3.0; 4], 1.0, 0.95), Err(ModelError::NoSpread { .. })));
        assert!(matches!(deming(&x, &x, 0.0, 0.95), Err(ModelError::OutOfRange { .. })));
    }
}
