//! A value with its partial derivatives to every input it depends on, and the trait that lets one model function run
//! on such values and on plain numbers.

use std::ops::{Add, Div, Mul, Neg, Sub};

/// The arithmetic that a measurement model may use.
///
/// A model written once as `fn model<S: Scalar>(inputs: &[S]) -> S` serves analytic propagation (with [`Sourced`]),
/// finite differences and Monte Carlo (with `f64`).
pub trait Scalar:
    Clone
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + Add<f64, Output = Self>
    + Sub<f64, Output = Self>
    + Mul<f64, Output = Self>
    + Div<f64, Output = Self>
{
    /// A number that depends on no input.
    fn constant(value: f64) -> Self;
    /// The best estimate.
    fn value(&self) -> f64;
    /// Whole power.
    fn powi(self, n: i32) -> Self;
    /// Square root.
    fn sqrt(self) -> Self;
    /// Exponential.
    fn exp(self) -> Self;
    /// Natural logarithm.
    fn ln(self) -> Self;
}

impl Scalar for f64 {
    fn constant(value: f64) -> Self {
        value
    }
    fn value(&self) -> f64 {
        *self
    }
    fn powi(self, n: i32) -> Self {
        Self::powi(self, n)
    }
    fn sqrt(self) -> Self {
        Self::sqrt(self)
    }
    fn exp(self) -> Self {
        Self::exp(self)
    }
    fn ln(self) -> Self {
        Self::ln(self)
    }
}

/// A value and its partial derivative to every input of one [`super::Inputs`] that it depends on.
///
/// Made by [`super::Inputs::add`] and by arithmetic. Values of different lists must not be mixed: the indices would
/// then name other inputs.
#[derive(Debug, Clone, PartialEq)]
pub struct Sourced {
    value: f64,
    /// Sorted by input index, each index once.
    partials: Vec<(u32, f64)>,
}

impl Sourced {
    pub(super) fn from_input(index: u32, value: f64) -> Self {
        Self { value, partials: vec![(index, 1.0)] }
    }

    /// A value with partial derivatives by rising input index.
    pub(crate) fn of(value: f64, partials: Vec<(u32, f64)>) -> Self {
        Self { value, partials }
    }

    /// Best estimate.
    pub fn value(&self) -> f64 {
        self.value
    }

    /// Pairs of input index and partial derivative, by rising index.
    pub fn partials(&self) -> &[(u32, f64)] {
        &self.partials
    }

    /// f(x) with derivative f′(x) (the chain rule), for functions that [`Scalar`] lacks.
    #[must_use]
    pub fn map(mut self, value: f64, derivative: f64) -> Self {
        self.value = value;
        for partial in &mut self.partials {
            partial.1 *= derivative;
        }
        self
    }

    /// value and Σ over both operands of derivative × partials: the one place where two lists of sources are merged.
    fn combine(&self, a: f64, other: &Self, b: f64, value: f64) -> Self {
        let (left, right) = (self.partials.as_slice(), other.partials.as_slice());
        let mut partials = Vec::with_capacity(left.len() + right.len());
        let (mut i, mut j) = (0, 0);
        while let (Some(&(li, lp)), Some(&(ri, rp))) = (left.get(i), right.get(j)) {
            if li < ri {
                partials.push((li, a * lp));
                i += 1;
            } else if ri < li {
                partials.push((ri, b * rp));
                j += 1;
            } else {
                partials.push((li, a.mul_add(lp, b * rp)));
                i += 1;
                j += 1;
            }
        }
        partials.extend(left.iter().skip(i).map(|&(index, p)| (index, a * p)));
        partials.extend(right.iter().skip(j).map(|&(index, p)| (index, b * p)));
        Self { value, partials }
    }

    fn sum(&self, other: &Self) -> Self {
        self.combine(1.0, other, 1.0, self.value + other.value)
    }
    fn difference(&self, other: &Self) -> Self {
        self.combine(1.0, other, -1.0, self.value - other.value)
    }
    fn product(&self, other: &Self) -> Self {
        self.combine(other.value, other, self.value, self.value * other.value)
    }
    fn quotient(&self, other: &Self) -> Self {
        let value = self.value / other.value;
        self.combine(1.0 / other.value, other, -value / other.value, value)
    }
}

/// An operator between values, for every mixture of owned and borrowed operands, and with a plain number.
macro_rules! operator {
    ($trait:ident, $method:ident, $inner:ident, $scalar:expr, $reversed:expr) => {
        impl $trait<&Sourced> for &Sourced {
            type Output = Sourced;
            fn $method(self, other: &Sourced) -> Sourced {
                self.$inner(other)
            }
        }
        impl $trait<Sourced> for &Sourced {
            type Output = Sourced;
            fn $method(self, other: Sourced) -> Sourced {
                self.$inner(&other)
            }
        }
        impl $trait<&Sourced> for Sourced {
            type Output = Sourced;
            fn $method(self, other: &Sourced) -> Sourced {
                self.$inner(other)
            }
        }
        impl $trait for Sourced {
            type Output = Sourced;
            fn $method(self, other: Sourced) -> Sourced {
                self.$inner(&other)
            }
        }
        impl $trait<f64> for Sourced {
            type Output = Sourced;
            fn $method(self, number: f64) -> Sourced {
                let (value, derivative): (f64, f64) = $scalar(self.value, number);
                self.map(value, derivative)
            }
        }
        impl $trait<f64> for &Sourced {
            type Output = Sourced;
            fn $method(self, number: f64) -> Sourced {
                $trait::$method(self.clone(), number)
            }
        }
        impl $trait<Sourced> for f64 {
            type Output = Sourced;
            fn $method(self, x: Sourced) -> Sourced {
                let (value, derivative): (f64, f64) = $reversed(self, x.value);
                x.map(value, derivative)
            }
        }
        impl $trait<&Sourced> for f64 {
            type Output = Sourced;
            fn $method(self, x: &Sourced) -> Sourced {
                $trait::$method(self, x.clone())
            }
        }
    };
}

operator!(Add, add, sum, |x: f64, a: f64| (x + a, 1.0), |a: f64, x: f64| (a + x, 1.0));
operator!(Sub, sub, difference, |x: f64, a: f64| (x - a, 1.0), |a: f64, x: f64| (a - x, -1.0));
operator!(Mul, mul, product, |x: f64, a: f64| (x * a, a), |a: f64, x: f64| (a * x, a));
operator!(Div, div, quotient, |x: f64, a: f64| (x / a, 1.0 / a), |a: f64, x: f64| (a / x, -a / (x * x)));

impl Neg for Sourced {
    type Output = Self;
    fn neg(self) -> Self {
        let value = -self.value;
        self.map(value, -1.0)
    }
}

impl Neg for &Sourced {
    type Output = Sourced;
    fn neg(self) -> Sourced {
        -self.clone()
    }
}

impl Scalar for Sourced {
    fn constant(value: f64) -> Self {
        Self { value, partials: Vec::new() }
    }
    fn value(&self) -> f64 {
        self.value
    }
    fn powi(self, n: i32) -> Self {
        let x = self.value;
        // x⁰ is constant; 0 · x⁻¹ would be 0/0 at x = 0.
        let derivative = if n == 0 { 0.0 } else { f64::from(n) * x.powi(n - 1) };
        self.map(x.powi(n), derivative)
    }
    fn sqrt(self) -> Self {
        let root = self.value.sqrt();
        self.map(root, 0.5 / root)
    }
    fn exp(self) -> Self {
        let value = self.value.exp();
        self.map(value, value)
    }
    fn ln(self) -> Self {
        let x = self.value;
        self.map(x.ln(), 1.0 / x)
    }
}

/// Sum of values; an empty sum is the constant 0.
impl std::iter::Sum for Sourced {
    fn sum<I: Iterator<Item = Self>>(values: I) -> Self {
        values.fold(Self::constant(0.0), |total, x| total + x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn partial_derivatives_follow_the_rules_of_calculus() {
        let (x, y) = (Sourced::from_input(0, 2.0), Sourced::from_input(3, 5.0));
        let z = &x * &y / (&x + 1.0);
        // d/dx xy/(x+1) = y/(x+1)², d/dy = x/(x+1).
        assert!((z.value() - 10.0 / 3.0).abs() < 1e-15);
        let expected = [(0, 5.0 / 9.0), (3, 2.0 / 3.0)];
        for (got, want) in z.partials().iter().zip(expected) {
            assert_eq!(got.0, want.0);
            assert!((got.1 - want.1).abs() < 1e-15);
        }
        assert_eq!(x.clone().powi(3).partials(), [(0, 12.0)]);
        assert_eq!((3.0 / &x).partials(), [(0, -0.75)]);
        assert_eq!((1.0 - &x).partials(), [(0, -1.0)]);
        assert_eq!(y.clone().ln().partials(), [(3, 0.2)]);
        assert_eq!((&x - &x).partials(), [(0, 0.0)]);
    }
}
