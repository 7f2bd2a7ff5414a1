//! Strips: pieces of a page, as wide as the text, that are never torn. What is drawn on them, and what it is in the structure
//! of the document.

use std::rc::Rc;

use crate::lines::Line;

/// Points in a millimetre.
pub(crate) const MM: f32 = 72.0 / 25.4;
/// Width of the text: A4 with 17 mm on either side.
pub(crate) const WIDTH: f32 = 176.0 * MM;

/// How dark something is, from 0, black, to 255.
pub(crate) type Shade = u8;
pub(crate) const BLACK: Shade = 0;
pub(crate) const SOFT: Shade = 84;
pub(crate) const RULE: Shade = 158;

/// Something drawn, from the left edge of the text and the upper edge of its strip, in points.
#[derive(Debug, Clone)]
pub(crate) enum Item {
    /// A line of text, at its base line.
    Text { x: f32, y: f32, line: Rc<Line>, tag: Option<Tag> },
    /// A filled rectangle.
    Bar { x: f32, y: f32, width: f32, height: f32, shade: Shade },
    /// A picture.
    Picture { x: f32, y: f32, width: f32, height: f32, number: usize, tag: Tag },
    /// The place of a heading.
    Mark(usize),
    /// The page of a heading, ending at `x`, and a link to it over the rectangle.
    Page { x: f32, y: f32, heading: usize, width: f32, height: f32, tag: Tag },
}

/// A piece of a page.
#[derive(Debug, Default)]
pub(crate) struct Strip {
    pub(crate) height: f32,
    pub(crate) items: Vec<Item>,
    /// Whether the next one must be on the same page.
    pub(crate) glue: bool,
    /// White space, which is left out at the top of a page.
    pub(crate) gap: bool,
    /// What is shown above it if it comes first on a page: the titles of a table's columns.
    pub(crate) head: Option<Rc<Head>>,
}

impl Strip {
    /// White space.
    pub(crate) fn gap(height: f32) -> Self {
        Self { height, gap: true, ..Self::default() }
    }

    /// White space that keeps what is above and below together.
    pub(crate) fn glued_gap(height: f32) -> Self {
        Self { glue: true, ..Self::gap(height) }
    }
}

/// What is shown again on every page.
#[derive(Debug)]
pub(crate) struct Head {
    pub(crate) height: f32,
    pub(crate) items: Vec<Item>,
}

/// A place in the structure of the document.
pub(crate) type Tag = usize;

/// What something is, as ISO 32000-1 (14.8.4) names it.
#[derive(Debug, Clone)]
pub(crate) enum Kind {
    Group,
    Heading(u16, String),
    Paragraph,
    List,
    ListItem,
    Label,
    ListBody,
    Table,
    TableHead,
    TableBody,
    Row,
    ColumnTitle,
    Datum,
    Figure(String),
    Caption,
    Contents,
    ContentsItem,
    Reference,
}

/// The structure of a document, as it is listened to.
#[derive(Debug)]
pub(crate) struct Tags {
    pub(crate) nodes: Vec<(Kind, Vec<Tag>)>,
}

impl Tags {
    /// The document itself.
    pub(crate) const ROOT: Tag = 0;

    pub(crate) fn new() -> Self {
        Self { nodes: vec![(Kind::Group, Vec::new())] }
    }

    /// Adds a node below another.
    pub(crate) fn add(&mut self, parent: Tag, kind: Kind) -> Tag {
        let tag = self.nodes.len();
        self.nodes.push((kind, Vec::new()));
        if let Some((_, children)) = self.nodes.get_mut(parent) {
            children.push(tag);
        }
        tag
    }
}
