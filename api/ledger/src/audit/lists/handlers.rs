//! Lists of the audit trail over HTTP.

use actix_web::{get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadAuditLists;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;

use crate::audit::lists::{self, AuditListRow, AuditListing, Of};

/// The list with a name in an address.
///
/// # Errors
/// [`ferrotitre_base::refusal::Code::NotFound`].
pub fn named(of: &str) -> Result<Of, Refusal> {
    Of::ALL.into_iter().find(|one| one.text() == of).ok_or_else(|| Refusal::not_found("audit list", of))
}

/// Reads a list of the audit trail, newest first: exclusions, corrections-after-signature, released-while-out, refused-sign-ins or
/// sign-ins. Each row names the event that proves it.
#[utoipa::path(tag = "audit", params(("of" = String, Path, description = "Which list", example = "exclusions"), AuditListing), responses((status = 200, description = "A page of rows", body = Page<AuditListRow>)))]
#[get("/audit-lists/{of}")]
pub(in crate::audit) async fn read_audit_list(
    _who: Allowed<ReadAuditLists>,
    db: web::Data<Db>,
    of: web::Path<String>,
    listing: Params<AuditListing>,
) -> Result<web::Json<Page<AuditListRow>>, Problem> {
    Ok(web::Json(lists::read(&db, named(&of)?, &listing.0).await?))
}
