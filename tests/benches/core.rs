//! How fast the pure calculations are: evaluations, critical values of Dixon's ratio, appends to the Merkle tree.

use std::error::Error;
use std::hint::black_box;
use std::time::{Duration, Instant};

use ferrotitre_core::determination::{Detail, evaluate};
use ferrotitre_core::merkle::{Frontier, leaf_hash};
use ferrotitre_core::statistics::outliers::Sidedness;
use ferrotitre_core::statistics::outliers::dixon::{Ratio, critical};

#[path = "shared/bath.rs"]
mod bath;

type Outcome<T> = Result<T, Box<dyn Error>>;

/// Repeats for about a second and prints how many a second were done; the median of five slices.
fn rate(name: &str, mut once: impl FnMut() -> Outcome<()>) -> Outcome<()> {
    let mut rates = Vec::new();
    for _ in 0..5 {
        let started = Instant::now();
        let mut done = 0u32;
        while started.elapsed() < Duration::from_millis(200) {
            once()?;
            done += 1;
        }
        rates.push(f64::from(done) / started.elapsed().as_secs_f64());
    }
    rates.sort_by(f64::total_cmp);
    println!("{name:<44} {:>12.0} /s   {:>10.2} us each", rates[2], 1e6 / rates[2]);
    Ok(())
}

fn main() -> Outcome<()> {
    let record = bath::record(["23.16", "23.18", "23.18"])?;
    rate("evaluate, figures only", || {
        black_box(evaluate(black_box(&record), Detail::Figures)?);
        Ok(())
    })?;
    rate("evaluate, with the whole working", || {
        black_box(evaluate(black_box(&record), Detail::Working)?);
        Ok(())
    })?;

    // Each pair of n and alpha is new to the program, so nothing is remembered.
    let mut cold = Vec::new();
    for n in 3..=30usize {
        let started = Instant::now();
        black_box(critical(Ratio::recommended(n), n, 0.0317, Sidedness::OneSided)?);
        cold.push(started.elapsed().as_secs_f64());
    }
    cold.sort_by(f64::total_cmp);
    println!(
        "Dixon critical value, first time, n 3 to 30: median {:.2} ms, longest {:.2} ms",
        1e3 * cold[cold.len() / 2],
        1e3 * cold[cold.len() - 1]
    );
    rate("Dixon critical value again, n = 10", || {
        black_box(critical(Ratio::recommended(10), black_box(10), 0.0317, Sidedness::OneSided)?);
        Ok(())
    })?;

    let mut tree = Frontier::new();
    let entry = [7u8; 600];
    rate("Merkle tree, hash and append a 600-byte event", || {
        tree.append(leaf_hash(black_box(&entry)));
        Ok(())
    })?;
    println!("  the tree then has {} leaves", tree.size());
    Ok(())
}
