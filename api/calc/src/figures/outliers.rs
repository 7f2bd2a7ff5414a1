//! Figures of outlier tests, field by field as core has them.

use ferrotitre_core::statistics::outliers::cochran::CochranTest;
use ferrotitre_core::statistics::outliers::dixon::{DixonTest, Ends, Ratio};
use ferrotitre_core::statistics::outliers::grubbs::GrubbsTest;
use ferrotitre_core::statistics::outliers::grubbs::pair::{PairStatistic, PairTest};
use ferrotitre_core::statistics::outliers::hampel::HampelResult;
use ferrotitre_core::statistics::outliers::{Critical, End, Finding, NoDecisionReason, Obtained, PValue, Sidedness};

use crate::wire::{Show, named, shown};

named! {
    /// Dixon's ratios.
    DixonRatio of Ratio {
        /// Gap over range.
        R10 = "r10",
        /// Far value left out of the range.
        R11 = "r11",
        /// Two far values left out.
        R12 = "r12",
        /// Gap to the second neighbour over range.
        R20 = "r20",
        /// The same, far value left out.
        R21 = "r21",
        /// The same, two far values left out.
        R22 = "r22",
    }

    /// End of the sorted values.
    SuspectEnd of End {
        /// The lowest.
        Low = "low",
        /// The highest.
        High = "high",
    }

    /// Whether the suspect end was fixed before looking at the data.
    SidednessName of Sidedness {
        /// One end, fixed beforehand.
        OneSided = "one-sided",
        /// Either end.
        TwoSided = "two-sided",
    }

    /// Statistics of two values.
    PairName of PairStatistic {
        /// Sum of squares without two values at one end over that of all.
        SameEnd = "same end",
        /// Sum of squares without the lowest and the highest over that of all.
        OppositeEnds = "opposite ends",
        /// Range over standard deviation.
        RangeOverSd = "range over sd",
    }
}

/// How a critical value or a p-value was obtained.
#[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct ObtainedBy {
    /// exact, upper bound (one tail times the number of tails), simulated or printed table.
    pub way: &'static str,
    /// Standard error of a simulated value.
    pub standard_error: Option<f64>,
    /// The printed table.
    pub table: Option<&'static str>,
}

impl Show<ObtainedBy> for Obtained {
    fn show(&self) -> ObtainedBy {
        let plain = |way| ObtainedBy { way, standard_error: None, table: None };
        match *self {
            Self::Exact => plain("exact"),
            Self::Bonferroni => plain("upper bound"),
            Self::Simulated { standard_error } => {
                ObtainedBy { standard_error: Some(standard_error), ..plain("simulated") }
            }
            Self::Published { table } => ObtainedBy { table: Some(table), ..plain("printed table") },
        }
    }
}

/// What an outlier test finds.
#[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct FindingFigures {
    /// none (p above 5 %), straggler (p at most 5 %), outlier (p at most 1 %) or no decision.
    pub finding: &'static str,
    /// Why the test must not decide.
    pub reason: Option<String>,
}

impl Show<FindingFigures> for Finding {
    fn show(&self) -> FindingFigures {
        let plain = |finding| FindingFigures { finding, reason: None };
        match self {
            Self::None => plain("none"),
            Self::Straggler => plain("straggler"),
            Self::Outlier => plain("outlier"),
            Self::NoDecision { reason } => FindingFigures { reason: Some(reason.to_string()), ..plain("no decision") },
        }
    }
}

impl Show<String> for NoDecisionReason {
    fn show(&self) -> String {
        self.to_string()
    }
}

shown! {
    /// A critical value and what it means.
    CriticalFigures of Critical {
        /// The value the statistic is compared with.
        value: f64,
        /// Level, 0 to 1.
        alpha: f64,
        /// Sidedness of the level.
        sidedness: SidednessName,
        /// How it was obtained.
        obtained: ObtainedBy,
    }

    /// A p-value and what it means.
    PValueFigures of PValue {
        /// Probability of a statistic at least as extreme for normal values, 0 to 1.
        value: f64,
        /// Sidedness.
        sidedness: SidednessName,
        /// How it was obtained.
        obtained: ObtainedBy,
    }

    /// What Dixon's test says.
    DixonTestFigures of DixonTest {
        /// Ratio used.
        ratio: DixonRatio,
        /// Number of values.
        n: usize,
        /// Ratio at the suspect end.
        statistic: f64,
        /// Suspect end.
        end: SuspectEnd,
        /// Suspect value.
        suspect: f64,
        /// Sidedness of the critical values, the p-value and the verdict.
        sidedness: SidednessName,
        /// Critical value at 5 %.
        critical_5: CriticalFigures,
        /// Critical value at 1 %.
        critical_1: CriticalFigures,
        /// For a two-sided test, the one-sided value at 2.5 % that most tables print as two-sided 5 %.
        bonferroni_5: Option<CriticalFigures>,
        /// The printed value at 5 %, where a printed table has one; shown beside, never used.
        published_5: Option<CriticalFigures>,
        /// p-value (for how it was obtained see `p_obtained`).
        p: f64,
        /// How the p-value was obtained.
        p_obtained: ObtainedBy,
        /// Verdict, from the computed p-value.
        finding: FindingFigures,
    }

    /// Ratios at both ends.
    EndsFigures of Ends {
        /// Ratio at the low end.
        low: f64,
        /// Ratio at the high end.
        high: f64,
    }

    /// What Grubbs' test says about the value farthest from the mean.
    GrubbsTestFigures of GrubbsTest {
        /// Number of values.
        n: usize,
        /// |suspect − mean| / s.
        statistic: f64,
        /// Suspect end.
        end: SuspectEnd,
        /// Suspect value.
        suspect: f64,
        /// Sidedness of the critical values, the p-value and the verdict.
        sidedness: SidednessName,
        /// Critical value at 5 %.
        critical_5: f64,
        /// Critical value at 1 %.
        critical_1: f64,
        /// How the critical value at 5 % was obtained.
        obtained: ObtainedBy,
        /// p-value.
        p: f64,
        /// How the p-value was obtained.
        p_obtained: ObtainedBy,
        /// Verdict, from the p-value.
        finding: FindingFigures,
    }

    /// What a test of two values says.
    PairTestFigures of PairTest {
        /// Which statistic.
        statistic: PairName,
        /// Number of values.
        n: usize,
        /// Its value.
        value: f64,
        /// For the same-end form, the end tested.
        end: Option<SuspectEnd>,
        /// Suspect values.
        suspects: Vec<f64>,
        /// Critical value at 5 %.
        critical_5: CriticalFigures,
        /// Critical value at 1 %.
        critical_1: CriticalFigures,
        /// p-value.
        p: PValueFigures,
        /// Verdict, from the p-value.
        finding: FindingFigures,
    }

    /// What Cochran's test says.
    CochranTestFigures of CochranTest {
        /// Number of groups.
        groups: usize,
        /// Replicates per group; the mean number if they differ.
        replicates: f64,
        /// Whether all groups have the same number of replicates. If not, the test is approximate.
        equal_replicates: bool,
        /// Largest variance over the sum of variances.
        statistic: f64,
        /// Position (from 0) of the group with the largest variance.
        suspect: usize,
        /// Critical value at 5 %, published form.
        critical_5: CriticalFigures,
        /// Critical value at 1 %, published form.
        critical_1: CriticalFigures,
        /// Exact p-value (for equal replicates).
        p: f64,
        /// How the p-value was obtained.
        p_obtained: ObtainedBy,
        /// Verdict, from the p-value.
        finding: FindingFigures,
    }

    /// What Hampel's identifier says.
    HampelResultFigures of HampelResult {
        /// Number of values.
        n: usize,
        /// Median.
        median: f64,
        /// Median absolute deviation times 1.4826, an estimate of sigma; 0 if more than half the values are equal.
        scaled_mad: f64,
        /// Distance from the median, in scaled deviations, beyond which a value is conspicuous.
        threshold: f64,
        /// Distance of each value in scaled deviations, in the order given.
        distances: Vec<f64>,
        /// Positions (from 0) of the conspicuous values.
        conspicuous: Vec<usize>,
        /// Why the verdict must not decide, if so.
        no_decision: Option<String>,
    }
}
