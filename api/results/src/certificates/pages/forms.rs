//! Forms of certificates: drawing up, redrafting, amending, discarding, who was sent one, and the two signatures.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::{AuthoriseCertificates, DraftCertificates, ReadRecords};
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs::NewSignature;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_base::web::versions::Correction;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Choice, Field, Form, Kind, Sent, field_of, onward, words};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::versioned::json;
use serde::Deserialize;
use uuid::Uuid;

use crate::certificates::service::{self, Candidate};
use crate::certificates::wire::{CertificateFacts, CertificateView, Discarding, IssueView, NewDelivery};
use crate::certificates::{drawing, steps};
use crate::conformity::assignments;

/// Results to choose from, at most of each kind.
const MOST: i64 = 100;

/// Which sample a certificate is drawn up for.
#[derive(Debug, Default, Deserialize)]
pub(super) struct Of {
    sample: Option<Uuid>,
}

/// What can be chosen.
struct Offered {
    results: Vec<Choice>,
    specifications: Vec<Choice>,
}

/// What can be certified: everything approved, and what is on the certificate already, in whatever state it is now.
async fn offered(db: &Db, sample: Option<Uuid>, on_it: &[Uuid]) -> Result<Offered, Refusal> {
    let all = service::offered(db, (sample, on_it), MOST).await?;
    let methods: Vec<Uuid> = all.iter().filter_map(|one| one.method).collect();
    let methods = labels::of(db, EntityKind::Method, &methods).await?;
    let mut samples: Vec<Uuid> = all.iter().map(|one| one.sample).collect();
    samples.sort_unstable();
    samples.dedup();
    let codes = labels::of(db, EntityKind::Sample, &samples).await?;
    let code = |id: &Uuid| codes.get(id).cloned().unwrap_or_default();
    let result = |one: &Candidate| {
        let what = match &one.method {
            Some(method) => methods.get(method).cloned().unwrap_or_default(),
            None => "iron(III), with both its determinations".to_owned(),
        };
        let state = if one.state == "approved" { String::new() } else { format!(", {}", one.state) };
        Choice::thing(one.id, &one.code, format!("{}, {what}{state}", code(&one.sample)))
    };
    let assigned = assignments::of_samples(db, &samples).await?.into_iter().filter(|one| one.removed.is_none());
    let specifications = assigned.map(|one| {
        let words = format!("{}, {}, {}", code(&one.sample), one.analyte, one.limits);
        Choice::thing(one.id, &format!("{} v{}", one.code, one.version), words)
    });
    Ok(Offered { results: all.iter().map(result).collect(), specifications: specifications.collect() })
}

const STANDARD: &str = "ISO/IEC 17025:2017 7.8.2 (what a certificate says), 7.8.6 (statements of conformity).";

fn fields(offered: Offered, amends: bool) -> Vec<Field> {
    let mut fields = vec![
        Field::new("customer", "Customer", Kind::Text),
        Field::new("customer_address", "Address of the customer", Kind::Long),
        Field::new("results", "Results", Kind::Several(offered.results)).help(format!(
            "The newest {MOST} approved ones of each kind; the page of a sample leads to all of its own. \
                 Iron(III) brings total iron and iron(II) along."
        )),
        Field::new("specifications", "Statements of conformity", Kind::Several(offered.specifications))
            .help("Only those that were agreed with this customer; each is printed with its decision rule and risk."),
        Field::new("remarks", "Additions, deviations, exclusions", Kind::Long)
            .optional()
            .help("In words. What is on record with the results, such as a concession, is printed anyway."),
    ];
    if amends {
        fields.push(
            Field::new("what_changed", "What changed", Kind::Long)
                .help("Compared with the previous issue: which result changed, from what to what."),
        );
    }
    fields
}

/// Draws a certificate up.
#[routes]
#[get("/certificates/new")]
#[post("/certificates/new")]
pub(super) async fn draw_up(
    who: Allowed<DraftCertificates>,
    shell: Shell,
    db: web::Data<Db>,
    of: Params<Of>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let offered = offered(&db, of.0.sample, &[]).await?;
    let none = offered.results.is_empty();
    let lead = if none {
        "No approved result is waiting for a certificate."
    } else {
        "It becomes a draft: look at it, then somebody who had no hand in it authorises it."
    };
    let form =
        Form::new("Draw up a certificate", "Draw up", "/certificates").lead(lead).with(fields(offered, false)).help(
            "A certificate of approved results, taken from the rows that were signed.",
            STANDARD,
            "The draft shows how it will look. Authorising it issues it.",
        );
    shell
        .take(&who, &sent, form, async |act, facts: CertificateFacts| {
            let answer = drawing::draw_up(&db, &act, facts).await?;
            Ok(onward(&answer, &format!("/certificates/{}", field_of(&answer, "number"))))
        })
        .await
}

/// The latest version in a state.
fn in_state<'a>(view: &'a CertificateView, state: &str) -> Result<&'a IssueView, Refusal> {
    view.issues.iter().rfind(|one| one.state == state).ok_or_else(|| {
        let detail = format!("{} has no version that is {state}: its latest is {}", view.number, view.state);
        Refusal::new(Code::StateConflict, detail)
    })
}

fn place_of(view: &CertificateView) -> String {
    format!("/certificates/{}", view.number)
}

/// Redrafts.
#[routes]
#[get("/certificates/{number}/draft")]
#[post("/certificates/{number}/draft")]
pub(super) async fn revise(
    who: Allowed<DraftCertificates>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    number: web::Path<String>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::named(&db, &number).await?;
    let draft = in_state(&view, "draft")?;
    let offered = offered(&db, None, &draft.facts.results).await?;
    let title = format!("Redraft {} (issue {})", view.number, draft.issue);
    let form = Form::new(title, "Redraft", place_of(&view))
        .lead("From the records as they are now. The previous draft is set aside and stays on record.")
        .with(fields(offered, draft.issue > 1));
    let present = (&json(&draft.facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<CertificateFacts>| {
            drawing::revise(&db, &act, view.id, version, correction).await
        })
        .await
}

/// Draws up the next issue.
#[routes]
#[get("/certificates/{number}/amendment")]
#[post("/certificates/{number}/amendment")]
pub(super) async fn amend(
    who: Allowed<DraftCertificates>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    number: web::Path<String>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::named(&db, &number).await?;
    let issued = in_state(&view, "issued")?;
    let offered = offered(&db, None, &issued.facts.results).await?;
    let mut facts = issued.facts.clone();
    facts.what_changed = None;
    let form = Form::new(format!("Amend {} (issue {})", view.number, issued.issue), "Draw up the next issue", place_of(&view))
        .lead("The present issue stays in force until the next one is authorised; that says what it replaces, what changed and why.")
        .with(fields(offered, true));
    let present = (&json(&facts), view.version_id);
    shell
        .correct(&who, &sent, form, present, async |act, version, correction: Correction<CertificateFacts>| {
            drawing::amend(&db, &act, view.id, version, correction).await
        })
        .await
}

/// Gives a draft up.
#[routes]
#[get("/certificates/{number}/discarding")]
#[post("/certificates/{number}/discarding")]
pub(super) async fn discard(
    who: Allowed<DraftCertificates>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    number: web::Path<String>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::named(&db, &number).await?;
    let place = place_of(&view);
    let form = Form::new(format!("Discard the draft of {}", view.number), "Discard it", place.as_str())
        .lead("It stays on record as a draft that was never issued. Its number is not used again.")
        .with([Field::new("reason", "Why", Kind::Long).help("At least 5 characters.")])
        .help(
            "A draft that will not be issued.",
            "ISO/IEC 17025:2017 8.4: records stay.",
            "An issue in force stays in force.",
        );
    shell
        .take(&who, &sent, form, async |act, why: Discarding| {
            Ok(onward(&drawing::discard(&db, &act, view.id, why).await?, &place))
        })
        .await
}

/// Records who was sent an issue.
#[routes]
#[get("/certificates/{number}/deliveries")]
#[post("/certificates/{number}/deliveries")]
pub(super) async fn deliver(
    who: Allowed<DraftCertificates>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    number: web::Path<String>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::named(&db, &number).await?;
    let place = place_of(&view);
    let current = view.current_issue.map(|issue| issue.to_string()).unwrap_or_default();
    let form = Form::new(format!("Recipients of {}", view.number), "Record", place.as_str())
        .with([
            Field::new("issue", "Issue", Kind::Whole).value(current),
            Field::new("recipient", "Recipient", Kind::Text),
            Field::new("means", "How", Kind::Choice(words(&["by e-mail", "by post", "by hand"]))),
            Field::new("delivered_at", "When", Kind::Time { now: true }).optional().help("Left empty: now."),
        ])
        .help(
            "Who holds a copy, and so has to be told when it is amended or withdrawn.",
            "ISO/IEC 17025:2017 7.8.8 and 7.10.1 f: the customer is told, and work is recalled where that is needed.",
            "It is listed on the certificate's page.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewDelivery| {
            Ok(onward(&steps::deliver(&db, &act, view.id, new).await?, &place))
        })
        .await
}

/// What a signature on a certificate stands under, in words.
fn stands(one: &IssueView) -> String {
    let results =
        one.document.results.iter().map(|result| {
            format!("{} {} ± {} {}", result.analyte, result.value, result.expanded_uncertainty, result.unit)
        });
    format!("for {}: {}", one.document.customer, results.collect::<Vec<_>>().join("; "))
}

/// Authorises a draft, or withdraws the issue that holds.
#[routes]
#[get("/certificates/{number}/{step:authorisation|withdrawal}")]
#[post("/certificates/{number}/{step:authorisation|withdrawal}")]
pub(super) async fn sign(
    who: Allowed<AuthoriseCertificates>,
    _reads: Allowed<ReadRecords>,
    shell: Shell,
    db: web::Data<Db>,
    policy: web::Data<Policy>,
    path: web::Path<(String, String)>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let view = service::named(&db, &path.0).await?;
    let place = place_of(&view);
    let withdraws = path.1 == "withdrawal";
    let one = in_state(&view, if withdraws { "issued" } else { "draft" })?;
    let (title, button, meaning) = if withdraws {
        (
            "Withdraw",
            "Sign and withdraw",
            "You sign: this certificate is withdrawn, for the reason given. It is not issued again; tell everybody who was sent it.",
        )
    } else {
        (
            "Authorise",
            "Sign and issue",
            "You sign: I authorise this certificate for issue. With that it is issued and its results are reported.",
        )
    };
    let form = Form::new(format!("{title} {} (issue {})", view.number, one.issue), button, place.as_str())
        .lead(format!("{}, {}. {meaning}", view.number, shell.n(stands(one))))
        .signing(&one.content_digest, withdraws)
        .help(
            "A signature over everything the certificate says. If that is no longer what is on record, nothing is issued.",
            "ISO/IEC 17025:2017 7.8.1.1, 7.8.2.1 o and 7.8.8.",
            "Nobody authorises what they drew up, or results that they had a hand in.",
        );
    shell
        .take(&who, &sent, form, async |act, signature: NewSignature| {
            let answer = if withdraws {
                steps::withdraw(&db, &act, who.user(), **policy, view.id, signature).await?
            } else {
                steps::authorise(&db, &act, who.user(), **policy, view.id, signature).await?
            };
            Ok(onward(&answer, &place))
        })
        .await
}
