//! Several drafts, and the chemistry data, on the wire.

use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_core::chemistry::{CHEMISTRIES, INDICATORS, MOLAR_MASS_SET, PRIMARY_STANDARDS, REDUCTIONS, SPECIES};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::methods::store::MethodFacts;

/// Several methods to be drafted, all of them or none.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMethods {
    /// Each as it is drafted by itself; from 1 to 20.
    pub drafts: Vec<MethodFacts>,
}

/// Methods as they were drafted.
#[derive(Debug, Serialize, ToSchema)]
pub struct DraftedMethods {
    /// In the order of the request.
    pub methods: Vec<VersionView<MethodFacts>>,
}

impl Located for DraftedMethods {
    fn location(&self) -> String {
        "/api/v1/methods".to_owned()
    }
}

/// What the service knows of titration chemistry.
#[derive(Debug, Serialize, ToSchema)]
pub struct Chemistries {
    /// Set of atomic weights in use.
    #[schema(example = "CIAAW 2021")]
    pub molar_mass_set: &'static str,
    /// Ways to titrate iron.
    pub chemistries: Vec<ChemistryEntry>,
    /// Titrant species.
    pub species: Vec<SpeciesEntry>,
    /// Primary standards.
    pub primary_standards: Vec<StandardEntry>,
    /// Indicators.
    pub indicators: Vec<IndicatorEntry>,
    /// Reductions, mercury-free ones first.
    pub reductions: Vec<ReductionEntry>,
}

/// A way to titrate iron.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChemistryEntry {
    /// Code.
    #[schema(example = "dichromate")]
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Species in the burette.
    pub titrant: &'static str,
    /// Species added in excess before, in a back-titration.
    pub excess_of: &'static [&'static str],
    /// Indicators that fit.
    pub indicators: &'static [&'static str],
    /// Reaction.
    pub reaction: &'static str,
    /// Cautions; the safety data sheet, local codes and licensed practice decide.
    pub cautions: String,
}

/// A titrant species.
#[derive(Debug, Serialize, ToSchema)]
pub struct SpeciesEntry {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Formula.
    pub formula: &'static str,
    /// Electrons per formula unit.
    pub electrons: u32,
    /// Cautions.
    pub cautions: &'static str,
}

/// A primary standard.
#[derive(Debug, Serialize, ToSchema)]
pub struct StandardEntry {
    /// Code.
    pub code: &'static str,
    /// Formula.
    pub formula: &'static str,
    /// Molar mass, g/mol.
    #[schema(example = 294.1818)]
    pub molar_mass: f64,
    /// Its standard uncertainty, g/mol.
    pub molar_mass_u: f64,
    /// Electrons per formula unit.
    pub electrons: u32,
    /// Species it can prepare directly.
    pub prepares: &'static [&'static str],
    /// Species it can standardise.
    pub standardises: &'static [&'static str],
}

/// An indicator.
#[derive(Debug, Serialize, ToSchema)]
pub struct IndicatorEntry {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Whether a blank needs added iron(II).
    pub needs_iron: bool,
    /// Colour change.
    pub change: &'static str,
}

/// A reduction.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReductionEntry {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Whether mercury(II) is used.
    pub mercury: bool,
    /// What is seen when it went well.
    pub checkpoint: &'static str,
    /// Cautions.
    pub cautions: &'static str,
}

impl Chemistries {
    /// All entries.
    #[must_use]
    pub fn all() -> Self {
        let standard = |entry: &ferrotitre_core::chemistry::PrimaryStandard| {
            let mass = entry.molar_mass();
            StandardEntry {
                code: entry.code,
                formula: entry.formula,
                molar_mass: mass.value,
                molar_mass_u: mass.u,
                electrons: entry.electrons,
                prepares: entry.prepares,
                standardises: entry.standardises,
            }
        };
        Self {
            molar_mass_set: MOLAR_MASS_SET,
            chemistries: CHEMISTRIES
                .iter()
                .map(|e| ChemistryEntry {
                    code: e.code,
                    name: e.name,
                    titrant: e.titrant,
                    excess_of: e.excess_of,
                    indicators: e.indicators,
                    reaction: e.reaction,
                    cautions: e.cautions(),
                })
                .collect(),
            species: SPECIES
                .iter()
                .map(|e| SpeciesEntry {
                    code: e.code,
                    name: e.name,
                    formula: e.formula,
                    electrons: e.electrons,
                    cautions: e.cautions,
                })
                .collect(),
            primary_standards: PRIMARY_STANDARDS.iter().map(standard).collect(),
            indicators: INDICATORS
                .iter()
                .map(|e| IndicatorEntry { code: e.code, name: e.name, needs_iron: e.needs_iron, change: e.change })
                .collect(),
            reductions: REDUCTIONS
                .iter()
                .map(|e| ReductionEntry {
                    code: e.code,
                    name: e.name,
                    mercury: e.mercury,
                    checkpoint: e.checkpoint,
                    cautions: e.cautions,
                })
                .collect(),
        }
    }
}
