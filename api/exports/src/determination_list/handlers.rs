//! The list of determinations as a file over HTTP.

use actix_web::{get, web};
use chrono::{DateTime, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ExportRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use crate::determination_list;
use crate::service::Handed;
use crate::spool::Format;

/// Which determinations, in which form; narrowed as the list of determinations is.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DeterminationListExport {
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
    /// Only of this sample.
    pub sample: Option<Uuid>,
    /// Only in this state now.
    #[param(example = "approved")]
    pub state: Option<String>,
    /// Only by the method of this code, in whatever version.
    #[param(example = "FE2-DICHROMATE")]
    pub method: Option<String>,
    /// Only begun by whose sign-in name or printed name begins with this, in whatever case.
    pub analyst: Option<String>,
    /// Only sample or control.
    #[param(example = "sample")]
    pub purpose: Option<String>,
    /// Only of samples whose code or client's reference begins with this, in whatever case.
    #[param(example = "S-2026")]
    pub of: Option<String>,
}

/// Exports the list of determinations with a line each: sample, method, result with its uncertainty, what specifications say of
/// it, analyst and state, newest first; with the counts. An analyst who is neither manager nor auditor takes out only
/// determinations that the analyst opened or titrated.
///
/// The digest is made as that of the determinations.
#[utoipa::path(tag = "exports", params(DeterminationListExport), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/determination-list")]
pub(crate) async fn export_determination_list(
    who: Allowed<ExportRecords>,
    db: web::Data<Db>,
    asked: Params<DeterminationListExport>,
) -> Result<Handed, Problem> {
    Ok(determination_list::table(&db, (&who.act_without_body(), who.user()), &asked.0).await?)
}
