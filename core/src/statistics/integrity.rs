//! Digit preference and agreement that is too good to be true: training aids, shown to the person first.
//!
//! None of these figures proves anything about a person; many are computed at once, so they go through
//! [`benjamini_hochberg`](crate::statistics::discovery::benjamini_hochberg) before anyone looks.
use bigdecimal::BigDecimal;
use std::str::FromStr;

use crate::statistics::agreement::range_cdf;
use crate::statistics::distribution::{Binomial, ChiSquared, DistributionError, normal_cdf, normal_sf};

/// Why a diagnostic cannot be given.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum IntegrityError {
    /// Too few observations.
    #[error("not enough data: needs {needed} {what}, has {found}")]
    NotEnoughData {
        /// Of what.
        what: &'static str,
        /// How many are needed.
        needed: u64,
        /// How many there are.
        found: u64,
    },
    /// A reading that is not a multiple of its stated step.
    #[error("reading {position}, {reading}, is not a multiple of the reading step {step}")]
    OffStep {
        /// Position, from 1.
        position: usize,
        /// The reading.
        reading: String,
        /// The step.
        step: &'static str,
    },
    /// A setting outside its range.
    #[error("{name} must be {rule}, got {value}")]
    Setting {
        /// Which.
        name: &'static str,
        /// The rule it breaks.
        rule: &'static str,
        /// Offending value.
        value: f64,
    },
    /// A distribution refused its argument.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// Step to which a burette is read, mL.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReadingStep {
    /// 0.01 mL: ten last digits.
    Hundredth,
    /// 0.02 mL: five even last digits.
    Fiftieth,
    /// 0.05 mL: two last digits, 0 and 5.
    Twentieth,
    /// 0.1 mL: ten last digits, of the tenths.
    Tenth,
}

impl ReadingStep {
    /// Step, mL, as text.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Hundredth => "0.01",
            Self::Fiftieth => "0.02",
            Self::Twentieth => "0.05",
            Self::Tenth => "0.1",
        }
    }

    /// The last digits that can occur, in order.
    #[must_use]
    pub fn digits(self) -> &'static [u8] {
        match self {
            Self::Hundredth | Self::Tenth => &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9],
            Self::Fiftieth => &[0, 2, 4, 6, 8],
            Self::Twentieth => &[0, 5],
        }
    }

    fn decimals(self) -> i64 {
        if self == Self::Tenth { 1 } else { 2 }
    }
}

/// How often each possible last digit occurs, in the order of [`ReadingStep::digits`].
///
/// # Errors
/// A reading that is not a multiple of the step.
pub fn count_last_digits(readings: &[BigDecimal], step: ReadingStep) -> Result<Vec<u64>, IntegrityError> {
    let mut counts = vec![0; step.digits().len()];
    for (reading, position) in readings.iter().zip(1..) {
        let off = || IntegrityError::OffStep { position, reading: reading.to_plain_string(), step: step.text() };
        let scaled = reading.with_scale(step.decimals());
        if scaled != *reading {
            return Err(off());
        }
        let (units, _) = scaled.into_bigint_and_exponent();
        let last = (units.magnitude() % 10u8).to_string();
        let last = u8::from_str(&last).unwrap_or(u8::MAX);
        let at = step.digits().iter().position(|digit| *digit == last).ok_or_else(off)?;
        counts[at] += 1;
    }
    Ok(counts)
}

/// What a test of last digits says.
#[derive(Debug, Clone, PartialEq)]
pub struct DigitTest {
    /// Number of readings.
    pub n: u64,
    /// Observed counts.
    pub counts: Vec<u64>,
    /// Expected count of each digit.
    pub expected: f64,
    /// Σ (observed − expected)² / expected.
    pub chi_square: f64,
    /// Degrees of freedom, possible digits − 1.
    pub degrees_of_freedom: u64,
    /// Upper tail of the chi-squared distribution.
    pub p_chi_square: f64,
    /// Exact multinomial probability of a chi-square at least as large, for up to [`EXACT_UP_TO`] readings.
    pub p_exact: Option<f64>,
}

/// Most readings for the exact probability; beyond, the chi-squared tail is used (at 50 readings and ten digits its 5 %
/// is 4.7 %, by a simulation of 1e6 sets).
pub const EXACT_UP_TO: u64 = 50;

/// Tests whether the last digits are equally frequent.
///
/// Uniform last digits are expected when the scatter of what is read is much larger than the step; readings of one
/// sample repeated to 0.03 mL are not, initial and final readings of many titrations are.
///
/// # Formula
/// `χ² = Σ (o − e)²/e` with k − 1 degrees of freedom; exact: sum of multinomial probabilities of all outcomes with the
/// same or a larger χ², built up digit by digit over (readings used, Σ o²).
///
/// # Source
/// D. A. Preece (1981), The Statistician 30, 31, on final digits (abstract read).
///
/// # Errors
/// Fewer than two digits or no readings.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::integrity::terminal_digits;
/// let test = terminal_digits(&[46, 15, 19, 14, 18, 33, 17, 12, 15, 11])?;
/// assert!((test.chi_square - 54.5).abs() < 1e-12); // independent computation
/// assert!((test.p_chi_square - 1.5e-8).abs() < 0.05e-8);
/// # Ok::<(), ferrotitre_core::statistics::integrity::IntegrityError>(())
/// ```
pub fn terminal_digits(counts: &[u64]) -> Result<DigitTest, IntegrityError> {
    let n: u64 = counts.iter().sum();
    if counts.len() < 2 {
        return Err(IntegrityError::NotEnoughData { what: "digits", needed: 2, found: counts.len() as u64 });
    }
    if n == 0 {
        return Err(IntegrityError::NotEnoughData { what: "readings", needed: 1, found: 0 });
    }
    let k = counts.len() as f64;
    let expected = n as f64 / k;
    let chi_square = counts.iter().map(|o| (*o as f64 - expected).powi(2) / expected).sum();
    let p_exact = if n <= EXACT_UP_TO && counts.len() <= 10 { Some(exact_digits(counts)) } else { None };
    Ok(DigitTest {
        n,
        counts: counts.to_vec(),
        expected,
        chi_square,
        degrees_of_freedom: counts.len() as u64 - 1,
        p_chi_square: ChiSquared::new(k - 1.0)?.sf(chi_square),
        p_exact,
    })
}

/// n!/kⁿ Σ Π 1/o! over outcomes with Σ o² at least the observed one.
fn exact_digits(counts: &[u64]) -> f64 {
    let n = counts.iter().sum::<u64>() as usize;
    let observed: usize = counts.iter().map(|o| (o * o) as usize).sum();
    let width = n * n + 1;
    // ways[m][q]: sum of Π 1/o! over outcomes of the digits so far with m readings and Σ o² = q.
    let mut ways = vec![vec![0.0; width]; n + 1];
    ways[0][0] = 1.0;
    for _ in counts {
        let mut next = vec![vec![0.0; width]; n + 1];
        let mut inverse_factorial = 1.0;
        for o in 0..=n {
            crate::stop::point();
            if o > 0 {
                inverse_factorial /= o as f64;
            }
            for m in 0..=n - o {
                let (from, to) = (&ways[m], &mut next[m + o]);
                for q in 0..=(m * m).min(width - 1 - o * o) {
                    to[q + o * o] += inverse_factorial * from[q];
                }
            }
        }
        ways = next;
    }
    let tail: f64 = ways[n][observed..].iter().sum();
    let k = counts.len() as f64;
    (1..=n).fold(tail, |p, j| p * j as f64 / k).min(1.0)
}

fn positive(name: &'static str, value: f64) -> Result<f64, IntegrityError> {
    if value > 0.0 && value.is_finite() {
        Ok(value)
    } else {
        Err(IntegrityError::Setting { name, rule: "positive and finite", value })
    }
}

/// Probability that `n` normal results are all read the same.
///
/// # Formula
/// `Σₖ P(reading = k step)ⁿ`, averaged over where the true value lies within a step.
///
/// # Source
/// Own derivation.
///
/// # Errors
/// Fewer than two results; a deviation or step that is not positive; a step under 1/1000 of the deviation.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::integrity::identical_probability;
/// assert!((identical_probability(3, 0.03, 0.02)? - 0.03937).abs() < 5e-6); // SciPy 1.17.1 quad
/// # Ok::<(), ferrotitre_core::statistics::integrity::IntegrityError>(())
/// ```
pub fn identical_probability(n: u32, sd: f64, step: f64) -> Result<f64, IntegrityError> {
    if n < 2 {
        return Err(IntegrityError::NotEnoughData { what: "results", needed: 2, found: u64::from(n) });
    }
    let width = positive("reading step", step)? / positive("standard deviation", sd)?;
    if width < 1e-3 {
        return Err(IntegrityError::Setting { name: "step over deviation", rule: "at least 0.001", value: width });
    }
    let exponent = i32::try_from(n).unwrap_or(i32::MAX);
    if width > WIDE {
        // Only readings at an edge of their step differ: the two edges are apart, and each loses the mean excess of the
        // largest of n values. (Together: the mean range, d2 of the control charts, over the width.)
        const REACH: f64 = 12.0;
        let steps = 1200;
        let spacing = 2.0 * REACH / f64::from(steps);
        let lost: f64 = (0..=steps)
            .map(|i| {
                let x = f64::from(i) * spacing - REACH;
                let below = normal_cdf(x).powi(exponent);
                if x > 0.0 { 1.0 - below } else { -below }
            })
            .sum();
        return Ok((1.0 - 2.0 * (lost + 0.5) * spacing / width).clamp(0.0, 1.0));
    }
    // Averaging over the place in the step makes the sum over steps one integral over the real line, of a function
    // without end points: the trapezoidal rule.
    let spacing = (0.02_f64).min(width / 16.0);
    let reach = 9.5 + 0.5 * width;
    let half = (reach / spacing).ceil() as i64;
    let sum: f64 = (-half..=half)
        .map(|i| {
            let (low, high) = (i as f64 * spacing - 0.5 * width, i as f64 * spacing + 0.5 * width);
            let p = if low > 0.0 { normal_sf(low) - normal_sf(high) } else { normal_cdf(high) - normal_cdf(low) };
            p.powi(exponent)
        })
        .sum();
    Ok((sum * spacing / width).min(1.0))
}

/// Step over deviation from which on the two edges of a step are looked at by themselves.
const WIDE: f64 = 40.0;

/// An observed count against a binomial expectation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountTest {
    /// Number of cases.
    pub cases: u64,
    /// Number observed.
    pub observed: u64,
    /// Number expected.
    pub expected: f64,
    /// Probability of one case.
    pub probability: f64,
    /// P(observed or more).
    pub p: f64,
}

fn count_test(observed: u64, cases: u64, probability: f64) -> Result<CountTest, IntegrityError> {
    if observed > cases {
        let rule = "at most the number of cases";
        return Err(IntegrityError::Setting { name: "observed count", rule, value: observed as f64 });
    }
    let p = Binomial::new(cases, probability)?.at_least(observed);
    Ok(CountTest { cases, observed, expected: cases as f64 * probability, probability, p })
}

/// Tests whether sets of `n` identical titres occur more often than scatter and reading step allow.
///
/// # Errors
/// Those of [`identical_probability`]; no sets; more identical sets than sets.
pub fn identical_sets(observed: u64, sets: u64, n: u32, sd: f64, step: f64) -> Result<CountTest, IntegrityError> {
    count_test(observed, sets, identical_probability(n, sd, step)?)
}

/// What the test for a variance that is too small says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SmallVarianceTest {
    /// Observed standard deviation.
    pub sd: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: f64,
    /// Known standard deviation.
    pub sigma: f64,
    /// ν s²/σ².
    pub chi_square: f64,
    /// Lower tail.
    pub p: f64,
}

/// Tests whether a standard deviation is smaller than the method's repeatability allows.
///
/// # Formula
/// Lower tail of chi-squared with ν degrees of freedom at ν s²/σ².
///
/// # Errors
/// A negative or infinite deviation; sigma or degrees of freedom that are not positive.
pub fn variance_too_small(sd: f64, degrees_of_freedom: f64, sigma: f64) -> Result<SmallVarianceTest, IntegrityError> {
    if !(sd >= 0.0 && sd.is_finite()) {
        return Err(IntegrityError::Setting { name: "standard deviation", rule: "0 or more", value: sd });
    }
    let ratio = sd / positive("sigma", sigma)?;
    let chi_square = degrees_of_freedom * ratio * ratio;
    let p = ChiSquared::new(degrees_of_freedom)?.cdf(chi_square);
    Ok(SmallVarianceTest { sd, degrees_of_freedom, sigma, chi_square, p })
}

/// Tests whether ranges pile up just inside a limit.
///
/// Of the ranges within `window` of the limit on either side, scatter alone puts a known share inside; many more suggest
/// that readings are nudged until they pass. A range of exactly the limit counts as inside.
///
/// # Formula
/// Binomial upper tail; share = (F(L) − F(L − w)) / (F(L + w) − F(L − w)), F the distribution of the range of `n` normal
/// values with deviation `sd`.
///
/// # Errors
/// No ranges in the window; limit, window or deviation not positive; a window wider than the limit; fewer than two titres.
pub fn pile_up_inside_limit(
    ranges: &[f64],
    n: u32,
    limit: f64,
    window: f64,
    sd: f64,
) -> Result<CountTest, IntegrityError> {
    let sd = positive("standard deviation", sd)?;
    let (limit, window) = (positive("limit", limit)?, positive("window", window)?);
    if window > limit {
        return Err(IntegrityError::Setting { name: "window", rule: "at most the limit", value: window });
    }
    if n < 2 {
        return Err(IntegrityError::NotEnoughData { what: "titres", needed: 2, found: u64::from(n) });
    }
    // Ranges are decimals stored as doubles.
    let slack = 1e-9;
    let near: Vec<&f64> = ranges.iter().filter(|r| (**r - limit).abs() <= window + slack).collect();
    if near.is_empty() {
        return Err(IntegrityError::NotEnoughData { what: "ranges near the limit", needed: 1, found: 0 });
    }
    let inside = near.iter().filter(|r| ***r <= limit + slack).count() as u64;
    let at = |x: f64| range_cdf(n, x / sd);
    let share = (at(limit) - at(limit - window)) / (at(limit + window) - at(limit - window));
    count_test(inside, near.len() as u64, share)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn decimals(texts: &[&str]) -> Vec<BigDecimal> {
        texts.iter().map(|text| text.parse().unwrap()).collect()
    }

    #[test]
    fn last_digits_are_those_read_trailing_zeros_included() {
        let readings = decimals(&["23.10", "0.00", "12.34", "5.5", "49.98"]);
        assert_eq!(count_last_digits(&readings, ReadingStep::Hundredth).unwrap(), [3, 0, 0, 0, 1, 0, 0, 0, 1, 0]);
        assert_eq!(count_last_digits(&readings, ReadingStep::Fiftieth).unwrap(), [3, 0, 1, 0, 1]);
        assert!(matches!(
            count_last_digits(&readings, ReadingStep::Twentieth),
            Err(IntegrityError::OffStep { position: 3, .. })
        ));
        let tenths = decimals(&["23.1", "0.0"]);
        assert_eq!(count_last_digits(&tenths, ReadingStep::Tenth).unwrap()[..2], [1, 1]);
        assert!(count_last_digits(&decimals(&["23.15"]), ReadingStep::Tenth).is_err());
    }

    #[test]
    fn the_exact_probability_is_that_of_all_outcomes_counted() {
        // By hand, three readings of two digits: 3:0 and 0:3 have probability 2/8; four: 4:0 2/16, 3:1 and more 10/16.
        let exact = |counts: &[u64]| terminal_digits(counts).unwrap().p_exact.unwrap();
        assert!((exact(&[3, 0]) - 0.25).abs() < 1e-15);
        assert!((exact(&[1, 3]) - 0.625).abs() < 1e-15);
        assert!((exact(&[2, 2]) - 1.0).abs() < 1e-14);
        // Ten readings, ten digits, all different: every outcome is at least as uneven; all the same: 10 / 10^10.
        assert!((exact(&[1; 10]) - 1.0).abs() < 1e-12);
        assert!((exact(&[10, 0, 0, 0, 0, 0, 0, 0, 0, 0]) / 1e-9 - 1.0).abs() < 1e-12);
        assert!(terminal_digits(&[0, 0]).is_err() && terminal_digits(&[5]).is_err());
        assert_eq!(terminal_digits(&[30, 21]).unwrap().p_exact, None);
    }

    #[test]
    fn identical_titres_are_as_frequent_as_an_independent_integral_says() {
        // SciPy 1.17.1 quad, mean spread evenly over a step: sd 0.03 and steps 0.01, 0.02, 0.05.
        let expected = [(0.01, 0.010_115_955_2), (0.02, 0.039_370_360_8), (0.05, 0.205_627_393_1)];
        for (step, expected) in expected {
            let found = identical_probability(3, 0.03, step).unwrap();
            assert!((found - expected).abs() < 5.1e-11, "{step}: {found}");
        }
        assert!(identical_probability(1, 0.03, 0.01).is_err() && identical_probability(3, 0.0, 0.01).is_err());
        let sets = identical_sets(8, 40, 3, 0.03, 0.02).unwrap();
        assert!((sets.expected - 1.5748).abs() < 5e-5 && sets.p < 0.001);
    }

    #[test]
    fn small_variances_and_piled_up_ranges_are_found() {
        // SciPy 1.17.1: chi2.cdf(20 · 0.25, 20) = 0.000277
        let small = variance_too_small(0.015, 20.0, 0.03).unwrap();
        assert!((small.p - 0.000_277).abs() < 5e-7, "{}", small.p);
        let mut ranges = vec![0.10; 12];
        ranges.extend([0.12, 0.02, 0.30]);
        let pile = pile_up_inside_limit(&ranges, 2, 0.10, 0.02, 0.10).unwrap();
        assert_eq!((pile.cases, pile.observed), (13, 12));
        // Shares of |N(0, √2·0.10)| by SciPy 1.17.1: (F(.10) − F(.08))/(F(.12) − F(.08)) = 0.524938.
        assert!((pile.probability - 0.524938).abs() < 5e-7, "{}", pile.probability);
        assert!(pile_up_inside_limit(&[0.5], 2, 0.10, 0.02, 0.10).is_err());
        assert!(pile_up_inside_limit(&ranges, 2, 0.10, 0.20, 0.10).is_err());
    }

    /// Mean range of n normal values over their deviation: d2 of ISO 7870-2 (1.128, 1.693 and 2.326 for 2, 3 and 5); a wide
    /// step loses it at its edges.
    #[test]
    fn a_wide_step_costs_no_more_than_a_narrow_one() {
        for (n, d2) in [(2, 1.128), (3, 1.693), (5, 2.326)] {
            for sd in [1e-3, 1e-12, 1e-300] {
                let found = identical_probability(n, sd, 0.05).unwrap();
                assert!((found - (1.0 - d2 * sd / 0.05)).abs() < 0.0005 * sd / 0.05 + 1e-15, "{n}, {sd}: {found}");
            }
            let (below, above) =
                (identical_probability(n, 1.0, 39.9).unwrap(), identical_probability(n, 1.0, 40.1).unwrap());
            assert!(((1.0 - below) * 39.9 - (1.0 - above) * 40.1).abs() < 1e-10, "{n}: {below} {above}");
        }
    }
}
