//! Small pictures, drawn on the server: the same in light, dark and grey, because shapes tell apart what colours would.

use askama::Template;

use crate::shell::Shell;

/// A titre to draw.
pub struct Dot {
    pub position: u32,
    pub volume_ml: f64,
    /// used, not used, rough, rejected, failed reduction or superseded.
    pub fate: &'static str,
}

/// What a range is judged by.
#[derive(Debug, Clone, Copy)]
pub struct Band {
    pub low: f64,
    pub high: f64,
}

struct Mark {
    x: f64,
    y: f64,
    label: u32,
    title: String,
    shape: &'static str,
}

struct Tick {
    x: f64,
    label: String,
}

#[derive(Template)]
#[template(path = "titres.svg")]
struct Titres {
    marks: Vec<Mark>,
    ticks: Vec<Tick>,
    band: Option<(f64, f64)>,
    line: Option<f64>,
    height: f64,
    title: String,
}

/// A picture, and how many titres lie outside its scale.
pub struct Drawing {
    pub svg: String,
    pub outside: usize,
}

/// Width of the drawing and the margin inside it; it scales with the page.
const WIDTH: f64 = 640.0;
const MARGIN: f64 = 40.0;

fn shape(fate: &str) -> &'static str {
    match fate {
        "used" => "full",
        "not used" => "open",
        "rough" => "turn",
        _ => "cross",
    }
}

/// A dot per titre over a scale in millilitres, the band its range may fill, and the value that stands for them.
pub fn titres(shell: &Shell, dots: &[Dot], band: Option<Band>, centre: Option<f64>) -> Option<Drawing> {
    let counted = || dots.iter().filter(|dot| matches!(dot.fate, "used" | "not used")).map(|dot| dot.volume_ml);
    // Rough and rejected titres may lie far out; the scale is made for those that count, if any do.
    let shown: Vec<f64> = if counted().next().is_some() { counted().collect() } else { volumes(dots) };
    let lowest = shown.iter().copied().chain(band.map(|band| band.low)).reduce(f64::min)?;
    let highest = shown.iter().copied().chain(band.map(|band| band.high)).reduce(f64::max)?;
    let spare = ((highest - lowest) * 0.12).max(0.03);
    let (low, high) = (lowest - spare, highest + spare);
    let x = |volume: f64| MARGIN + (volume - low) / (high - low) * (WIDTH - 2.0 * MARGIN);
    let inside: Vec<&Dot> = dots.iter().filter(|dot| (low..=high).contains(&dot.volume_ml)).collect();
    let marks = stacked(&inside, x);
    let top = marks.iter().map(|mark| mark.y).fold(70.0, f64::min);
    let shift = 26.0 - top;
    let marks: Vec<Mark> = marks.into_iter().map(|mark| Mark { y: mark.y + shift.max(0.0), ..mark }).collect();
    let drawing = Titres {
        ticks: ticks(low, high).into_iter().map(|(at, label)| Tick { x: x(at), label: shell.n(label) }).collect(),
        band: band.map(|band| (x(band.low), x(band.high) - x(band.low))),
        line: centre.map(x),
        height: 70.0 + shift.max(0.0),
        title: format!("{} titres on a scale in millilitres", dots.len()),
        marks,
    };
    Some(Drawing { svg: drawing.render().ok()?, outside: dots.len() - inside.len() })
}

fn volumes(dots: &[Dot]) -> Vec<f64> {
    dots.iter().map(|dot| dot.volume_ml).collect()
}

/// Dots that would cover each other stand above each other.
fn stacked(dots: &[&Dot], x: impl Fn(f64) -> f64) -> Vec<Mark> {
    let mut marks: Vec<Mark> = Vec::new();
    for dot in dots {
        let at = x(dot.volume_ml);
        let below = marks.iter().filter(|mark| (mark.x - at).abs() < 21.0).map(|mark| mark.y).reduce(f64::min);
        marks.push(Mark {
            x: at,
            y: below.map_or(70.0, |y| y - 24.0),
            label: dot.position,
            title: format!("titration {}: {:.3} mL, {}", dot.position, dot.volume_ml, dot.fate),
            shape: shape(dot.fate),
        });
    }
    marks
}

/// Round values of a scale, about six.
pub fn ticks(low: f64, high: f64) -> Vec<(f64, String)> {
    let rough = (high - low) / 6.0;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|nice| nice * power).find(|step| *step >= rough).unwrap_or(rough);
    let mut places = 0;
    let mut unit = step;
    while unit < 0.999 && places < 4 {
        unit *= 10.0;
        places += 1;
    }
    let first = (low / step).ceil();
    (0..12)
        .map(|index| (first + f64::from(index)) * step)
        .take_while(|value| *value <= high)
        .map(|value| (value, format!("{value:.places$}")))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scale_has_round_values_inside_it() {
        let labels: Vec<String> = ticks(23.11, 23.29).into_iter().map(|(_, label)| label).collect();
        assert_eq!(labels, ["23.15", "23.20", "23.25"]);
        let labels: Vec<String> = ticks(0.0, 60.0).into_iter().map(|(_, label)| label).collect();
        assert_eq!(labels, ["0", "10", "20", "30", "40", "50", "60"]);
    }

    #[test]
    fn equal_titres_do_not_cover_each_other() {
        let dots = [1, 2].map(|position| Dot { position, volume_ml: 23.18, fate: "used" });
        let marks = stacked(&dots.iter().collect::<Vec<_>>(), |volume| volume);
        assert!((marks[0].y - marks[1].y).abs() > 20.0);
    }
}
