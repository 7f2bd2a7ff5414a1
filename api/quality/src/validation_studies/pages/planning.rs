//! The form of a plan: it grows by a characteristic or a limit at a time, and asks for what each kind needs.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ConductValidation;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::methods;
use ferrotitre_core::validation::{DataUnit, Statistic};
use ferrotitre_html::form::{Choice, Field, Form, Kind, RESHAPE, SHAPE, Sent, field_of, onward};
use ferrotitre_html::form::{first_page, words};
use ferrotitre_html::shell::Shell;

use crate::validation_studies::kinds::Kind as Studied;
use crate::validation_studies::plan;
use crate::validation_studies::wire::NewStudy;

/// Most characteristics of a plan, and most limits of one.
const MOST: (usize, usize) = (50, 20);
/// Factors of a ruggedness design.
const FACTORS: usize = 7;

/// A characteristic in the form: its place in the list, what is studied, how many limits there is room for.
#[derive(Debug, Clone, Copy)]
struct Slot {
    at: usize,
    kind: Studied,
    limits: usize,
}

impl Slot {
    /// As the form carries it.
    fn text(self) -> String {
        format!("{}:{}:{}", self.at, self.kind.text(), self.limits)
    }

    fn of(text: &str) -> Option<Self> {
        let mut parts = text.split(':');
        let (at, kind, limits) = (parts.next()?, parts.next()?, parts.next()?);
        Some(Self { at: at.parse().ok()?, kind: Studied::of(kind).ok()?, limits: limits.parse().ok()? })
    }
}

/// The characteristics a form has room for, after what its buttons ask for.
fn slots(sent: &Sent) -> Vec<Slot> {
    let mut slots: Vec<Slot> = sent.get(SHAPE).split(';').filter_map(Slot::of).take(MOST.0).collect();
    slots.retain(|slot| slot.at < 1000 && (1..=MOST.1).contains(&slot.limits));
    let (step, number) = sent.get(RESHAPE).split_once(' ').unwrap_or((sent.get(RESHAPE), ""));
    let number = number.parse().unwrap_or(usize::MAX);
    match step {
        "add" if slots.len() < MOST.0 => {
            let at = slots.iter().map(|slot| slot.at + 1).max().unwrap_or(0);
            slots.extend(Studied::of(sent.get("_add")).map(|kind| Slot { at, kind, limits: 1 }));
        }
        "limit" => {
            for slot in slots.iter_mut().filter(|slot| slot.at == number && slot.limits < MOST.1) {
                slot.limits += 1;
            }
        }
        "leave-out" => slots.retain(|slot| slot.at != number),
        _ => {}
    }
    slots
}

/// Fields of one limit of acceptance; its unit follows from the statistic.
pub(super) fn limit_fields(at: &str, number: usize, kind: Studied, required: bool) -> Vec<Field> {
    let name = |field: &str| format!("{at}limits[{number}].{field}");
    let label = |text: &str| format!("Limit {}: {text}", number + 1);
    let known = kind.statistics().iter();
    let statistics = known.map(|known| Choice::thing(known.key(), known.title(), known.symbol())).collect();
    let rules = vec![
        Choice::thing("value", "value", "the value lies within"),
        Choice::thing("interval", "interval", "its whole confidence interval lies within"),
        Choice::thing("covers", "covers", "its confidence interval reaches the limits"),
    ];
    let fields = vec![
        Field::new(&name("statistic"), &label("statistic"), Kind::List(statistics)),
        Field::new(&name("rule"), &label("rule"), Kind::Choice(rules)),
        Field::new(&name("lower"), &label("lower"), Kind::Decimal)
            .optional()
            .help("In the unit of the statistic: % where it is relative, 1 for a ratio, else that of the data."),
        Field::new(&name("upper"), &label("upper"), Kind::Decimal).optional(),
    ];
    fields.into_iter().map(|field| if required { field } else { field.optional() }).collect()
}

/// The unit of a limit, from the statistic that was chosen and the unit of the data.
pub(super) fn with_unit(form: Form, sent: &Sent, at: &str, number: usize, unit: &str) -> Form {
    let statistic = sent.get(&format!("{at}limits[{number}].statistic"));
    match Statistic::named(statistic) {
        Some(statistic) => {
            let unit = DataUnit::of(unit).map_or(unit, |unit| statistic.unit(unit));
            form.fixed(format!("{at}limits[{number}].unit"), unit)
        }
        None => form,
    }
}

/// What a kind's design needs beside sizes.
fn own_settings(at: &str, kind: Studied) -> Vec<Field> {
    let setting = |name: &str, label: &str, kind: Kind| Field::new(&format!("{at}design.{name}"), label, kind);
    let known_sd = || setting("known_sd", "Standard deviation of the method", Kind::Decimal);
    let known_sd_df = || setting("known_sd_df", "Its degrees of freedom", Kind::Decimal).optional();
    let reference = || {
        [
            setting("reference", "Certified value", Kind::Decimal),
            setting("reference_u", "Its standard uncertainty", Kind::Decimal),
        ]
    };
    match kind {
        Studied::Trueness => reference().to_vec(),
        Studied::Competence => [reference(), [known_sd(), known_sd_df()]].concat(),
        Studied::Ruggedness => {
            let mut fields = vec![known_sd(), known_sd_df()];
            for number in 0..FACTORS {
                let of = |name: &str, label: &str| {
                    let name = format!("factors[{number}].{name}");
                    setting(&name, &format!("Factor {}: {label}", number + 1), Kind::Text)
                };
                fields.extend([of("name", "what is varied"), of("low", "low level"), of("high", "high level")]);
            }
            fields
        }
        Studied::Stability => vec![setting("holding_hours", "Holding time to be shown, h", Kind::Decimal)],
        Studied::MethodComparison => vec![
            setting("variance_ratio", "Error variance, new over reference", Kind::Decimal)
                .optional()
                .help("Left empty: 1."),
        ],
        Studied::Detection | Studied::DetectionByDifference => {
            let mut fields = vec![
                setting("routine_replicates", "Replicates of a reported result", Kind::Whole).help("Left empty: 1."),
                setting("routine_blanks", "Blanks whose mean is subtracted", Kind::Whole).help("Left empty: none."),
                setting("quantification_factor", "Factor k_Q of quantification", Kind::Decimal).help("Left empty: 10."),
            ];
            if kind == Studied::DetectionByDifference {
                fields.push(setting("titre_ml", "Titre aimed at, mL", Kind::Decimal));
                fields.push(setting("titre_u_ml", "Standard uncertainty of a titre, mL", Kind::Decimal));
            }
            fields.into_iter().map(Field::optional).collect()
        }
        _ => Vec::new(),
    }
}

/// Fields of one characteristic.
fn slot_fields(slot: Slot, number: usize) -> Vec<Field> {
    let at = format!("characteristics[{}].", slot.at);
    let optional =
        |name: &str, label: &str, kind: Kind| Field::new(&format!("{at}design.{name}"), label, kind).optional();
    let mut fields = vec![
        Field::new(&format!("{at}title"), "Title", Kind::Text).part(format!("{number}. {}", slot.kind.text())),
        Field::new(
            &format!("{at}unit"),
            "Unit of the data",
            Kind::List(words(&["g/L", "mg/L", "mol/L", "% m/m", "mol/kg", "mL", "%"])),
        ),
        Field::new(&format!("{at}planned_n"), "Data planned", Kind::Whole),
    ];
    fields.extend(own_settings(&at, slot.kind));
    fields.push(optional("words", "How the data are made", Kind::Long));
    if slot.kind != Studied::Ruggedness {
        fields.extend([
            optional("groups", "Fewest groups", Kind::Whole).help("Days, levels, interferents, pairs, storages."),
            optional("replicates", "Fewest data of a group", Kind::Whole),
            optional("levels", "Planned levels", Kind::Lines).help("One a line."),
        ]);
    }
    fields.extend([
        optional("resolution", "Rounding step of the data", Kind::Decimal).help("For tests of outliers."),
        optional("confidence", "Confidence of intervals", Kind::Decimal).help("Left empty: 0.95."),
    ]);
    for limit in 0..slot.limits {
        fields.extend(limit_fields(&at, limit, slot.kind, limit == 0));
    }
    fields.push(Field::new(RESHAPE, "Room for another limit", Kind::Reshape(format!("limit {}", slot.at))));
    let leave_out = format!("Leave out {number}. {}", slot.kind.text());
    fields.push(Field::new(RESHAPE, &leave_out, Kind::Reshape(format!("leave-out {}", slot.at))));
    fields
}

/// The form with as many characteristics as it has room for.
fn plan_form(methods: Vec<Choice>, sent: &Sent) -> Form {
    let slots = slots(sent);
    let shape: Vec<String> = slots.iter().map(|slot| slot.text()).collect();
    let mut form = Form::new("Plan a validation study", "Save the plan", "/validation")
        .lead("The plan is saved whole and frozen when somebody else approves it. Add its characteristics one by one.")
        .shaped(shape.join(";"))
        .with([
            Field::new("code", "Code", Kind::Text),
            Field::new("title", "Title", Kind::Text),
            Field::new("purpose", "What the method shall be good for", Kind::Long),
            Field::new("method", "Method", Kind::Thing(methods)),
        ])
        .help(
            "Characteristics, designs, sizes and limits of acceptance, before there is any datum.",
            "ISO/IEC 17025:2017 7.2.2; IUPAC guidelines for single-laboratory validation 2002.",
            "A manager who did not write it approves it; only then are data taken.",
        );
    for (slot, number) in slots.iter().zip(1..) {
        let at = format!("characteristics[{}].", slot.at);
        form = form.with(slot_fields(*slot, number)).fixed(format!("{at}kind"), slot.kind.text());
        let unit = sent.get(&format!("{at}unit"));
        for limit in 0..slot.limits {
            form = with_unit(form, sent, &at, limit, unit);
        }
    }
    let kinds: Vec<&str> = Studied::ALL.iter().map(|kind| kind.text()).collect();
    form.with([
        Field::new("_add", "Characteristic to add", Kind::List(words(&kinds)))
            .optional()
            .part("Another characteristic"),
        Field::new(RESHAPE, "Add it", Kind::Reshape("add".to_owned())),
    ])
}

/// Plans a study.
#[routes]
#[get("/validation/new")]
#[post("/validation/new")]
pub(super) async fn plan_study(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let methods = methods::service::list(&db, &first_page()).await?;
    let choices = methods.items.iter().map(|view| {
        Choice::thing(view.version_id, &view.facts.code, format!("{}, version {}", view.facts.title, view.version))
    });
    let form = plan_form(choices.collect(), &sent);
    shell
        .take(&who, &sent, form, async |act, new: NewStudy| {
            let answer = plan::record(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/validation/{}", field_of(&answer, "id"))))
        })
        .await
}
