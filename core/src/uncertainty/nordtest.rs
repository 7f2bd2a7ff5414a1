//! Uncertainty from the laboratory's own control and bias data (top-down).

use crate::statistics::summary::{Summary, SummaryError};

/// Where the bias component comes from. All figures in one unit, usually per cent.
#[derive(Debug, Clone, PartialEq)]
pub enum BiasSource {
    /// Several reference materials or proficiency rounds.
    Several {
        /// One bias per material or round.
        biases: Vec<f64>,
        /// Mean standard uncertainty of their assigned values.
        u_reference: f64,
    },
    /// One certified reference material.
    OneMaterial {
        /// Mean result minus certified value.
        bias: f64,
        /// Sample standard deviation of the results.
        s: f64,
        /// Number of results.
        n: u32,
        /// Standard uncertainty of the certified value.
        u_reference: f64,
    },
}

/// The combined uncertainty and its parts, in the unit of the figures given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TopDown {
    /// Within-laboratory reproducibility u(Rw).
    pub u_rw: f64,
    /// Root mean square of the biases; the absolute bias for one material.
    pub rms_bias: f64,
    /// Uncertainty component of bias, u(bias).
    pub u_bias: f64,
    /// Combined standard uncertainty u_c.
    pub combined: f64,
    /// Expanded uncertainty, k = 2.
    pub expanded: f64,
}

/// Why the evaluation cannot be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TopDownError {
    /// A number outside its range.
    #[error("{field} must be {rule}, not {value}")]
    OutOfRange {
        /// Which number.
        field: &'static str,
        /// The rule broken.
        rule: &'static str,
        /// Offending value.
        value: f64,
    },
    /// No bias at all.
    #[error("not enough data: the root mean square bias needs at least 1 bias, there are 0")]
    NoBias,
    /// A bias that is not a number.
    #[error(transparent)]
    Summary(#[from] SummaryError),
}

/// Combines within-laboratory reproducibility and bias.
///
/// # Formula
/// u(bias) = √(RMS² + u(Cref)²), for one material √(bias² + s²/n + u(Cref)²); u_c = √(u(Rw)² + u(bias)²); U = 2 u_c
///
/// # Source
/// Nordtest TR 537 (formulas from memory).
///
/// # Errors
/// Uncertainties that are negative or not finite, no bias, no result.
///
/// # Example
/// ```
/// use ferrotitre_core::uncertainty::nordtest::{BiasSource, top_down};
/// let biases = vec![0.4, -0.3, 0.6, 0.2, -0.5, 0.3];
/// let result = top_down(0.35, &BiasSource::Several { biases, u_reference: 0.25 })?;
/// assert!((result.combined - 0.5916).abs() < 0.00005);
/// # Ok::<(), ferrotitre_core::uncertainty::nordtest::TopDownError>(())
/// ```
pub fn top_down(u_rw: f64, source: &BiasSource) -> Result<TopDown, TopDownError> {
    let usable = |field, value: f64| {
        let rule = "finite and not negative";
        if value.is_finite() && value >= 0.0 { Ok(value) } else { Err(TopDownError::OutOfRange { field, rule, value }) }
    };
    usable("u(Rw)", u_rw)?;
    let (rms_bias, other) = match source {
        BiasSource::Several { biases, u_reference } => {
            if biases.is_empty() {
                return Err(TopDownError::NoBias);
            }
            // The summary refuses numbers that are not finite, by position.
            Summary::of(biases)?;
            let squares: f64 = biases.iter().map(|b| b * b).sum();
            ((squares / biases.len() as f64).sqrt(), usable("u(Cref)", *u_reference)?.powi(2))
        }
        BiasSource::OneMaterial { bias, s, n, u_reference } => {
            if *n == 0 {
                let (field, rule) = ("number of results", "at least 1");
                return Err(TopDownError::OutOfRange { field, rule, value: 0.0 });
            }
            let scatter = usable("standard deviation", *s)?.powi(2) / f64::from(*n);
            (usable("absolute bias", bias.abs())?, scatter + usable("u(Cref)", *u_reference)?.powi(2))
        }
    };
    let u_bias = (rms_bias * rms_bias + other).sqrt();
    let combined = u_rw.hypot(u_bias);
    Ok(TopDown { u_rw, rms_bias, u_bias, combined, expanded: 2.0 * combined })
}

/// How bottom-up and top-down uncertainties compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Comparison {
    /// Bottom-up over top-down.
    pub ratio: f64,
    /// Outside 0.5 to 2: one of the two budgets misses something.
    pub query: bool,
}

/// Compares two standard uncertainties of the same result; `None` unless both are positive.
#[must_use]
pub fn compare(bottom_up: f64, top_down: f64) -> Option<Comparison> {
    let ratio = bottom_up / top_down;
    (bottom_up > 0.0 && top_down > 0.0 && ratio.is_finite())
        .then_some(Comparison { ratio, query: !(0.5..=2.0).contains(&ratio) })
}
