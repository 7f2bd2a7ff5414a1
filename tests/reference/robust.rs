//! Robust estimates. File and its sources: `data/README.md`.
use crate::data;
use ferrotitre_core::statistics::robust::{
    Step, StopRule, algorithm_a, huber_location, huber_proposal_2, median_and_scaled_mad,
};
use ferrotitre_core::statistics::summary::{MAD_CONSISTENCY, Summary};

#[test]
fn copper_in_wholemeal_flour_gives_the_published_and_recomputed_estimates() {
    let file = data::json("08_interlab_anova_robust.json");
    let record = file.as_array().unwrap().iter().find(|r| r["id"] == "AMC_copper_in_wholemeal_flour").unwrap();
    let values: Vec<f64> = record["data"].as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect();
    let expected = |key: &str| record["computed"][key].as_f64().unwrap();
    let tight = StopRule::Relative { tolerance: 1e-12 };

    // Printed with ten figures.
    let summary = Summary::of(&values).unwrap();
    assert!((summary.mean().unwrap() - expected("mean")).abs() < 5.1e-10);
    assert!((summary.sample_sd().unwrap() - expected("sd")).abs() < 5.1e-9);
    let simple = median_and_scaled_mad(&values).unwrap();
    assert!((simple.location - expected("median")).abs() < 1e-12);
    // The file's factor is 1.4826, ours has all digits.
    assert!((simple.scale * 1.4826 / MAD_CONSISTENCY - expected("MAD_x_1_4826")).abs() < 5.1e-7);
    let huber = huber_location(&values, 1.5, tight).unwrap();
    // R's stopping rule leaves 1e-6 of the scale.
    assert!((huber.location - expected("huber_location_k1_5_MAD")).abs() < 1.5e-6, "{}", huber.location);
    let second = huber_proposal_2(&values, 1.5, tight).unwrap();
    assert!((second.location - expected("huber_proposal2_mu")).abs() < 1.5e-6, "{}", second.location);
    assert!((second.scale - expected("huber_proposal2_s")).abs() < 1.5e-6, "{}", second.scale);

    let recorded = &record["computed"]["algorithm_A"];
    let estimate = algorithm_a(&values, tight).unwrap();
    assert!((estimate.location - recorded["x_star"].as_f64().unwrap()).abs() < 1e-9, "{}", estimate.location);
    assert!((estimate.scale - recorded["s_star"].as_f64().unwrap()).abs() < 1e-9, "{}", estimate.scale);
    let step = |value: &serde_json::Value| (value[0].as_f64().unwrap(), value[1].as_f64().unwrap());
    let close = |found: Step, expected: (f64, f64), tolerance: f64| {
        (found.location - expected.0).abs() < tolerance && (found.scale - expected.1).abs() < tolerance
    };
    assert!(close(estimate.steps[0], step(&recorded["start"]), 5.1e-7));
    for (found, expected) in estimate.steps[1..].iter().zip(recorded["iterations"].as_array().unwrap()) {
        assert!(close(*found, step(expected), 1e-12), "{found:?} {expected}");
    }
    // The standard's own stop: third figure of both, here 3.21 and 0.674.
    let printed = algorithm_a(&values, StopRule::ThirdFigure).unwrap();
    assert!(printed.steps.len() < estimate.steps.len());
    assert!((printed.location - 3.21).abs() < 0.005 && (printed.scale - 0.674).abs() < 0.0005, "{printed:?}");
}
