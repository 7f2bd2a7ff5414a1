//! Calculations for clients: stateless, off the threads that answer requests, few at a time.

use std::sync::OnceLock;
use std::time::Duration;

use actix_web::web;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_core::stop::{Stop, until};
use tokio::sync::Semaphore;

use crate::subject::{Place, Subject};
use crate::table;

/// Longest wait for a turn.
const PATIENCE: Duration = Duration::from_secs(20);

/// Longest calculation. Sizes are limited so that none comes near it; what does all the same is stopped.
const LONGEST: Duration = Duration::from_secs(20);

/// Half of the processors, at least one: whatever is asked, records are still served.
fn turns() -> &'static Semaphore {
    static TURNS: OnceLock<Semaphore> = OnceLock::new();
    TURNS.get_or_init(|| {
        let processors = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        Semaphore::new((processors / 2).max(1))
    })
}

/// The subject of a path.
///
/// # Errors
/// No such subject.
pub(super) fn subject(name: &str) -> Result<&'static Subject, Refusal> {
    table::subject(name).ok_or_else(|| Refusal::not_found("calculation", name))
}

/// Calculates when it is this request's turn.
///
/// # Errors
/// No such subject, an input that breaks a rule or is larger than the service takes on, no turn in time, too long.
pub(super) async fn calculate(name: &str, input: Vec<u8>) -> Result<String, Refusal> {
    let subject = subject(name)?;
    let turn = tokio::time::timeout(PATIENCE, turns().acquire()).await;
    let busy = || Refusal::new(Code::Busy, format!("no turn within {} s; try again", PATIENCE.as_secs()));
    let turn = turn.map_err(|elapsed| busy().because(elapsed))?.map_err(Refusal::internal)?;
    let stop = Stop::new();
    // Stops the calculation when the request is gone: answered, given up, or its client has left.
    let _asker = stop.raised_when_dropped();
    let work = web::block(move || {
        // The turn ends with the calculation.
        let _turn = turn;
        until(&stop, || subject.calculate(&input, Place::Service))
    });
    match tokio::time::timeout(LONGEST, work).await {
        Ok(done) => done.map_err(Refusal::internal)?.map_err(Refusal::internal)?,
        Err(elapsed) => {
            let message = format!("takes more than {} s; ferrotitre calc {name} has no limit", LONGEST.as_secs());
            Err(Refusal::invalid("input", "time", message, "").because(elapsed))
        }
    }
}
