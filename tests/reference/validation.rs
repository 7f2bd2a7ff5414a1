//! Validation characteristics: Horwitz and Thompson, proficiency scores, detection limits, studies computed independently.

use crate::data;
use crate::printed::{agrees, agrees_json, numbers, record};
use ferrotitre_core::statistics::regression::StraightLine;
use ferrotitre_core::validation::{
    AssignedValue, BlankScheme, DetectionFactors, Participant, PredictedRsd, detection_limits,
    detection_limits_from_line, horrat, predicted_rsd_percent, proficiency_scores, thompson_sd,
};

#[test]
fn horwitz_and_thompson_curves() {
    let rows = data::rows("08_horwitz_thompson.csv");
    assert_eq!(rows.len(), 8);
    for row in rows {
        let c: f64 = row["mass_fraction"].parse().unwrap();
        let rsd = |form| predicted_rsd_percent(c, form).unwrap();
        agrees("2 C^-0.1505", rsd(PredictedRsd::Exponent01505), &row["RSD_R_percent_2C^-0.1505"]);
        agrees("2^(1-0.5 log C)", rsd(PredictedRsd::Logarithmic), &row["RSD_R_percent_2^(1-0.5logC)"]);
        let sd = thompson_sd(c).unwrap();
        agrees("sigma", sd, &row["modified_thompson_sigma"]);
        agrees("sigma, %", 100.0 * sd / c, &row["modified_thompson_RSD_percent"]);
    }
    // Independent computation: C = 0.1 gives 2.825 %.
    agrees("2 C^-0.15", predicted_rsd_percent(0.1, PredictedRsd::Exponent015).unwrap(), "2.825");
    agrees("HorRat", horrat(2.0, 0.1, true).unwrap().ratio * 2.8251, "2.000");
}

/// The formulae of the table, each evaluated here by hand from its text.
#[test]
fn formulas_of_the_table_are_the_ones_used() {
    let rows = data::rows("08_formulas.csv");
    let score = |x: f64, u: f64, expanded: f64| {
        let assigned = AssignedValue { value: 10.0, u: 0.4, expanded: 0.8, sigma_pt: 0.5 };
        proficiency_scores(Participant { value: x, u, expanded }, assigned).unwrap()
    };
    for row in &rows {
        match row["name"].as_str() {
            // (10.5 - 10)/0.5; √(0.3² + 0.4²) = 0.5; √(0.6² + 0.8²) = 1.
            "z" => assert!((score(10.5, 0.3, 0.6).z - 1.0).abs() < 1e-15),
            "zeta" => assert!((score(10.5, 0.3, 0.6).zeta.unwrap() - 1.0).abs() < 1e-15),
            "En" => assert!((score(10.5, 0.3, 0.6).e_n.unwrap() - 0.5).abs() < 1e-15),
            // C = 1e-4: 2^(1 + 2) = 8.
            "Horwitz" => assert!((predicted_rsd_percent(1e-4, PredictedRsd::Logarithmic).unwrap() - 8.0).abs() < 1e-14),
            // 0.22 · 1e-7; 0.01 √0.25.
            "modified Thompson" => {
                assert!((thompson_sd(1e-7).unwrap() - 2.2e-8).abs() < 1e-22);
                assert!((thompson_sd(0.25).unwrap() - 0.005).abs() < 1e-17);
            }
            // Found 4 % for a pure substance, predicted 2 %.
            "HorRat" => assert!((horrat(4.0, 1.0, true).unwrap().ratio - 2.0).abs() < 1e-15),
            // Algorithm A is compared in `robust`.
            "Algorithm A" => {}
            other => panic!("no check for {other}"),
        }
    }
    assert_eq!(rows.len(), 7);
}

#[test]
fn proficiency_scores_of_the_table() {
    let table = data::json("08_interlab_anova_robust.json");
    for id in ["scores_1", "scores_2", "scores_3"] {
        let set = record(&table, id);
        let input = &set["inputs"];
        let number = |name: &str| input[name].as_f64().unwrap();
        let expanded = numbers(&input["U"]);
        let result = Participant { value: number("x"), u: number("u_x"), expanded: expanded[0] };
        let assigned = AssignedValue {
            value: number("assigned"),
            u: number("u_assigned"),
            expanded: expanded[1],
            sigma_pt: number("sigma_pt"),
        };
        let scores = proficiency_scores(result, assigned).unwrap();
        agrees_json("z", scores.z, &set["z"]);
        agrees_json("z'", scores.z_prime, &set["z_prime"]);
        agrees_json("zeta", scores.zeta.unwrap(), &set["zeta"]);
        agrees_json("En", scores.e_n.unwrap(), &set["En"]);
    }
}

#[test]
fn detection_limits_of_the_fluorescein_line_and_of_blanks() {
    let table = data::json("09_regression_comparison_tests.json");
    let set = record(&table, "MILLER_fluorescein");
    let line = StraightLine::fit(&numbers(&set["x"]), &numbers(&set["y"]), None).unwrap();
    let limits = detection_limits_from_line(&line, DetectionFactors::default()).unwrap();
    agrees_json("LOD", limits.detection, &set["computed"]["LOD_3s_over_b"]);
    agrees_json("LOQ", limits.quantification, &set["computed"]["LOQ_10s_over_b"]);
    agrees_json("published LOD", limits.detection, &set["published"]["LOD"]);
    // s0' = s0 √(1/n + 1/n_b), by hand: 0.02 √(1/2 + 1/2) = 0.02; 0.02/√4 = 0.01.
    let by = |replicates, blanks| {
        let scheme = BlankScheme { replicates, blanks };
        detection_limits(0.02, 9.0, scheme, DetectionFactors::default()).unwrap()
    };
    agrees("LOD", by(2, Some(2)).detection, "0.06");
    agrees("LOQ", by(4, None).quantification, "0.1");
}
