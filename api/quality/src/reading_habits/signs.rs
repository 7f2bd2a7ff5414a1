//! Signs in one person's titrations: which are looked for, in how much, and what the tests of core say.

use std::collections::BTreeMap;

use bigdecimal::BigDecimal;
use ferrotitre_core::quantity::nearest_double;
use ferrotitre_core::statistics::integrity::{
    CountTest, IntegrityError, ReadingStep, count_last_digits, identical_sets, pile_up_inside_limit, terminal_digits,
};

use crate::reading_habits::wire::{DigitCount, SignView};

/// Fewest final readings whose last digits say something (common practice, no source).
const FEWEST_READINGS: usize = 20;
/// Fewest sets of titres (common practice, no source).
const FEWEST_SETS: usize = 5;

/// All accurate titres of a determination that one person made.
#[derive(Debug, Clone)]
pub(super) struct Set {
    /// Differences of the readings, mL.
    pub(super) titres: Vec<BigDecimal>,
}

/// What the sets of one kind have in common.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Basis {
    /// Code of the method.
    pub(super) method: String,
    /// Repeatability standard deviation of a titre, mL.
    pub(super) sigma_r_ml: Option<f64>,
    /// Largest range of concordant titres, mL.
    pub(super) limit_ml: f64,
    /// Step to which the burette is read, mL.
    pub(super) step_ml: f64,
}

/// A sign of which nothing is said yet.
fn sign(what: &'static str, basis: &str, cases: usize) -> SignView {
    SignView {
        what,
        basis: basis.to_owned(),
        cases: cases as u64,
        observed: String::new(),
        expected: String::new(),
        p: None,
        p_adjusted: None,
        stands_out: false,
        missing: None,
        digits: Vec::new(),
    }
}

/// Whether last digits of final readings are as frequent as each other. Initial readings are set, often to zero, and say nothing;
/// final readings of one sample from one mark differ by scatter alone and are not given more than once.
pub(super) fn last_digits(readings: &[BigDecimal], step: ReadingStep) -> SignView {
    let sign = sign("last digits", &format!("final readings to {} mL", step.text()), readings.len());
    if readings.len() < FEWEST_READINGS {
        let missing = format!("not enough data: needs {FEWEST_READINGS} final readings, has {}", readings.len());
        return SignView { missing: Some(missing), ..sign };
    }
    match count_last_digits(readings, step).and_then(|counts| terminal_digits(&counts)) {
        Ok(test) => {
            let digits = step.digits().iter().zip(&test.counts);
            let digits: Vec<_> = digits.map(|(digit, count)| DigitCount { digit: *digit, count: *count }).collect();
            let observed: Vec<String> = digits.iter().map(|of| format!("{}: {}", of.digit, of.count)).collect();
            SignView {
                observed: observed.join(", "),
                expected: format!("{:.1} of each", test.expected),
                p: Some(test.p_exact.unwrap_or(test.p_chi_square)),
                digits,
                ..sign
            }
        }
        Err(error) => SignView { missing: Some(error.to_string()), ..sign },
    }
}

/// The sets by their number of titres.
fn by_size(sets: &[Set]) -> BTreeMap<u32, Vec<&Set>> {
    let mut sizes: BTreeMap<u32, Vec<&Set>> = BTreeMap::new();
    for set in sets.iter().filter(|set| set.titres.len() > 1) {
        sizes.entry(u32::try_from(set.titres.len()).unwrap_or(u32::MAX)).or_default().push(set);
    }
    sizes
}

/// Whether identical titres are more frequent than scatter and reading step allow, and whether ranges pile up just inside the
/// limit; a line for each number of titres.
pub(super) fn of_sets(basis: &Basis, sets: &[Set]) -> Vec<SignView> {
    let mut signs = Vec::new();
    for (n, sets) in by_size(sets) {
        let within = format!("{n} titres by {}", basis.method);
        for (what, test) in [("identical titres", identical as Test), ("ranges just inside the limit", inside)] {
            let sign = sign(what, &within, sets.len());
            signs.push(match basis.sigma_r_ml {
                _ if sets.len() < FEWEST_SETS => {
                    let missing = format!("not enough data: needs {FEWEST_SETS} sets, has {}", sets.len());
                    SignView { missing: Some(missing), ..sign }
                }
                None => {
                    let missing = format!("{} states no repeatability of a titre", basis.method);
                    SignView { missing: Some(missing), ..sign }
                }
                Some(sd) => match test(basis, (n, sd), &sets) {
                    Ok((test, observed)) => SignView {
                        cases: test.cases,
                        observed,
                        expected: format!("{:.2}", test.expected),
                        p: Some(test.p),
                        ..sign
                    },
                    Err(error) => SignView { missing: Some(error.to_string()), ..sign },
                },
            });
        }
    }
    signs
}

/// A test of sets of so many titres with a standard deviation in mL, and what was found in words.
type Test = fn(&Basis, (u32, f64), &[&Set]) -> Result<(CountTest, String), IntegrityError>;

fn identical(basis: &Basis, (n, sd): (u32, f64), sets: &[&Set]) -> Result<(CountTest, String), IntegrityError> {
    let same = sets.iter().filter(|set| set.titres.windows(2).all(|pair| pair[0] == pair[1])).count() as u64;
    let test = identical_sets(same, sets.len() as u64, n, sd, basis.step_ml)?;
    Ok((test, format!("{same} sets of {} with all titres the same", test.cases)))
}

fn inside(basis: &Basis, (n, sd): (u32, f64), sets: &[&Set]) -> Result<(CountTest, String), IntegrityError> {
    let ranges: Vec<f64> = sets.iter().map(|set| range(set)).collect();
    // Two steps on either side: a titre nudged by one step changes the range by one.
    let test = pile_up_inside_limit(&ranges, n, basis.limit_ml, 2.0 * basis.step_ml, sd)?;
    let (inside, near) = (test.observed, test.cases);
    Ok((test, format!("{inside} of {near} ranges within two steps of {} mL lie inside", basis.limit_ml)))
}

fn range(set: &Set) -> f64 {
    let extremes = set.titres.iter().min().zip(set.titres.iter().max());
    extremes.map_or(f64::NAN, |(low, high)| nearest_double(&(high - low)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings(texts: &[&str]) -> Vec<BigDecimal> {
        texts.iter().map(|text| text.parse().unwrap()).collect()
    }

    fn basis() -> Basis {
        Basis { method: "M1".to_owned(), sigma_r_ml: Some(0.03), limit_ml: 0.10, step_ml: 0.02 }
    }

    #[test]
    fn ten_of_twenty_zeros_stand_out_by_the_multinomial_probability() {
        let mut all = vec!["21.50"; 12];
        all.extend(["21.52", "21.54", "21.56", "21.58", "21.52", "21.54", "21.56", "21.58"]);
        let sign = last_digits(&readings(&all), ReadingStep::Fiftieth);
        assert_eq!(sign.digits[0], DigitCount { digit: 0, count: 12 });
        // All outcomes with a sum of squares of at least 12² + 4 · 2² = 160, enumerated in Python: 20!/5²⁰ Σ Π 1/oᵢ!.
        assert!((sign.p.unwrap() - 0.000_639_836_499_686).abs() < 1e-14, "{sign:?}");
        assert_eq!(sign.expected, "4.0 of each");
    }

    #[test]
    fn too_few_readings_and_sets_say_nothing() {
        let few = last_digits(&readings(&["21.50"; 19]), ReadingStep::Fiftieth);
        assert_eq!((few.p, few.missing.as_deref()), (None, Some("not enough data: needs 20 final readings, has 19")));
        let four = vec![Set { titres: readings(&["21.50", "21.50"]) }; 4];
        assert!(of_sets(&basis(), &four).iter().all(|sign| sign.p.is_none() && sign.missing.is_some()));
        let unstated = Basis { sigma_r_ml: None, ..basis() };
        let six = vec![Set { titres: readings(&["21.50", "21.50"]) }; 6];
        assert_eq!(of_sets(&unstated, &six)[0].missing.as_deref(), Some("M1 states no repeatability of a titre"));
    }

    #[test]
    fn three_equal_titres_are_as_likely_as_the_requirement_says() {
        let sets = vec![Set { titres: readings(&["21.50", "21.5", "21.500"]) }; 5];
        let sign = of_sets(&basis(), &sets).remove(0);
        // Three equal titres have probability 3.94 % at s 0.03 mL and step 0.02 mL (SciPy 1.17.1 quad); five times in a row
        // to the fifth power.
        assert!((sign.p.unwrap() / 0.039_37_f64.powi(5) - 1.0).abs() < 1e-3, "{sign:?}");
        assert_eq!(sign.observed, "5 sets of 5 with all titres the same");
    }

    #[test]
    fn ranges_at_the_limit_count_as_inside() {
        let sets = vec![Set { titres: readings(&["21.50", "21.60"]) }; 6];
        let sign = of_sets(&basis(), &sets).remove(1);
        assert_eq!(sign.observed, "6 of 6 ranges within two steps of 0.1 mL lie inside");
        // Of two titres F(x) = erf(x/2σ), so that the share inside is (F(0.10) − F(0.06))/(F(0.14) − F(0.06)) = 0.88834838;
        // all six of six to its sixth power (Python's math.erf).
        assert!((sign.p.unwrap() - 0.491_473_239_53).abs() < 5e-11, "{sign:?}");
    }
}
