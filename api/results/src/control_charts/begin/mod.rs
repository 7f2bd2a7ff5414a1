//! A control begun in one go: lot, sample, chart, plans, first limits, test portion and release of the lot in one transaction. Each part
//! goes through the rules it goes through by itself, and leaves the event it leaves by itself.

mod next;
mod parts;
pub mod wire;

use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::db::{Act, Connection, Db, Held, acting, hold};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_bench::samples::portions::{self, NewPortion, PortionView};
use ferrotitre_bench::samples::samples;
use uuid::Uuid;

use crate::control_charts::begin::parts::{LotPart, Parts, beside};
use crate::control_charts::begin::wire::{ControlView, NewControl};
use crate::control_charts::taking::{PlannedChart, QcPlanFacts};
use crate::control_charts::wire::{ChartView, NewPhase, PhaseView};
use crate::control_charts::{phases, service as charts, taking};
use crate::control_materials::service::{self as materials, Lot};

pub use next::next_of;
pub(crate) use parts::unit_of;

/// Begins a control.
///
/// # Errors
/// What any part refuses, with the part's name before the field; nothing is recorded then.
pub async fn begin(db: &Db, act: &Act, new: NewControl) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let parts = Parts::of(connection, new).await?;
        record(connection, act, parts).await
    })
    .await
}

/// The same act by the permission of a part, which its event names.
async fn by(connection: &Connection, act: &Act, action: Action) -> Result<Act, Refusal> {
    let act = act.by(action);
    acting(connection, &act).await?;
    Ok(act)
}

async fn record(connection: &Connection, act: &Act, parts: Parts) -> Result<ControlView, Refusal> {
    let Parts { lot, sample, mut chart, plan, limits, release, portion, other_plans } = parts;
    let sample = match sample {
        Some(facts) => {
            let act = by(connection, act, Action::RegisterSamples).await?;
            let recorded = samples::record_in(connection, &act, facts).await;
            Some(recorded.map_err(|refusal| refusal.under("sample", beside))?.id)
        }
        None => None,
    };
    let fresh = matches!(lot, LotPart::New(_));
    let mut material = lot_of(connection, act, lot, sample, &chart.code).await?;
    if release {
        material.state = released(connection, act, &material, fresh).await?;
    }
    chart.material = Some(material.id);
    let act_of_chart = by(connection, act, Action::DefineCharts).await?;
    let chart = charts::record_in(connection, &act_of_chart, chart).await;
    let chart = chart.map_err(|refusal| refusal.under("chart", beside))?;
    let proposed = limits_of(connection, act, chart.id.0, limits).await?;
    let act_of_plan = by(connection, act, Action::DefineCharts).await?;
    let plan = plan_of(connection, &act_of_plan, plan, &chart).await?;
    let mut others = Vec::with_capacity(other_plans.len());
    for (at, facts) in other_plans.into_iter().enumerate() {
        let recorded = taking::record_in(connection, &act_of_plan, facts).await;
        others.push(recorded.map_err(|refusal| refusal.under(&format!("other_plans[{at}]"), |_| None))?);
    }
    let portion = match (portion, material.facts.sample) {
        (Some(new), Some(sample)) => Some(portion_of(connection, act, sample, &new).await?),
        _ => None,
    };
    let chart = ChartView { phases: proposed.iter().cloned().collect(), ..chart };
    let next = next::steps(connection, &chart).await?;
    Ok(ControlView { chart, material, plan, limits: proposed, portion, other_plans: others, next })
}

/// Releases the lot; its state then.
async fn released(connection: &Connection, act: &Act, lot: &Lot, fresh: bool) -> Result<String, Refusal> {
    let act = by(connection, act, Action::ReleaseLots).await?;
    let asked = NewMove { to: "released".to_owned(), reason: None };
    let moved = materials::advance_in(connection, &act, lot.id, asked).await;
    let place = |field: &str| match field {
        // What the release lacks stands with the lot, where that is entered here.
        "assigned_value" if fresh => Some("new_material.assigned_value".to_owned()),
        _ => Some("release".to_owned()),
    };
    Ok(moved.map_err(|refusal| refusal.under("release", place))?.to_state)
}

/// Takes the first test portion.
async fn portion_of(
    connection: &Connection,
    act: &Act,
    sample: Uuid,
    new: &NewPortion,
) -> Result<PortionView, Refusal> {
    let act = by(connection, act, Action::RegisterSamples).await?;
    hold(connection, &[Held::Sample(sample)]).await?;
    samples::still_here(connection, "sample", sample).await?;
    let taken = portions::record_in(connection, &act, sample, new).await;
    taken.map_err(|refusal| refusal.under("portion", |_| None))
}

/// Records the lot, or registers one that is there as the sample.
async fn lot_of(
    connection: &Connection,
    act: &Act,
    lot: LotPart,
    sample: Option<Uuid>,
    chart: &str,
) -> Result<Lot, Refusal> {
    match (lot, sample) {
        (LotPart::New(facts), sample) => {
            let act = by(connection, act, Action::ReceiveLots).await?;
            let mut facts = *facts;
            facts.sample = sample;
            materials::record_in(connection, &act, facts).await.map_err(|refusal| refusal.under("new_material", beside))
        }
        (LotPart::There(lot), None) => Ok(*lot),
        (LotPart::There(lot), Some(sample)) => {
            let act = by(connection, act, Action::ReceiveLots).await?;
            let mut facts = lot.facts.clone();
            facts.sample = Some(sample);
            let correction = Correction { reason: format!("titrated as this sample; chart {chart} is begun"), facts };
            let version = lot.version_id.to_string();
            let registered = materials::correct_in(connection, &act, lot.id, Some(&version), correction).await;
            registered
                .map_err(|refusal| refusal.under("material", |field| Some(field.replace("facts.sample", "sample"))))
        }
    }
}

async fn limits_of(
    connection: &Connection,
    act: &Act,
    chart: Uuid,
    limits: Option<NewPhase>,
) -> Result<Option<PhaseView>, Refusal> {
    let Some(new) = limits else { return Ok(None) };
    let act = by(connection, act, Action::ProposePhases).await?;
    let proposed = phases::propose_in(connection, &act, chart, &new).await;
    // Limits about an assigned value that the lot does not have.
    let place = |field: &str| (field == "assigned_value").then(|| "limits.origin".to_owned());
    Ok(Some(proposed.map_err(|refusal| refusal.under("limits", place))?))
}

async fn plan_of(
    connection: &Connection,
    act: &Act,
    plan: parts::PlanPart,
    chart: &ChartView,
) -> Result<VersionView<QcPlanFacts>, Refusal> {
    let mut facts = plan.facts;
    facts.charts.0.push(PlannedChart { chart: chart.id.0, values: plan.values });
    let recorded = match (plan.present, plan.corrects) {
        (None, _) => taking::record_in(connection, act, facts).await,
        (Some(present), corrects) => {
            let version = corrects.map(|id| id.to_string());
            let correction = Correction { reason: format!("chart {} is begun", chart.code), facts };
            taking::correct_in(connection, act, &present, version.as_deref(), correction).await
        }
    };
    recorded.map_err(|refusal| {
        let place = |field: &str| match field {
            // Somebody made the plan of the method version at the same moment.
            "method" => Some("plan.corrects".to_owned()),
            _ => field.strip_prefix("facts.").map(|field| format!("plan.{field}")),
        };
        let stale = refusal.code == Code::StaleVersion && refusal.fields.is_empty();
        let refusal = refusal.under("plan", place);
        if stale { refusal.at("plan.corrects", "present_version", "") } else { refusal }
    })
}
