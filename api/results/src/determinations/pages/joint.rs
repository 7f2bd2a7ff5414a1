//! The page of several results together.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::determinations::joint::{self, AskedJoint, JointView};

/// Coefficients are written out for so many results at most.
const MOST_WRITTEN: usize = 12;
/// Pairs that are shown at most; the API gives them all.
const MOST_PAIRS: usize = 20;

/// What the results are of.
#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Of {
    Sample,
    Run,
}

/// Coefficients as a form gives them.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Coefficients {
    coefficients: Option<String>,
}

fn coefficient(of: f64) -> String {
    ((1e4 * of).round() / 1e4).to_string()
}

fn correlations(shell: &Shell, view: &JointView) -> Table {
    let mut pairs: Vec<(&str, &str, f64)> = Vec::new();
    for (at, (one, row)) in view.results.iter().zip(&view.correlation).enumerate() {
        let later = view.results.iter().zip(row).skip(at + 1);
        pairs.extend(later.filter_map(|(other, r)| Some((one.code.as_str(), other.code.as_str(), (*r)?))));
    }
    pairs.sort_by(|a, b| b.2.abs().total_cmp(&a.2.abs()));
    let rows = pairs.into_iter().take(MOST_PAIRS).map(|(one, other, r)| {
        vec![Cell::text(one.to_owned()), Cell::text(other.to_owned()), Cell::number(shell.n(format!("{r:.3}")))]
    });
    Table { columns: vec!["Result", "With", "Correlation"], rows: rows.collect(), ..Table::default() }
}

fn results(shell: &Shell, view: &JointView) -> Table {
    let figure = |of: f64| Cell::number(shell.n(show::figure(of, 3)));
    let results = view.results.iter().map(|one| {
        vec![
            Cell::link(one.code.clone(), format!("/determinations/{}", one.determination)),
            Cell::text(one.analyte.clone()),
            Cell::number(shell.n(show::figure(one.value, 6))),
            figure(one.u),
            figure(one.expanded_uncertainty),
        ]
    });
    Table { columns: vec!["Result", "Of", "Value", "u", "U"], rows: results.collect(), ..Table::default() }
}

/// What is made of the results, with the coefficients to be entered.
fn combinations(shell: &Shell, view: &JointView, given: String) -> Table {
    let figure = |of: f64| Cell::number(shell.n(show::figure(of, 3)));
    let made = view.combinations.iter().map(|one| {
        let coefficients: Vec<String> = one.coefficients.iter().map(|of| shell.n(coefficient(*of))).collect();
        let shown = if coefficients.len() > MOST_WRITTEN { String::new() } else { coefficients.join("; ") };
        vec![
            Cell::text(one.what.clone()),
            Cell::text(shown),
            Cell::number(shell.n(show::figure(one.value, 6))),
            figure(one.u),
            figure(one.expanded_uncertainty),
            figure(one.u_if_independent),
        ]
    });
    let coefficients = Field::new("coefficients", "A coefficient for every result", Kind::Text)
        .optional()
        .help("With commas between, in the order of the results: 1,-1 is a difference.")
        .value(given);
    Table {
        columns: vec!["What", "Coefficients", "Value", "u", "U", "u if independent"],
        rows: made.collect(),
        filters: vec![coefficients],
        ..Table::default()
    }
}

/// Several results with what they share: means, sums, differences, balances.
#[get("/joint-results/{of:sample|run}/{id}")]
pub(super) async fn read_joint_results(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    path: web::Path<(Of, Uuid)>,
    given: web::Query<Coefficients>,
) -> Result<HttpResponse, Problem> {
    let (of, id) = path.into_inner();
    let (sample, run) = match of {
        Of::Sample => (Some(id), None),
        Of::Run => (None, Some(id)),
    };
    let asked = AskedJoint { sample, run, coefficients: given.0.coefficients, ..AskedJoint::default() };
    let view = joint::read(&db, &asked).await?;
    let results = results(&shell, &view);
    let combinations = combinations(&shell, &view, asked.coefficients.unwrap_or_default());
    let lead = format!(
        "{} results in {} as {}. What they were made with is common to them: it does not average out of a mean, and cancels from a \
         difference.",
        view.results.len(),
        view.unit,
        view.expressed
    );
    let correlations = Part::Table(correlations(&shell, &view));
    let mut sheet = Sheet::new(&shell, "Results together", "Results together").lead(lead);
    sheet = match of {
        Of::Sample => sheet.way(true, "Back to the sample", format!("/samples/{id}")),
        Of::Run => sheet.way(true, "Back to the run", format!("/runs/{id}")),
    };
    if !view.left_out.is_empty() {
        sheet = sheet.section("left-out", "Left out", Part::Alert(view.left_out));
    }
    sheet
        .section("results", "Results", Part::Table(results))
        .section("combinations", "What is made of them", Part::Table(combinations))
        .section("correlations", "Correlations, the largest first", correlations)
        .help(
            "Results with the uncertainty that is right for what is made of them, each read under its signature.",
            "JCGM 102:2011, 6.2 and 7.7; JCGM 100:2008, 5.2 and F.1.2.3.",
            "For a mass balance enter a coefficient for every result. Nothing is stored.",
        )
        .show()
}
