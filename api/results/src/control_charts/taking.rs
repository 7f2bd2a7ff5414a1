//! What a run brings to the charts of its method's plan, and the plans themselves.

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{MethodId, RunId};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_bench::methods;
use uuid::Uuid;

use crate::control_charts::judging::Criteria;
use crate::control_charts::rules::Quantity;
use crate::control_charts::store::plans::{self, versions};
use crate::control_charts::store::{charts, values};
use crate::control_charts::values::{NewPoint, append, fits, of_determinations, of_run};
use crate::control_charts::wire::Hit;
use crate::determinations::measured::{self, Measured};
use crate::runs::service::Row as Run;

pub use plans::{PlannedChart, QcPlanFacts};
pub use versions::{list, read};

/// Every chart of a plan exists and belongs to the method.
async fn check(connection: &Connection, facts: &QcPlanFacts) -> Result<(), Refusal> {
    let method =
        methods::store::versions::exactly(connection, facts.method).await.map_err(|refusal| match refusal.code {
            Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at("method", "exists", facts.method),
            _ => refusal,
        })?;
    let ids: Vec<Uuid> = facts.charts.0.iter().map(|planned| planned.chart).collect();
    let known = charts::many(connection, &ids).await?;
    let mut errors = FieldErrors::default();
    for (i, planned) in facts.charts.0.iter().enumerate() {
        let field = format!("charts[{i}].chart");
        match known.iter().find(|chart| chart.id.0 == planned.chart) {
            None => errors.add(&field, "exists", "there is no such chart", planned.chart),
            Some(chart) => {
                let same = chart.method_id == Some(method.record_id);
                errors.require(same, &field, "method", "is a chart of another method", &chart.code);
            }
        }
    }
    errors.check()
}

/// Records the plan of a method version.
pub async fn record(db: &Db, act: &Act, facts: QcPlanFacts) -> Result<Answer, Refusal> {
    facts.check()?;
    db.write(act, async |connection| record_in(connection, act, facts).await).await
}

/// Records a plan in a transaction that does more.
pub async fn record_in(
    connection: &Connection,
    act: &Act,
    facts: QcPlanFacts,
) -> Result<VersionView<QcPlanFacts>, Refusal> {
    let row = versions::first(act, facts)?;
    check(connection, &row.facts).await?;
    Ok(versions::insert(connection, &row).await?.view("in force".to_owned()))
}

/// Corrects a plan; runs opened before go by the version they were opened under.
pub async fn correct(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    correction: Correction<QcPlanFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let present = versions::current(connection, id).await?;
        correct_in(connection, act, &present, if_match, correction).await
    })
    .await
}

/// Corrects a plan in a transaction that does more.
pub async fn correct_in(
    connection: &Connection,
    act: &Act,
    present: &versions::Row,
    if_match: Option<&str>,
    correction: Correction<QcPlanFacts>,
) -> Result<VersionView<QcPlanFacts>, Refusal> {
    let row = versions::next(act, present, if_match, correction)?;
    if row.facts.method != present.facts.method {
        let message = "a plan keeps its method version";
        return Err(Refusal::invalid("facts.method", "same_method", message, row.facts.method));
    }
    check(connection, &row.facts).await?;
    Ok(versions::insert(connection, &row).await?.view("in force".to_owned()))
}

/// The present plan of a method version.
pub async fn present_of(db: &Db, method: MethodId) -> Result<Option<VersionView<QcPlanFacts>>, Refusal> {
    let found = db.read(async |connection| plans::of_method(connection, method).await).await?;
    Ok(found.map(|row| row.view("in force".to_owned())))
}

/// The plan a run goes by, with its charts.
pub async fn plan_of(connection: &Connection, run: &Run) -> Result<Option<(versions::Row, Vec<charts::Row>)>, Refusal> {
    let Some(plan) = plans::in_force(connection, run.method_id, run.recorded_at).await? else { return Ok(None) };
    let ids: Vec<Uuid> = plan.facts.charts.0.iter().map(|planned| planned.chart).collect();
    let charts = charts::many(connection, &ids).await?;
    Ok(Some((plan, charts)))
}

/// Reasons for which a result stays off a chart without stopping the run; the run then lacks it.
fn stays_off(refusal: &Refusal) -> bool {
    matches!(
        refusal.code,
        Code::RuleBroken
            | Code::NotEnoughData
            | Code::Expired
            | Code::NotReleased
            | Code::StateConflict
            | Code::Invalid
    )
}

/// Puts what a closed run has to offer on the charts of its plan: submitted control determinations, duplicates, the mean blank,
/// the share of discarded reductions. Charts are taken in the order of their identities, so that two runs that close at the
/// same moment never wait for each other in a circle.
pub async fn take_in(connection: &Connection, act: &Act, run: &Run) -> Result<(), Refusal> {
    let Some((_, charts)) = plan_of(connection, run).await? else { return Ok(()) };
    let all = measured::of_run(connection, run.id).await?;
    for chart in charts {
        // Looked at only when the chart is held: another request may be taking in the same run.
        charts::hold(connection, chart.id).await?;
        let there = values::of_run(connection, run.id).await?;
        let there: Vec<&values::Row> = there.iter().filter(|row| row.chart_id == chart.id).collect();
        for point in offered(connection, act, &chart, run, (&all, &there)).await? {
            match append(connection, act, &chart, point).await {
                Err(refusal) if stays_off(&refusal) => {}
                outcome => {
                    outcome?;
                }
            }
        }
    }
    Ok(())
}

/// Holds the charts that runs bring values to, in the order of their identities, for runs that are closed together.
pub async fn hold_charts(connection: &Connection, runs: &[Run]) -> Result<(), Refusal> {
    let mut charts = Vec::new();
    for run in runs {
        charts.extend(plan_of(connection, run).await?.into_iter().flat_map(|(_, charts)| charts));
    }
    charts.sort_unstable_by_key(|chart| chart.id);
    charts.dedup_by_key(|chart| chart.id);
    for chart in charts {
        charts::hold(connection, chart.id).await?;
    }
    Ok(())
}

async fn offered(
    connection: &Connection,
    act: &Act,
    chart: &charts::Row,
    run: &Run,
    (all, there): (&[Measured], &[&values::Row]),
) -> Result<Vec<NewPoint>, Refusal> {
    let quantity = Quantity::of(&chart.quantity)?;
    let known = |measured: &Measured| there.iter().any(|row| row.determination_id == Some(measured.id));
    match quantity {
        Quantity::Blank | Quantity::DiscardedReductions => {
            if there.iter().any(|row| row.source == "run") {
                return Ok(Vec::new());
            }
            Ok(of_run(chart, run.id, run.observed_at, all)?.into_iter().collect())
        }
        Quantity::TitrantFactor | Quantity::Reading => Ok(Vec::new()),
        _ => {
            let mut points = Vec::new();
            for (first, second) in pairs(connection, chart, quantity, all).await? {
                if known(first) {
                    continue;
                }
                match of_determinations(connection, act, chart, (first, second)).await {
                    Ok(point) => points.push(point),
                    Err(refusal) if stays_off(&refusal) => {}
                    Err(refusal) => return Err(refusal),
                }
            }
            Ok(points)
        }
    }
}

/// Determinations that make a value of the chart: single ones of the material, or the first two of each sample that are
/// of two test portions.
async fn pairs<'a>(
    connection: &Connection,
    chart: &charts::Row,
    quantity: Quantity,
    all: &'a [Measured],
) -> Result<Vec<(&'a Measured, Option<&'a Measured>)>, Refusal> {
    let mut found = Vec::new();
    for (i, first) in all.iter().enumerate() {
        match fits(connection, chart, first, "determination").await {
            Ok(()) => {}
            Err(refusal) if stays_off(&refusal) => continue,
            Err(refusal) => return Err(refusal),
        }
        if quantity.of_material() {
            found.push((first, None));
            continue;
        }
        let earlier = all[..i].iter().any(|other| other.sample == first.sample);
        let twin = |other: &&Measured| other.sample == first.sample && other.portion != first.portion;
        let duplicate = all[i + 1..].iter().find(twin);
        if let (false, Some(second)) = (earlier, duplicate) {
            found.push((first, Some(second)));
        }
    }
    Ok(found)
}

/// A control value as a run shows it.
#[derive(Debug, Clone)]
pub struct RunValue {
    pub row: values::Row,
    pub chart: charts::Row,
    pub hits: Vec<Hit>,
    pub valid: bool,
}

/// Control values of a run with their charts.
pub async fn values_of_run(connection: &Connection, run: RunId) -> Result<Vec<RunValue>, Refusal> {
    let rows = values::of_run(connection, run).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.chart_id.0).collect();
    let values: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let known = charts::many(connection, &ids).await?;
    let standing = states::present_many(connection, crate::control_charts::values::KIND, &values).await?;
    let mut found = Vec::with_capacity(rows.len());
    for row in rows {
        if let Some(chart) = known.iter().find(|chart| chart.id == row.chart_id) {
            let hits = Criteria::of(chart)?.hits(&row.hits);
            let valid = standing.get(&row.id.0).is_none_or(|state| state != "invalid-with-cause");
            found.push(RunValue { hits, valid, chart: chart.clone(), row });
        }
    }
    Ok(found)
}

/// What was determined since the last good control before these values: for each chart from its last value in control.
#[derive(Debug)]
pub struct LookBack {
    /// Last good control values, by chart code; none where there never was one.
    pub good: Vec<(String, Option<values::Row>)>,
    pub determinations: Vec<ferrotitre_base::ids::DeterminationId>,
}

/// Determinations that a look-back lists, at most.
const LONGEST_LOOK_BACK: i64 = 2000;

/// Looks back from the failed values of runs of a method to the last good control.
pub async fn look_back(
    connection: &Connection,
    method: MethodId,
    failed: &[RunValue],
    until: chrono::DateTime<chrono::Utc>,
) -> Result<LookBack, Refusal> {
    let mut good: Vec<(String, Option<values::Row>)> = Vec::new();
    let mut earliest = until;
    for value in failed {
        if good.iter().any(|(code, _)| *code == value.chart.code) {
            continue;
        }
        let positions = failed.iter().filter(|other| other.chart.id == value.chart.id).map(|other| other.row.position);
        let first = positions.min().unwrap_or(value.row.position);
        let last_good = values::last_good(connection, value.chart.id, first).await?;
        let from = last_good.as_ref().map_or(chrono::DateTime::UNIX_EPOCH, |row| row.observed_at);
        earliest = earliest.min(from);
        good.push((value.chart.code.clone(), last_good));
    }
    let method = methods::store::versions::exactly(connection, method).await?;
    let versions = methods::service::version_ids(connection, method.record_id).await?;
    let determinations = measured::since(connection, &versions, (earliest, until), LONGEST_LOOK_BACK).await?;
    Ok(LookBack { good, determinations })
}
