//! Readings at the bench: offered, accepted by a person, kept with what was recorded of them.

use ferrotitre_tests::bench::{calibration, equipment, install, minutes_ago};
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::lab::Lab;
use crate::pages::Visitor;

async fn sends(lab: &Lab, equipment: &str, value: &str, unit: &str) -> String {
    let reading = json!({
        "id": Uuid::now_v7(), "equipment": equipment, "value": value, "unit": unit,
        "raw_line": format!("OK NET + {value} {unit}"), "observed_at": chrono::Utc::now(),
    });
    let made = lab.app.instrument.post("/instrument-readings", &reading).await.expect(201);
    made["id"].as_str().unwrap().to_owned()
}

async fn used(who: &Client, reading: &str) -> Value {
    who.get(&format!("/instrument-readings/{reading}")).await.expect(200)["accepted_for"].clone()
}

fn visitor(lab: &Lab, who: &Client) -> Visitor {
    Visitor::of(lab.app.running.address, who)
}

/// A field's value in a page.
fn value<'a>(page: &'a str, name: &str) -> &'a str {
    let (_, after) =
        page.split_once(&format!("name=\"{name}\" value=\"")).unwrap_or_else(|| panic!("no {name}: {page}"));
    after.split('"').next().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_mass_is_accepted_without_script_and_its_portion_says_which_reading_it_was() {
    let lab = Lab::open().await;
    let analyst = visitor(&lab, &lab.app.analyst);
    let portion = lab.app.analyst.get("/samples").await.expect(200);
    let sample = portion["items"][0]["id"].as_str().unwrap().to_owned();
    let path = format!("/samples/{sample}/portions/new");
    // Where no instrument ever sent anything, nothing is said of instruments.
    assert!(!analyst.get(&path).await.text.contains("From instruments"));
    let first = sends(&lab, "BAL-1", "0.4900", "g").await;
    let second = sends(&lab, "BAL-1", "0.5100", "g").await;
    let form = analyst.get(&path).await;
    let (newer, older) = (form.text.find("0.5100 g").unwrap(), form.text.find("0.4900 g").unwrap());
    assert!(newer < older && form.text.contains("s ago"), "the newest stands first");

    // The button sends the form as it is; it comes back with the mass, the balance and everything entered.
    let press = format!("accept mass_g {first}");
    let code = form.hidden("_code").to_owned();
    let key = form.hidden("_key").to_owned();
    let entered = [("_code", code.as_str()), ("_key", key.as_str()), ("temperature", "21.5")];
    let filled = analyst.post(&path, &[&entered[..], &[("_reshape", press.as_str())]].concat()).await;
    assert_eq!(filled.status, 200);
    assert_eq!(value(&filled.text, "mass_g"), "0.4900");
    assert_eq!(value(&filled.text, "balance"), "BAL-1");
    assert_eq!(value(&filled.text, "temperature"), "21.5");
    assert!(filled.text.contains("As printed: OK NET + 0.4900 g"), "{}", filled.text);
    assert!(!filled.text.contains(&format!("accept mass_g {first}")), "it is offered no more");
    assert!(filled.text.contains(&format!("accept mass_g {second}")));
    assert_eq!(used(&lab.app.auditor, &first).await, Value::Null);

    let flask = lab.bench.flask_250.as_str();
    let accepted = [
        ("_code", code.as_str()),
        ("_key", key.as_str()),
        ("mass_g", "0.4900"),
        ("balance", "BAL-1"),
        ("dilution[0].flask", flask),
        ("aliquot_pipette", lab.bench.pipette_25.as_str()),
        ("accepted[0].field", "mass_g"),
        ("accepted[0].reading", first.as_str()),
    ];
    let saved = analyst.post(&path, &accepted).await;
    assert_eq!(saved.status, 303, "{}", saved.text);
    // The same form sent twice is one portion.
    assert_eq!(analyst.post(&path, &accepted).await.status, 303);
    let use_of = used(&lab.app.auditor, &first).await;
    assert_eq!((use_of["entity_kind"].as_str(), use_of["field"].as_str()), (Some("test_portions"), Some("mass_g")));
    let page = analyst.get(&format!("/samples/{sample}")).await.text;
    assert!(page.contains("OK NET + 0.4900 g") && page.contains("From instruments"), "{page}");
    assert!(!page.contains("corrected since, by hand"));
    let form = analyst.get(&path).await.text;
    assert!(!form.contains("0.4900 g") && form.contains("0.5100 g"));

    // A correction of the mass is no longer what the instrument said.
    let portions = lab.app.analyst.get(&format!("/samples/{sample}/portions")).await.expect(200);
    let portion = &portions[0];
    let correction = json!({ "reason": "typed into the wrong portion", "facts": {
        "mass_g": "0.4901", "balance": lab.bench.balance, "dilution": [{ "flask": flask }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": portion["observed_at"],
    } });
    let corrections = format!("/portions/{}/corrections", portion["id"].as_str().unwrap());
    let version = portion["version_id"].as_str().unwrap();
    let _ = lab.app.analyst.post_if_match(&corrections, version, &correction).await.expect(201);
    assert!(analyst.get(&format!("/samples/{sample}")).await.text.contains("corrected since, by hand"));
}

#[tokio::test(flavor = "multi_thread")]
async fn a_titration_keeps_its_readings_and_what_was_changed_by_hand_is_not_said_to_be_the_instruments() {
    let lab = Lab::open().await;
    let piston = equipment("PB-1", "piston burette", "50.000", Some("0.001"));
    let piston = install(&lab.app, &piston, &calibration(None, "0.008")).await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let zero = sends(&lab, "PB-1", "0.000", "mL").await;
    let last = sends(&lab, "PB-1", "21.480", "mL").await;
    let path = format!("/determinations/{determination}/titrations");
    let mut titration = lab.titration("accurate", "21.48", None);
    titration["burette"] = json!(piston);
    titration["observed_at"] = json!(minutes_ago(0));
    let accepting = |titration: &Value, pairs: &[(&str, &str)]| {
        let mut titration = titration.clone();
        titration["accepted"] =
            pairs.iter().map(|(field, reading)| json!({ "field": field, "reading": reading })).collect();
        titration
    };
    for (pairs, field, rule) in [
        (&[("mass_g", last.as_str())][..], "accepted[0].field", "one_of"),
        (&[("final_readings[1]", last.as_str())], "accepted[0].field", "one_of"),
        (&[("final_readings[0]", run.as_str())], "accepted[0].reading", "exists"),
        (
            &[("initial_readings[0]", zero.as_str()), ("final_readings[0]", zero.as_str())],
            "accepted[1].reading",
            "once",
        ),
    ] {
        let problem = lab.app.analyst.post(&path, &accepting(&titration, pairs)).await;
        assert_eq!(problem.status, 422, "{}", problem.text);
        let wrong = &problem.json["errors"][0];
        assert_eq!((wrong["field"].as_str(), wrong["rule"].as_str()), (Some(field), Some(rule)), "{}", problem.text);
    }
    // 21.48 and 21.480 are the same decimal; the initial reading was changed by hand.
    titration["initial_readings"] = json!(["0.001"]);
    let both = [("initial_readings[0]", zero.as_str()), ("final_readings[0]", last.as_str())];
    lab.titrate(&determination, &accepting(&titration, &both)).await;
    assert_eq!(used(&lab.app.auditor, &last).await["field"], "final_readings[0]");
    assert_eq!(used(&lab.app.auditor, &zero).await, Value::Null);
    let page = visitor(&lab, &lab.app.analyst).get(&format!("/determinations/{determination}")).await.text;
    assert!(page.contains("OK NET + 21.480 mL") && page.contains("titration 1, final reading"), "{page}");
    assert!(!page.contains("OK NET + 0.000 mL"));

    // A reading is used once, whoever asks, and one of another burette is not of this one.
    let twice = lab.app.analyst2.post(&path, &accepting(&titration, &[("final_readings[0]", last.as_str())])).await;
    assert_eq!(twice.refused(409, "state_conflict")["errors"][0]["rule"], "unused");
    titration["burette"] = json!(lab.bench.burette);
    titration["initial_readings"] = json!(["0.00"]);
    lab.titrate(&determination, &accepting(&titration, &[("initial_readings[0]", zero.as_str())])).await;
    assert_eq!(used(&lab.app.auditor, &zero).await, Value::Null);
    let of = lab.app.auditor.get("/instrument-readings?limit=5").await.expect(200);
    let record = of["items"][0]["accepted_for"]["record_id"].as_str().unwrap();
    let of = lab.app.auditor.get(&format!("/instrument-readings?record={record}")).await.expect(200);
    assert_eq!(of["items"].as_array().unwrap().len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn two_people_who_accept_one_reading_at_the_bench_do_not_both_get_it() {
    let lab = Lab::open().await;
    let piston = equipment("PB-1", "piston burette", "50.000", Some("0.001"));
    let piston = install(&lab.app, &piston, &calibration(None, "0.008")).await;
    let run = lab.run(&lab.iron2).await;
    let determination = lab.begin(&run).await;
    let last = sends(&lab, "PB-1", "21.480", "mL").await;
    let path = format!("/determinations/{determination}/bench");
    let press = format!("accept final_readings[0] {last}");
    let mut forms = Vec::new();
    for who in [&lab.app.analyst, &lab.app.analyst2] {
        let who = visitor(&lab, who);
        let form = who.get(&path).await;
        assert!(form.text.contains("PB-1") && form.text.contains("21.480 mL"), "{}", form.text);
        let (code, key) = (form.hidden("_code").to_owned(), form.hidden("_key").to_owned());
        let filled =
            who.post(&path, &[("_code", code.as_str()), ("_key", key.as_str()), ("_reshape", press.as_str())]).await;
        assert_eq!(value(&filled.text, "final_readings[0]"), "21.480");
        assert_eq!(value(&filled.text, "accepted[0].reading"), last);
        assert!(filled.text.contains(&format!("name=\"burette\" value=\"{piston}\" checked")), "{}", filled.text);
        forms.push((who, code, key));
    }
    let titrant = lab.titrant.clone();
    let mut outcomes = Vec::new();
    for (who, code, key) in &forms {
        let saved = who
            .post(
                &path,
                &[
                    ("_code", code.as_str()),
                    ("_key", key.as_str()),
                    ("kind", "accurate"),
                    ("titrant", titrant.as_str()),
                    ("burette", piston.as_str()),
                    ("initial_readings[0]", "0.000"),
                    ("final_readings[0]", "21.480"),
                    ("end_point", "green to violet, sharp"),
                    ("waste_stream", "chromium acid"),
                    ("accepted[0].field", "final_readings[0]"),
                    ("accepted[0].reading", last.as_str()),
                ],
            )
            .await;
        outcomes.push(saved.status);
        if saved.status != 303 {
            assert!(saved.text.contains("was accepted for another record"), "{}", saved.text);
            // Looked at again, the form lets it go; the value entered stays and can be saved as one's own.
            let again = who
                .post(
                    &path,
                    &[
                        ("_code", code.as_str()),
                        ("_key", key.as_str()),
                        ("final_readings[0]", "21.480"),
                        ("_reshape", "look"),
                        ("accepted[0].field", "final_readings[0]"),
                        ("accepted[0].reading", last.as_str()),
                    ],
                )
                .await;
            assert!(again.text.contains("was accepted for another record meanwhile"), "{}", again.text);
            assert_eq!(value(&again.text, "accepted[0].reading"), "");
            assert_eq!(value(&again.text, "final_readings[0]"), "21.480");
        }
    }
    assert_eq!(outcomes, [303, 409]);
}
