//! Several drafts from outlines in one form: what only the laboratory can say is said once for all of them.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::DraftMethods;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::chemistry::reduction;
use ferrotitre_html::form::{Field, Form, Kind, Sent, onward, put};
use ferrotitre_html::shell::Shell;
use serde::Deserialize;

use super::{fields, outlines};
use crate::methods::outlines::{OUTLINES, Outline};
use crate::methods::service;
use crate::methods::store::MethodFacts;
use crate::methods::wire::NewMethods;

/// What is said once: name in the form, path in a method.
const COMMON: [(&str, &str); 4] = [
    ("matrix", "matrix"),
    ("end_point_u_ml", "rules.end_point_u_ml"),
    ("validated_low", "rules.validated_low"),
    ("validated_high", "rules.validated_high"),
];

/// An outline that was ticked.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Ticked {
    outline: String,
    code: String,
    mercury_reason: Option<String>,
}

/// What the form sends.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Drafts {
    #[serde(default)]
    drafts: Vec<Ticked>,
    matrix: String,
    end_point_u_ml: String,
    validated_low: String,
    validated_high: String,
}

fn with_mercury(outline: &Outline) -> bool {
    reduction(outline.reduction).is_some_and(|entry| entry.mercury)
}

/// A line of the form: the outline to be ticked, and the code of what is drafted from it.
fn line((at, outline): (usize, &Outline)) -> Vec<Field> {
    let name = |field: &str| format!("drafts[{at}].{field}");
    let what = if outline.reduction == "none" {
        outline.chemistry.to_owned()
    } else {
        format!("{}, {}", outline.chemistry, outline.reduction)
    };
    let tick = Field::new(&name("outline"), outline.title, Kind::Tick(outline.key.to_owned())).optional().help(what);
    let mut fields = vec![tick, Field::new(&name("code"), "Code of your method", Kind::Text)];
    if with_mercury(outline) {
        fields.push(Field::new(&name("mercury_reason"), "Why no mercury-free one will do", Kind::Text));
    }
    fields
}

/// Cautions of all outlines, each once; who decides comes last, as in each of them.
fn cautions() -> String {
    let all = OUTLINES.iter().map(Outline::cautions).collect::<Vec<_>>().join(" ");
    let mut once: Vec<&str> = Vec::new();
    for sentence in all.rsplit(". ").map(|sentence| sentence.trim().trim_end_matches('.')) {
        if !sentence.is_empty() && !once.contains(&sentence) {
            once.push(sentence);
        }
    }
    once.reverse();
    format!("{}.", once.join(". "))
}

fn form() -> Form {
    let mut lines: Vec<Field> = OUTLINES.iter().enumerate().flat_map(line).collect();
    if let Some(first) = lines.first_mut() {
        first.part = "Outlines".to_owned();
    }
    let mercury = OUTLINES.iter().position(with_mercury).map(|at| format!("drafts[{at}].outline"));
    if let Some(first) = lines.iter_mut().find(|field| Some(&field.name) == mercury.as_ref()) {
        first.fold = Some("With mercury");
    }
    Form::new("Draft several methods", "Save drafts", "/methods/outlines")
        .lead("Tick the outlines and give each a code of yours. The rest is proposed as each outline says; the drafts can be revised before they are approved.")
        .with(lines)
        .with([
            Field::new("matrix", "Matrix they are validated for", Kind::Text).part("For all of them"),
            Field::new("validated_low", "Validated from", Kind::Decimal).help("In the unit each outline reports."),
            Field::new("validated_high", "Validated up to", Kind::Decimal),
            Field::new("end_point_u_ml", "Standard uncertainty of the end point's bias, mL", Kind::Decimal),
        ])
        .cautions(cautions())
        .help(
            "What an outline leaves open only your own validation can say: it is said once here for all that share it.",
            "ISO/IEC 17025:2017 7.2.1 and 7.2.2.",
            "Someone other than their author approves them; only then can runs use them.",
        )
}

/// A method as its outline has it, completed by what was said once.
fn draft(of: &Ticked, drafts: &Drafts) -> Result<MethodFacts, Refusal> {
    let mut facts = outlines::named(&of.outline)?.facts();
    put(&mut facts, "code", of.code.clone().into());
    if let Some(reason) = &of.mercury_reason {
        put(&mut facts, "mercury_reason", reason.clone().into());
    }
    let said = [&drafts.matrix, &drafts.end_point_u_ml, &drafts.validated_low, &drafts.validated_high];
    for ((_, path), value) in COMMON.iter().zip(said) {
        put(&mut facts, path, value.clone().into());
    }
    // Read as the form of one method reads it.
    Form::new("", "", "").with(fields(Vec::new())).filled(&facts).read(false)
}

/// What is refused of one draft but was said for all stands where it was said, once.
fn said_once(mut refusal: Refusal) -> Refusal {
    let mut fields: Vec<ferrotitre_base::refusal::FieldError> = Vec::new();
    for mut wrong in refusal.fields {
        let own = wrong.field.strip_prefix("drafts[").and_then(|rest| rest.split_once("].")).map(|(_, own)| own);
        if let Some((name, _)) = COMMON.iter().find(|(_, path)| own == Some(*path)) {
            wrong.field = (*name).to_owned();
        }
        if fields.iter().all(|other| (&other.field, &other.message) != (&wrong.field, &wrong.message)) {
            fields.push(wrong);
        }
    }
    refusal.fields = fields;
    refusal
}

/// All that were ticked.
fn all(drafts: &Drafts) -> Result<NewMethods, Refusal> {
    if drafts.drafts.is_empty() {
        return Err(Refusal::invalid("drafts[0].outline", "required", "tick the outlines you begin with", ""));
    }
    let mut errors = FieldErrors::default();
    let mut methods = Vec::with_capacity(drafts.drafts.len());
    for (at, of) in drafts.drafts.iter().enumerate() {
        let facts = draft(of, drafts).map_err(|refusal| refusal.under(&format!("drafts[{at}]"), |_| None));
        errors.take(facts.map(|facts| methods.push(facts)))?;
    }
    errors.check()?;
    Ok(NewMethods { drafts: methods })
}

/// Drafts several methods from outlines.
#[routes]
#[get("/methods/drafts")]
#[post("/methods/drafts")]
pub(in crate::methods) async fn draft_several(
    who: Allowed<DraftMethods>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    shell
        .take(&who, &sent, form(), async |act, drafts: Drafts| {
            let new = all(&drafts).map_err(said_once)?;
            let answer = service::record_several(&db, &act, new).await.map_err(said_once)?;
            Ok(onward(&answer, "/methods"))
        })
        .await
}
