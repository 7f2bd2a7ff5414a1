//! Samples as rows.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_ledger::imports::tables::{Became, Column, Importable, Placed, Source, Wrong};

use super::doubled;
use crate::samples::pages::fields;
use crate::samples::samples::{SampleFacts, versions};

/// Samples.
pub(super) struct Samples;

impl Importable for Samples {
    type Row = SampleFacts;

    fn table(&self) -> &'static str {
        "samples"
    }

    fn columns(&self) -> Vec<Column> {
        let examples = [
            "S-2025-0101",
            "bath 3, morning",
            "pickling bath, about 100 mL",
            "hydrochloric pickling bath",
            "2025-03-04 07:45",
            "2025-03-04 08:30",
            "clear, no deposit",
            "filled to the brim",
            "PE bottle, 100 mL",
            "refrigerator 2",
            "2025-03-05 07:45",
            "2025-06-30",
        ];
        Column::all(fields(), &examples)
    }

    fn check(&self, row: &SampleFacts) -> Result<(), Refusal> {
        row.check()
    }

    fn order(&self, row: &SampleFacts) -> DateTime<Utc> {
        row.received_at
    }

    async fn against(
        &self,
        connection: &Connection,
        rows: &[Placed<SampleFacts>],
        wrong: &mut Wrong,
    ) -> Result<(), Refusal> {
        let codes: Vec<(u32, &str)> = rows.iter().map(|placed| (placed.number, placed.row.code.as_str())).collect();
        doubled(&codes, "code", wrong, async |codes| versions::taken(connection, codes).await).await
    }

    async fn record(
        &self,
        connection: &Connection,
        act: &Act,
        rows: Vec<Placed<SampleFacts>>,
        _source: &Source,
    ) -> Result<Vec<Became>, Refusal> {
        let (numbers, facts): (Vec<u32>, Vec<SampleFacts>) = rows.into_iter().map(|one| (one.number, one.row)).unzip();
        let ids = versions::record_all(connection, act, facts).await?;
        Ok(numbers.into_iter().zip(ids).map(|(row, id)| Became { row, id }).collect())
    }
}
