//! How long a titrant may go without being standardised, and at which cost a year.

use super::{ControlError, require};

/// Days of a year, on average.
const DAYS: f64 = 365.25;

/// How the relative uncertainty of a titrant's factor grows after a standardisation. All in one relative unit, per cent say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Growth {
    /// What every standardisation leaves: standard, glassware, balance.
    pub fixed: f64,
    /// Repeatability of a replicate; n of them leave s/√n.
    pub repeatability: f64,
    /// Steady drift per day that is not corrected for.
    pub drift_per_day: f64,
    /// Variance that a random walk adds per day.
    pub walk_per_day: f64,
}

/// What standardisations cost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Costs {
    /// Each one, whatever the number of replicates.
    pub each: f64,
    /// Each replicate.
    pub replicate: f64,
}

/// Standardisations of so many replicates, as far apart as the budget allows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Schedule {
    /// Replicates.
    pub replicates: u32,
    /// Days between standardisations; infinite where nothing grows.
    pub days: f64,
    /// Relative uncertainty just after a standardisation.
    pub at_start: f64,
    /// Share of the variance that drift and walk have at the end of the interval.
    pub share_of_growth: f64,
    /// Cost a year.
    pub cost_a_year: f64,
}

/// The longest interval with `replicates` that keeps the uncertainty within `most`; none where a fresh standardisation
/// already exceeds it.
///
/// # Formula
/// u²(τ) = u_fixed² + s²/n + (bτ)²/3 + qτ; τ from u(τ) = u_most. The drift's part is the mean square of an error that grows
/// from 0 to bτ, over the interval.
///
/// # Source
/// Mean square of a rectangular error between 0 and bτ: JCGM 100:2008, F.2.4.5 (from memory); ILAC-G24 for the aim.
///
/// # Errors
/// Anything negative or not finite, no replicate, `most` not above 0.
///
/// # Example
/// ```
/// use ferrotitre_core::control::interval::{Costs, Growth, schedule};
/// # fn main() -> Result<(), ferrotitre_core::control::ControlError> {
/// // 0.05 % a day, 0.06 % at the start, 0.10 % allowed: sqrt(3) x 0.08 / 0.05 days, by hand.
/// let growth = Growth { fixed: 0.06, repeatability: 0.0, drift_per_day: 0.05, walk_per_day: 0.0 };
/// let found = schedule(growth, Costs { each: 10.0, replicate: 5.0 }, 3, 0.10)?;
/// assert!(found.is_some_and(|schedule| (schedule.days - 2.771).abs() < 0.0005));
/// # Ok(()) }
/// ```
pub fn schedule(growth: Growth, costs: Costs, replicates: u32, most: f64) -> Result<Option<Schedule>, ControlError> {
    let Growth { fixed, repeatability, drift_per_day: b, walk_per_day: q } = growth;
    for (name, value) in [
        ("fixed", fixed),
        ("repeatability", repeatability),
        ("drift per day", b),
        ("walk per day", q),
        ("cost of each", costs.each),
        ("cost of a replicate", costs.replicate),
    ] {
        require(name, "0 or more, and below 1e100", value, (0.0..1e100).contains(&value))?;
    }
    require("replicates", "at least 1", f64::from(replicates), replicates >= 1)?;
    require("budget", "greater than 0, and below 1e100", most, most > 0.0 && most < 1e100)?;
    let start = fixed * fixed + repeatability * repeatability / f64::from(replicates);
    let room = most * most - start;
    if room <= 0.0 {
        return Ok(None);
    }
    // The root of (b²/3) τ² + q τ = room, in the form without a difference.
    let days = 2.0 * room / (q + (q * q + 4.0 * b * b * room / 3.0).sqrt());
    let cost = costs.each + costs.replicate * f64::from(replicates);
    let share_of_growth = if days.is_finite() { room / (most * most) } else { 0.0 };
    Ok(Some(Schedule { replicates, days, at_start: start.sqrt(), share_of_growth, cost_a_year: cost * DAYS / days }))
}

/// The cheapest schedule a year of those with up to `most_replicates`; of equal ones that with fewer replicates.
///
/// # Errors
/// As [`schedule`].
pub fn cheapest(
    growth: Growth,
    costs: Costs,
    most_replicates: u32,
    most: f64,
) -> Result<Option<Schedule>, ControlError> {
    let mut best: Option<Schedule> = None;
    for replicates in 1..=most_replicates.min(1000) {
        let Some(found) = schedule(growth, costs, replicates, most)? else { continue };
        if best.is_none_or(|best| found.cost_a_year < best.cost_a_year) {
            best = Some(found);
        }
    }
    Ok(best)
}

#[cfg(test)]
mod tests {
    use super::*;

    const FREE: Costs = Costs { each: 0.0, replicate: 1.0 };

    /// By hand: a walk alone, 0.0004 %² a day, room 0.01 - 0.0036 = 0.0064: 16 days. With drift as well, the times satisfy
    /// the equation.
    #[test]
    fn the_interval_ends_when_the_budget_is_used_up() {
        let growth = |b, q| Growth { fixed: 0.06, repeatability: 0.0, drift_per_day: b, walk_per_day: q };
        let days = |b, q| schedule(growth(b, q), FREE, 1, 0.1).unwrap().unwrap().days;
        assert!((days(0.0, 0.0004) - 16.0).abs() < 1e-9);
        assert!((days(0.02, 0.0) - 3f64.sqrt() * 0.08 / 0.02).abs() < 1e-9);
        let both = days(0.02, 0.0004);
        assert!(((0.02 * both).powi(2) / 3.0 + 0.0004 * both - 0.0064).abs() < 1e-12, "{both}");
        assert_eq!(days(0.0, 0.0), f64::INFINITY);
        assert!(schedule(growth(0.1, 0.0), FREE, 1, 0.06).unwrap().is_none());
        assert!(schedule(growth(-0.1, 0.0), FREE, 1, 0.1).is_err());
    }

    /// By hand, fixed 0, s 0.1, drift 0.1 a day, budget 0.1: n = 1 has no room; n = 2, 3, 4 leave 1.2247, 1.4142 and 1.5 days.
    /// At 10 for each and 1 for a replicate a year costs 12, 13 and 14 times 365.25 over those days: 3579, 3358, 3409.
    #[test]
    fn more_replicates_pay_until_they_cost_more_than_the_time_they_give() {
        let growth = Growth { fixed: 0.0, repeatability: 0.1, drift_per_day: 0.1, walk_per_day: 0.0 };
        let best = cheapest(growth, Costs { each: 10.0, replicate: 1.0 }, 10, 0.1).unwrap().unwrap();
        assert_eq!(best.replicates, 3);
        assert!((best.days - 2f64.sqrt()).abs() < 1e-9 && (best.cost_a_year - 3358.0).abs() < 0.5, "{best:?}");
        assert!(cheapest(growth, FREE, 1, 0.1).unwrap().is_none());
    }
}
