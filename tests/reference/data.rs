//! Reads the committed tables.
use std::path::PathBuf;

/// Text of a file under `tests/reference/data`.
pub fn text(name: &str) -> String {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../tests/reference/data").join(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

/// A JSON file as a value.
pub fn json(name: &str) -> serde_json::Value {
    serde_json::from_str(&text(name)).unwrap_or_else(|error| panic!("{name}: {error}"))
}

/// Rows of a CSV file as maps from column name to text. Lines beginning with `#` are comments.
pub fn rows(name: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let text = text(name);
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_reader(text.as_bytes());
    reader.deserialize().map(|row| row.unwrap_or_else(|error| panic!("{name}: {error}"))).collect()
}
