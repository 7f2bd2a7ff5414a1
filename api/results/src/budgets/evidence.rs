//! What else was seen of a budget: titres, blanks, duplicates and proficiency rounds, and the ground of each of its lines.

use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::methods::store::versions;
use ferrotitre_core::control::budget::scatter;
use ferrotitre_core::determination::{Evidence, FEWEST_DEGREES};
use uuid::Uuid;

use crate::budgets::service::test;
use crate::budgets::store;
use crate::budgets::wire::{BudgetGroundView, EvidenceView, HeldView};
use crate::determinations::evidence::{Ground, History, history};

/// Fewest rounds that say anything; common practice, no source.
const FEWEST_ROUNDS: usize = 3;

/// What was seen of a version, the determination whose budget was taken apart, and its lines.
pub(super) type Found = (Vec<EvidenceView>, Option<Uuid>, Vec<BudgetGroundView>);

fn view(what: &'static str, unit: &str, of: Evidence) -> EvidenceView {
    let mut view = EvidenceView {
        what,
        unit: unit.to_owned(),
        degrees_of_freedom: 0,
        seen: None,
        claimed: None,
        test: None,
        not_tested: None,
    };
    match of {
        Evidence::Seen(seen) => {
            view.degrees_of_freedom = seen.degrees_of_freedom;
            (view.seen, view.claimed) = (Some(seen.seen), Some(seen.claimed));
            view.test = Some(test(seen.test));
        }
        Evidence::TooLittle { degrees_of_freedom } => {
            view.degrees_of_freedom = degrees_of_freedom;
            view.not_tested = Some(format!(
                "not enough data: {degrees_of_freedom} degrees of freedom, {FEWEST_DEGREES} are the fewest"
            ));
        }
        Evidence::NoClaim => {
            view.not_tested =
                Some("the method states no repeatability: each determination takes its own scatter".to_owned());
        }
    }
    view
}

/// Results of proficiency rounds against the assigned values: the sum of squared zeta scores.
///
/// # Source
/// zeta scores: ISO 13528:2022, 9.7.
fn rounds(history: &History, rounds: &[store::Round], version: &versions::Row) -> Result<EvidenceView, Refusal> {
    let (mut n, mut statistic, mut squares, mut claimed) = (0_usize, 0.0, 0.0, 0.0);
    let mut unit = String::new();
    for round in rounds {
        let Some((value, u)) = history.claimed(round.determination, version, &round.unit)? else { continue };
        let (off, both) = (value - round.assigned_value.value(), u.hypot(round.assigned_u.value()));
        if both == 0.0 || (n > 0 && unit != round.unit) {
            continue;
        }
        unit.clone_from(&round.unit);
        n += 1;
        statistic += (off / both).powi(2);
        squares += off * off;
        claimed += both * both;
    }
    let mut view = EvidenceView {
        what: "proficiency rounds",
        unit,
        degrees_of_freedom: n,
        seen: None,
        claimed: None,
        test: None,
        not_tested: None,
    };
    if n < FEWEST_ROUNDS {
        view.not_tested = Some(format!(
            "not enough data: {n} rounds with a determination by this method, {FEWEST_ROUNDS} are the fewest"
        ));
        return Ok(view);
    }
    let root = |sum: f64| (sum / n as f64).sqrt();
    (view.seen, view.claimed) = (Some(root(squares)), Some(root(claimed)));
    view.test = scatter(statistic, n as f64).ok().map(test);
    Ok(view)
}

/// What stands behind a line that titres or blanks speak for.
fn of_scatter(of: &Evidence, shown: &EvidenceView, single: &str) -> (&'static str, String) {
    match of {
        Evidence::Seen(seen) => {
            let words =
                format!("s = {:.3} mL of {single} with {} degrees of freedom", seen.seen, seen.degrees_of_freedom);
            (if seen.test.refuted { "refuted" } else { "seen" }, words)
        }
        Evidence::NoClaim => ("seen", "scatter of the determination itself".to_owned()),
        Evidence::TooLittle { .. } => {
            let why = shown.not_tested.as_deref().unwrap_or_default();
            ("assumption", format!("repeatability of the method; {single}: {why}"))
        }
    }
}

fn of_charts(version: &versions::Row, charts: &[HeldView]) -> (&'static str, String) {
    let on = version.facts.rules.0.seen_on.as_deref();
    let refuted = charts.iter().any(|one| one.held.as_ref().is_some_and(|held| held.refuted));
    (if refuted { "refuted" } else { "seen" }, on.unwrap_or("control charts").to_owned())
}

/// The past of a method: its determinations, and the rounds whose own result is one of them.
pub(super) struct Past {
    history: History,
    rounds: Vec<store::Round>,
}

impl Past {
    pub(super) async fn read(connection: &Connection, methods: &[MethodId]) -> Result<Self, Refusal> {
        let rounds = store::rounds(connection, methods).await?;
        let named: Vec<Uuid> = rounds.iter().map(|round| round.determination).collect();
        Ok(Self { history: history(connection, methods, &named).await?, rounds })
    }

    /// What it shows of the budget of a version.
    pub(super) async fn found(
        &self,
        connection: &Connection,
        (version, charts): (&versions::Row, &[HeldView]),
    ) -> Result<Found, Refusal> {
        let shown = self.history.shown(connection, version).await?;
        let titres = view("titres", "mL", shown.titres);
        let blanks = view("blanks", "mL", shown.blanks);
        let factors = view("standardisations", "1", shown.factors);
        let whole: f64 = shown.lines.iter().map(|(line, _)| line.contribution * line.contribution).sum();
        let mut lines: Vec<BudgetGroundView> = Vec::with_capacity(shown.lines.len());
        for (line, ground) in shown.lines {
            let (ground, words) = match ground {
                Ground::Titres => of_scatter(&shown.titres, &titres, "single titres"),
                Ground::Blanks => of_scatter(&shown.blanks, &blanks, "single blanks"),
                Ground::Charts => of_charts(version, charts),
                Ground::Calibration(words) => ("certificate", words),
                Ground::Standardised(lot) => {
                    let refuted = factors.test.is_some_and(|test| test.refuted);
                    (if refuted { "refuted" } else { "seen" }, format!("replicates of the standardisation of {lot}"))
                }
                Ground::Prepared(lot) => {
                    ("certificate", format!("preparation of {lot} by mass, certificate of its standard"))
                }
                Ground::Balance => ("certificate", "calibration of the balance".to_owned()),
                Ground::Published(words) => ("published", words.to_owned()),
                Ground::Stated(words) => ("assumption", words.to_owned()),
            };
            let part = line.contribution * line.contribution;
            let share_percent = if whole > 0.0 { 100.0 * part / whole } else { 0.0 };
            lines.push(BudgetGroundView { label: line.input.label, share_percent, ground, words });
        }
        lines.sort_by(|a, b| b.share_percent.total_cmp(&a.share_percent));
        let duplicates = view("duplicates", shown.unit, shown.duplicates);
        let rounds = rounds(&self.history, &self.rounds, version)?;
        Ok((vec![titres, blanks, factors, duplicates, rounds], shown.of, lines))
    }
}
