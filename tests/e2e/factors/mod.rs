//! Factors that rest on what was corrected: nothing new is signed with them, and amended they take the place of the ones before
//! from the same moment, while what was signed stays what was signed.

mod races;

use ferrotitre_tests::bench::{days_ahead, dichromate_standard, minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::{Answer, pdf};
use serde_json::{Value, json};

use crate::certificates::{self, authorise, described, document};
use crate::lab::{Lab, dichromate, sign};
use crate::pages::Visitor;
use crate::signed::{amend, begun, grams_per_litre, signed_part};

/// What the certificate of the iron was taken to say, and what it says.
const MISREAD: &str = "0.9998";
const RIGHT: &str = "0.9950";

/// Back to the release before corrected factors.
const BACK: &str = include_str!("../../../migrations/2026-11-29-000102_factor_corrections/down.sql");

fn iron(mass_fraction: &str) -> Value {
    json!({
        "code": "PS-FE", "substance": "iron", "supplier": "reference materials", "supplier_lot": "9",
        "certificate": "RM-9", "mass_fraction": mass_fraction, "expanded_uncertainty": "0.0002", "coverage_factor": "2",
        "basis": "iron", "expires_on": ferrotitre_tests::bench::day(300),
    })
}

/// A lot of dichromate standardised against iron: three times 0.1396 g that take 24.90 mL. Identities of lot, standard and
/// standardisation.
async fn standardised(lab: &Lab) -> [String; 3] {
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

fn replicate() -> Value {
    json!({
        "kind": "replicate", "mass_g": "0.1396", "initial_readings": ["0.00"], "final_readings": ["24.90"],
        "end_point": "green to violet", "observed_at": minutes_ago(490),
    })
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

/// What was entered for a preparation, as it is shown.
fn facts_of(preparation: &Value) -> Value {
    let fields = ["titrant", "primary_standard", "mass_g", "balance", "flask", "solution_temperature", "observed_at"];
    fields
        .into_iter()
        .map(|field| (field.to_owned(), preparation[field].clone()))
        .collect::<serde_json::Map<_, _>>()
        .into()
}

fn number(value: &Value) -> f64 {
    value.as_str().map_or_else(|| value.as_f64().unwrap(), |text| text.parse().unwrap())
}

fn close(found: f64, expected: f64) {
    assert!((found / expected - 1.0).abs() < 2e-7, "{found}, not {expected}");
}

/// A lot that is prepared and waits for its release.
async fn prepared(lab: &Lab, standard: &str, code: &str) -> String {
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
}

/// One of three masses of 0.1396 g was 0.1394 g: the mean of 0.1396, 0.1396 and 0.1394 is 0.1395333, so that the factor and with it
/// the content are 0.9995225 of what they were, by hand. Nothing was on record that would have told of it: the corrected factor
/// itself marks the results and opens the nonconformity.
#[tokio::test(flavor = "multi_thread")]
async fn a_misread_replicate_is_corrected_under_an_amendment_and_the_factor_itself_tells_of_it() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [lot, standard, standardisation] = standardised(&lab).await;
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    let approved = sign(&app.manager, &standardisation, "approval", None).await.expect(201);
    let path = determined(&lab, &lot).await;
    let signed = lab.through(&path).await;
    // What changes nothing opens nothing, and does not hide what comes after it.
    let mut renamed = iron(MISREAD);
    renamed["supplier"] = json!("reference materials, new name");
    let _ = correct(&lab, &standard, &renamed).await.expect(201);
    assert_eq!(app.auditor.get("/nonconformities").await.expect(200)["items"], json!([]));
    let titration = approved["titrations"][0].clone();
    let mut right = replicate();
    right["mass_g"] = json!("0.1394");
    right["observed_at"] = titration["observed_at"].clone();
    let correction = json!({ "reason": "0.1394 g stand in the bench book", "facts": right });
    let corrections = format!("/standardisation-titrations/{}/corrections", text(&titration, "id"));
    let version = text(&titration, "version_id");
    let refused = app.analyst.post_if_match(&corrections, &version, &correction).await.refused(409, "state_conflict");
    assert!(text(&refused, "detail").contains("a manager must amend it"), "{refused}");
    let reason = "a mass was misread";
    sign(&app.manager, &standardisation, "amendment", Some(reason)).await.expect(201);
    // Two replicates are no factor, and none can be added: rejecting one would leave the wrong factor for good.
    let rejection = json!({ "cause": "other", "reason": "a drop was lost" });
    let rejections = format!("/standardisation-titrations/{}/rejection", text(&titration, "id"));
    let refused = app.analyst.post(&rejections, &rejection).await.refused(409, "state_conflict");
    assert!(text(&refused, "detail").contains("withdraw the lot"), "{refused}");
    let _ = app.analyst.post_if_match(&corrections, &version, &correction).await.expect(201);
    // Nothing is signed with the lot while its standardisation no longer gives its factor.
    let other = determined(&lab, &lot).await;
    sign(&app.analyst, &other, "submission", None).await.refused(422, "rule_broken");
    let since = app.auditor.get(&path).await.expect(200)["since"].to_string();
    assert!(!since.contains("factor of D-7 corrected"), "nothing counts before it is approved: {since}");
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    let id = path.trim_start_matches("/determinations/");
    let opened = app.auditor.get(&format!("/nonconformities?entity={id}")).await.expect(200);
    assert_eq!(opened["items"][0]["title"], json!(format!("factor of D-7 corrected: {reason}")), "{opened}");
    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&after)["evaluation"], signed_part(&signed)["evaluation"]);
    close(
        grams_per_litre(&app.auditor.get(&other).await.expect(200)) / grams_per_litre(&signed),
        0.139_533_333 / 0.1396,
    );
    sign(&app.analyst, &other, "submission", None).await.expect(201);
    // A second amendment corrects the corrected factor; the first signature stands over the first of the three all the same.
    // The same holds where the factor was made by the formulae of an earlier release.
    let superuser = app.sql(DatabaseRole::Superuser).await;
    superuser
        .batch_execute(
            "BEGIN; SET LOCAL session_replication_role = replica; \
             UPDATE titrant_factors SET formula_set = 'ferrotitre formulae 2' WHERE standardisation_id IS NOT NULL; COMMIT",
        )
        .await
        .unwrap();
    sign(&app.manager, &standardisation, "amendment", Some("the bench book was right")).await.expect(201);
    let read = app.auditor.get(&standardisation).await.expect(200);
    let present = read["titrations"].as_array().unwrap().iter().rfind(|one| one["id"] == titration["id"]).unwrap();
    right["mass_g"] = json!("0.1396");
    let back = json!({ "reason": "0.1396 g was right after all", "facts": right });
    let _ = app.analyst.post_if_match(&corrections, &text(present, "version_id"), &back).await.expect(201);
    sign(&app.analyst, &determined(&lab, &lot).await, "submission", None).await.refused(422, "rule_broken");
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    assert_eq!(factors(&lab, &lot).await.len(), 3);
    for place in [&path, &other] {
        let said = app.auditor.get(place).await.expect(200)["since"]["words"].to_string();
        assert!(said.contains("factor of D-7 corrected: the bench book was right"), "{place}: {said}");
    }
    let first = app.auditor.get(&path).await.expect(200);
    assert_eq!(first["evaluation"], signed["evaluation"]);
    assert!(
        first["since"]["words"].to_string().contains("the reported figure would be the same"),
        "{}",
        first["since"]
    );
    // Signed again with the factor as it is now: every signature stands over the figure that its own rows give.
    let _ = amend(&lab, &path, "the factor was corrected").await;
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    let connection = app.shared.address(DatabaseRole::Service, &app.database).connect().await.unwrap();
    let honest = ferrotitre_results::determinations::again::again(&connection, |_| ()).await.unwrap();
    assert_eq!((honest.findings.clone(), honest.agree), (Vec::new(), 5), "{honest:?}");
    // The release before is gone back to, and forward again: the factors that were corrected stay beside those in their place.
    app.sql(DatabaseRole::Owner).await.batch_execute(BACK).await.unwrap();
    let superuser = app.sql(DatabaseRole::Superuser).await;
    superuser.batch_execute("DELETE FROM __diesel_schema_migrations WHERE version = '20261129000102'").await.unwrap();
    ferrotitre_api::migrate::run(&app.shared.address(DatabaseRole::Owner, &app.database)).await.unwrap();
    assert_eq!(factors(&lab, &lot).await.len(), 3);
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
}

/// Three times 0.1396 g that were 0.1424 g: 1.02006 of the factor that was, by hand, and above the limit of the lot, 1.010. What was
/// titrated has that factor nevertheless; nothing more is titrated with the lot.
#[tokio::test(flavor = "multi_thread")]
async fn a_corrected_factor_outside_the_limits_counts_for_what_was_titrated_and_suspends_the_lot() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [lot, _, standardisation] = standardised(&lab).await;
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    let approved = sign(&app.manager, &standardisation, "approval", None).await.expect(201);
    let path = determined(&lab, &lot).await;
    let before = grams_per_litre(&app.auditor.get(&path).await.expect(200));
    sign(&app.manager, &standardisation, "amendment", Some("the tare was forgotten")).await.expect(201);
    for titration in approved["titrations"].as_array().unwrap() {
        let mut right = replicate();
        right["mass_g"] = json!("0.1424");
        right["observed_at"] = titration["observed_at"].clone();
        let correction = json!({ "reason": "the tare was forgotten", "facts": right });
        let corrections = format!("/standardisation-titrations/{}/corrections", text(titration, "id"));
        let _ = app.analyst.post_if_match(&corrections, &text(titration, "version_id"), &correction).await.expect(201);
    }
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager2, &standardisation, "approval", None).await.expect(201);
    close(grams_per_litre(&app.auditor.get(&path).await.expect(200)) / before, 0.1424 / 0.1396);
    let read = app.auditor.get(&format!("/titrants/{lot}")).await.expect(200);
    assert_eq!(read["state"], "suspended", "{read}");
    let reason = read["moves"].as_array().unwrap().last().unwrap()["reason"].to_string();
    assert!(reason.contains("outside the limits of the lot"), "{reason}");
    sign(&app.analyst, &path, "submission", None).await.expect(201);
}
