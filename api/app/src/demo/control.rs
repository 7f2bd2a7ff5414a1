//! Five months of quality control (events f, g, i and j of the scenario): about 140 runs of which the charts keep the
//! values, taken over from the bench books as history, and the last ones in full.

use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::NewMove;
use ferrotitre_bench::nonconformities::service as nonconformities;
use ferrotitre_bench::samples::samples;
use ferrotitre_results::control_charts::wire::NewValue;
use ferrotitre_results::control_charts::{phases, service as charts, taking, values};
use ferrotitre_results::control_materials::service as materials;
use ferrotitre_results::determinations::steps::Step;
use ferrotitre_results::runs::service as runs;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::demo::bench::{begin_as, blank, open_run_with, reduction, sign, titrate, titration};
use crate::demo::stock::{Stock, portion_of};
use crate::demo::{Lab, Person, id_of, wire};

/// The day of the first value, counted from the start of the scenario.
const FIRST_DAY: i64 = -120;

/// Invented scatter: the same at every loading.
pub(super) struct Scatter(pub(super) u64);

impl Scatter {
    pub(super) fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Roughly normal with mean 0 and standard deviation 1, never beyond 2.4: what is out of control here is told, not drawn.
    pub(super) fn calm(&mut self) -> f64 {
        let drawn: f64 = (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0;
        drawn.clamp(-2.4, 2.4) * 0.9
    }
}

async fn material(lab: &Lab<'_>, facts: &Value) -> Result<Uuid, Refusal> {
    let id = id_of(&materials::record(lab.db, &lab.analyst_1.act("receive_lots"), wire(facts)?).await?)?;
    let to = NewMove { to: "released".to_owned(), reason: None };
    materials::advance(lab.db, &lab.manager_1.act("release_lots"), id, to).await?;
    Ok(id)
}

async fn chart(lab: &Lab<'_>, new: &Value) -> Result<Uuid, Refusal> {
    id_of(&charts::record(lab.db, &lab.manager_1.act("define_control_charts"), wire(new)?).await?)
}

/// Values to be taken over from the bench book, a stretch at a time.
#[derive(Default)]
struct History(Vec<(Uuid, NewValue)>);

impl History {
    fn add(&mut self, lab: &Lab<'_>, chart: Uuid, figure: &Value, day: i64, note: Option<&str>) -> Result<(), Refusal> {
        let mut new = json!({ "history": format!("bench book 7, page {}", day - FIRST_DAY + 1), "note": note,
            "observed_at": lab.at(day, 9) });
        if let (Some(new), Some(figure)) = (new.as_object_mut(), figure.as_object()) {
            new.extend(figure.clone());
        }
        self.0.push((chart, wire(&new)?));
        Ok(())
    }

    /// Takes them over; answers with their identities.
    async fn take_over(&mut self, lab: &Lab<'_>) -> Result<Vec<Uuid>, Refusal> {
        let all = std::mem::take(&mut self.0);
        let act = lab.analyst_1.act("record_control_values");
        Ok(values::record_all(lab.db, &act, all).await?.into_iter().map(|id| id.0).collect())
    }
}

fn figure(value: f64, places: usize) -> Value {
    json!({ "value": format!("{value:.places$}") })
}

/// analyst-2 proposes, manager-1 approves.
async fn phase(lab: &Lab<'_>, chart: Uuid, new: &Value) -> Result<(), Refusal> {
    let act = lab.analyst_2.act("propose_chart_phases");
    let id = id_of(&phases::propose(lab.db, &act, chart, wire(new)?).await?)?;
    let manager = &lab.manager_1;
    let act = manager.act("approve_chart_phases");
    let signature = manager.signature_on(phases::read(lab.db, id).await?.content_digest, None);
    phases::decide(lab.db, &act, &manager.user, lab.policy, (id, true), signature).await.map(|_| ())
}

fn target(lab: &Lab<'_>, centre: &str, s: &str, day: i64) -> Value {
    json!({ "origin": "target", "label": "established", "centre": centre, "s": s, "valid_from": lab.at(day, 0),
        "reason": "requirement on s_Rw from the clients' limits" })
}

fn from_baseline(lab: &Lab<'_>, origin: &str, label: &str, (first, last): (i64, i64), day: i64) -> Value {
    json!({ "origin": origin, "label": label, "baseline": { "first": first, "last": last }, "valid_from": lab.at(day, 0),
        "reason": format!("points {first} to {last} of the laboratory itself") })
}

async fn dispose(lab: &Lab<'_>, value: Uuid, to: &str, cause: Option<&str>, reason: &str) -> Result<(), Refusal> {
    let new = json!({ "to": to, "cause": cause, "reason": reason });
    values::dispose(lab.db, &lab.manager_1.act("dispose_control_values"), value, wire(&new)?).await.map(|_| ())
}

/// A nonconformity with what was done about it; the last word of `steps` says how far it got.
async fn nonconformity(
    lab: &Lab<'_>,
    (title, scope): (&str, &str),
    day: i64,
    link: Uuid,
    steps: &[(&str, &str, &str)],
) -> Result<Uuid, Refusal> {
    let new = json!({ "source": "rule violation", "severity": "minor", "title": title, "scope": scope,
        "owner": lab.manager_1.user.account, "due_on": lab.day(day + 30), "observed_at": lab.at(day, 10),
        "links": [{ "entity_kind": "control_values", "entity": link }] });
    let act = lab.analyst_1.act("open_nonconformities");
    let id = id_of(&nonconformities::open(lab.db, &act, wire(&new)?).await?)?;
    let act = lab.manager_1.act("handle_nonconformities");
    for (kind, words, to) in steps {
        let effective = (*kind == "effectiveness").then_some(true);
        let step = json!({ "kind": kind, "words": words, "effective": effective });
        nonconformities::record_step(lab.db, &act, id, wire(&step)?).await?;
        if !to.is_empty() {
            nonconformities::advance(lab.db, &act, id, NewMove { to: (*to).to_owned(), reason: None }).await?;
        }
    }
    Ok(id)
}

/// What the charts of the bath need.
struct Bath {
    x: Uuid,
    cusum: Uuid,
    sample: Uuid,
}

/// The bath control on its X chart and its cumulative sum: limits from 25 points, two failures with a cause (j), limits from 60
/// points (i), a small bias after a new burette (g).
async fn bath(lab: &Lab<'_>, bath: &Bath) -> Result<(), Refusal> {
    let mut scatter = Scatter(118);
    phase(lab, bath.cusum, &target(lab, "118.0", "0.41", FIRST_DAY)).await?;
    let mut history = History::default();
    let mut failed = Vec::new();
    for k in 0..140_i64 {
        let day = FIRST_DAY + k;
        let drawn = 118.0 + 0.41 * scatter.calm();
        let (value, note) = match k {
            40 => (119.9, Some("factor of lot D-2 used for D-3")),
            41 => (120.1, Some("factor of lot D-2 used for D-3")),
            110..=121 => (118.32 + 0.1 * scatter.calm(), Some("burette B-02, new")),
            _ => (drawn, None),
        };
        history.add(lab, bath.cusum, &figure(value, 1), day, note)?;
        history.add(lab, bath.x, &figure(value, 1), day, note)?;
        if !matches!(k, 24 | 40 | 41 | 42 | 84 | 121 | 139) {
            continue;
        }
        let taken = history.take_over(lab).await?;
        let point = taken.last().copied().unwrap_or_default();
        match k {
            24 => phase(lab, bath.x, &from_baseline(lab, "reference", "preliminary", (1, 25), day + 1)).await?,
            // The newest two are the point on the X chart and the same on the cumulative sum.
            40 | 41 => failed.extend(taken.iter().rev().take(2)),
            42 => failures(lab, bath.x, &failed, day).await?,
            84 => phase(lab, bath.x, &from_baseline(lab, "reference", "established", (24, 85), day + 1)).await?,
            121 => bias(lab, point, day).await?,
            _ => {}
        }
    }
    Ok(())
}

/// j: limits that would take in two points out of control are refused; the points get their cause, and a nonconformity.
async fn failures(lab: &Lab<'_>, chart: Uuid, failed: &[Uuid], day: i64) -> Result<(), Refusal> {
    let absorbing = from_baseline(lab, "reference", "preliminary", (1, 43), day + 1);
    let act = lab.analyst_2.act("propose_chart_phases");
    match phases::propose(lab.db, &act, chart, wire(&absorbing)?).await {
        Err(refusal) if refusal.code == Code::RuleBroken => {}
        Err(refusal) => return Err(refusal),
        Ok(_) => return Err(Refusal::new(Code::Internal, "points out of control were absorbed into limits")),
    }
    for value in failed {
        dispose(lab, *value, "under investigation", None, "both runs rejected, factor and bottle looked at").await?;
        let evidence = "recalculated with the factor of D-3 both lie within warning";
        dispose(lab, *value, "invalid-with-cause", Some("wrong factor"), evidence).await?;
    }
    let link = failed.first().copied().unwrap_or_default();
    let steps = [
        ("containment", "results of both days withheld and recalculated", "contained"),
        ("impact", "no report had been issued", "investigating"),
        ("cause", "the factor was copied from the sheet of the lot before", "action"),
        ("action", "the factor is bound to lot and time and no longer typed", "verifying"),
        ("effectiveness", "forty runs since then without a wrong factor", ""),
    ];
    let id = nonconformity(lab, ("factor of another lot used", "two runs of the bath"), day, link, &steps).await?;
    let manager = &lab.manager_2;
    let act = manager.act("close_nonconformities");
    let signature = manager.signature_on(nonconformities::read(lab.db, id).await?.content_digest, None);
    nonconformities::close(lab.db, &act, &manager.user, lab.policy, id, signature).await.map(|_| ())
}

/// g: ten of eleven on one side after a new burette: in control, and somebody looks for the cause.
async fn bias(lab: &Lab<'_>, point: Uuid, day: i64) -> Result<(), Refusal> {
    let steps = [
        ("containment", "runs stay in control; B-02 is used for samples in duplicate only", "contained"),
        ("impact", "bias of 0.3 g/L, a quarter of U", "investigating"),
        ("cause", "correction table of B-02 was entered with the opposite sign", "action"),
        ("action", "table corrected, the corrections of every burette read by a second person", "verifying"),
    ];
    let about = ("bath control on one side since burette B-02", "runs with burette B-02");
    nonconformity(lab, about, day, point, &steps).await.map(|_| ())
}

/// The other charts, each with its own story.
async fn others(lab: &Lab<'_>, stock: &Stock, water: (Uuid, Uuid), ore: Uuid) -> Result<Vec<Uuid>, Refusal> {
    let method = text_method(stock);
    let (total, iron2) = (method.0, method.1);
    let range = chart(
        lab,
        &json!({ "code": "R-BATH", "title": "Duplicates of bath samples", "quantity": "range", "method": total,
        "unit": "%" }),
    )
    .await?;
    phase(lab, range, &target(lab, "0.28", "0.25", FIRST_DAY)).await?;
    let blank = chart(
        lab,
        &json!({ "code": "B-M2", "title": "Blank of total iron", "quantity": "blank", "method": total,
        "unit": "mL", "resolution": "0.01" }),
    )
    .await?;
    let water_420 = chart(
        lab,
        &json!({ "code": "X-WATER-420", "title": "Iron(II) in the water control, 420 mg/L", "quantity": "x",
        "material": water.0, "method": iron2, "unit": "mg/L", "resolution": "1" }),
    )
    .await?;
    phase(lab, water_420, &target(lab, "420", "1.5", FIRST_DAY)).await?;
    let water_85 = chart(lab, &json!({ "code": "E-WATER-85", "title": "Iron(II) in the water control, 85 mg/L", "quantity": "ewma",
        "material": water.1, "method": iron2, "unit": "mg/L", "resolution": "0.1", "design": { "lambda": "0.2", "limit": "2.962" } }))
        .await?;
    phase(lab, water_85, &target(lab, "85.0", "0.45", FIRST_DAY)).await?;
    let recovery = chart(
        lab,
        &json!({ "code": "REC-ORE", "title": "Recovery of the iron ore", "quantity": "recovery", "material": ore,
        "method": total, "unit": "%", "resolution": "0.1" }),
    )
    .await?;
    let about = json!({ "origin": "reference", "label": "established", "s": "0.30", "valid_from": lab.at(FIRST_DAY, 0),
        "reason": "recovery is judged about 100 %" });
    phase(lab, recovery, &about).await?;
    let mut scatter = Scatter(85);
    let mut history = History::default();
    let charts = Others { range, blank, water_420, water_85, recovery };
    charts.days(lab, &mut history, &mut scatter).await?;
    let discarded = chart(
        lab,
        &json!({ "code": "P-REDUCTION", "title": "Discarded reductions, week by week",
        "quantity": "discarded reductions", "method": total, "unit": "1" }),
    )
    .await?;
    let usual = json!({ "origin": "target", "label": "established", "centre": "0.05", "valid_from": lab.at(FIRST_DAY, 0),
        "reason": "one in twenty is usual with the mercury method" });
    phase(lab, discarded, &usual).await?;
    for week in 0..20_i64 {
        let events = if week == 11 { 9 } else { (scatter.uniform() * 4.0) as i64 };
        let note = (week == 11).then_some("first week of trainee-1");
        let counts = json!({ "events": events, "trials": 40 });
        history.add(lab, discarded, &counts, FIRST_DAY + 7 * week, note)?;
    }
    history.take_over(lab).await?;
    Ok(vec![range, blank, discarded])
}

/// Charts that share their days.
struct Others {
    range: Uuid,
    blank: Uuid,
    water_420: Uuid,
    water_85: Uuid,
    recovery: Uuid,
}

impl Others {
    /// A hundred working days of each.
    async fn days(self, lab: &Lab<'_>, history: &mut History, scatter: &mut Scatter) -> Result<(), Refusal> {
        let Self { range, blank, water_420, water_85, recovery } = self;
        for k in 0..100_i64 {
            let day = FIRST_DAY + k + k / 3;
            // One pair lost its repeatability: a drop hung at the tip.
            let apart = if k == 57 { 1.05 } else { 0.28 + 0.16 * scatter.calm().clamp(-1.6, 2.2) };
            let note = (k == 57).then_some("a drop hung at the tip of the burette");
            history.add(lab, range, &figure(apart.abs(), 2), day, note)?;
            history.add(lab, blank, &figure(0.040 + 0.008 * scatter.calm(), 3), day, None)?;
            if k == 29 {
                history.take_over(lab).await?;
                phase(lab, blank, &from_baseline(lab, "baseline", "preliminary", (1, 30), day + 1)).await?;
            }
            // The last bottles of the weaker control had been opened too long: half a standard deviation, found by the average.
            let loss = if k > 70 { -0.55 } else { 0.0 };
            history.add(lab, water_420, &figure(420.0 + 1.5 * scatter.calm(), 0), day, None)?;
            history.add(lab, water_85, &figure(85.0 + 0.45 * (scatter.calm() + loss), 1), day, None)?;
            if k % 3 == 0 {
                history.add(lab, recovery, &figure(100.1 + 0.28 * scatter.calm(), 1), day, None)?;
            }
        }
        Ok(())
    }
}

fn text_method(stock: &Stock) -> (&str, &str) {
    (stock.record_total.as_str(), stock.record_iron2.as_str())
}

/// f: two of three beyond warning on one side reject a run; it is repeated, and both stay.
async fn rejected_and_repeated(lab: &Lab<'_>, stock: &Stock, bath: &Bath) -> Result<(), Refusal> {
    let mut history = History::default();
    history.add(lab, bath.x, &json!({ "value": "119.0" }), 26, Some("beyond warning: watched"))?;
    history.take_over(lab).await?;
    let first = run(lab, stock, bath, (27, None), "21.32").await?;
    let manager = &lab.manager_1;
    let seen = runs::read(lab.db, first).await?.content_digest;
    let signature = manager.signature_on(seen, Some("rule 2 on the bath control; the aliquot pipette is cleaned"));
    runs::judge(lab.db, &manager.act("release_runs"), &manager.user, lab.policy, (first, false), signature).await?;
    let second = run(lab, stock, bath, (28, Some(first)), "21.14").await?;
    let act = manager.act("release_runs");
    let signature = manager.signature_on(runs::read(lab.db, second).await?.content_digest, None);
    runs::judge(lab.db, &act, &manager.user, lab.policy, (second, true), signature).await.map(|_| ())
}

/// A run of total iron with its blank, its control and a sample, closed.
async fn run(
    lab: &Lab<'_>,
    stock: &Stock,
    bath: &Bath,
    (day, repeats): (i64, Option<Uuid>),
    titre: &str,
) -> Result<Uuid, Refusal> {
    let at = lab.at(day, 9);
    let run = open_run_with(lab, &stock.method_total, &at, repeats).await?;
    blank(lab, stock, run, &at).await?;
    let control = portion_of(lab, stock, bath.sample, &at).await?;
    let sample = portion_of(lab, stock, stock.bath, &at).await?;
    for (portion, purpose, last) in [(control, "control", titre), (sample, "sample", "23.22")] {
        let determination = begin_as(lab, run, portion, purpose, &at).await?;
        for _ in 0..2 {
            titrate(lab, determination, &titration(stock, "accurate", last, &at, &reduction("slight white"))).await?;
        }
        sign(lab, &lab.analyst_1, determination, Step::Submit, None).await?;
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), run).await?;
    Ok(run)
}

async fn bath_sample(lab: &Lab<'_>) -> Result<Uuid, Refusal> {
    let new = json!({ "code": "S-CM-BATH-1", "client_reference": "control material CM-BATH-1", "description": "in-house control",
        "matrix": "hydrochloric pickling bath", "received_at": lab.at(FIRST_DAY - 10, 8), "condition": "clear, green",
        "preservation": "acidic as made", "container": "forty glass bottles, 250 mL", "storage": "refrigerator 1",
        "retained_until": lab.day(400) });
    let who: &Person = &lab.analyst_1;
    let sample = id_of(&samples::record(lab.db, &who.act("register_samples"), wire(&new)?).await?)?;
    let to = NewMove { to: "accepted".to_owned(), reason: None };
    samples::advance(lab.db, &who.act("register_samples"), sample, to).await?;
    Ok(sample)
}

/// Makes the records.
pub async fn load(lab: &Lab<'_>, stock: &Stock) -> Result<(), Refusal> {
    let sample = bath_sample(lab).await?;
    let facts = |code: &str, kind: &str, what: &str, (value, unit, u): (&str, &str, &str)| {
        json!({ "code": code, "kind": kind, "description": what, "matrix": "hydrochloric pickling bath", "assigned_value": value,
            "unit": unit, "standard_uncertainty": u, "certificate": format!("study of {code}, signed"),
            "homogeneity": "ten bottles in duplicate: between bottles below 0.3 s_Rw", "stability": "six months, no trend",
            "expires_on": lab.day(300) })
    };
    let mut bath_facts = facts("CM-BATH-1", "in-house", "pickling bath, bottled", ("118.0", "g/L", "0.12"));
    bath_facts["sample"] = json!(sample);
    let of_bath = material(lab, &bath_facts).await?;
    let strong = facts("CM-WATER-1", "in-house", "mine water, acidified", ("420", "mg/L", "0.5"));
    let weak = facts("CM-WATER-2", "in-house", "treated water, acidified", ("85.0", "mg/L", "0.15"));
    let water = (material(lab, &strong).await?, material(lab, &weak).await?);
    let ore = material(lab, &facts("CM-ORE-1", "RM", "iron ore", ("52.36", "% m/m", "0.03"))).await?;
    let x = chart(
        lab,
        &json!({ "code": "X-BATH", "title": "Total iron in the bath control, 118.0 g/L", "quantity": "x",
        "material": of_bath, "method": stock.record_total, "unit": "g/L", "resolution": "0.1" }),
    )
    .await?;
    let cusum = chart(
        lab,
        &json!({ "code": "C-BATH", "title": "Total iron in the bath control, cumulative sum", "quantity": "cusum",
        "material": of_bath, "method": stock.record_total, "unit": "g/L", "design": { "k": "0.5", "h": "5" } }),
    )
    .await?;
    let of_total = Bath { x, cusum, sample };
    bath(lab, &of_total).await?;
    let others = others(lab, stock, water, ore).await?;
    let mut planned = vec![json!({ "chart": x, "values": 1 }), json!({ "chart": cusum, "values": 0 })];
    planned.extend(others.iter().map(|chart| json!({ "chart": chart, "values": 0 })));
    let plan = json!({ "reason": "the charts of the bath are in use from now on",
        "facts": { "method": stock.method_total, "charts": planned, "blanks": 1, "duplicates": 0 } });
    let act = lab.manager_1.act("define_control_charts");
    taking::correct(lab.db, &act, stock.plan_total.0, Some(&stock.plan_total.1), wire(&plan)?).await?;
    rejected_and_repeated(lab, stock, &of_total).await
}
