//! Recovery of added iron.

use crate::statistics::distribution::StudentT;
use crate::statistics::double_double::{Moments, Observation};
use crate::statistics::hypothesis::Interval;
use crate::statistics::model_error::ModelError;

/// A value with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// Value.
    pub value: f64,
    /// Standard uncertainty, 0 or more.
    pub u: f64,
}

/// A recovery and whether it differs from 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recovery {
    /// R, 1 for complete recovery.
    pub recovery: f64,
    /// Standard uncertainty of R.
    pub u: f64,
    /// `|1 - R|/u(R)`; `None` without any uncertainty.
    pub t: Option<f64>,
    /// Degrees of freedom of u(R); infinite where it was stated.
    pub degrees_of_freedom: f64,
    /// `R ± t(1-α/2; ν) u(R)`.
    pub interval: Interval,
    /// Whether R differs from 1 at that confidence.
    pub differs_from_one: bool,
}

fn judge(recovery: f64, u: f64, degrees_of_freedom: f64, confidence: f64) -> Result<Recovery, ModelError> {
    let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
    let half = u * StudentT::new(degrees_of_freedom)?.upper_quantile(tail)?;
    Ok(Recovery {
        recovery,
        u,
        t: (u > 0.0).then(|| (1.0 - recovery).abs() / u),
        degrees_of_freedom,
        interval: Interval { low: recovery - half, high: recovery + half, confidence },
        differs_from_one: (1.0 - recovery).abs() > half,
    })
}

/// Recovery of one addition.
///
/// # Formula
/// `R = (C_spiked - C)/C_added`; `u(R)² = (u²(C_spiked) + u²(C))/C_added² + (R u(C_added)/C_added)²` for independent
/// inputs; `t = |1 - R|/u(R)`.
///
/// # Source
/// Barwick and Ellison 1999, Analyst 124, 981 (from memory); GUM 5.1.
///
/// # Errors
/// An addition that is not positive; a negative uncertainty; confidence outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::validation::{Measured, recovery_from_spike};
/// let (spiked, native, added) =
///     (Measured { value: 9.95, u: 0.03 }, Measured { value: 5.02, u: 0.02 }, Measured { value: 5.00, u: 0.01 });
/// let recovery = recovery_from_spike(spiked, native, added, 0.95)?;
/// assert!((recovery.recovery - 0.986).abs() < 1e-12 && !recovery.differs_from_one);
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn recovery_from_spike(
    spiked: Measured,
    native: Measured,
    added: Measured,
    confidence: f64,
) -> Result<Recovery, ModelError> {
    for (name, measured) in [("spiked", spiked), ("native", native), ("added", added)] {
        ModelError::finite(name, measured.value)?;
        ModelError::not_negative("standard uncertainty", measured.u)?;
    }
    let amount = ModelError::positive("added", added.value)?;
    let recovery = (spiked.value - native.value) / amount;
    let u = (spiked.u.hypot(native.u) / amount).hypot(recovery * added.u / amount);
    judge(recovery, u, f64::INFINITY, confidence)
}

/// Mean recovery of replicate additions, each already a ratio.
///
/// # Formula
/// `R̄`, `u = s/√n`, n - 1 degrees of freedom; `t = |1 - R̄|/u`.
///
/// # Source
/// Barwick and Ellison 1999 (from memory).
///
/// # Errors
/// Fewer than two recoveries; confidence outside (0, 1).
pub fn recovery_from_replicates<T: Observation>(recoveries: &[T], confidence: f64) -> Result<Recovery, ModelError> {
    let moments = Moments::new("recoveries", 2, recoveries)?;
    judge(moments.mean.value(), moments.sd() / moments.n.sqrt(), moments.n - 1.0, confidence)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn equal_recoveries_have_no_t_and_an_addition_of_zero_is_refused() {
        let equal = recovery_from_replicates(&[0.99, 0.99, 0.99], 0.95).unwrap();
        assert_eq!((equal.u, equal.t, equal.differs_from_one), (0.0, None, true));
        let none = Measured { value: 0.0, u: 0.1 };
        assert!(recovery_from_spike(none, none, none, 0.95).is_err());
    }
}
