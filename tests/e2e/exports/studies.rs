//! Workbooks of studies: every statistic has a formula beside it that gives what the service computed, and goes with the data.

use calamine::Data;
use ferrotitre_tests::spreadsheet::{Book, number, recalculated, with_number};
use serde_json::{Value, json};

use super::has_no_stored_values;
use crate::validation_studies::{Study, datum, most, planned};

/// Rows of a sheet below a heading, with the number of the heading's row.
fn below(rows: &[Vec<Data>], heading: &str) -> usize {
    let found = rows.iter().position(|row| row.first().is_some_and(|cell| *cell == heading));
    found.unwrap_or_else(|| panic!("no {heading}")) + 1
}

/// Compares the formulas of a sheet, as a spreadsheet program computed them, with the figures of an answer; each statistic
/// has one, and one for each end of its interval.
pub(crate) fn compare_statistics(book: &mut Book, sheet: &str, answer: &Value) -> usize {
    let rows = book.rows(sheet);
    let start = below(&rows, "Statistic");
    let formulas = book.formulas(sheet);
    for (row, column, formula) in &formulas {
        assert!(!matches!(rows[*row][*column], Data::Error(_)), "{sheet} {formula}: {:?}", rows[*row][*column]);
    }
    let mut compared = 0;
    for (row, statistic) in (start..).zip(answer["statistics"].as_array().unwrap()) {
        let (name, of) = (statistic["name"].as_str().unwrap(), statistic["of"].as_str().unwrap_or_default());
        assert_eq!((rows[row][0].to_string().as_str(), rows[row][1].to_string().as_str()), (name, of), "{sheet}");
        for (column, expected) in
            [(4, &statistic["value"]), (6, &statistic["interval"]["low"]), (8, &statistic["interval"]["high"])]
        {
            let Some(expected) = expected.as_f64() else { continue };
            let formula = formulas.iter().find(|(at, place, _)| (*at, *place) == (row, column));
            let (.., formula) = formula.unwrap_or_else(|| panic!("{sheet}: no formula for {name} of {of}, {column}"));
            let found = number(&rows[row][column]).unwrap_or_else(|| panic!("{formula}: {:?}", rows[row][column]));
            // 1e-12 of the value; differences near zero are as exact as the data, some 1e-15 of 100.
            let allowed = 1e-12 * expected.abs() + 1e-13;
            assert!((found - expected).abs() <= allowed, "{sheet} {name} {of} {formula}: {found} is not {expected}");
            compared += 1;
        }
    }
    assert_eq!(formulas.iter().filter(|(row, ..)| *row >= start).count(), compared, "{sheet}");
    compared
}

/// Figures that stand beside the formulas: those of the service, to the 15 digits that a spreadsheet program writes.
fn stand_beside(book: &mut Book, sheet: &str, answer: &Value) {
    let rows = book.rows(sheet);
    for (row, statistic) in rows[below(&rows, "Statistic")..].iter().zip(answer["statistics"].as_array().unwrap()) {
        let (beside, expected) = (number(&row[3]).unwrap(), statistic["value"].as_f64().unwrap());
        assert!((beside - expected).abs() <= 1e-14 * expected.abs(), "{}: {beside} is not {expected}", row[0]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_study_is_exported_with_formulas_beside_the_figures_of_the_service() {
    let limits = [most("rsd_i", "0.2", "%")];
    let slope = [json!({ "statistic": "slope", "rule": "value", "lower": "0.9", "unit": "1" })];
    let bias = [most("bias", "0.2", "% m/m")];
    let lod = [most("lod", "1", "% m/m")];
    let reference = json!({ "reference": "52.36", "reference_u": "0.05" });
    let study = Study::run(&[
        planned("intermediate precision", "% m/m", 18, &json!({ "groups": 6, "replicates": 3 }), &limits),
        planned("linearity", "% m/m", 8, &json!({}), &slope),
        planned("trueness", "% m/m", 6, &reference, &bias),
        planned("detection", "% m/m", 6, &json!({ "routine_replicates": 2, "routine_blanks": 3 }), &lod),
        planned("intermediate precision", "% m/m", 3, &json!({}), &limits),
        planned("repeatability", "% m/m", 3, &json!({}), &[most("rsd_r", "0.2", "%")]),
        planned("intermediate precision", "% m/m", 6, &json!({ "groups": 3, "replicates": 2 }), &limits),
    ])
    .await;
    // Invented; its analysis of variance is by NumPy.
    let days = [
        [52.41, 52.33, 52.38],
        [52.22, 52.29, 52.25],
        [52.47, 52.40, 52.44],
        [52.30, 52.36, 52.28],
        [52.51, 52.43, 52.46],
        [52.27, 52.35, 52.33],
    ];
    let mut data = Vec::new();
    for (day, values) in days.iter().enumerate() {
        data.extend(values.iter().map(|value| datum(value, &json!({ "group": format!("=day {day}") }))));
    }
    let mut answers = vec![study.record(0, &data).await];
    let line =
        [(10.0, 10.03), (20.0, 19.98), (30.0, 30.05), (40.0, 39.97), (50.0, 50.02), (60.0, 60.04), (70.0, 69.95)];
    let data: Vec<Value> =
        line.iter().map(|(taken, found)| datum(found, &json!({ "taken": taken.to_string() }))).collect();
    answers.push(study.record(1, &data).await);
    let plain = |values: &[f64]| values.iter().map(|value| datum(value, &json!({}))).collect::<Vec<_>>();
    answers.push(study.record(2, &plain(&[52.41, 52.33, 52.38, 52.30, 52.36, 52.28])).await);
    answers.push(study.record(3, &plain(&[0.02, -0.01, 0.03, 0.00, 0.01, -0.02])).await);
    // Days with one value each, and nothing at all: no figure, and no formula that cannot be computed.
    let alone = |day: &str| datum("52.4", &json!({ "group": day }));
    answers.push(study.record(4, &[alone("one"), alone("two"), alone("three")]).await);
    answers.push(study.answer(5).await);
    // Days with one mean: nothing between them, and no probability of a negative figure.
    let same = |day: &str| ["52.3", "52.5"].map(|value| datum(value, &json!({ "group": day })));
    answers.push(study.record(6, &["one", "two", "three"].map(same).concat()).await);
    let path = format!("/exports/validation-studies/{}", study.id);
    let export = study.app.auditor.get(&format!("{path}?format=xlsx")).await;
    assert_eq!(export.status, 200, "{}", export.text);
    has_no_stored_values(&export.bytes);
    let mut book = Book::open(recalculated(&export.bytes).await);
    for (at, answer) in answers.iter().enumerate() {
        let sheet = format!("C{}", at + 1);
        compare_statistics(&mut book, &sheet, answer);
        stand_beside(&mut book, &sheet, answer);
    }
    let whole = study.app.auditor.get(&path).await;
    let read = study.app.auditor.get(&format!("/validation-studies/{}/answers", study.id)).await.expect(200);
    assert_eq!(whole.json["study"], read);
    let csv = study.app.manager.get(&format!("{path}?format=csv")).await;
    assert_eq!(csv.header("x-content-sha256"), whole.header("x-content-sha256"));
    assert!(csv.text.contains("'=day 0") && csv.text.contains(",-0.01,"), "{}", csv.text);
}

/// A characteristic with data, and one of them as it might have been read.
struct Case {
    planned: Value,
    data: Vec<Value>,
    changed: (usize, &'static str),
}

fn case(
    kind: &str,
    unit: &str,
    design: &Value,
    limits: &[Value],
    data: Vec<Value>,
    changed: (usize, &'static str),
) -> Case {
    let planned = planned(kind, unit, i32::try_from(data.len()).unwrap(), design, limits);
    Case { planned, data, changed }
}

fn interval(statistic: &str, margin: &str, unit: &str) -> Value {
    json!({ "statistic": statistic, "rule": "interval", "lower": format!("-{margin}"), "upper": margin, "unit": unit })
}

fn paired() -> [Case; 3] {
    let pair = |pair: &str, arm: &str, value: &str, more: Value| {
        let mut labels = json!({ "pair": pair, "arm": arm });
        for (name, label) in more.as_object().unwrap() {
            labels[name] = label.clone();
        }
        datum(value, &labels)
    };
    let mut recovered = Vec::new();
    for (name, added, unspiked, spiked) in [
        ("a", "5.00", ["5.02", "5.04"], ["9.95", "10.04"]),
        ("b", "10.00", ["5.01", "5.00"], ["15.02", "14.93"]),
        ("c", "5.00", ["7.11", "7.15"], ["12.02", "12.10"]),
    ] {
        recovered.extend(unspiked.map(|value| pair(name, "unspiked", value, json!({}))));
        recovered.extend(spiked.map(|value| pair(name, "spiked", value, json!({ "added": added }))));
    }
    let mut interfered = Vec::new();
    for (group, values) in [
        ("copper", [("50.1", "50.4"), ("50.2", "50.3"), ("49.9", "50.3"), ("50.0", "50.2")]),
        ("vanadium", [("30.1", "30.0"), ("30.3", "30.2"), ("30.2", "30.4"), ("30.0", "30.1")]),
    ] {
        for (number, (without, with)) in (1..).zip(values) {
            let name = format!("{group} {number}");
            interfered.push(pair(&name, "with", with, json!({ "group": group })));
            interfered.push(pair(&name, "without", without, json!({ "group": group })));
        }
    }
    let mut compared = Vec::new();
    for (number, (reference, new)) in (1..).zip([
        ("12.31", "12.28"),
        ("20.05", "20.11"),
        ("27.90", "27.86"),
        ("35.44", "35.57"),
        ("41.02", "41.00"),
        ("48.77", "48.90"),
        ("55.13", "55.09"),
        ("63.58", "63.70"),
    ]) {
        compared.push(pair(&number.to_string(), "reference", reference, json!({})));
        compared.push(pair(&number.to_string(), "new", new, json!({})));
    }
    let recovery = json!({ "statistic": "recovery", "rule": "value", "lower": "98", "upper": "102", "unit": "%" });
    [
        case("recovery", "g/L", &json!({}), &[recovery], recovered, (2, "9.91")),
        case("selectivity", "g/L", &json!({}), &[interval("relative_difference", "0.8", "%")], interfered, (0, "50.6")),
        case(
            "method comparison",
            "% m/m",
            &json!({ "variance_ratio": "1.5" }),
            &[interval("mean_difference", "0.2", "% m/m")],
            compared,
            (3, "20.18"),
        ),
    ]
}

fn in_time_and_by_design() -> [Case; 3] {
    let mut stored = Vec::new();
    for (storage, values) in [
        ("cold", ["96.41", "96.38", "96.40", "96.31", "96.33"]),
        ("warm", ["96.40", "96.22", "96.07", "95.90", "95.71"]),
    ] {
        for (hours, value) in ["0", "12", "24", "48", "72"].iter().zip(values) {
            stored.push(datum(value, &json!({ "hours": hours, "group": storage })));
        }
    }
    let factors: Vec<Value> =
        (1..=7).map(|i| json!({ "name": format!("factor {i}"), "low": "low", "high": "high" })).collect();
    let results = [35.21, 35.26, 35.19, 35.24, 35.02, 35.08, 35.05, 35.11];
    let runs: Vec<Value> = results.iter().zip(1..).map(|(y, run)| datum(y, &json!({ "run": run }))).collect();
    let mut line = Vec::new();
    for (taken, found) in
        [("10", ["10.03", "10.00"]), ("20", ["19.98", "20.03"]), ("30", ["30.05", "30.01"]), ("40", ["39.97", "39.99"])]
    {
        line.extend(found.map(|value| datum(value, &json!({ "taken": taken }))));
    }
    let slope = json!({ "statistic": "slope", "rule": "value", "lower": "0.9", "unit": "1" });
    [
        case(
            "stability",
            "g/L",
            &json!({ "holding_hours": "48" }),
            &[interval("relative_change", "1", "%")],
            stored,
            (4, "96.20"),
        ),
        case(
            "ruggedness",
            "% m/m",
            &json!({ "factors": factors, "known_sd": "0.04", "known_sd_df": "12.5" }),
            &[most("effect_ratio", "1", "1")],
            runs,
            (5, "35.18"),
        ),
        case("linearity", "% m/m", &json!({}), &[slope], line, (7, "40.06")),
    ]
}

fn of_scatter() -> [Case; 4] {
    let arm = |value: &str, arm: &str| datum(value, &json!({ "arm": arm }));
    let mut shares = vec![arm("0.35", "within-laboratory"), arm("0.25", "reference"), arm("0.30", "bottom-up")];
    shares.extend(["0.4", "-0.3", "0.6", "0.2", "-0.5", "0.3"].map(|bias| arm(bias, "bias")));
    let mut near_zero = Vec::new();
    for (total, values) in [
        ("20", ["0.02", "-0.01", "0.03", "0.00"]),
        ("60", ["0.05", "-0.03", "0.01", "-0.04"]),
        ("100", ["0.07", "-0.05", "0.02", "-0.06"]),
    ] {
        near_zero.extend(values.map(|value| datum(value, &json!({ "taken": total }))));
    }
    // Groups of different size, one of them alone.
    let mut uneven = Vec::new();
    for (day, values) in
        [("one", vec!["52.41", "52.33", "52.38"]), ("two", vec!["52.22", "52.29"]), ("three", vec!["52.47"])]
    {
        uneven.extend(values.iter().map(|value| datum(value, &json!({ "group": day }))));
    }
    let own = ["52.41", "52.33", "52.38", "52.30", "52.36", "52.28"].map(|value| datum(value, &json!({})));
    let competence = json!({ "reference": "52.36", "reference_u": "0.05", "known_sd": "0.04", "known_sd_df": "17" });
    let difference = json!({ "routine_replicates": 2, "titre_ml": "20", "titre_u_ml": "0.02" });
    let ratio = json!({ "statistic": "u_ratio", "rule": "value", "lower": "0.5", "upper": "2", "unit": "1" });
    [
        case("uncertainty", "%", &json!({}), &[ratio], shares, (3, "0.7")),
        case("detection by difference", "g/L", &difference, &[most("loq_at", "2", "g/L")], near_zero, (6, "0.09")),
        case("intermediate precision", "% m/m", &json!({}), &[most("rsd_i", "0.5", "%")], uneven, (4, "52.35")),
        case("competence", "% m/m", &competence, &[most("bias_ratio", "1", "1")], own.to_vec(), (0, "52.52")),
    ]
}

/// The workbook with another value of a datum, as somebody would type it.
fn retyped(bytes: &[u8], number_of_case: usize, position: usize, value: &str) -> Vec<u8> {
    let mut book = Book::open(bytes.to_vec());
    let rows = book.rows(&format!("C{number_of_case}"));
    let heads = rows.iter().position(|row| row.iter().any(|cell| *cell == "Position")).unwrap();
    let column = rows[heads].iter().position(|cell| *cell == "Position").unwrap();
    let row = rows.iter().position(|row| number(&row[column]) == Some(position as f64)).unwrap();
    with_number(bytes, number_of_case + 1, &format!("A{}", row + 1), value)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_changed_datum_changes_every_statistic_as_the_service_would() {
    let cases: Vec<Case> = paired().into_iter().chain(in_time_and_by_design()).chain(of_scatter()).collect();
    let twice: Vec<Value> = cases.iter().chain(&cases).map(|case| case.planned.clone()).collect();
    let study = Study::run(&twice).await;
    let mut answers = Vec::new();
    for (at, case) in cases.iter().enumerate() {
        let (changed, value) = case.changed;
        let mut otherwise = case.data.clone();
        otherwise[changed]["value"] = json!(value);
        answers.push((study.record(at, &case.data).await, study.record(cases.len() + at, &otherwise).await));
    }
    let path = format!("/exports/validation-studies/{}?format=xlsx", study.id);
    let export = study.app.auditor.get(&path).await;
    assert_eq!(export.status, 200, "{}", export.text);
    has_no_stored_values(&export.bytes);
    let mut changed = export.bytes.clone();
    for (at, case) in cases.iter().enumerate() {
        changed = retyped(&changed, at + 1, case.changed.0 + 1, case.changed.1);
    }
    let mut as_recorded = Book::open(recalculated(&export.bytes).await);
    let mut as_changed = Book::open(recalculated(&changed).await);
    for (at, (answer, otherwise)) in answers.iter().enumerate() {
        let sheet = format!("C{}", at + 1);
        assert!(compare_statistics(&mut as_recorded, &sheet, answer) > 3, "{sheet}");
        compare_statistics(&mut as_changed, &sheet, otherwise);
        stand_beside(&mut as_changed, &sheet, answer);
        assert_ne!(answer["statistics"], otherwise["statistics"], "{sheet}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_study_of_many_pages_is_answered_and_exported_whole() {
    // More than two pages of a thousand, and a characteristic of few whose title looks like the place of its rows.
    let mut few = planned("repeatability", "% m/m", 3, &json!({}), &[most("rsd_r", "0.2", "%")]);
    few["title"] = json!("\"rows\":[]");
    let many = planned("intermediate precision", "% m/m", 2100, &json!({}), &[most("rsd_i", "0.2", "%")]);
    let study = Study::run(&[few, many]).await;
    let _ = study.record(0, &["52.41", "52.33", "52.38"].map(|value| datum(value, &json!({})))).await;
    let mut sent = Vec::new();
    for at in 0..2100_u32 {
        sent.push(datum(format!("52.{:02}", at * 37 % 97), &json!({ "group": format!("day {}", at % 7) })));
    }
    let mut answered = Value::Null;
    for some in sent.chunks(1000) {
        answered = study.record(1, some).await;
    }
    // What a write answers is made in one piece, what is read later in several.
    assert_eq!(study.answer(1).await, answered);
    let rows = answered["inputs"]["rows"].as_array().unwrap();
    assert_eq!((rows.len(), &answered["n"]), (2100, &json!(2100)));
    for (position, (row, datum)) in (1..).zip(rows.iter().zip(&sent)) {
        assert_eq!((&row["position"], &row["cells"][0]), (&json!(position), &datum["value"]));
    }
    let path = format!("/exports/validation-studies/{}", study.id);
    let whole = study.app.auditor.get(&path).await;
    let read = study.app.auditor.get(&format!("/validation-studies/{}/answers", study.id)).await.expect(200);
    assert_eq!(whole.json["study"], read);
    assert_eq!(read["characteristics"][1], answered);
    // A value each, and the label of those that have one.
    assert_eq!(whole.json["rows"].as_array().map(Vec::len), Some(3 + 2 * 2100));
    let csv = study.app.auditor.get(&format!("{path}?format=csv")).await;
    assert_eq!(csv.header("x-content-sha256"), whole.header("x-content-sha256"));
    let export = study.app.auditor.get(&format!("{path}?format=xlsx")).await;
    let mut book = Book::open(recalculated(&export.bytes).await);
    assert!(compare_statistics(&mut book, "C2", &answered) > 5);
    let values: Vec<f64> = book.rows("C2")[4..2104].iter().map(|row| number(&row[0]).unwrap()).collect();
    let recorded = |day: usize| sent.iter().skip(day).step_by(7).map(|datum| datum["value"].as_str().unwrap());
    let sorted: Vec<f64> = (0..7).flat_map(recorded).map(|value| value.parse().unwrap()).collect();
    assert_eq!(values, sorted);
}
