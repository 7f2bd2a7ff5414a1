//! One-pass, mergeable summaries.
