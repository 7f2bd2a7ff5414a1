//! Validation studies over HTTP.

use std::sync::Arc;

use actix_web::http::header::ContentType;
use actix_web::{HttpResponse, get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ApproveValidation, ConductValidation, ReadRecords, ReviewValidation};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::answer::{Answer, Picture, PlainText};
use ferrotitre_base::web::body::{Body, LargeBody, Params};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::workings::{AskedForm, Form};
use ferrotitre_ledger::imports::NewImport;
use futures_util::TryStreamExt;
use serde::Serialize;
use uuid::Uuid;

use crate::validation_studies::answer::{CharacteristicAnswer, StudyAnswers};
use crate::validation_studies::conclusions::{self, Decision};
use crate::validation_studies::data::{self, ExclusionView, NewData, NewExclusion, Recorded};
use crate::validation_studies::import::{self, DataPreview};
use crate::validation_studies::open::Open;
use crate::validation_studies::wire::{NewAmendment, NewConclusion, NewStudy, StudyView};
use crate::validation_studies::workings::{self, StatisticGraph, StatisticWorking};
use crate::validation_studies::{picture, plan, reading};

/// Records the plan of a validation study, whole: characteristics, designs, sizes, limits of acceptance.
#[utoipa::path(tag = "validation", request_body = NewStudy, responses((status = 201, description = "Recorded", body = StudyView)))]
#[post("/validation-studies")]
pub(super) async fn record_validation_study(
    who: Allowed<ConductValidation>,
    db: web::Data<Db>,
    body: Body<NewStudy>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(plan::record(&db, &act, new).await?)
}

/// Lists validation studies, newest first.
#[utoipa::path(tag = "validation", params(Listing), responses((status = 200, description = "A page", body = Page<StudyView>)))]
#[get("/validation-studies")]
pub(super) async fn list_validation_studies(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<web::Json<Page<StudyView>>, Problem> {
    Ok(web::Json(reading::list(&db, &listing.0).await?))
}

/// Reads a validation study: plan, amendments, signatures, conclusions.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), responses((status = 200, description = "The study", body = StudyView)))]
#[get("/validation-studies/{id}")]
pub(super) async fn read_validation_study(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<StudyView>, Problem> {
    Ok(web::Json(reading::read(&db, *id).await?))
}

/// Reads the answers of a study: statistics with intervals, limits, verdicts, what is missing.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), responses((status = 200, description = "The answers", body = StudyAnswers)))]
#[get("/validation-studies/{id}/answers")]
pub(super) async fn read_validation_answers(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let open = Open::study(&db, *id).await?;
    let text = json(&open.answers)?;
    sent(&db, open, &text).await
}

fn json(value: &impl Serialize) -> Result<String, Refusal> {
    serde_json::to_string(value).map_err(Refusal::internal)
}

/// Answers as JSON; where there are many data, as they are read.
async fn sent(db: &Db, open: Open, text: &str) -> Result<HttpResponse, Problem> {
    let short = open.is_short();
    let pieces = Arc::new(open).pieces(db.clone(), text, json)?;
    let mut response = HttpResponse::Ok();
    response.content_type(ContentType::json());
    Ok(if short {
        response.body(pieces.try_collect::<Vec<String>>().await?.concat())
    } else {
        response.streaming(pieces.map_ok(web::Bytes::from))
    })
}

/// Reads the answer to one characteristic.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic")), responses((status = 200, description = "The answer", body = CharacteristicAnswer)))]
#[get("/validation-characteristics/{id}/answer")]
pub(super) async fn read_validation_answer(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let open = Open::characteristic(&db, *id).await?;
    let text = open.answers.characteristics.iter().map(json).collect::<Result<String, _>>()?;
    sent(&db, open, &text).await
}

/// Draws the answer to one characteristic.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic")), responses((status = 200, description = "The picture", content_type = "image/svg+xml", body = String)))]
#[get("/validation-characteristics/{id}/answer.svg")]
pub(super) async fn draw_validation_answer(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<Picture, Problem> {
    Ok(Picture(picture::draw(&db, *id).await?))
}

/// Reads the workings of a study's statistics: each as the graph of its nodes over the data that count.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), responses((status = 200, description = "Every statistic that has a closed form, in the order of the answers", body = Vec<StatisticGraph>)))]
#[get("/validation-studies/{id}/workings")]
pub(super) async fn read_validation_workings(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<Vec<StatisticGraph>>, Problem> {
    Ok(web::Json(workings::graphs(&db, *id).await?))
}

/// Reads the workings of the statistics of one characteristic as a page of text, or as the graphs of their nodes.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic"), AskedForm), responses((status = 200, description = "A page of workings, or with as=json their graphs", content((String = "text/plain"), (Vec<StatisticGraph> = "application/json")))))]
#[get("/validation-characteristics/{id}/workings")]
pub(super) async fn read_validation_characteristic_workings(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    asked: Params<AskedForm>,
) -> Result<HttpResponse, Problem> {
    let found = workings::workings(&db, *id).await?;
    Ok(match asked.0.form {
        Form::Text => HttpResponse::Ok().content_type(ContentType::plaintext()).body(workings::page(&found)),
        Form::Json => HttpResponse::Ok().json(found.into_iter().map(StatisticWorking::view).collect::<Vec<_>>()),
    })
}

/// Proposes other limits for a characteristic of a running study; the planned ones stay beside them for good.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic")), request_body = NewAmendment, responses((status = 201, description = "Proposed", body = Recorded)))]
#[post("/validation-characteristics/{id}/amendments")]
pub(super) async fn amend_validation_limits(
    who: Allowed<ConductValidation>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewAmendment>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(plan::amend(&db, &act, *id, new).await?)
}

/// Records data: values with their labels, or determinations whose evaluations give the values.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic")), request_body = NewData, responses((status = 201, description = "Recorded", body = Recorded)))]
#[post("/validation-characteristics/{id}/data")]
pub(super) async fn record_validation_data(
    who: Allowed<ConductValidation>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewData>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(data::record(&db, &act, *id, new).await?)
}

/// The table of a characteristic to fill in.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic")), responses((status = 200, description = "The template", content_type = "text/plain", body = String)))]
#[get("/validation-characteristics/{id}/template")]
pub(super) async fn read_validation_template(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<PlainText, Problem> {
    Ok(PlainText(import::template(&db, *id).await?))
}

/// Says what a table would become; nothing is stored.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic")), request_body = NewImport, responses((status = 200, description = "What it would become", body = DataPreview)))]
#[post("/validation-characteristics/{id}/imports/preview")]
pub(super) async fn preview_validation_data(
    who: Allowed<ConductValidation>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: LargeBody<NewImport>,
) -> Result<web::Json<DataPreview>, Problem> {
    let (_, file) = who.act(body.0);
    Ok(web::Json(import::preview(&db, *id, &file).await?))
}

/// Imports a table: every row becomes a datum, or none does; the file is kept.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Characteristic")), request_body = NewImport, responses((status = 201, description = "Imported", body = Recorded)))]
#[post("/validation-characteristics/{id}/imports")]
pub(super) async fn import_validation_data(
    who: Allowed<ConductValidation>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: LargeBody<NewImport>,
) -> Result<Answer, Problem> {
    let (act, file) = who.act(body.0);
    Ok(import::import(&db, &act, *id, file).await?)
}

/// Proposes to leave a datum out, with an assigned cause; it stays in the record and in the answer with everything.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Datum")), request_body = NewExclusion, responses((status = 201, description = "Proposed", body = ExclusionView)))]
#[post("/validation-data/{id}/exclusions")]
pub(super) async fn exclude_validation_datum(
    who: Allowed<ConductValidation>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewExclusion>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(data::exclude(&db, &act, *id, new).await?)
}

/// Concludes a study: signed by the author of the conclusion, with validated range, matrix and residual limitations.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), request_body = NewConclusion, responses((status = 201, description = "Concluded", body = StudyView)))]
#[post("/validation-studies/{id}/conclusions")]
pub(super) async fn conclude_validation_study(
    who: Allowed<ConductValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewConclusion>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, new) = who.act(body);
    Ok(conclusions::conclude(&db, &act, &user, **policy, *id, new).await?)
}

/// Approves a plan, signed by someone other than its author; from then on it is frozen and data are taken.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), request_body = NewSignature, responses((status = 201, description = "Signed", body = StudyView)))]
#[post("/validation-studies/{id}/plan-approval")]
pub(super) async fn approve_validation_plan(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(plan::decide(&db, &act, &user, **policy, (*id, true), signature).await?)
}

/// Rejects a plan, with a reason.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), request_body = NewSignature, responses((status = 201, description = "Signed", body = StudyView)))]
#[post("/validation-studies/{id}/plan-rejection")]
pub(super) async fn reject_validation_plan(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(plan::decide(&db, &act, &user, **policy, (*id, false), signature).await?)
}

/// Approves an amendment of limits, signed by someone other than its proposer and the author of the plan.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Amendment")), request_body = NewSignature, responses((status = 201, description = "Signed", body = Recorded)))]
#[post("/validation-amendments/{id}/approval")]
pub(super) async fn approve_validation_amendment(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(plan::decide_amendment(&db, &act, &user, **policy, (*id, true), signature).await?)
}

/// Rejects an amendment of limits, with a reason.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Amendment")), request_body = NewSignature, responses((status = 201, description = "Signed", body = Recorded)))]
#[post("/validation-amendments/{id}/rejection")]
pub(super) async fn reject_validation_amendment(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(plan::decide_amendment(&db, &act, &user, **policy, (*id, false), signature).await?)
}

/// Signs an exclusion, as a second person.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Exclusion")), request_body = NewSignature, responses((status = 201, description = "Signed", body = ExclusionView)))]
#[post("/validation-exclusions/{id}/approval")]
pub(super) async fn approve_validation_exclusion(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(data::decide_exclusion(&db, &act, &user, **policy, (*id, true), signature).await?)
}

/// Refuses an exclusion, with a reason: the datum counts.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Exclusion")), request_body = NewSignature, responses((status = 201, description = "Signed", body = ExclusionView)))]
#[post("/validation-exclusions/{id}/rejection")]
pub(super) async fn reject_validation_exclusion(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(data::decide_exclusion(&db, &act, &user, **policy, (*id, false), signature).await?)
}

/// Reviews the conclusion, by somebody who had no hand in the study.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), request_body = NewSignature, responses((status = 201, description = "Signed", body = StudyView)))]
#[post("/validation-studies/{id}/review")]
pub(super) async fn review_validation_conclusion(
    who: Allowed<ReviewValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(conclusions::decide(&db, &act, &user, **policy, (*id, Decision::Review), signature).await?)
}

/// Returns the conclusion, with a reason: the study runs on.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), request_body = NewSignature, responses((status = 201, description = "Signed", body = StudyView)))]
#[post("/validation-studies/{id}/return")]
pub(super) async fn return_validation_conclusion(
    who: Allowed<ReviewValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(conclusions::decide(&db, &act, &user, **policy, (*id, Decision::Return), signature).await?)
}

/// Approves the reviewed conclusion; from then on results outside its range or matrix are flagged.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), request_body = NewSignature, responses((status = 201, description = "Signed", body = StudyView)))]
#[post("/validation-studies/{id}/approval")]
pub(super) async fn approve_validation_conclusion(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(conclusions::decide(&db, &act, &user, **policy, (*id, Decision::Approve), signature).await?)
}

/// Rejects the conclusion for good, with a reason.
#[utoipa::path(tag = "validation", params(("id" = Uuid, Path, description = "Study")), request_body = NewSignature, responses((status = 201, description = "Signed", body = StudyView)))]
#[post("/validation-studies/{id}/rejection")]
pub(super) async fn reject_validation_conclusion(
    who: Allowed<ApproveValidation>,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    body: Body<NewSignature>,
) -> Result<Answer, Problem> {
    let user = who.user().clone();
    let (act, signature) = who.act(body);
    Ok(conclusions::decide(&db, &act, &user, **policy, (*id, Decision::Reject), signature).await?)
}
