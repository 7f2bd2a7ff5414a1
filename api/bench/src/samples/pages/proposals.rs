//! What a form of a sample or a portion proposes, from the one before.

use chrono::Utc;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_html::form::Form;
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::samples::samples::SampleFacts;
use crate::samples::{portions, samples};

type Sample = VersionView<SampleFacts>;

/// So many of the newest samples are looked at.
fn newest() -> Listing {
    Listing { limit: Some(20), ..Listing::default() }
}

/// Proposes values for fields below a part of the form.
fn propose(form: &mut Form, part: &str, from: &str, values: Vec<(String, Option<String>)>) {
    let names: Vec<(String, Option<String>)> =
        values.into_iter().map(|(name, value)| (format!("{part}{name}"), value)).collect();
    let values: Vec<(&str, Option<String>)> =
        names.iter().map(|(name, value)| (name.as_str(), value.clone())).collect();
    form.propose(from, &values);
}

/// How samples are kept, as of the newest one that this person registered, else of the newest there is; how long only as of an own
/// one, and what was seen on receipt never.
pub(super) async fn of_sample(db: &Db, shell: &Shell, form: &mut Form, part: &str) -> Result<(), Refusal> {
    let by = shell.user.as_ref().map(|user| user.account);
    let all = samples::list(db, &newest()).await?.items;
    let own = all.iter().find(|one| Some(one.recorded_by) == by);
    let Some(last) = own.or(all.first()) else { return Ok(()) };
    let facts = &last.facts;
    let kept = facts.retained_until - facts.received_at.date_naive();
    let until = Utc::now().date_naive().checked_add_signed(kept).filter(|_| own.is_some());
    let values = [
        ("matrix", Some(facts.matrix.clone())),
        ("container", Some(facts.container.clone())),
        ("storage", Some(facts.storage.clone())),
        ("retained_until", until.map(|day| day.to_string())),
    ];
    let values = values.into_iter().map(|(name, value)| (name.to_owned(), value)).collect();
    propose(form, part, &format!("as {}", facts.code), values);
    Ok(())
}

/// Vessels of the newest portion of the first of these samples that has one, and whose it was.
async fn vessels(
    db: &Db,
    samples: impl Iterator<Item = &Sample>,
) -> Result<Option<(String, Vec<(String, Option<String>)>)>, Refusal> {
    for one in samples {
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
        return Ok(Some((one.facts.code.clone(), values)));
    }
    Ok(None)
}

/// Vessels of the newest portion of a sample with the same matrix.
pub(super) async fn of_portion(db: &Db, form: &mut Form, sample: Uuid) -> Result<(), Refusal> {
    let all = samples::list(db, &newest()).await?.items;
    let Some(matrix) = all.iter().find(|one| one.id == sample).map(|one| one.facts.matrix.clone()) else {
        return Ok(());
    };
    if let Some((code, values)) = vessels(db, all.iter().filter(|one| one.facts.matrix == matrix)).await? {
        propose(form, "", &format!("as the portion of {code}"), values);
    }
    Ok(())
}

/// For the first portions of a sample that is only being registered: vessels of the newest portion of the matrix that is proposed.
pub(super) async fn of_first_portions(db: &Db, form: &mut Form, rows: usize) -> Result<(), Refusal> {
    let matrix = form.fields.iter().find(|field| field.name == "sample.matrix").map(|field| field.value.clone());
    let all = samples::list(db, &newest()).await?.items;
    let same = all.iter().filter(|one| Some(&one.facts.matrix) == matrix.as_ref());
    let Some((code, values)) = vessels(db, same).await? else { return Ok(()) };
    for row in 0..rows {
        propose(form, &format!("portions[{row}]."), &format!("as the portion of {code}"), values.clone());
    }
    Ok(())
}
