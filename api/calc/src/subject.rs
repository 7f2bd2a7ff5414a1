//! What a calculation subject is: a typed input, a typed result, one function between them.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;

use crate::csv::Table;
use crate::wire::Statement;

/// Input of a subject, with everything that belongs to it.
pub trait Calculation: DeserializeOwned + ToSchema + 'static {
    /// Name of the subject.
    const NAME: &'static str;
    /// What it is for, in one line.
    const SUMMARY: &'static str;
    /// How it is calculated.
    const METHOD: &'static str;
    /// Where the formulae come from.
    const SOURCE: &'static str;
    /// An input that runs, as JSON.
    const EXAMPLE: &'static str;
    /// How columns of a CSV file become fields.
    const TABLE: Table = Table::None;
    /// What comes out.
    type Result: Serialize + ToSchema;

    /// Sizes that decide how long it takes, with the most that the service takes on: field, size, most.
    fn sizes(&self) -> Vec<(&'static str, usize, usize)> {
        Vec::new()
    }

    /// Calculates.
    ///
    /// # Errors
    /// An input that breaks a rule; the field is named.
    fn calculate(self, place: Place) -> Result<Outcome<Self::Result>, Refusal>;
}

/// Where a calculation runs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// At the command line: takes what it needs.
    CommandLine,
    /// In the service, beside other requests: sizes are limited, one thread.
    Service,
}

impl Place {
    /// Threads a calculation may use.
    #[must_use]
    pub fn threads(self) -> usize {
        match self {
            Self::CommandLine => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
            Self::Service => 1,
        }
    }
}

/// A result with what is said about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome<T> {
    result: T,
    method: Option<String>,
    verdicts: Vec<Statement>,
    working: Vec<String>,
}

impl<T> Outcome<T> {
    /// The result alone.
    pub fn of(result: T) -> Self {
        Self { result, method: None, verdicts: Vec::new(), working: Vec::new() }
    }

    /// Names the method where the input decides between several.
    #[must_use]
    pub fn by(mut self, method: impl Into<String>) -> Self {
        self.method = Some(method.into());
        self
    }

    /// Adds a verdict: met or not met.
    #[must_use]
    pub fn judged(self, rule: impl Into<String>, met: bool, detail: impl Into<String>) -> Self {
        self.says(rule, if met { "met" } else { "not met" }, detail)
    }

    /// Adds a statement.
    #[must_use]
    pub fn says(mut self, rule: impl Into<String>, outcome: &'static str, detail: impl Into<String>) -> Self {
        self.verdicts.push(Statement { rule: rule.into(), outcome, detail: detail.into() });
        self
    }

    /// Adds the working, a page of lines.
    #[must_use]
    pub fn worked(mut self, page: &str) -> Self {
        self.working.extend(page.lines().map(str::to_owned));
        self
    }
}

/// Answer to a calculation. Numbers have full precision; nothing is rounded.
#[derive(Debug, Clone, PartialEq, Serialize, ToSchema)]
pub struct Calculated<T> {
    /// Subject.
    #[schema(example = "dixon")]
    pub subject: &'static str,
    /// How it was calculated.
    pub method: String,
    /// Where the formulae come from.
    pub source: &'static str,
    /// Figures; their schema is part of the subject's description.
    #[schema(value_type = Object)]
    pub result: T,
    /// Findings in words; empty where there is nothing to judge.
    pub verdicts: Vec<Statement>,
    /// The way from the input to the result, line by line; empty where the figures say it.
    pub working: Vec<String>,
}

/// A subject of the table.
#[derive(Debug, Clone, Copy)]
pub struct Subject {
    /// Name.
    pub name: &'static str,
    /// What it is for, in one line.
    pub summary: &'static str,
    /// How it is calculated.
    pub method: &'static str,
    /// Where the formulae come from.
    pub source: &'static str,
    /// An input that runs, as JSON.
    pub example: &'static str,
    /// How columns of a CSV file become fields.
    pub table: Table,
    input: fn() -> Value,
    result: fn() -> Value,
    run: fn(&[u8], Place) -> Result<String, Refusal>,
}

impl Subject {
    /// The subject with this input.
    #[must_use]
    pub const fn of<T: Calculation>() -> Self {
        Self {
            name: T::NAME,
            summary: T::SUMMARY,
            method: T::METHOD,
            source: T::SOURCE,
            example: T::EXAMPLE,
            table: T::TABLE,
            input: schema::<T>,
            result: schema::<T::Result>,
            run: run::<T>,
        }
    }

    /// JSON Schema of the input, with the example.
    #[must_use]
    pub fn input_schema(&self) -> Value {
        let mut schema = (self.input)();
        if let Some(object) = schema.as_object_mut() {
            object.insert("title".to_owned(), self.name.into());
            object.insert("examples".to_owned(), json!([self.example_value()]));
        }
        schema
    }

    /// JSON Schema of the result.
    #[must_use]
    pub fn result_schema(&self) -> Value {
        (self.result)()
    }

    /// The example as a value.
    #[must_use]
    pub fn example_value(&self) -> Value {
        serde_json::from_str(self.example).unwrap_or_default()
    }

    /// Calculates from JSON to JSON.
    ///
    /// # Errors
    /// An input that cannot be read or breaks a rule; the field is named.
    pub fn calculate(&self, input: &[u8], place: Place) -> Result<String, Refusal> {
        (self.run)(input, place)
    }
}

fn run<T: Calculation>(input: &[u8], place: Place) -> Result<String, Refusal> {
    let input: T = body::parse(input)?;
    if place == Place::Service {
        for (field, size, most) in input.sizes() {
            if size > most {
                let message =
                    format!("the service takes at most {most} here; ferrotitre calc {} has no limit", T::NAME);
                return Err(Refusal::invalid(field, "size", message, size));
            }
        }
    }
    let outcome = input.calculate(place)?;
    let answer = Calculated {
        subject: T::NAME,
        method: outcome.method.unwrap_or_else(|| T::METHOD.to_owned()),
        source: T::SOURCE,
        result: outcome.result,
        verdicts: outcome.verdicts,
        working: outcome.working,
    };
    serde_json::to_string(&answer).map_err(Refusal::internal)
}

fn schema<T: ToSchema>() -> Value {
    let mut parts = Vec::new();
    T::schemas(&mut parts);
    let mut schema = serde_json::to_value(T::schema()).unwrap_or_default();
    if let Some(object) = schema.as_object_mut() {
        object.insert("$schema".to_owned(), "https://json-schema.org/draft/2020-12/schema".into());
        if !parts.is_empty() {
            let parts = parts.into_iter().map(|(name, part)| (name, serde_json::to_value(part).unwrap_or_default()));
            object.insert("$defs".to_owned(), Value::Object(parts.collect()));
        }
    }
    refer_to_own_parts(&mut schema);
    schema
}

/// In a schema that stands alone, parts are its own definitions and not those of the OpenAPI document.
fn refer_to_own_parts(schema: &mut Value) {
    match schema {
        Value::String(text) => {
            if let Some(name) = text.strip_prefix("#/components/schemas/") {
                *text = format!("#/$defs/{name}");
            }
        }
        Value::Array(items) => items.iter_mut().for_each(refer_to_own_parts),
        Value::Object(fields) => fields.values_mut().for_each(refer_to_own_parts),
        _ => {}
    }
}

/// JSON as a tree that keeps the order of fields, for pages.
#[derive(Debug, Clone, PartialEq)]
pub enum Tree {
    /// A number, a text, true, false or nothing.
    Leaf(String),
    /// A list.
    List(Vec<Tree>),
    /// Fields in their order.
    Fields(Vec<(String, Tree)>),
}

struct TreeVisitor;

impl<'de> serde::de::Visitor<'de> for TreeVisitor {
    type Value = Tree;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("JSON")
    }

    fn visit_bool<E>(self, value: bool) -> Result<Tree, E> {
        Ok(Tree::Leaf(if value { "yes" } else { "no" }.to_owned()))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Tree, E> {
        Ok(Tree::Leaf(value.to_string()))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Tree, E> {
        Ok(Tree::Leaf(value.to_string()))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Tree, E> {
        let size = value.abs();
        let plain = value == 0.0 || (1e-4..1e15).contains(&size);
        Ok(Tree::Leaf(if plain { value.to_string() } else { format!("{value:e}") }))
    }

    fn visit_str<E>(self, value: &str) -> Result<Tree, E> {
        Ok(Tree::Leaf(value.to_owned()))
    }

    fn visit_unit<E>(self) -> Result<Tree, E> {
        Ok(Tree::Leaf("-".to_owned()))
    }

    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut items: A) -> Result<Tree, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element()? {
            list.push(item);
        }
        Ok(Tree::List(list))
    }

    fn visit_map<A: serde::de::MapAccess<'de>>(self, mut fields: A) -> Result<Tree, A::Error> {
        let mut list = Vec::new();
        while let Some(field) = fields.next_entry()? {
            list.push(field);
        }
        Ok(Tree::Fields(list))
    }
}

impl<'de> Deserialize<'de> for Tree {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(TreeVisitor)
    }
}

impl Tree {
    /// The tree as indented lines.
    #[must_use]
    pub fn page(&self) -> String {
        let mut page = String::new();
        self.write(&mut page, 0);
        page
    }

    fn write(&self, page: &mut String, depth: usize) {
        let indent = "  ".repeat(depth);
        match self {
            Self::Leaf(text) => page.push_str(&format!("{indent}{text}\n")),
            Self::List(items) => {
                for (index, item) in items.iter().enumerate() {
                    item.write_named(page, depth, &format!("{}.", index + 1));
                }
            }
            Self::Fields(fields) => {
                let width = fields.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0).min(30);
                for (name, value) in fields {
                    let name = format!("{:<width$}", name.replace('_', " "));
                    value.write_named(page, depth, &name);
                }
            }
        }
    }

    fn write_named(&self, page: &mut String, depth: usize, name: &str) {
        let indent = "  ".repeat(depth);
        match self {
            Self::Leaf(text) => page.push_str(&format!("{indent}{name}  {text}\n")),
            Self::List(items) if items.iter().all(|item| matches!(item, Self::Leaf(_))) => {
                let texts: Vec<&str> =
                    items.iter().map(|item| if let Self::Leaf(text) = item { text } else { "" }).collect();
                // Sentences need more between them than numbers do.
                let between = if texts.iter().any(|text| text.contains(' ')) { "; " } else { " " };
                page.push_str(&format!("{indent}{name}  {}\n", texts.join(between)));
            }
            other => {
                page.push_str(&format!("{indent}{}\n", name.trim_end()));
                other.write(page, depth + 1);
            }
        }
    }
}

/// An answer as a page to read.
///
/// # Errors
/// Text that is not an answer.
pub fn page(answer: &str) -> Result<String, Refusal> {
    let Tree::Fields(fields) = serde_json::from_str(answer).map_err(Refusal::internal)? else {
        return Ok(answer.to_owned());
    };
    let mut page = String::new();
    for (name, value) in &fields {
        match (name.as_str(), value) {
            ("verdicts" | "working", Tree::List(items)) if items.is_empty() => {}
            ("verdicts", Tree::List(items)) => {
                page.push('\n');
                for item in items {
                    if let Tree::Fields(parts) = item {
                        let texts: Vec<String> =
                            parts.iter().map(|(_, part)| part.page().trim_end().to_owned()).collect();
                        page.push_str(&format!("{}\n", texts.join(": ")));
                    }
                }
            }
            ("working", Tree::List(items)) => {
                page.push('\n');
                items.iter().for_each(|item| item.write(&mut page, 0));
            }
            ("result", value) => {
                page.push('\n');
                value.write(&mut page, 0);
            }
            (_, value) => value.write_named(&mut page, 0, &format!("{name:<7}")),
        }
    }
    Ok(page)
}
