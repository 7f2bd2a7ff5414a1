//! Trueness, competence, recovery, selectivity.

use std::collections::HashMap;

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::statistics::distribution::FisherF;
use ferrotitre_core::statistics::hypothesis::{
    Interval, equivalent_mean, equivalent_paired, one_sample_t, paired_t, sd_interval, variance_chi_square,
};
use ferrotitre_core::statistics::model_error::ModelError;
use ferrotitre_core::statistics::summary::Summary;
use ferrotitre_core::validation::{
    Measured, Recovery, Statistic, recovery_from_replicates, recovery_from_spike, trueness as against,
};

use super::{Making, Pair, Point, grouped, pairs, percent, scaled, values};

/// Bias against the certified value, with 2u as its limit.
pub(super) fn trueness(making: &mut Making<'_>, points: &[&Point]) {
    let design = making.asked.design;
    let (Some(reference), Some(u)) = (&design.reference, &design.reference_u) else {
        making.miss("the plan names no certified value");
        return;
    };
    let reference = reference.value();
    match against(&values(points), reference, u.value()) {
        Ok(found) => {
            let interval = Interval { low: found.bias - found.limit, high: found.bias + found.limit, confidence: 0.95 };
            making.add(Statistic::Mean, reference + found.bias, None);
            making.add(Statistic::Bias, found.bias, Some(interval));
            if let Some(relative) = percent(found.bias, reference) {
                making.add(Statistic::RelativeBias, relative, Some(scaled(interval, 100.0 / reference)));
            }
            making.add(Statistic::BiasUncertainty, found.u, None);
            making.add(Statistic::BiasRatio, found.bias.abs() / found.limit, None);
            making.note("the interval of the bias is d ± 2u(d), about 95 %");
        }
        Err(error) => making.miss(error),
    }
}

/// Bias of an analyst, and the analyst's scatter against the method's.
pub(super) fn competence(making: &mut Making<'_>, points: &[&Point]) {
    trueness(making, points);
    let design = making.asked.design;
    let Some(known) = design.known_sd.as_ref().map(Decimal::value) else {
        making.miss("the plan names no standard deviation of the method");
        return;
    };
    let values = values(points);
    let tested = (|| -> Result<(f64, Interval, f64, f64), ModelError> {
        let against_known = variance_chi_square(&values, known, design.confidence())?;
        let (s, nu) = (against_known.estimate.sqrt(), against_known.degrees_of_freedom);
        let ratio = against_known.estimate / (known * known);
        let p = match design.known_sd_df.as_ref().map(Decimal::value) {
            Some(df) => FisherF::new(nu, df)?.sf(ratio),
            // With unlimited degrees of freedom F is chi-square over its own.
            None => against_known.p.greater,
        };
        Ok((s, sd_interval(s, nu, design.confidence())?, ratio, p))
    })();
    match tested {
        Ok((s, interval, ratio, p)) => {
            making.add(Statistic::SampleSd, s, Some(interval));
            making.add(Statistic::VarianceF, ratio, None);
            making.add(Statistic::VarianceP, p, None);
        }
        Err(error) => making.miss(error),
    }
}

fn percents(found: &Recovery) -> (f64, Interval) {
    (100.0 * found.recovery, scaled(found.interval, 100.0))
}

/// Recovery of additions, of all and by level.
pub(super) fn recovery(making: &mut Making<'_>, points: &[&Point]) {
    let confidence = making.asked.design.confidence();
    let found = pairs(making, points, ("unspiked", "spiked"));
    let by_name: HashMap<&str, &Pair> = found.iter().map(|pair| (pair.name.as_str(), pair)).collect();
    let mut ratios: Vec<(f64, String)> = Vec::new();
    for (name, group) in grouped(points, |point| point.labels.pair.clone()) {
        let Some(pair) = by_name.get(name.as_str()) else { continue };
        for point in group.iter().filter(|point| point.labels.arm.as_deref() == Some("spiked")) {
            let Some(added) = point.labels.added.as_ref() else {
                making.miss(format!("pair {name}: the amount added is not recorded"));
                continue;
            };
            let exact = |value: f64| Measured { value, u: 0.0 };
            match recovery_from_spike(exact(point.value), exact(pair.first), exact(added.value()), confidence) {
                Ok(one) => ratios.push((one.recovery, added.to_string())),
                Err(error) => making.miss_of(&format!("pair {name}"), error),
            }
        }
    }
    let all: Vec<f64> = ratios.iter().map(|(ratio, _)| *ratio).collect();
    match recovery_from_replicates(&all, confidence) {
        Ok(mean) => {
            let (value, interval) = percents(&mean);
            making.add(Statistic::Recovery, value, Some(interval));
            making.add(Statistic::RecoveryUncertainty, 100.0 * mean.u, None);
            match mean.t {
                Some(t) => making.add(Statistic::RecoveryT, t, None),
                None => making.note("the recoveries do not differ, so that |1 - R| has nothing to be judged against"),
            }
        }
        Err(error) => making.miss(error),
    }
    let mut levels: Vec<&str> = Vec::new();
    for (_, level) in &ratios {
        if !levels.contains(&level.as_str()) {
            levels.push(level);
        }
    }
    for level in levels {
        let of_level: Vec<f64> = ratios.iter().filter(|(_, other)| other == level).map(|(ratio, _)| *ratio).collect();
        match recovery_from_replicates(&of_level, confidence) {
            Ok(mean) => {
                let (value, interval) = percents(&mean);
                making.add_of(Statistic::RecoveryAtLevel, Some(level), value, Some(interval));
            }
            Err(error) => making.miss_of(&format!("addition of {level}"), error),
        }
    }
}

/// Relative differences of pairs, in per cent of the first.
pub(super) fn relative(making: &mut Making<'_>, pairs: &[Pair]) -> Option<Vec<f64>> {
    let mut found = Vec::with_capacity(pairs.len());
    for pair in pairs {
        let Some(relative) = percent(pair.second - pair.first, pair.first) else {
            making.note(format!("pair {}: the first is 0, so there is no relative difference", pair.name));
            return None;
        };
        found.push(relative);
    }
    Some(found)
}

/// p-value of equivalence between the margins that the plan sets for the absolute or the relative difference.
pub(super) fn equivalence(
    making: &mut Making<'_>,
    of: Option<&str>,
    pairs: &[Pair],
    relative: Option<&[f64]>,
    absolute: Statistic,
) {
    let alpha = 1.0 - making.asked.design.confidence();
    let (first, second): (Vec<f64>, Vec<f64>) = pairs.iter().map(|pair| (pair.first, pair.second)).unzip();
    let tested = match (making.margins(Statistic::RelativeDifference), relative, making.margins(absolute)) {
        (Some(margins), Some(relative), _) => equivalent_mean(relative, margins, alpha),
        (_, _, Some(margins)) => equivalent_paired(&second, &first, margins, alpha),
        _ => return,
    };
    match tested {
        Ok(test) => making.add_of(Statistic::EquivalenceP, of, test.p, None),
        Err(error) => making.miss(error),
    }
}

/// With an interferent and without, in pairs, interferent by interferent.
pub(super) fn selectivity(making: &mut Making<'_>, points: &[&Point]) {
    let confidence = making.asked.design.equivalence_confidence();
    for (name, group) in grouped(points, |point| point.labels.group.clone()) {
        let pairs = pairs(making, &group, ("without", "with"));
        let (without, with): (Vec<f64>, Vec<f64>) = pairs.iter().map(|pair| (pair.first, pair.second)).unzip();
        match paired_t(&with, &without, 0.0, confidence) {
            Ok(test) => making.add_of(Statistic::Difference, Some(&name), test.estimate, Some(test.interval)),
            Err(error) => making.miss_of(&name, error),
        }
        let relative = relative(making, &pairs);
        if let Some(relative) = &relative {
            match one_sample_t(relative, 0.0, confidence) {
                Ok(test) => {
                    making.add_of(Statistic::RelativeDifference, Some(&name), test.estimate, Some(test.interval))
                }
                Err(error) => making.miss_of(&name, error),
            }
        }
        equivalence(making, Some(&name), &pairs, relative.as_deref(), Statistic::Difference);
    }
    making.note(format!(
        "intervals have {} % confidence: lying between the limits is equivalence by two one-sided tests",
        (confidence * 1000.0).round() / 10.0
    ));
}

/// Mean of figures.
pub(super) fn mean(values: &[f64]) -> Option<f64> {
    Summary::of(values).and_then(|summary| summary.mean()).ok()
}
