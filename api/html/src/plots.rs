//! Small pictures, drawn on the server: the same in light, dark and grey, because shapes tell apart what colours would.

use askama::Template;
use ferrotitre_base::pictures::text_width;

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

/// A figure of a scale with its place.
pub(crate) struct Tick {
    pub(crate) x: f64,
    pub(crate) label: String,
}

/// Size of the letters of a scale, as the style sheet has it; px of the drawing.
pub(crate) const TICK: f64 = 15.0;

/// Of a scale's figures those that are inside the drawing and lie over no other.
pub(crate) fn readable(all: impl Iterator<Item = (f64, String)>, width: f64) -> Vec<Tick> {
    let mut kept: Vec<Tick> = Vec::new();
    let mut end = 2.0;
    for (x, label) in all {
        let half = text_width(&label, TICK) / 2.0;
        if x - half >= end && x + half <= width - 2.0 {
            end = x + half + 4.0;
            kept.push(Tick { x, label });
        }
    }
    kept
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
    /// What its signs mean, those that are in it.
    pub signs: String,
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
        ticks: readable(ticks(low, high).into_iter().map(|(at, label)| (x(at), shell.n(label))), WIDTH),
        band: band.map(|band| (x(band.low), x(band.high) - x(band.low))),
        line: centre.map(x),
        height: 70.0 + shift.max(0.0),
        title: format!("{} titres on a scale in millilitres", dots.len()),
        marks,
    };
    Some(Drawing {
        svg: drawing.render().ok()?,
        outside: dots.len() - inside.len(),
        signs: signs(&inside, band.is_some(), centre.is_some()),
    })
}

/// What the signs mean that are drawn.
fn signs(dots: &[&Dot], band: bool, centre: bool) -> String {
    let drawn = |wanted: &str| dots.iter().any(|dot| shape(dot.fate) == wanted);
    let all = [
        (drawn("full"), "Filled: used."),
        (drawn("open"), "Hollow: accurate, not used."),
        (drawn("turn"), "Triangle: rough."),
        (drawn("cross"), "Cross: rejected or failed reduction."),
        (band, "The band begins at the lowest accurate titre and is as wide as the limit."),
        (centre, "The line is the mean."),
    ];
    all.into_iter().filter_map(|(holds, words)| holds.then_some(words)).collect::<Vec<_>>().join(" ")
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
    while unit < 0.999 && places < 9 {
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
    fn figures_of_a_scale_lie_over_no_other_and_stay_inside() {
        for (low, high) in [(23.11, 23.29), (0.0, 1e-6), (1e7, 1e7 + 1.0), (0.0, 1e7)] {
            let x = |at: f64| MARGIN + (at - low) / (high - low) * (WIDTH - 2.0 * MARGIN);
            let kept = readable(ticks(low, high).into_iter().map(|(at, label)| (x(at), label)), WIDTH);
            assert!(kept.len() >= 2, "{low} to {high}");
            let mut labels: Vec<&str> = kept.iter().map(|tick| tick.label.as_str()).collect();
            labels.dedup();
            assert_eq!(labels.len(), kept.len(), "{labels:?}");
            for pair in kept.windows(2) {
                let half = |tick: &Tick| text_width(&tick.label, TICK) / 2.0;
                assert!(pair[0].x + half(&pair[0]) < pair[1].x - half(&pair[1]), "{labels:?}");
            }
        }
    }

    #[test]
    fn equal_titres_do_not_cover_each_other() {
        let dots = [1, 2].map(|position| Dot { position, volume_ml: 23.18, fate: "used" });
        let marks = stacked(&dots.iter().collect::<Vec<_>>(), |volume| volume);
        assert!((marks[0].y - marks[1].y).abs() > 20.0);
    }
}
