//! A working as sheets whose formulas refer to each other, written from the tree of steps that core computes with.

use ferrotitre_core::uncertainty::{Contribution, CoverageRule, DegreesOfFreedom};
use ferrotitre_core::working::{Expression, Row, Step};

use crate::cells::Cell;

/// Sheets of readings, of other inputs, of burette tables, and of what is computed.
const READINGS: &str = "Readings";
const INPUTS: &str = "Inputs";
const TABLES: &str = "Tables";
const WORKING: &str = "Working";

/// A sheet by its name.
pub(super) type Named = (&'static str, Vec<Vec<Cell>>);

/// A corrections table with the cells it stands in.
struct Placed {
    points: Vec<(f64, f64)>,
    /// Columns of readings and corrections, rows first and last.
    columns: (String, String),
    rows: (usize, usize),
}

/// What is written into formulas and budget sheets beside the tree itself.
pub(super) struct Budgeted<'a> {
    pub(super) budget: &'a [Contribution],
    pub(super) coverage: CoverageRule,
    /// Range the used titres may have, in the order of the net titres in the tree, mL; none for a median.
    pub(super) allowed: Vec<Option<f64>>,
}

/// A tree with the cell of every row.
pub(super) struct Layout<'a> {
    rows: Vec<Row<'a>>,
    /// Sheet and line (from 1) of every row.
    places: Vec<(&'static str, usize)>,
    tables: Vec<Placed>,
    /// Row of the sheet of tables where the next begins.
    next_table: usize,
}

/// A number as it stands in a formula.
fn literal(value: f64) -> String {
    if value < 0.0 { format!("({value})") } else { value.to_string() }
}

/// Letters of a column counted from 0.
fn letters(column: usize) -> String {
    let last = char::from(b'A' + u8::try_from(column % 26).unwrap_or(0));
    if column < 26 { last.to_string() } else { format!("{}{last}", letters(column / 26 - 1)) }
}

fn tables_in<'e>(expression: &'e Expression, found: &mut Vec<&'e Vec<(f64, f64)>>) {
    match expression {
        Expression::Interpolated(_, table) => found.push(table),
        Expression::Sum(of) | Expression::Product(of) | Expression::Largest(of) => {
            of.iter().for_each(|one| tables_in(one, found));
        }
        Expression::Difference(a, b) | Expression::Quotient(a, b) => {
            tables_in(a, found);
            tables_in(b, found);
        }
        Expression::SquareRoot(a) => tables_in(a, found),
        Expression::Number(_)
        | Expression::Input(_)
        | Expression::Mean(_)
        | Expression::Median(_)
        | Expression::SampleDeviation(_) => {}
    }
}

impl<'a> Layout<'a> {
    /// Gives every step its cell.
    pub(super) fn of(result: &'a Step) -> Self {
        let rows = result.rows();
        let mut lines = [(READINGS, 1), (INPUTS, 1), (WORKING, 1)];
        let mut places = Vec::with_capacity(rows.len());
        for row in &rows {
            let kind = row.step.fact.as_ref().map_or("", |fact| fact.kind);
            let sheet = match (&row.step.expression, kind) {
                (Some(_), _) => 2,
                (None, "titrations" | "blanks") => 0,
                (None, _) => 1,
            };
            lines[sheet].1 += 1;
            places.push(lines[sheet]);
        }
        let mut layout = Self { rows, places, tables: Vec::new(), next_table: 0 };
        let mut found = Vec::new();
        for row in &layout.rows {
            if let Some(expression) = &row.step.expression {
                tables_in(expression, &mut found);
            }
        }
        let found: Vec<Vec<(f64, f64)>> = found.into_iter().cloned().collect();
        for table in found {
            layout.place(table);
        }
        layout
    }

    fn place(&mut self, points: Vec<(f64, f64)>) {
        if self.tables.iter().any(|placed| placed.points == points) {
            return;
        }
        // Below each other, a heading above each and a line between.
        let first = self.next_table + 2;
        let last = first + points.len() - 1;
        self.next_table = last + 1;
        self.tables.push(Placed { points, columns: (letters(0), letters(1)), rows: (first, last) });
    }

    fn cell(&self, row: usize, column: &str) -> String {
        let (sheet, line) = self.places[row];
        format!("{sheet}!${column}${line}")
    }

    fn value_cell(&self, row: usize) -> String {
        self.cell(row, "C")
    }

    /// Cells of the inputs of a row.
    fn inputs(&self, row: usize) -> Vec<String> {
        self.rows[row].inputs.iter().map(|input| self.value_cell(*input)).collect()
    }

    /// An expression as a formula.
    fn formula(&self, expression: &Expression, inputs: &[String]) -> String {
        let input = |at: &usize| inputs.get(*at).cloned().unwrap_or_else(|| "NA()".to_owned());
        let list = |of: &[usize]| of.iter().map(input).collect::<Vec<_>>().join(",");
        let joined = |of: &[Expression], with: &str| {
            of.iter().map(|one| self.formula(one, inputs)).collect::<Vec<_>>().join(with)
        };
        match expression {
            Expression::Number(value) => literal(*value),
            Expression::Input(at) => input(at),
            Expression::Sum(of) => format!("({})", joined(of, "+")),
            Expression::Product(of) => format!("({})", joined(of, "*")),
            Expression::Difference(a, b) => format!("({}-{})", self.formula(a, inputs), self.formula(b, inputs)),
            Expression::Quotient(a, b) => format!("({}/{})", self.formula(a, inputs), self.formula(b, inputs)),
            Expression::SquareRoot(a) => format!("SQRT({})", self.formula(a, inputs)),
            Expression::Largest(of) => format!("MAX({})", joined(of, ",")),
            Expression::Mean(of) => format!("AVERAGE({})", list(of)),
            Expression::Median(of) => format!("MEDIAN({})", list(of)),
            Expression::SampleDeviation(of) => format!("STDEV({})", list(of)),
            Expression::Interpolated(at, table) => self.interpolation(&input(at), table),
        }
    }

    /// Linear interpolation between the two points about a reading; no value outside the table.
    fn interpolation(&self, reading: &str, table: &[(f64, f64)]) -> String {
        let Some(placed) = self.tables.iter().find(|placed| placed.points == table) else { return "NA()".to_owned() };
        let (first, last) = placed.rows;
        let column = |letter: &str| format!("{TABLES}!${letter}${first}:${letter}${last}");
        let (x, y) = (column(&placed.columns.0), column(&placed.columns.1));
        let at = format!("MIN(MATCH({reading},{x},1),{})", last - first);
        let (low, high) = (format!("INDEX({x},{at})"), format!("INDEX({x},{at}+1)"));
        let (a, b) = (format!("INDEX({y},{at})"), format!("INDEX({y},{at}+1)"));
        format!("IF(OR({reading}<MIN({x}),{reading}>MAX({x})),NA(),{a}+({b}-{a})*({reading}-{low})/({high}-{low}))")
    }

    /// Sensitivity of the result to a row, by the chain rule over the rows that read it.
    fn sensitivity(&self, row: usize) -> Cell {
        if row + 1 == self.rows.len() {
            return Cell::Formula("=1".to_owned());
        }
        let terms: Vec<String> = self.rows[row]
            .readers
            .iter()
            .map(|(reader, derivative)| {
                format!("{}*{}", self.cell(*reader, "D"), self.formula(derivative, &self.inputs(*reader)))
            })
            .collect();
        if terms.is_empty() { Cell::Empty } else { Cell::Formula(format!("={}", terms.join("+"))) }
    }

    /// The same as a number, as core computes it.
    fn sensitivities(&self) -> Vec<f64> {
        let inputs =
            |row: usize| self.rows[row].inputs.iter().map(|input| self.rows[*input].step.value).collect::<Vec<_>>();
        let mut found = vec![0.0; self.rows.len()];
        for row in (0..self.rows.len()).rev() {
            found[row] = if row + 1 == self.rows.len() {
                1.0
            } else {
                let readers = self.rows[row].readers.iter();
                readers.map(|(reader, derivative)| found[*reader] * derivative.value(&inputs(*reader))).sum()
            };
        }
        found
    }

    /// Sheets of readings, inputs, tables and working.
    pub(super) fn sheets(&self) -> Vec<Named> {
        let head = |what: &[&'static str]| what.iter().map(|text| Cell::Head(text)).collect::<Vec<_>>();
        let leaf = ["Symbol", "Name", "Value", "Sensitivity", "Unit", "As entered", "Record", "Identity", "Field"];
        let computed = ["Symbol", "Name", "Value", "Sensitivity", "Unit", "Formula", "Source"];
        let mut sheets =
            vec![(READINGS, vec![head(&leaf)]), (INPUTS, vec![head(&leaf)]), (WORKING, vec![head(&computed)])];
        for (at, row) in self.rows.iter().enumerate() {
            let step = row.step;
            let mut cells = vec![Cell::text(&step.symbol), Cell::text(&step.name)];
            match &step.expression {
                Some(expression) => {
                    cells.push(Cell::Formula(format!("={}", self.formula(expression, &self.inputs(at)))));
                    cells.extend([self.sensitivity(at), Cell::text(step.unit)]);
                    cells.extend([Cell::text(step.formula), Cell::text(step.source)]);
                }
                None => {
                    cells.extend([Cell::Entered(step.value), self.sensitivity(at), Cell::text(step.unit)]);
                    cells.push(step.entered.clone().map_or(Cell::Empty, Cell::Text));
                    match &step.fact {
                        Some(fact) => {
                            cells.extend([Cell::text(fact.kind), Cell::text(&fact.id), Cell::text(fact.field)]);
                        }
                        None => cells.push(Cell::text(step.source)),
                    }
                }
            }
            let sheet = self.places[at].0;
            if let Some((_, rows)) = sheets.iter_mut().find(|(name, _)| *name == sheet) {
                rows.push(cells);
            }
        }
        if !self.tables.is_empty() {
            sheets.insert(2, (TABLES, self.tables()));
        }
        sheets
    }

    fn tables(&self) -> Vec<Vec<Cell>> {
        let mut rows = Vec::new();
        for placed in &self.tables {
            rows.push(vec![Cell::Head("Reading, mL"), Cell::Head("Correction, mL")]);
            rows.extend(placed.points.iter().map(|(at, value)| vec![Cell::Entered(*at), Cell::Entered(*value)]));
            rows.push(Vec::new());
        }
        rows
    }

    /// The same values as numbers, which no formula can change.
    pub(super) fn as_evaluated(&self) -> Vec<Vec<Cell>> {
        let mut rows =
            vec![["Cell", "Symbol", "Name", "Value", "Sensitivity", "Unit", "u", "Numbers"].map(Cell::Head).to_vec()];
        for ((at, row), sensitivity) in self.rows.iter().enumerate().zip(self.sensitivities()) {
            let step = row.step;
            let carries = !row.readers.is_empty() || at + 1 == self.rows.len();
            rows.push(vec![
                Cell::Text(self.value_cell(at).replace('$', "")),
                Cell::text(&step.symbol),
                Cell::text(&step.name),
                Cell::Number(step.value),
                Cell::number(carries.then_some(sensitivity)),
                Cell::text(step.unit),
                Cell::number(step.standard_uncertainty),
                Cell::text(&step.numbers),
            ]);
        }
        rows
    }

    /// The budget, combined and expanded, and whether the rule that chose the titres still holds.
    pub(super) fn budget(&self, of: &Budgeted<'_>) -> Vec<Vec<Cell>> {
        let heads =
            ["Input", "Value", "Unit", "u", "Degrees of freedom", "Sensitivity", "Contribution", "Share", "c⁴u⁴/ν"];
        let mut rows = vec![heads.map(Cell::Head).to_vec()];
        let last = of.budget.len() + 1;
        let combined = format!("$G${}", last + 3);
        for (line, part) in (2..).zip(of.budget) {
            let row = self
                .rows
                .iter()
                .position(|row| row.step.uncertain.as_ref().is_some_and(|uncertain| uncertain.id == part.input.id));
            let (Some(row), Some(u)) = (row, row.and_then(|row| self.rows[row].u)) else { continue };
            let dof = match part.input.degrees_of_freedom {
                DegreesOfFreedom::Finite(dof) => Some(dof),
                DegreesOfFreedom::Infinite => None,
            };
            rows.push(vec![
                Cell::text(&part.input.label),
                Cell::Formula(format!("={}", self.value_cell(row))),
                Cell::text(part.input.unit),
                Cell::Formula(format!("={}", self.value_cell(u))),
                dof.map_or(Cell::text("unlimited"), Cell::Entered),
                Cell::Formula(format!("={}", self.cell(row, "D"))),
                Cell::Formula(format!("=F{line}*D{line}")),
                Cell::Formula(format!("=G{line}^2/{combined}^2")),
                Cell::Formula(format!("=IF(ISNUMBER(E{line}),(G{line}/{combined})^4/E{line},0)")),
            ]);
        }
        let result = |label: &str, formula: String| {
            let mut cells = vec![Cell::text(label)];
            cells.extend(std::iter::repeat_n(Cell::Empty, 5));
            cells.push(Cell::Formula(formula));
            cells
        };
        rows.push(Vec::new());
        let (top, dof, k) = (last + 2, last + 4, last + 5);
        rows.push(result("result", format!("={}", self.value_cell(self.rows.len() - 1))));
        rows.push(result("combined standard uncertainty", format!("=SQRT(SUMSQ(G2:G{last}))")));
        rows.push(result(
            "effective degrees of freedom",
            format!("=IF(SUM(I2:I{last})>0,1/SUM(I2:I{last}),\"unlimited\")"),
        ));
        rows.push(match of.coverage {
            CoverageRule::Fixed(factor) => {
                let mut cells = result("coverage factor", String::new());
                cells[6] = Cell::Entered(factor);
                cells
            }
            // The two-sided quantile of Student's t for degrees of freedom that need not be whole, from the beta
            // distribution; the t functions of spreadsheets cut them to an integer.
            CoverageRule::Probability(p) => result(
                "coverage factor",
                format!(
                    "=IF(ISNUMBER(G{dof}),SQRT(G{dof}*(1/BETAINV({},G{dof}/2,0.5)-1)),NORMSINV({}))",
                    literal(1.0 - p),
                    literal(0.5 + p / 2.0)
                ),
            ),
        });
        rows.push(result("expanded uncertainty", format!("=G{k}*G{}", top + 1)));
        rows.push(Vec::new());
        rows.extend(self.rule_holds(&of.allowed, rows.len() + 1));
        rows
    }

    fn rule_holds(&self, allowed: &[Option<f64>], first: usize) -> Vec<Vec<Cell>> {
        let heads = ["Used titres", "Range, mL", "Allowed, mL", "The rule that chose them"];
        let mut rows = vec![heads.map(Cell::Head).to_vec()];
        let nets = self.rows.iter().filter(|row| row.step.name == "net titre");
        for ((line, row), allowed) in (first + 1..).zip(nets).zip(allowed) {
            let titres: Vec<String> = row
                .inputs
                .iter()
                .filter(|input| self.rows[**input].step.name == "volume at 20 C")
                .map(|input| self.value_cell(*input))
                .collect();
            let list = titres.join(",");
            let verdict = match allowed {
                // Readings have two decimals; half a unit of the ninth keeps a difference such as 0.1 what it is.
                Some(_) => format!(
                    "=IF(B{line}<=C{line}+5E-10,\"still holds\",\"no longer holds: the service may choose other titres\")"
                ),
                None => "=\"median of all\"".to_owned(),
            };
            rows.push(vec![
                Cell::Text(format!("{} of {}", row.step.symbol, titres.len())),
                Cell::Formula(format!("=MAX({list})-MIN({list})")),
                Cell::number(*allowed),
                Cell::Formula(verdict),
            ]);
        }
        rows
    }
}
