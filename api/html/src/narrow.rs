//! Narrowing a list: by state, by day, a page at a time.

use chrono::{Days, NaiveDate};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::zone::midnight;
use serde::Deserialize;
use uuid::Uuid;

use crate::form::words;
use crate::form::{Field, Kind};
use crate::show::encoded;

/// What a list's page was asked for.
#[derive(Debug, Clone, Default, Deserialize)]
pub struct Narrow {
    /// A state; empty for all.
    #[serde(default)]
    pub state: String,
    /// First day of recording; empty for the beginning.
    #[serde(default)]
    from: String,
    /// Last day of recording; empty for today.
    #[serde(default)]
    until: String,
    /// Where the page before ended.
    after: Option<Uuid>,
}

impl Narrow {
    /// Days only.
    pub fn of_days(from: &str, until: &str) -> Self {
        Self { from: from.to_owned(), until: until.to_owned(), ..Self::default() }
    }

    /// As the services take it.
    ///
    /// # Errors
    /// A day that is none.
    pub fn listing(&self) -> Result<Listing, Refusal> {
        Ok(Listing {
            limit: None,
            after: self.after,
            from: day("from", &self.from)?.and_then(midnight),
            until: day("until", &self.until)?.and_then(|last| last.checked_add_days(Days::new(1))).and_then(midnight),
        })
    }

    /// The newest of a state, older than the page before.
    pub fn window(&self) -> (Uuid, i64) {
        (self.after.unwrap_or(Uuid::max()), 50)
    }

    /// Fields to choose states and days; a list by state has no days.
    pub fn fields(&self, states: &[&str]) -> Vec<Field> {
        let mut fields = Vec::new();
        if !states.is_empty() {
            fields.push(Field::new("state", "State now", Kind::List(words(states))).optional().value(&self.state));
        }
        if self.state.is_empty() {
            fields.push(Field::new("from", "Recorded from", Kind::Day).optional().value(&self.from));
            fields.push(Field::new("until", "to", Kind::Day).optional().value(&self.until));
        }
        fields
    }

    /// Address of the next page of a list.
    pub fn next(&self, path: &str, next: Option<Uuid>) -> Option<String> {
        let query = [("state", &self.state), ("from", &self.from), ("until", &self.until)];
        let query = query.iter().filter(|(_, value)| !value.is_empty());
        let query: String = query.map(|(name, value)| format!("{name}={}&", encoded(value))).collect();
        next.map(|next| format!("{path}{}{query}after={next}", if path.contains('?') { '&' } else { '?' }))
    }
}

fn day(field: &str, text: &str) -> Result<Option<NaiveDate>, Refusal> {
    if text.is_empty() {
        return Ok(None);
    }
    let wrong = |_error| Refusal::invalid(field, "day", "must be a day, such as 2026-11-25", text);
    text.parse().map(Some).map_err(wrong)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_last_day_is_listed_to_its_end_and_the_next_page_keeps_what_was_asked() {
        let asked = Narrow { from: "2026-11-02".to_owned(), until: "2026-11-02".to_owned(), ..Narrow::default() };
        let listing = asked.listing().unwrap();
        assert_eq!((listing.until.unwrap() - listing.from.unwrap()).num_hours(), 24);
        let next = asked.next("/samples", Some(Uuid::nil())).unwrap();
        assert_eq!(next, format!("/samples?from=2026-11-02&until=2026-11-02&after={}", Uuid::nil()));
        assert!(Narrow { from: "yesterday".to_owned(), ..Narrow::default() }.listing().is_err());
    }
}
