//! What an entry was meant as: its number, its moment, and the portion that a label names.

use chrono::{DateTime, Utc};
use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::browser::Browser;
use serde_json::json;

use crate::lab::Lab;
use crate::pages::Visitor;

/// Both pages say "Save titration 1".
#[tokio::test(flavor = "multi_thread")]
async fn of_two_pages_that_save_the_same_titration_the_second_is_told() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let analyst = Visitor::of(lab.app.running.address, &lab.app.analyst);
    let bench = format!("/determinations/{determination}/bench");
    let (one, other) = (analyst.get(&bench).await, analyst.get(&bench).await);
    let save = async |page: &crate::pages::Page, last: &str| {
        let entry = [
            ("_code", page.hidden("_code")),
            ("_key", page.hidden("_key")),
            ("_meant", page.hidden("_meant")),
            ("kind", "accurate"),
            ("titrant", &lab.titrant),
            ("burette", &lab.bench.burette),
            ("initial_readings[0]", "0.00"),
            ("final_readings[0]", last),
            ("end_point", "green to violet, sharp"),
            ("waste_stream", "chromium acid"),
        ];
        analyst.post(&bench, &entry).await
    };
    assert_eq!(save(&one, "21.46").await.status, 303);
    let refused = save(&other, "21.48").await;
    assert_eq!(refused.status, 409, "{}", refused.text);
    assert!(refused.text.contains("titration 1 was saved in the meantime, final reading 21.46 mL"), "{}", refused.text);
    assert!(refused.text.contains("Save titration 2") && refused.text.contains("value=\"21.48\""), "{}", refused.text);
    // Pressed again, knowing it.
    assert_eq!(save(&refused, "21.48").await.status, 303);
    let recorded = lab.app.auditor.get(&format!("/determinations/{determination}/titrations")).await.expect(200);
    let readings: Vec<_> = recorded.as_array().unwrap().iter().map(|one| one["final_readings"][0].clone()).collect();
    assert_eq!(readings, [json!("21.46"), json!("21.48")]);
    // Through the API, too; a number that cannot be is not a conflict.
    let mut titration = lab.titration("accurate", "21.46", None);
    let path = format!("/determinations/{determination}/titrations");
    titration["meant_as"] = json!(2);
    lab.app.analyst.post(&path, &titration).await.refused(409, "state_conflict");
    titration["meant_as"] = json!(4);
    let refused = lab.app.analyst.post(&path, &titration).await.refused(422, "invalid_input");
    assert_eq!(refused["errors"][0]["field"], "meant_as");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_entry_is_of_the_moment_in_which_it_was_saved_and_not_of_a_refused_attempt() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let browser = Browser::open(&format!("http://{}", lab.app.running.address)).await;
    browser.sign_in(&lab.app.analyst.code, &lab.app.analyst.password).await;
    browser.goto(&format!("/determinations/{determination}/bench")).await;
    browser.click("[name=titrant]").await;
    browser.click("[name=burette]").await;
    browser.fill("[name=waste_stream]", "chromium acid").await;
    browser.fill("[name='initial_readings[0]']", "0.00").await;
    // The burette is read to 0.02 mL.
    browser.fill("[name='final_readings[0]']", "21.47").await;
    browser.click("[name=end_point]").await;
    browser.click("form.entry button.main").await;
    browser.sees("must be a multiple of the reading step").await;
    assert_eq!(browser.value("[name=observed_at]").await, "", "nobody typed a time");
    tokio::time::sleep(std::time::Duration::from_secs(4)).await;
    let before = Utc::now();
    browser.fill("[name='final_readings[0]']", "21.46").await;
    browser.click("form.entry button.main").await;
    browser.sees("Save titration 2").await;
    let recorded = lab.app.auditor.get(&format!("/determinations/{determination}/titrations")).await.expect(200);
    let at: DateTime<Utc> = text(&recorded[0], "observed_at").parse().unwrap();
    // Whole seconds, and as much behind the service's clock as the page took to arrive.
    assert!(at >= before - chrono::Duration::seconds(3) && at <= Utc::now(), "{at}, pressed after {before}");
    browser.close().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_portion_keeps_its_number_and_the_label_of_its_sample_is_enough_where_there_is_one() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    let analyst = Visitor::of(lab.app.running.address, &lab.app.analyst);
    let form = format!("/runs/{run}/determinations/new");
    let begin = async |portion: &str| {
        let page = analyst.get(&form).await;
        let entry = [
            ("_code", page.hidden("_code")),
            ("_key", page.hidden("_key")),
            ("run", run.as_str()),
            ("portion", portion),
            ("purpose", "sample"),
        ];
        analyst.post(&form, &entry).await
    };
    let portion_of = async |page: &crate::pages::Page| {
        let bench = page.headers["location"].to_str().unwrap();
        let bench = bench.split('?').next().unwrap().trim_end_matches("/bench").to_owned();
        text(&lab.app.auditor.get(&bench).await.expect(200), "portion")
    };
    let only = begin("s-1").await;
    assert_eq!(only.status, 303, "{}", only.text);
    assert_eq!(portion_of(&only).await, lab.portion);
    // A second portion, then a correction of the first: the numbers stay.
    let portions = lab.app.auditor.get("/samples").await.expect(200);
    let sample = text(&portions["items"][0], "id");
    let taken = |at: i64| json!({ "pipette": lab.bench.pipette_10, "observed_at": minutes_ago(at) });
    let second = lab.app.analyst.post(&format!("/samples/{sample}/portions"), &taken(44)).await.expect(201);
    let listed = lab.app.auditor.get(&format!("/samples/{sample}/portions")).await.expect(200);
    let first = listed.as_array().unwrap().iter().find(|one| one["id"] == lab.portion.as_str()).unwrap().clone();
    let mut facts = taken(46);
    facts["aliquot_pipette"] = json!(null);
    let correction = json!({ "reason": "the flask was not used", "facts": facts });
    let path = format!("/portions/{}/corrections", lab.portion);
    let _ = lab.app.analyst.post_if_match(&path, &text(&first, "version_id"), &correction).await.expect(201);
    let both = begin("S-1").await;
    assert_eq!(both.status, 422);
    assert!(both.text.contains("S-1/1") && both.text.contains("say which"), "{}", both.text);
    assert_eq!(portion_of(&begin("S-1/2").await).await, text(&second, "id"));
    assert_eq!(portion_of(&begin("S-1/1").await).await, lab.portion);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_reading_that_comes_while_the_form_is_open_is_offered_without_asking() {
    let lab = Lab::open().await;
    let samples = lab.app.auditor.get("/samples").await.expect(200);
    let form = format!("/samples/{}/portions/new", text(&samples["items"][0], "id"));
    let sends = async |grams: &str| {
        let reading = json!({
            "id": uuid::Uuid::now_v7(), "equipment": "BAL-1", "value": grams, "unit": "g",
            "raw_line": format!("OK NET + {grams} g"), "observed_at": Utc::now(),
        });
        let _ = lab.app.instrument.post("/instrument-readings", &reading).await.expect(201);
    };
    sends("0.4900").await;
    let browser = Browser::open(&format!("http://{}", lab.app.running.address)).await;
    browser.sign_in(&lab.app.analyst.code, &lab.app.analyst.password).await;
    browser.goto(&form).await;
    browser.sees("0.4900 g").await;
    browser.fill("[name=temperature]", "21.5").await;
    sends("0.5100").await;
    browser.sees("0.5100 g").await;
    assert_eq!(browser.value("[name=temperature]").await, "21.5", "what was entered stays");
    browser.click("[data-waiting] li:first-child button").await;
    browser.sees("As printed: OK NET + 0.5100 g").await;
    assert_eq!(browser.value("[name=mass_g]").await, "0.5100");
    // What is accepted in this form is not offered again by a later look.
    sends("0.5300").await;
    browser.sees("0.5300 g").await;
    assert!(!browser.text("[data-waiting]").await.contains("0.5100"));
    browser.close().await;
}
