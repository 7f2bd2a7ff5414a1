//! What is asked for several people at once: a record for each, all of them or none.

use chrono::DateTime;
use ferrotitre_base::auth::passwords;
use ferrotitre_base::db::{Act, Connection, Db};
use ferrotitre_base::ids::{AccountId, CompetenceId};
use ferrotitre_base::recording::author;
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{code, words};
use uuid::Uuid;

use super::beginning::{named, under};
use super::{grants, put_account, view};
use crate::accounts::signing;
use crate::accounts::store::competences::{self, Competence};
use crate::accounts::wire::{
    Competences, CreatedPeople, CreatedPerson, NewAccount, NewCompetence, NewCompetences, NewPeople, NewRoleGrant,
};

/// Most items of one request.
const MOST: usize = 50;

/// At least one item, and no more than are looked at before they are sent.
pub(super) fn several(field: &str, count: usize) -> Result<(), Refusal> {
    let message = format!("name at least one and at most {MOST}");
    if (1..=MOST).contains(&count) { Ok(()) } else { Err(Refusal::invalid(field, "count", message, count)) }
}

/// A refusal of one of several items, which it names.
pub(super) fn of_item(refusal: Refusal, path: &str, value: impl std::fmt::Display) -> Refusal {
    if refusal.fields.is_empty() { refusal.at(path, "item", value) } else { under(path, refusal) }
}

/// Makes accounts for several people and asks for their roles. Provisional passwords are in the answer only; a repeated request is
/// refused because the names are taken.
///
/// # Errors
/// A name that is taken or cannot be, a role that is not for people; each under the person it is of.
pub async fn create_people(db: &Db, act: &Act, new: NewPeople) -> Result<CreatedPeople, Refusal> {
    several("people", new.people.len())?;
    let mut ready = Vec::with_capacity(new.people.len());
    for (at, person) in new.people.into_iter().enumerate() {
        let path = format!("people[{at}]");
        let code = named(&path, person.code.as_deref(), &person.display_name)?;
        let password = passwords::generate();
        let hash = passwords::hash(password.clone().into()).await?;
        let account = NewAccount { code, display_name: person.display_name, kind: "person".to_owned(), since: None };
        ready.push((path, account, person.role, password, hash));
    }
    db.transact(act, async |connection| {
        let mut people = Vec::with_capacity(ready.len());
        for (path, account, role, password, hash) in &ready {
            let row =
                put_account(connection, act, account, Some(hash)).await.map_err(|refusal| under(path, refusal))?;
            let ask = NewRoleGrant { role: role.clone(), effect: "grant".to_owned(), reason: new.reason.clone() };
            let asked = grants::ask(connection, act, (row.id, "person"), ask).await;
            let grant = asked.map_err(|refusal| match refusal.fields.first() {
                Some(wrong) if wrong.field == "reason" => refusal,
                _ => under(path, refusal),
            })?;
            let account = view(connection, row).await?;
            people.push(CreatedPerson { account, provisional_password: password.clone(), grant });
        }
        Ok(CreatedPeople { people })
    })
    .await
}

/// Records that somebody is authorised for a method.
pub(super) async fn authorise(
    connection: &Connection,
    by: AccountId,
    account: AccountId,
    new: &NewCompetence,
) -> Result<Competence, Refusal> {
    if !competences::method_exists(connection, &new.method_code).await? {
        let message = format!("there is no method {}", new.method_code);
        return Err(Refusal::new(Code::UnknownReference, message).at("method_code", "exists", &new.method_code));
    }
    signing::not_a_party(connection, by, &[account], "nobody authorises themself").await?;
    let row = Competence {
        id: CompetenceId::new(),
        account_id: account,
        method_code: new.method_code.clone(),
        valid_from: new.valid_from,
        valid_to: new.valid_to,
        evidence: new.evidence.clone(),
        recorded_at: DateTime::UNIX_EPOCH,
        recorded_by: by,
    };
    competences::insert(connection, &row).await
}

/// Authorises several people for several methods: a record for each person and method.
///
/// # Errors
/// No such person or method, oneself among them, days that cannot be.
pub async fn record_competences(db: &Db, act: &Act, new: NewCompetences) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let competences = record_competences_in(connection, act, new).await?;
        Ok(Competences { competences })
    })
    .await
}

/// The same in a transaction that does more.
pub async fn record_competences_in(
    connection: &Connection,
    act: &Act,
    new: NewCompetences,
) -> Result<Vec<Competence>, Refusal> {
    several("people", new.people.len())?;
    several("methods", new.methods.len())?;
    let mut errors = FieldErrors::default();
    for (at, method) in new.methods.iter().enumerate() {
        code(&mut errors, &format!("methods[{at}]"), method);
    }
    words(&mut errors, "evidence", &new.evidence);
    errors.check()?;
    let by = author(act)?;
    let mut competences = Vec::new();
    for (at, person) in new.people.iter().enumerate() {
        for (which, method) in new.methods.iter().enumerate() {
            let one = NewCompetence {
                method_code: method.clone(),
                valid_from: new.valid_from,
                valid_to: new.valid_to,
                evidence: new.evidence.clone(),
            };
            let made = authorise(connection, by, AccountId(*person), &one).await;
            competences.push(made.map_err(|refusal| placed(refusal, at, which, person))?);
        }
    }
    Ok(competences)
}

/// A refusal of one authorisation of several, at the field of the whole that it is about.
fn placed(mut refusal: Refusal, person: usize, method: usize, account: &Uuid) -> Refusal {
    for wrong in &mut refusal.fields {
        match wrong.field.as_str() {
            "method_code" => wrong.field = format!("methods[{method}]"),
            "account" => wrong.field = format!("people[{person}]"),
            _ => {}
        }
    }
    if refusal.fields.is_empty() { refusal.at(&format!("people[{person}]"), "person", account) } else { refusal }
}

/// Codes of the methods on record.
pub async fn method_codes(db: &Db) -> Result<Vec<String>, Refusal> {
    db.read(async |connection| competences::method_codes(connection).await).await
}
