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
use crate::determinations::evidence::{Ground, of_method};
use crate::determinations::measured;

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
async fn rounds(
    connection: &Connection,
    methods: &[MethodId],
    version: &versions::Row,
) -> Result<EvidenceView, Refusal> {
    let between = version.facts.rules.0.between_runs();
    let (mut n, mut statistic, mut squares, mut claimed) = (0_usize, 0.0, 0.0, 0.0);
    let mut unit = String::new();
    for round in store::rounds(connection, methods).await? {
        let of = measured::claimed(connection, round.determination, between, &round.unit).await?;
        let Some((value, u)) = of else { continue };
        let (off, both) = (value - round.assigned_value.value(), u.hypot(round.assigned_u.value()));
        if both.partial_cmp(&0.0) != Some(std::cmp::Ordering::Greater) || (n > 0 && unit != round.unit) {
            continue;
        }
        unit = round.unit;
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
fn of_scatter(of: &EvidenceView, single: &str) -> (&'static str, String) {
    let Some((found, seen)) = of.test.zip(of.seen) else {
        let why = of.not_tested.clone().unwrap_or_default();
        return match of.degrees_of_freedom {
            0 if why.starts_with("the method") => ("seen", "scatter of the determination itself".to_owned()),
            _ => ("assumption", format!("repeatability of the method; {single}: {why}")),
        };
    };
    let words = format!("s = {seen:.3} {} of {single} with {} degrees of freedom", of.unit, of.degrees_of_freedom);
    (if found.refuted { "refuted" } else { "seen" }, words)
}

fn of_charts(version: &versions::Row, charts: &[HeldView]) -> (&'static str, String) {
    let on = version.facts.rules.0.seen_on.as_deref();
    let refuted = charts.iter().any(|one| one.held.as_ref().is_some_and(|held| held.refuted));
    (if refuted { "refuted" } else { "seen" }, on.unwrap_or("control charts").to_owned())
}

/// What the determinations and rounds by a method show of the budget of one of its versions.
pub(super) async fn found(
    connection: &Connection,
    methods: &[MethodId],
    (version, charts): (&versions::Row, &[HeldView]),
) -> Result<Found, Refusal> {
    let shown = of_method(connection, methods, version).await?;
    let titres = view("titres", "mL", shown.titres);
    let blanks = view("blanks", "mL", shown.blanks);
    let whole: f64 = shown.lines.iter().map(|(line, _)| line.contribution * line.contribution).sum();
    let mut lines: Vec<BudgetGroundView> = shown
        .lines
        .into_iter()
        .map(|(line, ground)| {
            let (ground, words) = match ground {
                Ground::Titres => of_scatter(&titres, "single titres"),
                Ground::Blanks => of_scatter(&blanks, "single blanks"),
                Ground::Charts => of_charts(version, charts),
                Ground::Calibration(words) => ("certificate", words),
                Ground::Factor(words) => ("certificate", words),
                Ground::Balance => ("certificate", "calibration of the balance".to_owned()),
                Ground::Published(words) => ("published", words.to_owned()),
                Ground::Stated(words) => ("assumption", words.to_owned()),
            };
            let share_percent = if whole > 0.0 { 100.0 * line.contribution * line.contribution / whole } else { 0.0 };
            BudgetGroundView { label: line.input.label, share_percent, ground, words }
        })
        .collect();
    lines.sort_by(|a, b| b.share_percent.total_cmp(&a.share_percent));
    let duplicates = view("duplicates", shown.unit, shown.duplicates);
    let factors = view("standardisations", "1", shown.factors);
    let rounds = rounds(connection, methods, version).await?;
    Ok((vec![titres, blanks, factors, duplicates, rounds], shown.of.map(|(id, _)| id), lines))
}
