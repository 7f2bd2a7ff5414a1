//! How many data a characteristic needs: the chance that its estimate meets the limits of acceptance, before any is made.

use crate::statistics::distribution::{ChiSquared, Normal};
use crate::statistics::model_error::ModelError;
use crate::statistics::power::{
    Alternative, Design, DifferenceQuestion, EquivalenceQuestion, SampleSize, difference_power, equivalence_power,
};

/// What is expected of the method, and what the study will estimate of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Expected {
    /// A standard deviation, from n values.
    StandardDeviation {
        /// True standard deviation.
        sd: f64,
        /// What it is multiplied by before it is judged: 1 for s, 2.8 for r, 100/mean for RSD, 3 for LOD.
        factor: f64,
    },
    /// Intermediate precision, from n groups.
    IntermediatePrecision {
        /// True standard deviation within groups.
        sd_within: f64,
        /// True standard deviation between groups.
        sd_between: f64,
        /// Values in each group.
        replicates: usize,
        /// What it is multiplied by before it is judged.
        factor: f64,
    },
    /// A bias, mean difference or recovery, from n values or pairs.
    Mean {
        /// True value.
        value: f64,
        /// True standard deviation of a value, or of the difference of a pair.
        sd: f64,
    },
}

/// What must lie between the limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Judged {
    /// The estimate.
    Value,
    /// Its whole confidence interval, equal tails.
    Interval {
        /// Confidence, 0 to 1; 0.90 stands for two one-sided tests at 5 %.
        confidence: f64,
    },
}

/// Limits of acceptance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
    /// What must lie between them.
    pub judged: Judged,
}

/// Largest number of data considered.
pub const LARGEST_STUDY: usize = 2000;

/// Chance that n data meet the limits.
///
/// # Formula
/// Standard deviation, `W = νs²/σ²` chi-square with ν: value `P(ν(L/σ)² ≤ W ≤ ν(U/σ)²)`; interval
/// `P(χ²(1-α/2; ν)(L/σ)² ≤ W ≤ χ²(α/2; ν)(U/σ)²)`. Intermediate precision: the same with `σ² = σ_L² + σ_r²` and Satterthwaite's
/// `ν = σ⁴/(((σ_L² + σ_r²/m)²/(n - 1)) + ((1 - 1/m)σ_r²)²/(n(m - 1)))`, an approximation. Mean: value
/// `Φ((U - δ)√n/σ) - Φ((L - δ)√n/σ)`; interval: the power of two one-sided tests at α/2, or of one.
///
/// # Source
/// Distribution of a sample variance: any textbook; Satterthwaite 1946; Schuirmann 1987 (from memory).
///
/// # Errors
/// Fewer than two data; no limit; limits in the wrong order; a standard deviation or factor that is not positive; a confidence
/// outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::validation::{Expected, Judged, Limits, chance_of_meeting};
/// let expected = Expected::StandardDeviation { sd: 0.03, factor: 1.0 };
/// let limits = Limits { lower: None, upper: Some(0.04), judged: Judged::Value };
/// let chance = chance_of_meeting(expected, limits, 10)?;
/// assert!((chance - 0.933_118_412_2).abs() < 5e-11); // SciPy 1.17.1: stats.chi2.cdf(9*(0.04/0.03)**2, 9)
/// # Ok::<(), ferrotitre_core::statistics::model_error::ModelError>(())
/// ```
pub fn chance_of_meeting(expected: Expected, limits: Limits, n: usize) -> Result<f64, ModelError> {
    limits.check()?;
    ModelError::need("the study", 2, n)?;
    match expected {
        Expected::StandardDeviation { sd, factor } => {
            scale(ModelError::positive("standard deviation", sd)?, n as f64 - 1.0, factor, limits)
        }
        Expected::IntermediatePrecision { sd_within, sd_between, replicates, factor } => {
            let (sd, degrees) = intermediate(sd_within, sd_between, replicates, n)?;
            scale(sd, degrees, factor, limits)
        }
        Expected::Mean { value, sd } => location(value, sd, limits, n),
    }
}

/// Smallest number of data from which on the limits are met with at least a wanted chance.
///
/// The chance can fall before it rises (few data scatter into the limits by luck), so a number counts only if every larger one
/// up to [`LARGEST_STUDY`] reaches the chance, too.
///
/// # Errors
/// No such number up to [`LARGEST_STUDY`]; a wanted chance outside (0, 1); what [`chance_of_meeting`] refuses.
pub fn least_study(expected: Expected, limits: Limits, wanted: f64) -> Result<SampleSize, ModelError> {
    let wanted = ModelError::fraction("wanted chance", wanted)?;
    let mut least: Option<SampleSize> = None;
    for n in 2..=LARGEST_STUDY {
        let power = chance_of_meeting(expected, limits, n)?;
        least = if power < wanted { None } else { least.or(Some(SampleSize { n, power })) };
        // From here on only rounding of the last digits moves it.
        if power > 1.0 - 1e-12 && wanted < 1.0 - 1e-9 {
            break;
        }
    }
    least.ok_or(ModelError::NoSolution {
        what: "the number of data",
        reason: "up to 2000 data do not reach the wanted chance: what is expected lies too near the limit, or beyond it",
    })
}

impl Limits {
    fn check(self) -> Result<(), ModelError> {
        for (name, limit) in [("lower limit", self.lower), ("upper limit", self.upper)] {
            if let Some(limit) = limit {
                ModelError::finite(name, limit)?;
            }
        }
        match (self.lower, self.upper) {
            (None, None) => Err(ModelError::NoSolution { what: "the chance", reason: "there is no limit" }),
            (Some(low), Some(high)) if low >= high => {
                Err(ModelError::OutOfRange { name: "upper limit", rule: "above the lower limit", value: high })
            }
            _ => Ok(()),
        }
    }
}

fn intermediate(within: f64, between: f64, replicates: usize, groups: usize) -> Result<(f64, f64), ModelError> {
    let within = ModelError::positive("standard deviation within groups", within)?;
    let between = ModelError::not_negative("standard deviation between groups", between)?;
    ModelError::need("each group", 1, replicates)?;
    let (m, g) = (replicates as f64, groups as f64);
    let total = between * between + within * within;
    let of_groups = between * between + within * within / m;
    let of_values = (1.0 - 1.0 / m) * within * within;
    let mut spread = of_groups * of_groups / (g - 1.0);
    if replicates > 1 {
        spread += of_values * of_values / (g * (m - 1.0));
    }
    Ok((total.sqrt(), total * total / spread))
}

fn scale(sd: f64, degrees: f64, factor: f64, limits: Limits) -> Result<f64, ModelError> {
    let sigma = sd * ModelError::positive("factor", factor)?;
    let distribution = ChiSquared::new(degrees)?;
    let (for_lower, for_upper) = match limits.judged {
        Judged::Value => (degrees, degrees),
        Judged::Interval { confidence } => {
            let tail = 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?);
            (distribution.upper_quantile(tail)?, distribution.quantile(tail)?)
        }
    };
    let squared = |limit: f64| if limit > 0.0 { (limit / sigma) * (limit / sigma) } else { 0.0 };
    let below = limits.upper.map_or(1.0, |upper| distribution.cdf(for_upper * squared(upper)));
    let short = limits.lower.map_or(0.0, |lower| distribution.cdf(for_lower * squared(lower)));
    Ok((below - short).max(0.0))
}

fn location(value: f64, sd: f64, limits: Limits, n: usize) -> Result<f64, ModelError> {
    let sd = ModelError::positive("standard deviation", sd)?;
    ModelError::finite("expected value", value)?;
    let design = Design::OneSample { n };
    let alpha = match limits.judged {
        Judged::Value => {
            let at = |limit: f64| (limit - value) * (n as f64).sqrt() / sd;
            // Each tail is computed as such, so that a chance near 1 keeps its digits.
            let above = limits.upper.map_or(0.0, |upper| Normal.sf(at(upper)));
            let below = limits.lower.map_or(0.0, |lower| Normal.cdf(at(lower)));
            return Ok(f64::max(1.0 - above - below, 0.0));
        }
        Judged::Interval { confidence } => 0.5 * (1.0 - ModelError::fraction("confidence", confidence)?),
    };
    let one_sided = |difference: f64, alternative| {
        difference_power(design, DifferenceQuestion { difference, sd, alpha, alternative })
    };
    match (limits.lower, limits.upper) {
        (Some(low), Some(high)) => {
            equivalence_power(design, EquivalenceQuestion { difference: value, sd, low, high, alpha })
        }
        (Some(low), None) => one_sided(value - low, Alternative::Greater),
        (None, Some(high)) => one_sided(value - high, Alternative::Less),
        (None, None) => Ok(1.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn within(lower: Option<f64>, upper: Option<f64>, confidence: Option<f64>) -> Limits {
        let judged = confidence.map_or(Judged::Value, |confidence| Judged::Interval { confidence });
        Limits { lower, upper, judged }
    }

    fn near(found: f64, expected: f64) {
        assert!((found - expected).abs() < 5e-10, "{found} is not {expected}");
    }

    // Expected values: SciPy 1.17.1, stats.chi2, stats.norm and stats.nct; two one-sided tests by integrate.quad over the
    // distribution of the standard deviation.

    #[test]
    fn chances_of_a_standard_deviation_agree_with_scipy() {
        let of = |sd| Expected::StandardDeviation { sd, factor: 1.0 };
        near(chance_of_meeting(of(1.0), within(None, Some(1.0), None), 2).unwrap(), 0.682_689_492_137);
        near(chance_of_meeting(of(0.05), within(Some(0.02), Some(0.08), None), 7).unwrap(), 0.969_449_130_353);
        near(chance_of_meeting(of(0.03), within(None, Some(0.05), Some(0.95)), 20).unwrap(), 0.830_731_490_696);
        // 2.8 s against 2.8 times the limit is the same question.
        let limit = Expected::StandardDeviation { sd: 0.03, factor: 2.8 };
        near(chance_of_meeting(limit, within(None, Some(0.112), None), 10).unwrap(), 0.933_118_412_226);
    }

    #[test]
    fn chances_of_intermediate_precision_agree_with_satterthwaite_and_scipy() {
        // s_r and s_L of an analysis of variance by NumPy, whose degrees of freedom are 6.61.
        let days = |sd_within, sd_between, replicates| Expected::IntermediatePrecision {
            sd_within,
            sd_between,
            replicates,
            factor: 1.0,
        };
        near(
            chance_of_meeting(days(0.03916, 0.07786, 3), within(None, Some(0.12), None), 6).unwrap(),
            0.929_904_339_789,
        );
        near(chance_of_meeting(days(0.04, 0.05, 1), within(None, Some(0.1), None), 8).unwrap(), 0.983_069_592_605);
    }

    #[test]
    fn chances_of_a_mean_agree_with_scipy() {
        let mean = Expected::Mean { value: 0.1, sd: 0.4 };
        near(chance_of_meeting(mean, within(Some(-0.3), Some(0.3), None), 6).unwrap(), 0.882_511_379_822);
        near(chance_of_meeting(mean, within(Some(-0.5), Some(0.5), Some(0.90)), 12).unwrap(), 0.944_008_775_284);
        near(chance_of_meeting(mean, within(None, Some(0.5), Some(0.95)), 9).unwrap(), 0.748_015_540_731);
    }

    #[test]
    fn least_numbers_are_those_found_by_trying_each() {
        let sd = Expected::StandardDeviation { sd: 0.03, factor: 1.0 };
        let mean = Expected::Mean { value: 0.1, sd: 0.4 };
        let equivalence = within(Some(-0.5), Some(0.5), Some(0.90));
        for (wanted, of_sd, of_mean) in [(0.8, 2, 9), (0.9, 7, 11), (0.95, 13, 13)] {
            assert_eq!(least_study(sd, within(None, Some(0.04), None), wanted).unwrap().n, of_sd);
            assert_eq!(least_study(mean, equivalence, wanted).unwrap().n, of_mean);
        }
    }

    #[test]
    fn luck_with_few_data_does_not_count_as_a_number_that_suffices() {
        // Just inside the limit: two data meet it more often than seven do, and only 38 bring the chance back.
        let expected = Expected::StandardDeviation { sd: 0.95, factor: 1.0 };
        let limits = within(None, Some(1.0), None);
        let at = |n| chance_of_meeting(expected, limits, n).unwrap();
        near(at(2), 0.707_490_121_816);
        near(at(7), 0.645_390_465_970);
        let found = least_study(expected, limits, 0.7).unwrap();
        assert_eq!(found.n, 38);
        near(found.power, 0.700_500_961_102);
    }

    #[test]
    fn what_lies_beyond_the_limit_is_never_shown_to_lie_within() {
        let beyond = Expected::Mean { value: 0.6, sd: 0.3 };
        let refused = least_study(beyond, within(Some(-0.5), Some(0.5), Some(0.9)), 0.8).unwrap_err();
        assert!(refused.to_string().contains("beyond it"), "{refused}");
        let refused = chance_of_meeting(beyond, within(Some(0.5), Some(-0.5), None), 5).unwrap_err();
        assert!(refused.to_string().contains("above the lower limit, got -0.5"), "{refused}");
        assert!(chance_of_meeting(beyond, within(None, None, None), 5).is_err());
        assert!(chance_of_meeting(beyond, within(None, Some(1.0), None), 1).is_err());
    }
}
