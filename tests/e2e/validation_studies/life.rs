//! The whole life of a study: plan, data of three sources, an exclusion by two people, conclusion, and what it bounds.

use ferrotitre_tests::bench::text;
use serde_json::{Value, json};

use super::{Study, datum, missing, most, near, plan, planned, sign};
use crate::lab::Lab;

fn file(text: &str) -> Value {
    json!({ "file_name": "line.csv", "decimal_mark": "comma", "separator": "semicolon", "text": text })
}

const HEAD: &str = "ferrotitre validation data 1\nvalue [g/L];taken [g/L];analyst;burette;lot;note\n";

fn conclusion(password: &str, high: &str, answers: &Value) -> Value {
    json!({
        "answers_digest": answers["content_digest"],
        "fit": true, "words": "fit for release of baths", "validated_low": "1", "validated_high": high, "unit": "g/L",
        "matrix": "hydrochloric pickling bath", "limitations": "not below 1 g/L", "password": password,
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn a_study_lives_from_its_plan_to_a_flag_on_a_result() {
    let lab = Lab::open().await;
    let covers = json!({ "statistic": "slope", "rule": "covers", "lower": "1", "upper": "1", "unit": "1" });
    let characteristics = [
        planned("repeatability", "g/L", 4, &json!({}), &[most("rsd_r", "0.6", "%")]),
        planned("linearity", "g/L", 6, &json!({ "groups": 3 }), &[covers]),
    ];
    let new = plan("VS-1", &lab.iron2, &characteristics);
    let planned = lab.app.analyst.post("/validation-studies", &new).await.expect(201);
    let determinations = [lab.iron2_done(["21.46", "21.46"]).await, lab.iron2_done(["21.48", "21.50"]).await];
    let Lab { app, .. } = lab;
    let study = Study::approve(app, &planned).await;
    let app = &study.app;

    // Data of the record: the value is the evaluation's, the determination is named, none is taken twice.
    let of = |id: &str| json!({ "determination": id, "labels": {} });
    let answer = study.record(0, &determinations.each_ref().map(|id| of(id))).await;
    let shown = app.auditor.get(&format!("/determinations/{}", determinations[0])).await.expect(200);
    let figures = shown["evaluation"]["figures"].as_array().unwrap();
    let figure = figures.iter().find(|one| one["unit"] == "g/L" && one["expressed"] == "Fe").unwrap();
    let row = &answer["inputs"]["rows"][0];
    assert_eq!(row["cells"][0].as_str().unwrap().parse::<f64>().unwrap(), figure["value"].as_f64().unwrap());
    assert_eq!(
        (&row["source"]["kind"], &row["source"]["determination"]),
        (&json!("determination"), &json!(determinations[0]))
    );
    study.send(0, &[of(&determinations[0])]).await.refused(409, "already_exists");
    assert!(missing(&answer).contains("needs 4 data as planned, has 2"), "{answer}");
    let value = figure["value"].as_f64().unwrap();
    let answer = study
        .record(
            0,
            &[datum(format!("{:.2}", value + 0.1), &json!({})), datum(format!("{:.2}", value - 9.0), &json!({}))],
        )
        .await;
    assert_eq!(answer["verdict"], "does not meet", "one is 9 g/L low: {answer}");

    // The table: previewed, wrong cells named, all or nothing, kept once.
    let path = format!("/validation-characteristics/{}/imports", study.characteristics[1]);
    let template = app.analyst.get(&format!("/validation-characteristics/{}/template", study.characteristics[1])).await;
    assert!(template.text.starts_with(HEAD), "{}", template.text);
    let own = app.analyst.post(&format!("{path}/preview"), &file(&template.text)).await.expect(200);
    assert_eq!(own["rows"], json!(2), "the template is itself a valid file");
    let rows = format!(
        "{HEAD}50,10;50,00;a;;;\n49,95;50,00;;;;\n100,05;100,00;;;;\n99,90;100,00;;;;\n150,10;150,00;;;;\n149,95;150,00;;;;\n"
    );
    let wrong = rows.replace("99,90", "99.90").replace("150,10;150,00", "150,10;");
    let problem = app.analyst.post(&path, &file(&wrong)).await.refused(422, "invalid_input");
    let errors = problem["errors"].as_array().unwrap();
    assert_eq!((&errors[0]["field"], &errors[0]["rule"]), (&json!("line 6, value [g/L]"), &json!("decimal_mark")));
    assert_eq!(errors[1]["field"], json!("line 7, taken"), "{problem}");
    assert_eq!(app.row_counts(&["imported_files"]).await, [0], "nothing was half-stored");
    let answer = app.analyst.post(&path, &file(&rows)).await.expect(201);
    near(&answer, "slope", 1.0, 2e-3);
    assert_eq!(answer["verdict"], "meets", "{answer}");
    assert_eq!(
        (&answer["inputs"]["rows"][0]["source"]["kind"], &answer["inputs"]["rows"][0]["source"]["line"]),
        (&json!("table"), &json!(3))
    );
    app.analyst.post(&path, &file(&rows)).await.refused(409, "already_exists");
    let picture =
        app.auditor.get(&format!("/validation-characteristics/{}/answer.svg", study.characteristics[1])).await;
    assert_eq!((picture.status, picture.header("content-type")), (200, "image/svg+xml"));
    assert_eq!(picture.text.matches("<title>datum ").count(), 12, "six points found and six residuals");

    exclusion(&study).await;
    conclusions(&study, &determinations[0]).await;
}

/// A datum is left out with a cause and a second person, and shown with and without.
async fn exclusion(study: &Study) {
    let app = &study.app;
    let datum_id = text(&study.answer(0).await["inputs"]["rows"][3], "datum");
    let path = format!("/validation-data/{datum_id}/exclusions");
    let new = |cause: &str, evidence: &str| json!({ "cause": cause, "evidence": evidence });
    app.analyst.post(&path, &new("outlier by Grubbs", "p below 1 %")).await.refused(422, "invalid_input");
    app.analyst.post(&path, &new("air bubble", "no")).await.refused(422, "invalid_input");
    let proposed = app.analyst2.post(&path, &new("air bubble", "bench book 3, page 12")).await.expect(201);
    app.analyst2.post(&path, &new("leak", "bench book 3, page 12")).await.refused(409, "state_conflict");
    let before = study.answer(0).await;
    assert_eq!(
        (&before["n"], &before["inputs"]["rows"][3]["excluded"]["holds"]),
        (&json!(4), &json!(false)),
        "{before}"
    );
    let approval = format!("/validation-exclusions/{}/approval", text(&proposed, "id"));
    sign(&app.analyst, &approval, None).await.refused(403, "forbidden");
    let _ = sign(&app.manager, &approval, None).await.expect(201);
    let after = study.answer(0).await;
    assert_eq!((&after["n"], &after["excluded_too"]["n"]), (&json!(3), &json!(4)));
    assert_eq!(after["excluded_too"]["verdict"], "does not meet");
    assert!(missing(&after).contains("needs 4 data as planned, has 3"), "{after}");
    let out = &after["inputs"]["rows"][3]["excluded"];
    assert_eq!((&out["cause"], &out["holds"], &out["state"]), (&json!("air bubble"), &json!(true), &json!("approved")));
    let value: f64 = after["inputs"]["rows"][0]["cells"][0].as_str().unwrap().parse().unwrap();
    let again = study.record(0, &[datum(format!("{:.2}", value - 0.1), &json!({ "note": "made again" }))]).await;
    assert_eq!(again["verdict"], "meets", "{again}");
    let counted = app.row_counts(&["validation_data"]).await;
    assert_eq!(counted, [11], "nothing was removed");
}

/// Concluded, returned, concluded again, reviewed and approved by people without a hand in it; then results are flagged.
async fn conclusions(study: &Study, determination: &str) {
    let app = &study.app;
    let path = format!("/validation-studies/{}", study.id);
    let reversed = json!({ "validated_low": "60", "validated_high": "50" });
    let answers = async || app.auditor.get(&format!("{path}/answers")).await.expect(200);
    let seen = answers().await;
    let mut bad = conclusion(&app.analyst.password, "50", &seen);
    for (name, value) in reversed.as_object().unwrap() {
        bad[name] = value.clone();
    }
    app.analyst.post(&format!("{path}/conclusions"), &bad).await.refused(422, "invalid_input");
    sign(&app.manager, &format!("{path}/approval"), None).await.refused(409, "state_conflict");
    app.analyst
        .post(&format!("{path}/conclusions"), &conclusion("not it", "50", &seen))
        .await
        .refused(403, "secret_wrong");
    let unseen = conclusion(&app.analyst.password, "500", &Value::Null);
    app.analyst.post(&format!("{path}/conclusions"), &unseen).await.refused(412, "stale_version");
    let signed = conclusion(&app.analyst.password, "500", &seen);
    let complete = app.analyst.post(&format!("{path}/conclusions"), &signed).await.expect(201);
    assert_eq!(complete["state"], "complete");
    study.send(0, &[datum("1", &json!({}))]).await.refused(409, "state_conflict");
    sign(&app.analyst, &format!("{path}/review"), None).await.refused(403, "own_record");
    sign(&app.manager, &format!("{path}/approval"), None).await.refused(409, "illegal_move");
    let back =
        sign(&app.analyst2, &format!("{path}/return"), Some("the range is not covered by data")).await.expect(201);
    assert_eq!(back["state"], "running");
    let signed = conclusion(&app.manager2.password, "50", &answers().await);
    let _ = app.manager2.post(&format!("{path}/conclusions"), &signed).await.expect(201);
    let reviewed = sign(&app.analyst2, &format!("{path}/review"), None).await.expect(201);
    assert_eq!(reviewed["state"], "reviewed");
    sign(&app.manager2, &format!("{path}/approval"), None).await.refused(403, "own_record");
    let flags = |view: &Value| view["flags"].to_string();
    let before = app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    assert!(!flags(&before).contains("VS-1"), "{before}");
    let approved = sign(&app.manager, &format!("{path}/approval"), None).await.expect(201);
    assert_eq!(approved["state"], "approved");
    let last = &approved["conclusions"][1];
    let meanings: Vec<String> =
        last["sign_offs"].as_array().unwrap().iter().map(|sign| text(sign, "meaning")).collect();
    assert_eq!(meanings, ["authored", "reviewed", "approved"]);
    assert!(last["sign_offs"].as_array().unwrap().iter().all(|sign| sign["still_valid"] == true), "{last}");
    assert_eq!(last["limitations"], "not below 1 g/L");
    // About 120 g/L against a range that ends at 50: a flag, not a refusal.
    let after = app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    assert!(flags(&after).contains("outside the range 1 to 50 g/L concluded in study VS-1"), "{}", flags(&after));
    study.send(0, &[datum("1", &json!({}))]).await.refused(409, "state_conflict");
    sign(&app.manager, &format!("{path}/rejection"), Some("changed my mind")).await.refused(409, "state_conflict");
    let list = app.auditor.get("/validation-studies").await.expect(200);
    assert_eq!(list["items"][0]["code"], "VS-1");
    let trail = app.auditor.get("/audit-events?limit=200").await.expect(200).to_string();
    for table in ["validation_studies", "validation_data", "validation_exclusions", "validation_conclusions"] {
        assert!(trail.contains(table), "no event of {table}");
    }
}
