//! `ferrotitre-check`: what an auditor runs, on a machine that has nothing else of ferrotitre.

use std::collections::HashSet;
use std::process::ExitCode;

use ferrotitre_check::bundle::{Against, Brought, Bundle};
use ferrotitre_check::note::{KeyKind, NamedKey, Note};
use ferrotitre_check::proof::LeafProof;
use ferrotitre_check::receipt::Receipt;
use ferrotitre_check::sentences::Found;
use ferrotitre_core::merkle::leaf_hash;

const USAGE: &str = "\
ferrotitre-check FILE --key KEY [--witness KEY]... [--need N] [--paper FILE]      a bundle
ferrotitre-check receipt FILE --key KEY [--answer FILE] [--bundle FILE]
ferrotitre-check event FILE PROOF --key KEY [--witness KEY]...     one event and its tlog-proof

KEY is what you were given on another way than the file: the SHA-256 of the log's public key (64 hexadecimal digits, in groups
if you like), or the key itself as NAME+ID+KEY. Witnesses are given as NAME+ID+KEY; --need says how many of them must have
countersigned. --paper is a certificate as PDF, to be held against the bundle of that certificate. Nothing is fetched, and no clock is read.

Exit codes: 0 everything holds, 1 something does not, 2 the command or a file cannot be read.";

/// What was asked for.
#[derive(Default)]
struct Asked {
    files: Vec<String>,
    key: Option<Brought>,
    witnesses: Vec<NamedKey>,
    needed: usize,
    answer: Option<String>,
    bundle: Option<String>,
    paper: Option<String>,
}

fn asked(arguments: impl Iterator<Item = String>) -> Result<Asked, String> {
    let mut asked = Asked::default();
    let mut arguments = arguments;
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().ok_or_else(|| format!("{argument} wants a value"));
        match argument.as_str() {
            "--key" => asked.key = Some(Brought::read(&value()?).map_err(|error| format!("--key: {error}"))?),
            "--witness" => {
                let key = NamedKey::read(&value()?).map_err(|error| format!("--witness: {error}"))?;
                if key.kind != KeyKind::Cosignature {
                    return Err("--witness: that is no witness's key".to_owned());
                }
                asked.witnesses.push(key);
            }
            "--need" => asked.needed = value()?.parse().map_err(|_error| "--need wants a number".to_owned())?,
            "--answer" => asked.answer = Some(value()?),
            "--bundle" => asked.bundle = Some(value()?),
            "--paper" => asked.paper = Some(value()?),
            "-h" | "--help" => return Err(String::new()),
            option if option.starts_with("--") => return Err(format!("{option} is not known")),
            _ => asked.files.push(argument),
        }
    }
    Ok(asked)
}

enum Failure {
    /// Command or file.
    Unreadable(String),
    /// What was checked does not hold.
    Wrong(String),
}

fn read(file: &str) -> Result<Vec<u8>, Failure> {
    std::fs::read(file).map_err(|error| Failure::Unreadable(format!("{file}: {error}")))
}

fn words(file: &str) -> Result<String, Failure> {
    String::from_utf8(read(file)?).map_err(|_error| Failure::Wrong(format!("{file} is no text")))
}

fn event(files: (&str, &str), key: &Brought, asked: &Asked) -> Result<Found, Failure> {
    let wrong = |error: &dyn std::fmt::Display| Failure::Wrong(error.to_string());
    let proof = LeafProof::read(&words(files.1)?).map_err(|error| wrong(&error))?;
    let checkpoint = proof.holds(&leaf_hash(&read(files.0)?)).map_err(|error| wrong(&error))?;
    let Brought::Key(log) = key else {
        return Err(Failure::Unreadable("a proof names no key in full: bring the log's as NAME+ID+KEY".to_owned()));
    };
    let mut keys = vec![(**log).clone()];
    keys.extend(asked.witnesses.iter().cloned());
    let note = Note::read(&proof.note).map_err(|error| wrong(&error))?;
    let signed = note.signed_by(&keys).map_err(|error| wrong(&error))?;
    let by = signed.iter().filter(|(key, _)| key.kind == KeyKind::Cosignature).map(|(key, _)| key.key.to_bytes());
    let by_witnesses = by.collect::<HashSet<_>>().len();
    if signed.iter().all(|(key, _)| key.kind == KeyKind::Cosignature)
        || log.name != checkpoint.origin
        || by_witnesses < asked.needed
    {
        return Err(Failure::Wrong("the head is not signed by the log and as many witnesses as must have".to_owned()));
    }
    let proved = format!(
        "the event is leaf {} of {} under a head that {} signed and {by_witnesses} of your witnesses countersigned",
        proof.index, checkpoint.size, checkpoint.origin
    );
    Ok(Found { proved: vec![proved], ..Found::default() })
}

fn check(asked: &Asked) -> Result<Found, Failure> {
    let key = asked
        .key
        .as_ref()
        .ok_or_else(|| Failure::Unreadable("--key is needed: bring it on another way than the file".to_owned()))?;
    let against = Against { key, witnesses: &asked.witnesses, needed: asked.needed };
    let files: Vec<&str> = asked.files.iter().map(String::as_str).collect();
    match files.as_slice() {
        ["receipt", file] => {
            let receipt = Receipt::open(&words(file)?, key).map_err(Failure::Wrong)?;
            let answer = asked.answer.as_deref().map(read).transpose()?;
            let bundle = match &asked.bundle {
                Some(file) => Some(Bundle::open(&read(file)?, &against).map_err(Failure::Wrong)?),
                None => None,
            };
            receipt.check(answer.as_deref(), bundle.as_ref()).map_err(Failure::Wrong)
        }
        ["event", file, proof] => event((file, proof), key, asked),
        [file] => {
            let bundle = Bundle::open(&read(file)?, &against).map_err(Failure::Wrong)?;
            let mut found = bundle.proves(&against).map_err(Failure::Wrong)?;
            if let Some(paper) = &asked.paper {
                found.proved.push(bundle.paper(&read(paper)?).map_err(Failure::Wrong)?);
            }
            Ok(found)
        }
        _ => Err(Failure::Unreadable("name one file".to_owned())),
    }
}

fn main() -> ExitCode {
    let outcome = asked(std::env::args().skip(1)).map_err(Failure::Unreadable).and_then(|asked| check(&asked));
    match outcome {
        Ok(found) => {
            print!("{}", found.text());
            ExitCode::SUCCESS
        }
        Err(Failure::Wrong(why)) => {
            println!("NOT PROVED: {why}");
            ExitCode::FAILURE
        }
        Err(Failure::Unreadable(why)) => {
            eprintln!("{why}{}{USAGE}", if why.is_empty() { "" } else { "\n\n" });
            ExitCode::from(2)
        }
    }
}
