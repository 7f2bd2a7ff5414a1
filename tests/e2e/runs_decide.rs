//! Runs decide: what of a run is approved, under which concession, and what its rejection takes back. ISO/IEC 17025:2017 7.7.3
//! (results outside the limits are acted on) and 7.10 (nonconforming work).

use chrono::{DateTime, Utc};
use ferrotitre_tests::bench::{self, days_ahead, minutes_ago, text};
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use crate::control::Control;
use crate::lab::{Lab, sign};

/// Rounds of each race.
const ROUNDS: usize = 200;

/// By how much a winner is held back, in microseconds.
const STEP: i64 = 300;

async fn portion(lab: &Lab, sample: &str) -> String {
    let portion = json!({
        "pipette": lab.bench.pipette_10, "dilution": [{ "flask": lab.bench.flask_250 }],
        "aliquot_pipette": lab.bench.pipette_25, "observed_at": minutes_ago(50),
    });
    text(&lab.app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201), "id")
}

async fn begin(lab: &Lab, run: &str, portion: &str, purpose: &str) -> ferrotitre_tests::Answer {
    let new = json!({ "run": run, "portion": portion, "purpose": purpose, "observed_at": minutes_ago(35) });
    lab.app.analyst.post("/determinations", &new).await
}

/// Reviewed and waiting for its approval.
async fn reviewed(lab: &Lab) -> (String, String) {
    let id = lab.iron2_done(["21.46", "21.48"]).await;
    let path = format!("/determinations/{id}");
    sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    sign(&lab.app.analyst2, &path, "review", None).await.expect(201);
    (id, path)
}

async fn concede(lab: &Lab, determination: &str, managers: &[&Client]) {
    let ask = json!({
        "item_kind": "determinations", "item": determination, "reason": "the control bottle broke; duplicate agrees",
        "valid_from": minutes_ago(5), "valid_to": days_ahead(1),
    });
    let id = text(&lab.app.analyst.post("/concessions", &ask).await.expect(201), "id");
    for manager in managers {
        let _ = manager.sign(&format!("/concessions/{id}/signatures"), None).await.expect(201);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clients_result_waits_for_the_release_of_its_run() {
    let lab = Lab::open().await;
    let (_, path) = reviewed(&lab).await;
    let problem = sign(&lab.app.manager, &path, "approval", None).await.refused(409, "state_conflict");
    assert!(problem["detail"].as_str().unwrap().contains("waits for its release"), "{problem}");
    lab.release_run_of(&path).await;
    assert_eq!(sign(&lab.app.manager, &path, "approval", None).await.expect(201)["state"], "approved");
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_plan_of_quality_control_only_a_concession_of_two_lets_a_result_be_approved_and_is_printed_with_it() {
    let lab = Lab::without_plans().await;
    let (id, path) = reviewed(&lab).await;
    lab.release_run_of(&path).await;
    let problem = sign(&lab.app.manager, &path, "approval", None).await.refused(422, "rule_broken");
    assert!(problem["detail"].as_str().unwrap().contains("no plan of quality control"), "{problem}");
    // A plan that asks for nothing is none.
    let empty = json!({ "method": lab.iron2, "charts": [], "blanks": 0, "duplicates": 0 });
    let _ = lab.app.manager.post("/qc-plans", &empty).await.expect(201);
    let (other, second) = reviewed(&lab).await;
    lab.release_run_of(&second).await;
    sign(&lab.app.manager, &second, "approval", None).await.refused(422, "rule_broken");
    concede(&lab, &id, &[&lab.app.manager]).await;
    sign(&lab.app.manager, &path, "approval", None).await.refused(422, "rule_broken");
    concede(&lab, &id, &[&lab.app.manager, &lab.app.manager2]).await;
    let approved = sign(&lab.app.manager, &path, "approval", None).await.expect(201);
    let flags = approved["flags"].to_string();
    assert!(flags.contains("granted by manager-1 and manager-2: the control bottle broke"), "{flags}");
    let printed = lab.app.auditor.get(&format!("{path}/report.pdf")).await;
    assert_eq!(printed.status, 200, "{}", printed.text);
    let words = ferrotitre_tests::pdf::read(&printed.bytes).await.text;
    assert!(words.contains("granted by manager-1 and manager-2"), "{words}");
    // It is for that determination and for no other.
    assert_ne!(id, other);
    sign(&lab.app.manager, &second, "approval", None).await.refused(422, "rule_broken");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_clients_sample_is_no_control_and_no_control_lets_it_pass() {
    let control = Control::open().await;
    let lab = &control.lab;
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 30.0).await;
    control.plan(&[&chart]).await;
    let run = control.run(None).await;
    let problem = begin(lab, &run, &lab.portion, "control").await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "purpose", "{problem}");
    // Nor does it become one by a correction of a lot that is released.
    let material = lab.app.auditor.get(&format!("/control-materials/{}", control.material)).await.expect(200);
    let mut facts = crate::control::material("CM-BATH-1");
    let samples = lab.app.auditor.get("/samples").await.expect(200);
    let client = samples["items"].as_array().unwrap().iter().find(|one| one["code"] == "S-1").unwrap();
    facts["sample"] = client["id"].clone();
    let correction = json!({ "reason": "the bottle was mixed up", "facts": facts });
    let version = text(material["versions"].as_array().unwrap().last().unwrap(), "version_id");
    let path = format!("/control-materials/{}/corrections", control.material);
    lab.app.analyst.post_if_match(&path, &version, &correction).await.refused(422, "invalid_input");
    // A lot that is not released is none yet.
    let sample = text(&lab.app.analyst.post("/samples", &bench::sample("CM-2")).await.expect(201), "id");
    let mut second = crate::control::material("CM-BATH-2");
    second["sample"] = json!(sample);
    let _ = lab.app.analyst.post("/control-materials", &second).await.expect(201);
    begin(lab, &run, &portion(lab, &sample).await, "control").await.refused(422, "item_not_released");
}

#[tokio::test(flavor = "multi_thread")]
async fn two_determinations_of_one_portion_are_no_duplicate() {
    let lab = Lab::without_plans().await;
    let plan = json!({ "method": lab.iron2, "charts": [], "blanks": 0, "duplicates": 1 });
    let _ = lab.app.manager.post("/qc-plans", &plan).await.expect(201);
    let run = lab.run(&lab.iron2).await;
    let sample = text(&lab.app.analyst.post("/samples", &bench::sample("S-DUP")).await.expect(201), "id");
    let first = portion(&lab, &sample).await;
    for _ in 0..2 {
        let _ = begin(&lab, &run, &first, "sample").await.expect(201);
    }
    let read = lab.app.auditor.get(&format!("/runs/{run}")).await.expect(200);
    assert_eq!(read["missing"], json!(["1 of 1 samples in duplicate"]));
    let _ = begin(&lab, &run, &portion(&lab, &sample).await, "sample").await.expect(201);
    let read = lab.app.auditor.get(&format!("/runs/{run}")).await.expect(200);
    assert_eq!(read["missing"], json!([]));
}

#[tokio::test(flavor = "multi_thread")]
async fn rejecting_a_run_takes_back_what_was_approved_of_it_and_says_so_on_each() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    let waiting = lab.begin(&run).await;
    for last in ["23.16", "23.18"] {
        lab.titrate(&waiting, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    sign(&app.analyst, &format!("/determinations/{waiting}"), "submission", None).await.expect(201);
    for id in [&iron2, &total] {
        lab.through(&format!("/determinations/{id}")).await;
    }
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let result = text(&app.analyst.post("/iron-results", &new).await.expect(201), "id");
    lab.through(&format!("/iron-results/{result}")).await;
    let why = "the aliquot pipette was found to leak";
    let rejected = sign(&app.manager2, &format!("/runs/{run}"), "rejection", Some(why)).await.expect(201);
    assert_eq!(rejected["state"], "rejected");
    let said = |view: &Value| {
        let last = view["moves"].as_array().unwrap().last().unwrap().clone();
        (text(view, "state"), text(&last, "reason"))
    };
    let code = text(&rejected, "code");
    let reason = format!("run {code} was rejected: {why}");
    for (path, state) in [
        (format!("/determinations/{total}"), "invalidated"),
        (format!("/iron-results/{result}"), "invalidated"),
        (format!("/determinations/{waiting}"), "returned"),
    ] {
        let view = app.auditor.get(&path).await.expect(200);
        assert_eq!(said(&view), (state.to_owned(), reason.clone()), "{path}");
    }
    let flags = app.auditor.get(&format!("/determinations/{total}")).await.expect(200)["flags"].to_string();
    assert!(flags.contains("no result any longer") && flags.contains(why), "{flags}");
    // The other determination of the difference is in another run and stands.
    assert_eq!(app.auditor.get(&format!("/determinations/{iron2}")).await.expect(200)["state"], "approved");
    let found = app.auditor.get(&format!("/nonconformities?entity={total}")).await.expect(200);
    assert_eq!(found["items"][0]["source"], "run rejection", "{found}");
    // Neither approved anew nor amended: it is determined again in a run that repeats this one.
    sign(&app.manager, &format!("/determinations/{total}"), "amendment", Some(why)).await.refused(409, "illegal_move");
    sign(&app.analyst, &format!("/determinations/{waiting}"), "submission", None).await.expect(201);
    sign(&app.analyst2, &format!("/determinations/{waiting}"), "review", None).await.expect(201);
    concede(&lab, &waiting, &[&app.manager, &app.manager2]).await;
    let path = format!("/determinations/{waiting}");
    sign(&app.manager, &path, "approval", None).await.refused(409, "state_conflict");
}

fn time(value: &Value) -> DateTime<Utc> {
    value.as_str().unwrap().parse().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn no_titration_slips_into_a_run_that_is_being_closed() {
    let lab = Lab::without_plans().await;
    let mut won = [0; 2];
    // Who came first sets out later the next time, so that on any machine both come first now and then.
    let mut head_start = 0_i64;
    let waits =
        |micros: i64| tokio::time::sleep(std::time::Duration::from_micros(micros.clamp(0, 200_000).unsigned_abs()));
    for round in 0..ROUNDS {
        let run = lab.run(&lab.iron2).await;
        let determination = lab.begin(&run).await;
        let titration = lab.titration("accurate", "21.46", None);
        let (titrations, closing) =
            (format!("/determinations/{determination}/titrations"), format!("/runs/{run}/closing"));
        let nothing = json!({});
        let titrate = async {
            waits(-head_start).await;
            lab.app.analyst.post(&titrations, &titration).await
        };
        let close = async {
            waits(head_start).await;
            lab.app.analyst2.post(&closing, &nothing).await
        };
        let (made, closed) = tokio::join!(titrate, close);
        let closed = time(&closed.expect(201)["moves"].as_array().unwrap().last().unwrap()["recorded_at"]);
        if made.status == 201 {
            let recorded = time(&made.json["titrations"][0]["recorded_at"]);
            assert!(recorded < closed, "round {round}: recorded {recorded}, closed {closed}");
        } else {
            made.refused(409, "state_conflict");
            won[1] += 1;
            head_start += STEP;
            continue;
        }
        won[0] += 1;
        head_start -= STEP;
    }
    assert_eq!(won.iter().sum::<usize>(), ROUNDS);
    assert!(won.iter().all(|side| *side > 0), "a race that one side always wins is none: {won:?}");
}

/// A signature asks for the password first, which takes a while; titrations are recorded one after the other until it is there.
#[tokio::test(flavor = "multi_thread")]
async fn no_titration_slips_under_a_signature() {
    let lab = Lab::without_plans().await;
    let (mut raced, mut signed) = (0, 0);
    while raced < ROUNDS {
        let run = lab.run(&lab.iron2).await;
        let determination = lab.begin(&run).await;
        for last in ["21.46", "21.46"] {
            lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
        }
        let path = format!("/determinations/{determination}");
        let titrations = format!("{path}/titrations");
        let titrate = async {
            for made in 0..3 {
                let answer = lab.app.analyst.post(&titrations, &lab.titration("accurate", "21.46", None)).await;
                if answer.status != 201 {
                    answer.refused(409, "state_conflict");
                    return made;
                }
            }
            3
        };
        let submit = async {
            // What was recorded since it was looked at is looked at again.
            loop {
                let answer = sign(&lab.app.analyst, &path, "submission", None).await;
                if answer.status == 201 {
                    return;
                }
                answer.refused(412, "stale_version");
            }
        };
        let (made, ()) = tokio::join!(titrate, submit);
        let view = lab.app.auditor.get(&path).await.expect(200);
        let held = &view["sign_offs"].as_array().unwrap().last().unwrap()["still_valid"];
        assert_eq!(held, &json!(true), "after {raced} titrations: one that nobody signed for");
        raced += made + 1;
        signed += 1;
    }
    assert!(signed > 0 && raced >= ROUNDS);
}
