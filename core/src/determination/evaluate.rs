//! The evaluation of a determination.

use crate::chemistry::CorrectionError;
use crate::determination::agreement::{Agreement, Ruled, agree, decide, rule};
use crate::determination::amount::{Basis, Scatter};
use crate::determination::blank::{comparison, indicator_needs_iron, is_back_titration, mean_blank};
use crate::determination::content::{self, Content, Figure, Part, Reported};
use crate::determination::facts::{BetweenRuns, Central, Record};
use crate::determination::titre::{self, Fate, Titre};
use crate::determination::verdict::Verdict;
use crate::determination::{FORMULA_SET, canonical, judgements, slips};
use crate::statistics::distribution::DistributionError;
use crate::uncertainty::{Contribution, InputError};
use crate::working::{Estimate, Handle, Identity, Sheet, Working};

/// How much of the evaluation is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// Figures and verdicts.
    Figures,
    /// The working and the budget, too.
    Working,
}

impl Detail {
    /// A sheet that keeps what is wanted.
    pub(super) fn sheet<'r>(self) -> Sheet<'r> {
        match self {
            Self::Figures => Sheet::lean(),
            Self::Working => Sheet::new(),
        }
    }
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

/// What kind of result there is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ResultOutcome {
    /// None yet.
    Incomplete,
    /// The titres agree by the method's rule.
    Concordant,
    /// As many titres as the method asks for disagree and no cause was found: all of them count, the uncertainty answers to the
    /// scatter seen, and the result needs a decision.
    Discordant,
    /// Below zero by more than its uncertainty explains: no content, but an error to look for.
    BelowZero,
}

impl ResultOutcome {
    /// Word for it.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Incomplete => "incomplete",
            Self::Concordant => "concordant",
            Self::Discordant => "discordant",
            Self::BelowZero => "below zero",
        }
    }
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
    /// What kind of result there is.
    pub outcome: ResultOutcome,
    /// Every titration with its fate, in order.
    pub titres: Vec<Titre>,
    /// Mean blank, mL, if the method subtracts one and there is one.
    pub blank_ml: Option<f64>,
    /// Statistics; none while no accurate titre counts.
    pub agreement: Option<Agreement>,
    /// What stands for the titres.
    pub central: Central,
    /// Titre that enters the result, mL.
    pub titre_ml: Option<f64>,
    /// The content in every unit that can be given; empty until complete.
    pub figures: Vec<Figure>,
    /// The reported figure.
    pub reported: Option<Reported>,
    /// The result in the reporting unit.
    pub result: Option<Estimate>,
    /// Uncertainty budget of the result in the reporting unit; with [`Detail::Working`].
    pub budget: Vec<Contribution>,
    /// Verdicts.
    pub verdicts: Vec<Verdict>,
    /// The working; with [`Detail::Working`].
    pub working: Option<Working>,
}

/// Evaluates a record.
///
/// # Errors
/// A record that cannot be evaluated at all; see [`EvaluationError`].
pub fn evaluate(record: &Record, detail: Detail) -> Result<Evaluation, EvaluationError> {
    Ok(evaluate_on(&detail.sheet(), record, Part::Alone, detail)?.0)
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
    /// What kind of result there is.
    pub outcome: ResultOutcome,
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
    let sheet = Sheet::lean();
    let settled = settle(&sheet, record, Part::Alone)?;
    let (mut figure, mut reported) = (None, None);
    let found = settled.content.filter(|_| settled.outcome != ResultOutcome::BelowZero);
    if let Some((_, result, rounded)) = found.and_then(|found| found.result) {
        let rule = &record.rules.reporting;
        figure = Some(Figure { unit: rule.unit, expressed: rule.expressed, value: result.value(), u: result.u() });
        reported = Some(rounded);
    }
    Ok(Brief { progress: settled.progress, outcome: settled.outcome, titres: settled.titres, figure, reported })
}

/// Result of a record beside those of others on one sheet, without what explains it.
pub(super) struct Beside<'s> {
    pub(super) titres: Vec<Titre>,
    pub(super) outcome: ResultOutcome,
    /// Titre less blank, mL.
    pub(super) net_ml: Option<f64>,
    /// None where there is no result, or one below zero that its uncertainty does not explain.
    pub(super) node: Option<Node<'s>>,
}

/// The first part of [`evaluate_on`], for calculations that evaluate many records.
pub(super) fn result_beside<'s, 'r>(sheet: &'s Sheet<'r>, record: &'r Record) -> Result<Beside<'s>, EvaluationError> {
    let Settled { titres, outcome, content, .. } = settle(sheet, record, Part::Alone)?;
    let net_ml = content.as_ref().map(|found| found.net_ml);
    let found = content.filter(|_| outcome != ResultOutcome::BelowZero);
    let node = found.and_then(|found| Some((found.result?.0, found.scatter.least)));
    Ok(Beside { titres, outcome, net_ml, node })
}

/// What a record comes to, before anything is said of it.
struct Settled<'s> {
    titres: Vec<Titre>,
    /// Net volumes of the accurate titres that count, mL.
    net: Vec<f64>,
    ruled: Option<Ruled>,
    progress: Progress,
    outcome: ResultOutcome,
    central: Central,
    blank_ml: Option<f64>,
    content: Option<Settlement<'s>>,
}

/// The content and the titre it is made of.
struct Settlement<'s> {
    net_ml: f64,
    scatter: Scatter,
    content: Content<'s>,
    /// In the reporting unit, where the density that may need is known.
    result: Option<(Handle<'s>, Estimate, Reported)>,
}

fn settle<'s, 'r>(sheet: &'s Sheet<'r>, record: &'r Record, part: Part) -> Result<Settled<'s>, EvaluationError> {
    let rules = &record.rules;
    let back = is_back_titration(record);
    let blank = if rules.subtract_blank { mean_blank(sheet, record)? } else { None };
    // In a back-titration the blank is the oxidant, from which the titre is subtracted.
    let from_titre = blank.filter(|_| !back);
    let (mut titres, mut volumes) = (Vec::new(), Vec::new());
    for titration in &record.titrations {
        let (titre, volume) = titre::titre(sheet, titration, rules, from_titre)?;
        titres.push(titre);
        volumes.push(volume);
    }
    let counted: Vec<usize> = (0..titres.len()).filter(|i| titres[*i].fate == Fate::NotUsed).collect();
    let net: Vec<f64> = counted.iter().map(|i| titres[*i].net_ml).collect();
    let ruled = if net.is_empty() { None } else { Some(rule(record, &net)?) };
    let decision = decide(record, ruled.as_ref(), &net);
    let (mut progress, mut outcome, mut content) = (decision.progress, decision.outcome, None);
    let used: Vec<usize> = decision.used.iter().map(|i| counted[*i]).collect();
    if rules.subtract_blank && blank.is_none() {
        progress = Progress::NeedsMore { titrations: 0, why: blank_missing(record).to_owned() };
        outcome = ResultOutcome::Incomplete;
    } else if !used.is_empty() {
        for index in &used {
            titres[*index].fate = Fate::Used;
        }
        let discordant = outcome == ResultOutcome::Discordant;
        let basis = Basis { record, volumes: &volumes, used: &used, central: decision.central, blank, discordant };
        let found = settlement(sheet, &basis, part)?;
        if let Some((_, estimate, _)) = &found.result {
            if let Some(why) = below_zero(record, estimate, from_titre.map(Handle::value), found.net_ml) {
                progress = Progress::NeedsMore { titrations: 0, why };
                outcome = ResultOutcome::BelowZero;
            }
        } else {
            let unit = rules.reporting.unit.symbol();
            let why = format!("not enough data: the unit {unit} needs the density of the sample");
            progress = Progress::NeedsMore { titrations: 0, why };
            outcome = ResultOutcome::Incomplete;
        }
        content = Some(found);
    }
    let blank_ml = blank.map(Handle::value);
    Ok(Settled { titres, net, ruled, progress, outcome, central: decision.central, blank_ml, content })
}

/// Why a method that subtracts a blank has none.
fn blank_missing(record: &Record) -> &'static str {
    if is_back_titration(record) {
        "the method takes the oxidant from a blank, and the run has none of this oxidant and titrant without sample"
    } else if indicator_needs_iron(record) {
        "the method subtracts a blank, and the run has none of this titrant with added iron(II), without which the indicator does not turn"
    } else {
        "the method subtracts a blank, and the run has none of this titrant"
    }
}

/// Why a result below zero by more than its uncertainty explains is none.
fn below_zero(record: &Record, result: &Estimate, blank_ml: Option<f64>, net_ml: f64) -> Option<String> {
    let (value, u) = (result.value(), result.u());
    if value >= -2.0 * u {
        return None;
    }
    let seen = match blank_ml {
        Some(blank) if net_ml < 0.0 => {
            format!("the blank, {blank:.3} mL, is above the titre, {:.3} mL", net_ml + blank)
        }
        _ if is_back_titration(record) => "more titrant was used than the oxidant could have taken up".to_owned(),
        _ => "the titre is negative".to_owned(),
    };
    let unit = record.rules.reporting.unit.symbol();
    Some(format!(
        "no content: {seen}, so that the result, {value:.2} {unit}, lies below zero by more than 2 u = {:.2} {unit}; look for a \
         blank of another solution, swapped readings or a lost sample",
        2.0 * u
    ))
}

fn settlement<'s, 'r>(
    sheet: &'s Sheet<'r>,
    basis: &Basis<'_, 's, 'r>,
    part: Part,
) -> Result<Settlement<'s>, EvaluationError> {
    let amount = basis.amount(sheet)?;
    let record = basis.record;
    let mut content = content::content(sheet, &record.portion, amount.iron)?;
    let mut least = vec![(Identity::Repeatability(&record.id), amount.scatter.least)];
    if let Some(between) = record.rules.between_runs {
        let agreed = content.between_runs(sheet, &record.id, between, &least)?;
        if let (BetweenRuns::AtLeast(_), true, Some((_, scatter))) = (between, agreed.0 > 0.0, least.first_mut()) {
            scatter.1 = None;
        }
        least.push((Identity::Run(&record.id), agreed));
    }
    let rule = &record.rules.reporting;
    let result = match content.result(sheet, rule, part) {
        Some(node) => {
            let estimate = sheet.estimate(node);
            let agreed = sheet.estimate_with(node, &least);
            let reported = content::reported(&estimate, &agreed, rule, record.rules.loq)?;
            Some((node, estimate, reported))
        }
        None => None,
    };
    Ok(Settlement { net_ml: amount.net_ml, scatter: amount.scatter, content, result })
}

/// Node of a result, with the standard uncertainty and degrees of freedom that titres which agreed would have had.
pub(super) type Node<'s> = (Handle<'s>, (f64, Option<f64>));

/// Evaluates on a given sheet, so that two evaluations share what they have in common; the node of the result beside it.
pub(super) fn evaluate_on<'s, 'r>(
    sheet: &'s Sheet<'r>,
    record: &'r Record,
    part: Part,
    detail: Detail,
) -> Result<(Evaluation, Option<Node<'s>>), EvaluationError> {
    let rules = &record.rules;
    let Settled { mut titres, net, ruled, progress, outcome, central, blank_ml, content } =
        settle(sheet, record, part)?;
    slips::query(&mut titres, &record.titrations, rules);
    let mut evaluation = Evaluation {
        formula_set: FORMULA_SET,
        input_digest: canonical::digest(record),
        progress,
        outcome,
        titres,
        blank_ml,
        central,
        titre_ml: None,
        figures: Vec::new(),
        reported: None,
        result: None,
        budget: Vec::new(),
        verdicts: Vec::new(),
        working: None,
        agreement: ruled.map(|ruled| agree(record, &net, ruled)),
    };
    let (mut node, mut scatter) = (None, None);
    if let Some(found) = content {
        scatter = Some(found.scatter);
        evaluation.titre_ml = Some(found.net_ml);
        evaluation.figures = found.content.figures(sheet);
        if let Some((result, estimate, reported)) = found.result {
            evaluation.reported = Some(reported);
            evaluation.result = Some(estimate);
            if detail == Detail::Working {
                evaluation.budget = sheet.budget(result);
                evaluation.working = Some(sheet.working(result));
            }
            if outcome == ResultOutcome::BelowZero {
                evaluation.reported = None;
            } else {
                node = Some((result, found.scatter.least));
            }
        }
    }
    evaluation.verdicts = judgements::verdicts(record, &evaluation, scatter.as_ref());
    evaluation.verdicts.extend(comparison(sheet, record)?);
    if rules.interpolate_factor && evaluation.result.is_some() {
        let alone = by_factors_in_force(record)?;
        evaluation.verdicts.push(judgements::interpolation(record, &evaluation, alone));
    }
    Ok((evaluation, node))
}

/// The result with the factors in force alone, to be shown beside the interpolated one.
fn by_factors_in_force(record: &Record) -> Result<Option<f64>, EvaluationError> {
    let mut alone = record.clone();
    alone.rules.interpolate_factor = false;
    let of_titrations = alone.titrations.iter_mut().flat_map(|of| {
        let oxidant = of.excess.as_mut().map(|excess| &mut excess.factor);
        std::iter::once(&mut of.factor).chain(oxidant)
    });
    let of_blanks = alone.blanks.iter_mut().flat_map(|of| {
        let added = of.added.as_mut().map(|added| &mut added.factor);
        of.factor.as_mut().into_iter().chain(added)
    });
    for factor in of_titrations.chain(of_blanks) {
        factor.following = None;
    }
    Ok(brief(&alone)?.figure.map(|figure| figure.value))
}
