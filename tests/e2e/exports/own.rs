//! Whose data somebody takes out: an analyst own data, managers and auditors everything, narrowed if they like.

use std::collections::BTreeSet;

use ferrotitre_tests::bench::{minutes_ago, text};
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use crate::control::Control;
use crate::lab::Lab;
use crate::pages::Visitor;
use crate::validation_studies::{most, plan, planned};

/// A determination of iron(II) opened by somebody in a run of their own.
async fn opened_by(lab: &Lab, who: &Client) -> String {
    let run = json!({ "method": lab.iron2, "bench": "bench 2", "observed_at": minutes_ago(45) });
    let run = text(&who.post("/runs", &run).await.expect(201), "id");
    let new = json!({ "run": run, "portion": lab.portion, "purpose": "sample", "observed_at": minutes_ago(44) });
    text(&who.post("/determinations", &new).await.expect(201), "id")
}

async fn titrated_by(lab: &Lab, who: &Client, determination: &str) {
    for last in ["21.46", "21.48"] {
        let path = format!("/determinations/{determination}/titrations");
        let _ = who.post(&path, &lab.titration("accurate", last, None)).await.expect(201);
    }
}

fn ids(export: &Value) -> BTreeSet<String> {
    export["rows"].as_array().unwrap().iter().map(|row| text(row, "determination")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn an_analyst_takes_out_determinations_of_own_work_and_others_are_free_to_narrow() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (first, second) = (&app.analyst, &app.analyst2);
    let own = opened_by(&lab, first).await;
    titrated_by(&lab, first, &own).await;
    let theirs = opened_by(&lab, second).await;
    titrated_by(&lab, second, &theirs).await;
    let both = opened_by(&lab, second).await;
    titrated_by(&lab, first, &both).await;
    let set = |all: &[&String]| all.iter().map(|id| (*id).clone()).collect::<BTreeSet<String>>();

    let path = "/exports/determinations";
    let mine = first.get(path).await;
    assert_eq!(mine.status, 200, "{}", mine.text);
    assert_eq!(ids(&mine.json), set(&[&own, &both]));
    assert_eq!((&mine.json["counts"]["determinations"], &mine.json["counts"]["used"]), (&json!(2), &json!(4)));
    assert_eq!(mine.json["about"]["query"], format!("recorded by {}", first.code));
    let listed = app.auditor.get("/exports").await.expect(200);
    assert_eq!(listed[0]["query"], mine.json["about"]["query"], "the export is on record with whose data it held");
    assert_eq!(first.get("/exports").await.expect(200).as_array().unwrap().len(), 1);
    assert_eq!(second.get("/exports").await.expect(200), json!([]), "what others took out is not theirs to see");
    // Naming oneself changes nothing; naming somebody else is refused with the field.
    let named = first.get(&format!("{path}?recorded_by={}", first.id)).await;
    assert_eq!(named.header("x-content-sha256"), mine.header("x-content-sha256"));
    let problem = first.get(&format!("{path}?recorded_by={}", second.id)).await.refused(403, "forbidden");
    assert_eq!(
        (&problem["errors"][0]["field"], &problem["errors"][0]["value"]),
        (&json!("recorded_by"), &json!(second.id.to_string()))
    );
    // Whoever takes out everything may narrow by person; the content is the same as that person's own.
    for who in [&app.auditor, &app.manager] {
        assert_eq!(ids(&who.get(path).await.expect(200)), set(&[&own, &theirs, &both]), "{}", who.code);
        let narrowed = who.get(&format!("{path}?recorded_by={}", first.id)).await;
        assert_eq!(narrowed.header("x-content-sha256"), mine.header("x-content-sha256"));
        let narrowed = who.get(&format!("{path}?recorded_by={}&method={}", second.id, lab.iron2)).await.expect(200);
        assert_eq!(ids(&narrowed), set(&[&theirs, &both]));
        let said = format!("method version {}, recorded by {}", lab.iron2, second.code);
        assert_eq!(narrowed["about"]["query"], said);
    }
    let nobody = format!("{path}?recorded_by={own}");
    let problem = app.auditor.get(&nobody).await.refused(422, "unknown_reference");
    assert_eq!(problem["errors"][0]["field"], "recorded_by");
    app.administrator.get(path).await.refused(403, "forbidden");
    app.instrument.get(path).await.refused(403, "forbidden");

    // The workbook of one, by the same rule.
    for (who, id, may) in [
        (first, &own, true),
        (first, &both, true),
        (first, &theirs, false),
        (second, &theirs, true),
        (second, &own, false),
        (&app.manager, &own, true),
        (&app.auditor, &theirs, true),
    ] {
        let answer = who.get(&format!("/determinations/{id}/workbook.xlsx")).await;
        if may {
            assert_eq!(answer.status, 200, "{} {id}: {}", who.code, answer.text);
        } else {
            let problem = answer.refused(403, "forbidden");
            let detail = text(&problem, "detail");
            let said = format!("analysts export only their own data, and {} neither opened nor titrated", who.code);
            assert!(detail.starts_with(&said), "{detail}");
        }
        let page = Visitor::of(app.running.address, who).get(&format!("/determinations/{id}")).await;
        assert_eq!(page.text.contains("workbook.xlsx"), may, "{} sees what can be taken out", who.code);
    }

    // Somebody who is an auditor, too, takes out everything.
    let grant = json!({ "role": "auditor", "effect": "grant", "reason": "internal audit of the bench" });
    let grant = app.administrator.post(&format!("/accounts/{}/role-grants", second.id), &grant).await.expect(201);
    let decision = format!("/role-grants/{}/decisions", text(&grant, "id"));
    let _ = app.manager.post(&decision, &json!({ "decision": "approved" })).await.expect(201);
    let all = second.get(path).await.expect(200);
    assert_eq!((ids(&all).len(), &all["about"]["query"]), (3, &json!("all determinations")));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_workbook_of_iron_iii_is_for_an_analyst_who_worked_on_both_determinations() {
    let lab = Lab::open().await;
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.18", "23.18"] {
        let path = format!("/determinations/{total}/titrations");
        let titration = lab.titration("accurate", last, Some("slight white"));
        let _ = lab.app.analyst2.post(&path, &titration).await.expect(201);
    }
    // The second analyst records the difference, too, but had no part in iron(II).
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let result = text(&lab.app.analyst2.post("/iron-results", &new).await.expect(201), "id");
    let path = format!("/iron-results/{result}/workbook.xlsx");
    lab.app.analyst2.get(&path).await.refused(403, "forbidden");
    for who in [&lab.app.analyst, &lab.app.manager, &lab.app.auditor] {
        let answer = who.get(&path).await;
        assert_eq!(answer.status, 200, "{}: {}", who.code, answer.text);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn charts_and_studies_are_taken_out_whole_by_analysts_who_contributed() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    let study = plan(
        "VS-1",
        &control.lab.iron2,
        &[planned("repeatability", "g/L", 6, &json!({}), &[most("rsd_r", "0.3", "%")])],
    );
    let study = text(&app.analyst.post("/validation-studies", &study).await.expect(201), "id");
    let paths = [format!("/exports/control-charts/{chart}"), format!("/exports/validation-studies/{study}")];
    // Nobody but the manager who defined it has anything on the chart yet.
    let problem = app.analyst.get(&paths[0]).await.refused(403, "forbidden");
    assert!(text(&problem, "detail").contains("recorded nothing for control chart X-1"), "{problem}");
    control.import(&chart, "118.2", 10.0).await;
    for path in &paths {
        app.analyst2.get(path).await.refused(403, "forbidden");
        for who in [&app.analyst, &app.manager, &app.auditor] {
            let answer = who.get(path).await;
            assert_eq!(answer.status, 200, "{} {path}: {}", who.code, answer.text);
        }
    }
    let unknown = paths[0].replace(&chart, &study);
    app.analyst.get(&unknown).await.refused(404, "not_found");
    // The page offers what may be taken out, and a choice of people to those who may take out everything.
    for (who, offered, people) in [
        (&app.analyst, true, false),
        (&app.analyst2, false, false),
        (&app.auditor, true, true),
        (&app.manager, true, true),
    ] {
        let page = Visitor::of(app.running.address, who).get("/exports").await;
        assert_eq!(page.status, 200, "{}", page.text);
        for path in &paths {
            assert_eq!(page.text.contains(path.as_str()), offered, "{} {path}", who.code);
        }
        assert_eq!(page.text.contains("name=\"recorded_by\""), people, "{}", who.code);
        assert_eq!(page.text.contains("Analysts export only their own data"), !people, "{}", who.code);
    }
    let narrowed = format!("/exports?recorded_by={}", app.analyst.id);
    let page = Visitor::of(app.running.address, &app.manager).get(&narrowed).await;
    let link = format!("recorded_by={}", app.analyst.id);
    assert!(
        page.text.contains(&format!("format=csv&#38;{link}")) || page.text.contains(&format!("format=csv&amp;{link}")),
        "{}",
        page.text
    );
}
