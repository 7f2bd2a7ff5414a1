//! Outlines of methods: where a laboratory may begin, with the reason and the published source of each rule that is proposed. What
//! only the laboratory's own validation can say stays open.

use ferrotitre_core::chemistry::{chemistry, reduction};
use serde::Serialize;
use serde_json::{Map, Value};
use utoipa::ToSchema;

/// A field of a method with what is proposed for it.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct Proposal {
    /// Field of the method, as a path in its JSON.
    #[schema(example = "rules.minimum_titres")]
    pub field: &'static str,
    /// What is proposed.
    #[schema(example = "2")]
    pub value: &'static str,
    /// Why.
    pub reason: &'static str,
    /// Published source; empty where the laboratory's own data decide.
    #[schema(example = "ISO 5725-6:1994, 5.2.2")]
    pub source: &'static str,
}

/// Where a method may begin.
#[derive(Debug, Clone, Copy, Serialize, ToSchema)]
pub struct Outline {
    /// Name of the outline in addresses.
    #[schema(example = "iron2-dichromate")]
    pub key: &'static str,
    /// Title.
    pub title: &'static str,
    /// Principle.
    pub principle: &'static str,
    /// iron(II) or total iron.
    pub analyte: &'static str,
    /// Chemistry, by its code.
    pub chemistry: &'static str,
    /// Reduction, by its code.
    pub reduction: &'static str,
    /// Indicator, by its code.
    pub indicator: &'static str,
    /// Where the procedure is published.
    pub sources: &'static [&'static str],
    /// Rules that are its own.
    #[serde(skip)]
    own: &'static [Proposal],
    /// What is to be shown for the laboratory's own samples before the method is used.
    pub before_use: &'static [&'static str],
}

/// An outline with all that it proposes.
#[derive(Debug, Serialize, ToSchema)]
pub struct OutlineView {
    #[serde(flatten)]
    #[schema(inline)]
    outline: Outline,
    /// What is proposed for each field.
    pub proposals: Vec<Proposal>,
    /// Cautions; the safety data sheet, local codes and licensed practice decide.
    pub cautions: String,
}

const fn proposal(field: &'static str, value: &'static str, reason: &'static str, source: &'static str) -> Proposal {
    Proposal { field, value, reason, source }
}

/// Rules that every outline proposes.
const COMMON: &[Proposal] = &[
    proposal("rules.acceptance", "concordance", "A limit in mL that is seen at the bench.", ""),
    proposal(
        "rules.concordance_limit_ml",
        "0.10",
        "About what two readings each of a 50 mL burette leave between good titres; take 2.8 s_r once s_r is known.",
        "ISO 5725-6:1994, 4.1.4",
    ),
    proposal(
        "rules.concordance_mode",
        "all accurate",
        "Choosing two that agree out of more makes them look better.",
        "ISO 5725-6:1994, 5.2",
    ),
    proposal(
        "rules.minimum_titres",
        "2",
        "Two results, and more only if they differ by more than the limit.",
        "ISO 5725-6:1994, 5.2.2",
    ),
    proposal(
        "rules.give_up_after",
        "4",
        "While they differ by more than the limit, one more each time, up to four.",
        "ISO 5725-6:1994, 5.2.2.2",
    ),
    proposal("rules.central", "median", "If four still differ, their median.", "ISO 5725-6:1994, 5.2.2"),
    proposal(
        "rules.follow_up",
        "expensive",
        "Another titration takes a portion and its preparation.",
        "ISO 5725-6:1994, 5.2.2",
    ),
    proposal(
        "rules.correct_burette",
        "true",
        "The corrections of the calibration, where the burette has any.",
        "ISO 4787:2021",
    ),
    proposal("rules.correct_temperature", "true", "Nominal volumes hold at 20 °C.", "ISO 4787:2021"),
    proposal("rules.blank", "subtract", "Acids and indicator use titrant, too.", "ISO 2597-2:2019"),
    proposal(
        "rules.ties",
        "half even",
        "Rounding every half up would raise results on average.",
        "ISO 80000-1:2022, annex B",
    ),
    proposal(
        "rules.coverage_factor",
        "2",
        "An interval with a level of confidence of about 95 %.",
        "JCGM 100:2008, 6.3.3",
    ),
    proposal("rules.expressed", "Fe", "The element, unless the customer asks for an oxide.", ""),
];

/// Standing between reduction and titration: iron(II) is oxidised by air.
const AT_ONCE: Proposal = proposal(
    "rules.longest_standing_minutes",
    "5",
    "Air oxidises iron(II): titrate at once after the reduction.",
    "ISO 2597-2:2019",
);
const DIRECT: Proposal =
    proposal("rules.longest_standing_minutes", "5", "Air oxidises iron(II) in acid slowly, in the light faster.", "");
const HOLDING: Proposal = proposal(
    "rules.holding_time_hours",
    "24",
    "Until your own stability study says otherwise: iron(II) in the sample turns to iron(III).",
    "",
);
const GRAMS: Proposal = proposal("rules.unit", "g/L", "Baths and liquors are run by it.", "");
const PERCENT: Proposal = proposal("rules.unit", "% m/m", "Ores are sold by it.", "ISO 2597-2:2019");

/// What every method must show for the laboratory's own samples.
const VALIDATE: &[&str] = &[
    "Repeatability s_r of a titre, from at least 8 pairs or 15 repeats over the working range (ISO 5725-2).",
    "Bias, by a certified reference material or by recovery of added iron (ISO Guide 33).",
    "Intermediate precision over days, analysts and titrant lots (ISO 5725-3).",
    "Bias of the end point and its u, against a potentiometric end point.",
    "The blank and what it varies by.",
    "The range over which all of this holds, and the limit of quantification if it is approached (ICH Q2).",
];
const VALIDATE_IRON2: &[&str] = &[
    VALIDATE[0],
    VALIDATE[1],
    VALIDATE[2],
    VALIDATE[3],
    VALIDATE[4],
    VALIDATE[5],
    "How long iron(II) keeps in the sample from sampling to titration.",
    "That nothing else in the sample reduces the titrant: tin(II), sulfite, hydrogen peroxide, organic inhibitors.",
];
const VALIDATE_TOTAL: &[&str] = &[
    VALIDATE[0],
    VALIDATE[1],
    VALIDATE[2],
    VALIDATE[3],
    VALIDATE[4],
    VALIDATE[5],
    "That the reduction is complete and its excess is gone: recovery of iron(III) over the range.",
    "What copper, vanadium, molybdenum, arsenic and antimony in your samples add: all of them can be reduced, too.",
];

const VOGEL: &str =
    "Jeffery, Bassett, Mendham, Denney: Vogel's Textbook of Quantitative Chemical Analysis, 5th ed., 1989, chapter 10";
const KOLTHOFF: &str = "Kolthoff, Belcher: Volumetric Analysis III, 1957";

/// All outlines; mercury-free ones stand first.
pub const OUTLINES: &[Outline] = &[
    Outline {
        key: "iron2-dichromate",
        title: "Iron(II) in acid solution by dichromate",
        principle: "The sample is diluted with sulfuric and phosphoric acid and titrated with potassium dichromate to the violet of the indicator. Phosphoric acid binds iron(III), so that the colour changes at the equivalence point.",
        analyte: "iron(II)",
        chemistry: "dichromate",
        reduction: "none",
        indicator: "diphenylamine sulfonate",
        sources: &[VOGEL, "ISO 9035:1989"],
        own: &[DIRECT, HOLDING, GRAMS],
        before_use: VALIDATE_IRON2,
    },
    Outline {
        key: "total-tin-titanium",
        title: "Total iron by dichromate after tin(II) and titanium(III)",
        principle: "Most of the iron(III) is reduced in hot hydrochloric acid with tin(II) chloride to a pale yellow, the rest with titanium(III) chloride; the excess is oxidised with dilute dichromate to the fading of the redox indicator. Then as iron(II).",
        analyte: "total iron",
        chemistry: "dichromate",
        reduction: "tin(II) and titanium(III)",
        indicator: "diphenylamine sulfonate",
        sources: &["ISO 2597-2:2019"],
        own: &[AT_ONCE, GRAMS],
        before_use: VALIDATE_TOTAL,
    },
    Outline {
        key: "total-silver",
        title: "Total iron by dichromate after a silver reductor",
        principle: "The solution in about 1 mol/L hydrochloric acid runs through a column of silver, which reduces iron(III) and leaves chromium(III) and titanium(IV) as they are; sulfuric and phosphoric acid are added and iron(II) is titrated.",
        analyte: "total iron",
        chemistry: "dichromate",
        reduction: "silver reductor",
        indicator: "diphenylamine sulfonate",
        sources: &["Walden, Hammett, Edmonds: J. Am. Chem. Soc. 56 (1934) 350", VOGEL],
        own: &[AT_ONCE, GRAMS],
        before_use: VALIDATE_TOTAL,
    },
    Outline {
        key: "ore-tin-titanium",
        title: "Total iron in ores by dichromate after tin(II) and titanium(III)",
        principle: "A dried portion is dissolved in hydrochloric acid, the residue is fused and joined to it; iron(III) is reduced with tin(II) and titanium(III), and iron(II) titrated with dichromate. The content is of the dried ore.",
        analyte: "total iron",
        chemistry: "dichromate",
        reduction: "tin(II) and titanium(III)",
        indicator: "diphenylamine sulfonate",
        sources: &["ISO 2597-2:2019", "ISO 7764:2006 (drying)"],
        own: &[AT_ONCE, PERCENT],
        before_use: VALIDATE_TOTAL,
    },
    Outline {
        key: "iron2-permanganate",
        title: "Iron(II) by permanganate with preventive solution",
        principle: "Manganese(II) sulfate with sulfuric and phosphoric acid keeps permanganate from oxidising chloride and iron(III) from colouring the solution; permanganate is added to a pink that stays for 30 s.",
        analyte: "iron(II)",
        chemistry: "permanganate",
        reduction: "none",
        indicator: "self",
        sources: &[KOLTHOFF, VOGEL],
        own: &[DIRECT, HOLDING, GRAMS],
        before_use: VALIDATE_IRON2,
    },
    Outline {
        key: "iron2-cerium",
        title: "Iron(II) by cerium(IV) with ferroin",
        principle: "Iron(II) in sulfuric acid is titrated with cerium(IV) sulfate until ferroin turns from red to pale blue. Chloride does not disturb.",
        analyte: "iron(II)",
        chemistry: "cerium(IV)",
        reduction: "none",
        indicator: "ferroin",
        sources: &["Walden, Hammett, Chapman: J. Am. Chem. Soc. 55 (1933) 2649", VOGEL],
        own: &[DIRECT, HOLDING, GRAMS],
        before_use: VALIDATE_IRON2,
    },
    Outline {
        key: "iron2-back",
        title: "Iron(II) by back-titration of excess dichromate",
        principle: "A known amount of dichromate, more than iron(II) needs, is added at once, so that air has no time; what is left is titrated with iron(II) ammonium sulfate, which is standardised on the same day.",
        analyte: "iron(II)",
        chemistry: "back-titration",
        reduction: "none",
        indicator: "diphenylamine sulfonate",
        sources: &[VOGEL],
        own: &[DIRECT, HOLDING, GRAMS],
        before_use: VALIDATE_IRON2,
    },
    Outline {
        key: "total-tin-mercury",
        title: "Total iron by dichromate after tin(II) and mercury(II)",
        principle: "Iron(III) is reduced in hot hydrochloric acid with tin(II) chloride; the small excess is removed from the cold solution with mercury(II) chloride. Only where no mercury-free reduction will do: say why.",
        analyte: "total iron",
        chemistry: "dichromate",
        reduction: "tin(II) and mercury(II)",
        indicator: "diphenylamine sulfonate",
        sources: &["ISO 2597-1:2006"],
        own: &[AT_ONCE, GRAMS],
        before_use: VALIDATE_TOTAL,
    },
];

impl Outline {
    /// The outline of that name.
    #[must_use]
    pub fn named(key: &str) -> Option<&'static Self> {
        OUTLINES.iter().find(|outline| outline.key == key)
    }

    /// What it proposes for the rules.
    pub fn proposals(&self) -> impl Iterator<Item = &'static Proposal> + use<> {
        COMMON.iter().chain(self.own)
    }

    /// Cautions of its reduction and of its titrant.
    #[must_use]
    pub fn cautions(&self) -> String {
        let of_reduction = reduction(self.reduction).map_or("", |entry| entry.cautions);
        let of_titrant =
            chemistry(self.chemistry).map(ferrotitre_core::chemistry::Chemistry::cautions).unwrap_or_default();
        format!("{of_reduction} {of_titrant}")
    }

    /// What a form begins with.
    #[must_use]
    pub fn facts(&self) -> Value {
        let rule = |proposal: &Proposal| {
            let value = match proposal.value {
                "true" => Value::Bool(true),
                value => value.into(),
            };
            Some((proposal.field.strip_prefix("rules.")?.to_owned(), value))
        };
        let rules: Map<String, Value> = self.proposals().filter_map(rule).collect();
        serde_json::json!({
            "title": self.title, "principle": self.principle, "analyte": self.analyte, "chemistry": self.chemistry,
            "reduction": self.reduction, "indicator": self.indicator, "rules": rules,
        })
    }

    /// As it is told.
    #[must_use]
    pub fn view(&'static self) -> OutlineView {
        OutlineView { outline: *self, proposals: self.proposals().copied().collect(), cautions: self.cautions() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::methods::store::MethodFacts;

    /// What only the laboratory can say, made up.
    fn completed(outline: &Outline) -> MethodFacts {
        let mut facts = outline.facts();
        for (field, value) in
            [("code", "M-9"), ("matrix", "bath"), ("mercury_reason", "the customer's contract names it")]
        {
            facts[field] = value.into();
        }
        for (rule, value) in [("end_point_u_ml", "0.01"), ("validated_low", "1"), ("validated_high", "60")] {
            facts["rules"][rule] = value.into();
        }
        for whole in ["minimum_titres", "give_up_after"] {
            let number: u64 = facts["rules"][whole].as_str().unwrap().parse().unwrap();
            facts["rules"][whole] = number.into();
        }
        serde_json::from_value(facts).unwrap()
    }

    #[test]
    fn every_outline_is_a_method_once_the_laboratory_has_said_what_only_it_can_say() {
        for outline in OUTLINES {
            completed(outline).check().unwrap_or_else(|refusal| panic!("{}: {refusal:?}", outline.key));
        }
    }

    #[test]
    fn what_only_a_validation_can_say_stays_open() {
        for outline in OUTLINES {
            for open in ["sigma_r_ml", "end_point_u_ml", "validated_low", "validated_high", "loq"] {
                assert!(outline.facts()["rules"].get(open).is_none(), "{}: {open}", outline.key);
            }
            assert!(outline.before_use.len() >= 6 && !outline.sources.is_empty(), "{}", outline.key);
        }
    }

    #[test]
    fn mercury_stands_last() {
        let mercury: Vec<bool> = OUTLINES.iter().map(|one| reduction(one.reduction).unwrap().mercury).collect();
        assert!(mercury.is_sorted() && mercury.ends_with(&[true]) && !mercury[mercury.len() - 2]);
    }
}
