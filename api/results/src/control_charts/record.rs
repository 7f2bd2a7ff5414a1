//! A chart whole, for those who check it elsewhere: its rows, and the limits of its phases as workings.

use std::collections::{HashMap, HashSet};

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::ControlValueId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::control::baseline::{self, Point};
use ferrotitre_core::control::limits::Spread;
use ferrotitre_core::working::Working;
use uuid::Uuid;

use crate::control_charts::rules::{Quantity, refused};
use crate::control_charts::store::{charts, phases, values};

/// Points of a chart that are taken out at once: decades of daily controls.
const MOST_POINTS: i32 = 20_000;

/// A limit of a phase with what it was computed from.
pub struct LimitOfPhase {
    /// The phase.
    pub phase: Uuid,
    /// Which phase of the chart, from 1.
    pub number: i32,
    /// How it comes about.
    pub working: Working,
}

/// A chart whole.
pub struct ChartRecord {
    /// Code.
    pub code: String,
    /// Its rows: the chart, its phases with their baselines, its points.
    pub rows: Vec<Uuid>,
    /// Limits that come from a baseline.
    pub limits: Vec<LimitOfPhase>,
}

/// A point that a baseline uses.
struct Used {
    id: String,
    row: values::Row,
}

fn points(used: &[Used], of: impl Fn(&values::Row) -> Option<f64>) -> Vec<Point<'_>> {
    used.iter().filter_map(|one| Some(Point { id: &one.id, value: of(&one.row)? })).collect()
}

/// Limits of a phase that come from its baseline.
fn limits(chart: &charts::Row, phase: &phases::Row, used: &[Used]) -> Result<Vec<Working>, Refusal> {
    let value = |row: &values::Row| Some(row.value.value());
    let mut made = Vec::new();
    let quantity = Quantity::of(&chart.quantity)?;
    if quantity == Quantity::DiscardedReductions {
        let (events, trials) =
            (points(used, |row| row.events.map(f64::from)), points(used, |row| row.trials.map(f64::from)));
        return Ok(vec![baseline::centre_of_proportion(&events, &trials)]);
    }
    if phase.origin == "baseline" {
        made.push(baseline::centre(&points(used, value)));
    }
    made.push(if quantity == Quantity::Range {
        let replicates = u32::try_from(chart.replicates.unwrap_or(2)).unwrap_or(2);
        baseline::deviation_of_ranges(&points(used, value), replicates).map_err(refused)?
    } else {
        let spread = match phase.spread.as_deref() {
            Some("moving range") => Spread::MovingRange,
            _ => Spread::StandardDeviation,
        };
        baseline::deviation(&points(used, value), spread).map_err(refused)?
    });
    Ok(made)
}

async fn load(connection: &Connection, id: Uuid) -> Result<ChartRecord, Refusal> {
    let chart = charts::find(connection, id).await?;
    let last = values::last_position(connection, chart.id).await?;
    if last > MOST_POINTS {
        let detail = format!(
            "chart {} has {last} points; at most {MOST_POINTS} fit into one bundle: take out the bundles of periods",
            chart.code
        );
        return Err(Refusal::new(Code::RuleBroken, detail));
    }
    let all = values::between(connection, chart.id, (1, last)).await?;
    let mut rows = vec![chart.id.0];
    rows.extend(all.iter().map(|row| row.id.0));
    let by_id: HashMap<ControlValueId, &values::Row> = all.iter().map(|row| (row.id, row)).collect();
    let mut found = Vec::new();
    for phase in phases::of_charts(connection, &[chart.id]).await? {
        rows.push(phase.id.0);
        let baseline = phases::baseline(connection, phase.id).await?;
        rows.extend(baseline.iter().map(|point| point.id.0));
        let used: Vec<Used> = baseline
            .iter()
            .filter(|point| !point.excluded)
            .filter_map(|point| by_id.get(&point.value_id))
            .map(|row| Used { id: row.id.to_string(), row: (*row).clone() })
            .collect();
        if used.is_empty() {
            continue;
        }
        let of_phase = |working| LimitOfPhase { phase: phase.id.0, number: phase.number, working };
        found.extend(limits(&chart, &phase, &used)?.into_iter().map(of_phase));
    }
    let once: HashSet<Uuid> = rows.into_iter().collect();
    Ok(ChartRecord { code: chart.code, rows: once.into_iter().collect(), limits: found })
}

/// Reads a chart whole, as it stands at one moment.
///
/// # Errors
/// No such chart; more points than fit into one file.
pub async fn read(db: &Db, id: Uuid) -> Result<ChartRecord, Refusal> {
    db.snapshot(async |connection| load(connection, id).await).await
}
