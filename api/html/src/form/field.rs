//! A field of a form: what it holds, how it is shown, how it is read.

use chrono::{SecondsFormat, Utc};
use ferrotitre_base::refusal::FieldErrors;
use ferrotitre_base::zone;
use serde_json::Value;

use super::number;
use crate::label_text::{self, Read};
use crate::shell::Shell;
use crate::show;

/// One of several values.
#[derive(Debug, Clone)]
pub struct Choice {
    /// What is sent to the service.
    pub value: String,
    /// What a scanner reads from the label, or the value itself.
    pub code: String,
    /// More words.
    pub label: String,
    /// What else it may be called, by code or identity; only as long as one choice alone is called so.
    pub also: Vec<String>,
}

impl Choice {
    /// A word that stands for itself.
    pub fn word(word: &str) -> Self {
        Self { value: word.to_owned(), code: word.to_owned(), label: String::new(), also: Vec::new() }
    }

    /// A thing with an identity and the code on its label.
    pub fn thing(id: impl std::fmt::Display, code: &str, label: impl Into<String>) -> Self {
        Self { value: id.to_string(), code: code.to_owned(), label: label.into(), also: Vec::new() }
    }

    /// That may be called something else, too.
    pub fn or_called(mut self, also: impl IntoIterator<Item = String>) -> Self {
        self.also.extend(also);
        self
    }

    /// Whether it is called so beside its own code.
    fn called(&self, given: &str) -> bool {
        self.also.iter().any(|also| also.eq_ignore_ascii_case(given))
    }
}

/// What a field holds.
#[derive(Debug, Clone)]
pub enum Kind {
    /// A line of text.
    Text,
    /// Several lines.
    Long,
    /// A list, an entry a line.
    Lines,
    /// A decimal, sent as text so that trailing zeros are kept.
    Decimal,
    /// A whole number.
    Whole,
    /// A day.
    Day,
    /// A time; empty means now where the flag says so.
    Time { now: bool },
    /// A password.
    Password,
    /// A one-time code; never shown again.
    Code,
    /// One of several.
    Choice(Vec<Choice>),
    /// One of several, each with words that are read before choosing: one below the other.
    Described(Vec<Choice>),
    /// One of several, always as a list to choose from.
    List(Vec<Choice>),
    /// One of several things by the code on its label; a scanner can type it.
    Thing(Vec<Choice>),
    /// yes or no, sent as a boolean; absent if left open.
    YesNo,
    /// Several of several, sent as a list.
    Several(Vec<Choice>),
    /// A box that, ticked, sends this value; what else stands in its row is read only then.
    Tick(String),
    /// A file, whose text takes the place of the field `text`.
    File,
    /// A button that changes what the form has room for, and records nothing.
    Reshape(String),
}

/// A field of a form.
#[derive(Debug, Clone)]
pub struct Field {
    pub name: String,
    pub label: String,
    pub kind: Kind,
    pub value: String,
    pub help: String,
    pub required: bool,
    pub error: String,
    /// Heading that begins here.
    pub part: String,
    /// Words of a fold that begins here, closed at first; it ends where the next fold or heading begins.
    pub fold: Option<&'static str>,
}

impl Field {
    /// A field.
    pub fn new(name: &str, label: &str, kind: Kind) -> Self {
        Self {
            name: name.to_owned(),
            label: label.to_owned(),
            kind,
            value: String::new(),
            help: String::new(),
            required: true,
            error: String::new(),
            part: String::new(),
            fold: None,
        }
    }

    /// Why something is recorded long after it was observed.
    pub fn late_reason() -> Self {
        Self::new("late_reason", "Why it is recorded late", Kind::Text)
            .optional()
            .help("Only if it was observed long ago; a day, unless the laboratory settled otherwise.")
    }

    /// May stay empty.
    pub fn optional(self) -> Self {
        Self { required: false, ..self }
    }

    /// With words of help.
    pub fn help(self, help: impl Into<String>) -> Self {
        Self { help: help.into(), ..self }
    }

    /// With a value to begin with.
    pub fn value(self, value: impl std::fmt::Display) -> Self {
        Self { value: value.to_string(), ..self }
    }

    /// Whether a value can be chosen in it; anything where nothing is chosen.
    pub(super) fn offers(&self, value: &str) -> bool {
        let choices = self.choices();
        choices.is_empty() && !matches!(self.kind, Kind::Thing(_)) || choices.iter().any(|choice| choice.value == value)
    }

    /// Says that what stands in it is a proposal, and of what origin.
    pub(super) fn propose(&mut self, from: &str) {
        let before = if self.help.is_empty() { String::new() } else { format!("{} ", self.help) };
        self.help = format!("{before}Proposed: {from}.");
    }

    /// Begins a part of the form with a heading.
    pub fn part(self, part: impl Into<String>) -> Self {
        Self { part: part.into(), ..self }
    }

    /// Begins a fold: what is rarely needed, behind a word.
    pub fn fold(self, words: &'static str) -> Self {
        Self { fold: Some(words), ..self }
    }

    /// Id of the input, for its label.
    pub fn id(&self) -> String {
        let letters = self.name.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' });
        format!("f-{}", letters.collect::<String>())
    }

    /// Which template part draws it.
    pub fn widget(&self) -> &'static str {
        match &self.kind {
            Kind::Text => "text",
            Kind::Long | Kind::Lines => "long",
            Kind::Decimal => "decimal",
            Kind::Whole => "whole",
            Kind::Day => "day",
            Kind::Time { .. } => "time",
            Kind::Password => "password",
            Kind::Code => "code",
            Kind::Choice(_) | Kind::YesNo => "choice",
            Kind::Described(_) => "described",
            Kind::List(_) => "list",
            Kind::Thing(_) => "thing",
            Kind::Several(_) => "several",
            Kind::Tick(_) => "tick",
            Kind::File => "file",
            Kind::Reshape(_) => "reshape",
        }
    }

    /// Its choices, to draw.
    pub fn choices(&self) -> Vec<Choice> {
        match &self.kind {
            Kind::Choice(choices)
            | Kind::Described(choices)
            | Kind::List(choices)
            | Kind::Thing(choices)
            | Kind::Several(choices) => choices.clone(),
            Kind::YesNo => vec![Choice::thing("true", "yes", ""), Choice::thing("false", "no", "")],
            Kind::Tick(value) | Kind::Reshape(value) => vec![Choice::thing(value, &self.label, "")],
            _ => Vec::new(),
        }
    }

    /// Whether a choice is the present one.
    pub fn has(&self, choice: &Choice) -> bool {
        match self.kind {
            Kind::Several(_) => self.value.split('\n').any(|value| value == choice.value),
            _ => self.value == choice.value,
        }
    }

    /// What stands in the input: of a thing its code, of a decimal the person's mark.
    pub fn shown(&self, shell: &Shell) -> String {
        match &self.kind {
            Kind::Thing(choices) => {
                let found = choices.iter().find(|choice| choice.value == self.value);
                found.map_or_else(|| self.value.clone(), |choice| choice.code.clone())
            }
            Kind::Decimal => shell.n(&self.value),
            Kind::Password | Kind::Code => String::new(),
            _ => self.value.clone(),
        }
    }

    pub(super) fn json(&self, comma: bool, errors: &mut FieldErrors) -> Option<Value> {
        let given = self.value.trim();
        if given.is_empty() && !matches!(self.kind, Kind::Time { now: true } | Kind::Several(_)) {
            if self.required {
                errors.add(&self.name, "required", "must not be empty", "");
            }
            return None;
        }
        match &self.kind {
            Kind::Text | Kind::Code | Kind::Long | Kind::Choice(_) | Kind::Described(_) | Kind::List(_) => {
                Some(given.into())
            }
            Kind::Day => Some(given.into()),
            Kind::Password => Some(self.value.clone().into()),
            Kind::Decimal => match number::read(given, comma, &self.label) {
                Ok(number) => Some(number.into()),
                Err(message) => {
                    errors.add(&self.name, "decimal", message, given);
                    None
                }
            },
            Kind::Whole => match given.parse::<i64>() {
                Ok(number) => Some(number.into()),
                Err(_not_whole) => {
                    errors.add(&self.name, "type", "must be a whole number", given);
                    None
                }
            },
            Kind::Time { now } => match instant(given, *now) {
                Some(time) => Some(time.into()),
                None => {
                    errors.add(&self.name, "type", "must be a day and a time, such as 2026-11-25T09:30", given);
                    None
                }
            },
            Kind::Thing(choices) => match chosen(choices, given) {
                Ok(choice) => Some(choice.value.clone().into()),
                Err((rule, message)) => {
                    errors.add(&self.name, rule, message, given);
                    None
                }
            },
            Kind::YesNo => Some((given == "true").into()),
            // What was ticked, not what would stand there now.
            Kind::Tick(_) => Some(given.into()),
            Kind::Lines => Some(given.lines().map(str::trim).filter(|line| !line.is_empty()).collect()),
            Kind::File | Kind::Reshape(_) => None,
            Kind::Several(_) => Some(self.value.split('\n').filter(|value| !value.is_empty()).collect()),
        }
    }
}

/// The one that was typed or scanned; the rule that was broken and what to do, where there is none.
fn chosen<'a>(choices: &'a [Choice], given: &str) -> Result<&'a Choice, (&'static str, String)> {
    let scanned = label_text::read(given);
    let id = if let Read::Id(id) = scanned { id.to_string() } else { given.to_owned() };
    let same = |choice: &&Choice| choice.code.eq_ignore_ascii_case(given) || choice.value == id;
    if let Some(found) = choices.iter().find(same) {
        return Ok(found);
    }
    let called: Vec<&Choice> = choices.iter().filter(|choice| choice.called(given) || choice.called(&id)).collect();
    match called[..] {
        [only] => Ok(only),
        [] if scanned == Read::Damaged => {
            let message = "was not read correctly from the label: its check character does not fit; scan it again";
            Err(("check_character", message.to_owned()))
        }
        [] => {
            let message = "is not among what can be chosen here; scan the label or choose from the list";
            Err(("exists", format!("'{given}' {message}")))
        }
        _ => {
            let codes: Vec<&str> = called.iter().map(|choice| choice.code.as_str()).collect();
            Err(("ambiguous", format!("'{given}' may be {}; say which", codes.join(" or "))))
        }
    }
}

/// A time as entered, by the laboratory's clock.
fn instant(given: &str, now: bool) -> Option<String> {
    if given.is_empty() {
        return now.then(|| Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true));
    }
    show::moment(given).map(|time| zone::local(time).to_rfc3339())
}
