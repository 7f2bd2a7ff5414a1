//! Factors that rest on what was corrected: nothing new is signed with them, and amended they take the place of the ones before
//! from the same moment, while what was signed stays what was signed.

mod amendments;
mod preparations;
mod races;

use ferrotitre_tests::bench::{days_ahead, minutes_ago, text};
use ferrotitre_tests::{Answer, pdf};
use serde_json::{Value, json};

use crate::certificates::{self, authorise, described, document};
use crate::lab::{Lab, sign};
use crate::pages::Visitor;
use crate::signed::{amend, grams_per_litre, signed_part};

/// What the certificate of the iron was taken to say, and what it says.
const MISREAD: &str = "0.9998";
const RIGHT: &str = "0.9950";

fn iron(mass_fraction: &str) -> Value {
    json!({
        "code": "PS-FE", "substance": "iron", "supplier": "reference materials", "supplier_lot": "9",
        "certificate": "RM-9", "mass_fraction": mass_fraction, "expanded_uncertainty": "0.0002", "coverage_factor": "2",
        "basis": "iron", "expires_on": ferrotitre_tests::bench::day(300),
    })
}

/// A lot of dichromate standardised against iron: three times 0.1396 g that take 24.90 mL. Identities of lot, standard and
/// standardisation.
pub(crate) async fn standardised(lab: &Lab) -> [String; 3] {
    standardised_with(lab, &lab.bench.burette, false).await
}

/// The same with a burette, whose corrections are applied or not.
pub(crate) async fn standardised_with(lab: &Lab, burette: &str, correct: bool) -> [String; 3] {
    let app = &lab.app;
    let standard = text(&app.analyst.post("/primary-standards", &iron(MISREAD)).await.expect(201), "id");
    let release = json!({ "to": "released" });
    let _ = app.manager.post(&format!("/primary-standards/{standard}/moves"), &release).await.expect(201);
    let lot = json!({
        "code": "D-7", "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "standardisation", "factor_low": "0.990", "factor_high": "1.010", "storage": "dark",
        "container": "amber glass", "expires_at": days_ahead(90), "observed_at": minutes_ago(600),
    });
    let lot = text(&app.analyst.post("/titrants", &lot).await.expect(201), "id");
    let begin = json!({
        "code": "STD-7", "primary_standard": standard, "balance": lab.bench.balance, "burette": burette,
        "indicator": "diphenylamine sulfonate", "valid_days": 60, "correct_burette": correct,
        "correct_temperature": false, "correct_buoyancy": false, "observed_at": minutes_ago(500),
    });
    let path = format!("/titrants/{lot}/standardisations");
    let standardisation = text(&app.analyst.post(&path, &begin).await.expect(201), "id");
    let path = format!("/standardisations/{standardisation}");
    for _ in 0..3 {
        let _ = app.analyst.post(&format!("{path}/titrations"), &replicate()).await.expect(201);
    }
    [lot, standard, path]
}

pub(crate) fn replicate() -> Value {
    json!({
        "kind": "replicate", "mass_g": "0.1396", "initial_readings": ["0.00"], "final_readings": ["24.90"],
        "end_point": "green to violet", "observed_at": minutes_ago(490),
    })
}

/// That `ferrotitre verify` accuses nobody: every signed factor still follows from what it was signed over.
pub(crate) async fn nothing_is_found(lab: &Lab) {
    let address = lab.app.shared.address(ferrotitre_tests::cluster::DatabaseRole::Service, &lab.app.database);
    let connection = address.connect().await.unwrap();
    let found = ferrotitre_bench::titrants::again::again(&connection, |_| ()).await.unwrap();
    assert!(found.findings.is_empty() && found.agree + found.of_other_formulae > 0, "{found:?}");
}

/// Corrects a standard as an analyst.
async fn correct(lab: &Lab, standard: &str, facts: &Value) -> Answer {
    let read = lab.app.auditor.get(&format!("/primary-standards/{standard}")).await.expect(200);
    let version = text(read["versions"].as_array().unwrap().last().unwrap(), "version_id");
    let correction = json!({ "reason": "the mass fraction was misread from the certificate", "facts": facts });
    let path = format!("/primary-standards/{standard}/corrections");
    lab.app.analyst.post_if_match(&path, &version, &correction).await
}

async fn factors(lab: &Lab, lot: &str) -> Vec<Value> {
    let found = lab.app.auditor.get(&format!("/titrants/{lot}/factors")).await.expect(200);
    found.as_array().unwrap().clone()
}

fn number(value: &Value) -> f64 {
    value.as_str().map_or_else(|| value.as_f64().unwrap(), |text| text.parse().unwrap())
}

fn close(found: f64, expected: f64) {
    assert!((found / expected - 1.0).abs() < 2e-7, "{found}, not {expected}");
}

/// Iron(II) with two titres of 21.46 mL with a lot, in a run that is closed.
async fn determined(lab: &Lab, lot: &str) -> String {
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let mut titration = lab.titration("accurate", "21.46", None);
    titration["titrant"] = json!(lot);
    for _ in 0..2 {
        lab.titrate(&determination, &titration).await;
    }
    lab.close(&run).await;
    format!("/determinations/{determination}")
}

/// 0.1396 g of iron of 0.9950 g/g in 24.90 mL: 0.138902 / 55.845 mol is 2.487277 mmol, so 0.09989065 eq/L, factor 0.9989065. With
/// the 0.9998 that was read at first it would be 2.499276 mmol, factor 1.0037254. By hand; M(Fe) 55.845 (IUPAC 2021, from memory).
#[tokio::test(flavor = "multi_thread")]
async fn a_certificate_corrected_before_a_standardisation_is_signed_is_the_one_it_is_signed_with() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [lot, standard, path] = standardised(&lab).await;
    let first = app.auditor.get(&path).await.expect(200);
    close(number(&first["concentration"]["factor"]), 1.003_725_4);
    let _ = correct(&lab, &standard, &iron(RIGHT)).await.expect(201);
    let after = app.auditor.get(&path).await.expect(200);
    close(number(&after["concentration"]["factor"]), 0.998_906_5);
    assert_ne!(after["content_digest"], first["content_digest"], "what was looked at before is not what is signed");
    assert_ne!(after["primary_standard"], first["primary_standard"]);
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    // Corrected once more before it is approved: its author has signed something else.
    let _ = correct(&lab, &standard, &iron(MISREAD)).await.expect(201);
    let refused = sign(&app.manager, &path, "approval", None).await.refused(422, "rule_broken");
    let said = text(&refused, "detail");
    assert!(said.contains("certificate of PS-FE corrected") && said.contains("1.00373, not 0.99891"), "{said}");
    let _ = correct(&lab, &standard, &iron(RIGHT)).await.expect(201);
    sign(&app.manager, &path, "return", Some("to be signed as it is now")).await.expect(201);
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.manager, &path, "approval", None).await.expect(201);
    close(number(&factors(&lab, &lot).await[0]["factor"]), 0.998_906_5);
    nothing_is_found(&lab).await;
}

/// The whole way of a wrong certificate. The content is 0.1396 g of iron, as pure as its certificate says, for 24.90 mL of titrant,
/// times 21.46 mL for a tenth of 10 mL: 0.1396 * 0.9998 * 21.46 / 24.90 / 0.001 L = 120.289833 g/L, and with 0.9950 119.712326 g/L, by
/// hand; the molar mass cancels.
#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_certificate_is_followed_to_the_certificate_of_analysis_and_its_next_issue() {
    let lab = described().await;
    let app = &lab.app;
    let [lot, standard, standardisation] = standardised(&lab).await;
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager, &standardisation, "approval", None).await.expect(201);
    let path = determined(&lab, &lot).await;
    let signed = lab.through(&path).await;
    close(grams_per_litre(&signed), 120.289_833);
    let id = path.trim_start_matches("/determinations/").to_owned();
    let certificate = certificates::issued(&lab, &[&id]).await;

    // The certificate is corrected: marked, not re-valued; a nonconformity names what went out.
    let _ = correct(&lab, &standard, &iron(RIGHT)).await.expect(201);
    let marked = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&marked)["evaluation"], signed_part(&signed)["evaluation"]);
    let said = marked["since"]["words"].to_string();
    assert!(said.contains("certificate of PS-FE corrected") && said.contains("it would now be 119.7"), "{said}");
    let opened = app.auditor.get(&format!("/nonconformities?entity={id}")).await.expect(200);
    let opened = opened["items"].as_array().unwrap();
    assert_eq!(opened.len(), 1);
    assert!(text(&opened[0], "scope").contains(&text(&certificate, "number")), "{}", opened[0]);

    // To amend the result alone would clear the mark and sign the same wrong figure again.
    let other = determined(&lab, &lot).await;
    let refused = sign(&app.analyst, &other, "submission", None).await.refused(422, "rule_broken");
    let said = text(&refused, "detail");
    assert!(said.contains("the factor of D-7 rests on what was corrected since (certificate of PS-FE"), "{said}");
    assert!(said.contains("0.99891 in place of 1.00373") && said.contains("amend the standardisation STD-7"), "{said}");

    // The standardisation is amended by a manager, signed by its author, approved by another manager.
    let reason = "the mass fraction of PS-FE had been misread";
    sign(&app.analyst, &standardisation, "amendment", Some(reason)).await.refused(403, "forbidden");
    sign(&app.manager, &standardisation, "amendment", None).await.refused(422, "invalid_input");
    let open = sign(&app.manager, &standardisation, "amendment", Some(reason)).await.expect(201);
    assert_eq!((&open["state"], &open["amended"]), (&json!("amended"), &json!(true)));
    assert!(open["sign_offs"].as_array().unwrap().iter().all(|sign| sign["still_valid"] == false), "{open}");
    close(number(&open["concentration"]["factor"]), 0.998_906_5);
    let further = app.analyst.post(&format!("{standardisation}/titrations"), &replicate()).await;
    further.refused(409, "state_conflict");
    assert_eq!(factors(&lab, &lot).await.len(), 1, "the factor stays until the corrected one is approved");
    sign(&app.manager, &standardisation, "submission", None).await.refused(403, "not_own_observations");
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    // Returned, it is still one that was approved: what was titrated then is all there is.
    sign(&app.manager2, &standardisation, "return", Some("to be looked at again")).await.expect(201);
    app.analyst.post(&format!("{standardisation}/titrations"), &replicate()).await.refused(409, "state_conflict");
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager, &standardisation, "approval", None).await.refused(403, "own_record");
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    let both = factors(&lab, &lot).await;
    let old = both.iter().find(|one| one["corrected_by"].is_string()).unwrap();
    let new = both.iter().find(|one| one["corrects"].is_string()).unwrap();
    assert_eq!((both.len(), &old["corrected_by"], &new["corrects"]), (2, &new["id"], &old["id"]));
    assert_eq!((&new["valid_from"], &new["valid_to"]), (&old["valid_from"], &old["valid_to"]), "from the same moment");
    assert_eq!(new["reason"], json!(reason));
    close(number(&new["factor"]), 0.998_906_5);

    // What was signed stays, and says so; what is not signed reads the corrected factor.
    let still = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&still)["evaluation"], signed_part(&signed)["evaluation"]);
    assert_eq!(still["content_digest"], signed["content_digest"]);
    let said = still["since"]["words"].to_string();
    assert!(said.contains(&format!("factor of D-7 corrected: {reason}")), "{said}");
    assert!(said.contains("it would now be 119.7"), "{said}");
    close(grams_per_litre(&app.auditor.get(&other).await.expect(200)), 119.712_326);
    sign(&app.analyst, &other, "submission", None).await.expect(201);
    let opened = app.auditor.get(&format!("/nonconformities?entity={id}")).await.expect(200);
    assert_eq!(opened["items"].as_array().unwrap().len(), 1, "one for the cause, none for its remedy");

    // The result is amended: the corrected figure is what is signed, the other stays in sight.
    let amended = amend(&lab, &path, reason).await;
    close(grams_per_litre(&amended), 119.712_326);
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    let anew = sign(&app.manager2, &path, "approval", None).await.expect(201);
    close(grams_per_litre(&anew), 119.712_326);
    assert_eq!(anew["earlier"][0]["reported"]["text"], signed["evaluation"]["reported"]["text"]);
    assert!(anew["since"].is_null(), "{}", anew["since"]);
    let proof = app.auditor.get(&format!("{path}/control")).await.expect(200);
    let of_lot = proof["factors"].as_array().unwrap().iter().filter(|one| one["titrant"] == json!(lot));
    let of_lot: Vec<&Value> = of_lot.map(|one| &one["factor"]).collect();
    assert_eq!(of_lot, [&new["id"]], "{}", proof["factors"]);

    // And the certificate of analysis goes out again.
    let place = certificates::path(&certificate);
    let _ = certificates::amended(&lab, &certificate, &[&id]).await.expect(201);
    let next = authorise(&app.manager2, &place).await.expect(201);
    assert_eq!((&next["current_issue"], &next["marks"]), (&json!(2), &json!([])));
    let printed = pdf::read(&document(&lab, &place, 2).await.bytes).await.text;
    let reported = &anew["evaluation"]["reported"];
    assert!(printed.contains(&text(reported, "text")) && text(reported, "text").starts_with("119.7"), "{printed}");
    // On the pages of the lot and of the standardisation, too.
    let manager = Visitor::of(app.running.address, &app.manager);
    let page = manager.get(&format!("/titrants/{lot}")).await.text;
    assert!(page.contains("another takes its place") && page.contains(reason), "{page}");
    assert!(manager.get(&standardisation).await.text.contains(&format!("{standardisation}/amendment")));
    nothing_is_found(&lab).await;
}
