//! From titre to content: the model, the units, the reported figure.

use crate::chemistry::{Expressed, iron, iron_oxide_factor};
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{LimitOfQuantification, Portion, PortionAmount, Reporting, Vessel};
use crate::rounding::{Ties, decimal_of, report, text, to_places};
use crate::statistics::distribution::DistributionError;
use crate::uncertainty::{Coverage, Input, InputError, Inputs, Scalar, Sourced, expand};

/// Units a content can be given in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unit {
    /// mol/L, of iron atoms.
    MolesPerLitre,
    /// g/L.
    GramsPerLitre,
    /// mg/L.
    MilligramsPerLitre,
    /// % by mass.
    PercentByMass,
    /// mol/kg, of iron atoms.
    MolesPerKilogram,
}

impl Unit {
    /// Symbol.
    #[must_use]
    pub fn symbol(self) -> &'static str {
        match self {
            Self::MolesPerLitre => "mol/L",
            Self::GramsPerLitre => "g/L",
            Self::MilligramsPerLitre => "mg/L",
            Self::PercentByMass => "% m/m",
            Self::MolesPerKilogram => "mol/kg",
        }
    }
}

/// A content in one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Unit.
    pub unit: Unit,
    /// As iron or as an oxide.
    pub expressed: Expressed,
    /// Value, unrounded.
    pub value: f64,
    /// Standard uncertainty, unrounded.
    pub u: f64,
}

/// The reported figure: the only place where anything is rounded.
#[derive(Debug, Clone, PartialEq)]
pub struct Reported {
    /// Value as text, or "< LOQ".
    pub text: String,
    /// Value rounded, even where it is below the limit of quantification.
    pub value: String,
    /// Expanded uncertainty as text.
    pub expanded_uncertainty: String,
    /// Coverage factor.
    pub coverage: Coverage,
    /// Unit symbol.
    pub unit: &'static str,
    /// Whether the value is below the limit of quantification.
    pub below_loq: bool,
}

/// Share of the portion that came into the titration vessel.
///
/// # Formula
/// product over the later steps of V_pipette / V_flask before it, times V_aliquot / V_last flask
pub(super) struct Dilution {
    pub(super) fraction: Sourced,
}

/// Adds a vessel as an input; one used twice in a chain is one input.
pub(super) fn vessel(inputs: &mut Inputs, vessel: &Vessel) -> Result<Sourced, InputError> {
    let label = format!("volume of {}", vessel.code);
    inputs.add(Input::new(&vessel.id, label, "mL", vessel.volume_ml, vessel.u_ml).with_dof(vessel.dof))
}

pub(super) fn dilution(inputs: &mut Inputs, portion: &Portion) -> Result<Dilution, EvaluationError> {
    let mut fraction = Sourced::constant(1.0);
    let mut flask: Option<&Vessel> = None;
    let takes = portion.dilution.iter().filter_map(|step| step.pipette.as_ref()).chain(portion.aliquot.as_ref());
    let mut flasks = portion.dilution.iter().map(|step| &step.flask);
    for pipette in takes {
        flask = flasks.next().or(flask);
        if let Some(flask) = flask {
            fraction = fraction * (vessel(inputs, pipette)? / vessel(inputs, flask)?);
        }
    }
    Ok(Dilution { fraction })
}

/// Content of iron, mol/L of a volume portion or mol/kg of a mass portion, from the amount titrated (mmol).
///
/// # Formula
/// c = n / (f V_portion), w = n / (f m)
pub(super) fn amount_content(
    inputs: &mut Inputs,
    portion: &Portion,
    titrated_mmol: Sourced,
    fraction: Sourced,
) -> Result<Sourced, EvaluationError> {
    let amount = titrated_mmol / fraction;
    Ok(match &portion.amount {
        // Titrated without dilution, the portion's own pipette is the aliquot.
        PortionAmount::Volume(pipette) => amount / vessel(inputs, pipette)?,
        PortionAmount::Mass { id, grams, u, dof } => {
            amount / inputs.add(Input::new(id, "mass of the portion", "g", *grams, *u).with_dof(*dof))?
        }
    })
}

/// Brings a content to a unit; `None` where a density would be needed and is missing.
pub(super) fn in_unit(
    inputs: &mut Inputs,
    portion: &Portion,
    content: &Sourced,
    unit: Unit,
    expressed: Expressed,
) -> Result<Option<Sourced>, EvaluationError> {
    let by_volume = matches!(portion.amount, PortionAmount::Volume(_));
    let fe = iron();
    let mass = inputs.add(Input::new("molar-mass:Fe", "molar mass of iron", "g/mol", fe.value, fe.u))?;
    let density = match &portion.density {
        Some(density) => Some(inputs.add(Input::new(&density.id, "density", "g/mL", density.value, density.u))?),
        None => None,
    };
    // g/L of a volume portion, g/kg of a mass portion.
    let grams = content.clone() * mass * iron_oxide_factor(expressed);
    Ok(match (unit, by_volume, density) {
        (Unit::MolesPerLitre, true, _) | (Unit::MolesPerKilogram, false, _) => Some(content.clone()),
        (Unit::GramsPerLitre, true, _) => Some(grams),
        (Unit::MilligramsPerLitre, true, _) => Some(grams * 1000.0),
        (Unit::PercentByMass, false, _) => Some(grams * 0.1),
        (Unit::PercentByMass, true, Some(density)) => Some(grams / density * 0.1),
        (Unit::MolesPerKilogram, true, Some(density)) => Some(content.clone() / density),
        (Unit::MolesPerLitre, false, Some(density)) => Some(content.clone() * density),
        (Unit::GramsPerLitre, false, Some(density)) => Some(grams * density),
        (Unit::MilligramsPerLitre, false, Some(density)) => Some(grams * density * 1000.0),
        (_, _, None) => None,
    })
}

/// The content in every unit that can be given.
pub(super) fn figures(
    inputs: &mut Inputs,
    portion: &Portion,
    content: &Sourced,
) -> Result<Vec<Figure>, EvaluationError> {
    const MASS_UNITS: [Unit; 3] = [Unit::GramsPerLitre, Unit::MilligramsPerLitre, Unit::PercentByMass];
    let amounts = [Unit::MolesPerLitre, Unit::MolesPerKilogram].map(|unit| (unit, Expressed::Iron));
    let masses = [Expressed::Iron, Expressed::IronIIOxide, Expressed::IronIIIOxide]
        .into_iter()
        .flat_map(|expressed| MASS_UNITS.map(|unit| (unit, expressed)));
    let mut figures = Vec::new();
    for (unit, expressed) in amounts.into_iter().chain(masses) {
        if let Some(value) = in_unit(inputs, portion, content, unit, expressed)? {
            figures.push(Figure { unit, expressed, value: value.value(), u: inputs.standard_uncertainty(&value) });
        }
    }
    Ok(figures)
}

/// Rounds a result for the report.
pub(super) fn reported(
    inputs: &Inputs,
    result: &Sourced,
    rule: &Reporting,
    loq: Option<LimitOfQuantification>,
) -> Result<Reported, DistributionError> {
    let u = inputs.standard_uncertainty(result);
    let coverage = expand(u, inputs.effective_degrees_of_freedom(result), rule.coverage)?;
    let (value, expanded_uncertainty) = rounded(result.value(), coverage.expanded_uncertainty, rule.ties, rule.places);
    let below = loq.filter(|loq| result.value() < loq.0);
    let text = match below {
        Some(loq) => format!("< {} (LOQ)", loq.0),
        None => value.clone(),
    };
    Ok(Reported { text, value, expanded_uncertainty, coverage, unit: rule.unit.symbol(), below_loq: below.is_some() })
}

fn rounded(value: f64, expanded: f64, ties: Ties, places: Option<i64>) -> (String, String) {
    let fixed = |x: f64, places: i64| decimal_of(x).map(|x| text(&to_places(&x, places, ties))).unwrap_or_default();
    match places {
        Some(places) => (fixed(value, places), fixed(expanded, places)),
        None => report(value, expanded, ties)
            .map(|reported| (reported.value, reported.expanded_uncertainty))
            .unwrap_or_default(),
    }
}
