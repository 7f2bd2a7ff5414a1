//! Pages of methods: their rules, versions and states.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ApproveMethods, DraftMethods, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::{Correction, VersionView};
use ferrotitre_core::chemistry::{CHEMISTRIES, INDICATORS, REDUCTIONS, chemistry, reduction};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::statistics::agreement::{PairRule, repeat_until_pair};
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward, words};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::versioned::{self, json, moves_on};
use serde::Deserialize;
use uuid::Uuid;

use crate::methods::service;
use crate::methods::store::MethodFacts;
use crate::specifications::pages::rule_choices;

mod drafts;
mod outlines;

const KIND: EntityKind = EntityKind::Method;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_methods)
        .service(list_chemistries)
        .service(drafts::draft_several)
        .service(outlines::list_outlines)
        .service(outlines::read_outline)
        .service(draft_method)
        .service(read_method)
        .service(revise_method)
        .service(move_method);
}

fn fields(decision_rules: Vec<Choice>) -> Vec<Field> {
    let mut fields = principle_fields();
    fields.extend(rule_fields());
    fields.extend(report_fields(decision_rules));
    fields
}

fn principle_fields() -> Vec<Field> {
    let chemistries = CHEMISTRIES.iter().map(|entry| Choice::thing(entry.code, entry.code, entry.name)).collect();
    let indicators = INDICATORS.iter().map(|entry| Choice::thing(entry.code, entry.code, entry.change)).collect();
    let reductions = REDUCTIONS.iter().map(|entry| Choice::thing(entry.code, entry.code, entry.name)).collect();
    vec![
        Field::new("code", "Code", Kind::Text),
        Field::new("title", "Title", Kind::Text),
        Field::new("principle", "Principle", Kind::Long),
        Field::new("analyte", "Determines", Kind::Choice(words(&["iron(II)", "total iron"]))),
        Field::new("matrix", "Matrix it is validated for", Kind::Text),
        Field::new("chemistry", "Chemistry", Kind::Choice(chemistries)).part("Chemistry"),
        Field::new("reduction", "Reduction", Kind::Choice(reductions))
            .help("None for iron(II). Mercury-free ones stand first."),
        Field::new("mercury_reason", "Why mercury", Kind::Long)
            .optional()
            .help("Only for a mercury reduction: why no mercury-free one will do."),
        Field::new("indicator", "Indicator", Kind::Choice(indicators)),
    ]
}

fn rule_fields() -> Vec<Field> {
    let rule = |name: &str, label: &str, kind: Kind| Field::new(&format!("rules.{name}"), label, kind);
    vec![
        rule("acceptance", "Titres suffice by", Kind::Choice(words(&["concordance", "critical range"])))
            .part("Replicates"),
        rule("concordance_limit_ml", "Largest range of concordant titres, mL", Kind::Decimal).value("0.10"),
        rule(
            "concordance_mode",
            "Which titres the limit is for",
            Kind::Choice(words(&["all accurate", "consecutive"])),
        )
        .value("all accurate"),
        rule("minimum_titres", "Fewest accurate titres", Kind::Whole).value("2"),
        rule("give_up_after", "From so many on, titres that disagree without a cause are represented", Kind::Whole)
            .value("4"),
        rule("central", "By their", Kind::Choice(words(&["mean", "median"]))).value("median"),
        rule("sigma_r_ml", "Repeatability standard deviation of a titre, mL", Kind::Decimal)
            .optional()
            .help("From the validation."),
        rule("sigma_r_degrees_of_freedom", "Its degrees of freedom", Kind::Decimal).optional(),
        rule("follow_up", "Further titrations are", Kind::Choice(words(&["cheap", "expensive"]))).value("cheap"),
        rule("correct_burette", "Apply burette corrections", Kind::YesNo).value("true").part("Corrections"),
        rule("correct_temperature", "Bring volumes to 20 °C", Kind::YesNo).value("true"),
        rule("factor", "Concentration of the titrant", Kind::Choice(words(&["in force", "interpolated"])))
            .value("in force")
            .optional()
            .help("In force: the factor at the time of use. Interpolated: between that one and the next, once there is one."),
        rule("blank", "Blank", Kind::Choice(words(&["subtract", "none"]))).value("subtract"),
        rule("end_point_u_ml", "Standard uncertainty of the end point's bias, mL", Kind::Decimal),
        rule("longest_standing_minutes", "Longest standing after the reduction, min", Kind::Decimal).value("5"),
        rule("holding_time_hours", "Iron(II) to be titrated within, h", Kind::Decimal).optional(),
        rule("distinct_people", "Distinct people who sign a result", Kind::Whole)
            .optional()
            .help("Author, reviewers and approver; three if left empty."),
    ]
}

fn report_fields(decision_rules: Vec<Choice>) -> Vec<Field> {
    let rule = |name: &str, label: &str, kind: Kind| Field::new(&format!("rules.{name}"), label, kind);
    vec![
        rule("unit", "Unit", Kind::Choice(words(&["g/L", "mg/L", "mol/L", "% m/m", "mol/kg"]))).part("Report"),
        rule("expressed", "Expressed as", Kind::Choice(words(&["Fe", "FeO", "Fe2O3"]))).value("Fe"),
        rule("ties", "Ties are rounded", Kind::Choice(words(&["half even", "half up"]))).value("half even"),
        rule("places", "Decimal places", Kind::Whole)
            .optional()
            .help("Left empty: U to two figures, the value to the same place."),
        rule("coverage_factor", "Coverage factor k", Kind::Decimal).optional().help("This or the probability."),
        rule("coverage_probability", "Coverage probability", Kind::Decimal).optional(),
        rule(
            "uncertainty",
            "Uncertainty",
            Kind::Choice(words(&["bottom-up", "with between-run component", "larger of bottom-up and top-down"])),
        )
        .value("bottom-up")
        .optional()
        .help("From the budget of the single result; with a component for what varies between runs; or never below what control charts have seen."),
        rule("seen_percent", "Seen on control charts, u in % of the content", Kind::Decimal)
            .optional()
            .help("Not with bottom-up. The page of the budget works it out from the charts."),
        rule("seen_degrees_of_freedom", "Its degrees of freedom", Kind::Decimal).optional(),
        rule("seen_on", "On which charts, and when", Kind::Text).optional(),
        rule("loq", "Limit of quantification", Kind::Decimal).optional(),
        rule("validated_low", "Validated from", Kind::Decimal),
        rule("validated_high", "Validated up to", Kind::Decimal),
        rule("decision_rule", "Decision rule", Kind::Thing(decision_rules))
            .optional()
            .help("Judges results against specifications that name no rule of their own."),
    ]
}

/// Lists methods.
#[get("/methods")]
pub(super) async fn list_methods(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let page = service::list(&db, &query.0.listing()?).await?;
    let rows = page.items.into_iter().map(|view| {
        vec![
            Cell::link(view.facts.code, format!("/methods/{}", view.id)),
            Cell::text(view.version.to_string()),
            Cell::state(view.state),
            Cell::text(view.facts.title),
            Cell::text(view.facts.analyte),
            Cell::text(view.facts.chemistry),
            Cell::text(view.facts.reduction),
            Cell::text(view.facts.matrix),
        ]
    });
    let table = Table {
        columns: vec!["Method", "Version", "State", "Title", "Determines", "Chemistry", "Reduction", "Matrix"],
        rows: rows.collect(),
        empty: "No method yet.",
        next: query.0.next("/methods", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    Sheet::new(&shell, "Methods", "Methods")
        .way(shell.may(Action::DraftMethods), "Draft a method", "/methods/new")
        .way(true, "Outlines to begin with", "/methods/outlines")
        .way(true, "Chemistries and cautions", "/methods/chemistries")
        .section("list", "", Part::Table(table))
        .help(
            "Each method in its newest version; the one before stays in force until this one is approved.",
            "ISO/IEC 17025:2017 7.2 (selection, verification and validation of methods).",
            "Draft, validate, have it approved by someone other than its author.",
        )
        .show()
}

/// What the service knows of titration chemistry.
#[get("/methods/chemistries")]
pub(super) async fn list_chemistries(_who: Allowed<ReadRecords>, shell: Shell) -> Result<HttpResponse, Problem> {
    let chemistries = CHEMISTRIES.iter().map(|entry| {
        vec![
            Cell::text(entry.code),
            Cell::text(entry.reaction),
            Cell::text(entry.indicators.join(", ")),
            Cell::text(entry.cautions()),
        ]
    });
    let reductions = REDUCTIONS.iter().map(|entry| {
        vec![
            Cell::text(entry.code),
            Cell::text(if entry.mercury { "mercury" } else { "mercury-free" }),
            Cell::text(entry.checkpoint),
            Cell::text(entry.cautions),
        ]
    });
    let indicators = INDICATORS.iter().map(|entry| {
        let iron = if entry.needs_iron { "needs added iron(II)" } else { "needs none" };
        vec![Cell::text(entry.code), Cell::text(entry.change), Cell::text(iron)]
    });
    let table = |columns: Vec<&'static str>, rows| Part::Table(Table { columns, rows, ..Table::default() });
    Sheet::new(&shell, "Methods", "Chemistries and cautions")
        .cautions("What is written here reminds; it instructs nobody.")
        .section(
            "chemistries",
            "Ways to titrate iron",
            table(vec!["Code", "Reaction", "Indicators", "Cautions"], chemistries.collect()),
        )
        .section(
            "reductions",
            "Reductions",
            table(vec!["Code", "", "Seen when it went well", "Cautions"], reductions.collect()),
        )
        .section("indicators", "Indicators", table(vec!["Code", "Change", "Blank"], indicators.collect()))
        .help(
            "The entries a method can choose from.",
            "ISO 2597-1, ISO 2597-2 (reductions); sources of the constants: CIAAW.",
            "A new chemistry is a new entry in the program, not a new program.",
        )
        .show()
}

/// What a draft begins with.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Beginning {
    /// An outline, by its name.
    #[serde(default)]
    outline: String,
    /// Another method, whose newest version is copied.
    copy: Option<Uuid>,
}

/// Drafts a method, from nothing, from an outline or from another method.
#[routes]
#[get("/methods/new")]
#[post("/methods/new")]
pub(super) async fn draft_method(
    who: Allowed<DraftMethods>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Beginning>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let fields = fields(rule_choices(&db, &[]).await?);
    let form = Form::new("Draft a method", "Save draft", "/methods").help(
        "The rules by which titres, corrections and figures will be judged, before there are any.",
        "ISO/IEC 17025:2017 7.2; ISO 5725-6; JCGM 100.",
        "Someone other than its author approves it; only then can runs use it.",
    );
    let form = if let Some(id) = query.0.copy {
        let copied = present(&db, id).await?;
        let mut facts = json(&copied.facts);
        facts["code"] = "".into();
        form.lead(format!(
            "As {} version {} is. What its validation showed is not this method's: look at each figure.",
            copied.facts.code, copied.version
        ))
        .with(fields)
        .filled(&facts)
    } else if query.0.outline.is_empty() {
        form.or("Begin with an outline", "/methods/outlines").with(fields)
    } else {
        let outline = outlines::named(&query.0.outline)?;
        form.lead(format!("Begun with the outline \"{}\". What your validation must show is left open.", outline.title))
            .cautions(outline.cautions())
            .with(outlines::reasoned(outline, fields))
            .filled(&outline.facts())
    };
    shell
        .take(&who, &sent, form, async |act, facts: MethodFacts| {
            let answer = service::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/methods/{}", field_of(&answer, "id"))))
        })
        .await
}

async fn present(db: &Db, id: Uuid) -> Result<VersionView<MethodFacts>, Refusal> {
    let history = service::read(db, id).await?.resource;
    history.versions.into_iter().next_back().ok_or_else(|| Refusal::not_found("method", id))
}

/// What going on until two titres agree makes of a method whose scatter is larger than it claims.
fn stopping(facts: &MethodFacts) -> Option<Part> {
    let (limit, sigma, most) = facts.rules.0.until_two_agree()?;
    let rows = [1.0, 1.5, 2.0, 3.0].map(|ratio| {
        let found = repeat_until_pair(PairRule::Consecutive, limit, ratio * sigma, most).ok()?;
        let percent = |share: f64| Cell::number(format!("{:.1}", 100.0 * share));
        Some(vec![
            Cell::number(format!("{ratio:.1}")),
            percent(found.ends.first().copied().unwrap_or_default()),
            percent(found.passes),
            Cell::number(format!("{:.2}", found.shown_sd)),
            Cell::number(format!("{:.2}", found.sd_of_mean * std::f64::consts::SQRT_2)),
        ])
    });
    Some(Part::Table(Table {
        columns: vec![
            "True scatter over sigma_r",
            "First two agree, %",
            "Ends in agreement, %",
            "Scatter that the pair shows, over the true one",
            "u of its mean, over that of any two",
        ],
        rows: rows.into_iter().flatten().collect(),
        ..Table::default()
    }))
}

/// A method with its versions.
#[get("/methods/{id}")]
pub(super) async fn read_method(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = service::read(&db, *id).await?.resource;
    let view = history.versions.last().ok_or_else(|| Refusal::not_found("method", *id))?;
    let names = versioned::names(&db, &history.versions, &history.moves).await?;
    let told = json(&view.facts);
    let named = history.versions.iter().filter_map(|version| version.facts.rules.0.decision_rule);
    let decision_rules = rule_choices(&db, &named.collect::<Vec<_>>()).await?;
    let path = format!("/methods/{id}");
    let states = history
        .versions
        .iter()
        .rev()
        .map(|view| vec![Cell::text(format!("Version {}", view.version)), Cell::state(view.state.clone())]);
    let states = Table { columns: vec!["Version", "State"], rows: states.collect(), ..Table::default() };
    let cautions = format!(
        "{} {}",
        reduction(&view.facts.reduction).map_or("", |entry| entry.cautions),
        chemistry(&view.facts.chemistry).map(ferrotitre_core::chemistry::Chemistry::cautions).unwrap_or_default()
    );
    Sheet::new(&shell, "Method", view.facts.code.clone())
        .state(view.state.clone())
        .lead(format!("{}, version {}", view.facts.title, view.version))
        .way(shell.may(Action::ApproveMethods) && moves_on(KIND, &view.state), "Move", format!("{path}/moves"))
        .way(shell.may(Action::DraftMethods), "Draft the next version", format!("{path}/revision"))
        .way(shell.may(Action::DraftMethods), "Copy to a new method", format!("/methods/new?copy={id}"))
        .way(
            shell.may(Action::DefineCharts) && view.state == "approved",
            "Begin a control",
            format!("/charts/begin?method={id}"),
        )
        .way(true, "Budget against charts", format!("{path}/budget"))
        .way(true, "Where used", format!("/where-used/{}", view.version_id))
        .cautions(cautions)
        .section("words", "In plain words", Part::List(view.facts.rules.0.in_words()))
        .section("principle", "Principle", Part::Facts(facts(&principle_fields(), &told, &shell)))
        .section("rules", "Replicates and corrections", Part::Facts(facts(&rule_fields(), &told, &shell)))
        .section_of("stopping", "What titrating on until two titres agree lets through", stopping(&view.facts))
        .section("report", "Report", Part::Facts(facts(&report_fields(decision_rules.clone()), &told, &shell)))
        .section("states", "Versions and their states", Part::Table(states))
        .section(
            "versions",
            "What each version changed",
            versioned::versions(&shell, &fields(decision_rules), &history.versions, &names),
        )
        .section("history", "History", Part::Moves(history.moves, names))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={}", view.version_id))
        .help(
            "The rules everything done by this method is judged by, written down before.",
            "ISO/IEC 17025:2017 7.2; ISO 5725-6; JCGM 100.",
            "A run pins one version; a later version changes nothing that was done before.",
        )
        .show()
}

/// Drafts the next version of a method.
#[routes]
#[get("/methods/{id}/revision")]
#[post("/methods/{id}/revision")]
pub(super) async fn revise_method(
    who: Allowed<DraftMethods>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let form = Form::new(format!("Next version of {}", view.facts.code), "Save draft", format!("/methods/{id}"))
        .lead("The version in force stays so until this one is approved.")
        .with(fields(rule_choices(&db, &[]).await?));
    let present = (&json(&view.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<MethodFacts>| {
            service::correct(&db, &act, *id, version, correction).await
        })
        .await
}

/// Moves the newest version of a method.
#[routes]
#[get("/methods/{id}/moves")]
#[post("/methods/{id}/moves")]
pub(super) async fn move_method(
    who: Allowed<ApproveMethods>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = present(&db, *id).await?;
    let back = format!("/methods/{id}");
    let form = Form::move_form(KIND, &view.state, format!("Move {} version {}", view.facts.code, view.version), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}
