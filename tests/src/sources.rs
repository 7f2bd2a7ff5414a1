//! The source files of the service, for tests that read them.

use std::path::{Path, PathBuf};

/// Crates of the service, from the ground up: one may use those before it and no other.
pub const CRATES: [&str; 12] =
    ["check", "listen", "base", "html", "ledger", "messages", "calc", "bench", "results", "quality", "exports", "app"];

/// Top folder of the project.
#[must_use]
pub fn root() -> PathBuf {
    [env!("CARGO_MANIFEST_DIR"), ".."].iter().collect()
}

/// Source files below a folder, sorted.
#[must_use]
pub fn below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(below(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// Path below a folder, with slashes.
#[must_use]
pub fn name_below(folder: &Path, path: &Path) -> String {
    let parts = path.strip_prefix(folder).unwrap().components();
    parts.map(|part| part.as_os_str().to_string_lossy()).collect::<Vec<_>>().join("/")
}

/// Every source file of the service with its name: crate, then path below its `src`.
#[must_use]
pub fn service() -> Vec<(String, PathBuf)> {
    let mut found = Vec::new();
    for name in CRATES {
        let folder = root().join("api").join(name).join("src");
        found.extend(below(&folder).into_iter().map(|path| (format!("{name}/{}", name_below(&folder, &path)), path)));
    }
    found
}

/// Whether a file of that name holds pages.
#[must_use]
pub fn is_page(name: &str) -> bool {
    let of_the_program = ["app/day.rs", "app/find.rs", "app/first_result.rs", "app/printed.rs"];
    name.ends_with("/pages.rs")
        || name.starts_with("html/")
        || name.contains("/pages/")
        || of_the_program.contains(&name)
}

/// Feature that a file of that name belongs to: the folder in its crate, or the crate where that has no folders.
#[must_use]
pub fn feature(name: &str) -> String {
    name.split('/').take(if name.matches('/').count() > 1 { 2 } else { 1 }).collect::<Vec<_>>().join("/")
}
