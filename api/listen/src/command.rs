//! The command `ferrotitre listen`.

use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use clap::Args;
use uuid::Uuid;

use crate::judge::{Judge, Outcome};
use crate::pattern::Pattern;
use crate::queue::{Kept, Queue};
use crate::send::{Destination, Sender, Token};
use crate::source::{Arrival, Flow, Frame, Line, Source, Taker, speed};

/// Between two tries to write onto a full disk.
const DISK_PAUSE: Duration = Duration::from_secs(1);

/// What `ferrotitre listen` takes.
#[derive(Debug, Args)]
pub struct ListenArguments {
    /// Serial port, such as /dev/ttyUSB0.
    #[arg(long, group = "source")]
    serial: Option<PathBuf>,
    /// Speed of the serial port, baud.
    #[arg(long, default_value = "9600", value_parser = speed)]
    speed: u32,
    /// Data bits, parity and stop bits of the serial port: 8N1, 7E1, 7O2 and so on.
    #[arg(long, default_value = "8N1")]
    frame: Frame,
    /// Flow control of the serial port.
    #[arg(long, value_enum, default_value = "none")]
    flow: Flow,
    /// Instrument on the network, as HOST:PORT, to which the connector connects.
    #[arg(long, group = "source", value_name = "HOST:PORT")]
    tcp: Option<String>,
    /// Folder into which the instrument writes files: one for each reading, or a line for each.
    #[arg(long, group = "source")]
    folder: Option<PathBuf>,
    /// Take what is in the folder at the first start, too, in place of what is written from then on.
    #[arg(long, requires = "folder")]
    all: bool,
    /// A file of lines, or - for standard input; for a preview only.
    #[arg(long, group = "source", requires = "preview")]
    lines: Option<PathBuf>,
    /// What a line looks like: {value}, {unit}, {unit?}, {stable=...}, {unstable=...}, {any}, and whatever else stands in it.
    #[arg(long, group = "how")]
    pattern: Option<String>,
    /// The same as a regular expression over the whole line, with the groups value, unit, stable and unstable.
    #[arg(long, group = "how")]
    expression: Option<String>,
    /// Unit of the readings.
    #[arg(long, value_parser = ["g", "mL"])]
    unit: Option<String>,
    /// The instrument prints all the time: a value counts once it was printed three times in a row, and once until something else was.
    #[arg(long)]
    continuous: bool,
    /// Shows each line and what would become of it; keeps nothing, sends nothing.
    #[arg(long)]
    preview: bool,
    /// Code on the label of the instrument, as the service has it.
    #[arg(long)]
    equipment: Option<String>,
    /// Address of the service, such as `https://titration.example:8420`.
    #[arg(long)]
    service: Option<String>,
    /// File with the token of the instrument; without it the environment variable FERROTITRE_TOKEN holds the token.
    #[arg(long)]
    token_file: Option<PathBuf>,
    /// Certificate (PEM) of the authority by which the service is known, beside the machine's own.
    #[arg(long)]
    authority: Option<PathBuf>,
    /// Send the token in the clear to an address that begins with http:// and is not of this machine.
    #[arg(long)]
    plain_http: bool,
    /// Folder of the queue; one for each instrument. Made if it is not there.
    #[arg(long)]
    queue: Option<PathBuf>,
    /// Only shows what waits in the queue and what the service refused.
    #[arg(long, requires = "queue")]
    look: bool,
}

/// Prints; whoever started it may have stopped reading.
pub(crate) fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{text}");
    let _ = out.flush();
}

/// Runs the connector: until it is stopped, or a preview of a file has come to its end.
pub fn run(arguments: &ListenArguments) -> ExitCode {
    let outcome = if arguments.look {
        look(arguments)
    } else if arguments.preview {
        preview(arguments)
    } else {
        listen(arguments)
    };
    match outcome {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("ferrotitre listen: {error}");
            ExitCode::FAILURE
        }
    }
}

impl ListenArguments {
    fn source(&self) -> Result<Source, String> {
        let line = Line { speed: self.speed, frame: self.frame, flow: self.flow };
        match (&self.serial, &self.tcp, &self.folder, &self.lines) {
            (Some(device), ..) => Ok(Source::Serial(device.clone(), line)),
            (_, Some(address), ..) => Ok(Source::Network(address.clone())),
            (_, _, Some(folder), _) => Ok(Source::Folder { folder: folder.clone(), all: self.all }),
            (.., Some(path)) => Ok(Source::File(path.clone())),
            _ => Err("name the instrument: --serial, --tcp or --folder".to_owned()),
        }
    }

    fn judge(&self, last: Option<&str>) -> Result<Judge, String> {
        let pattern = match (&self.pattern, &self.expression) {
            (Some(text), _) => Pattern::of(text).map_err(|error| format!("--pattern: {error}"))?,
            (None, Some(text)) => Pattern::expression(text).map_err(|error| format!("--expression: {error}"))?,
            (None, None) => return Err("say what a line looks like: --pattern '{value} {unit}'".to_owned()),
        };
        let unit = self.unit.as_deref().ok_or("say what the unit is: --unit g or --unit mL")?;
        Ok(Judge::new(pattern, unit, self.continuous, last))
    }

    fn destination(&self) -> Result<Destination, String> {
        let service = self.service.as_deref().ok_or("say where the service is: --service https://...")?;
        let service = service.trim_end_matches('/');
        let address: hyper::Uri = service.parse().map_err(|error| format!("--service {service}: {error}"))?;
        let own = matches!(address.host(), Some("localhost" | "[::1]"))
            || address.host().and_then(|host| host.parse().ok()).is_some_and(|ip: std::net::IpAddr| ip.is_loopback());
        match address.scheme_str() {
            Some("https") => {}
            Some("http") if own || self.plain_http => {}
            Some("http") => {
                return Err(
                    "--service: others could read the token; use https://, or --plain-http all the same".to_owned()
                );
            }
            _ => return Err(format!("--service {service}: must begin with https:// or http://")),
        }
        let token = match &self.token_file {
            Some(path) => Token::File(path.clone()),
            None => std::env::var("FERROTITRE_TOKEN").ok().filter(|token| !token.trim().is_empty()).map_or_else(
                || Err("there is no token: --token-file, or the environment variable FERROTITRE_TOKEN"),
                |token| Ok(Token::Given(token.trim().to_owned())),
            )?,
        };
        Ok(Destination { service: service.to_owned(), authority: self.authority.clone(), token })
    }
}

fn look(arguments: &ListenArguments) -> Result<(), String> {
    let folder = arguments.queue.as_deref().ok_or("name the queue: --queue")?;
    let standing = Queue::look(folder).map_err(|error| error.to_string())?;
    let line = |one: &Kept| {
        format!("{} {} {} {} |{}|", one.observed_at.to_rfc3339(), one.equipment, one.value, one.unit, one.raw_line)
    };
    say(&format!("{} sent, {} waiting, {} refused", standing.sent, standing.waiting.len(), standing.refused.len()));
    for one in &standing.waiting {
        say(&format!("waiting  {}", line(one)));
    }
    for (one, why) in &standing.refused {
        say(&format!("refused  {}: {why}", line(one)));
    }
    Ok(())
}

/// Shows what comes.
struct Shown {
    judge: Judge,
    unit: String,
}

impl Taker for Shown {
    fn take(&mut self, arrival: Arrival) {
        let (line, outcome) = self.judge.judge(&arrival.piece);
        say(&match outcome {
            Outcome::Taken(value) => format!("taken      {value} {}  |{line}|", self.unit),
            Outcome::Seen(why) => format!("seen       {why}  |{line}|"),
            Outcome::Refused(why) => format!("not taken  {why}  |{line}|"),
        });
    }

    fn has(&self, _: &str) -> bool {
        false
    }

    fn say(&mut self, words: &str) {
        say(words);
    }

    fn memory(&self) -> Option<PathBuf> {
        None
    }
}

fn preview(arguments: &ListenArguments) -> Result<(), String> {
    let judge = arguments.judge(None)?;
    let source = arguments.source()?;
    let mut shown = Shown { judge, unit: arguments.unit.clone().unwrap_or_default() };
    source.read(&mut shown).map_err(|error| error.to_string())
}

/// Puts readings into the queue.
struct Keeper {
    judge: Judge,
    queue: Arc<Queue>,
    equipment: String,
    unit: String,
}

impl Taker for Keeper {
    fn take(&mut self, arrival: Arrival) {
        let (line, outcome) = self.judge.judge(&arrival.piece);
        let value = match outcome {
            Outcome::Taken(value) => value,
            Outcome::Seen(_) => return,
            Outcome::Refused(why) => return say(&format!("not taken: {why} |{line}|")),
        };
        let words = format!("taken {value} {} |{line}|", self.unit);
        let reading = Kept {
            id: Uuid::now_v7(),
            equipment: self.equipment.clone(),
            value,
            unit: self.unit.clone(),
            raw_line: line,
            observed_at: arrival.at,
            place: arrival.place,
        };
        // Nothing more is read until it is on disk: the instrument's own memory, and the port's, hold what comes meanwhile.
        while let Err(error) = self.queue.keep(reading.clone()) {
            say(&format!(
                "NOT KEPT YET: {} cannot be written: {error} |{}|",
                self.queue.folder().display(),
                reading.raw_line
            ));
            std::thread::sleep(DISK_PAUSE);
        }
        say(&words);
    }

    fn has(&self, place: &str) -> bool {
        self.queue.has(place)
    }

    fn say(&mut self, words: &str) {
        say(words);
    }

    fn memory(&self) -> Option<PathBuf> {
        Some(self.queue.folder().to_owned())
    }
}

fn listen(arguments: &ListenArguments) -> Result<(), String> {
    let source = arguments.source()?;
    let equipment = arguments.equipment.clone().ok_or("name the instrument as the service knows it: --equipment")?;
    let sender = Sender::to(arguments.destination()?)?;
    let folder = arguments.queue.as_deref().ok_or("name a folder for the queue: --queue")?;
    let queue = Arc::new(Queue::open(folder).map_err(|error| error.to_string())?);
    let judge = arguments.judge(queue.last().as_deref())?;
    let unit = arguments.unit.clone().unwrap_or_default();
    let mut keeper = Keeper { judge, queue: Arc::clone(&queue), equipment, unit };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.map_err(|error| error.to_string())?;
    // Everything that counts is on disk at every moment, so both may end with the process.
    let (ended, end) = tokio::sync::oneshot::channel();
    std::thread::spawn(move || {
        let outcome = source.read(&mut keeper).map_err(|error| error.to_string());
        let _ = ended.send(outcome);
    });
    runtime.block_on(async {
        tokio::select! {
            () = sender.run(&queue) => Ok(()),
            outcome = end => outcome.unwrap_or_else(|_| Err("reading the instrument ended".to_owned())),
        }
    })
}
