//! Assignable causes of a control value that does not count.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::readings;

/// Beside those of a titration. An outlier test is no cause.
const CAUSES: [&str; 5] =
    ["wrong factor", "contaminated reagent", "control material degraded", "instrument fault", "copied wrongly"];

/// All assignable causes, to choose from.
pub(super) fn all() -> Vec<&'static str> {
    readings::CAUSES.iter().chain(&CAUSES).copied().collect()
}

/// Checks that a cause is on the list.
///
/// # Errors
/// Names the causes.
pub(super) fn check(field: &str, cause: &str) -> Result<(), Refusal> {
    if CAUSES.contains(&cause) || readings::CAUSES.contains(&cause) {
        return Ok(());
    }
    let message = format!("must be an assignable cause ({}); an outlier test alone is none", all().join(", "));
    Err(Refusal::invalid(field, "one_of", message, cause))
}
