//! Calculations over HTTP and from the command line. The mathematics has its own tests; here: that it arrives whole.

use std::io::Write;
use std::process::{Command, Output, Stdio};

use ferrotitre_calc::table::SUBJECTS;
use ferrotitre_tests::{Answer, TestApp};
use reqwest::Method;
use serde_json::{Value, json};

/// Runs `ferrotitre calc` with some standard input.
fn calc(arguments: &[&str], input: &[u8]) -> Output {
    let mut child = Command::new(env!("CARGO_BIN_EXE_ferrotitre_under_test"))
        .arg("calc")
        .args(arguments)
        .env_remove("DATABASE_URL")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    // Written beside the reading of the answer, or both sides would wait for each other once the pipes are full.
    let input = input.to_vec();
    let writer = std::thread::spawn(move || {
        let _ = stdin.write_all(&input);
    });
    let output = child.wait_with_output().unwrap();
    writer.join().unwrap();
    output
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[track_caller]
fn answer(arguments: &[&str], input: &str) -> Value {
    let output = calc(arguments, input.as_bytes());
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// What stands on standard error of a refused input.
#[track_caller]
fn complaint(arguments: &[&str], input: &str) -> String {
    let output = calc(arguments, input.as_bytes());
    assert_eq!(output.status.code(), Some(2), "{} {}", text(&output.stdout), text(&output.stderr));
    assert!(output.stdout.is_empty());
    text(&output.stderr)
}

#[track_caller]
fn close(found: &Value, expected: f64, tolerance: f64) {
    let found = found.as_f64().unwrap();
    assert!((found - expected).abs() <= tolerance, "{found} is not {expected}");
}

#[test]
fn the_command_lists_all_subjects_and_describes_each() {
    let list = text(&calc(&[], b"").stdout);
    for subject in SUBJECTS {
        assert!(list.lines().any(|line| line.starts_with(&format!("{} ", subject.name))), "{}", subject.name);
    }
    let schema = answer(&["dixon", "--schema"], "");
    assert_eq!(schema["$schema"], "https://json-schema.org/draft/2020-12/schema");
    assert_eq!(schema["required"], json!(["values"]));
    assert_eq!(schema["$comment"], "CSV: one column: values; other fields by --set NAME=VALUE");
    assert!(schema["properties"]["values"]["description"].as_str().is_some_and(|text| text.contains("3 to 40")));
    let example = answer(&["dixon"], &schema["examples"][0].to_string());
    assert_eq!(example["result"]["finding"]["finding"], "outlier");
}

// Dixon's r10 for 23.14, 23.16, 23.18, 23.20, 23.58 by hand: 0.38/0.44; two-sided 5 % for n = 5: 0.7102 (tests/reference,
// 02_dixon_r10_two_sided_exact.csv).
#[test]
fn json_and_csv_give_the_same_answer() {
    let values = [23.16, 23.18, 23.20, 23.14, 23.58];
    let by_json = answer(&["dixon", "-"], &json!({ "values": values, "resolution": 0.02 }).to_string());
    close(&by_json["result"]["statistic"], 0.38 / 0.44, 1e-12);
    close(&by_json["result"]["critical_5"]["value"], 0.7102, 5e-5);
    assert_eq!(by_json["verdicts"][0]["outcome"], "not met");
    let column = "# sample S-7\ntitre\n23.16\n23.18\n23.20\n23.14\n23.58\n";
    assert_eq!(answer(&["dixon", "--set", "resolution=0.02"], column), by_json);
    let folder = std::env::temp_dir().join(format!("ferrotitre-calc-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let file = folder.join("titres.csv");
    std::fs::write(&file, column).unwrap();
    assert_eq!(answer(&["dixon", file.to_str().unwrap(), "--set", "resolution=0.02"], ""), by_json);
    std::fs::remove_dir_all(folder).unwrap();
}

// Digits beyond a double: 1000000000000.4 as text and the certified value of StRD SmLs07 show in tests/reference; here that
// the text is taken: three values 0.1 apart at 1e15 have the variance 0.01 exactly, as doubles 0.015625.
#[test]
fn decimals_as_text_keep_every_digit() {
    let groups = json!({ "groups": [["1000000000000000.1", "1000000000000000.2", "1000000000000000.3"], [1, 1.5]] });
    let result = answer(&["anova"], &groups.to_string());
    // Within the groups: 0.02 from the decimals and 0.125.
    close(&result["result"]["analysis"]["ss_within"], 0.145, 1e-15);
}

#[test]
fn a_page_shows_figures_verdicts_and_the_working() {
    let subject = SUBJECTS.iter().find(|subject| subject.name == "iron-content").unwrap();
    let page = text(&calc(&["iron-content", "--text"], subject.example.as_bytes()).stdout);
    for part in ["subject  iron-content", "n(Fe)", "reported", "stoichiometry"] {
        assert!(page.contains(part), "{part} is not in\n{page}");
    }
}

#[test]
fn bad_input_names_field_rule_and_value_and_ends_with_2() {
    let cases = [
        (
            "dixon",
            r#"{"values": [1, 2, "x"]}"#,
            "values[2]",
            "must be a decimal such as 23.10 (rule decimal, value \"x\"",
        ),
        ("dixon", r#"{"values": [1, 2]}"#, "values", "rule enough_data, value \"2\""),
        ("dixon", r#"{"value": [1, 2]}"#, "value", "rule unknown_field"),
        ("dixon", "1\n2\nmany\n", "values[2]", "value \"many\""),
        ("summary", r#"{"values": [1, 2], "confidence": 95}"#, "confidence", "value \"95\""),
        ("summary", r#"{"values": [1, 1e99]}"#, "values[1]", "rule range"),
        ("line", r#"{"x": [1, 2, 3], "y": [1, 2]}"#, "y", "rule length, value \"2\""),
        ("iron3", "1,2\n", "", "JSON only"),
        ("uncertainty", r#"{"model": "a + b", "inputs": [{"id": "a", "value": 1}]}"#, "model", "b is not an input"),
        ("no-such", "", "SUBJECT", "value \"no-such\""),
    ];
    for (subject, input, field, part) in cases {
        let found = complaint(&[subject], input);
        assert!(found.starts_with("ferrotitre: ") && found.contains(field) && found.contains(part), "{input}: {found}");
    }
    // A reading that nearly is a number is no header; what is sent comes back in part only.
    for first in ["23.1O", "\u{2212}0.05", "\u{feff}23.1O"] {
        let found = complaint(&["summary"], &format!("{first}\n23.16\n23.18\n"));
        assert!(found.contains("values[0]") && found.contains(first.trim_start_matches('\u{feff}')), "{found}");
    }
    let long = "x".repeat(5_000_000);
    for (subject, input) in [
        ("summary", format!(r#"{{"values": ["{long}"]}}"#)),
        ("summary", format!(r#"{{"{long}": 1}}"#)),
        ("summary", format!(r#"{{"values": "{long}"}}"#)),
        ("molar-mass", format!(r#"{{"formula": "{long}"}}"#)),
        ("line", format!("{long},y\n1,2\n")),
        (
            "uncertainty",
            format!(r#"{{"model": "{long}", "inputs": [{{"id": "{long}", "value": 1, "half_width": -1}}]}}"#),
        ),
    ] {
        let found = complaint(&[subject], &input);
        assert!(found.len() < 3000, "{subject}: {} bytes", found.len());
    }
    let json_with_setting = complaint(&["summary", "--set", "confidence=0.9"], r#"{"values": [1, 2]}"#);
    assert!(json_with_setting.contains("--set"), "{json_with_setting}");
}

#[test]
fn a_batch_answers_line_by_line_and_goes_on_after_a_bad_one() {
    let input = b"{\"values\": [1, 2, 3]}\n\nnonsense\n{\"values\": [4, 5, 6]}\n";
    let output = calc(&["summary", "--lines"], input);
    assert_eq!(output.status.code(), Some(2));
    let answers: Vec<Value> = text(&output.stdout).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(answers.len(), 3);
    assert_eq!(answers[0]["result"]["mean"], 2.0);
    assert_eq!(answers[1]["problem"]["code"], "unreadable");
    assert_eq!(answers[2]["result"]["mean"], 5.0);
}

// Three values 0.1 apart have the variance 0.01; as doubles, 1000000000000.1 and its neighbours give 0.0099998.
#[test]
fn a_summary_keeps_the_digits_of_decimals_and_a_mark_of_the_byte_order_is_no_digit() {
    let values = ["1000000000000.1", "1000000000000.2", "1000000000000.3"];
    let json = json!({ "values": values }).to_string();
    for input in
        [json.clone(), format!("\u{feff}{json}"), values.join("\n"), format!("\u{feff}{}", values.join("\r\n"))]
    {
        let found = answer(&["summary"], &input)["result"].clone();
        close(&found["sample_variance"], 0.01, 1e-15);
        close(&found["mean"], 1_000_000_000_000.2, 0.0);
        assert_eq!(found["n"], 3);
    }
    let lines = calc(&["summary", "--lines"], format!("\u{feff}{json}\n{json}\n").as_bytes());
    assert!(lines.status.success() && text(&lines.stdout).lines().count() == 2);
    let wide: Vec<u8> = std::iter::once(0xfeff).chain("1\n2\n".encode_utf16()).flat_map(u16::to_le_bytes).collect();
    assert!(text(&calc(&["summary"], &wide).stderr).contains("save it as UTF-8"));
}

// By hand: of 1 to n the mean is (n + 1)/2 and the variance n(n + 1)/12.
#[test]
fn a_million_values_come_through_as_csv() {
    let n = 1_000_000u32;
    let column: String = (1..=n).map(|i| format!("{i}\n")).collect();
    let result = answer(&["summary"], &column);
    assert_eq!(result["result"]["n"], n);
    assert_eq!(result["result"]["mean"], 500_000.5);
    close(&result["result"]["sample_variance"], f64::from(n) * f64::from(n + 1) / 12.0, 1e-2);
}

#[track_caller]
fn first_error(answer: &Answer) -> (String, String, String) {
    let part = |name: &str| answer.json["errors"][0][name].as_str().unwrap_or_default().to_owned();
    (part("field"), part("rule"), part("value"))
}

#[tokio::test(flavor = "multi_thread")]
async fn every_subject_is_listed_described_and_calculated_over_http() {
    let app = TestApp::start().await;
    let list = app.analyst.get("/calculations").await.expect(200);
    let names: Vec<&str> = list.as_array().unwrap().iter().filter_map(|line| line["name"].as_str()).collect();
    assert_eq!(names, SUBJECTS.iter().map(|subject| subject.name).collect::<Vec<_>>());
    let stored = app.row_counts(&["audit_events", "idempotency_keys"]).await;
    for name in names {
        let path = format!("/calculations/{name}");
        let description = app.auditor.get(&path).await.expect(200);
        for part in ["input", "result", "example"] {
            assert!(description[part].is_object(), "{name} {part}");
        }
        let answer = app.analyst.post(&path, &description["example"]).await.expect(200);
        assert_eq!(answer["subject"], name);
        // The same function serves the command line.
        let subject = SUBJECTS.iter().find(|subject| subject.name == name).unwrap();
        let place = ferrotitre_calc::subject::Place::CommandLine;
        let direct = subject.calculate(description["example"].to_string().as_bytes(), place).unwrap();
        assert_eq!(answer, serde_json::from_str::<Value>(&direct).unwrap(), "{name}");
    }
    assert_eq!(app.row_counts(&["audit_events", "idempotency_keys"]).await, stored, "calculations store nothing");
}

// 91.75: Champ and Woodall 1987 for the four zone rules (read); 0.7102 as above.
#[tokio::test(flavor = "multi_thread")]
async fn results_over_http_are_the_published_ones() {
    let app = TestApp::start().await;
    let run = app.manager.post("/calculations/run-length", &json!({ "set": "zones 1956" })).await.expect(200);
    close(&run["result"]["average"], 91.75, 5e-3);
    let critical = json!({ "n": 5, "alpha": 0.05, "sidedness": "two-sided" });
    let critical = app.auditor.post("/calculations/dixon-critical", &critical).await.expect(200);
    close(&critical["result"]["critical"]["value"], 0.7102, 5e-5);
}

#[tokio::test(flavor = "multi_thread")]
async fn bad_input_is_a_problem_with_its_field() {
    let app = TestApp::start().await;
    let post = async |subject: &str, body: Value| app.analyst.post(&format!("/calculations/{subject}"), &body).await;
    let parts = |field: &str, rule: &str, value: &str| (field.to_owned(), rule.to_owned(), value.to_owned());

    let answer = post("dixon", json!({ "values": [1, 2, "x"] })).await;
    assert_eq!((answer.status, answer.code()), (422, "invalid_input"));
    assert_eq!(first_error(&answer), parts("values[2]", "decimal", "x"));
    let answer = post("dixon", json!({ "values": [1, 2] })).await;
    assert_eq!((answer.status, answer.code()), (422, "not_enough_data"));
    assert_eq!(first_error(&answer), parts("values", "enough_data", "2"));
    post("no-such", json!({})).await.refused(404, "not_found");
    app.analyst.get("/calculations/no-such").await.refused(404, "not_found");
    let raw = |kind: &'static str, body: &'static [u8]| {
        app.analyst.send(
            Method::POST,
            "/calculations/summary",
            if kind.is_empty() { &[] } else { &[("Content-Type", "application/json")] },
            Some(body.to_vec()),
        )
    };
    raw("", b"{}").await.refused(415, "not_json");
    raw("json", b"{").await.refused(400, "unreadable");
}

#[tokio::test(flavor = "multi_thread")]
async fn one_request_cannot_occupy_the_service() {
    let app = TestApp::start().await;
    let subject = SUBJECTS.iter().find(|subject| subject.name == "monte-carlo").unwrap();
    let mut simulation = subject.example_value();
    simulation["trials"] = json!(2_000_000);
    let answer = app.analyst.post("/calculations/monte-carlo", &simulation).await;
    assert_eq!((answer.status, answer.code()), (422, "invalid_input"));
    let (field, rule, value) = first_error(&answer);
    assert_eq!((field.as_str(), rule.as_str(), value.as_str()), ("trials", "size", "2000000"));
    assert!(answer.json["errors"][0]["message"].as_str().unwrap().contains("at most 1000000"));

    let points: Vec<u32> = (0..3000).collect();
    let answer = app.analyst.post("/calculations/theil-sen", &json!({ "x": points, "y": points })).await;
    assert_eq!(first_error(&answer).1, "size");
    // 8 of 15 points counted three ways: millions of histories.
    let rules: Vec<Value> = [0.5, 1.0, 1.5].iter().map(|s| json!({ "beyond": 8, "of": 15, "sigmas": s })).collect();
    let answer = app.analyst.post("/calculations/run-length", &json!({ "rules": rules })).await;
    assert_eq!(first_error(&answer).0, "rules", "{}", answer.text);
    let huge = vec![b' '; 4 * 1024 * 1024 + 1];
    let headers = [("Content-Type", "application/json")];
    app.analyst.send(Method::POST, "/calculations/summary", &headers, Some(huge)).await.refused(413, "too_large");

    // While simulations run, other requests are answered.
    simulation["trials"] = json!(1_000_000);
    let busy: Vec<_> = (0..4)
        .map(|_| {
            let (client, body) = (app.analyst.clone(), simulation.clone());
            tokio::spawn(async move { client.post("/calculations/monte-carlo", &body).await.status })
        })
        .collect();
    for _ in 0..5 {
        assert_eq!(app.nobody.get("/health").await.status, 200);
        app.manager.get("/calculations").await.expect(200);
    }
    for task in busy {
        let status = task.await.unwrap();
        // On a slow machine the last may get no turn; it is told so.
        assert!(status == 200 || status == 503, "{status}");
    }
}

/// Numbers of an input, as paths.
fn numbers(value: &Value, path: String, found: &mut Vec<String>) {
    match value {
        Value::Number(_) => found.push(path),
        Value::Array(items) => {
            for (at, item) in items.iter().enumerate().take(1) {
                numbers(item, format!("{path}/{at}"), found);
            }
        }
        Value::Object(fields) => {
            fields.iter().for_each(|(name, field)| numbers(field, format!("{path}/{name}"), found))
        }
        _ => {}
    }
}

/// Whatever number stands in an input, the service has an answer or a refusal soon, and no figure that cannot be.
#[test]
fn no_number_keeps_the_service_busy_or_gives_a_probability_outside_0_to_1() {
    use ferrotitre_calc::subject::Place;
    use ferrotitre_core::stop::{Stop, until};
    let extremes =
        ["-0.5", "0", "1e-12", "1e-300", "0.999999999", "1000000", "1e12", "1e300", "-1e300", "999999999999"];
    for subject in SUBJECTS {
        let example = subject.example_value();
        let mut paths = Vec::new();
        numbers(&example, String::new(), &mut paths);
        for (path, extreme) in paths.iter().flat_map(|path| extremes.map(|extreme| (path, extreme))) {
            let mut input = example.clone();
            *input.pointer_mut(path).unwrap() = serde_json::from_str(extreme).unwrap();
            let stop = Stop::new();
            let (flag, done) = (stop.clone(), std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false)));
            let watched = done.clone();
            let text = input.to_string();
            let watch = std::thread::spawn(move || {
                // Unoptimised and beside other tests: a tenth of a second of the released program.
                for _ in 0..200 {
                    std::thread::sleep(std::time::Duration::from_millis(100));
                    if watched.load(std::sync::atomic::Ordering::Relaxed) {
                        return;
                    }
                }
                flag.raise();
            });
            let answer = until(&stop, || subject.calculate(text.as_bytes(), Place::Service));
            done.store(true, std::sync::atomic::Ordering::Relaxed);
            drop(watch);
            let answer =
                answer.unwrap_or_else(|_stopped| panic!("{} with {extreme} at {path} takes long", subject.name));
            let Ok(answer) = answer else { continue };
            let answer: Value = serde_json::from_str(&answer).unwrap();
            check_probabilities(&answer["result"], &format!("{} with {extreme} at {path}", subject.name));
        }
    }
}

fn check_probabilities(value: &Value, what: &str) {
    match value {
        Value::Array(items) => items.iter().for_each(|item| check_probabilities(item, what)),
        Value::Object(fields) => {
            for (name, field) in fields {
                let figure = field.as_f64();
                if matches!(name.as_str(), "probability" | "chance" | "passes" | "share_inside") {
                    assert!(figure.is_none_or(|p| (0.0..=1.0 + 1e-12).contains(&p)), "{what}: {name} {field}");
                }
                if matches!(name.as_str(), "u" | "expanded_uncertainty" | "factor" | "average_run_length") {
                    assert!(figure.is_none_or(|figure| figure >= 0.0), "{what}: {name} {field}");
                }
                check_probabilities(field, what);
            }
        }
        _ => {}
    }
}

/// Askers who leave take their calculations with them: eight long ones one after the other would take longer than a turn is
/// waited for.
#[tokio::test(flavor = "multi_thread")]
async fn a_calculation_ends_when_its_asker_leaves() {
    let app = TestApp::start().await;
    // As long as the service takes on: a million trials of a formula of some five hundred operations.
    let inputs: Vec<Value> = (0..20).map(|i| json!({ "id": format!("x{i}"), "value": 1, "u": 0.1 })).collect();
    let model = vec!["x1*x2/x3*x4"; 150].join("+");
    let simulation = json!({ "model": model, "inputs": inputs, "trials": 1_000_000 });
    let before = std::time::Instant::now();
    for _ in 0..8 {
        let asked = app.analyst.post("/calculations/monte-carlo", &simulation);
        let left = tokio::time::timeout(std::time::Duration::from_millis(300), asked).await;
        assert!(left.is_err(), "the simulation was over before its asker could leave");
    }
    let answer = app.analyst.post("/calculations/summary", &json!({ "values": [1, 2, 3] })).await;
    assert_eq!((answer.status, answer.json["result"]["mean"].as_f64()), (200, Some(2.0)));
    let taken = before.elapsed();
    assert!(taken < std::time::Duration::from_secs(12), "{taken:?}");
}
