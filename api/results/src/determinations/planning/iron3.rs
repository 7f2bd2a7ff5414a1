//! Iron(III) by difference against the share of iron(II), by the aliquots at hand.

use chrono::Utc;
use ferrotitre_base::db::Db;
use ferrotitre_base::pictures::{Axis, Line, Moment, Panel, Point, Shape, Sheet, Stroke, render};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::web::heavy::heavy;
use ferrotitre_core::determination::{Capacity, Detail, Iron3At, Vessel, iron3, iron3_map};
use ferrotitre_html::show;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

use super::{USUAL_CAPACITY, at_hand, refused};
use crate::determinations::iron_results::load;
use crate::determinations::store;

/// Shares of iron(II) that are looked at.
const RATIOS: [f64; 12] = [0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.99];
/// Titres that fill a burette of 50 mL well, mL; common practice, no source.
const WINDOW: (f64, f64) = (30.0, 45.0);

const SIZE: (u32, u32) = (1040, 400);

/// Uncertainty of iron(III) against the share of iron(II).
#[derive(Debug, Serialize, ToSchema)]
pub struct Iron3MapView {
    /// Iron result.
    pub iron_result: Uuid,
    /// Its code.
    #[schema(example = "FE3-1")]
    pub code: String,
    /// Unit of iron(III).
    #[schema(example = "g/L")]
    pub unit: &'static str,
    /// Share of iron(II) as it was found.
    pub present_ratio: f64,
    /// Titre of total iron that fills the burette well, mL.
    pub window_ml: (f64, f64),
    /// By aliquot, the one that was taken first.
    pub aliquots: Vec<AliquotView>,
    /// Aliquots that were left out, and why.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub left_out: Vec<String>,
}

/// What an aliquot would give.
#[derive(Debug, Serialize, ToSchema)]
pub struct AliquotView {
    /// Pipette.
    #[schema(example = "P25")]
    pub pipette: String,
    /// Whether it is the one that was taken.
    pub taken: bool,
    /// Titre of total iron less blank, mL.
    pub total_ml: f64,
    /// Whether that lies in the window.
    pub fills_the_burette: bool,
    /// Iron(III) with the share of iron(II) that was found, then by rising share.
    pub points: Vec<Iron3PointView>,
}

/// Iron(III) at a share of iron(II).
#[derive(Debug, Serialize, ToSchema)]
pub struct Iron3PointView {
    /// Iron(II) over total iron.
    pub ratio: f64,
    /// Titre of iron(II) less blank, mL.
    pub iron2_ml: f64,
    /// Iron(III).
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// The same in per cent of iron(III); absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u_percent: Option<f64>,
}

fn point(of: &Iron3At) -> Iron3PointView {
    Iron3PointView {
        ratio: of.ratio,
        iron2_ml: of.iron2_ml,
        value: of.value,
        u: of.u,
        u_percent: (of.value > 0.0).then(|| 100.0 * of.u / of.value),
    }
}

/// The map of an iron result, read under its signature where it has one.
///
/// # Errors
/// No such result; a part that has none, or whose titres disagree.
pub async fn read(db: &Db, id: Uuid) -> Result<Iron3MapView, Refusal> {
    let (code, total, iron2) = db
        .snapshot(async |connection| {
            let loaded = load(connection, store::iron_result(connection, id).await?).await?;
            Ok((loaded.row.code.clone(), loaded.total.record, loaded.iron2.record))
        })
        .await?;
    let waits = || Refusal::new(Code::NotEnoughData, "not enough data: both determinations must be complete");
    let first = total.titrations.first().ok_or_else(waits)?;
    let hand = at_hand(db, &first.factor, Utc::now()).await?;
    let known = hand.burettes.iter().find(|(_, other)| other.code == first.burette.code);
    let burette = Capacity { ml: known.map_or(USUAL_CAPACITY, |(capacity, _)| *capacity), refills: false };
    let present = iron3(&total, &iron2, Detail::Figures).ok();
    let share = present.as_ref().and_then(|of| Some((of.total.result?.value(), of.value?)));
    let (whole, value) = share.ok_or_else(waits)?;
    let present_ratio = 1.0 - value / whole;
    let mut ratios = vec![present_ratio];
    ratios.extend(RATIOS);
    let own = total.portion.aliquot.as_ref().map(|vessel| vessel.code.clone()).unwrap_or_default();
    let mut others: Vec<Vessel> = hand.pipettes.into_iter().map(|(_, vessel)| vessel).collect();
    others.retain(|vessel| vessel.code != own && !own.is_empty());
    others.sort_by(|a, b| a.volume_ml.total_cmp(&b.volume_ml));
    let work = heavy(move || {
        let mut view = Iron3MapView {
            iron_result: id,
            code,
            unit: total.rules.reporting.unit.symbol(),
            present_ratio,
            window_ml: WINDOW,
            aliquots: Vec::new(),
            left_out: Vec::new(),
        };
        let tried = std::iter::once(None).chain(others.iter().map(Some));
        for aliquot in tried {
            let pipette = aliquot.map_or_else(|| own.clone(), |vessel| vessel.code.clone());
            match iron3_map((&total, &iron2), aliquot, &ratios, burette) {
                Ok(map) => {
                    let total_ml = map.first().map_or(0.0, |of| of.total_ml);
                    view.aliquots.push(AliquotView {
                        pipette,
                        taken: aliquot.is_none(),
                        total_ml,
                        fills_the_burette: (WINDOW.0..=WINDOW.1).contains(&total_ml),
                        points: map.iter().map(point).collect(),
                    });
                }
                Err(error) if aliquot.is_none() => return Err(refused(error)),
                Err(error) => view.left_out.push(format!("{pipette}: {error}")),
            }
        }
        Ok(view)
    });
    work.await?
}

/// Draws u in per cent of iron(III) against the share of iron(II), a line for each aliquot.
pub(in crate::determinations) fn draw(view: &Iron3MapView) -> Result<String, Refusal> {
    let mut panel = Panel::new("u, % of iron(III)", 1);
    panel.include.push(0.0);
    for (at, aliquot) in view.aliquots.iter().enumerate() {
        let shares = aliquot.points.iter().skip(1).filter(|of| of.ratio <= MOST_DRAWN);
        let points: Vec<(f64, f64)> = shares.filter_map(|of| Some((of.ratio, of.u_percent?))).collect();
        panel.points.extend(points.iter().map(|(x, y)| Point {
            x: *x,
            y: *y,
            bar: 0.0,
            shape: Shape::of(at),
            hollow: !aliquot.taken,
            mark: String::new(),
            title: format!("{}: {} % at a share of {}", aliquot.pipette, show::figure(*y, 3), show::figure(*x, 2)),
            link: String::new(),
        }));
        let stroke = if aliquot.taken { Stroke::Plain } else { Stroke::Faint };
        panel.lines.push(Line { points, stroke });
    }
    panel.moments.push(Moment { x: view.present_ratio, name: "as found".to_owned() });
    let legend = view.aliquots.iter().enumerate().map(|(at, aliquot)| {
        let taken = if aliquot.taken { ", taken (filled)" } else { "" };
        format!("{}: {}{taken}", Shape::of(at).name(), aliquot.pipette)
    });
    let legend = vec![format!("{}.", legend.collect::<Vec<_>>().join("; "))];
    let sheet = Sheet {
        title: format!("Iron(III) by difference, {}", view.code),
        description: format!("{} aliquots, share of iron(II) as found {:.3}.", view.aliquots.len(), view.present_ratio),
        axis: Axis::Number("iron(II) / total iron".to_owned()),
        range: (0.0, 1.0),
        panels: vec![panel],
        legend,
    };
    render(&sheet, SIZE).map_err(Refusal::internal)
}

/// Beyond this share the relative uncertainty would leave no room for the rest of the picture.
const MOST_DRAWN: f64 = 0.95;
