//! Limits from a baseline as a graph, so that a reader computes them again from the points without this crate.
//!
//! [`super::limits`] computes the same with its own care for rounding; a test holds the two against each other.

use super::ControlError;
use super::constants::Constants;
use super::limits::Spread;
use crate::working::{Fact, Handle, Index, Label, Quantity, Sheet, Source, Working};

/// A number of a recorded control value.
#[derive(Debug, Clone, Copy)]
pub struct Point<'a> {
    /// Identity of the control value.
    pub id: &'a str,
    /// Its value, or one of its counts.
    pub value: f64,
}

/// The points of a baseline as leaves of a sheet.
fn leaves<'s, 'a>(
    sheet: &'s Sheet<'a>,
    (quantity, field): (Quantity, &'static str),
    points: &[Point<'a>],
) -> Vec<Handle<'s>> {
    let leaf = |(number, point): (u32, &Point<'a>)| {
        let fact = Fact { kind: "control_values", id: point.id, field };
        sheet.recorded(Label::at(quantity, Index::Number(number)), point.value, fact)
    };
    (1..).zip(points).map(leaf).collect()
}

fn values<'s, 'a>(sheet: &'s Sheet<'a>, points: &[Point<'a>]) -> Vec<Handle<'s>> {
    leaves(sheet, (Quantity::ControlValue, "value"), points)
}

/// Centre line of a baseline: the mean of its points, also of ranges.
///
/// # Source
/// ISO 7870-2 (from memory).
#[must_use]
pub fn centre(points: &[Point<'_>]) -> Working {
    let sheet = Sheet::new();
    let mean = sheet.mean(&values(&sheet, points));
    sheet.working(sheet.named(mean, Label::only(Quantity::Centre), Source::ChartLimits))
}

/// Centre line of a proportion: all events over all trials.
///
/// # Source
/// ISO 7870-2 (from memory).
#[must_use]
pub fn centre_of_proportion(events: &[Point<'_>], trials: &[Point<'_>]) -> Working {
    let sheet = Sheet::new();
    let events = sheet.sum(&leaves(&sheet, (Quantity::Events, "events"), events));
    let trials = sheet.sum(&leaves(&sheet, (Quantity::Trials, "trials"), trials));
    sheet.working(sheet.named(events / trials, Label::only(Quantity::Centre), Source::ChartLimits))
}

/// Standard deviation of single points: the sample standard deviation, or the mean moving range over d2 of two.
///
/// # Source
/// ISO 7870-2 (from memory).
///
/// # Errors
/// Fewer than two points.
pub fn deviation(points: &[Point<'_>], spread: Spread) -> Result<Working, ControlError> {
    let found = points.len() as u64;
    if found < 2 {
        return Err(ControlError::NotEnough { what: "a baseline", needed: 2, found });
    }
    let sheet = Sheet::new();
    let points = values(&sheet, points);
    let s = match spread {
        Spread::StandardDeviation => sheet.sample_deviation(&points),
        Spread::MovingRange => {
            let steps = points.windows(2).map(|pair| sheet.largest(&[pair[1] - pair[0], pair[0] - pair[1]]));
            let steps: Vec<_> = steps.collect();
            sheet.mean(&steps) / factor(&sheet, Quantity::MeanRangeFactor, Constants::new(2)?.d2)
        }
    };
    Ok(sheet.working(sheet.named(s, Label::only(Quantity::ChartDeviation), Source::ChartLimits)))
}

/// Standard deviation of ranges of `n` values: the mean range times d3 over d2.
///
/// # Source
/// ISO 7870-2 (from memory).
///
/// # Errors
/// `n` outside 2 to 1000.
pub fn deviation_of_ranges(points: &[Point<'_>], n: u32) -> Result<Working, ControlError> {
    let sheet = Sheet::new();
    let Constants { d2, d3, .. } = Constants::new(n)?;
    let mean = sheet.mean(&values(&sheet, points));
    let sigma = mean / factor(&sheet, Quantity::MeanRangeFactor, d2);
    let s = factor(&sheet, Quantity::RangeDeviationFactor, d3) * sigma;
    Ok(sheet.working(sheet.named(s, Label::only(Quantity::ChartDeviation), Source::ChartLimits)))
}

fn factor<'s>(sheet: &'s Sheet<'_>, quantity: Quantity, value: f64) -> Handle<'s> {
    sheet.given(Label::only(quantity), value, Source::RangeFactors)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::limits::{Centre, individuals, ranges};

    fn points(values: &[f64]) -> Vec<Point<'static>> {
        values.iter().map(|&value| Point { id: "v", value }).collect()
    }

    fn result(working: &Working) -> f64 {
        working.nodes()[working.result()].value
    }

    fn close(found: f64, expected: f64, limit: f64) {
        assert!((found - expected).abs() <= limit * expected.abs(), "{found} {expected}");
    }

    /// NIST StRD, univariate summary statistics, certified: NumAcc4, n = 1001 about 1e7. The graph adds plainly: 1e-13 of the mean,
    /// which is 1e-7 of the standard deviation.
    #[test]
    fn the_graph_of_a_baseline_comes_to_certified_values() {
        let mut values = vec![10_000_000.2];
        values.extend((0..500).flat_map(|_| [10_000_000.1, 10_000_000.3]));
        close(result(&centre(&points(&values))), 10_000_000.2, 1e-13);
        let s = deviation(&points(&values), Spread::StandardDeviation).unwrap();
        close(result(&s), 0.1, 1e-7);
    }

    #[test]
    fn the_graph_agrees_with_the_limits_that_judge() {
        let few = [118.2, 118.9];
        let many: Vec<f64> = (0..200_u32).map(|i| 118.0 + 0.4 * (f64::from(i) * 0.7).sin()).collect();
        let large: Vec<f64> = many.iter().map(|value| value + 1e6).collect();
        for values in [&few[..], &many, &large] {
            for spread in [Spread::StandardDeviation, Spread::MovingRange] {
                let limits = individuals(values, Centre::Mean, spread).unwrap().limits;
                close(result(&centre(&points(values))), limits.centre, 1e-14);
                close(result(&deviation(&points(values), spread).unwrap()), limits.sigma, 1e-9);
            }
        }
        let spans: Vec<f64> = many.iter().map(|value| value - 117.0).collect();
        for n in [2, 3, 10] {
            let limits = ranges(&spans, n).unwrap().limits;
            close(result(&centre(&points(&spans))), limits.centre, 1e-13);
            close(result(&deviation_of_ranges(&points(&spans), n).unwrap()), limits.sigma, 1e-13);
        }
    }

    #[test]
    fn a_single_point_has_no_deviation_and_a_proportion_is_events_over_trials() {
        assert!(deviation(&points(&[118.2]), Spread::StandardDeviation).is_err());
        let found = centre_of_proportion(&points(&[1.0, 0.0, 2.0]), &points(&[20.0, 30.0, 10.0]));
        close(result(&found), 0.05, 1e-15);
        assert_eq!(found.nodes().iter().filter(|node| node.fact.is_some()).count(), 6);
    }
}
