//! Many determinations at once, for long tables: what they rest on is read in a constant number of statements, whatever
//! their number, and evaluated as far as the result.

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, DeterminationId, FactorId, MethodId, RunId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states::StateMove;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_bench::methods::store::versions as methods;
use ferrotitre_bench::specifications::conformity::{self, Judged};
use ferrotitre_core::determination::{
    Brief, Detail, EvaluationError, Figure, Record, ResultOutcome, brief, content_digest, evaluate,
};
use uuid::Uuid;

use crate::determinations::evaluation::{ReportedView, TitreView, expressed};
use crate::determinations::material::{Drawn, Material, gather};
use crate::determinations::record::titration_view;
use crate::determinations::sources::Source;
use crate::determinations::store::{self, DeterminationRow, Filter};
use crate::determinations::wire::TitrationView;
use crate::determinations::{compared, signed};

/// Which determinations are read, and from where on.
#[derive(Debug, Clone, Default)]
pub struct Selection {
    pub from: Option<DateTime<Utc>>,
    pub until: Option<DateTime<Utc>>,
    pub run: Option<Uuid>,
    pub method: Option<MethodId>,
    /// Who opened it or recorded a titration in it.
    pub recorded_by: Option<AccountId>,
}

/// A determination with its result and every version of every titration.
pub struct Tabled {
    pub id: DeterminationId,
    pub code: String,
    pub method: MethodId,
    pub method_code: String,
    pub analyte: String,
    pub run: RunId,
    pub sample: Uuid,
    pub purpose: String,
    pub state: String,
    /// incomplete, concordant, discordant or below zero.
    pub outcome: &'static str,
    /// How often it was amended.
    pub amendments: usize,
    /// Unit of the report.
    pub unit: &'static str,
    /// As what it is reported.
    pub expressed: &'static str,
    /// Unrounded result and its standard uncertainty, in the unit of the report.
    pub result: Option<(f64, f64)>,
    pub reported: Option<ReportedView>,
    /// What the specifications of its sample say of it now, by code, version and assignment.
    pub conformity: Vec<Judged>,
    pub titrations: Vec<(TitrationView, TitreView)>,
}

/// Determinations as read, with everything they rest on.
pub struct Gathered {
    rows: Vec<DeterminationRow>,
    material: Material,
}

/// Lists a page of determinations, newest first.
pub async fn page(
    db: &Db,
    wanted: &Selection,
    after: Option<Uuid>,
    limit: i64,
) -> Result<Page<DeterminationRow>, Refusal> {
    let listing = Listing { limit: None, after, from: wanted.from, until: wanted.until };
    db.read(async |connection| {
        let filter = Filter::of(&listing, wanted);
        let rows = store::list_determinations(connection, &filter, limit + 1).await?;
        Ok(Page::of(rows, limit, |row| row.id.0))
    })
    .await
}

fn not_evaluated(error: EvaluationError) -> Refusal {
    Refusal::new(Code::NotEnoughData, error.to_string()).because(error)
}

/// Reads what these rest on.
pub async fn gathered(db: &Db, rows: Vec<DeterminationRow>) -> Result<Gathered, Refusal> {
    db.snapshot(async |connection| of_rows(connection, rows.clone()).await).await
}

/// Determinations whose digests are made at once.
const DIGESTS_AT_ONCE: usize = 250;

/// Digests of what a signature on each would cover now.
pub async fn digests(connection: &Connection, ids: &[Uuid]) -> Result<HashMap<Uuid, String>, Refusal> {
    let mut digests = HashMap::with_capacity(ids.len());
    for ids in ids.chunks(DIGESTS_AT_ONCE) {
        let rows = store::determinations_by_id(connection, ids).await?;
        digests.extend(of_rows(connection, rows).await?.digests()?);
    }
    Ok(digests)
}

pub(super) async fn of_rows(connection: &Connection, rows: Vec<DeterminationRow>) -> Result<Gathered, Refusal> {
    let material = gather(connection, &rows).await?;
    Ok(Gathered { rows, material })
}

/// What many determinations share: sources of their records, lots of factors.
type Shared<'a, 'b> = (&'b Source<'a>, &'b [(FactorId, Uuid)]);

impl Gathered {
    /// Evaluates all of them, in order.
    ///
    /// # Errors
    /// A determination that cannot be evaluated at all, or a record that refers to nothing.
    pub fn evaluated(self) -> Result<Vec<Tabled>, Refusal> {
        self.each(Self::one)
    }

    /// The same as lists show them: without their titrations, and incomplete where one cannot be evaluated at all.
    ///
    /// # Errors
    /// A record that refers to nothing.
    pub(super) fn briefly(self) -> Result<Vec<Tabled>, Refusal> {
        self.each(|gathered, row, shared| match gathered.one(row, shared) {
            Err(refusal) if refusal.code == Code::NotEnoughData => gathered.nothing(row),
            tabled => tabled,
        })
    }

    /// Digests of their content.
    fn digests(self) -> Result<Vec<(Uuid, String)>, Refusal> {
        self.each(|gathered, row, (source, _)| {
            let sight = gathered.material.sight(row.id);
            let record = gathered.material.draw(row, &sight, source)?.record;
            Ok((row.id.0, hex::encode(content_digest(&record))))
        })
    }

    fn each<T>(
        &self,
        make: impl Fn(&Self, &DeterminationRow, Shared<'_, '_>) -> Result<T, Refusal>,
    ) -> Result<Vec<T>, Refusal> {
        let (source, lots) = (self.material.source(), self.material.lots());
        self.rows.iter().map(|row| make(self, row, (&source, &lots))).collect()
    }

    /// One of which nothing can be made.
    fn nothing(&self, row: &DeterminationRow) -> Result<Tabled, Refusal> {
        let method = &self.material.method(row)?.facts;
        Ok(Tabled {
            id: row.id,
            code: row.code.clone(),
            method: row.method_id,
            method_code: method.code.clone(),
            analyte: method.analyte.clone(),
            run: row.run_id,
            sample: row.sample_id,
            purpose: row.purpose.clone(),
            state: self.material.state(row.id).to_owned(),
            outcome: ResultOutcome::Incomplete.word(),
            amendments: 0,
            unit: "",
            expressed: "",
            result: None,
            reported: None,
            conformity: Vec::new(),
            titrations: Vec::new(),
        })
    }

    fn one(&self, row: &DeterminationRow, (source, lots): Shared<'_, '_>) -> Result<Tabled, Refusal> {
        let material = &self.material;
        let version = material.method(row)?;
        let method = &version.facts;
        let (state, moves) = (material.state(row.id), material.moves(row.id));
        let Drawn { record, titrations, .. } = material.draw(row, &material.sight(row.id), source)?;
        let reporting = record.rules.reporting;
        let mut of = brief(&record).map_err(not_evaluated)?;
        if let Some(kept) = material.standing(row.id).and_then(|standing| standing.evaluation.as_deref()) {
            signed::keep_brief(kept, &reporting, &mut of)?;
        }
        let conformity = judged(material, row, (version, &record), (state, moves), &of)?;
        let Brief { outcome, titres, figure, reported, .. } = of;
        let views = titrations.into_iter().map(|(row, state)| titration_view(row.clone(), state, lots));
        Ok(Tabled {
            id: row.id,
            code: row.code.clone(),
            method: row.method_id,
            method_code: method.code.clone(),
            analyte: method.analyte.clone(),
            run: row.run_id,
            sample: row.sample_id,
            purpose: row.purpose.clone(),
            state: state.to_owned(),
            outcome: outcome.word(),
            amendments: moves.iter().filter(|step| step.to_state == "amended").count(),
            unit: reporting.unit.symbol(),
            expressed: expressed(reporting.expressed),
            result: figure.map(|figure| (figure.value, figure.u)),
            reported: reported.map(ReportedView::from),
            conformity,
            titrations: views.zip(titres.into_iter().map(TitreView::from)).collect(),
        })
    }
}

/// Whether limits in another unit than the report's need the whole evaluation, which has them all.
fn needs_everything(material: &Material, row: &DeterminationRow, (analyte, unit, as_what): (&str, &str, &str)) -> bool {
    material
        .assigned(row)
        .iter()
        .map(|one| &one.specification.facts)
        .any(|facts| facts.analyte == analyte && (facts.unit.as_str(), facts.expressed.as_str()) != (unit, as_what))
}

/// What the specifications of its sample say of a determination.
pub(super) fn judged(
    material: &Material,
    row: &DeterminationRow,
    (version, record): (&methods::Row, &Record),
    standing: (&str, &[StateMove]),
    of: &Brief,
) -> Result<Vec<Judged>, Refusal> {
    let assigned = material.assigned(row);
    if assigned.is_empty() {
        return Ok(Vec::new());
    }
    let reporting = record.rules.reporting;
    let (unit, as_what) = (reporting.unit.symbol(), expressed(reporting.expressed));
    let everything = needs_everything(material, row, (&version.facts.analyte, unit, as_what));
    let figures: Vec<Figure> = if everything {
        evaluate(record, Detail::Figures).map_err(not_evaluated)?.figures
    } else {
        of.figure.iter().cloned().collect()
    };
    let rule = material.rule(version);
    let result = (of.reported.as_ref(), as_what);
    let compared = compared::of_result((version, rule), standing, &of.progress, &figures, result);
    Ok(conformity::judged(assigned, &compared))
}
