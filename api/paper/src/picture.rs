//! Pictures: SVG is drawn into the document as shapes and letters, so that it is sharp at any size and its text is found.

use krilla::color::{luma, rgb};
use krilla::geom::{Path, PathBuilder, Point, Transform};
use krilla::num::NormalizedF32;
use krilla::paint::{Fill, FillRule, LineCap, LineJoin, Paint, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{GlyphId, KrillaGlyph};
use usvg::tiny_skia_path::PathSegment;
use usvg::{Group, ImageHrefResolver, Node, Options, PaintOrder, Tree};

use crate::PaperError;
use crate::typeface::Typefaces;

/// Reads a picture.
///
/// # Errors
/// If it is no SVG, or holds what paper does not show.
pub(crate) fn read(typefaces: &Typefaces, svg: &str) -> Result<Tree, PaperError> {
    let nothing = ImageHrefResolver {
        resolve_data: ImageHrefResolver::default_data_resolver(),
        // No file of the machine is ever looked at.
        resolve_string: Box::new(|_, _| None),
    };
    let options = Options {
        fontdb: typefaces.for_pictures(),
        font_family: "DejaVu Sans".to_owned(),
        image_href_resolver: nothing,
        ..Options::default()
    };
    let tree =
        Tree::from_str(svg, &options).map_err(|error| PaperError(format!("a picture cannot be read: {error}")))?;
    match unshown(tree.root()) {
        Some(what) => Err(PaperError(format!("a picture holds {what}, which paper does not show"))),
        None => Ok(tree),
    }
}

/// What of a picture would be lost.
fn unshown(group: &Group) -> Option<&'static str> {
    if group.clip_path().is_some() {
        return Some("a clipping path");
    }
    if group.mask().is_some() {
        return Some("a mask");
    }
    if !group.filters().is_empty() {
        return Some("a filter");
    }
    let flat = |paint: Option<&usvg::Paint>| paint.is_none_or(|paint| matches!(paint, usvg::Paint::Color(_)));
    let plain = |fill: Option<&usvg::Fill>, stroke: Option<&usvg::Stroke>| {
        flat(fill.map(usvg::Fill::paint)) && flat(stroke.map(usvg::Stroke::paint))
    };
    group.children().iter().find_map(|node| match node {
        Node::Group(group) => unshown(group),
        Node::Path(path) => (!plain(path.fill(), path.stroke())).then_some("a gradient or a pattern"),
        Node::Text(text) => text
            .layouted()
            .iter()
            .any(|span| !plain(span.fill.as_ref(), span.stroke.as_ref()))
            .then_some("a gradient or a pattern"),
        Node::Image(_) => Some("an image"),
    })
}

/// Draws a picture, its units as points.
pub(crate) fn draw(typefaces: &Typefaces, tree: &Tree, surface: &mut Surface<'_>) {
    group(typefaces, tree.root(), surface);
}

fn group(typefaces: &Typefaces, from: &Group, surface: &mut Surface<'_>) {
    surface.push_transform(&transform(from.transform()));
    let faint = from.opacity().get() < 1.0;
    if faint {
        surface.push_opacity(share(from.opacity()));
    }
    for node in from.children() {
        match node {
            Node::Group(inner) => group(typefaces, inner, surface),
            Node::Path(one) => path(one, surface),
            Node::Text(one) => text(typefaces, one, surface),
            // Refused when it was read.
            Node::Image(_) => {}
        }
    }
    if faint {
        surface.pop();
    }
    surface.pop();
}

fn path(path: &usvg::Path, surface: &mut Surface<'_>) {
    let Some(outline) = outline(path) else { return };
    if !path.is_visible() {
        return;
    }
    let parts = match path.paint_order() {
        PaintOrder::FillAndStroke => [(path.fill(), path.stroke()), (None, None)],
        PaintOrder::StrokeAndFill => [(None, path.stroke()), (path.fill(), None)],
    };
    for (filling, line) in parts {
        let (filling, line) = (filling.and_then(fill), line.and_then(stroke));
        // With neither, the writer would fill it with black.
        if filling.is_some() || line.is_some() {
            surface.set_fill(filling);
            surface.set_stroke(line);
            surface.draw_path(&outline);
        }
    }
}

fn text(typefaces: &Typefaces, text: &usvg::Text, surface: &mut Surface<'_>) {
    for span in text.layouted().iter().filter(|span| span.visible) {
        let filling = span.fill.as_ref().and_then(fill);
        let line = span.stroke.as_ref().and_then(stroke);
        if filling.is_none() && line.is_none() {
            continue;
        }
        for glyph in &span.positioned_glyphs {
            let font = typefaces.written(typefaces.named(glyph.font));
            let size = span.font_size.get();
            // The glyph's own transform scales units of the typeface to the size of the letters, which the writer does.
            let unscaled = font.units_per_em() / size;
            let placed = glyph.transform().pre_concat(usvg::Transform::from_scale(unscaled, unscaled));
            surface.push_transform(&transform(placed));
            surface.set_fill(filling.clone());
            surface.set_stroke(line.clone());
            let shown = KrillaGlyph::new(GlyphId::new(glyph.id.0), 0.0, 0.0, 0.0, 0.0, 0..glyph.text.len(), None);
            surface.draw_glyphs(Point::from_xy(0.0, 0.0), &[shown], font, &glyph.text, size, false);
            surface.pop();
        }
    }
}

fn transform(one: usvg::Transform) -> Transform {
    Transform::from_row(one.sx, one.ky, one.kx, one.sy, one.tx, one.ty)
}

fn outline(path: &usvg::Path) -> Option<Path> {
    let mut outline = PathBuilder::new();
    for segment in path.data().segments() {
        match segment {
            PathSegment::MoveTo(to) => outline.move_to(to.x, to.y),
            PathSegment::LineTo(to) => outline.line_to(to.x, to.y),
            PathSegment::QuadTo(over, to) => outline.quad_to(over.x, over.y, to.x, to.y),
            PathSegment::CubicTo(first, second, to) => {
                outline.cubic_to(first.x, first.y, second.x, second.y, to.x, to.y);
            }
            PathSegment::Close => outline.close(),
        }
    }
    outline.finish()
}

fn share(opacity: usvg::Opacity) -> NormalizedF32 {
    NormalizedF32::new(opacity.get()).unwrap_or(NormalizedF32::ONE)
}

fn colour(paint: &usvg::Paint) -> Option<Paint> {
    match paint {
        usvg::Paint::Color(one) if one.red == one.green && one.green == one.blue => {
            Some(luma::Color::new(one.red).into())
        }
        usvg::Paint::Color(one) => Some(rgb::Color::new(one.red, one.green, one.blue).into()),
        // Refused when the picture was read.
        _ => None,
    }
}

fn fill(one: &usvg::Fill) -> Option<Fill> {
    let rule = match one.rule() {
        usvg::FillRule::NonZero => FillRule::NonZero,
        usvg::FillRule::EvenOdd => FillRule::EvenOdd,
    };
    (one.opacity().get() > 0.0).then_some(())?;
    Some(Fill { paint: colour(one.paint())?, opacity: share(one.opacity()), rule })
}

fn stroke(one: &usvg::Stroke) -> Option<Stroke> {
    let line_cap = match one.linecap() {
        usvg::LineCap::Butt => LineCap::Butt,
        usvg::LineCap::Round => LineCap::Round,
        usvg::LineCap::Square => LineCap::Square,
    };
    let line_join = match one.linejoin() {
        usvg::LineJoin::Miter | usvg::LineJoin::MiterClip => LineJoin::Miter,
        usvg::LineJoin::Round => LineJoin::Round,
        usvg::LineJoin::Bevel => LineJoin::Bevel,
    };
    (one.opacity().get() > 0.0).then_some(())?;
    Some(Stroke {
        paint: colour(one.paint())?,
        width: one.width().get(),
        miter_limit: one.miterlimit().get(),
        line_cap,
        line_join,
        opacity: share(one.opacity()),
        dash: one.dasharray().map(|array| StrokeDash { array: array.to_vec(), offset: one.dashoffset() }),
    })
}
