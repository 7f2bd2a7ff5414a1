//! The queue on disk: a reading counts as taken once it is there, and stays until the service has answered for it.
//!
//! `readings` has a line of JSON for each reading, `outcomes` one for each that was answered. Both only grow. What stands in the
//! first and not in the second waits.

use std::collections::{HashMap, HashSet, VecDeque};
use std::fs::{self, File, OpenOptions};
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};

use chrono::{DateTime, Utc};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// A reading as it is kept and sent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Kept {
    /// Made once; sent again, it is the same reading.
    pub(crate) id: Uuid,
    pub(crate) equipment: String,
    pub(crate) value: String,
    pub(crate) unit: String,
    pub(crate) raw_line: String,
    pub(crate) observed_at: DateTime<Utc>,
    /// Of a line in a file: what tells it from every other line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) place: Option<String>,
}

/// What the service answered.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Answered {
    id: Uuid,
    at: DateTime<Utc>,
    /// Why it was refused; absent if the service has it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    refused: Option<String>,
}

/// Why a queue cannot be used.
#[derive(Debug, thiserror::Error)]
pub(crate) enum QueueError {
    /// Another connector has it.
    #[error("another connector already uses {0}")]
    Taken(PathBuf),
    /// A line that is none of ours.
    #[error("{0}, line {1}: it was altered: {2}")]
    Altered(PathBuf, usize, serde_json::Error),
    /// The disk.
    #[error("{0}: {1}")]
    Disk(PathBuf, std::io::Error),
}

/// The queue.
#[derive(Debug)]
pub(crate) struct Queue {
    folder: PathBuf,
    /// Held as long as the queue is in use: two connectors would send what the other has answered for.
    _turn: File,
    state: Mutex<State>,
    /// Told when something was put in.
    pub(crate) news: tokio::sync::Notify,
}

#[derive(Debug)]
struct State {
    readings: File,
    outcomes: File,
    waiting: VecDeque<Kept>,
    last: Option<String>,
    places: HashSet<String>,
}

/// How a queue stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Standing {
    pub(crate) waiting: Vec<Kept>,
    pub(crate) sent: usize,
    pub(crate) refused: Vec<(Kept, String)>,
}

/// Lines of a file. A last one without its end never counted and is cut off, unless it is whole.
fn lines<T: DeserializeOwned>(path: &Path, mend: bool) -> Result<(File, Vec<T>), QueueError> {
    let trouble = |error| QueueError::Disk(path.to_owned(), error);
    let mut options = OpenOptions::new();
    options.read(true);
    if mend {
        options.append(true).create(true);
    }
    let mut file = options.open(path).map_err(trouble)?;
    let mut bytes = Vec::new();
    file.read_to_end(&mut bytes).map_err(trouble)?;
    let whole = bytes.iter().rposition(|byte| *byte == b'\n').map_or(0, |end| end + 1);
    let (ended, torn) = bytes.split_at(whole);
    let mut found = Vec::new();
    for (index, line) in ended.split(|byte| *byte == b'\n').filter(|line| !line.is_empty()).enumerate() {
        let line = serde_json::from_slice(line);
        found.push(line.map_err(|error| QueueError::Altered(path.to_owned(), index + 1, error))?);
    }
    if !torn.is_empty() {
        let last = serde_json::from_slice(torn);
        if mend {
            let mended = match &last {
                Ok(_) => file.write_all(b"\n"),
                Err(_) => file.set_len(whole as u64),
            };
            mended.and_then(|()| file.sync_all()).map_err(trouble)?;
        }
        found.extend(last.ok());
    }
    Ok((file, found))
}

/// Writes a line to its end and onto the disk, or leaves the file as it was.
fn append(file: &mut File, line: &impl Serialize) -> std::io::Result<()> {
    let before = file.seek(SeekFrom::End(0))?;
    let mut text = serde_json::to_vec(line)?;
    text.push(b'\n');
    let written = file.write_all(&text).and_then(|()| file.sync_data());
    if written.is_err() {
        // If that fails as well, the next start cuts it off.
        let _ = file.set_len(before);
    }
    written
}

impl Queue {
    /// Opens the queue of a folder, which is made if it is not there.
    ///
    /// # Errors
    /// Another connector has it; a file that cannot be read or was altered.
    pub(crate) fn open(folder: &Path) -> Result<Self, QueueError> {
        let trouble = |error| QueueError::Disk(folder.to_owned(), error);
        fs::create_dir_all(folder).map_err(trouble)?;
        let turn = File::create(folder.join("lock")).map_err(trouble)?;
        if turn.try_lock().is_err() {
            return Err(QueueError::Taken(folder.to_owned()));
        }
        let (readings, kept) = lines::<Kept>(&folder.join("readings"), true)?;
        let (outcomes, answered) = lines::<Answered>(&folder.join("outcomes"), true)?;
        // That the files are there must be on disk before anything in them counts.
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(trouble)?;
        let answered: HashSet<Uuid> = answered.into_iter().map(|one| one.id).collect();
        let last = kept.last().map(|one| one.value.clone());
        let places = kept.iter().filter_map(|one| one.place.clone()).collect();
        let waiting = kept.into_iter().filter(|one| !answered.contains(&one.id)).collect();
        let state = Mutex::new(State { readings, outcomes, waiting, last, places });
        Ok(Self { folder: folder.to_owned(), _turn: turn, state, news: tokio::sync::Notify::new() })
    }

    /// Looks at a queue and changes nothing, also while a connector uses it.
    ///
    /// # Errors
    /// A file that cannot be read or was altered.
    pub(crate) fn look(folder: &Path) -> Result<Standing, QueueError> {
        // Outcomes first: what is answered meanwhile is then shown as waiting, not as unknown.
        let outcomes = lines::<Answered>(&folder.join("outcomes"), false)?.1;
        let kept = lines::<Kept>(&folder.join("readings"), false)?.1;
        let outcomes: HashMap<Uuid, Option<String>> = outcomes.into_iter().map(|one| (one.id, one.refused)).collect();
        let mut standing = Standing { waiting: Vec::new(), sent: 0, refused: Vec::new() };
        for one in kept {
            match outcomes.get(&one.id) {
                None => standing.waiting.push(one),
                Some(None) => standing.sent += 1,
                Some(Some(why)) => standing.refused.push((one, why.clone())),
            }
        }
        Ok(standing)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Where it is.
    pub(crate) fn folder(&self) -> &Path {
        &self.folder
    }

    /// Puts a reading in; it is on disk when this returns.
    ///
    /// # Errors
    /// The disk is full or broken; nothing was put in.
    pub(crate) fn keep(&self, reading: Kept) -> std::io::Result<()> {
        let mut state = self.state();
        append(&mut state.readings, &reading)?;
        state.last = Some(reading.value.clone());
        state.places.extend(reading.place.clone());
        state.waiting.push_back(reading);
        drop(state);
        self.news.notify_one();
        Ok(())
    }

    /// The value put in last.
    pub(crate) fn last(&self) -> Option<String> {
        self.state().last.clone()
    }

    /// Whether the line of a file is in.
    pub(crate) fn has(&self, place: &str) -> bool {
        self.state().places.contains(place)
    }

    /// The reading that waits longest, and how many wait.
    pub(crate) fn first(&self) -> Option<(Kept, usize)> {
        let state = self.state();
        state.waiting.front().map(|first| (first.clone(), state.waiting.len()))
    }

    /// Notes what the service answered for the reading that waited longest.
    ///
    /// # Errors
    /// The disk is full or broken; it is then sent again, and the service knows it.
    pub(crate) fn settle(&self, id: Uuid, refused: Option<String>) -> std::io::Result<()> {
        let mut state = self.state();
        append(&mut state.outcomes, &Answered { id, at: Utc::now(), refused })?;
        state.waiting.retain(|one| one.id != id);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Folder(PathBuf);

    impl Folder {
        fn new() -> Self {
            Self(std::env::temp_dir().join(format!("ferrotitre-queue-{}", Uuid::now_v7().simple())))
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    fn reading(value: &str) -> Kept {
        Kept {
            id: Uuid::now_v7(),
            equipment: "BAL-1".to_owned(),
            value: value.to_owned(),
            unit: "g".to_owned(),
            raw_line: format!("S {value} g"),
            observed_at: Utc::now(),
            place: None,
        }
    }

    fn waiting(queue: &Queue) -> Vec<String> {
        queue.state().waiting.iter().map(|one| one.value.clone()).collect()
    }

    #[test]
    fn what_was_put_in_waits_until_it_is_answered_for_whatever_ends_in_between() {
        let folder = Folder::new();
        let all: Vec<Kept> = ["0.1", "0.2", "0.3"].map(reading).into();
        {
            let queue = Queue::open(&folder.0).unwrap();
            for one in &all {
                queue.keep(one.clone()).unwrap();
            }
            queue.settle(all[0].id, None).unwrap();
            assert!(matches!(Queue::open(&folder.0), Err(QueueError::Taken(_))));
        }
        let queue = Queue::open(&folder.0).unwrap();
        assert_eq!(waiting(&queue), ["0.2", "0.3"]);
        assert_eq!(queue.first(), Some((all[1].clone(), 2)));
        assert_eq!(queue.last().as_deref(), Some("0.3"));
        queue.settle(all[1].id, Some("equipment: must exist".to_owned())).unwrap();
        let standing = Queue::look(&folder.0).unwrap();
        assert_eq!((standing.sent, standing.waiting.as_slice()), (1, &all[2..]));
        assert_eq!(standing.refused, [(all[1].clone(), "equipment: must exist".to_owned())]);
    }

    #[test]
    fn a_line_that_a_crash_cut_off_never_counted_and_a_whole_one_does() {
        let folder = Folder::new();
        let first = reading("0.1");
        Queue::open(&folder.0).unwrap().keep(first.clone()).unwrap();
        let path = folder.0.join("readings");
        let whole = fs::read(&path).unwrap();
        let second = serde_json::to_vec(&reading("0.2")).unwrap();
        for cut in 0..=second.len() {
            fs::write(&path, [&whole, &second[..cut]].concat()).unwrap();
            let expected: &[&str] = if cut == second.len() { &["0.1", "0.2"] } else { &["0.1"] };
            assert_eq!(waiting(&Queue::open(&folder.0).unwrap()), expected, "cut after {cut}");
            // What is put in afterwards begins a line of its own.
            Queue::open(&folder.0).unwrap().keep(reading("0.3")).unwrap();
            assert_eq!(waiting(&Queue::open(&folder.0).unwrap()), [expected, &["0.3"]].concat());
        }
    }

    #[test]
    fn an_altered_queue_is_named_with_its_line() {
        let folder = Folder::new();
        let queue = Queue::open(&folder.0).unwrap();
        queue.keep(reading("0.1")).unwrap();
        drop(queue);
        let path = folder.0.join("readings");
        let text = fs::read_to_string(&path).unwrap();
        fs::write(&path, format!("{text}not ours\n{text}")).unwrap();
        let error = Queue::open(&folder.0).unwrap_err();
        assert!(matches!(&error, QueueError::Altered(_, 2, _)), "{error}");
    }
}
