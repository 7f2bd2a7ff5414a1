//! Samples as received.

use std::collections::HashMap;

use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use ferrotitre_base::db::{Act, Connection, Db, Held, hold};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, FieldErrors, Refusal};
use ferrotitre_base::states::{self, NewMove};
use ferrotitre_base::web::answer::Answer;
use ferrotitre_base::web::decimal::{code, words};
use ferrotitre_base::web::versions::{Correction, VersionView, versioned};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::samples;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::impacts;

pub use versions::{list, read, record};

const KIND: EntityKind = EntityKind::Sample;

/// A sample.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema, Queryable, Selectable, Insertable)]
#[diesel(table_name = samples)]
#[serde(deny_unknown_fields)]
pub struct SampleFacts {
    /// Code on the label.
    #[schema(example = "S-2026-0101")]
    pub code: String,
    /// Client's reference.
    #[schema(example = "bath 3, morning")]
    pub client_reference: String,
    /// Description.
    pub description: String,
    /// Matrix.
    #[schema(example = "hydrochloric pickling bath")]
    pub matrix: String,
    /// When it was taken, if known.
    pub sampled_at: Option<DateTime<Utc>>,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// Condition on receipt.
    pub condition: String,
    /// Preservation: acidified, headspace, temperature.
    pub preservation: String,
    /// Container.
    pub container: String,
    /// Where it is stored.
    pub storage: String,
    /// Until when iron(II) may be titrated.
    pub iron2_deadline: Option<DateTime<Utc>>,
    /// Day until which it is kept.
    pub retained_until: NaiveDate,
}

impl SampleFacts {
    /// What is wrong with it by itself.
    pub fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        code(&mut errors, "code", &self.code);
        for (field, text) in [
            ("client_reference", &self.client_reference),
            ("description", &self.description),
            ("matrix", &self.matrix),
            ("condition", &self.condition),
            ("preservation", &self.preservation),
            ("container", &self.container),
            ("storage", &self.storage),
        ] {
            words(&mut errors, field, text);
        }
        let soon = Utc::now() + chrono::Duration::minutes(1);
        let message = "must not lie in the future";
        errors.require(
            self.received_at <= soon,
            "received_at",
            "not_in_the_future",
            message,
            self.received_at.to_rfc3339(),
        );
        if let Some(sampled) = self.sampled_at {
            errors.require(
                sampled <= self.received_at,
                "sampled_at",
                "order",
                "must not be after received_at",
                sampled.to_rfc3339(),
            );
        }
        errors.check()
    }
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "samples_code_once",
        code: Code::AlreadyExists,
        field: "code",
        detail: "there is a sample with this code",
    },
    ConstraintMeaning {
        constraint: "samples_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody corrected it at the same moment; read it again",
    },
];

versioned! {
    table: samples,
    id: SampleId,
    facts: SampleFacts,
    kind: super::KIND,
    path: "/api/v1/samples",
    meanings: super::MEANINGS,
    also: [every, record, record_all, read, list],
}

/// Registers a sample in a transaction that does more.
///
/// # Errors
/// Facts that break a rule; a code that is taken.
pub async fn record_in(
    connection: &Connection,
    act: &Act,
    facts: SampleFacts,
) -> Result<VersionView<SampleFacts>, Refusal> {
    let row = versions::insert(connection, &versions::first(act, facts)?).await?;
    Ok(row.view(KIND.first_state().to_owned()))
}

/// Corrects a sample. What is said of it on a certificate that went out is looked into.
///
/// # Errors
/// Another version than the present one; facts that break a rule.
pub async fn correct(
    db: &Db,
    act: &Act,
    sample: Uuid,
    if_match: Option<&str>,
    correction: Correction<SampleFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let present = versions::current(connection, sample).await?;
        let row = versions::insert(connection, &versions::next(act, &present, if_match, correction)?).await?;
        impacts::follow_up(connection, act, row.id.0).await?;
        let state = states::present(connection, KIND, sample).await?.state;
        Ok(row.view(state))
    })
    .await
}

/// What a sample is called, by us and by its client.
#[derive(Debug, Clone, Default)]
pub struct Told {
    pub code: String,
    pub client_reference: String,
}

/// What samples are called now, by their identity.
///
/// # Errors
/// A store that cannot be read.
pub async fn told(connection: &Connection, samples: &[Uuid]) -> Result<HashMap<Uuid, Told>, Refusal> {
    let versions = versions::every(connection, samples).await?;
    // The last version of each is its last row.
    let told = |row: versions::Row| {
        (row.record_id, Told { code: row.facts.code, client_reference: row.facts.client_reference })
    };
    Ok(versions.into_iter().map(told).collect())
}

/// The same for pages.
///
/// # Errors
/// A store that cannot be read.
pub async fn told_now(db: &Db, samples: &[Uuid]) -> Result<HashMap<Uuid, Told>, Refusal> {
    db.read(async |connection| told(connection, samples).await).await
}

/// Whether something can still be taken of a sample or done with what was taken.
///
/// # Errors
/// It was rejected on receipt, or it is gone.
pub async fn still_here(connection: &Connection, field: &str, sample: Uuid) -> Result<(), Refusal> {
    let state = states::present(connection, KIND, sample).await?.state;
    if !matches!(state.as_str(), "rejected on receipt" | "disposed") {
        return Ok(());
    }
    let code = versions::current(connection, sample).await?.facts.code;
    Err(Refusal::new(Code::StateConflict, format!("the sample {code} is {state}")).at(field, "still_here", code))
}

/// Moves a sample. What is kept until a day is not disposed of before it is over.
pub async fn advance(db: &Db, act: &Act, sample: Uuid, asked: NewMove) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        hold(connection, &[Held::Sample(sample)]).await?;
        let present = versions::current(connection, sample).await?;
        let kept = present.facts.retained_until;
        if asked.to == "disposed" && Utc::now().date_naive() <= kept {
            let detail =
                format!("{} is kept until {kept}: it is not disposed of before that day is over", present.facts.code);
            return Err(Refusal::new(Code::RuleBroken, detail).at("to", "retained_until", kept));
        }
        states::advance(connection, act, KIND, sample, &asked, None).await
    })
    .await
}
