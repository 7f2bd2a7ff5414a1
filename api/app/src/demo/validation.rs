//! Validation of the mercury-free method M3 against M2 with all characteristics (event q of the scenario): all
//! limits are met but one, which is why the conclusion has a limitation; one datum is left out with a cause.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_quality::validation_studies::conclusions::{self, Decision};
use ferrotitre_quality::validation_studies::{data, import, plan, reading};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::demo::control::Scatter;
use crate::demo::stock::Stock;
use crate::demo::{Lab, id_of, text_of, wire};

/// Standard deviation of a single result at 118 g/L, g/L.
const SD: f64 = 0.24;

fn limit(statistic: &str, rule: &str, (lower, upper): (Option<&str>, Option<&str>), unit: &str) -> Value {
    json!({ "statistic": statistic, "rule": rule, "lower": lower, "upper": upper, "unit": unit })
}

fn most(statistic: &str, upper: &str, unit: &str) -> Value {
    limit(statistic, "value", (None, Some(upper)), unit)
}

fn within(statistic: &str, lower: &str, upper: &str, unit: &str) -> Value {
    limit(statistic, "interval", (Some(lower), Some(upper)), unit)
}

fn covers(statistic: &str, target: &str, unit: &str) -> Value {
    limit(statistic, "covers", (Some(target), Some(target)), unit)
}

fn planned(kind: &str, title: &str, (unit, n): (&str, i32), design: &Value, limits: &[Value]) -> Value {
    json!({ "kind": kind, "title": title, "unit": unit, "planned_n": n, "design": design, "limits": limits })
}

fn factors() -> Value {
    let factors = [
        ("excess of tin(II) chloride", "1 drop", "3 drops"),
        ("titanium(III) chloride after blue", "1 drop", "3 drops"),
        ("temperature at titanium(III)", "20 C", "35 C"),
        ("standing after the blue has faded", "1 min", "5 min"),
        ("hydrochloric acid", "15 mL", "25 mL"),
        ("phosphoric acid", "5 mL", "15 mL"),
        ("indicator", "4 drops", "8 drops"),
    ];
    factors.iter().map(|(name, low, high)| json!({ "name": name, "low": low, "high": high })).collect()
}

fn precision_and_bias() -> Vec<Value> {
    let crm =
        json!({ "reference": "52.36", "reference_u": "0.03", "words": "iron ore reference material, 0.4 g, blind" });
    let mut competence = crm.clone();
    competence["known_sd"] = json!("0.07");
    competence["known_sd_df"] = json!("24");
    vec![
        planned(
            "repeatability",
            "repeatability at 118 g/L",
            ("g/L", 12),
            &json!({ "resolution": "0.01" }),
            &[most("rsd_r", "0.3", "%")],
        ),
        planned(
            "intermediate precision",
            "eight days, two analysts, two burettes",
            ("g/L", 24),
            &json!({ "groups": 8, "replicates": 3, "resolution": "0.01" }),
            &[most("rsd_i", "0.5", "%"), most("rsd_ratio", "2", "1")],
        ),
        planned("trueness", "certified ore", ("% m/m", 8), &crm, &[most("bias_ratio", "1", "1")]),
        planned(
            "recovery",
            "additions of 20, 50 and 80 g/L to a bath",
            ("g/L", 18),
            &json!({ "groups": 3, "replicates": 3 }),
            &[limit("recovery_at_level", "value", (Some("98"), Some("102")), "%")],
        ),
        planned(
            "competence",
            "analyst-2 against the method",
            ("% m/m", 8),
            &competence,
            &[most("bias_ratio", "1", "1"), limit("variance_p", "value", (Some("0.05"), None), "1")],
        ),
    ]
}

fn range_and_selectivity() -> Vec<Value> {
    vec![
        planned(
            "linearity",
            "six levels in triplicate, random order",
            ("g/L", 18),
            &json!({ "groups": 6, "replicates": 3 }),
            &[
                covers("slope", "1", "1"),
                covers("intercept", "0", "g/L"),
                limit("lack_of_fit_p", "value", (Some("0.05"), None), "1"),
            ],
        ),
        planned(
            "detection",
            "ten baths without iron",
            ("g/L", 10),
            &json!({ "routine_replicates": 2, "routine_blanks": 2, "resolution": "0.001" }),
            &[most("loq", "0.5", "g/L")],
        ),
        planned(
            "detection by difference",
            "iron(III) by difference in freshly reduced baths",
            ("g/L", 24),
            &json!({ "groups": 4, "replicates": 6, "routine_replicates": 2, "titre_ml": "23", "titre_u_ml": "0.02" }),
            &[most("relative_loq_at", "2.5", "%")],
        ),
        planned(
            "ruggedness",
            "seven factors in eight runs at 118 g/L",
            ("g/L", 8),
            &json!({ "factors": factors(), "known_sd": "0.24", "known_sd_df": "24" }),
            &[most("effect_ratio", "1", "1")],
        ),
        planned(
            "selectivity",
            "interferents at their expected maximum, six pairs each",
            ("g/L", 48),
            &json!({ "groups": 4, "replicates": 12 }),
            &[within("relative_difference", "-0.5", "0.5", "%")],
        ),
        planned(
            "stability",
            "iron(II) in acidified samples, 48 h",
            ("g/L", 20),
            &json!({ "groups": 2, "replicates": 10, "holding_hours": "48" }),
            &[within("relative_change", "-0.5", "0.5", "%")],
        ),
        planned(
            "method comparison",
            "twenty baths by M2 and M3 in duplicate",
            ("g/L", 80),
            &json!({ "groups": 20, "replicates": 4, "variance_ratio": "1" }),
            &[
                covers("deming_slope", "1", "1"),
                covers("deming_intercept", "0", "g/L"),
                within("relative_difference", "-0.5", "0.5", "%"),
            ],
        ),
        planned(
            "uncertainty",
            "budget against control and bias data",
            ("%", 12),
            &json!({}),
            &[limit("u_ratio", "value", (Some("0.5"), Some("2")), "1"), most("expanded", "1.5", "%")],
        ),
    ]
}

/// A datum with its labels.
fn datum(value: f64, places: usize, labels: &Value) -> Value {
    json!({ "value": format!("{value:.places$}"), "labels": labels })
}

/// Data of precision, bias and recovery.
fn of_precision(scatter: &mut Scatter, kind: &str) -> Vec<Value> {
    match kind {
        "repeatability" => (0..12).map(|_| datum(118.0 + SD * scatter.calm(), 2, &json!({}))).collect(),
        "intermediate precision" => {
            let mut all = Vec::new();
            for day in 1..=8 {
                let level = 118.05 + 0.28 * scatter.calm();
                for _ in 0..3 {
                    let (analyst, burette) = if day % 2 == 0 { ("analyst-2", "B-02") } else { ("analyst-1", "B-01") };
                    let labels = json!({ "group": format!("day {day}"), "analyst": analyst, "burette": burette,
                        "lot": "D-1" });
                    all.push(datum(level + SD * scatter.calm(), 2, &labels));
                }
            }
            all
        }
        "trueness" => (0..8)
            .map(|i| datum(52.37 + 0.07 * scatter.calm(), 3, &json!({ "group": format!("day {}", i / 3 + 1) })))
            .collect(),
        "competence" => (0..8).map(|_| datum(52.35 + 0.06 * scatter.calm(), 3, &json!({}))).collect(),
        _ => {
            let mut all = Vec::new();
            for (level, added) in (1..).zip(["20.00", "50.00", "80.00"]) {
                for replicate in 1..=3 {
                    let pair = format!("{level}.{replicate}");
                    let amount: f64 = [20.0, 50.0, 80.0][level - 1];
                    let unspiked = 40.0 + 0.08 * scatter.calm();
                    let spiked = 40.0 + amount * (1.0 + 0.003 * scatter.calm()) + 0.1 * scatter.calm();
                    all.push(datum(unspiked, 2, &json!({ "pair": pair, "arm": "unspiked" })));
                    all.push(datum(spiked, 2, &json!({ "pair": pair, "arm": "spiked", "added": added })));
                }
            }
            all
        }
    }
}

/// Pairs with and without an interferent: copper lets titanium(III) be used up and raises the result.
fn of_selectivity(scatter: &mut Scatter) -> Vec<Value> {
    let mut all = Vec::new();
    for (interferent, shift) in
        [("copper 0.5 g/L", 0.0042), ("manganese 5 g/L", 0.0), ("zinc 10 g/L", -0.0004), ("organic inhibitor", 0.0005)]
    {
        for pair in 1..=6 {
            let labels =
                |arm: &str| json!({ "group": interferent, "pair": format!("{interferent}, {pair}"), "arm": arm });
            let level = 118.0 + 0.4 * scatter.calm();
            all.push(datum(level + 0.12 * scatter.calm(), 2, &labels("without")));
            all.push(datum(level * (1.0 + shift) + 0.12 * scatter.calm(), 2, &labels("with")));
        }
    }
    all
}

/// Twenty baths; one replicate of the seventh lost a bubble and is repeated.
fn of_comparison(scatter: &mut Scatter) -> Vec<Value> {
    let mut all = Vec::new();
    for bath in 1..=20 {
        let level = 60.0 + 5.0 * f64::from(bath);
        let pair = format!("bath {bath}");
        for arm in ["reference", "new"] {
            for replicate in 1..=2 {
                let lost = if (bath, arm, replicate) == (7, "new", 2) { -3.1 } else { 0.0 };
                let value = level * (1.0 + 0.0015 * scatter.calm()) + lost;
                all.push(datum(value, 2, &json!({ "pair": pair, "arm": arm })));
            }
        }
    }
    all
}

/// The data of a kind.
fn of_kind(scatter: &mut Scatter, kind: &str) -> Vec<Value> {
    match kind {
        "repeatability" | "intermediate precision" | "trueness" | "competence" | "recovery" => {
            of_precision(scatter, kind)
        }
        "detection" => (0..10).map(|_| datum(0.012 + 0.024 * scatter.calm(), 3, &json!({}))).collect(),
        "detection by difference" => {
            let mut all = Vec::new();
            for (total, level) in [("60.0", 60.0), ("90.0", 90.0), ("120.0", 120.0), ("160.0", 160.0)] {
                all.extend((0..6).map(|_| datum(0.0012 * level * scatter.calm(), 3, &json!({ "taken": total }))));
            }
            all
        }
        "ruggedness" => (1..=8).map(|run| datum(118.0 + 0.12 * scatter.calm(), 2, &json!({ "run": run }))).collect(),
        "selectivity" => of_selectivity(scatter),
        "stability" => {
            let mut all = Vec::new();
            for storage in ["acidified, 4 C", "acidified, 20 C"] {
                for (hours, time) in [("0", 0.0), ("1", 1.0), ("4", 4.0), ("24", 24.0), ("48", 48.0)] {
                    for _ in 0..2 {
                        let value = 96.4 - 0.002 * time + 0.09 * scatter.calm();
                        all.push(datum(value, 2, &json!({ "hours": hours, "group": storage })));
                    }
                }
            }
            all
        }
        "method comparison" => of_comparison(scatter),
        _ => {
            let arm = |value: f64, arm: &str| datum(value, 2, &json!({ "arm": arm }));
            let mut all: Vec<Value> = [0.46, 0.49, 0.51, 0.47].map(|u| arm(u, "bottom-up")).to_vec();
            all.push(arm(0.35, "within-laboratory"));
            all.extend([0.4, -0.3, 0.6, 0.2, -0.5, 0.3].map(|bias| arm(bias, "bias")));
            all.push(arm(0.25, "reference"));
            all
        }
    }
}

/// The line of six levels comes as a table from the bench book, with decimal commas.
fn line_table(scatter: &mut Scatter) -> Value {
    let mut text = "ferrotitre validation data 1\nvalue [g/L];taken [g/L];analyst;burette;lot;note\n".to_owned();
    for (level, taken) in
        [("10,00", 10.0), ("40,00", 40.0), ("70,00", 70.0), ("100,00", 100.0), ("130,00", 130.0), ("160,00", 160.0)]
    {
        for _ in 0..3 {
            let found = format!("{:.2}", taken + 0.16 * scatter.calm()).replace('.', ",");
            text.push_str(&format!("{found};{level};analyst-1;B-01;D-1;\n"));
        }
    }
    json!({ "file_name": "linearity of M3.csv", "decimal_mark": "comma", "separator": "semicolon", "text": text })
}

/// Id of a datum of an answer, by its position.
fn datum_at(answer: &Answer, position: usize) -> Result<Uuid, Refusal> {
    let value: Value = serde_json::from_str(&answer.body).map_err(Refusal::internal)?;
    let id = value["inputs"]["rows"][position]["datum"].as_str().unwrap_or_default();
    id.parse().map_err(Refusal::internal)
}

/// The replicate that lost a bubble is left out by two people and made again.
async fn bubble(lab: &Lab<'_>, comparison: Uuid, answer: &Answer) -> Result<(), Refusal> {
    let act = lab.analyst_1.act("conduct_validation");
    // Bath 7 begins after 24 data; its fourth is the second of the new method.
    let lost = datum_at(answer, 27)?;
    let new = json!({ "cause": "air bubble",
        "evidence": "bench book 9, page 31: a bubble left the tip of B-02 during the titration; seen by analyst-2" });
    let proposed = data::exclude(lab.db, &act, lost, wire(&new)?).await?;
    let exclusion = id_of(&proposed)?;
    let manager = &lab.manager_1;
    let signed = manager.act("approve_validation");
    let signature = manager.signature_on(text_of(&proposed, "content_digest")?, None);
    data::decide_exclusion(lab.db, &signed, &manager.user, lab.policy, (exclusion, true), signature).await?;
    let again = json!({ "data": [datum(94.93, 2, &json!({ "pair": "bath 7", "arm": "new", "note": "made again" }))] });
    data::record(lab.db, &act, comparison, wire(&again)?).await.map(|_| ())
}

async fn conclude(lab: &Lab<'_>, study: Uuid) -> Result<(), Refusal> {
    let author = &lab.analyst_1;
    let conclusion = json!({ "fit": true,
        "words": "M3 is fit to release hydrochloric pickling baths in place of M2: precision, trueness and agreement with M2 meet \
            their limits. Equivalence in the presence of 0.5 g/L copper was not shown.",
        "validated_low": "1", "validated_high": "160", "unit": "g/L", "matrix": "hydrochloric pickling bath",
        "limitations": "not for baths with more than 0.1 g/L copper, which raises the result by about 0.4 %; iron(III) by difference \
            only above 2.5 % of total iron",
        "answers_digest": reading::answers(lab.db, study).await?.content_digest, "password": author.password });
    let act = author.act("conduct_validation");
    conclusions::conclude(lab.db, &act, &author.user, lab.policy, study, wire(&conclusion)?).await?;
    for (person, action, decision) in [
        (&lab.manager_2, "review_validation", Decision::Review),
        (&lab.manager_1, "approve_validation", Decision::Approve),
    ] {
        let act = person.act(action);
        let seen = reading::read(lab.db, study).await?.conclusions.pop();
        let seen = seen.map(|conclusion| conclusion.content_digest).unwrap_or_default();
        let signature = person.signature_on(seen, None);
        conclusions::decide(lab.db, &act, &person.user, lab.policy, (study, decision), signature).await?;
    }
    Ok(())
}

/// Makes the records.
pub async fn load(lab: &Lab<'_>, stock: &Stock) -> Result<(), Refusal> {
    let mut characteristics = precision_and_bias();
    characteristics.extend(range_and_selectivity());
    let new = json!({ "code": "VS-M3", "title": "Total iron without mercury in pickling baths: M3 against M2",
        "purpose": "M3 shall replace M2 for release of baths against 120 g/L with U of at most 1.5 %",
        "method": stock.method_mercury_free, "characteristics": characteristics });
    let author = lab.analyst_1.act("conduct_validation");
    let study = id_of(&plan::record(lab.db, &author, wire(&new)?).await?)?;
    let manager = &lab.manager_2;
    let act = manager.act("approve_validation");
    let signature = manager.signature_on(reading::read(lab.db, study).await?.content_digest, None);
    plan::decide(lab.db, &act, &manager.user, lab.policy, (study, true), signature).await?;
    let mut scatter = Scatter(20_261_125);
    for characteristic in reading::read(lab.db, study).await?.characteristics {
        let id = characteristic.id.0;
        let kind = characteristic.kind.text();
        let person = if kind == "competence" { &lab.analyst_2 } else { &lab.analyst_1 };
        let act = person.act("conduct_validation");
        if kind == "linearity" {
            import::import(lab.db, &act, id, wire(&line_table(&mut scatter))?).await?;
            continue;
        }
        let rows = json!({ "data": of_kind(&mut scatter, kind) });
        let answer = data::record(lab.db, &act, id, wire(&rows)?).await?;
        if kind == "method comparison" {
            bubble(lab, id, &answer).await?;
        }
    }
    let answers = reading::answers(lab.db, study).await?;
    if answers.characteristics.len() != 13 {
        return Err(Refusal::new(Code::Internal, "the scenario's study lacks characteristics"));
    }
    conclude(lab, study).await
}
