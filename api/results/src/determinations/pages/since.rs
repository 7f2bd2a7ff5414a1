//! What touched a signed result since its signature, beside what was signed.

use crate::determinations::signed::EarlierFigure;
use crate::determinations::since::SinceSignature;
use ferrotitre_bench::impacts::wire::TouchView;
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;

/// Sections of what happened since the signature, and of figures that stood before; none where there is nothing to say.
pub(super) fn sections(shell: &Shell, since: Option<&SinceSignature>, earlier: &[EarlierFigure]) -> Vec<Section> {
    let mut sections = Vec::new();
    if let Some(since) = since {
        sections.push(Section::new("since", "Since the signature", Part::Alert(words(shell, since))));
        sections.extend(touched(&since.touched));
    }
    sections.extend(before(shell, earlier));
    sections
}

fn words(shell: &Shell, since: &SinceSignature) -> Vec<String> {
    since.words.iter().map(|words| shell.n(words)).collect()
}

/// What touched it, with what was decided.
pub(super) fn touched(touched: &[TouchView]) -> Option<Section> {
    if touched.is_empty() {
        return None;
    }
    let row = |one: &TouchView| {
        vec![
            Cell::link(one.what.clone(), format!("/impacts/{}", one.impact)),
            Cell::text(show::time(one.at)),
            Cell::text(match (&one.decision, &one.reason) {
                (Some(decision), Some(reason)) => format!("{decision}: {reason}"),
                _ => "to be decided".to_owned(),
            }),
        ]
    };
    let table = Table {
        columns: vec!["What happened", "Recorded", "Decision"],
        rows: touched.iter().map(row).collect(),
        ..Table::default()
    };
    Some(Section::new("touched", "Later changes that affect it", Part::Table(table)))
}

/// Figures that stood until they were taken back.
pub(super) fn before(shell: &Shell, earlier: &[EarlierFigure]) -> Option<Section> {
    if earlier.is_empty() {
        return None;
    }
    let row = |one: &EarlierFigure| {
        let reported = &one.reported;
        vec![
            Cell::number(format!("{} ± {}", shell.n(&reported.text), shell.n(&reported.expanded_uncertainty))),
            Cell::text(reported.unit.clone()),
            Cell::text(show::time(one.signed_at)),
            Cell::text(format!("{} {}", one.ended, show::time(one.ended_at))),
            Cell::text(one.reason.clone().unwrap_or_default()),
        ]
    };
    let table = Table {
        columns: vec!["Figure", "Unit", "Signed", "Withdrawn", "Why"],
        rows: earlier.iter().map(row).collect(),
        ..Table::default()
    };
    Some(Section::new("earlier", "Earlier figures", Part::Table(table)))
}
