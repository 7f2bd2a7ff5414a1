//! Pages of determinations and iron results: lists, the full working, the bench, signatures.

mod against;
mod bench;
mod detail;
mod finish;
mod iron3_map;
pub mod iron_results;
mod joint;
pub mod list;
mod onward;
mod planning;
pub mod proof;
mod proposals;
mod reduced;
pub mod report;
mod sample;
mod several;
mod signing;
mod since;
mod titrations;

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ConductRuns;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::samples::{portions, samples};
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, first_page, onward, words};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::determinations::service;
use crate::determinations::wire::NewDetermination;
use crate::runs::service as runs;

pub use list::{COLUMNS, result_rows, rows};

/// What a report says of itself, so that nobody takes it for more.
pub(super) const NO_CERTIFICATE: &str = "This report is not a certificate of analysis.";

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list::list_determinations)
        .service(sample::read_sample)
        .service(begin_determination)
        .service(bench::choose_bench)
        .service(bench::titrate)
        .service(detail::read_determination)
        .service(report::report_determination)
        .service(proof::prove_control)
        .service(planning::read_determination_plan)
        .service(joint::read_joint_results)
        .service(titrations::correct)
        .service(titrations::reject)
        .service(signing::countersign)
        .service(signing::decide)
        .service(signing::submit)
        .service(signing::review)
        .service(signing::approve)
        .service(finish::finish_runs)
        .service(several::submit)
        .service(several::review)
        .service(several::approve)
        .service(iron_results::list_iron_results)
        .service(iron_results::new_iron_result)
        .service(iron_results::read_iron_result)
        .service(iron3_map::read_iron_result_plan)
        .service(iron_results::submit)
        .service(iron_results::review)
        .service(iron_results::approve);
}

/// Begins a determination in an open run.
#[routes]
#[get("/runs/{id}/determinations/new")]
#[post("/runs/{id}/determinations/new")]
pub(super) async fn begin_determination(
    who: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let run = runs::read(&db, *id).await?;
    let form = Form::new(format!("Determination in {}", run.code), "Begin", format!("/runs/{id}"))
        .lead("The run names the method, the portion names the sample.")
        .with([
            Field::new("portion", "Test portion", Kind::Thing(portion_choices(&db).await?))
                .help("Scan the sample's label; where it has several portions, S-…/1 is the first that was taken."),
            Field::new("purpose", "Purpose", Kind::Choice(words(&["sample", "control"]))).value("sample"),
            Field::new("code", "Code", Kind::Text).optional().help("Made by the service if left empty."),
            Field::new("observed_at", "Begun", Kind::Time { now: true }).optional().help("Left empty: now."),
            Field::late_reason(),
        ])
        .hide("run", id.to_string())
        .help(
            "A determination ties one test portion to the run's method, titrant and blank.",
            "ISO/IEC 17025:2017 7.5.1.",
            "Titrate it at the bench; submit it when the rule of the method is satisfied.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewDetermination| {
            let answer = service::record(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/determinations/{}/bench", field_of(&answer, "id"))))
        })
        .await
}

/// Portions of the newest samples that are not over, newest first, by the sample's code and the portion's number.
async fn portion_choices(db: &Db) -> Result<Vec<Choice>, Refusal> {
    let mut found = Vec::new();
    let over = |state: &str| matches!(state, "archived" | "disposed" | "rejected on receipt");
    let listing = Listing { limit: Some(40), ..first_page() };
    let mut samples = samples::list(db, &listing).await?.items;
    samples.retain(|sample| !over(&sample.state));
    let numbers = portions::numbers(db, &samples.iter().map(|sample| sample.id).collect::<Vec<_>>()).await?;
    for sample in samples {
        let mut seen = Vec::new();
        for portion in portions::list(db, sample.id).await? {
            if seen.contains(&portion.id) {
                continue;
            }
            seen.push(portion.id);
            let code = format!("{}/{}", sample.facts.code, numbers.get(&portion.id).unwrap_or(&0));
            let taken =
                portion.facts.mass_g.as_ref().map_or_else(|| "by volume".to_owned(), |mass| format!("{mass} g"));
            let words =
                format!("{}, {taken}, {}", sample.facts.client_reference, show::time(portion.facts.observed_at));
            let choice = Choice::thing(portion.id, &code, words);
            // The label that is at hand is the sample's.
            found.push(choice.or_called([sample.facts.code.clone(), sample.id.to_string()]));
        }
    }
    Ok(found)
}
