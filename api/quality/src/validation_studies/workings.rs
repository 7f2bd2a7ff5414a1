//! Statistics of a study as graphs over the data that count, in the open form of `openapi/WORKING.md`.

mod places;

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::ValidationCharacteristicId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::workings::WorkingGraph;
use ferrotitre_core::validation::Statistic;
use ferrotitre_core::working::Working;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::validation_studies::kinds::Kind;
use crate::validation_studies::plan;
use crate::validation_studies::reading::{self, AT_ONCE, Loaded};
use crate::validation_studies::statistics::Point;
use crate::validation_studies::store::{self, CharacteristicRow};
use places::{Held, Layout};

/// Most data of a characteristic whose statistics are given as graphs: a graph has a handful of nodes for each.
pub(super) const MOST: usize = 2000;

/// Whose workings these are, in the open form.
const KIND: &str = "study_statistic";

/// A statistic of a characteristic with its working.
#[derive(Debug, Clone)]
pub struct StatisticWorking {
    /// Characteristic.
    pub characteristic: ValidationCharacteristicId,
    /// Statistic.
    pub statistic: Statistic,
    /// Level, group or factor it is of.
    pub of: Option<String>,
    /// Its value in the answer.
    pub value: f64,
    /// The graph over the data that count.
    pub working: Working,
}

impl StatisticWorking {
    /// In the open form.
    pub fn graph(&self) -> WorkingGraph {
        WorkingGraph::of(KIND, self.characteristic.to_string(), &self.working)
    }

    /// As it is sent.
    pub fn view(self) -> StatisticGraph {
        let graph = self.graph();
        StatisticGraph { characteristic: self.characteristic, name: self.statistic.key(), of: self.of, graph }
    }

    fn page(&self) -> String {
        let of = self.of.as_ref().map(|of| format!(" of {of}")).unwrap_or_default();
        format!("{}{of}\n{}\n", self.statistic.title(), self.working.text())
    }
}

/// A statistic as a graph.
#[derive(Debug, Serialize, ToSchema)]
pub struct StatisticGraph {
    /// Characteristic.
    pub characteristic: ValidationCharacteristicId,
    /// Name of the statistic, as in the answer.
    #[schema(example = "s_r")]
    pub name: &'static str,
    /// Level, group or factor it is of; absent for one of all data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// Its working over the data that count.
    pub graph: WorkingGraph,
}

/// Workings as a page.
pub(super) fn page(workings: &[StatisticWorking]) -> String {
    workings.iter().map(StatisticWorking::page).collect()
}

/// The data of a characteristic that count, with their digits.
async fn held(connection: &Connection, row: &CharacteristicRow, points: &[&Point]) -> Result<Vec<Held>, Refusal> {
    if points.len() > MOST {
        let detail =
            format!("characteristic {} has {} data: workings are given for at most {MOST}", row.position, points.len());
        return Err(Refusal::new(Code::StateConflict, detail));
    }
    let mut held = Vec::with_capacity(points.len());
    let ids: Vec<_> = points.iter().map(|point| point.id).collect();
    for some in ids.chunks(usize::try_from(AT_ONCE).unwrap_or(1000)) {
        held.extend(store::data_by_id(connection, some).await?.into_iter().map(Held::of));
    }
    Ok(held)
}

/// Workings of what a characteristic's data come to, in the order of the answer; those without a closed form are left out.
pub(super) async fn on(
    connection: &Connection,
    loaded: &Loaded,
    row: &CharacteristicRow,
) -> Result<Vec<StatisticWorking>, Refusal> {
    let points: Vec<&Point> = loaded.points(row.id).iter().filter(|point| loaded.counts(point.id)).collect();
    let held = held(connection, row, &points).await?;
    let answer = loaded.answer(row)?;
    let layout = Layout::new(row, (Kind::of(&row.kind)?, plan::unit_of(row)?), (&points, &held));
    let workings = answer.statistics.iter().enumerate().filter_map(|(at, found)| {
        let (before, of) = (&answer.statistics[..at], found.of.as_deref());
        // Effects come in the order of the factors, and two factors may have one name.
        let factor = before.iter().filter(|other| other.name == found.name).count();
        let working = layout.working(found.name, (of, factor), &answer.statistics)?;
        Some(StatisticWorking {
            characteristic: row.id,
            statistic: found.name,
            of: found.of.clone(),
            value: found.value,
            working,
        })
    });
    Ok(workings.collect())
}

/// Workings of the statistics of a study, characteristic by characteristic, from the data that count.
///
/// # Errors
/// No such study; a characteristic with too many data.
pub async fn of_study(connection: &Connection, id: Uuid) -> Result<Vec<StatisticWorking>, Refusal> {
    let study = store::study(connection, id).await?;
    let loaded = reading::load_study(connection, &study).await?;
    let mut all = Vec::new();
    for row in &loaded.plan {
        all.extend(on(connection, &loaded, row).await?);
    }
    Ok(all)
}

/// The same of one characteristic.
///
/// # Errors
/// No such characteristic; too many data.
pub async fn of_characteristic(connection: &Connection, id: Uuid) -> Result<Vec<StatisticWorking>, Refusal> {
    let row = store::characteristic(connection, id).await?;
    let loaded = reading::load(connection, vec![row.clone()]).await?;
    on(connection, &loaded, &row).await
}

/// Graphs of a study, as they are sent.
pub(super) async fn graphs(db: &Db, id: Uuid) -> Result<Vec<StatisticGraph>, Refusal> {
    let workings = db.read(async |connection| of_study(connection, id).await).await?;
    Ok(workings.into_iter().map(StatisticWorking::view).collect())
}

/// Workings of a characteristic.
pub(super) async fn workings(db: &Db, id: Uuid) -> Result<Vec<StatisticWorking>, Refusal> {
    db.read(async |connection| of_characteristic(connection, id).await).await
}
