//! What a bundle holds: events with their rows, and figures.

use std::collections::{HashMap, HashSet};

use ferrotitre_core::merkle::{Hash, leaf_hash};
use serde_json::Value;

use super::{Refused, certificate, chart, figures, list, only, row_of, study, text};
use crate::json::Row;
use crate::sentences::{Found, counted};

const HEADER: &str = "ferrotitre audit event 1\n";
/// What a bundle may be about; but for a period the plural is the table of its subject.
const KINDS: [&str; 7] =
    ["determination", "iron_result", "titrant", "certificate", "control_chart", "validation_study", "period"];

/// An event as it was hashed.
#[derive(Debug)]
pub struct Event {
    /// Identity.
    pub id: String,
    /// Server time as written.
    pub at: String,
    /// Account that acted.
    pub actor: Option<String>,
    /// Table of its row.
    pub kind: String,
    /// Its row.
    pub entity: Option<String>,
    /// Request that made it.
    pub request: Option<String>,
    /// The row's text, read.
    pub row: Option<Row>,
    /// Hash of the leaf.
    pub leaf: Hash,
}

impl Event {
    /// Reads the canonical bytes of an event.
    ///
    /// # Errors
    /// Another form.
    pub fn read(canonical: &str) -> Result<Self, String> {
        let body = canonical.strip_prefix(HEADER).ok_or("an event does not begin as one")?;
        let value: Value = serde_json::from_str(body).map_err(|error| format!("an event is no JSON: {error}"))?;
        let words = |field: &str| value[field].as_str().map(str::to_owned);
        Ok(Self {
            id: text(&value, "id")?.to_owned(),
            at: text(&value, "at")?.to_owned(),
            actor: words("actor"),
            kind: text(&value, "entity_kind")?.to_owned(),
            entity: words("entity_id"),
            request: words("request_id"),
            row: row_of(value["after_row"].as_str()),
            leaf: leaf_hash(canonical.as_bytes()),
        })
    }

    /// Table and row.
    fn of(&self) -> (&str, Option<&str>) {
        (&self.kind, self.entity.as_deref())
    }
}

/// What a bundle is about.
#[derive(Debug)]
pub struct Content {
    /// Kind of the subject, such as `determination`, or `period`.
    pub kind: String,
    /// Code of the subject.
    pub code: String,
    /// Identity of the subject; empty for a period.
    pub subject: String,
    /// Events in the order of their leaves.
    pub events: Vec<Event>,
    figures: Vec<Value>,
}

/// Events of a bundle by their rows.
pub(super) type Rows<'a> = HashMap<(&'a str, &'a str), &'a Event>;

impl Content {
    pub(super) fn read(value: &Value) -> Result<Self, Refused> {
        only(value, &["code", "events", "figures", "kind", "service", "subject"], "content")?;
        let events = list(value, "events")?.iter();
        let events: Vec<Event> =
            events.map(|event| Event::read(event.as_str().unwrap_or_default())).collect::<Result<_, _>>()?;
        let mut seen = HashSet::new();
        if let Some(twice) = events.iter().find(|event| !seen.insert(event.of()) && event.entity.is_some()) {
            let row = twice.entity.as_deref().unwrap_or_default();
            return Err(format!("two events say what {} {row} is: a row is recorded once", twice.kind));
        }
        let content = Self {
            kind: text(value, "kind")?.to_owned(),
            code: text(value, "code")?.to_owned(),
            subject: text(value, "subject")?.to_owned(),
            events,
            figures: list(value, "figures")?.clone(),
        };
        if !KINDS.contains(&content.kind.as_str()) {
            return Err(format!("a bundle of a {:?} is not known", content.kind));
        }
        if content.is_period() && !(content.figures.is_empty() && content.subject.is_empty()) {
            return Err("the bundle of a period has neither a subject nor figures".to_owned());
        }
        Ok(content)
    }

    /// Whether it holds the events of a time, whatever they are about.
    #[must_use]
    pub fn is_period(&self) -> bool {
        self.kind == "period"
    }

    /// Whether there is a figure to compute again.
    #[must_use]
    pub fn has_figures(&self) -> bool {
        !self.figures.is_empty()
    }

    /// Events with their rows of a table, in the order of their leaves.
    pub(super) fn of<'a>(&'a self, table: &str) -> impl Iterator<Item = (&'a Event, &'a Row)> {
        let events = self.events.iter().filter(move |event| event.kind == table);
        events.filter_map(|event| Some((event, event.row.as_ref()?)))
    }

    /// Events by the table and identity of their row.
    pub(super) fn rows(&self) -> Rows<'_> {
        self.events.iter().filter_map(|event| Some(((event.kind.as_str(), event.entity.as_deref()?), event))).collect()
    }

    pub(super) fn check(&self, found: &mut Found) -> Result<(), Refused> {
        let rows = self.rows();
        if !self.is_period() {
            let table = match self.kind.strip_suffix('y') {
                Some(stem) => format!("{stem}ies"),
                None => format!("{}s", self.kind),
            };
            let event = rows
                .get(&(table.as_str(), self.subject.as_str()))
                .ok_or("the subject of the bundle is none of its events")?;
            // A certificate has a number.
            let code = event.row.as_ref().and_then(|row| row.words("code").or_else(|| row.words("number")));
            if code.as_ref().is_some_and(|code| *code != self.code) {
                return Err(format!(
                    "the subject is called {}, the bundle calls it {}",
                    code.unwrap_or_default(),
                    self.code
                ));
            }
        }
        match self.kind.as_str() {
            "certificate" => certificate::check(self, &rows, found)?,
            "control_chart" => chart::check(self, &self.figures, found)?,
            "validation_study" => {
                figures::gone((&self.code, &self.subject), self, found);
                study::check(self, &self.figures, &rows, found)?;
            }
            _ => figures::gone((&self.code, &self.subject), self, found),
        }
        for figure in &self.figures {
            figures::check(figure, self, &rows, found)?;
        }
        if self.figures.is_empty() {
            found.noted.push(format!(
                "{} holds no figure to compute again: it proves {} and what they say",
                self.code,
                counted(self.events.len(), "event")
            ));
        }
        Ok(())
    }
}
