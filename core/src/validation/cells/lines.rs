//! Straight lines: linearity with lack of fit, change with time.

use super::place::{Block, Column, Derived};
use super::study::{Estimate, Planned, StudyCells, about_line, given};
use super::tree::{Name, Scalar};
use crate::validation::{Statistic, StudyTerm};

/// Found against taken.
pub(super) fn levels(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    let taken = block.column(Column::Taken, block.rows());
    let (Some(x), Some(dof)) = (taken, block.n().checked_sub(2)) else { return };
    let y = block.values();
    let residual = about_line(&y, &x, dof).named(Statistic::ResidualSd);
    let t = Scalar::student(plan.alpha(), dof);
    let (slope, intercept) = (y.slope(&x).named(Statistic::Slope), y.intercept(&x).named(Statistic::Intercept));
    found.add(Statistic::Slope, Estimate::around(&slope, &(&t * &residual / x.squared_deviations().root())));
    let share = 1.0 / x.count() + x.mean().power(2.0) / x.squared_deviations();
    found.add(Statistic::Intercept, Estimate::around(&intercept, &(t * &residual * share.root())));
    found.add(Statistic::RSquared, y.r_squared(&x));
    found.add(Statistic::LargestResidual, y.off_line(&intercept, &slope, &x).largest_absolute() / &residual);
    lack_of_fit(found, block, (&residual, dof));
    found.add(Statistic::ResidualSd, residual);
}

/// Against the scatter within the levels, where there is any.
fn lack_of_fit(found: &mut StudyCells, block: &Block, (residual, dof): (&Scalar, usize)) {
    let levels = block.groups(1);
    let freedom = (levels.len().checked_sub(2), block.n().checked_sub(levels.len()));
    let (Some(lack @ 1..), Some(pure @ 1..)) = freedom else { return };
    let rows = found.groups(&levels);
    let error = Derived::GroupSquares.over(rows).sum().known_as(Name::Term(StudyTerm::PureErrorSquares));
    let f = (residual.power(2.0) * dof - &error) / lack / (&error / pure);
    let f = f.named(Statistic::LackOfFitF);
    found.add(Statistic::LackOfFitP, f.fisher_tail(lack, pure));
    found.add(Statistic::LackOfFitF, f);
}

/// Change with time, storage by storage.
pub(super) fn storages(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    let Some(holding) = plan.holding_hours.map(|hours| given(StudyTerm::HoldingTime, hours)) else { return };
    for group in block.groups(1) {
        let Some(x) = block.column(Column::Hours, group.rows()) else { return };
        let Some(dof) = group.n().checked_sub(2).filter(|dof| *dof > 0) else { continue };
        let y = group.values();
        let error = about_line(&y, &x, dof) / x.squared_deviations().root();
        let slope = y.slope(&x).named(Statistic::ChangeRate);
        let half = Scalar::student(1.0 - plan.equivalence_confidence, dof) * &error;
        let rate = Estimate::around(&slope, &half);
        let start = y.intercept(&x).named(Statistic::Intercept);
        let p = (&slope / error).student_tails(dof);
        let name = group.labels.first().map(String::as_str).unwrap_or_default();
        let mut add = |statistic, estimate: Estimate| {
            if name.is_empty() { found.add(statistic, estimate) } else { found.add_of(statistic, name, estimate) }
        };
        add(Statistic::Change, rate.scaled(|rate| rate * &holding));
        add(Statistic::RelativeChange, rate.scaled_with_sign(|rate| rate * 100.0 * &holding / &start));
        add(Statistic::ChangeP, p.into());
        add(Statistic::ChangeRate, rate);
    }
}
