//! Forms of data: typed, from a file, or drawn from determinations of the record.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ConductValidation;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::choices;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Choice, Field, Form, Kind, RESHAPE, SHAPE, Sent, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Section, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::imports::pages as imports;
use ferrotitre_results::determinations::bulk::Selection;
use ferrotitre_results::determinations::service as determinations;
use ferrotitre_results::determinations::wire::DeterminationView;
use uuid::Uuid;

use crate::validation_studies::answer::CharacteristicAnswer;
use crate::validation_studies::data::{self, NewData};
use crate::validation_studies::import::{self, DataPreview};
use crate::validation_studies::kinds::{Kind as Studied, Label};
use crate::validation_studies::reading;

/// Data a form begins with room for, and by which it grows.
const ROWS: usize = 12;
/// Determinations that are offered at once.
pub(super) const OFFERED: i64 = 50;

fn label_field(name: &str, label: Label, kind: Studied, needed: bool, unit: &str) -> Field {
    let (text, shape) = match label {
        Label::Group => ("group".to_owned(), Kind::Text),
        Label::Taken if kind == Studied::DetectionByDifference => (format!("total iron, {unit}"), Kind::Decimal),
        Label::Taken => (format!("taken, {unit}"), Kind::Decimal),
        Label::Added => (format!("added, {unit}"), Kind::Decimal),
        Label::Hours => ("hours".to_owned(), Kind::Decimal),
        Label::Pair => ("pair".to_owned(), Kind::Text),
        Label::Arm => ("arm".to_owned(), Kind::List(words(kind.arms()))),
        Label::Run => ("run, 1 to 8".to_owned(), Kind::Whole),
    };
    let field = Field::new(name, &text, shape);
    if needed { field } else { field.optional() }
}

pub(super) fn label_fields(at: &str, kind: Studied, unit: &str) -> Vec<Field> {
    let of = |(label, needed): &(Label, bool)| {
        label_field(&format!("{at}labels.{}", label.name()), *label, kind, *needed, unit)
    };
    kind.labels().iter().map(of).collect()
}

/// One datum; of a kind that goes by uncertainties with its own.
fn row(number: usize, kind: Studied, unit: &str) -> Vec<Field> {
    let at = format!("data[{number}].");
    let mut fields = vec![Field::new(&format!("{at}value"), &format!("value, {unit}"), Kind::Decimal)];
    fields.extend(label_fields(&at, kind, unit));
    fields.push(Field::new(&format!("{at}standard_uncertainty"), "u, if known", Kind::Decimal).optional());
    fields.push(Field::new(&format!("{at}labels.note"), "note", Kind::Text).optional());
    if number > 0 {
        fields = fields.into_iter().map(Field::optional).collect();
    }
    if let Some(first) = fields.first_mut() {
        first.part = format!("Datum {}", number + 1);
    }
    fields
}

/// What all data of a form share, if it is said.
const SHARED: [(&str, &str); 3] = [
    ("analyst", "Analyst of all of them"),
    ("burette", "Burette of all of them"),
    ("lot", "Titrant lot of all of them"),
];

/// Puts what all data share beside each that has a value.
fn shared(mut form: Form, sent: &Sent, rows: usize) -> Form {
    for number in (0..rows).filter(|number| !sent.get(&format!("data[{number}].value")).trim().is_empty()) {
        for (name, _) in SHARED {
            let value = sent.get(&format!("_{name}")).trim();
            if !value.is_empty() {
                form = form.fixed(format!("data[{number}].labels.{name}"), value);
            }
        }
    }
    form
}

/// Records data.
#[routes]
#[get("/validation/characteristics/{id}/data")]
#[post("/validation/characteristics/{id}/data")]
pub(super) async fn record_data(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = reading::answer(&db, *id).await?;
    let back = format!("/validation/characteristics/{id}");
    let rows = sent.rows(ROWS, ROWS);
    let mut form = Form::new(format!("Data of {}", answer.title), "Save", back.as_str())
        .lead(format!("{} of {} planned data are recorded.", answer.inputs.rows.len(), answer.planned_n))
        .shaped(rows)
        .with(SHARED.map(|(name, label)| Field::new(&format!("_{name}"), label, Kind::Text).optional()))
        .help(
            "Rows left empty are not there. A table comes quicker as a file, results of the record by choosing them.",
            "ISO/IEC 17025:2017 7.5.1: original observations with who recorded them and when.",
            "A datum is never removed.",
        );
    for number in 0..rows {
        form = form.with(row(number, answer.kind, &answer.unit));
    }
    let form = shared(form, &sent, rows).with([Field::new(RESHAPE, "Room for more", Kind::Reshape("more".to_owned()))]);
    shell
        .take(&who, &sent, form, async |act, new: NewData| Ok(onward(&data::record(&db, &act, *id, new).await?, &back)))
        .await
}

/// What is offered: the filter's fields as they were sent.
fn selection(sent: &Sent, answer_method: ferrotitre_base::ids::MethodId) -> Result<Selection, Refusal> {
    let listing = Narrow::of_days(sent.get("_from"), sent.get("_until")).listing()?;
    let method = if sent.posted() { sent.get("_method").parse().ok() } else { Some(answer_method.0) };
    let method = method.map(ferrotitre_base::ids::MethodId);
    Ok(Selection { from: listing.from, until: listing.until, method, ..Selection::default() })
}

/// Result and its uncertainty in the unit of a characteristic, expressed as the method reports.
fn in_unit(view: &DeterminationView, unit: &str) -> Option<(f64, f64)> {
    let figures = &view.evaluation.figures;
    let figure = figures.iter().find(|figure| figure.unit == unit && figure.expressed == view.expressed)?;
    view.evaluation.progress.complete.then_some((figure.value, figure.u))
}

/// Identities of what the form showed before, where it comes back to be carried out.
pub(super) fn shown_before(sent: &Sent) -> Option<Vec<Uuid>> {
    let comes_back = sent.posted() && !sent.reshapes();
    let most = usize::try_from(OFFERED).unwrap_or(0);
    comes_back.then(|| sent.get(SHAPE).split(' ').filter_map(|id| id.parse().ok()).take(most).collect())
}

/// Whether a code is among those asked for; every code is where none is named.
pub(super) fn is_asked_for(sent: &Sent, code: &str) -> bool {
    let mut codes = sent.get("_codes").split_whitespace().peekable();
    codes.peek().is_none() || codes.any(|asked| asked.eq_ignore_ascii_case(code))
}

/// The form that offers things of the record, with the fields that choose which.
pub(super) fn offering(answer: &CharacteristicAnswer, back: &str, offered: &[Uuid], words: &str) -> Form {
    let shape: Vec<String> = offered.iter().map(Uuid::to_string).collect();
    Form::new(format!("Data of {} from the record", answer.title), "Take what is ticked", back)
        .lead(format!(
            "{} of {} planned data are recorded. {} {words} in {} are offered.",
            answer.inputs.rows.len(),
            answer.planned_n,
            offered.len(),
            answer.unit
        ))
        .shaped(shape.join(" "))
        .with([
            Field::new("_from", "Begun from", Kind::Day).optional().part("Which are offered"),
            Field::new("_until", "to", Kind::Day).optional(),
            Field::new("_codes", "Codes", Kind::Long).optional().help("One a line; left empty: all."),
        ])
}

/// Determinations to choose from: those the form showed before, or those the filter finds.
async fn offered(
    db: &Db,
    sent: &Sent,
    answer: &CharacteristicAnswer,
    method: ferrotitre_base::ids::MethodId,
) -> Result<Vec<DeterminationView>, Refusal> {
    if let Some(shown) = shown_before(sent) {
        return determinations::several(db, &shown).await;
    }
    let taken: Vec<Uuid> = answer.inputs.rows.iter().filter_map(|row| row.source.determination).collect();
    let mut views = determinations::newest(db, &selection(sent, method)?, OFFERED).await?;
    views.retain(|view| {
        is_asked_for(sent, &view.code) && in_unit(view, &answer.unit).is_some() && !taken.contains(&view.id)
    });
    Ok(views)
}

/// One determination with a box to tick and the labels its datum needs.
fn offer(
    number: usize,
    view: &DeterminationView,
    sample: &str,
    answer: &CharacteristicAnswer,
    shell: &Shell,
) -> Vec<Field> {
    let at = format!("data[{number}].");
    let (value, u) = in_unit(view, &answer.unit).unwrap_or((f64::NAN, f64::NAN));
    let label = format!(
        "{}, {sample}: {} {}, u {}",
        view.code,
        shell.n(show::figure(value, 6)),
        answer.unit,
        shell.n(show::figure(u, 2))
    );
    let tick = Field::new(&format!("{at}determination"), &label, Kind::Tick(view.id.to_string()))
        .optional()
        .help(format!("{}; {}, {}", show::time(view.observed_at), view.state, view.purpose))
        .part(view.code.clone());
    let mut fields = vec![tick];
    fields.extend(label_fields(&at, answer.kind, &answer.unit).into_iter().map(|field| {
        // Days are the groups most often meant; another word can be typed.
        if field.name.ends_with("labels.group") {
            field.value(ferrotitre_base::zone::local(view.observed_at).format("%Y-%m-%d"))
        } else {
            field
        }
    }));
    fields
}

/// Draws data from determinations of the record.
#[routes]
#[get("/validation/characteristics/{id}/determinations")]
#[post("/validation/characteristics/{id}/determinations")]
pub(super) async fn draw_data(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = reading::answer(&db, *id).await?;
    let method = reading::read(&db, answer.study.0).await?.method;
    let back = format!("/validation/characteristics/{id}");
    let views = offered(&db, &sent, &answer, method).await?;
    let samples: Vec<Uuid> = views.iter().map(|view| view.sample).collect();
    let samples = labels::of(&db, EntityKind::Sample, &samples).await?;
    let mut methods = choices::methods(&db).await?;
    if !methods.iter().any(|choice| choice.value == method.to_string()) {
        let name = labels::of(&db, EntityKind::Method, &[method.0]).await?.remove(&method.0).unwrap_or_default();
        methods.push(Choice::thing(method, &name, "under study"));
    }
    let ids: Vec<Uuid> = views.iter().map(|view| view.id).collect();
    let mut form = offering(&answer, &back, &ids, "complete determinations with a result")
        .with([
            Field::new("_method", "Method version", Kind::List(methods)).optional().value(method),
            Field::new(RESHAPE, "Show these", Kind::Reshape("find".to_owned())),
        ])
        .help(
            "Results of the record become data: the value is the evaluation's, the determination stays named.",
            "ISO/IEC 17025:2017 7.2.2; 7.5.1: a datum leads back to its original observations.",
            "Each is taken once; what is not ticked is not taken.",
        );
    for (number, view) in views.iter().enumerate() {
        let sample = samples.get(&view.sample).map(String::as_str).unwrap_or_default();
        form = form.with(offer(number, view, sample, &answer, &shell));
    }
    shell
        .take(&who, &sent, form, async |act, new: NewData| Ok(onward(&data::record(&db, &act, *id, new).await?, &back)))
        .await
}

/// Imports a table, after trying it.
#[routes]
#[get("/validation/characteristics/{id}/import")]
#[post("/validation/characteristics/{id}/import")]
pub(super) async fn import_data(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = reading::answer(&db, *id).await?;
    let template = import::template(&db, *id).await?;
    let back = format!("/validation/characteristics/{id}");
    let form = Form::new(format!("Import data of {}", answer.title), "Go on", back.as_str())
        .lead("All rows become data, or none does. The file is kept as it came.")
        .with(imports::fields(template, "comma"))
        .help(
            "A version line, a header with the unit in its names, rows.",
            "ISO/IEC 17025:2017 7.11.6: transfers of data are checked.",
            "Try it first: every wrong cell is named by line and column. Then import; nothing is half-stored.",
        );
    imports::take_over(
        (&who, &shell),
        &sent,
        (form, &back),
        async |act, file| import::import(&db, &act, *id, file).await,
        async |file| Ok(summary(&shell, &answer, &import::preview(&db, *id, &file).await?)),
    )
    .await
}

fn summary(shell: &Shell, answer: &CharacteristicAnswer, view: &DataPreview) -> Vec<Section> {
    let facts = vec![
        fact("Data", Cell::text(view.rows.to_string())),
        fact("Lowest", Cell::text(format!("{} {}", shell.n(&view.lowest), answer.unit))),
        fact("Highest", Cell::text(format!("{} {}", shell.n(&view.highest), answer.unit))),
        fact("SHA-256", Cell::text(view.digest.clone())),
    ];
    let rows = view.sample.iter().map(|row| {
        let labels = answer.kind.labels().iter().map(|(label, _)| row.labels.text(*label));
        let labels = labels.filter(|text| !text.is_empty()).collect::<Vec<_>>().join(", ");
        vec![Cell::text(format!("line {}", row.line)), Cell::number(shell.n(&row.value)), Cell::text(labels)]
    });
    let table = Table { columns: vec!["Line", "Value", "Labels"], rows: rows.collect(), ..Table::default() };
    vec![
        Section::new("summary", "It would become this; nothing is stored yet", Part::Facts(facts)),
        Section::new("sample", "The first rows as they were read", Part::Table(table)),
    ]
}
