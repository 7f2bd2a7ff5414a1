//! From titres and blanks to the amount of iron titrated.

use crate::determination::blank::{holds_oxidant_of, in_titrant_of, is_back_titration};
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Burette, Central, Record, Titration};
use crate::determination::titre::Measured;
use crate::statistics::agreement::critical_range_factor;
use crate::statistics::distribution::student_t_quantile;
use crate::uncertainty::InputError;
use crate::working::{Handle, Identity, Index, Label, Leaf, Origin, Quantity, Sheet, Source};

/// What is known of the random error of a titre that stands for several.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scatter {
    /// Standard uncertainty that titres which agreed would have had, mL, and its degrees of freedom.
    pub(super) least: (f64, Option<f64>),
    /// Standard uncertainty taken, mL.
    pub(super) taken: f64,
    /// Whether the scatter seen took the place of what was known before.
    pub(super) seen: bool,
}

/// Replicates whose scatter is looked at.
pub(super) struct Replicates<'a, 's> {
    pub(super) values: &'a [Handle<'s>],
    pub(super) central: Central,
    /// Whether they disagree without a cause by the method's rule.
    pub(super) discordant: bool,
    /// Fillings of the burette for one value.
    pub(super) fillings: f64,
}

/// Whether values disagree by more than the method's repeatability explains.
fn refuted(values: &[Handle<'_>], sigma: f64) -> Result<bool, EvaluationError> {
    let values: Vec<f64> = values.iter().map(|handle| handle.value()).collect();
    let low = values.iter().copied().fold(f64::INFINITY, f64::min);
    let range = values.iter().copied().fold(f64::NEG_INFINITY, f64::max) - low;
    let n = u32::try_from(values.len()).unwrap_or(u32::MAX);
    // The readings are decimals; 1e-9 mL forgives their binary form.
    Ok(range > critical_range_factor(n, 0.95)? * sigma + 1e-9)
}

/// Standard uncertainty of a mean or median from the scatter of single values, and its degrees of freedom.
///
/// Values that disagree, by the method's rule or by more than sigma_r explains, refute what was known before: the scatter seen
/// takes its place wherever it is the larger. Student's factor stands for the few values it was seen in, so that it has no
/// degrees of freedom of its own.
///
/// # Formula
/// u = max(s, a / sqrt 6) / sqrt n, s being sigma_r or the sample standard deviation, a the reading step (two readings, each
/// rectangular over a step); times sqrt(pi / 2) for a median. Values that disagree: the larger of that and `t_95(n - 1) / t_95(infinite)` s / sqrt n, s being the sample standard deviation.
///
/// # Source
/// ISO 5725-6 (sigma_r of the method, critical range), JCGM 100:2008, 4.2.3, 4.3.7 and G.3.2 (Student's factor); Cramér 1946,
/// 28.5 (median of normal values).
pub(super) fn scatter<'s, 'r>(
    sheet: &'s Sheet<'r>,
    of: Label,
    sigma: Option<(f64, Option<f64>)>,
    burette: &'r Burette,
    replicates: &Replicates<'_, 's>,
) -> Result<(Handle<'s>, Option<f64>, Scatter), EvaluationError> {
    let values = replicates.values;
    let n = values.len();
    let disagree = n > 1
        && match sigma {
            Some((sigma, _)) => replicates.discordant || refuted(values, sigma)?,
            None => replicates.discordant,
        };
    let floor = burette.resolution(sheet) / sheet.square_root(sheet.number(6.0 / replicates.fillings));
    let seen = |factor: Handle<'s>| factor * sheet.sample_deviation(values) / sheet.square_root(sheet.number(n as f64));
    let (single, dof) = match sigma {
        Some((sigma, dof)) => {
            let label = Label::only(Quantity::RepeatabilityDeviation);
            let sigma = sheet.given(label, sigma, Source::MethodVersion);
            (sheet.largest(&[sigma, floor]), dof)
        }
        None if n > 1 && !disagree => (sheet.largest(&[sheet.sample_deviation(values), floor]), Some(n as f64 - 1.0)),
        None => (floor, None),
    };
    let known = single / sheet.square_root(sheet.number(n as f64));
    let mut efficiency = 1.0;
    let finish = |u: Handle<'s>, source| sheet.named(u, of.u(), source);
    let (mut u, mut dof_taken) = (known, dof);
    if disagree {
        let student = sheet.given(
            Label::only(Quantity::StudentFactor),
            student_t_quantile(0.975, n as f64 - 1.0)?,
            Source::StudentFactor,
        );
        let normal = sheet.number(student_t_quantile(0.975, f64::INFINITY)?);
        u = sheet.largest(&[known, seen(student / normal)]);
        if u.value() > known.value() {
            dof_taken = None;
        }
    }
    let node = match (replicates.central, disagree) {
        (Central::Mean, false) => finish(u, Source::ScatterOfMean),
        (Central::Mean, true) => finish(u, Source::ScatterSeen),
        (Central::Median, disagree) => {
            let root = sheet.square_root(sheet.number(std::f64::consts::PI) / 2.0);
            efficiency = root.value();
            finish(u * root, if disagree { Source::ScatterSeenOfMedian } else { Source::ScatterOfMedian })
        }
    };
    // Without a repeatability of the method, titres that agreed would have had the resolution of their readings at least.
    let least = if sigma.is_some() {
        (known.value() * efficiency, dof)
    } else {
        (floor.value() * efficiency / (n as f64).sqrt(), None)
    };
    let scatter = Scatter { least, taken: node.value(), seen: disagree && u.value() > known.value() };
    Ok((node, dof_taken, scatter))
}

/// What the result rests on.
pub(super) struct Basis<'b, 's, 'r> {
    pub(super) record: &'r Record,
    /// Volume of every titration.
    pub(super) volumes: &'b [Measured<'s>],
    pub(super) used: &'b [usize],
    pub(super) central: Central,
    pub(super) blank: Option<Handle<'s>>,
    /// Whether the titres disagree without a cause.
    pub(super) discordant: bool,
}

/// Amount of iron titrated, mmol, and the titre that stands for all, mL.
pub(super) struct Amount<'s> {
    pub(super) iron: Handle<'s>,
    pub(super) net_ml: f64,
    pub(super) scatter: Scatter,
}

/// Used titrations that share lot, burette and oxidant.
struct Group<'r> {
    first: &'r Titration,
    members: Vec<usize>,
}

/// Errors common to all titrations.
struct Common<'s> {
    repeatability: Handle<'s>,
    end_point: Handle<'s>,
}

impl<'r> Basis<'_, '_, 'r> {
    fn groups(&self) -> Vec<Group<'r>> {
        let mut groups: Vec<Group<'r>> = Vec::with_capacity(1);
        for index in self.used {
            let titration = &self.record.titrations[*index];
            let same = |group: &&mut Group<'_>| {
                group.first.factor == titration.factor
                    && group.first.burette.id == titration.burette.id
                    && group.first.excess == titration.excess
            };
            match groups.iter_mut().find(same) {
                Some(group) => group.members.push(*index),
                None => groups.push(Group { first: titration, members: vec![*index] }),
            }
        }
        groups
    }
}

impl<'s, 'r> Basis<'_, 's, 'r> {
    fn volumes_of(&self, members: &[usize]) -> Vec<Handle<'s>> {
        members.iter().map(|index| self.volumes[*index].volume).collect()
    }

    fn centre(&self, sheet: &'s Sheet<'r>, volumes: &[Handle<'s>]) -> Handle<'s> {
        match self.central {
            Central::Mean => sheet.mean(volumes),
            Central::Median => sheet.median(volumes),
        }
    }

    /// Amount of iron titrated, mmol, and the titre that stands for all, mL.
    ///
    /// # Formula
    /// n(Fe) = z c V for a direct titration; z_ox c_ox V_ox - z c V for a back-titration; V the mean or median titre less
    /// blank. Titrations with different lots or burettes weigh by their number. Systematic errors of burette and end point,
    /// and the random error of the titre, enter as inputs of value zero.
    ///
    /// # Source
    /// Stoichiometry of the titration; errors as inputs of value zero: JCGM 100:2008, 3.2.2 and 3.2.3.
    pub(super) fn amount(&self, sheet: &'s Sheet<'r>) -> Result<Amount<'s>, EvaluationError> {
        let groups = self.groups();
        let (repeatability, scatter) = self.repeatability(sheet)?;
        let common = Common { repeatability, end_point: self.end_point(sheet)? };
        let n = self.used.len() as f64;
        let several = groups.len() > 1;
        let mut parts = Vec::with_capacity(groups.len());
        for (at, group) in (1..).zip(&groups) {
            let index = if several { Index::Number(at) } else { Index::Only };
            let part = self.group(sheet, group, &common, index)?;
            parts.push(if several { part * (group.members.len() as f64 / n) } else { part });
        }
        let iron = match parts.as_slice() {
            [only] => *only,
            all => sheet.named(sheet.sum(all), Label::only(Quantity::IronAmount), Source::MeanOfReplicates),
        };
        let centre = self.centre(sheet, &self.volumes_of(self.used)).value();
        let blank = self.blank.filter(|_| !is_back_titration(self.record));
        Ok(Amount { iron, net_ml: centre - blank.map_or(0.0, Handle::value), scatter })
    }

    /// Amount of iron by the titrations of a group.
    fn group(
        &self,
        sheet: &'s Sheet<'r>,
        group: &Group<'r>,
        common: &Common<'s>,
        index: Index,
    ) -> Result<Handle<'s>, EvaluationError> {
        let titration = group.first;
        // A median stands for all titres, a mean for those of the group.
        let members = match self.central {
            Central::Mean => group.members.as_slice(),
            Central::Median => self.used,
        };
        let (centre, source) = match self.central {
            Central::Mean => (sheet.mean(&self.volumes_of(members)), Source::MeanOfReplicates),
            Central::Median => (sheet.median(&self.volumes_of(members)), Source::MedianOfReplicates),
        };
        // Every filling of the burette has the error of its calibration.
        let bias = match self.fillings(members) {
            1.0 => titration.burette.bias(sheet)?,
            fillings => titration.burette.bias(sheet)? * fillings,
        };
        let blank = match self.blank {
            Some(blank) => Some(in_titrant_of(sheet, self.record, (blank, &titration.factor))?),
            None => None,
        };
        let back = is_back_titration(self.record);
        let mut net = centre + common.repeatability + common.end_point + bias;
        if let Some(blank) = blank.filter(|_| !back) {
            net = net - blank;
        }
        let net = sheet.named(net, Label::at(Quantity::NetTitre, index), source);
        let per_ml = || Ok::<_, InputError>(titration.factor.electrons(sheet) * titration.factor.concentration(sheet)?);
        let titrated = per_ml()? * net;
        let label = Label::at(Quantity::IronAmount, index);
        let Some(excess) = &titration.excess else {
            if back {
                return Err(EvaluationError::ExcessMissing(titration.id.clone()));
            }
            return Ok(sheet.named(titrated, label, Source::Stoichiometry));
        };
        // A blank holds one oxidant; the amount of another is what its own pipette delivered.
        let blank = blank.filter(|_| holds_oxidant_of(self.record, excess));
        let added = match blank {
            // Without sample the same oxidant took so much titrant.
            Some(blank) => per_ml()? * blank,
            None => excess.delivered(sheet, &self.warmth(members))?,
        };
        let source = if blank.is_some() { Source::Blank } else { Source::Stoichiometry };
        let added = sheet.named(added, Label::at(Quantity::OxidantAmount, index), source);
        Ok(sheet.named(added - titrated, label, Source::Stoichiometry))
    }

    /// Fillings of the burette for one titre, on average.
    fn fillings(&self, members: &[usize]) -> f64 {
        let all: usize = members.iter().map(|index| self.record.titrations[*index].segments.len()).sum();
        all as f64 / members.len() as f64
    }

    /// Factors to 20 C of titrations, where volumes are brought there.
    fn warmth(&self, members: &[usize]) -> Vec<Handle<'s>> {
        members.iter().filter_map(|index| self.volumes[*index].to_20).collect()
    }

    /// Random error of the titre that stands for all: zero at best estimate.
    fn repeatability(&self, sheet: &'s Sheet<'r>) -> Result<(Handle<'s>, Scatter), EvaluationError> {
        let record = self.record;
        let label = Label::only(Quantity::Repeatability);
        let burette = &record.titrations[self.used[0]].burette;
        let volumes = self.volumes_of(self.used);
        let replicates = Replicates {
            values: &volumes,
            central: self.central,
            discordant: self.discordant,
            fillings: self.fillings(self.used),
        };
        let (u, dof, found) = scatter(sheet, label, record.rules.sigma_r_ml, burette, &replicates)?;
        // Two determinations of one sample have an error each.
        let error = sheet.given_anew(label, 0.0, Source::RandomError);
        Ok((sheet.uncertain(error, (label, Identity::Repeatability(&record.id)), u, dof)?, found))
    }

    /// Error of the end point: zero at best estimate.
    fn end_point(&self, sheet: &'s Sheet<'r>) -> Result<Handle<'s>, InputError> {
        let rules = &self.record.rules;
        sheet.input(Leaf {
            label: Label::only(Quantity::EndPointBias),
            value: 0.0,
            origin: Origin::Source(Source::SystematicError),
            u: (rules.end_point_u_ml, Origin::Source(Source::MethodVersion)),
            dof: None,
            identity: Identity::EndPoint(&rules.chemistry, &rules.indicator),
        })
    }
}
