//! An uncertainty budget held against what a control material showed: a budget that explains less than was seen is refuted.
//!
//! A budget claims for every single result a standard uncertainty u. Control values of many runs scatter by no more than that,
//! and lie no further off the assigned value than it explains, if the budget is right: what is common to all runs adds to u and
//! not to the scatter, so that the tests below err towards leaving a budget alone.

use super::process::LongTerm;
use super::{ControlError, require};
use crate::statistics::distribution::{ChiSquared, Normal};

/// Probability of refuting a budget that is just right. A chart is looked at with every new value, so that it is low.
pub const LEVEL: f64 = 0.01;
/// Fewest control values; common practice, no source.
pub const FEWEST_VALUES: u64 = 8;

/// What was claimed and what was seen, in the unit of the chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Claim {
    /// Standard uncertainty that the budget gives a single result.
    pub u: f64,
    /// Standard uncertainty of the assigned value; none without one.
    pub u_assigned: Option<f64>,
}

/// A test of a budget.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Test {
    /// Test statistic.
    pub statistic: f64,
    /// What it must not exceed.
    pub critical: f64,
    /// Probability of so much or more if the budget is right.
    pub p: f64,
    /// Whether the budget explains too little.
    pub refuted: bool,
}

/// A budget against a chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// Scatter between runs: (n - 1) s² / u² against chi-squared.
    pub scatter: Test,
    /// Distance from the assigned value, against the normal distribution; none without one.
    pub bias: Option<Test>,
    /// Standard deviation between runs that the budget lacks: √(s² - u²); 0 where it lacks none.
    pub lacking: f64,
}

impl Held {
    /// Whether one of the tests refutes the budget.
    #[must_use]
    pub fn is_refuted(&self) -> bool {
        self.scatter.refuted || self.bias.is_some_and(|test| test.refuted)
    }
}

/// Holds squares over their claimed variances against chi-squared at [`LEVEL`].
///
/// # Source
/// NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.3.
///
/// # Errors
/// Degrees of freedom that are not positive.
pub fn scatter(statistic: f64, degrees_of_freedom: f64) -> Result<Test, ControlError> {
    let distribution = ChiSquared::new(degrees_of_freedom)?;
    let (critical, p) = (distribution.upper_quantile(LEVEL)?, distribution.sf(statistic));
    Ok(Test { statistic, critical, p, refuted: statistic > critical })
}

/// Holds a budget against the long-term figures of a chart, one value for each run.
///
/// # Formula
/// χ² = (n - 1) s² / u², compared with its upper quantile for n - 1 degrees of freedom; |bias| / √(u² + u²(assigned)), compared
/// with the two-sided quantile of the normal distribution; both at [`LEVEL`].
///
/// # Source
/// One-sided chi-squared test of a standard deviation: NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.3. A bias against
/// its uncertainty: ISO Guide 33:2015, ERM Application Note 1.
///
/// # Errors
/// Fewer than [`FEWEST_VALUES`] values; a claim that is not positive.
///
/// # Example
/// ```
/// use ferrotitre_core::control::budget::{Claim, hold};
/// use ferrotitre_core::control::process::long_term;
/// let values = [119.2, 120.4, 119.6, 120.9, 118.9, 120.2, 119.5, 120.7, 119.1, 120.5];
/// let seen = long_term(&values, 120.0, 0.1)?;
/// let held = hold(&seen, Claim { u: 0.25, u_assigned: Some(0.1) })?;
/// assert!(held.scatter.refuted && !held.bias.unwrap().refuted);
/// # Ok::<(), ferrotitre_core::control::ControlError>(())
/// ```
pub fn hold(seen: &LongTerm, claim: Claim) -> Result<Held, ControlError> {
    require(
        "standard uncertainty claimed",
        "finite and greater than 0",
        claim.u,
        claim.u.is_finite() && claim.u > 0.0,
    )?;
    if seen.n < FEWEST_VALUES {
        let what = "a budget held against its chart";
        return Err(ControlError::NotEnough { what, needed: FEWEST_VALUES, found: seen.n });
    }
    let freedom = seen.n as f64 - 1.0;
    let scatter = scatter(freedom * (seen.s_rw / claim.u).powi(2), freedom)?;
    let bias = match claim.u_assigned {
        Some(u_assigned) => {
            let usable = u_assigned.is_finite() && u_assigned >= 0.0;
            require("uncertainty of the assigned value", "finite and not negative", u_assigned, usable)?;
            let statistic = seen.bias.abs() / claim.u.hypot(u_assigned);
            let (critical, p) = (Normal.upper_quantile(LEVEL / 2.0)?, 2.0 * Normal.sf(statistic));
            Some(Test { statistic, critical, p, refuted: statistic > critical })
        }
        None => None,
    };
    let lacking = (seen.s_rw * seen.s_rw - claim.u * claim.u).max(0.0).sqrt();
    Ok(Held { scatter, bias, lacking })
}
