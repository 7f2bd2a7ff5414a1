//! A certificate of analysis: each issue held against the signatures it certifies, and a document against what went out.

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::Refused;
use super::figures::{moves, vouched};
use super::parts::{Content, Event, Rows};
use crate::json::Row;
use crate::sentences::Found;

/// First line of what the digest of a certificate is over.
const HEADING: &str = "ferrotitre certificate 1\n";

/// A version of the certificate: a draft, or an issue that went out.
struct Version<'a> {
    id: String,
    name: String,
    row: &'a Row,
    document: Value,
}

fn versions(content: &Content) -> impl Iterator<Item = Version<'_>> {
    let own = content.of("certificates").filter(|(_, row)| row.text("record_id") == content.subject);
    own.map(|(_, row)| Version {
        id: row.text("id"),
        name: format!("{} issue {}", content.code, row.raw("issue").unwrap_or_default()),
        row,
        document: serde_json::from_str(&row.text("document")).unwrap_or_default(),
    })
}

impl Version<'_> {
    /// The row says what its digest is of, and the document has the number and issue of the row.
    fn is_itself(&self, content: &Content) -> Result<(), Refused> {
        let text = self.row.text("document");
        let digest = hex::encode(Sha256::digest(format!("{HEADING}{text}").as_bytes()));
        if digest != self.row.text("content_digest") {
            return Err(format!("{}: what it says is not what its digest is of", self.name));
        }
        let issue = self.document["issue"].as_i64().map(|issue| issue.to_string());
        if self.document["number"] != content.code.as_str() || issue.as_deref() != self.row.raw("issue") {
            return Err(format!("{}: its document is that of another number or issue", self.name));
        }
        Ok(())
    }

    /// Every result it states is what its author signed, figure by figure; the results in words.
    fn states_what_was_signed(&self, content: &Content, rows: &Rows<'_>) -> Result<Vec<String>, Refused> {
        let stated = self.document["results"].as_array().map(Vec::as_slice).unwrap_or_default();
        let mut certified: Vec<&Row> = content
            .of("certificate_results")
            .map(|(_, row)| row)
            .filter(|row| row.text("certificate_id") == self.id)
            .collect();
        certified.sort_by_key(|row| row.raw("position").and_then(|place| place.parse::<u32>().ok()));
        if certified.len() != stated.len() {
            return Err(format!("{}: states {} results and certifies {}", self.name, stated.len(), certified.len()));
        }
        for (row, stated) in certified.into_iter().zip(stated) {
            self.is_signed(row, stated, rows)?;
        }
        let said = |stated: &Value, field: &str| stated[field].as_str().unwrap_or_default().to_owned();
        let worded = |stated: &Value| {
            let [code, value, expanded, unit, k] =
                ["code", "value", "expanded_uncertainty", "unit", "coverage_factor"].map(|field| said(stated, field));
            format!("{code} {value} +- {expanded} {unit} (k = {k})")
        };
        Ok(stated.iter().map(worded).collect())
    }

    fn is_signed(&self, certified: &Row, stated: &Value, rows: &Rows<'_>) -> Result<(), Refused> {
        let code = stated["code"].as_str().unwrap_or_default();
        let row_of = |table: &str, id: &str| rows.get(&(table, id)).and_then(|event| event.row.as_ref());
        let (table, id) = (certified.text("result_kind"), certified.text("result_id"));
        let counts = |event: &&&Event| {
            let of_its_author = |row: &Row| {
                let meaning = row.words("meaning");
                row.words("recorded_by") == event.actor && !matches!(meaning.as_deref(), Some("rejected" | "witnessed"))
            };
            event.row.as_ref().is_some_and(of_its_author)
        };
        let under = certified.text("sign_off_id");
        let sign = rows.get(&("sign_offs", under.as_str())).filter(counts);
        let sign = sign.and_then(|event| event.row.as_ref());
        let sign = sign.ok_or_else(|| format!("{}: {code} is certified under no signature that counts", self.name))?;
        let named = row_of(&table, &id).and_then(|row| row.words("code"));
        if named.as_deref() != Some(code) || sign.text("entity_id") != id {
            return Err(format!("{}: what stands as {code} is certified under another result's signature", self.name));
        }
        let evaluation: Value = serde_json::from_str(&sign.text("evaluation")).unwrap_or_default();
        let reported = &evaluation["reported"];
        let factor = reported["coverage_factor"].as_f64().map(|factor| format!("{factor:.2}"));
        let same = stated["value"] == reported["text"]
            && stated["expanded_uncertainty"] == reported["expanded_uncertainty"]
            && stated["unit"] == reported["unit"]
            && stated["coverage_factor"].as_str().map(str::to_owned) == factor
            && factor.is_some();
        if !same {
            return Err(format!(
                "{}: it states {code} as {} +- {} {}, which is not what was signed",
                self.name,
                stated["value"].as_str().unwrap_or_default(),
                stated["expanded_uncertainty"].as_str().unwrap_or_default(),
                stated["unit"].as_str().unwrap_or_default()
            ));
        }
        Ok(())
    }

    /// The digest of the document that went out; none of a draft.
    fn paper(&self, content: &Content) -> Option<String> {
        content.of("certificate_papers").find(|(_, row)| row.text("certificate_id") == self.id)?.1.words("pdf_digest")
    }

    fn state(&self, content: &Content) -> Option<(String, String, String)> {
        let (_, event, row) = moves(content, &self.id).last()?;
        Some((row.text("to_state"), event.at.clone(), row.text("reason")))
    }
}

pub(super) fn check(content: &Content, rows: &Rows<'_>, found: &mut Found) -> Result<(), Refused> {
    let mut holds = None;
    let mut last = None;
    for version in versions(content) {
        version.is_itself(content)?;
        let results = version.states_what_was_signed(content, rows)?;
        let Some(paper) = version.paper(content) else { continue };
        let digest = version.row.text("content_digest");
        vouched(content, (&version.id, &version.name), Some(&digest), found)?;
        found.proved.push(format!(
            "{}: states {}, each as its author signed it; its symbol says \"{} sha256 {}\"; its document has SHA-256 {paper}",
            version.name,
            results.join(", "),
            version.name,
            digest
        ));
        let state = version.state(content);
        if state.as_ref().is_some_and(|(state, ..)| state == "issued") {
            holds = Some(version.name.clone());
        }
        last = Some((version.name, state));
    }
    match (holds, last) {
        (Some(name), _) => found.noted.push(format!("{name} is the issue in force, as far as this bundle knows")),
        (None, Some((name, Some((state, at, reason))))) => found.noted.push(format!(
            "{}: NO LONGER IN FORCE: {name} is {state}, since {at}: {}",
            content.code,
            if reason.is_empty() { "no reason is on record" } else { &reason }
        )),
        (None, _) => found.noted.push(format!("{}: nothing of it has been issued", content.code)),
    }
    Ok(())
}

/// What a document is: the one that went out as one of the issues.
pub(super) fn paper(content: &Content, file: &[u8]) -> Result<String, Refused> {
    if content.kind != "certificate" {
        return Err("a document is held against the bundle of its certificate".to_owned());
    }
    let digest = hex::encode(Sha256::digest(file));
    let found = versions(content).find(|version| version.paper(content).as_ref() == Some(&digest));
    let Some(version) = found else {
        return Err(format!("the document (SHA-256 {digest}) is none that went out as an issue of {}", content.code));
    };
    let state = version.state(content).map(|(state, ..)| state).unwrap_or_default();
    Ok(format!("the document is, byte for byte, what went out as {}, which is {state}", version.name))
}
