//! The operators that are dimensionally true, and the conversions between units of one dimension.
//!
//! Sums stay in the range of the type or are reported as [`RangeError`]; nothing wraps and nothing saturates.

use super::{
    EquivalentsPerLitre, Grams, GramsPerCubicCentimetre, GramsPerLitre, GramsPerMole, MassFraction, Milligrams,
    MilligramsPerLitre, Millilitres, Millimoles, MolesPerLitre, RangeError,
};
use std::num::NonZeroU8;

macro_rules! additive {
    ($($name:ident),+) => {
        $(impl $name {
            /// Sum, refused when it leaves the range of the quantity.
            ///
            /// # Errors
            /// [`RangeError`] when the sum is outside the declared range.
            pub const fn checked_add(self, other: Self) -> Result<Self, RangeError> {
                Self::new(self.value() + other.value())
            }

            /// Difference, refused when it leaves the range of the quantity.
            ///
            /// # Errors
            /// [`RangeError`] when the difference is outside the declared range.
            pub const fn checked_sub(self, other: Self) -> Result<Self, RangeError> {
                Self::new(self.value() - other.value())
            }
        })+
    };
}
additive!(Millilitres, Grams, Milligrams, Millimoles, MolesPerLitre, GramsPerLitre, MilligramsPerLitre);

impl MolesPerLitre {
    /// Amount in a volume: mol/L times mL is mmol.
    ///
    /// # Formula
    /// `n = c V`
    ///
    /// # Errors
    /// [`RangeError`] when the amount is outside its range.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::quantity::{Millilitres, MolesPerLitre};
    /// let n = MolesPerLitre::new(0.1)?.amount_in(Millilitres::new(25.0)?)?;
    /// assert!((n.value() - 2.5).abs() < 1e-12);
    /// # Ok::<(), ferrotitre_core::quantity::RangeError>(())
    /// ```
    pub const fn amount_in(self, volume: Millilitres) -> Result<Millimoles, RangeError> {
        Millimoles::new(self.value() * volume.value())
    }

    /// Mass concentration of a substance of the given molar mass.
    ///
    /// # Errors
    /// [`RangeError`] when the concentration is outside its range.
    pub const fn mass_concentration(self, molar_mass: GramsPerMole) -> Result<GramsPerLitre, RangeError> {
        GramsPerLitre::new(self.value() * molar_mass.value())
    }

    /// The same concentration in equivalents per litre, with the electrons exchanged per formula unit.
    ///
    /// # Formula
    /// `N = z c`
    ///
    /// # Errors
    /// [`RangeError`] when the concentration is outside its range.
    pub fn equivalents(self, electrons: NonZeroU8) -> Result<EquivalentsPerLitre, RangeError> {
        EquivalentsPerLitre::new(self.value() * f64::from(electrons.get()))
    }
}

impl EquivalentsPerLitre {
    /// The same concentration in moles per litre.
    ///
    /// # Formula
    /// `c = N / z`
    ///
    /// # Errors
    /// [`RangeError`] when the concentration is outside its range.
    pub fn moles(self, electrons: NonZeroU8) -> Result<MolesPerLitre, RangeError> {
        MolesPerLitre::new(self.value() / f64::from(electrons.get()))
    }
}

impl Millimoles {
    /// Concentration when this amount is in the given volume.
    ///
    /// # Errors
    /// [`RangeError`] when the volume is zero or the concentration is outside its range.
    pub const fn per(self, volume: Millilitres) -> Result<MolesPerLitre, RangeError> {
        MolesPerLitre::new(self.value() / volume.value())
    }

    /// Mass of this amount of a substance.
    ///
    /// # Errors
    /// [`RangeError`] when the mass is outside its range.
    pub const fn mass(self, molar_mass: GramsPerMole) -> Result<Milligrams, RangeError> {
        Milligrams::new(self.value() * molar_mass.value())
    }
}

impl Grams {
    /// The same mass in milligrams.
    ///
    /// # Errors
    /// Never for a mass in range; the type of the answer is fallible for every quantity.
    pub const fn milligrams(self) -> Result<Milligrams, RangeError> {
        Milligrams::new(self.value() * 1000.0)
    }

    /// Amount of a substance of the given molar mass.
    ///
    /// # Errors
    /// [`RangeError`] when the amount is outside its range.
    pub const fn amount(self, molar_mass: GramsPerMole) -> Result<Millimoles, RangeError> {
        Millimoles::new(1000.0 * self.value() / molar_mass.value())
    }
}

impl Milligrams {
    /// The same mass in grams.
    ///
    /// # Errors
    /// Never for a mass in range.
    pub const fn grams(self) -> Result<Grams, RangeError> {
        Grams::new(self.value() / 1000.0)
    }
}

impl GramsPerLitre {
    /// Amount concentration of a substance of the given molar mass.
    ///
    /// # Errors
    /// [`RangeError`] when the concentration is outside its range.
    pub const fn amount_concentration(self, molar_mass: GramsPerMole) -> Result<MolesPerLitre, RangeError> {
        MolesPerLitre::new(self.value() / molar_mass.value())
    }

    /// The same concentration in mg/L.
    ///
    /// # Errors
    /// Never for a concentration in range.
    pub const fn milligrams_per_litre(self) -> Result<MilligramsPerLitre, RangeError> {
        MilligramsPerLitre::new(self.value() * 1000.0)
    }

    /// Mass fraction in a liquid of the given density.
    ///
    /// # Formula
    /// `w = ρ(analyte) / (1000 ρ(liquid))`, g/L over g/cm³
    ///
    /// # Errors
    /// [`RangeError`] when the fraction is outside its range.
    pub const fn mass_fraction(self, density: GramsPerCubicCentimetre) -> Result<MassFraction, RangeError> {
        MassFraction::new(self.value() / (1000.0 * density.value()))
    }
}

impl MilligramsPerLitre {
    /// The same concentration in g/L.
    ///
    /// # Errors
    /// Never for a concentration in range.
    pub const fn grams_per_litre(self) -> Result<GramsPerLitre, RangeError> {
        GramsPerLitre::new(self.value() / 1000.0)
    }
}

impl MassFraction {
    /// The fraction in per cent.
    #[must_use]
    pub const fn percent(self) -> f64 {
        100.0 * self.value()
    }

    /// Mass concentration in a liquid of the given density.
    ///
    /// # Errors
    /// [`RangeError`] when the concentration is outside its range.
    pub const fn mass_concentration(self, density: GramsPerCubicCentimetre) -> Result<GramsPerLitre, RangeError> {
        GramsPerLitre::new(self.value() * 1000.0 * density.value())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tenth_normal_dichromate_is_a_sixtieth_molar() {
        let six = NonZeroU8::new(6).unwrap();
        let c = EquivalentsPerLitre::new(0.1).unwrap().moles(six).unwrap();
        assert!((c.value() - 1.0 / 60.0).abs() < 1e-15);
        assert!((c.equivalents(six).unwrap().value() - 0.1).abs() < 1e-15);
    }

    #[test]
    fn an_amount_in_no_volume_is_refused() {
        let zero = Millilitres::literal(0.0);
        assert!(Millimoles::literal(1.0).per(zero).is_err());
        assert!(Millimoles::literal(0.0).per(zero).is_err());
    }
}
