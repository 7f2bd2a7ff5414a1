//! Live formulas of pairs: recovery, selectivity, comparison of methods. Means of the pairs stand in a table of their own.

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::validation::Statistic;
use ferrotitre_quality::validation_studies::answer::CharacteristicAnswer;
use ferrotitre_quality::validation_studies::kinds::Label;
use ferrotitre_quality::validation_studies::statistics::Point;

use super::live::{Block, Formulas, Live, Span, equivalence, margins, range, student};
use crate::cells::Cell;

/// Rows of the table that belong together.
struct Rows {
    first: usize,
    last: usize,
}

impl Rows {
    fn n(&self) -> usize {
        self.last + 1 - self.first
    }

    fn of(&self, letter: &str) -> String {
        range(letter, self.first, self.last)
    }
}

/// Recovery of every addition, those of one level together; `points` are the data of the block in its order.
pub(super) fn recovery(answer: &CharacteristicAnswer, block: &Block, points: &[&Point]) -> Formulas {
    let mut found = Formulas::default();
    let confidence = answer.design.confidence();
    let Some(letter) = block.letter("added") else { return found };
    // Level, pair, rows of the unspiked, row of the spiked.
    let mut additions: Vec<(String, &str, &Span, usize)> = Vec::new();
    for pair in block.groups(1) {
        let Some(name) = pair.labels.first() else { continue };
        let (Some(without), Some(with)) = (block.span(&[name, "unspiked"]), block.span(&[name, "spiked"])) else {
            continue;
        };
        let name = without.labels.first().map(String::as_str).unwrap_or_default();
        for line in with.first..=with.last {
            let level = points.get(line - block.first).map(|point| point.labels.text(Label::Added)).unwrap_or_default();
            if level.parse::<f64>().is_ok_and(|added| added > 0.0) {
                additions.push((level, name, without, line));
            }
        }
    }
    let mut levels: Vec<String> = Vec::new();
    for (level, ..) in &additions {
        if !levels.contains(level) {
            levels.push(level.clone());
        }
    }
    additions.sort_by_key(|(level, ..)| levels.iter().position(|other| other == level));
    found.table.push(["Pair", "Mean unspiked", "Spiked", "Added", "Recovery"].map(Cell::Head).to_vec());
    for (row, (_, name, without, line)) in (block.free + 1..).zip(&additions) {
        let formulas = [
            format!("=AVERAGE({})", without.values()),
            format!("=$A${line}"),
            format!("=${letter}${line}"),
            format!("=(C{row}-B{row})/D{row}"),
        ];
        found.table.push(std::iter::once(Cell::text(*name)).chain(formulas.map(Cell::Formula)).collect());
    }
    let percent = |rows: &Rows| Live::mean(&rows.of("E"), rows.n(), confidence).times("100");
    if additions.len() > 1 {
        let all = Rows { first: block.free + 1, last: block.free + additions.len() };
        let ratios = all.of("E");
        let u = format!("(STDEV({ratios})/SQRT({}))", all.n());
        found.add(Statistic::Recovery, percent(&all));
        found.add_value(Statistic::RecoveryT, format!("ABS(1-AVERAGE({ratios}))/{u}"));
        found.add_value(Statistic::RecoveryUncertainty, format!("100*{u}"));
    }
    let mut next = block.free + 1;
    for level in &levels {
        let n = additions.iter().filter(|(other, ..)| other == level).count();
        let rows = Rows { first: next, last: next + n - 1 };
        next += n;
        if n > 1 {
            found.add_of(Statistic::RecoveryAtLevel, level, percent(&rows));
        }
    }
    found
}

/// Means of pairs with their differences: a row each, in columns A to E; those of one group together.
fn table(found: &mut Formulas, block: &Block, pairs: &[Span], arms: (&str, &str)) -> Vec<(String, Rows)> {
    let mut groups: Vec<(String, Rows)> = Vec::new();
    let heads = ["Pair", "Mean of the first", "Mean of the second", "Difference", "Difference, % of the first"];
    found.table.push(heads.map(Cell::Head).to_vec());
    for pair in pairs {
        let labels: Vec<&str> = pair.labels.iter().map(String::as_str).collect();
        let arm = |name: &str| {
            let wanted =
                |span: &&Span| span.labels.split_last().is_some_and(|(arm, of)| arm == name && of == pair.labels);
            block.spans.iter().find(wanted).map(Span::values)
        };
        let (Some(one), Some(other)) = (arm(arms.0), arm(arms.1)) else { continue };
        let row = block.free + found.table.len();
        let cells = [
            format!("=AVERAGE({one})"),
            format!("=AVERAGE({other})"),
            format!("=C{row}-B{row}"),
            format!("=IF(B{row}=0,\"\",100*D{row}/B{row})"),
        ];
        let name = labels.last().copied().unwrap_or_default();
        found.table.push(std::iter::once(Cell::text(name)).chain(cells.map(Cell::Formula)).collect());
        let group = if labels.len() > 1 { labels[0] } else { "" };
        match groups.last_mut() {
            Some((known, rows)) if known == group => rows.last = row,
            _ => groups.push((group.to_owned(), Rows { first: row, last: row })),
        }
    }
    groups
}

/// The p-value of equivalence by the margins of the relative difference, else of the difference itself.
fn equivalent(answer: &CharacteristicAnswer, rows: &Rows, absolute: Statistic) -> Option<String> {
    match (margins(answer, Statistic::RelativeDifference), margins(answer, absolute)) {
        (Some(between), _) => equivalence(&rows.of("E"), rows.n(), between),
        (None, Some(between)) => equivalence(&rows.of("D"), rows.n(), between),
        (None, None) => None,
    }
}

/// With an interferent and without.
pub(super) fn selectivity(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let confidence = answer.design.equivalence_confidence();
    for (name, rows) in table(&mut found, block, &block.groups(2), ("without", "with")) {
        if rows.n() < 2 {
            continue;
        }
        found.add_of(Statistic::Difference, &name, Live::mean(&rows.of("D"), rows.n(), confidence));
        found.add_of(Statistic::RelativeDifference, &name, Live::mean(&rows.of("E"), rows.n(), confidence));
        if let Some(p) = equivalent(answer, &rows, Statistic::Difference) {
            found.add_of(Statistic::EquivalenceP, &name, Live::value(p));
        }
    }
    found
}

/// Against another method: Deming's line with its jackknife, limits of agreement, equivalence.
pub(super) fn comparison(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let design = &answer.design;
    let groups = table(&mut found, block, &block.groups(1), ("reference", "new"));
    let Some((_, rows)) = groups.first().filter(|(_, rows)| rows.n() > 2) else { return found };
    let (n, differences) = (rows.n(), rows.of("D"));
    found.add(Statistic::MeanDifference, Live::mean(&differences, n, design.equivalence_confidence()));
    found.add(Statistic::RelativeDifference, Live::mean(&rows.of("E"), n, design.equivalence_confidence()));
    if let Some(p) = equivalent(answer, rows, Statistic::MeanDifference) {
        found.add_value(Statistic::EquivalenceP, p);
    }
    let alpha = 1.0 - design.confidence();
    let (mean, sd) = (format!("AVERAGE({differences})"), format!("STDEV({differences})"));
    let half = format!("{}*{sd}*SQRT(1/{n}+1.96^2/(2*{}))", student(alpha, n - 1), n - 1);
    found.add(Statistic::LowerAgreement, Live::around(&format!("({mean}-1.96*{sd})"), &half));
    found.add(Statistic::UpperAgreement, Live::around(&format!("({mean}+1.96*{sd})"), &half));
    if n > 3 {
        deming(&mut found, rows, design.variance_ratio.as_ref().map_or(1.0, Decimal::value), alpha);
    }
    found
}

/// Deming's line, and beside every pair the line without it.
fn deming(found: &mut Formulas, rows: &Rows, ratio: f64, alpha: f64) {
    let n = rows.n();
    let (x, y) = (rows.of("B"), rows.of("C"));
    let (mean_x, mean_y) = (format!("AVERAGE({x})"), format!("AVERAGE({y})"));
    let xy = format!("SUMPRODUCT({x}-{mean_x},{y}-{mean_y})");
    // Two forms of the same root; the one that adds is taken.
    let slope = |xx: &str, yy: &str, xy: &str| {
        let difference = format!("({yy}-{ratio}*{xx})");
        let root = format!("SQRT({difference}^2+4*{ratio}*{xy}^2)");
        format!("IF({difference}>=0,({difference}+{root})/(2*{xy}),2*{ratio}*{xy}/({root}-{difference}))")
    };
    if let Some(heads) = found.table.first_mut() {
        heads.extend(
            ["Sxx without", "Syy without", "Sxy without", "Slope without", "Intercept without"].map(Cell::Head),
        );
    }
    for (row, cells) in (rows.first..).zip(found.table.iter_mut().skip(1)) {
        let off = |a: &str, mean_a: &str, b: &str, mean_b: &str| {
            format!("({a}{row}-{mean_a})*({b}{row}-{mean_b})*{n}/{}", n - 1)
        };
        let left = |letter: &str, mean: &str| format!("({n}*{mean}-{letter}{row})/{}", n - 1);
        let (sxx, syy, sxy) = (format!("F{row}"), format!("G{row}"), format!("H{row}"));
        let formulas = [
            format!("=DEVSQ({x})-{}", off("B", &mean_x, "B", &mean_x)),
            format!("=DEVSQ({y})-{}", off("C", &mean_y, "C", &mean_y)),
            format!("={xy}-{}", off("B", &mean_x, "C", &mean_y)),
            format!("={}", slope(&sxx, &syy, &sxy)),
            format!("={}-I{row}*{}", left("C", &mean_y), left("B", &mean_x)),
        ];
        cells.extend(formulas.map(Cell::Formula));
    }
    let b = slope(&format!("DEVSQ({x})"), &format!("DEVSQ({y})"), &xy);
    let a = format!("({mean_y}-{b}*{mean_x})");
    let t = student(alpha, n - 2);
    let half = |letter: &str| format!("{t}*SQRT({}/{n}*DEVSQ({}))", n - 1, rows.of(letter));
    found.add(Statistic::DemingSlope, Live::around(&b, &half("I")));
    found.add(Statistic::DemingIntercept, Live::around(&a, &half("J")));
}
