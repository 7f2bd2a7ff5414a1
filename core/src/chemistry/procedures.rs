//! The reduction procedures. A new one is an entry here; no code changes.
//!
//! Sources: requirement 2.2 (assaying texts for tin(II)/mercury(II); ISO 2597-2 for tin(II)/titanium(III)); figures
//! marked there as from memory are from memory here: 25 °C, 2 to 3 minutes, the drops in excess.

use super::reduction::{
    Answer::{Number, OneOf},
    Applies, Band, Checkpoint, Outcome, Procedure,
    ReductionOutcome::{self, Doubtful, Failed, Good},
    Side::{Above, Below},
};

const fn checkpoint(
    code: &'static str,
    question: &'static str,
    expected: &'static str,
    required: bool,
    answer: super::reduction::Answer,
) -> Checkpoint {
    Checkpoint { code, question, expected, required, answer }
}

const fn good(code: &'static str, words: &'static str) -> Outcome {
    Outcome { code, words, outcome: Good, meaning: "as expected", action: "go on", applies: Applies::Always }
}

const fn outcome(
    code: &'static str,
    words: &'static str,
    outcome: ReductionOutcome,
    meaning: &'static str,
    action: &'static str,
) -> Outcome {
    Outcome { code, words, outcome, meaning, action, applies: Applies::Always }
}

const SOLUTION: Checkpoint = checkpoint(
    "solution",
    "What does the hot hydrochloric-acid solution look like before reduction?",
    "clear and yellow",
    true,
    OneOf(&[
        good("clear_yellow", "clear, yellow"),
        good("clear_colourless", "clear, hardly coloured: little iron(III)"),
        outcome(
            "residue",
            "undissolved residue",
            Failed,
            "the digestion is incomplete",
            "stop; finish the digestion on a new portion",
        ),
        outcome(
            "interference",
            "nitrate, inhibitor or another interference known or suspected",
            Doubtful,
            "the reduction or the end point may be disturbed",
            "flag the interference; remove it if the method says how",
        ),
    ]),
);

const EXCESS_DROPS: Checkpoint = checkpoint(
    "excess_drops",
    "How many drops of tin(II) chloride beyond the last yellow?",
    "1 or 2",
    true,
    Number {
        unit: "drops",
        minimum: 0.0,
        maximum: 100.0,
        bands: &[
            Band {
                side: Below,
                limit: 1.0,
                outcome: Doubtful,
                meaning: "no excess of tin(II): iron(III) may be left or form again",
                action: "watch the precipitate; if none appears, discard and repeat",
            },
            Band {
                side: Above,
                limit: 3.0,
                outcome: Doubtful,
                meaning: "large excess of tin(II)",
                action: "re-oxidise and repeat the reduction, or discard",
            },
        ],
    },
);

const STANDING: Checkpoint = checkpoint(
    "standing",
    "How many minutes between the precipitate and the titration?",
    "2 to 3, then at once",
    true,
    Number {
        unit: "min",
        minimum: 0.0,
        maximum: 1440.0,
        bands: &[
            Band {
                side: Below,
                limit: 2.0,
                outcome: Doubtful,
                meaning: "the excess tin(II) may not all have reacted; a high result is possible",
                action: "keep the standing time of the method",
            },
            Band {
                side: Above,
                limit: 5.0,
                outcome: Doubtful,
                meaning: "air may have oxidised iron(II); a low result is possible",
                action: "compare with a titration made in time",
            },
        ],
    },
);

const PHOSPHORIC_ACID: Checkpoint = checkpoint(
    "phosphoric_acid",
    "Was the sulfuric and phosphoric acid mixture added?",
    "added as the method says",
    true,
    OneOf(&[
        good("added", "added"),
        Outcome {
            code: "omitted",
            words: "omitted",
            outcome: Failed,
            meaning: "without phosphoric acid this indicator changes early and sluggishly",
            action: "reject the titration; repeat with the acid mixture",
            applies: Applies::IndicatorNeedsPhosphoricAcid,
        },
    ]),
);

const TIN_DISCHARGED: Checkpoint = checkpoint(
    "tin_end",
    "What colour did the solution have when tin(II) chloride was stopped?",
    "yellow just discharged, colourless to faint green",
    true,
    OneOf(&[
        good("discharged", "yellow just discharged, colourless to faint green"),
        outcome(
            "still_yellow",
            "still yellow",
            Failed,
            "iron(III) is left; the result would be low",
            "add more tin(II) chloride before cooling; once cooled, discard and repeat",
        ),
    ]),
);

const COLUMN_CHECKPOINTS: &[Checkpoint] = &[
    SOLUTION,
    checkpoint(
        "column_condition",
        "What condition is the column in?",
        "bed covered with liquid, no channels, not spent",
        true,
        OneOf(&[
            good("sound", "covered, even, active"),
            outcome(
                "run_dry",
                "run dry or channelled",
                Failed,
                "air in the bed oxidises iron(II) and makes peroxide; part of the solution was not reduced",
                "discard; repack the column and take a column blank",
            ),
            outcome(
                "spent",
                "largely spent",
                Doubtful,
                "the reduction may be incomplete",
                "regenerate the column; compare with a control",
            ),
        ]),
    ),
    checkpoint(
        "flow",
        "At what flow did the solution pass, in mL per minute?",
        "10 to 50",
        true,
        Number {
            unit: "mL/min",
            minimum: 0.1,
            maximum: 1000.0,
            bands: &[Band {
                side: Above,
                limit: 50.0,
                outcome: Doubtful,
                meaning: "the contact time may be too short",
                action: "pass the next portion more slowly",
            }],
        },
    ),
    checkpoint(
        "effluent",
        "What colour has the effluent?",
        "no yellow",
        true,
        OneOf(&[
            good("colourless", "colourless to faint green"),
            outcome("yellow", "yellow", Failed, "iron(III) passed the column", "discard; regenerate the column"),
        ]),
    ),
    checkpoint(
        "wash_volume",
        "With how many mL was the column washed?",
        "at least 50, in portions",
        false,
        Number {
            unit: "mL",
            minimum: 0.0,
            maximum: 5000.0,
            bands: &[Band {
                side: Below,
                limit: 50.0,
                outcome: Doubtful,
                meaning: "iron may be left in the column",
                action: "wash more and add it to the effluent",
            }],
        },
    ),
    PHOSPHORIC_ACID,
];

/// Every reduction procedure.
pub static PROCEDURES: &[Procedure] = &[
    Procedure {
        code: "tin_titanium",
        title: "tin(II) chloride, then titanium(III) chloride",
        principle: "most iron(III) is reduced by tin(II), the rest by a little titanium(III), whose excess is removed \
                    with dilute dichromate",
        uses_mercury: false,
        checkpoints: &[
            SOLUTION,
            checkpoint(
                "tin_end",
                "What colour did the solution have when tin(II) chloride was stopped?",
                "pale yellow: a little iron(III) left for titanium(III)",
                true,
                OneOf(&[
                    good("pale_yellow", "pale yellow"),
                    outcome(
                        "colourless",
                        "colourless",
                        Failed,
                        "tin(II) may be in excess and would consume titrant",
                        "re-oxidise to pale yellow with a drop of permanganate, or discard",
                    ),
                    outcome(
                        "deep_yellow",
                        "deep yellow",
                        Doubtful,
                        "much iron(III) is left for titanium(III)",
                        "add more tin(II) chloride while hot",
                    ),
                ]),
            ),
            checkpoint(
                "titanium_end",
                "What did the indicator of the reduction show?",
                "the colour of excess titanium(III) appeared and was just removed by dilute dichromate",
                true,
                OneOf(&[
                    good("blue_then_removed", "blue appeared, then just removed"),
                    outcome(
                        "not_reached",
                        "the colour of excess titanium(III) never appeared",
                        Failed,
                        "iron(III) may be left; the result would be low",
                        "add titanium(III) chloride until the colour appears, or discard",
                    ),
                    outcome(
                        "not_removed",
                        "the colour of excess titanium(III) was not removed",
                        Failed,
                        "titanium(III) would consume titrant; the result would be high",
                        "discard and repeat",
                    ),
                    outcome(
                        "overshot",
                        "dilute dichromate was added beyond the change",
                        Failed,
                        "iron(II) was oxidised before the titration; the result would be low",
                        "discard and repeat",
                    ),
                ]),
            ),
            PHOSPHORIC_ACID,
        ],
        cautions: &["hot_acid", "tin_chloride", "titanium_chloride"],
        waste_streams: &["chromium_acid", "other_acid"],
    },
    Procedure {
        code: "tin_mercury",
        title: "tin(II) chloride, then mercury(II) chloride",
        principle: "iron(III) is reduced by tin(II), whose excess mercury(II) chloride removes as white mercury(I) \
                    chloride",
        uses_mercury: true,
        checkpoints: &[
            SOLUTION,
            TIN_DISCHARGED,
            EXCESS_DROPS,
            checkpoint(
                "cooled_to",
                "What temperature had the solution when mercury(II) chloride was added?",
                "quickly cooled to room temperature, at most 25 °C",
                true,
                Number {
                    unit: "°C",
                    minimum: 0.0,
                    maximum: 110.0,
                    bands: &[Band {
                        side: Above,
                        limit: 25.0,
                        outcome: Failed,
                        meaning: "in a warm solution metallic mercury forms",
                        action: "discard and repeat; cool before adding mercury(II) chloride",
                    }],
                },
            ),
            checkpoint(
                "mercury_addition",
                "How was mercury(II) chloride added?",
                "in one rapid portion",
                true,
                OneOf(&[
                    good("one_portion", "in one rapid portion"),
                    outcome(
                        "slow",
                        "slowly or in portions",
                        Doubtful,
                        "tin(II) was locally in excess and may have formed metallic mercury",
                        "look for grey in the precipitate; add in one portion next time",
                    ),
                ]),
            ),
            checkpoint(
                "precipitate",
                "What does the precipitate look like?",
                "slight, white and silky",
                true,
                OneOf(&[
                    good("white_slight", "slight, white, silky"),
                    outcome(
                        "white_heavy",
                        "heavy, white",
                        Failed,
                        "too much tin(II) chloride was added",
                        "discard and repeat with less tin(II) chloride",
                    ),
                    outcome(
                        "grey",
                        "grey",
                        Failed,
                        "metallic mercury, which reacts slowly with the titrant",
                        "discard and repeat",
                    ),
                    outcome(
                        "black",
                        "black",
                        Failed,
                        "metallic mercury, which reacts slowly with the titrant",
                        "discard and repeat",
                    ),
                    outcome(
                        "none",
                        "none",
                        Failed,
                        "too little tin(II) chloride, or it was oxidised by air: iron(III) may be left",
                        "discard and repeat; tin(II) chloride cannot be added now",
                    ),
                ]),
            ),
            STANDING,
            PHOSPHORIC_ACID,
        ],
        cautions: &["hot_acid", "tin_chloride", "mercury"],
        waste_streams: &["chromium_acid", "mercury"],
    },
    Procedure {
        code: "silver_reductor",
        title: "silver reductor",
        principle: "the solution in about 1 mol/L hydrochloric acid passes a column of silver; titanium and \
                    chromium(III) are not reduced",
        uses_mercury: false,
        checkpoints: COLUMN_CHECKPOINTS,
        cautions: &["hot_acid"],
        waste_streams: &["chromium_acid", "other_acid"],
    },
    Procedure {
        code: "zinc_amalgam",
        title: "zinc-amalgam reductor",
        principle: "the acid solution passes a column of amalgamated zinc; vanadium, titanium and molybdenum are \
                    reduced too",
        uses_mercury: true,
        checkpoints: COLUMN_CHECKPOINTS,
        cautions: &["hot_acid", "mercury", "hydrogen"],
        waste_streams: &["chromium_acid", "mercury"],
    },
];

/// The procedure with this code.
#[must_use]
pub fn find_procedure(code: &str) -> Option<&'static Procedure> {
    PROCEDURES.iter().find(|procedure| procedure.code == code)
}
