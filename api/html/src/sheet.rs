//! Pages made of sections: a heading with state and actions, then facts, tables, pictures, working, signatures.

use std::borrow::Cow;

use actix_web::HttpResponse;
use askama::Template;
use ferrotitre_base::evaluations::{BudgetLine, StepView, VerdictView};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::problem::Problem;
use serde_json::Value;
use uuid::Uuid;

use crate::form::{Field, Kind, at};
use crate::shell::{Help, Shell};
use crate::show;

/// A way to do something with the thing on the page.
#[derive(Debug, Clone)]
pub struct Way {
    pub label: String,
    pub address: String,
    /// The step that comes next; others are quieter.
    pub main: bool,
}

/// A cell of a table.
#[derive(Debug, Clone, Default)]
pub struct Cell {
    pub text: String,
    pub address: String,
    /// A state, drawn with its shape.
    pub state: bool,
    pub number: bool,
}

impl Cell {
    pub fn text(text: impl Into<String>) -> Self {
        Self { text: text.into(), ..Self::default() }
    }

    pub fn link(text: impl Into<String>, address: impl Into<String>) -> Self {
        Self { text: text.into(), address: address.into(), ..Self::default() }
    }

    pub fn state(text: impl Into<String>) -> Self {
        Self { text: text.into(), state: true, ..Self::default() }
    }

    pub fn number(text: impl Into<String>) -> Self {
        Self { text: text.into(), number: true, ..Self::default() }
    }

    pub fn shape(&self) -> &'static str {
        show::shape(&self.text)
    }

    /// How wide it wants to be: figures and codes stay on a line, sentences get room.
    pub fn width(&self) -> &'static str {
        match self.text.chars().count() {
            _ if self.number => "figures",
            // A digest or a key: nowhere to break but within.
            24.. if !self.text.contains(char::is_whitespace) => "digest",
            ..=18 => "short",
            19..=60 => "",
            _ => "long",
        }
    }
}

/// A table.
#[derive(Debug, Clone, Default)]
pub struct Table {
    pub columns: Vec<&'static str>,
    pub rows: Vec<Vec<Cell>>,
    /// What to say when there are no rows.
    pub empty: &'static str,
    /// Address of the next page.
    pub next: Option<String>,
    /// Fields to narrow the list by.
    pub filters: Vec<Field>,
    /// For each column, where the list is in its order; none, where it cannot be.
    pub orders: Vec<Option<Order>>,
}

/// A list in the order of one of its columns.
#[derive(Debug, Clone)]
pub struct Order {
    /// Where it is.
    pub address: String,
    /// How the list stands by this column now, in the words of `aria-sort`; empty for not by it.
    pub now: &'static str,
}

impl Order {
    /// Of columns by their names, a minus before those whose largest is first at first and nothing for those without an order;
    /// as the list is now in the order of `sort`. Names are put behind an address that ends with `?` or `&`.
    pub fn of(columns: &[&str], sort: &str, address: &str) -> Vec<Option<Self>> {
        let order = |by: &&str| {
            let name = by.trim_start_matches('-');
            let now = match sort.strip_prefix('-') {
                _ if sort == name => "ascending",
                Some(sort) if sort == name => "descending",
                _ => "",
            };
            // The column that the list is in the order of turns it round.
            let next = match now {
                "ascending" => format!("-{name}"),
                "descending" => name.to_owned(),
                _ => (*by).to_owned(),
            };
            (!name.is_empty()).then(|| Self { address: format!("{address}sort={next}"), now })
        };
        columns.iter().map(order).collect()
    }
}

impl Table {
    /// Of the column at a place.
    pub fn order(&self, at: &usize) -> Option<&Order> {
        self.orders.get(*at)?.as_ref()
    }
}

/// A fact with its name.
#[derive(Debug, Clone)]
pub struct Fact {
    pub name: String,
    pub cell: Cell,
}

/// A part of a page.
pub enum Part {
    /// Words.
    Words(String),
    /// Something to look at before anything else.
    Alert(Vec<String>),
    /// A figure that stands out: the result, its uncertainty, words about it.
    Result { figure: String, unit: String, words: String },
    /// Names and values.
    Facts(Vec<Fact>),
    /// A table.
    Table(Table),
    /// A picture made by [`crate::plots`], with its caption.
    Picture { drawing: String, caption: String },
    /// A picture made by [`ferrotitre_base::pictures`], as wide as it needs, with its caption.
    Chart { drawing: String, caption: String },
    /// Sentences, a point each.
    List(Vec<String>),
    /// Lines of text in columns.
    Lines(Vec<String>),
    /// A working, step by step.
    Working(StepView),
    /// An uncertainty budget.
    Budget(Vec<BudgetLine>),
    /// What the rules say.
    Verdicts(Vec<VerdictView>),
    /// Signatures.
    Signatures(Vec<SignOff>),
    /// Moves between states, with the names of those who made them.
    Moves(Vec<StateMove>, Names),
}

/// Printed names of accounts.
pub type Names = std::collections::HashMap<Uuid, String>;

/// A section with its heading.
pub struct Section {
    pub id: Cow<'static, str>,
    pub title: String,
    pub part: Part,
    pub ways: Vec<Way>,
}

impl Section {
    /// A section.
    pub fn new(id: impl Into<Cow<'static, str>>, title: impl Into<String>, part: Part) -> Self {
        Self { id: id.into(), title: title.into(), part, ways: Vec::new() }
    }
}

/// A page made of sections.
#[derive(Template)]
#[template(path = "sheet.html")]
pub struct Sheet<'a> {
    pub shell: &'a Shell,
    /// What kind of thing it is.
    pub kind: &'static str,
    pub title: String,
    pub state: String,
    pub lead: String,
    pub ways: Vec<Way>,
    pub sections: Vec<Section>,
    pub cautions: String,
    pub help: Help,
    /// Whether its head has a list of its sections.
    pub contents: bool,
}

/// From how many sections on a list of them is worth its place.
const CONTENTS_FROM: usize = 4;

impl<'a> Sheet<'a> {
    /// An empty page.
    pub fn new(shell: &'a Shell, kind: &'static str, title: impl Into<String>) -> Self {
        Self {
            shell,
            kind,
            title: title.into(),
            state: String::new(),
            lead: String::new(),
            ways: Vec::new(),
            sections: Vec::new(),
            cautions: String::new(),
            help: Help::default(),
            contents: false,
        }
    }

    /// With a list of its sections at its head, as long reports have.
    pub fn with_contents(self) -> Self {
        Self { contents: true, ..self }
    }

    /// Sections of the list: those with a title of their own. A title that comes several times is that of a part of the section
    /// before it.
    fn listed(&self) -> Vec<&Section> {
        let named = || self.sections.iter().filter(|section| !section.title.is_empty());
        let once = |section: &&Section| named().filter(|other| other.title == section.title).count() == 1;
        let listed: Vec<&Section> = named().filter(once).collect();
        if self.contents && listed.len() >= CONTENTS_FROM { listed } else { Vec::new() }
    }

    /// In a state.
    pub fn state(self, state: impl Into<String>) -> Self {
        Self { state: state.into(), ..self }
    }

    /// With a sentence below the heading.
    pub fn lead(self, lead: impl Into<String>) -> Self {
        Self { lead: lead.into(), ..self }
    }

    /// With a way, if the condition holds; the first is the one that comes next.
    pub fn way(mut self, holds: bool, label: impl Into<String>, address: impl Into<String>) -> Self {
        if holds {
            let main = self.ways.is_empty();
            self.ways.push(Way { label: label.into(), address: address.into(), main });
        }
        self
    }

    /// With a section.
    pub fn section(mut self, id: impl Into<Cow<'static, str>>, title: impl Into<String>, part: Part) -> Self {
        self.sections.push(Section::new(id, title, part));
        self
    }

    /// With sections made elsewhere.
    pub fn with(mut self, sections: impl IntoIterator<Item = Section>) -> Self {
        self.sections.extend(sections);
        self
    }

    /// With a section, if there is something for it.
    pub fn section_of(self, id: impl Into<Cow<'static, str>>, title: impl Into<String>, part: Option<Part>) -> Self {
        match part {
            Some(part) => self.section(id, title, part),
            None => self,
        }
    }

    /// With a way beside the heading of the latest section.
    pub fn section_way(mut self, holds: bool, label: impl Into<String>, address: impl Into<String>) -> Self {
        if let (true, Some(section)) = (holds, self.sections.last_mut()) {
            section.ways.push(Way { label: label.into(), address: address.into(), main: false });
        }
        self
    }

    /// With cautions.
    pub fn cautions(self, cautions: impl Into<String>) -> Self {
        Self { cautions: cautions.into(), ..self }
    }

    /// With help.
    pub fn help(self, what: &'static str, standard: &'static str, next: &'static str) -> Self {
        Self { help: Help { what, standard, next }, ..self }
    }

    /// The page as text, for one that is sent piece by piece.
    pub fn text(&self) -> Result<String, Refusal> {
        self.render().map_err(Refusal::internal)
    }

    /// Renders it.
    pub fn show(&self) -> Result<HttpResponse, Problem> {
        self.shell.show(self)
    }

    fn shape(&self) -> &'static str {
        show::shape(&self.state)
    }

    fn drawn(&self, step: &StepView) -> String {
        drawn(self.shell, step, 0)
    }
}

/// A step of a working and, inside it, what it was computed from.
#[derive(Template)]
#[template(path = "step.html")]
struct StepTemplate<'a> {
    shell: &'a Shell,
    step: &'a StepView,
    depth: usize,
}

impl StepTemplate<'_> {
    fn value(&self) -> String {
        match &self.step.entered {
            Some(entered) => entered.clone(),
            None => show::figure(self.step.value, 10),
        }
    }

    fn u(&self) -> String {
        self.step.standard_uncertainty.map(|u| show::figure(u, 3)).unwrap_or_default()
    }

    fn inside(&self) -> String {
        self.step.inputs.iter().map(|input| drawn(self.shell, input, self.depth + 1)).collect()
    }
}

/// Sections without the page around them.
#[derive(Template)]
#[template(path = "sections.html")]
struct SectionsTemplate<'a> {
    shell: &'a Shell,
    title: String,
    sections: Vec<Section>,
}

impl SectionsTemplate<'_> {
    fn drawn(&self, step: &StepView) -> String {
        drawn(self.shell, step, 0)
    }
}

/// Sections as text, for a page that is sent piece by piece.
pub fn sections(shell: &Shell, sections: Vec<Section>) -> Result<String, Refusal> {
    let template = SectionsTemplate { shell, title: String::new(), sections };
    template.render().map_err(Refusal::internal)
}

/// A step of a working, drawn with all it was computed from.
pub fn drawn(shell: &Shell, step: &StepView, depth: usize) -> String {
    // A step that cannot be drawn is left out; the text form at its own address has it.
    StepTemplate { shell, step, depth }.render().unwrap_or_default()
}

/// Names and values of what a form describes, from the facts as the API shows them.
pub fn facts(fields: &[Field], facts: &Value, shell: &Shell) -> Vec<Fact> {
    fields
        .iter()
        .filter_map(|field| {
            let value = at(facts, &field.name).filter(|value| !value.is_null())?;
            let text = match value {
                Value::String(text) => text.clone(),
                Value::Bool(true) => "yes".to_owned(),
                Value::Bool(false) => "no".to_owned(),
                Value::Array(items) => items.iter().filter_map(Value::as_str).collect::<Vec<_>>().join(", "),
                other => other.to_string(),
            };
            let shown = match &field.kind {
                Kind::Time { .. } => text.parse().map_or(text, show::time),
                Kind::Day => text.parse().map_or(text, show::day),
                Kind::Decimal => shell.n(text),
                Kind::Thing(choices) => {
                    choices.iter().find(|choice| choice.value == text).map_or(text, |choice| choice.code.clone())
                }
                _ => text,
            };
            Some(Fact { name: field.label.clone(), cell: Cell::text(shown) })
        })
        .collect()
}

/// A fact.
pub fn fact(name: &str, cell: Cell) -> Fact {
    Fact { name: name.to_owned(), cell }
}
