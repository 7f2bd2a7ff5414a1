//! Tests of outliers. They flag and never leave anything out.

use ferrotitre_base::ids::ValidationDatumId;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::statistics::outliers::{Finding, cochran, grubbs};

use super::{Making, Point, grouped, lines, pairs, values};
use crate::validation_studies::answer::OutlierFlag;
use crate::validation_studies::kinds::Kind;

fn text(finding: Finding) -> Option<&'static str> {
    match finding {
        Finding::Straggler => Some("straggler"),
        Finding::Outlier => Some("outlier"),
        Finding::None | Finding::NoDecision { .. } => None,
    }
}

/// Grubbs' test of figures, each of which stands for data.
fn grubbs_of(making: &mut Making<'_>, of: Option<&str>, figures: &[(f64, Vec<ValidationDatumId>)]) {
    let resolution = making.asked.design.resolution.as_ref().map_or(0.0, Decimal::value);
    let numbers: Vec<f64> = figures.iter().map(|(figure, _)| *figure).collect();
    if numbers.len() < 4 {
        return;
    }
    let Ok(test) = grubbs::test(&numbers, resolution) else { return };
    if let Some(finding) = text(test.finding) {
        let suspect = figures.iter().filter(|(figure, _)| *figure == test.suspect);
        making.found.flags.push(OutlierFlag {
            test: "Grubbs, two-sided",
            of: of.map(str::to_owned),
            data: suspect.flat_map(|(_, data)| data.iter().copied()).collect(),
            p: test.p,
            finding,
        });
    }
}

fn singly(points: &[&Point]) -> Vec<(f64, Vec<ValidationDatumId>)> {
    points.iter().map(|point| (point.value, vec![point.id])).collect()
}

fn cochran_of(making: &mut Making<'_>, groups: &[(String, Vec<&Point>)]) {
    let several: Vec<&(String, Vec<&Point>)> = groups.iter().filter(|(_, group)| group.len() > 1).collect();
    let numbers: Vec<Vec<f64>> = several.iter().map(|(_, group)| values(group)).collect();
    let Ok(test) = cochran::test(&numbers) else { return };
    if let (Some(finding), Some((name, group))) = (text(test.finding), several.get(test.suspect)) {
        making.found.flags.push(OutlierFlag {
            test: "Cochran",
            of: Some(name.clone()),
            data: group.iter().map(|point| point.id).collect(),
            p: test.p,
            finding,
        });
    }
}

/// Flags what is conspicuous.
pub(super) fn flag(making: &mut Making<'_>, points: &[&Point]) {
    match making.asked.kind {
        Kind::Trueness | Kind::Competence | Kind::Detection => grubbs_of(making, None, &singly(points)),
        Kind::Repeatability | Kind::IntermediatePrecision => {
            let groups = grouped(points, |point| point.labels.group.clone());
            if groups.len() > 1 {
                cochran_of(making, &groups);
                let means: Vec<(f64, Vec<ValidationDatumId>)> = groups
                    .iter()
                    .map(|(_, group)| {
                        let sum: f64 = group.iter().map(|point| point.value).sum();
                        (sum / group.len() as f64, group.iter().map(|point| point.id).collect())
                    })
                    .collect();
                grubbs_of(making, Some("means of the groups"), &means);
            } else {
                grubbs_of(making, None, &singly(points));
            }
        }
        Kind::DetectionByDifference => {
            for (name, group) in grouped(points, |point| point.labels.taken.as_ref().map(ToString::to_string)) {
                grubbs_of(making, Some(&name), &singly(&group));
            }
        }
        Kind::Linearity => {
            if let Some(residuals) = lines::residuals(points) {
                let figures: Vec<_> =
                    residuals.into_iter().zip(points).map(|(residual, point)| (residual, vec![point.id])).collect();
                grubbs_of(making, Some("residuals"), &figures);
            }
        }
        Kind::MethodComparison | Kind::Selectivity => {
            let arms = making.asked.kind.arms();
            let (Some(first), Some(second)) = (arms.first(), arms.get(1)) else { return };
            for (name, group) in grouped(points, |point| point.labels.group.clone()) {
                // What is missing was said when the statistics were made.
                let said = making.found.missing.len();
                let figures: Vec<_> = pairs(making, &group, (first, second))
                    .into_iter()
                    .map(|pair| (pair.second - pair.first, pair.members))
                    .collect();
                making.found.missing.truncate(said);
                let of = if name.is_empty() { "differences".to_owned() } else { name };
                grubbs_of(making, Some(&of), &figures);
            }
        }
        Kind::Recovery | Kind::Ruggedness | Kind::Stability | Kind::Uncertainty => {}
    }
}
