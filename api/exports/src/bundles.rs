//! Bundles: what somebody takes away who wants to check a figure, or a period, without the service (`openapi/PROOF.md`).
//!
//! The content is put on record before it is proved, so that the head that proves its events also proves that exactly this
//! content was handed out.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufWriter, Seek as _, SeekFrom, Write as _};

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::exports_own_data_only;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::entry::canonical_time;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::workings::WorkingGraph;
use ferrotitre_bench::titrants::{service as titrants, standardisations};
use ferrotitre_check::bundle::FORMAT;
use ferrotitre_check::canonical;
use ferrotitre_check::note::base64;
use ferrotitre_core::determination::Reported;
use ferrotitre_core::working::Working;
use ferrotitre_ledger::audit::checkpoints::{self, Placed, Proven};
use ferrotitre_ledger::audit::seal::SealKey;
use ferrotitre_results::determinations::{iron_results, service as determinations};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use crate::own;
use crate::service::{file_name, put_on_record};
use crate::spool::{Format, Spooled, nameless};

/// Events of a period that are read at once.
const STRETCH: i64 = 5000;

/// Who takes it out, and the key that signs heads.
pub(super) type By<'a> = (&'a Act, &'a CurrentUser, &'a SealKey);

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

/// Bundles figures with everything that stands around them.
async fn of_figures(
    db: &Db,
    (act, _, key): By<'_>,
    subject: Subject,
    (figures, mut things): (Vec<Figure>, Vec<Uuid>),
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

/// The bundle of a determination.
pub(super) async fn determination(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    let exported = determinations::exported(db, id).await?;
    own::determination(by.1, &exported.view)?;
    let mut things = vec![id];
    things.extend(exported.view.titrations.iter().map(|titration| titration.version_id));
    let (code, evaluation) = (&exported.view.code, &exported.evaluation);
    let figure = evaluation
        .working
        .as_ref()
        .map(|working| Figure::of(("determination", id, id), code, (working, evaluation.reported.as_ref())));
    let figures: Vec<Figure> = figure.transpose()?.into_iter().collect();
    let subject = Subject { kind: "determination", id: id.to_string(), code: code.clone() };
    of_figures(db, by, subject, (figures, things)).await
}

/// The bundle of iron(III) by difference, with both determinations.
pub(super) async fn iron_result(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    let exported = iron_results::exported(db, id).await?;
    exported.parts.iter().try_for_each(|part| own::determination(by.1, &part.view))?;
    let mut things = vec![id];
    for part in &exported.parts {
        things.push(part.view.id);
        things.extend(part.view.titrations.iter().map(|titration| titration.version_id));
    }
    let code = &exported.view.code;
    let derived = exported.derived.working.as_ref();
    let derived =
        derived.map(|working| Figure::of(("iron_result", id, id), code, (working, exported.derived.reported.as_ref())));
    let mut figures: Vec<Figure> = derived.transpose()?.into_iter().collect();
    for part in &exported.parts {
        if let Some(working) = &part.evaluation.working {
            let of = ("determination", part.view.id, part.view.id);
            figures.push(Figure::of(of, &part.view.code, (working, part.evaluation.reported.as_ref()))?);
        }
    }
    let subject = Subject { kind: "iron_result", id: id.to_string(), code: code.clone() };
    of_figures(db, by, subject, (figures, things)).await
}

/// The bundle of a titrant lot: its preparations, standardisations and factors.
pub(super) async fn titrant(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    let detail = titrants::read(db, id).await?;
    let code = detail.titrant.code.clone();
    let (mut things, mut figures) = (vec![id], Vec::new());
    things.extend(titrants::factors(db, id).await?.iter().map(|factor| factor.id));
    // Every version is an event; the newest says what the lot is.
    for (at, preparation) in detail.preparations.iter().enumerate() {
        let record = preparation.preparation.id;
        things.push(preparation.preparation.version_id);
        if at + 1 < detail.preparations.len() {
            continue;
        }
        if let Ok(worked) = titrants::working(db, record).await {
            figures.push(Figure::of(
                ("preparation", record, id),
                &format!("{code}, prepared"),
                (&worked.working, None),
            )?);
        }
    }
    for made in standardisations::list(db, id).await? {
        let record = made.id;
        things.push(record);
        things.extend(made.titrations.iter().map(|titration| titration.version_id));
        if made.concentration.is_some() {
            let worked = standardisations::working(db, record).await?;
            figures.push(Figure::of(("standardisation", record, record), &made.code, (&worked.working, None))?);
        }
    }
    let subject = Subject { kind: "titrant", id: id.to_string(), code };
    of_figures(db, by, subject, (figures, things)).await
}

/// The bundle of a period: every event of the log between the first and the last of that time, written as it is read.
pub(super) async fn period(
    db: &Db,
    (act, user, key): By<'_>,
    (from, until): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Bundle, Refusal> {
    if exports_own_data_only(&user.roles) {
        return Err(Refusal::new(
            Code::Forbidden,
            "a period of the log holds everybody's work: managers and auditors take it out",
        ));
    }
    if from >= until {
        return Err(Refusal::invalid("until", "range", "must be after from", canonical_time(until)));
    }
    let found = checkpoints::between(db, from, until).await?;
    let (first, last) = found.ok_or_else(|| Refusal::new(Code::NotEnoughData, "nothing of that time is sealed"))?;
    let code = format!("{} to {}", canonical_time(from), canonical_time(until));
    let mut page = Page::begin(&code)?;
    let mut leaves = Vec::new();
    let mut next = first;
    while next <= last {
        let placed = checkpoints::stretch(db, next, STRETCH.min(last - next + 1)).await?;
        for one in &placed {
            page.event(one)?;
            leaves.push(one.leaf);
        }
        let Some(end) = placed.last() else { break };
        next = end.leaf.cast_signed() + 1;
    }
    if leaves.len() as u64 != (last - first + 1).cast_unsigned() {
        return Err(Refusal::new(
            Code::Internal,
            "events of that time are gone from the store: ferrotitre verify says which",
        ));
    }
    let (mut file, digest) = page.end()?;
    let records = last - first + 1;
    let export = put_on_record(db, act, ("bundle", format!("period {code}"), "bundle"), (&digest, records)).await?;
    let proven = checkpoints::prove(db, &leaves, export.0).await?;
    let tail = format!(",\"format\":\"{FORMAT}\",\"log\":{}}}", canonical::text(&log(key, &leaves, &proven)?));
    file.write_all(tail.as_bytes()).map_err(io)?;
    let file = finished(file, digest, leaves.len())?;
    let name = format!("period-{}-{}.bundle", from.format("%Y%m%d"), until.format("%Y%m%d"));
    Ok(Bundle { name, size: file.size()?, file })
}

/// The content of a period in its canonical form, written and hashed as it comes.
struct Page {
    file: BufWriter<File>,
    digest: Sha256,
    first: bool,
}

impl Page {
    fn begin(code: &str) -> Result<Self, Refusal> {
        let mut page = Self { file: BufWriter::new(nameless()?), digest: Sha256::new(), first: true };
        page.file.write_all(b"{\"content\":").map_err(io)?;
        let mut head = String::from("{\"code\":");
        canonical::string(&mut head, code);
        head.push_str(",\"events\":[");
        page.add(&head)?;
        Ok(page)
    }

    fn add(&mut self, piece: &str) -> Result<(), Refusal> {
        self.digest.update(piece.as_bytes());
        self.file.write_all(piece.as_bytes()).map_err(io)
    }

    fn event(&mut self, placed: &Placed) -> Result<(), Refusal> {
        let mut piece = String::from(if self.first { "" } else { "," });
        canonical::string(&mut piece, &text(placed)?);
        self.first = false;
        self.add(&piece)
    }

    fn end(mut self) -> Result<(File, String), Refusal> {
        let mut tail = String::from("],\"figures\":[],\"kind\":\"period\",\"service\":");
        canonical::string(&mut tail, &service_name());
        tail.push_str(",\"subject\":\"\"}");
        self.add(&tail)?;
        let file = self.file.into_inner().map_err(|error| io(error.into_error()))?;
        Ok((file, hex::encode(self.digest.finalize())))
    }
}
