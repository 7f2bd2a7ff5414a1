//! Control charts over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    ApprovePhases, DefineCharts, DisposeControlValues, ProposePhases, ReadRecords, ReceiveLots, RecordControlValues,
    RegisterSamples, ReleaseLots,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Picture, Pixels, PlainText, Versioned};
use ferrotitre_base::web::body::{Body, LargeBody, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, History, VersionView};
use ferrotitre_ledger::imports::NewImport;
use ferrotitre_ledger::imports::tables::template::{self, Download, TemplateForm};
use ferrotitre_ledger::imports::tables::{NewTable, TableView, service as tables};
use uuid::Uuid;

use crate::control_charts::begin::wire::{ControlView, NewControl};
use crate::control_charts::history::History as Lines;
use crate::control_charts::import::ImportView;
use crate::control_charts::lot_step::{self, LotStep, LotStepQuestion};
use crate::control_charts::picture::PictureQuestion;
use crate::control_charts::rule_sets::RuleSetView;
use crate::control_charts::run_lengths::RunLengthsView;
use crate::control_charts::statistics::{self, ChartReview};
use crate::control_charts::store::plans::QcPlanFacts;
use crate::control_charts::wire::{
    ChartView, ControlValueView, NewChart, NewDisposition, NewPhase, NewRuleSet, NewValue, PhaseView, PointListing,
    PointPage, PointView,
};
use crate::control_charts::{begin, import, phases, picture, rule_sets, service, taking, values};

/// Begins a control: records a lot of control material or takes one, its sample, the chart of its results, its place in the plan of
/// quality control of the method, and its first limits as proposed; with it, if asked, the release of the lot, a first test portion of
/// the sample, and plans of further methods: all of it or nothing.
#[utoipa::path(tag = "control charts", request_body = NewControl, responses((status = 201, description = "Begun", body = ControlView)))]
#[post("/controls")]
pub(super) async fn begin_control(
    who: Allowed<DefineCharts>,
    _receives: Allowed<ReceiveLots>,
    _registers: Allowed<RegisterSamples>,
    _proposes: Allowed<ProposePhases>,
    _releases: Allowed<ReleaseLots>,
    db: web::Data<Db>,
    body: Body<NewControl>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(begin::begin(&db, &act, new).await?)
}

/// Lists the published sets of run rules that a chart can take by name, with their false alarms.
#[utoipa::path(tag = "control charts", responses((status = 200, description = "The sets", body = Vec<RuleSetView>)))]
#[get("/rule-sets")]
pub(super) async fn list_rule_sets(_who: Allowed<ReadRecords>) -> Result<web::Json<&'static [RuleSetView]>, Problem> {
    Ok(web::Json(rule_sets::all().await?))
}

/// Records a control chart with its rules, which are chosen before data.
#[utoipa::path(tag = "control charts", request_body = NewChart, responses((status = 201, description = "Recorded", body = ChartView)))]
#[post("/control-charts")]
pub(super) async fn record_control_chart(
    who: Allowed<DefineCharts>,
    db: web::Data<Db>,
    body: Body<NewChart>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record(&db, &act, new).await?)
}

/// Lists control charts, newest first, with their approved phases.
#[utoipa::path(tag = "control charts", params(Listing), responses((status = 200, description = "A page", body = Page<ChartView>)))]
#[get("/control-charts")]
pub(super) async fn list_control_charts(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<ChartView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a control chart: phases, statistics, and what its rules do to the false-alarm rate.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), responses((status = 200, description = "The chart", body = ChartView)))]
#[get("/control-charts/{id}")]
pub(super) async fn read_control_chart(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ChartView>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Draws a control chart: its phases with their limits, every point with its link, rule hits at the point that completes them.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart"), PictureQuestion), responses((status = 200, description = "The picture", content_type = "image/svg+xml", body = String)))]
#[get("/control-charts/{id}.svg")]
pub(super) async fn draw_control_chart(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<PictureQuestion>,
) -> Result<Picture, Problem> {
    Ok(Picture(picture::draw(&db, *id, &question.0).await?.svg))
}

/// Draws the same picture as PNG.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart"), PictureQuestion), responses((status = 200, description = "The picture", content_type = "image/png", body = Vec<u8>)))]
#[get("/control-charts/{id}.png")]
pub(super) async fn draw_control_chart_pixels(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<PictureQuestion>,
) -> Result<Pixels, Problem> {
    Ok(Pixels::of(picture::draw(&db, *id, &question.0).await?.svg).await?)
}

/// Tests whether the change from one titrant lot to the next shows as a step of the chart.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart"), LotStepQuestion), responses((status = 200, description = "The step", body = LotStep)))]
#[get("/control-charts/{id}/lot-step")]
pub(super) async fn read_lot_step(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    question: Params<LotStepQuestion>,
) -> Result<web::Json<LotStep>, Problem> {
    Ok(web::Json(lot_step::read(&db, *id, &question.0).await?))
}

/// Closes a control chart, with a reason; its points stay.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/control-charts/{id}/moves")]
pub(super) async fn move_control_chart(
    who: Allowed<DefineCharts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, *id, asked).await?)
}

/// Lists points, newest first, with the verdicts they got, or as another phase would judge them.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart"), PointListing), responses((status = 200, description = "A page", body = PointPage)))]
#[get("/control-charts/{id}/points")]
pub(super) async fn list_control_points(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    listing: Params<PointListing>,
) -> Result<web::Json<PointPage>, Problem> {
    Ok(web::Json(service::points(&db, *id, &listing.0).await?))
}

/// Records a control value and judges it by the phase in force at its time.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), request_body = NewValue, responses((status = 201, description = "Recorded and judged", body = PointView)))]
#[post("/control-charts/{id}/values")]
pub(super) async fn record_control_value(
    who: Allowed<RecordControlValues>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewValue>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(values::record(&db, &act, *id, new).await?)
}

/// Reads a control value with what became of it.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Control value")), responses((status = 200, description = "The value", body = ControlValueView)))]
#[get("/control-values/{id}")]
pub(super) async fn read_control_value(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ControlValueView>, Problem> {
    Ok(web::Json(values::read(&db, *id).await?))
}

/// Says what became of a control value; its verdict stays.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Control value")), request_body = NewDisposition, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/control-values/{id}/dispositions")]
pub(super) async fn dispose_control_value(
    who: Allowed<DisposeControlValues>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewDisposition>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(values::dispose(&db, &act, *id, new).await?)
}

/// Reviews a control chart: the last 60 and 20 points, uncertainty top-down beside bottom-up, a phase that could be proposed.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), responses((status = 200, description = "The review", body = ChartReview)))]
#[get("/control-charts/{id}/review")]
pub(super) async fn review_control_chart(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ChartReview>, Problem> {
    Ok(web::Json(statistics::review(&db, *id).await?))
}

/// Proposes a phase: limits from a target, a reference value or a baseline.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), request_body = NewPhase, responses((status = 201, description = "Proposed", body = PhaseView)))]
#[post("/control-charts/{id}/phases")]
pub(super) async fn propose_chart_phase(
    who: Allowed<ProposePhases>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewPhase>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(phases::propose(&db, &act, *id, new).await?)
}

/// Reads a phase.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Phase")), responses((status = 200, description = "The phase", body = PhaseView)))]
#[get("/chart-phases/{id}")]
pub(super) async fn read_chart_phase(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<PhaseView>, Problem> {
    Ok(web::Json(phases::read(&db, *id).await?))
}

/// Approves a phase with a signature; never its proposer.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Phase")), request_body = NewSignature, responses((status = 201, description = "Approved", body = PhaseView)))]
#[post("/chart-phases/{id}/approval")]
pub(super) async fn approve_chart_phase(
    who: Allowed<ApprovePhases>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(phases::decide(&db, &act, who.user(), **policy, (*id, true), signature).await?)
}

/// Rejects a proposed phase with a reason.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Phase")), request_body = NewSignature, responses((status = 201, description = "Rejected", body = PhaseView)))]
#[post("/chart-phases/{id}/rejection")]
pub(super) async fn reject_chart_phase(
    who: Allowed<ApprovePhases>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(phases::decide(&db, &act, who.user(), **policy, (*id, false), signature).await?)
}

/// Computes the run lengths of rules before they are chosen; nothing is stored.
#[utoipa::path(tag = "control charts", request_body = NewRuleSet, responses((status = 200, description = "Run lengths", body = RunLengthsView)))]
#[post("/run-lengths")]
pub(super) async fn compute_run_lengths(
    _who: Allowed<ReadRecords>,
    body: Body<NewRuleSet>,
) -> Result<web::Json<RunLengthsView>, Problem> {
    Ok(web::Json(service::lengths_of(&body.value)?))
}

/// Records the plan of quality control of a method version: what every run needs.
#[utoipa::path(tag = "control charts", request_body = QcPlanFacts, responses((status = 201, description = "Recorded", body = VersionView<QcPlanFacts>)))]
#[post("/qc-plans")]
pub(super) async fn record_qc_plan(
    who: Allowed<DefineCharts>,
    db: web::Data<Db>,
    body: Body<QcPlanFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(taking::record(&db, &act, facts).await?)
}

/// Lists plans of quality control, newest first.
#[utoipa::path(tag = "control charts", params(Listing), responses((status = 200, description = "A page", body = Page<VersionView<QcPlanFacts>>)))]
#[get("/qc-plans")]
pub(super) async fn list_qc_plans(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<VersionView<QcPlanFacts>>>, Problem> {
    Ok(web::Json(taking::list(&db, &listing.0).await?))
}

/// Reads a plan of quality control with all its versions.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Plan")), responses((status = 200, description = "All versions", body = History<QcPlanFacts>)))]
#[get("/qc-plans/{id}")]
pub(super) async fn read_qc_plan(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<History<QcPlanFacts>>, Problem> {
    Ok(taking::read(&db, *id).await?)
}

/// Corrects a plan; runs opened before go by the version they were opened under. The version corrected is named in If-Match.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Plan"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<QcPlanFacts>, responses((status = 201, description = "The new version", body = VersionView<QcPlanFacts>)))]
#[post("/qc-plans/{id}/corrections")]
pub(super) async fn correct_qc_plan(
    who: Allowed<DefineCharts>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<QcPlanFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(taking::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Reads the table to fill in with a chart's history: version line, header with the unit, two example rows.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), responses((status = 200, description = "The table", content_type = "text/plain", body = String)))]
#[get("/control-charts/{id}/import-template")]
pub(super) async fn read_control_import_template(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<PlainText, Problem> {
    Ok(PlainText(import::template(&db, *id).await?))
}

/// Says what a file of history would become: every wrong cell by line and column, or a summary. Nothing is stored.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), request_body = NewImport, responses((status = 200, description = "What it would become", body = ImportView)))]
#[post("/control-charts/{id}/imports/preview")]
pub(super) async fn preview_control_values(
    _who: Allowed<RecordControlValues>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: LargeBody<NewImport>,
) -> Result<web::Json<ImportView>, Problem> {
    Ok(web::Json(import::preview(&db, *id, &body.0.value).await?))
}

/// Imports control values or factors from a file, all of it or nothing; the file is kept.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), request_body = NewImport, responses((status = 201, description = "Imported", body = ImportView)))]
#[post("/control-charts/{id}/imports")]
pub(super) async fn import_control_values(
    who: Allowed<RecordControlValues>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: LargeBody<NewImport>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(import::import(&db, &act, *id, file).await?)
}

/// Reads the table to fill in with a chart's history, without a version line.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart"), TemplateForm), responses((status = 200, description = "The template", content((Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"), (String = "text/csv")))))]
#[get("/control-charts/{id}/table-template")]
pub(super) async fn read_control_table_template(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<TemplateForm>,
) -> Result<Download, Problem> {
    Ok(template::of(&Lines::of(&db, *id).await?, &asked.0)?)
}

/// Says what a table of history, a workbook or text with its own columns, would become. Nothing is stored.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), request_body = NewTable, responses((status = 200, description = "What it would become", body = TableView)))]
#[post("/control-charts/{id}/table-imports/preview")]
pub(super) async fn preview_control_table(
    _who: Allowed<RecordControlValues>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: LargeBody<NewTable>,
) -> Result<web::Json<TableView>, Problem> {
    Ok(web::Json(tables::preview(&db, &Lines::of(&db, *id).await?, body.0.value).await?))
}

/// Imports a table of history, all of it or nothing; every value keeps its own time and is judged like any other. The file is kept.
#[utoipa::path(tag = "control charts", params(("id" = Uuid, Path, description = "Chart")), request_body = NewTable, responses((status = 201, description = "Imported", body = TableView)))]
#[post("/control-charts/{id}/table-imports")]
pub(super) async fn import_control_table(
    who: Allowed<RecordControlValues>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: LargeBody<NewTable>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(tables::import(&db, &act, &Lines::of(&db, *id).await?, file).await?)
}
