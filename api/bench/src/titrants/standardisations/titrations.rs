//! Titrations of standardisations: recorded, corrected, left out with a cause.

use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{StandardisationId, StandardisationTitrationId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::{Answer, expect_version};
use ferrotitre_base::web::decimal::{in_range, words};
use ferrotitre_base::web::versions::Correction;
use uuid::Uuid;

use super::reading::Loaded;
use super::{KIND, TITRATION, load};
use crate::equipment::service::usable;
use crate::equipment::store::versions as equipment;
use crate::instrument_readings::uses::{self, Measured};
use crate::instrument_readings::wire::Accepted;
use crate::readings;
use crate::titrants::store::{self, StandardisationRow, StandardisationTitrationRow, TitrantRow};
use crate::titrants::wire::{NewStandardisationTitration, Rejection, StandardisationTitrationView};
use ferrotitre_core::chemistry::{indicator, species};

/// Refuses a change of what is signed. One that was approved and is amended takes no further titration: what was made then is all
/// there is.
async fn may_change(connection: &Connection, row: &StandardisationRow, further: bool) -> Result<(), Refusal> {
    let moves = states::history(connection, row.id.0).await?;
    let state = moves.last().map_or(KIND.first_state(), |step| step.to_state.as_str());
    let further = further && moves.iter().any(|step| step.to_state == "amended");
    let detail = match (state, further) {
        ("draft" | "returned" | "amended", false) => return Ok(()),
        ("returned" | "amended", true) => {
            "the standardisation was approved and is amended: its titrations are corrected or rejected, none is added; begin another"
                .to_owned()
        }
        ("approved", _) => {
            "the standardisation is approved; a manager must amend it before its titrations change".to_owned()
        }
        (state, _) => format!("the standardisation is {state}; return it first"),
    };
    Err(Refusal::new(Code::StateConflict, detail))
}

async fn check_titration(
    connection: &Connection,
    row: &StandardisationRow,
    new: &NewStandardisationTitration,
) -> Result<(), Refusal> {
    let at = row.observed_at;
    let used = usable(connection, "burette", row.burette_id, &["burette", "piston burette"], at).await?;
    let mut errors = FieldErrors::default();
    readings::check(&mut errors, &new.initial_readings, &new.final_readings, &used.facts);
    words(&mut errors, "end_point", &new.end_point);
    match new.kind.as_str() {
        "replicate" => {
            let weighed = row.against == "primary standard";
            match &new.mass_g {
                Some(mass) => {
                    errors.require(weighed, "mass_g", "against", "a replicate against a titrant has no mass", mass);
                    in_range(&mut errors, "mass_g", mass, 0.000_1, 100.0, "g");
                    if let Some(balance) = row.balance_id {
                        let balance = equipment::current(connection, balance).await?;
                        readings::weighed(&mut errors, "mass_g", mass, &balance.facts);
                    }
                }
                None => errors.require(
                    !weighed,
                    "mass_g",
                    "required",
                    "a replicate against a primary standard needs its mass",
                    "",
                ),
            }
        }
        "blank" => errors.require(
            new.mass_g.is_none(),
            "mass_g",
            "blank",
            "a blank has no mass",
            new.mass_g.as_ref().map(ToString::to_string).unwrap_or_default(),
        ),
        other => errors.add("kind", "one_of", "must be replicate or blank", other),
    }
    match &new.solution_temperature {
        Some(temperature) => in_range(&mut errors, "solution_temperature", temperature, 5.0, 40.0, "C"),
        None => errors.require(
            !row.correct_temperature,
            "solution_temperature",
            "required",
            "volumes are corrected for temperature: give it",
            "",
        ),
    }
    errors.check()?;
    if new.kind == "blank" && lacks_iron(row, &store::titrant(connection, row.titrant_id.0).await?) {
        return Err(blank_without_iron(row));
    }
    not_in_the_future("observed_at", new.observed_at)
}

/// Whether a blank shows no end point: the oxidant in the burette, an indicator that turns only where iron is, and no iron.
fn lacks_iron(row: &StandardisationRow, lot: &TitrantRow) -> bool {
    indicator(&row.indicator).is_some_and(|entry| entry.needs_iron)
        && species(&lot.chemistry).is_some_and(|entry| entry.oxidant)
}

fn blank_without_iron(row: &StandardisationRow) -> Refusal {
    let detail = format!(
        "{} turns only where iron is present: a blank of the oxidant without iron shows no end point. Leave the blank out, or take its indicator into the weighed iron",
        row.indicator
    );
    Refusal::new(Code::BlankWithoutIron, detail).at("kind", "iron_present", "blank")
}

/// Refuses a signature on blanks that could not show an end point, recorded before they were refused.
pub(super) fn no_blank_without_iron(loaded: &Loaded) -> Result<(), Refusal> {
    let counts = |of: &StandardisationTitrationView| {
        of.facts.kind == "blank" && !matches!(of.state.as_str(), "superseded" | "rejected")
    };
    if lacks_iron(&loaded.row, &loaded.titrant) && loaded.view.titrations.iter().any(counts) {
        return Err(blank_without_iron(&loaded.row));
    }
    Ok(())
}

fn titration_row(
    act: &Act,
    standardisation: StandardisationId,
    position: i32,
    new: NewStandardisationTitration,
    follows: Option<(&StandardisationTitrationRow, String)>,
) -> Result<StandardisationTitrationRow, Refusal> {
    let id = StandardisationTitrationId::new();
    Ok(StandardisationTitrationRow {
        id,
        record_id: follows.as_ref().map_or(id.0, |(row, _)| row.record_id),
        version: follows.as_ref().map_or(1, |(row, _)| row.version + 1),
        supersedes: follows.as_ref().map(|(row, _)| row.id),
        reason: follows.map(|(_, reason)| reason),
        standardisation_id: standardisation,
        position,
        kind: new.kind,
        mass_g: new.mass_g,
        initial_readings: new.initial_readings,
        final_readings: new.final_readings,
        solution_temperature: new.solution_temperature,
        end_point: new.end_point,
        observed_at: new.observed_at,
        recorded_at: chrono::DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    })
}

/// Checks when a titration was made: not before the lot was there, and not long ago without a reason.
async fn accept(
    connection: &Connection,
    act: &Act,
    row: &StandardisationRow,
    titration: &StandardisationTitrationRow,
    late_reason: Option<&str>,
) -> Result<(), Refusal> {
    let lot = store::titrant(connection, row.titrant_id.0).await?;
    bench_times::there_since(titration.observed_at, lot.observed_at, "observed_at", &lot.code)?;
    let late = Observed::new(TITRATION.table(), titration.id.0, titration.observed_at, late_reason);
    bench_times::accept(connection, act, late.within(row.id.0)).await
}

/// Notes which values an instrument sent.
async fn note(
    connection: &Connection,
    act: &Act,
    row: &StandardisationRow,
    titration: &StandardisationTitrationRow,
    accepted: &[Accepted],
) -> Result<(), Refusal> {
    let made = uses::Made { table: TITRATION.table(), row: titration.id.0, record: titration.record_id };
    let mut measured = Measured::burette(row.burette_id, &titration.initial_readings, &titration.final_readings);
    let mass = titration.mass_g.iter().zip(row.balance_id);
    measured.extend(mass.map(|(value, equipment)| Measured { field: "mass_g".to_owned(), equipment, value }));
    uses::note(connection, act, made, accepted, &measured).await
}

/// Burette of a standardisation, and its balance if there is one.
pub async fn instruments(db: &Db, id: Uuid) -> Result<(Uuid, Option<Uuid>), Refusal> {
    let row = db.read(async |connection| store::standardisation(connection, id).await).await?;
    Ok((row.burette_id, row.balance_id))
}

pub async fn record_titration(
    db: &Db,
    act: &Act,
    id: Uuid,
    new: NewStandardisationTitration,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let row = store::standardisation(connection, id).await?;
        hold(connection, &[Held::Standardisation(id)]).await?;
        may_change(connection, &row, true).await?;
        check_titration(connection, &row, &new).await?;
        let present = store::standardisation_titrations(connection, row.id).await?;
        let position = present.iter().map(|t| t.position).max().unwrap_or(0) + 1;
        let (late_reason, accepted) = (new.late_reason.clone(), new.accepted.clone());
        let titration = titration_row(act, row.id, position, new, None)?;
        accept(connection, act, &row, &titration, late_reason.as_deref()).await?;
        store::insert_standardisation_titration(connection, &titration).await?;
        note(connection, act, &row, &titration, &accepted).await?;
        Ok(load(connection, row).await?.view)
    })
    .await
}

/// The standardisation of a titration and the titration's present version.
async fn of_titration(
    connection: &Connection,
    record: Uuid,
) -> Result<(StandardisationRow, StandardisationTitrationRow), Refusal> {
    let row =
        store::standardisation(connection, store::standardisation_of_titration(connection, record).await?).await?;
    hold(connection, &[Held::Standardisation(row.id.0)]).await?;
    let titrations = store::standardisation_titrations(connection, row.id).await?;
    let newest = titrations.into_iter().filter(|t| t.record_id == record).max_by_key(|t| t.version);
    newest.map(|titration| (row, titration)).ok_or_else(|| Refusal::not_found("standardisation titration", record))
}

pub async fn correct_titration(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<NewStandardisationTitration>,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&correction.reason))?;
    db.write(act, async |connection| {
        let (row, present) = of_titration(connection, id).await?;
        expect_version(if_match, &present.id.to_string())?;
        may_change(connection, &row, false).await?;
        check_titration(connection, &row, &correction.facts).await?;
        let (late_reason, accepted) = (correction.facts.late_reason.clone(), correction.facts.accepted.clone());
        let titration =
            titration_row(act, row.id, present.position, correction.facts, Some((&present, correction.reason)))?;
        if titration.observed_at != present.observed_at {
            accept(connection, act, &row, &titration, late_reason.as_deref()).await?;
        }
        store::insert_standardisation_titration(connection, &titration).await?;
        note(connection, act, &row, &titration, &accepted).await?;
        Ok(load(connection, row).await?.view)
    })
    .await
}

pub async fn reject_titration(db: &Db, act: &Act, id: Uuid, rejection: Rejection) -> Result<Answer, Refusal> {
    readings::cause(&rejection.cause)?;
    db.write(act, async |connection| {
        let (row, present) = of_titration(connection, id).await?;
        may_change(connection, &row, false).await?;
        let asked = NewMove { to: "rejected".to_owned(), reason: Some(rejection.reason) };
        states::advance(connection, act, TITRATION, present.id.0, &asked, Some(&rejection.cause)).await?;
        let loaded = load(connection, row).await?;
        // None is added to what was approved, so that its factor would stay wrong for good.
        if loaded.amended.is_some() && loaded.result.titrant.is_none() {
            let detail = "with this one rejected too few replicates would be left for a factor, and none is added to a standardisation \
                          that was approved: withdraw the lot, which marks what was titrated with it, and titrate again with another";
            return Err(Refusal::new(Code::StateConflict, detail));
        }
        Ok(loaded.view)
    })
    .await
}
