//! Canonical text of a record, whose digest a signature binds.
//!
//! One line per fact, `path=value`, in the order of the record; numbers as Rust prints them (the shortest text that reads back
//! as the same double), readings as entered. The first line names the form.

use std::fmt::Write as _;

use sha2::{Digest, Sha256};

use crate::determination::facts::{
    Blank, Burette, Factor, Portion, PortionAmount, Record, Rules, Segment, Standing, Titration, Vessel,
};

/// SHA-256 of the canonical text.
pub(super) fn digest(record: &Record) -> [u8; 32] {
    Sha256::digest(text(record).as_bytes()).into()
}

/// The canonical text.
pub(super) fn text(record: &Record) -> String {
    let mut page = Page(String::with_capacity(4096));
    page.0.push_str("ferrotitre record 1\n");
    page.line("id", &record.id);
    page.rules(&record.rules);
    page.portion(&record.portion);
    for blank in &record.blanks {
        page.blank(blank);
    }
    for titration in &record.titrations {
        page.titration(titration);
    }
    page.0
}

struct Page(String);

/// What is written into it stays on one line: line feeds in free words would otherwise forge lines.
struct OneLine<'a>(&'a mut String);

impl std::fmt::Write for OneLine<'_> {
    fn write_str(&mut self, text: &str) -> std::fmt::Result {
        if !text.bytes().any(|byte| matches!(byte, b'\\' | b'\n')) {
            self.0.push_str(text);
            return Ok(());
        }
        for letter in text.chars() {
            match letter {
                '\\' => self.0.push_str("\\\\"),
                '\n' => self.0.push_str("\\n"),
                other => self.0.push(other),
            }
        }
        Ok(())
    }
}

impl Page {
    fn line(&mut self, path: &str, value: impl std::fmt::Display) {
        // Writing to a String cannot fail.
        let _ = write!(self.0, "{path}=");
        let _ = write!(OneLine(&mut self.0), "{value}");
        self.0.push('\n');
    }

    fn rules(&mut self, rules: &Rules) {
        // The derived form names every field, so that none can be forgotten here.
        // A rule that came later is written only where it is chosen: digests signed before it existed stay what they were.
        let text = format!("{rules:?}").replace(", interpolate_factor: false", "");
        self.line("rules", text.replace(", between_runs: None", ""));
    }

    fn vessel(&mut self, path: &str, vessel: &Vessel) {
        self.line(path, format_args!("{} {} {} {:?}", vessel.id, vessel.volume_ml, vessel.u_ml, vessel.dof));
    }

    fn portion(&mut self, portion: &Portion) {
        self.line("portion.id", &portion.id);
        match &portion.amount {
            PortionAmount::Volume(vessel) => self.vessel("portion.volume", vessel),
            PortionAmount::Mass { id, grams, u, dof } => {
                self.line("portion.mass", format_args!("{id} {grams} {u} {dof:?}"))
            }
        }
        for step in &portion.dilution {
            if let Some(pipette) = &step.pipette {
                self.vessel("portion.dilution.pipette", pipette);
            }
            self.vessel("portion.dilution.flask", &step.flask);
        }
        if let Some(aliquot) = &portion.aliquot {
            self.vessel("portion.aliquot", aliquot);
        }
        if let Some(density) = &portion.density {
            self.line("portion.density", format_args!("{} {} {}", density.id, density.value, density.u));
        }
    }

    fn segments(&mut self, path: &str, segments: &[Segment]) {
        for segment in segments {
            self.line(path, format_args!("{} {}", segment.initial.text(), segment.last.text()));
        }
    }

    fn burette(&mut self, path: &str, burette: &Burette) {
        self.line(
            path,
            format_args!(
                "{} {:?} {} {} {:?}",
                burette.id, burette.corrections, burette.resolution_ml, burette.u_ml, burette.dof
            ),
        );
    }

    fn factor(&mut self, path: &str, factor: &Factor) {
        self.line(
            path,
            format_args!("{} {} {} {} {:?}", factor.id, factor.electrons, factor.concentration, factor.u, factor.dof),
        );
        self.following(path, factor);
    }

    /// The factor that followed, where a method interpolates.
    fn following(&mut self, path: &str, factor: &Factor) {
        // Only where there is one, so that digests signed before this existed stay what they were.
        if let Some(next) = &factor.following {
            self.line(
                &format!("{path}.following"),
                format_args!("{} {} {} {:?} {}", next.id, next.concentration, next.u, next.dof, next.passed),
            );
        }
    }

    fn standing(&mut self, path: &str, standing: &Standing) {
        match standing {
            Standing::Counted => self.line(path, "counted"),
            Standing::Superseded => self.line(path, "superseded"),
            Standing::Rejected { cause, reason } => self.line(path, format_args!("rejected {cause}: {reason}")),
        }
    }

    fn blank(&mut self, blank: &Blank) {
        self.line("blank.id", &blank.id);
        self.standing("blank.standing", &blank.standing);
        self.segments("blank.segment", &blank.segments);
        self.line("blank.temperature", format_args!("{:?}", blank.temperature));
        self.burette("blank.burette", &blank.burette);
        self.line("blank.iron_equivalent", format_args!("{:?}", blank.iron_equivalent_ml));
        // Only where there is one, so that digests signed before these existed stay what they were; kind and titrant are fields
        // of the row, which the identity binds, unless its factor was corrected. The factor that followed its own is none of its
        // lines, and is one of the rows that a signature stands over.
        if let Some(factor) = blank.factor.as_ref().filter(|_| blank.corrected) {
            self.factor("blank.factor", factor);
        }
        if let Some(u) = blank.iron_equivalent_u_ml {
            self.line("blank.iron_equivalent.u", u);
        }
        if let Some(added) = &blank.added {
            self.factor("blank.added.factor", &added.factor);
            self.vessel("blank.added.pipette", &added.pipette);
        }
    }

    fn titration(&mut self, titration: &Titration) {
        self.line("titration.id", &titration.id);
        self.line("titration.position", titration.position);
        self.line("titration.kind", format_args!("{:?}", titration.kind));
        self.standing("titration.standing", &titration.standing);
        self.segments("titration.segment", &titration.segments);
        self.line("titration.temperature", format_args!("{:?}", titration.temperature));
        self.factor("titration.factor", &titration.factor);
        self.burette("titration.burette", &titration.burette);
        self.line("titration.reduction", format_args!("{:?}", titration.reduction));
        if let Some(excess) = &titration.excess {
            self.factor("titration.excess.factor", &excess.factor);
            self.vessel("titration.excess.pipette", &excess.pipette);
        }
    }
}
