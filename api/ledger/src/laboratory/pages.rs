//! Pages of the laboratory's identity.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{DescribeLaboratory, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_html::form::{Field, Form, Kind, Sent, onward};
use ferrotitre_html::sheet::{Part, Sheet, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::versioned::{self, json};

use crate::laboratory::service;
use crate::laboratory::store::LaboratoryFacts;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(read_laboratory).service(describe_laboratory);
}

const PLACE: &str = "/laboratory";
const STANDARD: &str =
    "ISO/IEC 17025:2017 7.8.2.1 b and c: name and address of the laboratory, and where the work was done.";

fn fields() -> Vec<Field> {
    vec![
        Field::new("name", "Name", Kind::Text),
        Field::new("address", "Address", Kind::Long).help("And where the work is done, if that is elsewhere."),
        Field::new("contact", "How it is reached", Kind::Text),
        Field::new("accreditation", "What certificates say of its accreditation", Kind::Long)
            .optional()
            .help("As the accreditation body allows it, with what is outside its scope. Left empty: nothing is said."),
        Field::new("status_address", "Address of the status page", Kind::Text)
            .optional()
            .help("Begins with http:// or https:// and ends with /certificates/. It stands in the symbol on each certificate."),
    ]
}

/// The laboratory with its versions.
#[get("/laboratory")]
pub(super) async fn read_laboratory(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let versions = service::read(&db).await?.versions;
    let names = versioned::names(&db, &versions, &[]).await?;
    let about = match versions.last() {
        Some(present) => Part::Facts(facts(&fields(), &json(&present.facts), &shell)),
        None => Part::Words("Nobody has described it yet. Until then no certificate can be drawn up.".to_owned()),
    };
    let title = versions.last().map_or_else(|| "The laboratory".to_owned(), |present| present.facts.name.clone());
    let way = if versions.is_empty() { "Describe it" } else { "Correct" };
    let history = (!versions.is_empty()).then(|| versioned::versions(&shell, &fields(), &versions, &names));
    Sheet::new(&shell, "Laboratory", title)
        .lead("As certificates of analysis name it. What went out before a change keeps what it says.")
        .way(shell.may(Action::DescribeLaboratory), way, format!("{PLACE}/description"))
        .section("about", "About", about)
        .section_of("versions", "Versions", history)
        .help(
            "Who answers for the results, as it stands at the top of every certificate.",
            STANDARD,
            "A certificate is drawn up with the version of that day.",
        )
        .show()
}

/// Describes the laboratory, or corrects that.
#[routes]
#[get("/laboratory/description")]
#[post("/laboratory/description")]
pub(super) async fn describe_laboratory(
    who: Allowed<DescribeLaboratory>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("The laboratory", "Record", PLACE).with(fields());
    let Some(present) = service::read(&db).await?.versions.pop() else {
        let form = form.help(
            "Who answers for the results, as it stands at the top of every certificate.",
            STANDARD,
            "It can be corrected later with a reason; what went out keeps what it says.",
        );
        return shell
            .take(&who, &sent, form, async |act, facts: LaboratoryFacts| {
                Ok(onward(&service::record(&db, &act, facts).await?, PLACE))
            })
            .await;
    };
    let version = (&json(&present.facts), present.version_id);
    shell
        .correct(&who, &sent, form, version, async |act, named, correction: Correction<LaboratoryFacts>| {
            service::correct(&db, &act, named, correction).await
        })
        .await
}
