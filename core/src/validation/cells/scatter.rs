//! Scatter in groups, bias against a certified value, effects of a ruggedness design, uncertainty top-down.

use super::place::{Block, Derived, Rows, Span};
use super::study::{Entry, Estimate, Planned, StudyCells, cell, given};
use super::tree::{Array, Comparison, Name, Scalar};
use crate::statistics::ruggedness::YOUDEN_STEINER;
use crate::validation::{DataUnit, Statistic, StudyTerm};
use crate::working::ContentUnit;

/// Repeatability and intermediate precision.
pub(super) fn groups(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    let groups = block.groups(1);
    let mean = block.values().mean().named(Statistic::Mean);
    let s_r = if groups.len() < 2 {
        let data = block.values();
        let s_r = data.sample_deviation().named(Statistic::RepeatabilitySd);
        Estimate::deviation(&s_r, &(data.count() - 1.0), plan.alpha())
    } else if block.n() > groups.len() {
        components(found, plan.alpha(), (block, &groups))
    } else {
        // Groups of one say nothing of s_r.
        return;
    };
    found.add(Statistic::RelativeRepeatability, s_r.scaled(|s| s * 100.0 / mean.absolute()));
    found.add(Statistic::RepeatabilityLimit, s_r.scaled(|s| s * 2.8));
    if let Some(whole) = parts_of_one(plan.unit) {
        let predicted = 2.0 * (&mean / whole).power(-0.15);
        let rsd = (100.0 / mean.absolute() * &s_r.value).named(Statistic::RelativeRepeatability);
        found.add(Statistic::HorRat, rsd / predicted);
    }
    found.add(Statistic::RepeatabilitySd, s_r);
    found.add(Statistic::Mean, mean);
}

/// How many of a unit are a mass fraction of 1, for the curve of Horwitz; 1 L of dilute solution is about 1 kg.
fn parts_of_one(unit: DataUnit) -> Option<f64> {
    match unit {
        DataUnit::Content(ContentUnit::PercentByMass) => Some(100.0),
        DataUnit::Content(ContentUnit::GramsPerLitre) => Some(1e3),
        DataUnit::Content(ContentUnit::MilligramsPerLitre) => Some(1e6),
        _ => None,
    }
}

/// What the variances within groups and between them come from.
struct Components {
    within: Scalar,
    between: Scalar,
    replicates: Scalar,
    df_within: usize,
    df_between: usize,
}

/// Variance components of groups; s_r.
fn components(found: &mut StudyCells, alpha: f64, (block, groups): (&Block, &[Span])) -> Estimate {
    let data = block.values();
    let (df_between, df_within) = (groups.len() - 1, block.n() - groups.len());
    let rows = found.groups(groups);
    let [sizes, squares, means] =
        [Derived::GroupSize, Derived::GroupSquares, Derived::GroupMean].map(|column| column.over(rows));
    let within = found.figure("MS within", squares.sum() / df_within).named(Statistic::MeanSquareWithin);
    let off = means.less(&data.mean().named(Statistic::Mean)).squared();
    let between = found.figure("MS between", sizes.products(&off) / df_between).named(Statistic::MeanSquareBetween);
    let n = Scalar::from(block.n());
    let replicates = found.figure("n0", (&n - sizes.sum_of_squares() / &n) / df_between);
    let replicates = replicates.known_as(Name::Term(StudyTerm::EffectiveReplicates));
    let of = Components { within, between, replicates, df_within, df_between };
    let excess = Scalar::from(0.0).largest(&((&of.between - &of.within) / &of.replicates));
    let excess = found.figure("variance between groups", excess);
    let freedom = found.figure("degrees of freedom of s_I", of.satterthwaite());
    let mean = data.mean().named(Statistic::Mean);
    let s_between = excess.root().named(Statistic::BetweenGroupSd);
    let interval = Some((of.between_end(alpha / 2.0), of.between_end(1.0 - alpha / 2.0)));
    found.add(Statistic::BetweenGroupSd, Estimate { value: s_between, interval });
    let squares = [(&of.within, Statistic::RepeatabilitySd), (&excess, Statistic::BetweenGroupSd)];
    let [within, between] = squares.map(|(square, of)| square.known_as(Name::SquareOf(of)));
    let s_i = (within + between).root().named(Statistic::IntermediateSd);
    let intermediate = Estimate::deviation(&s_i, &freedom, alpha);
    found.add(Statistic::RelativeIntermediate, intermediate.scaled(|s| s * 100.0 / mean.absolute()));
    found.add(Statistic::IntermediateSd, intermediate);
    found.add(Statistic::IntermediateDegreesOfFreedom, freedom);
    let s_r = of.within.root().named(Statistic::RepeatabilitySd);
    found.add(Statistic::IntermediateOverRepeatability, s_i / &s_r);
    found.add(Statistic::BetweenP, (&of.between / &of.within).fisher_tail(df_between, df_within));
    found.add(Statistic::MeanSquareWithin, of.within);
    found.add(Statistic::MeanSquareBetween, of.between);
    Estimate::deviation(&s_r, &df_within.into(), alpha)
}

impl Components {
    /// Degrees of freedom of s_I by Satterthwaite; those of s_r where s_L was set to 0.
    fn satterthwaite(&self) -> Scalar {
        let from_between = &self.between / &self.replicates;
        let from_within = (1.0 - 1.0 / &self.replicates) * &self.within;
        let sum = (&from_between + &from_within).power(2.0);
        let parts = from_between.power(2.0) / self.df_between + from_within.power(2.0) / self.df_within;
        self.between.choice(Comparison::Less, &self.within, &self.df_within.into(), &(sum / parts))
    }

    /// End of the interval of s_L.
    fn between_end(&self, p: f64) -> Scalar {
        let f = Scalar::fisher(p, self.df_between, self.df_within);
        let excess = Scalar::from(self.df_between) * (&self.between - f * &self.within);
        let scale = &self.replicates * Scalar::chi_square(p, self.df_between);
        Scalar::from(0.0).largest(&(excess / scale)).root()
    }
}

/// Bias against a certified value.
pub(super) fn certified(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    let Some((reference, u)) = plan.reference else { return };
    let (reference, u) = (given(StudyTerm::Reference, reference), given(StudyTerm::ReferenceUncertainty, u));
    let data = block.values();
    let mean = data.mean().named(Statistic::Mean);
    let bias = (&mean - &reference).named(Statistic::Bias);
    let u_bias = (data.sample_variance() / data.count() + u.power(2.0)).root().named(Statistic::BiasUncertainty);
    let around = Estimate::around(&bias, &(2.0 * &u_bias));
    found.add(Statistic::Mean, mean);
    found.add(Statistic::RelativeBias, around.scaled_with_sign(|d| d * 100.0 / &reference));
    found.add(Statistic::Bias, around);
    found.add(Statistic::BiasRatio, bias.absolute() / (2.0 * &u_bias));
    found.add(Statistic::BiasUncertainty, u_bias);
}

/// The same, and the scatter of an analyst against the method's.
pub(super) fn competence(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    certified(found, plan, block);
    let (Some(_), Some(known)) = (plan.reference, plan.method_sd) else { return };
    let (data, dof) = (block.values(), block.n().saturating_sub(1));
    let s = data.sample_deviation();
    let ratio = data.sample_variance() / given(StudyTerm::MethodSd, known).power(2.0);
    found.add(Statistic::SampleSd, Estimate::deviation(&s, &dof.into(), plan.alpha()));
    found.add(Statistic::VarianceP, ratio.fisher_tail_of(dof, plan.method_sd_dof));
    found.add(Statistic::VarianceF, ratio);
}

/// Seven factors in eight runs: the plan as signs beside the means of the runs.
pub(super) fn runs(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    let Some(sd) = plan.method_sd else { return };
    let names: Vec<String> = (1..).take(YOUDEN_STEINER.len()).map(|run: u8| run.to_string()).collect();
    let Some(runs) = names.iter().map(|name| block.span(&[name])).collect::<Option<Vec<_>>>() else { return };
    let means = plan_of_runs(found, plan, (&names, &runs));
    let of_effects = found.next_row();
    let factors = || (0..).take(YOUDEN_STEINER[0].len()).map(Derived::Factor);
    let effects = factors().map(|factor| means.products(&factor.over(of_runs(of_effects))) / 4.0);
    let head = [Entry::Text("effect".to_owned()), Entry::Empty].into_iter();
    found.table.push(head.chain(effects.map(Entry::Formula)).collect());
    let sd = given(StudyTerm::MethodSd, sd);
    let limit = Scalar::student_of(plan.alpha(), plan.method_sd_dof) * &sd / Scalar::from(2.0).root();
    let mean = means.mean().named(Statistic::Mean);
    for (factor, name) in factors().zip(&plan.factors) {
        let effect = cell(factor.at_row(of_effects)).named(Statistic::Effect);
        found.add_of(Statistic::RelativeEffect, name, 100.0 * &effect / &mean);
        found.add_of(Statistic::EffectRatio, name, effect.absolute() / &limit);
        found.add_of(Statistic::Effect, name, Estimate::around(&effect, &limit));
    }
    let effects = Array::across(factors().map(|factor| factor.at_row(of_effects)).collect());
    let mean_square = 2.0 * effects.sum_of_squares() / 7.0;
    found.add(Statistic::EffectsP, (&mean_square / sd.power(2.0)).fisher_tail_of(7, plan.method_sd_dof));
    found.add(Statistic::EffectsSd, mean_square.root());
}

/// Rows of the eight runs, above the row of their effects.
fn of_runs(of_effects: usize) -> Rows {
    Rows { first: of_effects - YOUDEN_STEINER.len(), last: of_effects - 1 }
}

/// The table of runs: their means, and the level of every factor as a sign.
fn plan_of_runs(found: &mut StudyCells, plan: &Planned<'_>, (names, runs): (&[String], &[&Span])) -> Array {
    let mut heads = vec![Entry::Head("Run"), Entry::Head("Mean")];
    heads.extend(plan.factors.iter().map(|name| Entry::Text((*name).to_owned())));
    found.table.push(heads);
    for ((name, run), signs) in names.iter().zip(runs).zip(YOUDEN_STEINER) {
        let mut row = vec![Entry::Text(name.clone()), Entry::Formula(run.values().mean())];
        row.extend(signs.map(|high| Entry::Number(if high { 1.0 } else { -1.0 })));
        found.table.push(row);
    }
    Derived::RunMean.over(of_runs(found.next_row()))
}

/// Bottom-up against top-down: root mean squares of the arms.
pub(super) fn arms(found: &mut StudyCells, block: &Block) {
    let of = |arm: &str| Some(block.span(&[arm])?.values().root_mean_square());
    let bottom_up = of("bottom-up").map(|u| u.named(Statistic::BottomUpUncertainty));
    if let (Some(within), Some(bias), Some(reference)) = (of("within-laboratory"), of("bias"), of("reference")) {
        let bias = bias.named(Statistic::RootMeanSquareBias);
        let reference = reference.known_as(Name::Term(StudyTerm::ReferencesUncertainty));
        let within = within.known_as(Name::Term(StudyTerm::WithinLaboratory));
        let u_bias = (bias.power(2.0) + reference.power(2.0)).root().named(Statistic::BiasComponent);
        let combined = (within.power(2.0) + u_bias.power(2.0)).root().named(Statistic::TopDownUncertainty);
        if let Some(bottom_up) = &bottom_up {
            found.add(Statistic::BottomUpOverTopDown, bottom_up / &combined);
        }
        found.add(Statistic::ExpandedUncertainty, 2.0 * &combined);
        found.add(Statistic::TopDownUncertainty, combined);
        found.add(Statistic::BiasComponent, u_bias);
        found.add(Statistic::RootMeanSquareBias, bias);
    }
    if let Some(bottom_up) = bottom_up {
        found.add(Statistic::BottomUpUncertainty, bottom_up);
    }
}
