//! Quantities of the trade: symbol, name and unit of each, at one place.

use std::fmt;

use crate::validation::{DataUnit, Statistic, StudyTerm};

/// A quantity that a working computes or reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Reading after a delivery.
    FinalReading,
    /// Reading before a delivery.
    InitialReading,
    /// What the scale says was delivered.
    ReadingDifference,
    /// Correction by the burette's calibration.
    BuretteCorrection,
    /// Temperature of the titrant.
    TitrantTemperature,
    /// Temperature of the solution in a flask.
    SolutionTemperature,
    /// Density of water at a temperature.
    WaterDensity,
    /// Density of water at 20 C.
    WaterDensity20,
    /// Cubic expansion of the glass.
    GlassExpansion,
    /// Factor of a volume to 20 C.
    TemperatureFactor,
    /// The same of a flask, whose temperature is an input of the budget.
    FlaskTemperature,
    /// Volume of a titration.
    TitrationVolume,
    /// Volume of a blank titration.
    BlankVolume,
    /// Titrant equivalent to the iron(II) added to a blank.
    IronEquivalent,
    /// One blank.
    SingleBlank,
    /// Mean blank.
    Blank,
    /// Mean of blanks before the iron(II) added to them is subtracted.
    ObservedBlank,
    /// Volume less the blank.
    NetVolume,
    /// Titre that stands for all, less the blank.
    NetTitre,
    /// Random error of the titre.
    Repeatability,
    /// Effect of the run on the content, as a factor.
    RunEffect,
    /// Relative standard uncertainty from control charts.
    TopDown,
    /// Relative standard uncertainty of everything else in the budget.
    BottomUp,
    /// Repeatability from the validation.
    RepeatabilityDeviation,
    /// Student's factor for the number of values that disagree.
    StudentFactor,
    /// Step of the scale.
    ReadingResolution,
    /// Error of the end point.
    EndPointBias,
    /// Error of a burette after correction.
    BuretteBias,
    /// Error of a balance after correction.
    BalanceBias,
    /// Volume of a pipette or flask.
    VesselVolume,
    /// Electrons per formula unit of a titrant.
    Electrons,
    /// Electrons per formula unit of a primary standard.
    StandardElectrons,
    /// Concentration of a titrant.
    Concentration,
    /// Concentration by the factor in force.
    ConcentrationBefore,
    /// Concentration by the factor that followed.
    ConcentrationAfter,
    /// Part of the time between both factors.
    PartPassed,
    /// Iron found by titration.
    IronAmount,
    /// Oxidant added before a back-titration.
    OxidantAmount,
    /// Part of the portion that was titrated.
    ShareTitrated,
    /// Mass of a test portion.
    PortionMass,
    /// Molar mass of iron.
    IronMolarMass,
    /// Mass of an oxide per mass of iron.
    OxideFactor,
    /// Density of a sample.
    SampleDensity,
    /// Content of iron in the unit it is reported in.
    IronContent(ContentUnit),
    /// The same of total iron, where iron(III) is computed.
    TotalIronContent(ContentUnit),
    /// The same of iron(II).
    Iron2Content(ContentUnit),
    /// The same of iron(III).
    Iron3Content(ContentUnit),
    /// Balance reading.
    MassWeighed,
    /// Mass fraction of a primary standard.
    Purity,
    /// Molar mass of a primary standard.
    StandardMolarMass,
    /// Factor of a balance reading to the mass.
    Buoyancy,
    /// Density of air.
    AirDensity,
    /// Density of the weights.
    WeightDensity,
    /// Density of a primary standard.
    StandardDensity,
    /// Concentration by one replicate.
    ReplicateConcentration,
    /// Random error of a standardisation, relative.
    RelativeRepeatability,
    /// Relative repeatability from the validated method.
    RelativeRepeatabilityDeviation,
    /// Concentration of a prepared or standardised titrant.
    TitrantConcentration,
    /// Point of a control chart.
    ControlValue,
    /// Counted events of a point of a proportion chart.
    Events,
    /// Trials of a point of a proportion chart.
    Trials,
    /// Centre line of a control chart.
    Centre,
    /// Standard deviation of the points of a control chart.
    ChartDeviation,
    /// Mean range of samples over their standard deviation.
    MeanRangeFactor,
    /// Standard deviation of the range over that of the values.
    RangeDeviationFactor,
    /// Statistic of a validation study, of data in a unit.
    Statistic(Statistic, DataUnit),
    /// What such statistics are computed from.
    Study(StudyTerm, DataUnit),
}

/// Unit of a content.
pub type ContentUnit = crate::determination::Unit;

impl Quantity {
    /// Symbol, name and unit.
    #[expect(clippy::too_many_lines, reason = "a table")]
    const fn facts(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::FinalReading => ("R_f", "final reading", "mL"),
            Self::InitialReading => ("R_i", "initial reading", "mL"),
            Self::ReadingDifference => ("D", "difference of the readings", "mL"),
            Self::BuretteCorrection => ("d", "burette correction", "mL"),
            Self::TitrantTemperature => ("T", "temperature of the titrant", "C"),
            Self::SolutionTemperature => ("T", "temperature of the solution", "C"),
            Self::WaterDensity => ("rho", "density of water", "g/mL"),
            Self::WaterDensity20 => ("rho_20", "density of water at 20 C", "g/mL"),
            Self::GlassExpansion => ("gamma", "cubic expansion of borosilicate glass 3.3", "1/K"),
            Self::TemperatureFactor => ("F_T", "factor to 20 C", ""),
            Self::FlaskTemperature => ("F_T", "temperature of the flask", ""),
            Self::TitrationVolume => ("V", "volume at 20 C", "mL"),
            Self::BlankVolume => ("V_b", "volume at 20 C", "mL"),
            Self::IronEquivalent => ("V_eq", "titrant equivalent to the iron(II) added", "mL"),
            Self::SingleBlank => ("b", "single blank", "mL"),
            Self::ObservedBlank => ("V_obs", "blank with the iron(II) added", "mL"),
            Self::Blank => ("V_b", "blank", "mL"),
            Self::NetVolume => ("V_net", "volume less blank", "mL"),
            Self::NetTitre => ("V_net", "net titre", "mL"),
            Self::Repeatability => ("R", "repeatability of the titre", "mL"),
            Self::RunEffect => ("F_run", "effect of the run", ""),
            Self::TopDown => ("u_Rw", "relative standard uncertainty from control charts", ""),
            Self::BottomUp => ("u_rel", "relative standard uncertainty of the other components", ""),
            Self::RepeatabilityDeviation => ("sigma_r", "repeatability of a titre, from the validation", "mL"),
            Self::StudentFactor => ("t_95", "Student's factor, two-sided 95 %, for the values that disagree", ""),
            Self::ReadingResolution => ("a", "reading resolution", "mL"),
            Self::EndPointBias => ("E", "end-point bias", "mL"),
            Self::BuretteBias => ("B", "calibration", "mL"),
            Self::BalanceBias => ("W", "calibration of the balance", "g"),
            Self::VesselVolume => ("V", "volume", "mL"),
            Self::Electrons => ("z", "electrons per formula unit", ""),
            Self::StandardElectrons => ("z_s", "electrons per formula unit of the standard", ""),
            Self::Concentration => ("c", "concentration", "mol/L"),
            Self::ConcentrationBefore => ("c_1", "concentration", "mol/L"),
            Self::ConcentrationAfter => ("c_2", "concentration", "mol/L"),
            Self::PartPassed => ("w", "part of the time between both factors", ""),
            Self::IronAmount => ("n(Fe)", "amount of iron titrated", "mmol"),
            Self::OxidantAmount => ("n_ox", "oxidant added", "mmol"),
            Self::ShareTitrated => ("f", "share of the portion titrated", ""),
            Self::PortionMass => ("m", "mass of the portion", "g"),
            Self::IronMolarMass => ("M(Fe)", "molar mass of iron", "g/mol"),
            Self::OxideFactor => ("F_ox", "mass of the oxide per mass of iron", ""),
            Self::SampleDensity => ("rho_s", "density", "g/mL"),
            Self::IronContent(unit) => ("result", "iron content", unit.symbol()),
            Self::TotalIronContent(unit) => ("w(total iron)", "total iron", unit.symbol()),
            Self::Iron2Content(unit) => ("w(iron(II))", "iron(II)", unit.symbol()),
            Self::Iron3Content(unit) => ("w(iron(III))", "iron(III)", unit.symbol()),
            Self::MassWeighed => ("m", "mass weighed", "g"),
            Self::Purity => ("P", "mass fraction", "g/g"),
            Self::StandardMolarMass => ("M", "molar mass of the standard", "g/mol"),
            Self::Buoyancy => ("B", "factor of the balance reading to the mass", ""),
            Self::AirDensity => ("rho_a", "density of air", "g/mL"),
            Self::WeightDensity => ("rho_w", "density of the weights", "g/mL"),
            Self::StandardDensity => ("rho_s", "density of the standard", "g/mL"),
            Self::ReplicateConcentration => ("c", "concentration of a replicate", "mol/L"),
            Self::RelativeRepeatability => ("R", "repeatability", ""),
            Self::RelativeRepeatabilityDeviation => ("s_rel", "relative repeatability, from the validation", ""),
            Self::TitrantConcentration => ("c20", "concentration at 20 C", "mol/L"),
            // Points have the unit of their chart.
            Self::ControlValue => ("x", "control value", ""),
            Self::Events => ("k", "events counted", ""),
            Self::Trials => ("n", "trials", ""),
            Self::Centre => ("CL", "centre line", ""),
            Self::ChartDeviation => ("s", "standard deviation of the points", ""),
            Self::MeanRangeFactor => ("d2", "mean range over the standard deviation", ""),
            Self::RangeDeviationFactor => ("d3", "standard deviation of the range over that of the values", ""),
            Self::Statistic(statistic, unit) => (statistic.symbol(), statistic.title(), statistic.unit_of_node(unit)),
            Self::Study(term, unit) => term.facts(unit),
        }
    }

    /// Symbol without its index.
    #[must_use]
    pub const fn symbol(self) -> &'static str {
        self.facts().0
    }

    /// Unit symbol; empty for a number.
    #[must_use]
    pub const fn unit(self) -> &'static str {
        self.facts().2
    }

    /// Name, with what it belongs to.
    #[must_use]
    pub fn name(self, of: Option<&str>) -> String {
        let name = self.facts().1;
        match (self, of) {
            (Self::ConcentrationAfter, Some(lot)) => format!("{name} of {lot}, next factor"),
            (Self::TemperatureFactor | Self::WaterDensity, Some(of)) => format!("{name} at {of}"),
            (_, Some(of)) => format!("{name} of {of}"),
            (_, None) => name.to_owned(),
        }
    }

    /// Whether it is read off a burette.
    #[must_use]
    pub const fn is_reading(self) -> bool {
        matches!(self, Self::FinalReading | Self::InitialReading | Self::TitrantTemperature | Self::IronEquivalent)
    }
}

/// Which of several quantities of a kind is meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Index {
    /// The only one.
    Only,
    /// By its number.
    Number(u32),
    /// By the code of what it belongs to: place in the sheet's list of codes.
    Code(u32),
    /// Of the volume of a titration.
    OfVolume(u32),
    /// Of the volume of a blank.
    OfBlank(u32),
    /// Of a segment of the volume of a titration.
    Segment(u32, u32),
    /// Of a segment of the volume of a blank.
    BlankSegment(u32, u32),
}

/// What a node is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Label {
    /// Quantity.
    pub quantity: Quantity,
    /// Which of several.
    pub index: Index,
    /// Whether it is the standard uncertainty of that quantity.
    pub uncertainty: bool,
}

impl Label {
    /// The only quantity of its kind.
    #[must_use]
    pub const fn only(quantity: Quantity) -> Self {
        Self::at(quantity, Index::Only)
    }

    /// One of several.
    #[must_use]
    pub const fn at(quantity: Quantity, index: Index) -> Self {
        Self { quantity, index, uncertainty: false }
    }

    /// The standard uncertainty of it.
    #[must_use]
    pub const fn u(self) -> Self {
        Self { uncertainty: true, ..self }
    }

    /// Word for the quantity in the open form: its name here, in small letters, `u_` before that of an uncertainty; a statistic
    /// by the name that answers give it.
    #[must_use]
    pub fn key(self) -> String {
        let name = match self.quantity {
            Quantity::Statistic(statistic, _) => return statistic.key().to_owned(),
            Quantity::Study(term, _) => format!("{term:?}"),
            quantity => format!("{quantity:?}"),
        };
        let mut key = String::from(if self.uncertainty { "u" } else { "" });
        for letter in name.chars().take_while(char::is_ascii_alphanumeric) {
            if letter.is_ascii_uppercase() && !key.is_empty() {
                key.push('_');
            }
            key.push(letter.to_ascii_lowercase());
        }
        key
    }

    /// Symbol with its index; `code` is what an index by code stands for.
    pub(super) fn symbol(self, code: Option<&str>) -> String {
        let bare = Bare(self.quantity.symbol(), self.index, code.unwrap_or_default());
        if self.uncertainty { format!("u({bare})") } else { bare.to_string() }
    }

    /// Name in words.
    pub(super) fn name(self, code: Option<&str>) -> String {
        let name = self.quantity.name(code);
        if self.uncertainty { format!("standard uncertainty: {name}") } else { name }
    }
}

struct Bare<'a>(&'static str, Index, &'a str);

impl fmt::Display for Bare<'_> {
    fn fmt(&self, page: &mut fmt::Formatter<'_>) -> fmt::Result {
        let symbol = self.0;
        match self.1 {
            Index::Only => page.write_str(symbol),
            Index::Number(number) => write!(page, "{symbol}{number}"),
            Index::Code(_) => write!(page, "{symbol}({})", self.2),
            Index::OfVolume(of) | Index::Segment(of, 0) => write!(page, "{symbol}(V{of})"),
            Index::OfBlank(of) | Index::BlankSegment(of, 0) => write!(page, "{symbol}(V_b{of})"),
            Index::Segment(of, segment) => write!(page, "{symbol}{segment}(V{of})"),
            Index::BlankSegment(of, segment) => write!(page, "{symbol}{segment}(V_b{of})"),
        }
    }
}
