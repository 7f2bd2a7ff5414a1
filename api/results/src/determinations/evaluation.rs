//! An evaluation on the wire; core computes, this only renames.

use ferrotitre_base::evaluations::{BudgetLine, StepView, VerdictView, finite};
use ferrotitre_core::chemistry::{Expressed, ReductionOutcome};
use ferrotitre_core::determination::{
    Agreement, Evaluation, Fate, Progress, Reported, SlipQuery, TitrationKind, Titre, stated,
};
use ferrotitre_core::quantity::plain;
use ferrotitre_core::statistics::agreement::FinalResult;
use ferrotitre_core::statistics::outliers::{Finding, Obtained, OutlierError};
use serde::Serialize;
use utoipa::ToSchema;

/// What a determination comes to.
#[derive(Debug, Serialize, ToSchema)]
pub struct EvaluationView {
    /// Version of the formulae.
    pub formula_set: &'static str,
    /// Where it stands and what to do next.
    pub progress: ProgressView,
    /// incomplete, concordant, discordant (the titres disagree and no cause was found) or below zero.
    #[schema(example = "concordant")]
    pub outcome: &'static str,
    /// Every titration with its fate, in order.
    pub titres: Vec<TitreView>,
    /// Mean blank, mL; may be negative.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub blank_ml: Option<f64>,
    /// Statistics of the accurate titres that count.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub agreement: Option<AgreementView>,
    /// Titre that enters the result, mL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub titre_ml: Option<f64>,
    /// The content in every unit that can be given, unrounded.
    pub figures: Vec<FigureView>,
    /// The reported figure: the only place where anything is rounded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reported: Option<ReportedView>,
    /// Uncertainty budget, largest share first.
    pub budget: Vec<BudgetLine>,
    /// Verdicts.
    pub verdicts: Vec<VerdictView>,
    /// The working, a tree whose leaves are records.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub working: Option<StepView>,
}

/// Where a determination stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct ProgressView {
    /// Whether the rule is satisfied.
    pub complete: bool,
    /// How many more titrations are needed at least.
    pub titrations_needed: usize,
    /// What stands for the titres, or what to do next.
    #[schema(example = "mean of 3 concordant titres")]
    pub detail: String,
}

/// A titration's volume, correction by correction.
#[derive(Debug, Serialize, ToSchema)]
pub struct TitreView {
    /// Titration version.
    pub titration: String,
    /// Order.
    pub position: u32,
    /// rough or accurate.
    pub kind: &'static str,
    /// Exact difference of the readings, mL.
    #[schema(example = "23.18")]
    pub difference_ml: String,
    /// Burette correction, mL.
    pub burette_correction_ml: f64,
    /// Factor to 20 C.
    pub temperature_factor: f64,
    /// Volume at 20 C, mL.
    pub volume_ml: f64,
    /// Volume less the blank, mL.
    pub net_ml: f64,
    /// used, not used, rough, rejected, failed reduction or superseded.
    #[schema(example = "used")]
    pub fate: &'static str,
    /// Why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub reasons: Vec<String>,
    /// good, doubtful or failed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reduction: Option<&'static str>,
    /// Likely slips, to be looked at.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub queries: Vec<String>,
}

/// Statistics of the accurate titres that count.
#[derive(Debug, Serialize, ToSchema)]
pub struct AgreementView {
    /// Number of titres.
    pub n: usize,
    /// Mean, mL.
    pub mean_ml: f64,
    /// Median, mL.
    pub median_ml: f64,
    /// Sample standard deviation, mL; absent for one titre.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sd_ml: Option<f64>,
    /// Relative standard deviation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub relative_sd: Option<f64>,
    /// Standard error of the mean, mL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub standard_error_ml: Option<f64>,
    /// 95 % confidence interval of the mean by Student's t, mL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub interval_95_ml: Option<[f64; 2]>,
    /// Range of all accurate titres, mL.
    pub range_ml: f64,
    /// Whether the bench rule is met.
    pub concordant: bool,
    /// Critical range CR0.95(n) from the method's sigma_r, mL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub critical_range_ml: Option<f64>,
    /// Follow-up of ISO 5725-6.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub follow_up: Option<FollowUpView>,
    /// Dixon's test.
    pub dixon: OutlierView,
    /// Grubbs' test.
    pub grubbs: OutlierView,
}

/// Where the follow-up flow stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct FollowUpView {
    /// Step, as a sentence.
    pub step: String,
    /// Further results needed.
    pub more: usize,
    /// mean or median of how many, at the end of the flow.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub result: Option<String>,
}

/// A test for one value at an end.
#[derive(Debug, Serialize, ToSchema)]
pub struct OutlierView {
    /// Statistic used.
    #[schema(example = "r10")]
    pub statistic: &'static str,
    /// Its value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// Suspect titre, mL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub suspect_ml: Option<f64>,
    /// Two-sided critical value at 5 %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub critical_5: Option<f64>,
    /// Two-sided critical value at 1 %.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub critical_1: Option<f64>,
    /// two-sided, and how the critical values were obtained.
    pub obtained: &'static str,
    /// Two-sided p-value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub p: Option<f64>,
    /// none, straggler, outlier or no decision possible.
    #[schema(example = "none")]
    pub finding: &'static str,
    /// Why no decision is possible.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// A content in one unit.
#[derive(Debug, Serialize, ToSchema)]
pub struct FigureView {
    /// Unit.
    #[schema(example = "g/L")]
    pub unit: &'static str,
    /// Fe, FeO or Fe2O3.
    #[schema(example = "Fe")]
    pub expressed: &'static str,
    /// Value, unrounded.
    pub value: f64,
    /// Standard uncertainty, unrounded.
    pub u: f64,
}

/// The reported figure.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct ReportedView {
    /// As reported, "< LOQ" included.
    #[schema(example = "129.5")]
    pub text: String,
    /// Value rounded, even where it is below the limit of quantification.
    pub value: String,
    /// Expanded uncertainty.
    #[schema(example = "0.6")]
    pub expanded_uncertainty: String,
    /// Coverage factor.
    pub coverage_factor: f64,
    /// Effective degrees of freedom; absent for unlimited.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub degrees_of_freedom: Option<f64>,
    /// Unit.
    #[schema(example = "g/L")]
    pub unit: &'static str,
    /// Whether the value is below the limit of quantification.
    pub below_loq: bool,
}

impl ReportedView {
    /// The figure as a sentence has it; below the limit of quantification without an uncertainty.
    pub fn stated(&self) -> String {
        let parts = (self.text.as_str(), self.value.as_str(), self.expanded_uncertainty.as_str());
        stated(parts, self.unit, self.below_loq, "±")
    }
}

impl From<Reported> for ReportedView {
    fn from(reported: Reported) -> Self {
        Self {
            text: reported.text,
            value: reported.value,
            expanded_uncertainty: reported.expanded_uncertainty,
            coverage_factor: reported.coverage.factor,
            degrees_of_freedom: finite(reported.coverage.degrees_of_freedom),
            unit: reported.unit,
            below_loq: reported.below_loq,
        }
    }
}

pub(super) fn expressed(expressed: Expressed) -> &'static str {
    match expressed {
        Expressed::Iron => "Fe",
        Expressed::IronIIOxide => "FeO",
        Expressed::IronIIIOxide => "Fe2O3",
    }
}

fn query(query: SlipQuery) -> String {
    match query {
        SlipQuery::OffByMark { mark_ml, siblings_ml } => {
            format!("off by a mark of {mark_ml} mL from the others ({siblings_ml} mL)")
        }
        SlipQuery::SwappedDigits { entered, swapped } => format!("{entered} may have been {swapped}: digits swapped"),
    }
}

impl From<Titre> for TitreView {
    fn from(titre: Titre) -> Self {
        let (fate, reasons) = match titre.fate {
            Fate::Used => ("used", Vec::new()),
            Fate::NotUsed => ("not used", Vec::new()),
            Fate::Rough => ("rough", Vec::new()),
            Fate::Rejected { cause } => ("rejected", vec![cause]),
            Fate::FailedReduction { reasons } => ("failed reduction", reasons),
            Fate::Superseded => ("superseded", Vec::new()),
        };
        Self {
            titration: titre.id,
            position: titre.position,
            kind: match titre.kind {
                TitrationKind::Rough => "rough",
                TitrationKind::Accurate => "accurate",
            },
            difference_ml: plain(&titre.difference),
            burette_correction_ml: titre.burette_correction_ml,
            temperature_factor: titre.temperature_factor,
            volume_ml: titre.volume_ml,
            net_ml: titre.net_ml,
            fate,
            reasons,
            reduction: titre.reduction.map(|verdict| match verdict.outcome {
                ReductionOutcome::Good => "good",
                ReductionOutcome::Doubtful => "doubtful",
                ReductionOutcome::Failed => "failed",
            }),
            queries: titre.queries.into_iter().map(query).collect(),
        }
    }
}

struct Test {
    statistic: &'static str,
    value: f64,
    suspect: f64,
    critical: (f64, f64),
    obtained: &'static str,
    p: f64,
    finding: Finding,
}

fn outlier(statistic: &'static str, test: Result<Test, OutlierError>) -> OutlierView {
    match test {
        Ok(test) => {
            let (finding, reason) = match test.finding {
                Finding::None => ("none", None),
                Finding::Straggler => ("straggler", None),
                Finding::Outlier => ("outlier", None),
                Finding::NoDecision { reason } => ("no decision possible", Some(reason.to_string())),
            };
            OutlierView {
                statistic: test.statistic,
                value: Some(test.value),
                suspect_ml: Some(test.suspect),
                critical_5: Some(test.critical.0),
                critical_1: Some(test.critical.1),
                obtained: test.obtained,
                p: Some(test.p),
                finding,
                reason,
            }
        }
        Err(error) => OutlierView {
            statistic,
            value: None,
            suspect_ml: None,
            critical_5: None,
            critical_1: None,
            obtained: "two-sided",
            p: None,
            finding: "no decision possible",
            reason: Some(error.to_string()),
        },
    }
}

impl From<Agreement> for AgreementView {
    fn from(agreement: Agreement) -> Self {
        let dixon = agreement.dixon.map(|test| Test {
            statistic: test.ratio.name(),
            value: test.statistic,
            suspect: test.suspect,
            critical: (test.critical_5.value, test.critical_1.value),
            obtained: match test.critical_5.obtained {
                Obtained::Exact => "two-sided, exact from the null distribution",
                Obtained::Bonferroni => "two-sided, the exact one-sided value at half the level",
                Obtained::Simulated { .. } => "two-sided, by seeded simulation",
                Obtained::Published { .. } => "two-sided, from a published table",
            },
            p: test.p,
            finding: test.finding,
        });
        let grubbs = agreement.grubbs.map(|test| Test {
            statistic: "G",
            value: test.statistic,
            suspect: test.suspect,
            critical: (test.critical_5, test.critical_1),
            obtained: "two-sided, by Student's t",
            p: test.p,
            finding: test.finding,
        });
        Self {
            n: agreement.n,
            mean_ml: agreement.mean_ml,
            median_ml: agreement.median_ml,
            sd_ml: agreement.sd_ml,
            relative_sd: agreement.relative_sd,
            standard_error_ml: agreement.standard_error_ml,
            interval_95_ml: agreement.interval_ml.map(|interval| [interval.low, interval.high]),
            range_ml: agreement.range_ml,
            concordant: agreement.concordance.agrees,
            critical_range_ml: agreement.critical_range_ml,
            follow_up: agreement.follow_up.map(|next| FollowUpView {
                step: next.step,
                more: next.more,
                result: next.result.map(|result| match result {
                    FinalResult::Mean { n, .. } => format!("mean of {n}"),
                    FinalResult::Median { n, .. } => format!("median of {n}"),
                }),
            }),
            dixon: outlier("r10", dixon),
            grubbs: outlier("G", grubbs),
        }
    }
}

impl From<Evaluation> for EvaluationView {
    fn from(evaluation: Evaluation) -> Self {
        let progress = match evaluation.progress {
            Progress::Complete { how } => ProgressView { complete: true, titrations_needed: 0, detail: how },
            Progress::NeedsMore { titrations, why } => {
                ProgressView { complete: false, titrations_needed: titrations, detail: why }
            }
        };
        Self {
            formula_set: evaluation.formula_set,
            progress,
            outcome: evaluation.outcome.word(),
            titres: evaluation.titres.into_iter().map(TitreView::from).collect(),
            blank_ml: evaluation.blank_ml,
            agreement: evaluation.agreement.map(AgreementView::from),
            titre_ml: evaluation.titre_ml,
            figures: evaluation
                .figures
                .into_iter()
                .map(|figure| FigureView {
                    unit: figure.unit.symbol(),
                    expressed: expressed(figure.expressed),
                    value: figure.value,
                    u: figure.u,
                })
                .collect(),
            reported: evaluation.reported.map(ReportedView::from),
            budget: evaluation.budget.into_iter().map(BudgetLine::from).collect(),
            verdicts: evaluation.verdicts.into_iter().map(VerdictView::from).collect(),
            working: evaluation.working.as_ref().map(StepView::from),
        }
    }
}
