//! Proof of control of a determination, to look at and to print.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::paper::Pdf;
use ferrotitre_html::sheet::{Cell, Fact, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::audit::service as audit;
use uuid::Uuid;

use crate::determinations::proof::{self, ChartThen, ControlThen, ProofOfControl};

/// The page.
#[get("/determinations/{id}/control")]
pub(super) async fn prove_control(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let proof = proof::read(&db, *id).await?;
    sheet(&shell, &proof).show()
}

/// Reads what a signed determination was made with and under: factors with their ages, calibrations and checks in force, who was
/// authorised, the chart's phase and the controls on either side, the run's verdict, concessions, and what is missing of it.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), responses((status = 200, description = "Proof of control", body = ProofOfControl)))]
#[get("/determinations/{id}/control")]
pub async fn read_proof_of_control(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ProofOfControl>, Problem> {
    Ok(web::Json(proof::read(&db, *id).await?))
}

/// Prints the proof of control of a determination as PDF.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), responses((status = 200, description = "The proof", content_type = "application/pdf", body = Vec<u8>)))]
#[get("/determinations/{id}/control.pdf")]
pub async fn print_proof_of_control(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Pdf, Problem> {
    let proof = proof::read(&db, *id).await?;
    let mark = audit::mark(&db, &proof.code, &proof.content_digest).await?;
    Ok(sheet(&shell, &proof).pdf(format!("proof of control {id}"), &mark).await?)
}

fn yes(holds: bool, words: [&'static str; 2]) -> Cell {
    Cell::text(if holds { words[0] } else { words[1] })
}

fn sheet<'a>(shell: &'a Shell, proof: &ProofOfControl) -> Sheet<'a> {
    let path = format!("/determinations/{}", proof.determination);
    let title = format!("{} {}", proof.code, proof.analyte);
    let gaps = if proof.gaps.is_empty() {
        Part::Words("Nothing was found out of control or missing.".to_owned())
    } else {
        Part::Alert(proof.gaps.clone())
    };
    let lines = |lines: &[String]| (!lines.is_empty()).then(|| Part::Alert(lines.to_vec()));
    Sheet::new(shell, "Proof of control", title)
        .state(proof.state.clone())
        .lead("What the result was made with and under, from the rows that its author's signature stands over.")
        .way(true, "Save as PDF", format!("/api/v1{path}/control.pdf"))
        .way(true, "Back to the determination", path)
        .section("gaps", "In short", gaps)
        .section("about", "The result", Part::Facts(about(shell, proof)))
        .section("factors", "Factors and their age", Part::Table(factors(shell, proof)))
        .section("calibrations", "Calibrations and checks", Part::Table(calibrations(proof)))
        .section("people", "Who, and whether they were authorised", Part::Table(people(proof)))
        .with(proof.charts.iter().map(|chart| chart_section(shell, chart)))
        .section("run", "The run", Part::Facts(run(proof)))
        .section_of("concessions", "Concessions", lines(&proof.concessions))
        .section_of("since", "Since the signature", lines(&proof.since))
        .help(
            "One page that shows whether a result was made under control, from what was signed.",
            "ISO/IEC 17025:2017 6.2.3, 6.4.6 to 6.4.10, 7.5.1 and 7.7.1.",
            "What is missing is said first. What came after the signature is shown beside it and changes nothing here.",
        )
}

fn about(shell: &Shell, proof: &ProofOfControl) -> Vec<Fact> {
    let mut facts = Vec::new();
    if let Some(reported) = &proof.reported {
        let figure = format!("{} ± {} {}", reported.text, reported.expanded_uncertainty, reported.unit);
        facts.push(fact("Result, as signed", Cell::text(shell.n(figure))));
    }
    let [first, last] = proof.titrated;
    facts.extend([
        fact("Method", Cell::text(proof.method.clone())),
        fact("Titrated", Cell::text(format!("{} to {}", show::time(first), show::time(last)))),
        fact("Signed", Cell::text(show::time_with_zone(proof.signed_at))),
        fact("Rows signed", Cell::number(proof.rows.to_string())),
        fact("Digest of the record", Cell::text(proof.content_digest.clone())),
    ]);
    facts
}

fn factors(shell: &Shell, proof: &ProofOfControl) -> Table {
    let row = |one: &crate::determinations::proof::FactorThen| {
        vec![
            Cell::link(one.titrant_code.clone(), format!("/titrants/{}", one.titrant)),
            Cell::number(shell.n(show::figure(one.value.value(), 6))),
            Cell::number(shell.n(show::figure(one.concentration.value(), 6))),
            Cell::text(show::time(one.valid_from)),
            Cell::text(show::time(one.valid_to)),
            Cell::number(shell.n(format!("{:.1} d", one.age_days))),
            yes(one.in_force, ["in force", "not in force"]),
        ]
    };
    Table {
        columns: vec!["Lot", "Factor", "mol/L at 20 °C", "From", "Until", "Age when used", "When used"],
        rows: proof.factors.iter().map(row).collect(),
        empty: "None.",
        ..Table::default()
    }
}

fn calibrations(proof: &ProofOfControl) -> Table {
    let check = |check: &Option<crate::determinations::proof::CheckThen>| {
        check.as_ref().map(|check| format!("{} {}", check.outcome, show::time(check.observed_at))).unwrap_or_default()
    };
    let row = |one: &crate::determinations::proof::CalibrationThen| {
        vec![
            Cell::link(one.equipment_code.clone(), format!("/equipment/{}", one.equipment)),
            Cell::text(one.certificate.clone()),
            Cell::text(show::day(one.calibrated_on)),
            Cell::text(show::day(one.due_on)),
            Cell::text(show::time(one.used_at)),
            yes(one.in_force, ["in force", "not in force"]),
            Cell::text(check(&one.checked_before)),
            Cell::text(check(&one.checked_after)),
        ]
    };
    Table {
        columns: vec![
            "Equipment",
            "Certificate",
            "Calibrated",
            "Due",
            "Used",
            "When used",
            "Check before",
            "Check after",
        ],
        rows: proof.calibrations.iter().map(row).collect(),
        empty: "None.",
        ..Table::default()
    }
}

fn people(proof: &ProofOfControl) -> Table {
    let row = |one: &crate::determinations::proof::PersonThen| {
        let evidence = one.competence.as_ref().map(|of| format!("until {}: {}", show::day(of.valid_to), of.evidence));
        vec![
            Cell::text(one.name.clone()),
            Cell::text(one.part.clone()),
            Cell::text(show::time(one.at)),
            yes(one.competent, ["authorised", "no authorisation on record"]),
            Cell::text(evidence.unwrap_or_default()),
        ]
    };
    Table {
        columns: vec!["Who", "Part", "When", "For the method", "Evidence"],
        rows: proof.people.iter().map(row).collect(),
        empty: "Nobody.",
        ..Table::default()
    }
}

fn chart_section(shell: &Shell, chart: &ChartThen) -> Section {
    let row = |side: &'static str, one: &ControlThen| {
        vec![
            Cell::text(side),
            Cell::link(format!("point {}", one.position), format!("/control-values/{}", one.id)),
            Cell::number(format!("{} {}", shell.n(&one.value), chart.unit)),
            Cell::text(show::time(one.observed_at)),
            Cell::state(one.verdict.clone()),
            Cell::text(if one.valid { "" } else { "found invalid, with a cause" }),
        ]
    };
    let mut rows: Vec<Vec<Cell>> = chart.before.iter().map(|one| row("before", one)).collect();
    rows.extend(chart.of_the_run.iter().map(|one| row("of the run", one)));
    rows.extend(chart.after.iter().map(|one| row("after", one)));
    let limits = chart.centre.as_ref().zip(chart.action_limits.as_ref());
    let limits = limits.map(|(centre, [low, high])| {
        format!(", centre {}, action limits {} to {} {}", figure(centre), figure(low), figure(high), chart.unit)
    });
    let phase = chart.phase.as_deref().unwrap_or("no limits in force");
    let title = shell.n(format!("Chart {}: {phase}{}", chart.code, limits.unwrap_or_default()));
    let table = Table {
        columns: vec!["Control", "Point", "Value", "When", "Verdict", "Now"],
        rows,
        empty: "No control on either side.",
        ..Table::default()
    };
    Section::new(format!("chart-{}", chart.chart), title, Part::Table(table))
}

fn figure(of: &ferrotitre_base::web::decimal::Decimal) -> String {
    show::figure(of.value(), 6)
}

fn run(proof: &ProofOfControl) -> Vec<Fact> {
    let run = &proof.run;
    let mut facts = vec![
        fact("Run", Cell::link(run.code.clone(), format!("/runs/{}", run.run))),
        fact("State", Cell::state(run.state.clone())),
        fact("Verdict", Cell::state(run.verdict.clone())),
    ];
    facts.extend(run.reasons.iter().map(|reason| fact("Because", Cell::text(reason.clone()))));
    facts.extend(run.judged.iter().map(|sign| {
        let words = format!("{}: {}, {}", sign.meaning, sign.name, show::time_with_zone(sign.at));
        fact("Signed", Cell::text(words))
    }));
    facts
}
