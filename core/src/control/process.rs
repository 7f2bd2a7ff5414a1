//! Long-term figures of a chart and its periodic review.

use super::limits::Limits;
use super::{ControlError, require};
use crate::statistics::summary::Summary;

/// What a control material tells of the method in the long run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LongTerm {
    /// Control values used.
    pub n: u64,
    /// Mean, in the unit of the values.
    pub mean: f64,
    /// Within-laboratory reproducibility standard deviation s_Rw, in the unit of the values.
    pub s_rw: f64,
    /// Mean minus assigned value.
    pub bias: f64,
    /// Standard uncertainty of the bias: √(s_Rw²/n + u²(assigned)).
    pub u_bias: f64,
    /// s_Rw over the mean, in per cent; `None` when the mean is 0.
    pub relative_s_rw_percent: Option<f64>,
    /// Bias over the assigned value, in per cent; `None` when that is 0.
    pub relative_bias_percent: Option<f64>,
}

/// s_Rw and bias from one control value per run.
///
/// # Source
/// Nordtest TR 537 and TR 569 (formulas from memory).
///
/// # Errors
/// Fewer than 2 values; numbers that are not finite; a negative uncertainty.
pub fn long_term(values: &[f64], assigned: f64, u_assigned: f64) -> Result<LongTerm, ControlError> {
    require("assigned value", "finite", assigned, assigned.is_finite())?;
    let usable = u_assigned.is_finite() && u_assigned >= 0.0;
    require("uncertainty of the assigned value", "finite and not negative", u_assigned, usable)?;
    let found = values.len() as u64;
    if found < 2 {
        return Err(ControlError::NotEnough { what: "s_Rw", needed: 2, found });
    }
    let summary = Summary::of(values)?;
    let (mean, s_rw) = (summary.mean()?, summary.sample_sd()?);
    let bias = mean - assigned;
    Ok(LongTerm {
        n: found,
        mean,
        s_rw,
        bias,
        u_bias: (s_rw * s_rw / found as f64 + u_assigned * u_assigned).sqrt(),
        relative_s_rw_percent: (mean != 0.0).then(|| 100.0 * s_rw / mean.abs()),
        relative_bias_percent: (assigned != 0.0).then(|| 100.0 * bias / assigned.abs()),
    })
}

/// Two results of one sample, as range and difference charts read them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Duplicates {
    /// First minus second, in the unit of the results.
    pub difference: f64,
    /// Absolute difference, in the unit of the results.
    pub range: f64,
    /// Difference over the mean, in per cent; `None` when the mean is 0.
    pub relative_difference_percent: Option<f64>,
    /// Absolute difference over the mean, in per cent; `None` when the mean is 0.
    pub relative_range_percent: Option<f64>,
}

/// Compares duplicates.
///
/// # Errors
/// Numbers that are not finite.
///
/// # Example
/// ```
/// let pair = ferrotitre_core::control::process::duplicates(100.2, 99.8)?;
/// assert!((pair.relative_range_percent.unwrap() - 0.4).abs() < 1e-12);
/// # Ok::<(), ferrotitre_core::control::ControlError>(())
/// ```
pub fn duplicates(first: f64, second: f64) -> Result<Duplicates, ControlError> {
    require("first result", "finite", first, first.is_finite())?;
    require("second result", "finite", second, second.is_finite())?;
    let (difference, mean) = (first - second, first + (second - first) / 2.0);
    let relative = |d: f64| (mean != 0.0).then(|| 100.0 * d / mean.abs());
    Ok(Duplicates {
        difference,
        range: difference.abs(),
        relative_difference_percent: relative(difference),
        relative_range_percent: relative(difference.abs()),
    })
}

/// Whether the values are written finely enough for a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resolution {
    /// Standard deviation over the rounding step.
    pub steps_per_s: f64,
    /// At least three steps: the chart reads the process, not the rounding.
    pub suffices: bool,
}

/// Compares the standard deviation of the plotted quantity with its rounding step.
///
/// # Source
/// Common practice, no source: s of at least about three steps.
///
/// # Errors
/// A deviation or a step that is not positive.
pub fn resolution(s: f64, step: f64) -> Result<Resolution, ControlError> {
    require("standard deviation", "finite and greater than 0", s, s.is_finite() && s > 0.0)?;
    require("rounding step", "finite and greater than 0", step, step.is_finite() && step > 0.0)?;
    let steps_per_s = s / step;
    // Three steps as decimals may fall short of 3 in the last bit: 0.3 / 0.1.
    Ok(Resolution { steps_per_s, suffices: steps_per_s >= 3.0 * (1.0 - 1e-9) })
}

/// Points of the review of the dispersion.
pub const DISPERSION_POINTS: usize = 60;
/// Points of the review of the centre.
pub const CENTRE_POINTS: usize = 20;
/// Distance of the mean of the last 20 from the centre line, in s, beyond which the centre has moved.
pub const CENTRE_DISTANCE: f64 = 0.35;

/// Verdict on one property of a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Review<T> {
    /// Not enough points yet.
    NotEnough {
        /// Points needed.
        needed: u64,
        /// Points there.
        found: u64,
    },
    /// As the limits suppose.
    Unchanged(T),
    /// Changed: a new phase is to be considered.
    Changed(T),
}

/// The periodic review of a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeriodicReview {
    /// Points outside the warning limits among the last 60; about 3 expected, more than 6 or none is a change.
    pub outside_warning: Review<u64>,
    /// Mean of the last 20 points minus the centre line, in s; beyond ± 0.35 is a change.
    pub centre_shift: Review<f64>,
}

/// Reviews the last points of a chart against its limits.
///
/// # Source
/// Nordtest TR 569, long-term evaluation (from memory).
///
/// # Errors
/// Numbers that are not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::control::{Limits, process::{Review, periodic_review}};
/// # fn main() -> Result<(), ferrotitre_core::control::ControlError> {
/// let limits = Limits::new(100.0, 1.0)?;
/// let review = periodic_review(&[100.5; 20], &limits)?;
/// assert_eq!(review.centre_shift, Review::Changed(0.5));
/// assert_eq!(review.outside_warning, Review::NotEnough { needed: 60, found: 20 });
/// # Ok(()) }
/// ```
pub fn periodic_review(values: &[f64], limits: &Limits) -> Result<PeriodicReview, ControlError> {
    let last = |count: usize| values.len().checked_sub(count).map(|from| &values[from..]);
    let short = |count: usize| Review::NotEnough { needed: count as u64, found: values.len() as u64 };
    for &value in last(DISPERSION_POINTS).unwrap_or(values) {
        require("control value", "finite", value, value.is_finite())?;
    }
    let outside_warning = last(DISPERSION_POINTS).map_or_else(
        || Review::NotEnough { needed: DISPERSION_POINTS as u64, found: values.len() as u64 },
        |points| {
            let outside = points.iter().filter(|x| limits.standardise(**x).abs() > 2.0).count() as u64;
            if (1..=6).contains(&outside) { Review::Unchanged(outside) } else { Review::Changed(outside) }
        },
    );
    let centre_shift = match last(CENTRE_POINTS) {
        None => short(CENTRE_POINTS),
        Some(points) => {
            let shift = limits.standardise(Summary::of(points)?.mean()?);
            if shift.abs() > CENTRE_DISTANCE { Review::Changed(shift) } else { Review::Unchanged(shift) }
        }
    };
    Ok(PeriodicReview { outside_warning, centre_shift })
}
