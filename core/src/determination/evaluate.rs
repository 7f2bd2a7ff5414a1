//! The evaluation of a determination.

use crate::chemistry::{CorrectionError, indicator};
use crate::determination::content::{self, Figure, Reported};
use crate::determination::facts::{Acceptance, Blank, Central, Record, Standing};
use crate::determination::titre::{self, Fate, Titre, volume};
use crate::determination::verdict::Verdict;
use crate::determination::{FORMULA_SET, canonical, judgements, page, slips};
use crate::statistics::agreement::{Concordance, FinalResult, Next, concordance, critical_range_factor, follow_up};
use crate::statistics::distribution::DistributionError;
use crate::statistics::outliers::{OutlierError, dixon, grubbs};
use crate::statistics::summary::{Interval, Summary, median};
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

/// Statistics of the accurate titres that count.
#[derive(Debug, Clone, PartialEq)]
pub struct Agreement {
    /// Number of accurate titres that count.
    pub n: usize,
    /// Mean net titre, mL.
    pub mean_ml: f64,
    /// Median net titre, mL.
    pub median_ml: f64,
    /// Sample standard deviation, mL; from two titres on.
    pub sd_ml: Option<f64>,
    /// Relative standard deviation.
    pub relative_sd: Option<f64>,
    /// Standard error of the mean, mL.
    pub standard_error_ml: Option<f64>,
    /// 95 % confidence interval of the mean by Student's t, mL.
    pub interval_ml: Option<Interval>,
    /// Range, mL.
    pub range_ml: f64,
    /// The bench rule.
    pub concordance: Concordance,
    /// Critical range CR0.95(n) from sigma_r, mL.
    pub critical_range_ml: Option<f64>,
    /// The follow-up flow.
    pub follow_up: Option<Next>,
    /// Dixon's test, or why there is none.
    pub dixon: Result<dixon::DixonTest, OutlierError>,
    /// Grubbs' test, or why there is none.
    pub grubbs: Result<grubbs::GrubbsTest, OutlierError>,
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

/// Evaluates with given inputs, so that two evaluations share what they have in common.
pub(super) fn evaluate_with(
    record: &Record,
    inputs: &mut Inputs,
    detail: Detail,
) -> Result<Evaluation, EvaluationError> {
    let rules = &record.rules;
    let blank = if rules.subtract_blank { mean_blank(record, inputs)? } else { None };
    let blank_ml = blank.as_ref().map(|blank| blank.value());
    let mut titres = record
        .titrations
        .iter()
        .map(|titration| titre::titre(titration, rules, blank_ml.unwrap_or(0.0)))
        .collect::<Result<Vec<_>, _>>()?;
    slips::query(&mut titres, &record.titrations, rules);
    let counted: Vec<usize> = (0..titres.len()).filter(|i| titres[*i].fate == Fate::NotUsed).collect();
    let net: Vec<f64> = counted.iter().map(|i| titres[*i].net_ml).collect();
    let agreement = if net.is_empty() { None } else { Some(agree(record, &net)?) };
    let decision = decide(record, agreement.as_ref(), &net);
    let mut evaluation = Evaluation {
        formula_set: FORMULA_SET,
        input_digest: canonical::digest(record),
        progress: decision.progress,
        titres: Vec::new(),
        blank_ml,
        titre_ml: None,
        figures: Vec::new(),
        reported: None,
        result: None,
        budget: Vec::new(),
        verdicts: Vec::new(),
        working: None,
        agreement,
    };
    if rules.subtract_blank && blank.is_none() {
        let why = if indicator_needs_iron(record) {
            "the method subtracts a blank, and the run has none with added iron(II), without which the indicator does not turn"
        } else {
            "the method subtracts a blank, and the run has none"
        };
        evaluation.progress = Progress::NeedsMore { titrations: 0, why: why.to_owned() };
    } else if !decision.used.is_empty() {
        let used: Vec<usize> = decision.used.iter().map(|i| counted[*i]).collect();
        for index in &used {
            titres[*index].fate = Fate::Used;
        }
        let basis = Basis { record, titres: &titres, used: &used, central: decision.central, blank };
        complete(&basis, inputs, &mut evaluation, detail)?;
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
    Ok(evaluate(&alone, Detail::Figures)?.result.map(|result| result.value()))
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

fn agree(record: &Record, net: &[f64]) -> Result<Agreement, EvaluationError> {
    let rules = &record.rules;
    let mut summary = Summary::new();
    for value in net {
        let _ = summary.add(*value);
    }
    let n = u32::try_from(net.len()).unwrap_or(u32::MAX);
    let resolution = record.titrations.first().map_or(0.0, |titration| titration.burette.resolution_ml);
    let (critical_range_ml, next) = match rules.sigma_r_ml {
        Some((sigma, _)) if net.len() >= 2 => {
            (Some(critical_range_factor(n, 0.95)? * sigma), Some(follow_up(net, sigma, rules.follow_up)?))
        }
        Some((sigma, _)) => (None, Some(follow_up(net, sigma, rules.follow_up)?)),
        None => (None, None),
    };
    Ok(Agreement {
        n: net.len(),
        mean_ml: summary.mean().unwrap_or(f64::NAN),
        median_ml: median(net).unwrap_or(f64::NAN),
        sd_ml: summary.sample_sd().ok(),
        relative_sd: summary.relative_sd().ok().flatten(),
        standard_error_ml: summary.standard_error().ok(),
        interval_ml: summary.mean_interval(0.95).ok(),
        range_ml: summary.range(),
        concordance: concordance(net, rules.concordance_limit_ml, rules.minimum_titres, rules.concordance_mode),
        critical_range_ml,
        follow_up: next,
        dixon: dixon::test(net, resolution),
        grubbs: grubbs::test(net, resolution),
    })
}

/// Which titres enter the result, and how.
struct Decision {
    progress: Progress,
    used: Vec<usize>,
    central: Central,
}

fn decide(record: &Record, agreement: Option<&Agreement>, net: &[f64]) -> Decision {
    let rules = &record.rules;
    let more = |titrations: usize, why: String| Decision {
        progress: Progress::NeedsMore { titrations, why },
        used: Vec::new(),
        central: Central::Mean,
    };
    let done = |used: Vec<usize>, central: Central, how: String| Decision {
        progress: Progress::Complete { how },
        used,
        central,
    };
    let all = || (0..net.len()).collect::<Vec<_>>();
    let Some(agreement) = agreement else {
        return more(
            rules.minimum_titres.max(2),
            format!("not enough data: needs {} accurate titrations, has 0", rules.minimum_titres.max(2)),
        );
    };
    match (rules.acceptance, &agreement.follow_up) {
        (Acceptance::CriticalRange, Some(next)) => match next.result {
            Some(_) if net.len() < rules.minimum_titres => {
                let missing = rules.minimum_titres - net.len();
                more(
                    missing,
                    format!("not enough data: needs {} accurate titrations, has {}", rules.minimum_titres, net.len()),
                )
            }
            Some(FinalResult::Mean { .. }) => done(all(), Central::Mean, next.step.clone()),
            Some(FinalResult::Median { .. }) => done(all(), Central::Median, next.step.clone()),
            None => more(next.more, next.step.clone()),
        },
        _ => {
            let verdict = &agreement.concordance;
            if verdict.agrees {
                let how = format!("mean of {} concordant titres", verdict.used.len());
                done(verdict.used.clone(), Central::Mean, how)
            } else if net.len() >= rules.give_up_after.max(rules.minimum_titres) {
                let how = format!(
                    "not concordant without a cause after {} titres: {:?} of all, by the method's rule",
                    net.len(),
                    rules.central
                );
                done(all(), rules.central, how.to_lowercase())
            } else {
                let why = match verdict.range {
                    Some(range) => {
                        format!("the range {range:.3} mL exceeds the limit {} mL", rules.concordance_limit_ml)
                    }
                    None => format!(
                        "not enough data: needs {} accurate titrations, has {}",
                        rules.minimum_titres.max(2),
                        net.len()
                    ),
                };
                more(verdict.missing.max(1), why)
            }
        }
    }
}

/// What the result rests on.
pub(super) struct Basis<'a> {
    pub(super) record: &'a Record,
    pub(super) titres: &'a [Titre],
    pub(super) used: &'a [usize],
    pub(super) central: Central,
    pub(super) blank: Option<Sourced>,
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
        if let Some(blank) = &self.blank {
            common = common - blank.clone();
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
        let net = centre - self.blank.as_ref().map_or(0.0, Scalar::value);
        Ok(Amount { iron: amount + excess, net })
    }
}

pub(super) struct Amount {
    pub(super) iron: Sourced,
    pub(super) net: f64,
}

fn complete(
    basis: &Basis<'_>,
    inputs: &mut Inputs,
    evaluation: &mut Evaluation,
    detail: Detail,
) -> Result<(), EvaluationError> {
    let record = basis.record;
    let amount = basis.amount(inputs)?;
    let dilution = content::dilution(inputs, &record.portion)?;
    let content = content::amount_content(inputs, &record.portion, amount.iron.clone(), dilution.fraction.clone())?;
    let rule = &record.rules.reporting;
    evaluation.titre_ml = Some(amount.net);
    evaluation.figures = content::figures(inputs, &record.portion, &content)?;
    let Some(result) = content::in_unit(inputs, &record.portion, &content, rule.unit, rule.expressed)? else {
        evaluation.progress = Progress::NeedsMore {
            titrations: 0,
            why: format!("not enough data: the unit {} needs the density of the sample", rule.unit.symbol()),
        };
        return Ok(());
    };
    evaluation.reported = Some(content::reported(inputs, &result, rule, record.rules.loq)?);
    if detail == Detail::Working {
        evaluation.budget = inputs.budget(&result);
        let computed = page::Computed { inputs, iron: &amount.iron, fraction: &dilution.fraction, result: &result };
        evaluation.working = Some(page::working(basis, &computed)?);
    }
    evaluation.result = Some(result);
    Ok(())
}
