//! What is shown beside a limit where it holds for several levels, groups or factors: the one that stands worst against it.

use crate::validation_studies::answer::{IntervalOf, Judgement, StudyStatistic};
use crate::validation_studies::kinds::Rule;

/// Of each limit, in their order, the judgement that lies furthest beyond it or, where all are met, nearest to it, with the interval
/// that was judged.
pub fn of_each_limit<'a>(
    judged: &'a [Judgement],
    statistics: &[StudyStatistic],
) -> Vec<(&'a Judgement, Option<IntervalOf>)> {
    let interval = |of: &Judgement| {
        let same = |known: &&StudyStatistic| known.name.key() == of.statistic && known.of == of.of;
        statistics.iter().find(same).and_then(|known| known.interval).filter(|_| of.rule != Rule::Value)
    };
    let mut worst: Vec<(&Judgement, Option<IntervalOf>)> = Vec::new();
    for one in judged {
        let found = (one, interval(one));
        match worst.iter_mut().find(|(known, _)| same_limit(known, one)) {
            Some(known) if strain(found) > strain(*known) => *known = found,
            Some(_) => {}
            None => worst.push(found),
        }
    }
    worst
}

fn same_limit(a: &Judgement, b: &Judgement) -> bool {
    (&a.statistic, a.rule, a.lower, a.upper) == (&b.statistic, b.rule, b.lower, b.upper)
}

/// How far what was compared lies towards a limit and beyond it: above 1 beyond it, 1 on it. One that is not met is worse than any
/// that is, whatever rounding does on the limit itself.
fn strain((judgement, interval): (&Judgement, Option<IntervalOf>)) -> f64 {
    let Judgement { lower, upper, value, .. } = *judgement;
    let (low, high) = match (judgement.rule, interval) {
        (Rule::Interval, Some(interval)) => (interval.low, interval.high),
        // The interval need only reach the limits: its far ends are what is compared.
        (Rule::Covers, Some(interval)) => (interval.high, interval.low),
        _ => (value, value),
    };
    let width = match (lower, upper) {
        (Some(lower), Some(upper)) if upper > lower => (upper - lower) / 2.0,
        (_, Some(limit)) | (Some(limit), None) if limit != 0.0 => limit.abs(),
        _ => 1.0,
    };
    let above = upper.map(|upper| 1.0 + (high - upper) / width);
    let below = lower.map(|lower| 1.0 + (lower - low) / width);
    let most = above.into_iter().chain(below).fold(f64::NEG_INFINITY, f64::max);
    if judgement.met { most } else { most.max(1.0) + f64::EPSILON }
}

#[cfg(test)]
mod tests {
    use ferrotitre_core::validation::Statistic;

    use super::*;

    fn judged(statistic: Statistic, of: &str, limits: (Option<f64>, Option<f64>), value: f64) -> Judgement {
        let (lower, upper) = limits;
        Judgement {
            statistic: statistic.key().to_owned(),
            of: Some(of.to_owned()),
            rule: Rule::Value,
            lower,
            upper,
            unit: "%".to_owned(),
            value,
            met: lower.is_none_or(|lower| value >= lower) && upper.is_none_or(|upper| value <= upper),
        }
    }

    fn shown(all: &[Judgement]) -> Vec<f64> {
        of_each_limit(all, &[]).into_iter().map(|(one, _)| one.value).collect()
    }

    #[test]
    fn the_worst_of_several_levels_is_shown_and_not_the_first() {
        let bias = |of, value| judged(Statistic::RelativeDifference, of, (Some(-2.0), Some(2.0)), value);
        // All are met: the nearest to its limit, on either side.
        assert_eq!(shown(&[bias("a", 0.3409), bias("b", 1.246), bias("c", -0.9)]), [1.246]);
        assert_eq!(shown(&[bias("a", 0.3409), bias("b", 1.246), bias("c", -1.9)]), [-1.9]);
        // Several are not met: not the first of them, but the furthest beyond.
        assert_eq!(shown(&[bias("a", 2.1), bias("b", -3.5), bias("c", 1.9)]), [-3.5]);
    }

    #[test]
    fn each_limit_has_its_own_worst() {
        let sd = |of, value| judged(Statistic::Effect, of, (None, Some(1.0)), value);
        let recovery = |of, value| judged(Statistic::RecoveryAtLevel, of, (Some(97.0), None), value);
        assert_eq!(shown(&[sd("1", 0.2), sd("2", 0.9), recovery("1", 99.0), recovery("2", 97.5)]), [0.9, 97.5]);
    }

    #[test]
    fn an_interval_is_judged_by_the_end_that_reaches_furthest() {
        let whole = |of: &str, value: f64, met| Judgement {
            rule: Rule::Interval,
            met,
            ..judged(Statistic::RecoveryAtLevel, of, (Some(95.0), Some(105.0)), value)
        };
        let statistic = |of: &str, value: f64, half: f64| StudyStatistic {
            name: Statistic::RecoveryAtLevel,
            of: Some(of.to_owned()),
            symbol: "R",
            title: "recovery",
            value,
            unit: "%",
            interval: Some(IntervalOf { low: value - half, high: value + half, confidence: 0.95 }),
            formula: "",
            source: "",
        };
        // 101 ± 3.5 reaches further than 102 ± 1.
        let all = [whole("a", 102.0, true), whole("b", 101.0, true)];
        let found = of_each_limit(&all, &[statistic("a", 102.0, 1.0), statistic("b", 101.0, 3.5)]);
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].0.value, found[0].1.map(|interval| interval.high)), (101.0, Some(104.5)));
    }
}
