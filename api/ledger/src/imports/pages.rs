//! Pages of imports: the list of all files, one file as it came, and what forms of imports share.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Deed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, FILE, Field, Form, Kind, Sent, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::accounts::service as accounts;
use crate::imports::{ImportedFile, NewImport, service, tables};

/// Lines of a file that its page shows.
const SHOWN: usize = 500;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(list_imports).service(tables::pages::read_table).service(read_import);
}

/// Fields of every import: the file or its text, what its marks mean, and whether to try it first.
pub fn fields(template: String, mark: &str) -> Vec<Field> {
    let steps = vec![
        Choice::thing("try", "try", "says what it would become; nothing is stored"),
        Choice::thing("import", "import", "all of it or nothing; the file is kept"),
    ];
    let marks = vec![Choice::thing("point", "point", "118.2"), Choice::thing("comma", "comma", "118,2")];
    let separators = ["comma", "semicolon", "tab"].map(Choice::word).to_vec();
    vec![
        Field::new(FILE, "File", Kind::File)
            .optional()
            .help("Text in UTF-8 or UTF-16, at most 16 MB. Its text takes the place of the table below."),
        Field::new("file_name", "Name of the file", Kind::Text)
            .optional()
            .help("Left empty: the file's own, if it has one."),
        Field::new("decimal_mark", "Decimal mark", Kind::Choice(marks)).value(mark),
        Field::new("separator", "Between columns", Kind::Choice(separators)).value("semicolon"),
        Field::new("text", "The table, with its version line and header", Kind::Long)
            .value(template)
            .help("The lines below the header are an example."),
        Field::new("_do", "What now", Kind::Choice(steps)).value("try"),
    ]
}

/// Carries out a form of an import: tries the file, or takes it over and goes back to what it belongs to.
pub async fn take_over<D: Deed>(
    (who, shell): (&Allowed<D>, &Shell),
    sent: &Sent,
    (form, back): (Form, &str),
    import: impl AsyncFnOnce(Act, NewImport) -> Result<Answer, Refusal>,
    preview: impl AsyncFnOnce(NewImport) -> Result<Vec<Section>, Refusal>,
) -> Result<HttpResponse, Problem> {
    if sent.get("_do") == "import" {
        return shell.take(who, sent, form, async |act, file| Ok(onward(&import(act, file).await?, back))).await;
    }
    shell
        .answer(who, sent, form, async |file| {
            preview(file).await.map_err(|refusal| {
                let cells = wrong_cells(&refusal);
                (refusal, cells)
            })
        })
        .await
}

/// Wrong cells of a file, one a line; empty if the refusal is about something else.
pub(super) fn wrong_cells(refusal: &Refusal) -> Vec<Section> {
    if refusal.fields.is_empty() {
        return Vec::new();
    }
    let row = |wrong: &ferrotitre_base::refusal::FieldError| {
        vec![
            Cell::text(wrong.field.clone()),
            Cell::text(wrong.value.clone()),
            Cell::text(wrong.message.clone()),
            Cell::text(wrong.rule.clone()),
        ]
    };
    let table = Table {
        columns: vec!["Where", "Found", "What is wrong", "Rule"],
        rows: refusal.fields.iter().map(row).collect(),
        ..Table::default()
    };
    vec![Section::new("wrong", "Wrong cells; nothing is stored", Part::Table(table))]
}

/// Where the rows of a file went.
fn place(file: &ImportedFile) -> String {
    match file.purpose.as_str() {
        "control values" => format!("/charts/{}", file.subject),
        _ => format!("/validation/characteristics/{}", file.subject),
    }
}

/// Lists imported files.
#[get("/imports")]
pub(super) async fn list_imports(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let people: Vec<Uuid> = page.items.iter().map(|file| file.recorded_by.0).collect();
    let people = accounts::names(&db, &people).await?;
    let subjects: Vec<Uuid> = page.items.iter().map(|file| file.subject).collect();
    let charts = labels::of(&db, EntityKind::ControlChart, &subjects).await?;
    let rows = page.items.iter().map(|file| {
        let subject = charts.get(&file.subject).map_or("characteristic", String::as_str);
        vec![
            Cell::link(file.file_name.clone(), format!("/imports/{}", file.id)),
            Cell::text(file.purpose.clone()),
            Cell::link(subject, place(file)),
            Cell::number(file.records.to_string()),
            Cell::text(show::time(file.recorded_at)),
            Cell::text(people.get(&file.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(file.digest.clone()),
        ]
    });
    let table = Table {
        columns: vec!["File", "Became", "Of", "Records", "Imported", "By", "SHA-256"],
        rows: rows.collect(),
        empty: "Nothing was imported yet.",
        next: query.0.next("/imports", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Imports", "Imports")
        .way(true, "Import a list", "/imports/new")
        .lead("Every file whose rows became records. A file of history is imported on the page of its chart or characteristic.")
        .section("tables", "Lists of what there was", Part::Table(tables::pages::newest(&db).await?))
        .section("list", "History of charts and studies", Part::Table(table))
        .help(
            "Files that were taken over, with who did it, when, and the digest of the text.",
            "ISO/IEC 17025:2017 7.11.6: transfers of data are checked.",
            "The text is kept as it came; each record names its file and line.",
        )
        .show()
}

/// A file with its text.
#[get("/imports/{id}")]
pub(super) async fn read_import(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let file = service::read(&db, *id).await?;
    let by = accounts::names(&db, &[file.recorded_by.0]).await?.remove(&file.recorded_by.0).unwrap_or_default();
    let facts = vec![
        fact("Became", Cell::link(file.purpose.clone(), place(&file))),
        fact("Records", Cell::text(file.records.to_string())),
        fact("Decimal mark", Cell::text(file.decimal_mark.clone())),
        fact("Between columns", Cell::text(file.separator.clone())),
        fact("Imported", Cell::text(format!("{} by {by}", show::time_with_zone(file.recorded_at)))),
        fact("SHA-256 of the text", Cell::text(file.digest.clone())),
    ];
    let text = file.text.unwrap_or_default();
    let count = text.lines().count();
    let lines = text.lines().take(SHOWN).map(str::to_owned).collect();
    let title = if count > SHOWN { format!("The first {SHOWN} of {count} lines") } else { "The text".to_owned() };
    Sheet::new(&shell, "Imported file", file.file_name)
        .section("facts", "", Part::Facts(facts))
        .section("text", title, Part::Lines(lines))
        .help(
            "A file as it came. What its marks mean was declared, not guessed.",
            "ISO/IEC 17025:2017 7.5.2 and 7.11: the original is kept beside what was made of it.",
            "The whole text is in the JSON of this file, /api/v1/imports.",
        )
        .show()
}
