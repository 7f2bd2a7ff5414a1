//! Titrations of a determination: recorded, corrected, rejected.

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{TitrantId, TitrationId};
use ferrotitre_base::locks;
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::{Answer, expect_version};
use ferrotitre_base::web::decimal::words;
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_bench::equipment::service::usable;
use ferrotitre_bench::equipment::store::EquipmentFacts;
use ferrotitre_bench::instrument_readings::uses;
use ferrotitre_bench::instrument_readings::wire::Accepted;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_bench::readings;
use ferrotitre_bench::titrants::wire::Rejection;
use ferrotitre_core::chemistry::{chemistry, reduction};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::determinations::record::{self, Loaded, TITRATION, load};
use crate::determinations::service::shown;
use crate::determinations::store::{self, TitrationRow};
use crate::determinations::supervision::{self, Work};
use crate::determinations::use_of;
use crate::determinations::wire::NewTitration;
use crate::runs;

/// States in which titrations can still be recorded, corrected or rejected.
fn may_change(loaded: &Loaded, user: &CurrentUser) -> Result<(), Refusal> {
    match loaded.state.as_str() {
        "in progress" | "returned" => Ok(()),
        // What was approved changes only through an amendment, which is a manager's.
        "amended" if user.roles.contains(&Role::Manager) => Ok(()),
        state => {
            let detail = format!(
                "the determination is {state}; it must be returned, or amended by a manager, before its titrations change"
            );
            Err(Refusal::new(Code::StateConflict, detail))
        }
    }
}

/// What a method adds in excess; nothing for one that titrates directly.
fn excess_of(method: &MethodFacts) -> &'static [&'static str] {
    chemistry(&method.chemistry).map_or(&[][..], |entry| entry.excess_of)
}

/// Whether what was entered fits the method and the burette.
fn fits(new: &NewTitration, method: &MethodFacts, burette: &EquipmentFacts) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    let kind = matches!(new.kind.as_str(), "rough" | "accurate");
    errors.require(kind, "kind", "one_of", "must be rough or accurate", &new.kind);
    readings::check(&mut errors, &new.initial_readings, &new.final_readings, burette);
    words(&mut errors, "end_point", &new.end_point);
    words(&mut errors, "waste_stream", &new.waste_stream);
    use_of::temperature(&mut errors, new.solution_temperature.as_ref(), method.rules.0.correct_temperature);
    if let Some(drops) = new.indicator_drops {
        errors.require((0..=200).contains(&drops), "indicator_drops", "range", "must be from 0 to 200", drops);
    }
    let reduces = reduction(&method.reduction).is_some_and(|entry| entry.code != "none");
    match &new.reduction {
        Some(_) => errors.require(reduces, "reduction", "method", "the method has no reduction", "given"),
        None => errors.require(
            !reduces,
            "reduction",
            "required",
            format!("the method reduces by {}: record what was done and seen", method.reduction),
            "",
        ),
    }
    let given = (new.oxidant_titrant.is_some(), new.oxidant_pipette.is_some());
    let expected = !excess_of(method).is_empty();
    errors.require(
        given == (expected, expected),
        "oxidant_titrant",
        "back_titration",
        "oxidant_titrant and oxidant_pipette belong to a back-titration, and only there",
        "",
    );
    errors.check()
}

/// Checks a titration against the method, the run and what may be used at its time.
async fn checked(
    connection: &Connection,
    loaded: &Loaded,
    act: &Act,
    policy: Policy,
    new: NewTitration,
    follows: Option<(&TitrationRow, String)>,
) -> Result<(TitrationRow, String), Refusal> {
    let method = &loaded.frame.method.facts;
    let at = new.observed_at;
    let (used, burette) = futures_util::try_join!(
        use_of::titrant(connection, &method.chemistry, new.titrant, at, new.concession),
        use_of::burette(connection, new.burette, at, new.concession)
    )?;
    fits(&new, method, &burette.usable.facts)?;
    let excess_of = excess_of(method);
    let mut oxidant_factor_id = None;
    if let (Some(lot), Some(pipette)) = (new.oxidant_titrant, new.oxidant_pipette) {
        let oxidant = use_of::lot(connection, "oxidant_titrant", excess_of, lot, at, new.concession).await?;
        usable(connection, "oxidant_pipette", pipette, &["pipette"], at).await?.not_overdue("oxidant_pipette")?;
        oxidant_factor_id = Some(oxidant.factor.id);
    }
    let id = TitrationId::new();
    bench_times::there_since(at, loaded.portion_taken_at(), "observed_at", "the test portion")?;
    if follows.as_ref().is_none_or(|(before, _)| before.observed_at != at) {
        let late = Observed::new(TITRATION.table(), id.0, at, new.late_reason.as_deref());
        bench_times::accept(connection, act, late.within(loaded.row.run_id.0)).await?;
    }
    let row = TitrationRow {
        id,
        record_id: follows.as_ref().map_or(id.0, |(row, _)| row.record_id),
        version: follows.as_ref().map_or(1, |(row, _)| row.version + 1),
        supersedes: follows.as_ref().map(|(row, _)| row.id),
        position: follows.as_ref().map_or_else(|| loaded.next_position(), |(row, _)| row.position),
        reason: follows.map(|(_, reason)| reason),
        determination_id: loaded.row.id,
        kind: new.kind,
        titrant_id: TitrantId(new.titrant),
        factor_id: used.factor.id,
        burette_id: new.burette,
        calibration_id: burette.usable.calibration.id,
        initial_readings: new.initial_readings,
        final_readings: new.final_readings,
        solution_temperature: new.solution_temperature,
        indicator: method.indicator.clone(),
        indicator_drops: new.indicator_drops,
        end_point: new.end_point,
        end_point_note: new.end_point_note,
        reduction: new.reduction.map(Json),
        oxidant_factor_id,
        oxidant_pipette_id: new.oxidant_pipette,
        waste_stream: new.waste_stream,
        concession_id: new.concession,
        late: Utc::now() - at > chrono::Duration::minutes(policy.late_after_minutes),
        observed_at: at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    Ok((row, used.state))
}

/// Two pages may both be about to save the same titration: the second must not become a further one unseen.
fn still_next(loaded: &Loaded, meant: i32) -> Result<(), Refusal> {
    let next = loaded.next_position();
    if meant == next {
        return Ok(());
    }
    let mut errors = FieldErrors::default();
    errors.require(
        (1..=next).contains(&meant),
        "meant_as",
        "next",
        format!("the next titration is number {next}"),
        meant,
    );
    errors.check()?;
    let there = loaded.newest_at(meant);
    let readings: Vec<String> = there.iter().flat_map(|row| &row.final_readings).map(ToString::to_string).collect();
    let detail = format!(
        "titration {meant} was saved in the meantime, final reading {} mL; if yours is a further one, save it as titration {next}",
        readings.join(" and ")
    );
    Err(Refusal::new(Code::StateConflict, detail))
}

/// Notes which readings of the burette an instrument sent.
async fn note(connection: &Connection, act: &Act, row: &TitrationRow, accepted: &[Accepted]) -> Result<(), Refusal> {
    let made = uses::Made { table: TITRATION.table(), row: row.id.0, record: row.record_id };
    let measured = uses::Measured::burette(row.burette_id, &row.initial_readings, &row.final_readings);
    uses::note(connection, act, made, accepted, &measured).await
}

/// Records a titration and answers with the determination as it now stands.
pub async fn record_titration(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    determination: Uuid,
    new: NewTitration,
) -> Result<Answer, Refusal> {
    not_in_the_future("observed_at", new.observed_at)?;
    db.write(act, async |connection| {
        let row = store::determination(connection, determination).await?;
        hold(connection, &[Held::Run(row.run_id.0)]).await?;
        locks::determination(connection, determination).await?;
        let loaded = load(connection, row).await?;
        may_change(&loaded, user)?;
        runs::service::still_open(connection, loaded.row.run_id).await?;
        if let Some(meant) = new.meant_as {
            still_next(&loaded, meant)?;
        }
        let titrant = new.titrant;
        let work = Work { observer: author(act)?, method: &loaded.frame.method.facts.code, at: new.observed_at };
        let supervisor = supervision::of_work(connection, act, &work, new.supervisor).await?;
        let accepted = new.accepted.clone();
        let (row, state) = checked(connection, &loaded, act, policy, new, None).await?;
        store::insert_titration(connection, &row).await?;
        note(connection, act, &row, &accepted).await?;
        if let Some(supervisor) = supervisor {
            store::insert_supervision(connection, &row, supervisor).await?;
        }
        if state == "released" {
            let to = NewMove { to: "in use".to_owned(), reason: None };
            states::advance(connection, act, EntityKind::Titrant, titrant, &to, None).await?;
        }
        shown(record::load_again(connection, loaded).await?)
    })
    .await
}

/// The determination of a titration, and the titration's present version.
async fn of_titration(connection: &Connection, titration: Uuid) -> Result<(Loaded, TitrationRow, String), Refusal> {
    let rows = store::versions(connection, titration).await?;
    let determination = rows.first().map(|row| row.determination_id.0).unwrap_or_default();
    let determination = store::determination(connection, determination).await?;
    hold(connection, &[Held::Run(determination.run_id.0)]).await?;
    locks::determination(connection, determination.id.0).await?;
    let loaded = load(connection, determination).await?;
    let (row, state) = loaded.present(titration).cloned().ok_or_else(|| Refusal::not_found("titration", titration))?;
    Ok((loaded, row, state))
}

/// Corrects a titration: a new version with its reason, the old one stays visible.
pub async fn correct_titration(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    (titration, if_match): (Uuid, Option<&str>),
    correction: Correction<NewTitration>,
) -> Result<Answer, Refusal> {
    states::reason_given("reason", Some(&correction.reason))?;
    not_in_the_future("facts.observed_at", correction.facts.observed_at)?;
    db.write(act, async |connection| {
        let (loaded, present, _) = of_titration(connection, titration).await?;
        may_change(&loaded, user)?;
        expect_version(if_match, &present.id.to_string())?;
        // A correction keeps its observer, and the supervisor unless another one is named.
        let observer = loaded.first_of(present.record_id).unwrap_or(present.recorded_by);
        let work = Work { observer, method: &loaded.frame.method.facts.code, at: correction.facts.observed_at };
        let named = correction.facts.supervisor.or_else(|| loaded.supervisor_of(present.id).map(|id| id.0));
        let supervisor = supervision::of_work(connection, act, &work, named).await?;
        let accepted = correction.facts.accepted.clone();
        let (row, _) =
            checked(connection, &loaded, act, policy, correction.facts, Some((&present, correction.reason))).await?;
        store::insert_titration(connection, &row).await?;
        note(connection, act, &row, &accepted).await?;
        if let Some(supervisor) = supervisor {
            store::insert_supervision(connection, &row, supervisor).await?;
        }
        shown(record::load_again(connection, loaded).await?)
    })
    .await
}

/// Rejects a titration with an assignable cause; it stays on record and in the counts.
pub async fn reject_titration(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    titration: Uuid,
    rejection: Rejection,
) -> Result<Answer, Refusal> {
    readings::cause(&rejection.cause)?;
    db.write(act, async |connection| {
        let (loaded, present, _) = of_titration(connection, titration).await?;
        may_change(&loaded, user)?;
        let asked = NewMove { to: "rejected".to_owned(), reason: Some(rejection.reason) };
        states::advance(connection, act, TITRATION, present.id.0, &asked, Some(&rejection.cause)).await?;
        shown(record::load_again(connection, loaded).await?)
    })
    .await
}
