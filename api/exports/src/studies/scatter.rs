//! Live formulas of scatter, bias against a value, detection, ruggedness, and uncertainty top-down.

use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::statistics::ruggedness::YOUDEN_STEINER;
use ferrotitre_core::validation::Statistic;
use ferrotitre_quality::validation_studies::answer::CharacteristicAnswer;
use ferrotitre_quality::validation_studies::kinds::Kind;

use super::live::{
    Block, Formulas, Live, Span, about_line, below, fisher_tail, groups_table, range, student, student_of,
};
use crate::cells::Cell;

/// Repeatability and intermediate precision.
pub(super) fn precision(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let alpha = 1.0 - answer.design.confidence();
    let groups = block.groups(1);
    let mut found = Formulas::default();
    let (mean, s_r) = if groups.len() < 2 {
        let data = block.values();
        let s_r = Live::deviation(&format!("STDEV({data})"), &format!("(COUNT({data})-1)"), alpha);
        (format!("AVERAGE({data})"), s_r)
    } else if block.n() > groups.len() {
        components(&mut found, block, &groups, alpha)
    } else {
        // Groups of one say nothing of s_r.
        return found;
    };
    let percent = format!("100/ABS({mean})");
    found.add(Statistic::RelativeRepeatability, s_r.times(&percent));
    found.add(Statistic::RepeatabilityLimit, s_r.times("2.8"));
    let fraction = match answer.unit.as_str() {
        "% m/m" => Some("100"),
        "g/L" => Some("1000"),
        "mg/L" => Some("1000000"),
        _ => None,
    };
    if let Some(parts) = fraction {
        found.add_value(Statistic::HorRat, format!("{percent}*{}/(2*({mean}/{parts})^-0.15)", s_r.value));
    }
    found.add(Statistic::RepeatabilitySd, s_r);
    found.add_value(Statistic::Mean, mean);
    found
}

/// Variance components of groups; the mean and s_r.
fn components(found: &mut Formulas, block: &Block, groups: &[Span], alpha: f64) -> (String, Live) {
    let data = block.values();
    let (k, n) = (groups.len(), block.n());
    let (df_b, df_w) = (k - 1, n - k);
    let (first, last) = groups_table(found, block, groups);
    let [sizes, squares, means] = ["B", "C", "D"].map(|letter| range(letter, first, last));
    let ms_w = below(found, block, "MS within", &format!("SUM({squares})/{df_w}"));
    let ms_b = below(found, block, "MS between", &format!("SUMPRODUCT({sizes},({means}-AVERAGE({data}))^2)/{df_b}"));
    let n0 = below(found, block, "n0", &format!("({n}-SUMSQ({sizes})/{n})/{df_b}"));
    let between = below(found, block, "variance between groups", &format!("MAX(0,({ms_b}-{ms_w})/{n0})"));
    // By Satterthwaite; those of s_r where s_L was set to 0.
    let sum = format!("({ms_b}/{n0}+(1-1/{n0})*{ms_w})^2");
    let parts = format!("(({ms_b}/{n0})^2/{df_b}+((1-1/{n0})*{ms_w})^2/{df_w})");
    let name = "degrees of freedom of s_I";
    let df_i = below(found, block, name, &format!("IF({ms_b}<{ms_w},{df_w},{sum}/{parts})"));
    let s_i = format!("SQRT({ms_w}+{between})");
    let mean = format!("AVERAGE({data})");
    let end = |p: f64| format!("SQRT(MAX(0,{df_b}*({ms_b}-FINV({p},{df_b},{df_w})*{ms_w})/({n0}*CHIINV({p},{df_b}))))");
    let interval = Some((end(alpha / 2.0), end(1.0 - alpha / 2.0)));
    found.add(Statistic::BetweenGroupSd, Live { value: format!("SQRT({between})"), interval });
    let intermediate = Live::deviation(&s_i, &df_i, alpha);
    found.add(Statistic::RelativeIntermediate, intermediate.times(&format!("100/ABS({mean})")));
    found.add(Statistic::IntermediateSd, intermediate);
    found.add_value(Statistic::IntermediateDegreesOfFreedom, df_i);
    found.add_value(Statistic::IntermediateOverRepeatability, format!("{s_i}/SQRT({ms_w})"));
    found.add_value(Statistic::BetweenP, format!("FDIST({ms_b}/{ms_w},{df_b},{df_w})"));
    let s_r = Live::deviation(&format!("SQRT({ms_w})"), &df_w.to_string(), alpha);
    found.add_value(Statistic::MeanSquareWithin, ms_w);
    found.add_value(Statistic::MeanSquareBetween, ms_b);
    (mean, s_r)
}

/// Trueness, and the scatter of an analyst against the method's.
pub(super) fn trueness(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let design = &answer.design;
    let (Some(reference), Some(u)) = (&design.reference, &design.reference_u) else { return found };
    let (reference, u) = (reference.value(), u.value());
    let data = block.values();
    let bias = format!("(AVERAGE({data})-({reference}))");
    let u_bias = format!("SQRT(VAR({data})/COUNT({data})+{u}^2)");
    let around = Live::around(&bias, &format!("2*{u_bias}"));
    found.add_value(Statistic::Mean, format!("AVERAGE({data})"));
    found.add(Statistic::RelativeBias, around.times_signed(&format!("100/({reference})")));
    found.add(Statistic::Bias, around);
    found.add_value(Statistic::BiasRatio, format!("ABS({bias})/(2*{u_bias})"));
    found.add_value(Statistic::BiasUncertainty, u_bias);
    if let (Kind::Competence, Some(known)) = (answer.kind, design.known_sd.as_ref().map(Decimal::value)) {
        let alpha = 1.0 - design.confidence();
        let dof = block.n().saturating_sub(1);
        let ratio = format!("(VAR({data})/{known}^2)");
        found.add(Statistic::SampleSd, Live::deviation(&format!("STDEV({data})"), &dof.to_string(), alpha));
        found
            .add_value(Statistic::VarianceP, fisher_tail(&ratio, dof, design.known_sd_df.as_ref().map(Decimal::value)));
        found.add_value(Statistic::VarianceF, ratio);
    }
    found
}

/// Limits of detection and quantification from values near zero.
fn near_zero(answer: &CharacteristicAnswer, data: &str) -> [(String, Option<Live>); 4] {
    let design = &answer.design;
    let s0 = format!("STDEV({data})");
    let replicates = design.routine_replicates.unwrap_or(1);
    let adjusted = match design.routine_blanks {
        Some(blanks) => format!("{s0}*SQRT(1/{replicates}+1/{blanks})"),
        None => format!("{s0}*SQRT(1/{replicates})"),
    };
    let k = design.quantification_factor.as_ref().map_or(10.0, Decimal::value);
    let scatter = Live::deviation(&s0, &format!("(COUNT({data})-1)"), 1.0 - design.confidence());
    [(s0, Some(scatter)), (format!("3*{adjusted}"), None), (format!("{k}*{adjusted}"), None), (adjusted, None)]
}

pub(super) fn detection(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let [(_, scatter), (lod, _), (loq, _), (adjusted, _)] = near_zero(answer, &block.values());
    if let Some(scatter) = scatter {
        found.add(Statistic::SdNearZero, scatter);
    }
    found.add_value(Statistic::DetectionLimit, lod);
    found.add_value(Statistic::QuantificationLimit, loq);
    found.add_value(Statistic::AdjustedSdNearZero, adjusted);
    found
}

/// At several contents of total iron, and the slope of the scatter against them.
pub(super) fn detection_by_difference(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let design = &answer.design;
    found.table.push(["Total iron", "s0"].map(Cell::Head).to_vec());
    for group in block.groups(1) {
        let Some((level, total)) = group.labels.first().and_then(|level| Some((level, level.parse::<f64>().ok()?)))
        else {
            continue;
        };
        if group.n() < 2 {
            continue;
        }
        let [(s0, scatter), (lod, _), (loq, _), _] = near_zero(answer, &group.values());
        found.table.push(vec![Cell::Number(total), Cell::Formula(format!("={s0}"))]);
        if let Some(scatter) = scatter {
            found.add_of(Statistic::SdNearZeroAt, level, scatter);
        }
        found.add_of(Statistic::DetectionLimitAt, level, Live::value(lod));
        found.add_of(Statistic::RelativeQuantificationLimitAt, level, Live::value(format!("100*{loq}/{total}")));
        found.add_of(Statistic::QuantificationLimitAt, level, Live::value(loq));
        if let Some(letter) = block.letter("standard_uncertainty") {
            let own = group.range(letter);
            found.add_of(Statistic::UncertaintyAt, level, Live::value(format!("SQRT(SUMSQ({own})/COUNT({own}))")));
        }
        if let (Some(titre), Some(u)) = (&design.titre_ml, &design.titre_u_ml) {
            let model = format!("{total}*SQRT(2)*{}/{}", u.value(), titre.value());
            found.add_of(Statistic::ModelUncertaintyAt, level, Live::value(model));
        }
    }
    let totals = found.table.len() - 1;
    if totals >= 3 {
        let rows = (block.free + 1, block.free + totals);
        let (x, y) = (range("A", rows.0, rows.1), range("B", rows.0, rows.1));
        let t = student(1.0 - design.confidence(), totals - 2);
        let half = format!("{t}*{}/SQRT(DEVSQ({x}))", about_line(&y, &x, totals - 2));
        found.add(Statistic::SdNearZeroSlope, Live::around(&format!("SLOPE({y},{x})"), &half));
    }
    found
}

/// Seven factors in eight runs: the plan as signs beside the means of the runs.
pub(super) fn ruggedness(answer: &CharacteristicAnswer, block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let design = &answer.design;
    let Some(sd) = design.known_sd.as_ref().map(Decimal::value) else { return found };
    let dof = design.known_sd_df.as_ref().map(Decimal::value);
    let mut heads = vec![Cell::Head("Run"), Cell::Head("Mean")];
    heads.extend(design.factors.iter().map(|factor| Cell::text(&factor.name)));
    found.table.push(heads);
    for (run, signs) in (1..).zip(YOUDEN_STEINER) {
        let name = run.to_string();
        let Some(span) = block.span(&[&name]) else { return Formulas::default() };
        let mut row = vec![Cell::text(name), Cell::Formula(format!("=AVERAGE({})", span.values()))];
        row.extend(signs.map(|high| Cell::Number(if high { 1.0 } else { -1.0 })));
        found.table.push(row);
    }
    let (first, last) = (block.free + 1, block.free + 8);
    let means = range("B", first, last);
    let mut effects = vec![Cell::text("effect"), Cell::Empty];
    for letter in 'C'..='I' {
        let signs = range(&letter.to_string(), first, last);
        effects.push(Cell::Formula(format!("=SUMPRODUCT({means},{signs})/4")));
    }
    found.table.push(effects);
    let limit = format!("{}*{sd}/SQRT(2)", student_of(1.0 - design.confidence(), dof));
    for (factor, letter) in design.factors.iter().zip('C'..='I') {
        let effect = format!("${letter}${}", last + 1);
        found.add_of(Statistic::Effect, &factor.name, Live::around(&effect, &limit));
        found.add_of(Statistic::RelativeEffect, &factor.name, Live::value(format!("100*{effect}/AVERAGE({means})")));
        found.add_of(Statistic::EffectRatio, &factor.name, Live::value(format!("ABS({effect})/({limit})")));
    }
    let mean_square = format!("(2*SUMSQ($C${0}:$I${0})/7)", last + 1);
    found.add_value(Statistic::EffectsP, fisher_tail(&format!("{mean_square}/{sd}^2"), 7, dof));
    found.add_value(Statistic::EffectsSd, format!("SQRT({mean_square})"));
    found
}

/// Bottom-up against top-down: root mean squares of the arms.
pub(super) fn uncertainty(block: &Block) -> Formulas {
    let mut found = Formulas::default();
    let of = |arm: &str| {
        let data = block.span(&[arm])?.values();
        Some(format!("SQRT(SUMSQ({data})/COUNT({data}))"))
    };
    let bottom_up = of("bottom-up");
    if let (Some(within), Some(bias), Some(reference)) = (of("within-laboratory"), of("bias"), of("reference")) {
        let u_bias = format!("SQRT({bias}^2+{reference}^2)");
        let combined = format!("SQRT({within}^2+{u_bias}^2)");
        if let Some(bottom_up) = &bottom_up {
            found.add_value(Statistic::BottomUpOverTopDown, format!("{bottom_up}/{combined}"));
        }
        found.add_value(Statistic::ExpandedUncertainty, format!("2*{combined}"));
        found.add_value(Statistic::TopDownUncertainty, combined);
        found.add_value(Statistic::BiasComponent, u_bias);
        found.add_value(Statistic::RootMeanSquareBias, bias);
    }
    if let Some(bottom_up) = bottom_up {
        found.add_value(Statistic::BottomUpUncertainty, bottom_up);
    }
    found
}
