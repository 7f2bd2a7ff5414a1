//! First-order propagation with the partial derivative to every input kept.

use std::collections::HashMap;
use std::ops::{Add, Div, Mul, Neg, Sub};

/// Degrees of freedom of a standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DegreesOfFreedom {
    /// Known, positive.
    Finite(f64),
    /// Type B with full knowledge.
    Infinite,
}

/// Shape of what is known about an input; documents where its standard uncertainty comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Distribution {
    /// From a certificate or many effects.
    Normal,
    /// Only limits are known.
    Rectangular,
    /// Limits, values near the middle more likely.
    Triangular,
    /// Mean of few observations.
    StudentT,
}

/// Standard uncertainty of a rectangular distribution: a / sqrt 3 (JCGM 100:2008, 4.3.7, from memory).
#[must_use]
pub fn half_width_rectangular(half_width: f64) -> f64 {
    half_width / 3f64.sqrt()
}

/// Standard uncertainty of a symmetric triangular distribution: a / sqrt 6 (JCGM 100:2008, 4.3.9, from memory).
#[must_use]
pub fn half_width_triangular(half_width: f64) -> f64 {
    half_width / 6f64.sqrt()
}

/// One source of uncertainty. Two results that use an input of the same id share it.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// Identity across results.
    pub id: String,
    /// What it is, for the budget.
    pub label: String,
    /// Unit of value and uncertainty.
    pub unit: &'static str,
    /// Best estimate.
    pub value: f64,
    /// Standard uncertainty, not negative.
    pub standard_uncertainty: f64,
    /// Degrees of freedom of the standard uncertainty.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Shape.
    pub distribution: Distribution,
}

impl Input {
    /// An input known from a certificate or specification, with unlimited degrees of freedom.
    #[must_use]
    pub fn new(id: impl Into<String>, label: impl Into<String>, unit: &'static str, value: f64, u: f64) -> Self {
        Self {
            id: id.into(),
            label: label.into(),
            unit,
            value,
            standard_uncertainty: u,
            degrees_of_freedom: DegreesOfFreedom::Infinite,
            distribution: Distribution::Normal,
        }
    }

    /// The same with other degrees of freedom; `None` stands for unlimited.
    #[must_use]
    pub fn with_dof(mut self, dof: Option<f64>) -> Self {
        self.degrees_of_freedom = dof.map_or(DegreesOfFreedom::Infinite, DegreesOfFreedom::Finite);
        self
    }

    /// The same with another shape.
    #[must_use]
    pub fn shaped(mut self, distribution: Distribution) -> Self {
        self.distribution = distribution;
        self
    }
}

/// What is wrong with an input.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum InputError {
    /// Not a number one can propagate.
    #[error("input {id}: the {field} must be finite and not negative where it is an uncertainty, not {value}")]
    NotUsable {
        /// Input.
        id: String,
        /// value, standard uncertainty or degrees of freedom.
        field: &'static str,
        /// Offending number.
        value: f64,
    },
    /// The same id with other numbers.
    #[error("input {id} is given twice with different numbers: {first} and {second}")]
    Contradiction {
        /// Input.
        id: String,
        /// Value and uncertainty first given.
        first: String,
        /// Value and uncertainty given again.
        second: String,
    },
}

/// The inputs of a model. Values made from them refer to them by position.
#[derive(Debug, Clone, Default)]
pub struct Inputs {
    inputs: Vec<Input>,
    positions: HashMap<String, u32>,
}

/// A number that a model is written in: a plain double for simulation, or a [`Sourced`] value for propagation.
pub trait Scalar:
    Clone
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + Add<f64, Output = Self>
    + Mul<f64, Output = Self>
    + Div<f64, Output = Self>
{
    /// A constant without uncertainty.
    fn constant(value: f64) -> Self;
    /// The number.
    fn value(&self) -> f64;
}

impl Scalar for f64 {
    fn constant(value: f64) -> Self {
        value
    }
    fn value(&self) -> f64 {
        *self
    }
}

/// A value and its partial derivatives to the inputs, sorted by position.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Sourced {
    value: f64,
    partials: Vec<(u32, f64)>,
}

impl Sourced {
    /// The value.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.value
    }

    fn scaled(mut self, value: f64, factor: f64) -> Self {
        self.value = value;
        for (_, partial) in &mut self.partials {
            *partial *= factor;
        }
        self
    }

    /// `a f + b g` for the partials of `f` and `g`, both lists sorted.
    fn combined(value: f64, f: &Self, a: f64, g: &Self, b: f64) -> Self {
        let mut partials = Vec::with_capacity(f.partials.len() + g.partials.len());
        let (mut left, mut right) = (f.partials.iter().peekable(), g.partials.iter().peekable());
        loop {
            match (left.peek(), right.peek()) {
                (Some(&&(i, p)), Some(&&(j, q))) if i == j => {
                    partials.push((i, a * p + b * q));
                    left.next();
                    right.next();
                }
                (Some(&&(i, p)), Some(&&(j, _))) if i < j => {
                    partials.push((i, a * p));
                    left.next();
                }
                (Some(&&(i, p)), None) => {
                    partials.push((i, a * p));
                    left.next();
                }
                (_, Some(&&(j, q))) => {
                    partials.push((j, b * q));
                    right.next();
                }
                (None, None) => break,
            }
        }
        Self { value, partials }
    }
}

impl Scalar for Sourced {
    fn constant(value: f64) -> Self {
        Self { value, partials: Vec::new() }
    }
    fn value(&self) -> f64 {
        self.value
    }
}

impl Add for Sourced {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self::combined(self.value + other.value, &self, 1.0, &other, 1.0)
    }
}
impl Sub for Sourced {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self::combined(self.value - other.value, &self, 1.0, &other, -1.0)
    }
}
impl Mul for Sourced {
    type Output = Self;
    fn mul(self, other: Self) -> Self {
        Self::combined(self.value * other.value, &self, other.value, &other, self.value)
    }
}
impl Div for Sourced {
    type Output = Self;
    fn div(self, other: Self) -> Self {
        let value = self.value / other.value;
        Self::combined(value, &self, 1.0 / other.value, &other, -value / other.value)
    }
}
impl Neg for Sourced {
    type Output = Self;
    fn neg(self) -> Self {
        let value = -self.value;
        self.scaled(value, -1.0)
    }
}
impl Add<f64> for Sourced {
    type Output = Self;
    fn add(mut self, constant: f64) -> Self {
        self.value += constant;
        self
    }
}
impl Mul<f64> for Sourced {
    type Output = Self;
    fn mul(self, constant: f64) -> Self {
        let value = self.value * constant;
        self.scaled(value, constant)
    }
}
impl Div<f64> for Sourced {
    type Output = Self;
    fn div(self, constant: f64) -> Self {
        let value = self.value / constant;
        self.scaled(value, 1.0 / constant)
    }
}

/// One line of an uncertainty budget.
#[derive(Debug, Clone, PartialEq)]
pub struct Contribution {
    /// Input.
    pub input: Input,
    /// Sensitivity: partial derivative of the result to the input.
    pub sensitivity: f64,
    /// Signed contribution to the standard uncertainty: sensitivity times u, in the unit of the result.
    pub contribution: f64,
    /// Share of the variance, 0 to 1.
    pub share: f64,
}

impl Inputs {
    /// No inputs.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds an input, or finds the one of the same id.
    ///
    /// # Errors
    /// [`InputError::NotUsable`]; [`InputError::Contradiction`] if the id is known with other numbers.
    pub fn add(&mut self, input: Input) -> Result<Sourced, InputError> {
        let unusable = |field, value| InputError::NotUsable { id: input.id.clone(), field, value };
        if !input.value.is_finite() {
            return Err(unusable("value", input.value));
        }
        if !(input.standard_uncertainty.is_finite() && input.standard_uncertainty >= 0.0) {
            return Err(unusable("standard uncertainty", input.standard_uncertainty));
        }
        if let DegreesOfFreedom::Finite(dof) = input.degrees_of_freedom {
            if dof.is_nan() || dof <= 0.0 {
                return Err(unusable("degrees of freedom", dof));
            }
        }
        let position = match self.positions.get(&input.id) {
            Some(&position) => {
                let known = &self.inputs[position as usize];
                if known.value != input.value || known.standard_uncertainty != input.standard_uncertainty {
                    let show = |i: &Input| format!("{} (u {})", i.value, i.standard_uncertainty);
                    return Err(InputError::Contradiction {
                        id: input.id.clone(),
                        first: show(known),
                        second: show(&input),
                    });
                }
                position
            }
            None => {
                let position = u32::try_from(self.inputs.len()).unwrap_or(u32::MAX);
                self.positions.insert(input.id.clone(), position);
                self.inputs.push(input.clone());
                position
            }
        };
        Ok(Sourced { value: input.value, partials: vec![(position, 1.0)] })
    }

    /// Standard uncertainty of a value, its inputs being independent of each other.
    ///
    /// # Formula
    /// u^2(y) = sum over inputs of (c_i u_i)^2
    ///
    /// # Source
    /// JCGM 100:2008, equation (10); values that share inputs are thereby correlated as in equation (13) (from memory).
    #[must_use]
    pub fn standard_uncertainty(&self, value: &Sourced) -> f64 {
        self.covariance(value, value).max(0.0).sqrt()
    }

    /// Covariance of two values through the inputs they share (JCGM 100:2008, F.1.2.3, from memory).
    #[must_use]
    pub fn covariance(&self, a: &Sourced, b: &Sourced) -> f64 {
        let mut sum = 0.0;
        let mut others = b.partials.iter().peekable();
        for (position, partial) in &a.partials {
            while others.next_if(|(other, _)| other < position).is_some() {}
            if let Some((_, other)) = others.next_if(|(other, _)| other == position) {
                let u = self.inputs[*position as usize].standard_uncertainty;
                sum += (partial * u) * (other * u);
            }
        }
        sum
    }

    /// Correlation coefficient of two values; `None` if one of them has no uncertainty.
    #[must_use]
    pub fn correlation(&self, a: &Sourced, b: &Sourced) -> Option<f64> {
        let product = self.standard_uncertainty(a) * self.standard_uncertainty(b);
        (product > 0.0).then(|| self.covariance(a, b) / product)
    }

    /// The budget of a value, largest share first.
    #[must_use]
    pub fn budget(&self, value: &Sourced) -> Vec<Contribution> {
        let variance = self.covariance(value, value);
        let mut budget: Vec<Contribution> = value
            .partials
            .iter()
            .map(|(position, partial)| {
                let input = self.inputs[*position as usize].clone();
                let contribution = partial * input.standard_uncertainty;
                let share = if variance > 0.0 { contribution * contribution / variance } else { 0.0 };
                Contribution { input, sensitivity: *partial, contribution, share }
            })
            .collect();
        budget.sort_by(|a, b| b.share.total_cmp(&a.share).then_with(|| a.input.id.cmp(&b.input.id)));
        budget
    }

    /// Effective degrees of freedom; infinite if no input with finite ones contributes.
    ///
    /// # Formula
    /// nu_eff = u^4 / sum of (c_i u_i)^4 / nu_i
    ///
    /// # Source
    /// JCGM 100:2008, equation (G.2b) (Welch and Satterthwaite; from memory).
    #[must_use]
    pub fn effective_degrees_of_freedom(&self, value: &Sourced) -> DegreesOfFreedom {
        let variance = self.covariance(value, value);
        let sum: f64 = value
            .partials
            .iter()
            .map(|(position, partial)| {
                let input = &self.inputs[*position as usize];
                match input.degrees_of_freedom {
                    DegreesOfFreedom::Finite(dof) => (partial * input.standard_uncertainty).powi(4) / dof,
                    DegreesOfFreedom::Infinite => 0.0,
                }
            })
            .sum();
        if sum > 0.0 { DegreesOfFreedom::Finite(variance * variance / sum) } else { DegreesOfFreedom::Infinite }
    }
}
