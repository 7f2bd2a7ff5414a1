//! Which symbols an expression speaks of, against those of the formula that is printed beside the statistic.
//!
//! A part that has a name (another statistic, a mean, a slope) is spoken of by it where the printed formula does, otherwise by
//! what it is made of.

use std::collections::{BTreeMap, BTreeSet};

use super::place::{Column, Derived, Place};
use super::study::{Entry, StudyCells};
use super::tests::every_shape;
use super::tree::{Function, Name, Node, Part};
use crate::validation::{DataUnit, Statistic, StudyTerm};

const UNIT: DataUnit = DataUnit::Percent;

/// Symbols with signs in them, and one that stands right behind a number.
const WHOLE: [&str; 16] = [
    "t(1-α/2; ν)",
    "u_bottom-up",
    "x̄(high)",
    "u(bias)",
    "u(Cref)",
    "x̄(low)",
    "u(Rw)",
    "u(R̄)",
    "s_y/x",
    "u(d)",
    "s(R)",
    "u(V)",
    "u(0)",
    "d %",
    "RSD_I/RSD_r",
    "λ",
];

/// What a formula says beside its symbols: counts, probabilities and their variables, functions.
const WORDS: [&str; 11] = ["n", "N", "k", "m", "P", "F", "T", "t", "found", "max", "t(1-α/2; ν)"];

/// Formulas that speak of something that no cell holds.
const OTHER_WORDS: [(Statistic, &str); 4] = [
    (Statistic::IntermediateDegreesOfFreedom, "Satterthwaite's formula for any sum of mean squares"),
    (Statistic::EquivalenceP, "the two values of t"),
    (Statistic::ChangeP, "the standard error of the slope"),
    (Statistic::HorRat, "C, which is the mean as a mass fraction"),
];

/// Symbols of a printed formula.
fn spoken(formula: &str) -> BTreeSet<String> {
    let mut found = BTreeSet::new();
    let mut rest = formula;
    while let Some(next) = rest.chars().next() {
        let word = |c: char| c.is_alphanumeric() && !matches!(c, '²' | 'Σ') || "_\u{304}′₋₊".contains(c);
        let length = if let Some(whole) = WHOLE.iter().find(|whole| rest.starts_with(**whole)) {
            whole.len()
        } else if next.is_ascii_digit() {
            rest.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(rest.len())
        } else if word(next) {
            rest.find(|c| !word(c)).unwrap_or(rest.len())
        } else {
            next.len_utf8()
        };
        let (token, after) = rest.split_at(length);
        if token.starts_with(|c| word(c) && !char::is_ascii_digit(&c)) {
            found.insert(token.to_owned());
        }
        rest = after;
    }
    found
}

fn of_column(column: Column) -> &'static [&'static [&'static str]] {
    match column {
        Column::Value => &[&["y"], &["x_ij"], &["x"], &["u"], &["b"]],
        Column::Uncertainty => &[&["u"]],
        Column::Taken => &[&["x"]],
        Column::Added => &[&["C_added"]],
        Column::Hours => &[&["h"]],
        Column::Derived(derived) => match derived {
            Derived::GroupSize => &[&["n_i"]],
            Derived::GroupMean => &[&["x̄_i"]],
            Derived::Total => &[&["total"]],
            Derived::SdAtTotal => &[&["s₀"]],
            Derived::Factor(_) => &[&["D"]],
            Derived::RunMean => &[&["x̄(high)", "x̄(low)"]],
            Derived::Unspiked => &[&["C"]],
            Derived::Spiked => &[&["C_spiked"]],
            Derived::Addition => &[&["C_added"]],
            Derived::Recovery => &[&["R"]],
            Derived::First => &[&["x_without"], &["x₀"], &["x"]],
            Derived::Second => &[&["x_with"], &["x₁"], &["y"]],
            Derived::Difference => &[&["d"]],
            _ => &[],
        },
    }
}

/// Names of a function of a column.
fn of_function(function: Function, column: Option<Column>) -> &'static [&'static [&'static str]] {
    let derived = match column {
        Some(Column::Derived(derived)) => Some(derived),
        _ => None,
    };
    match (function, derived) {
        (Function::Count, _) => &[&["n"]],
        (Function::Slope, _) => &[&["S_xy", "S_xx"]],
        (Function::Intercept, _) => &[&["a"], &["ȳ", "b", "x̄"]],
        (Function::RSquared, _) => &[&["SS_res", "SS_tot"]],
        (Function::Mean, Some(Derived::Recovery)) => &[&["R̄"]],
        (Function::Mean, Some(Derived::Second)) => &[&["ȳ"]],
        (Function::Mean, Some(Derived::First)) => &[&["x̄"]],
        (Function::SampleDeviation, Some(Derived::Recovery)) => &[&["s(R)"]],
        (Function::SampleDeviation, Some(Derived::Difference)) => &[&["s_d"]],
        (Function::SampleDeviation | Function::SampleVariance, None) => &[&["s"]],
        _ => &[],
    }
}

fn of_term(term: StudyTerm) -> Vec<&'static str> {
    let also: &[&str] = match term {
        StudyTerm::TotalIron => &["total"],
        StudyTerm::MethodSd => &["s_r", "s"],
        _ => &[],
    };
    [&[term.facts(UNIT).0], also].concat()
}

fn of_name(name: Name) -> Vec<&'static str> {
    match name {
        Name::Statistic(Statistic::MeanSquareWithin) => vec!["MS_w", "MS_within"],
        Name::Statistic(of) | Name::SquareOf(of) => vec![of.symbol()],
        Name::Term(term) => of_term(term),
    }
}

/// Gathers the symbols of an expression.
struct Gathering<'a> {
    cells: &'a StudyCells,
    own: Statistic,
    spoken: &'a BTreeSet<String>,
    found: BTreeSet<String>,
}

impl Gathering<'_> {
    /// Takes the first name that the formula uses.
    fn takes(&mut self, names: &[&[&'static str]]) -> bool {
        let used = names.iter().find(|names| names.iter().all(|name| self.spoken.contains(*name)));
        self.found.extend(used.into_iter().flat_map(|names| names.iter().map(|name| (*name).to_owned())));
        used.is_some()
    }

    fn all(&mut self, parts: &[Part]) {
        parts.iter().for_each(|part| self.node(part));
    }

    fn node(&mut self, node: &Node) {
        match node {
            Node::Number(_) | Node::Empty => {}
            Node::Given(term, _) => {
                if !self.takes(&of_term(*term).iter().map(std::slice::from_ref).collect::<Vec<_>>()) {
                    self.found.insert(format!("{term:?}"));
                }
            }
            Node::Named(name, part) => {
                let other = *name != Name::Statistic(self.own);
                let names = of_name(*name);
                if !(other && self.takes(&names.iter().map(std::slice::from_ref).collect::<Vec<_>>())) {
                    self.node(part);
                }
            }
            Node::Negative(part) => self.node(part),
            Node::Cell(at) => self.cell(at),
            Node::Range(at) => {
                let first = Place { column: at.column, letter: at.letter, row: at.rows.first, fixed: true };
                self.cell(&first);
            }
            Node::Across(places) => self.cell(&places[0]),
            Node::Operation(_, a, b) => self.all(&[Part::clone(a), Part::clone(b)]),
            Node::Choice(_, parts) => self.all(parts),
            Node::Call(function, parts) => {
                let column = match parts.first().map(|part| &**part) {
                    Some(Node::Range(range)) => Some(range.column),
                    _ => None,
                };
                if self.takes(of_function(*function, column)) {
                    return;
                }
                if matches!(
                    function,
                    Function::SampleDeviation | Function::SampleVariance | Function::SquaredDeviations
                ) {
                    // Deviations are from their own mean.
                    self.takes(&[&["x̄"], &["x̄_i"]]);
                }
                self.all(parts);
            }
        }
    }

    fn cell(&mut self, at: &Place) {
        if self.takes(of_column(at.column)) {
            return;
        }
        match at.column {
            Column::Derived(derived) => {
                if let Some(Entry::Formula(formula)) = self.cells.entry(derived.at(), at.row) {
                    self.node(&formula.0);
                }
            }
            column => {
                self.found.insert(format!("{column:?}"));
            }
        }
    }
}

#[test]
fn the_symbols_of_every_expression_are_those_of_the_formula_printed_beside_it() {
    let mut wrong: BTreeMap<&str, String> = BTreeMap::new();
    let mut right = BTreeSet::new();
    for cells in every_shape() {
        for (statistic, _, estimate) in cells.all() {
            let spoken = spoken(statistic.formula());
            let mut gathering = Gathering { cells: &cells, own: statistic, spoken: &spoken, found: BTreeSet::new() };
            gathering.node(&estimate.value.0);
            let unsaid: Vec<_> = spoken.difference(&gathering.found).collect();
            if gathering.found.is_subset(&spoken) && unsaid.iter().all(|word| WORDS.contains(&word.as_str())) {
                right.insert(statistic.key());
            } else {
                let words = format!("{} of ={}: {:?}", statistic.formula(), estimate.value.formula(), gathering.found);
                wrong.insert(statistic.key(), words);
            }
        }
    }
    // s_r of one group is its standard deviation, that of several goes by the mean square: one of both is printed.
    wrong.retain(|key, _| !right.contains(key));
    let expected: BTreeSet<&str> = OTHER_WORDS.iter().map(|(statistic, _)| statistic.key()).collect();
    assert_eq!(wrong.keys().copied().collect::<BTreeSet<_>>(), expected, "{wrong:#?}");
    assert_eq!(right.len() + expected.len(), Statistic::ALL.len());
}
