//! Calculations over HTTP.

use actix_web::http::header::ContentType;
use actix_web::{HttpResponse, get, post, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::Calculate;
use ferrotitre_base::web::body::RawBody;
use ferrotitre_base::web::problem::Problem;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::service;
use crate::subject::{Calculated, Subject};
use crate::table::SUBJECTS;

/// A subject in the list.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalculationLine {
    /// Name, as in the path.
    #[schema(example = "dixon")]
    name: &'static str,
    /// What it is for.
    summary: &'static str,
    /// Where the formulae come from.
    source: &'static str,
}

/// A subject with everything a client needs to use it.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalculationDescription {
    /// Name, as in the path.
    #[schema(example = "dixon")]
    name: &'static str,
    /// What it is for.
    summary: &'static str,
    /// How it is calculated.
    method: &'static str,
    /// Where the formulae come from.
    source: &'static str,
    /// JSON Schema of the input.
    #[schema(value_type = Object)]
    input: Value,
    /// JSON Schema of `result` in the answer.
    #[schema(value_type = Object)]
    result: Value,
    /// An input that works.
    #[schema(value_type = Object)]
    example: Value,
}

impl From<&Subject> for CalculationDescription {
    fn from(subject: &Subject) -> Self {
        Self {
            name: subject.name,
            summary: subject.summary,
            method: subject.method,
            source: subject.source,
            input: subject.input_schema(),
            result: subject.result_schema(),
            example: subject.example_value(),
        }
    }
}

/// Lists the calculation subjects.
#[utoipa::path(tag = "calculations", responses((status = 200, description = "All subjects", body = Vec<CalculationLine>)))]
#[get("")]
pub(super) async fn list_calculations(_who: Allowed<Calculate>) -> web::Json<Vec<CalculationLine>> {
    let line =
        |subject: &Subject| CalculationLine { name: subject.name, summary: subject.summary, source: subject.source };
    web::Json(SUBJECTS.iter().map(line).collect())
}

/// Describes a subject: JSON Schema of input and result, and an example.
#[utoipa::path(tag = "calculations", params(("subject" = String, Path, description = "Name of the subject")), responses((status = 200, description = "The subject", body = CalculationDescription)))]
#[get("/{subject}")]
pub(super) async fn describe_calculation(
    _who: Allowed<Calculate>,
    subject: web::Path<String>,
) -> Result<web::Json<CalculationDescription>, Problem> {
    Ok(web::Json(service::subject(&subject)?.into()))
}

/// Calculates; nothing is stored. Numbers are JSON numbers of full precision here, decimals only where digits count.
#[utoipa::path(tag = "calculations", params(("subject" = String, Path, description = "Name of the subject")), request_body(content = Object, description = "Input of the subject; its schema is part of the subject's description"), responses((status = 200, description = "Figures, method, source, verdicts and working", body = Calculated<Value>)))]
#[post("/{subject}")]
pub(super) async fn calculate(
    _who: Allowed<Calculate>,
    subject: web::Path<String>,
    body: RawBody,
) -> Result<HttpResponse, Problem> {
    let answer = service::calculate(&subject, body.0).await?;
    Ok(HttpResponse::Ok().content_type(ContentType::json()).body(answer))
}
