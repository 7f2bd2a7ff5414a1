//! Scatter in groups, bias against a certified value, effects of a ruggedness design, uncertainty top-down.

use super::{Entered, Forms, Stated, nodes};
use crate::statistics::ruggedness::YOUDEN_STEINER;
use crate::validation::{Statistic, StudyTerm};
use crate::working::{Handle, Index};

/// Data in groups with what most statistics of them need.
struct Groups<'s, 'r> {
    groups: Vec<Vec<Entered<'s, 'r>>>,
    all: Vec<Entered<'s, 'r>>,
    mean: Handle<'s>,
}

impl<'s, 'r> Forms<'s, 'r> {
    /// Repeatability and intermediate precision.
    pub(super) fn of_groups(self, of: Statistic, groups: &[Vec<Stated<'r>>]) -> Option<Handle<'s>> {
        let groups: Vec<Vec<_>> = groups.iter().map(|group| self.leaves(StudyTerm::Datum, group)).collect();
        let all: Vec<_> = groups.iter().flatten().copied().collect();
        if all.len() < groups.len() + 1 || groups.iter().any(Vec::is_empty) {
            return None;
        }
        let mean = self.named(self.mean(&nodes(&all)), Statistic::Mean);
        let data = Groups { groups, all, mean };
        let within = (data.groups.len() > 1).then(|| self.within(&data));
        let s_r = match within {
            Some(within) => self.root(within),
            None => self.sd(&nodes(&data.all))?,
        };
        let s_r = self.named(s_r, Statistic::RepeatabilitySd);
        if s_r.value() <= 0.0 {
            return None;
        }
        let percent = |sd: Handle<'s>| (data.mean.value() != 0.0).then(|| 100.0 * sd / self.absolute(data.mean));
        match of {
            Statistic::Mean => Some(data.mean),
            Statistic::RepeatabilitySd => Some(s_r),
            Statistic::RelativeRepeatability => Some(self.named(percent(s_r)?, of)),
            Statistic::RepeatabilityLimit => Some(self.named(2.8 * s_r, of)),
            Statistic::MeanSquareWithin => within,
            _ => {
                let (within, between) = (within?, self.between(&data));
                if of == Statistic::MeanSquareBetween {
                    return Some(between);
                }
                let n0 = self.effective_replicates(&data);
                if of == Statistic::IntermediateDegreesOfFreedom {
                    return Some(self.named(self.degrees_of_freedom(&data, (between, within), n0), of));
                }
                let component = self.sheet.largest(&[self.number(0.0), (between - within) / n0]);
                let s_between = self.named(self.root(component), Statistic::BetweenGroupSd);
                if of == Statistic::BetweenGroupSd {
                    return Some(s_between);
                }
                let s_i = self.root(s_between * s_between + s_r * s_r);
                let s_i = self.named(s_i, Statistic::IntermediateSd);
                match of {
                    Statistic::IntermediateSd => Some(s_i),
                    Statistic::RelativeIntermediate => Some(self.named(percent(s_i)?, of)),
                    Statistic::IntermediateOverRepeatability => Some(self.named(s_i / s_r, of)),
                    _ => None,
                }
            }
        }
    }

    /// Mean square within groups.
    fn within(self, data: &Groups<'s, 'r>) -> Handle<'s> {
        let squares = self.squares_within(&data.groups);
        self.named(squares / (self.count(data.all.len()) - self.count(data.groups.len())), Statistic::MeanSquareWithin)
    }

    /// Mean square between groups, of means set against the first datum.
    fn between(self, data: &Groups<'s, 'r>) -> Handle<'s> {
        let origin = data.all[0];
        let shifted: Vec<Vec<Handle<'s>>> = data.groups.iter().map(|group| self.all_minus(group, origin)).collect();
        let grand = self.mean(&shifted.concat());
        let parts = shifted.iter().map(|group| {
            let off = self.mean(group) - grand;
            self.sheet.product(&[self.count(group.len()), off, off])
        });
        let squares = self.sheet.sum(&parts.collect::<Vec<_>>());
        self.named(squares / (self.count(data.groups.len()) - 1.0), Statistic::MeanSquareBetween)
    }

    fn effective_replicates(self, data: &Groups<'s, 'r>) -> Handle<'s> {
        let n = self.count(data.all.len());
        let squares: usize = data.groups.iter().map(|group| group.len() * group.len()).sum();
        let n0 = (n - self.count(squares) / n) / (self.count(data.groups.len()) - 1.0);
        self.part(n0, (StudyTerm::EffectiveReplicates, Index::Only), Statistic::BetweenGroupSd)
    }

    /// Of s_I by Satterthwaite. A factor of 1, or of 0 where s_L was set to 0, leaves those of s_r in that case.
    fn degrees_of_freedom(
        self,
        data: &Groups<'s, 'r>,
        (between, within): (Handle<'s>, Handle<'s>),
        n0: Handle<'s>,
    ) -> Handle<'s> {
        let k = self.count(data.groups.len());
        let df_within = self.count(data.all.len()) - k;
        let excess = between - within;
        let factor = if excess.value() == 0.0 {
            self.number(1.0)
        } else {
            self.sheet.largest(&[self.number(0.0), excess]) / excess
        };
        let (a, b) = (factor * between / n0, (1.0 - factor / n0) * within);
        let variance = a + b;
        variance * variance / (a * a / (k - 1.0) + b * b / df_within)
    }

    /// Bias against a certified value, and an analyst's scatter against the method's.
    pub(super) fn of_certified(
        self,
        of: Statistic,
        values: &[Stated<'r>],
        (reference, u, method_sd): (&Stated<'r>, &Stated<'r>, Option<&Stated<'r>>),
    ) -> Option<Handle<'s>> {
        let values = self.leaves(StudyTerm::Datum, values);
        let s = self.sd(&nodes(&values))?;
        match of {
            Statistic::Mean => return Some(self.named(self.mean(&nodes(&values)), of)),
            Statistic::SampleSd | Statistic::VarianceF if s.value() <= 0.0 => return None,
            Statistic::SampleSd => return Some(self.named(s, of)),
            Statistic::VarianceF => {
                let s = self.named(s, Statistic::SampleSd);
                let ratio = s / self.leaf(StudyTerm::MethodSd, method_sd?).node;
                return Some(self.named(ratio * ratio, of));
            }
            _ => {}
        }
        let reference = self.leaf(StudyTerm::Reference, reference);
        let bias = self.named(self.mean(&self.all_minus(&values, reference)), Statistic::Bias);
        let u = self.leaf(StudyTerm::ReferenceUncertainty, u).node;
        let u_bias = self.root(s * s / self.count(values.len()) + u * u);
        let u_bias = self.named(u_bias, Statistic::BiasUncertainty);
        if u_bias.value() <= 0.0 {
            return None;
        }
        match of {
            Statistic::Bias => Some(bias),
            Statistic::RelativeBias if reference.node.value() != 0.0 => {
                Some(self.named(100.0 * bias / reference.node, of))
            }
            Statistic::BiasUncertainty => Some(u_bias),
            Statistic::BiasRatio => Some(self.named(self.absolute(bias) / (2.0 * u_bias), of)),
            _ => None,
        }
    }

    /// Seven factors in eight runs.
    pub(super) fn of_runs(self, of: Statistic, runs: &[Vec<Stated<'r>>], factor: usize) -> Option<Handle<'s>> {
        let runs: Vec<Vec<_>> = runs.iter().map(|run| self.leaves(StudyTerm::Datum, run)).collect();
        if runs.len() != YOUDEN_STEINER.len() || runs.iter().any(Vec::is_empty) || factor > 6 {
            return None;
        }
        let origin = runs[0][0];
        let means: Vec<Handle<'s>> = runs.iter().map(|run| self.mean(&self.all_minus(run, origin))).collect();
        let effect = |factor: usize| {
            let at = |wanted: bool| {
                let those = YOUDEN_STEINER.iter().zip(&means).filter(|(signs, _)| signs[factor] == wanted);
                self.mean(&those.map(|(_, mean)| *mean).collect::<Vec<_>>())
            };
            at(true) - at(false)
        };
        match of {
            Statistic::Effect => Some(self.named(effect(factor), of)),
            Statistic::RelativeEffect => {
                let level = self.named(origin.node + self.mean(&means), Statistic::Mean);
                let effect = self.named(effect(factor), Statistic::Effect);
                (level.value() != 0.0).then(|| self.named(100.0 * effect / level, of))
            }
            Statistic::EffectsSd => {
                let effects: Vec<Handle<'s>> = (0..7).map(effect).collect();
                Some(self.named(self.root(2.0 * self.products(&effects, &effects) / 7.0), of))
            }
            _ => None,
        }
    }

    /// Bottom-up against top-down.
    pub(super) fn of_arms(self, of: Statistic, arms: &[Vec<Stated<'r>>; 4]) -> Option<Handle<'s>> {
        let root_mean_square = |at: usize, term| self.root_mean_square(&nodes(&self.leaves(term, &arms[at])));
        let bottom_up = || {
            let u = root_mean_square(0, StudyTerm::DatumUncertainty)?;
            Some(self.named(u, Statistic::BottomUpUncertainty))
        };
        if of == Statistic::BottomUpUncertainty {
            return bottom_up();
        }
        let biases = self.named(root_mean_square(2, StudyTerm::Datum)?, Statistic::RootMeanSquareBias);
        if of == Statistic::RootMeanSquareBias {
            return Some(biases);
        }
        let part = |node, term, of| self.part(node, (term, Index::Only), of);
        let references = root_mean_square(3, StudyTerm::DatumUncertainty)?;
        let references = part(references, StudyTerm::ReferencesUncertainty, Statistic::BiasComponent);
        let u_bias = self.root(biases * biases + references * references);
        let u_bias = self.named(u_bias, Statistic::BiasComponent);
        if of == Statistic::BiasComponent {
            return Some(u_bias);
        }
        let within = root_mean_square(1, StudyTerm::DatumUncertainty)?;
        let within = part(within, StudyTerm::WithinLaboratory, Statistic::TopDownUncertainty);
        let combined = self.named(self.root(within * within + u_bias * u_bias), Statistic::TopDownUncertainty);
        match of {
            Statistic::TopDownUncertainty => Some(combined),
            Statistic::ExpandedUncertainty => Some(self.named(2.0 * combined, of)),
            Statistic::BottomUpOverTopDown if combined.value() > 0.0 => Some(self.named(bottom_up()? / combined, of)),
            _ => None,
        }
    }
}
