//! Pages of measuring equipment with calibrations and checks.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{CheckEquipment, ReadRecords, RecordEquipment};
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

use crate::equipment::service::{self, Piece};
use crate::equipment::store::{Calibration, Check, EquipmentFacts, KINDS, NewCalibration, NewCheck};

const KIND: EntityKind = EntityKind::Equipment;
/// Lines of a corrections table in the form.
const LINES: usize = 8;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_equipment)
        .service(record_equipment)
        .service(read_equipment)
        .service(correct_equipment)
        .service(move_equipment)
        .service(record_calibration)
        .service(record_check);
}

fn fields() -> Vec<Field> {
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
            Cell::state(piece.view.state.clone()),
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
        .way(true, "Concessions", "/concessions")
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
    let checks = service::checks(&db, *id).await?;
    let names = versioned::names(&db, &history.versions, &history.moves).await?;
    let mut people: Vec<Uuid> = calibrations.iter().map(|row| row.recorded_by.0).collect();
    people.extend(checks.iter().map(|row| row.recorded_by.0));
    let people = accounts::names(&db, &people).await?;
    let unit = view.facts.unit.clone();
    let path = format!("/equipment/{id}");
    let records = shell.may(Action::RecordEquipment);
    let due = calibrations.iter().max_by_key(|row| row.calibrated_on).map(|row| row.due_on);
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
        .way(true, "Label", format!("/labels/sheet?kind=equipment&id={id}"))
        .section("about", "About", Part::Facts(facts(&fields(), &json(&view.facts), &shell)))
        .section("calibrations", "Calibrations", Part::Table(calibration_table(&shell, &calibrations, &unit, &people)))
        .section("checks", "Checks", Part::Table(check_table(&shell, &checks, &people)))
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

fn calibration_table(shell: &Shell, rows: &[Calibration], unit: &str, people: &ferrotitre_html::sheet::Names) -> Table {
    let row = |row: &Calibration| {
        let corrections = row.corrections.as_array().map(|lines| {
            let text = |line: &serde_json::Value, field: &str| {
                line.get(field).and_then(serde_json::Value::as_str).unwrap_or_default().to_owned()
            };
            let line = |line| format!("{} at {}", text(line, "correction"), text(line, "reading"));
            shell.n(lines.iter().map(line).collect::<Vec<_>>().join("; "))
        });
        vec![
            Cell::text(row.certificate.clone()),
            Cell::text(show::day(row.calibrated_on)),
            Cell::text(format!("{}, {}", show::day(row.due_on), show::until_day(row.due_on))),
            Cell::number(row.calibrated_value.as_ref().map(|value| shell.n(value)).unwrap_or_default()),
            Cell::number(format!("{} {unit}", shell.n(&row.standard_uncertainty))),
            Cell::text(corrections.unwrap_or_default()),
            Cell::text(people.get(&row.recorded_by.0).cloned().unwrap_or_default()),
        ]
    };
    Table {
        columns: vec!["Certificate", "Calibrated", "Due", "Volume, mL", "u", "Corrections, mL", "Recorded by"],
        rows: rows.iter().map(row).collect(),
        empty: "None: it is refused at the bench.",
        ..Table::default()
    }
}

fn check_table(shell: &Shell, rows: &[Check], people: &ferrotitre_html::sheet::Names) -> Table {
    let row = |row: &Check| {
        vec![
            Cell::text(show::time(row.observed_at)),
            Cell::state(row.outcome.clone()),
            Cell::number(row.reading.as_ref().map(|value| shell.n(value)).unwrap_or_default()),
            Cell::number(row.reference.as_ref().map(|value| shell.n(value)).unwrap_or_default()),
            Cell::text(row.note.clone().unwrap_or_default()),
            Cell::text(people.get(&row.recorded_by.0).cloned().unwrap_or_default()),
        ]
    };
    Table {
        columns: vec!["When", "Outcome", "Reading", "Reference", "Seen", "By"],
        rows: rows.iter().map(row).collect(),
        empty: "No check yet.",
        ..Table::default()
    }
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

/// Records a calibration.
#[routes]
#[get("/equipment/{id}/calibrations")]
#[post("/equipment/{id}/calibrations")]
pub(super) async fn record_calibration(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let back = format!("/equipment/{id}#calibrations");
    let mut form = Form::new(format!("Calibration of {}", view.facts.code), "Save calibration", back.as_str())
        .with([
            Field::new("certificate", "Certificate number", Kind::Text),
            Field::new("certificate_digest", "SHA-256 of the certificate's file", Kind::Text).optional(),
            Field::new("calibrated_on", "Day of calibration", Kind::Day),
            Field::new("due_on", "Last day of validity", Kind::Day),
            Field::new("standard_uncertainty", &format!("Standard uncertainty, {}", view.facts.unit), Kind::Decimal),
            Field::new("degrees_of_freedom", "Its degrees of freedom", Kind::Decimal)
                .optional()
                .help("Left empty: unlimited."),
        ])
        .help(
            "What a certificate says, with the day until which it is trusted.",
            "ISO/IEC 17025:2017 6.4.7 and 6.5; ISO 4787.",
            "It counts for observations from its day on; earlier ones keep theirs.",
        );
    let kind = view.facts.kind.as_str();
    if matches!(kind, "pipette" | "flask") {
        form = form.with([Field::new("calibrated_value", "Calibrated volume at 20 °C, mL", Kind::Decimal)]);
    }
    if kind.contains("burette") {
        for line in 0..LINES {
            let reading =
                Field::new(&format!("corrections[{line}].reading"), "At reading, mL", Kind::Decimal).optional();
            let reading = if line == 0 {
                reading.part("Corrections").help("At least 5 rising readings, or none.")
            } else {
                reading
            };
            let correction =
                Field::new(&format!("corrections[{line}].correction"), "Add, mL", Kind::Decimal).optional();
            form = form.with([reading, correction]);
        }
    }
    shell
        .take(&who, &sent, form, async |act, new: NewCalibration| {
            Ok(onward(&service::record_calibration(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Records a check.
#[routes]
#[get("/equipment/{id}/checks")]
#[post("/equipment/{id}/checks")]
pub(super) async fn record_check(
    who: Allowed<CheckEquipment>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let back = format!("/equipment/{id}#checks");
    let form = Form::new(format!("Check of {}", view.facts.code), "Save check", back.as_str())
        .lead("A failed check takes it out of service at once.")
        .with([
            Field::new("outcome", "Outcome", Kind::Choice(words(&["passed", "failed"]))),
            Field::new("reading", "Reading", Kind::Decimal).optional(),
            Field::new("reference", "Reference value", Kind::Decimal).optional(),
            Field::new("note", "What was seen", Kind::Long).optional(),
            Field::new("observed_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
            Field::late_reason(),
        ])
        .help(
            "A check between calibrations.",
            "ISO/IEC 17025:2017 6.4.10.",
            "A failed one takes it out of service; a manager puts it back, with a reason.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewCheck| {
            Ok(onward(&service::record_check(&db, &act, *id, new).await?, &back))
        })
        .await
}
