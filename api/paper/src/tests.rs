//! Documents as a whole. What they look like to a reader that is not ours is tested end to end, with poppler.

use chrono::{DateTime, Utc};

use crate::document::{Block, Cell, Column, Document, Fact, Level, Picture, Step, Table, Width, Words};
use crate::flow::Laid;
use crate::strip::{Item, Kind};

const SQUARE: &str = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"40\" height=\"20\">\
    <rect width=\"10\" height=\"10\" fill=\"#d7dee4\"/><text x=\"2\" y=\"18\" font-size=\"6\">10 mL</text></svg>";

fn document(blocks: Vec<Block>) -> Document {
    Document {
        title: "Determination D-0001".to_owned(),
        head: ["Determination D-0001".to_owned(), "approved".to_owned()],
        foot: "made 2026-11-25".to_owned(),
        identity: "determination 1".to_owned(),
        made: "2026-11-25T17:00:00Z".parse::<DateTime<Utc>>().unwrap(),
        blocks,
    }
}

fn paragraph(words: &str) -> Document {
    document(vec![Block::Paragraph(words.into())])
}

fn table(rows: usize) -> Block {
    let columns = ["Sample", "Titre", "Note"].map(|title| Column { title: title.to_owned(), ..Column::default() });
    let cell = |text: String| Cell { words: text.into(), ..Cell::default() };
    let rows = (0..rows)
        .map(|row| {
            vec![
                cell(format!("S-{row:05}")),
                cell(format!("{}.{:02}", 20 + row % 7, row % 97)),
                cell("used".to_owned()),
            ]
        })
        .collect();
    Block::Table(Table { columns: columns.to_vec(), rows })
}

fn says(pdf: &[u8], words: &[u8]) -> bool {
    pdf.windows(words.len()).any(|window| window == words)
}

fn archived(document: &Document) -> bool {
    let pdf = document.pdf().unwrap();
    assert!(pdf.starts_with(b"%PDF-1.7"));
    // ISO 19005-2, 6.6.4: the identification of a file that conforms.
    says(&pdf, b"<pdfaid:part>2</pdfaid:part>") && says(&pdf, b"<pdfaid:conformance>A</pdfaid:conformance>")
}

/// All letters of a page, item by item.
fn letters(items: &[Item]) -> String {
    let mut all = String::new();
    for item in items {
        if let Item::Text { line, .. } = item {
            for shaped in line.spans.iter().flat_map(|span| &span.shaped) {
                all.push_str(&shaped.text);
            }
            all.push('\n');
        }
    }
    all
}

/// How far right, and how far down, anything on the pages reaches.
fn reach(laid: &Laid) -> (f32, f32) {
    let (mut right, mut down) = (0.0_f32, 0.0_f32);
    for item in laid.pages.iter().flatten() {
        let (x, y) = match item {
            Item::Text { x, y, line, .. } => (x + line.width, *y),
            Item::Bar { x, y, width, height, .. } | Item::Picture { x, y, width, height, .. } => {
                (x + width, y + height)
            }
            Item::Page { x, y, .. } => (*x, *y),
            Item::Mark(_) => (0.0, 0.0),
        };
        (right, down) = (right.max(x), down.max(y));
    }
    (right, down)
}

fn stays_on_its_pages(document: &Document) -> Laid {
    let laid = Laid::out(document).unwrap();
    let (right, down) = reach(&laid);
    assert!(right <= crate::strip::WIDTH + 0.1, "{right}");
    assert!(down <= crate::flow::ROOM + 0.1, "{down}");
    laid
}

#[test]
fn the_same_document_at_the_same_time_is_the_same_file() {
    let all = |words: &str| document(vec![Block::Paragraph(words.into()), table(80), picture(SQUARE)]);
    let one = all("23.10 mL").pdf().unwrap();
    assert_eq!(one, all("23.10 mL").pdf().unwrap());
    assert_ne!(one, all("23.1 mL").pdf().unwrap());
    let later = Document { made: "2026-11-25T17:00:01Z".parse().unwrap(), ..all("23.10 mL") };
    assert_ne!(one, later.pdf().unwrap());
}

#[test]
fn what_looks_like_markup_is_text() {
    for words in
        ["#panic() $x$ *a* #read(\"/etc/passwd\")", "<b>&amp;</b>", "\\par }", "(((", "%PDF", "\u{0}\u{1}\t\r\n\u{7f}"]
    {
        assert!(archived(&paragraph(words)), "{words}");
    }
    let laid = Laid::out(&paragraph("*a* <b>")).unwrap();
    assert_eq!(letters(&laid.pages[0]), "*a* <b>\n");
}

#[test]
fn a_character_that_the_typefaces_lack_makes_an_ordinary_pdf_and_no_failure() {
    assert!(archived(&paragraph("Müller, Ångström, Δ, σ, ≤, ⁻¹, Иванов, ﬁ, e\u{301}")));
    for foreign in ["溶液", "\u{f8ff}", "\u{1f9ea}", "a\u{feff}b", "\u{10ffff}"] {
        let pdf = paragraph(foreign).pdf().unwrap();
        assert!(pdf.starts_with(b"%PDF-1.7") && pdf.len() > 1000, "{foreign:?}");
    }
    assert!(!archived(&paragraph("溶液")));
}

#[test]
fn units_codes_and_states_stay_whole_and_other_words_may_be_broken_behind_a_hyphen() {
    let words = Words::from("at most 120 g/L by DR-1 as iron-bearing ").state("does not conform");
    let mut shapers = crate::typeface::Shapers::new(crate::typeface::Typefaces::get().unwrap());
    let lines = shapers.lines(&words, crate::lines::Style::of(8.0), 52.0);
    let text = |line: &crate::lines::Line| -> String {
        line.spans.iter().flat_map(|span| &span.shaped).map(|shaped| &*shaped.text).collect()
    };
    let lines: Vec<String> = lines.iter().map(|line| text(line).trim_end().to_owned()).collect();
    for whole in ["g/L", "DR-1", "bearing", "does not", "conform"] {
        assert!(lines.iter().any(|line| line.contains(whole)), "{whole} in {lines:?}");
    }
    assert!(lines.iter().any(|line| line.ends_with("iron-")), "{lines:?}");
    let (least, _) = shapers.measure(&Words::default().state("does not conform"), crate::lines::Style::of(7.2));
    let (_, most) = shapers.measure(&Words::default().state("does not conform"), crate::lines::Style::of(7.2));
    assert!((least - most).abs() < 0.01, "{least} {most}");
}

#[test]
fn letters_that_run_to_the_left_are_put_in_the_order_in_which_they_are_seen() {
    let laid = Laid::out(&paragraph("by שרה כהן today")).unwrap();
    let Some(Item::Text { line, .. }) = laid.pages[0].first() else { panic!("no text") };
    let seen: Vec<&str> = line
        .spans
        .iter()
        .flat_map(|span| &span.shaped)
        .map(|shaped| &*shaped.text)
        .filter(|text| *text != " ")
        .collect();
    // UAX 9: the words of a run to the left stand right to left.
    assert_eq!(seen, ["by", "כהן", "שרה", "today"]);
    assert!(archived(&paragraph("by שרה כהן today")));
}

#[test]
fn a_table_is_torn_between_rows_and_shows_its_titles_on_every_page() {
    let laid = stays_on_its_pages(&document(vec![table(300)]));
    assert!(laid.pages.len() > 3, "{}", laid.pages.len());
    for (number, page) in laid.pages.iter().enumerate() {
        assert!(letters(page).starts_with("Sample\nTitre\nNote\n"), "page {number}: {}", letters(page));
    }
    let all: String = laid.pages.iter().map(|page| letters(page)).collect();
    let rows: Vec<&str> = all.lines().filter(|line| line.starts_with("S-")).collect();
    let expected: Vec<String> = (0..300).map(|row| format!("S-{row:05}")).collect();
    assert_eq!(rows, expected);
    // ISO 32000-1, 14.8.4.3.4: the titles are one row of header cells, however often they are drawn.
    let titles = laid.tags.nodes.iter().filter(|(kind, _)| matches!(kind, Kind::ColumnTitle)).count();
    assert_eq!(titles, 3);
}

#[test]
fn a_table_of_ten_thousand_rows_is_made() {
    let begun = std::time::Instant::now();
    let pdf = document(vec![table(10_000)]).pdf().unwrap();
    // Unoptimised and beside other work; tests/benches/README.md says how long a release build takes.
    assert!(begun.elapsed().as_secs() < 120, "{:?}", begun.elapsed());
    assert!(pdf.len() < 12_000_000, "{}", pdf.len());
}

#[test]
fn a_cell_higher_than_a_page_is_torn_between_its_lines() {
    let long = "every reading was taken twice and neither agreed with the other ".repeat(400);
    let cell = |text: &str| Cell { words: text.into(), ..Cell::default() };
    let columns = vec![Column { title: "Note".to_owned(), ..Column::default() }, Column::default()];
    let rows = vec![vec![cell(&long), cell("1")], vec![cell("short")]];
    let laid = stays_on_its_pages(&document(vec![Block::Table(Table { columns, rows })]));
    let all: String = laid.pages.iter().map(|page| letters(page)).collect();
    assert_eq!(all.split_whitespace().filter(|word| *word == "twice").count(), 400);
}

#[test]
fn long_words_and_too_many_columns_stay_on_the_page() {
    let digest = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08";
    let cell = || Cell { words: digest.into(), ..Cell::default() };
    let wide = Table {
        columns: vec![Column { title: "Inhaltsverzeichnis".to_owned(), ..Column::default() }; 24],
        rows: vec![(0..24).map(|_| cell()).collect()],
    };
    let words = digest.repeat(500);
    let laid = stays_on_its_pages(&document(vec![
        Block::Heading(Level::Title, Words::from(words.as_str()).state(digest)),
        Block::Paragraph(words.as_str().into()),
        Block::Table(wide),
        Block::Outcome { figure: digest.repeat(3), unit: "g/L".to_owned(), remark: words.clone() },
        Block::Facts(vec![Fact { name: digest.into(), value: vec![Words::default().state(words.as_str())] }]),
        Block::Caution(words.as_str().into()),
    ]));
    assert!(letters(&laid.pages[0]).contains("9f86d081"));
}

#[test]
fn a_working_however_deep_keeps_room_for_its_lines() {
    let step = |depth| Step {
        depth,
        words: Words::default().strong("c").plain(" = 0.016667 mol/L"),
        lines: vec!["c = m P / (M V)".to_owned()],
    };
    let laid = stays_on_its_pages(&document(vec![Block::Steps((0..400).map(step).collect())]));
    let all: String = laid.pages.iter().map(|page| letters(page)).collect();
    // No line of the formula is broken, at any depth.
    assert_eq!(all.lines().filter(|line| *line == "c = m P / (M V)").count(), 400);
}

fn picture(svg: &str) -> Block {
    Block::Picture(Picture { svg: svg.to_owned(), caption: "a pipette".to_owned(), width: Width::Full })
}

#[test]
fn a_picture_is_a_figure_with_words_for_those_who_cannot_see_it() {
    let one = document(vec![picture(SQUARE)]);
    assert!(archived(&one));
    let pdf = one.pdf().unwrap();
    assert!(says(&pdf, b"/Figure") && says(&pdf, b"/Alt(a pipette)"));
    // One much higher than a page is made to fit.
    stays_on_its_pages(&document(vec![picture(&SQUARE.replace("height=\"20\"", "height=\"4000\""))]));
}

#[test]
fn a_picture_that_would_lose_something_is_refused_with_what_it_is() {
    let refused = |svg: &str| document(vec![picture(svg)]).pdf().unwrap_err().to_string();
    assert!(refused("<svg").starts_with("the document could not be made: a picture cannot be read"));
    let masked =
        SQUARE.replace("<rect", "<mask id=\"m\"><rect width=\"5\" height=\"5\"/></mask><rect mask=\"url(#m)\"");
    assert_eq!(refused(&masked), "the document could not be made: a picture holds a mask, which paper does not show");
}

#[test]
fn nothing_outside_the_document_is_read() {
    let svg = SQUARE.replace("<rect", "<image href=\"/etc/hostname\" width=\"9\" height=\"9\"/><rect");
    assert!(archived(&document(vec![picture(&svg)])));
}

#[test]
fn a_heading_is_never_the_last_line_of_a_page() {
    for lines in 40..75 {
        let mut blocks = vec![Block::Lines(vec!["filler".into(); lines])];
        blocks.push(Block::Heading(Level::Section, "Titres".into()));
        blocks.push(table(30));
        let laid = stays_on_its_pages(&document(blocks));
        for page in &laid.pages {
            let text = letters(page);
            assert!(text.lines().last() != Some("Titres"), "{lines}: {text}");
            // Nor are titles of columns without a row.
            assert!(text.lines().last() != Some("Note"), "{lines}: {text}");
        }
    }
}

#[test]
fn long_documents_have_contents_that_name_the_right_pages() {
    let mut blocks = vec![Block::Heading(Level::Title, "Study".into()), Block::Contents];
    for section in 1..=7 {
        blocks.push(Block::Heading(Level::Section, format!("Section {section}").into()));
        blocks.push(table(47));
    }
    let laid = Laid::out(&document(blocks.clone())).unwrap();
    assert!(letters(&laid.pages[0]).contains("Contents"));
    let mut entries = 0;
    for item in &laid.pages[0] {
        let Item::Page { heading, .. } = item else { continue };
        let spot = laid.spots[*heading];
        let text = &laid.headings[*heading].text;
        assert!(
            letters(&laid.pages[spot.page]).lines().any(|line| line == text),
            "{text} is not on page {}",
            spot.page
        );
        entries += 1;
    }
    assert_eq!(entries, 7);
    assert!(archived(&document(blocks.clone())));
    blocks.truncate(4);
    let short = Laid::out(&document(blocks)).unwrap();
    assert!(!letters(&short.pages[0]).contains("Contents"));
}

#[test]
fn a_document_of_nothing_is_a_page() {
    let empty = document(Vec::new());
    assert_eq!(Laid::out(&empty).unwrap().pages.len(), 1);
    assert!(archived(&empty));
    let hollow = vec![
        Block::Table(Table::default()),
        Block::Facts(Vec::new()),
        Block::Paragraph(Words::default()),
        Block::Statements(vec![Vec::new()]),
        Block::Heading(Level::Part, Words::default()),
    ];
    document(hollow).pdf().unwrap();
}
