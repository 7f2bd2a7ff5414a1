//! Where lines come from.

mod folder;
mod network;
mod serial;

use std::io::{self, Read};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};

use crate::lines::{Lines, Piece};
pub(crate) use serial::{Flow, Frame, Line, speed};

/// Between two tries to reach an instrument; twice as long after each.
const FIRST_PAUSE: Duration = Duration::from_millis(200);
const LONGEST_PAUSE: Duration = Duration::from_secs(5);

/// A place that lines come from.
#[derive(Debug, Clone)]
pub(crate) enum Source {
    /// A serial port.
    Serial(PathBuf, Line),
    /// A host and a port, to which the connector connects.
    Network(String),
    /// A folder into which the instrument, or its program, writes files.
    Folder { folder: PathBuf, all: bool },
    /// A file read once, or standard input; for a preview.
    File(PathBuf),
}

/// What came, when, and of a line in a file what tells it from all others.
pub(crate) struct Arrival {
    pub(crate) piece: Piece,
    pub(crate) at: DateTime<Utc>,
    pub(crate) place: Option<String>,
}

/// Takes what comes.
pub(crate) trait Taker {
    /// Takes a piece; it is on disk when this returns, if it is a reading.
    fn take(&mut self, arrival: Arrival);

    /// Whether the line of a file was taken before.
    fn has(&self, place: &str) -> bool;

    /// Says how the connection stands.
    fn say(&mut self, words: &str);

    /// Folder of what must be remembered of files; none for a preview.
    fn memory(&self) -> Option<PathBuf>;
}

impl Source {
    /// Reads until the end of a file, or for ever.
    ///
    /// # Errors
    /// What cannot get better by trying again.
    pub(crate) fn read(&self, taker: &mut dyn Taker) -> io::Result<()> {
        match self {
            Self::Serial(device, line) => follow(taker, &device.display().to_string(), || serial::open(device, *line)),
            Self::Network(address) => follow(taker, address, || network::open(address)),
            Self::Folder { folder, all } => folder::watch(folder, *all, taker),
            Self::File(path) => once(path, taker),
        }
    }
}

/// Reads a stream, and connects again whenever it ends.
fn follow<S: Read>(taker: &mut dyn Taker, name: &str, open: impl Fn() -> io::Result<S>) -> ! {
    let (mut pause, mut said) = (FIRST_PAUSE, String::new());
    loop {
        let mut stream = match open() {
            Ok(stream) => stream,
            Err(error) => {
                let words = format!("{name} cannot be reached: {error}");
                if words != said {
                    taker.say(&words);
                    said = words;
                }
                std::thread::sleep(pause);
                pause = (pause * 2).min(LONGEST_PAUSE);
                continue;
            }
        };
        taker.say(&format!("listening to {name}"));
        (pause, said) = (FIRST_PAUSE, String::new());
        let why = until_end(&mut stream, taker);
        taker.say(&format!("{name} is gone: {why}"));
        std::thread::sleep(FIRST_PAUSE);
    }
}

fn until_end(stream: &mut impl Read, taker: &mut dyn Taker) -> String {
    let mut lines = Lines::connected(Instant::now());
    let mut buffer = [0; 4096];
    let why = loop {
        match stream.read(&mut buffer) {
            Ok(0) => break "it closed the connection".to_owned(),
            Ok(length) => {
                let at = Utc::now();
                for piece in lines.feed(&buffer[..length], Instant::now()) {
                    taker.take(Arrival { piece, at, place: None });
                }
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => break error.to_string(),
        }
    };
    if let Some(piece) = lines.rest() {
        taker.take(Arrival { piece, at: Utc::now(), place: None });
    }
    why
}

fn once(path: &std::path::Path, taker: &mut dyn Taker) -> io::Result<()> {
    let mut input: Box<dyn Read> =
        if path.as_os_str() == "-" { Box::new(io::stdin()) } else { Box::new(std::fs::File::open(path)?) };
    let mut lines = Lines::of_file();
    let mut buffer = [0; 4096];
    loop {
        let length = input.read(&mut buffer)?;
        if length == 0 {
            break;
        }
        // Nobody waits in a file: all of it came at one moment.
        for piece in lines.feed(&buffer[..length], Instant::now()) {
            taker.take(Arrival { piece, at: Utc::now(), place: None });
        }
    }
    let last = lines.rest().map(|piece| match piece {
        Piece::Half(bytes) => Piece::Line { bytes, sure: true },
        other => other,
    });
    if let Some(piece) = last {
        taker.take(Arrival { piece, at: Utc::now(), place: None });
    }
    Ok(())
}
