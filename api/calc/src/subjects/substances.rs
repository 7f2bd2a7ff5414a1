//! Molar masses, and titrants made or standardised from a substance.

use std::collections::BTreeMap;

use ferrotitre_core::chemistry::{self, Composition, MolarMass};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::subject::{Calculation, Outcome, Place};
use ferrotitre_base::refusal::Refusal;

/// A substance: a formula, numbers of atoms, or the code of a primary standard; left out, all primary standards.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MolarMassInput {
    /// Code of a primary standard.
    standard: Option<String>,
    /// Formula, such as Fe(NH4)2(SO4)2.6H2O.
    formula: Option<String>,
    /// Numbers of atoms by symbol.
    composition: Option<BTreeMap<String, u32>>,
}

/// An element of a substance.
#[derive(Debug, Serialize, ToSchema)]
pub struct ElementFigures {
    /// Symbol.
    symbol: String,
    /// Atoms in the formula.
    count: u32,
    /// Standard atomic weight.
    atomic_weight: f64,
    /// Mass fraction.
    mass_fraction: f64,
}

/// A molar mass.
#[derive(Debug, Serialize, ToSchema)]
pub struct SubstanceFigures {
    /// Code of a primary standard; null for another substance.
    code: Option<String>,
    /// Formula.
    formula: String,
    /// Molar mass, g/mol.
    molar_mass: f64,
    /// Standard uncertainty, g/mol: the stated uncertainties as half-widths of rectangular distributions.
    u: f64,
    /// Root of the sum of squares of the stated uncertainties, g/mol.
    stated_uncertainty: f64,
    /// Elements, in the order of the alphabet.
    elements: Vec<ElementFigures>,
}

impl SubstanceFigures {
    fn of(code: Option<&str>, formula: String, composition: &Composition) -> Self {
        let MolarMass { value, u } = composition.molar_mass();
        let elements = composition.atoms().map(|(symbol, count)| ElementFigures {
            symbol: symbol.to_owned(),
            count,
            atomic_weight: chemistry::molar_mass(&[(symbol, 1)]).value,
            mass_fraction: composition.mass_fraction(symbol),
        });
        Self {
            code: code.map(str::to_owned),
            formula,
            molar_mass: value,
            u,
            stated_uncertainty: u * 3f64.sqrt(),
            elements: elements.collect(),
        }
    }
}

/// Molar masses.
#[derive(Debug, Serialize, ToSchema)]
pub struct MolarMassFigures {
    /// Set of atomic weights.
    atomic_weights: &'static str,
    /// Iron, g/mol.
    iron: f64,
    /// Standard uncertainty, g/mol.
    u_iron: f64,
    /// Factor from Fe to FeO by mass.
    iron_to_iron_ii_oxide: f64,
    /// Factor from Fe to Fe2O3 by mass.
    iron_to_iron_iii_oxide: f64,
    /// Substances asked for.
    substances: Vec<SubstanceFigures>,
}

/// Primary standards, or the one of a code.
fn primary_standards(wanted: Option<&str>) -> Result<Vec<&'static chemistry::PrimaryStandard>, Refusal> {
    let all = chemistry::PRIMARY_STANDARDS.iter();
    let chosen: Vec<_> = all.filter(|standard| wanted.is_none_or(|code| code == standard.code)).collect();
    if let (Some(code), true) = (wanted, chosen.is_empty()) {
        let known: Vec<&str> = chemistry::PRIMARY_STANDARDS.iter().map(|standard| standard.code).collect();
        return Err(Refusal::invalid("standard", "one_of", format!("must be one of {}", known.join(", ")), code));
    }
    Ok(chosen)
}

impl Calculation for MolarMassInput {
    const NAME: &'static str = "molar-mass";
    const SUMMARY: &'static str =
        "molar mass, mass fractions and uncertainty of any formula, of iron and the primary standards";
    const METHOD: &'static str = "M = sum n A; stated uncertainties as rectangular half-widths";
    const SOURCE: &'static str = "CIAAW, table of 2021";
    const EXAMPLE: &'static str = r#"{"formula": "Fe(NH4)2(SO4)2.6H2O"}"#;
    type Result = MolarMassFigures;

    fn calculate(self, _: Place) -> Result<Outcome<MolarMassFigures>, Refusal> {
        let substances = match (&self.standard, &self.formula, &self.composition) {
            (standard, None, None) => {
                let figures = |standard: &chemistry::PrimaryStandard| {
                    let composition = Composition::of(standard.composition.iter().copied())?;
                    Ok(SubstanceFigures::of(Some(standard.code), standard.formula.to_owned(), &composition))
                };
                primary_standards(standard.as_deref())?.into_iter().map(figures).collect::<Result<_, Refusal>>()?
            }
            (None, Some(formula), None) => {
                vec![SubstanceFigures::of(None, formula.clone(), &Composition::parse(formula)?)]
            }
            (None, None, Some(atoms)) => {
                let composition = Composition::of(atoms.iter().map(|(symbol, count)| (symbol.as_str(), *count)))?;
                let formula = composition.atoms().map(|(symbol, count)| format!("{symbol}{count}")).collect();
                vec![SubstanceFigures::of(None, formula, &composition)]
            }
            _ => {
                let message = "give standard, formula or composition, one of them";
                return Err(Refusal::invalid("formula", "one_of", message, "several"));
            }
        };
        let iron = chemistry::iron();
        Ok(Outcome::of(MolarMassFigures {
            atomic_weights: chemistry::MOLAR_MASS_SET,
            iron: iron.value,
            u_iron: iron.u,
            iron_to_iron_ii_oxide: chemistry::iron_oxide_factor(chemistry::Expressed::IronIIOxide),
            iron_to_iron_iii_oxide: chemistry::iron_oxide_factor(chemistry::Expressed::IronIIIOxide),
            substances,
        }))
    }
}
