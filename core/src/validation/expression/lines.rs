//! Straight lines: linearity with lack of fit, change with time.

use super::{Abscissa, Entered, Forms, Stated, nodes};
use crate::validation::{Statistic, StudyTerm};
use crate::working::{Handle, Index};

/// A line through points.
struct Line<'s, 'r> {
    x: Vec<Entered<'s, 'r>>,
    y: Vec<Entered<'s, 'r>>,
    /// About their means.
    off: (Vec<Handle<'s>>, Vec<Handle<'s>>),
    slope: Handle<'s>,
}

impl<'s, 'r> Forms<'s, 'r> {
    /// Found against taken, or a content against hours.
    pub(super) fn of_line(
        self,
        of: Statistic,
        x: Abscissa,
        points: &[(Stated<'r>, Stated<'r>)],
        holding: Option<&Stated<'r>>,
    ) -> Option<Handle<'s>> {
        let line = self.fitted(x, points)?;
        match of {
            Statistic::Slope | Statistic::ChangeRate => Some(line.slope),
            Statistic::Intercept => Some(self.named(self.intercept(&line), of)),
            Statistic::Change | Statistic::RelativeChange => {
                let change = line.slope * self.leaf(StudyTerm::HoldingTime, holding?).node;
                let change = self.named(change, Statistic::Change);
                if of == Statistic::Change {
                    return Some(change);
                }
                let start = self.named(self.intercept(&line), Statistic::Intercept);
                (start.value() != 0.0).then(|| self.named(100.0 * change / start, of))
            }
            _ => self.about_line(of, &line),
        }
    }

    fn fitted(self, x: Abscissa, points: &[(Stated<'r>, Stated<'r>)]) -> Option<Line<'s, 'r>> {
        let (axis, squares, products, slope) = match x {
            Abscissa::Taken => (StudyTerm::Taken, StudyTerm::SquaresOfX, StudyTerm::Products, Statistic::Slope),
            Abscissa::Hours => {
                (StudyTerm::Hours, StudyTerm::SquaresOfHours, StudyTerm::ProductsWithHours, Statistic::ChangeRate)
            }
        };
        let x: Vec<_> = points.iter().map(|(x, _)| self.leaf(axis, x)).collect();
        let y: Vec<_> = points.iter().map(|(_, y)| self.leaf(StudyTerm::Datum, y)).collect();
        let off = (self.centred_entered(&x), self.centred_entered(&y));
        let squares = self.part(self.products(&off.0, &off.0), (squares, Index::Only), slope);
        if x.len() < 3 || squares.value() <= 0.0 {
            return None;
        }
        let products = self.part(self.products(&off.0, &off.1), (products, Index::Only), slope);
        let slope = self.named(products / squares, slope);
        Some(Line { x, y, off, slope })
    }

    fn intercept(self, line: &Line<'s, 'r>) -> Handle<'s> {
        self.mean(&nodes(&line.y)) - line.slope * self.mean(&nodes(&line.x))
    }

    /// What goes by the distances of points from the line.
    fn about_line(self, of: Statistic, line: &Line<'s, 'r>) -> Option<Handle<'s>> {
        let n = line.y.len();
        let (off_x, off_y) = &line.off;
        let residuals: Vec<Handle<'s>> = off_y.iter().zip(off_x).map(|(y, x)| *y - line.slope * *x).collect();
        let part = |node, term| self.part(node, (term, Index::Only), Statistic::ResidualSd);
        let squares = part(self.products(&residuals, &residuals), StudyTerm::ResidualSquares);
        let sd = self.root(squares / (self.count(n) - 2.0));
        match of {
            Statistic::ResidualSd => Some(self.named(sd, of)),
            Statistic::RSquared => {
                let total = part(self.products(off_y, off_y), StudyTerm::SquaresOfY);
                (total.value() > 0.0).then(|| self.named(1.0 - squares / total, of))
            }
            Statistic::LargestResidual if sd.value() > 0.0 => {
                let either = residuals.iter().flat_map(|residual| [*residual, 0.0 - *residual]);
                let largest = self.sheet.largest(&either.collect::<Vec<_>>());
                Some(self.named(largest / self.named(sd, Statistic::ResidualSd), of))
            }
            Statistic::LackOfFitF => self.lack_of_fit(line, squares),
            _ => None,
        }
    }

    fn lack_of_fit(self, line: &Line<'s, 'r>, residual: Handle<'s>) -> Option<Handle<'s>> {
        let mut levels: Vec<(f64, Vec<Entered<'s, 'r>>)> = Vec::new();
        for (x, y) in line.x.iter().zip(&line.y) {
            let at = x.node.value();
            match levels.iter_mut().find(|(level, _)| *level == at) {
                Some((_, level)) => level.push(*y),
                None => levels.push((at, vec![*y])),
            }
        }
        let (n, m) = (line.y.len(), levels.len());
        if m < 3 || n <= m {
            return None;
        }
        let levels: Vec<Vec<_>> = levels.into_iter().map(|(_, level)| level).collect();
        let of = Statistic::LackOfFitF;
        let pure = self.part(self.squares_within(&levels), (StudyTerm::PureErrorSquares, Index::Only), of);
        if pure.value() <= 0.0 {
            return None;
        }
        let lack = self.sheet.largest(&[self.number(0.0), residual - pure]);
        let (n, m) = (self.count(n), self.count(m));
        Some(self.named(lack / (m - 2.0) / (pure / (n - m)), of))
    }
}
