//! Molar masses from one versioned set of standard atomic weights, uncertainties included.

use crate::uncertainty::half_width_rectangular;

/// The set in use; part of every evaluation.
pub const MOLAR_MASS_SET: &str = "CIAAW 2021";

/// Standard atomic weights and their stated uncertainties (CIAAW, table of 2021; data/10_atomic_weights.csv).
const WEIGHTS: &[(&str, f64, f64)] = &[
    ("H", 1.0080, 0.0002),
    ("C", 12.011, 0.002),
    ("N", 14.007, 0.001),
    ("O", 15.999, 0.001),
    ("Na", 22.989_769_28, 0.000_000_02),
    ("S", 32.06, 0.02),
    ("Cl", 35.45, 0.01),
    ("K", 39.0983, 0.0001),
    ("Cr", 51.9961, 0.0006),
    ("Mn", 54.938_043, 0.000_002),
    ("Fe", 55.845, 0.002),
    ("As", 74.921_595, 0.000_006),
    ("Cd", 112.414, 0.004),
    ("Sn", 118.71, 0.007),
    ("Ce", 140.116, 0.001),
    ("Hg", 200.592, 0.003),
];

/// A molar mass and its standard uncertainty, g/mol.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MolarMass {
    /// Value, g/mol.
    pub value: f64,
    /// Standard uncertainty, g/mol; the stated uncertainties taken as half widths of rectangular distributions.
    pub u: f64,
}

/// Molar mass of a composition, element by element.
///
/// # Formula
/// M = sum of nu_i A_i; u^2 = sum of (nu_i U_i / sqrt 3)^2
///
/// # Source
/// CIAAW standard atomic weights 2021; Eurachem QUAM 2012, example A2, step 3 (rectangular, from memory).
#[must_use]
pub fn molar_mass(composition: &[(&str, u32)]) -> MolarMass {
    let mut mass = MolarMass { value: 0.0, u: 0.0 };
    for (element, count) in composition {
        if let Some((_, weight, stated)) = WEIGHTS.iter().find(|(symbol, ..)| symbol == element) {
            mass.value += f64::from(*count) * weight;
            mass.u += (f64::from(*count) * half_width_rectangular(*stated)).powi(2);
        }
    }
    mass.u = mass.u.sqrt();
    mass
}

/// Molar mass of iron.
#[must_use]
pub fn iron() -> MolarMass {
    molar_mass(&[("Fe", 1)])
}

/// As what an iron content is expressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expressed {
    /// Fe.
    Iron,
    /// FeO.
    IronIIOxide,
    /// Fe2O3.
    IronIIIOxide,
}

/// Mass of the oxide per mass of iron.
///
/// # Source
/// From the molar masses; ISO 2597-1:2006, 8.3, prints 1.430 for Fe2O3 (read) and 1.286 for FeO (scan cut off).
#[must_use]
pub fn iron_oxide_factor(expressed: Expressed) -> f64 {
    let fe = iron().value;
    match expressed {
        Expressed::Iron => 1.0,
        Expressed::IronIIOxide => molar_mass(&[("Fe", 1), ("O", 1)]).value / fe,
        Expressed::IronIIIOxide => molar_mass(&[("Fe", 2), ("O", 3)]).value / (2.0 * fe),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// An element without a weight would silently weigh nothing.
    #[test]
    fn every_element_of_every_primary_standard_has_a_weight() {
        for standard in crate::chemistry::PRIMARY_STANDARDS {
            for (element, count) in standard.composition {
                assert!(*count > 0, "{element}");
                assert!(WEIGHTS.iter().any(|(symbol, ..)| symbol == element), "{element}");
            }
        }
    }
}
