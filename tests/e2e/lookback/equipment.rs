//! Hypotheses about equipment: only such as can say something of the piece, and the figures they come to.

use super::*;
use crate::lab::{method_with, rules};
use crate::pages::Visitor;

/// The newest calibration of a piece.
async fn calibrated(lab: &Lab, piece: &str) -> String {
    let all = lab.app.auditor.get(&format!("/equipment/{piece}/calibrations")).await.expect(200);
    text(&all[0], "id")
}

/// A hypothesis that reads nothing of the results would find that none changes, which is not so.
#[tokio::test(flavor = "multi_thread")]
async fn what_does_not_go_with_the_piece_is_refused_and_not_evaluated_to_no_change() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let _ = approved(&lab).await;
    let [flask, burette, balance] = [
        calibrated(&lab, &lab.bench.flask_250).await,
        calibrated(&lab, &lab.bench.burette).await,
        calibrated(&lab, &lab.bench.balance).await,
    ];
    let table = "0:0.00%2010:0.10%2020:0.10%2030:0.10%2050:0.10";
    for (query, field, words) in [
        (format!("without_burette={}", lab.bench.balance), "without_burette", "BAL-1 is a balance, not a burette"),
        (format!("without_burette={}", lab.bench.flask_250), "without_burette", "F250 is a flask, not a burette"),
        (format!("calibration={flask}&corrections={table}"), "corrections", "F250 is a flask, not a burette"),
        (format!("calibration={balance}&corrections={table}"), "corrections", "BAL-1 is a balance, not a burette"),
        (
            format!("calibration={burette}&calibrated_value=50.1"),
            "calibrated_value",
            "B-01 is a burette, not a pipette or flask",
        ),
    ] {
        let problem = app.manager.get(&format!("/what-if?{query}")).await.refused(422, "invalid_input");
        let error = &problem["errors"][0];
        assert_eq!((&error["field"], &error["message"]), (&json!(field), &json!(words)), "{query}: {problem}");
    }
    // An uncertainty goes with any calibration.
    let answered = what_if(&app.manager, &format!("calibration={balance}&standard_uncertainty=0.0002")).await;
    assert_eq!(answered.of_kind("determinations").len(), 1);
    let manager = Visitor::of(app.running.address, &app.manager);
    for (piece, offered) in [(&lab.bench.burette, true), (&lab.bench.balance, false)] {
        let page = manager.get(&format!("/where-used/{piece}")).await.text;
        assert_eq!(page.contains(&format!("/what-if?without_burette={piece}")), offered, "{page}");
    }
}

/// V = 21.46 mL, of which a blank is subtracted whose reading is 1.04 mL and to which 1.00 mL of iron(II) was added. Read with the
/// table, which rises to +0.10 mL at 10 mL and stays there, the titre is 21.56 mL and the blank 1.04 + 0.0104 - 1.00 mL.
/// Linear interpolation of a table of corrections, by hand.
#[tokio::test(flavor = "multi_thread")]
async fn a_table_of_corrections_moves_titre_and_blank() {
    let lab = Lab::without_plans().await;
    let app = &lab.app;
    let mut rules = rules();
    rules["correct_burette"] = json!(true);
    rules["blank"] = json!("subtract");
    let method = method_with(app, ("M8", "iron(II)", "none"), rules).await;
    let run = lab.run(&method).await;
    let determination = lab.begin(&run).await;
    for _ in 0..2 {
        lab.titrate(&determination, &lab.titration("accurate", "21.46", None)).await;
    }
    lab.close(&run).await;
    let _ = lab.through(&format!("/determinations/{determination}")).await;
    let burette = calibrated(&lab, &lab.bench.burette).await;
    let table = "0:0.00%2010:0.10%2020:0.10%2030:0.10%2050:0.10";
    let answered = what_if(&app.manager, &format!("calibration={burette}&corrections={table}")).await;
    assert_eq!(answered.totals["reached"], json!(1), "only what was titrated with it");
    let line = answered.of_kind("determinations")[0];
    let by_hand = (21.46 + 0.10 - (1.04 * 1.01 - 1.00)) / (21.46 - (1.04 - 1.00));
    assert!((ratio(line) / by_hand - 1.0).abs() < 1e-12, "{} is not {by_hand}: {line}", ratio(line));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_the_address_names_can_be_chosen_though_it_is_retired() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let _ = approved(&lab).await;
    let retired = json!({ "to": "retired", "reason": "broken beyond repair" });
    let _ = app.manager.post(&format!("/equipment/{}/moves", lab.bench.burette), &retired).await.expect(201);
    let manager = Visitor::of(app.running.address, &app.manager);
    let choice = format!("value=\"{}\"", lab.bench.burette);
    let without = manager.get("/what-if").await.text;
    assert!(!without.contains(&choice), "it is retired: {without}");
    let named = manager.get(&format!("/what-if?without_burette={}", lab.bench.burette)).await.text;
    assert!(named.contains(&choice), "{named}");
}
