//! Collects what is wrong with a table, cell by cell.

use std::collections::HashMap;

use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};

use super::book::Book;
use super::cell::Cell;

/// Wrong cells that are named before the rest is only counted.
pub const NAMED: usize = 100;
/// Wrong cells that are kept at all.
const KEPT: usize = 20_000;

/// Where a field is in the file.
#[derive(Debug, Clone)]
pub(super) enum At {
    /// In this column.
    Column(usize),
    /// The same in every row.
    Same,
}

/// What is wrong with the cells of a table.
#[derive(Debug, Default)]
pub struct Wrong {
    /// Field's path and key, heading as the file has it, and where it is.
    pub(super) fields: Vec<(String, String, String, At)>,
    /// Cells as they stand in the file, by row.
    pub(super) cells: HashMap<u32, Vec<Cell>>,
    text: bool,
    found: Vec<(u32, usize, Found)>,
    count: usize,
    /// Whether something was wrong only with what the store has.
    taken: bool,
}

#[derive(Debug)]
struct Found {
    field: String,
    rule: String,
    message: String,
    value: String,
}

impl Wrong {
    pub(super) fn of(book: &Book) -> Self {
        Self { text: book.sheets.is_empty(), ..Self::default() }
    }

    /// Whether nothing is wrong so far.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// A wrong cell by its row and column.
    pub(super) fn cell(
        &mut self,
        (row, column): (u32, usize),
        heading: &str,
        (rule, message): (&str, &str),
        value: String,
    ) {
        let letter = super::book::letters(column);
        let place = if self.text { format!("line {row}, column {letter}") } else { format!("{letter}{row}") };
        let field = if heading.is_empty() { place } else { format!("{place}, {heading}") };
        self.add((row, column), Found { field, rule: rule.to_owned(), message: message.to_owned(), value });
    }

    fn add(&mut self, (row, column): (u32, usize), found: Found) {
        self.count += 1;
        if self.found.len() < KEPT {
            self.found.push((row, column, found));
        }
    }

    /// What a rule says of a field of a row, by the field's path.
    pub fn field(&mut self, row: u32, path: &str, rule: &str, message: &str, value: &str) {
        let inside =
            |whole: &str| path.strip_prefix(whole).is_some_and(|rest| rest.is_empty() || rest.starts_with(['.', '[']));
        let known = self.fields.iter().find(|(whole, ..)| inside(whole));
        match known.cloned() {
            Some((.., heading, At::Column(column))) => {
                let cell = self.cells.get(&row).and_then(|cells| cells.get(column)).filter(|cell| !cell.is_empty());
                let shown = cell.map_or_else(|| value.to_owned(), Cell::shown);
                self.cell((row, column), &heading, (rule, message), shown);
            }
            Some((_, key, heading, At::Same)) => {
                let place = if self.text { format!("line {row}") } else { format!("row {row}") };
                let field = format!("{place}, {heading} (the same in every row, same.{key})");
                let value = value.to_owned();
                self.add((row, usize::MAX), Found { field, rule: rule.to_owned(), message: message.to_owned(), value });
            }
            None => {
                let place = if self.text { format!("line {row}") } else { format!("row {row}") };
                let field = if path.is_empty() { place } else { format!("{place}, {path}") };
                let value = value.to_owned();
                self.add((row, usize::MAX), Found { field, rule: rule.to_owned(), message: message.to_owned(), value });
            }
        }
    }

    /// All that a refusal says of a row.
    pub fn refusal(&mut self, row: u32, refusal: &Refusal) {
        if refusal.fields.is_empty() {
            self.field(row, "", refusal.code.text(), &refusal.detail, "");
        }
        for wrong in &refusal.fields {
            self.field(row, &wrong.field, &wrong.rule, &wrong.message, &wrong.value);
        }
    }

    /// What the store has already: told as such if nothing else is wrong.
    pub fn taken(&mut self, row: u32, path: &str, message: &str, value: &str) {
        self.taken = true;
        self.field(row, path, "already_exists", message, value);
    }

    /// `Ok` if nothing is wrong.
    ///
    /// # Errors
    /// Wrong cells by rows and columns: the first of them by name, the rest as a number.
    pub fn check(mut self) -> Result<(), Refusal> {
        if self.count == 0 {
            return Ok(());
        }
        self.found.sort_by_key(|(row, column, _)| (*row, *column));
        let only_taken = self.taken && self.found.iter().all(|(_, _, found)| found.rule == "already_exists");
        let mut errors = FieldErrors::default();
        for (_, _, found) in self.found.into_iter().take(NAMED) {
            errors.add(&found.field, &found.rule, found.message, found.value);
        }
        let mut refusal = errors.into_refusal();
        refusal.code = if only_taken { Code::AlreadyExists } else { Code::Invalid };
        refusal.detail = match self.count {
            1 => format!("1 cell breaks a rule, so nothing was imported; {}", refusal.detail),
            count if count > NAMED => {
                format!("{count} cells break a rule, the first {NAMED} are named; nothing was imported")
            }
            count => format!("{count} cells break a rule, so nothing was imported"),
        };
        Err(refusal)
    }
}
