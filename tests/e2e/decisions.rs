//! What waits for a manager: listed with who can decide, and decided on all at once or not at all, each by its own rules.

use ferrotitre_tests::Answer;
use ferrotitre_tests::bench::{day, days_ahead, dichromate_standard, minutes_ago, reagent, text};
use ferrotitre_tests::client::Client;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::lab::{Lab, rules, sign};
use crate::pages::Visitor;

const TABLES: [&str; 4] = ["state_moves", "sign_offs", "titrant_factors", "competences"];

/// One of everything that a manager decides on, none of it by the first manager.
struct Waiting {
    lab: Lab,
    /// The runs of the results, and the results.
    runs: Vec<String>,
    results: Vec<(&'static str, String)>,
}

async fn made(who: &Client, path: &str, new: &Value) -> String {
    text(&who.post(path, new).await.expect(201), "id")
}

fn lot(lab: &Lab, code: &str, standard: &Value) -> Value {
    json!({
        "code": code, "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "direct preparation", "factor_low": "0.990", "factor_high": "1.010", "storage": "dark, 20 C",
        "container": "amber glass, 1 L", "expires_at": days_ahead(90), "observed_at": minutes_ago(30),
        "preparation": {
            "primary_standard": standard, "mass_g": "4.9032", "balance": lab.bench.balance,
            "flask": lab.bench.flask_1000, "solution_temperature": "20.0",
        },
    })
}

fn draft(code: &str) -> Value {
    json!({
        "code": code, "title": "iron(II) in pickling baths", "principle": "titration with dichromate",
        "analyte": "iron(II)", "matrix": "hydrochloric pickling bath", "chemistry": "dichromate", "reduction": "none",
        "indicator": "diphenylamine sulfonate", "rules": rules(),
    })
}

/// Reviewed iron(II), total iron and iron(III), each determination in a closed run.
async fn reviewed(lab: &Lab) -> (Vec<String>, Vec<(&'static str, String)>) {
    let app = &lab.app;
    let iron2 = lab.iron2_done(["21.46", "21.48"]).await;
    let total = lab.total_done(["23.16", "23.18"]).await;
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": chrono::Utc::now() });
    let iron3 = made(&app.analyst, "/iron-results", &new).await;
    let results = vec![("determinations", iron2), ("determinations", total), ("iron_results", iron3)];
    let mut runs = Vec::new();
    for (kind, id) in &results {
        let path = format!("/{}/{id}", kind.replace('_', "-"));
        sign(&app.analyst, &path, "submission", None).await.expect(201);
        sign(&app.analyst2, &path, "review", None).await.expect(201);
        let read = app.auditor.get(&path).await.expect(200);
        runs.extend(read["run"].as_str().map(str::to_owned));
    }
    (runs, results)
}

impl Waiting {
    async fn open() -> Self {
        let lab = Lab::open().await;
        let app = &lab.app;
        let (runs, results) = reviewed(&lab).await;
        let standards = app.auditor.get("/primary-standards").await.expect(200);
        let released = &standards["items"][0]["version_id"];
        let _ = made(&app.analyst, "/titrants", &lot(&lab, "D-2", released)).await;
        let _ = made(&app.analyst, "/primary-standards", &dichromate_standard("PS-2")).await;
        let _ = made(&app.analyst, "/reagents", &reagent("R-2")).await;
        let _ = made(&app.analyst, "/methods", &draft("M-9")).await;
        let plans = app.auditor.get("/qc-plans").await.expect(200);
        let plan = plans["items"].as_array().unwrap().iter().find(|plan| plan["method"] == json!(lab.iron2)).unwrap();
        let control = json!({
            "method": lab.iron2,
            "new_material": {
                "code": "CM-1", "kind": "in-house", "description": "pickling bath, bottled", "expires_on": day(300),
                "assigned_value": "118.0", "standard_uncertainty": "0.12", "certificate": "study VS-3",
            },
            "sample": { "condition": "sealed", "preservation": "acidified", "container": "PE", "storage": "shelf 2" },
            "chart": { "rule_set": "daily judgement" },
            "plan": { "values": 1, "blanks": 1, "duplicates": 0, "corrects": plan["version_id"] },
            "limits": { "origin": "reference", "s": "0.413", "reason": "intermediate precision of VS-3" },
        });
        let _ = app.manager2.post("/controls", &control).await.expect(201);
        Self { lab, runs, results }
    }

    /// What the list says of what waits.
    async fn items(&self, who: &Client) -> Vec<Value> {
        who.get("/decisions").await.expect(200)["items"].as_array().unwrap().clone()
    }

    async fn counts(&self) -> Vec<i64> {
        self.lab.app.row_counts(&TABLES).await
    }
}

fn looked_at(item: &Value) -> Value {
    json!({ "kind": item["kind"], "id": item["id"], "content_digest": item["content_digest"] })
}

async fn decide(who: &Client, of: &[Value]) -> Answer {
    who.post("/decisions", &json!({ "password": who.password, "of": of })).await
}

fn of_kind<'a>(items: &'a [Value], kind: &str) -> &'a Value {
    items.iter().find(|item| item["kind"] == kind).unwrap_or_else(|| panic!("no {kind} in {items:?}"))
}

#[tokio::test(flavor = "multi_thread")]
async fn everything_that_waits_is_decided_on_with_the_secret_asked_once_and_each_for_itself() {
    let waiting = Waiting::open().await;
    let app = &waiting.lab.app;
    let items = waiting.items(&app.manager).await;
    let kinds: Vec<&str> = items.iter().map(|item| item["kind"].as_str().unwrap()).collect();
    assert_eq!(
        kinds,
        [
            "primary_standards",
            "reagents",
            "titrants",
            "control_materials",
            "methods",
            "chart_phases",
            "runs",
            "runs",
            "determinations",
            "determinations",
            "iron_results"
        ]
    );
    assert!(items.iter().all(|item| item["waits_for"].is_null()), "{items:?}");
    // What rests on what.
    let after = |item: &Value| {
        item["after"].as_array().unwrap().iter().map(|id| id.as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert!(waiting.runs.contains(&after(of_kind(&items, "determinations"))[0]));
    assert_eq!(after(of_kind(&items, "iron_results")), [waiting.results[1].1.as_str(), waiting.results[0].1.as_str()]);
    let before = waiting.counts().await;
    // In any order: what another rests on is decided first.
    let of: Vec<Value> = items.iter().rev().map(looked_at).collect();
    let body = json!({
        "password": app.manager.password, "reason": "looked at one by one", "of": of,
        "authorise": {
            "people": [app.analyst.id, app.analyst2.id], "valid_from": day(0), "valid_to": day(365),
            "evidence": "seven blind replicates in limits",
        },
    });
    let first = app.manager.post_with_key("/decisions", "all of it", &body).await;
    assert_eq!(first.status, 201, "{}", first.text);
    let states: Vec<(&str, &str)> = first.json["decided"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| (one["kind"].as_str().unwrap(), one["state"].as_str().unwrap()))
        .collect();
    assert_eq!(states[0], ("iron_results", "approved"), "in the order of the request");
    for one in [
        ("primary_standards", "released"),
        ("reagents", "released"),
        ("titrants", "released"),
        ("control_materials", "released"),
        ("methods", "approved"),
        ("chart_phases", "preliminary"),
        ("runs", "released"),
        ("determinations", "approved"),
    ] {
        assert!(states.contains(&one), "{one:?} in {states:?}");
    }
    assert_eq!(first.json["authorised"].as_array().unwrap().len(), 2);
    let after = waiting.counts().await;
    let grown: Vec<i64> = after.iter().zip(&before).map(|(after, before)| after - before).collect();
    // Eleven moves; a signature each for the titrant, the limits, two runs, two determinations and the iron result; one factor.
    assert_eq!(grown, [11, 7, 1, 2]);
    // Each event names the permission that the decision needs by itself.
    let sql = app.sql(DatabaseRole::Service).await;
    let query = "SELECT DISTINCT action FROM audit_events e WHERE request_id = (SELECT request_id FROM audit_events \
        WHERE entity_kind = 'sign_offs' ORDER BY at DESC LIMIT 1) AND entity_kind IN ('state_moves', 'sign_offs', 'competences') \
        ORDER BY action";
    let actions: Vec<String> = sql.query(query, &[]).await.unwrap().iter().map(|row| row.get(0)).collect();
    assert_eq!(
        actions,
        [
            "approve_chart_phases",
            "approve_determinations",
            "approve_methods",
            "authorise_competence",
            "release_lots",
            "release_runs",
            "release_titrants"
        ]
    );
    // Sent again it is the same; nothing waits any more.
    let again = app.manager.post_with_key("/decisions", "all of it", &body).await;
    assert_eq!((again.status, &again.text), (201, &first.text));
    assert_eq!(waiting.counts().await, after);
    assert!(waiting.items(&app.manager).await.is_empty());
    for (kind, id) in &waiting.results {
        let view = app.auditor.get(&format!("/{}/{id}", kind.replace('_', "-"))).await.expect(200);
        let last = view["sign_offs"].as_array().unwrap().last().unwrap().clone();
        assert_eq!((&last["reason"], &last["still_valid"]), (&json!("looked at one by one"), &json!(true)), "{view}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn one_that_cannot_be_decided_keeps_all_of_them_back_and_is_named() {
    let waiting = Waiting::open().await;
    let app = &waiting.lab.app;
    let items = waiting.items(&app.manager).await;
    let [standard, method, titrant, run, determination, iron3] =
        ["primary_standards", "methods", "titrants", "runs", "determinations", "iron_results"]
            .map(|kind| looked_at(of_kind(&items, kind)));
    let before = waiting.counts().await;
    let refused = async |of: &[Value], status: u16, code: &str, at: usize, called: &str| {
        let problem = decide(&app.manager, of).await.refused(status, code);
        assert_eq!(problem["errors"][0]["field"], format!("of[{at}]"), "{problem}");
        assert!(text(&problem, "detail").starts_with(&format!("{called}: ")), "{problem}");
    };
    // A result of a run that is not released with it; a difference without its determinations.
    refused(&[standard.clone(), determination.clone()], 409, "state_conflict", 1, "DET-000001").await;
    refused(&[iron3.clone(), run.clone()], 409, "state_conflict", 0, "FE3-1").await;
    // What was revised, corrected or moved since it was looked at.
    let draft_now = app.auditor.get(&format!("/methods/{}", text(&method, "id"))).await.expect(200);
    let mut revised = draft("M-9");
    revised["title"] = json!("iron(II) in spent pickling baths");
    let revised = json!({ "reason": "the title was too wide", "facts": revised });
    let corrections = format!("/methods/{}/corrections", text(&method, "id"));
    let version = text(&draft_now["versions"][0], "version_id");
    let _ = app.analyst.post_if_match(&corrections, &version, &revised).await.expect(201);
    refused(&[titrant.clone(), method.clone()], 412, "stale_version", 1, "M-9").await;
    let mut unseen = titrant.clone();
    unseen["content_digest"] = json!("0".repeat(64));
    refused(&[standard.clone(), unseen], 412, "stale_version", 1, "D-2").await;
    let unknown = json!({ "kind": "runs", "id": Uuid::now_v7(), "content_digest": "0" });
    let problem = decide(&app.manager, &[standard.clone(), unknown]).await;
    assert_eq!(
        (problem.code(), &problem.json["errors"][0]["field"]),
        ("unknown_reference", &json!("of[1]")),
        "{}",
        problem.text
    );
    // What a manager prepared, drafted or opened themself waits for somebody else, and says so.
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let old = standards["items"].as_array().unwrap().iter().find(|one| one["code"] == "PS-1").unwrap();
    let _ = made(&app.manager, "/titrants", &lot(&waiting.lab, "D-3", &old["version_id"])).await;
    let own = waiting.items(&app.manager).await.into_iter().find(|item| item["code"] == "D-3").unwrap();
    assert_eq!((&own["waits_for"], &own["who"]), (&json!("its release"), &json!("a manager who did not prepare it")));
    let problem = decide(&app.manager, &[standard.clone(), looked_at(&own)]).await.refused(403, "own_record");
    assert_eq!(problem["errors"][0]["field"], "of[1]", "{problem}");
    let other = waiting.items(&app.manager2).await.into_iter().find(|item| item["code"] == "D-3").unwrap();
    assert!(other["waits_for"].is_null(), "{other}");
    // Malformed requests, and people who may not.
    for (of, rule) in [
        (json!([]), "count"),
        (json!([{ "kind": "samples", "id": Uuid::now_v7(), "content_digest": "0" }]), "one_of"),
        (json!([standard, standard]), "once"),
    ] {
        let body = json!({ "password": app.manager.password, "of": of });
        let problem = app.manager.post("/decisions", &body).await.refused(422, "invalid_input");
        assert_eq!(problem["errors"][0]["rule"], rule, "{problem}");
    }
    let wrong = json!({ "password": "not the password", "of": [standard] });
    app.manager.post("/decisions", &wrong).await.refused(403, "secret_wrong");
    let nobodys = json!({
        "password": app.manager.password, "of": [standard],
        "authorise": { "people": [app.analyst.id], "valid_from": day(0), "valid_to": day(9), "evidence": "seen at the bench" },
    });
    let problem = app.manager.post("/decisions", &nobodys).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "authorise", "{problem}");
    for who in [&app.analyst, &app.auditor, &app.administrator] {
        who.get("/decisions").await.refused(403, "forbidden");
        decide(who, std::slice::from_ref(&standard)).await.refused(403, "forbidden");
    }
    assert_eq!(waiting.counts().await, before, "nothing of all this was decided");
    // Nobody is authorised where a method is not approved, and nothing is approved where somebody cannot be authorised.
    let fresh = waiting.items(&app.manager).await;
    let body = json!({
        "password": app.manager.password, "of": [looked_at(of_kind(&fresh, "methods"))],
        "authorise": { "people": [app.manager.id], "valid_from": day(0), "valid_to": day(9), "evidence": "seen at the bench" },
    });
    let problem = app.manager.post("/decisions", &body).await.refused(403, "own_record");
    assert_eq!(problem["errors"][0]["field"], "authorise.people[0]", "{problem}");
    assert_eq!(waiting.counts().await, before);
}

/// The second transaction: two managers decide on the same things, each in an order of their own.
#[tokio::test(flavor = "multi_thread")]
async fn of_two_managers_at_the_same_moment_one_decides() {
    let waiting = Waiting::open().await;
    let app = &waiting.lab.app;
    let items = waiting.items(&app.manager).await;
    // The second manager proposed the limits.
    let both: Vec<Value> = items.iter().filter(|item| item["kind"] != "chart_phases").map(looked_at).collect();
    let reversed: Vec<Value> = both.iter().rev().cloned().collect();
    let before = waiting.counts().await;
    let (one, other) = tokio::join!(decide(&app.manager, &both), decide(&app.manager2, &reversed));
    let mut found = [one.status, other.status];
    found.sort_unstable();
    assert!(found[0] == 201 && [409, 412].contains(&found[1]), "{} {}", one.text, other.text);
    let grown: Vec<i64> = waiting.counts().await.iter().zip(&before).map(|(after, before)| after - before).collect();
    assert_eq!(grown, [10, 6, 1, 0], "everything once");
}

#[tokio::test(flavor = "multi_thread")]
async fn the_page_offers_what_can_be_decided_and_says_of_the_rest_who_can() {
    let waiting = Waiting::open().await;
    let app = &waiting.lab.app;
    let manager = Visitor::of(app.running.address, &app.manager2);
    assert!(manager.get("/day").await.text.contains("href=\"/decisions\""));
    let page = manager.get("/decisions").await;
    // The second manager proposed the limits, and does not decide on them.
    assert!(page.text.contains("a manager who did not propose it"), "{}", page.text);
    let values: Vec<String> = page
        .text
        .split("name=\"of\" value=\"")
        .skip(1)
        .map(|part| part.split('"').next().unwrap().to_owned())
        .collect();
    assert_eq!(values.len(), 10, "{values:?}");
    let (code, key, today, last) = (page.hidden("_code"), page.hidden("_key"), day(0), day(365));
    let analyst = app.analyst.id.to_string();
    let entries = |ticked: &[String]| -> Vec<(String, String)> {
        let mut entries = vec![
            ("_code", code),
            ("_key", key),
            ("password", app.manager2.password.as_str()),
            ("authorise.valid_from", today.as_str()),
            ("authorise.valid_to", last.as_str()),
        ];
        entries.extend(ticked.iter().map(|value| ("of", value.as_str())));
        entries.into_iter().map(|(name, value)| (name.to_owned(), value.to_owned())).collect()
    };
    let post = async |entries: &[(String, String)]| {
        let entries: Vec<(&str, &str)> = entries.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        manager.post("/decisions", &entries).await
    };
    let none = post(&entries(&[])).await;
    assert!(none.status == 422 && none.text.contains("tick what you have looked at"), "{}", none.text);
    let alone: Vec<String> = values.iter().filter(|value| value.starts_with("iron_results/")).cloned().collect();
    let refused = post(&entries(&alone)).await;
    assert!(refused.status == 409 && refused.text.contains("FE3-1: "), "{}", refused.text);
    let mut all = entries(&values);
    all.extend([
        ("authorise.people".to_owned(), analyst),
        ("authorise.evidence".to_owned(), "seen at the bench".to_owned()),
    ]);
    let saved = post(&all).await;
    assert_eq!((saved.status, saved.header("location")), (303, "/day?done=saved"), "{}", saved.text);
    let left = waiting.items(&app.manager2).await;
    assert_eq!(left.iter().map(|item| text(item, "kind")).collect::<Vec<_>>(), ["chart_phases"]);
    for (client, status) in [(&app.analyst, 403), (&app.auditor, 403), (&app.administrator, 403)] {
        assert_eq!(Visitor::of(app.running.address, client).get("/decisions").await.status, status);
    }
    assert!(!Visitor::of(app.running.address, &app.analyst).get("/day").await.text.contains("href=\"/decisions\""));
}

/// Corrects a thing, with the same facts but for what is put in their place; its new version.
async fn corrected(waiting: &Waiting, path: &str, id: &str, changed: &Value) -> String {
    let app = &waiting.lab.app;
    let read = app.auditor.get(&format!("/{path}/{id}")).await.expect(200);
    let last = read["versions"].as_array().unwrap().last().unwrap();
    let mut facts = last.as_object().unwrap().clone();
    for own in ["id", "version_id", "version", "reason", "recorded_at", "recorded_by", "state", "late"] {
        facts.remove(own);
    }
    facts.extend(changed.as_object().unwrap().clone());
    let correction = json!({ "reason": "misread from the certificate", "facts": facts });
    let answer = app
        .manager2
        .post_if_match(&format!("/{path}/{id}/corrections"), &text(last, "version_id"), &correction)
        .await
        .expect(201);
    text(&answer, "version_id")
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_corrected_waits_once_as_it_stands_and_what_was_looked_at_before_is_refused() {
    let waiting = Waiting::open().await;
    let app = &waiting.lab.app;
    let before = waiting.items(&app.manager).await;
    let kinds = ["primary_standards", "reagents", "control_materials"];
    for (kind, path, changed) in [
        (kinds[0], "primary-standards", json!({ "mass_fraction": "0.9997" })),
        (kinds[1], "reagents", json!({ "concentration": "51 g/L" })),
        (kinds[2], "control-materials", json!({ "assigned_value": "118.1" })),
    ] {
        let seen = of_kind(&before, kind);
        let _ = corrected(&waiting, path, &text(seen, "id"), &changed).await;
        decide(&app.manager, &[looked_at(seen)]).await.refused(412, "stale_version");
    }
    // A correction of what was released has no state of its own either.
    let released = app.auditor.get("/primary-standards").await.expect(200);
    let released = released["items"].as_array().unwrap().iter().find(|one| one["state"] == "released").unwrap();
    let _ =
        corrected(&waiting, "primary-standards", &text(released, "id"), &json!({ "mass_fraction": "0.9996" })).await;
    let after = waiting.items(&app.manager).await;
    let ids = |items: &[Value]| items.iter().map(|item| text(item, "id")).collect::<Vec<_>>();
    assert_eq!(ids(&after), ids(&before));
    assert_eq!(of_kind(&after, kinds[0])["figure"], "0.9997 g/g");
    assert_eq!(Visitor::of(app.running.address, &app.manager).get("/decisions").await.status, 200);
    let of: Vec<Value> = kinds.iter().map(|kind| looked_at(of_kind(&after, kind))).collect();
    decide(&app.manager, &of).await.expect(201);
}
