//! The tables. A new state goes where it is first reached; codes are contract and are never reused.

use super::{EntityKind, Machine, State};

const fn state(code: &'static str, label: &'static str, next: &'static [&'static str]) -> State {
    State { code, label, next }
}

macro_rules! machine {
    ($constant:ident, $kind:ident, $code:literal, $label:literal, $states:expr, $refusals:expr) => {
        static $constant: Machine = Machine {
            kind: EntityKind::$kind,
            code: $code,
            label: $label,
            states: {
                const STATES: &[State] = $states;
                STATES
            },
            refusals: $refusals,
        };
    };
}

const LOT_STATES: &[State] = &[
    state("received", "received", &["quarantined", "released", "withdrawn"]),
    state("quarantined", "quarantined", &["released", "withdrawn"]),
    state("released", "released", &["in_use", "quarantined", "expired", "withdrawn"]),
    state("in_use", "in use", &["quarantined", "expired", "exhausted", "withdrawn"]),
    state("expired", "expired", &["withdrawn"]),
    state("exhausted", "exhausted", &["withdrawn"]),
    state("withdrawn", "withdrawn", &[]),
];
const LOT_REFUSALS: &[(&str, &str, &str)] = &[
    ("received", "in_use", "a lot must be released before it is used"),
    ("quarantined", "in_use", "a lot must be released before it is used"),
    ("expired", "in_use", "an expired lot is used only under a recorded concession, which does not change its state"),
];
const DETERMINATION_STATES: &[State] = &[
    state("in_progress", "in progress", &["needs_more", "complete", "cancelled"]),
    state("needs_more", "in need of more titrations", &["in_progress", "complete", "cancelled"]),
    state("complete", "complete", &["submitted", "in_progress", "needs_more", "cancelled"]),
    state("submitted", "submitted", &["reviewed", "returned"]),
    state("returned", "returned", &["in_progress", "cancelled"]),
    state("reviewed", "reviewed", &["approved", "returned"]),
    state("approved", "approved", &["reported", "amended"]),
    state("reported", "reported", &["amended"]),
    state("amended", "amended", &["submitted"]),
    state("cancelled", "cancelled", &[]),
];
const DETERMINATION_REFUSALS: &[(&str, &str, &str)] = &[
    ("submitted", "approved", "a review by a second person comes first"),
    ("in_progress", "submitted", "the method's rule for replicates is not yet satisfied"),
    ("needs_more", "submitted", "the method's rule for replicates is not yet satisfied"),
    ("reported", "in_progress", "a reported result changes only through an amendment"),
    ("approved", "in_progress", "an approved result changes only through an amendment"),
];

machine!(
    USER,
    User,
    "user",
    "user",
    &[
        state("invited", "invited", &["active", "retired"]),
        state("active", "active", &["locked", "retired"]),
        state("locked", "locked", &["active", "retired"]),
        state("retired", "retired", &[]),
    ],
    &[("retired", "active", "an account is never used again; invite the person anew")]
);
machine!(
    PRIMARY_STANDARD_LOT,
    PrimaryStandardLot,
    "primary_standard_lot",
    "primary-standard lot",
    LOT_STATES,
    LOT_REFUSALS
);
machine!(REAGENT_LOT, ReagentLot, "reagent_lot", "reagent lot", LOT_STATES, LOT_REFUSALS);
machine!(
    TITRANT_LOT,
    TitrantLot,
    "titrant_lot",
    "titrant lot",
    // prepared to released without standardising serves the titrant whose factor follows from its preparation by mass.
    &[
        state("prepared", "prepared", &["standardising", "released", "withdrawn"]),
        state("standardising", "standardising", &["released", "withdrawn"]),
        state("released", "released", &["in_use", "suspended", "expired", "withdrawn"]),
        state("in_use", "in use", &["suspended", "expired", "exhausted", "withdrawn"]),
        state("suspended", "suspended", &["in_use", "expired", "exhausted", "withdrawn"]),
        state("expired", "expired", &["withdrawn"]),
        state("exhausted", "exhausted", &["withdrawn"]),
        state("withdrawn", "withdrawn", &[]),
    ],
    &[
        ("prepared", "in_use", "it has no released factor"),
        ("standardising", "in_use", "its factor is not released"),
        ("expired", "in_use", "an expired titrant is used only under a recorded concession"),
        ("withdrawn", "in_use", "a withdrawn titrant is under look-back"),
    ]
);
machine!(
    STANDARDISATION,
    Standardisation,
    "standardisation",
    "standardisation",
    &[
        state("draft", "a draft", &["submitted"]),
        state("submitted", "submitted", &["reviewed", "rejected", "draft"]),
        state("reviewed", "reviewed", &["approved", "rejected", "draft"]),
        state("approved", "approved", &[]),
        state("rejected", "rejected", &[]),
    ],
    &[("submitted", "approved", "a review by a second person comes first")]
);
machine!(
    EQUIPMENT,
    Equipment,
    "equipment",
    "piece of equipment",
    &[
        state("in_service", "in service", &["due", "out_of_service", "retired"]),
        state("due", "due for calibration", &["in_service", "overdue", "out_of_service", "retired"]),
        state("overdue", "overdue", &["out_of_service", "retired"]),
        state("out_of_service", "out of service", &["in_service", "retired"]),
        state("retired", "retired", &[]),
    ],
    &[("overdue", "in_service", "take it out of service and return it with a new certificate or check")]
);
machine!(
    METHOD_VERSION,
    MethodVersion,
    "method_version",
    "method version",
    &[
        state("draft", "a draft", &["in_validation", "withdrawn"]),
        state("in_validation", "in validation", &["approved", "draft", "withdrawn"]),
        state("approved", "approved", &["superseded", "withdrawn"]),
        state("superseded", "superseded", &["withdrawn"]),
        state("withdrawn", "withdrawn", &[]),
    ],
    &[
        ("draft", "approved", "validation comes first"),
        ("approved", "draft", "an approved version is immutable; write a new version"),
    ]
);
machine!(
    VALIDATION_STUDY,
    ValidationStudy,
    "validation_study",
    "validation study",
    &[
        state("planned", "planned", &["running"]),
        state("running", "running", &["complete"]),
        state("complete", "complete", &["reviewed"]),
        state("reviewed", "reviewed", &["approved", "rejected"]),
        state("approved", "approved", &[]),
        state("rejected", "rejected", &[]),
    ],
    &[("running", "planned", "acceptance limits were frozen before the first datum")]
);
machine!(
    SAMPLE,
    Sample,
    "sample",
    "sample",
    &[
        state("received", "received", &["accepted", "rejected_on_receipt"]),
        state("accepted", "accepted", &["in_analysis", "archived"]),
        state("in_analysis", "in analysis", &["reported", "archived"]),
        state("reported", "reported", &["in_analysis", "archived"]),
        state("archived", "archived", &["in_analysis", "disposed"]),
        state("disposed", "disposed", &[]),
        state("rejected_on_receipt", "rejected on receipt", &["disposed"]),
    ],
    &[
        ("received", "in_analysis", "its condition on receipt has not been judged"),
        ("reported", "disposed", "archive it first, so that its retention time is kept"),
    ]
);
machine!(
    TEST_PORTION,
    TestPortion,
    "test_portion",
    "test portion",
    &[state("recorded", "recorded", &["void"]), state("void", "void", &[])],
    &[]
);
machine!(
    RUN,
    Run,
    "run",
    "run",
    &[
        state("open", "open", &["closed"]),
        state("closed", "closed", &["in_control", "out_of_control"]),
        state("in_control", "in control", &["released", "rejected"]),
        state("out_of_control", "out of control", &["rejected"]),
        state("released", "released", &[]),
        state("rejected", "rejected", &[]),
    ],
    &[
        ("out_of_control", "released", "no concession exists for a rejecting control verdict; repeat the run"),
        ("closed", "released", "the required quality control has not been judged"),
    ]
);
machine!(
    BLANK,
    Blank,
    "blank",
    "blank",
    &[
        state("recorded", "recorded", &["accepted", "rejected"]),
        state("accepted", "accepted", &[]),
        state("rejected", "rejected", &[]),
    ],
    &[]
);
machine!(
    TITRATION,
    Titration,
    "titration",
    "titration",
    &[
        state("recorded", "recorded", &["accepted", "not_used", "rejected", "amended"]),
        state("accepted", "accepted", &["amended"]),
        state("not_used", "not used by the method's rule", &["amended"]),
        state("rejected", "rejected with cause", &["amended"]),
        state("amended", "amended", &[]),
    ],
    &[
        ("rejected", "accepted", "a rejection stands; an amendment with a reason makes a new version"),
        ("accepted", "rejected", "the decision stands; an amendment with a reason makes a new version"),
        ("amended", "accepted", "a newer version of it exists"),
    ]
);
machine!(DETERMINATION, Determination, "determination", "determination", DETERMINATION_STATES, DETERMINATION_REFUSALS);
machine!(
    DERIVED_RESULT,
    DerivedResult,
    "derived_result",
    "derived result",
    DETERMINATION_STATES,
    DETERMINATION_REFUSALS
);
machine!(
    CONTROL_MATERIAL,
    ControlMaterial,
    "control_material",
    "control material",
    &[
        state("quarantined", "quarantined", &["released"]),
        state("released", "released", &["in_use", "quarantined", "expired"]),
        state("in_use", "in use", &["quarantined", "expired", "exhausted"]),
        state("expired", "expired", &[]),
        state("exhausted", "exhausted", &[]),
    ],
    &[("quarantined", "in_use", "its assigned value has not been released")]
);
machine!(
    CONTROL_VALUE,
    ControlValue,
    "control_value",
    "control value",
    &[
        state("valid", "valid", &["under_investigation"]),
        state("under_investigation", "under investigation", &["valid", "invalid_with_cause"]),
        state("invalid_with_cause", "invalid with cause", &["under_investigation"]),
    ],
    &[("valid", "invalid_with_cause", "an assignable cause is investigated first")]
);
machine!(
    CHART_PHASE,
    ChartPhase,
    "chart_phase",
    "chart phase",
    &[
        state("preliminary", "preliminary", &["established", "superseded"]),
        state("established", "established", &["superseded"]),
        state("superseded", "superseded", &[]),
    ],
    &[("established", "preliminary", "limits once signed change only through a new phase")]
);
machine!(
    NONCONFORMITY,
    Nonconformity,
    "nonconformity",
    "nonconformity",
    &[
        state("opened", "opened", &["contained", "investigating"]),
        state("contained", "contained", &["investigating"]),
        state("investigating", "under investigation", &["action"]),
        state("action", "in corrective action", &["verifying", "investigating"]),
        state("verifying", "being verified", &["closed", "action"]),
        state("closed", "closed", &["reopened"]),
        state("reopened", "reopened", &["contained", "investigating"]),
    ],
    &[("opened", "closed", "its cause, action and effectiveness are not on record")]
);
machine!(
    SIGN_OFF,
    SignOff,
    "sign_off",
    "signature",
    &[state("valid", "valid", &["revoked"]), state("revoked", "revoked by amendment", &[])],
    &[("revoked", "valid", "sign the amended content anew")]
);
machine!(
    REPORT,
    Report,
    "report",
    "report",
    &[
        state("draft", "a draft", &["issued", "withdrawn"]),
        state("issued", "issued", &["amended", "withdrawn"]),
        state("amended", "replaced by an amended report", &["withdrawn"]),
        state("withdrawn", "withdrawn", &[]),
    ],
    &[("issued", "draft", "an issued report is immutable; an amended report replaces it")]
);

macro_rules! table {
    ($($kind:ident => $machine:ident),+ $(,)?) => {
        /// The machine of a kind.
        pub(super) const fn of(kind: EntityKind) -> &'static Machine {
            match kind {
                $(EntityKind::$kind => &$machine,)+
            }
        }
    };
}
table! {
    User => USER,
    PrimaryStandardLot => PRIMARY_STANDARD_LOT,
    ReagentLot => REAGENT_LOT,
    TitrantLot => TITRANT_LOT,
    Standardisation => STANDARDISATION,
    Equipment => EQUIPMENT,
    MethodVersion => METHOD_VERSION,
    ValidationStudy => VALIDATION_STUDY,
    Sample => SAMPLE,
    TestPortion => TEST_PORTION,
    Run => RUN,
    Blank => BLANK,
    Titration => TITRATION,
    Determination => DETERMINATION,
    DerivedResult => DERIVED_RESULT,
    ControlMaterial => CONTROL_MATERIAL,
    ControlValue => CONTROL_VALUE,
    ChartPhase => CHART_PHASE,
    Nonconformity => NONCONFORMITY,
    SignOff => SIGN_OFF,
    Report => REPORT,
}
