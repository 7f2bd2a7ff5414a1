//! Pairs: recovery of additions, interferents, another method.

use super::{Addition, Entered, Forms, Pair, Stated, nodes};
use crate::validation::{Statistic, StudyTerm};
use crate::working::{Handle, Index};

/// A pair with its leaves.
struct Arms<'s, 'r> {
    first: Vec<Entered<'s, 'r>>,
    second: Vec<Entered<'s, 'r>>,
}

impl<'s, 'r> Forms<'s, 'r> {
    /// Recovery of additions.
    pub(super) fn of_additions(self, of: Statistic, additions: &[Addition<'r>]) -> Option<Handle<'s>> {
        // An unspiked datum may stand against several additions and is one leaf.
        let mut known: Vec<(&str, Entered<'s, 'r>)> = Vec::new();
        let mut single = Vec::with_capacity(additions.len());
        for (addition, at) in additions.iter().zip(1..) {
            let spiked = self.leaf(StudyTerm::Datum, &addition.spiked);
            let added = self.leaf(StudyTerm::Added, &addition.added).node;
            let gains = addition.unspiked.iter().map(|one| {
                let found = known.iter().find(|(id, _)| *id == one.fact.id).map(|(_, leaf)| *leaf);
                let unspiked = found.unwrap_or_else(|| {
                    let leaf = self.leaf(StudyTerm::Datum, one);
                    known.push((one.fact.id, leaf));
                    leaf
                });
                self.minus(spiked, unspiked)
            });
            let gains: Vec<Handle<'s>> = gains.collect();
            if gains.is_empty() {
                return None;
            }
            let recovery = self.mean(&gains) / added;
            single.push(self.part(recovery, (StudyTerm::SingleRecovery, Index::Number(at)), Statistic::Recovery));
        }
        let sd = self.sd(&single)?;
        let mean = self.mean(&single);
        let u = sd / self.root(self.count(single.len()));
        match of {
            Statistic::Recovery | Statistic::RecoveryAtLevel => Some(self.named(100.0 * mean, of)),
            Statistic::RecoveryUncertainty => Some(self.named(100.0 * u, of)),
            Statistic::RecoveryT if u.value() > 0.0 => Some(self.named(self.absolute(1.0 - mean) / u, of)),
            _ => None,
        }
    }

    /// Differences of pairs, limits of agreement, Deming's line.
    pub(super) fn of_pairs(self, of: Statistic, pairs: &[Pair<'r>], ratio: Option<&Stated<'r>>) -> Option<Handle<'s>> {
        let leaves = |of: &[Stated<'r>]| self.leaves(StudyTerm::Datum, of);
        let pairs: Vec<Arms<'s, 'r>> =
            pairs.iter().map(|pair| Arms { first: leaves(&pair.first), second: leaves(&pair.second) }).collect();
        if pairs.len() < 2 || pairs.iter().any(|pair| pair.first.is_empty() || pair.second.is_empty()) {
            return None;
        }
        if matches!(of, Statistic::DemingSlope | Statistic::DemingIntercept) {
            return self.deming(of, &pairs, ratio);
        }
        let gaps: Vec<Handle<'s>> = pairs.iter().zip(1..).map(|(pair, at)| self.gap(pair, at)).collect();
        match of {
            Statistic::Difference | Statistic::MeanDifference => Some(self.named(self.mean(&gaps), of)),
            Statistic::RelativeDifference => {
                let relative = pairs.iter().zip(&gaps).map(|(pair, gap)| {
                    let first = self.mean(&nodes(&pair.first));
                    (first.value() != 0.0).then(|| 100.0 * *gap / first)
                });
                let relative = relative.collect::<Option<Vec<_>>>()?;
                Some(self.named(self.mean(&relative), of))
            }
            Statistic::LowerAgreement | Statistic::UpperAgreement => {
                let mean = self.named(self.mean(&gaps), Statistic::MeanDifference);
                let reach = 1.96 * self.spread(&gaps)?;
                Some(self.named(if of == Statistic::LowerAgreement { mean - reach } else { mean + reach }, of))
            }
            _ => None,
        }
    }

    /// Second less first, of the means where there are several.
    fn gap(self, pair: &Arms<'s, 'r>, at: u32) -> Handle<'s> {
        let gap = match (pair.first.as_slice(), pair.second.as_slice()) {
            ([first], second) => self.mean(&self.all_minus(second, *first)),
            (first, second) => {
                let of = |arm: &[Entered<'s, 'r>]| self.mean(&self.all_minus(arm, first[0]));
                of(second) - of(first)
            }
        };
        self.part(gap, (StudyTerm::PairDifference, Index::Number(at)), Statistic::Difference)
    }

    /// Errors in both methods, with a known ratio of their variances.
    fn deming(self, of: Statistic, pairs: &[Arms<'s, 'r>], ratio: Option<&Stated<'r>>) -> Option<Handle<'s>> {
        let origin = (pairs[0].first[0], pairs[0].second[0]);
        let mean = |arm: &[Entered<'s, 'r>], origin| self.mean(&self.all_minus(arm, origin));
        let x: Vec<Handle<'s>> = pairs.iter().map(|pair| mean(&pair.first, origin.0)).collect();
        let y: Vec<Handle<'s>> = pairs.iter().map(|pair| mean(&pair.second, origin.1)).collect();
        let (off_x, off_y) = (self.centred(&x), self.centred(&y));
        let part = |node, term| self.part(node, (term, Index::Only), Statistic::DemingSlope);
        let xx = part(self.products(&off_x, &off_x), StudyTerm::SquaresOfX);
        let yy = part(self.products(&off_y, &off_y), StudyTerm::SquaresOfY);
        let xy = part(self.products(&off_x, &off_y), StudyTerm::Products);
        if xy.value() == 0.0 {
            return None;
        }
        let ratio = self.planned(StudyTerm::VarianceRatio, ratio, 1.0);
        let difference = yy - ratio * xx;
        let root = self.root(difference * difference + self.sheet.product(&[self.number(4.0), ratio, xy, xy]));
        // Two forms of the same root; the one that adds is taken.
        let slope = if difference.value() >= 0.0 {
            (difference + root) / (2.0 * xy)
        } else {
            self.sheet.product(&[self.number(2.0), ratio, xy]) / (root - difference)
        };
        let slope = self.named(slope, Statistic::DemingSlope);
        if of == Statistic::DemingSlope {
            return Some(slope);
        }
        let (mean_x, mean_y) = (origin.0.node + self.mean(&x), origin.1.node + self.mean(&y));
        Some(self.named(mean_y - slope * mean_x, of))
    }
}
