//! What to do when results disagree: the flow of ISO 5725-6 for measurements under repeatability conditions.

use crate::statistics::agreement::critical_range_factor;
use crate::statistics::distribution::DistributionError;

/// Whether further measurements are cheap.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FollowUp {
    /// Two more at once (ISO 5725-6, 5.2.2.1).
    Cheap,
    /// One more at a time (5.2.2.2).
    Expensive,
}

/// What is reported at the end of the flow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FinalResult {
    /// Arithmetic mean of all results.
    Mean {
        /// Number of results.
        n: usize,
        /// Value.
        value: f64,
    },
    /// Median of all results; a frequent need for it asks for a look at the method.
    Median {
        /// Number of results.
        n: usize,
        /// Value.
        value: f64,
    },
}

/// Where the flow stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Next {
    /// Step of the flow, as a sentence.
    pub step: String,
    /// Range of the results looked at.
    pub range: Option<f64>,
    /// Critical range it was compared with.
    pub critical_range: Option<f64>,
    /// Further results needed; 0 at the end of the flow.
    pub more: usize,
    /// Final result, at the end of the flow.
    pub result: Option<FinalResult>,
}

/// Follows the flow for the results in the order they were obtained.
///
/// # Source
/// ISO 5725-6, 5.2.2 (from memory), with exact critical range factors in place of the rounded ones.
///
/// # Errors
/// A result that is not finite; a `sigma_r` that is not positive.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::agreement::{FinalResult, FollowUp, follow_up};
/// let first = follow_up(&[23.16, 23.26], 0.03, FollowUp::Cheap)?; // r = 0.083
/// assert_eq!((first.more, first.result), (2, None));
/// let all = follow_up(&[23.16, 23.26, 23.20, 23.22], 0.03, FollowUp::Cheap)?; // CR(4) = 0.109
/// assert!(matches!(all.result, Some(FinalResult::Mean { n: 4, .. })));
/// # Ok::<(), ferrotitre_core::statistics::distribution::DistributionError>(())
/// ```
pub fn follow_up(results: &[f64], sigma_r: f64, kind: FollowUp) -> Result<Next, DistributionError> {
    check(results, sigma_r)?;
    let needs =
        |more: usize, step: &str| Next { step: step.to_owned(), range: None, critical_range: None, more, result: None };
    if results.len() < 2 {
        return Ok(needs(2 - results.len(), "two results are needed"));
    }
    let first_two = compare(&results[..2], sigma_r)?;
    if first_two.within {
        // More results than the flow asked for are still used when they agree; none is dropped.
        if results.len() == 2 {
            return Ok(first_two.ends(mean(results), "the first two agree within r: mean of both"));
        }
        let all = compare(results, sigma_r)?;
        return Ok(if all.within {
            all.ends(mean(results), "all results agree within the critical range: mean of all")
        } else {
            all.ends(middle(results), "the further results exceed the critical range: median of all")
        });
    }
    match (kind, results.len()) {
        (FollowUp::Cheap, 2) => Ok(first_two.continues(2, "the two differ by more than r: two more results")),
        (FollowUp::Cheap, 3) => {
            Ok(first_two.continues(1, "the two differ by more than r: one more of the two further results"))
        }
        (FollowUp::Expensive, 2) => Ok(first_two.continues(1, "the two differ by more than r: one more result")),
        (FollowUp::Expensive, 3) => {
            let three = compare(results, sigma_r)?;
            Ok(if three.within {
                three.ends(mean(results), "three agree within the critical range: mean of three")
            } else {
                three.continues(
                    1,
                    "three exceed the critical range: a fourth result, or the median of three if none can be had",
                )
            })
        }
        (_, n) => {
            let all = compare(results, sigma_r)?;
            Ok(if all.within {
                all.ends(mean(results), &format!("{n} agree within the critical range: mean of {n}"))
            } else {
                all.ends(middle(results), &format!("{n} exceed the critical range: median of {n}"))
            })
        }
    }
}

/// Ends the flow when no further result can be had.
///
/// Three results beyond the critical range end in their median (ISO 5725-6, 5.2.2.2 b); two beyond r have no final
/// result in the standard, so the flow stays open.
///
/// # Errors
/// Those of [`follow_up`].
pub fn end_without_more(results: &[f64], sigma_r: f64, kind: FollowUp) -> Result<Next, DistributionError> {
    let next = follow_up(results, sigma_r, kind)?;
    if next.result.is_some() || results.len() < 3 {
        return Ok(next);
    }
    let all = compare(results, sigma_r)?;
    let n = results.len();
    Ok(if all.within {
        all.ends(mean(results), &format!("{n} agree within the critical range and no more can be had: mean of {n}"))
    } else {
        all.ends(middle(results), &format!("{n} exceed the critical range and no more can be had: median of {n}"))
    })
}

fn check(results: &[f64], sigma_r: f64) -> Result<(), DistributionError> {
    if !(sigma_r > 0.0 && sigma_r.is_finite()) {
        return Err(DistributionError::Parameter { name: "sigma_r", rule: "positive and finite", value: sigma_r });
    }
    match results.iter().find(|result| !result.is_finite()) {
        Some(value) => Err(DistributionError::Parameter { name: "result", rule: "finite", value: *value }),
        None => Ok(()),
    }
}

struct Compared {
    range: f64,
    critical: f64,
    within: bool,
}

impl Compared {
    fn ends(&self, result: FinalResult, step: &str) -> Next {
        Next {
            step: step.to_owned(),
            range: Some(self.range),
            critical_range: Some(self.critical),
            more: 0,
            result: Some(result),
        }
    }

    fn continues(&self, more: usize, step: &str) -> Next {
        Next { step: step.to_owned(), range: Some(self.range), critical_range: Some(self.critical), more, result: None }
    }
}

fn compare(results: &[f64], sigma_r: f64) -> Result<Compared, DistributionError> {
    let low = results.iter().copied().fold(f64::INFINITY, f64::min);
    let high = results.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let n = u32::try_from(results.len()).unwrap_or(u32::MAX);
    let critical = critical_range_factor(n, 0.95)? * sigma_r;
    // The readings are decimals; 1e-9 mL forgives their binary form.
    Ok(Compared { range: high - low, critical, within: high - low <= critical + 1e-9 })
}

fn mean(results: &[f64]) -> FinalResult {
    FinalResult::Mean { n: results.len(), value: results.iter().sum::<f64>() / results.len() as f64 }
}

fn middle(results: &[f64]) -> FinalResult {
    let mut sorted = results.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    FinalResult::Median { n, value: 0.5 * (sorted[(n - 1) / 2] + sorted[n / 2]) }
}

#[cfg(test)]
mod tests {
    use super::*;

    // sigma_r = 0.03: r = 0.0832, CR(3) = 0.0994, CR(4) = 0.1090.
    #[test]
    fn every_branch_of_the_flow_is_taken() {
        let step = |results: &[f64], kind| follow_up(results, 0.03, kind).unwrap();
        assert_eq!(step(&[23.16], FollowUp::Cheap).more, 1);
        assert!(matches!(step(&[23.16, 23.24], FollowUp::Cheap).result, Some(FinalResult::Mean { n: 2, .. })));
        assert_eq!(step(&[23.16, 23.26], FollowUp::Cheap).more, 2);
        assert_eq!(step(&[23.16, 23.26, 23.20], FollowUp::Cheap).more, 1);
        assert!(matches!(
            step(&[23.16, 23.26, 23.20, 23.22], FollowUp::Cheap).result,
            Some(FinalResult::Mean { n: 4, .. })
        ));
        let spread = step(&[23.16, 23.30, 23.20, 23.22], FollowUp::Cheap);
        assert!(matches!(spread.result, Some(FinalResult::Median { n: 4, value }) if (value - 23.21).abs() < 1e-9));
        assert_eq!(step(&[23.16, 23.26], FollowUp::Expensive).more, 1);
        assert_eq!(step(&[23.16, 23.26, 23.28], FollowUp::Expensive).more, 1);
        assert!(matches!(
            step(&[23.16, 23.25, 23.20], FollowUp::Expensive).result,
            Some(FinalResult::Mean { n: 3, .. })
        ));
    }

    #[test]
    fn three_results_without_a_fourth_end_in_their_median() {
        let end = end_without_more(&[23.16, 23.26, 23.28], 0.03, FollowUp::Expensive).unwrap();
        assert!(matches!(end.result, Some(FinalResult::Median { n: 3, value }) if value == 23.26));
        let open = end_without_more(&[23.16, 23.26], 0.03, FollowUp::Expensive).unwrap();
        assert_eq!((open.more, open.result), (1, None));
        assert!(follow_up(&[23.16, f64::NAN], 0.03, FollowUp::Cheap).is_err());
        assert!(follow_up(&[23.16, 23.20], 0.0, FollowUp::Cheap).is_err());
    }
}
