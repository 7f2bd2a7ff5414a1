//! A laboratory ready to titrate, through the API.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, Bench, bench, day, days_ahead, minutes_ago, text};
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

/// A laboratory ready to titrate.
pub(crate) struct Lab {
    pub(crate) app: TestApp,
    pub(crate) bench: Bench,
    pub(crate) titrant: String,
    pub(crate) iron2: String,
    pub(crate) total: String,
    pub(crate) portion: String,
}

pub(crate) fn rules() -> Value {
    json!({
        "acceptance": "concordance", "concordance_limit_ml": "0.10", "concordance_mode": "all accurate",
        "minimum_titres": 2, "give_up_after": 4, "central": "median", "sigma_r_ml": "0.03",
        "sigma_r_degrees_of_freedom": "24", "follow_up": "cheap", "correct_burette": false,
        "correct_temperature": false, "blank": "none", "end_point_u_ml": "0.01", "longest_standing_minutes": "5",
        "unit": "g/L", "expressed": "Fe", "ties": "half even", "coverage_factor": "2", "loq": "0.5",
        "validated_low": "1", "validated_high": "200",
    })
}

/// A method, drafted by one manager, approved by the other; returns its version.
async fn method(app: &TestApp, code: &str, analyte: &str, reduction: &str) -> String {
    approved_method(app, (code, analyte, reduction), rules()).await
}

/// The same with rules of the test's own, and with the plan that every run has a blank.
pub(crate) async fn method_with(app: &TestApp, of: (&str, &str, &str), rules: Value) -> String {
    let method = approved_method(app, of, rules).await;
    let plan = json!({ "method": method, "charts": [], "blanks": 1, "duplicates": 0 });
    let _ = app.manager.post("/qc-plans", &plan).await.expect(201);
    method
}

/// The same without a plan.
pub(crate) async fn approved_method(app: &TestApp, of: (&str, &str, &str), rules: Value) -> String {
    let (code, analyte, reduction) = of;
    let facts = json!({
        "code": code, "title": format!("{analyte} in pickling baths"), "principle": "titration with dichromate",
        "analyte": analyte, "matrix": "hydrochloric pickling bath", "chemistry": "dichromate", "reduction": reduction,
        "indicator": "diphenylamine sulfonate", "rules": rules,
        "mercury_reason": "comparison with the mercury-free method during its validation",
    });
    let method = app.manager.post("/methods", &facts).await.expect(201);
    let moves = format!("/methods/{}/moves", text(&method, "id"));
    let approve = json!({ "to": "approved" });
    app.manager.post(&moves, &approve).await.refused(403, "own_record");
    let _ = app.manager2.post(&moves, &approve).await.expect(201);
    let competence = json!({
        "method_code": code, "valid_from": day(-90), "valid_to": day(300), "evidence": "seven blind replicates in limits",
    });
    for analyst in [&app.analyst, &app.analyst2] {
        let path = format!("/accounts/{}/competences", analyst.id);
        let _ = app.manager.post(&path, &competence).await.expect(201);
    }
    text(&method, "version_id")
}

/// A dichromate lot prepared by the second analyst and released by a manager.
pub(crate) async fn dichromate(
    app: &TestApp,
    bench: &Bench,
    standard: &str,
    code: &str,
    expires: Value,
    made: String,
) -> String {
    let lot = json!({
        "code": code, "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "direct preparation", "factor_low": "0.990", "factor_high": "1.010", "storage": "dark, 20 C",
        "container": "amber glass, 1 L", "expires_at": expires, "observed_at": made,
        "late_reason": "taken over from bench book 7",
    });
    let titrant = text(&app.analyst2.post("/titrants", &lot).await.expect(201), "id");
    let preparation = json!({
        "titrant": titrant, "primary_standard": standard, "mass_g": "4.9032", "balance": bench.balance,
        "flask": bench.flask_1000, "solution_temperature": "20.0", "observed_at": made,
    });
    let _ = app.analyst2.post("/preparations", &preparation).await.expect(201);
    let release = format!("/titrants/{titrant}/release");
    app.analyst2.post(&release, &json!({ "password": app.analyst2.password })).await.refused(403, "forbidden");
    app.manager.post(&release, &json!({ "password": "not the password" })).await.refused(403, "secret_wrong");
    let unseen = json!({ "password": app.manager.password });
    app.manager.post(&release, &unseen).await.refused(412, "stale_version");
    let _ = app.manager.sign(&release, None).await.expect(201);
    titrant
}

impl Lab {
    /// With a plan of quality control for both methods: a blank in every run.
    pub(crate) async fn open() -> Self {
        let lab = Self::without_plans().await;
        for method in [&lab.iron2, &lab.total] {
            let plan = json!({ "method": method, "charts": [], "blanks": 1, "duplicates": 0 });
            let _ = lab.app.manager.post("/qc-plans", &plan).await.expect(201);
        }
        lab
    }

    /// Without any plan of quality control.
    pub(crate) async fn without_plans() -> Self {
        let app = TestApp::start().await;
        let bench = bench(&app).await;
        let standard = app.analyst.post("/primary-standards", &bench::dichromate_standard("PS-1")).await.expect(201);
        let moves = format!("/primary-standards/{}/moves", text(&standard, "id"));
        app.analyst.post(&moves, &json!({ "to": "released" })).await.refused(403, "forbidden");
        let _ = app.manager.post(&moves, &json!({ "to": "released" })).await.expect(201);
        let standard = text(&standard, "version_id");
        let titrant = dichromate(&app, &bench, &standard, "D-1", json!(days_ahead(90)), minutes_ago(3 * 1440)).await;
        let iron2 = method(&app, "M1", "iron(II)", "none").await;
        let total = method(&app, "M2", "total iron", "tin(II) and mercury(II)").await;
        let sample = text(&app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201), "id");
        let portion = json!({
            "pipette": bench.pipette_10, "dilution": [{ "flask": bench.flask_250 }],
            "aliquot_pipette": bench.pipette_25, "observed_at": minutes_ago(50),
        });
        let portion = app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201);
        Self { titrant, iron2, total, portion: text(&portion, "id"), bench, app }
    }

    pub(crate) async fn run(&self, method: &str) -> String {
        let run = json!({ "method": method, "bench": "bench 2", "observed_at": minutes_ago(45) });
        text(&self.app.analyst.post("/runs", &run).await.expect(201), "id")
    }

    /// A blank of a run, of which a known amount of iron(II) is subtracted.
    pub(crate) async fn blank(&self, run: &str) {
        let blank = json!({
            "kind": "reagent with iron(II)", "iron_equivalent_ml": "1.00", "titrant": self.titrant,
            "burette": self.bench.burette, "initial_readings": ["0.00"], "final_readings": ["1.04"],
            "solution_temperature": "20.0", "indicator_drops": 6, "end_point": "violet", "observed_at": minutes_ago(40),
        });
        let recorded = self.app.analyst.post(&format!("/runs/{run}/blanks"), &blank).await;
        assert_eq!(recorded.status, 201, "{}", recorded.text);
        let judgement = format!("/blanks/{}/judgement", text(&recorded.json, "id"));
        let judged = self.app.analyst.post(&judgement, &json!({ "to": "accepted" })).await;
        assert_eq!(judged.status, 201, "{}", judged.text);
    }

    /// Records the blank that the plan asks for, if it is still missing, and closes the run.
    pub(crate) async fn close(&self, run: &str) {
        let read = self.app.auditor.get(&format!("/runs/{run}")).await.expect(200);
        if read["missing"].to_string().contains("blank") {
            self.blank(run).await;
        }
        let closed = self.app.analyst.post(&format!("/runs/{run}/closing"), &json!({})).await;
        assert_eq!(closed.status, 201, "{}", closed.text);
    }

    pub(crate) async fn begin(&self, run: &str) -> String {
        let new = json!({ "run": run, "portion": self.portion, "purpose": "sample", "observed_at": minutes_ago(44) });
        text(&self.app.analyst.post("/determinations", &new).await.expect(201), "id")
    }

    pub(crate) fn titration(&self, kind: &str, last: &str, precipitate: Option<&str>) -> Value {
        let reduction = precipitate.map(|seen| {
            json!({
                "solution_clear": true, "stannous_end": "colourless", "stannous_excess_drops": 2,
                "temperature_at_mercury": "20.5", "mercury_in_one_portion": true, "precipitate": seen,
                "standing_minutes": "3", "phosphoric_acid": true,
            })
        });
        json!({
            "kind": kind, "titrant": self.titrant, "burette": self.bench.burette, "initial_readings": ["0.00"],
            "final_readings": [last], "solution_temperature": "20.0", "indicator_drops": 6,
            "end_point": "green to violet, sharp", "waste_stream": "chromium acid", "observed_at": minutes_ago(30),
            "reduction": reduction,
        })
    }

    pub(crate) async fn titrate(&self, determination: &str, titration: &Value) -> Value {
        let path = format!("/determinations/{determination}/titrations");
        self.app.analyst.post(&path, titration).await.expect(201)
    }

    /// Iron(II) with two titres, in a run of its own that is then closed.
    pub(crate) async fn iron2_done(&self, titres: [&str; 2]) -> String {
        let run = self.run(&self.iron2).await;
        let determination = self.begin(&run).await;
        for last in titres {
            self.titrate(&determination, &self.titration("accurate", last, None)).await;
        }
        self.close(&run).await;
        determination
    }

    /// Total iron with two titres in a closed run of its own; its id.
    pub(crate) async fn total_done(&self, titres: [&str; 2]) -> String {
        let run = self.run(&self.total).await;
        let total = self.begin(&run).await;
        for last in titres {
            self.titrate(&total, &self.titration("accurate", last, Some("slight white"))).await;
        }
        self.close(&run).await;
        total
    }

    /// Releases the run of a determination, if it is closed and waits for that.
    pub(crate) async fn release_run_of(&self, path: &str) {
        let read = self.app.auditor.get(path).await.expect(200);
        let Some(run) = read["run"].as_str() else { return };
        let path = format!("/runs/{run}");
        if self.app.auditor.get(&path).await.expect(200)["state"] == "closed" {
            sign(&self.app.manager2, &path, "release", None).await.expect(201);
        }
    }

    pub(crate) async fn through(&self, path: &str) -> Value {
        sign(&self.app.analyst, path, "submission", None).await.expect(201);
        sign(&self.app.analyst2, path, "review", None).await.expect(201);
        self.release_run_of(path).await;
        sign(&self.app.manager, path, "approval", None).await.expect(201)
    }
}

pub(crate) async fn sign(who: &Client, path: &str, step: &str, reason: Option<&str>) -> ferrotitre_tests::Answer {
    who.sign(&format!("{path}/{step}"), reason).await
}
