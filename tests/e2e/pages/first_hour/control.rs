//! The control: material, its sample, chart and the plans of both methods in one form; a portion of it, its limits.

use ferrotitre_tests::bench::day;

use super::People;

/// A control material with its sample, its chart with limits, and the plan of each method.
pub(super) async fn control(all: &People<'_>) {
    let (analyst, manager) = (&all.analyst, &all.manager);
    let last = day(200);
    manager.place("/methods").await;
    manager.link("M1").await;
    manager.link("Begin a control").await;
    manager.take("new_material.kind", "in-house").await;
    manager.take("release", "true").await;
    manager
        .type_in(&[
            ("new_material.code", "CM-1"),
            ("new_material.description", "pooled bath, filtered"),
            ("new_material.expires_on", &last),
            ("new_material.assigned_value", "119.5"),
            ("new_material.standard_uncertainty", "0.2"),
            ("new_material.certificate", "study 26-3"),
            ("sample.condition", "intact"),
            ("sample.preservation", "acid as taken"),
            ("sample.container", "glass, 250 mL"),
            ("sample.storage", "refrigerator 2"),
        ])
        .await;
    manager.proposes(&["plan.values", "plan.blanks", "other_plans[0].blanks", "other_plans[0].duplicates"]).await;
    manager.check("[name='other_plans[0].method']").await;
    manager.save().await;
    analyst.place("/charts").await;
    analyst.link("X-CM-1").await;
    analyst.link("Propose a phase").await;
    analyst.take("origin", "reference").await;
    analyst.type_in(&[("s", "0.5"), ("reason", "scatter that the clients accept, from the validation")]).await;
    analyst.save().await;
}

/// The titrant and the limits, in one form.
pub(super) async fn decisions(all: &People<'_>) {
    let manager = &all.manager;
    manager.need("A released titrant lot").await;
    assert_eq!(manager.tick("of", &[]).await, 2, "the titrant lot and the limits");
    manager.sign().await;
}
