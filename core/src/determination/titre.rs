//! From readings to a titre, and what becomes of it.

use bigdecimal::{BigDecimal, Zero};

use crate::chemistry::{
    BOROSILICATE_EXPANSION, ReductionOutcome, ReductionVerdict, judge_reduction, tanaka, to_20, water_density,
};
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Burette, Rules, Segment, Standing, Titration, TitrationKind};
use crate::determination::slips::SlipQuery;
use crate::quantity::{Reading, nearest_double};
use crate::working::{Digits, Fact, Handle, Index, Label, Quantity, Sheet, Source};

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

/// Which delivery a volume is of.
#[derive(Clone, Copy)]
pub(super) struct Delivery<'r> {
    /// Table and identity of the record.
    pub(super) kind: &'static str,
    pub(super) id: &'r str,
    pub(super) segments: &'r [Segment],
    pub(super) temperature: Option<f64>,
    pub(super) burette: &'r Burette,
    /// Its number, and whether it is a blank.
    pub(super) number: u32,
    pub(super) blank: bool,
}

impl<'r> Delivery<'r> {
    pub(super) fn of_titration(titration: &'r Titration) -> Self {
        Self {
            kind: "titrations",
            id: &titration.id,
            segments: &titration.segments,
            temperature: titration.temperature,
            burette: &titration.burette,
            number: titration.position,
            blank: false,
        }
    }

    fn label(&self, quantity: Quantity) -> Label {
        let index = if self.blank { Index::OfBlank(self.number) } else { Index::OfVolume(self.number) };
        Label::at(quantity, index)
    }

    fn reading(&self, quantity: Quantity, segment: u32) -> Label {
        let index = match self.blank {
            true => Index::BlankSegment(self.number, segment),
            false => Index::Segment(self.number, segment),
        };
        Label::at(quantity, index)
    }

    fn fact(&self, field: &'static str) -> Fact<'r> {
        Fact { kind: self.kind, id: self.id, field }
    }
}

/// A volume with its corrections.
pub(super) struct Volume<'s> {
    pub(super) difference: BigDecimal,
    pub(super) correction: f64,
    pub(super) factor: f64,
    pub(super) node: Handle<'s>,
    /// Factor to 20 C, where volumes are brought there.
    pub(super) to_20: Option<Handle<'s>>,
}

/// Volume of a titration with the factor that brought it to 20 C.
#[derive(Clone, Copy)]
pub(super) struct Measured<'s> {
    pub(super) volume: Handle<'s>,
    pub(super) to_20: Option<Handle<'s>>,
}

/// Volume of segments at 20 C, mL.
///
/// # Formula
/// V20 = (sum (R_f - R_i) + sum (d(R_f) - d(R_i))) F(T)
///
/// # Source
/// ISO 385, ISO 4787.
pub(super) fn volume<'s, 'r>(
    sheet: &'s Sheet<'r>,
    of: &Delivery<'r>,
    (correct_burette, correct_temperature): (bool, bool),
) -> Result<Volume<'s>, EvaluationError> {
    let mut difference = BigDecimal::zero();
    let (mut delivered, mut corrections) = (Vec::new(), Vec::new());
    let table = of.burette.corrections.as_slice();
    let corrected = correct_burette && !table.is_empty();
    for (at, segment) in (1..).zip(of.segments) {
        let mark = if of.segments.len() == 1 { 0 } else { at };
        let reading = |quantity, field, reading: &'r Reading| {
            let label = of.reading(quantity, mark);
            sheet.entered(label, reading.value(), of.fact(field), Digits::Reading(reading))
        };
        let last = reading(Quantity::FinalReading, "final_readings", &segment.last);
        let first = reading(Quantity::InitialReading, "initial_readings", &segment.initial);
        let exact = segment.last.minus(&segment.initial);
        delivered.push(sheet.exactly(last - first, nearest_double(&exact)));
        difference += exact;
        if corrected {
            corrections.push(sheet.interpolated(table, last)? - sheet.interpolated(table, first)?);
        }
    }
    let total = |parts: &[Handle<'s>]| if let [only] = parts { *only } else { sheet.sum(parts) };
    let mut node = sheet.exactly(total(&delivered), nearest_double(&difference));
    let mut correction = 0.0;
    if corrected {
        let scale = sheet.named(node, of.label(Quantity::ReadingDifference), Source::BuretteReading);
        let label = of.label(Quantity::BuretteCorrection);
        let added = sheet.named(total(&corrections), label, Source::BuretteCalibration);
        correction = added.value();
        node = scale + added;
    }
    let (mut factor, mut warmth_factor) = (1.0, None);
    if correct_temperature {
        let celsius = of.temperature.ok_or(EvaluationError::TemperatureMissing)?;
        if !corrected {
            node = sheet.named(node, of.label(Quantity::ReadingDifference), Source::BuretteReading);
        }
        let warmth = sheet.recorded(of.label(Quantity::TitrantTemperature), celsius, of.fact("solution_temperature"));
        let to_20 = temperature_node(sheet, warmth, of.label(Quantity::TemperatureFactor))?;
        factor = to_20.value();
        warmth_factor = Some(to_20);
        node = node * to_20;
    }
    let quantity = if of.blank { Quantity::BlankVolume } else { Quantity::TitrationVolume };
    let source = if correct_temperature { Source::VolumeTo20 } else { Source::BuretteReading };
    let node = sheet.named(node, Label::at(quantity, Index::Number(of.number)), source);
    Ok(Volume { difference, correction, factor, node, to_20: warmth_factor })
}

/// Factor of a volume to 20 C.
///
/// # Errors
/// A temperature outside the range of the water formula.
pub(super) fn temperature_node<'s>(
    sheet: &'s Sheet<'_>,
    celsius: Handle<'s>,
    label: Label,
) -> Result<Handle<'s>, EvaluationError> {
    water_density(celsius.value())?;
    let density = Label { quantity: Quantity::WaterDensity, ..label };
    let density = sheet.named(tanaka(celsius), density, Source::WaterDensity);
    let expansion = sheet.given(Label::only(Quantity::GlassExpansion), BOROSILICATE_EXPANSION, Source::VolumeTo20);
    let density_20 = sheet.given(Label::only(Quantity::WaterDensity20), tanaka(20.0), Source::WaterDensity);
    Ok(sheet.named(to_20(celsius, expansion, density, density_20), label, Source::VolumeTo20))
}

/// Titre of a titration before the rule has spoken.
pub(super) fn titre<'s, 'r>(
    sheet: &'s Sheet<'r>,
    titration: &'r Titration,
    rules: &Rules,
    blank: Option<Handle<'s>>,
) -> Result<(Titre, Measured<'s>), EvaluationError> {
    let corrections = (rules.correct_burette, rules.correct_temperature);
    let volume = volume(sheet, &Delivery::of_titration(titration), corrections)?;
    let net = blank.map_or(volume.node, |blank| volume.node - blank);
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
    let titre = Titre {
        id: titration.id.clone(),
        position: titration.position,
        kind: titration.kind,
        difference: volume.difference,
        burette_correction_ml: volume.correction,
        temperature_factor: volume.factor,
        volume_ml: volume.node.value(),
        net_ml: net.value(),
        fate,
        reduction,
        queries: Vec::new(),
    };
    Ok((titre, Measured { volume: volume.node, to_20: volume.to_20 }))
}
