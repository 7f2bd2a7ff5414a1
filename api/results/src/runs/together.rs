//! Runs opened together with what is titrated in them: one for each method, with its determinations begun, in one transaction. Each
//! part goes through the rules it goes through by itself, and leaves the event it leaves by itself.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::db::{Act, Connection, Db, Held, acting, hold};
use ferrotitre_base::ids::{MethodId, RunId};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_bench::samples::portions::{self, NewPortion};
use ferrotitre_bench::samples::samples;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::determinations::service as determinations;
use crate::determinations::wire::NewDetermination;
use crate::runs::service::{self, NewRun};

/// Most runs, and most determinations of one run, that are begun at once.
const MOST: (usize, usize) = (10, 50);

/// Runs to be opened with what is titrated in them.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRuns {
    /// Bench.
    #[schema(example = "bench 2")]
    pub bench: String,
    /// Room temperature, C.
    #[schema(example = "21.5")]
    pub environment_temperature: Option<Decimal>,
    /// Note.
    pub note: Option<String>,
    /// When they began. A determination begins with its run, or when its portion was taken, if that was later.
    pub observed_at: DateTime<Utc>,
    /// Why they are recorded so much later than they began: needed after more than a day, or whatever the laboratory settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub late_reason: Option<String>,
    /// One run for each method; from 1 to 10.
    pub runs: Vec<NewRunOf>,
}

/// A run of several.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewRunOf {
    /// Approved version of the method.
    pub method: MethodId,
    /// What is titrated, in this order; from 1 to 50.
    pub titrates: Vec<ToTitrate>,
}

/// A test portion that is titrated in a run: one that was taken before, or one that is taken for it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToTitrate {
    /// Test portion, which names the sample; give this or `take`.
    pub portion: Option<Uuid>,
    /// A portion that is taken when the run begins.
    pub take: Option<TakenLike>,
    /// sample or control.
    #[schema(example = "sample")]
    pub purpose: String,
}

/// A test portion that is taken with the vessels of another; not of what is weighed.
#[derive(Debug, Clone, Copy, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TakenLike {
    /// Sample of which it is taken.
    pub sample: Uuid,
    /// Portion, of any sample, that was taken with the same vessels.
    pub like: Uuid,
}

/// Runs that were opened, in the order of the request.
#[derive(Debug, Serialize, ToSchema)]
pub struct OpenedRuns {
    /// In the order of the request.
    pub runs: Vec<OpenedRun>,
}

/// A run with the determinations begun in it.
#[derive(Debug, Serialize, ToSchema)]
pub struct OpenedRun {
    /// The run.
    pub id: Uuid,
    /// Its code.
    #[schema(example = "RUN-000001")]
    pub code: String,
    /// Version of the method.
    pub method: MethodId,
    /// Determinations in the order of the request.
    pub determinations: Vec<BegunDetermination>,
}

/// A determination that was begun with its run.
#[derive(Debug, Serialize, ToSchema)]
pub struct BegunDetermination {
    /// Identity.
    pub id: Uuid,
    /// Its code.
    #[schema(example = "DET-000001")]
    pub code: String,
    /// Test portion.
    pub portion: Uuid,
    /// Sample.
    pub sample: Uuid,
    /// sample or control.
    pub purpose: String,
}

impl Located for OpenedRuns {
    fn location(&self) -> String {
        self.runs.first().map_or_else(|| "/api/v1/runs".to_owned(), |run| format!("/api/v1/runs/{}", run.id))
    }
}

/// What the runs have in common has its place at the top.
fn beside(field: &str) -> Option<String> {
    (field != "method").then(|| field.to_owned())
}

fn of_titrated(run: usize, at: usize) -> impl Fn(Refusal) -> Refusal {
    move |refusal| {
        refusal.under(&format!("runs[{run}].titrates[{at}]"), |field| {
            matches!(field, "observed_at" | "late_reason").then(|| field.to_owned())
        })
    }
}

impl NewRuns {
    fn run(&self, method: MethodId) -> NewRun {
        NewRun {
            code: None,
            method,
            bench: self.bench.clone(),
            environment_temperature: self.environment_temperature.clone(),
            note: self.note.clone(),
            repeats: None,
            observed_at: self.observed_at,
            late_reason: self.late_reason.clone(),
        }
    }

    /// How many, and each method once.
    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        let (runs, titrated) = MOST;
        let message = format!("name at least one and at most {runs}");
        errors.require((1..=runs).contains(&self.runs.len()), "runs", "count", message, self.runs.len());
        for (at, run) in self.runs.iter().enumerate() {
            let field = format!("runs[{at}].titrates");
            let message = format!("name at least one and at most {titrated}");
            errors.require((1..=titrated).contains(&run.titrates.len()), &field, "count", message, run.titrates.len());
            let once = self.runs.iter().filter(|other| other.method == run.method).count() == 1;
            errors.require(once, &format!("runs[{at}].method"), "once", "is named twice", run.method);
            for (place, one) in run.titrates.iter().enumerate() {
                let message = "give the portion, or what is taken: one of the two";
                let field = format!("{field}[{place}].portion");
                errors.require(one.portion.is_some() != one.take.is_some(), &field, "one_of", message, "");
            }
        }
        errors.check()?;
        self.run(self.runs[0].method).check()
    }

    /// The samples of all portions, held until the transaction ends; of each portion what it is and when it was taken, or how it will
    /// be.
    async fn hold_samples(&self, connection: &Connection) -> Result<HashMap<(usize, usize), Portion>, Refusal> {
        let (mut held, mut found) = (Vec::new(), HashMap::new());
        for (run, of) in self.runs.iter().enumerate() {
            for (at, one) in of.titrates.iter().enumerate() {
                let (portion, sample) =
                    one.portion(connection, self.observed_at).await.map_err(of_titrated(run, at))?;
                held.push(Held::Sample(sample));
                found.insert((run, at), portion);
            }
        }
        hold(connection, &held).await?;
        Ok(found)
    }
}

/// A portion to be titrated.
enum Portion {
    /// It is there, since then.
    There(Uuid, DateTime<Utc>),
    /// It is taken of this sample.
    Take(Uuid, Box<NewPortion>),
}

impl Portion {
    /// Identity, and when it was taken; it is taken here if it was not before.
    async fn taken(self, connection: &Connection, act: &Act) -> Result<(Uuid, DateTime<Utc>), Refusal> {
        match self {
            Self::There(id, at) => Ok((id, at)),
            Self::Take(sample, new) => {
                let own = act.by(Action::RegisterSamples);
                acting(connection, &own).await?;
                samples::still_here(connection, "sample", sample).await?;
                let taken = portions::record_in(connection, &own, sample, &new).await?;
                acting(connection, act).await?;
                Ok((taken.id, new.observed_at))
            }
        }
    }
}

impl ToTitrate {
    /// The portion with its sample.
    async fn portion(&self, connection: &Connection, now: DateTime<Utc>) -> Result<(Portion, Uuid), Refusal> {
        let named = |field: &'static str, id: Uuid| {
            move |refusal: Refusal| match refusal.code {
                Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at(field, "exists", id),
                _ => refusal,
            }
        };
        if let Some(TakenLike { sample, like }) = self.take {
            samples::versions::current(connection, sample).await.map_err(named("take.sample", sample))?;
            let (row, steps) = portions::current(connection, like).await.map_err(named("take.like", like))?;
            let message = "was weighed: take the portion with its own mass, then begin the run";
            let new = NewPortion::like(&row, &steps, now)
                .ok_or_else(|| Refusal::invalid("take.like", "volume", message, like))?;
            return Ok((Portion::Take(sample, Box::new(new)), sample));
        }
        let id = self.portion.unwrap_or_default();
        let (row, _) = portions::current(connection, id).await.map_err(named("portion", id))?;
        Ok((Portion::There(id, row.observed_at), row.sample_id))
    }
}

/// Opens runs and begins the determinations in them.
///
/// # Errors
/// What any run or determination refuses, with its place before the field; nothing is recorded then.
pub async fn open(db: &Db, act: &Act, new: NewRuns) -> Result<Answer, Refusal> {
    new.check()?;
    db.write(act, async |connection| {
        // All that is held by identity, before runs that nobody knows yet.
        let mut portions = new.hold_samples(connection).await?;
        let mut runs = Vec::with_capacity(new.runs.len());
        for (at, of) in new.runs.iter().enumerate() {
            let opened = service::open_in(connection, act, new.run(of.method)).await;
            let run = opened.map_err(|refusal| refusal.under(&format!("runs[{at}]"), beside))?;
            let begun = begin(connection, act, (at, run.id), (of, new.observed_at), &mut portions).await?;
            runs.push(OpenedRun { id: run.id.0, code: run.code, method: run.method_id, determinations: begun });
        }
        Ok(OpenedRuns { runs })
    })
    .await
}

async fn begin(
    connection: &Connection,
    act: &Act,
    (at, run): (usize, RunId),
    (of, since): (&NewRunOf, DateTime<Utc>),
    portions: &mut HashMap<(usize, usize), Portion>,
) -> Result<Vec<BegunDetermination>, Refusal> {
    let mut begun = Vec::with_capacity(of.titrates.len());
    for (place, one) in of.titrates.iter().enumerate() {
        let Some(portion) = portions.remove(&(at, place)) else { continue };
        let (portion, taken) = portion.taken(connection, act).await.map_err(of_titrated(at, place))?;
        let determination = NewDetermination {
            code: None,
            run: run.0,
            portion,
            purpose: one.purpose.clone(),
            observed_at: taken.max(since),
            // The run's reason stands for what is in it.
            late_reason: None,
        };
        let named = of_titrated(at, place);
        determinations::check(&determination).map_err(&named)?;
        let row = determinations::begin_in(connection, act, determination).await.map_err(&named)?;
        begun.push(BegunDetermination {
            id: row.id.0,
            code: row.code,
            portion: row.portion_id,
            sample: row.sample_id,
            purpose: row.purpose,
        });
    }
    Ok(begun)
}
