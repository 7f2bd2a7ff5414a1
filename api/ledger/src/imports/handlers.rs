//! Imported files over HTTP.

use actix_web::{get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::imports::{ImportedFile, service};

/// Lists imported files of every kind, newest first.
#[utoipa::path(tag = "imports", params(Listing), responses((status = 200, description = "A page", body = Page<ImportedFile>)))]
#[get("/imports")]
pub(super) async fn list_imports(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<ImportedFile>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads an imported file with its text as it came.
#[utoipa::path(tag = "imports", params(("id" = Uuid, Path, description = "File")), responses((status = 200, description = "The file", body = ImportedFile)))]
#[get("/imports/{id}")]
pub(super) async fn read_import(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ImportedFile>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}
