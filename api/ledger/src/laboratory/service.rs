//! Use cases of the laboratory's identity.

use ferrotitre_base::db::{Act, Db};
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::answer::{Answer, Located};
use ferrotitre_base::web::versions::{Correction, VersionView};
use serde::Serialize;
use utoipa::ToSchema;

use crate::laboratory::store::{self, LaboratoryFacts, versions};

/// Stands where other things have a state: a laboratory has none.
const IN_FORCE: &str = "in use";

/// The laboratory in its present version.
#[derive(Debug, Serialize, ToSchema)]
pub struct LaboratoryView(pub VersionView<LaboratoryFacts>);

impl Located for LaboratoryView {
    fn location(&self) -> String {
        "/api/v1/laboratory".to_owned()
    }
}

/// The laboratory in all its versions.
#[derive(Debug, Serialize, ToSchema)]
pub struct LaboratoryHistory {
    /// Versions, oldest first; none until somebody has described it.
    pub versions: Vec<VersionView<LaboratoryFacts>>,
}

fn view(row: versions::Row) -> LaboratoryView {
    LaboratoryView(row.view(IN_FORCE.to_owned()))
}

/// Reads the laboratory with its versions.
pub async fn read(db: &Db) -> Result<LaboratoryHistory, Refusal> {
    let rows = db.read(async |connection| store::all(connection).await).await?;
    Ok(LaboratoryHistory { versions: rows.into_iter().map(|row| view(row).0).collect() })
}

/// Describes the laboratory for the first time.
pub async fn record(db: &Db, act: &Act, facts: LaboratoryFacts) -> Result<Answer, Refusal> {
    let row = versions::first(act, facts)?;
    db.write(act, async |connection| Ok(view(versions::insert(connection, &row).await?))).await
}

/// Describes it anew from now on, with a reason. Certificates that went out keep what they say.
pub async fn correct(
    db: &Db,
    act: &Act,
    if_match: Option<&str>,
    correction: Correction<LaboratoryFacts>,
) -> Result<Answer, Refusal> {
    db.write(act, async |connection| {
        let present = store::present(connection).await?;
        let present = present.ok_or_else(|| Refusal::not_found("laboratory", "on record"))?;
        let row = versions::next(act, &present, if_match, correction)?;
        Ok(view(versions::insert(connection, &row).await?))
    })
    .await
}
