//! Iron(III) by difference of two determinations of one sample.

mod working;

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::evaluations::{BudgetLine, StepView, VerdictView};
use ferrotitre_base::ids::{AccountId, DeterminationId, IronResultId};
use ferrotitre_base::recording::{author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::sign_offs::{self, SignOff};
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::decimal::code;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_bench::specifications::conformity::ConformityStatement;
use ferrotitre_core::determination::{Detail, Iron3, iron3};
use ferrotitre_core::lifecycle::EntityKind;
use futures_util::{StreamExt as _, TryStreamExt as _, stream};
use serde::Serialize;
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::determinations::evaluation::{EvaluationView, ReportedView};
use crate::determinations::material::stands_signed;
use crate::determinations::record::{self, Loaded};
use crate::determinations::signed::{self, EarlierFigure};
use crate::determinations::steps::{self, Signed, broken};
use crate::determinations::store::{self, IronResultRow};
use crate::determinations::wire::NewIronResult;
use crate::determinations::{compared, discordance, service};
use ferrotitre_base::pins::{self, Sight, Standing, Used};
use ferrotitre_bench::impacts;
use ferrotitre_bench::impacts::store::Touch;
use ferrotitre_bench::impacts::wire::TouchView;

pub use working::working;

pub(super) const KIND: EntityKind = EntityKind::IronResult;

/// Iron(II), total iron and iron(III) of a sample.
#[derive(Debug, Serialize, ToSchema)]
pub struct IronResultView {
    /// Identity.
    pub id: Uuid,
    /// Code.
    #[schema(example = "FE3-2026-0001")]
    pub code: String,
    /// Sample.
    pub sample: Uuid,
    /// Determination of total iron.
    pub total: Uuid,
    /// Determination of iron(II).
    pub iron2: Uuid,
    /// When.
    pub observed_at: DateTime<Utc>,
    /// Present state.
    pub state: String,
    /// What it comes to.
    pub evaluation: Iron3View,
    /// What the specifications of its sample say of total iron, iron(II) and iron(III), as of now.
    pub conformity: Vec<ConformityStatement>,
    /// What a reader should know: concessions of either determination, or that it is no result any longer.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub flags: Vec<String>,
    /// What touched the rows that its author signed, since then.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub touched: Vec<TouchView>,
    /// Figures that stood until they were amended or returned.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub earlier: Vec<EarlierFigure>,
    /// SHA-256 of what would be signed now; of what was signed while a signature stands.
    pub content_digest: String,
    /// Signatures.
    pub sign_offs: Vec<SignOff>,
    /// Moves between states.
    pub moves: Vec<StateMove>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
    /// Account that recorded it.
    pub recorded_by: AccountId,
}

impl Located for IronResultView {
    fn location(&self) -> String {
        format!("/api/v1/iron-results/{}", self.id)
    }
}

/// Iron(III) with both results it comes from.
#[derive(Debug, Serialize, ToSchema)]
pub struct Iron3View {
    /// incomplete, concordant, discordant (where one of the two is) or below zero.
    #[schema(example = "concordant")]
    pub outcome: &'static str,
    /// Iron(III), unrounded; negative values are kept. Absent until both are complete.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Standard uncertainty, shared inputs taken as common.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
    /// Standard uncertainty if the results were independent: a warning, never used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u_if_independent: Option<f64>,
    /// Correlation of the two results.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub correlation: Option<f64>,
    /// Iron(III) as reported.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reported: Option<ReportedView>,
    /// Total iron.
    pub total: EvaluationView,
    /// Iron(II).
    pub iron2: EvaluationView,
    /// Budget of iron(III).
    pub budget: Vec<BudgetLine>,
    /// Verdicts.
    pub verdicts: Vec<VerdictView>,
    /// The working.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub working: Option<StepView>,
}

impl From<Iron3> for Iron3View {
    fn from(derived: Iron3) -> Self {
        Self {
            outcome: derived.outcome.word(),
            value: derived.value,
            u: derived.u,
            u_if_independent: derived.u_if_independent,
            correlation: derived.correlation,
            reported: derived.reported.map(ReportedView::from),
            total: derived.total.into(),
            iron2: derived.iron2.into(),
            budget: derived.budget.into_iter().map(BudgetLine::from).collect(),
            verdicts: derived.verdicts.into_iter().map(VerdictView::from).collect(),
            working: derived.working.as_ref().map(StepView::from),
        }
    }
}

/// An iron result with both determinations.
pub(super) struct LoadedResult {
    pub(super) row: IronResultRow,
    pub(super) total: Loaded,
    pub(super) iron2: Loaded,
    pub(super) state: String,
    moves: Vec<StateMove>,
    sign_offs: Vec<sign_offs::Row>,
    /// The author's signature it stands under.
    pub(super) standing: Option<Standing>,
    pub(super) touches: Vec<Touch>,
}

/// What each determination of a signed iron result is read under: its own author's signature as it then stood.
async fn sights(connection: &Connection, standing: Option<&Standing>) -> Result<HashMap<Uuid, Sight>, Refusal> {
    match standing {
        Some(standing) => pins::sights(connection, standing.rows()).await,
        None => Ok(HashMap::new()),
    }
}

/// A determination of an iron result: as it was signed over, or as it stands.
async fn part(
    connection: &Connection,
    id: DeterminationId,
    standing: Option<&Standing>,
    sights: &HashMap<Uuid, Sight>,
) -> Result<Loaded, Refusal> {
    let row = store::determination(connection, id.0).await?;
    // One that was not signed itself when the iron result was is read from the rows of that.
    match sights.get(&id.0).cloned().or_else(|| standing.and_then(Standing::sight)) {
        Some(sight) => record::load_under(connection, row, &sight).await,
        None => record::load(connection, row).await,
    }
}

/// Loads an iron result: from the rows its author's signature stands over, whatever has become of its determinations since; until
/// then from its determinations as they stand.
pub(super) async fn load(connection: &Connection, row: IronResultRow) -> Result<LoadedResult, Refusal> {
    let (moves, sign_offs, standing) =
        futures_util::try_join!(states::history(connection, row.id.0), sign_offs::of(connection, row.id.0), async {
            Ok(pins::standing(connection, &[row.id.0]).await?.remove(&row.id.0))
        })?;
    let state = moves.last().map_or_else(|| KIND.first_state().to_owned(), |step| step.to_state.clone());
    let standing = standing.filter(|_| stands_signed(&moves));
    let sights = sights(connection, standing.as_ref()).await?;
    let part = async |id: DeterminationId| part(connection, id, standing.as_ref(), &sights).await;
    let touching = async {
        match &standing {
            Some(standing) => impacts::store::touching(connection, &[standing.sign_off]).await,
            None => Ok(Vec::new()),
        }
    };
    let (total, iron2, touches) = futures_util::try_join!(part(row.total_id), part(row.iron2_id), touching)?;
    Ok(LoadedResult { row, total, iron2, state, moves, sign_offs, standing, touches })
}

/// What its author signed over, as it was at a moment: digest and rows.
pub(super) async fn as_of(
    connection: &Connection,
    row: IronResultRow,
    sight: &Sight,
) -> Result<Option<(String, Used)>, Refusal> {
    let mut used = Used::default();
    used.add("iron_results", row.id.0, row.observed_at);
    let mut parts = Vec::new();
    for id in [row.total_id, row.iron2_id] {
        let of = store::determination(connection, id.0).await?;
        let Ok(part) = record::load_under(connection, of, sight).await else { return Ok(None) };
        used.extend(&part.pins(connection).await?);
        if let Sight::AsOf(moment) = sight
            && let Some(sign_off) = part.signed_by(*moment)
        {
            used.add("sign_offs", sign_off, row.observed_at);
        }
        parts.push(part.content_digest());
    }
    Ok(Some((digest_of(&parts), used)))
}

/// Digest of an iron result over those of its determinations: total iron, iron(II).
pub(super) fn digest_of(parts: &[String]) -> String {
    hex::encode(Sha256::digest(format!("ferrotitre iron result 1\n{}\n", parts.join("\n")).as_bytes()))
}

impl LoadedResult {
    pub(super) fn evaluate(&self) -> Result<Iron3, Refusal> {
        let mut derived = iron3(&self.total.record, &self.iron2.record, Detail::Working)
            .map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))?;
        // What was signed under other formulae keeps the figure that was signed.
        if let Some(kept) = self.standing.as_ref().and_then(|standing| standing.evaluation.as_deref()) {
            signed::keep_difference(kept, &self.total.record.rules.reporting, &mut derived)?;
        }
        Ok(derived)
    }

    /// The difference and its standard uncertainty, if it is below zero by more than twice that.
    pub(super) fn negative_beyond_2u(&self) -> Result<Option<(f64, f64)>, Refusal> {
        let derived = self.evaluate()?;
        Ok(derived.value.zip(derived.u).filter(|(value, u)| *value < -2.0 * u))
    }

    pub(super) fn digest(derived: &Iron3) -> String {
        digest_of(&[&derived.total, &derived.iron2].map(|part| hex::encode(part.input_digest)))
    }

    pub(super) fn signed(&self) -> Result<Signed<'_>, Refusal> {
        let derived = self.evaluate()?;
        let digest = Self::digest(&derived);
        let incomplete =
            derived.value.is_none().then(|| "not enough data: both determinations must be complete".to_owned());
        let mut authors = vec![self.row.recorded_by];
        authors.extend(&self.total.authors);
        authors.extend(&self.iron2.authors);
        authors.extend(self.sign_offs.iter().filter(|sign| sign.meaning == "authored").map(|sign| sign.recorded_by));
        authors.extend(self.moves.iter().filter(|step| step.to_state == "amended").filter_map(|step| step.recorded_by));
        let unpinned = self.standing.as_ref().and_then(|standing| standing.unpinned.clone());
        let changed = |_: &str| {
            let parts = [&self.total, &self.iron2].into_iter();
            let signed = parts.flat_map(|part| part.moves().iter());
            signed.map(|step| ("state_moves", step.entity_id, step.recorded_at)).collect()
        };
        Ok(Signed {
            kind: KIND,
            id: self.row.id.0,
            // Who put the difference together answers for it; the observations are signed with the determinations.
            observers: vec![self.row.recorded_by],
            correctors: Vec::new(),
            state: self.state.clone(),
            people: [&self.total, &self.iron2]
                .map(|part| part.frame.method.facts.rules.0.people())
                .into_iter()
                .max()
                .unwrap_or(0),
            returned_at: steps::taken_back(&self.moves),
            amended_at: self.moves.iter().rfind(|step| step.to_state == "amended").map(|step| step.recorded_at),
            broken: unpinned.or_else(|| broken(&self.sign_offs, &digest)),
            changed: Box::new(changed),
            digest,
            evaluation: serde_json::to_string(&Iron3View::from(derived)).map_err(Refusal::internal)?,
            incomplete,
            authors,
            method_code: self.total.frame.method.facts.code.clone(),
        })
    }
}

fn flags(loaded: &LoadedResult, derived: &Iron3) -> Vec<String> {
    let mut flags = Vec::new();
    if let Some(last) = loaded.moves.last().filter(|step| step.to_state == "invalidated") {
        flags.push(format!("no result any longer: {}", last.reason.as_deref().unwrap_or_default()));
    }
    for (name, part) in [("total iron", &loaded.total), ("iron(II)", &loaded.iron2)] {
        flags.extend(part.frame.conceded.iter().map(|words| format!("{name} {words}")));
        let of = if name == "iron(II)" { &derived.iron2 } else { &derived.total };
        let discordant = discordance::words(of, &part.frame.sign_offs, &Loaded::digest(of));
        flags.extend(discordant.map(|words| format!("{name} {words}")));
    }
    flags
}

pub(super) fn shown(loaded: LoadedResult) -> Result<IronResultView, Refusal> {
    let derived = loaded.evaluate()?;
    let digest = LoadedResult::digest(&derived);
    // An amendment of either part revokes what was signed on the difference, too.
    let amended_at = [
        loaded.moves.iter().rfind(|step| step.to_state == "amended").map(|step| step.recorded_at),
        loaded.total.amended_at(),
        loaded.iron2.amended_at(),
    ]
    .into_iter()
    .flatten()
    .max();
    let earlier = signed::earlier(&loaded.sign_offs, &loaded.moves);
    let flags = flags(&loaded, &derived);
    let standing = (loaded.state.as_str(), compared::approved_at(&loaded.state, &loaded.moves));
    let conformity = compared::statements_on_iron3((&loaded.total, &loaded.iron2), &derived, standing);
    Ok(IronResultView {
        id: loaded.row.id.0,
        code: loaded.row.code,
        sample: loaded.row.sample_id,
        total: loaded.row.total_id.0,
        iron2: loaded.row.iron2_id.0,
        observed_at: loaded.row.observed_at,
        state: loaded.state,
        evaluation: derived.into(),
        sign_offs: loaded.sign_offs.into_iter().map(|sign| sign.view(&digest, amended_at, true)).collect(),
        conformity,
        flags,
        touched: loaded.touches.iter().map(TouchView::from).collect(),
        earlier,
        content_digest: digest,
        moves: loaded.moves,
        recorded_at: loaded.row.recorded_at,
        recorded_by: loaded.row.recorded_by,
    })
}

/// What is wrong with a new difference by itself.
pub(super) fn check(new: &NewIronResult) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    code(&mut errors, "code", &new.code);
    errors.require(new.total != new.iron2, "iron2", "different", "must be another determination than total", new.iron2);
    errors.check()?;
    not_in_the_future("observed_at", new.observed_at)
}

pub async fn record(db: &Db, act: &Act, new: NewIronResult) -> Result<Answer, Refusal> {
    check(&new)?;
    db.write(act, async |connection| shown(record_in(connection, act, new).await?)).await
}

/// Records a difference that was checked, in a transaction that does more.
pub(super) async fn record_in(connection: &Connection, act: &Act, new: NewIronResult) -> Result<LoadedResult, Refusal> {
    let (total, iron2) = futures_util::try_join!(
        store::determination(connection, new.total),
        store::determination(connection, new.iron2)
    )?;
    if total.sample_id != iron2.sample_id {
        let message = "both determinations must be of the same sample";
        return Err(Refusal::invalid("iron2", "same_sample", message, new.iron2));
    }
    let row = IronResultRow {
        id: IronResultId::new(),
        code: new.code,
        sample_id: total.sample_id,
        total_id: total.id,
        iron2_id: iron2.id,
        observed_at: new.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    let row = store::insert_iron_result(connection, &row).await?;
    let loaded = load(connection, row).await?;
    for (field, part, analyte) in [("total", &loaded.total, "total iron"), ("iron2", &loaded.iron2, "iron(II)")] {
        if part.frame.method.facts.analyte != analyte {
            let message = format!("must be a determination of {analyte}, not of {}", part.frame.method.facts.analyte);
            return Err(Refusal::invalid(field, "analyte", message, part.row.id));
        }
    }
    Ok(loaded)
}

/// Iron results that are in a state now, newest first, with what identifies them only.
pub async fn waiting(db: &Db, state: &str, window: (Uuid, i64)) -> Result<Page<IronResultRow>, Refusal> {
    db.read(async |connection| rows_in_state(connection, state, window).await).await
}

async fn rows_in_state(
    connection: &Connection,
    state: &str,
    window: (Uuid, i64),
) -> Result<Page<IronResultRow>, Refusal> {
    let ids = states::in_state(connection, KIND, state, (window.0, window.1 + 1)).await?;
    Ok(Page::of(store::iron_results_by_id(connection, &ids).await?, window.1, |row| row.id.0))
}

/// Which of these determinations are part of an iron result.
pub(super) async fn parts_among(db: &Db, determinations: &[Uuid]) -> Result<HashSet<Uuid>, Refusal> {
    let ids: Vec<DeterminationId> = determinations.iter().copied().map(DeterminationId).collect();
    let rows = db.read(async |connection| store::iron_results_from(connection, &ids).await).await?;
    Ok(rows.iter().flat_map(|row| [row.total_id.0, row.iron2_id.0]).collect())
}

/// Iron results that are in a state now, newest first.
pub async fn in_state(db: &Db, state: &str, window: (Uuid, i64)) -> Result<Page<IronResultView>, Refusal> {
    db.snapshot(async |connection| {
        let page = rows_in_state(connection, state, window).await?;
        Ok(Page { items: all_shown(connection, page.items).await?, next: page.next })
    })
    .await
}

/// Their queries share the connection: those of one wait for no answer of another.
async fn all_shown(connection: &Connection, rows: Vec<IronResultRow>) -> Result<Vec<IronResultView>, Refusal> {
    let loads = stream::iter(rows.into_iter().map(|row| load(connection, row))).buffered(8);
    loads.map(|loaded| shown(loaded?)).try_collect().await
}

pub async fn read(db: &Db, id: Uuid) -> Result<IronResultView, Refusal> {
    db.snapshot(async |connection| shown(load(connection, store::iron_result(connection, id).await?).await?)).await
}

/// Iron(III) by difference as a validation study takes it, in the unit it is reported in.
pub struct Difference {
    pub code: String,
    /// Unit of the report.
    pub unit: &'static str,
    /// Iron(III) and its standard uncertainty, unrounded; none until both determinations are complete.
    pub iron3: Option<(f64, f64)>,
    /// Total iron in the same unit.
    pub total: Option<f64>,
    /// Digest of the content a signature would cover.
    pub digest: String,
}

/// One iron result as a validation study takes it.
pub async fn difference(connection: &Connection, id: Uuid) -> Result<Difference, Refusal> {
    let loaded = load(connection, store::iron_result(connection, id).await?).await?;
    let derived = loaded.evaluate()?;
    let reporting = loaded.total.record.rules.reporting;
    let mut figures = derived.total.figures.iter();
    let total = figures.find(|figure| (figure.unit, figure.expressed) == (reporting.unit, reporting.expressed));
    Ok(Difference {
        unit: reporting.unit.symbol(),
        iron3: derived.value.zip(derived.u),
        total: total.map(|figure| figure.value),
        digest: LoadedResult::digest(&derived),
        code: loaded.row.code,
    })
}

/// An iron result with what a workbook is written from.
pub struct Exported {
    /// As shown.
    pub view: IronResultView,
    /// As core evaluates it.
    pub derived: Iron3,
    /// Its determinations: total iron, iron(II).
    pub parts: [service::Exported; 2],
}

/// Reads an iron result to export it.
pub async fn exported(db: &Db, id: Uuid) -> Result<Exported, Refusal> {
    db.snapshot(async |connection| {
        let loaded = load(connection, store::iron_result(connection, id).await?).await?;
        let derived = loaded.evaluate()?;
        let (standing, (total, iron2)) = (loaded.standing.as_ref(), (loaded.row.total_id, loaded.row.iron2_id));
        let sights = sights(connection, standing).await?;
        let part = async |of| service::Exported::of(part(connection, of, standing, &sights).await?);
        let parts = [part(total).await?, part(iron2).await?];
        Ok(Exported { view: shown(loaded)?, derived, parts })
    })
    .await
}

/// Iron results by their identities, newest first.
pub async fn several(db: &Db, ids: &[Uuid]) -> Result<Vec<IronResultView>, Refusal> {
    db.snapshot(async |connection| all_shown(connection, store::iron_results_by_id(connection, ids).await?).await).await
}

pub async fn list(db: &Db, listing: &Listing) -> Result<Page<IronResultView>, Refusal> {
    let limit = listing.limit()?;
    db.snapshot(async |connection| {
        let page = Page::of(store::list_iron_results(connection, listing, limit + 1).await?, limit, |row| row.id.0);
        Ok(Page { items: all_shown(connection, page.items).await?, next: page.next })
    })
    .await
}
