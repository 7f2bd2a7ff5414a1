//! Where formulae and values come from: published standards, books and papers, with clause where one was read or is known.
//!
//! What was read and what is cited from memory stands in `core/NUMERICS.md`.

use crate::validation::Statistic;

/// A published source, or the record that states a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Volumes delivered by burettes: the difference of two readings.
    BuretteReading,
    /// Corrections of a burette from its calibration.
    BuretteCalibration,
    /// Volumes brought to 20 C.
    VolumeTo20,
    /// Density of water.
    WaterDensity,
    /// Buoyancy of air.
    Buoyancy,
    /// Amount concentration, amount of substance and stoichiometric numbers.
    Stoichiometry,
    /// Dilution of a solution.
    Dilution,
    /// Content by mass or volume, and its units.
    Content,
    /// Molar masses.
    AtomicWeights,
    /// Concentration of a solution made by weighing.
    Preparation,
    /// Standardisation against a weighed standard.
    Standardisation,
    /// Standardisation against a titrant.
    TitrantStandardisation,
    /// Mean of replicates.
    MeanOfReplicates,
    /// Median of replicates.
    MedianOfReplicates,
    /// Standard uncertainty of a mean and of a rectangular distribution.
    ScatterOfMean,
    /// Standard uncertainty of a median.
    ScatterOfMedian,
    /// Standard uncertainty of a mean of values that disagree.
    ScatterSeen,
    /// The same of a median.
    ScatterSeenOfMedian,
    /// Student's factor.
    StudentFactor,
    /// Standard uncertainty of a quantity known only within limits.
    Rectangular,
    /// Best estimate of a random error.
    RandomError,
    /// Best estimate of a systematic error after correction.
    SystematicError,
    /// Difference of two quantities that share inputs.
    SharedInputs,
    /// Interpolation between two values.
    LinearInterpolation,
    /// Blank.
    Blank,
    /// Law of propagation of uncertainty.
    Propagation,
    /// Limits of a control chart from its baseline.
    ChartLimits,
    /// Factors of ranges of a normal distribution.
    RangeFactors,
    /// Effect of a run, seen on control charts.
    ControlCharts,
    /// The version of the method states the number.
    MethodVersion,
    /// The whole portion was titrated.
    WholePortion,
    /// That of a statistic of a validation study.
    Study(Statistic),
    /// The plan of a validation study states no other number.
    NotPlanned,
}

impl Source {
    /// Citation as printed.
    #[must_use]
    pub const fn citation(self) -> &'static str {
        match self {
            Self::BuretteReading => "ISO 385; ISO 4787",
            Self::BuretteCalibration => "ISO 4787; linear between the points of the calibration",
            Self::VolumeTo20 => "ISO 4787",
            Self::WaterDensity => "Tanaka et al., Metrologia 38 (2001) 301, equation (1)",
            Self::Buoyancy => "OIML D 28:2004",
            Self::Stoichiometry => "IUPAC Green Book, 3rd edition, 2.10",
            Self::Dilution => "Eurachem QUAM:2012, example A1",
            Self::Content => "IUPAC Green Book, 3rd edition, 2.10; ISO 80000-9",
            Self::AtomicWeights => "CIAAW, standard atomic weights 2021",
            Self::Preparation => "Eurachem QUAM:2012, example A1; OIML D 28:2004; ISO 4787",
            Self::Standardisation => "Eurachem QUAM:2012, example A2",
            Self::TitrantStandardisation => "Eurachem QUAM:2012, example A3",
            Self::MeanOfReplicates => "JCGM 100:2008, 4.2.1",
            Self::MedianOfReplicates => "ISO 5725-6:1994, 5.2",
            Self::ScatterOfMean => "ISO 5725-6:1994, 5.2; JCGM 100:2008, 4.2.3 and 4.3.7",
            Self::ScatterOfMedian => {
                "ISO 5725-6:1994, 5.2; JCGM 100:2008, 4.2.3 and 4.3.7; efficiency of the median: Cramér 1946, 28.5"
            }
            Self::ScatterSeen => {
                "values that disagree: ISO 5725-6:1994, 5.2 (critical range); JCGM 100:2008, 4.2.3 and G.3.2 (Student's factor)"
            }
            Self::ScatterSeenOfMedian => {
                "values that disagree: ISO 5725-6:1994, 5.2 (critical range, median); JCGM 100:2008, 4.2.3 and G.3.2 (Student's factor); efficiency of the median: Cramér 1946, 28.5"
            }
            Self::StudentFactor => "JCGM 100:2008, G.3.2 and table G.2",
            Self::Rectangular => "JCGM 100:2008, 4.3.7",
            Self::RandomError => "JCGM 100:2008, 3.2.2: the expectation of a random error is zero",
            Self::SystematicError => "JCGM 100:2008, 3.2.3: after correction the expectation of the error is zero",
            Self::SharedInputs => "JCGM 100:2008, 5.2",
            Self::LinearInterpolation => "linear interpolation in time, an option of the method version",
            Self::Blank => "JCGM 100:2008, 3.2.3: correction for a systematic effect",
            Self::Propagation => "JCGM 100:2008, 5.1.2",
            Self::ChartLimits => "ISO 7870-2 (limits from a baseline)",
            Self::RangeFactors => "Tippett, Biometrika 17 (1925) 364",
            Self::ControlCharts => "Nordtest TR 537; ISO 21748:2017 (variation between runs)",
            Self::MethodVersion => "method version",
            Self::WholePortion => "no aliquot was taken",
            Self::Study(statistic) => statistic.source(),
            Self::NotPlanned => "the plan states no other number",
        }
    }
}
