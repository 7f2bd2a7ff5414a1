//! Proficiency rounds: published scores, the signals' consequences, corrections.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{minutes_ago, text};
use serde_json::{Value, json};

use crate::lab::Lab;

fn round(code: &str, own: &str, own_u: &str, assigned_u: &str) -> Value {
    json!({
        "code": code, "series": "iron in pickling baths", "provider": "accredited provider",
        "material": "hydrochloric pickling bath, sample B", "quantity": "total iron", "unit": "g/L",
        "assigned_value": "118.30", "assigned_u": assigned_u, "assigned_k": "2", "sigma_pt": "1.20",
        "own_value": own, "own_u": own_u, "own_k": "2", "own_basis": "reported before records were kept here",
        "observed_at": minutes_ago(5),
    })
}

#[track_caller]
fn near(found: &Value, expected: f64) {
    let found = found.as_f64().unwrap();
    assert!((found - expected).abs() < 5e-5, "{found} is not {expected}");
}

async fn nonconformities(app: &TestApp) -> Vec<Value> {
    app.auditor.get("/nonconformities").await.expect(200)["items"].as_array().unwrap().clone()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_good_round_and_a_bad_one_as_in_the_scenario() {
    let app = TestApp::start().await;
    // Scenario r: z = (117.58 - 118.30)/1.20 = -0.6; zeta = 1.4 by size: 0.72/hypot(0.35, 0.378) = 1.398.
    let good = app.analyst.post("/proficiency-rounds", &round("PT-1", "117.58", "0.35", "0.378")).await.expect(201);
    let scores = &good["scores"];
    near(&scores["z"], -0.6);
    // 0.72/sqrt(0.35² + 0.378²) = 0.72/0.515155 by hand; 0.378 exceeds 0.3 x 1.20 = 0.36.
    near(&scores["zeta"], -1.397_639);
    near(&scores["z_prime"], -0.572_279);
    assert_eq!((text(scores, "judged_by").as_str(), text(scores, "verdict").as_str()), ("z'", "satisfactory"));
    assert!(text(scores, "because").contains("exceeds"), "{scores}");
    assert!(nonconformities(&app).await.is_empty());
    // z = (121.42 - 118.30)/1.20 = 2.6.
    let bad = app.analyst.post("/proficiency-rounds", &round("PT-2", "121.42", "0.35", "0.20")).await.expect(201);
    near(&bad["scores"]["z"], 2.6);
    assert_eq!((text(&bad["scores"], "judged_by"), text(&bad["scores"], "verdict")), ("z".into(), "warning".into()));
    let opened = nonconformities(&app).await;
    assert_eq!(opened.len(), 1);
    assert_eq!((text(&opened[0], "source"), text(&opened[0], "severity")), ("proficiency test".into(), "minor".into()));
    assert_eq!((&opened[0]["automatic"], &opened[0]["links"][0]["entity"]), (&json!(true), &bad["id"]));
    let path = format!("/proficiency-rounds/{}", text(&bad, "id"));
    let read = app.auditor.get(&path).await.expect(200);
    assert_eq!(read["nonconformities"][0]["code"], opened[0]["code"]);
    // Worse after a correction: another one, major; the version before stays.
    let mut facts = round("PT-2", "122.50", "0.35", "0.20");
    facts["own_basis"] = json!("the value on the report was copied wrongly");
    let correction = json!({ "reason": "value copied wrongly", "facts": facts });
    let corrections = format!("{path}/corrections");
    app.analyst.post(&corrections, &correction).await.refused(428, "version_required");
    let worse = app.analyst.post_if_match(&corrections, &text(&bad, "version_id"), &correction).await.expect(201);
    assert_eq!(worse["scores"]["verdict"], "action");
    let opened = nonconformities(&app).await;
    assert_eq!((opened.len(), text(&opened[0], "severity")), (2, "major".into()));
    assert_eq!(app.auditor.get(&path).await.expect(200)["versions"].as_array().unwrap().len(), 2);
    let picture = app.auditor.get("/proficiency-rounds/history.svg?series=iron%20in%20pickling%20baths").await;
    assert_eq!(picture.status, 200);
    for word in ["action +3", "PT-1", "PT-2", "zeta"] {
        assert!(picture.text.contains(word), "{word}");
    }
    app.analyst.post(&format!("{path}/moves"), &json!({ "to": "withdrawn" })).await.refused(403, "forbidden");
    let moved = json!({ "to": "withdrawn", "reason": "the provider withdrew the sample" });
    let _ = app.manager.post(&format!("{path}/moves"), &moved).await.expect(201);
    let listed = app.auditor.get("/proficiency-rounds?series=iron%20in%20pickling%20baths").await.expect(200);
    let states: Vec<String> = listed["items"].as_array().unwrap().iter().map(|view| text(view, "state")).collect();
    assert_eq!(states, ["withdrawn", "recorded"]);
}

// NIST Dataplot reference pages for z', zeta and E_n state the formulae; the values are theirs put into numbers with a
// calculator: 35.12 +- 0.09 against 35.25 +- 0.04, sigma 0.15.
#[tokio::test(flavor = "multi_thread")]
async fn scores_are_those_of_the_published_formulae() {
    let app = TestApp::start().await;
    let mut facts = round("PT-3", "35.12", "0.09", "0.04");
    facts["assigned_value"] = json!("35.25");
    facts["sigma_pt"] = json!("0.15");
    let scores = app.manager.post("/proficiency-rounds", &facts).await.expect(201)["scores"].clone();
    near(&scores["z"], -0.866_667);
    near(&scores["z_prime"], -0.837_400);
    near(&scores["zeta"], -1.319_951);
    near(&scores["e_n"], -0.659_976);
    assert_eq!((&scores["judged_by"], &scores["e_n_verdict"]), (&json!("z"), &json!("satisfactory")));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_result_comes_from_a_signed_determination_or_is_entered_with_a_reason_never_both() {
    let lab = Lab::open().await;
    let determination = lab.iron2_done(["21.46", "21.46"]).await;
    let mut facts = round("PT-4", "118.0", "0.3", "0.2");
    facts["determination"] = json!(determination);
    let post = async |facts: &Value| lab.app.analyst.post("/proficiency-rounds", facts).await;
    let problem = post(&facts).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "own_value");
    for field in ["own_value", "own_u", "own_k", "own_basis"] {
        facts[field] = Value::Null;
    }
    post(&facts).await.refused(409, "state_conflict");
    let approved = lab.through(&format!("/determinations/{determination}")).await;
    let round = post(&facts).await.expect(201);
    let figures = approved["evaluation"]["figures"].as_array().unwrap();
    let figure = figures.iter().find(|figure| figure["unit"] == "g/L" && figure["expressed"] == "Fe").unwrap();
    let own: f64 = text(&round, "own_value").parse().unwrap();
    assert_eq!(own, figure["value"].as_f64().unwrap());
    assert_eq!(round["scores"]["z"].as_f64().unwrap(), (own - 118.30) / 1.20);
    facts["determination"] = Value::Null;
    let problem = post(&facts).await.refused(422, "invalid_input");
    let fields: Vec<String> = problem["errors"].as_array().unwrap().iter().map(|error| text(error, "field")).collect();
    assert_eq!(fields, ["own_value", "own_u", "own_k", "own_basis"]);
    facts["sigma_pt"] = json!("0");
    facts["own_value"] = json!("118");
    facts["own_u"] = json!("0.3");
    facts["own_k"] = json!("2");
    facts["own_basis"] = json!("another laboratory's bench");
    let problem = post(&facts).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "sigma_pt");
}
