//! The rules of a method as a document, and what core makes of them.

use ferrotitre_base::ids::DecisionRuleId;
use ferrotitre_base::refusal::FieldErrors;
use ferrotitre_base::web::decimal::{Decimal, in_range};
use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::determination::{Acceptance, BetweenRuns, Central, LimitOfQuantification, Reporting, Rules, Unit};
use ferrotitre_core::rounding::Ties;
use ferrotitre_core::statistics::agreement::{ConcordanceMode, FollowUp};
use ferrotitre_core::uncertainty::CoverageRule;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Which rule says that the titres suffice.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum AcceptanceText {
    /// Range within the method's limit.
    #[serde(rename = "concordance")]
    Concordance,
    /// Critical range from sigma_r with the follow-up of ISO 5725-6.
    #[serde(rename = "critical range")]
    CriticalRange,
}

/// Which titres the concordance limit is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum ModeText {
    /// All accurate titres.
    #[serde(rename = "all accurate")]
    AllAccurate,
    /// The latest ones, as many as the method needs.
    #[serde(rename = "consecutive")]
    Consecutive,
}

/// What stands for titres that disagree without a cause.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum CentralText {
    /// Arithmetic mean.
    Mean,
    /// Median.
    Median,
}

/// Whether further titrations are cheap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum FollowUpText {
    /// Two more at once.
    Cheap,
    /// One more at a time.
    Expensive,
}

/// What the method does about blanks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum BlankText {
    /// No blank.
    None,
    /// The mean of the run's accepted blanks is subtracted.
    Subtract,
}

/// Which concentration of the titrant a result is computed with.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum FactorText {
    /// The factor in force when it was used.
    #[default]
    #[serde(rename = "in force")]
    InForce,
    /// Interpolated in time between that factor and the one that followed; until there is one, the one in force.
    #[serde(rename = "interpolated")]
    Interpolated,
}

/// How the uncertainty of a result is reported.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum UncertaintyText {
    /// From the budget of the single result.
    #[default]
    #[serde(rename = "bottom-up")]
    BottomUp,
    /// The budget with a component for what varies between runs.
    #[serde(rename = "with between-run component")]
    BetweenRuns,
    /// The larger one of the budget and what control charts have seen.
    #[serde(rename = "larger of bottom-up and top-down")]
    Larger,
}

impl UncertaintyText {
    /// Left out of the document of a method, so that documents written before the choice existed stay what they were.
    fn is_usual(&self) -> bool {
        *self == Self::BottomUp
    }
}

impl FactorText {
    /// Left out of the document of a method, so that documents written before the choice existed stay what they were.
    fn is_usual(&self) -> bool {
        *self == Self::InForce
    }
}

/// Unit of the reported figure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum UnitText {
    /// mol/L.
    #[serde(rename = "mol/L")]
    MolesPerLitre,
    /// g/L.
    #[serde(rename = "g/L")]
    GramsPerLitre,
    /// mg/L.
    #[serde(rename = "mg/L")]
    MilligramsPerLitre,
    /// % m/m.
    #[serde(rename = "% m/m")]
    PercentByMass,
    /// mol/kg.
    #[serde(rename = "mol/kg")]
    MolesPerKilogram,
}

/// As what the content is expressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum ExpressedText {
    /// Iron.
    Fe,
    /// Iron(II) oxide.
    FeO,
    /// Iron(III) oxide.
    Fe2O3,
}

/// How ties are rounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub enum TiesText {
    /// To the even neighbour.
    #[serde(rename = "half even")]
    HalfEven,
    /// Away from zero.
    #[serde(rename = "half up")]
    HalfUp,
}

/// The rules of a method version.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MethodRules {
    /// Which rule says that the titres suffice.
    pub acceptance: AcceptanceText,
    /// Largest range of concordant titres, mL.
    #[schema(example = "0.10")]
    pub concordance_limit_ml: Decimal,
    /// Which titres the limit is for.
    pub concordance_mode: ModeText,
    /// Fewest accurate titres, 2 to 10.
    #[schema(example = 2)]
    pub minimum_titres: usize,
    /// From so many accurate titres on, titres that still disagree without a cause are represented by `central`.
    #[schema(example = 4)]
    pub give_up_after: usize,
    /// What then stands for them.
    pub central: CentralText,
    /// Repeatability standard deviation of a titre from the validation, mL.
    #[schema(example = "0.03")]
    pub sigma_r_ml: Option<Decimal>,
    /// Its degrees of freedom.
    #[schema(example = "24")]
    pub sigma_r_degrees_of_freedom: Option<Decimal>,
    /// Whether further titrations are cheap.
    pub follow_up: FollowUpText,
    /// Apply burette corrections.
    pub correct_burette: bool,
    /// Bring volumes to 20 C.
    pub correct_temperature: bool,
    /// What is done about blanks.
    pub blank: BlankText,
    /// Which concentration of the titrant a result is computed with; the factor in force if absent.
    #[serde(default, skip_serializing_if = "FactorText::is_usual")]
    pub factor: FactorText,
    /// Standard uncertainty of the end point's bias, mL.
    #[schema(example = "0.01")]
    pub end_point_u_ml: Decimal,
    /// Longest standing between reduction and titration, minutes.
    #[schema(example = "5")]
    pub longest_standing_minutes: Decimal,
    /// How the uncertainty is reported; from the budget alone if absent.
    #[serde(default, skip_serializing_if = "UncertaintyText::is_usual")]
    pub uncertainty: UncertaintyText,
    /// Relative standard uncertainty that control charts saw, per cent of the content: of what varies between runs, or top-down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0.30")]
    pub seen_percent: Option<Decimal>,
    /// Degrees of freedom of the component between runs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "24")]
    pub seen_degrees_of_freedom: Option<Decimal>,
    /// Which charts, and when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "chart X-CM-1, 120 runs up to November")]
    pub seen_on: Option<String>,
    /// Unit of the reported figure.
    pub unit: UnitText,
    /// As what it is expressed.
    pub expressed: ExpressedText,
    /// How ties are rounded.
    pub ties: TiesText,
    /// Fixed decimal places; if absent, U has two significant figures and the value the same place.
    pub places: Option<i64>,
    /// Fixed coverage factor; give this or the probability.
    #[schema(example = "2")]
    pub coverage_factor: Option<Decimal>,
    /// Coverage probability for Student's t; give this or the factor.
    pub coverage_probability: Option<Decimal>,
    /// Limit of quantification, in the unit.
    #[schema(example = "0.5")]
    pub loq: Option<Decimal>,
    /// Lowest content the method is validated for, in the unit.
    #[schema(example = "1")]
    pub validated_low: Decimal,
    /// Highest content the method is validated for, in the unit.
    #[schema(example = "200")]
    pub validated_high: Decimal,
    /// Hours from sampling within which iron(II) must be titrated.
    pub holding_time_hours: Option<Decimal>,
    /// Version of the decision rule, approved, by which results are judged against specifications that name none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decision_rule: Option<DecisionRuleId>,
    /// How many distinct people sign a result, 3 to 6: its author, its reviewers, who approves it. Three if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 3)]
    pub distinct_people: Option<u32>,
}

/// Author, reviewer and approver are three people in any case.
const FEWEST_PEOPLE: u32 = 3;

impl MethodRules {
    /// How many distinct people sign a result.
    pub fn people(&self) -> usize {
        usize::try_from(self.distinct_people.unwrap_or(FEWEST_PEOPLE)).unwrap_or(usize::MAX)
    }

    pub(super) fn check(&self, errors: &mut FieldErrors) {
        in_range(errors, "rules.concordance_limit_ml", &self.concordance_limit_ml, 0.001, 5.0, "mL");
        let range = "must be from 2 to 10";
        errors.require(
            (2..=10).contains(&self.minimum_titres),
            "rules.minimum_titres",
            "range",
            range,
            self.minimum_titres,
        );
        let order = self.give_up_after > self.minimum_titres && self.give_up_after <= 20;
        let message = "must be above the minimum number of titres and at most 20";
        errors.require(order, "rules.give_up_after", "range", message, self.give_up_after);
        match (&self.sigma_r_ml, self.acceptance) {
            (Some(sigma), _) => in_range(errors, "rules.sigma_r_ml", sigma, 0.0001, 2.0, "mL"),
            (None, AcceptanceText::CriticalRange) => {
                errors.add("rules.sigma_r_ml", "required", "the critical range needs the method's sigma_r", "");
            }
            (None, AcceptanceText::Concordance) => {}
        }
        if let Some(dof) = &self.sigma_r_degrees_of_freedom {
            in_range(errors, "rules.sigma_r_degrees_of_freedom", dof, 1.0, 100_000.0, "");
        }
        in_range(errors, "rules.end_point_u_ml", &self.end_point_u_ml, 0.0, 1.0, "mL");
        in_range(errors, "rules.longest_standing_minutes", &self.longest_standing_minutes, 0.0, 1440.0, "min");
        match (&self.coverage_factor, &self.coverage_probability) {
            (Some(factor), None) => in_range(errors, "rules.coverage_factor", factor, 1.0, 5.0, ""),
            (None, Some(p)) => in_range(errors, "rules.coverage_probability", p, 0.5, 0.9999, ""),
            _ => errors.add(
                "rules.coverage_factor",
                "one_of_two",
                "give either coverage_factor or coverage_probability",
                "",
            ),
        }
        if let Some(places) = self.places {
            errors.require((-3..=8).contains(&places), "rules.places", "range", "must be from -3 to 8", places);
        }
        if let Some(people) = self.distinct_people {
            let range = (FEWEST_PEOPLE..=6).contains(&people);
            errors.require(range, "rules.distinct_people", "range", "must be from 3 to 6", people);
        }
        self.check_uncertainty(errors);
        let order = self.validated_high.value() > self.validated_low.value();
        errors.require(
            order,
            "rules.validated_high",
            "order",
            "must be above the lower end of the validated range",
            &self.validated_high,
        );
    }

    fn check_uncertainty(&self, errors: &mut FieldErrors) {
        let usual = self.uncertainty.is_usual();
        match &self.seen_percent {
            Some(percent) if !usual => in_range(errors, "rules.seen_percent", percent, 0.001, 50.0, "%"),
            Some(percent) => {
                let message = "is not used while the uncertainty is reported bottom-up";
                errors.add("rules.seen_percent", "unused", message, percent);
            }
            None if !usual => errors.add("rules.seen_percent", "required", "say what control charts have seen", ""),
            None => {}
        }
        if let Some(dof) = &self.seen_degrees_of_freedom {
            in_range(errors, "rules.seen_degrees_of_freedom", dof, 1.0, 100_000.0, "");
        }
        let evidence = self.seen_on.as_deref().unwrap_or_default();
        let message = "name the charts and the time they are of (at least 5 characters)";
        errors.require(usual || evidence.trim().len() >= 5, "rules.seen_on", "reason", message, evidence);
    }

    /// What the budget takes in of what control charts have seen.
    #[must_use]
    pub fn between_runs(&self) -> Option<BetweenRuns> {
        let relative = self.seen_percent.as_ref()?.value() / 100.0;
        match self.uncertainty {
            UncertaintyText::BottomUp => None,
            UncertaintyText::BetweenRuns => {
                let dof = self.seen_degrees_of_freedom.as_ref().map(Decimal::value);
                Some(BetweenRuns::Component(relative, dof))
            }
            UncertaintyText::Larger => Some(BetweenRuns::AtLeast(relative)),
        }
    }

    /// How the uncertainty is reported, as people say it.
    #[must_use]
    pub fn uncertainty_words(&self) -> &'static str {
        match self.uncertainty {
            UncertaintyText::BottomUp => "bottom-up",
            UncertaintyText::BetweenRuns => "with between-run component",
            UncertaintyText::Larger => "larger of bottom-up and top-down",
        }
    }

    /// The rules as a colleague would say them, a sentence each.
    #[must_use]
    pub fn in_words(&self) -> Vec<String> {
        let spelled = |count: usize| match count {
            2 => "two".to_owned(),
            3 => "three".to_owned(),
            4 => "four".to_owned(),
            5 => "five".to_owned(),
            more => more.to_string(),
        };
        let (fewest, most) = (spelled(self.minimum_titres), spelled(self.give_up_after));
        let agree = match (self.acceptance, self.concordance_mode) {
            (AcceptanceText::Concordance, ModeText::AllAccurate) => {
                format!("{fewest} accurate titres within {} mL", self.concordance_limit_ml)
            }
            (AcceptanceText::Concordance, ModeText::Consecutive) => {
                format!("accurate titres until the latest {fewest} lie within {} mL", self.concordance_limit_ml)
            }
            (AcceptanceText::CriticalRange, _) => match &self.sigma_r_ml {
                Some(sigma) => format!("{fewest} accurate titres within the critical range for s_r = {sigma} mL"),
                None => format!("{fewest} accurate titres within the critical range"),
            },
        };
        let central = if self.central == CentralText::Median { "median" } else { "mean" };
        let mut first =
            format!("{agree}; otherwise up to {most}, then their {central} and a decision by somebody else.");
        if let Some(letter) = first.get_mut(..1) {
            letter.make_ascii_uppercase();
        }
        let volumes = match (self.correct_burette, self.correct_temperature) {
            (true, true) => "Volumes are corrected for the burette and brought to 20 °C",
            (true, false) => "Volumes are corrected for the burette",
            (false, true) => "Volumes are brought to 20 °C",
            (false, false) => "Volumes are taken as read",
        };
        let blank = if self.blank == BlankText::Subtract {
            "the mean blank of the run is subtracted"
        } else {
            "no blank is subtracted"
        };
        let unit = self.reporting().unit.symbol();
        let confidence = match (&self.coverage_factor, &self.coverage_probability) {
            (_, Some(p)) => format!("with a coverage probability of {p}"),
            (Some(k), None) => format!("with k = {k}"),
            (None, None) => "with k = 2".to_owned(),
        };
        let mut all = vec![
            first,
            format!("{volumes}; {blank}."),
            format!(
                "Reported in {unit}, with U {confidence}; validated from {} to {} {unit}.",
                self.validated_low, self.validated_high
            ),
        ];
        if let Some(hours) = &self.holding_time_hours {
            all.push(format!("Titrated within {hours} h of sampling."));
        }
        all
    }

    /// Limit, repeatability and most titres of a rule that goes on until the latest two titres agree; none of another rule, or
    /// where the repeatability is not known.
    pub(super) fn until_two_agree(&self) -> Option<(f64, f64, u32)> {
        let until = self.acceptance == AcceptanceText::Concordance
            && self.concordance_mode == ModeText::Consecutive
            && self.minimum_titres == 2;
        let sigma = self.sigma_r_ml.as_ref().filter(|_| until)?.value();
        Some((self.concordance_limit_ml.value(), sigma, u32::try_from(self.give_up_after).ok()?))
    }

    /// Whether the factor is interpolated in time.
    pub fn interpolates(&self) -> bool {
        self.factor == FactorText::Interpolated
    }

    /// The rules as core takes them.
    #[must_use]
    pub fn to_core(&self, chemistry: &str, indicator: &str) -> Rules {
        let dof = self.sigma_r_degrees_of_freedom.as_ref().map(Decimal::value);
        Rules {
            chemistry: chemistry.to_owned(),
            indicator: indicator.to_owned(),
            acceptance: match self.acceptance {
                AcceptanceText::Concordance => Acceptance::Concordance,
                AcceptanceText::CriticalRange => Acceptance::CriticalRange,
            },
            concordance_limit_ml: self.concordance_limit_ml.value(),
            concordance_mode: match self.concordance_mode {
                ModeText::AllAccurate => ConcordanceMode::AllAccurate,
                ModeText::Consecutive => ConcordanceMode::Consecutive,
            },
            minimum_titres: self.minimum_titres,
            give_up_after: self.give_up_after,
            central: match self.central {
                CentralText::Mean => Central::Mean,
                CentralText::Median => Central::Median,
            },
            sigma_r_ml: self.sigma_r_ml.as_ref().map(|sigma| (sigma.value(), dof)),
            follow_up: match self.follow_up {
                FollowUpText::Cheap => FollowUp::Cheap,
                FollowUpText::Expensive => FollowUp::Expensive,
            },
            correct_burette: self.correct_burette,
            correct_temperature: self.correct_temperature,
            subtract_blank: self.blank == BlankText::Subtract,
            interpolate_factor: self.interpolates(),
            end_point_u_ml: self.end_point_u_ml.value(),
            longest_standing_minutes: self.longest_standing_minutes.value(),
            reporting: self.reporting(),
            loq: self.loq.as_ref().map(|loq| LimitOfQuantification(loq.value())),
            between_runs: self.between_runs(),
        }
    }

    fn reporting(&self) -> Reporting {
        Reporting {
            unit: match self.unit {
                UnitText::MolesPerLitre => Unit::MolesPerLitre,
                UnitText::GramsPerLitre => Unit::GramsPerLitre,
                UnitText::MilligramsPerLitre => Unit::MilligramsPerLitre,
                UnitText::PercentByMass => Unit::PercentByMass,
                UnitText::MolesPerKilogram => Unit::MolesPerKilogram,
            },
            expressed: match self.expressed {
                ExpressedText::Fe => Expressed::Iron,
                ExpressedText::FeO => Expressed::IronIIOxide,
                ExpressedText::Fe2O3 => Expressed::IronIIIOxide,
            },
            ties: match self.ties {
                TiesText::HalfEven => Ties::HalfEven,
                TiesText::HalfUp => Ties::HalfUp,
            },
            places: self.places,
            coverage: match (&self.coverage_probability, &self.coverage_factor) {
                (Some(p), _) => CoverageRule::Probability(p.value()),
                (None, Some(factor)) => CoverageRule::Fixed(factor.value()),
                (None, None) => CoverageRule::Fixed(2.0),
            },
        }
    }
}
