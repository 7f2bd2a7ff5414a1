//! Determinations of a list.

use diesel::dsl::{exists, sql};
use diesel::prelude::*;
use diesel::sql_types::{Bool, Text};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, DeterminationId, RunId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_schema::{determinations, titrations};

use super::DeterminationRow;
use crate::determinations::listing::DeterminationListing;

/// What codes and names have to begin with, without regard to case; none for nothing.
fn beginning(text: &str) -> Option<String> {
    Some(text.trim().to_uppercase()).filter(|text| !text.is_empty())
}

/// The newest that were asked for, older than the cursor; only what an account opened or titrated, where one is given.
pub async fn rows(
    mut connection: &Connection,
    asked: &DeterminationListing,
    own: Option<AccountId>,
    limit: i64,
) -> Result<Vec<DeterminationRow>, Refusal> {
    let listing = asked.window();
    let mut query = determinations::table
        .filter(determinations::id.lt(DeterminationId(listing.before())))
        .filter(determinations::recorded_at.ge(listing.window_start()))
        .filter(determinations::recorded_at.lt(listing.window_end()))
        .order(determinations::id.desc())
        .limit(limit)
        .select(DeterminationRow::as_select())
        .into_boxed();
    if let Some(run) = asked.run {
        query = query.filter(determinations::run_id.eq(RunId(run)));
    }
    if let Some(sample) = asked.sample {
        query = query.filter(determinations::sample_id.eq(sample));
    }
    if let Some(own) = own {
        let titrated = titrations::table
            .filter(titrations::determination_id.eq(determinations::id))
            .filter(titrations::recorded_by.eq(own));
        query = query.filter(determinations::recorded_by.eq(own).or(exists(titrated)));
    }
    if let Some(method) = &asked.method {
        let versions = sql::<Bool>("determinations.method_id IN (SELECT m.id FROM methods m WHERE m.code = ")
            .bind::<Text, _>(method.trim().to_owned())
            .sql(")");
        query = query.filter(versions);
    }
    if let Some(begins) = asked.analyst.as_deref().and_then(beginning) {
        let person =
            sql::<Bool>("determinations.recorded_by IN (SELECT p.id FROM accounts p WHERE starts_with(upper(p.code), ")
                .bind::<Text, _>(begins.clone())
                .sql(") OR starts_with(upper(p.display_name), ")
                .bind::<Text, _>(begins)
                .sql("))");
        query = query.filter(person);
    }
    if let Some(purpose) = &asked.purpose {
        query = query.filter(determinations::purpose.eq(purpose.clone()));
    }
    if let Some(state) = &asked.state {
        let now = sql::<Bool>(
            "determinations.id IN (SELECT p.entity_id FROM present_states p \
             WHERE p.entity_kind = 'determinations' AND p.state = ",
        )
        .bind::<Text, _>(state.clone())
        .sql(")");
        query = query.filter(now);
    }
    if let Some(begins) = asked.of.as_deref().and_then(beginning) {
        let ends = format!("{begins}\u{10FFFF}");
        // Letter by letter and without regard to case, as codes are found.
        let sample = sql::<Bool>(
            "determinations.sample_id IN (SELECT s.record_id FROM samples s WHERE (upper(s.code) COLLATE \"C\" >= ",
        )
        .bind::<Text, _>(begins.clone())
        .sql(" AND upper(s.code) COLLATE \"C\" < ")
        .bind::<Text, _>(ends.clone())
        .sql(") OR (upper(s.client_reference) COLLATE \"C\" >= ")
        .bind::<Text, _>(begins)
        .sql(" AND upper(s.client_reference) COLLATE \"C\" < ")
        .bind::<Text, _>(ends)
        .sql("))");
        query = query.filter(sample);
    }
    Ok(query.load(&mut connection).await?)
}
