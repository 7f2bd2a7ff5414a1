//! Arithmetic with about 32 decimal digits, as an unevaluated sum of two `f64`.
//!
//! Analysis of variance and least squares subtract numbers that agree in most of their digits; done in `f64`, sums of
//! squares on an offset of 1e12 (StRD SmLs07) and polynomials of degree 10 (StRD Filip) lose every digit. The price is a
//! factor of about ten, which no study of a laboratory notices.

use std::ops::{Add, Div, Mul, Neg, Sub};

use bigdecimal::{BigDecimal, ToPrimitive};

use crate::statistics::model_error::ModelError;

/// `hi + lo`, with `lo` at most half a unit in the last place of `hi`.
///
/// # Source
/// Dekker 1971; Hida, Li and Bailey 2001 (accurate addition; from memory).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct DoubleDouble {
    hi: f64,
    lo: f64,
}

/// Sum and its rounding error, exactly.
#[inline]
fn two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    let virtual_b = sum - a;
    (sum, (a - (sum - virtual_b)) + (b - virtual_b))
}

/// The same when `|a| >= |b|`.
#[inline]
fn quick_two_sum(a: f64, b: f64) -> (f64, f64) {
    let sum = a + b;
    (sum, b - (sum - a))
}

/// Product and its rounding error, exactly while neither leaves the range of normal numbers by 2^27.
///
/// Without a fused multiplication in the instruction set the operands are split into halves (Dekker 1971): calling a library
/// for it would take several times as long.
#[inline]
fn two_product(a: f64, b: f64) -> (f64, f64) {
    let product = a * b;
    if cfg!(target_feature = "fma") {
        return (product, a.mul_add(b, -product));
    }
    let split = |x: f64| {
        let scaled = 134_217_729.0 * x;
        let high = scaled - (scaled - x);
        (high, x - high)
    };
    let ((a_high, a_low), (b_high, b_low)) = (split(a), split(b));
    let error = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low;
    (product, error)
}

/// A long sum in four interleaved parts, so that one addition need not wait for the one before it.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct LongSum {
    parts: [DoubleDouble; 4],
    next: usize,
}

impl LongSum {
    pub(crate) fn add(&mut self, term: DoubleDouble) {
        let part = &mut self.parts[self.next];
        *part = *part + term;
        self.next = (self.next + 1) & 3;
    }

    pub(crate) fn total(self) -> DoubleDouble {
        let [a, b, c, d] = self.parts;
        (a + b) + (c + d)
    }
}

impl DoubleDouble {
    pub(crate) const ZERO: Self = Self { hi: 0.0, lo: 0.0 };
    pub(crate) const ONE: Self = Self { hi: 1.0, lo: 0.0 };

    /// Nearest `f64`.
    pub(crate) fn value(self) -> f64 {
        self.hi + self.lo
    }

    pub(crate) fn square(self) -> Self {
        self * self
    }

    /// Square root; zero for what is not positive.
    pub(crate) fn sqrt(self) -> Self {
        if self.hi <= 0.0 {
            return Self::ZERO;
        }
        // One Newton step from the f64 root doubles its digits.
        let root = self.hi.sqrt();
        let rest = self - Self::from(root).square();
        let (hi, lo) = quick_two_sum(root, rest.hi / (2.0 * root));
        Self { hi, lo }
    }

    /// Zero where a sum of squared deviations is no more than the rounding of 32 digits, given the sum of squares of
    /// the data themselves. Without it equal values would seem to have a standard deviation of 1e-31.
    pub(crate) fn above_rounding(self, data_squares: Self) -> Self {
        if self.hi <= 1e-56 * data_squares.hi { Self::ZERO } else { self }
    }

    /// Difference from another value as a double, right to a rounding of itself however near the two are.
    #[inline]
    pub(crate) fn away_from(self, other: Self) -> f64 {
        let (difference, rest) = two_sum(self.hi, -other.hi);
        difference + (rest + (self.lo - other.lo))
    }

    /// A sum of doubles divided by their number, right to about 31 digits.
    #[inline]
    pub(crate) fn mean_of(terms: impl Iterator<Item = Self>, n: f64) -> (Self, Self) {
        let (mut sum, mut rest) = (0.0, 0.0);
        for term in terms {
            let (next, error) = two_sum(sum, term.hi);
            sum = next;
            rest += error + term.lo;
        }
        let mean = sum / n;
        let (product, error) = two_product(mean, n);
        let (hi, lo) = quick_two_sum(mean, ((sum - product) - error + rest) / n);
        let (sum, rest) = quick_two_sum(sum, rest);
        (Self { hi, lo }, Self { hi: sum, lo: rest })
    }

    pub(crate) fn sum(terms: impl IntoIterator<Item = Self>) -> Self {
        terms.into_iter().fold(Self::ZERO, |sum, term| sum + term)
    }
}

impl From<f64> for DoubleDouble {
    fn from(hi: f64) -> Self {
        Self { hi, lo: 0.0 }
    }
}

impl Add for DoubleDouble {
    type Output = Self;
    #[inline]
    fn add(self, other: Self) -> Self {
        let (hi, lo) = two_sum(self.hi, other.hi);
        let (mid, rest) = two_sum(self.lo, other.lo);
        let (hi, lo) = quick_two_sum(hi, lo + mid);
        let (hi, lo) = quick_two_sum(hi, lo + rest);
        Self { hi, lo }
    }
}

impl Neg for DoubleDouble {
    type Output = Self;
    #[inline]
    fn neg(self) -> Self {
        Self { hi: -self.hi, lo: -self.lo }
    }
}

impl Sub for DoubleDouble {
    type Output = Self;
    #[inline]
    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl Mul for DoubleDouble {
    type Output = Self;
    #[inline]
    fn mul(self, other: Self) -> Self {
        let (product, error) = two_product(self.hi, other.hi);
        let (hi, lo) = quick_two_sum(product, error + (self.hi * other.lo + self.lo * other.hi));
        Self { hi, lo }
    }
}

impl Div for DoubleDouble {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        // Long division: three quotient digits of 53 bits each.
        let first = self.hi / other.hi;
        let rest = self - other * Self::from(first);
        let second = rest.hi / other.hi;
        let rest = rest - other * Self::from(second);
        let third = rest.hi / other.hi;
        let (hi, lo) = quick_two_sum(first, second);
        Self { hi, lo } + Self::from(third)
    }
}

mod sealed {
    pub trait Sealed {}
    impl Sealed for f64 {}
    impl Sealed for bigdecimal::BigDecimal {}
    impl Sealed for super::Entered {}
    impl<T: Sealed> Sealed for &T {}
}

/// A measured value as a model takes it: an `f64`, or a decimal with the digits as written.
///
/// Decimals are worth passing on: 1000000000000.4 is not an `f64`, and the nearest one is 2e-5 away from it.
pub trait Observation: sealed::Sealed {
    /// The nearest `f64`.
    #[doc(hidden)]
    fn nearest(&self) -> f64;
    /// What the nearest `f64` leaves over.
    #[doc(hidden)]
    fn remainder(&self) -> f64;
}

impl Observation for f64 {
    fn nearest(&self) -> f64 {
        *self
    }
    fn remainder(&self) -> f64 {
        0.0
    }
}

/// A value as it was entered: the nearest double and what that leaves over of the decimal.
///
/// # Example
/// ```
/// use ferrotitre_core::statistics::{Entered, anova::one_way};
/// let decimal: bigdecimal::BigDecimal = "0.1".parse()?;
/// let groups = [[Entered::from(&decimal), 0.3.into()], [0.5.into(), 0.7.into()]];
/// assert_eq!(one_way::<Entered, _>(&groups, 0.95)?.n, 4);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Entered {
    nearest: f64,
    remainder: f64,
}

impl Entered {
    /// The nearest double.
    #[must_use]
    pub fn value(self) -> f64 {
        self.nearest
    }

    /// Whether the double is all of it.
    #[must_use]
    pub fn is_a_double(self) -> bool {
        self.remainder == 0.0
    }

    /// Sum with a number, with the digits it has beyond its double.
    #[must_use]
    pub fn plus(self, other: f64) -> f64 {
        self.nearest + (self.remainder + other)
    }

    /// Difference to another, with the digits that each has beyond its double.
    #[must_use]
    pub fn minus(self, other: Self) -> f64 {
        (self.nearest - other.nearest) + (self.remainder - other.remainder)
    }
}

impl From<f64> for Entered {
    fn from(value: f64) -> Self {
        Self { nearest: value, remainder: 0.0 }
    }
}

impl From<&BigDecimal> for Entered {
    fn from(value: &BigDecimal) -> Self {
        Self { nearest: value.nearest(), remainder: value.remainder() }
    }
}

impl Observation for Entered {
    fn nearest(&self) -> f64 {
        self.nearest
    }
    fn remainder(&self) -> f64 {
        self.remainder
    }
}

impl Observation for BigDecimal {
    fn nearest(&self) -> f64 {
        self.to_f64().unwrap_or(f64::NAN)
    }
    fn remainder(&self) -> f64 {
        BigDecimal::try_from(self.nearest()).ok().and_then(|near| (self - near).to_f64()).unwrap_or(0.0)
    }
}

impl<T: Observation> Observation for &T {
    fn nearest(&self) -> f64 {
        (*self).nearest()
    }
    fn remainder(&self) -> f64 {
        (*self).remainder()
    }
}

/// Largest magnitude accepted: squares of such values and sums of a million of them stay finite.
const LARGEST: f64 = 1e140;

/// One observation with 32 digits.
pub(crate) fn exact<T: Observation>(name: &'static str, index: usize, x: &T) -> Result<DoubleDouble, ModelError> {
    if usable(x) {
        Ok(unchecked(x))
    } else {
        Err(ModelError::NotFinite { name, position: index + 1, value: x.nearest() })
    }
}

/// Whether a value is a number that can be squared.
pub(crate) fn usable<T: Observation>(x: &T) -> bool {
    x.nearest().abs() <= LARGEST
}

/// A usable value with 32 digits.
pub(crate) fn unchecked<T: Observation>(x: &T) -> DoubleDouble {
    let (hi, lo) = two_sum(x.nearest(), x.remainder());
    DoubleDouble { hi, lo }
}

/// A series with 32 digits.
pub(crate) fn series<T: Observation>(name: &'static str, values: &[T]) -> Result<Vec<DoubleDouble>, ModelError> {
    values.iter().enumerate().map(|(index, x)| exact(name, index, x)).collect()
}

/// Number, mean and sum of squared deviations, with the digits of the data whatever their offset.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Moments {
    pub(crate) n: f64,
    pub(crate) mean: DoubleDouble,
    pub(crate) squares: DoubleDouble,
}

impl Moments {
    /// Moments of a series that is not empty.
    pub(crate) fn of(values: &[DoubleDouble]) -> Self {
        let n = values.len() as f64;
        let mean = DoubleDouble::sum(values.iter().copied()) / DoubleDouble::from(n);
        let squares = DoubleDouble::sum(values.iter().map(|x| (*x - mean).square()));
        Self { n, mean, squares: squares.above_rounding(DoubleDouble::from(n) * mean.square()) }
    }

    /// Moments of at least `needed` observations.
    pub(crate) fn new<T: Observation>(name: &'static str, needed: usize, values: &[T]) -> Result<Self, ModelError> {
        ModelError::need(name, needed, values.len())?;
        Ok(Self::of(&series(name, values)?))
    }

    pub(crate) fn variance(&self) -> f64 {
        self.squares.value() / (self.n - 1.0)
    }

    pub(crate) fn sd(&self) -> f64 {
        self.variance().sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::str::FromStr;

    fn number(text: &str) -> DoubleDouble {
        exact("x", 0, &BigDecimal::from_str(text).unwrap()).unwrap()
    }

    #[test]
    fn operations_keep_thirty_digits() {
        // One third and the root of two to 40 digits: mpmath 1.3.
        let third = number("0.3333333333333333333333333333333333333333");
        let root = number("1.414213562373095048801688724209698078570");
        assert!((DoubleDouble::ONE / DoubleDouble::from(3.0) - third).value().abs() < 1e-32);
        assert!((DoubleDouble::from(2.0).sqrt() - root).value().abs() < 1e-31);
        assert!((number("1000000000000.4") - number("1000000000000.3") - number("0.1")).value().abs() < 1e-19);
        assert!((root * root - DoubleDouble::from(2.0)).value().abs() < 1e-31);
    }

    #[test]
    fn moments_survive_an_offset_of_1e15() {
        let moments = Moments::new("x", 2, &[1e15, 1e15 + 1.0, 1e15 + 2.0]).unwrap();
        assert_eq!((moments.mean.value(), moments.variance()), (1e15 + 1.0, 1.0));
    }

    #[test]
    fn what_is_not_a_number_is_named() {
        let error = series("y", &[1.0, f64::NAN]).unwrap_err().to_string();
        assert!(error.contains("y, value 2"), "{error}");
    }
}
