//! The working of a determination, as the tree a notebook page or a spreadsheet is written from.

use crate::chemistry::{Expressed, iron, iron_oxide_factor};
use crate::determination::content::Unit;
use crate::determination::evaluate::{Basis, EvaluationError, usable_blanks};
use crate::determination::facts::{Burette, Central, Factor, PortionAmount, Record, Titration, Vessel};
use crate::determination::titre::{Delivered, volume_step};
use crate::uncertainty::{DegreesOfFreedom, Inputs, Sourced};
use crate::working::{Expression, Fact, Step};

const ISO_5725: &str = "ISO 5725-6, JCGM 100 4.2.3 and 4.3.7";
const RULE: &str = "the method's rules";

/// What has been computed already, to be shown.
pub(super) struct Computed<'a> {
    pub(super) inputs: &'a Inputs,
    /// Amount of iron titrated, mmol.
    pub(super) iron: &'a Sourced,
    /// Share of the portion titrated.
    pub(super) fraction: &'a Sourced,
    pub(super) result: &'a Sourced,
}

/// The result down to the recorded facts.
pub(super) fn working(basis: &Basis<'_>, computed: &Computed<'_>) -> Result<Step, EvaluationError> {
    let record = basis.record;
    let amount = amount_step(basis, computed)?;
    let fraction = fraction_step(record, computed.fraction.value());
    let portion = portion_step(record);
    let rule = &record.rules.reporting;
    let by_volume = matches!(record.portion.amount, PortionAmount::Volume(_));
    let mut numbers = format!("{} / ({} x {})", amount.value, fraction.value, portion.value);
    let content = Expression::Input(0) / (Expression::Input(1) * Expression::Input(2));
    let mut inputs = vec![amount, fraction, portion];
    let mut factors = vec![content];
    let by_mass_of_iron = !matches!(rule.unit, Unit::MolesPerLitre | Unit::MolesPerKilogram);
    if by_mass_of_iron {
        let fe = iron();
        let fact = |field| Fact { kind: "molar_masses", id: "Fe".to_owned(), field };
        let u = Step::fact("u(M(Fe))", "standard uncertainty of M(Fe)", fe.u, "g/mol", fact("u"));
        factors.push(Expression::Input(inputs.len()));
        inputs.push(Step::fact("M(Fe)", "molar mass of iron", fe.value, "g/mol", fact("value")).as_input(
            "molar-mass:Fe",
            u,
            None,
        ));
        numbers = format!("{numbers} x {}", fe.value);
        if rule.expressed != Expressed::Iron {
            let factor = iron_oxide_factor(rule.expressed);
            factors.push(Expression::Number(factor));
            numbers = format!("{numbers} x {factor}");
        }
    }
    let of_volume = matches!(rule.unit, Unit::MolesPerLitre | Unit::GramsPerLitre | Unit::MilligramsPerLitre);
    let scale = match rule.unit {
        Unit::MilligramsPerLitre => 1000.0,
        Unit::PercentByMass => 0.1,
        _ => 1.0,
    };
    if scale != 1.0 {
        factors.push(Expression::Number(scale));
        numbers = format!("{numbers} x {scale}");
    }
    let mut expression = if factors.len() == 1 { factors.remove(0) } else { Expression::Product(factors) };
    if let (Some(density), true) = (&record.portion.density, of_volume != by_volume) {
        let fact = |field| Fact { kind: "test_portions", id: record.portion.id.clone(), field };
        let u = Step::fact("u(rho)", "standard uncertainty of the density", density.u, "g/mL", fact("density_u"));
        let at = Expression::Input(inputs.len());
        inputs.push(Step::fact("rho", "density of the sample", density.value, "g/mL", fact("density")).as_input(
            &density.id,
            u,
            None,
        ));
        expression = if of_volume { expression * at } else { expression / at };
        numbers = format!("{numbers} {} {}", if of_volume { "x" } else { "/" }, density.value);
    }
    let symbol = match (by_volume, by_mass_of_iron) {
        (true, true) => "n(Fe) M(Fe) / (f V_portion)",
        (false, true) => "n(Fe) M(Fe) / (f m)",
        (true, false) => "n(Fe) / (f V_portion)",
        (false, false) => "n(Fe) / (f m)",
    };
    let numbers = format!("{numbers}, in {}", rule.unit.symbol());
    let formula = (symbol, "requirements of the method");
    let value = computed.result.value();
    Ok(Step::computed("result", "iron content", formula, numbers, value, rule.unit.symbol())
        .with_u(computed.inputs.standard_uncertainty(computed.result))
        .by(inputs, expression))
}

/// Used titrations that share lot, burette and oxidant.
struct Group<'a> {
    first: &'a Titration,
    members: Vec<usize>,
}

fn groups<'a>(basis: &Basis<'a>) -> Vec<Group<'a>> {
    let mut groups: Vec<Group<'a>> = Vec::new();
    for index in basis.used {
        let titration = &basis.record.titrations[*index];
        let same = |group: &&mut Group<'_>| {
            group.first.factor == titration.factor
                && group.first.burette.id == titration.burette.id
                && group.first.excess == titration.excess
        };
        match groups.iter_mut().find(same) {
            Some(group) => group.members.push(*index),
            None => groups.push(Group { first: titration, members: vec![*index] }),
        }
    }
    groups
}

/// Amount of iron titrated; titrations with different lots or burettes weigh by their number.
fn amount_step(basis: &Basis<'_>, computed: &Computed<'_>) -> Result<Step, EvaluationError> {
    let groups = groups(basis);
    let (several, n) = (groups.len() > 1, basis.used.len() as f64);
    let mut parts = Vec::new();
    for (at, group) in groups.iter().enumerate() {
        let mark = if several { (at + 1).to_string() } else { String::new() };
        parts.push((group_step(basis, computed.inputs, group, &mark)?, group.members.len() as f64));
    }
    let u = computed.inputs.standard_uncertainty(computed.iron);
    if let [(_, _)] = parts.as_slice() {
        let mut only = parts.remove(0).0;
        // What core computed, to the last bit.
        only.value = computed.iron.value();
        return Ok(only.with_u(u));
    }
    let terms = parts.iter().enumerate().map(|(at, (_, size))| Expression::Input(at) * Expression::Number(size / n));
    let expression = Expression::Sum(terms.collect());
    let numbers: Vec<String> = parts.iter().map(|(step, size)| format!("{} x {size}/{n}", step.value)).collect();
    let formula = ("sum (n_j share_j)", "titrations with different lots or burettes weigh by their number");
    let steps = parts.into_iter().map(|(step, _)| step).collect();
    let value = computed.iron.value();
    Ok(Step::computed("n(Fe)", "amount of iron titrated", formula, numbers.join(" + "), value, "mmol")
        .with_u(u)
        .by(steps, expression))
}

fn group_step(basis: &Basis<'_>, list: &Inputs, group: &Group<'_>, mark: &str) -> Result<Step, EvaluationError> {
    let net = net_step(basis, list, group, mark)?;
    let factor = &group.first.factor;
    let (z, c) = (f64::from(factor.electrons), concentration_step(factor));
    let titrated = Expression::Number(z) * Expression::Input(1) * Expression::Input(0);
    let product = format!("{z} x {} x {}", c.value, net.value);
    let value = z * c.value * net.value;
    let symbol = format!("n(Fe){mark}");
    let Some(excess) = &group.first.excess else {
        let formula = ("z c V", "stoichiometry");
        return Ok(Step::computed(symbol, "amount of iron titrated", formula, product, value, "mmol")
            .by(vec![net, c], titrated));
    };
    let (z_ox, c_ox) = (f64::from(excess.factor.electrons), concentration_step(&excess.factor));
    let volume = vessel_step(&excess.pipette);
    let (added, numbers) = (z_ox * c_ox.value * volume.value, format!("{z_ox} x {} x {}", c_ox.value, volume.value));
    let formula = ("z_ox c_ox V_ox", "stoichiometry");
    let added = Step::computed(format!("n_ox{mark}"), "oxidant added", formula, numbers, added, "mmol")
        .by(vec![c_ox, volume], Expression::Number(z_ox) * Expression::Input(0) * Expression::Input(1));
    let formula = ("n_ox - z c V", "stoichiometry");
    let (numbers, value) = (format!("{} - {product}", added.value), added.value - value);
    Ok(Step::computed(symbol, "amount of iron titrated", formula, numbers, value, "mmol")
        .by(vec![net, c, added], Expression::Input(2) - titrated))
}

/// The concentration a result is computed with; between two factors, from both.
fn concentration_step(factor: &Factor) -> Step {
    let lot = &factor.lot;
    let name = format!("concentration of {lot}");
    let Some(next) = &factor.following else {
        return factor_step(format!("c({lot})"), name, &factor.id, (factor.concentration, factor.u, factor.dof));
    };
    let w = next.passed;
    let before = (factor.concentration, factor.u, factor.dof);
    let before = factor_step(format!("c_1({lot})"), format!("{name}, factor in force"), &factor.id, before);
    let after = (next.concentration, next.u, next.dof);
    let after = factor_step(format!("c_2({lot})"), format!("{name}, next factor"), &next.id, after);
    let numbers = format!("{} x {} + {w} x {}", 1.0 - w, factor.concentration, next.concentration);
    let formula = ("(1 - w) c_1 + w c_2", "interpolation in time, an option of the method");
    let expression = Expression::Number(1.0 - w) * Expression::Input(0) + Expression::Number(w) * Expression::Input(1);
    Step::computed(format!("c({lot})"), name, formula, numbers, factor.applied(), "mol/L")
        .with_u(((1.0 - w) * factor.u).hypot(w * next.u))
        .by(vec![before, after], expression)
}

fn factor_step(symbol: String, name: String, id: &str, (value, u, dof): (f64, f64, Option<f64>)) -> Step {
    let fact = |field| Fact { kind: "titrant_factors", id: id.to_owned(), field };
    let u = Step::fact(format!("u({symbol})"), "standard uncertainty", u, "mol/L", fact("standard_uncertainty"));
    Step::fact(symbol, name, value, "mol/L", fact("concentration")).as_input(id, u, dof)
}

fn vessel_step(vessel: &Vessel) -> Step {
    let fact = |field| Fact { kind: "calibrations", id: vessel.id.clone(), field };
    let symbol = format!("V({})", vessel.code);
    let u = Step::fact(format!("u({symbol})"), "standard uncertainty", vessel.u_ml, "mL", fact("standard_uncertainty"));
    Step::fact(symbol, format!("volume of {}", vessel.code), vessel.volume_ml, "mL", fact("calibrated_value"))
        .as_input(&vessel.id, u, vessel.dof)
}

/// The titre that stands for all, from the volumes it is made of; errors that are zero at best estimate stand in it by
/// name, so that the budget can be followed.
fn net_step(basis: &Basis<'_>, list: &Inputs, group: &Group<'_>, mark: &str) -> Result<Step, EvaluationError> {
    let record = basis.record;
    // A median stands for all titres, a mean for those of the group.
    let members = match basis.central {
        Central::Mean => &group.members,
        Central::Median => basis.used,
    };
    let mut inputs = Vec::new();
    for index in members {
        inputs.push(titre_step(basis, *index)?);
    }
    let names: Vec<String> = inputs.iter().map(|step| step.value.to_string()).collect();
    let volumes = (0..inputs.len()).collect::<Vec<_>>();
    let centre = match basis.central {
        Central::Mean => Expression::Mean(volumes),
        Central::Median => Expression::Median(volumes),
    };
    let values: Vec<f64> = inputs.iter().map(|step| step.value).collect();
    let mut value = centre.value(&values);
    let mut expression = centre;
    for error in [repeatability_step(basis, list)?, end_point_step(record), burette_step(&group.first.burette)] {
        expression = expression + Expression::Input(inputs.len());
        inputs.push(error);
    }
    let mut numbers = format!("({}) + 0 + 0 + 0", names.join(", "));
    if let Some(blank) = basis.blank {
        let blank = blank_step(record, blank, list)?;
        value -= blank.value;
        numbers = format!("{numbers} - {}", blank.value);
        expression = expression - Expression::Input(inputs.len());
        inputs.push(blank);
    }
    let formula = match (basis.central, basis.blank.is_some()) {
        (Central::Mean, true) => "mean(V) + R + E + B - V_b",
        (Central::Median, true) => "median(V) + R + E + B - V_b",
        (Central::Mean, false) => "mean(V) + R + E + B",
        (Central::Median, false) => "median(V) + R + E + B",
    };
    let formula = (formula, "the method's rule on replicates; errors of best estimate 0");
    Ok(Step::computed(format!("V{mark}"), "net titre", formula, numbers, value, "mL").by(inputs, expression))
}

fn titre_step(basis: &Basis<'_>, index: usize) -> Result<Step, EvaluationError> {
    let (titration, titre) = (&basis.record.titrations[index], &basis.titres[index]);
    let of = Delivered {
        kind: "titrations",
        id: &titration.id,
        segments: &titration.segments,
        temperature: titration.temperature,
        burette: &titration.burette,
    };
    volume_step(&format!("V{}", titre.position), &of, corrections(basis.record))
}

fn corrections(record: &Record) -> (bool, bool) {
    (record.rules.correct_burette, record.rules.correct_temperature)
}

fn resolution_step(burette: &Burette) -> Step {
    let fact = Fact { kind: "equipment", id: burette.code.clone(), field: "resolution" };
    Step::fact(format!("a({})", burette.code), "reading resolution", burette.resolution_ml, "mL", fact)
}

/// u = max(scatter, a / sqrt 6) / sqrt n, with the efficiency of a median.
fn scatter_u(
    symbol: &str,
    sigma: Option<f64>,
    burette: &Burette,
    (n, volumes): (usize, Vec<Step>),
    (median, value): (bool, f64),
) -> Step {
    let n = n as f64;
    let floor = Expression::Input(0) / Expression::Number(6.0).square_root();
    let mut inputs = vec![resolution_step(burette)];
    let scatter = match sigma {
        Some(sigma) => {
            inputs.push(Step::given("sigma_r", "repeatability of a titre, from the validation", sigma, "mL", RULE));
            Some(Expression::Input(1))
        }
        None if volumes.len() > 1 => {
            inputs.extend(volumes);
            Some(Expression::SampleDeviation((1..inputs.len()).collect()))
        }
        None => None,
    };
    let largest = match scatter {
        Some(scatter) => Expression::Largest(vec![scatter, floor]),
        None => floor,
    };
    let mut expression = largest / Expression::Number(n).square_root();
    if median {
        expression = expression * Expression::Number(std::f64::consts::PI / 2.0).square_root();
    }
    let formula = ("max(s, a / sqrt 6) / sqrt n", ISO_5725);
    let numbers = format!("a = {}, n = {n}{}", burette.resolution_ml, if median { ", times sqrt(pi / 2)" } else { "" });
    Step::computed(format!("u({symbol})"), "standard uncertainty", formula, numbers, value, "mL").by(inputs, expression)
}

/// Standard uncertainty and degrees of freedom of an input that core has made.
fn known(list: &Inputs, id: &str) -> (f64, Option<f64>) {
    list.by_id(id).map_or((0.0, None), |input| {
        let dof = match input.degrees_of_freedom {
            DegreesOfFreedom::Finite(dof) => Some(dof),
            DegreesOfFreedom::Infinite => None,
        };
        (input.standard_uncertainty, dof)
    })
}

fn repeatability_step(basis: &Basis<'_>, list: &Inputs) -> Result<Step, EvaluationError> {
    let record = basis.record;
    let id = format!("repeatability:{}", record.id);
    let (u, dof) = known(list, &id);
    let burette = &record.titrations[basis.used[0]].burette;
    let sigma = record.rules.sigma_r_ml.map(|(sigma, _)| sigma);
    // Only where their own scatter is what counts.
    let volumes = match sigma {
        Some(_) => Vec::new(),
        None => basis.used.iter().map(|index| titre_step(basis, *index)).collect::<Result<Vec<_>, _>>()?,
    };
    let volumes = (basis.used.len(), volumes);
    let u = scatter_u("R", sigma, burette, volumes, (basis.central == Central::Median, u));
    Ok(Step::given("R", "repeatability of the titre", 0.0, "mL", "best estimate of a random error")
        .as_input(id, u, dof))
}

fn end_point_step(record: &Record) -> Step {
    let rules = &record.rules;
    let u = Step::given("u(E)", "standard uncertainty of the end point", rules.end_point_u_ml, "mL", RULE);
    Step::given("E", "end-point bias", 0.0, "mL", "best estimate after correction").as_input(
        format!("end-point:{}:{}", rules.chemistry, rules.indicator),
        u,
        None,
    )
}

fn burette_step(burette: &Burette) -> Step {
    let fact = Fact { kind: "calibrations", id: burette.id.clone(), field: "standard_uncertainty" };
    let symbol = format!("B({})", burette.code);
    let u = Step::fact(format!("u({symbol})"), "standard uncertainty", burette.u_ml, "mL", fact);
    let name = format!("calibration of {}", burette.code);
    Step::given(symbol, name, 0.0, "mL", "best estimate after correction").as_input(&burette.id, u, burette.dof)
}

/// The mean blank, itself an input that all determinations of the run share.
fn blank_step(record: &Record, blank: &Sourced, list: &Inputs) -> Result<Step, EvaluationError> {
    let rules = &record.rules;
    let mut inputs = Vec::new();
    let mut terms = Vec::new();
    let mut ids = Vec::new();
    for (at, of) in (1..).zip(usable_blanks(record)) {
        let delivered = Delivered {
            kind: "blanks",
            id: &of.id,
            segments: &of.segments,
            temperature: of.temperature,
            burette: &of.burette,
        };
        ids.push(of.id.as_str());
        let volume = volume_step(&format!("V_b{at}"), &delivered, corrections(record))?;
        let mut value = volume.value;
        let mut parts = vec![volume];
        let mut expression = Expression::Input(0);
        if let Some(equivalent) = of.iron_equivalent_ml {
            let fact = Fact { kind: "blanks", id: of.id.clone(), field: "iron_equivalent_ml" };
            let name = "titrant equivalent to the iron(II) added";
            parts.push(Step::fact(format!("V_eq{at}"), name, equivalent, "mL", fact));
            expression = expression - Expression::Input(1);
            value -= equivalent;
        }
        let numbers = parts.iter().map(|step| step.value.to_string()).collect::<Vec<_>>().join(" - ");
        let formula = ("V - V_eq", RULE);
        let net = Step::computed(format!("b{at}"), "blank", formula, numbers, value, "mL").by(parts, expression);
        terms.push(inputs.len());
        inputs.push(net);
    }
    let numbers = inputs.iter().map(|step| step.value.to_string()).collect::<Vec<_>>().join(", ");
    let id = format!("blank:{}", ids.join("+"));
    let (u, dof) = known(list, &id);
    let Some(first) = usable_blanks(record).next() else {
        return Ok(Step::given("V_b", "mean blank", blank.value(), "mL", RULE));
    };
    let sigma = rules.sigma_r_ml.map(|(sigma, _)| sigma);
    let volumes = if sigma.is_some() { Vec::new() } else { inputs.clone() };
    let u = scatter_u("V_b", sigma, &first.burette, (inputs.len(), volumes), (false, u));
    Ok(Step::computed("V_b", "mean blank", ("mean(b)", RULE), numbers, blank.value(), "mL")
        .by(inputs, Expression::Mean(terms))
        .as_input(id, u, dof))
}

fn fraction_step(record: &Record, value: f64) -> Step {
    let portion = &record.portion;
    let mut inputs = Vec::new();
    let mut factors = Vec::new();
    let mut numbers = Vec::new();
    let takes = portion.dilution.iter().filter_map(|step| step.pipette.as_ref()).chain(portion.aliquot.as_ref());
    let mut flask = None;
    let mut flasks = portion.dilution.iter().map(|step| &step.flask);
    for pipette in takes {
        flask = flasks.next().or(flask);
        if let Some(flask) = flask {
            numbers.push(format!("{}/{}", pipette.volume_ml, flask.volume_ml));
            factors.push(Expression::Input(inputs.len()) / Expression::Input(inputs.len() + 1));
            inputs.extend([vessel_step(pipette), vessel_step(flask)]);
        }
    }
    if inputs.is_empty() {
        return Step::given("f", "share of the portion titrated", 1.0, "", "all of it");
    }
    let formula = ("product (V_pipette / V_flask)", "dilution chain");
    Step::computed("f", "share of the portion titrated", formula, numbers.join(" x "), value, "")
        .by(inputs, Expression::Product(factors))
}

fn portion_step(record: &Record) -> Step {
    match &record.portion.amount {
        PortionAmount::Volume(pipette) => vessel_step(pipette),
        PortionAmount::Mass { id, grams, u, dof } => {
            let fact = |field| Fact { kind: "test_portions", id: record.portion.id.clone(), field };
            let u = Step::fact("u(m)", "standard uncertainty of the balance", *u, "g", fact("balance"));
            Step::fact("m", "mass of the portion", *grams, "g", fact("mass_g")).as_input(id, u, *dof)
        }
    }
}
