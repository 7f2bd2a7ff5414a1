//! Changes of titrant lots and factors as charts, determinations and alerts show them.

use chrono::{DateTime, Duration, Utc};
use ferrotitre_tests::bench::{day, days_ahead, minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

use super::{Control, near, number};
use crate::exports::demo::rows_are_those_of_each_determination;
use crate::lab::{Lab, dichromate, method_with, rules, sign};

/// A control determination of the material, submitted and on the chart.
async fn on_chart(control: &Control, chart: &str, run: &str, titrant: &str, titre: &str) {
    let app = control.app();
    let portion = json!({
        "pipette": control.lab.bench.pipette_10, "dilution": [{ "flask": control.lab.bench.flask_250 }],
        "aliquot_pipette": control.lab.bench.pipette_25, "observed_at": minutes_ago(50),
    });
    let portion = app.analyst.post(&format!("/samples/{}/portions", control.sample), &portion).await.expect(201);
    let id = control.begin(run, "control", &text(&portion, "id")).await;
    for _ in 0..2 {
        let mut titration = control.lab.titration("accurate", titre, None);
        titration["titrant"] = json!(titrant);
        control.lab.titrate(&id, &titration).await;
    }
    sign(&app.analyst, &format!("/determinations/{id}"), "submission", None).await.expect(201);
    let values = format!("/control-charts/{chart}/values");
    let _ = app.analyst.post(&values, &json!({ "determination": id })).await.expect(201);
}

// Expected: SciPy's ttest_ind(equal_var=False) of these titres, and its t distribution for the two one-sided tests. Both lots
// were weighed alike, so contents are titres times one constant, which t and p do not depend on.
#[tokio::test(flavor = "multi_thread")]
async fn a_change_of_titrant_lot_is_tested_as_a_step_of_the_chart() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let standard = text(&standards["items"][0], "version_id");
    let made = minutes_ago(2 * 1440);
    let new = dichromate(app, &control.lab.bench, &standard, "D-2", json!(days_ahead(90)), made).await;
    let old = control.lab.titrant.clone();
    let run = control.run(None).await;
    let path = format!("/control-charts/{chart}/lot-step?old={old}&new={new}");
    let empty = app.auditor.get(&path).await.expect(200);
    assert_eq!(empty["conclusion"], "not enough data to compare the lots");
    assert_eq!((&empty["test"], empty["missing"].as_array().unwrap().len()), (&Value::Null, 2));
    for titre in ["21.10", "21.14", "21.12", "21.16"] {
        on_chart(&control, &chart, &run, &old, titre).await;
    }
    for titre in ["21.18", "21.22", "21.20", "21.16"] {
        on_chart(&control, &chart, &run, &new, titre).await;
    }
    let step = app.auditor.get(&path).await.expect(200);
    assert_eq!((&step["old"]["n"], &step["new"]["n"]), (&json!(4), &json!(4)), "{step}");
    assert_eq!((&step["old"]["code"], &step["new"]["code"]), (&json!("D-1"), &json!("D-2")));
    near("t", number(&step, "/test/t"), 3.286_335_345, 1e-6);
    near("p", number(&step, "/test/p"), 0.016_689_984_3, 1e-8);
    near("degrees of freedom", number(&step, "/test/degrees_of_freedom"), 6.0, 1e-6);
    let per_ml = control.per_ml().await;
    near("difference", number(&step, "/difference"), 0.06 * per_ml, 1e-6);
    near("low", number(&step, "/test/interval/0"), 0.015_325_706_1 * per_ml, 1e-6);
    near("high", number(&step, "/test/interval/1"), 0.104_674_293_9 * per_ml, 1e-6);
    assert!(step["equivalence"]["margin_from"].as_str().unwrap().starts_with("U (k = 2) of "), "{step}");

    let with = async |margin: f64| app.auditor.get(&format!("{path}&margin={:.6}", margin * per_ml)).await.expect(200);
    let narrow = with(0.1).await;
    near("p of equivalence", number(&narrow, "/equivalence/p"), 0.035_493_827_2, 1e-6);
    let wide = with(0.2).await;
    near("p of equivalence", number(&wide, "/equivalence/p"), 0.000_128_598_9, 1e-8);
    assert!(wide["conclusion"].as_str().unwrap().contains("the lots are equivalent"), "{wide}");
    let tight = with(0.05).await;
    assert_eq!(tight["conclusion"], "a step is shown, and it may matter: look at the factor of the new lot");

    let problem = app.auditor.get(&format!("{path}&margin=0")).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "margin");
    let same = format!("/control-charts/{chart}/lot-step?old={old}&new={old}");
    app.auditor.get(&same).await.refused(422, "invalid_input");
    let unknown = format!("/control-charts/{chart}/lot-step?old={old}&new={run}");
    let problem = app.auditor.get(&unknown).await.refused(422, "unknown_reference");
    assert_eq!(problem["errors"][0]["field"], "new");
    app.administrator.get(&path).await.refused(403, "forbidden");
}

/// Rows as standardisations on other days would leave them, with their audit events: real ones would need those days.
async fn factor(lab: &Lab, at: DateTime<Utc>, times: &str) {
    let insert = format!(
        "BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"approve_standardisation\"}}', true); \
         INSERT INTO titrant_factors (id, titrant_id, preparation_id, concentration, standard_uncertainty, factor, \
         valid_from, valid_to, evaluation, formula_set, recorded_by) \
         SELECT gen_random_uuid(), titrant_id, preparation_id, concentration * {times}, standard_uncertainty, \
         factor * {times}, '{}', valid_to, '{{}}', 'fixture', recorded_by \
         FROM titrant_factors WHERE titrant_id = '{}' ORDER BY valid_from LIMIT 1; COMMIT",
        at.to_rfc3339(),
        lab.titrant
    );
    lab.app.sql(DatabaseRole::Service).await.batch_execute(&insert).await.unwrap();
}

fn verdict(determination: &Value) -> &Value {
    let verdicts = determination["evaluation"]["verdicts"].as_array().unwrap();
    verdicts.iter().find(|verdict| verdict["rule"] == "interpolated factor").unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_method_may_interpolate_the_factor_and_a_signature_ends_that() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let mut own = rules();
    own["factor"] = json!("interpolated");
    let method = method_with(app, ("M7", "iron(II)", "none"), own).await;
    let run = lab.run(&method).await;
    let id = lab.begin(&run).await;
    let path = format!("/determinations/{id}");
    for _ in 0..2 {
        lab.titrate(&id, &lab.titration("accurate", "21.46", None)).await;
    }
    let alone = app.auditor.get(&path).await.expect(200);
    assert_eq!(verdict(&alone)["outcome"], "query");
    assert!(verdict(&alone)["advice"].as_str().unwrap().contains("not followed by a factor yet"));
    let in_force = number(verdict(&alone), "/value");
    near("the factor in force alone", number(verdict(&alone), "/critical"), in_force, 0.0);

    // A second factor, 0.4 % lower, ten minutes ago; the titrations were half an hour ago, the first factor three days.
    let factors = app.auditor.get(&format!("/titrants/{}/factors", lab.titrant)).await.expect(200);
    let begin: DateTime<Utc> = text(&factors[0], "valid_from").parse().unwrap();
    let next = Utc::now() - Duration::minutes(10);
    factor(&lab, next, "0.996").await;
    let both = app.auditor.get(&path).await.expect(200);
    let titrated: DateTime<Utc> = text(&both["titrations"][0], "observed_at").parse().unwrap();
    let passed = (titrated - begin).as_seconds_f64() / (next - begin).as_seconds_f64();
    let expected = in_force * (1.0 - 0.004 * passed);
    assert!(passed > 0.99 && passed < 1.0, "{passed}");
    assert_eq!(verdict(&both)["outcome"], "met");
    near("interpolated", number(verdict(&both), "/value"), expected, 1e-6);
    near("the factor in force alone", number(verdict(&both), "/critical"), in_force, 1e-9);
    let working = app.auditor.get(&format!("{path}/working")).await;
    assert!(working.text.contains("(1 - w(") && working.text.contains(") c_2("), "{}", working.text);

    rows_are_those_of_each_determination(&app.auditor, 1).await;

    // Signed, it stays what it was, whatever factor is recorded later; in an export, too.
    lab.close(&run).await;
    sign(&app.analyst, &path, "submission", None).await.expect(201);
    factor(&lab, Utc::now() - Duration::minutes(20), "0.9").await;
    let signed = app.auditor.get(&path).await.expect(200);
    near("signed", number(verdict(&signed), "/value"), number(verdict(&both), "/value"), 0.0);
    assert_eq!(signed["evaluation"]["input_digest"], both["evaluation"]["input_digest"]);
    rows_are_those_of_each_determination(&app.auditor, 1).await;

    // A third and fourth factor give the lot a line; its effect is set against U of what was determined with it.
    factor(&lab, Utc::now() - Duration::minutes(5), "0.995").await;
    let drift = app.auditor.get(&format!("/titrants/{}/drift", lab.titrant)).await.expect(200);
    let effect = &drift["effect_now"];
    assert_eq!(effect["determinations"], 1, "{effect}");
    let of = |field: &str| {
        let figures = signed["evaluation"]["figures"].as_array().unwrap();
        number(figures.iter().find(|f| f["unit"] == "g/L" && f["expressed"] == "Fe").unwrap(), field)
    };
    let share = number(effect, "/percent").abs() / 100.0 / (2.0 * of("/u") / of("/value"));
    near("share of U", number(effect, "/share_of_u"), share, 1e-9);
}

#[tokio::test(flavor = "multi_thread")]
async fn rule_hits_and_overdue_nonconformities_are_alerts_until_somebody_answers() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 30.0).await;
    control.import(&chart, "118.2", 3.0).await;
    let of_kind = async |kind: &str| {
        let alerts = app.auditor.get("/alerts").await.expect(200);
        let items = alerts["items"].as_array().unwrap().clone();
        items.into_iter().filter(|item| item["kind"] == kind).collect::<Vec<Value>>()
    };
    assert_eq!(of_kind("control value out of control").await, Vec::<Value>::new(), "in control");
    let bad = control.import(&chart, "119.6", 2.0).await;
    let hits = of_kind("control value out of control").await;
    assert_eq!(hits.len(), 1, "{hits:?}");
    assert_eq!((&hits[0]["urgency"], &hits[0]["subject"]), (&json!("now"), &bad["id"]));
    assert!(hits[0]["message"].as_str().unwrap().contains("chart X-1, point 2"), "{}", hits[0]);
    let metrics = reqwest::get(format!("http://{}/metrics", app.running.address)).await.unwrap().text().await.unwrap();
    assert!(
        metrics.contains("ferrotitre_alerts{kind=\"control value out of control\",urgency=\"now\"} 1"),
        "{metrics}"
    );
    let look = json!({ "to": "under investigation", "reason": "burette, factor and bottle looked at" });
    let path = format!("/control-values/{}/dispositions", text(&bad, "id"));
    let _ = app.manager.post(&path, &look).await.expect(201);
    assert_eq!(of_kind("control value out of control").await.len(), 1, "somebody looks into it, nothing is decided");
    let cause = json!({ "to": "invalid-with-cause", "cause": "wrong factor", "reason": "factor of another lot" });
    let _ = app.manager.post(&path, &cause).await.expect(201);
    assert_eq!(of_kind("control value out of control").await, Vec::<Value>::new(), "decided");

    let open = async |due: i64| {
        let new = json!({
            "source": "complaint", "severity": "minor", "title": "result of bath 3 doubted", "scope": "one report",
            "owner": app.manager.id, "due_on": day(due), "observed_at": minutes_ago(10),
        });
        app.analyst.post("/nonconformities", &new).await.expect(201)
    };
    let soon = open(3).await;
    let _later = open(60).await;
    let due = of_kind("nonconformity due").await;
    assert_eq!(due.len(), 1, "{due:?}");
    assert_eq!((&due[0]["urgency"], &due[0]["code"]), (&json!("soon"), &soon["code"]));
    // A picture for programs that take no SVG.
    let picture = app.auditor.get(&format!("/control-charts/{chart}.png")).await.bytes;
    let mut reader = png::Decoder::new(std::io::Cursor::new(picture)).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let frame = reader.next_frame(&mut pixels).unwrap();
    let svg = app.auditor.get(&format!("/control-charts/{chart}.svg")).await.text;
    let size = format!("width=\"{}\" height=\"{}\"", frame.width / 2, frame.height / 2);
    assert!(svg.contains(&size), "{size}: {}", &svg[..200]);
    let dark = pixels.chunks(4).filter(|pixel| pixel[..3].iter().all(|value| *value < 100)).count();
    assert!(dark > 2000, "letters and lines: {dark} dark pixels of {}", pixels.len() / 4);
}
