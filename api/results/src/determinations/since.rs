//! What touched a signed determination since its signature, and what it would come to now. Nothing re-values itself: a manager
//! amends it, or says why not.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use ferrotitre_core::determination::{Detail, Evaluation, Record, Reported};
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::determinations::compared;
use crate::determinations::evaluation::ReportedView;
use crate::determinations::material::Material;
use crate::determinations::record::{self, Loaded};
use crate::determinations::store::{self, DeterminationRow};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{FactorId, TitrantId};
use ferrotitre_base::pins::{Sight, Standing};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::impacts::store::{self as impacts, Touch};
use ferrotitre_bench::impacts::wire::TouchView;
use ferrotitre_bench::titrants;

/// What touched what was signed.
#[derive(Debug, Default)]
pub(super) struct Since {
    touches: Vec<Touch>,
    /// The record as it would be made now; none where nothing touched it, or why it cannot be made.
    now: Option<Result<Record, String>>,
    /// Why a signature of an earlier release fits no rows.
    unpinned: Option<String>,
}

/// A specification that says something else of the result now.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct OutcomeChange {
    /// Specification.
    #[schema(example = "SP-1")]
    pub code: String,
    /// Its version.
    pub version: i32,
    /// Outcome of what was signed.
    #[schema(example = "conforms")]
    pub signed: String,
    /// Outcome of what it would be now.
    #[schema(example = "conditional")]
    pub now: String,
}

/// What happened since the signature of the author, and what the result would be now.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SinceSignature {
    /// What touched the rows that were signed.
    pub touched: Vec<TouchView>,
    /// What it would come to now; absent where nothing touched it, or where it could not be evaluated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub now: Option<ReportedView>,
    /// Difference of that from what was signed, in expanded uncertainties of what was signed.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = -0.4)]
    pub difference_in_u: Option<f64>,
    /// Specifications that would say something else.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub outcomes: Vec<OutcomeChange>,
    /// What the formulae of today make of the same rows, where that differs in a reported digit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub later_formulae: Option<ReportedView>,
    /// Whether a reported digit or an outcome would differ.
    pub changes: bool,
    /// All of it in words.
    #[schema(example = "certificate of PS-1 corrected: purity misread. It would now be 119.83 ± 0.58 g/L, -0.4 U")]
    pub words: Vec<String>,
}

impl Since {
    /// Reads what touched a determination since its signature.
    pub(super) async fn of(
        connection: &Connection,
        row: &DeterminationRow,
        material: &Material,
        standing: Option<&Standing>,
    ) -> Result<Self, Refusal> {
        let Some(standing) = standing else { return Ok(Self::default()) };
        let touches = if impacts::any_touched(connection, standing.rows()).await? {
            impacts::touching(connection, &[standing.sign_off]).await?
        } else {
            Vec::new()
        };
        let mut since = Self { touches, now: None, unpinned: standing.unpinned.clone() };
        if since.touches.iter().any(|touch| touch.figures) {
            since.now = Some(known_now(connection, row, material).await.map_err(|refusal| refusal.detail));
        }
        Ok(since)
    }

    /// As shown beside what was signed; none where there is nothing to show.
    pub(super) fn view(&self, loaded: &Loaded, signed: &Evaluation) -> Option<SinceSignature> {
        let later = loaded.later_formulae();
        if self.touches.is_empty() && self.unpinned.is_none() && later.is_none() {
            return None;
        }
        let mut view = SinceSignature {
            touched: self.touches.iter().map(TouchView::from).collect(),
            now: None,
            difference_in_u: None,
            outcomes: Vec::new(),
            later_formulae: None,
            changes: false,
            words: self.touches.iter().map(Touch::in_words).collect(),
        };
        let now = self.now.as_ref().map(|record| match record {
            Ok(record) => record::evaluated(record, Detail::Figures).map_err(|refusal| refusal.detail),
            Err(why) => Err(why.clone()),
        });
        match now {
            Some(Ok(now)) => view.compare(loaded, signed, &now),
            Some(Err(why)) => view.words.push(format!("it cannot be evaluated as it would be now: {why}")),
            None => {}
        }
        if let Some(later) = later {
            view.words.push(format!("with today's formulae the signed data give {}", later.stated("±")));
            view.later_formulae = Some(later.into());
        }
        view.words.extend(self.unpinned.clone());
        Some(view)
    }
}

impl SinceSignature {
    fn compare(&mut self, loaded: &Loaded, signed: &Evaluation, now: &Evaluation) {
        let (before, after) = (compared::statements_on(loaded, signed), compared::statements_on(loaded, now));
        for statement in before {
            let same = after.iter().find(|other| other.assignment == statement.assignment);
            if let Some(other) = same.filter(|other| other.outcome != statement.outcome) {
                self.outcomes.push(OutcomeChange {
                    code: statement.code,
                    version: statement.version,
                    signed: statement.outcome.to_owned(),
                    now: other.outcome.to_owned(),
                });
            }
        }
        let digits = |of: &Reported| (of.text.clone(), of.expanded_uncertainty.clone());
        let (before, after) = (signed.reported.as_ref(), now.reported.as_ref());
        self.changes = before.map(digits) != after.map(digits) || !self.outcomes.is_empty();
        self.difference_in_u =
            loaded.result_of(signed).zip(loaded.result_of(now)).zip(before).and_then(|((old, new), reported)| {
                let expanded = reported.coverage.factor * old.1;
                (expanded > 0.0).then(|| (new.0 - old.0) / expanded)
            });
        self.words.push(match (after, self.changes) {
            (None, _) => format!("it would now have no result: {}", progress(now)),
            (Some(after), true) => {
                let apart = self.difference_in_u.map(|apart| format!(", {apart:+.1} U")).unwrap_or_default();
                let change = |of: &OutcomeChange| format!("; {} v{}: {} -> {}", of.code, of.version, of.signed, of.now);
                let outcomes: String = self.outcomes.iter().map(change).collect();
                format!("it would now be {}{apart}{outcomes}", after.stated("±"))
            }
            (Some(_), false) => "the reported figure would be the same".to_owned(),
        });
        self.now = after.cloned().map(ReportedView::from);
    }
}

fn progress(evaluation: &Evaluation) -> &str {
    match &evaluation.progress {
        ferrotitre_core::determination::Progress::NeedsMore { why, .. } => why,
        ferrotitre_core::determination::Progress::Complete { how } => how,
    }
}

/// The record as it would be made now: every row in its present version, calibrations and factors as they would have been taken
/// had everything been on record then.
async fn known_now(connection: &Connection, row: &DeterminationRow, material: &Material) -> Result<Record, Refusal> {
    let lots: HashMap<FactorId, TitrantId> = material.factors.iter().map(|(factor, lot)| (factor.id, lot.id)).collect();
    let used: Vec<(TitrantId, DateTime<Utc>)> =
        material.factors_used(row).filter_map(|(factor, at)| Some((*lots.get(&factor)?, at))).collect();
    let mut named: Vec<TitrantId> = used.iter().map(|(lot, _)| *lot).collect();
    named.sort_unstable();
    named.dedup();
    let mut factors = titrants::store::factors_of(connection, &named).await?;
    factors.retain(|factor| material.corrections.counts(factor.id, &Sight::Present));
    // Only those are evaluated anew that were in force at some time, and where the method interpolates the ones after them.
    let interpolates = material.method(row)?.facts.rules.0.interpolates();
    let wanted: HashSet<FactorId> = used
        .iter()
        .flat_map(|(lot, at)| {
            let of_lot = factors.iter().filter(move |factor| factor.titrant_id == *lot);
            let before = of_lot.clone().rfind(|factor| factor.valid_from <= *at);
            let next = of_lot.into_iter().find(|factor| factor.valid_from > *at).filter(|_| interpolates);
            [before, next].into_iter().flatten().map(|factor| factor.id)
        })
        .collect();
    factors.retain(|factor| wanted.contains(&factor.id));
    let factors = titrants::origin::known_now(connection, factors).await?;
    let source = material.source().in_hindsight(&factors);
    Ok(material.draw(row, &Sight::Present, &source)?.record)
}

/// What a determination would be now, if a reported digit or an outcome is another.
pub async fn change(connection: &Connection, id: Uuid) -> Result<Option<String>, Refusal> {
    let loaded = record::load(connection, store::determination(connection, id).await?).await?;
    let evaluation = loaded.evaluate(Detail::Figures)?;
    let Some(since) = loaded.since.view(&loaded, &evaluation).filter(|since| since.changes) else { return Ok(None) };
    let stood = evaluation.reported.map_or_else(|| "no result".to_owned(), |reported| reported.stated("±"));
    Ok(Some(format!("{}, {stood}: {}", loaded.row.code, since.words.join("; "))))
}
