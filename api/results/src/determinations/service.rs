//! Use cases of determinations: recorded, listed, read, exported.

use chrono::DateTime;
use ferrotitre_base::bench_times::{self, Observed};
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::ids::{AccountId, DeterminationId, RunId};
use ferrotitre_base::recording::{self, author, not_in_the_future};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::code;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::workings::Worked;
use ferrotitre_bench::samples::{portions, samples};
use ferrotitre_core::determination::{Detail, Evaluation, Progress, Reported, ResultOutcome};
use ferrotitre_core::uncertainty::{CoverageRule, expand};
use futures_util::{StreamExt as _, TryStreamExt as _, stream};
use uuid::Uuid;

use crate::determinations::bulk::Selection;
use crate::determinations::record::{KIND, Loaded, load};
use crate::determinations::store::{self, DeterminationRow, Filter};
use crate::determinations::wire::{DeterminationView, NewDetermination, TitrationHistory, TitrationView};
use crate::{control_materials, runs};

pub use crate::determinations::listing::{in_state, list, these};
pub use crate::determinations::titrating::{correct_titration, record_titration, reject_titration};

/// What is wrong with a new determination by itself.
pub(crate) fn check(new: &NewDetermination) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    if let Some(given) = &new.code {
        code(&mut errors, "code", given);
    }
    let purpose = matches!(new.purpose.as_str(), "sample" | "control");
    errors.require(purpose, "purpose", "one_of", "must be sample or control", &new.purpose);
    errors.check()?;
    not_in_the_future("observed_at", new.observed_at)
}

pub async fn record(db: &Db, act: &Act, new: NewDetermination) -> Result<Answer, Refusal> {
    check(&new)?;
    db.write(act, async |connection| shown(load(connection, begin_in(connection, act, new).await?).await?)).await
}

/// Begins a determination that was checked, in a transaction that does more.
///
/// # Errors
/// A run that takes no more, a sample that is gone, a portion that is not of a control material or taken later.
pub(crate) async fn begin_in(
    connection: &Connection,
    act: &Act,
    new: NewDetermination,
) -> Result<DeterminationRow, Refusal> {
    let run = runs::service::find(connection, new.run).await.map_err(|refusal| unknown(refusal, "run", new.run))?;
    let (portion, _) =
        portions::current(connection, new.portion).await.map_err(|refusal| unknown(refusal, "portion", new.portion))?;
    hold(connection, &[Held::Run(new.run), Held::Sample(portion.sample_id)]).await?;
    runs::service::still_open(connection, RunId(new.run)).await?;
    samples::still_here(connection, "portion", portion.sample_id).await?;
    if new.purpose == "control" {
        control_materials::service::usable_as_control(connection, "purpose", portion.sample_id).await?;
    }
    let code = match new.code {
        Some(code) => code,
        None => format!("DET-{:06}", recording::next_number(connection, "determination_codes").await?),
    };
    let row = DeterminationRow {
        id: DeterminationId::new(),
        code,
        run_id: run.id,
        method_id: run.method_id,
        sample_id: portion.sample_id,
        portion_id: portion.record_id,
        purpose: new.purpose,
        observed_at: new.observed_at,
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: author(act)?,
    };
    bench_times::there_since(row.observed_at, portion.observed_at, "observed_at", "the test portion")?;
    let late = Observed::new(KIND.table(), row.id.0, row.observed_at, new.late_reason.as_deref());
    bench_times::accept(connection, act, late.within(run.id.0)).await?;
    store::insert_determination(connection, &row).await
}

fn unknown(refusal: Refusal, field: &str, id: Uuid) -> Refusal {
    match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
        _ => refusal,
    }
}

/// The determination as it now stands, evaluated in full.
pub(super) fn shown(loaded: Loaded) -> Result<DeterminationView, Refusal> {
    let evaluation = loaded.evaluate(Detail::Working)?;
    Ok(loaded.view(evaluation))
}

/// The determination that somebody titrated last, as it now stands.
pub async fn titrated_last_by(db: &Db, account: AccountId) -> Result<Option<DeterminationView>, Refusal> {
    match db.read(async |connection| store::titrated_last_by(connection, account).await).await? {
        Some(id) => read(db, id.0).await.map(Some),
        None => Ok(None),
    }
}

/// The newest determinations that are wanted, as shown; for lists that people choose from.
pub async fn newest(db: &Db, wanted: &Selection, most: i64) -> Result<Vec<DeterminationView>, Refusal> {
    let listing = Listing { limit: None, after: None, from: wanted.from, until: wanted.until };
    db.snapshot(async |connection| {
        let filter = Filter::of(&listing, wanted);
        all_shown(connection, store::list_determinations(connection, &filter, most).await?).await
    })
    .await
}

/// Determinations by their identities, newest first, as shown.
pub async fn several(db: &Db, ids: &[Uuid]) -> Result<Vec<DeterminationView>, Refusal> {
    db.snapshot(async |connection| all_shown(connection, store::determinations_by_id(connection, ids).await?).await)
        .await
}

/// Their queries share the connection: those of one wait for no answer of another.
async fn all_shown(connection: &Connection, rows: Vec<DeterminationRow>) -> Result<Vec<DeterminationView>, Refusal> {
    let loads = stream::iter(rows.into_iter().map(|row| load(connection, row))).buffered(8);
    loads.map(|loaded| shown(loaded?)).try_collect().await
}

pub async fn read(db: &Db, id: Uuid) -> Result<DeterminationView, Refusal> {
    db.snapshot(async |connection| shown(load(connection, store::determination(connection, id).await?).await?)).await
}

/// What stands for the titres.
pub(super) fn how(progress: &Progress) -> &str {
    match progress {
        Progress::Complete { how } | Progress::NeedsMore { why: how, .. } => how.trim_start_matches("discordant: "),
    }
}

/// The reported figure, as it stands below a working.
pub(super) fn reported_line(reported: &Reported) -> String {
    format!("\nreported: {} (k = {:.2})\n", reported.stated("+-"), reported.coverage.factor)
}

pub async fn working(db: &Db, id: Uuid) -> Result<Worked, Refusal> {
    db.snapshot(async |connection| {
        let loaded = load(connection, store::determination(connection, id).await?).await?;
        let evaluation = loaded.evaluate(Detail::Working)?;
        match (evaluation.working, evaluation.reported) {
            (Some(working), Some(reported)) => {
                let method = &loaded.frame.method.facts;
                Ok(Worked {
                    of: ("determination", id.to_string()),
                    head: format!("{} {}, {} by {}\n\n", loaded.row.code, method.analyte, method.title, method.code),
                    working,
                    foot: match evaluation.outcome {
                        ResultOutcome::Discordant => {
                            format!("\ndiscordant: {}{}", how(&evaluation.progress), reported_line(&reported))
                        }
                        _ => reported_line(&reported),
                    },
                })
            }
            _ => Err(Refusal::new(Code::NotEnoughData, "not enough data: the determination is not complete yet")),
        }
    })
    .await
}

/// A determination with what a workbook is written from.
pub struct Exported {
    /// As shown.
    pub view: DeterminationView,
    /// As core evaluates it.
    pub evaluation: Evaluation,
    /// How the coverage factor is chosen.
    pub coverage: CoverageRule,
    /// Range the used titres may have, mL; none where a median stands for them.
    pub allowed_ml: Option<f64>,
}

impl Exported {
    pub(super) fn of(loaded: Loaded) -> Result<Self, Refusal> {
        let evaluation = loaded.evaluate(Detail::Working)?;
        let (coverage, allowed_ml) = (coverage_of(&loaded, &evaluation), loaded.allowed_ml(&evaluation));
        Ok(Self { view: loaded.view(evaluation.clone()), evaluation, coverage, allowed_ml })
    }
}

/// The method's rule; the factor itself where the rule alone would state titres that scatter more tightly than titres that agree.
fn coverage_of(loaded: &Loaded, evaluation: &Evaluation) -> CoverageRule {
    let rule = loaded.record.rules.reporting.coverage;
    let (Some(result), Some(reported)) = (&evaluation.result, &evaluation.reported) else { return rule };
    match expand(result.u(), result.degrees_of_freedom(), rule) {
        Ok(plain) if plain.factor == reported.coverage.factor => rule,
        _ => CoverageRule::Fixed(reported.coverage.factor),
    }
}

/// Reads a determination to export it.
pub async fn exported(db: &Db, id: Uuid) -> Result<Exported, Refusal> {
    db.snapshot(async |connection| Exported::of(load(connection, store::determination(connection, id).await?).await?))
        .await
}

pub async fn titrations(db: &Db, id: Uuid) -> Result<Vec<TitrationView>, Refusal> {
    db.snapshot(async |connection| {
        Ok(load(connection, store::determination(connection, id).await?).await?.titration_views())
    })
    .await
}

pub async fn titration(db: &Db, id: Uuid) -> Result<TitrationHistory, Refusal> {
    db.snapshot(async |connection| {
        let rows = store::versions(connection, id).await?;
        let determination = rows.first().map(|row| row.determination_id.0).unwrap_or_default();
        let loaded = load(connection, store::determination(connection, determination).await?).await?;
        let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
        let moves = states::moves_of(connection, &ids).await?;
        Ok(TitrationHistory {
            versions: loaded.titration_views().into_iter().filter(|view| view.id == id).collect(),
            moves,
        })
    })
    .await
}

/// The determination a titration was made for.
pub async fn determination_of(db: &Db, titration: Uuid) -> Result<Uuid, Refusal> {
    let rows = db.read(async |connection| store::versions(connection, titration).await).await?;
    rows.first().map(|row| row.determination_id.0).ok_or_else(|| Refusal::not_found("titration", titration))
}
