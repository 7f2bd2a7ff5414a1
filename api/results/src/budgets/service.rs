//! Use cases of budgets that answer to their charts.

use std::collections::HashSet;
use std::sync::Mutex;

use ferrotitre_base::alert::{Alert, Urgency};
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{BudgetDecisionId, MethodId};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::answer::Answer;
use ferrotitre_bench::methods::store::{version_ids, versions};
use ferrotitre_core::control::budget::{self, Claim, Test};
use ferrotitre_core::control::process::long_term;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_core::uncertainty::nordtest::{BiasSource, top_down};
use uuid::Uuid;

use crate::budgets::wire::{
    BudgetDecisionView, BudgetsView, Figures, HeldView, NewBudgetDecision, TestView, VersionBudget,
};
use crate::budgets::{evidence, store};
use crate::control_charts::statistics::{Seen, seen};
use crate::control_charts::store::charts;
use crate::determinations::measured;

const KIND: EntityKind = EntityKind::Method;
/// Newest control determinations whose budgets speak for the method.
const MOST_CLAIMS: usize = 5;
/// Method versions that are looked at for alerts.
const MOST_VERSIONS: i64 = 200;

pub(super) fn test(of: Test) -> TestView {
    TestView { statistic: of.statistic, critical: of.critical, p: of.p, refuted: of.refuted }
}

impl HeldView {
    /// Refuted, and nobody said why results go on being judged.
    fn blocks(&self) -> bool {
        self.decision.is_none() && self.held.as_ref().is_some_and(|held| held.refuted)
    }

    /// What the chart says of a refuted budget.
    #[must_use]
    pub fn words(&self) -> Option<String> {
        let held = self.held.as_ref().filter(|held| held.refuted)?;
        let scatter = held.scatter.refuted.then(|| {
            format!(
                "{} runs scatter by s = {:.3} {}, more than the u = {:.3} {} of the budget explains (chi-squared {:.1}, at most {:.1})",
                self.runs, held.s_rw, self.unit, held.claimed_u, self.unit, held.scatter.statistic, held.scatter.critical
            )
        });
        let bias = held.bias_test.filter(|test| test.refuted).zip(held.bias).map(|(test, bias)| {
            format!(
                "their mean is {bias:+.3} {} off the assigned value, more than the budget explains ({:.2}, at most {:.2})",
                self.unit, test.statistic, test.critical
            )
        });
        let both: Vec<String> = scatter.into_iter().chain(bias).collect();
        Some(format!("chart {}: {}", self.code, both.join("; ")))
    }
}

async fn figures(
    connection: &Connection,
    version: &versions::Row,
    chart: &charts::Row,
    seen: &Seen,
) -> Result<Result<Figures, String>, Refusal> {
    let mut claims = Vec::new();
    for id in seen.determinations.iter().take(MOST_CLAIMS) {
        let between_runs = version.facts.rules.0.between_runs();
        claims.extend(measured::claimed(connection, *id, between_runs, &chart.unit).await?.map(|(_, u)| u));
    }
    if claims.is_empty() {
        return Ok(Err(format!("no determination behind its points has a result in {}", chart.unit)));
    }
    let values: Vec<f64> = seen.points.iter().map(|(_, value)| *value).collect();
    let (assigned, u_assigned) = seen.assigned.unzip();
    let claimed_u = (claims.iter().map(|u| u * u).sum::<f64>() / claims.len() as f64).sqrt();
    let said = |error: ferrotitre_core::control::ControlError| error.to_string();
    let whole = match long_term(&values, assigned.unwrap_or_default(), u_assigned.unwrap_or_default()) {
        Ok(whole) => whole,
        Err(error) => return Ok(Err(said(error))),
    };
    let held = match budget::hold(&whole, Claim { u: claimed_u, u_assigned }) {
        Ok(held) => held,
        Err(error) => return Ok(Err(said(error))),
    };
    let n = u32::try_from(whole.n).unwrap_or(u32::MAX);
    let source =
        u_assigned.map(|u_reference| BiasSource::OneMaterial { bias: whole.bias, s: whole.s_rw, n, u_reference });
    let top_down_u = source.and_then(|source| top_down(whole.s_rw, &source).ok()).map(|of| of.combined);
    let percent = |u: f64| 100.0 * u / whole.mean.abs();
    Ok(Ok(Figures {
        mean: whole.mean,
        s_rw: whole.s_rw,
        bias: assigned.map(|_| whole.bias),
        claimed_u,
        claimed_by: claims.len(),
        refuted: held.is_refuted(),
        scatter: test(held.scatter),
        bias_test: held.bias.map(test),
        top_down_u,
        lacking_percent: percent(held.lacking),
        top_down_percent: top_down_u.map(percent),
    }))
}

/// Charts in use; those that remember only where there is no plain one, which has the same values.
async fn telling(connection: &Connection, version: &versions::Row) -> Result<Vec<charts::Row>, Refusal> {
    let mut charts = charts::of_method(connection, version.record_id).await?;
    let ids: Vec<Uuid> = charts.iter().map(|chart| chart.id.0).collect();
    let known = states::present_many(connection, EntityKind::ControlChart, &ids).await?;
    charts.retain(|chart| known.get(&chart.id.0).is_none_or(|state| state == "in use"));
    charts.dedup_by(|later, kept| {
        later.quantity != "x" && (later.material_id, &later.unit) == (kept.material_id, &kept.unit)
    });
    Ok(charts)
}

async fn held(connection: &Connection, version: &versions::Row) -> Result<Vec<HeldView>, Refusal> {
    let charts = telling(connection, version).await?;
    if charts.is_empty() {
        return Ok(Vec::new());
    }
    let decisions = store::of_version(connection, version.id).await?;
    let mut views = Vec::with_capacity(charts.len());
    for chart in &charts {
        let seen = seen(connection, chart).await?;
        let (held, not_enough_data) = match figures(connection, version, chart, &seen).await? {
            Ok(figures) => (Some(figures), None),
            Err(why) => (None, Some(why)),
        };
        let mine = decisions.iter().rfind(|one| one.chart_id == chart.id && one.phase_id == seen.phase);
        views.push(HeldView {
            chart: chart.id,
            code: chart.code.clone(),
            unit: chart.unit.clone(),
            phase: seen.phase,
            runs: seen.points.len() as u64,
            held,
            not_enough_data,
            decision: mine.cloned().map(|row| decision(version.record_id, row)),
        });
    }
    Ok(views)
}

fn decision(method: Uuid, row: store::Row) -> BudgetDecisionView {
    BudgetDecisionView {
        id: row.id,
        method,
        method_version: row.method_id,
        chart: row.chart_id,
        seen: row.seen,
        reason: row.reason,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    }
}

/// The budgets of a method's versions that are in force or in draft.
pub async fn read(db: &Db, id: Uuid) -> Result<BudgetsView, Refusal> {
    db.read(async |connection| {
        let ids = version_ids(connection, id).await?;
        let mut rows = versions::several(connection, &ids).await?;
        rows.sort_by_key(|row| std::cmp::Reverse(row.version));
        let code = rows.first().map(|row| row.facts.code.clone()).ok_or_else(|| Refusal::not_found("method", id))?;
        let plain: Vec<Uuid> = ids.iter().map(|id| id.0).collect();
        let known = states::present_many(connection, KIND, &plain).await?;
        let past = evidence::Past::read(connection, &ids).await?;
        let mut views = Vec::new();
        for row in rows {
            let state = known.get(&row.id.0).cloned().unwrap_or_else(|| KIND.first_state().to_owned());
            if matches!(state.as_str(), "superseded" | "withdrawn" | "rejected") {
                continue;
            }
            let charts = held(connection, &row).await?;
            let (evidence, lines_of, lines) = past.found(connection, (&row, &charts)).await?;
            views.push(VersionBudget {
                id: row.id,
                version: row.version,
                state,
                uncertainty: row.facts.rules.0.uncertainty_words(),
                blocked: charts.iter().any(HeldView::blocks),
                charts,
                evidence,
                lines_of,
                lines,
            });
        }
        Ok(BudgetsView { method: id, code, level: budget::LEVEL, versions: views })
    })
    .await
}

/// What control charts have seen, for a picture: chart, points, and the claim of a version.
pub(super) async fn drawn(db: &Db, version: MethodId) -> Result<Vec<(charts::Row, Seen, Option<Figures>)>, Refusal> {
    db.read(async |connection| {
        let version = versions::exactly(connection, version).await?;
        let mut all = Vec::new();
        for chart in telling(connection, &version).await? {
            let seen = seen(connection, &chart).await?;
            let figures = figures(connection, &version, &chart, &seen).await?.ok();
            all.push((chart, seen, figures));
        }
        Ok(all)
    })
    .await
}

/// Says why results of a version go on being judged.
pub async fn decide(db: &Db, act: &Act, id: Uuid, new: NewBudgetDecision) -> Result<Answer, Refusal> {
    let reason = new.reason.trim();
    let mut errors = FieldErrors::default();
    errors.require(reason.chars().count() >= 5, "reason", "reason", "must say why, in at least 5 characters", reason);
    errors.check()?;
    let by = act.actor.ok_or_else(|| Refusal::new(Code::Forbidden, "a person decides"))?;
    db.write(act, async |connection| {
        let ids = version_ids(connection, id).await?;
        if !ids.contains(&new.method_version) {
            return Err(Refusal::new(Code::UnknownReference, "there is no such version of this method").at(
                "method_version",
                "exists",
                new.method_version,
            ));
        }
        let version = versions::exactly(connection, new.method_version).await?;
        let all = held(connection, &version).await?;
        let one = all.iter().find(|one| one.chart == new.chart).ok_or_else(|| {
            Refusal::new(Code::UnknownReference, "the method has no such chart in use").at("chart", "exists", new.chart)
        })?;
        let Some(words) = one.words() else {
            let detail = format!("chart {} does not refute the budget of version {}", one.code, version.version);
            return Err(Refusal::new(Code::StateConflict, detail));
        };
        let row = store::Row {
            id: BudgetDecisionId::new(),
            method_id: version.id,
            chart_id: new.chart,
            phase_id: one.phase,
            seen: words,
            reason: reason.to_owned(),
            recorded_at: chrono::Utc::now(),
            recorded_by: by,
        };
        Ok(decision(id, store::insert(connection, &row).await?))
    })
    .await
}

/// Whether results of these method versions may be judged against specifications.
///
/// # Errors
/// A chart refutes the budget of one of them, and nobody has decided.
pub async fn may_judge(connection: &Connection, methods: &[MethodId]) -> Result<(), Refusal> {
    for id in methods.iter().collect::<HashSet<_>>() {
        let version = versions::exactly(connection, *id).await?;
        let all = held(connection, &version).await?;
        if let Some(words) = all.iter().filter(|one| one.blocks()).find_map(HeldView::words) {
            let detail = format!(
                "the result is judged against a specification, and the uncertainty budget of {} version {} is refuted by its own \
                 control chart ({words}); approve a version that takes in what the chart saw, or let a manager say on the page of \
                 the budget why results may be judged",
                version.facts.code, version.version
            );
            return Err(Refusal::new(Code::StateConflict, detail));
        }
    }
    Ok(())
}

/// What was found last, and the newest row it was found of.
static LOOKED: Mutex<Option<(Option<Uuid>, Vec<Alert>)>> = Mutex::new(None);

/// Versions in force whose budget is refuted and waits for a decision. Evaluated anew only after something was recorded that can
/// change it.
pub async fn alerts(connection: &Connection) -> Result<Vec<Alert>, Refusal> {
    let newest = store::newest(connection).await?;
    if let Ok(looked) = LOOKED.lock()
        && let Some((of, found)) = &*looked
        && *of == newest
    {
        return Ok(found.clone());
    }
    let mut found = Vec::new();
    for id in states::in_state(connection, KIND, "approved", (Uuid::max(), MOST_VERSIONS)).await? {
        let version = versions::exactly(connection, MethodId(id)).await?;
        let all = held(connection, &version).await?;
        found.extend(all.iter().filter(|one| one.blocks()).filter_map(|one| {
            Some(Alert {
                kind: "budget refuted by its chart",
                urgency: Urgency::Now,
                subject_kind: "budgets",
                subject: version.record_id,
                code: version.facts.code.clone(),
                message: one.words()?,
                due_at: None,
            })
        }));
    }
    if let Ok(mut looked) = LOOKED.lock() {
        *looked = Some((newest, found.clone()));
    }
    Ok(found)
}
