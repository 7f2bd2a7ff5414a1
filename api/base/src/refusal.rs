//! Why a request was not carried out, in the laboratory's words. What that is in HTTP, only [`crate::web::problem`] knows.

use diesel::result::{DatabaseErrorKind, Error as DieselError};
use serde::Serialize;
use utoipa::ToSchema;

/// One thing wrong with one field of the input.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct FieldError {
    /// Path of the field in the body or the name of the parameter.
    #[schema(example = "final_readings[0]")]
    pub field: String,
    /// Name of the broken rule.
    #[schema(example = "multiple_of_resolution")]
    pub rule: String,
    /// The rule in words, with what would be right.
    #[schema(example = "must be a multiple of the reading resolution 0.02 mL")]
    pub message: String,
    /// The offending value as it was given, cut after 200 characters.
    #[schema(example = "23.15")]
    pub value: String,
}

macro_rules! codes {
    ($($(#[$doc:meta])* $name:ident = $text:literal, $title:literal;)+) => {
        /// Every reason the service can give; the text form is part of the API and is never reused for another reason.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum Code { $($(#[$doc])* $name,)+ }

        impl Code {
            /// All codes, for the documents.
            pub const ALL: &[Code] = &[$(Code::$name),+];

            /// The code as clients see it.
            #[must_use]
            pub fn text(self) -> &'static str {
                match self { $(Code::$name => $text,)+ }
            }

            /// Its title.
            #[must_use]
            pub fn title(self) -> &'static str {
                match self { $(Code::$name => $title,)+ }
            }
        }
    };
}

codes! {
    /// The body is not JSON, or a parameter cannot be read.
    Unreadable = "unreadable", "The request cannot be read";
    /// The body is larger than the operation takes.
    TooLarge = "too_large", "The body is too large";
    /// The body did not come in time.
    TooSlow = "too_slow", "The body did not arrive in time";
    /// Another name than the service goes by.
    WrongHost = "wrong_host", "The service does not go by this name";
    /// The body is not announced as JSON.
    NotJson = "not_json", "The body must be application/json";
    /// No valid token.
    NotSignedIn = "not_signed_in", "Sign in first";
    /// Name or password wrong.
    BadCredentials = "bad_credentials", "Name or password is wrong";
    /// Too many wrong passwords lately.
    TooManyTries = "too_many_tries", "Too many wrong passwords; wait a little";
    /// The session was ended.
    SessionEnded = "session_ended", "The session has ended";
    /// The account is locked, retired or not yet active.
    AccountNotActive = "account_not_active", "The account is not active";
    /// The role does not include the action.
    Forbidden = "forbidden", "Your roles do not include this";
    /// Somebody who had a hand in a record may not judge it.
    OwnRecord = "own_record", "Nobody judges a record they had a hand in";
    /// Signed as one's own, made by others.
    NotOwnObservations = "not_own_observations", "Nobody signs the observations of others as their own";
    /// Somebody else set the password, and nobody has confirmed since whose account it is.
    IdentityUnconfirmed = "identity_unconfirmed", "A second person must confirm whose account this is";
    /// Not authorised for the method.
    NotCompetent = "not_competent", "Not authorised for this method";
    /// The secret asked again for a signature was wrong.
    SecretWrong = "secret_wrong", "The password or the one-time code was wrong: nothing was signed";
    /// Signatures of this account ask for a one-time code, and none was given.
    CodeMissing = "one_time_code_missing", "Give the one-time code of your authenticator, too";
    /// Codes must be set up first.
    CodesDue = "one_time_codes_due", "Set up one-time codes first";
    /// A provisional password must be changed first.
    PasswordProvisional = "password_provisional", "Change the provisional password first";
    /// No such thing.
    NotFound = "not_found", "No such thing";
    /// The path exists, the method does not.
    MethodNotAllowed = "method_not_allowed", "This method is not allowed here";
    /// A code is taken.
    AlreadyExists = "already_exists", "It exists already";
    /// The state machine does not allow the move.
    IllegalMove = "illegal_move", "This move is not allowed from the present state";
    /// The record is in a state that does not take this.
    StateConflict = "state_conflict", "The present state does not allow this";
    /// An idempotency key came again with another request.
    KeyReused = "idempotency_key_reused", "The idempotency key was used for another request";
    /// A correction must name the version it corrects.
    VersionRequired = "version_required", "Name the version you correct in If-Match";
    /// Somebody was faster.
    StaleVersion = "stale_version", "The record has a newer version";
    /// The input breaks rules; the fields say which.
    Invalid = "invalid_input", "The input breaks a rule";
    /// Something it refers to does not exist.
    UnknownReference = "unknown_reference", "It refers to something that does not exist";
    /// An item is expired.
    Expired = "item_expired", "An item is expired";
    /// An item's calibration is overdue.
    Overdue = "item_overdue", "Equipment is overdue for calibration";
    /// An item is not released for use.
    NotReleased = "item_not_released", "An item is not released for use";
    /// No factor is in force.
    NoFactor = "no_factor_in_force", "The titrant has no factor in force at that time";
    /// A dichromate blank without added iron.
    BlankWithoutIron = "blank_without_iron", "This blank needs added iron(II)";
    /// Honest answer instead of a number.
    NotEnoughData = "not_enough_data", "Not enough data";
    /// A rule of the method or of the trade is broken.
    RuleBroken = "rule_broken", "A rule of the method is broken";
    /// Our bug.
    Internal = "internal", "Something went wrong on our side";
    /// Others take all there is of something: calculations, pictures, large files, sign-ins.
    Busy = "busy", "The service is busy; try again in a moment";
    /// The audit log is not what was signed.
    SealingStopped = "sealing_stopped", "The audit log does not extend what was signed";
    /// The store cannot be reached.
    StoreUnavailable = "store_unavailable", "The store cannot be reached";
}

/// Why a request was not carried out.
#[derive(Debug)]
pub struct Refusal {
    /// The reason as a code.
    pub code: Code,
    /// What exactly, for the person who asked.
    pub detail: String,
    /// Fields concerned.
    pub fields: Vec<FieldError>,
    /// Further facts a client can act on, such as the current version.
    pub facts: Option<serde_json::Value>,
    /// What caused it inside; logged, never shown.
    pub cause: Option<Box<dyn std::error::Error + Send + Sync>>,
}

impl std::fmt::Display for Refusal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.code.text(), self.detail)
    }
}

impl std::error::Error for Refusal {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        self.cause.as_deref().map(|cause| cause as _)
    }
}

impl Refusal {
    /// A refusal with its explanation.
    pub fn new(code: Code, detail: impl Into<String>) -> Self {
        Self { code, detail: shortened(detail.into(), 1000), fields: Vec::new(), facts: None, cause: None }
    }

    /// No thing of that kind has that id or code.
    pub fn not_found(kind: &str, which: impl std::fmt::Display) -> Self {
        Self::new(Code::NotFound, format!("there is no {kind} {which}"))
    }

    /// One field breaks one rule.
    pub fn invalid(field: &str, rule: &str, message: impl Into<String>, value: impl std::fmt::Display) -> Self {
        let mut fields = FieldErrors::default();
        fields.add(field, rule, message, value);
        fields.into_refusal()
    }

    /// Names the field concerned.
    #[must_use]
    pub fn at(mut self, field: &str, rule: &str, value: impl std::fmt::Display) -> Self {
        let message = self.detail.clone();
        self.fields.push(field_error(field, rule, message, value));
        self
    }

    /// Adds facts a client can act on.
    #[must_use]
    pub fn with_facts(mut self, facts: serde_json::Value) -> Self {
        self.facts = Some(facts);
        self
    }

    /// The same of a part of a larger input: its fields stand under the part, those that `name` gives another place there.
    #[must_use]
    pub fn under(mut self, part: &str, name: impl Fn(&str) -> Option<String>) -> Self {
        for wrong in &mut self.fields {
            let below = if wrong.field.is_empty() { part.to_owned() } else { format!("{part}.{}", wrong.field) };
            let place = name(&wrong.field).unwrap_or(below);
            if let Some(words) = self.detail.strip_prefix(&format!("{}: ", wrong.field)) {
                self.detail = format!("{place}: {words}");
            }
            wrong.field = place;
        }
        self
    }

    /// Adds the inner cause.
    #[must_use]
    pub fn because(mut self, cause: impl std::error::Error + Send + Sync + 'static) -> Self {
        self.cause = Some(Box::new(cause));
        self
    }

    /// Our bug or a broken store; the detail stays inside.
    pub fn internal(cause: impl std::error::Error + Send + Sync + 'static) -> Self {
        Self::new(Code::Internal, "the request id names the entry in the service's log").because(cause)
    }
}

fn field_error(field: &str, rule: &str, message: impl Into<String>, value: impl std::fmt::Display) -> FieldError {
    FieldError {
        field: shortened(field.to_owned(), 200),
        rule: rule.to_owned(),
        message: shortened(message.into(), 500),
        value: value.to_string().chars().take(200).collect(),
    }
}

/// A text that quotes somebody's input without its middle, so that no answer is as long as what was sent.
fn shortened(text: String, most: usize) -> String {
    if text.len() <= most {
        return text;
    }
    let half = most / 2;
    let (start, end) = (text.floor_char_boundary(half), text.ceil_char_boundary(text.len() - half));
    format!("{} ... {}", &text[..start], &text[end..])
}

/// Collects everything wrong with an input, so that a person mends it in one go.
#[derive(Debug, Default)]
pub struct FieldErrors(Vec<FieldError>);

impl FieldErrors {
    /// Adds an error.
    pub fn add(&mut self, field: &str, rule: &str, message: impl Into<String>, value: impl std::fmt::Display) {
        self.0.push(field_error(field, rule, message, value));
    }

    /// Adds an error unless the condition holds.
    pub fn require(
        &mut self,
        holds: bool,
        field: &str,
        rule: &str,
        message: impl Into<String>,
        value: impl std::fmt::Display,
    ) {
        if !holds {
            self.add(field, rule, message, value);
        }
    }

    /// Takes over what a refusal says of its fields; one that is about no field goes on.
    ///
    /// # Errors
    /// A refusal for another reason than fields that are wrong.
    pub fn take(&mut self, outcome: Result<(), Refusal>) -> Result<(), Refusal> {
        match outcome {
            Err(refusal) if refusal.code == Code::Invalid && !refusal.fields.is_empty() => {
                self.0.extend(refusal.fields)
            }
            other => other?,
        }
        Ok(())
    }

    /// Whether nothing is wrong so far.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The refusal made of what was collected.
    #[must_use]
    pub fn into_refusal(self) -> Refusal {
        let detail = match self.0.as_slice() {
            [only] => format!("{}: {}", only.field, only.message),
            several => format!("{} fields break a rule", several.len()),
        };
        Refusal { fields: self.0, ..Refusal::new(Code::Invalid, detail) }
    }

    /// `Ok` if nothing is wrong.
    ///
    /// # Errors
    /// The refusal made of what was collected.
    pub fn check(self) -> Result<(), Refusal> {
        if self.0.is_empty() { Ok(()) } else { Err(self.into_refusal()) }
    }
}

/// What the violation of a named constraint means.
pub struct ConstraintMeaning {
    /// Name of the constraint in the migrations.
    pub constraint: &'static str,
    /// Code to answer with.
    pub code: Code,
    /// Field concerned, empty if none.
    pub field: &'static str,
    /// What to tell the person.
    pub detail: &'static str,
}

/// What the store itself guards whatever path a row comes by; its message names the state found.
const GUARDS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "titrations_determination_open",
        code: Code::StateConflict,
        field: "",
        detail: "the determination is signed",
    },
    ConstraintMeaning { constraint: "runs_open", code: Code::StateConflict, field: "", detail: "the run is not open" },
    ConstraintMeaning {
        constraint: "certificates_one_issue",
        code: Code::StateConflict,
        field: "",
        detail: "another issue of the certificate stands, or it was withdrawn",
    },
    ConstraintMeaning {
        constraint: "certificates_results_stand",
        code: Code::StateConflict,
        field: "",
        detail: "a result is not approved as it is certified",
    },
];

/// Turns a failure of the store into a refusal; violations are told apart by the name of the constraint, and one that is
/// not listed is our bug.
pub fn from_store(error: DieselError, meanings: &[ConstraintMeaning]) -> Refusal {
    if let DieselError::DatabaseError(kind, information) = &error {
        if let Some(meaning) = meanings.iter().find(|m| information.constraint_name() == Some(m.constraint)) {
            let refusal = Refusal::new(meaning.code, meaning.detail);
            return if meaning.field.is_empty() {
                refusal.because(error)
            } else {
                refusal.at(meaning.field, meaning.constraint, "").because(error)
            };
        }
        if let Some(meaning) = GUARDS.iter().find(|m| information.constraint_name() == Some(m.constraint)) {
            return Refusal::new(meaning.code, information.message().to_owned()).because(error);
        }
        let message = information.message();
        if message == "deadlock detected" {
            let detail = "somebody changed the same things at the same moment; nothing was stored, send it again";
            return Refusal::new(Code::StateConflict, detail).because(error);
        }
        // A server that shuts down or starts says so in words; the driver keeps no finer kind.
        let going_down = message.starts_with("terminating connection") || message.starts_with("the database system is");
        if going_down || matches!(kind, DatabaseErrorKind::ClosedConnection | DatabaseErrorKind::UnableToSendCommand) {
            return Refusal::new(Code::StoreUnavailable, "try again in a moment; nothing is known to have been stored")
                .because(error);
        }
    }
    Refusal::internal(error)
}

impl From<DieselError> for Refusal {
    fn from(error: DieselError) -> Self {
        from_store(error, &[])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_refusal_is_as_long_as_what_was_sent() {
        let sent = "\u{e9}".repeat(3_000_000);
        let refusal = Refusal::invalid(&sent, "type", format!("expected a number, not {sent}, here"), &sent);
        let field = &refusal.fields[0];
        assert!(refusal.detail.len() < 1100 && field.field.len() < 220 && field.message.len() < 520);
        assert!(field.message.starts_with("expected a number") && field.message.ends_with(", here"));
        assert!(Refusal::new(Code::Unreadable, sent).detail.len() < 1100);
        assert_eq!(shortened("23.10".to_owned(), 200), "23.10");
    }
}
