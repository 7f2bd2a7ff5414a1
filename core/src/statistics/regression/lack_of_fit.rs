//! Lack of fit against the scatter of replicates.

use super::linear_model::{LinearModel, Terms};
use crate::statistics::anova::FRatio;
use crate::statistics::double_double::{DoubleDouble, Moments, Observation, series};
use crate::statistics::model_error::ModelError;

/// Result of the lack-of-fit test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LackOfFit {
    /// Number of distinct x.
    pub levels: usize,
    /// Sum of squared residuals of the model.
    pub residual_ss: f64,
    /// Part of it that is scatter of replicates about their own mean.
    pub pure_error_ss: f64,
    /// The rest: means of replicates about the model.
    pub lack_of_fit_ss: f64,
    /// Levels minus coefficients.
    pub lack_of_fit_df: f64,
    /// Points minus levels.
    pub pure_error_df: f64,
    /// F test; `None` when replicates do not scatter at all.
    pub f_test: Option<FRatio>,
}

/// Tests whether a polynomial (degree 1: straight line) describes the means at each x.
///
/// # Formula
/// `SS_pe = ΣΣ(yᵢⱼ - ȳᵢ)²` over points of equal x, `SS_lof = SS_res - SS_pe`,
/// `F = (SS_lof/(k - p)) / (SS_pe/(n - k))` with k levels and p coefficients.
///
/// # Source
/// Any textbook of regression; NIST/SEMATECH e-Handbook 4.4.4.6 (from memory).
///
/// # Errors
/// No replicates at any x; not more levels than coefficients; what [`LinearModel::polynomial`] refuses.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::regression::lack_of_fit;
/// let x = [1.0, 1.0, 2.0, 2.0, 3.0, 3.0];
/// let y = [1.0, 1.1, 2.1, 1.9, 3.0, 3.1];
/// assert!(lack_of_fit(&x, &y, 1)?.f_test.is_some_and(|test| test.p > 0.05));
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn lack_of_fit<T: Observation, U: Observation>(x: &[T], y: &[U], degree: usize) -> Result<LackOfFit, ModelError> {
    let model = LinearModel::polynomial(x, y, degree, Terms::WithIntercept, None)?;
    let mut points: Vec<_> = series("x", x)?.into_iter().zip(series("y", y)?).collect();
    points.sort_by(|a, b| (a.0 - b.0).value().total_cmp(&0.0));
    let (mut levels, mut pure_error) = (0_usize, DoubleDouble::ZERO);
    for level in points.chunk_by(|a, b| a.0 == b.0) {
        let values: Vec<DoubleDouble> = level.iter().map(|(_, y)| *y).collect();
        pure_error = pure_error + Moments::of(&values).squares;
        levels += 1;
    }
    let coefficients = degree + 1;
    ModelError::need("levels of x (one more than coefficients)", coefficients + 1, levels)?;
    ModelError::need("points (one more than levels of x: replicates)", levels + 1, points.len())?;
    let lack_of_fit_df = (levels - coefficients) as f64;
    let pure_error_df = (points.len() - levels) as f64;
    let pure_error_ss = pure_error.value();
    let lack_of_fit_ss = (model.residual_ss - pure_error_ss).max(0.0);
    let f_test =
        FRatio::of((lack_of_fit_ss / lack_of_fit_df, lack_of_fit_df), (pure_error_ss / pure_error_df, pure_error_df))?;
    Ok(LackOfFit {
        levels,
        residual_ss: model.residual_ss,
        pure_error_ss,
        lack_of_fit_ss,
        lack_of_fit_df,
        pure_error_df,
        f_test,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_design_without_replicates_says_so() {
        let error = lack_of_fit(&[1.0, 2.0, 3.0, 4.0], &[1.0, 2.0, 3.1, 4.0], 1).unwrap_err();
        assert!(error.to_string().contains("replicates"), "{error}");
        let error = lack_of_fit(&[1.0, 1.0, 2.0, 2.0], &[1.0, 2.0, 3.1, 4.0], 1).unwrap_err();
        assert!(error.to_string().contains("levels"), "{error}");
    }
}
