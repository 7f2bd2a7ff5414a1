//! Pairs: recovery of additions, interferents, another method. Means of the pairs stand in a table of their own.

use super::place::{Block, Column, Derived, Place, Rows, Span};
use super::study::{Entry, Estimate, Planned, StudyCells, cell, given};
use super::tree::{Array, Comparison, Name, Scalar};
use crate::validation::{Statistic, StudyTerm};

/// A spiked datum with the unspiked of its pair.
struct Addition<'a> {
    level: &'a str,
    pair: &'a str,
    unspiked: &'a Span,
    row: usize,
}

/// Additions in the order of the block; what has no amount above 0 is none.
fn additions_of<'a>(block: &'a Block, added: &'a [String]) -> Vec<Addition<'a>> {
    let mut additions = Vec::new();
    for group in block.groups(1) {
        let (Some(unspiked), Some(spiked)) = (block.part(&group, "unspiked"), block.part(&group, "spiked")) else {
            continue;
        };
        let pair = unspiked.labels.first().map(String::as_str).unwrap_or_default();
        for row in spiked.first..=spiked.last {
            let level = added.get(row - block.first).map(String::as_str).unwrap_or_default();
            if level.parse::<f64>().is_ok_and(|added| added > 0.0) {
                additions.push(Addition { level, pair, unspiked, row });
            }
        }
    }
    additions
}

/// Recovery of every addition, those of one level together; `added` is beside the data of the block, row by row.
pub(super) fn additions(found: &mut StudyCells, plan: &Planned<'_>, (block, added): (&Block, &[String])) {
    let Some(letter) = block.letters.get(&Column::Added).copied() else { return };
    let mut additions = additions_of(block, added);
    let mut levels: Vec<&str> = Vec::new();
    for addition in &additions {
        if !levels.contains(&addition.level) {
            levels.push(addition.level);
        }
    }
    additions.sort_by_key(|addition| levels.iter().position(|level| *level == addition.level));
    found.heads(["Pair", "Mean unspiked", "Spiked", "Added", "Recovery"]);
    let first = found.next_row();
    for Addition { pair, unspiked, row, .. } in &additions {
        let there = |column, letter| cell(Place { column, letter, row: *row, fixed: true });
        let here = found.next_row();
        let beside = |column: Derived| cell(column.beside(here));
        let recovery = (beside(Derived::Spiked) - beside(Derived::Unspiked)) / beside(Derived::Addition);
        let (spiked, added) = (there(Column::Value, 'A'), there(Column::Added, letter));
        found.row(pair, [unspiked.values().mean(), spiked, added, recovery]);
    }
    let percent = |rows: Rows| {
        Estimate::mean(&Derived::Recovery.over(rows), rows.n(), plan.confidence).scaled(|mean| mean * 100.0)
    };
    if additions.len() > 1 {
        let all = Rows { first, last: first + additions.len() - 1 };
        let ratios = Derived::Recovery.over(all);
        let u = ratios.sample_deviation() / Scalar::from(all.n()).root();
        found.add(Statistic::Recovery, percent(all));
        // Both as fractions of 1.
        let of_one = u.named(Statistic::RecoveryUncertainty);
        found.add(Statistic::RecoveryT, (1.0 - ratios.mean()).absolute() / of_one);
        found.add(Statistic::RecoveryUncertainty, 100.0 * u);
    }
    let mut next = first;
    for level in levels {
        let n = additions.iter().filter(|addition| addition.level == level).count();
        let rows = Rows { first: next, last: next + n - 1 };
        next += n;
        if n > 1 {
            found.add_of(Statistic::RecoveryAtLevel, level, percent(rows));
        }
    }
}

/// Means of pairs with their differences: a row each, in columns A to E; those of one group together.
fn table(found: &mut StudyCells, block: &Block, depth: usize, arms: (&str, &str)) -> Vec<(String, Rows)> {
    let mut groups: Vec<(String, Rows)> = Vec::new();
    found.heads(["Pair", "Mean of the first", "Mean of the second", "Difference", "Difference, % of the first"]);
    for pair in block.groups(depth) {
        let labels: Vec<&str> = pair.labels.iter().map(String::as_str).collect();
        let arm = |name| block.part(&pair, name).map(Span::values);
        let (Some(one), Some(other)) = (arm(arms.0), arm(arms.1)) else { continue };
        let here = found.next_row();
        let beside = |column: Derived| cell(column.beside(here));
        let (first, difference) = (beside(Derived::First), beside(Derived::Difference));
        let relative = 100.0 * &difference / &first;
        let relative = first.choice(Comparison::Equal, &0.0.into(), &Scalar::empty(), &relative);
        let name = labels.last().copied().unwrap_or_default();
        let row = found.row(name, [one.mean(), other.mean(), beside(Derived::Second) - &first, relative]);
        let group = if labels.len() > 1 { labels[0] } else { "" };
        match groups.last_mut() {
            Some((known, rows)) if known == group => rows.last = row,
            _ => groups.push((group.to_owned(), Rows { first: row, last: row })),
        }
    }
    groups
}

/// p-value of two one-sided tests of a mean between margins.
fn equivalence(of: &Array, n: usize, (low, high): (f64, f64)) -> Option<Scalar> {
    let dof = n.checked_sub(1)?;
    let over = |margin: f64| (of.mean() - margin) * Scalar::from(n).root() / of.sample_deviation();
    Some(over(low).student_tail(dof).largest(&over(high).negative().student_tail(dof)))
}

/// The p-value of equivalence by the margins of the relative difference, else of the difference itself.
fn equivalent(plan: &Planned<'_>, rows: Rows, absolute: Statistic) -> Option<Scalar> {
    let over = |column: Derived, margins| equivalence(&column.over(rows), rows.n(), margins);
    match (plan.margins_of(Statistic::RelativeDifference), plan.margins_of(absolute)) {
        (Some(margins), _) => over(Derived::RelativeDifference, margins),
        (None, Some(margins)) => over(Derived::Difference, margins),
        (None, None) => None,
    }
}

/// With an interferent and without.
pub(super) fn interferents(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    for (name, rows) in table(found, block, 2, ("without", "with")) {
        if rows.n() < 2 {
            continue;
        }
        let mean = |column: Derived| Estimate::mean(&column.over(rows), rows.n(), plan.equivalence_confidence);
        found.add_of(Statistic::Difference, &name, mean(Derived::Difference));
        found.add_of(Statistic::RelativeDifference, &name, mean(Derived::RelativeDifference));
        if let Some(p) = equivalent(plan, rows, Statistic::Difference) {
            found.add_of(Statistic::EquivalenceP, &name, p);
        }
    }
}

/// Against another method: Deming's line with its jackknife, limits of agreement, equivalence.
pub(super) fn methods(found: &mut StudyCells, plan: &Planned<'_>, block: &Block) {
    let groups = table(found, block, 1, ("reference", "new"));
    let Some((_, rows)) = groups.first().filter(|(_, rows)| rows.n() > 2) else { return };
    let (n, differences) = (rows.n(), Derived::Difference.over(*rows));
    let mean = |column: Derived| Estimate::mean(&column.over(*rows), n, plan.equivalence_confidence);
    found.add(Statistic::MeanDifference, mean(Derived::Difference));
    found.add(Statistic::RelativeDifference, mean(Derived::RelativeDifference));
    if let Some(p) = equivalent(plan, *rows, Statistic::MeanDifference) {
        found.add(Statistic::EquivalenceP, p);
    }
    let (mean, sd) = (differences.mean().named(Statistic::MeanDifference), differences.sample_deviation());
    let share = 1.0 / Scalar::from(n) + Scalar::from(1.96).power(2.0) / (2.0 * Scalar::from(n - 1));
    let half = Scalar::student(plan.alpha(), n - 1) * &sd * share.root();
    let reach = 1.96 * sd;
    found.add(Statistic::LowerAgreement, Estimate::around(&(&mean - &reach), &half));
    found.add(Statistic::UpperAgreement, Estimate::around(&(mean + reach), &half));
    if n > 3 {
        deming(found, plan, *rows);
    }
}

/// Deming's slope from sums of squares and products. Two forms of the same root; the one that adds is taken.
fn deming_slope(ratio: &Scalar, (xx, yy, xy): (&Scalar, &Scalar, &Scalar)) -> Scalar {
    let difference = yy - ratio * xx;
    let root = (difference.power(2.0) + 4.0 * ratio * xy.power(2.0)).root();
    let one = (&difference + &root) / (2.0 * xy);
    let other = 2.0 * ratio * xy / (root - &difference);
    difference.choice(Comparison::AtLeast, &0.0.into(), &one, &other)
}

/// Deming's line, and beside every pair the line without it.
fn deming(found: &mut StudyCells, plan: &Planned<'_>, rows: Rows) {
    let n = rows.n();
    let ratio = given(StudyTerm::VarianceRatio, plan.variance_ratio);
    let (x, y) = (Derived::First.over(rows), Derived::Second.over(rows));
    let (mean_x, mean_y) = (x.mean(), y.mean());
    let known = |squares: Scalar, term| squares.known_as(Name::Term(term));
    let xx = known(x.squared_deviations(), StudyTerm::SquaresOfX);
    let yy = known(y.squared_deviations(), StudyTerm::SquaresOfY);
    let xy = known(x.less(&mean_x).products(&y.less(&mean_y)), StudyTerm::Products);
    if let Some(heads) = found.table.first_mut() {
        heads.extend(
            ["Sxx without", "Syy without", "Sxy without", "Slope without", "Intercept without"].map(Entry::Head),
        );
    }
    for (row, entries) in (rows.first..).zip(found.table.iter_mut().skip(1)) {
        let beside = |column: Derived| cell(column.beside(row));
        let (first, second) = (beside(Derived::First), beside(Derived::Second));
        let product = |a: Scalar, b: Scalar| a * b * n / (n - 1);
        let (off_x, off_y) = (|| &first - &mean_x, || &second - &mean_y);
        let left = |mean: &Scalar, one: &Scalar| (Scalar::from(n) * mean - one) / (n - 1);
        let sums = [Derived::SquaresOfFirst, Derived::SquaresOfSecond, Derived::Products].map(beside);
        let formulas = [
            &xx - product(off_x(), off_x()),
            &yy - product(off_y(), off_y()),
            &xy - product(off_x(), off_y()),
            deming_slope(&ratio, (&sums[0], &sums[1], &sums[2])),
            left(&mean_y, &second) - beside(Derived::Slope) * left(&mean_x, &first),
        ];
        entries.extend(formulas.map(Entry::Formula));
    }
    let slope = deming_slope(&ratio, (&xx, &yy, &xy)).named(Statistic::DemingSlope);
    let intercept = mean_y - &slope * mean_x;
    let t = Scalar::student(plan.alpha(), n - 2);
    let half = |column: Derived| {
        let spread = Scalar::from(n - 1) / n * column.over(rows).squared_deviations();
        &t * spread.root()
    };
    found.add(Statistic::DemingSlope, Estimate::around(&slope, &half(Derived::Slope)));
    found.add(Statistic::DemingIntercept, Estimate::around(&intercept, &half(Derived::Intercept)));
}
