//! What a document holds.

use chrono::{DateTime, Utc};

/// A document to be printed.
#[derive(Debug, Clone)]
pub struct Document {
    /// What it is called, in lists and in the window of a reader.
    pub title: String,
    /// At the top of every page: left, and right.
    pub head: [String; 2],
    /// At the bottom of every page, left of its number.
    pub foot: String,
    /// What the document is the report of, the same at every printing.
    pub identity: String,
    /// When it is made.
    pub made: DateTime<Utc>,
    /// What it holds, from top to bottom.
    pub blocks: Vec<Block>,
}

/// A part of a document.
#[derive(Debug, Clone)]
pub enum Block {
    /// A heading, with a bookmark.
    Heading(Level, Words),
    /// A paragraph.
    Paragraph(Words),
    /// A paragraph in small grey letters.
    Remark(Words),
    /// A paragraph in a frame.
    Caution(Words),
    /// Things to look at before anything else, as a list beside a thick bar.
    Alert(Vec<Words>),
    /// A figure that stands out.
    Outcome {
        /// The figure.
        figure: String,
        /// Its unit.
        unit: String,
        /// Words about it, below.
        remark: String,
    },
    /// Names and values.
    Facts(Vec<Fact>),
    /// Outcomes and what they were drawn from, the outcome in a narrow column.
    Verdicts(Vec<Fact>),
    /// A table.
    Table(Table),
    /// Lines of small text.
    Lines(Vec<Words>),
    /// A working: steps, each inside the one that needs it.
    Steps(Vec<Step>),
    /// Statements of people, each beside a bar; the first line of each is read as the statement.
    Statements(Vec<Vec<Words>>),
    /// A picture.
    Picture(Picture),
    /// Contents with page numbers and links: all headings after this place. Left out of a document of up to three pages.
    Contents,
}

/// How far up a heading stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// The document.
    Title,
    /// A section of it.
    Section,
    /// A part of a section.
    Part,
}

/// A name with its value.
#[derive(Debug, Clone)]
pub struct Fact {
    /// The name.
    pub name: Words,
    /// The value; each starts a line.
    pub value: Vec<Words>,
}

/// A table; its columns' titles are repeated on every page.
#[derive(Debug, Clone, Default)]
pub struct Table {
    /// Its columns.
    pub columns: Vec<Column>,
    /// Its rows. A row with too few cells is filled up with empty ones; cells beyond the last column are not shown.
    pub rows: Vec<Vec<Cell>>,
}

/// A column of a table.
#[derive(Debug, Clone, Default)]
pub struct Column {
    /// What stands above it.
    pub title: String,
    /// Where its cells stand.
    pub align: Align,
}

/// Where text stands between two edges.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Align {
    /// At the left one.
    #[default]
    Left,
    /// At the right one, as figures do.
    Right,
}

/// A cell of a table.
#[derive(Debug, Clone, Default)]
pub struct Cell {
    /// What it says.
    pub words: Words,
    /// Where it stands, if not where its column does.
    pub align: Option<Align>,
    /// A bar before the words, as a share of its full length.
    pub bar: Option<f64>,
}

/// A step of a working.
#[derive(Debug, Clone)]
pub struct Step {
    /// How many steps it is inside of.
    pub depth: usize,
    /// The quantity and its value.
    pub words: Words,
    /// Where it comes from, in smaller letters.
    pub lines: Vec<String>,
}

/// A picture.
#[derive(Debug, Clone)]
pub struct Picture {
    /// The picture as SVG: shapes and text in plain colours.
    pub svg: String,
    /// What it shows: stands below it, and in its place for those who cannot see it.
    pub caption: String,
    /// How wide it is.
    pub width: Width,
}

/// How wide a picture is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Width {
    /// As the text.
    Full,
    /// So many millimetres, and never wider than the text.
    Millimetres(f32),
}

/// How words are set apart from those around them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Look {
    /// Not at all.
    Plain,
    /// Bold.
    Strong,
    /// Small and grey.
    Quiet,
    /// Smaller and grey.
    Fine,
    /// In a frame, as states are.
    Framed,
}

/// Text, parts of which may be set apart.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Words {
    pub(crate) runs: Vec<(Look, String)>,
}

impl Words {
    /// With more words.
    #[must_use]
    pub fn plain(self, words: impl Into<String>) -> Self {
        self.with(Look::Plain, words)
    }

    /// With more words, in bold letters.
    #[must_use]
    pub fn strong(self, words: impl Into<String>) -> Self {
        self.with(Look::Strong, words)
    }

    /// With more words, in small grey letters.
    #[must_use]
    pub fn quiet(self, words: impl Into<String>) -> Self {
        self.with(Look::Quiet, words)
    }

    /// With more words, in the smallest letters.
    #[must_use]
    pub fn fine(self, words: impl Into<String>) -> Self {
        self.with(Look::Fine, words)
    }

    /// With a state, in a frame.
    #[must_use]
    pub fn state(self, words: impl Into<String>) -> Self {
        self.with(Look::Framed, words)
    }

    fn with(mut self, look: Look, words: impl Into<String>) -> Self {
        let words = words.into();
        if !words.is_empty() {
            self.runs.push((look, words));
        }
        self
    }

    /// The text alone.
    pub(crate) fn text(&self) -> String {
        self.runs.iter().map(|(_, text)| text.as_str()).collect()
    }
}

impl From<String> for Words {
    fn from(words: String) -> Self {
        Self::default().plain(words)
    }
}

impl From<&str> for Words {
    fn from(words: &str) -> Self {
        Self::default().plain(words)
    }
}
