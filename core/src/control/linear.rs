//! Dense linear equations, for the integral equations of run lengths.

use super::ControlError;

/// Solves A x = b by elimination with row pivoting; `a` holds the rows one after another.
///
/// # Errors
/// [`ControlError::NotConverged`] when the matrix is singular: the run length is then infinite.
pub(super) fn solve(mut a: Vec<f64>, mut b: Vec<f64>) -> Result<Vec<f64>, ControlError> {
    let n = b.len();
    for column in 0..n {
        let pivot = (column..n)
            .max_by(|&i, &k| a[i * n + column].abs().total_cmp(&a[k * n + column].abs()))
            .filter(|&i| a[i * n + column] != 0.0)
            .ok_or(ControlError::NotConverged { what: "integral equation of the run length", steps: n })?;
        if pivot != column {
            for k in 0..n {
                a.swap(pivot * n + k, column * n + k);
            }
            b.swap(pivot, column);
        }
        let (done, rest) = a.split_at_mut((column + 1) * n);
        let row = &done[column * n..];
        for (i, other) in rest.chunks_exact_mut(n).enumerate() {
            let factor = other[column] / row[column];
            if factor != 0.0 {
                for (x, y) in other[column..].iter_mut().zip(&row[column..]) {
                    *x -= factor * y;
                }
                b[column + 1 + i] -= factor * b[column];
            }
        }
    }
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|k| a[i * n + k] * b[k]).sum();
        b[i] = (b[i] - known) / a[i * n + i];
    }
    Ok(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equations_are_solved_with_exchange_of_rows() {
        // 2y + z = 7; x + y + z = 6; 2x + y − z = 1 has the solution 1, 2, 3.
        let x = solve(vec![0.0, 2.0, 1.0, 1.0, 1.0, 1.0, 2.0, 1.0, -1.0], vec![7.0, 6.0, 1.0]).unwrap();
        assert!(x.iter().zip([1.0, 2.0, 3.0]).all(|(got, want)| (got - want).abs() < 1e-14));
        assert!(solve(vec![1.0, 1.0, 1.0, 1.0], vec![1.0, 2.0]).is_err());
    }
}
