//! The page of a sample: what was taken of it, what it is judged by, what was determined in it.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::samples::pages::{fields, portion_instruments, portion_table};
use ferrotitre_bench::samples::samples;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::sheet::{Part, Sheet, Table, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::versioned::{self, json, moves_on};
use uuid::Uuid;

use crate::certificates::pages as certificates;
use crate::conformity::pages::samples as judged_by;
use crate::determinations::listing::DeterminationListing;
use crate::determinations::measured::is_signed;
use crate::determinations::pages as determination_pages;
use crate::determinations::service as determinations;
use crate::runs::due;

const KIND: EntityKind = EntityKind::Sample;

/// Whether it can still be titrated.
fn here(state: &str) -> bool {
    matches!(state, "received" | "accepted" | "in analysis")
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
    let results: Vec<Uuid> = lines.iter().map(|line| line.id).collect();
    let certified = certificates::of_results(&db, &results).await?;
    let signed = lines.iter().filter(|line| is_signed(&line.state)).count();
    let waits = lines.iter().any(|line| line.state == "approved");
    let untouched = lines.is_empty() && here(&present.state) && due::can_begin(&db, *id).await?;
    let portions = portion_table(&shell, &db, *id).await?;
    let path = format!("/samples/{id}");
    let registers = shell.may(Action::RegisterSamples);
    Sheet::new(&shell, "Sample", present.facts.code.clone())
        .state(present.state.clone())
        .lead(present.facts.client_reference.clone())
        .way(untouched && shell.may(Action::ConductRuns), "Begin runs of it", format!("/runs/begin?sample={id}"))
        .way(registers, "Take a test portion", format!("{path}/portions/new"))
        .way(
            waits && shell.may(Action::DraftCertificates),
            "Draw up a certificate",
            format!("/certificates/new?sample={id}"),
        )
        .way(signed >= 2, "Results together", format!("/joint-results/sample/{id}"))
        .way(registers && moves_on(KIND, &present.state), "Move on", format!("{path}/moves"))
        .way(registers, "Correct", format!("{path}/correction"))
        .section("about", "About", Part::Facts(facts(&fields(), &json(&present.facts), &shell)))
        .section("portions", "Test portions", Part::Table(portions))
        .section_of("instruments", "From instruments", portion_instruments(&shell, &db, *id).await?)
        .with([judged_by::section(&shell, &db, *id).await?])
        .section(
            "determinations",
            "Determinations",
            Part::Table(Table {
                columns: determination_pages::COLUMNS.to_vec(),
                rows: determination_pages::rows(&shell, &db, &lines).await?,
                empty: "None begun yet.",
                ..Table::default()
            }),
        )
        .with(certified)
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
