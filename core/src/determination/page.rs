//! The working of a determination, as the tree a notebook page is written from.

use crate::determination::content;
use crate::determination::evaluate::{Amount, Basis};
use crate::determination::facts::{Central, Factor, PortionAmount, Record};
use crate::determination::titre;
use crate::uncertainty::{Inputs, Scalar, Sourced};
use crate::working::{Fact, Step};

/// The result down to the recorded facts.
pub(super) fn working(
    basis: &Basis<'_>,
    inputs: &Inputs,
    amount: &Amount,
    dilution: &content::Dilution,
    result: &Sourced,
) -> Step {
    let record = basis.record;
    let net = net_step(basis, amount.net);
    let factor = &record.titrations[basis.used[0]].factor;
    let concentration = concentration_step(factor);
    let c = concentration.value;
    let z = factor.electrons;
    let iron = amount.iron.value();
    let (formula, numbers) = if amount.excess == 0.0 {
        (("z c V", "stoichiometry"), format!("{z} x {c} x {}", amount.net))
    } else {
        (("n_excess - z c V", "stoichiometry"), format!("{} - {z} x {c} x {}", amount.excess, amount.net))
    };
    let amount_step = Step::computed("n(Fe)", "amount of iron titrated", formula, numbers, iron, "mmol")
        .with_u(inputs.standard_uncertainty(&amount.iron))
        .from(vec![net, concentration]);
    let share = dilution.fraction.value();
    let fact = Fact { kind: "test_portions", id: record.portion.id.clone(), field: "dilution" };
    let fraction = Step::computed(
        "f",
        "share of the portion titrated",
        ("product (V_pipette / V_flask)", "dilution chain"),
        dilution.numbers.clone(),
        share,
        "",
    )
    .from(vec![portion_step(record, fact)]);
    let rule = &record.rules.reporting;
    let (base, symbol) = match record.portion.amount {
        PortionAmount::Volume(ref pipette) => (pipette.volume_ml, "n(Fe) M(Fe) / (f V_0)"),
        PortionAmount::Mass { grams, .. } => (grams, "n(Fe) M(Fe) / (f m)"),
    };
    let numbers =
        format!("{iron} x {} / ({share} x {base}), in {}", crate::chemistry::iron().value, rule.unit.symbol());
    Step::computed(
        "result",
        "iron content",
        (symbol, "requirements of the method"),
        numbers,
        result.value(),
        rule.unit.symbol(),
    )
    .with_u(inputs.standard_uncertainty(result))
    .from(vec![amount_step, fraction])
}

/// The concentration a result is computed with; between two factors, with both.
fn concentration_step(factor: &Factor) -> Step {
    let fact = |id: &String| Fact { kind: "titrant_factors", id: id.clone(), field: "concentration" };
    let name = format!("concentration of {}", factor.lot);
    let Some(next) = &factor.following else {
        return Step::fact("c", name, factor.concentration, "mol/L", fact(&factor.id)).with_u(factor.u);
    };
    let w = next.passed;
    let numbers = format!("{} x {} + {w} x {}", 1.0 - w, factor.concentration, next.concentration);
    let before = Step::fact("c_1", format!("{name}, factor in force"), factor.concentration, "mol/L", fact(&factor.id));
    let after = Step::fact("c_2", format!("{name}, next factor"), next.concentration, "mol/L", fact(&next.id));
    let formula = ("(1 - w) c_1 + w c_2", "interpolation in time, an option of the method");
    Step::computed("c", name, formula, numbers, factor.applied(), "mol/L")
        .with_u(((1.0 - w) * factor.u).hypot(w * next.u))
        .from(vec![before.with_u(factor.u), after.with_u(next.u)])
}

/// The titre that stands for all, from the volumes it is made of.
fn net_step(basis: &Basis<'_>, net_ml: f64) -> Step {
    let record = basis.record;
    let mut volumes = Vec::new();
    let mut names = Vec::new();
    for index in basis.used {
        let (titration, titre) = (&record.titrations[*index], &basis.titres[*index]);
        let symbol = format!("V{}", titre.position);
        let parts = (titre.burette_correction_ml, titre.temperature_factor, titre.volume_ml);
        volumes.push(titre::volume_step(&symbol, "titrations", &titration.id, &titration.segments, parts));
        names.push(titre.volume_ml.to_string());
    }
    let blank = basis.blank.as_ref().map_or(0.0, Scalar::value);
    if basis.blank.is_some() {
        let id = record.blanks.first().map(|blank| blank.id.clone()).unwrap_or_default();
        let fact = Fact { kind: "blanks", id, field: "final_readings" };
        volumes.push(Step::fact("V_b", "mean blank", blank, "mL", fact));
    }
    let formula = match basis.central {
        Central::Mean => ("mean(V) - V_b", "the method's rule on replicates"),
        Central::Median => ("median(V) - V_b", "the method's rule on replicates"),
    };
    Step::computed("V", "net titre", formula, format!("({}) - {blank}", names.join(", ")), net_ml, "mL").from(volumes)
}

fn portion_step(record: &Record, fact: Fact) -> Step {
    match &record.portion.amount {
        PortionAmount::Volume(pipette) => {
            Step::fact("V_0", format!("portion, {}", pipette.code), pipette.volume_ml, "mL", fact).with_u(pipette.u_ml)
        }
        PortionAmount::Mass { grams, u, .. } => Step::fact("m", "portion", *grams, "g", fact).with_u(*u),
    }
}
