//! The list of certificates as a file over HTTP.

use actix_web::{get, web};
use chrono::{DateTime, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ExportCertificates;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::certificates;
use crate::service::Handed;
use crate::spool::Format;

/// Which certificates, in which form.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CertificateExport {
    /// json, csv or xlsx; json if not given.
    #[serde(default)]
    #[param(inline)]
    pub format: Format,
    /// Only drawn up at or after this time; not together with a state.
    pub from: Option<DateTime<Utc>>,
    /// Only drawn up before this time; not together with a state.
    pub until: Option<DateTime<Utc>>,
    /// Only drafts and issues in this state, each by itself; certificates in their latest version if not given.
    pub state: Option<String>,
}

/// Exports the list of certificates of analysis: each in its latest version, with the issue in force and whether something happened
/// to its results since; or the drafts and issues in a state. With the counts. For managers and auditors.
///
/// The digest is made as that of the determinations.
#[utoipa::path(tag = "exports", params(CertificateExport), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/certificates")]
pub(crate) async fn export_certificates(
    who: Allowed<ExportCertificates>,
    db: web::Data<Db>,
    asked: Params<CertificateExport>,
) -> Result<Handed, Problem> {
    Ok(certificates::table(&db, &who.act_without_body(), &asked.0).await?)
}
