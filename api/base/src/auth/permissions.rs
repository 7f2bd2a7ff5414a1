//! The only place that knows which role may do what. The guard, the OpenAPI document and the tests read this table.

/// Roles a person or instrument can have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Role {
    /// Titrates, prepares, standardises; reviews where competent and not involved.
    Analyst,
    /// Releases, reviews, approves.
    Manager,
    /// Reads everything, changes nothing.
    Auditor,
    /// Accounts and keys; no data, no approvals.
    Administrator,
    /// A service account: readings and weights only, within the scopes of its token.
    Instrument,
}

impl Role {
    /// All roles.
    pub const ALL: [Role; 5] = [Role::Analyst, Role::Manager, Role::Auditor, Role::Administrator, Role::Instrument];

    /// As stored and shown.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::Analyst => "analyst",
            Self::Manager => "manager",
            Self::Auditor => "auditor",
            Self::Administrator => "administrator",
            Self::Instrument => "instrument",
        }
    }

    /// The role of that name.
    #[must_use]
    pub fn from_text(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.text() == text)
    }
}

use Role::{Administrator, Analyst, Auditor, Instrument, Manager};

macro_rules! actions {
    ($($(#[$doc:meta])* $name:ident = $text:literal : [$($role:ident),*] for [$($operation:literal),+];)+) => {
        /// What the code does; named by the deed, not by who may do it.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Action { $($(#[$doc])* $name,)+ }

        impl Action {
            /// All actions.
            pub const ALL: &[Action] = &[$(Action::$name),+];

            /// Name in the audit log and in the scopes of service tokens.
            #[must_use]
            pub fn text(self) -> &'static str {
                match self { $(Action::$name => $text,)+ }
            }

            /// Roles that may.
            #[must_use]
            pub fn roles(self) -> &'static [Role] {
                match self { $(Action::$name => &[$($role),*],)+ }
            }

            /// Operations of the API (by their operation id) that need this action.
            #[must_use]
            pub fn operations(self) -> &'static [&'static str] {
                match self { $(Action::$name => &[$($operation),+],)+ }
            }
        }

        /// A type per action, to name it in a handler's signature.
        pub mod acts {
            $($(#[$doc])* #[derive(Debug, Clone, Copy)] pub struct $name;

            impl super::Deed for $name {
                const ACTION: super::Action = super::Action::$name;
            })+
        }
    };
}

/// An action as a type.
pub trait Deed {
    /// The action.
    const ACTION: Action;
}

actions! {
    /// Everybody signed in may see and end their own session and change their own password.
    OwnAccount = "own_account": [Analyst, Manager, Auditor, Administrator] for ["read_own_account", "list_own_sessions", "end_own_session", "sign_out", "change_own_password",
        "propose_one_time_codes", "set_up_one_time_codes", "choose_one_time_codes", "end_one_time_codes"];
    /// Chooses what one is told by e-mail oneself; alerts are about records, so those who may read them.
    ChooseMessages = "choose_messages": [Analyst, Manager, Auditor] for ["read_own_message_choice", "choose_messages"];
    /// Settles how e-mail is sent and which programs are told.
    ManageMessages = "manage_messages": [Administrator] for ["read_mail_settings", "record_mail_settings", "send_test_message",
        "list_webhook_endpoints", "record_webhook_endpoint", "end_webhook_endpoint"];
    /// Sees what was sent, what waits and what was given up.
    ReadMessages = "read_messages": [Manager, Auditor, Administrator] for ["list_messages", "read_message"];
    /// Accounts, roles, tokens, competences, as a list.
    ReadAccounts = "read_accounts": [Manager, Auditor, Administrator] for ["list_accounts", "read_account", "list_role_grants", "list_service_tokens", "list_competences", "list_code_rules"];
    /// Creates and moves accounts, sets provisional passwords, asks for role grants.
    ManageAccounts = "manage_accounts": [Administrator] for ["create_account", "create_people", "move_account", "set_provisional_password", "request_role_grant", "reset_one_time_codes"];
    /// Approves or refuses role grants.
    DecideRoleGrants = "decide_role_grants": [Manager] for ["decide_role_grant", "decide_role_grants"];
    /// Decides whether administrators must use one-time codes.
    DecideCodeRules = "decide_code_rules": [Manager] for ["decide_code_rule"];
    /// Says that an account whose password somebody else had set is in the hands of its owner.
    ConfirmIdentities = "confirm_identities": [Manager] for ["confirm_identity"];
    /// Issues and revokes tokens of instruments.
    ManageServiceTokens = "manage_service_tokens": [Administrator] for ["issue_service_token", "revoke_service_token"];
    /// Authorises people for methods.
    AuthoriseCompetence = "authorise_competence": [Manager] for ["record_competence", "record_competences"];

    /// Reads equipment, standards, reagents, titrants, methods, samples, runs, determinations and results.
    ReadRecords = "read_records": [Analyst, Manager, Auditor] for [
        "list_equipment", "read_equipment", "list_calibrations", "list_equipment_checks", "read_certificate_file",
        "list_instrument_readings", "read_instrument_reading",
        "list_primary_standards", "read_primary_standard", "list_reagents", "read_reagent",
        "list_titrants", "read_titrant", "list_titrant_factors",
        "read_titrant_drift", "draw_titrant_drift", "draw_titrant_drift_pixels", "read_titrant_factor_at",
        "list_standardisations", "read_standardisation", "read_standardisation_working",
        "read_preparation_working",
        "list_chemistries", "list_method_outlines", "list_methods", "read_budget", "read_method",
        "list_samples", "read_sample", "list_test_portions",
        "list_runs", "read_run", "list_blanks",
        "list_determinations", "read_determination", "read_determination_plan", "read_joint_results", "read_iron_result_plan",
        "read_determination_working", "print_determination",
        "read_proof_of_control", "print_proof_of_control",
        "read_titration", "list_titrations",
        "list_iron_results", "read_iron_result", "read_iron_result_working", "print_iron_result",
        "list_sign_offs", "list_concessions", "read_concession",
        "list_alerts", "stream_alerts",
        "list_control_materials", "read_control_material",
        "list_control_charts", "read_control_chart", "draw_control_chart", "draw_control_chart_pixels", "read_lot_step", "read_control_import_template", "read_control_table_template",
        "list_control_points", "read_control_value", "review_control_chart", "read_chart_phase",
        "compute_run_lengths", "list_rule_sets", "list_qc_plans", "read_qc_plan",
        "list_nonconformities", "read_nonconformity", "list_impacts", "read_impact", "read_uses", "read_uses_of_a_time", "suppose",
        "list_certificates", "read_certificate", "preview_certificate", "print_certificate", "read_laboratory",
        "list_imports", "read_import", "list_import_tables", "read_import_table_template",
        "list_imported_tables", "read_imported_table", "read_imported_table_file",
        "list_proficiency_rounds", "read_proficiency_round", "draw_proficiency_history",
        "list_validation_studies", "read_validation_study", "read_validation_answers", "read_validation_answer",
        "read_validation_workings", "read_validation_characteristic_workings",
        "draw_validation_answer", "print_validation_study", "read_validation_template",
        "list_decision_rules", "read_decision_rule", "list_specifications", "read_specification",
        "read_specification_risk", "draw_specification_risk", "draw_specification_risk_pixels", "list_sample_specifications"];
    /// Records equipment and its calibrations.
    RecordEquipment = "record_equipment": [Manager] for ["record_equipment", "correct_equipment", "record_calibration", "correct_calibration", "correct_equipment_check", "move_equipment",
        "preview_equipment", "import_equipment", "preview_calibrations", "import_calibrations"];
    /// Records a check of equipment.
    CheckEquipment = "check_equipment": [Analyst, Manager, Instrument] for ["record_equipment_check"];
    /// Sends what an instrument showed; nobody types what only an instrument sends.
    SendReadings = "send_readings": [Instrument] for ["record_instrument_reading"];
    /// Receives lots of primary standards, reagents and control materials.
    ReceiveLots = "receive_lots": [Analyst, Manager] for [
        "record_primary_standard", "correct_primary_standard", "record_reagent", "correct_reagent",
        "record_control_material", "correct_control_material",
        "preview_primary_standards", "import_primary_standards", "preview_reagents", "import_reagents", "record_certificate_file"];
    /// Releases, suspends and withdraws lots of standards, reagents and control materials.
    ReleaseLots = "release_lots": [Manager] for ["move_primary_standard", "move_reagent", "move_control_material"];
    /// Prepares and standardises titrants.
    PrepareTitrants = "prepare_titrants": [Analyst, Manager] for [
        "record_titrant", "record_titrant_preparation", "correct_titrant_preparation",
        "record_standardisation", "record_standardisation_titration", "correct_standardisation_titration",
        "reject_standardisation_titration", "submit_standardisation"];
    /// Releases titrant lots and approves standardisations of others, and amends what was released or approved.
    ReleaseTitrants = "release_titrants": [Manager] for [
        "release_titrant", "amend_titrant_preparation", "approve_standardisation", "return_standardisation", "amend_standardisation"];
    /// Moves a titrant lot; an analyst may only suspend it.
    MoveTitrants = "move_titrants": [Analyst, Manager] for ["move_titrant"];
    /// Drafts methods.
    DraftMethods = "draft_methods": [Analyst, Manager] for ["record_method", "record_methods", "revise_method"];
    /// Approves and withdraws methods.
    ApproveMethods = "approve_methods": [Manager] for ["move_method", "decide_budget"];
    /// Drafts decision rules and specifications.
    DraftSpecifications = "draft_specifications": [Analyst, Manager] for [
        "record_decision_rule", "revise_decision_rule", "record_specification", "revise_specification"];
    /// Approves, rejects and withdraws decision rules and specifications; approval is of others' drafts.
    ApproveSpecifications = "approve_specifications": [Manager] for [
        "approve_decision_rule", "reject_decision_rule", "withdraw_decision_rule",
        "approve_specification", "reject_specification", "withdraw_specification"];
    /// Gives samples specifications, and takes them off.
    AssignSpecifications = "assign_specifications": [Analyst, Manager] for ["assign_specification", "remove_sample_specification"];
    /// Registers samples and test portions.
    RegisterSamples = "register_samples": [Analyst, Manager] for ["record_sample", "record_sample_with_portions", "correct_sample", "move_sample", "record_test_portion", "correct_test_portion",
        "preview_samples", "import_samples"];
    /// Opens, closes and repeats runs, records blanks and determinations.
    ConductRuns = "conduct_runs": [Analyst, Manager] for ["open_run", "open_runs", "close_run", "record_blank", "correct_blank", "judge_blank", "record_determination", "record_iron_result"];
    /// Releases or rejects runs.
    ReleaseRuns = "release_runs": [Manager] for ["release_run", "reject_run"];
    /// Logs titrations.
    RecordTitrations = "record_titrations": [Analyst, Manager, Instrument] for ["record_titration"];
    /// Corrects or judges a titration, with a reason.
    JudgeTitrations = "judge_titrations": [Analyst, Manager] for ["correct_titration", "reject_titration"];
    /// Countersigns titrations made under one's supervision.
    CountersignTitrations = "countersign_titrations": [Analyst, Manager] for ["countersign_determination"];
    /// Signs a determination as its author. Finishing runs closes them and records differences, too, and needs that permission as well.
    SubmitDeterminations = "submit_determinations": [Analyst, Manager] for ["submit_determination", "submit_iron_result", "submit_several", "finish_runs"];
    /// Reviews or returns determinations of others.
    ReviewDeterminations = "review_determinations": [Analyst, Manager] for ["review_determination", "return_determination", "review_iron_result", "return_iron_result", "review_several"];
    /// Decides that a determination of others may be reported although its titres disagree, or a factor used although the
    /// replicates do.
    DecideDiscordance = "decide_discordance": [Analyst, Manager] for ["decide_discordance", "decide_standardisation_discordance"];
    /// Approves determinations of others, and amends approved ones.
    ApproveDeterminations = "approve_determinations": [Manager] for ["approve_determination", "amend_determination", "approve_iron_result", "amend_iron_result", "approve_several"];
    /// Sees what waits for a manager's decision, and decides on several things at once; each needs its own permission, too.
    DecideWaiting = "decide_waiting": [Manager] for ["list_waiting_decisions", "decide_several"];
    /// Says that signed results stay as they are although something they rest on was touched.
    DecideImpacts = "decide_impacts": [Manager] for ["decide_impact"];
    /// Says how certificates name the laboratory.
    DescribeLaboratory = "describe_laboratory": [Manager] for ["record_laboratory", "correct_laboratory"];
    /// Draws up certificates of analysis and those that replace them, and records who was sent one.
    DraftCertificates = "draft_certificates": [Analyst, Manager] for [
        "draw_up_certificate", "revise_certificate", "amend_certificate", "discard_certificate", "record_certificate_delivery"];
    /// Authorises certificates that others drew up, and withdraws them.
    AuthoriseCertificates = "authorise_certificates": [Manager] for ["authorise_certificate", "withdraw_certificate"];
    /// Asks for a concession.
    RequestConcessions = "request_concessions": [Analyst, Manager] for ["request_concession"];
    /// Signs a concession; two managers must.
    SignConcessions = "sign_concessions": [Manager] for ["sign_concession"];

    /// Defines control charts and plans of quality control. Beginning a control needs what its parts need, too: receiving lots,
    /// registering samples and proposing limits.
    DefineCharts = "define_control_charts": [Manager] for ["begin_control", "record_control_chart", "move_control_chart", "record_qc_plan", "correct_qc_plan"];
    /// Proposes limits of a control chart.
    ProposePhases = "propose_chart_phases": [Analyst, Manager] for ["propose_chart_phase"];
    /// Approves or rejects limits that somebody else proposed.
    ApprovePhases = "approve_chart_phases": [Manager] for ["approve_chart_phase", "reject_chart_phase"];
    /// Records control values.
    RecordControlValues = "record_control_values": [Analyst, Manager] for ["record_control_value", "preview_control_values", "import_control_values",
        "preview_control_table", "import_control_table"];
    /// Says what became of a control value.
    DisposeControlValues = "dispose_control_values": [Manager] for ["dispose_control_value"];
    /// Opens nonconformities; an auditor's finding is one.
    OpenNonconformities = "open_nonconformities": [Analyst, Manager, Auditor] for ["open_nonconformity"];
    /// Contains, investigates and mends nonconformities.
    HandleNonconformities = "handle_nonconformities": [Analyst, Manager] for ["record_nonconformity_step", "move_nonconformity"];
    /// Closes nonconformities that somebody else owns, or reopens them.
    CloseNonconformities = "close_nonconformities": [Manager] for ["close_nonconformity", "reopen_nonconformity"];
    /// Plans validation studies, records and imports their data, proposes amendments and exclusions, concludes.
    ConductValidation = "conduct_validation": [Analyst, Manager] for [
        "record_validation_study", "amend_validation_limits", "record_validation_data", "preview_validation_data",
        "import_validation_data", "exclude_validation_datum", "conclude_validation_study"];
    /// Reviews or returns conclusions of others.
    ReviewValidation = "review_validation": [Analyst, Manager] for ["review_validation_conclusion", "return_validation_conclusion"];
    /// Approves or rejects plans, amendments, exclusions and conclusions of others.
    ApproveValidation = "approve_validation": [Manager] for [
        "approve_validation_plan", "reject_validation_plan", "approve_validation_amendment", "reject_validation_amendment",
        "approve_validation_exclusion", "reject_validation_exclusion",
        "approve_validation_conclusion", "reject_validation_conclusion"];
    /// Calculates with numbers of one's own; nothing is read or stored.
    Calculate = "calculate": [Analyst, Manager, Auditor] for ["list_calculations", "describe_calculation", "calculate"];

    /// Records rounds of proficiency tests.
    RecordRounds = "record_proficiency_rounds": [Analyst, Manager] for ["record_proficiency_round", "correct_proficiency_round"];
    /// Withdraws rounds that their provider withdrew.
    WithdrawRounds = "withdraw_proficiency_rounds": [Manager] for ["move_proficiency_round"];
    /// Takes records out of the service as files; each export is on record.
    ExportRecords = "export_records": [Analyst, Manager, Auditor] for [
        "export_determination_workbook", "export_iron_result_workbook", "export_determinations", "export_determination_list", "export_control_chart",
        "export_validation_study", "bundle_determination", "bundle_iron_result", "bundle_titrant", "bundle_certificate",
        "bundle_control_chart", "bundle_validation_study", "bundle_period",
        "list_exports"];
    /// Takes look-backs out of the service, which are over everybody's results; each export is on record.
    ExportLookBacks = "export_look_backs": [Manager, Auditor] for ["export_uses", "export_uses_of_a_time", "export_what_if"];
    /// Takes the list of certificates out of the service, which names every customer; each export is on record.
    ExportCertificates = "export_certificates": [Manager, Auditor] for ["export_certificates"];

    /// Reads how burettes are read and what titrations came to, by person; an analyst sees their own.
    ReadReadingHabits = "read_reading_habits": [Analyst, Manager, Auditor] for ["read_reading_habits"];
    /// Reads the audit trail; analysts see their own events, administrators no contents.
    ReadAuditTrail = "read_audit_trail": [Analyst, Manager, Auditor, Administrator] for ["list_audit_events", "read_audit_event", "read_event_bytes"];
    /// Reads the lists that an auditor asks for, over everybody, and the reviews of the audit trail.
    ReadAuditLists = "read_audit_lists": [Manager, Auditor] for [
        "read_audit_list", "list_trail_reviews", "propose_trail_review", "read_trail_review"];
    /// Takes those lists out of the service; each export is on record.
    ExportAuditLists = "export_audit_lists": [Manager, Auditor] for ["export_audit_list"];
    /// Reviews the audit trail of the time since the last review, and signs that.
    ReviewTrail = "review_trail": [Manager, Auditor] for ["record_trail_review"];
    /// Reads tree heads and proofs.
    ReadProofs = "read_proofs": [Analyst, Manager, Auditor, Administrator] for [
        "list_tree_heads", "read_latest_tree_head", "prove_inclusion", "prove_consistency",
        "read_checkpoint", "read_event_proof", "list_witness_policies"];
    /// Decides who countersigns the heads of the audit log.
    DecideWitnesses = "decide_witnesses": [Manager] for ["record_witness_policy"];
}

/// Operations that need no account.
pub const OPEN_OPERATIONS: &[&str] = &[
    "sign_in",
    "refresh_session",
    "live",
    "ready",
    "read_metrics",
    "read_about",
    "read_seal_key",
    "read_verifier_key",
];

/// Acts that count because a second person does them, though no signature is asked for. An account whose password somebody else
/// had set does none of them until it is confirmed; signatures it is refused where the secret is asked.
pub const SECOND_PERSONS: &[Action] = &[
    Action::DecideRoleGrants,
    Action::ConfirmIdentities,
    Action::DecideCodeRules,
    Action::AuthoriseCompetence,
    Action::RecordEquipment,
    Action::ReleaseLots,
    Action::MoveTitrants,
    Action::ApproveMethods,
    Action::DefineCharts,
    Action::DisposeControlValues,
    Action::CloseNonconformities,
    Action::DecideImpacts,
    Action::WithdrawRounds,
    Action::DecideWitnesses,
];

/// Whether one of the roles may do the action.
#[must_use]
pub fn may(roles: &[Role], action: Action) -> bool {
    // Whoever signed in has an account of their own, also before anybody decided on a role.
    let own = action == Action::OwnAccount && roles.is_empty();
    own || roles.iter().any(|role| action.roles().contains(role))
}

/// Whether what is about persons is shown for the person only: to analysts who are nothing else.
#[must_use]
pub fn sees_only_own(roles: &[Role]) -> bool {
    !roles.iter().any(|role| matches!(role, Manager | Auditor))
}

/// Whether somebody takes out own data only: an analyst does, a manager or auditor takes out everything.
#[must_use]
pub fn exports_own_data_only(roles: &[Role]) -> bool {
    sees_only_own(roles)
}

/// Own data are records that somebody took part in: determinations opened or titrated, charts and studies contributed to.
#[must_use]
pub fn may_take_out(roles: &[Role], took_part: bool) -> bool {
    took_part || !exports_own_data_only(roles)
}
