//! Blanks that belong to their titrant, back-titrations that take the oxidant from a blank, replicates that must agree, and
//! aliquots that fit their flasks.

use ferrotitre_tests::bench::{calibration, day, days_ahead, equipment, install, minutes_ago, text};
use serde_json::{Value, json};

use crate::lab::{Lab, method_with, rules, sign};

/// A lot of 0.1 mol/L iron(II), standardised against the laboratory's dichromate with these titres of 25 mL; its standardisation.
pub(crate) async fn iron2(lab: &Lab, titres: [&str; 3]) -> (String, String) {
    let lot = json!({
        "code": "A-1", "species": "iron(II)", "nominal_concentration": "0.1", "concentration_unit": "mol/L",
        "route": "standardisation", "factor_low": "0.900", "factor_high": "1.100", "storage": "acid, closed",
        "container": "amber glass", "expires_at": days_ahead(3), "observed_at": minutes_ago(600),
    });
    let lot = text(&lab.app.analyst.post("/titrants", &lot).await.expect(201), "id");
    let begin = json!({
        "code": "STD-A", "reference_titrant": lab.titrant, "pipette": lab.bench.pipette_25, "burette": lab.bench.burette,
        "indicator": "diphenylamine sulfonate", "valid_days": 1, "correct_burette": false, "correct_temperature": false,
        "correct_buoyancy": false, "observed_at": minutes_ago(500),
    });
    let path = format!("/titrants/{lot}/standardisations");
    let standardisation = text(&lab.app.analyst.post(&path, &begin).await.expect(201), "id");
    let path = format!("/standardisations/{standardisation}");
    for last in titres {
        let titration = json!({
            "kind": "replicate", "initial_readings": ["0.00"], "final_readings": [last], "end_point": "violet to green",
            "observed_at": minutes_ago(490),
        });
        let _ = lab.app.analyst.post(&format!("{path}/titrations"), &titration).await.expect(201);
    }
    (lot, path)
}

/// 1/24.40, 1/25.00 and 1/25.60 relative to their mean: 4.80 %, by hand.
#[tokio::test(flavor = "multi_thread")]
async fn replicates_that_disagree_give_a_factor_only_under_a_decision() {
    let lab = Lab::open().await;
    let (_, path) = iron2(&lab, ["24.40", "25.00", "25.60"]).await;
    let submitted = sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    assert_eq!(submitted["discordant"], true);
    let verdicts = submitted["concentration"]["verdicts"].as_array().unwrap();
    let verdict = verdicts.iter().find(|verdict| verdict["rule"] == "agreement of the replicates").unwrap();
    assert_eq!(verdict["outcome"], "not met");
    assert!((verdict["value"].as_f64().unwrap() - 4.80).abs() < 5e-3, "{verdict}");
    sign(&lab.app.manager, &path, "approval", None).await.refused(422, "rule_broken");
    sign(&lab.app.analyst, &path, "discordance-decision", Some("good enough")).await.refused(403, "own_record");
    sign(&lab.app.analyst2, &path, "discordance-decision", None).await.refused(422, "invalid_input");
    let reason = Some("a trial of the method, nothing is reported with it");
    let decided = sign(&lab.app.analyst2, &path, "discordance-decision", reason).await.expect(201);
    assert_eq!(decided["discordance_decided"], true);
    let _ = sign(&lab.app.manager, &path, "approval", None).await.expect(201);
}

/// The oxidant of 25 mL took 25.04 mL of iron(II) without sample, the samples left 10.00: iron took 15.04 mL. The dichromate lot
/// is 0.1 eq/L within its factor, and the iron(II) lot is what it was standardised to, 25.00 mL for the pipette.
#[tokio::test(flavor = "multi_thread")]
async fn a_back_titration_takes_the_oxidant_from_a_blank_and_compares_both_solutions() {
    let lab = Lab::open().await;
    let (lot, path) = iron2(&lab, ["25.00", "25.02", "24.98"]).await;
    for (who, step) in [(&lab.app.analyst, "submission"), (&lab.app.manager, "approval")] {
        let _ = sign(who, &path, step, None).await.expect(201);
    }
    let mut rules = rules();
    rules["blank"] = json!("subtract");
    let facts = json!({
        "code": "M5", "title": "iron(II) by back-titration", "principle": "back-titration", "analyte": "iron(II)",
        "matrix": "hydrochloric pickling bath", "chemistry": "back-titration", "reduction": "none",
        "indicator": "diphenylamine sulfonate", "rules": rules,
    });
    let method = lab.app.manager.post("/methods", &facts).await.expect(201);
    let approve = json!({ "to": "approved" });
    let _ = lab.app.manager2.post(&format!("/methods/{}/moves", text(&method, "id")), &approve).await.expect(201);
    let competence = json!({ "method_code": "M5", "valid_from": day(-90), "valid_to": day(300), "evidence": "seven blind replicates" });
    let competences = format!("/accounts/{}/competences", lab.app.analyst.id);
    let _ = lab.app.manager.post(&competences, &competence).await.expect(201);
    let run = lab.run(&text(&method, "version_id")).await;
    let determination = lab.begin(&run).await;
    let mut titration = lab.titration("accurate", "10.00", None);
    titration["titrant"] = json!(lot);
    titration["oxidant_titrant"] = json!(lab.titrant);
    titration["oxidant_pipette"] = json!(lab.bench.pipette_25);
    for _ in 0..2 {
        let _ = lab.titrate(&determination, &titration).await;
    }
    let blanks = format!("/runs/{run}/blanks");
    let mut blank = json!({
        "kind": "reagent", "titrant": lot, "burette": lab.bench.burette, "initial_readings": ["0.00"],
        "final_readings": ["25.04"], "solution_temperature": "20.0", "indicator_drops": 6, "end_point": "violet to green",
        "observed_at": minutes_ago(20),
    });
    // Which oxidant, and how much of it, is part of the record; iron(II) is asked for nowhere.
    let refused = lab.app.analyst.post(&blanks, &blank).await.refused(422, "invalid_input");
    assert_eq!(refused["errors"][0]["field"], "added_titrant");
    blank["added_titrant"] = json!(lab.titrant);
    blank["added_pipette"] = json!(lab.bench.pipette_25);
    let recorded = lab.app.analyst.post(&blanks, &blank).await.expect(201);
    assert_eq!(recorded["added_pipette"], json!(lab.bench.pipette_25));
    let view = lab.app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    let evaluation = &view["evaluation"];
    // 15.04 mL of 0.1 eq/L, 10 mL of the sample in 250 mL, 25 mL of that: 5.5845 g/L for each mL, within both lots' factors.
    let found = evaluation["figures"].as_array().unwrap().iter().find(|of| of["unit"] == "g/L").unwrap();
    assert!((found["value"].as_f64().unwrap() / (15.04 * 5.5845) - 1.0).abs() < 2e-3, "{found}");
    let verdicts = evaluation["verdicts"].as_array().unwrap();
    let compared = verdicts.iter().find(|of| of["rule"] == "iron(II) against the oxidant of the run").unwrap();
    assert!((compared["value"].as_f64().unwrap() - 0.16).abs() < 0.01, "{compared}");
    // The form asks for nothing that would be refused, and the run says what the blank holds.
    let analyst = crate::pages::Visitor::of(lab.app.running.address, &lab.app.analyst);
    let form = analyst.get(&format!("/runs/{run}/blanks/new")).await.text;
    assert!(form.contains("The oxidant without sample, titrated as the samples are."), "{form}");
    assert!(!form.contains("iron_equivalent") && !form.contains("reagent with iron(II)"), "{form}");
    assert!(analyst.get(&format!("/runs/{run}")).await.text.contains("D-1 by P25"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_blank_is_judged_before_its_run_is_closed_and_says_what_was_added() {
    let lab = Lab::open().await;
    let mut subtracting = rules();
    subtracting["blank"] = json!("subtract");
    let method = method_with(&lab.app, ("M9", "iron(II)", "none"), subtracting).await;
    let (lot, path) = iron2(&lab, ["25.00", "25.02", "24.98"]).await;
    for (who, step) in [(&lab.app.analyst, "submission"), (&lab.app.manager, "approval")] {
        let _ = sign(who, &path, step, None).await.expect(201);
    }
    let pipette = install(&lab.app, &equipment("P2", "pipette", "2", None), &calibration(Some("2.000"), "0.002")).await;
    let run = lab.run(&method).await;
    let determination = lab.begin(&run).await;
    for last in ["21.46", "21.48"] {
        let _ = lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
    }
    let blanks = format!("/runs/{run}/blanks");
    let mut blank = json!({
        "kind": "reagent with iron(II)", "titrant": lab.titrant, "burette": lab.bench.burette, "initial_readings": ["0.00"],
        "final_readings": ["2.06"], "solution_temperature": "20.0", "indicator_drops": 6, "end_point": "violet",
        "observed_at": minutes_ago(20), "added_titrant": lot, "added_pipette": pipette, "iron_equivalent_ml": "2.00",
    });
    lab.app.analyst.post(&blanks, &blank).await.refused(422, "invalid_input");
    blank["iron_equivalent_ml"] = Value::Null;
    let recorded = lab.app.analyst.post(&blanks, &blank).await.expect(201);
    // 2.000 mL of iron(II) that took 25.00 mL for 25 mL of the dichromate: 2.000 mL of it, so that 0.06 mL are the blank's.
    let view = lab.app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    assert!(
        (view["evaluation"]["blank_ml"].as_f64().unwrap() - 0.06).abs() < 5e-3,
        "{}",
        view["evaluation"]["blank_ml"]
    );
    let budget = view["evaluation"]["budget"].to_string();
    assert!(budget.contains("P2"), "the pipette has its line: {budget}");
    // Recorded is not accepted.
    let closing = format!("/runs/{run}/closing");
    let refused = lab.app.analyst.post(&closing, &json!({})).await.refused(409, "state_conflict");
    assert!(refused["detail"].as_str().unwrap().contains("not judged"), "{refused}");
    let read = lab.app.auditor.get(&format!("/runs/{run}")).await.expect(200);
    assert!(read["missing"].to_string().contains("verdict"), "{}", read["missing"]);
    let judgement = format!("/blanks/{}/judgement", text(&recorded, "id"));
    let _ = lab.app.analyst.post(&judgement, &json!({ "to": "accepted" })).await.expect(201);
    let _ = lab.app.analyst.post(&closing, &json!({})).await.expect(201);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_blank_of_dichromate_without_iron_is_refused_in_a_standardisation() {
    let lab = Lab::open().await;
    let iron = json!({
        "code": "PS-FE", "substance": "iron", "supplier": "reference materials", "supplier_lot": "9", "certificate": "RM-9",
        "mass_fraction": "0.9998", "expanded_uncertainty": "0.0002", "coverage_factor": "2", "basis": "iron", "expires_on": day(300),
    });
    let iron = text(&lab.app.analyst.post("/primary-standards", &iron).await.expect(201), "id");
    let release = json!({ "to": "released" });
    let _ = lab.app.manager.post(&format!("/primary-standards/{iron}/moves"), &release).await.expect(201);
    let lot = json!({
        "code": "D-9", "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "standardisation", "factor_low": "0.990", "factor_high": "1.010", "storage": "dark", "container": "amber glass",
        "expires_at": days_ahead(90), "observed_at": minutes_ago(600),
    });
    let lot = text(&lab.app.analyst.post("/titrants", &lot).await.expect(201), "id");
    let begin = json!({
        "code": "STD-D", "primary_standard": iron, "balance": lab.bench.balance, "burette": lab.bench.burette,
        "indicator": "diphenylamine sulfonate", "valid_days": 60, "correct_burette": false, "correct_temperature": false,
        "correct_buoyancy": false, "agreement_percent": "0.5", "observed_at": minutes_ago(500),
    });
    let begun = lab.app.analyst.post(&format!("/titrants/{lot}/standardisations"), &begin).await.expect(201);
    let path = format!("/standardisations/{}/titrations", text(&begun, "id"));
    let blank = json!({
        "kind": "blank", "initial_readings": ["0.00"], "final_readings": ["0.04"], "end_point": "violet",
        "observed_at": minutes_ago(490),
    });
    let refused = lab.app.analyst.post(&path, &blank).await.refused(422, "blank_without_iron");
    assert_eq!(refused["errors"][0]["rule"], "iron_present");
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_takes_more_out_of_a_flask_than_it_holds() {
    let lab = Lab::open().await;
    let flask = install(&lab.app, &equipment("F20", "flask", "20", None), &calibration(Some("20.00"), "0.02")).await;
    let sample =
        text(&lab.app.analyst.post("/samples", &ferrotitre_tests::bench::sample("S-9")).await.expect(201), "id");
    let path = format!("/samples/{sample}/portions");
    let portion = |flask: &str| {
        json!({
            "pipette": lab.bench.pipette_10, "dilution": [{ "flask": flask }], "aliquot_pipette": lab.bench.pipette_25,
            "observed_at": minutes_ago(50),
        })
    };
    let refused = lab.app.analyst.post(&path, &portion(&flask)).await.refused(422, "invalid_input");
    let error = &refused["errors"][0];
    assert_eq!(
        (&error["field"], &error["rule"], &error["value"]),
        (&json!("aliquot_pipette"), &json!("fits"), &json!("25 mL"))
    );
    let mut without = portion(&flask);
    without["dilution"] = json!([]);
    let refused = lab.app.analyst.post(&path, &without).await.refused(422, "invalid_input");
    assert_eq!(
        (&refused["errors"][0]["field"], &refused["errors"][0]["rule"]),
        (&json!("aliquot_pipette"), &json!("dilution"))
    );
    let _ = lab.app.analyst.post(&path, &portion(&lab.bench.flask_250)).await.expect(201);
}
