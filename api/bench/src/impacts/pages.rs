//! Pages of what touched signed results.

mod uses;

use actix_web::{HttpResponse, get, routes, web};
use uuid::Uuid;

use crate::impacts::service;
use crate::impacts::wire::{ImpactDetail, NewImpactDecision, TouchedResult};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{DecideImpacts, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;

/// Results that can be decided on at once, of those that wait for it.
const MOST_CHOICES: i64 = 200;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_impacts)
        .service(read_impact)
        .service(decide_impact)
        .service(uses::read_uses_of_a_time)
        .service(uses::read_uses);
}

/// Lists impacts.
#[get("/impacts")]
pub(super) async fn list_impacts(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    listing: Params<Listing>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &listing.0).await?;
    let row = |one: &crate::impacts::wire::ImpactView| {
        vec![
            Cell::link(one.what.clone(), format!("/impacts/{}", one.id)),
            Cell::text(show::time(one.recorded_at)),
            Cell::number(one.results.to_string()),
            Cell::text(if one.waits { "to be decided" } else { "decided" }),
        ]
    };
    let table = Table {
        columns: vec!["What happened", "Recorded", "Signed results", "Decision"],
        rows: page.items.iter().map(row).collect(),
        empty: "Nothing has touched a signed result.",
        ..Table::default()
    };
    let more = page.next.map(|next| format!("/impacts?after={next}")).unwrap_or_default();
    Sheet::new(&shell, "Signed results", "What touched signed results")
        .lead("What was signed stays what was signed. What came later is shown beside it, and a manager decides.")
        .way(true, "What if", "/what-if")
        .way(true, "Signed results of a time", "/where-used")
        .way(!more.is_empty(), "Older ones", more)
        .section("list", "", Part::Table(table))
        .help(
            "Corrections, late calibrations, withdrawals and rejections that touch something a signature stands over.",
            "ISO/IEC 17025:2017 7.10.1 and 7.10.2: the impact on earlier results is looked into.",
            "Open one to see its results; amend those that must change, or say why they stay.",
        )
        .show()
}

/// The page of what was signed.
pub fn path_of(kind: &str, id: Uuid) -> Option<String> {
    let folder = match kind {
        "determinations" => "determinations",
        "iron_results" => "iron-results",
        "standardisations" => "standardisations",
        "titrants" => "titrants",
        // By its study.
        "validation_conclusions" => "validation",
        _ => return None,
    };
    Some(format!("/{folder}/{id}"))
}

fn results(view: &ImpactDetail) -> Table {
    let row = |one: &TouchedResult| {
        vec![
            match path_of(&one.kind, one.shown_at) {
                Some(path) => Cell::link(one.code.clone(), path),
                None => Cell::text(one.code.clone()),
            },
            Cell::state(one.state.clone()),
            Cell::text(show::time(one.signed_at)),
            Cell::text(match (&one.decision, &one.reason) {
                (Some(decision), Some(reason)) => format!("{decision}: {reason}"),
                _ => "to be decided".to_owned(),
            }),
        ]
    };
    Table {
        columns: vec!["Result", "State", "Signed", "Decision"],
        rows: view.touched.iter().map(row).collect(),
        empty: "No signed result rests on it any more.",
        ..Table::default()
    }
}

/// An impact with its results.
#[get("/impacts/{id}")]
pub(super) async fn read_impact(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    listing: Params<Listing>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id, &listing.0).await?;
    let about = vec![
        fact("Recorded", Cell::text(show::time(view.impact.recorded_at))),
        fact("Signed results it touches", Cell::text(view.impact.results.to_string())),
        fact("Figures", Cell::text(if view.impact.figures { "could come out differently" } else { "stay the same" })),
    ];
    let compared = i64::try_from(service::MOST_COMPARED).unwrap_or(i64::MAX);
    let mut about = about;
    if view.impact.figures && view.impact.results > compared {
        let words = format!(
            "the first {compared} determinations of the list, when this was recorded; the others were not: each shows on its own \
             page what it would be now, and a look-back evaluates all"
        );
        about.push(fact("Compared", Cell::text(words)));
    }
    let decides = view.impact.waits && shell.may(Action::DecideImpacts);
    let more = view.next.map(|next| format!("/impacts/{id}?after={next}")).unwrap_or_default();
    Sheet::new(&shell, "Signed results", view.impact.what.clone())
        .lead("Nothing was changed by it: each result shows what it would be now beside what was signed.")
        .way(decides, "Decide", format!("/impacts/{id}/decisions"))
        .way(true, "What if", "/what-if")
        .section("about", "About", Part::Facts(about))
        .section("results", "Signed results", Part::Table(results(&view)))
        .section_way(!more.is_empty(), "More", more)
        .help(
            "One event and every signed result that rests on what it concerns.",
            "ISO/IEC 17025:2017 7.10.1 and 7.8.8.",
            "Amend a result on its own page, or decide here that it stays, with the reason.",
        )
        .show()
}

/// Decides that results stay as they were signed.
#[routes]
#[get("/impacts/{id}/decisions")]
#[post("/impacts/{id}/decisions")]
pub(super) async fn decide_impact(
    who: Allowed<DecideImpacts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (impact, open) = service::undecided(&db, who.user(), *id, MOST_CHOICES).await?;
    let choices = open.iter().map(|one| Choice::thing(one.id.to_string(), &one.code, &one.state)).collect();
    let more = match i64::try_from(open.len()) {
        Ok(MOST_CHOICES) => format!(" These are the first {MOST_CHOICES}; more may follow once they are decided."),
        _ => String::new(),
    };
    let back = format!("/impacts/{id}");
    let user = who.user().clone();
    let form = Form::new("No change", "Record the decision", back.as_str())
        .lead(format!(
            "{}. The results chosen here stay as they were signed. Results of yours are decided on by somebody else.{more}",
            impact.what
        ))
        .with([
            Field::new("results", "Results", Kind::Several(choices)),
            Field::new("reason", "Why they stay", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "A decision for each result: it stays, with a reason; or it is amended on its own page.",
            "ISO/IEC 17025:2017 7.10.1 d and e.",
            "The decision is shown with the result, beside what happened.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewImpactDecision| {
            Ok(onward(&service::decide(&db, &act, &user, *id, new).await?, &back))
        })
        .await
}
