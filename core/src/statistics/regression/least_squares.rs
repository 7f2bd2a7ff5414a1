//! Orthogonalisation with 32 digits.

use crate::statistics::double_double::DoubleDouble;
use crate::statistics::model_error::ModelError;

/// A column shorter than this, relative to its length before orthogonalisation, is a combination of earlier ones. The
/// arithmetic carries 1e-31; the hardest StRD design (Filip) leaves 1e-13.
const COLLINEAR: f64 = 1e-24;

/// Solution of a least squares problem.
#[derive(Debug, Clone)]
pub(super) struct Solution {
    pub(super) coefficients: Vec<DoubleDouble>,
    /// `(X'WX)⁻¹`.
    pub(super) inverse: Vec<Vec<DoubleDouble>>,
    /// Residuals multiplied by the root of their weight.
    pub(super) residuals: Vec<DoubleDouble>,
    pub(super) residual_squares: DoubleDouble,
}

fn dot(a: &[DoubleDouble], b: &[DoubleDouble]) -> DoubleDouble {
    DoubleDouble::sum(a.iter().zip(b).map(|(x, y)| *x * *y))
}

fn subtract(target: &mut [DoubleDouble], factor: DoubleDouble, direction: &[DoubleDouble]) {
    for (x, d) in target.iter_mut().zip(direction) {
        *x = *x - factor * *d;
    }
}

/// Solves for `y ≈ Σ bⱼ columnⱼ` by modified Gram-Schmidt on the design with `y` as its last column.
///
/// With `y` carried along, the method is as stable as Householder's (Björck 1967).
pub(super) fn solve(mut columns: Vec<Vec<DoubleDouble>>, y: Vec<DoubleDouble>) -> Result<Solution, ModelError> {
    let terms = columns.len();
    let lengths: Vec<f64> = columns.iter().map(|column| dot(column, column).sqrt().value()).collect();
    let mut upper = vec![vec![DoubleDouble::ZERO; terms]; terms];
    let mut projections = Vec::with_capacity(terms);
    let data_squares = dot(&y, &y);
    let mut residuals = y;
    for k in 0..terms {
        let (done, rest) = columns.split_at_mut(k + 1);
        let Some(current) = done.last_mut() else { continue };
        let length = dot(current, current).sqrt();
        if !length.value().is_finite() {
            return Err(ModelError::NoSolution { what: "the fit", reason: "the terms of the model overflow" });
        }
        if length.value() <= COLLINEAR * lengths[k] || lengths[k] == 0.0 {
            return Err(ModelError::Collinear { term: k + 1 });
        }
        current.iter_mut().for_each(|x| *x = *x / length);
        upper[k][k] = length;
        for (offset, column) in rest.iter_mut().enumerate() {
            let projection = dot(current, column);
            upper[k][k + 1 + offset] = projection;
            subtract(column, projection, current);
        }
        let projection = dot(current, &residuals);
        projections.push(projection);
        subtract(&mut residuals, projection, current);
    }
    let root = inverse_upper(&upper);
    let coefficients = root.iter().map(|row| dot(row, &projections)).collect();
    let inverse = root.iter().map(|a| root.iter().map(|b| dot(a, b)).collect()).collect();
    let residual_squares = dot(&residuals, &residuals).above_rounding(data_squares);
    if residual_squares == DoubleDouble::ZERO {
        residuals.fill(DoubleDouble::ZERO);
    }
    Ok(Solution { coefficients, inverse, residuals, residual_squares })
}

/// Inverse of an upper triangular matrix, built row by row from the last.
fn inverse_upper(upper: &[Vec<DoubleDouble>]) -> Vec<Vec<DoubleDouble>> {
    let n = upper.len();
    let mut inverse = vec![vec![DoubleDouble::ZERO; n]; n];
    for row in (0..n).rev() {
        let done: Vec<DoubleDouble> = (row..n)
            .map(|column| {
                let unit = if row == column { DoubleDouble::ONE } else { DoubleDouble::ZERO };
                let known = DoubleDouble::sum((row + 1..=column).map(|k| upper[row][k] * inverse[k][column]));
                (unit - known) / upper[row][row]
            })
            .collect();
        inverse[row][row..].copy_from_slice(&done);
    }
    inverse
}
