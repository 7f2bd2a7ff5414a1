//! Memory of the service over time: after the start, under 10^4 mixed requests of 64 clients, and when they are gone.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::http::Client;
use crate::laboratory::{Laboratory, call, determination, text};
use crate::{Outcome, Service, s, server};

/// Requests under load, and how many clients share them.
const REQUESTS: usize = 10_000;
const CLIENTS: usize = 64;
/// Seconds without a request before and after.
const QUIET: u64 = 20;
/// Addresses kept of one kind of page or operation.
const OF_A_KIND: usize = 3;
/// A record where none is meant.
const NONE: &str = "00000000-0000-7000-8000-000000000000";
/// How the thousands of determinations that the benchmark makes begin; each would be tried as everything else.
const MADE: &str = "00000000-0000-4000-";
const STEP: Duration = Duration::from_millis(100);

/// One request of the mix.
#[derive(Debug, Clone)]
struct Wanted {
    /// What it is an example of, such as `GET /api/v1/samples/{id}`.
    kind: String,
    method: &'static str,
    path: String,
    body: String,
    /// Signed in by cookie, as pages are.
    page: bool,
}

/// Headers of somebody signed in both ways.
struct Signed {
    token: String,
    cookie: String,
}

/// Draws resident memory over time into a picture, and prints its figures.
pub fn measure(folder: &Path) -> Outcome<()> {
    let data = folder.join("data");
    let (service, _) = Service::start(&data)?;
    let said = service.said.clone();
    let store = server(&data)?;
    let laboratory = Laboratory::open(service.address, &said, &store)?;
    service.stop()?;
    let (service, _) = Service::start(&data)?;
    let started = Instant::now();
    let (done, curve, marks) = (AtomicBool::new(false), Mutex::new(Vec::new()), Mutex::new(Vec::new()));
    let mark = |label: &'static str| {
        if let Ok(mut marks) = marks.lock() {
            marks.push((s(started.elapsed()), label));
        }
    };
    std::thread::scope(|scope| -> Outcome<()> {
        scope.spawn(|| {
            while !done.load(Ordering::Relaxed) {
                if let (Ok(kb), Ok(mut curve)) = (service.memory_kb("VmRSS"), curve.lock()) {
                    curve.push((s(started.elapsed()), kb / 1024.0));
                }
                std::thread::sleep(STEP);
            }
        });
        let outcome = run(&service, &said, &laboratory, &mark);
        done.store(true, Ordering::Relaxed);
        outcome
    })?;
    let (curve, marks) = (curve.into_inner()?, marks.into_inner()?);
    report(&curve, &marks);
    let picture = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/memory.svg");
    fs::write(&picture, drawn(&curve, &marks)?)?;
    println!("drawn in {}", picture.display());
    service.stop()
}

fn run(service: &Service, said: &str, laboratory: &Laboratory, mark: &(dyn Fn(&'static str) + Sync)) -> Outcome<()> {
    mark("started");
    std::thread::sleep(Duration::from_secs(QUIET));
    mark("requests");
    let signed = sign_in(service.address, said)?;
    let mut wanted = pages(service.address, &signed)?;
    wanted.extend(operations(service.address, &signed)?);
    wanted.extend((0..OF_A_KIND).map(|number| Wanted {
        kind: "a titration saved".to_owned(),
        method: "POST",
        path: Laboratory::write_path(&determination(number)),
        body: laboratory.titration().to_owned(),
        page: false,
    }));
    let kinds: BTreeSet<&str> = wanted.iter().map(|one| one.kind.as_str()).collect();
    println!("{} kinds of pages and operations, {} addresses", kinds.len(), wanted.len());
    mark("one by one");
    alone(service, &signed, &wanted)?;
    mark("64 clients");
    let (began, counts) = (Instant::now(), load(service.address, &signed, &wanted)?);
    println!("{REQUESTS} requests of {CLIENTS} clients in {:.0} s: {counts:?}", s(began.elapsed()));
    mark("nobody");
    std::thread::sleep(Duration::from_secs(QUIET * 3));
    Ok(())
}

/// What each kind takes at most while nothing else is asked, beyond what was there: the ten that take most.
fn alone(service: &Service, signed: &Signed, wanted: &[Wanted]) -> Outcome<()> {
    let mut client = Client::patient(service.address)?;
    let (mut taken, mut seen) = (Vec::new(), BTreeSet::new());
    for one in wanted.iter().filter(|one| one.method == "GET" && seen.insert(one.kind.as_str())) {
        let before = service.memory_kb("VmRSS")?;
        service.forget_peak()?;
        client.get("GET", &one.path, if one.page { &signed.cookie } else { &signed.token })?;
        taken.push((service.memory_kb("VmHWM")? - before, one.kind.as_str()));
    }
    taken.sort_by(|a, b| b.0.total_cmp(&a.0));
    for (kb, kind) in taken.iter().take(10) {
        println!("{kind} takes {:.1} MB more", kb / 1024.0);
    }
    Ok(())
}

fn sign_in(address: SocketAddr, said: &str) -> Outcome<Signed> {
    let line = said.lines().map(str::trim).find(|line| line.starts_with("manager-1 ")).ok_or("no manager-1")?;
    let password = line.split_whitespace().nth(1).ok_or("no password")?;
    let mut client = Client::connect(address)?;
    let credentials = json!({ "account": "manager-1", "password": password });
    let session = call(&mut client, "POST", "/api/v1/sessions", "", &credentials)?;
    let token = format!("Authorization: Bearer {}\r\n", text(&session, "access_token")?);
    let (status, cookie) = client.form("/sign-in", &format!("account=manager-1&password={password}"))?;
    if status == 303 { Ok(Signed { token, cookie }) } else { Err(format!("signing in: {status}").into()) }
}

/// The parts of a path with every identity and number taken out.
fn kind_of(path: &str) -> String {
    let path = path.split('?').next().unwrap_or_default();
    let part = |part: &str| {
        if part.len() == 36 && part.matches('-').count() == 4 {
            "{id}".to_owned()
        } else {
            part.chars().filter(|c| !c.is_ascii_digit()).collect()
        }
    };
    path.split('/').map(part).collect::<Vec<String>>().join("/")
}

/// What the pages of the demo lead to, pictures and documents included: a few of each kind.
fn pages(address: SocketAddr, signed: &Signed) -> Outcome<Vec<Wanted>> {
    let mut client = Client::connect(address)?;
    let mut of_kind: BTreeMap<String, usize> = BTreeMap::new();
    let (mut waits, mut seen, mut found) = (vec!["/".to_owned()], BTreeSet::new(), Vec::new());
    while let Some(path) = waits.pop() {
        let (status, body) = client.get("GET", &path, &signed.cookie)?;
        let page = String::from_utf8_lossy(&body);
        for piece in page.split("href=\"").skip(1).chain(page.split("src=\"").skip(1)) {
            let link = piece.split('"').next().unwrap_or_default().replace("&amp;", "&");
            let link = link.split('#').next().unwrap_or_default().to_owned();
            let count = of_kind.entry(kind_of(&link)).or_default();
            if link.starts_with('/') && *count < OF_A_KIND && !link.contains("sign-out") && seen.insert(link.clone()) {
                *count += 1;
                waits.push(link);
            }
        }
        if status == 200 {
            let kind = format!("page {}", kind_of(&path));
            found.push(Wanted { kind, method: "GET", path, body: String::new(), page: true });
        }
    }
    Ok(found)
}

fn identities(value: &Value, found: &mut BTreeSet<String>) {
    match value {
        Value::String(text) if text.len() == 36 && text.matches('-').count() == 4 && !text.starts_with(MADE) => {
            found.insert(text.clone());
        }
        Value::Array(items) => items.iter().for_each(|item| identities(item, found)),
        Value::Object(fields) => fields.values().for_each(|field| identities(field, found)),
        _ => {}
    }
}

/// Every operation of the document: readings with a record that answers, calculations with their examples, and what records with a
/// body that is refused, since each of its kind needs a state of its own.
fn operations(address: SocketAddr, signed: &Signed) -> Outcome<Vec<Wanted>> {
    let mut client = Client::connect(address)?;
    let document = call(&mut client, "GET", "/api/openapi.json", "", &Value::Null)?;
    let paths = document["paths"].as_object().ok_or("no paths")?;
    let mut found = Vec::new();
    let mut all = BTreeSet::new();
    let plain = |path: &&String| !path.contains('{') && paths[*path].get("get").is_some();
    for path in paths.keys().filter(plain).filter(|path| !path.ends_with("/stream")) {
        let asked = with_query(path, &paths[path]["get"]);
        let (status, body) = client.get("GET", &asked, &signed.token)?;
        if let Ok(answer) = serde_json::from_slice(&body) {
            identities(&answer, &mut all);
        }
        if status == 200 {
            found.push(reading(path, asked));
        }
    }
    let mut silent = Vec::new();
    for path in paths.keys().filter(|path| path.contains('{') && paths[*path].get("get").is_some()) {
        let subject = path.trim_start_matches("/api/v1/").split('/').next().unwrap_or_default();
        let own = client.get("GET", &format!("/api/v1/{subject}?limit=50"), &signed.token)?;
        let mut candidates = BTreeSet::new();
        if let Ok(answer) = serde_json::from_slice::<Value>(&own.1) {
            let items = answer.get("items").unwrap_or(&answer).as_array().cloned().unwrap_or_default();
            let names =
                ["id", "name", "key"].into_iter().flat_map(|key| items.iter().map(move |item| item[key].as_str()));
            candidates.extend(names.flatten().map(str::to_owned));
        }
        let before = found.len();
        let known: Vec<String> = candidates.into_iter().chain(all.iter().cloned()).collect();
        for id in &known {
            let filled =
                path.replace("{of}", "exclusions").replace("{issue}", "1").replace("{subject}", id).replace("{id}", id);
            let asked = with_query(&filled, &paths[path]["get"]);
            let (status, body) = client.get("GET", &asked, &signed.token)?;
            if status == 200 {
                if let Ok(answer) = serde_json::from_slice(&body) {
                    identities(&answer, &mut all);
                }
                found.push(reading(path, asked));
                if found.len() - before == OF_A_KIND {
                    break;
                }
            }
        }
        if found.len() == before {
            silent.push(path.as_str());
        }
    }
    println!("readings without an answer in the demo: {silent:?}");
    found.extend(calculations(&mut client, signed)?);
    let posts = paths.iter().filter(|(path, methods)| {
        methods.get("post").is_some()
            && !path.starts_with("/api/v1/sessions")
            && !path.starts_with("/api/v1/calculations")
    });
    found.extend(posts.map(|(path, _)| Wanted {
        kind: format!("POST {path}"),
        method: "POST",
        path: path.replace("{id}", NONE),
        body: "{}".to_owned(),
        page: false,
    }));
    Ok(found)
}

fn reading(path: &str, asked: String) -> Wanted {
    Wanted { kind: format!("GET {path}"), method: "GET", path: asked, body: String::new(), page: false }
}

/// With the stretch of time that it cannot do without.
fn with_query(path: &str, operation: &Value) -> String {
    let names = operation["parameters"].as_array().into_iter().flatten();
    let names =
        names.filter(|one| one["in"] == "query" && one["required"] == true).filter_map(|one| one["name"].as_str());
    let given = names.map(|name| match name {
        "from" => "from=2000-01-01T00:00:00Z",
        "until" => "until=2100-01-01T00:00:00Z",
        _ => "",
    });
    let query: Vec<&str> = given.filter(|one| !one.is_empty()).collect();
    if query.is_empty() { path.to_owned() } else { format!("{path}?{}", query.join("&")) }
}

fn calculations(client: &mut Client, signed: &Signed) -> Outcome<Vec<Wanted>> {
    let list = call(client, "GET", "/api/v1/calculations", &signed.token, &Value::Null)?;
    let subjects = list.get("items").unwrap_or(&list).as_array().cloned().unwrap_or_default();
    let mut found = Vec::new();
    for subject in subjects {
        let name =
            subject["subject"].as_str().or_else(|| subject["name"].as_str()).ok_or("a subject without a name")?;
        let path = format!("/api/v1/calculations/{name}");
        let body = call(client, "GET", &path, &signed.token, &Value::Null)?["example"].to_string();
        found.push(Wanted { kind: format!("POST {path}"), method: "POST", path, body, page: false });
    }
    Ok(found)
}

/// All of them in turns until there were enough; how many answers there were of each status.
fn load(address: SocketAddr, signed: &Signed, wanted: &[Wanted]) -> Outcome<BTreeMap<u16, usize>> {
    let (next, counts) = (AtomicUsize::new(0), Mutex::new(BTreeMap::new()));
    std::thread::scope(|scope| {
        let work = || -> Outcome<()> {
            let mut client = Client::patient(address)?;
            loop {
                let number = next.fetch_add(1, Ordering::Relaxed);
                if number >= REQUESTS {
                    return Ok(());
                }
                // A stride without a common divisor, so that what is costly does not come all at once.
                let one = &wanted[number * 7919 % wanted.len()];
                let headers = if one.page { &signed.cookie } else { &signed.token };
                let status = if one.method == "GET" {
                    client.get("GET", &one.path, headers)?.0
                } else {
                    let headers = format!("{headers}Idempotency-Key: memory-{number}\r\n");
                    client.send("POST", &one.path, &headers, &one.body)?.status
                };
                if status >= 500 && status != 503 {
                    return Err(format!("{} {}: {status}", one.method, one.path).into());
                }
                *counts.lock().map_err(|_poisoned| "a client failed")?.entry(status).or_default() += 1;
            }
        };
        let workers: Vec<_> = (0..CLIENTS).map(|_| scope.spawn(work)).collect();
        workers
            .into_iter()
            .try_for_each(|worker| worker.join().map_err(|panic| format!("a client failed: {panic:?}"))?)
    })?;
    Ok(counts.into_inner()?)
}

fn report(curve: &[(f64, f64)], marks: &[(f64, &str)]) {
    for (at, (begin, label)) in marks.iter().enumerate() {
        let end = marks.get(at + 1).map_or(f64::INFINITY, |(end, _)| *end);
        let stretch: Vec<f64> =
            curve.iter().filter(|(time, _)| (*begin..end).contains(time)).map(|(_, mb)| *mb).collect();
        let most = stretch.iter().copied().fold(0.0, f64::max);
        println!(
            "{label}: from {begin:.0} s, {most:.1} MB at most, {:.1} MB at its end",
            stretch.last().copied().unwrap_or(f64::NAN)
        );
    }
}

/// The curve as a picture; promised bounds are dashed.
fn drawn(curve: &[(f64, f64)], marks: &[(f64, &str)]) -> Outcome<String> {
    let (width, height, left, bottom) = (760.0, 300.0, 50.0, 260.0);
    let longest = curve.last().map_or(1.0, |(time, _)| *time);
    let most = curve.iter().map(|(_, mb)| *mb).fold(200.0, f64::max) * 1.1;
    let x = |time: f64| left + time / longest * (width - left - 20.0);
    let y = |mb: f64| bottom - mb / most * (bottom - 20.0);
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" font-family=\"sans-serif\" font-size=\"11\">\n\
         <title>Resident memory of the service over time</title>\n<rect width=\"{width}\" height=\"{height}\" fill=\"#fff\"/>\n"
    );
    for mb in [0.0, 64.0, 150.0, 200.0] {
        let at = y(mb);
        writeln!(
            svg,
            "<path d=\"M{left} {at:.1}H{:.0}\" stroke=\"#999\" stroke-dasharray=\"4 3\"/><text x=\"{:.0}\" y=\"{:.1}\" \
             text-anchor=\"end\">{mb:.0}</text>",
            width - 20.0,
            left - 5.0,
            at + 4.0
        )?;
    }
    for (number, (time, label)) in marks.iter().enumerate() {
        let (at, line) = (x(*time), 14.0 + 12.0 * (number % 2) as f64);
        writeln!(
            svg,
            "<path d=\"M{at:.1} 18V{bottom}\" stroke=\"#bbb\"/><text x=\"{:.1}\" y=\"{line:.1}\">{label}</text>",
            at + 3.0
        )?;
    }
    let points: Vec<String> = curve.iter().map(|(time, mb)| format!("{:.1},{:.1}", x(*time), y(*mb))).collect();
    writeln!(svg, "<polyline fill=\"none\" stroke=\"#0b5394\" stroke-width=\"1.5\" points=\"{}\"/>", points.join(" "))?;
    let (foot, middle) = (bottom + 30.0, (left + width) / 2.0);
    writeln!(
        svg,
        "<text x=\"{left}\" y=\"{:.0}\">0 s</text><text x=\"{:.0}\" y=\"{:.0}\" text-anchor=\"end\">{longest:.0} s</text>\
         <text x=\"{middle:.0}\" y=\"{foot:.0}\" text-anchor=\"middle\">time; resident memory in MB</text>\n</svg>",
        bottom + 15.0,
        width - 20.0,
        bottom + 15.0
    )?;
    Ok(svg)
}
