//! Records as they would be with other vessels, burettes, titrants and amounts.

use bigdecimal::{BigDecimal, FromPrimitive};

use super::{Capacity, Place, PlanningError};
use crate::determination::blank::is_back_titration;
use crate::determination::facts::{Burette, DilutionStep, Portion, PortionAmount, Record, Segment, Titration, Vessel};
use crate::quantity::Reading;

/// Brings titres, less blank so large, to another amount of iron.
pub(super) fn scale(record: &mut Record, net_ml: &[f64], ratio: f64, burette: Capacity) -> Result<(), PlanningError> {
    if (ratio - 1.0).abs() > 1e-12 && is_back_titration(record) {
        return Err(PlanningError::BackTitration);
    }
    for (titration, net) in record.titrations.iter_mut().zip(net_ml) {
        let read: f64 = titration.segments.iter().map(|part| part.last.value() - part.initial.value()).sum();
        let wanted = read + net * (ratio - 1.0);
        if wanted > burette.ml && !burette.refills {
            return Err(PlanningError::Refill { titre: wanted, capacity: burette.ml });
        }
        titration.segments = filled(titration, wanted, burette.ml);
    }
    Ok(())
}

/// How much of what was taken comes into the titration vessel, in any unit.
pub(super) fn taken(portion: &Portion) -> Result<f64, PlanningError> {
    let mut amount = match &portion.amount {
        PortionAmount::Volume(vessel) => vessel.volume_ml,
        PortionAmount::Mass { grams, .. } => *grams,
    };
    let mut held: Option<f64> = None;
    for DilutionStep { pipette, flask } in &portion.dilution {
        if let (Some(pipette), Some(held)) = (pipette, held) {
            amount *= pipette.volume_ml / held;
        }
        held = Some(flask.volume_ml);
    }
    if let (Some(aliquot), Some(held)) = (&portion.aliquot, held) {
        amount *= aliquot.volume_ml / held;
    }
    Ok(amount)
}

/// The same of a portion that is planned: what goes into a flask must leave it room.
pub(super) fn taken_after(portion: &Portion) -> Result<f64, PlanningError> {
    let fits = |pipette: f64, flask: f64| {
        if pipette < flask { Ok(()) } else { Err(PlanningError::DoesNotFit { pipette, flask }) }
    };
    let mut held: Option<f64> = None;
    for DilutionStep { pipette, flask } in &portion.dilution {
        let into = match (pipette, &portion.amount, held) {
            (Some(pipette), ..) => Some(pipette.volume_ml),
            (None, PortionAmount::Volume(vessel), None) => Some(vessel.volume_ml),
            (None, ..) => None,
        };
        if let Some(into) = into {
            fits(into, flask.volume_ml)?;
        }
        if let (Some(pipette), Some(held)) = (pipette, held) {
            fits(pipette.volume_ml, held)?;
        }
        held = Some(flask.volume_ml);
    }
    if let (Some(aliquot), Some(held)) = (&portion.aliquot, held) {
        fits(aliquot.volume_ml, held)?;
    }
    taken(portion)
}

pub(super) fn with_vessel(portion: &mut Portion, place: Place, by: &Vessel) -> Result<(), PlanningError> {
    let amount = &mut portion.amount;
    let at = match place {
        Place::Sample => {
            if let PortionAmount::Volume(vessel) = amount {
                Some(vessel)
            } else {
                None
            }
        }
        Place::Pipette(step) => portion.dilution.get_mut(step).and_then(|step| step.pipette.as_mut()),
        Place::Flask(step) => portion.dilution.get_mut(step).map(|step| &mut step.flask),
        Place::Aliquot => portion.aliquot.as_mut(),
    };
    at.ok_or(PlanningError::NoVessel(place))?.clone_from(by);
    Ok(())
}

/// The scale errors of the present burette are those of its titres; the other one is planned with its uncertainty alone.
pub(super) fn with_burette(record: &mut Record, by: &Burette) {
    let change = |burette: &mut Burette| {
        let corrections = std::mem::take(&mut burette.corrections);
        *burette = Burette { corrections, ..by.clone() };
    };
    record.titrations.iter_mut().map(|titration| &mut titration.burette).for_each(change);
    record.blanks.iter_mut().map(|blank| &mut blank.burette).for_each(change);
}

pub(super) fn with_titrant(record: &mut Record, relative_u: f64, dof: Option<f64>) {
    let titrations = record.titrations.iter_mut().map(|titration| &mut titration.factor);
    let blanks = record.blanks.iter_mut().filter_map(|blank| blank.factor.as_mut());
    for factor in titrations.chain(blanks) {
        factor.u = relative_u * factor.concentration;
        factor.dof = dof;
        if let Some(following) = &mut factor.following {
            following.u = relative_u * following.concentration;
            following.dof = dof;
        }
    }
}

/// Readings of a volume, in as many fillings as it takes.
pub(super) fn filled(titration: &Titration, wanted: f64, capacity_ml: f64) -> Vec<Segment> {
    let digits = titration.segments.first().map_or(2, |part| part.last.decimal().fractional_digit_count());
    let reading = |ml: f64| {
        Reading::of(
            BigDecimal::from_f64(ml).unwrap_or_default().with_scale_round(digits, bigdecimal::RoundingMode::HalfEven),
        )
    };
    let fits = titration.segments.iter().all(|part| part.last.value() <= capacity_ml);
    let read: f64 = titration.segments.iter().map(|part| part.last.value() - part.initial.value()).sum();
    if fits && (read - wanted).abs() < 1e-9 {
        return titration.segments.clone();
    }
    if let [only] = titration.segments.as_slice()
        && only.initial.value() + wanted <= capacity_ml
    {
        return vec![Segment { initial: only.initial.clone(), last: reading(only.initial.value() + wanted) }];
    }
    let fillings = (wanted / capacity_ml).ceil().clamp(1.0, 20.0);
    let each = wanted / fillings;
    (0..fillings as usize).map(|_| Segment { initial: reading(0.0), last: reading(each) }).collect()
}

/// The same determination in a run of its own.
pub(super) fn copy(record: &Record, run: usize) -> Record {
    let mut other = record.clone();
    let named = |id: &mut String| *id = format!("{id} run {run}");
    named(&mut other.id);
    named(&mut other.portion.id);
    if let PortionAmount::Mass { id, .. } = &mut other.portion.amount {
        named(id);
    }
    other.titrations.iter_mut().for_each(|titration| named(&mut titration.id));
    other.blanks.iter_mut().for_each(|blank| named(&mut blank.id));
    other
}
