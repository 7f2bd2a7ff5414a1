//! Look-back: where things were used and what results would come to under a hypothesis.

mod askers;
mod certificates;
mod checks;
mod equipment;
mod history;

use ferrotitre_tests::Answer;
use ferrotitre_tests::bench::{calibration, day, equipment, install, minutes_ago, text};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

use crate::copies::Copies;
use crate::lab::{Lab, sign};

/// What a hypothesis comes to: its lines by the name of their field.
struct Answered {
    results: Vec<Value>,
    totals: Value,
}

impl Answered {
    fn of(answer: &Answer) -> Self {
        assert_eq!(answer.status, 200, "{}", answer.text);
        assert_eq!(answer.header("content-type"), "application/x-ndjson");
        let lines: Vec<Value> = answer.text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
        assert!(lines[0]["hypothesis"].is_string(), "{}", lines[0]);
        let results: Vec<Value> = lines.iter().filter_map(|line| line.get("result").cloned()).collect();
        let totals = lines.last().unwrap()["totals"].clone();
        assert_eq!(totals["complete"], true, "{totals}");
        assert_eq!(totals["reached"], json!(results.len()), "{totals}");
        let progress = lines.iter().filter_map(|line| line.get("progress")).next_back().unwrap().clone();
        assert_eq!(progress, json!([results.len(), results.len()]));
        Self { results, totals }
    }

    fn of_kind(&self, kind: &str) -> Vec<&Value> {
        self.results.iter().filter(|line| line["kind"] == kind).collect()
    }
}

async fn what_if(who: &Client, query: &str) -> Answered {
    Answered::of(&who.get(&format!("/what-if?{query}")).await)
}

/// Unrounded new over old.
fn ratio(line: &Value) -> f64 {
    line["after"]["value"].as_f64().unwrap() / line["before"]["value"].as_f64().unwrap()
}

async fn approved(lab: &Lab) -> (String, Value) {
    let path = format!("/determinations/{}", lab.iron2_done(["21.46", "21.46"]).await);
    let view = lab.through(&path).await;
    (path, view)
}

async fn standard(lab: &Lab) -> String {
    text(&lab.app.auditor.get("/primary-standards").await.expect(200)["items"][0], "id")
}

/// Signatures over a thing, as the store itself has them.
async fn over(lab: &Lab, thing: &str) -> i64 {
    let sql = lab.app.sql(DatabaseRole::Superuser).await;
    let row = sql.query_one(&format!("SELECT count(*) FROM pins WHERE row_ids @> ARRAY['{thing}'::uuid]"), &[]).await;
    row.unwrap().get(0)
}

/// c = m P B / (M V): the concentration of a titrant prepared by mass, and with it every content, goes with the purity P.
/// Vogel's Quantitative Chemical Analysis, primary standards (from memory).
#[tokio::test(flavor = "multi_thread")]
async fn another_purity_moves_every_result_by_the_same_factor_and_nothing_is_recorded() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let (second, _) = approved(&lab).await;
    let before = app.row_counts(&["audit_events", "impacts", "sign_offs"]).await;
    let id = standard(&lab).await;
    let answered = what_if(&app.auditor, &format!("standard={id}&mass_fraction=0.9975")).await;
    let version = text(&app.auditor.get("/primary-standards").await.expect(200)["items"][0], "version_id");
    assert_eq!(answered.totals["reached"], json!(over(&lab, &version).await), "as many as the store has");
    let results = answered.of_kind("determinations");
    let paths: Vec<String> = results.iter().map(|line| format!("/determinations/{}", text(line, "id"))).collect();
    assert_eq!(paths, [path.clone(), second]);
    for line in &results {
        assert!((ratio(line) / (0.9975 / 0.9998) - 1.0).abs() < 1e-12, "{line}");
        assert_eq!(line["before"]["text"], signed["evaluation"]["reported"]["text"]);
        let k = signed["evaluation"]["reported"]["coverage_factor"].as_f64().unwrap();
        let (old, new) = (line["before"]["value"].as_f64().unwrap(), line["after"]["value"].as_f64().unwrap());
        let apart = (new - old) / (k * line["before"]["u"].as_f64().unwrap());
        assert!((line["difference_in_u"].as_f64().unwrap() - apart).abs() < 1e-9, "{line}");
        assert_eq!((&line["changes"], &line["state"]), (&json!(true), &json!("approved")));
    }
    let lots = answered.of_kind("titrants");
    assert!((ratio(lots[0]) / (0.9975 / 0.9998) - 1.0).abs() < 1e-9, "{}", lots[0]);
    assert_eq!((&answered.totals["evaluated"], &answered.totals["not_evaluated"]), (&json!(3), &json!(0)));
    // The same certificate changes nothing.
    let same = what_if(&app.auditor, &format!("standard={id}&mass_fraction=0.9998")).await;
    assert_eq!((&same.totals["changed"], &same.totals["evaluated"]), (&json!(0), &json!(3)), "{}", same.totals);
    assert_eq!(app.row_counts(&["audit_events", "impacts", "sign_offs"]).await, before, "nothing is recorded");
    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(after["evaluation"], signed["evaluation"]);
    // Whichever version is named, the standard is meant: a corrected one is reached by what was made before.
    let mut facts = ferrotitre_tests::bench::dichromate_standard("PS-1");
    facts["supplier"] = json!("reference materials, new name");
    let correction = json!({ "reason": "the supplier has another name", "facts": facts });
    let corrections = format!("/primary-standards/{id}/corrections");
    let corrected = app.analyst.post_if_match(&corrections, &version, &correction).await.expect(201);
    let newest = text(&corrected, "version_id");
    assert_ne!(newest, id);
    for of in [&id, &version, &newest] {
        let answered = what_if(&app.auditor, &format!("standard={of}&mass_fraction=0.9975")).await;
        assert_eq!((&answered.totals["changed"], &answered.totals["evaluated"]), (&json!(3), &json!(3)), "{of}");
    }
}

/// A volume taken with a pipette is diluted in a flask: the content goes with the volume of the flask (dilution, from memory).
#[tokio::test(flavor = "multi_thread")]
async fn another_calibration_and_another_factor_reach_the_results_made_with_them() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (_, _) = approved(&lab).await;
    let calibrations = app.auditor.get(&format!("/equipment/{}/calibrations", lab.bench.flask_250)).await.expect(200);
    let flask = text(&calibrations[0], "id");
    let answered = what_if(&app.manager, &format!("calibration={flask}&calibrated_value=251.00")).await;
    let line = answered.of_kind("determinations")[0];
    assert!((ratio(line) / (251.0 / 250.0) - 1.0).abs() < 1e-12, "{line}");
    // The flask of the titrant reaches them through the factor, and the other way round: c = m / (M V).
    let calibrations = app.auditor.get(&format!("/equipment/{}/calibrations", lab.bench.flask_1000)).await.expect(200);
    let flask = text(&calibrations[0], "id");
    let answered = what_if(&app.manager, &format!("calibration={flask}&calibrated_value=1001.0")).await;
    let line = answered.of_kind("determinations")[0];
    assert!((ratio(line) / (1000.0 / 1001.0) - 1.0).abs() < 1e-9, "{line}");
    let factors = app.auditor.get(&format!("/titrants/{}/factors", lab.titrant)).await.expect(200);
    let c: f64 = text(&factors[0], "concentration").parse().unwrap();
    let factor = text(&factors[0], "id");
    let answered = what_if(&app.manager, &format!("factor={factor}&concentration=0.0170")).await;
    let line = answered.of_kind("determinations")[0];
    assert!((ratio(line) / (0.0170 / c) - 1.0).abs() < 1e-12, "{line}");
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_left_out_leaves_no_result_or_the_reason_why_it_cannot_be_evaluated() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (_, _) = approved(&lab).await;
    let answered = what_if(&app.manager, &format!("without_titrant={}", lab.titrant)).await;
    let line = answered.of_kind("determinations")[0];
    assert!(line["after"].is_null() && line["no_result"].is_string(), "{line}");
    assert_eq!(answered.totals["without_result"], json!(1));
    let lot = answered.of_kind("titrants")[0];
    assert!(text(lot, "not_evaluated").contains("open its standardisation or lot"), "{lot}");
    // The analyst made the titrations and the blank.
    let answered = what_if(&app.manager, &format!("without_person={}", app.analyst.id)).await;
    let line = answered.of_kind("determinations")[0];
    assert!(text(line, "not_evaluated").contains("no blank would be left"), "{line}");
    assert_eq!(
        answered.totals["not_evaluated_because"].as_object().unwrap().values().filter_map(Value::as_u64).sum::<u64>(),
        answered.totals["not_evaluated"].as_u64().unwrap()
    );
    // From tomorrow on nothing was made.
    let from = format!("{}T00:00:00Z", day(1));
    let answered = what_if(&app.manager, &format!("without_person={}&from={from}", app.analyst.id)).await;
    assert_eq!(answered.totals["reached"], json!(0));
    // Somebody who made none of the titrations: the same figures.
    let answered = what_if(&app.manager, &format!("without_person={}", app.analyst2.id)).await;
    assert_eq!(answered.totals["changed"], json!(0), "{}", answered.totals);
}

/// A blank of another lot is brought to the titrant by both concentrations. A hypothesis under which that lot has no value leaves
/// the result without one, too: to evaluate it with the concentration as it is on record would answer another question.
#[tokio::test(flavor = "multi_thread")]
async fn a_blank_whose_lot_has_no_value_under_a_hypothesis_leaves_the_result_without_one() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let mut subtracting = crate::lab::rules();
    subtracting["blank"] = json!("subtract");
    let method = crate::lab::method_with(app, ("M9", "iron(II)", "none"), subtracting).await;
    let burette = install(app, &equipment("B-02", "burette", "50.00", Some("0.02")), &calibration(None, "0.015")).await;
    let [lot, _, standardisation] = crate::factors::standardised_with(&lab, &burette, true).await;
    for (who, step) in [(&app.analyst, "submission"), (&app.manager, "approval")] {
        sign(who, &standardisation, step, None).await.expect(201);
    }
    let run = lab.run(&method).await;
    let determination = crate::signed::begun(&lab, &run).await;
    let blank = json!({
        "kind": "reagent with iron(II)", "iron_equivalent_ml": "1.00", "titrant": lot, "burette": lab.bench.burette,
        "initial_readings": ["0.00"], "final_readings": ["1.04"], "solution_temperature": "20.0", "indicator_drops": 6,
        "end_point": "violet", "observed_at": minutes_ago(40),
    });
    let blank = text(&app.analyst.post(&format!("/runs/{run}/blanks"), &blank).await.expect(201), "id");
    let accepted = json!({ "to": "accepted" });
    let _ = app.analyst.post(&format!("/blanks/{blank}/judgement"), &accepted).await.expect(201);
    lab.close(&run).await;
    let path = format!("/determinations/{determination}");
    lab.through(&path).await;
    // A table of corrections that ends at 20 mL, below the 24.90 mL of the standardisation.
    let calibrations = app.auditor.get(&format!("/equipment/{burette}/calibrations")).await.expect(200);
    let query = format!("calibration={}&corrections=0:0%205:0%2010:0%2015:0%2020:0", text(&calibrations[0], "id"));
    let answered = what_if(&app.auditor, &query).await;
    let line = answered.of_kind("determinations")[0];
    assert!(text(line, "not_evaluated").contains("the factor of D-7"), "{line}");
    assert!(line["after"].is_null(), "{line}");
}

#[tokio::test(flavor = "multi_thread")]
async fn hypotheses_that_say_nothing_are_refused_with_their_field() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let id = standard(&lab).await;
    let nobody = "00000000-0000-7000-8000-000000000000";
    let calibrations = app.auditor.get(&format!("/equipment/{}/calibrations", lab.bench.burette)).await.expect(200);
    let burette = text(&calibrations[0], "id");
    for (query, field) in [
        (String::new(), "standard"),
        (format!("standard={id}"), "mass_fraction"),
        (format!("standard={id}&mass_fraction=1.2"), "mass_fraction"),
        (format!("standard={id}&mass_fraction=0.99&from=2026-01-01T00:00:00Z"), "from"),
        (format!("standard={id}&mass_fraction=0.99&without_titrant={}", lab.titrant), "standard"),
        (format!("calibration={burette}"), "calibrated_value"),
        (format!("calibration={burette}&corrections=0:0"), "corrections"),
        (format!("calibration={burette}&corrections=0:0,10:0,5:0,20:0,30:0"), "corrections"),
        (format!("factor={nobody}&concentration=0.1"), "factor"),
        (format!("without_person={}", lab.titrant), "without_person"),
        (format!("without_titrant={}", app.analyst.id), "without_titrant"),
    ] {
        let answer = app.manager.get(&format!("/what-if?{query}")).await;
        assert_eq!(answer.status, 422, "{query}: {}", answer.text);
        assert_eq!(answer.json["errors"][0]["field"], json!(field), "{query}: {}", answer.text);
    }
    app.nobody.get(&format!("/what-if?standard={id}&mass_fraction=0.99")).await.refused(401, "not_signed_in");
    // What others did is for those who answer for it.
    app.analyst.get(&format!("/what-if?without_person={}", app.analyst2.id)).await.refused(403, "forbidden");
    app.analyst.get(&format!("/where-used/{}", app.analyst2.id)).await.refused(403, "forbidden");
    let _ = app.analyst.get(&format!("/where-used/{}", app.analyst.id)).await.expect(200);
}

#[tokio::test(flavor = "multi_thread")]
async fn uses_are_listed_by_person_and_time_and_taken_out_whole() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, _) = approved(&lab).await;
    let count = async |query: &str| app.auditor.get(&format!("/where-used{query}")).await.expect(200)["count"].clone();
    // The lot that analyst2 prepared, and the result through it; the analyst's own titrations.
    let by_preparer = app.auditor.get(&format!("/where-used/{}", app.analyst2.id)).await.expect(200);
    let kinds: Vec<String> = by_preparer["items"].as_array().unwrap().iter().map(|one| text(one, "kind")).collect();
    assert_eq!(kinds, ["titrants", "determinations"], "{by_preparer}");
    assert_eq!(by_preparer["of"], json!("analyst-2"));
    let by_analyst = app.auditor.get(&format!("/where-used/{}", app.analyst.id)).await.expect(200);
    assert_eq!((&by_analyst["count"], &by_analyst["items"][0]["kind"]), (&json!(1), &json!("determinations")));
    assert_eq!(format!("/determinations/{}", text(&by_analyst["items"][0], "id")), path);
    // Of a time.
    assert_eq!(count("").await, json!(2));
    assert_eq!(count(&format!("?until={}T00:00:00Z", day(-1))).await, json!(0));
    assert_eq!(count(&format!("/{}?used_from={}T00:00:00Z", lab.titrant, day(1))).await, json!(0));
    assert_eq!(count(&format!("/{}?used_until={}T00:00:00Z", lab.titrant, day(1))).await, json!(2));
    for format in ["csv", "json", "xlsx"] {
        let file = app.manager.get(&format!("/exports/where-used/{}?format={format}", lab.titrant)).await;
        assert_eq!(file.status, 200, "{}", file.text);
        assert_eq!((file.header("x-content-rows"), file.header("x-completeness")), ("2", "{\"signatures\":2}"));
        let id = standard(&lab).await;
        let file =
            app.auditor.get(&format!("/exports/what-if?standard={id}&mass_fraction=0.9975&format={format}")).await;
        assert_eq!((file.status, file.header("x-content-rows")), (200, "2"), "{}", file.text);
        assert!(file.header("x-completeness").contains("\"complete\":true"), "{}", file.header("x-completeness"));
    }
    let list = app.auditor.get("/exports").await.expect(200);
    let said: Vec<&Value> = list.as_array().unwrap().iter().filter(|one| one["what"] == "what if").collect();
    assert!(text(said[0], "query").contains("if the mass fraction of PS-1 were 0.9975"), "{}", said[0]);
    let digests: std::collections::BTreeSet<String> = said.iter().map(|one| text(one, "digest")).collect();
    assert_eq!((said.len(), digests.len()), (3, 1), "one content in three forms");
    // The year of data: more than one part of the list.
    Copies::approved(path.trim_start_matches("/determinations/"), 501).make(&lab).await;
    let file = app.manager.get(&format!("/exports/where-used/{}?format=csv", lab.titrant)).await;
    assert_eq!((file.header("x-content-rows"), file.header("x-completeness")), ("503", "{\"signatures\":503}"));
    assert_eq!(file.text.lines().filter(|line| line.contains("determinations")).count(), 502);
    app.analyst.get("/exports/where-used").await.refused(403, "forbidden");
    app.analyst.get(&format!("/exports/what-if?without_titrant={}", lab.titrant)).await.refused(403, "forbidden");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_amended_result_is_not_reached_and_a_correction_after_the_signature_is_not_read() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let id = standard(&lab).await;
    // A late calibration of the flask touches the result; the hypothesis is about what was signed.
    let late = json!({
        "certificate": "CAL-2", "calibrated_on": day(-10), "due_on": day(300), "calibrated_value": "252.00",
        "standard_uncertainty": "0.08",
    });
    let _ = app.manager.post(&format!("/equipment/{}/calibrations", lab.bench.flask_250), &late).await.expect(201);
    let answered = what_if(&app.auditor, &format!("standard={id}&mass_fraction=0.9975")).await;
    let line = answered.of_kind("determinations")[0];
    assert_eq!(line["before"]["text"], signed["evaluation"]["reported"]["text"]);
    assert!((ratio(line) / (0.9975 / 0.9998) - 1.0).abs() < 1e-12, "{line}");
    let calibrations = app.auditor.get(&format!("/equipment/{}/calibrations", lab.bench.flask_250)).await.expect(200);
    let newest = calibrations.as_array().unwrap().iter().find(|one| one["certificate"] == "CAL-2").unwrap();
    let none = what_if(&app.auditor, &format!("calibration={}&calibrated_value=253.00", text(newest, "id"))).await;
    assert_eq!(none.totals["reached"], json!(0), "nobody signed over it");
    sign(&app.manager, &path, "amendment", Some("to be looked at again")).await.expect(201);
    let answered = what_if(&app.auditor, &format!("standard={id}&mass_fraction=0.9975")).await;
    assert_eq!(answered.of_kind("determinations").len(), 0, "no result stands");
}

#[tokio::test(flavor = "multi_thread")]
async fn iron_iii_is_looked_back_at_as_the_difference_of_what_was_signed() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (iron2, _) = approved(&lab).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    let total = format!("/determinations/{total}");
    let _ = lab.through(&total).await;
    let new = json!({
        "code": "FE3-1", "total": total.trim_start_matches("/determinations/"),
        "iron2": iron2.trim_start_matches("/determinations/"), "observed_at": minutes_ago(5),
    });
    let made = app.analyst.post("/iron-results", &new).await.expect(201);
    let path = format!("/iron-results/{}", text(&made, "id"));
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    let id = standard(&lab).await;
    let answered = what_if(&app.auditor, &format!("standard={id}&mass_fraction=0.9975")).await;
    let line = answered.of_kind("iron_results")[0];
    // Both parts go with the purity, and so does their difference.
    assert!((ratio(line) / (0.9975 / 0.9998) - 1.0).abs() < 1e-10, "{line}");
    let view = app.auditor.get(&path).await.expect(200);
    assert_eq!(line["before"]["text"], view["evaluation"]["reported"]["text"]);
    assert_eq!(answered.totals["reached_by_kind"], json!({ "determinations": 2, "iron_results": 1, "titrants": 1 }));
}

/// Where there are more than one burette: the other one reaches nothing.
#[tokio::test(flavor = "multi_thread")]
async fn what_nothing_was_made_with_reaches_nothing() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let _ = approved(&lab).await;
    let facts = ferrotitre_tests::bench::equipment("B-02", "burette", "50.00", Some("0.02"));
    let other = install(app, &facts, &calibration(None, "0.015")).await;
    let answered = what_if(&app.manager, &format!("without_burette={other}")).await;
    assert_eq!(answered.totals["reached"], json!(0));
    let answered = what_if(&app.manager, &format!("without_burette={}", lab.bench.burette)).await;
    assert_eq!(answered.of_kind("determinations").len(), 1);
}

/// A limit just above the result: a flask that holds 2.4 % more lifts the content over it (simple acceptance: ILAC-G8:09/2019,
/// 4.2.1, from memory).
#[tokio::test(flavor = "multi_thread")]
async fn decisions_that_would_differ_are_named_with_before_and_after() {
    use crate::specifications::{approved as agreed, assign, at_most, simple};
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let figures = signed["evaluation"]["figures"].as_array().unwrap();
    let found = figures.iter().find(|figure| figure["unit"] == "g/L" && figure["expressed"] == "Fe").unwrap();
    let limit = format!("{:.1}", found["value"].as_f64().unwrap() * 1.01);
    let (_, rule) = agreed(app, "/decision-rules", &simple("DR-1")).await;
    let (_, version) = agreed(app, "/specifications", &at_most("SP-1", &limit, &rule)).await;
    let _ = assign(app, &text(&signed, "sample"), &version).await;
    let calibrations = app.auditor.get(&format!("/equipment/{}/calibrations", lab.bench.flask_250)).await.expect(200);
    let flask = text(&calibrations[0], "id");
    let answered = what_if(&app.manager, &format!("calibration={flask}&calibrated_value=256.0")).await;
    let line = answered.of_kind("determinations")[0];
    assert_eq!(format!("/determinations/{}", text(line, "id")), path);
    let expected = json!([{ "code": "SP-1", "version": 1, "before": "conforms", "after": "does not conform" }]);
    assert_eq!(line["decisions"], expected, "{line}");
    assert_eq!(answered.totals["decisions_changed"], json!(1));
    let less = what_if(&app.manager, &format!("calibration={flask}&calibrated_value=249.0")).await;
    assert_eq!((&less.totals["changed"], &less.totals["decisions_changed"]), (&json!(1), &json!(0)));
}
