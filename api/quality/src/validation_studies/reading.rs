//! What a study is read as: its plan, its data, its answers.

mod rows;

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use chrono::{DateTime, Utc};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, ValidationAmendmentId, ValidationCharacteristicId, ValidationDatumId};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::sign_offs;
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::paging::{Listing, Page};
use ferrotitre_results::determinations::{bulk, iron_results};
use futures_util::future::try_join_all;
use futures_util::{StreamExt as _, TryStreamExt as _, stream};
use uuid::Uuid;

use crate::validation_studies::answer::{
    Amendment, CharacteristicAnswer, Column, Criterion, Excluded, InputRow, InputTable, Source, StudyAnswers,
    WithEverything,
};
use crate::validation_studies::conclusions;
use crate::validation_studies::data::{self, Labels};
use crate::validation_studies::kinds::{Kind, Label, Limit};
use crate::validation_studies::plan::{self, STUDY};
use crate::validation_studies::statistics::{Found, Point, Question, study};
use crate::validation_studies::store::{
    self, AmendmentRow, CharacteristicRow, DatumRow, ExclusionRow, IronDatumRow, StudyRow,
};
use crate::validation_studies::wire::{CharacteristicView, PlanningHelp, StudyView};

/// Data that are read at once. Of a whole study only what statistics need is held: numbers, places in the design.
pub(super) const AT_ONCE: i64 = 1000;

/// Characteristics with everything their answers rest on.
pub(super) struct Loaded {
    pub(super) plan: Vec<CharacteristicRow>,
    amendments: Vec<AmendmentRow>,
    /// What a signature on each amendment covers.
    digests: HashMap<ValidationAmendmentId, String>,
    data: HashMap<ValidationCharacteristicId, Gathered>,
    /// The last of each datum.
    exclusions: HashMap<ValidationDatumId, ExclusionRow>,
    moves: Vec<StateMove>,
    /// Printed names of who signed, by what was signed.
    signers: HashMap<Uuid, String>,
    /// Iron results that gave data.
    iron: HashMap<ValidationDatumId, IronDatumRow>,
}

/// What is held of the data of a characteristic.
#[derive(Default)]
struct Gathered {
    points: Vec<Point>,
    exclusions: Vec<ExclusionRow>,
    recorders: HashSet<AccountId>,
    /// Determinations that gave data.
    determinations: HashSet<Uuid>,
    /// When each datum was recorded.
    recorded: HashMap<ValidationDatumId, DateTime<Utc>>,
    /// Data whose determination has another content now.
    changed: HashSet<ValidationDatumId>,
}

/// Reads the data of a characteristic page by page.
async fn gather(
    connection: &Connection,
    id: ValidationCharacteristicId,
    iron: &HashMap<ValidationDatumId, IronDatumRow>,
) -> Result<Gathered, Refusal> {
    let mut gathered = Gathered::default();
    let mut known: HashMap<String, Arc<Labels>> = HashMap::new();
    loop {
        let after = gathered.points.last().map_or(0, |point| point.position);
        let page = store::data_between(connection, id, (after, i32::MAX), AT_ONCE).await?;
        let ids: Vec<ValidationDatumId> = page.iter().map(|datum| datum.id).collect();
        let (changed, exclusions) =
            futures_util::try_join!(changed(connection, &page, iron), store::exclusions(connection, &ids))?;
        gathered.changed.extend(changed);
        gathered.exclusions.extend(exclusions);
        let whole = page.len() as i64 == AT_ONCE;
        for datum in page {
            gathered.recorders.insert(datum.recorded_by);
            gathered.determinations.extend(datum.determination_id.map(|id| id.0));
            gathered.recorded.insert(datum.id, datum.recorded_at);
            let value = datum.value.value();
            let labels = datum.labels.0.of_design();
            // By their text: levels 10 and 10.0 are two.
            let text = serde_json::to_string(&labels).map_err(Refusal::internal)?;
            let labels = Arc::clone(known.entry(text).or_insert_with(|| Arc::new(labels)));
            let u = datum.standard_uncertainty.as_ref().map(Decimal::value);
            gathered.points.push(Point { id: datum.id, position: datum.position, value, u, labels });
        }
        if !whole {
            return Ok(gathered);
        }
    }
}

/// Which of these data have a determination or iron result with another content than when they were recorded.
async fn changed(
    connection: &Connection,
    data: &[DatumRow],
    iron: &HashMap<ValidationDatumId, IronDatumRow>,
) -> Result<Vec<ValidationDatumId>, Refusal> {
    let ids: Vec<Uuid> = data.iter().filter_map(|row| row.determination_id).map(|id| id.0).collect();
    let now = bulk::digests(connection, &ids).await?;
    let other = |row: &&DatumRow| row.determination_id.is_some_and(|id| now.get(&id.0) != row.content_digest.as_ref());
    let mut changed: Vec<ValidationDatumId> = data.iter().filter(other).map(|row| row.id).collect();
    // Their queries share the connection: those of one wait for no answer of another.
    let drawn = data.iter().filter_map(|row| Some((row, iron.get(&row.id)?.iron_result_id.0)));
    let drawn = drawn.map(async |(row, id)| Ok::<_, Refusal>((row, iron_results::difference(connection, id).await?)));
    let drawn: Vec<_> = stream::iter(drawn).buffered(8).try_collect().await?;
    let other = drawn.into_iter().filter(|(row, now)| row.content_digest.as_ref() != Some(&now.digest));
    changed.extend(other.map(|(row, _)| row.id));
    Ok(changed)
}

pub(super) async fn load(connection: &Connection, plan: Vec<CharacteristicRow>) -> Result<Loaded, Refusal> {
    let ids: Vec<_> = plan.iter().map(|row| row.id).collect();
    let differences = plan.iter().filter(|row| row.kind == Kind::DetectionByDifference.text()).map(|row| row.id);
    let differences: Vec<_> = differences.collect();
    let iron = store::iron_data(connection, &differences).await?;
    let iron: HashMap<ValidationDatumId, IronDatumRow> = iron.into_iter().map(|row| (row.datum_id, row)).collect();
    let data = try_join_all(ids.iter().map(async |id| Ok::<_, Refusal>((*id, gather(connection, *id, &iron).await?))));
    let (amendments, mut data) = futures_util::try_join!(store::amendments(connection, &ids), data)?;
    let exclusions: HashMap<ValidationDatumId, ExclusionRow> = data
        .iter_mut()
        .flat_map(|(_, gathered)| std::mem::take(&mut gathered.exclusions))
        .map(|row| (row.datum_id, row))
        .collect();
    let mut decided: Vec<Uuid> = amendments.iter().map(|row| row.id.0).collect();
    decided.extend(exclusions.values().map(|row| row.id.0));
    let moves = states::moves_of(connection, &decided).await?;
    let mut signers = HashMap::new();
    for id in moves.iter().map(|step| step.entity_id) {
        if let Some(signed) = sign_offs::of(connection, id).await?.pop() {
            signers.insert(id, signed.printed_name);
        }
    }
    let mut digests = HashMap::with_capacity(amendments.len());
    for amendment in &amendments {
        digests.insert(amendment.id, plan::amendment_digest(amendment)?);
    }
    Ok(Loaded { plan, amendments, digests, data: data.into_iter().collect(), exclusions, moves, signers, iron })
}

impl Loaded {
    fn decision(&self, id: Uuid) -> Option<&StateMove> {
        self.moves.iter().rfind(|step| step.entity_id == id)
    }

    fn state(&self, id: Uuid) -> &str {
        self.decision(id).map_or("proposed", |step| step.to_state.as_str())
    }

    fn limits(&self, row: &CharacteristicRow) -> Vec<Limit> {
        plan::in_force(row, &self.amendments, |id: ValidationAmendmentId| self.state(id.0) == "approved")
    }

    fn criterion(&self, row: &CharacteristicRow) -> Criterion {
        let amendments = self.amendments.iter().filter(|amendment| amendment.characteristic_id == row.id);
        Criterion {
            limits: self.limits(row),
            planned_limits: row.limits.0.clone(),
            amendments: amendments
                .map(|amendment| Amendment {
                    id: amendment.id,
                    number: amendment.number,
                    state: self.state(amendment.id.0).to_owned(),
                    old_limits: amendment.old_limits.0.clone(),
                    new_limits: amendment.limits.0.clone(),
                    reason: amendment.reason.clone(),
                    content_digest: self.digests.get(&amendment.id).cloned().unwrap_or_default(),
                    recorded_at: amendment.recorded_at,
                    recorded_by: amendment.recorded_by,
                    decided_by: self.signers.get(&amendment.id.0).cloned(),
                    decided_at: self.decision(amendment.id.0).map(|step| step.recorded_at),
                })
                .collect(),
        }
    }

    /// The exclusion of a datum that holds or is proposed; a rejected one only where there is no other.
    fn excluded(&self, datum: ValidationDatumId) -> Option<Excluded> {
        let row = self.exclusions.get(&datum)?;
        let state = self.state(row.id.0);
        Some(Excluded {
            id: row.id.0,
            holds: state == "approved",
            state: state.to_owned(),
            cause: row.cause.clone(),
            evidence: row.evidence.clone(),
            content_digest: data::exclusion_digest(row),
            proposed_by: row.recorded_by,
            signed_by: self.signers.get(&row.id.0).cloned(),
            signed_at: self.decision(row.id.0).map(|step| step.recorded_at),
        })
    }

    /// Data of a characteristic as statistics need them, in the order of recording.
    pub(super) fn points(&self, id: ValidationCharacteristicId) -> &[Point] {
        self.data.get(&id).map_or(&[], |gathered| &gathered.points)
    }

    /// Whether a datum counts.
    pub(super) fn counts(&self, datum: ValidationDatumId) -> bool {
        self.exclusions.get(&datum).is_none_or(|row| self.state(row.id.0) != "approved")
    }

    /// Everybody who recorded data.
    pub(super) fn recorders(&self) -> Vec<AccountId> {
        self.data.values().flat_map(|gathered| &gathered.recorders).copied().collect()
    }

    /// The answer to a characteristic, without the rows of its data.
    pub(super) fn answer(&self, row: &CharacteristicRow) -> Result<CharacteristicAnswer, Refusal> {
        let kind = Kind::of(&row.kind)?;
        let all: Vec<&Point> = self.points(row.id).iter().collect();
        let kept: Vec<&Point> = all.iter().filter(|point| self.counts(point.id)).copied().collect();
        let (limits, planned) = (self.limits(row), &row.limits.0);
        let unit = plan::unit_of(row)?;
        let ask = |limits: &[Limit], points: &[&Point]| -> Found {
            let question = Question { kind, unit, design: &row.design.0, planned_n: row.planned_n, limits };
            study(question, points)
        };
        let mut found = ask(&limits, &kept);
        let changed = self.data.get(&row.id).map(|gathered| &gathered.changed);
        for datum in all.iter().filter(|datum| changed.is_some_and(|changed| changed.contains(&datum.id))) {
            let source = if self.iron.contains_key(&datum.id) { "iron result" } else { "determination" };
            found.notes.push(format!("datum {}: its {source} has changed since the value was taken", datum.position));
        }
        let verdict = found.verdict();
        let with_everything = (kept.len() < all.len()).then(|| {
            let found = ask(&limits, &all);
            WithEverything {
                n: all.len(),
                verdict: found.verdict(),
                statistics: found.statistics,
                judgements: found.judgements,
                missing: found.missing,
            }
        });
        Ok(CharacteristicAnswer {
            study: row.study_id,
            characteristic: row.id,
            position: row.position,
            kind,
            title: row.title.clone(),
            unit: row.unit.clone(),
            design: row.design.0.clone(),
            criterion: self.criterion(row),
            planned_n: row.planned_n,
            n: kept.len(),
            inputs: InputTable { columns: columns(kind, &row.unit), rows: Vec::new() },
            verdict,
            verdict_as_planned: (limits != *planned).then(|| ask(planned, &kept).verdict()),
            statistics: found.statistics,
            judgements: found.judgements,
            missing: found.missing,
            notes: found.notes,
            flags: found.flags,
            excluded_too: with_everything,
        })
    }

    /// The answers without the rows of their data.
    pub(super) fn answers(&self) -> Result<Vec<CharacteristicAnswer>, Refusal> {
        self.plan.iter().map(|row| self.answer(row)).collect()
    }

    /// The answers with all their data.
    pub(super) async fn whole_answers(&self, connection: &Connection) -> Result<Vec<CharacteristicAnswer>, Refusal> {
        let mut answers = Vec::with_capacity(self.plan.len());
        for row in &self.plan {
            answers.push(self.whole_answer(connection, row).await?);
        }
        Ok(answers)
    }

    async fn whole_answer(
        &self,
        connection: &Connection,
        row: &CharacteristicRow,
    ) -> Result<CharacteristicAnswer, Refusal> {
        let mut answer = self.answer(row)?;
        let mut after = Some(0);
        while let Some(position) = after {
            let rows;
            (rows, after) = self.rows_after(connection, row, position).await?;
            answer.inputs.rows.extend(rows);
        }
        Ok(answer)
    }

    /// A page of the rows of data after a position, and where the next begins; nothing later than what was answered.
    pub(super) async fn rows_after(
        &self,
        connection: &Connection,
        row: &CharacteristicRow,
        after: i32,
    ) -> Result<(Vec<InputRow>, Option<i32>), Refusal> {
        let Some(last) = self.points(row.id).last().map(|point| point.position) else { return Ok((Vec::new(), None)) };
        let page = store::data_between(connection, row.id, (after, last), AT_ONCE).await?;
        let kind = Kind::of(&row.kind)?;
        let next = page.last().map(|datum| datum.position).filter(|position| *position < last);
        Ok((page.iter().map(|datum| self.input(kind, datum)).collect(), next))
    }

    /// Rows of these data, in their order.
    pub(super) async fn rows_of(
        &self,
        connection: &Connection,
        row: &CharacteristicRow,
        data: &[ValidationDatumId],
    ) -> Result<Vec<InputRow>, Refusal> {
        let found = store::data_by_id(connection, data).await?;
        let found: HashMap<ValidationDatumId, &DatumRow> = found.iter().map(|datum| (datum.id, datum)).collect();
        let kind = Kind::of(&row.kind)?;
        Ok(data.iter().filter_map(|id| found.get(id)).map(|datum| self.input(kind, datum)).collect())
    }

    fn input(&self, kind: Kind, datum: &DatumRow) -> InputRow {
        let labels = &datum.labels.0;
        let mut cells = vec![datum.value.to_string()];
        cells.extend(kind.labels().iter().map(|(label, _)| labels.text(*label)));
        cells.push(datum.standard_uncertainty.as_ref().map(ToString::to_string).unwrap_or_default());
        cells.extend(
            [&labels.analyst, &labels.burette, &labels.lot, &labels.note].map(|t| t.clone().unwrap_or_default()),
        );
        InputRow {
            datum: datum.id,
            position: datum.position,
            cells,
            source: Source {
                kind: datum.source.clone(),
                determination: datum.determination_id.map(|id| id.0),
                iron_result: self.iron.get(&datum.id).map(|from| from.iron_result_id.0),
                total_iron: self.iron.get(&datum.id).map(|from| from.total.clone()),
                file: datum.file_id.map(|id| id.0),
                line: datum.line,
            },
            recorded_by: datum.recorded_by,
            recorded_at: datum.recorded_at,
            excluded: self.excluded(datum.id),
        }
    }
}

/// Columns of the table of data.
fn columns(kind: Kind, unit: &str) -> Vec<Column> {
    let column = |name: &str, unit: Option<&str>| Column { name: name.to_owned(), unit: unit.map(str::to_owned) };
    let mut columns = vec![column("value", Some(unit))];
    columns.extend(kind.labels().iter().map(|(label, _)| {
        let unit = match label {
            Label::Taken | Label::Added => Some(unit),
            Label::Hours => Some("h"),
            _ => None,
        };
        column(label.name(), unit)
    }));
    columns.push(column("standard_uncertainty", Some(unit)));
    columns.extend(["analyst", "burette", "lot", "note"].map(|name| column(name, None)));
    columns
}

/// Everything of a study.
pub(super) async fn load_study(connection: &Connection, row: &StudyRow) -> Result<Loaded, Refusal> {
    load(connection, store::plan(connection, row.id).await?).await
}

/// The answer to one characteristic.
pub(super) async fn one_answer(connection: &Connection, id: Uuid) -> Result<CharacteristicAnswer, Refusal> {
    let row = store::characteristic(connection, id).await?;
    let loaded = load(connection, vec![row.clone()]).await?;
    loaded.whole_answer(connection, &row).await
}

const PLANNING: [PlanningHelp; 4] = [
    PlanningHelp {
        question: "with what chance a number of data meets a limit of acceptance, and how many it takes",
        operation: "/api/v1/calculations/study-size",
    },
    PlanningHelp {
        question: "how many data show a difference, or equivalence, with what power",
        operation: "/api/v1/calculations/power",
    },
    PlanningHelp {
        question: "how far an estimated standard deviation can be off, by its degrees of freedom",
        operation: "/api/v1/calculations/sigma-interval",
    },
    PlanningHelp {
        question: "what interval holds a stated part of future results",
        operation: "/api/v1/calculations/tolerance-interval",
    },
];

/// A study as shown.
pub(super) async fn view(connection: &Connection, row: StudyRow) -> Result<StudyView, Refusal> {
    let loaded = load_study(connection, &row).await?;
    let moves = states::history(connection, row.id.0).await?;
    let digest = plan::digest(&row, &loaded.plan)?;
    let signed = sign_offs::of(connection, row.id.0).await?;
    let conclusions = conclusions::views(connection, &row, &loaded).await?;
    let characteristics = loaded
        .plan
        .iter()
        .map(|characteristic| {
            Ok(CharacteristicView {
                id: characteristic.id,
                position: characteristic.position,
                kind: Kind::of(&characteristic.kind)?,
                title: characteristic.title.clone(),
                unit: characteristic.unit.clone(),
                design: characteristic.design.0.clone(),
                planned_n: characteristic.planned_n,
                recorded_n: loaded.points(characteristic.id).len(),
                criterion: loaded.criterion(characteristic),
            })
        })
        .collect::<Result<_, Refusal>>()?;
    Ok(StudyView {
        id: row.id,
        state: moves.last().map_or_else(|| STUDY.first_state().to_owned(), |step| step.to_state.clone()),
        sign_offs: signed.into_iter().map(|sign| sign.view(&digest, None, false)).collect(),
        content_digest: digest,
        characteristics,
        conclusions,
        planning: PLANNING.to_vec(),
        moves,
        code: row.code,
        title: row.title,
        purpose: row.purpose,
        method: row.method_id,
        recorded_at: row.recorded_at,
        recorded_by: row.recorded_by,
    })
}

/// Reads a study.
pub async fn read(db: &Db, id: Uuid) -> Result<StudyView, Refusal> {
    db.read(async |connection| view(connection, store::study(connection, id).await?).await).await
}

/// Studies, newest first.
pub async fn list(db: &Db, listing: &Listing) -> Result<Page<StudyView>, Refusal> {
    let limit = listing.limit()?;
    db.read(async |connection| {
        let page = Page::of(store::list(connection, listing).await?, limit, |row| row.id.0);
        let mut items = Vec::with_capacity(page.items.len());
        for row in page.items {
            items.push(view(connection, row).await?);
        }
        Ok(Page { items, next: page.next })
    })
    .await
}

/// Those of some studies that somebody planned, recorded data for or concluded.
pub async fn taken_part_in(db: &Db, studies: &[Uuid], person: AccountId) -> Result<Vec<Uuid>, Refusal> {
    db.read(async |connection| store::taken_part_in(connection, studies, person).await).await
}

/// Answers of a study.
pub async fn answers(db: &Db, id: Uuid) -> Result<StudyAnswers, Refusal> {
    db.read(async |connection| {
        let row = store::study(connection, id).await?;
        let loaded = load_study(connection, &row).await?;
        let characteristics = loaded.whole_answers(connection).await?;
        Ok(StudyAnswers {
            study: row.id,
            content_digest: Some(conclusions::answers_digest(&loaded)?),
            state: states::present(connection, STUDY, id).await?.state,
            characteristics,
            code: row.code,
            title: row.title,
        })
    })
    .await
}

/// The answer to a characteristic.
pub async fn answer(db: &Db, id: Uuid) -> Result<CharacteristicAnswer, Refusal> {
    db.read(async |connection| one_answer(connection, id).await).await
}
