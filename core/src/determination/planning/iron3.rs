//! Iron(III) by difference against the share of iron(II), and with another aliquot.

use super::changed::{scale, taken, taken_after, with_vessel};
use super::{Capacity, Costs, Place, Planner, PlanningError};
use crate::determination::evaluate::Detail;
use crate::determination::facts::{Record, Vessel};
use crate::determination::iron3::iron3;
use crate::stop;

/// Iron(III) by difference as it would be with another share of iron(II) and another aliquot.
#[derive(Debug, Clone, PartialEq)]
pub struct Iron3At {
    /// Iron(II) over total iron.
    pub ratio: f64,
    /// Titre less blank of total iron, mL.
    pub total_ml: f64,
    /// The same of iron(II).
    pub iron2_ml: f64,
    /// Iron(III), in the reporting unit of total iron.
    pub value: f64,
    /// Standard uncertainty, what both share taken as shared.
    pub u: f64,
}

/// Iron(III) against the share of iron(II), by two determinations as they were made, or with another aliquot in both.
///
/// # Formula
/// The evaluation of iron(III) with titres of iron(II) that give w(Fe²⁺) = ratio w(Fe total), and titres of both in the ratio of
/// the aliquots.
///
/// # Source
/// JCGM 100:2008, 5.2, evaluated anew for each.
///
/// # Errors
/// A part without a result, or whose titres disagree; an aliquot that does not fit, or needs more than one filling.
pub fn iron3_map(
    (total, iron2): (&Record, &Record),
    aliquot: Option<&Vessel>,
    ratios: &[f64],
    burette: Capacity,
) -> Result<Vec<Iron3At>, PlanningError> {
    let free = Costs { run: 0.0, titre: 0.0, blank: 0.0, titrant: 0.0 };
    let (of_total, of_iron2) = (Planner::new(total, burette, free)?, Planner::new(iron2, burette, free)?);
    let (whole, part) = (of_total.with(&[])?.value, of_iron2.with(&[])?.value);
    if !(whole > 0.0 && part > 0.0) {
        return Err(PlanningError::Unsettled("a content of zero cannot be brought to another share".to_owned()));
    }
    let with_aliquot = |record: &Record| {
        let mut changed = record.clone();
        let before = taken(&changed.portion)?;
        let Some(by) = aliquot else { return Ok((changed, 1.0)) };
        with_vessel(&mut changed.portion, Place::Aliquot, by)?;
        let ratio = taken_after(&changed.portion)? / before;
        Ok::<_, PlanningError>((changed, ratio))
    };
    let ((total, total_ratio), (iron2, iron2_ratio)) = (with_aliquot(total)?, with_aliquot(iron2)?);
    let mut scaled_total = total;
    scale(&mut scaled_total, &of_total.net_ml, total_ratio, burette)?;
    let mut map = Vec::with_capacity(ratios.len());
    for ratio in ratios {
        stop::point();
        let mut scaled = iron2.clone();
        scale(&mut scaled, &of_iron2.net_ml, iron2_ratio * ratio * whole / part, burette)?;
        let derived = iron3(&scaled_total, &scaled, Detail::Figures)?;
        let (Some(value), Some(u)) = (derived.value, derived.u) else {
            return Err(PlanningError::Unsettled("the plan has no result".to_owned()));
        };
        map.push(Iron3At {
            ratio: *ratio,
            total_ml: derived.total.titre_ml.unwrap_or_default(),
            iron2_ml: derived.iron2.titre_ml.unwrap_or_default(),
            value,
            u,
        });
    }
    Ok(map)
}
