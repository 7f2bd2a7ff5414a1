//! The page that imports a table: the file is shown, its columns are chosen, then it is tried and taken over.
//!
//! The file goes along with the form from step to step, so that the service keeps nothing until it is imported.

use std::cell::RefCell;

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Deed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::{Problem, status_of};
use ferrotitre_html::form::{Choice, Field, Form, Kind, RESHAPE, Sent, TABLE, field_of, onward};
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table, Way, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use super::cell::Dates;
use super::service::{self, Look};
use super::{Column, Importable, NewTable, TableView};
use crate::accounts::service as accounts;
use crate::imports::pages::wrong_cells;

/// Rows of an imported table that its page shows.
const SHOWN: usize = 500;

/// What a page of an import says about itself.
pub struct About {
    /// Title.
    pub title: String,
    /// Where to go back to.
    pub back: String,
    /// Address of the template, which takes `?format=`.
    pub template: String,
    /// Standard that it follows.
    pub standard: &'static str,
}

/// Imports a table: shows the file of a first form, then asks for its columns, then tries it or takes it over.
///
/// # Errors
/// What is no form of this session; a store that cannot be reached.
pub async fn page<D: Deed, T: Importable>(
    (who, shell, db): (&Allowed<D>, &Shell, &Db),
    sent: &Sent,
    table: &T,
    about: &About,
) -> Result<HttpResponse, Problem> {
    let columns = table.columns();
    let look = match opened(sent).await {
        Ok(look) => look,
        Err(refusal) => {
            let mut form = first(shell, about);
            let mut status = StatusCode::OK;
            if let Some(refusal) = refusal {
                form.take_over(sent);
                status = status_of(refusal.code);
                form.blame(&refusal);
            }
            return shell.below(&form, vec![what_stands_where(&columns, about)], status);
        }
    };
    let wrong = RefCell::new(Vec::new());
    let draw = |shell: &Shell, form: &Form, status| {
        let mut above = wrong.take();
        above.push(seen(&look));
        shell.below(form, above, status)
    };
    let import = async |act, file: NewTable| match service::import(db, &act, table, file).await {
        Ok(answer) => Ok(onward(&answer, &format!("/imports/tables/{}", field_of(&answer, "id")))),
        Err(refusal) => {
            wrong.replace(wrong_cells(&of_cells(&refusal, true)));
            Err(beside(of_cells(&refusal, false)))
        }
    };
    if sent.get(RESHAPE) == FIRST && sent.get(HOW) == "import" {
        let form = first(shell, about).hide("content", "").hide("file_name", "");
        return shell.take_with(who, &sent.whole(), form, draw, import).await;
    }
    let form = second(shell, about, &columns, &look, sent.get("file_name"));
    if sent.reshapes() {
        let mut form = form;
        form.take_over(sent);
        guess(&mut form, &columns, &look);
        return shell.below(&form, vec![seen(&look)], StatusCode::OK);
    }
    if sent.get("_do") != "import" {
        return shell
            .answer_with(who, sent, form, vec![seen(&look)], async |file: NewTable| {
                let view = service::preview(db, table, file).await;
                view.map(|view| summary(shell, &columns, &view)).map_err(|refusal| {
                    let cells = wrong_cells(&of_cells(&refusal, true));
                    (beside(of_cells(&refusal, false)), cells)
                })
            })
            .await;
    }
    shell.take_with(who, sent, form, draw, import).await
}

/// The file that was sent; or why it cannot be read, and nothing where none was sent yet.
async fn opened(sent: &Sent) -> Result<Look, Option<Refusal>> {
    if !sent.posted() {
        return Err(None);
    }
    if sent.get("content").is_empty() {
        return Err(Some(Refusal::invalid(TABLE, "required", "choose a file", "")));
    }
    service::look(asked(sent)).await.map_err(|refusal| Some(beside(refusal)))
}

/// What a form says of the file, as far as it matters for opening it.
fn asked(sent: &Sent) -> NewTable {
    let text = |name: &str| Some(sent.get(name).to_owned()).filter(|text| !text.trim().is_empty());
    NewTable {
        file_name: sent.get("file_name").to_owned(),
        content: sent.get("content").to_owned(),
        sheet: text("sheet"),
        separator: text("separator"),
        decimal_mark: String::new(),
        date_format: String::new(),
        heading_row: sent.get("heading_row").trim().parse().ok(),
        columns: None,
        same: std::collections::BTreeMap::new(),
    }
}

/// The part of a refusal that is about cells, or that about fields of the form.
fn of_cells(refusal: &Refusal, cells: bool) -> Refusal {
    let form = ["content", "sheet", "separator", "decimal_mark", "date_format", "heading_row"];
    let fields = refusal.fields.iter().filter(|wrong| {
        let of_form = form.contains(&wrong.field.as_str())
            || wrong.field.starts_with("columns.")
            || wrong.field.starts_with("same.");
        of_form != cells
    });
    Refusal { fields: fields.cloned().collect(), ..Refusal::new(refusal.code, refusal.detail.clone()) }
}

/// What is wrong with the file, beside the field that takes it.
fn beside(mut refusal: Refusal) -> Refusal {
    for wrong in refusal.fields.iter_mut().filter(|wrong| wrong.field == "content") {
        TABLE.clone_into(&mut wrong.field);
    }
    refusal
}

/// Fields that both forms have.
fn marks(shell: &Shell) -> Vec<Field> {
    let marks = vec![Choice::thing("point", "point", "118.2"), Choice::thing("comma", "comma", "118,2")];
    let separators = ["comma", "semicolon", "tab"].map(Choice::word).to_vec();
    let dates = Dates::ALL.map(|(name, _)| Choice::word(name)).to_vec();
    vec![
        Field::new(TABLE, "File", Kind::File)
            .optional()
            .help("A workbook (.xlsx, .ods) or text (.csv) in UTF-8 or UTF-16; at most 10 MB."),
        Field::new("separator", "Between columns", Kind::Choice(separators))
            .value("semicolon")
            .help("Of text only; a workbook has columns of its own."),
        Field::new("decimal_mark", "Decimal mark", Kind::Choice(marks))
            .value(shell.mark())
            .help("Of numbers that are text. A number in a workbook has no trailing zeros; as text it keeps them."),
        Field::new("date_format", "Days", Kind::Choice(dates))
            .value(if shell.mark() == "comma" { "DD.MM.YYYY" } else { "YYYY-MM-DD" })
            .help("Of days that are text, with or without a time after it: 08:30."),
    ]
}

/// What the form that takes the file asks for.
const FIRST: &str = "read";
/// Its field for what becomes of the file.
const HOW: &str = "_how";

/// The form that takes the file.
fn first(shell: &Shell, about: &About) -> Form {
    let steps = vec![
        Choice::thing("look", "look at it", "and say which column is which"),
        Choice::thing("import", "import at once", "where the headings are those of the template; all of it or nothing"),
    ];
    Form::new(about.title.clone(), "Go on", about.back.clone())
        .lead("What marks mean is declared, never guessed: 1,234 can be two different numbers, 03/04/2025 two different days.")
        .with(marks(shell))
        .with([Field::new(HOW, "What now", Kind::Choice(steps)).value("look")])
        .hide(RESHAPE, FIRST)
        .help(
            "A list of the laboratory's own, with its own columns in its own order.",
            about.standard,
            "The file is shown as it was read, and you say which column is which. Nothing is stored before you import.",
        )
}

/// The form that asks which column is which.
fn second(shell: &Shell, about: &About, columns: &[Column], look: &Look, file_name: &str) -> Form {
    let steps = vec![
        Choice::thing("try", "try", "names every cell that would be refused; nothing is stored"),
        Choice::thing("import", "import", "all of it or nothing; the file is kept"),
    ];
    let named: Vec<&(String, String)> = look.headings.iter().filter(|(_, heading)| !heading.is_empty()).collect();
    let headings: Vec<Choice> =
        named.iter().map(|(letter, heading)| Choice::thing(heading, heading, format!("column {letter}"))).collect();
    let mut fields = marks(shell);
    fields[0].label = "Another file".to_owned();
    if !look.sheets.is_empty() {
        let sheets = look.sheets.iter().map(|sheet| Choice::word(sheet)).collect();
        fields.push(Field::new("sheet", "Sheet", Kind::List(sheets)).value(&look.sheet));
    }
    fields.push(
        Field::new("heading_row", "Row of the headings", Kind::Whole)
            .optional()
            .help("Left empty: the first that holds anything."),
    );
    fields.push(
        Field::new(RESHAPE, "Read it again", Kind::Reshape("again".to_owned()))
            .optional()
            .help("With another file, sheet, separator or row of headings."),
    );
    for (at, column) in columns.iter().enumerate() {
        let words = [column.holds(), column.help.clone()];
        let example =
            if column.example.is_empty() { String::new() } else { format!("for instance {}", column.example) };
        let words: Vec<&str> =
            words.iter().map(String::as_str).chain([example.as_str()]).filter(|w| !w.is_empty()).collect();
        let needed = if column.required { "Required: " } else { "" };
        let field = Field::new(&format!("columns.{}", column.key), &column.heading, Kind::List(headings.clone()))
            .optional()
            .help(format!("{needed}{}.", words.join("; ").trim_end_matches('.')));
        fields.push(if at == 0 { field.part("Which column is which") } else { field });
        let same = Field::new(
            &format!("same.{}", column.key),
            &format!("{}: the same in every row", column.heading),
            Kind::Text,
        );
        fields.push(same.optional());
    }
    fields.push(Field::new("_do", "What now", Kind::Choice(steps)).value("try").part("Try it, then import"));
    let name = if file_name.trim().is_empty() { "The file" } else { file_name };
    let mut form = Form::new(about.title.clone(), "Go on", about.back.clone())
        .lead(format!("{name}: {} rows below the headings.", look.count))
        .with(fields)
        // Taken over from what was sent.
        .hide("content", "")
        .hide("file_name", "")
        .help(
            "Which column is which. What stands nowhere in the file can be given once for all rows.",
            about.standard,
            "Try it first: every cell that is refused is named as the sheet names it. Then import.",
        );
    guess(&mut form, columns, look);
    form
}

/// Fields of columns that are not chosen, or no longer there, by equal headings.
fn guess(form: &mut Form, columns: &[Column], look: &Look) {
    let there = |wanted: &str| {
        let same = |(_, heading): &&(String, String)| heading.to_lowercase() == wanted.to_lowercase();
        look.headings.iter().find(same).filter(|_| !wanted.is_empty()).map(|(_, heading)| heading.clone())
    };
    for column in columns {
        let given = |form: &Form, name: String| form.fields.iter().position(|field| field.name == name);
        let same = given(form, format!("same.{}", column.key)).map(|at| form.fields[at].value.clone());
        let Some(at) = given(form, format!("columns.{}", column.key)) else { continue };
        if there(&form.fields[at].value).is_some() {
            continue;
        }
        let said = same.is_some_and(|same| !same.trim().is_empty());
        let found = there(&column.heading).or_else(|| there(&column.key)).filter(|_| !said);
        form.fields[at].value = found.unwrap_or_default();
    }
}

/// The columns a table can have, and its templates.
fn what_stands_where(columns: &[Column], about: &About) -> Section {
    let row = |column: &Column| {
        vec![
            Cell::text(column.heading.clone()),
            Cell::text(if column.required { "required" } else { "" }),
            Cell::text(column.holds()),
            Cell::text(column.help.clone()),
            Cell::text(column.example),
        ]
    };
    let table = Table {
        columns: vec!["Heading", "", "Holds", "More", "Example"],
        rows: columns.iter().map(row).collect(),
        ..Table::default()
    };
    let mut section = Section::new("columns", "Columns of the list", Part::Table(table));
    for (label, format) in [("Template (spreadsheet)", "xlsx"), ("Template (CSV)", "csv")] {
        let address = format!("{}?format={format}", about.template);
        section.ways.push(Way { label: label.to_owned(), address, main: false });
    }
    section
}

/// The file as it lies there: a row for each of its columns, with the first cells of it.
fn seen(look: &Look) -> Section {
    let cell = |row: usize, column: usize| {
        let text = look.rows.get(row).and_then(|cells| cells.get(column));
        Cell::text(text.map(|text| text.chars().take(80).collect::<String>()).unwrap_or_default())
    };
    let rows = look.headings.iter().enumerate().map(|(column, (letter, heading))| {
        let head = [Cell::text(letter.clone()), Cell::text(heading.clone())];
        head.into_iter().chain((0..3).map(|row| cell(row, column))).collect()
    });
    let table = Table {
        columns: vec!["Column", "Heading", "First row", "Second row", "Third row"],
        rows: rows.collect(),
        ..Table::default()
    };
    Section::new("seen", "The file as it was read", Part::Table(table))
}

/// What a file that was tried would become.
fn summary(shell: &Shell, columns: &[Column], view: &TableView) -> Vec<Section> {
    let unread: Vec<&str> =
        view.headings.iter().filter(|one| one.fields.is_empty()).map(|one| one.heading.as_str()).collect();
    let mut facts =
        vec![fact("Records", Cell::text(view.records.to_string())), fact("SHA-256", Cell::text(view.digest.clone()))];
    if !unread.is_empty() {
        facts.push(fact("Columns that are not read", Cell::text(unread.join(", "))));
    }
    let shown = |column: &Column, row: usize| {
        let value = view.sample.get(row).and_then(|row| row.values.get(&column.key)).cloned().unwrap_or_default();
        match column.kind {
            Kind::Time { .. } => Cell::text(value.parse().map_or(value, show::time)),
            Kind::Day => Cell::text(value.parse().map_or(value, show::day)),
            Kind::Decimal => Cell::number(shell.n(value)),
            _ => Cell::text(value),
        }
    };
    let row = |column: &Column| {
        let taken = view.headings.iter().find(|one| one.fields.contains(&column.key));
        let mut cells = vec![Cell::text(column.heading.clone()), Cell::text(taken.map_or("", |one| &one.heading))];
        cells.extend((0..3).map(|row| shown(column, row)));
        cells
    };
    let table = Table {
        columns: vec!["Field", "Column", "First row", "Second row", "Third row"],
        rows: columns.iter().map(row).collect(),
        ..Table::default()
    };
    vec![
        Section::new("summary", "It would become this; nothing is stored yet", Part::Facts(facts)),
        Section::new("sample", "The first rows as they would be recorded", Part::Table(table)),
    ]
}

/// Where a record of a table is.
fn place(table: &str, id: Uuid) -> String {
    match table {
        "samples" => format!("/samples/{id}"),
        "equipment" => format!("/equipment/{id}"),
        "primary-standards" => format!("/stock/standards/{id}"),
        "reagents" => format!("/stock/reagents/{id}"),
        "control-values" => format!("/control-values/{id}"),
        _ => format!("/where-used/{id}"),
    }
}

/// Imported tables, for the list of all imports.
pub(in crate::imports) async fn newest(db: &Db) -> Result<Table, Refusal> {
    let page = service::list(db, &ferrotitre_html::form::first_page()).await?;
    let people: Vec<Uuid> = page.items.iter().map(|file| file.recorded_by.0).collect();
    let people = accounts::names(db, &people).await?;
    let rows = page.items.into_iter().map(|file| {
        vec![
            Cell::link(file.file_name, format!("/imports/tables/{}", file.id)),
            Cell::text(file.table.replace('-', " ")),
            Cell::number(file.records.to_string()),
            Cell::text(show::time(file.recorded_at)),
            Cell::text(people.get(&file.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(file.digest),
        ]
    });
    Ok(Table {
        columns: vec!["File", "Became", "Records", "Imported", "By", "SHA-256"],
        rows: rows.collect(),
        empty: "No list was imported yet.",
        ..Table::default()
    })
}

/// An imported table with what its rows became.
#[get("/imports/tables/{id}")]
pub(in crate::imports) async fn read_table(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let file = service::read(&db, *id).await?;
    let by = accounts::names(&db, &[file.recorded_by.0]).await?.remove(&file.recorded_by.0).unwrap_or_default();
    let reading = &file.reading;
    let mut facts = vec![
        fact("Became", Cell::text(file.table.replace('-', " "))),
        fact("Records", Cell::text(file.records.to_string())),
        fact("Decimal mark", Cell::text(reading.decimal_mark.clone())),
        fact("Days", Cell::text(reading.date_format.clone())),
        fact("Imported", Cell::text(format!("{} by {by}", show::time_with_zone(file.recorded_at)))),
        fact("SHA-256 of the file", Cell::text(file.digest.clone())),
    ];
    if !reading.sheet.is_empty() {
        facts.insert(2, fact("Sheet", Cell::text(reading.sheet.clone())));
    }
    let columns = reading.headings.iter().map(|one| {
        let taken = if one.fields.is_empty() { "not read".to_owned() } else { one.fields.join(", ") };
        vec![Cell::text(one.column.clone()), Cell::text(one.heading.clone()), Cell::text(taken)]
    });
    let same = reading.same.iter().filter(|(_, value)| !value.is_empty());
    let same =
        same.map(|(field, value)| vec![Cell::text("every row"), Cell::text(value.clone()), Cell::text(field.clone())]);
    let columns = Table {
        columns: vec!["Column", "Heading", "Taken for"],
        rows: columns.chain(same).collect(),
        ..Table::default()
    };
    let became = file.became.unwrap_or_default();
    let count = became.len();
    let rows = became
        .into_iter()
        .take(SHOWN)
        .map(|one| vec![Cell::number(one.row.to_string()), Cell::link("its record", place(&file.table, one.id))]);
    let rows = Table { columns: vec!["Row", "Became"], rows: rows.collect(), ..Table::default() };
    let title =
        if count > SHOWN { format!("The first {SHOWN} of {count} records") } else { "What its rows became".to_owned() };
    Sheet::new(&shell, "Imported table", file.file_name)
        .way(true, "The file as it came", format!("/api/v1/imported-tables/{id}/file"))
        .section("facts", "", Part::Facts(facts))
        .section("columns", "Which column was which", Part::Table(columns))
        .section("rows", title, Part::Table(rows))
        .help(
            "A list that was imported, with how it was read and what every row of it became.",
            "ISO/IEC 17025:2017 7.5.2 and 7.11: the original is kept beside what was made of it.",
            "A record that was imported wrongly is corrected like any other; the file stays as it came.",
        )
        .show()
}
