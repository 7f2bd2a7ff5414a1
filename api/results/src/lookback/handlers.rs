//! Hypotheses over HTTP.

use actix_web::web::Bytes;
use actix_web::{HttpResponse, get, web};
use ferrotitre_base::auth::allowed::Allowed;
use ferrotitre_base::auth::permissions::acts::ReadRecords;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::body::Params;
use ferrotitre_base::web::problem::Problem;
use futures_util::stream;

use crate::lookback::question;
use crate::lookback::run::{self, Event};
use crate::lookback::wire::{SupposedAnswer, WhatIf};

fn written(answer: &SupposedAnswer, into: &mut Vec<u8>) -> Result<(), Refusal> {
    serde_json::to_writer(&mut *into, answer).map_err(Refusal::internal)?;
    into.push(b'\n');
    Ok(())
}

/// An event as lines of JSON; what is done so far and how many there are go on in between.
fn lines(event: Result<Event, Refusal>, (done, reached): (&mut u64, &mut u64)) -> Vec<u8> {
    let mut text = Vec::new();
    let outcome = match event {
        Ok(Event::Began(count)) => {
            *reached = count;
            written(&SupposedAnswer::Progress([0, count]), &mut text)
        }
        Ok(Event::Lines(some)) => {
            *done += some.len() as u64;
            let progress = SupposedAnswer::Progress([*done, *reached]);
            let mut lines = some.into_iter().map(|line| SupposedAnswer::Result(Box::new(line)));
            lines.try_for_each(|line| written(&line, &mut text)).and_then(|()| written(&progress, &mut text))
        }
        Ok(Event::Ended(totals)) => written(&SupposedAnswer::Totals(totals), &mut text),
        Err(refusal) => written(&SupposedAnswer::Failed(refusal.detail), &mut text),
    };
    // What cannot be written ends the answer without its last line, which says that it is not whole.
    outcome.map(|()| text).unwrap_or_default()
}

/// Evaluates a hypothesis against every signed result that it reaches: what was signed beside what it would come to, the
/// difference in expanded uncertainties, decisions that would differ, and counts that show the list is complete.
///
/// The answer comes line by line while it is computed, each line an object with one field: `hypothesis`, `progress`, `result`,
/// at last `totals`, or `failed`. Nothing is recorded, and it ends when the asker leaves, or has read nothing of it for 10 s.
#[utoipa::path(tag = "impacts", params(WhatIf), responses((status = 200, description = "Lines of JSON", content_type = "application/x-ndjson", body = SupposedAnswer)))]
#[get("/what-if")]
pub(super) async fn suppose(
    who: Allowed<ReadRecords>,
    db: web::Data<Db>,
    asked: Params<WhatIf>,
) -> Result<HttpResponse, Problem> {
    let question = question::ask(&db, who.user(), &asked.0).await?;
    let mut first = Vec::new();
    written(&SupposedAnswer::Hypothesis(question.words.clone()), &mut first)?;
    let heard = run::run(&db, question).await?;
    let answer = stream::unfold((Some(first), heard, 0, 0), |(first, mut heard, mut done, mut reached)| async move {
        let text = match first {
            Some(first) => first,
            None => lines(heard.recv().await?, (&mut done, &mut reached)),
        };
        Some((Ok::<_, std::convert::Infallible>(Bytes::from(text)), (None, heard, done, reached)))
    });
    Ok(HttpResponse::Ok().content_type("application/x-ndjson").streaming(Box::pin(answer)))
}
