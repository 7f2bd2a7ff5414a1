//! Forms: described once, rendered, read back, and turned into the same JSON the API takes.
//!
//! The names of fields are paths in that JSON, so that what the API says about a field stands beside it on the page, with
//! the entry kept. A form carries its session's code and an idempotency key, which is stored in the transaction of what it
//! records: sent twice, it records once.

mod field;
mod number;
mod path;
mod sent;
mod upload;

use ferrotitre_base::auth::allowed::CODE_HEADER;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::body::parse;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_core::lifecycle::EntityKind;
use serde::de::DeserializeOwned;
use serde_json::Value;
use uuid::Uuid;

use crate::shell::Help;
use crate::show;
pub use field::{Choice, Field, Kind};
pub use path::{at, put};
use path::{with_gaps, without_gaps};
pub use sent::{Sent, field_of, onward, see};
pub use upload::decoded;

/// Field with the session's code.
pub const CODE: &str = "_code";
/// Field with the idempotency key.
pub const KEY: &str = "_key";
/// Field with what a form has room for, where that can grow.
pub const SHAPE: &str = "_shape";
/// Button that changes it.
pub const RESHAPE: &str = "_reshape";
/// Field with a file.
pub const FILE: &str = "_file";
/// Field with a file of any kind, whose bytes become `content`.
pub const TABLE: &str = "_table";
/// The file of a certificate.
pub const CERTIFICATE: &str = "_certificate";
/// Field with the one-time code of a signature.
pub const ONE_TIME: &str = "_one_time_code";
/// Field with the version a correction corrects.
pub const VERSION: &str = "_version";

/// A reading of an instrument that can be accepted for a field.
#[derive(Debug, Clone)]
pub struct Offer {
    pub instrument: String,
    /// Value and unit.
    pub reading: String,
    /// How long ago it came, and who sent it.
    pub when: String,
    /// Words of each button, and what it sends.
    pub ways: Vec<(String, String)>,
}

/// What instruments offer a form.
#[derive(Debug, Clone, Default)]
pub struct Offers {
    pub waiting: Vec<Offer>,
    /// What is accepted so far, in words.
    pub accepted: Vec<String>,
}

/// A form.
#[derive(Debug, Clone)]
pub struct Form {
    pub title: String,
    pub lead: String,
    pub submit: &'static str,
    pub back: String,
    /// Label and address of the opposite decision.
    pub other: Option<(&'static str, String)>,
    pub fields: Vec<Field>,
    pub hidden: Vec<(&'static str, String)>,
    /// What the page itself says, by path.
    fixed: Vec<(String, String)>,
    pub key: String,
    /// Title and detail of what is wrong.
    pub trouble: Option<(String, String)>,
    pub cautions: String,
    pub help: Help,
    /// Readings of instruments; none where no instrument sends any.
    pub offers: Option<Offers>,
    /// Whether the fields stand under `facts` in the JSON, beside a reason.
    correction: bool,
}

/// Fields of a form that stand together.
#[derive(Debug)]
pub struct Group<'a> {
    /// Words of the fold they are behind; empty if they are in view.
    pub fold: &'static str,
    /// Something in the fold is wrong.
    pub open: bool,
    pub fields: &'a [Field],
}

impl Form {
    /// A form with a title and what its button says.
    pub fn new(title: impl Into<String>, submit: &'static str, back: impl Into<String>) -> Self {
        Self {
            title: title.into(),
            lead: String::new(),
            submit,
            back: back.into(),
            other: None,
            fields: Vec::new(),
            hidden: Vec::new(),
            fixed: Vec::new(),
            key: Uuid::now_v7().to_string(),
            trouble: None,
            cautions: String::new(),
            help: Help::default(),
            offers: None,
            correction: false,
        }
    }

    /// With words above the fields.
    pub fn lead(self, lead: impl Into<String>) -> Self {
        Self { lead: lead.into(), ..self }
    }

    /// With fields.
    pub fn with(mut self, fields: impl IntoIterator<Item = Field>) -> Self {
        self.fields.extend(fields);
        self
    }

    /// With a way to the opposite decision.
    pub fn or(self, label: &'static str, address: impl Into<String>) -> Self {
        Self { other: Some((label, address.into())), ..self }
    }

    /// With a caution.
    pub fn cautions(self, cautions: impl Into<String>) -> Self {
        Self { cautions: cautions.into(), ..self }
    }

    /// With help.
    pub fn help(self, what: &'static str, standard: &'static str, next: &'static str) -> Self {
        Self { help: Help { what, standard, next }, ..self }
    }

    /// With a field nobody sees.
    pub fn hide(mut self, name: &'static str, value: impl Into<String>) -> Self {
        self.hidden.push((name, value.into()));
        self
    }

    /// With a value that follows from what else is in the form, and is neither shown nor sent.
    pub fn fixed(mut self, path: impl Into<String>, value: impl Into<String>) -> Self {
        self.fixed.push((path.into(), value.into()));
        self
    }

    /// With the room it has, so that it comes back with as much.
    pub fn shaped(self, shape: impl std::fmt::Display) -> Self {
        self.hide(SHAPE, shape.to_string())
    }

    /// Filled in from facts as the API shows them.
    pub fn filled(mut self, facts: &Value) -> Self {
        for field in &mut self.fields {
            if let Some(value) = at(facts, &field.name) {
                field.value = text_of(value, &field.kind);
            }
        }
        self
    }

    /// The form of a correction: the present facts, the version they are, and a reason.
    pub fn correcting(self, facts: &Value, version: impl std::fmt::Display) -> Self {
        let mut form = self.filled(facts).hide(VERSION, version.to_string());
        let help = "What was wrong, at least 5 characters. Both versions stay on record.";
        let reason = Field::new("reason", "Reason of the correction", Kind::Long).help(help).part("Why");
        form.fields.push(reason);
        form.correction = true;
        form.help(
            "A correction is a new version with a reason. The one before stays, and both are shown.",
            "ISO/IEC 17025:2017 7.5.2: amendments are tracked to the versions before.",
            "If somebody else corrected it meanwhile, nothing is recorded and you are told.",
        )
    }

    /// A form that signs: the password again, and what was looked at.
    pub fn signing(self, digest: &str, reason: bool) -> Self {
        let words = Field::new("reason", if reason { "Reason" } else { "Words to go with it" }, Kind::Long);
        let words = if reason { words.help("At least 5 characters.") } else { words.optional() };
        let password = Field::new("password", "Your own password, again", Kind::Password)
            .help("Every signature asks for it. Your printed name, the time and the meaning are recorded.");
        let form = self.with([words, password]).help(
            "A signature stands over what you looked at. If that has changed meanwhile, nothing is signed.",
            "ISO/IEC 17025:2017 7.5.1 and 7.8.1.2: who did, checked and authorised it.",
            "Your printed name, the time with its zone and the meaning are shown wherever the record is.",
        );
        form.hide("content_digest", digest)
    }

    /// Asks for a one-time code below the password, where it is a form that signs and does not ask already.
    pub(crate) fn with_code(&mut self) {
        let asks = self.fields.iter().any(|field| matches!(field.kind, Kind::Code));
        let password = |field: &Field| field.name == "password" && matches!(field.kind, Kind::Password);
        let Some(at) = self.fields.iter().position(password).filter(|_| !asks) else { return };
        let code = Field::new(ONE_TIME, "One-time code", Kind::Code);
        let required = self.fields[at].required;
        self.fields
            .insert(at + 1, Field { required, ..code.help("Six digits from your authenticator; each is good once.") });
    }

    /// A form that moves a thing to another of the states it can go to now.
    pub fn move_form(kind: EntityKind, state: &str, title: String, back: &str) -> Self {
        let moves: Vec<_> = kind.moves().iter().filter(|step| step.from == state).collect();
        let label = |reason: bool| if reason { "needs a reason" } else { "" };
        let to = moves.iter().map(|step| Choice::thing(step.to, step.to, label(step.reason))).collect();
        Self::new(title, "Move", back)
            .lead(format!("Its state is {state}."))
            .with([
                Field::new("to", "To", Kind::Choice(to)),
                Field::new("reason", "Reason", Kind::Long)
                    .optional()
                    .help("At least 5 characters where the move needs one."),
            ])
            .help(
                "A state says what may be done with a thing. Only the moves that are legal now are offered.",
                "ISO/IEC 17025:2017 7.5.1 and 8.4: the move is a record of its own, with who made it and when.",
                "What was recorded before stays; later use is refused or allowed by the new state.",
            )
    }

    /// Of the choices of a field only those that would be taken.
    #[must_use]
    pub fn only(mut self, name: &str, taken: impl Fn(&str) -> bool) -> Self {
        for field in self.fields.iter_mut().filter(|field| field.name == name) {
            if let Kind::Choice(choices) | Kind::List(choices) | Kind::Thing(choices) = &mut field.kind {
                choices.retain(|choice| taken(&choice.value));
            }
        }
        self
    }

    /// Proposes, of things that must be named, the only one there is; the form says that it does.
    pub(crate) fn propose_single(&mut self) {
        for field in self.fields.iter_mut().filter(|field| field.required && field.value.is_empty()) {
            let Kind::Thing(choices) = &field.kind else { continue };
            if let [only] = choices.as_slice() {
                field.value.clone_from(&only.value);
                field.propose("the only one there is");
            }
        }
    }

    /// Proposes values by their names, with where each comes from; fields that hold something keep it, and what can no longer be
    /// chosen, such as a lot that is used up, is not proposed.
    pub fn propose(&mut self, from: &str, values: &[(&str, Option<String>)]) {
        for (name, value) in values {
            let field = self.fields.iter_mut().find(|field| field.name == *name && field.value.is_empty());
            if let (Some(field), Some(value)) = (field, value.as_ref().filter(|value| !value.is_empty()))
                && field.offers(value)
            {
                field.value.clone_from(value);
                field.propose(from);
            }
        }
    }

    /// Takes over what was sent, so that nothing entered is lost.
    pub fn take_over(&mut self, sent: &Sent) {
        for field in &mut self.fields {
            field.value = match field.kind {
                Kind::Several(_) => sent.all(&field.name),
                // Room that was only just asked for begins as a new form does.
                _ if sent.reshapes() && !sent.has(&field.name) => continue,
                _ => sent.get(&field.name).to_owned(),
            };
            if let Kind::Thing(choices) = &field.kind {
                let given = field.value.trim();
                if let Some(choice) = choices.iter().find(|choice| choice.code.eq_ignore_ascii_case(given)) {
                    field.value.clone_from(&choice.value);
                }
            }
        }
        for (name, value) in self.hidden.iter_mut().filter(|(name, _)| ![SHAPE, RESHAPE].contains(name)) {
            *value = sent.get(name).to_owned();
        }
        if !sent.get(KEY).is_empty() {
            sent.get(KEY).clone_into(&mut self.key);
        }
    }

    /// What was sent, as the API takes it.
    ///
    /// # Errors
    /// Every field that is empty or cannot be read.
    pub fn read<T: DeserializeOwned>(&self, comma: bool) -> Result<T, Refusal> {
        let mut errors = FieldErrors::default();
        let mut whole = self.whole(comma, &mut errors);
        errors.check()?;
        without_gaps(&mut whole);
        parse(whole.to_string().as_bytes()).map_err(|refusal| self.named(refusal))
    }

    /// A refusal of the service with the form's own names: the service counts rows without those left empty.
    pub fn named(&self, mut refusal: Refusal) -> Refusal {
        let whole = self.whole(false, &mut FieldErrors::default());
        for wrong in &mut refusal.fields {
            wrong.field = with_gaps(&whole, &wrong.field);
        }
        refusal
    }

    /// What was sent by its paths; rows of a list that were left empty are null.
    fn whole(&self, comma: bool, errors: &mut FieldErrors) -> Value {
        let mut whole = Value::Object(serde_json::Map::new());
        let off = |field: &&Field| matches!(field.kind, Kind::Tick(_)) && field.value.is_empty();
        let row = |field: &Field| field.name.rsplit_once('.').map(|(row, _)| format!("{row}."));
        let unread: Vec<String> = self.fields.iter().filter(off).filter_map(row).collect();
        // A code goes beside the JSON, and a signature that lacks it is told here.
        for field in self.fields.iter().filter(|field| field.name == ONE_TIME) {
            let _ = field.json(comma, errors);
        }
        // What begins with an underscore is for the page alone.
        let read = |field: &&Field| {
            !field.name.starts_with('_') && !unread.iter().any(|row| field.name.starts_with(row.as_str()))
        };
        for field in self.fields.iter().filter(read) {
            if let Some(value) = field.json(comma, errors) {
                let under = self.correction && field.name != "reason";
                let path = if under { format!("facts.{}", field.name) } else { field.name.clone() };
                put(&mut whole, &path, value);
            }
        }
        for (name, value) in self.hidden.iter().filter(|(name, value)| !name.starts_with('_') && !value.is_empty()) {
            put(&mut whole, name, value.clone().into());
        }
        for (path, value) in
            self.fixed.iter().filter(|(path, _)| !unread.iter().any(|row| path.starts_with(row.as_str())))
        {
            put(&mut whole, path, value.clone().into());
        }
        whole
    }

    /// Puts what a refusal says beside the fields it names.
    pub fn blame(&mut self, refusal: &Refusal) {
        let mut elsewhere = Vec::new();
        for wrong in &refusal.fields {
            let name = wrong.field.strip_prefix("facts.").unwrap_or(&wrong.field);
            // A header of the API, a field of the page.
            let name = if name == CODE_HEADER { ONE_TIME } else { name };
            match self.fields.iter_mut().find(|field| field.name == name) {
                Some(field) if field.error.is_empty() => field.error.clone_from(&wrong.message),
                Some(field) => field.error = format!("{}; {}", field.error, wrong.message),
                None => elsewhere.push(format!("{name}: {}", wrong.message)),
            }
        }
        if refusal.code == Code::KeyReused {
            // What was sent under this key is recorded; what is in the form now is another entry.
            self.key = Uuid::now_v7().to_string();
            let detail = "This form was sent before with other entries, and those are recorded. Send it again only if this is a further entry.";
            self.trouble = Some((refusal.code.title().to_owned(), detail.to_owned()));
            return;
        }
        let detail = match (refusal.fields.is_empty(), elsewhere.is_empty()) {
            (true, _) => refusal.detail.clone(),
            (false, true) => String::new(),
            (false, false) => elsewhere.join("; "),
        };
        self.trouble = Some((refusal.code.title().to_owned(), detail));
    }

    /// Whether the browser keeps what is entered until it is saved: not passwords, and not a word or two.
    pub fn keeps(&self) -> bool {
        self.fields.len() > 3
            && !self.files()
            && !self.fields.iter().any(|field| matches!(field.kind, Kind::Password | Kind::Code))
    }

    /// Whether it has a file, which goes another way than text.
    pub fn files(&self) -> bool {
        self.fields.iter().any(|field| matches!(field.kind, Kind::File))
    }

    /// The service's clock, by which the browser stamps what it keeps.
    pub fn now(&self) -> String {
        show::clock()
    }

    /// Its fields, those in view and those behind a fold.
    pub fn groups(&self) -> Vec<Group<'_>> {
        let begins = |field: &Field| field.fold.is_some() || !field.part.is_empty();
        let starts = (0..self.fields.len()).filter(|&at| at == 0 || begins(&self.fields[at]));
        let starts: Vec<usize> = starts.chain([self.fields.len()]).collect();
        let group = |pair: &[usize]| {
            let fields = &self.fields[pair[0]..pair[1]];
            let fold = fields.first().and_then(|field| field.fold).unwrap_or_default();
            Group { fold, open: fields.iter().any(|field| !field.error.is_empty()), fields }
        };
        starts.windows(2).map(group).collect()
    }

    /// Fields with something wrong.
    pub fn wrong(&self) -> Vec<&Field> {
        self.fields.iter().filter(|field| !field.error.is_empty()).collect()
    }
}

fn text_of(value: &Value, kind: &Kind) -> String {
    match (value, kind) {
        (Value::Null, _) => String::new(),
        (Value::String(text), Kind::Time { .. }) => text.parse().map_or_else(|_| text.clone(), show::time_field),
        (Value::String(text), _) => text.clone(),
        (Value::Array(items), Kind::Several(_) | Kind::Lines) => {
            items.iter().filter_map(Value::as_str).collect::<Vec<_>>().join("\n")
        }
        (other, _) => other.to_string(),
    }
}

/// A first page as long as lists allow.
pub fn first_page() -> Listing {
    Listing { limit: Some(200), ..Listing::default() }
}

/// Words as choices.
pub fn words(words: &[&str]) -> Vec<Choice> {
    words.iter().map(|word| Choice::word(word)).collect()
}

#[cfg(test)]
mod tests;
