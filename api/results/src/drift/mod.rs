//! How the factor of a lot moves in time, when it leaves its tolerance, and what that does to results.

mod handlers;
pub mod pages;
mod picture;
mod schedule;
pub mod wire;

use chrono::{DateTime, Duration, Utc};
use ferrotitre_base::alert::{Alert, ending};
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::ids::FactorId;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_base::states;
use ferrotitre_base::web::mount::{Describe, Mount};
use ferrotitre_base::zone;
use ferrotitre_bench::titrants::service::KIND;
use ferrotitre_bench::titrants::standardisations;
use ferrotitre_bench::titrants::store::{self, FactorRow, TitrantRow};
use ferrotitre_core::control::cusum::CusumPoint;
use ferrotitre_core::control::drift::{
    Drift, Effect, FactorPoint, Staleness, drift, effect, interpolate, longest_interval,
};
use ferrotitre_core::statistics::regression::{Leaving, StraightLine, Tolerance};
use ferrotitre_core::statistics::summary::median;
use ferrotitre_core::statistics::trend::{KendallForm, MannKendall, TheilSen};
use uuid::Uuid;
use wire::{
    BandPoint, CumulativeSum, DriftPoint, DriftQuestion, DriftView, EffectView, FactorAt, InterpolatedView,
    IntervalView, LineView, Missing, Passage, TheilSenView, TrendView,
};

use crate::determinations::measured;

/// Mounts the operations.
pub fn routes(mount: &mut Mount<'_, impl Describe>) {
    mount
        .service(handlers::read_titrant_drift)
        .service(handlers::draw_titrant_drift)
        .service(handlers::draw_titrant_drift_pixels)
        .service(handlers::read_titrant_factor_at);
}

/// Confidence of all intervals and bands.
const CONFIDENCE: f64 = 0.95;
/// Newest determinations whose uncertainty the effect of a drift is compared with.
const DETERMINATIONS: i64 = 9;
/// Points of a drawn band.
const BAND_POINTS: usize = 60;

/// What is known of a lot at a moment.
struct Known {
    lot: TitrantRow,
    state: String,
    /// Oldest first, none that begins after the moment.
    factors: Vec<FactorRow>,
    now: DateTime<Utc>,
}

async fn known(connection: &Connection, id: Uuid, question: &DriftQuestion) -> Result<Known, Refusal> {
    let now = question.at.unwrap_or_else(Utc::now);
    let lot = store::titrant(connection, id).await?;
    let state = states::present(connection, KIND, id).await?.state;
    let mut factors = store::factors(connection, lot.id).await?;
    factors.retain(|factor| factor.valid_from <= now);
    factors.reverse();
    Ok(Known { lot, state, factors, now })
}

impl Known {
    fn nominal(&self) -> f64 {
        self.lot.nominal_mol_per_l.value()
    }

    fn tolerance(&self) -> Tolerance {
        Tolerance { low: Some(self.lot.factor_low.value()), high: Some(self.lot.factor_high.value()) }
    }

    /// Days are counted from the first factor: the numbers stay small, and an intercept means something.
    fn begin(&self) -> DateTime<Utc> {
        self.factors.first().map_or(self.now, |factor| factor.valid_from)
    }

    fn day(&self, moment: DateTime<Utc>) -> f64 {
        (moment - self.begin()).num_milliseconds() as f64 / 86_400_000.0
    }

    fn moment(&self, day: f64) -> Option<DateTime<Utc>> {
        let seconds = day * 86_400.0;
        // Beyond a century nobody plans.
        (seconds.abs() < 3.2e9).then(|| self.begin() + Duration::milliseconds((seconds * 1000.0) as i64))
    }

    fn point(&self, factor: &FactorRow) -> FactorPoint {
        FactorPoint {
            day: self.day(factor.valid_from),
            factor: factor.factor.value(),
            u: factor.standard_uncertainty.value() / self.nominal(),
        }
    }

    fn points(&self) -> Vec<FactorPoint> {
        self.factors.iter().map(|factor| self.point(factor)).collect()
    }

    fn in_force(&self) -> Option<&FactorRow> {
        self.factors.last()
    }

    fn passage(&self, leaving: Leaving) -> Passage {
        match leaving {
            Leaving::Already => Passage { outside_already: true, day: None, at: None },
            Leaving::Never => Passage { outside_already: false, day: None, at: None },
            Leaving::At(day) => Passage { outside_already: false, day: Some(day), at: self.moment(day) },
        }
    }
}

/// Answers the drift question of a lot.
pub(super) async fn read(db: &Db, id: Uuid, question: &DriftQuestion) -> Result<DriftView, Refusal> {
    question.check()?;
    let mut view = db
        .read(async |connection| {
            let known = known(connection, id, question).await?;
            let mut view = view(&known, question);
            if let Some(effect) = &mut view.effect_now {
                let factors: Vec<FactorId> = known.factors.iter().map(|factor| factor.id).collect();
                let relative = measured::relative_uncertainties(connection, &factors, DETERMINATIONS).await?;
                effect.determinations = relative.len();
                effect.share_of_u = median(&relative).ok().map(|u| effect.percent.abs() / (200.0 * u));
            }
            Ok(view)
        })
        .await?;
    let mut standardised = standardisations::list(db, id).await?;
    standardised.retain(|one| one.observed_at <= view.at);
    view.schedules = schedule::schedules(&view, &standardised, question)?;
    Ok(view)
}

/// The picture of how often to standardise; none where no schedule is known.
pub(super) fn draw_schedules(view: &DriftView) -> Result<Option<String>, Refusal> {
    view.schedules.as_ref().filter(|of| !of.schedules.is_empty()).map(|of| schedule::draw(of, &view.code)).transpose()
}

/// The picture of it.
pub(super) async fn draw(db: &Db, id: Uuid, question: &DriftQuestion) -> Result<String, Refusal> {
    let known = db.read(async |connection| known(connection, id, question).await).await?;
    let view = view(&known, question);
    picture::draw(&view).map_err(Refusal::internal)
}

fn view(known: &Known, question: &DriftQuestion) -> DriftView {
    let points = known.points();
    let read = drift(&points, known.tolerance(), CONFIDENCE);
    let mut missing = Vec::new();
    let line = keep("regression", &read.line, &mut missing);
    let slope = if line.is_some() { keep("test of the slope", &read.slope, &mut missing) } else { None };
    let passage =
        if line.is_some() { keep("date of leaving the tolerance", &read.passage, &mut missing) } else { None };
    let trend = keep("Mann-Kendall test", &read.mann_kendall, &mut missing);
    let theil_sen = keep("Theil-Sen slope", &read.theil_sen, &mut missing);
    let sums = keep("cumulative sums", &read.cusum, &mut missing);
    let effect_now = line
        .as_ref()
        .zip(known.in_force())
        .and_then(|(line, factor)| effect(line, factor.factor.value(), known.day(known.now), CONFIDENCE).ok());
    let by_band = passage.as_ref().map(|passage| known.passage(passage.prediction_band));
    let (restandardise_by, because) = due(known, by_band.as_ref());
    DriftView {
        titrant: known.lot.id.0,
        code: known.lot.code.clone(),
        state: known.state.clone(),
        at: known.now,
        factor_low: known.lot.factor_low.clone(),
        factor_high: known.lot.factor_high.clone(),
        points: known.factors.iter().map(|factor| point_view(known, factor)).collect(),
        line: line.as_ref().map(|line| LineView {
            slope_per_day: line.slope.estimate,
            slope_standard_error: line.slope.standard_error,
            slope_p: slope.as_ref().map(|test| test.p.two_sided),
            intercept: line.intercept.estimate,
            residual_sd: line.residual_sd,
            degrees_of_freedom: line.degrees_of_freedom,
            confidence: CONFIDENCE,
            band: band(known, line, passage.as_ref().map(|passage| passage.prediction_band)),
        }),
        leaves_by_line: passage.as_ref().map(|passage| known.passage(passage.line)),
        leaves_by_confidence_band: passage.as_ref().map(|passage| known.passage(passage.confidence_band)),
        leaves_by_prediction_band: by_band,
        restandardise_by,
        because: because.to_owned(),
        mann_kendall: trend.as_ref().map(trend_view),
        theil_sen: theil_sen.as_ref().map(theil_sen_view),
        cumulative_sums: sums.unwrap_or_default().iter().map(sum_view).collect(),
        effect_now: effect_now.as_ref().map(effect_view),
        interval: interval(known, &read, question, &mut missing),
        schedules: None,
        missing,
    }
}

/// An answer, or the reason why there is none, said once.
fn keep<T: Clone, E: std::fmt::Display>(what: &str, answer: &Result<T, E>, missing: &mut Vec<Missing>) -> Option<T> {
    match answer {
        Ok(value) => Some(value.clone()),
        Err(error) => {
            missing.push(Missing { what: what.to_owned(), detail: error.to_string() });
            None
        }
    }
}

fn trend_view(test: &MannKendall) -> TrendView {
    let exact = matches!(test.form, KendallForm::Exact);
    TrendView { s: test.s, tau: test.tau, p: test.p.two_sided, exact }
}

fn theil_sen_view(line: &TheilSen) -> TheilSenView {
    TheilSenView {
        slope_per_day: line.slope,
        low: line.slope_interval.map(|interval| interval.low),
        high: line.slope_interval.map(|interval| interval.high),
    }
}

fn sum_view(sum: &CusumPoint) -> CumulativeSum {
    CumulativeSum { upper: sum.upper, lower: sum.lower, beyond: sum.beyond }
}

fn effect_view(effect: &Effect) -> EffectView {
    EffectView {
        expected_factor: effect.expected,
        low: effect.confidence_band.low,
        high: effect.confidence_band.high,
        percent: effect.percent,
        share_of_u: None,
        determinations: 0,
    }
}

fn point_view(known: &Known, factor: &FactorRow) -> DriftPoint {
    let point = known.point(factor);
    DriftPoint {
        factor_id: factor.id.0,
        standardisation: factor.standardisation_id.map(|id| id.0),
        preparation: factor.preparation_id.map(|id| id.0),
        at: factor.valid_from,
        day: point.day,
        factor: point.factor,
        u: point.u,
        valid_to: factor.valid_to,
    }
}

/// The earliest of what ends the use of the present factor.
fn due(known: &Known, band: Option<&Passage>) -> (Option<DateTime<Utc>>, &'static str) {
    let Some(factor) = known.in_force() else { return (None, "the lot has no factor yet") };
    let mut ends =
        vec![(factor.valid_to, "end of validity of the factor"), (known.lot.expires_at, "end of use of the lot")];
    if let Some(passage) = band {
        if passage.outside_already {
            ends.push((factor.valid_from, "the prediction band is outside the tolerance already"));
        }
        ends.extend(passage.at.map(|at| (at, "the prediction band leaves the tolerance")));
    }
    ends.into_iter().min_by_key(|(at, _)| *at).map_or((None, ""), |(at, because)| (Some(at), because))
}

fn band(known: &Known, line: &StraightLine, leaving: Option<Leaving>) -> Vec<BandPoint> {
    let last = known.day(known.now);
    let until = match leaving {
        // The crossing is what the picture is for; a lot that hardly drifts is not drawn into the next century.
        Some(Leaving::At(day)) => day.clamp(last, last.max(1.0) * 3.0 + 14.0),
        _ => last,
    };
    (0..=BAND_POINTS)
        .filter_map(|step| {
            let day = until * step as f64 / BAND_POINTS as f64;
            let predicted = line.predict(day, 1, CONFIDENCE).ok()?;
            Some(BandPoint {
                day,
                at: known.moment(day)?,
                fitted: predicted.fitted,
                confidence_low: predicted.confidence_band.low,
                confidence_high: predicted.confidence_band.high,
                prediction_low: predicted.prediction_band.low,
                prediction_high: predicted.prediction_band.high,
            })
        })
        .collect()
}

fn interval(known: &Known, read: &Drift, question: &DriftQuestion, missing: &mut Vec<Missing>) -> Option<IntervalView> {
    let budget = question.u_budget_percent?;
    let Ok(line) = &read.line else { return None };
    let (factor, u) = known.points().last().map(|point| (point.factor, point.u))?;
    let staleness = Staleness { drift_per_day: line.slope.estimate / factor, walk_variance_per_day: 0.0 };
    let days = longest_interval(budget / 100.0, u / factor, staleness);
    let days = keep("longest interval between standardisations", &days, missing)?;
    Some(IntervalView { u_budget_percent: budget, u_of_a_standardisation_percent: 100.0 * u / factor, days })
}

/// Factor of a lot at a moment: the one in force, and where another follows, the one interpolated between both.
pub(super) async fn factor_at(db: &Db, id: Uuid, at: DateTime<Utc>) -> Result<FactorAt, Refusal> {
    let everything = DriftQuestion { at: Some(DateTime::<Utc>::MAX_UTC), ..DriftQuestion::default() };
    let known = db.read(async |connection| known(connection, id, &everything).await).await?;
    let next = known.factors.partition_point(|factor| factor.valid_from <= at);
    let Some(before) = next.checked_sub(1).and_then(|index| known.factors.get(index)) else {
        return Err(Refusal::new(Code::NoFactor, format!("{} had no factor in force at {at}", known.lot.code)).at(
            "at",
            "factor",
            at.to_rfc3339(),
        ));
    };
    let after = known.factors.get(next);
    let interpolated = after
        .map(|after| interpolate(known.point(before), known.point(after), known.day(at)))
        .transpose()
        .map_err(Refusal::internal)?;
    Ok(FactorAt {
        titrant: known.lot.id.0,
        at,
        in_force: before.clone().into(),
        next: after.cloned().map(Into::into),
        interpolated: interpolated.map(|both| InterpolatedView {
            factor: both.factor,
            u: both.u,
            difference_percent: 100.0 * (before.factor.value() / both.factor - 1.0),
        }),
    })
}

/// Lots in use whose factor or whose own use has ended or ends soon, or whose prediction band leaves the tolerance.
pub async fn alerts(connection: &Connection, now: DateTime<Utc>, until: DateTime<Utc>) -> Result<Vec<Alert>, Refusal> {
    let question = DriftQuestion { at: Some(now), ..DriftQuestion::default() };
    let mut alerts = Vec::new();
    let lots = store::recent_titrants(connection).await?;
    let mut live = states::present_many(connection, KIND, &lots).await?;
    live.retain(|_, state| matches!(state.as_str(), "released" | "in use"));
    // Only what can still be titrated with is looked into: a few lots, however many there were.
    for id in lots.into_iter().filter(|id| live.contains_key(id)) {
        let known = known(connection, id, &question).await?;
        let view = view(&known, &question);
        let Some(by) = view.restandardise_by else { continue };
        alerts.extend(ending((now, until), by, |urgency| Alert {
            kind: "titrant lot near its end",
            urgency,
            subject_kind: "titrants",
            subject: id,
            message: format!(
                "{}: standardise or replace by {}: {}",
                view.code,
                zone::local(by).format("%Y-%m-%d"),
                view.because
            ),
            code: view.code.clone(),
            due_at: Some(by),
        }));
    }
    Ok(alerts)
}
