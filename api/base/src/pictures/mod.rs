//! Pictures made on the server: the same SVG on a page, in a report and at its own URL.
//!
//! A caller describes what is to be seen ([`Sheet`]); how it looks is decided here, once. Colour is never the only sign:
//! limits differ by dashes and carry their names, points by shape and filling, rule hits by a ring with the rule's number, which the
//! legend has in words. No word lies over another ([`legible`]). The palette keeps its order of lightness in greyscale.

mod draw;
mod layout;
pub mod legible;
mod letters;
mod marks;
mod over;
mod raster;
#[cfg(test)]
mod tests;
mod thin;

use crate::zone;
pub use draw::render;
pub use raster::png;
pub use thin::thin;

/// Width of a text in the typeface of pictures, in the unit of the letters' size; kerning is left out, which makes it a little wider
/// than it is.
#[must_use]
pub fn text_width(text: &str, size: f64) -> f64 {
    letters::width(text, size)
}

/// One picture: panels one below the other over the same axis.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// What it shows, as heading.
    pub title: String,
    /// The same for those who cannot see it, with the figures that matter.
    pub description: String,
    /// What runs to the right.
    pub axis: Axis,
    /// First and last value of that axis.
    pub range: (f64, f64),
    /// Panels, top to bottom.
    pub panels: Vec<Panel>,
    /// What its signs mean, a sentence each, written below the fields.
    pub legend: Vec<String>,
}

impl Sheet {
    fn points(&self) -> impl Iterator<Item = &Point> {
        self.panels.iter().flat_map(|panel| &panel.points)
    }

    /// Whether a point is drawn as an outline.
    #[must_use]
    pub fn has_hollow(&self) -> bool {
        self.points().any(|point| point.hollow)
    }

    /// Whether a point has a ring.
    #[must_use]
    pub fn has_rings(&self) -> bool {
        self.points().any(|point| !point.mark.is_empty())
    }

    /// Whether a line of this kind is drawn.
    #[must_use]
    pub fn has(&self, stroke: Stroke) -> bool {
        self.panels.iter().flat_map(|panel| &panel.levels).any(|level| level.stroke == stroke)
    }

    /// Whether bars stand beside a field.
    #[must_use]
    pub fn has_bars(&self) -> bool {
        self.panels.iter().any(|panel| !panel.bars.is_empty())
    }
}

/// What runs to the right.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Axis {
    /// Days since 1970-01-01 by the laboratory's clock; shown as dates.
    Days,
    /// A number with its label and unit.
    Number(String),
}

/// One field of a picture.
#[derive(Debug, Clone)]
pub struct Panel {
    /// Quantity and unit, written above the field.
    pub label: String,
    /// Share of the height, relative to the other panels.
    pub height: u32,
    /// Shaded areas between two curves: x, low, high.
    pub bands: Vec<Band>,
    /// Curves.
    pub lines: Vec<Line>,
    /// Horizontal lines, each over its stretch.
    pub levels: Vec<Level>,
    /// Vertical lines.
    pub moments: Vec<Moment>,
    /// Points, joined in their order if `joined`.
    pub points: Vec<Point>,
    /// Whether a thin line joins the points.
    pub joined: bool,
    /// Values the field must include beside what is drawn.
    pub include: Vec<f64>,
    /// Bars to the right of the field, on its own scale.
    pub bars: Vec<Bar>,
}

/// A bar of the histogram beside a field.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bar {
    /// Lower end of its class.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// How many fall into it.
    pub count: usize,
}

impl Panel {
    /// An empty field.
    #[must_use]
    pub fn new(label: impl Into<String>, height: u32) -> Self {
        Self {
            label: label.into(),
            height,
            bands: Vec::new(),
            lines: Vec::new(),
            levels: Vec::new(),
            moments: Vec::new(),
            points: Vec::new(),
            joined: false,
            include: Vec::new(),
            bars: Vec::new(),
        }
    }
}

/// An area.
#[derive(Debug, Clone)]
pub struct Band {
    /// x, low, high.
    pub edge: Vec<(f64, f64, f64)>,
    /// Darker or lighter.
    pub shade: Shade,
}

/// How dark an area is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shade {
    /// The wider of two.
    Light,
    /// The narrower.
    Dark,
}

/// A curve.
#[derive(Debug, Clone)]
pub struct Line {
    /// Its points.
    pub points: Vec<(f64, f64)>,
    /// How it is drawn.
    pub stroke: Stroke,
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// Centre lines and fits.
    Plain,
    /// Warning limits: short dashes.
    Warning,
    /// Action limits and tolerances: heavy, long dashes.
    Action,
    /// Boundaries and the present moment: dots.
    Faint,
}

/// A horizontal line.
#[derive(Debug, Clone)]
pub struct Level {
    /// Where.
    pub y: f64,
    /// From which x, to which x.
    pub from: f64,
    /// See `from`.
    pub to: f64,
    /// How.
    pub stroke: Stroke,
    /// Its name, written right of the field; empty for none.
    pub name: String,
}

/// A vertical line.
#[derive(Debug, Clone)]
pub struct Moment {
    /// Where.
    pub x: f64,
    /// Its name, written above the field; cut at its first comma where there is no room for all names.
    pub name: String,
}

/// Shapes that are told apart in any colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Round.
    Circle,
    /// Square.
    Square,
    /// Square on its corner.
    Diamond,
    /// Triangle.
    Triangle,
}

impl Shape {
    /// A shape per lot, person or level, by its number; they repeat after four.
    #[must_use]
    pub fn of(number: usize) -> Self {
        [Self::Circle, Self::Diamond, Self::Square, Self::Triangle][number % 4]
    }

    /// What it is called in a legend.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Circle => "Circle",
            Self::Square => "Square",
            Self::Diamond => "Diamond",
            Self::Triangle => "Triangle",
        }
    }
}

/// A point.
#[derive(Debug, Clone)]
pub struct Point {
    /// Where.
    pub x: f64,
    /// Value.
    pub y: f64,
    /// Half length of its bar, 0 for none.
    pub bar: f64,
    /// Shape.
    pub shape: Shape,
    /// Drawn as an outline: left out of a baseline.
    pub hollow: bool,
    /// Rule it completes, as written beside its ring; empty for none.
    pub mark: String,
    /// What it is, for the pointer, the keyboard and the screen reader.
    pub title: String,
    /// Where it leads.
    pub link: String,
}

/// Why a picture could not be drawn.
#[derive(Debug, thiserror::Error)]
#[error("the picture could not be drawn: {0}")]
pub struct PictureError(pub String);

/// Where a moment stands on an axis of days: days since 1970-01-01 by the laboratory's clock. Not for calculations, as a day may
/// have 23 or 25 hours.
#[must_use]
pub fn days(moment: chrono::DateTime<chrono::Utc>) -> f64 {
    zone::local(moment).naive_local().and_utc().timestamp_millis() as f64 / 86_400_000.0
}
