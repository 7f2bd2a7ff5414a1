//! Lots of primary standards and of reagents as rows.

use chrono::{DateTime, NaiveTime, Utc};
use ferrotitre_base::db::{Act, Connection};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_ledger::imports::tables::{Became, Column, Importable, Placed, Source, Wrong};

use super::doubled;
use crate::standards::pages::{reagent_fields, standard_fields};
use crate::standards::primary::{self, PrimaryStandardFacts};
use crate::standards::reagents::{self, ReagentFacts};

/// Lots of primary standards.
pub(super) struct PrimaryStandards;

impl Importable for PrimaryStandards {
    type Row = PrimaryStandardFacts;

    fn table(&self) -> &'static str {
        "primary-standards"
    }

    fn columns(&self) -> Vec<Column> {
        let examples = [
            "PS-K2CR2O7-1",
            "potassium dichromate",
            "supplier",
            "A1234",
            "CERT-2024-118",
            "",
            "0.9998",
            "0.0002",
            "2",
            "oxidising capacity",
            "2.676",
            "2 h at 110 C",
            "25",
            "2025-01-15",
            "2027-12-31",
        ];
        Column::all(standard_fields(), &examples)
    }

    fn check(&self, row: &PrimaryStandardFacts) -> Result<(), Refusal> {
        row.check()
    }

    fn order(&self, row: &PrimaryStandardFacts) -> DateTime<Utc> {
        row.opened_on.map_or(DateTime::<Utc>::MAX_UTC, |day| day.and_time(NaiveTime::MIN).and_utc())
    }

    async fn against(
        &self,
        connection: &Connection,
        rows: &[Placed<PrimaryStandardFacts>],
        wrong: &mut Wrong,
    ) -> Result<(), Refusal> {
        let codes: Vec<(u32, &str)> = rows.iter().map(|placed| (placed.number, placed.row.code.as_str())).collect();
        doubled(&codes, "code", wrong, async |codes| primary::versions::taken(connection, codes).await).await
    }

    async fn record(
        &self,
        connection: &Connection,
        act: &Act,
        rows: Vec<Placed<PrimaryStandardFacts>>,
        _source: &Source,
    ) -> Result<Vec<Became>, Refusal> {
        let (numbers, facts): (Vec<u32>, Vec<_>) = rows.into_iter().map(|one| (one.number, one.row)).unzip();
        let ids = primary::versions::record_all(connection, act, facts).await?;
        Ok(numbers.into_iter().zip(ids).map(|(row, id)| Became { row, id }).collect())
    }
}

/// Lots of reagents.
pub(super) struct Reagents;

impl Importable for Reagents {
    type Row = ReagentFacts;

    fn table(&self) -> &'static str {
        "reagents"
    }

    fn columns(&self) -> Vec<Column> {
        let examples = [
            "R-SNCL2-7",
            "tin(II) chloride",
            "50 g/L in 3 mol/L hydrochloric acid",
            "B5678",
            "2025-03-01",
            "2025-09-01",
            "Skin Corr. 1B; STOT SE 3",
            "SDS folder 3, sheet 12",
            "other acid",
        ];
        Column::all(reagent_fields(), &examples)
    }

    fn check(&self, row: &ReagentFacts) -> Result<(), Refusal> {
        row.check()
    }

    fn order(&self, row: &ReagentFacts) -> DateTime<Utc> {
        row.prepared_on.and_time(NaiveTime::MIN).and_utc()
    }

    async fn against(
        &self,
        connection: &Connection,
        rows: &[Placed<ReagentFacts>],
        wrong: &mut Wrong,
    ) -> Result<(), Refusal> {
        let codes: Vec<(u32, &str)> = rows.iter().map(|placed| (placed.number, placed.row.code.as_str())).collect();
        doubled(&codes, "code", wrong, async |codes| reagents::versions::taken(connection, codes).await).await
    }

    async fn record(
        &self,
        connection: &Connection,
        act: &Act,
        rows: Vec<Placed<ReagentFacts>>,
        _source: &Source,
    ) -> Result<Vec<Became>, Refusal> {
        let (numbers, facts): (Vec<u32>, Vec<_>) = rows.into_iter().map(|one| (one.number, one.row)).unzip();
        let ids = reagents::versions::record_all(connection, act, facts).await?;
        Ok(numbers.into_iter().zip(ids).map(|(row, id)| Became { row, id }).collect())
    }
}
