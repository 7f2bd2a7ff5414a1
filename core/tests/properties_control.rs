//! Identities of control charts that hold for any input.

use ferrotitre_core::control::rules::{any_side, same_side};
use ferrotitre_core::control::run_length::run_length;
use ferrotitre_core::control::{AfterSignal, Engine, Pattern, Process, Rule, RuleSet, Side, judge};
use proptest::prelude::*;

/// The rule as its sentence says it, on the whole series up to and including point `i`.
fn by_definition(pattern: Pattern, points: &[f64], i: usize) -> bool {
    let last = |n: u8| (i + 1).checked_sub(n.into()).map(|from| &points[from..=i]);
    let steps = |n: u8| last(n).map(|w| w.windows(2).map(|p| p[1] - p[0]).collect::<Vec<f64>>());
    match pattern {
        Pattern::Beyond { count, of, sigmas, side } => {
            let above = |z: f64| z > sigmas;
            let below = |z: f64| z < -sigmas;
            let window = &points[(i + 1).saturating_sub(of.into())..=i];
            let enough = |hit: &dyn Fn(f64) -> bool| {
                hit(points[i]) && window.iter().filter(|z| hit(**z)).count() >= usize::from(count)
            };
            match side {
                Side::Same => enough(&above) || enough(&below),
                Side::Any => enough(&|z| above(z) || below(z)),
                Side::Upper => enough(&above),
                Side::Lower => enough(&below),
            }
        }
        Pattern::Within { count, sigmas } => last(count).is_some_and(|w| w.iter().all(|z| z.abs() <= sigmas)),
        Pattern::Steady { points } => {
            steps(points).is_some_and(|s| s.iter().all(|d| *d > 0.0) || s.iter().all(|d| *d < 0.0))
        }
        Pattern::Alternating { points } => {
            steps(points).is_some_and(|s| s.iter().all(|d| *d != 0.0) && s.windows(2).all(|p| p[0] * p[1] < 0.0))
        }
    }
}

fn pattern() -> impl Strategy<Value = Pattern> {
    let side = prop_oneof![Just(Side::Same), Just(Side::Any), Just(Side::Upper), Just(Side::Lower)];
    let sigmas = prop_oneof![Just(0.0), Just(0.5), Just(1.0), Just(2.0)];
    prop_oneof![
        (1_u8..=12, 0_u8..=4, sigmas, side).prop_map(|(count, more, sigmas, side)| Pattern::Beyond {
            count,
            of: count + more,
            sigmas,
            side
        }),
        (1_u8..=8).prop_map(|count| Pattern::Within { count, sigmas: 1.0 }),
        (3_u8..=6).prop_map(|points| Pattern::Steady { points }),
        (3_u8..=6).prop_map(|points| Pattern::Alternating { points }),
    ]
}

proptest! {
    #[test]
    fn the_engine_marks_what_the_definition_says(
        patterns in prop::collection::vec(pattern(), 1..6),
        // Tenths of sigma, so that equal points and points on a line occur.
        tenths in prop::collection::vec(-28_i32..=28, 1..120),
    ) {
        let points: Vec<f64> = tenths.iter().map(|t| f64::from(*t) / 10.0).collect();
        let rules = RuleSet::new(patterns.iter().map(|&p| Rule::rejecting(p)).collect()).unwrap();
        let marks = judge(&rules, &points, AfterSignal::Continue).unwrap();
        for (i, mark) in marks.iter().enumerate() {
            for (rule, &pattern) in patterns.iter().enumerate() {
                prop_assert_eq!(mark.contains(rule), by_definition(pattern, &points, i), "{:?} at {}", pattern, i);
            }
        }
    }

    #[test]
    fn run_lengths_do_not_know_up_from_down(shift in 0.0..2.5_f64) {
        let rules = RuleSet::western_electric();
        let up = run_length(&rules, Process::shifted(shift)).unwrap().average();
        let down = run_length(&rules, Process::shifted(-shift)).unwrap().average();
        prop_assert!((up / down - 1.0).abs() < 1e-10);
    }

    #[test]
    fn a_quantile_is_the_first_length_with_its_probability(shift in 0.0..2.0_f64, p in 0.01..0.99_f64) {
        let run = run_length(&RuleSet::western_electric(), Process::shifted(shift)).unwrap();
        let n = run.quantile(p).unwrap();
        prop_assert!(1.0 - run.survival(n) >= p - 1e-12);
        prop_assert!(n == 0 || 1.0 - run.survival(n - 1) < p);
    }
}

/// A small generator for the simulations: SplitMix64 and the polar-free Box-Muller transform.
struct Normals(u64);

impl Normals {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut x = self.0;
        x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((x ^ (x >> 31)) >> 11) as f64 / 9_007_199_254_740_992.0 + 5e-17
    }
    fn next(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

#[test]
fn exact_run_lengths_agree_with_the_engine_on_simulated_points() {
    let sets = [
        RuleSet::laboratory(),
        RuleSet::nelson(),
        RuleSet::new(vec![Rule::rejecting(any_side(3, 4, 1.2)), Rule::rejecting(Pattern::Alternating { points: 8 })])
            .unwrap(),
        RuleSet::new(vec![Rule::rejecting(same_side(5, 7, 0.5)), Rule::rejecting(Pattern::Steady { points: 5 })])
            .unwrap(),
    ];
    let mut normals = Normals(20_240_229);
    for rules in &sets {
        for process in [Process::IN_CONTROL, Process::shifted(0.8), Process { shift: -0.3, scale: 1.3 }] {
            let exact = run_length(rules, process).unwrap();
            let runs = 6000;
            let mut total = 0_u64;
            for _ in 0..runs {
                let mut engine = Engine::new(rules, AfterSignal::Continue);
                loop {
                    total += 1;
                    if !engine.push(process.shift + process.scale * normals.next()).unwrap().is_empty() {
                        break;
                    }
                }
            }
            let mean = total as f64 / f64::from(runs);
            let error = exact.standard_deviation() / f64::from(runs).sqrt();
            // Twelve comparisons with a fixed seed; four standard errors.
            assert!((mean - exact.average()).abs() < 4.0 * error, "{mean} {} {error}", exact.average());
        }
    }
}

#[test]
fn a_million_points_are_one_pass_with_a_few_words_of_memory() {
    let rules = RuleSet::nelson();
    let mut engine = Engine::new(&rules, AfterSignal::Continue);
    let mut normals = Normals(7);
    let mut marked = 0_u64;
    for _ in 0..1_000_000 {
        marked += u64::from(!engine.push(normals.next()).unwrap().is_empty());
    }
    assert_eq!(engine.state().memories.len(), 8);
    // Any marked point: the rate is above one over the average run length, 73.4, and of its order.
    assert!((13_000..30_000).contains(&marked), "{marked}");
}
