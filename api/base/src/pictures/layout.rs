//! Where the parts of a picture stand: gutters as wide as what is written in them, words kept apart from each other.

use chrono::DateTime;
use plotters::coord::ranged1d::{BoldPoints, Ranged};
use plotters::coord::types::RangedCoordf64;

use crate::pictures::letters::{fitted, width, wrapped};
use crate::pictures::{Axis, Level, Moment, Panel, Sheet, Stroke};

/// Letters of the title, of labels of axes, of names and marks; px.
pub(super) const TITLE: f64 = 17.0;
pub(super) const LABEL: f64 = 12.1;
pub(super) const NAME: f64 = 11.3;
/// From one line of names to the next; px.
pub(super) const PITCH: f64 = 14.0;
/// Room for a histogram, right of the names of limits; px.
const SIDE: f64 = 112.0;
/// From the field to the names at its right; px.
pub(super) const TO_NAMES: f64 = 9.0;
/// Between the lowest line above a field and the field, so that the highest figure of its axis has room; px.
const ABOVE_FIELD: f64 = 9.0;
/// Below a field: half a figure of its axis; with its own axis, figures and what they are.
pub(super) const BELOW: u32 = 8;
pub(super) const BELOW_LAST: u32 = 42;
/// Most lines of names of moments above a field.
const MOST_ROWS: usize = 4;

/// A box that words fill, px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Room {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) right: f64,
    pub(super) bottom: f64,
}

impl Room {
    /// The box of a text that begins here, letters of this size.
    pub(super) fn of(text: &str, (left, top): (f64, f64), size: f64) -> Self {
        Self { left, top, right: left + width(text, size), bottom: top + size }
    }

    /// Whether they share more than an edge.
    pub(super) fn meets(&self, other: &Self) -> bool {
        self.left < other.right && other.left < self.right && self.top < other.bottom && other.top < self.bottom
    }

    pub(super) fn inside(&self, other: &Self) -> bool {
        other.left <= self.left && other.top <= self.top && self.right <= other.right && self.bottom <= other.bottom
    }
}

/// A word that has its place.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Placed {
    pub(super) text: String,
    /// Left upper corner, px.
    pub(super) at: (f64, f64),
}

/// A panel's place.
#[derive(Debug)]
pub(super) struct Place {
    pub(super) height: u32,
    /// From its upper edge to its field.
    pub(super) above: u32,
    /// The field, px.
    pub(super) field: Room,
    /// Lowest and highest value of the field.
    pub(super) scale: (f64, f64),
    pub(super) heading: Placed,
    /// Names of moments, by the number of the moment.
    pub(super) moments: Vec<(usize, Placed)>,
}

/// The places of everything.
#[derive(Debug)]
pub(super) struct Plan {
    pub(super) width: u32,
    /// Height without the legend.
    pub(super) height: u32,
    pub(super) title: Vec<String>,
    /// Height of the title.
    pub(super) head: u32,
    /// First and last value of the axis to the right.
    pub(super) range: (f64, f64),
    /// Most figures of the axis to the right.
    pub(super) figures: usize,
    /// Whether its figures are times of a day.
    pub(super) hours: bool,
    /// Where bars begin, px.
    pub(super) side: f64,
    pub(super) panels: Vec<Place>,
}

/// Figures of an axis.
pub(super) fn ticks((low, high): (f64, f64), most: usize) -> Vec<f64> {
    RangedCoordf64::from(low..high).key_points(BoldPoints(most))
}

/// Decimals that tell the figures of a scale apart.
pub(super) fn decimals((low, high): (f64, f64)) -> usize {
    (1.0 - ((high - low) / 5.0).log10().floor()).clamp(0.0, 9.0) as usize
}

/// A figure of the axis to the right.
pub(super) fn across(axis: &Axis, hours: bool, x: f64) -> String {
    match axis {
        Axis::Days => DateTime::from_timestamp((x * 86_400.0).round() as i64, 0).map_or_else(String::new, |moment| {
            moment.format(if hours { "%m-%d %H:%M" } else { "%Y-%m-%d" }).to_string()
        }),
        // Steps of an axis are sums of binary fractions.
        Axis::Number(_) => ((x * 1e9).round() / 1e9).to_string(),
    }
}

/// Figures of the axis upward: as many as stand apart.
pub(super) fn upward(place: &Place) -> usize {
    let room = place.field.bottom - place.field.top;
    ((room / (2.0 * PITCH)) as usize).clamp(2, 6)
}

impl Plan {
    pub(super) fn of(sheet: &Sheet, (across_px, up_px): (u32, u32)) -> Self {
        let whole = f64::from(across_px);
        let title = wrapped(&sheet.title, TITLE, whole - 16.0, 2);
        let head = 8 + 22 * u32::try_from(title.len().max(1)).unwrap_or(1);
        let range = widened(sheet.range, 0.02);
        let scales: Vec<(f64, f64)> = sheet.panels.iter().map(extent).collect();
        let figure = |scale: (f64, f64)| {
            let places = decimals(scale);
            ticks(scale, 6).into_iter().map(move |y| width(&format!("{y:.places$}"), LABEL)).fold(0.0, f64::max)
        };
        let left = scales.iter().map(|scale| figure(*scale)).fold(38.0, f64::max) + 18.0;
        let names = sheet.panels.iter().flat_map(|panel| &panel.levels).map(|level| width(&level.name, NAME));
        // The last figure of the axis below stands half beyond the field.
        let names = (names.fold(0.0, f64::max) + TO_NAMES + 8.0).clamp(48.0, whole / 4.0);
        let bars = if sheet.panels.iter().any(|panel| !panel.bars.is_empty()) { SIDE } else { 0.0 };
        let (left, right) = (left.ceil(), (whole - names - bars).floor());
        let (figures, hours) = figures(&sheet.axis, range, right - left);
        let shares = sheet.panels.iter().map(|panel| panel.height).sum::<u32>().max(1);
        let (mut panels, mut top) = (Vec::new(), head);
        for (panel, scale) in sheet.panels.iter().zip(scales) {
            let at = |x: f64| left + (x - range.0) / (range.1 - range.0) * (right - left);
            let (heading, moments, rows) = above(panel, at, (right + names, whole));
            let above = (PITCH * rows as f64 + ABOVE_FIELD).ceil() as u32;
            let below = if panels.len() + 1 == sheet.panels.len() { BELOW_LAST } else { BELOW };
            // Lines above the first are added to the picture, so that fields keep their height.
            let share = up_px.saturating_sub(head) * panel.height / shares;
            let height = share.max(below + 60) + (PITCH * rows.saturating_sub(1) as f64) as u32;
            let field = Room {
                left,
                top: f64::from(top + above),
                right,
                bottom: f64::from((top + height).saturating_sub(below)),
            };
            let lowered = |mut placed: Placed| {
                placed.at.1 += field.top - ABOVE_FIELD;
                placed
            };
            panels.push(Place {
                height,
                above,
                field,
                scale,
                heading: lowered(heading),
                moments: moments.into_iter().map(|(number, placed)| (number, lowered(placed))).collect(),
            });
            top += height;
        }
        let side = right + names;
        Self { width: across_px, height: top, title, head, range, figures, hours, side, panels }
    }
}

/// How many figures the axis to the right has room for, and whether they are times of a day.
fn figures(axis: &Axis, range: (f64, f64), room: f64) -> (usize, bool) {
    for most in (3..=7).rev() {
        let all = ticks(range, most);
        let hours = all.iter().any(|x| x.fract() != 0.0);
        let widest = all.iter().map(|x| width(&across(axis, hours, *x), LABEL)).fold(0.0, f64::max);
        let apart = all.windows(2).map(|pair| (pair[1] - pair[0]) / (range.1 - range.0) * room).fold(room, f64::min);
        if widest + 8.0 <= apart {
            return (most, hours);
        }
    }
    (2, ticks(range, 2).iter().any(|x| x.fract() != 0.0))
}

/// What stands above a field, upward from its lowest line at -`PITCH`: what the panel shows, names of moments, and how many lines
/// they take. A name that has no room on a few lines is shortened to its first part, and left out if there is none for that.
fn above(panel: &Panel, at: impl Fn(f64) -> f64, (bars, end): (f64, f64)) -> (Placed, Vec<(usize, Placed)>, usize) {
    let text = fitted(&panel.label, LABEL, end / 2.0);
    let heading = Placed { text, at: (6.0, -PITCH) };
    let mut taken = vec![Room::of(&heading.text, heading.at, LABEL)];
    if !panel.bars.is_empty() {
        taken.push(Room { left: bars, top: -PITCH, right: end, bottom: 0.0 });
    }
    for room in &mut taken {
        room.left -= 6.0;
        room.right += 6.0;
    }
    let named = || panel.moments.iter().enumerate().filter(|(_, moment)| !moment.name.is_empty());
    let whole = |moment: &Moment| moment.name.clone();
    let short = |moment: &Moment| moment.name.split(',').next().unwrap_or_default().to_owned();
    let try_all = |name: &dyn Fn(&Moment) -> String| {
        let mut taken = taken.clone();
        let mut placed = Vec::new();
        for (number, moment) in named() {
            let text = name(moment);
            let x = at(moment.x);
            let wide = width(&text, NAME);
            let begins = if x + 3.0 + wide <= end - 4.0 { x + 3.0 } else { (x - 3.0 - wide).max(2.0) };
            let lines = (1..=MOST_ROWS).map(|row| (begins, -PITCH * row as f64));
            let free = lines.map(|at| (at, Room::of(&text, at, NAME))).find(|(_, room)| {
                let apart = Room { left: room.left - 3.0, right: room.right + 3.0, ..*room };
                taken.iter().all(|other| !other.meets(&apart))
            });
            if let Some((at, room)) = free {
                taken.push(room);
                placed.push((number, Placed { text, at }));
            }
        }
        placed
    };
    let mut placed = try_all(&whole);
    if placed.len() < named().count() {
        placed = try_all(&short);
    }
    let rows = placed.iter().map(|(_, one)| (-one.at.1 / PITCH).round() as usize).max().unwrap_or(1);
    (heading, placed, rows)
}

/// Names of levels at the right of a field, none over another, each as near to its level as there is room; without room for
/// all, those of less weight are left out. With each the y of its level, px.
pub(super) fn names(levels: &[Level], place: &Place, room: f64) -> Vec<(f64, Placed, Stroke)> {
    let (low, high) = place.scale;
    let Room { top, bottom, right, .. } = place.field;
    let y = |level: &Level| bottom - (level.y - low) / (high - low) * (bottom - top);
    let mut named: Vec<&Level> = Vec::new();
    for level in levels.iter().filter(|level| !level.name.is_empty()) {
        let same = |other: &&&Level| other.name == level.name && (y(other) - y(level)).abs() < 1.0;
        if named.iter().find(same).is_none() {
            named.push(level);
        }
    }
    let weight = |level: &Level| match level.stroke {
        Stroke::Action => 0,
        Stroke::Plain => 1,
        Stroke::Warning => 2,
        Stroke::Faint => 3,
    };
    let most = ((bottom - top) / PITCH).max(1.0) as usize;
    named.sort_by_key(|level| weight(level));
    named.truncate(most);
    named.sort_by(|a, b| y(a).total_cmp(&y(b)));
    let wanted: Vec<f64> = named.iter().map(|level| y(level)).collect();
    let centres = apart(&wanted, PITCH, (top, bottom));
    let placed = |(level, centre): (&&Level, f64)| {
        let text = fitted(&level.name, NAME, room - TO_NAMES - 4.0);
        (y(level), Placed { text, at: (right + TO_NAMES, centre - NAME / 2.0) }, level.stroke)
    };
    named.iter().zip(centres).map(placed).collect()
}

/// Places at least `pitch` apart and inside the ends, in their order, the least squares of moves: the isotonic regression of what is
/// left of each wish when the pitch of those before it is taken off (pool adjacent violators).
fn apart(wanted: &[f64], pitch: f64, (first, last): (f64, f64)) -> Vec<f64> {
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for (number, wish) in wanted.iter().enumerate() {
        blocks.push((wish - pitch * number as f64, 1));
        while let [.., (before, many), (mean, few)] = blocks.as_slice()
            && before > mean
        {
            let all = many + few;
            let pooled = (before * *many as f64 + mean * *few as f64) / all as f64;
            blocks.truncate(blocks.len() - 2);
            blocks.push((pooled, all));
        }
    }
    let end = (last - pitch * wanted.len().saturating_sub(1) as f64).max(first);
    let bases = blocks.into_iter().flat_map(|(mean, many)| std::iter::repeat_n(mean.clamp(first, end), many));
    bases.enumerate().map(|(number, base)| base + pitch * number as f64).collect()
}

/// Lowest and highest value that must be seen, with a margin.
fn extent(panel: &Panel) -> (f64, f64) {
    let points = panel.points.iter().flat_map(|point| [point.y - point.bar, point.y + point.bar]);
    let lines = panel.lines.iter().flat_map(|line| line.points.iter().map(|(_, y)| *y));
    let bands = panel.bands.iter().flat_map(|band| band.edge.iter().flat_map(|(_, low, high)| [*low, *high]));
    let levels = panel.levels.iter().map(|level| level.y).chain(panel.bars.iter().flat_map(|bar| [bar.low, bar.high]));
    let all = points.chain(lines).chain(bands).chain(levels).chain(panel.include.iter().copied());
    let range = all
        .filter(|y| y.is_finite())
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), y| (low.min(y), high.max(y)));
    if range.0 > range.1 { (0.0, 1.0) } else { widened(range, 0.06) }
}

/// A range with a margin; a single value gets room around it.
fn widened((low, high): (f64, f64), share: f64) -> (f64, f64) {
    let width = high - low;
    let margin = if width > 0.0 { width * share } else { (low.abs() * 0.01).max(0.5) };
    (low - margin, high + margin)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_keep_apart_and_near_to_their_places() {
        assert_eq!(apart(&[10.0, 50.0, 90.0], 14.0, (0.0, 100.0)), [10.0, 50.0, 90.0]);
        // Two at one place part by half a line each.
        assert_eq!(apart(&[50.0, 50.0], 14.0, (0.0, 100.0)), [43.0, 57.0]);
        // At the end they go upward.
        assert_eq!(apart(&[98.0, 99.0, 100.0], 14.0, (0.0, 100.0)), [72.0, 86.0, 100.0]);
        for pair in apart(&[20.0, 21.0, 22.0, 60.0, 60.5, 61.0], 14.0, (0.0, 100.0)).windows(2) {
            assert!(pair[1] - pair[0] >= 14.0 - 1e-9, "{pair:?}");
        }
    }
}
