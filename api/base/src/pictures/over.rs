//! What stands above the drawing: words, lines that lead to them, what points are and lead to.

use std::fmt::Write as _;

use plotters::style::RGBColor;

use crate::pictures::layout::NAME;
use crate::pictures::letters::wrapped;
use crate::pictures::{Point, Sheet};

/// From line to line of the legend, px.
const LINE: f64 = 15.0;
/// Most lines that one sentence of it takes.
const MOST_LINES: usize = 3;

/// Which point of a text is given.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
}

/// The layer above the drawing.
#[derive(Debug)]
pub(super) struct Over {
    words: String,
    links: String,
    width: u32,
    drawn: u32,
    height: f64,
    /// Rings that share the mark of one before them.
    pub(super) shared: usize,
    /// Rings whose mark has no room.
    pub(super) left_out: usize,
}

impl Over {
    pub(super) fn new(width: u32, height: u32) -> Self {
        let (words, links) = (String::new(), String::new());
        Self { words, links, width, drawn: height, height: f64::from(height), shared: 0, left_out: 0 }
    }

    /// Writes a text below this point.
    pub(super) fn write(&mut self, text: &str, (x, y): (f64, f64), anchor: Anchor, (colour, size): (RGBColor, f64)) {
        let anchor = if anchor == Anchor::Start { "start" } else { "middle" };
        // Writing to a String cannot fail.
        let _ = writeln!(
            self.words,
            "<text x=\"{x:.1}\" y=\"{y:.1}\" dy=\"0.76em\" text-anchor=\"{anchor}\" font-family=\"sans-serif\" \
             font-size=\"{size}\" fill=\"{}\">{}</text>",
            hex(colour),
            escape(text)
        );
    }

    /// A thin line.
    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), colour: RGBColor) {
        let _ = writeln!(
            self.words,
            "<path d=\"M{:.1} {:.1}L{:.1} {:.1}\" fill=\"none\" stroke=\"{}\" stroke-width=\"1\"/>",
            from.0,
            from.1,
            to.0,
            to.1,
            hex(colour)
        );
    }

    /// What a point is and where it leads, over itself and over its mark.
    pub(super) fn link(&mut self, point: &Point, (at, r): ((f64, f64), f64), mark: Option<((f64, f64), (f64, f64))>) {
        if point.title.is_empty() {
            return;
        }
        let title = escape(&point.title);
        let (x, y) = at;
        let circle = format!("<circle cx=\"{x}\" cy=\"{y}\" r=\"{r}\"");
        let over = mark.map(|((left, top), (width, height))| {
            format!("<rect x=\"{left:.1}\" y=\"{top:.1}\" width=\"{width:.1}\" height=\"{height:.1}\"/>")
        });
        let shape = match over {
            None => format!("{circle}><title>{title}</title></circle>"),
            Some(over) => format!("<g><title>{title}</title>{circle}/>{over}</g>"),
        };
        let _ = if point.link.is_empty() {
            writeln!(self.links, "{shape}")
        } else {
            writeln!(self.links, "<a href=\"{}\" aria-label=\"{title}\">{shape}</a>", escape(&point.link))
        };
    }

    /// Writes what the signs mean below the drawing, which grows by it.
    pub(super) fn legend(&mut self, sentences: &[String], (paper, ink): (RGBColor, RGBColor)) {
        let mut sentences = sentences.to_vec();
        if self.shared > 0 {
            sentences.push("Rings close to each other share one mark.".to_owned());
        }
        match self.left_out {
            0 => {}
            1 => sentences.push("One ring has no room for its mark.".to_owned()),
            many => sentences.push(format!("{many} rings have no room for their marks.")),
        }
        let room = f64::from(self.width) - 24.0;
        let lines: Vec<String> =
            sentences.iter().flat_map(|sentence| wrapped(sentence, NAME, room, MOST_LINES)).collect();
        if lines.is_empty() {
            return;
        }
        let begin = self.height + 4.0;
        self.height = begin + LINE * lines.len() as f64 + 5.0;
        let _ = writeln!(
            self.words,
            "<rect x=\"0\" y=\"{}\" width=\"{}\" height=\"{:.1}\" fill=\"{}\"/>",
            self.drawn,
            self.width,
            self.height - f64::from(self.drawn),
            hex(paper)
        );
        for (number, line) in lines.iter().enumerate() {
            self.write(line, (12.0, begin + LINE * number as f64), Anchor::Start, (ink, NAME));
        }
    }

    /// The drawing with this layer, its heading and its description for those who cannot see it.
    pub(super) fn finished(&self, svg: &str, sheet: &Sheet) -> String {
        let height = self.height.ceil();
        let drawn = self.drawn + 1;
        let head = format!("width=\"{}\" height=\"{drawn}\" viewBox=\"0 0 {} {drawn}\"", self.width, self.width);
        let grown = format!("width=\"{}\" height=\"{height}\" viewBox=\"0 0 {} {height}\"", self.width, self.width);
        let svg = svg.replacen(&head, &grown, 1);
        let title = escape(&sheet.title);
        let named = svg.replacen("<svg ", &format!("<svg role=\"group\" aria-label=\"{title}\" "), 1);
        let description = escape(&sheet.description);
        let described = match named.split_once("\">\n").or_else(|| named.split_once("\">")) {
            Some((head, rest)) => format!("{head}\">\n<title>{title}</title>\n<desc>{description}</desc>\n{rest}"),
            None => named,
        };
        match described.rsplit_once("</svg>") {
            Some((body, _)) => {
                format!("{body}{}<g fill=\"transparent\">\n{}</g>\n</svg>\n", self.words, self.links)
            }
            None => described,
        }
    }
}

fn hex(RGBColor(red, green, blue): RGBColor) -> String {
    format!("#{red:02X}{green:02X}{blue:02X}")
}

/// Text as it may stand in SVG.
fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            '"' => escaped.push_str("&quot;"),
            _ => escaped.push(character),
        }
    }
    escaped
}
