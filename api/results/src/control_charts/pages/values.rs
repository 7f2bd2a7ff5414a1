//! Control values: recording one, its verdict rule by rule, what becomes of it.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{DisposeControlValues, ReadRecords, RecordControlValues};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::titrants::service as titrants;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward};
use ferrotitre_html::sheet::{Cell, Fact, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::moves_on;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use super::{figure, shown};
use crate::control_charts::causes;
use crate::control_charts::service as charts;
use crate::control_charts::sources;
use crate::control_charts::values::{self as service, KIND};
use crate::control_charts::wire::{ChartView, ControlValueView, NewDisposition, NewValue, PointView, Statistic};
use crate::determinations::service as determinations;
use crate::runs::service as runs;

/// Records a value.
#[routes]
#[get("/charts/{id}/values/new")]
#[post("/charts/{id}/values/new")]
pub(super) async fn record_value(
    who: Allowed<RecordControlValues>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let chart = charts::read(&db, *id).await?;
    let back = format!("/charts/{id}");
    let form = Form::new(format!("Value of chart {}", chart.code), "Record and judge", back.as_str())
        .lead("What the service can compute is computed from its record; only history and readings are typed.")
        .with(sources(&db, &chart).await?)
        .help(
            "A point, judged once by the phase in force at its time.",
            "ISO 7870-2; ISO/IEC 17025:2017 7.7.1.",
            "Its verdict never changes. What became of it is recorded on its page.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewValue| {
            Ok(onward(&service::record(&db, &act, *id, new).await?, &back))
        })
        .await
}

/// Fields for what a chart's values come from.
async fn sources(db: &Db, chart: &ChartView) -> Result<Vec<Field>, Refusal> {
    let mut fields = Vec::new();
    match chart.quantity.as_str() {
        "titrant factor" => {
            let factors = match chart.titrant {
                Some(lot) => titrants::factors(db, lot).await?,
                None => Vec::new(),
            };
            let label = |factor: &ferrotitre_bench::titrants::wire::FactorView| {
                Choice::thing(factor.id, &show::time(factor.valid_from), show::figure(factor.factor.value(), 6))
            };
            fields.push(Field::new("factor", "Factor", Kind::List(factors.iter().map(label).collect())).optional());
        }
        "blank" | "discarded reductions" => {
            let closed = runs::list(db, &ferrotitre_html::form::first_page()).await?.items.into_iter();
            let closed = closed.filter(|run| run.state != "open");
            let closed = closed.map(|run| Choice::thing(run.id, &run.code, run.bench)).collect();
            fields.push(Field::new("run", "Run", Kind::Thing(closed)).optional());
        }
        "reading" => {}
        _ => {
            let asked = crate::determinations::listing::DeterminationListing { limit: Some(200), ..Default::default() };
            let lines = determinations::list(db, &asked).await?.items;
            let done = |state: &str| matches!(state, "submitted" | "reviewed" | "approved" | "reported");
            let all: Vec<Choice> = lines
                .iter()
                .filter(|line| done(&line.state))
                .map(|line| Choice::thing(line.id, &line.code, line.purpose.clone()))
                .collect();
            fields.push(Field::new("determination", "Determination", Kind::Thing(all.clone())).optional());
            if !matches!(chart.quantity.as_str(), "x" | "cusum" | "ewma") {
                let second = Field::new("second_determination", "Second determination", Kind::Thing(all)).optional();
                fields.push(second.help("The duplicate; of a recovery the unspiked sample."));
            }
        }
    }
    let history = "Or history that is written down elsewhere";
    if chart.quantity == "discarded reductions" {
        fields.push(Field::new("events", "Discarded", Kind::Whole).optional().part(history));
        fields.push(Field::new("trials", "of reductions", Kind::Whole).optional());
    } else {
        let label = format!("Value, {}", chart.unit);
        let part = if fields.is_empty() { "Value" } else { history };
        fields.push(Field::new("value", &label, Kind::Decimal).optional().part(part));
    }
    fields.push(
        Field::new("history", "Where it is written down", Kind::Text).optional().help("Such as bench book 7, page 12."),
    );
    fields.push(Field::new("observed_at", "When", Kind::Time { now: false }).optional().help("Of a typed value."));
    fields.push(Field::new("note", "Note", Kind::Long).optional());
    Ok(fields)
}

/// A control value with its verdict rule by rule.
#[get("/control-values/{id}")]
pub(super) async fn read_value(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let ControlValueView { point, moves } = service::read(&db, *id).await?;
    let chart = charts::read(&db, point.chart.0).await?;
    let mut people: Vec<Uuid> = moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0).collect();
    people.push(point.recorded_by.0);
    let people = accounts::names(&db, &people).await?;
    let by = people.get(&point.recorded_by.0).cloned().unwrap_or_default();
    let path = format!("/control-values/{id}");
    let disposes = shell.may(Action::DisposeControlValues) && moves_on(KIND, &point.state);
    let open = point.verdict != "in control" && shell.may(Action::OpenNonconformities);
    let nonconformity = format!("/nonconformities/new?kind=control_values&entity={id}");
    let mut sheet = Sheet::new(&shell, "Control value", format!("{}, point {}", chart.code, point.position))
        .state(point.verdict.clone())
        .lead(format!("{} {}, observed {}", shown(&shell, &point.value), chart.unit, show::time(point.observed_at)))
        .way(disposes, "Say what became of it", format!("{path}/disposition"))
        .way(open, "Open a nonconformity", nonconformity)
        .way(true, "Back to the chart", format!("/charts/{}", chart.id));
    let hits: Vec<String> = point.hits.iter().map(|hit| format!("Rule {}: {}.", hit.rule, hit.text)).collect();
    if !hits.is_empty() {
        sheet = sheet.section("hits", "Rules it completed", Part::Alert(hits));
    }
    sheet
        .section("verdict", "Verdict, rule by rule", Part::Table(verdicts(&chart, &point)))
        .section("about", "About", Part::Facts(about(&shell, &chart, &point, by)))
        .section_of("from", "What it comes from", sources_of(sources::of(&db, &point).await?))
        .section("history", "What became of it", Part::Moves(moves, people))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "A point with the verdict it got when it was recorded. The verdict stays, whatever becomes of the value.",
            "ISO 7870-2; ISO/IEC 17025:2017 7.7.1 and 7.10.",
            "A manager looks into a hit and says what became of it: valid, or invalid with an assignable cause. An outlier test is none.",
        )
        .show()
}

fn verdicts(chart: &ChartView, point: &PointView) -> Table {
    let judged = point.verdict != "not judged";
    let rows = chart.rules.iter().map(|rule| {
        let hit = point.hits.iter().any(|hit| hit.rule == rule.number);
        let consequence = rule.consequence();
        let outcome = match (judged, hit, consequence) {
            (false, ..) => "not judged",
            (_, false, _) => "not completed",
            // The words of verdicts.
            (_, true, "investigate") => "investigate",
            (_, true, _) => "out of control",
        };
        vec![
            Cell::text(format!("rule {}", rule.number)),
            Cell::state(outcome),
            Cell::text(rule.text.clone()),
            Cell::text(consequence),
        ]
    });
    Table {
        columns: vec!["Rule", "Here", "Completed by", "Consequence"],
        rows: rows.collect(),
        empty: "The chart has no run rules of its own.",
        ..Table::default()
    }
}

fn about(shell: &Shell, chart: &ChartView, point: &PointView, by: String) -> Vec<Fact> {
    let mut facts = vec![
        fact("Now", Cell::state(point.state.clone())),
        fact("Source", Cell::text(point.source.clone())),
        fact("Recorded", Cell::text(format!("{} by {by}", show::time(point.recorded_at)))),
    ];
    if let Some(phase) = point.phase.and_then(|id| chart.phases.iter().find(|phase| phase.id == id)) {
        let label = format!("phase {}", phase.number);
        facts.push(fact("Judged by", Cell::link(label, format!("/chart-phases/{}", phase.id))));
        facts.push(fact("Centre", Cell::text(figure(shell, phase.centre))));
    }
    if let Some(z) = point.z {
        facts.push(fact("Distance from the centre", Cell::text(format!("{} s", shell.n(format!("{z:+.2}"))))));
    }
    if let (Some(events), Some(trials)) = (point.events, point.trials) {
        facts.push(fact("Counted", Cell::text(format!("{events} of {trials}"))));
    }
    if let Some(upper) = point.limits.and_then(|limits| limits.upper) {
        facts.push(fact("Out of control from", Cell::text(figure(shell, upper))));
    }
    match point.statistic {
        Some(Statistic::Cusum { upper, lower, .. }) => {
            let text = format!("upper {}, lower {}, in s", show::figure(upper, 3), show::figure(lower, 3));
            facts.push(fact("Cumulative sums", Cell::text(shell.n(text))));
        }
        Some(Statistic::Ewma { average, limit, .. }) => {
            let text = format!("{} against {}, in s", show::figure(average, 3), show::figure(limit, 3));
            facts.push(fact("Moving average", Cell::text(shell.n(text))));
        }
        None => {}
    }
    let words = [("Left out because of", &point.cause), ("Written down in", &point.history), ("Note", &point.note)];
    facts.extend(words.into_iter().filter_map(|(name, text)| text.clone().map(|text| fact(name, Cell::text(text)))));
    facts
}

/// Run and determinations it was computed from, each by its code and in its present state.
fn sources_of(sources: Vec<sources::Source>) -> Option<Part> {
    let row = |source: sources::Source| {
        let address = format!("/{}/{}", source.kind.table(), source.id);
        vec![Cell::text(source.kind.noun()), Cell::link(source.code, address), Cell::state(source.state)]
    };
    let rows: Vec<Vec<Cell>> = sources.into_iter().map(row).collect();
    let columns = vec!["Record", "Code", "State"];
    (!rows.is_empty()).then_some(Part::Table(Table { columns, rows, ..Table::default() }))
}

/// Says what became of a value.
#[routes]
#[get("/control-values/{id}/disposition")]
#[post("/control-values/{id}/disposition")]
pub(super) async fn dispose_value(
    who: Allowed<DisposeControlValues>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let point = service::read(&db, *id).await?.point;
    let back = format!("/control-values/{id}");
    let to = KIND.moves().iter().filter(|step| step.from == point.state).map(|step| Choice::word(step.to)).collect();
    let form = Form::new(format!("What became of point {}", point.position), "Record", back.as_str())
        .lead(format!("It is {} now; the verdict stays: {}.", point.state, point.verdict))
        .with([
            Field::new("to", "It is", Kind::Choice(to)),
            Field::new("cause", "Assignable cause", Kind::List(words(&causes::all())))
                .optional()
                .help("Needed where it is invalid. An outlier test alone is no cause."),
            Field::new("reason", "Evidence or finding", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "Whether a value counts in statistics and in later limits.",
            "ISO/IEC 17025:2017 7.7.1 and 7.10; ISO 7870-2.",
            "An invalid value stays drawn, hollow, with its cause.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewDisposition| {
            Ok(onward(&service::dispose(&db, &act, *id, new).await?, &back))
        })
        .await
}
