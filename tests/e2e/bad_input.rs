//! Whatever is sent, the answer is a clear problem, never a failure of ours, and nothing is stored.

use ferrotitre_tests::bench::{self, bench, text};
use ferrotitre_tests::{Answer, TestApp};
use reqwest::Method;
use serde_json::{Value, json};
use uuid::Uuid;

const TABLES: [&str; 12] = [
    "accounts",
    "equipment",
    "equipment_calibrations",
    "equipment_checks",
    "primary_standards",
    "reagents",
    "samples",
    "test_portions",
    "titrants",
    "methods",
    "idempotency_keys",
    "audit_events",
];

/// Checks everything a problem document must have.
#[track_caller]
fn assert_problem(what: &str, answer: &Answer) {
    assert!((400..500).contains(&answer.status), "{what}: {} {}", answer.status, answer.text);
    assert_eq!(answer.header("content-type"), "application/problem+json", "{what}");
    let problem = &answer.json;
    assert_eq!(problem["status"], json!(answer.status), "{what}: {problem}");
    assert_eq!(problem["instance"], json!(answer.header("x-request-id")), "{what}: {problem}");
    assert_eq!(problem["type"], json!(format!("/problems/{}", answer.code())), "{what}: {problem}");
    for field in ["title", "detail", "code"] {
        assert!(problem[field].as_str().is_some_and(|text| !text.is_empty()), "{what} lacks {field}: {problem}");
    }
    if answer.code() == "invalid_input" {
        let errors = problem["errors"].as_array().unwrap();
        assert!(!errors.is_empty(), "{what}: {problem}");
        for error in errors {
            for field in ["field", "rule", "message"] {
                assert!(error[field].as_str().is_some_and(|text| !text.is_empty()), "{what} lacks {field}: {problem}");
            }
            assert!(error["value"].is_string(), "{what}: {problem}");
        }
    }
}

/// Field, rule and value of the first error.
fn first_error(answer: &Answer) -> (String, String, String) {
    let part = |name: &str| answer.json["errors"][0][name].as_str().unwrap_or_default().to_owned();
    (part("field"), part("rule"), part("value"))
}

/// Every operation that takes a body, with one good body each.
fn posts(equipment: &str, sample: &str) -> Vec<(String, Value)> {
    let titrant = json!({
        "code": "D-1", "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "direct preparation", "factor_low": "0.990", "factor_high": "1.010", "storage": "dark, 20 C",
        "container": "amber glass, 1 L", "expires_at": bench::days_ahead(30), "observed_at": bench::minutes_ago(60),
    });
    let check = json!({ "outcome": "passed", "reading": "100.0001", "observed_at": bench::minutes_ago(1) });
    let portion = json!({ "pipette": equipment, "observed_at": bench::minutes_ago(1) });
    vec![
        ("/equipment".to_owned(), bench::equipment("B-99", "burette", "50.00", Some("0.02"))),
        (format!("/equipment/{equipment}/checks"), check),
        ("/primary-standards".to_owned(), bench::dichromate_standard("PS-1")),
        ("/reagents".to_owned(), bench::reagent("R-1")),
        ("/samples".to_owned(), bench::sample("S-99")),
        (format!("/samples/{sample}/portions"), portion),
        ("/titrants".to_owned(), titrant),
    ]
}

async fn raw(app: &TestApp, path: &str, kind: &str, body: &[u8]) -> Answer {
    app.manager.send(Method::POST, path, &[("Content-Type", kind)], Some(body.to_vec())).await
}

#[tokio::test(flavor = "multi_thread")]
async fn bodies_that_cannot_be_read_are_told_apart() {
    let app = TestApp::start().await;
    let things = bench(&app).await;
    let sample = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let posts = posts(&things.pipette_10, sample["id"].as_str().unwrap());
    let before = app.row_counts(&TABLES).await;
    let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
    for (path, good) in &posts {
        let good = good.to_string();
        let cases: [(&str, &str, Vec<u8>, u16, &str); 11] = [
            ("not JSON", "application/json", b"iron, 23.18".to_vec(), 400, "unreadable"),
            ("empty", "application/json", Vec::new(), 400, "unreadable"),
            ("cut off", "application/json", good.as_bytes()[..good.len() - 1].to_vec(), 400, "unreadable"),
            ("two values", "application/json", format!("{good} {good}").into_bytes(), 400, "unreadable"),
            ("invalid UTF-8", "application/json", b"\"\xff\xfe\"".to_vec(), 400, "unreadable"),
            ("nested deeply", "application/json", deep.clone().into_bytes(), 0, ""),
            ("10 MB", "application/json", vec![b' '; 10_000_000], 413, "too_large"),
            ("text", "text/plain", good.clone().into_bytes(), 415, "not_json"),
            ("form", "application/x-www-form-urlencoded", b"code=B-99".to_vec(), 415, "not_json"),
            ("a list", "application/json", b"[]".to_vec(), 422, "invalid_input"),
            ("null", "application/json", b"null".to_vec(), 422, "invalid_input"),
        ];
        for (what, kind, body, status, code) in cases {
            let answer = raw(&app, path, kind, &body).await;
            let what = format!("{what} at {path}");
            assert_problem(&what, &answer);
            if status != 0 {
                assert_eq!((answer.status, answer.code()), (status, code), "{what}: {}", answer.text);
            }
        }
    }
    assert_eq!(app.row_counts(&TABLES).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn unknown_missing_and_mistyped_fields_are_named() {
    let app = TestApp::start().await;
    let things = bench(&app).await;
    let sample = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let posts = posts(&things.pipette_10, sample["id"].as_str().unwrap());
    let before = app.row_counts(&TABLES).await;
    for (path, good) in &posts {
        let mut extra = good.clone();
        extra["colour_of_the_sky"] = json!("grey");
        let answer = app.manager.post(path, &extra).await;
        assert_problem(path, &answer);
        let (field, rule, _) = first_error(&answer);
        assert_eq!((field.as_str(), rule.as_str()), ("colour_of_the_sky", "unknown_field"), "{}", answer.text);
        for (field, value) in good.as_object().unwrap().iter().filter(|(_, value)| !value.is_null()) {
            let optional = matches!(field.as_str(), "reading" | "resolution" | "pipette" | "opened_on");
            let mut without = good.clone();
            without.as_object_mut().unwrap().remove(field);
            if !optional {
                let answer = app.manager.post(path, &without).await;
                assert_problem(path, &answer);
                let (named, rule, _) = first_error(&answer);
                assert_eq!((named.as_str(), rule.as_str()), (field.as_str(), "required"), "{}", answer.text);
            }
            for wrong in [json!(5), json!({}), json!([1]), json!(true)] {
                let mut mistyped = good.clone();
                mistyped[field] = wrong.clone();
                let answer = app.manager.post(path, &mistyped).await;
                assert_problem(&format!("{field} = {wrong} at {path}"), &answer);
                assert_eq!(first_error(&answer).0, *field, "{field} = {wrong} ({value}): {}", answer.text);
            }
        }
    }
    assert_eq!(app.row_counts(&TABLES).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_a_plain_decimal_is_refused_by_its_own_rule() {
    let app = TestApp::start().await;
    let before = app.row_counts(&TABLES).await;
    let fields = [
        ("/equipment", bench::equipment("B-99", "burette", "50.00", Some("0.02")), "resolution"),
        ("/equipment", bench::equipment("B-99", "burette", "50.00", Some("0.02")), "range_high"),
        ("/primary-standards", bench::dichromate_standard("PS-1"), "mass_fraction"),
    ];
    let long = "9".repeat(5000);
    let values: [(&str, &str); 16] = [
        ("", "required"),
        ("NaN", "decimal"),
        ("Infinity", "decimal"),
        ("1e308", "decimal"),
        ("1E-5", "decimal"),
        ("0x10", "decimal"),
        ("+1", "decimal"),
        ("1_000", "decimal"),
        (" 1", "decimal"),
        (".5", "decimal"),
        ("5.", "decimal"),
        ("\u{0661}\u{0662}", "decimal"),
        ("1,5", "decimal_point"),
        ("1.2.3", "one_separator"),
        ("1.234,5", "one_separator"),
        (&long, "digits"),
    ];
    for (path, good, field) in &fields {
        for (value, rule) in values {
            let mut bad = good.clone();
            bad[*field] = json!(value);
            let answer = app.manager.post(path, &bad).await;
            assert_problem(value, &answer);
            let (named, broken, shown) = first_error(&answer);
            assert_eq!((named.as_str(), broken.as_str()), (*field, rule), "{value:?}: {}", answer.text);
            assert!(value.starts_with(&shown), "{value:?} is shown as {shown:?}");
            assert!(answer.text.len() < 2000, "the answer must not repeat an endless value");
        }
        let mut number = good.clone();
        number[*field] = json!(0.02);
        let answer = app.manager.post(path, &number).await;
        assert_problem("a number", &answer);
        assert_eq!(first_error(&answer), ((*field).to_owned(), "type".to_owned(), "0.02".to_owned()));
    }
    assert_eq!(app.row_counts(&TABLES).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn times_days_units_and_texts_out_of_range_are_refused() {
    let app = TestApp::start().await;
    let things = bench(&app).await;
    let sample = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let posts = posts(&things.pipette_10, sample["id"].as_str().unwrap());
    let body_of = |path: &str| posts.iter().find(|(known, _)| known == path).unwrap().1.clone();
    let checks = format!("/equipment/{}/checks", things.pipette_10);
    let before = app.row_counts(&TABLES).await;
    let huge = "x".repeat(2001);
    let cases: Vec<(&str, &str, Value)> = vec![
        (&checks, "observed_at", json!(bench::days_ahead(1))),
        (&checks, "observed_at", json!("yesterday")),
        (&checks, "observed_at", json!("2026-02-30T10:00:00Z")),
        (&checks, "observed_at", json!("2026-01-01 10:00")),
        (&checks, "observed_at", json!("-262000-01-01T00:00:00Z")),
        (&checks, "observed_at", json!("-9000-01-01T00:00:00Z")),
        (&checks, "outcome", json!("perhaps")),
        ("/samples", "received_at", json!(bench::days_ahead(1))),
        ("/samples", "received_at", json!("-262000-01-01T00:00:00Z")),
        ("/samples", "sampled_at", json!(bench::minutes_ago(1))),
        ("/samples", "sampled_at", json!("-262000-01-01T00:00:00Z")),
        ("/samples", "iron2_deadline", json!("+262000-01-01T00:00:00Z")),
        ("/samples", "retained_until", json!("2026-13-01")),
        ("/samples", "retained_until", json!("-200000-01-01")),
        ("/samples", "retained_until", json!("+262000-01-01")),
        ("/samples", "condition", json!(huge)),
        ("/samples", "condition", json!("   ")),
        ("/samples", "condition", json!("nothing\u{0}behind")),
        ("/samples", "code", json!("S 99")),
        ("/samples", "code", json!("S-\u{0}")),
        ("/samples", "code", json!("'; DROP TABLE samples; --")),
        ("/samples", "code", json!("x".repeat(65))),
        ("/reagents", "expires_on", json!(bench::day(-2))),
        ("/reagents", "supplier_lot", json!("a\u{0}b")),
        ("/equipment", "unit", json!("L")),
        ("/equipment", "kind", json!("bucket")),
        ("/equipment", "range_high", json!("0.00")),
        ("/equipment", "resolution", json!("0")),
        ("/equipment", "resolution", json!("-0.02")),
        ("/equipment", "location", json!("shelf\u{0}")),
        ("/primary-standards", "mass_fraction", json!("99.98")),
        ("/primary-standards", "mass_fraction", json!("-0.9998")),
        ("/primary-standards", "coverage_factor", json!("0")),
        ("/primary-standards", "certificate_digest", json!("abc")),
        ("/titrants", "concentration_unit", json!("g/L")),
        ("/titrants", "species", json!("iodine")),
        ("/titrants", "nominal_concentration", json!("0")),
        ("/titrants", "expires_at", json!(bench::minutes_ago(120))),
    ];
    for (path, field, value) in cases {
        let mut bad = body_of(path);
        bad[field] = value.clone();
        let shown: String = value.to_string().chars().take(60).collect();
        let answer = app.manager.post(path, &bad).await;
        assert_problem(&format!("{field} = {shown} at {path}"), &answer);
        assert_eq!((answer.status, answer.code()), (422, "invalid_input"), "{field} = {shown}: {}", answer.text);
        assert_eq!(first_error(&answer).0, field, "{}", answer.text);
        assert!(answer.text.len() < 2000, "{field}: the answer must not repeat an endless value");
    }
    assert_eq!(app.row_counts(&TABLES).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn unknown_things_and_taken_codes_are_refused() {
    let app = TestApp::start().await;
    let things = bench(&app).await;
    let sample = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let _ = app.analyst.post("/reagents", &bench::reagent("R-1")).await.expect(201);
    let before = app.row_counts(&TABLES).await;
    let id = Uuid::now_v7();
    let portion = |pipette: &str| json!({ "pipette": pipette, "observed_at": bench::minutes_ago(1) });
    let check = json!({ "outcome": "passed", "observed_at": bench::minutes_ago(1) });
    let of_sample = format!("/samples/{}/portions", sample["id"].as_str().unwrap());
    let cases = [
        (app.analyst.post("/samples", &bench::sample("S-1")).await, 409, "already_exists"),
        (app.analyst.post("/reagents", &bench::reagent("R-1")).await, 409, "already_exists"),
        (app.analyst.post(&format!("/equipment/{id}/checks"), &check).await, 404, "not_found"),
        (app.analyst.post(&format!("/samples/{id}/portions"), &portion(&things.pipette_10)).await, 404, "not_found"),
        (app.analyst.post(&of_sample, &portion(&id.to_string())).await, 422, "unknown_reference"),
        (app.analyst.post(&of_sample, &portion(&things.burette)).await, 422, "invalid_input"),
        (app.analyst.post(&of_sample, &portion("not an id")).await, 422, "invalid_input"),
        (app.analyst.get(&format!("/samples/{id}")).await, 404, "not_found"),
        (app.analyst.get("/samples/not-an-id").await, 404, "not_found"),
        (app.analyst.get("/samples/%00").await, 404, "not_found"),
        (app.analyst.get("/no/such/path").await, 404, "not_found"),
        (app.nobody.get("/api/v2/samples").await, 404, "not_found"),
        (app.analyst.send(Method::PUT, "/samples", &[], None).await, 405, "method_not_allowed"),
        (app.analyst.delete(&format!("/samples/{id}")).await, 405, "method_not_allowed"),
        (app.nobody.sign_in("analyst\u{0}", "whatever it may be").await, 422, "invalid_input"),
    ];
    for (index, (answer, status, code)) in cases.iter().enumerate() {
        assert_problem(&format!("case {index}"), answer);
        assert_eq!((answer.status, answer.code()), (*status, *code), "case {index}: {}", answer.text);
    }
    assert_eq!(app.analyst.delete("/samples").await.header("allow"), "GET, HEAD, POST");
    assert_eq!(app.row_counts(&TABLES).await, before);
}

#[tokio::test(flavor = "multi_thread")]
async fn query_parameters_that_make_no_sense_are_refused() {
    let app = TestApp::start().await;
    let _ = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    for query in [
        "limit=0",
        "limit=201",
        "limit=-1",
        "limit=many",
        "limit=99999999999999999999",
        "after=last",
        "from=yesterday",
        "until=2026-02-30T00:00:00Z",
        "from=-262000-01-01T00:00:00Z",
        "until=%2B262000-01-01T00:00:00Z",
        "colour=grey",
        "limit=1&limit=2",
    ] {
        for list in ["/samples", "/equipment", "/titrants", "/audit-events", "/determinations"] {
            let answer = app.manager.get(&format!("{list}?{query}")).await;
            assert_problem(&format!("{list}?{query}"), &answer);
            assert_eq!((answer.status, answer.code()), (422, "invalid_input"), "{list}?{query}: {}", answer.text);
        }
    }
    // The widest window the text form allows is a window like any other.
    let wide = "from=0001-01-01T00:00:00Z&until=9999-12-31T23:59:59Z&limit=1";
    assert_eq!(app.manager.get(&format!("/samples?{wide}")).await.expect(200)["items"].as_array().unwrap().len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_correction_names_its_version_and_its_reason() {
    let app = TestApp::start().await;
    let sample = app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201);
    let path = format!("/samples/{}/corrections", sample["id"].as_str().unwrap());
    let version = sample["version_id"].as_str().unwrap();
    let correction = json!({ "reason": "looked again in better light", "facts": bench::sample("S-1") });
    app.analyst.post(&path, &correction).await.refused(428, "version_required");
    let stale = app.analyst.post_if_match(&path, &Uuid::now_v7().to_string(), &correction).await;
    let stale = stale.refused(412, "stale_version");
    assert_eq!(stale["facts"]["present"], json!(version));
    for reason in ["", "oops", "     ", "a b c d"] {
        let unreasoned = json!({ "reason": reason, "facts": bench::sample("S-1") });
        app.analyst.post_if_match(&path, version, &unreasoned).await.refused(422, "invalid_input");
    }
    let tasks: Vec<_> = (0..10)
        .map(|_| {
            let (client, path, version, body) =
                (app.analyst.clone(), path.clone(), version.to_owned(), correction.clone());
            tokio::spawn(async move { client.post_if_match(&path, &version, &body).await })
        })
        .collect();
    let mut statuses = Vec::new();
    for task in tasks {
        statuses.push(task.await.unwrap().status);
    }
    statuses.sort_unstable();
    assert_eq!(statuses[0], 201, "{statuses:?}");
    assert!(statuses[1..].iter().all(|status| *status == 412), "of ten at once one is stored: {statuses:?}");
}

/// 0.02 where 0.02 % was meant, 5 mL where 0.005 mL was: worthless, and quietly so.
#[tokio::test(flavor = "multi_thread")]
async fn an_uncertainty_that_nobody_would_certify_is_refused() {
    let app = TestApp::start().await;
    let bench = bench(&app).await;
    let mut standard = bench::dichromate_standard("PS-9");
    standard["expanded_uncertainty"] = json!("0.02");
    let answer = app.analyst.post("/primary-standards", &standard).await;
    assert_problem("a standard of U = 2 %", &answer);
    assert_eq!(first_error(&answer), ("expanded_uncertainty".into(), "range".into(), "0.02".into()));
    let calibration = json!({
        "certificate": "CAL-9", "calibrated_on": bench::day(-1), "due_on": bench::day(300), "calibrated_value": "24.99",
        "standard_uncertainty": "5",
    });
    let answer = app.manager.post(&format!("/equipment/{}/calibrations", bench.pipette_25), &calibration).await;
    assert_problem("a pipette of u = 5 mL", &answer);
    assert_eq!(first_error(&answer), ("standard_uncertainty".into(), "range".into(), "5".into()));
}

/// A balance that shows 0.1 mg never showed 0.49035 g, and no indicator of dichromate turns with permanganate.
#[tokio::test(flavor = "multi_thread")]
async fn what_no_instrument_showed_and_no_indicator_shows_is_refused() {
    let app = TestApp::start().await;
    let bench = bench(&app).await;
    let sample = text(&app.analyst.post("/samples", &bench::sample("S-1")).await.expect(201), "id");
    let mut portion = json!({ "mass_g": "0.49035", "balance": bench.balance, "observed_at": bench::minutes_ago(1) });
    let path = format!("/samples/{sample}/portions");
    let answer = app.analyst.post(&path, &portion).await;
    assert_problem("a mass finer than its balance", &answer);
    assert_eq!(first_error(&answer), ("mass_g".into(), "multiple_of_resolution".into(), "0.49035".into()));
    portion["mass_g"] = json!("200.0001");
    let answer = app.analyst.post(&path, &portion).await;
    assert_problem("a mass beyond its balance", &answer);
    assert_eq!(first_error(&answer), ("mass_g".into(), "within_scale".into(), "200.0001".into()));
    portion["mass_g"] = json!("0.4903");
    assert_eq!(app.analyst.post(&path, &portion).await.expect(201)["mass_g"], "0.4903");

    let lot = json!({
        "code": "MN-1", "species": "permanganate", "nominal_concentration": "0.02", "concentration_unit": "mol/L",
        "route": "standardisation", "factor_low": "0.95", "factor_high": "1.05", "storage": "dark, 20 C",
        "container": "amber glass, 1 L", "expires_at": bench::days_ahead(30), "observed_at": bench::minutes_ago(60),
    });
    let lot = text(&app.analyst.post("/titrants", &lot).await.expect(201), "id");
    let mut oxalate = bench::dichromate_standard("PS-OX");
    oxalate["substance"] = json!("sodium oxalate");
    let oxalate = text(&app.manager.post("/primary-standards", &oxalate).await.expect(201), "id");
    app.manager.post(&format!("/primary-standards/{oxalate}/moves"), &json!({ "to": "released" })).await.expect(201);
    let mut standardisation = json!({
        "code": "ST-1", "primary_standard": oxalate, "balance": bench.balance, "burette": bench.burette,
        "indicator": "diphenylamine sulfonate", "valid_days": 30, "correct_burette": false, "correct_temperature": false,
        "correct_buoyancy": false, "observed_at": bench::minutes_ago(30),
    });
    let path = format!("/titrants/{lot}/standardisations");
    let answer = app.analyst.post(&path, &standardisation).await;
    assert_problem("an indicator that does not turn", &answer);
    assert_eq!(first_error(&answer), ("indicator".into(), "fits_titrant".into(), "diphenylamine sulfonate".into()));
    standardisation["indicator"] = json!("self");
    app.analyst.post(&path, &standardisation).await.expect(201);
}
