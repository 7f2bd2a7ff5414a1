//! How wide words are in the typeface of pictures.

use std::sync::LazyLock;

use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider};

/// The typeface of pictures. A browser writes them in its own sans-serif face, of which this is among the widest.
pub(super) const TYPEFACE: &[u8] = include_bytes!("../../../assets/fonts/DejaVuSans.ttf");

static FONT: LazyLock<Option<FontRef<'static>>> = LazyLock::new(|| FontRef::new(TYPEFACE).ok());

/// Share of the size that is above the base line, with the highest letters.
pub(super) const ABOVE: f64 = 0.76;

/// Width of a text in letters of a size, px; kerning is left out, which makes it a little wider than it is.
pub(super) fn width(text: &str, size: f64) -> f64 {
    // Letters of a typeface that could not be read would be a square each.
    let Some(font) = FONT.as_ref() else { return size * text.chars().count() as f64 };
    let (map, glyphs) = (font.charmap(), font.glyph_metrics(Size::new(1.0), LocationRef::default()));
    let advance = |letter: char| glyphs.advance_width(map.map(letter).unwrap_or_default()).unwrap_or(1.0);
    text.chars().map(|letter| f64::from(advance(letter))).sum::<f64>() * size
}

/// The text, or as much of it as there is room for, ending in dots.
pub(super) fn fitted(text: &str, size: f64, room: f64) -> String {
    if width(text, size) <= room {
        return text.to_owned();
    }
    let mut kept: Vec<char> = text.chars().collect();
    while !kept.is_empty() && width(&kept.iter().collect::<String>(), size) + width("…", size) > room {
        kept.pop();
    }
    format!("{}…", kept.iter().collect::<String>().trim_end())
}

/// The text in lines of at most this width, at most so many of them; a word that is longer is cut.
pub(super) fn wrapped(text: &str, size: f64, room: f64, most: usize) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width(&format!("{line} {word}"), size) <= room => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    if lines.len() > most {
        let rest = lines.split_off(most.saturating_sub(1)).join(" ");
        lines.push(rest);
    }
    lines.into_iter().map(|line| fitted(&line, size, room)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_are_those_of_the_typeface() {
        // Advances of DejaVu Sans 2.37, units of 1/2048 em: figures 1303, l and i 569, M 1767.
        assert!((width("0123456789", 2048.0) - 13_030.0).abs() < 0.5);
        assert!((width("ilM", 2048.0) - (569.0 + 569.0 + 1767.0)).abs() < 0.5);
    }

    #[test]
    fn a_text_that_is_too_long_ends_in_dots_inside_its_room() {
        let text = fitted("a title that goes on and on", 12.0, 80.0);
        assert!(text.ends_with('…') && width(&text, 12.0) <= 80.0, "{text}");
        let lines = wrapped("a title that goes on and on and on", 12.0, 80.0, 2);
        assert!(lines.len() == 2 && lines.iter().all(|line| width(line, 12.0) <= 80.0), "{lines:?}");
    }
}
