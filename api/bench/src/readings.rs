//! Rules of what a burette or a balance shows, the same for samples, blanks, preparations and standardisations.

use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;

use crate::equipment::store::EquipmentFacts;

/// Checks the readings of a titration against the burette's scale.
pub fn check(errors: &mut FieldErrors, initial: &[Decimal], last: &[Decimal], burette: &EquipmentFacts) {
    if initial.is_empty() || initial.len() != last.len() {
        let message = "give as many final as initial readings, one of each per filling of the burette";
        errors.add("final_readings", "pairs", message, format!("{} and {}", initial.len(), last.len()));
        return;
    }
    errors.require(initial.len() <= 10, "final_readings", "fillings", "at most 10 fillings", initial.len());
    for (index, (first, last)) in initial.iter().zip(last).enumerate() {
        for (name, reading) in [("initial_readings", first), ("final_readings", last)] {
            let field = format!("{name}[{index}]");
            let (low, high) = (&burette.range_low, &burette.range_high);
            let inside = (low.value()..=high.value()).contains(&reading.value());
            errors.require(
                inside,
                &field,
                "within_scale",
                format!("must lie on the scale of {}, {low} to {high} mL", burette.code),
                reading,
            );
            if let Some(step) = &burette.resolution {
                let multiple = reading.reading().is_multiple_of(step.reading());
                errors.require(
                    multiple,
                    &field,
                    "multiple_of_resolution",
                    format!("must be a multiple of the reading step {step} mL of {}", burette.code),
                    reading,
                );
            }
        }
        let rises = last.reading().decimal() >= first.reading().decimal();
        let message = format!("must not be below the initial reading {first} mL");
        errors.require(rises, &format!("final_readings[{index}]"), "final_not_below_initial", message, last);
    }
}

/// Checks a mass against the balance that is said to have shown it.
pub fn weighed(errors: &mut FieldErrors, field: &str, mass: &Decimal, balance: &EquipmentFacts) {
    let high = &balance.range_high;
    let message = format!("{} weighs up to {high} g", balance.code);
    errors.require(mass.value() <= high.value(), field, "within_scale", message, mass);
    if let Some(step) = &balance.resolution {
        let message = format!("{} shows steps of {step} g: enter the mass as it was displayed", balance.code);
        errors.require(mass.reading().is_multiple_of(step.reading()), field, "multiple_of_resolution", message, mass);
    }
}

/// Assignable causes for leaving a titration out.
pub const CAUSES: [&str; 9] = [
    "grey precipitate",
    "failed reduction",
    "overrun end point",
    "air bubble",
    "misread",
    "wrong aliquot",
    "leak",
    "temperature",
    "other",
];

/// Checks that a cause is on the list.
///
/// # Errors
/// Names the causes.
pub fn cause(cause: &str) -> Result<(), Refusal> {
    if CAUSES.contains(&cause) {
        return Ok(());
    }
    Err(Refusal::invalid("cause", "one_of", format!("must be one of {}", CAUSES.join(", ")), cause))
}
