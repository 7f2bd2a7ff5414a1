//! Runs, determinations and signatures of the scenario (events a, b, c, l, p and v of the scenario).

use chrono::{Duration, Utc};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::concessions;
use ferrotitre_results::determinations::steps::{self, Step};
use ferrotitre_results::determinations::{discordance, iron_results, service as determinations, supervision};
use ferrotitre_results::runs::{blanks, service as runs};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::demo::stock::{Stock, portion};
use crate::demo::{Lab, Person, TAKEN_OVER, id_of, wire};

/// What to look at first.
pub struct Results {
    pub iron_result: Uuid,
    pub determination: Uuid,
    /// One that was amended once.
    pub amended: Uuid,
    /// One that stands under a concession.
    pub conceded: Uuid,
    /// Of the first weeks of a trainee.
    pub first_weeks: Vec<Uuid>,
}

async fn open_run(lab: &Lab<'_>, method: &str, at: &str) -> Result<Uuid, Refusal> {
    open_run_with(lab, method, at, None).await
}

/// Opens a run, which may repeat a rejected one.
pub async fn open_run_with(lab: &Lab<'_>, method: &str, at: &str, repeats: Option<Uuid>) -> Result<Uuid, Refusal> {
    let new = json!({ "method": method, "bench": "bench 2", "environment_temperature": "21.5", "repeats": repeats,
        "observed_at": at, "late_reason": TAKEN_OVER });
    id_of(&runs::open(lab.db, &lab.analyst_1.act("conduct_runs"), wire(&new)?).await?)
}

pub async fn blank(lab: &Lab<'_>, stock: &Stock, run: Uuid, at: &str) -> Result<(), Refusal> {
    blank_with(lab, stock, stock.dichromate, (run, at)).await
}

/// The same with another lot of titrant.
pub(super) async fn blank_with(
    lab: &Lab<'_>,
    stock: &Stock,
    titrant: Uuid,
    (run, at): (Uuid, &str),
) -> Result<(), Refusal> {
    let new = json!({ "kind": "reagent with iron(II)", "titrant": titrant, "burette": stock.burette,
        "initial_readings": ["0.00"], "final_readings": ["1.04"], "solution_temperature": "21.0", "indicator_drops": 6,
        "end_point": "green to violet, sharp", "iron_equivalent_ml": "1.00", "observed_at": at });
    let act = lab.analyst_1.act("conduct_runs");
    let blank = id_of(&blanks::record(lab.db, &act, run, wire(&new)?).await?)?;
    blanks::judge(lab.db, &act, blank, wire(&json!({ "to": "accepted" }))?).await.map(|_| ())
}

async fn begin(lab: &Lab<'_>, run: Uuid, portion: Uuid, at: &str) -> Result<Uuid, Refusal> {
    begin_as(lab, run, portion, "sample", at).await
}

/// Begins a determination of a sample or of a control.
pub async fn begin_as(lab: &Lab<'_>, run: Uuid, portion: Uuid, purpose: &str, at: &str) -> Result<Uuid, Refusal> {
    let new = json!({ "run": run, "portion": portion, "purpose": purpose, "observed_at": at });
    id_of(&determinations::record(lab.db, &lab.analyst_1.act("conduct_runs"), wire(&new)?).await?)
}

/// A titration as the scenario's bench makes it; `changes` replace fields.
pub fn titration(stock: &Stock, kind: &str, last: &str, at: &str, changes: &Value) -> Value {
    let mut titration = json!({ "kind": kind, "titrant": stock.dichromate, "burette": stock.burette, "initial_readings": ["0.00"],
        "final_readings": [last], "solution_temperature": "21.0", "indicator_drops": 6, "end_point": "green to violet, sharp",
        "waste_stream": "chromium acid", "observed_at": at });
    if let (Some(titration), Some(changes)) = (titration.as_object_mut(), changes.as_object()) {
        for (field, value) in changes {
            titration.insert(field.clone(), value.clone());
        }
    }
    titration
}

pub async fn titrate(lab: &Lab<'_>, determination: Uuid, new: &Value) -> Result<(), Refusal> {
    titrate_as(lab, &lab.analyst_1, determination, new).await
}

async fn titrate_as(lab: &Lab<'_>, analyst: &Person, determination: Uuid, new: &Value) -> Result<(), Refusal> {
    let act = analyst.act("record_titrations");
    determinations::record_titration(lab.db, &act, &analyst.user, lab.policy, determination, wire(new)?)
        .await
        .map(|_| ())
}

pub fn reduction(precipitate: &str) -> Value {
    json!({ "reduction": { "solution_clear": true, "stannous_end": "colourless", "stannous_excess_drops": 2,
        "temperature_at_mercury": "20.5", "mercury_in_one_portion": true, "precipitate": precipitate, "standing_minutes": "3",
        "phosphoric_acid": true } })
}

pub async fn sign(
    lab: &Lab<'_>,
    who: &Person,
    determination: Uuid,
    step: Step,
    reason: Option<&str>,
) -> Result<(), Refusal> {
    let act = who.act("sign");
    let seen = determinations::read(lab.db, determination).await?.content_digest;
    let signature = who.signature_on(seen, reason);
    let signing = steps::determination(lab.db, &act, &who.user, lab.policy, (determination, step), signature);
    Box::pin(signing).await.map(|_| ())
}

/// Submitted, reviewed, released and approved.
pub(super) async fn through(lab: &Lab<'_>, determination: Uuid) -> Result<(), Refusal> {
    through_as(lab, &lab.analyst_1, determination).await
}

async fn through_as(lab: &Lab<'_>, author: &Person, determination: Uuid) -> Result<(), Refusal> {
    sign(lab, author, determination, Step::Submit, None).await?;
    sign(lab, &lab.analyst_2, determination, Step::Review, None).await?;
    let run = determinations::read(lab.db, determination).await?.run;
    if runs::read(lab.db, run).await?.state == "closed" {
        let manager = &lab.manager_2;
        let act = manager.act("release_runs");
        let signature = manager.signature_on(runs::read(lab.db, run).await?.content_digest, None);
        runs::judge(lab.db, &act, &manager.user, lab.policy, (run, true), signature).await?;
    }
    sign(lab, &lab.manager_1, determination, Step::Approve, None).await
}

/// Version id of the last titration of a determination.
async fn last_titration(lab: &Lab<'_>, determination: Uuid) -> Result<(Uuid, Uuid), Refusal> {
    let all = determinations::titrations(lab.db, determination).await?;
    Ok(all.last().map(|view| (view.id, view.version_id)).unwrap_or_default())
}

async fn correct(lab: &Lab<'_>, who: &Person, determination: Uuid, facts: &Value, reason: &str) -> Result<(), Refusal> {
    let (titration, version) = last_titration(lab, determination).await?;
    let tag = version.to_string();
    let correction = wire(&json!({ "reason": reason, "facts": facts }))?;
    let act = who.act("judge_titrations");
    determinations::correct_titration(lab.db, &act, &who.user, lab.policy, (titration, Some(&tag)), correction)
        .await
        .map(|_| ())
}

/// Makes the records.
pub async fn load(lab: &Lab<'_>, stock: &Stock) -> Result<Results, Refusal> {
    let at = lab.at(4, 9);
    let portion_1 = portion(lab, stock, &at).await?;
    let iron2_run = open_run(lab, &stock.method_iron2, &at).await?;
    blank(lab, stock, iron2_run, &at).await?;
    let iron2 = begin(lab, iron2_run, portion_1, &at).await?;
    titrate(lab, iron2, &titration(stock, "accurate", "21.50", &at, &json!({}))).await?;
    titrate(lab, iron2, &titration(stock, "accurate", "21.50", &at, &json!({}))).await?;
    // a: a slip of 1.00 mL, queried by the service and corrected with a reason; both versions stay.
    titrate(lab, iron2, &titration(stock, "accurate", "22.48", &at, &json!({}))).await?;
    let right = titration(stock, "accurate", "21.48", &at, &json!({}));
    correct(lab, &lab.analyst_1, iron2, &right, "read 22 for 21 on the burette sheet").await?;
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), iron2_run).await?;
    through(lab, iron2).await?;

    let at = lab.at(4, 13);
    let total_run = open_run(lab, &stock.method_total, &at).await?;
    blank(lab, stock, total_run, &at).await?;
    let total = begin(lab, total_run, portion_1, &at).await?;
    // c: three reductions that must be discarded, kept on record; b: a rough titre that enters no mean.
    for precipitate in ["grey", "heavy white", "none"] {
        titrate(lab, total, &titration(stock, "accurate", "23.60", &at, &reduction(precipitate))).await?;
    }
    titrate(lab, total, &titration(stock, "rough", "24.10", &at, &reduction("slight white"))).await?;
    for last in ["23.20", "23.22", "23.22"] {
        titrate(lab, total, &titration(stock, "accurate", last, &at, &reduction("slight white"))).await?;
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), total_run).await?;
    through(lab, total).await?;

    let new = json!({ "code": "FE3-1", "total": total, "iron2": iron2, "observed_at": lab.at(4, 15) });
    let iron_result = id_of(&iron_results::record(lab.db, &lab.analyst_1.act("conduct_runs"), wire(&new)?).await?)?;
    for (who, step) in [(&lab.analyst_1, Step::Submit), (&lab.analyst_2, Step::Review), (&lab.manager_1, Step::Approve)]
    {
        let act = who.act("sign");
        let seen = iron_results::read(lab.db, iron_result).await?.content_digest;
        let signature = who.signature_on(seen, None);
        steps::iron_result(lab.db, &act, &who.user, lab.policy, (iron_result, step), signature).await?;
    }
    let amended = Box::pin(amended(lab, stock, portion_1)).await?;
    let first_weeks = Box::pin(first_weeks(lab, stock, portion_1)).await?;
    Box::pin(under_concession(lab, stock, portion_1)).await?;
    let conceded = Box::pin(without_a_plan(lab, stock, portion_1)).await?;
    Box::pin(back_titration(lab, stock, portion_1)).await?;
    Box::pin(disagreeing(lab, stock, portion_1)).await?;
    Ok(Results { iron_result, determination: iron2, amended, conceded, first_weeks })
}

/// v: manager-1 amends an approved result, its signatures are no longer valid, manager-2 approves anew.
async fn amended(lab: &Lab<'_>, stock: &Stock, portion: Uuid) -> Result<Uuid, Refusal> {
    let at = lab.at(6, 9);
    let run = open_run(lab, &stock.method_iron2, &at).await?;
    blank(lab, stock, run, &at).await?;
    let determination = begin(lab, run, portion, &at).await?;
    for last in ["21.44", "21.46"] {
        titrate(lab, determination, &titration(stock, "accurate", last, &at, &json!({}))).await?;
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), run).await?;
    through(lab, determination).await?;
    let reason = "the bench sheet says 21.48, not 21.46";
    sign(lab, &lab.manager_1, determination, Step::Amend, Some(reason)).await?;
    let right = titration(stock, "accurate", "21.48", &at, &json!({}));
    correct(lab, &lab.manager_1, determination, &right, reason).await?;
    sign(lab, &lab.manager_1, determination, Step::Submit, None).await?;
    sign(lab, &lab.analyst_2, determination, Step::Review, None).await?;
    sign(lab, &lab.manager_2, determination, Step::Approve, None).await?;
    Ok(determination)
}

/// Asks for a concession as the analyst; both managers sign it.
async fn concede(lab: &Lab<'_>, new: &Value) -> Result<Uuid, Refusal> {
    let concession =
        id_of(&concessions::request(lab.db, &lab.analyst_1.act("request_concessions"), wire(new)?).await?)?;
    for manager in [&lab.manager_1, &lab.manager_2] {
        let act = manager.act("sign_concessions");
        let signature = manager.signature_on(concessions::read(lab.db, concession).await?.content_digest, None);
        concessions::sign(lab.db, &act, &manager.user, lab.policy, concession, signature).await?;
    }
    Ok(concession)
}

/// The back-titration has no plan of quality control: its result is approved under a concession, which is printed with it.
async fn without_a_plan(lab: &Lab<'_>, stock: &Stock, portion: Uuid) -> Result<Uuid, Refusal> {
    let at = lab.at(24, 9);
    let run = open_run(lab, &stock.method_back, &at).await?;
    let determination = begin(lab, run, portion, &at).await?;
    let changes =
        json!({ "titrant": stock.iron2, "oxidant_titrant": stock.dichromate, "oxidant_pipette": stock.pipette_25 });
    for last in ["3.60", "3.62"] {
        titrate(lab, determination, &titration(stock, "accurate", last, &at, &changes)).await?;
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), run).await?;
    sign(lab, &lab.analyst_1, determination, Step::Submit, None).await?;
    sign(lab, &lab.analyst_2, determination, Step::Review, None).await?;
    let now = Utc::now();
    let new = json!({ "item_kind": "determinations", "item": determination,
        "reason": "no control material for the back-titration yet; it agrees with the direct titration of the same portion",
        "valid_from": now - Duration::hours(1), "valid_to": now + Duration::days(7) });
    concede(lab, &new).await?;
    sign(lab, &lab.manager_1, determination, Step::Approve, None).await?;
    Ok(determination)
}

/// l: the expired lot D-0 is used under a concession signed by two managers.
async fn under_concession(lab: &Lab<'_>, stock: &Stock, portion: Uuid) -> Result<(), Refusal> {
    let at = lab.at(22, 9);
    let new = json!({ "item_kind": "titrants", "item": stock.old_dichromate, "reason": "D-1 was being checked that morning",
        "valid_from": lab.at(22, 0), "valid_to": lab.at(23, 0) });
    let concession = concede(lab, &new).await?;
    let run = open_run(lab, &stock.method_iron2, &at).await?;
    blank(lab, stock, run, &at).await?;
    let determination = begin(lab, run, portion, &at).await?;
    let changes = json!({ "titrant": stock.old_dichromate, "concession": concession });
    for last in ["21.40", "21.42"] {
        titrate(lab, determination, &titration(stock, "accurate", last, &at, &changes)).await?;
    }
    sign(lab, &lab.analyst_1, determination, Step::Submit, None).await
}

/// A back-titration in progress, one titre short, so that there is something to do.
async fn back_titration(lab: &Lab<'_>, stock: &Stock, portion: Uuid) -> Result<(), Refusal> {
    let at = lab.at(25, 9);
    let run = open_run(lab, &stock.method_back, &at).await?;
    let determination = begin(lab, run, portion, &at).await?;
    let changes =
        json!({ "titrant": stock.iron2, "oxidant_titrant": stock.dichromate, "oxidant_pipette": stock.pipette_25 });
    titrate(lab, determination, &titration(stock, "accurate", "3.60", &at, &changes)).await
}

/// Four titres that disagree without a cause: manager-2, who had no hand in it, decides that the discordant result may be reported.
async fn disagreeing(lab: &Lab<'_>, stock: &Stock, portion: Uuid) -> Result<(), Refusal> {
    let at = lab.at(26, 9);
    let run = open_run(lab, &stock.method_iron2, &at).await?;
    blank(lab, stock, run, &at).await?;
    let determination = begin(lab, run, portion, &at).await?;
    for last in ["21.30", "21.52", "21.44", "21.76"] {
        titrate(lab, determination, &titration(stock, "accurate", last, &at, &json!({}))).await?;
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), run).await?;
    sign(lab, &lab.analyst_1, determination, Step::Submit, None).await?;
    sign(lab, &lab.analyst_2, determination, Step::Review, None).await?;
    let manager = &lab.manager_2;
    let act = manager.act("release_runs");
    let signature = manager.signature_on(runs::read(lab.db, run).await?.content_digest, None);
    runs::judge(lab.db, &act, &manager.user, lab.policy, (run, true), signature).await?;
    let seen = determinations::read(lab.db, determination).await?.content_digest;
    let reason = "no cause was found at the bench and the portion is used up; the client needs no more than the order of magnitude";
    let signature = manager.signature_on(seen, Some(reason));
    let act = manager.act("decide_discordance");
    discordance::decide(lab.db, &act, &manager.user, lab.policy, determination, signature).await?;
    sign(lab, &lab.manager_1, determination, Step::Approve, None).await
}

/// p: trainee-1, not yet authorised for the method and so under the supervision of analyst-1, reads the burette to the tenth more
/// often than chance would.
async fn first_weeks(lab: &Lab<'_>, stock: &Stock, portion: Uuid) -> Result<Vec<Uuid>, Refusal> {
    let at = lab.at(8, 9);
    let run = open_run(lab, &stock.method_iron2, &at).await?;
    blank(lab, stock, run, &at).await?;
    let mut made = Vec::new();
    for titres in [
        [("0.10", "21.60"), ("0.22", "21.70"), ("0.38", "21.84")],
        [("0.40", "21.90"), ("0.54", "22.06"), ("0.64", "22.10")],
        [("0.76", "22.20"), ("0.80", "22.30"), ("0.92", "22.42")],
        [("1.08", "22.58"), ("1.12", "22.60"), ("1.16", "22.70")],
        [("1.28", "22.80"), ("1.44", "22.94"), ("1.54", "23.00")],
        [("1.64", "23.10"), ("1.70", "23.20"), ("1.84", "23.32")],
        [("1.96", "23.46"), ("1.98", "23.50"), ("2.12", "23.60")],
        [("2.22", "23.70"), ("2.38", "23.88"), ("2.44", "23.90")],
    ] {
        let determination = begin(lab, run, portion, &at).await?;
        for (first, last) in titres {
            let begun = json!({ "initial_readings": [first], "supervisor": lab.analyst_1.user.account });
            titrate_as(lab, &lab.trainee_1, determination, &titration(stock, "accurate", last, &at, &begun)).await?;
        }
        made.push(determination);
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), run).await?;
    for &determination in &made {
        let supervisor = &lab.analyst_1;
        let act = supervisor.act("countersign_titrations");
        let seen = determinations::read(lab.db, determination).await?.content_digest;
        let signature = supervisor.signature_on(seen, None);
        supervision::countersign(lab.db, &act, &supervisor.user, lab.policy, determination, signature).await?;
        through_as(lab, &lab.trainee_1, determination).await?;
    }
    Ok(made)
}
