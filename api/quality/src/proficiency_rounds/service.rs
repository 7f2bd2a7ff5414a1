//! Use cases of rounds.

use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::recording::not_in_the_future;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::{Answer, Versioned};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_base::web::versions::Correction;
use ferrotitre_bench::nonconformities::service::{self as nonconformities, Opening};
use ferrotitre_bench::nonconformities::wire::NonconformityListing;
use ferrotitre_core::validation::{AssignedValue, Participant, proficiency_scores};
use ferrotitre_results::determinations::measured;
use uuid::Uuid;

use crate::proficiency_rounds::picture;
use crate::proficiency_rounds::store::{self, KIND, RoundFacts, versions};
use crate::proficiency_rounds::wire::{
    HistoryQuestion, RoundConsequence, RoundHistory, RoundListing, RoundView, ScoresView,
};

/// Rounds of a picture, at most; newest first.
const DRAWN: i64 = 200;

/// Scores of a round as it is recorded.
fn scores(facts: &RoundFacts) -> Result<ScoresView, Refusal> {
    let (Some(value), Some(u), Some(k)) = (&facts.own_value, &facts.own_u, &facts.own_k) else {
        return Err(Refusal::new(Code::Internal, "a round lacks what its constraint demands"));
    };
    let (value, u, k) = (value.value(), u.value(), k.value());
    let (assigned_u, sigma_pt) = (facts.assigned_u.value(), facts.sigma_pt.value());
    let own = Participant { value, u, expanded: k * u };
    let expanded = facts.assigned_k.value() * assigned_u;
    let assigned = AssignedValue { value: facts.assigned_value.value(), u: assigned_u, expanded, sigma_pt };
    let scores = proficiency_scores(own, assigned)
        .map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))?;
    Ok(ScoresView::of(scores, assigned_u, sigma_pt))
}

fn view(row: versions::Row, state: String) -> Result<RoundView, Refusal> {
    Ok(RoundView { scores: scores(&row.facts)?, round: row.view(state) })
}

/// The facts with the own result taken from the determination they name.
async fn with_result(connection: &Connection, mut facts: RoundFacts) -> Result<RoundFacts, Refusal> {
    facts.one_way()?;
    let Some(id) = facts.determination else { return Ok(facts) };
    let measured = measured::one(connection, id).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at("determination", "exists", id),
        _ => refusal,
    })?;
    if let Some(why) = measured.incomplete {
        let detail = format!("{} has no result yet: {why}", measured.code);
        return Err(Refusal::new(Code::NotEnoughData, detail).at("determination", "complete", id));
    }
    if !measured.is_signed() {
        let detail = format!("{} is {}: nobody has signed its result yet", measured.code, measured.state);
        return Err(Refusal::new(Code::StateConflict, detail).at("determination", "signed", id));
    }
    let Some((value, u)) = measured.in_unit(&facts.unit) else {
        let detail = format!("{} has no result in {}", measured.code, facts.unit);
        return Err(Refusal::new(Code::NotEnoughData, detail).at("unit", "given", &facts.unit));
    };
    facts.own_value = Decimal::of(value);
    facts.own_u = Decimal::of(u);
    facts.own_k = measured.coverage_factor.and_then(Decimal::of);
    Ok(facts)
}

/// How bad a verdict is.
fn grade(verdict: &str) -> u8 {
    match verdict {
        "satisfactory" => 0,
        "warning" => 1,
        _ => 2,
    }
}

/// Opens a nonconformity for a warning (minor) or an action signal (major).
async fn consequence(
    connection: &Connection,
    act: &Act,
    row: &versions::Row,
    scores: &ScoresView,
) -> Result<(), Refusal> {
    if grade(scores.verdict) == 0 {
        return Ok(());
    }
    let facts = &row.facts;
    let mut links = vec![(KIND.table(), row.record_id, "origin")];
    if let Some(determination) = facts.determination {
        links.push((ferrotitre_core::lifecycle::EntityKind::Determination.table(), determination, "affected"));
    }
    let opening = Opening {
        source: "proficiency test",
        severity: if scores.verdict == "action" { "major" } else { "minor" },
        title: format!("{}: {} = {:.2}, {} signal", facts.code, scores.judged_by, scores.score(), scores.verdict),
        scope: format!(
            "{} in {}: own result {} {}, assigned value {} {}; results of the same method since the round before",
            facts.quantity,
            facts.material,
            facts.own_value.as_ref().map(ToString::to_string).unwrap_or_default(),
            facts.unit,
            facts.assigned_value,
            facts.unit
        ),
        owner: None,
        observed_at: facts.observed_at,
        links,
    };
    nonconformities::open_because(connection, act, opening).await.map(|_| ())
}

/// Records a round; a warning or action signal opens a nonconformity in the same transaction.
pub async fn record(db: &Db, act: &Act, facts: RoundFacts) -> Result<Answer, Refusal> {
    not_in_the_future("observed_at", facts.observed_at)?;
    db.write(act, async |connection| {
        let facts = with_result(connection, facts).await?;
        let row = versions::insert(connection, &versions::first(act, facts)?).await?;
        let shown = view(row.clone(), KIND.first_state().to_owned())?;
        consequence(connection, act, &row, &shown.scores).await?;
        Ok(shown)
    })
    .await
}

/// Corrects a round; a verdict that becomes worse opens a nonconformity.
pub(super) async fn correct(
    db: &Db,
    act: &Act,
    id: Uuid,
    if_match: Option<&str>,
    mut correction: Correction<RoundFacts>,
) -> Result<Answer, Refusal> {
    not_in_the_future("observed_at", correction.facts.observed_at)?;
    db.write(act, async |connection| {
        let present = versions::current(connection, id).await?;
        correction.facts = with_result(connection, correction.facts).await?;
        let before = scores(&present.facts)?;
        let row = versions::insert(connection, &versions::next(act, &present, if_match, correction)?).await?;
        let state = states::present(connection, KIND, id).await?.state;
        let shown = view(row.clone(), state)?;
        if grade(shown.scores.verdict) > grade(before.verdict) {
            consequence(connection, act, &row, &shown.scores).await?;
        }
        Ok(shown)
    })
    .await
}

/// Withdraws a round, with a reason.
pub(super) async fn advance(db: &Db, act: &Act, id: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    versions::advance(db, act, id, asked).await
}

/// Lists rounds, newest first.
pub async fn list(db: &Db, asked: &RoundListing) -> Result<Page<RoundView>, Refusal> {
    let listing = Listing { limit: asked.limit, after: asked.after, from: asked.from, until: asked.until };
    let limit = listing.limit()?;
    db.read(async |connection| {
        let rows = store::list(connection, &listing, asked.series.as_deref(), limit + 1).await?;
        let ids: Vec<Uuid> = rows.iter().map(|row| row.record_id).collect();
        let mut known = states::present_many(connection, KIND, &ids).await?;
        Page::of(rows, limit, |row| row.record_id).try_map(|row| {
            let state = known.remove(&row.record_id).unwrap_or_default();
            view(row, state)
        })
    })
    .await
}

/// Reads a round with its versions and consequences.
pub async fn read(db: &Db, id: Uuid) -> Result<Versioned<RoundHistory>, Refusal> {
    let (versions, moves, tag) = db
        .read(async |connection| {
            let rows = store::history(connection, id).await?;
            let tag = rows.last().map(|row| row.id.to_string());
            let tag = tag.ok_or_else(|| Refusal::not_found(KIND.noun(), id))?;
            let state = states::present(connection, KIND, id).await?.state;
            let moves = states::history(connection, id).await?;
            let views = rows.into_iter().map(|row| view(row, state.clone())).collect::<Result<Vec<_>, _>>()?;
            Ok((views, moves, tag))
        })
        .await?;
    let concerning = NonconformityListing { entity: Some(id), ..NonconformityListing::default() };
    let found = nonconformities::list(db, &concerning).await?.items.into_iter();
    let nonconformities = found
        .map(|of| RoundConsequence { id: of.id.0, code: of.code, state: of.state, severity: of.severity })
        .collect();
    Ok(Versioned { resource: RoundHistory { versions, moves, nonconformities }, tag })
}

/// Rounds as they are drawn: those not withdrawn, oldest first.
async fn drawn(db: &Db, question: &HistoryQuestion) -> Result<Vec<RoundView>, Refusal> {
    let asked = RoundListing { limit: Some(DRAWN), series: question.series.clone(), ..RoundListing::default() };
    let mut rounds = list(db, &asked).await?.items;
    rounds.retain(|view| view.round.state != "withdrawn");
    rounds.sort_by_key(|view| view.round.facts.observed_at);
    Ok(rounds)
}

/// The history as a picture.
pub async fn history(db: &Db, question: &HistoryQuestion) -> Result<String, Refusal> {
    picture::draw(&drawn(db, question).await?, question.series.as_deref())
}

/// Who recorded the versions, for names.
pub(super) fn people(history: &RoundHistory) -> Vec<AccountId> {
    let mut people: Vec<AccountId> = history.versions.iter().map(|view| view.round.recorded_by).collect();
    people.extend(history.moves.iter().filter_map(|step| step.recorded_by));
    people
}
