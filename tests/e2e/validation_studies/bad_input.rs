//! Honest answers to designs that cannot give one, and refusals that name the field.

use serde_json::{Value, json};

use super::{Study, datum, method, missing, most, near, plan, planned};
use ferrotitre_tests::TestApp;

fn precision(n: i32) -> Value {
    planned("intermediate precision", "g/L", n, &json!({ "groups": 3, "replicates": 2 }), &[most("rsd_i", "1", "%")])
}

fn day(value: &str, day: u32) -> Value {
    datum(value, &json!({ "group": format!("day {day}") }))
}

#[tokio::test(flavor = "multi_thread")]
async fn designs_without_an_answer_say_what_they_need() {
    let line = json!({ "statistic": "slope", "rule": "covers", "lower": "1", "upper": "1", "unit": "1" });
    let equivalence =
        json!({ "statistic": "relative_difference", "rule": "interval", "lower": "-0.5", "upper": "0.5", "unit": "%" });
    let change =
        json!({ "statistic": "relative_change", "rule": "interval", "lower": "-1", "upper": "1", "unit": "%" });
    let recovery = json!({ "statistic": "recovery", "rule": "value", "lower": "98", "upper": "102", "unit": "%" });
    let factors: Vec<Value> = (1..=7).map(|i| json!({ "name": format!("f{i}"), "low": "-", "high": "+" })).collect();
    let study = Study::run(&[
        precision(6),
        precision(6),
        precision(6),
        planned("linearity", "g/L", 4, &json!({}), &[line]),
        planned("repeatability", "g/L", 3, &json!({}), &[most("rsd_r", "1", "%")]),
        planned("selectivity", "g/L", 4, &json!({}), &[equivalence]),
        planned("stability", "g/L", 4, &json!({ "holding_hours": "48" }), &[change]),
        planned("recovery", "g/L", 2, &json!({}), &[recovery]),
        planned(
            "ruggedness",
            "g/L",
            8,
            &json!({ "factors": factors, "known_sd": "0.2" }),
            &[most("effect_ratio", "1", "1")],
        ),
        planned("detection", "g/L", 4, &json!({}), &[most("loq", "1", "g/L")]),
        planned("uncertainty", "%", 2, &json!({}), &[most("u_ratio", "2", "1")]),
    ])
    .await;
    let nothing = study.answer(0).await;
    assert_eq!((&nothing["verdict"], &nothing["n"]), (&json!("not enough data"), &json!(0)));
    assert!(missing(&nothing).contains("needs 6 data as planned, has 0"), "{nothing}");

    // One value a day says nothing of the repeatability.
    let alone = study.record(0, &[day("100.1", 1), day("100.3", 2), day("100.2", 3)]).await;
    assert_eq!(alone["verdict"], "not enough data");
    assert!(missing(&alone).contains("group day 1 needs 2 data as planned, has 1"), "{alone}");
    assert_eq!(alone["statistics"].as_array().unwrap().len(), 0, "{alone}");

    // Unbalanced, with a missing cell: figures are given, the verdict waits for the cell.
    let rows = [day("100.1", 1), day("100.3", 1), day("100.4", 1), day("100.2", 2), day("100.0", 2), day("100.5", 3)];
    let unbalanced = study.record(1, &rows).await;
    assert_eq!(unbalanced["verdict"], "not enough data");
    assert!(missing(&unbalanced).contains("group day 3 needs 2 data"), "{unbalanced}");
    assert!(unbalanced["notes"].to_string().contains("differ in size"), "{unbalanced}");
    near(&unbalanced, "mean", 100.25, 1e-9);
    let whole = study.record(1, &[day("100.3", 3)]).await;
    assert_eq!(whole["verdict"], "meets", "{whole}");

    let still =
        ["1", "2", "3"].iter().flat_map(|d| [day("100.0", d.parse().unwrap()), day("100.0", d.parse().unwrap())]);
    let still = study.record(2, &still.collect::<Vec<_>>()).await;
    assert_eq!(still["verdict"], "not enough data");
    assert!(missing(&still).contains("do not differ"), "{still}");

    let rows = ["50.1", "50.2", "49.9", "50.0"].map(|value| datum(value, &json!({ "taken": "50.00" })));
    let level = study.record(3, &rows).await;
    assert_eq!(level["verdict"], "not enough data");
    assert!(missing(&level).contains("at least 3 levels taken, has 1"), "{level}");

    let equal = study.record(4, &["5.00", "5.00", "5.00"].map(|value| datum(value, &json!({})))).await;
    assert!(missing(&equal).contains("do not differ"), "{equal}");

    let arm = |pair: u32, arm: &str, value: &str| {
        datum(value, &json!({ "group": "copper", "pair": pair.to_string(), "arm": arm }))
    };
    let halves = study
        .record(
            5,
            &[arm(1, "with", "50.1"), arm(1, "without", "50.0"), arm(2, "with", "50.2"), arm(3, "without", "50.1")],
        )
        .await;
    assert_eq!(halves["verdict"], "not enough data");
    assert!(missing(&halves).contains("pair 2 has no datum \"without\""), "{halves}");

    let early = ["96.4", "96.5", "96.4", "96.3"].map(|value| datum(value, &json!({ "hours": "0" })));
    let early = study.record(6, &early).await;
    assert!(missing(&early).contains("at least 3 times, has 1"), "{early}");

    let spiked = datum("9.9", &json!({ "pair": "1", "arm": "spiked", "added": "5.00" }));
    let one = study.record(7, &[spiked, datum("5.0", &json!({ "pair": "1", "arm": "unspiked" }))]).await;
    assert_eq!(one["verdict"], "not enough data");
    assert!(missing(&one).contains("recoveries"), "{one}");

    let seven: Vec<Value> = (1..=7).map(|run| datum("35.1", &json!({ "run": run }))).collect();
    let seven = study.record(8, &seven).await;
    assert!(missing(&seven).contains("all eight runs; missing: 8"), "{seven}");

    let blanks = study.record(9, &["0.02"; 4].map(|value| datum(value, &json!({})))).await;
    assert!(missing(&blanks).contains("do not differ"), "{blanks}");
    let half = study.record(10, &["0.4", "0.5"].map(|value| datum(value, &json!({ "arm": "bottom-up" })))).await;
    assert!(missing(&half).contains("top-down needs data of all arms"), "{half}");
    let answers = study.app.auditor.get(&format!("/validation-studies/{}/answers", study.id)).await.expect(200);
    assert_eq!(answers["characteristics"].as_array().unwrap().len(), 11);
}

#[tokio::test(flavor = "multi_thread")]
async fn data_that_do_not_fit_their_design_are_refused_by_field() {
    let recovery = json!({ "statistic": "recovery", "rule": "value", "lower": "98", "upper": "102", "unit": "%" });
    let study = Study::run(&[planned("recovery", "g/L", 2, &json!({}), &[recovery]), precision(6)]).await;
    let without = datum("9.9", &json!({ "pair": "1", "arm": "spiked" }));
    let problem = study.send(0, &[without]).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "data[0].labels.added");
    let zero = datum("9.9", &json!({ "pair": "1", "arm": "spiked", "added": "0.00" }));
    study.send(0, &[zero]).await.refused(422, "invalid_input");
    let wrong = datum("9.9", &json!({ "pair": "1", "arm": "with" }));
    let problem = study.send(0, &[wrong]).await.refused(422, "invalid_input");
    assert!(problem["errors"][0]["message"].as_str().unwrap().contains("unspiked, spiked"), "{problem}");
    let problem = study.send(1, &[datum("9.9", &json!({})), day("x", 1)]).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"][0]["field"], "data[1].value");
    let problem = study.send(1, &[datum("9.9", &json!({ "hours": "1" }))]).await.refused(422, "invalid_input");
    assert_eq!(problem["errors"].as_array().unwrap().len(), 2, "the group is missing, hours say nothing: {problem}");
    study.send(1, &[]).await.refused(422, "invalid_input");
    let unknown = json!({ "determination": uuid::Uuid::now_v7(), "labels": { "group": "day 1" } });
    study.send(1, &[unknown]).await.refused(422, "unknown_reference");
    let both = json!({ "value": "1", "determination": uuid::Uuid::now_v7(), "labels": { "group": "day 1" } });
    study.send(1, &[both]).await.refused(422, "invalid_input");
    assert_eq!(study.app.row_counts(&["validation_data"]).await, [0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn plans_that_cannot_be_judged_are_refused_by_field() {
    let app = TestApp::start().await;
    let method = method(&app).await;
    let limit = |changes: &Value| {
        let mut limit = json!({ "statistic": "rsd_r", "rule": "value", "lower": "0.1", "upper": "0.3", "unit": "%" });
        for (name, value) in changes.as_object().unwrap() {
            limit[name] = value.clone();
        }
        planned("repeatability", "g/L", 10, &json!({}), &[limit])
    };
    let crm = |design: Value| planned("trueness", "g/L", 6, &design, &[most("bias_ratio", "1", "1")]);
    for (characteristic, field, rule) in [
        (limit(&json!({ "upper": "0.05" })), "limits[0].upper", "order"),
        (limit(&json!({ "upper": "0.1" })), "limits[0].upper", "order"),
        (limit(&json!({ "unit": "g/L" })), "limits[0].unit", "unit"),
        (limit(&json!({ "statistic": "slope" })), "limits[0].statistic", "one_of"),
        (limit(&json!({ "upper": null, "lower": null })), "limits[0].upper", "required"),
        (planned("repeatability", "furlong", 10, &json!({}), &[most("rsd_r", "1", "%")]), "unit", "one_of"),
        (planned("repeatability", "g/L", 0, &json!({}), &[most("rsd_r", "1", "%")]), "planned_n", "range"),
        (planned("repeatability", "g/L", 10, &json!({}), &[]), "limits", "required"),
        (crm(json!({})), "design.reference", "required"),
        (crm(json!({ "reference": "1", "reference_u": "-1" })), "design.reference_u", "range"),
        (crm(json!({ "reference": "1", "reference_u": "1", "confidence": "95" })), "design.confidence", "range"),
        (
            planned("ruggedness", "g/L", 8, &json!({ "known_sd": "1" }), &[most("effect_ratio", "1", "1")]),
            "design.factors",
            "seven",
        ),
        (planned("stability", "g/L", 8, &json!({}), &[most("change_p", "1", "1")]), "design.holding_hours", "required"),
    ] {
        let problem = app
            .analyst
            .post("/validation-studies", &plan("VS-1", &method, &[characteristic]))
            .await
            .refused(422, "invalid_input");
        let errors = problem["errors"].as_array().unwrap();
        let at = format!("characteristics[0].{field}");
        assert!(errors.iter().any(|error| error["field"] == *at && error["rule"] == rule), "{at} {rule}: {problem}");
    }
    let kind = planned("linearness", "g/L", 3, &json!({}), &[most("slope", "1", "1")]);
    app.analyst.post("/validation-studies", &plan("VS-1", &method, &[kind])).await.refused(422, "invalid_input");
    let good = || vec![limit(&json!({}))];
    let nobody = plan("VS-1", &uuid::Uuid::now_v7().to_string(), &good());
    app.analyst.post("/validation-studies", &nobody).await.refused(422, "unknown_reference");
    app.analyst.post("/validation-studies", &plan("VS-1", &method, &[])).await.refused(422, "invalid_input");
    assert_eq!(app.row_counts(&["validation_studies"]).await, [0]);
}
