//! Chemical formulae as text.

use std::collections::BTreeMap;

use super::constants::{MolarMass, atomic_weight, molar_mass};

/// Most atoms of one element in a formula.
const MOST_ATOMS: u32 = 1_000_000;
/// Deepest brackets.
const DEEPEST: usize = 20;

/// Why a text is no formula of a substance with a molar mass.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FormulaError {
    /// Nothing there.
    #[error("is empty")]
    Empty,
    /// An element without a standard atomic weight.
    #[error("{0} is no element with a standard atomic weight")]
    UnknownElement(String),
    /// A character that has no place in a formula, or not here.
    #[error("{found} cannot stand at position {position}")]
    Unexpected {
        /// What stands there.
        found: char,
        /// Position, from 1.
        position: usize,
    },
    /// A bracket that is not closed, or too many inside each other.
    #[error("a bracket is not closed, or brackets are too deep")]
    Brackets,
    /// A number that is 0 or too large.
    #[error("numbers of atoms are from 1 to {MOST_ATOMS}")]
    Count,
}

/// How many atoms of which elements.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Composition(BTreeMap<String, u32>);

impl Composition {
    /// Reads a formula: symbols with numbers, round and square brackets, and water or other parts behind a full stop or a
    /// raised dot.
    ///
    /// # Errors
    /// The first thing that is wrong with it.
    ///
    /// # Example
    /// ```
    /// use ferrotitre_core::chemistry::Composition;
    /// # fn main() -> Result<(), ferrotitre_core::chemistry::FormulaError> {
    /// let salt = Composition::parse("(NH4)2Fe(SO4)2.6H2O")?;
    /// assert_eq!(salt.count("H"), 20);
    /// assert!((salt.molar_mass().value - 392.13).abs() < 0.01); // any catalogue
    /// # Ok(()) }
    /// ```
    pub fn parse(text: &str) -> Result<Self, FormulaError> {
        let text: Vec<char> = text.trim().chars().collect();
        if text.is_empty() {
            return Err(FormulaError::Empty);
        }
        let mut reader = Reader { text, at: 0 };
        let mut whole = Self::default();
        loop {
            let times = reader.number()?.unwrap_or(1);
            let before = reader.at;
            whole.add(&reader.group(0)?, times)?;
            match reader.next() {
                _ if reader.at == before => return Err(reader.unexpected()),
                None => return Ok(whole),
                Some('.' | '\u{b7}' | '\u{2022}' | '*') => reader.at += 1,
                Some(_) => return Err(reader.unexpected()),
            }
        }
    }

    /// From numbers of atoms.
    ///
    /// # Errors
    /// An unknown element, a number that is 0 or too large, nothing at all.
    pub fn of<'a>(atoms: impl IntoIterator<Item = (&'a str, u32)>) -> Result<Self, FormulaError> {
        let mut whole = Self::default();
        for (symbol, count) in atoms {
            whole.add(&Self::element(symbol)?, count)?;
        }
        if whole.0.is_empty() { Err(FormulaError::Empty) } else { Ok(whole) }
    }

    fn element(symbol: &str) -> Result<Self, FormulaError> {
        match atomic_weight(symbol) {
            Some(_) => Ok(Self(BTreeMap::from([(symbol.to_owned(), 1)]))),
            None => Err(FormulaError::UnknownElement(symbol.chars().take(20).collect())),
        }
    }

    fn add(&mut self, other: &Self, times: u32) -> Result<(), FormulaError> {
        for (symbol, count) in &other.0 {
            let sum = self.0.entry(symbol.clone()).or_insert(0);
            *sum = count
                .checked_mul(times)
                .and_then(|more| sum.checked_add(more))
                .filter(|sum| (1..=MOST_ATOMS).contains(sum))
                .ok_or(FormulaError::Count)?;
        }
        Ok(())
    }

    /// Elements with their numbers of atoms, in the order of the alphabet.
    pub fn atoms(&self) -> impl Iterator<Item = (&str, u32)> {
        self.0.iter().map(|(symbol, count)| (symbol.as_str(), *count))
    }

    /// Number of atoms of an element.
    #[must_use]
    pub fn count(&self, symbol: &str) -> u32 {
        self.0.get(symbol).copied().unwrap_or(0)
    }

    /// Molar mass.
    #[must_use]
    pub fn molar_mass(&self) -> MolarMass {
        molar_mass(&self.atoms().collect::<Vec<_>>())
    }

    /// Mass of an element over the whole mass.
    #[must_use]
    pub fn mass_fraction(&self, symbol: &str) -> f64 {
        molar_mass(&[(symbol, self.count(symbol))]).value / self.molar_mass().value
    }
}

struct Reader {
    text: Vec<char>,
    at: usize,
}

impl Reader {
    fn next(&self) -> Option<char> {
        self.text.get(self.at).copied()
    }

    fn unexpected(&self) -> FormulaError {
        match self.next() {
            Some(found) => FormulaError::Unexpected { found, position: self.at + 1 },
            None => FormulaError::Empty,
        }
    }

    /// Digits, if there are any; subscripts count.
    fn number(&mut self) -> Result<Option<u32>, FormulaError> {
        let mut found: Option<u32> = None;
        while let Some(c) = self.next() {
            let subscript = u32::from(c).checked_sub(0x2080).filter(|digit| *digit < 10);
            let Some(digit) = c.to_digit(10).or(subscript) else { break };
            let number = found.unwrap_or(0).saturating_mul(10).saturating_add(digit);
            found = Some(number);
            self.at += 1;
        }
        match found {
            Some(number) if !(1..=MOST_ATOMS).contains(&number) => Err(FormulaError::Count),
            other => Ok(other),
        }
    }

    /// Symbols and brackets up to what does not belong to them.
    fn group(&mut self, depth: usize) -> Result<Composition, FormulaError> {
        if depth > DEEPEST {
            return Err(FormulaError::Brackets);
        }
        let mut group = Composition::default();
        while let Some(c) = self.next() {
            let part = if matches!(c, '(' | '[') {
                self.at += 1;
                let inner = self.group(depth + 1)?;
                if self.next() != Some(if c == '(' { ')' } else { ']' }) {
                    return Err(FormulaError::Brackets);
                }
                self.at += 1;
                inner
            } else if c.is_ascii_uppercase() {
                self.at += 1;
                let small = self.next().filter(char::is_ascii_lowercase);
                self.at += usize::from(small.is_some());
                Composition::element(&std::iter::once(c).chain(small).collect::<String>())?
            } else {
                break;
            };
            group.add(&part, self.number()?.unwrap_or(1))?;
        }
        Ok(group)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Molar masses from tests/reference/data/10_molar_masses.csv (CIAAW 2021, cross-checked with another table).
    #[test]
    fn formulae_of_the_bench_have_the_molar_masses_of_the_table() {
        for (formula, mass) in [
            ("K2Cr2O7", 294.181_80),
            ("Fe(C2H10N2)(SO4)2.4H2O", 382.133),
            ("(NH4)2Ce(NO3)6", 548.218),
            ("NH4Fe(SO4)2\u{b7}12H2O", 482.176),
            ("[Fe(H2O)6]SO4.H2O", 278.006),
            ("H\u{2082}C\u{2082}O\u{2084}.2H\u{2082}O", 126.064),
        ] {
            let found = Composition::parse(formula).unwrap().molar_mass().value;
            assert!((found - mass).abs() < 5e-6, "{formula}: {found}");
        }
        let salt = Composition::parse("FeSO4.7H2O").unwrap();
        assert!((salt.mass_fraction("Fe") - 0.200_877).abs() < 5e-7);
        assert_eq!(salt.mass_fraction("K"), 0.0);
        assert_eq!(Composition::of([("Fe", 1), ("S", 1), ("O", 4), ("H", 14), ("O", 7)]).unwrap(), salt);
    }

    #[test]
    fn what_is_no_formula_is_refused_by_its_fault() {
        let fault = |text| Composition::parse(text).unwrap_err().to_string();
        assert_eq!(fault(""), "is empty");
        assert_eq!(fault("Xx2"), "Xx is no element with a standard atomic weight");
        assert_eq!(fault("Tc"), "Tc is no element with a standard atomic weight");
        assert_eq!(fault("K2Cr2O7)"), ") cannot stand at position 8");
        assert_eq!(fault("k2"), "k cannot stand at position 1");
        assert_eq!(fault("Fe(SO4"), "a bracket is not closed, or brackets are too deep");
        assert_eq!(fault("Fe(SO4]2"), "a bracket is not closed, or brackets are too deep");
        assert!(Composition::parse(&"(".repeat(100_000)).is_err());
        for bad in ["Fe0", "Fe9999999999", "2", "FeSO4.", "FeSO4..H2O", "H1000000H1", "FeSO4.7"] {
            assert!(Composition::parse(bad).is_err(), "{bad}");
        }
        assert!(Composition::of([]).is_err() && Composition::of([("Fe", 0)]).is_err());
    }
}
