//! Phases: limits proposed by one person, approved by another with a signature, and unchanged from then on.

use std::collections::HashMap;

use chrono::DateTime;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, BaselinePointId, ChartPhaseId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, Content, Meaning, NewSignature};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::control::limits::{Baseline, Spread, individuals, ranges};
use ferrotitre_core::control::{Centre, Limits};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::signing;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::control_charts::causes;
use crate::control_charts::rules::{Quantity, refused};
use crate::control_charts::store::{charts, phases, values};
use crate::control_charts::values::KIND as VALUE;
use crate::control_charts::wire::{ExclusionView, NewPhase, PhaseView};
use crate::control_materials;

pub const KIND: EntityKind = EntityKind::ChartPhase;

/// A point of a baseline with what the proposal and the record say of it.
struct Chosen {
    row: values::Row,
    /// Cause and evidence, if it is left out.
    out: Option<(String, String)>,
}

/// The limits a proposal comes to.
struct Made {
    limits: Option<Limits>,
    centre: f64,
    n: Option<i32>,
}

fn given(field: &str, value: Option<&Decimal>) -> Result<f64, Refusal> {
    value
        .map(Decimal::value)
        .ok_or_else(|| Refusal::invalid(field, "required", "is needed for limits of this origin", ""))
}

/// What is wrong with a proposal by itself.
pub fn check(new: &NewPhase) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    let origin = matches!(new.origin.as_str(), "target" | "reference" | "baseline");
    errors.require(origin, "origin", "one_of", "must be target, reference or baseline", &new.origin);
    let label = matches!(new.label.as_str(), "preliminary" | "established");
    errors.require(label, "label", "one_of", "must be preliminary or established", &new.label);
    let spread = new.spread.as_deref().is_none_or(|spread| matches!(spread, "standard deviation" | "moving range"));
    let message = "must be standard deviation or moving range";
    errors.require(spread, "spread", "one_of", message, new.spread.as_deref().unwrap_or_default());
    if let (Some(low), Some(high)) = (&new.lower_action, &new.upper_action) {
        let message = format!("must be above the lower action limit, {low}: the limits are the wrong way round");
        errors.require(high.value() > low.value(), "upper_action", "order", message, high);
    }
    if let Some(s) = &new.s {
        errors.require(s.value() > 0.0, "s", "range", "must be above 0", s);
    }
    if let Some(range) = &new.baseline {
        let message = "must not lie before the first point";
        errors.require(range.last >= range.first && range.first >= 1, "baseline.last", "order", message, range.last);
        let message = "a baseline has at most 1000 points";
        // Saturating: the smallest number there is less one is none.
        errors.require(range.last.saturating_sub(range.first) < 1000, "baseline.last", "length", message, range.last);
    }
    let stray = new.baseline.is_none() && !new.exclusions.is_empty();
    errors.require(!stray, "exclusions", "baseline", "are of a baseline; name its points", "");
    errors.check()?;
    for (i, exclusion) in new.exclusions.iter().enumerate() {
        causes::check(&format!("exclusions[{i}].cause"), &exclusion.cause)?;
        states::reason_given(&format!("exclusions[{i}].reason"), Some(&exclusion.reason))?;
    }
    states::reason_given("reason", Some(&new.reason))
}

/// The points of the baseline. A point that was out of control is never taken in silently: it is left out with an assigned
/// cause, or it has been investigated and found valid, which is on record.
async fn choose(connection: &Connection, chart: &charts::Row, new: &NewPhase) -> Result<Vec<Chosen>, Refusal> {
    let Some(range) = new.baseline else { return Ok(Vec::new()) };
    let rows = values::between(connection, chart.id, (range.first, range.last)).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let moves = states::moves_of(connection, &ids).await?;
    for exclusion in &new.exclusions {
        if !rows.iter().any(|row| row.id == exclusion.value) {
            let message = "is no point of the baseline";
            return Err(Refusal::invalid("exclusions", "baseline", message, exclusion.value));
        }
    }
    let mut errors = FieldErrors::default();
    let mut chosen = Vec::with_capacity(rows.len());
    for row in rows {
        let last = moves.iter().rfind(|step| step.entity_id == row.id.0);
        let state = last.map_or(VALUE.first_state(), |step| step.to_state.as_str());
        let named = new.exclusions.iter().find(|exclusion| exclusion.value == row.id);
        let on_record = last.filter(|_| state == "invalid-with-cause");
        let out = named.map(|exclusion| (exclusion.cause.clone(), exclusion.reason.clone())).or_else(|| {
            on_record.map(|step| (step.cause.clone().unwrap_or_default(), step.reason.clone().unwrap_or_default()))
        });
        let field = format!("baseline point {}", row.position);
        if state == "under investigation" {
            errors.add(&field, "decided", "is under investigation: decide first", &row.value);
        }
        let investigated = last.is_some_and(|step| step.to_state == "valid");
        if row.verdict == "out of control" && out.is_none() && !investigated {
            let message = "was out of control and cannot be absorbed: leave it out with an assigned cause, or investigate it and find it valid";
            errors.add(&field, "assigned_cause", message, &row.value);
        }
        chosen.push(Chosen { row, out });
    }
    if errors.is_empty() {
        return Ok(chosen);
    }
    let refusal = errors.into_refusal();
    Err(Refusal { code: Code::RuleBroken, ..refusal })
}

/// Limits of a proportion: its exact limits follow from the trials of each point.
fn of_proportion(new: &NewPhase, used: &[&values::Row]) -> Result<Made, Refusal> {
    let (centre, n) = if new.origin == "baseline" {
        let sum =
            |pick: fn(&values::Row) -> Option<i32>| used.iter().filter_map(|row| pick(row)).map(i64::from).sum::<i64>();
        let (events, trials) = (sum(|row| row.events), sum(|row| row.trials));
        if trials == 0 {
            return Err(Refusal::new(Code::NotEnoughData, "not enough data: the baseline has no trials"));
        }
        (events as f64 / trials as f64, i32::try_from(used.len()).ok())
    } else {
        (given("centre", new.centre.as_ref())?, None)
    };
    if centre > 0.0 && centre < 1.0 {
        return Ok(Made { limits: None, centre, n });
    }
    let message = format!("the proportion must lie between 0 and 1, not {centre}");
    Err(Refusal::invalid("centre", "range", message, centre))
}

async fn reference(connection: &Connection, chart: &charts::Row) -> Result<f64, Refusal> {
    if chart.quantity == "recovery" {
        return Ok(100.0);
    }
    let material = chart.material_id.ok_or_else(|| {
        Refusal::invalid(
            "origin",
            "reference",
            "the chart has no control material whose value could be the centre",
            "reference",
        )
    })?;
    let facts = control_materials::service::known(connection, "material", material).await?;
    Ok(control_materials::service::assigned(&facts)?.0)
}

/// The limits of the proposal, by core.
async fn make(
    connection: &Connection,
    chart: &charts::Row,
    new: &NewPhase,
    chosen: &[Chosen],
) -> Result<Made, Refusal> {
    let quantity = Quantity::of(&chart.quantity)?;
    let used: Vec<&values::Row> = chosen.iter().filter(|point| point.out.is_none()).map(|point| &point.row).collect();
    let n = i32::try_from(used.len()).unwrap_or(i32::MAX);
    if new.origin == "baseline" && new.baseline.is_none() {
        return Err(Refusal::invalid("baseline", "required", "name the points of the baseline", ""));
    }
    if new.baseline.is_some() && new.label != "preliminary" && n < chart.baseline_minimum {
        let detail = format!(
            "not enough data: the baseline has {n} points, limits without the label preliminary need {}",
            chart.baseline_minimum
        );
        return Err(Refusal::new(Code::NotEnoughData, detail).at("label", "preliminary", &new.label));
    }
    if quantity == Quantity::DiscardedReductions {
        return of_proportion(new, &used);
    }
    let replicates = u32::try_from(chart.replicates.unwrap_or(2)).unwrap_or(2);
    let figures: Vec<f64> = used.iter().map(|row| row.value.value()).collect();
    let spread = match new.spread.as_deref() {
        Some("moving range") => Spread::MovingRange,
        _ => Spread::StandardDeviation,
    };
    let from_baseline = |centre: Centre| -> Result<Baseline, Refusal> {
        if quantity == Quantity::Range { ranges(&figures, replicates) } else { individuals(&figures, centre, spread) }
            .map_err(refused)
    };
    let of_s = |centre: f64, s: f64| -> Result<Limits, Refusal> {
        if quantity == Quantity::Range { Limits::of_ranges(s, replicates) } else { Limits::new(centre, s) }
            .map_err(refused)
    };
    let (limits, n) = match new.origin.as_str() {
        "baseline" => (from_baseline(Centre::Mean)?.limits, Some(n)),
        "reference" => {
            let centre = reference(connection, chart).await?;
            match (&new.s, new.baseline) {
                (Some(s), None) => (of_s(centre, s.value())?, None),
                (None, Some(_)) => (from_baseline(Centre::Reference(centre))?.limits, Some(n)),
                _ => {
                    let message = "give either s or a baseline to estimate it from";
                    return Err(Refusal::invalid("s", "one_of_two", message, ""));
                }
            }
        }
        _ => match (&new.lower_action, &new.upper_action) {
            (Some(low), Some(high)) => (Limits::between_action(low.value(), high.value()).map_err(refused)?, None),
            _ if quantity == Quantity::Range => (of_s(0.0, given("s", new.s.as_ref())?)?, None),
            _ => (of_s(given("centre", new.centre.as_ref())?, given("s", new.s.as_ref())?)?, None),
        },
    };
    Ok(Made { centre: limits.centre, limits: Some(limits), n })
}

fn stored(value: f64) -> Result<Decimal, Refusal> {
    Decimal::of(value).ok_or_else(|| Refusal::new(Code::Internal, "a limit is not a number"))
}

fn row_of(act: &Act, chart: &charts::Row, number: i32, new: &NewPhase, made: &Made) -> Result<phases::Row, Refusal> {
    let limit = |pick: fn(&Limits) -> Option<f64>| made.limits.as_ref().and_then(pick).map(stored).transpose();
    let from_baseline = made.n.is_some() && made.limits.is_some() && chart.quantity != "range";
    Ok(phases::Row {
        id: ChartPhaseId::new(),
        chart_id: chart.id,
        number,
        label: new.label.clone(),
        origin: new.origin.clone(),
        spread: from_baseline.then(|| new.spread.clone().unwrap_or_else(|| "standard deviation".to_owned())),
        centre: stored(made.centre)?,
        s: limit(|l| Some(l.sigma))?,
        lower_action: limit(|l| l.lower_action)?,
        lower_warning: limit(|l| l.lower_warning)?,
        upper_warning: limit(|l| Some(l.upper_warning))?,
        upper_action: limit(|l| Some(l.upper_action))?,
        n: made.n,
        valid_from: new.valid_from,
        reason: new.reason.clone(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    })
}

/// Refuses a phase that would begin before values that are already recorded.
async fn begins_after(connection: &Connection, chart: &charts::Row, at: DateTime<chrono::Utc>) -> Result<(), Refusal> {
    let Some(observed) = values::observed_since(connection, chart.id, at).await? else { return Ok(()) };
    let detail = format!(
        "a value of the chart was observed at {}: limits are set before the values they judge, so the phase must begin after it",
        observed.to_rfc3339()
    );
    Err(Refusal::new(Code::RuleBroken, detail).at("valid_from", "before_its_values", at.to_rfc3339()))
}

/// Proposes a phase.
pub async fn propose(db: &Db, act: &Act, chart: Uuid, new: NewPhase) -> Result<Answer, Refusal> {
    check(&new)?;
    db.write(act, async |connection| propose_in(connection, act, chart, &new).await).await
}

/// Proposes a phase in a transaction that does more.
pub async fn propose_in(connection: &Connection, act: &Act, chart: Uuid, new: &NewPhase) -> Result<PhaseView, Refusal> {
    let by = author(act)?;
    let chart = charts::find(connection, chart).await?;
    charts::hold(connection, chart.id).await?;
    begins_after(connection, &chart, new.valid_from).await?;
    let chosen = choose(connection, &chart, new).await?;
    let made = make(connection, &chart, new, &chosen).await?;
    let before = phases::of_charts(connection, &[chart.id]).await?;
    let number = before.last().map_or(1, |phase| phase.number + 1);
    let row = phases::insert(connection, &row_of(act, &chart, number, new, &made)?).await?;
    let points: Vec<phases::BaselinePoint> =
        chosen.into_iter().map(|point| baseline_point(row.id, point, by)).collect();
    phases::insert_baseline(connection, &points).await?;
    one(connection, row).await
}

fn baseline_point(phase: ChartPhaseId, point: Chosen, by: AccountId) -> phases::BaselinePoint {
    let (cause, reason) = point.out.map_or((None, None), |(cause, reason)| (Some(cause), Some(reason)));
    phases::BaselinePoint {
        id: BaselinePointId::new(),
        phase_id: phase,
        value_id: point.row.id,
        excluded: cause.is_some(),
        cause,
        reason,
        recorded_by: by,
    }
}

/// Digest of what a signature on a phase covers: the limits, their origin, every point of the baseline and every exclusion.
fn digest(row: &phases::Row, baseline: &[phases::BaselinePoint]) -> String {
    let shown = |value: &Option<Decimal>| value.as_ref().map(ToString::to_string).unwrap_or_default();
    let mut text = format!(
        "ferrotitre chart phase 1\n{} {} {} {} {} {}\n{} {} {} {} {} {}\n{}\n",
        row.id,
        row.chart_id,
        row.number,
        row.label,
        row.origin,
        row.spread.as_deref().unwrap_or_default(),
        row.centre,
        shown(&row.s),
        shown(&row.lower_action),
        shown(&row.lower_warning),
        shown(&row.upper_warning),
        shown(&row.upper_action),
        row.valid_from.to_rfc3339(),
    );
    for point in baseline {
        let cause = point.cause.as_deref().unwrap_or_default();
        let reason = point.reason.as_deref().unwrap_or_default();
        text.push_str(&format!("{} {cause} {reason}\n", point.value_id));
    }
    hex::encode(Sha256::digest(text.as_bytes()))
}

fn exclusion_view((point, position): &(phases::BaselinePoint, i32)) -> ExclusionView {
    ExclusionView {
        value: point.value_id,
        position: *position,
        cause: point.cause.clone().unwrap_or_default(),
        reason: point.reason.clone().unwrap_or_default(),
    }
}

/// Phases as shown.
pub async fn phase_views(connection: &Connection, rows: Vec<phases::Row>) -> Result<Vec<PhaseView>, Refusal> {
    let ids: Vec<ChartPhaseId> = rows.iter().map(|row| row.id).collect();
    let plain: Vec<Uuid> = ids.iter().map(|id| id.0).collect();
    let moves = states::moves_of(connection, &plain).await?;
    let exclusions = phases::exclusions(connection, &ids).await?;
    let approved: HashMap<ChartPhaseId, bool> = rows
        .iter()
        .map(|row| {
            let ever = |state: &str| matches!(state, "preliminary" | "established");
            (row.id, moves.iter().any(|step| step.entity_id == row.id.0 && ever(&step.to_state)))
        })
        .collect();
    let mut views = Vec::with_capacity(rows.len());
    for row in &rows {
        let own: Vec<_> = moves.iter().filter(|step| step.entity_id == row.id.0).cloned().collect();
        let digest = digest(row, &phases::baseline(connection, row.id).await?);
        let signed = sign_offs::of(connection, row.id.0).await?;
        let is_approved = |id: &ChartPhaseId| approved.get(id).copied().unwrap_or(false);
        let next = rows
            .iter()
            .filter(|other| other.chart_id == row.chart_id && is_approved(&other.id))
            .map(|other| other.valid_from)
            .filter(|start| *start > row.valid_from)
            .min();
        let value = |limit: &Option<Decimal>| limit.as_ref().map(Decimal::value);
        views.push(PhaseView {
            id: row.id,
            chart: row.chart_id,
            number: row.number,
            state: own.last().map_or_else(|| KIND.first_state().to_owned(), |step| step.to_state.clone()),
            label: row.label.clone(),
            origin: row.origin.clone(),
            spread: row.spread.clone(),
            centre: row.centre.value(),
            s: value(&row.s),
            lower_action: value(&row.lower_action),
            lower_warning: value(&row.lower_warning),
            upper_warning: value(&row.upper_warning),
            upper_action: value(&row.upper_action),
            n: row.n,
            valid_from: row.valid_from,
            valid_to: next.filter(|_| is_approved(&row.id)),
            reason: row.reason.clone(),
            exclusions: exclusions.iter().filter(|(point, _)| point.phase_id == row.id).map(exclusion_view).collect(),
            sign_offs: signed.into_iter().map(|sign| sign.view(&digest, None, false)).collect(),
            content_digest: digest,
            moves: own,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        });
    }
    Ok(views)
}

async fn one(connection: &Connection, row: phases::Row) -> Result<PhaseView, Refusal> {
    let (chart, id) = (row.chart_id, row.id);
    let all = phases::of_charts(connection, &[chart]).await?;
    let views = phase_views(connection, all).await?;
    views.into_iter().find(|view| view.id == id).ok_or_else(|| Refusal::not_found("chart phase", id))
}

/// Reads a phase.
pub async fn read(db: &Db, id: Uuid) -> Result<PhaseView, Refusal> {
    db.read(async |connection| one(connection, phases::find(connection, id).await?).await).await
}

/// What a phase is called.
///
/// # Errors
/// Unknown.
pub async fn called(connection: &Connection, id: Uuid) -> Result<String, Refusal> {
    let row = phases::find(connection, id).await?;
    Ok(format!("{}, phase {}", charts::find(connection, row.chart_id.0).await?.code, row.number))
}

/// Phases that wait for a decision, newest first.
pub async fn proposed(db: &Db, most: i64) -> Result<Vec<PhaseView>, Refusal> {
    db.read(async |connection| {
        let mut views = Vec::new();
        for id in states::in_state(connection, KIND, "proposed", (Uuid::max(), most)).await? {
            views.push(one(connection, phases::find(connection, id).await?).await?);
        }
        Ok(views)
    })
    .await
}

/// Approves or rejects a proposed phase, signed by someone other than its proposer. An approved one supersedes the one before.
pub async fn decide(
    db: &Db,
    act: &Act,
    user: &CurrentUser,
    policy: Policy,
    (id, approve): (Uuid, bool),
    signature: NewSignature,
) -> Result<Answer, Refusal> {
    signing::confirm(db, act, policy, signature.password.clone()).await?;
    db.write(act, async |connection| decide_in(connection, act, user, (id, approve), &signature).await).await
}

/// Approves or rejects a phase in a transaction that does more, for somebody whose secret was asked already.
pub async fn decide_in(
    connection: &Connection,
    act: &Act,
    user: &CurrentUser,
    (id, approve): (Uuid, bool),
    signature: &NewSignature,
) -> Result<PhaseView, Refusal> {
    let row = phases::find(connection, id).await?;
    let detail = "a phase is decided on by someone other than its proposer";
    signing::not_a_party(connection, user.account, &[row.recorded_by], detail).await?;
    let chart = charts::find(connection, row.chart_id.0).await?;
    charts::hold(connection, chart.id).await?;
    let before = phases::approved(connection, chart.id).await?;
    if approve {
        begins_after(connection, &chart, row.valid_from).await?;
        if let Some(last) = before.last().filter(|last| last.valid_from >= row.valid_from) {
            let detail = format!("phase {} begins at {}; a later one begins later", last.number, last.valid_from);
            return Err(Refusal::new(Code::RuleBroken, detail).at("valid_from", "order", row.valid_from));
        }
    }
    let digest = digest(&row, &phases::baseline(connection, row.id).await?);
    let (to, meaning) =
        if approve { (row.label.clone(), Meaning::Approved) } else { ("rejected".to_owned(), Meaning::Rejected) };
    let asked = NewMove { to, reason: signature.reason.clone() };
    states::advance(connection, act, KIND, id, &asked, None).await?;
    let content = Content { kind: KIND, id, digest: &digest, evaluation: None };
    sign_offs::sign(connection, user, meaning, content, signature).await?;
    if let Some(last) = before.last().filter(|_| approve) {
        let to = NewMove { to: "superseded".to_owned(), reason: None };
        states::advance(connection, act, KIND, last.id.0, &to, None).await?;
    }
    one(connection, row).await
}

/// Holds the charts of some phases, in the order of the charts' identities.
pub async fn hold_charts(connection: &Connection, ids: &[Uuid]) -> Result<(), Refusal> {
    let mut held = Vec::with_capacity(ids.len());
    for id in ids {
        held.push(phases::find(connection, *id).await?.chart_id);
    }
    held.sort_unstable_by_key(|chart| chart.0);
    held.dedup();
    for chart in held {
        charts::hold(connection, chart).await?;
    }
    Ok(())
}
