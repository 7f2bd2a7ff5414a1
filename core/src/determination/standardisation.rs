//! Concentration of a titrant by standardisation.

use crate::determination::evaluate::EvaluationError;
use crate::determination::facts::{Burette, Factor, Segment, Standing, Vessel};
use crate::determination::preparation::{PreparedTitrant, Reference, balance, titrant};
use crate::determination::titre::{Delivery, Measured, volume};
use crate::determination::verdict::{Outcome, Verdict};
use crate::statistics::distribution::student_t_quantile;
use crate::working::{Digits, Fact, Handle, Identity, Index, Label, Leaf, Origin, Quantity, Sheet, Source};

/// A replicate or blank of a standardisation.
#[derive(Debug, Clone, PartialEq)]
pub struct Replicate {
    /// Identity of this version.
    pub id: String,
    /// Order, from 1.
    pub position: u32,
    /// Mass of standard as read, g, with its digits; none for an aliquot of a titrant and for a blank.
    pub mass: Option<(f64, String)>,
    /// Whether it is a blank.
    pub blank: bool,
    /// What was decided on it.
    pub standing: Standing,
    /// Readings.
    pub segments: Vec<Segment>,
    /// Temperature of the titrant, C.
    pub temperature: Option<f64>,
}

/// A standardisation with all facts it rests on.
#[derive(Debug, Clone, PartialEq)]
pub struct Standardisation {
    /// Identity.
    pub id: String,
    /// Electrons (or protons) exchanged per formula unit of the titrant.
    pub electrons: f64,
    /// Nominal concentration, mol/L.
    pub nominal: f64,
    /// The weighed standard, or none if against a titrant.
    pub reference: Option<Reference>,
    /// The reference titrant and the pipette that delivers it.
    pub reference_titrant: Option<(Factor, Vessel)>,
    /// Burette.
    pub burette: Burette,
    /// Apply burette and temperature corrections.
    pub corrections: (bool, bool),
    /// Repeatability of a result relative to its value, from the validated method; the replicates' own scatter if none.
    pub relative_repeatability: Option<f64>,
    /// Fewest accepted replicates.
    pub minimum: usize,
    /// Limits of the factor.
    pub factor_limits: (f64, f64),
    /// Largest range of the concentrations relative to their mean, %; that of common practice if none.
    pub agreement_percent: Option<f64>,
    /// Replicates and blanks, in order.
    pub replicates: Vec<Replicate>,
}

/// A replicate's concentration.
#[derive(Debug, Clone, PartialEq)]
pub struct ReplicateResult {
    /// Replicate.
    pub id: String,
    /// Order.
    pub position: u32,
    /// Volume at 20 C less blank, mL.
    pub net_ml: f64,
    /// Concentration, mol/L.
    pub concentration: f64,
}

/// What a standardisation comes to.
#[derive(Debug, Clone, PartialEq)]
pub struct StandardisationResult {
    /// Every replicate that counts.
    pub replicates: Vec<ReplicateResult>,
    /// Mean blank, mL.
    pub blank_ml: Option<f64>,
    /// Sample standard deviation of the concentrations, mol/L; from two on.
    pub sd: Option<f64>,
    /// Whether the replicates agree; none while one counts.
    pub agreement: Option<Verdict>,
    /// The concentration; none while too few replicates count.
    pub titrant: Option<PreparedTitrant>,
    /// Why there is none yet.
    pub missing: Option<String>,
}

/// Largest range of replicates that agree, relative to their mean, %. common practice, no source.
pub const AGREEMENT_PERCENT: f64 = 0.3;

impl StandardisationResult {
    /// Whether the replicates differ by more than they may.
    #[must_use]
    pub fn disagrees(&self) -> bool {
        self.agreement.as_ref().is_some_and(|verdict| verdict.outcome == Outcome::NotMet)
    }
}

fn agreement(terms: &[Handle<'_>], limit: f64) -> Option<Verdict> {
    let values: Vec<f64> = terms.iter().map(|term| term.value()).collect();
    if values.len() < 2 {
        return None;
    }
    let (low, high) =
        values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(*x), high.max(*x)));
    let percent = 100.0 * (high - low) / (values.iter().sum::<f64>() / values.len() as f64);
    let met = percent.abs() <= limit + 1e-9;
    Some(Verdict {
        rule: "agreement of the replicates",
        outcome: if met { Outcome::Met } else { Outcome::NotMet },
        compared: "range of the concentrations, relative to their mean".to_owned(),
        value: Some(percent),
        critical: Some(limit),
        unit: "%",
        obtained: "limit of the standardisation".to_owned(),
        p: None,
        advice: if met {
            String::new()
        } else {
            "the replicates disagree: look for a cause and repeat. Without one, somebody who had no hand in it decides, with a \
             reason, whether the factor may be used; its uncertainty answers to the scatter seen"
                .to_owned()
        },
    })
}

/// Concentration from a standardisation.
///
/// # Formula
/// c_i = 1000 m P B z_s / (M z_t (V - V_b)), or z_s c_s V_s / (z_t (V - V_b)); c the mean. Each replicate's weighing and
/// titration enter through the repeatability; purity, molar mass, burette and pipette are common to all.
///
/// # Source
/// Stoichiometry of the titration; Eurachem QUAM 2012, example A2 (one replicate, relative repeatability given).
///
/// # Errors
/// Corrections that cannot be applied, or inputs that are not numbers.
pub fn standardise(facts: &Standardisation) -> Result<StandardisationResult, EvaluationError> {
    let sheet = Sheet::new();
    let counted =
        |blank: bool| facts.replicates.iter().filter(move |r| r.blank == blank && r.standing == Standing::Counted);
    let mut blanks = Vec::new();
    for (number, blank) in (1..).zip(counted(true)) {
        blanks.push(delivered(&sheet, facts, blank, number)?.volume);
    }
    let label = Label::only(Quantity::Blank);
    let blank = match blanks.as_slice() {
        [] => None,
        all => Some(sheet.named(sheet.mean(all), label, Source::MeanOfReplicates)),
    };
    let (mut results, mut terms) = (Vec::new(), Vec::new());
    for replicate in counted(false) {
        let Measured { volume, to_20 } = delivered(&sheet, facts, replicate, replicate.position)?;
        let index = Index::Number(replicate.position);
        let net = match blank {
            Some(blank) => sheet.named(volume - blank, Label::at(Quantity::NetVolume, index), Source::Blank),
            None => volume,
        };
        let term = concentration(&sheet, facts, replicate, (net, to_20))?;
        results.push(ReplicateResult {
            id: replicate.id.clone(),
            position: replicate.position,
            net_ml: net.value(),
            concentration: term.value(),
        });
        terms.push(term);
    }
    let sd = (terms.len() > 1).then(|| sheet.sample_deviation(&terms));
    let mut result = StandardisationResult {
        replicates: results,
        blank_ml: blank.map(Handle::value),
        sd: sd.map(Handle::value).filter(|sd| !sd.is_nan()),
        agreement: agreement(&terms, facts.agreement_percent.unwrap_or(AGREEMENT_PERCENT)),
        titrant: None,
        missing: None,
    };
    if terms.len() < facts.minimum {
        result.missing =
            Some(format!("not enough data: needs {} accepted replicates, has {}", facts.minimum, terms.len()));
        return Ok(result);
    }
    let disagree = result.disagrees();
    let concentration = mean_titrant(&sheet, facts, &terms, (sd, disagree))?;
    let mut made = titrant(&sheet, concentration, facts.nominal, facts.factor_limits);
    made.verdicts.extend(result.agreement.clone());
    result.titrant = Some(made);
    Ok(result)
}

/// Volume of a replicate or blank at 20 C.
fn delivered<'s, 'r>(
    sheet: &'s Sheet<'r>,
    facts: &'r Standardisation,
    replicate: &'r Replicate,
    number: u32,
) -> Result<Measured<'s>, EvaluationError> {
    let delivery = Delivery {
        kind: "standardisation_titrations",
        id: &replicate.id,
        segments: &replicate.segments,
        temperature: replicate.temperature,
        burette: &facts.burette,
        number,
        blank: replicate.blank,
    };
    let volume = volume(sheet, &delivery, facts.corrections)?;
    Ok(Measured { volume: volume.node, to_20: volume.to_20 })
}

/// Concentration of one replicate; its own random errors are left to the repeatability.
fn concentration<'s, 'r>(
    sheet: &'s Sheet<'r>,
    facts: &'r Standardisation,
    replicate: &'r Replicate,
    (net, to_20): (Handle<'s>, Option<Handle<'s>>),
) -> Result<Handle<'s>, EvaluationError> {
    // Every filling of the burette has the error of its calibration.
    let bias = match replicate.segments.len() {
        0 | 1 => facts.burette.bias(sheet)?,
        fillings => facts.burette.bias(sheet)? * fillings as f64,
    };
    let volume = net + bias;
    let z = sheet.given(Label::only(Quantity::Electrons), facts.electrons, Source::Stoichiometry);
    let label = Label::at(Quantity::ReplicateConcentration, Index::Number(replicate.position));
    if let (Some(reference), Some((grams, digits))) = (&facts.reference, &replicate.mass) {
        let z_s = Label::only(Quantity::StandardElectrons);
        let z_s = sheet.given(z_s, reference.electrons, Source::Stoichiometry);
        let mass = mass(sheet, reference, replicate, (*grams, digits))?;
        let mut above = 1000.0 * mass * reference.purity(sheet)?;
        if let Some(factor) = reference.buoyancy(sheet) {
            above = above * factor;
        }
        let c = above * z_s / (reference.molar(sheet)? * z * volume);
        return Ok(sheet.named(c, label, Source::Standardisation));
    }
    if let Some((factor, pipette)) = &facts.reference_titrant {
        // The factor in force, never one between two: a later one must not change what was standardised.
        let input = Leaf {
            label: Label::at(Quantity::Concentration, sheet.code(&factor.lot)),
            value: factor.concentration,
            origin: Origin::Fact(Fact { kind: "titrant_factors", id: &factor.id, field: "concentration" }),
            u: (
                factor.u,
                Origin::Fact(Fact { kind: "titrant_factors", id: &factor.id, field: "standard_uncertainty" }),
            ),
            dof: factor.dof,
            identity: Identity::Record(&factor.id),
        };
        // Pipette and burette deliver at the same temperature, so that both are brought to 20 C or none.
        let mut delivered = factor.electrons(sheet) * sheet.input(input)? * pipette.volume(sheet)?;
        if let Some(to_20) = to_20 {
            delivered = delivered * to_20;
        }
        let c = delivered / (z * volume);
        return Ok(sheet.named(c, label, Source::TitrantStandardisation));
    }
    Err(EvaluationError::ExcessMissing(replicate.id.clone()))
}

/// Mass of standard of a replicate, with the error that all weighings on the balance share.
fn mass<'s, 'r>(
    sheet: &'s Sheet<'r>,
    reference: &'r Reference,
    replicate: &'r Replicate,
    (grams, digits): (f64, &'r str),
) -> Result<Handle<'s>, EvaluationError> {
    let fact = Fact { kind: "standardisation_titrations", id: &replicate.id, field: "mass_g" };
    let label = Label::at(Quantity::MassWeighed, Index::Number(replicate.position));
    let weighed = sheet.entered(label, grams, fact, Digits::Text(digits));
    let error = sheet.input(Leaf {
        label: Label::only(Quantity::BalanceBias),
        value: 0.0,
        origin: Origin::Source(Source::SystematicError),
        u: (reference.balance_u, Origin::Fact(balance(reference))),
        dof: None,
        identity: Identity::Record(&reference.balance_id),
    })?;
    Ok(weighed + error)
}

/// Mean of the replicates, with their random error as a factor that is one at best estimate.
fn mean_titrant<'s, 'r>(
    sheet: &'s Sheet<'r>,
    facts: &'r Standardisation,
    terms: &[Handle<'s>],
    (sd, disagree): (Option<Handle<'s>>, bool),
) -> Result<Handle<'s>, EvaluationError> {
    let n = terms.len() as f64;
    let mean = sheet.mean(terms);
    let (relative, dof) = match (facts.relative_repeatability, sd) {
        // The scatter seen, for the few values it was seen in, wherever it is the larger.
        (known, Some(sd)) if disagree => {
            let student = student_t_quantile(0.975, n - 1.0)?;
            let student = sheet.given(Label::only(Quantity::StudentFactor), student, Source::StudentFactor);
            let seen = student / sheet.number(student_t_quantile(0.975, f64::INFINITY)?) * (sd / mean);
            let label = Label::only(Quantity::RelativeRepeatabilityDeviation);
            match known {
                Some(known) => (sheet.largest(&[sheet.given(label, known, Source::MethodVersion), seen]), None),
                None => (seen, None),
            }
        }
        (Some(relative), _) => {
            let label = Label::only(Quantity::RelativeRepeatabilityDeviation);
            (sheet.given(label, relative, Source::MethodVersion), None)
        }
        (None, Some(sd)) => (sd / mean, Some(n - 1.0)),
        (None, None) => (sheet.number(0.0), None),
    };
    let label = Label::only(Quantity::RelativeRepeatability);
    let u = relative / sheet.square_root(sheet.number(n));
    let u = sheet.named(u, label.u(), if disagree { Source::ScatterSeen } else { Source::ScatterOfMean });
    let error = sheet.given(label, 1.0, Source::RandomError);
    let repeatability = sheet.uncertain(error, (label, Identity::Repeatability(&facts.id)), u, dof)?;
    let label = Label::only(Quantity::TitrantConcentration);
    Ok(sheet.named(mean * repeatability, label, Source::MeanOfReplicates))
}
