//! Rounds over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, RecordRounds, WithdrawRounds};
use ferrotitre_base::db::Db;
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::{Answer, Picture, Versioned};
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::Page;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use uuid::Uuid;

use crate::proficiency_rounds::service;
use crate::proficiency_rounds::store::RoundFacts;
use crate::proficiency_rounds::wire::{HistoryQuestion, RoundHistory, RoundListing, RoundView};

/// Records a round of a proficiency test; a warning or action signal opens a nonconformity in the same transaction.
#[utoipa::path(tag = "proficiency rounds", request_body = RoundFacts, responses((status = 201, description = "Recorded, with its scores", body = RoundView)))]
#[post("/proficiency-rounds")]
pub(super) async fn record_proficiency_round(
    who: Allowed<RecordRounds>,
    db: web::Data<Db>,
    body: Body<RoundFacts>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(service::record(&db, &act, facts).await?)
}

/// Lists rounds with their scores, newest first.
#[utoipa::path(tag = "proficiency rounds", params(RoundListing), responses((status = 200, description = "A page", body = Page<RoundView>)))]
#[get("/proficiency-rounds")]
pub(super) async fn list_proficiency_rounds(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<RoundListing>,
) -> Result<web::Json<Page<RoundView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Draws the scores of a series over time.
#[utoipa::path(tag = "proficiency rounds", params(HistoryQuestion), responses((status = 200, description = "The picture", content_type = "image/svg+xml", body = String)))]
#[get("/proficiency-rounds/history.svg")]
pub(super) async fn draw_proficiency_history(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    question: Params<HistoryQuestion>,
) -> Result<Picture, Problem> {
    Ok(Picture(service::history(&db, &question.0).await?))
}

/// Reads a round with its versions, scores and nonconformities.
#[utoipa::path(tag = "proficiency rounds", params(("id" = Uuid, Path, description = "Round")), responses((status = 200, description = "All versions", body = RoundHistory)))]
#[get("/proficiency-rounds/{id}")]
pub(super) async fn read_proficiency_round(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Versioned<RoundHistory>, Problem> {
    Ok(service::read(&db, *id).await?)
}

/// Corrects a round; the version corrected is named in If-Match. A verdict that becomes worse opens a nonconformity.
#[utoipa::path(tag = "proficiency rounds", params(("id" = Uuid, Path, description = "Round"), ("If-Match" = String, Header, description = "ETag of the version corrected")), request_body = Correction<RoundFacts>, responses((status = 201, description = "The new version", body = RoundView)))]
#[post("/proficiency-rounds/{id}/corrections")]
pub(super) async fn correct_proficiency_round(
    who: Allowed<RecordRounds>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<RoundFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct(&db, &act, *id, who.if_match(), correction).await?)
}

/// Withdraws a round, with a reason, as when its provider does; it stays on record and leaves the history's picture.
#[utoipa::path(tag = "proficiency rounds", params(("id" = Uuid, Path, description = "Round")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/proficiency-rounds/{id}/moves")]
pub(super) async fn move_proficiency_round(
    who: Allowed<WithdrawRounds>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, *id, asked).await?)
}
