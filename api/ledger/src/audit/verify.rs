//! The check of a whole store, which shares only the canonical form with the writer.

use std::fmt::Write as _;

use ed25519_dalek::VerifyingKey;
use ferrotitre_base::db::Connection;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::merkle::{Frontier, Hash};

use crate::audit::{seal, store};

/// A tree head kept outside the store.
#[derive(Debug, Clone)]
pub struct KeptHead {
    /// Number of leaves.
    pub tree_size: u64,
    /// Root.
    pub root: Hash,
}

/// What the check found.
#[derive(Debug, Default)]
pub struct Report {
    /// Leaves recomputed.
    pub leaves: u64,
    /// Heads whose signature and root were checked.
    pub heads: u64,
    /// Tables whose rows were compared with their events.
    pub tables: usize,
    /// Everything that does not fit.
    pub findings: Vec<String>,
}

impl Report {
    /// As a page of text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = format!(
            "{} leaves recomputed, {} signed tree heads checked, rows of {} tables compared with their events\n",
            self.leaves, self.heads, self.tables
        );
        for finding in &self.findings {
            // Writing to a String cannot fail.
            let _ = writeln!(text, "NOT RIGHT: {finding}");
        }
        text.push_str(if self.findings.is_empty() {
            "nothing was altered\n"
        } else {
            "the log does not prove these records\n"
        });
        text
    }
}

/// Recomputes every leaf, every root and every signature, and compares every record with its event.
///
/// # Errors
/// A store that cannot be read; what is wrong with its contents is in the report.
pub async fn check(connection: &Connection, key: &VerifyingKey, kept: &[KeptHead]) -> Result<Report, Refusal> {
    store::use_utc(connection).await?;
    let mut report = Report::default();
    let heads = store::list_heads(connection, i64::MAX, i64::MAX).await?;
    let mut heads = heads.into_iter().rev().peekable();
    check_tree(connection, &mut heads, key, kept, &mut report).await?;
    for mismatch in store::forgotten_events(connection).await? {
        report.findings.push(format!("{}: {}", mismatch.what, mismatch.id.unwrap_or_default()));
    }
    for table in store::audited_tables(connection).await? {
        for mismatch in store::altered_rows(connection, &table).await? {
            report.findings.push(format!("{}: {}", mismatch.what, mismatch.id.unwrap_or_default()));
        }
        report.tables += 1;
    }
    for kind in EntityKind::ALL {
        for mismatch in store::misplaced(connection, kind).await? {
            report.findings.push(format!("{}: {}", mismatch.what, mismatch.id.unwrap_or_default()));
        }
    }
    Ok(report)
}

type Heads = std::iter::Peekable<std::iter::Rev<std::vec::IntoIter<store::HeadRow>>>;

async fn check_tree(
    connection: &Connection,
    heads: &mut Heads,
    key: &VerifyingKey,
    kept: &[KeptHead],
    report: &mut Report,
) -> Result<(), Refusal> {
    let mut frontier = Frontier::new();
    let mut next = 0;
    loop {
        let stretch = store::sealed_events(connection, next, 5000).await?;
        if stretch.is_empty() {
            break;
        }
        for (index, stored, event) in stretch {
            report.findings.extend((next..index).map(|gap| format!("leaf {gap} is missing")));
            let whole = frontier.size().cast_signed() == index;
            next = index + 1;
            let leaf = event.leaf();
            if leaf.as_slice() != stored {
                report.findings.push(format!("event {} differs from its leaf {index}", event.id));
            }
            report.leaves += 1;
            // Without a leaf no later root can be recomputed, but every event still has to fit its own leaf.
            if !whole {
                continue;
            }
            frontier.append(leaf);
            while let Some(head) = heads.next_if(|head| head.tree_size == frontier.size().cast_signed()) {
                report.heads += 1;
                if head.root_hash != frontier.root() {
                    report.findings.push(format!("the tree head of size {} has another root", head.tree_size));
                }
                if head.key_id != seal::key_id(key) || !seal::signature_holds(key, &head) {
                    report.findings.push(format!("the signature of the tree head of size {} is wrong", head.tree_size));
                }
            }
            for head in kept.iter().filter(|head| head.tree_size == frontier.size()) {
                if head.root != frontier.root() {
                    report.findings.push(format!(
                        "the kept head of size {} has another root: the log was rewritten",
                        head.tree_size
                    ));
                }
            }
        }
    }
    for head in heads {
        report.findings.push(format!("the tree head of size {} has no leaves up to there", head.tree_size));
    }
    for head in kept.iter().filter(|head| head.tree_size > frontier.size()) {
        report
            .findings
            .push(format!("the kept head of size {} is beyond the log: its end was cut off", head.tree_size));
    }
    Ok(())
}
