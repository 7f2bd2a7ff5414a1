//! Facts of a determination as an input, and the record that core evaluates.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::chemistry::{self, Expressed};
use ferrotitre_core::determination::{
    Acceptance, Blank, BlankKind, Burette, Central, DilutionStep, Factor, Portion, PortionAmount, Record, Reporting,
    Rules, Segment, Standing, Titration, TitrationKind, Unit, Vessel, check_readings,
};
use ferrotitre_core::quantity::Reading;
use ferrotitre_core::rounding::Ties;
use ferrotitre_core::statistics::agreement::{ConcordanceMode, FollowUp};
use ferrotitre_core::uncertainty::CoverageRule;
use serde::Deserialize;
use utoipa::ToSchema;

/// Readings of one titration; a refill of the burette adds a pair.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadingsInput {
    /// Initial readings, mL.
    initial: Vec<Decimal>,
    /// Final readings, mL.
    #[serde(rename = "final")]
    last: Vec<Decimal>,
    /// Temperature of the titrant, C; needed for the correction to 20 C.
    temperature: Option<f64>,
}

/// The burette.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BuretteInput {
    /// Reading step, mL.
    resolution: Decimal,
    /// Capacity, mL.
    capacity: Decimal,
    /// Standard uncertainty of a delivered volume from calibration, mL.
    #[serde(default)]
    u_ml: f64,
    /// Corrections as pairs of reading and correction, mL.
    #[serde(default)]
    corrections: Vec<[f64; 2]>,
}

impl BuretteInput {
    /// The burette that core takes.
    ///
    /// # Errors
    /// A resolution or an uncertainty out of range, corrections that cannot be interpolated.
    pub(super) fn burette(&self) -> Result<Burette, Refusal> {
        let resolution_ml = positive("burette.resolution", self.resolution.value())?;
        let u_ml = not_negative("burette.u_ml", self.u_ml)?;
        let corrections: Vec<(f64, f64)> = self.corrections.iter().map(|[x, y]| (*x, *y)).collect();
        if !corrections.is_empty() {
            chemistry::check_corrections(&corrections, self.capacity.value())
                .map_err(|error| Refusal::invalid("burette.corrections", "table", error.to_string(), ""))?;
        }
        let id = "burette".to_owned();
        Ok(Burette { code: id.clone(), id, corrections, resolution_ml, u_ml, dof: None })
    }
}

/// A pipette or flask.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VesselInput {
    /// Volume, mL.
    ml: f64,
    /// Standard uncertainty, mL.
    #[serde(default)]
    u_ml: f64,
}

impl VesselInput {
    /// Volume, mL.
    pub(super) fn ml(&self) -> f64 {
        self.ml
    }

    /// Standard uncertainty, mL.
    pub(super) fn u_ml(&self) -> f64 {
        self.u_ml
    }

    fn vessel(&self, name: &str) -> Result<Vessel, Refusal> {
        positive(&format!("{name}.ml"), self.ml)?;
        not_negative(&format!("{name}.u_ml"), self.u_ml)?;
        Ok(Vessel { id: name.to_owned(), code: name.to_owned(), volume_ml: self.ml, u_ml: self.u_ml, dof: None })
    }
}

/// The titrant.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TitrantInput {
    /// Electrons per formula unit: 6 for dichromate, 5 for permanganate, 1 for cerium(IV).
    electrons: u32,
    /// Concentration, mol/L.
    concentration: f64,
    /// Its standard uncertainty, mol/L.
    #[serde(default)]
    u: f64,
}

impl TitrantInput {
    /// Electrons per formula unit.
    pub(super) fn electrons(&self) -> u32 {
        self.electrons
    }

    /// Concentration, mol/L.
    pub(super) fn concentration(&self) -> f64 {
        self.concentration
    }

    /// Its standard uncertainty, mol/L.
    pub(super) fn u(&self) -> f64 {
        self.u
    }
}

/// A step of dilution.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DilutionInput {
    /// Pipette from the solution before; left out in the first step.
    pipette: Option<VesselInput>,
    /// Flask made up to the mark.
    flask: VesselInput,
}

/// What was taken: a volume or a mass.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PortionInput {
    /// Pipetted volume.
    pipette: Option<VesselInput>,
    /// Mass, g.
    mass_g: Option<f64>,
    /// Standard uncertainty of the mass, g.
    #[serde(default)]
    u_g: f64,
    /// Dilution chain.
    #[serde(default)]
    dilution: Vec<DilutionInput>,
    /// Pipette of the aliquot titrated; left out, all was titrated.
    aliquot: Option<VesselInput>,
}

/// Unit of a content.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum ContentUnit {
    /// g/L.
    #[default]
    #[serde(rename = "g/L")]
    GramsPerLitre,
    /// mg/L.
    #[serde(rename = "mg/L")]
    MilligramsPerLitre,
    /// mol/L.
    #[serde(rename = "mol/L")]
    MolesPerLitre,
    /// % by mass.
    #[serde(rename = "% m/m")]
    PercentByMass,
    /// mol/kg.
    #[serde(rename = "mol/kg")]
    MolesPerKilogram,
}

/// As what iron is expressed.
#[derive(Debug, Clone, Copy, Default, Deserialize, ToSchema)]
pub enum ExpressedAs {
    /// Fe.
    #[default]
    Fe,
    /// FeO.
    FeO,
    /// Fe2O3.
    Fe2O3,
}

fn positive(field: &str, value: f64) -> Result<f64, Refusal> {
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(Refusal::invalid(field, "range", "must be greater than 0", value))
    }
}

fn not_negative(field: &str, value: f64) -> Result<f64, Refusal> {
    if value >= 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(Refusal::invalid(field, "range", "must be 0 or more", value))
    }
}

fn segments(field: &str, readings: &ReadingsInput, burette: &BuretteInput) -> Result<Vec<Segment>, Refusal> {
    if readings.initial.is_empty() || readings.initial.len() != readings.last.len() {
        let found = format!("{} and {}", readings.initial.len(), readings.last.len());
        return Err(Refusal::invalid(field, "pairs", "give as many final as initial readings, at least one", found));
    }
    let pairs = readings.initial.iter().zip(&readings.last);
    let segments: Vec<Segment> = pairs
        .map(|(initial, last)| Segment { initial: initial.reading().clone(), last: last.reading().clone() })
        .collect();
    check_readings(&segments, burette.capacity.reading(), burette.resolution.reading())
        .map_err(|error| Refusal::invalid(field, "readings", error.to_string(), text_of(&segments)))?;
    Ok(segments)
}

fn text_of(segments: &[Segment]) -> String {
    let pair = |segment: &Segment| format!("{} to {}", Reading::text(&segment.initial), Reading::text(&segment.last));
    segments.iter().map(pair).collect::<Vec<_>>().join(", ")
}

/// Facts of one determination.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct IronContentInput {
    /// Accurate titrations.
    titrations: Vec<ReadingsInput>,
    /// Blanks, whose mean is subtracted.
    #[serde(default)]
    blanks: Vec<ReadingsInput>,
    /// Titrant volume that iron added to the blanks takes up, mL.
    blank_iron_equivalent_ml: Option<f64>,
    /// Titrant.
    titrant: TitrantInput,
    /// Burette.
    burette: BuretteInput,
    /// Portion and dilution.
    portion: PortionInput,
    /// Repeatability standard deviation of a titre, mL.
    sigma_r_ml: Option<f64>,
    /// Standard uncertainty of the end point, mL.
    #[serde(default)]
    end_point_u_ml: f64,
    /// Largest range of concordant titres, mL.
    #[serde(default = "tenth")]
    #[schema(default = 0.1)]
    concordance_limit_ml: f64,
    /// Whether volumes are brought to 20 C.
    #[serde(default)]
    correct_temperature: bool,
    /// Unit of the result.
    #[serde(default)]
    unit: ContentUnit,
    /// As what iron is expressed.
    #[serde(default)]
    expressed: ExpressedAs,
}

fn tenth() -> f64 {
    0.1
}

impl IronContentInput {
    /// The same portion, titrant and glassware with other titrations.
    pub(super) fn with_titrations(self, titrations: Vec<ReadingsInput>) -> Self {
        Self { titrations, ..self }
    }

    fn checked(&self) -> Result<(), Refusal> {
        if self.titrations.is_empty() || self.titrations.len() > 100 {
            return Err(Refusal::invalid("titrations", "size", "must be 1 to 100", self.titrations.len()));
        }
        if self.portion.dilution.len() > 10 || self.blanks.len() > 100 {
            return Err(Refusal::invalid(
                "portion.dilution",
                "size",
                "at most 10 steps and 100 blanks",
                self.portion.dilution.len(),
            ));
        }
        if !(1..=10).contains(&self.titrant.electrons) {
            return Err(Refusal::invalid("titrant.electrons", "range", "must be from 1 to 10", self.titrant.electrons));
        }
        positive("titrant.concentration", self.titrant.concentration)?;
        not_negative("titrant.u", self.titrant.u)?;
        not_negative("burette.u_ml", self.burette.u_ml)?;
        positive("burette.resolution", self.burette.resolution.value())?;
        not_negative("end_point_u_ml", self.end_point_u_ml)?;
        positive("concordance_limit_ml", self.concordance_limit_ml)?;
        self.sigma_r_ml.map(|sigma| positive("sigma_r_ml", sigma)).transpose()?;
        if !self.burette.corrections.is_empty() {
            let table: Vec<(f64, f64)> = self.burette.corrections.iter().map(|[x, y]| (*x, *y)).collect();
            chemistry::check_corrections(&table, self.burette.capacity.value())
                .map_err(|error| Refusal::invalid("burette.corrections", "table", error.to_string(), ""))?;
        }
        Ok(())
    }

    fn rules(&self) -> Rules {
        Rules {
            chemistry: "dichromate".to_owned(),
            indicator: String::new(),
            acceptance: Acceptance::Concordance,
            concordance_limit_ml: self.concordance_limit_ml,
            concordance_mode: ConcordanceMode::AllAccurate,
            minimum_titres: self.titrations.len().min(2),
            give_up_after: self.titrations.len(),
            central: Central::Mean,
            sigma_r_ml: self.sigma_r_ml.map(|sigma| (sigma, None)),
            follow_up: FollowUp::Cheap,
            correct_burette: !self.burette.corrections.is_empty(),
            correct_temperature: self.correct_temperature,
            subtract_blank: !self.blanks.is_empty(),
            between_runs: None,
            interpolate_factor: false,
            end_point_u_ml: self.end_point_u_ml,
            longest_standing_minutes: 5.0,
            reporting: Reporting {
                unit: match self.unit {
                    ContentUnit::GramsPerLitre => Unit::GramsPerLitre,
                    ContentUnit::MilligramsPerLitre => Unit::MilligramsPerLitre,
                    ContentUnit::MolesPerLitre => Unit::MolesPerLitre,
                    ContentUnit::PercentByMass => Unit::PercentByMass,
                    ContentUnit::MolesPerKilogram => Unit::MolesPerKilogram,
                },
                expressed: match self.expressed {
                    ExpressedAs::Fe => Expressed::Iron,
                    ExpressedAs::FeO => Expressed::IronIIOxide,
                    ExpressedAs::Fe2O3 => Expressed::IronIIIOxide,
                },
                ties: Ties::HalfEven,
                places: None,
                coverage: CoverageRule::Fixed(2.0),
            },
            loq: None,
        }
    }

    fn portion(&self) -> Result<Portion, Refusal> {
        let amount = match (&self.portion.pipette, self.portion.mass_g) {
            (Some(pipette), None) => PortionAmount::Volume(pipette.vessel("portion.pipette")?),
            (None, Some(grams)) => {
                positive("portion.mass_g", grams)?;
                let u = not_negative("portion.u_g", self.portion.u_g)?;
                PortionAmount::Mass { id: "portion".to_owned(), grams, u, dof: None }
            }
            (pipette, _) => {
                let given = if pipette.is_some() { "both" } else { "neither" };
                return Err(Refusal::invalid("portion.pipette", "one_of", "give pipette or mass_g", given));
            }
        };
        let mut dilution = Vec::new();
        for (at, step) in self.portion.dilution.iter().enumerate() {
            let name = format!("portion.dilution[{at}]");
            if step.pipette.is_none() && at > 0 {
                return Err(Refusal::invalid(
                    &format!("{name}.pipette"),
                    "required",
                    "only the first step has none",
                    "",
                ));
            }
            dilution.push(DilutionStep {
                pipette: step.pipette.map(|pipette| pipette.vessel(&format!("{name}.pipette"))).transpose()?,
                flask: step.flask.vessel(&format!("{name}.flask"))?,
            });
        }
        let aliquot = self.portion.aliquot.map(|aliquot| aliquot.vessel("portion.aliquot")).transpose()?;
        Ok(Portion { id: "portion".to_owned(), amount, dilution, aliquot, density: None })
    }

    fn burette(&self) -> Burette {
        Burette {
            id: "burette".to_owned(),
            code: "burette".to_owned(),
            corrections: self.burette.corrections.iter().map(|[x, y]| (*x, *y)).collect(),
            resolution_ml: self.burette.resolution.value(),
            u_ml: self.burette.u_ml,
            dof: None,
        }
    }

    /// The record that core evaluates; `name` tells two determinations of one sample apart.
    pub(super) fn record(&self, name: &str) -> Result<Record, Refusal> {
        self.checked()?;
        let factor = Factor {
            id: "titrant".to_owned(),
            lot: "titrant".to_owned(),
            electrons: self.titrant.electrons,
            concentration: self.titrant.concentration,
            u: self.titrant.u,
            dof: None,
            following: None,
        };
        let mut titrations = Vec::new();
        for (position, readings) in (1u32..).zip(&self.titrations) {
            titrations.push(Titration {
                id: format!("{name}{position}"),
                position,
                kind: TitrationKind::Accurate,
                standing: Standing::Counted,
                segments: segments(&format!("titrations[{}]", position - 1), readings, &self.burette)?,
                temperature: readings.temperature,
                factor: factor.clone(),
                burette: self.burette(),
                reduction: None,
                excess: None,
            });
        }
        let mut blanks = Vec::new();
        for (at, readings) in self.blanks.iter().enumerate() {
            blanks.push(Blank {
                id: format!("blank {}", at + 1),
                standing: Standing::Counted,
                segments: segments(&format!("blanks[{at}]"), readings, &self.burette)?,
                temperature: readings.temperature,
                burette: self.burette(),
                iron_equivalent_ml: self.blank_iron_equivalent_ml,
                iron_equivalent_u_ml: None,
                kind: BlankKind::Reagent,
                factor: None,
                corrected: false,
                added: None,
            });
        }
        Ok(Record { id: name.to_owned(), rules: self.rules(), portion: self.portion()?, titrations, blanks })
    }
}
