//! `ferrotitre calc`: the subjects from the command line, without a store.

use std::io::{self, BufRead, Read, Write};
use std::process::ExitCode;

use clap::Args;
use ferrotitre_base::refusal::Refusal;

use crate::csv::{self, Table};
use crate::subject::{Place, Subject, page};
use crate::table::{SUBJECTS, subject};

/// Exit code of input that breaks a rule.
const BAD_INPUT: u8 = 2;

/// Arguments of `ferrotitre calc`.
#[derive(Debug, Args)]
pub struct CalcArguments {
    /// Subject; without one, the subjects are listed.
    subject: Option<String>,
    /// File with the input, JSON or CSV; - or nothing for standard input.
    file: Option<String>,
    /// Print the input's JSON Schema with an example, and how CSV columns become fields.
    #[arg(long, conflicts_with_all = ["lines", "text"])]
    schema: bool,
    /// Print a page to read in place of JSON.
    #[arg(long, conflicts_with = "lines")]
    text: bool,
    /// Read one JSON input per line and write one answer per line.
    #[arg(long)]
    lines: bool,
    /// A field beside the columns of a CSV file, as NAME=VALUE; may be repeated.
    #[arg(long = "set", value_parser = setting)]
    settings: Vec<(String, String)>,
}

fn setting(text: &str) -> Result<(String, String), String> {
    let (name, value) = text.split_once('=').ok_or("must be NAME=VALUE")?;
    Ok((name.to_owned(), value.to_owned()))
}

/// What went wrong: the reader is gone, a file cannot be read, the input is bad.
enum Failure {
    Gone,
    Io(String, io::Error),
    Input(Refusal),
}

impl From<Refusal> for Failure {
    fn from(refusal: Refusal) -> Self {
        Self::Input(refusal)
    }
}

fn write(text: &str) -> Result<(), Failure> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Ok(()) => Ok(()),
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Err(Failure::Gone),
        Err(error) => Err(Failure::Io("standard output".to_owned(), error)),
    }
}

/// Runs the command.
#[must_use]
pub fn run(arguments: &CalcArguments) -> ExitCode {
    match carried_out(arguments) {
        Ok(()) | Err(Failure::Gone) => ExitCode::SUCCESS,
        Err(Failure::Io(what, error)) => {
            eprintln!("ferrotitre: {what}: {error}");
            ExitCode::FAILURE
        }
        Err(Failure::Input(refusal)) => {
            eprint!("{}", complaint(&refusal));
            ExitCode::from(BAD_INPUT)
        }
    }
}

fn carried_out(arguments: &CalcArguments) -> Result<(), Failure> {
    let Some(name) = &arguments.subject else { return write(&list()) };
    let Some(subject) = subject(name) else {
        let message = "is no subject; ferrotitre calc lists them";
        return Err(Refusal::invalid("SUBJECT", "known", message, name).into());
    };
    if arguments.schema {
        return write(&schema(subject));
    }
    if arguments.lines {
        return lines(subject, arguments.file.as_deref());
    }
    let input = json_of(&read(arguments.file.as_deref())?, subject, &arguments.settings)?;
    let answer = subject.calculate(&input, Place::CommandLine)?;
    if arguments.text {
        return write(&page(&answer)?);
    }
    write(&format!("{answer}\n"))
}

/// JSON as it is; anything else is taken as a table.
pub(super) fn json_of(input: &[u8], subject: &Subject, settings: &[(String, String)]) -> Result<Vec<u8>, Refusal> {
    let is_json = input.iter().find(|byte| !byte.is_ascii_whitespace()).is_some_and(|byte| *byte == b'{');
    if !is_json {
        return csv::to_json(input, subject.table, settings);
    }
    match settings.first() {
        None => Ok(input.to_vec()),
        Some((name, value)) => {
            Err(Refusal::invalid("--set", "table", format!("goes with a table; write {name} into the JSON"), value))
        }
    }
}

fn read(file: Option<&str>) -> Result<Vec<u8>, Failure> {
    match file {
        None | Some("-") => {
            let mut bytes = Vec::new();
            io::stdin()
                .lock()
                .read_to_end(&mut bytes)
                .map_err(|error| Failure::Io("standard input".to_owned(), error))?;
            Ok(bytes)
        }
        Some(path) => std::fs::read(path).map_err(|error| Failure::Io(path.to_owned(), error)),
    }
}

/// Every line by itself: a bad one is answered with its problem, and the exit code says that there was one.
fn lines(subject: &Subject, file: Option<&str>) -> Result<(), Failure> {
    let from = |name: &str| {
        let name = name.to_owned();
        move |error| Failure::Io(name, error)
    };
    let reader: Box<dyn BufRead> = match file {
        None | Some("-") => Box::new(io::stdin().lock()),
        Some(path) => Box::new(io::BufReader::new(std::fs::File::open(path).map_err(from(path))?)),
    };
    let mut out = io::BufWriter::new(io::stdout().lock());
    let mut bad = None;
    for line in reader.split(b'\n') {
        let line = line.map_err(from("input"))?;
        if line.iter().all(u8::is_ascii_whitespace) {
            continue;
        }
        let answer = subject.calculate(&line, Place::CommandLine).unwrap_or_else(|refusal| {
            let problem = serde_json::json!({
                "problem": { "code": refusal.code.text(), "detail": refusal.detail, "errors": refusal.fields }
            });
            bad = Some(refusal);
            problem.to_string()
        });
        match out.write_all(answer.as_bytes()).and_then(|()| out.write_all(b"\n")) {
            Ok(()) => {}
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => return Err(Failure::Gone),
            Err(error) => return Err(Failure::Io("standard output".to_owned(), error)),
        }
    }
    out.flush().map_err(from("standard output"))?;
    bad.map_or(Ok(()), |refusal| Err(Failure::Input(refusal)))
}

/// A refusal for a terminal: field, rule, value, then the rule in words.
fn complaint(refusal: &Refusal) -> String {
    if refusal.fields.is_empty() {
        return format!("ferrotitre: {}\n", refusal.detail);
    }
    refusal
        .fields
        .iter()
        .map(|error| {
            format!("ferrotitre: {}: {} (rule {}, value \"{}\")\n", error.field, error.message, error.rule, error.value)
        })
        .collect()
}

fn list() -> String {
    let width = SUBJECTS.iter().map(|subject| subject.name.len()).max().unwrap_or(0);
    let mut text = String::from("ferrotitre calc SUBJECT [FILE|-] [--schema|--text|--lines] [--set NAME=VALUE]\n\n");
    for subject in SUBJECTS {
        text.push_str(&format!("{:<width$}  {}\n", subject.name, subject.summary));
    }
    text
}

fn schema(subject: &Subject) -> String {
    let mut schema = subject.input_schema();
    if let Some(object) = schema.as_object_mut() {
        let mut comment = format!("CSV: {}", subject.table.explained());
        if subject.table != Table::None {
            comment.push_str("; other fields by --set NAME=VALUE");
        }
        object.insert("$comment".to_owned(), comment.into());
    }
    serde_json::to_string_pretty(&schema).unwrap_or_default() + "\n"
}
