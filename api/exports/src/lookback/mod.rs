//! Look-backs as files: where something was used, and what a hypothesis comes to, all results and the counts.

pub(super) mod handlers;

use std::cell::RefCell;

use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_bench::impacts::uses::{self, UseListing, UseView};
use ferrotitre_results::lookback::question;
use ferrotitre_results::lookback::run::{self, Event};
use ferrotitre_results::lookback::wire::{SupposedLine, Totals, WhatIf};
use serde_json::json;
use uuid::Uuid;

use crate::service::{Handed, file_name, put_on_record, said};
use crate::spool::{Cell, Format, Spool};
use crate::tables::{aside, time};

const USES: &[&str] = &["kind", "id", "code", "state", "stands", "used_at", "signed_at", "signature"];

fn use_row(of: &UseView) -> Vec<Cell<'_>> {
    vec![
        of.kind.as_str().into(),
        of.id.to_string().into(),
        of.code.as_str().into(),
        of.state.as_str().into(),
        if of.stands { "stands" } else { "no longer stands" }.into(),
        time(of.used_at),
        time(of.signed_at),
        of.sign_off.to_string().into(),
    ]
}

/// Where a thing was used, what a person took part in, or all of a stretch of time.
pub(super) async fn uses_table(
    db: &Db,
    (act, user): (&Act, &CurrentUser),
    id: Option<Uuid>,
    (asked, format): (UseListing, Format),
) -> Result<Handed, Refusal> {
    let spool = RefCell::new(Spool::new(format, USES)?);
    let take = |some: Vec<UseView>| {
        let mut spool = spool.borrow_mut();
        some.iter().try_for_each(|one| spool.row(&use_row(one)))
    };
    let (name, count) = uses::whole(db, user, (id, &asked), take).await?;
    let name = name.unwrap_or_else(|| "everything".to_owned());
    let time = |at: Option<chrono::DateTime<chrono::Utc>>| at.map(|at| at.to_rfc3339()).unwrap_or_default();
    let query = format!(
        "where {name} was used{}; signed from {} until {}; used from {} until {}",
        id.map(|id| format!(" ({id})")).unwrap_or_default(),
        time(asked.from),
        time(asked.until),
        time(asked.used_from),
        time(asked.used_until)
    );
    let counts = json!({ "signatures": count });
    let said = said(db, &query).await?;
    let file = spool.into_inner().finish(&[("counts", counts.clone())], &json!(said))?;
    put_on_record(db, act, ("where used", query, format.text()), (&file.digest, i64::from(file.rows))).await?;
    let name = format!("where-used-{}", file_name(&name));
    Ok(Handed { name, size: file.size()?, file, counts: Some(counts.to_string()) })
}

const SUPPOSED: &[&str] = &[
    "kind",
    "id",
    "code",
    "state",
    "signed_at",
    "unit",
    "as_signed",
    "as_signed_expanded_uncertainty",
    "as_signed_unrounded",
    "would_be",
    "would_be_expanded_uncertainty",
    "would_be_unrounded",
    "difference",
    "difference_in_U",
    "decisions",
    "changes",
    "no_result",
    "not_evaluated",
    "certificate",
    "signature",
];

fn supposed_row(of: &SupposedLine) -> Vec<Cell<'_>> {
    let (before, after) = (of.before.as_ref(), of.after.as_ref());
    let decisions =
        of.decisions.iter().map(|one| format!("{} v{}: {} -> {}", one.code, one.version, one.before, one.after));
    vec![
        of.kind.as_str().into(),
        of.id.to_string().into(),
        of.code.as_str().into(),
        of.state.as_str().into(),
        time(of.signed_at),
        of.unit.as_str().into(),
        before.map(|figure| figure.text.as_str()).into(),
        before.map(|figure| figure.expanded_uncertainty.as_str()).into(),
        before.map(|figure| figure.value).into(),
        after.map(|figure| figure.text.as_str()).into(),
        after.map(|figure| figure.expanded_uncertainty.as_str()).into(),
        after.map(|figure| figure.value).into(),
        of.difference.into(),
        of.difference_in_u.into(),
        decisions.collect::<Vec<_>>().join("; ").into(),
        if of.changes { "changes" } else { "" }.into(),
        of.no_result.as_deref().into(),
        of.not_evaluated.as_deref().into(),
        of.certificate.as_ref().map(|on| format!("{} issue {}", on.number, on.issue)).into(),
        of.sign_off.to_string().into(),
    ]
}

/// What a hypothesis comes to: a row for every result that it reaches, and the counts.
pub(super) async fn what_if_table(
    db: &Db,
    (act, user): (&Act, &CurrentUser),
    asked: &WhatIf,
    format: Format,
) -> Result<Handed, Refusal> {
    let question = question::ask(db, user, asked).await?;
    let query = question.words.clone();
    let mut heard = run::run(db, question).await?;
    let mut spool = Spool::new(format, SUPPOSED)?;
    let mut totals: Option<Totals> = None;
    while let Some(event) = heard.recv().await {
        match event? {
            Event::Began(_) => {}
            Event::Lines(lines) => {
                spool = aside(move || {
                    for line in &lines {
                        spool.row(&supposed_row(line))?;
                    }
                    Ok(spool)
                })
                .await?;
            }
            Event::Ended(of) => totals = Some(of),
        }
    }
    let broken = || Refusal::new(Code::Internal, "the calculation was interrupted; run it again");
    let counts = serde_json::to_value(totals.ok_or_else(broken)?).map_err(Refusal::internal)?;
    let file = spool.finish(&[("counts", counts.clone())], &json!(said(db, &query).await?))?;
    put_on_record(db, act, ("what if", query, format.text()), (&file.digest, i64::from(file.rows))).await?;
    Ok(Handed { name: "what-if".to_owned(), size: file.size()?, file, counts: Some(counts.to_string()) })
}
