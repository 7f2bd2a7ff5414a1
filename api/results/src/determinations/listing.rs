//! Lists of determinations: what was asked for, each line with its result, its sample and who began it, put in order.

use std::cmp::Ordering;
use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, MethodId};
use ferrotitre_base::labels;
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::paging::{self, Listing, Page};
use ferrotitre_bench::samples::samples::{self, Told};
use ferrotitre_core::lifecycle::EntityKind;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

use crate::determinations::bulk::{self, Tabled};
use crate::determinations::evaluation::ReportedView;
use crate::determinations::record::KIND;
use crate::determinations::store::{self, DeterminationRow};

/// A line of the list of determinations.
#[derive(Debug, Serialize, ToSchema)]
pub struct DeterminationLine {
    /// Identity.
    pub id: Uuid,
    /// Code.
    pub code: String,
    /// Run.
    pub run: Uuid,
    /// Method version.
    pub method: MethodId,
    /// Code of the method.
    #[schema(example = "FE2-DICHROMATE")]
    pub method_code: String,
    /// Analyte of the method.
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// Sample.
    pub sample: Uuid,
    /// Code of the sample.
    pub sample_code: String,
    /// Client's reference of the sample.
    pub client_reference: String,
    /// sample or control.
    pub purpose: String,
    /// Present state.
    pub state: String,
    /// incomplete, concordant, discordant or below zero, by what is recorded or was signed.
    #[schema(example = "concordant")]
    pub outcome: &'static str,
    /// The result as reported or as it would be; absent until the titres give one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reported: Option<ReportedView>,
    /// What the specifications of the sample say of it, as of now.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub conformity: Vec<StatementLine>,
    /// Who began it, as printed.
    pub analyst: String,
    /// Account of who began it.
    pub recorded_by: AccountId,
    /// When it began.
    pub observed_at: DateTime<Utc>,
    /// Server time of recording.
    pub recorded_at: DateTime<Utc>,
}

/// What a specification says of a result, without the words about it.
#[derive(Debug, Serialize, ToSchema)]
pub struct StatementLine {
    /// Code of the specification.
    pub specification: String,
    /// As in a statement of conformity.
    pub outcome: &'static str,
}

/// Which determinations, and how they stand in the page.
#[derive(Debug, Default, Clone, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DeterminationListing {
    /// How many at most, 1 to 200; 50 if not given.
    #[param(minimum = 1, maximum = 200)]
    pub limit: Option<i64>,
    /// Cursor from `next` of the page before.
    pub after: Option<Uuid>,
    /// Only recorded at or after this time.
    pub from: Option<DateTime<Utc>>,
    /// Only recorded before this time.
    pub until: Option<DateTime<Utc>>,
    /// Only of this run.
    pub run: Option<Uuid>,
    /// Only of this sample.
    pub sample: Option<Uuid>,
    /// Only in this state now.
    #[param(example = "approved")]
    pub state: Option<String>,
    /// Only by the method of this code, in whatever version.
    #[param(example = "FE2-DICHROMATE")]
    pub method: Option<String>,
    /// Only begun by whose sign-in name or printed name begins with this, in whatever case.
    pub analyst: Option<String>,
    /// Only sample or control.
    #[param(example = "sample")]
    pub purpose: Option<String>,
    /// Only of samples whose code or client's reference begins with this, in whatever case.
    #[param(example = "S-2026")]
    pub of: Option<String>,
    /// Order within the page: begun, code, sample, client, method, analyst, state or result, the largest first with a minus
    /// before it. Without it the newest is first. Results are compared within their unit.
    #[param(example = "-result")]
    pub sort: Option<String>,
}

impl DeterminationListing {
    /// The part that all lists have.
    pub(super) fn window(&self) -> Listing {
        Listing { limit: self.limit, after: self.after, from: self.from, until: self.until }
    }

    /// What is wrong with what was asked for.
    fn check(&self) -> Result<(), Refusal> {
        let mut errors = FieldErrors::default();
        if let Some(state) = &self.state {
            let known = KIND.states();
            let message = format!("must be one of {}", known.join(", "));
            errors.require(known.contains(&state.as_str()), "state", "one_of", message, state);
        }
        if let Some(purpose) = &self.purpose {
            let known = matches!(purpose.as_str(), "sample" | "control");
            errors.require(known, "purpose", "one_of", "must be sample or control", purpose);
        }
        errors.check()
    }

    /// Nothing but a state is asked for, of which there is an index of its own.
    fn by_state_only(&self) -> bool {
        self.from.is_none()
            && self.until.is_none()
            && self.run.is_none()
            && self.sample.is_none()
            && self.method.is_none()
            && self.analyst.is_none()
            && self.purpose.is_none()
            && self.of.is_none()
    }
}

/// By what lines can be put in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    Begun,
    Code,
    Sample,
    Client,
    Method,
    Analyst,
    State,
    Result,
}

impl By {
    const ALL: [(&'static str, Self); 8] = [
        ("begun", Self::Begun),
        ("code", Self::Code),
        ("sample", Self::Sample),
        ("client", Self::Client),
        ("method", Self::Method),
        ("analyst", Self::Analyst),
        ("state", Self::State),
        ("result", Self::Result),
    ];

    fn compare(self, one: &Valued, other: &Valued) -> Ordering {
        let (a, b) = (&one.line, &other.line);
        match self {
            Self::Begun => a.observed_at.cmp(&b.observed_at),
            Self::Code => a.code.cmp(&b.code),
            Self::Sample => a.sample_code.cmp(&b.sample_code),
            Self::Client => a.client_reference.cmp(&b.client_reference),
            Self::Method => (&a.method_code, &a.analyte).cmp(&(&b.method_code, &b.analyte)),
            Self::Analyst => a.analyst.cmp(&b.analyst),
            Self::State => a.state.cmp(&b.state),
            Self::Result => {
                one.unit.cmp(other.unit).then_with(|| one.value.unwrap_or(0.0).total_cmp(&other.value.unwrap_or(0.0)))
            }
        }
    }
}

/// A line with its result unrounded, by which it is put in order.
struct Valued {
    line: DeterminationLine,
    unit: &'static str,
    value: Option<f64>,
}

/// Puts lines in order; what has no result stands last in either direction.
fn put_in_order(lines: &mut [Valued], (by, largest_first): (By, bool)) {
    lines.sort_by(|one, other| {
        let without = |of: &Valued| by == By::Result && of.value.is_none();
        let order = by.compare(one, other);
        without(one).cmp(&without(other)).then(if largest_first { order.reverse() } else { order })
    });
}

/// Lists determinations, newest first or in the order asked for.
pub async fn list(db: &Db, asked: &DeterminationListing) -> Result<Page<DeterminationLine>, Refusal> {
    let limit = asked.window().limit()?;
    let order = asked.sort.as_deref().map(|sort| paging::order(sort, &By::ALL)).transpose()?;
    asked.check()?;
    db.read(async |connection| {
        let rows = match asked.state.as_deref().filter(|_| asked.by_state_only()) {
            Some(state) => {
                let ids = states::in_state(connection, KIND, state, (asked.window().before(), limit + 1)).await?;
                store::determinations_by_id(connection, &ids).await?
            }
            None => store::listing::rows(connection, asked, None, limit + 1).await?,
        };
        let page = Page::of(rows, limit, |row| row.id.0);
        let mut lines = valued(connection, page.items).await?;
        if let Some(order) = order {
            put_in_order(&mut lines, order);
        }
        Ok(Page { items: lines.into_iter().map(|of| of.line).collect(), next: page.next })
    })
    .await
}

/// Lines that are read at once for a file.
const AT_ONCE: i64 = 200;

/// Hands out everything that fits, newest first, some lines at a time; only what an account opened or titrated, where one is given.
pub async fn whole(
    db: &Db,
    asked: &DeterminationListing,
    own: Option<AccountId>,
    take: impl Fn(&[DeterminationLine]) -> Result<(), Refusal>,
) -> Result<(), Refusal> {
    asked.check()?;
    let mut asked = asked.clone();
    loop {
        let page = db
            .read(async |connection| {
                let rows = store::listing::rows(connection, &asked, own, AT_ONCE + 1).await?;
                let page = Page::of(rows, AT_ONCE, |row| row.id.0);
                Ok(Page { items: valued(connection, page.items).await?, next: page.next })
            })
            .await?;
        let lines: Vec<DeterminationLine> = page.items.into_iter().map(|of| of.line).collect();
        take(&lines)?;
        match page.next {
            Some(next) => asked.after = Some(next),
            None => return Ok(()),
        }
    }
}

/// Determinations that are in a state now, newest first.
pub async fn in_state(db: &Db, state: &str, window: (Uuid, i64)) -> Result<Page<DeterminationLine>, Refusal> {
    db.read(async |connection| {
        let ids = states::in_state(connection, KIND, state, (window.0, window.1 + 1)).await?;
        let page = Page::of(ids, window.1, |id| *id);
        Ok(Page { items: lines(connection, &page.items).await?, next: page.next })
    })
    .await
}

/// Determinations by their identities, newest first.
pub async fn these(db: &Db, ids: &[Uuid]) -> Result<Vec<DeterminationLine>, Refusal> {
    db.read(async |connection| lines(connection, ids).await).await
}

async fn lines(connection: &Connection, ids: &[Uuid]) -> Result<Vec<DeterminationLine>, Refusal> {
    let rows = store::determinations_by_id(connection, ids).await?;
    Ok(valued(connection, rows).await?.into_iter().map(|of| of.line).collect())
}

/// Lines of rows, in a constant number of statements, whatever their number.
async fn valued(connection: &Connection, rows: Vec<DeterminationRow>) -> Result<Vec<Valued>, Refusal> {
    let samples: Vec<Uuid> = rows.iter().map(|row| row.sample_id).collect();
    let people: Vec<Uuid> = rows.iter().map(|row| row.recorded_by.0).collect();
    let (told, names, tabled) = futures_util::try_join!(
        samples::told(connection, &samples),
        labels::on(connection, EntityKind::Account, &people),
        async { bulk::of_rows(connection, rows.clone()).await?.briefly() },
    )?;
    Ok(rows.into_iter().zip(tabled).map(|(row, tabled)| Valued::of(row, tabled, (&told, &names))).collect())
}

impl Valued {
    fn of(
        row: DeterminationRow,
        tabled: Tabled,
        (told, names): (&HashMap<Uuid, Told>, &HashMap<Uuid, String>),
    ) -> Self {
        let sample = told.get(&row.sample_id).cloned().unwrap_or_default();
        let said =
            tabled.conformity.into_iter().map(|one| StatementLine { specification: one.code, outcome: one.outcome });
        Self {
            unit: tabled.unit,
            value: tabled.result.map(|(value, _)| value),
            line: DeterminationLine {
                id: row.id.0,
                code: row.code,
                run: row.run_id.0,
                method: row.method_id,
                method_code: tabled.method_code,
                analyte: tabled.analyte,
                sample: row.sample_id,
                sample_code: sample.code,
                client_reference: sample.client_reference,
                purpose: row.purpose,
                state: tabled.state,
                outcome: tabled.outcome,
                reported: tabled.reported,
                conformity: said.collect(),
                analyst: names.get(&row.recorded_by.0).cloned().unwrap_or_default(),
                recorded_by: row.recorded_by,
                observed_at: row.observed_at,
                recorded_at: row.recorded_at,
            },
        }
    }
}
