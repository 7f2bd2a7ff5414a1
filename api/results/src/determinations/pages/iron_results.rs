//! Pages of iron(III) by difference.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    ApproveDeterminations, ConductRuns, ReadRecords, ReviewDeterminations, SubmitDeterminations,
};
use ferrotitre_base::auth::permissions::{Action, Deed};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::samples::samples;
use ferrotitre_bench::specifications::pages::statements;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, first_page, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::paper::Pdf;
use ferrotitre_html::sheet::{Cell, Fact, Names, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_ledger::audit::service as audit;
use uuid::Uuid;

use super::detail::result;
use super::signing::{Signed, take_step, with_steps};
use super::{NO_CERTIFICATE, proposals, since};
use crate::certificates::{pages as certificates, service as certified};
use crate::determinations::evaluation::ReportedView;
use crate::determinations::iron_results::{self as service, IronResultView};
use crate::determinations::wire::NewIronResult;
use crate::determinations::{service as determinations, steps};

fn reported(shell: &Shell, view: &IronResultView) -> String {
    view.evaluation.reported.as_ref().map_or_else(|| "not complete".to_owned(), |reported| shell.n(reported.stated()))
}

/// Lines of a list of iron results.
pub async fn rows(shell: &Shell, db: &Db, views: &[IronResultView]) -> Result<Vec<Vec<Cell>>, Refusal> {
    let ids: Vec<Uuid> = views.iter().map(|view| view.sample).collect();
    let people: Vec<Uuid> = views.iter().map(|view| view.recorded_by.0).collect();
    let told = samples::told_now(db, &ids).await?;
    let names = labels::of(db, EntityKind::Account, &people).await?;
    let row = |view: &IronResultView| {
        let sample = told.get(&view.sample).cloned().unwrap_or_default();
        let said: Vec<String> = view
            .conformity
            .iter()
            .filter(|one| one.analyte == "iron(III)")
            .map(|one| format!("{}: {}", one.code, one.outcome))
            .collect();
        vec![
            Cell::link(view.code.clone(), format!("/iron-results/{}", view.id)),
            Cell::state(view.state.clone()),
            Cell::state(view.evaluation.outcome),
            Cell::link(sample.code, format!("/samples/{}", view.sample)),
            Cell::text(sample.client_reference),
            Cell::number(reported(shell, view)),
            Cell::text(said.join("; ")),
            Cell::text(names.get(&view.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(show::time(view.observed_at)),
        ]
    };
    Ok(views.iter().map(row).collect())
}

/// Columns of [`rows`].
pub const COLUMNS: [&str; 9] = [
    "Iron(III)",
    "State",
    "Titres",
    "Sample",
    "Client\u{2019}s reference",
    "Result",
    "Conformity",
    "Analyst",
    "Worked out",
];

/// Lists iron results.
#[get("/iron-results")]
pub(super) async fn list_iron_results(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let page = if asked.state.is_empty() {
        service::list(&db, &asked.listing()?).await?
    } else {
        service::in_state(&db, &asked.state, asked.window()).await?
    };
    let table = Table {
        columns: COLUMNS.to_vec(),
        rows: rows(&shell, &db, &page.items).await?,
        empty: "None.",
        next: asked.next("/iron-results", page.next),
        filters: asked.fields(&EntityKind::IronResult.states()),
        ..Table::default()
    };
    Sheet::new(&shell, "Iron(III)", "Iron(III) by difference")
        .way(shell.may(Action::ConductRuns), "New difference", "/iron-results/new")
        .section("list", "", Part::Table(table))
        .help(
            "Iron(III) as total iron less iron(II) of one sample. What both titrations share is taken as shared.",
            "JCGM 100, 5.2 (correlated inputs).",
            "Both determinations are approved first, then the difference.",
        )
        .show()
}

/// Records a difference.
#[routes]
#[get("/iron-results/new")]
#[post("/iron-results/new")]
pub(super) async fn new_iron_result(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let newest =
        crate::determinations::listing::DeterminationListing { limit: first_page().limit, ..Default::default() };
    let lines = determinations::list(&db, &newest).await?.items;
    let samples: Vec<Uuid> = lines.iter().map(|line| line.sample).collect();
    let samples = labels::of(&db, EntityKind::Sample, &samples).await?;
    let methods: Vec<Uuid> = lines.iter().map(|line| line.method.0).collect();
    let methods = labels::of(&db, EntityKind::Method, &methods).await?;
    let choices: Vec<Choice> = lines
        .iter()
        .map(|line| {
            let sample = samples.get(&line.sample).map_or("", String::as_str);
            let method = methods.get(&line.method.0).map_or("", String::as_str);
            Choice::thing(line.id, &line.code, format!("{sample}, {method}, {}", line.state))
        })
        .collect();
    let mut form = Form::new("Iron(III) by difference", "Record", "/iron-results")
        .with([
            Field::new("code", "Code", Kind::Text),
            Field::new("total", "Determination of total iron", Kind::Thing(choices.clone())),
            Field::new("iron2", "Determination of iron(II)", Kind::Thing(choices)).help("Of the same sample."),
            Field::new("observed_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
        ])
        .help(
            "Total iron less iron(II) of one sample.",
            "JCGM 100, 5.2.",
            "It is submitted, reviewed and approved like a determination, after both of its parts.",
        );
    if !sent.posted() {
        let code = |sample: Uuid| samples.get(&sample).cloned().unwrap_or_default();
        proposals::of_difference(&db, &mut form, &lines, code).await?;
    }
    shell
        .take(&who, &sent, form, async |act, new: NewIronResult| {
            let answer = service::record(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/iron-results/{}", field_of(&answer, "id"))))
        })
        .await
}

/// An iron result with its working.
#[get("/iron-results/{id}")]
pub(super) async fn read_iron_result(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    sheet(&shell, &db, view).await?.show()
}

/// Prints iron(III) by difference as PDF: result, both parts, working, budget, signatures, history.
///
/// PDF/A-2a where the typeface has every character shown.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), responses((status = 200, description = "The report", content_type = "application/pdf", body = Vec<u8>)))]
#[get("/iron-results/{id}/report.pdf")]
pub async fn print_iron_result(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Pdf, Problem> {
    let view = service::read(&db, *id).await?;
    let mark = audit::mark(&db, &view.code, &view.content_digest).await?;
    let sheet = sheet(&shell, &db, view).await?.lead(NO_CERTIFICATE);
    Ok(sheet.pdf(format!("iron result {id}"), &mark).await?)
}

/// What it is made of, and how its uncertainty comes about.
fn about(shell: &Shell, view: &IronResultView, (codes, sample, people): (&Names, &Names, &Names)) -> Vec<Fact> {
    let evaluation = &view.evaluation;
    let code = |id: Uuid| codes.get(&id).cloned().unwrap_or_default();
    let part = |reported: &Option<ReportedView>, detail: &str| {
        reported.as_ref().map_or_else(|| detail.to_owned(), ReportedView::stated)
    };
    let number =
        |value: Option<f64>, digits| value.map(|value| shell.n(show::figure(value, digits))).unwrap_or_default();
    vec![
        fact(
            "Sample",
            Cell::link(sample.get(&view.sample).cloned().unwrap_or_default(), format!("/samples/{}", view.sample)),
        ),
        fact("Titres", Cell::state(evaluation.outcome)),
        fact("Total iron", Cell::link(code(view.total), format!("/determinations/{}", view.total))),
        fact("", Cell::text(shell.n(part(&evaluation.total.reported, &evaluation.total.progress.detail)))),
        fact("Iron(II)", Cell::link(code(view.iron2), format!("/determinations/{}", view.iron2))),
        fact("", Cell::text(shell.n(part(&evaluation.iron2.reported, &evaluation.iron2.progress.detail)))),
        fact("u, shared inputs taken as shared", Cell::text(number(evaluation.u, 3))),
        fact("u, if they were independent", Cell::text(number(evaluation.u_if_independent, 3))),
        fact("Correlation of the two", Cell::text(number(evaluation.correlation, 3))),
        fact("By", Cell::text(people.get(&view.recorded_by.0).cloned().unwrap_or_default())),
    ]
}

async fn sheet<'a>(shell: &'a Shell, db: &Db, view: IronResultView) -> Result<Sheet<'a>, Problem> {
    let id = view.id;
    let codes = labels::of(db, EntityKind::Determination, &[view.total, view.iron2]).await?;
    let sample = labels::of(db, EntityKind::Sample, &[view.sample]).await?;
    let mut people: Vec<Uuid> = view.moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0).collect();
    people.push(view.recorded_by.0);
    let people = accounts::names(db, &people).await?;
    let facts = about(shell, &view, (&codes, &sample, &people));
    let evaluation = view.evaluation;
    let path = format!("/iron-results/{id}");
    let settled = evaluation.outcome == "concordant";
    let begun = matches!(view.state.as_str(), "in progress" | "returned" | "amended");
    let waits = "Both determinations must be complete.";
    let mut sheet = Sheet::new(shell, "Iron(III) by difference", view.code).state(view.state.clone()).way(
        begun && shell.may(Action::SubmitDeterminations),
        "Submit",
        format!("{path}/submission"),
    );
    if !view.flags.is_empty() {
        sheet = sheet.section("flags", "To be known", Part::Alert(view.flags));
    }
    let on_certificates = certificates::of_result(shell, db, (id, &view.state)).await?;
    Ok(with_steps(sheet, shell, &view.state, &path)
        .way(true, "Save as PDF", format!("/api/v1{path}/report.pdf"))
        .section("result", "Result", result(shell, evaluation.reported.as_ref(), waits))
        .with(since::touched(&view.touched))
        .with(since::before(shell, &view.earlier))
        .with(statements::sections(shell, &view.conformity))
        .with(on_certificates)
        .section("about", "About", Part::Facts(facts))
        .section("rules", "What the rules say", Part::Verdicts(evaluation.verdicts))
        .section_of("working", "Working", evaluation.working.map(Part::Working))
        .section("budget", "Uncertainty budget", Part::Budget(evaluation.budget))
        .section_way(settled, "Aliquot and share of iron(II)", format!("{path}/plan"))
        .section("signatures", "Signatures", Part::Signatures(view.sign_offs))
        .section("history", "History", Part::Moves(view.moves, people))
        .section_way(shell.may(Action::ExportRecords), "As bundle to be checked", format!("/api/v1{path}/bundle"))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "A small difference of two larger results: its uncertainty counts what both share once.",
            "JCGM 100, 5.2; ISO/IEC 17025:2017 7.6.",
            "A negative value within its uncertainty is kept and reported as below the limit of quantification.",
        ))
}

async fn sign<D: Deed>(
    who: &Allowed<D>,
    shell: &Shell,
    (db, policy): (&Db, Policy),
    (id, word): (Uuid, &str),
    sent: &Sent,
) -> Result<HttpResponse, Problem> {
    let mut view = service::read(db, id).await?;
    if word == "amendment" {
        view.flags.extend(certified::to_be_amended(db, id).await?);
    }
    let signed = Signed {
        place: format!("/iron-results/{id}"),
        words: format!("iron(III): {}", reported(shell, &view)),
        code: view.code,
        flags: view.flags,
        digest: view.content_digest,
    };
    take_step(who, shell, sent, (word, signed), async |act, step, signature| {
        steps::iron_result(db, &act, who.user(), policy, (id, step), signature).await
    })
    .await
}

/// Submits, signed by the author.
#[routes]
#[get("/iron-results/{id}/submission")]
#[post("/iron-results/{id}/submission")]
pub(super) async fn submit(
    who: Allowed<SubmitDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), (*id, "submission"), &sent).await
}

/// Reviews or returns.
#[routes]
#[get("/iron-results/{id}/{step:review|return}")]
#[post("/iron-results/{id}/{step:review|return}")]
pub(super) async fn review(
    who: Allowed<ReviewDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), (path.0, &path.1), &sent).await
}

/// Approves or amends.
#[routes]
#[get("/iron-results/{id}/{step:approval|amendment}")]
#[post("/iron-results/{id}/{step:approval|amendment}")]
pub(super) async fn approve(
    who: Allowed<ApproveDeterminations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    sign(&who, &shell, (&db, **policy), (path.0, &path.1), &sent).await
}
