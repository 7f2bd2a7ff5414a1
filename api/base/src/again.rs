//! What came of evaluating again what was signed, for whoever checks the store.

use std::fmt::Write as _;

/// What came of it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Again {
    /// Signatures whose content follows from the rows they stand over.
    pub agree: usize,
    /// Signatures over what other formulae gave, whose rows still have the digest that was signed.
    pub of_other_formulae: usize,
    /// Signatures of an earlier release that are marked as fitting no rows.
    pub unpinned: usize,
    /// What does not follow, in words.
    pub findings: Vec<String>,
}

impl Again {
    /// As a line of a report on signatures over this.
    #[must_use]
    pub fn text(&self, what: &str) -> String {
        let mut page = format!("{} {what} evaluated again from the rows they stand over", self.agree);
        // Writing to a String cannot fail.
        if self.of_other_formulae > 0 {
            let _ = write!(
                page,
                "; {} more are of other formulae: their rows have the digest that was signed",
                self.of_other_formulae
            );
        }
        if self.unpinned > 0 {
            let _ = write!(page, "; {} signatures of an earlier release stand over no rows", self.unpinned);
        }
        page
    }
}
