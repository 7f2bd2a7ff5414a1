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

/// Classes of accuracy.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum GlassClass {
    /// Class A, and AS, which differs only in its delivery time.
    A,
    /// Class B.
    B,
}

/// A size of a standard and what it may be off by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlasswareLimit {
    /// Nominal volume, mL.
    pub nominal_ml: f64,
    /// Scale division, mL; only burettes have one.
    pub division_ml: Option<f64>,
    /// Largest permissible error of class A, mL.
    pub class_a_ml: f64,
    /// Largest permissible error of class B, mL.
    pub class_b_ml: f64,
}

impl GlasswareLimit {
    const fn burette(nominal_ml: f64, division_ml: f64, class_a_ml: f64, class_b_ml: f64) -> Self {
        Self { nominal_ml, division_ml: Some(division_ml), class_a_ml, class_b_ml }
    }
    const fn one_mark(nominal_ml: f64, class_a_ml: f64, class_b_ml: f64) -> Self {
        Self { nominal_ml, division_ml: None, class_a_ml, class_b_ml }
    }
    /// Largest permissible error, mL.
    #[must_use]
    pub fn of(&self, class: GlassClass) -> f64 {
        match class {
            GlassClass::A => self.class_a_ml,
            GlassClass::B => self.class_b_ml,
        }
    }
}

/// Burettes, finest division of a size first.
const BURETTES: &[GlasswareLimit] = &[
    GlasswareLimit::burette(1.0, 0.01, 0.01, 0.02),
    GlasswareLimit::burette(2.0, 0.01, 0.01, 0.02),
    GlasswareLimit::burette(5.0, 0.02, 0.01, 0.02),
    GlasswareLimit::burette(10.0, 0.02, 0.02, 0.05),
    GlasswareLimit::burette(10.0, 0.05, 0.03, 0.05),
    GlasswareLimit::burette(25.0, 0.05, 0.03, 0.05),
    GlasswareLimit::burette(25.0, 0.1, 0.05, 0.1),
    GlasswareLimit::burette(50.0, 0.1, 0.05, 0.1),
    GlasswareLimit::burette(100.0, 0.2, 0.1, 0.2),
];

const PIPETTES: &[GlasswareLimit] = &[
    GlasswareLimit::one_mark(0.5, 0.005, 0.01),
    GlasswareLimit::one_mark(1.0, 0.008, 0.015),
    GlasswareLimit::one_mark(2.0, 0.01, 0.02),
    GlasswareLimit::one_mark(5.0, 0.015, 0.03),
    GlasswareLimit::one_mark(10.0, 0.02, 0.04),
    GlasswareLimit::one_mark(20.0, 0.03, 0.06),
    GlasswareLimit::one_mark(25.0, 0.03, 0.06),
    GlasswareLimit::one_mark(50.0, 0.05, 0.1),
    GlasswareLimit::one_mark(100.0, 0.08, 0.15),
    GlasswareLimit::one_mark(200.0, 0.1, 0.2),
];

const FLASKS: &[GlasswareLimit] = &[
    GlasswareLimit::one_mark(1.0, 0.025, 0.05),
    GlasswareLimit::one_mark(2.0, 0.025, 0.05),
    GlasswareLimit::one_mark(5.0, 0.025, 0.05),
    GlasswareLimit::one_mark(10.0, 0.025, 0.05),
    GlasswareLimit::one_mark(20.0, 0.04, 0.08),
    GlasswareLimit::one_mark(25.0, 0.04, 0.08),
    GlasswareLimit::one_mark(50.0, 0.06, 0.12),
    GlasswareLimit::one_mark(100.0, 0.1, 0.2),
    GlasswareLimit::one_mark(200.0, 0.15, 0.3),
    GlasswareLimit::one_mark(250.0, 0.15, 0.3),
    GlasswareLimit::one_mark(500.0, 0.25, 0.5),
    GlasswareLimit::one_mark(1000.0, 0.4, 0.8),
    GlasswareLimit::one_mark(2000.0, 0.6, 1.2),
    GlasswareLimit::one_mark(5000.0, 1.2, 2.4),
];

/// The sizes of a standard with their limits.
///
/// Only what the maker promises: a calibration is better.
///
/// # Source
/// ISO 385 (burettes, any delivered volume), ISO 648 (pipettes), ISO 1042 (flasks), all from memory.
#[must_use]
pub fn glassware_limits(item: Glassware) -> &'static [GlasswareLimit] {
    match item {
        Glassware::Burette => BURETTES,
        Glassware::Pipette => PIPETTES,
        Glassware::Flask => FLASKS,
    }
}

/// Largest permissible error of class A glassware, mL; `None` for a size that is not in the standard. Of burettes of one
/// size with several divisions, the finest.
///
/// # Source
/// As [`glassware_limits`].
///
/// # Example
/// ```
/// use ferrotitre_core::chemistry::{Glassware, class_a_limit};
/// assert_eq!(class_a_limit(Glassware::Pipette, 25.0), Some(0.03)); // ISO 648, from memory
/// ```
#[must_use]
pub fn class_a_limit(item: Glassware, nominal_ml: f64) -> Option<f64> {
    glassware_limits(item).iter().find(|limit| limit.nominal_ml == nominal_ml).map(|limit| limit.class_a_ml)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The European Pharmacopoeia and the standards agree in these (from memory): a burette of 50 mL is off by 0.05 at
    /// most, a flask of 100 mL by 0.10, of 500 mL by 0.25, a pipette of 2 mL by 0.010, of 20 mL by 0.03, of 100 mL by 0.08.
    #[test]
    fn the_sizes_of_every_bench_are_there_and_larger_ones_are_never_promised_to_be_better() {
        for (item, nominal, limit) in [
            (Glassware::Burette, 50.0, 0.05),
            (Glassware::Flask, 100.0, 0.1),
            (Glassware::Flask, 500.0, 0.25),
            (Glassware::Pipette, 2.0, 0.01),
            (Glassware::Pipette, 20.0, 0.03),
            (Glassware::Pipette, 100.0, 0.08),
        ] {
            assert_eq!(class_a_limit(item, nominal), Some(limit), "{item:?} {nominal}");
        }
        for item in [Glassware::Burette, Glassware::Pipette, Glassware::Flask] {
            for limit in glassware_limits(item) {
                assert!(limit.class_a_ml < limit.class_b_ml, "{limit:?}");
            }
            for pair in glassware_limits(item).windows(2) {
                assert!(pair[0].nominal_ml <= pair[1].nominal_ml, "{pair:?}");
                let same_or_coarser = pair[0].class_a_ml <= pair[1].class_a_ml + 1e-12;
                let finer = pair[0].nominal_ml < pair[1].nominal_ml && pair[0].division_ml > pair[1].division_ml;
                assert!(same_or_coarser || finer, "{pair:?}");
            }
        }
    }
}
