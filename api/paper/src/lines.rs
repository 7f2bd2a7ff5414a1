//! Words become lines.

use std::rc::Rc;

use unicode_bidi::{BidiInfo, Level};

use crate::document::{Look, Words};
use crate::strip::{BLACK, MM, SOFT, Shade};
use crate::typeface::{Face, Shaped, Shapers};

/// Room between a frame and what is in it.
const FRAME: f32 = 1.2 * MM;
/// From how many characters on a word may be broken anywhere: digests, addresses.
const LONG: usize = 26;
/// Up to how many characters what stands in a frame is not broken.
const SIGN: usize = 20;
/// How much of a long word a column must have room for.
const LONG_NEEDS: f32 = 12.0;

/// How letters look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Style {
    pub(crate) face: Face,
    pub(crate) size: f32,
    pub(crate) shade: Shade,
    pub(crate) framed: bool,
}

impl Style {
    /// Black letters of a size.
    pub(crate) const fn of(size: f32) -> Self {
        Self { face: Face::Regular, size, shade: BLACK, framed: false }
    }

    /// Grey letters of a size.
    pub(crate) const fn soft(size: f32) -> Self {
        Self { shade: SOFT, ..Self::of(size) }
    }

    /// Bold letters of a size.
    pub(crate) const fn bold(size: f32) -> Self {
        Self { face: Face::Bold, ..Self::of(size) }
    }

    /// From one base line to the next.
    pub(crate) fn pitch(self) -> f32 {
        self.size * 1.32
    }

    /// From the upper edge of a line to its base line.
    pub(crate) fn ascent(self) -> f32 {
        self.size * 0.97
    }

    fn looking(self, look: Look) -> Self {
        let smaller = |share: f32| self.size.min((self.size * share).max(6.2));
        match look {
            Look::Plain => self,
            Look::Strong => Self { face: Face::Bold, ..self },
            Look::Quiet => Self { shade: SOFT, size: smaller(0.88), ..self },
            Look::Fine => Self { shade: SOFT, size: smaller(0.78), ..self },
            Look::Framed => Self { framed: true, face: Face::Regular, shade: BLACK, size: self.size.min(7.4) },
        }
    }
}

/// Letters of one style in a line.
#[derive(Debug)]
pub(crate) struct Span {
    pub(crate) x: f32,
    pub(crate) style: Style,
    pub(crate) shaped: Vec<Rc<Shaped>>,
}

/// A line.
#[derive(Debug, Default)]
pub(crate) struct Line {
    pub(crate) spans: Vec<Span>,
    /// Without white space at its end.
    pub(crate) width: f32,
    /// Where frames begin and end, and the size of the letters in them.
    pub(crate) frames: Vec<(f32, f32, f32)>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Sort {
    Word,
    Space,
    Newline,
}

/// A piece of text between two places where a line may end, or a part of it in one style and direction.
#[derive(Debug, Clone)]
struct Piece {
    sort: Sort,
    /// Whether no line may end before it.
    joined: bool,
    shaped: Rc<Shaped>,
    style: Style,
    level: Level,
}

impl Piece {
    fn width(&self) -> f32 {
        self.shaped.width * self.style.size
    }
}

impl Shapers {
    /// Breaks words into lines of at most `width`; there is one at least.
    pub(crate) fn lines(&mut self, words: &Words, style: Style, width: f32) -> Vec<Rc<Line>> {
        let pieces = self.pieces(words, style);
        let mut filler = Filler { width, x: 0.0, line: Vec::new(), lines: Vec::new() };
        for word in pieces.chunk_by(|_, next| next.joined) {
            match word {
                [first, ..] if first.sort == Sort::Newline => filler.end(),
                [first, ..] if first.sort == Sort::Space => filler.space(first),
                _ => self.word(word, &mut filler),
            }
        }
        filler.end();
        filler.lines
    }

    /// One line, however long.
    pub(crate) fn line(&mut self, words: &Words, style: Style) -> Rc<Line> {
        self.lines(words, style, f32::INFINITY).into_iter().next().unwrap_or_default()
    }

    /// How wide words are at least, with every line broken that may be, and at most, on one line.
    pub(crate) fn measure(&mut self, words: &Words, style: Style) -> (f32, f32) {
        let (mut least, mut whole, mut most) = (0.0_f32, 0.0_f32, 0.0_f32);
        for word in self.pieces(words, style).chunk_by(|_, next| next.joined) {
            let width: f32 = word.iter().map(Piece::width).sum();
            match word.first().map(|first| first.sort) {
                Some(Sort::Newline) => whole = 0.0,
                Some(Sort::Space) => whole += width,
                _ => {
                    let characters: usize = word.iter().map(|piece| piece.shaped.text.chars().count()).sum();
                    let needs = if characters >= LONG { width * LONG_NEEDS / characters as f32 } else { width };
                    let frame = if word.iter().any(|piece| piece.style.framed) { 2.0 * FRAME } else { 0.0 };
                    least = least.max(needs + frame);
                    whole += width;
                    most = most.max(whole + frame);
                }
            }
        }
        (least, most)
    }

    fn word(&mut self, word: &[Piece], filler: &mut Filler) {
        let frame = if word.iter().any(|piece| piece.style.framed) { 2.0 * FRAME } else { 0.0 };
        let width = word.iter().map(Piece::width).sum::<f32>() + frame;
        let space = |piece: &Piece| &*piece.shaped.text == " ";
        if filler.x + width <= filler.width + 0.01 {
            word.iter().for_each(|piece| filler.put(piece.clone()));
        } else if width <= filler.width {
            filler.end();
            word.iter().for_each(|piece| filler.put(piece.clone()));
        } else if word.iter().rev().skip(1).any(space) {
            // A sign that is too wide is broken between its words after all.
            word.split_inclusive(space).for_each(|part| self.word(part, filler));
        } else {
            if filler.x > filler.width * 0.75 {
                filler.end();
            }
            for piece in word {
                for letter in self.letters(piece) {
                    if filler.x + letter.width() + frame > filler.width && !filler.line.is_empty() {
                        filler.end();
                    }
                    filler.put(letter);
                }
            }
        }
    }

    /// A piece letter by letter.
    fn letters(&mut self, piece: &Piece) -> Vec<Piece> {
        let mut starts: Vec<usize> = piece.shaped.glyphs.iter().map(|glyph| glyph.start as usize).collect();
        starts.push(piece.shaped.text.len());
        starts.sort_unstable();
        starts.dedup();
        let mut letters = Vec::with_capacity(starts.len());
        for pair in starts.windows(2) {
            if let [start, end] = pair
                && let Some(text) = piece.shaped.text.get(*start..*end)
            {
                let shaped = self.shape(piece.style.face, text, piece.level.is_rtl());
                letters.push(Piece { shaped, ..piece.clone() });
            }
        }
        letters
    }

    fn pieces(&mut self, words: &Words, style: Style) -> Vec<Piece> {
        let levels = levels(words);
        let mut pieces = Vec::new();
        let mut before = 0;
        // Whether a line may end before what comes next.
        let mut free = true;
        for (look, text) in &words.runs {
            let style = style.looking(*look);
            // A state of a few words is one sign, and not broken.
            let sign = *look == Look::Framed && text.chars().count() <= SIGN;
            for (start, end, sort) in cuts(text, |at| levels.get(before + at).copied()) {
                let level = levels.get(before + start).copied().unwrap_or_else(Level::ltr);
                let shaped = match sort {
                    Sort::Word => self.shape(style.face, &text[start..end], level.is_rtl()),
                    Sort::Space | Sort::Newline => self.shape(style.face, " ", level.is_rtl()),
                };
                let inside = sign && start > 0 && sort != Sort::Newline;
                let sort = if inside { Sort::Word } else { sort };
                let joined = sort == Sort::Word && !free || inside;
                pieces.push(Piece { sort, joined, shaped, style, level });
                free = sort != Sort::Word || ends(&text[..end], &text[end..]);
            }
            before += text.len();
        }
        pieces
    }
}

/// Embedding levels of each byte (UAX 9); none if all text runs to the right.
fn levels(words: &Words) -> Vec<Level> {
    // No letter before U+0590 runs to the left.
    if words.runs.iter().all(|(_, text)| text.chars().all(|character| character < '\u{590}')) {
        return Vec::new();
    }
    BidiInfo::new(&words.text(), Some(Level::ltr())).levels
}

/// Cuts a text into words, single spaces and ends of lines; no piece has two directions.
fn cuts(text: &str, level: impl Fn(usize) -> Option<Level>) -> Vec<(usize, usize, Sort)> {
    let mut cuts: Vec<(usize, usize, Sort)> = Vec::new();
    for (at, character) in text.char_indices() {
        let end = at + character.len_utf8();
        let sort = match character {
            '\n' | '\u{2028}' | '\u{2029}' => Sort::Newline,
            ' ' | '\t' => Sort::Space,
            // Control characters show nothing, and no typeface has them.
            _ if character.is_control() => Sort::Space,
            _ => Sort::Word,
        };
        match cuts.last_mut() {
            Some((start, last, Sort::Word))
                if sort == Sort::Word && !ends(&text[..at], &text[at..]) && level(*start) == level(at) =>
            {
                *last = end;
            }
            _ => cuts.push((at, end, sort)),
        }
    }
    cuts
}

/// Whether a line may end inside a word, between these two parts: behind a hyphen or a stroke between two words (not in
/// a code or a unit, such as DR-1 or g/L), and between characters of scripts without spaces.
fn ends(before: &str, after: &str) -> bool {
    let (Some(last), Some(next)) = (before.chars().next_back(), after.chars().next()) else { return false };
    let wide = |character: char| ('\u{2e80}'..='\u{d7a3}').contains(&character) || character >= '\u{20000}';
    match last {
        '-' | '/' | '–' | '—' => {
            let word =
                |text: &mut dyn Iterator<Item = char>| text.take(3).filter(|one| one.is_alphabetic()).count() == 3;
            word(&mut before.chars().rev().skip(1)) && word(&mut after.chars())
        }
        '\u{200b}' => true,
        _ => wide(last) && next.is_alphanumeric() || wide(next) && last.is_alphanumeric(),
    }
}

/// Fills lines.
struct Filler {
    width: f32,
    x: f32,
    line: Vec<Piece>,
    lines: Vec<Rc<Line>>,
}

impl Filler {
    fn put(&mut self, piece: Piece) {
        self.x += piece.width();
        self.line.push(piece);
    }

    /// A space; it is kept at the end of a line, where it parts words for those who read the text, but needs no room there.
    fn space(&mut self, piece: &Piece) {
        if !self.line.is_empty() || self.lines.is_empty() {
            self.put(piece.clone());
        }
    }

    fn end(&mut self) {
        let pieces = std::mem::take(&mut self.line);
        self.lines.push(Rc::new(assembled(pieces)));
        self.x = 0.0;
    }
}

/// Puts pieces beside one another, in the order in which they are seen.
fn assembled(mut pieces: Vec<Piece>) -> Line {
    if pieces.iter().any(|piece| piece.level.is_rtl()) {
        let levels: Vec<Level> = pieces.iter().map(|piece| piece.level).collect();
        let order = BidiInfo::reorder_visual(&levels);
        pieces = order.into_iter().filter_map(|at| pieces.get(at).cloned()).collect();
    }
    let mut line = Line::default();
    let mut x = 0.0;
    let mut framed: Option<(f32, f32)> = None;
    for piece in pieces {
        let style = piece.style;
        if style.framed && framed.is_none() {
            framed = Some((x, style.size));
            x += FRAME;
        } else if !style.framed
            && let Some((start, size)) = framed.take()
        {
            x += FRAME;
            line.frames.push((start, x, size));
        }
        let wide = piece.width();
        match line.spans.last_mut() {
            Some(span) if span.style == style => span.shaped.push(piece.shaped),
            _ => line.spans.push(Span { x, style, shaped: vec![piece.shaped] }),
        }
        x += wide;
        if piece.sort == Sort::Word {
            line.width = x;
        }
    }
    if let Some((start, size)) = framed {
        line.width += FRAME;
        line.frames.push((start, line.width, size));
    }
    line
}
