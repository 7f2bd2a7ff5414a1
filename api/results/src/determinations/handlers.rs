//! Determinations, titrations, iron results, signatures and concessions over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    ApproveDeterminations, ConductRuns, CountersignTitrations, DecideDiscordance, JudgeTitrations, ReadRecords,
    RecordTitrations, RequestConcessions, ReviewDeterminations, SignConcessions, SubmitDeterminations,
};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::{self, NewSignature, SignOff};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{Body, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_base::workings::{AskedForm, Shown, WorkingGraph};
use ferrotitre_bench::concessions::{self, ConcessionView, NewConcession};
use ferrotitre_bench::titrants::wire::Rejection;
use uuid::Uuid;

use crate::determinations::iron_results::{self, IronResultView};
use crate::determinations::joint::{AskedJoint, JointView};
use crate::determinations::listing::{DeterminationLine, DeterminationListing};
use crate::determinations::planning::iron3::Iron3MapView;
use crate::determinations::planning::wire::{AskedPlan, PlanView};
use crate::determinations::steps::{self, Step};
use crate::determinations::wire::{
    DeterminationView, NewDetermination, NewIronResult, NewTitration, SignOffListing, TitrationHistory, TitrationView,
};
use crate::determinations::{discordance, joint, planning, service, supervision};

/// Begins a determination of a test portion in an open run.
#[utoipa::path(tag = "determinations", request_body = NewDetermination, responses((status = 201, description = "Begun", body = DeterminationView)))]
#[post("/determinations")]
pub(super) async fn record_determination(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    body: Body<NewDetermination>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record(&db, &act, new).await?)
}

/// Lists determinations, newest first.
#[utoipa::path(tag = "determinations", params(DeterminationListing), responses((status = 200, description = "A page", body = Page<DeterminationLine>)))]
#[get("/determinations")]
pub(super) async fn list_determinations(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<DeterminationListing>,
) -> Result<web::Json<Page<DeterminationLine>>, Problem> {
    Ok(web::Json(service::list(&db, &listing.0).await?))
}

/// Reads a determination: every titration, the evaluation with verdicts and working, signatures, history.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), responses((status = 200, description = "The determination", body = DeterminationView)))]
#[get("/determinations/{id}")]
pub(super) async fn read_determination(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<DeterminationView>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Reads the working of a determination as a page of text, or as the graph of its nodes.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination"), AskedForm), responses((status = 200, description = "A page of working, or with as=json its graph", content((String = "text/plain"), (WorkingGraph = "application/json")))))]
#[get("/determinations/{id}/working")]
pub(super) async fn read_determination_working(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<AskedForm>,
) -> Result<Shown, Problem> {
    Ok(service::working(&db, *id).await?.shown(&asked.0))
}

/// Says what would lower the uncertainty of a determination, for which cost: other vessels, burettes and lots that may be used
/// today, more titres, blanks and runs, each combination evaluated as the determination itself is. Nothing is stored.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination"), AskedPlan), responses((status = 200, description = "Single changes, the cheapest way to the target, and those that no other beats", body = PlanView)))]
#[get("/determinations/{id}/plan")]
pub(super) async fn read_determination_plan(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<AskedPlan>,
) -> Result<web::Json<PlanView>, Problem> {
    Ok(web::Json(planning::read(&db, *id, asked.0).await?))
}

/// Says how well iron(III) by difference can be known for a share of iron(II), with the aliquots at hand: each evaluated as the
/// result itself is. Nothing is stored.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), responses((status = 200, description = "By aliquot and share", body = Iron3MapView)))]
#[get("/iron-results/{id}/plan")]
pub(super) async fn read_iron_result_plan(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Iron3MapView>, Problem> {
    Ok(web::Json(planning::iron3::read(&db, *id).await?))
}

/// Takes several signed results together, with what they share: covariances, mean, sum, difference, and any combination.
#[utoipa::path(tag = "determinations", params(AskedJoint), responses((status = 200, description = "Results with everything between them", body = JointView)))]
#[get("/joint-results")]
pub(super) async fn read_joint_results(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    asked: Params<AskedJoint>,
) -> Result<web::Json<JointView>, Problem> {
    Ok(web::Json(joint::read(&db, &asked.0).await?))
}

/// Records a titration; the answer is the determination as it now stands.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewTitration, responses((status = 201, description = "Recorded", body = DeterminationView)))]
#[post("/determinations/{id}/titrations")]
pub(super) async fn record_titration(
    who: Allowed<RecordTitrations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewTitration>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::record_titration(&db, &act, who.user(), **policy, *id, new).await?)
}

/// Lists every titration ever made for a determination, all versions, in order.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), responses((status = 200, description = "Titrations", body = Vec<TitrationView>)))]
#[get("/determinations/{id}/titrations")]
pub(super) async fn list_titrations(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<TitrationView>>, Problem> {
    Ok(web::Json(service::titrations(&db, *id).await?))
}

/// Reads a titration with all its versions.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Titration")), responses((status = 200, description = "All versions", body = TitrationHistory)))]
#[get("/titrations/{id}")]
pub(super) async fn read_titration(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<TitrationHistory>, Problem> {
    Ok(web::Json(service::titration(&db, *id).await?))
}

/// Corrects a titration with a reason; the version corrected is named in If-Match, the old one stays visible.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Titration"), ("If-Match" = String, Header, description = "Version corrected")), request_body = Correction<NewTitration>, responses((status = 201, description = "Corrected; the determination as it now stands", body = DeterminationView)))]
#[post("/titrations/{id}/corrections")]
pub(super) async fn correct_titration(
    who: Allowed<JudgeTitrations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<Correction<NewTitration>>,
) -> Result<Answer, Problem> {
    let (act, correction) = who.act(body);
    Ok(service::correct_titration(&db, &act, who.user(), **policy, (*id, who.if_match()), correction).await?)
}

/// Rejects a titration with an assignable cause; it stays on record.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Titration")), request_body = Rejection, responses((status = 201, description = "Rejected; the determination as it now stands", body = DeterminationView)))]
#[post("/titrations/{id}/rejection")]
pub(super) async fn reject_titration(
    who: Allowed<JudgeTitrations>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<Rejection>,
) -> Result<Answer, Problem> {
    let (act, rejection) = who.act(body);
    Ok(service::reject_titration(&db, &act, who.user(), *id, rejection).await?)
}

/// Countersigns titrations made under one's supervision, as they now stand; needed before the determination is submitted.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewSignature, responses((status = 201, description = "Countersigned", body = DeterminationView)))]
#[post("/determinations/{id}/countersignature")]
pub(super) async fn countersign_determination(
    who: Allowed<CountersignTitrations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(supervision::countersign(&db, &act, who.user(), **policy, *id, signature).await?)
}

/// Decides that a discordant result may be reported: signed, with a reason, by somebody who had no hand in it; needed before it
/// is approved.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewSignature, responses((status = 201, description = "Decided; as it now stands", body = DeterminationView)))]
#[post("/determinations/{id}/discordance-decision")]
pub(super) async fn decide_discordance(
    who: Allowed<DecideDiscordance>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(discordance::decide(&db, &act, who.user(), **policy, *id, signature).await?)
}

/// Submits a determination, signed by its author.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = DeterminationView)))]
#[post("/determinations/{id}/submission")]
pub(super) async fn submit_determination(
    who: Allowed<SubmitDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::determination(&db, &act, who.user(), **policy, (*id, Step::Submit), signature).await?)
}

/// Reviews a determination of others; an analyst needs to be authorised for the method.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = DeterminationView)))]
#[post("/determinations/{id}/review")]
pub(super) async fn review_determination(
    who: Allowed<ReviewDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::determination(&db, &act, who.user(), **policy, (*id, Step::Review), signature).await?)
}

/// Returns a determination to its author, with a reason.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = DeterminationView)))]
#[post("/determinations/{id}/return")]
pub(super) async fn return_determination(
    who: Allowed<ReviewDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::determination(&db, &act, who.user(), **policy, (*id, Step::Return), signature).await?)
}

/// Approves a determination of others: the evaluation, the digest of its inputs and the formulae are frozen.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = DeterminationView)))]
#[post("/determinations/{id}/approval")]
pub(super) async fn approve_determination(
    who: Allowed<ApproveDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::determination(&db, &act, who.user(), **policy, (*id, Step::Approve), signature).await?)
}

/// Reopens an approved record with a reason: its signatures are no longer valid, somebody else approves anew.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Determination")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = DeterminationView)))]
#[post("/determinations/{id}/amendment")]
pub(super) async fn amend_determination(
    who: Allowed<ApproveDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::determination(&db, &act, who.user(), **policy, (*id, Step::Amend), signature).await?)
}

/// Records iron(III) by difference of two determinations of one sample.
#[utoipa::path(tag = "determinations", request_body = NewIronResult, responses((status = 201, description = "Recorded", body = IronResultView)))]
#[post("/iron-results")]
pub(super) async fn record_iron_result(
    who: Allowed<ConductRuns>,
    db: web::Data<Db>,
    body: Body<NewIronResult>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(iron_results::record(&db, &act, new).await?)
}

/// Lists iron results, newest first.
#[utoipa::path(tag = "determinations", params(Listing), responses((status = 200, description = "A page", body = Page<IronResultView>)))]
#[get("/iron-results")]
pub(super) async fn list_iron_results(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<IronResultView>>, Problem> {
    Ok(web::Json(iron_results::list(&db, &listing.0).await?))
}

/// Reads iron(II), total iron and iron(III) of a sample.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), responses((status = 200, description = "The result", body = IronResultView)))]
#[get("/iron-results/{id}")]
pub(super) async fn read_iron_result(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<IronResultView>, Problem> {
    Ok(web::Json(iron_results::read(&db, *id).await?))
}

/// Reads the working of an iron result as a page of text, or as the graph of its nodes.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result"), AskedForm), responses((status = 200, description = "A page of working, or with as=json its graph", content((String = "text/plain"), (WorkingGraph = "application/json")))))]
#[get("/iron-results/{id}/working")]
pub(super) async fn read_iron_result_working(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<AskedForm>,
) -> Result<Shown, Problem> {
    Ok(iron_results::working(&db, *id).await?.shown(&asked.0))
}

/// Submits an iron result, signed by its author.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = IronResultView)))]
#[post("/iron-results/{id}/submission")]
pub(super) async fn submit_iron_result(
    who: Allowed<SubmitDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::iron_result(&db, &act, who.user(), **policy, (*id, Step::Submit), signature).await?)
}

/// Reviews an iron result of others; an analyst needs to be authorised for the method.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = IronResultView)))]
#[post("/iron-results/{id}/review")]
pub(super) async fn review_iron_result(
    who: Allowed<ReviewDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::iron_result(&db, &act, who.user(), **policy, (*id, Step::Review), signature).await?)
}

/// Returns an iron result to its author, with a reason.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = IronResultView)))]
#[post("/iron-results/{id}/return")]
pub(super) async fn return_iron_result(
    who: Allowed<ReviewDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::iron_result(&db, &act, who.user(), **policy, (*id, Step::Return), signature).await?)
}

/// Approves an iron result of others: the evaluation, the digest of its inputs and the formulae are frozen.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = IronResultView)))]
#[post("/iron-results/{id}/approval")]
pub(super) async fn approve_iron_result(
    who: Allowed<ApproveDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::iron_result(&db, &act, who.user(), **policy, (*id, Step::Approve), signature).await?)
}

/// Reopens an approved record with a reason: its signatures are no longer valid, somebody else approves anew.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Iron result")), request_body = NewSignature, responses((status = 201, description = "Signed; as it now stands", body = IronResultView)))]
#[post("/iron-results/{id}/amendment")]
pub(super) async fn amend_iron_result(
    who: Allowed<ApproveDeterminations>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(steps::iron_result(&db, &act, who.user(), **policy, (*id, Step::Amend), signature).await?)
}

/// Lists the signatures of a thing, oldest first, each with the evaluation as it stood.
#[utoipa::path(tag = "determinations", params(SignOffListing), responses((status = 200, description = "Signatures; whether one still holds is shown on the signed thing itself", body = Vec<SignOff>)))]
#[get("/sign-offs")]
pub(super) async fn list_sign_offs(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<SignOffListing>,
) -> Result<web::Json<Vec<SignOff>>, Problem> {
    Ok(web::Json(sign_offs::list(&db, listing.0.entity).await?))
}

/// Asks for a concession to use an expired or overdue item.
#[utoipa::path(tag = "determinations", request_body = NewConcession, responses((status = 201, description = "Recorded", body = ConcessionView)))]
#[post("/concessions")]
pub(super) async fn request_concession(
    who: Allowed<RequestConcessions>,
    db: web::Data<Db>,
    body: Body<NewConcession>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(concessions::request(&db, &act, new).await?)
}

/// Lists concessions, newest first.
#[utoipa::path(tag = "determinations", params(Listing), responses((status = 200, description = "A page", body = Page<ConcessionView>)))]
#[get("/concessions")]
pub(super) async fn list_concessions(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<ConcessionView>>, Problem> {
    Ok(web::Json(concessions::list(&db, &listing.0).await?))
}

/// Reads a concession.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Concession")), responses((status = 200, description = "The concession", body = ConcessionView)))]
#[get("/concessions/{id}")]
pub(super) async fn read_concession(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<ConcessionView>, Problem> {
    Ok(web::Json(concessions::read(&db, *id).await?))
}

/// Signs a concession; the second manager's signature grants it.
#[utoipa::path(tag = "determinations", params(("id" = Uuid, Path, description = "Concession")), request_body = NewSignature, responses((status = 201, description = "Signed", body = ConcessionView)))]
#[post("/concessions/{id}/signatures")]
pub(super) async fn sign_concession(
    who: Allowed<SignConcessions>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let (act, signature) = who.act(body);
    Ok(concessions::sign(&db, &act, who.user(), **policy, *id, signature).await?)
}
