//! Specifications and decision rules: approval, assignment, statements of conformity, risks.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, minutes_ago, text};
use ferrotitre_tests::demo::nobody_and_auditor;
use serde_json::{Value, json};

use crate::lab::{Lab, method_with, rules, sign};

pub(crate) fn guarded(code: &str, multiple: &str) -> Value {
    json!({
        "code": code, "title": "guard band against wrong acceptance", "kind": "guard band of u", "multiple": multiple,
        "one_sided_level": "0.95", "source": "agreed with the client",
    })
}

pub(crate) fn simple(code: &str) -> Value {
    json!({ "code": code, "title": "simple acceptance", "kind": "simple acceptance", "source": "control of a process" })
}

pub(crate) fn at_most(code: &str, upper: &str, rule: &str) -> Value {
    json!({
        "code": code, "title": "Iron(II) in the bath", "scope": "bath to be renewed above the limit",
        "client_reference": "pickling line", "matrix": "hydrochloric pickling bath", "analyte": "iron(II)",
        "unit": "g/L", "upper": upper, "decision_rule": rule, "effective_from": minutes_ago(600),
    })
}

/// Drafted by an analyst, approved by a manager; answers with identity and version.
pub(crate) async fn approved(app: &TestApp, path: &str, facts: &Value) -> (String, String) {
    let draft = app.analyst.post(path, facts).await.expect(201);
    let id = text(&draft, "id");
    let signed = sign(&app.manager, &format!("{path}/{id}"), "approval", None).await.expect(201);
    assert_eq!((&signed["state"], &signed["sign_offs"][0]["meaning"]), (&json!("approved"), &json!("approved")));
    (id, text(&draft, "version_id"))
}

pub(crate) async fn assign(app: &TestApp, sample: &str, version: &str) -> Value {
    let new = json!({ "specification": version });
    app.analyst.post(&format!("/samples/{sample}/specifications"), &new).await.expect(201)
}

#[track_caller]
pub(crate) fn near(found: &Value, expected: f64, tolerance: f64) {
    let found = found.as_f64().unwrap();
    assert!((found - expected).abs() <= tolerance, "{found} is not {expected}");
}

async fn portion_of(lab: &Lab, sample: &str, pipette: &str) -> String {
    let portion = json!({
        "pipette": pipette, "dilution": [{ "flask": lab.bench.flask_250 }], "aliquot_pipette": lab.bench.pipette_25,
        "observed_at": minutes_ago(50),
    });
    text(&lab.app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201), "id")
}

/// A determination of iron(II) by a method, in a run of its own that is then closed.
async fn determined(lab: &Lab, method: &str, portion: &str, titres: &[&str]) -> String {
    let run = lab.run(method).await;
    let new = json!({ "run": run, "portion": portion, "purpose": "sample", "observed_at": minutes_ago(44) });
    let determination = text(&lab.app.analyst.post("/determinations", &new).await.expect(201), "id");
    for last in titres {
        lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
    }
    lab.close(&run).await;
    determination
}

fn figure(determination: &Value) -> (f64, f64) {
    let figures = determination["evaluation"]["figures"].as_array().unwrap();
    let found = figures.iter().find(|figure| figure["unit"] == "g/L" && figure["expressed"] == "Fe").unwrap();
    (found["value"].as_f64().unwrap(), found["u"].as_f64().unwrap())
}

/// The sample of independent computation: y = 119.5 g/L with u = 0.55 g/L; its identity and that of the determination, not submitted.
pub(crate) async fn bath_of_the_vector(lab: &Lab, before: impl AsyncFnOnce(&str)) -> (String, String) {
    bath_by_a_method_with(lab, None, before).await
}

/// The same by a method M9 that names a decision rule of its own.
pub(crate) async fn bath_by_a_method_with(
    lab: &Lab,
    rule: Option<&str>,
    before: impl AsyncFnOnce(&str),
) -> (String, String) {
    let app = &lab.app;
    let facts = bench::equipment("P10-V", "pipette", "10", None);
    // So that two titres of 21.40 mL come to 119.5 g/L; the test sees whether they do.
    let pipette = bench::install(app, &facts, &bench::calibration(Some("10.00198"), "0.010")).await;
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-V")).await.expect(201), "id");
    let portion = portion_of(lab, &sample, &pipette).await;
    let first = determined(lab, &lab.iron2, &portion, &["21.40", "21.40"]).await;
    let path = format!("/determinations/{first}");
    let (y, u) = figure(&app.auditor.get(&path).await.expect(200));
    // The end point's share of u is y/V times its own, 0.01 mL in that method: enlarged until u is 0.55 g/L.
    let per_ml = y / 21.40;
    let end_point = (0.55_f64.powi(2) - u.powi(2) + (0.01 * per_ml).powi(2)).sqrt() / per_ml;
    let mut rules = rules();
    rules["end_point_u_ml"] = json!(format!("{end_point:.9}"));
    if let Some(rule) = rule {
        rules["decision_rule"] = json!(rule);
    }
    let method = method_with(app, ("M9", "iron(II)", "none"), rules).await;
    before(&sample).await;
    let determination = determined(lab, &method, &portion, &["21.40", "21.40"]).await;
    (sample, determination)
}

#[tokio::test(flavor = "multi_thread")]
async fn the_requirement_s_vector_from_the_burette_to_the_statement() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let rule = approved(app, "/decision-rules", &guarded("DR-1", "1.645")).await.1;
    let with_u = json!({
        "code": "DR-2", "title": "one U", "kind": "guard band of U", "multiple": "1", "source": "agreed", "conditional": "not proven",
    });
    let with_u = approved(app, "/decision-rules", &with_u).await.1;
    let likely = json!({
        "code": "DR-3", "title": "eight in ten", "kind": "conformance probability", "least_probability": "0.8",
        "compared": "reported", "source": "agreed",
    });
    let likely = approved(app, "/decision-rules", &likely).await.1;
    let mut versions = Vec::new();
    for (code, upper, rule) in [
        ("SP-1", "120", &rule),
        ("SP-2", "120.0", &with_u),
        ("SP-3", "120", &likely),
        ("SP-4", "119.0", &rule),
        ("SP-5", "150", &rule),
    ] {
        versions.push(approved(app, "/specifications", &at_most(code, upper, rule)).await.1);
    }
    let (sample, determination) = bath_of_the_vector(&lab, async |sample: &str| {
        for version in &versions {
            assign(app, sample, version).await;
        }
    })
    .await;
    let path = format!("/determinations/{determination}");
    lab.through(&path).await;
    let read = app.auditor.get(&path).await.expect(200);
    let of =
        |code: &str| read["conformity"].as_array().unwrap().iter().find(|one| one["code"] == code).unwrap().clone();
    // Independent computation: T_U = 120 g/L, u = 0.55: A = 119.095; y = 119.5 gives p_c = 0.818.
    let first = of("SP-1");
    let decided = &first["decided"];
    near(&decided["value"], 119.5, 0.001);
    near(&decided["u"], 0.55, 1e-6);
    near(&decided["upper_acceptance"], 119.095, 0.0005);
    near(&decided["conformance_probability"], 0.818, 0.0005);
    assert_eq!(
        [
            &decided["outcome"],
            &decided["outcome_name"],
            &decided["deciding_limit"],
            &decided["conformance_probability_text"]
        ],
        [&json!("conditional"), &json!("conditional"), &json!("upper"), &json!("81.8 %")]
    );
    assert_eq!((&first["upper"], &first["assigned_after_approval"]), (&json!("120"), &json!(false)));
    assert!(text(&first, "statement").contains("by decision rule DR-1 v1"), "{first}");
    assert!(text(&first, "risk").contains("at most 5.0 %"), "{first}");
    // By hand, with k = 2: 120 − 1.1 = 118.9; the limit as entered, the outcome by its own name.
    let second = of("SP-2");
    near(&second["decided"]["upper_acceptance"], 118.9, 1e-5);
    assert_eq!((&second["decided"]["outcome_name"], &second["upper"]), (&json!("not proven"), &json!("120.0")));
    // 0.818 is at least 0.8; the reported value is compared, rounded to the place of U.
    let third = of("SP-3");
    assert_eq!(third["decided"]["outcome"], "conforms");
    assert_eq!(third["decided"]["value"].as_f64().unwrap().to_string(), text(&read["evaluation"]["reported"], "value"));
    assert_eq!(of("SP-4")["decided"]["outcome"], "does not conform");
    assert_eq!(of("SP-5")["decided"]["conformance_probability_text"], "> 99.9 %");
    // The same figures where numbers of one's own are asked about.
    let asked = json!({ "value": 119.5, "u": 0.55, "upper": 120, "guard": { "one_sided_95": true } });
    let answer = app.analyst.post("/calculations/conformity", &asked).await.expect(200);
    near(&answer["result"]["upper_acceptance"], 119.095, 0.0005);
    near(&answer["result"]["decision"]["conformance_probability"], 0.818, 0.0005);
    // What a sample was given is audited like any record.
    let held = app.auditor.get(&format!("/samples/{sample}/specifications")).await.expect(200);
    let events = format!("/audit-events?entity_id={}", text(&held[0], "id"));
    let events = app.auditor.get(&events).await.expect(200);
    assert_eq!(
        (&events["items"][0]["entity_kind"], &events["items"][0]["action"]),
        (&json!("sample_specifications"), &json!("assign_specifications"))
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_a_rule_or_a_specification_is_refused_with_its_field() {
    let app = TestApp::start().await;
    let refused = async |path: &str, facts: &Value, field: &str, rule: &str| {
        let problem = app.analyst.post(path, facts).await.refused(422, "invalid_input");
        let fields = problem["errors"].as_array().unwrap();
        assert!(fields.iter().any(|one| one["field"] == field && one["rule"] == rule), "{field} {rule}: {problem}");
    };
    let rules = "/decision-rules";
    for probability in ["0", "1", "1.2", "-0.5"] {
        let facts = json!({
            "code": "DR-P", "title": "by probability", "kind": "conformance probability", "least_probability": probability,
            "source": "agreed",
        });
        refused(rules, &facts, "least_probability", "range").await;
    }
    let with = |field: &str, value: Value| {
        let mut facts = guarded("DR-1", "1.645");
        facts[field] = value;
        facts
    };
    refused(rules, &with("one_sided_level", json!("0.99")), "one_sided_level", "level").await;
    refused(rules, &with("one_sided_level", Value::Null), "one_sided_level", "kind").await;
    refused(rules, &with("multiple", json!("0")), "multiple", "range").await;
    refused(rules, &with("least_probability", json!("0.9")), "least_probability", "kind").await;
    refused(rules, &with("kind", json!("rule of thumb")), "kind", "one_of").await;
    refused(rules, &with("conditional", json!("conforms")), "conditional", "different").await;
    refused(rules, &with("compared", json!("both")), "compared", "one_of").await;

    let (rule_id, rule) = approved(&app, rules, &guarded("DR-1", "1.645")).await;
    app.analyst.post(rules, &guarded("DR-1", "1.645")).await.refused(409, "already_exists");
    let specifications = "/specifications";
    let with = |changes: Value| {
        let mut facts = at_most("SP-1", "120", &rule);
        facts.as_object_mut().unwrap().extend(changes.as_object().unwrap().clone());
        facts
    };
    refused(specifications, &with(json!({ "lower": "120.5" })), "upper", "order").await;
    refused(specifications, &with(json!({ "lower": "120.0" })), "upper", "order").await;
    refused(specifications, &with(json!({ "upper": null })), "upper", "a_limit").await;
    refused(specifications, &with(json!({ "unit": "ppm" })), "unit", "one_of").await;
    refused(specifications, &with(json!({ "analyte": "copper" })), "analyte", "one_of").await;
    refused(specifications, &with(json!({ "effective_to": minutes_ago(700) })), "effective_to", "order").await;
    let nowhere = with(json!({ "decision_rule": "00000000-0000-7000-8000-000000000000" }));
    app.analyst.post(specifications, &nowhere).await.refused(422, "unknown_reference");
    // A draft of a rule is no rule yet.
    let draft = app.manager.post(rules, &simple("DR-2")).await.expect(201);
    let early = with(json!({ "decision_rule": text(&draft, "version_id") }));
    app.analyst.post(specifications, &early).await.refused(422, "item_not_released");
    // Nobody approves their own, an analyst none; a signature needs the password and is over what was looked at.
    let path = format!("{rules}/{}", text(&draft, "id"));
    sign(&app.manager, &path, "approval", None).await.refused(403, "own_record");
    sign(&app.manager, &path, "rejection", Some("not needed after all")).await.refused(403, "own_record");
    sign(&app.analyst, &path, "approval", None).await.refused(403, "forbidden");
    let approval = format!("{path}/approval");
    app.manager2.post(&approval, &json!({ "password": "not the password" })).await.refused(403, "secret_wrong");
    let stale = json!({ "password": app.manager2.password, "content_digest": "0".repeat(64) });
    app.manager2.post(&approval, &stale).await.refused(412, "stale_version");
    sign(&app.manager2, &path, "rejection", None).await.refused(422, "invalid_input");
    let rejected = sign(&app.manager2, &path, "rejection", Some("the guarded rule is enough")).await.expect(201);
    assert_eq!(rejected["state"], "rejected");
    sign(&app.manager2, &path, "approval", None).await.refused(409, "illegal_move");
    // The next version names the one it follows and keeps its code.
    let corrections = format!("{rules}/{rule_id}/corrections");
    let next = json!({ "reason": "another level agreed", "facts": guarded("DR-1", "1.65") });
    app.analyst.post(&corrections, &next).await.refused(428, "version_required");
    let other = json!({ "reason": "another level agreed", "facts": guarded("DR-9", "1.65") });
    app.analyst.post_if_match(&corrections, &rule, &other).await.refused(422, "invalid_input");
    let second = app.analyst.post_if_match(&corrections, &rule, &next).await.expect(201);
    app.analyst.post_if_match(&corrections, &rule, &next).await.refused(412, "stale_version");
    let again = app.analyst.post_if_match(&corrections, &text(&second, "version_id"), &next).await;
    again.refused(409, "state_conflict");
    // Who may not.
    app.auditor.post(rules, &simple("DR-3")).await.refused(403, "forbidden");
    app.administrator.post(specifications, &with(json!({}))).await.refused(403, "forbidden");
    let assignment = json!({ "specification": rule });
    app.auditor.post(&format!("/samples/{rule_id}/specifications"), &assignment).await.refused(403, "forbidden");
}

#[tokio::test(flavor = "multi_thread")]
async fn assignments_are_of_approved_versions_in_the_unit_of_the_results_and_end_with_a_reason() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-A")).await.expect(201), "id");
    let assignments = format!("/samples/{sample}/specifications");
    let rule = approved(app, "/decision-rules", &simple("DR-1")).await.1;
    let portion = portion_of(&lab, &sample, &lab.bench.pipette_10).await;
    let determination = determined(&lab, &lab.iron2, &portion, &[]).await;
    let mut milligrams = at_most("SP-MG", "120000", &rule);
    milligrams["unit"] = json!("mg/L");
    let milligrams = approved(app, "/specifications", &milligrams).await.1;
    let problem = app.analyst.post(&assignments, &json!({ "specification": milligrams })).await;
    let problem = problem.refused(422, "invalid_input");
    let said = problem["errors"][0]["message"].as_str().unwrap();
    assert!(said.contains("mg/L") && said.contains("g/L as Fe"), "{said}");
    assert_eq!(problem["errors"][0]["rule"], "same_unit");
    let draft = app.analyst.post("/specifications", &at_most("SP-D", "120", &rule)).await.expect(201);
    let early = json!({ "specification": draft["version_id"] });
    app.analyst.post(&assignments, &early).await.refused(422, "item_not_released");
    let mut over = at_most("SP-O", "120", &rule);
    over["effective_to"] = json!(minutes_ago(5));
    let over = approved(app, "/specifications", &over).await.1;
    app.analyst.post(&assignments, &json!({ "specification": over })).await.refused(422, "item_expired");
    let (id, version) = approved(app, "/specifications", &at_most("SP-1", "120", &rule)).await;
    let given = assign(app, &sample, &version).await;
    assert_eq!((&given["code"], &given["limits"]), (&json!("SP-1"), &json!("at most 120 g/L")));
    app.analyst.post(&assignments, &json!({ "specification": version })).await.refused(409, "already_exists");
    // No result stands yet.
    let read = app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    let statement = &read["conformity"][0];
    assert!(statement["decided"].is_null(), "{statement}");
    assert!(text(statement, "statement").starts_with("not enough data"), "{statement}");
    // A control is judged by its chart, not by limits of a client; another analyte not by these.
    let removal = format!("/sample-specifications/{}/removal", text(&given, "id"));
    app.analyst.post(&removal, &json!({ "reason": "no" })).await.refused(422, "invalid_input");
    let removed = app.analyst.post(&removal, &json!({ "reason": "another bath was meant" })).await.expect(201);
    assert_eq!(removed["removed"]["reason"], "another bath was meant");
    app.analyst.post(&removal, &json!({ "reason": "another bath was meant" })).await.refused(409, "state_conflict");
    let read = app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    assert_eq!(read["conformity"], json!([]));
    let all = app.auditor.get(&assignments).await.expect(200);
    assert_eq!(all.as_array().unwrap().len(), 1, "both rows stay");
    // A withdrawn specification is given to nobody any more.
    let path = format!("/specifications/{id}");
    sign(&app.manager, &path, "withdrawal", None).await.refused(422, "invalid_input");
    let withdrawn = sign(&app.manager, &path, "withdrawal", Some("the contract has ended")).await.expect(201);
    assert_eq!(withdrawn["state"], "withdrawn");
    app.analyst.post(&assignments, &json!({ "specification": version })).await.refused(422, "item_not_released");
    let nobody = format!("/samples/{id}/specifications");
    app.analyst.post(&nobody, &json!({ "specification": version })).await.refused(404, "not_found");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_later_version_leaves_earlier_statements_as_they_were_and_late_ones_say_so() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-L")).await.expect(201), "id");
    let portion = portion_of(&lab, &sample, &lab.bench.pipette_10).await;
    let (rule_id, rule) = approved(app, "/decision-rules", &simple("DR-1")).await;
    let (id, version) = approved(app, "/specifications", &at_most("SP-1", "120", &rule)).await;
    let given = assign(app, &sample, &version).await;
    let determination = determined(&lab, &lab.iron2, &portion, &["21.40", "21.40"]).await;
    let path = format!("/determinations/{determination}");
    lab.through(&path).await;
    let statement = async |index: usize| {
        let mut found = app.auditor.get(&path).await.expect(200)["conformity"][index].clone();
        let as_of = found.as_object_mut().unwrap().remove("as_of");
        assert!(as_of.is_some());
        found
    };
    let before = statement(0).await;
    assert_eq!(before["decided"]["outcome"], "conforms");
    // Both the rule and the limit change; the version given to the sample stays.
    let next = json!({ "reason": "risk to be limited", "facts": guarded("DR-1", "1.645") });
    let next =
        app.analyst.post_if_match(&format!("/decision-rules/{rule_id}/corrections"), &rule, &next).await.expect(201);
    sign(&app.manager, &format!("/decision-rules/{rule_id}"), "approval", None).await.expect(201);
    let rules = app.auditor.get(&format!("/decision-rules/{rule_id}")).await.expect(200);
    assert_eq!(
        (&rules["versions"][0]["state"], &rules["versions"][1]["state"]),
        (&json!("superseded"), &json!("approved"))
    );
    let lower = json!({ "reason": "limit lowered", "facts": at_most("SP-1", "119", &text(&next, "version_id")) });
    let corrections = format!("/specifications/{id}/corrections");
    let second = app.analyst.post_if_match(&corrections, &version, &lower).await.expect(201);
    // The one in force stays so until the next is approved.
    let held = app.auditor.get(&format!("/specifications/{id}")).await.expect(200);
    assert_eq!((&held["versions"][0]["state"], &held["versions"][1]["state"]), (&json!("approved"), &json!("draft")));
    sign(&app.manager, &format!("/specifications/{id}"), "approval", None).await.expect(201);
    assert_eq!(statement(0).await, before);
    // Taken off after the approval, it is still shown, with when; given anew, the new version is late.
    let removal = format!("/sample-specifications/{}/removal", text(&given, "id"));
    let _ = app.analyst.post(&removal, &json!({ "reason": "the limit was lowered" })).await.expect(201);
    assert!(statement(0).await["removed_at"].is_string());
    assign(app, &sample, &text(&second, "version_id")).await;
    let late = statement(1).await;
    assert_eq!(
        [&late["version"], &late["assigned_after_approval"], &late["decided"]["outcome"]],
        [&json!(2), &json!(true), &json!("does not conform")]
    );
    assert_eq!(late["rule"], "DR-1 v2: guard band of 1.645 u, one-sided level 0.95");
    assert_eq!(statement(0).await["assigned_after_approval"], false);
}

#[tokio::test(flavor = "multi_thread")]
async fn risks_of_a_process_as_given_and_not_enough_data_for_the_record() {
    let app = TestApp::start().await;
    let with_u =
        json!({ "code": "DR-1", "title": "one U", "kind": "guard band of U", "multiple": "1", "source": "agreed" });
    let rule = approved(&app, "/decision-rules", &with_u).await.1;
    let id = approved(&app, "/specifications", &at_most("SP-1", "120", &rule)).await.0;
    let path = format!("/specifications/{id}/risk");
    let problem = app.auditor.get(&path).await.refused(422, "not_enough_data");
    assert!(text(&problem, "detail").contains("needs at least 10 approved results"), "{problem}");
    let risk = app.auditor.get(&format!("{path}?mean=118&sd=1.2&u=0.55")).await.expect(200);
    // Simpson's rule with 40 000 steps and the C library's erfc, elsewhere: w = 0.
    near(&risk["by_guard_band"][0]["consumer"], 0.011_619_284_945_726_751, 1e-10);
    near(&risk["by_guard_band"][0]["producer"], 0.028_701_455_870_770_703, 1e-10);
    near(&risk["of_rule"]["w"], 1.0, 1e-12);
    near(&risk["of_rule"]["upper_acceptance"], 118.9, 1e-12);
    near(&risk["of_rule"]["consumer"], risk["by_guard_band"][10]["consumer"].as_f64().unwrap(), 1e-15);
    let at_limit = risk["curve"].as_array().unwrap().iter().find(|point| point["y"] == json!(120.0)).unwrap();
    near(&at_limit["conformance_probability"], 0.5, 1e-12);
    let picture = app.auditor.get(&format!("{path}.svg?mean=118&sd=1.2&u=0.55")).await;
    assert!(picture.status == 200 && picture.text.contains("risk against guard band"), "{}", picture.text);
    let pixels = app.auditor.get(&format!("{path}.png?mean=118&sd=1.2&u=0.55")).await;
    assert_eq!((pixels.status, &pixels.bytes[1..4]), (200, &b"PNG"[..]));
    app.auditor.get(&format!("{path}?mean=118&sd=-1&u=0.55")).await.refused(422, "invalid_input");
    let asked = json!({ "upper": 120, "u": 0.55, "process": { "mean": 118, "sd": 1.2 }, "widths": [0, 1] });
    let answer = app.analyst.post("/calculations/decision-risk", &asked).await.expect(200);
    near(&answer["result"]["by_guard_band"][0]["risk"]["consumer"], 0.011_619_284_945_726_751, 1e-10);
}

#[tokio::test(flavor = "multi_thread")]
async fn ten_approved_results_describe_the_process_and_nine_do_not() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-R")).await.expect(201), "id");
    let portion = portion_of(&lab, &sample, &lab.bench.pipette_10).await;
    let rule = approved(app, "/decision-rules", &guarded("DR-1", "1.645")).await.1;
    let (id, version) = approved(app, "/specifications", &at_most("SP-1", "120", &rule)).await;
    assign(app, &sample, &version).await;
    let run = lab.run(&lab.iron2).await;
    let mut all = Vec::new();
    for last in ["20.80", "21.00", "21.20", "21.40", "20.90", "21.10", "21.30", "20.70", "21.50", "21.02"] {
        let new = json!({ "run": run, "portion": portion, "purpose": "sample", "observed_at": minutes_ago(44) });
        let determination = text(&app.analyst.post("/determinations", &new).await.expect(201), "id");
        for _ in 0..2 {
            lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
        }
        all.push(determination);
    }
    lab.close(&run).await;
    let path = format!("/specifications/{id}/risk");
    for (index, determination) in all.iter().enumerate() {
        if index == 9 {
            let problem = app.auditor.get(&path).await.refused(422, "not_enough_data");
            assert!(text(&problem, "detail").contains("there are 9"), "{problem}");
        }
        lab.through(&format!("/determinations/{determination}")).await;
    }
    let mut results = Vec::new();
    for determination in &all {
        results.push(figure(&app.auditor.get(&format!("/determinations/{determination}")).await.expect(200)));
    }
    // Mean and sample variance of the ten; what the measurement adds is taken off the spread.
    let mean = results.iter().map(|(y, _)| y).sum::<f64>() / 10.0;
    let variance = results.iter().map(|(y, _)| (y - mean).powi(2)).sum::<f64>() / 9.0;
    let own = results.iter().map(|(_, u)| u * u).sum::<f64>() / 10.0;
    let risk = app.auditor.get(&path).await.expect(200);
    near(&risk["process"]["mean"], mean, 1e-9);
    near(&risk["process"]["sd"], (variance - own).sqrt(), 1e-9);
    near(&risk["process"]["u"], own.sqrt(), 1e-9);
    assert_eq!(risk["process"]["results"], 10);
    // What is given goes before what the record shows.
    let mixed = app.auditor.get(&format!("{path}?u=0.55")).await.expect(200);
    assert_eq!((&mixed["process"]["u"], &mixed["process"]["results"]), (&json!(0.55), &json!(10)));
    near(&mixed["of_rule"]["upper_acceptance"], 119.095, 0.0005);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_demo_s_bath_is_judged_by_two_clients_with_three_outcomes() {
    let (_, auditor) = nobody_and_auditor().await;
    let result = &auditor.get("/iron-results").await.expect(200)["items"][0];
    let outcome = |code: &str| {
        let all = result["conformity"].as_array().unwrap();
        let one = all
            .iter()
            .find(|one| one["code"] == code)
            .unwrap_or_else(|| panic!("no {code} in {}", result["conformity"]));
        (text(&one["decided"], "outcome"), one["assigned_after_approval"] == true)
    };
    assert_eq!(outcome("SP-1"), ("conditional".to_owned(), false), "{}", result["conformity"]);
    assert_eq!(outcome("SP-2"), ("does not conform".to_owned(), false));
    assert_eq!(outcome("SP-3"), ("conforms".to_owned(), true));
}
