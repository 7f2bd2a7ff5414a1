//! Results as specifications compare them: of one determination, of an iron result, of all that was approved.

use chrono::{DateTime, Utc};
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::states::{self, StateMove};
use ferrotitre_bench::methods::store::versions as methods;
use ferrotitre_bench::specifications::conformity::{
    Compared, ConformityStatement, Content, ReportedContent, RuleVersion, statements,
};
use ferrotitre_core::determination::{Detail, Evaluation, Figure, Iron3, Progress, Reported};
use ferrotitre_core::lifecycle::EntityKind;
use uuid::Uuid;

use crate::determinations::bulk;
use crate::determinations::evaluation::expressed;
use crate::determinations::iron_results;
use crate::determinations::record::{self, KIND, Loaded};
use crate::determinations::store::{self, DeterminationRow, IronResultRow};

/// Determinations that are read at once.
const AT_ONCE: usize = 250;

fn is_approved(state: &str) -> bool {
    matches!(state, "approved" | "reported")
}

/// When a result was approved, if that still stands.
pub(super) fn approved_at(state: &str, moves: &[StateMove]) -> Option<DateTime<Utc>> {
    let approval = moves.iter().rfind(|step| step.to_state == "approved");
    approval.filter(|_| is_approved(state)).map(|step| step.recorded_at)
}

fn reported(of: Option<&Reported>, expressed: &'static str) -> Option<ReportedContent> {
    of.map(|reported| ReportedContent {
        unit: reported.unit,
        expressed,
        value: reported.value.clone(),
        coverage_factor: reported.coverage.factor,
    })
}

/// What a determination was made with: its method version, and the decision rule that names, if it was read.
pub(super) type MadeWith<'a> = (&'a methods::Row, Option<&'a RuleVersion>);

/// A determination as it is compared with limits.
pub(super) fn of_result<'a>(
    (method, method_rule): MadeWith<'a>,
    (state, moves): (&'a str, &[StateMove]),
    progress: &'a Progress,
    figures: &[Figure],
    (of, as_what): (Option<&Reported>, &'static str),
) -> Compared<'a> {
    let contents = figures.iter().map(|figure| Content {
        unit: figure.unit.symbol(),
        expressed: expressed(figure.expressed),
        value: figure.value,
        u: figure.u,
    });
    Compared {
        analyte: &method.facts.analyte,
        state,
        approved_at: approved_at(state, moves),
        waits: match progress {
            Progress::NeedsMore { why, .. } => why,
            Progress::Complete { .. } => "the determination has no result",
        },
        contents: contents.collect(),
        reported: reported(of, as_what),
        method: (&method.facts.code, method.version),
        method_rule,
    }
}

fn of_determination<'a>(loaded: &'a Loaded, evaluation: &'a Evaluation) -> Compared<'a> {
    of_result(
        (&loaded.frame.method, loaded.frame.rule.as_ref()),
        (&loaded.state, loaded.moves()),
        &evaluation.progress,
        &evaluation.figures,
        (evaluation.reported.as_ref(), expressed(loaded.record.rules.reporting.expressed)),
    )
}

/// What the specifications of its sample say of a determination now.
pub(super) fn statements_on(loaded: &Loaded, evaluation: &Evaluation) -> Vec<ConformityStatement> {
    if loaded.frame.assigned.is_empty() {
        return Vec::new();
    }
    statements(&loaded.frame.assigned, &of_determination(loaded, evaluation), Utc::now())
}

/// Iron(III) as it is compared with limits.
fn of_iron3<'a>(total: &'a Loaded, derived: &Iron3, standing: (&'a str, Option<DateTime<Utc>>)) -> Compared<'a> {
    let as_what = expressed(total.record.rules.reporting.expressed);
    of_difference((&total.frame.method, total.frame.rule.as_ref()), as_what, derived, standing)
}

/// The same by the method version of its total iron.
pub(super) fn of_difference<'a>(
    (method, method_rule): MadeWith<'a>,
    as_what: &'static str,
    derived: &Iron3,
    (state, approved_at): (&'a str, Option<DateTime<Utc>>),
) -> Compared<'a> {
    let content = derived.value.zip(derived.u).zip(derived.reported.as_ref());
    Compared {
        analyte: "iron(III)",
        state,
        approved_at,
        waits: "both determinations must be complete",
        contents: content
            .map(|((value, u), reported)| Content { unit: reported.unit, expressed: as_what, value, u })
            .into_iter()
            .collect(),
        reported: reported(derived.reported.as_ref(), as_what),
        // As its unit is that of total iron, so is the rule.
        method: (&method.facts.code, method.version),
        method_rule,
    }
}

/// What the specifications of its sample say of total iron, iron(II) and iron(III) of an iron result now.
pub(super) fn statements_on_iron3(
    (total, iron2): (&Loaded, &Loaded),
    derived: &Iron3,
    standing: (&str, Option<DateTime<Utc>>),
) -> Vec<ConformityStatement> {
    let assigned = &total.frame.assigned;
    if assigned.is_empty() {
        return Vec::new();
    }
    let now = Utc::now();
    let mut all = statements(assigned, &of_determination(total, &derived.total), now);
    all.extend(statements(assigned, &of_determination(iron2, &derived.iron2), now));
    all.extend(statements(assigned, &of_iron3(total, derived, standing), now));
    all
}

/// Determinations of samples that were not cancelled, with their states.
async fn standing(connection: &Connection, samples: &[Uuid]) -> Result<Vec<(DeterminationRow, String)>, Refusal> {
    let rows = store::of_samples(connection, samples).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let known = states::present_many(connection, KIND, &ids).await?;
    let with_state = rows.into_iter().map(|row| {
        let state = known.get(&row.id.0).cloned().unwrap_or_default();
        (row, state)
    });
    Ok(with_state.filter(|(_, state)| state != "cancelled").collect())
}

/// Codes of what a sample has of an analyte, each with the unit it is reported in and as what.
pub async fn reporting_of(
    connection: &Connection,
    sample: Uuid,
    analyte: &str,
) -> Result<Vec<(String, &'static str, &'static str)>, Refusal> {
    // Iron(III) is reported as its total iron is.
    let determined = if analyte == "iron(III)" { "total iron" } else { analyte };
    let rows = standing(connection, &[sample]).await?;
    let used: Vec<MethodId> = rows.iter().map(|(row, _)| row.method_id).collect();
    let known = methods::several(connection, &used).await?;
    let reporting = rows.into_iter().filter_map(|(row, _)| {
        let method = &known.iter().find(|method| method.id == row.method_id)?.facts;
        let reporting = method.rules.0.to_core(&method.chemistry, &method.indicator).reporting;
        (method.analyte == determined).then(|| (row.code, reporting.unit.symbol(), expressed(reporting.expressed)))
    });
    Ok(reporting.collect())
}

/// An approved result in the unit of a specification, with its standard uncertainty.
fn in_unit(result: &Compared<'_>, unit: &str, as_what: &str) -> Option<(f64, f64)> {
    let found = result.contents.iter().find(|content| (content.unit, content.expressed) == (unit, as_what));
    found.map(|content| (content.value, content.u))
}

/// Approved results of samples: unrounded values with their standard uncertainties, in a unit, newest first, at most so many.
pub async fn approved_results(
    connection: &Connection,
    samples: &[Uuid],
    (analyte, unit, as_what): (&str, &str, &str),
    most: usize,
) -> Result<Vec<(f64, f64)>, Refusal> {
    let mut found = Vec::new();
    if analyte == "iron(III)" {
        for row in approved_iron_results(connection, samples).await?.into_iter().take(most) {
            let loaded = iron_results::load(connection, row).await?;
            let derived = loaded.evaluate()?;
            found.extend(in_unit(&of_iron3(&loaded.total, &derived, ("approved", None)), unit, as_what));
        }
        return Ok(found);
    }
    let rows = standing(connection, samples).await?;
    let approved: Vec<DeterminationRow> =
        rows.into_iter().filter(|(_, state)| is_approved(state)).map(|(row, _)| row).collect();
    for some in approved.chunks(AT_ONCE) {
        for of in bulk::of_rows(connection, some.to_vec()).await?.evaluated()? {
            if of.analyte != analyte {
                continue;
            }
            if (of.unit, of.expressed) == (unit, as_what) {
                found.extend(of.result);
            } else {
                // Reported in another unit: the whole evaluation has this one, too.
                let loaded = record::load(connection, store::determination(connection, of.id.0).await?).await?;
                let evaluation = loaded.evaluate(Detail::Figures)?;
                found.extend(in_unit(&of_determination(&loaded, &evaluation), unit, as_what));
            }
        }
        if found.len() >= most {
            break;
        }
    }
    found.truncate(most);
    Ok(found)
}

async fn approved_iron_results(connection: &Connection, samples: &[Uuid]) -> Result<Vec<IronResultRow>, Refusal> {
    let rows = store::iron_results_of_samples(connection, samples).await?;
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id.0).collect();
    let known = states::present_many(connection, EntityKind::IronResult, &ids).await?;
    Ok(rows.into_iter().filter(|row| known.get(&row.id.0).is_some_and(|state| is_approved(state))).collect())
}
