//! Pages of validation studies: the plan with its frozen limits, answers with their pictures, forms for every step.

mod characteristic;
mod differences;
mod forms;
mod planning;
pub mod report;
mod signing;
mod taking;

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::validation::Statistic;
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::validation_studies::answer::{CharacteristicAnswer, StudyAnswers};
use crate::validation_studies::kinds::{Limit, Rule};
use crate::validation_studies::wire::{ConclusionView, StudyView};
use crate::validation_studies::{reading, worst};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_studies)
        .service(planning::plan_study)
        .service(characteristic::read_characteristic)
        .service(taking::record_data)
        .service(taking::import_data)
        .service(taking::draw_data)
        .service(differences::draw_differences)
        .service(forms::amend_limits)
        .service(forms::exclude_datum)
        .service(signing::decide_exclusion)
        .service(signing::decide_amendment)
        .service(read_study)
        .service(report::report_study)
        .service(forms::conclude)
        .service(signing::decide_plan)
        .service(signing::review_conclusion)
        .service(signing::approve_conclusion);
}

/// A limit in words.
fn limit_text(shell: &Shell, limit: &Limit) -> String {
    let unit = if limit.unit == "1" { String::new() } else { format!(" {}", limit.unit) };
    let range = match (&limit.lower, &limit.upper) {
        (Some(lower), Some(upper)) if lower == upper => format!("{}{unit}", shell.n(lower)),
        (Some(lower), Some(upper)) => format!("from {} to {}{unit}", shell.n(lower), shell.n(upper)),
        (Some(lower), None) => format!("at least {}{unit}", shell.n(lower)),
        (None, Some(upper)) => format!("at most {}{unit}", shell.n(upper)),
        (None, None) => String::new(),
    };
    let of = words(&limit.statistic);
    match limit.rule {
        Rule::Value => format!("{of} {range}"),
        Rule::Interval => format!("{of}, whole interval: {range}"),
        Rule::Covers => format!("{of}, interval covers {range}"),
    }
}

/// A statistic as the trade calls it.
fn words(statistic: &str) -> &str {
    Statistic::named(statistic).map_or(statistic, |known| known.title())
}

fn limits_text(shell: &Shell, limits: &[Limit]) -> String {
    limits.iter().map(|limit| limit_text(shell, limit)).collect::<Vec<_>>().join("; ")
}

/// What was found against each limit: of several levels, groups or factors the one that stands worst.
fn found(shell: &Shell, answer: &CharacteristicAnswer) -> String {
    let figure = |value: f64| shell.n(show::figure(value, 4));
    let shown =
        worst::of_each_limit(&answer.judgements, &answer.statistics).into_iter().map(|(judgement, interval)| {
            let of = judgement.of.as_ref().map(|of| format!(" of {of}")).unwrap_or_default();
            let unit = if judgement.unit == "1" { String::new() } else { format!(" {}", judgement.unit) };
            let interval = interval.map_or_else(String::new, |interval| {
                format!(" ({} to {})", figure(interval.low), figure(interval.high))
            });
            format!("{}{of} = {}{unit}{interval}", words(&judgement.statistic), figure(judgement.value))
        });
    let shown: Vec<String> = shown.collect();
    if shown.is_empty() { answer.missing.first().cloned().unwrap_or_default() } else { shown.join("; ") }
}

/// Lists studies.
#[get("/validation")]
pub(super) async fn list_studies(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = reading::list(&db, &query.0.listing()?).await?;
    let methods: Vec<Uuid> = page.items.iter().map(|view| view.method.0).collect();
    let methods = labels::of(&db, ferrotitre_core::lifecycle::EntityKind::Method, &methods).await?;
    let rows = page.items.into_iter().map(|view| {
        vec![
            Cell::link(view.code, format!("/validation/{}", view.id)),
            Cell::state(view.state),
            Cell::text(view.title),
            Cell::link(methods.get(&view.method.0).cloned().unwrap_or_default(), format!("/methods/{}", view.method)),
            Cell::number(view.characteristics.len().to_string()),
            Cell::text(show::time(view.recorded_at)),
        ]
    });
    let table = Table {
        columns: vec!["Study", "State", "Title", "Method", "Characteristics", "Planned"],
        rows: rows.collect(),
        empty: "No validation study yet.",
        next: query.0.next("/validation", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Validation", "Validation studies")
        .way(shell.may(Action::ConductValidation), "Plan a study", "/validation/new")
        .section("list", "", Part::Table(table))
        .help(
            "Whether a method is fit for its purpose, with the limits of acceptance written down before the data.",
            "ISO/IEC 17025:2017 7.2.2 (validation of methods).",
            "Plan, have the plan approved, record data, conclude, have the conclusion reviewed and approved.",
        )
        .show()
}

fn summary(shell: &Shell, answers: &StudyAnswers) -> Table {
    let rows = answers.characteristics.iter().map(|answer| {
        vec![
            Cell::link(
                format!("{} {}", answer.position, answer.kind.text()),
                format!("/validation/characteristics/{}", answer.characteristic),
            ),
            Cell::text(answer.title.clone()),
            Cell::number(format!("{} of {}", answer.n, answer.planned_n)),
            Cell::text(found(shell, answer)),
            Cell::text(limits_text(shell, &answer.criterion.limits)),
            Cell::state(answer.verdict.text()),
            Cell::text(match answer.criterion.amendments.len() {
                0 => String::new(),
                1 => "limits amended once".to_owned(),
                n => format!("limits amended {n} times"),
            }),
        ]
    });
    Table {
        columns: vec!["Characteristic", "Title", "Data", "Found", "Limits", "Verdict", ""],
        rows: rows.collect(),
        ..Table::default()
    }
}

fn conclusion_part(shell: &Shell, last: &ConclusionView) -> Part {
    let range = format!("{} to {} {}", shell.n(&last.validated_low), shell.n(&last.validated_high), last.unit);
    Part::Facts(vec![
        fact("Fit for the purpose", Cell::text(if last.fit { "yes" } else { "no" })),
        fact("Conclusion", Cell::text(last.words.clone())),
        fact("Validated range", Cell::text(range)),
        fact("Matrix", Cell::text(last.matrix.clone())),
        fact("Residual limitations", Cell::text(last.limitations.clone())),
    ])
}

fn planning(view: &StudyView) -> Part {
    let rows = view.planning.iter().map(|help| {
        let subject = help.operation.rsplit('/').next().unwrap_or_default();
        vec![Cell::text(help.question), Cell::link(subject, format!("/calculations/one?subject={subject}"))]
    });
    Part::Table(Table { columns: vec!["Question", "Calculation"], rows: rows.collect(), ..Table::default() })
}

/// A study: plan, answers, conclusion.
#[get("/validation/{id}")]
pub(super) async fn read_study(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = reading::read(&db, *id).await?;
    let answers = reading::answers(&db, *id).await?;
    let names = names(&db, &view).await?;
    let path = format!("/validation/{id}");
    let (conduct, review, approve) = (
        shell.may(Action::ConductValidation),
        shell.may(Action::ReviewValidation),
        shell.may(Action::ApproveValidation),
    );
    let is = |state: &str| view.state == state;
    let judged = is("complete") || is("reviewed");
    let author = names.get(&view.recorded_by.0).cloned().unwrap_or_default();
    let mut sheet = Sheet::new(&shell, "Validation study", view.code.clone())
        .state(view.state.clone())
        .lead(format!("{}. {}. Planned by {author}.", view.title, view.purpose))
        .way(approve && is("planned"), "Approve the plan", format!("{path}/plan-approval"))
        .way(approve && is("planned"), "Reject the plan", format!("{path}/plan-rejection"))
        .way(conduct && is("running"), "Conclude", format!("{path}/conclusion"))
        .way(review && is("complete"), "Review", format!("{path}/review"))
        .way(approve && is("reviewed"), "Approve", format!("{path}/approval"))
        .way(review && judged, "Return", format!("{path}/return"))
        .way(approve && judged, "Reject", format!("{path}/rejection"))
        .way(true, "The method", format!("/methods/{}", view.method))
        .way(true, "To print", format!("{path}/report"))
        .section("answers", "Characteristics, limits and verdicts", Part::Table(summary(&shell, &answers)));
    if let Some(last) = view.conclusions.last() {
        sheet = sheet.section("conclusion", "Conclusion", conclusion_part(&shell, last)).section(
            "conclusion-signatures",
            "Signatures on the conclusion",
            Part::Signatures(last.sign_offs.clone()),
        );
    }
    sheet
        .section("signatures", "Signatures on the plan", Part::Signatures(view.sign_offs.clone()))
        .section("planning", "Sizes before the data", planning(&view))
        .section("history", "History", Part::Moves(view.moves.clone(), names))
        .section_way(
            shell.may(Action::ExportRecords),
            "As bundle to be checked",
            format!("/api/v1/validation-studies/{}/bundle", view.id),
        )
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={}", view.id))
        .help(
            "The plan, frozen when it was approved, and what the data say of each characteristic.",
            "ISO/IEC 17025:2017 7.2.2; Eurachem, The Fitness for Purpose of Analytical Methods.",
            "A late change of a limit is an amendment with two people's names; both limits stay visible.",
        )
        .show()
}

/// Printed names of those who moved or planned a study.
async fn names(db: &Db, view: &StudyView) -> Result<ferrotitre_html::sheet::Names, Refusal> {
    let mut people: Vec<Uuid> = view.moves.iter().filter_map(|step| step.recorded_by.map(|by| by.0)).collect();
    people.push(view.recorded_by.0);
    labels::of(db, ferrotitre_core::lifecycle::EntityKind::Account, &people).await
}
