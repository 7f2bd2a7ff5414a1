//! A sample and what is taken of it at once, in one form.

use actix_web::{HttpResponse, routes, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::RegisterSamples;
use ferrotitre_base::db::Db;
use ferrotitre_base::web::problem::Problem;
use ferrotitre_html::form::{Field, Form, Kind, RESHAPE, Sent, field_of, onward};
use ferrotitre_html::shell::Shell;

use super::{fields, portion_fields, proposals};
use crate::samples::with_portions::{self as service, MOST, NewSampleWithPortions};

/// Fields of a part of the form; what is rarely needed is folded.
fn under(part: &str, title: String, fields: Vec<Field>) -> Vec<Field> {
    let fold = |name: &str| match name {
        "dilution[1].pipette" => Some("A second and a third flask"),
        "density" => Some("More about the portion: density, temperature, time"),
        _ => None,
    };
    let place = |(at, field): (usize, Field)| {
        let fold = fold(&field.name);
        let part_of = match (at, fold) {
            (0, _) if field.part.is_empty() => title.clone(),
            (0, _) => format!("{title}: {}", field.part.to_lowercase()),
            (_, Some(_)) => String::new(),
            _ => field.part.clone(),
        };
        Field { name: format!("{part}.{}", field.name), part: part_of, fold, ..field }
    };
    fields.into_iter().enumerate().map(place).collect()
}

/// Registers a sample and takes its first test portions.
#[routes]
#[get("/samples/with-portions")]
#[post("/samples/with-portions")]
pub(in crate::samples) async fn record_sample_with_portions(
    who: Allowed<RegisterSamples>,
    shell: Shell,
    db: web::Data<Db>,
    sent: Sent,
) -> Result<HttpResponse, Problem> {
    let rows = sent.rows(1, 1).min(MOST);
    let mut form = Form::new("Register a sample and take portions", "Register and save", "/samples")
        .lead("As it was received, and what you have taken of it: recorded together or not at all.")
        .with(under("sample", "The sample".to_owned(), fields()))
        .shaped(rows)
        .help(
            "A sample as it was received, with its first test portions. The dilution factor is computed, never typed.",
            "ISO/IEC 17025:2017 7.4.3 and 7.5.1; ISO 4787 (volumetric glassware).",
            "Begin a run of it. A mass that a balance sends is taken over where a portion is recorded by itself.",
        );
    for row in 0..rows {
        let title = if rows == 1 { "Test portion".to_owned() } else { format!("Test portion {}", row + 1) };
        form = form.with(under(&format!("portions[{row}]"), title, portion_fields(&db).await?));
    }
    if rows < MOST {
        let more = Field::new(RESHAPE, "One more portion", Kind::Reshape("more".to_owned())).optional();
        form = form.with([more.part("More")]);
    }
    proposals::of_sample(&db, &shell, &mut form, "sample.").await?;
    proposals::of_first_portions(&db, &mut form, rows).await?;
    shell
        .take(&who, &sent, form, async |act, new: NewSampleWithPortions| {
            let answer = service::record(&db, &act, new).await?;
            Ok(onward(&answer, &format!("/samples/{}", field_of(&answer, "sample.id"))))
        })
        .await
}
