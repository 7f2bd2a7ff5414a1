//! Pages become a PDF.

use std::num::NonZeroU16;
use std::rc::Rc;

use chrono::{Datelike as _, Timelike as _};
use krilla::SerializeSettings;
use krilla::action::Action;
use krilla::annotation::{Annotation, LinkAnnotation, Target};
use krilla::color::luma;
use krilla::configure::{Archival, ConfigurationBuilder, PdfVersion};
use krilla::destination::{Destination, XyzDestination};
use krilla::error::KrillaError;
use krilla::geom::{Path, PathBuilder, Point, Rect, Transform};
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::outline::{Outline, OutlineNode};
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule};
use krilla::surface::Surface;
use krilla::tagging::{
    Artifact, ArtifactType, BBox, ContentTag, Identifier, ListNumbering, Node, TableHeaderScope, Tag as PdfTag,
    TagGroup, TagKind, TagTree,
};
use krilla::text::{GlyphId, KrillaGlyph};

use crate::PaperError;
use crate::document::{Document, Level};
use crate::flow::{LEFT, Laid, PAGE, Spot, TOP};
use crate::lines::{Line, Span};
use crate::picture;
use crate::strip::{Item, Kind, Shade, Tag, Tags};

/// Language of every document.
const LANGUAGE: &str = "en-GB";

/// Writes a document for archives; if it may not be one, as an ordinary PDF.
///
/// # Errors
/// The writer's own; none is known.
pub(crate) fn written(document: &Document, laid: &Laid) -> Result<Vec<u8>, PaperError> {
    let failed = |error: KrillaError| PaperError(error.to_string());
    match Writer::write(document, laid, true) {
        Err(KrillaError::Validation(_)) => Writer::write(document, laid, false).map_err(failed),
        other => other.map_err(failed),
    }
}

struct Writer<'a> {
    laid: &'a Laid,
    /// What was drawn for each place in the structure.
    drawn: Vec<Vec<Identifier>>,
    /// Where figures are.
    boxes: Vec<(Tag, BBox)>,
    /// What is being drawn: nothing yet, what belongs to no place, or a place.
    open: Option<Option<Tag>>,
}

impl<'a> Writer<'a> {
    fn write(document: &Document, laid: &'a Laid, archive: bool) -> Result<Vec<u8>, KrillaError> {
        let mut builder = ConfigurationBuilder::new().with_version(PdfVersion::Pdf17);
        if archive {
            builder = builder.with_archival_validator(Archival::A2_A);
        }
        // Version and standard go together, so that there is nothing to fail.
        let configuration = builder.finish().unwrap_or_default();
        let mut pdf = krilla::Document::new_with(SerializeSettings { configuration, ..SerializeSettings::default() });
        let drawn = std::iter::repeat_with(Vec::new).take(laid.tags.nodes.len()).collect();
        let mut writer = Self { laid, drawn, boxes: Vec::new(), open: None };
        for (number, (items, margins)) in laid.pages.iter().zip(&laid.margins).enumerate() {
            writer.page(&mut pdf, number, items, margins);
        }
        pdf.set_metadata(metadata(document));
        pdf.set_outline(outline(laid));
        pdf.set_tag_tree(writer.structure());
        pdf.finish()
    }

    fn page(&mut self, pdf: &mut krilla::Document, number: usize, items: &[Item], margins: &[Item]) {
        let Some(settings) = PageSettings::from_wh(PAGE.0, PAGE.1) else { return };
        let mut page = pdf.start_page_with(settings);
        let mut surface = page.surface();
        for item in items {
            self.item(&mut surface, number, item);
        }
        self.close(&mut surface);
        for item in margins {
            let Item::Text { x, y, line, .. } = item else { continue };
            let kind = if *y < 0.0 { ArtifactType::Header } else { ArtifactType::Footer };
            surface.start_tagged(ContentTag::Artifact(Artifact::with_kind(kind)));
            text(self.laid, &mut surface, LEFT + x, TOP + y, line);
            surface.end_tagged();
        }
        surface.finish();
        for item in items {
            if let Item::Page { x, y, heading, width, height, tag } = item
                && let Some(rect) = Rect::from_xywh(LEFT + x - width, TOP + y - height * 0.75, *width, *height)
                && let (Some(spot), Some(heading)) = (self.laid.spots.get(*heading), self.laid.headings.get(*heading))
            {
                let target = Target::Action(Action::Goto(Destination::Xyz(destination(*spot))));
                let link = Annotation::new_link(LinkAnnotation::new(rect, target), Some(heading.text.clone()));
                let link = page.add_tagged_annotation(link);
                if let Some(drawn) = self.drawn.get_mut(*tag) {
                    // What the link is about comes after it.
                    drawn.insert(0, link);
                }
            }
        }
    }

    fn item(&mut self, surface: &mut Surface<'_>, page: usize, item: &Item) {
        match item {
            Item::Text { x, y, line, tag } => {
                self.begin(surface, *tag);
                text(self.laid, surface, LEFT + x, TOP + y, line);
                if !line.frames.is_empty() {
                    self.begin(surface, None);
                    frames(surface, LEFT + x, TOP + y, line);
                }
            }
            Item::Bar { x, y, width, height, shade } => {
                self.begin(surface, None);
                if let Some(rect) = rectangle(LEFT + x, TOP + y, *width, *height) {
                    filled(surface, *shade);
                    surface.draw_path(&rect);
                }
            }
            Item::Picture { x, y, width, height, number, tag } => {
                let Some(tree) = self.laid.pictures.get(*number) else { return };
                self.begin(surface, Some(*tag));
                let scale = width / tree.size().width();
                surface.push_transform(&Transform::from_row(scale, 0.0, 0.0, scale, LEFT + x, TOP + y));
                picture::draw(self.laid.typefaces, tree, surface);
                surface.pop();
                if let Some(rect) = Rect::from_xywh(LEFT + x, TOP + y, *width, *height) {
                    self.boxes.push((*tag, BBox::new(page, rect)));
                }
            }
            Item::Page { x, y, heading, tag, .. } => {
                let page = self.laid.spots.get(*heading).map(|spot| spot.page);
                if let Some(line) = page.and_then(|page| self.laid.numbers.get(page)) {
                    self.begin(surface, Some(*tag));
                    text(self.laid, surface, LEFT + x - line.width, TOP + y, line);
                }
            }
            Item::Mark(_) => {}
        }
    }

    /// What is drawn from here on belongs to this place.
    fn begin(&mut self, surface: &mut Surface<'_>, tag: Option<Tag>) {
        if self.open == Some(tag) {
            return;
        }
        self.close(surface);
        let content = match tag {
            Some(_) => ContentTag::Other,
            None => ContentTag::Artifact(Artifact::with_kind(ArtifactType::Layout)),
        };
        let identifier = surface.start_tagged(content);
        if let Some(drawn) = tag.and_then(|tag| self.drawn.get_mut(tag)) {
            drawn.push(identifier);
        }
        self.open = Some(tag);
    }

    fn close(&mut self, surface: &mut Surface<'_>) {
        if self.open.take().is_some() {
            surface.end_tagged();
        }
    }

    fn structure(mut self) -> TagTree {
        let mut tree = TagTree::new().with_lang(Some(LANGUAGE.to_owned()));
        let boxes = std::mem::take(&mut self.boxes);
        let laid = self.laid;
        if let Some((_, children)) = laid.tags.nodes.get(Tags::ROOT) {
            for child in children {
                if let Some(node) = self.node(*child, &boxes) {
                    tree.push(node);
                }
            }
        }
        tree
    }

    fn node(&mut self, tag: Tag, boxes: &[(Tag, BBox)]) -> Option<Node> {
        let laid = self.laid;
        let (kind, children) = laid.tags.nodes.get(tag)?;
        let mut group = TagGroup::new(named(kind, boxes.iter().find(|(one, _)| *one == tag).map(|(_, area)| *area)));
        for identifier in self.drawn.get_mut(tag).map(std::mem::take).unwrap_or_default() {
            group.push(identifier);
        }
        for child in children {
            if let Some(node) = self.node(*child, boxes) {
                group.push(node);
            }
        }
        Some(group.into())
    }
}

fn named(kind: &Kind, area: Option<BBox>) -> TagKind {
    match kind {
        Kind::Group => PdfTag::Div.into(),
        Kind::Heading(level, text) => {
            PdfTag::Hn(NonZeroU16::new(*level).unwrap_or(NonZeroU16::MIN), Some(text.clone())).into()
        }
        Kind::Paragraph => PdfTag::P.into(),
        Kind::List => PdfTag::L(ListNumbering::None).into(),
        Kind::ListItem => PdfTag::LI.into(),
        Kind::Label => PdfTag::Lbl.into(),
        Kind::ListBody => PdfTag::LBody.into(),
        Kind::Table => PdfTag::Table.into(),
        Kind::TableHead => PdfTag::THead.into(),
        Kind::TableBody => PdfTag::TBody.into(),
        Kind::Row => PdfTag::TR.into(),
        Kind::ColumnTitle => PdfTag::TH(TableHeaderScope::Column).into(),
        Kind::Datum => PdfTag::TD.into(),
        Kind::Figure(text) => PdfTag::Figure(Some(text.clone())).with_bbox(area).into(),
        Kind::Caption => PdfTag::Caption.into(),
        Kind::Contents => PdfTag::TOC.into(),
        Kind::ContentsItem => PdfTag::TOCI.into(),
        Kind::Reference => PdfTag::Reference.into(),
    }
}

fn metadata(document: &Document) -> Metadata {
    let at = document.made;
    // Each is far below 256.
    let small = |number: u32| u8::try_from(number).unwrap_or_default();
    let made = DateTime::new(u16::try_from(at.year()).unwrap_or_default())
        .month(small(at.month()))
        .day(small(at.day()))
        .hour(small(at.hour()))
        .minute(small(at.minute()))
        .second(small(at.second()))
        .utc_offset_hour(0)
        .utc_offset_minute(0);
    Metadata::new()
        .title(document.title.clone())
        .authors(vec!["ferrotitre".to_owned()])
        .creator("ferrotitre".to_owned())
        .language(LANGUAGE.to_owned())
        .document_id(document.identity.clone())
        .creation_date(made)
}

fn destination(spot: Spot) -> XyzDestination {
    XyzDestination::new(spot.page, Point::from_xy(LEFT, (TOP + spot.y - 6.0).max(0.0)))
}

/// Bookmarks: sections below the title, parts below their section.
fn outline(laid: &Laid) -> Outline {
    let mut outline = Outline::new();
    let mut above: Vec<(Level, OutlineNode)> = Vec::new();
    let mut fold = |above: &mut Vec<(Level, OutlineNode)>, level: Option<Level>| {
        while above.last().is_some_and(|(one, _)| level.is_none_or(|level| *one >= level)) {
            let Some((_, node)) = above.pop() else { return };
            match above.last_mut() {
                Some((_, parent)) => parent.push_child(node),
                None => outline.push_child(node),
            }
        }
    };
    for (heading, spot) in laid.headings.iter().zip(&laid.spots) {
        fold(&mut above, Some(heading.level));
        let node = OutlineNode::new(heading.text.clone(), destination(*spot)).with_open(true);
        above.push((heading.level, node));
    }
    fold(&mut above, None);
    outline
}

fn filled(surface: &mut Surface<'_>, shade: Shade) {
    let paint = luma::Color::new(shade).into();
    surface.set_fill(Some(Fill { paint, opacity: NormalizedF32::ONE, rule: FillRule::NonZero }));
    surface.set_stroke(None);
}

fn rectangle(x: f32, y: f32, width: f32, height: f32) -> Option<Path> {
    let mut path = PathBuilder::new();
    path.push_rect(Rect::from_xywh(x, y, width, height)?);
    path.finish()
}

/// Frames around states, as four thin bars each.
fn frames(surface: &mut Surface<'_>, x: f32, y: f32, line: &Line) {
    const WEIGHT: f32 = 0.6;
    filled(surface, 0);
    for (start, end, size) in &line.frames {
        // Capitals of the typeface are 0.73 of its size high.
        let (top, height) = (y - size * 0.73 - 2.0, size * 0.73 + 4.0);
        let (left, width) = (x + start, end - start);
        let sides = [
            (left, top, width, WEIGHT),
            (left, top + height - WEIGHT, width, WEIGHT),
            (left, top, WEIGHT, height),
            (left + width - WEIGHT, top, WEIGHT, height),
        ];
        for (x, y, width, height) in sides {
            if let Some(side) = rectangle(x, y, width, height) {
                surface.draw_path(&side);
            }
        }
    }
}

fn text(laid: &Laid, surface: &mut Surface<'_>, x: f32, y: f32, line: &Rc<Line>) {
    for span in &line.spans {
        letters(laid, surface, x, y, span);
    }
}

fn letters(laid: &Laid, surface: &mut Surface<'_>, x: f32, y: f32, span: &Span) {
    let mut text = String::new();
    let mut glyphs = Vec::new();
    for shaped in &span.shaped {
        let before = text.len();
        text.push_str(&shaped.text);
        glyphs.extend(shaped.glyphs.iter().map(|glyph| {
            let range = before + glyph.start as usize..before + glyph.end as usize;
            KrillaGlyph::new(GlyphId::new(glyph.id), glyph.advance, glyph.dx, glyph.dy, 0.0, range, None)
        }));
    }
    if glyphs.is_empty() {
        return;
    }
    filled(surface, span.style.shade);
    let font = laid.typefaces.written(span.style.face);
    surface.draw_glyphs(Point::from_xy(x + span.x, y), &glyphs, font, &text, span.style.size, false);
}
