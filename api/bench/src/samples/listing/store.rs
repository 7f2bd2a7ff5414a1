//! Samples of a list.

use diesel::dsl::{exists, not, sql};
use diesel::prelude::*;
use diesel::sql_types::{Bool, Text};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_schema::samples;

use super::SampleListing;
use crate::samples::samples::versions;

/// The newest versions of the newest samples that were asked for, older than the cursor.
pub(super) async fn rows(
    mut connection: &Connection,
    asked: &SampleListing,
    limit: i64,
) -> Result<Vec<versions::Row>, Refusal> {
    let listing = Listing { limit: asked.limit, after: asked.after, from: asked.from, until: asked.until };
    let newer = diesel::alias!(samples as newer);
    let replaced = newer.filter(newer.field(samples::supersedes).eq(samples::id.nullable()));
    let mut query = samples::table
        .filter(not(exists(replaced)))
        .filter(samples::record_id.lt(listing.before()))
        .filter(samples::recorded_at.ge(listing.window_start()))
        .filter(samples::recorded_at.lt(listing.window_end()))
        .order(samples::record_id.desc())
        .limit(limit)
        .select(versions::Row::as_select())
        .into_boxed();
    if let Some(state) = &asked.state {
        let now = sql::<Bool>(
            "samples.record_id IN (SELECT p.entity_id FROM present_states p WHERE p.entity_kind = 'samples' AND p.state = ",
        )
        .bind::<Text, _>(state.clone())
        .sql(")");
        query = query.filter(now);
    }
    if let Some(begins) = asked.of.as_deref().map(|of| of.trim().to_uppercase()).filter(|of| !of.is_empty()) {
        // Letter by letter, as codes are found; the last letter there is ends whatever goes on with others.
        let ends = format!("{begins}\u{10FFFF}");
        let named = sql::<Bool>("((upper(samples.code) COLLATE \"C\" >= ")
            .bind::<Text, _>(begins.clone())
            .sql(" AND upper(samples.code) COLLATE \"C\" < ")
            .bind::<Text, _>(ends.clone())
            .sql(") OR (upper(samples.client_reference) COLLATE \"C\" >= ")
            .bind::<Text, _>(begins)
            .sql(" AND upper(samples.client_reference) COLLATE \"C\" < ")
            .bind::<Text, _>(ends)
            .sql("))");
        query = query.filter(named);
    }
    Ok(query.load(&mut connection).await?)
}
