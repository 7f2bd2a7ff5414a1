//! Exports over HTTP.

use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse, Responder, body::BoxBody, get, web};
use uuid::Uuid;

use crate::auth::allowed::Allowed;
use crate::auth::permissions::acts::ExportRecords;
use crate::db::Db;
use crate::exports::service::{self, File};
use crate::web::problem::Problem;

const XLSX: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";

impl Responder for File {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        HttpResponse::Ok()
            .insert_header((CONTENT_TYPE, XLSX))
            .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{}\"", self.name)))
            .insert_header(("X-Content-SHA256", self.digest))
            .body(self.bytes)
    }
}

/// Exports a determination as a workbook with live formulas.
///
/// Readings and other inputs can be changed in it; everything else is a protected formula that refers to them. Formulas have no
/// stored values, so every program computes them on opening. The header `X-Content-SHA256` is the SHA-256 of the text made of
/// all sheets but "About": for each sheet the line `sheet NAME`, then a line per row, cells separated by tabs, a text cell as
/// `s` and the text, a number as `n` and its shortest decimal, a formula as `f` and the formula.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Determination")), responses((status = 200, description = "The workbook", content_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", body = Vec<u8>)))]
#[get("/determinations/{id}/workbook.xlsx")]
pub(super) async fn export_determination_workbook(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<File, Problem> {
    Ok(service::determination_workbook(&db, &who.act_without_body(), *id).await?)
}

/// Exports iron(III) by difference as a workbook with live formulas, both determinations included.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Iron result")), responses((status = 200, description = "The workbook", content_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", body = Vec<u8>)))]
#[get("/iron-results/{id}/workbook.xlsx")]
pub(super) async fn export_iron_result_workbook(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<File, Problem> {
    Ok(service::iron_result_workbook(&db, &who.act_without_body(), *id).await?)
}
