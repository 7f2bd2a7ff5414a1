//! Pages of witnesses: who countersigns, what they did last, and the decision on it.

use actix_web::{HttpResponse, get, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::auth::permissions::acts::{DecideWitnesses, ReadProofs};
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, Sent, onward};
use ferrotitre_html::sheet::{Cell, Part, Sheet, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use uuid::Uuid;

use crate::accounts::service as accounts;
use crate::audit::witnesses::{self, NewWitnessPolicy};

/// Shows who countersigns and what was countersigned last.
#[get("/audit/witnesses")]
pub(in crate::audit) async fn list_witnesses(
    _who: Allowed<ReadProofs>,
    shell: Shell,
    db: web::Data<Db>,
) -> Result<HttpResponse, Problem> {
    let decided = witnesses::decided(&db).await?;
    let people: Vec<Uuid> = decided.iter().map(|policy| policy.recorded_by.0).collect();
    let people = accounts::names(&db, &people).await?;
    let rows = witnesses::countersigned(&db).await?.into_iter().map(|row| {
        vec![
            Cell::text(row.witness),
            Cell::number(row.tree_size.to_string()),
            Cell::text(show::time_with_zone(row.signed_at)),
        ]
    });
    let last = Table {
        columns: vec!["Witness", "Events", "Countersigned"],
        rows: rows.collect(),
        empty: "No witness has countersigned yet.",
        ..Table::default()
    };
    let rows = decided.into_iter().map(|policy| {
        vec![
            Cell::text(show::time_with_zone(policy.recorded_at)),
            Cell::text(people.get(&policy.recorded_by.0).cloned().unwrap_or_default()),
            Cell::text(policy.witnesses.join(", ")),
            Cell::number(policy.needed.to_string()),
            Cell::number(policy.within_hours.to_string()),
            Cell::text(policy.reason),
        ]
    });
    let decisions = Table {
        columns: vec!["Decided", "By", "Witnesses", "Must countersign", "Within, h", "Reason"],
        rows: rows.collect(),
        empty: "Nobody has decided that heads are countersigned: whoever holds both the database and the key could show two logs.",
        ..Table::default()
    };
    Sheet::new(&shell, "Audit", "Witnesses")
        .way(shell.may(Action::DecideWitnesses), "Decide who countersigns", "/audit/witnesses/new")
        .section("last", "Countersigned last", Part::Table(last))
        .section("decisions", "Decisions, the newest counts", Part::Table(decisions))
        .help(
            "A witness is a program on somebody else's machine. It countersigns a head only if it continues every head it countersigned before.",
            "C2SP tlog-witness and tlog-cosignature; RFC 9162, section 2.1.4.",
            "An auditor runs ferrotitre witness on a machine of their own and gives the laboratory its key and address.",
        )
        .show()
}

/// Decides who countersigns.
#[routes]
#[get("/audit/witnesses/new")]
#[post("/audit/witnesses/new")]
pub(in crate::audit) async fn decide_witnesses(
    who: Allowed<DecideWitnesses>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let form = Form::new("Decide who countersigns the audit log", "Decide", "/audit/witnesses")
        .with([
            Field::new("witnesses", "Witnesses, one a line", Kind::Lines)
                .help("Key, a blank, and address, as the witness printed them when it started."),
            Field::new("needed", "How many must countersign", Kind::Whole).value("1"),
            Field::new("within_hours", "Alert when the last head that they did is older than, h", Kind::Whole)
                .value("24"),
            Field::new("reason", "Why", Kind::Long).help("At least 5 characters."),
        ])
        .help(
            "From then on the service asks these witnesses for every new head, in the background.",
            "C2SP tlog-witness.",
            "What they countersigned is printed with proofs and bundles. Decisions stay on record.",
        );
    shell
        .take(&who, &sent, form, async |act, new: NewWitnessPolicy| {
            let answer = witnesses::decide(&db, &act, new).await?;
            Ok(onward(&answer, "/audit/witnesses"))
        })
        .await
}
