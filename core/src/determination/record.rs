//! The facts of a determination, as recorded, in plain structs.
//!
//! Identifiers are text: the store's keys, printed. Two facts with the same identifier are the same thing, and what
//! they share in uncertainty is shared exactly; so a burette, a pipette, a flask, a titrant factor and a weighing must
//! carry the identifier of the thing itself, not of its use.

use crate::chemistry::reduction::ReductionRecord;
use crate::quantity::{
    DegreesCelsius, Grams, GramsPerCubicCentimetre, MassFraction, Millilitres, MolesPerLitre, Reading,
};
use std::sync::Arc;

/// All facts from which a determination is evaluated.
#[derive(Debug, Clone, PartialEq)]
pub struct Record {
    /// Identifier of the determination.
    pub id: String,
    /// Identifier of the sample or control material.
    pub sample_id: String,
    /// The rules of the method version in force.
    pub method: MethodRules,
    /// What was taken and how it was brought to the flask that is titrated.
    pub preparation: Preparation,
    /// Every titration ever recorded for the determination, in the order of the bench.
    pub titrations: Vec<Titration>,
    /// The blanks of the run that apply to it.
    pub blanks: Vec<Blank>,
}

/// The rules a method version lays down for evaluation.
#[derive(Debug, Clone, PartialEq)]
pub struct MethodRules {
    /// Identifier of the method version.
    pub id: String,
    /// Which form of iron the titration measures.
    pub analyte: AnalyteForm,
    /// Code of the titration chemistry, an entry of `CHEMISTRIES`.
    pub chemistry: String,
    /// Code of the reduction procedure before titration; `None` when the sample is titrated as it is.
    pub reduction: Option<String>,
    /// Identifier of the molar-mass set.
    pub molar_masses: String,
    /// How many accurate titres are required before a result exists.
    pub required_titres: u8,
    /// How many accurate titres are made at most before the decision falls to the statistic of [`Self::outliers`].
    pub maximum_titres: u8,
    /// The bench rule of concordance.
    pub concordance: Concordance,
    /// Which rule decides that the titres suffice; the other is shown beside it.
    pub decided_by: DecisionRule,
    /// Repeatability standard deviation of a titre from the validated method.
    pub repeatability: Option<Repeatability>,
    /// What follows when duplicates differ by more than the critical range.
    pub follow_up: FollowUp,
    /// Which corrections are applied.
    pub corrections: Corrections,
    /// Whether a blank is subtracted.
    pub blank: BlankPolicy,
    /// Statistic used when discordant titres stay for want of a cause.
    pub outliers: OutlierPolicy,
    /// Standard uncertainty of the end point, common to all titrations with this chemistry and indicator.
    pub end_point_u: Millilitres,
    /// Whether the reading resolution enters the budget beside the repeatability, which usually contains it.
    pub resolution_in_budget: bool,
    /// Relative standard uncertainty of matrix bias or recovery, with the identifier under which methods share it.
    pub bias: Option<MethodBias>,
    /// How the expanded uncertainty is formed.
    pub coverage: Coverage,
    /// How the result is reported.
    pub report: ReportRule,
    /// Limit of quantification in the reporting unit and form; results below it are reported as less than it.
    pub quantification_limit: Option<f64>,
}

/// Which form of iron a determination measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AnalyteForm {
    /// Iron(II) as present in the sample.
    IronTwo,
    /// All iron, after reduction to iron(II).
    TotalIron,
}

/// The bench rule: the range of the titres it looks at must not exceed the limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Concordance {
    /// Largest range allowed.
    pub limit: Millilitres,
    /// Which titres it looks at.
    pub mode: ConcordanceMode,
}

/// Which accurate titres the bench rule looks at; a selected pair is not an option.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ConcordanceMode {
    /// All accurate titres.
    All,
    /// The longest unbroken row of accurate titres that ends with the latest one.
    Consecutive,
}

/// Which rule decides that the titres suffice.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DecisionRule {
    /// The bench rule of concordance.
    Concordance,
    /// The critical range from the method's repeatability, with the follow-up flow of ISO 5725-6.
    CriticalRange,
}

/// A repeatability standard deviation with what is known of its own quality.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Repeatability {
    /// Standard deviation of a single titre.
    pub sigma: Millilitres,
    /// Degrees of freedom of that estimate; `None` when taken as known.
    pub dof: Option<f64>,
}

/// Whether further titrations are cheap or expensive (ISO 5725-6, 5.2.2).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FollowUp {
    /// Two more at once.
    Cheap,
    /// One more, then a fourth if possible.
    Expensive {
        /// Whether a fourth is possible; if not, the median of three is final.
        fourth_possible: bool,
    },
}

/// Which corrections are applied.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Corrections {
    /// Calibration corrections of the burette.
    pub burette: bool,
    /// Reduction of the titrant volume to 20 °C, and by which law; `None` when it is off.
    pub temperature: Option<TemperatureLaw>,
    /// Air buoyancy of weighed portions.
    pub buoyancy: bool,
}

/// How the volume of a titrant changes with temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TemperatureLaw {
    /// A dilute aqueous solution expands as water does.
    Water {
        /// Cubic expansion coefficient of the burette's glass, per kelvin.
        glass_expansion_per_k: f64,
    },
    /// A coefficient the method gives, for strong acid solutions: `V20 = V (1 - coefficient (T - 20))`.
    Coefficient {
        /// Apparent expansion in the burette, per kelvin.
        per_k: f64,
    },
}

/// Whether a blank is subtracted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BlankPolicy {
    /// The method takes no blank.
    None,
    /// The mean of the accepted blanks is subtracted from every titre, whatever its sign.
    Subtract,
}

/// The statistic used when discordant titres stay.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OutlierPolicy {
    /// Mean of all.
    Mean,
    /// Median of all.
    Median,
    /// Robust mean of all (ISO 13528, algorithm A).
    RobustMean,
}

/// Uncertainty from matrix bias or recovery, as a factor 1 with this relative standard uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct MethodBias {
    /// Identifier under which methods of one family share it.
    pub id: String,
    /// Relative standard uncertainty.
    pub relative_u: f64,
}

/// How the expanded uncertainty is formed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Coverage {
    /// A fixed factor k.
    Factor(f64),
    /// A probability such as 0.95, with k from Student's t at the effective degrees of freedom.
    Probability(f64),
}

/// How a result is reported.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReportRule {
    /// Unit.
    pub unit: ResultUnit,
    /// Iron, or iron calculated as an oxide.
    pub expressed_as: ExpressedAs,
    /// What happens to an exact tie.
    pub ties: Ties,
    /// How many decimals.
    pub places: Places,
}

/// Units in which a result may be given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ResultUnit {
    /// Amount concentration of iron.
    MolesPerLitre,
    /// Mass concentration.
    GramsPerLitre,
    /// Mass concentration.
    MilligramsPerLitre,
    /// Mass fraction in per cent.
    MassPercent,
}

/// The substance as which the iron is calculated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ExpressedAs {
    /// Fe.
    Iron,
    /// FeO.
    IronTwoOxide,
    /// Fe₂O₃.
    IronThreeOxide,
}

/// What happens to an exact tie when rounding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ties {
    /// To the even digit (ISO 80000-1, annex B, rule A).
    HalfEven,
    /// Away from zero.
    HalfUp,
}

/// How many decimals a reported result has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Places {
    /// A fixed number of decimals.
    Decimals(u8),
    /// As many as the expanded uncertainty has at two significant figures.
    FromUncertainty,
}

/// What was taken and how it was brought to the flask that is titrated; the dilution factor follows from it.
#[derive(Debug, Clone, PartialEq)]
pub struct Preparation {
    /// The test portion.
    pub portion: Portion,
    /// Flask in which a weighed portion was made up; `None` when the whole portion is titrated.
    pub made_up_in: Option<Vessel>,
    /// Dilutions, in order.
    pub dilutions: Vec<Dilution>,
    /// Volume taken for each titration; `None` when the whole weighed portion is titrated.
    pub aliquot: Option<Vessel>,
    /// Density of the sample when g/L and % m/m are both wanted.
    pub density: Option<Density>,
}

/// The test portion.
#[derive(Debug, Clone, PartialEq)]
pub enum Portion {
    /// A liquid, measured by the first pipette of the dilutions or by the aliquot itself.
    Liquid,
    /// One weighed portion for the whole determination.
    Weighed(Weighing),
    /// A portion weighed for each titration, recorded with it.
    WeighedForEach,
}

/// A dilution: this volume taken, made up to that volume.
#[derive(Debug, Clone, PartialEq)]
pub struct Dilution {
    /// Pipette or other measure.
    pub taken: Vessel,
    /// Flask.
    pub made_up_to: Vessel,
}

/// A vessel that measures one volume.
#[derive(Debug, Clone, PartialEq)]
pub struct Vessel {
    /// Identifier of the piece of equipment.
    pub id: String,
    /// Volume marked on it.
    pub nominal: Millilitres,
    /// Volume it holds or delivers by calibration; equal to the nominal one when not calibrated.
    pub volume: Millilitres,
    /// Standard uncertainty of that volume.
    pub u: Millilitres,
    /// Degrees of freedom of the uncertainty; `None` when taken as known.
    pub dof: Option<f64>,
}

/// A weighing as read.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighing {
    /// Identifier of the weighing.
    pub id: String,
    /// Identifier of the balance.
    pub balance_id: String,
    /// Gross reading in grams, or the net reading of a tared balance.
    pub gross: Reading,
    /// Tare reading in grams when it was not zeroed.
    pub tare: Option<Reading>,
    /// Standard uncertainty of the net mass.
    pub u: Grams,
    /// Density of the substance, for buoyancy.
    pub density: Option<GramsPerCubicCentimetre>,
}

/// Measured density of a liquid sample.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Identifier of the measurement.
    pub id: String,
    /// Density at the temperature of measurement.
    pub value: GramsPerCubicCentimetre,
    /// Its standard uncertainty, in g/cm³ as a plain number because a density of zero is no density.
    pub u_g_per_cm3: f64,
    /// Temperature of measurement.
    pub temperature: DegreesCelsius,
}

/// A titration as recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Titration {
    /// Identifier.
    pub id: String,
    /// The titration of which this is a newer version.
    pub supersedes: Option<String>,
    /// Rough or accurate, as declared at entry.
    pub kind: TitrationKind,
    /// Burette readings; more than one segment when the burette was refilled.
    pub segments: Vec<Segment>,
    /// Temperature of the titrant.
    pub temperature: Option<TemperatureReading>,
    /// Indicator used.
    pub indicator: Option<IndicatorUse>,
    /// What was seen at the end point.
    pub end_point: Option<EndPoint>,
    /// The titrant's factor in force at the time.
    pub titrant: Arc<TitrantFactor>,
    /// The burette.
    pub burette: Arc<Burette>,
    /// The reduction that preceded it.
    pub reduction: Option<ReductionRecord>,
    /// The portion weighed for this titration.
    pub portion: Option<Weighing>,
    /// Oxidant added in excess, for back-titrations.
    pub oxidant: Option<OxidantAddition>,
    /// Rejection with its cause.
    pub rejection: Option<Rejection>,
    /// Concessions under which it was made.
    pub concessions: Vec<String>,
}

/// Rough or accurate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum TitrationKind {
    /// To find the end point; never enters a mean.
    Rough,
    /// Carried out with care to the end point.
    Accurate,
}

/// One stretch of burette readings without refilling.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Segment {
    /// Reading before, in mL.
    pub initial: Reading,
    /// Reading after, in mL.
    pub last: Reading,
}

/// A temperature as read.
#[derive(Debug, Clone, PartialEq)]
pub struct TemperatureReading {
    /// Reading in °C.
    pub value: Reading,
    /// Identifier of the thermometer.
    pub thermometer_id: String,
    /// Standard uncertainty in kelvin.
    pub u_k: f64,
}

/// The indicator and how much of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct IndicatorUse {
    /// Code of the indicator.
    pub code: String,
    /// Drops.
    pub drops: Option<u8>,
}

/// What was seen at the end point.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EndPoint {
    /// Colour words as chosen.
    pub colour: String,
    /// How it came.
    pub quality: EndPointQuality,
    /// Drops beyond the end point, if it was overrun.
    pub overrun_drops: u8,
}

/// How the end point came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndPointQuality {
    /// Within one drop.
    Sharp,
    /// Over several drops.
    Drawn,
    /// The colour of the solution before the end point came back.
    Returned,
}

/// A titrant's concentration in force over a period.
#[derive(Debug, Clone, PartialEq)]
pub struct TitrantFactor {
    /// Identifier of the factor.
    pub id: String,
    /// Identifier of the titrant lot.
    pub lot_id: String,
    /// Concentration at 20 °C.
    pub c20: MolesPerLitre,
    /// Its standard uncertainty.
    pub u: MolesPerLitre,
    /// Degrees of freedom of the uncertainty; `None` when taken as known.
    pub dof: Option<f64>,
    /// Nominal concentration.
    pub nominal: MolesPerLitre,
}

/// A burette with its calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Burette {
    /// Identifier of the piece of equipment.
    pub id: String,
    /// Largest reading on the scale.
    pub capacity: Millilitres,
    /// Reading resolution in mL.
    pub resolution: Reading,
    /// Calibration corrections by reading; `None` when it has no certificate.
    pub corrections: Option<crate::chemistry::volume::CorrectionTable>,
    /// Standard uncertainty of a delivered volume from the calibration, common to all its deliveries.
    pub u: Millilitres,
    /// Degrees of freedom of the uncertainty; `None` when taken as known.
    pub dof: Option<f64>,
}

/// Oxidant added in excess before a back-titration.
#[derive(Debug, Clone, PartialEq)]
pub struct OxidantAddition {
    /// The measure with which it was added.
    pub vessel: Vessel,
    /// Its concentration in force at the time.
    pub factor: Arc<TitrantFactor>,
}

/// Rejection of a titration with an assignable cause.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rejection {
    /// The cause.
    pub cause: RejectionCause,
    /// Evidence in words.
    pub note: String,
}

/// Assignable causes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RejectionCause {
    /// Grey or black precipitate in the reduction.
    GreyPrecipitate,
    /// Another failure of the reduction.
    FailedReduction,
    /// End point overrun.
    OverrunEndPoint,
    /// End-point colour returned.
    ReturnedEndPoint,
    /// Air bubble in the tip.
    AirBubble,
    /// Misread scale.
    Misread,
    /// Wrong aliquot.
    WrongAliquot,
    /// Leaking tap.
    Leak,
    /// Temperature outside the method's range.
    Temperature,
    /// Another cause, described in the note.
    Other,
}

impl RejectionCause {
    /// Stable text code.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::GreyPrecipitate => "grey_precipitate",
            Self::FailedReduction => "failed_reduction",
            Self::OverrunEndPoint => "overrun_end_point",
            Self::ReturnedEndPoint => "returned_end_point",
            Self::AirBubble => "air_bubble",
            Self::Misread => "misread",
            Self::WrongAliquot => "wrong_aliquot",
            Self::Leak => "leak",
            Self::Temperature => "temperature",
            Self::Other => "other",
        }
    }
}

/// A blank as recorded.
#[derive(Debug, Clone, PartialEq)]
pub struct Blank {
    /// Identifier.
    pub id: String,
    /// What kind.
    pub kind: BlankKind,
    /// Burette readings.
    pub segments: Vec<Segment>,
    /// Temperature of the titrant.
    pub temperature: Option<TemperatureReading>,
    /// The burette.
    pub burette: Arc<Burette>,
    /// Identifier of the titrant factor in force.
    pub titrant: Arc<TitrantFactor>,
    /// Rejection with its cause.
    pub rejection: Option<Rejection>,
}

/// Kinds of blank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum BlankKind {
    /// Reagents only.
    Reagent,
    /// Reagents with a known addition of iron(II), so that the indicator turns.
    ReagentWithIron {
        /// Titrant volume equivalent to the iron(II) added.
        equivalent: Millilitres,
        /// Its standard uncertainty.
        u: Millilitres,
    },
    /// Indicator only.
    Indicator,
}

/// Certified or assayed content of a standard.
#[derive(Debug, Clone, PartialEq)]
pub struct Purity {
    /// Identifier of the lot whose certificate gives it.
    pub lot_id: String,
    /// Mass fraction.
    pub value: MassFraction,
    /// Its standard uncertainty.
    pub u: MassFraction,
}
