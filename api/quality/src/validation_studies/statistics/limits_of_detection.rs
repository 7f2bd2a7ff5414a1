//! Detection and quantification, of blanks and of iron(III) by difference.

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::statistics::hypothesis::sd_interval;
use ferrotitre_core::statistics::regression::StraightLine;
use ferrotitre_core::validation::{
    BlankScheme, DetectionFactors, DetectionLimits, Statistic, detection_limits_from_blanks,
};

use super::{Making, Point, grouped, percent, values};

fn limits(making: &mut Making<'_>, of: &str, points: &[&Point]) -> Option<DetectionLimits> {
    let design = making.asked.design;
    let count = |given: Option<u32>| given.and_then(|count| usize::try_from(count).ok());
    let scheme =
        BlankScheme { replicates: count(design.routine_replicates).unwrap_or(1), blanks: count(design.routine_blanks) };
    let quantification = design.quantification_factor.as_ref().map_or(10.0, Decimal::value);
    let factors = DetectionFactors { quantification, ..DetectionFactors::default() };
    match detection_limits_from_blanks(&values(points), scheme, factors) {
        Ok(found) => Some(found),
        Err(error) if of.is_empty() => {
            making.miss(error);
            None
        }
        Err(error) => {
            making.miss_of(of, error);
            None
        }
    }
}

/// From blanks or samples near zero.
pub(super) fn detection(making: &mut Making<'_>, points: &[&Point]) {
    let Some(found) = limits(making, "", points) else { return };
    let interval = sd_interval(found.s0, found.degrees_of_freedom, making.asked.design.confidence()).ok();
    making.add(Statistic::SdNearZero, found.s0, interval);
    making.add(Statistic::AdjustedSdNearZero, found.s0_adjusted, None);
    making.add(Statistic::DetectionLimit, found.detection, None);
    making.add(Statistic::QuantificationLimit, found.quantification, None);
}

/// Of iron(III) by difference: from differences found where there is no iron(III), at several contents of total iron.
pub(super) fn by_difference(making: &mut Making<'_>, points: &[&Point]) {
    let design = making.asked.design;
    let mut curve: Vec<(f64, f64)> = Vec::new();
    for (level, group) in grouped(points, |point| point.labels.taken.as_ref().map(ToString::to_string)) {
        let Some(total) = group.first().and_then(|point| point.labels.taken.as_ref()).map(Decimal::value) else {
            making.miss("data have no total iron");
            continue;
        };
        let Some(found) = limits(making, &format!("total {level}"), &group) else { continue };
        let interval = sd_interval(found.s0, found.degrees_of_freedom, design.confidence()).ok();
        let of = Some(level.as_str());
        making.add_of(Statistic::SdNearZeroAt, of, found.s0, interval);
        making.add_of(Statistic::DetectionLimitAt, of, found.detection, None);
        making.add_of(Statistic::QuantificationLimitAt, of, found.quantification, None);
        if let Some(relative) = percent(found.quantification, total) {
            making.add_of(Statistic::RelativeQuantificationLimitAt, of, relative, None);
        }
        // One datum without its uncertainty, and there is no mean of them.
        if let Some(squares) = group.iter().map(|point| point.u.map(|u| u * u)).collect::<Option<Vec<f64>>>() {
            making.add_of(
                Statistic::UncertaintyAt,
                of,
                (squares.iter().sum::<f64>() / squares.len() as f64).sqrt(),
                None,
            );
        }
        if let (Some(titre), Some(u)) = (&design.titre_ml, &design.titre_u_ml) {
            // At iron(III) = 0 what both titrations share cancels; the two titres remain.
            let model = total * std::f64::consts::SQRT_2 * u.value() / titre.value();
            making.add_of(Statistic::ModelUncertaintyAt, of, model, None);
        }
        curve.push((total, found.s0));
    }
    let (totals, scatter): (Vec<f64>, Vec<f64>) = curve.into_iter().unzip();
    if totals.len() < 3 {
        return making.note("a curve against total iron needs at least 3 totals");
    }
    match StraightLine::fit(&totals, &scatter, None).and_then(|line| line.slope_test(0.0, design.confidence())) {
        Ok(slope) => making.add(Statistic::SdNearZeroSlope, slope.estimate, Some(slope.interval)),
        Err(error) => making.note(error),
    }
}
