//! Molar masses from one versioned set of standard atomic weights, uncertainties included.

use super::weights::WEIGHTS;
use crate::uncertainty::half_width_rectangular;

/// A molar mass and its standard uncertainty, g/mol.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MolarMass {
    /// Value, g/mol.
    pub value: f64,
    /// Standard uncertainty, g/mol; the stated uncertainties taken as half widths of rectangular distributions.
    pub u: f64,
}

/// Standard atomic weight of an element; `None` where there is no such element, or it has no standard atomic weight.
#[must_use]
pub fn atomic_weight(symbol: &str) -> Option<MolarMass> {
    WEIGHTS.iter().find(|(known, ..)| *known == symbol).map(|_| molar_mass(&[(symbol, 1)]))
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
    use crate::chemistry::weights::WEIGHTS;

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
