//! From readings to a titre, and what becomes of it.

use bigdecimal::{BigDecimal, Zero};

use crate::chemistry::{
    BOROSILICATE_EXPANSION, ReductionOutcome, ReductionVerdict, burette_correction, judge_reduction,
    temperature_factor, water_density, water_density_expression,
};
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Burette, Rules, Segment, Standing, Titration, TitrationKind};
use crate::determination::slips::SlipQuery;
use crate::quantity::nearest_double;
use crate::working::{Expression, Fact, Step};

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
    let value = (nearest_double(&difference) + correction) * factor;
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

/// Whose volume a step of the working is.
pub(super) struct Delivered<'a> {
    pub(super) kind: &'static str,
    pub(super) id: &'a str,
    pub(super) segments: &'a [Segment],
    pub(super) temperature: Option<f64>,
    pub(super) burette: &'a Burette,
}

/// The working of a volume at 20 C, down to the readings.
pub(super) fn volume_step(
    symbol: &str,
    of: &Delivered<'_>,
    (correct_burette, correct_temperature): (bool, bool),
) -> Result<Step, EvaluationError> {
    let found = volume(of.segments, of.burette, of.temperature, (correct_burette, correct_temperature))?;
    let fact = |field| Fact { kind: of.kind, id: of.id.to_owned(), field };
    let (mut readings, mut numbers) = (Vec::new(), Vec::new());
    for (index, segment) in of.segments.iter().enumerate() {
        let mark = if of.segments.len() == 1 { String::new() } else { format!("{}", index + 1) };
        for (letter, name, field, reading) in [
            ("f", "final reading", "final_readings", &segment.last),
            ("i", "initial reading", "initial_readings", &segment.initial),
        ] {
            readings.push(
                Step::fact(format!("R_{letter}{mark}({symbol})"), name, reading.value(), "mL", fact(field))
                    .entered_as(reading.text()),
            );
        }
        numbers.push(format!("{} - {}", segment.last.text(), segment.initial.text()));
    }
    let pairs = || (0..of.segments.len()).map(|k| (2 * k, 2 * k + 1));
    let differences = pairs().map(|(last, first)| Expression::Input(last) - Expression::Input(first)).collect();
    let value = nearest_double(&found.difference);
    let formula = ("sum (R_f - R_i)", "the readings as entered");
    let difference =
        Step::computed(format!("D({symbol})"), "difference of the readings", formula, numbers.join(" + "), value, "mL")
            .by(readings.clone(), Expression::Sum(differences));
    let mut inputs = vec![difference];
    let mut expression = Expression::Input(0);
    if correct_burette && !of.burette.corrections.is_empty() {
        let table = &of.burette.corrections;
        let at = |input| Expression::Interpolated(input, table.clone());
        let terms = pairs().map(|(last, first)| at(last) - at(first)).collect();
        let formula = ("sum (d(R_f) - d(R_i))", "ISO 385, ISO 4787: linear in the calibration's table");
        let name = format!("correction of {}", of.burette.code);
        let numbers = format!("table of {} points", table.len());
        inputs.push(
            Step::computed(format!("d({symbol})"), name, formula, numbers, found.correction, "mL")
                .by(readings, Expression::Sum(terms)),
        );
        expression = expression + Expression::Input(inputs.len() - 1);
    }
    if let (true, Some(celsius)) = (correct_temperature, of.temperature) {
        inputs.push(temperature_step(symbol, celsius, fact("solution_temperature"))?);
        expression = expression * Expression::Input(inputs.len() - 1);
    }
    let numbers = format!("({} + {}) x {}", found.difference.to_plain_string(), found.correction, found.factor);
    let formula = ("(D + d) F_T", "ISO 385, ISO 4787");
    Ok(Step::computed(symbol, "volume at 20 C", formula, numbers, found.value, "mL").by(inputs, expression))
}

/// The working of the factor to 20 C.
fn temperature_step(symbol: &str, celsius: f64, fact: Fact) -> Result<Step, EvaluationError> {
    let number = Expression::Number;
    let reading = Step::fact(format!("T({symbol})"), "temperature of the titrant", celsius, "C", fact);
    let formula = ("a5 (1 - (T + a1)^2 (T + a2) / (a3 (T + a4)))", "Tanaka et al. 2001");
    let density = Step::computed(
        format!("rho({symbol})"),
        "density of water at T",
        formula,
        format!("T = {celsius}"),
        water_density(celsius)?,
        "g/mL",
    )
    .by(vec![reading.clone()], water_density_expression(0));
    let formula = ("(1 + gamma (T - 20)) rho_w(T) / rho_w(20)", "ISO 4787");
    let factor = temperature_factor(celsius)?;
    let numbers = format!("(1 + {BOROSILICATE_EXPANSION} x ({celsius} - 20)) x rho_w({celsius}) / rho_w(20)");
    let glass = number(1.0) + number(BOROSILICATE_EXPANSION) * (Expression::Input(0) - number(20.0));
    let expression = glass * Expression::Input(1) / number(water_density(20.0)?);
    Ok(Step::computed(format!("F_T({symbol})"), "factor to 20 C", formula, numbers, factor, "")
        .by(vec![reading, density], expression))
}
