//! What is kept of a result: the proof of control at its moment, and records that stay readable whatever becomes of what they name.

use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::{Answer, pdf};
use serde_json::{Value, json};

use super::{approved, standard};
use crate::lab::Lab;

#[tokio::test(flavor = "multi_thread")]
async fn the_proof_of_control_says_what_the_result_was_made_with_and_what_is_missing() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let open = format!("/determinations/{}", lab.iron2_done(["21.46", "21.46"]).await);
    app.auditor.get(&format!("{open}/control")).await.refused(409, "state_conflict");
    let (path, signed) = approved(&lab).await;
    let proof = app.auditor.get(&format!("{path}/control")).await.expect(200);
    assert_eq!(proof["content_digest"], signed["content_digest"]);
    assert_eq!(proof["reported"], signed["evaluation"]["reported"]);
    let factor = &proof["factors"][0];
    // Prepared three days before, titrated half an hour ago.
    assert!((factor["age_days"].as_f64().unwrap() - (3.0 - 30.0 / 1440.0)).abs() < 0.01, "{factor}");
    assert_eq!(factor["in_force"], true);
    let codes: Vec<String> =
        proof["calibrations"].as_array().unwrap().iter().map(|one| text(one, "equipment_code")).collect();
    assert_eq!(codes, ["B-01", "BAL-1", "F1000", "F250", "P10", "P25"], "those of the titrant, too");
    assert!(proof["calibrations"].as_array().unwrap().iter().all(|one| one["in_force"] == true), "{proof}");
    let parts: Vec<(String, bool)> = proof["people"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| (text(one, "part"), one["competent"].as_bool().unwrap()))
        .collect();
    assert_eq!(parts[0], ("titrated".to_owned(), true), "{}", proof["people"]);
    assert_eq!(proof["run"]["state"], "released");
    assert_eq!(proof["gaps"], json!(["no control chart belongs to the run"]));
    // What comes later is said beside it, and changes nothing of it.
    let retired = json!({ "outcome": "failed", "note": "dropped", "observed_at": minutes_ago(1) });
    let _ = app.analyst.post(&format!("/equipment/{}/checks", lab.bench.balance), &retired).await.expect(201);
    let after = app.auditor.get(&format!("{path}/control")).await.expect(200);
    assert_eq!((&after["factors"], &after["gaps"]), (&proof["factors"], &proof["gaps"]));
    assert!(after["since"].to_string().contains("failed its check"), "{}", after["since"]);
    let balance =
        after["calibrations"].as_array().unwrap().iter().find(|one| one["equipment_code"] == "BAL-1").unwrap();
    assert_eq!(balance["checked_after"]["outcome"], "failed");
    let document = app.auditor.get(&format!("{path}/control.pdf")).await;
    assert_eq!(document.status, 200);
    let read = pdf::read(&document.bytes).await.text;
    for words in ["Proof of control", "Calibrations and checks", "no control chart belongs to the run"] {
        assert!(read.contains(words), "{words}: {read}");
    }
}

/// A piece of equipment out of use, people gone and lots withdrawn make no old record unreadable.
#[tokio::test(flavor = "multi_thread")]
async fn history_stays_readable_whatever_becomes_of_equipment_people_and_lots() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let id = standard(&lab).await;
    let lot = app.auditor.get(&format!("/titrants/{}", lab.titrant)).await.expect(200);
    let preparation = text(&lot["preparations"][0], "id");
    let run = text(&signed, "run");
    let pages = [
        path.clone(),
        format!("{path}/working"),
        format!("{path}/report.pdf?working=true"),
        format!("{path}/control"),
        format!("{path}/control.pdf"),
        format!("{path}/workbook.xlsx"),
        format!("/titrants/{}", lab.titrant),
        format!("/titrants/{}/factors", lab.titrant),
        format!("/titrants/{}/drift", lab.titrant),
        format!("/preparations/{preparation}/working"),
        format!("/runs/{run}"),
        format!("/equipment/{}", lab.bench.burette),
        format!("/equipment/{}/calibrations", lab.bench.balance),
        format!("/primary-standards/{id}"),
        format!("/where-used/{id}"),
        format!("/what-if?standard={id}&mass_fraction=0.9975"),
        format!("/accounts/{}", app.analyst.id),
        "/exports/determinations?format=csv".to_owned(),
    ];
    let read = async || {
        let mut found = Vec::new();
        for page in &pages {
            let answer = app.manager.get(page).await;
            assert_eq!(answer.status, 200, "{page}: {}", answer.text);
            found.push(answer);
        }
        found
    };
    let before = read().await;
    let failed = json!({ "outcome": "failed", "note": "dropped", "observed_at": minutes_ago(1) });
    for piece in
        [&lab.bench.burette, &lab.bench.balance, &lab.bench.flask_250, &lab.bench.flask_1000, &lab.bench.pipette_10]
    {
        let _ = app.analyst.post(&format!("/equipment/{piece}/checks"), &failed).await.expect(201);
        let state = text(&app.auditor.get(&format!("/equipment/{piece}")).await.expect(200)["versions"][0], "state");
        let to = if state == "out of service" { "retired" } else { "out of service" };
        let moved = json!({ "to": to, "reason": "broken beyond repair" });
        let _ = app.manager.post(&format!("/equipment/{piece}/moves"), &moved).await.expect(201);
    }
    let withdrawn = json!({ "to": "withdrawn", "reason": "recalled by its producer" });
    let _ = app.manager.post(&format!("/titrants/{}/moves", lab.titrant), &withdrawn).await.expect(201);
    let _ = app.manager.post(&format!("/primary-standards/{id}/moves"), &withdrawn).await.expect(201);
    let _ =
        app.manager.post(&format!("/methods/{}/moves", method_of(&lab, &signed).await), &withdrawn).await.expect(201);
    for person in [&app.analyst, &app.analyst2] {
        let retired = json!({ "to": "retired", "reason": "left the laboratory" });
        let _ = app.administrator.post(&format!("/accounts/{}/moves", person.id), &retired).await.expect(201);
    }
    let after = read().await;
    assert_eq!(after[0].json["evaluation"], before[0].json["evaluation"]);
    assert_eq!(after[1].text, before[1].text, "the working");
    assert_eq!(after[7].json, before[7].json, "the factors");
    assert_eq!(after[9].text, before[9].text, "the working of the preparation");
    for part in ["factors", "calibrations", "gaps"] {
        let known = |answer: &Answer| {
            let mut of = answer.json[part].clone();
            for one in of.as_array_mut().unwrap().iter_mut().filter_map(Value::as_object_mut) {
                one.remove("checked_after");
            }
            of
        };
        assert_eq!(known(&after[3]), known(&before[3]), "{part}");
    }
}

/// The method of a determination, in any version.
async fn method_of(lab: &Lab, view: &Value) -> String {
    let version = text(view, "method");
    let list = lab.app.auditor.get("/methods").await.expect(200);
    let found = list["items"].as_array().unwrap().iter().find(|one| one["version_id"] == json!(version)).cloned();
    text(&found.unwrap(), "id")
}
