//! Concentration of a titrant: by direct preparation, or by standardisation.

use crate::chemistry::{buoyancy, temperature_factor};
use crate::determination::content::vessel;
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Burette, Factor, Segment, Standing, Vessel};
use crate::determination::titre::{Delivered, volume, volume_step};
use crate::determination::verdict::{Outcome, Verdict};
use crate::statistics::summary::Summary;
use crate::uncertainty::{Contribution, DegreesOfFreedom, Input, Inputs, Scalar, Sourced};
use crate::working::{Fact, Step};

/// A primary-standard lot and how it was weighed.
#[derive(Debug, Clone, PartialEq)]
pub struct Reference {
    /// Identity of the lot's version.
    pub id: String,
    /// Code of the lot.
    pub code: String,
    /// Certified mass fraction P.
    pub mass_fraction: f64,
    /// Its standard uncertainty (U / k of the certificate).
    pub mass_fraction_u: f64,
    /// Molar mass, g/mol.
    pub molar_mass: f64,
    /// Its standard uncertainty.
    pub molar_mass_u: f64,
    /// Electrons (or protons) exchanged per formula unit.
    pub electrons: f64,
    /// Density for the buoyancy correction, g/cm3; none leaves it out.
    pub density: Option<f64>,
    /// Density of the air, g/cm3.
    pub air_density: f64,
    /// Identity of the balance's calibration.
    pub balance_id: String,
    /// Standard uncertainty of a weighing, g.
    pub balance_u: f64,
}

impl Reference {
    fn purity(&self, inputs: &mut Inputs) -> Result<Sourced, EvaluationError> {
        let label = format!("mass fraction of {}", self.code);
        Ok(inputs.add(Input::new(
            format!("purity:{}", self.id),
            label,
            "g/g",
            self.mass_fraction,
            self.mass_fraction_u,
        ))?)
    }

    fn molar(&self, inputs: &mut Inputs) -> Result<Sourced, EvaluationError> {
        let id = format!("molar-mass:{}", self.molar_mass);
        Ok(inputs.add(Input::new(id, "molar mass of the standard", "g/mol", self.molar_mass, self.molar_mass_u))?)
    }

    fn buoyancy(&self) -> f64 {
        self.density.map_or(1.0, |density| buoyancy(density, self.air_density))
    }
}

/// Direct preparation by mass.
#[derive(Debug, Clone, PartialEq)]
pub struct Preparation {
    /// Identity of the preparation's version.
    pub id: String,
    /// Standard.
    pub reference: Reference,
    /// Mass as read, g.
    pub mass_g: f64,
    /// The same, digits as entered.
    pub mass_text: String,
    /// Flask.
    pub flask: Vessel,
    /// Temperature at which the flask was made up, C.
    pub temperature: f64,
    /// Nominal concentration, mol/L.
    pub nominal: f64,
    /// Limits of the factor.
    pub factor_limits: (f64, f64),
}

/// A titrant's concentration with everything behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct PreparedTitrant {
    /// Amount concentration at 20 C, mol/L.
    pub concentration: f64,
    /// Standard uncertainty, mol/L.
    pub u: f64,
    /// Effective degrees of freedom.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Concentration divided by the nominal one.
    pub factor: f64,
    /// Budget.
    pub budget: Vec<Contribution>,
    /// Verdicts.
    pub verdicts: Vec<Verdict>,
    /// The working.
    pub working: Step,
}

fn factor_verdict(factor: f64, (low, high): (f64, f64)) -> Verdict {
    let met = (low..=high).contains(&factor);
    Verdict {
        rule: "factor within limits",
        outcome: if met { Outcome::Met } else { Outcome::NotMet },
        compared: "concentration divided by the nominal one".to_owned(),
        value: Some(factor),
        critical: Some(if factor < low { low } else { high }),
        unit: "",
        obtained: format!("limits of the lot, {low} to {high}"),
        p: None,
        advice: if met {
            String::new()
        } else {
            "look for an error of weighing, volume or reading; prepare again".to_owned()
        },
    }
}

/// Concentration of a directly prepared titrant.
///
/// # Formula
/// c20 = 1000 m P B / (M V20), V20 = V_flask F(T)
///
/// # Source
/// Definition of the amount concentration; buoyancy: OIML D 28, temperature: ISO 4787 (from memory).
///
/// # Errors
/// A temperature outside the range of the water formula, or inputs that are not numbers.
pub fn prepare(preparation: &Preparation) -> Result<PreparedTitrant, EvaluationError> {
    let mut inputs = Inputs::new();
    let reference = &preparation.reference;
    let mass =
        Input::new(format!("mass:{}", preparation.id), "mass weighed", "g", preparation.mass_g, reference.balance_u);
    let mass = inputs.add(mass)?;
    let purity = reference.purity(&mut inputs)?;
    let molar = reference.molar(&mut inputs)?;
    let flask = vessel(&mut inputs, &preparation.flask)?;
    // A degree of doubt about the solution's temperature is 0.02 % of its volume.
    let temperature_u =
        temperature_factor(preparation.temperature + 0.5)? - temperature_factor(preparation.temperature - 0.5)?;
    let to_20 = temperature_factor(preparation.temperature)?;
    let warmth = Input::new(
        format!("temperature:{}", preparation.id),
        "temperature of the flask",
        "",
        to_20,
        temperature_u.abs() / 3f64.sqrt(),
    );
    let warmth = inputs.add(warmth)?;
    let b = reference.buoyancy();
    let concentration = mass * purity * (1000.0 * b) / (molar * flask * warmth);
    let c = concentration.value();
    let u = inputs.standard_uncertainty(&concentration);
    let factor = c / preparation.nominal;
    let leaves = preparation_leaves(preparation);
    let numbers = format!(
        "1000 x {} x {} x {b} / ({} x {} x {to_20})",
        preparation.mass_text, reference.mass_fraction, reference.molar_mass, preparation.flask.volume_ml
    );
    let formula = ("1000 m P B / (M V F_T)", "requirements of the method; B: OIML D 28, F_T: ISO 4787");
    let working = Step::computed("c20", "concentration at 20 C", formula, numbers, c, "mol/L").with_u(u).from(leaves);
    Ok(PreparedTitrant {
        concentration: c,
        u,
        degrees_of_freedom: inputs.effective_degrees_of_freedom(&concentration),
        factor,
        budget: inputs.budget(&concentration),
        verdicts: vec![factor_verdict(factor, preparation.factor_limits)],
        working,
    })
}

/// The recorded facts under a preparation.
fn preparation_leaves(preparation: &Preparation) -> Vec<Step> {
    let reference = &preparation.reference;
    let fact = |kind, id: &str, field| Fact { kind, id: id.to_owned(), field };
    vec![
        Step::fact(
            "m",
            "mass weighed",
            preparation.mass_g,
            "g",
            fact("titrant_preparations", &preparation.id, "mass_g"),
        )
        .entered_as(&preparation.mass_text)
        .with_u(reference.balance_u),
        Step::fact(
            "P",
            "mass fraction",
            reference.mass_fraction,
            "g/g",
            fact("primary_standards", &reference.id, "mass_fraction"),
        )
        .with_u(reference.mass_fraction_u),
        Step::fact(
            "V",
            "flask",
            preparation.flask.volume_ml,
            "mL",
            fact("equipment_calibrations", &preparation.flask.id, "calibrated_value"),
        )
        .with_u(preparation.flask.u_ml),
    ]
}

/// A replicate or blank of a standardisation.
#[derive(Debug, Clone, PartialEq)]
pub struct Replicate {
    /// Identity of this version.
    pub id: String,
    /// Order, from 1.
    pub position: u32,
    /// Mass of standard as read, g, with its digits; none for an aliquot of a titrant and for a blank.
    pub mass: Option<(f64, String)>,
    /// Whether it is a blank.
    pub blank: bool,
    /// What was decided on it.
    pub standing: Standing,
    /// Readings.
    pub segments: Vec<Segment>,
    /// Temperature of the titrant, C.
    pub temperature: Option<f64>,
}

/// A standardisation with all facts it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Standardisation {
    /// Identity.
    pub id: String,
    /// Electrons (or protons) exchanged per formula unit of the titrant.
    pub electrons: f64,
    /// Nominal concentration, mol/L.
    pub nominal: f64,
    /// The weighed standard, or none if against a titrant.
    pub reference: Option<Reference>,
    /// The reference titrant and the pipette that delivers it.
    pub reference_titrant: Option<(Factor, Vessel)>,
    /// Burette.
    pub burette: Burette,
    /// Apply burette and temperature corrections.
    pub corrections: (bool, bool),
    /// Repeatability of a result relative to its value, from the validated method; the replicates' own scatter if none.
    pub relative_repeatability: Option<f64>,
    /// Fewest accepted replicates.
    pub minimum: usize,
    /// Limits of the factor.
    pub factor_limits: (f64, f64),
    /// Replicates and blanks, in order.
    pub replicates: Vec<Replicate>,
}

/// A replicate's concentration.
#[derive(Debug, Clone, PartialEq)]
pub struct ReplicateResult {
    /// Replicate.
    pub id: String,
    /// Order.
    pub position: u32,
    /// Volume at 20 C less blank, mL.
    pub net_ml: f64,
    /// Concentration, mol/L.
    pub concentration: f64,
}

/// What a standardisation comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct StandardisationResult {
    /// Every replicate that counts.
    pub replicates: Vec<ReplicateResult>,
    /// Mean blank, mL.
    pub blank_ml: Option<f64>,
    /// Sample standard deviation of the concentrations, mol/L; from two on.
    pub sd: Option<f64>,
    /// The concentration; none while too few replicates count.
    pub titrant: Option<PreparedTitrant>,
    /// Why there is none yet.
    pub missing: Option<String>,
}

/// Concentration from a standardisation.
///
/// # Formula
/// c_i = 1000 m P B z_s / (M z_t (V - V_b)), or z_s c_s V_s / (z_t (V - V_b)); c the mean. Each replicate's weighing and
/// titration enter through the repeatability; purity, molar mass, burette and pipette are common to all.
///
/// # Source
/// Stoichiometry of the titration; Eurachem QUAM 2012, example A2 (one replicate, relative repeatability given).
///
/// # Errors
/// Corrections that cannot be applied, or inputs that are not numbers.
pub fn standardise(facts: &Standardisation) -> Result<StandardisationResult, EvaluationError> {
    let mut inputs = Inputs::new();
    let counted =
        |blank: bool| facts.replicates.iter().filter(move |r| r.blank == blank && r.standing == Standing::Counted);
    let measure =
        |replicate: &Replicate| volume(&replicate.segments, &facts.burette, replicate.temperature, facts.corrections);
    let mut blanks = Summary::new();
    for blank in counted(true) {
        let _ = blanks.add(measure(blank)?.value);
    }
    let blank_ml = blanks.mean().ok();
    let mut results = Vec::new();
    let mut terms: Vec<Sourced> = Vec::new();
    let mut lines = Vec::new();
    for replicate in counted(false) {
        let volume = measure(replicate)?;
        let net_ml = volume.value - blank_ml.unwrap_or(0.0);
        let term = concentration(facts, replicate, net_ml, &mut inputs)?;
        results.push(ReplicateResult {
            id: replicate.id.clone(),
            position: replicate.position,
            net_ml,
            concentration: term.value(),
        });
        let symbol = format!("V{}", replicate.position);
        let delivered = Delivered {
            kind: "standardisation_titrations",
            id: &replicate.id,
            segments: &replicate.segments,
            temperature: replicate.temperature,
            burette: &facts.burette,
        };
        let step = volume_step(&symbol, &delivered, facts.corrections)?;
        let numbers = term_numbers(facts, replicate, net_ml);
        let formula = ("1000 m P B z_s / (M z_t (V - V_b))", "requirements of the method");
        lines.push(
            Step::computed(
                format!("c{}", replicate.position),
                "concentration of a replicate",
                formula,
                numbers,
                term.value(),
                "mol/L",
            )
            .from(vec![step]),
        );
        terms.push(term);
    }
    let values: Vec<f64> = terms.iter().map(Scalar::value).collect();
    let sd = Summary::of(&values).and_then(|summary| summary.sample_sd()).ok();
    let mut result = StandardisationResult { replicates: results, blank_ml, sd, titrant: None, missing: None };
    if terms.len() < facts.minimum {
        result.missing =
            Some(format!("not enough data: needs {} accepted replicates, has {}", facts.minimum, terms.len()));
        return Ok(result);
    }
    result.titrant = Some(mean_titrant(facts, terms, sd, lines, &mut inputs)?);
    Ok(result)
}

/// Concentration of one replicate; its own random errors are left to the repeatability.
fn concentration(
    facts: &Standardisation,
    replicate: &Replicate,
    net_ml: f64,
    inputs: &mut Inputs,
) -> Result<Sourced, EvaluationError> {
    let burette = &facts.burette;
    let label = format!("calibration of {}", burette.code);
    let bias = inputs.add(Input::new(&burette.id, label, "mL", 0.0, burette.u_ml).with_dof(burette.dof))?;
    let delivered = bias + net_ml;
    if let (Some(reference), Some((grams, _))) = (&facts.reference, &replicate.mass) {
        let weighing = Input::new(&reference.balance_id, "calibration of the balance", "g", 0.0, reference.balance_u);
        let mass = inputs.add(weighing)? + *grams;
        let factor = 1000.0 * reference.buoyancy() * reference.electrons / facts.electrons;
        let (purity, molar) = (reference.purity(inputs)?, reference.molar(inputs)?);
        return Ok(mass * purity * factor / (molar * delivered));
    }
    if let Some((factor, pipette)) = &facts.reference_titrant {
        let label = format!("concentration of {}", factor.lot);
        let c =
            inputs.add(Input::new(&factor.id, label, "mol/L", factor.concentration, factor.u).with_dof(factor.dof))?;
        let taken = vessel(inputs, pipette)?;
        return Ok(c * taken * (f64::from(factor.electrons) / facts.electrons) / delivered);
    }
    Err(EvaluationError::ExcessMissing(replicate.id.clone()))
}

fn term_numbers(facts: &Standardisation, replicate: &Replicate, net_ml: f64) -> String {
    match (&facts.reference, &replicate.mass, &facts.reference_titrant) {
        (Some(reference), Some((_, mass)), _) => format!(
            "1000 x {mass} x {} x {} x {} / ({} x {} x {net_ml})",
            reference.mass_fraction,
            reference.buoyancy(),
            reference.electrons,
            reference.molar_mass,
            facts.electrons
        ),
        (_, _, Some((factor, pipette))) => {
            format!(
                "{} x {} x {} / ({} x {net_ml})",
                factor.electrons, factor.concentration, pipette.volume_ml, facts.electrons
            )
        }
        _ => String::new(),
    }
}

fn mean_titrant(
    facts: &Standardisation,
    terms: Vec<Sourced>,
    sd: Option<f64>,
    lines: Vec<Step>,
    inputs: &mut Inputs,
) -> Result<PreparedTitrant, EvaluationError> {
    let n = terms.len() as f64;
    let names: Vec<String> = terms.iter().map(|term| term.value().to_string()).collect();
    let mean = terms.into_iter().fold(Sourced::constant(0.0), |sum, term| sum + term) / n;
    let (relative, dof) = match (facts.relative_repeatability, sd) {
        (Some(relative), _) => (relative, None),
        (None, Some(sd)) => (sd / mean.value(), Some(n - 1.0)),
        (None, None) => (0.0, None),
    };
    let id = format!("repeatability:{}", facts.id);
    let repeatability = inputs.add(Input::new(id, "repeatability", "", 1.0, relative / n.sqrt()).with_dof(dof))?;
    let concentration = mean * repeatability;
    let c = concentration.value();
    let u = inputs.standard_uncertainty(&concentration);
    let factor = c / facts.nominal;
    let formula = ("mean(c_i)", "arithmetic mean of the accepted replicates");
    let working =
        Step::computed("c20", "concentration at 20 C", formula, format!("({}) / {n}", names.join(" + ")), c, "mol/L");
    Ok(PreparedTitrant {
        concentration: c,
        u,
        degrees_of_freedom: inputs.effective_degrees_of_freedom(&concentration),
        factor,
        budget: inputs.budget(&concentration),
        verdicts: vec![factor_verdict(factor, facts.factor_limits)],
        working: working.with_u(u).from(lines),
    })
}
