//! The evaluation of a determination.

use crate::chemistry::{CorrectionError, indicator};
use crate::determination::agreement::{Agreement, Ruled, agree, decide, rule};
use crate::determination::content::{self, Figure, Reported};
use crate::determination::facts::{Blank, Central, Record, Standing};
use crate::determination::titre::{self, Fate, Titre, volume};
use crate::determination::verdict::Verdict;
use crate::determination::{FORMULA_SET, canonical, judgements, page, slips};
use crate::statistics::distribution::DistributionError;
use crate::statistics::summary::{Summary, median};
use crate::uncertainty::{Contribution, Input, InputError, Inputs, Scalar, Sourced};
use crate::working::Step;

/// How much of the evaluation is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// Figures and verdicts.
    Figures,
    /// The working and the budget, too.
    Working,
}

/// Why a record cannot be evaluated at all; too few titrations are no error but a [`Progress`].
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EvaluationError {
    /// The method corrects for temperature, and a titration has none.
    #[error("the method corrects volumes for temperature, but a titration has no temperature")]
    TemperatureMissing,
    /// A back-titration without the oxidant it titrates.
    #[error("titration {0} is a back-titration without its oxidant")]
    ExcessMissing(String),
    /// Two results to be subtracted are not in the same unit.
    #[error("the two results must be in the same unit to be subtracted: total iron is in {total}, iron(II) in {iron2}")]
    UnitsDiffer {
        /// Unit and substance of total iron.
        total: String,
        /// Unit and substance of iron(II).
        iron2: String,
    },
    /// A correction cannot be applied.
    #[error(transparent)]
    Correction(#[from] CorrectionError),
    /// An input contradicts another or is not a number.
    #[error(transparent)]
    Input(#[from] InputError),
    /// A probability or degrees of freedom out of range.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// Where a determination stands.
#[derive(Debug, Clone, PartialEq)]
pub enum Progress {
    /// More titrations are needed.
    NeedsMore {
        /// At least how many.
        titrations: usize,
        /// Why.
        why: String,
    },
    /// The rule is satisfied.
    Complete {
        /// What stands for the titres.
        how: String,
    },
}

/// What a determination comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluation {
    /// Version of the formulae.
    pub formula_set: &'static str,
    /// SHA-256 of the canonical text of the record.
    pub input_digest: [u8; 32],
    /// Where it stands.
    pub progress: Progress,
    /// Every titration with its fate, in order.
    pub titres: Vec<Titre>,
    /// Mean blank, mL, if the method subtracts one and there is one.
    pub blank_ml: Option<f64>,
    /// Statistics; none while no accurate titre counts.
    pub agreement: Option<Agreement>,
    /// Titre that enters the result, mL.
    pub titre_ml: Option<f64>,
    /// The content in every unit that can be given; empty until complete.
    pub figures: Vec<Figure>,
    /// The reported figure.
    pub reported: Option<Reported>,
    /// The result in the reporting unit, with its sources.
    pub result: Option<Sourced>,
    /// Uncertainty budget of the result in the reporting unit; with [`Detail::Working`].
    pub budget: Vec<Contribution>,
    /// Verdicts.
    pub verdicts: Vec<Verdict>,
    /// The working; with [`Detail::Working`].
    pub working: Option<Step>,
}

/// Evaluates a record.
///
/// # Errors
/// A record that cannot be evaluated at all; see [`EvaluationError`].
pub fn evaluate(record: &Record, detail: Detail) -> Result<Evaluation, EvaluationError> {
    evaluate_with(record, &mut Inputs::new(), detail)
}

/// SHA-256 of the canonical text of a record, as an evaluation has it.
#[must_use]
pub fn content_digest(record: &Record) -> [u8; 32] {
    canonical::digest(record)
}

/// Result of a record without what explains it.
#[derive(Debug, Clone, PartialEq)]
pub struct Brief {
    /// Where it stands.
    pub progress: Progress,
    /// Every titration with its fate, in order; likely slips are not looked for.
    pub titres: Vec<Titre>,
    /// The content in the reporting unit.
    pub figure: Option<Figure>,
    /// The reported figure.
    pub reported: Option<Reported>,
}

/// Evaluates a record as [`evaluate()`] does and stops at the result: no tests, other units, verdicts, digest or working.
///
/// # Errors
/// Those of [`evaluate()`].
pub fn brief(record: &Record) -> Result<Brief, EvaluationError> {
    let mut inputs = Inputs::new();
    let settled = settle(record, &mut inputs)?;
    let (mut figure, mut reported) = (None, None);
    if let Some((result, rounded)) = settled.content.and_then(|content| content.result) {
        let rule = &record.rules.reporting;
        let u = inputs.standard_uncertainty(&result);
        figure = Some(Figure { unit: rule.unit, expressed: rule.expressed, value: result.value(), u });
        reported = Some(rounded);
    }
    Ok(Brief { progress: settled.progress, titres: settled.titres, figure, reported })
}

/// What a record comes to, before anything is said of it.
struct Settled {
    titres: Vec<Titre>,
    /// Net volumes of the accurate titres that count, mL.
    net: Vec<f64>,
    ruled: Option<Ruled>,
    progress: Progress,
    used: Vec<usize>,
    central: Central,
    blank: Option<Sourced>,
    content: Option<Content>,
}

/// The content and what it is made of.
struct Content {
    amount: Amount,
    fraction: Sourced,
    content: Sourced,
    /// In the reporting unit, where the density that may need is known.
    result: Option<(Sourced, Reported)>,
}

fn settle(record: &Record, inputs: &mut Inputs) -> Result<Settled, EvaluationError> {
    let rules = &record.rules;
    let blank = if rules.subtract_blank { mean_blank(record, inputs)? } else { None };
    let blank_ml = blank.as_ref().map_or(0.0, Sourced::value);
    let mut titres = record
        .titrations
        .iter()
        .map(|titration| titre::titre(titration, rules, blank_ml))
        .collect::<Result<Vec<_>, _>>()?;
    let counted: Vec<usize> = (0..titres.len()).filter(|i| titres[*i].fate == Fate::NotUsed).collect();
    let net: Vec<f64> = counted.iter().map(|i| titres[*i].net_ml).collect();
    let ruled = if net.is_empty() { None } else { Some(rule(record, &net)?) };
    let decision = decide(record, ruled.as_ref(), &net);
    let (mut progress, mut content) = (decision.progress, None);
    let used: Vec<usize> = decision.used.iter().map(|i| counted[*i]).collect();
    if rules.subtract_blank && blank.is_none() {
        let why = if indicator_needs_iron(record) {
            "the method subtracts a blank, and the run has none with added iron(II), without which the indicator does not turn"
        } else {
            "the method subtracts a blank, and the run has none"
        };
        progress = Progress::NeedsMore { titrations: 0, why: why.to_owned() };
    } else if !used.is_empty() {
        for index in &used {
            titres[*index].fate = Fate::Used;
        }
        let basis = Basis { record, titres: &titres, used: &used, central: decision.central, blank: blank.as_ref() };
        let found = content_of(&basis, inputs)?;
        if found.result.is_none() {
            let unit = rules.reporting.unit.symbol();
            let why = format!("not enough data: the unit {unit} needs the density of the sample");
            progress = Progress::NeedsMore { titrations: 0, why };
        }
        content = Some(found);
    }
    Ok(Settled { titres, net, ruled, progress, used, central: decision.central, blank, content })
}

fn content_of(basis: &Basis<'_>, inputs: &mut Inputs) -> Result<Content, EvaluationError> {
    let record = basis.record;
    let amount = basis.amount(inputs)?;
    let fraction = content::dilution(inputs, &record.portion)?.fraction;
    let content = content::amount_content(inputs, &record.portion, amount.iron.clone(), fraction.clone())?;
    let rule = &record.rules.reporting;
    let result = match content::in_unit(inputs, &record.portion, &content, rule.unit, rule.expressed)? {
        Some(result) => {
            let reported = content::reported(inputs, &result, rule, record.rules.loq)?;
            Some((result, reported))
        }
        None => None,
    };
    Ok(Content { amount, fraction, content, result })
}

/// Evaluates with given inputs, so that two evaluations share what they have in common.
pub(super) fn evaluate_with(
    record: &Record,
    inputs: &mut Inputs,
    detail: Detail,
) -> Result<Evaluation, EvaluationError> {
    let rules = &record.rules;
    let Settled { mut titres, net, ruled, progress, used, central, blank, content } = settle(record, inputs)?;
    slips::query(&mut titres, &record.titrations, rules);
    let mut evaluation = Evaluation {
        formula_set: FORMULA_SET,
        input_digest: canonical::digest(record),
        progress,
        titres: Vec::new(),
        blank_ml: blank.as_ref().map(Sourced::value),
        titre_ml: None,
        figures: Vec::new(),
        reported: None,
        result: None,
        budget: Vec::new(),
        verdicts: Vec::new(),
        working: None,
        agreement: ruled.map(|ruled| agree(record, &net, ruled)),
    };
    if let Some(content) = content {
        evaluation.titre_ml = Some(content.amount.net);
        evaluation.figures = content::figures(inputs, &record.portion, &content.content)?;
        if let Some((result, reported)) = content.result {
            evaluation.reported = Some(reported);
            if detail == Detail::Working {
                evaluation.budget = inputs.budget(&result);
                let basis = Basis { record, titres: &titres, used: &used, central, blank: blank.as_ref() };
                let (iron, fraction) = (&content.amount.iron, &content.fraction);
                let computed = page::Computed { inputs, iron, fraction, result: &result };
                evaluation.working = Some(page::working(&basis, &computed)?);
            }
            evaluation.result = Some(result);
        }
    }
    evaluation.titres = titres;
    evaluation.verdicts = judgements::verdicts(record, &evaluation);
    if rules.interpolate_factor && evaluation.result.is_some() {
        let alone = by_factors_in_force(record)?;
        evaluation.verdicts.push(judgements::interpolation(record, &evaluation, alone));
    }
    Ok(evaluation)
}

/// The result with the factors in force alone, to be shown beside the interpolated one.
fn by_factors_in_force(record: &Record) -> Result<Option<f64>, EvaluationError> {
    let mut alone = record.clone();
    alone.rules.interpolate_factor = false;
    for titration in &mut alone.titrations {
        titration.factor.following = None;
        if let Some(excess) = &mut titration.excess {
            excess.factor.following = None;
        }
    }
    Ok(brief(&alone)?.figure.map(|figure| figure.value))
}

/// Whether the indicator turns only where iron is present, so that a blank needs added iron(II).
fn indicator_needs_iron(record: &Record) -> bool {
    indicator(&record.rules.indicator).is_some_and(|entry| entry.needs_iron)
}

/// Blanks that count. One without iron whose indicator could not turn shows no end point, and its volume means nothing.
pub(super) fn usable_blanks(record: &Record) -> impl Iterator<Item = &Blank> {
    let needs_iron = indicator_needs_iron(record);
    record
        .blanks
        .iter()
        .filter(move |b| b.standing == Standing::Counted && (b.iron_equivalent_ml.is_some() || !needs_iron))
}

/// Mean of the accepted blanks as an input of its own, shared by all determinations of the run.
fn mean_blank(record: &Record, inputs: &mut Inputs) -> Result<Option<Sourced>, EvaluationError> {
    let rules = &record.rules;
    let counted: Vec<&Blank> = usable_blanks(record).collect();
    let Some(first) = counted.first() else { return Ok(None) };
    let mut summary = Summary::new();
    for blank in &counted {
        let corrections = (rules.correct_burette, rules.correct_temperature);
        let volume = volume(&blank.segments, &blank.burette, blank.temperature, corrections)?;
        // Readings are finite decimals, so are their differences.
        let _ = summary.add(volume.value - blank.iron_equivalent_ml.unwrap_or(0.0));
    }
    let n = counted.len() as f64;
    let scale = first.burette.resolution_ml / 6f64.sqrt();
    let (scatter, dof) = match (rules.sigma_r_ml, summary.sample_sd()) {
        (Some((sigma, dof)), _) => (sigma, dof),
        (None, Ok(s)) => (s, Some(n - 1.0)),
        (None, Err(_)) => (scale, None),
    };
    let ids: Vec<&str> = counted.iter().map(|blank| blank.id.as_str()).collect();
    let u = scatter.max(scale) / n.sqrt();
    let value = summary.mean().unwrap_or(0.0);
    Ok(Some(inputs.add(Input::new(format!("blank:{}", ids.join("+")), "blank", "mL", value, u).with_dof(dof))?))
}

/// What the result rests on.
pub(super) struct Basis<'a> {
    pub(super) record: &'a Record,
    pub(super) titres: &'a [Titre],
    pub(super) used: &'a [usize],
    pub(super) central: Central,
    pub(super) blank: Option<&'a Sourced>,
}

impl Basis<'_> {
    fn volumes(&self) -> Vec<f64> {
        self.used.iter().map(|i| self.titres[*i].volume_ml).collect()
    }

    /// Repeatability of the titre that stands for all, as an input of value zero.
    ///
    /// # Formula
    /// u = max(sigma_r, a / sqrt 6) / sqrt n, a being the reading step (two readings, each rectangular over a step); times
    /// sqrt(pi / 2) for a median
    ///
    /// # Source
    /// ISO 5725-6 (sigma_r of the method), JCGM 100 4.2.3 and 4.3.7; efficiency of the median for normal values (from memory).
    fn repeatability(&self, inputs: &mut Inputs) -> Result<Sourced, EvaluationError> {
        let volumes = self.volumes();
        let n = volumes.len() as f64;
        let step = self.record.titrations[self.used[0]].burette.resolution_ml / 6f64.sqrt();
        let observed = Summary::of(&volumes).and_then(|summary| summary.sample_sd());
        let (scatter, dof) = match (self.record.rules.sigma_r_ml, observed) {
            (Some((sigma, dof)), _) => (sigma, dof),
            (None, Ok(s)) => (s, Some(n - 1.0)),
            (None, Err(_)) => (step, None),
        };
        let efficiency = match self.central {
            Central::Mean => 1.0,
            Central::Median => (std::f64::consts::PI / 2.0).sqrt(),
        };
        let u = scatter.max(step) / n.sqrt() * efficiency;
        let id = format!("repeatability:{}", self.record.id);
        Ok(inputs.add(Input::new(id, "repeatability of the titre", "mL", 0.0, u).with_dof(dof))?)
    }

    /// Amount of iron titrated, mmol, and the titre that stands for all, mL.
    ///
    /// # Formula
    /// n(Fe) = z c V for a direct titration; z_ox c_ox V_ox - z c V for a back-titration; V the mean or median titre less
    /// blank. Systematic errors of burette and end point enter as inputs of value zero.
    ///
    /// # Source
    /// Stoichiometry of the titration; systematic errors as inputs of value zero: JCGM 100, F.2.4.5 (from memory).
    fn amount(&self, inputs: &mut Inputs) -> Result<Amount, EvaluationError> {
        let rules = &self.record.rules;
        let volumes = self.volumes();
        let n = volumes.len() as f64;
        let centre = match self.central {
            Central::Mean => volumes.iter().sum::<f64>() / n,
            Central::Median => median(&volumes).unwrap_or(f64::NAN),
        };
        let end_point = format!("end-point:{}:{}", rules.chemistry, rules.indicator);
        let end_point = inputs.add(Input::new(end_point, "end-point bias", "mL", 0.0, rules.end_point_u_ml))?;
        let mut common = self.repeatability(inputs)? + end_point;
        if let Some(blank) = self.blank {
            common = common - blank;
        }
        let mut amount = Sourced::constant(0.0);
        let mut excess = Sourced::constant(0.0);
        // Each titration weighs 1/n; its own lot and burette apply to it. With a median every titre is taken as the median.
        for index in self.used {
            let titration = &self.record.titrations[*index];
            let volume = match self.central {
                Central::Mean => self.titres[*index].volume_ml,
                Central::Median => centre,
            };
            let burette = &titration.burette;
            let label = format!("calibration of {}", burette.code);
            let bias = inputs.add(Input::new(&burette.id, label, "mL", 0.0, burette.u_ml).with_dof(burette.dof))?;
            let factor = &titration.factor;
            let c = factor.sourced(inputs)?;
            let titrated = c * (common.clone() + bias + volume) * (f64::from(factor.electrons) / n);
            match &titration.excess {
                Some(added) => {
                    let c = added.factor.sourced(inputs)?;
                    let volume = content::vessel(inputs, &added.pipette)?;
                    excess = excess + c * volume * (f64::from(added.factor.electrons) / n);
                    amount = amount - titrated;
                }
                None if rules.chemistry == "back-titration" => {
                    return Err(EvaluationError::ExcessMissing(titration.id.clone()));
                }
                None => amount = amount + titrated,
            }
        }
        let net = centre - self.blank.map_or(0.0, Sourced::value);
        Ok(Amount { iron: amount + excess, net })
    }
}

pub(super) struct Amount {
    pub(super) iron: Sourced,
    pub(super) net: f64,
}
