//! Ending a calculation from outside: whoever asked has gone, or has waited long enough.
//!
//! A calculation under way looks at a flag now and then, in its longer loops. When the flag is raised the calculation is
//! unwound to where it began, so that no function in between needs an error for it; nothing is left half done, since
//! calculations have no effects. Without a flag the loops run to their ends.

use std::cell::RefCell;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

thread_local! {
    static WATCHED: RefCell<Option<Stop>> = const { RefCell::new(None) };
}

/// A flag that ends a calculation; clones are the same flag.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<AtomicBool>);

/// The calculation was ended before it had a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the calculation was stopped")]
pub struct Stopped;

impl Stop {
    /// A flag that is not raised.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Raises the flag.
    pub fn raise(&self) {
        self.0.store(true, Ordering::Relaxed);
    }

    /// Whether the flag is raised.
    #[must_use]
    pub fn is_raised(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Raises a flag when it is dropped: whoever asked has gone.
#[derive(Debug)]
pub struct RaisedWhenDropped(Stop);

impl Stop {
    /// Holds the flag for whoever asked.
    #[must_use]
    pub fn raised_when_dropped(&self) -> RaisedWhenDropped {
        RaisedWhenDropped(self.clone())
    }
}

impl Drop for RaisedWhenDropped {
    fn drop(&mut self) {
        self.0.raise();
    }
}

/// Puts back what was watched before, also when the calculation is unwound.
struct Before(Option<Stop>);

impl Drop for Before {
    fn drop(&mut self) {
        let before = self.0.take();
        WATCHED.with(|watched| *watched.borrow_mut() = before);
    }
}

/// Calculates until the flag is raised.
///
/// # Errors
/// [`Stopped`] when the flag was raised and the calculation took notice.
///
/// # Example
/// ```
/// use ferrotitre_core::stop::{Stop, until};
/// let stop = Stop::new();
/// assert_eq!(until(&stop, || 2 + 2), Ok(4));
/// ```
pub fn until<T>(stop: &Stop, calculation: impl FnOnce() -> T) -> Result<T, Stopped> {
    let before = Before(WATCHED.with(|watched| watched.borrow_mut().replace(stop.clone())));
    // Nothing that is seen from outside can be left broken: calculations only return.
    let result = catch_unwind(AssertUnwindSafe(calculation));
    drop(before);
    result.or_else(|cause| if cause.is::<Stopped>() { Err(Stopped) } else { resume_unwind(cause) })
}

/// A place in a long loop where the calculation may end.
pub(crate) fn point() {
    if WATCHED.with(|watched| watched.borrow().as_ref().is_some_and(Stop::is_raised)) {
        leave();
    }
}

/// Ends the calculation on this thread.
pub(crate) fn leave() -> ! {
    // Not a panic: the hook that reports panics is not called.
    resume_unwind(Box::new(Stopped))
}

/// The flag this thread watches, for threads it starts.
pub(crate) fn watched() -> Stop {
    WATCHED.with(|watched| watched.borrow().clone()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::monte_carlo::{Settings, simulate};
    use crate::uncertainty::{Input, Inputs};

    #[test]
    fn a_raised_flag_ends_a_simulation_on_every_thread_and_the_next_one_runs() {
        let mut inputs = Inputs::new();
        inputs.add(Input::new("a", "", "", 0.0, 1.0)).unwrap();
        for threads in [1, 3] {
            let settings = Settings { trials: 100_000, threads, ..Settings::default() };
            let run = || simulate(&inputs, |x| x[0], &settings, &mut Vec::new()).unwrap().trials;
            let stop = Stop::new();
            assert_eq!(until(&stop, run), Ok(100_000));
            stop.raise();
            assert_eq!(until(&stop, run), Err(Stopped));
            assert_eq!(run(), 100_000);
        }
    }

    #[test]
    #[should_panic(expected = "a bug")]
    fn a_bug_is_not_taken_for_a_stop() {
        let _ = until(&Stop::new(), || panic!("a bug"));
    }
}
