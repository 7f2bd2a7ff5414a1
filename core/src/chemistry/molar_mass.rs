//! Molar masses from versioned sets of standard atomic weights, uncertainties included.

use crate::quantity::GramsPerMole;

/// A standard atomic weight.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AtomicWeight {
    /// Symbol of the element.
    pub element: &'static str,
    /// Standard atomic weight (abridged where the standard is an interval), g/mol.
    pub weight: f64,
    /// Uncertainty as stated, read as a bound, g/mol.
    pub stated_uncertainty: f64,
}

/// A set of atomic weights that does not change once published.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MolarMassSet {
    /// Identifier, pinned by a method version.
    pub id: &'static str,
    /// Where the weights come from.
    pub source: &'static str,
    /// The weights.
    pub weights: &'static [AtomicWeight],
}

/// A molar mass with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MolarMass {
    /// Value.
    pub value: GramsPerMole,
    /// Standard uncertainty in g/mol, from the stated bounds as rectangular distributions.
    pub standard_uncertainty: f64,
}

/// A chemical formula as elements and how many of each.
pub type Composition = &'static [(&'static str, u16)];

/// A substance with a formula.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Substance {
    /// Stable text code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Formula as written.
    pub formula: &'static str,
    /// Elements.
    pub composition: Composition,
}

/// Why a molar mass cannot be computed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MolarMassError {
    /// The set has no such element.
    #[error("the molar-mass set {set} has no element {element}")]
    UnknownElement {
        /// Set.
        set: &'static str,
        /// Element asked for.
        element: String,
    },
    /// A formula without elements, or beyond the range of a molar mass.
    #[error("a formula must hold at least one element and at most 10 000 g/mol")]
    Formula,
}

const fn weight(element: &'static str, weight: f64, stated_uncertainty: f64) -> AtomicWeight {
    AtomicWeight { element, weight, stated_uncertainty }
}

/// Standard atomic weights as of the table of 2021.
///
/// # Source
/// Prohaska and others, Standard atomic weights of the elements 2021 (IUPAC Technical Report), Pure Appl. Chem. 94
/// (2022) 573: abridged values and their uncertainties; transcribed from `10_atomic_weights.csv` of the check values.
pub static CIAAW_2021: MolarMassSet = MolarMassSet {
    id: "ciaaw-2021",
    source: "IUPAC Commission on Isotopic Abundances and Atomic Weights, table of 2021, abridged values",
    weights: &[
        weight("H", 1.0080, 0.0002),
        weight("C", 12.011, 0.002),
        weight("N", 14.007, 0.001),
        weight("O", 15.999, 0.001),
        weight("Na", 22.989_769_28, 0.000_000_02),
        weight("S", 32.06, 0.02),
        weight("Cl", 35.45, 0.01),
        weight("K", 39.0983, 0.0001),
        weight("Cr", 51.9961, 0.0006),
        weight("Mn", 54.938_043, 0.000_002),
        weight("Fe", 55.845, 0.002),
        weight("As", 74.921_595, 0.000_006),
        weight("Cd", 112.414, 0.004),
        weight("Sn", 118.710, 0.007),
        weight("Ce", 140.116, 0.001),
        weight("Hg", 200.592, 0.003),
    ],
};

/// Every set, oldest first; a new set goes at the end and old ones stay.
pub static MOLAR_MASS_SETS: [&MolarMassSet; 1] = [&CIAAW_2021];

/// The set with this identifier.
#[must_use]
pub fn molar_mass_set(id: &str) -> Option<&'static MolarMassSet> {
    MOLAR_MASS_SETS.into_iter().find(|set| set.id == id)
}

const fn substance(
    code: &'static str,
    name: &'static str,
    formula: &'static str,
    composition: Composition,
) -> Substance {
    Substance { code, name, formula, composition }
}

/// Iron.
pub static IRON: Substance = substance("iron", "iron", "Fe", &[("Fe", 1)]);
/// Iron(II) oxide.
pub static IRON_TWO_OXIDE: Substance = substance("iron_two_oxide", "iron(II) oxide", "FeO", &[("Fe", 1), ("O", 1)]);
/// Iron(III) oxide.
pub static IRON_THREE_OXIDE: Substance =
    substance("iron_three_oxide", "iron(III) oxide", "Fe2O3", &[("Fe", 2), ("O", 3)]);

/// Substances the entries of [`super::titration`] refer to.
pub static SUBSTANCES: &[Substance] = &[
    IRON,
    IRON_TWO_OXIDE,
    IRON_THREE_OXIDE,
    substance("potassium_dichromate", "potassium dichromate", "K2Cr2O7", &[("K", 2), ("Cr", 2), ("O", 7)]),
    substance("potassium_permanganate", "potassium permanganate", "KMnO4", &[("K", 1), ("Mn", 1), ("O", 4)]),
    substance("sodium_oxalate", "sodium oxalate", "Na2C2O4", &[("Na", 2), ("C", 2), ("O", 4)]),
    substance("arsenic_three_oxide", "arsenic(III) oxide", "As2O3", &[("As", 2), ("O", 3)]),
    substance(
        "ammonium_cerium_sulfate",
        "ammonium cerium(IV) sulfate dihydrate",
        "(NH4)4Ce(SO4)4·2H2O",
        &[("N", 4), ("H", 20), ("Ce", 1), ("S", 4), ("O", 18)],
    ),
    substance(
        "ammonium_cerium_nitrate",
        "ammonium cerium(IV) nitrate",
        "(NH4)2Ce(NO3)6",
        &[("N", 8), ("H", 8), ("Ce", 1), ("O", 18)],
    ),
    substance(
        "ammonium_iron_two_sulfate",
        "ammonium iron(II) sulfate hexahydrate",
        "(NH4)2Fe(SO4)2·6H2O",
        &[("N", 2), ("H", 20), ("Fe", 1), ("S", 2), ("O", 14)],
    ),
    substance(
        "ethylenediammonium_iron_two_sulfate",
        "iron(II) ethylenediammonium sulfate tetrahydrate",
        "Fe(C2H10N2)(SO4)2·4H2O",
        &[("Fe", 1), ("C", 2), ("H", 18), ("N", 2), ("S", 2), ("O", 12)],
    ),
    substance(
        "potassium_hydrogen_phthalate",
        "potassium hydrogen phthalate",
        "C8H5KO4",
        &[("C", 8), ("H", 5), ("K", 1), ("O", 4)],
    ),
];

/// The substance with this code.
#[must_use]
pub fn find_substance(code: &str) -> Option<&'static Substance> {
    SUBSTANCES.iter().find(|substance| substance.code == code)
}

impl MolarMassSet {
    /// Molar mass of a composition.
    ///
    /// # Formula
    /// `M = Σ nᵢ Aᵢ`; `u = sqrt(Σ (nᵢ aᵢ)²) / √3` with aᵢ the stated bounds
    ///
    /// # Source
    /// Eurachem/CITAC QUAM, appendix A2.4: atomic-weight bounds taken as rectangular.
    ///
    /// # Errors
    /// [`MolarMassError`] for an element the set lacks or an empty formula.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::chemistry::molar_mass::CIAAW_2021;
    /// let m = CIAAW_2021.of(&[("K", 2), ("Cr", 2), ("O", 7)])?;
    /// assert!((m.value.value() - 294.1818).abs() < 5e-5);
    /// # Ok::<(), ferrotitre_core::chemistry::molar_mass::MolarMassError>(())
    /// ```
    pub fn of(&self, composition: &[(&str, u16)]) -> Result<MolarMass, MolarMassError> {
        let mut sum = 0.0;
        let mut squares = 0.0;
        for &(element, count) in composition {
            let weight = self
                .weights
                .iter()
                .find(|weight| weight.element == element)
                .ok_or_else(|| MolarMassError::UnknownElement { set: self.id, element: element.to_owned() })?;
            let count = f64::from(count);
            sum += count * weight.weight;
            squares += (count * weight.stated_uncertainty).powi(2);
        }
        let value = GramsPerMole::new(sum).map_err(|_range| MolarMassError::Formula)?;
        Ok(MolarMass { value, standard_uncertainty: (squares / 3.0).sqrt() })
    }
}
