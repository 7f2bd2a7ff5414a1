//! Water, air, glass and molar masses.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::chemistry::{self, AIR_DENSITY, BOROSILICATE_EXPANSION};
use ferrotitre_core::uncertainty::{half_width_rectangular, half_width_triangular};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::subject::{Calculation, Outcome, Place};

/// Air at the balance.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AirInput {
    /// Temperature, C.
    temperature: f64,
    /// Pressure, hPa.
    hectopascal: f64,
    /// Relative humidity, per cent.
    humidity: f64,
}

/// Water weighed or volumes measured at a temperature.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VolumeCorrectionInput {
    /// Temperature of the water, C, 0 to 40.
    temperature: f64,
    /// Air; left out, 0.0012 g/mL.
    air: Option<AirInput>,
    /// Cubic expansion of the glass, 1/K; left out, borosilicate 9.9e-6.
    expansion: Option<f64>,
    /// Density of a weighed substance, g/mL, whose buoyancy factor is wanted.
    sample_density: Option<f64>,
}

/// Densities and factors.
#[derive(Debug, Serialize, ToSchema)]
pub struct VolumeCorrectionFigures {
    /// Density of air-free water, kg/m3.
    water_density: f64,
    /// Density of air-saturated water, kg/m3.
    water_density_air_saturated: f64,
    /// Density of the air used, g/mL.
    air_density: f64,
    /// The same by the simplified formula.
    air_density_simplified: Option<f64>,
    /// Factor from a volume at this temperature to 20 C.
    temperature_factor: f64,
    /// Volume at 20 C per balance reading of water, mL/g.
    z_factor: f64,
    /// Factor from a balance reading of the substance to its mass.
    buoyancy_factor: Option<f64>,
}

impl Calculation for VolumeCorrectionInput {
    const NAME: &'static str = "volume-correction";
    const SUMMARY: &'static str = "densities of water and air, factors to 20 C, Z factors, buoyancy";
    const METHOD: &'static str = "formulae evaluated at the temperature";
    const SOURCE: &'static str = "Tanaka 2001; CIPM-2007; OIML R 111-1; ISO 4787, ISO 8655-6";
    const EXAMPLE: &'static str = r#"{"temperature": 21.5, "air": {"temperature": 21.5, "hectopascal": 1005, "humidity": 45}, "sample_density": 2.68}"#;
    type Result = VolumeCorrectionFigures;

    fn calculate(self, _: Place) -> Result<Outcome<VolumeCorrectionFigures>, Refusal> {
        let t = self.temperature;
        let expansion = self.expansion.unwrap_or(BOROSILICATE_EXPANSION);
        if !(0.0..1e-3).contains(&expansion) {
            return Err(Refusal::invalid("expansion", "range", "must be from 0 to 0.001", expansion));
        }
        let air = self.air.map(|air| {
            // The full formula gives kg/m3, the simplified one g/mL.
            let full = chemistry::air_density_cipm(air.temperature, air.hectopascal, air.humidity)? / 1000.0;
            Ok::<_, Refusal>((full, chemistry::air_density(air.temperature, air.hectopascal, air.humidity)))
        });
        let air = air.transpose()?;
        let density = air.map_or(AIR_DENSITY, |(full, _)| full);
        let buoyancy = self.sample_density.map(|sample| {
            if (0.01..100.0).contains(&sample) {
                return Ok(chemistry::buoyancy(sample, density));
            }
            Err(Refusal::invalid("sample_density", "range", "must be from 0.01 to 100 g/mL", sample))
        });
        Ok(Outcome::of(VolumeCorrectionFigures {
            water_density: chemistry::water_density(t)?,
            water_density_air_saturated: chemistry::water_density_air_saturated(t)?,
            air_density: density,
            air_density_simplified: air.map(|(_, simplified)| simplified),
            temperature_factor: chemistry::temperature_factor(t)?,
            z_factor: chemistry::z_factor(t, density, expansion)?,
            buoyancy_factor: buoyancy.transpose()?,
        }))
    }
}

/// A substance by the code of the table, or a composition is not asked for.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MolarMassInput {
    /// Code of a primary standard; left out, all of them.
    standard: Option<String>,
}

/// A molar mass.
#[derive(Debug, Serialize, ToSchema)]
pub struct SubstanceFigures {
    /// Code.
    code: String,
    /// Formula.
    formula: String,
    /// Molar mass, g/mol.
    molar_mass: f64,
    /// Standard uncertainty, g/mol.
    u: f64,
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
    /// Primary standards.
    substances: Vec<SubstanceFigures>,
}

impl Calculation for MolarMassInput {
    const NAME: &'static str = "molar-mass";
    const SUMMARY: &'static str = "molar masses of iron and the primary standards with their uncertainty";
    const METHOD: &'static str = "M = sum n A; stated uncertainties as rectangular half-widths";
    const SOURCE: &'static str = "CIAAW, table of 2021";
    const EXAMPLE: &'static str = "{}";
    type Result = MolarMassFigures;

    fn calculate(self, _: Place) -> Result<Outcome<MolarMassFigures>, Refusal> {
        let wanted = self.standard.as_deref();
        let chosen: Vec<_> = chemistry::PRIMARY_STANDARDS
            .iter()
            .filter(|standard| wanted.is_none_or(|code| code == standard.code))
            .collect();
        if let (Some(code), true) = (wanted, chosen.is_empty()) {
            let known: Vec<&str> = chemistry::PRIMARY_STANDARDS.iter().map(|standard| standard.code).collect();
            return Err(Refusal::invalid("standard", "one_of", format!("must be one of {}", known.join(", ")), code));
        }
        let substances = chosen.into_iter().map(|standard| {
            let mass = standard.molar_mass();
            SubstanceFigures {
                code: standard.code.to_owned(),
                formula: standard.formula.to_owned(),
                molar_mass: mass.value,
                u: mass.u,
            }
        });
        let iron = chemistry::iron();
        Ok(Outcome::of(MolarMassFigures {
            atomic_weights: chemistry::MOLAR_MASS_SET,
            iron: iron.value,
            u_iron: iron.u,
            iron_to_iron_ii_oxide: chemistry::iron_oxide_factor(chemistry::Expressed::IronIIOxide),
            iron_to_iron_iii_oxide: chemistry::iron_oxide_factor(chemistry::Expressed::IronIIIOxide),
            substances: substances.collect(),
        }))
    }
}

/// Volumetric glassware.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum GlasswareName {
    /// Burette.
    Burette,
    /// Pipette with one mark.
    Pipette,
    /// Flask with one mark.
    Flask,
}

/// A piece of class A glassware.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GlasswareInput {
    /// What it is.
    item: GlasswareName,
    /// Nominal volume, mL.
    nominal_ml: f64,
}

/// What the class promises.
#[derive(Debug, Serialize, ToSchema)]
pub struct GlasswareFigures {
    /// Largest permissible error, mL.
    limit_ml: f64,
    /// Standard uncertainty if the error is taken as rectangular, mL.
    u_rectangular_ml: f64,
    /// Standard uncertainty if the error is taken as triangular, mL.
    u_triangular_ml: f64,
}

impl Calculation for GlasswareInput {
    const NAME: &'static str = "glassware";
    const SUMMARY: &'static str = "limits of class A burettes, pipettes and flasks as standard uncertainties";
    const METHOD: &'static str = "limit over sqrt 3 (rectangular) and over sqrt 6 (triangular)";
    const SOURCE: &'static str = "ISO 385, ISO 648, ISO 1042; JCGM 100:2008, 4.3.7 and 4.3.9";
    const EXAMPLE: &'static str = r#"{"item": "pipette", "nominal_ml": 25}"#;
    type Result = GlasswareFigures;

    fn calculate(self, _: Place) -> Result<Outcome<GlasswareFigures>, Refusal> {
        let item = match self.item {
            GlasswareName::Burette => chemistry::Glassware::Burette,
            GlasswareName::Pipette => chemistry::Glassware::Pipette,
            GlasswareName::Flask => chemistry::Glassware::Flask,
        };
        let message = "is no size whose limit is known here";
        let limit = chemistry::class_a_limit(item, self.nominal_ml)
            .ok_or_else(|| Refusal::invalid("nominal_ml", "known", message, self.nominal_ml))?;
        Ok(Outcome::of(GlasswareFigures {
            limit_ml: limit,
            u_rectangular_ml: half_width_rectangular(limit),
            u_triangular_ml: half_width_triangular(limit),
        }))
    }
}
