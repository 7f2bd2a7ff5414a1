//! Our side of the comparison with SciPy and NumPy: does on standard input's demand what a line names, and answers with the
//! seconds it took and the figures found. `rivals.py` asks, and measures the other side in between.

use std::error::Error;
use std::hint::black_box;
use std::io::{BufRead, Write};
use std::time::Instant;

use ferrotitre_core::chemistry::Expressed;
use ferrotitre_core::control::rules::same_side;
use ferrotitre_core::control::run_length::run_length;
use ferrotitre_core::control::{Process, Rule, RuleSet};
use ferrotitre_core::determination::{Detail, Record, Unit, evaluate};
use ferrotitre_core::statistics::anova::one_way;
use ferrotitre_core::statistics::outliers::Sidedness;
use ferrotitre_core::statistics::outliers::dixon::{Ratio, critical};
use ferrotitre_core::statistics::summary::Summary;
use ferrotitre_core::uncertainty::monte_carlo::{Settings, simulate};
use ferrotitre_core::uncertainty::{Input, Inputs};

#[path = "../shared/bath.rs"]
mod bath;

type Outcome<T> = Result<T, Box<dyn Error>>;

/// What the demands work on, read or made before anything is measured.
struct Material {
    values: Vec<f64>,
    groups: Vec<[f64; 3]>,
    records: Vec<Record>,
    samples: Vec<f64>,
}

fn doubles(path: &str) -> Outcome<Vec<f64>> {
    let bytes = std::fs::read(path)?;
    Ok(bytes.chunks_exact(8).map(|chunk| f64::from_le_bytes(chunk.try_into().unwrap_or_default())).collect())
}

/// Readings of a line, three to a determination.
fn records(path: &str) -> Outcome<Vec<Record>> {
    let mut records = Vec::new();
    for line in std::fs::read_to_string(path)?.lines() {
        let readings: Vec<&str> = line.split(',').collect();
        let [first, second, third] = readings.as_slice() else { return Err("needs three readings a line".into()) };
        records.push(bath::record([first, second, third])?);
    }
    Ok(records)
}

fn iron3_inputs() -> Outcome<Inputs> {
    let mut inputs = Inputs::new();
    for (id, value, u) in [
        ("c", 0.016_667, 3.5e-6),
        ("M", 55.845, 0.001_155),
        ("D", 10.0, 0.0075),
        ("V_0", 10.0, 0.01),
        ("V_T", 23.18, 0.02),
        ("V_2", 21.46, 0.02),
    ] {
        inputs.add(Input::new(id, id, "", value, u))?;
    }
    Ok(inputs)
}

/// Sums of the contents in g/L and of their standard uncertainties.
fn evaluated(records: &[Record]) -> Outcome<Vec<f64>> {
    let (mut values, mut uncertainties) = (0.0, 0.0);
    for record in records {
        let evaluation = evaluate(record, Detail::Figures)?;
        let figure =
            evaluation.figures.iter().find(|f| f.unit == Unit::GramsPerLitre && f.expressed == Expressed::Iron);
        let figure = figure.ok_or("a determination has no content")?;
        values += figure.value;
        uncertainties += figure.u;
    }
    Ok(vec![values, uncertainties])
}

fn done(material: &mut Material, name: &str, argument: f64) -> Outcome<(f64, Vec<f64>)> {
    let started = Instant::now();
    let figures = match name {
        "summary" => {
            let summary = Summary::of(black_box(&material.values))?;
            let shape = (summary.population_skewness()?, summary.population_excess_kurtosis()?);
            vec![summary.mean()?, summary.sample_sd()?, shape.0, shape.1]
        }
        "dixon" => vec![critical(Ratio::R10, 10, argument, Sidedness::OneSided)?.value],
        "run length" => {
            let patterns = [same_side(1, 1, 3.0), same_side(2, 3, 2.0), same_side(10, 11, 0.0)];
            let rules = RuleSet::new(patterns.into_iter().map(Rule::rejecting).collect())?;
            vec![run_length(&rules, Process::IN_CONTROL)?.average()]
        }
        "anova" => {
            let found = one_way::<f64, _>(black_box(&material.groups), 0.95)?;
            vec![found.f_test.map_or(f64::NAN, |test| test.f)]
        }
        "monte carlo" => {
            let inputs = iron3_inputs()?;
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a small whole number")]
            let settings = Settings { trials: 1_000_000, probability: 0.95, seed: 1, threads: argument as usize };
            let model = |x: &[f64]| 6.0 * x[0] * x[1] * x[2] * (x[4] - x[5]) / x[3];
            let found = simulate(&inputs, model, &settings, &mut material.samples)?;
            vec![found.mean, found.standard_uncertainty, found.shortest.low, found.shortest.high]
        }
        "evaluations" => evaluated(&material.records)?,
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a whole number")]
        "first evaluations" => evaluated(material.records.get(..argument as usize).unwrap_or_default())?,
        other => return Err(format!("{other}?").into()),
    };
    Ok((started.elapsed().as_secs_f64(), figures))
}

fn main() -> Outcome<()> {
    // `cargo bench` passes an option of its own.
    let arguments: Vec<String> = std::env::args().skip(1).filter(|argument| argument != "--bench").collect();
    let [values, groups, readings] = arguments.as_slice() else {
        return Err("needs the files of values, groups and readings: start it by tests/benches/numerics/run".into());
    };
    let flat = doubles(groups)?;
    let mut material = Material {
        values: doubles(values)?,
        groups: flat.chunks_exact(3).map(|three| [three[0], three[1], three[2]]).collect(),
        records: records(readings)?,
        samples: Vec::new(),
    };
    let mut out = std::io::stdout().lock();
    writeln!(out, "ready")?;
    for line in std::io::stdin().lock().lines() {
        let line = line?;
        let (name, argument) = line.split_once('|').ok_or("needs NAME|ARGUMENT")?;
        let (seconds, figures) = done(&mut material, name, argument.parse()?)?;
        let figures: Vec<String> = figures.iter().map(f64::to_string).collect();
        writeln!(out, "{seconds} {}", figures.join(" "))?;
    }
    Ok(())
}
