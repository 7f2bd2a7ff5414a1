//! Titration chemistries, primary standards, indicators and reductions as data: adding one adds an entry, not code.

use crate::chemistry::constants::{MolarMass, molar_mass};

/// What reacts in a titrant solution.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Species {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Formula of the substance the concentration is stated for.
    pub formula: &'static str,
    /// Electrons exchanged per formula unit in acid solution.
    pub electrons: u32,
    /// Whether it takes electrons (else it gives them).
    pub oxidant: bool,
    /// For how many days a factor is proposed to hold.
    pub proposed_days: u32,
    /// What to beware of.
    pub cautions: &'static str,
}

/// A substance a titrant can be prepared from or standardised against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PrimaryStandard {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Formula.
    pub formula: &'static str,
    /// Composition for the molar mass.
    pub composition: &'static [(&'static str, u32)],
    /// Electrons exchanged per formula unit.
    pub electrons: u32,
    /// Whether it takes electrons.
    pub oxidant: bool,
    /// Density, g/cm3, used where the lot states none (from memory).
    pub density: f64,
    /// Species it can prepare directly.
    pub prepares: &'static [&'static str],
    /// Species it can standardise.
    pub standardises: &'static [&'static str],
}

impl PrimaryStandard {
    /// Molar mass.
    #[must_use]
    pub fn molar_mass(&self) -> MolarMass {
        molar_mass(self.composition)
    }
}

/// An indicator.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Indicator {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Whether it turns only where iron is present, so that a blank needs added iron(II).
    pub needs_iron: bool,
    /// Whether phosphoric acid is needed for a sharp end point.
    pub needs_phosphoric_acid: bool,
    /// Colour change at the end point.
    pub change: &'static str,
}

/// A reduction of iron(III) to iron(II) before the titration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reduction {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Whether mercury(II) is used.
    pub mercury: bool,
    /// What is seen when it went well.
    pub checkpoint: &'static str,
    /// What to beware of.
    pub cautions: &'static str,
}

/// A way to titrate iron.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Chemistry {
    /// Code.
    pub code: &'static str,
    /// Name.
    pub name: &'static str,
    /// Species in the burette.
    pub titrant: &'static str,
    /// Species added in excess before, in a back-titration.
    pub excess_of: &'static [&'static str],
    /// Indicators that fit.
    pub indicators: &'static [&'static str],
    /// What happens.
    pub reaction: &'static str,
}

const DEFER: &str = "The safety data sheet, local codes and licensed practice decide; ask the safety officer.";

/// Titrant species.
pub const SPECIES: &[Species] = &[
    Species {
        code: "dichromate",
        name: "potassium dichromate",
        formula: "K2Cr2O7",
        electrons: 6,
        oxidant: true,
        proposed_days: 90,
        cautions: "Chromium(VI): carcinogenic, mutagenic, sensitising, oxidising. No dust when weighing, gloves, residues to the chromium waste.",
    },
    Species {
        code: "permanganate",
        name: "potassium permanganate",
        formula: "KMnO4",
        electrons: 5,
        oxidant: true,
        proposed_days: 28,
        cautions: "Strong oxidiser: never together with concentrated sulfuric acid or organic matter.",
    },
    Species {
        code: "cerium(IV)",
        name: "cerium(IV) sulfate",
        formula: "Ce(IV)",
        electrons: 1,
        oxidant: true,
        proposed_days: 28,
        cautions: "Oxidising and corrosive in acid solution.",
    },
    Species {
        code: "iron(II)",
        name: "iron(II) ammonium sulfate",
        formula: "Fe(II)",
        electrons: 1,
        oxidant: false,
        // Oxidised by air even in strong acid: standardised on the day it is used.
        proposed_days: 1,
        cautions: "Acid solution, oxidised by air: standardise before use.",
    },
];

/// Primary standards.
pub const PRIMARY_STANDARDS: &[PrimaryStandard] = &[
    PrimaryStandard {
        code: "potassium dichromate",
        name: "potassium dichromate",
        formula: "K2Cr2O7",
        composition: &[("K", 2), ("Cr", 2), ("O", 7)],
        electrons: 6,
        oxidant: true,
        density: 2.676,
        prepares: &["dichromate"],
        standardises: &["iron(II)"],
    },
    PrimaryStandard {
        code: "sodium oxalate",
        name: "sodium oxalate",
        formula: "Na2C2O4",
        composition: &[("Na", 2), ("C", 2), ("O", 4)],
        electrons: 2,
        oxidant: false,
        density: 2.34,
        prepares: &[],
        standardises: &["permanganate", "cerium(IV)"],
    },
    PrimaryStandard {
        code: "arsenic(III) oxide",
        name: "arsenic(III) oxide",
        formula: "As2O3",
        composition: &[("As", 2), ("O", 3)],
        electrons: 4,
        oxidant: false,
        density: 3.74,
        prepares: &[],
        standardises: &["permanganate", "cerium(IV)"],
    },
    PrimaryStandard {
        code: "iron",
        name: "iron, metal or certified iron content",
        formula: "Fe",
        composition: &[("Fe", 1)],
        electrons: 1,
        oxidant: false,
        density: 7.874,
        prepares: &[],
        standardises: &["dichromate", "permanganate", "cerium(IV)"],
    },
    PrimaryStandard {
        code: "iron(II) ammonium sulfate",
        name: "iron(II) ammonium sulfate hexahydrate, certified",
        formula: "Fe(NH4)2(SO4)2.6H2O",
        composition: &[("Fe", 1), ("N", 2), ("H", 20), ("S", 2), ("O", 14)],
        electrons: 1,
        oxidant: false,
        density: 1.864,
        prepares: &[],
        standardises: &["dichromate", "permanganate", "cerium(IV)"],
    },
];

/// Indicators.
pub const INDICATORS: &[Indicator] = &[
    Indicator {
        code: "diphenylamine sulfonate",
        name: "sodium or barium diphenylamine sulfonate",
        needs_iron: true,
        needs_phosphoric_acid: true,
        change: "green to violet",
    },
    Indicator {
        code: "N-phenylanthranilic acid",
        name: "N-phenylanthranilic acid",
        needs_iron: true,
        needs_phosphoric_acid: false,
        change: "green to red-violet",
    },
    Indicator {
        code: "self",
        name: "the titrant's own colour",
        needs_iron: false,
        needs_phosphoric_acid: false,
        change: "colourless to faint pink, persisting 30 s",
    },
    Indicator {
        code: "ferroin",
        name: "tris(1,10-phenanthroline)iron(II)",
        needs_iron: false,
        needs_phosphoric_acid: false,
        change: "red to pale blue; in a back-titration pale blue to red",
    },
    Indicator {
        code: "potentiometric",
        name: "platinum electrode",
        needs_iron: false,
        needs_phosphoric_acid: false,
        change: "steepest change of the potential",
    },
];

/// Reductions.
pub const REDUCTIONS: &[Reduction] = &[
    Reduction {
        code: "none",
        name: "no reduction: iron(II) is titrated as it is",
        mercury: false,
        checkpoint: "",
        cautions: "Concentrated acids: acid into water, goggles and face shield, hood.",
    },
    Reduction {
        code: "tin(II) and titanium(III)",
        name: "tin(II) chloride to pale yellow, then titanium(III) chloride, mercury-free",
        mercury: false,
        checkpoint: "the redox indicator's colour appears with excess titanium(III) and just fades with dilute dichromate",
        cautions: "Tin(II) and titanium(III) chlorides in hydrochloric acid are corrosive; hood.",
    },
    Reduction {
        code: "silver reductor",
        name: "silver reductor in about 1 mol/L hydrochloric acid, mercury-free",
        mercury: false,
        checkpoint: "effluent colourless, column bed bright to its mark",
        cautions: "Hydrochloric acid is corrosive; silver residues are collected.",
    },
    Reduction {
        code: "zinc reductor",
        name: "amalgam-free zinc reductor",
        mercury: false,
        checkpoint: "effluent colourless",
        cautions: "Hydrogen is given off: no flames; acid is corrosive.",
    },
    Reduction {
        code: "tin(II) and mercury(II)",
        name: "tin(II) chloride, excess removed by mercury(II) chloride",
        mercury: true,
        checkpoint: "slight, white, silky precipitate after rapid addition to the cold solution",
        cautions: "Mercury(II) chloride is fatal if swallowed or on skin and persistent: gloves, hood, all residues to the mercury waste, never to the drain. A mercury-free reduction is preferred.",
    },
];

/// Titration chemistries.
pub const CHEMISTRIES: &[Chemistry] = &[
    Chemistry {
        code: "dichromate",
        name: "titration with potassium dichromate",
        titrant: "dichromate",
        excess_of: &[],
        indicators: &["diphenylamine sulfonate", "N-phenylanthranilic acid", "potentiometric"],
        reaction: "Cr2O7(2-) + 6 Fe(2+) + 14 H(+) -> 2 Cr(3+) + 6 Fe(3+) + 7 H2O",
    },
    Chemistry {
        code: "permanganate",
        name: "titration with potassium permanganate",
        titrant: "permanganate",
        excess_of: &[],
        indicators: &["self", "potentiometric"],
        reaction: "MnO4(-) + 5 Fe(2+) + 8 H(+) -> Mn(2+) + 5 Fe(3+) + 4 H2O",
    },
    Chemistry {
        code: "cerium(IV)",
        name: "titration with cerium(IV)",
        titrant: "cerium(IV)",
        excess_of: &[],
        indicators: &["ferroin", "potentiometric"],
        reaction: "Ce(4+) + Fe(2+) -> Ce(3+) + Fe(3+)",
    },
    Chemistry {
        code: "back-titration",
        name: "back-titration of excess oxidant with iron(II) ammonium sulfate",
        titrant: "iron(II)",
        excess_of: &["dichromate", "permanganate", "cerium(IV)"],
        indicators: &["diphenylamine sulfonate", "N-phenylanthranilic acid", "ferroin", "potentiometric"],
        reaction: "iron(II) of the sample consumes part of a known amount of oxidant; the rest is titrated with iron(II)",
    },
];

/// The species of that code.
#[must_use]
pub fn species(code: &str) -> Option<&'static Species> {
    SPECIES.iter().find(|entry| entry.code == code)
}

/// The primary standard of that code.
#[must_use]
pub fn primary_standard(code: &str) -> Option<&'static PrimaryStandard> {
    PRIMARY_STANDARDS.iter().find(|entry| entry.code == code)
}

/// The indicator of that code.
#[must_use]
pub fn indicator(code: &str) -> Option<&'static Indicator> {
    INDICATORS.iter().find(|entry| entry.code == code)
}

/// The reduction of that code.
#[must_use]
pub fn reduction(code: &str) -> Option<&'static Reduction> {
    REDUCTIONS.iter().find(|entry| entry.code == code)
}

/// The chemistry of that code.
#[must_use]
pub fn chemistry(code: &str) -> Option<&'static Chemistry> {
    CHEMISTRIES.iter().find(|entry| entry.code == code)
}

/// Indicators that show an end point with a titrant, by the titration chemistries it is the titrant of.
#[must_use]
pub fn indicators_for(titrant: &str) -> Vec<&'static Indicator> {
    let of_titrant = CHEMISTRIES.iter().filter(|entry| entry.titrant == titrant).flat_map(|entry| entry.indicators);
    of_titrant.filter_map(|code| indicator(code)).collect()
}

impl Chemistry {
    /// Cautions of the titrant and of what is added in excess, ending with who decides.
    #[must_use]
    pub fn cautions(&self) -> String {
        let mut parts: Vec<&str> = std::iter::once(&self.titrant)
            .chain(self.excess_of)
            .filter_map(|code| species(code))
            .map(|species| species.cautions)
            .collect();
        parts.push(DEFER);
        parts.join(" ")
    }
}
