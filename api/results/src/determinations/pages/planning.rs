//! The page that says what would lower the uncertainty of a determination.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::chemistry::{Chemistry, chemistry};
use ferrotitre_html::form::{Field, Kind, words};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::determinations::planning::wire::{AskedPlan, PlanView, PlannedView, SingleChangeView};
use crate::determinations::planning::{self, picture};

const REFILLS: [&str; 2] = ["one", "several"];

/// Target and costs as a form gives them.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    target: String,
    #[serde(default)]
    run_cost: String,
    #[serde(default)]
    titre_cost: String,
    #[serde(default)]
    blank_cost: String,
    #[serde(default)]
    titrant_cost: String,
    #[serde(default)]
    refills: String,
}

fn number(text: &str, name: &str, wrong: &mut Vec<String>) -> Option<f64> {
    if text.trim().is_empty() {
        return None;
    }
    let value = show::typed(text).filter(|value| *value >= 0.0);
    if value.is_none() {
        wrong.push(format!("{name} must be a number, 0 or more, not {text}."));
    }
    value
}

fn titre(shell: &Shell, ml: f64, fillings: usize) -> Cell {
    let ml = shell.n(format!("{ml:.2}"));
    if fillings > 1 { Cell::text(format!("{ml} in {fillings} fillings")) } else { Cell::text(ml) }
}

/// To hundredths, without zeros that say nothing.
fn cost(of: f64) -> String {
    ((100.0 * of).round() / 100.0).to_string()
}

fn change(shell: &Shell, one: &SingleChangeView) -> Vec<Cell> {
    // What rounds to nothing has no sign.
    let percent = (-10.0 * one.gain_percent).round() / 10.0;
    let percent = if percent == 0.0 { "0.0".to_owned() } else { format!("{percent:+.1}") };
    vec![
        Cell::text(one.act.clone()),
        Cell::text(one.from.clone()),
        Cell::text(one.to.clone()),
        titre(shell, one.titre_ml, one.fillings),
        Cell::number(shell.n(show::figure(one.expanded_uncertainty, 3))),
        Cell::number(shell.n(percent)),
        Cell::number(shell.n(cost(one.further_cost))),
        Cell::number(
            one.gain_per_cost.filter(|gain| *gain > 0.0).map(|gain| shell.n(show::figure(gain, 2))).unwrap_or_default(),
        ),
    ]
}

fn way(shell: &Shell, title: &str, of: &PlannedView) -> Vec<Cell> {
    let changes = if of.changes.is_empty() { "nothing".to_owned() } else { of.changes.join("; ") };
    vec![
        Cell::text(title.to_owned()),
        Cell::text(changes),
        titre(shell, of.titre_ml, of.fillings),
        Cell::number(shell.n(show::figure(of.expanded_uncertainty, 3))),
        Cell::number(shell.n(cost(of.cost))),
    ]
}

fn lead(view: &PlanView) -> String {
    let u = |value: f64| format!("{} {}", show::figure(value, 3), view.unit);
    let now = format!("U is {} as it was made. ", u(view.present.expanded_uncertainty));
    match &view.cheapest {
        Some(plan) if plan.changes.is_empty() => format!("{now}It meets the target of {} already.", u(view.target)),
        Some(plan) => format!(
            "{now}The cheapest way to {} or less costs {} and gives {}: {}.",
            u(view.target),
            cost(plan.cost),
            u(plan.expanded_uncertainty),
            plan.changes.join("; ")
        ),
        None => format!(
            "{now}With what is at hand no way reaches {}; the best one gives {}: {}.",
            u(view.target),
            u(view.best.expanded_uncertainty),
            view.best.changes.join("; ")
        ),
    }
}

/// Columns of a table of ways.
const WAYS: [&str; 5] = ["Way", "What is changed", "Titre, mL", "U", "Cost"];

/// One thing changed at a time, with the costs to be entered.
fn singles(shell: &Shell, view: &PlanView, given: &Asked) -> Table {
    let unit = view.unit;
    let price = |name, label, text: &str, of: f64| {
        let value = if text.is_empty() { cost(of) } else { text.to_owned() };
        Field::new(name, label, Kind::Decimal).optional().value(value)
    };
    let target = if given.target.is_empty() { show::figure(view.target, 3) } else { given.target.clone() };
    let refills = if given.refills.is_empty() { REFILLS[0] } else { given.refills.as_str() };
    Table {
        columns: vec![
            "What",
            "From",
            "To",
            "Titre, mL",
            "U then",
            "Change of U, %",
            "Further cost",
            "U lower by, per unit of cost",
        ],
        rows: view.single_changes.iter().map(|one| change(shell, one)).collect(),
        empty: "Nothing else is at hand.",
        filters: vec![
            Field::new("target", &format!("U wanted, {unit}"), Kind::Decimal).optional().value(target),
            price("run_cost", "Cost of a run", &given.run_cost, view.costs.run),
            price("titre_cost", "Cost of a titration", &given.titre_cost, view.costs.titre),
            price("blank_cost", "Cost of a blank", &given.blank_cost, view.costs.blank),
            price("titrant_cost", "Cost of another titrant", &given.titrant_cost, view.costs.titrant),
            Field::new("refills", "Fillings for a titre", Kind::List(words(&REFILLS))).optional().value(refills),
        ],
        ..Table::default()
    }
}

/// What would lower the uncertainty of a determination, for which cost.
#[get("/determinations/{id}/plan")]
pub(super) async fn read_determination_plan(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    query: web::Query<Asked>,
) -> Result<HttpResponse, Problem> {
    let given = query.0;
    let mut wrong = Vec::new();
    let asked = AskedPlan {
        target: number(&given.target, "The target", &mut wrong),
        run_cost: number(&given.run_cost, "The cost of a run", &mut wrong),
        titre_cost: number(&given.titre_cost, "The cost of a titration", &mut wrong),
        blank_cost: number(&given.blank_cost, "The cost of a blank", &mut wrong),
        titrant_cost: number(&given.titrant_cost, "The cost of another titrant", &mut wrong),
        refills: Some(given.refills == REFILLS[1]),
    };
    let view = planning::read(&db, *id, asked).await?;
    let singles = singles(&shell, &view, &given);
    let mut ways = vec![way(&shell, "as it was made", &view.present)];
    ways.extend(view.cheapest.iter().map(|plan| way(&shell, "cheapest to the target", plan)));
    ways.push(way(&shell, "least U", &view.best));
    let ways = Table { columns: WAYS.to_vec(), rows: ways, ..Table::default() };
    let frontier = Table {
        columns: WAYS.to_vec(),
        rows: (1..).zip(&view.frontier).map(|(at, plan)| way(&shell, &format!("{at}"), plan)).collect(),
        ..Table::default()
    };
    let drawing = picture::draw(&view)?;
    let caption = format!(
        "U against cost of the ways that no other beats in both (filled), with the target and the determination as it was made \
         (hollow). {} combinations were evaluated, {} cannot be made.",
        view.compared, view.impossible
    );
    let mut sheet = Sheet::new(&shell, "What would lower U", view.code.clone()).lead(shell.n(lead(&view))).way(
        true,
        "Back to the determination",
        format!("/determinations/{id}"),
    );
    if !wrong.is_empty() {
        sheet = sheet.section("wrong", "Not understood", Part::Alert(wrong));
    }
    sheet
        .cautions(chemistry(&view.chemistry).map(Chemistry::cautions).unwrap_or_default())
        .section("ways", "Ways", Part::Table(ways))
        .section("one", "One thing changed", Part::Table(singles))
        .section("cost", "U against cost", Part::Chart { drawing, caption })
        .section("frontier", "Ways that no other beats in both cost and U", Part::Table(frontier))
        .help(
            "What could be done otherwise with vessels, burettes and lots that may be used today, evaluated as the determination itself is; nothing is stored.",
            "JCGM 100:2008, 5.1.2 and G.4; F.1.2.3 for the mean of runs, which shares vessels and titrant. Costs set beforehand are minutes at the bench (common practice, no source).",
            "Enter your own costs. More titres and blanks are taken to have the repeatability of the method; a larger aliquot, a titre that is as much larger.",
        )
        .show()
}
