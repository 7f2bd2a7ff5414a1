//! What stands on the shelf before anything is titrated: equipment, standard, methods with who may use them, titrant.

use std::path::PathBuf;

use ferrotitre_tests::bench::day;

use super::People;

/// The laboratory's list of equipment, with the newest calibrations.
fn list() -> PathBuf {
    let (made, due) = (day(-30), day(300));
    let head = "Code on the label;Kind;Description;Lowest usable reading;Highest usable reading;Smallest step that is read;Unit;\
        Calibration certificate;Day of calibration;Last day of validity;Standard uncertainty;Calibrated volume at 20 °C, mL;\
        Corrections at readings, mL;To be added, mL";
    let rows = [
        ("BAL-1;balance;analytical balance;0.0000;200.0000;0.0001;g", "0.00013;;;"),
        (
            "B-01;burette;50 mL, class AS;0.00;50.00;0.02;mL",
            "0.010;;\"0.00; 10.00; 20.00; 30.00; 40.00; 50.00\";\"0.00; 0.01; 0.01; 0.00; 0.00; -0.01\"",
        ),
        ("P10;pipette;10 mL, class AS;0;10;;mL", "0.008;9.997;;"),
        ("P25;pipette;25 mL, class AS;0;25;;mL", "0.012;24.985;;"),
        ("F250;flask;250 mL, class A;0;250;;mL", "0.060;250.02;;"),
        ("F1000;flask;1000 mL, class A;0;1000;;mL", "0.150;1000.10;;"),
    ];
    let rows = rows.map(|(piece, calibration)| format!("{piece};CAL-26-7;{made};{due};{calibration}"));
    let file = std::env::temp_dir().join(format!("ferrotitre-equipment-{}.csv", uuid::Uuid::now_v7()));
    std::fs::write(&file, format!("{head}\n{}\n", rows.join("\n"))).unwrap();
    file
}

pub(super) async fn equipment(all: &People<'_>) {
    let manager = &all.manager;
    manager.need("A balance with its calibration").await;
    let file = list();
    manager.file(&file).await;
    manager.take("_how", "import").await;
    manager.save().await;
    std::fs::remove_file(&file).unwrap();
}

/// Received by an analyst.
pub(super) async fn standard(all: &People<'_>) {
    let (analyst, last) = (&all.analyst, day(300));
    analyst.need("A released primary standard").await;
    analyst
        .type_in(&[
            ("code", "PS-1"),
            ("supplier", "reference materials"),
            ("supplier_lot", "4711"),
            ("certificate", "RM-7"),
            ("mass_fraction", "0.9998"),
            ("expanded_uncertainty", "0.0002"),
            ("coverage_factor", "2"),
            ("basis", "oxidising capacity"),
            ("expires_on", &last),
        ])
        .await;
    analyst.take("substance", "potassium dichromate").await;
    analyst.save().await;
}

/// Iron(II) and total iron from outlines, in one form.
pub(super) async fn methods(all: &People<'_>) {
    let analyst = &all.analyst;
    analyst.need("An approved method").await;
    analyst.link("Draft several").await;
    for (at, code, outline) in [(0, "M1", "iron2-dichromate"), (1, "M2", "total-tin-titanium")] {
        analyst.check(&format!("[name='drafts[{at}].outline'][value='{outline}']")).await;
        analyst.fill(&format!("drafts[{at}].code"), code).await;
    }
    analyst
        .type_in(&[
            ("matrix", "hydrochloric pickling bath"),
            ("validated_low", "1"),
            ("validated_high", "200"),
            ("end_point_u_ml", "0.01"),
        ])
        .await;
    analyst.save().await;
}

/// Standard and methods in one form, and both analysts authorised for both methods in it.
pub(super) async fn decisions(all: &People<'_>) {
    let manager = &all.manager;
    manager.need("A released primary standard").await;
    assert_eq!(manager.tick("of", &[]).await, 3, "the standard and two methods");
    manager.unfold("Authorise people for the methods that are approved here").await;
    manager.tick("authorise.people", &["Ines Roth", "Jon Weir"]).await;
    manager.proposes(&["authorise.valid_from", "authorise.valid_to"]).await;
    manager.fill("authorise.evidence", "seven replicates of the control within limits").await;
    manager.sign().await;
}

/// Dichromate by mass, the lot with its preparation.
pub(super) async fn titrant(all: &People<'_>) {
    let (analyst, end) = (&all.reviewer, format!("{}T12:00", day(60)));
    analyst.need("A released titrant lot").await;
    analyst.take("species", "dichromate").await;
    analyst.take("concentration_unit", "eq/L").await;
    analyst.take("route", "direct preparation").await;
    analyst.proposes(&["preparation.primary_standard", "preparation.balance"]).await;
    analyst
        .type_in(&[
            ("code", "D-1"),
            ("nominal_concentration", "0.1"),
            ("storage", "dark, 20 C"),
            ("container", "amber glass, 1 L"),
            ("expires_at", &end),
            ("preparation.mass_g", "4.9032"),
            ("preparation.flask", "F1000"),
            ("preparation.solution_temperature", "20.0"),
        ])
        .await;
    analyst.save().await;
}
