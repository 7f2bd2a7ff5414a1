//! Samples, runs at the bench, and the signatures up to iron(III).

use ferrotitre_tests::bench::day;

use super::People;
use super::desk::Desk;

/// A test portion of the sample that is open.
pub(super) async fn portion(analyst: &Desk<'_>, first: bool) {
    analyst.link("Take a test portion").await;
    let vessels = [("pipette", "P10"), ("dilution[0].flask", "F250"), ("aliquot_pipette", "P25")];
    take_or_type(analyst, &vessels, first).await;
    analyst.save().await;
}

/// What is proposed is left as it is; the rest is typed.
async fn take_or_type(desk: &Desk<'_>, entries: &[(&str, &str)], typed: bool) {
    if typed {
        desk.type_in(entries).await;
    } else {
        desk.proposes(&entries.iter().map(|(name, _)| *name).collect::<Vec<_>>()).await;
    }
}

/// A sample as received, and a test portion of it.
pub(super) async fn sample(all: &People<'_>) {
    let analyst = &all.analyst;
    let kept = day(90);
    analyst.place("/samples").await;
    analyst.link("Register a sample").await;
    analyst
        .type_in(&[
            ("code", "S-1"),
            ("client_reference", "bath 3, morning"),
            ("description", "green, clear"),
            ("condition", "intact"),
            ("preservation", "acid as taken"),
            ("matrix", "hydrochloric pickling bath"),
            ("container", "glass, 250 mL"),
            ("storage", "refrigerator 2"),
            ("retained_until", &kept),
        ])
        .await;
    analyst.save().await;
    portion(analyst, false).await;
}

/// A blank of the run that is open, accepted with its entry.
async fn blank(analyst: &Desk<'_>, first: bool) {
    analyst.link("Record the blank").await;
    analyst.proposes(&["titrant", "burette"]).await;
    take_or_type(analyst, &[("iron_equivalent_ml", "1.00"), ("iron_equivalent_u_ml", "0.004")], first).await;
    analyst
        .type_in(&[("solution_temperature", "20.0"), ("initial_readings[0]", "0.00"), ("final_readings[0]", "1.04")])
        .await;
    analyst.take("end_point", "green to violet, sharp").await;
    analyst.take("_counts", "accepted").await;
    analyst.save().await;
}

/// A determination with as many titrations as the rule asks for; the first of a run says at which temperature.
async fn titrate(
    analyst: &Desk<'_>,
    (portion, purpose): (&str, &str),
    titres: [&str; 2],
    (first, reduced): (bool, bool),
) {
    analyst.link("Begin a determination").await;
    analyst.fill("portion", portion).await;
    if purpose != "sample" {
        analyst.take("purpose", purpose).await;
    }
    analyst.save().await;
    for (at, last) in titres.into_iter().enumerate() {
        if reduced {
            analyst.take("reduction.checkpoint_seen", "true").await;
        }
        take_or_type(analyst, &[("solution_temperature", "20.0")], first && at == 0).await;
        // Named once, at the very first titration.
        take_or_type(analyst, &[("waste_stream", "chromium acid")], purpose == "control" && at == 0).await;
        analyst.type_in(&[("initial_readings[0]", "0.00"), ("final_readings[0]", last)]).await;
        analyst.take("end_point", "green to violet, sharp").await;
        analyst.save().await;
    }
    analyst.follow("main a[href^='/runs/']").await;
}

/// A run from its opening to its closing: blank, control where a chart asks for it, sample.
pub(super) async fn run(all: &People<'_>, method: &str) {
    let analyst = &all.analyst;
    let total = method == "M2";
    analyst.place("/runs").await;
    analyst.link("Open a run").await;
    analyst.fill("method", method).await;
    take_or_type(analyst, &[("bench", "bench 2")], !total).await;
    analyst.save().await;
    blank(analyst, !total).await;
    if total {
        titrate(analyst, ("S-1/1", "sample"), ["23.16", "23.18"], (true, true)).await;
    } else {
        titrate(analyst, ("CM-1/1", "control"), ["21.44", "21.44"], (true, false)).await;
        titrate(analyst, ("S-1/1", "sample"), ["21.46", "21.48"], (false, false)).await;
    }
    analyst.link("Close").await;
    analyst.save().await;
}

/// The difference of what was titrated last, and what its author signs.
pub(super) async fn iron3(all: &People<'_>) {
    let analyst = &all.analyst;
    analyst.place("/iron-results").await;
    analyst.link("New difference").await;
    analyst.proposes(&["code", "total", "iron2"]).await;
    analyst.save().await;
    analyst.place("/runs").await;
    analyst.follow("main tbody a[href^='/runs/']").await;
    analyst.link("Submit what is complete").await;
    assert_eq!(analyst.tick("of", &[]).await, 4, "control, iron(II), total iron, iron(III)");
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
