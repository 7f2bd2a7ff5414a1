//! Limits of detection and quantification, of blanks and of iron(III) by difference.

use super::place::{Block, Column, Derived, Rows};
use super::study::{Entry, Estimate, Planned, StudyCells, about_line, given};
use super::tree::{Array, Scalar};
use crate::validation::{Statistic, StudyTerm};

/// What data near zero come to.
struct NearZero {
    scatter: Estimate,
    adjusted: Scalar,
    detection: Scalar,
    quantification: Scalar,
}

impl NearZero {
    /// Of data near zero; the scatter is known as this statistic.
    fn of(data: &Array, plan: &Planned<'_>, scatter: Statistic) -> Self {
        let s0 = data.sample_deviation().named(scatter);
        let share = 1.0 / given(StudyTerm::RoutineReplicates, plan.replicates.into());
        let share = match plan.blanks {
            Some(blanks) => share + 1.0 / given(StudyTerm::RoutineBlanks, blanks.into()),
            None => share,
        };
        let adjusted = (&s0 * share.root()).named(Statistic::AdjustedSdNearZero);
        Self {
            detection: 3.0 * &adjusted,
            quantification: given(StudyTerm::QuantificationFactor, plan.quantification_factor) * &adjusted,
            adjusted,
            scatter: Estimate::deviation(&s0, &(data.count() - 1.0), plan.alpha()),
        }
    }
}

/// From data near zero.
pub(super) fn near_zero(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    let near = NearZero::of(&block.values(), plan, Statistic::SdNearZero);
    found.add(Statistic::SdNearZero, near.scatter);
    found.add(Statistic::DetectionLimit, near.detection);
    found.add(Statistic::QuantificationLimit, near.quantification);
    found.add(Statistic::AdjustedSdNearZero, near.adjusted);
}

/// At several contents of total iron, and the slope of the scatter against them.
pub(super) fn totals(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    found.heads(["Total iron", "s0"]);
    let first = found.next_row();
    for group in block.groups(1).iter().filter(|group| group.n() > 1) {
        let Some((level, total)) = group.labels.first().and_then(|level| Some((level, level.parse::<f64>().ok()?)))
        else {
            continue;
        };
        let near = NearZero::of(&group.values(), plan, Statistic::SdNearZeroAt);
        found.table.push(vec![Entry::Number(total), Entry::Formula(near.scatter.value.clone())]);
        let total = given(StudyTerm::TotalIron, total);
        let quantification = near.quantification.named(Statistic::QuantificationLimitAt);
        found.add_of(Statistic::RelativeQuantificationLimitAt, level, 100.0 * &quantification / &total);
        found.add_of(Statistic::SdNearZeroAt, level, near.scatter);
        found.add_of(Statistic::DetectionLimitAt, level, near.detection);
        found.add_of(Statistic::QuantificationLimitAt, level, quantification);
        if let Some(own) = block.column(Column::Uncertainty, group.rows()) {
            found.add_of(Statistic::UncertaintyAt, level, own.root_mean_square());
        }
        if let Some((titre, u)) = plan.titre {
            let (titre, u) = (given(StudyTerm::Titre, titre), given(StudyTerm::TitreUncertainty, u));
            found.add_of(Statistic::ModelUncertaintyAt, level, total * Scalar::from(2.0).root() * u / titre);
        }
    }
    let totals = found.next_row() - first;
    if totals >= 3 {
        let rows = Rows { first, last: first + totals - 1 };
        let (x, y) = (Derived::Total.over(rows), Derived::SdAtTotal.over(rows));
        let t = Scalar::student(plan.alpha(), totals - 2);
        let half = t * about_line(&y, &x, totals - 2) / x.squared_deviations().root();
        found.add(Statistic::SdNearZeroSlope, Estimate::around(&y.slope(&x), &half));
    }
}
