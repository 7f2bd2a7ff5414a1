//! Figures of tests, intervals and sample sizes, field by field as core has them.

use ferrotitre_core::statistics::hypothesis::{
    Equivalence, MeanTest, MeanTestKind, OneSidedTest, PValues, VarianceTest,
};
use ferrotitre_core::statistics::normality::{AndersonDarling, ShapiroWilk};
use ferrotitre_core::statistics::power::SampleSize;
use ferrotitre_core::statistics::tolerance::ToleranceInterval;
use ferrotitre_core::statistics::trend::{KendallForm, MannKendall, TheilSen};

use super::summaries::IntervalFigures;
use crate::wire::{named, shown};

named! {
    /// Which t test.
    MeanTestName of MeanTestKind {
        /// One series against a stated value.
        OneSample = "one sample",
        /// Differences of pairs against a stated value.
        Paired = "paired",
        /// Two series, variances taken as equal.
        Pooled = "pooled",
        /// Two series, variances not taken as equal.
        Welch = "Welch",
    }

    /// Where the null distribution of a rank statistic comes from.
    KendallName of KendallForm {
        /// Counted over all permutations.
        Exact = "exact",
        /// Normal approximation.
        Normal = "normal",
    }
}

shown! {
    /// Probabilities of a statistic at least as far out as the one observed, when the hypothesis holds.
    PValuesFigures of PValues {
        /// Probability of a statistic at most as large: small when the true value is less than the hypothesis says.
        less: f64,
        /// Probability of a statistic at least as large: small when the true value is greater.
        greater: f64,
        /// Twice the smaller of both, at most 1.
        two_sided: f64,
    }

    /// Result of a t test.
    MeanTestFigures of MeanTest {
        /// Which test.
        kind: MeanTestName,
        /// Number of values, or of pairs, in the first series.
        n: usize,
        /// Number of values in the second series; null for one series or pairs.
        n_second: Option<usize>,
        /// Mean, mean difference of pairs, or first mean minus second mean.
        estimate: f64,
        /// Value the estimate is compared with.
        hypothesised: f64,
        /// Standard error of the estimate.
        standard_error: f64,
        /// `(estimate - hypothesised) / standard_error`.
        t: f64,
        /// Degrees of freedom; not an integer for Welch's test.
        degrees_of_freedom: f64,
        /// Probabilities of t in both tails.
        p: PValuesFigures,
        /// Confidence interval of the estimate.
        interval: IntervalFigures,
    }

    /// Result of a test of one variance or of the ratio of two.
    VarianceTestFigures of VarianceTest {
        /// Sample variance, or ratio of the sample variances, first over second.
        estimate: f64,
        /// Variance or ratio it is compared with.
        hypothesised: f64,
        /// Chi-square for one variance, F for two.
        statistic: f64,
        /// Degrees of freedom of the (first) variance.
        degrees_of_freedom: f64,
        /// Degrees of freedom of the second variance; null for one.
        second_degrees_of_freedom: Option<f64>,
        /// Probabilities of the statistic in both tails.
        p: PValuesFigures,
        /// Confidence interval of the variance or of the ratio.
        interval: IntervalFigures,
    }

    /// One of the two one-sided tests.
    OneSidedTestFigures of OneSidedTest {
        /// Margin the estimate is compared with.
        margin: f64,
        /// `(estimate - margin) / standard error`.
        t: f64,
        /// One-sided p-value of the hypothesis that the true value lies on or beyond the margin.
        p: f64,
    }

    /// Result of two one-sided tests.
    EquivalenceFigures of Equivalence {
        /// Which t test stands behind it.
        kind: MeanTestName,
        /// Number of values, or of pairs, in the first series.
        n: usize,
        /// Number of values in the second series; null for one series or pairs.
        n_second: Option<usize>,
        /// Mean, mean difference of pairs, or first mean minus second mean.
        estimate: f64,
        /// Standard error of the estimate.
        standard_error: f64,
        /// Degrees of freedom.
        degrees_of_freedom: f64,
        /// Test against the lower margin: small p when the true value is above it.
        lower: OneSidedTestFigures,
        /// Test against the upper margin: small p when the true value is below it.
        upper: OneSidedTestFigures,
        /// Larger of both p-values: the p-value of equivalence.
        p: f64,
        /// Level of each one-sided test.
        alpha: f64,
        /// Interval with confidence `1 - 2 alpha`; equivalence holds when it lies between the margins.
        interval: IntervalFigures,
        /// Whether `p < alpha`.
        equivalent: bool,
    }

    /// Result of the Shapiro-Wilk test.
    ShapiroWilkFigures of ShapiroWilk {
        /// Statistic W, at most 1; small when the data are not normal.
        w: f64,
        /// Approximate probability of so small a W from normal data.
        p: f64,
        /// Number of values.
        n: usize,
    }

    /// Result of the Anderson-Darling test with estimated mean and standard deviation.
    AndersonDarlingFigures of AndersonDarling {
        /// Statistic A².
        a_squared: f64,
        /// `A²(1 + 0.75/n + 2.25/n²)`.
        a_squared_adjusted: f64,
        /// Approximate probability of so large a statistic from normal data.
        p: f64,
        /// Number of values.
        n: usize,
    }

    /// Result of the Mann-Kendall test.
    MannKendallFigures of MannKendall {
        /// Pairs that rise minus pairs that fall.
        s: i64,
        /// Variance of S without trend, corrected for ties.
        variance: f64,
        /// `S/√((n(n-1)/2 - ties) n(n-1)/2)`, Kendall's tau-b.
        tau: f64,
        /// Probabilities of S in both tails: `greater` is small for a rise, `less` for a fall.
        p: PValuesFigures,
        /// How they were obtained.
        form: KendallName,
        /// Number of values.
        n: usize,
        /// Number of values that share theirs with another.
        tied: usize,
    }

    /// Theil-Sen line.
    TheilSenFigures of TheilSen {
        /// Median of the slopes of all pairs.
        slope: f64,
        /// Median of y minus slope times median of x.
        intercept: f64,
        /// Confidence interval of the slope; null when n is too small for the confidence.
        slope_interval: Option<IntervalFigures>,
        /// How its ranks were obtained.
        form: KendallName,
        /// Number of points.
        n: usize,
    }

    /// A number of measurements and what it achieves.
    SampleSizeFigures of SampleSize {
        /// Number of values, pairs, or values in each of two series.
        n: usize,
        /// Power with that number.
        power: f64,
    }

    /// A tolerance interval.
    ToleranceIntervalFigures of ToleranceInterval {
        /// Lower end; null for an upper limit.
        low: Option<f64>,
        /// Upper end; null for a lower limit.
        high: Option<f64>,
        /// Factor k of the standard deviation.
        factor: f64,
        /// Number of values.
        n: usize,
    }
}
