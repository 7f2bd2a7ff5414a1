//! A hypothesis, checked: what is supposed, and from where results are reached.

use chrono::DateTime;
use ferrotitre_base::auth::current_user::CurrentUser;
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::{AccountId, CalibrationId, FactorId, PrimaryStandardId};
use ferrotitre_base::refusal::{Code, FieldErrors, Refusal};
use ferrotitre_base::web::decimal::{Decimal, in_range};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_bench::equipment::store as equipment;
use ferrotitre_bench::impacts::store::reach::{Reach, When};
use ferrotitre_bench::impacts::uses;
use ferrotitre_bench::standards::primary;
use ferrotitre_bench::supposed::{Supposed, SupposedCalibration, SupposedFactor, SupposedStandard, corrections};
use ferrotitre_ledger::accounts::service as accounts;
use uuid::Uuid;

use crate::determinations::supposed::{Left, LeftOut};
use crate::lookback::wire::WhatIf;

/// Fewest points of a table of corrections.
const FEWEST_POINTS: usize = 5;

/// A hypothesis that can be evaluated.
#[derive(Debug, Clone)]
pub struct Question {
    /// In words.
    pub words: String,
    pub(super) reach: Reach,
    pub(super) when: When,
    pub(super) supposed: Supposed,
    pub(super) left_out: Option<LeftOut>,
}

/// What a hypothesis is about.
enum About {
    Standard,
    Calibration,
    Factor,
    Titrant,
    Burette,
    Person,
}

fn about(asked: &WhatIf) -> Result<(About, Uuid), Refusal> {
    let all = [
        asked.standard.map(|id| (About::Standard, id)),
        asked.calibration.map(|id| (About::Calibration, id)),
        asked.factor.map(|id| (About::Factor, id)),
        asked.without_titrant.map(|id| (About::Titrant, id)),
        asked.without_burette.map(|id| (About::Burette, id)),
        asked.without_person.map(|id| (About::Person, id)),
    ];
    let mut named = all.into_iter().flatten();
    match (named.next(), named.next()) {
        (Some(about), None) => Ok(about),
        _ => {
            let message = "choose one: another value for a standard, calibration or factor, or leaving out a titrant lot, a burette or a person";
            Err(Refusal::invalid("standard", "one_of", message, ""))
        }
    }
}

fn given<'a>(errors: &mut FieldErrors, field: &str, value: Option<&'a Decimal>) -> Option<&'a Decimal> {
    errors.require(value.is_some(), field, "required", "enter the assumed value", "");
    value
}

/// Checks the fields of one hypothesis; those of another say nothing and are refused.
fn check(asked: &WhatIf, about: &About) -> Result<(), Refusal> {
    let mut errors = FieldErrors::default();
    let out = matches!(about, About::Titrant | About::Burette | About::Person);
    let fields: [(&str, bool, bool); 8] = [
        ("mass_fraction", asked.mass_fraction.is_some(), matches!(about, About::Standard)),
        ("expanded_uncertainty", asked.expanded_uncertainty.is_some(), matches!(about, About::Standard)),
        ("calibrated_value", asked.calibrated_value.is_some(), matches!(about, About::Calibration)),
        ("corrections", asked.corrections.is_some(), matches!(about, About::Calibration)),
        ("concentration", asked.concentration.is_some(), matches!(about, About::Factor)),
        (
            "standard_uncertainty",
            asked.standard_uncertainty.is_some(),
            matches!(about, About::Calibration | About::Factor),
        ),
        ("from", asked.from.is_some(), out),
        ("until", asked.until.is_some(), out),
    ];
    for (field, there, belongs) in fields {
        errors.require(!there || belongs, field, "belongs", "does not apply to this hypothesis", "");
    }
    match about {
        About::Standard => {
            if let Some(value) = given(&mut errors, "mass_fraction", asked.mass_fraction.as_ref()) {
                in_range(&mut errors, "mass_fraction", value, 0.5, 1.001, "");
            }
        }
        About::Factor => {
            if let Some(value) = given(&mut errors, "concentration", asked.concentration.as_ref()) {
                in_range(&mut errors, "concentration", value, 0.000_001, 10.0, "mol/L");
            }
        }
        About::Calibration => {
            let some =
                asked.calibrated_value.is_some() || asked.corrections.is_some() || asked.standard_uncertainty.is_some();
            let message = "enter an assumed value: a volume, a table of corrections or an uncertainty";
            errors.require(some, "calibrated_value", "required", message, "");
        }
        About::Titrant | About::Burette | About::Person => {}
    }
    for (field, value) in [
        ("expanded_uncertainty", &asked.expanded_uncertainty),
        ("standard_uncertainty", &asked.standard_uncertainty),
        ("calibrated_value", &asked.calibrated_value),
    ] {
        if let Some(value) = value {
            errors.require(value.value() >= 0.0, field, "range", "must not be negative", value);
        }
    }
    if let (Some(from), Some(until)) = (asked.from, asked.until) {
        errors.require(until > from, "until", "order", "must be after from", until.to_rfc3339());
    }
    errors.check()
}

fn table(asked: &WhatIf) -> Result<Option<serde_json::Value>, Refusal> {
    let Some(text) = &asked.corrections else { return Ok(None) };
    let wrong = |message: &str| Refusal::invalid("corrections", "table", message, text);
    let points = corrections(text).ok_or_else(|| wrong("must be pairs such as 10:-0.02, separated by spaces"))?;
    let rising = points.windows(2).all(|pair| pair[0].reading.value() < pair[1].reading.value());
    if points.len() < FEWEST_POINTS || !rising {
        return Err(wrong("needs at least 5 readings, in rising order"));
    }
    serde_json::to_value(&points).map(Some).map_err(Refusal::internal)
}

/// Refuses a hypothesis that does not go with its piece of equipment, and so would find that nothing changes; none where there is
/// no such piece.
async fn fits(connection: &Connection, asked: &WhatIf, (about, id): (&About, Uuid)) -> Result<Option<()>, Refusal> {
    let piece = match about {
        About::Burette => id,
        About::Calibration => equipment::calibration(connection, id).await?.equipment_id,
        About::Standard | About::Factor | About::Titrant | About::Person => return Ok(Some(())),
    };
    let Some((_, facts)) = equipment::present_facts(connection, &[piece]).await?.pop() else { return Ok(None) };
    let mut errors = FieldErrors::default();
    let is = |of: &str| format!("{} is a {}, not a {of}", facts.code, facts.kind);
    if matches!(about, About::Burette) {
        errors.require(facts.is_burette(), "without_burette", "kind", is("burette"), id);
    }
    if let Some(table) = &asked.corrections {
        errors.require(facts.is_burette(), "corrections", "kind", is("burette"), table);
    }
    if let Some(value) = &asked.calibrated_value {
        errors.require(facts.is_vessel(), "calibrated_value", "kind", is("pipette or flask"), value);
    }
    errors.check()?;
    Ok(Some(()))
}

/// A hypothesis is of a whole standard, whichever of its versions was named.
async fn whole(connection: &Connection, about: &About, id: Uuid) -> Result<Uuid, Refusal> {
    if !matches!(about, About::Standard) {
        return Ok(id);
    }
    match primary::versions::exactly(connection, PrimaryStandardId(id)).await {
        Ok(version) => Ok(version.record_id),
        Err(refusal) if refusal.code == Code::NotFound => Ok(id),
        Err(refusal) => Err(refusal),
    }
}

/// Checks a hypothesis against the record.
///
/// # Errors
/// One that says nothing or too much, or that is about something unknown.
pub async fn ask(db: &Db, user: &CurrentUser, asked: &WhatIf) -> Result<Question, Refusal> {
    db.read(async |connection| Question::of(connection, user, asked).await).await
}

impl Question {
    /// Checks a hypothesis against the record.
    async fn of(connection: &Connection, user: &CurrentUser, asked: &WhatIf) -> Result<Self, Refusal> {
        let (about, id) = about(asked)?;
        check(asked, &about)?;
        let id = whole(connection, &about, id).await?;
        let (reach, name) = uses::reach_of(connection, user, Some(id)).await?;
        let field = match about {
            About::Standard => "standard",
            About::Calibration => "calibration",
            About::Factor => "factor",
            About::Titrant => "without_titrant",
            About::Burette => "without_burette",
            About::Person => "without_person",
        };
        let unknown =
            || Refusal::new(Code::UnknownReference, "there is no such thing on record").at(field, "exists", id);
        let named = name.ok_or_else(unknown)?;
        let kind = match about {
            About::Standard => "primary_standards",
            About::Calibration => "equipment_calibrations",
            About::Factor => "titrant_factors",
            About::Titrant => "titrants",
            About::Burette => "equipment",
            About::Person => "accounts",
        };
        if named.kind != kind {
            return Err(unknown());
        }
        fits(connection, asked, (&about, id)).await?.ok_or_else(unknown)?;
        let window = Listing { from: asked.from, until: asked.until, ..Listing::default() };
        let (from, until) = (window.window_start(), window.window_end());
        let always = (DateTime::UNIX_EPOCH, Listing::default().window_end());
        let out = |what| Some(LeftOut { what, from, until });
        let left_out = match about {
            About::Titrant => out(Left::Titrant(id)),
            About::Burette => out(Left::Burette(id)),
            About::Person => out(Left::Person(accounts::accounts_of_person(connection, AccountId(id)).await?)),
            About::Standard | About::Calibration | About::Factor => None,
        };
        Ok(Self {
            words: words(asked, &about, &named.name),
            reach,
            // Whatever was used at or after the beginning may have used it inside the stretch.
            when: When { signed: always, used: (from, always.1) },
            supposed: supposed(asked, &about, id)?,
            left_out,
        })
    }
}

fn supposed(asked: &WhatIf, about: &About, id: Uuid) -> Result<Supposed, Refusal> {
    let mut supposed = Supposed::default();
    match (about, &asked.mass_fraction, &asked.concentration) {
        (About::Standard, Some(mass_fraction), _) => {
            supposed.standard = Some(SupposedStandard {
                record: id,
                mass_fraction: mass_fraction.clone(),
                expanded_uncertainty: asked.expanded_uncertainty.clone(),
            });
        }
        (About::Factor, _, Some(concentration)) => {
            supposed.factor = Some(SupposedFactor {
                id: FactorId(id),
                concentration: concentration.clone(),
                standard_uncertainty: asked.standard_uncertainty.clone(),
            });
        }
        (About::Calibration, ..) => {
            supposed.calibration = Some(SupposedCalibration {
                id: CalibrationId(id),
                calibrated_value: asked.calibrated_value.clone(),
                standard_uncertainty: asked.standard_uncertainty.clone(),
                corrections: table(asked)?,
            });
        }
        _ => {}
    }
    Ok(supposed)
}

/// The hypothesis in words.
fn words(asked: &WhatIf, about: &About, name: &str) -> String {
    let text = |value: &Option<Decimal>| value.as_ref().map(ToString::to_string).unwrap_or_default();
    let with_u = |words: String, u: &Option<Decimal>, of: &str| match u {
        Some(u) => format!("{words} and its {of} uncertainty {u}"),
        None => words,
    };
    let mut said = match about {
        About::Standard => with_u(
            format!("if the mass fraction of {name} were {}", text(&asked.mass_fraction)),
            &asked.expanded_uncertainty,
            "expanded",
        ),
        About::Factor => with_u(
            format!("if {name} had the concentration {} mol/L", text(&asked.concentration)),
            &asked.standard_uncertainty,
            "standard",
        ),
        About::Calibration => {
            let mut parts = Vec::new();
            parts.extend(asked.calibrated_value.as_ref().map(|value| format!("{value} mL")));
            parts.extend(asked.corrections.as_ref().map(|table| format!("the corrections {table}")));
            parts.extend(asked.standard_uncertainty.as_ref().map(|u| format!("the standard uncertainty {u}")));
            format!("if {name} had given {}", parts.join(", "))
        }
        About::Titrant | About::Burette => format!("without the titrations made with {name}"),
        About::Person => format!("without the titrations made by {name}"),
    };
    let time = |at: &chrono::DateTime<chrono::Utc>| at.to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
    if let Some(from) = &asked.from {
        said.push_str(&format!(", from {}", time(from)));
    }
    if let Some(until) = &asked.until {
        said.push_str(&format!(", before {}", time(until)));
    }
    said
}
