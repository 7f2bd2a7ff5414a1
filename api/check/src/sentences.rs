//! What was found, in sentences that an auditor can read aloud.

use std::fmt::Write as _;

/// What a check says.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Found {
    /// What was proved.
    pub proved: Vec<String>,
    /// What follows only if something else is trusted, or is worth knowing.
    pub noted: Vec<String>,
    /// What this cannot show.
    pub cannot: Vec<String>,
}

impl Found {
    /// As a page of text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut page = String::new();
        for (head, lines) in [("PROVED", &self.proved), ("NOTE", &self.noted), ("NOT SHOWN", &self.cannot)] {
            for line in lines {
                // Writing to a String cannot fail.
                let _ = writeln!(page, "{head}: {line}");
            }
        }
        page
    }
}

/// Seconds since 1970 as a date and time in UTC, without any clock or calendar of the machine.
///
/// # Source
/// Proleptic Gregorian calendar; days are counted from 1 March of year 0, so that the leap day is the last of its year.
#[must_use]
pub fn utc(seconds: u64) -> String {
    let (days, rest) = (seconds / 86_400, seconds % 86_400);
    let since_march = days + 719_468;
    let (era, day_of_era) = (since_march / 146_097, since_march % 146_097);
    let year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    let year = year_of_era + era * 400 + u64::from(month <= 2);
    format!("{year:04}-{month:02}-{day:02} {:02}:{:02}:{:02} UTC", rest / 3600, rest / 60 % 60, rest % 60)
}

/// "1 event", "2 events".
#[must_use]
pub fn counted(count: usize, one: &str) -> String {
    format!("{count} {one}{}", if count == 1 { "" } else { "s" })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The time of the example in the C2SP text tlog-cosignature is 1679315147; POSIX fixes the others.
    #[test]
    fn seconds_are_shown_as_the_calendar_has_them() {
        assert_eq!(utc(0), "1970-01-01 00:00:00 UTC");
        assert_eq!(utc(951_782_400), "2000-02-29 00:00:00 UTC");
        assert_eq!(utc(1_679_315_147), "2023-03-20 12:25:47 UTC");
        assert_eq!(utc(4_102_444_799), "2099-12-31 23:59:59 UTC");
    }
}
