//! Work that takes much of a core and of memory, such as drawing pictures and documents: a little of it at a time, away from the
//! threads that serve.

use std::sync::atomic::{AtomicUsize, Ordering};

use tokio::sync::Semaphore;

use crate::refusal::{Code, Refusal};

/// Pieces of such work at the same time.
static TURNS: Semaphore = Semaphore::const_new(2);
/// Pieces that wait for their turn at most.
const MOST_WAITING: usize = 128;
static WAITING: AtomicUsize = AtomicUsize::new(0);

struct Place;

impl Drop for Place {
    fn drop(&mut self) {
        WAITING.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Does the work in its turn.
///
/// # Errors
/// [`Code::Busy`] if very many wait already; a panic of the work.
pub async fn heavy<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, Refusal> {
    let waiting = WAITING.fetch_add(1, Ordering::Relaxed);
    let place = Place;
    if waiting >= MOST_WAITING {
        let refusal =
            Refusal::new(Code::Busy, "many pictures, documents and plans are being made; try again in a moment");
        return Err(refusal.with_facts(serde_json::json!({ "retry_after_seconds": 2 })));
    }
    let turn = TURNS.acquire().await.map_err(Refusal::internal)?;
    drop(place);
    let done = tokio::task::spawn_blocking(move || {
        // Held until the work ends, also when nobody waits for it any more.
        let _turn = turn;
        work()
    });
    done.await.map_err(Refusal::internal)
}
