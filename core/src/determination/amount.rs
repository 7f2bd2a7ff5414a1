//! From titres and blanks to the amount of iron titrated.

use crate::chemistry::indicator;
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Blank, Burette, Central, Record, Standing, Titration};
use crate::determination::titre::{Delivery, volume};
use crate::uncertainty::InputError;
use crate::working::{Fact, Handle, Identity, Index, Label, Leaf, Origin, Quantity, Sheet, Source};

/// Whether the indicator turns only where iron is present, so that a blank needs added iron(II).
pub(super) fn indicator_needs_iron(record: &Record) -> bool {
    indicator(&record.rules.indicator).is_some_and(|entry| entry.needs_iron)
}

/// Blanks that count. One without iron whose indicator could not turn shows no end point, and its volume means nothing.
pub(super) fn usable_blanks(record: &Record) -> impl Iterator<Item = &Blank> {
    let needs_iron = indicator_needs_iron(record);
    record
        .blanks
        .iter()
        .filter(move |b| b.standing == Standing::Counted && (b.iron_equivalent_ml.is_some() || !needs_iron))
}

/// Standard uncertainty of a mean or median from the scatter of single values, and its degrees of freedom.
///
/// # Formula
/// u = max(s, a / sqrt 6) / sqrt n, s being sigma_r or the sample standard deviation, a the reading step (two readings, each
/// rectangular over a step); times sqrt(pi / 2) for a median
///
/// # Source
/// ISO 5725-6 (sigma_r of the method), JCGM 100:2008, 4.2.3 and 4.3.7; Cramér 1946, 28.5 (median of normal values).
fn scatter<'s, 'r>(
    sheet: &'s Sheet<'r>,
    of: Label,
    sigma: Option<(f64, Option<f64>)>,
    burette: &'r Burette,
    (values, central): (&[Handle<'s>], Central),
) -> (Handle<'s>, Option<f64>) {
    let n = values.len() as f64;
    let floor = burette.resolution(sheet) / sheet.square_root(sheet.number(6.0));
    let (scatter, dof) = match sigma {
        Some((sigma, dof)) => {
            let label = Label::only(Quantity::RepeatabilityDeviation);
            (Some(sheet.given(label, sigma, Source::MethodVersion)), dof)
        }
        None if values.len() > 1 => (Some(sheet.sample_deviation(values)), Some(n - 1.0)),
        None => (None, None),
    };
    let largest = scatter.map_or(floor, |scatter| sheet.largest(&[scatter, floor]));
    let u = largest / sheet.square_root(sheet.number(n));
    match central {
        Central::Mean => (sheet.named(u, of.u(), Source::ScatterOfMean), dof),
        Central::Median => {
            let efficiency = sheet.square_root(sheet.number(std::f64::consts::PI) / 2.0);
            (sheet.named(u * efficiency, of.u(), Source::ScatterOfMedian), dof)
        }
    }
}

/// Mean of the accepted blanks, an input of its own that all determinations of the run share.
///
/// # Formula
/// V_b = mean(V - V_eq)
///
/// # Errors
/// Corrections that cannot be applied.
pub(super) fn mean_blank<'s, 'r>(
    sheet: &'s Sheet<'r>,
    record: &'r Record,
) -> Result<Option<Handle<'s>>, EvaluationError> {
    let rules = &record.rules;
    let counted: Vec<&Blank> = usable_blanks(record).collect();
    let Some(first) = counted.first() else { return Ok(None) };
    let mut nets = Vec::with_capacity(counted.len());
    for (number, blank) in (1..).zip(&counted) {
        let delivery = Delivery {
            kind: "blanks",
            id: &blank.id,
            segments: &blank.segments,
            temperature: blank.temperature,
            burette: &blank.burette,
            number,
            blank: true,
        };
        let mut net = volume(sheet, &delivery, (rules.correct_burette, rules.correct_temperature))?.node;
        if let Some(equivalent) = blank.iron_equivalent_ml {
            let fact = Fact { kind: "blanks", id: &blank.id, field: "iron_equivalent_ml" };
            let index = Index::Number(number);
            net = net - sheet.recorded(Label::at(Quantity::IronEquivalent, index), equivalent, fact);
            net = sheet.named(net, Label::at(Quantity::SingleBlank, index), Source::Blank);
        }
        nets.push(net);
    }
    let label = Label::only(Quantity::Blank);
    let (u, dof) = scatter(sheet, label, rules.sigma_r_ml, &first.burette, (&nets, Central::Mean));
    let mean = sheet.named(sheet.mean(&nets), label, Source::MeanOfReplicates);
    let ids = counted.iter().map(|blank| blank.id.as_str()).collect();
    Ok(Some(sheet.uncertain(mean, (label, Identity::Blanks(ids)), u, dof)?))
}

/// What the result rests on.
pub(super) struct Basis<'b, 's, 'r> {
    pub(super) record: &'r Record,
    /// Volume of every titration.
    pub(super) volumes: &'b [Handle<'s>],
    pub(super) used: &'b [usize],
    pub(super) central: Central,
    pub(super) blank: Option<Handle<'s>>,
}

/// Amount of iron titrated, mmol, and the titre that stands for all, mL.
pub(super) struct Amount<'s> {
    pub(super) iron: Handle<'s>,
    pub(super) net_ml: f64,
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
        members.iter().map(|index| self.volumes[*index]).collect()
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
        let common = Common { repeatability: self.repeatability(sheet)?, end_point: self.end_point(sheet)? };
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
        Ok(Amount { iron, net_ml: centre - self.blank.map_or(0.0, Handle::value) })
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
        let mut net = centre + common.repeatability + common.end_point + titration.burette.bias(sheet)?;
        if let Some(blank) = self.blank {
            net = net - blank;
        }
        let net = sheet.named(net, Label::at(Quantity::NetTitre, index), source);
        let titrated = titration.factor.electrons(sheet) * titration.factor.concentration(sheet)? * net;
        let label = Label::at(Quantity::IronAmount, index);
        let Some(excess) = &titration.excess else {
            if self.record.rules.chemistry == "back-titration" {
                return Err(EvaluationError::ExcessMissing(titration.id.clone()));
            }
            return Ok(sheet.named(titrated, label, Source::Stoichiometry));
        };
        let added =
            excess.factor.electrons(sheet) * excess.factor.concentration(sheet)? * excess.pipette.volume(sheet)?;
        let added = sheet.named(added, Label::at(Quantity::OxidantAmount, index), Source::Stoichiometry);
        Ok(sheet.named(added - titrated, label, Source::Stoichiometry))
    }

    /// Random error of the titre that stands for all: zero at best estimate.
    fn repeatability(&self, sheet: &'s Sheet<'r>) -> Result<Handle<'s>, InputError> {
        let record = self.record;
        let label = Label::only(Quantity::Repeatability);
        let burette = &record.titrations[self.used[0]].burette;
        let volumes = self.volumes_of(self.used);
        let (u, dof) = scatter(sheet, label, record.rules.sigma_r_ml, burette, (&volumes, self.central));
        // Two determinations of one sample have an error each.
        let error = sheet.given_anew(label, 0.0, Source::RandomError);
        sheet.uncertain(error, (label, Identity::Repeatability(&record.id)), u, dof)
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
