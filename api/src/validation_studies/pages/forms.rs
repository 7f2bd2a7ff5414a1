//! Forms: plan, data, tables, amendments, exclusions, conclusions.

use actix_web::{HttpResponse, routes, web};
use uuid::Uuid;

use crate::auth::allowed::Allowed;
use crate::auth::permissions::acts::ConductValidation;
use crate::config::Policy;
use crate::db::Db;
use crate::imports::NewImport;
use crate::methods;
use crate::pages::choices::words;
use crate::pages::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use crate::pages::shell::Shell;
use crate::validation_studies::data::{NewData, NewExclusion};
use crate::validation_studies::kinds::{Kind as Studied, Label};
use crate::validation_studies::wire::{NewAmendment, NewConclusion, NewStudy};
use crate::validation_studies::{conclusions, data, import, plan, reading};
use crate::web::paging::Listing;
use crate::web::problem::Problem;

/// Characteristics a form has room for; a longer plan is sent through the API.
const SLOTS: usize = 5;
/// Data a form has room for.
const ROWS: usize = 12;

fn limit_fields(at: &str, number: usize, required: bool) -> Vec<Field> {
    let name = |field: &str| format!("{at}limits[{number}].{field}");
    let label = |text: &str| format!("Limit {}: {text}", number + 1);
    let fields = vec![
        Field::new(&name("statistic"), &label("statistic"), Kind::Text)
            .help("By its name, such as rsd_r, s_i, bias_ratio, slope, loq; a wrong one is answered with all names."),
        Field::new(&name("rule"), &label("rule"), Kind::Choice(words(&["value", "interval", "covers"])))
            .help("The value, the whole interval (equivalence), or the interval covers the limits."),
        Field::new(&name("unit"), &label("unit"), Kind::Text).help("1 for a ratio."),
        Field::new(&name("lower"), &label("lower"), Kind::Decimal).optional(),
        Field::new(&name("upper"), &label("upper"), Kind::Decimal).optional(),
    ];
    fields.into_iter().map(|field| if required { field } else { field.optional() }).collect()
}

fn slot(number: usize) -> Vec<Field> {
    let at = format!("characteristics[{number}].");
    let design =
        |name: &str, label: &str, kind: Kind| Field::new(&format!("{at}design.{name}"), label, kind).optional();
    let kinds: Vec<&str> = Studied::ALL.iter().map(|kind| kind.text()).collect();
    let parts = [
        "First characteristic",
        "Second characteristic",
        "Third characteristic",
        "Fourth characteristic",
        "Fifth characteristic",
    ];
    let mut fields = vec![
        Field::new(&format!("{at}kind"), "Characteristic", Kind::Choice(words(&kinds)))
            .part(parts.get(number).copied().unwrap_or_default()),
        Field::new(&format!("{at}title"), "Title", Kind::Text),
        Field::new(
            &format!("{at}unit"),
            "Unit of the data",
            Kind::Choice(words(&["g/L", "mg/L", "mol/L", "% m/m", "mol/kg", "mL", "%"])),
        ),
        Field::new(&format!("{at}planned_n"), "Data planned", Kind::Whole),
    ];
    fields.extend(limit_fields(&at, 0, number == 0));
    fields.extend(limit_fields(&at, 1, false));
    if number > 0 {
        fields = fields.into_iter().map(Field::optional).collect();
    }
    fields.extend([
        design("words", "How the data are made", Kind::Long),
        design("groups", "Fewest groups", Kind::Whole),
        design("replicates", "Fewest data of a group", Kind::Whole),
        design("reference", "Certified value", Kind::Decimal),
        design("reference_u", "Its standard uncertainty", Kind::Decimal),
        design("known_sd", "Standard deviation of the method", Kind::Decimal),
        design("holding_hours", "Holding time, h", Kind::Decimal),
    ]);
    fields
}

/// Plans a study.
#[routes]
#[get("/validation/new")]
#[post("/validation/new")]
pub(super) async fn plan_study(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let methods = methods::service::list(&db, &Listing { limit: Some(200), ..Listing::default() }).await?;
    let choices = methods.items.iter().map(|view| {
        Choice::thing(view.version_id, &view.facts.code, format!("{}, version {}", view.facts.title, view.version))
    });
    let mut form = Form::new("Plan a validation study", "Save the plan", "/validation")
        .lead(
            "The plan is saved whole and frozen when somebody else approves it. Up to five characteristics fit here; longer \
             plans and ruggedness with its seven factors are sent through the API.",
        )
        .with([
            Field::new("code", "Code", Kind::Text),
            Field::new("title", "Title", Kind::Text),
            Field::new("purpose", "What the method shall be good for", Kind::Long),
            Field::new("method", "Method", Kind::Thing(choices.collect())),
        ])
        .help(
            "Characteristics, designs, sizes and limits of acceptance, before there is any datum.",
            "ISO/IEC 17025:2017 7.2.2; IUPAC guidelines for single-laboratory validation 2002.",
            "A manager who did not write it approves it; only then are data taken.",
        );
    for number in 0..SLOTS {
        form = form.with(slot(number));
    }
    shell
        .take(&who, &sent, form, async |act, new: NewStudy| {
            let answer = plan::record(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/validation/{}", field_of(&answer, "id"))))
        })
        .await
}

fn label_field(name: &str, label: Label, kind: Studied, needed: bool, unit: &str) -> Field {
    let (text, shape) = match label {
        Label::Group => ("group".to_owned(), Kind::Text),
        Label::Taken => (format!("taken, {unit}"), Kind::Decimal),
        Label::Added => (format!("added, {unit}"), Kind::Decimal),
        Label::Hours => ("hours".to_owned(), Kind::Decimal),
        Label::Pair => ("pair".to_owned(), Kind::Text),
        Label::Arm => ("arm".to_owned(), Kind::Choice(words(kind.arms()))),
        Label::Run => ("run, 1 to 8".to_owned(), Kind::Whole),
    };
    let field = Field::new(name, &text, shape);
    if needed { field } else { field.optional() }
}

fn row(number: usize, kind: Studied, unit: &str) -> Vec<Field> {
    let at = format!("data[{number}].");
    let mut fields = vec![Field::new(&format!("{at}value"), &format!("{}: value, {unit}", number + 1), Kind::Decimal)];
    fields.extend(
        kind.labels()
            .iter()
            .map(|(label, needed)| label_field(&format!("{at}labels.{}", label.name()), *label, kind, *needed, unit)),
    );
    fields.push(Field::new(&format!("{at}labels.note"), "note", Kind::Text).optional());
    if number > 0 { fields.into_iter().map(Field::optional).collect() } else { fields }
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
    let mut form = Form::new(format!("Data of {}", answer.title), "Save", back.as_str())
        .lead(format!("{} of {} planned data are recorded.", answer.inputs.rows.len(), answer.planned_n))
        .help(
            "Up to twelve data at once; rows left empty are not there. Determinations are named through the API.",
            "ISO/IEC 17025:2017 7.5.1: original observations with who recorded them and when.",
            "A datum is never removed.",
        );
    for number in 0..ROWS {
        form = form.with(row(number, answer.kind, &answer.unit));
    }
    shell
        .take(&who, &sent, form, async |act, new: NewData| Ok(onward(&data::record(&db, &act, *id, new).await?, &back)))
        .await
}

/// Imports a table.
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
    let form = Form::new(format!("Import data of {}", answer.title), "Import", back.as_str())
        .lead("All rows become data, or none does. The file is kept as it came.")
        .with([
            Field::new("file_name", "Name of the file", Kind::Text),
            Field::new("decimal_mark", "Decimal mark", Kind::Choice(words(&["comma", "point"]))).value("comma"),
            Field::new("separator", "Columns are separated by", Kind::Choice(words(&["semicolon", "comma", "tab"])))
                .value("semicolon"),
            Field::new("text", "Text of the file", Kind::Long).help(format!("Its form, with two examples: {template}")),
        ])
        .help(
            "A version line, a header with the unit in its names, rows.",
            "ISO/IEC 17025:2017 7.11.6: transfers of data are checked.",
            "Every wrong cell is named by line and column; nothing is half-stored.",
        );
    shell
        .take(&who, &sent, form, async |act, file: NewImport| {
            Ok(onward(&import::import(&db, &act, *id, file).await?, &back))
        })
        .await
}

/// Proposes other limits.
#[routes]
#[get("/validation/characteristics/{id}/amendment")]
#[post("/validation/characteristics/{id}/amendment")]
pub(super) async fn amend_limits(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = reading::answer(&db, *id).await?;
    let back = format!("/validation/characteristics/{id}");
    let present = serde_json::json!({ "limits": answer.criterion.limits });
    let mut form = Form::new(format!("Other limits for {}", answer.title), "Propose", back.as_str())
        .lead("The limits as planned stay visible beside these for good, with the reason and both names.");
    for number in 0..answer.criterion.limits.len().clamp(1, 4) {
        form = form.with(limit_fields("", number, true));
    }
    let form = form
        .with([Field::new("reason", "Reason", Kind::Long).help("At least 5 characters.").part("Why")])
        .filled(&present)
        .help(
            "A late change of a limit of acceptance.",
            "Requirements of the laboratory: limits are frozen at approval of the plan; a late change is an amendment.",
            "Somebody else than you and than the author of the plan approves it.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewAmendment| {
            Ok(onward(&plan::amend(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Proposes to leave a datum out.
#[routes]
#[get("/validation/data/{id}/exclusion")]
#[post("/validation/data/{id}/exclusion")]
pub(super) async fn exclude_datum(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = data::characteristic_of(&db, *id).await?;
    let back = format!("/validation/characteristics/{}", answer.characteristic);
    let row = answer.inputs.rows.iter().find(|row| row.datum.0 == *id);
    let shown = row.map(|row| row.cells.join(" ")).unwrap_or_default();
    let form = Form::new("Leave a datum out", "Propose", back.as_str())
        .lead(format!("{}: {}", answer.title, shown.trim()))
        .with([
            Field::new("cause", "Assigned cause", Kind::Choice(words(&crate::readings::CAUSES)))
                .help("A test of outliers is no cause."),
            Field::new("evidence", "What shows it", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "A datum counts unless something is known to have gone wrong with it.",
            "ISO 5725-2 (outliers are investigated, not deleted).",
            "A second person signs; the answer is shown with and without it.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewExclusion| {
            Ok(onward(&data::exclude(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Concludes a study, signed by the author of the conclusion.
#[routes]
#[get("/validation/{id}/conclusion")]
#[post("/validation/{id}/conclusion")]
pub(super) async fn conclude(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answers = reading::answers(&db, *id).await?;
    let back = format!("/validation/{id}");
    let count = |text: &str| answers.characteristics.iter().filter(|answer| answer.verdict.text() == text).count();
    let form = Form::new(format!("Conclude {}", answers.code), "Sign the conclusion", back.as_str())
        .lead(format!(
            "{} characteristics meet their limits, {} do not, {} have not enough data.",
            count("meets"),
            count("does not meet"),
            count("not enough data")
        ))
        .with([
            Field::new("fit", "Fit for the purpose", Kind::YesNo),
            Field::new("words", "Conclusion", Kind::Long),
            Field::new("validated_low", "Validated from", Kind::Decimal),
            Field::new("validated_high", "Validated up to", Kind::Decimal),
            Field::new("unit", "Unit", Kind::Choice(words(&["g/L", "mg/L", "mol/L", "% m/m", "mol/kg"]))),
            Field::new("matrix", "Matrix", Kind::Text),
            Field::new("limitations", "Residual limitations", Kind::Long).help("none known, where there are none."),
            Field::new("password", "Your own password, again", Kind::Password)
                .help("Your printed name, the time and the answers as they stand now are kept with it."),
        ])
        .help(
            "What the study shows, and for what range and matrix.",
            "ISO/IEC 17025:2017 7.2.2.4: records of validation, with a statement on the validity for the intended use.",
            "Somebody without a hand in the study reviews it, a manager approves it; results outside the range are flagged.",
        );
    let user = who.user().clone();
    shell
        .take(&who, &sent, form, async |act, new: NewConclusion| {
            Ok(onward(&conclusions::conclude(&db, &act, &user, **policy, *id, new).await?, &back))
        })
        .await
}
