//! Lists: newest first, a page at a time, with an opaque cursor that stays true while rows are added.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::refusal::Refusal;

/// Which part of a list, and of which time.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Listing {
    /// How many items at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200, example = 50)]
    pub limit: Option<i64>,
    /// Cursor from the field `next` of the page before.
    pub after: Option<Uuid>,
    /// Only what was recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only what was recorded before this time.
    pub until: Option<DateTime<Utc>>,
}

impl Listing {
    /// The limit asked for.
    ///
    /// # Errors
    /// A limit outside 1 to 200.
    pub fn limit(&self) -> Result<i64, Refusal> {
        let limit = self.limit.unwrap_or(50);
        if (1..=200).contains(&limit) {
            Ok(limit)
        } else {
            Err(Refusal::invalid("limit", "range", "must be from 1 to 200", limit))
        }
    }

    /// The id after which the page begins; the list runs from new to old.
    #[must_use]
    pub fn before(&self) -> Uuid {
        self.after.unwrap_or(Uuid::max())
    }

    /// Start of the time window.
    #[must_use]
    pub fn window_start(&self) -> DateTime<Utc> {
        self.from.unwrap_or(DateTime::UNIX_EPOCH)
    }

    /// End of the time window; far ahead if none was asked for.
    #[must_use]
    pub fn window_end(&self) -> DateTime<Utc> {
        // The largest time that the store and the text form both take.
        self.until.unwrap_or(DateTime::from_timestamp(253_402_300_799, 0).unwrap_or(DateTime::UNIX_EPOCH))
    }
}

/// In whose order the lines of a page stand, and whether the largest is first: a name, with a minus before it for that.
///
/// # Errors
/// A name that is not known.
pub fn order<T: Copy>(text: &str, known: &[(&'static str, T)]) -> Result<(T, bool), Refusal> {
    let (name, largest_first) = text.strip_prefix('-').map_or((text, false), |name| (name, true));
    let found = known.iter().find(|(one, _)| *one == name);
    found.map(|(_, by)| (*by, largest_first)).ok_or_else(|| {
        let known: Vec<&str> = known.iter().map(|(name, _)| *name).collect();
        let message = format!("must be one of {}, with a minus before it for the largest first", known.join(", "));
        Refusal::invalid("sort", "one_of", message, text)
    })
}

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Page<T> {
    /// The items, newest first.
    pub items: Vec<T>,
    /// Cursor of the next page; absent on the last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub next: Option<Uuid>,
}

impl<T> Page<T> {
    /// Makes a page of rows fetched with one more than the limit, so that the last page is known as such.
    #[must_use]
    pub fn of(mut rows: Vec<T>, limit: i64, id: impl Fn(&T) -> Uuid) -> Self {
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        let more = rows.len() > limit;
        rows.truncate(limit);
        let next = if more { rows.last().map(id) } else { None };
        Self { items: rows, next }
    }

    /// Turns the items into their wire form.
    ///
    /// # Errors
    /// The first conversion that fails.
    pub fn try_map<U, E>(self, convert: impl FnMut(T) -> Result<U, E>) -> Result<Page<U>, E> {
        Ok(Page { items: self.items.into_iter().map(convert).collect::<Result<_, E>>()?, next: self.next })
    }
}
