//! The demo scenario: an invented laboratory, "Harbour Street Analytical", with people by role only.
//!
//! Everything is recorded through the same use cases as over HTTP, each by the person who would do it, so that the scenario
//! cannot show anything the service would not accept. Bench times lie in the days before loading; all else is fixed.

mod bench;
mod budgets;
mod certificates;
mod control;
mod planned;
mod proficiency;
mod specifications;
mod stock;
mod validation;

use std::fmt::Write as _;

use chrono::{DateTime, Duration, NaiveDate, Utc};
use ferrotitre_base::auth::current_user::{Codes, CurrentUser};
use ferrotitre_base::auth::passwords;
use ferrotitre_base::auth::permissions::Role;
use ferrotitre_base::auth::throttle::Throttle;
use ferrotitre_base::config::Policy;
use ferrotitre_base::db::{Act, ActorKind, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_ledger::accounts::service::create_with_roles;
use ferrotitre_ledger::accounts::store as accounts;
use serde::de::DeserializeOwned;
use serde_json::{Value, json};
use uuid::Uuid;

/// What was loaded.
#[derive(Debug)]
pub struct Scenario {
    accounts: Vec<(String, String, &'static str)>,
    iron_result: Uuid,
    determination: Uuid,
}

impl Scenario {
    /// Accounts and passwords, as a page of text.
    #[must_use]
    pub fn text(&self) -> String {
        let mut text = String::from(
            "\nDemo laboratory \"Harbour Street Analytical\". Passwords are made now and shown only here:\n",
        );
        for (code, password, role) in &self.accounts {
            // Writing to a String cannot fail.
            let _ = writeln!(text, "  {code:<16} {password}   {role}");
        }
        text
    }
}

/// First calls to try, with the real ids.
#[must_use]
pub fn first_calls(base: &str, scenario: &Scenario) -> String {
    let password = scenario.accounts.first().map_or("", |(_, password, _)| password.as_str());
    format!(
        "\nFirst calls to try:\n\
         \x20 TOKEN=$(curl -s {base}/api/v1/sessions -H 'Content-Type: application/json' \\\n\
         \x20   -d '{{\"account\":\"analyst-1\",\"password\":\"{password}\"}}' | sed 's/.*\"access_token\":\"\\([^\"]*\\)\".*/\\1/')\n\
         \x20 curl -s {base}/api/v1/iron-results/{iron_result}/working -H \"Authorization: Bearer $TOKEN\"\n\
         \x20 curl -s {base}/api/v1/determinations/{determination} -H \"Authorization: Bearer $TOKEN\"\n\
         Stop with Ctrl-C; the data stay.\n\n",
        iron_result = scenario.iron_result,
        determination = scenario.determination,
    )
}

/// A person of the scenario.
#[derive(Debug, Clone)]
pub struct Person {
    pub user: CurrentUser,
    pub password: String,
}

impl Person {
    /// An act of this person.
    pub fn act(&self, action: &'static str) -> Act {
        Act {
            actor: Some(self.user.account),
            kind: ActorKind::Person,
            address: None,
            action,
            request: None,
            repeat: None,
            one_time_code: None,
        }
    }

    /// A signature of this person on the content that has a digest.
    pub(crate) fn signature_on(
        &self,
        digest: String,
        reason: Option<&str>,
    ) -> ferrotitre_base::sign_offs::NewSignature {
        ferrotitre_base::sign_offs::NewSignature {
            password: self.password.clone().into(),
            content_digest: Some(digest),
            reason: reason.map(str::to_owned),
        }
    }
}

/// The laboratory while it is set up.
pub struct Lab<'a> {
    pub db: &'a Db,
    pub policy: Policy,
    /// The day the scenario begins; bench times count from it.
    pub start: DateTime<Utc>,
    pub analyst_1: Person,
    pub analyst_2: Person,
    pub trainee_1: Person,
    pub manager_1: Person,
    pub manager_2: Person,
}

impl Lab<'_> {
    /// A bench time: so many days and hours after the start.
    pub fn at(&self, days: i64, hours: i64) -> String {
        (self.start + Duration::days(days) + Duration::hours(hours)).to_rfc3339()
    }

    /// A day, as a date.
    pub fn day(&self, days: i64) -> String {
        (self.start + Duration::days(days)).date_naive().to_string()
    }
}

/// A wire type from JSON; a mistake in the scenario names its field.
pub fn wire<T: DeserializeOwned>(value: &Value) -> Result<T, Refusal> {
    ferrotitre_base::web::body::parse(value.to_string().as_bytes())
}

/// Id of an answer's resource.
pub fn id_of(answer: &Answer) -> Result<Uuid, Refusal> {
    text_of(answer, "id")?.parse().map_err(Refusal::internal)
}

/// A text field of an answer's resource.
pub fn text_of(answer: &Answer, field: &str) -> Result<String, Refusal> {
    let value: Value = serde_json::from_str(&answer.body).map_err(Refusal::internal)?;
    let text = value.get(field).and_then(Value::as_str).map(str::to_owned);
    text.ok_or_else(|| Refusal::new(Code::Internal, format!("an answer lacks its {field}")))
}

const PEOPLE: [(&str, &str, Role); 7] = [
    ("analyst-1", "Analyst 1", Role::Analyst),
    ("analyst-2", "Analyst 2", Role::Analyst),
    ("trainee-1", "Trainee 1", Role::Analyst),
    ("manager-1", "Manager 1", Role::Manager),
    ("manager-2", "Manager 2", Role::Manager),
    ("auditor-1", "Auditor 1", Role::Auditor),
    ("administrator-1", "Administrator 1", Role::Administrator),
];

/// Why what the scenario's bench did is recorded only when it is loaded.
pub(crate) const TAKEN_OVER: &str = "taken over from bench book 7";

async fn people(db: &Db, since: NaiveDate) -> Result<Vec<Person>, Refusal> {
    let mut people = Vec::new();
    for (code, name, role) in PEOPLE {
        let roles = [role.text().to_owned()];
        let (account, _) = create_with_roles(db, (code, name, "person"), &roles, Some(since)).await?;
        let password = passwords::generate();
        let hash = passwords::hash(password.clone().into()).await?;
        // The password shown is the one to sign in with, so that the first call works as printed.
        db.transact(&Act::system("set_password"), async |connection| {
            accounts::insert_secret(connection, account, &hash, false, None).await
        })
        .await?;
        let user = CurrentUser {
            account,
            session: None,
            code: code.to_owned(),
            display_name: name.to_owned(),
            roles: vec![role],
            scopes: None,
            provisional: false,
            unconfirmed: false,
            codes: Codes::Never,
        };
        people.push(Person { user, password });
    }
    let roles = [Role::Instrument.text().to_owned()];
    create_with_roles(db, ("balance-1", "Balance at bench 2", "service"), &roles, None).await?;
    Ok(people)
}

/// Loads the scenario into an empty store.
///
/// # Errors
/// A store that already has accounts, or that cannot be reached.
pub async fn load(db: &Db) -> Result<Scenario, Refusal> {
    ferrotitre_results::determinations::compared_here();
    if db.read(async |connection| accounts::any_account(connection).await).await? {
        return Err(Refusal::new(
            Code::StateConflict,
            "the demo scenario is loaded into an empty store only; this one has accounts",
        ));
    }
    let start = Utc::now().date_naive().and_time(chrono::NaiveTime::MIN).and_utc() - Duration::days(30);
    let people = people(db, (start - Duration::days(200)).date_naive()).await?;
    let listed: Vec<(String, String, &'static str)> = people
        .iter()
        .map(|person| {
            (
                person.user.code.clone(),
                person.password.clone(),
                person.user.roles.first().map_or("", |role| role.text()),
            )
        })
        .collect();
    let [analyst_1, analyst_2, trainee_1, manager_1, manager_2, ..] = people.as_slice() else {
        return Err(Refusal::new(Code::Internal, "the scenario lacks people"));
    };
    let lab = Lab {
        db,
        policy: Policy {
            late_after_minutes: 60 * 24 * 400,
            proxies: &[],
            throttle: Box::leak(Box::new(Throttle::new(10))),
            idle_minutes: 30,
        },
        start,
        analyst_1: analyst_1.clone(),
        analyst_2: analyst_2.clone(),
        trainee_1: trainee_1.clone(),
        manager_1: manager_1.clone(),
        manager_2: manager_2.clone(),
    };
    // A future holds everything it waits for; kept on the heap, their sum does not have to fit on one stack.
    let stock = Box::pin(stock::load(&lab)).await?;
    let specifications = Box::pin(specifications::load(&lab, &stock)).await?;
    let results = Box::pin(bench::load(&lab, &stock)).await?;
    Box::pin(specifications::later(&lab, &stock, &specifications)).await?;
    Box::pin(control::load(&lab, &stock)).await?;
    Box::pin(budgets::load(&lab, &stock)).await?;
    Box::pin(proficiency::load(&lab)).await?;
    Box::pin(validation::load(&lab, &stock)).await?;
    Box::pin(certificates::load(&lab, &stock, &results)).await?;
    Box::pin(planned::load(&lab, &stock)).await?;
    Ok(Scenario { accounts: listed, iron_result: results.iron_result, determination: results.determination })
}

/// Loads the scenario unless the store has accounts already.
///
/// # Errors
/// A store that cannot be reached.
pub async fn load_if_empty(db: &Db) -> Result<Option<Scenario>, Refusal> {
    if db.read(async |connection| accounts::any_account(connection).await).await? {
        return Ok(None);
    }
    load(db).await.map(Some)
}

/// The rules that the scenario's methods share; `changes` replace fields.
pub fn rules(changes: &Value) -> Value {
    let mut rules = json!({
        "acceptance": "concordance", "concordance_limit_ml": "0.10", "concordance_mode": "all accurate",
        "minimum_titres": 2, "give_up_after": 4, "central": "median",
        "sigma_r_ml": "0.03", "sigma_r_degrees_of_freedom": "24", "follow_up": "cheap",
        "correct_burette": true, "correct_temperature": true, "blank": "subtract",
        "end_point_u_ml": "0.01", "longest_standing_minutes": "5",
        "unit": "g/L", "expressed": "Fe", "ties": "half even", "coverage_factor": "2", "loq": "0.5",
        "validated_low": "1", "validated_high": "200"
    });
    if let (Some(rules), Some(changes)) = (rules.as_object_mut(), changes.as_object()) {
        for (field, value) in changes {
            rules.insert(field.clone(), value.clone());
        }
    }
    rules
}
