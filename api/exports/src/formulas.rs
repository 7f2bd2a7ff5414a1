//! A working as sheets whose formulas refer to each other: every cell is printed from a node of the graph that core computes.

use ferrotitre_core::uncertainty::{Contribution, CoverageRule, DegreesOfFreedom};
use ferrotitre_core::working::{Cells, Operation, Quantity, Working, WorkingNode};

use crate::cells::Cell;

/// Sheets of readings, of other inputs, of burette tables, and of what is computed.
const READINGS: &str = "Readings";
const INPUTS: &str = "Inputs";
const TABLES: &str = "Tables";
const WORKING: &str = "Working";

/// A sheet by its name.
pub(super) type Named = (&'static str, Vec<Vec<Cell>>);

/// A corrections table with the rows it stands in.
struct Placed {
    /// Its place among the tables of the working.
    table: usize,
    /// First row and last.
    rows: (usize, usize),
}

/// What is written into formulas and budget sheets beside the working itself.
pub(super) struct Budgeted<'a> {
    pub(super) budget: &'a [Contribution],
    pub(super) coverage: CoverageRule,
    /// Range the used titres may have, in the order of the net titres of the working, mL; none for a median.
    pub(super) allowed: Vec<Option<f64>>,
}

/// A working with the cell of every line.
pub(super) struct Layout<'a> {
    working: &'a Working,
    /// Sheet and row (from 1) of every line; of the parts of formulas none.
    places: Vec<Option<(&'static str, usize)>>,
    tables: Vec<Placed>,
}

/// A number as it stands in a formula.
fn literal(value: f64) -> String {
    if value < 0.0 { format!("({value})") } else { value.to_string() }
}

impl Cells for Layout<'_> {
    fn cell(&self, node: usize) -> String {
        self.place(node, "C")
    }

    /// Linear interpolation between the two points about a reading; no value outside the table.
    fn interpolation(&self, table: usize, reading: &str) -> String {
        let Some(placed) = self.tables.iter().find(|placed| placed.table == table) else { return "NA()".to_owned() };
        let (first, last) = placed.rows;
        let column = |letter: &str| format!("{TABLES}!${letter}${first}:${letter}${last}");
        let (x, y) = (column("A"), column("B"));
        let at = format!("MIN(MATCH({reading},{x},1),{})", last - first);
        let (low, high) = (format!("INDEX({x},{at})"), format!("INDEX({x},{at}+1)"));
        let (a, b) = (format!("INDEX({y},{at})"), format!("INDEX({y},{at}+1)"));
        format!("IF(OR({reading}<MIN({x}),{reading}>MAX({x})),NA(),{a}+({b}-{a})*({reading}-{low})/({high}-{low}))")
    }
}

impl<'a> Layout<'a> {
    /// Gives every line its cell.
    pub(super) fn of(working: &'a Working) -> Self {
        let mut lines = [(READINGS, 1), (INPUTS, 1), (WORKING, 1)];
        let mut places = vec![None; working.nodes().len()];
        for at in working.lines() {
            let node = &working.nodes()[at];
            let reading = node.label.is_some_and(|label| label.quantity.is_reading() && !label.uncertainty);
            let sheet = match (node.operation.computes(), reading) {
                (true, _) => 2,
                (false, true) => 0,
                (false, false) => 1,
            };
            lines[sheet].1 += 1;
            places[at] = Some(lines[sheet]);
        }
        Self { working, places, tables: placed(working) }
    }

    fn place(&self, node: usize, column: &str) -> String {
        match self.places[node] {
            Some((sheet, row)) => format!("{sheet}!${column}${row}"),
            None => "NA()".to_owned(),
        }
    }

    fn lines(&self) -> impl Iterator<Item = (usize, &'a WorkingNode, &'static str)> {
        self.working.lines().filter_map(|at| Some((at, &self.working.nodes()[at], self.places[at]?.0)))
    }

    /// Sensitivity of the result to a line, by the chain rule over the lines that read it.
    fn sensitivity(&self, node: usize, readers: &[(usize, String)]) -> Cell {
        if node == self.working.result() {
            return Cell::Formula("=1".to_owned());
        }
        let terms: Vec<String> =
            readers.iter().map(|(reader, derivative)| format!("{}*{derivative}", self.place(*reader, "D"))).collect();
        if terms.is_empty() { Cell::Empty } else { Cell::Formula(format!("={}", terms.join("+"))) }
    }

    /// Sheets of readings, inputs, tables and working.
    pub(super) fn sheets(&self) -> Vec<Named> {
        let head = |what: &[&'static str]| what.iter().map(|text| Cell::Head(text)).collect::<Vec<_>>();
        let leaf = ["Symbol", "Name", "Value", "Sensitivity", "Unit", "As entered", "Record", "Identity", "Field"];
        let computed = ["Symbol", "Name", "Value", "Sensitivity", "Unit", "Formula", "Source"];
        let mut sheets =
            vec![(READINGS, vec![head(&leaf)]), (INPUTS, vec![head(&leaf)]), (WORKING, vec![head(&computed)])];
        let readers = self.working.readers(self);
        for (at, node, sheet) in self.lines() {
            let mut cells = vec![Cell::text(&node.symbol), Cell::text(&node.name)];
            let source = Cell::text(node.source.map_or("", |source| source.citation()));
            let sensitivity = self.sensitivity(at, &readers[at]);
            if node.operation.computes() {
                cells.push(Cell::Formula(format!("={}", self.working.cell_formula(at, self))));
                cells.extend([sensitivity, Cell::text(node.unit), Cell::text(self.working.formula(at)), source]);
            } else {
                cells.extend([Cell::Entered(node.value), sensitivity, Cell::text(node.unit)]);
                cells.push(node.entered.clone().map_or(Cell::Empty, Cell::Text));
                match &node.fact {
                    Some(fact) => cells.extend([Cell::text(fact.kind), Cell::text(&fact.id), Cell::text(fact.field)]),
                    None => cells.push(source),
                }
            }
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
            let points = &self.working.tables()[placed.table];
            rows.push(vec![Cell::Head("Reading, mL"), Cell::Head("Correction, mL")]);
            rows.extend(points.iter().map(|(at, value)| vec![Cell::Entered(*at), Cell::Entered(*value)]));
            rows.push(Vec::new());
        }
        rows
    }

    /// The same values as numbers, which no formula can change.
    pub(super) fn as_evaluated(&self) -> Vec<Vec<Cell>> {
        let mut rows =
            vec![["Cell", "Symbol", "Name", "Value", "Sensitivity", "Unit", "u", "Numbers"].map(Cell::Head).to_vec()];
        let readers = self.working.readers(self);
        let sensitivities = self.working.sensitivities();
        for (at, node, _) in self.lines() {
            let carries = !readers[at].is_empty() || at == self.working.result();
            rows.push(vec![
                Cell::Text(self.cell(at).replace('$', "")),
                Cell::text(&node.symbol),
                Cell::text(&node.name),
                Cell::Number(node.value),
                Cell::number(carries.then_some(sensitivities[at])),
                Cell::text(node.unit),
                Cell::number(node.standard_uncertainty),
                Cell::text(self.working.numbers(at)),
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
            let input = self.lines().find_map(|(at, node, _)| {
                let uncertain = node.uncertain.as_ref().filter(|uncertain| uncertain.id == part.input.id)?;
                Some((at, uncertain.u))
            });
            let Some((node, u)) = input else { continue };
            let dof = match part.input.degrees_of_freedom {
                DegreesOfFreedom::Finite(dof) => Some(dof),
                DegreesOfFreedom::Infinite => None,
            };
            rows.push(vec![
                Cell::text(&part.input.label),
                Cell::Formula(format!("={}", self.cell(node))),
                Cell::text(part.input.unit),
                Cell::Formula(format!("={}", self.cell(u))),
                dof.map_or(Cell::text("unlimited"), Cell::Entered),
                Cell::Formula(format!("={}", self.place(node, "D"))),
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
        rows.push(result("result", format!("={}", self.cell(self.working.result()))));
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
        let nets = self.lines().filter(|(_, node, _)| node.is(Quantity::NetTitre));
        for ((line, (net, node, _)), allowed) in (first + 1..).zip(nets).zip(allowed) {
            let titre = |input: &usize| self.working.nodes()[*input].is(Quantity::TitrationVolume);
            let inputs = self.working.inputs(net);
            let titres: Vec<String> =
                inputs.iter().filter(|input| titre(input)).map(|input| self.cell(*input)).collect();
            let list = titres.join(",");
            let verdict = match allowed {
                // Readings have two decimals; half a unit of the ninth keeps a difference such as 0.1 what it is.
                Some(_) => format!(
                    "=IF(B{line}<=C{line}+5E-10,\"still holds\",\"no longer holds: the service may choose other titres\")"
                ),
                None => "=\"no limit: the titres disagree, or their median stands for them\"".to_owned(),
            };
            rows.push(vec![
                Cell::Text(format!("{} of {}", node.symbol, titres.len())),
                Cell::Formula(format!("=MAX({list})-MIN({list})")),
                Cell::number(*allowed),
                Cell::Formula(verdict),
            ]);
        }
        rows
    }
}

/// Places for the tables that anything is interpolated in: below each other, a heading above each and a line between.
fn placed(working: &Working) -> Vec<Placed> {
    let used = |table: usize| {
        working
            .nodes()
            .iter()
            .any(|node| matches!(node.operation, Operation::Interpolation(at) if at as usize == table))
    };
    let mut next = 0;
    let mut tables = Vec::new();
    for (table, points) in working.tables().iter().enumerate().filter(|(table, _)| used(*table)) {
        let rows = (next + 2, next + 1 + points.len());
        next = rows.1 + 1;
        tables.push(Placed { table, rows });
    }
    tables
}
