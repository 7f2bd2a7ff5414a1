//! Live formulas of lines: linearity with lack of fit, change with time.

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::validation::Statistic;
use ferrotitre_quality::validation_studies::answer::CharacteristicAnswer;

use super::live::{Block, Formulas, Live, about_line, groups_table, range, student};

/// Found against taken.
pub(super) fn linearity(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let (Some(x), Some(dof)) = (block.column("taken"), block.n().checked_sub(2)) else { return found };
    let y = block.values();
    let residual = about_line(&y, &x, dof);
    let t = student(1.0 - answer.design.confidence(), dof);
    let (slope, intercept) = (format!("SLOPE({y},{x})"), format!("INTERCEPT({y},{x})"));
    found.add(Statistic::Slope, Live::around(&slope, &format!("{t}*{residual}/SQRT(DEVSQ({x}))")));
    let half = format!("{t}*{residual}*SQRT(1/COUNT({x})+AVERAGE({x})^2/DEVSQ({x}))");
    found.add(Statistic::Intercept, Live::around(&intercept, &half));
    found.add_value(Statistic::RSquared, format!("RSQ({y},{x})"));
    found
        .add_value(Statistic::LargestResidual, format!("SUMPRODUCT(MAX(ABS({y}-{intercept}-{slope}*{x})))/{residual}"));
    let levels = block.groups(1);
    if let (Some(lack), Some(pure)) = (levels.len().checked_sub(2), block.n().checked_sub(levels.len()))
        && lack > 0
        && pure > 0
    {
        let (first, last) = groups_table(&mut found, block, &levels);
        let error = format!("SUM({})", range("C", first, last));
        let f = format!("((({residual}^2*{dof})-{error})/{lack}/({error}/{pure}))");
        found.add_value(Statistic::LackOfFitP, format!("FDIST({f},{lack},{pure})"));
        found.add_value(Statistic::LackOfFitF, f);
    }
    found.add_value(Statistic::ResidualSd, residual);
    found
}

/// Change with time, storage by storage.
pub(super) fn stability(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let design = &answer.design;
    let (Some(hours), Some(holding)) = (block.letter("hours"), design.holding_hours.as_ref().map(Decimal::value))
    else {
        return found;
    };
    for group in block.groups(1) {
        let Some(dof) = group.n().checked_sub(2).filter(|dof| *dof > 0) else { continue };
        let (x, y) = (group.range(hours), group.values());
        let error = format!("({}/SQRT(DEVSQ({x})))", about_line(&y, &x, dof));
        let slope = format!("SLOPE({y},{x})");
        let half = format!("{}*{error}", student(1.0 - design.equivalence_confidence(), dof));
        let name = group.labels.first().map(String::as_str).unwrap_or_default();
        let mut add = |statistic, live| {
            if name.is_empty() { found.add(statistic, live) } else { found.add_of(statistic, name, live) }
        };
        let rate = Live::around(&slope, &half);
        add(Statistic::Change, rate.times(&holding.to_string()));
        add(Statistic::RelativeChange, rate.times_signed(&format!("100*{holding}/INTERCEPT({y},{x})")));
        add(Statistic::ChangeP, Live::value(format!("TDIST(ABS({slope}/{error}),{dof},2)")));
        add(Statistic::ChangeRate, rate);
    }
    found
}
