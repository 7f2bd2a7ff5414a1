//! From a CSV table to the JSON of an input.
//!
//! A first line that is not all numbers is the header. Lines that begin with `#` are comments. Columns may differ in
//! length: cells may be empty below the last value of a column, nowhere else.

use csv::{ByteRecord, ReaderBuilder, Trim};
use ferrotitre_base::refusal::{Code, Refusal};

/// How a table becomes an input.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Table {
    /// It does not: JSON only.
    None,
    /// Each column is the field of its name; without a header the columns are taken in this order.
    Columns(&'static [&'static str]),
    /// The same, the cells kept as texts with all their digits.
    TextColumns(&'static [&'static str]),
    /// Two columns, group and value: values of equal group are one list of the field, groups in order of appearance.
    Groups(&'static str),
    /// Three columns, upper group, lower group and value.
    NestedGroups(&'static str),
    /// Each line is one list of the field.
    Rows(&'static str),
}

impl Table {
    /// The mapping in words.
    #[must_use]
    pub fn explained(&self) -> String {
        match self {
            Self::None => "JSON only".to_owned(),
            Self::Columns([only]) | Self::TextColumns([only]) => format!("one column: {only}"),
            Self::Columns(names) | Self::TextColumns(names) => {
                format!("columns by header, or without a header in this order: {}", names.join(", "))
            }
            Self::Groups(field) => format!("two columns, group and value, make {field}"),
            Self::NestedGroups(field) => format!("three columns, upper group, lower group and value, make {field}"),
            Self::Rows(field) => format!("each line is one list of {field}"),
        }
    }
}

fn refused(message: impl Into<String>, line: usize) -> Refusal {
    Refusal::invalid(&format!("line {line}"), "table", message, "")
}

/// JSON of a table, with settings (field, JSON or text) added.
///
/// # Errors
/// A subject without a table, a table that does not fit.
pub fn to_json(text: &[u8], table: Table, settings: &[(String, String)]) -> Result<Vec<u8>, Refusal> {
    let mut json = Vec::with_capacity(text.len() + 100);
    json.push(b'{');
    match table {
        Table::None => return Err(Refusal::new(Code::Unreadable, "this subject takes JSON only")),
        Table::Columns(names) => columns(text, names, false, &mut json)?,
        Table::TextColumns(names) => columns(text, names, true, &mut json)?,
        Table::Groups(field) => groups(text, field, &mut json)?,
        Table::NestedGroups(field) => nested(text, field, &mut json)?,
        Table::Rows(field) => rows(text, field, &mut json)?,
    }
    for (field, value) in settings {
        if json.len() > 1 {
            json.push(b',');
        }
        push_text(&mut json, field.as_bytes());
        json.push(b':');
        if serde_json::from_str::<serde_json::Value>(value).is_ok() {
            json.extend_from_slice(value.as_bytes());
        } else {
            push_text(&mut json, value.as_bytes());
        }
    }
    json.push(b'}');
    Ok(json)
}

fn reader(text: &[u8]) -> csv::Reader<&[u8]> {
    let mut builder = ReaderBuilder::new();
    builder.has_headers(false).flexible(true).trim(Trim::All).comment(Some(b'#'));
    builder.from_reader(text.strip_prefix("\u{feff}".as_bytes()).unwrap_or(text))
}

fn is_number(cell: &[u8]) -> bool {
    std::str::from_utf8(cell).is_ok_and(|text| text.parse::<f64>().is_ok())
}

/// Reads line by line, empty ones left out; says which is the first and which line of the file it is.
fn each(text: &[u8], mut line: impl FnMut(&ByteRecord, bool, usize) -> Result<(), Refusal>) -> Result<(), Refusal> {
    let mut reader = reader(text);
    let mut record = ByteRecord::new();
    let mut first = true;
    loop {
        let more = reader
            .read_byte_record(&mut record)
            .map_err(|error| Refusal::new(Code::Unreadable, format!("the table cannot be read: {error}")))?;
        if !more {
            return Ok(());
        }
        if record.iter().all(<[u8]>::is_empty) {
            continue;
        }
        let number = record.position().map_or(0, |position| usize::try_from(position.line()).unwrap_or(0));
        line(&record, std::mem::take(&mut first), number)?;
    }
}

fn push_text(json: &mut Vec<u8>, text: &[u8]) {
    let text = serde_json::Value::String(String::from_utf8_lossy(text).into_owned());
    json.extend_from_slice(text.to_string().as_bytes());
}

/// Whether a cell is a number in the notation of JSON.
fn is_json_number(cell: &[u8]) -> bool {
    fn digits(rest: &[u8]) -> usize {
        rest.iter().take_while(|byte| byte.is_ascii_digit()).count()
    }
    let cell = cell.strip_prefix(b"-").unwrap_or(cell);
    let whole = digits(cell);
    if whole == 0 || (whole > 1 && cell[0] == b'0') {
        return false;
    }
    let mut rest = &cell[whole..];
    if let Some(fraction) = rest.strip_prefix(b".") {
        let count = digits(fraction);
        if count == 0 {
            return false;
        }
        rest = &fraction[count..];
    }
    if let Some(exponent) = rest.strip_prefix(b"e").or_else(|| rest.strip_prefix(b"E")) {
        let exponent = exponent.strip_prefix(b"-").or_else(|| exponent.strip_prefix(b"+")).unwrap_or(exponent);
        let count = digits(exponent);
        return count > 0 && count == exponent.len();
    }
    rest.is_empty()
}

/// A cell as a number; what is no number becomes a text, which the input then refuses, naming field and value.
fn push_number(json: &mut Vec<u8>, cell: &[u8]) {
    if is_json_number(cell) {
        json.extend_from_slice(cell);
        return;
    }
    let number = std::str::from_utf8(cell).ok().and_then(|text| text.parse::<f64>().ok()).filter(|x| x.is_finite());
    match number {
        Some(number) => json.extend_from_slice(format!("{number:?}").as_bytes()),
        None => push_text(json, cell),
    }
}

fn all_numbers(record: &ByteRecord) -> bool {
    record.iter().all(|cell| cell.is_empty() || is_number(cell))
}

/// Names of the columns from a header.
fn header(record: &ByteRecord, names: &[&str]) -> Result<Vec<String>, Refusal> {
    // A single column needs no particular header.
    if let ([only], 1) = (names, record.len()) {
        return Ok(vec![(*only).to_owned()]);
    }
    let order: Vec<String> = record.iter().map(|cell| String::from_utf8_lossy(cell).into_owned()).collect();
    for (at, name) in order.iter().enumerate() {
        if !names.contains(&name.as_str()) || order[..at].contains(name) {
            let message = format!("the columns may be {}, each once", names.join(", "));
            return Err(Refusal::invalid("header", "column", message, name));
        }
    }
    Ok(order)
}

/// Columns as they fill up.
#[derive(Debug, Default)]
struct Filling {
    cells: Vec<Vec<u8>>,
    ended: Vec<bool>,
}

impl Filling {
    fn add(&mut self, record: &ByteRecord, order: &[String], as_text: bool, line: usize) -> Result<(), Refusal> {
        if record.len() > order.len() {
            let message = format!("has {} cells where the columns are {}", record.len(), order.join(", "));
            return Err(refused(message, line));
        }
        self.cells.resize_with(self.cells.len().max(record.len()), Vec::new);
        self.ended.resize(self.cells.len(), false);
        for (at, cell) in record.iter().enumerate() {
            if cell.is_empty() {
                self.ended[at] = true;
                continue;
            }
            if self.ended[at] {
                return Err(refused(format!("a value of {} follows an empty cell", order[at]), line));
            }
            let column = &mut self.cells[at];
            if !column.is_empty() {
                column.push(b',');
            }
            if as_text { push_text(column, cell) } else { push_number(column, cell) }
        }
        for late in self.ended.iter_mut().skip(record.len()) {
            *late = true;
        }
        Ok(())
    }
}

fn columns(text: &[u8], names: &[&str], as_text: bool, json: &mut Vec<u8>) -> Result<(), Refusal> {
    let mut order: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
    let mut filling = Filling::default();
    each(text, |record, first, line| {
        if first && !all_numbers(record) {
            order = header(record, names)?;
            return Ok(());
        }
        filling.add(record, &order, as_text, line)
    })?;
    for (at, (name, cells)) in order.iter().zip(&filling.cells).enumerate() {
        if at > 0 {
            json.push(b',');
        }
        push_text(json, name.as_bytes());
        json.extend_from_slice(b":[");
        json.extend_from_slice(cells);
        json.push(b']');
    }
    Ok(())
}

/// Lists by name, in order of first appearance.
#[derive(Debug, Default)]
struct Named {
    positions: std::collections::HashMap<Vec<u8>, usize>,
    lists: Vec<Vec<u8>>,
}

impl Named {
    fn list(&mut self, name: &[u8]) -> (usize, &mut Vec<u8>) {
        let at = match self.positions.get(name) {
            Some(at) => *at,
            None => {
                self.positions.insert(name.to_vec(), self.lists.len());
                self.lists.push(Vec::new());
                self.lists.len() - 1
            }
        };
        (at, &mut self.lists[at])
    }

    fn written(&self) -> Vec<u8> {
        let mut json = vec![b'['];
        for (at, list) in self.lists.iter().enumerate() {
            if at > 0 {
                json.push(b',');
            }
            json.push(b'[');
            json.extend_from_slice(list);
            json.push(b']');
        }
        json.push(b']');
        json
    }
}

fn push_value(list: &mut Vec<u8>, cell: &[u8]) {
    if !list.is_empty() {
        list.push(b',');
    }
    push_number(list, cell);
}

/// A header of a table of groups is recognised by its last cell, since groups may have names.
fn last_is_number(record: &ByteRecord) -> bool {
    record.iter().next_back().is_some_and(is_number)
}

fn groups(text: &[u8], field: &str, json: &mut Vec<u8>) -> Result<(), Refusal> {
    let mut named = Named::default();
    each(text, |record, first, line| {
        if record.len() != 2 {
            return Err(refused("needs two cells: group and value", line));
        }
        if !first || last_is_number(record) {
            push_value(named.list(&record[0]).1, &record[1]);
        }
        Ok(())
    })?;
    push_text(json, field.as_bytes());
    json.push(b':');
    json.extend_from_slice(&named.written());
    Ok(())
}

fn nested(text: &[u8], field: &str, json: &mut Vec<u8>) -> Result<(), Refusal> {
    let mut upper = Named::default();
    let mut lower: Vec<Named> = Vec::new();
    each(text, |record, first, line| {
        if record.len() != 3 {
            return Err(refused("needs three cells: upper group, lower group and value", line));
        }
        if !first || last_is_number(record) {
            let (at, _) = upper.list(&record[0]);
            lower.resize_with(lower.len().max(at + 1), Named::default);
            push_value(lower[at].list(&record[1]).1, &record[2]);
        }
        Ok(())
    })?;
    push_text(json, field.as_bytes());
    json.extend_from_slice(b":[");
    for (at, named) in lower.iter().enumerate() {
        if at > 0 {
            json.push(b',');
        }
        json.extend_from_slice(&named.written());
    }
    json.push(b']');
    Ok(())
}

fn rows(text: &[u8], field: &str, json: &mut Vec<u8>) -> Result<(), Refusal> {
    let mut lists: Vec<u8> = Vec::new();
    each(text, |record, first, _| {
        if first && !all_numbers(record) {
            return Ok(());
        }
        if !lists.is_empty() {
            lists.push(b',');
        }
        let mut list = Vec::new();
        for cell in record.iter().filter(|cell| !cell.is_empty()) {
            push_value(&mut list, cell);
        }
        lists.push(b'[');
        lists.extend_from_slice(&list);
        lists.push(b']');
        Ok(())
    })?;
    push_text(json, field.as_bytes());
    json.extend_from_slice(b":[");
    json.extend_from_slice(&lists);
    json.push(b']');
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, table: Table, settings: &[(&str, &str)]) -> Result<String, Refusal> {
        let settings: Vec<(String, String)> =
            settings.iter().map(|(field, value)| ((*field).to_owned(), (*value).to_owned())).collect();
        to_json(text.as_bytes(), table, &settings).map(|json| String::from_utf8(json).unwrap())
    }

    #[test]
    fn columns_are_taken_by_header_or_by_order() {
        let table = Table::Columns(&["first", "second"]);
        assert_eq!(read("1,2\n3,4\n", table, &[]).unwrap(), r#"{"first":[1,3],"second":[2,4]}"#);
        assert_eq!(read("second,first\n1,2\n", table, &[]).unwrap(), r#"{"second":[1],"first":[2]}"#);
        assert_eq!(read("# titres\n1.50,+2\n.5,\n", table, &[]).unwrap(), r#"{"first":[1.50,0.5],"second":[2.0]}"#);
        assert_eq!(
            read("1\n2", Table::Columns(&["values"]), &[("confidence", "0.9"), ("side", "lower")]).unwrap(),
            r#"{"values":[1,2],"confidence":0.9,"side":"lower"}"#
        );
        assert_eq!(
            read("\u{feff}titre\n23.10", Table::TextColumns(&["readings"]), &[]).unwrap(),
            r#"{"readings":["23.10"]}"#
        );
    }

    #[test]
    fn what_is_no_number_is_kept_for_the_input_to_refuse() {
        assert_eq!(read("1\nx\nNaN\n", Table::Columns(&["values"]), &[]).unwrap(), r#"{"values":[1,"x","NaN"]}"#);
    }

    #[test]
    fn tables_that_do_not_fit_are_refused_with_the_line() {
        let table = Table::Columns(&["first", "second"]);
        let field = |text: &str| read(text, table, &[]).unwrap_err().fields[0].field.clone();
        assert_eq!(field("1,2\n,3\n4,5\n"), "line 3");
        assert_eq!(field("1,2,3\n"), "line 1");
        assert_eq!(field("first,third\n"), "header");
        assert_eq!(field("first,first\n"), "header");
        assert_eq!(read("1", Table::None, &[]).unwrap_err().code, Code::Unreadable);
    }

    #[test]
    fn groups_keep_their_order_of_appearance() {
        assert_eq!(
            read("day,titre\nb,1\na,2\nb,3\n", Table::Groups("groups"), &[]).unwrap(),
            r#"{"groups":[[1,3],[2]]}"#
        );
        assert_eq!(
            read("1,x,1\n1,y,2\n2,x,3\n1,x,4\n", Table::NestedGroups("data"), &[]).unwrap(),
            r#"{"data":[[[1,4],[2]],[[3]]]}"#
        );
        assert_eq!(read("1,2\n3\n", Table::Rows("groups"), &[]).unwrap(), r#"{"groups":[[1,2],[3]]}"#);
    }

    #[test]
    fn only_the_notation_of_json_is_copied() {
        for good in ["0", "-0.5", "10", "1e5", "1.5E-3", "1e+10"] {
            assert!(is_json_number(good.as_bytes()), "{good}");
        }
        for bad in ["", "-", "01", "1.", ".5", "+1", "1e", "1e+", "1x", "0x10", "inf"] {
            assert!(!is_json_number(bad.as_bytes()), "{bad}");
        }
    }
}
