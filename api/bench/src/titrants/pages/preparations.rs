//! Pages of preparations by mass.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{PrepareTitrants, ReleaseTitrants};
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::PrimaryStandardId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward};
use ferrotitre_html::sheet::Part;
use ferrotitre_html::shell::Shell;
use ferrotitre_html::versioned::json;
use serde_json::Value;
use uuid::Uuid;

use crate::choices;
use crate::instrument_readings::offers::{self, Of, Place};
use crate::instrument_readings::shown::{self, Recorded};
use crate::titrants::preparations::measured;
use crate::titrants::service;
use crate::titrants::store::PreparationFacts;
use crate::titrants::wire::{NewPreparation, PreparationView};

/// Readings of instruments behind the preparation of a lot.
pub(super) async fn instruments(shell: &Shell, db: &Db, all: &[PreparationView]) -> Result<Option<Part>, Refusal> {
    let recorded = all.iter().map(|PreparationView { preparation: one, .. }| Recorded {
        row: one.version_id,
        record: one.id,
        name: "preparation".to_owned(),
        newest: all.iter().all(|other| other.preparation.version <= one.version),
        measured: measured(&one.facts).into(),
    });
    shown::part(shell, db, &recorded.collect::<Vec<_>>()).await
}

/// Where an earlier version of a preparation stands on the page.
pub(super) fn anchor(of: &PreparationView) -> String {
    format!("preparation-{}", of.preparation.version)
}

/// Below which name the preparation of a lot stands in the form of the lot.
pub(super) const PART: &str = "preparation";

/// What is proposed there, and says by itself nothing of a preparation.
const PROPOSED: [&str; 2] = ["primary_standard", "balance"];

/// Fields of the preparation in the form of its lot. All are optional there: a lot may be recorded before it is prepared.
pub(super) async fn of_lot(db: &Db) -> Result<Vec<Field>, Refusal> {
    let mut fields: Vec<Field> = fields(db, None).await?.into_iter().filter(|one| one.name != "observed_at").collect();
    for field in &mut fields {
        field.name = format!("{PART}.{}", field.name);
        field.required = false;
    }
    if let Some(first) = fields.first_mut() {
        first.part = "Prepared by mass".to_owned();
        first.help = "For a direct preparation. With the mass left empty only the lot is recorded.".to_owned();
    }
    Ok(fields)
}

/// Proposes what can only be one: standard and balance, where there is no other.
pub(super) fn propose(form: &mut Form) {
    let only: Vec<(String, Option<String>)> = PROPOSED
        .map(|name| format!("{PART}.{name}"))
        .into_iter()
        .map(|name| {
            let choices = form.fields.iter().find(|field| field.name == name).map(Field::choices).unwrap_or_default();
            let only = if let [only] = &choices[..] { Some(only.value.clone()) } else { None };
            (name, only)
        })
        .collect();
    let only: Vec<(&str, Option<String>)> = only.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
    form.propose("the only one there is", &only);
}

/// A mass that an instrument sent, in the form of the lot.
pub(super) const MASS: [Place; 1] =
    [Place { field: "preparation.mass_g", words: "mass", of: Of::Field("preparation.balance") }];

/// What the form of a lot sent, as the API takes it: without what was only proposed where nothing was weighed, and with the readings
/// that were accepted where they belong.
pub(super) fn sorted(mut sent: Value) -> Value {
    let Some(whole) = sent.as_object_mut() else { return sent };
    let accepted = whole.remove("accepted");
    let weighed =
        |part: &Value| part.as_object().is_some_and(|part| part.keys().any(|name| !PROPOSED.contains(&name.as_str())));
    match (whole.get_mut(PART), accepted) {
        (Some(part), accepted) if weighed(part) => {
            if let Some(mut accepted) = accepted {
                for one in accepted.as_array_mut().into_iter().flatten() {
                    let field = one["field"].as_str().and_then(|field| field.strip_prefix("preparation."));
                    one["field"] = field.unwrap_or_default().into();
                }
                part["accepted"] = accepted;
            }
        }
        _ => {
            whole.remove(PART);
        }
    }
    sent
}

/// Fields of a preparation; one that was made long ago may name a standard that has left the shelf since.
pub(super) async fn fields(db: &Db, also: Option<(PrimaryStandardId, String)>) -> Result<Vec<Field>, Refusal> {
    let pieces = crate::equipment::service::pieces(db).await?;
    let mut standards = choices::standards(db, true).await?;
    if let Some((id, code)) = also.filter(|(id, _)| standards.iter().all(|choice| choice.value != id.to_string())) {
        standards.push(Choice::thing(id, &code, "as it was used"));
    }
    Ok(vec![
        Field::new("primary_standard", "Lot of the primary standard", Kind::Thing(standards)),
        Field::new("mass_g", "Mass as read, g", Kind::Decimal),
        Field::new("balance", "Balance", Kind::Thing(choices::of_kinds(&pieces, &["balance"]))),
        Field::new("flask", "Flask", Kind::Thing(choices::of_kinds(&pieces, &["flask"]))),
        Field::new("solution_temperature", "Temperature when made up, °C", Kind::Decimal),
        Field::new("observed_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
    ])
}

/// The same for preparations that are shown: each with the standard that was used, also one that was corrected or used up since.
pub(super) async fn fields_with(db: &Db, used: &[Uuid]) -> Result<Vec<Field>, Refusal> {
    let mut fields = fields(db, None).await?;
    let codes = labels::of(db, EntityKind::PrimaryStandard, used).await?;
    for field in fields.iter_mut().filter(|field| field.name == "primary_standard") {
        if let Kind::Thing(choices) = &mut field.kind {
            for (id, code) in &codes {
                if choices.iter().all(|choice| choice.value != id.to_string()) {
                    choices.push(Choice::thing(id, code, "as it was used"));
                }
            }
        }
    }
    Ok(fields)
}

/// Records the preparation of a lot by mass.
#[routes]
#[get("/titrants/{id}/preparation")]
#[post("/titrants/{id}/preparation")]
pub(in crate::titrants) async fn prepare(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let lot = service::read(&db, *id).await?.titrant;
    let back = format!("/titrants/{id}");
    let mut form = Form::new(format!("Preparation of {}", lot.code), "Save preparation", back.as_str())
        .with(fields(&db, None).await?)
        .hide("titrant", id.to_string())
        .cautions(lot.cautions)
        .help(
            "Mass and flask as used; purity, buoyancy and the flask's temperature go into the concentration.",
            "c = m P B / (M V20); ISO 4787 for the flask.",
            "A manager who did not prepare it releases the lot.",
        );
    offers::offer(&db, &mut form, &mut sent, &offers::MASS).await?;
    shell
        .take(&who, &sent, form, async |act, new: NewPreparation| {
            Ok(onward(&service::record_preparation(&db, &act, new).await?, &back))
        })
        .await
}

/// Corrects a preparation before the release.
#[routes]
#[get("/titrants/{id}/preparation/correction")]
#[post("/titrants/{id}/preparation/correction")]
pub(in crate::titrants) async fn correct_preparation(
    who: Allowed<PrepareTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let detail = service::read(&db, *id).await?;
    let newest = detail.preparations.last().ok_or_else(|| Refusal::not_found("preparation of lot", *id))?;
    let (record, version) = (newest.preparation.id, newest.preparation.version_id);
    let form = Form::new(
        format!("Correct the preparation of {}", detail.titrant.code),
        "Record the correction",
        format!("/titrants/{id}"),
    )
    .with(fields(&db, None).await?)
    .with([Field::new("titrant", "Lot", Kind::Thing(vec![Choice::thing(*id, &detail.titrant.code, "")]))]);
    let present = (&json(&newest.preparation.facts), version);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<PreparationFacts>| {
            service::correct_preparation(&db, &act, record, version, correction).await
        })
        .await
}

/// Amends the preparation of a released lot.
#[routes]
#[get("/titrants/{id}/preparation/amendment")]
#[post("/titrants/{id}/preparation/amendment")]
pub(in crate::titrants) async fn amend_preparation(
    who: Allowed<ReleaseTitrants>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let detail = service::read(&db, *id).await?;
    let newest = detail.preparations.last().ok_or_else(|| Refusal::not_found("preparation of lot", *id))?;
    let (record, version) = (newest.preparation.id, newest.preparation.version_id);
    let (facts, standard) = service::with_present_standard(&db, newest.preparation.facts.clone()).await?;
    let code = &detail.titrant.code;
    let form = Form::new(format!("Amend the preparation of {code}"), "Record the amendment", format!("/titrants/{id}"))
        .lead(format!(
            "What was signed with {code} stays. Once another manager has released the corrected factor, it takes the place of the one in force, from the same moment."
        ))
        .with(fields(&db, Some((facts.primary_standard, standard))).await?)
        .with([Field::new("titrant", "Lot", Kind::Thing(vec![Choice::thing(*id, code, "")]))])
        .help(
            "A certificate, a calibration or an entry that a released factor rests on was corrected.",
            "ISO/IEC 17025:2017 7.5.2 and 7.10.",
            "A manager who had no hand in it releases the corrected factor; then results made with the lot can be amended.",
        );
    let present = (&json(&facts), version);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<PreparationFacts>| {
            service::amend_preparation(&db, &act, record, version, correction).await
        })
        .await
}
