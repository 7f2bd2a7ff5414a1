//! The page of a determination: result, titrations with their fates, working, budget, signatures, history.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::auth::permissions::{Action, may_take_out};
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs::SignOff;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_bench::instrument_readings::shown::{self, Recorded};
use ferrotitre_bench::instrument_readings::uses::Measured;
use ferrotitre_bench::methods::rules::{AcceptanceText, MethodRules};
use ferrotitre_bench::methods::service as methods;
use ferrotitre_bench::specifications::pages::statements;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::plots::{self, Band, Dot, Drawing};
use ferrotitre_html::sheet::{Cell, Fact, Names, Part, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_html::versioned::json;
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use super::signing::with_steps;
use super::since;
use crate::certificates::pages as certificates;
use crate::determinations::evaluation::{AgreementView, EvaluationView, FigureView, ReportedView};
use crate::determinations::pages::against::{self, Against};
use crate::determinations::service;
use crate::determinations::wire::{DeterminationView, TitrationView};

/// What a determination belongs to, by name.
pub(super) struct Around {
    pub(super) rules: MethodRules,
    pub(super) method: ferrotitre_bench::methods::store::MethodFacts,
    pub(super) sample: String,
    pub(super) run: String,
    pub(super) titrants: Names,
    pub(super) equipment: Names,
    pub(super) people: Names,
}

impl Around {
    /// Reads the names of everything a determination refers to.
    pub(super) async fn of(db: &Db, view: &DeterminationView, all: &[TitrationView]) -> Result<Self, Refusal> {
        let one = |names: Names, id: Uuid| names.get(&id).cloned().unwrap_or_default();
        let method = methods::version(db, view.method).await?.facts;
        let mut titrants: Vec<Uuid> = all.iter().map(|titration| titration.facts.titrant).collect();
        titrants.extend(all.iter().filter_map(|titration| titration.facts.oxidant_titrant));
        let mut equipment: Vec<Uuid> = all.iter().map(|titration| titration.facts.burette).collect();
        equipment.extend(all.iter().filter_map(|titration| titration.facts.oxidant_pipette));
        let mut people: Vec<Uuid> = all.iter().map(|titration| titration.recorded_by.0).collect();
        people.extend(view.moves.iter().filter_map(|step| step.recorded_by).map(|by| by.0));
        people.push(view.recorded_by.0);
        Ok(Self {
            rules: method.rules.0.clone(),
            method,
            // Sample and equipment go by the names they had when it was signed.
            sample: one(view.names.clone(), view.sample),
            run: one(labels::of(db, EntityKind::Run, &[view.run]).await?, view.run),
            titrants: labels::of(db, EntityKind::Titrant, &titrants).await?,
            equipment: {
                let mut names = labels::of(db, EntityKind::Equipment, &equipment).await?;
                names.extend(view.names.clone());
                names
            },
            people: accounts::names(db, &people).await?,
        })
    }

    pub(super) fn person(&self, id: Uuid) -> String {
        self.people.get(&id).cloned().unwrap_or_default()
    }
}

/// The range of the titres and what it may be, as the method judges it.
pub(super) fn limit(rules: &MethodRules, agreement: Option<&AgreementView>) -> f64 {
    match (rules.acceptance, agreement.and_then(|agreement| agreement.critical_range_ml)) {
        (AcceptanceText::CriticalRange, Some(critical)) => critical,
        _ => rules.concordance_limit_ml.value(),
    }
}

/// The titres on a scale with the range they may fill.
pub(super) fn picture(shell: &Shell, evaluation: &EvaluationView, rules: &MethodRules) -> Option<Drawing> {
    let dots: Vec<Dot> = evaluation
        .titres
        .iter()
        .filter(|titre| titre.fate != "superseded")
        .map(|titre| Dot { position: titre.position, volume_ml: titre.net_ml, fate: titre.fate })
        .collect();
    let counted = dots.iter().filter(|dot| matches!(dot.fate, "used" | "not used")).map(|dot| dot.volume_ml);
    let limit = limit(rules, evaluation.agreement.as_ref());
    let band = counted.reduce(f64::min).map(|low| Band { low, high: low + limit });
    let centre = evaluation.agreement.as_ref().map(|agreement| agreement.mean_ml);
    plots::titres(shell, &dots, band, centre)
}

/// What the picture shows, in words.
pub(super) fn caption(shell: &Shell, evaluation: &EvaluationView, rules: &MethodRules, drawing: &Drawing) -> String {
    let outside = drawing.outside;
    let limit = limit(rules, evaluation.agreement.as_ref());
    let judged = match &evaluation.agreement {
        Some(agreement) if agreement.n > 1 => format!(
            "Range of {} accurate titres {} mL, allowed {} mL.",
            agreement.n,
            shell.n(format!("{:.3}", agreement.range_ml)),
            shell.n(show::figure(limit, 3))
        ),
        _ => format!("Accurate titres may differ by {} mL.", shell.n(show::figure(limit, 3))),
    };
    let far = if outside > 0 { format!("{outside} rough or rejected lie outside this scale. ") } else { String::new() };
    format!("{judged} {far}Titres less the blank. {}", drawing.signs)
}

/// The reported figure as a part of a page.
pub(super) fn result(shell: &Shell, reported: Option<&ReportedView>, waits: &str) -> Part {
    match reported {
        Some(reported) => Part::Result {
            figure: match reported.below_loq {
                true => shell.n(&reported.text),
                false => format!("{} ± {}", shell.n(&reported.text), shell.n(&reported.expanded_uncertainty)),
            },
            unit: reported.unit.to_owned(),
            words: match reported.below_loq {
                true => format!(
                    "Below the limit of quantification: reported without an uncertainty. Measured value, kept on record: {} ± {} {}, k = {}.",
                    shell.n(&reported.value),
                    shell.n(&reported.expanded_uncertainty),
                    reported.unit,
                    shell.n(format!("{:.2}", reported.coverage_factor))
                ),
                false => format!(
                    "Expanded uncertainty, k = {}. Rounded only here.",
                    shell.n(format!("{:.2}", reported.coverage_factor))
                ),
            },
        },
        None => Part::Words(waits.to_owned()),
    }
}

/// Which work on a determination waits for who looks at it.
struct Offered {
    titrates: bool,
    complete: bool,
    changes: bool,
    supervises: bool,
    reviews_further: bool,
    decides: bool,
}

impl Offered {
    fn of(shell: &Shell, view: &DeterminationView, around: &Around) -> Self {
        let me = shell.user.as_ref().map(|user| user.account.0);
        let since = view.moves.iter().rfind(|step| matches!(step.to_state.as_str(), "returned" | "amended"));
        let counts =
            |sign: &&SignOff| sign.meaning == "reviewed" && since.is_none_or(|step| sign.signed_at > step.recorded_at);
        let reviews = view.sign_offs.iter().filter(counts).count();
        let further = view.state == "reviewed" && around.rules.people() > reviews + 2;
        let supervises = me.is_some() && view.titrations.iter().any(|titration| titration.facts.supervisor == me);
        let decides = shell.may(Action::DecideDiscordance)
            && view.evaluation.outcome == "discordant"
            && matches!(view.state.as_str(), "submitted" | "reviewed")
            && !view.discordance_decided;
        let changes = matches!(view.state.as_str(), "in progress" | "returned" | "amended");
        Self {
            titrates: changes && shell.may(Action::RecordTitrations),
            complete: view.evaluation.progress.complete,
            changes,
            supervises,
            reviews_further: further && shell.may(Action::ReviewDeterminations),
            decides,
        }
    }
}

/// The ways on, in the order in which they are wanted.
fn offer<'a>(sheet: Sheet<'a>, shell: &Shell, may: &Offered, path: &str) -> Sheet<'a> {
    sheet
        .way(may.titrates && !may.complete, "Titrate", format!("{path}/bench"))
        .way(may.reviews_further, "Review once more", format!("{path}/review"))
        .way(may.decides, "Decide on the discordance", format!("{path}/discordance-decision"))
        .way(may.changes && may.supervises, "Countersign", format!("{path}/countersignature"))
        .way(may.changes && shell.may(Action::SubmitDeterminations), "Submit", format!("{path}/submission"))
        .way(may.titrates && may.complete, "Titrate", format!("{path}/bench"))
}

/// The page.
#[get("/determinations/{id}")]
pub(super) async fn read_determination(
    _who: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    query: Params<Against>,
) -> Result<HttpResponse, Problem> {
    let view = service::read(&db, *id).await?;
    let all = service::titrations(&db, *id).await?;
    let around = Around::of(&db, &view, &all).await?;
    let titrations = titrations(&shell, &view, &all, &around);
    let instruments = shown::part(&shell, &db, &recorded(&all)).await?;
    let title = format!("{} {}", view.code, view.analyte);
    let facts = about(&view, &around);
    let own = shell.user.as_ref().is_some_and(|user| may_take_out(&user.roles, view.is_work_of(user.account)));
    let may = Offered::of(&shell, &view, &around);
    let evaluation = view.evaluation;
    let figures = figures(&shell, &evaluation.figures);
    let picture = picture(&shell, &evaluation, &around.rules).map(|drawing| {
        let caption = caption(&shell, &evaluation, &around.rules, &drawing);
        Part::Picture { drawing: drawing.svg, caption }
    });
    let path = format!("/determinations/{id}");
    let exports = own && shell.may(Action::ExportRecords);
    let finished = evaluation.working.is_some() && evaluation.reported.is_some();
    let signed = matches!(view.state.as_str(), "submitted" | "reviewed" | "approved" | "reported" | "invalidated");
    let mut sheet =
        Sheet::new(&shell, "Determination", title).state(view.state.clone()).lead(evaluation.progress.detail.clone());
    sheet = offer(sheet, &shell, &may, &path);
    sheet = with_steps(sheet, &shell, &view.state, &path)
        .section("result", "Result", result(&shell, evaluation.reported.as_ref(), &evaluation.progress.detail))
        .section_way(evaluation.reported.is_some(), "To print", format!("{path}/report"))
        .section_way(signed, "Proof of control", format!("{path}/control"));
    sheet = sheet.with(since::sections(&shell, view.since.as_ref(), &view.earlier));
    sheet = sheet.section_of("flags", "To be known", (!view.flags.is_empty()).then_some(Part::Alert(view.flags)));
    sheet = sheet.with(statements::sections(&shell, &view.conformity));
    sheet = sheet.with(certificates::of_result(&shell, &db, (*id, &view.state)).await?);
    let expressed = json(&around.rules.expressed);
    sheet.sections.extend(against::sections(&shell, &evaluation, expressed.as_str().unwrap_or_default(), &query.0));
    sheet
        .section("about", "About", Part::Facts(facts))
        .section_of("titres", "Titres", picture)
        .section("titrations", "Every titration made", titrations)
        .section_of("instruments", "From instruments", instruments)
        .section("rules", "What the rules say", Part::Verdicts(evaluation.verdicts))
        .section_of("working", "Working", evaluation.working.map(Part::Working))
        .section_way(finished, "As text", format!("/api/v1/determinations/{id}/working"))
        .section_way(finished && exports, "As workbook", format!("/api/v1/determinations/{id}/workbook.xlsx"))
        .section_way(finished && exports, "As bundle to be checked", format!("/api/v1/determinations/{id}/bundle"))
        .section_of("figures", "In every unit that can be given", figures)
        .section_of("budget", "Uncertainty budget", (!evaluation.budget.is_empty()).then_some(Part::Budget(evaluation.budget)))
        .section_way(finished && evaluation.outcome == "concordant", "What would lower U", format!("{path}/plan"))
        .section("signatures", "Signatures", Part::Signatures(view.sign_offs))
        .section("history", "History", Part::Moves(view.moves, around.people))
        .section_way(shell.may(Action::ReadAuditTrail), "Audit events", format!("/audit?entity_id={id}"))
        .help(
            "Everything behind one figure: readings as entered, each correction, which titres count and why, the uncertainty, who answers for it.",
            "ISO/IEC 17025:2017 7.5 and 7.6; JCGM 100 (uncertainty); ISO 5725-6 (acceptability of titres).",
            "The author submits, somebody who had no hand in it reviews, a manager approves. A later change is an amendment that revokes the signatures.",
        )
        .show()
}

/// The content in every unit; nothing without a result.
fn figures(shell: &Shell, figures: &[FigureView]) -> Option<Part> {
    let rows = figures.iter().map(|figure| {
        vec![
            Cell::text(figure.expressed),
            Cell::number(shell.n(figure.value)),
            Cell::text(figure.unit),
            Cell::number(shell.n(show::figure(figure.u, 3))),
        ]
    });
    let columns = vec!["As", "Value, unrounded", "Unit", "u"];
    let table = Table { columns, rows: rows.collect(), ..Table::default() };
    (!table.rows.is_empty()).then_some(Part::Table(table))
}

fn about(view: &DeterminationView, around: &Around) -> Vec<Fact> {
    let method = format!("{}: {}", view.method_code, around.method.title);
    let mut facts = vec![
        fact("Sample", Cell::link(around.sample.clone(), format!("/samples/{}", view.sample))),
        fact("Run", Cell::link(around.run.clone(), format!("/runs/{}", view.run))),
        fact("Method", Cell::text(method)),
        fact("Reduction", Cell::text(around.method.reduction.clone())),
        fact("Indicator", Cell::text(around.method.indicator.clone())),
        fact("Titres", Cell::state(view.evaluation.outcome)),
        fact("Purpose", Cell::text(view.purpose.clone())),
        fact("Begun", Cell::text(show::time(view.observed_at))),
        fact("By", Cell::text(around.person(view.recorded_by.0))),
        fact("Formulae", Cell::text(view.evaluation.formula_set)),
    ];
    let late = view.late.iter().map(|entry| {
        let words = format!(
            "observed {}, recorded {}: {}",
            show::time(entry.observed_at),
            show::time(entry.recorded_at),
            entry.reason
        );
        fact("Recorded late", Cell::text(words))
    });
    facts.extend(late);
    if let Some(blank) = view.evaluation.blank_ml {
        facts.push(fact("Mean blank", Cell::text(format!("{} mL", show::figure(blank, 4)))));
    }
    if let Some(titre) = view.evaluation.titre_ml {
        facts.push(fact("Titre that counts", Cell::text(format!("{} mL", show::figure(titre, 6)))));
    }
    facts
}

/// Titrations with the readings that an instrument may have sent.
fn recorded(all: &[TitrationView]) -> Vec<Recorded<'_>> {
    let mut recorded = Vec::new();
    for one in all {
        recorded.push(Recorded {
            row: one.version_id,
            record: one.id,
            name: format!("titration {}", one.position),
            newest: all.iter().all(|other| other.id != one.id || other.version <= one.version),
            measured: Measured::burette(one.facts.burette, &one.facts.initial_readings, &one.facts.final_readings),
        });
    }
    recorded
}

const TITRATION_COLUMNS: [&str; 10] = [
    "No.",
    "Kind",
    "Fate",
    "Readings, mL",
    "Difference, mL",
    "At 20 °C, mL",
    "Less blank, mL",
    "Seen",
    "With",
    "When, who",
];

fn titrations(shell: &Shell, view: &DeterminationView, all: &[TitrationView], around: &Around) -> Part {
    let changes = matches!(view.state.as_str(), "in progress" | "returned" | "amended");
    let judges = changes && shell.may(Action::JudgeTitrations);
    let rows = all.iter().map(|titration| {
        let id = titration.version_id.to_string();
        let titre = view.evaluation.titres.iter().find(|titre| titre.titration == id);
        let fate = titre.map_or("superseded", |titre| titre.fate);
        let facts = &titration.facts;
        let readings = facts.initial_readings.iter().zip(&facts.final_readings);
        let readings =
            readings.map(|(first, last)| shell.n(format!("{first} to {last}"))).collect::<Vec<_>>().join("; ");
        let mut seen = vec![facts.end_point.clone()];
        seen.extend(titre.and_then(|titre| titre.reduction).map(|outcome| format!("reduction {outcome}")));
        seen.extend(titre.iter().flat_map(|titre| titre.reasons.iter().cloned()));
        seen.extend(titre.iter().flat_map(|titre| titre.queries.iter().map(|query| format!("likely slip: {query}"))));
        seen.extend(titration.reason.iter().map(|reason| format!("corrected: {reason}")));
        let number =
            |value: Option<f64>| Cell::number(value.map(|value| shell.n(format!("{value:.3}"))).unwrap_or_default());
        let open = judges && !matches!(fate, "superseded" | "rejected");
        let way = |label: &str, to: &str| {
            if open { Cell::link(label, format!("/titrations/{}/{to}", titration.id)) } else { Cell::default() }
        };
        let mut cells = vec![
            Cell::text(format!(
                "{}{}",
                titration.position,
                if titration.version > 1 { format!(" v{}", titration.version) } else { String::new() }
            )),
            Cell::text(facts.kind.clone()),
            Cell::state(fate),
            Cell::number(readings),
            Cell::number(titre.map(|titre| shell.n(&titre.difference_ml)).unwrap_or_default()),
            number(titre.map(|titre| titre.volume_ml)),
            number(titre.map(|titre| titre.net_ml)),
            Cell::text(seen.join("; ")),
            Cell::text(format!(
                "{}, {}",
                around.titrants.get(&facts.titrant).cloned().unwrap_or_default(),
                around.equipment.get(&facts.burette).cloned().unwrap_or_default()
            )),
            Cell::text(format!("{}, {}", show::time(facts.observed_at), around.person(titration.recorded_by.0))),
        ];
        if judges {
            cells.extend([way("correct", "correction"), way("reject", "rejection")]);
        }
        cells
    });
    let mut columns = TITRATION_COLUMNS.to_vec();
    if judges {
        columns.extend(["", ""]);
    }
    Part::Table(Table { columns, rows: rows.collect(), empty: "None yet.", ..Table::default() })
}
