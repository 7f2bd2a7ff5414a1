//! A standardisation as it is read and evaluated: from the rows its author signed, or from those of the present.

use std::collections::HashSet;

use chrono::{DateTime, Utc};
use ferrotitre_core::determination::{
    Burette, PreparedTitrant, Replicate, Segment, Standardisation, StandardisationResult, Standing, standardise,
};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::{KIND, MINIMUM, TITRATION};
use crate::equipment::shelf::{Found, Shelf};
use crate::impacts;
use crate::impacts::store::Touch;
use crate::impacts::wire::TouchView;
use crate::standards::primary;
use crate::supposed::Supposed;
use crate::titrants::again::{Evaluated, term_of};
use crate::titrants::factors::core_factor;
use crate::titrants::origin::{noted, of_factors};
use crate::titrants::preparations::{concentration_view, reference, vessel};
use crate::titrants::service::electrons;
use crate::titrants::store::corrections;
use crate::titrants::store::{self, FactorRow, StandardisationRow, StandardisationTitrationRow, TitrantRow};
use crate::titrants::wire::{NewStandardisationTitration, StandardisationTitrationView, StandardisationView};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, PrimaryStandardId, SignOffId, StandardisationId};
use ferrotitre_base::locks;
use ferrotitre_base::pins::{self, Sight, Used};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs;
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_base::web::decimal::Decimal;

/// The decision that the factor of replicates which disagree may be used, made on the content as it is since its author signed.
pub(super) fn decision<'a>(signed: &'a [sign_offs::Row], digest: &str) -> Option<&'a sign_offs::Row> {
    let since = signed.iter().rposition(|sign| sign.meaning == "authored").unwrap_or(0);
    let held = signed.get(since..).unwrap_or_default();
    held.iter().rfind(|sign| sign.meaning == "decided" && sign.content_digest == digest)
}

/// A standardisation with everything it rests on.
pub(in crate::titrants) struct Loaded {
    pub(super) row: StandardisationRow,
    pub(super) titrant: TitrantRow,
    /// Everybody who had a hand in it.
    pub(super) parties: Vec<AccountId>,
    /// Who made the replicates that count.
    pub(super) observers: Vec<AccountId>,
    /// Who corrected one of them.
    pub(super) correctors: Vec<AccountId>,
    pub(super) result: StandardisationResult,
    pub(super) digest: String,
    pub(super) used: Used,
    /// The author's signature it was last read under.
    pub(super) standing: Option<SignOffId>,
    /// What touched that since.
    pub(super) touched: Vec<Touch>,
    /// Why it was last amended, once it was.
    pub(super) amended: Option<String>,
    pub(super) view: StandardisationView,
}

/// A burette for core.
pub fn burette(found: Found<'_>) -> Result<Burette, Refusal> {
    Ok(Burette {
        id: found.calibration.id.to_string(),
        code: found.facts.code.clone(),
        corrections: found.calibration.table()?,
        resolution_ml: found.facts.resolution.as_ref().map_or(0.0, Decimal::value),
        u_ml: found.calibration.standard_uncertainty.value(),
        dof: found.calibration.degrees_of_freedom.as_ref().map(Decimal::value),
    })
}

/// Rows a standardisation refers to.
struct Refers {
    standard: Option<primary::versions::Row>,
    reference: Option<(FactorRow, TitrantRow)>,
}

/// What a standardisation is read from.
#[derive(Debug, Clone)]
pub(in crate::titrants) struct Read {
    sight: Sight,
    /// Whether its standard is the version that was named when it was begun: for signatures of releases that read no other.
    as_named: bool,
}

impl Read {
    /// From the rows of the present.
    pub(in crate::titrants) fn present() -> Self {
        Self { sight: Sight::Present, as_named: false }
    }

    /// From what a signature stands over, or what can be known of that where it fits no rows.
    pub(in crate::titrants) fn signed(sight: Option<Sight>) -> Self {
        match sight {
            Some(sight) => Self { sight, as_named: false },
            None => Self { sight: Sight::Present, as_named: true },
        }
    }
}

/// The version of a standard that is read: the newest that is seen.
async fn standard(
    connection: &Connection,
    named: PrimaryStandardId,
    read: &Read,
) -> Result<primary::versions::Row, Refusal> {
    let named = primary::versions::exactly(connection, named).await?;
    if read.as_named {
        return Ok(named);
    }
    let all = primary::versions::every(connection, &[named.record_id]).await?;
    let seen = all.into_iter().rfind(|row| read.sight.sees(row.id.0, row.recorded_at));
    Ok(seen.unwrap_or(named))
}

async fn refers(connection: &Connection, row: &StandardisationRow, read: &Read) -> Result<Refers, Refusal> {
    let standard = match row.primary_standard_id {
        Some(named) => Some(standard(connection, named, read).await?),
        None => None,
    };
    let reference = match row.reference_factor_id {
        Some(factor) => corrections::read(connection, factor, &read.sight).await?,
        None => None,
    };
    Ok(Refers { standard, reference })
}

async fn facts(
    connection: &Connection,
    (row, titrant): (&StandardisationRow, &TitrantRow),
    refers: &Refers,
    (sight, supposed): (&Sight, &Supposed),
    replicates: Vec<Replicate>,
) -> Result<(Standardisation, Used), Refusal> {
    let (at, day) = (row.observed_at, row.observed_at.date_naive());
    let pieces: Vec<Uuid> = [Some(row.burette_id), row.balance_id, row.pipette_id].into_iter().flatten().collect();
    let mut shelf = Shelf::load(connection, &pieces).await?;
    shelf.suppose(supposed);
    let limit = store::limit_of(connection, row.id).await?;
    let mut used = Used::default();
    if let Some((limit, _)) = &limit {
        used.add("standardisation_limits", limit.0, at);
    }
    noted(&mut used, &[("standardisations", row.id.0), ("titrants", titrant.id.0)], at);
    let mut take = |piece: Uuid| {
        let found = shelf.on(piece, day, sight)?;
        let rows = [("equipment", found.version.0), ("equipment_calibrations", found.calibration.id.0)];
        noted(&mut used, &rows, at);
        Ok::<_, Refusal>(found)
    };
    let reference = match (&refers.standard, row.balance_id) {
        (Some(standard), Some(balance)) => Some(reference(standard, take(balance)?, row.correct_buoyancy)?),
        _ => None,
    };
    let reference_titrant = match (&refers.reference, row.pipette_id) {
        (Some((factor, lot)), Some(pipette)) => Some((core_factor(factor, lot)?, vessel(take(pipette)?))),
        _ => None,
    };
    let burette = burette(take(row.burette_id)?)?;
    if let Some(standard) = &refers.standard {
        used.add("primary_standards", standard.id.0, at);
    }
    if let Some((factor, lot)) = &refers.reference {
        noted(&mut used, &[("titrant_factors", factor.id.0), ("titrants", lot.id.0)], at);
    }
    let made = Standardisation {
        id: row.id.to_string(),
        electrons: f64::from(electrons(titrant)?),
        nominal: titrant.nominal_mol_per_l.value(),
        reference,
        reference_titrant,
        burette,
        corrections: (row.correct_burette, row.correct_temperature),
        relative_repeatability: None,
        minimum: MINIMUM,
        factor_limits: (titrant.factor_low.value(), titrant.factor_high.value()),
        agreement_percent: limit.as_ref().map(|(_, percent)| percent.value()),
        replicates,
    };
    Ok((made, used))
}

fn replicate(row: &StandardisationTitrationRow, superseded: bool, state: &str) -> Replicate {
    Replicate {
        id: row.id.to_string(),
        position: u32::try_from(row.position).unwrap_or(0),
        mass: row.mass_g.as_ref().map(|mass| (mass.value(), mass.to_string())),
        blank: row.kind == "blank",
        standing: match (superseded, state) {
            (true, _) => Standing::Superseded,
            (false, "rejected") => Standing::Rejected { cause: "rejected".to_owned(), reason: String::new() },
            _ => Standing::Counted,
        },
        segments: row
            .initial_readings
            .iter()
            .zip(&row.final_readings)
            .map(|(initial, last)| Segment { initial: initial.reading().clone(), last: last.reading().clone() })
            .collect(),
        temperature: row.solution_temperature.as_ref().map(Decimal::value),
    }
}

/// Titrations of a standardisation that are seen, with their states.
struct Titrations {
    rows: Vec<StandardisationTitrationRow>,
    states: Vec<String>,
    moves: Vec<StateMove>,
}

impl Titrations {
    async fn of(connection: &Connection, of: StandardisationId, sight: &Sight) -> Result<Self, Refusal> {
        let mut rows = store::standardisation_titrations(connection, of).await?;
        rows.retain(|row| sight.sees(row.id.0, row.recorded_at));
        let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
        let mut moves = states::moves_of(connection, &ids).await?;
        moves.retain(|step| sight.sees(step.id.0, step.recorded_at));
        let state = |row: &StandardisationTitrationRow| {
            if rows.iter().any(|other| other.supersedes == Some(row.id)) {
                return "superseded".to_owned();
            }
            let last = moves.iter().rfind(|step| step.entity_id == row.id.0);
            last.map_or_else(|| TITRATION.first_state().to_owned(), |step| step.to_state.clone())
        };
        let states = rows.iter().map(state).collect();
        Ok(Self { rows, states, moves })
    }

    /// Who began it, made or corrected a replicate, or left one out, which decides what the factor comes to.
    fn parties(&self, of: &StandardisationRow) -> Vec<AccountId> {
        let made = self.rows.iter().map(|row| row.recorded_by);
        let judged = self.moves.iter().filter_map(|step| step.recorded_by);
        std::iter::once(of.recorded_by).chain(made).chain(judged).collect()
    }

    fn counted(&self) -> impl Iterator<Item = &StandardisationTitrationRow> {
        let each = self.rows.iter().zip(&self.states);
        each.filter(|(_, state)| !matches!(state.as_str(), "superseded" | "rejected")).map(|(row, _)| row)
    }

    /// Notes them among what an evaluation used.
    fn note(&self, used: &mut Used, at: DateTime<Utc>) {
        for one in &self.rows {
            used.add("standardisation_titrations", one.id.0, one.observed_at);
        }
        for step in &self.moves {
            used.add("state_moves", step.id.0, at);
        }
    }

    fn views(&self, result: &StandardisationResult) -> Vec<StandardisationTitrationView> {
        let each = self.rows.iter().zip(&self.states);
        each.map(|(titration, state)| titration_view(titration, state.clone(), result)).collect()
    }

    fn observers(&self) -> Vec<AccountId> {
        let first = |record: Uuid| self.rows.iter().find(|row| row.record_id == record && row.version == 1);
        self.counted().filter_map(|row| first(row.record_id)).map(|row| row.recorded_by).collect()
    }

    fn correctors(&self) -> Vec<AccountId> {
        self.counted().filter(|row| row.version > 1).map(|row| row.recorded_by).collect()
    }

    fn replicates(&self) -> Vec<Replicate> {
        let each = self.rows.iter().zip(&self.states);
        each.map(|(row, state)| replicate(row, state == "superseded", state)).collect()
    }
}

/// Rows a standardisation is read from: those its author's signature stands over while it is submitted or approved, or else those
/// of the present.
async fn read_from(connection: &Connection, id: Uuid, state: &str) -> Result<Read, Refusal> {
    if !matches!(state, "submitted" | "approved") {
        return Ok(Read::present());
    }
    let signed = pins::standing(connection, &[id]).await?;
    Ok(Read::signed(signed.get(&id).and_then(pins::Standing::sight)))
}

pub(super) async fn load(connection: &Connection, row: StandardisationRow) -> Result<Loaded, Refusal> {
    let state = states::present(connection, KIND, row.id.0).await?.state;
    let read = read_from(connection, row.id.0, &state).await?;
    load_under(connection, row, state, &read).await
}

/// Loads it for its author's signature: what it rests on is shared first, so that it stays as it is until the signature is made.
pub(super) async fn load_to_pin(connection: &Connection, id: Uuid) -> Result<Loaded, Refusal> {
    let mut shared: HashSet<Uuid> = HashSet::new();
    loop {
        let mut loaded = load(connection, store::standardisation(connection, id).await?).await?;
        loaded.used.extend(&of_factors(connection, &loaded.used.of("titrant_factors")).await?);
        let rows = loaded.used.rows();
        if rows.is_subset(&shared) {
            return Ok(loaded);
        }
        locks::share(connection, &rows.iter().copied().collect::<Vec<_>>()).await?;
        shared.extend(rows);
    }
}

/// Amendments of it, oldest first.
async fn amendments(connection: &Connection, id: Uuid) -> Result<Vec<StateMove>, Refusal> {
    let mut moves = states::history(connection, id).await?;
    moves.retain(|step| step.to_state == "amended");
    Ok(moves)
}

async fn load_under(
    connection: &Connection,
    row: StandardisationRow,
    state: String,
    read: &Read,
) -> Result<Loaded, Refusal> {
    let sight = &read.sight;
    let titrant = store::titrant(connection, row.titrant_id.0).await?;
    let refers = refers(connection, &row, read).await?;
    let titrations = Titrations::of(connection, row.id, sight).await?;
    let of = (&row, &titrant);
    let (facts, mut used) =
        facts(connection, of, &refers, (sight, &Supposed::default()), titrations.replicates()).await?;
    titrations.note(&mut used, row.observed_at);
    let result =
        standardise(&facts).map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))?;
    // The derived form names every fact; the digest binds a signature to all of them.
    // A limit that came later is written only where it was stated: digests signed before it existed stay what they were.
    let text = format!("ferrotitre standardisation 1\n{facts:?}").replace(", agreement_percent: None", "");
    let digest = hex::encode(Sha256::digest(text.as_bytes()));
    let signed = sign_offs::of(connection, row.id.0).await?;
    let mut parties = titrations.parties(&row);
    parties.extend(signed.iter().filter(|sign| sign.meaning == "authored").map(|sign| sign.recorded_by));
    let amendments = amendments(connection, row.id.0).await?;
    // Whoever amends an approved one has a hand in what comes of it.
    parties.extend(amendments.iter().filter_map(|step| step.recorded_by));
    let last = amendments.last();
    let amended_at = last.map(|step| step.recorded_at);
    let amended = last.filter(|_| state != "approved").map(|step| step.reason.clone().unwrap_or_default());
    let standing = pins::standing(connection, &[row.id.0]).await?.remove(&row.id.0);
    let standing = standing.filter(|_| matches!(state.as_str(), "submitted" | "approved")).map(|of| of.sign_off);
    let touched = impacts::store::touching(connection, standing.as_slice()).await?;
    let decided = decision(&signed, &digest).is_some();
    let concentration = result.titrant.clone().map(|t| electrons(&titrant).map(|z| concentration_view(t, z)));
    let view = StandardisationView {
        id: row.id.0,
        code: row.code.clone(),
        titrant: row.titrant_id.0,
        against: row.against.clone(),
        primary_standard: refers.standard.as_ref().map(|standard| standard.id.0),
        burette: row.burette_id,
        indicator: row.indicator.clone(),
        valid_days: row.valid_days,
        observed_at: row.observed_at,
        amended: amended.is_some(),
        state,
        titrations: titrations.views(&result),
        blank_ml: result.blank_ml,
        sd: result.sd,
        discordant: result.disagrees(),
        discordance_decided: decided,
        concentration: concentration.transpose()?,
        missing: result.missing.clone(),
        touched: touched.iter().map(TouchView::from).collect(),
        sign_offs: signed.into_iter().map(|sign| sign.view(&digest, amended_at, false)).collect(),
        content_digest: digest.clone(),
    };
    let (observers, correctors) = (titrations.observers(), titrations.correctors());
    Ok(Loaded { row, titrant, parties, observers, correctors, result, digest, used, standing, touched, amended, view })
}

/// What an approved standardisation would come to had everything been on record then that is now; none where that gives none.
pub(in crate::titrants) async fn known_now(
    connection: &Connection,
    row: StandardisationRow,
    reference: Option<(FactorRow, TitrantRow)>,
) -> Result<Option<PreparedTitrant>, Refusal> {
    let titrant = store::titrant(connection, row.titrant_id.0).await?;
    let titrations = Titrations::of(connection, row.id, &Sight::Present).await?;
    let standard = refers(connection, &row, &Read::present()).await?.standard;
    let refers = Refers { standard, reference };
    let read = (&Sight::Present, &Supposed::default());
    let made = facts(connection, (&row, &titrant), &refers, read, titrations.replicates()).await?.0;
    Ok(standardise(&made).ok().and_then(|result| result.titrant))
}

/// The factor of the titrant that a standardisation was made against, as it is read.
pub(in crate::titrants) async fn reference_of(
    connection: &Connection,
    row: &StandardisationRow,
    read: &Read,
) -> Result<Option<(FactorRow, TitrantRow)>, Refusal> {
    Ok(refers(connection, row, read).await?.reference)
}

/// What an approved standardisation would come to under a hypothesis, from the rows its author signed over; none where that
/// concerns nothing of it. The titrant it was made against comes as the hypothesis has it.
pub(in crate::titrants) async fn supposed(
    connection: &Connection,
    row: StandardisationRow,
    (reference, concerned): (Option<(FactorRow, TitrantRow)>, bool),
    (read, supposed): (&Read, &Supposed),
) -> Result<Option<PreparedTitrant>, Refusal> {
    let titrant = store::titrant(connection, row.titrant_id.0).await?;
    let titrations = Titrations::of(connection, row.id, &read.sight).await?;
    let mut standard = refers(connection, &row, read).await?.standard;
    let concerned = concerned | standard.as_mut().is_some_and(|standard| supposed.in_standard(standard));
    let refers = Refers { standard, reference };
    let (made, used) =
        facts(connection, (&row, &titrant), &refers, (&read.sight, supposed), titrations.replicates()).await?;
    if !concerned && !supposed.concerns(&used) {
        return Ok(None);
    }
    let result = standardise(&made);
    let result = result.map_err(|error| Refusal::new(Code::NotEnoughData, error.to_string()).because(error))?;
    match (result.titrant, result.missing) {
        (Some(titrant), _) => Ok(Some(titrant)),
        (None, missing) => Err(Refusal::new(Code::NotEnoughData, missing.unwrap_or_default())),
    }
}

fn titration_view(
    row: &StandardisationTitrationRow,
    state: String,
    result: &StandardisationResult,
) -> StandardisationTitrationView {
    let id = row.id.to_string();
    StandardisationTitrationView {
        id: row.record_id,
        version_id: row.id.0,
        version: row.version,
        position: row.position,
        state,
        facts: NewStandardisationTitration {
            kind: row.kind.clone(),
            mass_g: row.mass_g.clone(),
            initial_readings: row.initial_readings.clone(),
            final_readings: row.final_readings.clone(),
            solution_temperature: row.solution_temperature.clone(),
            end_point: row.end_point.clone(),
            observed_at: row.observed_at,
            late_reason: None,
            accepted: Vec::new(),
        },
        concentration: result
            .replicates
            .iter()
            .find(|replicate| replicate.id == id)
            .map(|replicate| replicate.concentration),
        recorded_by: row.recorded_by,
    }
}

/// What the author of a standardisation signed over, as it was at a moment: digest and rows.
pub(in crate::titrants) async fn as_of(
    connection: &Connection,
    id: Uuid,
    moment: chrono::DateTime<chrono::Utc>,
) -> Result<Option<(String, Used)>, Refusal> {
    let row = store::standardisation(connection, id).await?;
    let read = Read { sight: Sight::AsOf(moment), as_named: true };
    let Ok(loaded) = load_under(connection, row, String::new(), &read).await else { return Ok(None) };
    let mut used = loaded.used;
    used.extend(&of_factors(connection, &used.of("titrant_factors")).await?);
    Ok(Some((loaded.digest, used)))
}

/// A standardisation evaluated again from what a signature stands over.
pub(in crate::titrants) async fn again(connection: &Connection, id: Uuid, sight: &Sight) -> Result<Evaluated, Refusal> {
    let row = store::standardisation(connection, id).await?;
    let loaded = load_under(connection, row, String::new(), &Read::signed(Some(sight.clone()))).await?;
    let term = term_of(&loaded.row, loaded.titrant.expires_at);
    Ok(Evaluated { code: loaded.row.code, digest: loaded.digest, made: loaded.result.titrant, term })
}
