//! The page of a method's budget against its charts, and the decision on one that is refuted.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ApproveMethods, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::budgets::wire::{BudgetsView, Figures, HeldView, NewBudgetDecision, VersionBudget};
use crate::budgets::{picture, service};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(read_budget).service(decide_budget);
}

fn outcome(one: &HeldView) -> Cell {
    match (&one.held, &one.decision) {
        (Some(held), Some(_)) if held.refuted => Cell::state("refuted, decided"),
        (Some(held), None) if held.refuted => Cell::state("refuted"),
        (Some(_), _) => Cell::text("not refuted"),
        (None, _) => Cell::text(one.not_enough_data.clone().unwrap_or_default()),
    }
}

fn cells(shell: &Shell, one: &HeldView) -> Vec<Cell> {
    let figure = |of: fn(&Figures) -> Option<f64>, digits| {
        Cell::number(
            one.held.as_ref().and_then(of).map(|value| shell.n(show::figure(value, digits))).unwrap_or_default(),
        )
    };
    let test = |of: Option<(f64, f64)>| {
        Cell::text(of.map(|(found, most)| shell.n(format!("{found:.2}; at most {most:.2}"))).unwrap_or_default())
    };
    let held = one.held.as_ref();
    vec![
        Cell::link(one.code.clone(), format!("/charts/{}", one.chart)),
        Cell::number(one.runs.to_string()),
        figure(|held| Some(held.s_rw), 3),
        figure(|held| Some(held.claimed_u), 3),
        test(held.map(|held| (held.scatter.statistic, held.scatter.critical))),
        figure(|held| held.bias, 3),
        test(held.and_then(|held| held.bias_test).map(|test| (test.statistic, test.critical))),
        Cell::text(one.unit.clone()),
        outcome(one),
    ]
}

const COLUMNS: [&str; 9] = [
    "Chart",
    "Runs",
    "s between runs",
    "u of the budget",
    "Chi-squared",
    "Bias",
    "Bias over its u",
    "Unit",
    "The budget is",
];

/// What a version would have to take in.
fn ways_out(shell: &Shell, version: &VersionBudget) -> Table {
    let rows = version.charts.iter().filter_map(|one| {
        let held = one.held.as_ref().filter(|held| held.refuted)?;
        let percent =
            |value: Option<f64>| Cell::number(value.map(|of| shell.n(show::figure(of, 2))).unwrap_or_default());
        Some(vec![
            Cell::text(one.code.clone()),
            percent(Some(held.lacking_percent)),
            Cell::number(one.runs.saturating_sub(1).to_string()),
            percent(held.top_down_percent),
            Cell::text(one.decision.as_ref().map(|decision| decision.reason.clone()).unwrap_or_default()),
        ])
    });
    Table {
        columns: vec![
            "Chart",
            "Component between runs, %",
            "Its degrees of freedom",
            "Top-down u, %",
            "Why results are judged all the same",
        ],
        rows: rows.collect(),
        ..Table::default()
    }
}

/// Titres, blanks, duplicates and rounds.
fn seen(shell: &Shell, version: &VersionBudget) -> Table {
    let rows = version.evidence.iter().map(|one| {
        let figure =
            |of: Option<f64>| Cell::number(of.map(|value| shell.n(show::figure(value, 3))).unwrap_or_default());
        let words = one.test.map(|test| shell.n(format!("{:.2}; at most {:.2}", test.statistic, test.critical)));
        vec![
            Cell::text(one.what),
            Cell::number(one.degrees_of_freedom.to_string()),
            figure(one.seen),
            figure(one.claimed),
            Cell::text(one.unit.clone()),
            Cell::text(words.unwrap_or_default()),
            match one.test {
                Some(test) if test.refuted => Cell::state("refuted"),
                Some(_) => Cell::text("not refuted"),
                None => Cell::text(one.not_tested.clone().unwrap_or_default()),
            },
        ]
    });
    Table {
        columns: vec![
            "What",
            "Degrees of freedom",
            "s seen",
            "s of the budget",
            "Unit",
            "Chi-squared",
            "The budget is",
        ],
        rows: rows.collect(),
        ..Table::default()
    }
}

fn lines(shell: &Shell, version: &VersionBudget) -> Table {
    let rows = version.lines.iter().map(|line| {
        vec![
            Cell::text(line.label.clone()),
            Cell::number(shell.n(format!("{:.1}", line.share_percent))),
            if line.ground == "refuted" { Cell::state(line.ground) } else { Cell::text(line.ground) },
            Cell::text(shell.n(&line.words)),
        ]
    });
    Table {
        columns: vec!["Line", "Share of u\u{b2}, %", "Rests on", "In words"],
        rows: rows.collect(),
        ..Table::default()
    }
}

fn lead(view: &BudgetsView) -> String {
    let blocked: Vec<String> =
        view.versions.iter().filter(|one| one.blocked).map(|one| format!("version {}", one.version)).collect();
    if blocked.is_empty() {
        return "No budget waits for a decision.".to_owned();
    }
    format!(
        "The budget of {} is refuted by its own control chart: no result by it is approved that is judged against a \
         specification, until a version takes in what the chart saw, or a manager says why results may be judged.",
        blocked.join(" and ")
    )
}

/// The budget of a method against its control charts.
#[get("/methods/{id}/budget")]
pub(super) async fn read_budget(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let path = format!("/methods/{id}");
    let decides = view.versions.iter().any(|one| one.blocked) && shell.may(Action::ApproveMethods);
    let mut sheet = Sheet::new(&shell, "Budget against charts", view.code.clone())
        .lead(lead(&view))
        .way(decides, "Decide", format!("{path}/budget/decisions"))
        .way(shell.may(Action::DraftMethods), "Draft the next version", format!("{path}/revision"))
        .way(true, "Back to the method", path.clone());
    for version in &view.versions {
        let table = Table {
            columns: COLUMNS.to_vec(),
            rows: version.charts.iter().map(|one| cells(&shell, one)).collect(),
            empty: "No control chart of single values by this method is in use.",
            ..Table::default()
        };
        let title = format!("Version {}, {}, reported {}", version.version, version.state, version.uncertainty);
        sheet = sheet.section(format!("version-{}", version.version), title, Part::Table(table));
        let out = ways_out(&shell, version);
        if !out.rows.is_empty() {
            let title = format!("What version {} lacks", version.version);
            sheet = sheet.section(format!("lacks-{}", version.version), title, Part::Table(out));
        }
        let title = format!("What else was seen of version {}", version.version);
        sheet = sheet.section(format!("seen-{}", version.version), title, Part::Table(seen(&shell, version)));
        if let Some(of) = version.lines_of {
            let title = format!("What each line of version {} rests on", version.version);
            sheet = sheet
                .section(format!("lines-{}", version.version), title, Part::Table(lines(&shell, version)))
                .section_way(true, "What would lower U", format!("/determinations/{of}/plan"));
        }
    }
    // Of the version in force; of a draft only where there is none yet.
    let in_force = view.versions.iter().find(|version| version.state == "approved").or_else(|| view.versions.first());
    if let Some(shown) = in_force {
        for (code, drawing) in picture::draw(&db, shown.id).await? {
            let caption = format!(
                "Control values with the band of 2 u that version {} claims (short dashes) and 2 s that the chart saw (long \
                 dashes), about their mean.",
                shown.version
            );
            sheet = sheet.section(format!("picture-{code}"), code, Part::Chart { drawing, caption });
        }
    }
    sheet
        .help(
            "Whether the uncertainty of single results explains what the control materials showed.",
            "NIST/SEMATECH e-Handbook 7.2.3 (chi-squared test of a standard deviation, level 1 %); Nordtest TR 537 (top-down).",
            "Draft a version that reports with the component between runs, or the larger of both; or decide, with the reason. Only a chart blocks; what else was seen, and what is an assumption, is shown so that somebody looks into it.",
        )
        .show()
}

/// Says why results are judged although a chart refutes the budget.
#[routes]
#[get("/methods/{id}/budget/decisions")]
#[post("/methods/{id}/budget/decisions")]
pub(super) async fn decide_budget(
    who: Allowed<ApproveMethods>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let blocked = || view.versions.iter().filter(|version| version.blocked);
    let versions = blocked()
        .map(|one| Choice::thing(one.id.to_string(), &format!("{} version {}", view.code, one.version), &one.state))
        .collect();
    let mut charts: Vec<(String, &str)> =
        blocked().flat_map(|one| &one.charts).map(|one| (one.chart.to_string(), one.code.as_str())).collect();
    charts.sort();
    charts.dedup();
    let charts = charts.into_iter().map(|(id, code)| Choice::thing(id, code, "")).collect();
    let seen: Vec<String> = blocked().flat_map(|one| &one.charts).filter_map(HeldView::words).collect();
    let back = format!("/methods/{id}/budget");
    let form = Form::new(format!("Budget of {}", view.code), "Record the decision", back.as_str())
        .lead(seen.join(". "))
        .with([
            Field::new("method_version", "Version", Kind::List(versions)),
            Field::new("chart", "Chart that refutes it", Kind::List(charts)),
            Field::new("reason", "Why results are judged all the same", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "A reasoned decision; it holds until new limits come into force on that chart.",
            "ISO/IEC 17025:2017 7.7.1 and 7.8.6.",
            "Better: a version of the method that takes in what the chart saw.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewBudgetDecision| {
            Ok(onward(&service::decide(&db, &act, *id, new).await?, &back))
        })
        .await
}
