//! Files of certificates over HTTP.

use actix_web::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use actix_web::{HttpResponse, get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, ReceiveLots};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::LargeBody;
use ferrotitre_base::web::problem::Problem;

use super::service::{self, CertificateFile, NewCertificateFile};

/// Keeps the file of a certificate. Calibrations and lots name it by its digest; the same file again is the one that is there.
#[utoipa::path(tag = "equipment", request_body = NewCertificateFile, responses((status = 201, description = "Kept", body = CertificateFile)))]
#[post("/certificate-files")]
pub(super) async fn record_certificate_file(
    who: Allowed<ReceiveLots>,
    db: web::Data<Db>,
    body: LargeBody<NewCertificateFile>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body.0);
    Ok(service::record(&db, &act, new).await?)
}

/// Reads the file of a certificate, byte for byte as it came.
#[utoipa::path(tag = "equipment", params(("digest" = String, Path, description = "SHA-256 of the file, hexadecimal")), responses((status = 200, description = "The file", content_type = "application/octet-stream", body = Vec<u8>)))]
#[get("/certificate-files/{digest}")]
pub(super) async fn read_certificate_file(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    digest: web::Path<String>,
) -> Result<HttpResponse, Problem> {
    let (name, _, bytes) = service::read(&db, &digest).await?;
    let plain = |c: char| if c.is_ascii_alphanumeric() || ".-_".contains(c) { c } else { '-' };
    let name: String = name.chars().map(plain).collect();
    // To be kept and opened by a program for it: what others wrote is not shown as a page of ours.
    Ok(HttpResponse::Ok()
        .insert_header((CONTENT_TYPE, "application/octet-stream"))
        .insert_header((CONTENT_DISPOSITION, format!("attachment; filename=\"{name}\"")))
        .body(bytes))
}
