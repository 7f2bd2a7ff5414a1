//! Defining a chart, what its rules do, its statistics, its periodic review, its end.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{DefineCharts, ReadRecords};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::choices;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_html::form::first_page;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::sheet::{Cell, Fact, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use super::figure;
use super::rules::{self, Begins};
use crate::control_charts::rules::RuleView;
use crate::control_charts::run_lengths::{BaselineEffect, RunLengthsView};
use crate::control_charts::service::{self, KIND};
use crate::control_charts::statistics::{self, ChartReview, LongTermView, ReviewedCount, ReviewedShift};
use crate::control_charts::wire::{ChartView, NewChart, NewRuleSet};
use crate::control_materials;

const QUANTITIES: [(&str, &str); 10] = [
    ("x", "results of the control material"),
    ("range", "ranges of replicates"),
    ("difference", "differences of duplicates"),
    ("blank", "mean blanks of runs, mL"),
    ("recovery", "per cent"),
    ("titrant factor", "of one titrant lot"),
    ("cusum", "cumulative sums of results"),
    ("ewma", "moving averages of results"),
    ("discarded reductions", "their share in a run"),
    ("reading", "what the service does not compute"),
];

fn quantity() -> Kind {
    Kind::List(QUANTITIES.iter().map(|(name, label)| Choice::thing(name, name, *label)).collect())
}

fn design_fields() -> Vec<Field> {
    vec![
        Field::new("design.k", "Reference value k, in s", Kind::Decimal)
            .optional()
            .part("Design of a cumulative sum or a moving average"),
        Field::new("design.h", "Decision interval h, in s", Kind::Decimal).optional(),
        Field::new("design.head_start", "Both sums start at, in s", Kind::Decimal).optional(),
        Field::new("design.lambda", "Weight of the newest point", Kind::Decimal).optional(),
        Field::new("design.limit", "Limits of the moving average, in its s", Kind::Decimal).optional(),
    ]
}

/// Defines a chart.
#[routes]
#[get("/charts/new")]
#[post("/charts/new")]
pub(super) async fn define_chart(
    who: Allowed<DefineCharts>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let materials = control_materials::service::list(&db, &first_page()).await?.items.into_iter();
    let materials = materials.map(|lot| Choice::thing(lot.id, &lot.facts.code, lot.facts.description)).collect();
    let methods = methods::in_force(&db).await?.into_iter();
    let methods = methods.map(|method| Choice::thing(method.id, &method.facts.code, method.facts.title)).collect();
    let form = Form::new("Define a control chart", "Define", "/charts")
        .with([
            Field::new("code", "Code", Kind::Text),
            Field::new("title", "Title", Kind::Text),
            Field::new("quantity", "What is charted", quantity()),
            Field::new("unit", "Unit", Kind::Text)
                .help("% for recoveries and relative ranges, mL for blanks, 1 for a factor."),
            Field::new("material", "Control material lot", Kind::Thing(materials)).optional().part("Of what"),
            Field::new("method", "Method", Kind::Thing(methods)).optional(),
            Field::new("titrant", "Titrant lot", Kind::Thing(choices::titrants(&db, &[]).await?))
                .optional()
                .help("For a chart of its factor."),
            Field::new("resolution", "Rounding step of the values", Kind::Decimal).optional().part("Details"),
            Field::new("replicates", "Values in a range", Kind::Whole).optional(),
            Field::new(
                "baseline_minimum",
                "Fewest baseline points of limits without the label preliminary",
                Kind::Whole,
            )
            .optional()
            .help("Left empty: 60."),
        ])
        .with(design_fields())
        .with(rules::fields("", Begins::WithTheQuantity).await?)
        .help(
            "Quantity, rules and design are chosen before data and stay as they are.",
            "ISO 7870-1 and -2: rules are fixed before they are used.",
            "Values are collected; a phase gives them limits, proposed by one person and approved by another.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewChart| {
            let answer = service::record(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/charts/{}", field_of(&answer, "id"))))
        })
        .await
}

/// Closes a chart.
#[routes]
#[get("/charts/{id}/closing")]
#[post("/charts/{id}/closing")]
pub(super) async fn close_chart(
    who: Allowed<DefineCharts>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let chart = service::read(&db, *id).await?;
    let back = format!("/charts/{id}");
    let form = Form::move_form(KIND, &chart.state, format!("Close chart {}", chart.code), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}

/// Rules of a chart.
pub(super) fn rule_table(shell: &Shell, rules: &[RuleView]) -> Table {
    let row = |rule: &RuleView| {
        let length = rule.average_run_length.map(|points| shell.n(show::figure(points, 4)));
        vec![
            Cell::text(format!("rule {}", rule.number)),
            Cell::text(rule.text.clone()),
            Cell::text(rule.consequence()),
            Cell::number(length.unwrap_or_default()),
        ]
    };
    Table {
        columns: vec!["Rule", "Completed by", "Consequence", "Points between false hits"],
        rows: rules.iter().map(row).collect(),
        empty: "None.",
        ..Table::default()
    }
}

fn baseline_facts(shell: &Shell, effect: &BaselineEffect) -> Vec<Fact> {
    let percent = |share: f64| format!("{} %", shell.n(show::figure(100.0 * share, 3)));
    let [low, high] = effect.sigma_ratio;
    let mut facts = vec![
        fact(
            "Baseline",
            Cell::text(format!("n = {}: the limits are estimates, and more of the good points fall outside", effect.n)),
        ),
        fact(
            "Good points beyond the action limits",
            Cell::text(format!("{}, not 0.27 %", percent(effect.false_alarm_rate))),
        ),
        fact(
            "True s over the estimated one, 95 %",
            Cell::text(shell.n(format!("{} to {}", show::figure(low, 3), show::figure(high, 3)))),
        ),
    ];
    if let Some(points) = effect.in_control_rejecting {
        let name = "Points until a good run is rejected, over all such baselines";
        facts.push(fact(name, Cell::text(shell.n(show::figure(points, 4)))));
    }
    if let Some(share) = effect.false_alarm_in_60_points {
        facts.push(fact("At least one false rejection among 60 points", Cell::text(percent(share))));
    }
    facts
}

pub(super) fn length_facts(shell: &Shell, lengths: &RunLengthsView) -> Vec<Fact> {
    let mut facts = Vec::new();
    for (name, points) in [
        ("Points until a false hit of any rule", lengths.in_control),
        ("Points until a false hit that rejects", lengths.in_control_rejecting),
        ("Points until a shift of 1 s is found", lengths.at_shift_of_1_s),
    ] {
        if let Some(points) = points {
            facts.push(fact(name, Cell::text(shell.n(show::figure(points, 4)))));
        }
    }
    for at in &lengths.at_shifts {
        let name = format!("Points until a shift of {} s is found", shell.n(&at.shift));
        facts.push(fact(&name, Cell::text(shell.n(show::figure(at.average, 4)))));
    }
    if let Some(effect) = &lengths.baseline {
        facts.extend(baseline_facts(shell, effect));
    }
    facts.extend(lengths.not_computed.iter().map(|why| fact("Not computed", Cell::text(why.clone()))));
    facts
}

/// What the rules and the baseline do while all is well.
pub(super) fn lengths(shell: &Shell, chart: &ChartView) -> Option<Part> {
    let facts = length_facts(shell, &chart.statistics.as_ref()?.run_lengths);
    (!facts.is_empty()).then_some(Part::Facts(facts))
}

fn long_term(shell: &Shell, unit: &str, long: &LongTermView) -> Vec<Fact> {
    let with = |value: f64, percent: Option<f64>| {
        let share = percent.map_or_else(String::new, |percent| format!(" ({} %)", shell.n(show::figure(percent, 3))));
        Cell::text(format!("{} {unit}{share}", figure(shell, value)))
    };
    let mut facts =
        vec![fact("Mean", with(long.mean, None)), fact("s(Rw)", with(long.s_rw, long.relative_s_rw_percent))];
    if let Some(bias) = long.bias {
        facts.push(fact("Bias", with(bias, long.relative_bias_percent)));
    }
    if let Some(u) = long.u_bias {
        facts.push(fact("u(bias)", with(u, None)));
    }
    facts
}

fn outside(review: &ReviewedCount) -> Fact {
    let text = match review.count {
        Some(count) => format!("{count} of the last {}; about 3 expected: {}", review.needed, review.finding),
        None => format!("{}: needs {} points", review.finding, review.needed),
    };
    fact("Outside the warning limits", Cell::text(text))
}

fn shift(shell: &Shell, review: &ReviewedShift) -> Fact {
    let text = match review.shift {
        Some(shift) => {
            format!("{} s over the last {}: {}", shell.n(format!("{shift:+.2}")), review.needed, review.finding)
        }
        None => format!("{}: needs {} points", review.finding, review.needed),
    };
    fact("Shift of the centre", Cell::text(text))
}

/// Statistics of a chart.
pub(super) fn statistics(shell: &Shell, chart: &ChartView) -> Option<Part> {
    let view = chart.statistics.as_ref()?;
    let mut facts = vec![fact("Made of", Cell::text(format!("the newest {} points that count", view.n)))];
    facts.extend(view.long_term.iter().flat_map(|long| long_term(shell, &chart.unit, long)));
    facts.extend(view.outside_warning.as_ref().map(outside));
    facts.extend(view.centre_shift.as_ref().map(|review| shift(shell, review)));
    if let Some(r) = view.lag1_autocorrelation {
        facts.push(fact("Autocorrelation at lag 1", Cell::text(shell.n(format!("{r:+.2}")))));
    }
    if let Some(resolution) = &view.resolution {
        let words = if resolution.suffices { "fine enough" } else { "too coarse: at least 3 steps are needed" };
        let steps = shell.n(show::figure(resolution.steps_per_s, 3));
        facts.push(fact("Rounding steps in s", Cell::text(format!("{steps}, {words}"))));
    }
    facts.extend(view.not_enough_data.iter().map(|why| fact("Cannot be said yet", Cell::text(why.clone()))));
    Some(Part::Facts(facts))
}

/// The periodic review of a chart.
#[get("/charts/{id}/review")]
pub(super) async fn review_chart(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let chart = service::read(&db, *id).await?;
    let path = format!("/charts/{id}");
    let review = match statistics::review(&db, *id).await {
        Ok(review) => review,
        // Nothing to review yet is an answer, not a fault.
        Err(refusal) if refusal.code == ferrotitre_base::refusal::Code::NotEnoughData => {
            return Sheet::new(&shell, "Review of a control chart", chart.code)
                .way(true, "Back to the chart", path)
                .section("findings", "Findings", Part::Alert(vec![refusal.detail]))
                .help(HELP.0, HELP.1, HELP.2)
                .show();
        }
        Err(refusal) => return Err(refusal.into()),
    };
    let mut facts = vec![outside(&review.outside_warning), shift(&shell, &review.centre_shift)];
    if let Some(mean) = review.mean_of_last_20 {
        facts.push(fact("Mean of the last 20", Cell::text(format!("{} {}", figure(&shell, mean), chart.unit))));
    }
    facts.extend(review.long_term.iter().flat_map(|long| long_term(&shell, &chart.unit, long)));
    let uncertainty = uncertainty(&shell, &chart, &review);
    let proposes = shell.may(Action::ProposePhases) && chart.state != "closed";
    let mut sheet = Sheet::new(&shell, "Review of a control chart", chart.code.clone())
        .lead(chart.title.clone())
        .way(true, "Back to the chart", path.clone())
        .section("findings", "Findings", Part::Alert(review.findings.clone()))
        .section("figures", "What it rests on", Part::Facts(facts))
        .section_of("uncertainty", "Uncertainty from the chart beside the budget", uncertainty);
    if let Some(proposal) = &review.proposal {
        let number = |value: Option<f64>| value.map(|value| figure(&shell, value)).unwrap_or_default();
        let decide: Vec<String> = proposal.to_be_decided.iter().map(ToString::to_string).collect();
        let facts = vec![
            fact("Points", Cell::text(format!("{} to {}, n = {}", proposal.first, proposal.last, proposal.n))),
            fact("It would be", Cell::text(proposal.label)),
            fact("Centre", Cell::text(figure(&shell, proposal.centre))),
            fact("s", Cell::text(figure(&shell, proposal.s))),
            fact(
                "Action limits",
                Cell::text(format!("{} to {}", number(proposal.lower_action), number(Some(proposal.upper_action)))),
            ),
            fact(
                "To be decided on first",
                Cell::text(if decide.is_empty() { "nothing".to_owned() } else { decide.join(", ") }),
            ),
        ];
        let to = format!("{path}/phases/new?first={}&last={}", proposal.first, proposal.last);
        sheet = sheet.section("proposal", "A phase that could be proposed", Part::Facts(facts)).section_way(
            proposes,
            "Propose it",
            to,
        );
    }
    sheet.help(HELP.0, HELP.1, HELP.2).show()
}

const HELP: (&str, &str, &str) = (
    "Whether dispersion or centre have moved since the limits were set, and what new limits would be.",
    "ISO/IEC 17025:2017 7.7.1 and 7.7.3; ISO 11352 (uncertainty from control data).",
    "Nothing changes by itself: a person proposes a phase, somebody else approves it.",
);

fn uncertainty(shell: &Shell, chart: &ChartView, review: &ChartReview) -> Option<Part> {
    let view = review.uncertainty.as_ref()?;
    let number = |value: f64| Cell::text(format!("{} {}", shell.n(show::figure(value, 3)), chart.unit));
    let mut facts = vec![
        fact("u(Rw)", number(view.u_rw)),
        fact("u(bias)", number(view.u_bias)),
        fact("From the chart: u", number(view.top_down_u)),
        fact("From the chart: U, k = 2", number(view.top_down_expanded)),
    ];
    if let Some(u) = view.bottom_up_u {
        facts.push(fact("From the budget: u", number(u)));
    }
    if let Some(ratio) = view.ratio {
        let words = if view.query == Some(true) { "one of the two misses something" } else { "they agree" };
        facts.push(fact("Budget over chart", Cell::text(format!("{}, {words}", shell.n(show::figure(ratio, 3))))));
    }
    if let Some(id) = view.determination {
        facts.push(fact("Budget of", Cell::link("the newest determination", format!("/determinations/{id}"))));
    }
    Some(Part::Facts(facts))
}

/// Computes run lengths of rules before they are chosen.
#[routes]
#[get("/charts/run-lengths")]
#[post("/charts/run-lengths")]
pub(super) async fn ask_run_lengths(
    who: Allowed<ReadRecords>,
    shell: Shell,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let mut fields = vec![
        Field::new("quantity", "What is charted", quantity()).value("x"),
        Field::new("baseline", "Points of the baseline", Kind::Whole).optional().help("Left empty: true limits."),
        Field::new("centre_is_reference", "Is the centre a reference value?", Kind::YesNo).optional(),
    ];
    for (line, shift) in ["0.5", "1", "1.5", "2", "3"].iter().enumerate() {
        let shift_field =
            Field::new(&format!("shifts[{line}]"), "Shift of the mean, in s", Kind::Decimal).optional().value(shift);
        fields.push(if line == 0 { shift_field.part("Shifts to be found") } else { shift_field });
    }
    fields.extend(design_fields());
    fields.extend(rules::fields("", Begins::WithTheQuantity).await?);
    let form = Form::new("What rules do", "Compute", "/charts")
        .lead("Expected points until rules are completed: by chance, and when the mean has moved.")
        .with(fields)
        .help(
            "Exact run lengths for independent normal values, and what a baseline of n points does to them.",
            "ISO 7870-1 (average run length); C. W. Champ and W. H. Woodall 1987 (Markov chains).",
            "Nothing is recorded. Choose rules before data, then define the chart.",
        );
    shell
        .answer(&who, &sent, form, async |new: NewRuleSet| {
            let lengths = service::lengths_of(&new).map_err(|refusal: Refusal| (refusal, Vec::new()))?;
            let facts = Part::Facts(length_facts(&shell, &lengths));
            Ok(vec![Section::new("lengths", "Expected points", facts)])
        })
        .await
}
