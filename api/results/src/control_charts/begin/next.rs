//! What a chart waits for before its values are judged, who does it, and where.

use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::lifecycle::EntityKind;

use crate::control_charts::begin::wire::NextStep;
use crate::control_charts::wire::ChartView;
use crate::control_materials::service as materials;

/// What a chart waits for.
///
/// # Errors
/// A store that cannot be reached.
pub async fn next_of(db: &Db, chart: &ChartView) -> Result<Vec<NextStep>, Refusal> {
    db.read(async |connection| steps(connection, chart).await).await
}

pub(super) async fn steps(connection: &Connection, chart: &ChartView) -> Result<Vec<NextStep>, Refusal> {
    let (mut steps, mut sample) = (Vec::new(), None);
    if chart.state == "closed" {
        return Ok(steps);
    }
    if let Some(material) = chart.material {
        let lot = materials::present(connection, "material", material).await?;
        let code = &lot.facts.code;
        if lot.state == EntityKind::ControlMaterial.first_state() {
            let value = if lot.facts.assigned_value.is_some() { "" } else { " and has its assigned value" };
            steps.push(NextStep {
                what: format!("Lot {code} is {}: it is titrated as a control once it is released{value}.", lot.state),
                who: "a manager",
                page: format!("/control-materials/{}/moves", lot.id),
            });
        }
        sample = lot.facts.sample.map(|sample| (sample, lot.facts.code));
    }
    let mut limits = false;
    for phase in &chart.phases {
        match phase.state.as_str() {
            "proposed" => steps.push(NextStep {
                what: format!(
                    "Phase {} is proposed and waits for a manager who did not propose it, before the next value is observed.",
                    phase.number
                ),
                who: "another manager",
                page: format!("/chart-phases/{}", phase.id),
            }),
            "rejected" => continue,
            _ => {}
        }
        limits = true;
    }
    if !limits {
        steps.push(NextStep {
            what: format!(
                "No limits: values are gathered and not judged. There are {} of the {} that established limits need.",
                chart.points, chart.baseline_minimum
            ),
            who: "an analyst proposes, a manager decides",
            page: format!("/charts/{}/phases/new", chart.id),
        });
    }
    if let (Some((sample, code)), 0) = (sample, chart.points) {
        steps.push(NextStep {
            what: format!("No value yet: a test portion of the sample of {code} is titrated in a run, as a control."),
            who: "an analyst",
            page: format!("/samples/{sample}"),
        });
    }
    Ok(steps)
}
