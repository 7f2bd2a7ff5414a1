//! Test portions and their dilution chains: what was done is recorded, the dilution factor is computed.

mod store;

use chrono::{DateTime, Utc};
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, DilutionStepId, PortionId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::{Answer, Located, expect_version};
use ferrotitre_base::web::decimal::{Decimal, in_range};
use ferrotitre_base::web::versions::Correction;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::equipment::service::usable;
use crate::impacts;
use crate::instrument_readings::uses::{self, Measured};
use crate::instrument_readings::wire::Accepted;
use crate::readings;
use crate::samples::samples;

pub use store::{Row, StepRow, Version, current, every, newest, newest_of, numbers, numbers_in};

/// Portions that a list names.
const LISTED: i64 = 200;

/// A step of a dilution chain.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// Pipette from the solution before; absent in the first step, where the portion itself goes into the flask.
    pub pipette: Option<Uuid>,
    /// Flask made up to the mark.
    pub flask: Uuid,
}

/// A test portion as entered.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPortion {
    /// Mass taken, g, as read; give this and the balance, or the pipette.
    #[schema(example = "0.4012")]
    pub mass_g: Option<Decimal>,
    /// Balance.
    pub balance: Option<Uuid>,
    /// Pipette that took a volume.
    pub pipette: Option<Uuid>,
    /// Dilution steps in order.
    #[serde(default)]
    pub dilution: Vec<Step>,
    /// Pipette of the titrated aliquot; absent if all of it was titrated.
    pub aliquot_pipette: Option<Uuid>,
    /// Density of the sample, g/cm3, where a conversion between mass and volume is wanted.
    #[schema(example = "1.284")]
    pub density: Option<Decimal>,
    /// Its standard uncertainty.
    #[schema(example = "0.002")]
    pub density_u: Option<Decimal>,
    /// Temperature of the solutions, C.
    #[schema(example = "21.5")]
    pub temperature: Option<Decimal>,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Why it is recorded so much later than observed: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
    /// Readings of instruments that were accepted for its mass.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub accepted: Vec<Accepted>,
}

/// A test portion.
#[derive(Debug, Serialize, ToSchema)]
pub struct PortionView {
    /// The portion itself, the same in all its versions.
    pub id: Uuid,
    /// This version.
    pub version_id: Uuid,
    /// Number of the version.
    pub version: i32,
    /// Sample.
    pub sample: Uuid,
    /// What was recorded.
    #[serde(flatten)]
    pub facts: NewPortion,
    /// Reason of the correction.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl Located for PortionView {
    fn location(&self) -> String {
        format!("/api/v1/samples/{}/portions", self.sample)
    }
}

impl NewPortion {
    /// A portion taken with the same vessels; not of what was weighed, since no reading is taken over.
    #[must_use]
    pub fn like(row: &Row, steps: &[StepRow], observed_at: DateTime<Utc>) -> Option<Self> {
        Some(Self {
            mass_g: None,
            balance: None,
            pipette: Some(row.pipette_id?),
            dilution: steps.iter().map(|step| Step { pipette: step.pipette_id, flask: step.flask_id }).collect(),
            aliquot_pipette: row.aliquot_pipette_id,
            density: None,
            density_u: None,
            temperature: None,
            observed_at,
            late_reason: None,
            accepted: Vec::new(),
        })
    }

    /// Its vessels in the order in which it goes through them.
    #[must_use]
    pub fn vessels(&self) -> Vec<Uuid> {
        let steps = self.dilution.iter().flat_map(|step| [step.pipette, Some(step.flask)]);
        std::iter::once(self.pipette).chain(steps).chain([self.aliquot_pipette]).flatten().collect()
    }

    /// What is wrong with it by itself.
    pub fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        match (&self.mass_g, self.balance, self.pipette) {
            (Some(mass), Some(_), None) => in_range(&mut errors, "mass_g", mass, 0.000_001, 10_000.0, "g"),
            (None, None, Some(_)) => {}
            _ => errors.add("pipette", "mass_or_volume", "give either mass_g and balance, or pipette", ""),
        }
        for (index, step) in self.dilution.iter().enumerate() {
            let field = format!("dilution[{index}].pipette");
            if index == 0 {
                let message = "must be absent in the first step: the portion itself goes into the flask";
                errors.require(step.pipette.is_none(), &field, "first_step", message, step.pipette.unwrap_or_default());
            } else {
                errors.require(
                    step.pipette.is_some(),
                    &field,
                    "required",
                    "name the pipette that fills this flask",
                    "",
                );
            }
        }
        let needs_flask = self.aliquot_pipette.is_none() || !self.dilution.is_empty();
        errors.require(
            needs_flask,
            "aliquot_pipette",
            "dilution",
            "an aliquot is taken of a diluted solution; without dilution the portion is the aliquot",
            self.aliquot_pipette.unwrap_or_default(),
        );
        if let Some(density) = &self.density {
            in_range(&mut errors, "density", density, 0.5, 5.0, "g/cm3");
        }
        if let Some(u) = &self.density_u {
            in_range(&mut errors, "density_u", u, 0.0, 0.5, "g/cm3");
        }
        errors.require(
            self.density.is_some() == self.density_u.is_some(),
            "density_u",
            "with_density",
            "give density and density_u together",
            "",
        );
        if let Some(temperature) = &self.temperature {
            in_range(&mut errors, "temperature", temperature, 0.0, 40.0, "C");
        }
        errors.check()?;
        not_in_the_future("observed_at", self.observed_at)
    }

    /// Nobody takes more out of a flask than it holds, or fills it beyond its mark.
    fn check_fits(&self, volumes: &std::collections::HashMap<Uuid, (f64, String)>) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        let mut flask: Option<Uuid> = None;
        let mut fits = |field: String, pipette: Option<Uuid>, flask: Option<Uuid>| {
            let found = pipette.zip(flask).and_then(|(pipette, flask)| volumes.get(&pipette).zip(volumes.get(&flask)));
            if let Some(((taken, pipette), (held, flask))) = found {
                let message = format!("{pipette} takes {taken} mL, more than the {held} mL of {flask}");
                errors.require(taken <= held, &field, "fits", message, format!("{taken} mL"));
            }
        };
        for (index, step) in self.dilution.iter().enumerate() {
            let field = format!("dilution[{index}].pipette");
            fits(field.clone(), step.pipette, flask);
            let into = if index == 0 { ("pipette".to_owned(), self.pipette) } else { (field, step.pipette) };
            fits(into.0, into.1, Some(step.flask));
            flask = Some(step.flask);
        }
        fits("aliquot_pipette".to_owned(), self.aliquot_pipette, flask);
        errors.check()
    }

    async fn check_equipment(&self, connection: &Connection) -> Result<(), Refusal> {
        let at = self.observed_at;
        let mut named: Vec<(String, Uuid, &[&str])> = Vec::new();
        named.extend(self.balance.map(|id| ("balance".to_owned(), id, &["balance"][..])));
        named.extend(self.pipette.map(|id| ("pipette".to_owned(), id, &["pipette"][..])));
        named.extend(self.aliquot_pipette.map(|id| ("aliquot_pipette".to_owned(), id, &["pipette"][..])));
        for (index, step) in self.dilution.iter().enumerate() {
            named.extend(step.pipette.map(|id| (format!("dilution[{index}].pipette"), id, &["pipette"][..])));
            named.push((format!("dilution[{index}].flask"), step.flask, &["flask"][..]));
        }
        let mut volumes = std::collections::HashMap::new();
        for (field, id, kinds) in named {
            let piece = usable(connection, &field, id, kinds, at).await?.not_overdue(&field)?;
            if let (Some(mass), true) = (&self.mass_g, self.balance == Some(id)) {
                let mut errors = FieldErrors::default();
                readings::weighed(&mut errors, "mass_g", mass, &piece.facts);
                errors.check()?;
            }
            volumes.insert(id, (piece.facts.range_high.value(), piece.facts.code.clone()));
        }
        self.check_fits(&volumes)
    }
}

async fn insert(
    connection: &Connection,
    act: &Act,
    sample: Uuid,
    new: &NewPortion,
    follows: Option<(&Row, String)>,
) -> Result<PortionView, Refusal> {
    let by = author(act)?;
    let id = PortionId::new();
    let received = samples::versions::current(connection, sample).await?.facts.received_at;
    bench_times::there_since(new.observed_at, received, "observed_at", "the sample")?;
    if follows.as_ref().is_none_or(|(before, _)| before.observed_at != new.observed_at) {
        let late = Observed::new("test_portions", id.0, new.observed_at, new.late_reason.as_deref());
        bench_times::accept(connection, act, late).await?;
    }
    let row = Row {
        id,
        record_id: follows.as_ref().map_or(id.0, |(row, _)| row.record_id),
        version: follows.as_ref().map_or(1, |(row, _)| row.version + 1),
        supersedes: follows.as_ref().map(|(row, _)| row.id),
        reason: follows.map(|(_, reason)| reason),
        sample_id: sample,
        taken_by: if new.mass_g.is_some() { "mass" } else { "volume" }.to_owned(),
        mass_g: new.mass_g.clone(),
        balance_id: new.balance,
        pipette_id: new.pipette,
        aliquot_pipette_id: new.aliquot_pipette,
        density: new.density.clone(),
        density_u: new.density_u.clone(),
        temperature: new.temperature.clone(),
        observed_at: new.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    let steps: Vec<StepRow> = (1..)
        .zip(&new.dilution)
        .map(|(position, step)| StepRow {
            id: DilutionStepId::new(),
            portion_id: id,
            position,
            pipette_id: step.pipette,
            flask_id: step.flask,
            recorded_at: DateTime::UNIX_EPOCH,
            recorded_by: by,
        })
        .collect();
    let row = store::insert(connection, &row, &steps).await?;
    Ok(view(row, &steps))
}

fn view(row: Row, steps: &[StepRow]) -> PortionView {
    PortionView {
        id: row.record_id,
        version_id: row.id.0,
        version: row.version,
        sample: row.sample_id,
        reason: row.reason,
        facts: NewPortion {
            mass_g: row.mass_g,
            balance: row.balance_id,
            pipette: row.pipette_id,
            dilution: steps.iter().map(|step| Step { pipette: step.pipette_id, flask: step.flask_id }).collect(),
            aliquot_pipette: row.aliquot_pipette_id,
            density: row.density,
            density_u: row.density_u,
            temperature: row.temperature,
            observed_at: row.observed_at,
            late_reason: None,
            accepted: Vec::new(),
        },
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    }
}

/// Its mass, as something that an instrument may have sent.
pub(super) fn measured(facts: &NewPortion) -> Vec<Measured<'_>> {
    let mass = facts.mass_g.iter().zip(facts.balance);
    mass.map(|(value, equipment)| Measured { field: "mass_g".to_owned(), equipment, value }).collect()
}

async fn note(connection: &Connection, act: &Act, view: &PortionView, new: &NewPortion) -> Result<(), Refusal> {
    let made = uses::Made { table: "test_portions", row: view.version_id, record: view.id };
    uses::note(connection, act, made, &new.accepted, &measured(new)).await
}

pub async fn record(db: &Db, act: &Act, sample: Uuid, new: NewPortion) -> Result<Answer, Refusal> {
    new.check()?;
    db.write(act, async |connection| {
        samples::versions::current(connection, sample).await?;
        hold(connection, &[Held::Sample(sample)]).await?;
        samples::still_here(connection, "sample", sample).await?;
        record_in(connection, act, sample, &new).await
    })
    .await
}

/// Records a portion of a sample that is there, in a transaction that does more.
pub async fn record_in(
    connection: &Connection,
    act: &Act,
    sample: Uuid,
    new: &NewPortion,
) -> Result<PortionView, Refusal> {
    new.check_equipment(connection).await?;
    let portion = insert(connection, act, sample, new, None).await?;
    note(connection, act, &portion, new).await?;
    Ok(portion)
}

pub async fn correct(
    db: &Db,
    act: &Act,
    portion: Uuid,
    if_match: Option<&str>,
    correction: Correction<NewPortion>,
) -> Result<Answer, Refusal> {
    correction.facts.check()?;
    states::reason_given("reason", Some(&correction.reason))?;
    db.write(act, async |connection| {
        let (present, _) = current(connection, portion).await?;
        expect_version(if_match, &present.id.to_string())?;
        correction.facts.check_equipment(connection).await?;
        let why = Some((&present, correction.reason));
        let portion = insert(connection, act, present.sample_id, &correction.facts, why).await?;
        note(connection, act, &portion, &correction.facts).await?;
        impacts::follow_up(connection, act, portion.version_id).await?;
        Ok(portion)
    })
    .await
}

/// Portions of a sample, newest first.
///
/// # Errors
/// No such sample; a store that cannot be reached.
pub async fn list(db: &Db, sample: Uuid) -> Result<Vec<PortionView>, Refusal> {
    db.read(async |connection| {
        samples::versions::current(connection, sample).await?;
        let found = store::of_sample(connection, sample, LISTED).await?;
        Ok(found.into_iter().map(|(row, steps)| view(row, &steps)).collect())
    })
    .await
}
