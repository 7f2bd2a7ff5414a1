//! The drift of a lot: picture, trend, when it leaves its tolerance, the factor at a moment.

use actix_web::{HttpResponse, get, web};
use chrono::{DateTime, Utc};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Kind};
use ferrotitre_html::sheet::{Cell, Fact, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use serde::Deserialize;
use uuid::Uuid;

use crate::drift;
use crate::drift::wire::{DriftQuestion, DriftView, FactorAt, Passage, SchedulesView};

/// Mounts the page.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(read_drift);
}

/// What the page was asked for.
#[derive(Debug, Default, Clone, Deserialize)]
pub(super) struct Asked {
    /// A moment, as a form gives it.
    #[serde(default)]
    at: String,
    /// Share of the factor in the uncertainty of results, per cent.
    #[serde(default)]
    budget: String,
    /// Costs of a standardisation and of a replicate.
    #[serde(default)]
    cost_each: String,
    #[serde(default)]
    cost_replicate: String,
}

impl Asked {
    fn question(&self) -> Result<DriftQuestion, Refusal> {
        let budget = number("budget", &self.budget)?;
        if budget.is_some_and(|value| value <= 0.0) {
            return Err(Refusal::invalid("budget", "range", "must be a number above 0", &self.budget));
        }
        Ok(DriftQuestion {
            at: None,
            u_budget_percent: budget,
            cost_each: number("cost_each", &self.cost_each)?,
            cost_replicate: number("cost_replicate", &self.cost_replicate)?,
        })
    }

    fn moment(&self) -> Result<Option<DateTime<Utc>>, Refusal> {
        if self.at.is_empty() {
            return Ok(None);
        }
        let wrong = || Refusal::invalid("at", "type", "must be a day and a time, such as 2026-11-25T09:30", &self.at);
        show::moment(&self.at).map(Some).ok_or_else(wrong)
    }
}

fn number(field: &str, text: &str) -> Result<Option<f64>, Refusal> {
    if text.trim().is_empty() {
        return Ok(None);
    }
    show::typed(text)
        .filter(|value| *value >= 0.0)
        .map(Some)
        .ok_or_else(|| Refusal::invalid(field, "range", "must be a number, 0 or more", text))
}

/// The drift of a lot.
#[get("/titrants/{id}/drift")]
pub(super) async fn read_drift(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    query: Params<Asked>,
) -> Result<HttpResponse, Problem> {
    let asked = query.0;
    let question = asked.question()?;
    let view = drift::read(&db, *id, &question).await?;
    let path = format!("/titrants/{id}");
    let lead = match view.restandardise_by {
        Some(by) => {
            format!("Standardise again or replace by {}, {}: {}.", show::time(by), show::until(by), view.because)
        }
        None => format!("{}.", view.because),
    };
    let prepares = shell.may(Action::PrepareTitrants) && matches!(view.state.as_str(), "released" | "in use");
    let mut sheet = Sheet::new(&shell, "Drift of a titrant lot", view.code.clone())
        .state(view.state.clone())
        .lead(lead)
        .way(prepares, "Standardise", format!("{path}/standardisations/new"))
        .way(true, "Where used", format!("/where-used/{id}"))
        .way(true, "Back to the lot", path.clone());
    if !view.points.is_empty() {
        let drawing = drift::draw(&db, *id, &question).await?;
        let below = if view.cumulative_sums.is_empty() {
            ""
        } else {
            " Below, the cumulative sums of the change since the first factor with their decision interval."
        };
        let caption = format!("Each factor with its U; the tolerance as long dashes, today as a dotted line.{below}");
        sheet = sheet.section("picture", "Factor against time", Part::Chart { drawing, caption });
    }
    sheet = sheet
        .section("exit", "When it leaves its tolerance", Part::Facts(exits(&shell, &view)))
        .section("trend", "Trend", Part::Facts(trend(&shell, &view)))
        .section("factors", "Factors", Part::Table(factors(&shell, &view)));
    if let Some(of) = &view.schedules {
        sheet = sheet.section("schedule", "How often to standardise", Part::Facts(rests_on(&shell, of)));
        sheet = sheet.section("schedules", "", Part::Table(schedules(&shell, of, &asked)));
        if let Some(drawing) = drift::draw_schedules(&view)? {
            let cheapest = of.cheapest.as_ref().map_or("", |_| " Filled: the cheapest.");
            let caption =
                format!("Days between standardisations and cost a year against the number of replicates.{cheapest}");
            sheet = sheet.section("schedule-picture", "", Part::Chart { drawing, caption });
        }
    }
    let moment = at_a_moment(&shell, &db, *id, &asked).await?;
    sheet
        .section("at", "Factor at a moment", Part::Table(moment))
        .help(
            "How the factor of a lot moves in time, and until when it can be trusted.",
            "ISO/IEC 17025:2017 6.4.10 and 7.7.1; the prediction band of a straight line, Mann-Kendall and Theil-Sen.",
            "The date is the earliest of: the end of the factor, the end of the lot, the day on which the prediction band leaves the tolerance.",
        )
        .show()
}

/// The factor at a moment that is asked for, and the fields that ask.
async fn at_a_moment(shell: &Shell, db: &Db, id: Uuid, asked: &Asked) -> Result<Table, Refusal> {
    let rows = match asked.moment()? {
        Some(at) => match drift::factor_at(db, id, at).await {
            Ok(found) => factor_rows(shell, &found),
            Err(refusal) if refusal.code == Code::NoFactor => vec![vec![Cell::text(refusal.detail), Cell::default()]],
            Err(refusal) => return Err(refusal),
        },
        None => Vec::new(),
    };
    Ok(Table {
        columns: vec!["At that moment", ""],
        rows,
        empty: "Choose a moment to see the factor that titrations of then take.",
        filters: vec![
            Field::new("at", "Moment", Kind::Time { now: false }).optional().value(&asked.at),
            Field::new("budget", "u of the factor allowed in results, %", Kind::Decimal)
                .optional()
                .value(&asked.budget),
        ],
        ..Table::default()
    })
}

fn rests_on(shell: &Shell, of: &SchedulesView) -> Vec<Fact> {
    let percent = |value: f64| shell.n(format!("{} %", show::figure(value, 2)));
    let best = match &of.cheapest {
        Some(best) => {
            let days = best.days.map_or_else(|| "nothing drifts".to_owned(), |days| format!("every {days:.1} days"));
            shell.n(format!("{} replicates, {days}", best.replicates))
        }
        None => "no number of replicates keeps the budget".to_owned(),
    };
    let s = format!("{}, {} degrees of freedom", percent(of.repeatability_percent), of.degrees_of_freedom);
    vec![
        fact("Cheapest", Cell::text(best)),
        fact("u of the factor allowed", Cell::text(percent(of.u_budget_percent))),
        fact("Drift a day", Cell::text(percent(of.drift_percent_per_day))),
        fact("s of a replicate, pooled", Cell::text(s)),
        fact("u that replicates do not lower", Cell::text(percent(of.fixed_percent))),
        fact("Replicates of the last standardisation", Cell::text(of.present_replicates.to_string())),
    ]
}

fn schedules(shell: &Shell, of: &SchedulesView, asked: &Asked) -> Table {
    let rows = of.schedules.iter().map(|one| {
        vec![
            Cell::number(one.replicates.to_string()),
            Cell::number(one.days.map_or_else(|| "no limit".to_owned(), |days| shell.n(format!("{days:.1}")))),
            Cell::number(shell.n(show::figure(one.at_start_percent, 2))),
            Cell::number(format!("{:.0}", 100.0 * one.share_of_drift)),
            Cell::number(shell.n(show::figure(one.cost_a_year, 4))),
        ]
    });
    let given = |text: &str, of: f64| if text.is_empty() { of.to_string() } else { text.to_owned() };
    let budget = if asked.budget.is_empty() { show::figure(of.u_budget_percent, 2) } else { asked.budget.clone() };
    Table {
        columns: vec!["Replicates", "Days between", "u when fresh, %", "Share of drift at the end, %", "Cost a year"],
        rows: rows.collect(),
        empty: "No number of replicates keeps this budget: even a fresh standardisation exceeds it.",
        filters: vec![
            Field::new("budget", "u of the factor allowed in results, %", Kind::Decimal).optional().value(budget),
            Field::new("cost_each", "Cost of a standardisation", Kind::Decimal)
                .optional()
                .value(given(&asked.cost_each, of.cost_each)),
            Field::new("cost_replicate", "Cost of a replicate", Kind::Decimal)
                .optional()
                .value(given(&asked.cost_replicate, of.cost_replicate)),
        ],
        ..Table::default()
    }
}

fn passage(passage: &Passage) -> String {
    match (passage.outside_already, passage.at) {
        (true, _) => "it is outside already".to_owned(),
        (false, Some(at)) => format!("{}, {}", show::time(at), show::until(at)),
        (false, None) => "not within a century".to_owned(),
    }
}

fn exits(shell: &Shell, view: &DriftView) -> Vec<Fact> {
    let mut facts =
        vec![fact("Tolerance", Cell::text(shell.n(format!("{} to {}", view.factor_low, view.factor_high))))];
    for (name, found) in [
        ("The line leaves it", &view.leaves_by_line),
        ("Its confidence band leaves it", &view.leaves_by_confidence_band),
        ("The prediction band leaves it", &view.leaves_by_prediction_band),
    ] {
        facts.extend(found.as_ref().map(|found| fact(name, Cell::text(passage(found)))));
    }
    if let Some(by) = view.restandardise_by {
        let text = format!("{}, {}", show::time(by), show::until(by));
        facts.push(fact("Standardise again by", Cell::text(text)));
    }
    if let Some(effect) = &view.effect_now {
        let text = format!(
            "{} %: expected factor {}",
            show::figure(effect.percent, 2),
            show::figure(effect.expected_factor, 6)
        );
        facts.push(fact("Results now are off by", Cell::text(shell.n(text))));
    }
    if let Some(interval) = &view.interval {
        let days = interval.days.map_or_else(|| "no drift, no limit".to_owned(), |days| format!("{days:.1} days"));
        let name = format!("Longest interval for u of {} %", interval.u_budget_percent);
        facts.push(fact(&shell.n(name), Cell::text(shell.n(days))));
    }
    facts.extend(
        view.missing
            .iter()
            .map(|missing| fact(&format!("No {} yet", missing.what), Cell::text(missing.detail.clone()))),
    );
    facts
}

fn trend(shell: &Shell, view: &DriftView) -> Vec<Fact> {
    let mut facts = vec![fact("Factors", Cell::text(view.points.len().to_string()))];
    if let Some(line) = &view.line {
        let slope = format!(
            "{} per day, standard error {}",
            show::figure(line.slope_per_day, 3),
            show::figure(line.slope_standard_error, 2)
        );
        facts.push(fact("Slope of the line", Cell::text(shell.n(slope))));
        let p = line.slope_p.map_or_else(|| "all points lie on it".to_owned(), |p| show::figure(p, 2));
        facts.push(fact("p of no drift", Cell::text(shell.n(p))));
        facts.push(fact("Residual s", Cell::text(shell.n(show::figure(line.residual_sd, 2)))));
    }
    if let Some(test) = &view.mann_kendall {
        let form = if test.exact { "exact" } else { "normal form" };
        let text =
            format!("S = {}, tau = {}, p = {} ({form})", test.s, show::figure(test.tau, 3), show::figure(test.p, 2));
        facts.push(fact("Mann-Kendall test", Cell::text(shell.n(text))));
    }
    if let Some(slope) = &view.theil_sen {
        let interval = match (slope.low, slope.high) {
            (Some(low), Some(high)) => format!(", 95 % from {} to {}", show::figure(low, 2), show::figure(high, 2)),
            _ => String::new(),
        };
        let text = format!("{} per day{interval}", show::figure(slope.slope_per_day, 3));
        facts.push(fact("Theil-Sen slope", Cell::text(shell.n(text))));
    }
    if let Some(sums) = view.cumulative_sums.last() {
        let words = if sums.beyond { "beyond the decision limit" } else { "within the decision limits" };
        let text = format!("{} up, {} down: {words}", show::figure(sums.upper, 3), show::figure(sums.lower, 3));
        facts.push(fact("Cumulative sums now", Cell::text(shell.n(text))));
    }
    facts
}

fn factors(shell: &Shell, view: &DriftView) -> Table {
    let row = |point: &crate::drift::wire::DriftPoint| {
        let from = match point.standardisation {
            Some(id) => Cell::link("standardisation", format!("/standardisations/{id}")),
            None => Cell::text("preparation"),
        };
        vec![
            Cell::number(shell.n(show::figure(point.factor, 6))),
            Cell::number(shell.n(show::figure(point.u, 2))),
            Cell::text(show::time(point.at)),
            Cell::number(shell.n(format!("{:.1}", point.day))),
            Cell::text(show::time(point.valid_to)),
            from,
        ]
    };
    Table {
        columns: vec!["Factor", "u", "From", "Day", "Until", "By"],
        rows: view.points.iter().rev().map(row).collect(),
        empty: "No factor yet.",
        ..Table::default()
    }
}

fn factor_rows(shell: &Shell, found: &FactorAt) -> Vec<Vec<Cell>> {
    let line = |name: &str, text: String| vec![Cell::text(name), Cell::number(shell.n(text))];
    let mut rows = vec![
        line("Moment", show::time(found.at)),
        line("Factor in force, which titrations of then take", show::figure(found.in_force.factor.value(), 6)),
        line("It began", show::time(found.in_force.valid_from)),
    ];
    if let Some(between) = &found.interpolated {
        rows.push(line("Interpolated to the next one", show::figure(between.factor, 6)));
        rows.push(line("u of that", show::figure(between.u, 2)));
        rows.push(line("Results differ by, %", show::figure(between.difference_percent, 2)));
    }
    rows
}
