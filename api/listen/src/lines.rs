//! Bytes into lines: whatever pieces they come in, ended by CR, LF or both.

use std::time::{Duration, Instant};

/// Longer lines are no readings; bytes.
pub(crate) const LONGEST: usize = 256;
/// A pause that is longer in the middle of a line may be the end of one and the beginning of another.
pub(crate) const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// What comes sooner after a connection may have begun before it.
pub(crate) const SILENCE: Duration = Duration::from_millis(300);

/// What came.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Piece {
    /// A line without its end. It is sure to be whole unless it may have begun before the connection or before a long pause.
    Line { bytes: Vec<u8>, sure: bool },
    /// A line that is too long; its beginning.
    TooLong(Vec<u8>),
    /// What came before a long pause, or before the connection ended, without the end of a line.
    Half(Vec<u8>),
}

/// Puts lines together.
#[derive(Debug)]
pub(crate) struct Lines {
    buffer: Vec<u8>,
    /// When the connection came up, until something came.
    connected: Option<Instant>,
    last: Instant,
    sure: bool,
    /// The rest of a line that is too long is passed over.
    passing: bool,
}

impl Lines {
    /// Of a connection that came up just now.
    pub(crate) fn connected(now: Instant) -> Self {
        Self { buffer: Vec::new(), connected: Some(now), last: now, sure: true, passing: false }
    }

    /// Of a file, read from the beginning of a line.
    pub(crate) fn of_file() -> Self {
        Self { connected: None, ..Self::connected(Instant::now()) }
    }

    /// Takes bytes that came at one moment.
    pub(crate) fn feed(&mut self, bytes: &[u8], now: Instant) -> Vec<Piece> {
        let mut pieces = Vec::new();
        if let Some(since) = self.connected.take() {
            self.sure = now.duration_since(since) >= SILENCE;
        }
        if now.duration_since(self.last) > LONGEST_PAUSE && (self.passing || !self.buffer.is_empty()) {
            if !self.passing {
                pieces.push(Piece::Half(std::mem::take(&mut self.buffer)));
            }
            self.passing = false;
            self.sure = false;
        }
        self.last = now;
        for byte in bytes {
            match byte {
                b'\r' | b'\n' => pieces.extend(self.end()),
                // What frames lines or fills the time between them is no beginning.
                0..=0x20 | 0x7F if self.buffer.is_empty() && !self.passing => {}
                _ if self.passing => {}
                byte => {
                    self.buffer.push(*byte);
                    if self.buffer.len() > LONGEST {
                        pieces.push(Piece::TooLong(std::mem::take(&mut self.buffer)));
                        self.passing = true;
                    }
                }
            }
        }
        pieces
    }

    /// The end of a line.
    fn end(&mut self) -> Option<Piece> {
        let sure = std::mem::replace(&mut self.sure, true);
        if std::mem::replace(&mut self.passing, false) {
            return None;
        }
        let bytes = std::mem::take(&mut self.buffer);
        // Two characters may end a line: what is between them is none.
        (!bytes.is_empty()).then_some(Piece::Line { bytes, sure })
    }

    /// What is left when nothing more comes.
    pub(crate) fn rest(&mut self) -> Option<Piece> {
        let bytes = std::mem::take(&mut self.buffer);
        (!bytes.is_empty()).then_some(Piece::Half(bytes))
    }
}

/// A line as it is kept: printable characters as they are, every other byte as `\x` and two digits, blanks at the ends left out.
pub(crate) fn raw(bytes: &[u8]) -> String {
    let mut text = String::new();
    for chunk in bytes.utf8_chunks() {
        for letter in chunk.valid().chars() {
            match letter {
                '\t' => text.push('\t'),
                letter if letter.is_control() => {
                    let mut buffer = [0; 4];
                    for byte in letter.encode_utf8(&mut buffer).bytes() {
                        text.push_str(&format!("\\x{byte:02x}"));
                    }
                }
                letter => text.push(letter),
            }
        }
        for byte in chunk.invalid() {
            text.push_str(&format!("\\x{byte:02x}"));
        }
    }
    text.trim().to_owned()
}

/// The same without what frames a line at its end.
pub(crate) fn unframed(mut bytes: &[u8]) -> &[u8] {
    while let [before @ .., 0..=0x20 | 0x7F] = bytes {
        bytes = before;
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(text: &str) -> Piece {
        Piece::Line { bytes: text.as_bytes().to_vec(), sure: true }
    }

    fn after(start: Instant, milliseconds: u64) -> Instant {
        start + Duration::from_millis(milliseconds)
    }

    #[test]
    fn lines_end_with_cr_lf_or_both_and_come_in_any_pieces() {
        let text = b"0.4903 g\r\n\r\n0.4904 g\r0.4905 g\n\x000.4906 g\r\n";
        let expected = [line("0.4903 g"), line("0.4904 g"), line("0.4905 g"), line("0.4906 g")];
        for size in 1..text.len() {
            let start = Instant::now();
            let mut lines = Lines::connected(start);
            let mut found = Vec::new();
            for (index, piece) in text.chunks(size).enumerate() {
                found.extend(lines.feed(piece, after(start, 1000 + 100 * index as u64)));
            }
            assert_eq!(found, expected, "in pieces of {size}");
            assert_eq!(lines.rest(), None);
        }
    }

    #[test]
    fn what_may_have_begun_before_is_not_sure() {
        let start = Instant::now();
        let mut lines = Lines::connected(start);
        let first = lines.feed(b"903 g\r\n0.4904 g\r\n", after(start, 10));
        assert_eq!(first[0], Piece::Line { bytes: b"903 g".to_vec(), sure: false });
        assert_eq!(first[1], line("0.4904 g"));
        assert_eq!(lines.feed(b"0.49", after(start, 2000)), []);
        let later = lines.feed(b"05 g\r\n0.4906 g\r\n", after(start, 7001));
        assert_eq!(later[0], Piece::Half(b"0.49".to_vec()));
        assert_eq!(later[1], Piece::Line { bytes: b"05 g".to_vec(), sure: false });
        assert_eq!(later[2], line("0.4906 g"));
        // Between lines a pause is nothing, also where zeros fill it.
        assert_eq!(lines.feed(&[0; 9], after(start, 8000)), []);
        assert_eq!(lines.feed(b"0.4907 g\r\n", after(start, 60_000)), [line("0.4907 g")]);
        assert_eq!(lines.feed(b"0.49", after(start, 61_000)), []);
        assert_eq!(lines.rest(), Some(Piece::Half(b"0.49".to_vec())));
    }

    #[test]
    fn a_line_without_end_takes_no_memory_and_the_next_is_read() {
        let start = Instant::now();
        let mut lines = Lines::connected(start);
        let found = lines.feed(&[b'7'; 100_000], after(start, 1000));
        assert_eq!(found, [Piece::TooLong(vec![b'7'; LONGEST + 1])]);
        assert_eq!(lines.feed(b"77 g\r\n0.4903 g\r\n", after(start, 1100)), [line("0.4903 g")]);
    }

    #[test]
    fn what_is_no_text_is_shown_as_bytes() {
        assert_eq!(raw(b"  0.49\x0003 g \xb5 \xc2\xb5"), "0.49\\x0003 g \\xb5 \u{b5}");
        assert_eq!(unframed(b"0.4903 g \x03\x00"), b"0.4903 g");
    }
}
