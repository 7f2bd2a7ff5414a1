//! A chart's history from a list of the laboratory's own: a workbook or text, with its own columns.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::recording::not_in_the_future;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_ledger::imports::tables::{Became, Column, Importable, Placed, Source, Wrong};
use serde::Deserialize;
use uuid::Uuid;

use crate::control_charts::rules::Quantity;
use crate::control_charts::store::{charts, values as value_store};
use crate::control_charts::values::{NewPoint, append};

/// A value as it stands in a list.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Line {
    observed_at: DateTime<Utc>,
    value: Option<Decimal>,
    events: Option<i32>,
    trials: Option<i32>,
    note: Option<String>,
}

/// The history of a chart.
pub(super) struct History {
    chart: charts::Row,
    proportion: bool,
}

impl History {
    /// Of a chart.
    pub(super) async fn of(db: &Db, chart: Uuid) -> Result<Self, Refusal> {
        let chart = db.read(async |connection| charts::find(connection, chart).await).await?;
        let proportion = Quantity::of(&chart.quantity)? == Quantity::DiscardedReductions;
        Ok(Self { chart, proportion })
    }

    /// Its value with what it was counted from.
    fn value(&self, line: &Line) -> Result<(Decimal, Option<(i32, i32)>), Refusal> {
        let missing = || Refusal::new(Code::Internal, "a value of a list got lost");
        if !self.proportion {
            return Ok((line.value.clone().ok_or_else(missing)?, None));
        }
        let (events, trials) = line.events.zip(line.trials).ok_or_else(missing)?;
        let value = Decimal::of(f64::from(events) / f64::from(trials)).ok_or_else(missing)?;
        Ok((value, Some((events, trials))))
    }
}

impl Importable for History {
    type Row = Line;

    fn table(&self) -> &'static str {
        "control-values"
    }

    fn subject(&self) -> Option<Uuid> {
        Some(self.chart.id.0)
    }

    fn columns(&self) -> Vec<Column> {
        let mut fields = vec![(Field::new("observed_at", "Observed", Kind::Time { now: false }), "2025-03-04 08:30")];
        if self.proportion {
            fields.push((Field::new("events", "Events", Kind::Whole), "2"));
            fields.push((Field::new("trials", "Trials", Kind::Whole), "31"));
        } else {
            fields.push((Field::new("value", &format!("Value, {}", self.chart.unit), Kind::Decimal), "118.2"));
        }
        fields.push((Field::new("note", "Note", Kind::Text).optional(), "second analyst"));
        fields.into_iter().map(|(field, example)| Column::of(field, example)).collect()
    }

    fn check(&self, line: &Line) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        if let Err(refusal) = not_in_the_future("observed_at", line.observed_at) {
            for wrong in refusal.fields {
                errors.add(&wrong.field, &wrong.rule, wrong.message, wrong.value);
            }
        }
        if let Some((events, trials)) = line.events.zip(line.trials) {
            errors.require(trials >= 1, "trials", "range", "must be at least 1", trials);
            let within = (0..=trials.max(0)).contains(&events);
            errors.require(within, "events", "proportion", "must be from 0 to the number of trials", events);
        }
        errors.check()
    }

    fn order(&self, line: &Line) -> DateTime<Utc> {
        line.observed_at
    }

    async fn hold(&self, connection: &Connection) -> Result<(), Refusal> {
        charts::hold(connection, self.chart.id).await
    }

    async fn against(&self, connection: &Connection, rows: &[Placed<Line>], wrong: &mut Wrong) -> Result<(), Refusal> {
        let moments: Vec<DateTime<Utc>> = rows.iter().map(|placed| placed.row.observed_at).collect();
        let there = value_store::observed_at_any(connection, self.chart.id, &moments).await?;
        let mut seen = HashMap::new();
        for Placed { number, row } in rows {
            let at = row.observed_at;
            if there.contains(&at) {
                wrong.taken(*number, "observed_at", "is taken: the chart has a value of this moment", &at.to_rfc3339());
            } else if let Some(before) = seen.insert(at, *number) {
                let message = format!("is the moment of row {before}, too");
                wrong.field(*number, "observed_at", "doubled", &message, &at.to_rfc3339());
            }
        }
        Ok(())
    }

    async fn record(
        &self,
        connection: &Connection,
        act: &Act,
        rows: Vec<Placed<Line>>,
        source: &Source,
    ) -> Result<Vec<Became>, Refusal> {
        let mut became = Vec::with_capacity(rows.len());
        for Placed { number, row } in rows {
            let (value, counts) = self.value(&row)?;
            let point = NewPoint {
                value,
                counts,
                history: Some(format!("{}, SHA-256 {}, row {number}", source.file_name, source.digest)),
                note: row.note,
                ..NewPoint::computed("imported", 0.0, row.observed_at)?
            };
            let stored = append(connection, act, &self.chart, point).await.map_err(|mut refusal| {
                refusal.detail = format!("row {number}: {}; nothing was imported", refusal.detail);
                refusal
            })?;
            became.push(Became { row: number, id: stored.id.0 });
        }
        Ok(became)
    }
}
