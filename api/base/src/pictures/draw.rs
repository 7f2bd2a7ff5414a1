//! How a picture looks.

use std::fmt::Write as _;

use chrono::DateTime;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use crate::pictures::thin::{Look, thin};
use crate::pictures::{Axis, Bar, Level, Moment, Panel, PictureError, Point, Shade, Shape, Sheet, Stroke};
use crate::zone;

const PAPER: RGBColor = RGBColor(255, 255, 255);
const INK: RGBColor = RGBColor(22, 32, 44);
const FIT: RGBColor = RGBColor(36, 84, 112);
const WARNING: RGBColor = RGBColor(148, 104, 8);
const ACTION: RGBColor = RGBColor(138, 24, 40);
const FAINT: RGBColor = RGBColor(116, 126, 138);
const BAND_LIGHT: RGBColor = RGBColor(228, 236, 241);
const BAND_DARK: RGBColor = RGBColor(196, 213, 223);
const GRID: RGBColor = RGBColor(232, 235, 238);

const FONT: &str = "sans-serif";
const MARGIN_RIGHT: u32 = 132;
const LABEL_LEFT: u32 = 78;
/// Room for a histogram, right of the names of limits.
const SIDE: u32 = 112;

type Area<'a> = DrawingArea<SVGBackend<'a>, plotters::coord::Shift>;
type Field<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<RangedCoordf64, RangedCoordf64>>;

fn failed(error: impl std::fmt::Display) -> PictureError {
    PictureError(error.to_string())
}

/// Draws a sheet as SVG of `width` by `height` pixels.
///
/// # Errors
/// The drawing library's own; none is known for finite numbers.
pub fn render(sheet: &Sheet, (width, height): (u32, u32)) -> Result<String, PictureError> {
    let mut svg = String::new();
    let mut links = String::new();
    {
        let root = SVGBackend::with_string(&mut svg, (width, height)).into_drawing_area();
        root.fill(&PAPER).map_err(failed)?;
        let body = root.titled(&sheet.title, (FONT, 21).into_font().color(&INK)).map_err(failed)?;
        let whole: u32 = sheet.panels.iter().map(|panel| panel.height).sum::<u32>().max(1);
        let (_, room) = body.dim_in_pixel();
        let mut rest = body;
        for (number, panel) in sheet.panels.iter().enumerate() {
            let last = number + 1 == sheet.panels.len();
            let area = if last {
                rest.clone()
            } else {
                let (upper, lower) = rest.split_vertically((room * panel.height / whole).cast_signed());
                rest = lower;
                upper
            };
            draw_panel(&area, sheet, panel, last, &mut links)?;
        }
        root.present().map_err(failed)?;
    }
    Ok(with_words(&svg, sheet, &links))
}

/// Adds heading and description for those who cannot see the picture, and the layer of links above it.
fn with_words(svg: &str, sheet: &Sheet, links: &str) -> String {
    let named = svg.replacen("<svg ", &format!("<svg role=\"group\" aria-label=\"{}\" ", escape(&sheet.title)), 1);
    let described = match named.split_once("\">\n").or_else(|| named.split_once("\">")) {
        Some((head, rest)) => {
            format!(
                "{head}\">\n<title>{}</title>\n<desc>{}</desc>\n{rest}",
                escape(&sheet.title),
                escape(&sheet.description)
            )
        }
        None => named,
    };
    match described.rsplit_once("</svg>") {
        Some((body, _)) => format!("{body}<g fill=\"transparent\">\n{links}</g>\n</svg>\n"),
        None => described,
    }
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

fn draw_panel(
    area: &Area<'_>,
    sheet: &Sheet,
    panel: &Panel,
    last: bool,
    links: &mut String,
) -> Result<(), PictureError> {
    let (left, right) = widened(sheet.range, 0.02);
    // All fields are as wide as each other, so that their times stand below one another.
    let side = if sheet.panels.iter().any(|panel| !panel.bars.is_empty()) { SIDE } else { 0 };
    let columns = area.dim_in_pixel().0.saturating_sub(LABEL_LEFT + MARGIN_RIGHT + side) as usize;
    let kept = thin(&panel.points, columns, (left, right), |point| Look::from(point));
    let (low, high) = extent(panel);
    let mut chart = ChartBuilder::on(area)
        .margin_right(MARGIN_RIGHT + side)
        .margin_top(14)
        .margin_left(4)
        .x_label_area_size(if last { 42 } else { 8 })
        .y_label_area_size(LABEL_LEFT)
        .build_cartesian_2d(left..right, low..high)
        .map_err(failed)?;
    mesh(&mut chart, sheet, panel, (low, high), last)?;
    for band in &panel.bands {
        let colour = if band.shade == Shade::Light { BAND_LIGHT } else { BAND_DARK };
        let there = band.edge.iter().map(|(x, _, high)| (*x, *high));
        let back = band.edge.iter().rev().map(|(x, low, _)| (*x, *low));
        let outline: Vec<(f64, f64)> = there.chain(back).collect();
        chart.draw_series(std::iter::once(Polygon::new(outline, colour.filled()))).map_err(failed)?;
    }
    for level in &panel.levels {
        draw_level(area, &mut chart, level, (left, right))?;
    }
    draw_moments(area, &mut chart, &panel.moments, (low, high))?;
    for line in &panel.lines {
        stroke(&mut chart, &line.points, line.stroke)?;
    }
    if panel.joined {
        let path: Vec<(f64, f64)> = kept.iter().map(|index| (panel.points[*index].x, panel.points[*index].y)).collect();
        chart.draw_series(LineSeries::new(path, FAINT.stroke_width(1))).map_err(failed)?;
    }
    histogram(area, &chart, &panel.bars, (right, high))?;
    let small = kept.len() > 300;
    for index in kept {
        draw_point(area, &mut chart, &panel.points[index], small, links)?;
    }
    Ok(())
}

/// Vertical lines with their names; where one would be written over another, it stands a line lower.
fn draw_moments(
    area: &Area<'_>,
    chart: &mut Field<'_, '_>,
    moments: &[Moment],
    (low, high): (f64, f64),
) -> Result<(), PictureError> {
    let mut ends: Vec<i32> = Vec::new();
    for moment in moments {
        stroke(chart, &[(moment.x, low), (moment.x, high)], Stroke::Faint)?;
        let (x, y) = chart.backend_coord(&(moment.x, high));
        let line = ends.iter().position(|end| *end < x).unwrap_or(ends.len());
        // Letters of this size are 7 pixels wide on the average.
        let end = x + 10 + 7 * i32::try_from(moment.name.chars().count()).unwrap_or(0);
        match ends.get_mut(line) {
            Some(last) => *last = end,
            None => ends.push(end),
        }
        write(area, &moment.name, (x + 3, y + 2 + 16 * i32::try_from(line).unwrap_or(0)), FAINT, 14)?;
    }
    Ok(())
}

/// Bars beside the field, the longest as long as there is room, each with its count.
fn histogram(area: &Area<'_>, chart: &Field<'_, '_>, bars: &[Bar], corner: (f64, f64)) -> Result<(), PictureError> {
    let Some(most) = bars.iter().map(|bar| bar.count).max().filter(|most| *most > 0) else { return Ok(()) };
    let (base_x, base_y) = area.get_base_pixel();
    let (right, top) = chart.backend_coord(&corner);
    let from = right + MARGIN_RIGHT.cast_signed();
    let room = f64::from(SIDE - 34);
    for bar in bars.iter().filter(|bar| bar.count > 0) {
        let (_, low) = chart.backend_coord(&(corner.0, bar.low));
        let (_, high) = chart.backend_coord(&(corner.0, bar.high));
        let to = from + (room * bar.count as f64 / most as f64).round() as i32;
        let ends = [(from - base_x, high - base_y), (to - base_x, low - base_y)];
        area.draw(&Rectangle::new(ends, BAND_DARK.filled())).map_err(failed)?;
        area.draw(&Rectangle::new(ends, FIT.stroke_width(1))).map_err(failed)?;
        write(area, &bar.count.to_string(), (to + 4, i32::midpoint(low, high) - 7), INK, 13)?;
    }
    let foot = bars.iter().map(|bar| chart.backend_coord(&(corner.0, bar.low)).1).max().unwrap_or(top);
    let axis = vec![(from - base_x, top - base_y), (from - base_x, foot - base_y)];
    area.draw(&PathElement::new(axis, FAINT.stroke_width(1))).map_err(failed)?;
    let all: usize = bars.iter().map(|bar| bar.count).sum();
    write(area, &format!("n = {all}"), (from + 4, top - 14), FAINT, 14)
}

fn mesh(
    chart: &mut Field<'_, '_>,
    sheet: &Sheet,
    panel: &Panel,
    (low, high): (f64, f64),
    last: bool,
) -> Result<(), PictureError> {
    let decimals = (1.0 - ((high - low) / 5.0).log10().floor()).clamp(0.0, 9.0) as usize;
    let short = sheet.range.1 - sheet.range.0 < 3.0;
    let axis = sheet.axis;
    let date = move |x: &f64| match axis {
        Axis::Days => DateTime::from_timestamp((x * 86_400.0) as i64, 0).map_or_else(String::new, |moment| {
            moment.format(if short { "%m-%d %H:%M" } else { "%Y-%m-%d" }).to_string()
        }),
        // Steps of an axis are sums of binary fractions.
        Axis::Number(_) => ((x * 1e9).round() / 1e9).to_string(),
    };
    let number = move |y: &f64| format!("{y:.decimals$}");
    let what = match sheet.axis {
        Axis::Days => zone::label(),
        Axis::Number(label) => label.to_owned(),
    };
    let mut mesh = chart.configure_mesh();
    mesh.light_line_style(PAPER)
        .bold_line_style(GRID)
        .axis_style(FAINT)
        .label_style((FONT, 15).into_font().color(&INK))
        .axis_desc_style((FONT, 16).into_font().color(&INK))
        .y_labels(6)
        .x_labels(if last { 7 } else { 0 })
        .x_label_formatter(&date)
        .y_label_formatter(&number)
        .y_desc(&panel.label);
    if last {
        mesh.x_desc(what);
    }
    mesh.draw().map_err(failed)
}

fn draw_level(
    area: &Area<'_>,
    chart: &mut Field<'_, '_>,
    level: &Level,
    (left, right): (f64, f64),
) -> Result<(), PictureError> {
    let (from, to) = (level.from.max(left), level.to.min(right));
    stroke(chart, &[(from, level.y), (to, level.y)], level.stroke)?;
    if level.name.is_empty() {
        return Ok(());
    }
    let (x, y) = chart.backend_coord(&(right, level.y));
    write(area, &level.name, (x + 5, y - 7), colour(level.stroke), 14)
}

fn colour(stroke: Stroke) -> RGBColor {
    match stroke {
        Stroke::Plain => FIT,
        Stroke::Warning => WARNING,
        Stroke::Action => ACTION,
        Stroke::Faint => FAINT,
    }
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

fn write(area: &Area<'_>, text: &str, at: (i32, i32), colour: RGBColor, size: u32) -> Result<(), PictureError> {
    let (x, y) = area.get_base_pixel();
    let style = (FONT, size).into_font().color(&colour).pos(Pos::new(HPos::Left, VPos::Top));
    area.draw_text(text, &style, (at.0 - x, at.1 - y)).map_err(failed)
}

fn draw_point(
    area: &Area<'_>,
    chart: &mut Field<'_, '_>,
    point: &Point,
    small: bool,
    links: &mut String,
) -> Result<(), PictureError> {
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
        area.draw(&Circle::new(at(0, 0), r, INK.stroke_width(1))).map_err(failed)?;
    } else {
        area.draw(&Polygon::new(outline.clone(), fill.filled())).map_err(failed)?;
        area.draw(&PathElement::new(outline, INK.stroke_width(1))).map_err(failed)?;
    }
    if !point.mark.is_empty() {
        area.draw(&Circle::new(at(0, 0), 9, ACTION.stroke_width(2))).map_err(failed)?;
        write(area, &point.mark, (x + 11, y - 16), ACTION, 15)?;
    }
    if !point.title.is_empty() {
        let title = escape(&point.title);
        let circle = format!(
            "<circle cx=\"{x}\" cy=\"{y}\" r=\"{}\"><title>{title}</title></circle>",
            if small { 3 } else { 9 }
        );
        // Writing to a String cannot fail.
        let _ = if point.link.is_empty() {
            writeln!(links, "{circle}")
        } else {
            writeln!(links, "<a href=\"{}\" aria-label=\"{title}\">{circle}</a>", escape(&point.link))
        };
    }
    Ok(())
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
