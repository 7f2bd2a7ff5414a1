//! Concentration of a titrant: made from a weighed standard, or standardised.

use ferrotitre_core::chemistry::{self, AIR_DENSITY, Composition};
use ferrotitre_core::determination::{
    Burette, EvaluationError, Factor, Preparation, PreparedTitrant, Reference, Replicate, Segment, Standardisation,
    Standing, Vessel, prepare, standardise,
};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::titration::{BuretteInput, TitrantInput, VesselInput};
use crate::subject::{Calculation, Outcome, Place};
use crate::wire::Show;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::decimal::Decimal;

fn refused(error: &EvaluationError) -> Refusal {
    Refusal::new(Code::RuleBroken, error.to_string()).at("replicates", "evaluation", "")
}

fn above(field: &str, value: f64, least: f64) -> Result<f64, Refusal> {
    if value.is_finite() && (value > least || (least < 0.0 && value >= 0.0)) {
        return Ok(value);
    }
    let message = if least < 0.0 { "must be 0 or more" } else { "must be greater than 0" };
    Err(Refusal::invalid(field, "range", message, value))
}

fn not_negative(field: &str, value: f64) -> Result<f64, Refusal> {
    above(field, value, -1.0)
}

fn pure() -> f64 {
    1.0
}

/// A substance that is weighed: a primary standard by its code, or any by its formula or molar mass.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StandardInput {
    /// Code of a primary standard, which brings molar mass, electrons and density.
    code: Option<String>,
    /// Formula, for the molar mass.
    formula: Option<String>,
    /// Molar mass, g/mol, in place of the formula's.
    molar_mass: Option<f64>,
    /// Its standard uncertainty, g/mol.
    u_molar_mass: Option<f64>,
    /// Electrons (or protons) exchanged per formula unit.
    electrons: Option<f64>,
    /// Mass fraction of the substance, as certified.
    #[serde(default = "pure")]
    #[schema(default = 1.0)]
    purity: f64,
    /// Its standard uncertainty.
    #[serde(default)]
    u_purity: f64,
    /// Density, g/mL, for the buoyancy; 0 leaves the buoyancy out.
    density: Option<f64>,
    /// Density of the air, g/mL; left out, 0.0012.
    air_density: Option<f64>,
    /// Standard uncertainty of a weighing, g.
    #[serde(default)]
    balance_u_g: f64,
}

impl StandardInput {
    fn reference(&self) -> Result<Reference, Refusal> {
        let known = self.code.as_deref().map(|code| {
            let message = "is no primary standard known here; molar-mass lists them";
            chemistry::primary_standard(code).ok_or_else(|| Refusal::invalid("standard.code", "known", message, code))
        });
        let known = known.transpose()?;
        let by_formula = self.formula.as_deref().map(Composition::parse).transpose()?.map(|c| c.molar_mass());
        let mass = by_formula.or(known.map(|standard| standard.molar_mass()));
        let missing = |field: &str| Refusal::invalid(field, "required", "is needed without the code of a standard", "");
        let molar_mass = self.molar_mass.or(mass.map(|mass| mass.value));
        let molar_mass = above("standard.molar_mass", molar_mass.ok_or_else(|| missing("standard.molar_mass"))?, 0.0)?;
        // A molar mass that is given is as exact as it says, and not as the one in whose place it stands.
        let table_u = mass.filter(|_| self.molar_mass.is_none()).map(|mass| mass.u);
        let molar_mass_u = not_negative("standard.u_molar_mass", self.u_molar_mass.or(table_u).unwrap_or(0.0))?;
        let electrons = self.electrons.or(known.map(|standard| f64::from(standard.electrons)));
        let electrons = above("standard.electrons", electrons.ok_or_else(|| missing("standard.electrons"))?, 0.0)?;
        let density = self.density.or(known.map(|standard| standard.density)).filter(|density| *density != 0.0);
        if let Some(bad) = density.filter(|density| !(0.01..100.0).contains(density)) {
            return Err(Refusal::invalid("standard.density", "range", "must be from 0.01 to 100 g/mL", bad));
        }
        let mass_fraction = above("standard.purity", self.purity, 0.0)?;
        if mass_fraction > 1.01 {
            return Err(Refusal::invalid(
                "standard.purity",
                "range",
                "is a mass fraction, at most 1.01",
                mass_fraction,
            ));
        }
        Ok(Reference {
            id: "standard".to_owned(),
            code: self.code.clone().or(self.formula.clone()).unwrap_or_else(|| "the standard".to_owned()),
            mass_fraction,
            mass_fraction_u: not_negative("standard.u_purity", self.u_purity)?,
            molar_mass,
            molar_mass_u,
            electrons,
            density,
            air_density: not_negative("standard.air_density", self.air_density.unwrap_or(AIR_DENSITY))?,
            balance_id: "balance".to_owned(),
            balance_u: not_negative("standard.balance_u_g", self.balance_u_g)?,
        })
    }
}

/// A line of the budget of a concentration.
#[derive(Debug, Serialize, ToSchema)]
pub struct TitrantBudgetFigures {
    /// Input.
    id: String,
    /// What it is.
    label: String,
    /// Sensitivity times standard uncertainty, mol/L.
    contribution: f64,
    /// Share of the variance.
    share: f64,
}

/// A concentration with its uncertainty.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConcentrationFigures {
    /// Amount concentration at 20 C, mol/L.
    concentration: f64,
    /// Standard uncertainty, mol/L.
    u: f64,
    /// Effective degrees of freedom; null when infinite.
    effective_degrees_of_freedom: Option<f64>,
    /// Concentration over the nominal one; null where none was given.
    factor: Option<f64>,
    /// Budget.
    budget: Vec<TitrantBudgetFigures>,
}

fn concentration(titrant: &PreparedTitrant, nominal: Option<f64>) -> ConcentrationFigures {
    let line = |line: &ferrotitre_core::uncertainty::Contribution| TitrantBudgetFigures {
        id: line.input.id.clone(),
        label: line.input.label.clone(),
        contribution: line.contribution,
        share: line.share,
    };
    ConcentrationFigures {
        concentration: titrant.concentration,
        u: titrant.u,
        effective_degrees_of_freedom: titrant.degrees_of_freedom.show(),
        factor: nominal.map(|nominal| titrant.concentration / nominal),
        budget: titrant.budget.iter().map(line).collect(),
    }
}

fn vessel(field: &str, input: VesselInput) -> Result<Vessel, Refusal> {
    let (ml, u_ml) =
        (above(&format!("{field}.ml"), input.ml(), 0.0)?, not_negative(&format!("{field}.u_ml"), input.u_ml())?);
    Ok(Vessel { id: field.to_owned(), code: field.to_owned(), volume_ml: ml, u_ml, dof: None })
}

fn nominal_of(nominal: Option<f64>) -> Result<f64, Refusal> {
    above("nominal", nominal.unwrap_or(1.0), 0.0)
}

fn twenty() -> f64 {
    20.0
}

/// A weighed standard made up in a flask.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TitrantPreparationInput {
    /// Standard.
    standard: StandardInput,
    /// Mass as read, g.
    mass_g: Decimal,
    /// Flask.
    flask: VesselInput,
    /// Temperature at which it was made up, C.
    #[serde(default = "twenty")]
    #[schema(default = 20.0)]
    temperature: f64,
    /// Nominal concentration, mol/L, for the factor.
    nominal: Option<f64>,
}

impl Calculation for TitrantPreparationInput {
    const NAME: &'static str = "titrant-preparation";
    const SUMMARY: &'static str =
        "concentration of a titrant made from a weighed primary standard, with its uncertainty";
    const METHOD: &'static str = "c = 1000 m P B / (M V F), B the buoyancy, F the temperature of the flask";
    const SOURCE: &'static str = "definition of the concentration; OIML D 28, ISO 4787";
    const EXAMPLE: &'static str = r#"{"standard": {"code": "potassium dichromate", "purity": 0.999954, "u_purity": 0.000022, "balance_u_g": 0.0001},
        "mass_g": "1.2258", "flask": {"ml": 250, "u_ml": 0.06}, "nominal": 0.016667}"#;
    type Result = ConcentrationFigures;

    fn calculate(self, _: Place) -> Result<Outcome<ConcentrationFigures>, Refusal> {
        let mass_g = above("mass_g", self.mass_g.reading().value(), 0.0)?;
        let preparation = Preparation {
            id: "preparation".to_owned(),
            reference: self.standard.reference()?,
            mass_g,
            mass_text: self.mass_g.reading().text(),
            flask: vessel("flask", self.flask)?,
            temperature: self.temperature,
            nominal: nominal_of(self.nominal)?,
            factor_limits: (0.0, f64::INFINITY),
        };
        let titrant = prepare(&preparation).map_err(|error| refused(&error))?;
        Ok(Outcome::of(concentration(&titrant, self.nominal)).worked(&titrant.working.text()))
    }
}

/// A replicate: readings or a volume, with the mass of standard titrated.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StandardisationReplicateInput {
    /// Mass of standard, g; left out against a titrant, and for a blank.
    mass_g: Option<Decimal>,
    /// Volume delivered, mL.
    volume_ml: Decimal,
    /// Temperature of the titrant, C; needed for the correction to 20 C.
    temperature: Option<f64>,
}

/// A titrant of known concentration, and the pipette that delivers it.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReferenceTitrantInput {
    /// The titrant.
    titrant: TitrantInput,
    /// Pipette.
    pipette: VesselInput,
}

/// Replicates against a weighed standard or against a titrant of known concentration.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TitrantStandardisationInput {
    /// Electrons (or protons) exchanged per formula unit of the titrant.
    electrons: f64,
    /// Standard that is weighed.
    standard: Option<StandardInput>,
    /// Titrant of known concentration, in its place.
    against: Option<ReferenceTitrantInput>,
    /// Replicates.
    replicates: Vec<StandardisationReplicateInput>,
    /// Blanks, whose mean is subtracted.
    #[serde(default)]
    blanks: Vec<StandardisationReplicateInput>,
    /// Burette.
    burette: BuretteInput,
    /// Whether volumes are brought to 20 C.
    #[serde(default)]
    correct_temperature: bool,
    /// Repeatability of one replicate relative to its value; left out, the scatter of the replicates.
    relative_repeatability: Option<f64>,
    /// Nominal concentration, mol/L, for the factor.
    nominal: Option<f64>,
}

/// A concentration from replicates.
#[derive(Debug, Serialize, ToSchema)]
pub struct StandardisationFigures {
    /// Concentration of each replicate, mol/L.
    replicates: Vec<f64>,
    /// Mean blank, mL.
    blank_ml: Option<f64>,
    /// Sample standard deviation of the concentrations, mol/L.
    sample_sd: Option<f64>,
    /// The same over the mean.
    relative_sd: Option<f64>,
    /// The concentration.
    titrant: ConcentrationFigures,
}

impl TitrantStandardisationInput {
    fn replicate(
        &self,
        list: &str,
        (at, input): (usize, &StandardisationReplicateInput),
    ) -> Result<Replicate, Refusal> {
        let place = format!("{list}[{at}]");
        let volume = input.volume_ml.reading().clone();
        above(&format!("{place}.volume_ml"), volume.value(), 0.0)?;
        let blank = list == "blanks";
        let weighed = self.standard.is_some() && !blank;
        let mass = match (&input.mass_g, weighed) {
            (Some(mass), true) => {
                let mass = mass.reading();
                Some((above(&format!("{place}.mass_g"), mass.value(), 0.0)?, mass.text()))
            }
            (None, false) => None,
            (given, _) => {
                let message = if weighed { "is needed with a weighed standard" } else { "has no place here" };
                let value = given.as_ref().map(|mass| mass.reading().text()).unwrap_or_default();
                return Err(Refusal::invalid(&format!("{place}.mass_g"), "required", message, value));
            }
        };
        let zero = "0".parse().map_err(|_error| Refusal::new(Code::Internal, "zero"))?;
        Ok(Replicate {
            id: place,
            position: u32::try_from(at + 1).unwrap_or(u32::MAX),
            mass,
            blank,
            standing: Standing::Counted,
            segments: vec![Segment { initial: zero, last: volume }],
            temperature: input.temperature,
        })
    }

    fn facts(&self) -> Result<Standardisation, Refusal> {
        if self.replicates.is_empty() || self.replicates.len() > 100 || self.blanks.len() > 100 {
            return Err(Refusal::invalid("replicates", "size", "must be 1 to 100", self.replicates.len()));
        }
        if self.standard.is_some() == self.against.is_some() {
            return Err(Refusal::invalid("standard", "one_of", "give standard or against, one of them", ""));
        }
        let against = self.against.as_ref().map(|against| {
            let titrant = Factor {
                id: "reference titrant".to_owned(),
                lot: "the reference titrant".to_owned(),
                electrons: against.titrant.electrons(),
                concentration: above("against.titrant.concentration", against.titrant.concentration(), 0.0)?,
                u: not_negative("against.titrant.u", against.titrant.u())?,
                dof: None,
                following: None,
            };
            Ok::<_, Refusal>((titrant, vessel("against.pipette", against.pipette)?))
        });
        let burette: Burette = self.burette.burette()?;
        let of = |list, inputs: &[StandardisationReplicateInput]| -> Result<Vec<Replicate>, Refusal> {
            inputs.iter().enumerate().map(|input| self.replicate(list, input)).collect()
        };
        let mut replicates = of("replicates", &self.replicates)?;
        replicates.extend(of("blanks", &self.blanks)?);
        let repeatability =
            self.relative_repeatability.map(|r| not_negative("relative_repeatability", r)).transpose()?;
        Ok(Standardisation {
            id: "standardisation".to_owned(),
            electrons: above("electrons", self.electrons, 0.0)?,
            nominal: nominal_of(self.nominal)?,
            reference: self.standard.as_ref().map(StandardInput::reference).transpose()?,
            reference_titrant: against.transpose()?,
            corrections: (!burette.corrections.is_empty(), self.correct_temperature),
            burette,
            relative_repeatability: repeatability,
            minimum: 1,
            factor_limits: (0.0, f64::INFINITY),
            agreement_percent: None,
            replicates,
        })
    }
}

impl Calculation for TitrantStandardisationInput {
    const NAME: &'static str = "titrant-standardisation";
    const SUMMARY: &'static str =
        "concentration of a titrant from replicates against a weighed standard or another titrant";
    const METHOD: &'static str =
        "c = 1000 m P B z_s / (M z_t (V - V_b)), or z_s c_s V_s / (z_t (V - V_b)); mean of the replicates";
    const SOURCE: &'static str = "stoichiometry; Eurachem QUAM, example A2 (read)";
    const EXAMPLE: &'static str = r#"{"electrons": 5, "standard": {"code": "sodium oxalate", "purity": 0.9995, "u_purity": 0.0001, "balance_u_g": 0.0001},
        "replicates": [{"mass_g": "0.2512", "volume_ml": "37.44"}, {"mass_g": "0.2487", "volume_ml": "37.08"},
            {"mass_g": "0.2530", "volume_ml": "37.72"}],
        "burette": {"resolution": "0.02", "capacity": "50", "u_ml": 0.02}, "nominal": 0.02}"#;
    type Result = StandardisationFigures;

    fn calculate(self, _: Place) -> Result<Outcome<StandardisationFigures>, Refusal> {
        let facts = self.facts()?;
        let found = standardise(&facts).map_err(|error| refused(&error))?;
        if let Some(bad) = found.replicates.iter().find(|replicate| replicate.net_ml <= 0.0) {
            let message = "the blank is as large as the titre";
            return Err(Refusal::invalid(&format!("{}.volume_ml", bad.id), "range", message, bad.net_ml));
        }
        let Some(titrant) = found.titrant else {
            return Err(Refusal::new(Code::NotEnoughData, found.missing.unwrap_or_default()).at(
                "replicates",
                "enough_data",
                0,
            ));
        };
        let figures = StandardisationFigures {
            replicates: found.replicates.iter().map(|replicate| replicate.concentration).collect(),
            blank_ml: found.blank_ml,
            sample_sd: found.sd,
            relative_sd: found.sd.map(|sd| sd / titrant.concentration),
            titrant: concentration(&titrant, self.nominal),
        };
        let outcome = Outcome::of(figures).worked(&titrant.working.text());
        Ok(if self.replicates.len() == 1 && self.relative_repeatability.is_none() {
            outcome.says("scatter of replicates", "no decision", "one replicate: its repeatability is not in u")
        } else {
            outcome
        })
    }
}
