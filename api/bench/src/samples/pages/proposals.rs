//! What a form of a sample or a portion proposes, from the one before.

use chrono::Utc;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_html::form::Form;
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::samples::{portions, samples};

/// So many of the newest samples are looked at.
fn newest() -> Listing {
    Listing { limit: Some(20), ..Listing::default() }
}

/// How samples are kept, as of the newest one that this person registered; what was seen on receipt is never proposed.
pub(super) async fn of_sample(db: &Db, shell: &Shell, form: &mut Form) -> Result<(), Refusal> {
    let by = shell.user.as_ref().map(|user| user.account);
    let all = samples::list(db, &newest()).await?.items;
    let Some(last) = all.into_iter().find(|one| Some(one.recorded_by) == by) else { return Ok(()) };
    let facts = last.facts;
    let kept = facts.retained_until - facts.received_at.date_naive();
    let until = Utc::now().date_naive().checked_add_signed(kept).map(|day| day.to_string());
    let values = [
        ("matrix", Some(facts.matrix)),
        ("container", Some(facts.container)),
        ("storage", Some(facts.storage)),
        ("retained_until", until),
    ];
    form.propose(&format!("as {}", facts.code), &values);
    Ok(())
}

/// Vessels of the newest portion of a sample with the same matrix.
pub(super) async fn of_portion(db: &Db, form: &mut Form, sample: Uuid) -> Result<(), Refusal> {
    let all = samples::list(db, &newest()).await?.items;
    let Some(matrix) = all.iter().find(|one| one.id == sample).map(|one| one.facts.matrix.clone()) else {
        return Ok(());
    };
    for one in all.iter().filter(|one| one.facts.matrix == matrix) {
        let Some(last) = portions::list(db, one.id).await?.into_iter().next() else { continue };
        let facts = last.facts;
        let id = |id: Option<Uuid>| id.map(|id| id.to_string());
        let mut values = vec![
            ("pipette".to_owned(), id(facts.pipette)),
            ("balance".to_owned(), id(facts.balance)),
            ("aliquot_pipette".to_owned(), id(facts.aliquot_pipette)),
        ];
        for (at, step) in facts.dilution.iter().enumerate() {
            values.push((format!("dilution[{at}].pipette"), id(step.pipette)));
            values.push((format!("dilution[{at}].flask"), Some(step.flask.to_string())));
        }
        let values: Vec<(&str, Option<String>)> =
            values.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
        form.propose(&format!("as the portion of {}", one.facts.code), &values);
        return Ok(());
    }
    Ok(())
}
