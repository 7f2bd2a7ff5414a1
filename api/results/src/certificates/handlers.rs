//! Certificates over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{AuthoriseCertificates, DraftCertificates, ReadRecords};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_html::paper::Pdf;
use uuid::Uuid;

use crate::certificates::wire::{
    CertificateFacts, CertificateLine, CertificateListing, CertificateView, Discarding, NewDelivery,
};
use crate::certificates::{drawing, service, steps};

/// Lists certificates in their latest version, newest first; of a state, the drafts and issues that are in it.
#[utoipa::path(tag = "certificates", params(CertificateListing), responses((status = 200, description = "A page", body = Page<CertificateLine>)))]
#[get("/certificates")]
pub(super) async fn list_certificates(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<CertificateListing>,
) -> Result<web::Json<Page<CertificateLine>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Draws a certificate up from approved results: a draft with the next number of the year, nothing is issued.
#[utoipa::path(tag = "certificates", request_body = CertificateFacts, responses((status = 201, description = "Drawn up", body = CertificateView)))]
#[post("/certificates")]
pub(super) async fn draw_up_certificate(
    who: Allowed<DraftCertificates>,
    db: web::Data<Db>,
    body: Body<CertificateFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(drawing::draw_up(&db, &act, facts).await?)
}

/// Reads a certificate: every draft and issue with what it says, who was sent it, and what happened to its results since.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate")), responses((status = 200, description = "The certificate", body = CertificateView)))]
#[get("/certificates/{id}")]
pub(super) async fn read_certificate(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<CertificateView>, Problem> {
    Ok(service::read(&db, *id).await?)
}

/// Draws a draft up anew, from results and records as they are now; the version that was looked at is named in If-Match.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate"), ("If-Match" = String, Header, description = "Latest version")), request_body = Correction<CertificateFacts>, responses((status = 201, description = "The new draft", body = CertificateView)))]
#[post("/certificates/{id}/drafts")]
pub(super) async fn revise_certificate(
    who: Allowed<DraftCertificates>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<CertificateFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(drawing::revise(&db, &act, *id, who.if_match(), correction).await?)
}

/// Draws up the issue that is to replace the one that holds, with what changed and why; that one holds until then.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate"), ("If-Match" = String, Header, description = "Latest version")), request_body = Correction<CertificateFacts>, responses((status = 201, description = "The draft of the next issue", body = CertificateView)))]
#[post("/certificates/{id}/amendments")]
pub(super) async fn amend_certificate(
    who: Allowed<DraftCertificates>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<CertificateFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(drawing::amend(&db, &act, *id, who.if_match(), correction).await?)
}

/// Gives a draft up, with a reason. Its number is not used again.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate")), request_body = Discarding, responses((status = 201, description = "Discarded", body = CertificateView)))]
#[post("/certificates/{id}/discarding")]
pub(super) async fn discard_certificate(
    who: Allowed<DraftCertificates>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Discarding>,
) -> Result<Answer, Problem> {
    let (act, why) = who.act(body);
    Ok(drawing::discard(&db, &act, *id, why).await?)
}

/// Authorises the draft of others: it is issued, its results are reported, its document is kept as it goes out.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate")), request_body = NewSignature, responses((status = 201, description = "Issued", body = CertificateView)))]
#[post("/certificates/{id}/authorisation")]
pub(super) async fn authorise_certificate(
    who: Allowed<AuthoriseCertificates>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::authorise(&db, &act, who.user(), **policy, *id, signature).await?)
}

/// Withdraws the issue that holds, with a reason. A withdrawn certificate is not issued again.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate")), request_body = NewSignature, responses((status = 201, description = "Withdrawn", body = CertificateView)))]
#[post("/certificates/{id}/withdrawal")]
pub(super) async fn withdraw_certificate(
    who: Allowed<AuthoriseCertificates>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::withdraw(&db, &act, who.user(), **policy, *id, signature).await?)
}

/// Puts on record who was sent an issue, so that it is known who has to be told of an amendment or withdrawal.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate")), request_body = NewDelivery, responses((status = 201, description = "Recorded", body = CertificateView)))]
#[post("/certificates/{id}/deliveries")]
pub(super) async fn record_certificate_delivery(
    who: Allowed<DraftCertificates>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewDelivery>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(steps::deliver(&db, &act, *id, new).await?)
}

/// Shows the latest draft as it would look on paper, marked as a draft.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate")), responses((status = 200, description = "The draft", content_type = "application/pdf", body = Vec<u8>)))]
#[get("/certificates/{id}/draft.pdf")]
pub(super) async fn preview_certificate(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Pdf, Problem> {
    let (name, bytes) = steps::preview(&db, *id).await?;
    Ok(Pdf::of(&name, bytes))
}

/// Takes out the document of an issue, byte for byte as it went out, also where it was replaced or withdrawn since.
///
/// PDF/A-2a where the typeface has every character shown. That it was taken out is on record.
#[utoipa::path(tag = "certificates", params(("id" = Uuid, Path, description = "Certificate"), ("issue" = i32, Path, description = "Issue")), responses((status = 200, description = "The document", content_type = "application/pdf", body = Vec<u8>)))]
#[get("/certificates/{id}/issues/{issue}/certificate.pdf")]
pub(super) async fn print_certificate(
    who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    path: web::Path<(Uuid, i32)>,
) -> Result<Pdf, Problem> {
    let (name, bytes) = steps::take_out(&db, &who.act_without_body(), *path).await?;
    Ok(Pdf::of(&name, bytes))
}
