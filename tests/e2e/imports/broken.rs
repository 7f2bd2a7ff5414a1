//! Files broken in every way that we could think of: each is refused by name, and nothing is recorded.

use std::io::{Cursor, Read, Write};

use ferrotitre_tests::TestApp;
use ferrotitre_tests::spreadsheet::{opened, written_as};
use serde_json::{Value, json};
use zip::write::SimpleFileOptions;

use super::{first, named, pair, table};

const PATH: &str = "/import-tables/reagents/imports";
const HEADINGS: [&str; 8] = [
    "Lot code",
    "Substance",
    "Concentration, in words and units",
    "Prepared or received",
    "Last day of use",
    "Hazard classes from the supplier's safety data sheet",
    "Where the safety data sheet is kept",
    "Waste stream by the laboratory's own plan",
];
const GOOD: &str = "R-1;tin(II) chloride;50 g/L;2025-03-01;2031-09-01;Skin Corr. 1B;folder 3;other acid\n";

fn head() -> String {
    format!("{}\n", HEADINGS.join(";"))
}

fn iso(name: &str, bytes: &[u8]) -> Value {
    let mut file = table(name, bytes, false);
    file["date_format"] = json!("YYYY-MM-DD");
    file
}

fn csv(text: &str) -> Value {
    iso("reagents.csv", text.as_bytes())
}

/// A flat OpenDocument file of one or more sheets, for LibreOffice to turn into a workbook.
fn flat(sheets: &[(&str, &str)]) -> String {
    let all: String =
        sheets.iter().map(|(name, rows)| format!("<table:table table:name=\"{name}\">{rows}</table:table>")).collect();
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?><office:document xmlns:office=\"urn:oasis:names:tc:opendocument:xmlns:office:1.0\" \
         xmlns:table=\"urn:oasis:names:tc:opendocument:xmlns:table:1.0\" xmlns:text=\"urn:oasis:names:tc:opendocument:xmlns:text:1.0\" \
         xmlns:of=\"urn:oasis:names:tc:opendocument:xmlns:of:1.2\" office:version=\"1.2\" \
         office:mimetype=\"application/vnd.oasis.opendocument.spreadsheet\"><office:body><office:spreadsheet>{all}\
         </office:spreadsheet></office:body></office:document>"
    )
}

fn row(cells: &[String]) -> String {
    format!("<table:table-row>{}</table:table-row>", cells.concat())
}

fn word(text: &str) -> String {
    format!("<table:table-cell office:value-type=\"string\"><text:p>{text}</text:p></table:table-cell>")
}

fn words(line: &str) -> Vec<String> {
    line.trim_end().split(';').map(word).collect()
}

/// A workbook of LibreOffice with one part of it written anew.
fn with_part(bytes: &[u8], name: &str, change: impl Fn(String) -> String) -> Vec<u8> {
    let mut archive = zip::ZipArchive::new(Cursor::new(bytes)).unwrap();
    let mut written = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let mut found = false;
    for at in 0..archive.len() {
        let mut entry = archive.by_index(at).unwrap();
        let this = entry.name().unwrap().into_owned();
        let mut content = Vec::new();
        entry.read_to_end(&mut content).unwrap();
        if this == name {
            content = change(String::from_utf8(content).unwrap()).into_bytes();
            found = true;
        }
        written.start_file(this, SimpleFileOptions::default().compression_level(Some(1))).unwrap();
        written.write_all(&content).unwrap();
    }
    assert!(found, "{name}");
    written.finish().unwrap().into_inner()
}

#[tokio::test(flavor = "multi_thread")]
async fn broken_texts_are_refused_by_line_and_column() {
    let app = TestApp::start().await;
    let with = |from: &str, to: &str| csv(&format!("{}{}", head(), GOOD.replace(from, to)));
    let at = |column: usize| {
        format!("line 2, column {}, {}", ["A", "B", "C", "D", "E", "F", "G", "H"][column], HEADINGS[column])
    };
    let mut utf16: Vec<u8> = vec![0xFF, 0xFE];
    utf16.extend(format!("{}{GOOD}", head()).encode_utf16().flat_map(u16::to_le_bytes));
    let cases: Vec<(&str, Value, String, &str)> = vec![
        ("nothing", csv(""), "content".to_owned(), "empty"),
        ("blank lines", csv("\n;;;\n"), "content".to_owned(), "empty"),
        ("headings alone", csv(&head()), "content".to_owned(), "rows"),
        (
            "a column that is missing",
            csv(&head().replace("Substance;", "Stuff;")),
            "columns.substance".to_owned(),
            "required",
        ),
        (
            "a heading that stands twice",
            csv(&format!("{}{GOOD}", head().replace("Concentration, in words and units", "substance"))),
            "columns.substance".to_owned(),
            "doubled_heading",
        ),
        (
            "another separator",
            csv(&format!("{}{GOOD}", head()).replace(';', "\t")),
            "columns.code".to_owned(),
            "required",
        ),
        ("a day in another order", with("2025-03-01", "01.03.2025"), at(3), "date"),
        ("a day that there is not", with("2025-03-01", "2025-02-29"), at(3), "date"),
        ("a year of two digits", with("2025-03-01", "0025-03-01"), at(3), "year"),
        ("a serial number", with("2025-03-01", "45717"), at(3), "date"),
        ("days the wrong way round", with("2031-09-01", "2025-02-01"), at(4), "order"),
        ("an empty cell", with("tin(II) chloride", " "), at(1), "required"),
        ("a code for no label", with("R-1", "R 1"), at(0), "code"),
        ("a control character", with("folder", "fol\u{7}der"), at(6), "control_character"),
        ("a cell too many", with("tin(II) chloride", "tin(II); chloride"), "line 2, column I".to_owned(), "width"),
        ("an error of a formula", with("50 g/L", "#REF!"), at(2), "formula_error"),
        ("text beyond measure", with("folder 3", &"x".repeat(2001)), at(6), "length"),
        ("a quotation mark alone", with("folder 3", "\"folder 3"), "content".to_owned(), "quotes"),
        ("NUL", with("folder", "fol\0der"), "content".to_owned(), "encoding"),
        (
            "an older encoding",
            iso("a.csv", &[format!("{}{GOOD}", head()).into_bytes(), vec![b'\xE4', b'\n']].concat()),
            "content".to_owned(),
            "encoding",
        ),
        ("half of UTF-16", iso("a.csv", &utf16[..utf16.len() - 1]), "content".to_owned(), "encoding"),
        (
            "no workbook under its name",
            iso("a.ods", format!("{}{GOOD}", head()).as_bytes()),
            "content".to_owned(),
            "workbook",
        ),
        ("doubled code", csv(&format!("{}{GOOD}{GOOD}", head())), "line 3, column A, Lot code".to_owned(), "doubled"),
    ];
    for (what, file, field, rule) in cases {
        assert_eq!(first(app.manager.post(PATH, &file).await, 422, "invalid_input"), pair(&field, rule), "{what}");
    }
    for (field, value, rule) in [
        ("content", json!("not base64!"), "base64"),
        ("decimal_mark", json!("dot"), "one_of"),
        ("date_format", json!("DD-MM-YYYY"), "one_of"),
        ("separator", json!("pipe"), "one_of"),
        ("separator", Value::Null, "required"),
        ("heading_row", json!(7), "exists"),
    ] {
        let mut file = csv(&format!("{}{GOOD}", head()));
        file[field] = value;
        let refused = app.manager.post(PATH, &file).await;
        assert_eq!(first(refused, 422, "invalid_input"), pair(field, rule));
    }
    let mut file = csv(&format!("{}{GOOD}", head()));
    (file["decimal_mark"], file["separator"]) = (json!("comma"), json!("comma"));
    assert_eq!(first(app.manager.post(PATH, &file).await, 422, "invalid_input"), pair("separator", "distinct"));
    assert_eq!(app.row_counts(&["reagents", "imported_tables"]).await, [0, 0]);
    // What only looks broken: a mark of UTF-8, mixed ends of lines, empty cells and lines behind the last, no name, UTF-16.
    let odd = format!("\u{feff}{}\r{}\r\n;;;\n\n", head().trim_end(), GOOD.replace("acid\n", "acid;;;"));
    let mut file = csv(&odd);
    file.as_object_mut().unwrap().remove("file_name");
    assert_eq!(app.manager.post(PATH, &file).await.expect(201)["file_name"], json!("a file without a name"));
    utf16.truncate(2);
    utf16.extend(format!("{}{}", head(), GOOD.replace("R-1", "R-2")).encode_utf16().flat_map(u16::to_le_bytes));
    let _ = app.manager.post(PATH, &iso("a.csv", &utf16)).await.expect(201);
    assert_eq!(app.row_counts(&["reagents", "imported_tables"]).await, [2, 2]);
    // A code that is taken is told by its cell.
    let again = app.manager.post(PATH, &csv(&format!("{}{GOOD}", head()))).await;
    assert_eq!(first(again, 409, "already_exists"), pair("line 2, column A, Lot code", "already_exists"));
}

#[tokio::test(flavor = "multi_thread")]
async fn broken_workbooks_are_refused_by_cell() {
    let app = TestApp::start().await;
    let good = words(GOOD);
    let mut merged = good.clone();
    merged[1] = word("tin(II) chloride").replace(
        "<table:table-cell",
        "<table:table-cell table:number-rows-spanned=\"2\" table:number-columns-spanned=\"1\"",
    );
    let mut under = words(&GOOD.replace("R-1", "R-2"));
    under[1] = "<table:covered-table-cell/>".to_owned();
    let mut failed = good.clone();
    failed[2] =
        "<table:table-cell table:formula=\"of:=1/0\" office:value-type=\"float\" office:value=\"0\"/>".to_owned();
    let mut number = good.clone();
    number[3] = "<table:table-cell office:value-type=\"float\" office:value=\"45717\"><text:p>45717</text:p></table:table-cell>".to_owned();
    let headings: Vec<String> = HEADINGS.iter().map(|heading| word(heading)).collect();
    let sheet = |rows: &[&Vec<String>]| rows.iter().map(|cells| row(cells)).collect::<String>();
    for form in ["ods", "xlsx"] {
        let name = format!("reagents.{form}");
        for (what, rows, field, rule) in [
            ("a merged cell", sheet(&[&headings, &merged, &under]), "B3, Substance", "merged"),
            (
                "a formula with an error",
                sheet(&[&headings, &failed]),
                "C2, Concentration, in words and units",
                "formula_error",
            ),
            ("a number for a day", sheet(&[&headings, &number]), "D2, Prepared or received", "date"),
        ] {
            let bytes = written_as("list.fods", flat(&[("lots", &rows)]).as_bytes(), None, form).await;
            let refused = app.manager.post(PATH, &iso(&name, &bytes)).await;
            assert_eq!(first(refused, 422, "invalid_input"), pair(field, rule), "{what} in {form}");
        }
        // A code that LibreOffice takes for a day is not guessed back.
        let taken = format!("{}{}", head(), GOOD.replace("R-1", "2025-03-01"));
        let bytes = opened(&taken, false, &[], form).await;
        let refused = app.manager.post(PATH, &iso(&name, &bytes)).await;
        assert_eq!(first(refused, 422, "invalid_input"), pair("A2, Lot code", "text"));
        let two = flat(&[("notes", &row(&words("about this list"))), ("lots", &sheet(&[&headings, &good]))]);
        let bytes = written_as("list.fods", two.as_bytes(), None, form).await;
        let mut file = iso(&name, &bytes);
        let problem = app.manager.post(PATH, &file).await.refused(422, "invalid_input");
        assert_eq!(named(&problem)[0], pair("columns.code", "required"));
        assert_eq!(
            (&problem["facts"]["sheets"], &problem["facts"]["sheet"]),
            (&json!(["notes", "lots"]), &json!("notes"))
        );
        file["sheet"] = json!("stock");
        assert_eq!(first(app.manager.post(PATH, &file).await, 422, "invalid_input"), pair("sheet", "exists"));
        file["sheet"] = json!("lots");
        let path = "/import-tables/reagents/preview";
        assert_eq!(app.manager.post(path, &file).await.expect(200)["records"], json!(1));
        // Cut off, empty, and with more in it than it says.
        let cut = iso(&name, &bytes[..bytes.len() / 2]);
        assert_eq!(first(app.manager.post(PATH, &cut).await, 422, "invalid_input"), pair("content", "workbook"));
        let part = if form == "ods" { "content.xml" } else { "xl/worksheets/sheet1.xml" };
        let bomb = with_part(&bytes, part, |text| format!("{text}{}", " ".repeat(97 * 1024 * 1024)));
        assert!(bomb.len() < 1024 * 1024, "{}", bomb.len());
        assert_eq!(
            first(app.manager.post(PATH, &iso(&name, &bomb)).await, 422, "invalid_input"),
            pair("content", "size")
        );
        let torn = with_part(&bytes, part, |text| text.chars().take(text.len() / 2).collect());
        let refused = app.manager.post(PATH, &iso(&name, &torn)).await;
        assert_eq!(refused.status, 422, "{}", refused.text);
    }
    assert_eq!(app.row_counts(&["reagents", "imported_tables"]).await, [0, 0]);
}

#[tokio::test(flavor = "multi_thread")]
async fn workbooks_that_are_locked_old_or_larger_than_they_look_are_refused() {
    let app = TestApp::start().await;
    let bytes = opened(&format!("{}{GOOD}", head()), false, &[], "ods").await;
    // What LibreOffice writes into the manifest of a workbook that it locks (OpenDocument 1.2 part 3, 4.16.4).
    let locked = with_part(&bytes, "META-INF/manifest.xml", |text| {
        text.replacen("<manifest:file-entry", "<manifest:file-entry manifest:full-path=\"x\" manifest:media-type=\"\"><manifest:encryption-data/></manifest:file-entry><manifest:file-entry", 1)
    });
    assert_eq!(
        first(app.manager.post(PATH, &iso("a.ods", &locked)).await, 422, "invalid_input"),
        pair("content", "password")
    );
    // A compound file with the stream that holds a locked .xlsx (MS-OFFCRYPTO, 1.3), and one of before 2007 without it.
    let magic = [0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1];
    let stream: Vec<u8> = "EncryptedPackage".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let locked = [magic.to_vec(), vec![0; 1024], stream, vec![0; 64]].concat();
    assert_eq!(
        first(app.manager.post(PATH, &iso("a.xlsx", &locked)).await, 422, "invalid_input"),
        pair("content", "password")
    );
    let old = written_as("list.ods", &bytes, None, "xls").await;
    assert_eq!(
        first(app.manager.post(PATH, &iso("a.xls", &old)).await, 422, "invalid_input"),
        pair("content", "workbook")
    );
    // Packed, but no workbook.
    let mut packed = zip::ZipWriter::new(Cursor::new(Vec::new()));
    packed.start_file("list.csv", SimpleFileOptions::default()).unwrap();
    packed.write_all(format!("{}{GOOD}", head()).as_bytes()).unwrap();
    let packed = packed.finish().unwrap().into_inner();
    assert_eq!(
        first(app.manager.post(PATH, &iso("a.zip", &packed)).await, 422, "invalid_input"),
        pair("content", "workbook")
    );
    // A few bytes that stand for millions of cells.
    for (what, cells) in [
        ("wide", "<table:table-row><table:table-cell table:number-columns-repeated=\"16384\" office:value-type=\"float\" office:value=\"1\"/></table:table-row>".to_owned()),
        ("long", "<table:table-row table:number-rows-repeated=\"1000000\"><table:table-cell office:value-type=\"float\" office:value=\"1\"/></table:table-row>".to_owned()),
        ("many sheets", (0..40).map(|at| format!("<table:table-row table:number-rows-repeated=\"20000\"><table:table-cell table:number-columns-repeated=\"99\" office:value-type=\"float\" office:value=\"1\"/></table:table-row></table:table><table:table table:name=\"t{at}\">")).collect()),
    ] {
        let huge = with_part(&bytes, "content.xml", |text| text.replacen("<table:table-row", &format!("{cells}<table:table-row"), 1));
        assert_eq!(first(app.manager.post(PATH, &iso("a.ods", &huge)).await, 422, "invalid_input"), pair("content", "size"), "{what}");
    }
    // A sheet that announces more than it has is read for what it has.
    let xlsx = written_as("list.ods", &bytes, None, "xlsx").await;
    let announced = with_part(&xlsx, "xl/worksheets/sheet1.xml", |text| {
        let (before, after) = text.split_once("<dimension ref=\"").unwrap();
        let (_, after) = after.split_once('"').unwrap();
        format!("{before}<dimension ref=\"A1:XFD1048576\"{after}")
    });
    assert_eq!(
        app.manager.post("/import-tables/reagents/preview", &iso("a.xlsx", &announced)).await.expect(200)["records"],
        json!(1)
    );
    // Above the limit of one body.
    let large =
        json!({ "content": "A".repeat(17 * 1024 * 1024), "decimal_mark": "point", "date_format": "YYYY-MM-DD" });
    app.manager.post(PATH, &large).await.refused(413, "too_large");
    assert_eq!(app.row_counts(&["reagents", "imported_tables"]).await, [0, 0]);
}
