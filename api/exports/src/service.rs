//! Use cases of exports: what goes out is put on record, with the digest of its content.

use std::pin::pin;
use std::sync::Arc;

use chrono::{DateTime, SecondsFormat, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::exports_own_data_only;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::ids::{AccountId, ExportId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_ledger::audit::service as audit;
use ferrotitre_quality::validation_studies::answer::{CharacteristicAnswer, InputRow};
use ferrotitre_quality::validation_studies::open::Open;
use ferrotitre_results::determinations::bulk::Selection;
use ferrotitre_results::determinations::{iron_results, service as determinations};
use futures_util::TryStreamExt;
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::cells::Finished;
use crate::own;
use crate::spool::{Format, Spool, Spooled};
use crate::store;
use crate::studies;
use crate::tables;
use crate::workbook::{self, Around, Part};

/// Who takes something out.
type By<'a> = (&'a Act, &'a CurrentUser);

/// A file that is handed out.
pub struct File {
    pub name: String,
    pub bytes: Vec<u8>,
    /// SHA-256 of the content, hexadecimal.
    pub digest: String,
}

/// Puts an export on record.
pub(super) async fn put_on_record(
    db: &Db,
    act: &Act,
    (what, query, format): (&str, String, &str),
    (digest, records): (&str, i64),
) -> Result<ExportId, Refusal> {
    let row = store::Row {
        id: ExportId::new(),
        what: what.to_owned(),
        query,
        format: format.to_owned(),
        digest: digest.to_owned(),
        records,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    Ok(db.transact(act, async |connection| store::insert(connection, &row).await).await?.id)
}

/// Head of the audit tree as text; an export says how far the log had come.
pub(super) async fn tree_head(db: &Db) -> Result<String, Refusal> {
    match audit::latest(db).await {
        Ok(head) => Ok(format!(
            "{} events, root {}, signed {}, key {}",
            head.tree_size,
            head.root_hash,
            head.signed_at.to_rfc3339_opts(SecondsFormat::Secs, true),
            head.key_id
        )),
        Err(refusal) if refusal.code == Code::NotFound => Ok("nothing sealed yet".to_owned()),
        Err(refusal) => Err(refusal),
    }
}

async fn around(db: &Db, query: String, parts: &[&determinations::Exported]) -> Result<Around, Refusal> {
    let people: Vec<Uuid> =
        parts.iter().flat_map(|part| part.view.titrations.iter().map(|titration| titration.recorded_by.0)).collect();
    Ok(Around {
        query,
        tree_head: tree_head(db).await?,
        made: Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true),
        people: accounts::names(db, &people).await?,
    })
}

fn incomplete() -> Refusal {
    Refusal::new(Code::NotEnoughData, "not enough data: nothing is complete yet that a workbook could compute")
}

/// The workbook of a determination.
pub(super) async fn determination_workbook(db: &Db, (act, user): By<'_>, id: Uuid) -> Result<File, Refusal> {
    let exported = determinations::exported(db, id).await?;
    own::determination(user, &exported.view)?;
    let query = format!("determination {} ({id})", exported.view.code);
    let around = around(db, query.clone(), &[&exported]).await?;
    let working = exported.evaluation.working.as_ref().ok_or_else(incomplete)?;
    let part = Part {
        title: format!("{} {}", exported.view.code, exported.view.analyte),
        working,
        budget: &exported.evaluation.budget,
        coverage: exported.coverage,
        allowed: vec![exported.allowed_ml],
        reported: exported.evaluation.reported.as_ref(),
        sign_offs: &exported.view.sign_offs,
        content_digest: &exported.view.content_digest,
        state: &exported.view.state,
        made_of: vec![&exported],
    };
    hand_out(db, act, ("determination workbook", query), &exported.view.code, workbook::of(&part, &around)?).await
}

/// The workbook of iron(III) by difference.
pub(super) async fn iron_result_workbook(db: &Db, (act, user): By<'_>, id: Uuid) -> Result<File, Refusal> {
    let exported = iron_results::exported(db, id).await?;
    exported.parts.iter().try_for_each(|part| own::determination(user, &part.view))?;
    let query = format!("iron result {} ({id})", exported.view.code);
    let parts: Vec<&determinations::Exported> = exported.parts.iter().collect();
    let around = around(db, query.clone(), &parts).await?;
    let working = exported.derived.working.as_ref().ok_or_else(incomplete)?;
    let part = Part {
        title: format!("{} iron(III) by difference", exported.view.code),
        working,
        budget: &exported.derived.budget,
        coverage: exported.parts[0].coverage,
        allowed: parts.iter().map(|part| part.allowed_ml).collect(),
        reported: exported.derived.reported.as_ref(),
        sign_offs: &exported.view.sign_offs,
        content_digest: &exported.view.content_digest,
        state: &exported.view.state,
        made_of: parts,
    };
    hand_out(db, act, ("iron result workbook", query), &exported.view.code, workbook::of(&part, &around)?).await
}

async fn hand_out(
    db: &Db,
    act: &Act,
    (what, query): (&str, String),
    code: &str,
    finished: Finished,
) -> Result<File, Refusal> {
    put_on_record(db, act, (what, query, "xlsx"), (&finished.digest, 1)).await?;
    Ok(File { name: format!("{}.xlsx", file_name(code)), bytes: finished.bytes, digest: finished.digest })
}

/// A code as part of a file's name: codes may hold slashes.
pub(super) fn file_name(code: &str) -> String {
    code.chars().map(|c| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '_' }).collect()
}

/// A long table that is handed out.
pub struct Handed {
    pub(super) name: String,
    pub(super) file: Spooled,
    pub(super) size: u64,
    /// Completeness counts as JSON.
    pub(super) counts: Option<String>,
}

/// What an export says about itself; no part of its content.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Said {
    query: String,
    made_at: String,
    service: String,
    formula_set: &'static str,
    tree_head: String,
}

impl Said {
    /// The same line by line.
    pub(super) fn rows(&self) -> Vec<(String, String)> {
        [
            ("Query", self.query.as_str()),
            ("Time of the data", &self.made_at),
            ("Service", &self.service),
            ("Formula set", self.formula_set),
            ("Head of the audit tree", &self.tree_head),
        ]
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .into()
    }
}

pub(super) async fn said(db: &Db, query: &str) -> Result<Said, Refusal> {
    Ok(Said {
        query: query.to_owned(),
        made_at: Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true),
        service: format!("ferrotitre {}", env!("CARGO_PKG_VERSION")),
        formula_set: ferrotitre_core::determination::FORMULA_SET,
        tree_head: tree_head(db).await?,
    })
}

/// Determinations with every titration and the counts.
pub(super) async fn determinations_table(
    db: &Db,
    (act, user): By<'_>,
    wanted: Selection,
    format: Format,
) -> Result<Handed, Refusal> {
    let recorder = own::recorder(db, user, wanted.recorded_by.map(|person| person.0)).await?;
    let wanted = Selection { recorded_by: recorder.as_ref().map(|(person, _)| *person), ..wanted };
    let query = tables::words(&wanted, recorder.as_ref().map(|(_, code)| code.as_str()));
    let (spool, counts) = tables::determinations(db, &wanted, format).await?;
    let counts = serde_json::to_value(counts).map_err(Refusal::internal)?;
    let file = spool.finish(&[("counts", counts.clone())], &json!(said(db, &query).await?))?;
    put_on_record(db, act, ("determinations", query, format.text()), (&file.digest, i64::from(file.rows))).await?;
    Ok(Handed { name: "determinations".to_owned(), size: file.size()?, file, counts: Some(counts.to_string()) })
}

/// A control chart with phases and statistics.
pub(super) async fn chart_table(db: &Db, (act, user): By<'_>, id: Uuid, format: Format) -> Result<Handed, Refusal> {
    own::contributed(db, user, EntityKind::ControlChart, id).await?;
    let (spool, code, chart) = tables::chart(db, id, format).await?;
    let query = format!("chart {code} ({id})");
    let file = spool.finish(&[("chart", chart)], &json!(said(db, &query).await?))?;
    put_on_record(db, act, ("control chart", query, format.text()), (&file.digest, i64::from(file.rows))).await?;
    Ok(Handed { name: format!("chart-{}", file_name(&code)), size: file.size()?, file, counts: None })
}

pub(super) const DATA: &[&str] = &[
    "characteristic",
    "kind",
    "title",
    "position",
    "column",
    "value",
    "unit",
    "source",
    "determination",
    "iron_result",
    "total_iron",
    "excluded_because",
];

/// Adds the cells of data as rows.
fn add_data(spool: &mut Spool, of: &CharacteristicAnswer, rows: &[InputRow]) -> Result<(), Refusal> {
    for row in rows {
        let because = row.excluded.as_ref().filter(|excluded| excluded.holds).map(|excluded| &excluded.cause);
        for (column, cell) in of.inputs.columns.iter().zip(&row.cells).filter(|(_, cell)| !cell.is_empty()) {
            spool.row(&[
                of.position.into(),
                of.kind.text().into(),
                of.title.as_str().into(),
                row.position.into(),
                column.name.as_str().into(),
                cell.as_str().into(),
                column.unit.as_deref().into(),
                row.source.kind.as_str().into(),
                row.source.determination.map(|id| id.to_string()).into(),
                row.source.iron_result.map(|id| id.to_string()).into(),
                row.source.total_iron.as_ref().map(ToString::to_string).into(),
                because.map(String::as_str).into(),
            ])?;
        }
    }
    Ok(())
}

/// JSON with the fields of every object in the order of their names, as the digest has them.
fn ordered(value: &impl Serialize) -> Result<String, Refusal> {
    serde_json::to_value(value).map(|value| value.to_string()).map_err(Refusal::internal)
}

/// A validation study: as a workbook with live formulas, or its data as rows beside the whole answer.
pub(super) async fn study(db: &Db, (act, user): By<'_>, id: Uuid, format: Format) -> Result<Exported, Refusal> {
    own::contributed(db, user, EntityKind::ValidationStudy, id).await?;
    let open = Arc::new(Open::study(db, id).await?);
    let answers = &open.answers;
    let query = format!("validation study {} ({id})", answers.code);
    let said = said(db, &query).await?;
    if format == Format::Xlsx {
        let finished = studies::of(db, &open, &said).await?;
        return hand_out(db, act, ("validation study", query), &answers.code, finished).await.map(Exported::File);
    }
    let mut spool = Spool::new(format, DATA)?;
    for (at, of) in answers.characteristics.iter().enumerate() {
        let mut after = Some(0);
        while let Some(position) = after {
            let rows;
            (rows, after) = open.rows_after(db, at, position).await?;
            add_data(&mut spool, of, &rows)?;
        }
    }
    spool.part("study")?;
    let mut pieces = pin!(Arc::clone(&open).pieces(db.clone(), &ordered(answers)?, ordered)?);
    while let Some(piece) = pieces.try_next().await? {
        spool.piece(&piece)?;
    }
    spool.part_ends();
    let file = spool.finish(&[], &json!(said))?;
    put_on_record(db, act, ("validation study", query, format.text()), (&file.digest, i64::from(file.rows))).await?;
    let name = format!("study-{}", file_name(&answers.code));
    Ok(Exported::Table(Handed { name, size: file.size()?, file, counts: None }))
}

/// A workbook or a table.
pub enum Exported {
    File(File),
    Table(Handed),
}

/// An export on record.
#[derive(Debug, Serialize, ToSchema)]
pub struct ExportView {
    /// Identity.
    pub id: ExportId,
    /// What was exported.
    #[schema(example = "determinations")]
    pub what: String,
    /// What it was narrowed to.
    pub query: String,
    /// json, csv, xlsx or bundle.
    #[schema(example = "csv")]
    pub format: String,
    /// SHA-256 of the content, the same in every format.
    pub digest: String,
    /// Number of records.
    pub records: i64,
    /// Server time.
    pub recorded_at: DateTime<Utc>,
    /// Account that got it.
    pub recorded_by: AccountId,
}

/// The newest exports; those who export only their own data see only their own exports.
pub(super) async fn newest(db: &Db, user: &CurrentUser) -> Result<Vec<ExportView>, Refusal> {
    let by = exports_own_data_only(&user.roles).then_some(user.account);
    let rows = db.read(async |connection| store::newest(connection, by, 200).await).await?.into_iter();
    Ok(rows
        .map(|row| ExportView {
            id: row.id,
            what: row.what,
            query: row.query,
            format: row.format,
            digest: row.digest,
            records: row.records,
            recorded_at: row.recorded_at,
            recorded_by: row.recorded_by,
        })
        .collect())
}
