//! Certificates of the demo as bundles: what an auditor is told of a paper, and what a laboratory with its own key cannot put on one.

use ferrotitre_check::bundle::{Against, Bundle};
use ferrotitre_tests::demo;
use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use super::bundles::{All, Taken, all, second};
use super::forged::{events, place, row, sealed};
use super::{brought, log_key};

/// The bundle of the certificate with that number.
fn of<'a>(all: &'a All, number: &str) -> &'a Taken {
    let certificates = all.taken.iter().filter(|one| one.path.starts_with("/certificates"));
    let is = |one: &&Taken| serde_json::from_slice::<Value>(&one.file).unwrap()["content"]["code"] == number;
    certificates.clone().find(is).unwrap_or_else(|| panic!("no {number}"))
}

#[tokio::test(flavor = "multi_thread")]
async fn each_paper_is_known_as_the_issue_it_went_out_as_and_no_other() {
    let all = all().await;
    let (_, auditor) = demo::nobody_and_auditor().await;
    let key = brought(&log_key(&auditor).await);
    let against = Against { key: &key, witnesses: &[], needed: 0 };
    let certificates = auditor.get("/certificates?limit=200").await.expect(200);
    let (mut papers, mut amended, mut withdrawn) = (0, 0, 0);
    for item in certificates["items"].as_array().unwrap() {
        let (id, number) = (item["id"].as_str().unwrap(), item["number"].as_str().unwrap());
        let bundle = Bundle::open(&of(all, number).file, &against).unwrap();
        let said = bundle.proves(&against).unwrap().text();
        let whole = auditor.get(&format!("/certificates/{id}")).await.expect(200);
        for issue in whole["issues"].as_array().unwrap().iter().filter(|issue| issue["pdf_digest"].is_string()) {
            let (nth, state) = (issue["issue"].as_i64().unwrap(), issue["state"].as_str().unwrap());
            let pdf = auditor.get(&format!("/certificates/{id}/issues/{nth}/certificate.pdf")).await;
            assert_eq!(pdf.status, 200);
            let known = bundle.paper(&pdf.bytes).unwrap();
            assert!(known.ends_with(&format!("what went out as {number} issue {nth}, which is {state}")), "{known}");
            let mut changed = pdf.bytes.clone();
            changed[100] ^= 1;
            assert!(bundle.paper(&changed).unwrap_err().contains("is none that went out"));
            let digest = issue["content_digest"].as_str().unwrap();
            assert!(said.contains(&format!("{number} issue {nth} sha256 {digest}")), "{said}");
            papers += 1;
            amended += usize::from(state == "superseded");
            withdrawn += usize::from(state == "withdrawn");
        }
        let in_force = whole["current_issue"].as_i64();
        let none = [format!("{number}: NO LONGER IN FORCE"), format!("{number}: nothing of it has been issued")];
        assert_eq!(in_force.is_none(), none.iter().any(|words| said.contains(words)), "{said}");
        if let Some(nth) = in_force {
            assert!(said.contains(&format!("{number} issue {nth} is the issue in force")), "{said}");
        }
    }
    assert!(papers >= 3 && amended >= 1 && withdrawn >= 1, "{papers} {amended} {withdrawn}");
    let other = Bundle::open(&all.taken[0].file, &against).unwrap().paper(b"%PDF").unwrap_err();
    assert!(other.contains("against the bundle of its certificate"), "{other}");
}

/// States something else on the latest version, with a digest that fits, and the signatures over it, too.
fn states(bundle: &mut Value, pointer: &str, value: &str) {
    let changed = row(bundle, "certificates", &|_| true, &|_| ());
    let mut document: Value = serde_json::from_str(changed["document"].as_str().unwrap()).unwrap();
    *document.pointer_mut(pointer).unwrap() = json!(value);
    let text = document.to_string();
    let digest = hex::encode(Sha256::digest(format!("ferrotitre certificate 1\n{text}")));
    let after = row(bundle, "certificates", &|_| true, &|row| {
        (row["document"], row["content_digest"]) = (json!(text), json!(digest));
    });
    row(bundle, "sign_offs", &|sign| sign["entity_id"] == after["id"], &|sign| sign["content_digest"] = json!(digest));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_sealed_anew_with_the_key_still_states_only_what_was_signed() {
    let all = all().await;
    let amended =
        all.taken.iter().filter(|one| one.path.starts_with("/certificates")).find(|one| {
            all.accepts(&one.file).is_ok_and(|found| found.text().contains("issue 2 is the issue in force"))
        });
    let good: Value = serde_json::from_slice(&amended.unwrap().file).unwrap();
    assert!(all.accepts(&sealed(&good, &[]).await).is_ok());
    let refused = async |change: &dyn Fn(&mut Value), says: &str| {
        let mut bundle = good.clone();
        change(&mut bundle);
        let file = Box::pin(sealed(&bundle, &[])).await;
        let why = all.accepts(&file).map(|found| found.text()).unwrap_err();
        assert!(why.contains(says), "{says}: {why}");
        let (proved, said) = second(&file, &all.fingerprint);
        assert!(!proved && said.starts_with("not proved: "), "{says}: {said}");
    };
    for field in ["value", "expanded_uncertainty", "unit", "coverage_factor"] {
        let other = |bundle: &mut Value| states(bundle, &format!("/results/0/{field}"), "1.50");
        refused(&other, "which is not what was signed").await;
    }
    refused(&|bundle| states(bundle, "/results/0/code", "DET-9"), "under another result's signature").await;
    refused(&|bundle| states(bundle, "/number", "C-2026-9999"), "of another number or issue").await;
    let document =
        |row: &mut Value| row["document"] = json!(row["document"].as_str().unwrap().replace("customer", "buyer"));
    refused(&|bundle| drop(row(bundle, "certificates", &|_| true, &document)), "not what its digest is of").await;
    let less = |bundle: &mut Value| {
        let at = place(bundle, |event, _| event["entity_kind"] == "certificate_results");
        events(bundle).remove(at);
    };
    refused(&less, "results and certifies").await;
    // The signature of somebody else's result, and one that its account did not give.
    let swapped = |bundle: &mut Value| {
        let of_certificate = |sign: &Value| sign["entity_kind"] == "certificates";
        let other = row(bundle, "sign_offs", &of_certificate, &|_| ())["id"].clone();
        row(bundle, "certificate_results", &|_| true, &|row| row["sign_off_id"] = other.clone());
    };
    refused(&swapped, "under another result's signature").await;
    let certified = row(&mut good.clone(), "certificate_results", &|_| true, &|_| ())["sign_off_id"].clone();
    let by_another = |bundle: &mut Value| {
        row(bundle, "sign_offs", &|sign| sign["id"] == certified, &|sign| sign["meaning"] = json!("rejected"));
    };
    refused(&by_another, "is certified under no signature that counts").await;
}
