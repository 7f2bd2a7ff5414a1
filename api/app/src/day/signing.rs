//! What waits for a signature, a decision or a certificate.

use std::collections::HashMap;

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::Action;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::concessions;
use ferrotitre_bench::titrants::wire::StandardisationView;
use ferrotitre_bench::titrants::{pages as titrant_pages, standardisations};
use ferrotitre_html::form::first_page;
use ferrotitre_html::sheet::{Cell, Table};
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_ledger::accounts::service as accounts;
use ferrotitre_results::certificates::wire::{CertificateLine, CertificateListing};
use ferrotitre_results::certificates::{pages as certificate_pages, service as certified};
use ferrotitre_results::decisions::service as decisions;
use ferrotitre_results::determinations::waiting::Blocked;
use ferrotitre_results::determinations::{
    iron_results, pages as determination_pages, service as determinations, waiting as standing,
};
use uuid::Uuid;

use super::{Waiting, parted};

pub(super) async fn signatures(shell: &Shell, db: &Db) -> Result<Vec<Waiting>, Refusal> {
    let newest = (Uuid::max(), 50);
    let Some(user) = shell.user.as_ref() else { return Ok(Vec::new()) };
    let mut waiting = Vec::new();
    let steps = [
        ("review", "To be reviewed", "submitted", "somebody who had no hand in it"),
        ("approve", "To be approved", "reviewed", "a manager"),
        ("returned", "Returned to their authors", "returned", "the author"),
    ];
    for (id, title, state, whom) in steps {
        let lines = determinations::in_state(db, state, newest).await?.items;
        let results = iron_results::waiting(db, state, newest).await?.items;
        let mut blocked = standing::blocked(db, user, &lines).await?;
        blocked.extend(standing::blocked_results(db, user, state, &results).await?);
        let cells = determination_pages::rows(shell, db, &lines).await?;
        let mut all: Vec<(Uuid, Vec<Cell>)> = lines.iter().map(|line| line.id).zip(cells).collect();
        let ids: Vec<Uuid> = results.iter().map(|row| row.id.0).collect();
        all.extend(ids.into_iter().zip(determination_pages::result_rows(db, results, state).await?));
        let (rows, blocked) = parted(all, &blocked);
        let table = Table { columns: determination_pages::COLUMNS.to_vec(), rows, ..Table::default() };
        // Each line says for itself whether it waits for this person.
        waiting.push(Waiting { id, title, whom, mine: true, table, blocked });
    }
    waiting.push(submitted(shell, db, user).await?);
    waiting.push(asked_for(shell, db, user).await?);
    waiting.push(identities(shell, db).await?);
    waiting.push(grants(shell, db).await?);
    Ok(waiting)
}

/// Standardisations that were submitted.
async fn submitted(shell: &Shell, db: &Db, user: &CurrentUser) -> Result<Waiting, Refusal> {
    let submitted = standardisations::submitted(db, user.account, 50).await?;
    let (others, own): (Vec<_>, Vec<_>) = submitted.into_iter().partition(|(_, involved)| *involved);
    let views = |parts: Vec<(StandardisationView, bool)>| parts.into_iter().map(|(view, _)| view).collect::<Vec<_>>();
    let whom = "a manager who had no hand in it";
    let blocked = titrant_pages::standardisation_rows(shell, &views(others)).into_iter();
    let blocked = blocked.filter_map(|row| row.into_iter().next());
    let blocked = blocked.map(|thing| (thing, Blocked::new("its approval", whom))).collect();
    let submitted = views(own);
    Ok(Waiting {
        id: "standardisations",
        title: "Standardisations to be approved",
        whom,
        mine: shell.may(Action::ReleaseTitrants),
        table: Table {
            columns: titrant_pages::STANDARDISATION_COLUMNS.to_vec(),
            rows: titrant_pages::standardisation_rows(shell, &submitted),
            ..Table::default()
        },
        blocked,
    })
}

/// Concessions that were asked for.
async fn asked_for(shell: &Shell, db: &Db, user: &CurrentUser) -> Result<Waiting, Refusal> {
    let asked = concessions::list(db, &first_page()).await?.items.into_iter().filter(|view| view.state == "requested");
    let mut rows = Vec::new();
    let mut blocked = Vec::new();
    for view in asked {
        let thing = Cell::link(view.item_kind, format!("/concessions/{}", view.id));
        let party = view.recorded_by == user.account || view.sign_offs.iter().any(|sign| sign.signer == user.account);
        if party {
            let whom = "a manager who neither asked for it nor has signed it";
            blocked.push((thing, Blocked::new(format!("signature {} of 2", view.sign_offs.len() + 1), whom)));
            continue;
        }
        let signed = Cell::number(format!("{} of 2", view.sign_offs.len()));
        rows.push(vec![thing, Cell::text(view.reason), Cell::text(show::time(view.valid_to)), signed]);
    }
    Ok(Waiting {
        id: "concessions",
        title: "Concessions to be signed",
        whom: "two managers",
        mine: shell.may(Action::SignConcessions),
        table: Table { columns: vec!["Item", "Reason", "Until", "Signatures"], rows, ..Table::default() },
        blocked,
    })
}

/// Certificates that were drawn up and wait to be authorised.
pub(super) async fn drafts(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let asked = CertificateListing { state: Some("draft".to_owned()), ..CertificateListing::default() };
    let drafts = certified::list(db, &asked).await?.items;
    let own = |line: &CertificateLine| shell.user.as_ref().is_some_and(|user| user.account == line.recorded_by);
    let whom = "a manager who had no hand in it";
    let why = Blocked::new("its authorisation", whom);
    let not_mine: HashMap<Uuid, Blocked> =
        drafts.iter().filter(|line| own(line)).map(|line| (line.version_id.0, why.clone())).collect();
    let cells = certificate_pages::rows(&drafts);
    let (waits, blocked) = parted(drafts.iter().map(|line| line.version_id.0).zip(cells).collect(), &not_mine);
    Ok(Waiting {
        id: "drafts",
        title: "Certificates to be authorised",
        whom,
        mine: shell.may(Action::AuthoriseCertificates),
        table: Table { columns: certificate_pages::COLUMNS.to_vec(), rows: waits, ..Table::default() },
        blocked,
    })
}

/// Approved results that are on no certificate and no draft of one.
pub(super) async fn to_be_certified(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let [lines, results] = certified::to_be_drawn_up(db, 50).await?;
    let lines = determinations::these(db, &lines).await?;
    let mut rows = determination_pages::rows(shell, db, &lines).await?;
    let results = standing::results(db, &results).await?;
    rows.extend(determination_pages::result_rows(db, results, "approved").await?);
    Ok(Waiting {
        id: "certify",
        title: "Approved, waiting for a certificate",
        whom: "whoever draws up certificates",
        mine: shell.may(Action::DraftCertificates),
        table: Table { columns: determination_pages::COLUMNS.to_vec(), rows, ..Table::default() },
        blocked: Vec::new(),
    })
}

/// Roles that were asked for.
async fn grants(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let asked = accounts::waiting(db).await?;
    let names = accounts::names(db, &asked.iter().map(|grant| grant.account_id.0).collect::<Vec<_>>()).await?;
    let by = shell.user.as_ref().map(|user| user.account);
    let whom = "a manager who did not ask for it";
    let mut rows = Vec::new();
    let mut blocked = Vec::new();
    for grant in asked {
        let name = names.get(&grant.account_id.0).cloned().unwrap_or_default();
        if shell.may(Action::DecideRoleGrants) && ![Some(grant.account_id), grant.recorded_by].contains(&by) {
            let thing = Cell::link(name, format!("/role-grants/{}/decision", grant.id));
            rows.push(vec![
                thing,
                Cell::text(grant.role),
                Cell::text(grant.reason),
                Cell::text(show::time(grant.recorded_at)),
            ]);
        } else {
            blocked.push((Cell::text(format!("{}, {name}", grant.role)), Blocked::new("a decision", whom)));
        }
    }
    Ok(Waiting {
        id: "grants",
        title: "Roles to be decided on",
        whom,
        mine: shell.may(Action::DecideRoleGrants),
        table: Table { columns: vec!["Person", "Role", "Why", "Asked"], rows, ..Table::default() },
        blocked,
    })
}

/// Accounts whose password somebody else set.
async fn identities(shell: &Shell, db: &Db) -> Result<Waiting, Refusal> {
    let mut rows = Vec::new();
    let mut blocked = Vec::new();
    for account in accounts::unconfirmed(db).await? {
        // Analysts see that it waits; the page of an account is not theirs to open.
        let thing = if shell.may(Action::ReadAccounts) {
            Cell::link(account.display_name, format!("/accounts/{}", account.id))
        } else {
            Cell::text(account.display_name)
        };
        if shell.user.as_ref().is_some_and(|user| user.account.0 == account.id) {
            blocked.push((
                thing,
                Blocked::new("a second person's word whose account it is", "a manager who did not set its password"),
            ));
        } else {
            rows.push(vec![thing, Cell::text(account.code), Cell::text("its password was set by somebody else")]);
        }
    }
    Ok(Waiting {
        id: "identities",
        title: "Accounts to be confirmed",
        whom: "a manager who did not set the password",
        mine: shell.may(Action::ConfirmIdentities),
        table: Table { columns: vec!["Person", "Sign-in name", "Why"], rows, ..Table::default() },
        blocked,
    })
}

/// Lots that were received and methods that were drafted.
pub(super) async fn received(shell: &Shell, db: &Db) -> Result<Option<Waiting>, Refusal> {
    let Some(user) = shell.user.as_ref() else { return Ok(None) };
    let whom = "a manager";
    let mut rows = Vec::new();
    let mut blocked = Vec::new();
    for one in decisions::of_lots_and_methods(db, user).await? {
        let thing = Cell::link(one.code, one.page);
        match one.waits_for {
            Some(waits_for) => blocked.push((thing, Blocked::new(waits_for, one.who.unwrap_or_default()))),
            None => rows.push(vec![thing, Cell::text(one.what), Cell::text(one.figure), Cell::text(one.about)]),
        }
    }
    Ok(Some(Waiting {
        id: "received",
        title: "Lots and methods to be decided on",
        whom,
        mine: shell.may(Action::DecideWaiting),
        table: Table { columns: vec!["Code", "What", "Figure", "About"], rows, ..Table::default() },
        blocked,
    }))
}
