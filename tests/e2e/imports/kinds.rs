//! Every other kind whole: equipment with calibrations, calibrations, primary standards, reagents; templates; who may.

use ferrotitre_tests::TestApp;
use ferrotitre_tests::bench::text;
use ferrotitre_tests::spreadsheet::{Book, opened, written_as};
use serde_json::{Value, json};

use super::{first, named, pair, table};

/// Headings and lines, with the decimal mark of the list.
fn marked(text: &str, comma: bool) -> String {
    if comma { text.replace('@', ",") } else { text.replace('@', ".") }
}

fn days(text: &str, comma: bool) -> String {
    // Days are written {YYYY-MM-DD} in the lists below.
    let mut out = String::new();
    let mut rest = text;
    while let Some((before, after)) = rest.split_once('{') {
        let (day, after) = after.split_once('}').unwrap();
        let parts: Vec<&str> = day.split('-').collect();
        out.push_str(before);
        out.push_str(&if comma {
            format!("{}.{}.{}", parts[2], parts[1], parts[0])
        } else {
            format!("{}/{}/{}", parts[1], parts[2], parts[0])
        });
        rest = after;
    }
    out.push_str(rest);
    out
}

fn list(text: &str, comma: bool) -> String {
    days(&marked(text, comma), comma)
}

const EQUIPMENT: &str = "\
Code on the label;Kind;Description;Lowest usable reading;Highest usable reading;Smallest step that is read;Unit;Calibration certificate;Day of calibration;Last day of validity;Standard uncertainty;Calibrated volume at 20 °C, mL;Corrections at readings, mL;To be added, mL;Expanded uncertainty;Coverage factor k
B-01;burette;50 mL burette;0@00;50@00;0@02;mL;CAL-1;{2025-01-20};{2031-01-20};0@015;;10@00;0@01;;
P-25;Pipette;25 mL pipette;0@00;25@00;;mL;CAL-2;{2025-01-20};{2031-01-20};;24@985;;;0@020;2
F-1;flask;never calibrated;0@00;250@0;;mL;;;;;;;;;
";

#[tokio::test(flavor = "multi_thread")]
async fn equipment_comes_with_its_calibrations_and_more_calibrations_by_its_code() {
    for (comma, form) in [(true, "xlsx"), (false, "ods")] {
        let app = TestApp::start().await;
        let whole = list(EQUIPMENT, comma);
        // One correction where five are needed: named in the cell with the corrections.
        let bytes = opened(&whole, comma, &[13, 14], form).await;
        let file = table(&format!("equipment.{form}"), &bytes, comma);
        let refused = app.manager.post("/import-tables/equipment/preview", &file).await;
        assert_eq!(first(refused, 422, "invalid_input"), pair("N2, To be added, mL", "points"));
        let mark = if comma { "," } else { "." };
        let five = |values: [&str; 5]| format!("\"{}\"", values.join("; ").replace('.', mark));
        let whole = whole.replace(
            &list(";;10@00;0@01", comma),
            &format!(
                ";;{};{}",
                five(["10.00", "20.00", "30.00", "40.00", "50.00"]),
                five(["0.01", "0.00", "-0.01", "-0.02", "0.00"])
            ),
        );
        let bytes = opened(&whole, comma, &[4, 5, 6, 13, 14], form).await;
        let file = table(&format!("equipment.{form}"), &bytes, comma);
        let seen = app.manager.post("/import-tables/equipment/preview", &file).await.expect(200);
        assert_eq!(seen["records"], json!(3));
        let done = app.manager.post("/import-tables/equipment/imports", &file).await.expect(201);
        let kept = app.manager.get(&format!("/imported-tables/{}", text(&done, "id"))).await.expect(200);
        let burette = text(&kept["became"][0], "id");
        let facts = app.analyst.get(&format!("/equipment/{burette}")).await.expect(200);
        assert_eq!(facts["versions"][0]["range_high"], json!("50.00"), "text keeps its digits");
        let calibrations = app.analyst.get(&format!("/equipment/{burette}/calibrations")).await.expect(200);
        let pipette = text(&kept["became"][1], "id");
        let of_pipette = app.analyst.get(&format!("/equipment/{pipette}/calibrations")).await.expect(200);
        assert_eq!(of_pipette[0]["standard_uncertainty"], json!("0.01"), "0.020 with k = 2");
        assert_eq!(of_pipette[0]["stated"]["coverage_factor"], json!("2"));
        let calibration = &calibrations[0];
        assert_eq!(
            (&calibration["certificate"], &calibration["calibrated_on"]),
            (&json!("CAL-1"), &json!("2025-01-20"))
        );
        assert_eq!(calibration["corrections"][3], json!({ "reading": "40.00", "correction": "-0.02" }));
        assert_eq!(app.row_counts(&["equipment", "equipment_calibrations"]).await, [3, 2]);

        // Older calibrations by the code, out of order; one of an unknown piece, one of a day that is taken, one doubled.
        let head = "Equipment;Calibration certificate;Day of calibration;Last day of validity;Standard uncertainty;Calibrated volume at 20 °C, mL\n";
        let bad = format!(
            "{head}P-25;CAL-0;{{2023-01-10}};{{2025-01-10}};0@010;24@99\nP-99;C;{{2023-01-10}};{{2025-01-10}};0@01;24@99\n\
             P-25;C;{{2025-01-20}};{{2026-01-10}};0@01;24@99\nP-25;C;{{2023-01-10}};{{2025-01-10}};0@01;24@99\nB-01;C;{{2020-01-10}};{{2021-01-10}};0@01;24@99\n"
        );
        let bytes = opened(&list(&bad, comma), comma, &[], form).await;
        let file = table(&format!("calibrations.{form}"), &bytes, comma);
        let problem =
            app.manager.post("/import-tables/calibrations/imports", &file).await.refused(422, "invalid_input");
        assert_eq!(
            named(&problem),
            [
                pair("A3, Equipment", "exists"),
                pair("C4, Day of calibration", "already_exists"),
                pair("C5, Day of calibration", "doubled"),
                pair("F6, Calibrated volume at 20 °C, mL", "kind"),
                pair("F6, Calibrated volume at 20 °C, mL", "range"),
            ]
        );
        let good = format!(
            "{head}P-25;CAL-0;{{2023-01-10}};{{2025-01-10}};0@010;24@99\nP-25;CAL-00;{{2021-01-10}};{{2023-01-10}};0@010;24@99\n"
        );
        let bytes = opened(&list(&good, comma), comma, &[], form).await;
        let file = table(&format!("calibrations.{form}"), &bytes, comma);
        let _ = app.manager.post("/import-tables/calibrations/imports", &file).await.expect(201);
        let pipette = text(&kept["became"][1], "id");
        let calibrations = app.analyst.get(&format!("/equipment/{pipette}/calibrations")).await.expect(200);
        let days: Vec<&str> =
            calibrations.as_array().unwrap().iter().map(|one| one["calibrated_on"].as_str().unwrap()).collect();
        assert_eq!(days, ["2025-01-20", "2023-01-10", "2021-01-10"], "by their own days");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn lots_are_imported_with_their_certificates_and_days() {
    let app = TestApp::start().await;
    let standards = "Lot code;Substance;Supplier;Supplier's lot;Certificate number;Certified mass fraction;Expanded uncertainty;Coverage factor k;What it expresses;Opened;Last day of use\n\
        PS-1;potassium dichromate;supplier;4711;RM-7;0@9998;0@0002;2;oxidising capacity;{2025-01-15};{2031-12-31}\n\
        PS-2;Iron;supplier;12;RM-8;0@5512;0@0010;2;iron content;;{2031-12-31}\n";
    let reagents = "Lot code;Substance;Concentration, in words and units;Prepared or received;Last day of use;Hazard classes from the supplier's safety data sheet;Where the safety data sheet is kept;Waste stream by the laboratory's own plan\n\
        R-1;tin(II) chloride;50 g/L;{2025-03-01};{2031-09-01};Skin Corr. 1B;folder 3;other acid\n";
    for (comma, form) in [(true, "ods"), (false, "xlsx")] {
        let own =
            |text: &str| list(text, comma).replace("PS-", &format!("PS-{form}-")).replace("R-1", &format!("R-{form}"));
        let bytes = opened(&own(standards), comma, &[6, 7], form).await;
        let file = table(&format!("standards.{form}"), &bytes, comma);
        let done = app.analyst.post("/import-tables/primary-standards/imports", &file).await.expect(201);
        let kept = app.analyst.get(&format!("/imported-tables/{}", text(&done, "id"))).await.expect(200);
        let lot = app.analyst.get(&format!("/primary-standards/{}", text(&kept["became"][0], "id"))).await.expect(200);
        let facts = &lot["versions"][0];
        assert_eq!((&facts["mass_fraction"], &facts["supplier_lot"]), (&json!("0.9998"), &json!("4711")));
        assert_eq!(
            (&facts["opened_on"], &facts["state"]),
            (&json!("2025-01-15"), &json!("received")),
            "it waits for its release"
        );
        let bytes = opened(&own(reagents), comma, &[], form).await;
        let file = table(&format!("reagents.{form}"), &bytes, comma);
        let _ = app.analyst.post("/import-tables/reagents/imports", &file).await.expect(201);
    }
    assert_eq!(app.row_counts(&["primary_standards", "reagents"]).await, [4, 2]);
}

#[tokio::test(flavor = "multi_thread")]
async fn templates_open_in_a_spreadsheet_and_their_examples_are_good_rows() {
    let app = TestApp::start().await;
    let kinds = app.auditor.get("/import-tables").await.expect(200);
    for kind in kinds.as_array().unwrap() {
        let name = text(kind, "table");
        let columns = kind["columns"].as_array().unwrap();
        let workbook = app.auditor.get(&format!("/import-tables/{name}/template")).await;
        assert_eq!(workbook.status, 200);
        // As LibreOffice saves it: the headings and nothing below them.
        let saved = written_as("template.xlsx", &workbook.bytes, None, "xlsx").await;
        let rows = Book::open(saved).rows(&name);
        let headings: Vec<String> = rows[0].iter().map(ToString::to_string).collect();
        let expected: Vec<String> = columns.iter().map(|column| text(column, "heading")).collect();
        assert_eq!(headings, expected);
        let who = if name == "samples" { &app.analyst } else { &app.manager };
        let empty = table("template.xlsx", &workbook.bytes, false);
        let refused = who.post(&format!("/import-tables/{name}/preview"), &empty).await;
        assert_eq!(first(refused, 422, "invalid_input"), pair("content", "rows"));
        // The text with its examples filled in.
        let csv = app.auditor.get(&format!("/import-tables/{name}/template?format=csv&separator=tab")).await;
        assert!(csv.text.starts_with('\u{feff}'), "{}", csv.text);
        let examples: Vec<String> = columns.iter().map(|column| text(column, "example")).collect();
        let mut filled = table("t.csv", format!("{}{}\n", csv.text, examples.join("\t")).as_bytes(), false);
        (filled["separator"], filled["date_format"]) = (json!("tab"), json!("YYYY-MM-DD"));
        if name == "equipment" {
            // The examples of a calibration are those of a pipette.
            filled["columns"] = columns.iter().take(10).map(|c| (text(c, "field"), c["heading"].clone())).collect();
        }
        let answer = who.post(&format!("/import-tables/{name}/preview"), &filled).await;
        if name == "calibrations" {
            assert_eq!(first(answer, 422, "invalid_input").1, "exists");
        } else {
            assert_eq!(answer.expect(200)["records"], json!(1), "{name}");
        }
    }
    app.auditor.get("/import-tables/nothing/template").await.refused(404, "not_found");
    app.auditor.get("/import-tables/samples/template?format=pdf").await.refused(422, "invalid_input");
}

#[tokio::test(flavor = "multi_thread")]
async fn who_may_not_record_one_may_not_import_many() {
    let app = TestApp::start().await;
    let kinds: Value = app.auditor.get("/import-tables").await.expect(200);
    for kind in kinds.as_array().unwrap() {
        let name = text(kind, "table");
        for step in ["preview", "imports"] {
            let path = format!("/import-tables/{name}/{step}");
            let file = table("a.csv", b"x\n", false);
            for (role, client) in app.by_role() {
                let answer = client.post(&path, &file).await;
                let may = match (role, name.as_str()) {
                    ("manager", _) => true,
                    ("analyst", "equipment" | "calibrations") => false,
                    ("analyst", _) => true,
                    _ => false,
                };
                let refused = matches!(answer.code(), "forbidden" | "not_signed_in");
                assert_eq!(refused, !may, "{role} at {path}: {}", answer.text);
            }
        }
    }
    assert_eq!(app.row_counts(&["imported_tables"]).await, [0]);
}
