//! Whether a run lets its results be approved: runs decide, and where one has not decided two people may grant a concession.

use chrono::Utc;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::RunId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_bench::concessions;
use uuid::Uuid;

use crate::runs::quality::{self, Quality, Verdict};
use crate::runs::service::{self, KIND};

/// Why nothing of a run is approved, under no concession either.
fn forbids(state: &str, quality: &Quality) -> Option<Refusal> {
    if !matches!(state, "closed" | "released") {
        let detail = format!("the run is {state}: nothing of it can be approved");
        return Some(Refusal::new(Code::StateConflict, detail));
    }
    service::out_of_control(quality)
}

/// What a client's result still waits for, and whether a concession may stand in for it.
fn lacks(state: &str, quality: &Quality) -> Option<Refusal> {
    if let Some(refusal) = quality.lacks() {
        return Some(refusal);
    }
    if quality.verdict == Verdict::NoPlan {
        let detail = "the method version had no plan of quality control when the run was opened";
        return Some(Refusal::new(Code::RuleBroken, detail));
    }
    (state != "released").then(|| {
        let detail = "the run is closed and waits for its release by a manager who did not open it";
        Refusal::new(Code::StateConflict, detail)
    })
}

/// Whether a result may be approved. A client's only in a released run of a method version with a plan of quality control, or
/// under a concession; a control's in a closed one, which is how its run's failure is looked into.
///
/// # Errors
/// What the run is, lacks or waits for.
pub async fn allows(connection: &Connection, run: RunId, (determination, client): (Uuid, bool)) -> Result<(), Refusal> {
    let row = service::find(connection, run.0).await?;
    let state = states::present(connection, KIND, run.0).await?.state;
    let quality = quality::of(connection, &row).await?;
    if client {
        if let Some(refusal) = forbids(&state, &quality) {
            return Err(refusal);
        }
        let Some(refusal) = lacks(&state, &quality) else { return Ok(()) };
        if concessions::holds_for(connection, determination, Utc::now()).await? {
            return Ok(());
        }
        let detail = format!("{}; or two managers grant a concession for this determination", refusal.detail);
        return Err(Refusal { detail, ..refusal });
    }
    if matches!(state.as_str(), "closed" | "released") {
        return Ok(());
    }
    Err(Refusal::new(Code::StateConflict, format!("the run is {state}: nothing of it can be approved")))
}

/// In a few words what keeps the results of a run from being approved; none where nothing does. One that is released together with
/// them is looked at as if it were released.
pub async fn waits_for(connection: &Connection, run: RunId, with_it: bool) -> Result<Option<String>, Refusal> {
    let row = service::find(connection, run.0).await?;
    let state = match with_it {
        true => "released".to_owned(),
        false => states::present(connection, KIND, run.0).await?.state,
    };
    let quality = quality::of(connection, &row).await?;
    Ok(forbids(&state, &quality).or_else(|| lacks(&state, &quality)).map(|refusal| refusal.detail))
}
