//! Tests of normality: Shapiro-Wilk and Anderson-Darling.

use crate::statistics::distribution::Normal;
use crate::statistics::double_double::{DoubleDouble, Moments, Observation, series};
use crate::statistics::model_error::ModelError;
use crate::statistics::noncentral_t::ln_normal_cdf;

/// Result of the Shapiro-Wilk test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShapiroWilk {
    /// Statistic W, at most 1; small when the data are not normal.
    pub w: f64,
    /// Approximate probability of so small a W from normal data.
    pub p: f64,
    /// Number of values.
    pub n: usize,
}

/// Result of the Anderson-Darling test with estimated mean and standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AndersonDarling {
    /// Statistic A².
    pub a_squared: f64,
    /// `A²(1 + 0.75/n + 2.25/n²)`.
    pub a_squared_adjusted: f64,
    /// Approximate probability of so large a statistic from normal data.
    pub p: f64,
    /// Number of values.
    pub n: usize,
}

/// Values in ascending order as deviations from their mean, and their moments.
fn sorted<T: Observation>(needed: usize, values: &[T]) -> Result<(Vec<f64>, f64), ModelError> {
    ModelError::need("values", needed, values.len())?;
    let exact: Vec<DoubleDouble> = series("values", values)?;
    let moments = Moments::of(&exact);
    let mut deviations: Vec<f64> = exact.iter().map(|x| (*x - moments.mean).value()).collect();
    deviations.sort_by(f64::total_cmp);
    if moments.squares.value() <= 0.0 {
        return Err(ModelError::NoSpread {
            what: "the values",
            needed: "a test of normality needs values that differ",
        });
    }
    Ok((deviations, moments.squares.value()))
}

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().rev().fold(0.0, |sum, c| sum * x + c)
}

/// Upper half of Royston's weights, largest first.
fn royston_weights(n: usize) -> Result<Vec<f64>, ModelError> {
    if n == 3 {
        return Ok(vec![std::f64::consts::FRAC_1_SQRT_2]);
    }
    let count = n as f64;
    let scores = (1..=n / 2)
        .map(|i| Normal.upper_quantile((i as f64 - 0.375) / (count + 0.25)))
        .collect::<Result<Vec<f64>, _>>()?;
    let squares = 2.0 * scores.iter().map(|m| m * m).sum::<f64>();
    let (length, u) = (squares.sqrt(), 1.0 / count.sqrt());
    let first = scores[0] / length + polynomial(&[0.0, 0.221_157, -0.147_981, -2.071_19, 4.434_685, -2.706_056], u);
    let mut weights = vec![first];
    let mut rest = squares - 2.0 * scores[0] * scores[0];
    let mut norm = 1.0 - 2.0 * first * first;
    if n > 5 {
        let second =
            scores[1] / length + polynomial(&[0.0, 0.042_981, -0.293_762, -1.752_461, 5.682_633, -3.582_633], u);
        weights.push(second);
        rest -= 2.0 * scores[1] * scores[1];
        norm -= 2.0 * second * second;
    }
    let factor = (rest / norm).sqrt();
    weights.extend(scores.iter().skip(weights.len()).map(|m| m / factor));
    Ok(weights)
}

/// Shapiro-Wilk test.
///
/// # Formula
/// `W = (Σ aᵢ x₍ᵢ₎)²/Σ(x - x̄)²` with Royston's polynomial weights; p from his normalising transformation of 1 - W; exact
/// for n = 3.
///
/// # Source
/// Royston 1995, Algorithm AS R94, Applied Statistics 44, 547 (from memory; checked against SciPy's translation).
///
/// # Errors
/// Fewer than 3 or more than 5000 values; values that are all equal; a value that is not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::normality::shapiro_wilk;
/// let test = shapiro_wilk(&[52.41, 52.33, 52.38, 52.22, 52.29, 52.25, 52.47, 52.40])?;
/// assert!(test.w > 0.9 && test.p > 0.05);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn shapiro_wilk<T: Observation>(values: &[T]) -> Result<ShapiroWilk, ModelError> {
    let n = values.len();
    if n > 5000 {
        return Err(ModelError::OutOfRange { name: "number of values", rule: "at most 5000", value: n as f64 });
    }
    let (deviations, squares) = sorted(3, values)?;
    let weights = royston_weights(n)?;
    let contrast: f64 = weights
        .iter()
        .zip(deviations.iter().zip(deviations.iter().rev()))
        .map(|(a, (low, high))| a * (high - low))
        .sum();
    let w = (contrast * contrast / squares).min(1.0);
    Ok(ShapiroWilk { w, p: shapiro_wilk_p(w, n), n })
}

fn shapiro_wilk_p(w: f64, n: usize) -> f64 {
    use std::f64::consts::{FRAC_PI_3, PI};
    if n == 3 {
        return (6.0 / PI * (w.sqrt().asin() - FRAC_PI_3)).max(0.0);
    }
    if w >= 1.0 {
        return 1.0;
    }
    let (y, count) = ((1.0 - w).ln(), n as f64);
    let (y, mean, sd) = if n <= 11 {
        let gamma = polynomial(&[-2.273, 0.459], count);
        if y >= gamma {
            return 0.0;
        }
        let mean = polynomial(&[0.544, -0.399_78, 0.025_054, -6.714e-4], count);
        (-(gamma - y).ln(), mean, polynomial(&[1.3822, -0.778_57, 0.062_767, -0.002_032_2], count).exp())
    } else {
        let x = count.ln();
        let mean = polynomial(&[-1.5861, -0.310_82, -0.083_751, 0.003_891_5], x);
        (y, mean, polynomial(&[-0.4803, -0.082_676, 0.003_030_2], x).exp())
    };
    Normal.sf((y - mean) / sd)
}

/// Anderson-Darling test of normality, mean and standard deviation estimated from the data.
///
/// # Formula
/// `A² = -n - (1/n) Σ(2i-1)(ln Φ(zᵢ) + ln(1 - Φ(z₍ₙ₊₁₋ᵢ₎)))`, z = (x - x̄)/s; p from the adjusted statistic in four
/// pieces.
///
/// # Source
/// Stephens in D'Agostino and Stephens 1986, table 4.9 (from memory; checked against statsmodels).
///
/// # Errors
/// Fewer than 8 values (the p approximation is not given for less); values that are all equal; a value not finite.
pub fn anderson_darling<T: Observation>(values: &[T]) -> Result<AndersonDarling, ModelError> {
    let n = values.len();
    let (deviations, squares) = sorted(8, values)?;
    let count = n as f64;
    let sd = (squares / (count - 1.0)).sqrt();
    // ln(1 - Φ(z)) as ln Φ(-z): a far outlier keeps its weight.
    let sum: f64 = deviations
        .iter()
        .zip(deviations.iter().rev())
        .enumerate()
        .map(|(i, (low, high))| (2.0 * i as f64 + 1.0) * (ln_normal_cdf(low / sd) + ln_normal_cdf(-high / sd)))
        .sum();
    let a_squared = -count - sum / count;
    let a = a_squared * (1.0 + 0.75 / count + 2.25 / (count * count));
    let p = if a >= 0.6 {
        // The published parabola turns up again far out; hold it at its lowest point there.
        let a = a.min(5.709 / (2.0 * 0.0186));
        (1.2937 - 5.709 * a + 0.0186 * a * a).exp()
    } else if a > 0.34 {
        (0.9177 - 4.279 * a - 1.38 * a * a).exp()
    } else if a > 0.2 {
        1.0 - (-8.318 + 42.796 * a - 59.938 * a * a).exp()
    } else {
        1.0 - (-13.436 + 101.14 * a - 223.73 * a * a).exp()
    };
    Ok(AndersonDarling { a_squared, a_squared_adjusted: a, p: p.clamp(0.0, 1.0), n })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn w_is_one_for_values_on_the_weights_and_never_more() {
        let evenly = shapiro_wilk(&[1.0, 2.0, 3.0]).unwrap();
        assert!((evenly.w - 1.0).abs() < 1e-15 && (evenly.p - 1.0).abs() < 1e-7);
        // The least W of three values is 3/4, where p is 0 (Shapiro and Wilk 1965, from memory).
        let corner = shapiro_wilk(&[0.0, 0.0, 1.0]).unwrap();
        assert!((corner.w - 0.75).abs() < 1e-15 && corner.p < 1e-7);
    }

    #[test]
    fn data_that_cannot_be_tested_are_refused() {
        assert!(matches!(shapiro_wilk(&[1.0, 2.0]), Err(ModelError::NotEnoughData { needed: 3, .. })));
        assert!(matches!(shapiro_wilk(&[1.0; 10]), Err(ModelError::NoSpread { .. })));
        assert!(matches!(shapiro_wilk(&vec![0.0; 5001]), Err(ModelError::OutOfRange { .. })));
        assert!(matches!(anderson_darling(&[1.0; 7]), Err(ModelError::NotEnoughData { needed: 8, .. })));
        let outlier: Vec<f64> = (0..5000).map(|i| if i == 0 { 1e12 } else { f64::from(i % 7) }).collect();
        let test = anderson_darling(&outlier).unwrap();
        assert!(test.a_squared.is_finite() && test.p < 1e-10);
    }
}
