//! Titrant lots: standardisation with its signatures, and the drift of a lot's factor.

use chrono::{DateTime, Duration, Utc};
use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::{bench, day, days_ahead, minutes_ago, text};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

/// A lot of permanganate and a standardisation of it, begun against sodium oxalate.
struct Lot {
    app: TestApp,
    titrant: String,
    standardisation: String,
}

impl Lot {
    async fn open() -> Self {
        let app = TestApp::start().await;
        let bench = bench(&app).await;
        let oxalate = json!({
            "code": "PS-OX", "substance": "sodium oxalate", "supplier": "reference materials", "supplier_lot": "3",
            "certificate": "RM-3", "mass_fraction": "0.9996", "expanded_uncertainty": "0.0003", "coverage_factor": "2",
            "basis": "reducing capacity", "expires_on": day(300),
        });
        let oxalate = text(&app.analyst.post("/primary-standards", &oxalate).await.expect(201), "id");
        let release = json!({ "to": "released" });
        let _ = app.manager.post(&format!("/primary-standards/{oxalate}/moves"), &release).await.expect(201);
        let lot = json!({
            "code": "M-1", "species": "permanganate", "nominal_concentration": "0.02", "concentration_unit": "mol/L",
            "route": "standardisation", "factor_low": "0.9954", "factor_high": "1.0050", "storage": "dark",
            "container": "amber glass", "expires_at": days_ahead(300), "observed_at": minutes_ago(600),
        });
        let titrant = text(&app.analyst.post("/titrants", &lot).await.expect(201), "id");
        let begin = json!({
            "code": "STD-1", "primary_standard": oxalate, "balance": bench.balance, "burette": bench.burette,
            "indicator": "self", "valid_days": 60, "correct_burette": false, "correct_temperature": false,
            "correct_buoyancy": false, "observed_at": minutes_ago(500),
        });
        let path = format!("/titrants/{titrant}/standardisations");
        let standardisation = text(&app.analyst.post(&path, &begin).await.expect(201), "id");
        Self { app, titrant, standardisation }
    }

    async fn titrate(&self, kind: &str, mass: Option<&str>, last: &str) -> Value {
        let titration = json!({
            "kind": kind, "mass_g": mass, "initial_readings": ["0.00"], "final_readings": [last],
            "end_point": "faint pink, 30 s", "observed_at": minutes_ago(490),
        });
        let path = format!("/standardisations/{}/titrations", self.standardisation);
        self.app.analyst.post(&path, &titration).await.expect(201)
    }

    /// Factors as they would stand after weeks of standardisations, written as rows with their audit events: real ones
    /// would need weeks. Their dates count from `begin`.
    async fn factors(&self, begin: DateTime<Utc>, factors: &[(i64, &str)]) {
        let sql = self.app.sql(DatabaseRole::Service).await;
        for (days, factor) in factors {
            let at = (begin + Duration::days(*days)).to_rfc3339();
            let insert = format!(
                "BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\":\"system\",\"action\":\"approve_standardisation\"}}', true); \
                 INSERT INTO titrant_factors (id, titrant_id, standardisation_id, concentration, standard_uncertainty, factor, \
                 valid_from, valid_to, evaluation, formula_set, recorded_by) \
                 SELECT gen_random_uuid(), titrant_id, id, 0.02 * {factor}, 0.0000024, {factor}, '{at}', \
                 timestamptz '{at}' + interval '200 days', '{{}}', 'fixture', recorded_by \
                 FROM standardisations WHERE id = '{}'; COMMIT",
                self.standardisation
            );
            sql.batch_execute(&insert).await.unwrap();
        }
    }

    async fn drift(&self, question: &str) -> Value {
        self.app.auditor.get(&format!("/titrants/{}/drift{question}", self.titrant)).await.expect(200)
    }
}

fn number(value: &Value) -> f64 {
    assert!(value.is_number(), "{value} is no number");
    value.as_f64().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_standardisation_gives_the_lot_its_factor_once_somebody_else_approves_it() {
    let lot = Lot::open().await;
    let app = &lot.app;
    let path = format!("/standardisations/{}", lot.standardisation);
    let sign = async |who: &ferrotitre_tests::client::Client, step: &str| {
        let seen = app.auditor.get(&path).await.expect(200)["content_digest"].clone();
        who.post(&format!("{path}/{step}"), &json!({ "password": who.password, "content_digest": seen })).await
    };
    let _ = lot.titrate("blank", None, "0.04").await;
    let _ = lot.titrate("replicate", Some("0.1675"), "25.04").await;
    let two = lot.titrate("replicate", Some("0.1682"), "25.14").await;
    assert!(two["missing"].as_str().unwrap().contains("not enough data"), "{}", two["missing"]);
    let early = sign(&app.analyst, "submission").await;
    assert!((400..500).contains(&early.status), "two replicates are too few: {}", early.text);
    let three = lot.titrate("replicate", Some("0.1671"), "24.98").await;
    // By hand, with M(Na2C2O4) = 133.9975 g/mol (CIAAW 2021): c = m P 2 / (M 5 (V - V_b)), mean of three.
    let one = |mass: f64, volume: f64| 1000.0 * mass * 0.9996 * 2.0 / (133.997_538_56 * 5.0 * volume);
    let mean = (one(0.1675, 25.00) + one(0.1682, 25.10) + one(0.1671, 24.94)) / 3.0;
    let found = number(&three["concentration"]["concentration"]);
    assert!((found - mean).abs() < 1e-9, "{found} {mean}");
    assert!((number(&three["concentration"]["factor"]) - mean / 0.02).abs() < 1e-7);

    let unseen = json!({ "password": app.analyst.password });
    app.analyst.post(&format!("{path}/submission"), &unseen).await.refused(412, "stale_version");
    let _ = sign(&app.analyst, "submission").await.expect(201);
    sign(&app.analyst, "approval").await.refused(403, "forbidden");
    assert_eq!(app.auditor.get(&format!("/titrants/{}/factors", lot.titrant)).await.expect(200), json!([]));
    let _ = sign(&app.manager, "approval").await.expect(201);
    let factors = app.auditor.get(&format!("/titrants/{}/factors", lot.titrant)).await.expect(200);
    let factor: f64 = factors[0]["factor"].as_str().unwrap().parse().unwrap();
    assert!((factor - mean / 0.02).abs() < 1e-7);
    // Nothing more may be added to what was signed.
    let titration = json!({ "kind": "blank", "initial_readings": ["0.00"], "final_readings": ["0.02"],
        "end_point": "pink", "observed_at": minutes_ago(480) });
    app.analyst.post(&format!("{path}/titrations"), &titration).await.refused(409, "state_conflict");
    // A single factor says nothing about drift, and the service says so.
    let drift = lot.drift("").await;
    assert_eq!((&drift["line"], &drift["because"]), (&Value::Null, &json!("end of validity of the factor")));
    let missing = drift["missing"].to_string();
    assert!(missing.contains("regression") && missing.contains("needs at least 3, has 1"), "{missing}");
    assert!(drift.get("schedules").is_none(), "{drift}");

    // With two older factors there is a line, and with the three replicates a schedule: u² = fixed² + s²/n + (b t)²/3 by hand.
    lot.factors(Utc::now() - Duration::days(40), &[(0, "1.0060"), (20, "1.0020")]).await;
    let drift = lot.drift("?u_budget_percent=0.2&cost_each=50&cost_replicate=7").await;
    let of = &drift["schedules"];
    let replicates = [one(0.1675, 25.00), one(0.1682, 25.10), one(0.1671, 24.94)];
    let s = 100.0 * (replicates.iter().map(|c| (c / mean - 1.0).powi(2)).sum::<f64>() / 2.0).sqrt();
    assert!((number(&of["repeatability_percent"]) / s - 1.0).abs() < 1e-5, "{of}");
    assert_eq!((&of["degrees_of_freedom"], &of["present_replicates"]), (&json!(2), &json!(3)));
    let fixed = number(&of["fixed_percent"]);
    let u = 100.0 * number(&drift["points"][2]["u"]) / number(&drift["points"][2]["factor"]);
    assert!((fixed.powi(2) - (u * u - s * s / 3.0).max(0.0)).abs() < 1e-5, "{of}");
    let b = 100.0 * number(&drift["line"]["slope_per_day"]).abs() / number(&drift["points"][2]["factor"]);
    let mut costs = Vec::new();
    for (n, one) in (3..).zip(of["schedules"].as_array().unwrap()) {
        let days = (3.0 * (0.04 - fixed * fixed - s * s / f64::from(n))).sqrt() / b;
        assert!((number(&one["days"]) / days - 1.0).abs() < 1e-4, "{one} {days}");
        let cost = (50.0 + 7.0 * f64::from(n)) * 365.25 / days;
        assert!((number(&one["cost_a_year"]) / cost - 1.0).abs() < 1e-4, "{one} {cost}");
        costs.push(cost);
    }
    assert_eq!(costs.len(), 6);
    let least = costs.iter().copied().fold(f64::INFINITY, f64::min);
    assert!((number(&of["cheapest"]["cost_a_year"]) / least - 1.0).abs() < 1e-4, "{of}");
    assert!(lot.drift("?u_budget_percent=0.0001").await["schedules"].get("cheapest").is_none());
    let wrong = app.auditor.get(&format!("/titrants/{}/drift?cost_each=-1", lot.titrant)).await;
    assert_eq!(wrong.refused(422, "invalid_input")["errors"][0]["field"], "cost_each");
    let page = crate::pages::Visitor::of(app.running.address, &app.analyst);
    let page = page.get(&format!("/titrants/{}/drift?budget=0.2", lot.titrant)).await.text;
    assert!(page.contains("How often to standardise") && page.contains("Cost a year"), "{page}");
}

/// Expected figures: computed independently with SciPy for weekly factors of a drifting permanganate lot.
#[tokio::test(flavor = "multi_thread")]
async fn a_drifting_lot_names_the_day_it_leaves_its_tolerance() {
    let lot = Lot::open().await;
    let begin = Utc::now() - Duration::days(50);
    let weekly = ["1.0004", "1.0000", "0.9993", "0.9990", "0.9983", "0.9981", "0.9974"];
    let rows: Vec<(i64, &str)> = (0..7).map(|week| 7 * week).zip(weekly).collect();
    lot.factors(begin, &rows).await;
    let drift = lot.drift("?u_budget_percent=0.1").await;
    let near = |path: &str, expected: f64, tolerance: f64| {
        let found = number(drift.pointer(path).unwrap());
        assert!((found - expected).abs() <= tolerance, "{path}: {found}, expected {expected}");
    };
    near("/line/slope_per_day", -7.0408e-5, 5e-10);
    near("/line/slope_standard_error", 3.259e-6, 5e-10);
    near("/line/residual_sd", 1.2071e-4, 5e-9);
    near("/line/intercept", 1.000_407, 5e-7);
    near("/mann_kendall/p", 2.0 / 5040.0, 5e-7);
    near("/theil_sen/slope_per_day", -7.143e-5, 5e-9);
    near("/leaves_by_line/day", 71.1, 0.05);
    near("/leaves_by_prediction_band/day", 64.1, 0.05);
    near("/leaves_by_confidence_band/day", 65.6, 0.05);
    assert_eq!((&drift["mann_kendall"]["s"], &drift["mann_kendall"]["exact"]), (&json!(-21), &json!(true)));
    assert_eq!(drift["because"], json!("the prediction band leaves the tolerance"));
    let by: DateTime<Utc> = drift["restandardise_by"].as_str().unwrap().parse().unwrap();
    assert_eq!((by - begin).num_days(), 64);
    // 50 days after the first factor the one in force is eight days old.
    let expected = 1.000_407 - 7.0408e-5 * 50.0;
    near("/effect_now/percent", 100.0 * (0.9974 / expected - 1.0), 2e-4);
    // u_cal = 0.00012/0.9974; (b tau)^2/3 fills what the budget leaves.
    let (u, b) = (0.00012 / 0.9974, 7.0408e-5 / 0.9974);
    near("/interval/days", (3.0 * (1e-6_f64 - u * u)).sqrt() / b, 2e-3);
    // As seen earlier, later factors do not count.
    let then = (begin + Duration::days(10)).to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
    let earlier = lot.drift(&format!("?at={then}")).await;
    assert_eq!(earlier["points"].as_array().unwrap().len(), 2);

    let at = |days: f64| {
        let moment = begin + Duration::seconds((days * 86_400.0) as i64);
        format!("/titrants/{}/factor?at={}", lot.titrant, moment.to_rfc3339_opts(chrono::SecondsFormat::Millis, true))
    };
    let between = lot.app.auditor.get(&at(3.5)).await.expect(200);
    assert_eq!(between["in_force"]["factor"], json!("1.0004"));
    assert!((number(&between["interpolated"]["factor"]) - 1.0002).abs() < 1e-7, "{between}");
    assert_eq!(lot.app.auditor.get(&at(45.0)).await.expect(200)["interpolated"], Value::Null);
    let problem = lot.app.auditor.get(&at(-1.0)).await.refused(422, "no_factor_in_force");
    assert_eq!(problem["errors"][0]["field"], json!("at"));

    let path = format!("/titrants/{}/drift.svg", lot.titrant);
    let picture = lot.app.auditor.get(&path).await;
    assert_eq!((picture.status, picture.header("content-type")), (200, "image/svg+xml"));
    assert!(picture.text.contains("<title>Factor of titrant lot M-1"), "{}", &picture.text[..300]);
    assert_eq!(picture.text.matches("<a href=\"/standardisations/").count(), 7, "every point is a link");
    lot.app.administrator.get(&path).await.refused(403, "forbidden");
}
