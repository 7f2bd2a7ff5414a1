//! What comes next in a run: the blank that is still due, the determination that asks for a titration, or its end.

use chrono::Duration;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::refusal::Refusal;
use uuid::Uuid;

use crate::determinations::listing::{DeterminationLine, DeterminationListing};
use crate::determinations::service as determinations;
use crate::runs::quality::Missing;
use crate::runs::service::{self, RunView};

/// Runs that began so far apart are not of one piece of work.
const APART: Duration = Duration::hours(12);

/// What comes next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// A blank of a run.
    Blank { run: Uuid, code: String },
    /// A titration of a determination.
    Titrate { determination: Uuid, sample: Uuid },
    /// The run is titrated: it is closed and submitted.
    Finish { run: Uuid },
    /// Nothing that follows from what is there.
    Open,
}

impl Next {
    /// The page where it is done; none where nothing follows.
    pub fn place(&self) -> Option<String> {
        match self {
            Self::Blank { run, .. } => Some(format!("/runs/{run}/blanks/new")),
            Self::Titrate { determination, .. } => Some(format!("/determinations/{determination}/bench")),
            Self::Finish { run } => Some(format!("/runs/{run}/finish")),
            Self::Open => None,
        }
    }
}

/// Whether a determination asks for a titration.
pub(crate) fn asks(line: &DeterminationLine) -> bool {
    matches!(line.state.as_str(), "in progress" | "returned" | "amended") && line.outcome == "incomplete"
}

/// Determinations of a run in the order in which they were begun.
pub(crate) async fn lines(db: &Db, run: Uuid) -> Result<Vec<DeterminationLine>, Refusal> {
    let listing = DeterminationListing { run: Some(run), limit: Some(200), ..Default::default() };
    let mut lines = determinations::list(db, &listing).await?.items;
    lines.reverse();
    Ok(lines)
}

/// What a run itself asks for, beginning behind a determination; none where all of it is titrated.
fn within(run: &RunView, lines: &[DeterminationLine], after: Option<Uuid>) -> Option<Next> {
    if run.quality.blanks_due > 0 {
        return Some(Next::Blank { run: run.id, code: run.code.clone() });
    }
    let from = after.and_then(|after| lines.iter().position(|line| line.id == after)).map_or(0, |at| at + 1);
    let turned = lines.iter().skip(from).chain(lines.iter().take(from));
    let line = turned.into_iter().find(|line| asks(line))?;
    Some(Next::Titrate { determination: line.id, sample: line.sample })
}

/// Open runs that the same person began about the same time, oldest first.
pub(crate) async fn beside(db: &Db, run: &RunView, person: AccountId) -> Result<Vec<RunView>, Refusal> {
    let open = service::in_state(db, "open", (Uuid::max(), 50)).await?.items;
    let near = |other: &RunView| (other.observed_at - run.observed_at).abs() <= APART;
    let mut found: Vec<RunView> =
        open.into_iter().filter(|other| other.id != run.id && other.recorded_by == person && near(other)).collect();
    found.reverse();
    Ok(found)
}

/// Whether all of an open run is titrated: its blanks are there and judged, and every determination is complete. Controls get on
/// their charts when it is closed.
pub(crate) fn titrated(run: &RunView, lines: &[DeterminationLine]) -> bool {
    let unjudged = run.lacks.iter().any(|what| matches!(what, Missing::Verdicts(_)));
    run.state == "open" && run.quality.blanks_due == 0 && !unjudged && !lines.is_empty() && !lines.iter().any(asks)
}

/// What comes next in a run for somebody who has just done something in it.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of(db: &Db, run: Uuid, after: Option<Uuid>, person: AccountId) -> Result<Next, Refusal> {
    let run = service::read(db, run).await?;
    if run.state != "open" {
        return Ok(Next::Open);
    }
    let own = lines(db, run.id).await?;
    if own.is_empty() && run.quality.blanks_due == 0 {
        return Ok(Next::Open);
    }
    if let Some(next) = within(&run, &own, after) {
        return Ok(next);
    }
    for other in beside(db, &run, person).await? {
        let others = lines(db, other.id).await?;
        if let Some(next) = within(&other, &others, None).filter(|_| !others.is_empty()) {
            return Ok(next);
        }
    }
    Ok(if titrated(&run, &own) { Next::Finish { run: run.id } } else { Next::Open })
}
