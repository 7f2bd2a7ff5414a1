//! What was seen while iron(III) was reduced, and the judgement on it.
//!
//! A procedure is data: its checkpoints, what may be observed at each, and what every observation means. The judgement
//! reads that data and knows no chemistry of its own. The procedures stand in [`super::procedures`].

use super::titration::Indicator;
use crate::quantity::Reading;

/// A reduction as recorded: the procedure and what was observed at each of its checkpoints.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReductionRecord {
    /// Identifier.
    pub id: String,
    /// Code of the procedure, an entry of [`super::procedures::PROCEDURES`].
    pub procedure: String,
    /// Observations; the order does not matter, a checkpoint is observed at most once.
    pub observations: Vec<Observation>,
}

/// One observation.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Observation {
    /// Code of the checkpoint.
    pub checkpoint: String,
    /// What was observed.
    pub value: Observed,
}

/// What was observed at a checkpoint.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Observed {
    /// The code of one of the checkpoint's outcomes.
    Outcome(String),
    /// A number in the checkpoint's unit.
    Number(Reading),
}

/// How much trust a reduction deserves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum ReductionOutcome {
    /// Every checkpoint as expected.
    Good,
    /// Something departs from the procedure; the titration may be accepted, and the reason is shown with it.
    Doubtful,
    /// The solution is to be discarded; a titration of it cannot be accepted.
    Failed,
}

impl ReductionOutcome {
    /// Stable text code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Doubtful => "doubtful",
            Self::Failed => "failed",
        }
    }
}

/// A reduction procedure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Procedure {
    /// Stable text code.
    pub code: &'static str,
    /// Title.
    pub title: &'static str,
    /// What happens, in a sentence.
    pub principle: &'static str,
    /// Whether it uses mercury; such a method needs a stated reason.
    pub uses_mercury: bool,
    /// Checkpoints in the order of the bench.
    pub checkpoints: &'static [Checkpoint],
    /// Codes of the cautions to show, entries of [`super::caution::CAUTIONS`].
    pub cautions: &'static [&'static str],
    /// Codes of the waste streams to record.
    pub waste_streams: &'static [&'static str],
}

/// Something to look at, and what it may show.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Checkpoint {
    /// Stable text code.
    pub code: &'static str,
    /// The question put to the analyst.
    pub question: &'static str,
    /// What is expected, in the words of the bench.
    pub expected: &'static str,
    /// Whether a record without it is doubtful.
    pub required: bool,
    /// What may be observed.
    pub answer: Answer,
}

/// The kinds of answers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Answer {
    /// One of these outcomes.
    OneOf(&'static [Outcome]),
    /// A number with a unit; the first band it falls in decides, and none means as expected.
    Number {
        /// Unit symbol.
        unit: &'static str,
        /// Smallest number that makes sense.
        minimum: f64,
        /// Largest number that makes sense.
        maximum: f64,
        /// Bands that are not as expected.
        bands: &'static [Band],
    },
}

/// One outcome of a checkpoint.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Outcome {
    /// Stable text code.
    pub code: &'static str,
    /// The words of the bench.
    pub words: &'static str,
    /// How it is judged.
    pub outcome: ReductionOutcome,
    /// What it means.
    pub meaning: &'static str,
    /// What to do.
    pub action: &'static str,
    /// When the judgement applies; otherwise the outcome is as expected.
    pub applies: Applies,
}

/// When a judgement applies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Applies {
    /// Always.
    Always,
    /// Only with an indicator that needs phosphoric acid.
    IndicatorNeedsPhosphoricAcid,
}

/// Numbers beyond a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Which side of the limit.
    pub side: Side,
    /// The limit itself is still as expected.
    pub limit: f64,
    /// How it is judged.
    pub outcome: ReductionOutcome,
    /// What it means.
    pub meaning: &'static str,
    /// What to do.
    pub action: &'static str,
}

/// Which side of a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Smaller than the limit.
    Below,
    /// Larger than the limit.
    Above,
}

/// The judgement on a reduction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReductionVerdict {
    /// The worst of the findings, or good.
    pub outcome: ReductionOutcome,
    /// Everything that is not as expected, in the order of the procedure.
    pub findings: Vec<Finding>,
}

/// One thing that is not as expected.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// Code of the checkpoint.
    pub checkpoint: String,
    /// What was observed, in words; empty when nothing was recorded.
    pub observed: String,
    /// How it is judged.
    pub outcome: ReductionOutcome,
    /// What it means.
    pub meaning: String,
    /// What to do.
    pub action: String,
}

/// A record that the procedure's data cannot read.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReductionError {
    /// No such procedure.
    #[error("reduction: there is no procedure {code:?}")]
    UnknownProcedure {
        /// Code given.
        code: String,
    },
    /// No such checkpoint.
    #[error("reduction: procedure {procedure} has no checkpoint {code:?}")]
    UnknownCheckpoint {
        /// Procedure.
        procedure: &'static str,
        /// Code given.
        code: String,
    },
    /// A checkpoint observed twice.
    #[error("reduction: checkpoint {checkpoint} is recorded more than once")]
    Repeated {
        /// Checkpoint.
        checkpoint: &'static str,
    },
    /// An outcome the checkpoint does not have.
    #[error("reduction: {value:?} is not an answer to checkpoint {checkpoint}; answers are {allowed}")]
    UnknownOutcome {
        /// Checkpoint.
        checkpoint: &'static str,
        /// Value given.
        value: String,
        /// Codes that exist, or the unit of the number wanted.
        allowed: String,
    },
    /// A number that makes no sense.
    #[error("reduction: {value} {unit} at checkpoint {checkpoint} is outside {minimum} to {maximum} {unit}")]
    OutOfRange {
        /// Checkpoint.
        checkpoint: &'static str,
        /// Value given.
        value: Reading,
        /// Unit.
        unit: &'static str,
        /// Smallest value accepted.
        minimum: f64,
        /// Largest value accepted.
        maximum: f64,
    },
}

/// Judges a reduction by the data of its procedure.
///
/// The indicator matters because some need phosphoric acid to change colour at the end point. A required checkpoint
/// without a record makes the reduction doubtful, never good.
///
/// # Source
/// Requirement table 2.2; each outcome names its own in [`super::procedures`].
///
/// # Errors
/// [`ReductionError`] for codes that do not exist, a checkpoint recorded twice, or an impossible number.
///
/// # Example
/// ```
/// use ferrotitre_core::chemistry::reduction::*;
/// let record = ReductionRecord {
///     id: "r1".into(),
///     procedure: "tin_mercury".into(),
///     observations: vec![Observation { checkpoint: "precipitate".into(), value: Observed::Outcome("grey".into()) }],
/// };
/// assert_eq!(judge_reduction(&record, None)?.outcome, ReductionOutcome::Failed);
/// # Ok::<(), ReductionError>(())
/// ```
pub fn judge_reduction(
    record: &ReductionRecord,
    indicator: Option<&Indicator>,
) -> Result<ReductionVerdict, ReductionError> {
    let procedure = super::procedures::find_procedure(&record.procedure)
        .ok_or_else(|| ReductionError::UnknownProcedure { code: record.procedure.clone() })?;
    for observation in &record.observations {
        if !procedure.checkpoints.iter().any(|checkpoint| checkpoint.code == observation.checkpoint) {
            return Err(ReductionError::UnknownCheckpoint {
                procedure: procedure.code,
                code: observation.checkpoint.clone(),
            });
        }
    }
    let mut findings = Vec::new();
    for checkpoint in procedure.checkpoints {
        let mut seen = record.observations.iter().filter(|observation| observation.checkpoint == checkpoint.code);
        let finding = match (seen.next(), seen.next()) {
            (Some(_), Some(_)) => return Err(ReductionError::Repeated { checkpoint: checkpoint.code }),
            (Some(observation), None) => judge_checkpoint(checkpoint, &observation.value, indicator)?,
            (None, _) if checkpoint.required => Some(Finding {
                checkpoint: checkpoint.code.to_owned(),
                observed: String::new(),
                outcome: ReductionOutcome::Doubtful,
                meaning: "nothing was recorded at this checkpoint".to_owned(),
                action: format!("record it: {}", checkpoint.question),
            }),
            (None, _) => None,
        };
        findings.extend(finding);
    }
    let outcome = findings.iter().map(|finding| finding.outcome).max().unwrap_or(ReductionOutcome::Good);
    Ok(ReductionVerdict { outcome, findings })
}

fn judge_checkpoint(
    checkpoint: &'static Checkpoint,
    observed: &Observed,
    indicator: Option<&Indicator>,
) -> Result<Option<Finding>, ReductionError> {
    let finding = |observed: String, outcome, meaning: &str, action: &str| Finding {
        checkpoint: checkpoint.code.to_owned(),
        observed,
        outcome,
        meaning: meaning.to_owned(),
        action: action.to_owned(),
    };
    match (checkpoint.answer, observed) {
        (Answer::OneOf(outcomes), Observed::Outcome(code)) => {
            let outcome = outcomes.iter().find(|outcome| outcome.code == code).ok_or_else(|| unknown(checkpoint, code))?;
            let applies = match outcome.applies {
                Applies::Always => true,
                Applies::IndicatorNeedsPhosphoricAcid => indicator.is_some_and(|i| i.needs_phosphoric_acid),
            };
            Ok((applies && outcome.outcome != ReductionOutcome::Good)
                .then(|| finding(outcome.words.to_owned(), outcome.outcome, outcome.meaning, outcome.action)))
        }
        (Answer::Number { unit, minimum, maximum, bands }, Observed::Number(reading)) => {
            let value = reading.to_f64();
            if !(minimum..=maximum).contains(&value) {
                return Err(ReductionError::OutOfRange {
                    checkpoint: checkpoint.code,
                    value: *reading,
                    unit,
                    minimum,
                    maximum,
                });
            }
            let band = bands.iter().find(|band| match band.side {
                Side::Below => value < band.limit,
                Side::Above => value > band.limit,
            });
            Ok(band.map(|band| finding(format!("{reading} {unit}"), band.outcome, band.meaning, band.action)))
        }
        (Answer::OneOf(_), Observed::Number(reading)) => Err(unknown(checkpoint, &reading.to_string())),
        (Answer::Number { .. }, Observed::Outcome(code)) => Err(unknown(checkpoint, code)),
    }
}

fn unknown(checkpoint: &'static Checkpoint, value: &str) -> ReductionError {
    let allowed = match checkpoint.answer {
        Answer::OneOf(outcomes) => outcomes.iter().map(|outcome| outcome.code).collect::<Vec<_>>().join(", "),
        Answer::Number { unit, .. } => format!("a number in {unit}"),
    };
    ReductionError::UnknownOutcome { checkpoint: checkpoint.code, value: value.to_owned(), allowed }
}

#[cfg(test)]
mod tests {
    use super::super::{procedures::PROCEDURES, titration::find_indicator};
    use super::*;

    fn record(procedure: &str, observations: &[(&str, &str)]) -> ReductionRecord {
        ReductionRecord {
            id: "r".into(),
            procedure: procedure.into(),
            observations: observations
                .iter()
                .map(|(checkpoint, value)| Observation {
                    checkpoint: (*checkpoint).into(),
                    value: value
                        .parse()
                        .map_or_else(|_| Observed::Outcome((*value).into()), Observed::Number),
                })
                .collect(),
        }
    }

    /// A tin-mercury reduction as it should be, with one observation replaced.
    fn tin_mercury(change: (&str, &str)) -> ReductionVerdict {
        let mut observations = vec![
            ("solution", "clear_yellow"),
            ("tin_end", "discharged"),
            ("excess_drops", "2"),
            ("cooled_to", "21"),
            ("mercury_addition", "one_portion"),
            ("precipitate", "white_slight"),
            ("standing", "3"),
            ("phosphoric_acid", "added"),
        ];
        for observation in &mut observations {
            if observation.0 == change.0 {
                observation.1 = change.1;
            }
        }
        judge_reduction(&record("tin_mercury", &observations), find_indicator("diphenylamine_sulfonate")).unwrap()
    }

    #[test]
    fn every_row_of_the_reduction_table_is_judged_as_it_says() {
        use ReductionOutcome::{Doubtful, Failed, Good};
        // Requirement table 2.2, row by row.
        for (checkpoint, value, expected) in [
            ("precipitate", "white_slight", Good),
            ("precipitate", "grey", Failed),
            ("precipitate", "black", Failed),
            ("precipitate", "white_heavy", Failed),
            ("precipitate", "none", Failed),
            ("solution", "residue", Failed),
            ("solution", "interference", Doubtful),
            ("tin_end", "still_yellow", Failed),
            ("excess_drops", "2", Good),
            ("excess_drops", "6", Doubtful),
            ("excess_drops", "0", Doubtful),
            ("cooled_to", "25", Good),
            ("cooled_to", "25.1", Failed),
            ("mercury_addition", "slow", Doubtful),
            ("standing", "3", Good),
            ("standing", "5.5", Doubtful),
            ("standing", "1", Doubtful),
            ("phosphoric_acid", "omitted", Failed),
        ] {
            let verdict = tin_mercury((checkpoint, value));
            assert_eq!(verdict.outcome, expected, "{checkpoint} = {value}: {:?}", verdict.findings);
            assert_eq!(verdict.findings.len(), usize::from(expected != Good));
        }
    }

    #[test]
    fn phosphoric_acid_may_be_missing_with_an_indicator_that_changes_at_a_higher_potential() {
        let verdict = judge_reduction(
            &record("tin_titanium", &[
                ("solution", "clear_yellow"),
                ("tin_end", "pale_yellow"),
                ("titanium_end", "blue_then_removed"),
                ("phosphoric_acid", "omitted"),
            ]),
            find_indicator("phenylanthranilic_acid"),
        )
        .unwrap();
        assert_eq!(verdict.outcome, ReductionOutcome::Good, "{:?}", verdict.findings);
    }

    #[test]
    fn a_required_checkpoint_without_a_record_is_doubtful() {
        let verdict = judge_reduction(&record("tin_mercury", &[]), None).unwrap();
        assert_eq!(verdict.outcome, ReductionOutcome::Doubtful);
    }

    #[test]
    fn unknown_codes_and_impossible_numbers_are_refused() {
        let judge = |observations| judge_reduction(&record("tin_mercury", observations), None);
        assert!(matches!(judge(&[("colour", "grey")]), Err(ReductionError::UnknownCheckpoint { .. })));
        assert!(matches!(judge(&[("precipitate", "green")]), Err(ReductionError::UnknownOutcome { .. })));
        assert!(matches!(judge(&[("precipitate", "3")]), Err(ReductionError::UnknownOutcome { .. })));
        assert!(matches!(judge(&[("cooled_to", "250")]), Err(ReductionError::OutOfRange { .. })));
        assert!(matches!(
            judge(&[("precipitate", "grey"), ("precipitate", "none")]),
            Err(ReductionError::Repeated { .. })
        ));
        assert!(matches!(
            judge_reduction(&record("magic", &[]), None),
            Err(ReductionError::UnknownProcedure { .. })
        ));
    }

    #[test]
    fn every_procedure_has_unique_codes_and_a_way_to_be_good() {
        for procedure in PROCEDURES {
            let mut codes = procedure.checkpoints.iter().map(|checkpoint| checkpoint.code).collect::<Vec<_>>();
            codes.sort_unstable();
            codes.dedup();
            assert_eq!(codes.len(), procedure.checkpoints.len(), "{}", procedure.code);
            for checkpoint in procedure.checkpoints {
                if let Answer::OneOf(outcomes) = checkpoint.answer {
                    assert!(outcomes.iter().any(|outcome| outcome.outcome == ReductionOutcome::Good));
                }
            }
        }
    }
}
