//! Counts requests for the metrics endpoint, in the Prometheus text exposition format.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// Upper bounds of the latency buckets, seconds.
const BUCKETS: [f64; 9] = [0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.3, 1.0];

#[derive(Debug, Default, Clone, Copy)]
struct Series {
    buckets: [u64; BUCKETS.len()],
    count: u64,
    seconds: f64,
}

/// The alerts of the moment as gauges.
#[must_use]
pub fn alerts_text(counts: &BTreeMap<(&'static str, &'static str), usize>) -> String {
    let mut text = String::from(
        "# HELP ferrotitre_alerts What needs attention, by kind and urgency; see /api/v1/alerts.\n\
         # TYPE ferrotitre_alerts gauge\n",
    );
    for ((kind, urgency), count) in counts {
        // Writing to a String cannot fail.
        let _ = writeln!(text, "ferrotitre_alerts{{kind=\"{kind}\",urgency=\"{urgency}\"}} {count}");
    }
    text
}

/// Whether sealing has stopped, as a gauge.
#[must_use]
pub fn sealing_text(stopped: bool) -> String {
    format!(
        "# HELP ferrotitre_audit_sealing_stopped 1 where the log does not extend what was signed, so that nothing is sealed.\n\
         # TYPE ferrotitre_audit_sealing_stopped gauge\nferrotitre_audit_sealing_stopped {}\n",
        u8::from(stopped)
    )
}

/// Age of the last head that as many witnesses countersigned as must, as a gauge.
#[must_use]
pub fn countersigned_text(seconds: i64) -> String {
    format!(
        "# HELP ferrotitre_audit_countersigned_seconds Age of the last head that as many witnesses countersigned as must.\n\
         # TYPE ferrotitre_audit_countersigned_seconds gauge\nferrotitre_audit_countersigned_seconds {seconds}\n"
    )
}

/// Events that wait for their leaf, as gauges.
#[must_use]
pub fn pending_text(events: i64, oldest_seconds: i64) -> String {
    format!(
        "# HELP ferrotitre_audit_pending_events Events that wait for their leaf.\n\
         # TYPE ferrotitre_audit_pending_events gauge\nferrotitre_audit_pending_events {events}\n\
         # HELP ferrotitre_audit_oldest_pending_seconds Age of the oldest of them.\n\
         # TYPE ferrotitre_audit_oldest_pending_seconds gauge\nferrotitre_audit_oldest_pending_seconds {oldest_seconds}\n"
    )
}

/// Requests of this process by method, route and status.
#[derive(Debug, Default)]
pub struct Metrics {
    series: Mutex<BTreeMap<(String, String, u16), Series>>,
}

impl Metrics {
    /// Counts one request.
    pub fn observe(&self, method: &str, route: &str, status: u16, elapsed: Duration) {
        let seconds = elapsed.as_secs_f64();
        let mut all = self.series.lock().unwrap_or_else(PoisonError::into_inner);
        let series = all.entry((method.to_owned(), route.to_owned(), status)).or_default();
        for (count, bound) in series.buckets.iter_mut().zip(BUCKETS) {
            *count += u64::from(seconds <= bound);
        }
        series.count += 1;
        series.seconds += seconds;
    }

    /// The text exposition.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::from(
            "# HELP ferrotitre_http_request_duration_seconds Time to answer, by method, route and status.\n\
             # TYPE ferrotitre_http_request_duration_seconds histogram\n",
        );
        for ((method, route, status), series) in self.series.lock().unwrap_or_else(PoisonError::into_inner).iter() {
            let labels = format!("method=\"{method}\",route=\"{route}\",status=\"{status}\"");
            let name = "ferrotitre_http_request_duration_seconds";
            // Writing to a String cannot fail.
            for (bound, count) in BUCKETS.iter().zip(series.buckets) {
                let _ = writeln!(text, "{name}_bucket{{{labels},le=\"{bound}\"}} {count}");
            }
            let _ = writeln!(text, "{name}_bucket{{{labels},le=\"+Inf\"}} {}", series.count);
            let _ = writeln!(text, "{name}_sum{{{labels}}} {}", series.seconds);
            let _ = writeln!(text, "{name}_count{{{labels}}} {}", series.count);
        }
        text
    }
}
