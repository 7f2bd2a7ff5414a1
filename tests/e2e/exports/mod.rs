//! Workbooks: every formula gives what the service computed, and a changed titre changes the result as the service would.

mod certificates;
pub(crate) mod demo;
mod own;
pub(crate) mod studies;

use std::collections::BTreeMap;

use ferrotitre_tests::bench::{calibration, day, equipment, install, minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use ferrotitre_tests::spreadsheet::{Book, number, recalculated, with_number};
use serde_json::{Value, json};

use crate::control::Control;
use crate::lab::{Lab, rules};

/// A laboratory with a method that applies every correction, and the burette it is done with.
struct Corrected {
    lab: Lab,
    method: String,
    burette: String,
}

impl Corrected {
    async fn open() -> Self {
        let lab = Lab::open().await;
        let mut rules = rules();
        for (rule, value) in [
            ("correct_burette", json!(true)),
            ("correct_temperature", json!(true)),
            ("blank", json!("subtract")),
            ("sigma_r_degrees_of_freedom", json!("11.5")),
            ("coverage_probability", json!("0.95")),
            ("coverage_factor", Value::Null),
        ] {
            rules[rule] = value;
        }
        let facts = json!({
            "code": "M7", "title": "iron(II), all corrections", "principle": "titration with dichromate",
            "analyte": "iron(II)", "matrix": "hydrochloric pickling bath", "chemistry": "dichromate",
            "reduction": "none", "indicator": "diphenylamine sulfonate", "rules": rules,
        });
        let method = lab.app.manager.post("/methods", &facts).await.expect(201);
        let moves = format!("/methods/{}/moves", text(&method, "id"));
        let _ = lab.app.manager2.post(&moves, &json!({ "to": "approved" })).await.expect(201);
        let competence = json!({ "method_code": "M7", "valid_from": day(-90), "valid_to": day(300), "evidence": "blind replicates" });
        for analyst in [&lab.app.analyst, &lab.app.analyst2] {
            let path = format!("/accounts/{}/competences", analyst.id);
            let _ = lab.app.manager.post(&path, &competence).await.expect(201);
        }
        let mut certificate = calibration(None, "0.012");
        certificate["degrees_of_freedom"] = json!("23");
        certificate["corrections"] =
            [("0", "0.000"), ("10", "0.010"), ("20", "0.017"), ("30", "-0.004"), ("50", "0.021")]
                .map(|(reading, correction)| json!({ "reading": reading, "correction": correction }))
                .into_iter()
                .collect();
        let burette = install(&lab.app, &equipment("B-02", "burette", "50.00", Some("0.02")), &certificate).await;
        Self { method: text(&method, "version_id"), burette, lab }
    }

    fn titration(&self, first: &str, last: &str, celsius: &str) -> Value {
        let mut titration = self.lab.titration("accurate", last, None);
        titration["burette"] = json!(self.burette);
        titration["initial_readings"] = json!([first]);
        titration["solution_temperature"] = json!(celsius);
        titration
    }

    /// A run with two blanks and a determination with these titres; rough ones first.
    async fn determination(&self, titres: &[(&str, &str, &str)]) -> Value {
        let run = self.lab.run(&self.method).await;
        for last in ["1.06", "1.04"] {
            let blank = json!({
                "kind": "reagent with iron(II)", "titrant": self.lab.titrant, "burette": self.burette,
                "initial_readings": ["0.00"], "final_readings": [last], "solution_temperature": "22.0",
                "indicator_drops": 6, "end_point": "violet, sharp", "iron_equivalent_ml": "1.00",
                "observed_at": minutes_ago(35),
            });
            let _ = self.lab.app.analyst.post(&format!("/runs/{run}/blanks"), &blank).await.expect(201);
        }
        let determination = self.lab.begin(&run).await;
        let mut rough = self.titration("0.00", "24.10", "24.0");
        rough["kind"] = json!("rough");
        self.lab.titrate(&determination, &rough).await;
        let mut answer = Value::Null;
        for (first, last, celsius) in titres {
            answer = self.lab.titrate(&determination, &self.titration(first, last, celsius)).await;
        }
        assert_eq!(answer["evaluation"]["progress"]["complete"], true, "{}", answer["evaluation"]["progress"]);
        answer
    }
}

const TITRES: [(&str, &str, &str); 3] =
    [("0.00", "23.18", "24.0"), ("0.02", "23.18", "24.5"), ("1.00", "24.20", "25.0")];

/// Symbols and values of a working as the API shows it, what is needed first comes first.
fn steps(step: &Value, found: &mut Vec<(String, f64)>) {
    for input in step["inputs"].as_array().into_iter().flatten() {
        steps(input, found);
    }
    found.push((text(step, "symbol"), step["value"].as_f64().unwrap()));
}

#[track_caller]
fn same(found: f64, expected: f64, what: &str) {
    // 1e-12 of the value; differences of readings near zero are as exact as the readings, some 1e-15 mL.
    let allowed = 1e-12 * expected.abs() + 2e-15;
    assert!((found - expected).abs() <= allowed, "{what}: the spreadsheet has {found}, the service {expected}");
}

/// Cells of a sheet whose first row is its heading, by the text in one column.
fn by(rows: &[Vec<calamine::Data>], key: usize, value: usize) -> BTreeMap<String, calamine::Data> {
    rows.iter().skip(1).filter_map(|row| Some((row.get(key)?.to_string(), row.get(value)?.clone()))).collect()
}

/// Compares every formula of a computed workbook with the service's evaluation; returns how many there were.
fn compare(book: &mut Book, evaluation: &Value, figure: (f64, f64)) -> usize {
    let evaluated = book.rows("As evaluated");
    let (values, sensitivities) = (by(&evaluated, 0, 3), by(&evaluated, 0, 4));
    let mut compared = 0;
    // Values and sensitivities cell by cell against the numbers the service wrote beside them.
    for sheet in ["Readings", "Inputs", "Working"] {
        let rows = book.rows(sheet);
        for (row, column, formula) in book.formulas(sheet) {
            let found =
                number(&rows[row][column]).unwrap_or_else(|| panic!("{sheet} {formula}: {:?}", rows[row][column]));
            let cell = format!("{sheet}!C{}", row + 1);
            let expected = if column == 2 { &values } else { &sensitivities };
            same(found, number(&expected[&cell]).unwrap(), &format!("{cell} {formula}"));
            compared += 1;
        }
    }
    // The same numbers against the working of the API.
    let mut working = Vec::new();
    steps(&evaluation["working"], &mut working);
    let rows: Vec<Vec<calamine::Data>> =
        ["Readings", "Inputs", "Working"].iter().flat_map(|sheet| book.rows(sheet).split_off(1)).collect();
    for (symbol, expected) in &working {
        let close = |row: &&Vec<calamine::Data>| {
            row[0].to_string() == *symbol
                && number(&row[2]).is_some_and(|found| (found - expected).abs() <= 1e-12 * expected.abs() + 2e-15)
        };
        assert!(rows.iter().any(|row| close(&row)), "{symbol} = {expected} is not in the workbook");
    }
    compared + compare_budget(book, evaluation, figure)
}

fn compare_budget(book: &mut Book, evaluation: &Value, (result, u): (f64, f64)) -> usize {
    let rows = book.rows("Budget");
    let budget = evaluation["budget"].as_array().unwrap();
    for (row, line) in rows[1..].iter().zip(budget) {
        assert_eq!(row[0].to_string(), text(line, "label"));
        for (column, field) in [(1, "value"), (3, "u"), (5, "sensitivity"), (6, "contribution"), (7, "share")] {
            let expected = line[field].as_f64().unwrap();
            same(number(&row[column]).unwrap(), expected, &format!("{} {field}", row[0]));
        }
    }
    let figures = by(&rows, 0, 6);
    let reported = &evaluation["reported"];
    let k = reported["coverage_factor"].as_f64().unwrap();
    same(number(&figures["result"]).unwrap(), result, "result");
    same(number(&figures["combined standard uncertainty"]).unwrap(), u, "u");
    same(number(&figures["coverage factor"]).unwrap(), k, "k");
    same(number(&figures["expanded uncertainty"]).unwrap(), k * u, "U");
    if let Some(dof) = reported["degrees_of_freedom"].as_f64() {
        same(number(&figures["effective degrees of freedom"]).unwrap(), dof, "degrees of freedom");
    }
    book.formulas("Budget").len()
}

fn figure(evaluation: &Value) -> (f64, f64) {
    let unit = &evaluation["reported"]["unit"];
    let figures = evaluation["figures"].as_array().unwrap();
    let found = figures.iter().find(|figure| figure["unit"] == *unit && figure["expressed"] == "Fe").unwrap();
    (found["value"].as_f64().unwrap(), found["u"].as_f64().unwrap())
}

/// No formula has a stored value: what is read after LibreOffice was there was computed by it.
fn has_no_stored_values(bytes: &[u8]) {
    let mut book = Book::open(bytes.to_vec());
    for sheet in book.sheets() {
        let rows = book.rows(&sheet);
        for (row, column, formula) in book.formulas(&sheet) {
            let stored = rows.get(row).and_then(|row| row.get(column)).map(ToString::to_string).unwrap_or_default();
            assert_eq!(stored, "", "{sheet} {formula}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn every_formula_of_a_workbook_gives_what_the_service_computed() {
    let bench = Corrected::open().await;
    let answer = bench.determination(&TITRES).await;
    let path = format!("/determinations/{}/workbook.xlsx", text(&answer, "id"));
    let export = bench.lab.app.auditor.get(&path).await;
    assert_eq!(export.status, 200, "{}", export.text);
    assert_eq!(export.header("content-type"), "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet");
    has_no_stored_values(&export.bytes);
    let mut book = Book::open(recalculated(&export.bytes).await);
    let compared = compare(&mut book, &answer["evaluation"], figure(&answer["evaluation"]));
    // Three titres and two blanks with difference, correction and temperature, dilution, budget of eleven inputs.
    assert!(compared > 100, "{compared}");
    let budget = book.rows("Budget");
    assert!(budget.iter().flatten().any(|cell| *cell == "still holds"), "{budget:?}");
    let titrations = book.rows("Titrations");
    let fates: Vec<String> = titrations[1..].iter().map(|row| row[4].to_string()).collect();
    assert_eq!(fates, ["rough", "used", "used", "used"]);
    let about = book.rows("About").iter().flatten().map(ToString::to_string).collect::<Vec<_>>().join(" ");
    assert!(about.contains("ferrotitre formulae 3") && about.contains("root"), "{about}");
    // The same record gives the same content; the export itself is on record.
    let again = bench.lab.app.manager.get(&path).await;
    assert_eq!(again.header("x-content-sha256"), export.header("x-content-sha256"));
    assert_eq!(export.header("x-content-sha256").len(), 64);
    assert_eq!(bench.lab.app.row_counts(&["exports"]).await, [2]);
    bench.lab.app.administrator.get(&path).await.refused(403, "forbidden");
    demo::rows_are_those_of_each_determination(&bench.lab.app.auditor, 1).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_titre_changed_in_the_workbook_changes_the_result_as_the_service_would() {
    let bench = Corrected::open().await;
    let first = bench.determination(&TITRES).await;
    let export = bench.lab.app.auditor.get(&format!("/determinations/{}/workbook.xlsx", text(&first, "id"))).await;
    let mut book = Book::open(export.bytes.clone());
    // The final reading of the first titre: 23.18 becomes 23.14, in another determination as in the file.
    let at = book.rows("Readings").iter().position(|row| row[0] == "R_f(V2)").unwrap();
    let changed = with_number(&export.bytes, 2, &format!("C{}", at + 1), "23.14");
    let mut book = Book::open(recalculated(&changed).await);
    let mut titres = TITRES;
    titres[0].1 = "23.14";
    let second = bench.determination(&titres).await;
    let (value, u) = figure(&second["evaluation"]);
    let before = figure(&first["evaluation"]).0;
    assert!((value / before - 1.0).abs() > 1e-4, "the change is to be seen: {before} became {value}");
    compare_budget_of_changed(&mut book, &second["evaluation"], (value, u));
}

/// The same, but for the identities in the labels, which belong to the first determination.
fn compare_budget_of_changed(book: &mut Book, evaluation: &Value, figure: (f64, f64)) {
    let compared = compare_budget(book, evaluation, figure);
    assert!(compared > 50, "{compared}");
}

#[tokio::test(flavor = "multi_thread")]
async fn iron_three_by_difference_is_computed_in_the_workbook_too() {
    let lab = Lab::open().await;
    let iron2 = lab.iron2_done(["21.46", "21.46"]).await;
    let run = lab.run(&lab.total).await;
    let total = lab.begin(&run).await;
    for last in ["23.16", "23.18", "23.18"] {
        lab.titrate(&total, &lab.titration("accurate", last, Some("slight white"))).await;
    }
    lab.close(&run).await;
    for part in [&iron2, &total] {
        lab.through(&format!("/determinations/{part}")).await;
    }
    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": minutes_ago(5) });
    let result = lab.app.analyst.post("/iron-results", &new).await.expect(201);
    let result = lab.through(&format!("/iron-results/{}", text(&result, "id"))).await;
    let export = lab.app.analyst.get(&format!("/iron-results/{}/workbook.xlsx", text(&result, "id"))).await;
    assert_eq!(export.status, 200, "{}", export.text);
    let mut book = Book::open(recalculated(&export.bytes).await);
    let evaluation = &result["evaluation"];
    let derived = (evaluation["value"].as_f64().unwrap(), evaluation["u"].as_f64().unwrap());
    assert!(compare(&mut book, evaluation, derived) > 80);
    // What was approved stands beside it, with who signed and what it means.
    let signed = book.rows("As signed").iter().flatten().map(ToString::to_string).collect::<Vec<_>>().join(" ");
    for word in ["approved", "valid", "authored", "reviewed", &text(&evaluation["reported"], "text")] {
        assert!(signed.contains(word), "{word}: {signed}");
    }
    demo::rows_are_those_of_each_determination(&lab.app.auditor, 2).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_table_of_determinations_counts_what_was_made_and_has_one_digest_in_every_format() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.total).await;
    let determination = lab.begin(&run).await;
    let titrate = async |kind: &str, last: &str, seen: &str| {
        lab.titrate(&determination, &lab.titration(kind, last, Some(seen))).await
    };
    titrate("rough", "24.10", "slight white").await;
    titrate("accurate", "23.50", "grey").await;
    titrate("accurate", "23.16", "slight white").await;
    let mut formula = lab.titration("accurate", "23.18", Some("slight white"));
    formula["end_point"] = json!("=HYPERLINK(\"http://x\")");
    let answer = lab.titrate(&determination, &formula).await;
    let empty = lab.begin(&run).await;
    let titration = answer["titrations"].as_array().unwrap().last().unwrap();
    let correction = json!({ "reason": "a digit was read wrongly", "facts": formula });
    let path = format!("/titrations/{}/corrections", text(titration, "id"));
    let _ = lab.app.analyst.post_if_match(&path, &text(titration, "version_id"), &correction).await.expect(201);
    let path = format!("/exports/determinations?run={run}");
    let exported = async |format: &str| lab.app.auditor.get(&format!("{path}&format={format}")).await;
    let export = exported("json").await;
    assert_eq!(export.status, 200, "{}", export.text);
    let counts = &export.json["counts"];
    for (name, expected) in [
        ("determinations", 2),
        ("titrations_made", 4),
        ("used", 2),
        ("rough", 1),
        ("discarded_reductions", 1),
        ("corrections", 1),
        ("rejected", 0),
        ("without_result", 1),
    ] {
        assert_eq!(counts[name], expected, "{name}: {counts}");
    }
    assert_eq!(export.header("x-completeness"), counts.to_string());
    let rows = export.json["rows"].as_array().unwrap();
    // Every version of every titration, and a row for the determination that has none.
    assert_eq!(rows.len(), 6);
    assert_eq!(rows.iter().filter(|row| row["determination"] == empty && row["titration"].is_null()).count(), 1);
    let read = lab.app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    let (value, u) = figure(&read["evaluation"]);
    let own: Vec<&Value> = rows.iter().filter(|row| row["determination"] == determination).collect();
    assert!(own.iter().all(|row| row["result"] == value && row["u"] == u), "the figures are the service's own");
    assert_eq!(export.json["about"]["query"], format!("run {run}"));
    // One content, one digest; the digest is that of the rows and counts, line by line.
    let digest = export.header("x-content-sha256").to_owned();
    assert_eq!(export.json["digest"], digest);
    let lines: Vec<&str> = export.text.lines().filter(|line| line.starts_with("{\"determination\"")).collect();
    let content: String = lines.iter().map(|line| format!("{}\n", line.trim_end_matches(','))).collect();
    assert_eq!(hex::encode(sha256(&format!("{content}counts {counts}\n"))), digest);
    let csv = exported("csv").await;
    assert_eq!(csv.header("x-content-sha256"), digest);
    assert!(csv.text.contains("\"'=HYPERLINK(\"\"http://x\"\")\""), "{}", csv.text);
    assert_eq!(csv.text.lines().count(), 7);
    let workbook = exported("xlsx").await;
    assert_eq!(workbook.header("x-content-sha256"), digest);
    let mut book = Book::open(workbook.bytes);
    assert_eq!(book.sheets(), ["Rows", "counts", "about"]);
    assert!(book.formulas("Rows").is_empty(), "text is never a formula");
    let cells = book.rows("Rows");
    assert_eq!(cells.len(), 7);
    assert!(cells[1..].iter().any(|row| number(&row[9]) == Some(value)));
    let listed = lab.app.manager.get("/exports").await.expect(200);
    assert_eq!(listed.as_array().unwrap().len(), 3);
    assert!(listed.as_array().unwrap().iter().all(|export| export["digest"] == digest && export["records"] == 6));
    let problem = exported("pdf").await;
    assert_eq!(problem.status, 422, "{}", problem.text);
    lab.app.administrator.get(&path).await.refused(403, "forbidden");
    demo::rows_are_those_of_each_determination(&lab.app.auditor, 2).await;
    many(&lab, &determination, &path).await;
}

/// More determinations than are read at once, copied as rows: each is there once, newest first, with the same result.
async fn many(lab: &Lab, model: &str, path: &str) {
    let copies = 620;
    let sql = format!(
        "BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"record_determination\"}}', true); \
         INSERT INTO determinations (id, code, run_id, method_id, sample_id, portion_id, purpose, observed_at, recorded_by) \
         SELECT gen_random_uuid(), 'copy-' || i, run_id, method_id, sample_id, portion_id, purpose, observed_at, recorded_by \
         FROM determinations, generate_series(1, {copies}) i WHERE id = '{model}'; \
         INSERT INTO titrations SELECT (jsonb_populate_record(t, jsonb_build_object('id', u, 'record_id', u, \
         'determination_id', d.id, 'supersedes', NULL, 'reason', NULL, 'version', 1, 'recorded_at', clock_timestamp()))).* \
         FROM determinations d, titrations t, LATERAL (SELECT gen_random_uuid() AS u WHERE d.id = d.id AND t.id = t.id) fresh \
         WHERE d.code LIKE 'copy-%' AND t.determination_id = '{model}' AND t.version = 1; COMMIT"
    );
    lab.app.sql(DatabaseRole::Service).await.batch_execute(&sql).await.unwrap();
    let read = lab.app.auditor.get(&format!("/determinations/{model}")).await.expect(200);
    let (value, _) = figure(&read["evaluation"]);
    let export = lab.app.auditor.get(path).await.expect(200);
    let rows = export["rows"].as_array().unwrap();
    let of_one: Vec<&[Value]> = rows.chunk_by(|a, b| a["determination"] == b["determination"]).collect();
    assert_eq!(of_one.len(), copies + 2);
    assert_eq!(export["counts"]["determinations"], copies + 2);
    let ids: Vec<String> = of_one.iter().map(|own| text(&own[0], "determination")).collect();
    assert!(ids.windows(2).all(|pair| pair[0] > pair[1]), "newest first, each once");
    for own in of_one.iter().filter(|own| text(&own[0], "code").starts_with("copy-")) {
        assert_eq!(own.len(), 4);
        assert!(own.iter().all(|row| row["result"] == value), "{own:?}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_control_chart_is_exported_with_its_phases_and_statistics() {
    let control = Control::open().await;
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 20.0).await;
    for (value, days) in [("118.2", 10.0), ("117.6", 9.0), ("-0.4", 8.0)] {
        control.import(&chart, value, days).await;
    }
    let path = format!("/exports/control-charts/{chart}");
    let export = control.app().auditor.get(&path).await;
    assert_eq!(export.status, 200, "{}", export.text);
    let rows = export.json["rows"].as_array().unwrap();
    let values: Vec<f64> = rows.iter().map(|row| row["value"].as_f64().unwrap()).collect();
    assert_eq!(values, [-0.4, 117.6, 118.2], "newest first, a negative value is a number");
    let verdicts: Vec<String> = rows.iter().map(|row| text(row, "verdict")).collect();
    assert_eq!(verdicts, ["out of control", "in control", "in control"]);
    let read = control.app().auditor.get(&format!("/control-charts/{chart}")).await.expect(200);
    assert_eq!(export.json["chart"], read);
    let csv = control.app().analyst.get(&format!("{path}?format=csv")).await;
    assert_eq!(csv.header("x-content-sha256"), export.header("x-content-sha256"));
    assert!(csv.text.contains(",-0.4,"), "{}", csv.text);
}

fn sha256(text: &str) -> Vec<u8> {
    // The tests' own tool, so that the service's digest is not compared with itself.
    let mut child = std::process::Command::new("sha256sum")
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    std::io::Write::write_all(&mut child.stdin.take().unwrap(), text.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    hex::decode(String::from_utf8(output.stdout).unwrap().split_whitespace().next().unwrap()).unwrap()
}
