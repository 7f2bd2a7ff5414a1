//! Results of a certificate, held and shared so that none changes while it is drawn up or issued.

use ferrotitre_base::certified;
use ferrotitre_base::db::{Connection, Held, hold};
use ferrotitre_base::locks;
use ferrotitre_base::pins;
use ferrotitre_base::refusal::{Code, Refusal};
use uuid::Uuid;

use crate::determinations::certifying::{Certifiable, Named, certifiable};

/// Results of a certificate at most.
const MOST_RESULTS: usize = 60;

/// What results a certificate is of: those named, and the determinations that a difference is of.
pub(super) async fn named(connection: &Connection, results: &[Uuid]) -> Result<Vec<Named>, Refusal> {
    let too = |message: String, count: usize| Err(Refusal::invalid("results", "length", message, count));
    if !(1..=MOST_RESULTS).contains(&results.len()) {
        return too(format!("name from 1 to {MOST_RESULTS} results"), results.len());
    }
    let mut seen: Vec<Uuid> = Vec::new();
    let mut all = Vec::new();
    for id in results {
        let one = Named::of(connection, *id).await?;
        // Iron(II) stands before total iron, and both before their difference.
        let mut parts: Vec<_> = one.determinations().iter().rev().cloned().collect();
        parts.retain(|part| !seen.contains(&part.id.0));
        seen.extend(parts.iter().map(|part| part.id.0));
        all.extend(parts.into_iter().map(Named::Determination));
        if let Some(difference) = one.iron_result()
            && !seen.contains(&difference)
        {
            seen.push(difference);
            all.push(one);
        }
    }
    // What can be drawn up can be authorised: the results that are kept of a draft come this way again.
    if all.len() > MOST_RESULTS {
        let message = format!("at most {MOST_RESULTS} results, with the determinations that iron(III) brings along");
        return too(message, all.len());
    }
    Ok(all)
}

/// Holds what is certified until the transaction ends: the certificate, the runs, the results; and shares every row that their
/// signatures stand over. Whoever amends, returns or rejects comes before or after, as does whoever corrects what they rest on.
pub(super) async fn held(connection: &Connection, certificate: Option<Uuid>, named: &[Named]) -> Result<(), Refusal> {
    let mut holds: Vec<Held> = named.iter().flat_map(Named::runs).map(|run| Held::Run(run.0)).collect();
    holds.extend(certificate.map(Held::Certificate));
    hold(connection, &holds).await?;
    let differences: Vec<Uuid> = named.iter().filter_map(Named::iron_result).collect();
    locks::hold(connection, &differences).await?;
    let mut determinations: Vec<Uuid> =
        named.iter().flat_map(|one| one.determinations().iter().map(|row| row.id.0)).collect();
    determinations.sort_unstable();
    determinations.dedup();
    for id in &determinations {
        locks::determination(connection, *id).await?;
    }
    let mut signed = determinations;
    signed.extend(differences);
    let standing = pins::standing(connection, &signed).await?;
    let rows: Vec<Uuid> = standing.values().flat_map(|one| one.rows().iter().copied()).collect();
    locks::share(connection, &rows).await
}

/// The results as they would be certified now.
///
/// # Errors
/// The first that cannot be, with why.
pub(super) async fn results(
    connection: &Connection,
    (number, named): (&str, Vec<Named>),
) -> Result<Vec<Certifiable>, Refusal> {
    let mut results = Vec::with_capacity(named.len());
    for one in named {
        results.push(certifiable(connection, one).await?);
    }
    let ids: Vec<Uuid> = results.iter().map(|one| one.id).collect();
    let elsewhere = certified::of(connection, &ids).await?;
    if let Some(other) = elsewhere.iter().find(|one| one.is_issued() && one.number != number) {
        let code = results.iter().find(|one| one.id == other.result).map_or("", |one| one.code.as_str());
        let detail = format!("{code} is on {} (issue {}) already: amend or withdraw that", other.number, other.issue);
        return Err(Refusal::new(Code::StateConflict, detail).at("results", "once", code));
    }
    Ok(results)
}
