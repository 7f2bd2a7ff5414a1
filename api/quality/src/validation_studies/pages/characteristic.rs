//! The page of one characteristic: verdict, picture, statistics, limits, data.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use super::{limits_text, words};
use crate::validation_studies::answer::{CharacteristicAnswer, InputRow, Judgement, StudyStatistic, Verdict};
use crate::validation_studies::kinds::Kind;
use crate::validation_studies::{picture, reading, workings};

fn unit(unit: &str) -> &str {
    if unit == "1" { "" } else { unit }
}

pub(super) fn statistics(shell: &Shell, found: &[StudyStatistic]) -> Table {
    let figure = |value: f64| shell.n(show::figure(value, 5));
    let rows = found.iter().map(|one| {
        let interval = one.interval.map(|interval| {
            format!(
                "{} to {} ({} %)",
                figure(interval.low),
                figure(interval.high),
                shell.n((1e8 * interval.confidence).round() / 1e6)
            )
        });
        vec![
            Cell::text(one.title),
            Cell::text(one.of.clone().unwrap_or_default()),
            Cell::text(one.symbol),
            Cell::number(format!("{} {}", figure(one.value), unit(one.unit))),
            Cell::text(interval.unwrap_or_default()),
            Cell::text(one.formula),
            Cell::text(one.source),
        ]
    });
    Table {
        columns: vec!["Statistic", "Of", "Symbol", "Value", "Interval", "Formula", "Source"],
        rows: rows.collect(),
        empty: "Nothing can be calculated yet.",
        ..Table::default()
    }
}

pub(super) fn judgements(shell: &Shell, judged: &[Judgement]) -> Table {
    let end = |limit: Option<f64>| limit.map(|limit| shell.n(limit)).unwrap_or_default();
    let rows = judged.iter().map(|one| {
        vec![
            Cell::text(words(&one.statistic)),
            Cell::text(one.of.clone().unwrap_or_default()),
            Cell::number(format!("{} {}", shell.n(show::figure(one.value, 5)), unit(&one.unit))),
            Cell::text(one.rule.words()),
            Cell::number(end(one.lower)),
            Cell::number(end(one.upper)),
            Cell::state(if one.met { "met" } else { "not met" }),
        ]
    });
    Table {
        columns: vec!["Statistic", "Of", "Found", "Rule", "Lower limit", "Upper limit", ""],
        rows: rows.collect(),
        empty: "No limit could be judged yet.",
        ..Table::default()
    }
}

fn source(shell: &Shell, row: &InputRow) -> Cell {
    match (row.source.determination, row.source.iron_result, row.source.line) {
        (Some(id), ..) => Cell::link("determination", format!("/determinations/{id}")),
        (None, Some(id), _) => {
            let total = row.source.total_iron.as_ref().map(|total| show::figure(total.value(), 5)).unwrap_or_default();
            Cell::link(format!("iron result, total {}", shell.n(total)), format!("/iron-results/{id}"))
        }
        (None, None, Some(line)) => Cell::text(format!("table, line {line}")),
        (None, None, None) => Cell::text("entered"),
    }
}

fn standing(shell: &Shell, row: &InputRow, running: bool) -> Cell {
    match &row.excluded {
        Some(out) if out.state == "proposed" && running && shell.may(Action::ApproveValidation) => {
            Cell::link(format!("to be left out: {}", out.cause), format!("/validation/exclusions/{}/approval", out.id))
        }
        Some(out) if out.state == "proposed" => Cell::text(format!("to be left out: {}", out.cause)),
        Some(out) if out.holds => Cell::text(format!(
            "left out: {}; {}; signed by {}",
            out.cause,
            out.evidence,
            out.signed_by.as_deref().unwrap_or_default()
        )),
        _ if running && shell.may(Action::ConductValidation) => {
            Cell::link("leave out", format!("/validation/data/{}/exclusion", row.datum))
        }
        _ => Cell::text("counts"),
    }
}

/// Columns of data that hold anything, by their place.
fn used_columns(answer: &CharacteristicAnswer) -> Vec<usize> {
    let filled =
        |at: &usize| answer.inputs.rows.iter().any(|row| row.cells.get(*at).is_some_and(|cell| !cell.is_empty()));
    (0..answer.inputs.columns.len()).filter(filled).collect()
}

/// Heading of a column of data.
fn heading(name: &str) -> &'static str {
    match name {
        "value" => "Value",
        "group" => "Group",
        "taken" => "Taken",
        "added" => "Added",
        "hours" => "Hours",
        "pair" => "Pair",
        "arm" => "Arm",
        "run" => "Run",
        "standard_uncertainty" => "u",
        "analyst" => "Analyst",
        "burette" => "Burette",
        "lot" => "Lot",
        _ => "Note",
    }
}

pub(super) fn data(shell: &Shell, answer: &CharacteristicAnswer, running: bool) -> Table {
    let used = used_columns(answer);
    let mut columns = vec!["No."];
    columns.extend(used.iter().filter_map(|at| answer.inputs.columns.get(*at)).map(|column| heading(&column.name)));
    columns.extend(["Source", "Flags", "Standing"]);
    let rows = answer.inputs.rows.iter().map(|row| {
        let flags: Vec<String> = answer
            .flags
            .iter()
            .filter(|flag| flag.data.contains(&row.datum))
            .map(|flag| format!("{} ({}, p = {})", flag.finding, flag.test, shell.n(show::figure(flag.p, 2))))
            .collect();
        let mut cells = vec![Cell::number(row.position.to_string())];
        cells.extend(used.iter().map(|at| {
            let text = row.cells.get(*at).cloned().unwrap_or_default();
            if text.parse::<f64>().is_ok() { Cell::number(shell.n(text)) } else { Cell::text(text) }
        }));
        cells.extend([source(shell, row), Cell::text(flags.join("; ")), standing(shell, row, running)]);
        cells
    });
    Table { columns, rows: rows.collect(), empty: "No data yet.", ..Table::default() }
}

pub(super) fn amendments(shell: &Shell, answer: &CharacteristicAnswer, running: bool) -> Option<Part> {
    if answer.criterion.amendments.is_empty() {
        return None;
    }
    let rows = answer.criterion.amendments.iter().map(|one| {
        let decided = match (&one.decided_by, one.decided_at) {
            (Some(by), Some(at)) => Cell::text(format!("{by}, {}", show::time_with_zone(at))),
            _ if running && shell.may(Action::ApproveValidation) => {
                Cell::link("decide", format!("/validation/amendments/{}/approval", one.id))
            }
            _ => Cell::text(""),
        };
        vec![
            Cell::number(one.number.to_string()),
            Cell::state(one.state.clone()),
            Cell::text(limits_text(shell, &one.old_limits)),
            Cell::text(limits_text(shell, &one.new_limits)),
            Cell::text(one.reason.clone()),
            decided,
        ]
    });
    Some(Part::Table(Table {
        columns: vec!["No.", "State", "Limits before", "Limits after", "Reason", "Decided"],
        rows: rows.collect(),
        ..Table::default()
    }))
}

fn everything(shell: &Shell, answer: &CharacteristicAnswer) -> Option<Part> {
    let all = answer.excluded_too.as_ref()?;
    let found = all.judgements.iter().map(|one| {
        format!("{} {} {}", one.statistic, shell.n(show::figure(one.value, 5)), if one.met { "met" } else { "not met" })
    });
    Some(Part::Words(format!(
        "With everything ({} data): {}. {}",
        all.n,
        all.verdict.text(),
        found.collect::<Vec<_>>().join("; ")
    )))
}

pub(super) fn verdict_facts(shell: &Shell, answer: &CharacteristicAnswer) -> Part {
    let mut facts = vec![
        fact("Verdict", Cell::state(answer.verdict.text())),
        fact("Data", Cell::text(format!("{} count, {} planned, in {}", answer.n, answer.planned_n, answer.unit))),
        fact("Limits in force", Cell::text(limits_text(shell, &answer.criterion.limits))),
    ];
    if let Some(as_planned) = answer.verdict_as_planned {
        facts.push(fact("Limits as planned", Cell::text(limits_text(shell, &answer.criterion.planned_limits))));
        facts.push(fact("Verdict by these", Cell::state(as_planned.text())));
    }
    if let Some(words) = &answer.design.words {
        facts.push(fact("Design", Cell::text(words.clone())));
    }
    if !answer.notes.is_empty() {
        facts.push(fact("To be known", Cell::text(answer.notes.join("; "))));
    }
    Part::Facts(facts)
}

/// A characteristic with its data and its answer.
#[get("/validation/characteristics/{id}")]
pub(super) async fn read_characteristic(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let answer = reading::answer(&db, *id).await?;
    let study = reading::read(&db, answer.study.0).await?;
    let running = study.state == "running";
    let path = format!("/validation/characteristics/{id}");
    let enter = running && shell.may(Action::ConductValidation);
    let differences = answer.kind == Kind::DetectionByDifference;
    let missing = (answer.verdict == Verdict::NotEnoughData).then(|| Part::Alert(answer.missing.clone()));
    let drawing = if answer.inputs.rows.is_empty() { None } else { picture::drawn(&answer).ok() };
    let worked = !answer.statistics.is_empty() && answer.n <= workings::MOST;
    Sheet::new(&shell, "Characteristic", format!("{} {}", answer.position, answer.kind.text()))
        .state(answer.verdict.text())
        .lead(format!("{}, study {}", answer.title, study.code))
        .way(enter, "Add data", format!("{path}/data"))
        .way(enter, "Import a table", format!("{path}/import"))
        .way(enter && !differences, "Choose determinations", format!("{path}/determinations"))
        .way(enter && differences, "Choose iron results", format!("{path}/iron-results"))
        .way(enter, "Propose other limits", format!("{path}/amendment"))
        .way(true, "The study", format!("/validation/{}", study.id))
        .section_of("missing", "What is missing", missing)
        .section("verdict", "Verdict", verdict_facts(&shell, &answer))
        .section_of("everything", "With what is left out", everything(&shell, &answer))
        .section_of("picture", "Picture", drawing.map(|drawn| Part::Chart { drawing: drawn.svg, caption: drawn.caption }))
        .section("judgements", "Limits", Part::Table(judgements(&shell, &answer.judgements)))
        .section("statistics", "Statistics", Part::Table(statistics(&shell, &answer.statistics)))
        .section_way(worked, "Workings", format!("/api/v1/validation-characteristics/{id}/workings"))
        .section("data", "Data", Part::Table(data(&shell, &answer, running)))
        .section_of("amendments", "Late changes of limits", amendments(&shell, &answer, running))
        .help(
            "What the data say of one characteristic, beside the limits set before them.",
            "ISO/IEC 17025:2017 7.2.2; the source of each formula stands beside it.",
            "Nothing is removed: a datum is left out only with a cause and a second person, and both answers are shown.",
        )
        .show()
}
