//! Importing a chart's history: tried first, every wrong cell named, then all of it or nothing.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::RecordControlValues;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Form, Sent};
use ferrotitre_html::sheet::{Cell, Part, Section, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_ledger::imports::pages as imports;
use ferrotitre_ledger::imports::tables::pages::{About, page};
use ferrotitre_ledger::imports::tables::service as tables;
use uuid::Uuid;

use crate::control_charts::history::History;
use crate::control_charts::import::{self, ImportView};
use crate::control_charts::service as charts;

/// Imports values from a table.
#[routes]
#[get("/charts/{id}/import")]
#[post("/charts/{id}/import")]
pub(super) async fn import_values(
    who: Allowed<RecordControlValues>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let chart = charts::read(&db, *id).await?;
    let template = import::template(&db, *id).await?;
    let back = format!("/charts/{id}");
    let form = Form::new(format!("Import values of {}", chart.code), "Go on", back.as_str())
        .lead("What marks mean is declared, never guessed: 1,234 can be two different numbers.")
        .with(imports::fields(template, "comma"))
        .help(
            "History that was written down before the service was there, judged like any other value.",
            "ISO/IEC 17025:2017 7.11 (control of data): the file is kept with its digest.",
            "Try it first: every wrong cell is named by line and column. Then import.",
        );
    imports::take_over(
        (&who, &shell),
        &sent,
        (form, &back),
        async |act, file| import::import(&db, &act, *id, file).await,
        async |file| Ok(summary(&shell, &chart.unit, &import::preview(&db, *id, &file).await?)),
    )
    .await
}

/// Imports values from a list with columns of its own.
#[routes]
#[get("/charts/{id}/import-list")]
#[post("/charts/{id}/import-list")]
pub(super) async fn import_list(
    who: Allowed<RecordControlValues>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let chart = charts::read(&db, *id).await?;
    let about = About {
        title: format!("Import a list of values of {}", chart.code),
        back: format!("/charts/{id}"),
        template: format!("/api/v1/control-charts/{id}/table-template"),
        standard: "ISO/IEC 17025:2017 7.11 (control of data): the file is kept with its digest.",
    };
    page((&who, &shell, &db), &sent, &History::of(&db, *id).await?, &about).await
}

/// Files that were imported into a chart.
pub(super) async fn files(db: &Db, chart: Uuid) -> Result<Option<Part>, Refusal> {
    let files = import::files(db, chart).await?;
    let lists = tables::of_subject(db, chart).await?;
    let both = files.iter().map(|file| file.recorded_by.0).chain(lists.iter().map(|list| list.recorded_by.0));
    let people: Vec<Uuid> = both.collect();
    let people = accounts::names(db, &people).await?;
    let row = |file: ferrotitre_ledger::imports::store::Kept| {
        vec![
            Cell::link(file.file_name, format!("/imports/{}", file.id)),
            Cell::number(file.records.to_string()),
            Cell::text(show::time(file.recorded_at)),
            Cell::text(people.get(&file.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(file.digest),
        ]
    };
    let list = |list: ferrotitre_ledger::imports::tables::ImportedTable| {
        vec![
            Cell::link(list.file_name, format!("/imports/tables/{}", list.id)),
            Cell::number(list.records.to_string()),
            Cell::text(show::time(list.recorded_at)),
            Cell::text(people.get(&list.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(list.digest),
        ]
    };
    let table = Table {
        columns: vec!["File", "Values", "Imported", "By", "SHA-256"],
        rows: files.into_iter().map(row).chain(lists.into_iter().map(list)).collect(),
        ..Table::default()
    };
    Ok((!table.rows.is_empty()).then_some(Part::Table(table)))
}

fn summary(shell: &Shell, unit: &str, view: &ImportView) -> Vec<Section> {
    let facts = vec![
        fact("Values", Cell::text(view.values.to_string())),
        fact("First", Cell::text(show::time(view.first))),
        fact("Last", Cell::text(show::time(view.last))),
        fact("Lowest", Cell::text(format!("{} {unit}", shell.n(&view.lowest)))),
        fact("Highest", Cell::text(format!("{} {unit}", shell.n(&view.highest)))),
        fact("SHA-256", Cell::text(view.digest.clone())),
    ];
    let row = |row: &import::ReadRow| {
        vec![
            Cell::text(format!("line {}", row.line)),
            Cell::text(show::time(row.observed_at)),
            Cell::number(shell.n(&row.value)),
        ]
    };
    let table = Table {
        columns: vec!["Line", "Observed", "Value"],
        rows: view.sample.iter().map(row).collect(),
        ..Table::default()
    };
    vec![
        Section::new("summary", "It would become this; nothing is stored yet", Part::Facts(facts)),
        Section::new("sample", "The first rows as they were read", Part::Table(table)),
    ]
}
