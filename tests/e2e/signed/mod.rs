//! What was signed stays what was signed: pins, what touches them later, and nothing slips between two transactions.

mod again;
mod decisions;
mod earlier_release;
mod factors;
mod figures;
mod races;
mod sequences;
mod touched;

use ferrotitre_tests::Client;
use ferrotitre_tests::bench::{day, minutes_ago, text};
use serde_json::{Value, json};

use crate::lab::{Lab, sign};

/// An approved result with two titres of 21.46 mL, and the path it is read at.
pub(super) async fn approved(lab: &Lab) -> (String, Value) {
    let path = format!("/determinations/{}", lab.iron2_done(["21.46", "21.46"]).await);
    let view = lab.through(&path).await;
    (path, view)
}

/// Identity of what is read at a path.
pub(super) fn id_of(path: &str) -> String {
    path.trim_start_matches("/determinations/").to_owned()
}

/// The test portion of the laboratory, taken with another pipette.
pub(super) fn portion_with(lab: &Lab, pipette: &str) -> Value {
    json!({
        "pipette": pipette, "dilution": [{ "flask": lab.bench.flask_250 }], "aliquot_pipette": lab.bench.pipette_25,
        "observed_at": minutes_ago(50),
    })
}

/// Corrects the portion as an analyst.
pub(super) async fn correct_portion(lab: &Lab, pipette: &str) -> ferrotitre_tests::Answer {
    let sample = text(&lab.app.auditor.get("/samples").await.expect(200)["items"][0], "id");
    let portions = lab.app.auditor.get(&format!("/samples/{sample}/portions")).await.expect(200);
    let version = text(&portions[0], "version_id");
    let correction = json!({ "reason": "the other pipette was used", "facts": portion_with(lab, pipette) });
    let path = format!("/portions/{}/corrections", lab.portion);
    lab.app.analyst.post_if_match(&path, &version, &correction).await
}

/// A calibration of the 250 mL flask.
pub(super) fn flask_calibration(certificate: &str, days: i64, volume: &str) -> Value {
    json!({
        "certificate": certificate, "calibrated_on": day(days), "due_on": day(300), "calibrated_value": volume,
        "standard_uncertainty": "0.08",
    })
}

/// Unrounded iron(II), g/L as Fe.
pub(super) fn grams_per_litre(view: &Value) -> f64 {
    let figures = view["evaluation"]["figures"].as_array().unwrap();
    figures.iter().find(|one| one["unit"] == "g/L" && one["expressed"] == "Fe").unwrap()["value"].as_f64().unwrap()
}

/// What must never change of a signed result, as JSON.
pub(super) fn signed_part(view: &Value) -> Value {
    json!({ "evaluation": view["evaluation"], "digest": view["content_digest"], "flags": view["flags"] })
}

/// Signs with the digest that was seen earlier.
pub(super) async fn sign_seen(who: &Client, path: &str, step: &str, digest: &Value) -> ferrotitre_tests::Answer {
    who.post(&format!("{path}/{step}"), &json!({ "password": who.password, "content_digest": digest })).await
}

/// Begins a determination with two titres, not signed.
pub(super) async fn begun(lab: &Lab, run: &str) -> String {
    let determination = lab.begin(run).await;
    for last in ["21.46", "21.46"] {
        lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
    }
    determination
}

/// Amends as the manager.
pub(super) async fn amend(lab: &Lab, path: &str, reason: &str) -> Value {
    sign(&lab.app.manager, path, "amendment", Some(reason)).await.expect(201)
}
