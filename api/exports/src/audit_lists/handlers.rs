//! Lists of the audit trail as files over HTTP.

use actix_web::{get, web};
use chrono::{DateTime, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ExportAuditLists;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use serde::Deserialize;
use utoipa::IntoParams;

use crate::audit_lists;
use crate::service::Handed;
use crate::spool::Format;

/// Which part of the list, in which form.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AuditListExport {
    /// json, csv or xlsx; json if not given.
    #[serde(default)]
    #[param(inline)]
    pub format: Format,
    /// Only what was recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only what was recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only of this account, by its identity, sign-in name or printed name; for lists of sign-ins.
    pub account: Option<String>,
    /// Only from this network address; for lists of sign-ins.
    pub address: Option<String>,
}

/// Exports a list of the audit trail: exclusions, corrections-after-signature, released-while-out, refused-sign-ins or sign-ins, with
/// the event that proves each row. For managers and auditors.
///
/// The digest is made as that of the determinations.
#[utoipa::path(tag = "exports", params(("of" = String, Path, description = "Which list", example = "exclusions"), AuditListExport), responses((status = 200, description = "The export", content((String = "application/json"), (String = "text/csv"), (Vec<u8> = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet")))))]
#[get("/exports/audit-lists/{of}")]
pub(crate) async fn export_audit_list(
    who: Allowed<ExportAuditLists>,
    db: web::Data<Db>,
    of: web::Path<String>,
    asked: Params<AuditListExport>,
) -> Result<Handed, Problem> {
    Ok(audit_lists::table(&db, &who.act_without_body(), &of, &asked.0).await?)
}
