//! The page of reading habits.

use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadReadingHabits;
use ferrotitre_base::auth::permissions::sees_only_own;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::sheet::{Cell, Part, Section, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;

use crate::reading_habits::wire::{Counts, HabitsQuestion, HabitsView, PersonView, SignView};
use crate::reading_habits::{picture, service};

/// Mounts the page.
pub fn routes(config: &mut web::ServiceConfig) {
    config.service(read_reading_habits);
}

/// Counts and signs by person.
#[get("/reading-habits")]
pub(super) async fn read_reading_habits(
    who: Allowed<ReadReadingHabits>,
    shell: Shell,
    db: web::Data<Db>,
    query: Params<Narrow>,
) -> Result<HttpResponse, Problem> {
    let listing = query.0.listing()?;
    let question = HabitsQuestion { from: listing.from, until: listing.until, account: None };
    let view = service::of(&db, who.user(), &question).await?;
    let own = sees_only_own(&who.user().roles);
    let mut sections = vec![Section::new("counts", "What titrations came to", Part::Table(counts(&view, &query.0)))];
    for person in &view.people {
        sections.extend(of_person(&shell, person)?);
    }
    let lead = format!(
        "{} determinations from {} to {}{}. Signs to talk about and to train by, no proof of anything about anybody.",
        view.determinations,
        show::time(view.from),
        show::time(view.until),
        if view.cut_off { ", the newest of that time" } else { "" }
    );
    Sheet::new(&shell, "Reading habits", if own { "My reading habits" } else { "Reading habits" })
        .lead(lead)
        .with(sections)
        .help(
            "Final readings should end in each digit of the burette's step equally often (of titrations of one sample that began \
             at the same mark one counts), identical titres be no more frequent than \
             scatter and step allow, and ranges not crowd just inside the limit. What stands out does so after all signs on this \
             page are taken together.",
            "D. A. Preece 1981 (final digits); Y. Benjamini and Y. Hochberg 1995 (many tests at once).",
            "Show it to the person first. A habit goes with practice: read the meniscus to its last step, then look up.",
        )
        .show()
}

fn counts(view: &HabitsView, asked: &Narrow) -> Table {
    let row = |person: &PersonView| {
        let Counts {
            titrations,
            rough,
            used,
            not_used,
            rejected,
            failed_reductions,
            corrections,
            saved_late,
            beyond_the_fewest,
        } = person.counts;
        let counts = [
            titrations,
            used,
            not_used,
            beyond_the_fewest,
            rough,
            rejected,
            failed_reductions,
            corrections,
            saved_late,
        ];
        let mut row = vec![Cell::text(person.name.clone())];
        row.extend(counts.map(|count| Cell::number(count.to_string())));
        row
    };
    Table {
        columns: vec![
            "Person",
            "Titrations",
            "Used",
            "Not used",
            "Beyond the fewest",
            "Rough",
            "Rejected",
            "Failed reductions",
            "Corrected",
            "Saved late",
        ],
        rows: view.people.iter().map(row).collect(),
        empty: "No titration in this time.",
        filters: asked.fields(&[]),
        ..Table::default()
    }
}

fn of_person(shell: &Shell, person: &PersonView) -> Result<Vec<Section>, Refusal> {
    let row = |sign: &SignView| {
        let p = |p: Option<f64>| Cell::number(p.map(|p| shell.n(show::figure(p, 2))).unwrap_or_default());
        vec![
            Cell::text(sign.what),
            Cell::text(shell.n(&sign.basis)),
            Cell::text(shell.n(sign.missing.as_ref().unwrap_or(&sign.observed))),
            Cell::text(shell.n(&sign.expected)),
            p(sign.p),
            p(sign.p_adjusted),
            Cell::text(if sign.stands_out { "▲ stands out" } else { "" }),
        ]
    };
    let table = Table {
        columns: vec!["Sign", "In", "Found", "By chance", "p", "p of all signs", ""],
        rows: person.signs.iter().map(row).collect(),
        empty: "Nothing to look at.",
        ..Table::default()
    };
    let mut sections = vec![Section::new(format!("of-{}", person.account), person.name.clone(), Part::Table(table))];
    for (at, sign) in person.signs.iter().enumerate() {
        if let Some(drawing) = picture::digits(&person.name, sign)? {
            let caption = format!("{}. Dashes: as often as each other.", sign.observed);
            let part = Part::Chart { drawing, caption: shell.n(caption) };
            sections.push(Section::new(format!("digits-{}-{at}", person.account), "Last digits", part));
        }
    }
    Ok(sections)
}
