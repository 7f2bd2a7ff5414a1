//! When a line, or one of its bands, leaves a tolerance.

use super::line::StraightLine;
use crate::statistics::model_error::ModelError;

/// A tolerance with one or two ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// Lower limit.
    pub low: Option<f64>,
    /// Upper limit.
    pub high: Option<f64>,
}

/// Where something leaves the tolerance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Leaving {
    /// It is outside already at the start.
    Already,
    /// It leaves at this x.
    At(f64),
    /// It stays inside for ever.
    Never,
}

/// Passage of the line and of its bands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TolerancePassage {
    /// The fitted line.
    pub line: Leaving,
    /// The nearer edge of the confidence band.
    pub confidence_band: Leaving,
    /// The nearer edge of the prediction band: the date to plan by.
    pub prediction_band: Leaving,
    /// Confidence of both bands, two-sided.
    pub confidence: f64,
}

/// First x from `start` on at which the line and the edges of its bands leave a tolerance.
///
/// # Formula
/// Lower edge at the limit L: with `u = x - x̄`, `h = ȳ - L`, half width `t s √(c + u²/Sxx)`:
/// `(b² - (ts)²/Sxx) u² + 2 b h u + h² - (ts)² c = 0`, `c = 1/n` (confidence) or `1 + 1/n` (prediction of one value).
/// The upper edge is the mirror image.
///
/// # Source
/// The bands of [`StraightLine::predict`] solved for x.
///
/// # Errors
/// A tolerance without any limit, or with the lower above the upper; confidence outside (0, 1); `start` not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::regression::{Leaving, StraightLine, Tolerance, tolerance_passage};
/// let days = [0.0, 7.0, 14.0, 21.0, 28.0, 35.0, 42.0];
/// let factor = [1.0004, 1.0000, 0.9993, 0.9990, 0.9983, 0.9981, 0.9974];
/// let line = StraightLine::fit(&days, &factor, None)?;
/// let limits = Tolerance { low: Some(0.9954), high: None };
/// let passage = tolerance_passage(&line, limits, 42.0, 0.95)?;
/// assert!(matches!(passage.prediction_band, Leaving::At(day) if (day - 64.1).abs() < 0.05));
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn tolerance_passage(
    line: &StraightLine,
    tolerance: Tolerance,
    start: f64,
    confidence: f64,
) -> Result<TolerancePassage, ModelError> {
    ModelError::finite("start", start)?;
    for limit in [tolerance.low, tolerance.high].into_iter().flatten() {
        ModelError::finite("tolerance limit", limit)?;
    }
    match (tolerance.low, tolerance.high) {
        (None, None) => return Err(ModelError::NotEnoughData { what: "limits of the tolerance", needed: 1, found: 0 }),
        (Some(low), Some(high)) if low >= high => {
            return Err(ModelError::OutOfRange { name: "upper limit", rule: "above the lower limit", value: high });
        }
        _ => {}
    }
    let bands = line.bands(1, confidence)?;
    let base = 1.0 / line.weight_sum;
    let first = |width: f64, base: f64| {
        let low = tolerance.low.map(|limit| lower_edge(line, limit, 1.0, (width, base), start));
        let high = tolerance.high.map(|limit| lower_edge(line, limit, -1.0, (width, base), start));
        earliest(low.unwrap_or(Leaving::Never), high.unwrap_or(Leaving::Never))
    };
    Ok(TolerancePassage {
        line: first(0.0, base),
        confidence_band: first(bands.factor, base),
        prediction_band: first(bands.factor, base + bands.reciprocal_further),
        confidence,
    })
}

fn earliest(a: Leaving, b: Leaving) -> Leaving {
    match (a, b) {
        (Leaving::Already, _) | (_, Leaving::Already) => Leaving::Already,
        (Leaving::Never, other) | (other, Leaving::Never) => other,
        (Leaving::At(a), Leaving::At(b)) => Leaving::At(a.min(b)),
    }
}

/// Where the lower edge falls below `limit`; with `sign` -1 the same for the mirrored problem.
///
/// The edge is concave, so it is at or above the limit on one interval (possibly without an end): the end of that
/// interval is the answer when `start` lies in it.
fn lower_edge(line: &StraightLine, limit: f64, sign: f64, (width, base): (f64, f64), start: f64) -> Leaving {
    let slope = sign * line.slope.estimate;
    let above = sign * (line.y_mean - limit);
    let distance = |u: f64| above + slope * u - width * (base + u * u / line.sxx).sqrt();
    if distance(start - line.x_mean) < 0.0 {
        return Leaving::Already;
    }
    let spread = width * width / line.sxx;
    let (a, b, c) = (slope * slope - spread, slope * above, above * above - width * width * base);
    let mut roots = Vec::with_capacity(2);
    if a == 0.0 {
        if b != 0.0 {
            roots.push(-0.5 * c / b);
        }
    } else {
        // b² - ac with its equal terms cancelled by hand: a narrow band would lose the root to rounding.
        let inner = base * a + above * above / line.sxx;
        if inner >= 0.0 {
            // The stable pair of roots: the sum in q never cancels.
            let q = -(b + (width * inner.sqrt()).copysign(b));
            roots.push(q / a);
            if q != 0.0 {
                roots.push(c / q);
            }
        }
    }
    // Squaring brought in the upper edge's crossings: above + slope u must not be negative at a true one.
    roots
        .into_iter()
        .filter(|u| above + slope * u >= -1e-12 * (above.abs() + (slope * u).abs()))
        .map(|u| line.x_mean + u)
        .filter(|x| *x >= start)
        .min_by(f64::total_cmp)
        .map_or(Leaving::Never, Leaving::At)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line() -> StraightLine {
        let days = [0.0, 7.0, 14.0, 21.0, 28.0, 35.0, 42.0];
        StraightLine::fit(&days, &[1.0004, 1.0000, 0.9993, 0.9990, 0.9983, 0.9981, 0.9974], None).unwrap()
    }

    #[test]
    fn a_limit_already_passed_and_one_that_is_never_met_are_told_apart() {
        let already = Tolerance { low: Some(0.9990), high: None };
        assert_eq!(tolerance_passage(&line(), already, 42.0, 0.95).unwrap().line, Leaving::Already);
        // The factor falls, so an upper limit is never met by the line, and by no band while the slope is certain.
        let upper = Tolerance { low: None, high: Some(1.01) };
        let passage = tolerance_passage(&line(), upper, 0.0, 0.95).unwrap();
        assert_eq!((passage.line, passage.prediction_band), (Leaving::Never, Leaving::Never));
        assert!(tolerance_passage(&line(), Tolerance { low: None, high: None }, 0.0, 0.95).is_err());
    }

    #[test]
    fn points_exactly_on_a_line_leave_with_all_bands_at_once() {
        // 1.0003 - 0.0001 x reaches 0.9954 at 49.
        let x: Vec<f64> = (0..8).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| 1.0003 - 0.0001 * x).collect();
        let line = StraightLine::fit(&x, &y, None).unwrap();
        let passage = tolerance_passage(&line, Tolerance { low: Some(0.9954), high: None }, 7.0, 0.95).unwrap();
        for leaving in [passage.line, passage.confidence_band, passage.prediction_band] {
            assert!(matches!(leaving, Leaving::At(x) if (x - 49.0).abs() < 1e-9), "{passage:?}");
        }
    }

    #[test]
    fn an_uncertain_slope_lets_both_bands_leave() {
        let line = StraightLine::fit(&[0.0, 1.0, 2.0, 3.0], &[1.00, 1.02, 0.99, 1.01], None).unwrap();
        let both = Tolerance { low: Some(0.5), high: Some(1.5) };
        let passage = tolerance_passage(&line, both, 3.0, 0.95).unwrap();
        assert!(matches!(passage.confidence_band, Leaving::At(x) if x > 3.0));
        if let (Leaving::At(p), Leaving::At(c)) = (passage.prediction_band, passage.confidence_band) {
            assert!(p < c);
            let band = line.predict(p, 1, 0.95).unwrap().prediction_band;
            assert!((band.low - 0.5).abs() < 1e-12 || (band.high - 1.5).abs() < 1e-12);
        } else {
            panic!("{passage:?}");
        }
    }

    #[test]
    fn a_mirrored_series_leaves_the_mirrored_tolerance_at_the_same_time() {
        let days = [0.0, 7.0, 14.0, 21.0, 28.0, 35.0, 42.0];
        let values = [0.0004, 0.0, -0.0007, -0.0010, -0.0017, -0.0019, -0.0026];
        let falling = StraightLine::fit(&days, &values, None).unwrap();
        let rising = StraightLine::fit(&days, &values.map(|y: f64| -y), None).unwrap();
        let low = tolerance_passage(&falling, Tolerance { low: Some(-0.0046), high: None }, 42.0, 0.95).unwrap();
        let high = tolerance_passage(&rising, Tolerance { low: None, high: Some(0.0046) }, 42.0, 0.95).unwrap();
        assert_eq!(low, high);
    }
}
