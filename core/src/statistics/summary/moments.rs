//! Number, mean, central moments and extremes of a series.
use super::{Interval, LARGEST_VALUE, SummaryError, check, check_all, need};
use crate::statistics::distribution::{ChiSquared, StudentT};

/// A running sum that keeps what rounding loses (Neumaier's variant of Kahan's summation).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Compensated {
    sum: f64,
    lost: f64,
}

impl Compensated {
    pub(super) fn add(&mut self, x: f64) {
        let next = self.sum + x;
        self.lost += if self.sum.abs() >= x.abs() { (self.sum - next) + x } else { (x - next) + self.sum };
        self.sum = next;
    }

    fn add_sum(&mut self, other: Self) {
        self.add(other.sum);
        self.lost += other.lost;
    }

    pub(super) fn value(self) -> f64 {
        self.sum + self.lost
    }
}

/// Number, mean, second to fourth central moments and extremes of a series, in one pass, mergeable.
///
/// # Formula
/// Values are taken in blocks that fit the nearest cache; each block gives its own mean and sums of powers of
/// differences from it, and blocks are merged by the pairwise formulas. Differences from a near mean keep the digits
/// of data on a large offset (StRD NumAcc4: 10000000.2 with a deviation of 0.1); the compensated running mean and sums
/// keep those of long series.
///
/// # Source
/// T. Chan, G. Golub, R. LeVeque (1979) for the second moment; P. Pébay, SAND2008-6212 (2008), eq. 3.1 for the third
/// and fourth (both from memory).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Summary {
    n: u64,
    mean: Compensated,
    m2: Compensated,
    m3: Compensated,
    m4: Compensated,
    min: f64,
    max: f64,
}

/// Values per block: two kilobytes, read twice while they are in the first-level cache.
const BLOCK: usize = 256;
/// Independent running sums per block, so that the additions need not wait for each other.
const LANES: usize = 8;

impl Summary {
    /// Nothing yet.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Summary of a series.
    ///
    /// # Errors
    /// [`SummaryError::NotFinite`].
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::statistics::summary::Summary;
    /// let titres = Summary::of(&[23.16, 23.18, 23.18]).unwrap();
    /// assert_eq!(titres.n(), 3);
    /// assert!((titres.sample_sd().unwrap() - 0.011547005383792).abs() < 1e-12); // 0.02/√3, by hand
    /// ```
    pub fn of(values: &[f64]) -> Result<Self, SummaryError> {
        let mut summary = Self::new();
        summary.extend(values)?;
        Ok(summary)
    }

    /// Adds a value.
    ///
    /// # Errors
    /// [`SummaryError::NotFinite`]; the summary is then unchanged.
    pub fn add(&mut self, value: f64) -> Result<(), SummaryError> {
        let value = check(value, self.n + 1)?;
        self.absorb(&Self {
            n: 1,
            mean: Compensated { sum: value, lost: 0.0 },
            min: value,
            max: value,
            ..Self::default()
        });
        Ok(())
    }

    /// Adds a series.
    ///
    /// # Errors
    /// [`SummaryError::NotFinite`] with the position in `values`; the summary is then unchanged.
    pub fn extend(&mut self, values: &[f64]) -> Result<(), SummaryError> {
        let mut result = *self;
        for block in values.chunks(BLOCK) {
            match block_summary(block) {
                Some(summary) => result.absorb(&summary),
                None => return check_all(values),
            }
        }
        *self = result;
        Ok(())
    }

    /// The summary of both series together.
    #[must_use]
    pub fn merged(mut self, other: &Self) -> Self {
        self.absorb(other);
        self
    }

    fn absorb(&mut self, other: &Self) {
        if other.n == 0 {
            return;
        }
        if self.n == 0 {
            *self = *other;
            return;
        }
        let (a, b) = (self.n as f64, other.n as f64);
        let n = a + b;
        let delta = (other.mean.sum - self.mean.sum) + (other.mean.lost - self.mean.lost);
        if delta != 0.0 {
            let (d_n, d2) = (delta / n, delta * delta);
            let (m2a, m2b, m3a, m3b) = (self.m2.value(), other.m2.value(), self.m3.value(), other.m3.value());
            self.m4.add(d2 * (d_n * d_n) * (a * b / n) * (a * a - a * b + b * b));
            self.m4.add(6.0 * d_n * d_n * (a * a * m2b + b * b * m2a));
            self.m4.add(4.0 * d_n * (a * m3b - b * m3a));
            self.m3.add(d2 * d_n * (a * b / n) * (a - b));
            self.m3.add(3.0 * d_n * (a * m2b - b * m2a));
            self.m2.add(d2 * (a * b / n));
            self.mean.add(delta * (b / n));
        }
        self.m2.add_sum(other.m2);
        self.m3.add_sum(other.m3);
        self.m4.add_sum(other.m4);
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.n += other.n;
    }

    /// Number of values.
    #[must_use]
    pub fn n(&self) -> u64 {
        self.n
    }

    /// Arithmetic mean.
    ///
    /// # Errors
    /// No values.
    pub fn mean(&self) -> Result<f64, SummaryError> {
        need(1, self.n)?;
        Ok(self.mean.value())
    }

    /// Sum of squared differences from the mean; 0 for fewer than two values.
    #[must_use]
    pub fn sum_of_squares(&self) -> f64 {
        self.m2.value().max(0.0)
    }

    /// Sample variance, divisor n − 1.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn sample_variance(&self) -> Result<f64, SummaryError> {
        Ok(self.sum_of_squares() / (need(2, self.n)? - 1.0))
    }

    /// Sample standard deviation, divisor n − 1.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn sample_sd(&self) -> Result<f64, SummaryError> {
        self.sample_variance().map(f64::sqrt)
    }

    /// Population variance, divisor n.
    ///
    /// # Errors
    /// No values.
    pub fn population_variance(&self) -> Result<f64, SummaryError> {
        Ok(self.sum_of_squares() / need(1, self.n)?)
    }

    /// Population standard deviation, divisor n.
    ///
    /// # Errors
    /// No values.
    pub fn population_sd(&self) -> Result<f64, SummaryError> {
        self.population_variance().map(f64::sqrt)
    }

    /// Relative standard deviation, s / |mean|; `None` for a mean of zero.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn relative_sd(&self) -> Result<Option<f64>, SummaryError> {
        let (s, mean) = (self.sample_sd()?, self.mean()?);
        Ok((mean != 0.0).then(|| s / mean.abs()))
    }

    /// Standard error of the mean, s / √n.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn standard_error(&self) -> Result<f64, SummaryError> {
        Ok(self.sample_sd()? / need(2, self.n)?.sqrt())
    }

    /// Confidence interval of the mean, `x̄ ± t(n − 1) s/√n`.
    ///
    /// # Errors
    /// Fewer than two values; a confidence outside (0, 1).
    pub fn mean_interval(&self, confidence: f64) -> Result<Interval, SummaryError> {
        let standard_error = self.standard_error()?;
        let half = standard_error * StudentT::new(self.n as f64 - 1.0)?.upper_quantile(0.5 - 0.5 * confidence)?;
        let mean = self.mean()?;
        Ok(Interval { low: mean - half, high: mean + half, confidence })
    }

    /// Confidence interval of the standard deviation, `s √(ν/χ²)`, ν = n − 1, equal tails.
    ///
    /// # Errors
    /// Fewer than two values; a confidence outside (0, 1).
    pub fn sd_interval(&self, confidence: f64) -> Result<Interval, SummaryError> {
        let s = self.sample_sd()?;
        let nu = self.n as f64 - 1.0;
        let (chi, tail) = (ChiSquared::new(nu)?, 0.5 - 0.5 * confidence);
        let low = s * (nu / chi.upper_quantile(tail)?).sqrt();
        let high = s * (nu / chi.quantile(tail)?).sqrt();
        Ok(Interval { low, high, confidence })
    }

    /// Smallest value; `None` for an empty series.
    #[must_use]
    pub fn min(&self) -> Option<f64> {
        (self.n > 0).then_some(self.min)
    }

    /// Largest value; `None` for an empty series.
    #[must_use]
    pub fn max(&self) -> Option<f64> {
        (self.n > 0).then_some(self.max)
    }

    /// Smallest and largest value; `None` for an empty series.
    #[must_use]
    pub fn extremes(&self) -> Option<(f64, f64)> {
        (self.n > 0).then_some((self.min, self.max))
    }

    /// Largest minus smallest value; 0 for an empty series.
    #[must_use]
    pub fn range(&self) -> f64 {
        self.max - self.min
    }

    fn spread(&self) -> Result<f64, SummaryError> {
        let m2 = self.population_variance()?;
        if m2 * m2 > 0.0 { Ok(m2) } else { Err(SummaryError::NoSpread) }
    }

    /// Skewness of the values as a population, `g₁ = m₃ / m₂^(3/2)` with moments of divisor n.
    ///
    /// # Source
    /// Joanes and Gill (1998), The Statistician 47, 183, section 1 (from memory).
    ///
    /// # Errors
    /// Fewer than two values, or no spread.
    pub fn population_skewness(&self) -> Result<f64, SummaryError> {
        let n = need(2, self.n)?;
        let m2 = self.spread()?;
        Ok(self.m3.value() / n / (m2 * m2.sqrt()))
    }

    /// Adjusted sample skewness `G₁ = g₁ √(n(n−1)) / (n−2)`.
    ///
    /// # Source
    /// Joanes and Gill (1998), as above.
    ///
    /// # Errors
    /// Fewer than three values, or no spread.
    pub fn sample_skewness(&self) -> Result<f64, SummaryError> {
        let n = need(3, self.n)?;
        Ok(self.population_skewness()? * (n * (n - 1.0)).sqrt() / (n - 2.0))
    }

    /// Excess kurtosis of the values as a population, `g₂ = m₄ / m₂² − 3` with moments of divisor n.
    ///
    /// # Source
    /// Joanes and Gill (1998), as above.
    ///
    /// # Errors
    /// Fewer than two values, or no spread.
    pub fn population_excess_kurtosis(&self) -> Result<f64, SummaryError> {
        let n = need(2, self.n)?;
        let m2 = self.spread()?;
        Ok(self.m4.value() / n / (m2 * m2) - 3.0)
    }

    /// Adjusted sample excess kurtosis `G₂ = (n−1) ((n+1) g₂ + 6) / ((n−2)(n−3))`.
    ///
    /// # Source
    /// Joanes and Gill (1998), as above.
    ///
    /// # Errors
    /// Fewer than four values, or no spread.
    pub fn sample_excess_kurtosis(&self) -> Result<f64, SummaryError> {
        let n = need(4, self.n)?;
        let g2 = self.population_excess_kurtosis()?;
        Ok((n - 1.0) * ((n + 1.0) * g2 + 6.0) / ((n - 2.0) * (n - 3.0)))
    }
}

/// Sums over lanes of `f` of each value; the compiler turns the lanes into vector instructions.
fn lane_sum(values: &[f64], f: impl Fn(f64) -> f64) -> f64 {
    let mut lanes = [0.0; LANES];
    let chunks = values.chunks_exact(LANES);
    let rest: f64 = chunks.remainder().iter().map(|x| f(*x)).sum();
    for chunk in chunks {
        for (lane, x) in lanes.iter_mut().zip(chunk) {
            *lane += f(*x);
        }
    }
    rest + ((lanes[0] + lanes[1]) + (lanes[2] + lanes[3])) + ((lanes[4] + lanes[5]) + (lanes[6] + lanes[7]))
}

/// Summary of up to a block of values; `None` if one of them cannot be accepted.
fn block_summary(values: &[f64]) -> Option<Summary> {
    let first = *values.first()?;
    let (mut low, mut high) = ([first; LANES], [first; LANES]);
    for chunk in values.chunks(LANES) {
        for ((low, high), x) in low.iter_mut().zip(&mut high).zip(chunk) {
            *low = if *x < *low { *x } else { *low };
            *high = if *x > *high { *x } else { *high };
        }
    }
    let min = low.iter().copied().fold(first, f64::min);
    let max = high.iter().copied().fold(first, f64::max);
    let n = values.len() as f64;
    // A value that is not a number fails every comparison above but not this sum.
    let sum = lane_sum(values, |x| x - first);
    if !sum.is_finite() || min < -LARGEST_VALUE || max > LARGEST_VALUE {
        return None;
    }
    let mut mean = Compensated { sum: first, lost: 0.0 };
    mean.add(sum / n);
    let centre = mean.value();
    let power_sums = central_sums(values, centre);
    // The centre is not the mean to the last bit: what the first-power sum shows is put on the mean and taken off the
    // higher powers (the corrected two-pass algorithm). On an offset of 1e12 the fourth power would show it.
    let residue = power_sums[0] / n;
    mean = Compensated { sum: centre, lost: residue };
    Some(Summary {
        n: values.len() as u64,
        mean,
        m2: Compensated { sum: (power_sums[1] - residue * power_sums[0]).max(0.0), lost: 0.0 },
        m3: Compensated { sum: power_sums[2] - 3.0 * residue * power_sums[1], lost: 0.0 },
        m4: Compensated { sum: power_sums[3] - 4.0 * residue * power_sums[2], lost: 0.0 },
        min,
        max,
    })
}

/// Sums of the first four powers of `x − centre`.
fn central_sums(values: &[f64], centre: f64) -> [f64; 4] {
    let mut lanes = [[0.0; LANES]; 4];
    let mut total = [0.0; 4];
    let chunks = values.chunks_exact(LANES);
    for x in chunks.remainder() {
        let d = x - centre;
        let d2 = d * d;
        total = [total[0] + d, total[1] + d2, total[2] + d2 * d, total[3] + d2 * d2];
    }
    for chunk in chunks {
        let [one, two, three, four] = &mut lanes;
        for i in 0..LANES {
            let d = chunk[i] - centre;
            let d2 = d * d;
            one[i] += d;
            two[i] += d2;
            three[i] += d2 * d;
            four[i] += d2 * d2;
        }
    }
    for (total, lanes) in total.iter_mut().zip(&lanes) {
        *total += lanes.iter().sum::<f64>();
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_equal_and_extreme_values_are_answered_honestly() {
        assert_eq!(Summary::new().mean(), Err(SummaryError::NotEnoughData { needed: 1, found: 0 }));
        let one = Summary::of(&[23.16]).unwrap();
        assert_eq!(one.sample_sd(), Err(SummaryError::NotEnoughData { needed: 2, found: 1 }));
        assert_eq!((one.mean().unwrap(), one.population_sd().unwrap()), (23.16, 0.0));
        let equal = Summary::of(&[23.18; 7]).unwrap();
        assert_eq!((equal.mean().unwrap(), equal.sample_sd().unwrap()), (23.18, 0.0));
        assert_eq!(equal.sample_skewness(), Err(SummaryError::NoSpread));
        let offset = Summary::of(&[1e15, 1e15 + 1.0, 1e15 + 2.0]).unwrap();
        assert_eq!((offset.mean().unwrap(), offset.sample_sd().unwrap()), (1e15 + 1.0, 1.0));
    }

    #[test]
    fn a_value_that_is_not_a_finite_number_is_named_and_changes_nothing() {
        let mut summary = Summary::of(&[1.0, 2.0]).unwrap();
        let before = summary;
        let mut long = vec![0.5; 1000];
        long[700] = f64::NAN;
        assert!(matches!(summary.extend(&long), Err(SummaryError::NotFinite { position: 701, .. })));
        long[700] = f64::INFINITY;
        assert!(matches!(summary.extend(&long), Err(SummaryError::NotFinite { position: 701, .. })));
        long[700] = -1e76;
        assert!(matches!(summary.extend(&long), Err(SummaryError::NotFinite { position: 701, .. })));
        assert!(summary.add(f64::NEG_INFINITY).is_err());
        assert_eq!(summary, before);
    }

    #[test]
    fn the_interval_of_two_values_is_the_textbook_one() {
        // n = 2: s = 0.02 / √2, t(0.975, 1) = 12.7062 (any table of Student's t)
        let interval = Summary::of(&[23.16, 23.18]).unwrap().mean_interval(0.95).unwrap();
        assert!((interval.high - 23.17 - 0.01 * 12.706204736).abs() < 1e-9);
    }

    #[test]
    fn the_interval_of_sigma_is_as_wide_as_the_requirement_says() {
        // Ratio sigma/s, 95 %, n = 10: 0.69 to 1.83 (SciPy 1.17 chi2.ppf: 0.687835, 1.825610).
        let values: Vec<f64> = (0..10).map(f64::from).collect();
        let summary = Summary::of(&values).unwrap();
        let (interval, s) = (summary.sd_interval(0.95).unwrap(), summary.sample_sd().unwrap());
        assert!((interval.low / s - 0.687835).abs() < 5e-7 && (interval.high / s - 1.825610).abs() < 5e-7);
    }

    #[test]
    fn an_outlying_first_value_does_not_cost_the_digits_of_the_rest() {
        // By hand: 10^6 within the million values, 10^16 · 10^6 / (10^6 + 1) between them and the first.
        let mut values = vec![0.0];
        values.extend((0..1_000_000).map(|i| if i % 2 == 0 { 1e8 + 1.0 } else { 1e8 - 1.0 }));
        let summary = Summary::of(&values).unwrap();
        let exact = 9_999_990_001_010_000.0;
        assert!((summary.sum_of_squares() / exact - 1.0).abs() < 1e-15);
    }

    #[test]
    fn skewness_and_kurtosis_match_an_independent_implementation() {
        // SciPy 1.17.1 stats.skew and stats.kurtosis, bias=True and False.
        let summary = Summary::of(&[2.0, 8.0, 0.0, 4.0, 1.0, 9.0, 9.0, 0.0]).unwrap();
        let close = |found: f64, expected: f64| assert!((found - expected).abs() < 1e-14, "{found} {expected}");
        close(summary.population_skewness().unwrap(), 0.2650554122698573);
        close(summary.sample_skewness().unwrap(), 0.3305821804079746);
        close(summary.population_excess_kurtosis().unwrap(), -1.6660010752838508);
        close(summary.sample_excess_kurtosis().unwrap(), -2.098602258096087);
    }
}
