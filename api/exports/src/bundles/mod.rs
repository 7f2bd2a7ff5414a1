//! Bundles: what somebody takes away who wants to check a figure, or a period, without the service (`openapi/PROOF.md`).
//!
//! The content is put on record before it is proved, so that the head that proves its events also proves that exactly this
//! content was handed out.

mod period;
mod subjects;

pub(crate) use period::period;
pub(crate) use subjects::{certificate, chart, determination, iron_result, study, titrant};

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{Seek as _, SeekFrom, Write as _};

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::workings::WorkingGraph;
use ferrotitre_check::bundle::FORMAT;
use ferrotitre_check::canonical;
use ferrotitre_check::note::base64;
use ferrotitre_core::determination::Reported;
use ferrotitre_core::working::Working;
use ferrotitre_ledger::audit::checkpoints::{self, Placed, Proven};
use ferrotitre_ledger::audit::seal::SealKey;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::service::{file_name, put_on_record};
use crate::spool::{Format, Spooled, nameless};

/// Who takes it out, and the key that signs heads.
pub(crate) type By<'a> = (&'a Act, &'a CurrentUser, &'a SealKey);

/// A bundle that is handed out.
pub struct Bundle {
    pub(super) name: String,
    pub(super) file: Spooled,
    pub(super) size: u64,
}

/// What a bundle is about.
struct Subject {
    kind: &'static str,
    id: String,
    code: String,
}

/// A figure with the working that leads to it.
struct Figure {
    kind: &'static str,
    id: Uuid,
    /// What signatures on it are signatures of.
    signed: Uuid,
    code: String,
    graph: Value,
    printed: Value,
}

impl Figure {
    fn of(
        (kind, id, signed): (&'static str, Uuid, Uuid),
        code: &str,
        (working, reported): (&Working, Option<&Reported>),
    ) -> Result<Self, Refusal> {
        let graph = WorkingGraph::of(kind, id.to_string(), working);
        let printed = reported.map(|reported| {
            json!({
                "below_loq": reported.below_loq,
                "coverage_factor": reported.coverage.factor,
                "expanded_uncertainty": reported.expanded_uncertainty,
                "text": reported.text,
                "unit": reported.unit,
                "value": reported.value,
            })
        });
        let graph = serde_json::to_value(graph).map_err(Refusal::internal)?;
        Ok(Self { kind, id, signed, code: code.to_owned(), graph, printed: printed.unwrap_or_default() })
    }

    fn value(&self) -> Value {
        json!({
            "code": self.code,
            "graph": self.graph,
            "id": self.id,
            "kind": self.kind,
            "printed": self.printed,
            "signed": self.signed,
        })
    }

    /// Rows that its leaves are said to come from.
    fn rows(&self) -> Vec<Uuid> {
        let nodes = self.graph["nodes"].as_array().into_iter().flatten();
        nodes.filter_map(|node| node["fact"]["id"].as_str()?.parse().ok()).collect()
    }

    /// Equipment that its leaves name by its code.
    fn equipment(&self) -> Vec<String> {
        let facts = self.graph["nodes"].as_array().into_iter().flatten().map(|node| &node["fact"]);
        facts
            .filter(|fact| fact["kind"] == "equipment")
            .filter_map(|fact| Some(fact["id"].as_str()?.to_owned()))
            .collect()
    }
}

fn service_name() -> String {
    format!("ferrotitre {}", env!("CARGO_PKG_VERSION"))
}

fn text(placed: &Placed) -> Result<String, Refusal> {
    String::from_utf8(placed.event.canonical()).map_err(Refusal::internal)
}

/// The signed part.
fn log(key: &SealKey, leaves: &[u64], proven: &Proven) -> Result<Value, Refusal> {
    Ok(json!({
        "checkpoint": proven.signed.note,
        "export": { "event": text(&proven.last)?, "leaf": proven.last.leaf },
        "key": key.named().text(),
        "leaves": leaves,
        "proof": proven.nodes.iter().map(|node| base64(node)).collect::<Vec<_>>(),
        "witnesses": proven.signed.witnesses,
    }))
}

fn io(error: std::io::Error) -> Refusal {
    Refusal::internal(error)
}

fn finished(mut file: File, digest: String, rows: usize) -> Result<Spooled, Refusal> {
    file.seek(SeekFrom::Start(0)).map_err(io)?;
    Ok(Spooled { format: Format::Json, file, digest, rows: u32::try_from(rows).unwrap_or(u32::MAX) })
}

/// What goes into a bundle.
#[derive(Default)]
struct Gathered {
    figures: Vec<Figure>,
    /// Rows, whose surroundings come with them.
    things: Vec<Uuid>,
}

/// Bundles figures with everything that stands around them.
async fn of_figures(
    db: &Db,
    (act, _, key): By<'_>,
    subject: Subject,
    Gathered { figures, mut things }: Gathered,
) -> Result<Bundle, Refusal> {
    things.extend(figures.iter().flat_map(Figure::rows));
    for code in figures.iter().flat_map(Figure::equipment).collect::<BTreeSet<_>>() {
        things.extend(checkpoints::equipment(db, &code).await?);
    }
    let placed = checkpoints::around(db, &things).await?;
    let leaves: Vec<u64> = placed.iter().map(|one| one.leaf).collect();
    let content = json!({
        "code": subject.code,
        "events": placed.iter().map(text).collect::<Result<Vec<_>, _>>()?,
        "figures": figures.iter().map(Figure::value).collect::<Vec<_>>(),
        "kind": subject.kind,
        "service": service_name(),
        "subject": subject.id,
    });
    let digest = hex::encode(Sha256::digest(canonical::text(&content).as_bytes()));
    let query = format!("{} {} ({})", subject.kind, subject.code, subject.id);
    let records = i64::try_from(placed.len()).unwrap_or(i64::MAX);
    let export = put_on_record(db, act, ("bundle", query, "bundle"), (&digest, records)).await?;
    let proven = checkpoints::prove(db, &leaves, export.0).await?;
    let bundle = json!({ "content": content, "format": FORMAT, "log": log(key, &leaves, &proven)? });
    let mut file = nameless()?;
    file.write_all(canonical::text(&bundle).as_bytes()).map_err(io)?;
    let file = finished(file, digest, placed.len())?;
    Ok(Bundle { name: format!("{}.bundle", file_name(&subject.code)), size: file.size()?, file })
}
