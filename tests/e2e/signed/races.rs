//! Two transactions at the same moment: whoever comes second sees the first.

use std::future::Future;
use std::time::{Duration, Instant};

use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::DatabaseRole;
use serde_json::json;

use super::*;

/// How often each race is run.
const TIMES: usize = 200;

/// Turns in one store, where each correction looks into all that was signed before it.
const IN_ONE_STORE: usize = 40;

/// Counts of what came first, so that a race that never happens is noticed.
#[derive(Default, Debug)]
struct Firsts {
    one: usize,
    other: usize,
}

impl Firsts {
    fn both_ways(&self) {
        assert!(self.one > 0 && self.other > 0, "only one side ever came first: {self:?}");
    }
}

/// A signature takes its time, for the password is hashed first. Its rival sets out somewhere in that time, or just after.
struct Rival {
    signing: Duration,
}

impl Rival {
    fn new() -> Self {
        Self { signing: Duration::from_millis(100) }
    }

    async fn sets_out<T>(&self, turn: usize, rival: impl Future<Output = T>) -> T {
        tokio::time::sleep(self.signing.mul_f64((turn % 13) as f64 / 10.0)).await;
        rival.await
    }

    async fn timed<T>(&mut self, signature: impl Future<Output = T>) -> T {
        let begun = Instant::now();
        let signed = signature.await;
        self.signing = begun.elapsed();
        signed
    }
}

/// A laboratory with an open run.
async fn laboratory() -> (Lab, String) {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    (lab, run)
}

#[tokio::test(flavor = "multi_thread")]
async fn no_titration_slips_under_a_signature() {
    let lab = Lab::open().await;
    let sql = lab.app.sql(DatabaseRole::Superuser).await;
    let run = lab.run(&lab.iron2).await;
    let (mut firsts, mut rival) = (Firsts::default(), Rival::new());
    for turn in 0..TIMES {
        let determination = begun(&lab, &run).await;
        let path = format!("/determinations/{determination}");
        let seen = lab.app.analyst.get(&path).await.expect(200)["content_digest"].clone();
        let (titrations, titration) = (format!("{path}/titrations"), lab.titration("accurate", "21.48", None));
        let mut signature = Rival { signing: rival.signing };
        let (titrated, signed) = tokio::join!(
            rival.sets_out(turn, lab.app.analyst.post(&titrations, &titration)),
            signature.timed(sign_seen(&lab.app.analyst, &path, "submission", &seen))
        );
        rival = signature;
        let count = "SELECT count(*) FROM titrations WHERE determination_id = $1::text::uuid";
        let made: i64 = sql.query_one(count, &[&determination]).await.unwrap().get(0);
        match (titrated.status, signed.status) {
            (201, 412) => firsts.one += 1,
            (409, 201) => firsts.other += 1,
            other => panic!("turn {turn}: {other:?}\n{}\n{}", titrated.text, signed.text),
        }
        if signed.status == 201 {
            let titres = signed.json["evaluation"]["titres"].as_array().unwrap().len();
            assert_eq!((titres, made), (2, 2), "turn {turn}: signed {titres} of {made}");
        }
    }
    firsts.both_ways();
}

#[tokio::test(flavor = "multi_thread")]
async fn two_titrations_saved_at_once_wait_for_each_other() {
    let lab = Lab::open().await;
    let run = lab.run(&lab.iron2).await;
    for turn in 0..TIMES {
        let determination = lab.begin(&run).await;
        let path = format!("/determinations/{determination}/titrations");
        let (first, second) = (lab.titration("accurate", "21.46", None), lab.titration("accurate", "21.48", None));
        let (one, other) = tokio::join!(lab.app.analyst.post(&path, &first), lab.app.analyst2.post(&path, &second));
        assert_eq!((one.status, other.status), (201, 201), "turn {turn}: {}\n{}", one.text, other.text);
        let view = lab.app.auditor.get(&format!("/determinations/{determination}")).await.expect(200);
        let positions: Vec<i64> =
            view["titrations"].as_array().unwrap().iter().map(|one| one["position"].as_i64().unwrap()).collect();
        assert_eq!(positions, [1, 2], "turn {turn}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_recorded_in_a_run_after_its_closing() {
    let lab = Lab::open().await;
    let sql = lab.app.sql(DatabaseRole::Superuser).await;
    let mut firsts = Firsts::default();
    for turn in 0..TIMES {
        let run = lab.run(&lab.iron2).await;
        let determination = lab.begin(&run).await;
        let path = format!("/determinations/{determination}/titrations");
        let (closing, titration) = (format!("/runs/{run}/closing"), lab.titration("accurate", "21.46", None));
        let nothing = json!({});
        let (titrated, closed) =
            tokio::join!(lab.app.analyst.post(&path, &titration), lab.app.analyst.post(&closing, &nothing));
        assert_eq!(closed.status, 201, "turn {turn}: {}", closed.text);
        match titrated.status {
            201 => firsts.one += 1,
            409 => firsts.other += 1,
            _ => panic!("turn {turn}: {}", titrated.text),
        }
        let late = "SELECT count(*) FROM titrations t JOIN determinations d ON d.id = t.determination_id \
                    JOIN state_moves m ON m.entity_id = d.run_id AND m.to_state = 'closed' \
                    WHERE d.id = $1::text::uuid AND t.recorded_at > m.recorded_at";
        let late: i64 = sql.query_one(late, &[&determination]).await.unwrap().get(0);
        assert_eq!(late, 0, "turn {turn}: a titration was recorded after the closing");
    }
    firsts.both_ways();
}

#[tokio::test(flavor = "multi_thread")]
async fn no_correction_slips_past_a_signature() {
    let (mut lab, mut run) = laboratory().await;
    let (mut firsts, mut rival) = (Firsts::default(), Rival::new());
    for turn in 0..TIMES {
        if turn > 0 && turn % IN_ONE_STORE == 0 {
            (lab, run) = laboratory().await;
        }
        let determination = begun(&lab, &run).await;
        let path = format!("/determinations/{determination}");
        let before = lab.app.analyst.get(&path).await.expect(200);
        let pipette = if turn % 2 == 0 { &lab.bench.pipette_25 } else { &lab.bench.pipette_10 };
        let mut signature = Rival { signing: rival.signing };
        let (corrected, signed) = tokio::join!(
            rival.sets_out(turn, correct_portion(&lab, pipette)),
            signature.timed(sign_seen(&lab.app.analyst, &path, "submission", &before["content_digest"]))
        );
        rival = signature;
        assert_eq!(corrected.status, 201, "turn {turn}: {}", corrected.text);
        match signed.status {
            412 => firsts.one += 1,
            201 => {
                firsts.other += 1;
                let after = lab.app.auditor.get(&path).await.expect(200);
                assert_eq!(signed_part(&after), signed_part(&before), "turn {turn}");
                let touched = after["since"]["touched"].to_string();
                assert!(touched.contains("test portion corrected"), "turn {turn}: {}", after["since"]);
            }
            _ => panic!("turn {turn}: {}", signed.text),
        }
    }
    firsts.both_ways();
}

#[tokio::test(flavor = "multi_thread")]
async fn no_calibration_slips_past_a_signature() {
    let (mut lab, mut run) = laboratory().await;
    let (mut firsts, mut rival) = (Firsts::default(), Rival::new());
    for turn in 0..TIMES {
        if turn > 0 && turn % IN_ONE_STORE == 0 {
            (lab, run) = laboratory().await;
        }
        let determination = begun(&lab, &run).await;
        let path = format!("/determinations/{determination}");
        let before = lab.app.analyst.get(&path).await.expect(200);
        let list = lab.app.auditor.get(&format!("/equipment/{}/calibrations", lab.bench.flask_250)).await.expect(200);
        let present = list.as_array().unwrap().iter().find(|one| one["corrected_by"].is_null()).unwrap().clone();
        let facts = flask_calibration(&format!("CAL-{turn}"), -100, &format!("{}.{turn:03}", 249 + turn % 2));
        let correction = json!({ "reason": "typed from the wrong page", "facts": facts });
        let corrections = format!("/calibrations/{}/corrections", text(&present, "id"));
        let mut signature = Rival { signing: rival.signing };
        let (corrected, signed) = tokio::join!(
            rival.sets_out(turn, lab.app.manager.post(&corrections, &correction)),
            signature.timed(sign_seen(&lab.app.analyst, &path, "submission", &before["content_digest"]))
        );
        rival = signature;
        assert_eq!(corrected.status, 201, "turn {turn}: {}", corrected.text);
        match signed.status {
            412 => firsts.one += 1,
            201 => {
                firsts.other += 1;
                let after = lab.app.auditor.get(&path).await.expect(200);
                assert_eq!(signed_part(&after), signed_part(&before), "turn {turn}");
                let touched = after["since"]["touched"].to_string();
                assert!(
                    touched.contains(&format!("calibration CAL-{turn} of F250 corrected")),
                    "turn {turn}: {touched}"
                );
            }
            _ => panic!("turn {turn}: {}", signed.text),
        }
    }
    firsts.both_ways();
}
