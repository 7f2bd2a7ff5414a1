//! What a bundle can be about: a result, a titrant lot, a certificate, a chart.

use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::titrants::{service as titrants, standardisations};
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_quality::validation_studies::record::{self as studies, StudyRecord};
use ferrotitre_quality::validation_studies::workings::StatisticWorking;
use ferrotitre_results::certificates::service as certificates;
use ferrotitre_results::certificates::wire::{CertificateView, ResultOnCertificate};
use ferrotitre_results::control_charts::record::{self as charts, ChartRecord, LimitOfPhase};
use ferrotitre_results::determinations::iron_results;
use ferrotitre_results::determinations::service as determinations;
use uuid::Uuid;

use super::{Bundle, By, Figure, Gathered, Subject, of_figures};
use crate::own;

impl Gathered {
    /// A determination with its titrations and its figure, if somebody may take it out; its code.
    async fn determination(&mut self, db: &Db, by: By<'_>, id: Uuid) -> Result<String, Refusal> {
        let exported = determinations::exported(db, id).await?;
        own::determination(by.1, &exported.view)?;
        self.of_determination(&exported)?;
        Ok(exported.view.code)
    }

    fn of_determination(&mut self, exported: &determinations::Exported) -> Result<(), Refusal> {
        let (view, evaluation) = (&exported.view, &exported.evaluation);
        self.things.push(view.id);
        self.things.extend(view.titrations.iter().map(|titration| titration.version_id));
        if let Some(working) = &evaluation.working {
            let of = ("determination", view.id, view.id);
            self.figures.push(Figure::of(of, &view.code, (working, evaluation.reported.as_ref()))?);
        }
        Ok(())
    }

    /// Iron(III) by difference with both its determinations; its code.
    async fn iron_result(&mut self, db: &Db, by: By<'_>, id: Uuid) -> Result<String, Refusal> {
        let exported = iron_results::exported(db, id).await?;
        exported.parts.iter().try_for_each(|part| own::determination(by.1, &part.view))?;
        self.things.push(id);
        let code = exported.view.code.clone();
        if let Some(working) = &exported.derived.working {
            let of = ("iron_result", id, id);
            self.figures.push(Figure::of(of, &code, (working, exported.derived.reported.as_ref()))?);
        }
        exported.parts.iter().try_for_each(|part| self.of_determination(part))?;
        Ok(code)
    }

    fn has(&self, thing: Uuid) -> bool {
        self.things.contains(&thing)
    }
}

/// The bundle of a determination.
pub(crate) async fn determination(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    let mut gathered = Gathered::default();
    let code = gathered.determination(db, by, id).await?;
    of_figures(db, by, Subject { kind: "determination", id: id.to_string(), code }, gathered).await
}

/// The bundle of iron(III) by difference, with both determinations.
pub(crate) async fn iron_result(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    let mut gathered = Gathered::default();
    let code = gathered.iron_result(db, by, id).await?;
    of_figures(db, by, Subject { kind: "iron_result", id: id.to_string(), code }, gathered).await
}

/// The bundle of a certificate: every issue as it was signed, and every result that one of them states, with its working.
pub(crate) async fn certificate(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    let CertificateView { number, issues, .. } = certificates::read(db, id).await?.resource;
    let mut gathered = Gathered { things: certificates::rows_of(db, id).await?, ..Gathered::default() };
    // Iron(III) brings its determinations along.
    let all: Vec<&ResultOnCertificate> = issues.iter().flat_map(|issue| &issue.results).collect();
    let (differences, determinations): (Vec<_>, Vec<_>) = all.into_iter().partition(|one| one.kind == "iron_results");
    for one in differences {
        if !gathered.has(one.id) {
            gathered.iron_result(db, by, one.id).await?;
        }
    }
    for one in determinations {
        if !gathered.has(one.id) {
            gathered.determination(db, by, one.id).await?;
        }
    }
    of_figures(db, by, Subject { kind: "certificate", id: id.to_string(), code: number }, gathered).await
}

/// The bundle of a control chart: every point from the first to the newest, every phase, its limits from its baseline.
pub(crate) async fn chart(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    own::contributed(db, by.1, EntityKind::ControlChart, id).await?;
    let ChartRecord { code, rows: things, limits } = charts::read(db, id).await?;
    let figure = |one: LimitOfPhase| {
        let code = format!("{code}, phase {}", one.number);
        Figure::of(("chart_phase", one.phase, one.phase), &code, (&one.working, None))
    };
    let figures = limits.into_iter().map(figure).collect::<Result<_, _>>()?;
    let subject = Subject { kind: "control_chart", id: id.to_string(), code };
    of_figures(db, by, subject, Gathered { figures, things }).await
}

/// The bundle of a validation study: its plan, every datum, what was left out, and the conclusions with the answers signed.
pub(crate) async fn study(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    own::contributed(db, by.1, EntityKind::ValidationStudy, id).await?;
    let StudyRecord { code, rows: things, conclusion, statistics } = studies::read(db, id).await?;
    let figure = |(position, one): (i32, StatisticWorking)| {
        let of = one.of.as_ref().map(|of| format!(" of {of}")).unwrap_or_default();
        let name = format!("{code}, characteristic {position}, {}{of}", one.statistic.title());
        let of = ("study_statistic", one.characteristic.0, conclusion.unwrap_or(id));
        Figure::of(of, &name, (&one.working, None))
    };
    let figures = statistics.into_iter().map(figure).collect::<Result<_, _>>()?;
    let subject = Subject { kind: "validation_study", id: id.to_string(), code };
    of_figures(db, by, subject, Gathered { figures, things }).await
}

/// The bundle of a titrant lot: its preparations, standardisations and factors.
pub(crate) async fn titrant(db: &Db, by: By<'_>, id: Uuid) -> Result<Bundle, Refusal> {
    let detail = titrants::read(db, id).await?;
    let code = detail.titrant.code.clone();
    let Gathered { mut things, mut figures } = Gathered { things: vec![id], ..Gathered::default() };
    things.extend(titrants::factors(db, id).await?.iter().map(|factor| factor.id));
    // Every version is an event; the newest says what the lot is.
    for (at, preparation) in detail.preparations.iter().enumerate() {
        let record = preparation.preparation.id;
        things.push(preparation.preparation.version_id);
        if at + 1 < detail.preparations.len() {
            continue;
        }
        if let Ok(worked) = titrants::working(db, record).await {
            figures.push(Figure::of(
                ("preparation", record, id),
                &format!("{code}, prepared"),
                (&worked.working, None),
            )?);
        }
    }
    for made in standardisations::list(db, id).await? {
        let record = made.id;
        things.push(record);
        things.extend(made.titrations.iter().map(|titration| titration.version_id));
        if made.concentration.is_some() {
            let worked = standardisations::working(db, record).await?;
            figures.push(Figure::of(("standardisation", record, record), &made.code, (&worked.working, None))?);
        }
    }
    let subject = Subject { kind: "titrant", id: id.to_string(), code };
    of_figures(db, by, subject, Gathered { figures, things }).await
}
