//! What waits to be titrated by the methods in force: test portions that no run has yet, and the controls that the plans ask for.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_bench::methods::service as methods;
use ferrotitre_bench::methods::store::MethodFacts;
use ferrotitre_bench::samples::portions::{self, NewPortion};
use ferrotitre_bench::samples::samples::{self, SampleFacts};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_ledger::accounts::store::competences;
use uuid::Uuid;

use crate::control_charts::store::{charts, plans};
use crate::control_materials;
use crate::determinations::store as determinations;

/// So many of the newest test portions of the laboratory are looked through.
pub const LOOKED_THROUGH: i64 = 300;
/// Newest portions of a control material that are looked at.
const OF_A_CONTROL: i64 = 20;
/// Samples received in so many days are proposed, older ones offered; common practice, no source.
const FRESH_DAYS: i64 = 7;

/// What waits for one method.
pub struct Due {
    pub method: VersionView<MethodFacts>,
    /// Whether the person who asks is authorised for it today.
    pub able: bool,
    /// Controls first, then samples: what keeps shortest first, then the oldest.
    pub portions: Vec<DuePortion>,
    /// Control materials that the plan asks for and of which no portion is left.
    pub lacks: Vec<Lack>,
}

/// A control of which a portion must be taken.
pub struct Lack {
    /// Code of its sample.
    pub code: String,
    pub sample: Uuid,
    /// The portion whose vessels can be taken again: the last of the control, or one that waits by the same method.
    pub like: Option<Like>,
}

/// A portion that was taken by volume.
pub struct Like {
    pub portion: Uuid,
    /// Code of the sample and number of the portion.
    pub code: String,
    /// Codes of its vessels in their order.
    pub vessels: String,
}

/// A test portion that could be titrated.
#[derive(Debug, Clone)]
pub struct DuePortion {
    pub portion: Uuid,
    pub sample: Uuid,
    /// Code of the sample and number of the portion.
    pub code: String,
    /// sample or control.
    pub purpose: &'static str,
    pub client_reference: String,
    /// Until when iron(II) may be titrated.
    pub deadline: Option<DateTime<Utc>>,
    /// Whether it is proposed.
    pub proposed: bool,
}

/// Test portions with what was made of them.
struct Shelf {
    /// Oldest first: portion and sample.
    portions: Vec<(Uuid, Uuid)>,
    numbers: HashMap<Uuid, i64>,
    /// Clients' samples that can still be titrated.
    samples: HashMap<Uuid, SampleFacts>,
    /// Method versions by which a portion was determined, in a run that stands.
    made: HashMap<Uuid, Vec<MethodId>>,
}

/// Method versions by which portions were determined; what was invalidated or is in a rejected run does not count.
async fn made_of(connection: &Connection, portions: &[Uuid]) -> Result<HashMap<Uuid, Vec<MethodId>>, Refusal> {
    let rows = determinations::of_portions(connection, portions).await?;
    let (ids, runs): (Vec<Uuid>, Vec<Uuid>) = rows.iter().map(|row| (row.id.0, row.run_id.0)).unzip();
    let own = states::present_many(connection, EntityKind::Determination, &ids).await?;
    let runs = states::present_many(connection, EntityKind::Run, &runs).await?;
    let mut made: HashMap<Uuid, Vec<MethodId>> = HashMap::new();
    for row in rows {
        let is = |known: &HashMap<Uuid, String>, id: Uuid, state: &str| known.get(&id).is_some_and(|one| one == state);
        if !is(&own, row.id.0, "invalidated") && !is(&runs, row.run_id.0, "rejected") {
            made.entry(row.portion_id).or_default().push(row.method_id);
        }
    }
    Ok(made)
}

impl Shelf {
    async fn of(connection: &Connection) -> Result<Self, Refusal> {
        let mut found = portions::newest(connection, LOOKED_THROUGH).await?;
        found.reverse();
        let mut ids: Vec<Uuid> = found.iter().map(|(_, sample)| *sample).collect();
        ids.sort_unstable();
        ids.dedup();
        let controls = control_materials::store::among(connection, &ids).await?;
        let over = |state: &str| matches!(state, "rejected on receipt" | "reported" | "archived" | "disposed");
        let known = states::present_many(connection, EntityKind::Sample, &ids).await?;
        ids.retain(|id| !controls.contains(id) && !known.get(id).is_some_and(|state| over(state)));
        let versions = samples::versions::every(connection, &ids).await?;
        // The last version of each is the present one.
        let samples: HashMap<Uuid, SampleFacts> = versions.into_iter().map(|row| (row.record_id, row.facts)).collect();
        found.retain(|(_, sample)| samples.contains_key(sample));
        let of: Vec<Uuid> = found.iter().map(|(portion, _)| *portion).collect();
        let numbers = portions::numbers_in(connection, &ids).await?;
        Ok(Self { made: made_of(connection, &of).await?, portions: found, numbers, samples })
    }

    fn made(&self, portion: Uuid, versions: &[MethodId]) -> bool {
        self.made.get(&portion).is_some_and(|made| made.iter().any(|one| versions.contains(one)))
    }

    /// Samples of the method's matrix, and the one that is asked for; so many of them in duplicate. Of several methods for the same one
    /// proposes, what none of them has determined.
    fn waiting(&self, method: &MethodFacts, versions: &[MethodId], asked: &Asked) -> Vec<DuePortion> {
        let determined: HashSet<Uuid> = self
            .portions
            .iter()
            .filter(|(portion, _)| self.made(*portion, &asked.alike))
            .map(|(_, sample)| *sample)
            .collect();
        let (mut seen, mut twice) = (HashSet::new(), asked.duplicates);
        let mut waiting = Vec::new();
        for &(portion, sample) in self.portions.iter().filter(|(portion, _)| !self.made(*portion, versions)) {
            let Some(facts) = self.samples.get(&sample) else { continue };
            let same = facts.matrix.trim().eq_ignore_ascii_case(method.matrix.trim());
            if !(same || asked.sample == Some(sample)) {
                continue;
            }
            let deadline = facts.iron2_deadline.filter(|_| method.analyte == "iron(II)");
            let wanted = match asked.sample {
                Some(asked) => asked == sample,
                None => facts.received_at > Utc::now() - Duration::days(FRESH_DAYS),
            };
            let in_time = deadline.is_none_or(|until| until > Utc::now());
            let first = seen.insert(sample) && !determined.contains(&sample);
            let second = !first && twice > 0;
            let proposed = asked.taken && same && wanted && in_time && (first || second);
            twice -= i32::from(proposed && !first);
            waiting.push(DuePortion {
                portion,
                sample,
                code: format!("{}/{}", facts.code, self.numbers.get(&portion).unwrap_or(&0)),
                purpose: "sample",
                client_reference: facts.client_reference.clone(),
                deadline,
                proposed,
            });
        }
        waiting.sort_by_key(|one| (one.deadline.is_none(), one.deadline));
        waiting
    }
}

/// What else decides on what is proposed.
struct Asked {
    /// Only this one.
    sample: Option<Uuid>,
    /// So many samples in duplicate.
    duplicates: i32,
    /// Whether the method is the one that is taken among those for the same.
    taken: bool,
    /// Versions of all of those.
    alike: Vec<MethodId>,
}

/// The first of these that was taken by volume.
async fn like(connection: &Connection, candidates: &[Uuid]) -> Result<Option<Like>, Refusal> {
    for &portion in candidates {
        let (row, steps) = portions::current(connection, portion).await?;
        let Some(same) = NewPortion::like(&row, &steps, row.observed_at) else { continue };
        let vessels = same.vessels();
        let codes = labels::on(connection, EntityKind::Equipment, &vessels).await?;
        let vessels: Vec<&str> = vessels.iter().filter_map(|id| codes.get(id).map(String::as_str)).collect();
        let sample = samples::versions::current(connection, row.sample_id).await?.facts.code;
        let numbers = portions::numbers_in(connection, &[row.sample_id]).await?;
        let code = format!("{sample}/{}", numbers.get(&portion).unwrap_or(&0));
        return Ok(Some(Like { portion, code, vessels: vessels.join(", ") }));
    }
    Ok(None)
}

/// Portions of the control materials of a plan, as many as it asks for; and of which there are not enough, with the portion to be taken
/// like that of `waiting`, where there is none of the control.
async fn controls(
    connection: &Connection,
    plan: &plans::QcPlanFacts,
    versions: &[MethodId],
    waiting: Option<Uuid>,
) -> Result<(Vec<DuePortion>, Vec<Lack>), Refusal> {
    let ids: Vec<Uuid> = plan.charts.0.iter().map(|planned| planned.chart).collect();
    let charts = charts::many(connection, &ids).await?;
    let mut wanted: Vec<(Uuid, u32)> = Vec::new();
    for planned in plan.charts.0.iter().filter(|planned| planned.values > 0) {
        let chart = charts.iter().find(|chart| chart.id.0 == planned.chart);
        let Some(material) = chart.and_then(|chart| chart.material_id) else { continue };
        match wanted.iter_mut().find(|(other, _)| *other == material) {
            Some((_, values)) => *values = (*values).max(planned.values),
            None => wanted.push((material, planned.values)),
        }
    }
    let (mut found, mut lacks) = (Vec::new(), Vec::new());
    for (material, values) in wanted {
        let lot = control_materials::service::present(connection, "material", material).await?;
        let usable =
            matches!(lot.state.as_str(), "released" | "in use") && lot.facts.expires_on >= Utc::now().date_naive();
        let Some(sample) = lot.facts.sample.filter(|_| usable) else { continue };
        let newest = portions::newest_of(connection, sample, OF_A_CONTROL).await?;
        let made = made_of(connection, &newest).await?;
        let numbers = portions::numbers_in(connection, &[sample]).await?;
        let code = samples::versions::current(connection, sample).await?.facts.code;
        let free =
            |portion: &&Uuid| !made.get(*portion).is_some_and(|made| made.iter().any(|of| versions.contains(of)));
        let wanted = usize::try_from(values).unwrap_or(0);
        let free: Vec<Uuid> = newest.iter().filter(free).copied().collect();
        if free.len() < wanted {
            let candidates: Vec<Uuid> = newest.first().copied().into_iter().chain(waiting).collect();
            lacks.push(Lack { code: code.clone(), sample, like: like(connection, &candidates).await? });
        }
        found.extend(free.into_iter().enumerate().map(|(at, portion)| DuePortion {
            portion,
            sample,
            code: format!("{code}/{}", numbers.get(&portion).unwrap_or(&0)),
            purpose: "control",
            client_reference: lot.facts.description.clone(),
            deadline: None,
            proposed: at < wanted,
        }));
    }
    Ok((found, lacks))
}

/// Whether a sample is a client's of which something was taken.
///
/// # Errors
/// A store that cannot be reached.
pub async fn can_begin(db: &Db, sample: Uuid) -> Result<bool, Refusal> {
    db.read(async |connection| {
        let control = !control_materials::store::among(connection, &[sample]).await?.is_empty();
        Ok(!control && !portions::newest_of(connection, sample, 1).await?.is_empty())
    })
    .await
}

/// A method in force, and what decides on whether it proposes.
struct Candidate<'a> {
    method: &'a VersionView<MethodFacts>,
    versions: Vec<MethodId>,
    plan: Option<plans::QcPlanFacts>,
    able: bool,
}

impl<'a> Candidate<'a> {
    async fn of(
        connection: &Connection,
        user: &CurrentUser,
        method: &'a VersionView<MethodFacts>,
    ) -> Result<Self, Refusal> {
        let versions = methods::version_ids(connection, method.id).await?;
        let plan = plans::of_method(connection, MethodId(method.version_id)).await?.map(|plan| plan.facts);
        let today = Utc::now().date_naive();
        let able = competences::competent(connection, user.account, &method.facts.code, today).await?;
        Ok(Self { method, versions, plan, able })
    }

    /// What the method is for.
    fn purpose(&self) -> (&str, String) {
        (&self.method.facts.analyte, self.method.facts.matrix.trim().to_lowercase())
    }

    /// Smaller for the one that is taken among several for the same: one that this person may use, one that has a plan.
    fn rank(&self) -> (bool, bool, &str) {
        (!self.able, self.plan.is_none(), &self.method.facts.code)
    }

    /// What waits for it among all that are in force.
    async fn due(
        &self,
        connection: &Connection,
        (shelf, all): (&Shelf, &[Self]),
        sample: Option<Uuid>,
    ) -> Result<(Vec<DuePortion>, Vec<Lack>), Refusal> {
        let alike: Vec<&Self> = all.iter().filter(|other| other.purpose() == self.purpose()).collect();
        let asked = Asked {
            sample,
            duplicates: self.plan.as_ref().map_or(0, |plan| plan.duplicates),
            taken: self.able && alike.iter().all(|other| self.rank() <= other.rank()),
            alike: alike.iter().flat_map(|other| other.versions.iter().copied()).collect(),
        };
        let waiting = shelf.waiting(&self.method.facts, &self.versions, &asked);
        if waiting.is_empty() {
            return Ok((waiting, Vec::new()));
        }
        let (mut found, lacks) = match &self.plan {
            Some(plan) => {
                let first = waiting.iter().find(|one| one.proposed).or(waiting.first()).map(|one| one.portion);
                controls(connection, plan, &self.versions, first).await?
            }
            None => Default::default(),
        };
        // A control alone is no reason to begin.
        let begins = waiting.iter().any(|one| one.proposed);
        found.extend(waiting);
        for one in &mut found {
            one.proposed &= begins;
        }
        Ok((found, lacks))
    }
}

/// What waits, by method in force; those for which nothing waits are left out. What is asked for is one sample, if any.
///
/// # Errors
/// A store that cannot be reached.
pub async fn of(db: &Db, user: &CurrentUser, sample: Option<Uuid>) -> Result<Vec<Due>, Refusal> {
    let mut methods = methods::in_force(db).await?;
    methods.sort_by(|one, other| one.facts.code.cmp(&other.facts.code));
    let found = db
        .read(async |connection| {
            let shelf = Shelf::of(connection).await?;
            let mut all = Vec::with_capacity(methods.len());
            for method in &methods {
                all.push(Candidate::of(connection, user, method).await?);
            }
            let mut found = Vec::with_capacity(all.len());
            for one in &all {
                let (portions, lacks) = one.due(connection, (&shelf, &all), sample).await?;
                found.push((one.able, portions, lacks));
            }
            Ok(found)
        })
        .await?;
    let due = methods.into_iter().zip(found).filter(|(_, (_, portions, _))| !portions.is_empty());
    Ok(due.map(|(method, (able, portions, lacks))| Due { method, able, portions, lacks }).collect())
}
