//! Names of fields as paths in the JSON of the API.

use serde_json::Value;

/// Parts of a path such as `a.b[0].c`.
fn parts(path: &str) -> impl Iterator<Item = &str> {
    path.split(['.', '[']).map(|part| part.trim_end_matches(']')).filter(|part| !part.is_empty())
}

/// The value at a path.
pub fn at<'a>(whole: &'a Value, path: &str) -> Option<&'a Value> {
    parts(path).try_fold(whole, |value, part| match part.parse::<usize>() {
        Ok(index) => value.get(index),
        Err(_name) => value.get(part),
    })
}

/// Puts a value at a path; what is not there yet becomes a list or an object, as the path says.
pub fn put(whole: &mut Value, path: &str, value: Value) {
    let mut place = whole;
    for part in parts(path) {
        place = match part.parse::<usize>() {
            Ok(index) => {
                if !place.is_array() {
                    *place = Value::Array(Vec::new());
                }
                let Value::Array(items) = place else { return };
                if items.len() <= index {
                    items.resize(index + 1, Value::Null);
                }
                &mut items[index]
            }
            Err(_name) => {
                if !place.is_object() {
                    *place = Value::Object(serde_json::Map::new());
                }
                let Value::Object(fields) = place else { return };
                fields.entry(part.to_owned()).or_insert(Value::Null)
            }
        };
    }
    *place = value;
}

/// Lines of a list that were left empty between others are not there.
pub(super) fn without_gaps(value: &mut Value) {
    match value {
        Value::Array(items) => {
            items.retain(|item| !item.is_null());
            items.iter_mut().for_each(without_gaps);
        }
        Value::Object(fields) => fields.values_mut().for_each(without_gaps),
        _ => {}
    }
}

/// A path in a list without gaps as the form names it.
pub(super) fn with_gaps(whole: &Value, path: &str) -> String {
    let mut place = Some(whole);
    let mut name = String::new();
    for part in parts(path) {
        match (part.parse::<usize>(), place.and_then(Value::as_array)) {
            (Ok(index), Some(items)) => {
                let there = items.iter().enumerate().filter(|(_, item)| !item.is_null()).nth(index);
                let (at, item) = there.map_or((index, None), |(at, item)| (at, Some(item)));
                place = item;
                name.push_str(&format!("[{at}]"));
            }
            (Ok(index), None) => name.push_str(&format!("[{index}]")),
            (Err(_word), _) => {
                place = place.and_then(|value| value.get(part));
                if !name.is_empty() {
                    name.push('.');
                }
                name.push_str(part);
            }
        }
    }
    name
}
