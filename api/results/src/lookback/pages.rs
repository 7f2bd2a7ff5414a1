//! Pages of hypotheses: what is supposed, and the answer as it is computed.

use std::collections::{BTreeMap, HashMap};

use actix_web::http::StatusCode;
use actix_web::http::header::CONTENT_TYPE;
use actix_web::web::Bytes;
use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::auth::permissions::{Action, sees_only_own};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::choices;
use ferrotitre_bench::impacts::pages::path_of;
use ferrotitre_bench::impacts::uses;
use ferrotitre_bench::standards::primary;
use ferrotitre_bench::titrants::service as titrants;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, first_page};
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_ledger::accounts::wire::AccountView;
use futures_util::stream;
use tokio::sync::mpsc::Receiver;
use uuid::Uuid;

use crate::lookback::question;
use crate::lookback::run::{self, Event};
use crate::lookback::wire::{SupposedFigure, SupposedLine, Totals, WhatIf};

/// Results that a page shows; the files have them all.
const MOST_SHOWN: usize = 200;

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(suppose).service(answer);
}

/// What the address names, where it is not among the choices: a burette that was retired, a lot of years ago.
async fn said_of(
    db: &Db,
    user: &CurrentUser,
    said: Option<&String>,
    (kind, choices): (&str, &[Choice]),
) -> Result<Option<Choice>, Refusal> {
    let Some(id) = said.and_then(|said| said.parse::<Uuid>().ok()) else { return Ok(None) };
    if choices.iter().any(|choice| choice.value == id.to_string()) {
        return Ok(None);
    }
    Ok(uses::named(db, user, id)
        .await?
        .filter(|named| named.kind == kind)
        .map(|named| Choice::thing(id, &named.name, "")))
}

/// Fields of a hypothesis with what the address says of them.
async fn fields(db: &Db, user: &CurrentUser, said: &HashMap<String, String>) -> Result<Vec<Field>, Refusal> {
    // What others did is looked through by those who answer for it.
    let shown = |account: &AccountView| account.id == user.account.0 || !sees_only_own(&user.roles);
    let people = accounts::list(db, &first_page()).await?.items.into_iter().filter(shown);
    let people: Vec<Choice> = people.map(|of| Choice::thing(of.id, &of.display_name, "")).collect();
    // Whatever their state: it is the withdrawn ones that are looked back from.
    let standards = primary::list(db, &first_page()).await?.items.into_iter();
    let standards =
        standards.map(|of| Choice::thing(of.id, &of.facts.code, format!("{}, {}", of.facts.substance, of.state)));
    let titrants = titrants::list(db, &first_page()).await?.items.into_iter();
    let titrants = titrants.map(|of| Choice::thing(of.id, &of.code, format!("{}, {}", of.species, of.state)));
    let burettes = choices::equipment(db, &["burette", "piston burette"]).await?;
    let [mut standards, mut titrants, mut burettes, mut people] =
        [standards.collect::<Vec<_>>(), titrants.collect(), burettes, people];
    for (name, kind, choices) in [
        ("standard", "primary_standards", &mut standards),
        ("without_titrant", "titrants", &mut titrants),
        ("without_burette", "equipment", &mut burettes),
        ("without_person", "accounts", &mut people),
    ] {
        choices.extend(said_of(db, user, said.get(name), (kind, choices)).await?);
    }
    let thing = |name: &str, label: &str, choices: Vec<Choice>| Field::new(name, label, Kind::List(choices)).optional();
    let decimal = |name: &str, label: &str| Field::new(name, label, Kind::Decimal).optional();
    let fields = vec![
        thing("standard", "Primary standard", standards).part("Another certificate"),
        decimal("mass_fraction", "Its mass fraction, g/g"),
        decimal("expanded_uncertainty", "Its expanded uncertainty, g/g").help("Left empty: as on its certificate."),
        Field::new("calibration", "Calibration", Kind::Text)
            .optional()
            .help("Its id; the link on the page of a piece of equipment fills it in.")
            .part("Another calibration"),
        decimal("calibrated_value", "Its volume at 20 °C, mL"),
        Field::new("corrections", "Its table of corrections, mL", Kind::Long)
            .optional()
            .help("Pairs of reading and correction, such as 10:-0.02 20:-0.03; at least five."),
        Field::new("factor", "Factor", Kind::Text)
            .optional()
            .help("Its id; the link on the page of a titrant lot fills it in.")
            .part("Another factor"),
        decimal("concentration", "Its concentration, mol/L"),
        decimal("standard_uncertainty", "Standard uncertainty of calibration or factor")
            .help("In their unit. Left empty: as on record."),
        thing("without_titrant", "Without the titrant lot", titrants).part("Left out"),
        thing("without_burette", "Without the burette", burettes),
        thing("without_person", "Without the person", people),
        Field::new("from", "From", Kind::Time { now: false }).optional().help("Left empty: from the beginning."),
        Field::new("until", "Before", Kind::Time { now: false }).optional().help("Left empty: until now."),
    ];
    Ok(fields
        .into_iter()
        .map(|field| match said.get(&field.name) {
            Some(value) => field.value(value),
            None => field,
        })
        .collect())
}

fn query(asked: &WhatIf) -> Result<String, Refusal> {
    let value = serde_json::to_value(asked).map_err(Refusal::internal)?;
    let given = value.as_object().into_iter().flatten().filter_map(|(name, value)| Some((name, value.as_str()?)));
    Ok(given.map(|(name, value)| format!("{name}={}", show::encoded(value))).collect::<Vec<_>>().join("&"))
}

/// Supposes something.
#[routes]
#[get("/what-if")]
#[post("/what-if")]
pub(super) async fn suppose(
    who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    said: web::Query<HashMap<String, String>>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("What if", "Evaluate", "/impacts")
        .lead("One hypothesis is evaluated against every signed result that it reaches. Nothing is recorded or changed.")
        .with(fields(&db, who.user(), &said).await?)
        .help(
            "What results would have come to with another certificate, calibration or factor, or without a lot, a burette or a person.",
            "ISO/IEC 17025:2017 7.10.1 c: the significance of nonconforming work is evaluated, with the impact on earlier results.",
            "Each result is shown as it was signed and as it would be, with decisions that would differ; the counts show that the list is complete.",
        );
    let user = who.user().clone();
    shell
        .take(&who, &sent, form, async |_, asked: WhatIf| {
            question::ask(&db, &user, &asked).await?;
            Ok(format!("/what-if/answer?{}", query(&asked)?))
        })
        .await
}

/// What is kept of the results for the page: those whose decision would differ, then those that move most.
#[derive(Default)]
struct Kept {
    lines: Vec<SupposedLine>,
    /// Certificates in force by number: the issue, results on it that change, and that could not be evaluated.
    certificates: BTreeMap<String, (i32, u64, u64)>,
    done: u64,
    reached: u64,
}

fn weight(line: &SupposedLine) -> (bool, bool, f64) {
    (
        !line.decisions.is_empty() || line.no_result.is_some(),
        line.not_evaluated.is_some(),
        line.difference_in_u.map_or(0.0, f64::abs),
    )
}

impl Kept {
    fn take(&mut self, some: Vec<SupposedLine>) {
        self.done += some.len() as u64;
        for line in &some {
            if let Some(on) = &line.certificate {
                let found = self.certificates.entry(on.number.clone()).or_insert((on.issue, 0, 0));
                found.1 += u64::from(line.changes);
                found.2 += u64::from(!line.changes);
            }
        }
        self.lines.extend(some);
        let heavier = |a: &SupposedLine, b: &SupposedLine| {
            let (a, b) = (weight(a), weight(b));
            (b.0, b.1).cmp(&(a.0, a.1)).then(b.2.total_cmp(&a.2))
        };
        self.lines.sort_by(heavier);
        self.lines.truncate(MOST_SHOWN);
    }
}

fn shown(shell: &Shell, figure: &Option<SupposedFigure>, unit: &str) -> String {
    match figure {
        Some(figure) => shell.n(format!("{} ± {} {unit}", figure.text, figure.expanded_uncertainty)),
        None => String::new(),
    }
}

fn row(shell: &Shell, line: &SupposedLine) -> Vec<Cell> {
    let decisions =
        line.decisions.iter().map(|of| format!("{} v{}: {} → {}", of.code, of.version, of.before, of.after));
    let words = match (&line.not_evaluated, &line.no_result) {
        (Some(why), _) => format!("not evaluated: {why}"),
        (None, Some(why)) => format!("no result: {why}"),
        (None, None) => decisions.collect::<Vec<_>>().join("; "),
    };
    vec![
        match path_of(&line.kind, line.shown_at) {
            Some(path) => Cell::link(line.code.clone(), path),
            None => Cell::text(line.code.clone()),
        },
        Cell::state(line.state.clone()),
        Cell::number(shown(shell, &line.before, &line.unit)),
        Cell::number(shown(shell, &line.after, &line.unit)),
        Cell::number(line.difference_in_u.map(|apart| shell.n(format!("{apart:+.2} U"))).unwrap_or_default()),
        Cell::text(words),
        match &line.certificate {
            Some(on) => Cell::link(format!("{} issue {}", on.number, on.issue), format!("/certificates/{}", on.number)),
            None => Cell::default(),
        },
    ]
}

/// Certificates in force over results that change or could not be evaluated; none where there are none.
fn recalls(kept: &Kept) -> Option<Section> {
    let row = |(number, (issue, changed, open)): (&String, &(i32, u64, u64))| {
        vec![
            Cell::link(number.clone(), format!("/certificates/{number}")),
            Cell::number(issue.to_string()),
            Cell::number(changed.to_string()),
            Cell::number(open.to_string()),
        ]
    };
    let table = Table {
        columns: vec!["Certificate", "Issue in force", "Results that change", "Results not evaluated"],
        rows: kept.certificates.iter().take(MOST_SHOWN).map(row).collect(),
        ..Table::default()
    };
    let title = match kept.certificates.len() {
        0 => return None,
        all if all > MOST_SHOWN => {
            format!("The first {MOST_SHOWN} of {all} certificates in force to be recalled or looked at")
        }
        _ => "Certificates in force to be recalled or looked at".to_owned(),
    };
    Some(Section::new("certificates", title, Part::Table(table)))
}

/// Results in words: one result, two results.
fn of_results(count: u64) -> String {
    if count == 1 { "1 result".to_owned() } else { format!("{count} results") }
}

fn counts(shell: &Shell, totals: &Totals) -> Vec<Section> {
    let whole = if totals.complete {
        "complete: every result reached was evaluated, or the reason why not is given"
    } else {
        "not complete: what was reached and what was evaluated do not add up"
    };
    let mut facts = vec![
        fact("Signed results reached", Cell::number(totals.reached.to_string())),
        fact("Evaluated", Cell::number(totals.evaluated.to_string())),
        fact("Could not be evaluated", Cell::number(totals.not_evaluated.to_string())),
        fact("The list is", Cell::text(whole)),
        fact("A reported digit or a decision would differ", Cell::number(totals.changed.to_string())),
        fact("A decision would differ", Cell::number(totals.decisions_changed.to_string())),
        fact("There would be no result", Cell::number(totals.without_result.to_string())),
        fact("Certificates in force with a result that changes", Cell::number(totals.certificates.to_string())),
        fact(
            "Further certificates in force with a result that could not be evaluated",
            Cell::number(totals.certificates_not_evaluated.to_string()),
        ),
    ];
    let largest = totals.largest_difference_in_u.map(|apart| shell.n(format!("{apart:+.2} U")));
    facts.extend(largest.map(|apart| fact("Largest difference", Cell::number(apart))));
    let mut sections = vec![Section::new("counts", "Summary", Part::Facts(facts))];
    if !totals.not_evaluated_because.is_empty() {
        let rows = totals.not_evaluated_because.iter();
        let rows = rows.map(|(why, count)| vec![Cell::text(why.clone()), Cell::number(count.to_string())]);
        let table = Table { columns: vec!["Why not", "Results"], rows: rows.collect(), ..Table::default() };
        sections.push(Section::new("reasons", "Could not be evaluated", Part::Table(table)));
    }
    sections
}

fn results(shell: &Shell, kept: &Kept) -> Section {
    let table = Table {
        columns: vec!["Result", "State", "As signed", "It would be", "Difference", "Decision", "Certificate"],
        rows: kept.lines.iter().map(|line| row(shell, line)).collect(),
        empty: "No signed result is reached.",
        ..Table::default()
    };
    let title = if kept.done as usize > kept.lines.len() {
        format!("The {} that change most, of {}", kept.lines.len(), of_results(kept.done))
    } else {
        "Results, those that change most first".to_owned()
    };
    Section::new("results", title, Part::Table(table))
}

/// Where the answer stands in the page.
const PLACE: &str = "(the answer stands here)";

/// The page around the answer: what comes before it and what comes after.
fn around(shell: &Shell, words: &str, query: &str) -> Result<(String, String), Refusal> {
    let exports = |format: &str| format!("/api/v1/exports/what-if?format={format}&{query}");
    let takes = shell.may(Action::ExportLookBacks);
    let mut title = words.to_owned();
    if let Some(first) = title.get_mut(..1) {
        first.make_ascii_uppercase();
    }
    let page = Sheet::new(shell, "Look-back: what if", title)
        .lead("Every signed result that it reaches, as it was signed and as it would be. Nothing is recorded or changed.")
        .way(takes, "CSV of all results", exports("csv"))
        .way(takes, "JSON", exports("json"))
        .way(takes, "Workbook", exports("xlsx"))
        .way(true, "Another hypothesis", format!("/what-if?{query}"))
        .section("answer", "", Part::Words(PLACE.to_owned()))
        .help(
            "A hypothesis against the record: the same calculation, with one thing changed in what it reads.",
            "ISO/IEC 17025:2017 7.10.1 c and 7.8.8: the impact on earlier results, and what is to be amended.",
            "Where a result must change, record what is true (a corrected certificate or calibration) and amend it; no result changes by itself.",
        )
        .text()?;
    let place = format!("<p>{PLACE}</p>");
    let (before, after) = page.split_once(&place).unwrap_or((page.as_str(), ""));
    Ok((before.to_owned(), after.to_owned()))
}

/// Progress; a later one takes the place of an earlier.
fn progress(done: u64, reached: u64) -> String {
    format!(
        "<p class=\"progress\" role=\"status\"><progress aria-label=\"Progress\" max=\"{}\" value=\"{done}\"></progress> {done} of {}</p>\n",
        reached.max(1),
        of_results(reached)
    )
}

struct Answering {
    shell: Shell,
    heard: Receiver<Result<Event, Refusal>>,
    kept: Kept,
    /// What is sent first.
    before: Option<String>,
    /// What is sent last; none once that is done.
    after: Option<String>,
}

impl Answering {
    /// The next piece of the page.
    async fn next(&mut self) -> Option<String> {
        if let Some(before) = self.before.take() {
            return Some(before);
        }
        self.after.as_ref()?;
        match self.heard.recv().await {
            Some(Ok(Event::Began(reached))) => {
                self.kept.reached = reached;
                Some(progress(0, reached))
            }
            Some(Ok(Event::Lines(some))) => {
                self.kept.take(some);
                Some(progress(self.kept.done, self.kept.reached))
            }
            Some(Ok(Event::Ended(totals))) => {
                let mut sections = counts(&self.shell, &totals);
                sections.extend(recalls(&self.kept));
                sections.push(results(&self.shell, &self.kept));
                self.end(sections)
            }
            Some(Err(refusal)) => self.end(vec![Section::new("failed", "", Part::Alert(vec![refusal.detail]))]),
            None => {
                let words = "The calculation was interrupted. Run it again.".to_owned();
                self.end(vec![Section::new("failed", "", Part::Alert(vec![words]))])
            }
        }
    }

    fn end(&mut self, sections: Vec<Section>) -> Option<String> {
        let after = self.after.take()?;
        let drawn = ferrotitre_html::sheet::sections(&self.shell, sections).unwrap_or_default();
        Some(format!("<p class=\"progress\" role=\"status\">Done.</p>\n{drawn}{after}"))
    }
}

/// The answer to a hypothesis, sent as it is computed; it ends when the asker leaves.
#[get("/what-if/answer")]
pub(super) async fn answer(
    who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    asked: Params<WhatIf>,
) -> Result<HttpResponse, Problem> {
    let question = question::ask(&db, who.user(), &asked.0).await?;
    let (before, after) = around(&shell, &question.words, &query(&asked.0)?)?;
    let mut response = ferrotitre_html::shell::framed(HttpResponse::build(StatusCode::OK), String::new());
    response.headers_mut().insert(CONTENT_TYPE, "text/html; charset=utf-8".parse().map_err(Refusal::internal)?);
    let heard = run::run(&db, question).await?;
    let answering = Answering { shell, heard, kept: Kept::default(), before: Some(before), after: Some(after) };
    let pieces = stream::unfold(answering, |mut answering| async move {
        let piece = answering.next().await?;
        Some((Ok::<_, std::convert::Infallible>(Bytes::from(piece)), answering))
    });
    Ok(response.set_body(actix_web::body::BoxBody::new(actix_web::body::BodyStream::new(Box::pin(pieces)))))
}
