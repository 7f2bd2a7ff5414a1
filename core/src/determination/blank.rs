//! Blanks: which of them count, in whose titrant, and what the oxidant of a back-titration came to without sample.

use crate::chemistry::indicator;
use crate::determination::amount::{Replicates, scatter};
use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Blank, BlankKind, Central, Excess, Factor, Record, Standing, Titration};
use crate::determination::titre::{Delivery, Measured, volume};
use crate::determination::verdict::{Outcome, Verdict};
use crate::uncertainty::InputError;
use crate::working::{Fact, Handle, Identity, Index, Label, Leaf, Origin, Quantity, Sheet, Source};

/// Titrants whose blanks may stand for each other: concentrations in equivalents within a tenth. common practice, no source.
const SAME_CONCENTRATION: f64 = 0.1;

/// Whether what is left of an oxidant is titrated.
pub(super) fn is_back_titration(record: &Record) -> bool {
    record.rules.chemistry == "back-titration"
}

/// Whether the indicator turns only where iron is present, so that a blank needs added iron(II). Where iron(II) is in the
/// burette, there is iron at the end point.
pub(super) fn indicator_needs_iron(record: &Record) -> bool {
    !is_back_titration(record) && indicator(&record.rules.indicator).is_some_and(|entry| entry.needs_iron)
}

/// Why a blank that was not rejected is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LeftOut {
    /// Without iron its indicator could not turn: it shows no end point, and its volume means nothing.
    WithoutIron,
    /// Of a titrant of another kind or concentration.
    OtherTitrant,
    /// Without the oxidant of the samples, or with another volume of it.
    OtherOxidant,
    /// Of the indicator alone, where there are blanks of all reagents, which hold the indicator, too.
    OtherKind,
}

fn latest_titration(record: &Record) -> Option<&Titration> {
    record.titrations.iter().rfind(|titration| titration.standing == Standing::Counted).or(record.titrations.last())
}

/// Blanks that were not rejected, each with why it is left out.
pub(super) fn judged(record: &Record) -> Vec<(&Blank, Option<LeftOut>)> {
    let (needs_iron, back) = (indicator_needs_iron(record), is_back_titration(record));
    let titration = latest_titration(record);
    let counted = record.blanks.iter().filter(|blank| blank.standing == Standing::Counted);
    let mut all: Vec<(&Blank, Option<LeftOut>)> = counted
        .map(|blank| {
            let has_iron = blank.iron_equivalent_ml.is_some() || blank.added.is_some();
            let other = titration.zip(blank.factor.as_ref()).is_some_and(|(of, factor)| !alike(factor, &of.factor));
            let oxidant = titration.and_then(|of| of.excess.as_ref()).zip(blank.added.as_ref());
            let why = match blank.kind {
                _ if needs_iron && !has_iron => Some(LeftOut::WithoutIron),
                _ if other => Some(LeftOut::OtherTitrant),
                BlankKind::Indicator if back => Some(LeftOut::OtherKind),
                // Nothing says that it held the oxidant: it was recorded before that was asked for, or without it.
                _ if back && blank.added.is_none() => Some(LeftOut::OtherOxidant),
                _ if back
                    && oxidant.is_some_and(|(of, added)| {
                        of.factor.lot != added.factor.lot || of.pipette.id != added.pipette.id
                    }) =>
                {
                    Some(LeftOut::OtherOxidant)
                }
                _ => None,
            };
            (blank, why)
        })
        .collect();
    if all.iter().any(|(blank, why)| why.is_none() && blank.kind == BlankKind::Reagent) {
        for (_, why) in all.iter_mut().filter(|(blank, why)| why.is_none() && blank.kind == BlankKind::Indicator) {
            *why = Some(LeftOut::OtherKind);
        }
    }
    all
}

fn alike(one: &Factor, other: &Factor) -> bool {
    let equivalents = |factor: &Factor| f64::from(factor.electrons) * factor.concentration;
    one.electrons == other.electrons && (equivalents(one) / equivalents(other) - 1.0).abs() <= SAME_CONCENTRATION
}

/// Blanks that count.
pub(super) fn usable(record: &Record) -> Vec<&Blank> {
    judged(record).into_iter().filter(|(_, why)| why.is_none()).map(|(blank, _)| blank).collect()
}

/// Titrant that the blanks of a record are expressed in: that of its titrations.
fn reference(record: &Record) -> Option<&Factor> {
    latest_titration(record).map(|titration| &titration.factor)
}

/// A volume of one titrant as the volume of another that takes as many electrons.
///
/// # Formula
/// V' = V z c / (z' c')
fn converted<'s, 'r>(
    sheet: &'s Sheet<'r>,
    volume: Handle<'s>,
    (from, to): (&'r Factor, &'r Factor),
) -> Result<Handle<'s>, InputError> {
    if from.lot == to.lot {
        return Ok(volume);
    }
    let of = |factor: &'r Factor| Ok::<_, InputError>(factor.electrons(sheet) * factor.concentration(sheet)?);
    Ok(volume * of(from)? / of(to)?)
}

/// Whether the blanks that count hold the oxidant of a titration: that of the titration they are judged by, from its pipette.
pub(super) fn holds_oxidant_of(record: &Record, excess: &Excess) -> bool {
    let judged_by = latest_titration(record).and_then(|titration| titration.excess.as_ref());
    judged_by.is_some_and(|of| of.factor.lot == excess.factor.lot && of.pipette.id == excess.pipette.id)
}

/// The mean blank as a volume of the titrant of a titration.
pub(super) fn in_titrant_of<'s, 'r>(
    sheet: &'s Sheet<'r>,
    record: &'r Record,
    (blank, factor): (Handle<'s>, &'r Factor),
) -> Result<Handle<'s>, InputError> {
    match reference(record) {
        Some(reference) => converted(sheet, blank, (reference, factor)),
        None => Ok(blank),
    }
}

fn observed<'s, 'r>(
    sheet: &'s Sheet<'r>,
    record: &'r Record,
    blank: &'r Blank,
    number: u32,
) -> Result<Measured<'s>, EvaluationError> {
    let rules = &record.rules;
    let delivery = Delivery {
        kind: "blanks",
        id: &blank.id,
        segments: &blank.segments,
        temperature: blank.temperature,
        burette: &blank.burette,
        number,
        blank: true,
    };
    let volume = volume(sheet, &delivery, (rules.correct_burette, rules.correct_temperature))?;
    Ok(Measured { volume: volume.node, to_20: volume.to_20 })
}

/// Each blank that counts, and what was added to it where that stays apart.
fn singles<'s, 'r>(
    sheet: &'s Sheet<'r>,
    record: &'r Record,
    counted: &[&'r Blank],
) -> Result<(Vec<Handle<'s>>, Vec<Handle<'s>>), EvaluationError> {
    let back = is_back_titration(record);
    let apart = counted.iter().any(|blank| !back && (blank.added.is_some() || blank.iron_equivalent_u_ml.is_some()));
    let (mut nets, mut added) = (Vec::with_capacity(counted.len()), Vec::new());
    for (number, blank) in (1..).zip(counted.iter().copied()) {
        let measured = observed(sheet, record, blank, number)?;
        let mut net = measured.volume;
        // What it was made with, and what its volumes are brought to: the net one, and the equivalent where that stays apart.
        let lots = blank.factor.as_ref().zip(reference(record));
        let brought = |volume| lots.map_or(Ok(volume), |lots| converted(sheet, volume, lots));
        match equivalent(sheet, record, (blank, number), measured)?.filter(|_| !back) {
            Some(equivalent) if apart => added.push(brought(equivalent)?),
            Some(equivalent) => {
                let label = Label::at(Quantity::SingleBlank, Index::Number(number));
                net = sheet.named(net - equivalent, label, Source::Blank);
            }
            None => {}
        }
        nets.push(brought(net)?);
    }
    Ok((nets, added))
}

/// Volumes of the blanks that count, mL, that scatter as blanks do: less what was added where that has no uncertainty of its own.
pub(super) fn blank_volumes(record: &Record) -> Result<Vec<f64>, EvaluationError> {
    let sheet = Sheet::lean();
    let (nets, _) = singles(&sheet, record, &usable(record))?;
    Ok(nets.iter().map(|net| net.value()).collect())
}

/// Mean of the blanks that count, an input of its own that all determinations of the run share.
///
/// # Formula
/// V_b = mean(V - V_eq); in a back-titration mean(V), the oxidant without sample. V_eq is stated, or z c V_p F(T) / (z_t c_t) of
/// an iron(II) solution that a pipette added. Blanks made with another lot are brought to the titrant of the titrations.
///
/// # Errors
/// Corrections that cannot be applied.
pub(super) fn mean_blank<'s, 'r>(
    sheet: &'s Sheet<'r>,
    record: &'r Record,
) -> Result<Option<Handle<'s>>, EvaluationError> {
    let counted = usable(record);
    let Some(first) = counted.first() else { return Ok(None) };
    let (nets, added) = singles(sheet, record, &counted)?;
    let quantity = if added.is_empty() { Quantity::Blank } else { Quantity::ObservedBlank };
    let label = Label::only(quantity);
    let fillings = counted.iter().map(|blank| blank.segments.len()).sum::<usize>() as f64 / counted.len() as f64;
    let replicates = Replicates { values: &nets, central: Central::Mean, discordant: false, fillings };
    let (u, dof, _) = scatter(sheet, label, record.rules.sigma_r_ml, &first.burette, &replicates)?;
    let mean = sheet.named(sheet.mean(&nets), label, Source::MeanOfReplicates);
    let ids = counted.iter().map(|blank| blank.id.as_str()).collect();
    let mut blank = sheet.uncertain(mean, (label, Identity::Blanks(ids)), u, dof)?;
    if !added.is_empty() {
        // Every blank of a mean weighs the same; one without an addition adds nothing.
        let share = added.len() as f64 / nets.len() as f64;
        let equivalent = sheet.mean(&added);
        blank = blank - if share < 1.0 { equivalent * share } else { equivalent };
    }
    // Another burette has an error of its own, which does not cancel.
    let elsewhere = latest_titration(record).is_some_and(|titration| titration.burette.id != first.burette.id);
    if elsewhere {
        blank = blank + first.burette.bias(sheet)?;
    }
    if elsewhere || !added.is_empty() {
        blank = sheet.named(blank, Label::only(Quantity::Blank), Source::Blank);
    }
    Ok(Some(blank))
}

/// Titrant that the iron(II) added to a blank takes up, mL.
fn equivalent<'s, 'r>(
    sheet: &'s Sheet<'r>,
    record: &'r Record,
    (blank, number): (&'r Blank, u32),
    measured: Measured<'s>,
) -> Result<Option<Handle<'s>>, EvaluationError> {
    let label = Label::at(Quantity::IronEquivalent, Index::Number(number));
    if let (Some(added), Some(factor)) = (&blank.added, blank.factor.as_ref().or_else(|| reference(record))) {
        let amount = added.delivered(sheet, measured.to_20.as_slice())?;
        let per_ml = factor.electrons(sheet) * factor.concentration(sheet)?;
        return Ok(Some(sheet.named(amount / per_ml, label, Source::Stoichiometry)));
    }
    let Some(value) = blank.iron_equivalent_ml else { return Ok(None) };
    let fact = |field| Fact { kind: "blanks", id: &blank.id, field };
    let Some(u) = blank.iron_equivalent_u_ml else {
        return Ok(Some(sheet.recorded(label, value, fact("iron_equivalent_ml"))));
    };
    Ok(Some(sheet.input(Leaf {
        label,
        value,
        origin: Origin::Fact(fact("iron_equivalent_ml")),
        u: (u, Origin::Fact(Fact { kind: "blank_additions", id: &blank.id, field: "equivalent_u_ml" })),
        dof: None,
        identity: Identity::Equivalent(&blank.id),
    })?))
}

/// Blanks that had to be left out, in words.
pub(super) fn verdict(record: &Record) -> Option<Verdict> {
    let all = judged(record);
    let count = |of: LeftOut| all.iter().filter(|(_, why)| *why == Some(of)).count();
    let said = [
        (LeftOut::WithoutIron, "without added iron(II): the indicator turns only where iron is present (ISO 2597-1)"),
        (LeftOut::OtherTitrant, "of a titrant of another kind or concentration"),
        (LeftOut::OtherOxidant, "without the oxidant of the samples, or with another volume of it"),
    ];
    let words: Vec<String> =
        said.iter().filter(|(of, _)| count(*of) > 0).map(|(of, words)| format!("{} {words}", count(*of))).collect();
    if !record.rules.subtract_blank || words.is_empty() {
        return None;
    }
    let without_iron = count(LeftOut::WithoutIron) > 0;
    Some(Verdict {
        rule: if without_iron { "blank with iron(II)" } else { "blank of the same titrant" },
        outcome: Outcome::NotMet,
        compared: format!(
            "{} of {} blanks left out: {}",
            all.len() - usable(record).len(),
            all.len(),
            words.join("; ")
        ),
        value: None,
        critical: None,
        unit: "",
        obtained: "a blank counts for the titrant, the concentration and the additions it was made with".to_owned(),
        p: None,
        advice: if without_iron {
            "repeat the blank with a known addition of iron(II)".to_owned()
        } else {
            "make a blank with the titrant of the titrations".to_owned()
        },
    })
}

/// Iron(II) added to blanks without a stated uncertainty.
pub(super) fn addition_verdict(record: &Record) -> Option<Verdict> {
    let bare = |blank: &&&Blank| {
        blank.iron_equivalent_ml.is_some_and(|ml| ml > 0.0)
            && blank.iron_equivalent_u_ml.is_none()
            && blank.added.is_none()
    };
    let (counted, back) = (usable(record), is_back_titration(record));
    let count = counted.iter().filter(bare).count();
    (record.rules.subtract_blank && !back && count > 0).then(|| Verdict {
        rule: "iron(II) added to the blank",
        outcome: Outcome::Query,
        compared: format!("{count} of {} blanks with an equivalent whose uncertainty nobody stated", counted.len()),
        value: None,
        critical: None,
        unit: "",
        obtained: "JCGM 100, 4.1.4: every input has an uncertainty".to_owned(),
        p: None,
        advice:
            "record how the iron(II) was added, by solution and pipette, or the standard uncertainty of its equivalent"
                .to_owned(),
    })
}

/// Iron(II) titrant against the oxidant of the same run, in a back-titration: iron(II) is oxidised by air.
///
/// # Formula
/// d = z c V_b / (z_ox c_ox V_ox F(T)) - 1, against 2 u(d)
///
/// # Source
/// Stoichiometry of both solutions; coverage factor 2: JCGM 100:2008, 6.3.3 (from memory).
///
/// # Errors
/// Those of [`mean_blank`].
pub(super) fn comparison<'s, 'r>(sheet: &'s Sheet<'r>, record: &'r Record) -> Result<Option<Verdict>, EvaluationError> {
    let Some(titration) = latest_titration(record).filter(|_| is_back_titration(record)) else { return Ok(None) };
    let Some(excess) = &titration.excess else { return Ok(None) };
    let (mut value, mut critical, mut outcome) = (None, None, Outcome::NoDecision);
    let mut advice = "titrate the oxidant without sample in every run, as a reagent blank".to_owned();
    if let Some(blank) = mean_blank(sheet, record)? {
        let first = usable(record).into_iter().next();
        let warmth: Option<Handle<'s>> = match first.filter(|_| record.rules.correct_temperature) {
            Some(first) => observed(sheet, record, first, 1)?.to_20,
            None => None,
        };
        let found = titration.factor.electrons(sheet) * titration.factor.concentration(sheet)? * blank;
        let ratio = sheet.estimate(found / excess.delivered(sheet, warmth.as_slice())?);
        let apart = ratio.value() - 1.0;
        outcome = if apart.abs() <= 2.0 * ratio.u() { Outcome::Met } else { Outcome::NotMet };
        (value, critical) = (Some(100.0 * apart), Some(200.0 * ratio.u()));
        advice = match outcome {
            Outcome::Met => String::new(),
            _ => {
                format!("iron(II) is oxidised by air: standardise {} again, against this oxidant", titration.factor.lot)
            }
        };
    }
    Ok(Some(Verdict {
        rule: "iron(II) against the oxidant of the run",
        outcome,
        compared: "oxidant found without sample, relative to what the pipette delivered".to_owned(),
        value,
        critical,
        unit: "%",
        obtained: "2 u of the ratio, from both titrants, pipette and blanks".to_owned(),
        p: None,
        advice,
    }))
}
