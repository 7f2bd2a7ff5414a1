//! Pages of measuring equipment.

mod trust;

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, RecordEquipment};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Field, Form, Kind, Sent, field_of, onward, words};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::{self, json, moves_on};
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::certificate_files::service as certificate_files;
use crate::equipment::service::{self, Piece};
use crate::equipment::store::{EquipmentFacts, KINDS};

const KIND: EntityKind = EntityKind::Equipment;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_equipment)
        .service(record_equipment)
        .service(read_equipment)
        .service(correct_equipment)
        .service(move_equipment)
        .service(trust::record_calibration)
        .service(trust::correct_calibration)
        .service(trust::record_check)
        .service(trust::correct_check);
}

pub(crate) fn fields() -> Vec<Field> {
    vec![
        Field::new("code", "Code on the label", Kind::Text),
        Field::new("kind", "Kind", Kind::Choice(words(&KINDS))),
        Field::new("description", "Description", Kind::Text),
        Field::new("accuracy_class", "Accuracy class as marked", Kind::Text).optional(),
        Field::new("serial_number", "Serial number", Kind::Text).optional(),
        Field::new("location", "Where it stands", Kind::Text).optional(),
        Field::new("range_low", "Lowest usable reading", Kind::Decimal).part("Scale"),
        Field::new("range_high", "Highest usable reading", Kind::Decimal)
            .help("Of a pipette or flask the nominal volume."),
        Field::new("resolution", "Smallest step that is read", Kind::Decimal)
            .optional()
            .help("Not for a pipette or flask."),
        Field::new("unit", "Unit", Kind::Choice(words(&["mL", "g", "C"]))),
    ]
}

/// Lines of a list of equipment.
pub fn rows(pieces: &[Piece]) -> Vec<Vec<Cell>> {
    let row = |piece: &Piece| {
        let facts = &piece.view.facts;
        let due = piece.due_on.map(|due| format!("{}, {}", show::day(due), show::until_day(due)));
        vec![
            Cell::link(facts.code.clone(), format!("/equipment/{}", piece.view.id)),
            Cell::state(piece.stands()),
            Cell::text(facts.kind.clone()),
            Cell::text(facts.description.clone()),
            Cell::text(facts.location.clone().unwrap_or_default()),
            Cell::text(due.unwrap_or_else(|| "never calibrated".to_owned())),
        ]
    };
    pieces.iter().map(row).collect()
}

/// Columns of [`rows`].
pub const COLUMNS: [&str; 6] = ["Equipment", "State", "Kind", "Description", "Place", "Calibration due"];

/// Lists equipment, what is due first.
#[get("/equipment")]
pub(super) async fn list_equipment(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let mut pieces = service::pieces(&db).await?;
    pieces.sort_by_key(|piece| piece.due_on);
    let table =
        Table { columns: COLUMNS.to_vec(), rows: rows(&pieces), empty: "No equipment yet.", ..Table::default() };
    Sheet::new(&shell, "Equipment", "Equipment")
        .way(shell.may(Action::RecordEquipment), "Record equipment", "/equipment/new")
        .way(shell.may(Action::RecordEquipment), "Import a list", "/equipment/import")
        .way(shell.may(Action::RecordEquipment), "Import calibrations", "/calibrations/import")
        .way(true, "Concessions", "/concessions")
        .way(true, "Readings", "/instrument-readings")
        .way(true, "Labels", "/labels?kind=equipment")
        .section("list", "", Part::Table(table))
        .help(
            "Burettes, pipettes, flasks, balances, thermometers, those due first.",
            "ISO/IEC 17025:2017 6.4; ISO 385, ISO 648, ISO 1042, ISO 4787 (volumetric ware).",
            "What is overdue or out of service is refused at the bench; a failed check takes it out of service at once.",
        )
        .show()
}

/// Records equipment.
#[routes]
#[get("/equipment/new")]
#[post("/equipment/new")]
pub(super) async fn record_equipment(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Record equipment", "Record", "/equipment").with(fields()).help(
        "What is measured with, by the code on its label.",
        "ISO/IEC 17025:2017 6.4.13.",
        "Without a calibration it is refused at the bench: record one next.",
    );
    shell
        .take(&who, &sent, form, async |act, facts: EquipmentFacts| {
            let answer = service::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/equipment/{}", field_of(&answer, "id"))))
        })
        .await
}

async fn present(db: &Db, id: Uuid) -> Result<VersionView<EquipmentFacts>, Refusal> {
    let history = service::read(db, id).await?.resource;
    history.versions.into_iter().next_back().ok_or_else(|| Refusal::not_found("equipment", id))
}

/// A piece of equipment with calibrations and checks.
#[get("/equipment/{id}")]
pub(super) async fn read_equipment(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = service::read(&db, *id).await?.resource;
    let view = history.versions.last().ok_or_else(|| Refusal::not_found("equipment", *id))?;
    let calibrations = service::calibrations(&db, *id).await?;
    let stated = service::stated(&db, *id).await?;
    let digests: Vec<&str> = calibrations.iter().filter_map(|one| one.row.certificate_digest.as_deref()).collect();
    let files = certificate_files::known(&db, &digests).await?;
    let checks = service::checks(&db, *id).await?;
    let names = versioned::names(&db, &history.versions, &history.moves).await?;
    let mut people: Vec<Uuid> = calibrations.iter().map(|one| one.row.recorded_by.0).collect();
    people.extend(checks.iter().map(|one| one.row.recorded_by.0));
    let people = accounts::names(&db, &people).await?;
    let unit = view.facts.unit.clone();
    let path = format!("/equipment/{id}");
    let records = shell.may(Action::RecordEquipment);
    let counts = calibrations.iter().filter(|one| one.corrected_by.is_none()).map(|one| &one.row);
    let prints = matches!(view.facts.kind.as_str(), "balance" | "piston burette");
    let due = counts.max_by_key(|row| row.calibrated_on).map(|row| row.due_on);
    let lead = due.map_or_else(
        || "Never calibrated: it is refused at the bench.".to_owned(),
        |due| format!("Calibration due {}, {}.", show::day(due), show::until_day(due)),
    );
    Sheet::new(&shell, "Equipment", view.facts.code.clone())
        .state(view.state.clone())
        .lead(lead)
        .way(shell.may(Action::CheckEquipment), "Record a check", format!("{path}/checks"))
        .way(records, "Record a calibration", format!("{path}/calibrations"))
        .way(records && moves_on(KIND, &view.state), "Move", format!("{path}/moves"))
        .way(records, "Correct", format!("{path}/correction"))
        .way(prints, "Readings", format!("/instrument-readings?equipment={id}"))
        .way(true, "Where used", format!("/where-used/{id}"))
        .way(true, "Label", format!("/labels/sheet?kind=equipment&id={id}"))
        .section("about", "About", Part::Facts(facts(&fields(), &json(&view.facts), &shell)))
        .section(
            "calibrations",
            "Calibrations",
            Part::Table(trust::calibrations(&shell, &calibrations, (&stated, &files), &unit, &people)),
        )
        .section("checks", "Checks", Part::Table(trust::checks(&shell, &checks, &people)))
        .section("versions", "Versions", versioned::versions(&shell, &fields(), &history.versions, &names))
        .section("history", "History", Part::Moves(history.moves, names))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "A piece of equipment with everything that says it can be trusted.",
            "ISO/IEC 17025:2017 6.4.6 to 6.4.13.",
            "A titration takes the calibration of its own day and keeps it.",
        )
        .show()
}

/// Corrects equipment.
#[routes]
#[get("/equipment/{id}/correction")]
#[post("/equipment/{id}/correction")]
pub(super) async fn correct_equipment(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let form = Form::new(format!("Correct {}", view.facts.code), "Record the correction", format!("/equipment/{id}"))
        .with(fields());
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<EquipmentFacts>| {
            service::correct(&db, &act, *id, version, correction).await
        })
        .await
}

/// Moves equipment into or out of service.
#[routes]
#[get("/equipment/{id}/moves")]
#[post("/equipment/{id}/moves")]
pub(super) async fn move_equipment(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let back = format!("/equipment/{id}");
    let form = Form::move_form(KIND, &view.state, format!("Move {}", view.facts.code), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}
