//! Choosing run rules: published sets with what they do in view, own rules behind a fold.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Choice, Field, Kind};

use crate::control_charts::rule_sets::{self, RuleSetView};
use crate::control_charts::rules::OWN;

/// Rules that can be entered in the form.
const RULES: usize = 5;

/// What the chooser begins with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Begins {
    /// What is usual for the quantity, which is chosen in the same form.
    WithTheQuantity,
    /// The laboratory's default for single values.
    WithTheDefault,
}

/// A set as a choice: its rules, what they do while all is well, where it is published.
fn choice(set: &RuleSetView) -> Choice {
    let mut alarms = set.false_alarms.clone();
    if let Some(first) = alarms.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    Choice::thing(
        set.name,
        set.name,
        format!("{}.\n{alarms}.\n{} Source: {}.", set.words.join("; "), sentence(set.purpose), set.source),
    )
}

fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}

/// Fields of the rules; `under` is what the API has them under, with its point.
pub(super) async fn fields(under: &str, begins: Begins) -> Result<Vec<Field>, Refusal> {
    let mut choices = Vec::new();
    if begins == Begins::WithTheQuantity {
        let usual = "Single values: daily judgement. Ranges: 1 point above 3 s rejects, 10 of 11 points on one side are looked into. \
            Cumulative sums, moving averages and shares decide by themselves.";
        choices.push(Choice::thing("", "usual for the quantity", usual));
    }
    choices.extend(rule_sets::all().await?.iter().map(choice));
    choices.push(Choice::thing(OWN, "own rules", "Those you enter below, at most five."));
    let set = Field::new(&format!("{under}rule_set"), "Run rules", Kind::Described(choices))
        .part("Rules")
        .help("Chosen before data; they stay. A false alarm is a good run that is doubted. Figures are for independent normal values.");
    let set = match begins {
        Begins::WithTheQuantity => set.optional(),
        Begins::WithTheDefault => set.value("daily judgement"),
    };
    let mut fields = vec![set];
    fields.extend(own_fields(under));
    Ok(fields)
}

fn own_fields(under: &str) -> Vec<Field> {
    let mut fields = Vec::new();
    for line in 0..RULES {
        let name = |field: &str| format!("{under}rules[{line}].{field}");
        let patterns = words(&["beyond", "within", "steady", "alternating"]);
        let pattern = Field::new(&name("pattern"), &format!("Rule {}", line + 1), Kind::List(patterns)).optional();
        fields.push(if line == 0 {
            pattern.fold("Own rules").help("Taken if own rules are chosen above.")
        } else {
            pattern
        });
        fields.push(Field::new(&name("count"), "Points needed", Kind::Whole).optional());
        fields.push(Field::new(&name("of"), "of points looked at", Kind::Whole).optional());
        fields.push(Field::new(&name("sigmas"), "at a distance in s", Kind::Decimal).optional());
        fields
            .push(Field::new(&name("side"), "Side", Kind::List(words(&["same", "any", "upper", "lower"]))).optional());
        let then = Kind::List(words(&["reject", "investigate"]));
        fields.push(Field::new(&name("consequence"), "Consequence", then).optional());
    }
    fields
}
