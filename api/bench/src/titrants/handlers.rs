//! Titrants and standardisations over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    DecideDiscordance, MoveTitrants, PrepareTitrants, ReadRecords, ReleaseTitrants,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::states::{NewMove, StateMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_base::workings::{AskedForm, Shown, WorkingGraph};
use uuid::Uuid;

use crate::titrants::store::PreparationFacts;
use crate::titrants::wire::{
    FactorView, NewPreparation, NewStandardisation, NewStandardisationTitration, NewTitrant, PreparationView,
    RecordedTitrant, Rejection, StandardisationView, TitrantDetail, TitrantView,
};
use crate::titrants::{service, standardisations};

/// Records a titrant lot, with its direct preparation by mass if that is given: both or neither.
#[utoipa::path(tag = "titrants", request_body = NewTitrant, responses((status = 201, description = "Recorded", body = RecordedTitrant)))]
#[post("/titrants")]
pub(super) async fn record_titrant(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    body: Body<NewTitrant>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record(&db, &act, new).await?)
}

/// Lists titrant lots, newest first.
#[utoipa::path(tag = "titrants", params(Listing), responses((status = 200, description = "A page", body = Page<TitrantView>)))]
#[get("/titrants")]
pub(super) async fn list_titrants(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<TitrantView>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a titrant lot with its preparations, signatures and moves.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot")), responses((status = 200, description = "The lot", body = TitrantDetail)))]
#[get("/titrants/{id}")]
pub(super) async fn read_titrant(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<TitrantDetail>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Lists the factors of a lot, newest first.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot")), responses((status = 200, description = "Factors", body = Vec<FactorView>)))]
#[get("/titrants/{id}/factors")]
pub(super) async fn list_titrant_factors(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<FactorView>>, Problem> {
    Ok(web::Json(service::factors(&db, *id).await?))
}

/// Records the direct preparation of a lot by mass.
#[utoipa::path(tag = "titrants", request_body = NewPreparation, responses((status = 201, description = "Recorded, with its evaluation", body = PreparationView)))]
#[post("/preparations")]
pub(super) async fn record_titrant_preparation(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    body: Body<NewPreparation>,
) -> Result<Answer, Problem> {
    let (act, facts) = who.act(body);
    Ok(service::record_preparation(&db, &act, facts).await?)
}

/// Reads the working of a preparation as a page of text, or as the graph of its nodes.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Preparation"), AskedForm), responses((status = 200, description = "A page of working, or with as=json its graph", content((String = "text/plain"), (WorkingGraph = "application/json")))))]
#[get("/preparations/{id}/working")]
pub(super) async fn read_preparation_working(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<AskedForm>,
) -> Result<Shown, Problem> {
    Ok(service::working(&db, *id).await?.shown(&asked.0))
}

/// Corrects a preparation before its release; the version corrected is named in If-Match.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Preparation"), ("If-Match" = String, Header, description = "Version corrected")), request_body = Correction<PreparationFacts>, responses((status = 201, description = "The new version", body = PreparationView)))]
#[post("/preparations/{id}/corrections")]
pub(super) async fn correct_titrant_preparation(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<PreparationFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct_preparation(&db, &act, *id, who.if_match(), correction).await?)
}

/// Amends the preparation of a released lot, whose standard or another input was corrected; the version amended is named in If-Match.
/// The corrected factor counts once somebody who had no hand in it has released the lot again.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Preparation"), ("If-Match" = String, Header, description = "Version amended")), request_body = Correction<PreparationFacts>, responses((status = 201, description = "The new version", body = PreparationView)))]
#[post("/preparations/{id}/amendment")]
pub(super) async fn amend_titrant_preparation(
    who: Allowed<ReleaseTitrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<PreparationFacts>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::amend_preparation(&db, &act, *id, who.if_match(), correction).await?)
}

/// Releases a directly prepared lot, signed by somebody who did not prepare it; after an amendment, its corrected factor.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot")), request_body = NewSignature, responses((status = 201, description = "Released", body = TitrantView)))]
#[post("/titrants/{id}/release")]
pub(super) async fn release_titrant(
    who: Allowed<ReleaseTitrants>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(service::release(&db, &act, who.user(), **policy, *id, signature).await?)
}

/// Moves a lot to another state; an analyst may only suspend it.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot")), request_body = NewMove, responses((status = 201, description = "Moved", body = StateMove)))]
#[post("/titrants/{id}/moves")]
pub(super) async fn move_titrant(
    who: Allowed<MoveTitrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewMove>,
) -> Result<Answer, Problem> {
    let (act, asked) = who.act(body);
    Ok(service::advance(&db, &act, who.user(), *id, asked).await?)
}

/// Begins a standardisation of a lot.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot")), request_body = NewStandardisation, responses((status = 201, description = "Begun", body = StandardisationView)))]
#[post("/titrants/{id}/standardisations")]
pub(super) async fn record_standardisation(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewStandardisation>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(standardisations::record(&db, &act, *id, new).await?)
}

/// Lists the standardisations of a lot, newest first.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titrant lot")), responses((status = 200, description = "Standardisations", body = Vec<StandardisationView>)))]
#[get("/titrants/{id}/standardisations")]
pub(super) async fn list_standardisations(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<StandardisationView>>, Problem> {
    Ok(web::Json(standardisations::list(&db, *id).await?))
}

/// Reads a standardisation with its evaluation.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation")), responses((status = 200, description = "The standardisation", body = StandardisationView)))]
#[get("/standardisations/{id}")]
pub(super) async fn read_standardisation(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<StandardisationView>, Problem> {
    Ok(web::Json(standardisations::read(&db, *id).await?))
}

/// Reads the working of a standardisation as a page of text, or as the graph of its nodes.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation"), AskedForm), responses((status = 200, description = "A page of working, or with as=json its graph", content((String = "text/plain"), (WorkingGraph = "application/json")))))]
#[get("/standardisations/{id}/working")]
pub(super) async fn read_standardisation_working(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<AskedForm>,
) -> Result<Shown, Problem> {
    Ok(standardisations::working(&db, *id).await?.shown(&asked.0))
}

/// Records a replicate or blank of a standardisation.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation")), request_body = NewStandardisationTitration, responses((status = 201, description = "Recorded; the standardisation as it now stands", body = StandardisationView)))]
#[post("/standardisations/{id}/titrations")]
pub(super) async fn record_standardisation_titration(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewStandardisationTitration>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(standardisations::record_titration(&db, &act, *id, new).await?)
}

/// Corrects a titration of a standardisation; the version corrected is named in If-Match.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titration"), ("If-Match" = String, Header, description = "Version corrected")), request_body = Correction<NewStandardisationTitration>, responses((status = 201, description = "Corrected; the standardisation as it now stands", body = StandardisationView)))]
#[post("/standardisation-titrations/{id}/corrections")]
pub(super) async fn correct_standardisation_titration(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Correction<NewStandardisationTitration>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(standardisations::correct_titration(&db, &act, *id, who.if_match(), correction).await?)
}

/// Rejects a titration of a standardisation, with its cause; it stays on record.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Titration")), request_body = Rejection, responses((status = 201, description = "Rejected; the standardisation as it now stands", body = StandardisationView)))]
#[post("/standardisation-titrations/{id}/rejection")]
pub(super) async fn reject_standardisation_titration(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Rejection>,
) -> Result<Answer, Problem> {
    let (act, rejection) = who.act(body);
    Ok(standardisations::reject_titration(&db, &act, *id, rejection).await?)
}

/// Submits a standardisation, signed by its author.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation")), request_body = NewSignature, responses((status = 201, description = "Submitted", body = StandardisationView)))]
#[post("/standardisations/{id}/submission")]
pub(super) async fn submit_standardisation(
    who: Allowed<PrepareTitrants>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    let step = standardisations::Step::Submit;
    Ok(standardisations::sign(&db, &act, who.user(), **policy, *id, step, signature).await?)
}

/// Decides that the factor of replicates which disagree may be used: signed, with a reason, by somebody who had no hand in it;
/// needed before it is approved.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation")), request_body = NewSignature, responses((status = 201, description = "Decided", body = StandardisationView)))]
#[post("/standardisations/{id}/discordance-decision")]
pub(super) async fn decide_standardisation_discordance(
    who: Allowed<DecideDiscordance>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(standardisations::decide(&db, &act, who.user(), **policy, *id, signature).await?)
}

/// Amends an approved standardisation, with a reason: it is read from the present rows again, and approved anew its factor takes the
/// place of the one before, from the same moment.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation")), request_body = NewSignature, responses((status = 201, description = "Opened for amendment", body = StandardisationView)))]
#[post("/standardisations/{id}/amendment")]
pub(super) async fn amend_standardisation(
    who: Allowed<ReleaseTitrants>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    let step = standardisations::Step::Amend;
    Ok(standardisations::sign(&db, &act, who.user(), **policy, *id, step, signature).await?)
}

/// Approves a standardisation, signed by somebody who had no hand in it; its factor comes into force.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation")), request_body = NewSignature, responses((status = 201, description = "Approved", body = StandardisationView)))]
#[post("/standardisations/{id}/approval")]
pub(super) async fn approve_standardisation(
    who: Allowed<ReleaseTitrants>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    let step = standardisations::Step::Approve;
    Ok(standardisations::sign(&db, &act, who.user(), **policy, *id, step, signature).await?)
}

/// Returns a standardisation to its author, with a reason.
#[utoipa::path(tag = "titrants", params(("id" = Uuid, Path, description = "Standardisation")), request_body = NewSignature, responses((status = 201, description = "Returned", body = StandardisationView)))]
#[post("/standardisations/{id}/return")]
pub(super) async fn return_standardisation(
    who: Allowed<ReleaseTitrants>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    let step = standardisations::Step::Return;
    Ok(standardisations::sign(&db, &act, who.user(), **policy, *id, step, signature).await?)
}
