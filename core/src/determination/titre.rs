//! From readings to a titre, and what becomes of it.

use bigdecimal::{BigDecimal, ToPrimitive, Zero};

use crate::chemistry::{ReductionOutcome, ReductionVerdict, burette_correction, judge_reduction, temperature_factor};
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Burette, Rules, Segment, Standing, Titration, TitrationKind};
use crate::determination::slips::SlipQuery;
use crate::working::{Fact, Step};

/// What becomes of a titration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Fate {
    /// Its titre enters the result.
    Used,
    /// Accurate and counted, but not in the set the rule uses.
    NotUsed,
    /// Rough: never enters a mean.
    Rough,
    /// Rejected with a cause.
    Rejected {
        /// Cause.
        cause: String,
    },
    /// Its reduction failed.
    FailedReduction {
        /// What was seen.
        reasons: Vec<String>,
    },
    /// A correction replaced it.
    Superseded,
}

/// A titration's volume, correction by correction.
#[derive(Debug, Clone, PartialEq)]
pub struct Titre {
    /// Titration.
    pub id: String,
    /// Order, from 1.
    pub position: u32,
    /// Rough or accurate.
    pub kind: TitrationKind,
    /// Exact difference of the readings, mL.
    pub difference: BigDecimal,
    /// Sum of the burette corrections, mL.
    pub burette_correction_ml: f64,
    /// Factor to 20 C.
    pub temperature_factor: f64,
    /// Volume at 20 C, mL.
    pub volume_ml: f64,
    /// Volume less the blank, mL.
    pub net_ml: f64,
    /// What becomes of it.
    pub fate: Fate,
    /// Judgement of the reduction.
    pub reduction: Option<ReductionVerdict>,
    /// Likely slips to look at.
    pub queries: Vec<SlipQuery>,
}

/// A volume with its corrections.
pub(super) struct Volume {
    pub(super) difference: BigDecimal,
    pub(super) correction: f64,
    pub(super) factor: f64,
    pub(super) value: f64,
}

/// Volume of segments at 20 C.
///
/// # Formula
/// V20 = (sum (R_f - R_i) + sum (d(R_f) - d(R_i))) F(T)
///
/// # Source
/// ISO 385, ISO 4787 (from memory).
pub(super) fn volume(
    segments: &[Segment],
    burette: &Burette,
    temperature: Option<f64>,
    (correct_burette, correct_temperature): (bool, bool),
) -> Result<Volume, EvaluationError> {
    let mut difference = BigDecimal::zero();
    let mut correction = 0.0;
    for segment in segments {
        difference += segment.last.minus(&segment.initial);
        if correct_burette {
            correction += burette_correction(&burette.corrections, segment.last.value())?
                - burette_correction(&burette.corrections, segment.initial.value())?;
        }
    }
    let factor = match (correct_temperature, temperature) {
        (true, Some(celsius)) => temperature_factor(celsius)?,
        (true, None) => return Err(EvaluationError::TemperatureMissing),
        (false, _) => 1.0,
    };
    let value = (difference.to_f64().unwrap_or(f64::NAN) + correction) * factor;
    Ok(Volume { difference, correction, factor, value })
}

/// Titre of a titration before the rule has spoken.
pub(super) fn titre(titration: &Titration, rules: &Rules, blank_ml: f64) -> Result<Titre, EvaluationError> {
    let corrections = (rules.correct_burette, rules.correct_temperature);
    let volume = volume(&titration.segments, &titration.burette, titration.temperature, corrections)?;
    let reduction = titration
        .reduction
        .as_ref()
        .map(|record| judge_reduction(record, &rules.indicator, rules.longest_standing_minutes));
    let failed = reduction.as_ref().filter(|verdict| verdict.outcome == ReductionOutcome::Failed);
    let fate = match (&titration.standing, failed, titration.kind) {
        (Standing::Superseded, ..) => Fate::Superseded,
        (Standing::Rejected { cause, .. }, ..) => Fate::Rejected { cause: cause.clone() },
        (Standing::Counted, Some(verdict), _) => Fate::FailedReduction { reasons: verdict.reasons.clone() },
        (Standing::Counted, None, TitrationKind::Rough) => Fate::Rough,
        (Standing::Counted, None, TitrationKind::Accurate) => Fate::NotUsed,
    };
    Ok(Titre {
        id: titration.id.clone(),
        position: titration.position,
        kind: titration.kind,
        difference: volume.difference,
        burette_correction_ml: volume.correction,
        temperature_factor: volume.factor,
        volume_ml: volume.value,
        net_ml: volume.value - blank_ml,
        fate,
        reduction,
        queries: Vec::new(),
    })
}

/// The working of a volume.
pub(super) fn volume_step(
    symbol: &str,
    kind: &'static str,
    id: &str,
    segments: &[Segment],
    volume: (f64, f64, f64),
) -> Step {
    let (correction, factor, value) = volume;
    let mut inputs = Vec::new();
    let mut numbers = String::from("(");
    for (index, segment) in segments.iter().enumerate() {
        let mark = if segments.len() == 1 { String::new() } else { format!("{}", index + 1) };
        for (letter, field, reading) in
            [("f", "final_readings", &segment.last), ("i", "initial_readings", &segment.initial)]
        {
            let fact = Fact { kind, id: id.to_owned(), field };
            let name = if letter == "f" { "final reading" } else { "initial reading" };
            inputs.push(
                Step::fact(format!("R_{letter}{mark}({symbol})"), name, reading.value(), "mL", fact)
                    .entered_as(reading.text()),
            );
        }
        let joint = if index == 0 { "" } else { " + " };
        numbers.push_str(&format!("{joint}{} - {}", segment.last.text(), segment.initial.text()));
    }
    numbers.push_str(&format!(" + {correction}) x {factor}"));
    Step::computed(symbol, "volume at 20 C", ("(sum (R_f - R_i) + d) F_T", "ISO 385, ISO 4787"), numbers, value, "mL")
        .from(inputs)
}
