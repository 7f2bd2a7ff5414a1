//! Budgets against charts over HTTP.

use actix_web::{get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ApproveMethods, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::Body;
use ferrotitre_base::web::problem::Problem;
use uuid::Uuid;

use crate::budgets::service;
use crate::budgets::wire::{BudgetDecisionView, BudgetsView, NewBudgetDecision};

/// Holds the uncertainty budget of each version of a method against the control charts of the method.
///
/// Scatter between runs is tested against chi-squared (NIST/SEMATECH e-Handbook 7.2.3), the bias against its own uncertainty.
/// A version whose budget is refuted has no result approved that is judged against a specification, until a version that takes
/// in what the charts saw is approved, or a manager says why it may.
#[utoipa::path(tag = "methods", params(("id" = Uuid, Path, description = "Method")), responses((status = 200, description = "Each version against each chart", body = BudgetsView)))]
#[get("/methods/{id}/budget")]
pub(super) async fn read_budget(
    _who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<web::Json<BudgetsView>, Problem> {
    Ok(web::Json(service::read(&db, *id).await?))
}

/// Says why results of a version go on being judged although a chart refutes its budget, for the phase in force of that chart.
#[utoipa::path(tag = "methods", params(("id" = Uuid, Path, description = "Method")), request_body = NewBudgetDecision, responses((status = 201, description = "Recorded", body = BudgetDecisionView)))]
#[post("/methods/{id}/budget/decisions")]
pub(super) async fn decide_budget(
    who: Allowed<ApproveMethods>,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    body: Body<NewBudgetDecision>,
) -> Result<Answer, Problem> {
    let (act, new) = who.act(body);
    Ok(service::decide(&db, &act, *id, new).await?)
}
