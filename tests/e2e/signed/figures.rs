//! The signed figure stays on every reading, to the last bit, and what it would be now stands beside it.

use ferrotitre_tests::bench::{self, day, minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::pdf;
use serde_json::{Value, json};

use super::*;

/// Every reading of a determination: JSON, text of the working, list of its sample, long table, document.
async fn readings(lab: &Lab, path: &str) -> (Value, String, String) {
    let app = &lab.app;
    let view = app.auditor.get(path).await.expect(200);
    let working = app.auditor.get(&format!("{path}/working")).await;
    assert_eq!(working.status, 200, "{}", working.text);
    let table = app.manager.get("/exports/determinations?format=csv").await;
    assert_eq!(table.status, 200, "{}", table.text);
    let code = text(&view, "code");
    let line = table.text.lines().find(|line| line.contains(&code)).unwrap_or_default().to_owned();
    (view, working.text, line)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_corrected_portion_changes_no_signed_figure_and_is_shown_beside_it() {
    let lab = Lab::open().await;
    let (path, _) = approved(&lab).await;
    let (signed, working, line) = readings(&lab, &path).await;
    assert!(signed["since"].is_null(), "{}", signed["since"]);
    assert_eq!(lab.app.row_counts(&["impacts", "nonconformities"]).await, [0, 0]);

    // 25 mL taken instead of 10 mL: content is inversely proportional to the volume taken.
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let (after, working_after, line_after) = readings(&lab, &path).await;
    assert_eq!(signed_part(&after), signed_part(&signed));
    assert_eq!((working_after, line_after), (working, line));
    assert_eq!(after["state"], "approved");
    assert!(after["sign_offs"].as_array().unwrap().iter().all(|sign| sign["still_valid"] == true));

    let since = &after["since"];
    assert!(
        text(&since["touched"][0], "what").contains("test portion corrected: the other pipette was used"),
        "{since}"
    );
    let now: f64 = text(&since["now"], "value").parse().unwrap();
    let before: f64 = text(&after["evaluation"]["reported"], "value").parse().unwrap();
    assert!((now / before - 10.0 / 25.0).abs() < 5e-3, "{now} of {before}");
    let expanded: f64 = text(&after["evaluation"]["reported"], "expanded_uncertainty").parse().unwrap();
    let apart = since["difference_in_u"].as_f64().unwrap();
    assert!((apart - (now - before) / expanded).abs() < 0.02 * apart.abs(), "{apart}");
    assert_eq!(since["changes"], true);

    // An alert, and a nonconformity in the transaction of the correction.
    let alerts = lab.app.manager.get("/alerts").await.expect(200);
    let found = alerts["items"].as_array().unwrap().iter().any(|alert| alert["kind"] == "signed result touched");
    assert!(found, "{alerts}");
    let id = path.trim_start_matches("/determinations/");
    let open = lab.app.auditor.get(&format!("/nonconformities?entity={id}")).await.expect(200);
    assert_eq!(open["items"][0]["source"], "signed result touched", "{open}");

    // A manager says why it stays; the alert ends, the words stay.
    let impact = text(&since["touched"][0], "impact");
    let decision = json!({ "results": [id], "reason": "the first entry was right, the correction is taken back" });
    let decisions = format!("/impacts/{impact}/decisions");
    lab.app.analyst.post(&decisions, &decision).await.refused(403, "forbidden");
    let without = json!({ "results": [id], "reason": "" });
    lab.app.manager.post(&decisions, &without).await.refused(422, "invalid_input");
    let _ = lab.app.manager.post(&decisions, &decision).await.expect(201);
    lab.app.manager.post(&decisions, &decision).await.refused(409, "already_exists");
    let decided = lab.app.auditor.get(&path).await.expect(200);
    assert_eq!(decided["since"]["touched"][0]["decision"], "no change");
    let alerts = lab.app.manager.get("/alerts").await.expect(200);
    let found = alerts["items"].as_array().unwrap().iter().any(|alert| alert["kind"] == "signed result touched");
    assert!(!found, "{alerts}");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_amendment_reads_the_present_rows_and_keeps_both_figures_in_sight() {
    let lab = Lab::open().await;
    let (path, signed) = approved(&lab).await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let amended = amend(&lab, &path, "25 mL had been taken").await;
    let ratio = grams_per_litre(&amended) / grams_per_litre(&signed);
    assert!((ratio - 10.0 / 25.0).abs() < 1e-12, "{ratio}");
    let earlier = &amended["earlier"][0];
    assert_eq!(earlier["reported"]["text"], signed["evaluation"]["reported"]["text"]);
    assert_eq!((&earlier["ended"], &earlier["reason"]), (&json!("amended"), &json!("25 mL had been taken")));
    sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    sign(&lab.app.analyst2, &path, "review", None).await.expect(201);
    // Who amended it has a hand in what came of that.
    sign(&lab.app.manager, &path, "approval", None).await.refused(403, "own_record");
    sign(&lab.app.manager2, &path, "approval", None).await.expect(201);
    let anew = lab.app.auditor.get(&path).await.expect(200);
    assert_eq!(grams_per_litre(&anew), grams_per_litre(&amended));
    assert_eq!(anew["earlier"][0]["reported"]["text"], signed["evaluation"]["reported"]["text"]);
    assert!(anew["since"].is_null(), "the new signature stands over the corrected portion: {}", anew["since"]);
    let decision = lab.app.sql(DatabaseRole::Superuser).await;
    let decision = decision.query_one("SELECT decision FROM impact_decisions", &[]).await.unwrap();
    assert_eq!(decision.get::<_, String>(0), "amended");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_late_calibration_dated_back_values_nothing_anew() {
    let lab = Lab::open().await;
    let (path, _) = approved(&lab).await;
    let (signed, working, line) = readings(&lab, &path).await;
    let calibrations = format!("/equipment/{}/calibrations", lab.bench.flask_250);
    let late = flask_calibration("CAL-2", -10, "251.00");
    let _ = lab.app.manager.post(&calibrations, &late).await.expect(201);
    let (after, working_after, line_after) = readings(&lab, &path).await;
    assert_eq!(signed_part(&after), signed_part(&signed));
    assert_eq!((working_after, line_after), (working, line));
    let since = &after["since"];
    assert!(text(&since["touched"][0], "what").contains("calibration CAL-2 of F250 recorded later"), "{since}");
    // The aliquot is taken of 251.00 mL instead of 250.00 mL.
    let now: f64 = text(&since["now"], "value").parse().unwrap();
    let before: f64 = text(&after["evaluation"]["reported"], "value").parse().unwrap();
    assert!((now / before - 251.0 / 250.0).abs() < 1e-3, "{now} of {before}");
    // One that begins after everything was measured touches nothing.
    let pipette = format!("/equipment/{}/calibrations", lab.bench.pipette_10);
    let next = json!({
        "certificate": "CAL-3", "calibrated_on": day(1), "due_on": day(300), "calibrated_value": "10.010",
        "standard_uncertainty": "0.010",
    });
    let _ = lab.app.manager.post(&pipette, &next).await.expect(201);
    let after = lab.app.auditor.get(&path).await.expect(200);
    assert_eq!(after["since"]["touched"].as_array().unwrap().len(), 1, "{}", after["since"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn calibrations_and_checks_are_corrected_like_everything_else() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let list = format!("/equipment/{}/calibrations", lab.bench.flask_250);
    let wrong = app.auditor.get(&list).await.expect(200)[0].clone();
    let right = flask_calibration("CAL-1", -100, "249.50");
    // A second calibration of the day is refused; a correction is not.
    app.manager.post(&list, &right).await.refused(409, "already_exists");
    let corrections = format!("/calibrations/{}/corrections", text(&wrong, "id"));
    let correction = json!({ "reason": "249.50 was read as 250.00", "facts": right });
    app.analyst.post(&corrections, &correction).await.refused(403, "forbidden");
    let unreasoned = json!({ "reason": "", "facts": right });
    app.manager.post(&corrections, &unreasoned).await.refused(422, "invalid_input");
    let _ = app.manager.post(&corrections, &correction).await.expect(201);
    app.manager.post(&corrections, &correction).await.refused(412, "stale_version");
    let both = app.auditor.get(&list).await.expect(200);
    let both = both.as_array().unwrap();
    assert_eq!(both.len(), 2, "both stay on record");
    let old = both.iter().find(|one| one["id"] == wrong["id"]).unwrap();
    let new = both.iter().find(|one| one["id"] != wrong["id"]).unwrap();
    assert_eq!((&old["corrected_by"], &new["corrects"]), (&new["id"], &old["id"]));
    assert_eq!(new["reason"], "249.50 was read as 250.00");

    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&after), signed_part(&signed));
    let now: f64 = text(&after["since"]["now"], "value").parse().unwrap();
    let before: f64 = text(&after["evaluation"]["reported"], "value").parse().unwrap();
    assert!((now / before - 249.5 / 250.0).abs() < 1e-3, "{now} of {before}");
    // What is not signed is read with the correction.
    let run = lab.run(&lab.iron2).await;
    let fresh = app.auditor.get(&format!("/determinations/{}", begun(&lab, &run).await)).await.expect(200);
    let ratio = grams_per_litre(&fresh) / grams_per_litre(&signed);
    assert!((ratio - 249.5 / 250.0).abs() < 1e-12, "{ratio}");

    let checks = format!("/equipment/{}/checks", lab.bench.balance);
    let passed =
        json!({ "outcome": "passed", "reading": "100.0001", "reference": "100.0000", "observed_at": minutes_ago(20) });
    let check = app.analyst.post(&checks, &passed).await.expect(201);
    let mut failed = passed.clone();
    failed["outcome"] = json!("failed");
    failed["reading"] = json!("100.0101");
    let correction = json!({ "reason": "the reading was 100.0101", "facts": failed });
    let path = format!("/equipment-checks/{}/corrections", text(&check, "id"));
    let _ = app.manager.post(&path, &correction).await.expect(201);
    app.manager.post(&path, &correction).await.refused(412, "stale_version");
    let history = app.auditor.get(&checks).await.expect(200);
    assert_eq!(history.as_array().unwrap().len(), 2);
    let balance = app.auditor.get(&format!("/equipment/{}", lab.bench.balance)).await.expect(200);
    assert_eq!(balance["versions"][0]["state"], "out of service");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_signature_names_the_digest_that_was_seen_and_is_told_what_changed() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = begun(&lab, &run).await;
    let path = format!("/determinations/{determination}");
    let seen = lab.app.analyst.get(&path).await.expect(200)["content_digest"].clone();
    let unseen = json!({ "password": lab.app.analyst.password });
    lab.app.analyst.post(&format!("{path}/submission"), &unseen).await.refused(412, "stale_version");
    lab.titrate(&determination, &lab.titration("accurate", "21.48", None)).await;
    let problem = sign_seen(&lab.app.analyst, &path, "submission", &seen).await.refused(412, "stale_version");
    let changed = problem["facts"]["changed"].as_array().unwrap_or_else(|| panic!("{problem}"));
    assert_eq!(changed.len(), 1, "{problem}");
    assert_eq!(changed[0]["kind"], "titrations");
    assert_eq!(lab.app.row_counts(&["sign_offs", "pins"]).await[1], 1, "only the release of the titrant lot");
    sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn iron_iii_and_its_documents_stand_over_what_its_determinations_were() {
    let lab = Lab::open().await;
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    for id in [&iron2, &total] {
        lab.through(&format!("/determinations/{id}")).await;
    }
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let result = text(&lab.app.analyst.post("/iron-results", &new).await.expect(201), "id");
    let path = format!("/iron-results/{result}");
    let signed = lab.through(&path).await;
    let printed = |answer: ferrotitre_tests::Answer| async move { pdf::read(&answer.bytes).await.text };
    let document = printed(lab.app.auditor.get(&format!("{path}/report.pdf")).await).await;
    let reported = &signed["evaluation"]["reported"];
    let figure = format!("{} ± {}", text(reported, "text"), text(reported, "expanded_uncertainty"));
    assert!(document.contains(&figure), "{document}");

    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    amend(&lab, &format!("/determinations/{total}"), "25 mL had been taken").await;
    let after = lab.app.auditor.get(&path).await.expect(200);
    assert_eq!(after["evaluation"], signed["evaluation"]);
    assert_eq!(after["content_digest"], signed["content_digest"]);
    let words = after["touched"].to_string();
    assert!(words.contains("test portion corrected") && words.contains("amended"), "{words}");
    let document = printed(lab.app.auditor.get(&format!("{path}/report.pdf")).await).await;
    assert!(document.contains(&figure) && document.contains("test portion corrected"), "{document}");
    // One that is begun now is read from the determinations as they stand.
    let new = json!({ "code": "FE3-2", "total": total, "iron2": iron2, "observed_at": minutes_ago(4) });
    let other = lab.app.analyst.post("/iron-results", &new).await.expect(201);
    assert_ne!(other["evaluation"]["value"], signed["evaluation"]["value"]);
}

/// What the formulae of an earlier release made of a result, as its signature kept it.
#[tokio::test(flavor = "multi_thread")]
async fn figures_of_earlier_formulae_stay_and_those_of_today_stand_beside_them() {
    let lab = Lab::open().await;
    let (path, signed) = approved(&lab).await;
    let forger = lab.app.sql(DatabaseRole::Superuser).await;
    let text_now = text(&signed["evaluation"]["reported"], "text");
    let change = format!(
        "ALTER TABLE sign_offs DISABLE TRIGGER USER; \
         UPDATE sign_offs SET formula_set = 'ferrotitre formulae 0', \
         evaluation = jsonb_set(evaluation::jsonb, '{{reported,text}}', '\"99.9\"')::text WHERE entity_id = '{}' AND meaning = 'authored'; \
         ALTER TABLE sign_offs ENABLE TRIGGER USER",
        path.trim_start_matches("/determinations/")
    );
    forger.batch_execute(&change).await.unwrap();
    let (after, _, line) = readings(&lab, &path).await;
    assert_eq!(after["evaluation"]["reported"]["text"], "99.9");
    assert_eq!(after["since"]["later_formulae"]["text"], json!(text_now));
    assert!(line.contains("99.9"), "{line}");
}

/// Makes a signature that of an earlier release of the formulae, with what those made of it.
async fn signed_under_earlier_formulae(lab: &Lab, path: &str, kept: &Value) {
    let kept = kept.to_string().replace('\'', "''");
    let forger = lab.app.sql(DatabaseRole::Superuser).await;
    let id = path.rsplit('/').next().unwrap();
    let change = format!(
        "ALTER TABLE sign_offs DISABLE TRIGGER USER; \
         UPDATE sign_offs SET formula_set = 'ferrotitre formulae 1', evaluation = '{kept}' \
         WHERE entity_id = '{id}' AND meaning = 'authored'; ALTER TABLE sign_offs ENABLE TRIGGER USER"
    );
    forger.batch_execute(&change).await.unwrap();
}

/// Formulae of today leave the only blank out, so that they have no result at all: what was signed stays, with its unit, and stays
/// complete. 21.46 mL less 0.04 mL at 5.5845 g/L for each mL are 119.62 g/L, by hand.
#[tokio::test(flavor = "multi_thread")]
async fn a_figure_that_formulae_of_today_do_not_have_stays_as_it_was_signed() {
    let lab = Lab::open().await;
    let mut subtracting = crate::lab::rules();
    subtracting["blank"] = json!("subtract");
    let method = crate::lab::method_with(&lab.app, ("M9", "iron(II)", "none"), subtracting).await;
    let run = lab.run(&method).await;
    let path = format!("/determinations/{}", begun(&lab, &run).await);
    lab.close(&run).await;
    let signed = lab.through(&path).await;
    let reported = &signed["evaluation"]["reported"];
    assert!((grams_per_litre(&signed) / (21.42 * 5.5845) - 1.0).abs() < 1e-3, "{reported}");
    // As a release recorded it that did not ask whether the indicator can turn.
    let forger = lab.app.sql(DatabaseRole::Superuser).await;
    let change = "ALTER TABLE blanks DISABLE TRIGGER USER; UPDATE blanks SET kind = 'reagent', iron_equivalent_ml = NULL; \
                  ALTER TABLE blanks ENABLE TRIGGER USER";
    forger.batch_execute(change).await.unwrap();
    signed_under_earlier_formulae(&lab, &path, &signed["evaluation"]).await;
    let after = lab.app.auditor.get(&path).await.expect(200);
    assert!(after["evaluation"]["blank_ml"].is_null(), "formulae of today have no blank");
    for field in ["text", "value", "expanded_uncertainty", "unit", "coverage_factor"] {
        assert_eq!(after["evaluation"]["reported"][field], reported[field], "{field}");
    }
    assert_eq!(grams_per_litre(&after), grams_per_litre(&signed));
    assert_eq!(after["evaluation"]["outcome"], "concordant");
    assert_eq!(after["evaluation"]["progress"]["complete"], true);
    let listed = lab.app.auditor.get("/determinations").await.expect(200);
    assert_eq!(listed["items"][0]["outcome"], "concordant");
    let exported = lab.app.auditor.get("/exports/determinations?format=csv").await.text;
    assert!(exported.contains(&text(reported, "text")), "{exported}");
}

/// The same for a difference, of which formulae of today make other digits, or nothing.
#[tokio::test(flavor = "multi_thread")]
async fn iron_iii_of_earlier_formulae_stays_as_it_was_signed() {
    let lab = Lab::open().await;
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    for id in [&iron2, &total] {
        lab.through(&format!("/determinations/{id}")).await;
    }
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let path = format!("/iron-results/{}", text(&lab.app.analyst.post("/iron-results", &new).await.expect(201), "id"));
    let mut kept = lab.through(&path).await["evaluation"].clone();
    kept["reported"]["text"] = json!("9.99");
    kept["value"] = json!(9.9876);
    signed_under_earlier_formulae(&lab, &path, &kept).await;
    let after = lab.app.auditor.get(&path).await.expect(200);
    assert_eq!(after["evaluation"]["reported"]["text"], "9.99");
    assert_eq!(
        (&after["evaluation"]["reported"]["unit"], &after["evaluation"]["value"]),
        (&json!("g/L"), &json!(9.9876))
    );
    // Nothing at all: one of the two has lost its titres.
    let forger = lab.app.sql(DatabaseRole::Superuser).await;
    let change = format!(
        "ALTER TABLE titrations DISABLE TRIGGER USER; UPDATE titrations SET kind = 'rough' WHERE determination_id = '{total}'; \
         ALTER TABLE titrations ENABLE TRIGGER USER"
    );
    forger.batch_execute(&change).await.unwrap();
    let after = lab.app.auditor.get(&path).await.expect(200);
    assert_eq!(after["evaluation"]["reported"]["text"], "9.99", "{}", after["evaluation"]["total"]["progress"]);
    assert_eq!(
        (&after["evaluation"]["value"], &after["evaluation"]["outcome"]),
        (&json!(9.9876), &json!("concordant"))
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn history_stays_readable_when_equipment_fails_or_leaves() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let titrant = app.auditor.get(&format!("/titrants/{}", lab.titrant)).await.expect(200);
    assert!(titrant["preparations"][0]["evaluation"].is_object(), "{titrant}");
    for piece in [&lab.bench.balance, &lab.bench.flask_1000, &lab.bench.burette, &lab.bench.flask_250] {
        let failed = json!({ "outcome": "failed", "note": "dropped", "observed_at": minutes_ago(1) });
        let _ = app.analyst.post(&format!("/equipment/{piece}/checks"), &failed).await.expect(201);
    }
    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&after), signed_part(&signed));
    let again = app.auditor.get(&format!("/titrants/{}", lab.titrant)).await.expect(200);
    assert_eq!(again["preparations"][0]["evaluation"], titrant["preparations"][0]["evaluation"]);
    let words = after["since"]["words"].to_string();
    assert!(words.contains("failed its check"), "{words}");
    // Nor can anything new be made with them.
    let new = bench::sample("S-9");
    let sample = text(&app.analyst.post("/samples", &new).await.expect(201), "id");
    let portion = portion_with(&lab, &lab.bench.pipette_10);
    app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.refused(422, "item_not_released");
}
