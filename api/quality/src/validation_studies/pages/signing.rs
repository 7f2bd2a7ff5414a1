//! Decisions, each with the password again.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ApproveValidation, ReviewValidation};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Form, Sent, onward};
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::validation_studies::conclusions::{self, Decision};
use crate::validation_studies::{data, plan, reading};

fn title(approve: bool, what: &str) -> (String, &'static str) {
    if approve {
        (format!("Approve {what}"), "Sign as approved")
    } else {
        (format!("Reject {what}"), "Sign as rejected")
    }
}

/// With the way to the opposite decision, which has a form of its own.
fn opposite(form: Form, approve: bool, path: &str) -> Form {
    if approve {
        form.or("Reject it instead", format!("{path}/rejection"))
    } else {
        form.or("Approve it instead", format!("{path}/approval"))
    }
}

/// Approves or rejects a plan.
#[routes]
#[get("/validation/{id}/{step:plan-approval|plan-rejection}")]
#[post("/validation/{id}/{step:plan-approval|plan-rejection}")]
pub(super) async fn decide_plan(
    who: Allowed<ApproveValidation>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, approve) = (path.0, path.1 == "plan-approval");
    let view = reading::read(&db, id).await?;
    let (title, button) = title(approve, &format!("the plan of {}", view.code));
    let back = format!("/validation/{id}");
    let count = view.characteristics.len();
    let form = Form::new(title, button, back.as_str())
        .lead(format!("{count} characteristics with their limits. Approved, they are frozen and data are taken."))
        .signing(&view.content_digest, !approve);
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&plan::decide(&db, &act, who.user(), **policy, (id, approve), signature).await?, &back))
        })
        .await
}

/// Approves or rejects an amendment of limits.
#[routes]
#[get("/validation/amendments/{id}/{step:approval|rejection}")]
#[post("/validation/amendments/{id}/{step:approval|rejection}")]
pub(super) async fn decide_amendment(
    who: Allowed<ApproveValidation>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, approve) = (path.0, path.1 == "approval");
    let answer = plan::characteristic_of(&db, id).await?;
    let (title, button) = title(approve, &format!("other limits for {}", answer.title));
    let back = format!("/validation/characteristics/{}", answer.characteristic);
    let proposed = answer.criterion.amendments.iter().find(|amendment| amendment.id.0 == id);
    let lead = proposed.map(|one| {
        let (old, new) = (super::limits_text(&shell, &one.old_limits), super::limits_text(&shell, &one.new_limits));
        format!("{old} becomes {new}. Reason: {}", one.reason)
    });
    let digest = proposed.map(|one| one.content_digest.as_str()).unwrap_or_default();
    let form = Form::new(title, button, back.as_str()).lead(lead.unwrap_or_default()).signing(digest, !approve);
    let form = opposite(form, approve, &format!("/validation/amendments/{id}"));
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&plan::decide_amendment(&db, &act, who.user(), **policy, (id, approve), signature).await?, &back))
        })
        .await
}

/// Signs or refuses an exclusion.
#[routes]
#[get("/validation/exclusions/{id}/{step:approval|rejection}")]
#[post("/validation/exclusions/{id}/{step:approval|rejection}")]
pub(super) async fn decide_exclusion(
    who: Allowed<ApproveValidation>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (id, approve) = (path.0, path.1 == "approval");
    let answer = data::characteristic_of_exclusion(&db, id).await?;
    let (title, button) = title(approve, "that a datum is left out");
    let back = format!("/validation/characteristics/{}", answer.characteristic);
    let found = answer.inputs.rows.iter().find_map(|row| {
        let out = row.excluded.as_ref().filter(|out| out.id == id)?;
        let lead = format!("Datum {} of {}: {}. {}", row.position, answer.title, out.cause, out.evidence);
        Some((lead, out.content_digest.clone()))
    });
    let (lead, digest) = found.unwrap_or_default();
    let form = Form::new(title, button, back.as_str()).lead(lead).signing(&digest, !approve);
    let form = opposite(form, approve, &format!("/validation/exclusions/{id}"));
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&data::decide_exclusion(&db, &act, who.user(), **policy, (id, approve), signature).await?, &back))
        })
        .await
}

/// The form of a decision on a conclusion, with what is signed.
async fn conclusion_form(db: &Db, id: Uuid, decision: Decision) -> Result<Form, Problem> {
    let view = reading::read(db, id).await?;
    let (title, button, meaning, reason) = match decision {
        Decision::Review => ("Review", "Sign as reviewed", "You sign: I checked plan, data, answers and trail.", false),
        Decision::Approve => ("Approve", "Sign as approved", "You sign: the conclusion holds.", false),
        Decision::Return => ("Return", "Return it", "The study runs on, with your reason.", true),
        Decision::Reject => ("Reject", "Reject it", "The study ends here, with your reason.", true),
    };
    let last = view.conclusions.last();
    let words = last.map(|last| last.words.clone()).unwrap_or_default();
    Ok(Form::new(format!("{title} {}", view.code), button, format!("/validation/{id}"))
        .lead(format!("{words} {meaning}"))
        .signing(last.map(|last| last.content_digest.as_str()).unwrap_or_default(), reason))
}

/// Reviews or returns a conclusion.
#[routes]
#[get("/validation/{id}/{step:review|return}")]
#[post("/validation/{id}/{step:review|return}")]
pub(super) async fn review_conclusion(
    who: Allowed<ReviewValidation>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let id = path.0;
    let decision = if path.1 == "review" { Decision::Review } else { Decision::Return };
    let form = conclusion_form(&db, id, decision).await?;
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            let answer = conclusions::decide(&db, &act, who.user(), **policy, (id, decision), signature).await?;
            Ok(onward(&answer, &format!("/validation/{id}")))
        })
        .await
}

/// Approves or rejects a conclusion.
#[routes]
#[get("/validation/{id}/{step:approval|rejection}")]
#[post("/validation/{id}/{step:approval|rejection}")]
pub(super) async fn approve_conclusion(
    who: Allowed<ApproveValidation>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(Uuid, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let id = path.0;
    let decision = if path.1 == "approval" { Decision::Approve } else { Decision::Reject };
    let form = conclusion_form(&db, id, decision).await?;
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            let answer = conclusions::decide(&db, &act, who.user(), **policy, (id, decision), signature).await?;
            Ok(onward(&answer, &format!("/validation/{id}")))
        })
        .await
}
