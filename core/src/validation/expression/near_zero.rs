//! Limits of detection and quantification, of blanks and of iron(III) by difference.

use super::{Forms, NearZero, Stated, nodes};
use crate::validation::{Statistic, StudyTerm};
use crate::working::{Handle, Index, Label, Quantity, Source};

impl<'s, 'r> Forms<'s, 'r> {
    /// From data near zero.
    pub(super) fn of_near_zero(self, of: Statistic, near: &NearZero<'r>) -> Option<Handle<'s>> {
        match of {
            Statistic::UncertaintyAt => {
                let all = self.leaves(StudyTerm::DatumUncertainty, &near.uncertainties);
                return Some(self.named(self.root_mean_square(&nodes(&all))?, of));
            }
            Statistic::ModelUncertaintyAt => {
                let (titre, u) = near.titre.as_ref()?;
                let total = self.leaf(StudyTerm::TotalIron, near.total.as_ref()?).node;
                let (titre, u) =
                    (self.leaf(StudyTerm::Titre, titre).node, self.leaf(StudyTerm::TitreUncertainty, u).node);
                let model = self.sheet.product(&[total, self.root(self.number(2.0)), u]) / titre;
                return Some(self.named(model, of));
            }
            _ => {}
        }
        // A limit at a total of iron goes by s0 at that total.
        let own = |at: Statistic, alone: Statistic| if near.total.is_some() { at } else { alone };
        let values = nodes(&self.leaves(StudyTerm::Datum, &near.values));
        let s0 = self.named(self.spread(&values)?, own(Statistic::SdNearZeroAt, Statistic::SdNearZero));
        let adjusted = || {
            let replicates = 1.0 / self.planned(StudyTerm::RoutineReplicates, near.replicates.as_ref(), 1.0);
            let share = match &near.blanks {
                Some(blanks) => replicates + 1.0 / self.leaf(StudyTerm::RoutineBlanks, blanks).node,
                None => replicates,
            };
            self.named(s0 * self.root(share), Statistic::AdjustedSdNearZero)
        };
        let quantified = || {
            let factor = self.planned(StudyTerm::QuantificationFactor, near.factor.as_ref(), 10.0);
            self.named(factor * adjusted(), own(Statistic::QuantificationLimitAt, Statistic::QuantificationLimit))
        };
        match of {
            Statistic::SdNearZero | Statistic::SdNearZeroAt => Some(s0),
            Statistic::AdjustedSdNearZero => Some(adjusted()),
            Statistic::DetectionLimit | Statistic::DetectionLimitAt => Some(self.named(3.0 * adjusted(), of)),
            Statistic::QuantificationLimit | Statistic::QuantificationLimitAt => Some(quantified()),
            Statistic::RelativeQuantificationLimitAt => {
                let total = self.leaf(StudyTerm::TotalIron, near.total.as_ref()?).node;
                (total.value() != 0.0).then(|| self.named(100.0 * quantified() / total, of))
            }
            _ => None,
        }
    }

    /// Growth of s0 with total iron.
    pub(super) fn of_totals(self, of: Statistic, totals: &[(Stated<'r>, Vec<Stated<'r>>)]) -> Option<Handle<'s>> {
        if of != Statistic::SdNearZeroSlope || totals.len() < 3 {
            return None;
        }
        let x: Vec<_> = totals.iter().map(|(total, _)| self.leaf(StudyTerm::TotalIron, total)).collect();
        let s0 = totals.iter().zip(1..).map(|((_, values), at)| {
            let s0 = self.spread(&nodes(&self.leaves(StudyTerm::Datum, values)))?;
            let label = Label::at(Quantity::Statistic(Statistic::SdNearZeroAt, self.unit), Index::Number(at));
            Some(self.sheet.named(s0, label, Source::Study(Statistic::SdNearZeroAt)))
        });
        let s0 = s0.collect::<Option<Vec<_>>>()?;
        let (off_x, off_y) = (self.centred_entered(&x), self.centred(&s0));
        let squares = self.part(self.products(&off_x, &off_x), (StudyTerm::SquaresOfX, Index::Only), of);
        let products = self.part(self.products(&off_x, &off_y), (StudyTerm::Products, Index::Only), of);
        (squares.value() > 0.0).then(|| self.named(products / squares, of))
    }
}
