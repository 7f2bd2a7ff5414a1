//! Control materials, charts, phases, values, runs in and out of control, nonconformities.

mod bad_input;
mod begin;
mod begin_whole;
mod events;
mod frozen;
mod lots;
mod nonconformities;
mod published;
mod runs;

use chrono::{DateTime, Duration, SecondsFormat, Utc};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, bench, day, text};
use serde_json::{Value, json};

use crate::lab::{Lab, sign};

/// A laboratory with a method, a control material of 118.0 g/L and the charts a test asks for.
pub(crate) struct Control {
    pub(crate) lab: Lab,
    /// Method in any version.
    pub(crate) method: String,
    pub(crate) material: String,
    /// The material as a sample.
    pub(crate) sample: String,
    portion: String,
}

/// A time so many days ago, as the API takes it.
pub(crate) fn days_ago(days: f64) -> String {
    let at: DateTime<Utc> = Utc::now() - Duration::milliseconds((days * 86_400_000.0) as i64);
    at.to_rfc3339_opts(SecondsFormat::Millis, true)
}

pub(crate) fn material(code: &str) -> Value {
    json!({
        "code": code, "kind": "in-house", "description": "pickling bath, spiked and bottled",
        "matrix": "hydrochloric pickling bath", "assigned_value": "118.0", "unit": "g/L",
        "standard_uncertainty": "0.12", "certificate": "study VS-3", "expires_on": day(300),
        "homogeneity": "ten bottles, s within 0.1 %", "stability": "six months, no trend",
    })
}

impl Control {
    pub(crate) async fn open() -> Self {
        let lab = Lab::without_plans().await;
        let app = &lab.app;
        let methods = app.auditor.get("/methods").await.expect(200);
        let of_iron2 = methods["items"].as_array().unwrap().iter().find(|method| method["code"] == "M1").unwrap();
        let method = text(of_iron2, "id");
        let sample = text(&app.analyst.post("/samples", &bench::sample("CM-1")).await.expect(201), "id");
        let mut facts = material("CM-BATH-1");
        facts["sample"] = json!(sample);
        let material = text(&app.analyst.post("/control-materials", &facts).await.expect(201), "id");
        let moves = format!("/control-materials/{material}/moves");
        app.analyst.post(&moves, &json!({ "to": "released" })).await.refused(403, "forbidden");
        let _ = app.manager.post(&moves, &json!({ "to": "released" })).await.expect(201);
        let portion = json!({
            "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
            "aliquot_pipette": lab.bench.pipette_25, "observed_at": bench::minutes_ago(50),
        });
        let portion = app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201);
        Self { portion: text(&portion, "id"), method, material, sample, lab }
    }

    pub(crate) fn app(&self) -> &TestApp {
        &self.lab.app
    }

    /// A chart; `changes` replace fields.
    pub(crate) async fn chart(&self, code: &str, changes: &Value) -> String {
        let mut new = json!({
            "code": code, "title": "total iron in the bath control", "quantity": "x", "material": self.material,
            "method": self.method, "unit": "g/L", "resolution": "0.1",
        });
        for (field, value) in changes.as_object().unwrap() {
            new[field] = value.clone();
        }
        text(&self.app().manager.post("/control-charts", &new).await.expect(201), "id")
    }

    /// Imports a value written down so many days ago.
    pub(crate) async fn import(&self, chart: &str, value: &str, days: f64) -> Value {
        let new = json!({ "value": value, "history": "bench book 7", "observed_at": days_ago(days) });
        self.app().analyst.post(&format!("/control-charts/{chart}/values"), &new).await.expect(201)
    }

    /// Proposes a phase as an analyst and approves it as a manager.
    pub(crate) async fn phase(&self, chart: &str, new: &Value) -> Value {
        let proposed = self.app().analyst.post(&format!("/control-charts/{chart}/phases"), new).await.expect(201);
        self.approve(&proposed).await
    }

    pub(crate) async fn approve(&self, proposed: &Value) -> Value {
        let path = format!("/chart-phases/{}/approval", text(proposed, "id"));
        self.app().manager.sign(&path, None).await.expect(201)
    }

    /// Limits of 118.0 and 0.413 (0.35 %), in force from so many days ago.
    pub(crate) async fn target(&self, chart: &str, days: f64) -> Value {
        self.phase(chart, &target("118.0", "0.413", days)).await
    }

    pub(crate) async fn points(&self, chart: &str, query: &str) -> Vec<Value> {
        let page = self.app().auditor.get(&format!("/control-charts/{chart}/points?limit=1000{query}")).await;
        let mut items = page.expect(200)["items"].as_array().unwrap().clone();
        items.reverse();
        items
    }

    /// The plan that every run needs one value on each of these charts.
    pub(crate) async fn plan(&self, charts: &[&str]) -> Value {
        let charts: Vec<Value> = charts.iter().map(|chart| json!({ "chart": chart, "values": 1 })).collect();
        let plan = json!({ "method": self.lab.iron2, "charts": charts, "blanks": 0, "duplicates": 0 });
        self.app().manager.post("/qc-plans", &plan).await.expect(201)
    }

    /// Opens a run.
    pub(crate) async fn run(&self, repeats: Option<&str>) -> String {
        let new = json!({
            "method": self.lab.iron2, "bench": "bench 2", "observed_at": bench::minutes_ago(40), "repeats": repeats,
        });
        text(&self.app().analyst.post("/runs", &new).await.expect(201), "id")
    }

    /// A control determination with two equal titres, submitted.
    pub(crate) async fn control(&self, run: &str, titre: &str) -> String {
        let id = self.begin(run, "control", &self.portion).await;
        for _ in 0..2 {
            self.lab.titrate(&id, &self.lab.titration("accurate", titre, None)).await;
        }
        sign(&self.app().analyst, &format!("/determinations/{id}"), "submission", None).await.expect(201);
        id
    }

    pub(crate) async fn begin(&self, run: &str, purpose: &str, portion: &str) -> String {
        let new = json!({ "run": run, "portion": portion, "purpose": purpose, "observed_at": bench::minutes_ago(35) });
        text(&self.app().analyst.post("/determinations", &new).await.expect(201), "id")
    }

    /// Closes a run and returns it.
    pub(crate) async fn close(&self, run: &str) -> Value {
        self.app().analyst.post(&format!("/runs/{run}/closing"), &json!({})).await.expect(201)
    }

    pub(crate) async fn reject(&self, run: &str, reason: &str) -> Value {
        self.app().manager.sign(&format!("/runs/{run}/rejection"), Some(reason)).await.expect(201)
    }

    /// g/L that one millilitre of titrant stands for, from a determination made with it.
    pub(crate) async fn per_ml(&self) -> f64 {
        let factors = self.app().auditor.get(&format!("/titrants/{}/factors", self.lab.titrant)).await.expect(200);
        let c: f64 = factors[0]["concentration"].as_str().unwrap().parse().unwrap();
        // c 6 M(Fe) / 25 mL, diluted 10 mL to 250 mL.
        c * 6.0 * 55.845 / 25.0 * 25.0
    }

    /// The readable titre nearest to a content.
    pub(crate) async fn titre(&self, content: f64) -> String {
        let steps = (content / self.per_ml().await / 0.02).round();
        format!("{:.2}", steps * 0.02)
    }
}

/// A target phase.
pub(crate) fn target(centre: &str, s: &str, days: f64) -> Value {
    json!({
        "origin": "target", "label": "established", "centre": centre, "s": s, "valid_from": days_ago(days),
        "reason": "requirement of the clients: s_Rw 0.35 %",
    })
}

/// A baseline phase of a stretch of points.
pub(crate) fn baseline(first: i32, last: i32, label: &str, days: f64) -> Value {
    json!({
        "origin": "baseline", "label": label, "baseline": { "first": first, "last": last },
        "valid_from": days_ago(days), "reason": "limits from the laboratory's own values",
    })
}

pub(crate) fn number(value: &Value, pointer: &str) -> f64 {
    let found = value.pointer(pointer).and_then(Value::as_f64);
    assert!(found.is_some(), "no number at {pointer} in {value}");
    found.unwrap_or(f64::NAN)
}

#[track_caller]
pub(crate) fn near(what: &str, found: f64, expected: f64, tolerance: f64) {
    assert!((found - expected).abs() <= tolerance, "{what}: {found} is not {expected} within {tolerance}");
}

pub(crate) fn verdicts(points: &[Value]) -> Vec<&str> {
    points.iter().map(|point| point["verdict"].as_str().unwrap()).collect()
}

/// Numbers of the rules completed by each point.
pub(crate) fn hits(points: &[Value]) -> Vec<Vec<i64>> {
    let of =
        |point: &Value| point["hits"].as_array().unwrap().iter().map(|hit| hit["rule"].as_i64().unwrap()).collect();
    points.iter().map(of).collect()
}

/// The bench alone, for a test without a method.
pub(crate) async fn burette(app: &TestApp) -> String {
    bench(app).await.burette
}
