//! The end of runs.

use ferrotitre_tests::bench::text;
use ferrotitre_tests::client::Client;
use serde_json::{Value, json};

use super::{actions, runs, titrate};
use crate::lab::{Lab, sign};

/// Iron(II) and total iron of one sample, titrated in two open runs.
struct Titrated {
    lab: Lab,
    runs: [String; 2],
    iron2: String,
    total: String,
}

impl Titrated {
    async fn open() -> Self {
        let lab = Lab::open().await;
        let one = || json!([titrate(&lab.portion, "sample")]);
        let new = runs(&[(&lab.iron2, one()), (&lab.total, one())]);
        let opened = lab.app.analyst.post("/runs/with-determinations", &new).await.expect(201);
        let run = |at: usize| text(&opened["runs"][at], "id");
        let of = |at: usize| text(&opened["runs"][at]["determinations"][0], "id");
        let titrated = Self { runs: [run(0), run(1)], iron2: of(0), total: of(1), lab };
        for run in &titrated.runs {
            titrated.lab.blank(run).await;
        }
        for last in ["21.46", "21.48"] {
            titrated.lab.titrate(&titrated.iron2, &titrated.lab.titration("accurate", last, None)).await;
        }
        for last in ["23.16", "23.18"] {
            titrated
                .lab
                .titrate(&titrated.total, &titrated.lab.titration("accurate", last, Some("slight white")))
                .await;
        }
        titrated
    }

    /// A thing as it is looked at.
    async fn seen(&self, path: &str) -> Value {
        let view = self.lab.app.analyst.get(path).await.expect(200);
        json!({ "id": view["id"], "content_digest": view["content_digest"] })
    }

    /// All of it, as it stands now.
    async fn looked_at(&self, who: &Client) -> Value {
        let (iron2, total) = (
            self.seen(&format!("/determinations/{}", self.iron2)).await,
            self.seen(&format!("/determinations/{}", self.total)).await,
        );
        let mut closing = Vec::new();
        for (run, of) in self.runs.iter().zip([&iron2, &total]) {
            let mut run = self.seen(&format!("/runs/{run}")).await;
            run["determinations"] = json!([of]);
            closing.push(run);
        }
        json!({
            "password": who.password, "runs": closing, "determinations": [iron2, total],
            "iron_results": [{ "code": "FE3-S-1", "total": total, "iron2": iron2 }],
        })
    }

    async fn finish(&self, who: &Client, new: &Value) -> ferrotitre_tests::Answer {
        who.post("/runs/finish", new).await
    }

    async fn counts(&self) -> Vec<i64> {
        self.lab.app.row_counts(&["sign_offs", "iron_results", "state_moves", "pins"]).await
    }
}

#[tokio::test]
async fn runs_end_with_their_difference_and_signatures_in_one_request() {
    let titrated = Titrated::open().await;
    let app = &titrated.lab.app;
    let new = titrated.looked_at(&app.analyst).await;
    let before = titrated.counts().await;
    // The same request again is the same deed.
    for _ in 0..2 {
        let done = app.analyst.post_with_key("/runs/finish", "the end of the morning", &new).await.expect(201);
        let count = |kind: &str| done[kind].as_array().unwrap().len();
        assert_eq!([count("runs"), count("determinations"), count("iron_results")], [2, 2, 1], "{done}");
        let iron3 = text(&done["iron_results"][0], "id");
        let view = app.auditor.get(&format!("/iron-results/{iron3}")).await.expect(200);
        assert_eq!((&view["state"], &view["code"]), (&json!("submitted"), &json!("FE3-S-1")), "{view}");
        assert_eq!(view["sign_offs"][0]["meaning"], "authored");
        assert_eq!(actions(&titrated.lab, &iron3).await[0], "conduct_runs");
    }
    let after = titrated.counts().await;
    let grown: Vec<i64> = after.iter().zip(&before).map(|(after, before)| after - before).collect();
    assert_eq!(grown, [3, 1, 5, 3], "three signatures, one difference, five moves");
    for run in &titrated.runs {
        assert_eq!(app.auditor.get(&format!("/runs/{run}")).await.expect(200)["state"], "closed");
    }
    // It goes on as what was done one by one: reviewed by another, released, approved by a third person.
    for (path, step) in [
        (format!("/determinations/{}", titrated.iron2), "review"),
        (format!("/determinations/{}", titrated.total), "review"),
    ] {
        sign(&app.analyst, &path, step, None).await.refused(403, "own_record");
        let _ = sign(&app.analyst2, &path, step, None).await.expect(201);
        titrated.lab.release_run_of(&path).await;
        let _ = sign(&app.manager, &path, "approval", None).await.expect(201);
    }
    let report = app.auditor.get("/iron-results").await.expect(200);
    let path = format!("/iron-results/{}", text(&report["items"][0], "id"));
    let _ = sign(&app.analyst2, &path, "review", None).await.expect(201);
    let approved = sign(&app.manager, &path, "approval", None).await.expect(201);
    assert_eq!(approved["state"], "approved", "{approved}");
}

#[tokio::test]
async fn what_was_changed_since_it_was_looked_at_ends_nothing() {
    let titrated = Titrated::open().await;
    let (lab, app) = (&titrated.lab, &titrated.lab.app);
    let seen = titrated.looked_at(&app.analyst).await;
    let before = titrated.counts().await;
    let refused = async |who: &Client, new: &Value, (status, code, field): (u16, &str, &str), words: &str| {
        let before = titrated.counts().await;
        let answer = titrated.finish(who, new).await.refused(status, code);
        assert_eq!(answer["errors"][0]["field"], field, "{answer}");
        assert!(answer.to_string().contains(words), "{answer}");
        assert_eq!(titrated.counts().await, before, "nothing was done");
    };
    // Somebody who titrated nothing of it answers for none of it, and an auditor ends no run.
    let mut other = titrated.looked_at(&app.analyst).await;
    other["password"] = json!(app.analyst2.password);
    let foreign = titrated.finish(&app.analyst2, &other).await;
    assert_eq!(foreign.status, 403, "{}", foreign.text);
    titrated.finish(&app.auditor, &seen).await.refused(403, "forbidden");
    let mut wrong = seen.clone();
    wrong["password"] = json!("not the password");
    titrated.finish(&app.analyst, &wrong).await.refused(403, "secret_wrong");
    assert_eq!(titrated.counts().await, before);
    // A code that another difference has.
    let mut again = seen.clone();
    again["iron_results"] = json!([seen["iron_results"][0], seen["iron_results"][0]]);
    refused(&app.analyst, &again, (409, "already_exists", "iron_results[1].code"), "FE3-S-1").await;
    // A determination begun by somebody else since.
    let begun = lab.begin(&titrated.runs[0]).await;
    refused(&app.analyst, &seen, (412, "stale_version", "runs[0]"), "was begun in the run since you looked at it")
        .await;
    let mut seen = titrated.looked_at(&app.analyst).await;
    let fourth = titrated.seen(&format!("/determinations/{begun}")).await;
    seen["runs"][0]["determinations"].as_array_mut().unwrap().push(fourth);
    // One titration more in it, and the digest is another.
    lab.titrate(&begun, &lab.titration("rough", "21.60", None)).await;
    refused(&app.analyst, &seen, (412, "stale_version", "runs[0]"), "was changed since you looked at it").await;
    // A titration more in what is signed.
    let mut seen = titrated.looked_at(&app.analyst).await;
    seen["runs"] = json!([seen["runs"][1]]);
    lab.titrate(&titrated.iron2, &lab.titration("accurate", "21.46", None)).await;
    refused(&app.analyst, &seen, (412, "stale_version", "determinations[0]"), "the content has changed").await;
    // A blank more.
    let mut seen = titrated.looked_at(&app.analyst).await;
    seen["runs"] = json!([seen["runs"][1]]);
    lab.blank(&titrated.runs[1]).await;
    refused(&app.analyst, &seen, (412, "stale_version", "runs[0]"), "since you looked at it").await;
    // Closed meanwhile.
    let mut seen = titrated.looked_at(&app.analyst).await;
    seen["runs"] = json!([seen["runs"][1]]);
    lab.close(&titrated.runs[1]).await;
    let answer = titrated.finish(&app.analyst, &seen).await.refused(409, "state_conflict");
    assert_eq!(answer["errors"][0]["field"], "runs[0]", "{answer}");
    let mut none = seen.clone();
    none["runs"] = json!([]);
    titrated.finish(&app.analyst, &none).await.refused(422, "invalid_input");
}

/// Two browsers of one analyst, or a second click that lost its key: whichever comes first ends the runs, the other is told.
#[tokio::test]
async fn of_two_ends_at_the_same_moment_one_is_carried_out() {
    let titrated = Titrated::open().await;
    let analyst = &titrated.lab.app.analyst;
    let new = titrated.looked_at(analyst).await;
    let before = titrated.counts().await;
    let (one, other) = tokio::join!(titrated.finish(analyst, &new), titrated.finish(analyst, &new));
    let mut statuses = [one.status, other.status];
    statuses.sort_unstable();
    assert_eq!(statuses[0], 201, "{} {}", one.text, other.text);
    assert!([409, 412].contains(&statuses[1]), "{} {}", one.text, other.text);
    let after = titrated.counts().await;
    let grown: Vec<i64> = after.iter().zip(&before).map(|(after, before)| after - before).collect();
    assert_eq!(grown, [3, 1, 5, 3], "once");
}
