//! A study as a page to print: plan, answers with pictures, limits, late changes, conclusion, signatures.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::paper::Pdf;
use ferrotitre_html::sheet::{Cell, Part, Sheet, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::audit::service as audit;
use uuid::Uuid;

use super::characteristic::{amendments, data, judgements, statistics, verdict_facts};
use super::{conclusion_part, names, summary};
use crate::validation_studies::wire::StudyView;
use crate::validation_studies::{picture, reading};

/// The page.
#[get("/validation/{id}/report")]
pub(super) async fn report_study(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = reading::read(&db, *id).await?;
    sheet(&shell, &db, view).await?.show()
}

/// Prints the report on a study as PDF: plan, answers with pictures, limits, late changes, conclusion, signatures.
///
/// PDF/A-2a where the typeface has every character shown.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), responses((status = 200, description = "The report", content_type = "application/pdf", body = Vec<u8>)))]
#[get("/validation-studies/{id}/report.pdf")]
pub async fn print_validation_study(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Pdf, Problem> {
    let view = reading::read(&db, *id).await?;
    // What the conclusion was signed over, once there is one; the plan until then.
    let digest = view.conclusions.last().map_or(&view.content_digest, |last| &last.content_digest);
    let mark = audit::mark(&db, &view.code, digest).await?;
    Ok(sheet(&shell, &db, view).await?.pdf(format!("validation study {id}"), &mark).await?)
}

async fn sheet<'a>(shell: &'a Shell, db: &Db, view: StudyView) -> Result<Sheet<'a>, Problem> {
    let id = view.id.0;
    let answers = reading::answers(db, id).await?;
    let names = names(db, &view).await?;
    let mut sheet = Sheet::new(shell, "Report on a validation study", view.code.clone())
        .state(view.state.clone())
        .lead(format!("{}. {}.", view.title, view.purpose))
        .with_contents()
        .way(true, "Save as PDF", format!("/api/v1/validation-studies/{id}/report.pdf"))
        .way(true, "Back to the study", format!("/validation/{id}"))
        .section("answers", "Characteristics, limits and verdicts", Part::Table(summary(shell, &answers)));
    sheet = match view.conclusions.last() {
        Some(last) => sheet.section("conclusion", "Conclusion and limitations", conclusion_part(shell, last)).section(
            "conclusion-signatures",
            "Signatures on the conclusion",
            Part::Signatures(last.sign_offs.clone()),
        ),
        None => sheet.section("conclusion", "Conclusion", Part::Words("There is none yet.".to_owned())),
    };
    for answer in &answers.characteristics {
        let at = answer.position;
        let drawing = if answer.inputs.rows.is_empty() { None } else { picture::drawn(answer).ok() };
        let drawing = drawing
            .map(|drawn| Part::Chart { drawing: drawn.svg, caption: format!("{}. {}", answer.title, drawn.caption) });
        sheet = sheet
            .section(
                format!("c{at}"),
                format!("{at} {}: {}", answer.kind.text(), answer.title),
                verdict_facts(shell, answer),
            )
            .section_of(format!("c{at}-picture"), "", drawing)
            .section(format!("c{at}-limits"), "Limits", Part::Table(judgements(shell, &answer.judgements)))
            .section(format!("c{at}-statistics"), "Statistics", Part::Table(statistics(shell, &answer.statistics)))
            .section(format!("c{at}-data"), "Data", Part::Table(data(shell, answer, false)))
            .section_of(format!("c{at}-late"), "Late changes of limits", amendments(shell, answer, false));
    }
    let origin = vec![
        fact("Digest of the plan", Cell::text(view.content_digest.clone())),
        fact("Formulae", Cell::text(ferrotitre_core::determination::FORMULA_SET)),
        fact("Service", Cell::text(format!("ferrotitre {}", env!("CARGO_PKG_VERSION")))),
        fact("Shown at", Cell::text(show::time_with_zone(chrono::Utc::now()))),
    ];
    Ok(sheet
        .section("signatures", "Signatures on the plan", Part::Signatures(view.sign_offs.clone()))
        .section("history", "History", Part::Moves(view.moves.clone(), names))
        .section("origin", "Where this comes from", Part::Facts(origin))
        .help(
            "The whole study on paper: what was to be shown, what the data say, who answers for it.",
            "ISO/IEC 17025:2017 7.2.2.4 (records of validation).",
            "The browser prints it; as PDF it can be kept and sent.",
        ))
}
