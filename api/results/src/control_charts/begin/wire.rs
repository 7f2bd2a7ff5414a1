//! A control as begun: what is entered of each of its parts, and what was recorded.

use chrono::{DateTime, NaiveDate, Utc};
use ferrotitre_base::web::answer::Located;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_base::web::versions::VersionView;
use ferrotitre_bench::samples::portions::{PortionView, Step};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::control_charts::rules::RuleText;
use crate::control_charts::taking::QcPlanFacts;
use crate::control_charts::wire::{ChartView, PhaseView};
use crate::control_materials::store::ControlMaterialFacts;

/// A control material with its sample, its chart, its place in the plan of quality control, and its first limits, recorded together or
/// not at all. What is left out follows from the method and the lot, as each field says.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewControl {
    /// Method version by which the control is titrated; the chart is of the method in any version, the plan of this one.
    pub method: Uuid,
    /// Lot of control material that is on record; give this or `new_material`.
    pub material: Option<Uuid>,
    /// Lot to be recorded; quarantined until a manager releases it.
    pub new_material: Option<NewLot>,
    /// Sample that the lot is titrated as; left out for a lot that is registered as one.
    pub sample: Option<NewControlSample>,
    /// Chart of the results.
    pub chart: NewControlChart,
    /// What every run of the method version needs.
    pub plan: NewControlPlan,
    /// First limits, for which somebody else decides; left out if values are gathered first.
    pub limits: Option<NewControlLimits>,
    /// Whether the lot is released with it, by whoever begins the control.
    #[serde(default)]
    pub release: bool,
    /// First test portion of the sample; left out if it is taken later.
    pub portion: Option<NewControlPortion>,
    /// Plans of further method versions, such as total iron beside iron(II), of those that have none yet; at most 10.
    #[serde(default)]
    pub other_plans: Vec<NewOtherPlan>,
}

/// What every run of a further method version needs; the chart is none of its.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewOtherPlan {
    /// Method version.
    pub method: Uuid,
    /// Fewest blanks.
    #[schema(example = 1)]
    pub blanks: i32,
    /// Fewest samples determined in duplicate.
    #[schema(example = 0)]
    pub duplicates: i32,
}

/// A test portion of the sample, taken when the control is begun.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewControlPortion {
    /// Mass taken, g, as read; give this and the balance, or the pipette.
    #[schema(example = "0.4012")]
    pub mass_g: Option<Decimal>,
    /// Balance.
    pub balance: Option<Uuid>,
    /// Pipette that took a volume.
    pub pipette: Option<Uuid>,
    /// Dilution steps in order.
    #[serde(default)]
    pub dilution: Vec<Step>,
    /// Pipette of the titrated aliquot; absent if all of it was titrated.
    pub aliquot_pipette: Option<Uuid>,
    /// Density of the sample, g/cm3, where a conversion between mass and volume is wanted.
    #[schema(example = "1.284")]
    pub density: Option<Decimal>,
    /// Its standard uncertainty.
    #[schema(example = "0.002")]
    pub density_u: Option<Decimal>,
    /// Temperature of the solutions, C.
    #[schema(example = "21.5")]
    pub temperature: Option<Decimal>,
    /// When; now if not given.
    pub observed_at: Option<DateTime<Utc>>,
}

/// A lot of control material as entered with its chart.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewLot {
    /// Lot code on the label.
    #[schema(example = "CM-BATH-1")]
    pub code: String,
    /// CRM, RM, in-house or spiked.
    #[schema(example = "in-house")]
    pub kind: String,
    /// What it is.
    pub description: String,
    /// Last day of use.
    pub expires_on: NaiveDate,
    /// Assigned value as entered. Absent until it is certified or studied.
    #[schema(example = "118.0")]
    pub assigned_value: Option<Decimal>,
    /// Standard uncertainty of the assigned value, in the unit.
    #[schema(example = "0.12")]
    pub standard_uncertainty: Option<Decimal>,
    /// Certificate or study that the assigned value comes from.
    pub certificate: Option<String>,
    /// SHA-256 of its file.
    pub certificate_digest: Option<String>,
    /// Matrix; that of the method if not given.
    pub matrix: Option<String>,
    /// Unit of the assigned value; that of the method if not given.
    #[schema(example = "g/L")]
    pub unit: Option<String>,
    /// Supplier's lot, if bought.
    pub supplier_lot: Option<String>,
    /// Evidence of homogeneity.
    pub homogeneity: Option<String>,
    /// Evidence of stability.
    pub stability: Option<String>,
}

/// The sample that a lot of control material is titrated as.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewControlSample {
    /// Condition on receipt.
    #[schema(example = "sealed")]
    pub condition: String,
    /// Preservation: acidified, headspace, temperature.
    #[schema(example = "acidified, full bottle")]
    pub preservation: String,
    /// Container.
    #[schema(example = "PE, 250 mL")]
    pub container: String,
    /// Where it is stored.
    #[schema(example = "refrigerator 2")]
    pub storage: String,
    /// Code on the label; that of the lot if not given.
    pub code: Option<String>,
    /// Whose it is; "control material" and the code of the lot if not given.
    pub client_reference: Option<String>,
    /// Description; that of the lot if not given.
    pub description: Option<String>,
    /// Matrix; that of the lot if not given.
    pub matrix: Option<String>,
    /// When it was taken, if known.
    pub sampled_at: Option<DateTime<Utc>>,
    /// When it was received; now if not given.
    pub received_at: Option<DateTime<Utc>>,
    /// Until when iron(II) may be titrated.
    pub iron2_deadline: Option<DateTime<Utc>>,
    /// Day until which it is kept; the last day of use of the lot if not given.
    pub retained_until: Option<NaiveDate>,
}

/// The chart of a control's results. Its rules are chosen before data and stay.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewControlChart {
    /// Code; X- and the code of the lot if not given.
    #[schema(example = "X-CM-BATH-1")]
    pub code: Option<String>,
    /// Title; the method's analyte and what the lot is if not given.
    pub title: Option<String>,
    /// Published set of run rules by its name, as `rule-sets` lists them, or own for those given in `rules`.
    #[schema(example = "daily judgement")]
    pub rule_set: Option<String>,
    /// Own run rules; the laboratory's default set if neither they nor a set are given.
    pub rules: Option<Vec<RuleText>>,
    /// Rounding step of the values, in the unit; for the resolution check.
    #[schema(example = "0.1")]
    pub resolution: Option<Decimal>,
    /// Fewest baseline points of limits without the label preliminary; 60 if not given.
    pub baseline_minimum: Option<i32>,
}

/// What every run of the method version needs.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewControlPlan {
    /// Fewest values of a run on the chart.
    #[schema(example = 1)]
    pub values: u32,
    /// Fewest blanks.
    #[schema(example = 1)]
    pub blanks: i32,
    /// Fewest samples determined in duplicate.
    #[schema(example = 0)]
    pub duplicates: i32,
    /// Present version of the plan that the method version has: the chart joins it. Left out if it has none.
    pub corrects: Option<Uuid>,
}

/// First limits from stated values, as proposed.
#[derive(Debug, Clone, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewControlLimits {
    /// reference: the assigned value as centre; target: a centre that is required.
    #[schema(example = "reference")]
    pub origin: String,
    /// Centre line of a target.
    pub centre: Option<Decimal>,
    /// Standard deviation of single results between runs.
    #[schema(example = "0.41")]
    pub s: Option<Decimal>,
    /// Lower action limit of a target, instead of centre and s.
    pub lower_action: Option<Decimal>,
    /// Upper action limit of a target, instead of centre and s.
    pub upper_action: Option<Decimal>,
    /// preliminary (if not given) or established.
    pub label: Option<String>,
    /// Values observed from here on are judged; now if not given.
    pub valid_from: Option<DateTime<Utc>>,
    /// Where the stated values come from, at least 5 characters.
    #[schema(example = "intermediate precision of the validation VS-1, 24 degrees of freedom")]
    pub reason: String,
}

/// A control as it was begun.
#[derive(Debug, Serialize, ToSchema)]
pub struct ControlView {
    /// The chart.
    pub chart: ChartView,
    /// The lot.
    pub material: VersionView<ControlMaterialFacts>,
    /// The plan that asks for its values.
    pub plan: VersionView<QcPlanFacts>,
    /// The limits proposed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limits: Option<PhaseView>,
    /// The test portion taken.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub portion: Option<PortionView>,
    /// Plans of further method versions.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub other_plans: Vec<VersionView<QcPlanFacts>>,
    /// What comes next, and who does it.
    pub next: Vec<NextStep>,
}

impl Located for ControlView {
    fn location(&self) -> String {
        self.chart.location()
    }
}

/// What a control waits for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct NextStep {
    /// What.
    #[schema(example = "Lot CM-BATH-1 is quarantined: it is released before it is titrated as a control.")]
    pub what: String,
    /// Who can.
    #[schema(example = "a manager")]
    pub who: &'static str,
    /// Page where it is done.
    pub page: String,
}
