//! Repeatability and intermediate precision.

use ferrotitre_core::statistics::anova::{OneWay, one_way};
use ferrotitre_core::statistics::hypothesis::{Interval, sd_interval};
use ferrotitre_core::statistics::summary::Summary;
use ferrotitre_core::validation::{DataUnit, Statistic, horrat};
use ferrotitre_core::working::ContentUnit;

use super::{Making, Point, grouped, percent, scaled, values};

/// Repeatability limit over s_r: 2.8 of ISO 5725-6.
const R: f64 = 2.8;

/// What standing still means.
pub(super) const NO_SPREAD: &str =
    "the data do not differ: this shows the resolution of the reading, not the scatter; read finer";

fn mass_fraction(mean: f64, unit: DataUnit) -> Option<f64> {
    match unit {
        DataUnit::Content(ContentUnit::PercentByMass) => Some(mean / 100.0),
        // 1 L of dilute solution is about 1 kg; the predicted RSD goes with the 0.15th power only.
        DataUnit::Content(ContentUnit::GramsPerLitre) => Some(mean / 1e3),
        DataUnit::Content(ContentUnit::MilligramsPerLitre) => Some(mean / 1e6),
        _ => None,
    }
}

fn scatter(making: &mut Making<'_>, mean: f64, s_r: f64, interval: Interval) {
    making.add(Statistic::Mean, mean, None);
    making.add(Statistic::RepeatabilitySd, s_r, Some(interval));
    let Some(rsd) = percent(s_r, mean) else {
        making.miss("the mean is 0: there is no relative standard deviation");
        return;
    };
    making.add(Statistic::RelativeRepeatability, rsd.abs(), Some(scaled(interval, 100.0 / mean.abs())));
    if making.asked.kind != super::Kind::Repeatability {
        return;
    }
    making.add(Statistic::RepeatabilityLimit, R * s_r, Some(scaled(interval, R)));
    if let Some(found) = mass_fraction(mean, making.asked.unit).and_then(|c| horrat(rsd.abs(), c, false).ok()) {
        making.add(Statistic::HorRat, found.ratio, None);
        making
            .note("HorRat_r from 0.3 to 1.3 is usual; titrimetry of major iron is legitimately better than the curve");
    }
}

fn components(making: &mut Making<'_>, points: &[&Point]) -> Option<OneWay> {
    let groups = grouped(points, |point| point.labels.group.clone());
    if let Some((name, _)) = groups.iter().find(|(name, _)| name.is_empty()).filter(|_| groups.len() > 1) {
        let unnamed = groups.iter().filter(|(other, _)| other == name).map(|(_, group)| group.len()).sum::<usize>();
        making.miss(format!("{unnamed} data have no group"));
        return None;
    }
    let sizes: Vec<usize> = groups.iter().map(|(_, group)| group.len()).collect();
    if sizes.contains(&1) {
        let alone: Vec<&str> =
            groups.iter().filter(|(_, group)| group.len() == 1).map(|(name, _)| name.as_str()).collect();
        making.note(format!("a group of one says nothing of the repeatability: {}", alone.join(", ")));
    }
    if sizes.iter().any(|size| Some(size) != sizes.first()) {
        making.note("groups differ in size: n₀ stands for it, and the interval of s_L is approximate");
    }
    let groups: Vec<Vec<f64>> = groups.iter().map(|(_, group)| values(group)).collect();
    match one_way(&groups, making.asked.design.confidence()) {
        Ok(study) if study.ms_within <= 0.0 => {
            making.miss(NO_SPREAD);
            None
        }
        Ok(study) => Some(study),
        Err(error) => {
            making.miss(error);
            None
        }
    }
}

pub(super) fn repeatability(making: &mut Making<'_>, points: &[&Point]) {
    if grouped(points, |point| point.labels.group.clone()).len() > 1 {
        if let Some(study) = components(making, points) {
            scatter(making, study.grand_mean, study.repeatability.sd, study.repeatability.interval);
        }
        return;
    }
    let summary = Summary::of(&values(points));
    let found = summary.and_then(|summary| Ok((summary.mean()?, summary.sample_sd()?)));
    match found {
        Ok((_, s)) if s <= 0.0 => making.miss(NO_SPREAD),
        Ok((mean, s)) => match sd_interval(s, points.len() as f64 - 1.0, making.asked.design.confidence()) {
            Ok(interval) => scatter(making, mean, s, interval),
            Err(error) => making.miss(error),
        },
        Err(error) => making.miss(error),
    }
}

pub(super) fn intermediate(making: &mut Making<'_>, points: &[&Point]) {
    let Some(study) = components(making, points) else { return };
    making.add(Statistic::MeanSquareBetween, study.ms_between, None);
    making.add(Statistic::MeanSquareWithin, study.ms_within, None);
    scatter(making, study.grand_mean, study.repeatability.sd, study.repeatability.interval);
    making.add(Statistic::BetweenGroupSd, study.between.sd, Some(study.between_interval));
    if study.between.truncated() {
        making.note("MS_b is below MS_w: s_L² comes out negative and is set to 0");
    }
    let intermediate = study.intermediate;
    making.add(Statistic::IntermediateSd, intermediate.sd, Some(intermediate.interval));
    making.add(Statistic::IntermediateDegreesOfFreedom, intermediate.degrees_of_freedom, None);
    if study.grand_mean != 0.0 {
        let factor = 100.0 / study.grand_mean.abs();
        making.add(
            Statistic::RelativeIntermediate,
            intermediate.sd * factor,
            Some(scaled(intermediate.interval, factor)),
        );
    }
    making.add(Statistic::IntermediateOverRepeatability, intermediate.sd / study.repeatability.sd, None);
    if let Some(test) = study.f_test {
        making.add(Statistic::BetweenP, test.p, None);
    }
}
