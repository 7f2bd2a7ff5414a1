//! Results as certificates of analysis take them: approved, from the rows their signatures stand over, with nothing open.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{AccountId, MethodId, RunId, SignOffId};
use ferrotitre_base::pins::Standing;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_bench::impacts::store::{self as impacts, Touch};
use ferrotitre_bench::samples::samples::versions::Row as SampleRow;
use ferrotitre_bench::specifications::conformity::ConformityStatement;
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::determinations::evaluation::ReportedView;
use crate::determinations::iron_results;
use crate::determinations::record::{self, KIND, Loaded};
use crate::determinations::service;
use crate::determinations::store::{self, DeterminationRow, IronResultRow};

/// A method version that a result was made by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MethodUsed {
    /// Method version.
    pub id: MethodId,
    /// Code.
    pub code: String,
    /// Version.
    pub version: i32,
    /// Title.
    pub title: String,
    /// Principle, in words.
    pub principle: String,
}

/// A result that can be certified.
pub struct Certifiable {
    /// Determination or iron result.
    pub kind: EntityKind,
    /// Which.
    pub id: Uuid,
    /// Its code.
    pub code: String,
    /// The sample, as the signature stands over it.
    pub sample: SampleRow,
    /// Signature of its author.
    pub sign_off: SignOffId,
    /// Everybody who had a hand in it.
    pub parties: Vec<AccountId>,
    /// iron(II), total iron or iron(III).
    pub analyte: String,
    /// As what it is reported: Fe, FeO or Fe2O3.
    pub expressed: &'static str,
    /// The figure.
    pub reported: ReportedView,
    /// Methods it was made by.
    pub methods: Vec<MethodUsed>,
    /// First and last titration that counts.
    pub performed: (DateTime<Utc>, DateTime<Utc>),
    /// What a reader should know: concessions, limits of validation, holding times.
    pub flags: Vec<String>,
    /// What the specifications of its sample say of it.
    pub conformity: Vec<ConformityStatement>,
}

/// What a result is that a certificate names.
pub enum Named {
    /// One analyte in one portion.
    Determination(DeterminationRow),
    /// Iron(III) by difference, with both its parts: total iron, iron(II).
    IronResult(IronResultRow, Box<[DeterminationRow; 2]>),
}

impl Named {
    /// Looks what an identity names.
    ///
    /// # Errors
    /// Neither a determination nor an iron result.
    pub async fn of(connection: &Connection, id: Uuid) -> Result<Self, Refusal> {
        match store::determination(connection, id).await {
            Err(refusal) if refusal.code == Code::NotFound => {}
            found => return found.map(Self::Determination),
        }
        let row = store::iron_result(connection, id).await.map_err(|refusal| match refusal.code {
            Code::NotFound => {
                let detail = format!("there is no determination and no iron result {id}");
                Refusal::new(Code::UnknownReference, detail).at("results", "exists", id)
            }
            _ => refusal,
        })?;
        let total = store::determination(connection, row.total_id.0).await?;
        let iron2 = store::determination(connection, row.iron2_id.0).await?;
        Ok(Self::IronResult(row, Box::new([total, iron2])))
    }

    /// Determinations it is or consists of.
    pub fn determinations(&self) -> &[DeterminationRow] {
        match self {
            Self::Determination(row) => std::slice::from_ref(row),
            Self::IronResult(_, parts) => parts.as_slice(),
        }
    }

    /// The iron result, if it is one.
    pub fn iron_result(&self) -> Option<Uuid> {
        match self {
            Self::Determination(_) => None,
            Self::IronResult(row, _) => Some(row.id.0),
        }
    }

    /// Runs in which it was determined.
    pub fn runs(&self) -> Vec<RunId> {
        self.determinations().iter().map(|row| row.run_id).collect()
    }
}

fn conflict(code: &str, why: impl std::fmt::Display) -> Refusal {
    Refusal::new(Code::StateConflict, format!("{code}: {why}")).at("results", "certifiable", code)
}

/// The signature it stands under, if that holds and nothing that touched it waits to be decided.
fn holding<'a>(
    code: &str,
    state: &str,
    standing: Option<&'a Standing>,
    broken: Option<String>,
    touches: &[Touch],
) -> Result<&'a Standing, Refusal> {
    if !matches!(state, "approved" | "reported") {
        return Err(conflict(code, format!("it is {state}, not approved")));
    }
    if let Some(why) = broken {
        return Err(conflict(code, why));
    }
    let standing = standing.ok_or_else(|| conflict(code, "no signature stands under it"))?;
    if standing.sight().is_none() {
        return Err(conflict(code, "its signature is of an earlier release and fits no rows on record"));
    }
    match touches.iter().find(|touch| touch.decision.is_none()) {
        Some(touch) => {
            let why = format!("{}; nobody has decided yet what that means for it", touch.what);
            Err(conflict(code, why))
        }
        None => Ok(standing),
    }
}

fn method_of(loaded: &Loaded) -> MethodUsed {
    let (facts, version) = (&loaded.frame.method.facts, loaded.frame.method.version);
    MethodUsed {
        id: loaded.frame.method.id,
        code: facts.code.clone(),
        version,
        title: facts.title.clone(),
        principle: facts.principle.clone(),
    }
}

/// First and last titration that counts.
fn performed(parts: &[&Loaded]) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let all = parts.iter().flat_map(|part| part.titration_views());
    let counted = all.filter(|view| !matches!(view.state.as_str(), "superseded" | "rejected"));
    let times: Vec<DateTime<Utc>> = counted.map(|view| view.facts.observed_at).collect();
    times.iter().min().copied().zip(times.iter().max().copied())
}

fn nothing(code: &str) -> Refusal {
    Refusal::new(Code::NotEnoughData, format!("{code} has no result to certify"))
}

async fn determination(connection: &Connection, row: DeterminationRow) -> Result<Certifiable, Refusal> {
    if row.purpose != "sample" {
        let detail = format!("{} is of a control material, not of a customer's sample", row.code);
        return Err(Refusal::new(Code::RuleBroken, detail).at("results", "of_a_sample", &row.code));
    }
    let loaded = record::load(connection, row).await?;
    let code = loaded.row.code.clone();
    let signed: Vec<SignOffId> = loaded.standing.iter().map(|standing| standing.sign_off).collect();
    let touches = impacts::touching(connection, &signed).await?;
    let sign_off = holding(&code, &loaded.state, loaded.standing.as_ref(), loaded.broken(), &touches)?.sign_off;
    let run = states::present(connection, EntityKind::Run, loaded.row.run_id.0).await?.state;
    if run != "released" && loaded.frame.conceded.is_empty() {
        return Err(conflict(&code, format!("its run is {run}, not released, and there is no concession for it")));
    }
    let performed = performed(&[&loaded]).ok_or_else(|| nothing(&code))?;
    let (sample, parties, methods) = (loaded.frame.sample.clone(), loaded.authors.clone(), vec![method_of(&loaded)]);
    let view = service::shown(loaded)?;
    Ok(Certifiable {
        kind: KIND,
        id: view.id,
        sample,
        sign_off,
        parties,
        analyte: view.analyte,
        expressed: view.expressed,
        reported: view.evaluation.reported.ok_or_else(|| nothing(&code))?,
        methods,
        performed,
        flags: view.flags,
        conformity: view.conformity,
        code,
    })
}

async fn iron_result(
    connection: &Connection,
    row: IronResultRow,
    parts: &[DeterminationRow; 2],
) -> Result<Certifiable, Refusal> {
    let loaded = iron_results::load(connection, row).await?;
    let code = loaded.row.code.clone();
    let (broken, parties) = {
        let signed = loaded.signed()?;
        (signed.broken, signed.authors)
    };
    let standing = holding(&code, &loaded.state, loaded.standing.as_ref(), broken, &loaded.touches)?;
    let sign_off = standing.sign_off;
    // The difference is of the signatures on its parts that are certified beside it.
    for part in parts {
        let present = record::load(connection, part.clone()).await?;
        let under = present.standing.as_ref().map(|standing| standing.sign_off.0);
        if !under.is_some_and(|under| standing.rows().contains(&under)) {
            return Err(conflict(&code, format!("{} was signed anew since: amend the difference, too", part.code)));
        }
    }
    let performed = performed(&[&loaded.total, &loaded.iron2]).ok_or_else(|| nothing(&code))?;
    let sample = loaded.total.frame.sample.clone();
    let methods = vec![method_of(&loaded.total), method_of(&loaded.iron2)];
    let expressed = crate::determinations::evaluation::expressed(loaded.total.record.rules.reporting.expressed);
    let view = iron_results::shown(loaded)?;
    Ok(Certifiable {
        kind: iron_results::KIND,
        id: view.id,
        sample,
        sign_off,
        parties,
        analyte: "iron(III)".to_owned(),
        expressed,
        reported: view.evaluation.reported.ok_or_else(|| nothing(&code))?,
        methods,
        performed,
        // What is to be known of its parts stands with them.
        flags: Vec::new(),
        conformity: view.conformity.into_iter().filter(|one| one.analyte == "iron(III)").collect(),
        code,
    })
}

/// A result as it would be certified now.
///
/// # Errors
/// Why it cannot be.
pub async fn certifiable(connection: &Connection, named: Named) -> Result<Certifiable, Refusal> {
    match named {
        Named::Determination(row) => determination(connection, row).await,
        Named::IronResult(row, parts) => iron_result(connection, row, &parts).await,
    }
}
