//! Pages of proficiency rounds.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadRecords, RecordRounds, WithdrawRounds};
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::NewMove;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_html::form::words;
use ferrotitre_html::form::{Field, Form, Kind, Sent, field_of, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Fact, Part, Sheet, Table, fact, facts};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::{json, moves_on};
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::proficiency_rounds::service;
use crate::proficiency_rounds::store::{KIND, PROVIDERS, RoundFacts, UNITS};
use crate::proficiency_rounds::wire::{HistoryQuestion, RoundListing, RoundView, ScoresView};

/// Mounts the pages.
pub fn routes(config: &mut web::ServiceConfig) {
    config
        .service(list_proficiency_rounds)
        .service(record_proficiency_round)
        .service(read_proficiency_round)
        .service(correct_proficiency_round)
        .service(move_proficiency_round);
}

const STANDARD: &str = "ISO 13528 (scores); ISO/IEC 17025:2017 7.7.2 (comparison with other laboratories).";

fn fields() -> Vec<Field> {
    vec![
        Field::new("code", "Code of the round", Kind::Text),
        Field::new("series", "Series", Kind::Text).help("Rounds of one series are one history."),
        Field::new("provider", "Who assigned the value", Kind::List(words(&PROVIDERS))).help("The role, never a name."),
        Field::new("material", "Material", Kind::Text),
        Field::new("quantity", "What was determined", Kind::Text),
        Field::new("unit", "Unit", Kind::List(words(&UNITS))),
        Field::new("observed_at", "Reported by the provider", Kind::Time { now: true }).help("Left empty: now."),
        Field::new("assigned_value", "Assigned value X", Kind::Decimal).part("Assigned value"),
        Field::new("assigned_u", "Its standard uncertainty u(X)", Kind::Decimal).help("0 if none is stated."),
        Field::new("assigned_k", "Its coverage factor", Kind::Decimal).value("2"),
        Field::new("sigma_pt", "Standard deviation for proficiency assessment", Kind::Decimal),
        Field::new("determination", "Determination", Kind::Text)
            .optional()
            .part("Own result")
            .help("Its identity, as in the address of its page; or else the four fields below."),
        Field::new("own_value", "Own result", Kind::Decimal).optional(),
        Field::new("own_u", "Its standard uncertainty", Kind::Decimal).optional(),
        Field::new("own_k", "Its coverage factor", Kind::Decimal).optional(),
        Field::new("own_basis", "Why it is entered, and where it comes from", Kind::Long).optional(),
    ]
}

/// Lists rounds with the picture of their history.
#[get("/proficiency-rounds")]
pub(super) async fn list_proficiency_rounds(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let listing = query.0.listing()?;
    let asked =
        RoundListing { limit: None, after: listing.after, from: listing.from, until: listing.until, series: None };
    let page = service::list(&db, &asked).await?;
    let drawing = service::history(&db, &HistoryQuestion::default()).await?;
    let some = !page.items.is_empty();
    let rows = page.items.iter().map(|view| {
        let facts = &view.round.facts;
        vec![
            Cell::link(facts.code.clone(), format!("/proficiency-rounds/{}", view.round.id)),
            Cell::state(view.round.state.clone()),
            Cell::text(facts.series.clone()),
            Cell::text(show::time(facts.observed_at)),
            Cell::number(format!("{} = {}", view.scores.judged_by, shell.n(format!("{:.2}", view.scores.score())))),
            Cell::number(view.scores.zeta.map(|zeta| shell.n(format!("{zeta:.2}"))).unwrap_or_default()),
            Cell::text(view.scores.verdict),
        ]
    });
    let table = Table {
        columns: vec!["Round", "State", "Series", "Reported", "Score", "Zeta", "Verdict"],
        rows: rows.collect(),
        empty: "No round yet.",
        next: query.0.next("/proficiency-rounds", page.next),
        filters: query.0.fields(&[]),
        ..Table::default()
    };
    let caption = "Scores of the rounds with their limits, each with its page.";
    let picture = some.then(|| Part::Chart { drawing, caption: caption.to_owned() });
    Sheet::new(&shell, "Proficiency rounds", "Proficiency rounds")
        .way(shell.may(Action::RecordRounds), "Record a round", "/proficiency-rounds/new")
        .section_of("history", "History", picture)
        .section("list", "Rounds", Part::Table(table))
        .help(
            "How the laboratory's results compare with values that others assigned.",
            STANDARD,
            "A warning opens a minor nonconformity, an action signal a major one.",
        )
        .show()
}

/// Records a round.
#[routes]
#[get("/proficiency-rounds/new")]
#[post("/proficiency-rounds/new")]
pub(super) async fn record_proficiency_round(
    who: Allowed<RecordRounds>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Record a round", "Record", "/proficiency-rounds").with(fields()).help(
        "What the provider reported, and the result it judges.",
        STANDARD,
        "The scores are computed; a warning or action signal opens a nonconformity at once.",
    );
    shell
        .take(&who, &sent, form, async |act, facts: RoundFacts| {
            let answer = service::record(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/proficiency-rounds/{}", field_of(&answer, "id"))))
        })
        .await
}

fn score_facts(shell: &Shell, scores: &ScoresView) -> Vec<Fact> {
    let number = |value: f64| Cell::text(shell.n(format!("{value:.3}")));
    let mut found = vec![
        fact("z", number(scores.z)),
        fact("z'", number(scores.z_prime)),
        fact("Judged by", Cell::text(format!("{}: {}", scores.judged_by, shell.n(&scores.because)))),
        fact("Verdict", Cell::text(scores.verdict)),
    ];
    if let (Some(zeta), Some(verdict)) = (scores.zeta, scores.zeta_verdict) {
        found.push(fact("zeta", Cell::text(format!("{}, {verdict}", shell.n(format!("{zeta:.3}"))))));
    }
    if let (Some(e_n), Some(verdict)) = (scores.e_n, scores.e_n_verdict) {
        found.push(fact("E_n", Cell::text(format!("{}, {verdict}", shell.n(format!("{e_n:.3}"))))));
    }
    found
}

/// A round with its scores.
#[get("/proficiency-rounds/{id}")]
pub(super) async fn read_proficiency_round(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let history = service::read(&db, *id).await?.resource;
    let people: Vec<Uuid> = service::people(&history).into_iter().map(|by| by.0).collect();
    let names = accounts::names(&db, &people).await?;
    let view = history.versions.last().ok_or_else(|| Refusal::not_found("proficiency round", *id))?;
    let of_round = &view.round.facts;
    let question = HistoryQuestion { series: Some(of_round.series.clone()) };
    let drawing = service::history(&db, &question).await?;
    let mut about = facts(&fields(), &json(of_round), &shell);
    if let Some(determination) = of_round.determination {
        about.push(fact("Result from", Cell::link("the determination", format!("/determinations/{determination}"))));
    }
    let rows = history.versions.iter().rev().map(|view| {
        vec![
            Cell::text(view.round.version.to_string()),
            Cell::text(show::time(view.round.recorded_at)),
            Cell::text(names.get(&view.round.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(view.round.reason.clone().unwrap_or_else(|| "first version".to_owned())),
            Cell::text(format!("{} = {}", view.scores.judged_by, shell.n(format!("{:.2}", view.scores.score())))),
        ]
    });
    let columns = vec!["Version", "Recorded", "By", "Reason", "Score"];
    let versions = Table { columns, rows: rows.collect(), ..Table::default() };
    let opened = history
        .nonconformities
        .iter()
        .map(|of| vec![Cell::text(of.code.clone()), Cell::state(of.state.clone()), Cell::text(of.severity.clone())]);
    let columns = vec!["Nonconformity", "State", "Severity"];
    let opened = Table { columns, rows: opened.collect(), empty: "None.", ..Table::default() };
    let path = format!("/proficiency-rounds/{id}");
    let moves = shell.may(Action::WithdrawRounds) && moves_on(KIND, &view.round.state);
    Sheet::new(&shell, "Proficiency round", of_round.code.clone())
        .state(view.round.state.clone())
        .lead(format!("{} in {}: {}.", of_round.quantity, of_round.material, view.scores.verdict))
        .way(shell.may(Action::RecordRounds), "Correct", format!("{path}/correction"))
        .way(moves, "Withdraw", format!("{path}/moves"))
        .section("scores", "Scores", Part::Facts(score_facts(&shell, &view.scores)))
        .section("about", "About", Part::Facts(about))
        .section(
            "series",
            "History of the series",
            Part::Chart { drawing, caption: format!("Rounds of {}, with their limits.", of_round.series) },
        )
        .section("consequences", "What came of it", Part::Table(opened))
        .section("versions", "Versions", Part::Table(versions))
        .section("history", "History", Part::Moves(history.moves, names))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "One round: the assigned value, the own result, and what the scores say.",
            STANDARD,
            "zeta and E_n ask whether the stated uncertainties explain the difference; z asks whether it is fit for the purpose.",
        )
        .show()
}

async fn present(db: &Db, id: Uuid) -> Result<RoundView, Refusal> {
    let history = service::read(db, id).await?.resource;
    history.versions.into_iter().next_back().ok_or_else(|| Refusal::not_found("proficiency round", id))
}

/// Corrects a round.
#[routes]
#[get("/proficiency-rounds/{id}/correction")]
#[post("/proficiency-rounds/{id}/correction")]
pub(super) async fn correct_proficiency_round(
    who: Allowed<RecordRounds>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let round = present(&db, *id).await?.round;
    let mut facts = round.facts.clone();
    if facts.determination.is_some() {
        // Taken from the determination again.
        (facts.own_value, facts.own_u, facts.own_k) = (None, None, None);
    }
    let form =
        Form::new(format!("Correct {}", facts.code), "Record the correction", format!("/proficiency-rounds/{id}"))
            .with(fields());
    let present = (&json(&facts), round.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<RoundFacts>| {
            service::correct(&db, &act, *id, version, correction).await
        })
        .await
}

/// Withdraws a round.
#[routes]
#[get("/proficiency-rounds/{id}/moves")]
#[post("/proficiency-rounds/{id}/moves")]
pub(super) async fn move_proficiency_round(
    who: Allowed<WithdrawRounds>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let round = present(&db, *id).await?.round;
    let back = format!("/proficiency-rounds/{id}");
    let form = Form::move_form(KIND, &round.state, format!("Move {}", round.facts.code), &back);
    shell
        .take(&who, &sent, form, async |act, asked: NewMove| {
            Ok(onward(&service::advance(&db, &act, *id, asked).await?, &back))
        })
        .await
}
