//! What stands on the bench: equipment, lots, methods and samples, recorded through the API.

use chrono::{DateTime, Duration, SecondsFormat, Utc};
use serde_json::{Value, json};

use crate::TestApp;

/// A time some minutes ago, as the API takes it.
#[must_use]
pub fn minutes_ago(minutes: i64) -> String {
    (Utc::now() - Duration::minutes(minutes)).to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// A day relative to today.
#[must_use]
pub fn day(offset: i64) -> String {
    (Utc::now() + Duration::days(offset)).date_naive().to_string()
}

/// A time ahead.
#[must_use]
pub fn days_ahead(days: i64) -> DateTime<Utc> {
    Utc::now() + Duration::days(days)
}

/// A text field of an answer.
#[must_use]
#[track_caller]
pub fn text(value: &Value, field: &str) -> String {
    let found = value[field].as_str();
    assert!(found.is_some(), "no text field {field} in {value}");
    found.unwrap_or_default().to_owned()
}

/// Facts of a piece of equipment.
#[must_use]
pub fn equipment(code: &str, kind: &str, range_high: &str, resolution: Option<&str>) -> Value {
    let unit = match kind {
        "balance" => "g",
        "thermometer" => "C",
        _ => "mL",
    };
    json!({
        "code": code, "kind": kind, "description": format!("{kind} of the iron bench"), "range_low": "0.00",
        "range_high": range_high, "resolution": resolution, "unit": unit,
    })
}

/// Facts of a calibration; a pipette or flask has its calibrated volume.
#[must_use]
pub fn calibration(volume: Option<&str>, u: &str) -> Value {
    json!({
        "certificate": "CAL-1", "calibrated_on": day(-100), "due_on": day(200), "calibrated_value": volume,
        "standard_uncertainty": u,
    })
}

/// Facts of a sample.
#[must_use]
pub fn sample(code: &str) -> Value {
    json!({
        "code": code, "client_reference": "bath 3, morning", "description": "green, clear",
        "matrix": "hydrochloric pickling bath", "received_at": minutes_ago(120), "condition": "intact",
        "preservation": "acid as taken, full bottle", "container": "glass, 250 mL", "storage": "refrigerator 2",
        "retained_until": day(90),
    })
}

/// Facts of a lot of potassium dichromate.
#[must_use]
pub fn dichromate_standard(code: &str) -> Value {
    json!({
        "code": code, "substance": "potassium dichromate", "supplier": "reference materials", "supplier_lot": "7",
        "certificate": "RM-7", "mass_fraction": "0.9998", "expanded_uncertainty": "0.0002", "coverage_factor": "2",
        "basis": "oxidising capacity", "opened_on": day(-60), "expires_on": day(300),
    })
}

/// Facts of a reagent lot.
#[must_use]
pub fn reagent(code: &str) -> Value {
    json!({
        "code": code, "substance": "tin(II) chloride", "concentration": "50 g/L in 3 mol/L hydrochloric acid",
        "prepared_on": day(-1), "expires_on": day(30), "hazard_class": "Skin Corr. 1B",
        "sds_reference": "folder 3, sheet 12", "waste_stream": "other acid",
    })
}

/// Equipment in service, by its identity.
#[derive(Debug, Clone)]
pub struct Bench {
    /// 0.1 mg balance.
    pub balance: String,
    /// 50 mL burette read to 0.02 mL.
    pub burette: String,
    /// 10 mL pipette.
    pub pipette_10: String,
    /// 25 mL pipette.
    pub pipette_25: String,
    /// 250 mL flask.
    pub flask_250: String,
    /// 1000 mL flask.
    pub flask_1000: String,
}

/// Records a piece of equipment with its calibration, as a manager.
pub async fn install(app: &TestApp, facts: &Value, calibration: &Value) -> String {
    let id = text(&app.manager.post("/equipment", facts).await.expect(201), "id");
    let _ = app.manager.post(&format!("/equipment/{id}/calibrations"), calibration).await.expect(201);
    id
}

/// Records the whole bench.
pub async fn bench(app: &TestApp) -> Bench {
    Bench {
        balance: install(
            app,
            &equipment("BAL-1", "balance", "200.0000", Some("0.0001")),
            &calibration(None, "0.00013"),
        )
        .await,
        burette: install(app, &equipment("B-01", "burette", "50.00", Some("0.02")), &calibration(None, "0.015")).await,
        pipette_10: install(app, &equipment("P10", "pipette", "10", None), &calibration(Some("10.000"), "0.010")).await,
        pipette_25: install(app, &equipment("P25", "pipette", "25", None), &calibration(Some("25.000"), "0.015")).await,
        flask_250: install(app, &equipment("F250", "flask", "250", None), &calibration(Some("250.00"), "0.08")).await,
        flask_1000: install(app, &equipment("F1000", "flask", "1000", None), &calibration(Some("1000.0"), "0.2")).await,
    }
}
