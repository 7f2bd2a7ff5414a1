//! Everything a certificate says, frozen when it is drawn up, and how it is put together from the results.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_bench::specifications::conformity::ConformityStatement;
use ferrotitre_html::mark::Head;
use ferrotitre_ledger::laboratory::store::LaboratoryFacts;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::certificates::wire::CertificateFacts;
use crate::determinations::certifying::Certifiable;

/// The issue that a later one replaces.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Replaced {
    /// Its number.
    #[schema(example = 1)]
    pub issue: i32,
    /// When it was issued.
    pub issued_at: DateTime<Utc>,
    /// What differs.
    #[schema(example = "iron(II) determined anew, 119.9 g/L in place of 120.4 g/L")]
    pub what_changed: String,
    /// Why.
    #[schema(example = "the certificate of the primary standard was corrected by its producer")]
    pub reason: String,
}

/// A sample as a certificate describes it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CertifiedSample {
    /// Code on its label.
    #[schema(example = "S-2026-0101")]
    pub code: String,
    /// Customer's reference.
    pub client_reference: String,
    /// Description.
    pub description: String,
    /// Matrix.
    pub matrix: String,
    /// When it was taken, as stated by the customer, if that is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sampled_at: Option<DateTime<Utc>>,
    /// When it was received.
    pub received_at: DateTime<Utc>,
    /// Condition on receipt.
    pub condition: String,
    /// Preservation.
    pub preservation: String,
}

/// A statement of conformity on a certificate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CertifiedConformity {
    /// Code and version of the specification.
    #[schema(example = "SP-1 v1")]
    pub specification: String,
    /// Its title.
    pub title: String,
    /// The outcome by the name that the rule gives it.
    #[schema(example = "conforms")]
    pub outcome: String,
    /// The statement, with limits, decision rule and probability of conforming.
    pub statement: String,
    /// The documented risk that goes with the rule.
    pub risk: String,
}

/// A result on a certificate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CertifiedResult {
    /// Code of the determination or iron result.
    #[schema(example = "DET-000001")]
    pub code: String,
    /// Code of the sample.
    pub sample: String,
    /// iron(II), total iron or iron(III).
    #[schema(example = "iron(II)")]
    pub analyte: String,
    /// As what it is reported: Fe, FeO or Fe2O3.
    #[schema(example = "Fe")]
    pub expressed: String,
    /// The figure as reported.
    #[schema(example = "120.01")]
    pub value: String,
    /// Expanded uncertainty.
    #[schema(example = "0.48")]
    pub expanded_uncertainty: String,
    /// Coverage factor.
    #[schema(example = "2.00")]
    pub coverage_factor: String,
    /// Unit.
    #[schema(example = "g/L")]
    pub unit: String,
    /// Methods, by code and version.
    pub methods: Vec<String>,
    /// First titration that counts.
    pub performed_from: DateTime<Utc>,
    /// Last titration that counts.
    pub performed_until: DateTime<Utc>,
    /// Statements of conformity that were agreed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub conformity: Vec<CertifiedConformity>,
}

/// A method on a certificate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CertifiedMethod {
    /// Code and version.
    #[schema(example = "M1 v1")]
    pub code: String,
    /// Title.
    pub title: String,
    /// Principle.
    pub principle: String,
}

/// Everything a certificate says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Document {
    /// Number.
    #[schema(example = "C-2026-0001")]
    pub number: String,
    /// Issue.
    #[schema(example = 1)]
    pub issue: i32,
    /// The issue it replaces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaces: Option<Replaced>,
    /// The laboratory.
    pub laboratory: LaboratoryFacts,
    /// Customer.
    pub customer: String,
    /// Address of the customer.
    pub customer_address: String,
    /// Samples.
    pub samples: Vec<CertifiedSample>,
    /// Results.
    pub results: Vec<CertifiedResult>,
    /// Methods.
    pub methods: Vec<CertifiedMethod>,
    /// Deviations, limitations and concessions that are on record with the results.
    pub deviations: Vec<String>,
    /// Additions to, deviations from or exclusions from the method, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub remarks: Option<String>,
}

/// First line of what the digest is over, so that it is that of nothing else.
const HEADING: &str = "ferrotitre certificate 1\n";

/// Digest of a document's text.
pub fn digest(text: &str) -> String {
    hex::encode(Sha256::digest(format!("{HEADING}{text}").as_bytes()))
}

impl Document {
    /// As it is kept, and what is signed of it.
    ///
    /// # Errors
    /// A value that cannot be written as JSON, which is our bug.
    pub fn frozen(&self) -> Result<(String, String), Refusal> {
        let text = serde_json::to_string(self).map_err(Refusal::internal)?;
        let digest = digest(&text);
        Ok((text, digest))
    }

    /// Reads it back.
    ///
    /// # Errors
    /// A text that is none, which is our bug or somebody's forgery.
    pub fn read(text: &str) -> Result<Self, Refusal> {
        serde_json::from_str(text).map_err(Refusal::internal)
    }

    /// What the symbol on it says: number, issue, digest, and where the status is looked up.
    pub fn symbol_text(&self, digest: &str, head: Option<&Head>) -> String {
        let Self { number, issue, .. } = self;
        let address = self.laboratory.status_address.as_ref();
        let address = address.map(|address| format!(" {address}{number}?issue={issue}")).unwrap_or_default();
        let head = head.map(|head| format!(" tree {}", head.text())).unwrap_or_default();
        format!("{number} issue {issue} sha256 {digest}{head}{address}")
    }
}

/// What is known of a certificate before its results.
pub struct Heading<'a> {
    /// Number and issue.
    pub number: (&'a str, i32),
    /// The issue it replaces, without what changed.
    pub replaces: Option<(i32, DateTime<Utc>)>,
    /// The laboratory.
    pub laboratory: LaboratoryFacts,
}

/// A specification's statement, in the words that do not depend on when it is read.
fn stated(one: ConformityStatement) -> Result<CertifiedConformity, Refusal> {
    let specification = format!("{} v{}", one.code, one.version);
    let (Some(decided), Some(risk)) = (one.decided, one.risk) else {
        let detail =
            format!("{specification} gives no statement of conformity for the {}: {}", one.analyte, one.statement);
        return Err(Refusal::new(Code::NotEnoughData, detail).at("specifications", "decided", one.assignment));
    };
    Ok(CertifiedConformity {
        specification,
        title: one.title,
        outcome: decided.outcome_name,
        statement: one.statement,
        risk,
    })
}

fn result(one: &Certifiable, chosen: &[Uuid]) -> Result<CertifiedResult, Refusal> {
    let stands = |of: &&ConformityStatement| chosen.contains(&of.assignment.0);
    Ok(CertifiedResult {
        code: one.code.clone(),
        sample: one.sample.facts.code.clone(),
        analyte: one.analyte.clone(),
        expressed: one.expressed.to_owned(),
        value: one.reported.text.clone(),
        expanded_uncertainty: one.reported.expanded_uncertainty.clone(),
        coverage_factor: format!("{:.2}", one.reported.coverage_factor),
        unit: one.reported.unit.to_owned(),
        methods: one.methods.iter().map(|method| format!("{} v{}", method.code, method.version)).collect(),
        performed_from: one.performed.0,
        performed_until: one.performed.1,
        conformity: one.conformity.iter().filter(stands).cloned().map(stated).collect::<Result<_, _>>()?,
    })
}

/// Puts a document together.
///
/// # Errors
/// A specification that was chosen and gives no statement for these results.
pub fn drawn_up(
    heading: Heading<'_>,
    facts: &CertificateFacts,
    reason: Option<&str>,
    results: &[Certifiable],
) -> Result<Document, Refusal> {
    for chosen in &facts.specifications {
        let stands = |of: &ConformityStatement| of.assignment.0 == *chosen;
        if !results.iter().any(|one| one.conformity.iter().any(stands)) {
            let message = "is not a specification assigned to these samples for one of these results";
            return Err(Refusal::invalid("specifications", "judges", message, chosen));
        }
    }
    // The latest version of a sample that one of the signatures stands over.
    let mut samples: BTreeMap<String, &Certifiable> = BTreeMap::new();
    for one in results {
        let present = samples.entry(one.sample.facts.code.clone()).or_insert(one);
        if one.sample.version > present.sample.version {
            *present = one;
        }
    }
    let mut methods: BTreeMap<String, CertifiedMethod> = BTreeMap::new();
    for method in results.iter().flat_map(|one| &one.methods) {
        let code = format!("{} v{}", method.code, method.version);
        let (title, principle) = (method.title.clone(), method.principle.clone());
        methods.insert(code.clone(), CertifiedMethod { code, title, principle });
    }
    let deviations = results.iter().flat_map(|one| one.flags.iter().map(|flag| format!("{}: {flag}", one.code)));
    let (number, issue) = heading.number;
    let replaces = heading.replaces.map(|(issue, issued_at)| Replaced {
        issue,
        issued_at,
        what_changed: facts.what_changed.clone().unwrap_or_default(),
        reason: reason.unwrap_or_default().to_owned(),
    });
    Ok(Document {
        number: number.to_owned(),
        issue,
        replaces,
        laboratory: heading.laboratory,
        customer: facts.customer.clone(),
        customer_address: facts.customer_address.clone(),
        samples: samples.into_values().map(sample).collect(),
        results: results.iter().map(|one| result(one, &facts.specifications)).collect::<Result<_, _>>()?,
        methods: methods.into_values().collect(),
        deviations: deviations.collect(),
        remarks: facts.remarks.clone(),
    })
}

fn sample(one: &Certifiable) -> CertifiedSample {
    let facts = &one.sample.facts;
    CertifiedSample {
        code: facts.code.clone(),
        client_reference: facts.client_reference.clone(),
        description: facts.description.clone(),
        matrix: facts.matrix.clone(),
        sampled_at: facts.sampled_at,
        received_at: facts.received_at,
        condition: facts.condition.clone(),
        preservation: facts.preservation.clone(),
    }
}
