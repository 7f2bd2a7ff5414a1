//! Everything an evaluation needs, as recorded.

use crate::chemistry::{Expressed, ReductionRecord};
use crate::determination::content::Unit;
use crate::quantity::Reading;
use crate::rounding::Ties;
use crate::statistics::agreement::{ConcordanceMode, FollowUp};
use crate::uncertainty::{CoverageRule, InputError};
use crate::working::{Fact, Handle, Identity, Label, Leaf, Origin, Quantity, Sheet, Source};

/// A determination with all facts it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Identity of the determination.
    pub id: String,
    /// Rules of the method version.
    pub rules: Rules,
    /// What was taken of the sample.
    pub portion: Portion,
    /// Every titration ever made, in order.
    pub titrations: Vec<Titration>,
    /// Blanks of the run.
    pub blanks: Vec<Blank>,
}

/// Which rule says that the titres suffice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Acceptance {
    /// Range within the method's limit; the critical range is shown beside it.
    Concordance,
    /// Critical range from sigma_r with the follow-up flow; the concordance is shown beside it.
    CriticalRange,
}

/// What stands for the titres when they do not agree and no cause is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Central {
    /// Arithmetic mean of all.
    Mean,
    /// Median of all.
    Median,
}

/// How a result is reported.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reporting {
    /// Unit.
    pub unit: Unit,
    /// As iron or as an oxide.
    pub expressed: Expressed,
    /// How ties are rounded.
    pub ties: Ties,
    /// Fixed decimal places; if not given, U has two significant figures and the value the same place.
    pub places: Option<i64>,
    /// Coverage factor.
    pub coverage: CoverageRule,
}

/// Below this a result is reported as "< LOQ", its value kept in the record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitOfQuantification(pub f64);

/// What a method version adds to the budget of a single determination, because its control charts have seen more than the budget
/// explains. Relative to the content: over the range of a method the scatter grows with it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BetweenRuns {
    /// A component of its own: relative standard deviation between runs, and its degrees of freedom.
    Component(f64, Option<f64>),
    /// The relative standard uncertainty seen from top to bottom, which that of the budget is raised to where it is smaller.
    AtLeast(f64),
}

/// Rules of a method version that the evaluation needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// Electrons per formula unit of the analyte, 1 for iron.
    pub chemistry: String,
    /// Indicator, by its code.
    pub indicator: String,
    /// Which rule decides.
    pub acceptance: Acceptance,
    /// Largest range of concordant titres, mL.
    pub concordance_limit_ml: f64,
    /// Which titres the limit is for.
    pub concordance_mode: ConcordanceMode,
    /// Fewest accurate titres.
    pub minimum_titres: usize,
    /// From this number of accurate titres on, titres that still disagree without a cause are represented by `central`.
    pub give_up_after: usize,
    /// What then stands for them.
    pub central: Central,
    /// Repeatability standard deviation of a titre from the validation, mL, and its degrees of freedom.
    pub sigma_r_ml: Option<(f64, Option<f64>)>,
    /// Cheap or expensive follow-up.
    pub follow_up: FollowUp,
    /// Apply burette corrections.
    pub correct_burette: bool,
    /// Bring volumes to 20 C.
    pub correct_temperature: bool,
    /// Subtract the run's blanks.
    pub subtract_blank: bool,
    /// Interpolate between the factors before and after a titration.
    pub interpolate_factor: bool,
    /// Standard uncertainty of the end-point's bias, mL.
    pub end_point_u_ml: f64,
    /// Longest standing between reduction and titration, minutes.
    pub longest_standing_minutes: f64,
    /// How the result is reported.
    pub reporting: Reporting,
    /// Limit of quantification in the reporting unit.
    pub loq: Option<LimitOfQuantification>,
    /// What is added for what only control charts see.
    pub between_runs: Option<BetweenRuns>,
}

/// A pipette or flask with its volume at 20 C.
#[derive(Debug, Clone, PartialEq)]
pub struct Vessel {
    /// Identity of the calibration; two results that used the same share its error.
    pub id: String,
    /// Code on the label.
    pub code: String,
    /// Volume, mL.
    pub volume_ml: f64,
    /// Standard uncertainty, mL.
    pub u_ml: f64,
    /// Degrees of freedom; none for unlimited.
    pub dof: Option<f64>,
}

/// A burette in the state of its calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Burette {
    /// Identity of the calibration.
    pub id: String,
    /// Code on the label.
    pub code: String,
    /// Corrections table: (reading, correction), mL.
    pub corrections: Vec<(f64, f64)>,
    /// Reading resolution, mL.
    pub resolution_ml: f64,
    /// Standard uncertainty of a delivered volume, mL.
    pub u_ml: f64,
    /// Degrees of freedom; none for unlimited.
    pub dof: Option<f64>,
}

/// A titrant's concentration in force when it was used.
#[derive(Debug, Clone, PartialEq)]
pub struct Factor {
    /// Identity of the factor.
    pub id: String,
    /// Code of the titrant lot.
    pub lot: String,
    /// Electrons per formula unit.
    pub electrons: u32,
    /// Amount concentration at 20 C, mol/L.
    pub concentration: f64,
    /// Standard uncertainty, mol/L.
    pub u: f64,
    /// Degrees of freedom; none for unlimited.
    pub dof: Option<f64>,
    /// The factor that followed, where the method interpolates and there is one already.
    pub following: Option<Following>,
}

/// The factor after the one in force, and how far the titration lies between both.
#[derive(Debug, Clone, PartialEq)]
pub struct Following {
    /// Identity of the factor.
    pub id: String,
    /// Amount concentration at 20 C, mol/L.
    pub concentration: f64,
    /// Standard uncertainty, mol/L.
    pub u: f64,
    /// Degrees of freedom; none for unlimited.
    pub dof: Option<f64>,
    /// Part of the time between both factors that had passed, 0 to 1.
    pub passed: f64,
}

impl Factor {
    /// Amount concentration that a result is computed with, mol/L: each factor is an input of its own, so that results of
    /// other moments share it.
    ///
    /// # Formula
    /// `c = (1 - w) c_1 + w c_2`, w being the part of the time between both factors that had passed; `c_1` without a second
    ///
    /// # Source
    /// Linear interpolation; an option of the method.
    pub(super) fn concentration<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Result<Handle<'s>, InputError> {
        let index = sheet.code(&self.lot);
        let input = |quantity, id, (value, u), dof| {
            let fact = |field| Origin::Fact(Fact { kind: "titrant_factors", id, field });
            let (origin, u) = (fact("concentration"), (u, fact("standard_uncertainty")));
            sheet.input(Leaf {
                label: Label::at(quantity, index),
                value,
                origin,
                u,
                dof,
                identity: Identity::Record(id),
            })
        };
        let first = (self.concentration, self.u);
        let Some(next) = &self.following else { return input(Quantity::Concentration, &self.id, first, self.dof) };
        let before = input(Quantity::ConcentrationBefore, &self.id, first, self.dof)?;
        let after = input(Quantity::ConcentrationAfter, &next.id, (next.concentration, next.u), next.dof)?;
        let passed = sheet.given(Label::at(Quantity::PartPassed, index), next.passed, Source::LinearInterpolation);
        let c = (1.0 - passed) * before + passed * after;
        Ok(sheet.named(c, Label::at(Quantity::Concentration, index), Source::LinearInterpolation))
    }

    /// Electrons per formula unit.
    pub(super) fn electrons<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Handle<'s> {
        let label = Label::at(Quantity::Electrons, sheet.code(&self.lot));
        sheet.given(label, f64::from(self.electrons), Source::Stoichiometry)
    }
}

impl Excess {
    /// Amount of electrons that the pipette delivered, mmol. It had the temperature of the titrant, whose factors to 20 C these
    /// are; none where volumes are not brought there.
    ///
    /// # Formula
    /// n = z c V F(T)
    ///
    /// # Source
    /// ISO 4787; Green Book, 2.10.
    pub(super) fn delivered<'s, 'r>(
        &'r self,
        sheet: &'s Sheet<'r>,
        to_20: &[Handle<'s>],
    ) -> Result<Handle<'s>, InputError> {
        let amount = self.factor.electrons(sheet) * self.factor.concentration(sheet)? * self.pipette.volume(sheet)?;
        Ok(match to_20 {
            [] => amount,
            [only] => amount * *only,
            all => amount * sheet.mean(all),
        })
    }
}

impl Vessel {
    /// Its volume; one used twice in a chain is one input.
    pub(super) fn volume<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Result<Handle<'s>, InputError> {
        let fact = |field| Origin::Fact(Fact { kind: "equipment_calibrations", id: &self.id, field });
        sheet.input(Leaf {
            label: Label::at(Quantity::VesselVolume, sheet.code(&self.code)),
            value: self.volume_ml,
            origin: fact("calibrated_value"),
            u: (self.u_ml, fact("standard_uncertainty")),
            dof: self.dof,
            identity: Identity::Record(&self.id),
        })
    }
}

impl Burette {
    /// Error of its calibration: zero at best estimate.
    pub(super) fn bias<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Result<Handle<'s>, InputError> {
        let fact = Fact { kind: "equipment_calibrations", id: &self.id, field: "standard_uncertainty" };
        sheet.input(Leaf {
            label: Label::at(Quantity::BuretteBias, sheet.code(&self.code)),
            value: 0.0,
            origin: Origin::Source(Source::SystematicError),
            u: (self.u_ml, Origin::Fact(fact)),
            dof: self.dof,
            identity: Identity::Record(&self.id),
        })
    }

    /// Step of its scale.
    pub(super) fn resolution<'s, 'r>(&'r self, sheet: &'s Sheet<'r>) -> Handle<'s> {
        let fact = Fact { kind: "equipment", id: &self.code, field: "resolution" };
        let label = Label::at(Quantity::ReadingResolution, sheet.code(&self.code));
        sheet.recorded(label, self.resolution_ml, fact)
    }
}

/// Two readings; a refill begins a new segment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Segment {
    /// Before.
    pub initial: Reading,
    /// After.
    pub last: Reading,
}

/// Rough or accurate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TitrationKind {
    /// To find the end point; never enters a mean.
    Rough,
    /// Counts.
    Accurate,
}

/// What was decided on a titration.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// It counts.
    Counted,
    /// A later version replaces it.
    Superseded,
    /// Rejected with an assignable cause.
    Rejected {
        /// Cause from the list.
        cause: String,
        /// In words.
        reason: String,
    },
}

/// Oxidant added in excess, in a back-titration.
#[derive(Debug, Clone, PartialEq)]
pub struct Excess {
    /// Its concentration.
    pub factor: Factor,
    /// Pipette that delivered it.
    pub pipette: Vessel,
}

/// A titration as recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Titration {
    /// Identity of this version.
    pub id: String,
    /// Order in the determination, from 1.
    pub position: u32,
    /// Rough or accurate.
    pub kind: TitrationKind,
    /// What was decided on it.
    pub standing: Standing,
    /// Readings.
    pub segments: Vec<Segment>,
    /// Temperature of the titrant, C.
    pub temperature: Option<f64>,
    /// Titrant in force at its time.
    pub factor: Factor,
    /// Burette.
    pub burette: Burette,
    /// Reduction before it.
    pub reduction: Option<ReductionRecord>,
    /// Oxidant added before it, in a back-titration.
    pub excess: Option<Excess>,
}

/// What a blank is of. Kinds are never averaged together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlankKind {
    /// All reagents, without sample; in a back-titration with the oxidant.
    Reagent,
    /// The indicator alone.
    Indicator,
}

/// A blank as recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Blank {
    /// Identity of this version.
    pub id: String,
    /// What was decided on it.
    pub standing: Standing,
    /// Readings.
    pub segments: Vec<Segment>,
    /// Temperature of the titrant, C.
    pub temperature: Option<f64>,
    /// Burette.
    pub burette: Burette,
    /// Titrant volume equivalent to added iron(II), mL.
    pub iron_equivalent_ml: Option<f64>,
    /// Standard uncertainty of that, mL.
    pub iron_equivalent_u_ml: Option<f64>,
    /// What it is of.
    pub kind: BlankKind,
    /// Titrant in force at its time; none for the one of the titrations.
    pub factor: Option<Factor>,
    /// Whether that took the place of the factor it was recorded with.
    pub corrected: bool,
    /// Solution that a pipette added to it: iron(II), or the oxidant of a back-titration.
    pub added: Option<Excess>,
}

/// How much was taken.
#[derive(Debug, Clone, PartialEq)]
pub enum PortionAmount {
    /// A volume.
    Volume(Vessel),
    /// A mass.
    Mass {
        /// Identity of the weighing.
        id: String,
        /// Mass, g.
        grams: f64,
        /// Standard uncertainty, g.
        u: f64,
        /// Degrees of freedom; none for unlimited.
        dof: Option<f64>,
    },
}

/// A step of the dilution chain.
#[derive(Debug, Clone, PartialEq)]
pub struct DilutionStep {
    /// Pipette from the solution before; none in the first step, where the portion itself goes into the flask.
    pub pipette: Option<Vessel>,
    /// Flask made up to the mark.
    pub flask: Vessel,
}

/// Density of the sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Identity of the measurement.
    pub id: String,
    /// Value, g/mL.
    pub value: f64,
    /// Standard uncertainty, g/mL.
    pub u: f64,
}

/// What was taken of a sample and how it came into the titration vessel.
#[derive(Debug, Clone, PartialEq)]
pub struct Portion {
    /// Identity of the version.
    pub id: String,
    /// How much.
    pub amount: PortionAmount,
    /// Dilution chain.
    pub dilution: Vec<DilutionStep>,
    /// Pipette of the titrated aliquot; none if all of it was titrated.
    pub aliquot: Option<Vessel>,
    /// Density, where a conversion between mass and volume is wanted.
    pub density: Option<Density>,
}
