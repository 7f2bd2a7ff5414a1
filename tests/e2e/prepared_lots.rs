//! A titrant lot recorded together with its preparation by mass: both or neither, by the rules of each.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{Bench, bench, days_ahead, dichromate_standard, minutes_ago, text};
use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::pages::Visitor;

const TABLES: [&str; 4] = ["titrants", "titrant_preparations", "late_entries", "reading_uses"];

/// A bench with a released standard.
struct Shelf {
    app: TestApp,
    bench: Bench,
    /// Version of the released lot.
    standard: String,
}

impl Shelf {
    async fn open() -> Self {
        let app = TestApp::start().await;
        let bench = bench(&app).await;
        let lot = app.analyst.post("/primary-standards", &dichromate_standard("PS-1")).await.expect(201);
        let moves = format!("/primary-standards/{}/moves", text(&lot, "id"));
        let _ = app.manager.post(&moves, &json!({ "to": "released" })).await.expect(201);
        Self { standard: text(&lot, "version_id"), bench, app }
    }

    /// A lot with its preparation.
    fn lot(&self, code: &str) -> Value {
        json!({
            "code": code, "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
            "route": "direct preparation", "factor_low": "0.990", "factor_high": "1.010", "storage": "dark, 20 C",
            "container": "amber glass, 1 L", "expires_at": days_ahead(90), "observed_at": minutes_ago(30),
            "preparation": {
                "primary_standard": self.standard, "mass_g": "4.9032", "balance": self.bench.balance,
                "flask": self.bench.flask_1000, "solution_temperature": "20.0",
            },
        })
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lot_and_its_preparation_are_recorded_in_one_request_and_come_to_what_they_come_to_apart() {
    let shelf = Shelf::open().await;
    let app = &shelf.app;
    let made = app.analyst.post("/titrants", &shelf.lot("D-1")).await.expect(201);
    assert_eq!((&made["state"], &made["factor_now"]), (&json!("prepared"), &Value::Null));
    let together = made["preparation"]["evaluation"]["factor"].as_f64().unwrap();
    // The same by two requests.
    let mut lot = shelf.lot("D-2");
    let mut preparation = lot.as_object_mut().unwrap().remove("preparation").unwrap();
    let second = app.analyst.post("/titrants", &lot).await.expect(201);
    assert!(second["preparation"].is_null(), "{second}");
    preparation["titrant"] = second["id"].clone();
    preparation["observed_at"] = lot["observed_at"].clone();
    let apart = app.analyst.post("/preparations", &preparation).await.expect(201);
    assert_eq!(Some(together), apart["evaluation"]["factor"].as_f64());
    // Each is a record with an event of its own, by the permission of preparing.
    let sql = app.sql(ferrotitre_tests::cluster::DatabaseRole::Service).await;
    let query = "SELECT entity_kind, action FROM audit_events WHERE entity_id IN ($1, $2) ORDER BY entity_kind";
    let [one, other] =
        [&made["id"], &made["preparation"]["version_id"]].map(|id| -> Uuid { id.as_str().unwrap().parse().unwrap() });
    let events = sql.query(query, &[&one, &other]).await.unwrap();
    let events: Vec<(String, String)> = events.iter().map(|row| (row.get(0), row.get(1))).collect();
    let event = |kind: &str| (kind.to_owned(), "prepare_titrants".to_owned());
    assert_eq!(events, [event("titrant_preparations"), event("titrants")]);
    // Released by somebody else, as ever.
    let release = format!("/titrants/{}/release", text(&made, "id"));
    let _ = app.manager.sign(&release, None).await.expect(201);
    let lot = app.auditor.get(&format!("/titrants/{}", text(&made, "id"))).await.expect(200);
    assert_eq!((&lot["state"], lot["preparations"].as_array().unwrap().len()), (&json!("released"), 1));
    // Two requests with one key are one lot.
    let body = serde_json::to_vec(&shelf.lot("D-3")).unwrap();
    let headers = [("Idempotency-Key", "lot D-3"), ("Content-Type", "application/json")];
    let mut answers = Vec::new();
    for _ in 0..2 {
        answers.push(app.analyst.send(Method::POST, "/titrants", &headers, Some(body.clone())).await.expect(201));
    }
    assert_eq!(answers[0], answers[1]);
    app.auditor.post("/titrants", &shelf.lot("D-4")).await.refused(403, "forbidden");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_wrong_with_either_records_neither_and_is_named_where_it_stands() {
    let shelf = Shelf::open().await;
    let app = &shelf.app;
    let quarantined = app.analyst.post("/primary-standards", &dichromate_standard("PS-2")).await.expect(201);
    let _ = app.analyst.post("/titrants", &shelf.lot("D-0")).await.expect(201);
    let before = app.row_counts(&TABLES).await;
    let with = |path: &str, value: Value| {
        let mut lot = shelf.lot("D-1");
        *lot.pointer_mut(path).unwrap() = value;
        lot
    };
    for (lot, field, rule) in [
        (with("/code", json!("D-0")), "code", "constraint"),
        (
            with("/preparation/primary_standard", quarantined["version_id"].clone()),
            "preparation.primary_standard",
            "released",
        ),
        (with("/preparation/primary_standard", json!(Uuid::now_v7())), "preparation.primary_standard", "exists"),
        (with("/preparation/mass_g", json!("0")), "preparation.mass_g", "range"),
        // Read finer than the balance reads.
        (with("/preparation/mass_g", json!("4.90321")), "preparation.mass_g", "multiple_of_resolution"),
        (with("/preparation/balance", json!(shelf.bench.flask_250)), "preparation.balance", "kind"),
        (with("/preparation/flask", json!(shelf.bench.balance)), "preparation.flask", "kind"),
        (with("/preparation/solution_temperature", json!("60")), "preparation.solution_temperature", "range"),
        (with("/observed_at", json!(minutes_ago(3 * 1440))), "late_reason", "required"),
        (with("/route", json!("standardisation")), "preparation", "route"),
    ] {
        let answer = app.analyst.post("/titrants", &lot).await;
        assert!((400..500).contains(&answer.status), "{lot}: {}", answer.text);
        let error = &answer.json["errors"][0];
        assert_eq!(error["field"], field, "{}", answer.text);
        if rule != "constraint" {
            assert_eq!(error["rule"], rule, "{}", answer.text);
        }
    }
    let mut extra = shelf.lot("D-1");
    extra["preparation"]["titrant"] = json!(Uuid::now_v7());
    let problem = app.analyst.post("/titrants", &extra).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "preparation.titrant", "{problem}");
    assert_eq!(app.row_counts(&TABLES).await, before);
    // Made up long ago: one reason for both.
    let mut late = shelf.lot("D-1");
    late["observed_at"] = json!(minutes_ago(2 * 1440));
    late["late_reason"] = json!("taken over from bench book 7");
    // The standard was opened long ago, so that it was there.
    let _ = app.analyst.post("/titrants", &late).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_form_of_a_lot_takes_its_preparation_and_does_without() {
    let shelf = Shelf::open().await;
    let app = &shelf.app;
    let reading = json!({
        "id": Uuid::now_v7(), "equipment": "BAL-1", "value": "4.9032", "unit": "g", "raw_line": "OK NET 4.9032 g",
        "observed_at": chrono::Utc::now(),
    });
    let reading = text(&app.instrument.post("/instrument-readings", &reading).await.expect(201), "id");
    let analyst = Visitor::of(app.running.address, &app.analyst);
    let form = analyst.get("/titrants/new").await;
    for one in ["PS-1", "BAL-1"] {
        assert!(form.text.contains(&format!("value=\"{one}\" list=")), "proposed, as the only one: {one}");
    }
    let expires = (chrono::Utc::now() + chrono::Duration::days(60)).format("%Y-%m-%dT12:00").to_string();
    let hidden = [("_code", form.hidden("_code").to_owned()), ("_key", form.hidden("_key").to_owned())];
    let post = async |code: &str, more: &[(&str, &str)]| {
        // Each form is sent under a key of its own.
        let key = format!("{} {code}", hidden[1].1);
        let lot = [
            ("_code", hidden[0].1.as_str()),
            ("_key", key.as_str()),
            ("code", code),
            ("species", "dichromate"),
            ("nominal_concentration", "0.1"),
            ("concentration_unit", "eq/L"),
            ("route", "direct preparation"),
            ("factor_low", "0.990"),
            ("factor_high", "1.010"),
            ("storage", "dark, 20 C"),
            ("container", "amber glass, 1 L"),
            ("expires_at", expires.as_str()),
            ("preparation.primary_standard", "PS-1"),
            ("preparation.balance", "BAL-1"),
        ];
        analyst.post("/titrants/new", &[&lot[..], more].concat()).await
    };
    // What is only proposed is no preparation: it is recorded on the next page, as before.
    let alone = post("D-1", &[]).await;
    assert!(alone.status == 303 && alone.header("location").contains("/preparation"), "{}", alone.text);
    assert_eq!(app.row_counts(&["titrant_preparations"]).await, [0]);
    // Half a preparation is none.
    let half = post("D-2", &[("preparation.solution_temperature", "20.0")]).await;
    let mass = half.text.split("name=\"preparation.mass_g\"").nth(1).and_then(|rest| rest.split('>').next()).unwrap();
    assert!(half.status == 422 && mass.contains("aria-invalid"), "{}", half.text);
    assert_eq!(app.row_counts(&["titrants"]).await, [1]);
    let whole = [
        ("preparation.mass_g", "4.9032"),
        ("preparation.flask", "F1000"),
        ("preparation.solution_temperature", "20.0"),
        ("accepted[0].field", "preparation.mass_g"),
        ("accepted[0].reading", reading.as_str()),
    ];
    let saved = post("D-3", &whole).await;
    assert!(saved.status == 303 && !saved.header("location").contains("/preparation"), "{}", saved.text);
    let page = analyst.get(saved.header("location")).await;
    assert!(page.text.contains("What it comes to") && page.text.contains("OK NET 4.9032 g"), "{}", page.text);
    assert_eq!(app.row_counts(&["titrant_preparations", "reading_uses"]).await, [1, 1]);
}
