//! Kinds of records as people call them: the noun, how a row is named in SQL, and where its page is.

/// A kind of record.
#[derive(Debug)]
pub struct Kind {
    /// Its table.
    pub table: &'static str,
    /// What people call one.
    pub noun: &'static str,
    /// What its name is made of besides its row `t`, in SQL.
    pub joins: &'static str,
    /// Its code, or what it belongs to, in SQL; empty where another column says what it is about.
    pub label: &'static str,
    /// Address of its page, in SQL; empty where it has none.
    pub place: &'static str,
}

const fn kind(
    table: &'static str,
    noun: &'static str,
    joins: &'static str,
    label: &'static str,
    place: &'static str,
) -> Kind {
    Kind { table, noun, joins, label, place }
}

/// What is about another thing, which its row names by kind and identity.
const fn about(table: &'static str, noun: &'static str) -> Kind {
    Kind { table, noun, joins: "", label: "", place: "" }
}

const ACCOUNT: &str = "JOIN accounts a ON a.id = t.account_id";
const OF_ACCOUNT: &str = "'/accounts/' || a.id";
const SAMPLE: &str = "JOIN LATERAL (SELECT code, record_id FROM samples WHERE record_id = t.sample_id ORDER BY version DESC LIMIT 1) s ON true";
const PORTION: &str = "JOIN test_portions p ON p.id = t.portion_id \
     JOIN LATERAL (SELECT code, record_id FROM samples WHERE record_id = p.sample_id ORDER BY version DESC LIMIT 1) s ON true";
const OF_SAMPLE: &str = "'/samples/' || s.record_id";
const EQUIPMENT: &str = "JOIN LATERAL (SELECT code, record_id FROM equipment WHERE record_id = t.equipment_id ORDER BY version DESC LIMIT 1) q ON true";
const CALIBRATION: &str = "JOIN equipment_calibrations c ON c.id = t.calibration_id \
     JOIN LATERAL (SELECT code, record_id FROM equipment WHERE record_id = c.equipment_id ORDER BY version DESC LIMIT 1) q ON true";
const CHECK: &str = "JOIN equipment_checks c ON c.id = t.check_id \
     JOIN LATERAL (SELECT code, record_id FROM equipment WHERE record_id = c.equipment_id ORDER BY version DESC LIMIT 1) q ON true";
const OF_EQUIPMENT: &str = "'/equipment/' || q.record_id";
const LOT: &str = "JOIN titrants l ON l.id = t.titrant_id";
const OF_LOT: &str = "'/titrants/' || l.id";
const STANDARDISATION: &str = "JOIN standardisations q ON q.id = t.standardisation_id";
const OF_STANDARDISATION: &str = "'/standardisations/' || q.id";
const RUN: &str = "JOIN runs r ON r.id = t.run_id";
const OF_RUN: &str = "'/runs/' || r.id";
const DETERMINATION: &str = "JOIN determinations d ON d.id = t.determination_id";
const OF_DETERMINATION: &str = "'/determinations/' || d.id";
const CHART: &str = "JOIN control_charts c ON c.id = t.chart_id";
const STUDY: &str = "JOIN validation_studies s ON s.id = t.study_id";
const CHARACTERISTIC: &str =
    "JOIN validation_characteristics k ON k.id = t.characteristic_id JOIN validation_studies s ON s.id = k.study_id";
const DATUM: &str = "JOIN validation_data v ON v.id = t.datum_id \
     JOIN validation_characteristics k ON k.id = v.characteristic_id JOIN validation_studies s ON s.id = k.study_id";
const OF_STUDY: &str = "'/validation/' || s.id";
const METHOD: &str = "JOIN methods m ON m.id = t.method_id";
const OF_METHOD: &str = "'/methods/' || m.id";
const CERTIFICATE: &str = "JOIN certificates c ON c.id = t.certificate_id";
const NUMBERED: &str = "c.number || ' issue ' || c.issue";
const OF_CERTIFICATE: &str = "'/certificates/' || c.number";
const NONCONFORMITY: &str = "JOIN nonconformities n ON n.id = t.nonconformity_id";
const OF_NONCONFORMITY: &str = "'/nonconformities/' || n.id";
const SIGNATURE: &str = "JOIN sign_offs s ON s.id = t.sign_off_id";
const SIGNED: &str = "s.printed_name || ', ' || s.meaning";

/// Every audited table.
const KINDS: &[Kind] = &[
    kind("accounts", "account", "", "t.display_name || ' (' || t.code || ')'", "'/accounts/' || t.id"),
    kind("account_secrets", "password", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("account_starts", "start of work", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("role_grants", "role", ACCOUNT, "a.display_name || ': ' || t.role", OF_ACCOUNT),
    kind(
        "role_grant_decisions",
        "decision on a role",
        "JOIN role_grants g ON g.id = t.role_grant_id JOIN accounts a ON a.id = g.account_id",
        "a.display_name || ': ' || g.role",
        OF_ACCOUNT,
    ),
    kind("competences", "competence", ACCOUNT, "a.display_name || ', ' || t.method_code", OF_ACCOUNT),
    kind("service_tokens", "token of an instrument", ACCOUNT, "a.display_name || ', ' || t.label", OF_ACCOUNT),
    kind("sign_in_attempts", "password asked", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("unknown_sign_ins", "sign-in with an unknown name", "", "coalesce(t.name, 'a name that is not kept')", ""),
    kind("code_enrolments", "one-time codes set up", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("code_uses", "one-time code taken", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("code_refusals", "one-time code refused", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("code_choices", "choice about one-time codes", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("code_ends", "end of one-time codes", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("code_rules", "decision on one-time codes", "", "'one-time codes'", "'/one-time-codes'"),
    kind("session_ends", "end of a session", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("identity_confirmations", "confirmation of an identity", ACCOUNT, "a.display_name", OF_ACCOUNT),
    about("state_moves", "change of state"),
    about("sign_offs", "signature"),
    about("late_entries", "late entry"),
    kind("pins", "what a signature stands over", SIGNATURE, SIGNED, ""),
    kind("unpinned_signatures", "signature without its rows", SIGNATURE, SIGNED, ""),
    kind("impacts", "effect on signed results", "", "'what it touches'", "'/impacts/' || t.id"),
    kind(
        "impact_decisions",
        "decision on an effect",
        "JOIN impacts i ON i.id = t.impact_id",
        "'what it touches'",
        "'/impacts/' || i.id",
    ),
    about("doubted_approvals", "approval while a control was out"),
    kind("equipment", "equipment", "", "t.code", "'/equipment/' || t.record_id"),
    kind("equipment_calibrations", "calibration", EQUIPMENT, "q.code || ', ' || t.certificate", OF_EQUIPMENT),
    kind("equipment_checks", "check of equipment", EQUIPMENT, "q.code", OF_EQUIPMENT),
    kind(
        "calibration_corrections",
        "correction of a calibration",
        CALIBRATION,
        "q.code || ', ' || c.certificate",
        OF_EQUIPMENT,
    ),
    kind("certificate_files", "file of a certificate", "", "t.file_name", "'/api/v1/certificate-files/' || t.digest"),
    kind(
        "calibration_statements",
        "uncertainty as stated",
        CALIBRATION,
        "q.code || ', ' || c.certificate",
        OF_EQUIPMENT,
    ),
    kind("check_corrections", "correction of a check", CHECK, "q.code", OF_EQUIPMENT),
    kind(
        "instrument_readings",
        "reading of an instrument",
        EQUIPMENT,
        "q.code || ', ' || t.value || ' ' || t.unit",
        "'/instrument-readings/' || t.id",
    ),
    kind(
        "reading_uses",
        "accepted reading",
        "JOIN instrument_readings n ON n.id = t.reading_id \
         JOIN LATERAL (SELECT code, record_id FROM equipment WHERE record_id = n.equipment_id ORDER BY version DESC LIMIT 1) q ON true",
        "q.code || ', ' || n.value || ' ' || n.unit",
        "'/instrument-readings/' || n.id",
    ),
    kind("primary_standards", "primary standard", "", "t.code", "'/stock/standards/' || t.record_id"),
    kind("reagents", "reagent", "", "t.code", "'/stock/reagents/' || t.record_id"),
    kind("methods", "method", "", "t.code || ' v' || t.version", "'/methods/' || t.id"),
    kind("samples", "sample", "", "t.code", "'/samples/' || t.record_id"),
    kind("test_portions", "test portion", SAMPLE, "s.code", OF_SAMPLE),
    kind("dilution_steps", "dilution step", PORTION, "s.code || ', step ' || t.position", OF_SAMPLE),
    kind("titrants", "titrant lot", "", "t.code", "'/titrants/' || t.id"),
    kind("titrant_preparations", "preparation of a titrant", LOT, "l.code", OF_LOT),
    kind("titrant_factors", "titrant factor", LOT, "l.code || ', ' || t.factor", OF_LOT),
    kind(
        "factor_corrections",
        "corrected factor",
        "JOIN titrant_factors f ON f.id = t.factor_id JOIN titrants l ON l.id = f.titrant_id",
        "l.code",
        OF_LOT,
    ),
    kind("standardisations", "standardisation", "", "t.code", "'/standardisations/' || t.id"),
    kind(
        "standardisation_titrations",
        "titration of a standardisation",
        STANDARDISATION,
        "q.code || ', titration ' || t.position",
        OF_STANDARDISATION,
    ),
    kind("standardisation_limits", "limit of a standardisation", STANDARDISATION, "q.code", OF_STANDARDISATION),
    kind(
        "concessions",
        "concession",
        "",
        "CASE WHEN length(t.reason) > 60 THEN left(t.reason, 59) || '…' ELSE t.reason END",
        "'/concessions/' || t.id",
    ),
    kind("runs", "run", "", "t.code", "'/runs/' || t.id"),
    kind("run_repeats", "repetition of a run", RUN, "r.code", OF_RUN),
    kind("blanks", "blank", RUN, "r.code || ', ' || t.kind", OF_RUN),
    kind(
        "blank_additions",
        "addition to a blank",
        "JOIN blanks b ON b.id = t.blank_id JOIN runs r ON r.id = b.run_id",
        "r.code",
        OF_RUN,
    ),
    kind("determinations", "determination", "", "t.code", "'/determinations/' || t.id"),
    kind("titrations", "titration", DETERMINATION, "d.code || ', titration ' || t.position", OF_DETERMINATION),
    kind(
        "titration_supervisions",
        "titration under supervision",
        "JOIN titrations n ON n.id = t.titration_id JOIN determinations d ON d.id = n.determination_id",
        "d.code || ', titration ' || n.position",
        OF_DETERMINATION,
    ),
    kind("iron_results", "iron(III) result", "", "t.code", "'/iron-results/' || t.id"),
    kind("control_materials", "control material", "", "t.code", "'/control-materials/' || t.record_id"),
    kind("control_charts", "control chart", "", "t.code", "'/charts/' || t.id"),
    kind("chart_phases", "limits of a chart", CHART, "c.code || ', phase ' || t.number", "'/chart-phases/' || t.id"),
    kind("control_values", "control value", CHART, "c.code || ', point ' || t.position", "'/control-values/' || t.id"),
    kind(
        "chart_baseline_points",
        "point of a baseline",
        "JOIN control_values v ON v.id = t.value_id JOIN control_charts c ON c.id = v.chart_id",
        "c.code || ', point ' || v.position",
        "'/control-values/' || v.id",
    ),
    kind("qc_plans", "plan of quality control", METHOD, "m.code || ' v' || m.version", "'/qc-plans/' || t.record_id"),
    kind("budget_decisions", "decision on a budget", METHOD, "m.code || ' v' || m.version", OF_METHOD),
    kind("nonconformities", "nonconformity", "", "t.code", "'/nonconformities/' || t.id"),
    kind("nonconformity_steps", "step of a nonconformity", NONCONFORMITY, "n.code", OF_NONCONFORMITY),
    kind("nonconformity_links", "record of a nonconformity", NONCONFORMITY, "n.code", OF_NONCONFORMITY),
    kind("imported_files", "imported file", "", "t.file_name", "'/imports/' || t.id"),
    kind("imported_tables", "imported table", "", "t.file_name", "'/imports/tables/' || t.id"),
    kind("validation_studies", "validation study", "", "t.code", "'/validation/' || t.id"),
    kind("validation_characteristics", "characteristic", STUDY, "s.code || ', ' || t.title", OF_STUDY),
    kind("validation_conclusions", "conclusion of a study", STUDY, "s.code || ' conclusion ' || t.number", OF_STUDY),
    kind("validation_amendments", "change of limits", CHARACTERISTIC, "s.code || ', ' || k.title", OF_STUDY),
    kind(
        "validation_data",
        "datum of a study",
        CHARACTERISTIC,
        "s.code || ', ' || k.title || ', value ' || t.position",
        OF_STUDY,
    ),
    kind(
        "validation_exclusions",
        "exclusion of a datum",
        DATUM,
        "s.code || ', ' || k.title || ', value ' || v.position",
        OF_STUDY,
    ),
    kind(
        "validation_iron_data",
        "datum of a study",
        DATUM,
        "s.code || ', ' || k.title || ', value ' || v.position",
        OF_STUDY,
    ),
    kind("proficiency_rounds", "proficiency round", "", "t.code", "'/proficiency-rounds/' || t.record_id"),
    kind("exports", "export", "", "t.what", "'/exports'"),
    kind("decision_rules", "decision rule", "", "t.code || ' v' || t.version", "'/decision-rules/' || t.id"),
    kind("specifications", "specification", "", "t.code || ' v' || t.version", "'/specifications/' || t.id"),
    kind(
        "sample_specifications",
        "specification of a sample",
        "JOIN specifications f ON f.id = t.specification_id \
         JOIN LATERAL (SELECT code, record_id FROM samples WHERE record_id = t.sample_id ORDER BY version DESC LIMIT 1) s ON true",
        "s.code || ', ' || f.code",
        OF_SAMPLE,
    ),
    kind(
        "specification_removals",
        "specification taken off a sample",
        "JOIN sample_specifications g ON g.id = t.sample_specification_id JOIN specifications f ON f.id = g.specification_id \
         JOIN LATERAL (SELECT code, record_id FROM samples WHERE record_id = g.sample_id ORDER BY version DESC LIMIT 1) s ON true",
        "s.code || ', ' || f.code",
        OF_SAMPLE,
    ),
    kind("laboratories", "description of the laboratory", "", "t.name", "'/laboratory'"),
    kind("certificates", "certificate", "", "t.number || ' issue ' || t.issue", "'/certificates/' || t.number"),
    kind("certificate_results", "result on a certificate", CERTIFICATE, NUMBERED, OF_CERTIFICATE),
    kind("certificate_papers", "document of a certificate", CERTIFICATE, NUMBERED, OF_CERTIFICATE),
    kind("certificate_copies", "certificate taken out", CERTIFICATE, NUMBERED, OF_CERTIFICATE),
    kind("certificate_deliveries", "delivery of a certificate", CERTIFICATE, NUMBERED, OF_CERTIFICATE),
    kind("mail_settings", "settings of e-mail", "", "t.host", "'/messages'"),
    kind("mail_choices", "choice about e-mail", ACCOUNT, "a.display_name", OF_ACCOUNT),
    kind("webhook_endpoints", "endpoint of messages", "", "t.name", "'/messages'"),
    kind(
        "webhook_endpoint_ends",
        "end of an endpoint",
        "JOIN webhook_endpoints e ON e.id = t.endpoint_id",
        "e.name",
        "'/messages'",
    ),
    kind("witness_policies", "decision on witnesses", "", "'witnesses'", "'/audit/witnesses'"),
    kind("audit_breaks", "decision to go on sealing", "", "'audit log'", "'/audit/heads'"),
    kind("trail_reviews", "review of the audit trail", "", "'review ' || t.number", "'/audit/reviews/' || t.id"),
];

/// The kind of record of a table.
#[must_use]
pub fn of(table: &str) -> Option<&'static Kind> {
    KINDS.iter().find(|kind| kind.table == table)
}

/// What people call a record of a table.
#[must_use]
pub fn noun(table: &str) -> String {
    of(table).map_or_else(|| table.replace('_', " "), |kind| kind.noun.to_owned())
}

/// Tables whose records are about accounts, which those see who keep them.
#[must_use]
pub fn is_of_accounts(table: &str) -> bool {
    of(table).is_some_and(|kind| matches!(table, "accounts" | "unknown_sign_ins") || kind.place == OF_ACCOUNT)
}

/// All kinds, by their nouns.
#[must_use]
pub fn all() -> Vec<&'static Kind> {
    let mut all: Vec<&Kind> = KINDS.iter().collect();
    all.sort_by_key(|kind| (kind.noun, kind.table));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_audited_table_has_a_noun() {
        let tables = crate::audit::catalogue::audited_tables();
        let without: Vec<_> =
            tables.iter().filter(|table| of(&table.name).is_none()).map(|table| &table.name).collect();
        assert!(without.is_empty(), "{without:?}");
        let unknown: Vec<_> =
            KINDS.iter().filter(|kind| !tables.iter().any(|table| table.name == kind.table)).map(|k| k.table).collect();
        assert!(unknown.is_empty(), "{unknown:?}");
    }
}
