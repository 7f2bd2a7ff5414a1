//! Published and independently computed figures (tests/reference/data) through the calculations themselves, as the command
//! line and the service run them. Source and status of each figure stand in its file.

use std::collections::BTreeMap;

use ferrotitre_calc::subject::Place;
use ferrotitre_calc::table::subject;
use serde_json::{Value, json};

use crate::reference_files::{document, parsed, rows};

#[track_caller]
fn calculated(name: &str, input: &Value) -> Value {
    let answer = subject(name).unwrap().calculate(input.to_string().as_bytes(), Place::CommandLine);
    let answer = answer.unwrap_or_else(|refusal| panic!("{name} {input}: {refusal} {:?}", refusal.fields));
    serde_json::from_str::<Value>(&answer).unwrap()["result"].clone()
}

#[track_caller]
fn close(found: &Value, expected: f64, tolerance: f64, what: &str) {
    let found = found.as_f64().unwrap_or_else(|| panic!("{what}: no number"));
    assert!((found - expected).abs() <= tolerance, "{what}: {found} is not {expected} within {tolerance}");
}

#[test]
fn air_water_and_volumes_are_those_of_the_tables_in_one_unit_each() {
    for row in rows("10_air_density.csv") {
        let t = parsed(&row["t_C"]);
        let air =
            json!({ "temperature": t, "hectopascal": parsed(&row["p_hPa"]), "humidity": parsed(&row["RH_percent"]) });
        let found = calculated("volume-correction", &json!({ "temperature": t, "air": air }));
        // Five decimals of kg/m3.
        close(&found["air_density_kg_per_m3"], parsed(&row["rho_CIPM2007_kg_m3"]), 5.1e-6, "CIPM-2007");
        close(&found["air_density"], parsed(&row["rho_CIPM2007_kg_m3"]) / 1000.0, 5.1e-9, "CIPM-2007, g/mL");
        close(&found["air_density_simplified"], parsed(&row["rho_simplified_kg_m3"]) / 1000.0, 5.1e-9, "OIML");
    }
    for row in rows("10_water_density.csv") {
        let found = calculated("volume-correction", &json!({ "temperature": parsed(&row["t_C"]) }));
        for (name, column) in [
            ("water_density_kg_per_m3", "tanaka2001_airfree"),
            ("water_density_air_saturated_kg_per_m3", "tanaka_plus_dissolved_air"),
            ("water_density_kell_1975_kg_per_m3", "kell1975_airfree_t68_denominator_16.879850e-3"),
            // The polynomial in this column is that of air-free water: see tests/reference/chemistry.rs.
            ("water_density_jones_harris_1992_kg_per_m3", "jones_harris1992_airsaturated"),
        ] {
            close(&found[name], parsed(&row[column]), 5.1e-5, name);
        }
        close(&found["water_density"], parsed(&row["tanaka2001_airfree"]) / 1000.0, 5.1e-8, "g/mL");
    }
    // 1013.25 hPa, 50 %, 20 C: Z 1.00285 (ISO 8655-6, from memory); a density 1000 times too small gave 1.00180.
    let air = json!({ "temperature": 20, "hectopascal": 1013.25, "humidity": 50 });
    let found = calculated("volume-correction", &json!({ "temperature": 20, "air": air }));
    close(&found["z_factor"], 1.00285, 5e-6, "Z");
    for row in rows("10_z_factors.csv") {
        let t = parsed(&row["t_C"]);
        let air = json!({ "temperature": t, "hectopascal": 1013.25, "humidity": 50 });
        for (more, column) in [
            (json!({ "expansion": 0 }), "Z_gamma0_rhoa1.2"),
            (json!({ "glass": "borosilicate 3.3" }), "Z_borosilicate3.3_rhoa1.2"),
            (json!({ "glass": "soda-lime" }), "Z_sodalime_rhoa1.2"),
            (json!({ "air": air }), "Z_borosilicate3.3_simplified_air_1013.25hPa_50RH"),
        ] {
            let mut input = more;
            input["temperature"] = json!(t);
            close(&calculated("volume-correction", &input)["z_factor"], parsed(&row[column]), 5.1e-6, column);
        }
    }
    for row in rows("10_glass.csv") {
        let found = calculated("volume-correction", &json!({ "temperature": 20, "glass": row["material"] }));
        close(&found["expansion"], parsed(&row["cubic_expansion_per_K"]), 1e-15, &row["material"]);
    }
    for row in rows("10_buoyancy.csv") {
        let density = parsed(&row["density_kg_m3_from_memory"]) / 1000.0;
        let found = calculated("volume-correction", &json!({ "temperature": 20, "sample_density": density }));
        close(&found["buoyancy_factor"], parsed(&row["buoyancy_factor_true_mass_over_reading"]), 5.1e-8, "buoyancy");
    }
    // S9 of 10_stoichiometry.json: 25.00 mL read at 26 C.
    let found = calculated("volume-correction", &json!({ "temperature": 26, "volume_ml": 25 }));
    close(&found["volume_at_20_ml"], 24.965_893_873_691_027, 1e-9, "S9");
}

#[test]
fn glassware_molar_masses_and_titrants_are_those_of_the_tables() {
    for row in rows("10_class_A_tolerances.csv") {
        let nominal = parsed(row["nominal_mL"].split(' ').next().unwrap());
        let input = json!({ "item": row["item"].trim_start_matches("one-mark "), "nominal_ml": nominal });
        close(
            &calculated("glassware", &input)["limit_ml"],
            parsed(&row["max_permissible_error_mL"]),
            1e-12,
            &row["item"],
        );
    }
    // Class B is off by up to twice as much (ISO 1042, from memory).
    let flask = json!({ "item": "flask", "nominal_ml": 500, "class": "B" });
    close(&calculated("glassware", &flask)["limit_ml"], 0.5, 1e-12, "class B");
    for row in rows("10_molar_masses.csv") {
        // One name holds a comma and is quoted; its composition is read as a formula below.
        if row["compound"].starts_with('"') {
            continue;
        }
        let mut atoms: BTreeMap<&str, u32> = BTreeMap::new();
        for part in row["composition"].split('+') {
            let digits = part.find(|c: char| c.is_ascii_digit()).unwrap();
            *atoms.entry(&part[..digits]).or_default() += part[digits..].parse::<u32>().unwrap();
        }
        let found = calculated("molar-mass", &json!({ "composition": atoms }))["substances"][0].clone();
        for (name, column) in [
            ("molar_mass", "M_g_per_mol"),
            ("stated_uncertainty", "rss_of_stated_uncertainties"),
            ("u", "standard_uncertainty_rectangular"),
        ] {
            close(&found[name], parsed(&row[column]), 5.1e-6, &row["compound"]);
        }
    }
    for (formula, mass) in
        [("K2Cr2O7", 294.181_80), ("(NH4)2Ce(NO3)6", 548.218), ("SnCl2.2H2O", 225.64), ("C12H8N2", 180.21)]
    {
        let found = calculated("molar-mass", &json!({ "formula": formula }));
        close(&found["substances"][0]["molar_mass"], mass, 5.1e-6, formula);
    }
    for row in rows("10_atomic_weights.csv") {
        let found = calculated("molar-mass", &json!({ "formula": row["element"] }))["substances"][0].clone();
        close(&found["molar_mass"], parsed(&row["standard_atomic_weight"]), 1e-9, &row["element"]);
        close(&found["stated_uncertainty"], parsed(&row["stated_uncertainty"]), 1e-12, &row["element"]);
    }
    // S1 and S7 of 10_stoichiometry.json, without buoyancy.
    let standard = json!({ "code": "potassium dichromate", "purity": 0.999954, "density": 0 });
    let input = json!({ "standard": standard, "mass_g": "1.2258", "flask": { "ml": 250 } });
    close(&calculated("titrant-preparation", &input)["concentration"], 0.016_666_477_847_371_92, 1e-12, "S1");
    let input = json!({
        "electrons": 1, "standard": { "code": "arsenic(III) oxide", "density": 0 },
        "replicates": [{ "mass_g": "0.1978", "volume_ml": "39.90" }], "burette": { "resolution": "0.02", "capacity": "50" },
    });
    close(
        &calculated("titrant-standardisation", &input)["titrant"]["concentration"],
        0.100_230_261_277_231_35,
        1e-9,
        "S7",
    );
    // Eurachem QUAM, example A2 (read): 0.10214 mol/L, u 0.00010; 0.0000986366 from its table.
    let input = json!({
        "electrons": 1,
        "standard": { "molar_mass": 204.2212, "u_molar_mass": 0.0038, "electrons": 1, "u_purity": 0.00029, "balance_u_g": 0.00013 },
        "replicates": [{ "mass_g": "0.3888", "volume_ml": "18.64" }], "relative_repeatability": 0.0005,
        "burette": { "resolution": "0.05", "capacity": "25", "u_ml": 0.013 },
    });
    let found = calculated("titrant-standardisation", &input)["titrant"].clone();
    close(&found["concentration"], 0.10213616, 5e-9, "A2");
    close(&found["u"], 9.86366e-5, 5e-10, "u of A2");
}

#[test]
fn roots_and_proofs_are_the_published_ones() {
    let table = document("11_merkle.json");
    let entries = &table["leaf_inputs_hex"];
    for (size, root) in table["roots_by_size"].as_array().unwrap().iter().enumerate() {
        assert_eq!(&calculated("merkle-tree", &json!({ "entries": entries, "size": size }))["root"], root, "{size}");
    }
    for case in table["inclusion"].as_array().unwrap() {
        let (index, size) = (&case["leaf_index"], &case["tree_size"]);
        let found = calculated("merkle-tree", &json!({ "entries": entries, "size": size, "index": index }));
        assert_eq!((&found["inclusion_proof"], &found["root"]), (&case["proof"], &case["root"]));
    }
    for case in table["consistency"].as_array().unwrap() {
        let found =
            calculated("merkle-tree", &json!({ "entries": entries, "size": case["size2"], "older": case["size1"] }));
        assert_eq!((&found["consistency_proof"], &found["older_root"]), (&case["proof"], &case["root1"]));
    }
    let checks = &table["hash_checks"];
    let texts = calculated("merkle-tree", &json!({ "texts": ["", "L123456"] }));
    assert_eq!(texts["leaf_hashes"], json!([checks["empty_leaf"], checks["leaf_L123456"]]));
    // "N123" and "N456" as bytes.
    let node = calculated("merkle-tree", &json!({ "node": ["4e313233", "4e343536"] }));
    assert_eq!((&node["node_hash"], &node["root"]), (&checks["node_N123_N456"], &checks["empty_root"]));
    let probes = document("11_merkle_probes.json");
    for probe in probes["probes"].as_array().unwrap() {
        let input = if probe["kind"] == "consistency" {
            json!({ "older": probe["size1"], "size": probe["size2"], "older_root": probe["root1"], "root": probe["root2"], "proof": probe["proof"] })
        } else {
            json!({ "index": probe["leafIdx"], "size": probe["treeSize"], "leaf_hash": probe["leafHash"], "root": probe["root"], "proof": probe["proof"] })
        };
        assert_eq!(
            calculated("merkle-proof", &input)["holds"],
            !probe["want_error"].as_bool().unwrap(),
            "{}",
            probe["desc"]
        );
    }
}

/// JCGM 100:2008, H.2 (from memory): means of five simultaneous readings, their standard uncertainties and correlations;
/// R 127.732 (u 0.071), X 219.847 (u 0.295), Z 254.260 ohm (u 0.236), r(R, X) -0.588, r(R, Z) -0.485, r(X, Z) 0.993. The
/// readings, from which those figures are: V 5.007, 4.994, 5.005, 4.990, 4.999 V; I 19.663, 19.639, 19.640, 19.685, 19.678
/// mA; phi 1.0456, 1.0438, 1.0468, 1.0428, 1.0433 rad.
#[test]
fn simultaneous_readings_give_the_joint_results_of_the_guide_in_every_order() {
    let v = [5.007, 4.994, 5.005, 4.990, 4.999];
    let i = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
    let phi = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
    let mean = |x: &[f64; 5]| x.iter().sum::<f64>() / 5.0;
    let product =
        |x: &[f64; 5], y: &[f64; 5]| x.iter().zip(y).map(|(a, b)| (a - mean(x)) * (b - mean(y))).sum::<f64>() / 20.0;
    let r = |x, y| product(x, y) / (product(x, x) * product(y, y)).sqrt();
    let inputs: Vec<Value> = [("V", &v), ("I", &i), ("phi", &phi)]
        .iter()
        .map(|(id, x)| json!({ "id": id, "value": mean(x), "u": product(x, x).sqrt(), "degrees_of_freedom": 4 }))
        .collect();
    let pairs = [("V", "I", r(&v, &i)), ("V", "phi", r(&v, &phi)), ("I", "phi", r(&i, &phi))];
    // cos and sin have no place in a formula here: tan(phi) and cos(phi) by their derivatives would be another model, so Z
    // is asked for alone, and R and X from cos and sin of the mean with their first derivatives.
    let (c, s) = (mean(&phi).cos(), mean(&phi).sin());
    let results = json!([
        { "id": "R", "model": format!("V / I * ({c} - {s} * (phi - {}))", mean(&phi)) },
        { "id": "X", "model": format!("V / I * ({s} + {c} * (phi - {}))", mean(&phi)) },
        { "id": "Z", "model": "V / I" },
    ]);
    for order in [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]] {
        let correlations: Vec<Value> = order
            .iter()
            .map(|at| {
                let (first, second, r) = pairs[*at];
                json!({ "first": second, "second": first, "r": r })
            })
            .collect();
        let mut input = json!({ "inputs": inputs, "correlations": correlations, "results": results });
        let found = calculated("joint-uncertainty", &input);
        for (at, value, u) in [(0, 127.732, 0.071), (1, 219.847, 0.295), (2, 254.260, 0.236)] {
            close(&found["results"][at]["value"], value, 5.1e-4, "value");
            // The guide prints 0.295 for 0.2956.
            close(&found["results"][at]["u"], u, 6e-4, "u");
        }
        for (a, b, r) in [(0, 1, -0.588), (0, 2, -0.485), (1, 2, 0.993)] {
            close(&found["correlation"][a][b], r, 5.1e-4, "r");
        }
        input = json!({ "model": "V / I", "inputs": inputs, "correlations": correlations });
        close(&calculated("uncertainty", &input)["u"], 0.236, 5.1e-4, "Z");
        // 10^5 trials: the standard error of u is u / sqrt(2e5), 0.0005.
        input["trials"] = json!(100_000);
        close(&calculated("monte-carlo", &input)["standard_uncertainty"], 0.236, 2.1e-3, "Z by simulation");
    }
}

/// Three at 0.71 are possible in any order (determinant 0.203 by hand); 0.9, 0.9 and -0.9 are not (determinant -2.9).
#[test]
fn correlations_are_judged_together_wherever_they_are_stated() {
    let inputs: Vec<Value> = ["a", "b", "c"].map(|id| json!({ "id": id, "value": 1, "u": 0.1 })).to_vec();
    let of = |r: [f64; 3]| {
        json!({
            "model": "a + b + c", "inputs": inputs,
            "correlations": [{ "first": "a", "second": "b", "r": r[0] }, { "first": "b", "second": "c", "r": r[1] },
                { "first": "a", "second": "c", "r": r[2] }],
        })
    };
    // u of the sum: 0.1 sqrt(3 + 6 r), by hand.
    close(&calculated("uncertainty", &of([0.71; 3]))["u"], 0.1 * (3.0 + 6.0 * 0.71f64).sqrt(), 1e-12, "u");
    let input = of([0.9, 0.9, -0.9]).to_string();
    for name in ["uncertainty", "monte-carlo"] {
        let refusal = subject(name).unwrap().calculate(input.as_bytes(), Place::Service).unwrap_err();
        assert_eq!(refusal.fields[0].field, "correlations");
    }
    // What is wholly correlated and cancels has no uncertainty, and is not refused.
    let equal = ["a", "b"].map(|id| json!({ "id": id, "value": 1, "sd": 0.1, "n": 5 }));
    let input = json!({
        "model": "a - b", "inputs": equal, "correlations": [{ "first": "a", "second": "b", "r": 1 }],
        "coverage": { "probability": 0.95 },
    });
    close(&calculated("uncertainty", &input)["u"], 0.0, 1e-12, "u");
    for p in [-0.5, 0.0, 1.0] {
        let mut input = input.clone();
        input["coverage"] = json!({ "probability": p });
        let refusal =
            subject("uncertainty").unwrap().calculate(input.to_string().as_bytes(), Place::Service).unwrap_err();
        assert_eq!(refusal.fields[0].field, "probability", "{p}");
    }
}

/// mpmath 1.3, 40 digits, LU decomposition of the same integral equations with other numbers of nodes; the closed form of k
/// in a row, (1 - p^k) / ((1 - p) p^k) (Feller, from memory), for 15 within one sigma.
#[test]
fn long_run_lengths_keep_their_digits_and_endless_ones_are_not_computed() {
    for (h, shift, expected) in [
        (10.0, 0.0, 140_264.979_510_015),
        (30.0, 0.0, 6.806_351_052_979_28e13),
        (30.0, -0.5, 5.561_090_927_958_45e26),
        (30.0, 0.25, 46_789_667.525_107_7),
    ] {
        let found = calculated("cusum", &json!({ "k": 0.5, "h": h, "shifts": [shift] }));
        close(&found["run_lengths"][0]["average_run_length_upper"], expected, 1e-11 * expected, "CUSUM");
    }
    for (lambda, limit, shift, expected) in [
        (0.2, 9.0, 0.0, 4.441_068_006_549_59e18),
        (0.2, 6.0, 0.5, 338_895.201_244_883),
        (0.05, 5.0, 0.0, 3_361_810.388_961_78),
    ] {
        let found = calculated("ewma", &json!({ "lambda": lambda, "limit": limit, "shifts": [shift] }));
        close(&found["run_lengths"][0]["average_run_length"], expected, 1e-11 * expected, "EWMA");
    }
    let found = calculated("cusum", &json!({ "k": 0.5, "h": 150, "shifts": [-30, 1] }));
    assert!(found["run_lengths"][0]["average_run_length_upper"].is_null());
    close(&found["run_lengths"][1]["siegmund"]["upper"], 300.0 + 2.332 - 2.0, 0.01, "Siegmund, by hand");
    for (shift, inside) in [(0.0, 0.682_689_492_137_086), (3.0, 0.022_718_460_706_346)] {
        let rules = json!({ "rules": [{ "within": 15, "sigmas": 1 }], "shift": shift });
        let p: f64 = inside;
        let expected = (1.0 - p.powi(15)) / ((1.0 - p) * p.powi(15));
        close(&calculated("run-length", &rules)["average"], expected, 1e-4 * expected, "15 within");
    }
    // Beyond 10 sigma: 1 / (2 Q(10)) = 6.6e22 points; no double counts them one by one.
    let far = calculated("run-length", &json!({ "rules": [{ "beyond": 1, "sigmas": 10 }] }));
    close(&far["average"], 1.0 / (2.0 * 7.619_853_024_160_527e-24), 1e12, "10 sigma");
    assert!(far["median"].is_null());
}

/// By hand, 21.46 and 23.18 mL at 5.5845 g/L per mL, u of a titre 0.02 mL, of the common factor 0.15 %:
/// u^2 = K^2 (0.02^2 + 0.02^2) + (0.0015 Fe(III))^2 = 0.1586^2; as if independent 0.3082; 0.22 % at 101.5 g/L.
#[test]
fn iron_iii_has_the_uncertainty_of_what_is_not_shared_and_the_aliquot_that_fits() {
    let total = 23.18 * 5.5845;
    let input = json!({
        "total": total, "electrons": 6, "concentration": 1.0 / 60.0, "relative_u_concentration": 0.0015, "dilution": 25,
        "aliquots": [{ "ml": 25 }, { "ml": 10 }, { "ml": 40 }], "u_titre_ml": 0.02,
        "ratios": [21.46 / 23.18, 1.0 - 101.5 / total],
    });
    let found = calculated("iron3-plan", &input);
    let (tight, wide) = (&found["aliquots"][0]["map"][0], &found["aliquots"][0]["map"][1]);
    close(&found["aliquots"][0]["titre_ml"], 23.18, 1e-9, "titre");
    close(&tight["iron3"], 9.605, 5e-4, "iron(III)");
    close(&tight["u"], 0.1586, 5e-5, "u");
    close(&tight["u_if_independent"], 0.3082, 5e-5, "u as if independent");
    close(&wide["relative_u"], 0.0022, 5e-5, "relative u");
    // 40 mL take 37.09 mL of titrant, the only one from 30 to 45; 37.5 mL would need 40.44 mL.
    close(&found["best_ml"], 40.0, 0.0, "aliquot");
    close(&found["ideal_ml"], 37.5 / 23.18 * 25.0, 1e-9, "ideal aliquot");
}
