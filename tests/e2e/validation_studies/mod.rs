//! Validation studies: plans frozen before their data, answers against published figures, conclusions with two people.

mod bad_input;
mod demo;
mod differences;
mod frozen;
mod life;
mod pinned;
mod published;
mod workings;

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::text;
use ferrotitre_tests::client::{Answer, Client};
use serde_json::{Value, json};

/// A study that runs.
pub(crate) struct Study {
    pub(crate) app: TestApp,
    pub(crate) id: String,
    /// Characteristics in the order of the plan.
    pub(crate) characteristics: Vec<String>,
}

/// A drafted method; returns its version.
pub(crate) async fn method(app: &TestApp) -> String {
    let rules = json!({
        "acceptance": "concordance", "concordance_limit_ml": "0.10", "concordance_mode": "all accurate",
        "minimum_titres": 2, "give_up_after": 4, "central": "median", "sigma_r_ml": "0.03",
        "sigma_r_degrees_of_freedom": "24", "follow_up": "cheap", "correct_burette": false,
        "correct_temperature": false, "blank": "none", "end_point_u_ml": "0.01", "longest_standing_minutes": "5",
        "unit": "% m/m", "expressed": "Fe", "ties": "half even", "coverage_factor": "2", "loq": "0.5",
        "validated_low": "1", "validated_high": "70",
    });
    let facts = json!({
        "code": "M3", "title": "total iron in ores", "principle": "titration with dichromate", "analyte": "total iron",
        "matrix": "iron ore", "chemistry": "dichromate", "reduction": "tin(II) and titanium(III)",
        "indicator": "diphenylamine sulfonate", "rules": rules,
    });
    text(&app.analyst.post("/methods", &facts).await.expect(201), "version_id")
}

/// A limit on a value.
pub(crate) fn most(statistic: &str, upper: &str, unit: &str) -> Value {
    json!({ "statistic": statistic, "rule": "value", "upper": upper, "unit": unit })
}

/// A characteristic of a plan.
pub(crate) fn planned(kind: &str, unit: &str, n: i32, design: &Value, limits: &[Value]) -> Value {
    json!({ "kind": kind, "title": format!("{kind} as planned"), "unit": unit, "planned_n": n, "design": design, "limits": limits })
}

/// A plan.
pub(crate) fn plan(code: &str, method: &str, characteristics: &[Value]) -> Value {
    json!({
        "code": code, "title": "a method of total iron", "purpose": "release of ores at 52 %", "method": method,
        "characteristics": characteristics,
    })
}

pub(crate) async fn sign(who: &Client, path: &str, reason: Option<&str>) -> Answer {
    who.sign(path, reason).await
}

impl Study {
    /// Plans as the analyst, approves as the manager.
    pub(crate) async fn run(characteristics: &[Value]) -> Self {
        let app = TestApp::start().await;
        let method = method(&app).await;
        let study = app.analyst.post("/validation-studies", &plan("VS-1", &method, characteristics)).await.expect(201);
        Self::approve(app, &study).await
    }

    pub(crate) async fn approve(app: TestApp, study: &Value) -> Self {
        let id = text(study, "id");
        let running = sign(&app.manager, &format!("/validation-studies/{id}/plan-approval"), None).await.expect(201);
        assert_eq!(running["state"], "running");
        let ids = study["characteristics"].as_array().unwrap().iter().map(|one| text(one, "id"));
        Self { characteristics: ids.collect(), app, id }
    }

    fn at(&self, characteristic: usize) -> &str {
        &self.characteristics[characteristic]
    }

    /// Sends data; returns the answer of the service.
    pub(crate) async fn send(&self, characteristic: usize, data: &[Value]) -> Answer {
        let path = format!("/validation-characteristics/{}/data", self.at(characteristic));
        self.app.analyst.post(&path, &json!({ "data": data })).await
    }

    /// Records data; returns the characteristic's answer.
    pub(crate) async fn record(&self, characteristic: usize, data: &[Value]) -> Value {
        self.send(characteristic, data).await.expect(201)
    }

    /// The answer to a characteristic.
    pub(crate) async fn answer(&self, characteristic: usize) -> Value {
        let path = format!("/validation-characteristics/{}/answer", self.at(characteristic));
        self.app.auditor.get(&path).await.expect(200)
    }

    /// The study.
    pub(crate) async fn read(&self) -> Value {
        self.app.auditor.get(&format!("/validation-studies/{}", self.id)).await.expect(200)
    }
}

/// A datum with its labels.
pub(crate) fn datum(value: impl std::fmt::Display, labels: &Value) -> Value {
    json!({ "value": value.to_string(), "labels": labels })
}

/// A statistic of an answer; of a level or group where one is named.
#[track_caller]
pub(crate) fn statistic<'a>(answer: &'a Value, name: &str, of: Option<&str>) -> &'a Value {
    let all = answer["statistics"].as_array().unwrap();
    let found = all.iter().find(|one| one["name"] == name && one["of"].as_str() == of);
    assert!(found.is_some(), "no {name} of {of:?} in {answer}");
    found.unwrap_or(&Value::Null)
}

/// Its value against an expected one.
#[track_caller]
pub(crate) fn near(answer: &Value, name: &str, expected: f64, tolerance: f64) {
    let found = statistic(answer, name, None)["value"].as_f64().unwrap();
    assert!((found - expected).abs() <= tolerance, "{name}: {found} is not {expected} within {tolerance}");
}

/// What an answer says is missing, as one text.
pub(crate) fn missing(answer: &Value) -> String {
    answer["missing"].as_array().unwrap().iter().filter_map(Value::as_str).collect::<Vec<_>>().join("; ")
}
