//! A method version's own decision rule: it judges where a specification names none, and nothing is made up where neither does.

use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::client::Answer;
use serde_json::{Value, json};

use crate::lab::{Lab, method_with, rules, sign};
use crate::pages::Visitor;
use crate::specifications::{approved, assign, at_most, bath_by_a_method_with, guarded, near, simple};

/// Iron(II) at most so much, by whatever rule the method has.
fn without_rule(code: &str, upper: &str) -> Value {
    let mut facts = at_most(code, upper, "");
    facts["decision_rule"] = Value::Null;
    facts
}

fn of<'a>(read: &'a Value, code: &str) -> &'a Value {
    let all = read["conformity"].as_array().unwrap();
    all.iter().find(|one| one["code"] == code).unwrap_or_else(|| panic!("no {code} in {}", read["conformity"]))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_specification_without_a_rule_goes_by_the_method_version_and_says_so_everywhere() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (rule_id, rule) = approved(app, "/decision-rules", &guarded("DR-1", "1.645")).await;
    let own = approved(app, "/decision-rules", &simple("DR-2")).await.1;
    let (id, version) = approved(app, "/specifications", &without_rule("SP-1", "120")).await;
    let named = approved(app, "/specifications", &at_most("SP-2", "120", &own)).await.1;
    let (sample, determination) = bath_by_a_method_with(&lab, Some(&rule), async |sample: &str| {
        assign(app, sample, &named).await;
        let given = assign(app, sample, &version).await;
        assert_eq!(given["rule"], "that of the method version");
    })
    .await;
    let path = format!("/determinations/{determination}");
    lab.through(&path).await;
    let read = app.auditor.get(&path).await.expect(200);
    // Independent computation: T_U = 120 g/L, u = 0.55 g/L, guard band 1.645 u: A = 119.095; y = 119.5 gives p_c = 0.818.
    let by_method = of(&read, "SP-1");
    near(&by_method["decided"]["upper_acceptance"], 119.095, 0.0005);
    near(&by_method["decided"]["conformance_probability"], 0.818, 0.0005);
    assert_eq!(
        [&by_method["outcome"], &by_method["rule_named_by"], &by_method["decision_rule_version"]],
        [&json!("conditional"), &json!("method M9 v1"), &json!(rule)]
    );
    assert!(text(by_method, "statement").contains("by decision rule DR-1 v1 of method M9 v1"), "{by_method}");
    // A specification's own rule goes first: simple acceptance at 119.5 of 120.
    let by_own = of(&read, "SP-2");
    assert_eq!(
        [&by_own["outcome"], &by_own["rule_named_by"], &by_own["decision_rule_version"]],
        [&json!("conforms"), &json!("specification SP-2 v1"), &json!(own)]
    );
    // The determination of the same sample by a method without a rule: nothing is decided, and nothing assumed.
    let of_sample = app.auditor.get(&format!("/determinations?sample={sample}")).await.expect(200);
    let other = of_sample["items"].as_array().unwrap().iter().find(|one| one["id"] != determination).unwrap();
    let other = text(other, "id");
    let unjudged = app.auditor.get(&format!("/determinations/{other}")).await.expect(200);
    let none = of(&unjudged, "SP-1");
    assert_eq!(none["outcome"], "no decision rule");
    assert_eq!(none["statement"], "no decision rule is agreed: neither SP-1 v1 nor method M1 v1 names one");
    for absent in ["decided", "decision_rule", "decision_rule_version", "rule", "risk", "compared", "rule_named_by"] {
        assert!(none.get(absent).is_none(), "{absent}: {none}");
    }
    assert_eq!(of(&unjudged, "SP-2")["outcome"], "conforms");

    // On pages and the report, with where the rule comes from.
    let auditor = Visitor::of(app.running.address, &app.auditor);
    for page in [path.clone(), format!("{path}/report")] {
        let shown = auditor.get(&page).await;
        for words in ["named by method M9 v1", "named by specification SP-2 v1", "81.8 %", "of method M9 v1"] {
            assert!(shown.text.contains(words), "{page} lacks {words}");
        }
    }
    let shown = auditor.get(&format!("/determinations/{other}/report")).await;
    assert!(shown.text.contains("no decision rule is agreed"), "{}", shown.text);
    let shown = auditor.get(&format!("/specifications/{id}")).await;
    assert!(shown.text.contains("by the decision rule of the method version"), "{}", shown.text);
    for (place, words) in
        [("/specifications", "of the method"), (&format!("/samples/{sample}"), "that of the method version")]
    {
        let page = auditor.get(place).await;
        assert!(page.text.contains(words), "{place} lacks {words}");
    }
    // In the long table, both of them in one cell each, as in JSON.
    let table = app.auditor.get("/exports/determinations").await.expect(200);
    let row = |id: &str| table["rows"].as_array().unwrap().iter().find(|row| row["determination"] == id).unwrap();
    let judged = row(&determination);
    assert_eq!(
        (&judged["specification"], &judged["conformity"]),
        (&json!("SP-1 v1; SP-2 v1"), &json!("conditional; conforms"))
    );
    let probabilities =
        [by_method, by_own].map(|one| one["decided"]["conformance_probability"].as_f64().unwrap().to_string());
    assert_eq!(judged["conformance_probability"], probabilities.join("; "));
    assert_eq!(row(&other)["conformity"], "no decision rule; conforms");

    // Risks are those of the process alone: the specification has no rule to show them of.
    let risk = app.auditor.get(&format!("/specifications/{id}/risk?mean=118&sd=1.2&u=0.55")).await.expect(200);
    assert!(risk.get("rule").is_none() && risk.get("of_rule").is_none(), "{risk}");
    // Simpson's rule and the C library's erfc: the value and its source stand in tests/reference/uncertainty.rs.
    near(&risk["by_guard_band"][0]["consumer"], 0.011_619_284_945_726_751, 1e-10);
    let page = auditor.get(&format!("/specifications/{id}?mean=118&sd=1.2&u=0.55")).await;
    assert!(page.text.contains("names no decision rule"), "{}", page.text);

    later_rules_change_nothing(&lab, (&path, &by_method["decided"]), (&rule_id, &own)).await;
}

/// Neither another rule of a later version of the method nor the withdrawal of the first changes a decision.
async fn later_rules_change_nothing(lab: &Lab, (path, decided): (&str, &Value), (rule_id, other): (&str, &str)) {
    let app = &lab.app;
    let auditor = Visitor::of(app.running.address, &app.auditor);
    let methods = app.auditor.get("/methods").await.expect(200);
    let method = methods["items"].as_array().unwrap().iter().find(|method| method["code"] == "M9").unwrap();
    let mut facts = method.clone();
    for field in ["id", "version_id", "version", "supersedes", "reason", "state", "recorded_at", "recorded_by"] {
        facts.as_object_mut().unwrap().remove(field);
    }
    facts["rules"]["decision_rule"] = json!(other);
    let corrections = format!("/methods/{}/corrections", text(method, "id"));
    let next = json!({ "reason": "simple acceptance agreed", "facts": facts });
    let _ = app.manager.post_if_match(&corrections, &text(method, "version_id"), &next).await.expect(201);
    let moves = format!("/methods/{}/moves", text(method, "id"));
    let _ = app.manager2.post(&moves, &json!({ "to": "approved" })).await.expect(201);
    let again = app.auditor.get(path).await.expect(200);
    assert_eq!(of(&again, "SP-1")["decided"], *decided);
    let page = auditor.get(&format!("/methods/{}", text(method, "id"))).await;
    assert!(page.text.contains("DR-2 v1") && page.text.contains("DR-1 v1"), "both versions' rules: {}", page.text);
    // A rule that is withdrawn judges what was made while it was agreed.
    sign(&app.manager, &format!("/decision-rules/{rule_id}"), "withdrawal", Some("another rule agreed"))
        .await
        .expect(201);
    let again = app.auditor.get(path).await.expect(200);
    assert_eq!(of(&again, "SP-1")["decided"], *decided);
}

#[tokio::test(flavor = "multi_thread")]
async fn iron_iii_goes_by_the_rule_of_the_method_of_its_total_iron() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let rule = approved(app, "/decision-rules", &guarded("DR-1", "1.645")).await.1;
    let mut with_rule = rules();
    with_rule["decision_rule"] = json!(rule);
    let total_method = method_with(app, ("M8", "total iron", "tin(II) and mercury(II)"), with_rule).await;
    let mut facts = without_rule("SP-3", "20");
    facts["analyte"] = json!("iron(III)");
    let version = approved(app, "/specifications", &facts).await.1;
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&total_method).await;
    let total = lab.begin(&run).await;
    for last in ["23.18", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let result = app.analyst.post("/iron-results", &new).await.expect(201);
    assign(app, &text(&result, "sample"), &version).await;
    let read = app.auditor.get(&format!("/iron-results/{}", text(&result, "id"))).await.expect(200);
    let judged = of(&read, "SP-3");
    assert_eq!((&judged["rule_named_by"], &judged["outcome"]), (&json!("method M8 v1"), &json!("conforms")));
    // By hand: one limit, guard band 1.645 u.
    let u = read["evaluation"]["u"].as_f64().unwrap();
    near(&judged["decided"]["upper_acceptance"], 20.0 - 1.645 * u, 1e-9);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_method_names_an_approved_rule_or_none() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (id, rule) = approved(app, "/decision-rules", &guarded("DR-1", "1.645")).await;
    let draft = app.manager.post("/decision-rules", &simple("DR-2")).await.expect(201);
    let facts = |code: &str, named: &str| {
        let mut rules = rules();
        rules["decision_rule"] = json!(named);
        json!({
            "code": code, "title": "iron(II) in pickling baths", "principle": "titration with dichromate",
            "analyte": "iron(II)", "matrix": "hydrochloric pickling bath", "chemistry": "dichromate",
            "reduction": "none", "indicator": "diphenylamine sulfonate", "rules": rules,
        })
    };
    let at_field = |answer: Answer, code: &str| {
        let problem = answer.refused(422, code);
        assert_eq!(problem["errors"][0]["field"], "rules.decision_rule", "{problem}");
    };
    at_field(app.analyst.post("/methods", &facts("M7", &text(&draft, "version_id"))).await, "item_not_released");
    let nowhere = "00000000-0000-7000-8000-000000000000";
    at_field(app.analyst.post("/methods", &facts("M7", nowhere)).await, "unknown_reference");
    app.analyst.post("/methods", &facts("M7", "DR-1")).await.refused(422, "invalid_input");
    // Withdrawn between draft and approval, it is not in force with the method.
    let method = app.analyst.post("/methods", &facts("M7", &rule)).await.expect(201);
    sign(&app.manager, &format!("/decision-rules/{id}"), "withdrawal", Some("the contract has ended"))
        .await
        .expect(201);
    let moves = format!("/methods/{}/moves", text(&method, "id"));
    at_field(app.manager.post(&moves, &json!({ "to": "approved" })).await, "item_not_released");
    // The form offers the rules in force.
    let other = approved(app, "/decision-rules", &guarded("DR-3", "1.645")).await.1;
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let form = analyst.get("/methods/new").await;
    assert!(form.text.contains("name=\"rules.decision_rule\"") && form.text.contains("DR-3 v1"), "{}", form.text);
    let plain = app.analyst.post("/methods", &facts("M6", &other)).await.expect(201);
    assert_eq!(plain["rules"]["decision_rule"], other);
}

/// Two titres of standard deviation s agree within L with probability erf(L / 2s): erf(1) = 0.8427 and erf(0.5) = 0.5205 (any
/// table of the error function).
#[tokio::test(flavor = "multi_thread")]
async fn what_a_rule_of_repetition_lets_through_stands_beside_it() {
    let lab = Lab::open().await;
    let mut rules = rules();
    rules["concordance_mode"] = json!("consecutive");
    rules["sigma_r_ml"] = json!("0.05");
    let method = method_with(&lab.app, ("M8", "iron(II)", "none"), rules).await;
    let all = lab.app.auditor.get("/methods").await.expect(200);
    let of = |field: &str, value: &str| {
        text(all["items"].as_array().unwrap().iter().find(|one| one[field] == *value).unwrap(), "id")
    };
    let visitor = Visitor::of(lab.app.running.address, &lab.app.manager);
    let page = visitor.get(&format!("/methods/{}", of("version_id", &method))).await.text;
    assert!(page.contains("until two titres agree") && page.contains("84.3") && page.contains("52.0"), "{page}");
    // Where all accurate titres must agree nobody chooses among them.
    let page = visitor.get(&format!("/methods/{}", of("code", "M1"))).await.text;
    assert!(!page.contains("until two titres agree"));
}
