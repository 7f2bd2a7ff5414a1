//! What would lower the uncertainty of a determination, from what stands on the shelf.

use ferrotitre_tests::bench::{day, days_ahead, dichromate_standard, minutes_ago, text};
use serde_json::{Value, json};

use crate::control::{near, number};
use crate::lab::{Lab, dichromate, method_with, rules};
use crate::pages::Visitor;

fn single<'a>(plan: &'a Value, act: &str, to: &str) -> Option<&'a Value> {
    plan["single_changes"].as_array().unwrap().iter().find(|one| one["act"] == act && one["to"] == to)
}

async fn pipette(lab: &Lab, code: &str, calibrated: &str, due: i64) -> String {
    let facts = json!({ "code": code, "kind": "pipette", "description": "a pipette of 20 mL", "accuracy_class": "AS",
        "range_low": "0", "range_high": "20.00", "unit": "mL" });
    let id = text(&lab.app.manager.post("/equipment", &facts).await.expect(201), "id");
    let calibration = json!({ "certificate": format!("CAL-{code}"), "calibrated_on": day(-60), "due_on": day(due),
        "calibrated_value": calibrated, "standard_uncertainty": "0.004" });
    let _ = lab.app.manager.post(&format!("/equipment/{id}/calibrations"), &calibration).await.expect(201);
    id
}

#[tokio::test(flavor = "multi_thread")]
async fn a_plan_is_evaluated_as_the_determination_itself_and_offers_what_may_be_used_today() {
    let lab = Lab::open().await;
    let mut with_blank = rules();
    with_blank["blank"] = json!("subtract");
    let method = method_with(&lab.app, ("M7", "iron(II)", "none"), with_blank).await;
    let run = lab.run(&method).await;
    let determination = lab.begin(&run).await;
    let path = format!("/determinations/{determination}/plan");
    lab.app.auditor.get(&path).await.refused(422, "not_enough_data");
    lab.blank(&run).await;
    lab.titrate(&determination, &lab.titration("accurate", "21.46", None)).await;
    lab.app.auditor.get(&path).await.refused(422, "not_enough_data");
    lab.titrate(&determination, &lab.titration("accurate", "21.48", None)).await;

    pipette(&lab, "P20", "20.00", 200).await;
    pipette(&lab, "P20-OLD", "20.00", -3).await;
    let retired = pipette(&lab, "P20-GONE", "20.00", 200).await;
    let away = json!({ "to": "retired", "reason": "its tip is broken off" });
    let _ = lab.app.manager.post(&format!("/equipment/{retired}/moves"), &away).await.expect(201);

    // A standard that is known better, and a lot made of it.
    let mut better = dichromate_standard("PS-2");
    better["expanded_uncertainty"] = json!("0.00005");
    let better = lab.app.analyst.post("/primary-standards", &better).await.expect(201);
    let moves = format!("/primary-standards/{}/moves", text(&better, "id"));
    let _ = lab.app.manager.post(&moves, &json!({ "to": "released" })).await.expect(201);
    let standard = text(&better, "version_id");
    let (until, made) = (json!(days_ahead(90)), minutes_ago(2 * 1440));
    let other = dichromate(&lab.app, &lab.bench, &standard, "D-2", until, made).await;

    let plan = lab.app.auditor.get(&path).await.expect(200);
    let read = lab.app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
    let u = number(&plan, "/present/u");
    let budget = read["evaluation"]["budget"].as_array().unwrap();
    let part = |label: &str| {
        let of = |line: &&Value| line["label"].as_str().unwrap().contains(label);
        budget.iter().filter(of).map(|line| number(line, "/contribution").powi(2)).sum::<f64>()
    };
    near("u", budget.iter().map(|line| number(line, "/contribution").powi(2)).sum::<f64>().sqrt(), u, 1e-9);
    near("U", number(&plan, "/present/expanded_uncertainty"), 2.0 * u, 1e-9);
    near("target", number(&plan, "/target"), u, 1e-9);
    // JCGM 100:2008, 4.2.3, by the budget of the determination itself: three blanks leave a third of its variance.
    let blanks = single(&plan, "blanks", "3").unwrap();
    let expected = 2.0 * (u * u - part("blank") * 2.0 / 3.0).sqrt();
    near("three blanks", number(blanks, "/expanded_uncertainty"), expected, 1e-9);
    near("cost", number(blanks, "/further_cost"), 20.0, 1e-12);
    near("gain", number(blanks, "/gain_per_cost"), (2.0 * u - expected) / 20.0, 1e-9);
    // F.1.2.3: two runs share all but the titres and the blank.
    let runs = single(&plan, "runs, averaged", "2").unwrap();
    let expected = 2.0 * (u * u - (part("blank") + part("repeatability")) / 2.0).sqrt();
    near("two runs", number(runs, "/expanded_uncertainty"), expected, 1e-9);
    // 10 mL and 25 mL of 250 mL: a sample of 20.00 mL has twice the net titre.
    let sample = single(&plan, "sample", "P20").unwrap();
    near("titre", number(sample, "/titre_ml"), 2.0 * number(&plan, "/present/titre_ml"), 0.011);
    assert!(number(sample, "/gain_percent") > 20.0, "{sample}");
    let offered = plan["single_changes"].to_string();
    assert!(!offered.contains("P20-OLD") && !offered.contains("P20-GONE"), "{offered}");
    // The better lot is at hand until it is withdrawn: its line of the budget takes the place of the other one's.
    let lot = single(&plan, "titrant", "D-2").unwrap();
    let factors = lab.app.auditor.get(&format!("/titrants/{other}/factors")).await.expect(200);
    let mut figures = read["evaluation"]["figures"].as_array().unwrap().iter();
    let value = number(figures.find(|one| one["unit"] == "g/L" && one["expressed"] == "Fe").unwrap(), "/value");
    let figure = |field: &str| text(&factors[0], field).parse::<f64>().unwrap();
    let relative = figure("standard_uncertainty") / figure("concentration") * value;
    let expected = 2.0 * (u * u - part("concentration") + relative * relative).sqrt();
    near("lot", number(lot, "/expanded_uncertainty"), expected, 1e-6);
    near("cost of the lot", number(lot, "/further_cost"), 20.0, 1e-12);
    let withdrawn = json!({ "to": "withdrawn", "reason": "the bottle was left open" });
    let _ = lab.app.manager.post(&format!("/titrants/{other}/moves"), &withdrawn).await.expect(201);
    assert!(single(&lab.app.auditor.get(&path).await.expect(200), "titrant", "D-2").is_none());
    // 25 mL of sample would take 53 mL.
    assert!(single(&plan, "sample", "P25").is_none(), "{offered}");
    let refilled = lab.app.auditor.get(&format!("{path}?refills=true")).await.expect(200);
    assert_eq!(single(&refilled, "sample", "P25").unwrap()["fillings"], 2);
    let cheapest = &plan["cheapest"];
    assert!(number(cheapest, "/expanded_uncertainty") <= number(&plan, "/target"), "{cheapest}");
    assert!(cheapest["changes"].to_string().contains("sample: P20 in place of P10"), "{cheapest}");

    let other = lab.app.auditor.get(&format!("{path}?target=0.0001&blank_cost=0&run_cost=0&titre_cost=0")).await;
    let other = other.expect(200);
    assert!(other.get("cheapest").is_none() && number(&other, "/best/cost") == 0.0, "{other}");
    let wrong = lab.app.auditor.get(&format!("{path}?run_cost=-1")).await.refused(422, "invalid_input");
    assert_eq!(wrong["errors"][0]["field"], "run_cost", "{wrong}");
    lab.app.auditor.get("/determinations/00000000-0000-7000-8000-000000000000/plan").await.refused(404, "not_found");

    let page = Visitor::of(lab.app.running.address, &lab.app.analyst).get(&format!("{path}?target=abc")).await;
    assert!(page.text.contains("The target must be a number, 0 or more, not abc."), "{}", page.text);
    assert!(page.text.contains("The cheapest way to") && page.text.contains("P20 in place of P10"), "{}", page.text);
}

#[tokio::test(flavor = "multi_thread")]
async fn results_of_a_sample_together_have_the_u_of_what_they_share() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (first, second) = (lab.iron2_done(["21.46", "21.48"]).await, lab.total_done(["23.40", "23.42"]).await);
    let only = format!("/joint-results?determinations={first},{second}");
    let unsigned = app.auditor.get(&only).await.refused(422, "not_enough_data");
    assert!(text(&unsigned, "detail").contains("in progress"), "{unsigned}");
    for id in [&first, &second] {
        lab.through(&format!("/determinations/{id}")).await;
    }
    let sample = text(&app.auditor.get(&format!("/determinations/{first}")).await.expect(200), "sample");
    let together = app.auditor.get(&format!("/joint-results?sample={sample}&coefficients=-1,1")).await.expect(200);
    assert_eq!(together["results"][0]["determination"], json!(first));
    assert_eq!(app.auditor.get(&only).await.expect(200)["covariance"], together["covariance"]);
    // Coefficients go by the order in which results are named.
    let turned = format!("/joint-results?determinations={second},{first}&coefficients=1,-1");
    let turned = app.auditor.get(&turned).await.expect(200);
    assert_eq!(
        (&turned["results"][0]["determination"], &turned["results"][1]["determination"]),
        (&json!(second), &json!(first))
    );
    let twice = app.auditor.get(&format!("/joint-results?determinations={first},{first}")).await;
    assert_eq!(twice.refused(422, "invalid_input")["errors"][0]["rule"], "once");
    let of = |what: &str| {
        together["combinations"].as_array().unwrap().iter().find(|one| one["what"] == what).unwrap().clone()
    };
    let asked = turned["combinations"].as_array().unwrap().iter().find(|one| one["what"] == "as asked").unwrap();
    near("turned", number(asked, "/value"), number(&of("as asked"), "/value"), 1e-9);
    // Iron(III) by difference is the same difference, with the same u.
    let iron3 = app
        .analyst
        .post(
            "/iron-results",
            &json!({ "total": second, "iron2": first, "code": "FE3-1", "observed_at": minutes_ago(5) }),
        )
        .await
        .expect(201);
    for what in ["total iron less iron(II)", "as asked"] {
        near("value", number(&of(what), "/value"), number(&iron3, "/evaluation/value"), 1e-9);
        near("u", number(&of(what), "/u"), number(&iron3, "/evaluation/u"), 1e-9);
        near("apart", number(&of(what), "/u_if_independent"), number(&iron3, "/evaluation/u_if_independent"), 1e-9);
    }
    // The map passes through the result itself.
    let map = format!("/iron-results/{}/plan", text(&iron3, "id"));
    let plan = app.auditor.get(&map).await.expect(200);
    let taken = &plan["aliquots"][0];
    assert_eq!((&taken["pipette"], &taken["taken"]), (&json!("P25"), &json!(true)), "{plan}");
    near("value", number(taken, "/points/0/value"), number(&iron3, "/evaluation/value"), 0.04);
    near("u", number(taken, "/points/0/u"), number(&iron3, "/evaluation/u"), 1e-3);
    let shares: Vec<f64> =
        taken["points"].as_array().unwrap().iter().skip(1).map(|one| number(one, "/u_percent")).collect();
    assert!(shares.windows(2).all(|two| two[1] > two[0]), "{shares:?}");
    let smaller = plan["aliquots"].as_array().unwrap().iter().find(|one| one["pipette"] == "P10").unwrap();
    near("titre", number(smaller, "/total_ml"), 0.4 * number(taken, "/total_ml"), 0.02);
    assert!(number(smaller, "/points/0/u") > number(taken, "/points/0/u"), "{plan}");
    let page = Visitor::of(app.running.address, &app.analyst).get(&map).await.text;
    assert!(page.contains("No aliquot at hand lowers it") && page.contains("as found"), "{page}");
    // Results of two analytes have no mean.
    assert_eq!(together["combinations"].as_array().unwrap().len(), 2, "{together}");
    // u² of a mean of two: a quarter of the sum of all covariances (JCGM 100:2008, equation (13)).
    let third = lab.iron2_done(["21.50", "21.52"]).await;
    lab.through(&format!("/determinations/{third}")).await;
    let both = app.auditor.get(&format!("/joint-results?determinations={first},{third}")).await.expect(200);
    let rows = both["covariance"].as_array().unwrap().iter().flat_map(|row| row.as_array().unwrap());
    let all: f64 = rows.map(|c| c.as_f64().unwrap()).sum();
    let mean = &both["combinations"][0];
    assert_eq!(mean["what"], "mean of iron(II)");
    near("mean", number(mean, "/u"), all.sqrt() / 2.0, 1e-9);
    assert!(number(mean, "/u") > number(mean, "/u_if_independent"), "{mean}");
    assert_eq!(both["combinations"][2]["what"], "difference of iron(II)");

    let wrong = app.auditor.get(&format!("/joint-results?sample={sample}&coefficients=1")).await;
    assert_eq!(wrong.refused(422, "invalid_input")["errors"][0]["field"], "coefficients");
    let both = format!("/joint-results?sample={sample}&determinations={first}");
    app.auditor.get(&both).await.refused(422, "invalid_input");
    app.auditor.get("/joint-results?determinations=abc").await.refused(422, "invalid_input");
    let unknown = "/joint-results?determinations=00000000-0000-7000-8000-000000000000";
    app.auditor.get(unknown).await.refused(422, "unknown_reference");
    let visitor = Visitor::of(app.running.address, &app.analyst);
    let page = visitor.get(&format!("/joint-results/sample/{sample}?coefficients=1%2C-1%2C0")).await.text;
    assert!(page.contains("does not average out of a mean") && page.contains("as asked"), "{page}");
    assert!(visitor.get(&format!("/samples/{sample}")).await.text.contains("Results together"));
}
