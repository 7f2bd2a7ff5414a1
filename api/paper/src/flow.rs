//! Strips are put on pages.

use crate::PaperError;
use crate::blocks::{Heading, QUIET, Setter};
use crate::document::{Document, Level, Words};
use crate::lines::Style;
use crate::strip::{Item, MM, SOFT, Strip, Tags, WIDTH};
use crate::typeface::Typefaces;

/// A4, in points.
pub(crate) const PAGE: (f32, f32) = (210.0 * MM, 297.0 * MM);
/// Left edge of the text.
pub(crate) const LEFT: f32 = 17.0 * MM;
/// Upper edge of the text.
pub(crate) const TOP: f32 = 21.0 * MM;
/// How high the text of a page is.
pub(crate) const ROOM: f32 = 297.0 * MM - TOP - 20.0 * MM;
/// From how many pages on a document shows contents.
const LONG: usize = 4;
/// How many headings contents are worth it for.
const HEADINGS: usize = 3;

/// Where a heading is: its page, from 0, and how far down.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Spot {
    pub(crate) page: usize,
    pub(crate) y: f32,
}

/// The pages so far.
#[derive(Debug, Default)]
pub(crate) struct Flow {
    /// What is drawn on each, down from the upper edge of the text.
    pub(crate) pages: Vec<Vec<Item>>,
    pub(crate) spots: Vec<Spot>,
    y: f32,
    /// Strips that must be on one page.
    chain: Vec<Strip>,
    /// What is drawn on the next strip, too.
    extra: Vec<Item>,
}

impl Flow {
    /// Adds to the next strip.
    pub(crate) fn add(&mut self, items: Vec<Item>) {
        self.extra.extend(items);
    }

    /// Puts a strip below the others.
    pub(crate) fn push(&mut self, mut strip: Strip) {
        strip.items.append(&mut self.extra);
        let glue = strip.glue;
        self.chain.push(strip);
        if !glue {
            self.flush();
        }
    }

    /// No more strips.
    pub(crate) fn end(&mut self) {
        self.flush();
        if self.pages.is_empty() {
            self.pages.push(Vec::new());
        }
    }

    fn flush(&mut self) {
        let chain = std::mem::take(&mut self.chain);
        let height: f32 = chain.iter().map(|strip| strip.height).sum();
        let head = chain.iter().find_map(|strip| strip.head.as_ref()).map_or(0.0, |head| head.height);
        // What has no room on any page is torn where this one ends.
        let fits = height + head <= ROOM;
        if fits && self.y + height > ROOM {
            self.turn(chain.first());
        }
        for strip in chain {
            if self.pages.is_empty() || self.y + strip.height > ROOM && self.y > 0.0 && !strip.gap {
                self.turn(Some(&strip));
            }
            self.place(strip);
        }
    }

    /// Begins a page.
    fn turn(&mut self, first: Option<&Strip>) {
        self.pages.push(Vec::new());
        self.y = 0.0;
        if let Some(head) = first.and_then(|strip| strip.head.as_ref()) {
            self.draw(head.items.iter().cloned());
            self.y = head.height;
        }
    }

    fn place(&mut self, strip: Strip) {
        if strip.gap && self.y == 0.0 {
            return;
        }
        let height = strip.height;
        self.draw(strip.items);
        self.y += height;
    }

    fn draw(&mut self, items: impl IntoIterator<Item = Item>) {
        let down = self.y;
        let number = self.pages.len().saturating_sub(1);
        let Some(page) = self.pages.last_mut() else { return };
        for mut item in items {
            match &mut item {
                Item::Text { y, .. } | Item::Bar { y, .. } | Item::Picture { y, .. } | Item::Page { y, .. } => {
                    *y += down
                }
                Item::Mark(heading) => {
                    let heading = *heading;
                    if self.spots.len() <= heading {
                        self.spots.resize(heading + 1, Spot::default());
                    }
                    self.spots[heading] = Spot { page: number, y: down };
                    continue;
                }
            }
            page.push(item);
        }
    }
}

/// A document, laid out.
pub(crate) struct Laid {
    pub(crate) pages: Vec<Vec<Item>>,
    pub(crate) spots: Vec<Spot>,
    pub(crate) headings: Vec<Heading>,
    pub(crate) tags: Tags,
    pub(crate) pictures: Vec<usvg::Tree>,
    pub(crate) typefaces: &'static Typefaces,
    /// What stands above and below the text of each page.
    pub(crate) margins: Vec<Vec<Item>>,
    /// The numbers of pages, for contents: index 0 is page 1.
    pub(crate) numbers: Vec<std::rc::Rc<crate::lines::Line>>,
}

impl Laid {
    /// Lays a document out: once, and again with contents if it is a long one.
    pub(crate) fn out(document: &Document) -> Result<Self, PaperError> {
        let typefaces = Typefaces::get()?;
        let mut setter = Setter::new(typefaces, None);
        setter.set(document)?;
        let sections = setter.headings.iter().filter(|heading| heading.level == Level::Section).count();
        if setter.flow.pages.len() >= LONG && sections >= HEADINGS {
            let headings = std::mem::take(&mut setter.headings);
            setter = Setter::new(typefaces, Some(headings));
            setter.set(document)?;
        }
        let many = setter.flow.pages.len();
        let numbers = if setter.headings.is_empty() { 0 } else { many };
        let numbers =
            (1..=numbers).map(|number| setter.shapers.line(&Words::from(number.to_string()), Style::of(7.2))).collect();
        let margins = (1..=many).map(|number| margins(&mut setter, document, number, many)).collect();
        let Setter { flow, tags, pictures, headings, .. } = setter;
        Ok(Self { pages: flow.pages, spots: flow.spots, headings, tags, pictures, typefaces, margins, numbers })
    }
}

/// What stands above and below the text of a page.
fn margins(setter: &mut Setter, document: &Document, number: usize, many: usize) -> Vec<Item> {
    let gutter = 4.0 * MM;
    let head = Style { size: 7.5, ..QUIET };
    let foot = Style::of(6.6);
    let foot = Style { shade: SOFT, ..foot };
    let mut items = Vec::new();
    let mut side = |left: &str, right: &str, style: Style, y: f32| {
        let right = setter.shapers.line(&Words::from(right), style);
        let room = (WIDTH - right.width - gutter).max(WIDTH / 3.0);
        // Two lines have room there; what is longer is cut.
        let left = setter.shapers.lines(&Words::from(left), style, room).into_iter().take(2);
        for (line, text) in left.enumerate() {
            items.push(Item::Text { x: 0.0, y: y + style.pitch() * line as f32, line: text, tag: None });
        }
        items.push(Item::Text { x: WIDTH - right.width, y, line: right, tag: None });
    };
    side(&document.head[0], &document.head[1], head, 11.0 * MM - TOP);
    side(&document.foot, &format!("page {number} of {many}"), foot, ROOM + 8.0 * MM);
    items
}
