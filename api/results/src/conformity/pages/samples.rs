//! What samples are given to be judged by: the forms, and the section of the sample's page.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::AssignSpecifications;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::specifications::service;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward};
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::conformity::assignments::{self, AssignmentView, NewAssignment, NewRemoval};

/// Everything a sample was ever given, for its page.
pub async fn section(shell: &Shell, db: &Db, sample: Uuid) -> Result<Section, Refusal> {
    let all = assignments::list(db, sample).await?;
    let mut people: Vec<Uuid> = all.iter().map(|of| of.recorded_by.0).collect();
    people.extend(all.iter().filter_map(|of| of.removed.as_ref()).map(|removed| removed.recorded_by.0));
    let people = accounts::names(db, &people).await?;
    let person = |id: Uuid| people.get(&id).cloned().unwrap_or_default();
    let assigns = shell.may(Action::AssignSpecifications);
    let row = |of: &AssignmentView| {
        let ended = of.removed.as_ref().map(|removed| {
            format!("{}, {}: {}", show::time(removed.recorded_at), person(removed.recorded_by.0), removed.reason)
        });
        let way = match &ended {
            None if assigns => Cell::link("take off", format!("/sample-specifications/{}/removal", of.id)),
            _ => Cell::text(ended.clone().unwrap_or_default()),
        };
        vec![
            Cell::link(format!("{} v{}", of.code, of.version), format!("/specifications/{}", of.specification)),
            Cell::text(of.analyte.clone()),
            Cell::text(shell.n(&of.limits)),
            Cell::text(shell.n(&of.rule)),
            Cell::text(format!("{}, {}", show::time(of.recorded_at), person(of.recorded_by.0))),
            way,
        ]
    };
    let table = Table {
        columns: vec!["Specification", "Of", "Limits", "Decision rule", "Assigned", "Taken off"],
        rows: all.iter().map(row).collect(),
        empty: "None: results of this sample are judged by no limits.",
        ..Table::default()
    };
    let mut section = Section::new("specifications", "Judged by", Part::Table(table));
    if assigns {
        section.ways.push(ferrotitre_html::sheet::Way {
            label: "Assign a specification".to_owned(),
            address: format!("/samples/{sample}/specifications/new"),
            main: false,
        });
    }
    Ok(section)
}

/// Gives a sample a specification.
#[routes]
#[get("/samples/{id}/specifications/new")]
#[post("/samples/{id}/specifications/new")]
pub(super) async fn assign(
    who: Allowed<AssignSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let sample = labels::of(&db, EntityKind::Sample, &[*id]).await?.remove(&id);
    let sample = sample.ok_or_else(|| Refusal::not_found("sample", *id))?;
    let in_force = service::in_force(&db).await?.into_iter().map(|view| {
        let words = format!("{}: {} {}", view.facts.title, view.facts.analyte, view.facts.limits_in_words());
        Choice::thing(view.version_id, &format!("{} v{}", view.facts.code, view.version), words)
    });
    let back = format!("/samples/{id}");
    let form = Form::new(format!("What {sample} is judged by"), "Assign", back.as_str())
        .with([Field::new("specification", "Specification", Kind::Thing(in_force.collect()))])
        .help(
            "The limits and the decision rule by which results of this sample are judged.",
            "ISO/IEC 17025:2017 7.1.3: specification and decision rule are agreed before.",
            "The sample keeps this version. Assigned after a result was approved, it is shown so.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewAssignment| {
            Ok(onward(&assignments::assign(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Takes a specification off a sample.
#[routes]
#[get("/sample-specifications/{id}/removal")]
#[post("/sample-specifications/{id}/removal")]
pub(super) async fn remove(
    who: Allowed<AssignSpecifications>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = assignments::read(&db, *id).await?;
    let back = format!("/samples/{}", view.sample);
    let form = Form::new(format!("Take {} v{} off the sample", view.code, view.version), "Take it off", back.as_str())
        .lead(shell.n(format!("{} {}, by {}.", view.analyte, view.limits, view.rule)))
        .with([Field::new("reason", "Why", Kind::Long).help("At least 5 characters.")])
        .help(
            "The sample is not judged by it any more. Both rows stay.",
            "ISO/IEC 17025:2017 7.5.2 and 7.8.6.",
            "A result approved while the sample had it goes on showing it, with the time it was taken off.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewRemoval| {
            Ok(onward(&assignments::remove(&db, &act, *id, new).await?, &back))
        })
        .await
}
