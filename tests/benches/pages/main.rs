//! How soon each page of the demo shows something, and what it weighs, as a real browser measures both.
//!
//! `cargo build --release --bin ferrotitre && cargo bench -p ferrotitre-tests --bench pages`; see README.md beside.
//! With `--pictures FOLDER` it takes the pictures of the README instead, with `--lists ROWS` it measures lists with so many
//! rows beside those of the demo.

mod lists;

use std::collections::{BTreeMap, VecDeque};
use std::error::Error;
use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use ferrotitre_tests::browser::Browser;

type Outcome<T> = Result<T, Box<dyn Error + Send + Sync>>;

/// Aims of the project: milliseconds to the first content, bytes without pictures.
const SOONEST_MS: f64 = 300.0;
const HEAVIEST: u64 = 150_000;

/// First contentful paint (Paint Timing), transferred bytes without pictures, bytes of pictures inside the page.
const MEASURE: &str = "const done = arguments[arguments.length - 1]; const look = () => { \
    const paint = performance.getEntriesByName('first-contentful-paint')[0]; \
    if (!paint) { setTimeout(look, 20); return; } \
    const of = (one) => one.transferSize || one.encodedBodySize; \
    const files = performance.getEntriesByType('resource').filter((one) => one.initiatorType !== 'img'); \
    const page = performance.getEntriesByType('navigation')[0]; \
    const drawn = [...document.querySelectorAll('main svg')].reduce((sum, one) => sum + one.outerHTML.length, 0); \
    done({ paint: paint.startTime, bytes: [page, ...files].reduce((sum, one) => sum + of(one), 0), page: of(page), drawn, \
    links: [...document.querySelectorAll('a[href^=\"/\"]')].map((one) => one.getAttribute('href')) }); }; look();";

/// What the README shows: name of the picture, page to begin at, link on it to follow (the last that fits), and what is
/// added to its address.
const PICTURES: [(&str, &str, &str, &str); 5] = [
    ("day", "/day", "", ""),
    ("bench", "/day", "#begun td a[href^='/determinations/']", "/bench"),
    ("determination", "/determinations", "main td a[href^='/determinations/']", "?lower=118&upper=122&guard=U"),
    ("chart", "/charts", "main td a", ""),
    ("drift", "/day", "#lots td a[href^='/titrants/']", ""),
];

fn main() -> Outcome<()> {
    let arguments: Vec<String> = std::env::args().collect();
    let after = |name: &str| arguments.iter().position(|one| one == name).and_then(|at| arguments.get(at + 1));
    let pictures = after("--pictures");
    let rows = after("--lists").map(|rows| rows.parse()).transpose()?;
    let folder = std::env::temp_dir().join(format!("ferrotitre-pages-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let outcome = runtime.block_on(async {
        let mut service = Service::start(&folder.join("data"))?;
        let outcome = match (pictures, rows) {
            (Some(into), _) => photograph(&service, Path::new(into)).await,
            (None, Some(rows)) => lists::measure(&service, &folder.join("data"), rows).await,
            (None, None) => measure(&service).await,
        };
        service.end()?;
        outcome
    });
    std::fs::remove_dir_all(&folder)?;
    outcome
}

/// The program with its demo laboratory.
struct Service {
    child: Child,
    address: String,
    said: String,
}

impl Service {
    fn start(data: &Path) -> Outcome<Self> {
        let program = std::env::var_os("FERROTITRE_PROGRAM")
            .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../target/release/ferrotitre"), PathBuf::from);
        let mut child = Command::new(&program)
            .args(["serve", "--demo", "--listen", "127.0.0.1:0", "--data"])
            .arg(data)
            .env_remove("DATABASE_URL")
            .env("RUST_LOG", "warn")
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|error| format!("{}: {error}; cargo build --release first", program.display()))?;
        let mut lines = BufReader::new(child.stdout.take().ok_or("no standard output")?).lines();
        let first = lines.next().ok_or("the service ended at once")??;
        let address =
            first.split("http://").nth(1).and_then(|rest| rest.split(['/', ' ']).next()).ok_or("no address")?;
        let (send, receive) = std::sync::mpsc::channel();
        std::thread::spawn(move || lines.map_while(Result::ok).try_for_each(|line| send.send(line)));
        let mut said = String::new();
        // The accounts come once the demo is loaded.
        while let Ok(line) = receive.recv_timeout(Duration::from_secs(if said.contains("manager-2") { 2 } else { 120 }))
        {
            said.push_str(&line);
            said.push('\n');
        }
        Ok(Self { child, address: format!("http://{address}"), said })
    }

    fn password(&self, account: &str) -> Outcome<String> {
        let line = self.said.lines().find(|line| line.trim_start().starts_with(account)).ok_or("no such account")?;
        Ok(line.split_whitespace().nth(1).ok_or("no password")?.to_owned())
    }

    async fn signed_in(&self, account: &str) -> Outcome<Browser> {
        let browser = Browser::open(&self.address).await;
        browser.sign_in(account, &self.password(account)?).await;
        Ok(browser)
    }

    fn end(&mut self) -> Outcome<()> {
        if self.child.try_wait()?.is_none() {
            Command::new("kill").arg(self.child.id().to_string()).status()?;
            self.child.wait()?;
        }
        Ok(())
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // Where a measurement failed half-way, so that no service and no cluster stay behind.
        let _ = self.end();
    }
}

/// The path without what tells one thing from another.
fn pattern(path: &str) -> String {
    let path = path.split(['?', '#']).next().unwrap_or_default();
    let one = |part: &str| if part.len() == 36 && part.contains('-') { "ID".to_owned() } else { part.to_owned() };
    path.split('/').map(one).collect::<Vec<_>>().join("/")
}

struct Line {
    paint_ms: f64,
    bytes: u64,
    page: u64,
    drawn: u64,
}

/// Goes to one page of every kind that links lead to and measures each with files it has seen before.
async fn measure(service: &Service) -> Outcome<()> {
    let mut seen: BTreeMap<String, Line> = BTreeMap::new();
    for account in ["manager-1", "analyst-1"] {
        let browser = service.signed_in(account).await?;
        let mut next = VecDeque::from(["/day".to_owned()]);
        while let Some(path) = next.pop_front() {
            let kind = pattern(&path);
            if kind.is_empty() || kind.starts_with("/api") || kind.starts_with("/assets") || seen.contains_key(&kind) {
                continue;
            }
            browser.goto(&path).await;
            let found = browser.script_async(MEASURE).await;
            let whole = |name: &str| found[name].as_u64().unwrap_or(0);
            let line = Line {
                paint_ms: found["paint"].as_f64().unwrap_or(f64::NAN),
                bytes: whole("bytes"),
                page: whole("page"),
                drawn: whole("drawn"),
            };
            seen.insert(kind, line);
            let links = found["links"].as_array().cloned().unwrap_or_default();
            next.extend(links.iter().filter_map(|link| link.as_str().map(str::to_owned)));
        }
        browser.close().await;
    }
    report(&seen);
    Ok(())
}

fn report(seen: &BTreeMap<String, Line>) {
    println!("| page | first content, ms | transferred, bytes | of these the page | pictures in the page, as text |");
    println!("|---|---|---|---|---|");
    let mut lines: Vec<_> = seen.iter().collect();
    lines.sort_by(|a, b| b.1.paint_ms.total_cmp(&a.1.paint_ms));
    for (kind, line) in &lines {
        println!("| {kind} | {:.0} | {} | {} | {} |", line.paint_ms, line.bytes, line.page, line.drawn);
    }
    let late = lines.iter().filter(|(_, line)| line.paint_ms > SOONEST_MS).count();
    let heavy = lines.iter().filter(|(_, line)| line.bytes > HEAVIEST).count();
    println!("\n{} pages; {late} later than {SOONEST_MS} ms, {heavy} heavier than {HEAVIEST} bytes", lines.len());
}

/// Takes the pictures of the README, as wide as a desk's window.
async fn photograph(service: &Service, into: &Path) -> Outcome<()> {
    let browser = service.signed_in("manager-1").await?;
    browser.prefer("light").await;
    let size = serde_json::json!({ "width": 1100, "height": 880, "deviceScaleFactor": 1, "mobile": false });
    for (name, from, link, added) in PICTURES {
        browser.goto(from).await;
        if !link.is_empty() {
            let last = format!("return [...document.querySelectorAll(\"{link}\")].pop()?.getAttribute('href')");
            let place = browser.script(&last).await;
            let place = place.as_str().ok_or_else(|| format!("no link for the picture {name}"))?;
            browser.goto(&format!("{place}{added}")).await;
        }
        browser.command("Emulation.setDeviceMetricsOverride", size.clone()).await;
        tokio::time::sleep(Duration::from_millis(300)).await;
        browser.window(&into.join(format!("{name}.png"))).await;
    }
    browser.close().await;
    Ok(())
}
