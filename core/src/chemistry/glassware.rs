//! Glass and what is made of it.

/// Kinds of glass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Glass {
    /// Borosilicate 3.3, the usual one.
    Borosilicate33,
    /// Borosilicate 5.0.
    Borosilicate50,
    /// Soda-lime glass.
    SodaLime,
    /// Fused silica.
    FusedSilica,
}

impl Glass {
    /// All kinds.
    pub const ALL: [Glass; 4] = [Self::Borosilicate33, Self::Borosilicate50, Self::SodaLime, Self::FusedSilica];

    /// Name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Borosilicate33 => "borosilicate 3.3",
            Self::Borosilicate50 => "borosilicate 5.0",
            Self::SodaLime => "soda-lime",
            Self::FusedSilica => "fused silica",
        }
    }

    /// Cubic expansion coefficient, 1/K.
    ///
    /// # Source
    /// ISO 4787 (from memory).
    #[must_use]
    pub fn expansion(self) -> f64 {
        match self {
            Self::Borosilicate33 => super::BOROSILICATE_EXPANSION,
            Self::Borosilicate50 => 15e-6,
            Self::SodaLime => 27e-6,
            Self::FusedSilica => 1.6e-6,
        }
    }
}

/// Volumetric glassware with class A limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Glassware {
    /// Burette, at any delivered volume.
    Burette,
    /// Pipette with one mark.
    Pipette,
    /// Flask with one mark.
    Flask,
}

/// Largest permissible error of class A glassware, mL; `None` for a size that is not in the table.
///
/// Only what the maker promises: a calibration is better.
///
/// # Source
/// ISO 385 (burettes), ISO 648 (pipettes), ISO 1042 (flasks), all from memory.
///
/// # Example
/// ```
/// use ferrotitre_core::chemistry::{Glassware, class_a_limit};
/// assert_eq!(class_a_limit(Glassware::Pipette, 25.0), Some(0.03)); // ISO 648, from memory
/// ```
#[must_use]
pub fn class_a_limit(item: Glassware, nominal_ml: f64) -> Option<f64> {
    let table: &[(f64, f64)] = match item {
        Glassware::Burette => &[(10.0, 0.02), (25.0, 0.03), (100.0, 0.1)],
        Glassware::Pipette => &[(1.0, 0.008), (5.0, 0.015), (10.0, 0.02), (25.0, 0.03), (50.0, 0.05)],
        Glassware::Flask => &[
            (5.0, 0.025),
            (10.0, 0.025),
            (25.0, 0.04),
            (50.0, 0.06),
            (200.0, 0.15),
            (250.0, 0.15),
            (1000.0, 0.4),
            (2000.0, 0.6),
        ],
    };
    table.iter().find(|(nominal, _)| *nominal == nominal_ml).map(|(_, limit)| *limit)
}
