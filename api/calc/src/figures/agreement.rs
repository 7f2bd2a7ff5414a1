//! Figures of agreement, field by field as core has them.

use ferrotitre_core::statistics::agreement::{
    ChanceAgreement, Concordance, CriticalDifference, CriticalRangeFactor, FactorForm, FinalResult, Next,
    PrecisionLimit,
};

use crate::wire::{Show, named, shown};

named! {
    /// Factor between a standard deviation and a limit of difference.
    FactorName of FactorForm {
        /// 2.8, as printed.
        Rounded = "rounded",
        /// 2.771808.
        Exact = "exact",
    }
}

/// What is reported at the end of the flow.
#[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct FinalResultFigures {
    /// mean or median.
    pub kind: &'static str,
    /// Number of results in it.
    pub n: usize,
    /// Value.
    pub value: f64,
}

impl Show<FinalResultFigures> for FinalResult {
    fn show(&self) -> FinalResultFigures {
        match *self {
            Self::Mean { n, value } => FinalResultFigures { kind: "mean", n, value },
            Self::Median { n, value } => FinalResultFigures { kind: "median", n, value },
        }
    }
}

shown! {
    /// What the rule says.
    ConcordanceFigures of Concordance {
        /// Positions (from 0) of the titres the rule uses; empty while there are too few.
        used: Vec<usize>,
        /// Range of those titres, mL.
        range: Option<f64>,
        /// Range of all accurate titres, mL; always shown beside it.
        range_of_all: Option<f64>,
        /// Whether the range is within the limit.
        agrees: bool,
        /// How many more titres are needed at least.
        missing: usize,
    }

    /// A critical range factor in both forms.
    CriticalRangeFactorFigures of CriticalRangeFactor {
        /// Number of results.
        n: u32,
        /// Probability that the range of results in control stays within factor × sigma_r.
        p: f64,
        /// The quantile itself.
        exact: f64,
        /// The factor as the standard prints it, for p = 0.95 and n up to 15.
        rounded: Option<f64>,
    }

    /// Where the flow stands.
    NextFigures of Next {
        /// Step of the flow, as a sentence.
        step: String,
        /// Range of the results looked at.
        range: Option<f64>,
        /// Critical range it was compared with.
        critical_range: Option<f64>,
        /// Further results needed; 0 at the end of the flow.
        more: usize,
        /// Final result, at the end of the flow.
        result: Option<FinalResultFigures>,
    }

    /// Probability that `chosen` of `n` titres agree within a limit when nothing but scatter is at work.
    ChanceAgreementFigures of ChanceAgreement {
        /// Number of titres made.
        n: u32,
        /// Number of titres picked as "concordant".
        chosen: u32,
        /// Limit over true standard deviation.
        limit_over_sd: f64,
        /// Probability that some choice meets the limit.
        probability: f64,
    }

    /// A repeatability limit r or a reproducibility limit R.
    PrecisionLimitFigures of PrecisionLimit {
        /// Standard deviation it is made from.
        sd: f64,
        /// 2.8 s, as the standard prints it.
        rounded: f64,
        /// 1.96 √2 s with the full quantile.
        exact: f64,
    }

    /// A critical difference at 95 %.
    CriticalDifferenceFigures of CriticalDifference {
        /// The difference exceeded with probability 5 %.
        value: f64,
        /// Which factor it was made with.
        form: FactorName,
    }
}
