//! Uncertainties as certificates and marks state them, and the standard uncertainty that follows.

use ferrotitre_base::refusal::{FieldErrors, Refusal};
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_core::chemistry::{GlassClass, Glassware, glassware_limits};
use ferrotitre_core::uncertainty::half_width_rectangular;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::equipment::store::EquipmentFacts;

/// Ways to state it.
pub const EXPANDED: &str = "expanded uncertainty";
pub const PERMISSIBLE: &str = "permissible error";
pub const CLASS: &str = "accuracy class";
pub const BALANCE: &str = "repeatability and linearity";

/// What a certificate or a mark states, in place of the standard uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StatedUncertainty {
    /// expanded uncertainty (needs value, unit and coverage_factor: u = U / k), permissible error (value and unit: u = a / √3),
    /// accuracy class (accuracy_class of a burette, pipette or flask: a by ISO 385, ISO 648 or ISO 1042), or repeatability and linearity
    /// (of a balance: value and linearity).
    #[schema(example = "expanded uncertainty")]
    pub stated_as: String,
    /// Value as printed.
    #[schema(example = "0.04")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Decimal>,
    /// Unit of the value: that of the equipment (also if left out), or % or ppm of a volume: of the calibrated one, else of the upper
    /// end of the scale.
    #[schema(example = "mL")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Coverage factor of an expanded uncertainty.
    #[schema(example = "2")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coverage_factor: Option<Decimal>,
    /// Accuracy class: A, AS or B.
    #[schema(example = "A")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accuracy_class: Option<String>,
    /// Largest deviation of a balance from linearity, in its unit.
    #[schema(example = "0.0002")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub linearity: Option<Decimal>,
}

/// Largest permissible error of a class, in mL; of burettes of one size with several divisions the larger one.
///
/// # Source
/// ISO 385, ISO 648, ISO 1042; how they were read is in `core/NUMERICS.md`.
fn of_class(equipment: &EquipmentFacts, class: &str) -> Option<f64> {
    let item = match equipment.kind.as_str() {
        "burette" => Glassware::Burette,
        "pipette" => Glassware::Pipette,
        "flask" => Glassware::Flask,
        _ => return None,
    };
    let class = match class {
        "A" | "AS" => GlassClass::A,
        "B" => GlassClass::B,
        _ => return None,
    };
    let nominal = equipment.range_high.value();
    let limits = glassware_limits(item).iter().filter(|limit| limit.nominal_ml == nominal);
    limits.map(|limit| limit.of(class)).reduce(f64::max)
}

/// Units in which it may be stated. Per cent and ppm are of a volume: a balance or thermometer has no one value that they are of.
#[must_use]
pub fn units(equipment: &EquipmentFacts) -> Vec<&str> {
    let relative = if equipment.unit == "mL" { &["%", "ppm"][..] } else { &[] };
    std::iter::once(equipment.unit.as_str()).chain(relative.iter().copied()).collect()
}

impl StatedUncertainty {
    fn check(&self, equipment: &EquipmentFacts) -> Result<(), Refusal> {
        if ![EXPANDED, PERMISSIBLE, CLASS, BALANCE].contains(&self.stated_as.as_str()) {
            let ways = format!("must be {EXPANDED}, {PERMISSIBLE}, {CLASS} or {BALANCE}");
            return Err(Refusal::invalid("stated.stated_as", "one_of", ways, &self.stated_as));
        }
        let mut errors = FieldErrors::default();
        let (class, balance) = (self.stated_as == CLASS, self.stated_as == BALANCE);
        let needs = [
            ("value", self.value.is_some(), !class),
            ("coverage_factor", self.coverage_factor.is_some(), self.stated_as == EXPANDED),
            ("accuracy_class", self.accuracy_class.is_some(), class),
            ("linearity", self.linearity.is_some(), balance),
        ];
        for (field, there, needed) in needs {
            let message = if needed { "is needed for" } else { "does not belong to" };
            let message = format!("{message} {}", self.stated_as);
            errors.require(there == needed, &format!("stated.{field}"), "belongs", message, "");
        }
        for (field, value) in
            [("value", &self.value), ("coverage_factor", &self.coverage_factor), ("linearity", &self.linearity)]
        {
            let positive = value.as_ref().is_none_or(|value| value.value() > 0.0);
            let shown = value.as_ref().map(ToString::to_string).unwrap_or_default();
            errors.require(positive, &format!("stated.{field}"), "positive", "must be positive", shown);
        }
        if let Some(k) = &self.coverage_factor {
            let usual = (1.0..=5.0).contains(&k.value());
            errors.require(usual, "stated.coverage_factor", "range", "must be from 1 to 5", k);
        }
        if let Some(unit) = &self.unit {
            let units = units(equipment);
            let fits = units.contains(&unit.as_str()) && !class;
            errors.require(fits, "stated.unit", "unit", format!("must be {}", units.join(", ")), unit);
        }
        errors.require(
            !balance || equipment.kind == "balance",
            "stated.stated_as",
            "kind",
            "is for a balance only",
            &self.stated_as,
        );
        if let Some(of) = self.accuracy_class.as_ref().filter(|_| class) {
            let known = of_class(equipment, of).is_some();
            let message = format!(
                "must be A, AS or B of a size that ISO 385, 648 or 1042 has; {} is a {} of {} {}",
                equipment.code, equipment.kind, equipment.range_high, equipment.unit
            );
            errors.require(known, "stated.accuracy_class", "in_table", message, of);
        }
        errors.check()
    }

    /// The standard uncertainty, in the unit of the equipment. `value` is what per cent and ppm are of.
    ///
    /// # Source
    /// JCGM 100:2008, 4.3.3 (expanded) and 4.3.7 (limits); Eurachem/CITAC CG 4:2012, example A1 (balance: repeatability of a mass by
    /// difference, and linearity twice, for tare and gross).
    ///
    /// # Errors
    /// What is missing, does not belong there, or is of no size that is standardised.
    pub fn standard_uncertainty(&self, equipment: &EquipmentFacts, value: &Decimal) -> Result<f64, Refusal> {
        self.check(equipment)?;
        let number = |given: &Option<Decimal>| given.as_ref().map(Decimal::value).unwrap_or_default();
        let of = match self.unit.as_deref() {
            Some("%") => 0.01 * value.value(),
            Some("ppm") => 1e-6 * value.value(),
            _ => 1.0,
        };
        Ok(match self.stated_as.as_str() {
            EXPANDED => of * number(&self.value) / number(&self.coverage_factor),
            PERMISSIBLE => half_width_rectangular(of * number(&self.value)),
            CLASS => {
                let class = self.accuracy_class.as_deref().unwrap_or_default();
                half_width_rectangular(of_class(equipment, class).unwrap_or_default())
            }
            _ => {
                let linearity = half_width_rectangular(number(&self.linearity));
                (number(&self.value).powi(2) + 2.0 * linearity.powi(2)).sqrt()
            }
        })
    }

    /// In words, as on the certificate.
    #[must_use]
    pub fn words(&self, own_unit: &str) -> String {
        let text = |given: &Option<Decimal>| given.as_ref().map(ToString::to_string).unwrap_or_default();
        let unit = self.unit.as_deref().unwrap_or(own_unit);
        match self.stated_as.as_str() {
            EXPANDED => format!("U = {} {unit}, k = {}", text(&self.value), text(&self.coverage_factor)),
            PERMISSIBLE => format!("within ± {} {unit}", text(&self.value)),
            CLASS => format!("class {}", self.accuracy_class.as_deref().unwrap_or_default()),
            _ => format!("repeatability {} {unit}, linearity ± {} {unit}", text(&self.value), text(&self.linearity)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn piece(kind: &str, high: &str, unit: &str) -> EquipmentFacts {
        serde_json::from_value(json!({
            "code": "X-1", "kind": kind, "description": "x", "range_low": "0", "range_high": high, "unit": unit,
        }))
        .unwrap()
    }

    fn u(stated: Value, equipment: &EquipmentFacts, value: &str) -> Result<f64, Refusal> {
        let stated: StatedUncertainty = serde_json::from_value(stated).unwrap();
        stated.standard_uncertainty(equipment, &value.parse().unwrap())
    }

    fn near(found: f64, expected: f64, within: f64) {
        assert!((found - expected).abs() < within, "{found} for {expected}");
    }

    /// Eurachem/CITAC CG 4:2012, example A1: linearity of ± 0.15 mg gives 0.13 mg for a mass by difference, whose repeatability is
    /// taken elsewhere (read); the flask's ± 0.1 mL as limits, JCGM 100:2008, 4.3.7.
    #[test]
    fn a_balance_and_limits_give_what_the_guides_print() {
        let balance = piece("balance", "200", "g");
        let stated = json!({ "stated_as": BALANCE, "value": "0.0000001", "linearity": "0.00015" });
        near(u(stated, &balance, "200").unwrap(), 0.000_122_47, 1e-8);
        let with = json!({ "stated_as": BALANCE, "value": "0.0001", "linearity": "0.00015" });
        near(u(with, &balance, "200").unwrap(), 0.000_158_11, 1e-8);
        let flask = piece("flask", "100", "mL");
        near(u(json!({ "stated_as": PERMISSIBLE, "value": "0.1" }), &flask, "100").unwrap(), 0.057_735, 1e-6);
        near(u(json!({ "stated_as": CLASS, "accuracy_class": "A" }), &flask, "100").unwrap(), 0.057_735, 1e-6);
    }

    #[test]
    fn expanded_ones_are_divided_by_k_in_every_unit() {
        let pipette = piece("pipette", "25", "mL");
        for (value, unit) in [("0.020", "mL"), ("0.08", "%"), ("800", "ppm")] {
            let stated = json!({ "stated_as": EXPANDED, "value": value, "unit": unit, "coverage_factor": "2" });
            near(u(stated, &pipette, "25").unwrap(), 0.01, 1e-12);
        }
    }

    #[test]
    fn what_is_missing_or_does_not_belong_there_is_named() {
        let pipette = piece("pipette", "25", "mL");
        for (stated, field) in [
            (json!({ "stated_as": "k = 2" }), "stated.stated_as"),
            (json!({ "stated_as": EXPANDED, "value": "0.02" }), "stated.coverage_factor"),
            (json!({ "stated_as": EXPANDED, "value": "0.02", "coverage_factor": "20" }), "stated.coverage_factor"),
            (json!({ "stated_as": EXPANDED, "value": "0.02", "coverage_factor": "2", "unit": "g" }), "stated.unit"),
            (json!({ "stated_as": PERMISSIBLE, "value": "-0.02" }), "stated.value"),
            (json!({ "stated_as": CLASS, "accuracy_class": "C" }), "stated.accuracy_class"),
            (json!({ "stated_as": CLASS, "accuracy_class": "A", "value": "0.03" }), "stated.value"),
            (json!({ "stated_as": BALANCE, "value": "0.1", "linearity": "0.2" }), "stated.stated_as"),
            (json!({ "stated_as": CLASS, "accuracy_class": "A", "unit": "mL" }), "stated.unit"),
        ] {
            let refused = u(stated.clone(), &pipette, "25").unwrap_err();
            assert_eq!(refused.fields[0].field, field, "{stated}");
        }
        let odd = piece("pipette", "17", "mL");
        assert!(u(json!({ "stated_as": CLASS, "accuracy_class": "A" }), &odd, "17").is_err(), "no such size");
        let balance = piece("balance", "200", "g");
        let relative = json!({ "stated_as": PERMISSIBLE, "value": "0.1", "unit": "%" });
        assert_eq!(u(relative, &balance, "200").unwrap_err().fields[0].field, "stated.unit", "per cent of what?");
    }
}
