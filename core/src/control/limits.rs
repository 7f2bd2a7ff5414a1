//! Chart limits from a baseline, a target or a reference value.

use super::constants::Constants;
use super::{ControlError, require};
use crate::statistics::distribution::{Binomial, StudentT};
use crate::statistics::summary::{Interval, Summary};

/// Points from which limits count as established; below, they are preliminary.
///
/// Nordtest TR 569: about 25 points for preliminary limits, 60 or a year for established ones (from memory).
pub const ESTABLISHED: u64 = 60;

/// Warning and action limits about a centre line. A limit that cannot be passed (below 0 for a range) is `None`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Centre line.
    pub centre: f64,
    /// Standard deviation of the plotted quantity; the unit of standardised points.
    pub sigma: f64,
    /// centre − 3 sigma.
    pub lower_action: Option<f64>,
    /// centre − 2 sigma.
    pub lower_warning: Option<f64>,
    /// centre + 2 sigma.
    pub upper_warning: f64,
    /// centre + 3 sigma.
    pub upper_action: f64,
}

impl Limits {
    /// Limits at two and three sigma about a centre, as from a target or a reference value and a required deviation.
    ///
    /// # Errors
    /// A centre that is not finite; a sigma that is not positive.
    pub fn new(centre: f64, sigma: f64) -> Result<Self, ControlError> {
        require("centre line", "finite", centre, centre.is_finite())?;
        require("sigma", "finite and greater than 0", sigma, sigma.is_finite() && sigma > 0.0)?;
        let at = |k: f64| centre + k * sigma;
        let (lower_action, lower_warning) = (Some(at(-3.0)), Some(at(-2.0)));
        Ok(Self { centre, sigma, lower_action, lower_warning, upper_warning: at(2.0), upper_action: at(3.0) })
    }

    /// Limits from the two action limits that a requirement allows.
    ///
    /// # Formula
    /// centre (L + U)/2, sigma (U − L)/6
    ///
    /// # Errors
    /// Limits that are not finite or the wrong way round.
    pub fn between_action(low: f64, high: f64) -> Result<Self, ControlError> {
        require("lower action limit", "finite", low, low.is_finite())?;
        let ordered = high.is_finite() && high > low;
        require("upper action limit", "finite and above the lower action limit", high, ordered)?;
        Self::new(low + (high - low) / 2.0, (high - low) / 6.0)
    }

    /// The same without lower limits below 0, for ranges and deviations.
    fn not_negative(mut self) -> Self {
        self.lower_action = self.lower_action.filter(|limit| *limit > 0.0);
        self.lower_warning = self.lower_warning.filter(|limit| *limit > 0.0);
        self
    }

    /// The point in units of sigma from the centre, as run rules read it.
    #[must_use]
    pub fn standardise(&self, x: f64) -> f64 {
        (x - self.centre) / self.sigma
    }

    /// Limits of the mean of `n` values whose single values have deviation `sigma`.
    ///
    /// # Errors
    /// As [`Limits::new`]; n = 0.
    pub fn of_means(centre: f64, sigma: f64, n: u32) -> Result<Self, ControlError> {
        require("subgroup size", "at least 1", f64::from(n), n >= 1)?;
        Self::new(centre, sigma / f64::from(n).sqrt())
    }

    /// Limits of the range of `n` values with deviation `sigma`.
    ///
    /// # Formula
    /// d2 σ, (d2 + 2 d3) σ, (d2 + 3 d3) σ: 1.128, 2.833, 3.686 for n = 2; 1.693, 3.470, 4.358 for n = 3
    ///
    /// # Errors
    /// As [`Constants::new`] and [`Limits::new`].
    pub fn of_ranges(sigma: f64, n: u32) -> Result<Self, ControlError> {
        let c = Constants::new(n)?;
        Ok(Self::new(c.d2 * sigma, c.d3 * sigma)?.not_negative())
    }

    /// Limits of the sample standard deviation of `n` values with deviation `sigma`.
    ///
    /// # Formula
    /// c4 σ, √(1 − c4²) σ
    ///
    /// # Errors
    /// As [`Constants::new`] and [`Limits::new`].
    pub fn of_deviations(sigma: f64, n: u32) -> Result<Self, ControlError> {
        let c4 = Constants::new(n)?.c4;
        Ok(Self::new(c4 * sigma, (1.0 - c4 * c4).sqrt() * sigma)?.not_negative())
    }
}

/// Where the centre line comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Centre {
    /// Mean of the baseline.
    Mean,
    /// A reference value, so that a small bias shows.
    Reference(f64),
}

/// How sigma of single values is estimated from a baseline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spread {
    /// Sample standard deviation; between-run variation is in it.
    StandardDeviation,
    /// Mean moving range of neighbours over d2 = 1.128, less moved by slow drift in the baseline.
    MovingRange,
}

/// Limits with what is known of their own quality.
#[derive(Debug, Clone, PartialEq)]
pub struct Baseline {
    /// The limits.
    pub limits: Limits,
    /// Points (or subgroups) used.
    pub n: u64,
    /// Fewer than [`ESTABLISHED`] points.
    pub preliminary: bool,
    /// 95 % interval of true sigma over the estimate; `None` where sigma is not the standard deviation of n points.
    pub sigma_ratio: Option<Interval>,
    /// Expected share of in-control points beyond the action limits, 0.0027 for true limits; `None` as above.
    pub false_alarm_rate: Option<f64>,
}

/// Limits of single values.
///
/// # Formula
/// x̄ ± 2 s, x̄ ± 3 s; or s = R̄m / 1.128, so that the action limits are x̄ ± 2.66 R̄m
///
/// # Source
/// ISO 7870-2; Nordtest TR 569 for the reference value as centre (news page read).
///
/// # Errors
/// Fewer than 2 points; no spread; numbers that are not finite.
///
/// # Example
/// ```
/// use ferrotitre_core::control::{Centre, limits::{Spread, individuals}};
/// # fn main() -> Result<(), ferrotitre_core::control::ControlError> {
/// let baseline = individuals(&[52.31, 52.40, 52.36, 52.29, 52.44], Centre::Reference(52.36), Spread::StandardDeviation)?;
/// assert!(baseline.preliminary);
/// assert_eq!(baseline.limits.centre, 52.36);
/// # Ok(()) }
/// ```
pub fn individuals(values: &[f64], centre: Centre, spread: Spread) -> Result<Baseline, ControlError> {
    let n = values.len() as u64;
    if n < 2 {
        return Err(ControlError::NotEnough { what: "a baseline", needed: 2, found: n });
    }
    let summary = Summary::of(values)?;
    let known_centre = matches!(centre, Centre::Reference(_));
    let line = match centre {
        Centre::Mean => summary.mean()?,
        Centre::Reference(value) => value,
    };
    let sigma = match spread {
        Spread::StandardDeviation => summary.sample_sd()?,
        Spread::MovingRange => mean_moving_range(values) / Constants::new(2)?.d2,
    };
    if sigma == 0.0 {
        return Err(ControlError::NoSpread { what: "standard deviation" });
    }
    let by_deviation = spread == Spread::StandardDeviation;
    Ok(Baseline {
        limits: Limits::new(line, sigma)?,
        n,
        preliminary: n < ESTABLISHED,
        sigma_ratio: if by_deviation { Some(sigma_ratio(n)?) } else { None },
        false_alarm_rate: if by_deviation { Some(false_alarm_rate(n, known_centre)?) } else { None },
    })
}

/// Limits of ranges of `n` values, from a baseline of such ranges.
///
/// # Formula
/// s = R̄/d2, then as [`Limits::of_ranges`]: action limits D3 R̄ and D4 R̄
///
/// # Source
/// ISO 7870-2 (from memory).
///
/// # Errors
/// Fewer than 2 ranges, a negative one, or all 0; as [`Constants::new`].
pub fn ranges(values: &[f64], n: u32) -> Result<Baseline, ControlError> {
    let found = values.len() as u64;
    if found < 2 {
        return Err(ControlError::NotEnough { what: "a baseline", needed: 2, found });
    }
    for &value in values {
        require("range", "finite and not negative", value, value.is_finite() && value >= 0.0)?;
    }
    let mean = Summary::of(values)?.mean()?;
    if mean == 0.0 {
        return Err(ControlError::NoSpread { what: "mean range" });
    }
    let limits = Limits::of_ranges(mean / Constants::new(n)?.d2, n)?;
    Ok(Baseline { limits, n: found, preliminary: found < ESTABLISHED, sigma_ratio: None, false_alarm_rate: None })
}

fn mean_moving_range(values: &[f64]) -> f64 {
    let steps = values.windows(2).map(|pair| (pair[1] - pair[0]).abs());
    steps.sum::<f64>() / (values.len() - 1) as f64
}

/// 95 % interval of σ/s for s from n points.
///
/// # Formula
/// √((n−1)/χ²)
///
/// # Errors
/// n below 2.
pub fn sigma_ratio(n: u64) -> Result<Interval, ControlError> {
    use crate::statistics::distribution::ChiSquared;
    if n < 2 {
        return Err(ControlError::NotEnough { what: "an interval of sigma", needed: 2, found: n });
    }
    let df = (n - 1) as f64;
    let chi = ChiSquared::new(df)?;
    let at = |quantile: f64| (df / quantile).sqrt();
    Ok(Interval { low: at(chi.upper_quantile(0.025)?), high: at(chi.quantile(0.025)?), confidence: 0.95 })
}

/// Expected share of in-control points beyond ± 3 s when s, and the centre unless it is known, come from n points.
///
/// # Formula
/// (x − x̄) / (s √(1 + 1/n)) ~ t(n−1), so 2 P(t > 3 / √(1 + 1/n)); with a known centre 2 P(t > 3)
///
/// # Source
/// Prediction interval of the normal distribution.
///
/// # Errors
/// n below 2.
pub fn false_alarm_rate(n: u64, centre_known: bool) -> Result<f64, ControlError> {
    if n < 2 {
        return Err(ControlError::NotEnough { what: "a baseline", needed: 2, found: n });
    }
    let widening = if centre_known { 1.0 } else { 1.0 + 1.0 / n as f64 };
    Ok(StudentT::new((n - 1) as f64)?.two_sided(3.0 / widening.sqrt()))
}

/// Charts of subgroups: the mean, and the range or the standard deviation within.
#[derive(Debug, Clone, PartialEq)]
pub struct Subgroups {
    /// Limits of the subgroup mean, made from the variation within subgroups only.
    pub means: Limits,
    /// Limits of the range or of the standard deviation.
    pub spread: Limits,
    /// Estimate of sigma within subgroups.
    pub sigma_within: f64,
    /// Subgroups used.
    pub subgroups: u64,
    /// Fewer than [`ESTABLISHED`] subgroups.
    pub preliminary: bool,
}

/// Which statistic of a subgroup measures its spread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SubgroupSpread {
    /// Range.
    Range,
    /// Sample standard deviation.
    StandardDeviation,
}

/// Limits from subgroups of equal size.
///
/// # Formula
/// x̿ ± A2 R̄, D3 R̄, D4 R̄; or x̿ ± A3 s̄, B3 s̄, B4 s̄
///
/// # Source
/// ISO 7870-2 (from memory).
///
/// # Errors
/// Fewer than 2 subgroups; subgroups of unequal size or of fewer than 2 values; no spread.
pub fn subgroups(groups: &[Vec<f64>], centre: Centre, spread: SubgroupSpread) -> Result<Subgroups, ControlError> {
    let count = groups.len() as u64;
    let size = groups.first().map_or(0, Vec::len);
    if count < 2 || size < 2 {
        let (what, found) = if count < 2 { ("subgroups", count) } else { ("a subgroup", size as u64) };
        return Err(ControlError::NotEnough { what, needed: 2, found });
    }
    if let Some(odd) = groups.iter().find(|group| group.len() != size) {
        let value = odd.len() as f64;
        return Err(ControlError::OutOfRange { field: "subgroup size", rule: "the same in all subgroups", value });
    }
    let n = u32::try_from(size).unwrap_or(u32::MAX);
    let constants = Constants::new(n)?;
    let (mut means, mut spreads) = (Summary::new(), Summary::new());
    for group in groups {
        let summary = Summary::of(group)?;
        means.add(summary.mean()?)?;
        spreads.add(match spread {
            SubgroupSpread::Range => summary.range(),
            SubgroupSpread::StandardDeviation => summary.sample_sd()?,
        })?;
    }
    let mean_spread = spreads.mean()?;
    if mean_spread == 0.0 {
        return Err(ControlError::NoSpread { what: "spread within subgroups" });
    }
    let line = match centre {
        Centre::Mean => means.mean()?,
        Centre::Reference(value) => value,
    };
    let (sigma_within, limits) = match spread {
        SubgroupSpread::Range => {
            let sigma = mean_spread / constants.d2;
            (sigma, Limits::of_ranges(sigma, n)?)
        }
        SubgroupSpread::StandardDeviation => {
            let sigma = mean_spread / constants.c4;
            (sigma, Limits::of_deviations(sigma, n)?)
        }
    };
    Ok(Subgroups {
        means: Limits::of_means(line, sigma_within, n)?,
        spread: limits,
        sigma_within,
        subgroups: count,
        preliminary: count < ESTABLISHED,
    })
}

/// Limits of a count out of `trials`, exact for the binomial distribution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProportionLimits {
    /// Trials in the period judged.
    pub trials: u64,
    /// Share when in control.
    pub proportion: f64,
    /// Smallest count that is out of control above; `None` when even all trials are not unlikely enough.
    pub upper: Option<u64>,
    /// Largest count that is out of control below; `None` when even 0 is not unlikely enough.
    pub lower: Option<u64>,
    /// Probability of a count at or above `upper` when in control.
    pub upper_false_alarm: f64,
    /// Probability of a count at or below `lower` when in control.
    pub lower_false_alarm: f64,
}

/// Exact limits of a p chart, as of the share of discarded reductions.
///
/// # Formula
/// upper = min {k : P(X ≥ k) ≤ α/2}, lower = max {k : P(X ≤ k) ≤ α/2}
///
/// # Source
/// Definition of the binomial tails; α = 0.0027 corresponds to three sigma.
///
/// # Errors
/// No trials; a proportion or α outside (0, 1).
///
/// # Example
/// ```
/// use ferrotitre_core::control::limits::proportion_limits;
/// let limits = proportion_limits(50, 0.04, 0.0027)?;
/// assert_eq!((limits.upper, limits.lower), (Some(8), None));
/// # Ok::<(), ferrotitre_core::control::ControlError>(())
/// ```
pub fn proportion_limits(trials: u64, proportion: f64, alpha: f64) -> Result<ProportionLimits, ControlError> {
    let open = |p: f64| p > 0.0 && p < 1.0;
    require("trials", "at least 1", trials as f64, trials >= 1)?;
    require("proportion", "greater than 0 and less than 1", proportion, open(proportion))?;
    require("false-alarm probability", "greater than 0 and less than 1", alpha, open(alpha))?;
    let binomial = Binomial::new(trials, proportion)?;
    let each = 0.5 * alpha;
    // Both tails are monotone in the count, so halving finds the first count that is unlikely enough.
    let first_above = partition(trials + 1, |k| binomial.at_least(k) > each);
    let upper = (first_above <= trials).then_some(first_above);
    let first_likely = partition(trials + 1, |k| binomial.cdf(k) <= each);
    let lower = first_likely.checked_sub(1);
    Ok(ProportionLimits {
        trials,
        proportion,
        upper,
        lower,
        upper_false_alarm: upper.map_or(0.0, |k| binomial.at_least(k)),
        lower_false_alarm: lower.map_or(0.0, |k| binomial.cdf(k)),
    })
}

/// First k in 0..end at which `before` stops to hold.
fn partition(end: u64, before: impl Fn(u64) -> bool) -> u64 {
    let (mut low, mut high) = (0, end);
    while low < high {
        let middle = low + (high - low) / 2;
        if before(middle) {
            low = middle + 1;
        } else {
            high = middle;
        }
    }
    low
}
