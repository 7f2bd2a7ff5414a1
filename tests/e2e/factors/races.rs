//! Two at the same moment: a correction against a signature, and against a release.

use ferrotitre_tests::bench::text;
use serde_json::json;

use crate::lab::{Lab, sign};

use super::preparations::{facts_of, prepared};
use super::standardised;

/// A result is signed while the corrected factor of its lot comes into force: it is signed with the one before and marked, or nothing is
/// signed, for what was looked at is no longer what would be signed.
#[tokio::test(flavor = "multi_thread")]
async fn no_corrected_factor_slips_past_a_signature() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let [lot, _, standardisation] = standardised(&lab).await;
    sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
    sign(&app.manager, &standardisation, "approval", None).await.expect(201);
    let run = lab.run(&lab.iron2).await;
    let mut titration = lab.titration("accurate", "21.46", None);
    titration["titrant"] = json!(lot);
    let mut firsts = (0, 0);
    let mut signing = std::time::Duration::from_millis(100);
    for turn in 0..40_u32 {
        let determination = lab.begin(&run).await;
        for _ in 0..2 {
            lab.titrate(&determination, &titration).await;
        }
        let path = format!("/determinations/{determination}");
        sign(&app.manager, &standardisation, "amendment", Some("to be looked at again")).await.expect(201);
        sign(&app.analyst, &standardisation, "submission", None).await.expect(201);
        let seen = app.analyst.get(&path).await.expect(200)["content_digest"].clone();
        let of = app.manager2.get(&standardisation).await.expect(200)["content_digest"].clone();
        let approval = json!({ "password": app.manager2.password, "content_digest": of });
        let begin = std::time::Instant::now();
        // Now one sets out later and now the other.
        let later = signing * (turn % 13) / 12;
        let waits = if turn % 2 == 0 { [later, std::time::Duration::ZERO] } else { [std::time::Duration::ZERO, later] };
        let (approved, signed) = tokio::join!(
            async {
                tokio::time::sleep(waits[0]).await;
                let approved = app.manager2.post(&format!("{standardisation}/approval"), &approval).await;
                (approved, begin.elapsed().saturating_sub(waits[0]))
            },
            async {
                tokio::time::sleep(waits[1]).await;
                crate::signed::sign_seen(&app.analyst, &path, "submission", &seen).await
            }
        );
        let (approved, took) = approved;
        signing = took;
        assert_eq!(approved.status, 201, "turn {turn}: {}", approved.text);
        let after = app.auditor.get(&path).await.expect(200);
        match signed.status {
            201 => {
                firsts.0 += 1;
                let said = after["since"].to_string();
                assert!(said.contains("factor of D-7 corrected"), "turn {turn}: {said}");
                assert_eq!(after["content_digest"], seen, "turn {turn}");
            }
            412 => {
                firsts.1 += 1;
                assert_ne!(after["content_digest"], seen, "turn {turn}");
            }
            other => panic!("turn {turn}: {other}\n{}", signed.text),
        }
    }
    assert!(firsts.0 > 0 && firsts.1 > 0, "only one side ever came first: {firsts:?}");
}

/// A release takes its time, for the password is hashed first; the correction sets out somewhere in that time. Whoever comes second
/// sees the first: no lot is released with a preparation that was corrected.
#[tokio::test(flavor = "multi_thread")]
async fn no_correction_slips_under_a_release() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let standards = app.auditor.get("/primary-standards").await.expect(200);
    let version = text(&standards["items"][0], "version_id");
    let mut firsts = (0, 0);
    let mut signing = std::time::Duration::from_millis(100);
    for turn in 0..60_u32 {
        let lot = prepared(&lab, &version, &format!("R-{turn}")).await;
        let release = format!("/titrants/{lot}");
        let read = app.manager.get(&release).await.expect(200);
        let preparation = read["preparations"][0].clone();
        let mut next = facts_of(&preparation);
        next["mass_g"] = json!("4.9132");
        let correction = json!({ "reason": "4.9132 g stand in the bench book", "facts": next });
        let path = format!("/preparations/{}/corrections", text(&preparation, "id"));
        let seen = json!({ "password": app.manager.password, "content_digest": read["content_digest"] });
        let begin = std::time::Instant::now();
        let (corrected, released) = tokio::join!(
            async {
                tokio::time::sleep(signing * (turn % 13) / 10).await;
                app.analyst2.post_if_match(&path, &text(&preparation, "version_id"), &correction).await
            },
            async {
                let released = app.manager.post(&format!("{release}/release"), &seen).await;
                (released, begin.elapsed())
            }
        );
        let (released, took) = released;
        signing = took;
        match (corrected.status, released.status) {
            (201, 412) => firsts.0 += 1,
            (409, 201) => firsts.1 += 1,
            other => panic!("turn {turn}: {other:?}\n{}\n{}", corrected.text, released.text),
        }
        let after = app.auditor.get(&release).await.expect(200);
        assert_eq!(after["amended"], false, "turn {turn}: released with a preparation that was corrected");
    }
    assert!(firsts.0 > 0 && firsts.1 > 0, "only one side ever came first: {firsts:?}");
}
