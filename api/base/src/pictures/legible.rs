//! Whether the words of a picture can be read: none over another, none beyond its edges.

use resvg::usvg::{Group, Node, Options, Tree};

use crate::pictures::PictureError;
use crate::pictures::letters::ABOVE;
use crate::pictures::raster::FONTS;

/// Words with the box they fill: letters from their highest to their lowest, as wide as the typeface's advances make them.
#[derive(Debug, Clone, PartialEq)]
pub struct Words {
    /// What is written.
    pub text: String,
    /// Left edge, in units of the picture.
    pub left: f32,
    /// Upper edge.
    pub top: f32,
    /// Right edge.
    pub right: f32,
    /// Lower edge.
    pub bottom: f32,
}

impl Words {
    /// Whether letters of one could lie on letters of the other; touching edges do not.
    #[must_use]
    pub fn over(&self, other: &Self) -> bool {
        let spare = 0.1;
        self.left + spare < other.right
            && other.left + spare < self.right
            && self.top + spare < other.bottom
            && other.top + spare < self.bottom
    }
}

/// Share of the size that the typeface says it is above the base line (its ascent), more than any letter needs.
const ASCENT: f32 = 0.928;

fn collect(group: &Group, all: &mut Vec<Words>) {
    for node in group.children() {
        match node {
            Node::Group(inner) => collect(inner, all),
            Node::Text(text) => {
                let room = text.abs_bounding_box();
                let size = text.layouted().first().map_or(0.0, |span| span.font_size.get());
                // What the typeface keeps free above its letters is free in the picture, too.
                let spare = size * text.abs_transform().sy.abs() * (ASCENT - ABOVE as f32);
                all.push(Words {
                    text: text.chunks().iter().map(|chunk| chunk.text()).collect::<String>().trim().to_owned(),
                    left: room.left(),
                    top: room.top() + spare,
                    right: room.right(),
                    bottom: room.bottom(),
                });
            }
            _ => {}
        }
    }
}

/// All words of a picture, and its width and height.
///
/// # Errors
/// An SVG that cannot be read.
pub fn words(svg: &str) -> Result<(Vec<Words>, (f32, f32)), PictureError> {
    let options = Options { fontdb: std::sync::Arc::clone(&FONTS), ..Options::default() };
    let tree = Tree::from_str(svg, &options).map_err(|error| PictureError(error.to_string()))?;
    let mut all = Vec::new();
    collect(tree.root(), &mut all);
    Ok((all, (tree.size().width(), tree.size().height())))
}

/// What of a picture's words cannot be read, a line each: words over other words, words beyond the edges.
///
/// # Errors
/// An SVG that cannot be read.
pub fn unreadable(svg: &str) -> Result<Vec<String>, PictureError> {
    let (all, (width, height)) = words(svg)?;
    let mut faults = Vec::new();
    for (number, one) in all.iter().enumerate() {
        if one.left < 0.0 || one.top < 0.0 || one.right > width || one.bottom > height {
            faults.push(format!("\"{}\" is cut off: {one:?} of {width} x {height}", one.text));
        }
        let below = all.iter().skip(number + 1).filter(|other| one.over(other));
        faults.extend(below.map(|other| format!("\"{}\" lies over \"{}\": {one:?}, {other:?}", one.text, other.text)));
    }
    Ok(faults)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(second: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"200\" height=\"60\" font-family=\"sans-serif\" \
             font-size=\"10\"><text x=\"20\" y=\"30\">0000</text>{second}</svg>"
        )
    }

    #[test]
    fn words_over_words_and_beyond_the_edge_are_found() {
        // Four figures of 10 px are 25.4 px wide (1303/2048 em each).
        for (second, faults) in [
            ("<text x=\"46\" y=\"30\">1</text>", 0),
            ("<text x=\"45\" y=\"30\">1</text>", 1),
            ("<text x=\"20\" y=\"40.5\">1</text>", 0),
            ("<text x=\"20\" y=\"39\">1</text>", 1),
            ("<text x=\"200\" y=\"50\" text-anchor=\"end\">1</text>", 0),
            ("<text x=\"195\" y=\"50\">1</text>", 1),
            ("<text x=\"50\" y=\"5\">1</text>", 1),
        ] {
            let found = unreadable(&picture(second)).unwrap();
            assert_eq!(found.len(), faults, "{second}: {found:?}");
        }
    }
}
