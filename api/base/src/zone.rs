//! The laboratory's time zone: pages read and show times by its clock. Records hold UTC.

use std::sync::OnceLock;

use chrono::{DateTime, FixedOffset, Local, NaiveDate, NaiveDateTime, Offset as _, TimeZone, Utc};
use chrono_tz::Tz;

/// As configured; set once at the start.
static CONFIGURED: OnceLock<Option<Tz>> = OnceLock::new();

/// Settles the laboratory's zone; without one, the zone of the machine the service runs on.
pub fn configure(zone: Option<Tz>) {
    // Settled already: the first call holds, as there is one laboratory in a process.
    let _ = CONFIGURED.set(zone);
}

fn configured() -> Option<Tz> {
    CONFIGURED.get().copied().flatten()
}

/// A moment by the laboratory's clock, with its offset.
pub fn local(at: DateTime<Utc>) -> DateTime<FixedOffset> {
    match configured() {
        Some(zone) => at.with_timezone(&zone).fixed_offset(),
        None => at.with_timezone(&Local).fixed_offset(),
    }
}

fn first<Z: TimeZone>(zone: &Z, time: NaiveDateTime) -> Option<DateTime<Utc>> {
    zone.from_local_datetime(&time).earliest().map(|time| time.with_timezone(&Utc))
}

/// The moment when the laboratory's clock showed a time: the first of two when clocks go back, none of those they skip.
pub fn moment(time: NaiveDateTime) -> Option<DateTime<Utc>> {
    match configured() {
        Some(zone) => first(&zone, time),
        None => first(&Local, time),
    }
}

/// When a day begins by the laboratory's clock.
pub fn midnight(day: NaiveDate) -> Option<DateTime<Utc>> {
    // Where clocks go forward at midnight, the day begins an hour later.
    [0, 1].iter().find_map(|hour| moment(day.and_hms_opt(*hour, 0, 0)?))
}

/// The laboratory's day.
pub fn today() -> NaiveDate {
    local(Utc::now()).date_naive()
}

/// The zone in words, with its offset at a moment.
pub fn name(at: DateTime<Utc>) -> String {
    let offset = local(at).offset().fix();
    match configured() {
        Some(zone) => format!("{}, UTC{offset}", zone.name()),
        None => format!("the server's zone, UTC{offset}"),
    }
}

/// What an axis of days is labelled with.
pub fn label() -> String {
    match configured() {
        Some(zone) => format!("date ({})", zone.name()),
        None => format!("date (UTC{})", local(Utc::now()).offset().fix()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hour_that_comes_twice_is_the_first_and_the_skipped_one_is_none() {
        // Regulation (EU) 2000/84: clocks go forward on 29 March 2026 at 01:00 UTC and back on 25 October 2026 at 01:00 UTC.
        let time = |text: &str| NaiveDateTime::parse_from_str(text, "%Y-%m-%dT%H:%M").unwrap();
        let berlin = chrono_tz::Europe::Berlin;
        let twice = first(&berlin, time("2026-10-25T02:30")).unwrap();
        assert_eq!(twice.to_rfc3339(), "2026-10-25T00:30:00+00:00");
        assert_eq!(first(&berlin, time("2026-03-29T02:30")), None);
        assert_eq!(first(&berlin, time("2026-07-01T12:00")).unwrap().to_rfc3339(), "2026-07-01T10:00:00+00:00");
    }
}
