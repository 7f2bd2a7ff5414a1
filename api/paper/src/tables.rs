//! Tables: how wide each column is, and rows with the titles above them on every page.

use std::rc::Rc;

use crate::blocks::{Column, Decor, Setter};
use crate::document::{Align, Cell, Table, Words};
use crate::lines::{Line, Style};
use crate::strip::{BLACK, Head, Item, Kind, MM, RULE, SOFT, Strip, Tag, Tags, WIDTH};

/// Room on either side of a cell, and above and below.
const SIDE: f32 = 2.5;
const PAD: f32 = 1.9;
/// A bar of a cell at its full length, how thick it is, and how far from the words.
const BAR: f32 = 18.0 * MM;
const THICK: f32 = 1.7 * MM;
const BESIDE: f32 = 1.5 * MM;
const BAR_SHADE: u8 = 90;

/// From which share of the width on a table is made as wide as the text.
const NEARLY: f32 = 0.75;

/// Up to which width a column is kept on one line where others can be broken.
const SHORT: f32 = 26.0 * MM;

/// A column, laid out.
struct Place {
    x: f32,
    width: f32,
    align: Align,
}

impl Setter {
    pub(crate) fn table(&mut self, table: &Table) {
        if table.columns.is_empty() {
            return;
        }
        let style = Style::of(if table.columns.len() > 7 { 6.2 } else { 7.2 });
        let places = self.places(table, style);
        let tag = self.tags.add(Tags::ROOT, Kind::Table);
        let whole = places.last().map_or(WIDTH, |place| place.x + place.width + SIDE);
        let head = self.titles(table, style, &places, whole, tag);
        let body = self.tags.add(tag, Kind::TableBody);
        let decor = Decor { pad: (PAD, PAD), rule: Some((whole, 0.4, RULE)), ..Decor::default() };
        let none = Cell::default();
        for row in &table.rows {
            let tag = self.tags.add(body, Kind::Row);
            let mut columns = Vec::with_capacity(places.len());
            let mut bars = Vec::new();
            for (number, place) in places.iter().enumerate() {
                let cell = row.get(number).unwrap_or(&none);
                columns.push(self.cell(cell, place, style, tag, &mut bars));
            }
            self.flow.add(bars);
            self.stack(&columns, decor, false, Some(&head));
        }
        self.flow.push(Strip::gap(5.6));
    }

    fn cell(&mut self, cell: &Cell, place: &Place, style: Style, row: Tag, bars: &mut Vec<Item>) -> Column {
        let tag = self.tags.add(row, Kind::Datum);
        let length = cell.bar.map_or(0.0, |share| share.clamp(0.0, 1.0) as f32 * BAR);
        let aside = if cell.bar.is_some() { length + BESIDE } else { 0.0 };
        if length > 0.0 {
            let y = PAD + style.ascent() - THICK;
            bars.push(Item::Bar { x: place.x, y, width: length, height: THICK, shade: BAR_SHADE });
        }
        let width = (place.width - aside).max(1.0);
        let lines = self.shapers.lines(&cell.words, style, width).into_iter().map(|line| (style, line)).collect();
        Column { x: place.x + aside, width, align: cell.align.unwrap_or(place.align), lines, tag }
    }

    /// The row of titles, and what is shown in its place on the next pages.
    fn titles(&mut self, table: &Table, style: Style, places: &[Place], whole: f32, parent: Tag) -> Rc<Head> {
        let group = self.tags.add(parent, Kind::TableHead);
        let row = self.tags.add(group, Kind::Row);
        let style = Style { shade: SOFT, ..style };
        let decor = Decor { pad: (PAD, PAD), rule: Some((whole, 0.4, BLACK)), ..Decor::default() };
        let mut columns = Vec::with_capacity(places.len());
        let (mut items, mut deepest) = (Vec::new(), 0.0_f32);
        for (column, place) in table.columns.iter().zip(places) {
            let tag = self.tags.add(row, Kind::ColumnTitle);
            let lines: Vec<Rc<Line>> = self.shapers.lines(&Words::from(column.title.as_str()), style, place.width);
            let mut y = PAD;
            for line in &lines {
                let x = match place.align {
                    Align::Left => place.x,
                    Align::Right => place.x + place.width - line.width,
                };
                items.push(Item::Text { x, y: y + style.ascent(), line: Rc::clone(line), tag: None });
                y += style.pitch();
            }
            deepest = deepest.max(y);
            let lines = lines.into_iter().map(|line| (style, line)).collect();
            columns.push(Column { x: place.x, width: place.width, align: place.align, lines, tag });
        }
        let height = deepest + PAD;
        items.push(Item::Bar { x: 0.0, y: height - 0.4, width: whole, height: 0.4, shade: BLACK });
        self.stack(&columns, decor, true, None);
        Rc::new(Head { height, items })
    }

    fn places(&mut self, table: &Table, style: Style) -> Vec<Place> {
        let many = table.columns.len();
        let mut needs = vec![(0.0_f32, 0.0_f32); many];
        let mut figures = vec![0_usize; many];
        for (need, column) in needs.iter_mut().zip(&table.columns) {
            *need = self.shapers.measure(&Words::from(column.title.as_str()), style);
        }
        for row in &table.rows {
            for (number, (need, cell)) in needs.iter_mut().zip(row).enumerate() {
                let (least, most) = self.shapers.measure(&cell.words, style);
                let aside = if cell.bar.is_some() { BAR + BESIDE } else { 0.0 };
                *need = (need.0.max(least + aside), need.1.max(most + aside));
                figures[number] += usize::from(cell.align == Some(Align::Right));
            }
        }
        let widths = shared(&needs, WIDTH - 2.0 * SIDE * many as f32);
        let mut x = 0.0;
        let mut places = Vec::with_capacity(many);
        for ((column, width), figures) in table.columns.iter().zip(widths).zip(figures) {
            // Above figures stands the title of figures.
            let align = if figures * 2 > table.rows.len() { Align::Right } else { column.align };
            places.push(Place { x: x + SIDE, width, align });
            x += width + 2.0 * SIDE;
        }
        places
    }
}

/// Shares room among columns that need at least the first and at most the second of two widths.
///
/// With room for all, each gets what it needs at most; what is left is shared evenly if it is little, and else stays white,
/// since figures far from their names are hard to follow. With less room, columns grow with the root of their text's length,
/// which keeps rows low, between what they need at least and at most; short ones are not broken while others can be. With
/// too little for even the least, each gives up the same share, and words are broken.
fn shared(needs: &[(f32, f32)], room: f32) -> Vec<f32> {
    let most: f32 = needs.iter().map(|need| need.1).sum();
    if most <= room {
        let rest = if most < room * NEARLY { 0.0 } else { (room - most) / needs.len().max(1) as f32 };
        return needs.iter().map(|need| need.1 + rest).collect();
    }
    let whole = |need: &(f32, f32)| if need.1 <= SHORT { (need.1, need.1) } else { *need };
    let kept: Vec<(f32, f32)> = needs.iter().map(whole).collect();
    let least = |needs: &[(f32, f32)]| needs.iter().map(|need| need.0).sum::<f32>();
    let needs = if least(&kept) <= room * NEARLY { &kept } else { needs };
    if least(needs) >= room {
        return needs.iter().map(|need| (need.0 * room / least(needs)).max(1.0)).collect();
    }
    let at = |level: f32| needs.iter().map(move |need| (level * need.1.sqrt()).clamp(need.0, need.1.max(need.0)));
    let (mut low, mut high) = (0.0, room);
    // Halving: after 40 steps the level is known to far below a point.
    for _ in 0..40 {
        let middle = f32::midpoint(low, high);
        if at(middle).sum::<f32>() <= room {
            low = middle;
        } else {
            high = middle;
        }
    }
    at(low).collect()
}

#[cfg(test)]
mod tests {
    use super::shared;

    #[test]
    fn narrow_columns_get_what_they_need_and_wide_ones_share_the_rest() {
        let widths = shared(&[(10.0, 20.0), (30.0, 900.0), (30.0, 400.0)], 220.0);
        let close = |one: f32, other: f32| (one - other).abs() < 0.05;
        // 900 and 400 are as 9 and 4, their roots as 3 and 2.
        assert!(close(widths[0], 20.0) && close(widths[1], 120.0) && close(widths[2], 80.0), "{widths:?}");
    }

    #[test]
    fn a_table_is_never_wider_than_its_room_and_leaves_no_small_rest() {
        for (needs, whole) in [
            (vec![(1.0, 2.0), (3.0, 4.0)], 6.0),
            (vec![(30.0, 40.0), (30.0, 45.0)], 100.0),
            (vec![(90.0, 95.0), (60.0, 200.0)], 100.0),
            (vec![(0.0, 0.0)], 0.0),
        ] {
            let got: f32 = shared(&needs, 100.0).iter().sum();
            assert!((got - whole).abs() < 0.05, "{got} for {needs:?}");
        }
    }
}
