//! A folder into which the instrument, or its own program, writes files: a file for each reading, or a line for each.
//!
//! How far each file was read is remembered beside the queue, with a digest of what was read: a file that is written anew begins
//! again. A line is known by its file and everything up to its end, so that none is taken twice whenever the connector ends.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime};

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::{Arrival, Taker};
use crate::lines::{LONGEST, Piece};

/// Between two looks.
const LOOK: Duration = Duration::from_secs(1);
/// A last line without an end is taken when the file was left alone for so long.
const SETTLED: Duration = Duration::from_secs(10);
/// Name of the memory.
const MEMORY: &str = "files";

/// How far a file was read.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
struct Read {
    bytes: usize,
    /// SHA-256 of those bytes, hexadecimal.
    digest: String,
}

/// A file as it was at the last look.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Look {
    length: u64,
    written: SystemTime,
}

type Seen = BTreeMap<String, (Look, Instant, bool)>;

/// Watches a folder for ever.
pub(super) fn watch(folder: &Path, all: bool, taker: &mut dyn Taker) -> io::Result<()> {
    let mut known = match taker.memory() {
        Some(keep) => remembered(&keep)?,
        None => Some(BTreeMap::new()),
    };
    let (mut seen, mut said) = (Seen::new(), String::new());
    loop {
        match look(folder, all, &mut known, &mut seen, taker) {
            Ok(()) if said.is_empty() => {
                said = format!("watching {}", folder.display());
                taker.say(&said);
            }
            Ok(()) => {}
            Err(error) => {
                let words = format!("{} cannot be read: {error}", folder.display());
                if said != words {
                    taker.say(&words);
                }
                said = words;
                std::thread::sleep(LOOK);
                continue;
            }
        }
        if said.contains(" cannot be read: ") {
            said = String::new();
            continue;
        }
        std::thread::sleep(LOOK);
    }
}

/// What was read before; none at the very first start.
fn remembered(keep: &Path) -> io::Result<Option<BTreeMap<String, Read>>> {
    match fs::read(keep.join(MEMORY)) {
        Ok(text) => serde_json::from_slice(&text)
            .map(Some)
            .map_err(|error| io::Error::other(format!("{}: it was altered: {error}", keep.join(MEMORY).display()))),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

fn remember(keep: &Path, known: &BTreeMap<String, Read>) -> io::Result<()> {
    let draft = keep.join(format!("{MEMORY}.new"));
    let mut file = File::create(&draft)?;
    file.write_all(&serde_json::to_vec(known)?)?;
    file.sync_all()?;
    fs::rename(&draft, keep.join(MEMORY))?;
    File::open(keep)?.sync_all()
}

/// Files of a folder, what was written first in front.
fn files(folder: &Path) -> io::Result<Vec<(String, PathBuf, Look)>> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name().to_string_lossy().into_owned();
        // What is gone again by now was a draft.
        let Ok(about) = fs::metadata(entry.path()) else { continue };
        if about.is_file() && !name.starts_with('.') {
            found.push((name, entry.path(), Look { length: about.len(), written: about.modified()? }));
        }
    }
    found.sort_by(|one, other| (one.2.written, &one.0).cmp(&(other.2.written, &other.0)));
    Ok(found)
}

/// One look at the folder.
fn look(
    folder: &Path,
    all: bool,
    known: &mut Option<BTreeMap<String, Read>>,
    seen: &mut Seen,
    taker: &mut dyn Taker,
) -> io::Result<()> {
    let now = files(folder)?;
    let first = known.is_none();
    let passes_over = first && !all;
    let known = known.get_or_insert_default();
    let mut changed = first;
    seen.retain(|name, _| now.iter().any(|(there, _, _)| there == name));
    for (name, path, at) in now {
        let (before, since, done) = seen.get(&name).copied().unwrap_or((at, Instant::now(), false));
        let same = before == at;
        let since = if same { since } else { Instant::now() };
        // What lay there before the first start was left alone since it was written.
        let old = first && at.written.elapsed().is_ok_and(|age| age >= SETTLED);
        let settled = old || since.elapsed() >= SETTLED;
        if same && done {
            continue;
        }
        let bytes = match fs::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == io::ErrorKind::NotFound => continue,
            Err(error) => {
                taker.say(&format!("{} cannot be read: {error}", path.display()));
                seen.insert(name, (at, since, true));
                continue;
            }
        };
        let read = known.get(&name).cloned().unwrap_or_default();
        let after = take(&name, &bytes, &read, (settled, passes_over), at.written, taker);
        let done = after.bytes == bytes.len();
        if after != read {
            known.insert(name.clone(), after);
            changed = true;
        }
        seen.insert(name, (at, since, done));
    }
    if changed && let Some(keep) = taker.memory() {
        remember(&keep, known)?;
    }
    Ok(())
}

/// Takes what is new in a file; how far it is read then.
fn take(
    name: &str,
    bytes: &[u8],
    read: &Read,
    (settled, passes_over): (bool, bool),
    written: SystemTime,
    taker: &mut dyn Taker,
) -> Read {
    let goes_on = bytes.get(..read.bytes).is_some_and(|before| hex::encode(Sha256::digest(before)) == read.digest);
    let begin = if goes_on { read.bytes } else { 0 };
    let mut content = Sha256::new_with_prefix(&bytes[..begin]);
    let mut place = Sha256::new_with_prefix(name.as_bytes());
    place.update([0]);
    place.update(&bytes[..begin]);
    let at = DateTime::<Utc>::from(written).min(Utc::now());
    let mut end = begin;
    while end < bytes.len() {
        let rest = &bytes[end..];
        let length = match rest.iter().position(|byte| matches!(byte, b'\r' | b'\n')) {
            Some(length) => length,
            None if settled => rest.len(),
            None => break,
        };
        let line = &rest[..length];
        let whole = &rest[..rest.len().min(length + 1)];
        content.update(whole);
        place.update(whole);
        end += whole.len();
        if passes_over || line.iter().all(|byte| *byte <= 0x20) {
            continue;
        }
        let place = hex::encode(place.clone().finalize());
        if !taker.has(&place) {
            let piece = if length > LONGEST {
                Piece::TooLong(line[..LONGEST].to_vec())
            } else {
                Piece::Line { bytes: line.to_vec(), sure: true }
            };
            taker.take(Arrival { piece, at, place: Some(place) });
        }
    }
    if end == 0 { Read::default() } else { Read { bytes: end, digest: hex::encode(content.finalize()) } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Default)]
    struct Taken {
        lines: Vec<String>,
        places: Vec<String>,
    }

    impl Taker for Taken {
        fn take(&mut self, arrival: Arrival) {
            if let Piece::Line { bytes, .. } = arrival.piece {
                self.lines.push(String::from_utf8(bytes).unwrap());
            }
            self.places.extend(arrival.place);
        }

        fn has(&self, place: &str) -> bool {
            self.places.iter().any(|one| one == place)
        }

        fn say(&mut self, _: &str) {}

        fn memory(&self) -> Option<PathBuf> {
            None
        }
    }

    fn next(taken: &mut Taken, bytes: &str, read: &Read, settled: bool) -> Read {
        take("results.txt", bytes.as_bytes(), read, (settled, false), SystemTime::now(), taken)
    }

    #[test]
    fn a_file_that_grows_is_read_line_by_line_and_half_a_line_waits() {
        let mut taken = Taken::default();
        let read = next(&mut taken, "0.1 g\r\n0.2", &Read::default(), false);
        assert_eq!(taken.lines, ["0.1 g"]);
        let read = next(&mut taken, "0.1 g\r\n0.25 g\n", &read, false);
        assert_eq!(taken.lines, ["0.1 g", "0.25 g"]);
        let read = next(&mut taken, "0.1 g\r\n0.25 g\n0.3 g", &read, false);
        assert_eq!(taken.lines.len(), 2);
        let read = next(&mut taken, "0.1 g\r\n0.25 g\n0.3 g", &read, true);
        assert_eq!(taken.lines, ["0.1 g", "0.25 g", "0.3 g"]);
        // Its end comes later and is no line.
        assert_eq!(next(&mut taken, "0.1 g\r\n0.25 g\n0.3 g\n", &read, false).bytes, 20);
        assert_eq!(taken.lines.len(), 3);
    }

    #[test]
    fn a_file_written_anew_begins_again_and_a_connector_that_forgot_takes_nothing_twice() {
        let mut taken = Taken::default();
        let read = next(&mut taken, "0.1 g\n", &Read::default(), false);
        let again = next(&mut taken, "0.2 g\n", &read, false);
        assert_eq!(taken.lines, ["0.1 g", "0.2 g"]);
        let _ = next(&mut taken, "0.2 g\n0.2 g\n", &Read::default(), false);
        assert_eq!(taken.lines, ["0.1 g", "0.2 g", "0.2 g"]);
        let _ = next(&mut taken, "", &again, false);
        assert_eq!(taken.lines.len(), 3);
    }
}
