//! How times, figures and states are written on pages.

use std::fmt::Write as _;

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::zone;

/// A time as the laboratory's clock shows it.
pub fn time(at: DateTime<Utc>) -> String {
    zone::local(at).format("%-d %b %Y %H:%M").to_string()
}

/// A time with its zone, as signatures show it.
pub fn time_with_zone(at: DateTime<Utc>) -> String {
    zone::local(at).format("%-d %b %Y %H:%M:%S %:z").to_string()
}

/// A time as a form takes it.
pub fn time_field(at: DateTime<Utc>) -> String {
    zone::local(at).format("%Y-%m-%dT%H:%M").to_string()
}

/// A time as a form gives it, by the laboratory's clock.
pub fn moment(text: &str) -> Option<DateTime<Utc>> {
    let formats = ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"];
    zone::moment(formats.iter().find_map(|format| chrono::NaiveDateTime::parse_from_str(text, format).ok())?)
}

/// The laboratory's clock now, to the millisecond: the browser's is set by it.
pub fn clock() -> String {
    zone::local(Utc::now()).format("%Y-%m-%dT%H:%M:%S%.3f").to_string()
}

/// A day.
pub fn day(day: NaiveDate) -> String {
    day.format("%-d %b %Y").to_string()
}

/// How long until a time, in words.
pub fn until(at: DateTime<Utc>) -> String {
    let left = at - Utc::now();
    match (left.num_days(), left.num_hours()) {
        (_, ..0) => "ended".to_owned(),
        (0, 0) => "less than an hour left".to_owned(),
        (0, 1) => "1 hour left".to_owned(),
        (0, hours) => format!("{hours} hours left"),
        (1, _) => "1 day left".to_owned(),
        (days, _) => format!("{days} days left"),
    }
}

/// How long ago a time was, in words.
pub fn ago(at: DateTime<Utc>) -> String {
    let past = Utc::now() - at;
    match past.num_seconds() {
        ..0 => "just now".to_owned(),
        seconds @ 0..120 => format!("{seconds} s ago"),
        120..7200 => format!("{} min ago", past.num_minutes()),
        7200..172_800 => format!("{} hours ago", past.num_hours()),
        _ => format!("{} days ago", past.num_days()),
    }
}

/// How long until the end of a day, in words.
pub fn until_day(last: NaiveDate) -> String {
    match (last - zone::today()).num_days() {
        days @ ..0 => format!("overdue by {} d", -days),
        0 => "last day today".to_owned(),
        1 => "1 day left".to_owned(),
        days => format!("{days} days left"),
    }
}

/// A number as somebody types it, with either decimal mark; none where it is none.
#[must_use]
pub fn typed(text: &str) -> Option<f64> {
    text.trim().replace(',', ".").parse::<f64>().ok().filter(|value| value.is_finite())
}

/// A computed figure to so many significant figures; plain where that is readable, with a power of ten otherwise.
pub fn figure(value: impl std::borrow::Borrow<f64>, digits: usize) -> String {
    let value = *value.borrow();
    if value == 0.0 {
        return "0".to_owned();
    }
    let text = format!("{value:.*e}", digits.saturating_sub(1));
    let Some((_, exponent)) = text.split_once('e') else { return text };
    let exponent: i32 = exponent.parse().unwrap_or(0);
    if !(-4..7).contains(&exponent) {
        return text.replace('e', " x 10^");
    }
    let places = usize::try_from(i32::try_from(digits).unwrap_or(6) - 1 - exponent).unwrap_or(0);
    format!("{value:.places$}")
}

/// Shape that stands for a state, so that colour is never the only sign. A word without one of its own is drawn as something wrong,
/// so that nobody overlooks it.
pub fn shape(state: &str) -> &'static str {
    known_shape(state).unwrap_or("cross")
}

/// Shape of a state that has one of its own: open, half, most and full for how far something has come, turn for what is to be looked
/// at, cross for what is wrong, ended for what is over and was not wrong.
pub fn known_shape(state: &str) -> Option<&'static str> {
    Some(match state {
        "not completed" | "proposed" | "opened" | "no value yet" | "open" | "in progress" | "draft" | "received"
        | "recorded" | "prepared" | "requested" | "quarantined" | "not used" | "planned" | "not enough data"
        | "incomplete" | "not judged" | "waiting" => "open",
        "contained" | "investigating" | "action" | "verifying" | "preliminary" | "submitted" | "in validation"
        | "standardising" | "in analysis" | "running" | "complete" => "half",
        "reviewed" => "most",
        "effective" | "valid" | "established" | "conforms" | "approved" | "released" | "in use" | "in service"
        | "active" | "granted" | "issued" | "reported" | "used" | "met" | "good" | "passed" | "in control"
        | "meets" | "concordant" | "accepted" | "current" | "delivered" => "full",
        "investigate"
        | "soon"
        | "under investigation"
        | "conditional"
        | "reopened"
        | "returned"
        | "amended"
        | "suspended"
        | "query"
        | "doubtful"
        | "locked"
        | "no decision"
        | "rough"
        | "in control with something to investigate"
        | "missing QC"
        | "no decision rule"
        | "no QC plan"
        | "refuted, decided"
        | "discordant" => "turn",
        "closed" | "superseded" | "archived" | "disposed" | "retired" | "exhausted" | "cancelled" | "discarded"
        | "revoked" => "ended",
        "overdue"
        | "not calibrated"
        | "rejected"
        | "withdrawn"
        | "expired"
        | "out of service"
        | "invalidated"
        | "invalid-with-cause"
        | "rejected on receipt"
        | "refused"
        | "not met"
        | "does not meet"
        | "does not conform"
        | "out of control"
        | "failed"
        | "failed reduction"
        | "refuted"
        | "now"
        | "not effective"
        | "completed" => "cross",
        _ => return None,
    })
}

/// A text as part of a query.
pub fn encoded(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte) {
            out.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(out, "%{byte:02X}");
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_plain_where_that_is_readable() {
        assert_eq!(figure(23.456_789, 6), "23.4568");
        assert_eq!(figure(0.001_234, 3), "0.00123");
        assert_eq!(figure(120_012.0, 3), "120012");
        assert_eq!(figure(1.2345e-7, 3), "1.23 x 10^-7");
        assert_eq!(figure(-9.995, 3), "-9.99");
        assert_eq!(figure(0.0, 3), "0");
    }

    #[test]
    fn a_path_goes_through_a_query_unharmed() {
        assert_eq!(encoded("/runs/1?done=saved&x=ä"), "/runs/1%3Fdone%3Dsaved%26x%3D%C3%A4");
    }
}
