//! Latencies of one round, and how rounds are put together and printed.

use std::time::Duration;

/// What one round of one contestant gave.
#[derive(Debug, Clone)]
pub struct Round {
    /// Latency of each operation, microseconds.
    pub latencies_us: Vec<u64>,
    /// How long it was measured.
    pub elapsed: Duration,
}

impl Round {
    /// Operations a second.
    pub fn rate(&self) -> f64 {
        self.latencies_us.len() as f64 / self.elapsed.as_secs_f64()
    }
}

/// Rounds of one contestant at one number of clients.
#[derive(Debug, Default)]
pub struct Rounds(pub Vec<Round>);

impl Rounds {
    /// Median of the rounds' rates.
    pub fn rate(&self) -> f64 {
        median(self.0.iter().map(Round::rate).collect())
    }

    /// Quantile of all latencies, milliseconds.
    pub fn quantile_ms(&self, p: f64) -> f64 {
        let mut all: Vec<u64> = self.0.iter().flat_map(|round| round.latencies_us.iter().copied()).collect();
        all.sort_unstable();
        let index = ((all.len() as f64 * p).ceil() as usize).clamp(1, all.len().max(1)) - 1;
        all.get(index).map_or(f64::NAN, |us| *us as f64 / 1e3)
    }
}

/// Median; NaN of nothing.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Prints a line of the comparison.
pub fn compare(what: &str, clients: usize, service: &Rounds, rival: &Rounds) {
    let ratios = service.0.iter().zip(&rival.0).map(|(ours, theirs)| ours.rate() / theirs.rate()).collect();
    println!(
        "{what:<5} {clients:>3} | {:>8.0} {:>8.2} {:>8.2} | {:>8.0} {:>8.2} {:>8.2} | {:>5.2}",
        service.rate(),
        service.quantile_ms(0.50),
        service.quantile_ms(0.99),
        rival.rate(),
        rival.quantile_ms(0.50),
        rival.quantile_ms(0.99),
        median(ratios)
    );
}

/// Heading of the comparison.
pub fn heading() {
    println!("            |      service                |      pgbench                | ratio");
    println!("       cl.  |      /s  p50, ms  p99, ms |       /s  p50, ms  p99, ms |  of /s");
}
