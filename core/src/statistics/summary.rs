//! One-pass, mergeable summaries.

use crate::statistics::distribution::{DistributionError, chi_square_quantile, student_t_quantile};

/// A running sum that keeps what rounding loses (Neumaier's variant of Kahan's summation).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Compensated {
    sum: f64,
    lost: f64,
}

impl Compensated {
    fn add(&mut self, x: f64) {
        let next = self.sum + x;
        self.lost += if self.sum.abs() >= x.abs() { (self.sum - next) + x } else { (x - next) + self.sum };
        self.sum = next;
    }

    fn value(self) -> f64 {
        self.sum + self.lost
    }
}

/// Number, mean and spread of a series, in one pass over data shifted by its first value.
///
/// The shift keeps the digits of data that sit on a large offset (StRD NumAcc4: 10000000.2 with a deviation of 0.1);
/// the compensation keeps those of long series.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Summary {
    n: u64,
    shift: f64,
    sum: Compensated,
    squares: Compensated,
    min: f64,
    max: f64,
}

/// Why a figure cannot be given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum SummaryError {
    /// Too few values.
    #[error("not enough data: needs {needed} values, has {found}")]
    NotEnoughData {
        /// How many are needed.
        needed: u64,
        /// How many there are.
        found: u64,
    },
    /// A value that is not a number.
    #[error("value {position} is not a finite number: {value}")]
    NotFinite {
        /// Position, from 1.
        position: u64,
        /// Offending value.
        value: f64,
    },
    /// A probability or degrees of freedom out of range.
    #[error(transparent)]
    Distribution(#[from] DistributionError),
}

/// A two-sided interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Confidence, 0 to 1.
    pub confidence: f64,
}

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
    /// assert!((titres.sample_sd().unwrap() - 0.011547005383792).abs() < 1e-12);
    /// ```
    pub fn of(values: &[f64]) -> Result<Self, SummaryError> {
        let mut summary = Self::new();
        for value in values {
            summary.add(*value)?;
        }
        Ok(summary)
    }

    /// Adds a value.
    ///
    /// # Errors
    /// [`SummaryError::NotFinite`].
    pub fn add(&mut self, value: f64) -> Result<(), SummaryError> {
        if !value.is_finite() {
            return Err(SummaryError::NotFinite { position: self.n + 1, value });
        }
        if self.n == 0 {
            (self.shift, self.min, self.max) = (value, value, value);
        }
        let shifted = value - self.shift;
        self.sum.add(shifted);
        self.squares.add(shifted * shifted);
        self.min = self.min.min(value);
        self.max = self.max.max(value);
        self.n += 1;
        Ok(())
    }

    /// The summary of both series together.
    #[must_use]
    pub fn merged(mut self, other: &Self) -> Self {
        if other.n == 0 {
            return self;
        }
        if self.n == 0 {
            return *other;
        }
        let move_by = other.shift - self.shift;
        let count = other.n as f64;
        // sum (x + m)^2 = sum x^2 + 2 m sum x + n m^2
        self.squares.add(other.squares.value());
        self.squares.add(2.0 * move_by * other.sum.value());
        self.squares.add(count * move_by * move_by);
        self.sum.add(other.sum.value());
        self.sum.add(count * move_by);
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.n += other.n;
        self
    }

    /// Number of values.
    #[must_use]
    pub fn n(&self) -> u64 {
        self.n
    }

    fn need(&self, needed: u64) -> Result<f64, SummaryError> {
        if self.n >= needed { Ok(self.n as f64) } else { Err(SummaryError::NotEnoughData { needed, found: self.n }) }
    }

    /// Arithmetic mean.
    ///
    /// # Errors
    /// No values.
    pub fn mean(&self) -> Result<f64, SummaryError> {
        Ok(self.shift + self.sum.value() / self.need(1)?)
    }

    /// Sample variance, divisor n - 1.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn sample_variance(&self) -> Result<f64, SummaryError> {
        let n = self.need(2)?;
        let sum = self.sum.value();
        Ok(((self.squares.value() - sum * sum / n) / (n - 1.0)).max(0.0))
    }

    /// Sample standard deviation, divisor n - 1.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn sample_sd(&self) -> Result<f64, SummaryError> {
        self.sample_variance().map(f64::sqrt)
    }

    /// Relative standard deviation, s / |mean|; `None` for a mean of zero.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn relative_sd(&self) -> Result<Option<f64>, SummaryError> {
        let (s, mean) = (self.sample_sd()?, self.mean()?);
        Ok((mean != 0.0).then(|| s / mean.abs()))
    }

    /// Standard error of the mean, s / sqrt n.
    ///
    /// # Errors
    /// Fewer than two values.
    pub fn standard_error(&self) -> Result<f64, SummaryError> {
        Ok(self.sample_sd()? / self.need(2)?.sqrt())
    }

    /// Confidence interval of the mean by Student's t.
    ///
    /// # Errors
    /// Fewer than two values; a confidence outside (0, 1).
    pub fn mean_interval(&self, confidence: f64) -> Result<Interval, SummaryError> {
        let half = self.standard_error()? * student_t_quantile(0.5 + confidence / 2.0, self.need(2)? - 1.0)?;
        let mean = self.mean()?;
        Ok(Interval { low: mean - half, high: mean + half, confidence })
    }

    /// Confidence interval of the standard deviation by chi-square.
    ///
    /// # Errors
    /// Fewer than two values; a confidence outside (0, 1).
    pub fn sd_interval(&self, confidence: f64) -> Result<Interval, SummaryError> {
        let (s, nu) = (self.sample_sd()?, self.need(2)? - 1.0);
        let bound = |p: f64| chi_square_quantile(p, nu).map(|chi| s * (nu / chi).sqrt());
        Ok(Interval { low: bound(0.5 + confidence / 2.0)?, high: bound(0.5 - confidence / 2.0)?, confidence })
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
}

/// Median; the mean of the two middle values for an even number.
///
/// # Errors
/// No values.
pub fn median(values: &[f64]) -> Result<f64, SummaryError> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    match (n, n % 2) {
        (0, _) => Err(SummaryError::NotEnoughData { needed: 1, found: 0 }),
        (_, 1) => Ok(sorted[n / 2]),
        _ => Ok(0.5 * (sorted[n / 2 - 1] + sorted[n / 2])),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_equal_and_extreme_values_are_answered_honestly() {
        assert_eq!(Summary::new().mean(), Err(SummaryError::NotEnoughData { needed: 1, found: 0 }));
        let one = Summary::of(&[23.16]).unwrap();
        assert_eq!(one.sample_sd(), Err(SummaryError::NotEnoughData { needed: 2, found: 1 }));
        let equal = Summary::of(&[23.18; 7]).unwrap();
        assert_eq!((equal.mean().unwrap(), equal.sample_sd().unwrap()), (23.18, 0.0));
        let offset = Summary::of(&[1e15, 1e15 + 1.0, 1e15 + 2.0]).unwrap();
        assert_eq!((offset.mean().unwrap(), offset.sample_sd().unwrap()), (1e15 + 1.0, 1.0));
        assert!(Summary::of(&[1.0, f64::NAN]).is_err());
    }

    #[test]
    fn the_interval_of_two_values_is_the_textbook_one() {
        // n = 2: s = 0.02 / sqrt 2, t(0.975, 1) = 12.7062 (any table of Student's t)
        let interval = Summary::of(&[23.16, 23.18]).unwrap().mean_interval(0.95).unwrap();
        assert!((interval.high - 23.17 - 0.01 * 12.706204736).abs() < 1e-9);
    }
}
