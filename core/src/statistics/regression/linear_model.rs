//! Polynomial and multiple regression.

use super::least_squares::{Solution, solve};
use crate::statistics::anova::FRatio;
use crate::statistics::distribution::StudentT;
use crate::statistics::double_double::{DoubleDouble, Observation, series};
use crate::statistics::hypothesis::{Interval, PValues};
use crate::statistics::model_error::ModelError;

/// Whether the model has a constant term.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Terms {
    /// Constant term first, then the given terms.
    WithIntercept,
    /// Only the given terms: the line goes through the origin.
    WithoutIntercept,
}

/// An estimated coefficient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficient {
    /// Estimate.
    pub estimate: f64,
    /// Standard error.
    pub standard_error: f64,
}

/// Test of one coefficient against a stated value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CoefficientTest {
    /// Estimate.
    pub estimate: f64,
    /// Value it is compared with.
    pub hypothesised: f64,
    /// Standard error.
    pub standard_error: f64,
    /// `(estimate - hypothesised)/standard_error`.
    pub t: f64,
    /// Degrees of freedom of the residuals.
    pub degrees_of_freedom: f64,
    /// Probabilities of t in both tails.
    pub p: PValues,
    /// Confidence interval of the coefficient.
    pub interval: Interval,
}

impl CoefficientTest {
    pub(super) fn new(
        coefficient: Coefficient,
        hypothesised: f64,
        degrees_of_freedom: f64,
        confidence: f64,
    ) -> Result<Self, ModelError> {
        ModelError::finite("hypothesised value", hypothesised)?;
        ModelError::fraction("confidence", confidence)?;
        let Coefficient { estimate, standard_error } = coefficient;
        if standard_error <= 0.0 {
            return Err(ModelError::NoSpread {
                what: "the residuals",
                needed: "a test of a coefficient needs points that do not all lie on the line",
            });
        }
        let student = StudentT::new(degrees_of_freedom)?;
        let t = (estimate - hypothesised) / standard_error;
        let half = student.upper_quantile(0.5 * (1.0 - confidence))? * standard_error;
        let p = PValues::from_tails(student.cdf(t), student.sf(t));
        let interval = Interval::around(estimate, half, confidence);
        Ok(Self { estimate, hypothesised, standard_error, t, degrees_of_freedom, p, interval })
    }
}

/// A fitted linear model.
#[derive(Debug, Clone, PartialEq)]
pub struct LinearModel {
    /// Number of points.
    pub n: usize,
    /// Coefficients in the order of the terms, the constant first where there is one.
    pub coefficients: Vec<Coefficient>,
    /// Observed minus fitted, in the order of the points.
    pub residuals: Vec<f64>,
    /// Sum of squared residuals (weighted where weights were given).
    pub residual_ss: f64,
    /// Number of points minus number of coefficients.
    pub degrees_of_freedom: f64,
    /// Residual standard deviation; for a weighted fit that of a point of weight 1.
    pub residual_sd: f64,
    /// Share of the sum of squares that the model explains: about the mean with a constant term, about zero without;
    /// `None` when there is nothing to explain.
    pub r_squared: Option<f64>,
    /// F test of all terms but the constant; `None` without residuals or without terms.
    pub f_test: Option<FRatio>,
    /// Covariances of the coefficients, row by row.
    pub covariance: Vec<Vec<f64>>,
}

impl LinearModel {
    /// Multiple regression of `y` on the columns `terms`, optionally weighted.
    ///
    /// # Formula
    /// `b` minimises `Σ wᵢ(yᵢ - Σⱼ bⱼxⱼᵢ)²`; `s² = Σ w r²/(n - p)`; `cov(b) = s²(X'WX)⁻¹`.
    ///
    /// # Source
    /// Any textbook of regression; orthogonalisation: Björck 1967, BIT 7, 1 (from memory).
    ///
    /// # Errors
    /// Not more points than coefficients; columns of different length; a weight that is not positive; a column that is
    /// a combination of others; a value that is not finite.
    pub fn fit<T: Observation, U: Observation>(
        terms: &[Vec<T>],
        y: &[U],
        intercept: Terms,
        weights: Option<&[f64]>,
    ) -> Result<Self, ModelError> {
        for column in terms {
            ModelError::paired(("a term", column.len()), ("y", y.len()))?;
        }
        let columns = terms.iter().map(|column| series("term", column)).collect::<Result<Vec<_>, _>>()?;
        Self::fit_exact(columns, series("y", y)?, intercept, weights)
    }

    /// Polynomial of the given degree, with or without its constant term.
    ///
    /// # Formula
    /// [`LinearModel::fit`] with terms `x, x², …, x^degree`, powers taken with 32 digits.
    ///
    /// # Source
    /// As [`LinearModel::fit`].
    ///
    /// # Errors
    /// Degree outside 1 to 20; not more points than coefficients; fewer distinct `x` than coefficients.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::statistics::regression::{LinearModel, Terms};
    /// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 1.9, 5.2, 9.8, 17.1]);
    /// let model = LinearModel::polynomial(&x, &y, 2, Terms::WithIntercept, None)?;
    /// assert_eq!((model.coefficients.len(), model.degrees_of_freedom), (3, 2.0));
    /// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
    /// ```
    pub fn polynomial<T: Observation, U: Observation>(
        x: &[T],
        y: &[U],
        degree: usize,
        intercept: Terms,
        weights: Option<&[f64]>,
    ) -> Result<Self, ModelError> {
        if !(1..=20).contains(&degree) {
            return Err(ModelError::OutOfRange { name: "degree", rule: "between 1 and 20", value: degree as f64 });
        }
        ModelError::paired(("x", x.len()), ("y", y.len()))?;
        let x = series("x", x)?;
        let mut columns = vec![x.clone()];
        for power in 1..degree {
            let next = columns[power - 1].iter().zip(&x).map(|(a, b)| *a * *b).collect();
            columns.push(next);
        }
        Self::fit_exact(columns, series("y", y)?, intercept, weights)
    }

    pub(super) fn fit_exact(
        mut columns: Vec<Vec<DoubleDouble>>,
        y: Vec<DoubleDouble>,
        intercept: Terms,
        weights: Option<&[f64]>,
    ) -> Result<Self, ModelError> {
        let n = y.len();
        if intercept == Terms::WithIntercept {
            columns.insert(0, vec![DoubleDouble::ONE; n]);
        }
        let terms = columns.len();
        ModelError::need("terms", 1, terms)?;
        ModelError::need("points (one more than coefficients)", terms + 1, n)?;
        let roots = weight_roots(weights, n)?;
        let scaled = |values: &[DoubleDouble]| -> Vec<DoubleDouble> {
            values.iter().zip(&roots).map(|(x, root)| *x * *root).collect()
        };
        let weighted_y = scaled(&y);
        let explained_about = if intercept == Terms::WithIntercept {
            let weight = DoubleDouble::sum(roots.iter().map(|root| root.square()));
            DoubleDouble::sum(weighted_y.iter().zip(&roots).map(|(y, root)| *y * *root)) / weight
        } else {
            DoubleDouble::ZERO
        };
        let total = DoubleDouble::sum(y.iter().zip(&roots).map(|(y, root)| ((*y - explained_about) * *root).square()));
        let solution = solve(columns.iter().map(|column| scaled(column)).collect(), weighted_y)?;
        Self::from_solution(&solution, &roots, total, intercept)
    }

    fn from_solution(
        solution: &Solution,
        roots: &[DoubleDouble],
        total: DoubleDouble,
        intercept: Terms,
    ) -> Result<Self, ModelError> {
        let (n, terms) = (roots.len(), solution.coefficients.len());
        let degrees_of_freedom = (n - terms) as f64;
        let residual_variance = solution.residual_squares / DoubleDouble::from(degrees_of_freedom);
        let coefficients = solution
            .coefficients
            .iter()
            .zip(&solution.inverse)
            .enumerate()
            .map(|(i, (b, row))| Coefficient {
                estimate: b.value(),
                standard_error: (residual_variance * row[i]).sqrt().value(),
            })
            .collect();
        let model_df = (terms - usize::from(intercept == Terms::WithIntercept)) as f64;
        let model_ms = (total - solution.residual_squares).value().max(0.0) / model_df.max(1.0);
        let f_test = if model_df > 0.0 {
            FRatio::of((model_ms, model_df), (residual_variance.value(), degrees_of_freedom))?
        } else {
            None
        };
        Ok(Self {
            n,
            coefficients,
            residuals: solution.residuals.iter().zip(roots).map(|(r, root)| (*r / *root).value()).collect(),
            residual_ss: solution.residual_squares.value(),
            degrees_of_freedom,
            residual_sd: residual_variance.sqrt().value(),
            r_squared: (total.value() > 0.0)
                .then(|| (DoubleDouble::ONE - solution.residual_squares / total).value().max(0.0)),
            f_test,
            covariance: solution
                .inverse
                .iter()
                .map(|row| row.iter().map(|v| (*v * residual_variance).value()).collect())
                .collect(),
        })
    }

    /// Test of the coefficient at `index` (from 0) against a stated value.
    ///
    /// # Errors
    /// No such coefficient; residuals that are all zero; confidence outside (0, 1).
    pub fn coefficient_test(
        &self,
        index: usize,
        hypothesised: f64,
        confidence: f64,
    ) -> Result<CoefficientTest, ModelError> {
        let coefficient = self.coefficients.get(index).ok_or(ModelError::NoSolution {
            what: "the test of a coefficient",
            reason: "the model has no coefficient at that index",
        })?;
        CoefficientTest::new(*coefficient, hypothesised, self.degrees_of_freedom, confidence)
    }
}

/// Roots of the weights; ones without weights.
fn weight_roots(weights: Option<&[f64]>, n: usize) -> Result<Vec<DoubleDouble>, ModelError> {
    let Some(weights) = weights else { return Ok(vec![DoubleDouble::ONE; n]) };
    ModelError::paired(("weights", weights.len()), ("y", n))?;
    weights.iter().map(|w| ModelError::positive("weight", *w).map(|w| DoubleDouble::from(w).sqrt())).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_term_that_repeats_another_is_named() {
        let terms = [vec![1.0, 2.0, 3.0, 4.0], vec![3.0, 5.0, 7.0, 9.0]];
        let fit = LinearModel::fit(&terms, &[1.0, 2.0, 2.5, 4.0], Terms::WithIntercept, None);
        assert_eq!(fit.unwrap_err(), ModelError::Collinear { term: 3 });
        let constant = LinearModel::fit(&[vec![2.0; 4]], &[1.0, 2.0, 2.5, 4.0], Terms::WithIntercept, None);
        assert_eq!(constant.unwrap_err(), ModelError::Collinear { term: 2 });
    }

    #[test]
    fn too_few_points_and_bad_weights_are_refused() {
        let fit = |weights| LinearModel::fit(&[vec![1.0, 2.0, 3.0]], &[1.0, 2.0, 2.5], Terms::WithIntercept, weights);
        assert!(matches!(fit(Some(&[1.0, 0.0, 1.0])), Err(ModelError::OutOfRange { name: "weight", .. })));
        assert!(matches!(fit(Some(&[1.0, 1.0])), Err(ModelError::LengthsDiffer { .. })));
        assert!(fit(None).is_ok());
        let two = LinearModel::polynomial(&[1.0, 2.0], &[1.0, 2.0], 1, Terms::WithIntercept, None);
        assert!(matches!(two, Err(ModelError::NotEnoughData { needed: 3, found: 2, .. })));
    }

    #[test]
    fn whole_number_weights_act_as_repeated_points_on_the_coefficients() {
        let (x, y) = (vec![1.0, 2.0, 4.0, 5.0], [1.1, 1.9, 4.2, 4.8]);
        let weighted = LinearModel::fit(&[x], &y, Terms::WithIntercept, Some(&[1.0, 3.0, 2.0, 1.0])).unwrap();
        let repeated = LinearModel::fit(
            &[vec![1.0, 2.0, 2.0, 2.0, 4.0, 4.0, 5.0]],
            &[1.1, 1.9, 1.9, 1.9, 4.2, 4.2, 4.8],
            Terms::WithIntercept,
            None,
        )
        .unwrap();
        for (a, b) in weighted.coefficients.iter().zip(&repeated.coefficients) {
            assert!((a.estimate - b.estimate).abs() < 1e-15 * b.estimate.abs().max(1.0));
        }
        assert!((weighted.residual_ss / repeated.residual_ss - 1.0).abs() < 1e-14);
    }
}
