//! The determination as a page to print: what a reader needs to rely on the figure, without the ways to change it.

use actix_web::{HttpResponse, get, web};
use chrono::Utc;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::specifications::pages::statements;
use ferrotitre_html::paper::Pdf;
use ferrotitre_html::sheet::{Cell, Fact, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::audit::service as audit;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use crate::determinations::pages::detail::{Around, caption, picture, result};
use crate::determinations::pages::{NO_CERTIFICATE, since};
use crate::determinations::service;
use crate::determinations::wire::DeterminationView;

/// The page.
#[get("/determinations/{id}/report")]
pub(super) async fn report_determination(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    sheet(&shell, &db, view, false).await?.show()
}

/// Prints the report on a determination as PDF: result, titres with their fates, verdicts, budget, signatures, origin.
///
/// PDF/A-2a where the typeface has every character shown. With `working` every step from the readings to the result follows.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination"), Printing), responses((status = 200, description = "The report", content_type = "application/pdf", body = Vec<u8>)))]
#[get("/determinations/{id}/report.pdf")]
pub async fn print_determination(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<Printing>,
) -> Result<Pdf, Problem> {
    let view = service::read(&db, *id).await?;
    let mark = audit::mark(&db, &view.code, &view.content_digest).await?;
    Ok(sheet(&shell, &db, view, asked.0.working).await?.pdf(format!("determination {id}"), &mark).await?)
}

/// What a report holds.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Printing {
    /// Whether the full working is printed, too.
    #[serde(default)]
    pub working: bool,
}

async fn sheet<'a>(shell: &'a Shell, db: &Db, view: DeterminationView, working: bool) -> Result<Sheet<'a>, Problem> {
    let id = view.id;
    let all = service::titrations(db, id).await?;
    let around = Around::of(db, &view, &all).await?;
    let head = audit::head(db).await?;
    let head = head
        .map_or_else(|| "nothing sealed yet".to_owned(), |head| format!("{} events, root {}", head.size, head.root));
    let about = about(shell, &view, &around);
    let origin = origin(&view, head);
    let titres = titres(shell, &view);
    let drawing = picture(shell, &view.evaluation, &around.rules).map(|drawing| Part::Picture {
        caption: caption(shell, &view.evaluation, &around.rules, &drawing),
        drawing: drawing.svg,
    });
    let mut limitations = view.flags.clone();
    if view.state != "approved" && view.state != "reported" {
        limitations.push(format!("the determination is {}: nobody has approved this figure", view.state));
    }
    if limitations.is_empty() {
        limitations.push("none known".to_owned());
    }
    let path = format!("/determinations/{id}");
    let title = format!("{} {}", view.code, view.analyte);
    let evaluation = view.evaluation;
    let report = Sheet::new(shell, "Report on a determination", title)
        .state(view.state)
        .lead(format!("The result relates only to the sample tested. {NO_CERTIFICATE}"))
        .with_contents()
        .way(true, "Save as PDF", format!("/api/v1{path}/report.pdf"))
        .way(true, "PDF with the full working", format!("/api/v1{path}/report.pdf?working=true"))
        .way(true, "Back to the determination", path)
        .section("result", "Result", result(shell, evaluation.reported.as_ref(), &evaluation.progress.detail))
        .with(since::sections(shell, view.since.as_ref(), &view.earlier))
        .with(statements::sections(shell, &view.conformity))
        .section("about", "What was determined", Part::Facts(about))
        .section("limitations", "Deviations and limitations", Part::Alert(limitations))
        .section_of("titres", "Titres", drawing)
        .section("titrations", "Every titration made", Part::Table(titres))
        .section("rules", "What the rules say", Part::Verdicts(evaluation.verdicts))
        .section_of(
            "budget",
            "Uncertainty budget",
            (!evaluation.budget.is_empty()).then_some(Part::Budget(evaluation.budget)),
        )
        .section("signatures", "Signatures", Part::Signatures(view.sign_offs))
        .section("origin", "Where this comes from", Part::Facts(origin))
        .help(
            "Everything a reader needs to rely on the figure, on paper.",
            "ISO/IEC 17025:2017 7.8.2.1; the result relates only to the sample tested.",
            "The digest and the head of the audit tree allow to check later that nothing was changed.",
        );
    Ok(report.section_of("working", "Working", evaluation.working.filter(|_| working).map(Part::Working)))
}

fn about(shell: &Shell, view: &DeterminationView, around: &Around) -> Vec<Fact> {
    let evaluation = &view.evaluation;
    let rules = &around.rules;
    let mut facts = vec![
        fact("Sample", Cell::text(around.sample.clone())),
        fact("Run", Cell::text(around.run.clone())),
        fact("Method", Cell::text(format!("{}: {}", view.method_code, around.method.title))),
        fact("Validated range", Cell::text(shell.n(format!("{} to {}", rules.validated_low, rules.validated_high)))),
        fact("Validated matrix", Cell::text(around.method.matrix.clone())),
        fact("Determined", Cell::text(show::time(view.observed_at))),
        fact("By", Cell::text(around.person(view.recorded_by.0))),
        fact("Titres", Cell::state(evaluation.outcome)),
        fact("What stands for the titres", Cell::text(evaluation.progress.detail.clone())),
    ];
    if let Some(agreement) = &evaluation.agreement {
        facts.push(fact("Accurate titres", Cell::text(agreement.n.to_string())));
    }
    if let Some(reported) = &evaluation.reported {
        let k = shell.n(format!("{:.2}", reported.coverage_factor));
        facts.push(fact("Coverage factor k", Cell::text(k)));
    }
    facts
}

fn titres(shell: &Shell, view: &DeterminationView) -> Table {
    let rows = view.evaluation.titres.iter().map(|titre| {
        vec![
            Cell::text(titre.position.to_string()),
            Cell::text(titre.kind),
            Cell::state(titre.fate),
            Cell::number(shell.n(&titre.difference_ml)),
            Cell::number(shell.n(format!("{:.3}", titre.volume_ml))),
            Cell::number(shell.n(format!("{:.3}", titre.net_ml))),
            Cell::text(titre.reasons.join("; ")),
        ]
    });
    let columns = vec!["No.", "Kind", "Fate", "Difference, mL", "At 20 °C, mL", "Less blank, mL", "Why"];
    Table { columns, rows: rows.collect(), empty: "None yet.", ..Table::default() }
}

fn origin(view: &DeterminationView, head: String) -> Vec<Fact> {
    vec![
        fact("Digest of the record", Cell::text(view.content_digest.clone())),
        fact("Formulae", Cell::text(view.evaluation.formula_set)),
        fact("Service", Cell::text(format!("ferrotitre {}", env!("CARGO_PKG_VERSION")))),
        fact("Head of the audit tree", Cell::text(head)),
        fact("Shown at", Cell::text(show::time_with_zone(Utc::now()))),
    ]
}
