//! Verdicts and limits, once there, are there for good; what an append reads does not grow.

use std::collections::BTreeMap;

use ferrotitre_tests::bench::text;
use ferrotitre_tests::cluster::{DatabaseRole, until};
use serde_json::{Value, json};

use super::{Control, baseline, days_ago, hits, near, number, target, verdicts};

/// A small generator, so that histories are many and the same every time.
struct Random(u64);

impl Random {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % n
    }

    /// Roughly normal, in s: twelve uniform numbers less six.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.below(1_000_000) as f64 / 1e6).sum::<f64>() - 6.0
    }
}

async fn rows(control: &Control, table: &str) -> BTreeMap<String, String> {
    let sql = control.app().sql(DatabaseRole::Superuser).await;
    let rows = sql.query(&format!("SELECT id::text, t::text FROM {table} t"), &[]).await.unwrap();
    rows.iter().map(|row| (row.get(0), row.get(1))).collect()
}

/// What was there before is there now, byte for byte.
#[track_caller]
fn unchanged(before: &BTreeMap<String, String>, now: &BTreeMap<String, String>) {
    for (id, row) in before {
        assert_eq!(now.get(id), Some(row));
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn whatever_is_written_later_verdicts_and_limits_stay_byte_for_byte() {
    for seed in [3, 17] {
        let control = Control::open().await;
        let chart = control.chart("X-1", &json!({})).await;
        let mut random = Random(seed);
        control.target(&chart, 400.0).await;
        let mut time = 399.0;
        let (mut values, mut limits) = (BTreeMap::new(), BTreeMap::new());
        let mut shown: BTreeMap<i64, Value> = BTreeMap::new();
        let mut recorded: i64 = 0;
        for _ in 0..70 {
            match random.below(10) {
                0 if recorded > 5 => {
                    let phase = target(&format!("{:.2}", 117.5 + random.normal() * 0.3), "0.5", time - 0.1);
                    control.phase(&chart, &phase).await;
                    time -= 0.2;
                }
                1 if recorded > 0 => {
                    let position = 1 + random.below(u64::try_from(recorded).unwrap());
                    let query = format!("&before={}", position + 1);
                    let id = text(control.points(&chart, &query).await.last().unwrap(), "id");
                    let to = ["under investigation", "invalid-with-cause"][usize::from(random.below(2) == 1)];
                    let cause = (to == "invalid-with-cause").then_some("misread");
                    let disposition = json!({ "to": to, "cause": cause, "reason": "looked at again" });
                    let path = format!("/control-values/{id}/dispositions");
                    let answer = control.app().manager.post(&path, &disposition).await;
                    assert!(matches!(answer.status, 201 | 409), "{}", answer.text);
                }
                _ => {
                    time -= 1.0;
                    let value = format!("{:.2}", 118.0 + 0.8 * random.normal());
                    let point = control.import(&chart, &value, time).await;
                    recorded += 1;
                    shown.insert(point["position"].as_i64().unwrap(), point);
                }
            }
            let (now_values, now_limits) =
                (rows(&control, "control_values").await, rows(&control, "chart_phases").await);
            unchanged(&values, &now_values);
            unchanged(&limits, &now_limits);
            (values, limits) = (now_values, now_limits);
        }
        assert!(recorded > 30 && limits.len() > 2, "{recorded} values, {} phases", limits.len());
        for point in control.points(&chart, "").await {
            let first = &shown[&point["position"].as_i64().unwrap()];
            for field in ["value", "phase", "z", "hits", "verdict", "observed_at"] {
                assert_eq!(point[field], first[field], "seed {seed}, {field} of point {}", point["position"]);
            }
        }
        let marked = values.values().filter(|row| row.contains("out of control")).count();
        assert!(marked > 0, "a history without any hit proves nothing");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn sixty_points_make_a_new_phase_and_old_verdicts_stand() {
    // Event i: established limits after 60 points; what was judged stays, the later view is labelled as such.
    let control = Control::open().await;
    let chart = control.chart("X-1", &json!({})).await;
    control.target(&chart, 200.0).await;
    let mut random = Random(1);
    let figures: Vec<String> = (0..60).map(|_| format!("{:.2}", 118.3 + 0.25 * random.normal())).collect();
    for (i, value) in figures.iter().enumerate() {
        control.import(&chart, value, 190.0 - i as f64).await;
    }
    let before = control.points(&chart, "").await;
    let review = control.app().auditor.get(&format!("/control-charts/{chart}/review")).await.expect(200);
    // Mean and s by the definition, here and not in the service.
    let numbers: Vec<f64> = figures.iter().map(|text| text.parse().unwrap()).collect();
    let mean = numbers.iter().sum::<f64>() / 60.0;
    let s = (numbers.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 59.0).sqrt();
    near("bias", number(&review, "/long_term/bias"), mean - 118.0, 1e-9);
    near("s_Rw", number(&review, "/long_term/s_rw"), s, 1e-9);
    let last_20 = numbers[40..].iter().sum::<f64>() / 20.0;
    near("mean of the last 20", number(&review, "/mean_of_last_20"), last_20, 1e-9);
    near("shift", number(&review, "/centre_shift/shift"), (last_20 - 118.0) / 0.413, 1e-9);
    assert_eq!(review["centre_shift"]["finding"], "changed");
    let outside = numbers.iter().filter(|x| (*x - 118.0).abs() > 2.0 * 0.413).count();
    assert_eq!(review["outside_warning"]["count"], outside);
    // u(bias) = sqrt(bias2 + s2/n + u2(Cref)), u_c = sqrt(s2 + u2(bias)): Nordtest TR 537, one material.
    let u_bias = ((mean - 118.0).powi(2) + s * s / 60.0 + 0.12_f64.powi(2)).sqrt();
    near("u(bias)", number(&review, "/uncertainty/u_bias"), u_bias, 1e-9);
    near("u_c", number(&review, "/uncertainty/top_down_u"), (s * s + u_bias * u_bias).sqrt(), 1e-9);
    let proposal = &review["proposal"];
    assert_eq!(
        (&proposal["first"], &proposal["last"], &proposal["label"]),
        (&json!(1), &json!(60), &json!("established"))
    );
    assert_eq!(control.app().row_counts(&["chart_phases"]).await, [1], "a review stores nothing");
    let phase = control.phase(&chart, &baseline(1, 60, "established", 100.0)).await;
    assert_eq!((&phase["state"], &phase["n"]), (&json!("established"), &json!(60)));
    near("centre", number(&phase, "/centre"), mean, 1e-9);
    near("upper action", number(&phase, "/upper_action"), mean + 3.0 * s, 1e-9);
    assert_eq!(phase["sign_offs"][0]["meaning"], "approved");
    assert_eq!(phase["sign_offs"][0]["still_valid"], true);
    let after = control.points(&chart, "").await;
    assert_eq!(serde_json::to_string(&before).unwrap(), serde_json::to_string(&after).unwrap());
    let id = text(&phase, "id");
    let page = control.app().auditor.get(&format!("/control-charts/{chart}/points?as_judged_by={id}&limit=60")).await;
    let page = page.expect(200);
    assert_eq!(page["as_judged_by"], json!(id));
    assert!(page["caution"].as_str().unwrap().contains("separate view"), "{}", page["caution"]);
    let newest = &page["items"][0];
    near("z under the later phase", number(newest, "/z"), (numbers[59] - mean) / s, 1e-9);
    assert_ne!(newest["z"], before[59]["z"]);
    let chart_view = control.app().auditor.get(&format!("/control-charts/{chart}")).await.expect(200);
    let states: Vec<&str> =
        chart_view["phases"].as_array().unwrap().iter().map(|phase| phase["state"].as_str().unwrap()).collect();
    assert_eq!(states, ["superseded", "established"]);
    assert_eq!(chart_view["statistics"]["run_lengths"]["baseline"]["n"], 60);
    near("false alarms", 100.0 * number(&chart_view, "/statistics/run_lengths/baseline/false_alarm_rate"), 0.42, 0.005);
    let next = control.import(&chart, "118.30", 90.0).await;
    assert_eq!(next["phase"], json!(id));
}

#[tokio::test(flavor = "multi_thread")]
async fn the_default_rules_mark_the_point_that_completes_them() {
    let control = Control::open().await;
    let chart = control.chart("X-1", &json!({})).await;
    control.phase(&chart, &target("100", "1", 100.0)).await;
    let series = ["102.2", "100.1", "102.1", "99.8", "103.1", "97.9", "99.9", "97.8"];
    for (i, value) in series.iter().enumerate() {
        control.import(&chart, value, 90.0 - i as f64).await;
    }
    let points = control.points(&chart, "").await;
    // 2 of 3 above +2 s at the third and, with the fifth, again; 3 s at the fifth; 2 of 3 below at the last.
    let expected: [&[i64]; 8] = [&[], &[], &[2], &[], &[1, 2], &[], &[], &[2]];
    assert_eq!(hits(&points), expected.map(<[i64]>::to_vec));
    let (good, bad) = ("in control", "out of control");
    assert_eq!(verdicts(&points), [good, good, bad, good, bad, good, good, bad]);
    let rising = control.chart("X-2", &json!({})).await;
    control.phase(&rising, &target("100", "1", 100.0)).await;
    for i in 0..8 {
        control.import(&rising, &format!("99.{i}"), 90.0 - f64::from(i)).await;
    }
    let points = control.points(&rising, "").await;
    // Seven points are six steps: the seventh completes rule 4, and so does the eighth.
    let marked: Vec<usize> = (1..=8).filter(|i| hits(&points)[i - 1].contains(&4)).collect();
    assert_eq!(marked, [7, 8]);
    assert_eq!(points[6]["verdict"], "investigate");
    assert_eq!(points[6]["hits"][0]["text"], "7 points steadily rising or falling");
}

/// Rows of control values that the store has handed out so far, by whatever way.
async fn rows_read(sql: &tokio_postgres::Client) -> i64 {
    let query = "SELECT coalesce(seq_tup_read, 0) + coalesce(idx_tup_fetch, 0) + \
                 (SELECT coalesce(sum(idx_tup_read), 0)::bigint FROM pg_stat_user_indexes WHERE relname = 'control_values') \
                 FROM pg_stat_user_tables WHERE relname = 'control_values'";
    sql.query_one(query, &[]).await.unwrap().get(0)
}

#[tokio::test(flavor = "multi_thread")]
async fn an_append_reads_as_many_rows_after_twenty_thousand_points_as_after_hundred() {
    let control = Control::open().await;
    let app = control.app();
    let chart = control.chart("X-1", &json!({})).await;
    let phase = text(&control.target(&chart, 300.0).await, "id");
    let sql = app.sql(DatabaseRole::Superuser).await;
    let mut reads = Vec::new();
    for (from, to) in [(1, 100), (102, 20_000)] {
        let filled = format!(
            "BEGIN; SELECT set_config('ferrotitre.act', '{{\"kind\": \"system\", \"action\": \"fill\"}}', true); \
             INSERT INTO control_values (id, chart_id, position, source, value, history, observed_at, phase_id, hits, verdict, recorded_by) \
             SELECT gen_random_uuid(), '{chart}', i, 'imported', 118 + (i % 7 - 3) * 0.1, 'test', now() - interval '299 days' + i * interval '1 second', \
             '{phase}', '{{}}', 'in control', '{}' FROM generate_series({from}, {to}) i; COMMIT; ANALYZE control_values;",
            app.analyst.id
        );
        sql.batch_execute(&filled).await.unwrap();
        let settled = async || {
            // Counters of an idle connection reach the view within a second or so.
            let mut last = rows_read(&sql).await;
            loop {
                tokio::time::sleep(std::time::Duration::from_millis(2500)).await;
                sql.batch_execute("SELECT pg_stat_clear_snapshot()").await.unwrap();
                let now = rows_read(&sql).await;
                if now == last {
                    return now;
                }
                last = now;
            }
        };
        let before = settled().await;
        control.import(&chart, "118.1", 0.5).await;
        let after = until("the counters arrive", async || {
            sql.batch_execute("SELECT pg_stat_clear_snapshot()").await.unwrap();
            let now = rows_read(&sql).await;
            (now > before).then_some(now)
        })
        .await;
        reads.push(after.max(settled().await) - before);
    }
    // Twice the memory of the rules, the last position, and the row of the answer: a few dozen, however long the history.
    assert!(reads[1] <= 150, "{reads:?}");
    assert!(reads[1] <= reads[0] + 60, "{reads:?}");
    assert_eq!(days_ago(0.0).len(), 24);
}
