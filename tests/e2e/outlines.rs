//! Every outline of a method, worked from its rules to an approved result by an example that is published.

use ferrotitre_tests::bench::{calibration, day, days_ahead, equipment, install, minutes_ago, text};
use serde_json::{Map, Value, json};

use crate::lab::{Lab, sign};

/// What an example titrates with.
enum Titrant {
    /// Grams of potassium dichromate (0.9998) in one litre.
    Dichromate { grams: &'static str },
    /// A standard, the grams of it in each titration, the mL that it took, the nominal concentration in mol/L.
    Standardised {
        species: &'static str,
        standard: &'static str,
        grams: &'static str,
        ml: &'static str,
        nominal: &'static str,
    },
}

enum Portion {
    Grams(&'static str),
    TenMillilitres,
}

struct Example {
    outline: &'static str,
    titrant: Titrant,
    portion: Portion,
    /// Final readings of each titration; the burette is filled again for each after the first.
    readings: &'static [&'static str],
    unit: &'static str,
    expressed: &'static str,
    published: f64,
    /// Half a unit of the last digit printed, unless said otherwise.
    within: f64,
}

/// The seven that titrate directly.
const EXAMPLES: [Example; 7] = [
    // An ore of 0.5031 g whose iron is all iron(II), 24.34 mL of 0.01887 mol/L: a problem read on a public page of questions and
    // answers (jiskha.com, 1384219), the answer computed with the masses of CIAAW. Grams of dichromate are
    // those that its mass fraction and the buoyancy of air leave of the concentration printed.
    Example {
        outline: "iron2-dichromate",
        titrant: Titrant::Dichromate { grams: "5.5507" },
        portion: Portion::Grams("0.5031"),
        readings: &["24.34"],
        unit: "% m/m",
        expressed: "Fe",
        published: 30.59,
        within: 0.005,
    },
    // Harvey, Analytical Chemistry 2.1 (open textbook), chapter 9.4, example of the ore of 0.4891 g: 36.92 mL of 0.02153 mol/L, 77.86 %
    // Fe2O3 (from memory).
    Example {
        outline: "ore-tin-titanium",
        titrant: Titrant::Dichromate { grams: "6.3331" },
        portion: Portion::Grams("0.4891"),
        readings: &["36.92"],
        unit: "% m/m",
        expressed: "Fe2O3",
        published: 77.86,
        within: 0.005,
    },
    // 2.0008 g of ore, 26.48 mL of 0.034 mol/L: a problem read on a public page (jiskha.com, 1329344270); 21.56 % Fe2O3 by hand:
    // 26.48 x 0.034 x 6 x 79.8435 / 2000.8.
    Example {
        outline: "total-tin-titanium",
        titrant: Titrant::Dichromate { grams: "10.0012" },
        portion: Portion::Grams("2.0008"),
        readings: &["26.48"],
        unit: "% m/m",
        expressed: "Fe2O3",
        published: 21.56,
        within: 0.005,
    },
    // 385.6 mg of ore through a reductor, 52.36 mL of 0.01436 mol/L: a problem read on a public page (math-principles.com, 2015);
    // 65.34 % iron by hand, 52.36 x 0.01436 x 6 x 55.845 / 385.6. The burette is filled twice.
    Example {
        outline: "total-silver",
        titrant: Titrant::Dichromate { grams: "4.2240" },
        portion: Portion::Grams("0.3856"),
        readings: &["50.00", "2.36"],
        unit: "% m/m",
        expressed: "Fe",
        published: 65.34,
        within: 0.005,
    },
    // Skoog, West, Holler: Fundamentals of Analytical Chemistry, the ore of 0.8040 g: 47.22 mL of 0.02242 mol/L, 36.77 % Fe (from
    // memory; the problem is read, with normal concentrations, at byjus.com). 0.1998 g of oxalate take 26.60 mL of it.
    Example {
        outline: "iron2-permanganate",
        titrant: Titrant::Standardised {
            species: "permanganate",
            standard: "sodium oxalate",
            grams: "0.1998",
            ml: "26.60",
            nominal: "0.0224",
        },
        portion: Portion::Grams("0.8040"),
        readings: &["47.22"],
        unit: "% m/m",
        expressed: "Fe",
        published: 36.77,
        within: 0.005,
    },
    // British Pharmacopoeia, assay of ferrous sulfate: 1 mL of 0.1 mol/L cerium(IV) is 15.19 mg of FeSO4 (from memory), 5.584 mg of
    // iron. 0.1978 g of As2O3 take 39.90 mL of 0.10023 mol/L (computed). 25.00 mL for 10 mL: 25.00 x 1.0023 x 0.5584 g/L.
    Example {
        outline: "iron2-cerium",
        titrant: Titrant::Standardised {
            species: "cerium(IV)",
            standard: "arsenic(III) oxide",
            grams: "0.1978",
            ml: "39.90",
            nominal: "0.1",
        },
        portion: Portion::TenMillilitres,
        readings: &["25.00"],
        unit: "g/L",
        expressed: "Fe",
        published: 13.99,
        within: 0.005,
    },
    // Talbot: An Introductory Course of Quantitative Chemical Analysis (public domain), problems: one gram of an oxide of iron, reduced
    // with tin(II) and mercury(II), takes 12.94 mL of normal dichromate; answer Fe3O4, of which 72.36 % is iron (FeO 77.7,
    // Fe2O3 69.9): what the volume gives is 0.10 from the formula.
    Example {
        outline: "total-tin-mercury",
        titrant: Titrant::Dichromate { grams: "49.0255" },
        portion: Portion::Grams("1.0000"),
        readings: &["12.94"],
        unit: "% m/m",
        expressed: "Fe",
        published: 72.36,
        within: 0.15,
    },
];

/// What the outlines leave to the laboratory, and the rules of theirs that an example has otherwise.
async fn method(lab: &Lab, outline: &str, code: &str, unit: &str, expressed: &str) -> (String, Value) {
    let outlines = lab.app.analyst.get("/method-outlines").await.expect(200);
    let outline = outlines.as_array().unwrap().iter().find(|one| one["key"] == outline).unwrap().clone();
    let mut rules = Map::new();
    for proposal in outline["proposals"].as_array().unwrap() {
        let rule = text(proposal, "field").replace("rules.", "");
        let value = match text(proposal, "value").as_str() {
            "true" => json!(true),
            count if ["minimum_titres", "give_up_after"].contains(&rule.as_str()) => {
                count.parse::<u64>().unwrap().into()
            }
            value => json!(value),
        };
        rules.insert(rule, value);
    }
    for (rule, value) in [
        ("end_point_u_ml", "0.01"),
        ("validated_low", "1"),
        ("validated_high", "95"),
        ("unit", unit),
        ("expressed", expressed),
    ] {
        rules.insert(rule.to_owned(), json!(value));
    }
    // Burettes of the examples have no corrections, and no temperatures are told.
    for rule in ["correct_burette", "correct_temperature"] {
        rules.insert(rule.to_owned(), json!(false));
    }
    let mut facts = json!({ "code": code, "matrix": "ore", "rules": rules });
    for same in ["title", "principle", "analyte", "chemistry", "reduction", "indicator"] {
        facts[same] = outline[same].clone();
    }
    if outline["reduction"] == "tin(II) and mercury(II)" {
        facts["mercury_reason"] = json!("the customer's contract names it");
    }
    let method = lab.app.manager.post("/methods", &facts).await.expect(201);
    let moves = format!("/methods/{}/moves", text(&method, "id"));
    let _ = lab.app.manager2.post(&moves, &json!({ "to": "approved" })).await.expect(201);
    let competence = json!({ "method_code": code, "valid_from": day(-90), "valid_to": day(300), "evidence": "seven blind replicates" });
    for analyst in [&lab.app.analyst, &lab.app.analyst2] {
        let path = format!("/accounts/{}/competences", analyst.id);
        let _ = lab.app.manager.post(&path, &competence).await.expect(201);
    }
    let version = text(&method, "version_id");
    let plan = json!({ "method": version, "charts": [], "blanks": 1, "duplicates": 0 });
    let _ = lab.app.manager.post("/qc-plans", &plan).await.expect(201);
    (version, outline)
}

async fn standard(lab: &Lab, substance: &str) -> String {
    let facts = json!({
        "code": format!("PS-{}", &substance[..6]), "substance": substance, "supplier": "reference materials", "supplier_lot": "3",
        "certificate": "RM-3", "mass_fraction": "1.0000", "expanded_uncertainty": "0.0003", "coverage_factor": "2",
        "basis": "reducing capacity", "expires_on": day(300),
    });
    let standard = text(&lab.app.analyst.post("/primary-standards", &facts).await.expect(201), "id");
    let _ = lab
        .app
        .manager
        .post(&format!("/primary-standards/{standard}/moves"), &json!({ "to": "released" }))
        .await
        .expect(201);
    standard
}

async fn lot(lab: &Lab, code: &str, species: &str, nominal: &str, route: &str) -> String {
    let facts = json!({
        "code": code, "species": species, "nominal_concentration": nominal, "concentration_unit": "mol/L", "route": route,
        "factor_low": "0.990", "factor_high": "1.010", "storage": "dark, 20 C", "container": "amber glass",
        "expires_at": days_ahead(20), "observed_at": minutes_ago(600),
    });
    text(&lab.app.analyst.post("/titrants", &facts).await.expect(201), "id")
}

async fn dichromate(lab: &Lab, code: &str, grams: &str) -> String {
    // K2Cr2O7, 294.182 g/mol.
    let nominal = format!("{:.5}", grams.parse::<f64>().unwrap() / 294.182);
    let lot = lot(lab, code, "dichromate", &nominal, "direct preparation").await;
    let standards = lab.app.auditor.get("/primary-standards").await.expect(200);
    let released = standards["items"].as_array().unwrap().iter().find(|one| one["code"] == "PS-1").unwrap();
    let preparation = json!({
        "titrant": lot, "primary_standard": released["version_id"], "mass_g": grams, "balance": lab.bench.balance,
        "flask": lab.bench.flask_1000, "solution_temperature": "20.0", "observed_at": minutes_ago(600),
    });
    let _ = lab.app.analyst.post("/preparations", &preparation).await.expect(201);
    let _ = lab.app.manager.sign(&format!("/titrants/{lot}/release"), None).await.expect(201);
    lot
}

/// Three replicates, signed and approved.
async fn standardised(lab: &Lab, lot: &str, mut begin: Value, grams: Option<&str>, ml: &str) {
    begin["burette"] = json!(lab.bench.burette);
    for (fact, value) in [
        ("valid_days", json!(1)),
        ("correct_burette", json!(false)),
        ("correct_temperature", json!(false)),
        ("correct_buoyancy", json!(false)),
        ("observed_at", json!(minutes_ago(500))),
    ] {
        begin[fact] = value;
    }
    let begun = lab.app.analyst.post(&format!("/titrants/{lot}/standardisations"), &begin).await.expect(201);
    let path = format!("/standardisations/{}", text(&begun, "id"));
    for _ in 0..3 {
        let titration = json!({
            "kind": "replicate", "mass_g": grams, "initial_readings": ["0.00"], "final_readings": [ml],
            "end_point": "sharp", "observed_at": minutes_ago(490),
        });
        let _ = lab.app.analyst.post(&format!("{path}/titrations"), &titration).await.expect(201);
    }
    for (who, step) in [(&lab.app.analyst, "submission"), (&lab.app.manager, "approval")] {
        let _ = sign(who, &path, step, None).await.expect(201);
    }
}

async fn titrant(lab: &Lab, code: &str, of: &Titrant) -> String {
    match of {
        Titrant::Dichromate { grams } => dichromate(lab, code, grams).await,
        Titrant::Standardised { species, standard: substance, grams, ml, nominal } => {
            let lot = lot(lab, code, species, nominal, "standardisation").await;
            let indicator = if *species == "permanganate" { "self" } else { "ferroin" };
            let standard = standard(lab, substance).await;
            let begin = json!({
                "code": format!("STD-{code}"), "primary_standard": standard, "balance": lab.bench.balance, "indicator": indicator,
            });
            standardised(lab, &lot, begin, Some(grams), ml).await;
            lot
        }
    }
}

/// A reduction in which everything was seen as its procedure wants it.
fn reduction(procedure: &str) -> Value {
    match procedure {
        "none" => Value::Null,
        "tin(II) and mercury(II)" => json!({
            "solution_clear": true, "stannous_end": "colourless", "stannous_excess_drops": 2, "temperature_at_mercury": "20.5",
            "mercury_in_one_portion": true, "precipitate": "slight white", "standing_minutes": "3", "phosphoric_acid": true,
        }),
        "silver reductor" => json!({
            "solution_clear": true, "checkpoint_seen": true, "standing_minutes": "3", "phosphoric_acid": true,
        }),
        _ => json!({
            "solution_clear": true, "stannous_end": "pale yellow", "checkpoint_seen": true, "standing_minutes": "3",
            "phosphoric_acid": true,
        }),
    }
}

async fn portion(lab: &Lab, code: &str, of: &Portion) -> String {
    let sample =
        text(&lab.app.analyst.post("/samples", &ferrotitre_tests::bench::sample(code)).await.expect(201), "id");
    let mut portion = match of {
        Portion::Grams(grams) => json!({ "mass_g": grams, "balance": lab.bench.balance }),
        Portion::TenMillilitres => json!({ "pipette": lab.bench.pipette_10 }),
    };
    portion["observed_at"] = json!(minutes_ago(50));
    text(&lab.app.analyst.post(&format!("/samples/{sample}/portions"), &portion).await.expect(201), "id")
}

fn titration(lab: &Lab, lot: &str, readings: &[&str], procedure: &str) -> Value {
    json!({
        "kind": "accurate", "titrant": lot, "burette": lab.bench.burette, "initial_readings": vec!["0.00"; readings.len()],
        "final_readings": readings, "solution_temperature": "20.0", "indicator_drops": 6, "end_point": "sharp",
        "waste_stream": "chromium acid", "observed_at": minutes_ago(30), "reduction": reduction(procedure),
    })
}

/// Begins the determination of a portion in a run of its own.
async fn begun(lab: &Lab, version: &str, portion: &str) -> (String, String) {
    let run = lab.run(version).await;
    let new = json!({ "run": run, "portion": portion, "purpose": "sample", "observed_at": minutes_ago(44) });
    let determination = text(&lab.app.analyst.post("/determinations", &new).await.expect(201), "id");
    (run, format!("/determinations/{determination}"))
}

async fn blank(lab: &Lab, run: &str, mut facts: Value, last: &str) {
    for (fact, value) in [
        ("burette", json!(lab.bench.burette)),
        ("initial_readings", json!(["0.00"])),
        ("final_readings", json!([last])),
        ("solution_temperature", json!("20.0")),
        ("indicator_drops", json!(6)),
        ("end_point", json!("sharp")),
        ("observed_at", json!(minutes_ago(40))),
    ] {
        facts[fact] = value;
    }
    let blank = lab.app.analyst.post(&format!("/runs/{run}/blanks"), &facts).await.expect(201);
    let judgement = format!("/blanks/{}/judgement", text(&blank, "id"));
    let _ = lab.app.analyst.post(&judgement, &json!({ "to": "accepted" })).await.expect(201);
}

/// Closes the run, has everything signed, and reads the result in that unit.
async fn approved(lab: &Lab, (run, determination): (&str, &str), (unit, expressed): (&str, &str)) -> f64 {
    let _ = lab.app.analyst.post(&format!("/runs/{run}/closing"), &json!({})).await.expect(201);
    let approved = lab.through(determination).await;
    assert_eq!(approved["state"], "approved", "{approved}");
    let figures = approved["evaluation"]["figures"].as_array().unwrap();
    let found = figures.iter().find(|figure| figure["unit"] == unit && figure["expressed"] == expressed);
    found.unwrap()["value"].as_f64().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_direct_outline_gives_the_result_of_its_published_example() {
    let lab = Lab::without_plans().await;
    for (number, example) in EXAMPLES.iter().enumerate() {
        let code = |letter: &str| format!("{letter}-EX{number}");
        let (version, outline) = method(&lab, example.outline, &code("M"), example.unit, example.expressed).await;
        let lot = titrant(&lab, &code("T"), &example.titrant).await;
        let portion = portion(&lab, &code("S"), &example.portion).await;
        let (run, determination) = begun(&lab, &version, &portion).await;
        // The examples know no blank: one that takes what its iron(II) takes, or nothing.
        match text(&outline, "indicator").as_str() {
            "diphenylamine sulfonate" => {
                let facts = json!({ "kind": "reagent with iron(II)", "iron_equivalent_ml": "1.00", "titrant": lot });
                blank(&lab, &run, facts, "1.00").await;
            }
            _ => blank(&lab, &run, json!({ "kind": "reagent", "titrant": lot }), "0.00").await,
        }
        for _ in 0..2 {
            let titration = titration(&lab, &lot, example.readings, &text(&outline, "reduction"));
            let _ = lab.app.analyst.post(&format!("{determination}/titrations"), &titration).await.expect(201);
        }
        let found = approved(&lab, (&run, &determination), (example.unit, example.expressed)).await;
        println!(
            "{}: {found} {} {}, published {}",
            example.outline, example.unit, example.expressed, example.published
        );
        assert!((found - example.published).abs() < example.within, "{}: {found}", example.outline);
    }
}

/// Talbot, problem 46 (public domain, read): 0.5000 g of limonite, 50 mL of permanganate of which 1 mL is 0.005317 g of iron, then 6 mL
/// of iron(II) sulfate of which 1 mL is 0.009200 g of FeO: 44.60 % iron. 0.2501 g of oxalate take 39.20 mL of that permanganate, 25 mL
/// of 0.1 eq/L dichromate 19.52 mL of that iron(II), and 50 mL of the permanganate alone 37.18 mL of it.
#[tokio::test(flavor = "multi_thread")]
async fn the_outline_of_the_back_titration_gives_the_result_of_its_published_example() {
    let lab = Lab::without_plans().await;
    let (version, _) = method(&lab, "iron2-back", "M-BACK", "% m/m", "Fe").await;
    let permanganate = Titrant::Standardised {
        species: "permanganate",
        standard: "sodium oxalate",
        grams: "0.2501",
        ml: "39.20",
        nominal: "0.01904",
    };
    let oxidant = titrant(&lab, "T-OX", &permanganate).await;
    let iron2 = lot(&lab, "T-FE", "iron(II)", "0.1281", "standardisation").await;
    let begin = json!({
        "code": "STD-T-FE", "reference_titrant": lab.titrant, "pipette": lab.bench.pipette_25, "indicator": "diphenylamine sulfonate",
    });
    standardised(&lab, &iron2, begin, None, "19.52").await;
    let pipette =
        install(&lab.app, &equipment("P50", "pipette", "50", None), &calibration(Some("50.000"), "0.02")).await;
    let portion = portion(&lab, "S-BACK", &Portion::Grams("0.5000")).await;
    let (run, determination) = begun(&lab, &version, &portion).await;
    let facts = json!({ "kind": "reagent", "titrant": iron2, "added_titrant": oxidant, "added_pipette": pipette });
    blank(&lab, &run, facts, "37.18").await;
    for _ in 0..2 {
        let mut titration = titration(&lab, &iron2, &["6.00"], "none");
        titration["oxidant_titrant"] = json!(oxidant);
        titration["oxidant_pipette"] = json!(pipette);
        let _ = lab.app.analyst.post(&format!("{determination}/titrations"), &titration).await.expect(201);
    }
    let found = approved(&lab, (&run, &determination), ("% m/m", "Fe")).await;
    println!("iron2-back: {found} % m/m Fe, published 44.60");
    // Readings to 0.02 mL, one in 31.18 mL; the book takes 55.84 for iron.
    assert!((found - 44.60).abs() < 0.01, "{found}");
}
