//! Figures of analyses of variance and ruggedness, field by field as core has them.

use ferrotitre_core::statistics::anova::{Component, FRatio, Nested, NestedLevel, OneWay, VarianceSum};
use ferrotitre_core::statistics::ruggedness::{Effect, EffectVerdict, Ruggedness};

use super::summaries::IntervalFigures;
use crate::wire::shown;

shown! {
    /// A ratio of mean squares.
    FRatioFigures of FRatio {
        /// Ratio.
        f: f64,
        /// Degrees of freedom of the numerator.
        numerator_df: f64,
        /// Degrees of freedom of the denominator.
        denominator_df: f64,
        /// Probability of a ratio at least as large when there is no effect.
        p: f64,
    }

    /// One estimated component of variance.
    ComponentFigures of Component {
        /// Estimate from the mean squares; may be negative.
        raw_variance: f64,
        /// The estimate, or 0 where it is negative.
        variance: f64,
        /// Square root of `variance`.
        sd: f64,
    }

    /// A standard deviation built from several mean squares, with effective degrees of freedom.
    VarianceSumFigures of VarianceSum {
        /// The variance.
        variance: f64,
        /// Its square root.
        sd: f64,
        /// Effective degrees of freedom.
        degrees_of_freedom: f64,
        /// Confidence interval of `sd` from chi-square with these degrees of freedom.
        interval: IntervalFigures,
    }

    /// One-way analysis of variance with variance components.
    OneWayFigures of OneWay {
        /// Number of groups, k.
        groups: usize,
        /// Number of values, N.
        n: usize,
        /// Mean of all values (groups weighted by their size).
        grand_mean: f64,
        /// Sum of squares between groups.
        ss_between: f64,
        /// Sum of squares within groups.
        ss_within: f64,
        /// Sum of squares about the grand mean.
        ss_total: f64,
        /// k - 1.
        df_between: f64,
        /// N - k.
        df_within: f64,
        /// Mean square between groups.
        ms_between: f64,
        /// Mean square within groups.
        ms_within: f64,
        /// F test of equal group means; null without any spread within groups.
        f_test: Option<FRatioFigures>,
        /// Share of the total sum of squares that lies between groups; null when all values are equal.
        r_squared: Option<f64>,
        /// Effective number of replicates n₀; the common size when all groups have it.
        effective_replicates: f64,
        /// Repeatability standard deviation s_r, with its interval.
        repeatability: VarianceSumFigures,
        /// Between-group component s_L.
        between: ComponentFigures,
        /// Confidence interval of the between-group standard deviation; approximate for groups of different size.
        between_interval: IntervalFigures,
        /// Intermediate precision s_I (reproducibility s_R when groups are laboratories).
        intermediate: VarianceSumFigures,
    }

    /// One line of the analysis of variance table.
    NestedLevelFigures of NestedLevel {
        /// Sum of squares.
        sum_of_squares: f64,
        /// Degrees of freedom.
        degrees_of_freedom: f64,
        /// Mean square.
        mean_square: f64,
    }

    /// Nested analysis of variance with its three variance components.
    NestedFigures of Nested {
        /// Number of values, N.
        n: usize,
        /// Mean of all values.
        grand_mean: f64,
        /// Upper level (days).
        upper: NestedLevelFigures,
        /// Lower level within the upper (analysts within days).
        lower: NestedLevelFigures,
        /// Replicates.
        replicates: NestedLevelFigures,
        /// F test of the lower level against replicates; null without spread of replicates.
        lower_f: Option<FRatioFigures>,
        /// F test of the upper level against the combination of mean squares that has the same expectation when the upper
        /// component is zero (the lower level itself in a balanced design); null when that combination is not positive.
        upper_f: Option<FRatioFigures>,
        /// Whether all groups have the same size at each level.
        balanced: bool,
        /// Upper component.
        upper_component: ComponentFigures,
        /// Lower component.
        lower_component: ComponentFigures,
        /// Repeatability s_r.
        repeatability: VarianceSumFigures,
        /// Intermediate precision: the root of the sum of the three components.
        intermediate: VarianceSumFigures,
    }

    /// Judgement of one effect.
    EffectVerdictFigures of EffectVerdict {
        /// `difference/(s/√2)`.
        t: f64,
        /// Two-sided p-value.
        p: f64,
        /// Largest |difference| that passes.
        limit: f64,
        /// Whether the effect passes the limit.
        significant: bool,
    }

    /// Effect of one factor.
    EffectFigures of Effect {
        /// Mean of the four results at the high level minus mean of the four at the low level.
        difference: f64,
        /// Judgement against the known precision; null without one.
        verdict: Option<EffectVerdictFigures>,
    }

    /// Result of the design.
    RuggednessFigures of Ruggedness {
        /// Effects in the order of the factors.
        effects: Vec<EffectFigures>,
        /// `√(2ΣD²/7)`: the standard deviation of a result if no factor mattered.
        sd_of_effects: f64,
        /// F test of `sd_of_effects` against the known precision; null without one.
        overall: Option<FRatioFigures>,
        /// No effect is significant; null without a known precision.
        rugged: Option<bool>,
    }
}
