//! Exports over HTTP.

use actix_web::body::{BoxBody, SizedStream};
use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpRequest, HttpResponse, Responder, get, web};
use chrono::{DateTime, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ExportRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::{AccountId, MethodId};
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_ledger::audit::seal::SealKey;
use ferrotitre_results::determinations::bulk::Selection;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use crate::bundles::{self, Bundle};
use crate::service::{self, ExportView, Exported, File, Handed};
use crate::spool::Format;

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
///
/// An analyst who is neither manager nor auditor takes out only determinations that the analyst opened or titrated.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Determination")), responses((status = 200, description = "The workbook", content_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", body = Vec<u8>)))]
#[get("/determinations/{id}/workbook.xlsx")]
pub(super) async fn export_determination_workbook(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<File, Problem> {
    Ok(service::determination_workbook(&db, (&who.act_without_body(), who.user()), *id).await?)
}

/// Exports iron(III) by difference as a workbook with live formulas, both determinations included.
///
/// An analyst who is neither manager nor auditor must have opened or titrated both.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Iron result")), responses((status = 200, description = "The workbook", content_type = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", body = Vec<u8>)))]
#[get("/iron-results/{id}/workbook.xlsx")]
pub(super) async fn export_iron_result_workbook(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<File, Problem> {
    Ok(service::iron_result_workbook(&db, (&who.act_without_body(), who.user()), *id).await?)
}

/// Which determinations, in which form.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DeterminationExport {
    /// json, csv or xlsx; json if not given.
    #[serde(default)]
    #[param(inline)]
    pub format: Format,
    /// Only recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only of this run.
    pub run: Option<Uuid>,
    /// Only by this method version.
    pub method: Option<Uuid>,
    /// Only those that this account opened or recorded a titration in. An analyst gets own ones only, whether it is given or
    /// not.
    pub recorded_by: Option<Uuid>,
}

/// In which form.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ExportForm {
    /// json, csv or xlsx; json if not given.
    #[serde(default)]
    #[param(inline)]
    pub format: Format,
}

impl Responder for Handed {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        let file = self.file;
        let name = format!("{}.{}", self.name, file.format.text());
        let mut response = HttpResponse::Ok();
        response
            .insert_header((CONTENT_TYPE, file.format.content_type()))
            .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")))
            .insert_header(("X-Content-SHA256", file.digest.as_str()))
            .insert_header(("X-Content-Rows", file.rows.to_string()));
        if let Some(counts) = self.counts {
            response.insert_header(("X-Completeness", counts));
        }
        response.body(SizedStream::new(self.size, file.stream()))
    }
}

/// Exports determinations with every titration ever made, and the counts that show that nothing is missing.
///
/// `X-Content-SHA256` is the SHA-256 of the rows as JSON, a line each in the order of the columns, and of the line `counts` with
/// the counts as JSON. It is the same in every format, and the same query over the same records gives it again: the time of the
/// export stands in the part `about`, which is not counted. `X-Completeness` carries the counts, too.
///
/// `specification`, `conformity` and `conformance_probability` hold what the specifications of the sample say of the result now:
/// code and version, the outcome as in JSON (conforms, conditional, does not conform, not enough data, no decision rule), the
/// probability of conforming. Several are joined with "; " in the order of code, version and assignment.
///
/// An analyst who is neither manager nor auditor gets the determinations that the analyst opened or recorded a titration in;
/// the query on record says so, and the counts are over those.
#[utoipa::path(tag = "exports", params(DeterminationExport), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/determinations")]
pub(super) async fn export_determinations(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    asked: Params<DeterminationExport>,
) -> Result<Handed, Problem> {
    let asked = asked.0;
    let wanted = Selection {
        from: asked.from,
        until: asked.until,
        run: asked.run,
        method: asked.method.map(MethodId),
        recorded_by: asked.recorded_by.map(AccountId),
    };
    let by = (&who.act_without_body(), who.user());
    Ok(service::determinations_table(&db, by, wanted, asked.format).await?)
}

/// Exports a control chart: every value with its verdict, phases with their limits, statistics.
///
/// The digest is made as that of the determinations, with the line `chart` in place of the counts. An analyst who is neither
/// manager nor auditor takes out charts on which the analyst recorded values or of which the analyst proposed limits.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Chart"), ExportForm), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/control-charts/{id}")]
pub(super) async fn export_control_chart(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<ExportForm>,
) -> Result<Handed, Problem> {
    Ok(service::chart_table(&db, (&who.act_without_body(), who.user()), *id, asked.0.format).await?)
}

impl Responder for Exported {
    type Body = BoxBody;

    fn respond_to(self, request: &HttpRequest) -> HttpResponse {
        match self {
            Self::File(file) => file.respond_to(request),
            Self::Table(table) => table.respond_to(request),
        }
    }
}

/// Exports a validation study: data, statistics, limits, verdicts, amendments.
///
/// The workbook computes means, variances, standard deviations, lines, biases and their intervals by formulas beside the
/// service's figures. JSON holds the whole answer in the part `study`, CSV the data alone; both have one digest, made as that of
/// the determinations. The digest of the workbook is made of its cells, as that of a determination's workbook. An analyst who is
/// neither manager nor auditor takes out studies that the analyst planned, recorded data for or concluded.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Study"), ExportForm), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/validation-studies/{id}")]
pub(super) async fn export_validation_study(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<ExportForm>,
) -> Result<Exported, Problem> {
    Ok(service::study(&db, (&who.act_without_body(), who.user()), *id, asked.0.format).await?)
}

impl Responder for Bundle {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        HttpResponse::Ok()
            .insert_header((CONTENT_TYPE, "application/json"))
            .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{}\"", self.name)))
            .insert_header(("X-Content-SHA256", self.file.digest.as_str()))
            .insert_header(("X-Content-Rows", self.file.rows.to_string()))
            .body(SizedStream::new(self.size, self.file.stream()))
    }
}

/// Bundles a determination: its events with their proof under a signed head, its working, what was signed and what is printed.
///
/// `ferrotitre-check` and `tests/oracle/proof.py` check the file away from the service; its form is `openapi/PROOF.md`. An
/// analyst who is neither manager nor auditor takes out only determinations that the analyst opened or titrated.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Determination")), responses((status = 200, description = "The bundle", body = String, content_type = "application/json")))]
#[get("/determinations/{id}/bundle")]
pub(super) async fn bundle_determination(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
    id: web::Path<Uuid>,
) -> Result<Bundle, Problem> {
    Ok(bundles::determination(&db, (&who.act_without_body(), who.user(), &key), *id).await?)
}

/// Bundles iron(III) by difference with both determinations, as the bundle of a determination.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Iron result")), responses((status = 200, description = "The bundle", body = String, content_type = "application/json")))]
#[get("/iron-results/{id}/bundle")]
pub(super) async fn bundle_iron_result(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
    id: web::Path<Uuid>,
) -> Result<Bundle, Problem> {
    Ok(bundles::iron_result(&db, (&who.act_without_body(), who.user(), &key), *id).await?)
}

/// Bundles a titrant lot: preparations, standardisations with their workings, factors, signatures.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Titrant lot")), responses((status = 200, description = "The bundle", body = String, content_type = "application/json")))]
#[get("/titrants/{id}/bundle")]
pub(super) async fn bundle_titrant(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
    id: web::Path<Uuid>,
) -> Result<Bundle, Problem> {
    Ok(bundles::titrant(&db, (&who.act_without_body(), who.user(), &key), *id).await?)
}

/// Bundles a certificate of analysis: every issue as it was signed, the digest of each document that went out, and the results
/// with their workings. `ferrotitre-check` holds a document against it with `--paper`.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Certificate")), responses((status = 200, description = "The bundle", body = String, content_type = "application/json")))]
#[get("/certificates/{id}/bundle")]
pub(super) async fn bundle_certificate(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
    id: web::Path<Uuid>,
) -> Result<Bundle, Problem> {
    Ok(bundles::certificate(&db, (&who.act_without_body(), who.user(), &key), *id).await?)
}

/// Bundles a control chart: every point from the first to the newest with the verdict it got, every phase with its baseline and
/// signatures, and its limits as workings.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Chart")), responses((status = 200, description = "The bundle", body = String, content_type = "application/json")))]
#[get("/control-charts/{id}/bundle")]
pub(super) async fn bundle_control_chart(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
    id: web::Path<Uuid>,
) -> Result<Bundle, Problem> {
    Ok(bundles::chart(&db, (&who.act_without_body(), who.user(), &key), *id).await?)
}

/// Bundles a validation study: its plan, every datum with where it comes from, what was left out and why, and its conclusions
/// with the answers that were signed.
#[utoipa::path(tag = "exports", params(("id" = Uuid, Path, description = "Study")), responses((status = 200, description = "The bundle", body = String, content_type = "application/json")))]
#[get("/validation-studies/{id}/bundle")]
pub(super) async fn bundle_validation_study(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
    id: web::Path<Uuid>,
) -> Result<Bundle, Problem> {
    Ok(bundles::study(&db, (&who.act_without_body(), who.user(), &key), *id).await?)
}

/// Which period.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Period {
    /// Events at or after this time.
    pub from: DateTime<Utc>,
    /// Events before this time.
    pub until: DateTime<Utc>,
}

/// Bundles a period: every event of the log between the first and the last of that time, so that none can be left out.
#[utoipa::path(tag = "exports", params(Period), responses((status = 200, description = "The bundle", body = String, content_type = "application/json")))]
#[get("/exports/period-bundle")]
pub(super) async fn bundle_period(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    key: web::Data<SealKey>,
    asked: Params<Period>,
) -> Result<Bundle, Problem> {
    let period = (asked.0.from, asked.0.until);
    Ok(bundles::period(&db, (&who.act_without_body(), who.user(), &key), period).await?)
}

/// Lists the newest exports: what was handed out, to whom, with which digest. Who is an analyst and nothing else sees own exports.
#[utoipa::path(tag = "exports", responses((status = 200, description = "At most 200, newest first", body = Vec<ExportView>)))]
#[get("/exports")]
pub(super) async fn list_exports(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
) -> Result<web::Json<Vec<ExportView>>, Problem> {
    Ok(web::Json(service::newest(&db, who.user()).await?))
}
