//! Control values: where they come from, how they are judged once, what becomes of them.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{ControlValueId, DeterminationId, FactorId, RunId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::{self, NewMove, StateMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::control::process::duplicates;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::validation::{Measured as Known, recovery_from_spike};
use uuid::Uuid;

use crate::control_charts::causes;
use crate::control_charts::judging::{Criteria, Judge, Judged, limits_of, point_limits};
use crate::control_charts::rules::{Quantity, refused};
use crate::control_charts::store::{charts, phases, values};
use crate::control_charts::wire::{ControlValueView, NewDisposition, NewValue, PointView};
use crate::control_materials;
use crate::determinations::measured::{self, Measured};
use crate::runs;

pub const KIND: EntityKind = EntityKind::ControlValue;

/// A value before it is judged.
#[derive(Debug, Clone)]
pub(super) struct NewPoint {
    pub(super) source: &'static str,
    pub(super) run: Option<RunId>,
    pub(super) determination: Option<DeterminationId>,
    pub(super) second: Option<DeterminationId>,
    pub(super) factor: Option<FactorId>,
    pub(super) value: Decimal,
    pub(super) counts: Option<(i32, i32)>,
    pub(super) history: Option<String>,
    pub(super) note: Option<String>,
    pub(super) observed_at: DateTime<Utc>,
}

impl NewPoint {
    pub(super) fn computed(source: &'static str, value: f64, observed_at: DateTime<Utc>) -> Result<Self, Refusal> {
        let value = Decimal::of(value).ok_or_else(|| Refusal::new(Code::RuleBroken, "the value is not a number"))?;
        Ok(Self {
            source,
            run: None,
            determination: None,
            second: None,
            factor: None,
            value,
            counts: None,
            history: None,
            note: None,
            observed_at,
        })
    }
}

/// The phase in force at a time; none while no phase was ever in force, when values are collected without a verdict.
///
/// # Errors
/// The chart has phases, but the time lies before the first.
pub(super) fn phase_at(phases: &[phases::Row], at: DateTime<Utc>) -> Result<Option<&phases::Row>, Refusal> {
    let now = Utc::now();
    let Some(first) = phases.first().filter(|first| first.valid_from <= now) else { return Ok(None) };
    let in_force = phases.iter().rfind(|phase| phase.valid_from <= at);
    in_force.map(Some).ok_or_else(|| {
        let detail = format!(
            "the first phase of the chart holds from {}; a value observed at {} lies before it and cannot be judged",
            first.valid_from.to_rfc3339(),
            at.to_rfc3339()
        );
        Refusal::new(Code::RuleBroken, detail).at("observed_at", "before_its_phase", at.to_rfc3339())
    })
}

/// Appends a value and judges it, once and for all, by the phase in force at its time. Appends to one chart take turns; what is
/// read of the history is a fixed number of rows.
pub(super) async fn append(
    connection: &Connection,
    act: &Act,
    chart: &charts::Row,
    new: NewPoint,
) -> Result<values::Row, Refusal> {
    charts::hold(connection, chart.id).await?;
    if states::present(connection, EntityKind::ControlChart, chart.id.0).await?.state != "in use" {
        return Err(Refusal::new(Code::StateConflict, format!("chart {} is closed", chart.code)));
    }
    let criteria = Criteria::of(chart)?;
    let phases = phases::approved(connection, chart.id).await?;
    let phase = phase_at(&phases, new.observed_at)?;
    let mut row = values::Row {
        id: ControlValueId::new(),
        chart_id: chart.id,
        position: values::last_position(connection, chart.id).await? + 1,
        source: new.source.to_owned(),
        run_id: new.run,
        determination_id: new.determination,
        second_determination_id: new.second,
        factor_id: new.factor,
        value: new.value,
        events: new.counts.map(|counts| counts.0),
        trials: new.counts.map(|counts| counts.1),
        history: new.history,
        note: new.note,
        observed_at: new.observed_at,
        phase_id: None,
        hits: Vec::new(),
        verdict: "not judged".to_owned(),
        statistic: None,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    if let Some(phase) = phase {
        // Twice the memory, so that values found invalid can be passed over; never more, however long the history.
        let newest = values::newest_of_phase(connection, phase.id, 2 * criteria.memory()).await?;
        let ids: Vec<Uuid> = newest.iter().map(|row| row.id.0).collect();
        let standing = states::present_many(connection, KIND, &ids).await?;
        let counted: Vec<&values::Row> = newest
            .iter()
            .filter(|row| standing.get(&row.id.0).is_none_or(|state| state != "invalid-with-cause"))
            .take(usize::try_from(criteria.memory()).unwrap_or(1))
            .collect();
        let judgement = Judge::after(&criteria, phase, &counted)?.push(Judged::of(&row))?;
        row.phase_id = Some(phase.id);
        row.hits = judgement.hits;
        row.verdict = judgement.verdict.to_owned();
        row.statistic = judgement.statistic.map(Json);
    }
    values::insert(connection, &row).await
}

fn unknown(refusal: Refusal, field: &str, id: Uuid) -> Refusal {
    match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
        _ => refusal,
    }
}

/// Checks that a determination belongs on a chart.
pub(super) async fn fits(
    connection: &Connection,
    chart: &charts::Row,
    measured: &Measured,
    field: &str,
) -> Result<(), Refusal> {
    let refuse = |rule: &str, detail: String| Err(Refusal::new(Code::RuleBroken, detail).at(field, rule, measured.id));
    if chart.method_id.is_some_and(|method| method != measured.method) {
        return refuse("method", format!("{} was made by another method than chart {}", measured.code, chart.code));
    }
    if let Some(why) = &measured.incomplete {
        return Err(Refusal::new(Code::NotEnoughData, format!("{} has no result yet: {why}", measured.code)));
    }
    if !measured.is_signed() {
        let detail = format!("{} is {}; only a submitted or approved result is charted", measured.code, measured.state);
        return Err(Refusal::new(Code::StateConflict, detail).at(field, "submitted", measured.id));
    }
    if let Some(material) = chart.material_id {
        let of_material = control_materials::service::of_sample(connection, measured.sample).await?.contains(&material);
        if !(measured.control && of_material) {
            let detail = format!("{} is no control determination of the chart's material lot", measured.code);
            return refuse("material", detail);
        }
    }
    Ok(())
}

fn result_in(chart: &charts::Row, measured: &Measured) -> Result<(f64, f64), Refusal> {
    measured.in_unit(&chart.unit).ok_or_else(|| {
        let detail = format!("{} has no result in {}, the unit of chart {}", measured.code, chart.unit, chart.code);
        Refusal::new(Code::RuleBroken, detail)
    })
}

/// The value of one determination, or of a pair, on a chart.
pub(super) async fn of_determinations(
    connection: &Connection,
    act: &Act,
    chart: &charts::Row,
    (first, second): (&Measured, Option<&Measured>),
) -> Result<NewPoint, Refusal> {
    let quantity = Quantity::of(&chart.quantity)?;
    fits(connection, chart, first, "determination").await?;
    let material = match chart.material_id {
        Some(id) => Some(control_materials::service::use_at(connection, act, id, first.observed_at).await?),
        None => None,
    };
    let observed_at = second.map_or(first.observed_at, |second| second.observed_at.max(first.observed_at));
    let value = match (quantity, second) {
        (Quantity::X | Quantity::Cusum | Quantity::Ewma, None) => result_in(chart, first)?.0,
        (Quantity::Recovery, _) => {
            let facts = material.ok_or_else(|| Refusal::new(Code::Internal, "a recovery chart has no material"))?;
            let (assigned, u_assigned) = control_materials::service::assigned(&facts)?;
            let unit = &facts.unit;
            let found = |measured: &Measured| {
                let detail = format!("{} has no result in {unit}, the unit of the assigned value", measured.code);
                measured.in_unit(unit).ok_or_else(|| Refusal::new(Code::RuleBroken, detail))
            };
            let (spiked, u) = found(first)?;
            let (native, u_native) = second.map(found).transpose()?.unwrap_or((0.0, 0.0));
            let known = |value, u| Known { value, u };
            let recovery =
                recovery_from_spike(known(spiked, u), known(native, u_native), known(assigned, u_assigned), 0.95)
                    .map_err(|error| Refusal::new(Code::RuleBroken, error.to_string()).because(error))?;
            100.0 * recovery.recovery
        }
        (Quantity::Range | Quantity::Difference, Some(second)) => pair(chart, quantity, first, second)?,
        (Quantity::Range | Quantity::Difference, None) => {
            let message = "name the duplicate: a range or difference is of two determinations";
            return Err(Refusal::invalid("second_determination", "required", message, ""));
        }
        _ => {
            let message = format!("a value of a {} chart is not computed from this", chart.quantity);
            return Err(Refusal::invalid("determination", "quantity", message, first.id));
        }
    };
    let source = if second.is_some() { "duplicates" } else { "determination" };
    let point = NewPoint::computed(source, value, observed_at)?;
    Ok(NewPoint { run: Some(first.run), determination: Some(first.id), second: second.map(|m| m.id), ..point })
}

fn pair(chart: &charts::Row, quantity: Quantity, first: &Measured, second: &Measured) -> Result<f64, Refusal> {
    if first.id == second.id || first.sample != second.sample || first.run != second.run {
        let detail = "duplicates are two determinations of one sample in one run";
        return Err(Refusal::new(Code::RuleBroken, detail).at("second_determination", "duplicate", second.id));
    }
    if second.incomplete.is_some() || !second.is_signed() {
        let detail = format!("{} is {}; only submitted or approved results are charted", second.code, second.state);
        return Err(Refusal::new(Code::StateConflict, detail).at("second_determination", "submitted", second.id));
    }
    if chart.unit == "%" {
        let unit = first.figures.first().map_or("", |(unit, ..)| unit);
        let (a, b) = first.in_unit(unit).zip(second.in_unit(unit)).map_or((0.0, 0.0), |(a, b)| (a.0, b.0));
        let pair = duplicates(a, b).map_err(refused)?;
        let relative =
            if quantity == Quantity::Range { pair.relative_range_percent } else { pair.relative_difference_percent };
        return relative.ok_or_else(|| Refusal::new(Code::RuleBroken, "the mean of the duplicates is 0"));
    }
    let pair = duplicates(result_in(chart, first)?.0, result_in(chart, second)?.0).map_err(refused)?;
    Ok(if quantity == Quantity::Range { pair.range } else { pair.difference })
}

/// The mean blank of a run, or its share of discarded reductions.
pub(super) fn of_run(
    chart: &charts::Row,
    run: RunId,
    observed_at: DateTime<Utc>,
    all: &[Measured],
) -> Result<Option<NewPoint>, Refusal> {
    let point = match Quantity::of(&chart.quantity)? {
        Quantity::Blank => {
            let Some(blank) = all.iter().find_map(|measured| measured.blank_ml) else { return Ok(None) };
            NewPoint::computed("run", blank, observed_at)?
        }
        Quantity::DiscardedReductions => {
            let (failed, made) = all.iter().fold((0, 0), |(f, m), one| (f + one.reductions.0, m + one.reductions.1));
            if made == 0 {
                return Ok(None);
            }
            let point = NewPoint::computed("run", f64::from(failed) / f64::from(made), observed_at)?;
            NewPoint { counts: Some((failed, made)), ..point }
        }
        _ => {
            let message = format!("a value of a {} chart is not computed from a run", chart.quantity);
            return Err(Refusal::invalid("run", "quantity", message, run));
        }
    };
    Ok(Some(NewPoint { run: Some(run), ..point }))
}

async fn of_factor(connection: &Connection, chart: &charts::Row, id: Uuid) -> Result<NewPoint, Refusal> {
    let found = titrants::factors_by_id(connection, &[FactorId(id)]).await?;
    let (factor, lot) = found.into_iter().next().ok_or_else(|| {
        Refusal::new(Code::UnknownReference, format!("there is no factor {id}")).at("factor", "exists", id)
    })?;
    if chart.titrant_id != Some(lot.id) {
        let detail = format!("the factor is of lot {}, which is not the one of chart {}", lot.code, chart.code);
        return Err(Refusal::new(Code::RuleBroken, detail).at("factor", "titrant", id));
    }
    let point = NewPoint::computed("factor", 0.0, factor.valid_from)?;
    Ok(NewPoint { value: factor.factor, factor: Some(factor.id), ..point })
}

/// A typed value: of a quantity that the service does not compute, or history that says where it was written down.
fn typed(chart: &charts::Row, new: NewValue, value: Option<Decimal>) -> Result<NewPoint, Refusal> {
    let quantity = Quantity::of(&chart.quantity)?;
    let at = new.observed_at.ok_or_else(|| Refusal::invalid("observed_at", "required", "say when", ""))?;
    not_in_the_future("observed_at", at)?;
    let history = new.history.filter(|text| !text.trim().is_empty());
    if history.is_none() && quantity != Quantity::Reading {
        let message = format!(
            "a {} is computed here: name the determination, run or factor; only imported history is typed, and history says where it is written down",
            chart.quantity
        );
        return Err(Refusal::invalid("value", "computed", message, ""));
    }
    let proportion = quantity == Quantity::DiscardedReductions;
    let counts = new.events.zip(new.trials);
    let point = match (proportion, counts, value) {
        (true, Some((events, trials)), None) if trials >= 1 && (0..=trials).contains(&events) => {
            NewPoint::computed("imported", f64::from(events) / f64::from(trials), at)?
        }
        (true, ..) => {
            let message = "a proportion is given as events out of trials, and not as a value";
            return Err(Refusal::invalid("events", "proportion", message, ""));
        }
        (false, None, Some(value)) => NewPoint { value, ..NewPoint::computed("entered", 0.0, at)? },
        (false, ..) => return Err(Refusal::invalid("value", "required", "give the value", "")),
    };
    let source = if history.is_some() { "imported" } else { "entered" };
    Ok(NewPoint { source, counts: counts.filter(|_| proportion), history, ..point })
}

/// Records a value in a transaction that does more.
pub async fn record_in(
    connection: &Connection,
    act: &Act,
    chart: &charts::Row,
    mut new: NewValue,
) -> Result<values::Row, Refusal> {
    let value = new.value.take();
    let given =
        [new.determination.is_some(), new.run.is_some(), new.factor.is_some(), value.is_some() || new.events.is_some()];
    if given.iter().filter(|given| **given).count() != 1 {
        let message = "give exactly one of determination, run, factor, or a value (of a proportion: events and trials)";
        return Err(Refusal::invalid("value", "one_source", message, ""));
    }
    let note = new.note.clone();
    let point = if let Some(id) = new.determination {
        let first = measured::one(connection, id).await.map_err(|r| unknown(r, "determination", id))?;
        let second = match new.second_determination {
            Some(id) => Some(measured::one(connection, id).await.map_err(|r| unknown(r, "second_determination", id))?),
            None => None,
        };
        of_determinations(connection, act, chart, (&first, second.as_ref())).await?
    } else if let Some(id) = new.run {
        let run = runs::service::find(connection, id).await.map_err(|r| unknown(r, "run", id))?;
        let all = measured::of_run(connection, run.id).await?;
        of_run(chart, run.id, run.observed_at, &all)?
            .ok_or_else(|| Refusal::new(Code::NotEnoughData, "the run has nothing to chart yet"))?
    } else if let Some(id) = new.factor {
        of_factor(connection, chart, id).await?
    } else {
        typed(chart, new, value)?
    };
    append(connection, act, chart, NewPoint { note, ..point }).await
}

/// Records a value.
pub async fn record(db: &Db, act: &Act, chart: Uuid, new: NewValue) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let chart = charts::find(connection, chart).await?;
        let row = record_in(connection, act, &chart, new).await?;
        let mut views = views(connection, &chart, vec![row]).await?;
        views.pop().ok_or_else(|| Refusal::new(Code::Internal, "a value was not stored"))
    })
    .await
}

/// Records values of several charts in one transaction: all of them or none. Answers with their identities.
pub async fn record_all(db: &Db, act: &Act, all: Vec<(Uuid, NewValue)>) -> Result<Vec<ControlValueId>, Refusal> {
    db.transact(act, async |connection| {
        let mut ids = Vec::with_capacity(all.len());
        for (chart, new) in all {
            let chart = charts::find(connection, chart).await?;
            ids.push(record_in(connection, act, &chart, new).await?.id);
        }
        Ok(ids)
    })
    .await
}

/// Points as shown, with what became of them.
pub(super) async fn views(
    connection: &Connection,
    chart: &charts::Row,
    rows: Vec<values::Row>,
) -> Result<Vec<PointView>, Refusal> {
    let criteria = Criteria::of(chart)?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let values: Vec<ControlValueId> = rows.iter().map(|row| row.id).collect();
    let own = [chart.id];
    let (moves, excluded, known) = futures_util::try_join!(
        states::moves_of(connection, &ids),
        phases::causes(connection, &values),
        phases::of_charts(connection, &own)
    )?;
    let view = |row: values::Row| {
        let last = moves.iter().rfind(|step| step.entity_id == row.id.0);
        let state = last.map_or_else(|| KIND.first_state().to_owned(), |step| step.to_state.clone());
        let left_out = excluded.iter().rfind(|(value, _)| *value == row.id).and_then(|(_, cause)| cause.clone());
        let invalid = last.filter(|_| state == "invalid-with-cause").and_then(|step| step.cause.clone());
        let phase = known.iter().find(|phase| Some(phase.id) == row.phase_id);
        let cause = invalid.or(left_out);
        point(&criteria, row, phase, (state, cause))
    };
    Ok(rows.into_iter().map(view).collect())
}

/// Reads a value with its dispositions.
pub async fn read(db: &Db, id: Uuid) -> Result<ControlValueView, Refusal> {
    db.read(async |connection| {
        let row = values::find(connection, id).await?;
        let chart = charts::find(connection, row.chart_id.0).await?;
        let point = views(connection, &chart, vec![row]).await?.pop();
        let point = point.ok_or_else(|| Refusal::not_found("control value", id))?;
        Ok(ControlValueView { point, moves: states::history(connection, id).await? })
    })
    .await
}

/// A point with the phase that judges it.
pub(super) fn point(
    criteria: &Criteria,
    row: values::Row,
    phase: Option<&phases::Row>,
    (state, cause): (String, Option<String>),
) -> PointView {
    let value = row.value.value();
    PointView {
        id: row.id,
        chart: row.chart_id,
        position: row.position,
        z: phase.and_then(limits_of).map(|limits| limits.standardise(value)),
        limits: phase.zip(row.trials).and_then(|(phase, trials)| point_limits(phase, trials)),
        value: row.value,
        events: row.events,
        trials: row.trials,
        source: row.source,
        run: row.run_id.map(|id| id.0),
        determination: row.determination_id.map(|id| id.0),
        second_determination: row.second_determination_id.map(|id| id.0),
        factor: row.factor_id.map(|id| id.0),
        history: row.history,
        note: row.note,
        observed_at: row.observed_at,
        phase: phase.map(|phase| phase.id),
        statistic: row.statistic.map(|statistic| statistic.0),
        hits: criteria.hits(&row.hits),
        verdict: row.verdict,
        excluded: cause.is_some(),
        state,
        cause,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    }
}

/// Says what became of a value: under investigation, invalid with its cause, or valid after all. Its verdict stays.
pub async fn dispose(db: &Db, act: &Act, id: Uuid, new: NewDisposition) -> Result<Answer, Refusal> {
    let invalid = new.to == "invalid-with-cause";
    if invalid {
        causes::check("cause", new.cause.as_deref().unwrap_or_default())?;
    } else if let Some(cause) = &new.cause {
        return Err(Refusal::invalid("cause", "disposition", "is given with invalid-with-cause only", cause));
    }
    db.write(act, async |connection| {
        values::find(connection, id).await?;
        let asked = NewMove { to: new.to, reason: Some(new.reason) };
        let moved: StateMove = states::advance(connection, act, KIND, id, &asked, new.cause.as_deref()).await?;
        Ok(moved)
    })
    .await
}
