//! Calibrations and checks on the page of a piece, and the forms that record and correct them.

use std::collections::HashSet;

use actix_web::{HttpResponse, routes, web};
use uuid::Uuid;

use crate::certificate_files::pages as certificate_files;
use crate::equipment::pages::present;
use crate::equipment::service::{self, Corrigible};
use crate::equipment::stated::{self, BALANCE, CLASS, EXPANDED, PERMISSIBLE, StatedUncertainty};
use crate::equipment::store::{Calibration, Check, EquipmentFacts, NewCalibration, NewCheck};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{CheckEquipment, ReadRecords, RecordEquipment};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_html::form::{Choice, Field, Form, Kind, RESHAPE, Sent, onward, words};
use ferrotitre_html::sheet::{Cell, Names, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::json;

/// Lines of a corrections table in the form.
const LINES: usize = 8;
/// A table as it was copied.
const PASTED: &str = "_pasted";

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

pub(super) fn calibrations(
    shell: &Shell,
    rows: &[Corrigible<Calibration>],
    (stated, files): (&[(Uuid, StatedUncertainty)], &HashSet<String>),
    unit: &str,
    people: &Names,
) -> Table {
    let said = |id: Uuid, u: &Decimal| match stated.iter().find(|(of, _)| *of == id) {
        Some((_, stated)) => format!("{} {unit} ({})", show::figure(u.value(), 3), stated.words(unit)),
        None => format!("{u} {unit}"),
    };
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
            certificate_files::cell(&row.certificate, row.certificate_digest.as_deref(), files),
            Cell::text(show::day(row.calibrated_on)),
            Cell::text(format!("{}, {}", show::day(row.due_on), show::until_day(row.due_on))),
            Cell::number(row.calibrated_value.as_ref().map(|value| shell.n(value)).unwrap_or_default()),
            Cell::number(shell.n(said(row.id.0, &row.standard_uncertainty))),
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

/// The form of a calibration, with so many lines of corrections at least.
fn calibration_form(facts: &EquipmentFacts, (title, button): (String, &'static str), back: &str, lines: usize) -> Form {
    let mut form = Form::new(title, button, back)
        .with([
            Field::new("certificate", "Certificate number", Kind::Text),
            Field::new("certificate_digest", "SHA-256 of the certificate's file", Kind::Text).optional(),
            Field::new("calibrated_on", "Day of calibration", Kind::Day),
            Field::new("due_on", "Last day of validity", Kind::Day),
        ])
        .with(uncertainty_fields(facts))
        .help(
            "What a certificate says, with the day until which it is trusted.",
            "ISO/IEC 17025:2017 6.4.7 and 6.5; ISO 4787; JCGM 100:2008, 4.3.",
            "It counts for observations from its day on; earlier ones keep theirs.",
        );
    if facts.is_vessel() {
        let volume = Field::new("calibrated_value", "Calibrated volume at 20 °C, mL", Kind::Decimal);
        form = form.with([volume
            .optional()
            .help("Left empty only where the accuracy class is all there is: the nominal volume.")]);
    }
    if facts.is_burette() {
        form = form.with(correction_fields(lines));
    }
    form
}

/// The standard uncertainty, or what the certificate states in its place.
fn uncertainty_fields(facts: &EquipmentFacts) -> Vec<Field> {
    let unit = &facts.unit;
    let mut ways = vec![
        Choice::thing(EXPANDED, "expanded uncertainty", "U with k: u = U / k"),
        Choice::thing(PERMISSIBLE, "permissible error", "limits ± a: u = a / √3"),
    ];
    let marked = matches!(facts.kind.as_str(), "burette" | "pipette" | "flask");
    let balance = facts.kind == "balance";
    if marked {
        ways.push(Choice::thing(CLASS, "accuracy class", "a by ISO 385, ISO 648 or ISO 1042"));
    }
    if balance {
        ways.push(Choice::thing(BALANCE, "repeatability and linearity", "of a mass by difference"));
    }
    let units: Vec<Choice> = stated::units(facts).into_iter().map(Choice::word).collect();
    let mut fields = vec![
        Field::new("standard_uncertainty", &format!("Standard uncertainty u, {unit}"), Kind::Decimal)
            .optional()
            .part("Uncertainty")
            .help("Or, in its place, what the certificate states:"),
        Field::new("stated.stated_as", "Stated as", Kind::Choice(ways)).optional(),
        Field::new(
            "stated.value",
            if balance { "Its value; of a balance the repeatability" } else { "Its value" },
            Kind::Decimal,
        )
        .optional()
        .help("As printed."),
        Field::new("stated.unit", "In", Kind::Choice(units)).optional().help("Left out: the unit of the equipment."),
        Field::new("stated.coverage_factor", "Coverage factor k", Kind::Decimal).optional().help("Mostly 2."),
    ];
    if marked {
        let classes = ["A", "AS", "B"].into_iter().map(Choice::word).collect();
        fields.push(Field::new("stated.accuracy_class", "Class as marked", Kind::Choice(classes)).optional());
    }
    if balance {
        fields.push(Field::new("stated.linearity", &format!("Linearity ±, {unit}"), Kind::Decimal).optional());
    }
    fields.push(Field::new(RESHAPE, "Show u", Kind::Reshape("u".to_owned())));
    fields.push(
        Field::new("degrees_of_freedom", "Its degrees of freedom", Kind::Decimal)
            .optional()
            .help("Left empty: unlimited."),
    );
    fields
}

/// Lines of a corrections table, and room to paste one.
fn correction_fields(lines: usize) -> Vec<Field> {
    let mut fields = vec![
        Field::new(PASTED, "Paste a table", Kind::Long)
            .optional()
            .part("Corrections")
            .help("A line for each point: reading, then what is to be added, as copied from a sheet. At least 5 rising readings, or none."),
        Field::new(RESHAPE, "Take the table over", Kind::Reshape("table".to_owned())),
    ];
    for line in 0..lines {
        fields.push(Field::new(&format!("corrections[{line}].reading"), "At reading, mL", Kind::Decimal).optional());
        fields.push(Field::new(&format!("corrections[{line}].correction"), "Add, mL", Kind::Decimal).optional());
    }
    fields
}

/// Fills a pasted table into the lines of the form; says which line of it has not two numbers.
fn take_over_pasted(sent: &mut Sent) -> Result<usize, Refusal> {
    let text = sent.get(PASTED).to_owned();
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    let mut pairs = Vec::new();
    for (at, line) in lines.iter().enumerate() {
        let cells: Vec<&str> = line.split(['\t', ';', ' ']).map(str::trim).filter(|cell| !cell.is_empty()).collect();
        let number = |cell: &str| cell.replace(',', ".").replace('\u{2212}', "-").parse::<Decimal>().ok();
        match cells[..] {
            [reading, correction] => match (number(reading), number(correction)) {
                (Some(reading), Some(correction)) => pairs.push((reading, correction)),
                // Column heads.
                _ if at == 0 => {}
                _ => return Err(unread(at, line)),
            },
            _ if at == 0 => {}
            _ => return Err(unread(at, line)),
        }
    }
    for (at, (reading, correction)) in pairs.iter().enumerate() {
        sent.set(&format!("corrections[{at}].reading"), reading);
        sent.set(&format!("corrections[{at}].correction"), correction);
    }
    if !pairs.is_empty() {
        sent.set(PASTED, "");
    }
    Ok(pairs.len())
}

fn unread(at: usize, line: &str) -> Refusal {
    let message = format!("line {} has not a reading and a correction", at + 1);
    Refusal::invalid(PASTED, "two_numbers", message, line)
}

/// Says what the entries come to, or what is wrong with them, where somebody asked.
fn show_uncertainty(form: &mut Form, sent: &Sent, facts: &EquipmentFacts) {
    let given = |name: &str| Some(sent.get(name).trim().replace(',', ".")).filter(|text| !text.is_empty());
    let number = |name: &str| given(name).and_then(|text| text.parse::<Decimal>().ok());
    if !sent.reshapes() || given("stated.stated_as").is_none() {
        return;
    }
    let stated = StatedUncertainty {
        stated_as: given("stated.stated_as").unwrap_or_default(),
        value: number("stated.value"),
        unit: given("stated.unit"),
        coverage_factor: number("stated.coverage_factor"),
        accuracy_class: given("stated.accuracy_class"),
        linearity: number("stated.linearity"),
    };
    let of = number("calibrated_value").unwrap_or_else(|| facts.range_high.clone());
    match stated.standard_uncertainty(facts, &of) {
        Ok(u) => {
            let words = format!("{}: u = {} {}", stated.words(&facts.unit), show::figure(u, 3), facts.unit);
            if let Some(field) = form.fields.iter_mut().find(|field| field.name == "standard_uncertainty") {
                field.help = words;
            }
        }
        Err(refusal) => form.blame(&refusal),
    }
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
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let back = format!("/equipment/{id}#calibrations");
    let title = (format!("Calibration of {}", view.facts.code), "Save calibration");
    let lines = take_over_pasted(&mut sent);
    let mut form = calibration_form(&view.facts, title, &back, LINES.max(*lines.as_ref().unwrap_or(&0)));
    form.fields.insert(1, certificate_files::field());
    show_uncertainty(&mut form, &sent, &view.facts);
    shell
        .take(&who, &sent, form, async |act, new: NewCalibration| {
            lines?;
            let file = certificate_files::of(&sent);
            Ok(onward(&service::record_calibration(&db, &act, *id, new, file).await?, &back))
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

/// A calibration as it was entered: with what the certificate states in place of what follows from it.
fn present_as_stated(calibration: &Calibration, said: Option<StatedUncertainty>) -> serde_json::Value {
    let mut entered = json(calibration);
    if let Some(said) = said {
        entered["standard_uncertainty"] = serde_json::Value::Null;
        entered["stated"] = json(&said);
    }
    entered
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
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let wrong = service::calibration(&db, *id).await?;
    let view = present(&db, wrong.equipment_id).await?;
    let back = format!("/equipment/{}#calibrations", wrong.equipment_id);
    let title = format!("Correct calibration {} of {}", wrong.certificate, view.facts.code);
    let said = service::stated(&db, wrong.equipment_id).await?.into_iter().find(|(of, _)| *of == wrong.id.0);
    let said = said.map(|(_, said)| said);
    let lines = take_over_pasted(&mut sent)?;
    let there = wrong.corrections.as_array().map_or(0, Vec::len);
    let mut form = calibration_form(&view.facts, (title, "Record the correction"), &back, LINES.max(lines).max(there));
    show_uncertainty(&mut form, &sent, &view.facts);
    shell
        .correct(
            &who,
            &sent,
            form,
            (&present_as_stated(&wrong, said), wrong.id.0),
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
