//! Pages of concessions: an expired or overdue item used all the same, or a result approved although its run has not decided,
//! with two managers' signatures.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, RequestConcessions, SignConcessions};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::choices;
use crate::concessions::{self as service, NewConcession};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(list_concessions).service(request_concession).service(read_concession).service(sign_concession);
}

async fn item(db: &Db, kind: &str, id: Uuid) -> Result<String, Refusal> {
    let kind = match kind {
        "titrants" => EntityKind::Titrant,
        "equipment" => EntityKind::Equipment,
        "determinations" => EntityKind::Determination,
        _ => return Ok(kind.to_owned()),
    };
    Ok(labels::of(db, kind, &[id]).await?.remove(&id).unwrap_or_default())
}

/// Lists concessions.
#[get("/concessions")]
pub async fn list_concessions(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let mut rows = Vec::new();
    for view in page.items {
        rows.push(vec![
            Cell::link(item(&db, &view.item_kind, view.item).await?, format!("/concessions/{}", view.id)),
            Cell::state(view.state),
            Cell::text(view.reason),
            Cell::text(show::time(view.valid_from)),
            Cell::text(show::time(view.valid_to)),
        ]);
    }
    let table = Table {
        columns: vec!["Item", "State", "Reason", "From", "Until"],
        rows,
        empty: "No concession was asked for.",
        next: query.0.next("/concessions", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Concessions", "Concessions")
        .way(shell.may(Action::RequestConcessions), "Ask for one", "/concessions/new")
        .section("list", "", Part::Table(table))
        .help(
            "Leave to use an expired or overdue item for some days, or to approve a result whose run has not decided. It is shown with every result that rests on it.",
            "ISO/IEC 17025:2017 7.10 (nonconforming work).",
            "Two managers who did not ask for it sign.",
        )
        .show()
}

/// Asks for a concession.
#[routes]
#[get("/concessions/new")]
#[post("/concessions/new")]
pub async fn request_concession(
    who: Allowed<RequestConcessions>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let kinds = ["titrants", "equipment", "primary_standards", "reagents", "determinations"];
    let kinds = kinds.map(|kind| Choice::thing(kind, &kind.replace('_', " "), "")).to_vec();
    let mut items = choices::titrants(&db, &[]).await?;
    let all = ["balance", "burette", "piston burette", "pipette", "flask", "thermometer"];
    items.extend(choices::equipment(&db, &all).await?);
    items.extend(choices::standards(&db, false).await?);
    items.extend(choices::reagents(&db).await?);
    let waiting = service::waiting_results(&db).await?.into_iter();
    items.extend(waiting.map(|(id, code)| Choice::thing(id, &code, "waits for its signatures")));
    let form = Form::new("Ask for a concession", "Ask", "/concessions")
        .with([
            Field::new("item_kind", "Kind of item", Kind::Choice(kinds)),
            Field::new("item", "Item", Kind::Thing(items)),
            Field::new("reason", "Why it may be used all the same", Kind::Long).help("At least 5 characters."),
            Field::new("valid_from", "From", Kind::Time { now: false }),
            Field::new("valid_to", "Until", Kind::Time { now: false }).help("At most 31 days later."),
        ])
        .help(
            "Leave to use one expired or overdue item for some days, or to approve one result whose run was not released or had no plan of quality control, with the reason.",
            "ISO/IEC 17025:2017 7.10.",
            "Two managers who did not ask for it sign; every result under it says so.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewConcession| {
            let answer = service::request(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/concessions/{}", field_of(&answer, "id"))))
        })
        .await
}

/// A concession.
#[get("/concessions/{id}")]
pub async fn read_concession(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let people = accounts::names(&db, &[view.recorded_by.0]).await?;
    let facts = vec![
        fact("Reason", Cell::text(view.reason)),
        fact("From", Cell::text(show::time(view.valid_from))),
        fact("Until", Cell::text(show::time(view.valid_to))),
        fact("Asked by", Cell::text(people.get(&view.recorded_by.0).cloned().unwrap_or_default())),
        fact("Asked", Cell::text(show::time(view.recorded_at))),
    ];
    let signs = view.state == "requested" && shell.may(Action::SignConcessions);
    Sheet::new(&shell, "Concession", item(&db, &view.item_kind, view.item).await?)
        .state(view.state)
        .way(signs, "Sign", format!("/concessions/{id}/signature"))
        .section("about", "About", Part::Facts(facts))
        .section("signatures", "Signatures", Part::Signatures(view.sign_offs))
        .help(
            "One item, for some days, with the reason.",
            "ISO/IEC 17025:2017 7.10.",
            "The second manager's signature grants it.",
        )
        .show()
}

/// Signs a concession.
#[routes]
#[get("/concessions/{id}/signature")]
#[post("/concessions/{id}/signature")]
pub async fn sign_concession(
    who: Allowed<SignConcessions>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let back = format!("/concessions/{id}");
    let form = Form::new("Sign a concession", "Sign", back.as_str())
        .lead(format!("{}: {}", item(&db, &view.item_kind, view.item).await?, view.reason))
        .signing(&view.content_digest, false);
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            Ok(onward(&service::sign(&db, &act, who.user(), **policy, *id, signature).await?, &back))
        })
        .await
}
