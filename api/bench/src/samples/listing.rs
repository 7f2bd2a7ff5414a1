//! Lists of samples: what was asked for, put in order.

mod store;

use std::cmp::Ordering;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::paging::{self, Listing, Page};
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_core::lifecycle::EntityKind;
use serde::Deserialize;
use utoipa::IntoParams;
use uuid::Uuid;

use crate::samples::samples::{SampleFacts, versions};

const KIND: EntityKind = EntityKind::Sample;

/// Which samples, and how they stand in the page.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct SampleListing {
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from `next` of the page before.
    pub after: Option<Uuid>,
    /// Only recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only in this state now.
    #[param(example = "received")]
    pub state: Option<String>,
    /// Only whose code or client's reference begins with this, in whatever case.
    #[param(example = "S-2026")]
    pub of: Option<String>,
    /// Order within the page: code, client, matrix, received or deadline, the largest first with a minus before it. Without it
    /// the newest is first; without a deadline is last.
    #[param(example = "deadline")]
    pub sort: Option<String>,
}

/// By what samples can be put in order.
#[derive(Debug, Clone, Copy)]
enum By {
    Code,
    Client,
    Matrix,
    Received,
    Deadline,
}

const ORDERS: [(&str, By); 5] = [
    ("code", By::Code),
    ("client", By::Client),
    ("matrix", By::Matrix),
    ("received", By::Received),
    ("deadline", By::Deadline),
];

impl By {
    fn compare(self, one: &SampleFacts, other: &SampleFacts) -> Ordering {
        match self {
            Self::Code => one.code.cmp(&other.code),
            Self::Client => one.client_reference.cmp(&other.client_reference),
            Self::Matrix => one.matrix.cmp(&other.matrix),
            Self::Received => one.received_at.cmp(&other.received_at),
            Self::Deadline => one.iron2_deadline.cmp(&other.iron2_deadline),
        }
    }
}

fn put_in_order(views: &mut [VersionView<SampleFacts>], (by, largest_first): (By, bool)) {
    views.sort_by(|one, other| {
        let without = |of: &SampleFacts| matches!(by, By::Deadline) && of.iron2_deadline.is_none();
        let order = by.compare(&one.facts, &other.facts);
        without(&one.facts).cmp(&without(&other.facts)).then(if largest_first { order.reverse() } else { order })
    });
}

/// Lists samples, newest first or in the order asked for.
///
/// # Errors
/// A limit, state or order that is none.
pub async fn list(db: &Db, asked: &SampleListing) -> Result<Page<VersionView<SampleFacts>>, Refusal> {
    let limit = Listing { limit: asked.limit, ..Listing::default() }.limit()?;
    let order = asked.sort.as_deref().map(|sort| paging::order(sort, &ORDERS)).transpose()?;
    if let Some(state) = &asked.state {
        let mut errors = FieldErrors::default();
        let known = KIND.states();
        let message = format!("must be one of {}", known.join(", "));
        errors.require(known.contains(&state.as_str()), "state", "one_of", message, state);
        errors.check()?;
    }
    db.read(async |connection| {
        let page = Page::of(store::rows(connection, asked, limit + 1).await?, limit, |row| row.record_id);
        let ids: Vec<Uuid> = page.items.iter().map(|row| row.record_id).collect();
        let mut known = states::present_many(connection, KIND, &ids).await?;
        let view = |row: versions::Row| {
            let state = known.remove(&row.record_id).unwrap_or_default();
            row.view(state)
        };
        let mut views: Vec<_> = page.items.into_iter().map(view).collect();
        if let Some(order) = order {
            put_in_order(&mut views, order);
        }
        Ok(Page { items: views, next: page.next })
    })
    .await
}
