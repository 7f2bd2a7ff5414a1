//! From titre to content: the model, the units, the reported figure.

use crate::chemistry::{Expressed, iron, iron_oxide_factor};
use crate::determination::facts::{BetweenRuns, LimitOfQuantification, Portion, PortionAmount, Reporting, Vessel};
use crate::rounding::{Ties, decimal_of, report, text, to_places};
use crate::statistics::distribution::DistributionError;
use crate::uncertainty::{Coverage, InputError, expand};
use crate::working::{Estimate, Fact, Handle, Identity, Label, Leaf, Origin, Quantity, Sheet, Source};

/// Units a content can be given in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Unit {
    /// mol/L, of iron atoms.
    MolesPerLitre,
    /// g/L.
    GramsPerLitre,
    /// mg/L.
    MilligramsPerLitre,
    /// % by mass.
    PercentByMass,
    /// mol/kg, of iron atoms.
    MolesPerKilogram,
}

impl Unit {
    /// Symbol.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::MolesPerLitre => "mol/L",
            Self::GramsPerLitre => "g/L",
            Self::MilligramsPerLitre => "mg/L",
            Self::PercentByMass => "% m/m",
            Self::MolesPerKilogram => "mol/kg",
        }
    }
}

/// A content in one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Unit.
    pub unit: Unit,
    /// As iron or as an oxide.
    pub expressed: Expressed,
    /// Value, unrounded.
    pub value: f64,
    /// Standard uncertainty, unrounded.
    pub u: f64,
}

/// The reported figure: the only place where anything is rounded.
#[derive(Debug, Clone, PartialEq)]
pub struct Reported {
    /// Value as text, or "< LOQ".
    pub text: String,
    /// Value rounded, even where it is below the limit of quantification.
    pub value: String,
    /// Expanded uncertainty as text.
    pub expanded_uncertainty: String,
    /// Coverage factor.
    pub coverage: Coverage,
    /// Unit symbol.
    pub unit: &'static str,
    /// Whether the value is below the limit of quantification.
    pub below_loq: bool,
}

/// Share of the portion that came into the titration vessel.
///
/// # Formula
/// product over the later steps of V_pipette / V_flask before it, times V_aliquot / V_last flask
fn share_titrated<'s, 'r>(sheet: &'s Sheet<'r>, portion: &'r Portion) -> Result<Handle<'s>, InputError> {
    let label = Label::only(Quantity::ShareTitrated);
    let mut shares = Vec::new();
    let mut flask: Option<&Vessel> = None;
    let takes = portion.dilution.iter().filter_map(|step| step.pipette.as_ref()).chain(portion.aliquot.as_ref());
    let mut flasks = portion.dilution.iter().map(|step| &step.flask);
    for pipette in takes {
        flask = flasks.next().or(flask);
        if let Some(flask) = flask {
            shares.push(pipette.volume(sheet)? / flask.volume(sheet)?);
        }
    }
    Ok(match shares.as_slice() {
        [] => sheet.given(label, 1.0, Source::WholePortion),
        [only] => sheet.named(*only, label, Source::Dilution),
        all => sheet.named(sheet.product(all), label, Source::Dilution),
    })
}

/// What a content is made of, for any unit.
pub(super) struct Content<'s> {
    /// mol/L of a volume portion, mol/kg of a mass portion.
    amount: Handle<'s>,
    molar_mass: Handle<'s>,
    density: Option<Handle<'s>>,
    by_volume: bool,
}

/// Content of iron from the amount titrated, mmol.
///
/// # Formula
/// c = n / (f V_portion), w = n / (f m)
pub(super) fn content<'s, 'r>(
    sheet: &'s Sheet<'r>,
    portion: &'r Portion,
    titrated: Handle<'s>,
) -> Result<Content<'s>, InputError> {
    let share = share_titrated(sheet, portion)?;
    let fact = |field| Fact { kind: "test_portions", id: &portion.id, field };
    let taken = match &portion.amount {
        // Titrated without dilution, the portion's own pipette is the aliquot.
        PortionAmount::Volume(pipette) => pipette.volume(sheet)?,
        PortionAmount::Mass { id, grams, u, dof } => sheet.input(Leaf {
            label: Label::only(Quantity::PortionMass),
            value: *grams,
            origin: Origin::Fact(fact("mass_g")),
            u: (*u, Origin::Fact(fact("balance"))),
            dof: *dof,
            identity: Identity::Record(id),
        })?,
    };
    let fe = iron();
    let molar_mass = sheet.input(Leaf {
        label: Label::only(Quantity::IronMolarMass),
        value: fe.value,
        origin: Origin::Source(Source::AtomicWeights),
        u: (fe.u, Origin::Source(Source::AtomicWeights)),
        dof: None,
        identity: Identity::MolarMassOfIron,
    })?;
    let density = portion.density.as_ref().map(|density| {
        sheet.input(Leaf {
            label: Label::only(Quantity::SampleDensity),
            value: density.value,
            origin: Origin::Fact(fact("density")),
            u: (density.u, Origin::Fact(fact("density_u"))),
            dof: None,
            identity: Identity::Record(&density.id),
        })
    });
    Ok(Content {
        amount: titrated / (share * taken),
        molar_mass,
        density: density.transpose()?,
        by_volume: matches!(portion.amount, PortionAmount::Volume(_)),
    })
}

impl<'s> Content<'s> {
    /// Takes in the effect of the run: a factor of one whose uncertainty is what control charts have seen beyond the rest. The
    /// standard uncertainty and degrees of freedom that the factor would have had if the titres had agreed.
    ///
    /// # Formula
    /// c' = c F, F = 1; u(F) = s(run), or sqrt(u(top-down)^2 - u^2(c)/c^2) where that is a number and 0 where it is not.
    ///
    /// # Source
    /// Nordtest TR 537 (edition 4), 3 and 4; ISO 21748:2017: what varies between runs is a part of every single result's
    /// uncertainty.
    pub(super) fn between_runs<'r>(
        &mut self,
        sheet: &'s Sheet<'r>,
        record: &'r str,
        between: BetweenRuns,
        agreed: &[(Identity<'_>, (f64, Option<f64>))],
    ) -> Result<(f64, Option<f64>), InputError> {
        let label = Label::only(Quantity::RunEffect);
        let relative = |of: &Estimate| if of.value() == 0.0 { 0.0 } else { of.u() / of.value().abs() };
        let (u, dof, of_agreed) = match between {
            BetweenRuns::Component(deviation, dof) => {
                (sheet.given(label.u(), deviation, Source::ControlCharts), dof, deviation)
            }
            BetweenRuns::AtLeast(top_down) => {
                let rest = |bottom_up: f64| (top_down * top_down - bottom_up * bottom_up).max(0.0);
                let bottom_up = relative(&sheet.estimate(self.amount));
                let of_agreed = rest(relative(&sheet.estimate_with(self.amount, agreed))).sqrt();
                if rest(bottom_up) > 0.0 {
                    // The charts set u, whatever these few titres scatter by: with their degrees of freedom U would fall where
                    // they disagree more.
                    sheet.without_limit(&Identity::Repeatability(record));
                }
                let seen = sheet.given(Label::only(Quantity::TopDown), top_down, Source::MethodVersion);
                let known = sheet.given(Label::only(Quantity::BottomUp), bottom_up, Source::Propagation);
                let rest = sheet.largest(&[seen * seen - known * known, sheet.number(0.0)]);
                (sheet.named(sheet.square_root(rest), label.u(), Source::ControlCharts), None, of_agreed)
            }
        };
        let effect = sheet.given_anew(label, 1.0, Source::RandomError);
        let effect = sheet.uncertain(effect, (label, Identity::Run(record)), u, dof)?;
        self.amount = self.amount * effect;
        Ok((of_agreed, dof))
    }

    /// Brought to a unit; `None` where a density would be needed and is missing.
    fn in_unit(&self, sheet: &'s Sheet<'_>, unit: Unit, expressed: Expressed) -> Option<Handle<'s>> {
        let of_volume = matches!(unit, Unit::MolesPerLitre | Unit::GramsPerLitre | Unit::MilligramsPerLitre);
        let density = if of_volume == self.by_volume { None } else { Some(self.density?) };
        // g/L of a volume portion, g/kg of a mass portion.
        let grams = || {
            let iron = self.amount * self.molar_mass;
            match expressed {
                Expressed::Iron => iron,
                _ => iron * oxide_factor(sheet, expressed),
            }
        };
        let scaled = match unit {
            Unit::MolesPerLitre | Unit::MolesPerKilogram => self.amount,
            Unit::GramsPerLitre => grams(),
            Unit::MilligramsPerLitre => grams() * 1000.0,
            Unit::PercentByMass => grams() * 0.1,
        };
        Some(match (density, of_volume) {
            (None, _) => scaled,
            (Some(density), true) => scaled * density,
            (Some(density), false) => scaled / density,
        })
    }

    /// In the unit it is reported in; `None` where a density would be needed and is missing.
    pub(super) fn result(&self, sheet: &'s Sheet<'_>, rule: &Reporting, part: Part) -> Option<Handle<'s>> {
        let node = self.in_unit(sheet, rule.unit, rule.expressed)?;
        let quantity = match part {
            Part::Alone => Quantity::IronContent(rule.unit),
            Part::Total => Quantity::TotalIronContent(rule.unit),
            Part::Iron2 => Quantity::Iron2Content(rule.unit),
        };
        Some(sheet.named(node, Label::only(quantity), Source::Content))
    }

    /// The content in every unit that can be given.
    pub(super) fn figures(&self, sheet: &'s Sheet<'_>) -> Vec<Figure> {
        const MASS_UNITS: [Unit; 3] = [Unit::GramsPerLitre, Unit::MilligramsPerLitre, Unit::PercentByMass];
        let amounts = [Unit::MolesPerLitre, Unit::MolesPerKilogram].map(|unit| (unit, Expressed::Iron));
        let masses = [Expressed::Iron, Expressed::IronIIOxide, Expressed::IronIIIOxide]
            .into_iter()
            .flat_map(|expressed| MASS_UNITS.map(|unit| (unit, expressed)));
        let figure = |(unit, expressed)| {
            let node = self.in_unit(sheet, unit, expressed)?;
            Some(Figure { unit, expressed, value: node.value(), u: sheet.u(&sheet.sensitivities(node)) })
        };
        amounts.into_iter().chain(masses).filter_map(figure).collect()
    }
}

/// Whether a determination is computed alone or as a part of iron(III).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Part {
    /// Alone.
    Alone,
    /// Total iron.
    Total,
    /// Iron(II).
    Iron2,
}

fn oxide_factor<'s>(sheet: &'s Sheet<'_>, expressed: Expressed) -> Handle<'s> {
    sheet.given(Label::only(Quantity::OxideFactor), iron_oxide_factor(expressed), Source::AtomicWeights)
}

impl Reported {
    /// The figure as a sentence would have it, with the sign that joins value and uncertainty. Below the limit of quantification
    /// no uncertainty belongs to what is reported; what was measured follows with its own.
    #[must_use]
    pub fn stated(&self, plus_minus: &str) -> String {
        stated((&self.text, &self.value, &self.expanded_uncertainty), self.unit, self.below_loq, plus_minus)
    }
}

/// A reported figure of these parts (text, value, expanded uncertainty) as [`Reported::stated`] has it.
#[must_use]
pub fn stated((text, value, expanded): (&str, &str, &str), unit: &str, below_loq: bool, plus_minus: &str) -> String {
    if below_loq {
        return format!("{text} {unit}; measured {value} {plus_minus} {expanded} {unit}, kept on record");
    }
    format!("{text} {plus_minus} {expanded} {unit}")
}

/// Rounds a result for the report. Its expanded uncertainty is never below that of titres that agreed.
pub(super) fn reported(
    result: &Estimate,
    agreed: &Estimate,
    rule: &Reporting,
    loq: Option<LimitOfQuantification>,
) -> Result<Reported, DistributionError> {
    let mut coverage = expand(result.u(), result.degrees_of_freedom(), rule.coverage)?;
    // By Welch and Satterthwaite a wider scatter can lower the coverage factor by more than it raises u.
    let least = expand(agreed.u(), agreed.degrees_of_freedom(), rule.coverage)?.expanded_uncertainty;
    if least > coverage.expanded_uncertainty && result.u() > 0.0 {
        coverage.factor = least / result.u();
        coverage.expanded_uncertainty = least;
    }
    let (value, expanded_uncertainty) = rounded(result.value(), coverage.expanded_uncertainty, rule.ties, rule.places);
    // A content below zero within its uncertainty is nothing found; beyond it, no limit makes it one.
    let nothing = result.value() < 0.0 && result.value() >= -2.0 * result.u();
    let below = loq.filter(|loq| result.value() < loq.0 && (result.value() >= 0.0 || nothing));
    let text = match below {
        Some(loq) => format!("< {} (LOQ)", loq.0),
        None if nothing => "< LOQ".to_owned(),
        None => value.clone(),
    };
    let below_loq = below.is_some() || nothing;
    Ok(Reported { text, value, expanded_uncertainty, coverage, unit: rule.unit.symbol(), below_loq })
}

fn rounded(value: f64, expanded: f64, ties: Ties, places: Option<i64>) -> (String, String) {
    let fixed = |x: f64, places: i64| decimal_of(x).map(|x| text(&to_places(&x, places, ties))).unwrap_or_default();
    match places {
        Some(places) => (fixed(value, places), fixed(expanded, places)),
        None => report(value, expanded, ties)
            .map(|reported| (reported.value, reported.expanded_uncertainty))
            .unwrap_or_default(),
    }
}
