//! One input quantity: its estimate, standard uncertainty, degrees of freedom and distribution.

/// Degrees of freedom of a standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DegreesOfFreedom {
    /// Known, positive; need not be whole.
    Finite(f64),
    /// Type B with full knowledge.
    Infinite,
}

/// Shape of what is known about an input, centred on its value, with its standard uncertainty as standard deviation
/// except where a variant says otherwise. First-order propagation does not use it; Monte Carlo does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Distribution {
    /// A constant; standard uncertainty 0.
    Exact,
    /// From a certificate or many effects.
    Normal,
    /// Only limits are known; half-width √3 u.
    Rectangular,
    /// Limits, values near the middle more likely; half-width √6 u.
    Triangular,
    /// Symmetric trapezoid; half-width u √(6/(1+β²)).
    Trapezoidal {
        /// Ratio β of top to base, in \[0, 1\].
        top_to_base: f64,
    },
    /// U-shaped: a sinusoidal influence seen at a random instant; half-width √2 u.
    Arcsine,
    /// Mean of few observations: scaled and shifted Student t with the input's degrees of freedom ν. Its *scale* is the
    /// standard uncertainty, so its standard deviation is u √(ν/(ν−2)) (JCGM 101:2008, 6.4.9, from memory).
    StudentT,
    /// Rectangular whose half-width a is itself known only to ± d; u² = a²/3 + d²/9 (JCGM 101:2008, 6.4.3, from memory).
    CurvilinearTrapezoid {
        /// d / a, in \[0, 1\].
        relative_limit_width: f64,
    },
}

impl Distribution {
    /// Half-width of the support for standard uncertainty `u`; infinite for unbounded distributions.
    ///
    /// # Source
    /// JCGM 100:2008 4.3.7 to 4.3.9; JCGM 101:2008 table 1 (from memory).
    #[must_use]
    pub fn half_width(self, u: f64) -> f64 {
        match self {
            Self::Exact => 0.0,
            Self::Normal | Self::StudentT => f64::INFINITY,
            Self::Rectangular => 3.0_f64.sqrt() * u,
            Self::Triangular => 6.0_f64.sqrt() * u,
            Self::Trapezoidal { top_to_base } => u * (6.0 / (1.0 + top_to_base * top_to_base)).sqrt(),
            Self::Arcsine => 2.0_f64.sqrt() * u,
            Self::CurvilinearTrapezoid { relative_limit_width: d } => u / (1.0 / 3.0 + d * d / 9.0).sqrt() * (1.0 + d),
        }
    }
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

/// What is wrong with an input.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum InputError {
    /// Not a number one can propagate.
    #[error("input {id}: the {field} must be finite and not negative where it is an uncertainty, not {value}")]
    NotUsable {
        /// Input.
        id: String,
        /// value, standard uncertainty, half-width, expanded uncertainty.
        field: &'static str,
        /// Offending number.
        value: f64,
    },
    /// A number outside the range of its field.
    #[error("input {id}: the {field} must be {rule}, not {value}")]
    OutOfRange {
        /// Input.
        id: String,
        /// degrees of freedom, coverage factor, number of readings, shape parameter.
        field: &'static str,
        /// The rule broken.
        rule: &'static str,
        /// Offending number.
        value: f64,
    },
    /// The same id with other numbers.
    #[error("input {id} is given twice with different numbers: {first} and {second}")]
    Contradiction {
        /// Input.
        id: String,
        /// What was first given.
        first: String,
        /// What was given again.
        second: String,
    },
    /// A correlation names an input that is not in the list.
    #[error("input {id} is not in the list")]
    Unknown {
        /// Input.
        id: String,
    },
    /// A correlation that cannot be.
    #[error("the correlation of {first} and {second}, {coefficient}, {rule}")]
    Correlation {
        /// Input.
        first: String,
        /// The other input.
        second: String,
        /// Offending coefficient.
        coefficient: f64,
        /// The rule broken.
        rule: &'static str,
    },
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
    /// A normally distributed input with unlimited degrees of freedom; checked by [`super::Inputs::add`].
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

    /// A constant.
    #[must_use]
    pub fn exact(id: impl Into<String>, label: impl Into<String>, unit: &'static str, value: f64) -> Self {
        Self::new(id, label, unit, value, 0.0).shaped(Distribution::Exact)
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

    /// The same with the uncertainty of a certificate: expanded uncertainty and coverage factor k.
    ///
    /// # Formula
    /// u = U / k
    ///
    /// # Source
    /// JCGM 100:2008, 4.3.3 (from memory).
    ///
    /// # Errors
    /// A coverage factor that is not positive, an expanded uncertainty that is negative or not finite.
    pub fn from_certificate(mut self, expanded: f64, k: f64) -> Result<Self, InputError> {
        self.check_range("coverage factor", "finite and greater than 0", k, k.is_finite() && k > 0.0)?;
        self.standard_uncertainty = self.usable("expanded uncertainty", expanded)? / k;
        Ok(self.shaped(Distribution::Normal))
    }

    /// The same, known only to lie within ± `half_width`, with the given bounded shape.
    ///
    /// # Formula
    /// u = a / √3 (rectangular), a / √6 (triangular), a / √2 (arcsine), a √((1+β²)/6) (trapezoidal),
    /// √(a²/3 + d²/9) (curvilinear trapezoid, `half_width` being the middle value a)
    ///
    /// # Source
    /// JCGM 100:2008, 4.3.7 and 4.3.9; JCGM 101:2008, 6.4 (from memory).
    ///
    /// # Errors
    /// A half-width that is negative or not finite; an unbounded shape.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::uncertainty::{Distribution, Input};
    /// let pipette = Input::new("p25", "pipette", "mL", 25.0, 0.0).within(0.03, Distribution::Triangular)?;
    /// assert!((pipette.standard_uncertainty - 0.01225).abs() < 5e-6);
    /// # Ok::<(), ferrotitre_core::uncertainty::InputError>(())
    /// ```
    pub fn within(mut self, half_width: f64, distribution: Distribution) -> Result<Self, InputError> {
        let a = self.usable("half-width", half_width)?;
        let reach = match distribution {
            Distribution::CurvilinearTrapezoid { relative_limit_width: d } => a * (1.0 + d),
            _ => a,
        };
        let unit = distribution.half_width(1.0);
        self.check_range("half-width", "given with a bounded shape", a, unit.is_finite() && unit > 0.0)?;
        self.standard_uncertainty = reach / unit;
        Ok(self.shaped(distribution))
    }

    /// The same as the mean of `n` readings with sample standard deviation `s` (type A).
    ///
    /// # Formula
    /// u = s / √n, ν = n − 1
    ///
    /// # Source
    /// JCGM 100:2008, 4.2 (from memory).
    ///
    /// # Errors
    /// Fewer than two readings, a standard deviation that is negative or not finite.
    pub fn from_readings(mut self, sample_standard_deviation: f64, n: u32) -> Result<Self, InputError> {
        let s = self.usable("sample standard deviation", sample_standard_deviation)?;
        self.check_range("number of readings", "at least 2", f64::from(n), n >= 2)?;
        self.standard_uncertainty = s / f64::from(n).sqrt();
        Ok(self.with_dof(Some(f64::from(n - 1))).shaped(Distribution::StudentT))
    }

    /// Checks every number.
    ///
    /// # Errors
    /// Names the field and the value.
    pub fn validate(&self) -> Result<(), InputError> {
        if !self.value.is_finite() {
            return Err(InputError::NotUsable { id: self.id.clone(), field: "value", value: self.value });
        }
        let u = self.usable("standard uncertainty", self.standard_uncertainty)?;
        if let DegreesOfFreedom::Finite(dof) = self.degrees_of_freedom {
            self.check_range("degrees of freedom", "greater than 0", dof, dof > 0.0)?;
        }
        let share = |b: f64| (0.0..=1.0).contains(&b);
        match self.distribution {
            Distribution::Exact => self.check_range("standard uncertainty", "0 for a constant", u, u == 0.0),
            Distribution::Trapezoidal { top_to_base: b } => {
                self.check_range("ratio of top to base", "in [0, 1]", b, share(b))
            }
            Distribution::CurvilinearTrapezoid { relative_limit_width: d } => {
                self.check_range("relative limit width", "in [0, 1]", d, share(d))
            }
            _ => Ok(()),
        }
    }

    fn usable(&self, field: &'static str, value: f64) -> Result<f64, InputError> {
        if value.is_finite() && value >= 0.0 {
            Ok(value)
        } else {
            Err(InputError::NotUsable { id: self.id.clone(), field, value })
        }
    }

    fn check_range(&self, field: &'static str, rule: &'static str, value: f64, ok: bool) -> Result<(), InputError> {
        if ok { Ok(()) } else { Err(InputError::OutOfRange { id: self.id.clone(), field, rule, value }) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input() -> Input {
        Input::new("v", "volume", "mL", 25.0, 0.0)
    }

    #[test]
    fn uncertainties_are_divided_by_the_factor_of_their_distribution() {
        let u = |input: Result<Input, InputError>| input.unwrap().standard_uncertainty;
        assert_eq!(u(input().from_certificate(0.000044, 2.0)), 0.000022);
        // 0.03/√3, 0.03/√6, 0.5/√2 by hand.
        assert!((u(input().within(0.03, Distribution::Rectangular)) - 0.0173205).abs() < 5e-8);
        assert!((u(input().within(0.03, Distribution::Triangular)) - 0.0122474).abs() < 5e-8);
        assert!((u(input().within(0.03, Distribution::Trapezoidal { top_to_base: 0.0 })) - 0.0122474).abs() < 5e-8);
        assert!((u(input().within(0.03, Distribution::Trapezoidal { top_to_base: 1.0 })) - 0.0173205).abs() < 5e-8);
        assert!((u(input().within(0.5, Distribution::Arcsine)) - 0.353553).abs() < 5e-7);
        let curved = Distribution::CurvilinearTrapezoid { relative_limit_width: 0.5 };
        assert!(
            (u(input().within(0.05, curved)) - (0.05_f64.powi(2) / 3.0 + 0.025_f64.powi(2) / 9.0).sqrt()).abs() < 1e-16
        );
        let mean = input().from_readings(0.03, 4).unwrap();
        assert_eq!((mean.standard_uncertainty, mean.degrees_of_freedom), (0.015, DegreesOfFreedom::Finite(3.0)));
    }

    #[test]
    fn a_bad_number_is_refused_with_its_field_and_value() {
        let text = |result: Result<Input, InputError>| result.unwrap_err().to_string();
        assert_eq!(
            text(input().from_certificate(0.1, 0.0)),
            "input v: the coverage factor must be finite and greater than 0, not 0"
        );
        assert_eq!(text(input().from_readings(0.1, 1)), "input v: the number of readings must be at least 2, not 1");
        assert!(text(input().within(-0.1, Distribution::Rectangular)).contains("half-width"));
        assert!(text(input().within(0.1, Distribution::Normal)).contains("bounded shape"));
        let exact = Input { standard_uncertainty: 0.1, ..Input::exact("z", "electrons", "", 6.0) };
        assert_eq!(
            exact.validate().unwrap_err().to_string(),
            "input z: the standard uncertainty must be 0 for a constant, not 0.1"
        );
    }
}
