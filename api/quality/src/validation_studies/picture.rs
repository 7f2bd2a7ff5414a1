//! A picture per characteristic, of its answer alone.

use ferrotitre_base::db::Db;
use ferrotitre_base::pictures::{Axis, Level, Line, Panel, Point, Shape, Sheet, Stroke, render};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_core::statistics::distribution::Normal;
use ferrotitre_core::validation::Statistic;
use uuid::Uuid;

use crate::validation_studies::answer::{CharacteristicAnswer, InputRow, StudyStatistic};
use crate::validation_studies::kinds::Kind;
use crate::validation_studies::reading;

const SIZE: (u32, u32) = (960, 460);
const TALL: (u32, u32) = (960, 640);

/// Draws the answer to a characteristic.
pub(super) async fn draw(db: &Db, id: Uuid) -> Result<String, Refusal> {
    drawn(&reading::answer(db, id).await?).map(|drawn| drawn.svg)
}

/// A drawing with what is in it, in words.
pub(super) struct Drawn {
    pub(super) svg: String,
    pub(super) caption: String,
}

/// The picture of an answer.
pub(super) fn drawn(answer: &CharacteristicAnswer) -> Result<Drawn, Refusal> {
    let (sheet, size) = sheet(answer);
    let caption = [
        (answer.kind == Kind::DetectionByDifference, "Against total iron; the table has the figures."),
        (sheet.has_hollow(), "Hollow points are left out."),
        (sheet.has_rings(), "A ring marks what a test of outliers finds, which leaves nothing out."),
    ];
    let said: Vec<&str> = caption.into_iter().filter_map(|(holds, words)| holds.then_some(words)).collect();
    let caption = if said.is_empty() { format!("{} data.", answer.n) } else { said.join(" ") };
    Ok(Drawn { svg: render(&sheet, size).map_err(Refusal::internal)?, caption })
}

fn sheet(answer: &CharacteristicAnswer) -> (Sheet, (u32, u32)) {
    let plot = Plot { answer };
    let unit = &answer.unit;
    let with_unit = |what: &str| format!("{what}, {unit}");
    let (axis, panels) = match answer.kind {
        Kind::Linearity => (with_unit("taken"), plot.line()),
        Kind::Stability => ("time, h".to_owned(), plot.hours()),
        Kind::MethodComparison => (with_unit("mean of both methods"), plot.agreement()),
        Kind::Recovery => (with_unit("added"), plot.by_level(Statistic::RecoveryAtLevel, "recovery, %", 100.0)),
        Kind::DetectionByDifference => (with_unit("total iron"), plot.against_total()),
        Kind::Ruggedness => ("half-normal quantile".to_owned(), plot.effects()),
        Kind::Selectivity => ("interferent, in the order of the answer".to_owned(), plot.differences()),
        Kind::Repeatability | Kind::IntermediatePrecision => {
            ("group, in the order of recording".to_owned(), plot.groups())
        }
        Kind::Trueness | Kind::Competence | Kind::Detection | Kind::Uncertainty => {
            ("datum, in the order of recording".to_owned(), plot.series())
        }
    };
    let size = if panels.len() > 1 { TALL } else { SIZE };
    let xs = panels.iter().flat_map(|panel| panel.points.iter().map(|point| point.x));
    let range = xs.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
    let range = if range.0 > range.1 { (0.0, 1.0) } else { range };
    let sheet = Sheet {
        title: format!("{}: {}", answer.kind.text(), answer.title),
        description: plot.describe(),
        axis: Axis::Number(axis),
        range,
        panels: panels.into_iter().map(|panel| stretched(panel, range)).collect(),
        legend: plot.legend(),
    };
    (sheet, size)
}

/// Levels run over the whole picture.
fn stretched(mut panel: Panel, (from, to): (f64, f64)) -> Panel {
    let spare = (to - from).max(1.0);
    for level in &mut panel.levels {
        (level.from, level.to) = (from - spare, to + spare);
    }
    panel
}

struct Plot<'a> {
    answer: &'a CharacteristicAnswer,
}

impl Plot<'_> {
    fn describe(&self) -> String {
        let mut text = format!("{} data, verdict: {}.", self.answer.n, self.answer.verdict.text());
        for judgement in &self.answer.judgements {
            let of = judgement.of.as_ref().map(|of| format!(" of {of}")).unwrap_or_default();
            let met = if judgement.met { "met" } else { "not met" };
            text.push_str(&format!(
                " {}{of} {:.4} {}: limit {met}.",
                judgement.statistic, judgement.value, judgement.unit
            ));
        }
        for missing in &self.answer.missing {
            text.push_str(&format!(" Missing: {missing}."));
        }
        text
    }

    /// What shapes stand for, where there are several.
    fn legend(&self) -> Vec<String> {
        let shapes = |names: &mut dyn Iterator<Item = String>| {
            let all: Vec<String> =
                names.enumerate().map(|(at, name)| format!("{}: {name}", Shape::of(at).name())).collect();
            // Shapes come again after four; more names would tell nothing apart.
            if (2..=4).contains(&all.len()) { vec![format!("{}.", all.join("; "))] } else { Vec::new() }
        };
        match self.answer.kind {
            Kind::DetectionByDifference => {
                vec!["Circle: s₀ found; square: u as evaluated; diamond: u by the model; triangle: LOQ.".to_owned()]
            }
            Kind::Stability => shapes(&mut self.names("group").into_iter().filter(|name| !name.is_empty())),
            Kind::Uncertainty => shapes(&mut self.answer.kind.arms().iter().map(|arm| (*arm).to_owned())),
            _ => Vec::new(),
        }
    }

    fn cell<'r>(&self, row: &'r InputRow, column: &str) -> Option<&'r str> {
        let at = self.answer.inputs.columns.iter().position(|known| known.name == column)?;
        row.cells.get(at).map(String::as_str).filter(|cell| !cell.is_empty())
    }

    fn number(&self, row: &InputRow, column: &str) -> Option<f64> {
        self.cell(row, column)?.parse().ok()
    }

    fn statistic(&self, name: Statistic) -> Option<&StudyStatistic> {
        self.answer.statistics.iter().find(|statistic| statistic.name == name)
    }

    fn value(&self, name: Statistic) -> Option<f64> {
        self.statistic(name).map(|statistic| statistic.value)
    }

    fn panel(&self, label: &str, height: u32) -> Panel {
        Panel::new(format!("{label}, {}", self.answer.unit), height)
    }

    /// A datum; what is left out is drawn hollow.
    fn point(&self, row: &InputRow, (x, y): (f64, f64), shape: Shape) -> Point {
        let out = row.excluded.as_ref().filter(|excluded| excluded.holds);
        let flagged = self.answer.flags.iter().find(|flag| flag.data.contains(&row.datum));
        let value = row.cells.first().map(String::as_str).unwrap_or_default();
        let why = out.map(|out| format!(", left out: {}", out.cause)).unwrap_or_default();
        Point {
            x,
            y,
            bar: 0.0,
            shape,
            hollow: out.is_some(),
            mark: flagged.map(|flag| flag.finding.to_owned()).filter(|_| out.is_none()).unwrap_or_default(),
            title: format!("datum {}: {value} {}{why}", row.position, self.answer.unit),
            link: String::new(),
        }
    }

    fn limits(&self, panel: &mut Panel, statistic: Statistic) {
        for limit in self.answer.criterion.limits.iter().filter(|limit| limit.statistic == statistic.key()) {
            for y in [&limit.lower, &limit.upper].into_iter().flatten() {
                panel.levels.push(level(y.value(), Stroke::Action, &format!("limit {y}")));
            }
        }
    }

    /// Found against taken, and the residuals with ±2s.
    fn line(&self) -> Vec<Panel> {
        let (mut found, mut residuals) = (self.panel("found", 3), self.panel("residual", 2));
        let fit = self.value(Statistic::Slope).zip(self.value(Statistic::Intercept));
        let mut ends: Vec<f64> = Vec::new();
        for row in &self.answer.inputs.rows {
            let (Some(x), Some(y)) = (self.number(row, "taken"), self.number(row, "value")) else { continue };
            found.points.push(self.point(row, (x, y), Shape::Circle));
            ends.push(x);
            if let Some((slope, intercept)) = fit {
                residuals.points.push(self.point(row, (x, y - intercept - slope * x), Shape::Circle));
            }
        }
        if let Some((slope, intercept)) = fit {
            ends.sort_by(f64::total_cmp);
            let points = ends.first().into_iter().chain(ends.last()).map(|x| (*x, intercept + slope * x)).collect();
            found.lines.push(Line { points, stroke: Stroke::Plain });
        }
        residuals.levels.push(level(0.0, Stroke::Plain, "0"));
        if let Some(s) = self.value(Statistic::ResidualSd) {
            residuals.levels.push(level(2.0 * s, Stroke::Warning, "+2s"));
            residuals.levels.push(level(-2.0 * s, Stroke::Warning, "-2s"));
        }
        vec![found, residuals]
    }

    /// Content against hours, a shape and a line per storage.
    fn hours(&self) -> Vec<Panel> {
        let mut panel = self.panel("found", 1);
        for (number, name) in self.names("group").iter().enumerate() {
            let mut points: Vec<(f64, f64)> = Vec::new();
            for row in self.rows_of("group", name) {
                let (Some(x), Some(y)) = (self.number(row, "hours"), self.number(row, "value")) else { continue };
                panel.points.push(self.point(row, (x, y), Shape::of(number)));
                points.push((x, y));
            }
            let slope = self.answer.statistics.iter().find(|statistic| {
                statistic.name == Statistic::ChangeRate && statistic.of.as_deref().unwrap_or_default() == *name
            });
            if let (Some(slope), false) = (slope, points.is_empty()) {
                let n = points.len() as f64;
                let (sx, sy) = points.iter().fold((0.0, 0.0), |(sx, sy), (x, y)| (sx + x, sy + y));
                let start = sy / n - slope.value * sx / n;
                let last = points.iter().map(|(x, _)| *x).fold(0.0_f64, f64::max);
                let fitted = vec![(0.0, start), (last, start + slope.value * last)];
                panel.lines.push(Line { points: fitted, stroke: Stroke::Plain });
            }
        }
        vec![panel]
    }

    /// Differences against means, with limits of agreement.
    fn agreement(&self) -> Vec<Panel> {
        let mut panel = self.panel("new minus reference", 1);
        for name in self.names("pair") {
            let mean = |arm: &str, everything: bool| -> Option<f64> {
                let values: Vec<f64> = self
                    .rows_of("pair", &name)
                    .filter(|row| self.cell(row, "arm") == Some(arm))
                    .filter(|row| everything || !row.excluded.as_ref().is_some_and(|excluded| excluded.holds))
                    .filter_map(|row| self.number(row, "value"))
                    .collect();
                (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
            };
            let with_all = mean("reference", true).zip(mean("new", true));
            let kept = mean("reference", false).zip(mean("new", false));
            let mut point = |(reference, new): (f64, f64), hollow: bool| {
                panel.points.push(Point {
                    x: f64::midpoint(reference, new),
                    y: new - reference,
                    bar: 0.0,
                    shape: Shape::Circle,
                    hollow,
                    mark: String::new(),
                    title: format!(
                        "{name}: difference {:.4}{}",
                        new - reference,
                        if hollow { ", with what is left out" } else { "" }
                    ),
                    link: String::new(),
                });
            };
            if let Some(pair) = with_all.filter(|all| Some(*all) != kept) {
                point(pair, true);
            }
            if let Some(pair) = kept {
                point(pair, false);
            }
        }
        for (name, text, stroke) in [
            (Statistic::MeanDifference, "mean", Stroke::Plain),
            (Statistic::LowerAgreement, "-1.96 s", Stroke::Warning),
            (Statistic::UpperAgreement, "+1.96 s", Stroke::Warning),
        ] {
            if let Some(y) = self.value(name) {
                panel.levels.push(level(y, stroke, text));
            }
        }
        vec![panel]
    }

    /// A statistic against its level, with its interval.
    fn by_level(&self, name: Statistic, label: &str, target: f64) -> Vec<Panel> {
        let mut panel = Panel::new(label, 1);
        panel.levels.push(level(target, Stroke::Plain, &format!("{target}")));
        self.limits(&mut panel, name);
        for statistic in self.answer.statistics.iter().filter(|statistic| statistic.name == name) {
            let x = statistic.of.as_ref().and_then(|of| of.parse().ok()).unwrap_or_default();
            panel.points.push(of_statistic(statistic, x, Shape::Circle));
        }
        vec![panel]
    }

    /// s₀ found and u by the model against total iron; LOQ above them.
    fn against_total(&self) -> Vec<Panel> {
        let mut panel = self.panel("s₀, u and LOQ of iron(III)", 1);
        for (name, shape, stroke) in [
            (Statistic::SdNearZeroAt, Shape::Circle, Stroke::Plain),
            (Statistic::UncertaintyAt, Shape::Square, Stroke::Faint),
            (Statistic::ModelUncertaintyAt, Shape::Diamond, Stroke::Faint),
            (Statistic::QuantificationLimitAt, Shape::Triangle, Stroke::Warning),
        ] {
            let mut points: Vec<(f64, f64)> = Vec::new();
            for statistic in self.answer.statistics.iter().filter(|statistic| statistic.name == name) {
                let Some(x) = statistic.of.as_ref().and_then(|of| of.parse().ok()) else { continue };
                let mut point = of_statistic(statistic, x, shape);
                // The interval of a standard deviation is not symmetric; it stands in the table.
                point.bar = 0.0;
                panel.points.push(point);
                points.push((x, statistic.value));
            }
            points.sort_by(|a, b| a.0.total_cmp(&b.0));
            if points.len() > 1 {
                panel.lines.push(Line { points, stroke });
            }
        }
        panel.include.push(0.0);
        vec![panel]
    }

    /// Effects on half-normal paper: without any, they lie along a line from 0.
    fn effects(&self) -> Vec<Panel> {
        let mut panel = self.panel("|effect|", 1);
        let mut effects: Vec<&StudyStatistic> =
            self.answer.statistics.iter().filter(|statistic| statistic.name == Statistic::Effect).collect();
        effects.sort_by(|a, b| a.value.abs().total_cmp(&b.value.abs()));
        let count = effects.len() as f64;
        for (rank, effect) in effects.iter().enumerate() {
            let probability = 0.5 + 0.5 * (rank as f64 + 0.5) / count;
            let Ok(x) = Normal.quantile(probability) else { continue };
            let mut point = of_statistic(effect, x, Shape::Circle);
            (point.y, point.bar) = (effect.value.abs(), 0.0);
            panel.points.push(point);
        }
        if let Some(limit) = effects.first().and_then(|effect| effect.interval) {
            panel.levels.push(level((limit.high - limit.low) / 2.0, Stroke::Action, "t s_D"));
        }
        panel.include.push(0.0);
        vec![panel]
    }

    /// Relative differences of interferents with their intervals.
    fn differences(&self) -> Vec<Panel> {
        let mut panel = Panel::new("relative difference, %", 1);
        panel.levels.push(level(0.0, Stroke::Plain, "0"));
        self.limits(&mut panel, Statistic::RelativeDifference);
        let found = self.answer.statistics.iter().filter(|statistic| statistic.name == Statistic::RelativeDifference);
        panel.points =
            found.zip(1_i32..).map(|(found, at)| of_statistic(found, f64::from(at), Shape::Circle)).collect();
        vec![panel]
    }

    /// Data by group, with the mean and ±2 s.
    fn groups(&self) -> Vec<Panel> {
        let mut panel = self.panel("found", 1);
        for (number, name) in self.names("group").iter().enumerate() {
            let rows: Vec<&InputRow> = self.rows_of("group", name).collect();
            for (place, row) in rows.iter().enumerate() {
                let Some(y) = self.number(row, "value") else { continue };
                // A single group is drawn along its own order.
                let x = if name.is_empty() { place as f64 + 1.0 } else { number as f64 + 1.0 };
                panel.points.push(self.point(row, (x, y), Shape::Circle));
            }
        }
        if let Some(mean) = self.value(Statistic::Mean) {
            panel.levels.push(level(mean, Stroke::Plain, "mean"));
            if let Some(s) = self.value(Statistic::IntermediateSd).or_else(|| self.value(Statistic::RepeatabilitySd)) {
                let name = if self.value(Statistic::IntermediateSd).is_some() { "s_I" } else { "s_r" };
                panel.levels.push(level(mean + 2.0 * s, Stroke::Warning, &format!("+2{name}")));
                panel.levels.push(level(mean - 2.0 * s, Stroke::Warning, &format!("-2{name}")));
            }
        }
        vec![panel]
    }

    /// Data in their order, with the reference value.
    fn series(&self) -> Vec<Panel> {
        let mut panel = self.panel("value", 1);
        for row in &self.answer.inputs.rows {
            if let Some(y) = self.number(row, "value") {
                let arm = self.answer.kind.arms().iter().position(|arm| self.cell(row, "arm") == Some(arm));
                panel.points.push(self.point(row, (f64::from(row.position), y), Shape::of(arm.unwrap_or(0))));
            }
        }
        if let Some(reference) = &self.answer.design.reference {
            panel.levels.push(level(reference.value(), Stroke::Plain, "reference"));
            if let Some(mean) = self.value(Statistic::Mean) {
                panel.levels.push(level(mean, Stroke::Faint, "mean"));
            }
        }
        for (name, text) in [(Statistic::DetectionLimit, "LOD"), (Statistic::QuantificationLimit, "LOQ")] {
            if let Some(y) = self.value(name) {
                panel.levels.push(level(y, Stroke::Warning, text));
            }
        }
        vec![panel]
    }

    /// Labels of a column, in the order in which they appear.
    fn names(&self, column: &str) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for row in &self.answer.inputs.rows {
            let name = self.cell(row, column).unwrap_or_default();
            if !names.iter().any(|known| known == name) {
                names.push(name.to_owned());
            }
        }
        names
    }

    fn rows_of(&self, column: &'static str, name: &str) -> impl Iterator<Item = &InputRow> {
        self.answer.inputs.rows.iter().filter(move |row| self.cell(row, column).unwrap_or_default() == name)
    }
}

fn level(y: f64, stroke: Stroke, name: &str) -> Level {
    Level { y, from: 0.0, to: 0.0, stroke, name: name.to_owned() }
}

fn of_statistic(statistic: &StudyStatistic, x: f64, shape: Shape) -> Point {
    let interval = statistic.interval;
    let words = interval.map(|interval| format!(" ({:.4} to {:.4})", interval.low, interval.high)).unwrap_or_default();
    Point {
        x,
        y: statistic.value,
        bar: interval.map_or(0.0, |interval| (interval.high - interval.low) / 2.0),
        shape,
        hollow: false,
        mark: String::new(),
        title: format!(
            "{} {}: {:.4} {}{words}",
            statistic.title,
            statistic.of.as_deref().unwrap_or_default(),
            statistic.value,
            statistic.unit
        ),
        link: String::new(),
    }
}
