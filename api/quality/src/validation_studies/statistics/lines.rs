//! Straight lines: linearity, stability, method comparison.

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::statistics::comparison::{LimitMultiplier, bland_altman, deming};
use ferrotitre_core::statistics::hypothesis::one_sample_t;
use ferrotitre_core::statistics::regression::{StraightLine, lack_of_fit};
use ferrotitre_core::validation::Statistic;

use super::bias::{equivalence, relative};
use super::{Making, Point, grouped, pairs, scaled, values};

fn distinct(values: &[f64]) -> usize {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    sorted.len()
}

/// Data with a number beside them; what lacks it is missing.
fn against(
    making: &mut Making<'_>,
    points: &[&Point],
    what: &str,
    pick: impl Fn(&Point) -> Option<&Decimal>,
) -> (Vec<f64>, Vec<f64>) {
    let known: Vec<(f64, f64)> = points.iter().filter_map(|point| Some((pick(point)?.value(), point.value))).collect();
    if known.len() < points.len() {
        making.miss(format!("{} data have no {what}", points.len() - known.len()));
    }
    known.into_iter().unzip()
}

/// Found against taken, with lack of fit.
pub(super) fn linearity(making: &mut Making<'_>, points: &[&Point]) {
    let confidence = making.asked.design.confidence();
    let (taken, found) = against(making, points, "amount taken", |point| point.labels.taken.as_ref());
    let levels = distinct(&taken);
    if levels < 3 {
        making.miss(format!("linearity needs at least 3 levels taken, has {levels}"));
        return;
    }
    let line = match StraightLine::fit(&taken, &found, None) {
        Ok(line) => line,
        Err(error) => return making.miss(error),
    };
    match (line.slope_test(1.0, confidence), line.intercept_test(0.0, confidence)) {
        (Ok(slope), Ok(intercept)) => {
            making.add(Statistic::Slope, slope.estimate, Some(slope.interval));
            making.add(Statistic::Intercept, intercept.estimate, Some(intercept.interval));
        }
        (Err(error), _) | (_, Err(error)) => making.miss(error),
    }
    making.add(Statistic::ResidualSd, line.residual_sd, None);
    if let Some(r_squared) = line.r_squared {
        making.add(Statistic::RSquared, r_squared, None);
        making.note("r² near 1 does not show that a line fits; the residuals and the test of lack of fit do");
    }
    if line.residual_sd > 0.0 {
        let largest = line.residuals.iter().fold(0.0_f64, |most, residual| most.max(residual.abs()));
        making.add(Statistic::LargestResidual, largest / line.residual_sd, None);
    } else {
        making.note("every point lies on the line: residuals say nothing");
    }
    match lack_of_fit(&taken, &found, 1) {
        Ok(test) => match test.f_test {
            Some(ratio) => {
                making.add(Statistic::LackOfFitF, ratio.f, None);
                making.add(Statistic::LackOfFitP, ratio.p, None);
            }
            None => making.note("replicates do not differ: there is no pure error to test lack of fit against"),
        },
        Err(error) => making.note(format!("no test of lack of fit: {error}")),
    }
}

/// Change with time, storage by storage, and equivalence over the holding time.
pub(super) fn stability(making: &mut Making<'_>, points: &[&Point]) {
    let Some(holding) = making.asked.design.holding_hours.as_ref().map(Decimal::value) else {
        return making.miss("the plan names no holding time");
    };
    let confidence = making.asked.design.equivalence_confidence();
    for (name, group) in grouped(points, |point| point.labels.group.clone()) {
        let of = (!name.is_empty()).then_some(name.as_str());
        let (hours, found) = against(making, &group, "time in hours", |point| point.labels.hours.as_ref());
        let times = distinct(&hours);
        let latest = hours.iter().copied().fold(0.0_f64, f64::max);
        if times < 3 {
            making.miss_of(&name, format!("stability needs at least 3 times, has {times}"));
            continue;
        }
        if latest < holding {
            making
                .miss_of(&name, format!("the latest datum is of {latest} h, the holding time to be shown {holding} h"));
        }
        let tested = StraightLine::fit(&hours, &found, None)
            .and_then(|line| Ok((line.intercept.estimate, line.slope_test(0.0, confidence)?)));
        match tested {
            Ok((start, slope)) => {
                making.add_of(Statistic::ChangeRate, of, slope.estimate, Some(slope.interval));
                making.add_of(Statistic::Change, of, slope.estimate * holding, Some(scaled(slope.interval, holding)));
                if start == 0.0 {
                    making.miss_of(&name, "the content at the start is 0: there is no relative change");
                } else {
                    let factor = 100.0 * holding / start;
                    let interval = scaled(slope.interval, factor);
                    making.add_of(Statistic::RelativeChange, of, slope.estimate * factor, Some(interval));
                }
                making.add_of(Statistic::ChangeP, of, slope.p.two_sided, None);
            }
            Err(error) => making.miss_of(&name, error),
        }
    }
    making.note("the change is the fitted slope times the holding time; its interval is that of the slope");
}

/// New method against reference, in pairs over the range.
pub(super) fn comparison(making: &mut Making<'_>, points: &[&Point]) {
    let design = making.asked.design;
    let confidence = design.confidence();
    let pairs = pairs(making, points, ("reference", "new"));
    let (reference, new): (Vec<f64>, Vec<f64>) = pairs.iter().map(|pair| (pair.first, pair.second)).unzip();
    let ratio = design.variance_ratio.as_ref().map_or(1.0, Decimal::value);
    match deming(&reference, &new, ratio, confidence) {
        Ok(line) => {
            making.add(Statistic::DemingSlope, line.slope.estimate, Some(line.slope.interval));
            making.add(Statistic::DemingIntercept, line.intercept.estimate, Some(line.intercept.interval));
            making.note(format!("Deming regression with error variances in the ratio {ratio}"));
        }
        Err(error) => making.miss(error),
    }
    match bland_altman(&new, &reference, LimitMultiplier::OnePointNineSix, confidence) {
        Ok(agreement) => {
            making.add(Statistic::LowerAgreement, agreement.lower_limit, Some(agreement.lower_limit_interval));
            making.add(Statistic::UpperAgreement, agreement.upper_limit, Some(agreement.upper_limit_interval));
        }
        Err(error) => making.miss(error),
    }
    let differences: Vec<f64> = pairs.iter().map(|pair| pair.second - pair.first).collect();
    let equivalent = design.equivalence_confidence();
    match one_sample_t(&differences, 0.0, equivalent) {
        Ok(test) => making.add(Statistic::MeanDifference, test.estimate, Some(test.interval)),
        Err(error) => making.miss(error),
    }
    let relative = relative(making, &pairs);
    if let Some(relative) = &relative {
        match one_sample_t(relative, 0.0, equivalent) {
            Ok(test) => making.add(Statistic::RelativeDifference, test.estimate, Some(test.interval)),
            Err(error) => making.miss(error),
        }
    }
    equivalence(making, None, &pairs, relative.as_deref(), Statistic::MeanDifference);
}

/// Residuals of found on taken, for the picture and the tests of outliers.
pub(super) fn residuals(points: &[&Point]) -> Option<Vec<f64>> {
    let taken: Option<Vec<f64>> = points.iter().map(|point| point.labels.taken.as_ref().map(Decimal::value)).collect();
    StraightLine::fit(&taken?, &values(points), None).ok().map(|line| line.residuals)
}
