//! Figures of a bundle: computed again, compared with the rows they come from, with what was signed and with what was printed.

use ferrotitre_core::rounding::{Ties, report};
use serde_json::Value;

use super::parts::{Content, Event, Rows};
use super::{Refused, chart, only, study, text};
use crate::graph::{Recomputed, Recorded, recompute};
use crate::json::Row;
use crate::sentences::{Found, counted};

/// A figure as it is printed.
struct Printed<'a> {
    text: &'a str,
    value: &'a str,
    expanded: &'a str,
    factor: f64,
    unit: &'a str,
    below_loq: bool,
}

impl<'a> Printed<'a> {
    fn read(figure: &'a Value) -> Result<Self, Refused> {
        let printed = &figure["printed"];
        only(printed, &["below_loq", "coverage_factor", "expanded_uncertainty", "text", "unit", "value"], "printed")?;
        Ok(Self {
            text: text(printed, "text")?,
            value: text(printed, "value")?,
            expanded: text(printed, "expanded_uncertainty")?,
            factor: printed["coverage_factor"].as_f64().ok_or("coverage_factor is missing")?,
            unit: text(printed, "unit")?,
            below_loq: printed["below_loq"].as_bool().ok_or("below_loq is missing")?,
        })
    }

    /// Whether the unrounded result, rounded, is what is printed. Which of the two rules for ties holds is the method's.
    fn follows(&self, from: &Recomputed) -> bool {
        let of = |ties| report(from.value, from.u * self.factor, ties);
        let same = |ties| {
            of(ties).is_some_and(|one| {
                (one.value.as_str(), one.expanded_uncertainty.as_str()) == (self.value, self.expanded)
            })
        };
        // What is below the limit of quantification is printed as that; anything else as its rounded value.
        let worded = if self.below_loq { self.text.starts_with('<') } else { self.text == self.value };
        worded && self.unit == from.unit && (same(Ties::HalfEven) || same(Ties::HalfUp))
    }

    fn sentence(&self) -> String {
        format!("{} +- {} {} (k = {:.2})", self.text, self.expanded, self.unit, self.factor)
    }
}

pub(super) fn check(figure: &Value, content: &Content, rows: &Rows<'_>, found: &mut Found) -> Result<(), Refused> {
    only(figure, &["code", "graph", "id", "kind", "printed", "signed"], "a figure")?;
    let (kind, id, code) = (text(figure, "kind")?, text(figure, "id")?, text(figure, "code")?);
    let graph = &figure["graph"];
    if (graph["kind"].as_str(), graph["id"].as_str()) != (Some(kind), Some(id)) {
        return Err(format!("the working of {code} is that of something else"));
    }
    let again = recompute(graph).map_err(|error| format!("{code}: {error}"))?;
    let of = text(figure, "signed")?;
    // Without a signature nobody stands for the working: it follows, but from what the bundle itself says.
    let (phase, plain) = (kind == "chart_phase", matches!(kind, "chart_phase" | "study_statistic"));
    let stands = signed(content, of).iter().any(|sign| if phase { approves(sign) } else { freezes(sign) });
    let followed = |found: &mut Found, line| if stands { found.proved.push(line) } else { found.noted.push(line) };
    followed(
        found,
        format!(
            "{code}: {} of its working, computed again with the operations of core, lead to {}{}",
            counted(again.nodes, "step"),
            again.value,
            if plain { String::new() } else { format!(" {} (u = {})", again.unit, again.u) }
        ),
    );
    leaves(code, &again, rows, found)?;
    if again.published > 0 {
        found.noted.push(format!(
            "{code}: {} stated by the working alone, as published or of the method; no event says them",
            if again.published == 1 { "1 number is".to_owned() } else { format!("{} numbers are", again.published) }
        ));
    }
    if of != content.subject {
        gone((code, of), content, found);
    }
    match kind {
        "chart_phase" => return chart::limit(content, (figure, code), &again, found),
        "study_statistic" => return study::statistic(content, (figure, code), &again, found),
        _ => {}
    }
    let printed = if figure["printed"].is_null() { None } else { Some(Printed::read(figure)?) };
    if let Some(printed) = &printed {
        if !printed.follows(&again) {
            return Err(format!(
                "{code}: {} {} does not round to the printed {}",
                again.value,
                again.unit,
                printed.sentence()
            ));
        }
        followed(found, format!("{code}: that is, rounded once, the printed {}", printed.sentence()));
    }
    signatures((code, of), (&again, printed.as_ref()), (content, rows), found)
}

/// Says so where a thing is a result, or a titrant in use, no longer.
pub(super) fn gone((code, id): (&str, &str), content: &Content, found: &mut Found) {
    let Some((event, row)) = moves(content, id).last().map(|(_, event, row)| (event, row)) else { return };
    let words = |field: &str| row.words(field).unwrap_or_default();
    let state = words("to_state");
    if matches!(state.as_str(), "invalidated" | "cancelled" | "withdrawn" | "rejected" | "failed" | "expired") {
        found.noted.push(format!(
            "{code}: NO LONGER IN FORCE: in the last state this bundle knows it is {state}, since {}: {}",
            event.at,
            row.words("reason").or_else(|| row.words("cause")).unwrap_or_else(|| "no reason is on record".to_owned())
        ));
    }
}

/// Moves of a thing between its states, with their places among the events.
pub(super) fn moves<'a>(content: &'a Content, id: &str) -> impl Iterator<Item = (usize, &'a Event, &'a Row)> {
    let moves = content.events.iter().enumerate().filter(|(_, event)| event.kind == "state_moves");
    moves
        .filter_map(|(place, event)| Some((place, event, event.row.as_ref()?)))
        .filter(move |(_, _, row)| row.words("entity_id").as_deref() == Some(id))
}

/// Rows that a leaf is said to come from: one by its identity, or by its code every version of a thing.
fn stated_by<'a>(leaf: &Recorded, rows: &Rows<'a>) -> Vec<&'a Row> {
    if let Some(row) = rows.get(&(leaf.kind.as_str(), leaf.id.as_str())).and_then(|event| event.row.as_ref()) {
        return vec![row];
    }
    let of_kind = rows.values().filter(|event| event.kind == leaf.kind).filter_map(|event| event.row.as_ref());
    of_kind.filter(|row| row.words("code").as_deref() == Some(&leaf.id)).collect()
}

/// Whether a row states the number of a leaf; none where it has no such field.
fn states(row: &Row, leaf: &Recorded) -> Option<bool> {
    let raw = row.raw(&leaf.field).filter(|raw| *raw != "null")?;
    if leaf.field == "expanded_uncertainty" {
        // A certificate states U and k; the working begins with u.
        let factor = row.raw("coverage_factor").and_then(|factor| factor.parse::<f64>().ok());
        return Some(raw.parse::<f64>().ok().zip(factor).is_some_and(|(expanded, k)| expanded / k == leaf.value));
    }
    Some(row.holds(&leaf.field, leaf.value, leaf.entered.as_deref()))
}

/// Every number that a record is said to state stands in the event of that record.
fn leaves(code: &str, again: &Recomputed, rows: &Rows<'_>, found: &mut Found) -> Result<(), Refused> {
    let (mut compared, mut derived) = (0, 0);
    for leaf in &again.recorded {
        let found = stated_by(leaf, rows);
        if found.is_empty() {
            return Err(format!(
                "{code}: {} comes from {} {}, which is not in the bundle",
                leaf.symbol, leaf.kind, leaf.id
            ));
        }
        let states: Vec<bool> = found.iter().filter_map(|row| states(row, leaf)).collect();
        if states.is_empty() {
            derived += 1;
        } else if states.contains(&true) {
            compared += 1;
        } else {
            return Err(format!(
                "{code}: {} is {} in the working, but {} of {} {} is {}",
                leaf.symbol,
                leaf.entered.clone().unwrap_or_else(|| leaf.value.to_string()),
                leaf.field,
                leaf.kind,
                leaf.id,
                found[0].raw(&leaf.field).unwrap_or_default()
            ));
        }
    }
    found.proved.push(format!(
        "{code}: {} that it starts from, digit for digit as in events of the bundle",
        counted(compared, "recorded number")
    ));
    if derived > 0 {
        found.noted.push(format!(
            "{code}: {} made of other fields of their records, which are in the bundle to be read",
            if derived == 1 { "1 number is".to_owned() } else { format!("{derived} numbers are") }
        ));
    }
    let from_records = |table: &Vec<(f64, f64)>| {
        rows.values().any(|event| event.row.as_ref().is_some_and(|row| row.holds_table(table)))
    };
    if let Some(stray) = again.tables.iter().position(|table| !from_records(table)) {
        return Err(format!("{code}: correction table {stray} stands in no event of the bundle"));
    }
    Ok(())
}

/// The figure an evaluation kept with a signature holds: unrounded value and u, and the reported text.
fn kept(evaluation: &Value, unit: &str) -> Option<(f64, f64)> {
    if let Some(figures) = evaluation["figures"].as_array() {
        let reported = figures.iter().filter(|figure| figure["unit"] == unit);
        return reported.filter_map(|figure| Some((figure["value"].as_f64()?, figure["u"].as_f64()?))).next();
    }
    Some((evaluation["value"].as_f64().or_else(|| evaluation["concentration"].as_f64())?, evaluation["u"].as_f64()?))
}

fn is_kept(evaluation: &Value, again: &Recomputed) -> bool {
    let same = |found: (f64, f64)| found == (again.value, again.u);
    evaluation["figures"].as_array().map_or_else(
        || kept(evaluation, &again.unit).is_some_and(same),
        |figures| {
            figures.iter().any(|figure| {
                figure["unit"] == again.unit.as_str()
                    && figure["value"].as_f64().zip(figure["u"].as_f64()).is_some_and(same)
            })
        },
    )
}

/// The move that took a signature back, if one did: an amendment or a return that stands behind it in the log.
fn taken_back<'a>(content: &'a Content, id: &str, signature: &Event) -> Option<&'a Event> {
    let signed = content.events.iter().position(|event| event.id == signature.id)?;
    let back = |row: &Row| matches!(row.words("to_state").as_deref(), Some("amended" | "returned"));
    moves(content, id).find(|(place, _, row)| *place > signed && back(row)).map(|(_, event, _)| event)
}

/// Signatures on a thing, oldest first.
pub(super) fn signed<'a>(content: &'a Content, id: &str) -> Vec<(&'a Event, &'a Row)> {
    let signs = content.events.iter().filter(|event| event.kind == "sign_offs");
    signs
        .filter_map(|event| Some((event, event.row.as_ref()?)))
        .filter(|(_, row)| row.words("entity_id").as_deref() == Some(id))
        .collect()
}

/// Says who signed a thing; every signature is by the account that acted, and over this content where one is given.
pub(super) fn vouched(
    content: &Content,
    (id, name): (&str, &str),
    over: Option<&str>,
    found: &mut Found,
) -> Result<(), Refused> {
    for (event, sign) in signed(content, id) {
        if event.actor != sign.words("recorded_by") {
            return Err(format!("{name}: a signature is in the name of another account than the one that gave it"));
        }
        if over.is_some_and(|digest| sign.text("content_digest") != digest) {
            return Err(format!("{name}: a signature is over something else"));
        }
        found.proved.push(format!(
            "{name}: {} signed \"{}\" at {}",
            sign.text("printed_name"),
            sign.text("statement"),
            event.at
        ));
    }
    Ok(())
}

/// Whether a signature stands over a figure.
fn freezes((_, row): &(&Event, &Row)) -> bool {
    row.words("evaluation").is_some() && !matches!(row.words("meaning").as_deref(), Some("rejected" | "witnessed"))
}

/// Whether a signature approves what a phase of a chart is.
fn approves((_, row): &(&Event, &Row)) -> bool {
    row.words("meaning").as_deref() == Some("approved")
}

fn signatures(
    (code, id): (&str, &str),
    (again, printed): (&Recomputed, Option<&Printed<'_>>),
    (content, rows): (&Content, &Rows<'_>),
    found: &mut Found,
) -> Result<(), Refused> {
    let signs = signed(content, id);
    let Some(standing) = signs.iter().rposition(freezes) else {
        found.noted.push(format!("{code}: no signature stands over this figure"));
        return Ok(());
    };
    let (event, row) = signs[standing];
    let words = |field: &str| row.words(field).unwrap_or_default();
    let evaluation: Value = serde_json::from_str(&words("evaluation")).unwrap_or_default();
    if let Some(step) = taken_back(content, id, event) {
        found.noted.push(format!(
            "{code}: what was signed was taken back at {}; the figure is that of the rows as they stand now",
            step.at
        ));
        return Ok(());
    }
    if !is_kept(&evaluation, again) {
        return Err(format!("{code}: the figure computed again is not the one that was signed"));
    }
    if let Some(printed) = printed {
        let reported = &evaluation["reported"];
        let said = (reported["text"].as_str(), reported["expanded_uncertainty"].as_str());
        if said != (Some(printed.text), Some(printed.expanded)) {
            return Err(format!("{code}: what is printed is not what was signed"));
        }
    }
    for (event, row) in &signs {
        let words = |field: &str| row.words(field).unwrap_or_default();
        if event.actor != row.words("recorded_by") {
            return Err(format!("{code}: a signature is in the name of another account than the one that gave it"));
        }
        let same = words("content_digest") == signs[standing].1.words("content_digest").unwrap_or_default();
        found.proved.push(format!(
            "{code}: {} signed \"{}\" at {}, over {}",
            words("printed_name"),
            words("statement"),
            event.at,
            if same { "this content" } else { "an earlier content" }
        ));
    }
    let same = |row: &Row| row.words("content_digest") == signs[standing].1.words("content_digest");
    let these = signs.iter().filter(|(_, row)| same(row)).filter_map(|(_, row)| row.words("id")).collect();
    pins((code, these), (content, rows), found)
}

/// Every row that the signatures on this content stand over is in the bundle.
fn pins(
    (code, signs): (&str, Vec<String>),
    (content, rows): (&Content, &Rows<'_>),
    found: &mut Found,
) -> Result<(), Refused> {
    let mut all = content.events.iter().filter(|event| event.kind == "pins").filter_map(|event| event.row.as_ref());
    let Some(pinned) = all.find(|row| row.words("sign_off_id").is_some_and(|id| signs.contains(&id))) else {
        found
            .noted
            .push(format!(
                "{code}: no event of this bundle says which rows its signatures stand over: they are of an early release, or it was left out"
            ));
        return Ok(());
    };
    let (kinds, ids) = (pinned.list("kinds").unwrap_or_default(), pinned.list("row_ids").unwrap_or_default());
    let missing = kinds.iter().zip(&ids).find(|(kind, id)| !rows.contains_key(&(kind.as_str(), id.as_str())));
    if let Some((kind, id)) = missing {
        return Err(format!("{code}: the signature stands over {kind} {id}, which is not in the bundle"));
    }
    found
        .proved
        .push(format!("{code}: {} that the signature stands over are all in the bundle", counted(ids.len(), "row")));
    Ok(())
}
