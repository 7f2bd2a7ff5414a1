//! What can be chosen in forms, read from the services: equipment in calibration, lots in use, methods in force.

use chrono::Utc;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::chemistry::indicator;
use ferrotitre_html::form::{Choice, first_page};
use ferrotitre_html::show;

use crate::equipment::service::{self as equipment, Piece};
use crate::methods::service as methods;
use crate::standards::{primary, reagents};
use crate::titrants::service as titrants;

/// Equipment of some kinds; what is not ready is there, too, with words, because only the service refuses.
pub fn of_kinds(pieces: &[Piece], kinds: &[&str]) -> Vec<Choice> {
    let mut fitting: Vec<&Piece> =
        pieces.iter().filter(|piece| kinds.contains(&piece.view.facts.kind.as_str())).collect();
    fitting.sort_by_key(|piece| (!piece.ready(), piece.view.facts.code.clone()));
    fitting.into_iter().map(|piece| Choice::thing(piece.view.id, &piece.view.facts.code, piece_words(piece))).collect()
}

/// What a piece is and how long its calibration holds.
pub fn piece_words(piece: &Piece) -> String {
    let facts = &piece.view.facts;
    let due = match piece.due_on {
        _ if piece.view.state != "in service" => piece.view.state.clone(),
        None => "not calibrated".to_owned(),
        Some(due) => format!("due {}, {}", show::day(due), show::until_day(due)),
    };
    format!("{}; {due}", facts.description)
}

/// Equipment of some kinds.
pub async fn equipment(db: &Db, kinds: &[&str]) -> Result<Vec<Choice>, Refusal> {
    Ok(of_kinds(&equipment::pieces(db).await?, kinds))
}

/// Titrant lots of some species that are in use, prepared or suspended: all that are not over.
pub async fn titrants(db: &Db, species: &[&str]) -> Result<Vec<Choice>, Refusal> {
    let lots = titrants::list(db, &first_page()).await?.items.into_iter();
    let over = |state: &str| matches!(state, "withdrawn" | "exhausted");
    let lots = lots.filter(|lot| (species.is_empty() || species.contains(&lot.species.as_str())) && !over(&lot.state));
    let words = |lot: &crate::titrants::wire::TitrantView| match &lot.factor_now {
        Some(factor) => format!(
            "{}, factor {}, {}",
            lot.species,
            show::figure(factor.factor.value(), 5),
            show::until(factor.valid_to.min(lot.expires_at))
        ),
        None => format!("{}, {}, no factor in force", lot.species, lot.state),
    };
    Ok(lots.map(|lot| Choice::thing(lot.id, &lot.code, words(&lot))).collect())
}

/// How an end point can look, in words, with an indicator.
#[must_use]
pub fn end_points(of: &str) -> Vec<Choice> {
    let change = indicator(of).map_or("seen", |entry| entry.change);
    [format!("{change}, sharp"), format!("{change}, drawn out"), "colour returned".to_owned(), "overrun".to_owned()]
        .iter()
        .map(|words| Choice::word(words))
        .collect()
}

/// Method versions in force.
pub async fn methods(db: &Db) -> Result<Vec<Choice>, Refusal> {
    let versions = methods::in_force(db).await?.into_iter();
    Ok(versions.map(|view| Choice::thing(view.version_id, &view.facts.code, view.facts.title)).collect())
}

/// Versions of primary-standard lots that are released or in use, today within their last day; of some substances.
pub async fn standards(db: &Db, version: bool) -> Result<Vec<Choice>, Refusal> {
    let today = Utc::now().date_naive();
    let lots = primary::list(db, &first_page()).await?.items.into_iter();
    let usable =
        lots.filter(|lot| matches!(lot.state.as_str(), "released" | "in use") && lot.facts.expires_on >= today);
    let id = |view: &ferrotitre_base::web::versions::VersionView<primary::PrimaryStandardFacts>| {
        if version { view.version_id } else { view.id }
    };
    Ok(usable.map(|lot| Choice::thing(id(&lot), &lot.facts.code, lot.facts.substance.clone())).collect())
}

/// Reagent lots.
pub async fn reagents(db: &Db) -> Result<Vec<Choice>, Refusal> {
    let lots = reagents::list(db, &first_page()).await?.items.into_iter();
    Ok(lots.map(|lot| Choice::thing(lot.id, &lot.facts.code, lot.facts.substance)).collect())
}
