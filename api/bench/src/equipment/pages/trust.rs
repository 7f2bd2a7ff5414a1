//! Calibrations and checks on the page of a piece, and the forms that record and correct them.

use actix_web::{HttpResponse, routes, web};
use uuid::Uuid;

use crate::equipment::pages::present;
use crate::equipment::service::{self, Corrigible};
use crate::equipment::store::{Calibration, Check, EquipmentFacts, NewCalibration, NewCheck};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{CheckEquipment, ReadRecords, RecordEquipment};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_html::form::{Field, Form, Kind, Sent, onward, words};
use ferrotitre_html::sheet::{Cell, Names, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::json;

/// Lines of a corrections table in the form.
const LINES: usize = 8;

/// What corrects a line, or what it corrects and why.
fn standing<R>(one: &Corrigible<R>) -> String {
    match (&one.corrected_by, &one.reason) {
        (Some(_), _) => "corrected: no longer counts".to_owned(),
        (None, Some(reason)) => format!("corrects an earlier one: {reason}"),
        (None, None) => String::new(),
    }
}

/// The way to the correction of a line that was not corrected yet.
fn way<R>(may: bool, one: &Corrigible<R>, path: &str) -> Cell {
    if may && one.corrected_by.is_none() { Cell::link("correct", path.to_owned()) } else { Cell::default() }
}

pub(super) fn calibrations(shell: &Shell, rows: &[Corrigible<Calibration>], unit: &str, people: &Names) -> Table {
    let corrects = shell.may(Action::RecordEquipment);
    let row = |one: &Corrigible<Calibration>| {
        let row = &one.row;
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
            Cell::text(standing(one)),
            way(corrects, one, &format!("/calibrations/{}/correction", row.id)),
            Cell::link("where used", format!("/where-used/{}", row.id)),
            Cell::link("what if", format!("/what-if?calibration={}", row.id)),
        ]
    };
    Table {
        columns: vec![
            "Certificate",
            "Calibrated",
            "Due",
            "Volume, mL",
            "u",
            "Corrections, mL",
            "Recorded by",
            "Corrections made",
            "",
            "",
            "",
        ],
        rows: rows.iter().map(row).collect(),
        empty: "None: it is refused at the bench.",
        ..Table::default()
    }
}

pub(super) fn checks(shell: &Shell, rows: &[Corrigible<Check>], people: &Names) -> Table {
    let corrects = shell.may(Action::RecordEquipment);
    let row = |one: &Corrigible<Check>| {
        let row = &one.row;
        vec![
            Cell::text(show::time(row.observed_at)),
            Cell::state(row.outcome.clone()),
            Cell::number(row.reading.as_ref().map(|value| shell.n(value)).unwrap_or_default()),
            Cell::number(row.reference.as_ref().map(|value| shell.n(value)).unwrap_or_default()),
            Cell::text(row.note.clone().unwrap_or_default()),
            Cell::text(people.get(&row.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(standing(one)),
            way(corrects, one, &format!("/equipment-checks/{}/correction", row.id)),
        ]
    };
    Table {
        columns: vec!["When", "Outcome", "Reading", "Reference", "Seen", "By", "Corrections made", ""],
        rows: rows.iter().map(row).collect(),
        empty: "No check yet.",
        ..Table::default()
    }
}

/// The form of a calibration.
fn calibration_form(view: &VersionView<EquipmentFacts>, (title, button): (String, &'static str), back: &str) -> Form {
    let mut form = Form::new(title, button, back)
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
    form
}

/// The form of a check.
fn check_form((title, button): (String, &'static str), back: &str) -> Form {
    Form::new(title, button, back)
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
        )
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
    let title = (format!("Calibration of {}", view.facts.code), "Save calibration");
    let form = calibration_form(&view, title, &back);
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
    let form = check_form((format!("Check of {}", view.facts.code), "Save check"), &back);
    shell
        .take(&who, &sent, form, async |act, new: NewCheck| {
            Ok(onward(&service::record_check(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Corrects a calibration.
#[routes]
#[get("/calibrations/{id}/correction")]
#[post("/calibrations/{id}/correction")]
pub(super) async fn correct_calibration(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let wrong = service::calibration(&db, *id).await?;
    let view = present(&db, wrong.equipment_id).await?;
    let back = format!("/equipment/{}#calibrations", wrong.equipment_id);
    let title = format!("Correct calibration {} of {}", wrong.certificate, view.facts.code);
    let form = calibration_form(&view, (title, "Record the correction"), &back);
    shell
        .correct(
            &who,
            &sent,
            form,
            (&json(&wrong), wrong.id.0),
            async |act, _, correction: Correction<NewCalibration>| {
                service::correct_calibration(&db, &act, *id, correction).await
            },
        )
        .await
}

/// Corrects a check.
#[routes]
#[get("/equipment-checks/{id}/correction")]
#[post("/equipment-checks/{id}/correction")]
pub(super) async fn correct_check(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let wrong = service::check(&db, *id).await?;
    let view = present(&db, wrong.equipment_id).await?;
    let back = format!("/equipment/{}#checks", wrong.equipment_id);
    let form = check_form((format!("Correct a check of {}", view.facts.code), "Record the correction"), &back);
    shell
        .correct(&who, &sent, form, (&json(&wrong), wrong.id.0), async |act, _, correction: Correction<NewCheck>| {
            service::correct_check(&db, &act, *id, correction).await
        })
        .await
}
