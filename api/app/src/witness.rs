//! `ferrotitre witness`: countersigns heads of logs over HTTP, as the C2SP text tlog-witness has it, and keeps what speaks
//! against a log. It needs a folder and nothing else of the service.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs::{self, File, OpenOptions};
use std::io::Write as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::{Arc, Mutex, PoisonError};

use actix_web::http::header::CONTENT_TYPE;
use actix_web::{App, HttpResponse, HttpServer, web};
use chrono::Utc;
use clap::Args;
use ferrotitre_base::config::TlsSettings;
use ferrotitre_check::note::{Checkpoint, KeyKind, NamedKey, Note, SignatureLine, base64, cosigned, hash_of, size_of};
use ferrotitre_check::witness::{Decision, Evidence, Known, Request, decide};
use ferrotitre_ledger::audit::seal::{SealKey, SealKeyError};
use sha2::{Digest, Sha256};

use crate::tls::{Certificates, TlsError};

/// A request is a checkpoint and a proof.
const LONGEST: usize = 64 * 1024;
/// More files of evidence are counted, not kept: whoever sends rubbish does not fill the disk.
const MOST_EVIDENCE: usize = 1000;

#[derive(Debug, Args)]
pub struct WitnessArguments {
    /// Folder of the witness's own key, of what it countersigned, and of evidence. Made if it is not there.
    #[arg(long)]
    keep: PathBuf,
    /// Address to listen on.
    #[arg(long, default_value = "127.0.0.1:8430")]
    listen: SocketAddr,
    /// Speak TLS, with a certificate of an authority of its own in the folder unless one is given.
    #[arg(long)]
    tls: bool,
    /// Certificate chain, PEM.
    #[arg(long)]
    tls_certificate: Option<PathBuf>,
    /// Private key of the certificate, PEM.
    #[arg(long)]
    tls_key: Option<PathBuf>,
    /// Name it is reached by under TLS, beside its addresses; may be repeated.
    #[arg(long = "host")]
    hosts: Vec<String>,
    /// Name of the witness, such as auditor.example; made of its key if not given.
    #[arg(long)]
    name: Option<String>,
    /// Key of a log to countersign, as NAME+ID+KEY (the log's /api/v1/audit-tree/verifier-key); may be repeated.
    #[arg(long = "log", value_parser = log_key)]
    logs: Vec<NamedKey>,
    /// Only say what evidence there is.
    #[arg(long)]
    look: bool,
}

fn log_key(text: &str) -> Result<NamedKey, String> {
    let key = NamedKey::read(text.trim()).map_err(|error| error.to_string())?;
    if key.kind == KeyKind::Note { Ok(key) } else { Err("that is a witness's key".to_owned()) }
}

/// What the witness keeps.
struct Keeper {
    folder: PathBuf,
    logs: Vec<NamedKey>,
    /// Held as long as this keeps the folder: two witnesses would not know of what the other signed.
    _turn: File,
    key: SealKey,
    named: NamedKey,
    known: BTreeMap<String, Known>,
    /// When each log was countersigned last, seconds since 1970.
    last: BTreeMap<String, u64>,
    countersigned: u64,
    forks: usize,
    older: usize,
}

fn name_of(origin: &str) -> String {
    hex::encode(Sha256::digest(origin.as_bytes())).chars().take(16).collect()
}

/// What was countersigned of a log: a line each with size and root. A last one that was cut off by a crash was never answered
/// and is taken away; without any other, a witness would sign again what it has refused.
///
/// Whoever only looks takes nothing away: another witness may be writing that line.
fn history(folder: &Path, origin: &str, look: bool) -> Result<Known, Box<dyn std::error::Error>> {
    let name = format!("{}.history", name_of(origin));
    let text = match fs::read_to_string(folder.join(&name)) {
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(Known::default()),
        text => text.map_err(|error| format!("{name}: {error}"))?,
    };
    let whole = |line: &str| {
        let (size, root) = line.split_once(' ')?;
        Some((size_of(size).ok()?, hash_of(root).ok()?))
    };
    let mut lines: Vec<&str> = text.lines().filter(|line| !line.is_empty()).collect();
    if lines.last().is_some_and(|line| whole(line).is_none()) {
        lines.pop();
        if !look {
            on_disk(folder, &name, &lines.iter().map(|line| format!("{line}\n")).collect::<String>())?;
        }
    }
    let history: Option<Vec<_>> = lines.iter().map(|line| whole(line)).collect();
    let history = history.ok_or_else(|| format!("{name} was altered: a line of it is no size and root"))?;
    let latest = history.last().map(|(size, root)| Checkpoint { origin: origin.to_owned(), size: *size, root: *root });
    Ok(Known { latest, history: history.into_iter().collect() })
}

fn on_disk(folder: &Path, name: &str, text: &str) -> std::io::Result<()> {
    let (draft, path) = (folder.join(format!("{name}.new")), folder.join(name));
    let mut file = File::create(&draft)?;
    file.write_all(text.as_bytes())?;
    file.sync_all()?;
    fs::rename(draft, path)?;
    File::open(folder)?.sync_all()
}

impl Keeper {
    fn open(arguments: &WitnessArguments) -> Result<Self, Box<dyn std::error::Error>> {
        let folder = arguments.keep.clone();
        let path = folder.join("witness.key");
        if arguments.look && !path.exists() {
            return Err(
                format!("{} is not the folder of a witness: there is no witness.key in it", folder.display()).into()
            );
        }
        fs::create_dir_all(folder.join("evidence"))?;
        let turn = File::create(folder.join("lock"))?;
        if !arguments.look && turn.try_lock().is_err() {
            return Err(format!("another witness already keeps {}", folder.display()).into());
        }
        let key = match SealKey::read(path.clone()) {
            Err(SealKeyError::Missing(_)) => SealKey::write(path)?,
            outcome => outcome?,
        };
        let name = arguments.name.clone().unwrap_or_else(|| format!("ferrotitre-witness/{}", key.id()));
        let named = NamedKey { name, kind: KeyKind::Cosignature, key: key.public() };
        // Read back, so that a name nobody could write into a note is refused here.
        let named = NamedKey::read(&named.text())?;
        let of = |log: &NamedKey| {
            Ok::<_, Box<dyn std::error::Error>>((log.name.clone(), history(&folder, &log.name, arguments.look)?))
        };
        let known = arguments.logs.iter().map(of).collect::<Result<_, _>>()?;
        let mut keeper = Self {
            logs: arguments.logs.clone(),
            _turn: turn,
            key,
            named,
            known,
            last: BTreeMap::new(),
            countersigned: 0,
            forks: 0,
            older: 0,
            folder,
        };
        for entry in fs::read_dir(keeper.folder.join("evidence"))? {
            let name = entry?.file_name().to_string_lossy().into_owned();
            keeper.forks += usize::from(name.ends_with("-fork.txt"));
            keeper.older += usize::from(name.ends_with("-older.txt"));
        }
        Ok(keeper)
    }

    fn exit_code(&self) -> ExitCode {
        match (self.forks, self.older) {
            (0, 0) => ExitCode::SUCCESS,
            (0, _) => ExitCode::from(4),
            _ => ExitCode::from(3),
        }
    }

    fn summary(&self) -> String {
        let folder = self.folder.join("evidence");
        let mut page = String::new();
        for (origin, known) in &self.known {
            // Writing to a String cannot fail.
            let _ = writeln!(page, "{origin}: countersigned up to {} events", known.size());
        }
        let _ = match (self.forks, self.older) {
            (0, 0) => writeln!(page, "no evidence against any log"),
            (forks, older) => writeln!(
                page,
                "EVIDENCE in {}: {forks} forks (two logs that do not continue each other), {older} heads older than one \
                 countersigned before (a store put back, or an old head sent again)",
                folder.display()
            ),
        };
        page
    }

    /// Keeps what speaks against a log, with what was known; the same request is kept once.
    fn evidence(&mut self, kind: Evidence, body: &str, origin_size: u64) -> std::io::Result<()> {
        let word = match kind {
            Evidence::Fork => "fork",
            Evidence::Older => "older",
        };
        tracing::error!(
            evidence = word,
            known_size = origin_size,
            "a log has shown what does not continue what it showed before"
        );
        let note = body.split_once("\n\n").map_or(body, |(_, note)| note);
        let digest: String = hex::encode(Sha256::digest(note.as_bytes())).chars().take(16).collect();
        let name = format!("{digest}-{word}.txt");
        let folder = self.folder.join("evidence");
        if folder.join(&name).exists() || self.forks + self.older >= MOST_EVIDENCE {
            return Ok(());
        }
        let latest = Note::read(note).ok().and_then(|note| Some(note.text.lines().next()?.to_owned()));
        let latest = latest.map(|origin| self.folder.join(format!("{}.latest", name_of(&origin))));
        let latest = latest.and_then(|path| fs::read_to_string(path).ok()).unwrap_or_default();
        let page = format!("received {}\n\n{body}\n\ncountersigned before:\n\n{latest}", Utc::now().to_rfc3339());
        on_disk(&folder, &name, &page)?;
        match kind {
            Evidence::Fork => self.forks += 1,
            Evidence::Older => self.older += 1,
        }
        Ok(())
    }

    /// Keeps a checkpoint, then countersigns it; what is not on disk is not signed.
    fn countersign(&mut self, checkpoint: Checkpoint, note: &str) -> std::io::Result<String> {
        let name = name_of(&checkpoint.origin);
        let known = self.known.entry(checkpoint.origin.clone()).or_default();
        if known.latest.as_ref() != Some(&checkpoint) {
            on_disk(&self.folder, &format!("{name}.latest"), note)?;
            let path = self.folder.join(format!("{name}.history"));
            let mut file = OpenOptions::new().create(true).append(true).open(path)?;
            // A line of its own even after one that was cut off.
            file.write_all(format!("\n{} {}\n", checkpoint.size, base64(&checkpoint.root)).as_bytes())?;
            file.sync_all()?;
            File::open(&self.folder)?.sync_all()?;
            known.history.insert(checkpoint.size, checkpoint.root);
            known.latest = Some(checkpoint.clone());
        }
        let time = u64::try_from(Utc::now().timestamp()).unwrap_or_default();
        let mut bytes = time.to_be_bytes().to_vec();
        bytes.extend(self.key.sign(&cosigned(time, &checkpoint.text())));
        self.countersigned += 1;
        self.last.insert(checkpoint.origin, time);
        Ok(SignatureLine::by(&self.named, &bytes).text())
    }

    fn answer(&mut self, body: &str) -> std::io::Result<HttpResponse> {
        let Ok(request) = Request::read(body) else {
            return Ok(HttpResponse::BadRequest().body("the request is not of the form of tlog-witness\n"));
        };
        let (decision, evidence) = decide(&request, &self.logs, |origin| self.known.get(origin));
        if let Some(kind) = evidence {
            let size = if let Decision::Conflict(size) = decision { size } else { request.old };
            self.evidence(kind, body, size)?;
        }
        Ok(match decision {
            Decision::Countersign(checkpoint) => {
                // What is countersigned is the text without lines that nobody checks.
                if Note::read(&request.note).is_ok_and(|note| note.text != checkpoint.text()) {
                    return Ok(HttpResponse::BadRequest()
                        .body("a checkpoint with extension lines is not countersigned here\n"));
                }
                HttpResponse::Ok().body(format!("{}\n", self.countersign(checkpoint, &request.note)?))
            }
            Decision::Unknown => HttpResponse::NotFound().body("no log of that name is countersigned here\n"),
            Decision::Forbidden => HttpResponse::Forbidden().body("the log's key has not signed it\n"),
            Decision::Malformed(why) => HttpResponse::BadRequest().body(format!("{why}\n")),
            Decision::Conflict(size) => {
                HttpResponse::Conflict().insert_header((CONTENT_TYPE, "text/x.tlog.size")).body(format!("{size}\n"))
            }
            Decision::Inconsistent => HttpResponse::UnprocessableEntity().body("the consistency proof does not hold\n"),
        })
    }

    fn metrics(&self) -> String {
        let mut page = format!(
            "# HELP ferrotitre_witness_countersigned_total Checkpoints countersigned since the start.\n\
             # TYPE ferrotitre_witness_countersigned_total counter\nferrotitre_witness_countersigned_total {}\n\
             # HELP ferrotitre_witness_evidence Files of evidence: forks, and heads older than one countersigned before.\n\
             # TYPE ferrotitre_witness_evidence gauge\nferrotitre_witness_evidence{{kind=\"fork\"}} {}\n\
             ferrotitre_witness_evidence{{kind=\"older\"}} {}\n\
             # HELP ferrotitre_witness_events Events under the newest head countersigned.\n\
             # TYPE ferrotitre_witness_events gauge\n",
            self.countersigned, self.forks, self.older
        );
        for (origin, known) in &self.known {
            // Writing to a String cannot fail.
            let _ = writeln!(page, "ferrotitre_witness_events{{log=\"{origin}\"}} {}", known.size());
        }
        for (origin, time) in &self.last {
            let _ = writeln!(page, "ferrotitre_witness_last_seconds{{log=\"{origin}\"}} {time}");
        }
        page
    }
}

async fn add_checkpoint(keeper: web::Data<Mutex<Keeper>>, body: web::Bytes) -> HttpResponse {
    let Ok(body) = std::str::from_utf8(&body) else {
        return HttpResponse::BadRequest().body("the request is no text\n");
    };
    // Check and keeping are one step: another request waits.
    let mut keeper = keeper.lock().unwrap_or_else(PoisonError::into_inner);
    keeper.answer(body).unwrap_or_else(|error| {
        tracing::error!(%error, "nothing was countersigned: the folder cannot be written");
        HttpResponse::InternalServerError().body("nothing was countersigned\n")
    })
}

async fn metrics(keeper: web::Data<Mutex<Keeper>>) -> HttpResponse {
    let text = keeper.lock().unwrap_or_else(PoisonError::into_inner).metrics();
    HttpResponse::Ok().content_type("text/plain; version=0.0.4; charset=utf-8").body(text)
}

/// What it shows where TLS is asked for; heads and countersignatures are signed, so that it may speak in the clear elsewhere.
fn certificates(arguments: &WitnessArguments) -> Result<Option<Arc<Certificates>>, TlsError> {
    let (certificate, key) = (arguments.tls_certificate.clone(), arguments.tls_key.clone());
    let plain = !arguments.tls && certificate.is_none() && key.is_none();
    let settings = TlsSettings { tls: !plain, tls_certificate: certificate, tls_key: key, plain_http: plain };
    Certificates::open(&settings, (arguments.listen, &arguments.keep, &arguments.hosts))
}

/// Serves until it is stopped, or only looks; the exit code says whether there is evidence (3: a fork, 4: an older head).
pub fn run(arguments: &WitnessArguments) -> ExitCode {
    match serve(arguments) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("ferrotitre witness: {error}");
            ExitCode::FAILURE
        }
    }
}

fn serve(arguments: &WitnessArguments) -> Result<ExitCode, Box<dyn std::error::Error>> {
    let keeper = Keeper::open(arguments)?;
    if arguments.look {
        say(&keeper.summary());
        return Ok(keeper.exit_code());
    }
    if arguments.logs.is_empty() {
        return Err("name the log to countersign: --log NAME+ID+KEY".into());
    }
    tracing_subscriber::fmt().json().with_writer(std::io::stderr).init();
    let vkey = keeper.named.text();
    let tls = certificates(arguments)?;
    let scheme = if tls.is_some() { "https" } else { "http" };
    let config = tls.as_ref().map(Certificates::config).transpose()?;
    let keeper = web::Data::new(Mutex::new(keeper));
    let shared = keeper.clone();
    actix_web::rt::System::new().block_on(async move {
        let server = HttpServer::new(move || {
            App::new()
                .app_data(shared.clone())
                .app_data(web::PayloadConfig::new(LONGEST))
                .route("/add-checkpoint", web::post().to(add_checkpoint))
                .route("/metrics", web::get().to(metrics))
        })
        .workers(1);
        let server = match config {
            Some(config) => server.bind_rustls_0_23(arguments.listen, config)?,
            None => server.bind(arguments.listen)?,
        };
        let bound = server.addrs().first().copied().unwrap_or(arguments.listen);
        say(&format!("witness {vkey} {scheme}://{bound}\n"));
        if let Some(tls) = tls {
            if let Some(own) = tls.authority() {
                let (file, fingerprint) = (own.file.display(), &own.fingerprint);
                say(&format!("its certificate is signed by its own authority, {file}, SHA-256 {fingerprint}\n"));
            }
            actix_web::rt::spawn(tls.keep_fresh());
        }
        server.run().await
    })?;
    let keeper = keeper.lock().unwrap_or_else(PoisonError::into_inner);
    say(&keeper.summary());
    Ok(keeper.exit_code())
}

/// Prints; whoever started it may have stopped reading.
fn say(text: &str) {
    let _ = std::io::stdout().lock().write_all(text.as_bytes());
    let _ = std::io::stdout().flush();
}
