//! Lots prepared by mass: their preparation is amended once a certificate was corrected, before and after the release.

use ferrotitre_tests::bench::{days_ahead, dichromate_standard, minutes_ago, text};
use serde_json::{Value, json};

use super::{RIGHT, close, correct, factors, nothing_is_found, number};
use crate::lab::{Lab, dichromate, sign};
use crate::pages::Visitor;
use crate::signed::{begun, grams_per_litre, signed_part};

/// A lot that is prepared and waits for its release.
pub(super) async fn prepared(lab: &Lab, standard: &str, code: &str) -> String {
    let app = &lab.app;
    let lot = json!({
        "code": code, "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "direct preparation", "factor_low": "0.990", "factor_high": "1.010", "storage": "dark, 20 C",
        "container": "amber glass, 1 L", "expires_at": days_ahead(90), "observed_at": minutes_ago(60),
    });
    let lot = text(&app.analyst2.post("/titrants", &lot).await.expect(201), "id");
    let preparation = json!({
        "titrant": lot, "primary_standard": standard, "mass_g": "4.9032", "balance": lab.bench.balance,
        "flask": lab.bench.flask_1000, "solution_temperature": "20.0", "observed_at": minutes_ago(50),
    });
    let _ = app.analyst2.post("/preparations", &preparation).await.expect(201);
    lot
}

/// c = m P B / (M V): factor and contents go with the purity, 0.9950 / 0.9998 = 0.995199; Vogel's Quantitative Chemical Analysis,
/// primary standards (from memory).
#[tokio::test(flavor = "multi_thread")]
async fn the_preparation_of_a_released_lot_is_amended_and_reaches_what_was_standardised_against_it() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (iron2, standardisation) = crate::figures::iron2(&lab, ["25.00", "25.02", "24.98"]).await;
    for (who, step) in [(&app.analyst, "submission"), (&app.manager, "approval")] {
        let _ = sign(who, &standardisation, step, None).await.expect(201);
    }
    let (path, signed) = crate::signed::approved(&lab).await;
    let run = lab.run(&lab.iron2).await;
    let draft = format!("/determinations/{}", begun(&lab, &run).await);
    let before = factors(&lab, &lab.titrant).await[0].clone();
    let against = number(&factors(&lab, &iron2).await[0]["factor"]);
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let mut facts = dichromate_standard("PS-1");
    facts["mass_fraction"] = json!(RIGHT);
    let corrected = correct(&lab, &text(&standards["items"][0], "id"), &facts).await.expect(201);
    let ratio = 0.9950 / 0.9998;

    // Neither the draft nor a standardisation against the lot is signed with the factor as it is.
    let refused = sign(&app.analyst, &draft, "submission", None).await.refused(422, "rule_broken");
    assert!(text(&refused, "detail").contains("amend the preparation of D-1"), "{refused}");
    let lot = app.auditor.get(&format!("/titrants/{}", lab.titrant)).await.expect(200);
    assert!(lot["touched"].to_string().contains("certificate of PS-1 corrected"), "{lot}");
    assert_eq!(lot["amended"], false);
    let preparation = lot["preparations"][0].clone();
    let (record, version) = (text(&preparation, "id"), text(&preparation, "version_id"));
    let mut next = facts_of(&preparation);
    let amendment = |facts: &Value| json!({ "reason": "the purity of PS-1 had been misread", "facts": facts });
    let path_of = format!("/preparations/{record}/amendment");
    // Only a manager, and only what an amendment may change.
    app.analyst2.post_if_match(&path_of, &version, &amendment(&next)).await.refused(403, "forbidden");
    let refused = app.manager.post_if_match(&path_of, &version, &amendment(&next)).await.refused(422, "invalid_input");
    assert_eq!(refused["errors"][0]["field"], "facts.primary_standard", "the version that was corrected");
    next["primary_standard"] = corrected["version_id"].clone();
    let mut moved = next.clone();
    moved["observed_at"] = json!(minutes_ago(10));
    let refused = app.manager.post_if_match(&path_of, &version, &amendment(&moved)).await.refused(422, "invalid_input");
    assert_eq!(refused["errors"][0]["field"], "facts.observed_at");
    let correction = format!("/preparations/{record}/corrections");
    app.manager.post_if_match(&correction, &version, &amendment(&next)).await.refused(409, "state_conflict");
    let made = app.manager.post_if_match(&path_of, &version, &amendment(&next)).await.expect(201);
    close(number(&made["evaluation"]["factor"]) / number(&before["factor"]), ratio);
    assert_eq!(factors(&lab, &lab.titrant).await.len(), 1, "nothing counts before it is released");
    let release = format!("/titrants/{}", lab.titrant);
    sign(&app.manager, &release, "release", None).await.refused(403, "own_record");
    let state = lot["state"].clone();
    let released = sign(&app.manager2, &release, "release", None).await.expect(201);
    assert_eq!(released["state"], state, "the lot stays where it was");
    sign(&app.manager2, &release, "release", None).await.refused(409, "state_conflict");
    let all = factors(&lab, &lab.titrant).await;
    let new = all.iter().find(|one| one["corrects"] == before["id"]).unwrap();
    close(number(&new["factor"]) / number(&before["factor"]), ratio);
    assert_eq!(released["factor_now"]["id"], new["id"]);
    let lot = app.auditor.get(&release).await.expect(200);
    assert_eq!((&lot["amended"], lot["touched"].is_null()), (&json!(false), true), "{lot}");
    // Each version shows what it came to when it was signed.
    close(number(&lot["preparations"][0]["evaluation"]["factor"]), number(&before["factor"]));

    // The draft reads the corrected factor, the signed result does not.
    let now = app.auditor.get(&draft).await.expect(200);
    close(grams_per_litre(&now) / grams_per_litre(&signed), ratio);
    sign(&app.analyst, &draft, "submission", None).await.expect(201);
    let still = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&still)["evaluation"], signed_part(&signed)["evaluation"]);
    assert!(still["since"]["words"].to_string().contains("factor of D-1 corrected"), "{}", still["since"]);
    // Looked back at, each signature is evaluated from the factor it stands over: from 0.9998 and from 0.9950 to 0.9975.
    let standard = text(&standards["items"][0], "id");
    let answer = app.auditor.get(&format!("/what-if?standard={standard}&mass_fraction=0.9975")).await.text;
    let lines: Vec<Value> = answer.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    for (place, purity) in [(&path, 0.9998), (&draft, 0.9950)] {
        let of = |line: &&Value| line["result"]["id"].as_str().is_some_and(|id| place.ends_with(id));
        let line = &lines.iter().find(of).unwrap()["result"];
        close(number(&line["after"]["value"]) / number(&line["before"]["value"]), 0.9975 / purity);
    }
    // What was standardised against the lot follows, once that is amended in turn.
    let reason = Some("D-1 has a corrected factor");
    let open = sign(&app.manager, &standardisation, "amendment", reason).await.expect(201);
    close(number(&open["concentration"]["factor"]) / against, ratio);
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    close(number(&factors(&lab, &iron2).await[0]["factor"]) / against, ratio);
    let drift = app.auditor.get(&format!("/titrants/{}/drift", lab.titrant)).await.expect(200);
    assert_eq!(drift["points"].as_array().unwrap().len(), 1, "a corrected factor is no drift");
    // Each factor leads to the preparation it came from.
    let page = Visitor::of(app.running.address, &app.auditor).get(&format!("/titrants/{}", lab.titrant)).await.text;
    for said in ["href=\"#preparation-1\"", "id=\"preparation-1\"", "Preparation, version 1", "href=\"#preparation\""] {
        assert!(page.contains(said), "{said}: {page}");
    }
    nothing_is_found(&lab).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_lot_is_not_released_with_a_certificate_that_was_corrected_since_it_was_prepared() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let (standard, version) = (text(&standards["items"][0], "id"), text(&standards["items"][0], "version_id"));
    let lot = prepared(&lab, &version, "D-8").await;
    let mut facts = dichromate_standard("PS-1");
    facts["mass_fraction"] = json!("0.9990");
    let corrected = correct(&lab, &standard, &facts).await.expect(201);
    let release = format!("/titrants/{lot}");
    let refused = sign(&app.manager, &release, "release", None).await.refused(409, "state_conflict");
    let said = text(&refused, "detail");
    assert!(said.contains("certificate of PS-1 was corrected") && said.contains("correct the preparation"), "{said}");
    let read = app.auditor.get(&release).await.expect(200);
    let preparation = read["preparations"][0].clone();
    let mut next = facts_of(&preparation);
    next["primary_standard"] = corrected["version_id"].clone();
    let correction = json!({ "reason": "the certificate was corrected", "facts": next });
    let path = format!("/preparations/{}/corrections", text(&preparation, "id"));
    let _ = app.analyst2.post_if_match(&path, &text(&preparation, "version_id"), &correction).await.expect(201);
    let _ = sign(&app.manager, &release, "release", None).await.expect(201);
    // A lot that was released as it should be is made with the present version at once.
    let present = text(&corrected, "version_id");
    let _ = dichromate(app, &lab.bench, &present, "D-9", json!(days_ahead(90)), minutes_ago(60)).await;
    nothing_is_found(&lab).await;
}

/// What was entered for a preparation, as it is shown.
pub(super) fn facts_of(preparation: &Value) -> Value {
    let fields = ["titrant", "primary_standard", "mass_g", "balance", "flask", "solution_temperature", "observed_at"];
    fields
        .into_iter()
        .map(|field| (field.to_owned(), preparation[field].clone()))
        .collect::<serde_json::Map<_, _>>()
        .into()
}
