//! Rule hits that nobody has answered yet.

use chrono::{DateTime, Duration, Utc};
use uuid::Uuid;

use crate::alerts::{Alert, Urgency};
use crate::control_charts::judging::Criteria;
use crate::control_charts::store::{charts, values};
use crate::db::Connection;
use crate::refusal::Refusal;
use crate::states;

/// Days after which a hit is history; its chart shows it for good.
const DAYS: i64 = 31;
/// Hits that a list shows, at most.
const MOST: i64 = 200;

/// Hits of the last month whose value has no disposition: nobody has said what became of them.
pub(crate) async fn alerts(connection: &Connection, now: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let rows = values::not_in_control(connection, now - Duration::days(DAYS), MOST).await?;
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let mut on: Vec<Uuid> = rows.iter().map(|row| row.chart_id.0).collect();
    on.sort_unstable();
    on.dedup();
    let (moves, charts) = futures_util::try_join!(states::moves_of(connection, &ids), charts::many(connection, &on))?;
    let mut alerts = Vec::new();
    for row in rows {
        let answered = moves.iter().any(|step| step.entity_id == row.id.0);
        let Some(chart) = charts.iter().find(|chart| chart.id == row.chart_id).filter(|_| !answered) else { continue };
        let rules: Vec<String> = Criteria::of(chart)?.hits(&row.hits).into_iter().map(|hit| hit.text).collect();
        let urgent = row.verdict == "out of control";
        alerts.push(Alert {
            kind: "control rule hit",
            urgency: if urgent { Urgency::Now } else { Urgency::Soon },
            subject_kind: "control-values",
            subject: row.id.0,
            code: chart.code.clone(),
            message: format!(
                "{}, value {} of {}: {}: {}",
                chart.code,
                row.position,
                row.observed_at.format("%Y-%m-%d"),
                row.verdict,
                rules.join("; ")
            ),
            due_at: Some(row.observed_at),
        });
    }
    Ok(alerts)
}
