//! What determinations wait for, and whether a given person is the one who can do it.

use std::collections::{HashMap, HashSet};

use chrono::Utc;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::auth::permissions::{Action, Role, may};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, MethodId, RunId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states;
use ferrotitre_bench::{concessions, methods};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::store::{competences, persons};
use uuid::Uuid;

use crate::determinations::listing::DeterminationLine;
use crate::determinations::store::{self, parties};
use crate::runs;

/// Why somebody cannot act on something now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Blocked {
    /// What it waits for.
    pub waits_for: String,
    /// Who can do that.
    pub who: String,
}

impl Blocked {
    pub fn new(waits_for: impl Into<String>, who: impl Into<String>) -> Self {
        Self { waits_for: waits_for.into(), who: who.into() }
    }
}

/// What is known of the person and of the runs while a list is looked through.
struct Looker<'a> {
    connection: &'a Connection,
    user: &'a CurrentUser,
    own: Vec<AccountId>,
    runs: HashMap<RunId, Option<String>>,
    /// Runs that are released together with what is approved.
    released: &'a HashSet<Uuid>,
    competent: HashMap<String, bool>,
}

impl Looker<'_> {
    fn among(&self, people: Option<&Vec<AccountId>>) -> bool {
        people.is_some_and(|people| people.iter().any(|one| self.own.contains(one)))
    }

    fn may(&self, action: Action) -> bool {
        may(&self.user.roles, action)
    }

    /// What the approvals of a run wait for, looked up once for each run.
    async fn run(&mut self, run: RunId) -> Result<Option<String>, Refusal> {
        if !self.runs.contains_key(&run) {
            self.runs
                .insert(run, runs::approval::waits_for(self.connection, run, self.released.contains(&run.0)).await?);
        }
        Ok(self.runs.get(&run).cloned().flatten())
    }

    async fn competent(&mut self, method: MethodId) -> Result<(String, bool), Refusal> {
        let code = methods::store::versions::exactly(self.connection, method).await?.facts.code;
        if self.user.roles.contains(&Role::Manager) {
            return Ok((code, true));
        }
        if !self.competent.contains_key(&code) {
            let today = Utc::now().date_naive();
            let able = competences::competent(self.connection, self.user.account, &code, today).await?;
            self.competent.insert(code.clone(), able);
        }
        let able = self.competent.get(&code).copied().unwrap_or_default();
        Ok((code, able))
    }

    async fn review(
        &mut self,
        line: &DeterminationLine,
        involved: Option<&Vec<AccountId>>,
    ) -> Result<Option<Blocked>, Refusal> {
        let (code, able) = self.competent(line.method).await?;
        let can = self.may(Action::ReviewDeterminations) && able && !self.among(involved);
        let who = format!("a manager, or an analyst authorised for {code}, who had no hand in it");
        Ok((!can).then(|| Blocked::new("its review", who)))
    }

    async fn approve(
        &mut self,
        line: &DeterminationLine,
        involved: Option<&Vec<AccountId>>,
        reviewers: Option<&Vec<AccountId>>,
    ) -> Result<Option<Blocked>, Refusal> {
        if line.purpose == "sample"
            && let Some(waits_for) = self.run(RunId(line.run)).await?
            && !concessions::holds_for(self.connection, line.id, Utc::now()).await?
        {
            let who = "a manager who did not open the run, or two managers by a concession";
            return Ok(Some(Blocked::new(waits_for, who)));
        }
        let can = self.may(Action::ApproveDeterminations) && !self.among(involved) && !self.among(reviewers);
        let who = "a manager who had no hand in it and did not review it";
        Ok((!can).then(|| Blocked::new("its approval", who)))
    }

    async fn resubmit(
        &mut self,
        line: &DeterminationLine,
        involved: Option<&Vec<AccountId>>,
    ) -> Result<Option<Blocked>, Refusal> {
        if states::present(self.connection, EntityKind::Run, line.run).await?.state == "rejected" {
            let who = "whoever opens the run that repeats it";
            return Ok(Some(Blocked::new("its repetition: its run was rejected", who)));
        }
        let can = self.may(Action::SubmitDeterminations) && self.among(involved);
        if can {
            return Ok(None);
        }
        let names = persons::names_of_people(self.connection, involved.map_or(&[][..], Vec::as_slice)).await?;
        Ok(Some(Blocked::new("its author", names.join(" or "))))
    }
}

/// What keeps a person from acting on determinations of one state; those without an entry are theirs to do.
pub async fn blocked(
    db: &Db,
    user: &CurrentUser,
    lines: &[DeterminationLine],
) -> Result<HashMap<Uuid, Blocked>, Refusal> {
    blocked_beside(db, user, lines, &HashSet::new()).await
}

/// The same where these runs are released together with what is approved.
pub async fn blocked_beside(
    db: &Db,
    user: &CurrentUser,
    lines: &[DeterminationLine],
    released: &HashSet<Uuid>,
) -> Result<HashMap<Uuid, Blocked>, Refusal> {
    let ids: Vec<Uuid> = lines.iter().map(|line| line.id).collect();
    let me = [user.account];
    db.read(async |connection| {
        let (own, involved, reviewers) = futures_util::try_join!(
            persons::accounts_of(connection, &me),
            parties::of(connection, &ids),
            parties::reviewers(connection, &ids)
        )?;
        let (runs, competent) = (HashMap::new(), HashMap::new());
        let mut looker = Looker { connection, user, own, runs, released, competent };
        let mut found = HashMap::new();
        for line in lines {
            let hands = involved.get(&line.id);
            let blocked = match line.state.as_str() {
                "submitted" => looker.review(line, hands).await?,
                "reviewed" => looker.approve(line, hands, reviewers.get(&line.id)).await?,
                "returned" => looker.resubmit(line, hands).await?,
                _ => None,
            };
            found.extend(blocked.map(|blocked| (line.id, blocked)));
        }
        Ok(found)
    })
    .await
}

/// The same of iron results in a state: who had a hand in either determination has one in the difference.
pub async fn blocked_results(
    db: &Db,
    user: &CurrentUser,
    state: &str,
    rows: &[store::IronResultRow],
) -> Result<HashMap<Uuid, Blocked>, Refusal> {
    let parts: Vec<Uuid> = rows.iter().flat_map(|row| [row.total_id.0, row.iron2_id.0]).collect();
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let me = [user.account];
    db.read(async |connection| {
        let (own, involved, reviewers, known) = futures_util::try_join!(
            persons::accounts_of(connection, &me),
            parties::of(connection, &parts),
            parties::reviewers(connection, &ids),
            states::present_many(connection, EntityKind::Determination, &parts)
        )?;
        let among =
            |people: Option<&Vec<AccountId>>| people.is_some_and(|people| people.iter().any(|one| own.contains(one)));
        let mut found = HashMap::new();
        for row in rows {
            let both = [row.total_id.0, row.iron2_id.0];
            let hand = own.contains(&row.recorded_by) || both.iter().any(|id| among(involved.get(id)));
            let stands =
                |id: &Uuid| known.get(id).is_some_and(|state| matches!(state.as_str(), "approved" | "reported"));
            let (can, blocked) = match state {
                "submitted" => (
                    may(&user.roles, Action::ReviewDeterminations) && !hand,
                    Blocked::new("its review", "somebody authorised for the method who had no hand in it"),
                ),
                "reviewed" if !both.iter().all(stands) => {
                    (false, Blocked::new("the approval of both determinations", "a manager who had no hand in them"))
                }
                "reviewed" => (
                    may(&user.roles, Action::ApproveDeterminations) && !hand && !among(reviewers.get(&row.id.0)),
                    Blocked::new("its approval", "a manager who had no hand in it and did not review it"),
                ),
                _ => (
                    may(&user.roles, Action::SubmitDeterminations) && own.contains(&row.recorded_by),
                    Blocked::new("its author", "who put the difference together"),
                ),
            };
            if !can {
                found.insert(row.id.0, blocked);
            }
        }
        Ok(found)
    })
    .await
}

/// Iron results by their identities, newest first.
pub async fn results(db: &Db, ids: &[Uuid]) -> Result<Vec<store::IronResultRow>, Refusal> {
    db.read(async |connection| store::iron_results_by_id(connection, ids).await).await
}
