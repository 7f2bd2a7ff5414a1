//! Operations that will go: said in the document and by every answer of theirs, long before they do. The policy is in
//! `openapi/README.md`.

use std::collections::HashMap;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::{HeaderName, HeaderValue, LINK};
use actix_web::middleware::Next;
use actix_web::{Error, web};
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use utoipa::openapi::Deprecated;
use utoipa::openapi::path::{Operation, PathItem};

use crate::openapi::methods;

/// An operation that will go.
#[derive(Debug, Clone, Copy)]
pub struct Leaving {
    /// Its id.
    pub operation: &'static str,
    /// The day since which clients are told, in UTC.
    pub since: NaiveDate,
    /// The day until which it answers, in UTC.
    pub sunset: NaiveDate,
    /// What to use in its place.
    pub instead: &'static str,
}

/// What will go. Nothing at present; an entry here is all that it takes.
pub const LEAVING: &[Leaving] = &[];

fn midnight(day: NaiveDate) -> DateTime<Utc> {
    day.and_time(NaiveTime::MIN).and_utc()
}

impl Leaving {
    /// Marks it in the document.
    pub fn mark(&self, operation: &mut Operation) {
        operation.deprecated = Some(Deprecated::True);
        let note = format!("Deprecated since {}, answers until {}: {}.", self.since, self.sunset, self.instead);
        operation.description =
            Some(operation.description.take().map_or_else(|| note.clone(), |text| format!("{text}\n\n{note}")));
    }

    /// The headers of its answers: Deprecation (RFC 9745, a date as a structured field), Sunset (RFC 8594, an HTTP date) and where
    /// the policy stands.
    fn headers(&self) -> [(HeaderName, String); 3] {
        [
            (HeaderName::from_static("deprecation"), format!("@{}", midnight(self.since).timestamp())),
            (HeaderName::from_static("sunset"), midnight(self.sunset).format("%a, %d %b %Y %H:%M:%S GMT").to_string()),
            (LINK, "</api/docs/>; rel=\"deprecation\"; type=\"text/html\"".to_owned()),
        ]
    }
}

/// Marks all that will go in the document.
pub fn mark(paths: &mut std::collections::BTreeMap<String, PathItem>, leaving: &[Leaving]) {
    for (_, operation) in paths.values_mut().flat_map(methods) {
        let id = operation.operation_id.as_deref();
        if let Some(one) = leaving.iter().find(|one| Some(one.operation) == id) {
            one.mark(operation);
        }
    }
}

/// What the answers of operations say that will go, by method and path pattern.
#[derive(Debug, Clone, Default)]
pub struct Announced(HashMap<(String, String), [(HeaderName, String); 3]>);

impl Announced {
    /// Of the operations with their ids, by method and path pattern.
    pub fn of<'a>(operations: impl Iterator<Item = (String, &'a str, &'a str)>, leaving: &[Leaving]) -> Self {
        let said = operations.filter_map(|(method, path, id)| {
            let one = leaving.iter().find(|one| one.operation == id)?;
            Some(((method, path.to_owned()), one.headers()))
        });
        Self(said.collect())
    }
}

/// Middleware: adds the headers of an operation that will go to its answers, refusals among them.
///
/// # Errors
/// Only those of the framework's own machinery.
pub async fn announce(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let mut response = next.call(request).await?;
    let Some(announced) =
        response.request().app_data::<web::Data<Announced>>().cloned().filter(|all| !all.0.is_empty())
    else {
        return Ok(response);
    };
    let asked = response.request();
    let key = (asked.method().as_str().to_owned(), asked.match_pattern().unwrap_or_default());
    for (name, value) in announced.0.get(&key).into_iter().flatten() {
        if let Ok(value) = HeaderValue::from_str(value) {
            response.headers_mut().append(name.clone(), value);
        }
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use actix_web::App;
    use actix_web::middleware::from_fn;
    use actix_web::test::{TestRequest, call_service, init_service};

    use ferrotitre_base::web::mount::{Mount, Served};

    use super::*;

    fn day(year: i32, month: u32, day: u32) -> NaiveDate {
        NaiveDate::from_ymd_opt(year, month, day).unwrap()
    }

    fn about() -> Leaving {
        let instead = "read `info.version` of /api/openapi.json";
        Leaving { operation: "read_about", since: day(2027, 3, 1), sunset: day(2028, 6, 30), instead }
    }

    #[test]
    fn who_will_go_has_been_told_for_a_year_and_exists() {
        let mut document = crate::openapi::document();
        let ids: Vec<String> = document
            .paths
            .paths
            .values_mut()
            .flat_map(methods)
            .filter_map(|(_, one)| one.operation_id.clone())
            .collect();
        for one in LEAVING.iter().chain([&about()]) {
            assert!(ids.iter().any(|id| id == one.operation), "there is no {}", one.operation);
            assert!(one.sunset >= one.since + chrono::Months::new(12), "{} goes too soon", one.operation);
        }
    }

    #[test]
    fn the_document_says_what_will_go_and_only_that() {
        let mut document = crate::openapi::document();
        mark(&mut document.paths.paths, &[about()]);
        let marked: Vec<&Operation> = document
            .paths
            .paths
            .values()
            .filter_map(|item| item.get.as_ref())
            .filter(|one| one.deprecated.is_some())
            .collect();
        let [one] = marked[..] else { panic!("{} are marked", marked.len()) };
        assert_eq!(one.operation_id.as_deref(), Some("read_about"));
        assert!(one.description.as_ref().unwrap().contains("since 2027-03-01, answers until 2028-06-30"));
    }

    #[actix_web::test]
    async fn answers_of_what_will_go_say_so_and_others_do_not() {
        let operations = [("GET", "/api/v1/about", "read_about"), ("GET", "/health", "live")];
        let operations = operations.into_iter().map(|(method, path, id)| (method.to_owned(), path, id));
        let announced = Announced::of(operations, &[about()]);
        let app = App::new().configure(|config| crate::operations::routes(&mut Mount::new(config, &mut Served)));
        let app = init_service(app.app_data(web::Data::new(announced)).wrap(from_fn(announce))).await;
        let answer = call_service(&app, TestRequest::get().uri("/api/v1/about").to_request()).await;
        let header = |name: &str| answer.headers().get(name).map(|value| value.to_str().unwrap().to_owned());
        assert_eq!(answer.status(), 200);
        // Both computed by `date -u -d 2027-03-01 +%s` and `date -u -d 2028-06-30`.
        assert_eq!(header("deprecation").as_deref(), Some("@1803859200"));
        assert_eq!(header("sunset").as_deref(), Some("Fri, 30 Jun 2028 00:00:00 GMT"));
        assert_eq!(header("link").as_deref(), Some("</api/docs/>; rel=\"deprecation\"; type=\"text/html\""));
        let other = call_service(&app, TestRequest::get().uri("/health").to_request()).await;
        assert_eq!(other.status(), 200);
        assert!(other.headers().get("deprecation").is_none());
    }
}
