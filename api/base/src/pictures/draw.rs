//! How a picture looks.

use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;

use crate::pictures::layout::{BELOW, BELOW_LAST, LABEL, NAME, Place, Plan, Room, across, decimals, names, upward};
use crate::pictures::letters::width;
use crate::pictures::marks::{self, RING};
use crate::pictures::over::{Anchor, Over};
use crate::pictures::thin::{Look, thin};
use crate::pictures::{Axis, Bar, Level, Panel, PictureError, Point, Shade, Shape, Sheet, Stroke};
use crate::zone;

const PAPER: RGBColor = RGBColor(255, 255, 255);
const INK: RGBColor = RGBColor(22, 32, 44);
const FIT: RGBColor = RGBColor(36, 84, 112);
const WARNING: RGBColor = RGBColor(148, 104, 8);
const ACTION: RGBColor = RGBColor(138, 24, 40);
const FAINT: RGBColor = RGBColor(116, 126, 138);
/// The same for letters, which need more contrast.
const QUIET: RGBColor = RGBColor(88, 98, 110);
const BAND_LIGHT: RGBColor = RGBColor(228, 236, 241);
const BAND_DARK: RGBColor = RGBColor(196, 213, 223);
const GRID: RGBColor = RGBColor(232, 235, 238);

const FONT: &str = "sans-serif";
/// Room of the longest bar, px.
const BAR: f64 = 78.0;
/// A limit is at least so long, px, however short its time was: a dash and a half of the longest dashes.
const SHORTEST: f64 = 24.0;

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Field<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

fn failed(error: impl std::fmt::Display) -> PictureError {
    PictureError(error.to_string())
}

/// Draws a sheet as SVG `width` pixels wide. `height` is that of title and fields; lines of names above the fields and the legend
/// below them come to it.
///
/// # Errors
/// The drawing library's own; none is known for finite numbers.
pub fn render(sheet: &Sheet, size: (u32, u32)) -> Result<String, PictureError> {
    let plan = Plan::of(sheet, size);
    let mut svg = String::new();
    let mut over = Over::new(plan.width, plan.height);
    let middle = f64::from(plan.width) / 2.0;
    for (line, text) in plan.title.iter().enumerate() {
        over.write(text, (middle, 6.0 + 22.0 * line as f64), Anchor::Middle, (INK, crate::pictures::layout::TITLE));
    }
    {
        // One pixel more, so that the last field is not cut by what is left of the area.
        let root = SVGBackend::with_string(&mut svg, (plan.width, plan.height + 1)).into_drawing_area();
        root.fill(&PAPER).map_err(failed)?;
        let (_, mut rest) = root.split_vertically(plan.head.cast_signed());
        for (number, (panel, place)) in sheet.panels.iter().zip(&plan.panels).enumerate() {
            let (area, below) = rest.split_vertically(place.height.cast_signed());
            rest = below;
            let last = number + 1 == sheet.panels.len();
            draw_panel(&area, (sheet, panel), (&plan, place, last), &mut over)?;
        }
        root.present().map_err(failed)?;
    }
    over.legend(&sheet.legend, (PAPER, INK));
    Ok(over.finished(&svg, sheet))
}

fn draw_panel(
    area: &Area<'_>,
    (sheet, panel): (&Sheet, &Panel),
    (plan, place, last): (&Plan, &Place, bool),
    over: &mut Over,
) -> Result<(), PictureError> {
    let Room { left, right, .. } = place.field;
    let columns = (right - left).max(1.0) as usize;
    let kept = thin(&panel.points, columns, plan.range, |point| Look::from(point));
    let ((begin, end), (low, high)) = (plan.range, place.scale);
    let mut chart = ChartBuilder::on(area)
        .margin_right(plan.width - right as u32)
        .margin_top(place.above)
        .x_label_area_size(if last { BELOW_LAST } else { BELOW })
        .y_label_area_size(left as u32)
        .build_cartesian_2d(begin..end, low..high)
        .map_err(failed)?;
    mesh(&mut chart, sheet, (plan, place, last))?;
    over.write(&place.heading.text, place.heading.at, Anchor::Start, (INK, LABEL));
    for band in &panel.bands {
        let colour = if band.shade == Shade::Light { BAND_LIGHT } else { BAND_DARK };
        let there = band.edge.iter().map(|(x, _, high)| (*x, *high));
        let back = band.edge.iter().rev().map(|(x, low, _)| (*x, *low));
        let outline: Vec<(f64, f64)> = there.chain(back).collect();
        chart.draw_series(std::iter::once(Polygon::new(outline, colour.filled()))).map_err(failed)?;
    }
    for level in &panel.levels {
        draw_level(&mut chart, level, plan, place)?;
    }
    for (y, name, of) in names(&panel.levels, place, plan.side - right) {
        let middle = name.at.1 + NAME / 2.0;
        if (middle - y).abs() > 2.0 {
            over.line((right + 1.0, y), (right + crate::pictures::layout::TO_NAMES - 2.0, middle), colour(of));
        }
        over.write(&name.text, name.at, Anchor::Start, (written(of), NAME));
    }
    draw_moments(&mut chart, panel, place, over)?;
    for line in &panel.lines {
        stroke(&mut chart, &line.points, line.stroke)?;
    }
    if panel.joined {
        let path: Vec<(f64, f64)> = kept.iter().map(|index| (panel.points[*index].x, panel.points[*index].y)).collect();
        chart.draw_series(LineSeries::new(path, FAINT.stroke_width(1))).map_err(failed)?;
    }
    histogram(area, &chart, &panel.bars, (plan, place), over)?;
    let small = kept.len() > 300;
    for index in &kept {
        draw_point(area, &chart, &panel.points[*index], small)?;
    }
    draw_marks(area, &chart, (panel, &kept), (place, small), over)
}

/// Rings with their marks, and what each point is and leads to.
fn draw_marks(
    area: &Area<'_>,
    chart: &Field<'_, '_>,
    (panel, kept): (&Panel, &[usize]),
    (place, small): (&Place, bool),
    over: &mut Over,
) -> Result<(), PictureError> {
    let (base_x, base_y) = area.get_base_pixel();
    let pixel = |point: &Point| {
        let (x, y) = chart.backend_coord(&(point.x, point.y));
        (f64::from(x), f64::from(y))
    };
    let points: Vec<&Point> = kept.iter().map(|index| &panel.points[*index]).collect();
    let at: Vec<(f64, f64)> = points.iter().map(|point| pixel(point)).collect();
    let rings: Vec<((f64, f64), &str)> = points
        .iter()
        .zip(&at)
        .filter(|(point, _)| !point.mark.is_empty())
        .map(|(point, at)| (*at, point.mark.as_str()))
        .collect();
    let found = marks::place(&rings, &at, &place.field);
    over.shared += found.shared;
    over.left_out += found.left_out;
    let mut placed = found.placed.into_iter();
    for (point, at) in points.iter().zip(&at) {
        let mut label = None;
        if !point.mark.is_empty() {
            let centre = (at.0 as i32 - base_x, at.1 as i32 - base_y);
            area.draw(&Circle::new(centre, RING as i32, ACTION.stroke_width(2))).map_err(failed)?;
            label = placed.next().flatten();
        }
        if let Some(label) = &label {
            let room = Room::of(&label.text, label.at, LABEL);
            let middle = (f64::midpoint(room.left, room.right), f64::midpoint(room.top, room.bottom));
            if (middle.1 - at.1).abs() > 2.0 * RING + LABEL {
                let (ring, end) = if middle.1 < at.1 { (at.1 - RING, room.bottom) } else { (at.1 + RING, room.top) };
                over.line((at.0, ring), (middle.0, end), ACTION);
            }
            over.write(&label.text, label.at, Anchor::Start, (ACTION, LABEL));
        }
        let room = label.map(|label| (label.at, (width(&label.text, LABEL), LABEL)));
        over.link(point, (*at, if small { 3.0 } else { RING }), room);
    }
    Ok(())
}

/// Vertical lines, up to their names.
fn draw_moments(chart: &mut Field<'_, '_>, panel: &Panel, place: &Place, over: &mut Over) -> Result<(), PictureError> {
    let (low, high) = place.scale;
    for moment in &panel.moments {
        stroke(chart, &[(moment.x, low), (moment.x, high)], Stroke::Faint)?;
    }
    for (number, name) in &place.moments {
        let Some(moment) = panel.moments.get(*number) else { continue };
        let x = f64::from(chart.backend_coord(&(moment.x, high)).0);
        over.line((x, place.field.top), (x, name.at.1 + 1.0), FAINT);
        over.write(&name.text, name.at, Anchor::Start, (QUIET, NAME));
    }
    Ok(())
}

/// Bars beside the field, the longest as long as there is room, each with its count where that can be read.
fn histogram(
    area: &Area<'_>,
    chart: &Field<'_, '_>,
    bars: &[Bar],
    (plan, place): (&Plan, &Place),
    over: &mut Over,
) -> Result<(), PictureError> {
    let Some(most) = bars.iter().map(|bar| bar.count).max().filter(|most| *most > 0) else { return Ok(()) };
    let (base_x, base_y) = area.get_base_pixel();
    let y = |value: f64| chart.backend_coord(&(plan.range.1, value)).1;
    let from = plan.side as i32;
    let mut written: Vec<Room> = Vec::new();
    let mut counted: Vec<&Bar> = bars.iter().filter(|bar| bar.count > 0).collect();
    // Where bars are too thin for all counts, the longest have theirs.
    counted.sort_by_key(|bar| std::cmp::Reverse(bar.count));
    for bar in counted {
        let (low, high) = (y(bar.low), y(bar.high));
        let to = from + (BAR * bar.count as f64 / most as f64).round() as i32;
        let ends = [(from - base_x, high - base_y), (to - base_x, low - base_y)];
        area.draw(&Rectangle::new(ends, BAND_DARK.filled())).map_err(failed)?;
        area.draw(&Rectangle::new(ends, FIT.stroke_width(1))).map_err(failed)?;
        let text = bar.count.to_string();
        let at = (f64::from(to) + 4.0, f64::from(low + high) / 2.0 - NAME / 2.0);
        let room = Room::of(&text, at, NAME);
        if written.iter().all(|other| !other.meets(&room)) {
            over.write(&text, at, Anchor::Start, (INK, NAME));
            written.push(room);
        }
    }
    let foot = bars.iter().map(|bar| y(bar.low)).max().unwrap_or_default();
    let axis = vec![(from - base_x, place.field.top as i32 - base_y), (from - base_x, foot - base_y)];
    area.draw(&PathElement::new(axis, FAINT.stroke_width(1))).map_err(failed)?;
    let all: usize = bars.iter().map(|bar| bar.count).sum();
    over.write(&format!("n = {all}"), (plan.side + 4.0, place.heading.at.1), Anchor::Start, (QUIET, NAME));
    Ok(())
}

fn mesh(
    chart: &mut Field<'_, '_>,
    sheet: &Sheet,
    (plan, place, last): (&Plan, &Place, bool),
) -> Result<(), PictureError> {
    let places = decimals(place.scale);
    let date = |x: &f64| across(&sheet.axis, plan.hours, *x);
    let number = |y: &f64| format!("{y:.places$}");
    let mut mesh = chart.configure_mesh();
    mesh.light_line_style(PAPER)
        .bold_line_style(GRID)
        .axis_style(FAINT)
        // The library makes letters smaller by this.
        .label_style((FONT, LABEL * 1.24).into_font().color(&INK))
        .axis_desc_style((FONT, LABEL * 1.24).into_font().color(&INK))
        .y_labels(upward(place))
        .x_labels(if last { plan.figures } else { 0 })
        .x_label_formatter(&date)
        .y_label_formatter(&number);
    if last {
        mesh.x_desc(match &sheet.axis {
            Axis::Days => zone::label(),
            Axis::Number(label) => label.clone(),
        });
    }
    mesh.draw().map_err(failed)
}

/// A level over its stretch, which is drawn so long that it can be seen.
fn draw_level(chart: &mut Field<'_, '_>, level: &Level, plan: &Plan, place: &Place) -> Result<(), PictureError> {
    let (begin, end) = plan.range;
    let shortest = SHORTEST * (end - begin) / (place.field.right - place.field.left);
    let (mut from, mut to) = (level.from.max(begin), level.to.min(end));
    if to - from < shortest {
        let middle = f64::midpoint(from, to).clamp(begin + shortest / 2.0, end - shortest / 2.0);
        (from, to) = (middle - shortest / 2.0, middle + shortest / 2.0);
    }
    stroke(chart, &[(from, level.y), (to, level.y)], level.stroke)
}

fn colour(stroke: Stroke) -> RGBColor {
    match stroke {
        Stroke::Plain => FIT,
        Stroke::Warning => WARNING,
        Stroke::Action => ACTION,
        Stroke::Faint => FAINT,
    }
}

/// Colour of the letters of a name.
fn written(stroke: Stroke) -> RGBColor {
    if stroke == Stroke::Faint { QUIET } else { colour(stroke) }
}

fn stroke(chart: &mut Field<'_, '_>, points: &[(f64, f64)], stroke: Stroke) -> Result<(), PictureError> {
    let colour = colour(stroke);
    let points = points.to_vec();
    match stroke {
        Stroke::Plain => chart.draw_series(LineSeries::new(points, colour.stroke_width(2))).map(drop),
        Stroke::Warning => chart.draw_series(DashedLineSeries::new(points, 6, 4, colour.stroke_width(1))).map(drop),
        Stroke::Action => chart.draw_series(DashedLineSeries::new(points, 14, 5, colour.stroke_width(2))).map(drop),
        Stroke::Faint => chart.draw_series(DashedLineSeries::new(points, 2, 4, colour.stroke_width(1))).map(drop),
    }
    .map_err(failed)
}

fn draw_point(area: &Area<'_>, chart: &Field<'_, '_>, point: &Point, small: bool) -> Result<(), PictureError> {
    let (base_x, base_y) = area.get_base_pixel();
    let (x, y) = chart.backend_coord(&(point.x, point.y));
    let at = |dx: i32, dy: i32| (x - base_x + dx, y - base_y + dy);
    if point.bar > 0.0 {
        let (_, top) = chart.backend_coord(&(point.x, point.y + point.bar));
        let half = (y - top).max(1);
        let bar = vec![at(0, -half), at(0, half)];
        area.draw(&PathElement::new(bar, FAINT.stroke_width(1))).map_err(failed)?;
        for end in [-half, half] {
            area.draw(&PathElement::new(vec![at(-4, end), at(4, end)], FAINT.stroke_width(1))).map_err(failed)?;
        }
    }
    let r = if small { 2 } else { 4 };
    let outline: Vec<(i32, i32)> = match point.shape {
        Shape::Circle => Vec::new(),
        Shape::Square => vec![at(-r, -r), at(r, -r), at(r, r), at(-r, r), at(-r, -r)],
        Shape::Diamond => vec![at(0, -r - 1), at(r + 1, 0), at(0, r + 1), at(-r - 1, 0), at(0, -r - 1)],
        Shape::Triangle => vec![at(0, -r - 1), at(r + 1, r), at(-r - 1, r), at(0, -r - 1)],
    };
    let fill = if point.hollow { PAPER } else { INK };
    if outline.is_empty() {
        area.draw(&Circle::new(at(0, 0), r, fill.filled())).map_err(failed)?;
        area.draw(&Circle::new(at(0, 0), r, INK.stroke_width(1))).map_err(failed)
    } else {
        area.draw(&Polygon::new(outline.clone(), fill.filled())).map_err(failed)?;
        area.draw(&PathElement::new(outline, INK.stroke_width(1))).map_err(failed)
    }
}
