//! Blocks become strips.

use std::rc::Rc;

use crate::PaperError;
use crate::document::{Align, Block, Document, Fact, Level, Picture, Step, Width, Words};
use crate::flow::{Flow, ROOM};
use crate::lines::{Line, Style};
use crate::picture;
use crate::strip::{BLACK, Head, Item, Kind, MM, RULE, Shade, Strip, Tag, Tags, WIDTH};
use crate::typeface::{Shapers, Typefaces};

pub(crate) const BODY: Style = Style::of(8.4);
pub(crate) const SMALL: Style = Style::of(7.2);
pub(crate) const QUIET: Style = Style::soft(7.4);
const FINE: Style = Style::soft(6.6);
/// White space below a paragraph, and below anything larger.
const SPACE: f32 = 5.6;
/// What is higher than this may be torn between its lines.
const TORN: f32 = ROOM * 0.4;
/// How far in a step of a working stands, and how far at most.
const INDENT: f32 = 3.0 * MM;
const DEEPEST: f32 = 80.0 * MM;

/// A heading, in the order of the document.
#[derive(Debug, Clone)]
pub(crate) struct Heading {
    pub(crate) level: Level,
    pub(crate) text: String,
}

/// Text that stands in a strip, beside others.
pub(crate) struct Column {
    pub(crate) x: f32,
    pub(crate) width: f32,
    pub(crate) align: Align,
    pub(crate) lines: Vec<(Style, Rc<Line>)>,
    pub(crate) tag: Tag,
}

/// What is drawn around text.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Decor {
    /// Room above and below.
    pub(crate) pad: (f32, f32),
    /// A bar at the left, from this place on: its width and shade.
    pub(crate) bar: Option<(f32, f32, Shade)>,
    /// A rule below: its length, weight and shade.
    pub(crate) rule: Option<(f32, f32, Shade)>,
    /// A frame around the width of the text: its weight.
    pub(crate) frame: Option<f32>,
}

/// Lays blocks out.
pub(crate) struct Setter {
    pub(crate) typefaces: &'static Typefaces,
    pub(crate) shapers: Shapers,
    pub(crate) tags: Tags,
    pub(crate) flow: Flow,
    pub(crate) pictures: Vec<usvg::Tree>,
    pub(crate) headings: Vec<Heading>,
    /// The headings of the document, if contents are shown.
    pub(crate) contents: Option<Vec<Heading>>,
}

impl Setter {
    pub(crate) fn new(typefaces: &'static Typefaces, contents: Option<Vec<Heading>>) -> Self {
        Self {
            typefaces,
            shapers: Shapers::new(typefaces),
            tags: Tags::new(),
            flow: Flow::default(),
            pictures: Vec::new(),
            headings: Vec::new(),
            contents,
        }
    }

    /// Lays a whole document out.
    pub(crate) fn set(&mut self, document: &Document) -> Result<(), PaperError> {
        for block in &document.blocks {
            self.block(block)?;
        }
        self.flow.end();
        Ok(())
    }

    fn block(&mut self, block: &Block) -> Result<(), PaperError> {
        match block {
            Block::Heading(level, words) => self.heading(*level, words),
            Block::Paragraph(words) => self.paragraph(words, BODY),
            Block::Remark(words) => self.paragraph(words, QUIET),
            Block::Caution(words) => self.caution(words),
            Block::Alert(all) => self.alert(all),
            Block::Outcome { figure, unit, remark } => self.outcome(figure, unit, remark),
            Block::Facts(facts) => self.facts(facts, 48.0 * MM, 0.7),
            Block::Verdicts(facts) => self.facts(facts, 24.0 * MM, 1.5),
            Block::Table(table) => self.table(table),
            Block::Lines(all) => self.small_lines(all),
            Block::Steps(steps) => self.steps(steps),
            Block::Statements(all) => self.statements(all),
            Block::Picture(picture) => self.picture(picture)?,
            Block::Contents => self.contents(),
        }
        Ok(())
    }

    fn heading(&mut self, level: Level, words: &Words) {
        let (style, above, below, number) = match level {
            Level::Title => (Style::bold(15.0), 0.0, 4.5, 1),
            Level::Section => (Style::bold(10.5), 3.2 * MM, 2.0 * MM, 2),
            Level::Part => (Style::bold(8.8), 1.2 * MM, 0.8 * MM, 3),
        };
        let text = words.text().split_whitespace().collect::<Vec<_>>().join(" ");
        let tag = self.tags.add(Tags::ROOT, Kind::Heading(number, text.clone()));
        let lines = self.shapers.lines(words, style, WIDTH);
        self.flow.push(Strip { glue: true, ..Strip::gap(above) });
        self.flow.push(Strip { glue: true, items: vec![Item::Mark(self.headings.len())], ..Strip::default() });
        self.headings.push(Heading { level, text });
        let decor = if level == Level::Section {
            Decor { pad: (0.0, 0.6 * MM), rule: Some((WIDTH, 0.8, BLACK)), ..Decor::default() }
        } else {
            Decor::default()
        };
        let lines = lines.into_iter().map(|line| (style, line)).collect();
        self.stack(&[Column { x: 0.0, width: WIDTH, align: Align::Left, lines, tag }], decor, true, None);
        self.flow.push(Strip::glued_gap(below));
    }

    fn paragraph(&mut self, words: &Words, style: Style) {
        let tag = self.tags.add(Tags::ROOT, Kind::Paragraph);
        let lines = self.shapers.lines(words, style, WIDTH);
        let many = lines.len();
        for (number, line) in lines.into_iter().enumerate() {
            // Neither the first nor the last line of a paragraph stands alone on a page.
            let glue = number + 1 < many && (number == 0 || number + 2 == many);
            let item = Item::Text { x: 0.0, y: style.ascent(), line, tag: Some(tag) };
            self.flow.push(Strip { height: style.pitch(), items: vec![item], glue, ..Strip::default() });
        }
        self.flow.push(Strip::gap(SPACE));
    }

    fn small_lines(&mut self, all: &[Words]) {
        let tag = self.tags.add(Tags::ROOT, Kind::Paragraph);
        for words in all {
            for line in self.shapers.lines(words, Style::of(7.0), WIDTH) {
                let item = Item::Text { x: 0.0, y: SMALL.ascent(), line, tag: Some(tag) };
                self.flow.push(Strip { height: SMALL.pitch(), items: vec![item], ..Strip::default() });
            }
        }
        self.flow.push(Strip::gap(SPACE));
    }

    fn caution(&mut self, words: &Words) {
        let tag = self.tags.add(Tags::ROOT, Kind::Paragraph);
        let inset = 2.5 * MM;
        let width = WIDTH - 2.0 * inset;
        let lines = self.shapers.lines(words, BODY, width).into_iter().map(|line| (BODY, line)).collect();
        let decor = Decor { pad: (2.0 * MM, 2.0 * MM), frame: Some(0.8), ..Decor::default() };
        self.stack(&[Column { x: inset, width, align: Align::Left, lines, tag }], decor, false, None);
        self.flow.push(Strip::gap(SPACE));
    }

    fn alert(&mut self, all: &[Words]) {
        let list = self.tags.add(Tags::ROOT, Kind::List);
        let decor = Decor { pad: (1.0, 1.0), bar: Some((0.0, 2.0, BLACK)), ..Decor::default() };
        for words in all {
            let item = self.tags.add(list, Kind::ListItem);
            let columns = [
                (3.0 * MM, 3.0 * MM, Words::from("–"), Kind::Label),
                (6.0 * MM, WIDTH - 6.0 * MM, words.clone(), Kind::ListBody),
            ];
            let columns = columns.map(|(x, width, words, kind)| {
                let tag = self.tags.add(item, kind);
                let lines = self.shapers.lines(&words, BODY, width).into_iter().map(|line| (BODY, line)).collect();
                Column { x, width, align: Align::Left, lines, tag }
            });
            self.stack(&columns, decor, false, None);
        }
        self.flow.push(Strip::gap(SPACE));
    }

    fn outcome(&mut self, figure: &str, unit: &str, remark: &str) {
        let tag = self.tags.add(Tags::ROOT, Kind::Paragraph);
        let large = Style::bold(17.0);
        let figure = self.shapers.lines(&Words::from(format!("{figure} ")), large, WIDTH);
        let mut items = Vec::new();
        let mut y = large.ascent();
        let last = figure.len();
        for (number, line) in figure.into_iter().enumerate() {
            let x = line.spans.iter().flat_map(|span| &span.shaped).map(|shaped| shaped.width * large.size).sum();
            items.push(Item::Text { x: 0.0, y, line, tag: Some(tag) });
            if number + 1 == last {
                let line = self.shapers.line(&Words::from(unit), Style::of(11.0));
                items.push(Item::Text { x, y, line, tag: Some(tag) });
            } else {
                y += large.pitch();
            }
        }
        let height = y - large.ascent() + large.pitch();
        self.flow.push(Strip { height, items, glue: !remark.is_empty(), ..Strip::default() });
        if remark.is_empty() {
            self.flow.push(Strip::gap(SPACE));
        } else {
            self.paragraph(&Words::from(remark), QUIET);
        }
    }

    fn facts(&mut self, facts: &[Fact], name: f32, apart: f32) {
        let list = self.tags.add(Tags::ROOT, Kind::List);
        let gutter = 3.0 * MM;
        let decor = Decor { pad: (apart, apart), ..Decor::default() };
        for fact in facts {
            let item = self.tags.add(list, Kind::ListItem);
            let label = self.tags.add(item, Kind::Label);
            let body = self.tags.add(item, Kind::ListBody);
            let width = WIDTH - name - gutter;
            let mut values = Vec::new();
            for words in &fact.value {
                // A digest is read letter by letter: on one line, if it can be.
                let text = words.text();
                let style = if text.len() >= 56 && !text.contains(' ') { Style::of(6.8) } else { BODY };
                values.extend(self.shapers.lines(words, style, width).into_iter().map(|line| (BODY, line)));
            }
            // The name's base line is that of the value, though its letters are smaller.
            let named = self.shapers.lines(&fact.name, QUIET, name).into_iter().map(|line| (BODY, line)).collect();
            let columns = [
                Column { x: 0.0, width: name, align: Align::Left, lines: named, tag: label },
                Column { x: name + gutter, width, align: Align::Left, lines: values, tag: body },
            ];
            self.stack(&columns, decor, false, None);
        }
        self.flow.push(Strip::gap(SPACE - apart));
    }

    fn steps(&mut self, steps: &[Step]) {
        let list = self.tags.add(Tags::ROOT, Kind::List);
        for step in steps {
            let item = self.tags.add(list, Kind::ListItem);
            let tag = self.tags.add(item, Kind::ListBody);
            let x = (INDENT * step.depth as f32).min(DEEPEST);
            let width = WIDTH - x - 1.5 * MM;
            let mut lines: Vec<_> =
                self.shapers.lines(&step.words, SMALL, width).into_iter().map(|line| (SMALL, line)).collect();
            let style = Style { shade: BLACK, ..FINE };
            for text in &step.lines {
                let words = Words::from(text.as_str());
                lines.extend(self.shapers.lines(&words, style, width).into_iter().map(|line| (style, line)));
            }
            let decor = Decor { pad: (0.8, 0.8), bar: Some((x, 0.4, RULE)), ..Decor::default() };
            self.stack(&[Column { x: x + 1.5 * MM, width, align: Align::Left, lines, tag }], decor, false, None);
            self.flow.push(Strip::gap(0.9 * MM));
        }
        self.flow.push(Strip::gap(SPACE));
    }

    fn statements(&mut self, all: &[Vec<Words>]) {
        for one in all {
            let tag = self.tags.add(Tags::ROOT, Kind::Paragraph);
            let x = 2.5 * MM;
            let mut lines = Vec::new();
            for words in one {
                lines.extend(self.shapers.lines(words, BODY, WIDTH - x).into_iter().map(|line| (BODY, line)));
            }
            let decor = Decor { pad: (0.8, 0.8), bar: Some((0.0, 1.0, RULE)), ..Decor::default() };
            self.stack(&[Column { x, width: WIDTH - x, align: Align::Left, lines, tag }], decor, false, None);
            self.flow.push(Strip::gap(1.6 * MM));
        }
        self.flow.push(Strip::gap(SPACE - 1.6 * MM));
    }

    fn picture(&mut self, picture: &Picture) -> Result<(), PaperError> {
        let tree = picture::read(self.typefaces, &picture.svg)?;
        let (across, up) = (tree.size().width(), tree.size().height());
        let wanted = match picture.width {
            Width::Full => WIDTH,
            Width::Millimetres(width) => (width * MM).clamp(1.0, WIDTH),
        };
        let caption = self.shapers.lines(&Words::from(picture.caption.as_str()), QUIET, WIDTH);
        // With its caption it has room on a page; a caption that takes most of a page goes on to the next.
        let room = ROOM - (QUIET.pitch() * caption.len() as f32 + SPACE).min(ROOM / 2.0);
        let scale = (wanted / across).min(room / up);
        let (width, height) = (across * scale, up * scale);
        let group = self.tags.add(Tags::ROOT, Kind::Group);
        let tag = self.tags.add(group, Kind::Figure(picture.caption.clone()));
        let number = self.pictures.len();
        self.pictures.push(tree);
        let drawn = Item::Picture { x: (WIDTH - width) / 2.0, y: 0.0, width, height, number, tag };
        self.flow.push(Strip { height: height + 2.0, items: vec![drawn], glue: true, ..Strip::default() });
        let tag = self.tags.add(group, Kind::Caption);
        for line in caption {
            let item = Item::Text { x: (WIDTH - line.width) / 2.0, y: QUIET.ascent(), line, tag: Some(tag) };
            self.flow.push(Strip { height: QUIET.pitch(), items: vec![item], ..Strip::default() });
        }
        self.flow.push(Strip::gap(SPACE));
        Ok(())
    }

    /// Columns of text beside one another: one strip, or as many as there are lines if it is a high one.
    pub(crate) fn stack(&mut self, columns: &[Column], decor: Decor, glue: bool, head: Option<&Rc<Head>>) {
        let height = |column: &Column| column.lines.iter().map(|(style, _)| style.pitch()).sum::<f32>();
        let whole = columns.iter().map(height).fold(0.0, f32::max);
        let many = columns.iter().map(|column| column.lines.len()).max().unwrap_or_default();
        let parts = if whole > TORN { many } else { 1 };
        for part in 0..parts {
            let (first, last) = (part == 0, part + 1 == parts);
            let top = if first { decor.pad.0 } else { 0.0 };
            let (mut items, mut deepest) = (Vec::new(), 0.0_f32);
            for column in columns {
                let lines = if parts == 1 { 0..column.lines.len() } else { part..part + 1 };
                let mut y = 0.0;
                for (style, line) in column.lines.get(lines).unwrap_or_default() {
                    let x = match column.align {
                        Align::Left => column.x,
                        Align::Right => column.x + column.width - line.width,
                    };
                    let line = Rc::clone(line);
                    items.push(Item::Text { x, y: top + y + style.ascent(), line, tag: Some(column.tag) });
                    y += style.pitch();
                }
                deepest = deepest.max(y);
            }
            let height = top + deepest + if last { decor.pad.1 } else { 0.0 };
            decor.draw(&mut items, height, first, last);
            self.flow.push(Strip {
                height,
                items,
                glue: glue || !last && first,
                gap: false,
                head: head.map(Rc::clone),
            });
        }
    }
}

impl Decor {
    fn draw(self, items: &mut Vec<Item>, height: f32, first: bool, last: bool) {
        let mut bar = |x, y, width, height, shade| items.push(Item::Bar { x, y, width, height, shade });
        if let Some((x, width, shade)) = self.bar {
            bar(x, 0.0, width, height, shade);
        }
        if let (Some((length, weight, shade)), true) = (self.rule, last) {
            bar(0.0, height - weight, length, weight, shade);
        }
        if let Some(weight) = self.frame {
            bar(0.0, 0.0, weight, height, BLACK);
            bar(WIDTH - weight, 0.0, weight, height, BLACK);
            if first {
                bar(0.0, 0.0, WIDTH, weight, BLACK);
            }
            if last {
                bar(0.0, height - weight, WIDTH, weight, BLACK);
            }
        }
    }
}
