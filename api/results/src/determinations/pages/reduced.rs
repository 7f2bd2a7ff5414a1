//! The checklist of a reduction at the bench.

use ferrotitre_core::chemistry::Reduction;
use ferrotitre_html::form::{Choice, Field, Kind};

/// The checklist of a reduction, in colour words.
pub(super) fn reduction_fields(entry: &Reduction) -> Vec<Field> {
    let name = |field: &str| format!("reduction.{field}");
    let mut fields = vec![
        Field::new(&name("solution_clear"), "Solution clear before", Kind::YesNo)
            .optional()
            .part("Reduction, step by step"),
    ];
    let tin = entry.code.contains("tin(II)");
    if tin {
        fields
            .push(Field::new(&name("temperature_at_stannous"), "Temperature at tin(II), °C", Kind::Decimal).optional());
        let ends = vec![
            Choice::thing("colourless", "colourless", "to faint green"),
            Choice::thing("pale yellow", "pale yellow", "on purpose, before titanium(III)"),
            Choice::thing("still yellow", "still yellow", "iron(III) is left"),
        ];
        fields.push(Field::new(&name("stannous_end"), "Colour at the end of tin(II)", Kind::Choice(ends)).optional());
        fields.push(Field::new(&name("stannous_excess_drops"), "Drops of tin(II) beyond", Kind::Whole).optional());
    }
    if entry.mercury {
        let seen = vec![
            Choice::thing("slight white", "slight, white, silky", "as it must be"),
            Choice::thing("heavy white", "heavy white", "too much tin(II)"),
            Choice::thing("grey", "grey", "metallic mercury"),
            Choice::thing("black", "black", "metallic mercury"),
            Choice::thing("none", "none", "too little tin(II)"),
        ];
        fields.push(
            Field::new(&name("temperature_at_mercury"), "Temperature at mercury(II), °C", Kind::Decimal).optional(),
        );
        fields.push(
            Field::new(&name("mercury_in_one_portion"), "Mercury(II) in one rapid portion", Kind::YesNo).optional(),
        );
        fields.push(Field::new(&name("precipitate"), "Precipitate", Kind::Choice(seen)).help(
            "Anything but slight white is recorded as a failed reduction: nothing titrated from it counts. Poured away before titrating: enter the same initial and final reading.",
        ));
    } else {
        fields.push(Field::new(&name("checkpoint_seen"), "Checkpoint seen", Kind::YesNo).help(format!(
            "{}. Not seen: the reduction failed and nothing titrated from it counts.",
            entry.checkpoint
        )));
    }
    fields.push(Field::new(&name("phosphoric_acid"), "Phosphoric acid added", Kind::YesNo).optional());
    fields.push(Field::new(&name("standing_minutes"), "Minutes from reduction to titration", Kind::Decimal).optional());
    fields.push(Field::new(&name("note"), "Words about the reduction", Kind::Text).optional());
    fields
}

#[cfg(test)]
mod tests {
    use ferrotitre_core::chemistry::reduction;

    use super::*;

    #[test]
    fn the_checklist_of_a_mercury_free_reduction_asks_for_its_checkpoint_and_no_precipitate() {
        let names = |code: &str| {
            let fields = reduction_fields(reduction(code).unwrap());
            fields.into_iter().map(|field| field.name).collect::<Vec<_>>()
        };
        let free = names("tin(II) and titanium(III)");
        assert!(free.contains(&"reduction.checkpoint_seen".to_owned()), "{free:?}");
        assert!(!free.contains(&"reduction.precipitate".to_owned()), "{free:?}");
        let mercury = names("tin(II) and mercury(II)");
        assert!(mercury.contains(&"reduction.precipitate".to_owned()), "{mercury:?}");
    }
}
