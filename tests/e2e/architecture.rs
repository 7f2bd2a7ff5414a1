//! What the sources say about who may use what.

use std::path::Path;
use std::process::Command;

use ferrotitre_tests::sources::{CRATES, below, name_below, root, service};

/// Files and folders that may name the database library, by crate, and why the list is longer than store files.
const MAY_USE_DIESEL: &[(&str, &str)] = &[
    ("base/db.rs", "connections and transactions"),
    ("base/ids.rs", "a type per table's identity, as the store takes it"),
    ("app/migrate.rs", "runs the migrations"),
    ("app/cluster.rs", "makes roles and database of the private cluster"),
    ("base/refusal.rs", "tells violated constraints apart by name"),
    ("base/states.rs", "the one table of moves between states, used by every feature"),
    ("base/locks.rs", "turns that transactions take, for every feature"),
    ("base/pins.rs", "the one table of what signatures stand over, used by every feature"),
    ("base/sign_offs.rs", "the one table of signatures, used by every feature"),
    ("base/bench_times.rs", "the one table of late entries, used by every feature that observes"),
    ("base/certified.rs", "which results are on which certificates, in one statement, for rooms below certificates"),
    ("base/labels.rs", "codes of things by identity, one query per kind, for every feature's pages"),
    ("app/operations.rs", "asks the store whether it answers"),
    ("app/demo", "looks whether the store is empty and counts what it loaded"),
    ("ledger/audit", "the log: events, leaves, heads"),
    ("base/auth", "sessions, tokens and keys are resolved before any feature runs"),
    ("base/web/decimal.rs", "decimals as the store's numeric type"),
    ("base/web/json.rs", "documents as the store's jsonb type"),
    ("base/web/versions.rs", "the queries that all versioned tables share"),
    ("bench/standards/primary.rs", "one versioned table: row type and rules in one file"),
    ("bench/standards/reagents.rs", "one versioned table: row type and rules in one file"),
    ("bench/samples/samples.rs", "one versioned table: row type and rules in one file"),
    ("results/runs/service.rs", "one table without versions: row type and rules in one file"),
    ("results/runs/repeats.rs", "one small table: row type and rules in one file"),
    ("bench/concessions/mod.rs", "two small tables: row types and rules in one file"),
    ("base/among.rs", "a condition, for the statements of store files"),
    ("base/kept.rs", "a statement as text, for the statements of store files"),
    ("base/entry.rs", "an audit event, as the log and the receipts read it"),
    ("base/receipts.rs", "events that a request made, for its answer"),
    ("base/recording.rs", "the next number of a series of codes"),
    ("base/lib.rs", "names the crate of the tables for the macro of versioned tables"),
    ("bench/methods/scope.rs", "one line of a room above, in one statement"),
];

/// The code of a file: no comments, no texts in quotes on comment lines.
fn code(path: &Path) -> String {
    let text = std::fs::read_to_string(path).unwrap();
    text.lines().map(|line| line.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

fn uses(code: &str, name: &str) -> bool {
    code.match_indices(name).any(|(at, _)| {
        let before = code[..at].chars().next_back();
        let after = code[at + name.len()..].chars().next();
        before.is_none_or(|c| !c.is_alphanumeric() && c != '_')
            && after.is_some_and(|c| c == ':' || c == ';' || c == ')')
    })
}

#[test]
fn the_database_is_named_in_store_files_and_the_listed_exceptions_only() {
    let mut strays = Vec::new();
    for (name, path) in service() {
        let listed =
            MAY_USE_DIESEL.iter().any(|(allowed, _)| name == *allowed || name.starts_with(&format!("{allowed}/")));
        let store = name.ends_with("/store.rs") || name.contains("/store/");
        let code = code(&path);
        let named = uses(&code, "diesel") || uses(&code, "diesel_async") || code.contains("ferrotitre_schema");
        if named && !listed && !store {
            strays.push(name);
        }
    }
    assert_eq!(strays, Vec::<String>::new());
}

#[test]
fn a_crate_of_the_service_uses_only_those_below_it() {
    for (at, name) in CRATES.iter().enumerate() {
        let manifest = std::fs::read_to_string(root().join("api").join(name).join("Cargo.toml")).unwrap();
        for above in &CRATES[at..] {
            let package = format!("ferrotitre-{}.workspace", if *above == "app" { "api" } else { above });
            assert!(!manifest.contains(&package), "{name} must not depend on {above}");
        }
    }
    // A crate that nobody placed would be watched by none of these tests.
    let folders = std::fs::read_dir(root().join("api")).unwrap().map(|entry| entry.unwrap().path());
    let crates = folders.filter(|folder| folder.join("Cargo.toml").exists());
    let mut names: Vec<String> = crates.map(|folder| name_below(&root().join("api"), &folder)).collect();
    names.retain(|name| !["paper", "schema"].contains(&name.as_str()));
    names.sort();
    let mut placed = CRATES.map(str::to_owned);
    placed.sort();
    assert_eq!(names, placed);
}

#[test]
fn handlers_call_services_and_never_a_store_query() {
    for (name, path) in service().into_iter().filter(|(_, path)| path.ends_with("handlers.rs")) {
        let code = code(&path);
        for forbidden in
            ["diesel", "db.read(", "db.write(", "db.transact(", "store::insert", "store::find", "store::list"]
        {
            assert!(!code.contains(forbidden), "{name} contains {forbidden}");
        }
    }
}

#[test]
fn pages_call_services_and_never_a_store() {
    let is_page = |name: &str| name.ends_with("/pages.rs") || name.starts_with("html/") || name.contains("/pages/");
    let mut pages = 0;
    for (name, path) in service().into_iter().filter(|(name, _)| is_page(name)) {
        let code = code(&path);
        for forbidden in ["diesel", "ferrotitre_schema", "db.read(", "db.write(", "db.transact(", "Connection"] {
            assert!(!code.contains(forbidden), "{name} contains {forbidden}");
        }
        // Types of facts and their words stand in store files; of these, types and constants may be named, functions not.
        for (_, used) in code.match_indices("store::").map(|(at, found)| (at, &code[at + found.len()..])) {
            let names = used.strip_prefix('{').map_or_else(
                || used.split(|c: char| !c.is_alphanumeric() && c != '_').take(1).collect::<Vec<_>>(),
                |list| list.split('}').next().unwrap_or_default().split(',').map(str::trim).collect(),
            );
            for one in names.into_iter().filter(|one| !one.is_empty()) {
                assert!(one.starts_with(|c: char| c.is_ascii_uppercase()), "{name} uses store::{one}");
            }
        }
        pages += 1;
    }
    assert!(pages > 20, "{pages}");
}

#[test]
fn every_handler_outside_the_open_ones_takes_its_guard_first() {
    let open = ["sign_in", "refresh_session", "read_seal_key", "read_verifier_key"];
    let mut handlers = 0;
    for (file, path) in service().into_iter().filter(|(_, path)| path.ends_with("handlers.rs")) {
        let code = code(&path);
        let mut rest = code.as_str();
        while let Some((_, after)) = rest.split_once("pub(super) async fn ") {
            let (name, after) = after.split_once('(').unwrap();
            let first = after.trim_start().split(['\n', ',']).next().unwrap_or_default();
            let guarded = first.contains("Allowed<");
            assert!(guarded || open.contains(&name), "{file}: {name} begins with {first}");
            handlers += 1;
            rest = after;
        }
    }
    assert!(handlers > 50, "{handlers}");
}

#[test]
fn core_uses_neither_clock_nor_network_nor_store_nor_randomness() {
    let output = Command::new(env!("CARGO"))
        .args(["tree", "--offline", "-p", "ferrotitre-core", "-e", "normal", "--prefix", "none", "--format", "{p}"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let tree = String::from_utf8(output.stdout).unwrap();
    let packages: Vec<&str> = tree.lines().filter_map(|line| line.split_whitespace().next()).collect();
    assert!(packages.contains(&"ferrotitre-core"), "{tree}");
    let forbidden = [
        "tokio",
        "actix-web",
        "actix-rt",
        "diesel",
        "diesel-async",
        "serde",
        "serde_json",
        "chrono",
        "time",
        "rand",
        "getrandom",
        "uuid",
    ];
    for name in forbidden {
        assert!(!packages.contains(&name), "core depends on {name}");
    }
    let core = root().join("core").join("src");
    for path in below(&core) {
        let code = code(&path);
        for forbidden in ["std::fs", "std::net", "std::time", "SystemTime", "Instant::now", "std::env", "std::process"]
        {
            assert!(!code.contains(forbidden), "{} uses {forbidden}", name_below(&core, &path));
        }
    }
}

#[test]
fn examples_in_documentation_stand_where_they_are_run() {
    // deploy/test runs those of the core and of the checker.
    for (name, path) in service().into_iter().filter(|(name, _)| !name.starts_with("check/")) {
        let text = std::fs::read_to_string(&path).unwrap();
        let fence = |line: &str| ["/// ```", "//! ```"].contains(&line.trim());
        assert!(!text.lines().any(fence), "{name} has an example that nobody runs");
    }
}

#[test]
fn files_stay_under_five_hundred_lines() {
    // Longer ones are split by subject; generated tables do not count.
    let mut long = Vec::new();
    let core = below(&root().join("core").join("src"));
    for path in service().into_iter().map(|(_, path)| path).chain(core) {
        let lines = std::fs::read_to_string(&path).unwrap().lines().count();
        // A few lines of grace, so that a comment is not cut to fit.
        if lines > 560 {
            long.push(format!("{} has {lines} lines", path.display()));
        }
    }
    assert_eq!(long, Vec::<String>::new());
}
