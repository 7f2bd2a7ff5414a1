//! A sample registered together with what is taken of it at once. Each part goes through the rules it goes through by itself, and
//! leaves the event it leaves by itself.

use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::versions::VersionView;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::samples::portions::{self, NewPortion, PortionView};
use crate::samples::samples::{self, SampleFacts};

/// Most test portions of one form.
pub const MOST: usize = 10;

/// A sample as it was received, and what is taken of it at once.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSampleWithPortions {
    /// The sample.
    pub sample: SampleFacts,
    /// Its test portions in the order in which they were taken; from 1 to 10.
    pub portions: Vec<NewPortion>,
}

/// A sample with its first test portions.
#[derive(Debug, Serialize, ToSchema)]
pub struct SampleWithPortions {
    /// The sample.
    pub sample: VersionView<SampleFacts>,
    /// Its test portions.
    pub portions: Vec<PortionView>,
}

impl Located for SampleWithPortions {
    fn location(&self) -> String {
        self.sample.location()
    }
}

/// Field of a portion by its place.
fn of(at: usize) -> String {
    format!("portions[{at}]")
}

impl NewSampleWithPortions {
    /// What is wrong with any part by itself, all of it at once.
    fn check(&self) -> Result<(), Refusal> {
        if !(1..=MOST).contains(&self.portions.len()) {
            let message = format!("name at least one and at most {MOST}");
            return Err(Refusal::invalid("portions", "count", message, self.portions.len()));
        }
        let sample = self.sample.check().map_err(|refusal| refusal.under("sample", |_| None));
        let portions = self.portions.iter().enumerate();
        let portions = portions.map(|(at, new)| new.check().map_err(|refusal| refusal.under(&of(at), |_| None)));
        let mut refused = std::iter::once(sample).chain(portions).filter_map(Result::err);
        let Some(mut first) = refused.next() else { return Ok(()) };
        for other in refused.filter(|other| other.code == Code::Invalid) {
            first.fields.extend(other.fields);
        }
        Err(first)
    }
}

/// Registers a sample and takes its first test portions.
///
/// # Errors
/// What any part refuses, with the part's name before the field; nothing is recorded then.
pub async fn record(db: &Db, act: &Act, new: NewSampleWithPortions) -> Result<Answer, Refusal> {
    new.check()?;
    db.write(act, async |connection| {
        let sample = samples::record_in(connection, act, new.sample).await;
        let sample = sample.map_err(|refusal| refusal.under("sample", |_| None))?;
        let mut taken = Vec::with_capacity(new.portions.len());
        for (at, portion) in new.portions.iter().enumerate() {
            let recorded = portions::record_in(connection, act, sample.id, portion).await;
            taken.push(recorded.map_err(|refusal| refusal.under(&of(at), |_| None))?);
        }
        Ok(SampleWithPortions { sample, portions: taken })
    })
    .await
}
