//! Labels: a sheet to print, each with its name, its days, its hazards and a symbol that scanners read.

use actix_web::{HttpRequest, HttpResponse, get, web};
use askama::Template;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::equipment::service as equipment;
use ferrotitre_bench::samples::samples;
use ferrotitre_bench::standards::{primary, reagents};
use ferrotitre_bench::titrants::service as titrants;
use ferrotitre_core::chemistry::species;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::first_page;
use ferrotitre_html::form::{Choice, see};
use ferrotitre_html::label_text::{self, Read};
use ferrotitre_html::mark::Mark;
use ferrotitre_html::shell::{Help, Shell};
use ferrotitre_html::show;
use ferrotitre_html::symbol::Symbol;
use ferrotitre_results::certificates::service as certificates;
use ferrotitre_results::control_materials::service as control_materials;
use serde::Deserialize;
use uuid::Uuid;

/// What has labels: name in the address, title, page of one.
const KINDS: [(&str, &str, &str); 6] = [
    ("titrants", "Titrant lots", "/titrants"),
    ("samples", "Samples", "/samples"),
    ("equipment", "Burettes and other equipment", "/equipment"),
    ("reagents", "Reagents", "/stock/reagents"),
    ("standards", "Primary standards", "/stock/standards"),
    ("control-materials", "Control materials", "/control-materials"),
];
/// Hazard words of a lot about which the record holds none.
const AS_SUPPLIED: &str = "Hazards: as the supplier's safety data sheet says.";
/// Labels of one sheet.
const MOST: usize = 200;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(choose_labels).service(print_labels).service(find_by_label);
}

/// What a label says.
struct Label {
    id: Uuid,
    code: String,
    what: String,
    /// Prepared, received or made.
    begun: String,
    /// Expiry, end of storage, last day of calibration.
    end: String,
    hazard: String,
}

/// Hazard words of a primary standard: chromium(VI) is dangerous as a solid as well.
fn of_standard(substance: &str) -> String {
    let own = (substance == "potassium dichromate").then(|| species("dichromate")).flatten();
    own.map_or_else(|| AS_SUPPLIED.to_owned(), |species| species.cautions.to_owned())
}

/// Everything of a kind that can have a label, newest first.
async fn labels_of(db: &Db, kind: &str) -> Result<Vec<Label>, Refusal> {
    match kind {
        "titrants" => {
            let lots = titrants::list(db, &first_page()).await?.items.into_iter();
            let over = |state: &str| matches!(state, "withdrawn" | "exhausted");
            Ok(lots
                .filter(|lot| !over(&lot.state))
                .map(|lot| Label {
                    id: lot.id,
                    what: format!("{} {} {}", lot.species, lot.nominal_concentration, lot.concentration_unit),
                    begun: format!("made up {}", show::time(lot.observed_at)),
                    end: format!("use until {}", show::time(lot.expires_at)),
                    hazard: lot.cautions.to_owned(),
                    code: lot.code,
                })
                .collect())
        }
        "samples" => {
            let all = samples::list(db, &first_page()).await?.items.into_iter();
            Ok(all
                .map(|view| Label {
                    id: view.id,
                    what: format!("{}; {}", view.facts.client_reference, view.facts.matrix),
                    begun: format!("received {}", show::time(view.facts.received_at)),
                    end: format!("keep until {}", show::day(view.facts.retained_until)),
                    hazard: format!("{}, {}", view.facts.preservation, view.facts.storage),
                    code: view.facts.code,
                })
                .collect())
        }
        "reagents" | "standards" | "control-materials" => on_the_shelf(db, kind).await,
        _ => {
            let due = |piece: &equipment::Piece| {
                piece.due_on.map_or_else(
                    || "never calibrated".to_owned(),
                    |due| format!("calibration until {}", show::day(due)),
                )
            };
            Ok(equipment::pieces(db)
                .await?
                .into_iter()
                .map(|piece| Label {
                    id: piece.view.id,
                    what: format!("{}; {}", piece.view.facts.kind, piece.view.facts.description),
                    begun: piece.view.facts.location.clone().unwrap_or_default(),
                    end: due(&piece),
                    hazard: String::new(),
                    code: piece.view.facts.code,
                })
                .collect())
        }
    }
}

/// Lots on the shelf: reagents, primary standards, control materials.
async fn on_the_shelf(db: &Db, kind: &str) -> Result<Vec<Label>, Refusal> {
    match kind {
        "reagents" => {
            let all = reagents::list(db, &first_page()).await?.items.into_iter();
            Ok(all
                .map(|view| Label {
                    id: view.id,
                    what: format!("{}, {}", view.facts.substance, view.facts.concentration),
                    begun: format!("made {}", show::day(view.facts.prepared_on)),
                    end: format!("use until {}", show::day(view.facts.expires_on)),
                    hazard: format!("{}; waste: {}", view.facts.hazard_class, view.facts.waste_stream),
                    code: view.facts.code,
                })
                .collect())
        }
        "standards" => {
            let all = primary::list(db, &first_page()).await?.items.into_iter();
            Ok(all
                .map(|view| Label {
                    id: view.id,
                    what: format!("{}, lot {}", view.facts.substance, view.facts.supplier_lot),
                    begun: view.facts.opened_on.map_or_else(
                        || format!("received {}", show::time(view.recorded_at)),
                        |opened| format!("opened {}", show::day(opened)),
                    ),
                    end: format!("use until {}", show::day(view.facts.expires_on)),
                    hazard: of_standard(&view.facts.substance),
                    code: view.facts.code,
                })
                .collect())
        }
        _ => {
            let all = control_materials::list(db, &first_page()).await?.items.into_iter();
            let assigned = |facts: &ferrotitre_results::control_materials::store::ControlMaterialFacts| match &facts
                .assigned_value
            {
                Some(value) => format!("assigned {value} {}", facts.unit),
                None => "no assigned value yet".to_owned(),
            };
            Ok(all
                .map(|view| Label {
                    id: view.id,
                    what: format!("{}, {}; {}", view.facts.kind, view.facts.description, view.facts.matrix),
                    begun: assigned(&view.facts),
                    end: format!("use until {}", show::day(view.facts.expires_on)),
                    hazard: AS_SUPPLIED.to_owned(),
                    code: view.facts.code,
                })
                .collect())
        }
    }
}

fn known(kind: &str) -> Option<&'static (&'static str, &'static str, &'static str)> {
    KINDS.iter().find(|(name, ..)| *name == kind)
}

/// Which labels.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Which {
    #[serde(default)]
    kind: String,
    /// What a scanner read.
    #[serde(default)]
    label: String,
}

#[derive(Template)]
#[template(path = "labels/choose.html")]
struct ChoosePage<'a> {
    shell: &'a Shell,
    kinds: &'static [(&'static str, &'static str, &'static str)],
    kind: &'static str,
    title: &'static str,
    choices: Vec<Choice>,
    /// What is wrong with what was scanned.
    wrong: String,
    help: Help,
}

const HELP: Help = Help {
    what: "Labels with a square symbol (Data Matrix) that scanners read: the identity of the record with a check character.",
    standard: "ISO/IEC 16022 (Data Matrix ECC 200), ISO/IEC 7064 MOD 37,36 (check character); ISO/IEC 17025:2017 7.4.2.",
    next: "Print at 100 %, on sheets of 63.5 mm by 46.6 mm or on plain paper. A scanner types the symbol into any field that asks for a label. The symbol or number of a certificate leads to its status.",
};

async fn choose(shell: &Shell, db: &Db, kind: &str, wrong: String) -> Result<HttpResponse, Problem> {
    let (kind, title, _) = *known(kind).unwrap_or(&KINDS[0]);
    let choices = labels_of(db, kind).await?.into_iter().map(|label| Choice::thing(label.id, &label.code, label.what));
    shell.show(&ChoosePage { shell, kinds: &KINDS, kind, title, choices: choices.collect(), wrong, help: HELP })
}

/// Chooses what to print labels for.
#[get("/labels")]
pub(super) async fn choose_labels(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Which>,
) -> Result<HttpResponse, Problem> {
    choose(&shell, &db, &query.0.kind, String::new()).await
}

/// Goes to the record of a scanned label, or to the certificate whose number was typed or symbol scanned.
#[get("/labels/find")]
pub(super) async fn find_by_label(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Which>,
) -> Result<HttpResponse, Problem> {
    if let Some(place) = certificates::place_of(&db, &query.0.label).await? {
        return Ok(see(&place));
    }
    if let Some(code) = Mark::code_of(&query.0.label) {
        return Ok(see(&format!("/find?q={}", show::encoded(code))));
    }
    let wrong = match label_text::read(&query.0.label) {
        Read::Id(id) => {
            let kinds = [
                (EntityKind::Titrant, KINDS[0].2),
                (EntityKind::Sample, KINDS[1].2),
                (EntityKind::Equipment, KINDS[2].2),
                (EntityKind::ControlMaterial, KINDS[5].2),
            ];
            for (kind, place) in kinds {
                if labels::of(&db, kind, &[id]).await?.contains_key(&id) {
                    return Ok(see(&format!("{place}/{id}")));
                }
            }
            // Lots on the shelf have no code among the labels of records: their own features say whether there is one.
            if reagents::read(&db, id).await.is_ok() {
                return Ok(see(&format!("{}/{id}", KINDS[3].2)));
            }
            if primary::read(&db, id).await.is_ok() {
                return Ok(see(&format!("{}/{id}", KINDS[4].2)));
            }
            "No record has this label."
        }
        Read::Damaged => "The label was not read correctly: its check character does not fit. Scan it again.",
        Read::Other => "This is not the text of a label.",
    };
    choose(&shell, &db, &query.0.kind, wrong.to_owned()).await
}

#[derive(Template)]
#[template(path = "labels/sheet.html")]
struct LabelPage<'a> {
    shell: &'a Shell,
    title: &'static str,
    labels: Vec<(Label, Symbol)>,
    back: String,
    help: Help,
}

/// A sheet of labels.
#[get("/labels/sheet")]
pub(super) async fn print_labels(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    request: HttpRequest,
) -> Result<HttpResponse, Problem> {
    let pairs = web::Query::<Vec<(String, String)>>::from_query(request.query_string())
        .map(web::Query::into_inner)
        .unwrap_or_default();
    let kind = pairs.iter().find(|(name, _)| name == "kind").map_or("", |(_, value)| value.as_str());
    let (kind, title, _) = *known(kind).unwrap_or(&KINDS[0]);
    let wanted: Vec<Uuid> =
        pairs.iter().filter(|(name, _)| name == "id").filter_map(|(_, value)| value.parse().ok()).take(MOST).collect();
    let mut labels = Vec::new();
    for label in labels_of(&db, kind).await?.into_iter().filter(|label| wanted.contains(&label.id)) {
        let symbol = Symbol::of(&label_text::of(label.id))?;
        labels.push((label, symbol));
    }
    shell.show(&LabelPage { shell: &shell, title, labels, back: format!("/labels?kind={kind}"), help: HELP })
}
