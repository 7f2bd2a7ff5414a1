//! The contents of a long document: its headings with their pages, each a link.

use crate::blocks::{QUIET, SMALL, Setter};
use crate::document::{Level, Words};
use crate::strip::{Item, Kind, MM, RULE, Strip, Tags, WIDTH};

/// Room for the number of a page.
const NUMBER: f32 = 12.0 * MM;
/// Between the two columns.
const GUTTER: f32 = 8.0 * MM;
const COLUMN: f32 = (WIDTH - GUTTER) / 2.0;

impl Setter {
    /// Contents in two columns, read down the first and then down the second.
    pub(crate) fn contents(&mut self) {
        let Some(headings) = self.contents.take() else { return };
        let from = self.headings.len();
        let parents = self.tags.add(Tags::ROOT, Kind::Paragraph);
        let line = self.shapers.line(&Words::from("Contents"), QUIET);
        let item = Item::Text { x: 0.0, y: QUIET.ascent(), line, tag: Some(parents) };
        self.flow.push(Strip { height: QUIET.pitch() + 1.0, items: vec![item], glue: true, ..Strip::default() });
        let contents = self.tags.add(Tags::ROOT, Kind::Contents);
        let mut entries = Vec::new();
        for (number, heading) in headings.iter().enumerate().skip(from).filter(|(_, one)| one.level == Level::Section) {
            let item = self.tags.add(contents, Kind::ContentsItem);
            let tag = self.tags.add(item, Kind::Reference);
            let words = Words::from(heading.text.as_str());
            entries.push((number, tag, self.shapers.lines(&words, SMALL, COLUMN - NUMBER)));
        }
        let rows = entries.len().div_ceil(2);
        for row in 0..rows {
            let pair = [entries.get(row), entries.get(row + rows)];
            let many = pair.iter().flatten().map(|(_, _, lines)| lines.len()).max().unwrap_or(1);
            let height = SMALL.pitch() * many as f32 + 3.0;
            let mut items = Vec::new();
            for (x, entry) in [0.0, COLUMN + GUTTER].into_iter().zip(pair) {
                let Some((heading, tag, lines)) = entry else { continue };
                let mut y = 1.0 + SMALL.ascent();
                for line in lines {
                    items.push(Item::Text { x, y, line: line.clone(), tag: Some(*tag) });
                    y += SMALL.pitch();
                }
                let y = y - SMALL.pitch();
                items.push(Item::Page { x: x + COLUMN, y, heading: *heading, width: COLUMN, height, tag: *tag });
                items.push(Item::Bar { x, y: height - 0.3, width: COLUMN, height: 0.3, shade: RULE });
            }
            self.flow.push(Strip { height, items, ..Strip::default() });
        }
        self.flow.push(Strip::gap(2.0 * MM));
    }
}
