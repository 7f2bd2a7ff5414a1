//! The factor of a titrant lot in time: whether it drifts, when it leaves its tolerance, how long a factor may be kept.

use super::cusum::{Cusum, CusumPoint};
use super::{ControlError, require};
use crate::statistics::hypothesis::Interval;
use crate::statistics::model_error::ModelError;
use crate::statistics::regression::{CoefficientTest, StraightLine, Tolerance, TolerancePassage, tolerance_passage};
use crate::statistics::trend::{MannKendall, TheilSen, mann_kendall, theil_sen};

/// One standardisation of a lot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FactorPoint {
    /// Days since some fixed moment.
    pub day: f64,
    /// Concentration divided by the nominal one.
    pub factor: f64,
    /// Standard uncertainty of the factor.
    pub u: f64,
}

/// What a lot's factors tell; each answer stands for itself, because some need fewer points than others.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// Straight line of the factor against days; at least 3 points on different days.
    pub line: Result<StraightLine, ModelError>,
    /// Whether the slope differs from 0.
    pub slope: Result<CoefficientTest, ModelError>,
    /// Where line and bands leave the tolerance, searched from the last point on.
    pub passage: Result<TolerancePassage, ModelError>,
    /// Trend without a model.
    pub mann_kendall: Result<MannKendall, ModelError>,
    /// Slope that a single bad point does not turn.
    pub theil_sen: Result<TheilSen, ModelError>,
    /// Cumulative sums of (factor - first factor)/u, with k = 0.5 and h = 5.
    pub cusum: Result<Vec<CusumPoint>, ControlError>,
}

/// Decision interval of the cumulative sums of factors.
pub const CUSUM_H: f64 = 5.0;
/// Reference value of the cumulative sums of factors.
pub const CUSUM_K: f64 = 0.5;

/// Reads the factors of one lot, oldest first.
///
/// # Formula
/// Line and bands as in [`StraightLine`]; cumulative sums of `z = (f - f_1)/√(u² + u_1²)`: the first factor is itself
/// uncertain, so a step of its size is no sign of drift.
///
/// # Source
/// Mann-Kendall and Theil-Sen: see [`crate::statistics::trend`]; plan by the prediction band: common practice, no source.
///
/// # Example
/// ```
/// use ferrotitre_core::control::drift::{FactorPoint, drift};
/// use ferrotitre_core::statistics::regression::{Leaving, Tolerance};
/// let factors = [1.0004, 1.0000, 0.9993, 0.9990, 0.9983, 0.9981, 0.9974];
/// let points: Vec<_> =
///     factors.iter().zip(0..).map(|(f, week)| FactorPoint { day: 7.0 * f64::from(week), factor: *f, u: 1.2e-4 }).collect();
/// let read = drift(&points, Tolerance { low: Some(0.9954), high: None }, 0.95);
/// assert_eq!(read.mann_kendall.unwrap().s, -21);
/// assert!(matches!(read.passage.unwrap().prediction_band, Leaving::At(day) if (day - 64.1).abs() < 0.05));
/// ```
#[must_use]
pub fn drift(points: &[FactorPoint], tolerance: Tolerance, confidence: f64) -> Drift {
    let days: Vec<f64> = points.iter().map(|point| point.day).collect();
    let factors: Vec<f64> = points.iter().map(|point| point.factor).collect();
    let line = StraightLine::fit(&days, &factors, None);
    let slope = line.clone().and_then(|line| line.slope_test(0.0, confidence));
    let start = days.last().copied().unwrap_or(0.0);
    let passage = line.clone().and_then(|line| tolerance_passage(&line, tolerance, start, confidence));
    Drift {
        line,
        slope,
        passage,
        mann_kendall: mann_kendall(&factors),
        theil_sen: theil_sen(&days, &factors, confidence),
        cusum: cusum_of(points),
    }
}

fn cusum_of(points: &[FactorPoint]) -> Result<Vec<CusumPoint>, ControlError> {
    let Some(first) = points.first() else {
        return Err(ControlError::NotEnough { what: "the cumulative sums", needed: 2, found: 0 });
    };
    let standardised = points
        .iter()
        .map(|point| {
            let u = point.u.hypot(first.u);
            require("standard uncertainty of the factor", "finite and greater than 0", u, u.is_finite() && u > 0.0)?;
            Ok((point.factor - first.factor) / u)
        })
        .collect::<Result<Vec<f64>, ControlError>>()?;
    Cusum::new(CUSUM_K, CUSUM_H)?.chart(&standardised, 0.0)
}

/// What the factor in use does to results if the true one has moved on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effect {
    /// Factor the line gives for the moment.
    pub expected: f64,
    /// Where the line lies at that moment.
    pub confidence_band: Interval,
    /// Relative error of every result computed with the factor in use, per cent: positive when results are too high.
    pub percent: f64,
}

/// Effect on results of the factor in use at a day.
///
/// # Formula
/// `100 (f_used/f_line(day) - 1) %`
///
/// # Source
/// A result is proportional to the factor it is computed with.
///
/// # Errors
/// A factor that is not positive; a day that is not finite; confidence outside (0, 1).
pub fn effect(line: &StraightLine, in_use: f64, day: f64, confidence: f64) -> Result<Effect, ModelError> {
    if !(in_use.is_finite() && in_use > 0.0) {
        return Err(ModelError::OutOfRange { name: "factor in use", rule: "finite and greater than 0", value: in_use });
    }
    let predicted = line.predict(day, 1, confidence)?;
    let percent = 100.0 * (in_use / predicted.fitted - 1.0);
    Ok(Effect { expected: predicted.fitted, confidence_band: predicted.confidence_band, percent })
}

/// Factor at a moment between two standardisations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interpolated {
    /// On the straight line through both.
    pub factor: f64,
    /// Standard uncertainty, both factors taken as independent.
    pub u: f64,
}

/// Interpolates between the bracketing factors.
///
/// # Formula
/// `w = (t - t_1)/(t_2 - t_1)`, `f = (1 - w) f_1 + w f_2`, `u² = (1 - w)² u_1² + w² u_2²`
///
/// # Source
/// Linear interpolation; JCGM 100 5.1.2.
///
/// # Errors
/// A day outside the bracket; two factors of the same day.
pub fn interpolate(before: FactorPoint, after: FactorPoint, day: f64) -> Result<Interpolated, ControlError> {
    let width =
        require("distance of the factors", "greater than 0 days", after.day - before.day, after.day > before.day)?;
    let inside = (before.day..=after.day).contains(&day);
    let w = (require("day", "between both factors", day, inside)? - before.day) / width;
    Ok(Interpolated {
        factor: (1.0 - w) * before.factor + w * after.factor,
        u: ((1.0 - w) * before.u).hypot(w * after.u),
    })
}

/// How fast the knowledge of a factor goes stale; relative figures, all per day or per day^½.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Staleness {
    /// Steady drift b, relative, per day; its sign does not matter.
    pub drift_per_day: f64,
    /// Variance q of a random walk, relative, per day.
    pub walk_variance_per_day: f64,
}

/// Longest interval between standardisations that keeps the factor within its share of the uncertainty.
///
/// # Formula
/// `u_budget² = u_cal² + (b τ)²/3 + q τ`, solved for τ; infinite (`None`) if nothing drifts.
///
/// # Source
/// Drift as a rectangular distribution of half width b τ: JCGM 100 4.3.7; variance of a random walk. The rule itself:
/// common practice, no source.
///
/// # Errors
/// Uncertainties that are negative or not finite; `u_cal` not below `u_budget`: no interval is short enough.
pub fn longest_interval(u_budget: f64, u_cal: f64, staleness: Staleness) -> Result<Option<f64>, ControlError> {
    let usable = |value: f64| value.is_finite() && value >= 0.0;
    require("uncertainty of a standardisation", "finite and not negative", u_cal, usable(u_cal))?;
    require(
        "budget",
        "finite and above the uncertainty of a standardisation",
        u_budget,
        usable(u_budget) && u_budget > u_cal,
    )?;
    let (b, q) = (staleness.drift_per_day, staleness.walk_variance_per_day);
    require("drift per day", "finite", b, b.is_finite())?;
    require("walk variance per day", "finite and not negative", q, usable(q))?;
    let room = (u_budget - u_cal) * (u_budget + u_cal);
    let square = b * b / 3.0;
    Ok(if square == 0.0 && q == 0.0 {
        None
    } else {
        // The root without cancellation; for square = 0 it is room/q.
        Some(2.0 * room / (q + (q * q + 4.0 * square * room).sqrt()))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::regression::Leaving;

    /// Weekly factors of a permanganate lot, and what independent numerical code (SciPy) makes of them.
    fn weekly() -> Vec<FactorPoint> {
        [1.0004, 1.0000, 0.9993, 0.9990, 0.9983, 0.9981, 0.9974]
            .iter()
            .enumerate()
            .map(|(week, factor)| FactorPoint { day: 7.0 * week as f64, factor: *factor, u: 1.5e-4 })
            .collect()
    }

    #[test]
    fn a_permanganate_lot_reads_as_computed_independently() {
        let read = drift(&weekly(), Tolerance { low: Some(0.9954), high: None }, 0.95);
        let line = read.line.unwrap();
        assert!((line.slope.estimate - -7.0408e-5).abs() < 5e-10);
        assert!((line.slope.standard_error - 3.259e-6).abs() < 5e-10);
        assert!((line.residual_sd - 1.2071e-4).abs() < 5e-9);
        assert!((line.intercept.estimate - 1.000_407).abs() < 5e-7);
        let test = read.mann_kendall.unwrap();
        assert_eq!(test.s, -21);
        assert!((test.p.two_sided - 2.0 / 5040.0).abs() < 1e-15, "2/7!");
        assert!((read.theil_sen.unwrap().slope - -7.143e-5).abs() < 5e-9);
        let passage = read.passage.unwrap();
        for (leaving, day) in [(passage.line, 71.1), (passage.prediction_band, 64.1), (passage.confidence_band, 65.6)] {
            assert!(matches!(leaving, Leaving::At(x) if (x - day).abs() < 0.05), "{leaving:?} {day}");
        }
    }

    #[test]
    fn two_points_answer_what_two_points_can() {
        let read = drift(&weekly()[..2], Tolerance { low: Some(0.9954), high: None }, 0.95);
        assert!(matches!(read.line, Err(ModelError::NotEnoughData { needed: 3, found: 2, .. })), "{:?}", read.line);
        assert_eq!(read.cusum.unwrap().len(), 2);
        assert!(drift(&[], Tolerance { low: Some(0.9), high: None }, 0.95).cusum.is_err());
    }

    #[test]
    fn a_small_steady_step_shows_in_the_cumulative_sums() {
        let read = drift(&weekly(), Tolerance { low: Some(0.9954), high: None }, 0.95);
        let sums = read.cusum.unwrap();
        // By hand: z_2 = -0.0004/(1.5e-4 √2) = -1.8856, z_3 = -5.1854; lower sums 1.3856 and 6.0710.
        assert!((sums[1].lower - 1.385_618).abs() < 1e-6);
        assert!((sums[2].lower - 6.071_068).abs() < 1e-6);
        assert!(sums[2].beyond && !sums[1].beyond);
    }

    #[test]
    fn the_effect_is_that_of_a_proportional_factor() {
        let line = drift(&weekly(), Tolerance { low: Some(0.9954), high: None }, 0.95).line.unwrap();
        let found = effect(&line, 1.0004, 42.0, 0.95).unwrap();
        assert!((found.percent - 100.0 * (1.0004 / line.at(42.0) - 1.0)).abs() < 1e-12);
        assert!(found.percent > 0.29 && found.percent < 0.30, "{}", found.percent);
        assert!(effect(&line, 0.0, 42.0, 0.95).is_err());
    }

    #[test]
    fn a_bracketed_factor_lies_between() {
        let (before, after) = (weekly()[0], weekly()[1]);
        let middle = interpolate(before, after, 3.5).unwrap();
        assert!((middle.factor - 1.0002).abs() < 1e-15);
        assert!((middle.u - 1.5e-4 / 2.0_f64.sqrt()).abs() < 1e-18);
        assert!(interpolate(before, after, 8.0).is_err());
        assert!(interpolate(before, before, 0.0).is_err());
    }

    #[test]
    fn the_interval_spends_the_budget_exactly() {
        let staleness = Staleness { drift_per_day: 7e-5, walk_variance_per_day: 2e-10 };
        let days = longest_interval(1e-3, 3e-4, staleness).unwrap().unwrap();
        let spent = 3e-4_f64.powi(2) + (7e-5 * days).powi(2) / 3.0 + 2e-10 * days;
        assert!((spent.sqrt() - 1e-3).abs() < 1e-15, "{days}");
        let steady = Staleness { drift_per_day: -7e-5, walk_variance_per_day: 0.0 };
        let by_hand = (3.0 * (1e-6 - 9e-8_f64)).sqrt() / 7e-5;
        assert!((longest_interval(1e-3, 3e-4, steady).unwrap().unwrap() - by_hand).abs() < 1e-9);
        let still = Staleness { drift_per_day: 0.0, walk_variance_per_day: 0.0 };
        assert_eq!(longest_interval(1e-3, 3e-4, still).unwrap(), None);
        assert!(longest_interval(3e-4, 3e-4, steady).is_err());
    }
}
