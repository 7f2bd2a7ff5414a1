//! The form that draws data of detection by difference from iron results of the record.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ConductValidation;
use ferrotitre_base::db::Db;
use ferrotitre_base::labels;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::paging::Listing;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_html::form::{Field, Kind, RESHAPE, Sent, onward};
use ferrotitre_html::narrow::Narrow;
use ferrotitre_html::shell::Shell;
use ferrotitre_html::show;
use ferrotitre_results::determinations::iron_results::{self, IronResultView};
use uuid::Uuid;

use super::taking::{OFFERED, is_asked_for, label_fields, offering, shown_before};
use crate::validation_studies::answer::CharacteristicAnswer;
use crate::validation_studies::data::{self, NewData};
use crate::validation_studies::reading;

/// Iron(III) and its uncertainty, if it is in the unit of a characteristic.
fn in_unit(view: &IronResultView, unit: &str) -> Option<(f64, f64)> {
    let reported = view.evaluation.reported.as_ref().filter(|reported| reported.unit == unit);
    reported.and(view.evaluation.value.zip(view.evaluation.u))
}

/// Iron results to choose from: those the form showed before, or those the filter finds.
async fn offered(db: &Db, sent: &Sent, answer: &CharacteristicAnswer) -> Result<Vec<IronResultView>, Refusal> {
    if let Some(shown) = shown_before(sent) {
        return iron_results::several(db, &shown).await;
    }
    let days = Narrow::of_days(sent.get("_from"), sent.get("_until")).listing()?;
    let taken: Vec<Uuid> = answer.inputs.rows.iter().filter_map(|row| row.source.iron_result).collect();
    let mut views = iron_results::list(db, &Listing { limit: Some(OFFERED), ..days }).await?.items;
    views.retain(|view| {
        is_asked_for(sent, &view.code) && in_unit(view, &answer.unit).is_some() && !taken.contains(&view.id)
    });
    Ok(views)
}

/// One iron result with a box to tick and the level it is of.
fn offer(
    number: usize,
    view: &IronResultView,
    sample: &str,
    answer: &CharacteristicAnswer,
    shell: &Shell,
) -> Vec<Field> {
    let at = format!("data[{number}].");
    let (value, u) = in_unit(view, &answer.unit).unwrap_or((f64::NAN, f64::NAN));
    let total = view.evaluation.total.reported.as_ref().map(|total| total.text.as_str()).unwrap_or_default();
    let label = format!(
        "{}, {sample}: iron(III) {} {}, u {}; total iron {}",
        view.code,
        shell.n(show::figure(value, 4)),
        answer.unit,
        shell.n(show::figure(u, 2)),
        shell.n(total)
    );
    let tick = Field::new(&format!("{at}iron_result"), &label, Kind::Tick(view.id.to_string()))
        .optional()
        .help(format!("{}; {}", show::time(view.observed_at), view.state))
        .part(view.code.clone());
    let level = |field: Field| field.optional().help("Left empty: the planned level that its total iron is near to.");
    let mut fields = vec![tick];
    fields.extend(label_fields(&at, answer.kind, &answer.unit).into_iter().map(level));
    fields
}

/// Draws data of detection by difference from iron results of the record.
#[routes]
#[get("/validation/characteristics/{id}/iron-results")]
#[post("/validation/characteristics/{id}/iron-results")]
pub(super) async fn draw_differences(
    who: Allowed<ConductValidation>,
    shell: Shell,
    db: web::Data<Db>,
    id: web::Path<Uuid>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let answer = reading::answer(&db, *id).await?;
    let back = format!("/validation/characteristics/{id}");
    let views = offered(&db, &sent, &answer).await?;
    let samples: Vec<Uuid> = views.iter().map(|view| view.sample).collect();
    let samples = labels::of(&db, EntityKind::Sample, &samples).await?;
    let ids: Vec<Uuid> = views.iter().map(|view| view.id).collect();
    let mut form = offering(&answer, &back, &ids, "iron results with iron(III)")
        .with([Field::new(RESHAPE, "Show these", Kind::Reshape("find".to_owned()))])
        .help(
            "Differences found where there is no iron(III) become data, each with its u; the iron result and its total iron stay named.",
            "ISO/IEC 17025:2017 7.2.2; 7.5.1: a datum leads back to its original observations.",
            "Each is taken once; what is not ticked is not taken.",
        );
    for (number, view) in views.iter().enumerate() {
        let sample = samples.get(&view.sample).map(String::as_str).unwrap_or_default();
        form = form.with(offer(number, view, sample, &answer, &shell));
    }
    shell
        .take(&who, &sent, form, async |act, new: NewData| Ok(onward(&data::record(&db, &act, *id, new).await?, &back)))
        .await
}
