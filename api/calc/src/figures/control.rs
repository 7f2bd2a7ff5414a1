//! Figures of control charts, field by field as core has them.

use ferrotitre_core::control::budget::{Held, Test};
use ferrotitre_core::control::constants::Constants;
use ferrotitre_core::control::cusum::{CusumPoint, SiegmundLengths};
use ferrotitre_core::control::ewma::EwmaPoint;
use ferrotitre_core::control::limits::{Baseline, Limits, ProportionLimits, Subgroups};
use ferrotitre_core::control::process::{LongTerm, PeriodicReview, Review};

use super::summaries::IntervalFigures;
use crate::wire::{Show, shown};

/// Verdict on one property of a chart.
#[derive(Debug, Clone, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct ReviewFigures {
    /// not enough data, unchanged or changed.
    pub finding: &'static str,
    /// The figure judged.
    pub value: Option<f64>,
    /// Points needed, where there are not enough.
    pub needed: Option<u64>,
}

fn review<T: Copy>(review: &Review<T>, value: impl Fn(T) -> f64) -> ReviewFigures {
    match *review {
        Review::NotEnough { needed, .. } => {
            ReviewFigures { finding: "not enough data", value: None, needed: Some(needed) }
        }
        Review::Unchanged(found) => ReviewFigures { finding: "unchanged", value: Some(value(found)), needed: None },
        Review::Changed(found) => ReviewFigures { finding: "changed", value: Some(value(found)), needed: None },
    }
}

impl Show<ReviewFigures> for Review<f64> {
    fn show(&self) -> ReviewFigures {
        review(self, |value| value)
    }
}

impl Show<ReviewFigures> for Review<u64> {
    #[expect(clippy::cast_precision_loss, reason = "a count of at most 60 points")]
    fn show(&self) -> ReviewFigures {
        review(self, |value| value as f64)
    }
}

shown! {
    /// Factors for subgroups of n; three-sigma limits.
    ///
    /// A factor that would make a lower limit negative is 0: there is then no lower limit.
    ConstantsFigures of Constants {
        /// Subgroup size.
        n: u32,
        /// Mean of the range over sigma.
        d2: f64,
        /// Standard deviation of the range over sigma.
        d3: f64,
        /// Mean of the sample standard deviation over sigma.
        c4: f64,
    }

    /// Warning and action limits about a centre line. A limit that cannot be passed (below 0 for a range) is null.
    LimitsFigures of Limits {
        /// Centre line.
        centre: f64,
        /// Standard deviation of the plotted quantity; the unit of standardised points.
        sigma: f64,
        /// centre − 3 sigma.
        lower_action: Option<f64>,
        /// centre − 2 sigma.
        lower_warning: Option<f64>,
        /// centre + 2 sigma.
        upper_warning: f64,
        /// centre + 3 sigma.
        upper_action: f64,
    }

    /// Limits with what is known of their own quality.
    BaselineFigures of Baseline {
        /// The limits.
        limits: LimitsFigures,
        /// Points (or subgroups) used.
        n: u64,
        /// Fewer than `ESTABLISHED` points.
        preliminary: bool,
        /// 95 % interval of true sigma over the estimate; null where sigma is not the standard deviation of n points.
        sigma_ratio: Option<IntervalFigures>,
        /// Expected share of in-control points beyond the action limits, 0.0027 for true limits; null as above.
        false_alarm_rate: Option<f64>,
    }

    /// Charts of subgroups: the mean, and the range or the standard deviation within.
    SubgroupsFigures of Subgroups {
        /// Limits of the subgroup mean, made from the variation within subgroups only.
        means: LimitsFigures,
        /// Limits of the range or of the standard deviation.
        spread: LimitsFigures,
        /// Estimate of sigma within subgroups.
        sigma_within: f64,
        /// Subgroups used.
        subgroups: u64,
        /// Fewer than `ESTABLISHED` subgroups.
        preliminary: bool,
    }

    /// Limits of a count out of `trials`, exact for the binomial distribution.
    ProportionLimitsFigures of ProportionLimits {
        /// Trials in the period judged.
        trials: u64,
        /// Share when in control.
        proportion: f64,
        /// Smallest count that is out of control above; null when even all trials are not unlikely enough.
        upper: Option<u64>,
        /// Largest count that is out of control below; null when even 0 is not unlikely enough.
        lower: Option<u64>,
        /// Probability of a count at or above `upper` when in control.
        upper_false_alarm: f64,
        /// Probability of a count at or below `lower` when in control.
        lower_false_alarm: f64,
    }

    /// What a control material tells of the method in the long run.
    LongTermFigures of LongTerm {
        /// Control values used.
        n: u64,
        /// Mean, in the unit of the values.
        mean: f64,
        /// Within-laboratory reproducibility standard deviation s_Rw, in the unit of the values.
        s_rw: f64,
        /// Mean minus assigned value.
        bias: f64,
        /// Standard uncertainty of the bias: √(s_Rw²/n + u²(assigned)).
        u_bias: f64,
        /// s_Rw over the mean, in per cent; null when the mean is 0.
        relative_s_rw_percent: Option<f64>,
        /// Bias over the assigned value, in per cent; null when that is 0.
        relative_bias_percent: Option<f64>,
    }

    /// A test of a budget.
    BudgetTestFigures of Test {
        /// Test statistic.
        statistic: f64,
        /// What it must not exceed.
        critical: f64,
        /// Probability of so much or more if the budget is right.
        p: f64,
        /// Whether the budget explains too little.
        refuted: bool,
    }

    /// A budget against a chart.
    HeldFigures of Held {
        /// Scatter between runs: (n - 1) s² / u² against chi-squared.
        scatter: BudgetTestFigures,
        /// Distance from the assigned value over its uncertainty; null without an assigned value.
        bias: Option<BudgetTestFigures>,
        /// Standard deviation between runs that the budget lacks, in the unit of the values.
        lacking: f64,
    }

    /// The periodic review of a chart.
    PeriodicReviewFigures of PeriodicReview {
        /// Points outside the warning limits among the last 60; about 3 expected, more than 6 or none is a change.
        outside_warning: ReviewFigures,
        /// Mean of the last 20 points minus the centre line, in s; beyond ± 0.35 is a change.
        centre_shift: ReviewFigures,
    }

    /// One point of the chart.
    EwmaPointFigures of EwmaPoint {
        /// Weighted average, in sigmas of single points from the centre.
        average: f64,
        /// Limit for its absolute value at this point.
        limit: f64,
        /// Whether it lies beyond.
        beyond: bool,
    }

    /// One point of the chart.
    CusumPointFigures of CusumPoint {
        /// Sum that grows when the mean is too high.
        upper: f64,
        /// Sum that grows when the mean is too low.
        lower: f64,
        /// Whether either exceeds h.
        beyond: bool,
        /// Points since the sum that exceeds h was last 0: where the shift is thought to have begun.
        points_since_zero: u64,
    }

    /// Approximate average run lengths.
    SiegmundLengthsFigures of SiegmundLengths {
        /// Upper sum alone.
        upper: f64,
        /// Both sums.
        two_sided: f64,
    }
}
