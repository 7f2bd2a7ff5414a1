//! What the forms at the bench propose, from the entry before.

use std::collections::HashMap;
use std::collections::hash_map::Entry;

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_html::form::Form;
use ferrotitre_html::shell::Shell;
use uuid::Uuid;

use crate::determinations::iron_results;
use crate::determinations::listing::DeterminationLine;
use crate::determinations::service;
use crate::determinations::wire::DeterminationView;

/// For the first titration of a determination: with what this person titrated last, and in the same run at which temperature. Of
/// readings and of what was seen nothing.
pub(super) async fn of_titration(
    db: &Db,
    shell: &Shell,
    form: &mut Form,
    view: &DeterminationView,
) -> Result<(), Refusal> {
    if !view.titrations.is_empty() {
        return Ok(());
    }
    let Some(by) = shell.user.as_ref().map(|user| user.account) else { return Ok(()) };
    let Some(other) = service::titrated_last_by(db, by).await? else { return Ok(()) };
    let Some(last) = other.titrations.iter().rfind(|one| one.recorded_by == by) else { return Ok(()) };
    let facts = &last.facts;
    let same = other.run == view.run;
    let temperature = facts.solution_temperature.as_ref().filter(|_| same).map(ToString::to_string);
    let values = [
        ("titrant", Some(facts.titrant.to_string())),
        ("burette", Some(facts.burette.to_string())),
        ("oxidant_titrant", facts.oxidant_titrant.map(|id| id.to_string())),
        ("oxidant_pipette", facts.oxidant_pipette.map(|id| id.to_string())),
        ("solution_temperature", temperature),
        ("indicator_drops", facts.indicator_drops.map(|drops| drops.to_string())),
        ("waste_stream", Some(facts.waste_stream.clone())),
    ];
    form.propose(&format!("as in {}", other.code), &values);
    Ok(())
}

/// The newest two determinations of one sample that make a difference and are part of none yet, and a code made of the sample's.
pub(super) async fn of_difference(
    db: &Db,
    form: &mut Form,
    lines: &[DeterminationLine],
    sample_code: impl Fn(Uuid) -> String,
) -> Result<(), Refusal> {
    let ids: Vec<Uuid> = lines.iter().map(|line| line.id).collect();
    let taken = iron_results::parts_among(db, &ids).await?;
    let mut analytes = HashMap::new();
    for line in lines {
        if let Entry::Vacant(entry) = analytes.entry(line.method.0) {
            entry.insert(methods::version(db, line.method).await?.facts.analyte);
        }
    }
    let analyte = |line: &DeterminationLine| analytes.get(&line.method.0).map(String::as_str);
    let free = |line: &&DeterminationLine| {
        line.purpose == "sample" && line.state != "invalidated" && !taken.contains(&line.id)
    };
    let newest = |wanted: &str, sample: Uuid| {
        lines.iter().filter(free).find(|line| line.sample == sample && analyte(line) == Some(wanted))
    };
    let pair = |line: &DeterminationLine| Some((newest("total iron", line.sample)?, newest("iron(II)", line.sample)?));
    let Some((total, iron2)) = lines.iter().filter(free).find_map(pair) else { return Ok(()) };
    let code = sample_code(total.sample);
    let parts = [("total", Some(total.id.to_string())), ("iron2", Some(iron2.id.to_string()))];
    form.propose(&format!("what was made last of {code}"), &parts);
    form.propose("made of the sample's", &[("code", Some(format!("FE3-{code}")))]);
    Ok(())
}
