//! The end of runs in one form: closed, subtracted and submitted with the password once.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{ConductRuns, SubmitDeterminations};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::ids::AccountId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, onward, see};
use ferrotitre_html::sheet::{Cell, Part, Section, Table};
use ferrotitre_html::shell::Shell;
use secrecy::SecretString;
use serde::Deserialize;
use uuid::Uuid;

use super::signing::step_of;
use crate::determinations::finish::{self, LookedAt, NewFinish, ToClose, ToSubtract};
use crate::determinations::pairs::{self, Pair};
use crate::determinations::service;
use crate::determinations::wire::DeterminationView;
use crate::runs::next;
use crate::runs::quality::Missing;
use crate::runs::service::{self as runs, RunView};

/// A run with what is in it.
struct Ending {
    run: RunView,
    determinations: Vec<DeterminationView>,
    titrated: bool,
}

/// What can be closed, subtracted and submitted together.
struct Proposal {
    endings: Vec<Ending>,
    pairs: Vec<Pair>,
    /// Halves of differences that are in runs that were closed before.
    elsewhere: Vec<DeterminationView>,
    person: AccountId,
}

fn begun(view: &DeterminationView) -> bool {
    matches!(view.state.as_str(), "in progress" | "returned" | "amended")
}

impl Ending {
    async fn of(db: &Db, run: RunView) -> Result<Self, Refusal> {
        let lines = next::lines(db, run.id).await?;
        let titrated = next::titrated(&run, &lines);
        let ids: Vec<Uuid> = lines.iter().map(|line| line.id).collect();
        let mut determinations = service::several(db, &ids).await?;
        determinations.reverse();
        Ok(Self { run, determinations, titrated })
    }

    fn samples(&self) -> impl Iterator<Item = Uuid> {
        self.determinations.iter().filter(|one| one.purpose == "sample").map(|one| one.sample)
    }

    /// As a tick sends it: the run and all that was in it when it was looked at.
    fn value(&self) -> String {
        let all = self.determinations.iter().map(|one| format!("{}:{}", one.id, one.content_digest));
        format!("{}/{}/{}", self.run.id, self.run.content_digest, all.collect::<Vec<_>>().join(","))
    }

    /// What keeps it from being proposed, or what it will lack.
    fn words(&self) -> Vec<String> {
        let mut words = Vec::new();
        let open = self.determinations.iter().filter(|one| begun(one) && !one.evaluation.progress.complete);
        words.extend(open.map(|one| format!("{} is not complete: {}", one.code, one.evaluation.progress.detail)));
        // Controls that were titrated get on their charts when the run is closed.
        let control =
            self.determinations.iter().any(|one| one.purpose == "control" && one.evaluation.progress.complete);
        let comes = |what: &Missing| control && matches!(what, Missing::Values { .. });
        let lacks = self.run.lacks.iter().filter(|what| !comes(what));
        words.extend(lacks.map(|what| format!("the run lacks {what}")));
        words
    }
}

impl Proposal {
    /// Of a run and of those beside it with the same samples, all of the same person.
    async fn of(db: &Db, run: RunView, person: AccountId) -> Result<Self, Refusal> {
        let others = next::beside(db, &run, person).await?;
        let first = Ending::of(db, run).await?;
        let samples: Vec<Uuid> = first.samples().collect();
        let mut endings = vec![first];
        for other in others {
            let ending = Ending::of(db, other).await?;
            let shares = ending.samples().any(|sample| samples.contains(&sample));
            if shares && ending.titrated {
                endings.push(ending);
            }
        }
        endings.sort_by_key(|ending| ending.run.id);
        let mut samples: Vec<Uuid> = endings.iter().flat_map(Ending::samples).collect();
        samples.sort_unstable();
        samples.dedup();
        let here = |id: Uuid| endings.iter().any(|ending| ending.determinations.iter().any(|one| one.id == id));
        let mut pairs = pairs::of_samples(db, &samples).await?;
        pairs.retain(|pair| here(pair.total.id) || here(pair.iron2.id));
        // The other half of a difference may wait in a run that was closed before.
        let elsewhere = pairs.iter().flat_map(|pair| [pair.total.id, pair.iron2.id]).filter(|id| !here(*id));
        let elsewhere = service::several(db, &elsewhere.collect::<Vec<_>>()).await?;
        Ok(Self { endings, pairs, elsewhere, person })
    }

    /// Own determinations that are complete and not submitted, in the order in which they were begun.
    fn own(&self) -> Vec<&DeterminationView> {
        let here = self.endings.iter().flat_map(|ending| &ending.determinations);
        let waits = |view: &&DeterminationView| {
            let titrated = view.titrations.iter().any(|one| one.recorded_by == self.person);
            titrated && begun(view) && view.evaluation.progress.complete
        };
        let mut own: Vec<&DeterminationView> = self.elsewhere.iter().chain(here).filter(waits).collect();
        own.sort_by_key(|view| view.id);
        own
    }

    /// Parts of a difference that this person has not submitted.
    fn unsigned(&self, total: Uuid, iron2: Uuid) -> impl Iterator<Item = &DeterminationView> {
        self.own().into_iter().filter(move |view| [total, iron2].contains(&view.id))
    }
}

/// As a tick sends a difference: what was looked at.
fn value_of(pair: &Pair) -> String {
    let (total, iron2) = (&pair.total, &pair.iron2);
    format!("{}:{}/{}:{}/{}", total.id, total.digest, iron2.id, iron2.digest, pair.code)
}

fn stated(shell: &Shell, view: &DeterminationView) -> String {
    let reported = view.evaluation.reported.as_ref().map(|reported| shell.n(reported.stated()));
    reported.unwrap_or_else(|| view.evaluation.progress.detail.clone())
}

/// What the form sends.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Asked {
    password: SecretString,
    #[serde(default)]
    runs: Vec<String>,
    #[serde(default)]
    determinations: Vec<String>,
    #[serde(default)]
    iron_results: Vec<String>,
}

/// A thing and its digest, as one text.
fn looked_at(text: &str, between: char) -> Option<LookedAt> {
    let (id, digest) = text.split_once(between)?;
    Some(LookedAt { id: id.parse().ok()?, content_digest: digest.to_owned() })
}

fn to_close(value: &str) -> Option<ToClose> {
    let mut parts = value.splitn(3, '/');
    let (id, digest, all) = (parts.next()?.parse().ok()?, parts.next()?, parts.next()?);
    let all = all.split(',').filter(|one| !one.is_empty()).map(|one| looked_at(one, ':'));
    Some(ToClose { id, content_digest: digest.to_owned(), determinations: all.collect::<Option<Vec<_>>>()? })
}

fn to_subtract(value: &str) -> Option<ToSubtract> {
    let mut parts = value.splitn(3, '/');
    let (total, iron2) = (looked_at(parts.next()?, ':')?, looked_at(parts.next()?, ':')?);
    Some(ToSubtract { code: parts.next()?.to_owned(), total, iron2 })
}

fn all<T>(field: &str, values: &[String], read: impl Fn(&str) -> Option<T>) -> Result<Vec<T>, Refusal> {
    let read = |value: &String| {
        read(value).ok_or_else(|| Refusal::invalid(field, "one_of", "is none of what is offered here", value))
    };
    values.iter().map(read).collect()
}

impl Asked {
    /// As the API takes it. A difference is signed together with its determinations.
    fn wire(self, proposal: &Proposal) -> Result<NewFinish, Refusal> {
        let new = NewFinish {
            runs: all("runs", &self.runs, to_close)?,
            determinations: all("determinations", &self.determinations, |value| looked_at(value, '/'))?,
            iron_results: all("iron_results", &self.iron_results, to_subtract)?,
            password: self.password,
        };
        if new.runs.is_empty() {
            return Err(Refusal::invalid(
                "runs",
                "required",
                "tick at least one; what is complete can also be submitted by itself",
                "",
            ));
        }
        for one in &new.iron_results {
            let ticked = |id: Uuid| new.determinations.iter().any(|other| other.id == id);
            if let Some(view) = proposal.unsigned(one.total.id, one.iron2.id).find(|view| !ticked(view.id)) {
                let message = format!("tick {} to sign it with {}, or take {} off", view.code, one.code, one.code);
                return Err(Refusal::invalid("determinations", "with_difference", message, &view.code));
            }
        }
        Ok(new)
    }
}

/// A refusal of the service with the form's own fields: one for all of a kind.
fn placed(mut refusal: Refusal) -> Refusal {
    for wrong in &mut refusal.fields {
        if let Some((field, _)) = wrong.field.split_once('[') {
            wrong.field = field.to_owned();
        }
    }
    refusal
}

/// What is to be looked at before anything is ticked.
async fn above(shell: &Shell, db: &Db, proposal: &Proposal) -> Result<Vec<Section>, Refusal> {
    let mut sections = Vec::new();
    let lacks = |ending: &Ending| {
        let code = ending.run.code.clone();
        ending.words().into_iter().map(move |words| format!("{code}: {words}.")).collect::<Vec<_>>()
    };
    let lacks: Vec<String> = proposal.endings.iter().flat_map(lacks).collect();
    if !lacks.is_empty() {
        sections.push(Section::new("lacks", "Before you close", Part::Alert(lacks)));
    }
    let own = proposal.own();
    let mut samples: Vec<Uuid> = own.iter().map(|view| view.sample).collect();
    samples.extend(proposal.pairs.iter().map(|pair| pair.sample));
    let samples = labels::of(db, EntityKind::Sample, &samples).await?;
    let sample = |id: Uuid| samples.get(&id).cloned().unwrap_or_default();
    let mut rows: Vec<Vec<Cell>> = own
        .iter()
        .map(|view| {
            vec![
                Cell::link(view.code.clone(), format!("/determinations/{}", view.id)),
                Cell::text(sample(view.sample)),
                Cell::text(view.analyte.clone()),
                Cell::text(stated(shell, view)),
                Cell::text(view.flags.join("; ")),
            ]
        })
        .collect();
    rows.extend(proposal.pairs.iter().map(|pair| {
        let known = if pair.outcome == "concordant" { "" } else { pair.outcome };
        vec![
            Cell::text(pair.code.clone()),
            Cell::text(sample(pair.sample)),
            Cell::text(format!("iron(III): {} less {}", pair.total.code, pair.iron2.code)),
            Cell::text(shell.n(pair.reported.stated())),
            Cell::text(known),
        ]
    }));
    let table = Table {
        columns: vec!["What", "Sample", "Determines", "Result", "To be known"],
        rows,
        empty: "Nothing of yours waits for your signature.",
        ..Table::default()
    };
    sections.push(Section::new("waits", "What you titrated", Part::Table(table)));
    Ok(sections)
}

/// Runs and differences are proposed; what is signed is ticked by whoever has looked at it.
fn fields(shell: &Shell, proposal: &Proposal, posted: bool) -> Vec<Field> {
    let endings = proposal.endings.iter();
    let runs = endings.clone().map(|ending| Choice::thing(ending.value(), &ending.run.code, ending.run.bench.clone()));
    let ready = endings.filter(|ending| ending.titrated).map(Ending::value);
    let pairs = proposal.pairs.iter();
    let differences = pairs.clone().map(|pair| {
        Choice::thing(value_of(pair), &pair.code, format!("iron(III) {}", shell.n(pair.reported.stated())))
    });
    let follow = pairs.filter(|pair| pair.outcome == "concordant").map(value_of);
    let own = proposal.own().into_iter().map(|view| {
        let value = format!("{}/{}", view.id, view.content_digest);
        Choice::thing(value, &view.code, format!("{} {}", view.analyte, stated(shell, view)))
    });
    let several =
        |name: &str, label: &str, choices: Vec<Choice>| Field::new(name, label, Kind::Several(choices)).optional();
    let all = [
        several("runs", "Runs that are closed", runs.collect())
            .value(ready.collect::<Vec<_>>().join("\n"))
            .help("A closed run takes no more blanks, determinations or titrations."),
        several("iron_results", "Iron(III) that is recorded and signed", differences.collect())
            .value(follow.collect::<Vec<_>>().join("\n"))
            .help("Proposed: what follows from the two determinations. Signed with them."),
        several("determinations", "Determinations that you sign", own.collect())
            .help("Look at each before you tick it: every one is a signature of its own."),
    ];
    // What was ticked stays with the form, also where it is no longer offered.
    all.into_iter().filter(|field| posted || !field.choices().is_empty()).collect()
}

/// Closes runs, records the differences that follow, and submits what is complete.
#[routes]
#[get("/runs/{id}/finish")]
#[post("/runs/{id}/finish")]
pub(super) async fn finish_runs(
    who: Allowed<SubmitDeterminations>,
    _conducts: Allowed<ConductRuns>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let run = runs::read(&db, *id).await?;
    let back = format!("/runs/{id}");
    if run.state != "open" && !sent.posted() {
        return Ok(see(&back));
    }
    let title = format!("Close {} and submit", run.code);
    let proposal = Proposal::of(&db, run, who.user().account).await?;
    let (.., meaning, _) = step_of("submission");
    let form = Form::new(title, "Close, sign and submit", back.as_str())
        .lead(format!("{meaning} All that is ticked is done together, or none of it."))
        .with(fields(&shell, &proposal, sent.posted()))
        .with([Field::new("password", "Your own password, again", Kind::Password)
            .help("Asked once. Your printed name, the time and the meaning are recorded with each signature.")])
        .help(
            "The end of what was titrated together. What was changed since you looked at it is not done, and nothing else then.",
            "ISO/IEC 17025:2017 7.5.1, 7.7.1 and 7.8.1.2.",
            "Somebody else reviews; a manager who did not open the runs releases them, and approves.",
        );
    let above = above(&shell, &db, &proposal).await?;
    shell
        .take_below(&who, &sent, form, above, async |act, asked: Asked| {
            let new = asked.wire(&proposal)?;
            let answer = finish::finish(&db, &act, who.user(), **policy, new).await.map_err(placed)?;
            Ok(onward(&answer, &back))
        })
        .await
}
