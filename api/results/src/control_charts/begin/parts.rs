//! The parts of a control before anything is recorded: completed by what follows from method and lot, and looked at all at once.

use chrono::Utc;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::json::Json;
use ferrotitre_bench::methods;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_bench::samples::portions::NewPortion;
use ferrotitre_bench::samples::samples::SampleFacts;
use uuid::Uuid;

use crate::control_charts::begin::wire::{
    NewControl, NewControlChart, NewControlLimits, NewControlPlan, NewControlPortion, NewControlSample, NewLot,
    NewOtherPlan,
};
use crate::control_charts::store::plans::{self, versions};
use crate::control_charts::taking::QcPlanFacts;
use crate::control_charts::wire::{NewChart, NewPhase};
use crate::control_charts::{phases, service as charts};
use crate::control_materials::service::{self as materials, Lot};
use crate::control_materials::store::ControlMaterialFacts;

/// The lot: recorded with the control, or there already.
pub(super) enum LotPart {
    New(Box<ControlMaterialFacts>),
    There(Box<Lot>),
}

impl LotPart {
    fn facts(&self) -> &ControlMaterialFacts {
        match self {
            Self::New(facts) => facts,
            Self::There(lot) => &lot.facts,
        }
    }
}

/// The plan: as it should be without the new chart, and the one it takes the place of.
pub(super) struct PlanPart {
    pub(super) facts: QcPlanFacts,
    pub(super) values: u32,
    pub(super) present: Option<versions::Row>,
    pub(super) corrects: Option<Uuid>,
}

/// All parts, each as its own service takes it.
pub(super) struct Parts {
    pub(super) lot: LotPart,
    pub(super) sample: Option<SampleFacts>,
    pub(super) chart: NewChart,
    pub(super) plan: PlanPart,
    pub(super) limits: Option<NewPhase>,
    pub(super) release: bool,
    pub(super) portion: Option<NewPortion>,
    pub(super) other_plans: Vec<QcPlanFacts>,
}

/// Where a part's field stands in the whole, if not below its part.
pub(super) fn beside(field: &str) -> Option<String> {
    matches!(field, "method" | "material").then(|| field.to_owned())
}

/// What a method's rules say in words of the wire, such as its unit.
fn word(value: impl serde::Serialize) -> String {
    serde_json::to_value(value).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

/// Unit of what a method reports.
pub(crate) fn unit_of(method: &MethodFacts) -> String {
    word(method.rules.0.unit)
}

fn lot(new: NewLot, method: &MethodFacts) -> ControlMaterialFacts {
    ControlMaterialFacts {
        code: new.code,
        kind: new.kind,
        description: new.description,
        matrix: new.matrix.unwrap_or_else(|| method.matrix.clone()),
        supplier_lot: new.supplier_lot,
        assigned_value: new.assigned_value,
        unit: new.unit.unwrap_or_else(|| unit_of(method)),
        standard_uncertainty: new.standard_uncertainty,
        certificate: new.certificate,
        certificate_digest: new.certificate_digest,
        homogeneity: new.homogeneity,
        stability: new.stability,
        sample: None,
        expires_on: new.expires_on,
    }
}

fn sample(new: NewControlSample, lot: &ControlMaterialFacts) -> SampleFacts {
    SampleFacts {
        code: new.code.unwrap_or_else(|| lot.code.clone()),
        client_reference: new.client_reference.unwrap_or_else(|| format!("control material {}", lot.code)),
        description: new.description.unwrap_or_else(|| lot.description.clone()),
        matrix: new.matrix.unwrap_or_else(|| lot.matrix.clone()),
        sampled_at: new.sampled_at,
        received_at: new.received_at.unwrap_or_else(Utc::now),
        condition: new.condition,
        preservation: new.preservation,
        container: new.container,
        storage: new.storage,
        iron2_deadline: new.iron2_deadline,
        retained_until: new.retained_until.unwrap_or(lot.expires_on),
    }
}

fn chart(new: NewControlChart, lot: &ControlMaterialFacts, method: (Uuid, &MethodFacts)) -> NewChart {
    NewChart {
        code: new.code.unwrap_or_else(|| format!("X-{}", lot.code)),
        title: new.title.unwrap_or_else(|| format!("{} in {}", method.1.analyte, lot.description)),
        quantity: "x".to_owned(),
        // That of a lot which is only just recorded is put here once it is.
        material: Some(Uuid::nil()),
        method: Some(method.0),
        titrant: None,
        unit: lot.unit.clone(),
        resolution: new.resolution,
        replicates: None,
        rule_set: new.rule_set,
        rules: new.rules,
        design: None,
        baseline_minimum: new.baseline_minimum,
    }
}

fn phase(new: NewControlLimits) -> NewPhase {
    NewPhase {
        origin: new.origin,
        label: new.label.unwrap_or_else(|| "preliminary".to_owned()),
        centre: new.centre,
        s: new.s,
        lower_action: new.lower_action,
        upper_action: new.upper_action,
        spread: None,
        baseline: None,
        exclusions: Vec::new(),
        valid_from: new.valid_from.unwrap_or_else(Utc::now),
        reason: new.reason,
    }
}

fn portion(new: NewControlPortion) -> NewPortion {
    NewPortion {
        mass_g: new.mass_g,
        balance: new.balance,
        pipette: new.pipette,
        dilution: new.dilution,
        aliquot_pipette: new.aliquot_pipette,
        density: new.density,
        density_u: new.density_u,
        temperature: new.temperature,
        // After the sample was received, which may be now, too.
        observed_at: new.observed_at.unwrap_or_else(Utc::now),
        late_reason: None,
        accepted: Vec::new(),
    }
}

/// Most plans of further method versions.
const MOST_PLANS: usize = 10;

/// Plans of further method versions, each once.
fn other_plans(of: Uuid, new: Vec<NewOtherPlan>, errors: &mut FieldErrors) -> Result<Vec<QcPlanFacts>, Refusal> {
    let message = format!("at most {MOST_PLANS}");
    errors.require(new.len() <= MOST_PLANS, "other_plans", "count", message, new.len());
    let methods: Vec<Uuid> = new.iter().map(|plan| plan.method).collect();
    let mut plans = Vec::with_capacity(new.len());
    for (at, plan) in new.into_iter().enumerate() {
        let place = format!("other_plans[{at}]");
        let again = plan.method == of || methods.iter().take(at).any(|before| *before == plan.method);
        let message = "has its plan in this request already";
        errors.require(!again, &format!("{place}.method"), "once", message, plan.method);
        let (blanks, duplicates) = (plan.blanks, plan.duplicates);
        let facts = QcPlanFacts { method: MethodId(plan.method), charts: Json(Vec::new()), blanks, duplicates };
        errors.take(facts.check().map_err(|refusal| refusal.under(&place, |_| None)))?;
        plans.push(facts);
    }
    Ok(plans)
}

/// What stated limits lack: a chart that is only begun has no points they could come from.
fn stated(new: &NewControlLimits, errors: &mut FieldErrors) {
    let shown = |given: &Option<Decimal>| given.as_ref().map(ToString::to_string).unwrap_or_default();
    let between = new.lower_action.is_some() && new.upper_action.is_some();
    match new.origin.as_str() {
        "baseline" => {
            let message = "must be reference or target: a chart that is only begun has no points";
            errors.add("limits.origin", "one_of", message, &new.origin);
        }
        "reference" => {
            let message = "say the standard deviation beside the assigned value";
            errors.require(new.s.is_some(), "limits.s", "required", message, "");
            for (field, given) in [
                ("limits.centre", &new.centre),
                ("limits.lower_action", &new.lower_action),
                ("limits.upper_action", &new.upper_action),
            ] {
                let message = "is of a target: about the assigned value limits follow from s";
                errors.require(given.is_none(), field, "origin", message, shown(given));
            }
        }
        "target" if !between => {
            for (field, given) in [("limits.centre", &new.centre), ("limits.s", &new.s)] {
                errors.require(given.is_some(), field, "required", "is needed for a target", "");
            }
        }
        _ => {}
    }
}

/// What a part refuses, without fields that were not entered but follow from others that are wrong.
fn entered(outcome: Result<(), Refusal>, wrong: bool, followed: &[&str]) -> Result<(), Refusal> {
    let Err(mut refusal) = outcome else { return Ok(()) };
    if wrong && refusal.code == Code::Invalid {
        refusal.fields.retain(|one| !followed.contains(&one.field.as_str()));
        if refusal.fields.is_empty() {
            return Ok(());
        }
    }
    Err(refusal)
}

async fn plan(connection: &Connection, method: MethodId, new: NewControlPlan) -> Result<PlanPart, Refusal> {
    let present = plans::of_method(connection, method).await?;
    match (&present, new.corrects) {
        (Some(plan), None) => {
            let detail =
                format!("the method version has a plan: name its present version, {}, and the chart joins it", plan.id);
            return Err(Refusal::new(Code::AlreadyExists, detail).at("plan.corrects", "present_version", ""));
        }
        (None, Some(id)) => {
            let message = "the method version has no plan yet; leave it out";
            return Err(Refusal::invalid("plan.corrects", "exists", message, id));
        }
        _ => {}
    }
    let charts = present.as_ref().map(|plan| plan.facts.charts.clone()).unwrap_or_else(|| Json(Vec::new()));
    let facts = QcPlanFacts { method, charts, blanks: new.blanks, duplicates: new.duplicates };
    Ok(PlanPart { facts, values: new.values, present, corrects: new.corrects })
}

async fn method_of(connection: &Connection, id: Uuid) -> Result<methods::store::versions::Row, Refusal> {
    methods::store::versions::exactly(connection, MethodId(id)).await.map_err(|refusal| match refusal.code {
        Code::NotFound => Refusal::new(Code::UnknownReference, refusal.detail).at("method", "exists", id),
        _ => refusal,
    })
}

async fn lot_of(
    connection: &Connection,
    given: (Option<Uuid>, Option<NewLot>),
    method: &MethodFacts,
) -> Result<LotPart, Refusal> {
    match given {
        (Some(id), None) => Ok(LotPart::There(Box::new(materials::present(connection, "material", id).await?))),
        (None, Some(new)) => Ok(LotPart::New(Box::new(lot(new, method)))),
        (given, _) => {
            let message = "name a lot that is on record, or give new_material: one of the two";
            let given = given.map(|id| id.to_string()).unwrap_or_default();
            Err(Refusal::invalid("material", "one_of_two", message, given))
        }
    }
}

impl Parts {
    /// Completes what was entered, and refuses everything that is wrong with it at once.
    pub(super) async fn of(connection: &Connection, new: NewControl) -> Result<Self, Refusal> {
        let method = method_of(connection, new.method).await?;
        let followed = new.followed();
        let lot = lot_of(connection, (new.material, new.new_material), &method.facts).await?;
        let facts = lot.facts();
        let mut errors = FieldErrors::default();
        let registered = facts.sample;
        let message = "say what sample the lot is titrated as";
        errors.require(new.sample.is_some() || registered.is_some(), "sample", "required", message, "");
        if let (true, Some(sample)) = (new.sample.is_some(), registered) {
            errors.add("sample", "registered", "the lot is registered as a sample already; leave it out", sample);
        }
        if let Some(limits) = &new.limits {
            stated(limits, &mut errors);
        }
        let looked = if let LotPart::New(facts) = &lot { facts.check() } else { Ok(()) };
        let wrong = looked.is_err();
        errors.take(looked.map_err(|refusal| refusal.under("new_material", beside)))?;
        let sample = new.sample.map(|new| sample(new, facts));
        let chart = chart(new.chart, facts, (method.record_id, &method.facts));
        let limits = new.limits.map(phase);
        let looked = sample.as_ref().map_or(Ok(()), SampleFacts::check);
        errors.take(entered(looked, wrong, &followed.0).map_err(|refusal| refusal.under("sample", beside)))?;
        let looked = entered(charts::check(&chart), wrong, &followed.1);
        errors.take(looked.map_err(|refusal| refusal.under("chart", beside)))?;
        let looked = limits.as_ref().map_or(Ok(()), phases::check);
        errors.take(looked.map_err(|refusal| refusal.under("limits", beside)))?;
        let values = new.plan.values;
        errors.require(values <= 50, "plan.values", "range", "must be from 0 to 50", values);
        let (method, charts) = (MethodId(new.method), Json(Vec::new()));
        let asked = QcPlanFacts { method, charts, blanks: new.plan.blanks, duplicates: new.plan.duplicates };
        errors.take(asked.check().map_err(|refusal| refusal.under("plan", beside)))?;
        let portion = new.portion.map(portion);
        let looked = portion.as_ref().map_or(Ok(()), NewPortion::check);
        errors.take(looked.map_err(|refusal| refusal.under("portion", |_| None)))?;
        let other_plans = other_plans(new.method, new.other_plans, &mut errors)?;
        errors.check()?;
        let plan = plan(connection, method, new.plan).await?;
        Ok(Self { lot, sample, chart, plan, limits, release: new.release, portion, other_plans })
    }
}

impl NewControl {
    /// Fields of sample and chart that are left out and follow from the lot.
    fn followed(&self) -> (Vec<&'static str>, Vec<&'static str>) {
        let of = |fields: &[(&'static str, bool)]| {
            fields.iter().filter(|(_, given)| !given).map(|(field, _)| *field).collect::<Vec<_>>()
        };
        let sample = self.sample.as_ref().map_or_else(Vec::new, |sample| {
            of(&[
                ("code", sample.code.is_some()),
                ("client_reference", sample.client_reference.is_some()),
                ("description", sample.description.is_some()),
                ("matrix", sample.matrix.is_some()),
            ])
        });
        (sample, of(&[("code", self.chart.code.is_some()), ("title", self.chart.title.is_some())]))
    }
}
