//! Budgets that answer to their own control charts: what refutes one, what it blocks, and the two ways out.

use ferrotitre_tests::bench::{minutes_ago, text};
use serde_json::{Value, json};

use crate::certificates::{authorise, facts, identity, path as certificate_path};
use crate::control::{Control, near, number, target};
use crate::lab::{Lab, rules, sign};
use crate::pages::Visitor;
use crate::specifications::{approved, assign, at_most, simple};

/// Twelve values about 118 g/L with deviations of -0.9 to 0.9, sum of squares 4.06 by hand.
const SEEN: [&str; 12] =
    ["117.1", "118.9", "117.4", "118.6", "117.6", "118.4", "117.5", "118.5", "117.4", "118.6", "117.7", "118.3"];

/// A chart that scatters by more than the budget explains, and a client's result by the method in a released run, reviewed; the
/// chart, the path of the result, and the limit that was assigned to its sample.
async fn reviewed(control: &Control) -> (String, String, String) {
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    control.phase(&chart, &target("118.0", "0.61", 40.0)).await;
    for (value, days) in SEEN.iter().zip([30.0, 28.0, 26.0, 24.0, 22.0, 20.0, 18.0, 16.0, 14.0, 12.0, 10.0, 8.0]) {
        let _ = control.import(&chart, value, days).await;
    }
    control.plan(&[&chart]).await;
    let sample = text(&app.auditor.get("/samples?limit=2").await.expect(200)["items"][1], "id");
    let (_, rule) = approved(app, "/decision-rules", &simple("DR-1")).await;
    let (_, limit) = approved(app, "/specifications", &at_most("SP-1", "130", &rule)).await;
    let assigned = text(&assign(app, &sample, &limit).await, "id");
    let run = control.run(None).await;
    let _ = control.control(&run, &control.titre(118.0).await).await;
    let path = format!("/determinations/{}", control.begin(&run, "sample", &control.lab.portion).await);
    for last in ["21.46", "21.46"] {
        control.lab.titrate(path.rsplit('/').next().unwrap(), &control.lab.titration("accurate", last, None)).await;
    }
    let closed = control.close(&run).await;
    assert_eq!(closed["quality"]["verdict"], "in control", "{closed}");
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    sign(&app.analyst2, &path, "review", None).await.expect(201);
    sign(&app.manager2, &format!("/runs/{run}"), "release", None).await.expect(201);
    (chart, path, assigned)
}

async fn refuted(control: &Control) -> Vec<Value> {
    let alerts = control.app().manager.get("/alerts").await.expect(200);
    let of = |one: &&Value| one["kind"] == "budget refuted by its chart";
    alerts["items"].as_array().unwrap().iter().filter(of).cloned().collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refuted_budget_carries_no_statement_of_conformity_until_somebody_decides() {
    let control = Control::open().await;
    let app = control.app();
    let (chart, path, limit) = reviewed(&control).await;
    let budget = format!("/methods/{}/budget", control.method);
    let view = app.auditor.get(&budget).await.expect(200);
    let (version, held) = (&view["versions"][0], &view["versions"][0]["charts"][0]["held"]);
    assert_eq!((&version["blocked"], &held["refuted"]), (&json!(true), &json!(true)), "{view}");
    assert_eq!((&version["charts"][0]["runs"], &held["claimed_by"]), (&json!(13), &json!(1)));
    // With the control of the run, read to 0.11 g/L about 118.0: sqrt(4.06 / 12) to sqrt(4.063 / 12), by hand.
    near("s", number(held, "/s_rw"), 0.5818, 0.0002);
    let (s, u, mean) = (number(held, "/s_rw"), number(held, "/claimed_u"), number(held, "/mean"));
    near("chi-squared", number(held, "/scatter/statistic"), 12.0 * s * s / u / u, 1e-9);
    // Chi-squared, 12 degrees of freedom, upper 1 %: 26.217 (NIST/SEMATECH e-Handbook, 1.3.6.7.4; from memory).
    near("critical", number(held, "/scatter/critical"), 26.217, 0.0005);
    near("lacking", number(held, "/lacking_percent"), 100.0 * (s * s - u * u).sqrt() / mean, 1e-9);

    let problem = sign(&app.manager, &path, "approval", None).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("refuted by its own control chart (chart X-1: 13 runs"), "{problem}");
    let alerts = refuted(&control).await;
    assert_eq!(alerts.len(), 1, "{alerts:?}");
    assert_eq!((&alerts[0]["code"], &alerts[0]["subject"]), (&json!("M1"), &json!(control.method)));

    let decisions = format!("{budget}/decisions");
    let decision = json!({
        "method_version": control.lab.iron2, "chart": chart, "reason": "the client's limit is forty U away; version 2 is drafted",
    });
    app.analyst.post(&decisions, &decision).await.refused(403, "forbidden");
    let mut without = decision.clone();
    without["reason"] = json!("  ok ");
    let problem = app.manager.post(&decisions, &without).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "reason");
    let mut of_another = decision.clone();
    of_another["chart"] = json!(control.lab.iron2);
    app.manager.post(&decisions, &of_another).await.refused(422, "unknown_reference");
    of_another = decision.clone();
    of_another["method_version"] = json!(control.lab.total);
    app.manager.post(&decisions, &of_another).await.refused(422, "unknown_reference");
    let made = app.manager.post(&decisions, &decision).await.expect(201);
    assert!(text(&made, "seen").contains("scatter by s = "), "{made}");
    assert!(refuted(&control).await.is_empty());
    sign(&app.manager, &path, "approval", None).await.expect(201);

    // A decision is one on what the chart showed then: with new limits the question is asked again.
    control.phase(&chart, &target("118.0", "0.60", 0.01)).await;
    assert_eq!(refuted(&control).await.len(), 1);
    let _ = app.manager.post("/laboratory", &identity()).await.expect(201);
    let mut certificate = facts(&[path.rsplit('/').next().unwrap()]);
    certificate["specifications"] = json!([limit]);
    let draft = app.analyst2.post("/certificates", &certificate).await.expect(201);
    let problem = authorise(&app.manager2, &certificate_path(&draft)).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("refuted by its own control chart"), "{problem}");
    // Nor is iron(III) approved over it, whose total is of a method that no chart refutes.
    let plan = json!({ "method": control.lab.total, "charts": [], "blanks": 1, "duplicates": 0 });
    let _ = app.manager.post("/qc-plans", &plan).await.expect(201);
    let total = control.lab.total_done(["23.40", "23.42"]).await;
    control.lab.through(&format!("/determinations/{total}")).await;
    let new = json!({ "code": "FE3-1", "total": total, "iron2": path.rsplit('/').next().unwrap(), "observed_at": minutes_ago(5) });
    let iron3 = format!("/iron-results/{}", text(&app.analyst.post("/iron-results", &new).await.expect(201), "id"));
    sign(&app.analyst, &iron3, "submission", None).await.expect(201);
    sign(&app.analyst2, &iron3, "review", None).await.expect(201);
    let problem = sign(&app.manager, &iron3, "approval", None).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("refuted by its own control chart"), "{problem}");
    let page = Visitor::of(app.running.address, &app.manager).get(&budget).await.text;
    assert!(page.contains("refuted") && page.contains("2 u of the budget") && page.contains("Decide"), "{page}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_version_that_takes_in_what_the_chart_saw_is_not_refuted() {
    let control = Control::open().await;
    let app = control.app();
    let _ = reviewed(&control).await;
    let budget = format!("/methods/{}/budget", control.method);
    let view = app.auditor.get(&budget).await.expect(200);
    let held = &view["versions"][0]["charts"][0]["held"];
    let (s, lacking) = (number(held, "/s_rw"), number(held, "/lacking_percent"));
    let method = app.auditor.get(&format!("/methods/{}", control.method)).await.expect(200)["versions"][0].clone();
    let facts = |changes: Value| {
        let mut rules = rules();
        for (field, value) in changes.as_object().unwrap() {
            rules[field] = value.clone();
        }
        let kept = ["code", "title", "principle", "analyte", "matrix", "chemistry", "reduction", "indicator"];
        let mut facts: Value = kept.iter().map(|field| ((*field).to_owned(), method[field].clone())).collect();
        facts["rules"] = rules;
        json!({ "reason": "the control chart saw more than the budget explains", "facts": facts })
    };
    let corrections = format!("/methods/{}/corrections", control.method);
    let revise =
        async |version: &str, changes: Value| app.manager.post_if_match(&corrections, version, &facts(changes)).await;
    let first = control.lab.iron2.clone();
    for (changes, field) in [
        (json!({ "uncertainty": "with between-run component" }), "rules.seen_percent"),
        (json!({ "uncertainty": "with between-run component", "seen_percent": "0.4" }), "rules.seen_on"),
        (json!({ "seen_percent": "0.4" }), "rules.seen_percent"),
        (
            json!({ "uncertainty": "larger of bottom-up and top-down", "seen_percent": "0", "seen_on": "chart X-1" }),
            "rules.seen_percent",
        ),
    ] {
        let problem = revise(&first, changes.clone()).await.refused(422, "invalid_input");
        let fields: Vec<&Value> = problem["errors"].as_array().unwrap().iter().map(|error| &error["field"]).collect();
        assert!(fields.contains(&&json!(field)), "{changes}: {problem}");
    }
    let changes = json!({
        "uncertainty": "with between-run component", "seen_percent": format!("{lacking:.6}"),
        "seen_degrees_of_freedom": "12", "seen_on": "chart X-1, 13 runs",
    });
    let second = text(&revise(&first, changes).await.expect(201), "version_id");
    let view = app.auditor.get(&budget).await.expect(200);
    let drafted = &view["versions"][0];
    assert_eq!((&drafted["state"], &drafted["blocked"]), (&json!("draft"), &json!(false)), "{view}");
    near("the draft claims what was seen", number(drafted, "/charts/0/held/claimed_u"), s, 1e-3);
    assert_eq!(view["versions"][1]["blocked"], true, "the version in force is refuted as before");

    // In force, its results carry the component.
    let _ = app
        .manager2
        .post(&format!("/methods/{}/moves", control.method), &json!({ "to": "approved" }))
        .await
        .expect(201);
    assert!(refuted(&control).await.is_empty());
    let u_of = async |version: &str| {
        let run = json!({ "method": version, "bench": "bench 2", "observed_at": minutes_ago(39) });
        let run = text(&app.analyst.post("/runs", &run).await.expect(201), "id");
        let of = control.begin(&run, "sample", &control.lab.portion).await;
        for last in ["21.46", "21.46"] {
            control.lab.titrate(&of, &control.lab.titration("accurate", last, None)).await;
        }
        let read = app.auditor.get(&format!("/determinations/{of}")).await.expect(200);
        let figures = read["evaluation"]["figures"].as_array().unwrap().clone();
        let found = figures.iter().find(|one| one["unit"] == "g/L" && one["expressed"] == "Fe").unwrap().clone();
        (number(&found, "/value"), number(&found, "/u"), text(&read["evaluation"]["reported"], "expanded_uncertainty"))
    };
    let (value, with, expanded) = u_of(&second).await;
    let others = app.auditor.get("/determinations?limit=3").await.expect(200);
    let before =
        others["items"].as_array().unwrap().iter().find(|one| one["purpose"] == "sample" && one["state"] == "reviewed");
    let before = app.auditor.get(&format!("/determinations/{}", text(before.unwrap(), "id"))).await.expect(200);
    let figures = before["evaluation"]["figures"].as_array().unwrap().clone();
    let plain = figures.iter().find(|one| one["unit"] == "g/L" && one["expressed"] == "Fe").unwrap();
    near("u", with, number(plain, "/u").hypot(lacking / 100.0 * value), 1e-6);
    assert_ne!(json!(expanded), before["evaluation"]["reported"]["expanded_uncertainty"]);
    // What was signed by the first version stays as it was signed.
    assert_eq!(number(plain, "/value"), value);
}

/// Half the squares of differences of 0.02, 0.04 and 0.08 mL, three of each, over 0.03 mL squared: 3 x 0.0042 / 0.0009 = 14.
#[tokio::test(flavor = "multi_thread")]
async fn what_titres_and_rounds_show_stands_beside_a_budget_with_the_ground_of_each_line() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let run = lab.run(&lab.iron2).await;
    let mut path = String::new();
    for second in ["21.48", "21.50", "21.54"].repeat(3) {
        let determination = lab.begin(&run).await;
        path = format!("/determinations/{determination}");
        for last in ["21.46", second] {
            lab.titrate(&determination, &lab.titration("accurate", last, None)).await;
        }
        sign(&app.analyst, &path, "submission", None).await.expect(201);
    }
    let read = app.auditor.get(&path).await.expect(200);
    let method = app.auditor.get("/methods?limit=9").await.expect(200);
    let of_m1 = method["items"].as_array().unwrap().iter().find(|one| one["code"] == "M1").unwrap();
    let budget = format!("/methods/{}/budget", text(of_m1, "id"));
    let version = |view: &Value| view["versions"][0].clone();
    let seen = |view: &Value, what: &str| {
        view["evidence"].as_array().unwrap().iter().find(|one| one["what"] == what).unwrap().clone()
    };
    let view = version(&app.auditor.get(&budget).await.expect(200));
    let titres = seen(&view, "titres");
    assert_eq!(titres["degrees_of_freedom"], 9, "{titres}");
    near("chi-squared", number(&titres, "/test/statistic"), 14.0, 1e-9);
    near("s", number(&titres, "/seen"), (3.0 * 0.0042_f64 / 9.0).sqrt(), 1e-9);
    assert_eq!(titres["test"]["refuted"], false);
    // A lot made by mass has one factor.
    assert!(text(&seen(&view, "standardisations"), "not_tested").starts_with("not enough data: 0 degrees"), "{view}");
    // All are of one test portion: no duplicates.
    assert!(text(&seen(&view, "duplicates"), "not_tested").starts_with("not enough data: 0 degrees"), "{view}");
    assert!(text(&seen(&view, "proficiency rounds"), "not_tested").starts_with("not enough data: 0 rounds"), "{view}");
    assert_eq!(view["lines_of"], read["id"]);
    let lines = view["lines"].as_array().unwrap();
    near("shares", lines.iter().map(|line| number(line, "/share_percent")).sum(), 100.0, 1e-9);
    let ground = |label: &str| {
        let of = lines.iter().find(|line| line["label"] == label);
        of.map(|line| (text(line, "ground"), text(line, "words"))).unwrap_or_else(|| panic!("{label} in {lines:?}"))
    };
    assert_eq!(ground("repeatability of the titre").0, "seen");
    assert_eq!(ground("end-point bias").0, "assumption");
    assert!(ground("volume of P10").1.contains("of 20") && ground("volume of P10").0 == "certificate");
    assert_eq!(ground("molar mass of iron").0, "published");

    // Three rounds whose assigned value lies 3 g/L off: each zeta is the same, and their squares add up.
    let figure = read["evaluation"]["figures"].as_array().unwrap().iter();
    let figure = figure.clone().find(|one| one["unit"] == "g/L" && one["expressed"] == "Fe").unwrap().clone();
    let (value, u) = (number(&figure, "/value"), number(&figure, "/u"));
    let mut round_of = String::new();
    for code in ["PT-1", "PT-2", "PT-3"] {
        let round = json!({ "code": code, "series": "iron in pickling baths", "provider": "accredited provider",
            "material": "pickling bath, sample B", "quantity": "iron(II)", "unit": "g/L", "assigned_value": format!("{:.4}", value - 3.0),
            "assigned_u": "0.20", "assigned_k": "2", "sigma_pt": "1.20", "determination": read["id"],
            "observed_at": minutes_ago(5) });
        round_of = text(&app.manager.post("/proficiency-rounds", &round).await.expect(201), "id");
    }
    let rounds = seen(&version(&app.auditor.get(&budget).await.expect(200)), "proficiency rounds");
    assert_eq!((&rounds["degrees_of_freedom"], &rounds["test"]["refuted"]), (&json!(3), &json!(true)), "{rounds}");
    let zeta2 = 9.0 / (u * u + 0.04);
    near("zeta squared", number(&rounds, "/test/statistic") / (3.0 * zeta2), 1.0, 1e-3);
    // One that the provider withdrew has no say.
    let moved = json!({ "to": "withdrawn", "reason": "the provider withdrew the sample" });
    let _ = app.manager.post(&format!("/proficiency-rounds/{round_of}/moves"), &moved).await.expect(201);
    let rounds = seen(&version(&app.auditor.get(&budget).await.expect(200)), "proficiency rounds");
    assert!(text(&rounds, "not_tested").starts_with("not enough data: 2 rounds"), "{rounds}");
    let page = Visitor::of(app.running.address, &app.manager).get(&budget).await.text;
    // Nor have rounds of a result whose run was rejected, nor its titres.
    sign(&app.manager2, &format!("/runs/{run}"), "rejection", Some("the titrant had precipitated")).await.expect(201);
    let view = version(&app.auditor.get(&budget).await.expect(200));
    let of = |what: &str| text(&seen(&view, what), "not_tested");
    assert!(of("proficiency rounds").starts_with("not enough data: 0 rounds"), "{view}");
    assert!(of("titres").starts_with("not enough data: 0 degrees"), "{view}");
    assert!(page.contains("What each line of version 1 rests on") && page.contains("proficiency rounds"), "{page}");
}
