//! Pages of reviews of the audit trail.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{ReadAuditLists, ReviewTrail};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, Sent, first_page, onward};
use ferrotitre_html::sheet::{Cell, Fact, Part, Section, Sheet, Table, fact};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::accounts::service as accounts;
use crate::audit::pages::lists;
use crate::audit::reviews::{self, ListCount, NewTrailReview, TrailReviewProposal};

const PLACE: &str = "/audit/reviews";
const STANDARD: &str = "EU GMP Annex 11, 9: audit trails are regularly reviewed. ISO/IEC 17025:2017 8.8 and 8.9.";

fn counted(lists: &[ListCount]) -> Vec<Fact> {
    lists.iter().map(|count| fact(count.title, Cell::number(count.rows.to_string()))).collect()
}

/// Lists reviews, newest first.
#[get("/audit/reviews")]
pub(in crate::audit) async fn list_reviews(
    _who: Allowed<ReadAuditLists>,
    shell: Shell,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let all = reviews::list(&db, &first_page()).await?.items;
    let people: Vec<Uuid> = all.iter().map(|review| review.recorded_by.0).collect();
    let people = accounts::names(&db, &people).await?;
    let rows = all.iter().map(|review| {
        vec![
            Cell::link(format!("review {}", review.number), format!("{PLACE}/{}", review.id)),
            Cell::text(show::time(review.from)),
            Cell::text(show::time(review.until)),
            Cell::number(review.events.to_string()),
            Cell::text(people.get(&review.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(show::time(review.recorded_at)),
            Cell::text(review.findings.clone()),
        ]
    });
    let table = Table {
        columns: vec!["Review", "From", "Until", "Events", "By", "Signed", "Findings"],
        rows: rows.collect(),
        empty: "Nobody has reviewed the audit trail yet.",
        ..Table::default()
    };
    Sheet::new(&shell, "Audit", "Reviews of the audit trail")
        .way(shell.may(Action::ReviewTrail), "Review what is new", format!("{PLACE}/new"))
        .lead(format!(
            "Each begins where the one before ended. The next is due {} days after the last.",
            reviews::EVERY_DAYS
        ))
        .section("list", "", Part::Table(table))
        .help(
            "Somebody looks regularly at what was left out, corrected and refused, and signs what was found.",
            STANDARD,
            "How often is the laboratory's own to decide; 90 days is common practice, without a source.",
        )
        .show()
}

/// What a review is over, as facts.
fn about(next: &TrailReviewProposal) -> Section {
    let mut facts = vec![
        fact("From", Cell::text(show::time_with_zone(next.from))),
        fact("Until", Cell::text(show::time_with_zone(next.until))),
        fact("Events", Cell::number(next.events.to_string())),
        fact("Signed tree head", Cell::text(format!("{} events, root {}", next.until_size, next.root_hash))),
    ];
    facts.extend(counted(&next.lists));
    Section::new("period", "What it is over", Part::Facts(facts))
}

/// Reviews everything since the last review: what is new in each list above, the signature below.
#[routes]
#[get("/audit/reviews/new")]
#[post("/audit/reviews/new")]
pub(in crate::audit) async fn review_trail(
    who: Allowed<ReviewTrail>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    // What is shown again with what was refused is what was looked at.
    let looked_at = sent.get("until_size").parse().ok().filter(|_| sent.posted());
    let next = reviews::propose(&db, looked_at).await?;
    let mut above = vec![about(&next)];
    above.extend(lists::of_review(&shell, &db, &next).await?);
    let form = Form::new(format!("Review {} of the audit trail", next.number), "Sign the review", PLACE)
        .lead("Look through what is new in each list; the event behind each row proves it. Then say what you found.")
        .with([
            Field::new("until_size", "Events looked at, up to", Kind::Whole)
                .value(next.until_size)
                .help("The size of the signed tree head above. The next review begins there."),
            Field::new("findings", "What you found", Kind::Long)
                .help("At least 5 characters; also say so where nothing was found."),
            Field::new("nonconformities", "Nonconformities opened for it, a code a line", Kind::Lines).optional(),
            Field::new("password", "Your own password, again", Kind::Password)
                .help("Every signature asks for it. Your printed name, the time and the meaning are recorded."),
        ])
        .hide("content_digest", next.content_digest)
        .help(
            "A signature stands over what you looked at. If there is more in a list meanwhile, nothing is signed: open the page again.",
            STANDARD,
            "Open a nonconformity for what is not in order before you sign, and name it here.",
        );
    shell
        .take_below(&who, &sent, form, above, async |act, new: NewTrailReview| {
            Ok(onward(&reviews::record(&db, &act, who.user(), **policy, new).await?, PLACE))
        })
        .await
}

/// One review with its signature.
#[get("/audit/reviews/{id}")]
pub(in crate::audit) async fn read_review(
    _who: Allowed<ReadAuditLists>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
) -> Result<HttpResponse, Problem> {
    let review = reviews::read(&db, *id).await?;
    let mut facts = vec![
        fact("From", Cell::text(show::time_with_zone(review.from))),
        fact("Until", Cell::text(show::time_with_zone(review.until))),
        fact("Events", Cell::number(review.events.to_string())),
        fact("Signed tree head", Cell::text(format!("{} events, root {}", review.until_size, review.root_hash))),
    ];
    facts.extend(counted(&review.lists));
    facts.push(fact("Nonconformities", Cell::text(review.nonconformities.join(", "))));
    Sheet::new(&shell, "Audit", format!("Review {} of the audit trail", review.number))
        .way(true, "All reviews", PLACE)
        .section("about", "What it was over", Part::Facts(facts))
        .section("findings", "What was found", Part::Words(review.findings))
        .section("signatures", "Signatures", Part::Signatures(review.sign_offs))
        .help(
            "What was looked at, what was found, and by whom.",
            STANDARD,
            "ferrotitre verify counts the lists again and checks the signature.",
        )
        .show()
}
