//! The trail by person, act and kind, in words with names and links.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{self, text};
use serde_json::{Value, json};

use super::events;
use crate::certificates::{described, issued};
use crate::lab::Lab;
use crate::pages::Visitor;
use crate::signed::{approved, correct_portion, id_of};

async fn two_samples(app: &TestApp) -> String {
    let sample = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let _ = app.analyst2.post("/samples", &bench::sample("S-2")).await.expect(201);
    let mut facts = bench::sample("S-1");
    facts["condition"] = json!("seal broken");
    let correction = json!({ "reason": "looked again in better light", "facts": facts });
    let path = format!("/samples/{}/corrections", text(&sample, "id"));
    let _ = app.analyst.post_if_match(&path, &text(&sample, "version_id"), &correction).await.expect(201);
    text(&sample, "id")
}

#[tokio::test(flavor = "multi_thread")]
async fn the_trail_is_narrowed_by_person_act_and_kind_together() {
    let app = TestApp::start().await;
    two_samples(&app).await;
    let of = async |query: &str| {
        let all = events(&app.auditor, query).await;
        assert!(!all.is_empty(), "{query}");
        all
    };
    for person in ["analyst-1", "Analyst-1", &app.analyst.id.to_string()] {
        let named = if person.len() == 36 { "actor" } else { "person" };
        let own = of(&format!("&{named}={person}")).await;
        assert!(own.iter().all(|event| event["actor"] == json!(app.analyst.id)), "{own:?}");
        assert!(own.iter().all(|event| event["actor_name"] == "analyst-1"));
    }
    let acts = of("&action=register_samples").await;
    assert_eq!(acts.len(), 3);
    let both = of("&action=register_samples&person=analyst-2&kind=samples").await;
    assert_eq!(both.len(), 1);
    assert_eq!(both[0]["record"]["name"], "S-2");
    assert!(of("&kind=role_grants").await.iter().all(|event| event["entity_kind"] == "role_grants"));
    assert!(events(&app.auditor, "&action=release_lots").await.is_empty());
    let problem = app.auditor.get("/audit-events?person=nobody-here").await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "person");
    let problem = app.auditor.get("/audit-events?kind=sessions").await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "kind");
}

#[tokio::test(flavor = "multi_thread")]
async fn an_analyst_who_asks_for_others_events_gets_none_and_does_not_learn_who_is_there() {
    let app = TestApp::start().await;
    two_samples(&app).await;
    for query in ["&person=analyst-2", "&person=manager-1", "&person=nobody-here", "&thing=S-2"] {
        assert_eq!(events(&app.analyst, query).await, Vec::<Value>::new(), "{query}");
    }
    let other = format!("&actor={}&person=analyst-1", app.analyst2.id);
    assert_eq!(events(&app.analyst, &other).await, Vec::<Value>::new());
    let own = events(&app.analyst, "&person=analyst-1").await;
    assert!(!own.is_empty() && own.iter().all(|event| event["actor"] == json!(app.analyst.id)));
    // One event of somebody else by its identity is not there either.
    let others = events(&app.auditor, "&person=analyst-2").await;
    let path = format!("/audit-events/{}", text(&others[0], "id"));
    app.analyst.get(&path).await.refused(404, "not_found");
    for list in ["exclusions", "sign-ins"] {
        app.analyst.get(&format!("/audit-lists/{list}")).await.refused(403, "forbidden");
        app.administrator.get(&format!("/audit-lists/{list}")).await.refused(403, "forbidden");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_administrator_sees_who_and_when_and_no_contents_in_words_either() {
    let app = TestApp::start().await;
    two_samples(&app).await;
    let seen = events(&app.administrator, "&kind=samples").await;
    assert_eq!(seen.len(), 3);
    for event in &seen {
        assert!(event["what"].is_null() && event["record"].is_null() && event["changed"].is_null(), "{event}");
        assert_eq!(event["record_kind"], "sample");
    }
    let accounts = events(&app.administrator, "&kind=role_grants").await;
    assert!(accounts.iter().any(|event| event["record"]["name"] == "analyst-1: analyst"), "{accounts:?}");
    // The page of one says so, and neither code nor field of the sample is on it.
    let visitor = Visitor::of(app.running.address, &app.administrator);
    let page = visitor.get(&format!("/audit/{}", text(&seen[0], "id"))).await;
    assert_eq!(page.status, 200, "{}", page.text);
    assert!(page.text.contains("not for your role") && !page.text.contains("seal broken"), "{}", page.text);
    assert!(!page.text.contains("/canonical"), "{}", page.text);
    let list = visitor.get("/audit?kind=samples").await.text;
    assert!(!list.contains("S-1") && !list.contains("seal broken"), "{list}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_correction_is_told_in_words_with_codes_and_links_and_the_page_shows_every_field() {
    let lab = Lab::open().await;
    let sample = text(&lab.app.auditor.get("/samples").await.expect(200)["items"][0], "id");
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let all = events(&lab.app.auditor, "&kind=test_portions").await;
    assert_eq!(all.len(), 2);
    let (corrected, first) = (&all[0], &all[1]);
    // Pipettes stand there by their codes; identities are nowhere in the words.
    let what = text(corrected, "what");
    let codes = [&lab.bench.pipette_10, &lab.bench.pipette_25];
    let code = async |id: &String| {
        text(&lab.app.auditor.get(&format!("/equipment/{id}")).await.expect(200)["versions"][0], "code")
    };
    let [before, after] = [code(codes[0]).await, code(codes[1]).await];
    // When it was observed is entered anew with the correction, and may be a second later.
    assert!(what.ends_with(&format!("pipette: {before} → {after}")), "{what}");
    let changed = corrected["changed"].as_array().unwrap();
    assert!(changed.iter().any(|one| one["field"] == "pipette_id"), "{changed:?}");
    assert_eq!(
        corrected["record"],
        json!({ "kind": "test portion", "name": "S-1", "page": format!("/samples/{sample}") })
    );
    assert_eq!(first["changed"], Value::Null, "a new record has no before");
    let visitor = Visitor::of(lab.app.running.address, &lab.app.auditor);
    let page = visitor.get(&format!("/audit/{}", text(corrected, "id"))).await.text;
    for said in [
        format!("href=\"/equipment/{}\"", codes[1]),
        format!("href=\"/samples/{sample}\""),
        "Row before, as hashed".to_owned(),
        "tlog-proof".to_owned(),
        text(corrected, "leaf_hash"),
        "the other pipette was used".to_owned(),
    ] {
        assert!(page.contains(&said), "no {said} in {page}");
    }
    let marked = page.matches(">changed</td>").count();
    assert_eq!(marked, changed.len(), "what changed is marked, and nothing else: {page}");
    let listed = visitor.get("/audit?kind=test_portions").await.text;
    assert!(listed.contains(&format!("pipette: {before} → {after}")), "{listed}");
}

#[tokio::test(flavor = "multi_thread")]
async fn moves_signatures_and_titrations_name_what_they_are_of() {
    let lab = Lab::open().await;
    let (path, view) = approved(&lab).await;
    let code = text(&view, "code");
    let all = events(&lab.app.auditor, &format!("&thing={code}")).await;
    let of = |kind: &str| -> Vec<&Value> { all.iter().filter(|event| event["entity_kind"] == kind).collect() };
    let moved: Vec<String> = of("state_moves").iter().map(|event| text(event, "what")).collect();
    assert!(moved.contains(&"reviewed → approved".to_owned()), "{moved:?}");
    for event in of("state_moves") {
        assert_eq!(event["record_kind"], "change of state");
    }
    let signed = of("sign_offs");
    assert_eq!(signed.len(), 3);
    for event in &signed {
        assert_eq!(event["record"], json!({ "kind": "determination", "name": code, "page": path }));
    }
    assert!(text(signed[0], "what").starts_with("approved: "), "{signed:?}");
    let titrated = of("titrations");
    let names: Vec<String> = titrated.iter().map(|event| text(&event["record"], "name")).collect();
    assert_eq!(names, [format!("{code}, titration 2"), format!("{code}, titration 1")]);
    let what = text(titrated[0], "what");
    assert!(what.contains("initial readings, mL: 0.00; final readings, mL: 21.46"), "{what}");
}

#[tokio::test(flavor = "multi_thread")]
async fn older_pages_of_a_narrowed_trail_keep_what_was_asked_and_miss_nothing() {
    let app = TestApp::start().await;
    for number in 0..7 {
        let _ = app.analyst.post("/samples", &bench::sample(&format!("S-{number}"))).await.expect(201);
    }
    let mut seen = Vec::new();
    let mut after = String::new();
    loop {
        let query = format!("/audit-events?limit=3&person=analyst-1&kind=samples{after}");
        let page = app.auditor.get(&query).await.expect(200);
        seen.extend(page["items"].as_array().unwrap().iter().map(|event| text(&event["record"], "name")));
        let Some(next) = page["next"].as_str() else { break };
        after = format!("&after={next}");
    }
    assert_eq!(seen, ["S-6", "S-5", "S-4", "S-3", "S-2", "S-1", "S-0"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn the_trail_of_a_certificate_is_found_by_its_number() {
    let lab = described().await;
    let (path, _) = approved(&lab).await;
    let number = text(&issued(&lab, &[&id_of(&path)]).await, "number");
    let all = events(&lab.app.auditor, &format!("&thing={number}")).await;
    for kind in ["certificates", "certificate_results", "sign_offs", "state_moves", "certificate_papers"] {
        let event = all.iter().find(|event| event["entity_kind"] == kind);
        let event = event.unwrap_or_else(|| panic!("no {kind} in {all:?}"));
        assert_eq!(event["record"]["name"], json!(format!("{number} issue 1")), "{kind}");
        assert_eq!(event["record"]["page"], json!(format!("/certificates/{number}")), "{kind}");
    }
}
