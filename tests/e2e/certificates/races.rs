//! Two transactions at the same moment: nothing is issued over a result that fell, and nothing is issued twice.

use std::time::Duration;

use ferrotitre_tests::app::sign_in;
use ferrotitre_tests::cluster::DatabaseRole;

use super::*;
use crate::signed::correct_portion;

/// Rounds of the races that take three signatures or fewer to set up again.
const TIMES: usize = 40;
/// Rounds of the one that takes six.
const FEWER: usize = 15;

/// Rounds of a race, as many times over as `FERROTITRE_RACES` says: 5 for the 200 of an acceptance.
fn rounds(of: usize) -> usize {
    let times = std::env::var("FERROTITRE_RACES").ok().and_then(|times| times.parse().ok()).unwrap_or(1);
    of * times
}

/// Rounds after which everybody signs in again: access tokens last ten minutes, and a busy machine is slow.
const SHIFT: usize = 20;

/// Everybody signs in again.
async fn next_shift(lab: &mut Lab, turn: usize) {
    if turn % SHIFT != SHIFT - 1 {
        return;
    }
    let app = &mut lab.app;
    let nobody = app.nobody.clone();
    for who in [&mut app.analyst, &mut app.analyst2, &mut app.manager, &mut app.manager2, &mut app.auditor] {
        let token = sign_in(&nobody, &who.code, &who.password).await;
        *who = who.with_token(&token);
    }
}

/// Signs over a digest that was read before.
async fn over(who: &Client, path: String, digest: Value, reason: Option<&str>) -> Answer {
    let signature = json!({ "password": who.password, "content_digest": digest, "reason": reason });
    who.post(&path, &signature).await
}

/// One of the two sets out later, a little more each turn.
async fn after(turn: usize) {
    tokio::time::sleep(Duration::from_millis((turn % 13) as u64 * 3)).await;
}

/// Approved again by others, after an amendment by the first manager.
async fn anew(lab: &Lab, of: &str) {
    sign(&lab.app.analyst, of, "submission", None).await.expect(201);
    sign(&lab.app.analyst2, of, "review", None).await.expect(201);
    sign(&lab.app.manager2, of, "approval", None).await.expect(201);
}

async fn give_up(lab: &Lab, place: &str, issued: bool) {
    if issued {
        withdraw(&lab.app.manager, place, "a round of the race is over").await.expect(201);
    } else {
        let why = json!({ "reason": "a round of the race is over" });
        lab.app.analyst2.post(&format!("{place}/discarding"), &why).await.expect(201);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn no_certificate_is_issued_over_a_result_that_is_amended_at_the_same_moment() {
    let mut lab = described().await;
    let sql = lab.app.sql(DatabaseRole::Superuser).await;
    let (result, mut view) = approved(&lab).await;
    let of = format!("/determinations/{result}");
    let (mut issued_first, mut amended_first) = (0, 0);
    for turn in 0..rounds(TIMES) {
        next_shift(&mut lab, turn).await;
        let app = &lab.app;
        let draft = drafted(&lab, &[&result]).await;
        let place = path(&draft);
        let (issuing, amending) = (turn % 2 == 0, turn % 2 == 1);
        let (authorised, amendment) = tokio::join!(
            async {
                if amending {
                    after(turn / 2).await;
                }
                over(&app.manager2, format!("{place}/authorisation"), draft["content_digest"].clone(), None).await
            },
            async {
                if issuing {
                    after(turn / 2).await;
                }
                over(&app.manager, format!("{of}/amendment"), view["content_digest"].clone(), Some("looked at again"))
                    .await
            }
        );
        assert_eq!(amendment.status, 201, "turn {turn}: {}", amendment.text);
        let version = text(&draft["issues"][0], "version_id");
        let order = "SELECT (SELECT max(recorded_at) FROM state_moves WHERE entity_id = $1::text::uuid AND to_state = 'amended') > \
                     (SELECT recorded_at FROM state_moves WHERE entity_id = $2::text::uuid AND to_state = 'issued')";
        let before: Option<bool> = sql.query_one(order, &[&result, &version]).await.unwrap().get(0);
        match authorised.status {
            201 => {
                issued_first += 1;
                assert_eq!(before, Some(true), "turn {turn}: issued over a result that was amended");
                let marks = app.auditor.get(&place).await.expect(200)["marks"].to_string();
                assert!(marks.contains("was amended since"), "turn {turn}: {marks}");
            }
            409 => {
                amended_first += 1;
                assert_eq!(before, None, "turn {turn}");
            }
            _ => panic!("turn {turn}: {}", authorised.text),
        }
        give_up(&lab, &place, authorised.status == 201).await;
        anew(&lab, &of).await;
        view = app.auditor.get(&of).await.expect(200);
    }
    assert!(issued_first > 0 && amended_first > 0, "only one side ever came first: {issued_first}, {amended_first}");
}

#[tokio::test(flavor = "multi_thread")]
async fn nothing_is_issued_twice() {
    let mut lab = described().await;
    let sql = lab.app.sql(DatabaseRole::Superuser).await;
    let (result, _) = approved(&lab).await;
    for turn in 0..rounds(TIMES) {
        next_shift(&mut lab, turn).await;
        let app = &lab.app;
        let first = drafted(&lab, &[&result]).await;
        let second = drafted(&lab, &[&result]).await;
        assert_ne!(first["number"], second["number"]);
        let (one, other) = (path(&first), path(&second));
        let signed = |who: &'static str, place: &str, of: &Value| {
            let who = if who == "first" { app.manager.clone() } else { app.manager2.clone() };
            let (path, digest) = (format!("{place}/authorisation"), of["content_digest"].clone());
            async move { over(&who, path, digest, None).await }
        };
        let (a, b, c) = tokio::join!(
            signed("first", &one, &first),
            signed("second", &one, &first),
            signed("second", &other, &second)
        );
        let mut statuses = [a.status, b.status, c.status];
        statuses.sort_unstable();
        assert_eq!(statuses, [201, 409, 409], "turn {turn}:\n{}\n{}\n{}", a.text, b.text, c.text);
        let twice = "SELECT count(*) FROM present_states s JOIN certificates c ON c.id = s.entity_id \
                     JOIN certificate_results r ON r.certificate_id = c.id \
                     WHERE s.state = 'issued' AND r.result_id = $1::text::uuid";
        let count: i64 = sql.query_one(twice, &[&result]).await.unwrap().get(0);
        assert_eq!(count, 1, "turn {turn}");
        let papers: i64 = sql.query_one("SELECT count(*) FROM certificate_papers", &[]).await.unwrap().get(0);
        assert_eq!(papers, i64::try_from(turn).unwrap() + 1, "turn {turn}");
        give_up(&lab, &one, c.status != 201).await;
        give_up(&lab, &other, c.status == 201).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_correction_at_the_same_moment_blocks_the_issue_or_names_it() {
    let mut lab = described().await;
    let (result, _) = approved(&lab).await;
    let of = format!("/determinations/{result}");
    let (mut issued_first, mut corrected_first) = (0, 0);
    for turn in 0..rounds(FEWER) {
        next_shift(&mut lab, turn).await;
        let app = &lab.app;
        let draft = drafted(&lab, &[&result]).await;
        let place = path(&draft);
        let pipette = if turn % 2 == 0 { &lab.bench.pipette_25 } else { &lab.bench.pipette_10 };
        let (authorised, corrected) = tokio::join!(
            over(&app.manager2, format!("{place}/authorisation"), draft["content_digest"].clone(), None),
            async {
                // A signature takes its time, for the password is hashed first.
                tokio::time::sleep(Duration::from_millis((turn % 13) as u64 * 12)).await;
                correct_portion(&lab, pipette).await
            }
        );
        assert_eq!(corrected.status, 201, "turn {turn}: {}", corrected.text);
        let opened = app.auditor.get("/nonconformities?limit=1").await.expect(200)["items"][0].clone();
        let named = text(&opened, "scope").contains(&text(&draft, "number"));
        match authorised.status {
            201 => {
                issued_first += 1;
                assert!(named, "turn {turn}: the nonconformity does not name the certificate: {opened}");
            }
            409 => {
                corrected_first += 1;
                assert!(!named, "turn {turn}: {opened}");
            }
            _ => panic!("turn {turn}: {}", authorised.text),
        }
        give_up(&lab, &place, authorised.status == 201).await;
        sign(&app.manager, &of, "amendment", Some("the portion was corrected")).await.expect(201);
        anew(&lab, &of).await;
    }
    assert!(
        issued_first > 0 && corrected_first > 0,
        "only one side ever came first: {issued_first}, {corrected_first}"
    );
}
