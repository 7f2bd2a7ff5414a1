//! Method comparison: Deming, Passing-Bablok, Bland-Altman.
//!
//! Ordinary least squares takes x as free of error; between two methods neither is, and its slope is too small.

mod bland_altman;
mod deming;
mod passing_bablok;

pub use bland_altman::{BlandAltman, LimitMultiplier, bland_altman};
pub use deming::{Deming, deming};
pub use passing_bablok::{LinearityTest, PassingBablok, passing_bablok};

use crate::statistics::hypothesis::Interval;

/// A coefficient of a comparison line with its jackknife standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JackknifeEstimate {
    /// Estimate from all points.
    pub estimate: f64,
    /// Jackknife standard error.
    pub standard_error: f64,
    /// `estimate ± t(n-2) · standard error`.
    pub interval: Interval,
}
