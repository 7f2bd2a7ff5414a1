//! What the sources say about who may use what.

use std::path::{Path, PathBuf};
use std::process::Command;

/// Files and folders of api/src that may name the database library, and why the list is longer than store files.
const MAY_USE_DIESEL: &[(&str, &str)] = &[
    ("schema.rs", "declares the tables"),
    ("db.rs", "connections and transactions"),
    ("ids.rs", "a type per table's identity, as the store takes it"),
    ("migrate.rs", "runs the migrations"),
    ("cluster.rs", "makes roles and database of the private cluster"),
    ("refusal.rs", "tells violated constraints apart by name"),
    ("states.rs", "the one table of moves between states, used by every feature"),
    ("sign_offs.rs", "the one table of signatures, used by every feature"),
    ("labels.rs", "codes of things by identity, one query per kind, for every feature's pages"),
    ("operations/mod.rs", "asks the store whether it answers"),
    ("demo", "looks whether the store is empty and counts what it loaded"),
    ("audit", "the log: events, leaves, heads"),
    ("auth", "sessions, tokens and keys are resolved before any feature runs"),
    ("web/decimal.rs", "decimals as the store's numeric type"),
    ("web/json.rs", "documents as the store's jsonb type"),
    ("web/versions.rs", "the queries that all versioned tables share"),
    ("standards/primary.rs", "one versioned table: row type and rules in one file"),
    ("standards/reagents.rs", "one versioned table: row type and rules in one file"),
    ("samples/samples.rs", "one versioned table: row type and rules in one file"),
    ("samples/portions.rs", "two tables written together: row types and rules in one file"),
    ("runs/blanks.rs", "one versioned table: row type and rules in one file"),
    ("runs/service.rs", "one table without versions: row type and rules in one file"),
    ("runs/repeats.rs", "one small table: row type and rules in one file"),
    ("concessions.rs", "two small tables: row types and rules in one file"),
];

fn sources(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn root() -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), ".."].iter().collect()
}

/// Path below a folder, with slashes.
fn below(folder: &Path, path: &Path) -> String {
    path.strip_prefix(folder)
        .unwrap()
        .components()
        .map(|part| part.as_os_str().to_string_lossy())
        .collect::<Vec<_>>()
        .join("/")
}

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
    let api = root().join("api").join("src");
    let mut strays = Vec::new();
    for path in sources(&api) {
        let name = below(&api, &path);
        let listed =
            MAY_USE_DIESEL.iter().any(|(allowed, _)| name == *allowed || name.starts_with(&format!("{allowed}/")));
        let store = name.ends_with("/store.rs") || name.contains("/store/");
        let code = code(&path);
        let named = uses(&code, "diesel") || uses(&code, "diesel_async") || code.contains("crate::schema");
        if named && !listed && !store {
            strays.push(name);
        }
    }
    assert_eq!(strays, Vec::<String>::new());
}

#[test]
fn handlers_call_services_and_never_a_store_query() {
    let api = root().join("api").join("src");
    for path in sources(&api).into_iter().filter(|path| path.ends_with("handlers.rs")) {
        let code = code(&path);
        for forbidden in
            ["diesel", "db.read(", "db.write(", "db.transact(", "store::insert", "store::find", "store::list"]
        {
            assert!(!code.contains(forbidden), "{} contains {forbidden}", below(&api, &path));
        }
    }
}

#[test]
fn pages_call_services_and_never_a_store() {
    let api = root().join("api").join("src");
    let is_page = |path: &PathBuf| {
        let name = below(&api, path);
        name.ends_with("/pages.rs") || name.starts_with("pages/") || name.contains("/pages/")
    };
    let mut pages = 0;
    for path in sources(&api).into_iter().filter(is_page) {
        let code = code(&path);
        let name = below(&api, &path);
        for forbidden in ["diesel", "crate::schema", "db.read(", "db.write(", "db.transact(", "Connection"] {
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
    let api = root().join("api").join("src");
    let open = ["sign_in", "refresh_session", "read_seal_key"];
    let mut handlers = 0;
    for path in sources(&api).into_iter().filter(|path| path.ends_with("handlers.rs")) {
        let code = code(&path);
        let mut rest = code.as_str();
        while let Some((_, after)) = rest.split_once("pub(super) async fn ") {
            let (name, after) = after.split_once('(').unwrap();
            let first = after.trim_start().split(['\n', ',']).next().unwrap_or_default();
            let guarded = first.contains("Allowed<");
            assert!(guarded || open.contains(&name), "{}: {name} begins with {first}", below(&api, &path));
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
    for path in sources(&core) {
        let code = code(&path);
        for forbidden in ["std::fs", "std::net", "std::time", "SystemTime", "Instant::now", "std::env", "std::process"]
        {
            assert!(!code.contains(forbidden), "{} uses {forbidden}", below(&core, &path));
        }
    }
}

#[test]
fn files_stay_under_five_hundred_lines() {
    // Longer ones are split by subject; generated tables do not count.
    let mut long = Vec::new();
    for folder in ["api", "core"] {
        let folder = root().join(folder).join("src");
        for path in sources(&folder).into_iter().filter(|path| !path.ends_with("schema.rs")) {
            let lines = std::fs::read_to_string(&path).unwrap().lines().count();
            // A few lines of grace, so that a comment is not cut to fit.
            if lines > 560 {
                long.push(format!("{} has {lines} lines", path.display()));
            }
        }
    }
    assert_eq!(long, Vec::<String>::new());
}
