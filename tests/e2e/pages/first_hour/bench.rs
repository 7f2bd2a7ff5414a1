//! Samples, runs at the bench, and the signatures up to iron(III).

use ferrotitre_tests::bench::day;

use super::People;
use super::desk::Desk;

/// What is proposed is left as it is; the rest is typed.
async fn take_or_type(desk: &Desk<'_>, entries: &[(&str, &str)], typed: bool) {
    if typed {
        desk.type_in(entries).await;
    } else {
        desk.proposes(&entries.iter().map(|(name, _)| *name).collect::<Vec<_>>()).await;
    }
}

/// A sample as received with its test portion, in one form; how it is kept is proposed from the control.
pub(super) async fn sample(all: &People<'_>) {
    let analyst = &all.analyst;
    let kept = day(90);
    analyst.place("/samples").await;
    analyst.link("Register and take portions").await;
    let kept_as = ["sample.matrix", "sample.container", "sample.storage"];
    analyst.proposes(&kept_as).await;
    analyst
        .type_in(&[
            ("portions[0].pipette", "P10"),
            ("portions[0].dilution[0].flask", "F250"),
            ("portions[0].aliquot_pipette", "P25"),
            ("sample.code", "S-1"),
            ("sample.client_reference", "bath 3, morning"),
            ("sample.description", "green, clear"),
            ("sample.condition", "intact"),
            ("sample.preservation", "acid as taken"),
            ("sample.retained_until", &kept),
        ])
        .await;
    analyst.save().await;
}

/// A run for each method with what waits for it, begun in one form; a portion of the control is taken as that of the sample was, by an
/// analyst, since the only manager approves what is titrated of it.
pub(super) async fn runs(all: &People<'_>) {
    let analyst = &all.analyst;
    analyst.link("Begin runs of it").await;
    analyst.type_in(&[("bench", "bench 2")]).await;
    let proposed = analyst.texts("label.tile:has(input[name=titrates]:checked) span").await;
    assert_eq!(proposed, ["M1: S-1/1", "M2: S-1/1"]);
    assert_eq!(analyst.tick("titrates", &["M1: CM-1, a new portion"]).await, 1);
    analyst.save().await;
}

/// A blank of the run that is open, accepted with its entry.
async fn blank(analyst: &Desk<'_>, first: bool) {
    analyst.proposes(&["titrant", "burette"]).await;
    take_or_type(analyst, &[("iron_equivalent_ml", "1.00"), ("iron_equivalent_u_ml", "0.004")], first).await;
    analyst
        .type_in(&[("solution_temperature", "20.0"), ("initial_readings[0]", "0.00"), ("final_readings[0]", "1.04")])
        .await;
    analyst.take("end_point", "green to violet, sharp").await;
    analyst.take("_counts", "accepted").await;
    analyst.save().await;
}

/// As many titrations as the rule asks for; the first of a run says at which temperature. The last leads on.
async fn titrate(analyst: &Desk<'_>, titres: [&str; 2], (first, reduced, control): (bool, bool, bool)) {
    for (at, last) in titres.into_iter().enumerate() {
        if reduced {
            analyst.take("reduction.checkpoint_seen", "true").await;
        }
        take_or_type(analyst, &[("solution_temperature", "20.0")], first && at == 0).await;
        // Named once, at the very first titration.
        take_or_type(analyst, &[("waste_stream", "chromium acid")], control && at == 0).await;
        analyst.type_in(&[("initial_readings[0]", "0.00"), ("final_readings[0]", last)]).await;
        analyst.take("end_point", "green to violet, sharp").await;
        analyst.save().await;
    }
}

/// What the runs ask for, one after the other as each save leads on: blank, control where a chart asks for it, sample.
pub(super) async fn run(all: &People<'_>, method: &str) {
    let analyst = &all.analyst;
    let total = method == "M2";
    blank(analyst, !total).await;
    if total {
        titrate(analyst, ["23.16", "23.18"], (true, true, false)).await;
    } else {
        titrate(analyst, ["21.44", "21.44"], (true, false, true)).await;
        titrate(analyst, ["21.46", "21.48"], (false, false, false)).await;
    }
}

/// The end of both runs: closed, the difference recorded, and what was titrated signed, in one form.
pub(super) async fn finish(all: &People<'_>) {
    let analyst = &all.analyst;
    let proposed = analyst.texts("label.tile:has(input[name=iron_results]:checked) span").await;
    assert_eq!(proposed, ["FE3-S-1"]);
    assert_eq!(analyst.texts("label.tile:has(input[name=runs]:checked) span").await.len(), 2);
    assert_eq!(analyst.tick("determinations", &[]).await, 3, "control, iron(II), total iron");
    analyst.sign().await;
}

/// Reviewed by somebody else, runs released and all of it approved by a third person in one form.
pub(super) async fn signatures(all: &People<'_>) {
    all.reviewer.place("/day").await;
    all.reviewer.link("Review several").await;
    assert_eq!(all.reviewer.tick("of", &[]).await, 4);
    all.reviewer.sign().await;
    all.manager.place("/day").await;
    all.manager.link("Decide on what waits, in one form").await;
    assert_eq!(all.manager.tick("of", &[]).await, 6, "both runs, and what is in them");
    all.manager.sign().await;
}

/// Iron(III) is approved, its runs stand under the chart, and the chart has its point.
pub(super) async fn outcome(all: &People<'_>) {
    let manager = &all.manager;
    manager.place("/iron-results").await;
    manager.link("FE3-S-1").await;
    assert!(manager.texts("h1").await[0].contains("approved"), "{:?}", manager.texts("h1").await);
    let result = manager.texts("#result").await.join(" ");
    assert!(result.contains("g/L"), "{result}");
    manager.place("/charts").await;
    manager.link("X-CM-1").await;
    assert!(manager.texts("main").await[0].contains("in control"), "{:?}", manager.texts("main").await);
    manager.place("/").await;
    assert!(!manager.has("main a[href='/first-result']").await, "nothing is missing any more");
}
