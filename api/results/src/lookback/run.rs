//! Evaluates a hypothesis against every result that it reaches, some at a time: what is held does not grow with their number but
//! for the list of what is reached.

use std::collections::HashMap;
use std::sync::OnceLock;
use std::time::Duration;

use actix_web::{rt, web};
use ferrotitre_base::certified::{self, Certified};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::FactorId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_bench::impacts::store::reach::{self, Use};
use ferrotitre_bench::impacts::uses;
use ferrotitre_bench::titrants::origin;
use ferrotitre_bench::titrants::store::FactorRow;
use ferrotitre_core::lifecycle::EntityKind;
use futures_util::{StreamExt as _, TryStreamExt as _, stream};
use tokio::sync::mpsc::{Receiver, Sender, channel};
use tokio::sync::{Mutex, Semaphore};
use uuid::Uuid;

use crate::determinations::supposed::{self, Hypothesis, Weighed};
use crate::lookback::lots;
use crate::lookback::question::Question;
use crate::lookback::wire::{DecisionChange, OnCertificate, SupposedFigure, SupposedLine, Totals};

/// Results that are read and evaluated at once.
const AT_ONCE: usize = 250;
/// Pages that are read and evaluated side by side.
const PAGES_AHEAD: usize = 3;
/// Longest wait for a turn.
const PATIENCE: Duration = Duration::from_secs(20);
/// How long an asker may take no part of the answer: shorter than the patience of the next.
const LONGEST_SILENCE: Duration = Duration::from_secs(10);

/// What happens while a hypothesis is evaluated.
pub enum Event {
    /// How many are reached.
    Began(u64),
    /// Some results.
    Lines(Vec<SupposedLine>),
    /// What the whole comes to.
    Ended(Totals),
}

type Told = Sender<Result<Event, Refusal>>;

/// One at a time in a process: records are served meanwhile.
fn turn() -> &'static Semaphore {
    static TURN: OnceLock<Semaphore> = OnceLock::new();
    TURN.get_or_init(|| Semaphore::new(1))
}

/// Evaluates a hypothesis; ends when nobody listens any more.
///
/// # Errors
/// Another one that takes too long.
pub async fn run(db: &Db, question: Question) -> Result<Receiver<Result<Event, Refusal>>, Refusal> {
    let waited = tokio::time::timeout(PATIENCE, turn().acquire()).await;
    let busy = || {
        let detail =
            format!("another look-back is being evaluated and did not end within {} s; try again", PATIENCE.as_secs());
        Refusal::new(Code::Busy, detail)
    };
    let turn = waited.map_err(|elapsed| busy().because(elapsed))?.map_err(Refusal::internal)?;
    let (told, heard) = channel(PAGES_AHEAD);
    let db = db.clone();
    rt::spawn(async move {
        let outcome = db.snapshot_once(async |connection| evaluate(connection, &question, &told).await).await;
        // What is left to be told holds up nobody.
        drop(turn);
        if let Err(refusal) = outcome {
            // Nobody may be listening any more, which is no trouble.
            let _ = tokio::time::timeout(LONGEST_SILENCE, told.send(Err(refusal))).await;
        }
    });
    Ok(heard)
}

/// Nobody listens any more.
fn left() -> Refusal {
    Refusal::new(Code::Busy, "the answer was not read for too long, or its asker has left; ask again")
}

/// Hands an event on. An asker who reads nothing for so long holds up the others, and counts as one who has left.
async fn tell(told: &Told, event: Event) -> Result<(), Refusal> {
    let sent = tokio::time::timeout(LONGEST_SILENCE, told.send(Ok(event))).await;
    sent.map_err(|elapsed| left().because(elapsed))?.map_err(|_gone| left())
}

/// Factors under the hypothesis, each evaluated once.
#[derive(Default)]
struct Factors(Mutex<HashMap<FactorId, Option<Result<FactorRow, String>>>>);

impl Factors {
    async fn of(
        &self,
        connection: &Connection,
        question: &Question,
        all: Vec<(FactorRow, ferrotitre_bench::titrants::store::TitrantRow)>,
    ) -> Result<HashMap<FactorId, Result<FactorRow, String>>, Refusal> {
        if !question.supposed.reaches_factors() {
            return Ok(HashMap::new());
        }
        let ids: Vec<FactorId> = all.iter().map(|(factor, _)| factor.id).collect();
        let mut known = self.0.lock().await;
        let new: Vec<_> = all.into_iter().filter(|(factor, _)| !known.contains_key(&factor.id)).collect();
        let asked: Vec<FactorId> = new.iter().map(|(factor, _)| factor.id).collect();
        if !new.is_empty() {
            let mut found = origin::supposed(connection, new, &question.supposed).await?;
            known.extend(asked.into_iter().map(|id| (id, found.remove(&id))));
        }
        Ok(ids.into_iter().filter_map(|id| Some((id, known.get(&id)?.clone()?))).collect())
    }
}

async fn evaluate(connection: &Connection, question: &Question, told: &Told) -> Result<(), Refusal> {
    let reached = reach::standing(connection, (question.reach, question.when)).await?;
    let mut so_far = SoFar::default();
    so_far.totals.reached = reached.len() as u64;
    for one in &reached {
        *so_far.totals.reached_by_kind.entry(one.entity_kind.clone()).or_default() += 1;
    }
    tell(told, Event::Began(so_far.totals.reached)).await?;
    let factors = Factors::default();
    for of_kind in reached.chunk_by(|a, b| a.entity_kind == b.entity_kind) {
        let kind = of_kind.first().map_or("", |one| one.entity_kind.as_str());
        let results = kind == EntityKind::Determination.table() || kind == EntityKind::IronResult.table();
        if !results {
            for some in of_kind.chunks(AT_ONCE) {
                let lines = others(connection, question, &factors, some).await?;
                tell(told, Event::Lines(so_far.took(certify(connection, lines).await?))).await?;
            }
            continue;
        }
        // One stage: a page that waits for the connection and is not polled would hold it up for what waits behind it.
        let pages = stream::iter(of_kind.chunks(AT_ONCE));
        let pages = pages.map(|some| page(connection, question, &factors, some)).buffered(PAGES_AHEAD);
        let mut pages = std::pin::pin!(pages);
        while let Some(page) = pages.try_next().await? {
            tell(told, Event::Lines(so_far.took(page))).await?;
        }
    }
    tell(told, Event::Ended(so_far.whole())).await
}

/// What was found so far.
#[derive(Default)]
struct SoFar {
    totals: Totals,
    /// Certificates in force over what changes or could not be evaluated; whether a result on them changes.
    certificates: HashMap<Uuid, bool>,
}

impl SoFar {
    /// Counts some results in.
    fn took(&mut self, (lines, certificates): Found) -> Vec<SupposedLine> {
        for line in &lines {
            self.totals.take(line);
        }
        for (certificate, changes) in certificates {
            *self.certificates.entry(certificate).or_default() |= changes;
        }
        lines
    }

    fn whole(mut self) -> Totals {
        self.totals.complete = self.totals.reached == self.totals.evaluated + self.totals.not_evaluated;
        self.totals.certificates = self.certificates.values().filter(|changes| **changes).count() as u64;
        self.totals.certificates_not_evaluated = self.certificates.len() as u64 - self.totals.certificates;
        self.totals
    }
}

/// Results, and the certificates in force that they are on, each with whether one on it changes.
type Found = (Vec<SupposedLine>, Vec<(Uuid, bool)>);

/// Names the certificates in force that results are on which change, or could not be evaluated: one statement for all.
async fn certify(connection: &Connection, mut lines: Vec<SupposedLine>) -> Result<Found, Refusal> {
    let concerned = |line: &SupposedLine| line.changes || line.not_evaluated.is_some();
    let ids: Vec<Uuid> = lines.iter().filter(|line| concerned(line)).map(|line| line.id).collect();
    let on: HashMap<Uuid, Certified> = certified::of(connection, &ids)
        .await?
        .into_iter()
        .filter(Certified::is_issued)
        .map(|one| (one.result, one))
        .collect();
    let mut certificates = Vec::new();
    for line in lines.iter_mut().filter(|line| concerned(line)) {
        let Some(one) = on.get(&line.id) else { continue };
        certificates.push((one.certificate, line.changes));
        line.certificate = Some(OnCertificate { number: one.number.clone(), issue: one.issue });
    }
    Ok((lines, certificates))
}

/// Reads some results of one kind and evaluates them with what the hypothesis makes of their factors.
async fn page(connection: &Connection, question: &Question, factors: &Factors, some: &[Use]) -> Result<Found, Refusal> {
    let ids: Vec<Uuid> = some.iter().map(|one| one.entity_id).collect();
    let iron = some.first().is_some_and(|one| one.entity_kind == EntityKind::IronResult.table());
    let pile =
        if iron { supposed::pile_of_irons(connection, &ids).await? } else { supposed::pile(connection, &ids).await? };
    let factors = factors.of(connection, question, pile.factors()).await?;
    let hypothesis = Hypothesis { supposed: question.supposed.clone(), left_out: question.left_out.clone(), factors };
    let compared = web::block(move || pile.compare(&hypothesis)).await.map_err(Refusal::internal)??;
    certify(connection, lines(some, compared)).await
}

fn blank_line(one: &Use, code: String) -> SupposedLine {
    SupposedLine {
        kind: one.entity_kind.clone(),
        id: one.entity_id,
        code,
        sign_off: one.sign_off,
        signed_at: one.signed_at,
        state: one.state.clone(),
        unit: String::new(),
        before: None,
        after: None,
        difference: None,
        difference_in_u: None,
        decisions: Vec::new(),
        changes: false,
        no_result: None,
        not_evaluated: None,
        certificate: None,
        shown_at: one.shown_at,
    }
}

fn figure(of: &Weighed) -> Option<SupposedFigure> {
    let (value, u) = of.result?;
    let reported = of.reported.as_ref()?;
    Some(SupposedFigure {
        text: reported.text.clone(),
        expanded_uncertainty: reported.expanded_uncertainty.clone(),
        value,
        u,
    })
}

/// Lines of results, in the order they were asked for.
fn lines(some: &[Use], compared: Vec<supposed::Compared>) -> Vec<SupposedLine> {
    let mut by_id: HashMap<Uuid, supposed::Compared> = compared.into_iter().map(|one| (one.id, one)).collect();
    let line = |one: &Use| match by_id.remove(&one.entity_id) {
        Some(of) => line(one, of),
        None => {
            SupposedLine { not_evaluated: Some("it is not on record".to_owned()), ..blank_line(one, String::new()) }
        }
    };
    some.iter().map(line).collect()
}

fn line(one: &Use, of: supposed::Compared) -> SupposedLine {
    let mut line = blank_line(one, of.code);
    let (before, after) = match of.outcome {
        Ok(both) => both,
        Err(why) => {
            line.not_evaluated = Some(why);
            return line;
        }
    };
    let expanded = before.reported.as_ref().zip(before.result).map(|(reported, (_, u))| reported.coverage.factor * u);
    line.unit = before.reported.as_ref().map(|reported| reported.unit.to_owned()).unwrap_or_default();
    line.difference = before.result.zip(after.result).map(|(old, new)| new.0 - old.0);
    line.difference_in_u = line.difference.zip(expanded).filter(|(_, u)| *u > 0.0).map(|(apart, u)| apart / u);
    let changed = before.conformity.iter().zip(&after.conformity).filter(|(old, new)| old.outcome != new.outcome);
    line.decisions = changed
        .map(|(old, new)| DecisionChange {
            code: old.code.clone(),
            version: old.version,
            before: old.outcome.to_owned(),
            after: new.outcome.to_owned(),
        })
        .collect();
    line.before = figure(&before);
    line.after = figure(&after);
    let digits = |figure: &Option<SupposedFigure>| {
        figure.as_ref().map(|figure| (figure.text.clone(), figure.expanded_uncertainty.clone()))
    };
    line.changes = digits(&line.before) != digits(&line.after) || !line.decisions.is_empty();
    if line.after.is_none() {
        line.no_result = Some(after.waits);
    }
    line
}

/// Lots and standardisations by their factors; conclusions are people's.
async fn others(
    connection: &Connection,
    question: &Question,
    factors: &Factors,
    some: &[Use],
) -> Result<Vec<SupposedLine>, Refusal> {
    let codes = uses::codes(connection, some).await?;
    let mut lines = Vec::with_capacity(some.len());
    for one in some {
        let mut line = blank_line(one, codes.get(&one.entity_id).cloned().unwrap_or_default());
        if one.entity_kind == EntityKind::ValidationConclusion.table() {
            let why = "a study keeps its data as they were taken: a new conclusion is needed";
            line.not_evaluated = Some(why.to_owned());
        } else if question.left_out.is_some() {
            let why = "a factor is not evaluated without some of its titrations: open its standardisation or lot";
            line.not_evaluated = Some(why.to_owned());
        } else {
            let factor = lots::factor_of(connection, one).await?;
            let lot = match &factor {
                Some(factor) => ferrotitre_bench::titrants::store::factors_by_id(connection, &[factor.id]).await?,
                None => Vec::new(),
            };
            let changed = factors.of(connection, question, lot).await?;
            match lots::compared(factor, &changed) {
                Ok((before, after)) => {
                    line.unit = "mol/L".to_owned();
                    line.difference = Some(after.value - before.value);
                    line.difference_in_u = (before.u > 0.0).then(|| (after.value - before.value) / (2.0 * before.u));
                    line.changes = before.text != after.text;
                    (line.before, line.after) = (Some(before), Some(after));
                }
                Err(why) => line.not_evaluated = Some(why),
            }
        }
        lines.push(line);
    }
    Ok(lines)
}
