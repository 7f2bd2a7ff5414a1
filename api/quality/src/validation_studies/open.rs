//! A study that is answered while its data stay in the store: rows are read page by page as they are written.

use std::sync::Arc;

use ferrotitre_base::db::Db;
use ferrotitre_base::ids::ValidationDatumId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use futures_util::stream::{self, Stream};
use uuid::Uuid;

use crate::validation_studies::answer::{InputRow, StudyAnswers};
use crate::validation_studies::conclusions;
use crate::validation_studies::plan::STUDY;
use crate::validation_studies::reading::{self, AT_ONCE, Loaded};
use crate::validation_studies::statistics::Point;
use crate::validation_studies::store::{self, CharacteristicRow};

/// Answers of a study; their rows are empty and stand in the store.
pub struct Open {
    pub answers: StudyAnswers,
    loaded: Loaded,
}

/// Where the rows of a characteristic belong in the text of its answer. Nothing else there is called so, and inside a
/// text the quotation marks would be escaped.
const PLACE: &str = "\"rows\":[]";

/// How a row becomes JSON.
type Written = fn(&InputRow) -> Result<String, Refusal>;

impl Open {
    /// A study with all its characteristics.
    pub async fn study(db: &Db, id: Uuid) -> Result<Self, Refusal> {
        db.read(async |connection| {
            let row = store::study(connection, id).await?;
            let loaded = reading::load_study(connection, &row).await?;
            let answers = StudyAnswers {
                content_digest: Some(conclusions::answers_digest(&loaded)?),
                study: row.id,
                state: states::present(connection, STUDY, id).await?.state,
                characteristics: loaded.answers()?,
                code: row.code,
                title: row.title,
            };
            Ok(Self { answers, loaded })
        })
        .await
    }

    /// One characteristic of a study.
    pub async fn characteristic(db: &Db, id: Uuid) -> Result<Self, Refusal> {
        db.read(async |connection| {
            let row = store::characteristic(connection, id).await?;
            let study = store::study(connection, row.study_id.0).await?;
            let loaded = reading::load(connection, vec![row]).await?;
            let (state, characteristics) = (String::new(), loaded.answers()?);
            let answers = StudyAnswers {
                content_digest: None,
                study: study.id,
                state,
                characteristics,
                code: study.code,
                title: study.title,
            };
            Ok(Self { answers, loaded })
        })
        .await
    }

    fn row(&self, at: usize) -> Result<&CharacteristicRow, Refusal> {
        let missing = || Refusal::new(Code::Internal, "an answer has no characteristic");
        self.loaded.plan.get(at).ok_or_else(missing)
    }

    /// A page of rows of a characteristic of the answers, after a position, and where the next page begins.
    pub async fn rows_after(&self, db: &Db, at: usize, after: i32) -> Result<(Vec<InputRow>, Option<i32>), Refusal> {
        let row = self.row(at)?;
        db.read(async |connection| self.loaded.rows_after(connection, row, after).await).await
    }

    /// Rows of these data of a characteristic, in their order.
    pub async fn rows_of(&self, db: &Db, at: usize, data: &[ValidationDatumId]) -> Result<Vec<InputRow>, Refusal> {
        let row = self.row(at)?;
        db.read(async |connection| self.loaded.rows_of(connection, row, data).await).await
    }

    /// Data of a characteristic as statistics see them: those that count, and those left out.
    pub fn points(&self, at: usize) -> (Vec<&Point>, Vec<&Point>) {
        let points = self.loaded.plan.get(at).map_or(&[][..], |row| self.loaded.points(row.id));
        points.iter().partition(|point| self.loaded.counts(point.id))
    }

    /// Whether all data of it make one page.
    pub fn is_short(&self) -> bool {
        let data: usize = self.loaded.plan.iter().map(|row| self.loaded.points(row.id).len()).sum();
        data as i64 <= AT_ONCE
    }

    /// One piece of the text, and where the next begins: the characteristic and the position in it.
    async fn piece(
        &self,
        db: &Db,
        (parts, written): (&[String], Written),
        (at, after): (usize, i32),
    ) -> Result<Option<(String, (usize, i32))>, Refusal> {
        let Some(part) = parts.get(at) else { return Ok(None) };
        let mut text = String::new();
        if after == 0 {
            text.push_str(part);
            if at + 1 == parts.len() {
                return Ok(Some((text, (at + 1, 0))));
            }
            text.push_str("\"rows\":[");
        }
        let (rows, next) = self.rows_after(db, at, after).await?;
        for (place, row) in rows.iter().enumerate() {
            if after > 0 || place > 0 {
                text.push(',');
            }
            text.push_str(&written(row)?);
        }
        if next.is_none() {
            text.push(']');
        }
        Ok(Some((text, next.map_or((at + 1, 0), |position| (at, position)))))
    }

    /// The text of its answers, or of one, piece by piece, with the rows in their places.
    pub fn pieces(
        self: Arc<Self>,
        db: Db,
        text: &str,
        written: Written,
    ) -> Result<impl Stream<Item = Result<String, Refusal>> + use<>, Refusal> {
        let parts: Arc<[String]> = text.split(PLACE).map(str::to_owned).collect();
        if parts.len() != self.loaded.plan.len() + 1 {
            return Err(Refusal::new(Code::Internal, "an answer has no place for its rows"));
        }
        Ok(stream::try_unfold((0, 0), move |place| {
            let (open, db, parts) = (Arc::clone(&self), db.clone(), Arc::clone(&parts));
            async move { open.piece(&db, (&parts, written), place).await }
        }))
    }
}
