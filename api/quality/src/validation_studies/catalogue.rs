//! Statistics as the trade knows them: symbol, words, unit, formula, source; a name means the same everywhere.

/// What a unit of a statistic is, beside the unit of the data.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    Data,
    Squared,
    Percent,
    One,
    PerHour,
}

/// A statistic as the trade knows it.
#[derive(Debug, Clone, Copy)]
pub struct Meaning {
    pub name: &'static str,
    pub symbol: &'static str,
    pub title: &'static str,
    pub unit: Of,
    pub formula: &'static str,
    pub source: &'static str,
}

const fn meaning(
    name: &'static str,
    (symbol, title): (&'static str, &'static str),
    unit: Of,
    formula: &'static str,
    source: &'static str,
) -> Meaning {
    Meaning { name, symbol, title, unit, formula, source }
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

/// Every statistic once; a name means the same in every characteristic.
const MEANINGS: &[Meaning] = &[
    meaning("mean", ("x̄", "mean"), Of::Data, "Σx/n", "definition"),
    meaning("s_r", ("s_r", "repeatability standard deviation"), Of::Data, "√MS_within", ISO_5725),
    meaning("rsd_r", ("RSD_r", "relative repeatability standard deviation"), Of::Percent, "100 s_r/x̄", ISO_5725),
    meaning("r_limit", ("r", "repeatability limit"), Of::Data, "2.8 s_r", "ISO 5725-6"),
    meaning(
        "horrat_r",
        ("HorRat_r", "RSD_r over the predicted RSD"),
        Of::One,
        "RSD_r/(2 C^-0.15)",
        "Horwitz and Albert 2006; AOAC guidelines",
    ),
    meaning("ms_between", ("MS_b", "mean square between groups"), Of::Squared, "Σ n_i (x̄_i - x̄)²/(k - 1)", ISO_5725),
    meaning("ms_within", ("MS_w", "mean square within groups"), Of::Squared, "ΣΣ (x_ij - x̄_i)²/(N - k)", ISO_5725),
    meaning("s_between", ("s_L", "between-group standard deviation"), Of::Data, "√max(0, (MS_b - MS_w)/n₀)", ISO_5725),
    meaning("s_i", ("s_I", "intermediate precision"), Of::Data, "√(s_L² + s_r²)", SATTERTHWAITE),
    meaning("df_i", ("ν(s_I)", "degrees of freedom of s_I"), Of::One, "V²/Σ((c_i MS_i)²/ν_i)", SATTERTHWAITE),
    meaning("rsd_i", ("RSD_I", "relative intermediate precision"), Of::Percent, "100 s_I/x̄", ISO_5725),
    meaning("rsd_ratio", ("RSD_I/RSD_r", "intermediate precision over repeatability"), Of::One, "s_I/s_r", ISO_5725),
    meaning("between_p", ("p", "p-value of equal group means"), Of::One, "P(F > MS_b/MS_w)", ISO_5725),
    meaning("bias", ("d", "bias"), Of::Data, "x̄ - x_ref", ERM_1),
    meaning("relative_bias", ("d/x_ref", "relative bias"), Of::Percent, "100 (x̄ - x_ref)/x_ref", ERM_1),
    meaning("u_bias", ("u(d)", "standard uncertainty of the bias"), Of::Data, "√(s²/n + u_ref²)", ERM_1),
    meaning("bias_ratio", ("|d|/2u(d)", "bias over its limit"), Of::One, "|d|/(2 u(d))", ERM_1),
    meaning("recovery", ("R̄", "mean recovery"), Of::Percent, "100 Σ((C_spiked - C)/C_added)/n", BARWICK),
    meaning("u_recovery", ("u(R̄)", "standard uncertainty of the recovery"), Of::Percent, "100 s(R)/√n", BARWICK),
    meaning("recovery_t", ("t", "|1 - R̄| over its uncertainty"), Of::One, "|1 - R̄|/u(R̄)", BARWICK),
    meaning(
        "recovery_at_level",
        ("R̄_level", "mean recovery of an addition"),
        Of::Percent,
        "100 Σ((C_spiked - C)/C_added)/n",
        BARWICK,
    ),
    meaning("slope", ("b", "slope"), Of::One, "S_xy/S_xx", TEXTBOOK),
    meaning("intercept", ("a", "intercept"), Of::Data, "ȳ - b x̄", TEXTBOOK),
    meaning(
        "deming_slope",
        ("b", "slope, new against reference"),
        Of::One,
        "(S_yy - λS_xx + √((S_yy - λS_xx)² + 4λS_xy²))/(2S_xy)",
        DEMING,
    ),
    meaning("deming_intercept", ("a", "intercept, new against reference"), Of::Data, "ȳ - b x̄", DEMING),
    meaning("residual_sd", ("s_y/x", "residual standard deviation"), Of::Data, "√(SS_res/(n - 2))", TEXTBOOK),
    meaning("r_squared", ("r²", "coefficient of determination"), Of::One, "1 - SS_res/SS_tot", TEXTBOOK),
    meaning(
        "largest_residual",
        ("max |e|/s", "largest residual over s_y/x"),
        Of::One,
        "max |y - a - b x|/s_y/x",
        TEXTBOOK,
    ),
    meaning(
        "lack_of_fit_f",
        ("F", "lack of fit over pure error"),
        Of::One,
        "((SS_res - SS_pe)/(m - 2))/(SS_pe/(n - m))",
        TEXTBOOK,
    ),
    meaning("lack_of_fit_p", ("p", "p-value of lack of fit"), Of::One, "P(F > found)", TEXTBOOK),
    meaning("s0", ("s₀", "standard deviation near zero"), Of::Data, "√(Σ(x - x̄)²/(n - 1))", FITNESS),
    meaning("s0_adjusted", ("s₀′", "s₀ of a reported result"), Of::Data, "s₀ √(1/n + 1/n_b)", FITNESS),
    meaning("lod", ("LOD", "limit of detection"), Of::Data, "3 s₀′", FITNESS),
    meaning("loq", ("LOQ", "limit of quantification"), Of::Data, "k_Q s₀′", FITNESS),
    meaning("s0_at", ("s₀", "standard deviation at iron(III) = 0"), Of::Data, "√(Σ(x - x̄)²/(n - 1))", FITNESS),
    meaning("lod_at", ("LOD", "limit of detection at a total"), Of::Data, "3 s₀′", FITNESS),
    meaning("loq_at", ("LOQ", "limit of quantification at a total"), Of::Data, "k_Q s₀′", FITNESS),
    meaning(
        "relative_loq_at",
        ("LOQ/total", "limit of quantification over total"),
        Of::Percent,
        "100 LOQ/total",
        FITNESS,
    ),
    meaning("u_at", ("u", "u of iron(III) as evaluated, root mean square"), Of::Data, "√(Σu²/n)", GUM),
    meaning("u_model_at", ("u(0)", "u of iron(III) = 0 by the model"), Of::Data, "total √2 u(V)/V", GUM),
    meaning("s0_slope", ("ds₀/dtotal", "growth of s₀ with total iron"), Of::One, "S_xy/S_xx", TEXTBOOK),
    meaning("effect", ("D", "effect of a factor"), Of::Data, "x̄(high) - x̄(low)", YOUDEN),
    meaning("relative_effect", ("D/x̄", "effect over the mean"), Of::Percent, "100 D/x̄", YOUDEN),
    meaning("effect_ratio", ("|D|/t s_D", "effect over its limit"), Of::One, "|D|/(t(1-α/2; ν) s/√2)", YOUDEN),
    meaning("s_effects", ("s(D)", "standard deviation of a result from the effects"), Of::Data, "√(2ΣD²/7)", YOUDEN),
    meaning("effects_p", ("p", "p-value of all effects together"), Of::One, "P(F > 2ΣD²/7/s²)", YOUDEN),
    meaning("difference", ("d̄", "mean difference, with minus without"), Of::Data, "Σ(x_with - x_without)/n", TOST),
    meaning("relative_difference", ("d̄ %", "mean relative difference"), Of::Percent, "Σ 100 (x₁ - x₀)/x₀/n", TOST),
    meaning("equivalence_p", ("p", "p-value of equivalence"), Of::One, "max(P(T > t_L), P(T < t_U))", TOST),
    meaning("change_rate", ("b", "change with time"), Of::PerHour, "S_xy/S_xx", TEXTBOOK),
    meaning("change", ("b T", "change in the holding time"), Of::Data, "b T", TEXTBOOK),
    meaning("relative_change", ("b T/a", "relative change in the holding time"), Of::Percent, "100 b T/a", TEXTBOOK),
    meaning("change_p", ("p", "p-value of no change"), Of::One, "P(|t| > |b|/s_b)", TEXTBOOK),
    meaning("mean_difference", ("d̄", "mean difference, new minus reference"), Of::Data, "Σ(y - x)/n", BLAND),
    meaning("lower_agreement", ("LoA₋", "lower limit of agreement"), Of::Data, "d̄ - 1.96 s_d", BLAND),
    meaning("upper_agreement", ("LoA₊", "upper limit of agreement"), Of::Data, "d̄ + 1.96 s_d", BLAND),
    meaning("s", ("s", "standard deviation"), Of::Data, "√(Σ(x - x̄)²/(n - 1))", "definition"),
    meaning("variance_f", ("F", "variance over the method's"), Of::One, "s²/s_r²", "F test, any textbook"),
    meaning(
        "variance_p",
        ("p", "p-value of a variance not above the method's"),
        Of::One,
        "P(F > s²/s_r²)",
        "F test, any textbook",
    ),
    meaning("u_bottom_up", ("u_bottom-up", "standard uncertainty, bottom-up"), Of::Data, "√(Σu²/n)", GUM),
    meaning("rms_bias", ("RMS", "root mean square of the biases"), Of::Data, "√(Σb²/n)", NORDTEST),
    meaning("u_bias_part", ("u(bias)", "component of bias"), Of::Data, "√(RMS² + u(Cref)²)", NORDTEST),
    meaning("u_top_down", ("u_c", "standard uncertainty, top-down"), Of::Data, "√(u(Rw)² + u(bias)²)", NORDTEST),
    meaning("expanded", ("U", "expanded uncertainty, top-down, k = 2"), Of::Data, "2 u_c", NORDTEST),
    meaning("u_ratio", ("u_bottom-up/u_c", "bottom-up over top-down"), Of::One, "u_bottom-up/u_c", NORDTEST),
];

impl Meaning {
    /// The statistic of that name.
    pub fn named(name: &str) -> Option<&'static Self> {
        MEANINGS.iter().find(|meaning| meaning.name == name)
    }

    /// Its unit where the data have this one.
    pub fn unit(&self, data: &str) -> String {
        match self.unit {
            Of::Data => data.to_owned(),
            Of::Squared => format!("({data})²"),
            Of::Percent => "%".to_owned(),
            Of::One => "1".to_owned(),
            Of::PerHour => format!("{data}/h"),
        }
    }
}
