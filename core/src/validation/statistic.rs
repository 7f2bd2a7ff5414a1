//! Statistics of validation studies: symbol, words, unit, formula, source of each, at one place.

use crate::working::ContentUnit;

/// Unit that the data of a study have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DataUnit {
    /// That of a content.
    Content(ContentUnit),
    /// Of volumes.
    Millilitres,
    /// Of relative figures.
    Percent,
}

impl DataUnit {
    /// Every unit.
    pub const ALL: [Self; 7] = [
        Self::Content(ContentUnit::MolesPerLitre),
        Self::Content(ContentUnit::GramsPerLitre),
        Self::Content(ContentUnit::MilligramsPerLitre),
        Self::Content(ContentUnit::PercentByMass),
        Self::Content(ContentUnit::MolesPerKilogram),
        Self::Millilitres,
        Self::Percent,
    ];

    /// The unit of that symbol.
    #[must_use]
    pub fn of(symbol: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|unit| unit.symbol() == symbol)
    }

    /// Symbol.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        self.texts()[0]
    }

    /// The unit itself, its square, it over an hour, and it times an hour.
    const fn texts(self) -> [&'static str; 4] {
        match self {
            Self::Content(ContentUnit::MolesPerLitre) => ["mol/L", "(mol/L)²", "mol/L/h", "mol/L h"],
            Self::Content(ContentUnit::GramsPerLitre) => ["g/L", "(g/L)²", "g/L/h", "g/L h"],
            Self::Content(ContentUnit::MilligramsPerLitre) => ["mg/L", "(mg/L)²", "mg/L/h", "mg/L h"],
            Self::Content(ContentUnit::PercentByMass) => ["% m/m", "(% m/m)²", "% m/m/h", "% m/m h"],
            Self::Content(ContentUnit::MolesPerKilogram) => ["mol/kg", "(mol/kg)²", "mol/kg/h", "mol/kg h"],
            Self::Millilitres => ["mL", "(mL)²", "mL/h", "mL h"],
            Self::Percent => ["%", "(%)²", "%/h", "% h"],
        }
    }
}

/// What a unit of a statistic is, beside the unit of the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Of {
    Data,
    Squared,
    Percent,
    One,
    PerHour,
}

/// What is known of a statistic.
struct Facts {
    key: &'static str,
    symbol: &'static str,
    title: &'static str,
    unit: Of,
    formula: &'static str,
    source: &'static str,
}

const ISO_5725: &str = "ISO 5725-2";
const SATTERTHWAITE: &str = "ISO 5725-2; Satterthwaite 1946";
const ERM_1: &str = "ERM application note 1 (Linsinger)";
const BARWICK: &str = "Barwick and Ellison 1999";
const TEXTBOOK: &str = "Draper and Smith, Applied Regression Analysis";
const FITNESS: &str = "Eurachem, Fitness for Purpose 2014, 6.2";
const YOUDEN: &str = "Youden and Steiner 1975";
const TOST: &str = "Schuirmann 1987, two one-sided tests";
const BLAND: &str = "Bland and Altman 1986";
const DEMING: &str = "Deming 1943, standard error by the jackknife";
const NORDTEST: &str = "Nordtest TR 537";
const GUM: &str = "JCGM 100, 5.2";

macro_rules! statistics {
    ($(
        $(#[$doc:meta])* $name:ident: $key:literal, ($symbol:literal, $title:literal), $unit:ident,
        $formula:literal, $source:expr;
    )*) => {
        /// A statistic of a validation study; it means the same in every characteristic.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Statistic {
            $($(#[$doc])* $name,)*
        }

        impl Statistic {
            /// Every statistic.
            pub const ALL: &'static [Self] = &[$(Self::$name),*];

            const fn facts(self) -> Facts {
                match self {
                    $(Self::$name => Facts {
                        key: $key,
                        symbol: $symbol,
                        title: $title,
                        unit: Of::$unit,
                        formula: $formula,
                        source: $source,
                    },)*
                }
            }
        }
    };
}

statistics! {
    /// Mean.
    Mean: "mean", ("x̄", "mean"), Data, "Σx/n", "definition";
    /// Repeatability standard deviation.
    RepeatabilitySd: "s_r", ("s_r", "repeatability standard deviation"), Data, "√MS_within", ISO_5725;
    /// Relative repeatability standard deviation.
    RelativeRepeatability: "rsd_r", ("RSD_r", "relative repeatability standard deviation"), Percent,
        "100 s_r/x̄", ISO_5725;
    /// Repeatability limit.
    RepeatabilityLimit: "r_limit", ("r", "repeatability limit"), Data, "2.8 s_r", "ISO 5725-6";
    /// RSD_r over the predicted RSD.
    HorRat: "horrat_r", ("HorRat_r", "RSD_r over the predicted RSD"), One,
        "RSD_r/(2 C^-0.15)", "Horwitz and Albert 2006; AOAC guidelines";
    /// Mean square between groups.
    MeanSquareBetween: "ms_between", ("MS_b", "mean square between groups"), Squared,
        "Σ n_i (x̄_i - x̄)²/(k - 1)", ISO_5725;
    /// Mean square within groups.
    MeanSquareWithin: "ms_within", ("MS_w", "mean square within groups"), Squared,
        "ΣΣ (x_ij - x̄_i)²/(N - k)", ISO_5725;
    /// Between-group standard deviation.
    BetweenGroupSd: "s_between", ("s_L", "between-group standard deviation"), Data,
        "√max(0, (MS_b - MS_w)/n₀)", ISO_5725;
    /// Intermediate precision.
    IntermediateSd: "s_i", ("s_I", "intermediate precision"), Data, "√(s_L² + s_r²)", SATTERTHWAITE;
    /// Degrees of freedom of s_I.
    IntermediateDegreesOfFreedom: "df_i", ("ν(s_I)", "degrees of freedom of s_I"), One,
        "V²/Σ((c_i MS_i)²/ν_i)", SATTERTHWAITE;
    /// Relative intermediate precision.
    RelativeIntermediate: "rsd_i", ("RSD_I", "relative intermediate precision"), Percent, "100 s_I/x̄", ISO_5725;
    /// Intermediate precision over repeatability.
    IntermediateOverRepeatability: "rsd_ratio", ("RSD_I/RSD_r", "intermediate precision over repeatability"), One,
        "s_I/s_r", ISO_5725;
    /// P-value of equal group means.
    BetweenP: "between_p", ("p", "p-value of equal group means"), One, "P(F > MS_b/MS_w)", ISO_5725;
    /// Bias.
    Bias: "bias", ("d", "bias"), Data, "x̄ - x_ref", ERM_1;
    /// Relative bias.
    RelativeBias: "relative_bias", ("d/x_ref", "relative bias"), Percent, "100 (x̄ - x_ref)/x_ref", ERM_1;
    /// Standard uncertainty of the bias.
    BiasUncertainty: "u_bias", ("u(d)", "standard uncertainty of the bias"), Data, "√(s²/n + u_ref²)", ERM_1;
    /// Bias over its limit.
    BiasRatio: "bias_ratio", ("|d|/2u(d)", "bias over its limit"), One, "|d|/(2 u(d))", ERM_1;
    /// Mean recovery.
    Recovery: "recovery", ("R̄", "mean recovery"), Percent, "100 Σ((C_spiked - C)/C_added)/n", BARWICK;
    /// Standard uncertainty of the recovery.
    RecoveryUncertainty: "u_recovery", ("u(R̄)", "standard uncertainty of the recovery"), Percent,
        "100 s(R)/√n", BARWICK;
    /// |1 - R̄| over its uncertainty.
    RecoveryT: "recovery_t", ("t", "|1 - R̄| over its uncertainty"), One, "|1 - R̄|/u(R̄)", BARWICK;
    /// Mean recovery of an addition.
    RecoveryAtLevel: "recovery_at_level", ("R̄_level", "mean recovery of an addition"), Percent,
        "100 Σ((C_spiked - C)/C_added)/n", BARWICK;
    /// Slope.
    Slope: "slope", ("b", "slope"), One, "S_xy/S_xx", TEXTBOOK;
    /// Intercept.
    Intercept: "intercept", ("a", "intercept"), Data, "ȳ - b x̄", TEXTBOOK;
    /// Slope, new against reference.
    DemingSlope: "deming_slope", ("b", "slope, new against reference"), One,
        "(S_yy - λS_xx + √((S_yy - λS_xx)² + 4λS_xy²))/(2S_xy)", DEMING;
    /// Intercept, new against reference.
    DemingIntercept: "deming_intercept", ("a", "intercept, new against reference"), Data, "ȳ - b x̄", DEMING;
    /// Residual standard deviation.
    ResidualSd: "residual_sd", ("s_y/x", "residual standard deviation"), Data, "√(SS_res/(n - 2))", TEXTBOOK;
    /// Coefficient of determination.
    RSquared: "r_squared", ("r²", "coefficient of determination"), One, "1 - SS_res/SS_tot", TEXTBOOK;
    /// Largest residual over s_y/x.
    LargestResidual: "largest_residual", ("max |e|/s", "largest residual over s_y/x"), One,
        "max |y - a - b x|/s_y/x", TEXTBOOK;
    /// Lack of fit over pure error.
    LackOfFitF: "lack_of_fit_f", ("F", "lack of fit over pure error"), One,
        "((SS_res - SS_pe)/(m - 2))/(SS_pe/(n - m))", TEXTBOOK;
    /// P-value of lack of fit.
    LackOfFitP: "lack_of_fit_p", ("p", "p-value of lack of fit"), One, "P(F > found)", TEXTBOOK;
    /// Standard deviation near zero.
    SdNearZero: "s0", ("s₀", "standard deviation near zero"), Data, "√(Σ(x - x̄)²/(n - 1))", FITNESS;
    /// S₀ of a reported result.
    AdjustedSdNearZero: "s0_adjusted", ("s₀′", "s₀ of a reported result"), Data, "s₀ √(1/n + 1/n_b)", FITNESS;
    /// Limit of detection.
    DetectionLimit: "lod", ("LOD", "limit of detection"), Data, "3 s₀′", FITNESS;
    /// Limit of quantification.
    QuantificationLimit: "loq", ("LOQ", "limit of quantification"), Data, "k_Q s₀′", FITNESS;
    /// Standard deviation at iron(III) = 0.
    SdNearZeroAt: "s0_at", ("s₀", "standard deviation at iron(III) = 0"), Data, "√(Σ(x - x̄)²/(n - 1))", FITNESS;
    /// Limit of detection at a total.
    DetectionLimitAt: "lod_at", ("LOD", "limit of detection at a total"), Data, "3 s₀′", FITNESS;
    /// Limit of quantification at a total.
    QuantificationLimitAt: "loq_at", ("LOQ", "limit of quantification at a total"), Data, "k_Q s₀′", FITNESS;
    /// Limit of quantification over total.
    RelativeQuantificationLimitAt: "relative_loq_at", ("LOQ/total", "limit of quantification over total"), Percent,
        "100 LOQ/total", FITNESS;
    /// U of iron(III) as evaluated, root mean square.
    UncertaintyAt: "u_at", ("u", "u of iron(III) as evaluated, root mean square"), Data, "√(Σu²/n)", GUM;
    /// U of iron(III) = 0 by the model.
    ModelUncertaintyAt: "u_model_at", ("u(0)", "u of iron(III) = 0 by the model"), Data, "total √2 u(V)/V", GUM;
    /// Growth of s₀ with total iron.
    SdNearZeroSlope: "s0_slope", ("ds₀/dtotal", "growth of s₀ with total iron"), One, "S_xy/S_xx", TEXTBOOK;
    /// Effect of a factor.
    Effect: "effect", ("D", "effect of a factor"), Data, "x̄(high) - x̄(low)", YOUDEN;
    /// Effect over the mean.
    RelativeEffect: "relative_effect", ("D/x̄", "effect over the mean"), Percent, "100 D/x̄", YOUDEN;
    /// Effect over its limit.
    EffectRatio: "effect_ratio", ("|D|/t s_D", "effect over its limit"), One, "|D|/(t(1-α/2; ν) s/√2)", YOUDEN;
    /// Standard deviation of a result from the effects.
    EffectsSd: "s_effects", ("s(D)", "standard deviation of a result from the effects"), Data, "√(2ΣD²/7)", YOUDEN;
    /// P-value of all effects together.
    EffectsP: "effects_p", ("p", "p-value of all effects together"), One, "P(F > 2ΣD²/7/s²)", YOUDEN;
    /// Mean difference, with minus without.
    Difference: "difference", ("d̄", "mean difference, with minus without"), Data, "Σ(x_with - x_without)/n", TOST;
    /// Mean relative difference.
    RelativeDifference: "relative_difference", ("d̄ %", "mean relative difference"), Percent,
        "Σ 100 (x₁ - x₀)/x₀/n", TOST;
    /// P-value of equivalence.
    EquivalenceP: "equivalence_p", ("p", "p-value of equivalence"), One, "max(P(T > t_L), P(T < t_U))", TOST;
    /// Change with time.
    ChangeRate: "change_rate", ("b", "change with time"), PerHour, "S_xy/S_xx", TEXTBOOK;
    /// Change in the holding time.
    Change: "change", ("b T", "change in the holding time"), Data, "b T", TEXTBOOK;
    /// Relative change in the holding time.
    RelativeChange: "relative_change", ("b T/a", "relative change in the holding time"), Percent,
        "100 b T/a", TEXTBOOK;
    /// P-value of no change.
    ChangeP: "change_p", ("p", "p-value of no change"), One, "P(|t| > |b|/s_b)", TEXTBOOK;
    /// Mean difference, new minus reference.
    MeanDifference: "mean_difference", ("d̄", "mean difference, new minus reference"), Data, "Σ(y - x)/n", BLAND;
    /// Lower limit of agreement.
    LowerAgreement: "lower_agreement", ("LoA₋", "lower limit of agreement"), Data, "d̄ - 1.96 s_d", BLAND;
    /// Upper limit of agreement.
    UpperAgreement: "upper_agreement", ("LoA₊", "upper limit of agreement"), Data, "d̄ + 1.96 s_d", BLAND;
    /// Standard deviation.
    SampleSd: "s", ("s", "standard deviation"), Data, "√(Σ(x - x̄)²/(n - 1))", "definition";
    /// Variance over the method's.
    VarianceF: "variance_f", ("F", "variance over the method's"), One, "s²/s_r²", "F test, any textbook";
    /// P-value of a variance not above the method's.
    VarianceP: "variance_p", ("p", "p-value of a variance not above the method's"), One,
        "P(F > s²/s_r²)", "F test, any textbook";
    /// Standard uncertainty, bottom-up.
    BottomUpUncertainty: "u_bottom_up", ("u_bottom-up", "standard uncertainty, bottom-up"), Data, "√(Σu²/n)", GUM;
    /// Root mean square of the biases.
    RootMeanSquareBias: "rms_bias", ("RMS", "root mean square of the biases"), Data, "√(Σb²/n)", NORDTEST;
    /// Component of bias.
    BiasComponent: "u_bias_part", ("u(bias)", "component of bias"), Data, "√(RMS² + u(Cref)²)", NORDTEST;
    /// Standard uncertainty, top-down.
    TopDownUncertainty: "u_top_down", ("u_c", "standard uncertainty, top-down"), Data,
        "√(u(Rw)² + u(bias)²)", NORDTEST;
    /// Expanded uncertainty, top-down, k = 2.
    ExpandedUncertainty: "expanded", ("U", "expanded uncertainty, top-down, k = 2"), Data, "2 u_c", NORDTEST;
    /// Bottom-up over top-down.
    BottomUpOverTopDown: "u_ratio", ("u_bottom-up/u_c", "bottom-up over top-down"), One, "u_bottom-up/u_c", NORDTEST;
}

impl Statistic {
    /// The statistic of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|statistic| statistic.key() == name)
    }

    /// Name, as limits of acceptance and answers have it.
    #[must_use]
    pub const fn key(self) -> &'static str {
        self.facts().key
    }

    /// Symbol.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        self.facts().symbol
    }

    /// In words.
    #[must_use]
    pub const fn title(self) -> &'static str {
        self.facts().title
    }

    /// Formula as it is printed beside a value.
    #[must_use]
    pub const fn formula(self) -> &'static str {
        self.facts().formula
    }

    /// Published source.
    #[must_use]
    pub const fn source(self) -> &'static str {
        self.facts().source
    }

    /// Its unit where the data have this one; "1" for a ratio.
    #[must_use]
    pub const fn unit(self, data: DataUnit) -> &'static str {
        let [unit, squared, per_hour, _] = data.texts();
        match self.facts().unit {
            Of::Data => unit,
            Of::Squared => squared,
            Of::Percent => "%",
            Of::One => "1",
            Of::PerHour => per_hour,
        }
    }

    /// The same for a node of a working, where a number has no unit.
    pub(crate) const fn unit_of_node(self, data: DataUnit) -> &'static str {
        match self.facts().unit {
            Of::One => "",
            _ => self.unit(data),
        }
    }

    /// Whether it is a closed form of sums, products, roots and means of its data. Not so: probabilities, what goes by a
    /// quantile of Student's distribution, and the power of Horwitz's curve.
    #[must_use]
    pub const fn has_expression(self) -> bool {
        !matches!(
            self,
            Self::HorRat
                | Self::BetweenP
                | Self::LackOfFitP
                | Self::EffectRatio
                | Self::EffectsP
                | Self::EquivalenceP
                | Self::ChangeP
                | Self::VarianceP
        )
    }
}

/// A number that statistics of studies are computed from, or a part of several formulae.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StudyTerm {
    /// A datum.
    Datum,
    /// Standard uncertainty of a datum.
    DatumUncertainty,
    /// Amount taken.
    Taken,
    /// Amount added.
    Added,
    /// Hours since the start.
    Hours,
    /// Total iron at which iron(III) was determined.
    TotalIron,
    /// Certified value.
    Reference,
    /// Its standard uncertainty.
    ReferenceUncertainty,
    /// Standard deviation of the method.
    MethodSd,
    /// Error variance of the new method over that of the reference.
    VarianceRatio,
    /// Replicates of a reported result.
    RoutineReplicates,
    /// Blanks whose mean is subtracted.
    RoutineBlanks,
    /// Factor of the limit of quantification.
    QuantificationFactor,
    /// Titre aimed at.
    Titre,
    /// Standard uncertainty of a titre.
    TitreUncertainty,
    /// Holding time to be shown.
    HoldingTime,
    /// Number of data in a group that stands for groups of several sizes.
    EffectiveReplicates,
    /// Recovery of one addition.
    SingleRecovery,
    /// Difference of one pair.
    PairDifference,
    /// Sum of squares of x about its mean.
    SquaresOfX,
    /// Sum of squares of the times about their mean.
    SquaresOfHours,
    /// Sum of squares of y about its mean.
    SquaresOfY,
    /// Sum of products of x and y about their means.
    Products,
    /// Sum of products of times and data about their means.
    ProductsWithHours,
    /// Sum of squares about a line.
    ResidualSquares,
    /// Sum of squares about the means of levels.
    PureErrorSquares,
    /// Within-laboratory reproducibility.
    WithinLaboratory,
    /// Root mean square of the uncertainties of references.
    ReferencesUncertainty,
}

impl StudyTerm {
    /// Symbol, name and unit.
    pub(crate) const fn facts(self, data: DataUnit) -> (&'static str, &'static str, &'static str) {
        let [unit, squared, _, times_hours] = data.texts();
        match self {
            Self::Datum => ("x", "datum", unit),
            Self::DatumUncertainty => ("u", "standard uncertainty of the datum", unit),
            Self::Taken => ("w", "amount taken", unit),
            Self::Added => ("A", "amount added", unit),
            Self::Hours => ("h", "time since the start", "h"),
            Self::TotalIron => ("w_T", "total iron", unit),
            Self::Reference => ("x_ref", "certified value", unit),
            Self::ReferenceUncertainty => ("u_ref", "standard uncertainty of the certified value", unit),
            Self::MethodSd => ("s_M", "standard deviation of the method", unit),
            Self::VarianceRatio => ("λ", "error variance of the new method over that of the reference", ""),
            Self::RoutineReplicates => ("n", "replicates of a reported result", ""),
            Self::RoutineBlanks => ("n_b", "blanks whose mean is subtracted", ""),
            Self::QuantificationFactor => ("k_Q", "factor of the limit of quantification", ""),
            Self::Titre => ("V", "titre aimed at", "mL"),
            Self::TitreUncertainty => ("u(V)", "standard uncertainty of a titre", "mL"),
            Self::HoldingTime => ("T", "holding time", "h"),
            Self::EffectiveReplicates => ("n₀", "effective number of data in a group", ""),
            Self::SingleRecovery => ("R", "recovery of an addition", ""),
            Self::PairDifference => ("d", "difference of a pair", unit),
            Self::SquaresOfX => ("S_xx", "sum of squares of x about its mean", squared),
            Self::SquaresOfHours => ("S_hh", "sum of squares of the times about their mean", "h²"),
            Self::SquaresOfY => ("S_yy", "sum of squares of y about its mean", squared),
            Self::Products => ("S_xy", "sum of products of x and y about their means", squared),
            Self::ProductsWithHours => ("S_hx", "sum of products of times and data about their means", times_hours),
            Self::ResidualSquares => ("SS_res", "sum of squares about the line", squared),
            Self::PureErrorSquares => ("SS_pe", "sum of squares about the means of the levels", squared),
            Self::WithinLaboratory => ("u(Rw)", "within-laboratory reproducibility", unit),
            Self::ReferencesUncertainty => {
                ("u(Cref)", "standard uncertainty of the references, root mean square", unit)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_statistic_is_found_by_its_name_and_no_two_share_one() {
        for statistic in Statistic::ALL {
            assert_eq!(Statistic::named(statistic.key()), Some(*statistic));
        }
        assert_eq!(Statistic::named("s_R"), None);
    }

    #[test]
    fn units_of_statistics_are_made_of_the_unit_of_the_data() {
        for unit in DataUnit::ALL {
            let symbol = unit.symbol();
            assert_eq!(DataUnit::of(symbol), Some(unit));
            assert_eq!(Statistic::Mean.unit(unit), symbol);
            assert_eq!(Statistic::MeanSquareWithin.unit(unit), format!("({symbol})²"));
            assert_eq!(Statistic::ChangeRate.unit(unit), format!("{symbol}/h"));
        }
        assert_eq!(DataUnit::of("kg"), None);
    }
}
