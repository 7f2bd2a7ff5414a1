//! Passing-Bablok regression: a line from the slopes of all pairs, insensitive to outliers and to the error variances.

use crate::statistics::distribution::Normal;
use crate::statistics::double_double::{DoubleDouble, Observation, series};
use crate::statistics::hypothesis::Interval;
use crate::statistics::model_error::ModelError;
use crate::statistics::trend::median_in_place;

/// Result of a Passing-Bablok regression.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PassingBablok {
    /// Number of points.
    pub n: usize,
    /// Slope: shifted median of the slopes of all pairs.
    pub slope: f64,
    /// Intercept: median of `y - slope x`.
    pub intercept: f64,
    /// Confidence interval of the slope; `None` when n is too small for the confidence.
    pub slope_interval: Option<Interval>,
    /// Confidence interval of the intercept; `None` when n is too small for the confidence.
    pub intercept_interval: Option<Interval>,
    /// Number of slopes below -1, the shift of the median.
    pub shift: usize,
    /// Test of linearity by the cumulative sum of residual signs.
    pub linearity: LinearityTest,
}

/// Largest cumulative sum of residual signs along the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinearityTest {
    /// `max |cusum| / √(L + 1)`: points above count √(L/l), points below -√(l/L), with l points above and L below.
    pub statistic: f64,
    /// Whether it stays below 1.36, the 5 % point of Kolmogorov and Smirnov.
    pub linear_at_5_percent: bool,
}

/// Most points accepted: beyond, the slopes of all pairs take too much memory.
const LARGEST: usize = 4000;

/// Passing-Bablok regression of y on x.
///
/// # Formula
/// Slopes `Sᵢⱼ` of all pairs without identical points and without slopes of exactly -1, sorted; K of them below -1;
/// `b` = median shifted up by K places; `C = z √(n(n-1)(2n+5)/18)`, `M₁ = round((N - C)/2)`, `M₂ = N - M₁ + 1`; interval
/// `S₍M₁₊K₎` to `S₍M₂₊K₎`; `a = median(y - b x)` and its interval with the ends of b.
///
/// # Source
/// Passing and Bablok 1983, J. Clin. Chem. Clin. Biochem. 21, 709 (from memory); checked against an independent
/// computation.
///
/// # Errors
/// Series of different length; fewer than three points, or more than 4000; no usable slope; confidence outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::comparison::passing_bablok;
/// let (old, new) = ([20.1, 35.3, 50.2, 65.4, 80.0], [20.0, 35.5, 50.1, 65.6, 90.3]);
/// assert!((passing_bablok(&old, &new, 0.95)?.slope - 1.0).abs() < 0.1);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn passing_bablok<T: Observation, U: Observation>(
    x: &[T],
    y: &[U],
    confidence: f64,
) -> Result<PassingBablok, ModelError> {
    ModelError::paired(("x", x.len()), ("y", y.len()))?;
    ModelError::need("points", 3, x.len())?;
    let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
    let n = x.len();
    if n > LARGEST {
        return Err(ModelError::OutOfRange { name: "number of points", rule: "at most 4000", value: n as f64 });
    }
    let (x, y) = (series("x", x)?, series("y", y)?);
    let slopes = sorted_slopes(&x, &y);
    if slopes.is_empty() {
        return Err(ModelError::NoSpread { what: "the points", needed: "a line needs points that differ" });
    }
    let count = slopes.len();
    let shift = slopes.iter().take_while(|slope| **slope < -1.0).count();
    // Ranks from 1; beyond the last slope the data do not bound the line.
    let ranked = |rank: usize| slopes.get(rank - 1).copied().filter(|slope| slope.is_finite());
    let slope = if count % 2 == 1 {
        ranked(count.div_ceil(2) + shift)
    } else {
        ranked(count / 2 + shift).zip(ranked(count / 2 + 1 + shift)).map(|(a, b)| 0.5 * (a + b))
    }
    .ok_or(ModelError::NoSolution { what: "the slope", reason: "most pairs of points give no finite rising slope" })?;
    let intercept_for = |slope: f64| {
        let mut rests: Vec<f64> =
            x.iter().zip(&y).map(|(x, y)| (*y - DoubleDouble::from(slope) * *x).value()).collect();
        median_in_place(&mut rests)
    };
    let size = n as f64;
    let half_width = Normal.upper_quantile(tail)? * (size * (size - 1.0) * (2.0 * size + 5.0) / 18.0).sqrt();
    let lower_rank = (0.5 * (count as f64 - half_width)).round();
    let slope_interval = (lower_rank >= 1.0)
        .then(|| (1..=count).take_while(|rank| *rank as f64 <= lower_rank).count())
        .and_then(|rank| ranked(rank + shift).zip(ranked(count - rank + 1 + shift)))
        .map(|(low, high)| Interval { low, high, confidence });
    let intercept = intercept_for(slope);
    Ok(PassingBablok {
        n,
        slope,
        intercept,
        slope_interval,
        intercept_interval: slope_interval.map(|b| Interval {
            low: intercept_for(b.high),
            high: intercept_for(b.low),
            confidence,
        }),
        shift,
        linearity: linearity(&x, &y, slope, intercept),
    })
}

/// Slopes of all pairs in ascending order, vertical ones as infinite.
fn sorted_slopes(x: &[DoubleDouble], y: &[DoubleDouble]) -> Vec<f64> {
    let mut slopes = Vec::with_capacity(x.len() * (x.len() - 1) / 2);
    for (i, (xi, yi)) in x.iter().zip(y).enumerate() {
        for (xj, yj) in x.iter().zip(y).skip(i + 1) {
            let (run, rise) = ((*xj - *xi), (*yj - *yi));
            if run != DoubleDouble::ZERO {
                let slope = (rise / run).value();
                if slope != -1.0 {
                    slopes.push(slope);
                }
            } else if rise != DoubleDouble::ZERO {
                slopes.push(if rise.value() > 0.0 { f64::INFINITY } else { f64::NEG_INFINITY });
            }
        }
    }
    slopes.sort_unstable_by(f64::total_cmp);
    slopes
}

/// Source: Passing and Bablok 1983, section 4 (from memory).
fn linearity(x: &[DoubleDouble], y: &[DoubleDouble], slope: f64, intercept: f64) -> LinearityTest {
    let scale = y.iter().map(|y| y.value().abs()).fold(0.0, f64::max);
    let mut points: Vec<(f64, f64)> = x
        .iter()
        .zip(y)
        .map(|(x, y)| {
            let residual = (*y - DoubleDouble::from(slope) * *x - DoubleDouble::from(intercept)).value();
            // Distance along the line; a residual of rounding size is a point on it.
            let along = x.value() + slope * y.value();
            (along, if residual.abs() <= 1e-14 * scale { 0.0 } else { residual.signum() })
        })
        .collect();
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let above = points.iter().filter(|p| p.1 > 0.0).count() as f64;
    let below = points.iter().filter(|p| p.1 < 0.0).count() as f64;
    if above == 0.0 || below == 0.0 {
        return LinearityTest { statistic: 0.0, linear_at_5_percent: true };
    }
    let (up, down) = ((below / above).sqrt(), (above / below).sqrt());
    let (mut sum, mut largest) = (0.0_f64, 0.0_f64);
    for (_, sign) in points {
        sum += if sign > 0.0 {
            up
        } else if sign < 0.0 {
            -down
        } else {
            0.0
        };
        largest = largest.max(sum.abs());
    }
    let statistic = largest / (below + 1.0).sqrt();
    LinearityTest { statistic, linear_at_5_percent: statistic < 1.36 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exchanging_the_methods_inverts_the_line() {
        let x = [1.0, 2.1, 3.4, 5.0, 6.2, 7.7, 8.1];
        let y = [1.3, 1.9, 3.9, 4.8, 6.6, 7.5, 8.8];
        let (forth, back) = (passing_bablok(&x, &y, 0.95).unwrap(), passing_bablok(&y, &x, 0.95).unwrap());
        assert!((forth.slope * back.slope - 1.0).abs() < 1e-14);
    }

    #[test]
    fn few_or_equal_points_are_answered_honestly() {
        let three = passing_bablok(&[1.0, 2.0, 3.0], &[1.0, 2.0, 3.0], 0.95).unwrap();
        assert_eq!((three.slope, three.intercept, three.slope_interval), (1.0, 0.0, None));
        assert!(matches!(passing_bablok(&[1.0; 3], &[2.0; 3], 0.95), Err(ModelError::NoSpread { .. })));
        assert!(matches!(
            passing_bablok(&[1.0; 3], &[1.0, 2.0, 3.0], 0.95),
            Err(ModelError::NoSolution { what: "the slope", .. })
        ));
    }
}
