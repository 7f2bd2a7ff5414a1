//! Ruggedness, and uncertainty bottom-up against top-down.

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::statistics::hypothesis::Interval;
use ferrotitre_core::statistics::ruggedness::{KnownPrecision, youden_steiner};
use ferrotitre_core::uncertainty::nordtest::{BiasSource, compare, top_down};
use ferrotitre_core::validation::Statistic;

use super::bias::mean;
use super::{Making, Point, grouped, percent, values};

/// Means of the eight runs; a run without data is missing.
pub(super) fn runs(making: &mut Making<'_>, points: &[&Point]) -> Option<[f64; 8]> {
    let mut means = [0.0; 8];
    let mut absent = Vec::new();
    for (mean_of_run, run) in means.iter_mut().zip(1_i32..) {
        let of_run: Vec<&Point> = points.iter().filter(|point| point.labels.run == Some(run)).copied().collect();
        match mean(&values(&of_run)) {
            Some(value) => *mean_of_run = value,
            None => absent.push(run.to_string()),
        }
    }
    if absent.is_empty() {
        return Some(means);
    }
    making.miss(format!("the design needs all eight runs; missing: {}", absent.join(", ")));
    None
}

/// Seven factors in eight runs.
pub(super) fn ruggedness(making: &mut Making<'_>, points: &[&Point]) {
    let design = making.asked.design;
    let Some(sd) = design.known_sd.as_ref().map(Decimal::value) else {
        return making.miss("the plan names no standard deviation to judge effects against");
    };
    let Some(means) = runs(making, points) else { return };
    if points.len() > 8 {
        making.note("replicates of a run are averaged; effects are judged against s of a single result");
    }
    let alpha = 1.0 - design.confidence();
    let degrees_of_freedom = design.known_sd_df.as_ref().map_or(f64::INFINITY, Decimal::value);
    let study = match youden_steiner(&means, Some(KnownPrecision { sd, degrees_of_freedom, alpha })) {
        Ok(study) => study,
        Err(error) => return making.miss(error),
    };
    let level = mean(&means).unwrap_or_default();
    for (effect, factor) in study.effects.iter().zip(&design.factors) {
        let Some(verdict) = effect.verdict else { continue };
        let of = Some(factor.name.as_str());
        let d = effect.difference;
        let interval = Interval { low: d - verdict.limit, high: d + verdict.limit, confidence: 1.0 - alpha };
        making.add_of(Statistic::Effect, of, d, Some(interval));
        if let Some(relative) = percent(d, level) {
            making.add_of(Statistic::RelativeEffect, of, relative, None);
        }
        making.add_of(Statistic::EffectRatio, of, d.abs() / verdict.limit, None);
    }
    making.add(Statistic::EffectsSd, study.sd_of_effects, None);
    if let Some(test) = study.overall {
        making.add(Statistic::EffectsP, test.p, None);
    }
}

/// Bottom-up figures of determinations against the laboratory's own control and bias data.
pub(super) fn uncertainty(making: &mut Making<'_>, points: &[&Point]) {
    let mut arms: Vec<(&str, Vec<f64>)> = Vec::new();
    for (name, group) in grouped(points, |point| point.labels.arm.clone()) {
        let known = making.asked.kind.arms().iter().find(|arm| **arm == name);
        if let Some(arm) = known {
            arms.push((arm, values(&group)));
        }
    }
    let of = |wanted: &str| arms.iter().find(|(name, _)| *name == wanted).map(|(_, values)| values.clone());
    let root_mean_square = |values: &[f64]| (values.iter().map(|u| u * u).sum::<f64>() / values.len() as f64).sqrt();
    let bottom_up = of("bottom-up");
    if let Some(values) = &bottom_up {
        making.add(Statistic::BottomUpUncertainty, root_mean_square(values), None);
    } else {
        making.miss("there is no bottom-up uncertainty");
    }
    let (Some(within), Some(biases), Some(references)) = (of("within-laboratory"), of("bias"), of("reference")) else {
        return making.miss("top-down needs data of all arms: within-laboratory, bias and reference");
    };
    let source = BiasSource::Several { biases, u_reference: root_mean_square(&references) };
    match top_down(root_mean_square(&within), &source) {
        Ok(found) => {
            making.add(Statistic::RootMeanSquareBias, found.rms_bias, None);
            making.add(Statistic::BiasComponent, found.u_bias, None);
            making.add(Statistic::TopDownUncertainty, found.combined, None);
            making.add(Statistic::ExpandedUncertainty, found.expanded, None);
            let ratio = bottom_up.as_deref().and_then(|values| compare(root_mean_square(values), found.combined));
            match ratio {
                Some(ratio) => making.add(Statistic::BottomUpOverTopDown, ratio.ratio, None),
                None => making.note("there is no ratio of the two unless both are positive"),
            }
        }
        Err(error) => making.miss(error),
    }
}
