//! Tests of means and variances, equivalence, power, tolerance factors, normality, ruggedness.

use crate::comparison::peak_flow;
use crate::data;
use crate::printed::{agrees, agrees_json, close, numbers, record};
use ferrotitre_core::statistics::hypothesis::{
    Series, equivalent_means, equivalent_paired, one_sample_t, paired_t, pooled_t, pooled_t_from_summaries,
    variance_chi_square, variance_ratio_f, welch_t,
};
use ferrotitre_core::statistics::normality::{anderson_darling, shapiro_wilk};
use ferrotitre_core::statistics::power::{
    Alternative, Design, DifferenceQuestion, EquivalenceQuestion, difference_power, difference_sample_size,
    equivalence_power,
};
use ferrotitre_core::statistics::ruggedness::{YOUDEN_STEINER, youden_steiner};
use ferrotitre_core::statistics::tolerance::{SampleInformation, Side};

const ANALYST_A: [f64; 4] = [22.53, 22.60, 22.54, 22.62];
const ANALYST_B: [f64; 4] = [22.48, 22.40, 22.48, 22.43];

#[test]
fn titres_of_two_analysts() {
    let table = data::json("09_regression_comparison_tests.json");
    let set = record(&table, "t_test_Vogel_A_vs_B");
    let pooled = pooled_t(&ANALYST_A, &ANALYST_B, 0.0, 0.95).unwrap();
    let welch = welch_t(&ANALYST_A, &ANALYST_B, 0.0, 0.95).unwrap();
    // Doubles of 22.53 and the like are off by 2e-15; the reference was computed on them in double precision.
    for (test, expected) in [(pooled, &set["pooled"]), (welch, &set["welch"])] {
        close("t", test.t, expected["t"].as_f64().unwrap(), 2e-12);
        close("p", test.p.two_sided, expected["p"].as_f64().unwrap(), 4e-12);
        close("df", test.degrees_of_freedom, expected["df"].as_f64().unwrap(), 2e-12);
    }
    let f = variance_ratio_f(&ANALYST_A, &ANALYST_B, 1.0, 0.95).unwrap();
    close("F", f.statistic, set["F_ratio"].as_f64().unwrap(), 2e-11);
    // SciPy 1.17.1: f, chi2, ttest_1samp.
    close("p of F", f.p.greater, 0.4277447171412314, 1e-11);
    close("F low", f.interval.low, 0.08139579293450572, 1e-11);
    close("F high", f.interval.high, 19.402181064200754, 1e-11);
    let chi = variance_chi_square(&ANALYST_A, 0.03, 0.95).unwrap();
    close("chi-square", chi.statistic, 6.527777777777923, 1e-11);
    close("p of chi-square", chi.p.greater, 0.0885734307788365, 1e-11);
    let one = one_sample_t(&ANALYST_A, 22.5, 0.95).unwrap();
    close("t", one.t, 3.2766095606230197, 1e-11);
    close("p", one.p.two_sided, 0.04654453906356781, 1e-11);
    close("low", one.interval.low, 22.502083506101595, 1e-14);
    close("high", one.interval.high, 22.642916493898408, 1e-14);
}

#[test]
fn paired_differences_of_two_peak_flow_meters() {
    let table = data::json("09_regression_comparison_tests.json");
    let (wright, mini) = peak_flow(&table);
    let test = paired_t(&wright, &mini, 0.0, 0.95).unwrap();
    let set = record(&table, "paired_t_PEFR");
    agrees_json("t", test.t, &set["t"]);
    agrees_json("p", test.p.two_sided, &set["p"]);
    agrees_json("df", test.degrees_of_freedom, &set["df"]);
    for margin in [15.0, 20.0, 30.0] {
        let set = record(&table, &format!("TOST_PEFR_paired_margin_{margin}"));
        let result = equivalent_paired(&wright, &mini, (-margin, margin), 0.05).unwrap();
        agrees_json("p", result.p, &set["p"]);
        agrees_json("lower t", result.lower.t, &set["lower"]["t"]);
        agrees_json("lower p", result.lower.p, &set["lower"]["p"]);
        agrees_json("upper t", result.upper.t, &set["upper"]["t"]);
        agrees_json("upper p", result.upper.p, &set["upper"]["p"]);
        agrees_json("df", result.degrees_of_freedom, &set["lower"]["df"]);
        agrees_json("low", result.interval.low, &set["ci90"][0]);
        agrees_json("high", result.interval.high, &set["ci90"][1]);
        assert_eq!(result.equivalent, margin > 15.0);
    }
}

/// statsmodels 0.15.0, ttost_ind.
#[test]
fn equivalence_of_two_analysts() {
    for (equal, p, df) in [(false, 0.006232327842207893, 5.9233651905891875), (true, 0.006100392952361248, 6.0)] {
        let result = equivalent_means(&ANALYST_A, &ANALYST_B, (0.02, 0.3), 0.05, equal).unwrap();
        close("lower t", result.lower.t, 3.541226392111923, 1e-11);
        close("upper t", result.upper.t, -5.902043986852886, 1e-11);
        close("p", result.p, p, 1e-11);
        close("df", result.degrees_of_freedom, df, 1e-11);
    }
}

#[test]
fn miller_chromium_in_ryegrass_from_summaries() {
    let table = data::json("09_regression_comparison_tests.json");
    let set = record(&table, "MILLER_chromium_ryegrass");
    let summary = &set["summary"];
    let series = |i: usize| Series {
        n: usize::try_from(summary["n"][i].as_u64().unwrap()).unwrap(),
        mean: summary["mean"][i].as_f64().unwrap(),
        sample_sd: summary["sd"][i].as_f64().unwrap(),
    };
    let test = pooled_t_from_summaries(series(0), series(1), 0.0, 0.95).unwrap();
    agrees_json("t", test.t, &set["computed"]["t"]);
    agrees_json("sp", test.standard_error / 0.4_f64.sqrt(), &set["computed"]["sp"]);
    // DIFFERENCE: printed -4.56 comes from a pooled deviation rounded to 0.295; the summaries give -4.550.
    let of_rounded = (1.48 - 2.33) / (0.295 * 0.4_f64.sqrt());
    agrees_json("t of the rounded deviation", of_rounded, &set["published"]["t"]);
}

#[test]
fn nist_grubbs_series_has_the_printed_mean_and_deviation() {
    let table = data::json("09_regression_comparison_tests.json");
    let set = record(&table, "NIST_Grubbs");
    let values = numbers(&set["data"]);
    let test = one_sample_t(&values, 0.0, 0.95).unwrap();
    let sd = test.standard_error * 8f64.sqrt();
    agrees_json("mean", test.estimate, &set["computed"]["mean"]);
    agrees_json("sd", sd, &set["computed"]["sd"]);
    let largest = values.iter().copied().fold(f64::MIN, f64::max);
    agrees_json("G", (largest - test.estimate) / sd, &set["computed"]["G"]);
}

/// statsmodels 0.15.0, TTestPower and TTestIndPower.
#[test]
fn power_of_t_tests() {
    let question = |difference, alpha, alternative| DifferenceQuestion { difference, sd: 1.0, alpha, alternative };
    for (n, difference, alpha, alternative, power) in [
        (10, 0.5, 0.05, Alternative::TwoSided, 0.2931756065140767),
        (10, 1.0, 0.01, Alternative::TwoSided, 0.5041067307017365),
        (5, 2.0, 0.05, Alternative::Greater, 0.9748305663597384),
        (34, 0.5, 0.05, Alternative::TwoSided, 0.8077775012792737),
        (3, 1.0, 0.05, Alternative::TwoSided, 0.1792553937765517),
        (100, 0.2, 0.05, Alternative::Greater, 0.6336177553523548),
    ] {
        let found = difference_power(Design::Paired { n }, question(difference, alpha, alternative)).unwrap();
        close("power", found, power, 1e-11);
        let opposite = match alternative {
            Alternative::Greater => Alternative::Less,
            other => other,
        };
        let mirrored = difference_power(Design::OneSample { n }, question(-difference, alpha, opposite)).unwrap();
        close("mirrored", mirrored, power, 1e-11);
    }
    for (n_first, n_second, difference, alpha, alternative, power) in [
        (64, 64, 0.5, 0.05, Alternative::TwoSided, 0.8014595579222542),
        (6, 9, 1.2, 0.05, Alternative::TwoSided, 0.5585578841148744),
        (12, 12, 1.0, 0.01, Alternative::Greater, 0.48906054500205265),
    ] {
        let design = Design::TwoSample { n_first, n_second };
        close("power", difference_power(design, question(difference, alpha, alternative)).unwrap(), power, 1e-11);
    }
    // The same program solves for n = 33.37, 63.77, 31.46 and 6.45: the next whole numbers.
    let size = |design, question, power| difference_sample_size(design, question, power).unwrap().n;
    let (one, two) = (Design::OneSample { n: 2 }, Design::TwoSample { n_first: 2, n_second: 2 });
    assert_eq!(size(one, question(0.5, 0.05, Alternative::TwoSided), 0.8), 34);
    assert_eq!(size(two, question(0.5, 0.05, Alternative::TwoSided), 0.8), 64);
    assert_eq!(size(two, question(1.0, 0.01, Alternative::TwoSided), 0.9), 32);
    assert_eq!(size(one, question(1.5, 0.05, Alternative::Greater), 0.95), 7);
}

/// mpmath 1.3.0, 30 digits: adaptive quadrature over the chi distribution.
#[test]
fn power_of_equivalence_tests() {
    let question = |difference, low, high, sd, alpha| EquivalenceQuestion { difference, sd, low, high, alpha };
    for (design, question, power) in [
        (Design::OneSample { n: 12 }, question(0.02, -0.1, 0.1, 0.1, 0.05), 0.816414663213729),
        (Design::Paired { n: 4 }, question(0.0, -0.2, 0.2, 0.1, 0.05), 0.827767570060005),
        (Design::TwoSample { n_first: 10, n_second: 10 }, question(0.01, -0.1, 0.1, 0.08, 0.05), 0.68575716533782),
        (Design::TwoSample { n_first: 3, n_second: 5 }, question(0.0, -1.0, 1.5, 0.5, 0.01), 0.327886781983837),
        (Design::OneSample { n: 3 }, question(0.0, -0.1, 0.1, 0.2, 0.05), 0.0190248745254837),
    ] {
        close("power", equivalence_power(design, question).unwrap(), power, 1e-10);
    }
}

/// Exact and Howe's two-sided factors and the one-sided factor: SciPy 1.17.1 (chi2, nct, own Gauss-Legendre rule).
/// Published by ISO 16269-6 (from memory): n = 5, 10, 20 and 100 at 95 %/95 %.
#[test]
fn tolerance_factors() {
    for (n, content, confidence, two_sided, one_sided, howe) in [
        (2, 0.95, 0.95, 36.5192146121, 26.259673983, 38.2806439258),
        (2, 0.9, 0.9, 15.5123259811, 10.2527140279, 16.0313898762),
        (3, 0.95, 0.95, 9.78875240303, 7.65590013315, 9.9927992497),
        (5, 0.95, 0.95, 5.07687453206, 4.20268074126, 5.09352589186),
        (5, 0.99, 0.99, 10.220090305, 8.93902493889, 10.3533153728),
        (10, 0.95, 0.95, 3.39342947871, 2.91096341308, 3.38191349051),
        (10, 0.9, 0.95, 2.85631084858, 2.35464013183, 2.83819127024),
        (10, 0.99, 0.99, 5.61016828681, 5.07372534805, 5.60892655422),
        (20, 0.95, 0.95, 2.76034617845, 2.39600168375, 2.75228488853),
        (30, 0.99, 0.95, 3.35457584479, 3.06390112624, 3.35078876881),
        (100, 0.95, 0.95, 2.23388202304, 1.92653885051, 2.23280292137),
        (1000, 0.9, 0.99, 1.7358364732, 1.38462102022, 1.73579111094),
    ] {
        let sample = SampleInformation::of_series(n).unwrap();
        close("two-sided", sample.two_sided_factor(content, confidence).unwrap(), two_sided, 1e-10);
        close("one-sided", sample.one_sided_factor(content, confidence).unwrap(), one_sided, 1e-10);
        close("Howe", sample.howe_factor(content, confidence).unwrap(), howe, 1e-11);
    }
    for (n, two_sided, one_sided) in
        [(5, "5.077", "4.203"), (10, "3.394", "2.911"), (20, "2.760", "2.396"), (100, "2.234", "1.927")]
    {
        let sample = SampleInformation::of_series(n).unwrap();
        // Tables of tolerance factors round upwards (3.39343 to 3.394), so a unit of the last digit is allowed.
        let exact = sample.two_sided_factor(0.95, 0.95).unwrap();
        let printed: f64 = two_sided.parse().unwrap();
        assert!((printed - exact).abs() < 1e-3, "{n}: {exact} is not {two_sided}");
        agrees("one-sided", sample.one_sided_factor(0.95, 0.95).unwrap(), one_sided);
    }
    // A mean of three with a pooled deviation of 15 degrees of freedom.
    let pooled = SampleInformation { n: 3.0, degrees_of_freedom: 15.0 };
    close("pooled, two-sided", pooled.two_sided_factor(0.95, 0.95).unwrap(), 3.340566963598106, 1e-10);
    close("pooled, one-sided", pooled.one_sided_factor(0.95, 0.95).unwrap(), 2.979880529166916, 1e-10);
    // t(0.975; 9) √1.1 and t(0.95; 9) √1.1, t from any table: 2.26216, 1.83311.
    let ten = SampleInformation::of_series(10).unwrap();
    agrees("expectation", ten.expectation_factor(0.95, Side::TwoSided).unwrap() / 1.1_f64.sqrt(), "2.26216");
    agrees("expectation", ten.expectation_factor(0.95, Side::Upper).unwrap() / 1.1_f64.sqrt(), "1.83311");
}

const DAYS: [f64; 18] = [
    52.41, 52.33, 52.38, 52.22, 52.29, 52.25, 52.47, 52.40, 52.44, 52.30, 52.36, 52.28, 52.51, 52.43, 52.46, 52.27,
    52.35, 52.33,
];
const WEIGHTS_OF_MEN: [f64; 11] = [148.0, 154.0, 158.0, 160.0, 161.0, 162.0, 166.0, 170.0, 182.0, 195.0, 236.0];

fn sequence(n: u32) -> Vec<f64> {
    (1..=n).map(|i| f64::from((i * 7919) % 10007) / 10007.0).collect()
}

/// SciPy 1.17.1, shapiro; the weights of eleven men are the example of Shapiro and Wilk 1965 (W = 0.79).
#[test]
fn shapiro_wilk_from_three_to_five_thousand_values() {
    let copper =
        numbers(&record(&data::json("08_interlab_anova_robust.json"), "AMC_copper_in_wholemeal_flour")["data"]);
    let twelve: Vec<f64> = WEIGHTS_OF_MEN.iter().copied().chain([170.0]).collect();
    let heavy: Vec<f64> = sequence(200).iter().map(|u| (3.0 * (u - 0.5)).tan()).collect();
    for (name, values, w, p) in [
        ("three", vec![23.16, 23.18, 23.25], 0.906716417910445, 0.40721162799090005),
        ("four", vec![23.16, 23.18, 23.25, 23.11], 0.981084537366718, 0.9083517845146724),
        ("five", WEIGHTS_OF_MEN[..5].to_vec(), 0.9022804581732528, 0.4226177862095747),
        ("six", WEIGHTS_OF_MEN[..6].to_vec(), 0.881669430249985, 0.2768115065789898),
        ("eleven", WEIGHTS_OF_MEN.to_vec(), 0.7888146948631716, 0.006703814061898823),
        ("twelve", twelve, 0.7861241112963604, 0.006543263936816527),
        ("days", DAYS.to_vec(), 0.9768159212303744, 0.9113751895359148),
        ("copper", copper, 0.31146697965899306, 1.2827806880173864e-09),
        ("heavy tails", heavy, 0.8752162543215685, 8.616287487594838e-12),
        ("uniform, 1000", sequence(1000), 0.9549577221682046, 5.77151251314763e-17),
        ("uniform, 5000", sequence(5000), 0.9548898264358439, 9.300842427190515e-37),
    ] {
        let test = shapiro_wilk(&values).unwrap();
        // SciPy keeps normal scores and sums in double precision with other roundings: nine digits of W agree.
        close(name, test.w, w, 1e-9);
        close(name, test.p, p, 1e-6);
    }
}

/// statsmodels 0.15.0, normal_ad.
#[test]
fn anderson_darling_in_every_piece_of_its_p_formula() {
    for (name, values, a_squared, p) in [
        ("days", DAYS.to_vec(), 0.1670779684003918, 0.9245041452200533),
        ("eleven", WEIGHTS_OF_MEN.to_vec(), 0.946771879598888, 0.010454024005147656),
        ("uniform, 1000", sequence(1000), 11.024349871641107, 1.5519794645454405e-26),
    ] {
        let test = anderson_darling(&values).unwrap();
        close(name, test.a_squared, a_squared, 1e-10);
        close(name, test.p, p, 1e-9);
    }
}

#[test]
fn youden_steiner_seven_factors() {
    let table = data::json("09_regression_comparison_tests.json");
    let set = record(&table, "YOUDEN_STEINER_7_factors");
    for (run, expected) in YOUDEN_STEINER.iter().zip(set["design_rows_1_high_0_low"].as_array().unwrap()) {
        assert_eq!(run.map(|high| if high { 1.0 } else { 0.0 }).to_vec(), numbers(expected));
    }
    let results: [f64; 8] = numbers(&set["results"]).try_into().unwrap();
    let study = youden_steiner(&results, None).unwrap();
    for (effect, expected) in study.effects.iter().zip(numbers(&set["effects"])) {
        // The table shows the rounding of 35.21 in binary; effects are differences of numbers near 35.
        assert!((effect.difference - expected).abs() < 2e-14, "{effect:?} is not {expected}");
    }
    close("s", study.sd_of_effects, set["s_effects"].as_f64().unwrap(), 1e-12);
}
