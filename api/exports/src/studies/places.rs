//! Where the data of a characteristic stand on its sheet, and what its plan says, as core's expressions want to know them.

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::validation::Statistic;
use ferrotitre_core::validation::cells::{Block, Column, Entry, Planned, Scalar, Shape, StudyCells};
use ferrotitre_quality::validation_studies::answer::InputTable;
use ferrotitre_quality::validation_studies::kinds::{Kind, Label, Limit, Rule};
use ferrotitre_quality::validation_studies::statistics::{Point, Question};

use crate::cells::Cell;

/// Expressions of the statistics of data in a block; `points` are the data in its order.
pub(super) fn expressions(of: &Question<'_>, block: &Block, points: &[&Point]) -> StudyCells {
    let added: Vec<String> = match of.kind {
        Kind::Recovery => points.iter().map(|point| point.labels.text(Label::Added)).collect(),
        _ => Vec::new(),
    };
    StudyCells::of(shape(of.kind, &added), &planned(of), block)
}

fn shape(kind: Kind, added: &[String]) -> Shape<'_> {
    match kind {
        Kind::Repeatability | Kind::IntermediatePrecision => Shape::Groups,
        Kind::Trueness => Shape::Certified,
        Kind::Competence => Shape::Competence,
        Kind::Detection => Shape::NearZero,
        Kind::DetectionByDifference => Shape::Totals,
        Kind::Ruggedness => Shape::Runs,
        Kind::Uncertainty => Shape::Arms,
        Kind::Linearity => Shape::Levels,
        Kind::Stability => Shape::Storages,
        Kind::Recovery => Shape::Additions(added),
        Kind::Selectivity => Shape::Interferents,
        Kind::MethodComparison => Shape::Methods,
    }
}

fn planned<'a>(of: &Question<'a>) -> Planned<'a> {
    let design = of.design;
    let both = |a: &Option<Decimal>, b: &Option<Decimal>| Some((a.as_ref()?.value(), b.as_ref()?.value()));
    let number = |of: &Option<Decimal>| of.as_ref().map(Decimal::value);
    Planned {
        unit: of.unit,
        confidence: design.confidence(),
        equivalence_confidence: design.equivalence_confidence(),
        reference: both(&design.reference, &design.reference_u),
        method_sd: number(&design.known_sd),
        method_sd_dof: number(&design.known_sd_df),
        variance_ratio: number(&design.variance_ratio).unwrap_or(1.0),
        replicates: design.routine_replicates.unwrap_or(1),
        blanks: design.routine_blanks,
        quantification_factor: number(&design.quantification_factor).unwrap_or(10.0),
        titre: both(&design.titre_ml, &design.titre_u_ml),
        holding_hours: number(&design.holding_hours),
        factors: design.factors.iter().map(|factor| factor.name.as_str()).collect(),
        margins: margins(of.limits),
    }
}

/// Limits as margins, where the whole interval must lie between them: the first of each statistic, if it has both ends.
fn margins(limits: &[Limit]) -> Vec<(Statistic, (f64, f64))> {
    let whole = limits.iter().filter(|limit| limit.rule == Rule::Interval);
    let mut first: Vec<&Limit> = Vec::new();
    for limit in whole {
        if first.iter().all(|known| known.statistic != limit.statistic) {
            first.push(limit);
        }
    }
    let ends = |limit: &Limit| Some((limit.lower.as_ref()?.value(), limit.upper.as_ref()?.value()));
    first.into_iter().filter_map(|limit| Some((Statistic::named(&limit.statistic)?, ends(limit)?))).collect()
}

/// Letters of the columns that expressions refer to beside the values.
pub(super) fn letters(inputs: &InputTable) -> impl Iterator<Item = (Column, char)> {
    inputs.columns.iter().zip('A'..='Z').filter_map(|(column, letter)| {
        let column = match column.name.as_str() {
            "standard_uncertainty" => Column::Uncertainty,
            name if name == Label::Taken.name() => Column::Taken,
            name if name == Label::Added.name() => Column::Added,
            name if name == Label::Hours.name() => Column::Hours,
            _ => return None,
        };
        Some((column, letter))
    })
}

/// An expression as a cell.
pub(super) fn formula(of: &Scalar) -> Cell {
    Cell::Formula(format!("={}", of.formula()))
}

impl From<Entry> for Cell {
    fn from(entry: Entry) -> Self {
        match entry {
            Entry::Empty => Self::Empty,
            Entry::Head(text) => Self::Head(text),
            Entry::Text(text) => Self::Text(text),
            Entry::Number(number) => Self::Number(number),
            Entry::Formula(of) => formula(&of),
        }
    }
}
