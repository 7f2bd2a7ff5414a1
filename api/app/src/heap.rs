//! Memory of the process. What heavy work (documents, pictures, workbooks) leaves free in the heap of the C library stays with the
//! process until it is asked back; where there is another C library nothing is done.

use std::time::Duration;

use tokio::sync::watch;

/// How often it is looked at.
const EVERY: Duration = Duration::from_millis(200);
/// What may gather before it is worth the walk over the heap, which takes some milliseconds.
const WORTH_IT: u64 = 16 << 20;
/// After so many looks less is worth it, too: what a crowd held is free once it has gone.
const CALM: u32 = 25;
const WORTH_IT_WHEN_CALM: u64 = 1 << 20;

/// Bounds the heaps that threads share, each of which keeps what its busiest moment needed, and has documents and pictures stand outside
/// them, so that they go back as soon as they are sent. To be called before there are threads.
pub fn share() {
    glibc::share();
}

/// Gives free memory back from time to time until the program stops.
pub async fn give_back(mut stopped: watch::Receiver<bool>) {
    let (mut left, mut looks, mut settled) = (0_u64, 0, false);
    loop {
        if tokio::time::timeout(EVERY, stopped.wait_for(|stopped| *stopped)).await.is_ok() {
            return;
        }
        looks += 1;
        let Some(now) = resident() else { return };
        let grown = now > left + WORTH_IT;
        let calm = looks >= CALM && (!settled || now.abs_diff(left) > WORTH_IT_WHEN_CALM);
        if grown || calm {
            (looks, settled) = (0, !grown);
            // Not among the requests: it walks every heap.
            let trimmed = tokio::task::spawn_blocking(|| {
                glibc::trim();
                resident()
            });
            left = trimmed.await.ok().flatten().unwrap_or(now);
        }
    }
}

/// Bytes of the process that are in memory; none where the system does not say.
fn resident() -> Option<u64> {
    let pages = std::fs::read_to_string("/proc/self/statm").ok()?;
    let pages: u64 = pages.split(' ').nth(1)?.parse().ok()?;
    Some(pages * PAGE)
}

/// Bytes of a page; where they are larger, more gathers before it is given back.
const PAGE: u64 = 4096;

#[cfg(all(target_os = "linux", target_env = "gnu"))]
#[expect(unsafe_code, reason = "functions of the C library that take numbers and touch nothing of ours")]
mod glibc {
    /// Heaps for all threads; the C library itself would go up to eight for each core.
    const HEAPS: i32 = 2;
    /// Bytes from which on a piece stands by itself; the C library itself would raise this to the largest that was ever given back.
    const BY_ITSELF: i32 = 256 << 10;

    pub fn share() {
        // SAFETY: called before there are threads, with parameters that mallopt(3) names.
        unsafe {
            libc::mallopt(libc::M_ARENA_MAX, HEAPS);
            libc::mallopt(libc::M_MMAP_THRESHOLD, BY_ITSELF);
        }
    }

    pub fn trim() {
        // SAFETY: malloc_trim(3) may be called from any thread at any time.
        unsafe { libc::malloc_trim(0) };
    }
}

#[cfg(not(all(target_os = "linux", target_env = "gnu")))]
mod glibc {
    pub const fn share() {}
    pub const fn trim() {}
}

#[cfg(all(test, target_os = "linux", target_env = "gnu"))]
mod tests {
    use super::*;

    #[test]
    fn what_is_free_between_what_is_in_use_goes_back_to_the_machine() {
        let mut blocks: Vec<Option<Box<[u8; 4096]>>> = (0..25_000).map(|_| Some(Box::new([1; 4096]))).collect();
        let full = resident().unwrap();
        // Every hundredth stays, so that the heap does not end where it began.
        for (at, block) in blocks.iter_mut().enumerate() {
            if at % 100 != 99 {
                *block = None;
            }
        }
        glibc::trim();
        let left = resident().unwrap();
        assert!(left + (50 << 20) < full, "{full} before, {left} after");
        assert_eq!(blocks.iter().flatten().count(), 250);
    }
}
