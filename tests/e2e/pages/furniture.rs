//! A laboratory with one of everything, in every state that a page offers something for.

use ferrotitre_tests::bench::{calibration, day, days_ahead, equipment, install, minutes_ago, reagent, text};
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use crate::certificates::{drafted, identity, issued, path as certificate};
use crate::control::{Control, days_ago};
use crate::lab::{Lab, sign};
use crate::specifications::{approved, assign, at_most, guarded};
use crate::validation_studies::{datum, most, plan, planned, sign as sign_study};

/// One of everything.
pub(super) async fn everything() -> Lab {
    let control = Control::open().await;
    determinations(&control.lab).await;
    let control = super::control::furnish(control).await;
    imports(&control).await;
    refuted(&control).await;
    let lab = control.lab;
    stock(&lab).await;
    standardisations(&lab).await;
    runs(&lab).await;
    studies(&lab).await;
    specifications(&lab).await;
    rounds(&lab).await;
    nonconformities(&lab).await;
    people(&lab).await;
    supervised(&lab).await;
    readings(&lab).await;
    let _ = lab.app.auditor.get("/exports/determinations?format=json").await.expect(200);
    messages(&lab).await;
    reviewed(&lab).await;
    lab
}

/// An endpoint that is told of something, and a test that nobody answers.
async fn messages(lab: &Lab) {
    let administrator = &lab.app.administrator;
    let settings = crate::messages::settings(9);
    let _ = administrator.post("/mail-settings", &settings).await.expect(201);
    let test = json!({ "address": "administrator@harbour.example" });
    let _ = administrator.post("/mail-settings/tests", &test).await.expect(201);
    let endpoint = crate::messages::endpoint("board in the control room", "http://127.0.0.1:9/alerts");
    let _ = administrator.post("/webhook-endpoints", &endpoint).await.expect(201);
}

/// The audit trail was reviewed once.
async fn reviewed(lab: &Lab) {
    lab.app.sealed().await;
    let auditor = &lab.app.auditor;
    let seen = auditor.get("/trail-reviews/next").await.expect(200);
    let review = json!({
        "until_size": seen["until_size"], "content_digest": seen["content_digest"], "password": auditor.password,
        "findings": "looked at every row; nothing to object to",
    });
    let _ = auditor.post("/trail-reviews", &review).await.expect(201);
}

/// Certificates that hold, wait and were withdrawn.
async fn certificates(lab: &Lab, results: &[String]) {
    let _ = lab.app.manager.post("/laboratory", &identity()).await.expect(201);
    let _ = issued(lab, &[&results[0]]).await;
    let withdrawn = issued(lab, &[&results[1]]).await;
    let reason = Some("it named another customer");
    sign(&lab.app.manager, &certificate(&withdrawn), "withdrawal", reason).await.expect(201);
    let _ = drafted(lab, &[&results[2]]).await;
}

async fn made(who: &Client, path: &str, new: &Value) -> String {
    text(&who.post(path, new).await.expect(201), "id")
}

/// A file of a chart, so that there is one to look at; a chart of ranges, so that the chart of means has one below it.
async fn imports(control: &Control) {
    let app = control.app();
    let charts = app.auditor.get("/control-charts").await.expect(200);
    let chart = text(&charts["items"][0], "id");
    let file = json!({
        "file_name": "bath.csv", "decimal_mark": "comma", "separator": "semicolon",
        "text": format!("ferrotitre control values 1\nobserved_at;value [g/L];note\n{};118,2;\n", days_ago(1.0)),
    });
    let _ = app.analyst.post(&format!("/control-charts/{chart}/imports"), &file).await.expect(201);
    let list = crate::imports::reagents("R-LIST-1");
    let _ = app.analyst.post("/import-tables/reagents/imports", &list).await.expect(201);
}

/// A chart that refutes the budget of the method, and nobody has decided yet.
async fn refuted(control: &Control) {
    let chart = control.chart("X-WIDE", &json!({})).await;
    for (value, days) in ["117.0", "119.0", "117.2", "118.8", "117.1", "118.9", "117.0", "119.0"].iter().zip(2..) {
        let _ = control.import(&chart, value, f64::from(12 - days)).await;
    }
    let run = control.run(None).await;
    let determination = control.control(&run, &control.titre(118.0).await).await;
    let _ = made(
        &control.app().analyst,
        &format!("/control-charts/{chart}/values"),
        &json!({ "determination": determination }),
    )
    .await;
}

async fn stock(lab: &Lab) {
    let app = &lab.app;
    let lot = made(&app.analyst, "/reagents", &reagent("R-9")).await;
    let _ = app.manager.post(&format!("/reagents/{lot}/moves"), &json!({ "to": "released" })).await;
    let thermometer = equipment("T-1", "thermometer", "50", Some("0.1"));
    let piece = install(app, &thermometer, &calibration(None, "0.1")).await;
    let check = json!({ "outcome": "passed", "note": "ice point", "observed_at": minutes_ago(5) });
    let _ = app.analyst.post(&format!("/equipment/{piece}/checks"), &check).await;
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let lot = json!({
        "code": "D-8", "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "direct preparation", "factor_low": "0.980", "factor_high": "1.020", "storage": "dark, 20 C",
        "container": "amber glass, 1 L", "expires_at": days_ahead(90), "observed_at": minutes_ago(60),
    });
    // One that only stands there, and one that is prepared and waits for its release.
    let _ = made(&app.analyst, "/titrants", &lot).await;
    let mut second = lot;
    second["code"] = json!("D-9");
    let titrant = made(&app.analyst, "/titrants", &second).await;
    let preparation = json!({
        "titrant": titrant, "primary_standard": text(&standards["items"][0], "version_id"), "mass_g": "4.9032",
        "balance": lab.bench.balance, "flask": lab.bench.flask_1000, "solution_temperature": "20.0",
        "observed_at": minutes_ago(50),
    });
    let _ = app.analyst.post("/preparations", &preparation).await.expect(201);
    let ask = json!({
        "item_kind": "titrants", "item": lab.titrant, "reason": "the new lot arrives on Monday",
        "valid_from": minutes_ago(600), "valid_to": days_ahead(2),
    });
    let _ = made(&app.analyst, "/concessions", &ask).await;
}

/// Standardisations of one lot: a draft with its titrations, and one that waits for its approval.
async fn standardisations(lab: &Lab) {
    let app = &lab.app;
    let oxalate = json!({
        "code": "PS-OX", "substance": "sodium oxalate", "supplier": "reference materials", "supplier_lot": "3",
        "certificate": "RM-3", "mass_fraction": "0.9996", "expanded_uncertainty": "0.0003", "coverage_factor": "2",
        "basis": "reducing capacity", "expires_on": day(300),
    });
    let oxalate = made(&app.analyst, "/primary-standards", &oxalate).await;
    let _ = app
        .manager
        .post(&format!("/primary-standards/{oxalate}/moves"), &json!({ "to": "released" }))
        .await
        .expect(201);
    let lot = json!({
        "code": "M-1", "species": "permanganate", "nominal_concentration": "0.02", "concentration_unit": "mol/L",
        "route": "standardisation", "factor_low": "0.980", "factor_high": "1.020", "storage": "dark",
        "container": "amber glass", "expires_at": days_ahead(300), "observed_at": minutes_ago(600),
    });
    let titrant = made(&app.analyst, "/titrants", &lot).await;
    // The third has a replicate that disagrees, and waits for a decision; the fourth is approved, and may be amended.
    for (code, submitted, last) in
        [("STD-1", true, "24.96"), ("STD-2", false, "24.96"), ("STD-3", true, "24.40"), ("STD-4", true, "24.96")]
    {
        let begin = json!({
            "code": code, "primary_standard": oxalate, "balance": lab.bench.balance, "burette": lab.bench.burette,
            "indicator": "self", "valid_days": 60, "correct_burette": false, "correct_temperature": false,
            "correct_buoyancy": false, "observed_at": minutes_ago(500),
        });
        let begun = made(&app.analyst, &format!("/titrants/{titrant}/standardisations"), &begin).await;
        let path = format!("/standardisations/{begun}");
        for (kind, mass, last) in [
            ("blank", None, "0.04"),
            ("replicate", Some("0.1675"), "25.02"),
            ("replicate", Some("0.1682"), "25.12"),
            ("replicate", Some("0.1671"), last),
        ] {
            let titration = json!({
                "kind": kind, "mass_g": mass, "initial_readings": ["0.00"], "final_readings": [last],
                "end_point": "faint pink, 30 s", "observed_at": minutes_ago(490),
            });
            let _ = made(&app.analyst, &format!("{path}/titrations"), &titration).await;
        }
        if submitted {
            let _ = sign(&app.analyst, &path, "submission", None).await.expect(201);
        }
        if code == "STD-4" {
            let _ = sign(&app.manager, &path, "approval", None).await.expect(201);
        }
    }
}

/// Signs as far as asked: submission, review, approval.
async fn signed(lab: &Lab, path: &str, steps: usize) {
    let all = [(&lab.app.analyst, "submission"), (&lab.app.analyst2, "review"), (&lab.app.manager, "approval")];
    for (who, step) in all.into_iter().take(steps) {
        let _ = sign(who, path, step, None).await.expect(201);
    }
}

/// Determinations and results by difference that wait for each of the signatures, and such as have all.
async fn determinations(lab: &Lab) {
    // Results are approved in released runs of a method with a plan of quality control.
    for method in [&lab.iron2, &lab.total] {
        let plan = json!({ "method": method, "charts": [], "blanks": 1, "duplicates": 0 });
        let _ = lab.app.manager.post("/qc-plans", &plan).await.expect(201);
    }
    let mut certified = Vec::new();
    for steps in 0..=3 {
        let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
        certified.push(iron2.clone());
        let run = lab.run(&lab.total).await;
        let total = lab.begin(&run).await;
        for (kind, last, seen) in [
            ("rough", "24.10", "slight white"),
            ("accurate", "23.60", "grey"),
            ("accurate", "23.16", "slight white"),
            ("accurate", "23.18", "slight white"),
        ] {
            let _: Value = lab.titrate(&total, &lab.titration(kind, last, Some(seen))).await;
        }
        lab.close(&run).await;
        for id in [&iron2, &total] {
            let _ = lab.through(&format!("/determinations/{id}")).await;
        }
        let new =
            json!({ "code": format!("FE3-{steps}"), "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
        let result = made(&lab.app.analyst, "/iron-results", &new).await;
        signed(lab, &format!("/iron-results/{result}"), steps).await;
    }
    for steps in 0..=2 {
        let id = lab.iron2_done(["21.46", "21.48"]).await;
        signed(lab, &format!("/determinations/{id}"), steps).await;
    }
    // A slip that is asked about, in a run that stays open.
    let run = lab.run(&lab.total).await;
    let begun = lab.begin(&run).await;
    for (last, seen) in [("23.60", "grey"), ("23.20", "slight white"), ("24.20", "slight white")] {
        let _: Value = lab.titrate(&begun, &lab.titration("accurate", last, Some(seen))).await;
    }
    // Titres that disagree without a cause, and wait for a decision.
    let run = lab.run(&lab.iron2).await;
    let begun = lab.begin(&run).await;
    for last in ["21.46", "21.46", "30.46", "40.46"] {
        let _: Value = lab.titrate(&begun, &lab.titration("accurate", last, None)).await;
    }
    lab.close(&run).await;
    signed(lab, &format!("/determinations/{begun}"), 1).await;
    certificates(lab, &certified).await;
    touched(lab).await;
}

/// Something that signed results rest on is corrected, and nobody has decided yet what that means for them.
async fn touched(lab: &Lab) {
    let samples = lab.app.auditor.get("/samples").await.expect(200);
    let sample = samples["items"].as_array().unwrap().iter().find(|one| one["code"] == "S-1").unwrap().clone();
    let mut facts = ferrotitre_tests::bench::sample(&text(&sample, "code"));
    facts["description"] = json!("green, slightly turbid");
    let correction = json!({ "reason": "the description was of another bottle", "facts": facts });
    let path = format!("/samples/{}/corrections", text(&sample, "id"));
    let _ = lab.app.analyst.post_if_match(&path, &text(&sample, "version_id"), &correction).await.expect(201);
}

async fn runs(lab: &Lab) {
    // Two signed results of one run, to be taken together.
    let run = lab.run(&lab.iron2).await;
    for _ in 0..2 {
        let id = lab.begin(&run).await;
        for last in ["21.46", "21.48"] {
            lab.titrate(&id, &lab.titration("accurate", last, None)).await;
        }
        sign(&lab.app.analyst, &format!("/determinations/{id}"), "submission", None).await.expect(201);
    }
    let run = lab.run(&lab.iron2).await;
    let blank = json!({
        "kind": "reagent with iron(II)", "iron_equivalent_ml": "1.00", "titrant": lab.titrant,
        "burette": lab.bench.burette, "initial_readings": ["0.00"], "final_readings": ["1.04"],
        "solution_temperature": "20.0", "indicator_drops": 6, "end_point": "violet", "observed_at": minutes_ago(30),
    });
    let _ = made(&lab.app.analyst, &format!("/runs/{run}/blanks"), &blank).await;
}

/// Studies in every state: planned, running, concluded, reviewed, approved.
async fn studies(lab: &Lab) {
    let app = &lab.app;
    let slope = json!({ "statistic": "slope", "rule": "covers", "lower": "1", "upper": "1", "unit": "1" });
    let factors: Value = (1..8).map(|n| json!({ "name": format!("factor {n}"), "low": "1", "high": "2" })).collect();
    let characteristics = [
        planned("repeatability", "g/L", 4, &json!({}), &[most("rsd_r", "0.6", "%")]),
        planned("linearity", "g/L", 6, &json!({ "groups": 3 }), &[slope]),
        planned(
            "ruggedness",
            "g/L",
            8,
            &json!({ "known_sd": "0.24", "factors": factors }),
            &[most("effect_ratio", "1", "1")],
        ),
        planned(
            "detection by difference",
            "g/L",
            6,
            &json!({ "levels": ["60", "90", "120"] }),
            &[most("loq_at", "9", "g/L")],
        ),
    ];
    for (number, state) in ["planned", "complete", "reviewed", "approved", "running"].iter().enumerate() {
        let new = plan(&format!("VS-{number}"), &lab.iron2, &characteristics);
        let study = app.analyst.post("/validation-studies", &new).await.expect(201);
        let path = format!("/validation-studies/{}", text(&study, "id"));
        if *state == "planned" {
            continue;
        }
        let _ = sign_study(&app.manager, &format!("{path}/plan-approval"), None).await.expect(201);
        let of: Vec<String> = study["characteristics"].as_array().unwrap().iter().map(|one| text(one, "id")).collect();
        data(lab, &of).await;
        if *state == "running" {
            proposals(lab, &of[0]).await;
            continue;
        }
        let answers = app.auditor.get(&format!("{path}/answers")).await.expect(200);
        let conclusion = json!({
            "answers_digest": answers["content_digest"], "fit": true, "words": "fit for release of baths", "validated_low": "1", "validated_high": "150",
            "unit": "g/L", "matrix": "hydrochloric pickling bath", "limitations": "none known",
            "password": app.analyst.password,
        });
        let _ = app.analyst.post(&format!("{path}/conclusions"), &conclusion).await.expect(201);
        if *state != "complete" {
            let _ = sign_study(&app.analyst2, &format!("{path}/review"), None).await.expect(201);
        }
        if *state == "approved" {
            let _ = sign_study(&app.manager2, &format!("{path}/approval"), None).await.expect(201);
        }
    }
}

/// Data of all characteristics, one of them far off.
async fn data(lab: &Lab, of: &[String]) {
    let values = [118.1, 118.3, 117.9, 118.2, 121.0].map(|value| datum(value, &json!({})));
    let levels = [(50.1, 50), (49.95, 50), (100.05, 100), (99.9, 100), (150.1, 150), (149.95, 150)];
    let levels = levels.map(|(value, taken)| datum(value, &json!({ "taken": taken.to_string() })));
    let eight = [118.1, 118.3, 117.9, 118.2, 118.0, 118.4, 117.8, 118.1];
    let eight: Vec<Value> = (1..).zip(eight).map(|(run, value)| datum(value, &json!({ "run": run }))).collect();
    let near_zero = [(0.02, 60), (-0.03, 60), (0.04, 90), (-0.01, 90), (0.05, 120), (-0.06, 120)];
    let near_zero = near_zero.map(|(value, total)| datum(value, &json!({ "taken": total.to_string() })));
    for (id, data) in of.iter().zip([values.to_vec(), levels.to_vec(), eight, near_zero.to_vec()]) {
        let path = format!("/validation-characteristics/{id}/data");
        let _ = lab.app.analyst.post(&path, &json!({ "data": data })).await.expect(201);
    }
}

/// An exclusion and an amendment that wait for a manager.
async fn proposals(lab: &Lab, characteristic: &str) {
    let app = &lab.app;
    let path = format!("/validation-characteristics/{characteristic}");
    let answer = app.auditor.get(&format!("{path}/answer")).await.expect(200);
    let far = text(&answer["inputs"]["rows"][4], "datum");
    let exclusion = json!({ "cause": "air bubble", "evidence": "bench book 3, page 12" });
    let _ = made(&app.analyst2, &format!("/validation-data/{far}/exclusions"), &exclusion).await;
    let amendment = json!({ "limits": [most("rsd_r", "0.8", "%")], "reason": "client needs no better than 1 %" });
    let amended = app.analyst.post(&format!("{path}/amendments"), &amendment).await;
    assert_eq!(amended.status, 201, "{}", amended.text);
}

/// A rule and a specification in force, a draft of each, and a sample that is judged.
async fn specifications(lab: &Lab) {
    let app = &lab.app;
    let (_, rule) = approved(app, "/decision-rules", &guarded("DR-1", "1.645")).await;
    let _ = made(&app.analyst, "/decision-rules", &guarded("DR-2", "1.645")).await;
    let (_, limits) = approved(app, "/specifications", &at_most("SP-1", "120", &rule)).await;
    let _ = made(&app.analyst, "/specifications", &at_most("SP-2", "118", &rule)).await;
    let samples = app.auditor.get("/samples").await.expect(200);
    let _ = assign(app, &text(&samples["items"][0], "id"), &limits).await;
}

async fn rounds(lab: &Lab) {
    for (code, own) in [("PT-1", "117.58"), ("PT-2", "121.42")] {
        let round = json!({
            "code": code, "series": "iron in pickling baths", "provider": "accredited provider",
            "material": "hydrochloric pickling bath, sample B", "quantity": "total iron", "unit": "g/L",
            "assigned_value": "118.30", "assigned_u": "0.20", "assigned_k": "2", "sigma_pt": "1.20",
            "own_value": own, "own_u": "0.35", "own_k": "2", "own_basis": "reported before records were kept here",
            "observed_at": minutes_ago(5),
        });
        let _ = made(&lab.app.analyst, "/proficiency-rounds", &round).await;
    }
}

/// Nonconformities that wait to be closed, and one that can be reopened.
async fn nonconformities(lab: &Lab) {
    let app = &lab.app;
    for (checked, closed) in [(false, false), (true, false), (true, true)] {
        let new = json!({
            "source": "complaint", "severity": "minor", "title": "label unreadable", "scope": "one bottle",
            "due_on": day(30), "observed_at": minutes_ago(5),
        });
        let path = format!("/nonconformities/{}", made(&app.analyst, "/nonconformities", &new).await);
        let step = |kind: &str| json!({ "kind": kind, "words": format!("{kind} as found on the bench") });
        for (kind, state) in
            [("containment", "contained"), ("impact", "investigating"), ("cause", "action"), ("action", "verifying")]
        {
            let _ = app.analyst.post(&format!("{path}/steps"), &step(kind)).await.expect(201);
            let _ = app.analyst.post(&format!("{path}/moves"), &json!({ "to": state })).await.expect(201);
        }
        if checked {
            let mut check = step("effectiveness");
            check["effective"] = json!(true);
            let _ = app.analyst.post(&format!("{path}/steps"), &check).await.expect(201);
        }
        if closed {
            let _ = app.manager2.sign(&format!("{path}/closing"), None).await.expect(201);
        }
    }
}

/// An instrument with a token, and a grant that waits for a manager.
async fn people(lab: &Lab) {
    let app = &lab.app;
    let account = json!({ "code": "balance-9", "display_name": "Balance 9", "kind": "service" });
    let created = app.administrator.post("/accounts", &account).await.expect(201);
    let account = text(&created["account"], "id");
    let grant = json!({ "role": "instrument", "effect": "grant", "reason": "installed at bench 2" });
    let grants = format!("/accounts/{account}/role-grants");
    let first = made(&app.administrator, &grants, &grant).await;
    let _ = app
        .manager
        .post(&format!("/role-grants/{first}/decisions"), &json!({ "decision": "approved" }))
        .await
        .expect(201);
    let token = json!({
        "account": account, "label": "balance at bench 2", "scopes": ["record_titrations"], "expires_at": days_ahead(30),
    });
    let _ = app.administrator.post("/service-tokens", &token).await.expect(201);
    let grant = json!({ "role": "analyst", "effect": "grant", "reason": "helps out at the bench" });
    let _ = app.administrator.post(&format!("/accounts/{}/role-grants", app.auditor.id), &grant).await;
}

/// Readings that a balance sent: one accepted for a test portion, one that waits.
async fn readings(lab: &Lab) {
    let samples = lab.app.auditor.get("/samples").await.expect(200);
    let sample = text(&samples["items"][0], "id");
    for value in ["0.4903", "0.5100"] {
        let reading = json!({
            "id": uuid::Uuid::now_v7(), "equipment": lab.bench.balance, "value": value, "unit": "g",
            "raw_line": format!("OK NET + {value} g"), "observed_at": chrono::Utc::now(),
        });
        let reading = text(&lab.app.instrument.post("/instrument-readings", &reading).await.expect(201), "id");
        if value == "0.4903" {
            let portion = json!({
                "mass_g": value, "balance": lab.bench.balance, "dilution": [{ "flask": lab.bench.flask_250 }],
                "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(0),
                "accepted": [{ "field": "mass_g", "reading": reading }],
            });
            let _ = lab.app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201);
        }
    }
}

/// A trainee's titrations that wait for the supervisor's countersignature, and a password that was reset, so that somebody must
/// confirm whose account it is.
async fn supervised(lab: &Lab) {
    let trainee = crate::who_signs::trainee(&lab.app).await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let mut titration = lab.titration("accurate", "21.46", None);
    titration["supervisor"] = json!(lab.app.analyst.id);
    let _ = trainee.post(&format!("/determinations/{determination}/titrations"), &titration).await.expect(201);
    let (_, _) = ferrotitre_tests::authenticator::set_up(&trainee, false).await;
    let reset = format!("/accounts/{}/provisional-password", trainee.id);
    let _ = lab.app.administrator.post(&reset, &json!({})).await.expect(201);
}
