//! The bench: one determination, one titration at a time, made for one hand in a glove.

use actix_web::http::StatusCode;
use actix_web::{HttpResponse, get, routes, web};
use askama::Template;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, RecordTitrations};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::choices;
use ferrotitre_bench::concessions;
use ferrotitre_bench::equipment::service as equipment;
use ferrotitre_bench::instrument_readings::offers;
use ferrotitre_bench::methods::rules::AcceptanceText;
use ferrotitre_bench::titrants::service as titrants;
use ferrotitre_core::chemistry::{Chemistry, chemistry, reduction};
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward, see};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::{Help, Shell};
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use super::detail::{Around, caption, picture};
use super::onward::{Before, Came, leads_to};
use super::reduced::reduction_fields;
use super::{COLUMNS, proposals, rows};
use crate::determinations::service;
use crate::determinations::wire::{DeterminationView, NewTitration};
use crate::runs::pages::way;
use crate::runs::service as runs;

#[derive(Debug, Default, serde::Deserialize)]
pub(super) struct Scanned {
    #[serde(default)]
    code: String,
}

/// What can be titrated now; a scanned code leads straight to it.
#[get("/bench")]
pub(super) async fn choose_bench(
    _who: Allowed<RecordTitrations>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Scanned>,
) -> Result<HttpResponse, Problem> {
    let mut lines = Vec::new();
    for state in ["in progress", "returned", "amended"] {
        lines.extend(service::in_state(&db, state, (Uuid::max(), 100)).await?.items);
    }
    let code = query.0.code.trim();
    if let Some(line) = lines.iter().find(|line| line.code.eq_ignore_ascii_case(code)) {
        return Ok(see(&format!("/determinations/{}/bench", line.id)));
    }
    let mut table = rows(&shell, &db, &lines).await?;
    for (row, line) in table.iter_mut().zip(&lines) {
        row.insert(0, Cell::link("titrate", format!("/determinations/{}/bench", line.id)));
    }
    let mut columns = vec![""];
    columns.extend(COLUMNS);
    let scan =
        Field::new("code", "Scan or type a determination's code", Kind::Text).value(code).help(if code.is_empty() {
            String::new()
        } else {
            format!("{code} is not among those that can be titrated now.")
        });
    let open = runs::in_state(&db, "open", (Uuid::max(), 50)).await?.items;
    let open = open.into_iter().map(|run| {
        vec![
            Cell::link(run.code, format!("/runs/{}", run.id)),
            Cell::text(run.bench),
            Cell::text(show::time(run.observed_at)),
            Cell::text(if run.missing.is_empty() { "nothing".to_owned() } else { run.missing.join(", ") }),
        ]
    });
    Sheet::new(&shell, "Bench", "What can be titrated now")
        .way(shell.may(Action::ConductRuns), "Begin runs", "/runs/begin")
        .way(shell.may(Action::ConductRuns), "Open a run", "/runs/new")
        .section(
            "titrate",
            "Determinations",
            Part::Table(Table {
                columns,
                rows: table,
                empty: "None is waiting for titrations.",
                filters: vec![scan],
                ..Table::default()
            }),
        )
        .section(
            "runs",
            "Open runs",
            Part::Table(Table {
                columns: vec!["Run", "Bench", "Begun", "Lacks"],
                rows: open.collect(),
                empty: "No run is open. Open one to begin.",
                ..Table::default()
            }),
        )
        .help(
            "Runs that take records and determinations that take titrations.",
            "ISO/IEC 17025:2017 7.5.1: observations are recorded when they are made.",
            "Open a run, record its blank, begin a determination of a test portion, titrate.",
        )
        .show()
}

/// What can be used for a titration, as choices.
pub(super) struct Means {
    pub(super) titrants: Vec<Choice>,
    pub(super) burettes: Vec<Choice>,
    pub(super) oxidants: Vec<Choice>,
    pub(super) pipettes: Vec<Choice>,
    /// Who may supervise.
    pub(super) supervisors: Vec<Choice>,
    /// Leave to use what is expired or overdue.
    pub(super) concessions: Vec<Choice>,
}

impl Means {
    /// Reads what fits the method.
    pub(super) async fn of(db: &Db, around: &Around) -> Result<Self, Refusal> {
        let entry = chemistry(&around.method.chemistry);
        let species: Vec<&str> = entry.iter().map(|entry| entry.titrant).collect();
        let excess = entry.map_or(&[][..], |entry| entry.excess_of);
        let pieces = equipment::pieces(db).await?;
        let people = accounts::competent_people(db, &around.method.code).await?.into_iter();
        let until = |(row, code): (concessions::Row, String)| {
            Choice::thing(row.id, &format!("{code} until {}", show::time(row.valid_to)), row.reason)
        };
        Ok(Self {
            concessions: concessions::for_things(db).await?.into_iter().map(until).collect(),
            supervisors: people.map(|(id, code, name)| Choice::thing(id, &code, name)).collect(),
            titrants: choices::titrants(db, &species).await?,
            burettes: choices::of_kinds(&pieces, &["burette", "piston burette"]),
            oxidants: if excess.is_empty() { Vec::new() } else { choices::titrants(db, excess).await? },
            pipettes: if excess.is_empty() { Vec::new() } else { choices::of_kinds(&pieces, &["pipette"]) },
        })
    }
}

/// Choice of a few as tiles, of many by the code on the label.
fn few(choices: &[Choice]) -> Kind {
    if choices.len() <= 4 { Kind::Choice(choices.to_vec()) } else { Kind::Thing(choices.to_vec()) }
}

/// Fields of a titration, for the bench and for corrections.
pub(super) fn fields(around: &Around, means: &Means, fillings: usize) -> Vec<Field> {
    let kinds = vec![
        Choice::thing("accurate", "accurate", "counts by the method's rule"),
        Choice::thing("rough", "rough", "never enters a mean"),
    ];
    let mut fields = vec![Field::new("kind", "This titration is", Kind::Choice(kinds)).value("accurate")];
    if let Some(entry) = reduction(&around.method.reduction).filter(|entry| entry.code != "none") {
        fields.extend(reduction_fields(entry));
    }
    fields.push(Field::new("titrant", "Titrant lot", few(&means.titrants)));
    fields.push(Field::new("burette", "Burette", few(&means.burettes)));
    if !means.oxidants.is_empty() {
        fields.push(Field::new("oxidant_titrant", "Oxidant added in excess", few(&means.oxidants)));
        fields.push(Field::new("oxidant_pipette", "Pipette that delivered it", few(&means.pipettes)));
    }
    fields.push(
        Field::new("solution_temperature", "Titrant temperature, °C", Kind::Decimal)
            .optional()
            .help(if around.rules.correct_temperature { "The method corrects volumes to 20 °C." } else { "" }),
    );
    for filling in 0..fillings.max(2) {
        let later = filling > 0;
        let label = |word: &str| if later { format!("{word}, filling {}", filling + 1) } else { word.to_owned() };
        let reading = |name: &str, word: &str| {
            let field = Field::new(&format!("{name}[{filling}]"), &label(word), Kind::Decimal);
            if later { field.optional() } else { field }
        };
        let first = reading("initial_readings", "Initial reading, mL");
        fields.push(if filling == 0 { first.part("Burette readings") } else { first });
        fields.push(reading("final_readings", "Final reading, mL"));
    }
    fields.push(
        Field::new("end_point", "End point as seen", Kind::Choice(choices::end_points(&around.method.indicator)))
            .part("End point"),
    );
    fields.push(
        Field::new("end_point_note", "Anything else seen", Kind::Text)
            .optional()
            .help("Persistence, half drops, by how many drops overrun."),
    );
    fields.push(
        Field::new("indicator_drops", "Drops of indicator", Kind::Whole).optional().help("As many as in the blank."),
    );
    fields.push(
        Field::new("waste_stream", "Waste stream", Kind::Text)
            .part("Afterwards")
            .help("By the laboratory's own plan; local codes and licensed practice decide."),
    );
    fields.push(
        Field::new("concession", "Concession", Kind::List(means.concessions.clone()))
            .optional()
            .help("Only for an expired or overdue item."),
    );
    fields.push(Field::new("supervisor", "Supervised by", Kind::Thing(means.supervisors.clone())).optional().help(
        "For who is not authorised for the method: somebody who is, and who countersigns before it is submitted.",
    ));
    fields.push(Field::new("observed_at", "Finished", Kind::Time { now: true }).optional().help("Left empty: now."));
    fields.push(Field::late_reason());
    fields
}

/// Number of the titration that the page is about to save.
const MEANT: &str = "_meant";

/// A likely slip and where it is corrected.
struct Slip {
    position: u32,
    query: String,
    correction: String,
}

#[derive(Template)]
#[template(path = "determinations/bench.html")]
struct BenchPage<'a> {
    shell: &'a Shell,
    form: &'a Form,
    view: &'a DeterminationView,
    around: &'a Around,
    drawing: Option<String>,
    caption: String,
    slips: Vec<Slip>,
    cautions: String,
    failed: usize,
    lot: String,
    burette: String,
    /// What was titrated before, where the page was come to from there.
    before: Option<Before>,
    /// What comes next once the rule is satisfied: words and page.
    onward: Option<(String, String)>,
    help: Help,
}

impl BenchPage<'_> {
    /// Number of the titration that is entered now.
    fn next(&self) -> i32 {
        self.view.titrations.iter().map(|titration| titration.position).max().unwrap_or(0) + 1
    }

    fn shape(&self) -> &'static str {
        show::shape(&self.view.state)
    }

    fn field(&self, name: &str) -> Option<&Field> {
        self.form.fields.iter().find(|field| field.name == name)
    }

    /// Fields drawn one after the other: all but the readings, which have a place of their own.
    fn others(&self) -> Vec<&Field> {
        self.form.fields.iter().filter(|field| !field.name.contains("readings[") && field.name != "end_point").collect()
    }

    fn before(&self) -> Vec<&Field> {
        self.others().into_iter().take_while(|field| field.name != "titrant").collect()
    }

    fn with(&self) -> Vec<&Field> {
        let names = ["titrant", "burette", "oxidant_titrant", "oxidant_pipette", "solution_temperature"];
        self.others().into_iter().filter(|field| names.contains(&field.name.as_str())).collect()
    }

    fn after(&self) -> Vec<&Field> {
        let names = [
            "end_point_note",
            "indicator_drops",
            "waste_stream",
            "concession",
            "supervisor",
            "observed_at",
            "late_reason",
        ];
        self.others().into_iter().filter(|field| names.contains(&field.name.as_str())).collect()
    }

    /// Whether the second filling of the burette is in use.
    fn refilled(&self) -> bool {
        let second = ["initial_readings[1]", "final_readings[1]"];
        second
            .iter()
            .any(|name| self.field(name).is_some_and(|field| !field.value.is_empty() || !field.error.is_empty()))
    }

    fn rule(&self) -> String {
        match self.around.rules.acceptance {
            AcceptanceText::Concordance => {
                format!("range within {} mL", self.shell.n(&self.around.rules.concordance_limit_ml))
            }
            AcceptanceText::CriticalRange => "critical range with follow-up, ISO 5725-6".to_owned(),
        }
    }
}

/// The bench page: shows where the determination stands and takes the next titration.
#[routes]
#[get("/determinations/{id}/bench")]
#[post("/determinations/{id}/bench")]
pub(super) async fn titrate(
    who: Allowed<RecordTitrations>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    (id, came): (web::Path<Uuid>, Params<Came>),
    mut sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let around = Around::of(&db, &view, &view.titrations).await?;
    let means = Means::of(&db, &around).await?;
    let place = format!("/determinations/{id}/bench");
    let mut form = Form::new(format!("Titrate {}", view.code), "Save titration", format!("/determinations/{id}"))
        .with(fields(&around, &means, 2));
    begin_with(&mut form, &view, &means);
    proposals::of_titration(&db, &shell, &mut form, &view).await?;
    offers::offer(&db, &mut form, &mut sent, &offers::BURETTE).await?;
    let entry = chemistry(&around.method.chemistry);
    let lot = lot_words(&db, &view, &form).await?;
    let person = who.user().account;
    let before = match came.0.before {
        Some(before) => Some(Before::of(&db, &shell, before).await?),
        None => None,
    };
    let onward_to = match view.evaluation.progress.complete && shell.may(Action::ConductRuns) {
        true => way::on(&db, view.run, Some(*id), person).await?,
        false => None,
    };
    let draw = |shell: &Shell, form: &Form, status: StatusCode| {
        let drawing = picture(shell, &view.evaluation, &around.rules);
        let said = drawing.as_ref().map(|drawing| caption(shell, &view.evaluation, &around.rules, drawing));
        let page = BenchPage {
            shell,
            form,
            view: &view,
            around: &around,
            drawing: drawing.map(|drawing| drawing.svg),
            caption: said.unwrap_or_default(),
            slips: slips(&view),
            cautions: cautions(entry, &around),
            failed: view.evaluation.titres.iter().filter(|titre| titre.fate == "failed reduction").count(),
            lot,
            burette: words_of(form, "burette"),
            before,
            onward: onward_to,
            help: Help {
                what: "One determination: every titration is saved as it is made, the rule of the method says at once what it asks next.",
                standard: "ISO 2597-1 and ISO 2597-2 for the reduction of total iron; ISO 5725-6 for how titres may differ.",
                next: "When the rule is satisfied, submit the determination. Without the network, what you enter stays in this browser and is sent when it returns.",
            },
        };
        shell.page(status, &page)
    };
    shell
        .take_with(&who, &sent, form, draw, async |act, new: NewTitration| {
            // What the button said when it was pressed.
            let new = NewTitration { meant_as: sent.get(MEANT).parse().ok(), ..new };
            let answer = service::record_titration(&db, &act, who.user(), **policy, *id, new).await?;
            let next = leads_to(&db, &answer, (*id, view.run), person).await?;
            Ok(onward(&answer, next.as_deref().unwrap_or(&place)))
        })
        .await
}

/// What the titration before was made with; of the readings nothing.
fn begin_with(form: &mut Form, view: &DeterminationView, means: &Means) {
    let last = view.titrations.last();
    let single = |choices: &[Choice]| match choices {
        [only] => only.value.clone(),
        _ => String::new(),
    };
    let mut set = |name: &str, value: Option<String>| {
        if let Some(field) = form.fields.iter_mut().find(|field| field.name == name) {
            field.value = value.unwrap_or_default();
        }
    };
    let facts = last.map(|titration| &titration.facts);
    set("titrant", Some(facts.map_or_else(|| single(&means.titrants), |facts| facts.titrant.to_string())));
    set("burette", Some(facts.map_or_else(|| single(&means.burettes), |facts| facts.burette.to_string())));
    set("oxidant_titrant", facts.and_then(|facts| facts.oxidant_titrant).map(|id| id.to_string()));
    set("oxidant_pipette", facts.and_then(|facts| facts.oxidant_pipette).map(|id| id.to_string()));
    set("solution_temperature", facts.and_then(|facts| facts.solution_temperature.as_ref()).map(ToString::to_string));
    set("indicator_drops", facts.and_then(|facts| facts.indicator_drops).map(|drops| drops.to_string()));
    set("waste_stream", facts.map(|facts| facts.waste_stream.clone()));
    set("supervisor", facts.and_then(|facts| facts.supervisor).map(|id| id.to_string()));
}

/// The lot in use with factor, uncertainty and time left.
async fn lot_words(db: &Db, view: &DeterminationView, form: &Form) -> Result<String, Refusal> {
    let chosen = form.fields.iter().find(|field| field.name == "titrant").and_then(|field| field.value.parse().ok());
    let Some(id) = chosen.or_else(|| view.titrations.last().map(|titration| titration.facts.titrant)) else {
        return Ok(String::new());
    };
    let lot = titrants::read(db, id).await?.titrant;
    Ok(match &lot.factor_now {
        Some(factor) => format!(
            "{}, factor {} (u {}), {}",
            lot.code,
            show::figure(factor.factor.value(), 6),
            show::figure(factor.standard_uncertainty.value() / lot.nominal_mol_per_l.value(), 2),
            show::until(factor.valid_to.min(lot.expires_at))
        ),
        None => format!("{}, {}, no factor in force", lot.code, lot.state),
    })
}

/// The chosen one of a field's choices, in words.
fn words_of(form: &Form, name: &str) -> String {
    let field = form.fields.iter().find(|field| field.name == name);
    let chosen = field.and_then(|field| field.choices().into_iter().find(|choice| choice.value == field.value));
    chosen.map(|choice| format!("{}, {}", choice.code, choice.label)).unwrap_or_default()
}

fn slips(view: &DeterminationView) -> Vec<Slip> {
    let of = |titre: &crate::determinations::evaluation::TitreView| {
        let titration = view.titrations.iter().find(|titration| titration.version_id.to_string() == titre.titration);
        let record = titration.map_or_else(Uuid::nil, |titration| titration.id);
        let position = titre.position;
        let slip = move |query: &String| Slip {
            position,
            query: query.clone(),
            correction: format!("/titrations/{record}/correction"),
        };
        titre.queries.iter().map(slip).collect::<Vec<_>>()
    };
    view.evaluation.titres.iter().filter(|titre| titre.fate != "superseded").flat_map(of).collect()
}

/// Cautions of the step: the titrant's and the reduction's.
fn cautions(entry: Option<&Chemistry>, around: &Around) -> String {
    let of_reduction = reduction(&around.method.reduction).map_or("", |entry| entry.cautions);
    let of_titrant = entry.map(Chemistry::cautions).unwrap_or_default();
    format!("{of_reduction} {of_titrant}").trim().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_lots_are_tiles_and_many_are_scanned() {
        let lots: Vec<Choice> = (0..6).map(|n| Choice::word(&n.to_string())).collect();
        assert!(matches!(few(&lots[..2]), Kind::Choice(_)));
        assert!(matches!(few(&lots), Kind::Thing(_)));
    }
}
