//! Statistics of studies as graphs of sums, products, roots and means, against the algorithms with 32 digits.
//!
//! Both are the project's own; what ties them to the world are the published sets they are run on here (StRD, USP 1010, Vogel,
//! Bland and Altman's flow meters, Youden and Steiner's design), whose certified figures the other files of this folder hold
//! against the algorithms, and some of which stand here, too. The tolerance of 1e-9 relative is what an auditor's checker
//! allows between a signed figure and its graph; where the data themselves are no doubles it is said beside the comparison.

use std::collections::HashSet;

use bigdecimal::BigDecimal;
use ferrotitre_core::quantity::Reading;
use ferrotitre_core::statistics::anova::one_way;
use ferrotitre_core::statistics::comparison::{LimitMultiplier, bland_altman, deming};
use ferrotitre_core::statistics::hypothesis::variance_chi_square;
use ferrotitre_core::statistics::regression::{StraightLine, lack_of_fit};
use ferrotitre_core::statistics::ruggedness::youden_steiner;
use ferrotitre_core::statistics::summary::Summary;
use ferrotitre_core::uncertainty::nordtest::{BiasSource, top_down};
use ferrotitre_core::validation::{
    Abscissa, Addition, BlankScheme, DataUnit, DetectionFactors, Measured, NearZero, Pair, Places, Stated, Statistic,
    StudyData, detection_limits_from_blanks, expression, recovery_from_replicates, recovery_from_spike, trueness,
};
use ferrotitre_core::working::{ContentUnit, Fact, Index, Operation};
use serde_json::Value;

use crate::data;
use crate::printed::{close, decimals, record};

const UNIT: DataUnit = DataUnit::Content(ContentUnit::GramsPerLitre);

/// Numbers with identities, from their digits.
struct Rows(Vec<(String, Reading)>);

impl Rows {
    fn of<T: ToString>(digits: &[T]) -> Self {
        let row = |(at, digits): (usize, &T)| {
            let decimal: BigDecimal = digits.to_string().parse().unwrap();
            (format!("datum {at}"), Reading::of(decimal))
        };
        Self(digits.iter().enumerate().map(row).collect())
    }

    fn stated(&self) -> Vec<Stated<'_>> {
        let stated = |((id, reading), at)| Stated {
            reading,
            fact: Fact { kind: "validation_data", id, field: "value" },
            index: Index::Number(at),
        };
        self.0.iter().map(|(id, reading)| (id.as_str(), reading)).zip(1..).map(stated).collect()
    }

    fn one(&self) -> Stated<'_> {
        self.stated()[0]
    }

    fn doubles(&self) -> Vec<f64> {
        self.0.iter().map(|(_, reading)| reading.value()).collect()
    }
}

fn value(of: Statistic, places: &Places<'_>) -> Option<f64> {
    let working = expression(of, &StudyData { unit: UNIT, places: places.clone() })?;
    let nodes = working.nodes();
    // Every leaf is a datum or a number of the plan with its record, or a number of the formula.
    assert!(nodes.iter().all(|node| node.operation != Operation::Leaf || node.fact.is_some() || node.source.is_some()));
    assert!(nodes[working.result()].is(ferrotitre_core::working::Quantity::Statistic(of, UNIT)), "{of:?}");
    Some(nodes[working.result()].value)
}

/// Compares expressions with figures of algorithms, and notes which were compared.
#[derive(Default)]
struct Compared(HashSet<Statistic>);

impl Compared {
    #[track_caller]
    fn with(&mut self, what: &str, places: &Places<'_>, figures: &[(Statistic, f64)], relative: f64) {
        for (of, expected) in figures {
            let found = value(*of, places).unwrap_or_else(|| panic!("{what}: no {of:?}"));
            close(&format!("{what} {of:?}"), found, *expected, relative);
            self.0.insert(*of);
        }
    }
}

fn grouped(groups: &[Rows]) -> Places<'_> {
    Places::Groups(groups.iter().map(Rows::stated).collect())
}

fn precision(what: &str, groups: &[Vec<BigDecimal>], (between, within): (f64, f64), compared: &mut Compared) {
    let rows: Vec<Rows> = groups.iter().map(|group| Rows::of(group)).collect();
    let doubles: Vec<Vec<f64>> = rows.iter().map(Rows::doubles).collect();
    let study = one_way(&doubles, 0.95).unwrap();
    let places = grouped(&rows);
    compared.with(what, &places, &[(Statistic::Mean, study.grand_mean)], 1e-12);
    compared.with(what, &places, &[(Statistic::MeanSquareBetween, study.ms_between)], between);
    let s_r = study.repeatability.sd;
    let of_within = [(Statistic::MeanSquareWithin, study.ms_within), (Statistic::RepeatabilitySd, s_r)];
    compared.with(what, &places, &of_within, within);
    compared.with(
        what,
        &places,
        &[
            (Statistic::RelativeRepeatability, 100.0 * s_r / study.grand_mean.abs()),
            (Statistic::RepeatabilityLimit, 2.8 * s_r),
            (Statistic::BetweenGroupSd, study.between.sd),
            (Statistic::IntermediateSd, study.intermediate.sd),
            (Statistic::IntermediateDegreesOfFreedom, study.intermediate.degrees_of_freedom),
            (Statistic::RelativeIntermediate, 100.0 * study.intermediate.sd / study.grand_mean.abs()),
            (Statistic::IntermediateOverRepeatability, study.intermediate.sd / s_r),
        ],
        between,
    );
}

/// Groups of a StRD set; the SmLs sets are stored as a rule: the first value, then a pair repeated.
fn strd_groups(set: &Value) -> Vec<Vec<BigDecimal>> {
    let groups = set.get("pattern").unwrap_or(&set["data"]).as_object().unwrap();
    let size = set["n_per_group"].as_u64().map_or(0, |size| usize::try_from(size).unwrap());
    let group = |values: &Value| {
        let mut values = decimals(values);
        let pairs: Vec<BigDecimal> = values[1..].to_vec();
        let further = size.saturating_sub(values.len());
        values.extend(pairs.into_iter().cycle().take(further));
        values
    };
    groups.values().map(group).collect()
}

fn groups_of(table: &str, id: &str, field: &str) -> Vec<Vec<BigDecimal>> {
    let all = data::json(table);
    let groups = record(&all, id)[field].as_array().unwrap().clone();
    let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned).parse().unwrap();
    groups.iter().map(|group| group.as_array().unwrap().iter().map(text).collect()).collect()
}

fn analyses_of_variance(compared: &mut Compared) {
    let table = data::json("01_strd_anova.json");
    for (name, set) in table["datasets"].as_object().unwrap() {
        // SmLs04 to 06 lie on 1e6, where the nearest double is up to 6e-11 off and the spread is 0.1: what is taken on the
        // decimals differs by that from what is taken on doubles. On 1e12 (SmLs07 to 09) doubles do not hold the data.
        let tolerances = match name.as_str() {
            "SmLs04" | "SmLs05" | "SmLs06" => (1e-8, 1e-12),
            "SmLs07" | "SmLs08" | "SmLs09" => continue,
            _ => (1e-9, 1e-12),
        };
        precision(name, &strd_groups(set), tolerances, compared);
    }
    for (id, field) in [("USP1010_precision", "data_by_run"), ("VOGEL_titration_anova", "data_by_analyst_mL")] {
        precision(id, &groups_of("08_interlab_anova_robust.json", id, field), (1e-12, 1e-12), compared);
    }
    // Means closer to each other than their scatter allows: s_L is set to 0 and s_I is s_r; groups of several sizes.
    let parse = |groups: &[&[&str]]| -> Vec<Vec<BigDecimal>> {
        groups.iter().map(|group| group.iter().map(|text| text.parse().unwrap()).collect()).collect()
    };
    precision("s_L = 0", &parse(&[&["1.0", "3.0"], &["1.1", "3.0"], &["0.9", "3.1"]]), (1e-12, 1e-12), compared);
    let uneven = parse(&[&["52.41", "52.33", "52.38"], &["52.22"], &["52.47", "52.40"]]);
    precision("sizes that differ", &uneven, (1e-11, 1e-12), compared);
}

/// The certified deviations of StRD's univariate sets, on the offset 1e7 of NumAcc1 and 1e6 of NumAcc3, too.
fn single_groups(compared: &mut Compared) {
    let table = data::json("01_strd_univariate.json");
    for (name, set) in table["datasets"].as_object().unwrap() {
        let digits: Vec<String> = match (set["data"].as_array(), name.as_str()) {
            (Some(listed), _) => {
                listed.iter().map(|value| value.as_str().map_or_else(|| value.to_string(), str::to_owned)).collect()
            }
            (None, "NumAcc3") => made("1000000.2", "1000000.1", "1000000.3"),
            (None, _) => made("1.2", "1.1", "1.3"),
        };
        let rows = Rows::of(&digits);
        let places = Places::Groups(vec![rows.stated()]);
        let summary = Summary::of(&rows.doubles()).unwrap();
        let figures =
            [(Statistic::Mean, summary.mean().unwrap()), (Statistic::RepeatabilitySd, summary.sample_sd().unwrap())];
        compared.with(name, &places, &figures, 1e-12);
        let certified: f64 = set["certified_sd"].as_str().unwrap().parse().unwrap();
        // 1000000.1 is no double.
        compared.with(name, &places, &[(Statistic::RepeatabilitySd, certified)], 1e-9);
        let near = NearZero { values: rows.stated(), ..NearZero::default() };
        compared.with(name, &Places::NearZero(Box::new(near)), &[(Statistic::SdNearZero, certified)], 1e-9);
    }
}

/// The first, then a pair 500 times.
fn made(first: &str, low: &str, high: &str) -> Vec<String> {
    let pairs = std::iter::repeat_n([low, high], 500).flatten();
    std::iter::once(first).chain(pairs).map(str::to_owned).collect()
}

fn text_of(values: &Value) -> Vec<String> {
    decimals(values).iter().map(ToString::to_string).collect()
}

fn points<'a>(x: &'a Rows, y: &'a Rows, axis: Abscissa, holding: Option<Stated<'a>>) -> Places<'a> {
    Places::Line { x: axis, points: x.stated().into_iter().zip(y.stated()).collect(), holding }
}

fn lines(compared: &mut Compared) {
    let table = data::json("01_strd_linear.json");
    let norris = &table["datasets"]["Norris"];
    for name in ["Norris", "Pontius", "Wampler3"] {
        let set = &table["datasets"][name];
        let (x, y) = (Rows::of(&text_of(&set["x"])), Rows::of(&text_of(&set["y"])));
        let line = StraightLine::fit(&x.doubles(), &y.doubles(), None).unwrap();
        let largest = line.residuals.iter().fold(0.0_f64, |most, e| most.max(e.abs())) / line.residual_sd;
        let places = points(&x, &y, Abscissa::Taken, None);
        let figures = [
            (Statistic::Slope, line.slope.estimate),
            (Statistic::Intercept, line.intercept.estimate),
            (Statistic::ResidualSd, line.residual_sd),
            (Statistic::RSquared, line.r_squared.unwrap()),
            (Statistic::LargestResidual, largest),
        ];
        compared.with(name, &places, &figures, 1e-9);
        let lack = lack_of_fit(&x.doubles(), &y.doubles(), 1).ok().and_then(|lack| lack.f_test).map(|test| test.f);
        match lack {
            Some(f) => compared.with(name, &places, &[(Statistic::LackOfFitF, f)], 1e-9),
            None => assert_eq!(value(Statistic::LackOfFitF, &places), None, "{name}"),
        }
    }
    let certified = |at: usize| norris["certified_b"][at].as_str().unwrap().parse::<f64>().unwrap();
    let (x, y) = (Rows::of(&text_of(&norris["x"])), Rows::of(&text_of(&norris["y"])));
    let places = points(&x, &y, Abscissa::Taken, None);
    let residual: f64 = norris["residual_sd"].as_str().unwrap().parse().unwrap();
    let figures =
        [(Statistic::Intercept, certified(0)), (Statistic::Slope, certified(1)), (Statistic::ResidualSd, residual)];
    compared.with("Norris, certified", &places, &figures, 1e-11);
    // A line that falls, over hours, to a holding time.
    let (hours, found) =
        (Rows::of(&["0", "24", "48", "96", "168"]), Rows::of(&["10.02", "10.01", "9.99", "9.97", "9.94"]));
    let holding = Rows::of(&["168"]);
    let line = StraightLine::fit(&hours.doubles(), &found.doubles(), None).unwrap();
    let (b, a) = (line.slope.estimate, line.intercept.estimate);
    let figures = [
        (Statistic::ChangeRate, b),
        (Statistic::Change, b * 168.0),
        (Statistic::RelativeChange, 100.0 * b * 168.0 / a),
    ];
    compared.with("hours", &points(&hours, &found, Abscissa::Hours, Some(holding.one())), &figures, 1e-11);
}

fn against_a_certificate(compared: &mut Compared) {
    let rows = Rows::of(&["65.12", "65.08", "65.15", "65.10", "65.06", "65.11"]);
    let plan = [Rows::of(&["65.10"]), Rows::of(&["0.03"]), Rows::of(&["0.025"])];
    let found = trueness(&rows.doubles(), 65.10, 0.03).unwrap();
    let s = variance_chi_square(&rows.doubles(), 0.025, 0.95).unwrap();
    let places = Places::Certified {
        values: rows.stated(),
        reference: plan[0].one(),
        u: plan[1].one(),
        method_sd: Some(plan[2].one()),
    };
    // The bias of 0.003 is exact on the decimals; on doubles of 65 it has 12 digits.
    let figures = [
        (Statistic::Bias, found.bias),
        (Statistic::RelativeBias, 100.0 * found.bias / 65.10),
        (Statistic::BiasUncertainty, found.u),
        (Statistic::BiasRatio, found.bias.abs() / found.limit),
        (Statistic::SampleSd, s.estimate.sqrt()),
        (Statistic::VarianceF, s.estimate / (0.025 * 0.025)),
    ];
    compared.with("certificate", &places, &figures, 1e-9);
    close("bias by hand", value(Statistic::Bias, &places).unwrap(), 0.02 / 6.0, 1e-14);
}

fn additions(compared: &mut Compared) {
    let (unspiked, spiked) =
        (Rows::of(&["5.02", "5.00"]), Rows(Rows::of(&["0", "0", "9.95", "10.02", "9.99"]).0.split_off(2)));
    let added = Rows::of(&["5.00"]);
    let single: Vec<f64> = spiked
        .doubles()
        .iter()
        .map(|found| {
            let exact = |value: f64| Measured { value, u: 0.0 };
            recovery_from_spike(exact(*found), exact(5.01), exact(5.0), 0.95).unwrap().recovery
        })
        .collect();
    let found = recovery_from_replicates(&single, 0.95).unwrap();
    let all =
        spiked.stated().into_iter().map(|spiked| Addition { spiked, unspiked: unspiked.stated(), added: added.one() });
    let figures = [
        (Statistic::Recovery, 100.0 * found.recovery),
        (Statistic::RecoveryAtLevel, 100.0 * found.recovery),
        (Statistic::RecoveryUncertainty, 100.0 * found.u),
        (Statistic::RecoveryT, found.t.unwrap()),
    ];
    compared.with("additions", &Places::Additions(all.collect()), &figures, 1e-11);
}

fn near_zero(compared: &mut Compared) {
    let (values, u) = (
        Rows::of(&["0.02", "-0.01", "0.03", "0.00", "0.01"]),
        Rows::of(&["0.012", "0.013", "0.012", "0.011", "0.015"]),
    );
    let plan = [
        Rows::of(&["2"]),
        Rows::of(&["3"]),
        Rows::of(&["6"]),
        Rows::of(&["25.0"]),
        Rows::of(&["0.02"]),
        Rows::of(&["20.0"]),
    ];
    let scheme = BlankScheme { replicates: 2, blanks: Some(3) };
    let factors = DetectionFactors { quantification: 6.0, ..DetectionFactors::default() };
    let found = detection_limits_from_blanks(&values.doubles(), scheme, factors).unwrap();
    let planned = NearZero {
        values: values.stated(),
        uncertainties: u.stated(),
        total: None,
        replicates: Some(plan[0].one()),
        blanks: Some(plan[1].one()),
        factor: Some(plan[2].one()),
        titre: Some((plan[3].one(), plan[4].one())),
    };
    let figures = [
        (Statistic::SdNearZero, found.s0),
        (Statistic::AdjustedSdNearZero, found.s0_adjusted),
        (Statistic::DetectionLimit, found.detection),
        (Statistic::QuantificationLimit, found.quantification),
    ];
    compared.with("blanks", &Places::NearZero(Box::new(planned.clone())), &figures, 1e-13);
    let mean_square = u.doubles().iter().map(|u| u * u).sum::<f64>() / 5.0;
    let figures = [
        (Statistic::SdNearZeroAt, found.s0),
        (Statistic::DetectionLimitAt, found.detection),
        (Statistic::QuantificationLimitAt, found.quantification),
        (Statistic::RelativeQuantificationLimitAt, 5.0 * found.quantification),
        (Statistic::UncertaintyAt, mean_square.sqrt()),
        (Statistic::ModelUncertaintyAt, 20.0 * std::f64::consts::SQRT_2 * 0.02 / 25.0),
    ];
    let at_a_total = NearZero { total: Some(plan[5].one()), ..planned };
    compared.with("at a total", &Places::NearZero(Box::new(at_a_total)), &figures, 1e-13);
    // Without a plan for it: one replicate, no blank, k_Q = 10.
    let plain = detection_limits_from_blanks(
        &values.doubles(),
        BlankScheme { replicates: 1, blanks: None },
        DetectionFactors::default(),
    )
    .unwrap();
    let bare = NearZero { values: values.stated(), ..NearZero::default() };
    let figures =
        [(Statistic::DetectionLimit, plain.detection), (Statistic::QuantificationLimit, plain.quantification)];
    compared.with("bare", &Places::NearZero(Box::new(bare)), &figures, 1e-13);
    let totals = Rows::of(&["5.0", "20.0", "60.0"]);
    let groups = [
        Rows::of(&["0.01", "0.02", "0.00"]),
        Rows::of(&["0.05", "-0.02", "0.01"]),
        Rows::of(&["0.11", "-0.08", "0.03"]),
    ];
    let s0: Vec<f64> = groups.iter().map(|rows| Summary::of(&rows.doubles()).unwrap().sample_sd().unwrap()).collect();
    let slope = StraightLine::fit(&totals.doubles(), &s0, None).unwrap().slope.estimate;
    let places = Places::Totals(totals.stated().into_iter().zip(groups.iter().map(Rows::stated)).collect());
    compared.with("totals", &places, &[(Statistic::SdNearZeroSlope, slope)], 1e-12);
}

/// Bland and Altman's flow meters, and pairs of several data.
fn pairs(compared: &mut Compared) {
    let first = Rows::of(&["494", "395", "516", "434", "476", "557", "413", "442", "650", "433"]);
    let second = Rows::of(&["512", "430", "520", "428", "500", "600", "364", "380", "658", "445"]);
    let ratio = Rows::of(&["2.5"]);
    let pairs = first.stated().into_iter().zip(second.stated());
    let pairs: Vec<Pair<'_>> = pairs.map(|(a, b)| Pair { first: vec![a], second: vec![b] }).collect();
    let (x, y) = (first.doubles(), second.doubles());
    let agreement = bland_altman(&y, &x, LimitMultiplier::OnePointNineSix, 0.95).unwrap();
    let relative = x.iter().zip(&y).map(|(x, y)| 100.0 * (y - x) / x).sum::<f64>() / 10.0;
    for (ratio, number) in [(None, 1.0), (Some(ratio.one()), 2.5)] {
        let line = deming(&x, &y, number, 0.95).unwrap();
        let figures = [
            (Statistic::DemingSlope, line.slope.estimate),
            (Statistic::DemingIntercept, line.intercept.estimate),
            (Statistic::MeanDifference, agreement.mean_difference),
            (Statistic::Difference, agreement.mean_difference),
            (Statistic::RelativeDifference, relative),
            (Statistic::LowerAgreement, agreement.lower_limit),
            (Statistic::UpperAgreement, agreement.upper_limit),
        ];
        compared.with("pairs", &Places::Pairs(pairs.clone(), ratio), &figures, 1e-11);
    }
    let several = [
        Rows::of(&["52.41", "52.33"]),
        Rows::of(&["52.50", "52.46"]),
        Rows::of(&["40.10"]),
        Rows::of(&["40.20", "40.16"]),
    ];
    let pair = |at: usize| Pair { first: several[at].stated(), second: several[at + 1].stated() };
    let places = Places::Pairs(vec![pair(0), pair(2)], None);
    // (0.11 + 0.08)/2.
    close("means of arms", value(Statistic::Difference, &places).unwrap(), 0.095, 1e-13);
}

fn effects_and_budgets(compared: &mut Compared) {
    let results = ["35.21", "35.26", "35.19", "35.24", "35.02", "35.08", "35.05", "35.11"];
    let runs: Vec<Rows> = results.iter().map(|result| Rows::of(&[*result])).collect();
    let numbers: Vec<f64> = runs.iter().map(|run| run.doubles()[0]).collect();
    let study = youden_steiner(&numbers.clone().try_into().unwrap(), None).unwrap();
    let level = numbers.iter().sum::<f64>() / 8.0;
    for (factor, effect) in study.effects.iter().enumerate() {
        let places = Places::Runs(runs.iter().map(Rows::stated).collect(), factor);
        // An effect of 0 is 0 on the decimals; on doubles of 35 a rest of 4e-15 stands for it.
        let figures =
            [(Statistic::Effect, effect.difference), (Statistic::RelativeEffect, 100.0 * effect.difference / level)];
        for (of, expected) in figures {
            let found = value(of, &places).unwrap();
            assert!(
                (found - expected).abs() <= 1e-9 * expected.abs() + 1e-14 * level,
                "{of:?}: {found} is not {expected}"
            );
            compared.0.insert(of);
        }
        compared.with("runs", &places, &[(Statistic::EffectsSd, study.sd_of_effects)], 1e-12);
    }
    let arms = [
        Rows::of(&["0.55", "0.62", "0.58"]),
        Rows::of(&["0.35", "0.37"]),
        Rows::of(&["0.4", "-0.3", "0.6", "0.2", "-0.5", "0.3"]),
        Rows::of(&["0.25"]),
    ];
    let square = |rows: &Rows| rows.doubles().iter().map(|x| x * x).sum::<f64>() / rows.0.len() as f64;
    let [bottom_up, within, _, references] = [0, 1, 2, 3].map(|at| square(&arms[at]).sqrt());
    let source = BiasSource::Several { biases: arms[2].doubles(), u_reference: references };
    let found = top_down(within, &source).unwrap();
    let figures = [
        (Statistic::BottomUpUncertainty, bottom_up),
        (Statistic::RootMeanSquareBias, found.rms_bias),
        (Statistic::BiasComponent, found.u_bias),
        (Statistic::TopDownUncertainty, found.combined),
        (Statistic::ExpandedUncertainty, found.expanded),
        (Statistic::BottomUpOverTopDown, bottom_up / found.combined),
    ];
    compared.with("top-down", &Places::Arms([0, 1, 2, 3].map(|at| arms[at].stated())), &figures, 1e-13);
}

#[test]
fn every_expression_agrees_with_the_algorithm_of_its_statistic() {
    let mut compared = Compared::default();
    analyses_of_variance(&mut compared);
    single_groups(&mut compared);
    lines(&mut compared);
    against_a_certificate(&mut compared);
    additions(&mut compared);
    near_zero(&mut compared);
    pairs(&mut compared);
    effects_and_budgets(&mut compared);
    for statistic in Statistic::ALL {
        assert_eq!(statistic.has_expression(), compared.0.contains(statistic), "{statistic:?}");
    }
}

#[test]
fn what_has_no_value_has_no_expression() {
    let (equal, two) = (Rows::of(&["52.3", "52.3", "52.3"]), Rows::of(&["1.00", "1.02"]));
    let one_group = |rows| Places::Groups(vec![rows]);
    assert_eq!(value(Statistic::RepeatabilitySd, &one_group(equal.stated())), None, "no spread");
    let groups = Places::Groups(vec![equal.stated(), equal.stated()]);
    assert_eq!(value(Statistic::MeanSquareBetween, &groups), None, "no spread within groups");
    assert_eq!(value(Statistic::RepeatabilitySd, &one_group(two.stated()[..1].to_vec())), None, "one datum");
    let s = value(Statistic::RepeatabilitySd, &one_group(two.stated())).unwrap();
    close("two data", s, 0.02 / std::f64::consts::SQRT_2, 1e-14);
    let singles = Places::Groups(vec![two.stated()[..1].to_vec(), two.stated()[1..].to_vec()]);
    assert_eq!(value(Statistic::MeanSquareWithin, &singles), None, "groups of one");
    let flat = Places::Line {
        x: Abscissa::Taken,
        points: equal.stated().into_iter().zip(equal.stated()).collect(),
        holding: None,
    };
    assert_eq!(value(Statistic::Slope, &flat), None, "one x");
    let near = Places::NearZero(Box::new(NearZero { values: equal.stated(), ..NearZero::default() }));
    assert_eq!(value(Statistic::DetectionLimit, &near), None, "blanks that do not differ");
    assert_eq!(value(Statistic::BetweenP, &groups), None, "a probability");
    let zero = Rows::of(&["0.00", "0.00"]);
    let pairs = zero.stated().into_iter().zip(two.stated()).map(|(a, b)| Pair { first: vec![a], second: vec![b] });
    assert_eq!(
        value(Statistic::RelativeDifference, &Places::Pairs(pairs.collect(), None)),
        None,
        "nothing to divide by"
    );
}

#[test]
fn an_offset_costs_a_difference_no_digit() {
    // As NumAcc4 of StRD, on 1e9: the decimals differ by tenths, the doubles by tenths give or take 1e-7.
    let digits = ["1000000000.2", "1000000000.1", "1000000000.3", "1000000000.1", "1000000000.3"];
    let (rows, reference, u) = (Rows::of(&digits), Rows::of(&["1000000000.0"]), Rows::of(&["0"]));
    let (values, reference, u) = (rows.stated(), reference.one(), u.one());
    let places = Places::Certified { values, reference, u, method_sd: None };
    close("bias", value(Statistic::Bias, &places).unwrap(), 0.2, 1e-15);
    let groups = Places::Groups(vec![rows.stated()[..3].to_vec(), rows.stated()[3..].to_vec()]);
    // Means 0.2 and 0.2.
    assert!(value(Statistic::MeanSquareBetween, &groups).unwrap() < 1e-30);
    let x = Rows::of(&["1000000000.0", "1000000001.0", "1000000002.0", "1000000003.0"]);
    let y = Rows::of(&["1000000000.1", "1000000001.3", "1000000002.1", "1000000003.3"]);
    // S_xy = 5.2 by hand, S_xx = 5.
    close("slope", value(Statistic::Slope, &points(&x, &y, Abscissa::Taken, None)).unwrap(), 5.2 / 5.0, 1e-14);
}
