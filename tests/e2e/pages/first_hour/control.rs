//! The control: material, its sample, chart and plan in one form; its limits; the plan of the other method.

use ferrotitre_tests::bench::day;

use super::People;
use super::bench::portion;

/// A control material with its sample, its chart with limits, and the plan of each method.
pub(super) async fn control(all: &People<'_>) {
    let (analyst, manager) = (&all.analyst, &all.manager);
    let last = day(200);
    manager.place("/methods").await;
    manager.link("M1").await;
    manager.link("Begin a control").await;
    manager.take("new_material.kind", "in-house").await;
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
    manager.save().await;
    manager.follow("#waits a[href^='/control-materials/']").await;
    manager.take("to", "released").await;
    manager.save().await;
    analyst.place("/samples").await;
    analyst.link("CM-1").await;
    portion(analyst).await;
    analyst.place("/charts").await;
    analyst.link("X-CM-1").await;
    analyst.link("Propose a phase").await;
    analyst.take("origin", "target").await;
    analyst.take("label", "established").await;
    analyst
        .type_in(&[
            ("centre", "119.5"),
            ("s", "0.5"),
            ("reason", "scatter that the clients accept, from the validation"),
        ])
        .await;
    analyst.save().await;
    manager.place("/day").await;
    manager.follow("#phases a").await;
    manager.link("Approve").await;
    manager.sign().await;
    manager.place("/charts").await;
    manager.link("Plans of quality control").await;
    manager.link("Make a plan").await;
    manager.type_in(&[("method", "M2"), ("blanks", "1"), ("duplicates", "0")]).await;
    manager.save().await;
}
