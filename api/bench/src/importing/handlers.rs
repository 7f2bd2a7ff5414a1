//! Lists of what a laboratory has over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, ReceiveLots, RecordEquipment, RegisterSamples};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{LargeBody, Params};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_ledger::imports::tables::template::{Download, TemplateForm};
use ferrotitre_ledger::imports::tables::{NewTable, TableKind, TableView, service};

use super::{Calibrations, Equipment, PrimaryStandards, Reagents, Samples, kinds, template};

/// Lists the tables that can be imported, with their columns.
#[utoipa::path(tag = "imports", responses((status = 200, description = "The tables", body = Vec<TableKind>)))]
#[get("/import-tables")]
pub(super) async fn list_import_tables(_who: Allowed<ReadRecords>) -> Result<web::Json<Vec<TableKind>>, Problem> {
    Ok(web::Json(kinds()))
}

/// Reads the template of a table: its headings, and in a workbook a second sheet that says what stands where.
#[utoipa::path(tag = "imports", params(("table" = String, Path, description = "The table, as in the list of them"), TemplateForm), responses((status = 200, description = "The template", content((Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"), (String = "text/csv")))))]
#[get("/import-tables/{table}/template")]
pub(super) async fn read_import_table_template(
    _who: Allowed<ReadRecords>,
    table: web::Path<String>,
    asked: Params<TemplateForm>,
) -> Result<Download, Problem> {
    Ok(template(&table, &asked.0)?)
}

/// Says what a table of samples would become: every cell that is refused, or what was read. Nothing is stored.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 200, description = "What it would become", body = TableView)))]
#[post("/import-tables/samples/preview")]
pub(super) async fn preview_samples(
    _who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<web::Json<TableView>, Problem> {
    Ok(web::Json(service::preview(&db, &Samples, body.0.value).await?))
}

/// Imports a table of samples, all of it or nothing; the file is kept.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 201, description = "Imported", body = TableView)))]
#[post("/import-tables/samples/imports")]
pub(super) async fn import_samples(
    who: Allowed<RegisterSamples>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(service::import(&db, &act, &Samples, file).await?)
}

/// Says what a table of equipment would become: every cell that is refused, or what was read. Nothing is stored.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 200, description = "What it would become", body = TableView)))]
#[post("/import-tables/equipment/preview")]
pub(super) async fn preview_equipment(
    _who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<web::Json<TableView>, Problem> {
    Ok(web::Json(service::preview(&db, &Equipment, body.0.value).await?))
}

/// Imports a table of equipment, all of it or nothing; the file is kept.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 201, description = "Imported", body = TableView)))]
#[post("/import-tables/equipment/imports")]
pub(super) async fn import_equipment(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(service::import(&db, &act, &Equipment, file).await?)
}

/// Says what a table of calibrations would become: every cell that is refused, or what was read. Nothing is stored.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 200, description = "What it would become", body = TableView)))]
#[post("/import-tables/calibrations/preview")]
pub(super) async fn preview_calibrations(
    _who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<web::Json<TableView>, Problem> {
    Ok(web::Json(service::preview(&db, &Calibrations, body.0.value).await?))
}

/// Imports a table of calibrations, all of it or nothing; the file is kept.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 201, description = "Imported", body = TableView)))]
#[post("/import-tables/calibrations/imports")]
pub(super) async fn import_calibrations(
    who: Allowed<RecordEquipment>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(service::import(&db, &act, &Calibrations, file).await?)
}

/// Says what a table of lots of primary standards would become: every cell that is refused, or what was read. Nothing is stored.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 200, description = "What it would become", body = TableView)))]
#[post("/import-tables/primary-standards/preview")]
pub(super) async fn preview_primary_standards(
    _who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<web::Json<TableView>, Problem> {
    Ok(web::Json(service::preview(&db, &PrimaryStandards, body.0.value).await?))
}

/// Imports a table of lots of primary standards, all of it or nothing; the file is kept.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 201, description = "Imported", body = TableView)))]
#[post("/import-tables/primary-standards/imports")]
pub(super) async fn import_primary_standards(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(service::import(&db, &act, &PrimaryStandards, file).await?)
}

/// Says what a table of lots of reagents would become: every cell that is refused, or what was read. Nothing is stored.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 200, description = "What it would become", body = TableView)))]
#[post("/import-tables/reagents/preview")]
pub(super) async fn preview_reagents(
    _who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<web::Json<TableView>, Problem> {
    Ok(web::Json(service::preview(&db, &Reagents, body.0.value).await?))
}

/// Imports a table of lots of reagents, all of it or nothing; the file is kept.
#[utoipa::path(tag = "imports", request_body = NewTable, responses((status = 201, description = "Imported", body = TableView)))]
#[post("/import-tables/reagents/imports")]
pub(super) async fn import_reagents(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: LargeBody<NewTable>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(service::import(&db, &act, &Reagents, file).await?)
}
