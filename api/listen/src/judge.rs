//! What becomes of a line: a reading, or why not.

use ferrotitre_core::quantity::{Reading, ReadingError};

use crate::lines::{LONGEST, LONGEST_PAUSE, Piece, raw, unframed};
use crate::pattern::Pattern;

/// A value that is printed over and over counts when it was printed so many times in a row.
pub(crate) const HELD: u32 = 3;

/// What became of a line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Outcome {
    /// A reading, as the instrument printed it with a point in place of a comma and without a plus.
    Taken(String),
    /// Of an instrument that prints all the time: the value has not been printed often enough yet, or was taken already.
    Seen(&'static str),
    /// Not a reading, and why.
    Refused(String),
}

/// How lines are judged.
#[derive(Debug)]
pub(crate) struct Judge {
    pattern: Pattern,
    unit: String,
    continuous: bool,
    /// The value printed last and how many times in a row.
    run: Option<(Reading, u32)>,
    /// The value taken last, until something else was there.
    taken: Option<Reading>,
}

impl Judge {
    /// A judge; of an instrument that prints all the time `last` was taken before, and is not taken again until something else was
    /// printed.
    pub(crate) fn new(pattern: Pattern, unit: &str, continuous: bool, last: Option<&str>) -> Self {
        let taken = last.and_then(|last| last.parse().ok());
        Self { pattern, unit: unit.to_owned(), continuous, run: None, taken }
    }

    /// Judges what came; the line as it is kept, and what became of it.
    pub(crate) fn judge(&mut self, piece: &Piece) -> (String, Outcome) {
        let refused = |bytes: &[u8], why: String| (raw(bytes), Outcome::Refused(why));
        match piece {
            Piece::TooLong(bytes) => {
                let (shown, outcome) = refused(bytes, format!("longer than {LONGEST} characters"));
                (shown.chars().take(60).collect(), outcome)
            }
            Piece::Half(bytes) => refused(bytes, "half a line: its end did not come".to_owned()),
            Piece::Line { bytes, sure } => {
                let bytes = unframed(bytes);
                let line = raw(bytes);
                let outcome = if bytes.iter().any(|byte| byte.is_ascii_control() && *byte != b'\t') {
                    Outcome::Refused("it has bytes in it that are no text".to_owned())
                } else {
                    self.line(&line, *sure)
                };
                (line, outcome)
            }
        }
    }

    fn line(&mut self, line: &str, sure: bool) -> Outcome {
        let Some(fields) = self.pattern.read(line) else {
            return Outcome::Refused("not as the pattern says".to_owned());
        };
        if !sure && !self.pattern.begins_fixed() {
            let seconds = LONGEST_PAUSE.as_secs();
            return Outcome::Refused(format!(
                "it may be the end of a line that began before the connection, or before a pause of {seconds} s"
            ));
        }
        if !fields.stable {
            self.run = None;
            self.taken = None;
            return Outcome::Refused("not stable".to_owned());
        }
        if let Some(unit) = fields.unit.filter(|unit| *unit != self.unit) {
            return Outcome::Refused(format!("its unit is {unit}, not {}", self.unit));
        }
        if fields.unit.is_none() && self.pattern.has_unit() {
            return Outcome::Refused("it has no unit".to_owned());
        }
        let text = plain(fields.value);
        match text.parse::<Reading>() {
            Ok(value) if self.continuous => self.held(value, text),
            Ok(_) => Outcome::Taken(text),
            Err(ReadingError::TooLong(_)) => {
                Outcome::Refused("it has more digits than any instrument gives".to_owned())
            }
            Err(_) => Outcome::Refused("its value is no decimal number".to_owned()),
        }
    }

    fn held(&mut self, value: Reading, text: String) -> Outcome {
        let times = match &self.run {
            Some((before, times)) if *before == value => times.saturating_add(1),
            _ => 1,
        };
        self.run = Some((value.clone(), times));
        if times < HELD {
            return Outcome::Seen("printed too few times in a row so far");
        }
        if self.taken.as_ref() == Some(&value) {
            return Outcome::Seen("taken already");
        }
        self.taken = Some(value);
        Outcome::Taken(text)
    }
}

/// A number as the service takes it: a point, no plus, no blanks.
fn plain(value: &str) -> String {
    let text: String = value.chars().filter(|letter| !letter.is_whitespace()).collect();
    text.strip_prefix('+').unwrap_or(&text).replace(',', ".")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judge(continuous: bool) -> Judge {
        Judge::new(Pattern::of("{stable=S} {value} {unit}").unwrap(), "g", continuous, None)
    }

    fn of(judge: &mut Judge, line: &str) -> Outcome {
        judge.judge(&Piece::Line { bytes: line.as_bytes().to_vec(), sure: true }).1
    }

    fn taken(value: &str) -> Outcome {
        Outcome::Taken(value.to_owned())
    }

    fn refused(why: &str) -> Outcome {
        Outcome::Refused(why.to_owned())
    }

    #[test]
    fn digits_stay_as_printed() {
        let mut judge = judge(false);
        for (line, value) in [
            ("S +   0.4900 g", "0.4900"),
            ("S - 0,0003 g", "-0.0003"),
            ("S 100.0 g", "100.0"),
            ("S 0.4903g\x03", "0.4903"),
        ] {
            assert_eq!(of(&mut judge, line), taken(value), "{line}");
        }
    }

    #[test]
    fn every_refusal_says_why() {
        let mut judge = judge(false);
        for (line, why) in [
            ("D 0.4903 g", "not stable"),
            ("S 0.4903 mg", "its unit is mg, not g"),
            ("S overload", "not as the pattern says"),
            ("S 0.49\x0003 g", "it has bytes in it that are no text"),
            ("S 0.4903\u{7}4 g", "it has bytes in it that are no text"),
            ("S 1234567890 g", "it has more digits than any instrument gives"),
        ] {
            assert_eq!(of(&mut judge, line), refused(why), "{line}");
        }
        assert_eq!(judge.judge(&Piece::Half(b"S 0.49".to_vec())).1, refused("half a line: its end did not come"));
        assert_eq!(judge.judge(&Piece::TooLong(vec![b'7'; 300])).1, refused("longer than 256 characters"));
        assert_eq!(judge.judge(&Piece::Line { bytes: vec![b'S', 0xFF, b'1'], sure: true }).0, "S\\xff1");
    }

    #[test]
    fn a_line_that_may_be_a_tail_is_taken_only_where_the_pattern_knows_beginnings() {
        let unsure = |text: &str| Piece::Line { bytes: text.as_bytes().to_vec(), sure: false };
        assert_eq!(judge(false).judge(&unsure("S 0.4903 g")).1, taken("0.4903"));
        assert_eq!(judge(false).judge(&unsure("903 g")).1, refused("not stable"));
        let mut bare = Judge::new(Pattern::of("{value} {unit}").unwrap(), "g", false, None);
        let Outcome::Refused(why) = bare.judge(&unsure("903 g")).1 else { panic!("a tail was taken") };
        assert!(why.contains("began before"), "{why}");
    }

    #[test]
    fn printed_twice_on_demand_is_two_readings() {
        let mut judge = judge(false);
        assert_eq!([of(&mut judge, "S 0.4903 g"), of(&mut judge, "S 0.4903 g")], [taken("0.4903"), taken("0.4903")]);
    }

    #[test]
    fn printed_all_the_time_a_value_is_one_reading_until_something_else_was_there() {
        let mut judge = judge(true);
        let mut count =
            |line: &str, times: u32| (0..times).filter(|_| matches!(of(&mut judge, line), Outcome::Taken(_))).count();
        assert_eq!(count("S 0.4903 g", 50), 1);
        // Noise and a foreign unit are nothing that was weighed.
        assert_eq!(count("S 0.4#03 g", 1) + count("S 0.4903 mg", 1) + count("S 0.4903 g", 50), 0);
        // A digit that flickers is not held.
        assert_eq!(count("S 0.4904 g", 1) + count("S 0.4903 g", 50), 0);
        assert_eq!(count("S 0.0000 g", 3) + count("S 0.4903 g", 3), 2);
        assert_eq!(count("D 0.4903 g", 1) + count("S 0.4903 g", 3), 1);
    }

    #[test]
    fn started_again_it_does_not_take_what_still_lies_on_the_pan() {
        let pattern = || Pattern::of("{value} {unit}").unwrap();
        let mut judge = Judge::new(pattern(), "g", true, Some("0.4903"));
        let times =
            |judge: &mut Judge, line: &str| (0..9).filter(|_| matches!(of(judge, line), Outcome::Taken(_))).count();
        assert_eq!(times(&mut judge, "0.49030 g"), 0);
        assert_eq!(times(&mut judge, "0.0000 g") + times(&mut judge, "0.4903 g"), 2);
    }
}
