//! The straight line: calibration, found against taken, titrant factor against time.

use super::linear_model::{Coefficient, CoefficientTest, LinearModel, Terms};
use crate::statistics::anova::FRatio;
use crate::statistics::distribution::StudentT;
use crate::statistics::double_double::{DoubleDouble, Observation, series};
use crate::statistics::hypothesis::Interval;
use crate::statistics::model_error::ModelError;

/// A straight line fitted by ordinary or weighted least squares.
#[derive(Debug, Clone, PartialEq)]
pub struct StraightLine {
    /// Number of points.
    pub n: usize,
    /// Slope.
    pub slope: Coefficient,
    /// Intercept.
    pub intercept: Coefficient,
    /// Covariance of slope and intercept.
    pub covariance: f64,
    /// Residual standard deviation s(y/x); for a weighted fit that of a point of weight 1.
    pub residual_sd: f64,
    /// Sum of squared residuals.
    pub residual_ss: f64,
    /// n - 2.
    pub degrees_of_freedom: f64,
    /// Share of the sum of squares of y that the line explains; `None` for equal y.
    pub r_squared: Option<f64>,
    /// Correlation coefficient; `None` for equal y.
    pub correlation: Option<f64>,
    /// F test of the slope; `None` when all points lie on the line.
    pub f_test: Option<FRatio>,
    /// Weighted mean of x.
    pub x_mean: f64,
    /// Weighted mean of y.
    pub y_mean: f64,
    /// Weighted sum of squares of x about its mean.
    pub sxx: f64,
    /// Sum of the weights; n without weights.
    pub weight_sum: f64,
    /// Observed minus fitted, in the order of the points.
    pub residuals: Vec<f64>,
}

/// The line and its bands at one x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// Where.
    pub x: f64,
    /// Value of the line.
    pub fitted: f64,
    /// Where the true line lies.
    pub confidence_band: Interval,
    /// Where the mean of further measurements lies.
    pub prediction_band: Interval,
}

/// An x read back from the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InversePrediction {
    /// `(y₀ - a)/b`.
    pub x: f64,
    /// Standard uncertainty to first order.
    pub standard_uncertainty: f64,
    /// `x ± t·u`.
    pub approximate_interval: Interval,
    /// Exact interval by Fieller's theorem; `None` when the slope is not different from zero at that confidence (g >= 1):
    /// the set of x that agree with y₀ is then unbounded.
    pub interval: Option<Interval>,
    /// `(t s_b/b)²`: the approximation is good for g below about 0.05.
    pub g: f64,
}

/// Joint test of slope and intercept.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointTest {
    /// Stated slope.
    pub slope: f64,
    /// Stated intercept.
    pub intercept: f64,
    /// F with 2 and n - 2 degrees of freedom.
    pub test: FRatio,
}

/// What both bands have in common at every x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Bands {
    /// `t·s`.
    pub(super) factor: f64,
    /// Reciprocal number of further measurements whose mean is predicted.
    pub(super) reciprocal_further: f64,
}

impl StraightLine {
    /// Fits a line, optionally with weights proportional to the reciprocal variance of each y.
    ///
    /// # Formula
    /// `b = Sxy/Sxx`, `a = ȳ - b x̄`, `s² = Σ w r²/(n-2)`, `s_b = s/√Sxx`, `s_a = s √(1/Σw + x̄²/Sxx)`, weighted means
    /// and sums.
    ///
    /// # Source
    /// Any textbook of regression; weights: Miller and Miller, Statistics and Chemometrics (from memory).
    ///
    /// # Errors
    /// Fewer than three points; all x equal; a weight that is not positive; a value that is not finite.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::statistics::regression::StraightLine;
    /// let taken = [20.0, 40.0, 60.0, 80.0, 100.0];
    /// let found = [20.02, 39.97, 60.05, 80.01, 99.94];
    /// let line = StraightLine::fit(&taken, &found, None)?;
    /// assert!(line.slope_test(1.0, 0.95)?.interval.contains(1.0));
    /// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
    /// ```
    pub fn fit<T: Observation, U: Observation>(x: &[T], y: &[U], weights: Option<&[f64]>) -> Result<Self, ModelError> {
        ModelError::paired(("x", x.len()), ("y", y.len()))?;
        ModelError::need("points", 3, x.len())?;
        let (x, y) = (series("x", x)?, series("y", y)?);
        let model =
            LinearModel::fit_exact(vec![x.clone()], y.clone(), Terms::WithIntercept, weights).map_err(|error| {
                match error {
                    ModelError::Collinear { .. } => {
                        ModelError::NoSpread { what: "the x values", needed: "a line needs at least two different x" }
                    }
                    other => other,
                }
            })?;
        let weight = |i: usize| DoubleDouble::from(weights.and_then(|w| w.get(i)).copied().unwrap_or(1.0));
        let weighted =
            |values: &[DoubleDouble]| DoubleDouble::sum(values.iter().enumerate().map(|(i, value)| *value * weight(i)));
        let weight_sum = DoubleDouble::sum((0..x.len()).map(weight));
        let (x_mean, y_mean) = (weighted(&x) / weight_sum, weighted(&y) / weight_sum);
        let squares: Vec<DoubleDouble> = x.iter().map(|x| (*x - x_mean).square()).collect();
        let (intercept, slope) = (model.coefficients[0], model.coefficients[1]);
        let sign = if slope.estimate < 0.0 { -1.0 } else { 1.0 };
        Ok(Self {
            n: x.len(),
            slope,
            intercept,
            covariance: model.covariance[0][1],
            residual_sd: model.residual_sd,
            residual_ss: model.residual_ss,
            degrees_of_freedom: model.degrees_of_freedom,
            r_squared: model.r_squared,
            correlation: model.r_squared.map(|r2| sign * r2.sqrt()),
            f_test: model.f_test,
            x_mean: x_mean.value(),
            y_mean: y_mean.value(),
            sxx: weighted(&squares).value(),
            weight_sum: weight_sum.value(),
            residuals: model.residuals,
        })
    }

    /// Value of the line at `x`, written about the centre of the data so that no digits cancel.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        self.y_mean + self.slope.estimate * (x - self.x_mean)
    }

    /// Bands for the mean of `further` measurements (of weight 1) at a given confidence.
    pub(super) fn bands(&self, further: usize, confidence: f64) -> Result<Bands, ModelError> {
        ModelError::need("further measurements", 1, further)?;
        let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
        let t = StudentT::new(self.degrees_of_freedom)?.upper_quantile(tail)?;
        Ok(Bands { factor: t * self.residual_sd, reciprocal_further: 1.0 / further as f64 })
    }

    /// The line with both bands at `x`; the prediction band is that of the mean of `further` measurements.
    ///
    /// # Formula
    /// `ŷ ± t s √(1/Σw + (x-x̄)²/Sxx)` and `ŷ ± t s √(1/m + 1/Σw + (x-x̄)²/Sxx)`.
    ///
    /// # Source
    /// Any textbook of regression.
    ///
    /// # Errors
    /// No further measurement; confidence outside (0, 1); `x` not finite.
    pub fn predict(&self, x: f64, further: usize, confidence: f64) -> Result<Prediction, ModelError> {
        ModelError::finite("x", x)?;
        let bands = self.bands(further, confidence)?;
        let fitted = self.at(x);
        let of_line = 1.0 / self.weight_sum + (x - self.x_mean).powi(2) / self.sxx;
        let half = |variance: f64| bands.factor * variance.sqrt();
        Ok(Prediction {
            x,
            fitted,
            confidence_band: Interval::around(fitted, half(of_line), confidence),
            prediction_band: Interval::around(fitted, half(of_line + bands.reciprocal_further), confidence),
        })
    }

    /// x that belongs to the mean `y` of `replicates` measurements.
    ///
    /// # Formula
    /// `x₀ = x̄ + (y₀-ȳ)/b`; `u = (s/|b|) √(1/m + 1/Σw + (y₀-ȳ)²/(b²Sxx))`; exact interval
    /// `x̄ + (d ± (t s/|b|) √((1-g)(1/m + 1/Σw) + d²/Sxx))/(1-g)` with `d = (y₀-ȳ)/b`, `g = t²s²/(b²Sxx)`.
    ///
    /// # Source
    /// Miller and Miller (u); Fieller 1954 (interval); from memory.
    ///
    /// # Errors
    /// No replicate; a slope of exactly zero; confidence outside (0, 1).
    pub fn inverse(&self, y: f64, replicates: usize, confidence: f64) -> Result<InversePrediction, ModelError> {
        ModelError::finite("y", y)?;
        let bands = self.bands(replicates, confidence)?;
        let slope = self.slope.estimate;
        if slope == 0.0 {
            return Err(ModelError::NoSolution { what: "the x of a given y", reason: "the slope is zero" });
        }
        let d = (y - self.y_mean) / slope;
        let base = bands.reciprocal_further + 1.0 / self.weight_sum;
        let standard_uncertainty = self.residual_sd / slope.abs() * (base + d * d / self.sxx).sqrt();
        let half = bands.factor / slope.abs();
        let g = half * half / self.sxx;
        let x = self.x_mean + d;
        let t = if self.residual_sd > 0.0 { bands.factor / self.residual_sd } else { 0.0 };
        let interval = (g < 1.0).then(|| {
            let exact_half = half * ((1.0 - g) * base + d * d / self.sxx).sqrt() / (1.0 - g);
            Interval::around(self.x_mean + d / (1.0 - g), exact_half, confidence)
        });
        let approximate_interval = Interval::around(x, t * standard_uncertainty, confidence);
        Ok(InversePrediction { x, standard_uncertainty, approximate_interval, interval, g })
    }

    /// Test of the slope against a stated value, 1 for found against taken.
    ///
    /// # Errors
    /// All points on the line; confidence outside (0, 1).
    pub fn slope_test(&self, hypothesised: f64, confidence: f64) -> Result<CoefficientTest, ModelError> {
        CoefficientTest::new(self.slope, hypothesised, self.degrees_of_freedom, confidence)
    }

    /// Test of the intercept against a stated value, 0 for found against taken.
    ///
    /// # Errors
    /// All points on the line; confidence outside (0, 1).
    pub fn intercept_test(&self, hypothesised: f64, confidence: f64) -> Result<CoefficientTest, ModelError> {
        CoefficientTest::new(self.intercept, hypothesised, self.degrees_of_freedom, confidence)
    }

    /// Joint test of slope and intercept: their estimates are correlated, so two separate tests may both pass while the
    /// pair is impossible.
    ///
    /// # Formula
    /// `F = (Σw (ȳ - a₀ - b₀x̄)² + Sxx (b - b₀)²)/(2 s²)` with 2 and n - 2 degrees of freedom.
    ///
    /// # Source
    /// Mandel and Linnig 1957 (from memory).
    ///
    /// # Errors
    /// All points on the line.
    pub fn joint_test(&self, slope: f64, intercept: f64) -> Result<JointTest, ModelError> {
        ModelError::finite("stated slope", slope)?;
        ModelError::finite("stated intercept", intercept)?;
        let at_centre = self.y_mean - intercept - slope * self.x_mean;
        let squares = self.weight_sum * at_centre.powi(2) + self.sxx * (self.slope.estimate - slope).powi(2);
        let test = FRatio::of((0.5 * squares, 2.0), (self.residual_sd.powi(2), self.degrees_of_freedom))?;
        test.map(|test| JointTest { slope, intercept, test }).ok_or(ModelError::NoSpread {
            what: "the residuals",
            needed: "a test of a line needs points that do not all lie on it",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_flat_or_perfect_line_is_answered_honestly() {
        let flat = StraightLine::fit(&[1.0, 2.0, 3.0], &[5.0; 3], None).unwrap();
        assert_eq!((flat.slope.estimate, flat.r_squared, flat.correlation), (0.0, None, None));
        assert!(matches!(flat.inverse(5.0, 1, 0.95), Err(ModelError::NoSolution { .. })));
        assert!(matches!(flat.slope_test(1.0, 0.95), Err(ModelError::NoSpread { .. })));
        assert!(matches!(StraightLine::fit(&[2.0; 4], &[1.0, 2.0, 3.0, 4.0], None), Err(ModelError::NoSpread { .. })));
        assert!(matches!(StraightLine::fit(&[1.0, 2.0], &[1.0, 2.0], None), Err(ModelError::NotEnoughData { .. })));
    }

    #[test]
    fn the_exact_inverse_interval_is_where_the_prediction_band_meets_y() {
        let (x, y) = ([0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.0], [2.1, 5.0, 9.0, 12.6, 17.3, 21.0, 24.7]);
        let line = StraightLine::fit(&x, &y, None).unwrap();
        let interval = line.inverse(13.5, 4, 0.95).unwrap().interval.unwrap();
        let at_low = line.predict(interval.low, 4, 0.95).unwrap().prediction_band;
        let at_high = line.predict(interval.high, 4, 0.95).unwrap().prediction_band;
        assert!((at_low.high - 13.5).abs() < 1e-12 && (at_high.low - 13.5).abs() < 1e-12);
    }

    #[test]
    fn a_slope_that_may_be_zero_has_no_bounded_inverse() {
        let line = StraightLine::fit(&[1.0, 2.0, 3.0, 4.0], &[1.0, -1.0, 1.0, -0.5], None).unwrap();
        let inverse = line.inverse(0.0, 1, 0.95).unwrap();
        assert!(inverse.g >= 1.0 && inverse.interval.is_none());
    }
}
