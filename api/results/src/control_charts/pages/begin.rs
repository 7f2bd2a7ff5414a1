//! A control in one form: lot, sample, test portion, chart, plans and first limits.

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, routes, web};
use askama::Template;
use chrono::Utc;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{
    DefineCharts, ProposePhases, ReceiveLots, RegisterSamples, ReleaseLots,
};
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_bench::methods::rules::BlankText;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_bench::samples::pages as samples;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::form::{first_page, words};
use ferrotitre_html::shell::Shell;
use serde::Deserialize;

use super::rules::{self, Begins};
use crate::control_charts::begin::wire::NewControl;
use crate::control_charts::begin::{self as service, unit_of};
use crate::control_charts::taking::{self, QcPlanFacts};
use crate::control_materials::service::{self as materials, Lot};

/// Plans of other methods that are offered at once.
const MOST_PLANS: usize = 5;

/// By which method, and which lot.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Of {
    #[serde(default)]
    method: String,
    #[serde(default)]
    material: String,
}

#[derive(Template)]
#[template(path = "control_charts/begin.html")]
struct BeginPage<'a> {
    shell: &'a Shell,
    form: &'a Form,
    /// What the form follows from.
    of: &'a [Field],
    /// Why there is no form yet.
    lacks: &'static str,
}

type Method = VersionView<MethodFacts>;

fn lot_fields(method: &Method) -> Vec<Field> {
    let code = &method.facts.code;
    let name = |field: &str| format!("new_material.{field}");
    let kinds = vec![
        Choice::thing("CRM", "CRM", "certified reference material"),
        Choice::thing("RM", "RM", "reference material"),
        Choice::thing("in-house", "in-house", "value from a signed study"),
        Choice::thing("spiked", "spiked", "value is what was added"),
    ];
    let units = words(&["mol/L", "g/L", "mg/L", "% m/m", "mol/kg"]);
    let optional = |field: &str, label: &str, kind: Kind| Field::new(&name(field), label, kind).optional();
    vec![
        Field::new(&name("code"), "Lot code on the label", Kind::Text).part("The control material"),
        Field::new(&name("kind"), "Kind", Kind::Choice(kinds)),
        Field::new(&name("description"), "What it is", Kind::Text),
        Field::new(&name("expires_on"), "Last day of use", Kind::Day),
        optional("assigned_value", "Assigned value", Kind::Decimal)
            .help(format!("In {}. May come later; without it the lot is not released.", unit_of(&method.facts))),
        optional("standard_uncertainty", "Its standard uncertainty", Kind::Decimal)
            .help("Of a certificate that states U with k = 2: half of U."),
        optional("certificate", "Certificate or signed study it comes from", Kind::Text),
        optional("unit", "Unit of the assigned value and of the chart", Kind::List(units))
            .value(unit_of(&method.facts))
            .fold("More about the lot: unit, matrix, evidence")
            .help(format!("Proposed: that of {code}.")),
        optional("matrix", "Matrix", Kind::Text).value(&method.facts.matrix).help(format!("Proposed: that of {code}.")),
        optional("supplier_lot", "Supplier's lot, if bought", Kind::Text),
        optional("certificate_digest", "SHA-256 of the certificate's file", Kind::Text),
        optional("homogeneity", "Evidence of homogeneity", Kind::Text),
        optional("stability", "Evidence of stability", Kind::Text),
    ]
}

fn sample_fields() -> Vec<Field> {
    let name = |field: &str| format!("sample.{field}");
    let optional = |field: &str, label: &str, kind: Kind| Field::new(&name(field), label, kind).optional();
    vec![
        Field::new(&name("condition"), "Condition on receipt", Kind::Text)
            .part("The sample it is titrated as")
            .help("Portions of this sample are titrated in runs, as controls."),
        Field::new(&name("preservation"), "Preservation", Kind::Text).help("Acidified, headspace, temperature."),
        Field::new(&name("container"), "Container", Kind::Text),
        Field::new(&name("storage"), "Storage", Kind::Text),
        optional("code", "Code on the label", Kind::Text)
            .fold("More about the sample: code, times, how long it is kept")
            .help("Left empty: that of the lot."),
        optional("client_reference", "Whose it is", Kind::Text)
            .help("Left empty: \"control material\" and the code of the lot."),
        optional("description", "Description", Kind::Text).help("Left empty: that of the lot."),
        optional("matrix", "Matrix", Kind::Text).help("Left empty: that of the lot."),
        optional("sampled_at", "Taken", Kind::Time { now: false }),
        optional("received_at", "Received", Kind::Time { now: false }).help("Left empty: now."),
        optional("iron2_deadline", "Iron(II) to be titrated until", Kind::Time { now: false }),
        optional("retained_until", "Kept until", Kind::Day).help("Left empty: the last day of use of the lot."),
    ]
}

fn chart_fields(method: &Method, lot: Option<&Lot>) -> Vec<Field> {
    let title = |what: &str| format!("{} in {what}", method.facts.analyte);
    let (code, title) =
        lot.map_or_else(Default::default, |lot| (format!("X-{}", lot.facts.code), title(&lot.facts.description)));
    let optional = |field: &str, label: &str, kind: Kind| Field::new(&format!("chart.{field}"), label, kind).optional();
    vec![
        optional("code", "Code of the chart", Kind::Text)
            .value(code)
            .fold("More about the chart: code, title, baseline")
            .help("Left empty: X- and the code of the lot."),
        optional("title", "Title", Kind::Text).value(title).help("Left empty: the analyte and what the lot is."),
        optional("resolution", "Rounding step of the values", Kind::Decimal)
            .help("To check that the values are fine enough for their scatter."),
        optional("baseline_minimum", "Fewest baseline points of limits without the label preliminary", Kind::Whole)
            .help("Left empty: 60."),
    ]
}

/// Blanks of a run that a method proposes, and why.
fn blanks_of(method: &Method) -> (i32, String) {
    let code = &method.facts.code;
    match method.facts.rules.0.blank == BlankText::Subtract {
        true => (1, format!("Proposed: {code} subtracts the blanks of the run.")),
        false => (0, format!("Proposed: {code} subtracts no blank.")),
    }
}

fn plan_fields(method: &Method, present: Option<&QcPlanFacts>) -> Vec<Field> {
    let code = &method.facts.code;
    let whole = |field: &str, label: &str| Field::new(&format!("plan.{field}"), label, Kind::Whole);
    let (blanks, why) = match present {
        Some(plan) => (plan.blanks, format!("As the plan of {code} says now.")),
        None => blanks_of(method),
    };
    let values =
        whole("values", "Controls on this chart, at least").value(1).part(format!("Every run of {code} needs"));
    vec![
        if present.is_some() {
            values.help(format!("The chart joins the plan of {code}; its other charts stay."))
        } else {
            values
        },
        whole("blanks", "Blanks, at least").value(blanks).help(why),
        whole("duplicates", "Samples in duplicate, at least").value(present.map_or(0, |plan| plan.duplicates)),
    ]
}

/// Plans of further methods that have none yet, each to be ticked.
fn other_plan_fields(others: &[&Method]) -> Vec<Field> {
    let line = |(at, method): (usize, &&Method)| {
        let name = |field: &str| format!("other_plans[{at}].{field}");
        let code = &method.facts.code;
        let (blanks, why) = blanks_of(method);
        let tick = Field::new(&name("method"), &format!("Plan of {code}"), Kind::Tick(method.version_id.to_string()))
            .optional()
            .help(method.facts.title.clone());
        [
            if at == 0 { tick.part("Plans of other methods that have none") } else { tick },
            Field::new(&name("blanks"), "Blanks, at least", Kind::Whole).value(blanks).help(why),
            Field::new(&name("duplicates"), "Samples in duplicate, at least", Kind::Whole).value(0),
        ]
    };
    others.iter().enumerate().flat_map(line).collect()
}

/// Fields of a test portion that most need.
const USUAL: [&str; 3] = ["pipette", "dilution[0].flask", "aliquot_pipette"];
/// Those that fewer need.
const RARE: [&str; 10] = [
    "mass_g",
    "balance",
    "dilution[1].pipette",
    "dilution[1].flask",
    "dilution[2].pipette",
    "dilution[2].flask",
    "density",
    "density_u",
    "temperature",
    "observed_at",
];

/// A test portion of the sample, taken at once.
async fn portion_fields(db: &Db) -> Result<Vec<Field>, Refusal> {
    let all = samples::portion_fields(db).await?;
    let found = USUAL.into_iter().chain(RARE).filter_map(|name| all.iter().find(|field| field.name == name)).cloned();
    let mut fields: Vec<Field> =
        found.map(|field| Field { name: format!("portion.{}", field.name), part: String::new(), ..field }).collect();
    for field in &mut fields {
        match field.name.as_str() {
            "portion.pipette" => {
                field.part = "A test portion of it".to_owned();
                // The rule that whoever had a hand in a record does not judge it.
                field.help = "Or by mass, below. Whoever takes it neither reviews nor approves what is titrated of it: if you are the \
                    only manager, leave all of it empty, and an analyst takes it on the page of the sample."
                    .to_owned();
            }
            "portion.mass_g" => field.fold = Some("More about the portion: by mass, further dilutions, density"),
            // Filled in by the service: the sample is received with it.
            "portion.observed_at" => field.kind = Kind::Time { now: false },
            _ => {}
        }
    }
    Ok(fields)
}

fn limit_fields(shell: &Shell, lot: Option<&Lot>) -> Vec<Field> {
    let optional =
        |field: &str, label: &str, kind: Kind| Field::new(&format!("limits.{field}"), label, kind).optional();
    let assigned = lot.and_then(|lot| lot.facts.assigned_value.as_ref().map(|value| (value, &lot.facts.unit)));
    let centre = assigned.map_or_else(
        || "The assigned value is the centre; s is stated below.".to_owned(),
        |(value, unit)| format!("The centre is {} {unit}, as assigned; s is stated below.", shell.n(value)),
    );
    let ways = vec![
        Choice::thing(
            "",
            "gather values first",
            "Values are charted and not judged. Limits are proposed from about 25 of them as preliminary, from 60 as established \
             (Nordtest TR 569).",
        ),
        Choice::thing("reference", "about the assigned value", format!("{centre} Standards given: ISO 7870-2.")),
        Choice::thing(
            "target",
            "about a target",
            "Centre and s are a requirement, stated below. Standards given: ISO 7870-2.",
        ),
    ];
    vec![
        Field::new("limits.origin", "Limits", Kind::Described(ways)).optional().part("First limits").help(
            "You propose them; another manager approves or rejects. Where there is only one manager: gather first, let an analyst \
             propose limits on the chart's page, and decide on them.",
        ),
        optional("s", "Standard deviation s of results between runs", Kind::Decimal)
            .help("For limits from stated values. The validation's intermediate precision, not the repeatability of titres."),
        optional("centre", "Target", Kind::Decimal).help("Only about a target."),
        optional("reason", "Where these figures come from", Kind::Text)
            .help("Study, certificate or requirement; at least 5 characters."),
        optional("valid_from", "Judges values observed from", Kind::Time { now: false })
            .fold("More about the limits: from when, label, action limits")
            .help("Left empty: now."),
        optional("label", "Label", Kind::List(words(&["preliminary", "established"]))).help("Left empty: preliminary."),
        optional("lower_action", "Lower action limit of a target, in place of centre and s", Kind::Decimal),
        optional("upper_action", "Upper action limit", Kind::Decimal),
    ]
}

/// Lots that a control can still be begun with.
async fn lots(db: &Db) -> Result<Vec<Lot>, Refusal> {
    let today = Utc::now().date_naive();
    let usable = |lot: &Lot| {
        matches!(lot.state.as_str(), "quarantined" | "released" | "in use") && lot.facts.expires_on >= today
    };
    Ok(materials::list(db, &first_page()).await?.items.into_iter().filter(usable).collect())
}

/// What the form follows from, to choose.
fn of(methods: &[Method], method: Option<&Method>, lots: &[Lot], lot: Option<&Lot>) -> Vec<Field> {
    let methods = methods.iter().map(|one| Choice::thing(one.version_id, &one.facts.code, one.facts.title.clone()));
    let lots = lots.iter().map(|one| Choice::thing(one.id, &one.facts.code, one.facts.description.clone()));
    vec![
        Field::new("method", "Method", Kind::List(methods.collect()))
            .value(method.map(|one| one.version_id.to_string()).unwrap_or_default()),
        Field::new("material", "Lot of control material", Kind::List(lots.collect()))
            .optional()
            .value(lot.map(|one| one.id.to_string()).unwrap_or_default())
            .help("Left empty: a new lot, recorded here."),
    ]
}

/// Methods beside the one of the control that have no plan yet.
async fn without_plan<'a>(db: &Db, methods: &'a [Method], of: &Method) -> Result<Vec<&'a Method>, Refusal> {
    let mut without = Vec::new();
    for other in methods.iter().filter(|other| other.version_id != of.version_id) {
        if without.len() < MOST_PLANS && taking::present_of(db, MethodId(other.version_id)).await?.is_none() {
            without.push(other);
        }
    }
    Ok(without)
}

/// The form for a method and a lot.
async fn form(
    shell: &Shell,
    db: &Db,
    (methods, method): (&[Method], &Method),
    lot: Option<&Lot>,
) -> Result<Form, Refusal> {
    let plan = taking::present_of(db, MethodId(method.version_id)).await?;
    let mut form = begins(format!("What follows from {} is proposed: look at it.", method.facts.code));
    form = form.fixed("method", method.version_id.to_string());
    form = match lot {
        Some(lot) => form.fixed("material", lot.id.to_string()),
        None => form.with(lot_fields(method)),
    };
    if lot.is_none_or(|lot| lot.state == "quarantined") {
        let release = Field::new("release", "Release the lot with it", Kind::YesNo).optional().help(
            "You answer for its value and certificate. Left open, it stays quarantined until a manager releases it.",
        );
        form =
            form.with([if lot.is_some() { release.part("The control material") } else { release.part("Its release") }]);
    }
    if lot.is_none_or(|lot| lot.facts.sample.is_none()) {
        form = form.with(sample_fields());
    }
    form = form.with(portion_fields(db).await?);
    form = form.with(rules::fields("chart.", Begins::WithTheDefault).await?).with(chart_fields(method, lot));
    if let Some(plan) = &plan {
        form = form.fixed("plan.corrects", plan.version_id.to_string());
    }
    let others = without_plan(db, methods, method).await?;
    Ok(form
        .with(plan_fields(method, plan.as_ref().map(|plan| &plan.facts)))
        .with(other_plan_fields(&others))
        .with(limit_fields(shell, lot)))
}

fn begins(lead: String) -> Form {
    Form::new("Begin a control", "Begin the control", "/charts")
        .lead(format!("A control material with its sample, its chart, the plan of its method and its first limits, recorded together; if you like with its release, a test portion and the plans of other methods. {lead}"))
        .help(
            "What every run is judged by: a material of known content, titrated like a sample, and limits that two people answer for.",
            "ISO/IEC 17025:2017 7.7.1; ISO 7870-2; Nordtest TR 569.",
            "The chart's page then says what is still to be done, and by whom: the lot is released, the limits are approved.",
        )
}

/// Begins a control.
#[routes]
#[get("/charts/begin")]
#[post("/charts/begin")]
pub(super) async fn begin_control(
    who: Allowed<DefineCharts>,
    _parts: (Allowed<ReceiveLots>, Allowed<RegisterSamples>, Allowed<ProposePhases>, Allowed<ReleaseLots>),
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Of>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let (methods, lots) = (methods::in_force(&db).await?, lots(&db).await?);
    let asked = &query.0;
    let is = |one: &&Method| [one.version_id, one.id].iter().any(|id| id.to_string() == asked.method);
    // Where there is one method only, there is nothing to choose.
    let only = methods.first().filter(|_| methods.len() == 1);
    let method = methods.iter().find(is).or(only.filter(|_| asked.method.is_empty()));
    let lot = lots.iter().find(|lot| lot.id.to_string() == asked.material);
    let of = of(&methods, method, &lots, lot);
    let lacks = match (methods.is_empty(), method) {
        (true, _) => "No method is in force yet: a control is titrated by one. Draft it, and have it approved.",
        (false, None) => "Choose the method by which the control is titrated.",
        (false, Some(_)) => "",
    };
    let draw =
        |shell: &Shell, form: &Form, status: StatusCode| shell.page(status, &BeginPage { shell, form, of: &of, lacks });
    let Some(method) = method else { return draw(&shell, &begins(String::new()), StatusCode::OK) };
    let form = form(&shell, &db, (&methods, method), lot).await?;
    let work = async |act, new: NewControl| {
        let answer = service::begin(&db, &act, new).await?;
        Ok(onward(&answer, &format!("/charts/{}", field_of(&answer, "chart.id"))))
    };
    shell.take_with(&who, &sent, form, draw, work).await
}
