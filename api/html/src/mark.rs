//! What a printed figure can be checked by: a symbol with its code, the digest of what was printed and the head of the audit tree,
//! and the same in letters that copy as they stand.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_paper::{Block, Level, Picture, Width, Words};

use crate::symbol::Symbol;

/// Side of a symbol on paper, mm: its modules are then half a millimetre, which a camera reads.
const SYMBOL_MM: f32 = 32.0;

/// The head of the audit tree when something was printed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Head {
    /// Number of events under it.
    pub size: i64,
    /// Root, hexadecimal.
    pub root: String,
}

impl Head {
    /// As `ferrotitre verify --kept-head` takes it.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{}:{}", self.size, self.root)
    }
}

/// What a printed figure can be checked by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// Code of the thing.
    pub code: String,
    /// SHA-256 of its content, hexadecimal.
    pub digest: String,
    /// None before anything was sealed.
    pub head: Option<Head>,
}

impl Mark {
    /// What the symbol says.
    #[must_use]
    pub fn text(&self) -> String {
        let Self { code, digest, head } = self;
        let head = head.as_ref().map(|head| format!(" tree {}", head.text())).unwrap_or_default();
        format!("{code} sha256 {digest}{head}")
    }

    /// The code of a text that was read from such a symbol.
    #[must_use]
    pub fn code_of(text: &str) -> Option<&str> {
        text.trim().split_once(" sha256 ").map(|(code, _)| code)
    }

    /// As it is printed.
    ///
    /// # Errors
    /// A symbol that cannot be drawn, which is a mistake of ours.
    pub fn blocks(&self) -> Result<Vec<Block>, Refusal> {
        let svg = Symbol::of(&self.text())?.svg();
        let (words, tree) = match &self.head {
            Some(head) => (
                "code, digest of the record, and the head of the audit tree when this was printed: its events and its root",
                Some(format!("tree {}", head.text())),
            ),
            None => ("code and digest of the record; nothing had been sealed in the audit tree yet", None),
        };
        let caption = format!("Data Matrix of {words}.");
        let mut lines = vec![format!("{} sha256", self.code), self.digest.clone()];
        lines.extend(tree);
        Ok(vec![
            Block::Heading(Level::Section, "To check this print by".into()),
            Block::Picture(Picture { svg, caption, width: Width::Millimetres(SYMBOL_MM) }),
            Block::Lines(lines.into_iter().map(|line| Words::default().fine(line)).collect()),
        ])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mark_says_its_code_its_digest_and_the_head_as_verify_takes_it() {
        let head = Head { size: 1812, root: "ab".repeat(32) };
        let mark = Mark { code: "DET-1".to_owned(), digest: "01".repeat(32), head: Some(head) };
        assert_eq!(mark.text(), format!("DET-1 sha256 {} tree 1812:{}", "01".repeat(32), "ab".repeat(32)));
        assert_eq!(Mark::code_of(&mark.text()), Some("DET-1"));
        assert_eq!(Mark::code_of("DET-1"), None);
        assert!(!Mark { head: None, ..mark }.text().contains("tree"));
    }
}
