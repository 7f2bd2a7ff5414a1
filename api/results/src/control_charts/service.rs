//! Use cases of charts and the views of their points.

use std::collections::HashMap;

use chrono::DateTime;
use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, ControlChartId, TitrantId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{code, words};
use ferrotitre_base::web::json::Json;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_bench::methods;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::control::NamedSet;
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::control_charts::judging::{Criteria, Judge, Judged};
use crate::control_charts::phases::phase_views;
use crate::control_charts::rules::{Quantity, RuleText, chosen};
use crate::control_charts::run_lengths::{self, RunLengthsView};
use crate::control_charts::statistics::{self, StatisticsView};
use crate::control_charts::store::{charts, phases as phase_store, values as value_store};
use crate::control_charts::values::{self, point};
use crate::control_charts::wire::{ChartView, NewChart, NewRuleSet, PhaseView, PointListing, PointPage, PointView};
use crate::control_materials;

pub const KIND: EntityKind = EntityKind::ControlChart;

/// What is wrong with a chart by itself.
pub fn check(new: &NewChart) -> Result<(), Refusal> {
    let quantity = Quantity::of(&new.quantity)?;
    let mut errors = FieldErrors::default();
    code(&mut errors, "code", &new.code);
    words(&mut errors, "title", &new.title);
    words(&mut errors, "unit", &new.unit);
    let of_factor = quantity == Quantity::TitrantFactor;
    let message = "is given for a chart of a titrant factor, and only there";
    errors.require(new.titrant.is_some() == of_factor, "titrant", "quantity", message, "");
    let without = of_factor || quantity == Quantity::Reading;
    errors.require(new.method.is_some() || without, "method", "required", "name the method", "");
    let material = new.material.is_some() || !quantity.of_material();
    let message = "name the control material lot: a chart has one";
    errors.require(material, "material", "required", message, "");
    let replicates = new.replicates.is_none() || quantity == Quantity::Range;
    errors.require(replicates, "replicates", "quantity", "is for range charts", "");
    if let Some(replicates) = new.replicates {
        errors.require((2..=10).contains(&replicates), "replicates", "range", "must be from 2 to 10", replicates);
    }
    let minimum = new.baseline_minimum.unwrap_or(60);
    let message = "must be from 10 to 1000";
    errors.require((10..=1000).contains(&minimum), "baseline_minimum", "range", message, minimum);
    if let Some(step) = &new.resolution {
        errors.require(step.value() > 0.0, "resolution", "range", "must be above 0", step);
    }
    let unit = match quantity {
        Quantity::Recovery => Some("%"),
        Quantity::Blank => Some("mL"),
        Quantity::TitrantFactor | Quantity::DiscardedReductions => Some("1"),
        _ => None,
    };
    if let Some(unit) = unit {
        let message = format!("must be {unit} for a chart of {}", new.quantity);
        errors.require(new.unit == unit, "unit", "quantity", message, &new.unit);
    }
    errors.take(criteria(new, quantity).map(|_| ()))?;
    errors.check()
}

/// How a chart will decide, and its rules as data.
fn criteria(new: &NewChart, quantity: Quantity) -> Result<Vec<RuleText>, Refusal> {
    let rules = chosen(quantity, new.rule_set.as_deref(), new.rules.as_deref())?;
    Criteria::new(quantity, &rules, new.design.as_ref())?;
    Ok(rules)
}

/// Everything a chart names must exist and fit together.
async fn known(connection: &Connection, new: &NewChart, quantity: Quantity) -> Result<(), Refusal> {
    let unknown = |refusal: Refusal, field: &str, id: Uuid| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
        _ => refusal,
    };
    if let Some(method) = new.method {
        methods::store::versions::current(connection, method).await.map_err(|r| unknown(r, "method", method))?;
    }
    if let Some(titrant) = new.titrant {
        titrants::titrant(connection, titrant).await.map_err(|r| unknown(r, "titrant", titrant))?;
    }
    if let Some(material) = new.material {
        let facts = control_materials::service::known(connection, "material", material).await?;
        let in_unit = matches!(quantity, Quantity::X | Quantity::Cusum | Quantity::Ewma);
        if in_unit && facts.unit != new.unit {
            let message = format!("must be {}, the unit of the assigned value of {}", facts.unit, facts.code);
            return Err(Refusal::invalid("unit", "material", message, &new.unit));
        }
    }
    Ok(())
}

/// Records a chart.
pub async fn record(db: &Db, act: &Act, new: NewChart) -> Result<Answer, Refusal> {
    check(&new)?;
    db.write(act, async |connection| record_in(connection, act, new).await).await
}

/// Records a chart in a transaction that does more.
pub async fn record_in(connection: &Connection, act: &Act, new: NewChart) -> Result<ChartView, Refusal> {
    let quantity = Quantity::of(&new.quantity)?;
    let rules = criteria(&new, quantity)?;
    known(connection, &new, quantity).await?;
    let row = charts::Row {
        id: ControlChartId::new(),
        code: new.code,
        title: new.title,
        quantity: new.quantity,
        material_id: new.material,
        method_id: new.method,
        titrant_id: new.titrant.map(TitrantId),
        unit: new.unit,
        resolution: new.resolution,
        replicates: new.replicates.or((quantity == Quantity::Range).then_some(2)),
        rules: Json(rules),
        design: new.design.map(Json),
        baseline_minimum: new.baseline_minimum.unwrap_or(60),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    let row = charts::insert(connection, &row).await?;
    view(row, KIND.first_state().to_owned(), 0, (Vec::new(), None))
}

fn view(
    row: charts::Row,
    state: String,
    points: i32,
    (phases, statistics): (Vec<PhaseView>, Option<StatisticsView>),
) -> Result<ChartView, Refusal> {
    let criteria = Criteria::of(&row)?;
    let lengths = statistics.as_ref().map_or(&[][..], |statistics| statistics.run_lengths.alone.as_slice());
    Ok(ChartView {
        id: row.id,
        rule_set: criteria.rules.as_ref().and_then(NamedSet::of).map(|set| set.name),
        rules: criteria.views(lengths),
        code: row.code,
        title: row.title,
        quantity: row.quantity,
        material: row.material_id,
        method: row.method_id,
        titrant: row.titrant_id.map(|id| id.0),
        unit: row.unit,
        resolution: row.resolution,
        replicates: row.replicates,
        design: row.design.map(|design| design.0),
        baseline_minimum: row.baseline_minimum,
        state,
        points,
        phases,
        statistics,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    })
}

/// Charts, newest first, with their approved phases and without statistics.
pub async fn list(db: &Db, listing: &Listing) -> Result<Page<ChartView>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = charts::list(connection, listing, limit + 1).await?;
        let page = Page::of(rows, limit, |row| row.id.0);
        let ids: Vec<ControlChartId> = page.items.iter().map(|row| row.id).collect();
        let plain: Vec<Uuid> = ids.iter().map(|id| id.0).collect();
        let states = states::present_many(connection, KIND, &plain).await?;
        let mut phases = phase_views(connection, phase_store::of_charts(connection, &ids).await?).await?;
        phases.retain(|phase| !matches!(phase.state.as_str(), "proposed" | "rejected"));
        let mut items = Vec::with_capacity(page.items.len());
        for row in page.items {
            let points = value_store::last_position(connection, row.id).await?;
            let own = phases.iter().filter(|phase| phase.chart == row.id).cloned().collect();
            let state = states.get(&row.id.0).cloned().unwrap_or_default();
            items.push(view(row, state, points, (own, None))?);
        }
        Ok(Page { items, next: page.next })
    })
    .await
}

/// A chart with its phases and statistics.
pub async fn read(db: &Db, id: Uuid) -> Result<ChartView, Refusal> {
    db.read(async |connection| {
        let row = charts::find(connection, id).await?;
        let own = [row.id];
        let (state, points, rows) = futures_util::try_join!(
            states::present(connection, KIND, id),
            value_store::last_position(connection, row.id),
            phase_store::of_charts(connection, &own)
        )?;
        let phases = phase_views(connection, rows).await?;
        let statistics = statistics::of_chart(connection, &row).await?;
        view(row, state.state, points, (phases, Some(statistics)))
    })
    .await
}

/// Those of some charts that somebody defined, recorded a value on or proposed limits of.
pub async fn taken_part_in(db: &Db, charts: &[Uuid], person: AccountId) -> Result<Vec<Uuid>, Refusal> {
    db.read(async |connection| charts::taken_part_in(connection, charts, person).await).await
}

/// Moves a chart to another state.
pub async fn advance(db: &Db, act: &Act, id: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        charts::find(connection, id).await?;
        states::advance(connection, act, KIND, id, &asked, None).await
    })
    .await
}

/// Points of a chart, newest first: with the verdicts they got, or, on request, as another phase would judge them.
pub async fn points(db: &Db, id: Uuid, listing: &PointListing) -> Result<PointPage, Refusal> {
    let limit = listing.limit.unwrap_or(100);
    if !(1..=1000).contains(&limit) {
        return Err(Refusal::invalid("limit", "range", "must be from 1 to 1000", limit));
    }
    db.read(async |connection| {
        let chart = charts::find(connection, id).await?;
        let mut rows = value_store::page(connection, chart.id, listing, limit + 1).await?;
        let more = i64::try_from(rows.len()).unwrap_or(i64::MAX) > limit;
        rows.truncate(usize::try_from(limit).unwrap_or(usize::MAX));
        let next = rows.last().map(|row| row.position).filter(|_| more);
        let (mut items, mut caution) = (values::views(connection, &chart, rows).await?, None);
        let as_judged_by = match listing.as_judged_by {
            Some(phase) => {
                let phase = phase_store::find(connection, phase).await?;
                if phase.chart_id != chart.id {
                    let message = "is a phase of another chart";
                    return Err(Refusal::invalid("as_judged_by", "chart", message, phase.id));
                }
                items = as_judged_by(connection, &chart, &phase, items).await?;
                caution = Some(format!(
                    "a separate view: what phase {} would say of these points; the verdicts they got when they were recorded stand unchanged",
                    phase.number
                ));
                Some(phase.id)
            }
            None => None,
        };
        Ok(PointPage { items, next, as_judged_by, caution })
    })
    .await
}

/// Points a cumulative chart is followed through at once, from its first, when another phase is to judge them.
const LONGEST_REPLAY: i32 = 100_000;

/// The same points under another phase.
async fn as_judged_by(
    connection: &Connection,
    chart: &charts::Row,
    phase: &phase_store::Row,
    shown: Vec<PointView>,
) -> Result<Vec<PointView>, Refusal> {
    let criteria = Criteria::of(chart)?;
    let positions = || shown.iter().map(|point| point.position);
    let (Some(lowest), Some(last)) = (positions().min(), positions().max()) else { return Ok(shown) };
    let first =
        if criteria.quantity.is_cumulative() { 1 } else { lowest - i32::try_from(criteria.memory()).unwrap_or(0) };
    if last - first > LONGEST_REPLAY {
        let detail = format!("a {} chart is followed through at most {LONGEST_REPLAY} points at once", chart.quantity);
        return Err(Refusal::new(Code::RuleBroken, detail));
    }
    let rows = value_store::between(connection, chart.id, (first, last)).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let standing = states::present_many(connection, values::KIND, &ids).await?;
    let mut judge = Judge::new(&criteria, phase);
    let mut seen = std::collections::HashMap::new();
    for mut row in rows {
        // A value found invalid is shown, but no later point is judged together with it.
        if standing.get(&row.id.0).is_some_and(|state| state == "invalid-with-cause") {
            continue;
        }
        let judgement = judge.push(Judged::of(&row))?;
        row.hits = judgement.hits;
        judgement.verdict.clone_into(&mut row.verdict);
        row.statistic = judgement.statistic.map(Json);
        seen.insert(row.id, row);
    }
    let again = |shown: PointView| match seen.remove(&shown.id) {
        Some(row) => point(&criteria, row, Some(phase), (shown.state, shown.cause)),
        None => PointView { verdict: "not judged".to_owned(), hits: Vec::new(), z: None, statistic: None, ..shown },
    };
    Ok(shown.into_iter().map(again).collect())
}

/// Days for which a completed rule is announced.
const ANNOUNCED_DAYS: i64 = 30;
/// Values that alerts name, at most.
const MOST_ALERTS: i64 = 200;

/// A value that completed a rule and on which nobody has decided.
pub struct Undecided {
    pub row: value_store::Row,
    pub chart: String,
    pub unit: String,
    pub rules: String,
    /// Whether somebody looks into it.
    pub state: String,
}

/// Values of the last days that completed a rule and on which nobody has decided, newest first.
pub async fn undecided(db: &Db) -> Result<Vec<Undecided>, Refusal> {
    db.read(async |connection| undecided_of(connection, chrono::Utc::now()).await).await
}

/// Values that are told as open, at most.
const MOST_OPEN: i64 = 2000;

/// A value that completed a rule, whenever that was, and on which nobody has decided.
pub struct Open {
    /// The value.
    pub id: Uuid,
    /// Its place on the chart.
    pub position: i32,
    /// out of control or investigate.
    pub verdict: String,
}

/// What stands open on some charts, by chart, newest first.
///
/// # Errors
/// A store that cannot be reached.
pub async fn open_hits(db: &Db, charts: &[ControlChartId]) -> Result<HashMap<Uuid, Vec<Open>>, Refusal> {
    db.read(async |connection| {
        let mut open: HashMap<Uuid, Vec<Open>> = HashMap::new();
        for (id, chart, position, verdict) in value_store::open_hits(connection, charts, MOST_OPEN).await? {
            open.entry(chart.0).or_default().push(Open { id: id.0, position, verdict });
        }
        Ok(open)
    })
    .await
}

/// How a chart stands: by the worst of what is open on it, else by its last verdict.
#[must_use]
pub fn standing<'a>(open: &[Open], last: Option<&'a str>) -> &'a str {
    if open.iter().any(|hit| hit.verdict == "out of control") {
        "out of control"
    } else if open.is_empty() {
        last.unwrap_or("no value yet")
    } else {
        "investigate"
    }
}

async fn undecided_of(connection: &Connection, now: DateTime<chrono::Utc>) -> Result<Vec<Undecided>, Refusal> {
    let from = now - chrono::Duration::days(ANNOUNCED_DAYS);
    let rows = value_store::with_hits_since(connection, from, MOST_ALERTS).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let charts_of: Vec<Uuid> = rows.iter().map(|row| row.chart_id.0).collect();
    let (moves, charts) =
        futures_util::try_join!(states::moves_of(connection, &ids), charts::many(connection, &charts_of))?;
    let mut found = Vec::new();
    for row in rows {
        let last = moves.iter().rfind(|step| step.entity_id == row.id.0).map(|step| step.to_state.clone());
        let Some(chart) = charts.iter().find(|chart| chart.id == row.chart_id) else { continue };
        if last.as_ref().is_some_and(|state| state != "under investigation") {
            continue;
        }
        let hits = Criteria::of(chart)?.hits(&row.hits);
        let rules = hits.iter().map(|hit| format!("rule {}: {}", hit.rule, hit.text)).collect::<Vec<_>>().join("; ");
        let state = last.unwrap_or_else(|| values::KIND.first_state().to_owned());
        found.push(Undecided { row, chart: chart.code.clone(), unit: chart.unit.clone(), rules, state });
    }
    Ok(found)
}

/// Values that completed a rule and on which nobody has decided.
pub async fn alerts(connection: &Connection, now: DateTime<chrono::Utc>) -> Result<Vec<Alert>, Refusal> {
    let found = undecided_of(connection, now).await?.into_iter();
    Ok(found
        .map(|value| Alert {
            kind: if value.row.verdict == "out of control" {
                "control value out of control"
            } else {
                "control value to look into"
            },
            urgency: if value.row.verdict == "out of control" { Urgency::Now } else { Urgency::Soon },
            subject_kind: "control-values",
            subject: value.row.id.0,
            message: format!("chart {}, point {}: {}", value.chart, value.row.position, value.rules),
            code: format!("{} {}", value.chart, value.row.position),
            due_at: Some(value.row.observed_at),
        })
        .collect())
}

/// Run lengths of rules without a chart: what a set would do before it is chosen.
pub fn lengths_of(asked: &NewRuleSet) -> Result<RunLengthsView, Refusal> {
    let quantity = Quantity::of(asked.quantity.as_deref().unwrap_or("x"))?;
    let rules = chosen(quantity, asked.rule_set.as_deref(), asked.rules.as_deref())?;
    let criteria = Criteria::new(quantity, &rules, asked.design.as_ref())?;
    let baseline = asked.baseline.map(|n| (u64::from(n), asked.centre_is_reference));
    if asked.shifts.len() > 20 {
        return Err(Refusal::invalid("shifts", "length", "at most 20 at once", asked.shifts.len()));
    }
    let mut view = run_lengths::of(&criteria, baseline);
    view.at_shifts = asked.shifts.iter().map(|shift| run_lengths::at(&criteria, shift)).collect::<Result<_, _>>()?;
    Ok(view)
}
