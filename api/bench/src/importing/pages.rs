//! Pages that import lists, and the one that leads to them.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, ReceiveLots, RecordEquipment, RegisterSamples};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::Sent;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_ledger::imports::tables::Importable;
use ferrotitre_ledger::imports::tables::pages::{About, page};

use super::{Calibrations, Equipment, PrimaryStandards, Reagents, Samples, kinds};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(choose_import)
        .service(import_samples)
        .service(import_equipment)
        .service(import_calibrations)
        .service(import_primary_standards)
        .service(import_reagents);
}

/// Address of the template of a table.
fn template(table: &str) -> String {
    format!("/api/v1/import-tables/{table}/template")
}

fn about(table: &impl Importable, (title, back): (&str, &str), standard: &'static str) -> About {
    About { title: title.to_owned(), back: back.to_owned(), template: template(table.table()), standard }
}

/// Where a table is imported, what it is called, and what it takes.
const PAGES: [(&str, &str, &str, Action); 5] = [
    ("samples", "Samples", "/samples/import", Action::RegisterSamples),
    ("equipment", "Equipment, with the newest calibration of each piece", "/equipment/import", Action::RecordEquipment),
    ("calibrations", "Calibrations of equipment that is on record", "/calibrations/import", Action::RecordEquipment),
    ("primary-standards", "Lots of primary standards", "/stock/standards/import", Action::ReceiveLots),
    ("reagents", "Lots of reagents", "/stock/reagents/import", Action::ReceiveLots),
];

/// What can be imported, with templates.
#[get("/imports/new")]
pub(super) async fn choose_import(_who: Allowed<ReadRecords>, shell: Shell) -> Result<HttpResponse, Problem> {
    let row = |(table, name, address, action): &(&str, &str, &str, Action)| {
        let columns = kinds().into_iter().find(|kind| kind.table == *table).map_or(0, |kind| kind.columns.len());
        let what = if shell.may(*action) { Cell::link(*name, *address) } else { Cell::text(*name) };
        vec![
            what,
            Cell::number(columns.to_string()),
            Cell::link("Spreadsheet", format!("{}?format=xlsx", template(table))),
            Cell::link("CSV", format!("{}?format=csv", template(table))),
        ]
    };
    let table = Table {
        columns: vec!["What", "Columns", "Template", "or"],
        rows: PAGES.iter().map(row).collect(),
        ..Table::default()
    };
    let apart = vec![
        "Control history: on the page of its chart, from a workbook or from text.".to_owned(),
        "Data of a validation study: on the page of the characteristic.".to_owned(),
        "People are not imported: a file with passwords would be kept for ever, and a second person decides on every role.".to_owned(),
        "Past results are not imported: a result is what its titrations come to here. The samples can be, with their own codes.".to_owned(),
    ];
    Sheet::new(&shell, "Imports", "Import a list")
        .way(true, "What was imported", "/imports")
        .lead("A list as you have it, in a workbook or as text, with your own columns. Which column is which you say when the file is there.")
        .section("lists", "", Part::Table(table))
        .section("apart", "Elsewhere, or not at all", Part::List(apart))
        .help(
            "Lists of what a laboratory has when it begins.",
            "ISO/IEC 17025:2017 7.11.6: transfers of data are checked.",
            "Try the file first: every cell that is refused is named. Then all of it is imported, or nothing.",
        )
        .show()
}

/// Imports samples.
#[routes]
#[get("/samples/import")]
#[post("/samples/import")]
pub(super) async fn import_samples(
    who: Allowed<RegisterSamples>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let standard = "ISO/IEC 17025:2017 7.4.2 and 7.11: items keep their identity, transfers of data are checked.";
    page((&who, &shell, &db), &sent, &Samples, &about(&Samples, ("Import samples", "/samples"), standard)).await
}

/// Imports equipment.
#[routes]
#[get("/equipment/import")]
#[post("/equipment/import")]
pub(super) async fn import_equipment(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let standard = "ISO/IEC 17025:2017 6.4.13 and 7.11: what is on record of equipment, transfers of data are checked.";
    page((&who, &shell, &db), &sent, &Equipment, &about(&Equipment, ("Import equipment", "/equipment"), standard)).await
}

/// Imports calibrations.
#[routes]
#[get("/calibrations/import")]
#[post("/calibrations/import")]
pub(super) async fn import_calibrations(
    who: Allowed<RecordEquipment>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let standard = "ISO/IEC 17025:2017 6.4.13 and 7.11: what is on record of equipment, transfers of data are checked.";
    page(
        (&who, &shell, &db),
        &sent,
        &Calibrations,
        &about(&Calibrations, ("Import calibrations", "/equipment"), standard),
    )
    .await
}

/// Imports lots of primary standards.
#[routes]
#[get("/stock/standards/import")]
#[post("/stock/standards/import")]
pub(super) async fn import_primary_standards(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let standard = "ISO/IEC 17025:2017 6.5, 6.6 and 7.11: what is bought and traceable, transfers of data are checked.";
    page(
        (&who, &shell, &db),
        &sent,
        &PrimaryStandards,
        &about(&PrimaryStandards, ("Import primary standards", "/stock"), standard),
    )
    .await
}

/// Imports lots of reagents.
#[routes]
#[get("/stock/reagents/import")]
#[post("/stock/reagents/import")]
pub(super) async fn import_reagents(
    who: Allowed<ReceiveLots>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let standard = "ISO/IEC 17025:2017 6.6 and 7.11: what is bought, transfers of data are checked.";
    page((&who, &shell, &db), &sent, &Reagents, &about(&Reagents, ("Import reagents", "/stock/reagents"), standard))
        .await
}
