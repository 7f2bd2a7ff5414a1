//! Judges a reduction by what was seen.

use crate::chemistry::entries::{indicator, reduction};

/// The precipitate after mercury(II) chloride.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Precipitate {
    /// Slight, white, silky: as it must be.
    WhiteSlight,
    /// Heavy and white: too much tin(II).
    WhiteHeavy,
    /// Grey: metallic mercury.
    Grey,
    /// Black: metallic mercury.
    Black,
    /// None: too little tin(II).
    None,
}

/// The colour at the end of the tin(II) addition.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StannousEnd {
    /// Colourless to faint green, then one or two drops more.
    Colourless,
    /// Pale yellow left on purpose, before titanium(III).
    PaleYellow,
    /// Still yellow: iron(III) is left.
    Yellow,
}

/// What was done and seen; what the procedure does not have stays empty.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReductionRecord {
    /// Procedure, by its code.
    pub procedure: String,
    /// Solution clear before the reduction.
    pub solution_clear: Option<bool>,
    /// Colour at the end of the tin(II) addition.
    pub stannous_end: Option<StannousEnd>,
    /// Drops of tin(II) beyond the end.
    pub stannous_excess_drops: Option<u32>,
    /// Temperature at the mercury(II) addition, C.
    pub temperature_at_mercury: Option<f64>,
    /// Mercury(II) added in one rapid portion.
    pub mercury_in_one_portion: Option<bool>,
    /// Precipitate seen.
    pub precipitate: Option<Precipitate>,
    /// Minutes from the end of the reduction to the titration.
    pub standing_minutes: Option<f64>,
    /// Phosphoric acid was added.
    pub phosphoric_acid: Option<bool>,
    /// The checkpoint of a mercury-free procedure was seen.
    pub checkpoint_seen: Option<bool>,
    /// Free words.
    pub note: Option<String>,
}

/// Whether a titration may follow.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReductionOutcome {
    /// As it must be.
    Good,
    /// Usable, with something to look at.
    Doubtful,
    /// The titration cannot be used.
    Failed,
}

/// A judgement with its reasons.
#[derive(Debug, Clone, PartialEq)]
pub struct ReductionVerdict {
    /// Outcome.
    pub outcome: ReductionOutcome,
    /// What it means and what to do, one sentence each.
    pub reasons: Vec<String>,
}

/// Warmest solution that mercury(II) may be added to, C (from memory; the source says "cold").
const COLD: f64 = 25.0;

/// Judges a reduction.
///
/// # Source
/// Talbot; Beringer (laboratory texts on the reduction with tin(II)) for the precipitates; figures of drops, temperature and minutes are
/// common practice, no source.
#[must_use]
pub fn judge_reduction(record: &ReductionRecord, indicator_code: &str, longest_standing: f64) -> ReductionVerdict {
    let mut failed = Vec::new();
    let mut doubtful = Vec::new();
    let entry = reduction(&record.procedure);
    if record.solution_clear == Some(false) {
        failed.push("undissolved residue: the digestion is incomplete; stop".to_owned());
    }
    if record.stannous_end == Some(StannousEnd::Yellow) {
        failed.push("still yellow: iron(III) is left; tin(II) cannot be added now, discard and repeat".to_owned());
    }
    if record.stannous_excess_drops.is_some_and(|drops| drops > 4) {
        doubtful.push("large excess of tin(II)".to_owned());
    }
    if entry.is_some_and(|entry| entry.mercury) {
        judge_mercury(record, &mut failed, &mut doubtful);
    } else if entry.is_some_and(|entry| entry.code != "none") && record.checkpoint_seen != Some(true) {
        failed.push("the checkpoint of the procedure was not seen; discard and repeat".to_owned());
    }
    if let Some(minutes) = record.standing_minutes.filter(|minutes| *minutes > longest_standing) {
        doubtful.push(format!(
            "stood {minutes} min, longer than {longest_standing} min: air oxidation makes the result low"
        ));
    }
    if record.phosphoric_acid == Some(false)
        && indicator(indicator_code).is_some_and(|entry| entry.needs_phosphoric_acid)
    {
        failed.push("phosphoric acid was left out: early, sluggish end point; discard and repeat".to_owned());
    }
    let outcome = match (failed.is_empty(), doubtful.is_empty()) {
        (false, _) => ReductionOutcome::Failed,
        (true, false) => ReductionOutcome::Doubtful,
        (true, true) => ReductionOutcome::Good,
    };
    failed.extend(doubtful);
    ReductionVerdict { outcome, reasons: failed }
}

fn judge_mercury(record: &ReductionRecord, failed: &mut Vec<String>, doubtful: &mut Vec<String>) {
    match record.precipitate {
        Some(Precipitate::WhiteSlight) => {}
        Some(Precipitate::WhiteHeavy) => {
            failed.push("heavy white precipitate: too much tin(II); discard and repeat".to_owned())
        }
        Some(Precipitate::Grey | Precipitate::Black) => {
            failed.push(
                "grey or black precipitate: metallic mercury, which consumes dichromate; discard and repeat".to_owned(),
            );
        }
        Some(Precipitate::None) => {
            failed.push("no precipitate: too little tin(II), iron(III) may be left; discard and repeat".to_owned());
        }
        None => failed.push("the precipitate was not recorded".to_owned()),
    }
    if let Some(warm) = record.temperature_at_mercury.filter(|celsius| *celsius > COLD) {
        failed.push(format!("{warm} C at the mercury(II) addition, above {COLD} C: mercury forms; discard and repeat"));
    }
    if record.mercury_in_one_portion == Some(false) {
        doubtful.push("mercury(II) was not added in one portion: local excess of tin(II)".to_owned());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn good() -> ReductionRecord {
        ReductionRecord {
            procedure: "tin(II) and mercury(II)".to_owned(),
            solution_clear: Some(true),
            stannous_end: Some(StannousEnd::Colourless),
            stannous_excess_drops: Some(2),
            temperature_at_mercury: Some(21.0),
            mercury_in_one_portion: Some(true),
            precipitate: Some(Precipitate::WhiteSlight),
            standing_minutes: Some(3.0),
            phosphoric_acid: Some(true),
            ..ReductionRecord::default()
        }
    }

    fn outcome(change: impl FnOnce(&mut ReductionRecord)) -> ReductionOutcome {
        let mut record = good();
        change(&mut record);
        judge_reduction(&record, "diphenylamine sulfonate", 5.0).outcome
    }

    #[test]
    fn every_row_of_the_table_has_its_outcome() {
        assert_eq!(outcome(|_| {}), ReductionOutcome::Good);
        for precipitate in [Precipitate::Grey, Precipitate::Black, Precipitate::WhiteHeavy, Precipitate::None] {
            assert_eq!(outcome(|r| r.precipitate = Some(precipitate)), ReductionOutcome::Failed, "{precipitate:?}");
        }
        assert_eq!(outcome(|r| r.precipitate = None), ReductionOutcome::Failed);
        assert_eq!(outcome(|r| r.stannous_end = Some(StannousEnd::Yellow)), ReductionOutcome::Failed);
        assert_eq!(outcome(|r| r.temperature_at_mercury = Some(30.0)), ReductionOutcome::Failed);
        assert_eq!(outcome(|r| r.solution_clear = Some(false)), ReductionOutcome::Failed);
        assert_eq!(outcome(|r| r.phosphoric_acid = Some(false)), ReductionOutcome::Failed);
        assert_eq!(outcome(|r| r.mercury_in_one_portion = Some(false)), ReductionOutcome::Doubtful);
        assert_eq!(outcome(|r| r.stannous_excess_drops = Some(9)), ReductionOutcome::Doubtful);
        assert_eq!(outcome(|r| r.standing_minutes = Some(12.0)), ReductionOutcome::Doubtful);
    }
}
