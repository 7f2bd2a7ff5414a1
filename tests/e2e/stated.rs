//! Uncertainties as certificates state them: u follows, what was stated stays beside it, tables are pasted.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{day, equipment, text};
use ferrotitre_tests::browser::Browser;
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use crate::pages::Visitor;

async fn piece(app: &TestApp, code: &str, kind: &str, high: &str) -> String {
    let step = match kind {
        "burette" => Some("0.02"),
        "balance" => Some("0.0001"),
        _ => None,
    };
    text(&app.manager.post("/equipment", &equipment(code, kind, high, step)).await.expect(201), "id")
}

fn calibration(stated: Value, volume: Option<&str>) -> Value {
    json!({
        "certificate": "CAL-1", "calibrated_on": day(-100), "due_on": day(200), "calibrated_value": volume, "stated": stated,
    })
}

async fn calibrated(who: &Client, id: &str, new: &Value) -> Value {
    who.post(&format!("/equipment/{id}/calibrations"), new).await.expect(201)
}

fn u(calibration: &Value) -> f64 {
    text(calibration, "standard_uncertainty").parse().unwrap()
}

/// By hand: 0.030 / 2; 0.06 % of 24.985 / 2; class A of 25 mL is ± 0.03 (ISO 648, from memory), over the root of three; a balance
/// with 0.1 mg and ± 0.2 mg: the root of 0.1² + 2 x 0.2² / 3.
#[tokio::test(flavor = "multi_thread")]
async fn the_standard_uncertainty_follows_from_what_is_stated_which_stays_beside_it() {
    let app = TestApp::start().await;
    for (code, kind, high, volume, stated, expected) in [
        (
            "P-1",
            "pipette",
            "25",
            Some("24.985"),
            json!({ "stated_as": "expanded uncertainty", "value": "0.030", "coverage_factor": "2" }),
            0.015,
        ),
        (
            "P-2",
            "pipette",
            "25",
            Some("24.985"),
            json!({ "stated_as": "expanded uncertainty", "value": "0.06", "unit": "%", "coverage_factor": "2" }),
            0.007_495_5,
        ),
        ("P-3", "pipette", "25", None, json!({ "stated_as": "accuracy class", "accuracy_class": "A" }), 0.017_320_508),
        (
            "BAL-7",
            "balance",
            "200.0000",
            None,
            json!({ "stated_as": "repeatability and linearity", "value": "0.0001", "linearity": "0.0002" }),
            0.000_191_485,
        ),
    ] {
        let id = piece(&app, code, kind, high).await;
        let recorded = calibrated(&app.manager, &id, &calibration(stated.clone(), volume)).await;
        assert!((u(&recorded) / expected - 1.0).abs() < 1e-6, "{code}: {recorded}");
        let listed = app.auditor.get(&format!("/equipment/{id}/calibrations")).await.expect(200);
        assert_eq!(listed[0]["stated"], stated);
        if code == "P-3" {
            assert_eq!(recorded["calibrated_value"], json!("25"), "a class is of the nominal volume");
        }
    }
    // Both, neither, or a class of what has none.
    let id = piece(&app, "P-9", "pipette", "25").await;
    let path = format!("/equipment/{id}/calibrations");
    let mut both = calibration(json!({ "stated_as": "permissible error", "value": "0.03" }), Some("25"));
    both["standard_uncertainty"] = json!("0.01");
    for (new, field) in [
        (both.clone(), "standard_uncertainty"),
        (calibration(Value::Null, Some("25")), "standard_uncertainty"),
        (calibration(json!({ "stated_as": "accuracy class", "accuracy_class": "C" }), None), "stated.accuracy_class"),
        (
            calibration(
                json!({ "stated_as": "expanded uncertainty", "value": "3", "coverage_factor": "2" }),
                Some("25"),
            ),
            "standard_uncertainty",
        ),
    ] {
        let refused = app.manager.post(&path, &new).await.refused(422, "invalid_input");
        assert_eq!(refused["errors"][0]["field"], field, "{refused}");
    }
    assert_eq!(app.auditor.get(&path).await.expect(200), json!([]));
    // A correction states anew; both stay.
    both["standard_uncertainty"] = Value::Null;
    let wrong = calibrated(&app.manager, &id, &both).await;
    let mut right = both.clone();
    right["stated"]["value"] = json!("0.02");
    right["calibrated_on"] = json!(day(-99));
    let correction = json!({ "reason": "the limits are those of the certificate", "facts": right });
    let corrected = app.manager.post(&format!("/calibrations/{}/corrections", text(&wrong, "id")), &correction).await;
    assert!((u(&corrected.expect(201)) - 0.011_547).abs() < 1e-6);
    let listed = app.auditor.get(&path).await.expect(200);
    let stated: Vec<_> = listed.as_array().unwrap().iter().map(|one| one["stated"]["value"].clone()).collect();
    assert_eq!(stated, [json!("0.02"), json!("0.03")]);
    app.sealed().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn whole_numbers_are_kept_and_what_no_reading_can_show_is_refused() {
    let app = TestApp::start().await;
    let thermometer = text(
        &app.manager.post("/equipment", &equipment("T-1", "thermometer", "100.0", Some("0.1"))).await.expect(201),
        "id",
    );
    let whole = json!({ "stated_as": "expanded uncertainty", "value": "2", "coverage_factor": "2" });
    assert_eq!(
        calibrated(&app.manager, &thermometer, &calibration(whole, None)).await["standard_uncertainty"],
        json!("1")
    );
    let path = format!("/equipment/{thermometer}/calibrations");
    for (stated, field) in [
        (json!({ "stated_as": "permissible error", "value": "0.000000001", "unit": "C" }), ""),
        (
            json!({ "stated_as": "expanded uncertainty", "value": "0.000000001", "coverage_factor": "4" }),
            "stated.value",
        ),
        (json!({ "stated_as": "permissible error", "value": "0.1", "unit": "%" }), "stated.unit"),
    ] {
        let mut new = calibration(stated, None);
        new["calibrated_on"] = json!(day(-50));
        let answer = app.manager.post(&path, &new).await;
        if field.is_empty() {
            assert_eq!(answer.expect(201)["standard_uncertainty"], json!("0.000000001"));
        } else {
            assert_eq!(answer.refused(422, "invalid_input")["errors"][0]["field"], field);
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_table_is_pasted_and_u_is_seen_before_anything_is_saved() {
    let app = TestApp::start().await;
    let id = piece(&app, "B-7", "burette", "50").await;
    let manager = Visitor::of(app.running.address, &app.manager);
    let path = format!("/equipment/{id}/calibrations");
    let page = manager.get(&path).await;
    let pasted =
        "reading\tcorrection\n0,00\t0,00\n10,00\t-0,01\n20,00\t\u{2212}0,02\n30,00\t0,00\n40,00\t0,01\n50,00\t0,02";
    let (from, to) = (day(-100), day(200));
    let entry = [
        ("_code", page.hidden("_code")),
        ("_key", page.hidden("_key")),
        ("certificate", "CAL-7"),
        ("calibrated_on", from.as_str()),
        ("due_on", to.as_str()),
        ("stated.stated_as", "expanded uncertainty"),
        ("stated.value", "0.030"),
        ("stated.unit", "mL"),
        ("stated.coverage_factor", "2"),
        ("_pasted", pasted),
    ];
    let seen = manager.post(&path, &[&entry[..], &[("_reshape", "u")]].concat()).await;
    assert_eq!(seen.status, 200, "{}", seen.text);
    assert!(seen.text.contains("U = 0.030 mL, k = 2: u = 0.0150 mL"), "{}", seen.text);
    assert!(seen.text.contains("name=\"corrections[5].correction\" value=\"0.02\""), "{}", seen.text);
    assert_eq!(app.auditor.get(&path).await.expect(200), json!([]), "nothing is saved by looking");
    let saved = manager.post(&path, &entry).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    let listed = app.auditor.get(&path).await.expect(200);
    assert_eq!(listed[0]["corrections"][2], json!({ "reading": "20.00", "correction": "-0.02" }));
    assert_eq!(listed[0]["standard_uncertainty"], "0.015");
    let shown = manager.get(&format!("/equipment/{id}")).await.text;
    assert!(shown.contains("0.0150 mL (U = 0.030 mL, k = 2)"), "{shown}");
    // Corrected, it comes back as it was entered, not as what follows from it.
    let correction = manager.get(&format!("/calibrations/{}/correction", text(&listed[0], "id"))).await.text;
    assert!(correction.contains("name=\"stated.value\" value=\"0.030\""), "{correction}");
    assert!(correction.contains("name=\"standard_uncertainty\" value=\"\""), "{correction}");
    // A line that is no pair is named, and what was entered is kept.
    let page = manager.get(&path).await;
    let broken = entry.map(|(name, value)| match name {
        "_code" => (name, page.hidden("_code")),
        "_key" => (name, page.hidden("_key")),
        "_pasted" => (name, "0.00 0.00\n10.00"),
        _ => (name, value),
    });
    let refused = manager.post(&path, &broken).await;
    assert_eq!(refused.status, 422);
    assert!(refused.text.contains("line 2 has not a reading and a correction"), "{}", refused.text);
    assert!(refused.text.contains("10.00"), "{}", refused.text);
}

/// A file that begins as a PDF does (ISO 32000-1, 7.5.2).
const PDF: &[u8] = b"%PDF-1.7\n1 0 obj <</Type/Catalog>> endobj\n%%EOF\n";

#[tokio::test(flavor = "multi_thread")]
async fn the_file_of_a_certificate_is_kept_once_and_comes_back_byte_for_byte() {
    let app = TestApp::start().await;
    let content = STANDARD.encode(PDF);
    let file = json!({ "file_name": "CAL 2026/014.pdf", "content": content });
    let kept = app.analyst.post("/certificate-files", &file).await.expect(201);
    let digest = text(&kept, "digest");
    assert_eq!(
        (digest.as_str(), &kept["media_type"]),
        (hex::encode(Sha256::digest(PDF)).as_str(), &json!("application/pdf"))
    );
    // The same file again, by somebody else under another name, is the one that is there.
    let again = json!({ "file_name": "other.pdf", "content": content });
    assert_eq!(app.manager.post("/certificate-files", &again).await.expect(201)["digest"], kept["digest"]);
    assert_eq!(app.row_counts(&["certificate_files"]).await, [1]);
    let back = app.auditor.get(&format!("/certificate-files/{digest}")).await;
    assert_eq!((back.status, back.bytes.as_slice()), (200, PDF));
    assert_eq!(back.header("content-disposition"), "attachment; filename=\"CAL-2026-014.pdf\"");
    app.auditor.get(&format!("/certificate-files/{}", "0".repeat(64))).await.refused(404, "not_found");
    for (name, content, field) in [
        ("", STANDARD.encode(PDF), "file_name"),
        ("a.pdf", "no base64!".to_owned(), "content"),
        ("a.pdf", STANDARD.encode("<html><script>"), "content"),
    ] {
        let refused = app.manager.post("/certificate-files", &json!({ "file_name": name, "content": content })).await;
        assert_eq!(refused.refused(422, "invalid_input")["errors"][0]["field"], field);
    }
    app.auditor.post("/certificate-files", &file).await.refused(403, "forbidden");
    // Through the form of a calibration, in a browser; its page leads to the file.
    let id = piece(&app, "P-1", "pipette", "25").await;
    let scan = std::env::temp_dir().join(format!("{}.pdf", uuid::Uuid::now_v7()));
    std::fs::write(&scan, [PDF, b"%second\n"].concat()).unwrap();
    let browser = Browser::open(&format!("http://{}", app.running.address)).await;
    browser.sign_in(&app.manager.code, &app.manager.password).await;
    browser.goto(&format!("/equipment/{id}/calibrations")).await;
    for (name, value) in [
        ("certificate", "CAL-2026-015"),
        ("calibrated_value", "24.985"),
        ("stated.value", "0.030"),
        ("stated.coverage_factor", "2"),
    ] {
        browser.fill(&format!("[name='{name}']"), value).await;
    }
    browser.click("[name='stated.stated_as'][value='expanded uncertainty']").await;
    let (from, to) = (day(-10), day(300));
    let days = format!(
        "document.querySelector('[name=calibrated_on]').value='{from}'; document.querySelector('[name=due_on]').value='{to}';"
    );
    browser.script(&days).await;
    browser.choose_file("[name='_certificate']", &scan).await;
    browser.click("form.entry button.main").await;
    browser.sees("CAL-2026-015").await;
    let listed = app.auditor.get(&format!("/equipment/{id}/calibrations")).await.expect(200);
    let digest = text(&listed[0], "certificate_digest");
    assert_eq!(digest, hex::encode(Sha256::digest(std::fs::read(&scan).unwrap())));
    assert!(browser.has(&format!("a[href='/api/v1/certificate-files/{digest}']")).await);
    std::fs::remove_file(&scan).unwrap();
    browser.close().await;
    app.sealed().await;
}
