//! A page made of sections, as PDF: the same parts in the same order, typeset for A4.

use actix_web::body::BoxBody;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION};
use actix_web::{HttpRequest, HttpResponse, Responder, web};
use chrono::{DateTime, Datelike as _, Timelike as _, Utc};
use ferrotitre_base::evaluations::{BudgetLine, StepView, VerdictView};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_paper::Paper;
use serde_json::{Value, json};

use crate::sheet::{Cell, Names, Part, Sheet, Table};
use crate::shell::Shell;
use crate::show;

/// How everything is laid out.
const LAYOUT: &str = include_str!("../templates/report.typ");
/// What the pages' style sheet says of small pictures, in black and grey.
const PRINT_STYLE: &str = "<style>.band{fill:#dddddd}.band-edge{stroke:#000000;stroke-width:1.5;stroke-dasharray:5 4;fill:none}\
    .guard{fill:#999999}.limit{stroke:#000000;stroke-width:2.5;fill:none}.axis{stroke:#000000;stroke-width:1.4;fill:none}\
    .centre{stroke:#000000;stroke-width:2;fill:none}.tick{font-size:15px;font-family:'DejaVu Sans';fill:#333333}\
    .mark circle,.mark path{stroke:#000000;stroke-width:2.2;fill:#ffffff}.mark-full circle{fill:#000000}\
    .mark-cross path{fill:none;stroke-width:3}.mark text{font-size:12px;font-family:'DejaVu Sans';fill:#000000}\
    .mark-full text{fill:#ffffff}</style>";

/// A document that is handed out.
pub struct Pdf {
    name: String,
    bytes: Vec<u8>,
}

impl Responder for Pdf {
    type Body = BoxBody;

    fn respond_to(self, _: &HttpRequest) -> HttpResponse {
        HttpResponse::Ok()
            .content_type("application/pdf")
            .insert_header((CONTENT_DISPOSITION, format!("inline; filename=\"{}.pdf\"", self.name)))
            .insert_header((CACHE_CONTROL, "no-store"))
            .body(self.bytes)
    }
}

/// A page ready to be typeset away from the threads that serve.
struct Plan {
    data: Value,
    pictures: Vec<String>,
}

impl Sheet<'_> {
    /// Typesets the page. `identity` is the same at every printing of the thing.
    pub async fn pdf(self, identity: String) -> Result<Pdf, Refusal> {
        let now = Utc::now();
        let name = file_name(&self.title);
        let Plan { data, pictures } = self.planned(now);
        let bytes = web::block(move || {
            let data = data.to_string();
            Paper { layout: LAYOUT, data, pictures: &pictures, identity, made: parts(now) }.pdf()
        });
        Ok(Pdf { name, bytes: bytes.await.map_err(Refusal::internal)?.map_err(Refusal::internal)? })
    }

    fn planned(self, now: DateTime<Utc>) -> Plan {
        let shell = self.shell;
        let mut pictures = Vec::new();
        let sections: Vec<Value> = self
            .sections
            .into_iter()
            .map(|section| json!({ "title": section.title, "part": part(shell, section.part, &mut pictures) }))
            .collect();
        let foot = format!("ferrotitre {}; made {}", env!("CARGO_PKG_VERSION"), show::time_with_zone(now));
        let data = json!({
            "kind": self.kind, "title": self.title, "state": self.state, "lead": self.lead, "cautions": self.cautions,
            "sections": sections, "standard": self.help.standard, "foot": foot,
        });
        Plan { data, pictures }
    }
}

fn file_name(title: &str) -> String {
    title.chars().map(|c| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '_' }).collect()
}

fn parts(at: DateTime<Utc>) -> [i32; 6] {
    // Each is far below 2^31.
    let small = |number: u32| i32::try_from(number).unwrap_or_default();
    [at.year(), small(at.month()), small(at.day()), small(at.hour()), small(at.minute()), small(at.second())]
}

fn part(shell: &Shell, part: Part, pictures: &mut Vec<String>) -> Value {
    match part {
        Part::Words(words) => json!({ "kind": "words", "words": words }),
        Part::Alert(lines) => json!({ "kind": "alert", "lines": lines }),
        Part::Result { figure, unit, words } => {
            json!({ "kind": "result", "figure": figure, "unit": unit, "words": words })
        }
        Part::Facts(facts) => {
            let facts: Vec<Value> =
                facts.iter().map(|fact| json!({ "name": fact.name, "cell": cell(&fact.cell) })).collect();
            json!({ "kind": "facts", "facts": facts })
        }
        Part::Table(table) => listed(&table),
        Part::Picture { drawing, caption } => {
            // Small pictures of the pages are coloured by the style sheet, which paper has not.
            let styled = match drawing.split_once('>') {
                Some((root, rest)) if !drawing.contains("<style") => {
                    format!(
                        "{} xmlns=\"http://www.w3.org/2000/svg\">{PRINT_STYLE}{rest}",
                        root.replace(" xmlns=\"http://www.w3.org/2000/svg\"", "")
                    )
                }
                _ => drawing,
            };
            picture(styled, caption, false, pictures)
        }
        Part::Chart { drawing, caption } => picture(drawing, caption, true, pictures),
        Part::Lines(lines) => json!({ "kind": "lines", "lines": lines }),
        Part::Working(step) => {
            let mut steps = Vec::new();
            flatten(shell, &step, 0, &mut steps);
            json!({ "kind": "working", "steps": steps })
        }
        Part::Budget(lines) => {
            let lines: Vec<Value> = lines.iter().map(|line| budget(shell, line)).collect();
            json!({ "kind": "budget", "lines": lines })
        }
        Part::Verdicts(verdicts) => {
            let verdicts: Vec<Value> = verdicts.iter().map(|one| verdict(shell, one)).collect();
            json!({ "kind": "verdicts", "verdicts": verdicts })
        }
        Part::Signatures(all) => {
            json!({ "kind": "signatures", "signatures": all.iter().map(signature).collect::<Vec<_>>() })
        }
        Part::Moves(moves, names) => {
            json!({ "kind": "moves", "moves": moves.iter().map(|one| moved(one, &names)).collect::<Vec<_>>() })
        }
    }
}

fn cell(cell: &Cell) -> Value {
    json!({ "text": cell.text, "state": cell.state && !cell.text.is_empty(), "number": cell.number })
}

fn listed(table: &Table) -> Value {
    let rows: Vec<Vec<Value>> = table.rows.iter().map(|row| row.iter().map(cell).collect()).collect();
    json!({ "kind": "table", "columns": table.columns, "rows": rows, "empty": table.empty })
}

fn picture(drawing: String, caption: String, wide: bool, pictures: &mut Vec<String>) -> Value {
    let file = format!("/{}.svg", pictures.len());
    pictures.push(drawing);
    json!({ "kind": "picture", "file": file, "caption": caption, "wide": wide })
}

/// A working, line by line: each quantity before what it was computed from.
fn flatten(shell: &Shell, step: &StepView, depth: usize, steps: &mut Vec<Value>) {
    let mut lines = Vec::new();
    if !step.formula.is_empty() {
        lines.push(format!("{} = {}", step.symbol, step.formula));
    }
    if !step.numbers.is_empty() {
        lines.push(format!("= {}", shell.n(&step.numbers)));
    }
    if let Some(fact) = &step.fact {
        lines.push(format!("recorded: {} {} {}", fact.kind, fact.field, fact.id));
    }
    if !step.source.is_empty() {
        lines.push(step.source.to_owned());
    }
    let value = step.entered.clone().unwrap_or_else(|| show::figure(step.value, 10));
    steps.push(json!({
        "depth": depth, "symbol": step.symbol, "name": step.name, "value": shell.n(value), "unit": step.unit,
        "u": step.standard_uncertainty.map(|u| shell.n(show::figure(u, 3))).unwrap_or_default(), "lines": lines,
    }));
    for input in &step.inputs {
        flatten(shell, input, depth + 1, steps);
    }
}

fn budget(shell: &Shell, line: &BudgetLine) -> Value {
    json!({
        "label": line.label, "value": format!("{} {}", shell.n(show::figure(line.value, 6)), line.unit),
        "u": shell.n(show::figure(line.u, 2)), "contribution": shell.n(show::figure(line.contribution.abs(), 2)),
        "share": line.share.clamp(0.0, 1.0), "percent": format!("{} %", shell.n(format!("{:.1}", line.share * 100.0))),
    })
}

fn verdict(shell: &Shell, verdict: &VerdictView) -> Value {
    let mut compared = verdict.compared.clone();
    let figure = |value: f64, digits| shell.n(show::figure(value, digits));
    if let Some(value) = verdict.value {
        compared.push_str(&format!(" {} {}", figure(value, 4), verdict.unit));
        if let Some(critical) = verdict.critical {
            compared.push_str(&format!(" against {} {}", figure(critical, 4), verdict.unit));
        }
    }
    if let Some(p) = verdict.p {
        compared.push_str(&format!(", p = {}", figure(p, 2)));
    }
    json!({
        "rule": verdict.rule, "outcome": verdict.outcome, "compared": format!("{}.", compared.trim_end()),
        "advice": verdict.advice, "obtained": verdict.obtained,
    })
}

fn signature(signature: &SignOff) -> Value {
    json!({
        "name": signature.printed_name, "when": show::time_with_zone(signature.signed_at), "meaning": signature.meaning,
        "statement": signature.statement, "reason": signature.reason.clone().unwrap_or_default(),
        "valid": signature.still_valid, "digest": signature.content_digest,
    })
}

fn moved(step: &StateMove, names: &Names) -> Value {
    let mut words = show::time(step.recorded_at);
    if let Some(by) = step.recorded_by {
        words.push_str(&format!(" by {}", names.get(&by.0).map_or("somebody", String::as_str)));
    }
    for (name, text) in [("Cause", &step.cause), ("Reason", &step.reason)] {
        if let Some(text) = text {
            words.push_str(&format!(". {name}: {text}"));
        }
    }
    json!({ "state": step.to_state, "words": words })
}
