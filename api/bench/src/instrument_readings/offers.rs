//! Readings that wait, offered where a form takes a mass or a burette reading. A button fills them in; the person looks at them,
//! and saves. Works without scripts: the form comes back with everything entered.

use chrono::{Duration, Utc};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_html::form::{Form, Offer, Offers, RESHAPE, Sent};
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::instrument_readings::service;
use crate::instrument_readings::wire::ReadingView;

/// Older readings are not offered; they stay in the list.
const HOURS: i64 = 12;
/// Readings offered at once.
const MOST: i64 = 6;

/// Fields that carry what was accepted.
const SLOTS: [(&str, &str); 4] = [
    ("accepted[0].field", "accepted[0].reading"),
    ("accepted[1].field", "accepted[1].reading"),
    ("accepted[2].field", "accepted[2].reading"),
    ("accepted[3].field", "accepted[3].reading"),
];

/// A field that a reading can fill.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    pub field: &'static str,
    /// As a button says it, after "Accept as".
    pub words: &'static str,
    pub of: Of,
}

/// Whose readings fill a field.
#[derive(Debug, Clone, Copy)]
pub enum Of {
    /// Those of what can be chosen in this field.
    Field(&'static str),
    /// Those of one piece.
    One(Uuid),
}

/// The mass of a form with one.
pub const MASS: [Place; 1] = [Place { field: "mass_g", words: "mass", of: Of::Field("balance") }];

/// Readings of a burette, of one filling.
pub const BURETTE: [Place; 2] = [
    Place { field: "initial_readings[0]", words: "initial reading", of: Of::Field("burette") },
    Place { field: "final_readings[0]", words: "final reading", of: Of::Field("burette") },
];

/// Offers readings, and fills in the one whose button was pressed.
pub async fn offer(db: &Db, form: &mut Form, sent: &mut Sent, places: &[Place]) -> Result<(), Refusal> {
    for (field, reading) in SLOTS {
        form.hidden.push((field, String::new()));
        form.hidden.push((reading, String::new()));
    }
    let candidates = |place: &Place| -> Vec<Uuid> {
        let name = match place.of {
            Of::Field(name) => name,
            Of::One(piece) => return vec![piece],
        };
        let field = form.fields.iter().find(|field| field.name == name);
        let choices = field.map(|field| field.choices()).unwrap_or_default();
        choices.iter().filter_map(|choice| choice.value.parse().ok()).collect()
    };
    let of_places: Vec<Vec<Uuid>> = places.iter().map(candidates).collect();
    let mut pieces: Vec<Uuid> = of_places.iter().flatten().copied().collect();
    pieces.sort();
    pieces.dedup();
    let since = Utc::now() - Duration::hours(HOURS);
    let Some(waiting) = service::unused(db, &pieces, since, MOST).await? else { return Ok(()) };
    if let Some((place, reading)) = pressed(sent, places) {
        fill(db, form, sent, place, reading).await?;
    }
    let accepted = kept(db, sent, places).await?;
    let people: Vec<Uuid> = waiting.iter().map(|one| one.recorded_by.0).collect();
    let people = accounts::names(db, &people).await?;
    let sender = |id: Uuid| people.get(&id).cloned().unwrap_or_default();
    let chosen: Vec<Uuid> = accepted.iter().map(|(reading, _)| *reading).collect();
    let waiting = waiting.iter().filter(|one| !chosen.contains(&one.id.0)).map(|one| {
        let fits = places.iter().zip(&of_places).filter(|(_, pieces)| pieces.contains(&one.equipment));
        let way = |(place, _): (&Place, _)| {
            (format!("Accept as {}", place.words), format!("accept {} {}", place.field, one.id))
        };
        Offer {
            instrument: one.equipment_code.clone(),
            reading: format!("{} {}", one.value, one.unit),
            when: format!("{}, sent by {}", show::ago(one.observed_at), sender(one.recorded_by.0)),
            ways: fits.map(way).collect(),
        }
    });
    form.offers =
        Some(Offers { waiting: waiting.collect(), accepted: accepted.into_iter().map(|(_, words)| words).collect() });
    Ok(())
}

/// The place and the reading of the button that was pressed.
fn pressed<'a>(sent: &Sent, places: &'a [Place]) -> Option<(&'a Place, Uuid)> {
    let mut words = sent.get(RESHAPE).strip_prefix("accept ")?.split(' ');
    let place = places.iter().find(|place| Some(place.field) == words.clone().next())?;
    Some((place, words.nth(1)?.parse().ok()?))
}

/// Puts a reading into its field, and its instrument into the field of the instrument.
async fn fill(db: &Db, form: &mut Form, sent: &mut Sent, place: &Place, reading: Uuid) -> Result<(), Refusal> {
    let Some(found) = service::several(db, &[reading]).await?.pop() else { return Ok(()) };
    if let Some(use_of) = &found.accepted_for {
        let detail = format!("Accepted {} for another record.", show::time(use_of.recorded_at));
        form.trouble = Some((format!("{} {} was not filled in", found.value, found.unit), detail));
        return Ok(());
    }
    let slot = SLOTS.iter().find(|(field, _)| sent.get(field) == place.field);
    let Some((field, id)) = slot.or_else(|| SLOTS.iter().find(|(field, _)| sent.get(field).is_empty())) else {
        return Ok(());
    };
    sent.set(field, place.field);
    sent.set(id, reading);
    sent.set(place.field, &found.value);
    if let Of::Field(name) = place.of {
        sent.set(name, found.equipment);
    }
    Ok(())
}

/// What is accepted so far, each in words; what somebody else accepted meanwhile is let go.
async fn kept(db: &Db, sent: &mut Sent, places: &[Place]) -> Result<Vec<(Uuid, String)>, Refusal> {
    let mut accepted = Vec::new();
    let ids: Vec<Uuid> = SLOTS.iter().filter_map(|(_, id)| sent.get(id).parse().ok()).collect();
    let readings = if ids.is_empty() { Vec::new() } else { service::several(db, &ids).await? };
    for (field, id) in SLOTS {
        let Ok(reading) = sent.get(id).parse::<Uuid>() else { continue };
        let place = places.iter().find(|place| place.field == sent.get(field));
        let found = readings.iter().find(|one| one.id.0 == reading);
        match (place, found) {
            (Some(place), Some(found)) if sent.reshapes() || found.accepted_for.is_none() => {
                let words = if found.accepted_for.is_some() {
                    sent.set(field, "");
                    sent.set(id, "");
                    format!(
                        "{} {} of {} was accepted for another record meanwhile.",
                        found.value, found.unit, found.equipment_code
                    )
                } else {
                    words(place, found, sent.get(place.field))
                };
                accepted.push((reading, words));
            }
            _ => {}
        }
    }
    Ok(accepted)
}

fn words(place: &Place, reading: &ReadingView, entered: &str) -> String {
    let of = format!("{} {} of {}", reading.value, reading.unit, reading.equipment_code);
    let same = entered.trim().replace(',', ".").parse::<Decimal>().is_ok_and(|value| value == reading.value);
    let name = capital(place.words);
    if same {
        format!("{name}: {of}, {}. As printed: {}", show::ago(reading.observed_at), reading.raw_line)
    } else {
        format!("{name}: changed by hand after {of} was accepted; it is recorded as entered.")
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
