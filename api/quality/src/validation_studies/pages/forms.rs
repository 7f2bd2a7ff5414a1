//! Forms: amendments, exclusions, conclusions.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ConductValidation;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Field, Form, Kind, RESHAPE, Sent, onward};
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::validation_studies::data::NewExclusion;
use crate::validation_studies::pages::planning::{limit_fields, with_unit};
use crate::validation_studies::wire::{NewAmendment, NewConclusion};
use crate::validation_studies::{conclusions, data, plan, reading};

/// Proposes other limits.
#[routes]
#[get("/validation/characteristics/{id}/amendment")]
#[post("/validation/characteristics/{id}/amendment")]
pub(super) async fn amend_limits(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = reading::answer(&db, *id).await?;
    let back = format!("/validation/characteristics/{id}");
    let present = serde_json::json!({ "limits": answer.criterion.limits });
    let room = sent.rows(answer.criterion.limits.len(), 1);
    let mut form = Form::new(format!("Other limits for {}", answer.title), "Propose", back.as_str())
        .lead("The limits as planned stay visible beside these for good, with the reason and both names.")
        .shaped(room);
    for number in 0..room {
        form = form.with(limit_fields("", number, answer.kind, number == 0));
        form = with_unit(form, &sent, "", number, &answer.unit);
    }
    let form = form
        .with([
            Field::new(RESHAPE, "Room for another limit", Kind::Reshape("more".to_owned())),
            Field::new("reason", "Reason", Kind::Long).help("At least 5 characters.").part("Why"),
        ])
        .filled(&present)
        .help(
            "A late change of a limit of acceptance.",
            "ISO/IEC 17025:2017 7.2.2.1: a method is validated against the needs of its intended use, which are stated before.",
            "Someone other than you and the author of the plan approves it.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewAmendment| {
            Ok(onward(&plan::amend(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Proposes to leave a datum out.
#[routes]
#[get("/validation/data/{id}/exclusion")]
#[post("/validation/data/{id}/exclusion")]
pub(super) async fn exclude_datum(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = data::characteristic_of(&db, *id).await?;
    let back = format!("/validation/characteristics/{}", answer.characteristic);
    let row = answer.inputs.rows.iter().find(|row| row.datum.0 == *id);
    let shown = row.map(|row| row.cells.join(" ")).unwrap_or_default();
    let form = Form::new("Leave a datum out", "Propose", back.as_str())
        .lead(format!("{}: {}", answer.title, shown.trim()))
        .with([
            Field::new("cause", "Assigned cause", Kind::Choice(words(&ferrotitre_bench::readings::CAUSES)))
                .help("A test of outliers is no cause."),
            Field::new("evidence", "What shows it", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "A datum counts unless something is known to have gone wrong with it.",
            "ISO 5725-2 (outliers are investigated, not deleted).",
            "A second person signs; the answer is shown with and without it.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewExclusion| {
            Ok(onward(&data::exclude(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Concludes a study, signed by the author of the conclusion.
#[routes]
#[get("/validation/{id}/conclusion")]
#[post("/validation/{id}/conclusion")]
pub(super) async fn conclude(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answers = reading::answers(&db, *id).await?;
    let back = format!("/validation/{id}");
    let count = |text: &str| answers.characteristics.iter().filter(|answer| answer.verdict.text() == text).count();
    let form = Form::new(format!("Conclude {}", answers.code), "Sign the conclusion", back.as_str())
        .lead(format!(
            "{} characteristics meet their limits, {} do not, {} have not enough data.",
            count("meets"),
            count("does not meet"),
            count("not enough data")
        ))
        .with([
            Field::new("fit", "Fit for the purpose", Kind::YesNo),
            Field::new("words", "Conclusion", Kind::Long),
            Field::new("validated_low", "Validated from", Kind::Decimal),
            Field::new("validated_high", "Validated up to", Kind::Decimal),
            Field::new("unit", "Unit", Kind::Choice(words(&["g/L", "mg/L", "mol/L", "% m/m", "mol/kg"]))),
            Field::new("matrix", "Matrix", Kind::Text),
            Field::new("limitations", "Residual limitations", Kind::Long).help("none known, where there are none."),
            Field::new("password", "Your own password, again", Kind::Password)
                .help("Your printed name, the time and the answers as they stand now are kept with it."),
        ])
        .hide("answers_digest", answers.content_digest.clone().unwrap_or_default())
        .help(
            "What the study shows, and for what range and matrix.",
            "ISO/IEC 17025:2017 7.2.2.4: records of validation, with a statement on the validity for the intended use.",
            "Somebody without a hand in the study reviews it, a manager approves it; results outside the range are flagged.",
        );
    let user = who.user().clone();
    shell
        .take(&who, &sent, form, async |act, new: NewConclusion| {
            Ok(onward(&conclusions::conclude(&db, &act, &user, **policy, *id, new).await?, &back))
        })
        .await
}
