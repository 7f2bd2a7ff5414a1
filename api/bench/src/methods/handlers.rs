//! Methods and titration chemistries over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ApproveMethods, DraftMethods, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, History, VersionView};
use uuid::Uuid;

use crate::methods::outlines::{OUTLINES, Outline, OutlineView};
use crate::methods::service;
use crate::methods::store::MethodFacts;
use crate::methods::wire::{Chemistries, DraftedMethods, NewMethods};

/// Records a method.
#[utoipa::path(tag = "methods", request_body = MethodFacts, responses((status = 201, description = "Recorded", body = VersionView<MethodFacts>)))]
#[post("/methods")]
pub(super) async fn record_method(
    who: Allowed<DraftMethods>,
    db: web::Data<Db>,
    body: Body<MethodFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(service::record(&db, &act, facts).await?)
}

/// Records several methods: all of them or none.
#[utoipa::path(tag = "methods", request_body = NewMethods, responses((status = 201, description = "Recorded, all of them", body = DraftedMethods)))]
#[post("/methods/several")]
pub(super) async fn record_methods(
    who: Allowed<DraftMethods>,
    db: web::Data<Db>,
    body: Body<NewMethods>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record_several(&db, &act, new).await?)
}

/// Lists methods, newest first.
#[utoipa::path(tag = "methods", params(Listing), responses((status = 200, description = "A page", body = Page<VersionView<MethodFacts>>)))]
#[get("/methods")]
pub(super) async fn list_methods(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<VersionView<MethodFacts>>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a method with all its versions.
#[utoipa::path(tag = "methods", params(("id" = Uuid, Path, description = "Method")), responses((status = 200, description = "All versions", body = History<MethodFacts>)))]
#[get("/methods/{id}")]
pub(super) async fn read_method(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<History<MethodFacts>>, Problem> {
    Ok(service::read(&db, *id).await?)
}

/// Drafts the next version of a method; the version it follows is named in If-Match.
#[utoipa::path(tag = "methods", params(("id" = Uuid, Path, description = "Method"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<MethodFacts>, responses((status = 201, description = "The new version", body = VersionView<MethodFacts>)))]
#[post("/methods/{id}/corrections")]
pub(super) async fn revise_method(
    who: Allowed<DraftMethods>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<MethodFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Moves a method to another state.
#[utoipa::path(tag = "methods", params(("id" = Uuid, Path, description = "Method")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/methods/{id}/moves")]
pub(super) async fn move_method(
    who: Allowed<ApproveMethods>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, *id, asked).await?)
}

/// Lists the titration chemistries, standards, indicators and reductions the service knows, with their cautions.
#[utoipa::path(tag = "methods", responses((status = 200, description = "Entries", body = Chemistries)))]
#[get("/chemistries")]
pub(super) async fn list_chemistries(_who: Allowed<ReadRecords>) -> web::Json<Chemistries> {
    web::Json(Chemistries::all())
}

/// Lists outlines of methods to begin with: what is proposed for each rule, why, by which published source, and what is to be
/// validated before use.
#[utoipa::path(tag = "methods", responses((status = 200, description = "Outlines, mercury-free ones first", body = Vec<OutlineView>)))]
#[get("/method-outlines")]
pub(super) async fn list_method_outlines(_who: Allowed<ReadRecords>) -> web::Json<Vec<OutlineView>> {
    web::Json(OUTLINES.iter().map(Outline::view).collect())
}
