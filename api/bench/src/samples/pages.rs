//! Pages of samples and test portions.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::RegisterSamples;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::sheet::{Cell, Part, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::json;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::choices;
use crate::equipment::service as equipment;
use crate::instrument_readings::offers;
use crate::instrument_readings::shown::{self, Recorded};
use crate::samples::portions::{self, NewPortion, PortionView};
use crate::samples::samples::{self, SampleFacts};

mod list;
mod proposals;
mod with_portions;

const KIND: EntityKind = EntityKind::Sample;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list::list_samples)
        .service(record_sample)
        .service(with_portions::record_sample_with_portions)
        .service(correct_sample)
        .service(move_sample)
        .service(record_portion)
        .service(correct_portion);
}

/// Fields of a sample, as its form and its page show them.
pub fn fields() -> Vec<Field> {
    vec![
        Field::new("code", "Code on the label", Kind::Text),
        Field::new("client_reference", "Client's reference", Kind::Text),
        Field::new("description", "Description", Kind::Text),
        Field::new("matrix", "Matrix", Kind::Text)
            .help("As the method names it, so that it is known to be validated for it."),
        Field::new("sampled_at", "Taken", Kind::Time { now: false }).optional().part("On its way"),
        Field::new("received_at", "Received", Kind::Time { now: true }).optional().help("Left empty: now."),
        Field::new("condition", "Condition on receipt", Kind::Text),
        Field::new("preservation", "Preservation", Kind::Text).help("Acidified, headspace, temperature."),
        Field::new("container", "Container", Kind::Text),
        Field::new("storage", "Storage", Kind::Text),
        Field::new("iron2_deadline", "Iron(II) to be titrated until", Kind::Time { now: false })
            .optional()
            .part("How long"),
        Field::new("retained_until", "Kept until", Kind::Day),
    ]
}

/// Registers a sample.
#[routes]
#[get("/samples/new")]
#[post("/samples/new")]
pub(super) async fn record_sample(
    who: Allowed<RegisterSamples>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let mut form = Form::new("Register a sample", "Register", "/samples").with(fields()).help(
        "A sample as it was received.",
        "ISO/IEC 17025:2017 7.4.3: condition and deviations are recorded on receipt.",
        "Iron(II) is oxidised by air: the deadline is the method's holding time.",
    );
    proposals::of_sample(&db, &shell, &mut form, "").await?;
    shell
        .take(&who, &sent, form, async |act, facts: SampleFacts| {
            let answer = samples::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/samples/{}", field_of(&answer, "id"))))
        })
        .await
}

/// Test portions of a sample, for its page.
pub async fn portion_table(shell: &Shell, db: &Db, sample: Uuid) -> Result<Table, Refusal> {
    let portions = portions::list(db, sample).await?;
    let mut vessels: Vec<Uuid> = Vec::new();
    for facts in portions.iter().map(|portion| &portion.facts) {
        vessels.extend([facts.balance, facts.pipette, facts.aliquot_pipette].into_iter().flatten());
        vessels.extend(facts.dilution.iter().flat_map(|step| [step.pipette, Some(step.flask)]).flatten());
    }
    let vessels = labels::of(db, EntityKind::Equipment, &vessels).await?;
    let people: Vec<Uuid> = portions.iter().map(|portion| portion.recorded_by.0).collect();
    let people = accounts::names(db, &people).await?;
    let vessel = |id: Uuid| vessels.get(&id).cloned().unwrap_or_default();
    let numbers = portions::numbers(db, &[sample]).await?;
    let registers = shell.may(Action::RegisterSamples);
    let mut seen: Vec<Uuid> = Vec::new();
    let rows = portions.iter().map(|portion| {
        let facts = &portion.facts;
        let newest = !seen.contains(&portion.id);
        seen.push(portion.id);
        let taken = match (&facts.mass_g, facts.balance, facts.pipette) {
            (Some(mass), Some(balance), _) => format!("{} g on {}", shell.n(mass), vessel(balance)),
            (_, _, Some(pipette)) => format!("by {}", vessel(pipette)),
            _ => String::new(),
        };
        let chain = facts.dilution.iter().map(|step| match step.pipette {
            Some(pipette) => format!("by {} into {}", vessel(pipette), vessel(step.flask)),
            None => format!("into {}", vessel(step.flask)),
        });
        let way = if registers && newest {
            Cell::link("correct", format!("/samples/{sample}/portions/{}/correction", portion.id))
        } else {
            Cell::default()
        };
        vec![
            Cell::text(format!("{} v{}", numbers.get(&portion.id).unwrap_or(&0), portion.version)),
            Cell::text(taken),
            Cell::text(chain.collect::<Vec<_>>().join(", then ")),
            Cell::text(facts.aliquot_pipette.map_or_else(|| "all of it".to_owned(), vessel)),
            Cell::text(format!(
                "{}, {}",
                show::time(facts.observed_at),
                people.get(&portion.recorded_by.0).cloned().unwrap_or_default()
            )),
            Cell::text(portion.reason.clone().unwrap_or_default()),
            way,
        ]
    });
    Ok(Table {
        columns: vec!["Portion", "Taken", "Diluted", "Aliquot", "When, who", "Reason", ""],
        rows: rows.collect(),
        empty: "Nothing was taken of it yet.",
        ..Table::default()
    })
}

/// Readings of instruments behind the test portions of a sample, for its page.
pub async fn portion_instruments(shell: &Shell, db: &Db, sample: Uuid) -> Result<Option<Part>, Refusal> {
    let portions = portions::list(db, sample).await?;
    let newest = |one: &PortionView| portions.iter().all(|other| other.id != one.id || other.version <= one.version);
    let recorded = portions.iter().map(|one| Recorded {
        row: one.version_id,
        record: one.id,
        name: format!("test portion of {}", show::time(one.facts.observed_at)),
        newest: newest(one),
        measured: portions::measured(&one.facts),
    });
    shown::part(shell, db, &recorded.collect::<Vec<_>>()).await
}

/// Corrects a sample.
#[routes]
#[get("/samples/{id}/correction")]
#[post("/samples/{id}/correction")]
pub(super) async fn correct_sample(
    who: Allowed<RegisterSamples>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = samples::read(&db, *id).await?.resource;
    let present = history.versions.last().ok_or_else(|| Refusal::not_found("sample", *id))?;
    let form = Form::new(format!("Correct {}", present.facts.code), "Record the correction", format!("/samples/{id}"))
        .with(fields());
    let present = (&json(&present.facts), present.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<SampleFacts>| {
            samples::correct(&db, &act, *id, version, correction).await
        })
        .await
}

/// Moves a sample on.
#[routes]
#[get("/samples/{id}/moves")]
#[post("/samples/{id}/moves")]
pub(super) async fn move_sample(
    who: Allowed<RegisterSamples>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = samples::read(&db, *id).await?.resource;
    let present = history.versions.last().ok_or_else(|| Refusal::not_found("sample", *id))?;
    let back = format!("/samples/{id}");
    let form = Form::move_form(KIND, &present.state, format!("Move {}", present.facts.code), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&samples::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}

/// Fields of a test portion.
pub async fn portion_fields(db: &Db) -> Result<Vec<Field>, Refusal> {
    let pieces = equipment::pieces(db).await?;
    let of = |kind: &str| Kind::Thing(choices::of_kinds(&pieces, &[kind]));
    let mut fields = vec![
        Field::new("pipette", "Pipette", of("pipette")).optional().part("Taken by volume").help("Or by mass, below."),
        Field::new("mass_g", "Mass as read, g", Kind::Decimal).optional().part("Or taken by mass"),
        Field::new("balance", "Balance", of("balance")).optional(),
        Field::new("dilution[0].flask", "Flask made up to the mark", of("flask"))
            .optional()
            .part("Dilution")
            .help("Left empty: not diluted."),
    ];
    for (index, word) in [(1, "second"), (2, "third")] {
        let pipette =
            Field::new(&format!("dilution[{index}].pipette"), &format!("Pipette into the {word} flask"), of("pipette"));
        let flask = Field::new(&format!("dilution[{index}].flask"), &format!("The {word} flask"), of("flask"));
        fields.extend([pipette.optional(), flask.optional()]);
    }
    fields.extend([
        Field::new("aliquot_pipette", "Pipette of the titrated aliquot", of("pipette"))
            .optional()
            .part("Aliquot")
            .help("Left empty: all of it is titrated."),
        Field::new("density", "Density of the sample, g/cm³", Kind::Decimal).optional().part("More"),
        Field::new("density_u", "Its standard uncertainty", Kind::Decimal).optional(),
        Field::new("temperature", "Temperature of the solutions, °C", Kind::Decimal).optional(),
        Field::new("observed_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
        Field::late_reason(),
    ]);
    Ok(fields)
}

/// Takes a test portion.
#[routes]
#[get("/samples/{id}/portions/new")]
#[post("/samples/{id}/portions/new")]
pub(super) async fn record_portion(
    who: Allowed<RegisterSamples>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = samples::read(&db, *id).await?.resource;
    let code = history.versions.last().map(|view| view.facts.code.clone()).unwrap_or_default();
    let back = format!("/samples/{id}#portions");
    let mut form = Form::new(format!("Test portion of {code}"), "Save test portion", back.as_str())
        .with(portion_fields(&db).await?)
        .help(
            "What was taken and how it was brought to what is titrated. The dilution factor is computed, never typed.",
            "ISO 4787 (volumetric glassware), ISO/IEC 17025:2017 7.5.1.",
            "Begin a determination of it in an open run.",
        );
    offers::offer(&db, &mut form, &mut sent, &offers::MASS).await?;
    proposals::of_portion(&db, &mut form, *id).await?;
    shell
        .take(&who, &sent, form, async |act, new: NewPortion| {
            Ok(onward(&portions::record(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Corrects a test portion.
#[routes]
#[get("/samples/{id}/portions/{portion}/correction")]
#[post("/samples/{id}/portions/{portion}/correction")]
pub(super) async fn correct_portion(
    who: Allowed<RegisterSamples>,
    shell: Shell,
    db: web::Data<Db>,
    path: web::Path<(Uuid, Uuid)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (sample, id) = path.into_inner();
    let all = portions::list(&db, sample).await?;
    let present: &PortionView =
        all.iter().find(|view| view.id == id).ok_or_else(|| Refusal::not_found("test portion", id))?;
    let form = Form::new("Correct a test portion", "Record the correction", format!("/samples/{sample}#portions"))
        .with(portion_fields(&db).await?);
    let present = (&json(&present.facts), present.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<NewPortion>| {
            portions::correct(&db, &act, id, version, correction).await
        })
        .await
}
