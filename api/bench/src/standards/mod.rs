//! Lots of primary standards and of reagents.

mod handlers;
pub mod pages;
pub mod primary;
pub mod reagents;

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::alert::{Alert, ending};
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states;
use ferrotitre_base::web::mount::{Describe, Mount};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

/// Mounts the feature.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::record_primary_standard)
        .service(handlers::list_primary_standards)
        .service(handlers::read_primary_standard)
        .service(handlers::correct_primary_standard)
        .service(handlers::move_primary_standard)
        .service(handlers::record_reagent)
        .service(handlers::list_reagents)
        .service(handlers::read_reagent)
        .service(handlers::correct_reagent)
        .service(handlers::move_reagent);
}

/// Released lots that have expired or expire soon.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>, until: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let last_day = until.date_naive();
    let (standards, reagents) =
        futures_util::try_join!(primary::ending(connection, last_day), reagents::ending(connection, last_day))?;
    let ids = |lots: &[(Uuid, String, NaiveDate)]| lots.iter().map(|(id, ..)| *id).collect::<Vec<_>>();
    let (standard_ids, reagent_ids) = (ids(&standards), ids(&reagents));
    let (mut states, of_reagents) = futures_util::try_join!(
        states::present_many(connection, EntityKind::PrimaryStandard, &standard_ids),
        states::present_many(connection, EntityKind::Reagent, &reagent_ids)
    )?;
    states.extend(of_reagents);
    let lots = standards
        .into_iter()
        .map(|lot| ("primary-standards", "primary standard expires", lot))
        .chain(reagents.into_iter().map(|lot| ("reagents", "reagent expires", lot)));
    let mut alerts = Vec::new();
    for (subject_kind, what, (id, code, last)) in lots {
        if !states.get(&id).is_some_and(|state| matches!(state.as_str(), "released" | "in use")) {
            continue;
        }
        let end = last.succ_opt().unwrap_or(last).and_time(chrono::NaiveTime::MIN).and_utc();
        alerts.extend(ending((now, until + chrono::Duration::days(1)), end, |urgency| Alert {
            kind: what,
            urgency,
            subject_kind,
            subject: id,
            message: format!("{code} may be used until {last}"),
            code: code.clone(),
            due_at: Some(end),
        }));
    }
    Ok(alerts)
}
