//! What the service takes from an instrument and what it refuses, and from whom.

use ferrotitre_tests::app::new_instrument;
use ferrotitre_tests::bench::minutes_ago;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{laboratory, values};

fn reading(equipment: &str, value: &str, unit: &str) -> Value {
    json!({
        "id": Uuid::now_v7(), "equipment": equipment, "value": value, "unit": unit,
        "raw_line": format!("OK NET {value} {unit}"), "observed_at": minutes_ago(1),
    })
}

fn with(mut reading: Value, field: &str, value: Value) -> Value {
    reading[field] = value;
    reading
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_that_its_instrument_cannot_have_shown_is_refused_with_field_rule_and_value() {
    let app = laboratory().await;
    let good = || reading("BAL-1", "0.4903", "g");
    let in_an_hour = json!(chrono::Utc::now() + chrono::Duration::hours(1));
    for (body, code, field, rule) in [
        (reading("BAL-9", "0.4903", "g"), "unknown_reference", "equipment", "exists"),
        (reading("P10", "10.000", "mL"), "invalid_input", "equipment", "kind"),
        (reading("B-01", "10.00", "mL"), "invalid_input", "equipment", "kind"),
        (reading("BAL-1", "0.4903", "mg"), "invalid_input", "unit", "unit"),
        (reading("BAL-1", "0.49035", "g"), "invalid_input", "value", "multiple_of_resolution"),
        (reading("BAL-1", "200.0001", "g"), "invalid_input", "value", "within_scale"),
        (reading("PB-1", "-20.001", "mL"), "invalid_input", "value", "within_scale"),
        (with(good(), "value", json!("0.4930")), "invalid_input", "raw_line", "shows_value"),
        (with(good(), "value", json!("0,4903")), "invalid_input", "value", "decimal_point"),
        (with(good(), "raw_line", json!("")), "invalid_input", "raw_line", "length"),
        (with(good(), "raw_line", json!("OK 0.4903 g\u{0}")), "invalid_input", "raw_line", "no_nul"),
        (with(good(), "observed_at", in_an_hour), "invalid_input", "observed_at", "not_in_the_future"),
        (with(good(), "observed_at", json!("2020-01-01T00:00:00Z")), "invalid_input", "observed_at", "existed"),
        (with(good(), "account", json!("balance-1")), "invalid_input", "account", "unknown_field"),
    ] {
        let problem = app.instrument.post("/instrument-readings", &body).await.refused(422, code);
        let wrong = &problem["errors"][0];
        assert_eq!((wrong["field"].as_str(), wrong["rule"].as_str()), (Some(field), Some(rule)), "{problem}");
    }
    assert_eq!(values(&app).await, Vec::<String>::new());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_sent_again_is_the_same_and_another_under_its_id_is_refused() {
    let app = laboratory().await;
    let sent = reading("BAL-1", "0.4900", "g");
    let first = app.instrument.post("/instrument-readings", &sent).await.expect(201);
    assert_eq!((first["value"].as_str(), first["quantity"].as_str()), (Some("0.4900"), Some("mass")));
    assert_eq!(first["recorded_by"], json!(app.instrument.id));
    // Without a key, with one, and with another: it goes by its own identity.
    for key in ["a", "a", "b"] {
        let again = app.instrument.post_with_key("/instrument-readings", key, &sent).await.expect(201);
        assert_eq!(again["id"], first["id"]);
    }
    let other = with(with(sent.clone(), "value", json!("0.4901")), "raw_line", json!("OK NET 0.4901 g"));
    app.instrument.post("/instrument-readings", &other).await.refused(422, "idempotency_key_reused");
    let (_, token) = new_instrument(&app.administrator, &app.manager, "balance-2").await;
    app.nobody.with_token(&token).post("/instrument-readings", &sent).await.refused(422, "idempotency_key_reused");
    assert_eq!(values(&app).await, ["0.4900"]);

    // Equipment goes by code or identity; what is out of service sends nothing.
    let id = first["equipment"].as_str().unwrap();
    let _ = app.instrument.post("/instrument-readings", &reading(id, "0.5000", "g")).await.expect(201);
    let out = json!({ "to": "out of service", "reason": "pan was bent" });
    let _ = app.manager.post(&format!("/equipment/{id}/moves"), &out).await.expect(201);
    let problem = app.instrument.post("/instrument-readings", &reading("BAL-1", "0.6000", "g")).await;
    assert_eq!(problem.refused(422, "item_not_released")["errors"][0]["rule"], "in_service");
    // What was sent before that is still answered.
    let _ = app.instrument.post("/instrument-readings", &sent).await.expect(201);
    let listed = app.analyst.get(&format!("/instrument-readings?equipment={id}&limit=1")).await.expect(200);
    assert_eq!(listed["items"][0]["value"], "0.5000");
    let after = listed["next"].as_str().unwrap();
    let rest = app.analyst.get(&format!("/instrument-readings?equipment={id}&after={after}")).await.expect(200);
    assert_eq!(rest["items"][0]["value"], "0.4900");
}

#[tokio::test(flavor = "multi_thread")]
async fn only_instruments_send_and_a_token_does_only_what_it_is_for() {
    let app = laboratory().await;
    for who in [&app.analyst, &app.manager, &app.auditor, &app.administrator] {
        who.post("/instrument-readings", &reading("BAL-1", "0.4903", "g")).await.refused(403, "forbidden");
    }
    app.nobody.post("/instrument-readings", &reading("BAL-1", "0.4903", "g")).await.refused(401, "not_signed_in");
    // An instrument reads nothing, not even what it sent.
    let made = app.instrument.post("/instrument-readings", &reading("BAL-1", "0.4903", "g")).await.expect(201);
    let path = format!("/instrument-readings/{}", made["id"].as_str().unwrap());
    app.instrument.get(&path).await.refused(403, "forbidden");
    app.instrument.get("/instrument-readings").await.refused(403, "forbidden");
    let token = json!({
        "account": app.instrument.id, "label": "titrator, readings typed elsewhere", "scopes": ["check_equipment"],
        "expires_at": chrono::Utc::now() + chrono::Duration::days(30),
    });
    let narrow = app.administrator.post("/service-tokens", &token).await.expect(201);
    let narrow = app.nobody.with_token(narrow["token"].as_str().unwrap());
    narrow.post("/instrument-readings", &reading("BAL-1", "0.4903", "g")).await.refused(403, "forbidden");
    // Who sent it is in the trail.
    app.sealed().await;
    let events = app.auditor.get("/audit-events?kind=instrument_readings").await.expect(200);
    let event = &events["items"][0];
    assert_eq!(
        (event["actor_name"].as_str(), event["record"]["name"].as_str()),
        (Some("balance-1"), Some("BAL-1, 0.4903 g"))
    );
    assert_eq!(events["items"].as_array().unwrap().len(), 1);
}
