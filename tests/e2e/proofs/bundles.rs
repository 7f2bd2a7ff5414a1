//! Bundles of the demo: both checkers accept each, and refuse every change.

use std::io::{BufRead as _, BufReader, Write as _};
use std::path::PathBuf;
use std::process::{Command, Stdio};

use ferrotitre_check::bundle::{Against, Brought, Bundle};
use ferrotitre_check::canonical;
use ferrotitre_tests::{Client, demo};
use serde_json::{Value, json};
use tokio::sync::OnceCell;

use super::{brought, log_key};

/// Random changes of a large bundle; `FERROTITRE_CHANGES=100000` for as many as an acceptance wants.
const CHANGES: usize = 1500;
/// Positions of a bundle that the second checker tries, which takes some 30 ms each.
const SAMPLE: usize = 200;
/// Of the smallest bundle with a figure every so many-th byte is changed; with `FERROTITRE_CHANGES` every one.
const EVERY: usize = 16;

/// A bundle as it was handed out.
pub(super) struct Taken {
    pub(super) path: String,
    pub(super) file: Vec<u8>,
}

pub(super) struct All {
    key: Brought,
    pub(super) fingerprint: String,
    pub(super) taken: Vec<Taken>,
}

static ALL: OnceCell<All> = OnceCell::const_new();

async fn take(auditor: &Client, path: String) -> Taken {
    let answer = auditor.get(&path).await;
    assert_eq!(answer.status, 200, "{path}: {}", answer.text);
    Taken { path, file: answer.bytes }
}

async fn load() -> All {
    let (_, auditor) = demo::nobody_and_auditor().await;
    let key = log_key(&auditor).await;
    let mut taken = Vec::new();
    for list in ["determinations", "iron-results", "titrants", "certificates", "control-charts", "validation-studies"] {
        let page = auditor.get(&format!("/{list}?limit=200")).await.expect(200);
        for item in page["items"].as_array().unwrap() {
            taken.push(take(&auditor, format!("/{list}/{}/bundle", item["id"].as_str().unwrap())).await);
        }
    }
    let day = "/exports/period-bundle?from=2020-01-01T00:00:00Z&until=2100-01-01T00:00:00Z";
    taken.push(take(&auditor, day.to_owned()).await);
    All { key: brought(&key), fingerprint: key.fingerprint(), taken }
}

pub(super) async fn all() -> &'static All {
    ALL.get_or_init(load).await
}

impl All {
    pub(super) fn accepts(&self, file: &[u8]) -> Result<ferrotitre_check::sentences::Found, String> {
        Bundle::check(file, &Against { key: &self.key, witnesses: &[], needed: 0 })
    }

    fn smallest(&self) -> &Taken {
        self.taken.iter().min_by_key(|one| one.file.len()).unwrap()
    }

    /// The smallest with a figure: one without is a determination that has just been opened.
    fn smallest_figure(&self) -> &Taken {
        let with = |one: &&Taken| String::from_utf8_lossy(&one.file).contains("\"graph\":");
        self.taken.iter().filter(with).min_by_key(|one| one.file.len()).unwrap()
    }

    fn largest(&self) -> &Taken {
        self.taken.iter().filter(|one| !one.path.starts_with("/exports")).max_by_key(|one| one.file.len()).unwrap()
    }
}

fn oracle() -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), "oracle", "proof.py"].iter().collect()
}

struct Kept(PathBuf);

impl Kept {
    fn new(file: &[u8]) -> Self {
        let path = std::env::temp_dir().join(format!("ferrotitre-bundle-{}", uuid::Uuid::now_v7().simple()));
        std::fs::write(&path, file).unwrap();
        Self(path)
    }
}

impl Drop for Kept {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.0);
    }
}

/// What the second checker says of a file.
pub(super) fn second(file: &[u8], fingerprint: &str) -> (bool, String) {
    let kept = Kept::new(file);
    let output = Command::new("python3").arg(oracle()).arg(&kept.0).arg(fingerprint).output().unwrap();
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    (output.status.success(), said)
}

#[tokio::test(flavor = "multi_thread")]
async fn both_checkers_prove_every_bundle_of_the_demo() {
    let all = all().await;
    assert!(all.taken.len() > 20, "{}", all.taken.len());
    let (mut figures, mut compared) = (0, 0);
    for one in &all.taken {
        let found = all.accepts(&one.file).unwrap_or_else(|why| panic!("{}: {why}", one.path));
        let text = found.text();
        figures += text.matches("computed again with the operations of core").count();
        compared += text.matches("digit for digit").count();
        let (proved, said) = second(&one.file, &all.fingerprint);
        assert!(proved, "{}: {said}", one.path);
    }
    assert!(figures > 20 && compared == figures, "{figures}, {compared}");
    // What is said of a signed result.
    let signed =
        all.taken.iter().filter(|one| one.path.starts_with("/iron-results")).map(|one| all.accepts(&one.file).unwrap());
    let signed = signed.map(|found| found.text()).find(|text| text.contains("fit for release")).unwrap();
    println!("{signed}");
    for says in [
        "its key is the one you brought",
        "signed \"these are my observations\"",
        "that the signature stands over are all in the bundle",
        "rounded once, the printed",
        "NOT SHOWN: that nobody was shown another log",
    ] {
        assert!(signed.contains(says), "no {says}: {signed}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn another_key_than_the_one_brought_proves_nothing() {
    let all = all().await;
    let other = Brought::read(&"ab".repeat(32)).unwrap();
    let refused = Bundle::check(&all.smallest().file, &Against { key: &other, witnesses: &[], needed: 0 }).unwrap_err();
    assert!(refused.contains("not the one you brought"), "{refused}");
    let needed =
        Bundle::check(&all.smallest().file, &Against { key: &all.key, witnesses: &[], needed: 1 }).unwrap_err();
    assert!(needed.contains("0 of the witnesses"), "{needed}");
    assert!(!second(&all.smallest().file, &"ab".repeat(32)).0);
}

/// Another byte of the same kind, so that the change is not caught by its kind alone.
fn other(byte: u8) -> u8 {
    match byte {
        b'9' => b'0',
        b'z' => b'a',
        b'Z' => b'A',
        byte if byte.is_ascii_alphanumeric() => byte + 1,
        b' ' => b'\t',
        b'\t' | b'\n' => b' ',
        byte => byte ^ 1,
    }
}

/// Positions at which a change is accepted, tried on all cores.
fn accepted(all: &All, file: &[u8], changes: &[(usize, u8)]) -> Vec<(usize, u8)> {
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        let parts: Vec<_> = changes
            .chunks(changes.len().div_ceil(cores).max(1))
            .map(|part| {
                scope.spawn(move || {
                    let mut changed = file.to_vec();
                    let mut found = Vec::new();
                    for (at, byte) in part {
                        let before = std::mem::replace(&mut changed[*at], *byte);
                        if before != *byte && all.accepts(&changed).is_ok() {
                            found.push((*at, *byte));
                        }
                        changed[*at] = before;
                    }
                    found
                })
            })
            .collect();
        parts.into_iter().flat_map(|part| part.join().unwrap()).collect()
    })
}

#[tokio::test(flavor = "multi_thread")]
async fn every_change_of_a_byte_of_the_smallest_bundle_is_refused() {
    let all = all().await;
    every_change(all, &all.smallest().file, 1);
}

#[tokio::test(flavor = "multi_thread")]
async fn changes_all_over_the_smallest_bundle_with_a_figure_are_refused() {
    let all = all().await;
    every_change(all, &all.smallest_figure().file, if asked().is_some() { 1 } else { EVERY });
}

/// How many changes an acceptance wants.
fn asked() -> Option<usize> {
    std::env::var("FERROTITRE_CHANGES").ok().and_then(|count| count.parse().ok())
}

/// Changes every so many-th byte of a file.
fn every_change(all: &All, file: &[u8], step: usize) {
    let changes: Vec<(usize, u8)> =
        file.iter().enumerate().step_by(step).map(|(at, byte)| (at, other(*byte))).collect();
    let started = std::time::Instant::now();
    assert_eq!(accepted(all, file, &changes), Vec::new());
    println!("{} changes in {:?}", changes.len(), started.elapsed());
    // The second checker, on a sample over the whole file.
    let sample: Vec<&(usize, u8)> = changes.iter().step_by(changes.len().div_ceil(SAMPLE)).collect();
    let kept = Kept::new(file);
    let mut child = Command::new("python3")
        .arg(oracle())
        .arg(&kept.0)
        .args([&all.fingerprint, "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let lines: String = sample.iter().map(|(at, byte)| format!("{at} {byte}\n")).collect();
    child.stdin.take().unwrap().write_all(lines.as_bytes()).unwrap();
    let answers: Vec<String> = BufReader::new(child.stdout.take().unwrap()).lines().map(Result::unwrap).collect();
    assert!(child.wait().unwrap().success());
    assert_eq!(answers, vec!["0"; sample.len()]);
}

#[tokio::test(flavor = "multi_thread")]
async fn random_changes_of_a_large_bundle_are_refused() {
    let all = all().await;
    let file = &all.largest().file;
    let count = asked().unwrap_or(CHANGES);
    // A linear congruential generator (Knuth, MMIX): the same changes every time.
    let mut state = 20_261_128_u64;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(state >> 33).unwrap()
    };
    let changes: Vec<(usize, u8)> =
        (0..count).map(|_| (next() % file.len(), u8::try_from(next() % 256).unwrap())).collect();
    let started = std::time::Instant::now();
    assert_eq!(accepted(all, file, &changes), Vec::new());
    println!("{count} changes of {} bytes in {:?}", file.len(), started.elapsed());
}

#[tokio::test(flavor = "multi_thread")]
async fn cuts_reorderings_doublings_and_additions_are_refused() {
    let all = all().await;
    let file = &all.smallest_figure().file;
    let refused = |changed: &[u8], what: &str| {
        assert!(all.accepts(changed).is_err(), "{what}");
        assert!(!second(changed, &all.fingerprint).0, "{what}, by the second checker");
    };
    for at in (0..file.len()).step_by(997) {
        assert!(all.accepts(&file[..at]).is_err(), "cut at {at}");
    }
    refused(&file[..file.len() - 1], "cut by one byte");
    refused(&[file.as_slice(), b"\n"].concat(), "a line feed at the end");
    refused(&[file.as_slice(), file.as_slice()].concat(), "twice");
    let spaced = String::from_utf8(file.clone()).unwrap().replacen(':', ": ", 1);
    refused(spaced.as_bytes(), "a blank between fields");
    let bundle: Value = serde_json::from_slice(file).unwrap();
    let changed = |what: &str, change: &dyn Fn(&mut Value)| {
        let mut bundle = bundle.clone();
        change(&mut bundle);
        refused(canonical::text(&bundle).as_bytes(), what);
    };
    fn list<'a>(bundle: &'a mut Value, pointer: &str) -> &'a mut Vec<Value> {
        bundle.pointer_mut(pointer).unwrap().as_array_mut().unwrap()
    }
    changed("two events change places", &|bundle| list(bundle, "/content/events").swap(0, 1));
    changed("two events and their leaves change places", &|bundle| {
        list(bundle, "/content/events").swap(0, 1);
        list(bundle, "/log/leaves").swap(0, 1);
    });
    changed("an event twice", &|bundle| {
        let first = list(bundle, "/content/events")[0].clone();
        list(bundle, "/content/events").insert(0, first);
        let first = list(bundle, "/log/leaves")[0].clone();
        list(bundle, "/log/leaves").insert(0, first);
    });
    changed("an event left out", &|bundle| {
        list(bundle, "/content/events").remove(3);
        list(bundle, "/log/leaves").remove(3);
    });
    changed("nodes of the proof change places", &|bundle| list(bundle, "/log/proof").swap(0, 1));
    changed("a node of the proof twice", &|bundle| {
        let first = list(bundle, "/log/proof")[0].clone();
        list(bundle, "/log/proof").push(first);
    });
    changed("a figure twice", &|bundle| {
        let first = list(bundle, "/content/figures")[0].clone();
        list(bundle, "/content/figures").push(first);
    });
    changed("no figure", &|bundle| list(bundle, "/content/figures").clear());
    changed("a field more", &|bundle| bundle["content"]["note"] = json!("all is well"));
    changed("a field more in the proof", &|bundle| bundle["log"]["note"] = json!("all is well"));
    changed("a witness that did not sign", &|bundle| {
        bundle["log"]["witnesses"] = json!(["witness.example.com/w1+8d66cf3f+BAAA"]);
    });
    changed("another event of export", &|bundle| {
        bundle["log"]["export"]["event"] = bundle["content"]["events"][0].clone()
    });
}
