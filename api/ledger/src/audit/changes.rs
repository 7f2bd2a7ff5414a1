//! What an event changed, field by field, as people say it.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use serde_json::value::RawValue;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::audit::catalogue;
use crate::audit::store::Row;

/// A text that is longer is not spelled out where several fields stand in a line.
const LONGEST: usize = 80;
/// Fields of a new record that are named in a line.
const MOST: usize = 6;

/// A field of a row, before and after.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Change {
    /// Column of the table.
    #[schema(example = "final_readings")]
    pub field: String,
    /// What people call it.
    #[schema(example = "final readings, mL")]
    pub label: String,
    /// Value before, as entered; a code where it names another record.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "23.10")]
    pub before: Option<String>,
    /// Value after.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "23.15")]
    pub after: Option<String>,
    /// The records that the values name.
    #[serde(skip)]
    pub names: [Option<Row>; 2],
    /// Their pages.
    #[serde(skip)]
    pub places: [Option<String>; 2],
}

impl Change {
    /// Whether the two differ in what people enter: every version has another identity, number and time.
    #[must_use]
    pub fn changes(&self) -> bool {
        self.before != self.after && !ELSEWHERE.contains(&self.field.as_str())
    }
}

/// What a line says of one record; how versions hang together and who recorded them stands elsewhere.
const ELSEWHERE: [&str; 7] = ["id", "record_id", "version", "supersedes", "recorded_at", "recorded_by", "reason"];

/// Fields that say most of a new record, in this order.
const FIRST: [&str; 22] = [
    "code",
    "number",
    "title",
    "display_name",
    "kind",
    "role",
    "effect",
    "decision",
    "meaning",
    "position",
    "initial_readings",
    "final_readings",
    "mass_g",
    "value",
    "concentration",
    "cause",
    "evidence",
    "what",
    "purpose",
    "succeeded",
    "outcome",
    "statement",
];

type Fields = BTreeMap<String, Box<RawValue>>;

fn fields(row: Option<&str>) -> Fields {
    // A row that is no object has no fields to name; it is shown as it is.
    row.and_then(|text| serde_json::from_str(text).ok()).unwrap_or_default()
}

/// A column as people call it: words instead of underscores, the unit behind a comma.
#[must_use]
pub fn label(column: &str) -> String {
    let known = match column {
        "initial_readings" => "initial readings, mL",
        "final_readings" => "final readings, mL",
        "solution_temperature" => "temperature of the solution, °C",
        "environment_temperature" => "temperature of the room, °C",
        "observed_at" => "observed",
        "recorded_at" => "recorded",
        "recorded_by" => "recorded by",
        "received_at" => "received",
        "sampled_at" => "sampled",
        "expires_at" | "expires_on" => "expires",
        "due_on" => "due",
        "code" => "code",
        "iron2_deadline" => "iron(II) to be determined by",
        "iron2_id" => "iron(II)",
        "total_id" => "total iron",
        "from_state" => "state before",
        "to_state" => "state after",
        "supersedes" => "takes the place of",
        "sigma_pt" => "standard deviation for proficiency assessment",
        "n" => "number of values",
        "s" => "standard deviation",
        "display_name" => "printed name",
        "entity_id" => "record",
        "entity_kind" => "kind of record",
        "used_at" => "last used",
        "row_ids" => "rows",
        _ => "",
    };
    if !known.is_empty() {
        return known.to_owned();
    }
    if let Some(secret) = column.strip_suffix("_sha256") {
        return format!("{} (not shown)", secret.replace('_', " "));
    }
    let units =
        [("_ml", "mL"), ("_g", "g"), ("_percent", "%"), ("_hours", "h"), ("_days", "d"), ("_mol_per_l", "mol/L")];
    for (ending, unit) in units {
        if let Some(of) = column.strip_suffix(ending) {
            return format!("{}, {unit}", of.replace('_', " "));
        }
    }
    column.strip_suffix("_id").unwrap_or(column).replace('_', " ")
}

/// A value as it was entered: digits stay as they are, a list is joined, a document is only measured.
fn text(raw: &RawValue) -> Option<String> {
    let raw = raw.get();
    match raw.as_bytes().first() {
        Some(b'n') => None,
        Some(b'"') => serde_json::from_str(raw).ok(),
        Some(b'[') => {
            let items: Vec<Box<RawValue>> = serde_json::from_str(raw).unwrap_or_default();
            if items.iter().any(|item| item.get().starts_with(['{', '['])) {
                return Some(document(raw));
            }
            Some(items.iter().filter_map(|item| text(item)).collect::<Vec<_>>().join("; "))
        }
        Some(b'{') => Some(document(raw)),
        Some(b't') => Some("yes".to_owned()),
        Some(b'f') => Some("no".to_owned()),
        _ => Some(raw.to_owned()),
    }
}

fn document(raw: &str) -> String {
    format!("a document of {} characters", raw.chars().count())
}

/// Where a column of a table leads, and what it holds is named by.
fn target(references: &BTreeMap<(String, String), String>, table: &str, column: &str) -> Option<String> {
    references.get(&(table.to_owned(), column.to_owned())).cloned()
}

/// Columns that name rows of other tables.
#[must_use]
pub fn references() -> BTreeMap<(String, String), String> {
    let keys = catalogue::references().into_iter();
    keys.map(|reference| ((reference.table, reference.column), reference.to)).collect()
}

/// What a row of a table is about: the thing it names by kind and identity, or itself.
#[must_use]
pub fn subject(table: &str, id: Option<Uuid>, row: Option<&str>) -> Option<Row> {
    let pair = match table {
        "state_moves" | "sign_offs" | "late_entries" => ("entity_kind", "entity_id"),
        "doubted_approvals" => ("result_kind", "result_id"),
        _ => return id.map(|id| (table.to_owned(), id)),
    };
    let fields = fields(row);
    let of = |name: &str| fields.get(name).and_then(|raw| text(raw));
    Some((of(pair.0)?, of(pair.1)?.parse().ok()?))
}

/// Every field of the rows, changed or not.
#[must_use]
pub fn all(
    table: &str,
    (before, after): (Option<&str>, Option<&str>),
    references: &BTreeMap<(String, String), String>,
) -> Vec<Change> {
    let (before, after) = (fields(before), fields(after));
    let names: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    let mut names: Vec<&String> = names.into_iter().collect();
    let rank = |name: &str| FIRST.iter().position(|first| *first == name).unwrap_or(FIRST.len());
    names.sort_by_key(|name| (rank(name), ELSEWHERE.contains(&name.as_str()), name.as_str()));
    let change = |name: &String| {
        let [before, after] = [&before, &after].map(|fields| fields.get(name).and_then(|raw| text(raw)));
        let row =
            |value: &Option<String>| Some((target(references, table, name)?, value.as_deref()?.parse::<Uuid>().ok()?));
        let named = [row(&before), row(&after)];
        Change { field: name.clone(), label: label(name), before, after, names: named, places: [None, None] }
    };
    names.into_iter().map(change).collect()
}

/// What is said of an event in a list: for a correction what differs, for a new record what says most of it.
#[must_use]
pub fn said(changes: Vec<Change>, corrects: bool) -> Vec<Change> {
    let told = changes.into_iter().filter(|change| {
        let secret = change.field.ends_with("_sha256");
        change.changes() && !secret
    });
    if corrects {
        return told.collect();
    }
    let says_little = |change: &Change| {
        let field = change.field.as_str();
        let empty = change.after.as_deref().is_none_or(str::is_empty);
        empty || field.ends_with("_id") || field.ends_with("digest") || field == "observed_at" || field == "entity_kind"
    };
    told.filter(|change| !says_little(change)).take(MOST).collect()
}

/// Cut where it would not fit a line.
fn short(text: &str) -> String {
    if text.chars().count() <= LONGEST {
        text.to_owned()
    } else {
        format!("a text of {} characters", text.chars().count())
    }
}

/// As one line: `final readings, mL: 23.10 → 23.15`.
#[must_use]
pub fn line(table: &str, corrects: bool, changes: &[Change]) -> String {
    let of = |name: &str| changes.iter().find(|change| change.field == name).and_then(|change| change.after.clone());
    if table == "state_moves" {
        let moved = format!("{} → {}", of("from_state").unwrap_or_default(), of("to_state").unwrap_or_default());
        return of("cause").map_or(moved.clone(), |cause| format!("{moved} ({cause})"));
    }
    if table == "sign_offs" {
        return format!("{}: \"{}\"", of("meaning").unwrap_or_default(), of("statement").unwrap_or_default());
    }
    if matches!(table, "impacts" | "doubted_approvals") {
        return of("what").unwrap_or_default();
    }
    if table == "pins" {
        let rows = of("row_ids").unwrap_or_default();
        return format!("{} rows", rows.split("; ").filter(|row| !row.is_empty()).count());
    }
    let nothing = || "nothing".to_owned();
    let one = |change: &Change| {
        let (before, after) = (change.before.as_deref().map(short), change.after.as_deref().map(short));
        if corrects {
            format!("{}: {} → {}", change.label, before.unwrap_or_else(nothing), after.unwrap_or_else(nothing))
        } else {
            format!("{}: {}", change.label, after.unwrap_or_else(nothing))
        }
    };
    changes.iter().map(one).collect::<Vec<_>>().join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_correction_is_told_with_its_digits_and_a_document_is_only_measured() {
        let before =
            r#"{"id": "1", "final_readings": [23.10], "rules": {"a": 1}, "end_point": "violet", "version": 1}"#;
        let after =
            r#"{"id": "2", "final_readings": [23.150], "rules": {"a": 12}, "end_point": "violet", "version": 2}"#;
        let told = said(all("titrations", (Some(before), Some(after)), &BTreeMap::new()), true);
        let line = line("titrations", true, &told);
        assert!(line.starts_with("final readings, mL: 23.10 → 23.150; "), "{line}");
        assert!(line.contains("rules: a document of 8 characters → a document of 9 characters"), "{line}");
        assert!(!line.contains("violet") && !line.contains("version"), "{line}");
    }

    #[test]
    fn a_new_record_is_told_by_what_says_most_and_a_secret_never() {
        let row =
            r#"{"id": "1", "password_hash_sha256": "ab", "account_id": "x", "provisional": true, "recorded_by": null}"#;
        let told = said(all("account_secrets", (None, Some(row)), &BTreeMap::new()), false);
        assert_eq!(line("account_secrets", false, &told), "provisional: yes");
    }

    #[test]
    fn a_move_is_told_from_where_to_where() {
        let row =
            r#"{"from_state": "open", "to_state": "closed", "entity_kind": "runs", "cause": null, "position": 1}"#;
        let told = said(all("state_moves", (None, Some(row)), &BTreeMap::new()), false);
        assert_eq!(line("state_moves", false, &told), "open → closed");
    }

    #[test]
    fn units_stand_behind_a_comma() {
        let told = ["mass_g", "concordance_limit_ml", "burette_id", "agreement_percent"].map(label);
        assert_eq!(told, ["mass, g", "concordance limit, mL", "burette", "agreement, %"]);
    }
}
