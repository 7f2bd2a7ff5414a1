//! Proof of control at a moment: what a signed determination was made with and under, read from the rows its signature stands over.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, CalibrationId, ControlChartId, ControlValueId, FactorId, SignOffId};
use ferrotitre_base::pins::{self, Used};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs;
use ferrotitre_base::states;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::equipment::store as equipment;
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::determination::Detail;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::store::competences::{self, Competence};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::control_charts::store::{charts, phases, values};
use crate::control_charts::taking;
use crate::determinations::evaluation::ReportedView;
use crate::determinations::record::{self, Loaded};
use crate::determinations::store;
use crate::runs::{quality, service as runs};

/// A factor that was used.
#[derive(Debug, Serialize, ToSchema)]
pub struct FactorThen {
    /// Factor.
    pub factor: FactorId,
    /// Titrant lot.
    pub titrant: Uuid,
    /// Its code.
    pub titrant_code: String,
    /// Factor at 20 C.
    pub value: Decimal,
    /// Concentration, mol/L.
    pub concentration: Decimal,
    /// Standard uncertainty, mol/L.
    pub standard_uncertainty: Decimal,
    /// In force from.
    pub valid_from: DateTime<Utc>,
    /// In force until.
    pub valid_to: DateTime<Utc>,
    /// When it was last used for this result.
    pub used_at: DateTime<Utc>,
    /// Its age then, in days.
    pub age_days: f64,
    /// Whether it was in force then.
    pub in_force: bool,
}

/// A calibration that was used.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalibrationThen {
    /// Calibration.
    pub calibration: CalibrationId,
    /// Equipment.
    pub equipment: Uuid,
    /// Its code as it was then.
    pub equipment_code: String,
    /// Certificate.
    pub certificate: String,
    /// Day of calibration.
    pub calibrated_on: NaiveDate,
    /// Last day.
    pub due_on: NaiveDate,
    /// When the piece was last used for this result, or for the titrants it was made with.
    pub used_at: DateTime<Utc>,
    /// Whether it was in force then.
    pub in_force: bool,
    /// The last check of the piece before that, if there was one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub checked_before: Option<CheckThen>,
    /// The first check after, if there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub checked_after: Option<CheckThen>,
}

/// A check of equipment.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct CheckThen {
    /// When.
    pub observed_at: DateTime<Utc>,
    /// passed or failed.
    pub outcome: String,
}

/// Somebody who had a part in it.
#[derive(Debug, Serialize, ToSchema)]
pub struct PersonThen {
    /// Account.
    pub account: AccountId,
    /// Printed name.
    pub name: String,
    /// titrated, supervised, or the meaning of a signature.
    #[schema(example = "titrated")]
    pub part: String,
    /// When.
    pub at: DateTime<Utc>,
    /// Whether they were authorised for the method on that day.
    pub competent: bool,
    /// The authorisation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub competence: Option<Competence>,
}

/// A control value.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ControlThen {
    /// Control value.
    pub id: ControlValueId,
    /// Position on the chart.
    pub position: i32,
    /// Value.
    pub value: Decimal,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Verdict it got.
    #[schema(example = "in control")]
    pub verdict: String,
    /// Whether it still counts.
    pub valid: bool,
}

/// A chart with the phase in force and the controls on either side.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChartThen {
    /// Chart.
    pub chart: ControlChartId,
    /// Its code.
    #[schema(example = "X-BATH")]
    pub code: String,
    /// Unit.
    pub unit: String,
    /// Phase in force at the titrations: its number and label.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "phase 2, established")]
    pub phase: Option<String>,
    /// Centre of that phase.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub centre: Option<Decimal>,
    /// Its action limits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub action_limits: Option<[Decimal; 2]>,
    /// Controls of the same run.
    pub of_the_run: Vec<ControlThen>,
    /// The last control before the titrations.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub before: Option<ControlThen>,
    /// The first control after them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub after: Option<ControlThen>,
}

/// The run and what it was judged to be.
#[derive(Debug, Serialize, ToSchema)]
pub struct RunThen {
    /// Run.
    pub run: Uuid,
    /// Its code.
    pub code: String,
    /// Present state.
    pub state: String,
    /// Verdict.
    #[schema(example = "in control")]
    pub verdict: String,
    /// What speaks against it, or lacks.
    pub reasons: Vec<String>,
    /// Who released or rejected it, and when.
    pub judged: Vec<JudgementThen>,
}

/// A signature on the run.
#[derive(Debug, Serialize, ToSchema)]
pub struct JudgementThen {
    /// Meaning of the signature.
    #[schema(example = "approved")]
    pub meaning: String,
    /// Printed name of whoever signed.
    pub name: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// Proof of control of a determination.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProofOfControl {
    /// Determination.
    pub determination: Uuid,
    /// Its code.
    pub code: String,
    /// What was determined.
    pub analyte: String,
    /// Method version, by its code.
    pub method: String,
    /// Present state.
    pub state: String,
    /// Signature that it stands under.
    pub sign_off: SignOffId,
    /// When it was signed.
    pub signed_at: DateTime<Utc>,
    /// SHA-256 of what was signed.
    pub content_digest: String,
    /// Number of rows that the signature stands over.
    pub rows: usize,
    /// First and last titration.
    pub titrated: [DateTime<Utc>; 2],
    /// Reported figure, as it was signed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reported: Option<ReportedView>,
    /// Factors.
    pub factors: Vec<FactorThen>,
    /// Calibrations.
    pub calibrations: Vec<CalibrationThen>,
    /// People.
    pub people: Vec<PersonThen>,
    /// Control charts.
    pub charts: Vec<ChartThen>,
    /// Run.
    pub run: RunThen,
    /// Concessions.
    pub concessions: Vec<String>,
    /// What touched it since its signature, in words.
    pub since: Vec<String>,
    /// What is not as it should have been, in words; none where everything was in control.
    pub gaps: Vec<String>,
}

async fn factors(connection: &Connection, used: &Used) -> Result<Vec<FactorThen>, Refusal> {
    let times: HashMap<Uuid, DateTime<Utc>> = used.times("titrant_factors").into_iter().collect();
    let ids: Vec<FactorId> = times.keys().copied().map(FactorId).collect();
    let mut rows = titrants::factors_by_id(connection, &ids).await?;
    rows.sort_by_key(|(factor, _)| factor.id);
    Ok(rows
        .into_iter()
        .map(|(factor, lot)| {
            let used_at = times.get(&factor.id.0).copied().unwrap_or(factor.valid_from);
            FactorThen {
                factor: factor.id,
                titrant: lot.id.0,
                titrant_code: lot.code,
                value: factor.factor,
                concentration: factor.concentration,
                standard_uncertainty: factor.standard_uncertainty,
                age_days: (used_at - factor.valid_from).as_seconds_f64() / 86_400.0,
                in_force: factor.valid_from <= used_at && used_at < factor.valid_to,
                valid_from: factor.valid_from,
                valid_to: factor.valid_to,
                used_at,
            }
        })
        .collect())
}

async fn calibrations(connection: &Connection, used: &Used) -> Result<Vec<CalibrationThen>, Refusal> {
    let pinned: HashSet<Uuid> = used.of("equipment").into_iter().collect();
    let mut found = Vec::new();
    for (id, used_at) in used.times("equipment_calibrations") {
        let row = equipment::calibration(connection, id).await?;
        // By the name it had when it was signed.
        let versions = equipment::versions::every(connection, &[row.equipment_id]).await?;
        let then_called = versions.into_iter().find(|version| pinned.contains(&version.id.0));
        let checks = equipment::corrections::checks_around(connection, row.equipment_id, used_at).await?;
        let then = |check: equipment::Check| CheckThen { observed_at: check.observed_at, outcome: check.outcome };
        let [checked_before, checked_after] = checks.map(|check| check.map(then));
        let day = used_at.date_naive();
        found.push(CalibrationThen {
            checked_before,
            checked_after,
            calibration: row.id,
            equipment_code: then_called.map(|version| version.facts.code).unwrap_or_default(),
            equipment: row.equipment_id,
            certificate: row.certificate,
            in_force: row.calibrated_on <= day && day <= row.due_on,
            calibrated_on: row.calibrated_on,
            due_on: row.due_on,
            used_at,
        });
    }
    found.sort_by(|a, b| a.equipment_code.cmp(&b.equipment_code));
    Ok(found)
}

async fn people(connection: &Connection, loaded: &Loaded) -> Result<Vec<PersonThen>, Refusal> {
    let method = &loaded.frame.method.facts.code;
    let mut parts: Vec<(AccountId, String, DateTime<Utc>)> = Vec::new();
    for titration in loaded.titration_views() {
        let late = titration.state == "superseded";
        if !late {
            parts.push((titration.recorded_by, "titrated".to_owned(), titration.facts.observed_at));
            let supervisor = titration.facts.supervisor.map(AccountId);
            parts.extend(supervisor.map(|who| (who, "supervised".to_owned(), titration.facts.observed_at)));
        }
    }
    parts.extend(loaded.frame.sign_offs.iter().map(|sign| (sign.recorded_by, sign.meaning.clone(), sign.recorded_at)));
    parts.sort_by_key(|(who, part, at)| (*who, part.clone(), at.date_naive()));
    parts.dedup_by_key(|(who, part, at)| (*who, part.clone(), at.date_naive()));
    parts.sort_by_key(|(.., at)| *at);
    let ids: Vec<Uuid> = parts.iter().map(|(who, ..)| who.0).collect();
    let names = ferrotitre_base::labels::on(connection, EntityKind::Account, &ids).await?;
    let mut found = Vec::with_capacity(parts.len());
    for (who, part, at) in parts {
        let day = at.date_naive();
        let own = competences::list(connection, who).await?.into_iter();
        let mut own = own.filter(|of| of.method_code == *method && of.valid_from <= day && day <= of.valid_to);
        let competence = own.next();
        found.push(PersonThen {
            name: names.get(&who.0).cloned().unwrap_or_default(),
            competent: competence.is_some(),
            account: who,
            part,
            at,
            competence,
        });
    }
    Ok(found)
}

fn control(row: values::Row, valid: bool) -> ControlThen {
    ControlThen {
        id: row.id,
        position: row.position,
        value: row.value,
        observed_at: row.observed_at,
        verdict: row.verdict,
        valid,
    }
}

/// One chart around the titrations.
async fn chart(
    connection: &Connection,
    of: charts::Row,
    of_the_run: Vec<ControlThen>,
    [first, last]: [DateTime<Utc>; 2],
) -> Result<ChartThen, Refusal> {
    let (before, after) = values::around(connection, of.id, (first, last)).await?;
    let ids: Vec<Uuid> = before.iter().chain(&after).map(|row| row.id.0).collect();
    let known = states::present_many(connection, EntityKind::ControlValue, &ids).await?;
    let valid = |row: &values::Row| known.get(&row.id.0).is_none_or(|state| state != "invalid-with-cause");
    let then = |row: values::Row| {
        let valid = valid(&row);
        control(row, valid)
    };
    let phase = phases::approved(connection, of.id).await?.into_iter().rfind(|phase| phase.valid_from <= first);
    Ok(ChartThen {
        chart: of.id,
        code: of.code,
        unit: of.unit,
        centre: phase.as_ref().map(|phase| phase.centre.clone()),
        action_limits: phase.as_ref().and_then(|of| Some([of.lower_action.clone()?, of.upper_action.clone()?])),
        phase: phase.map(|phase| format!("phase {}, {}", phase.number, phase.label)),
        of_the_run,
        before: before.map(then),
        after: after.map(then),
    })
}

/// Charts of the run's plan and of its values.
async fn charts_of(
    connection: &Connection,
    run: &runs::Row,
    titrated: [DateTime<Utc>; 2],
) -> Result<Vec<ChartThen>, Refusal> {
    let of_run = taking::values_of_run(connection, run.id).await?;
    let planned = taking::plan_of(connection, run).await?.map(|(_, charts)| charts).unwrap_or_default();
    let mut all: Vec<charts::Row> = of_run.iter().map(|value| value.chart.clone()).chain(planned).collect();
    all.sort_by(|a, b| a.code.cmp(&b.code));
    all.dedup_by_key(|chart| chart.id);
    let mut found = Vec::with_capacity(all.len());
    for one in all {
        let own = of_run.iter().filter(|value| value.chart.id == one.id);
        let own = own.map(|value| control(value.row.clone(), value.valid)).collect();
        found.push(chart(connection, one, own, titrated).await?);
    }
    Ok(found)
}

async fn run_of(connection: &Connection, run: &runs::Row) -> Result<RunThen, Refusal> {
    let view = quality::of(connection, run).await?;
    let missing = view.missing.iter().map(|what| format!("lacks {what}"));
    let shown = view.view();
    let signed = sign_offs::of(connection, run.id.0).await?;
    let judged = signed.into_iter().map(|sign| JudgementThen {
        meaning: sign.meaning,
        name: sign.printed_name,
        at: sign.recorded_at,
    });
    Ok(RunThen {
        run: run.id.0,
        code: run.code.clone(),
        state: states::present(connection, EntityKind::Run, run.id.0).await?.state,
        verdict: shown.verdict.to_owned(),
        reasons: shown.reasons.into_iter().chain(missing).collect(),
        judged: judged.collect(),
    })
}

impl ProofOfControl {
    /// What was not as it should have been.
    fn find_gaps(&self) -> Vec<String> {
        let mut gaps = Vec::new();
        for factor in self.factors.iter().filter(|factor| !factor.in_force) {
            gaps.push(format!("the factor of {} was not in force when it was used", factor.titrant_code));
        }
        for one in self.calibrations.iter().filter(|one| !one.in_force) {
            gaps.push(format!(
                "calibration {} of {} was not in force when it was used",
                one.certificate, one.equipment_code
            ));
        }
        for person in self.people.iter().filter(|person| person.part == "titrated" && !person.competent) {
            let supervised = self.people.iter().any(|other| other.part == "supervised" && other.competent);
            let under = if supervised { ", under supervision" } else { "" };
            gaps.push(format!("{} was not authorised for the method on the day{under}", person.name));
        }
        for chart in &self.charts {
            if chart.phase.is_none() {
                gaps.push(format!("no limits were in force on chart {}", chart.code));
            }
            for (side, control) in [("before", &chart.before), ("after", &chart.after)] {
                match control {
                    None => gaps.push(format!("chart {} has no control {side} the titrations", chart.code)),
                    Some(control) if control.verdict == "out of control" => {
                        gaps.push(format!(
                            "the control {side} the titrations on chart {} was out of control",
                            chart.code
                        ));
                    }
                    Some(_) => {}
                }
            }
        }
        if self.charts.is_empty() {
            gaps.push("no control chart belongs to the run".to_owned());
        }
        if self.run.state != "released" {
            gaps.push(format!("the run is {}, not released", self.run.state));
        }
        gaps
    }
}

/// Proof of control of a signed determination.
///
/// # Errors
/// Unknown; not signed, or signed over rows that are not on record.
pub async fn read(db: &Db, id: Uuid) -> Result<ProofOfControl, Refusal> {
    db.snapshot(async |connection| of(connection, id).await).await
}

async fn of(connection: &Connection, id: Uuid) -> Result<ProofOfControl, Refusal> {
    let loaded = record::load(connection, store::determination(connection, id).await?).await?;
    let Some(standing) = loaded.standing.as_ref().filter(|standing| standing.sight().is_some()) else {
        let detail =
            format!("{} is {}: nothing is signed yet, so there is no proof of control", loaded.row.code, loaded.state);
        return Err(Refusal::new(Code::StateConflict, detail));
    };
    let evaluation = loaded.evaluate(Detail::Figures)?;
    let used = pins::together(connection, &[id]).await?;
    let titrations: Vec<DateTime<Utc>> = used.times("titrations").into_iter().map(|(_, at)| at).collect();
    let begun = loaded.row.observed_at;
    let titrated =
        [titrations.iter().min().copied().unwrap_or(begun), titrations.iter().max().copied().unwrap_or(begun)];
    let run = runs::find(connection, loaded.row.run_id.0).await?;
    let mut concessions = loaded.frame.conceded.clone();
    let under = loaded.titration_views().into_iter().filter(|of| of.facts.concession.is_some());
    concessions.extend(under.map(|of| format!("titration {} under a concession", of.position)));
    let since = loaded.since.view(&loaded, &evaluation);
    let method = &loaded.frame.method;
    let mut proof = ProofOfControl {
        determination: id,
        code: loaded.row.code.clone(),
        analyte: method.facts.analyte.clone(),
        method: format!("{} v{}", method.facts.code, method.version),
        state: loaded.state.clone(),
        sign_off: standing.sign_off,
        signed_at: standing.signed_at,
        content_digest: loaded.content_digest(),
        rows: standing.rows().len(),
        titrated,
        factors: factors(connection, &used).await?,
        calibrations: calibrations(connection, &used).await?,
        people: people(connection, &loaded).await?,
        charts: charts_of(connection, &run, titrated).await?,
        run: run_of(connection, &run).await?,
        concessions,
        since: since.map(|since| since.words).unwrap_or_default(),
        gaps: Vec::new(),
        reported: evaluation.reported.map(ReportedView::from),
    };
    proof.gaps = proof.find_gaps();
    Ok(proof)
}
