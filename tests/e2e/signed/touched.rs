//! Each kind of later event, and the results it reaches.

use ferrotitre_tests::bench::{day, text};
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::{Value, json};

use super::*;

/// What touched a result, in words.
async fn words(lab: &Lab, path: &str) -> String {
    let view = lab.app.auditor.get(path).await.expect(200);
    view["since"]["touched"]
        .as_array()
        .map_or_else(String::new, |touched| touched.iter().map(|one| text(one, "what")).collect::<Vec<_>>().join("; "))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_corrected_certificate_reaches_the_results_through_lot_and_factor() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let standard = standards["items"][0].clone();
    let mut facts = ferrotitre_tests::bench::dichromate_standard("PS-1");
    facts["mass_fraction"] = json!("0.9950");
    let correction = json!({ "reason": "the purity was misread from the certificate", "facts": facts });
    let corrections = format!("/primary-standards/{}/corrections", text(&standard, "id"));
    let _ = app.analyst.post_if_match(&corrections, &text(&standard, "version_id"), &correction).await.expect(201);
    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&after), signed_part(&signed));
    assert!(words(&lab, &path).await.contains("certificate of PS-1 corrected"), "{}", after["since"]);
    // c = m P B / (M V), so the content goes with the purity.
    let now: f64 = text(&after["since"]["now"], "value").parse().unwrap();
    let before: f64 = text(&after["evaluation"]["reported"], "value").parse().unwrap();
    assert!((now / before - 0.9950 / 0.9998).abs() < 1e-3, "{now} of {before}");
    let said = after["since"]["words"].to_string();
    assert!(said.contains("it would now be") && said.contains(" U"), "{said}");

    // The impact lists every result it reaches, with their number.
    let impact = text(&after["since"]["touched"][0], "impact");
    let listed = app.auditor.get(&format!("/impacts/{impact}")).await.expect(200);
    assert_eq!((&listed["results"], &listed["waits"]), (&json!(1), &json!(true)), "{listed}");
    assert_eq!(format!("/determinations/{}", text(&listed["touched"][0], "id")), path);
    // On paper, too.
    let document = app.auditor.get(&format!("{path}/report.pdf")).await;
    let document = ferrotitre_tests::pdf::read(&document.bytes).await.text;
    assert!(document.contains("certificate of PS-1 corrected"), "{document}");
    // The factor itself stays as it was approved.
    let factors = app.auditor.get(&format!("/titrants/{}/factors", lab.titrant)).await.expect(200);
    assert_eq!(factors.as_array().unwrap().len(), 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_correction_of_a_correction_reaches_what_was_signed_over_the_first() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    // The first correction changes next to nothing, and a manager says so; what comes after it is looked at anew.
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let first = text(&app.auditor.get(&path).await.expect(200)["since"]["touched"][0], "impact");
    let decision = json!({ "results": [id_of(&path)], "reason": "the volume differs by less than its uncertainty" });
    let _ = app.manager.post(&format!("/impacts/{first}/decisions"), &decision).await.expect(201);
    let _ = correct_portion(&lab, &lab.bench.pipette_10).await.expect(201);
    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(signed_part(&after), signed_part(&signed));
    assert_eq!(after["since"]["touched"].as_array().unwrap().len(), 2, "{}", after["since"]);
    let second = text(&after["since"]["touched"][1], "impact");
    let listed = app.auditor.get(&format!("/impacts/{second}")).await.expect(200);
    assert_eq!((&listed["results"], &listed["waits"]), (&json!(1), &json!(true)), "{listed}");
    // A store in which it was not noted, as by the release before, notes it when it migrates.
    let sql = app.sql(DatabaseRole::Superuser).await;
    let forget = format!(
        "BEGIN; SET LOCAL session_replication_role = replica; DELETE FROM impacts WHERE id = '{second}'; COMMIT; {} BEGIN; {} COMMIT",
        include_str!("../../../migrations/2026-11-29-000105_every_version_touched/down.sql"),
        include_str!("../../../migrations/2026-11-29-000105_every_version_touched/up.sql"),
    );
    sql.batch_execute(&forget).await.unwrap();
    let after = app.auditor.get(&path).await.expect(200);
    assert_eq!(after["since"]["touched"].as_array().unwrap().len(), 2, "{}", after["since"]);

    // A calibration, twice, and a late one that would have taken its place.
    let calibrations = format!("/equipment/{}/calibrations", lab.bench.flask_250);
    for volume in ["250.10", "250.20"] {
        let present = app.auditor.get(&calibrations).await.expect(200);
        let present = present.as_array().unwrap().iter().find(|one| one["corrected_by"].is_null()).unwrap().clone();
        let correction =
            json!({ "reason": "misread from the certificate", "facts": flask_calibration("K-2", -60, volume) });
        let corrections = format!("/calibrations/{}/corrections", text(&present, "id"));
        let _ = app.manager.post(&corrections, &correction).await.expect(201);
    }
    let late = flask_calibration("K-3", -1, "250.30");
    let _ = app.manager.post(&calibrations, &late).await.expect(201);
    let said = words(&lab, &path).await;
    assert_eq!(said.matches("calibration K-2 of").count(), 2, "{said}");
    assert!(said.contains("calibration K-3 of"), "{said}");
}

#[tokio::test(flavor = "multi_thread")]
async fn withdrawals_and_rejections_are_said_on_every_result_they_touch() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let run = text(&signed, "run");
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let standard = text(&standards["items"][0], "id");
    let withdrawn = json!({ "to": "withdrawn", "reason": "recalled by its producer" });
    let _ = app.manager.post(&format!("/primary-standards/{standard}/moves"), &withdrawn).await.expect(201);
    assert!(words(&lab, &path).await.contains("primary standard PS-1 withdrawn: recalled by its producer"));
    let _ = app.manager.post(&format!("/titrants/{}/moves", lab.titrant), &withdrawn).await.expect(201);
    assert!(words(&lab, &path).await.contains("titrant lot D-1 withdrawn"));
    let seen = app.auditor.get(&format!("/runs/{run}")).await.expect(200);
    let rejection = json!({
        "password": app.manager.password, "reason": "the bath control was swapped",
        "content_digest": seen["content_digest"],
    });
    let rejected = app.manager.post(&format!("/runs/{run}/rejection"), &rejection).await;
    assert_eq!(rejected.status, 201, "{}", rejected.text);
    let said = words(&lab, &path).await;
    assert!(said.contains("rejected: the bath control was swapped"), "{said}");
    let after = app.auditor.get(&path).await.expect(200);
    // No result any longer, and still what was signed.
    assert_eq!(after["state"], "invalidated");
    for part in ["digest", "evaluation"] {
        assert_eq!(signed_part(&after)[part], signed_part(&signed)[part], "{part}");
    }
    // No figure could come out differently by these, so none is given.
    assert!(after["since"]["now"].is_null(), "{}", after["since"]);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_correction_before_the_signature_is_no_mark_and_one_of_another_thing_neither() {
    let lab = Lab::open().await;
    let _ = correct_portion(&lab, &lab.bench.pipette_25).await.expect(201);
    let (path, signed) = approved(&lab).await;
    assert!(signed["since"].is_null());
    let other = ferrotitre_tests::bench::install(
        &lab.app,
        &ferrotitre_tests::bench::equipment("F500", "flask", "500", None),
        &ferrotitre_tests::bench::calibration(Some("500.0"), "0.1"),
    )
    .await;
    let late = json!({
        "certificate": "CAL-9", "calibrated_on": day(-20), "due_on": day(300), "calibrated_value": "500.2",
        "standard_uncertainty": "0.1",
    });
    let _ = lab.app.manager.post(&format!("/equipment/{other}/calibrations"), &late).await.expect(201);
    assert_eq!(words(&lab, &path).await, "");
    assert_eq!(lab.app.row_counts(&["impacts"]).await, [0]);
    assert_eq!(lab.app.auditor.get("/impacts").await.expect(200)["items"], Value::Array(Vec::new()));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_approval_needs_every_earlier_signature_to_hold() {
    let lab = Lab::open().await;
    let path = format!("/determinations/{}", lab.iron2_done(["21.46", "21.46"]).await);
    sign(&lab.app.analyst, &path, "submission", None).await.expect(201);
    sign(&lab.app.analyst2, &path, "review", None).await.expect(201);
    lab.release_run_of(&path).await;
    let forger = lab.app.sql(ferrotitre_tests::cluster::DatabaseRole::Superuser).await;
    let change = "ALTER TABLE sign_offs DISABLE TRIGGER USER; \
                  UPDATE sign_offs SET content_digest = repeat('0', 64) WHERE meaning = 'reviewed'; \
                  ALTER TABLE sign_offs ENABLE TRIGGER USER";
    forger.batch_execute(change).await.unwrap();
    let problem = sign(&lab.app.manager, &path, "approval", None).await.refused(409, "state_conflict");
    assert!(text(&problem, "detail").contains("was made on another content"), "{problem}");
}

#[tokio::test(flavor = "multi_thread")]
async fn where_something_was_used_is_listed_whole_from_certificate_calibration_lot_and_run() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, signed) = approved(&lab).await;
    let (second, _) = approved(&lab).await;
    let run = lab.run(&lab.iron2).await;
    let _ = begun(&lab, &run).await;
    let results = async |thing: &str| {
        let found = app.auditor.get(&format!("/where-used/{thing}")).await.expect(200);
        let items = found["items"].as_array().unwrap().clone();
        assert_eq!(found["count"], json!(items.len()), "{thing}");
        let of = items.iter().filter(|one| one["kind"] == "determinations" && one["stands"] == true);
        of.map(|one| format!("/determinations/{}", text(one, "id"))).collect::<Vec<_>>()
    };
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let calibrations = app.auditor.get(&format!("/equipment/{}/calibrations", lab.bench.flask_250)).await.expect(200);
    let both = vec![path.clone(), second.clone()];
    for thing in [
        text(&standards["items"][0], "id"),
        text(&calibrations[0], "id"),
        lab.titrant.clone(),
        lab.bench.burette.clone(),
        // The flask and the balance of the preparation reach them through the factor.
        lab.bench.flask_1000.clone(),
        lab.bench.balance.clone(),
        lab.portion.clone(),
        lab.iron2.clone(),
    ] {
        assert_eq!(results(&thing).await, both, "{thing}");
    }
    assert_eq!(results(&text(&signed, "run")).await, std::slice::from_ref(&path), "each in a run of its own");
    assert_eq!(results(&run).await, Vec::<String>::new(), "nothing of it is signed");
    // Page by page it is the same list.
    let first = app.auditor.get(&format!("/where-used/{}?limit=1", lab.titrant)).await.expect(200);
    let next = text(&first, "next");
    let rest = app.auditor.get(&format!("/where-used/{}?after={next}", lab.titrant)).await.expect(200);
    assert_eq!(first["count"], json!(1 + rest["items"].as_array().unwrap().len()));
    // An amended result is listed as one that no longer stands.
    amend(&lab, &path, "to be looked at again").await;
    assert_eq!(results(&lab.titrant).await, [second]);
}
