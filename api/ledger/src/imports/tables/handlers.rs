//! Imported tables over HTTP.

use actix_web::{get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use super::template::Download;
use super::{ImportedTable, service};

/// Lists imported tables, newest first.
#[utoipa::path(tag = "imports", params(Listing), responses((status = 200, description = "A page", body = Page<ImportedTable>)))]
#[get("/imported-tables")]
pub(super) async fn list_imported_tables(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<ImportedTable>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads an imported table with what every row became.
#[utoipa::path(tag = "imports", params(("id" = Uuid, Path, description = "Imported table")), responses((status = 200, description = "The table", body = ImportedTable)))]
#[get("/imported-tables/{id}")]
pub(super) async fn read_imported_table(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ImportedTable>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Reads the file of an imported table, byte for byte as it came.
#[utoipa::path(tag = "imports", params(("id" = Uuid, Path, description = "Imported table")), responses((status = 200, description = "The file", content_type = "application/octet-stream", body = Vec<u8>)))]
#[get("/imported-tables/{id}/file")]
pub(super) async fn read_imported_table_file(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Download, Problem> {
    Ok(service::file(&db, *id).await?)
}
