//! The control: material, its sample, chart with limits, plans. A stage of its own, so that one form can take its place.

use ferrotitre_tests::bench::day;

use super::People;
use super::bench::{Known, register};

/// A control material with its sample, its chart with limits, and the plan of each method.
pub(super) async fn control(all: &People<'_>) {
    control_sample(all).await;
    let (analyst, manager) = (&all.analyst, &all.manager);
    manager.place("/charts").await;
    manager.link("Define a chart").await;
    manager.take("quantity", "x").await;
    manager
        .type_in(&[
            ("code", "X-BATH"),
            ("title", "iron(II) in the bath control"),
            ("unit", "g/L"),
            ("material", "CM-1"),
            ("method", "M1"),
        ])
        .await;
    manager.save().await;
    analyst.place("/charts").await;
    analyst.link("X-BATH").await;
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
    for (method, chart) in [("M1", "X-BATH"), ("M2", "")] {
        manager.place("/charts").await;
        manager.link("Plans of quality control").await;
        manager.link("Make a plan").await;
        manager.type_in(&[("method", method), ("blanks", "1"), ("duplicates", "0")]).await;
        if !chart.is_empty() {
            manager.type_in(&[("charts[0].chart", chart), ("charts[0].values", "1")]).await;
        }
        manager.save().await;
    }
}

async fn control_sample(all: &People<'_>) {
    let (analyst, manager) = (&all.analyst, &all.manager);
    register(analyst, "S-CM-1", "control CM-1", Known::Nothing).await;
    let last = day(200);
    analyst.place("/stock").await;
    analyst.link("Control materials").await;
    analyst.link("Record a lot").await;
    analyst.take("kind", "in-house").await;
    analyst.take("unit", "g/L").await;
    analyst
        .type_in(&[
            ("code", "CM-1"),
            ("description", "pooled bath, filtered"),
            ("matrix", "hydrochloric pickling bath"),
            ("assigned_value", "119.5"),
            ("standard_uncertainty", "0.2"),
            ("certificate", "study 26-3"),
            ("homogeneity", "ten bottles, study 26-3"),
            ("stability", "six months, study 26-3"),
            ("sample", "S-CM-1"),
            ("expires_on", &last),
        ])
        .await;
    analyst.save().await;
    manager.place("/stock").await;
    manager.link("Control materials").await;
    manager.link("CM-1").await;
    manager.link("Move").await;
    manager.take("to", "released").await;
    manager.save().await;
}
