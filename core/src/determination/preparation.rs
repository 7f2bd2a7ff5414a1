//! Concentration of a titrant by direct preparation, and what a weighed primary standard is.

use crate::chemistry::{WEIGHT_DENSITY, weighing_factor};
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::Vessel;
use crate::determination::titre::temperature_node;
use crate::determination::verdict::{Outcome, Verdict};
use crate::uncertainty::{Contribution, DegreesOfFreedom};
use crate::working::{Digits, Fact, Handle, Identity, Label, Leaf, Origin, Quantity, Sheet, Source, Working};

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
    fn fact(&self, field: &'static str) -> Origin<'_> {
        Origin::Fact(Fact { kind: "primary_standards", id: &self.id, field })
    }

    pub(super) fn purity<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Result<Handle<'s>, EvaluationError> {
        Ok(sheet.input(Leaf {
            label: Label::at(Quantity::Purity, sheet.code(&self.code)),
            value: self.mass_fraction,
            origin: self.fact("mass_fraction"),
            u: (self.mass_fraction_u, self.fact("expanded_uncertainty")),
            dof: None,
            identity: Identity::Purity(&self.id),
        })?)
    }

    pub(super) fn molar<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Result<Handle<'s>, EvaluationError> {
        Ok(sheet.input(Leaf {
            label: Label::only(Quantity::StandardMolarMass),
            value: self.molar_mass,
            origin: Origin::Source(Source::AtomicWeights),
            u: (self.molar_mass_u, Origin::Source(Source::AtomicWeights)),
            dof: None,
            identity: Identity::MolarMass(self.molar_mass),
        })?)
    }

    /// Factor of a balance reading to the mass; none where buoyancy is left out.
    pub(super) fn buoyancy<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Option<Handle<'s>> {
        let density = self.density?;
        let fact = Fact { kind: "primary_standards", id: &self.id, field: "density" };
        let sample = sheet.recorded(Label::only(Quantity::StandardDensity), density, fact);
        let air = sheet.given(Label::only(Quantity::AirDensity), self.air_density, Source::Buoyancy);
        let weights = sheet.given(Label::only(Quantity::WeightDensity), WEIGHT_DENSITY, Source::Buoyancy);
        let factor = weighing_factor(air, weights, sample);
        Some(sheet.named(factor, Label::only(Quantity::Buoyancy), Source::Buoyancy))
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
    pub working: Working,
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
    let sheet = Sheet::new();
    let reference = &preparation.reference;
    let fact = |field| Origin::Fact(Fact { kind: "titrant_preparations", id: &preparation.id, field });
    let mass = Leaf {
        label: Label::only(Quantity::MassWeighed),
        value: preparation.mass_g,
        origin: fact("mass_g"),
        u: (reference.balance_u, Origin::Fact(balance(reference))),
        dof: None,
        identity: Identity::Mass(&preparation.id),
    };
    let mass = sheet.entered_input(mass, Digits::Text(&preparation.mass_text))?;
    let purity = reference.purity(&sheet)?;
    let above = match reference.buoyancy(&sheet) {
        Some(factor) => 1000.0 * mass * purity * factor,
        None => 1000.0 * mass * purity,
    };
    let below = reference.molar(&sheet)? * preparation.flask.volume(&sheet)? * flask_temperature(&sheet, preparation)?;
    let label = Label::only(Quantity::TitrantConcentration);
    let concentration = sheet.named(above / below, label, Source::Preparation);
    Ok(titrant(&sheet, concentration, preparation.nominal, preparation.factor_limits))
}

/// The calibration that states the standard uncertainty of a weighing.
pub(super) fn balance(reference: &Reference) -> Fact<'_> {
    Fact { kind: "equipment_calibrations", id: &reference.balance_id, field: "standard_uncertainty" }
}

/// Factor to 20 C of a flask. Half a degree of doubt about the solution's temperature is 0.01 % of its volume.
///
/// # Formula
/// u(F_T) = |F(T + 0.5) - F(T - 0.5)| / sqrt 3
fn flask_temperature<'s, 'r>(
    sheet: &'s Sheet<'r>,
    preparation: &'r Preparation,
) -> Result<Handle<'s>, EvaluationError> {
    let fact = Fact { kind: "titrant_preparations", id: &preparation.id, field: "solution_temperature" };
    let celsius = sheet.recorded(Label::only(Quantity::SolutionTemperature), preparation.temperature, fact);
    let label = Label::only(Quantity::FlaskTemperature);
    let at = |code| Label::at(Quantity::TemperatureFactor, sheet.code(code));
    let warmer = temperature_node(sheet, celsius + 0.5, at("T + 0.5"))?;
    let colder = temperature_node(sheet, celsius - 0.5, at("T - 0.5"))?;
    let apart = sheet.largest(&[warmer - colder, colder - warmer]);
    let u = sheet.named(apart / sheet.square_root(sheet.number(3.0)), label.u(), Source::Rectangular);
    let factor = temperature_node(sheet, celsius, label)?;
    Ok(sheet.uncertain(factor, (label, Identity::Temperature(&preparation.id)), u, None)?)
}

/// What a concentration comes to.
pub(super) fn titrant(
    sheet: &Sheet<'_>,
    concentration: Handle<'_>,
    nominal: f64,
    limits: (f64, f64),
) -> PreparedTitrant {
    let estimate = sheet.estimate(concentration);
    let factor = estimate.value() / nominal;
    PreparedTitrant {
        concentration: estimate.value(),
        u: estimate.u(),
        degrees_of_freedom: estimate.degrees_of_freedom(),
        factor,
        budget: sheet.budget(concentration),
        verdicts: vec![factor_verdict(factor, limits)],
        working: sheet.working(concentration),
    }
}
