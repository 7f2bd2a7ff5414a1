//! Statistics of studies as graphs of sums, products, roots and means over their data.
//!
//! What is signed is computed by the algorithms of [`statistics`](crate::statistics) with 32 digits. Here the same formulae are
//! written once for whoever wants to compute them again with pencil, spreadsheet or program: every leaf is a datum or a number
//! of the plan with its record, or a number of the formula. The forms lose no digit that matters: data are set against their
//! first, exactly on the decimals as entered, before means and squares are taken, so that none of them carries an offset.
//! Probabilities, quantiles of distributions and intervals are no such forms; see [`Statistic::has_expression`].

mod lines;
mod near_zero;
mod pairs;
mod scatter;

use crate::quantity::{Reading, nearest_double};
use crate::validation::{DataUnit, Statistic, StudyTerm};
use crate::working::{Digits, Fact, Handle, Index, Label, Quantity, Sheet, Source, Working};

/// A number that a record states.
#[derive(Debug, Clone, Copy)]
pub struct Stated<'r> {
    /// Digits as entered.
    pub reading: &'r Reading,
    /// The record.
    pub fact: Fact<'r>,
    /// Which of several.
    pub index: Index,
}

/// What stands on the axis of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Abscissa {
    /// Amounts taken.
    Taken,
    /// Hours.
    Hours,
}

/// An addition and what was found.
#[derive(Debug, Clone)]
pub struct Addition<'r> {
    /// Found with the addition.
    pub spiked: Stated<'r>,
    /// Found without it.
    pub unspiked: Vec<Stated<'r>>,
    /// Added.
    pub added: Stated<'r>,
}

/// Two arms of a pair.
#[derive(Debug, Clone)]
pub struct Pair<'r> {
    /// Without, or by the reference method.
    pub first: Vec<Stated<'r>>,
    /// With, or by the new method.
    pub second: Vec<Stated<'r>>,
}

/// Data near zero and how a result is reported.
#[derive(Debug, Clone, Default)]
pub struct NearZero<'r> {
    /// Data.
    pub values: Vec<Stated<'r>>,
    /// Their standard uncertainties, where all have one.
    pub uncertainties: Vec<Stated<'r>>,
    /// Total iron they were made at.
    pub total: Option<Stated<'r>>,
    /// Replicates of a reported result; 1 where the plan names none.
    pub replicates: Option<Stated<'r>>,
    /// Blanks whose mean is subtracted; none where the plan names none.
    pub blanks: Option<Stated<'r>>,
    /// Factor of the limit of quantification; 10 where the plan names none.
    pub factor: Option<Stated<'r>>,
    /// Titre aimed at, and the standard uncertainty of a titre.
    pub titre: Option<(Stated<'r>, Stated<'r>)>,
}

/// Data in the places of their design.
#[derive(Debug, Clone)]
pub enum Places<'r> {
    /// Groups: repeatability and intermediate precision.
    Groups(Vec<Vec<Stated<'r>>>),
    /// Against a certified value: trueness and competence.
    Certified {
        /// Data.
        values: Vec<Stated<'r>>,
        /// Certified value.
        reference: Stated<'r>,
        /// Its standard uncertainty.
        u: Stated<'r>,
        /// Standard deviation of the method.
        method_sd: Option<Stated<'r>>,
    },
    /// Additions, all or those of one amount.
    Additions(Vec<Addition<'r>>),
    /// Against amounts taken or hours, those of one storage.
    Line {
        /// What x is.
        x: Abscissa,
        /// x and y.
        points: Vec<(Stated<'r>, Stated<'r>)>,
        /// Holding time to be shown.
        holding: Option<Stated<'r>>,
    },
    /// Near zero, those at one total.
    NearZero(Box<NearZero<'r>>),
    /// Totals of iron with the data near zero at each.
    Totals(Vec<(Stated<'r>, Vec<Stated<'r>>)>),
    /// The eight runs of a ruggedness design, and which of the seven factors is asked for.
    Runs(Vec<Vec<Stated<'r>>>, usize),
    /// Pairs, those of one interferent, and the ratio of error variances.
    Pairs(Vec<Pair<'r>>, Option<Stated<'r>>),
    /// Uncertainties bottom-up, within the laboratory, biases, and uncertainties of references.
    Arms([Vec<Stated<'r>>; 4]),
}

/// Data of a characteristic, as far as one statistic needs them.
#[derive(Debug, Clone)]
pub struct StudyData<'r> {
    /// Unit of the data.
    pub unit: DataUnit,
    /// The data.
    pub places: Places<'r>,
}

/// A statistic as a graph over its data; none where it has no closed form, or no value with these data.
///
/// # Formula
/// [`Statistic::formula`] of each.
///
/// # Source
/// [`Statistic::source`] of each.
#[must_use]
pub fn expression(of: Statistic, data: &StudyData<'_>) -> Option<Working> {
    let sheet = Sheet::new();
    let forms = Forms { sheet: &sheet, unit: data.unit };
    let node = match &data.places {
        Places::Groups(groups) => forms.of_groups(of, groups),
        Places::Certified { values, reference, u, method_sd } => {
            forms.of_certified(of, values, (reference, u, method_sd.as_ref()))
        }
        Places::Additions(additions) => forms.of_additions(of, additions),
        Places::Line { x, points, holding } => forms.of_line(of, *x, points, holding.as_ref()),
        Places::NearZero(near) => forms.of_near_zero(of, near),
        Places::Totals(totals) => forms.of_totals(of, totals),
        Places::Runs(runs, factor) => forms.of_runs(of, runs, *factor),
        Places::Pairs(pairs, ratio) => forms.of_pairs(of, pairs, ratio.as_ref()),
        Places::Arms(arms) => forms.of_arms(of, arms),
    }?;
    node.value().is_finite().then(|| sheet.working(node))
}

/// A leaf with the decimal it stands for.
#[derive(Clone, Copy)]
struct Entered<'s, 'r> {
    node: Handle<'s>,
    reading: &'r Reading,
}

fn nodes<'s>(of: &[Entered<'s, '_>]) -> Vec<Handle<'s>> {
    of.iter().map(|one| one.node).collect()
}

/// Where formulae are written.
#[derive(Clone, Copy)]
struct Forms<'s, 'r> {
    sheet: &'s Sheet<'r>,
    unit: DataUnit,
}

impl<'s, 'r> Forms<'s, 'r> {
    fn leaf(self, term: StudyTerm, stated: &Stated<'r>) -> Entered<'s, 'r> {
        let label = Label::at(Quantity::Study(term, self.unit), stated.index);
        let digits = Digits::Reading(stated.reading);
        let node = self.sheet.entered(label, stated.reading.value(), stated.fact, digits);
        Entered { node, reading: stated.reading }
    }

    fn leaves(self, term: StudyTerm, of: &[Stated<'r>]) -> Vec<Entered<'s, 'r>> {
        of.iter().map(|stated| self.leaf(term, stated)).collect()
    }

    /// A number of the plan, or the one that holds without it.
    fn planned(self, term: StudyTerm, stated: Option<&Stated<'r>>, otherwise: f64) -> Handle<'s> {
        match stated {
            Some(stated) => self.leaf(term, stated).node,
            None => self.sheet.given(Label::only(Quantity::Study(term, self.unit)), otherwise, Source::NotPlanned),
        }
    }

    fn number(self, value: f64) -> Handle<'s> {
        self.sheet.number(value)
    }

    fn count(self, of: usize) -> Handle<'s> {
        self.number(of as f64)
    }

    /// Names the node of a statistic.
    fn named(self, node: Handle<'s>, of: Statistic) -> Handle<'s> {
        self.sheet.named(node, Label::only(Quantity::Statistic(of, self.unit)), Source::Study(of))
    }

    /// Names a part of the formula of a statistic.
    fn part(self, node: Handle<'s>, (term, index): (StudyTerm, Index), of: Statistic) -> Handle<'s> {
        self.sheet.named(node, Label::at(Quantity::Study(term, self.unit), index), Source::Study(of))
    }

    /// The difference of two numbers as entered, on their decimals.
    fn minus(self, a: Entered<'s, 'r>, b: Entered<'s, 'r>) -> Handle<'s> {
        let exact = a.reading.decimal() - b.reading.decimal();
        self.sheet.exactly(a.node - b.node, nearest_double(&exact))
    }

    /// All less one of them, or another number of their kind.
    fn all_minus(self, of: &[Entered<'s, 'r>], origin: Entered<'s, 'r>) -> Vec<Handle<'s>> {
        of.iter().map(|one| self.minus(*one, origin)).collect()
    }

    /// Mean; of one, that one.
    fn mean(self, of: &[Handle<'s>]) -> Handle<'s> {
        match of {
            [only] => *only,
            _ => self.sheet.mean(of),
        }
    }

    /// Numbers less their mean.
    fn centred(self, of: &[Handle<'s>]) -> Vec<Handle<'s>> {
        let mean = self.mean(of);
        of.iter().map(|one| *one - mean).collect()
    }

    /// Numbers as entered less their mean, with no digit lost on what they have in common.
    fn centred_entered(self, of: &[Entered<'s, 'r>]) -> Vec<Handle<'s>> {
        of.first().map(|first| self.centred(&self.all_minus(of, *first))).unwrap_or_default()
    }

    /// Sum of products, one by one.
    fn products(self, a: &[Handle<'s>], b: &[Handle<'s>]) -> Handle<'s> {
        self.sheet.sum(&a.iter().zip(b).map(|(a, b)| *a * *b).collect::<Vec<_>>())
    }

    /// Sample standard deviation of at least two numbers.
    fn sd(self, of: &[Handle<'s>]) -> Option<Handle<'s>> {
        (of.len() > 1).then(|| self.sheet.sample_deviation(of))
    }

    /// The same where they differ: data that do not say nothing of their scatter.
    fn spread(self, of: &[Handle<'s>]) -> Option<Handle<'s>> {
        self.sd(of).filter(|sd| sd.value() > 0.0)
    }

    /// Squared deviations from the mean of each group, added up.
    fn squares_within(self, groups: &[Vec<Entered<'s, 'r>>]) -> Handle<'s> {
        let parts = groups.iter().filter_map(|group| {
            let s = self.sd(&nodes(group))?;
            Some(self.sheet.product(&[self.count(group.len() - 1), s, s]))
        });
        self.sheet.sum(&parts.collect::<Vec<_>>())
    }

    /// Without its sign.
    fn absolute(self, of: Handle<'s>) -> Handle<'s> {
        self.sheet.largest(&[of, 0.0 - of])
    }

    fn root(self, of: Handle<'s>) -> Handle<'s> {
        self.sheet.square_root(of)
    }

    /// Root mean square.
    fn root_mean_square(self, of: &[Handle<'s>]) -> Option<Handle<'s>> {
        let squares: Vec<Handle<'s>> = of.iter().map(|one| *one * *one).collect();
        (!squares.is_empty()).then(|| self.root(self.mean(&squares)))
    }
}
