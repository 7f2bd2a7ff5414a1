//! One input quantity: its estimate, standard uncertainty, degrees of freedom and distribution.

use super::UncertaintyError;

/// How many independent pieces of information stand behind a standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DegreesOfFreedom {
    /// A finite number, at least 1 for repeated readings; need not be whole.
    Finite(f64),
    /// The standard uncertainty is taken as known.
    Infinite,
}

/// The distribution assigned to an input, always with the input's estimate as centre and its `standard_uncertainty`
/// as standard deviation, except where a variant says otherwise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Distribution {
    /// A constant; standard uncertainty 0.
    Exact,
    /// Normal.
    Normal,
    /// Rectangular, half-width √3 u.
    Rectangular,
    /// Symmetric triangular, half-width √6 u.
    Triangular,
    /// Symmetric trapezoidal with the ratio β of top to base in \[0, 1\]; half-width u √(6/(1+β²)).
    Trapezoidal {
        /// Width of the top over width of the base.
        top_to_base: f64,
    },
    /// U-shaped (a sinusoidal influence seen at a random instant), half-width √2 u.
    Arcsine,
    /// Scaled and shifted Student t with the input's degrees of freedom; its scale is `standard_uncertainty`, so its
    /// standard deviation is u √(ν/(ν−2)), larger than u (JCGM 101, 6.4.9).
    StudentT,
    /// Rectangular whose half-width a is itself known only to ±d (JCGM 101, 6.4.3); u² = a²/3 + d²/9.
    CurvilinearTrapezoid {
        /// Inexactness d of the half-width over the half-width a, in \[0, 1\].
        relative_limit_width: f64,
    },
}

impl Distribution {
    /// Half-width of the support for standard uncertainty `u`; infinite for unbounded distributions.
    ///
    /// # Source
    /// JCGM 100:2008 4.3.7 to 4.3.9; JCGM 101:2008 table 1.
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

/// One input quantity of a measurement model.
#[derive(Debug, Clone, PartialEq)]
pub struct Input {
    /// Identity: two uses of the same id are the same quantity.
    pub id: String,
    /// Name for people.
    pub label: String,
    /// Estimate, in `unit`.
    pub value: f64,
    /// Standard uncertainty, in `unit`; not negative.
    pub standard_uncertainty: f64,
    /// Degrees of freedom of the standard uncertainty.
    pub degrees_of_freedom: DegreesOfFreedom,
    /// Distribution, used by Monte Carlo evaluation.
    pub distribution: Distribution,
    /// Unit symbol; empty for a number.
    pub unit: String,
}

impl Input {
    /// An input from all its parts.
    ///
    /// # Errors
    /// Names the field and the value when the id is empty, a number is not finite, the standard uncertainty is
    /// negative (or positive for an exact value), the degrees of freedom are not positive, or a shape parameter leaves
    /// \[0, 1\].
    pub fn new(
        id: impl Into<String>,
        label: impl Into<String>,
        value: f64,
        standard_uncertainty: f64,
        degrees_of_freedom: DegreesOfFreedom,
        distribution: Distribution,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        let input = Self {
            id: id.into(),
            label: label.into(),
            value,
            standard_uncertainty,
            degrees_of_freedom,
            distribution,
            unit: unit.into(),
        };
        input.validate()?;
        Ok(input)
    }

    /// Checks the rules of [`Input::new`]; fields are public, so [`super::Inputs::add`] checks again.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn validate(&self) -> Result<(), UncertaintyError> {
        if self.id.is_empty() {
            return Err(UncertaintyError::EmptyId { label: self.label.clone() });
        }
        let u = self.standard_uncertainty;
        self.check("value", "must be finite", self.value, self.value.is_finite())?;
        self.check("standard uncertainty", "must be finite and not negative", u, u.is_finite() && u >= 0.0)?;
        if let DegreesOfFreedom::Finite(df) = self.degrees_of_freedom {
            self.check("degrees of freedom", "must be finite and positive", df, df.is_finite() && df > 0.0)?;
        }
        match self.distribution {
            Distribution::Exact => self.check("standard uncertainty", "must be 0 for an exact value", u, u == 0.0),
            Distribution::Trapezoidal { top_to_base: b } => {
                self.check("top-to-base ratio", "must lie in [0, 1]", b, (0.0..=1.0).contains(&b))
            }
            Distribution::CurvilinearTrapezoid { relative_limit_width: d } => {
                self.check("relative limit width", "must lie in [0, 1]", d, (0.0..=1.0).contains(&d))
            }
            _ => Ok(()),
        }
    }

    fn check(&self, field: &'static str, rule: &'static str, value: f64, ok: bool) -> Result<(), UncertaintyError> {
        if ok { Ok(()) } else { Err(UncertaintyError::InvalidInput { id: self.id.clone(), field, rule, value }) }
    }

    /// A constant without uncertainty.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn exact(
        id: impl Into<String>,
        label: impl Into<String>,
        value: f64,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        Self::new(id, label, value, 0.0, DegreesOfFreedom::Infinite, Distribution::Exact, unit)
    }

    /// A normally distributed input of known standard uncertainty.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn normal(
        id: impl Into<String>,
        label: impl Into<String>,
        value: f64,
        standard_uncertainty: f64,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        Self::new(id, label, value, standard_uncertainty, DegreesOfFreedom::Infinite, Distribution::Normal, unit)
    }

    /// An input from a certificate that states an expanded uncertainty `expanded` with coverage factor `k`.
    ///
    /// # Formula
    /// u = U / k
    ///
    /// # Source
    /// JCGM 100:2008 4.3.3.
    ///
    /// # Errors
    /// As [`Input::new`], and when `k` is not positive or `expanded` is negative.
    pub fn certificate(
        id: impl Into<String>,
        label: impl Into<String>,
        value: f64,
        expanded: f64,
        k: f64,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        let input = Self::exact(id, label, value, unit)?;
        input.check("coverage factor", "must be finite and positive", k, k.is_finite() && k > 0.0)?;
        input.check("expanded uncertainty", "must be finite and not negative", expanded, expanded >= 0.0)?;
        let input = Self { standard_uncertainty: expanded / k, distribution: Distribution::Normal, ..input };
        input.validate()?;
        Ok(input)
    }

    /// An input known to lie within `value` ± `half_width`, nothing being likelier than anything else.
    ///
    /// # Formula
    /// u = a / √3
    ///
    /// # Source
    /// JCGM 100:2008 4.3.7.
    ///
    /// # Errors
    /// As [`Input::new`]; the field named is the half-width.
    pub fn rectangular(
        id: impl Into<String>,
        label: impl Into<String>,
        value: f64,
        half_width: f64,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        Self::bounded(Self::exact(id, label, value, unit)?, half_width, 3.0, Distribution::Rectangular)
    }

    /// An input within `value` ± `half_width`, values near the centre being likelier.
    ///
    /// # Formula
    /// u = a / √6
    ///
    /// # Source
    /// JCGM 100:2008 4.3.9.
    ///
    /// # Errors
    /// As [`Input::new`]; the field named is the half-width.
    pub fn triangular(
        id: impl Into<String>,
        label: impl Into<String>,
        value: f64,
        half_width: f64,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        Self::bounded(Self::exact(id, label, value, unit)?, half_width, 6.0, Distribution::Triangular)
    }

    /// An input that varies as a sine within `value` ± `half_width`, such as a thermostat's cycle.
    ///
    /// # Formula
    /// u = a / √2
    ///
    /// # Source
    /// JCGM 101:2008 6.4.6.
    ///
    /// # Errors
    /// As [`Input::new`]; the field named is the half-width.
    pub fn arcsine(
        id: impl Into<String>,
        label: impl Into<String>,
        value: f64,
        half_width: f64,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        Self::bounded(Self::exact(id, label, value, unit)?, half_width, 2.0, Distribution::Arcsine)
    }

    fn bounded(exact: Self, a: f64, divisor: f64, distribution: Distribution) -> Result<Self, UncertaintyError> {
        exact.check("half-width", "must be finite and not negative", a, a.is_finite() && a >= 0.0)?;
        Ok(Self { standard_uncertainty: a / divisor.sqrt(), distribution, ..exact })
    }

    /// The mean of `n` repeated readings with standard deviation `sample_standard_deviation`.
    ///
    /// # Formula
    /// u = s / √n, ν = n − 1
    ///
    /// # Source
    /// JCGM 100:2008 4.2.
    ///
    /// # Errors
    /// As [`Input::new`]; fewer than two readings.
    pub fn mean_of_readings(
        id: impl Into<String>,
        label: impl Into<String>,
        mean: f64,
        sample_standard_deviation: f64,
        n: u32,
        unit: impl Into<String>,
    ) -> Result<Self, UncertaintyError> {
        let exact = Self::exact(id, label, mean, unit)?;
        let s = sample_standard_deviation;
        exact.check("sample standard deviation", "must be finite and not negative", s, s.is_finite() && s >= 0.0)?;
        if n < 2 {
            let found = usize::try_from(n).unwrap_or(usize::MAX);
            return Err(UncertaintyError::NotEnoughReadings { id: exact.id, needed: 2, found });
        }
        Ok(Self {
            standard_uncertainty: s / f64::from(n).sqrt(),
            degrees_of_freedom: DegreesOfFreedom::Finite(f64::from(n - 1)),
            distribution: Distribution::StudentT,
            ..exact
        })
    }

    /// The same input with other degrees of freedom.
    ///
    /// # Errors
    /// As [`Input::new`].
    pub fn with_degrees_of_freedom(self, degrees_of_freedom: DegreesOfFreedom) -> Result<Self, UncertaintyError> {
        let input = Self { degrees_of_freedom, ..self };
        input.validate()?;
        Ok(input)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constructors_divide_by_the_factor_of_their_distribution() {
        let u = |input: Result<Input, UncertaintyError>| input.unwrap().standard_uncertainty;
        assert_eq!(u(Input::certificate("p", "purity", 0.999954, 0.000044, 2.0, "")), 0.000022);
        assert!((u(Input::rectangular("v", "volume", 25.0, 0.03, "mL")) - 0.0173205).abs() < 5e-8);
        assert!((u(Input::triangular("v", "volume", 25.0, 0.03, "mL")) - 0.0122474).abs() < 5e-8);
        assert!((u(Input::arcsine("t", "temperature", 20.0, 0.5, "C")) - 0.353553).abs() < 5e-7);
        let mean = Input::mean_of_readings("r", "titre", 23.18, 0.03, 4, "mL").unwrap();
        assert_eq!((mean.standard_uncertainty, mean.degrees_of_freedom), (0.015, DegreesOfFreedom::Finite(3.0)));
    }

    #[test]
    fn a_bad_number_is_refused_with_its_field_and_value() {
        let text = |input: Result<Input, UncertaintyError>| input.unwrap_err().to_string();
        assert_eq!(
            text(Input::normal("v", "volume", 25.0, -0.1, "mL")),
            "v: standard uncertainty must be finite and not negative, but is -0.1"
        );
        assert_eq!(text(Input::normal("v", "volume", f64::NAN, 0.1, "mL")), "v: value must be finite, but is NaN");
        assert_eq!(
            text(Input::certificate("p", "purity", 1.0, 0.1, 0.0, "")),
            "p: coverage factor must be finite and positive, but is 0"
        );
        assert_eq!(
            text(Input::mean_of_readings("r", "titre", 23.18, 0.03, 1, "mL")),
            "r: needs at least 2 readings, has 1"
        );
        assert_eq!(text(Input::exact("", "titre", 1.0, "")), "input id must not be empty (label \"titre\")");
    }
}
