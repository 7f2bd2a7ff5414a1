//! Everything the API can do for a role, that role can do on a page; what is for programs only says why.

use std::collections::{BTreeMap, BTreeSet};

use ferrotitre_base::auth::permissions::{Action, OPEN_OPERATIONS, Role};
use ferrotitre_tests::sources::{feature, is_page, service};
use serde_json::Value;

/// Where an operation is carried out.
enum Place {
    /// The page whose form does it.
    Page(&'static str),
    /// For programs only, and why.
    Programs(&'static str),
}

use Place::{Page, Programs};

/// Every operation that changes something or computes, with its place.
const PLACES: &[(&str, Place)] = &[
    ("amend_certificate", Page("/certificates/{number}/amendment")),
    ("amend_standardisation", Page("/standardisations/{id}/{step:approval|return|amendment}")),
    ("amend_titrant_preparation", Page("/titrants/{id}/preparation/amendment")),
    ("amend_determination", Page("/determinations/{id}/{step:approval|amendment}")),
    ("amend_iron_result", Page("/iron-results/{id}/{step:approval|amendment}")),
    ("amend_validation_limits", Page("/validation/characteristics/{id}/amendment")),
    ("approve_chart_phase", Page("/chart-phases/{id}/{step:approval|rejection}")),
    ("approve_decision_rule", Page("/decision-rules/{id}/{step:approval|rejection|withdrawal}")),
    ("approve_determination", Page("/determinations/{id}/{step:approval|amendment}")),
    ("approve_iron_result", Page("/iron-results/{id}/{step:approval|amendment}")),
    ("approve_several", Page("/signatures/approval")),
    ("approve_specification", Page("/specifications/{id}/{step:approval|rejection|withdrawal}")),
    ("approve_standardisation", Page("/standardisations/{id}/{step:approval|return|amendment}")),
    ("approve_validation_amendment", Page("/validation/amendments/{id}/{step:approval|rejection}")),
    ("approve_validation_conclusion", Page("/validation/{id}/{step:approval|rejection}")),
    ("approve_validation_exclusion", Page("/validation/exclusions/{id}/{step:approval|rejection}")),
    ("approve_validation_plan", Page("/validation/{id}/{step:plan-approval|plan-rejection}")),
    ("assign_specification", Page("/samples/{id}/specifications/new")),
    ("authorise_certificate", Page("/certificates/{number}/{step:authorisation|withdrawal}")),
    ("begin_control", Page("/charts/begin")),
    ("calculate", Page("/calculations/one")),
    ("change_own_password", Page("/account/password")),
    ("choose_messages", Page("/account/messages")),
    ("choose_one_time_codes", Page("/account/one-time-codes/choice")),
    ("close_nonconformity", Page("/nonconformities/{id}/closing")),
    ("close_run", Page("/runs/{id}/closing")),
    ("compute_run_lengths", Page("/charts/run-lengths")),
    ("conclude_validation_study", Page("/validation/{id}/conclusion")),
    ("confirm_identity", Page("/accounts/{id}/identity-confirmation")),
    ("correct_blank", Page("/runs/{id}/blanks/{blank}/correction")),
    ("correct_calibration", Page("/calibrations/{id}/correction")),
    ("correct_control_material", Page("/control-materials/{id}/correction")),
    ("correct_equipment", Page("/equipment/{id}/correction")),
    ("correct_equipment_check", Page("/equipment-checks/{id}/correction")),
    ("correct_laboratory", Page("/laboratory/description")),
    ("correct_primary_standard", Page("/stock/standards/{id}/correction")),
    ("correct_proficiency_round", Page("/proficiency-rounds/{id}/correction")),
    ("correct_qc_plan", Page("/qc-plans/{id}/correction")),
    ("correct_reagent", Page("/stock/reagents/{id}/correction")),
    ("correct_sample", Page("/samples/{id}/correction")),
    ("correct_standardisation_titration", Page("/standardisations/{id}/titrations/{titration}/correction")),
    ("correct_test_portion", Page("/samples/{id}/portions/{portion}/correction")),
    ("correct_titrant_preparation", Page("/titrants/{id}/preparation/correction")),
    ("correct_titration", Page("/titrations/{id}/correction")),
    ("countersign_determination", Page("/determinations/{id}/countersignature")),
    ("create_account", Page("/accounts/new")),
    ("create_people", Page("/accounts/several")),
    ("decide_code_rule", Page("/one-time-codes/decision")),
    ("decide_discordance", Page("/determinations/{id}/discordance-decision")),
    ("decide_standardisation_discordance", Page("/standardisations/{id}/discordance-decision")),
    ("decide_budget", Page("/methods/{id}/budget/decisions")),
    ("decide_impact", Page("/impacts/{id}/decisions")),
    ("decide_role_grant", Page("/role-grants/{id}/decision")),
    ("decide_several", Page("/decisions")),
    ("decide_role_grants", Page("/role-grants/decisions")),
    ("discard_certificate", Page("/certificates/{number}/discarding")),
    ("dispose_control_value", Page("/control-values/{id}/disposition")),
    ("draw_up_certificate", Page("/certificates/new")),
    ("end_webhook_endpoint", Page("/messages/endpoints/{id}/end")),
    ("end_one_time_codes", Page("/account/one-time-codes/end")),
    ("exclude_validation_datum", Page("/validation/data/{id}/exclusion")),
    ("import_control_table", Page("/charts/{id}/import-list")),
    ("preview_control_table", Page("/charts/{id}/import-list")),
    ("import_control_values", Page("/charts/{id}/import")),
    ("import_validation_data", Page("/validation/characteristics/{id}/import")),
    ("import_calibrations", Page("/calibrations/import")),
    ("import_equipment", Page("/equipment/import")),
    ("import_primary_standards", Page("/stock/standards/import")),
    ("import_reagents", Page("/stock/reagents/import")),
    ("import_samples", Page("/samples/import")),
    ("preview_calibrations", Page("/calibrations/import")),
    ("preview_equipment", Page("/equipment/import")),
    ("preview_primary_standards", Page("/stock/standards/import")),
    ("preview_reagents", Page("/stock/reagents/import")),
    ("preview_samples", Page("/samples/import")),
    ("finish_runs", Page("/runs/{id}/finish")),
    ("issue_service_token", Page("/service-tokens/new")),
    ("judge_blank", Page("/runs/{id}/blanks/{blank}/judgement")),
    ("move_account", Page("/accounts/{id}/moves")),
    ("move_control_chart", Page("/charts/{id}/closing")),
    ("move_control_material", Page("/control-materials/{id}/moves")),
    ("move_equipment", Page("/equipment/{id}/moves")),
    ("move_method", Page("/methods/{id}/moves")),
    ("move_nonconformity", Page("/nonconformities/{id}/moves")),
    ("move_primary_standard", Page("/stock/standards/{id}/moves")),
    ("move_proficiency_round", Page("/proficiency-rounds/{id}/moves")),
    ("move_reagent", Page("/stock/reagents/{id}/moves")),
    ("move_sample", Page("/samples/{id}/moves")),
    ("move_titrant", Page("/titrants/{id}/moves")),
    ("open_nonconformity", Page("/nonconformities/new")),
    ("open_run", Page("/runs/new")),
    ("open_runs", Page("/runs/begin")),
    ("preview_control_values", Page("/charts/{id}/import")),
    ("preview_validation_data", Page("/validation/characteristics/{id}/import")),
    ("propose_one_time_codes", Page("/account/one-time-codes")),
    ("propose_chart_phase", Page("/charts/{id}/phases/new")),
    ("record_blank", Page("/runs/{id}/blanks/new")),
    ("record_calibration", Page("/equipment/{id}/calibrations")),
    ("record_certificate_delivery", Page("/certificates/{number}/deliveries")),
    ("record_competence", Page("/accounts/{id}/competences")),
    ("record_competences", Page("/competences/new")),
    ("record_control_chart", Page("/charts/new")),
    ("record_control_material", Page("/control-materials/new")),
    ("record_control_value", Page("/charts/{id}/values/new")),
    ("record_decision_rule", Page("/decision-rules/new")),
    ("record_determination", Page("/runs/{id}/determinations/new")),
    ("record_equipment", Page("/equipment/new")),
    ("record_equipment_check", Page("/equipment/{id}/checks")),
    (
        "record_certificate_file",
        Programs("forms of calibrations and of primary standards keep the file that is chosen with what they record"),
    ),
    ("record_instrument_reading", Programs("an instrument sends it; what a person reads is entered where it is used")),
    ("record_iron_result", Page("/iron-results/new")),
    ("record_laboratory", Page("/laboratory/description")),
    ("record_mail_settings", Page("/messages/mail")),
    ("record_webhook_endpoint", Page("/messages/endpoints/new")),
    ("record_method", Page("/methods/new")),
    ("record_methods", Page("/methods/drafts")),
    ("record_nonconformity_step", Page("/nonconformities/{id}/steps")),
    ("record_primary_standard", Page("/stock/standards/new")),
    ("record_proficiency_round", Page("/proficiency-rounds/new")),
    ("record_qc_plan", Page("/qc-plans/new")),
    ("record_reagent", Page("/stock/reagents/new")),
    ("record_sample", Page("/samples/new")),
    ("record_sample_with_portions", Page("/samples/with-portions")),
    ("record_specification", Page("/specifications/new")),
    ("record_standardisation", Page("/titrants/{id}/standardisations/new")),
    ("record_standardisation_titration", Page("/standardisations/{id}/titrations/new")),
    ("record_test_portion", Page("/samples/{id}/portions/new")),
    ("record_titrant", Page("/titrants/new")),
    ("record_titrant_preparation", Page("/titrants/{id}/preparation")),
    ("record_titration", Page("/determinations/{id}/bench")),
    ("record_trail_review", Page("/audit/reviews/new")),
    ("record_witness_policy", Page("/audit/witnesses/new")),
    ("record_validation_data", Page("/validation/characteristics/{id}/data")),
    ("record_validation_study", Page("/validation/new")),
    ("refresh_session", Programs("a browser's session is renewed with its cookie while somebody works")),
    ("reject_chart_phase", Page("/chart-phases/{id}/{step:approval|rejection}")),
    ("reject_decision_rule", Page("/decision-rules/{id}/{step:approval|rejection|withdrawal}")),
    ("reject_run", Page("/runs/{id}/{step:release|rejection}")),
    ("reject_specification", Page("/specifications/{id}/{step:approval|rejection|withdrawal}")),
    ("reject_standardisation_titration", Page("/standardisations/{id}/titrations/{titration}/rejection")),
    ("reject_titration", Page("/titrations/{id}/rejection")),
    ("reject_validation_amendment", Page("/validation/amendments/{id}/{step:approval|rejection}")),
    ("reject_validation_conclusion", Page("/validation/{id}/{step:approval|rejection}")),
    ("reject_validation_exclusion", Page("/validation/exclusions/{id}/{step:approval|rejection}")),
    ("reject_validation_plan", Page("/validation/{id}/{step:plan-approval|plan-rejection}")),
    ("release_run", Page("/runs/{id}/{step:release|rejection}")),
    ("release_titrant", Page("/titrants/{id}/release")),
    ("remove_sample_specification", Page("/sample-specifications/{id}/removal")),
    ("reopen_nonconformity", Page("/nonconformities/{id}/reopening")),
    ("request_concession", Page("/concessions/new")),
    ("request_role_grant", Page("/accounts/{id}/role-grants")),
    ("reset_one_time_codes", Page("/accounts/{id}/one-time-codes/reset")),
    ("return_determination", Page("/determinations/{id}/{step:review|return}")),
    ("return_iron_result", Page("/iron-results/{id}/{step:review|return}")),
    ("return_standardisation", Page("/standardisations/{id}/{step:approval|return|amendment}")),
    ("return_validation_conclusion", Page("/validation/{id}/{step:review|return}")),
    ("review_determination", Page("/determinations/{id}/{step:review|return}")),
    ("review_iron_result", Page("/iron-results/{id}/{step:review|return}")),
    ("review_several", Page("/signatures/review")),
    ("review_validation_conclusion", Page("/validation/{id}/{step:review|return}")),
    ("revise_certificate", Page("/certificates/{number}/draft")),
    ("revise_decision_rule", Page("/decision-rules/{id}/revision")),
    ("revise_method", Page("/methods/{id}/revision")),
    ("revise_specification", Page("/specifications/{id}/revision")),
    ("revoke_service_token", Page("/service-tokens/{id}/revocation")),
    ("set_up_one_time_codes", Page("/account/one-time-codes")),
    ("set_provisional_password", Page("/accounts/{id}/provisional-password")),
    ("sign_concession", Page("/concessions/{id}/signature")),
    ("sign_in", Page("/sign-in")),
    ("end_own_session", Page("/account/sessions/{id}")),
    ("sign_out", Page("/sign-out")),
    ("send_test_message", Page("/messages/mail/test")),
    ("submit_determination", Page("/determinations/{id}/submission")),
    ("submit_iron_result", Page("/iron-results/{id}/submission")),
    ("submit_several", Page("/signatures/submission")),
    ("submit_standardisation", Page("/standardisations/{id}/submission")),
    ("withdraw_certificate", Page("/certificates/{number}/{step:authorisation|withdrawal}")),
    ("withdraw_decision_rule", Page("/decision-rules/{id}/{step:approval|rejection|withdrawal}")),
    ("withdraw_specification", Page("/specifications/{id}/{step:approval|rejection|withdrawal}")),
];

/// Pages that post and are no operation of the API.
const PAGES_ONLY: &[(&str, &str)] = &[
    ("/set-up", "makes the first people of an empty store; a program has the command line for that"),
    ("/first-sign-in", "signs in and changes a provisional password; a program does the one and then the other"),
    ("/look", "how the pages of one browser look is a cookie of that browser"),
    ("/what-if", "turns what is entered into the address of an answer, which the API computes at once"),
    ("/validation/characteristics/{id}/determinations", "a second way to record_validation_data"),
    ("/validation/characteristics/{id}/iron-results", "a third way to record_validation_data"),
];

/// Pages that post, with the actions their handlers ask for and the text of their feature's pages.
fn posting() -> BTreeMap<String, (Vec<Action>, String)> {
    let files: Vec<_> = service().into_iter().filter(|(name, _)| is_page(name)).collect();
    let mut texts: BTreeMap<String, String> = BTreeMap::new();
    for (name, file) in &files {
        texts.entry(feature(name)).or_default().push_str(&std::fs::read_to_string(file).unwrap());
    }
    let of = |feature: &str| texts.get(feature).cloned().unwrap_or_default();
    // Forms of all features are made of these.
    let shared: String =
        texts.iter().filter(|(feature, _)| feature.starts_with("html")).map(|(_, text)| text.as_str()).collect();
    let shared = format!("{shared}{}", of("ledger/imports"));
    let mut found = BTreeMap::new();
    for (name, file) in &files {
        let text = std::fs::read_to_string(file).unwrap();
        for part in text.split("#[post(\"").skip(1) {
            let (pattern, after) = part.split_once('"').unwrap();
            let (signature, _) = after.split_once("-> ").unwrap();
            let named = signature.split("Allowed<").skip(1).map(|part| part.split('>').next().unwrap());
            let action = |name: &str| Action::ALL.iter().copied().find(|action| format!("{action:?}") == name).unwrap();
            let sources = format!("{}{shared}", texts[&feature(name)]);
            found.insert(pattern.to_owned(), (named.map(action).collect(), sources));
        }
    }
    found
}

fn document() -> Value {
    serde_json::from_str(&ferrotitre_api::openapi::text()).unwrap()
}

/// Operations of the document that do more than read, with the schema of what they take.
fn operations(document: &Value) -> BTreeMap<String, Value> {
    let mut found = BTreeMap::new();
    for (_, item) in document["paths"].as_object().unwrap() {
        for (_, operation) in item.as_object().unwrap().iter().filter(|(method, _)| *method != "get") {
            let body = operation.pointer("/requestBody/content/application~1json/schema").cloned();
            found.insert(operation["operationId"].as_str().unwrap().to_owned(), body.unwrap_or_default());
        }
    }
    found
}

/// Names of what is entered: fields without fields of their own.
fn entered(document: &Value, schema: &Value, open: &mut Vec<String>, found: &mut BTreeSet<String>) {
    if let Some(reference) = schema["$ref"].as_str() {
        if !open.iter().any(|one| one == reference) {
            open.push(reference.to_owned());
            entered(document, document.pointer(reference.trim_start_matches('#')).unwrap(), open, found);
            open.pop();
        }
        return;
    }
    let parts = ["allOf", "oneOf", "anyOf"].iter().flat_map(|list| schema[*list].as_array().into_iter().flatten());
    for part in parts.chain(schema.get("items")) {
        entered(document, part, open, found);
    }
    for (name, property) in schema["properties"].as_object().into_iter().flatten() {
        let before = found.len();
        let mut inside = BTreeSet::new();
        entered(document, property, open, &mut inside);
        if inside.is_empty() {
            found.insert(name.clone());
        }
        found.extend(inside);
        assert!(found.len() >= before);
    }
}

/// Whether a word stands in a text by itself.
fn names(text: &str, word: &str) -> bool {
    let part = |letter: Option<char>| letter.is_some_and(|letter| letter.is_alphanumeric() || letter == '_');
    text.match_indices(word)
        .any(|(at, _)| !part(text[..at].chars().next_back()) && !part(text[at + word.len()..].chars().next()))
}

#[test]
fn every_operation_has_its_page_and_every_form_its_operation() {
    let pages = posting();
    let operations = operations(&document());
    let placed: BTreeMap<&str, &Place> = PLACES.iter().map(|(id, place)| (*id, place)).collect();
    assert_eq!(placed.len(), PLACES.len(), "an operation is placed twice");
    let unplaced: Vec<&String> = operations.keys().filter(|id| !placed.contains_key(id.as_str())).collect();
    assert_eq!(unplaced, Vec::<&String>::new(), "say on which page these can be done, or why on none");
    let gone: Vec<&&str> = placed.keys().filter(|id| !operations.contains_key(**id)).collect();
    assert_eq!(gone, Vec::<&&str>::new(), "no such operations");
    let mut used: BTreeSet<&str> = PAGES_ONLY.iter().map(|(page, _)| *page).collect();
    for (id, place) in &placed {
        let page = match place {
            Page(page) => *page,
            Programs(why) => {
                assert!(why.len() > 20, "{id}: {why}");
                continue;
            }
        };
        let (guards, _) = pages.get(page).unwrap_or_else(|| panic!("{id}: no form at {page}"));
        used.insert(page);
        if OPEN_OPERATIONS.contains(id) {
            continue;
        }
        let action = Action::ALL.iter().find(|action| action.operations().contains(id)).unwrap();
        // An instrument has no pages.
        for role in action.roles().iter().filter(|role| **role != Role::Instrument) {
            let may = guards.iter().all(|guard| guard.roles().contains(role));
            assert!(may, "{id}: {} may do it, but not on {page}", role.text());
        }
    }
    let strays: Vec<&String> = pages.keys().filter(|page| !used.contains(page.as_str())).collect();
    assert_eq!(strays, Vec::<&String>::new(), "forms that are no operation");
}

#[test]
fn every_field_of_an_operation_is_on_the_pages_of_its_feature() {
    let pages = posting();
    let document = document();
    let mut absent = Vec::new();
    for (id, schema) in operations(&document) {
        let Some((_, Page(page))) = PLACES.iter().find(|(placed, _)| *placed == id) else { continue };
        let (_, text) = &pages[*page];
        let mut fields = BTreeSet::new();
        entered(&document, &schema, &mut Vec::new(), &mut fields);
        absent.extend(fields.into_iter().filter(|field| !names(text, field)).map(|field| format!("{id}: {field}")));
    }
    assert_eq!(absent, Vec::<String>::new());
}
