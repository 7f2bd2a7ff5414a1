//! Equipment, standards, titrants, methods and samples of the scenario.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_bench::equipment::service as equipment;
use ferrotitre_bench::methods;
use ferrotitre_bench::samples::{portions, samples};
use ferrotitre_bench::standards::{primary, reagents};
use ferrotitre_bench::titrants::service as titrants;
use ferrotitre_bench::titrants::standardisations::{self, Step};
use ferrotitre_bench::titrants::wire::NewPreparation;
use ferrotitre_ledger::accounts;
use ferrotitre_results::control_charts::taking;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::demo::{Lab, TAKEN_OVER, id_of, rules, text_of, wire};

/// What the bench works with.
pub struct Stock {
    pub balance: Uuid,
    pub burette: Uuid,
    pub pipette_10: Uuid,
    pub pipette_25: Uuid,
    pub flask_250: Uuid,
    pub flask_1000: Uuid,
    pub dichromate: Uuid,
    pub old_dichromate: Uuid,
    pub iron2: Uuid,
    pub method_iron2: String,
    pub method_total: String,
    pub method_mercury_free: String,
    pub method_back: String,
    /// Iron(II) and total iron, in any version.
    pub record_iron2: String,
    pub record_total: String,
    /// The plan of quality control of the method for total iron, and its version.
    pub plan_total: (Uuid, String),
    pub bath: Uuid,
}

fn to(state: &str) -> NewMove {
    NewMove { to: state.to_owned(), reason: None }
}

async fn piece(lab: &Lab<'_>, facts: &Value, calibration: &Value) -> Result<Uuid, Refusal> {
    let manager = &lab.manager_1;
    let id = id_of(&equipment::record(lab.db, &manager.act("record_equipment"), wire(facts)?).await?)?;
    equipment::record_calibration(lab.db, &manager.act("record_equipment"), id, wire(calibration)?, None).await?;
    Ok(id)
}

pub(super) async fn vessel(
    lab: &Lab<'_>,
    (code, kind): (&str, &str),
    nominal: &str,
    calibrated: &str,
    u: &str,
    due: i64,
) -> Result<Uuid, Refusal> {
    let facts = json!({ "code": code, "kind": kind, "description": format!("{nominal} mL {kind}"), "accuracy_class": "AS",
        "range_low": "0", "range_high": nominal, "unit": "mL" });
    let calibration = json!({ "certificate": format!("CAL-{code}"), "calibrated_on": lab.day(-60), "due_on": lab.day(due),
        "calibrated_value": calibrated, "standard_uncertainty": u });
    piece(lab, &facts, &calibration).await
}

async fn burette(lab: &Lab<'_>, code: &str, corrections: [&str; 6]) -> Result<Uuid, Refusal> {
    let facts = json!({ "code": code, "kind": "burette", "description": "50 mL burette, lateral stopcock", "accuracy_class": "AS",
        "range_low": "0.00", "range_high": "50.00", "resolution": "0.02", "unit": "mL", "location": "bench 2" });
    let table: Vec<Value> = ["0.00", "10.00", "20.00", "30.00", "40.00", "50.00"]
        .iter()
        .zip(corrections)
        .map(|(reading, correction)| json!({ "reading": reading, "correction": correction }))
        .collect();
    let calibration = json!({ "certificate": format!("CAL-{code}"), "calibrated_on": lab.day(-60), "due_on": lab.day(300),
        "corrections": table, "standard_uncertainty": "0.012" });
    piece(lab, &facts, &calibration).await
}

/// Receives and releases a lot of a primary standard; the lot and its version.
pub(super) async fn standard(lab: &Lab<'_>, facts: &Value) -> Result<(Uuid, String), Refusal> {
    let answer = primary::record(lab.db, &lab.analyst_1.act("receive_lots"), wire(facts)?).await?;
    let id = id_of(&answer)?;
    primary::advance(lab.db, &lab.manager_1.act("release_lots"), id, to("released")).await?;
    Ok((id, text_of(&answer, "version_id")?))
}

/// Prepares and releases a lot of dichromate.
pub(super) async fn direct(
    lab: &Lab<'_>,
    code: &str,
    mass: &str,
    (standard, balance, flask): (&str, Uuid, Uuid),
    (made, expires): (i64, i64),
) -> Result<Uuid, Refusal> {
    let new = json!({ "code": code, "species": "dichromate", "nominal_concentration": "0.1", "concentration_unit": "eq/L",
        "route": "direct preparation", "factor_low": "0.990", "factor_high": "1.010", "storage": "20 C, dark",
        "container": "amber glass, 1 L", "expires_at": lab.at(expires, 0), "observed_at": lab.at(made, 8),
        "late_reason": TAKEN_OVER });
    let act = lab.analyst_2.act("prepare_titrants");
    let id = id_of(&titrants::record(lab.db, &act, wire(&new)?).await?)?;
    let facts: NewPreparation =
        wire(&json!({ "titrant": id, "primary_standard": standard, "mass_g": mass, "balance": balance,
        "flask": flask, "solution_temperature": "24.0", "observed_at": lab.at(made, 9) }))?;
    titrants::record_preparation(lab.db, &act, facts).await?;
    let manager = &lab.manager_1;
    let signature = manager.signature_on(titrants::read(lab.db, id).await?.content_digest, None);
    titrants::release(lab.db, &manager.act("release_titrants"), &manager.user, lab.policy, id, signature).await?;
    Ok(id)
}

/// Day of the first standardisation of the permanganate lot.
const DRIFT_BEGINS: i64 = -20;

/// Its weekly standardisations (mass of oxalate in g, final reading in mL): the factor falls by 0.007 % a day (event k).
const WEEKLY: [[(&str, &str); 3]; 7] = [
    [("0.1668", "24.92"), ("0.1719", "25.68"), ("0.1672", "24.98")],
    [("0.1670", "24.96"), ("0.1666", "24.90"), ("0.1674", "25.02")],
    [("0.1701", "25.44"), ("0.1697", "25.38"), ("0.1705", "25.50")],
    [("0.1667", "24.94"), ("0.1671", "25.00"), ("0.1663", "24.88")],
    [("0.1706", "25.54"), ("0.1702", "25.48"), ("0.1710", "25.60")],
    [("0.1707", "25.56"), ("0.1703", "25.50"), ("0.1711", "25.62")],
    [("0.1667", "24.98"), ("0.1663", "24.92"), ("0.1671", "25.04")],
];

/// A lot that is standardised: its record, its titrations (kind, mass, final reading) and their approval.
async fn standardised(
    lab: &Lab<'_>,
    lot: &Value,
    begin: &Value,
    titrations: &[(&str, Option<&str>, &str)],
) -> Result<Uuid, Refusal> {
    let id = id_of(&titrants::record(lab.db, &lab.analyst_2.act("prepare_titrants"), wire(lot)?).await?)?;
    standardise(lab, id, begin, titrations).await?;
    Ok(id)
}

/// One standardisation, signed by the analyst and approved by the manager.
async fn standardise(
    lab: &Lab<'_>,
    id: Uuid,
    begin: &Value,
    titrations: &[(&str, Option<&str>, &str)],
) -> Result<(), Refusal> {
    let (analyst, manager) = (&lab.analyst_2, &lab.manager_1);
    let act = analyst.act("prepare_titrants");
    let begun = id_of(&standardisations::record(lab.db, &act, id, wire(begin)?).await?)?;
    for (kind, mass, last) in titrations {
        let titration = json!({ "kind": kind, "mass_g": mass, "initial_readings": ["0.00"], "final_readings": [last],
            "solution_temperature": "20.0", "end_point": "sharp", "observed_at": begin["observed_at"] });
        standardisations::record_titration(lab.db, &act, begun, wire(&titration)?).await?;
    }
    for (who, what, step) in [(analyst, "prepare_titrants", Step::Submit), (manager, "release_titrants", Step::Approve)]
    {
        let seen = standardisations::read(lab.db, begun).await?.content_digest;
        let signature = who.signature_on(seen, None);
        standardisations::sign(lab.db, &who.act(what), &who.user, lab.policy, begun, step, signature).await?;
    }
    Ok(())
}

/// Records and approves a method; its version and the method itself.
async fn method(lab: &Lab<'_>, facts: &Value) -> Result<(String, String), Refusal> {
    let answer = methods::service::record(lab.db, &lab.manager_1.act("draft_methods"), wire(facts)?).await?;
    let id = id_of(&answer)?;
    methods::service::advance(lab.db, &lab.manager_2.act("approve_methods"), id, to("approved")).await?;
    for analyst in [&lab.analyst_1, &lab.analyst_2] {
        let competence = json!({ "method_code": facts["code"], "valid_from": lab.day(-90), "valid_to": lab.day(300),
            "evidence": "seven blind replicates of the control material" });
        let act = lab.manager_1.act("authorise_competence");
        accounts::service::record_competence(lab.db, &act, analyst.user.account.0, wire(&competence)?).await?;
    }
    Ok((text_of(&answer, "version_id")?, id.to_string()))
}

/// A plan that every run of a method version has a blank, until there are charts.
async fn plan(lab: &Lab<'_>, method: &str) -> Result<(Uuid, String), Refusal> {
    let plan = json!({ "method": method, "charts": [], "blanks": 1, "duplicates": 0 });
    let answer = taking::record(lab.db, &lab.manager_1.act("define_control_charts"), wire(&plan)?).await?;
    Ok((id_of(&answer)?, text_of(&answer, "version_id")?))
}

/// The sample that the clients' results are of, received and accepted.
async fn bath(lab: &Lab<'_>, matrix: &str) -> Result<Uuid, Refusal> {
    let bath = json!({ "code": "S-BATH-1", "client_reference": "bath 3, morning", "description": "pickling bath", "matrix": matrix,
        "sampled_at": lab.at(3, 6), "received_at": lab.at(3, 8), "condition": "clear, green", "preservation": "acidic as taken, no headspace",
        "container": "PE bottle, 250 mL", "storage": "refrigerator 1", "iron2_deadline": lab.at(40, 0), "retained_until": lab.day(400) });
    let bath = id_of(&samples::record(lab.db, &lab.analyst_1.act("register_samples"), wire(&bath)?).await?)?;
    samples::advance(lab.db, &lab.analyst_1.act("register_samples"), bath, to("accepted")).await?;
    Ok(bath)
}

/// The standards and the tin(II); the version of the dichromate and the oxalate.
async fn standards(lab: &Lab<'_>) -> Result<(String, Uuid), Refusal> {
    let dichromate_standard = json!({ "code": "PS-CR-1", "substance": "potassium dichromate", "supplier": "invented supplier",
        "supplier_lot": "A-17", "certificate": "C-2201", "mass_fraction": "0.9998", "expanded_uncertainty": "0.0002",
        "coverage_factor": "2", "basis": "oxidising capacity", "density": "2.676", "drying": "2 h at 110 C", "received_g": "100",
        "opened_on": lab.day(-25), "expires_on": lab.day(700) });
    let (_, standard_version) = standard(lab, &dichromate_standard).await?;
    let oxalate = json!({ "code": "PS-OX-1", "substance": "sodium oxalate", "supplier": "invented supplier", "supplier_lot": "B-3",
        "certificate": "C-2202", "mass_fraction": "0.9996", "expanded_uncertainty": "0.0003", "coverage_factor": "2",
        "basis": "reducing capacity", "drying": "2 h at 105 C", "opened_on": lab.day(-25), "expires_on": lab.day(700) });
    let (oxalate, _) = standard(lab, &oxalate).await?;
    let tin = json!({ "code": "R-SN-1", "substance": "tin(II) chloride", "concentration": "50 g/L in 3 mol/L hydrochloric acid",
        "prepared_on": lab.day(-2), "expires_on": lab.day(60), "hazard_class": "as stated in the supplier's SDS",
        "sds_reference": "SDS folder, tin(II) chloride", "waste_stream": "other acid" });
    reagents::record(lab.db, &lab.analyst_1.act("receive_lots"), wire(&tin)?).await?;
    Ok((standard_version, oxalate))
}

/// Permanganate, standardised week by week against oxalate.
async fn permanganate(lab: &Lab<'_>, oxalate: Uuid, (balance, burette): (Uuid, Uuid)) -> Result<(), Refusal> {
    let permanganate = json!({ "code": "M-1", "species": "permanganate", "nominal_concentration": "0.02", "concentration_unit": "mol/L",
        "route": "standardisation", "factor_low": "0.9954", "factor_high": "1.0050", "storage": "dark", "container": "amber glass",
        "expires_at": lab.at(120, 0), "observed_at": lab.at(DRIFT_BEGINS, 8), "late_reason": TAKEN_OVER });
    let permanganate =
        id_of(&titrants::record(lab.db, &lab.analyst_2.act("prepare_titrants"), wire(&permanganate)?).await?)?;
    for (week, replicates) in (0..).zip(WEEKLY) {
        let begin = json!({ "code": format!("STD-M1-{}", week + 1), "primary_standard": oxalate, "balance": balance, "burette": burette,
            "indicator": "self", "valid_days": 60, "correct_burette": true, "correct_temperature": true, "correct_buoyancy": true,
            "observed_at": lab.at(DRIFT_BEGINS + 7 * week, 9), "late_reason": TAKEN_OVER });
        let replicates = replicates.map(|(mass, last)| ("replicate", Some(mass), last));
        let [first, second, third] = replicates;
        standardise(lab, permanganate, &begin, &[("blank", None, "0.04"), first, second, third]).await?;
    }
    Ok(())
}

/// Iron(II) for back-titrations, standardised against the dichromate.
async fn iron2(lab: &Lab<'_>, dichromate: Uuid, (pipette, burette): (Uuid, Uuid)) -> Result<Uuid, Refusal> {
    let iron2 = json!({ "code": "A-1", "species": "iron(II)", "nominal_concentration": "0.1", "concentration_unit": "mol/L",
        "route": "standardisation", "factor_low": "0.900", "factor_high": "1.100", "storage": "under nitrogen", "container": "glass",
        "expires_at": lab.at(60, 0), "observed_at": lab.at(2, 8), "late_reason": TAKEN_OVER });
    let begin = json!({ "code": "STD-A1-1", "reference_titrant": dichromate, "pipette": pipette, "burette": burette,
        "indicator": "diphenylamine sulfonate", "valid_days": 40, "correct_burette": true, "correct_temperature": true,
        "correct_buoyancy": false, "observed_at": lab.at(2, 9), "late_reason": TAKEN_OVER });
    let replicates = [("replicate", None, "25.36"), ("replicate", None, "25.34"), ("replicate", None, "25.36")];
    standardised(lab, &iron2, &begin, &replicates).await
}

/// Sets everything up.
pub async fn load(lab: &Lab<'_>) -> Result<Stock, Refusal> {
    let balance = piece(
        lab,
        &json!({ "code": "BAL-1", "kind": "balance", "description": "analytical balance", "range_low": "0", "range_high": "220",
            "resolution": "0.0001", "unit": "g", "location": "weighing room" }),
        &json!({ "certificate": "CAL-BAL-1", "calibrated_on": lab.day(-60), "due_on": lab.day(300), "standard_uncertainty": "0.00013" }),
    )
    .await?;
    let burette_1 = burette(lab, "B-01", ["0.00", "-0.02", "0.00", "0.01", "0.02", "0.03"]).await?;
    burette(lab, "B-02", ["0.00", "0.01", "0.02", "0.01", "0.00", "-0.02"]).await?;
    let pipette_10 = vessel(lab, ("P10", "pipette"), "10.00", "9.997", "0.006", 300).await?;
    let pipette_25 = vessel(lab, ("P25", "pipette"), "25.00", "25.004", "0.015", 300).await?;
    vessel(lab, ("P50", "pipette"), "50.00", "49.98", "0.02", -10).await?; // overdue, and refused
    let flask_250 = vessel(lab, ("F250", "flask"), "250.0", "250.03", "0.06", 300).await?;
    vessel(lab, ("F100", "flask"), "100.0", "99.99", "0.04", 300).await?;
    let flask_1000 = vessel(lab, ("F1000", "flask"), "1000.0", "1000.05", "0.12", 300).await?;

    let (standard_version, oxalate) = standards(lab).await?;
    let on = (standard_version.as_str(), balance, flask_1000);
    let old_dichromate = direct(lab, "D-0", "4.9061", on, (-1, 20)).await?;
    let dichromate = direct(lab, "D-1", "4.9058", on, (0, 365)).await?;
    permanganate(lab, oxalate, (balance, burette_1)).await?;
    let iron2 = iron2(lab, dichromate, (pipette_25, burette_1)).await?;

    let matrix = "hydrochloric pickling bath";
    let (method_iron2, record_iron2) = method(lab, &json!({ "code": "M1", "title": "Iron(II) in pickling baths", "principle": "direct titration with dichromate",
        "analyte": "iron(II)", "matrix": matrix, "chemistry": "dichromate", "reduction": "none", "indicator": "diphenylamine sulfonate",
        "rules": rules(&json!({})) })).await?;
    let (method_total, record_total) = method(lab, &json!({ "code": "M2", "title": "Total iron in pickling baths", "principle": "reduction with tin(II), titration with dichromate",
        "analyte": "total iron", "matrix": matrix, "chemistry": "dichromate", "reduction": "tin(II) and mercury(II)",
        "indicator": "diphenylamine sulfonate", "rules": rules(&json!({})),
        "mercury_reason": "comparison with the mercury-free method M3 during its validation" })).await?;
    let (method_mercury_free, _) = method(lab, &json!({ "code": "M3", "title": "Total iron in pickling baths, mercury-free", "principle": "reduction with tin(II) and titanium(III), titration with dichromate",
        "analyte": "total iron", "matrix": matrix, "chemistry": "dichromate", "reduction": "tin(II) and titanium(III)",
        "indicator": "diphenylamine sulfonate", "rules": rules(&json!({ "acceptance": "critical range" })) })).await?;
    let (method_back, _) = method(lab, &json!({ "code": "M5", "title": "Iron(II) by back-titration", "principle": "excess dichromate, back-titrated with iron(II)",
        "analyte": "iron(II)", "matrix": matrix, "chemistry": "back-titration", "reduction": "none", "indicator": "diphenylamine sulfonate",
        "rules": rules(&json!({ "blank": "none", "correct_temperature": false })) })).await?;

    plan(lab, &method_iron2).await?;
    let plan_total = plan(lab, &method_total).await?;
    let bath = bath(lab, matrix).await?;
    Ok(Stock {
        balance,
        burette: burette_1,
        pipette_10,
        pipette_25,
        flask_250,
        flask_1000,
        dichromate,
        old_dichromate,
        iron2,
        method_iron2,
        method_total,
        method_mercury_free,
        method_back,
        record_iron2,
        record_total,
        plan_total,
        bath,
    })
}

/// A portion of the bath: 10 mL to 250 mL, of which 25 mL are titrated.
pub async fn portion(lab: &Lab<'_>, stock: &Stock, observed_at: &str) -> Result<Uuid, Refusal> {
    portion_of(lab, stock, stock.bath, observed_at).await
}

/// The same of another sample.
pub async fn portion_of(lab: &Lab<'_>, stock: &Stock, sample: Uuid, observed_at: &str) -> Result<Uuid, Refusal> {
    let new = json!({ "pipette": stock.pipette_10, "dilution": [{ "flask": stock.flask_250 }], "aliquot_pipette": stock.pipette_25,
        "density": "1.284", "density_u": "0.002", "temperature": "21.0", "observed_at": observed_at, "late_reason": TAKEN_OVER });
    id_of(&portions::record(lab.db, &lab.analyst_1.act("register_samples"), sample, wire(&new)?).await?)
}
