//! Water, air and glass.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::chemistry::{self, AIR_DENSITY, BOROSILICATE_EXPANSION, DISSOLVED_AIR_UP_TO, Glass, GlassClass};
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

/// Kinds of glass.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
pub enum GlassName {
    /// Borosilicate 3.3, 9.9e-6 per kelvin.
    #[serde(rename = "borosilicate 3.3")]
    Borosilicate33,
    /// Borosilicate 5.0, 15e-6 per kelvin.
    #[serde(rename = "borosilicate 5.0")]
    Borosilicate50,
    /// Soda-lime, 27e-6 per kelvin.
    #[serde(rename = "soda-lime")]
    SodaLime,
    /// Fused silica, 1.6e-6 per kelvin.
    #[serde(rename = "fused silica")]
    FusedSilica,
}

impl GlassName {
    fn expansion(self) -> f64 {
        match self {
            Self::Borosilicate33 => Glass::Borosilicate33,
            Self::Borosilicate50 => Glass::Borosilicate50,
            Self::SodaLime => Glass::SodaLime,
            Self::FusedSilica => Glass::FusedSilica,
        }
        .expansion()
    }
}

/// Water weighed or volumes measured at a temperature.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VolumeCorrectionInput {
    /// Temperature of the water, C, 0 to 40.
    temperature: f64,
    /// Air; left out, 0.0012 g/mL.
    air: Option<AirInput>,
    /// Kind of glass; left out (and no expansion), borosilicate 3.3.
    glass: Option<GlassName>,
    /// Cubic expansion of the glass, 1/K, in place of its kind; 0 leaves the glass out.
    expansion: Option<f64>,
    /// Density of a weighed substance, g/mL, whose buoyancy factor is wanted.
    sample_density: Option<f64>,
    /// Volume at the temperature, mL, wanted at 20 C.
    volume_ml: Option<f64>,
}

/// Densities and factors. Densities are in g/mL, and once more in kg/m3 where the name says so.
#[derive(Debug, Serialize, ToSchema)]
pub struct VolumeCorrectionFigures {
    /// Density of air-free water, g/mL (Tanaka 2001).
    water_density: f64,
    /// Density of air-saturated water, g/mL (Tanaka 2001 with dissolved air, which was measured up to 25 C).
    water_density_air_saturated: f64,
    /// Density of the air used, g/mL.
    air_density: f64,
    /// The same by the simplified formula, g/mL.
    air_density_simplified: Option<f64>,
    /// Density of air-free water, kg/m3.
    water_density_kg_per_m3: f64,
    /// Density of air-saturated water, kg/m3.
    water_density_air_saturated_kg_per_m3: f64,
    /// Density of the air used, kg/m3.
    air_density_kg_per_m3: f64,
    /// Density of air-free water by Kell 1975, kg/m3; the temperature taken as on the scale of 1968.
    water_density_kell_1975_kg_per_m3: f64,
    /// Density of air-free water by Jones and Harris 1992, kg/m3; null below 5 C.
    water_density_jones_harris_1992_kg_per_m3: Option<f64>,
    /// Cubic expansion of the glass, 1/K.
    expansion: f64,
    /// Factor from a volume at this temperature to 20 C.
    temperature_factor: f64,
    /// The volume at 20 C, mL.
    volume_at_20_ml: Option<f64>,
    /// Volume at 20 C per balance reading of water, mL/g.
    z_factor: f64,
    /// Factor from a balance reading of the substance to its mass.
    buoyancy_factor: Option<f64>,
}

impl VolumeCorrectionInput {
    fn expansion(&self) -> Result<f64, Refusal> {
        match (self.glass, self.expansion) {
            (Some(_), Some(expansion)) => {
                Err(Refusal::invalid("expansion", "one_of", "give glass or expansion, not both", expansion))
            }
            (Some(glass), None) => Ok(glass.expansion()),
            (None, Some(expansion)) if !(0.0..1e-3).contains(&expansion) => {
                Err(Refusal::invalid("expansion", "range", "must be from 0 to 0.001", expansion))
            }
            (None, expansion) => Ok(expansion.unwrap_or(BOROSILICATE_EXPANSION)),
        }
    }
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
        let expansion = self.expansion()?;
        let air = self.air.map(|air| {
            let full = chemistry::air_density_cipm(air.temperature, air.hectopascal, air.humidity)?;
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
        if let Some(volume) = self.volume_ml.filter(|volume| !(*volume > 0.0 && *volume < 1e9)) {
            return Err(Refusal::invalid("volume_ml", "range", "must be greater than 0, in mL", volume));
        }
        let (water, saturated) = (chemistry::water_density(t)?, chemistry::water_density_air_saturated(t)?);
        // The factor of core is that of borosilicate 3.3; the glass asked for takes its place.
        let temperature_factor = (1.0 + expansion * (t - 20.0)) * water / chemistry::water_density(20.0)?;
        let outcome = Outcome::of(VolumeCorrectionFigures {
            water_density: water,
            water_density_air_saturated: saturated,
            air_density: density,
            air_density_simplified: air.map(|(_, simplified)| simplified),
            water_density_kg_per_m3: 1000.0 * water,
            water_density_air_saturated_kg_per_m3: 1000.0 * saturated,
            air_density_kg_per_m3: 1000.0 * density,
            water_density_kell_1975_kg_per_m3: 1000.0 * chemistry::water_density_kell(t)?,
            water_density_jones_harris_1992_kg_per_m3: chemistry::water_density_jones_harris(t, false)
                .ok()
                .map(|density| 1000.0 * density),
            expansion,
            temperature_factor,
            volume_at_20_ml: self.volume_ml.map(|volume| volume * temperature_factor),
            z_factor: chemistry::z_factor(t, density, expansion)?,
            buoyancy_factor: buoyancy.transpose()?,
        });
        Ok(if t > DISSOLVED_AIR_UP_TO {
            let detail =
                format!("{t} C: the line for dissolved air is continued; it can be off by 0.005 kg/m3 at most");
            outcome.says(format!("dissolved air was measured up to {DISSOLVED_AIR_UP_TO} C"), "query", detail)
        } else {
            outcome
        })
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

/// Classes of accuracy.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize, ToSchema)]
pub enum GlassClassName {
    /// Class A, and AS.
    #[default]
    #[serde(rename = "A", alias = "AS")]
    A,
    /// Class B.
    #[serde(rename = "B")]
    B,
}

/// A piece of volumetric glassware.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct GlasswareInput {
    /// What it is.
    item: GlasswareName,
    /// Nominal volume, mL; left out, all sizes are listed.
    nominal_ml: Option<f64>,
    /// Class.
    #[serde(default)]
    class: GlassClassName,
    /// Scale division of a burette, mL; left out, the finest of its size.
    division_ml: Option<f64>,
}

/// What the class promises.
#[derive(Debug, Serialize, ToSchema)]
pub struct GlasswareFigures {
    /// Largest permissible error, mL; null where no size was asked for.
    limit_ml: Option<f64>,
    /// Standard uncertainty if the error is taken as rectangular, mL.
    u_rectangular_ml: Option<f64>,
    /// Standard uncertainty if the error is taken as triangular, mL.
    u_triangular_ml: Option<f64>,
    /// Sizes of the standard.
    sizes: Vec<GlasswareSizeFigures>,
}

/// A size of a standard.
#[derive(Debug, Serialize, ToSchema)]
pub struct GlasswareSizeFigures {
    /// Nominal volume, mL.
    nominal_ml: f64,
    /// Scale division of a burette, mL.
    division_ml: Option<f64>,
    /// Largest permissible error of class A, mL.
    class_a_ml: f64,
    /// Largest permissible error of class B, mL.
    class_b_ml: f64,
}

impl Calculation for GlasswareInput {
    const NAME: &'static str = "glassware";
    const SUMMARY: &'static str = "limits of class A and B burettes, pipettes and flasks as standard uncertainties";
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
        let class = match self.class {
            GlassClassName::A => GlassClass::A,
            GlassClassName::B => GlassClass::B,
        };
        let sizes = chemistry::glassware_limits(item);
        let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b;
        let limit = self.nominal_ml.map(|nominal| {
            let found = sizes.iter().find(|size| {
                near(size.nominal_ml, nominal)
                    && self.division_ml.is_none_or(|division| size.division_ml.is_some_and(|d| near(d, division)))
            });
            let known: Vec<String> = sizes.iter().map(|size| size.nominal_ml.to_string()).collect();
            let message = format!("is no size of the standard, which has {} mL", known.join(", "));
            found.map(|size| size.of(class)).ok_or_else(|| Refusal::invalid("nominal_ml", "known", message, nominal))
        });
        let limit = limit.transpose()?;
        let sizes = sizes.iter().map(|size| GlasswareSizeFigures {
            nominal_ml: size.nominal_ml,
            division_ml: size.division_ml,
            class_a_ml: size.class_a_ml,
            class_b_ml: size.class_b_ml,
        });
        Ok(Outcome::of(GlasswareFigures {
            limit_ml: limit,
            u_rectangular_ml: limit.map(half_width_rectangular),
            u_triangular_ml: limit.map(half_width_triangular),
            sizes: sizes.collect(),
        }))
    }
}
