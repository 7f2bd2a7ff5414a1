//! Reading what a form sent, carrying it out, and going on or coming back with the entries kept.

use std::future::Future;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::http::StatusCode;
use actix_web::http::header::LOCATION;
use actix_web::{FromRequest, HttpRequest, HttpResponse, web};
use askama::Template;
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::current_user::Codes;
use ferrotitre_base::auth::local_key;
use ferrotitre_base::auth::permissions::Deed;
use ferrotitre_base::db::Act;
use ferrotitre_base::evaluations::StepView;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::body::{DEFAULT_LIMIT, LARGE_LIMIT};
use ferrotitre_base::web::bounds::Bounds;
use ferrotitre_base::web::problem::{Problem, status_of};
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::upload;
use super::{CODE, Form, ONE_TIME, RESHAPE, SHAPE, at};
use crate::sheet::{Part, Section, drawn};
use crate::shell::Shell;
use crate::show;

/// Rows that a form grows to.
const MOST_ROWS: usize = 200;

/// What a form sent.
#[derive(Debug, Default)]
pub struct Sent {
    posted: bool,
    pairs: Vec<(String, String)>,
    digest: [u8; 32],
}

impl Sent {
    /// Whether there is anything, that is, whether the request was a POST.
    pub fn posted(&self) -> bool {
        self.posted
    }

    /// A field.
    pub fn get(&self, name: &str) -> &str {
        self.pairs.iter().find(|(found, _)| found == name).map_or("", |(_, value)| value.as_str())
    }

    /// Puts a value in place of what was sent, for a form that is only drawn again.
    pub fn set(&mut self, name: &str, value: impl std::fmt::Display) {
        self.pairs.retain(|(found, _)| found != name);
        self.pairs.push((name.to_owned(), value.to_string()));
    }

    /// The same as an entry, where it asked for another shape of the form.
    #[must_use]
    pub fn whole(&self) -> Self {
        let pairs = self.pairs.iter().filter(|(name, _)| name != RESHAPE).cloned().collect();
        Self { posted: self.posted, pairs, digest: self.digest }
    }

    /// Whether a field is there at all.
    pub(super) fn has(&self, name: &str) -> bool {
        self.pairs.iter().any(|(found, _)| found == name)
    }

    /// How many rows a form has that begins with so many and grows by a button.
    pub fn rows(&self, begins: usize, step: usize) -> usize {
        let present = self.get(SHAPE).parse().unwrap_or(begins).clamp(1, MOST_ROWS);
        if self.get(RESHAPE) == "more" { (present + step).min(MOST_ROWS) } else { present }
    }

    /// Whether it only asks for the form with more or less room.
    pub fn reshapes(&self) -> bool {
        self.has(RESHAPE)
    }

    /// All values of a field, a line each.
    pub(super) fn all(&self, name: &str) -> String {
        let values = self.pairs.iter().filter(|(found, _)| found == name).map(|(_, value)| value.as_str());
        values.collect::<Vec<_>>().join("\n")
    }
}

impl FromRequest for Sent {
    type Error = Problem;
    type Future = Pin<Box<dyn Future<Output = Result<Self, Problem>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let posted = request.method() == actix_web::http::Method::POST;
        let payload = payload.take();
        let headers = request.headers().clone();
        let parts = upload::announced(&headers);
        let bounds = Bounds::of(request, if parts { LARGE_LIMIT } else { DEFAULT_LIMIT });
        Box::pin(async move {
            if !posted {
                return Ok(Self::default());
            }
            let pairs =
                if parts { upload::read(&headers, payload, bounds).await? } else { pairs_of(payload, bounds).await? };
            Ok(Self { posted, digest: digest_of(&pairs), pairs })
        })
    }
}

/// Fields of a form without files.
async fn pairs_of(payload: Payload, bounds: Bounds) -> Result<Vec<(String, String)>, Refusal> {
    let bytes = bounds.collect(payload).await?;
    let text = String::from_utf8(bytes).unwrap_or_default();
    let unreadable = |error| Refusal::new(Code::Unreadable, format!("the form cannot be read: {error}"));
    web::Query::<Vec<(String, String)>>::from_query(&text).map(web::Query::into_inner).map_err(unreadable)
}

/// As sent, not as read: a time left empty means another moment each time it is read.
fn digest_of(pairs: &[(String, String)]) -> [u8; 32] {
    let counted = pairs.iter().filter(|(name, _)| !name.starts_with('_'));
    let parts: Vec<&[u8]> = counted.flat_map(|(name, value)| [name.as_bytes(), value.as_bytes()]).collect();
    local_key::code("form", &parts)
}

#[derive(Template)]
#[template(path = "form.html")]
struct FormPage<'a> {
    shell: &'a Shell,
    form: &'a Form,
}

/// A form with an answer above it, for what is computed and not recorded.
#[derive(Template)]
#[template(path = "answer.html")]
struct AnswerPage<'a> {
    shell: &'a Shell,
    title: String,
    form: &'a Form,
    all: Vec<Section>,
    /// How many of them are the answer, above the form.
    answered: usize,
}

impl AnswerPage<'_> {
    fn answer(&self) -> &[Section] {
        &self.all[..self.answered]
    }

    fn below(&self) -> &[Section] {
        &self.all[self.answered..]
    }

    fn drawn(&self, step: &StepView) -> String {
        drawn(self.shell, step, 0)
    }
}

/// Where to go after an answer: a page, with word of whether it was new.
pub fn onward(answer: &Answer, place: &str) -> String {
    let word = if answer.repeated { "again" } else { "saved" };
    let (path, fragment) = place.split_once('#').map_or((place, ""), |(path, fragment)| (path, fragment));
    let fragment = if fragment.is_empty() { String::new() } else { format!("#{fragment}") };
    format!("{path}{}done={word}{fragment}", if path.contains('?') { '&' } else { '?' })
}

/// A text field of an answer's resource, or of what is inside it.
pub fn field_of(answer: &Answer, path: &str) -> String {
    let value: Value = serde_json::from_str(&answer.body).unwrap_or_default();
    at(&value, path).and_then(Value::as_str).unwrap_or_default().to_owned()
}

/// A redirect after a form.
pub fn see(place: &str) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((LOCATION, place)).finish()
}

impl Shell {
    /// Shows the form of a GET; carries out the form of a POST and goes on to where the work says. What is refused comes
    /// back as the form with the entries kept.
    pub async fn take<D: Deed, T: DeserializeOwned>(
        &self,
        who: &Allowed<D>,
        sent: &Sent,
        form: Form,
        work: impl AsyncFnOnce(Act, T) -> Result<String, Refusal>,
    ) -> Result<HttpResponse, Problem> {
        self.take_with(who, sent, form, |shell, form, status| shell.page(status, &FormPage { shell, form }), work).await
    }

    /// The same for a form below what it is about.
    pub async fn take_below<D: Deed, T: DeserializeOwned>(
        &self,
        who: &Allowed<D>,
        sent: &Sent,
        form: Form,
        above: Vec<Section>,
        work: impl AsyncFnOnce(Act, T) -> Result<String, Refusal>,
    ) -> Result<HttpResponse, Problem> {
        let draw = |shell: &Self, form: &Form, status| {
            let answered = above.len();
            shell.page(status, &AnswerPage { shell, title: form.title.clone(), form, all: above, answered })
        };
        self.take_with(who, sent, form, draw, work).await
    }

    /// The same for a form inside a page of its own.
    pub async fn take_with<D: Deed, T: DeserializeOwned>(
        &self,
        who: &Allowed<D>,
        sent: &Sent,
        mut form: Form,
        draw: impl FnOnce(&Self, &Form, StatusCode) -> Result<HttpResponse, Problem>,
        work: impl AsyncFnOnce(Act, T) -> Result<String, Refusal>,
    ) -> Result<HttpResponse, Problem> {
        if who.user().codes == Codes::AtSignatures {
            form.with_code();
        }
        if !sent.posted() {
            form.propose_single();
            return draw(self, &form, StatusCode::OK);
        }
        form.take_over(sent);
        if sent.reshapes() {
            return draw(self, &form, StatusCode::OK);
        }
        let outcome = match self.ours(sent).and_then(|()| form.read(self.comma)) {
            Ok(value) => work(who.act_of_form(&form.key, sent.digest, sent.get(ONE_TIME)), value)
                .await
                .map_err(|refusal| form.named(refusal)),
            Err(refusal) => Err(refusal),
        };
        match outcome {
            Ok(place) => Ok(see(&place)),
            Err(refusal) => {
                let status = status_of(refusal.code);
                if status.is_server_error() || refusal.code == Code::NotFound {
                    return Err(refusal.into());
                }
                form.blame(&refusal);
                draw(self, &form, status)
            }
        }
    }

    /// Shows the form of a GET; computes what a POST asks for and shows the answer with the form. Nothing is recorded.
    pub async fn answer<D: Deed, T: DeserializeOwned>(
        &self,
        who: &Allowed<D>,
        sent: &Sent,
        form: Form,
        work: impl AsyncFnOnce(T) -> Result<Vec<Section>, (Refusal, Vec<Section>)>,
    ) -> Result<HttpResponse, Problem> {
        self.answer_with(who, sent, form, Vec::new(), work).await
    }

    /// The same with sections that stand below the form.
    pub async fn answer_with<D: Deed, T: DeserializeOwned>(
        &self,
        _who: &Allowed<D>,
        sent: &Sent,
        mut form: Form,
        below: Vec<Section>,
        work: impl AsyncFnOnce(T) -> Result<Vec<Section>, (Refusal, Vec<Section>)>,
    ) -> Result<HttpResponse, Problem> {
        let (mut sections, mut status) = (Vec::new(), StatusCode::OK);
        if sent.posted() {
            form.take_over(sent);
            let outcome = match self.ours(sent).and_then(|()| form.read(self.comma)) {
                Ok(value) => work(value).await,
                Err(refusal) => Err((refusal, Vec::new())),
            };
            match outcome {
                Ok(answer) => sections = answer,
                Err((refusal, answer)) => {
                    status = status_of(refusal.code);
                    if status.is_server_error() || refusal.code == Code::NotFound {
                        return Err(refusal.into());
                    }
                    form.blame(&refusal);
                    sections = answer;
                }
            }
        }
        let answered = sections.len();
        sections.extend(below);
        self.page(status, &AnswerPage { shell: self, title: form.title.clone(), form: &form, all: sections, answered })
    }

    /// A form below what it is about, of a page that carries it out by itself.
    pub fn below(&self, form: &Form, above: Vec<Section>, status: StatusCode) -> Result<HttpResponse, Problem> {
        let answered = above.len();
        self.page(status, &AnswerPage { shell: self, title: form.title.clone(), form, all: above, answered })
    }

    /// Whether a form carries this session's code.
    ///
    /// # Errors
    /// It does not.
    pub fn ours(&self, sent: &Sent) -> Result<(), Refusal> {
        // Codes of older keys are not looked at here: a form that old is sent again with the fresh code it comes back with.
        if !self.code.is_empty() && sent.get(CODE) == self.code {
            return Ok(());
        }
        Err(Refusal::new(Code::StateConflict, "this form belongs to an earlier sign-in; look at it and send it again"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fragment_stays_behind_the_word() {
        let answer = Answer { location: String::new(), body: "{}".to_owned(), repeated: false };
        assert_eq!(onward(&answer, "/runs/1#blanks"), "/runs/1?done=saved#blanks");
    }
}
