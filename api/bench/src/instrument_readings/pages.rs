//! Pages of readings of instruments.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::sheet::{Cell, Fact, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::instrument_readings::service;
use crate::instrument_readings::shown::{field_words, record_words};
use crate::instrument_readings::wire::{AcceptedFor, ReadingListing, ReadingView};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(list_readings).service(read_reading);
}

#[derive(Debug, Default, serde::Deserialize)]
pub(super) struct Asked {
    equipment: Option<Uuid>,
    after: Option<Uuid>,
}

/// What a reading was accepted for, in words.
fn use_words(used: Option<&AcceptedFor>) -> String {
    used.map_or_else(
        || "not accepted".to_owned(),
        |used| format!("{}, {}", record_words(&used.entity_kind), field_words(&used.field)),
    )
}

fn value(shell: &Shell, reading: &ReadingView) -> String {
    shell.n(format!("{} {}", reading.value, reading.unit))
}

/// Lists readings, newest first.
#[get("/instrument-readings")]
pub(super) async fn list_readings(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let Asked { equipment, after } = query.0;
    let page = service::list(&db, &ReadingListing { equipment, after, ..ReadingListing::default() }).await?;
    let people: Vec<Uuid> = page.items.iter().map(|one| one.recorded_by.0).collect();
    let people = accounts::names(&db, &people).await?;
    let rows = page.items.iter().map(|one| {
        vec![
            Cell::link(show::time_with_zone(one.observed_at), format!("/instrument-readings/{}", one.id)),
            Cell::link(one.equipment_code.clone(), format!("/equipment/{}", one.equipment)),
            Cell::number(value(&shell, one)),
            Cell::text(one.raw_line.clone()),
            Cell::text(people.get(&one.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(use_words(one.accepted_for.as_ref())),
        ]
    });
    let own = equipment.map(|id| format!("equipment={id}&")).unwrap_or_default();
    let table = Table {
        columns: vec!["Received", "Instrument", "Reading", "As printed", "Sent by", "Accepted for"],
        rows: rows.collect(),
        empty: "No instrument has sent a reading.",
        next: page.next.map(|next| format!("/instrument-readings?{own}after={next}")),
        ..Table::default()
    };
    Sheet::new(&shell, "Readings", "Readings of instruments")
        .way(true, "Equipment", "/equipment")
        .section("list", "", Part::Table(table))
        .help(
            "What balances and piston burettes printed, line by line, whether or not somebody accepted it.",
            "ISO/IEC 17025:2017 7.5.1 and 7.11: original observations, also those transferred automatically.",
            "Where a mass or a burette reading is entered, the newest ones are offered; each is accepted once.",
        )
        .show()
}

/// A reading with the line as it was printed.
#[get("/instrument-readings/{id}")]
pub(super) async fn read_reading(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let reading = service::read(&db, *id).await?;
    let mut people = vec![reading.recorded_by.0];
    people.extend(reading.accepted_for.iter().map(|used| used.recorded_by.0));
    let people = accounts::names(&db, &people).await?;
    let person = |id: Uuid| people.get(&id).cloned().unwrap_or_default();
    let fact = |name: &str, cell: Cell| Fact { name: name.to_owned(), cell };
    let mut facts = vec![
        fact("Instrument", Cell::link(reading.equipment_code.clone(), format!("/equipment/{}", reading.equipment))),
        fact("Reading", Cell::text(value(&shell, &reading))),
        fact("As printed", Cell::text(reading.raw_line.clone())),
        fact("Received", Cell::text(show::time_with_zone(reading.observed_at))),
        fact("Recorded", Cell::text(show::time_with_zone(reading.recorded_at))),
        fact("Sent by", Cell::text(person(reading.recorded_by.0))),
        fact("Sent as", Cell::text(reading.sent_as.to_string())),
        fact("Accepted for", Cell::text(use_words(reading.accepted_for.as_ref()))),
    ];
    if let Some(used) = &reading.accepted_for {
        facts.push(fact("Accepted by", Cell::text(person(used.recorded_by.0))));
        facts.push(fact("Accepted", Cell::text(show::time_with_zone(used.recorded_at))));
    }
    Sheet::new(&shell, "Readings", format!("{} of {}", value(&shell, &reading), reading.equipment_code))
        .way(true, "All of this instrument", format!("/instrument-readings?equipment={}", reading.equipment))
        .section("about", "About", Part::Facts(facts))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "One line of an instrument, as it came.",
            "ISO/IEC 17025:2017 7.5.1 and 7.11.",
            "It stays as it is; what was recorded of it names it.",
        )
        .show()
}
