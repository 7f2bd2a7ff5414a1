//! Many determinations at once, for long tables: what they rest on is read in a constant number of statements, whatever
//! their number, and evaluated as far as the result.

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, DecisionRuleId, DeterminationId, FactorId, MethodId, RunId, TitrantId};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::sign_offs;
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_bench::equipment::service::Shelf;
use ferrotitre_bench::methods::store::versions as methods;
use ferrotitre_bench::samples::portions;
use ferrotitre_bench::specifications::conformity::{self, Assigned, Judged, RuleVersion};
use ferrotitre_bench::titrants::store as titrants;
use ferrotitre_core::determination::{Brief, Detail, EvaluationError, Figure, Record, brief, content_digest, evaluate};
use uuid::Uuid;

use crate::determinations::compared;
use crate::determinations::evaluation::{ReportedView, TitreView, expressed};
use crate::determinations::measured::is_signed;
use crate::determinations::record::{KIND, titration_view};
use crate::determinations::sources::{Facts, Source};
use crate::determinations::store::{self, DeterminationRow, Filter, TitrationRow};
use crate::determinations::wire::TitrationView;
use crate::runs::blanks;

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
    methods: HashMap<MethodId, methods::Row>,
    portions: HashMap<Uuid, (portions::Row, Vec<portions::StepRow>)>,
    blanks: HashMap<RunId, blanks::OfRun>,
    titrations: HashMap<DeterminationId, Vec<TitrationRow>>,
    moves: Vec<StateMove>,
    judged: Vec<StateMove>,
    shelf: Shelf,
    factors: Vec<(titrants::FactorRow, titrants::TitrantRow)>,
    /// All factors of the lots with the time of recording; read where a method interpolates.
    of_lots: Vec<(titrants::FactorRow, DateTime<Utc>)>,
    /// When each was last signed by its author; read where a method interpolates.
    authored: HashMap<Uuid, DateTime<Utc>>,
    /// What the samples were ever given to be judged by.
    assigned: HashMap<Uuid, Vec<Assigned>>,
    /// Decision rules of the methods; read where a specification names none.
    rules: HashMap<DecisionRuleId, RuleVersion>,
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

/// Each once, in no order.
fn once<T: Eq + std::hash::Hash>(all: impl IntoIterator<Item = T>) -> Vec<T> {
    all.into_iter().collect::<HashSet<T>>().into_iter().collect()
}

/// Reads what these rest on.
pub async fn gathered(db: &Db, rows: Vec<DeterminationRow>) -> Result<Gathered, Refusal> {
    db.read(async |connection| of_rows(connection, rows.clone()).await).await
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
    let ids: Vec<DeterminationId> = rows.iter().map(|row| row.id).collect();
    let plain: Vec<Uuid> = ids.iter().map(|id| id.0).collect();
    let method_ids = once(rows.iter().map(|row| row.method_id));
    let runs = once(rows.iter().map(|row| row.run_id));
    let portion_ids = once(rows.iter().map(|row| row.portion_id));
    let samples = once(rows.iter().filter(|row| row.purpose == "sample").map(|row| row.sample_id));
    let (methods, portions, blanks, titrations, moves, assigned) = futures_util::try_join!(
        methods::several(connection, &method_ids),
        portions::currents(connection, &portion_ids),
        blanks::of_runs(connection, &runs),
        store::titrations_of(connection, &ids),
        states::moves_of(connection, &plain),
        conformity::of_samples(connection, &samples)
    )?;
    let vessels = once(vessels(&titrations, &portions, &blanks));
    let factor_ids: Vec<FactorId> =
        once(titrations.iter().flat_map(|row| [Some(row.factor_id), row.oxidant_factor_id]).flatten());
    let titration_ids: Vec<Uuid> = titrations.iter().map(|row| row.id.0).collect();
    let named = once(methods.iter().filter_map(|method| method.facts.rules.0.decision_rule));
    let (judged, shelf, factors, rules) = futures_util::try_join!(
        states::moves_of(connection, &titration_ids),
        Shelf::load(connection, &vessels),
        titrants::factors_by_id(connection, &factor_ids),
        conformity::rules_of_methods(connection, assigned.values().flatten(), &named)
    )?;
    let (mut of_lots, mut authored) = (Vec::new(), HashMap::new());
    if methods.iter().any(|method| method.facts.rules.0.interpolates()) {
        let lots: Vec<TitrantId> = once(factors.iter().map(|(_, lot)| lot.id));
        (of_lots, authored) = futures_util::try_join!(
            titrants::factors_with_times(connection, &lots),
            sign_offs::authored_at(connection, &plain)
        )?;
    }
    let mut of_each: HashMap<DeterminationId, Vec<TitrationRow>> = HashMap::with_capacity(rows.len());
    for titration in titrations {
        of_each.entry(titration.determination_id).or_default().push(titration);
    }
    Ok(Gathered {
        rows,
        methods: methods.into_iter().map(|method| (method.id, method)).collect(),
        portions,
        blanks,
        titrations: of_each,
        moves,
        judged,
        shelf,
        factors,
        of_lots,
        authored,
        assigned,
        rules: rules.into_iter().map(|rule| (rule.id, rule)).collect(),
    })
}

/// Equipment that any of them was made with.
fn vessels(
    titrations: &[TitrationRow],
    portions: &HashMap<Uuid, (portions::Row, Vec<portions::StepRow>)>,
    blanks: &HashMap<RunId, blanks::OfRun>,
) -> Vec<Uuid> {
    let mut all: Vec<Uuid> =
        titrations.iter().flat_map(|row| [Some(row.burette_id), row.oxidant_pipette_id]).flatten().collect();
    all.extend(blanks.values().flat_map(|(_, counted)| counted.iter().map(|(blank, _)| blank.burette_id)));
    for (portion, steps) in portions.values() {
        all.extend([portion.balance_id, portion.pipette_id, portion.aliquot_pipette_id].into_iter().flatten());
        all.extend(steps.iter().flat_map(|step| [step.pipette_id, Some(step.flask_id)]).flatten());
    }
    all
}

/// What many determinations share: sources of their records, lots of factors.
type Shared<'a> = (&'a Source<'a>, &'a [(FactorId, Uuid)]);

fn lacks(what: &str) -> Refusal {
    Refusal::new(Code::Internal, format!("a determination lacks its {what}"))
}

/// The present state, from the moves so far.
fn state(moves: &[StateMove]) -> &str {
    moves.last().map_or(KIND.first_state(), |step| step.to_state.as_str())
}

impl Gathered {
    /// Evaluates all of them, in order.
    ///
    /// # Errors
    /// A determination that cannot be evaluated at all, or a record that refers to nothing.
    pub fn evaluated(self) -> Result<Vec<Tabled>, Refusal> {
        self.each(Self::one)
    }

    /// Digests of their content.
    fn digests(self) -> Result<Vec<(Uuid, String)>, Refusal> {
        self.each(|gathered, row, own, moves, (source, _)| {
            let (record, ..) = gathered.record(&row, &own, moves, source)?;
            Ok((row.id.0, hex::encode(content_digest(&record))))
        })
    }

    fn each<T>(
        mut self,
        make: impl Fn(&Self, DeterminationRow, Vec<TitrationRow>, &[StateMove], Shared<'_>) -> Result<T, Refusal>,
    ) -> Result<Vec<T>, Refusal> {
        let rows = std::mem::take(&mut self.rows);
        let mut titrations = std::mem::take(&mut self.titrations);
        let source = Source::new(&self.shelf, &self.factors, &self.judged);
        let mut moves: HashMap<Uuid, &[StateMove]> = HashMap::new();
        for of_one in self.moves.chunk_by(|a, b| a.entity_id == b.entity_id) {
            moves.extend(of_one.first().map(|step| (step.entity_id, of_one)));
        }
        let lots: Vec<(FactorId, Uuid)> = self.factors.iter().map(|(factor, lot)| (factor.id, lot.id.0)).collect();
        let mut made = Vec::with_capacity(rows.len());
        for row in rows {
            let own = titrations.remove(&row.id).unwrap_or_default();
            let moves = moves.get(&row.id.0).copied().unwrap_or_default();
            made.push(make(&self, row, own, moves, (&source, &lots))?);
        }
        Ok(made)
    }

    /// The method it was made by.
    fn method(&self, row: &DeterminationRow) -> Result<&methods::Row, Refusal> {
        self.methods.get(&row.method_id).ok_or_else(|| lacks("method version"))
    }

    /// What core evaluates, and the states of its titrations.
    fn record(
        &self,
        row: &DeterminationRow,
        titrations: &[TitrationRow],
        moves: &[StateMove],
        source: &Source<'_>,
    ) -> Result<(Record, Vec<String>), Refusal> {
        let method = &self.method(row)?.facts;
        let (portion, steps) = self.portions.get(&row.portion_id).ok_or_else(|| lacks("test portion"))?;
        let blanks = self.blanks.get(&row.run_id).map_or(&[][..], |(_, counted)| counted.as_slice());
        let of_lots = method.rules.0.interpolates().then(|| self.factors_known(row.id, state(moves)));
        source.record(&Facts { id: row.id, method, portion, steps, blanks, titrations, of_lots: of_lots.as_deref() })
    }

    fn one(
        &self,
        row: DeterminationRow,
        titrations: Vec<TitrationRow>,
        moves: &[StateMove],
        (source, lots): Shared<'_>,
    ) -> Result<Tabled, Refusal> {
        let version = self.method(&row)?;
        let method = &version.facts;
        let (record, states) = self.record(&row, &titrations, moves, source)?;
        let reporting = record.rules.reporting;
        let of = brief(&record).map_err(not_evaluated)?;
        let conformity = self.conformity(&row, (version, &record), (state(moves), moves), &of)?;
        let Brief { titres, figure, reported, .. } = of;
        let views = titrations.into_iter().zip(states).map(|(row, state)| titration_view(row, state, lots));
        Ok(Tabled {
            id: row.id,
            code: row.code,
            method: row.method_id,
            method_code: method.code.clone(),
            analyte: method.analyte.clone(),
            run: row.run_id,
            sample: row.sample_id,
            purpose: row.purpose,
            state: state(moves).to_owned(),
            amendments: moves.iter().filter(|step| step.to_state == "amended").count(),
            unit: reporting.unit.symbol(),
            expressed: expressed(reporting.expressed),
            result: figure.map(|figure| (figure.value, figure.u)),
            reported: reported.map(ReportedView::from),
            conformity,
            titrations: views.zip(titres.into_iter().map(TitreView::from)).collect(),
        })
    }

    /// What the specifications of its sample say of it.
    fn conformity(
        &self,
        row: &DeterminationRow,
        (version, record): (&methods::Row, &Record),
        standing: (&str, &[StateMove]),
        of: &Brief,
    ) -> Result<Vec<Judged>, Refusal> {
        let assigned = self.assigned.get(&row.sample_id).filter(|_| row.purpose == "sample");
        let Some(assigned) = assigned else { return Ok(Vec::new()) };
        let reporting = record.rules.reporting;
        let (unit, as_what) = (reporting.unit.symbol(), expressed(reporting.expressed));
        let elsewhere = assigned.iter().map(|one| &one.specification.facts).any(|facts| {
            facts.analyte == version.facts.analyte && (facts.unit.as_str(), facts.expressed.as_str()) != (unit, as_what)
        });
        // Limits in another unit than the report's need the whole evaluation, which has them all.
        let figures: Vec<Figure> = if elsewhere {
            evaluate(record, Detail::Figures).map_err(not_evaluated)?.figures
        } else {
            of.figure.iter().cloned().collect()
        };
        let rule = version.facts.rules.0.decision_rule.and_then(|named| self.rules.get(&named));
        let result = (of.reported.as_ref(), as_what);
        let compared = compared::of_result((version, rule), standing, &of.progress, &figures, result);
        Ok(conformity::judged(assigned, &compared))
    }

    /// Factors that count for it: what was signed stays what it was.
    fn factors_known(&self, id: DeterminationId, state: &str) -> Vec<titrants::FactorRow> {
        let signed = self.authored.get(&id.0).filter(|_| is_signed(state));
        let known = self.of_lots.iter().filter(|(_, recorded)| signed.is_none_or(|signed| recorded <= signed));
        known.map(|(factor, _)| factor.clone()).collect()
    }
}
