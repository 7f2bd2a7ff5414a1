//! Figures of regressions and comparisons of methods, field by field as core has them.

use ferrotitre_core::statistics::comparison::{BlandAltman, Deming, JackknifeEstimate, LinearityTest, PassingBablok};
use ferrotitre_core::statistics::regression::{
    Coefficient, CoefficientTest, InversePrediction, JointTest, LackOfFit, Leaving, LinearModel, Prediction,
    StraightLine, TolerancePassage,
};

use super::hypothesis::PValuesFigures;
use super::models::FRatioFigures;
use super::summaries::IntervalFigures;
use crate::wire::{Show, shown};

/// Where something leaves a tolerance.
#[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct LeavingFigures {
    /// already outside, leaves or stays inside.
    pub passage: &'static str,
    /// The x at which it leaves.
    pub x: Option<f64>,
}

impl Show<LeavingFigures> for Leaving {
    fn show(&self) -> LeavingFigures {
        match *self {
            Self::Already => LeavingFigures { passage: "already outside", x: None },
            Self::At(x) => LeavingFigures { passage: "leaves", x: Some(x) },
            Self::Never => LeavingFigures { passage: "stays inside", x: None },
        }
    }
}

shown! {
    /// An estimated coefficient.
    CoefficientFigures of Coefficient {
        /// Estimate.
        estimate: f64,
        /// Standard error.
        standard_error: f64,
    }

    /// Test of one coefficient against a stated value.
    CoefficientTestFigures of CoefficientTest {
        /// Estimate.
        estimate: f64,
        /// Value it is compared with.
        hypothesised: f64,
        /// Standard error.
        standard_error: f64,
        /// `(estimate - hypothesised)/standard_error`.
        t: f64,
        /// Degrees of freedom of the residuals.
        degrees_of_freedom: f64,
        /// Probabilities of t in both tails.
        p: PValuesFigures,
        /// Confidence interval of the coefficient.
        interval: IntervalFigures,
    }

    /// A fitted linear model.
    LinearModelFigures of LinearModel {
        /// Number of points.
        n: usize,
        /// Coefficients in the order of the terms, the constant first where there is one.
        coefficients: Vec<CoefficientFigures>,
        /// Observed minus fitted, in the order of the points.
        residuals: Vec<f64>,
        /// Sum of squared residuals (weighted where weights were given).
        residual_ss: f64,
        /// Number of points minus number of coefficients.
        degrees_of_freedom: f64,
        /// Residual standard deviation; for a weighted fit that of a point of weight 1.
        residual_sd: f64,
        /// Share of the sum of squares that the model explains: about the mean with a constant term, about zero without;
        /// null when there is nothing to explain.
        r_squared: Option<f64>,
        /// F test of all terms but the constant; null without residuals or without terms.
        f_test: Option<FRatioFigures>,
        /// Covariances of the coefficients, row by row.
        covariance: Vec<Vec<f64>>,
    }

    /// Result of the lack-of-fit test.
    LackOfFitFigures of LackOfFit {
        /// Number of distinct x.
        levels: usize,
        /// Sum of squared residuals of the model.
        residual_ss: f64,
        /// Part of it that is scatter of replicates about their own mean.
        pure_error_ss: f64,
        /// The rest: means of replicates about the model.
        lack_of_fit_ss: f64,
        /// Levels minus coefficients.
        lack_of_fit_df: f64,
        /// Points minus levels.
        pure_error_df: f64,
        /// F test; null when replicates do not scatter at all.
        f_test: Option<FRatioFigures>,
    }

    /// A straight line fitted by ordinary or weighted least squares.
    StraightLineFigures of StraightLine {
        /// Number of points.
        n: usize,
        /// Slope.
        slope: CoefficientFigures,
        /// Intercept.
        intercept: CoefficientFigures,
        /// Covariance of slope and intercept.
        covariance: f64,
        /// Residual standard deviation s(y/x); for a weighted fit that of a point of weight 1.
        residual_sd: f64,
        /// Sum of squared residuals.
        residual_ss: f64,
        /// n - 2.
        degrees_of_freedom: f64,
        /// Share of the sum of squares of y that the line explains; null for equal y.
        r_squared: Option<f64>,
        /// Correlation coefficient; null for equal y.
        correlation: Option<f64>,
        /// F test of the slope; null when all points lie on the line.
        f_test: Option<FRatioFigures>,
        /// Weighted mean of x.
        x_mean: f64,
        /// Weighted mean of y.
        y_mean: f64,
        /// Weighted sum of squares of x about its mean.
        sxx: f64,
        /// Sum of the weights; n without weights.
        weight_sum: f64,
        /// Observed minus fitted, in the order of the points.
        residuals: Vec<f64>,
    }

    /// The line and its bands at one x.
    PredictionFigures of Prediction {
        /// Where.
        x: f64,
        /// Value of the line.
        fitted: f64,
        /// Where the true line lies.
        confidence_band: IntervalFigures,
        /// Where the mean of further measurements lies.
        prediction_band: IntervalFigures,
    }

    /// An x read back from the line.
    InversePredictionFigures of InversePrediction {
        /// `(y₀ - a)/b`.
        x: f64,
        /// Standard uncertainty to first order.
        standard_uncertainty: f64,
        /// `x ± t·u`.
        approximate_interval: IntervalFigures,
        /// Exact interval by Fieller's theorem; null when the slope is not different from zero at that confidence (g >= 1):
        /// the set of x that agree with y₀ is then unbounded.
        interval: Option<IntervalFigures>,
        /// `(t s_b/b)²`: the approximation is good for g below about 0.05.
        g: f64,
    }

    /// Joint test of slope and intercept.
    JointTestFigures of JointTest {
        /// Stated slope.
        slope: f64,
        /// Stated intercept.
        intercept: f64,
        /// F with 2 and n - 2 degrees of freedom.
        test: FRatioFigures,
    }

    /// Passage of the line and of its bands.
    TolerancePassageFigures of TolerancePassage {
        /// The fitted line.
        line: LeavingFigures,
        /// The nearer edge of the confidence band.
        confidence_band: LeavingFigures,
        /// The nearer edge of the prediction band: the date to plan by.
        prediction_band: LeavingFigures,
        /// Confidence of both bands, two-sided.
        confidence: f64,
    }

    /// A coefficient of a comparison line with its jackknife standard error.
    JackknifeEstimateFigures of JackknifeEstimate {
        /// Estimate from all points.
        estimate: f64,
        /// Jackknife standard error.
        standard_error: f64,
        /// `estimate ± t(n-2) · standard error`.
        interval: IntervalFigures,
    }

    /// Result of a Deming regression.
    DemingFigures of Deming {
        /// Number of points.
        n: usize,
        /// Slope.
        slope: JackknifeEstimateFigures,
        /// Intercept.
        intercept: JackknifeEstimateFigures,
        /// Ratio of the error variances used, y over x.
        variance_ratio: f64,
        /// Correlation coefficient of the points.
        correlation: Option<f64>,
    }

    /// Largest cumulative sum of residual signs along the line.
    LinearityTestFigures of LinearityTest {
        /// `max |cusum| / √(L + 1)`: points above count √(L/l), points below -√(l/L), with l points above and L below.
        statistic: f64,
        /// Whether it stays below 1.36, the 5 % point of Kolmogorov and Smirnov.
        linear_at_5_percent: bool,
    }

    /// Result of a Passing-Bablok regression.
    PassingBablokFigures of PassingBablok {
        /// Number of points.
        n: usize,
        /// Slope: shifted median of the slopes of all pairs.
        slope: f64,
        /// Intercept: median of `y - slope x`.
        intercept: f64,
        /// Confidence interval of the slope; null when n is too small for the confidence.
        slope_interval: Option<IntervalFigures>,
        /// Confidence interval of the intercept; null when n is too small for the confidence.
        intercept_interval: Option<IntervalFigures>,
        /// Number of slopes below -1, the shift of the median.
        shift: usize,
        /// Test of linearity by the cumulative sum of residual signs.
        linearity: LinearityTestFigures,
    }

    /// Agreement of two methods.
    BlandAltmanFigures of BlandAltman {
        /// Number of pairs.
        n: usize,
        /// Mean difference, first minus second.
        mean_difference: f64,
        /// Confidence interval of the mean difference.
        mean_interval: IntervalFigures,
        /// Standard deviation of the differences.
        sd_difference: f64,
        /// Standard error of the mean difference.
        standard_error_mean: f64,
        /// Lower limit of agreement.
        lower_limit: f64,
        /// Upper limit of agreement.
        upper_limit: f64,
        /// Standard error of a limit as the paper gives it, `s√(3/n)`.
        standard_error_limit_1986: f64,
        /// Standard error of a limit, `s√(1/n + z²/(2(n-1)))`.
        standard_error_limit: f64,
        /// Confidence interval of the lower limit (from `standard_error_limit`).
        lower_limit_interval: IntervalFigures,
        /// Confidence interval of the upper limit.
        upper_limit_interval: IntervalFigures,
        /// Correlation of difference and mean of the pairs: far from 0 the limits depend on the level; null when one of
        /// both does not vary.
        proportional_correlation: Option<f64>,
    }
}
