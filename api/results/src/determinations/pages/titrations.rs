//! Correcting and rejecting a titration. Nothing is overwritten; a rejected one stays in sight.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::JudgeTitrations;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_bench::readings::CAUSES;
use ferrotitre_bench::titrants::wire::Rejection;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Field, Form, Kind, Sent, VERSION, field_of, onward};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::versioned::json;
use uuid::Uuid;

use super::bench::{Means, fields};
use super::detail::Around;
use crate::determinations::service;
use crate::determinations::wire::NewTitration;

/// Corrects a titration with a reason.
#[routes]
#[get("/titrations/{id}/correction")]
#[post("/titrations/{id}/correction")]
pub(super) async fn correct(
    who: Allowed<JudgeTitrations>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = service::titration(&db, *id).await?;
    let present = history.versions.last().ok_or_else(|| Refusal::not_found("titration", *id))?;
    let view = service::read(&db, service::determination_of(&db, *id).await?).await?;
    let around = Around::of(&db, &view, &view.titrations).await?;
    let means = Means::of(&db, &around).await?;
    let back = format!("/determinations/{}#titrations", view.id);
    let form = Form::new(
        format!("Correct titration {} of {}", present.position, view.code),
        "Record the correction",
        back.as_str(),
    )
    .lead("The version before stays on record beside this one.")
    .with(fields(&around, &means, present.facts.initial_readings.len()))
    .correcting(&json(&present.facts), present.version_id)
    .help(
        "A correction is a new version with a reason; both are shown.",
        "ISO/IEC 17025:2017 7.5.2: amendments are tracked to the versions before.",
        "The evaluation is made anew at once.",
    );
    let version = sent.get(VERSION).to_owned();
    shell
        .take(&who, &sent, form, async |act, correction: Correction<NewTitration>| {
            let named = (*id, Some(version.as_str()));
            let answer = service::correct_titration(&db, &act, who.user(), **policy, named, correction).await?;
            Ok(onward(&answer, &format!("/determinations/{}#titrations", field_of(&answer, "id"))))
        })
        .await
}

/// Rejects a titration with an assignable cause.
#[routes]
#[get("/titrations/{id}/rejection")]
#[post("/titrations/{id}/rejection")]
pub(super) async fn reject(
    who: Allowed<JudgeTitrations>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = service::titration(&db, *id).await?;
    let present = history.versions.last().ok_or_else(|| Refusal::not_found("titration", *id))?;
    let back = format!("/determinations/{}#titrations", service::determination_of(&db, *id).await?);
    let form = Form::new(format!("Reject titration {}", present.position), "Reject", back.as_str())
        .lead("An outlier test alone is no cause. The titration stays on record and in the counts.")
        .with(rejection_fields())
        .help(
            "A titration is left out only for a cause that can be named.",
            "ISO/IEC 17025:2017 7.7; the cause and the evidence are part of the record.",
            "The rule of the method then asks for another titration if one is needed.",
        );
    shell
        .take(&who, &sent, form, async |act, rejection: Rejection| {
            let answer = service::reject_titration(&db, &act, who.user(), *id, rejection).await?;
            Ok(onward(&answer, &back))
        })
        .await
}

/// Fields of a rejection.
pub fn rejection_fields() -> [Field; 2] {
    [
        Field::new("cause", "Cause", Kind::Choice(words(&CAUSES))),
        Field::new("reason", "Evidence", Kind::Long).help("What was seen, at least 5 characters."),
    ]
}
