//! Pages of samples and test portions.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::accounts::service as accounts;
use crate::auth::allowed::Allowed;
use crate::auth::permissions::Action;
use crate::auth::permissions::acts::{ReadRecords, RegisterSamples};
use crate::db::Db;
use crate::determinations::pages as determination_pages;
use crate::determinations::service as determinations;
use crate::determinations::wire::DeterminationListing;
use crate::equipment::service as equipment;
use crate::labels;
use crate::pages::choices;
use crate::pages::form::{Field, Form, Kind, Sent, field_of, onward};
use crate::pages::narrow::Narrow;
use crate::pages::sheet::{Cell, Part, Sheet, Table, facts};
use crate::pages::shell::Shell;
use crate::pages::show;
use crate::pages::versioned::{self, json, moves_on};
use crate::refusal::Refusal;
use crate::samples::portions::{self, NewPortion, PortionView};
use crate::samples::samples::{self, SampleFacts};
use crate::specifications::pages::samples as judged_by;
use crate::states::NewMove;
use crate::web::body::Params;
use crate::web::problem::Problem;
use crate::web::versions::Correction;

const KIND: EntityKind = EntityKind::Sample;

/// Mounts the pages.
pub(crate) fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_samples)
        .service(record_sample)
        .service(read_sample)
        .service(correct_sample)
        .service(move_sample)
        .service(record_portion)
        .service(correct_portion);
}

fn fields() -> Vec<Field> {
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

/// Lists samples.
#[get("/samples")]
pub(super) async fn list_samples(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = samples::list(&db, &query.0.listing()?).await?;
    let rows = page.items.into_iter().map(|view| {
        let deadline = view.facts.iron2_deadline.map(|at| format!("{}, {}", show::time(at), show::until(at)));
        vec![
            Cell::link(view.facts.code, format!("/samples/{}", view.id)),
            Cell::state(view.state),
            Cell::text(view.facts.client_reference),
            Cell::text(view.facts.matrix),
            Cell::text(show::time(view.facts.received_at)),
            Cell::text(deadline.unwrap_or_default()),
        ]
    });
    let table = Table {
        columns: vec!["Sample", "State", "Client's reference", "Matrix", "Received", "Iron(II) until"],
        rows: rows.collect(),
        empty: "No sample yet.",
        next: query.0.next("/samples", page.next),
        filters: query.0.fields(&[]),
    };
    Sheet::new(&shell, "Samples", "Samples")
        .way(shell.may(Action::RegisterSamples), "Register a sample", "/samples/new")
        .way(true, "Labels", "/labels?kind=samples")
        .section("list", "", Part::Table(table))
        .help(
            "What came in, in which condition, and how long iron(II) keeps in it.",
            "ISO/IEC 17025:2017 7.4 (handling of test items).",
            "Register it, take a test portion, determine.",
        )
        .show()
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
    let form = Form::new("Register a sample", "Register", "/samples").with(fields()).help(
        "A sample as it was received.",
        "ISO/IEC 17025:2017 7.4.3: condition and deviations are recorded on receipt.",
        "Iron(II) is oxidised by air: the deadline is the method's holding time.",
    );
    shell
        .take(&who, &sent, form, async |act, facts: SampleFacts| {
            let answer = samples::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/samples/{}", field_of(&answer, "id"))))
        })
        .await
}

/// A sample with its portions and determinations.
#[get("/samples/{id}")]
pub(super) async fn read_sample(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = samples::read(&db, *id).await?.resource;
    let present = history.versions.last().ok_or_else(|| Refusal::not_found("sample", *id))?;
    let names = versioned::names(&db, &history.versions, &history.moves).await?;
    let listing = DeterminationListing { sample: Some(*id), limit: Some(200), ..Default::default() };
    let lines = determinations::list(&db, &listing).await?.items;
    let portions = portion_table(&shell, &db, *id).await?;
    let path = format!("/samples/{id}");
    let registers = shell.may(Action::RegisterSamples);
    Sheet::new(&shell, "Sample", present.facts.code.clone())
        .state(present.state.clone())
        .lead(present.facts.client_reference.clone())
        .way(registers, "Take a test portion", format!("{path}/portions/new"))
        .way(registers && moves_on(KIND, &present.state), "Move on", format!("{path}/moves"))
        .way(registers, "Correct", format!("{path}/correction"))
        .section("about", "About", Part::Facts(facts(&fields(), &json(&present.facts), &shell)))
        .section("portions", "Test portions", Part::Table(portions))
        .with([judged_by::section(&shell, &db, *id).await?])
        .section(
            "determinations",
            "Determinations",
            Part::Table(Table {
                columns: determination_pages::COLUMNS.to_vec(),
                rows: determination_pages::rows(&db, &lines).await?,
                empty: "None begun yet.",
                ..Table::default()
            }),
        )
        .section("versions", "Versions", versioned::versions(&shell, &fields(), &history.versions, &names))
        .section("history", "History", Part::Moves(history.moves, names))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "A sample with what was taken of it.",
            "ISO/IEC 17025:2017 7.4 and 7.5.",
            "A test portion names pipette or balance, dilution and aliquot; the factor is computed from it.",
        )
        .show()
}

async fn portion_table(shell: &Shell, db: &Db, sample: Uuid) -> Result<Table, Refusal> {
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
            Cell::text(format!("v{}", portion.version)),
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
        columns: vec!["Version", "Taken", "Diluted", "Aliquot", "When, who", "Reason", ""],
        rows: rows.collect(),
        empty: "Nothing was taken of it yet.",
        ..Table::default()
    })
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

async fn portion_fields(db: &Db) -> Result<Vec<Field>, Refusal> {
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
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let history = samples::read(&db, *id).await?.resource;
    let code = history.versions.last().map(|view| view.facts.code.clone()).unwrap_or_default();
    let back = format!("/samples/{id}#portions");
    let form = Form::new(format!("Test portion of {code}"), "Save test portion", back.as_str())
        .with(portion_fields(&db).await?)
        .help(
            "What was taken and how it was brought to what is titrated. The dilution factor is computed, never typed.",
            "ISO 4787 (volumetric glassware), ISO/IEC 17025:2017 7.5.1.",
            "Begin a determination of it in an open run.",
        );
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
