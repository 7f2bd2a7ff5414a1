//! A page made of sections, as PDF: the same parts in the same order, laid out for A4.

use actix_web::body::BoxBody;
use actix_web::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION};
use actix_web::{HttpRequest, HttpResponse, Responder};
use chrono::{DateTime, Utc};
use ferrotitre_base::evaluations::{BudgetLine, StepView, VerdictView};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::heavy::heavy;
use ferrotitre_paper::{Align, Block, Column, Document, Fact, Level, Picture, Step, Width, Words};

use crate::mark::Mark;
use crate::sheet::{self, Cell, Names, Part, Section, Sheet, Table};
use crate::shell::Shell;
use crate::show;

/// What the pages' style sheet says of small pictures, in black and grey.
const PRINT_STYLE: &str = "<style>.band{fill:#dddddd}.band-edge{stroke:#000000;stroke-width:1.5;stroke-dasharray:5 4;fill:none}\
    .guard{fill:#999999}.limit{stroke:#000000;stroke-width:2.5;fill:none}.axis{stroke:#000000;stroke-width:1.4;fill:none}\
    .centre{stroke:#000000;stroke-width:2;fill:none}.tick{font-size:15px;font-family:'DejaVu Sans';fill:#333333}\
    .mark circle,.mark path{stroke:#000000;stroke-width:2.2;fill:#ffffff}.mark-full circle{fill:#000000}\
    .mark-cross path{fill:none;stroke-width:3}.mark text{font-size:12px;font-family:'DejaVu Sans';fill:#000000}\
    .mark-full text{fill:#ffffff}</style>";

/// Lays a document out and writes it, away from the threads that serve.
///
/// # Errors
/// A picture that cannot be printed, which is a mistake of ours.
pub async fn written(document: Document) -> Result<Vec<u8>, Refusal> {
    heavy(move || document.pdf()).await?.map_err(Refusal::internal)
}

/// A document that is handed out.
pub struct Pdf {
    name: String,
    bytes: Vec<u8>,
}

impl Pdf {
    /// A document that is there already, by the name it is saved under.
    pub fn of(title: &str, bytes: Vec<u8>) -> Self {
        Self { name: file_name(title), bytes }
    }
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

impl Sheet<'_> {
    /// Prints the page with what it can be checked by. `identity` is the same at every printing of the thing.
    ///
    /// # Errors
    /// A picture that cannot be printed, which is a mistake of ours.
    pub async fn pdf(self, identity: String, mark: &Mark) -> Result<Pdf, Refusal> {
        let name = file_name(&self.title);
        let bytes = written(self.document(identity, mark.blocks()?, Utc::now())).await?;
        Ok(Pdf { name, bytes })
    }

    fn document(self, identity: String, mark: Vec<Block>, made: DateTime<Utc>) -> Document {
        let named = format!("{} {}", self.kind, self.title);
        let foot = format!("ferrotitre {}; made {}", env!("CARGO_PKG_VERSION"), show::time_with_zone(made));
        let mut heading = Words::from(format!("{} ", self.title));
        if !self.state.is_empty() {
            heading = heading.plain(" ").state(self.state.as_str());
        }
        let mut blocks = vec![Block::Remark(self.kind.into()), Block::Heading(Level::Title, heading)];
        if !self.lead.is_empty() {
            blocks.push(Block::Remark(self.lead.into()));
        }
        if !self.cautions.is_empty() {
            blocks.push(Block::Caution(Words::default().strong("Caution.").plain(format!(" {}", self.cautions))));
        }
        // Contents come before the first heading; what stands before it, the result, stays at the top.
        let mut contents = Some(Block::Contents);
        let titles: Vec<String> = self.sections.iter().map(|section| section.title.clone()).collect();
        for Section { title, part, .. } in self.sections {
            if !title.is_empty() {
                blocks.extend(contents.take());
                // A title that comes several times is that of a part of the section before it.
                let several = titles.iter().filter(|one| **one == title).count() > 1;
                blocks.push(Block::Heading(if several { Level::Part } else { Level::Section }, title.into()));
            }
            blocks.push(block(self.shell, part));
        }
        blocks.extend(mark);
        blocks.push(Block::Remark(self.help.standard.into()));
        let title = format!("{}: {}", self.kind, self.title);
        Document { title, head: [named, self.state], foot, identity, made, blocks }
    }
}

fn file_name(title: &str) -> String {
    title.chars().map(|c| if c.is_ascii_alphanumeric() || "._-".contains(c) { c } else { '_' }).collect()
}

fn block(shell: &Shell, part: Part) -> Block {
    match part {
        Part::Words(words) => Block::Paragraph(words.into()),
        Part::Alert(lines) => Block::Alert(lines.into_iter().map(Words::from).collect()),
        Part::Result { figure, unit, words } => Block::Outcome { figure, unit, remark: words },
        Part::Facts(facts) => Block::Facts(facts.iter().map(fact).collect()),
        Part::Table(table) => listed(table),
        Part::Picture { drawing, caption } => {
            Block::Picture(Picture { svg: styled(drawing), caption, width: Width::Millimetres(130.0) })
        }
        Part::Chart { drawing, caption } => Block::Picture(Picture { svg: drawing, caption, width: Width::Full }),
        Part::List(lines) | Part::Lines(lines) => Block::Lines(lines.into_iter().map(Words::from).collect()),
        Part::Working(step) => {
            let mut steps = Vec::new();
            flatten(shell, &step, 0, &mut steps);
            Block::Steps(steps)
        }
        Part::Budget(lines) => budget(shell, &lines),
        Part::Verdicts(verdicts) => Block::Verdicts(verdicts.iter().map(|one| verdict(shell, one)).collect()),
        Part::Signatures(all) if all.is_empty() => Block::Remark("Nobody has signed yet.".into()),
        Part::Signatures(all) => Block::Statements(all.iter().map(signature).collect()),
        Part::Moves(moves, _) if moves.is_empty() => Block::Remark("No move so far.".into()),
        Part::Moves(moves, names) => Block::Lines(moves.iter().map(|one| moved(one, &names)).collect()),
    }
}

/// Small pictures of the pages are coloured by the style sheet, which paper has not.
pub fn styled(drawing: String) -> String {
    match drawing.split_once('>') {
        Some((root, rest)) if !drawing.contains("<style") => {
            let root = root.replace(" xmlns=\"http://www.w3.org/2000/svg\"", "");
            format!("{root} xmlns=\"http://www.w3.org/2000/svg\">{PRINT_STYLE}{rest}")
        }
        _ => drawing,
    }
}

fn shown(cell: &Cell) -> Words {
    if cell.state { Words::default().state(cell.text.as_str()) } else { cell.text.as_str().into() }
}

fn fact(fact: &sheet::Fact) -> Fact {
    Fact { name: fact.name.as_str().into(), value: vec![shown(&fact.cell)] }
}

fn listed(table: Table) -> Block {
    if table.rows.is_empty() {
        return Block::Remark(table.empty.into());
    }
    let columns =
        table.columns.iter().map(|title| Column { title: (*title).to_owned(), ..Column::default() }).collect();
    let printed = |cell: &Cell| ferrotitre_paper::Cell {
        words: shown(cell),
        align: cell.number.then_some(Align::Right),
        ..ferrotitre_paper::Cell::default()
    };
    let rows = table.rows.iter().map(|row| row.iter().map(printed).collect()).collect();
    Block::Table(ferrotitre_paper::Table { columns, rows })
}

/// A working, line by line: each quantity before what it was computed from.
fn flatten(shell: &Shell, step: &StepView, depth: usize, steps: &mut Vec<Step>) {
    let mut lines = Vec::new();
    if !step.formula.is_empty() {
        lines.push(format!("{} = {}", step.symbol, step.formula));
    }
    if !step.numbers.is_empty() {
        lines.push(format!("= {}", shell.n(&step.numbers)));
    }
    if let Some(fact) = &step.fact {
        // As on the page: the record is found by what it is, and by its identity in the working that the API gives.
        lines.push(format!("recorded: {} {}", fact.kind, fact.field));
    }
    if !step.source.is_empty() {
        lines.push(step.source.to_owned());
    }
    let value = step.entered.clone().unwrap_or_else(|| show::figure(step.value, 10));
    let mut words = Words::default().strong(step.symbol.as_str()).plain(format!(" = {} {}", shell.n(value), step.unit));
    if let Some(u) = step.standard_uncertainty {
        words = words.plain(format!(", u = {}", shell.n(show::figure(u, 3))));
    }
    words = words.quiet(format!("   {}", step.name));
    steps.push(Step { depth, words, lines });
    for input in &step.inputs {
        flatten(shell, input, depth + 1, steps);
    }
}

fn budget(shell: &Shell, lines: &[BudgetLine]) -> Block {
    let title = |title: &str, align| Column { title: title.to_owned(), align };
    let columns = vec![
        title("Input", Align::Left),
        title("Value", Align::Right),
        title("u", Align::Right),
        title("Contribution", Align::Right),
        title("Share of the variance", Align::Left),
    ];
    let cell = |text: String| ferrotitre_paper::Cell { words: text.into(), ..ferrotitre_paper::Cell::default() };
    let row = |line: &BudgetLine| {
        let percent = format!("{} %", shell.n(format!("{:.1}", line.share * 100.0)));
        vec![
            cell(line.label.to_string()),
            cell(format!("{} {}", shell.n(show::figure(line.value, 6)), line.unit)),
            cell(shell.n(show::figure(line.u, 2)).to_string()),
            cell(shell.n(show::figure(line.contribution.abs(), 2)).to_string()),
            ferrotitre_paper::Cell { bar: Some(line.share), ..cell(percent) },
        ]
    };
    Block::Table(ferrotitre_paper::Table { columns, rows: lines.iter().map(row).collect() })
}

fn verdict(shell: &Shell, verdict: &VerdictView) -> Fact {
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
    let mut words = Words::default().strong(verdict.rule).plain(format!(": {}.", compared.trim_end()));
    if !verdict.advice.is_empty() {
        words = words.plain(format!(" {}.", verdict.advice));
    }
    let mut value = vec![words];
    if !verdict.obtained.is_empty() {
        value.push(Words::default().quiet(verdict.obtained.as_str()));
    }
    Fact { name: Words::default().state(verdict.outcome), value }
}

fn signature(signature: &SignOff) -> Vec<Words> {
    let SignOff { printed_name, meaning, statement, content_digest, .. } = signature;
    let when = show::time_with_zone(signature.signed_at);
    let mut said = format!(", {when}: {meaning}, “{statement}”");
    if let Some(reason) = &signature.reason {
        said.push_str(&format!(". Reason: {reason}"));
    }
    let mut lines = vec![Words::default().strong(printed_name.as_str()).plain(said)];
    if !signature.still_valid {
        lines.push(Words::default().state("no longer valid: the content has changed or was amended"));
    }
    lines.push(Words::default().fine(format!("content {content_digest}")));
    lines
}

fn moved(step: &StateMove, names: &Names) -> Words {
    let mut words = show::time(step.recorded_at);
    if let Some(by) = step.recorded_by {
        words.push_str(&format!(" by {}", names.get(&by.0).map_or("somebody", String::as_str)));
    }
    for (name, text) in [("Cause", &step.cause), ("Reason", &step.reason)] {
        if let Some(text) = text {
            words.push_str(&format!(". {name}: {text}"));
        }
    }
    Words::default().strong(step.to_state.as_str()).plain(format!(" {words}"))
}
