//! Molar masses, titration chemistries as data, corrections of volumes and masses.

mod constants;
mod corrections;
mod entries;
mod formula;
mod glassware;
mod reduction;
mod weights;

pub use constants::{Expressed, MolarMass, atomic_weight, iron, iron_oxide_factor, molar_mass};
pub use corrections::{
    AIR_DENSITY, AirError, BOROSILICATE_EXPANSION, CorrectionError, DISSOLVED_AIR_UP_TO, MINIMUM_POINTS, TableError,
    WEIGHT_DENSITY, air_density, air_density_cipm, buoyancy, burette_correction, check_corrections, temperature_factor,
    water_density, water_density_air_saturated, water_density_jones_harris, water_density_kell, z_factor,
};
pub(crate) use corrections::{tanaka, to_20, weighing_factor};
pub use entries::{
    CHEMISTRIES, Chemistry, INDICATORS, Indicator, PRIMARY_STANDARDS, PrimaryStandard, REDUCTIONS, Reduction, SPECIES,
    Species, chemistry, indicator, indicators_for, primary_standard, reduction, species,
};
pub use formula::{Composition, FormulaError};
pub use glassware::{Glass, GlassClass, Glassware, GlasswareLimit, class_a_limit, glassware_limits};
pub use reduction::{Precipitate, ReductionOutcome, ReductionRecord, ReductionVerdict, StannousEnd, judge_reduction};
pub use weights::MOLAR_MASS_SET;
