//! Molar masses, titration chemistries as data, corrections of volumes and masses.

mod constants;
mod corrections;
mod entries;
mod glassware;
mod reduction;

pub use constants::{Expressed, MOLAR_MASS_SET, MolarMass, iron, iron_oxide_factor, molar_mass};
pub use corrections::{
    AIR_DENSITY, AirError, BOROSILICATE_EXPANSION, CorrectionError, MINIMUM_POINTS, TableError, WEIGHT_DENSITY,
    air_density, air_density_cipm, buoyancy, burette_correction, check_corrections, temperature_factor, water_density,
    water_density_air_saturated, z_factor,
};
pub(crate) use corrections::{tanaka, to_20, weighing_factor};
pub use entries::{
    CHEMISTRIES, Chemistry, INDICATORS, Indicator, PRIMARY_STANDARDS, PrimaryStandard, REDUCTIONS, Reduction, SPECIES,
    Species, chemistry, indicator, primary_standard, reduction, species,
};
pub use glassware::{Glass, Glassware, class_a_limit};
pub use reduction::{Precipitate, ReductionOutcome, ReductionRecord, ReductionVerdict, StannousEnd, judge_reduction};
