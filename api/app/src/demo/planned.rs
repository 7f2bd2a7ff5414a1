//! A determination made by a plan: for the first one of the bath the service says that a 20 mL sample, whose titre fills the burette,
//! and two more blanks halve U. Here it is made so.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_bench::samples::portions;
use ferrotitre_results::runs::service as runs;
use serde_json::json;

use crate::demo::bench::{begin_as, blank_with, open_run_with, through, titrate, titration};
use crate::demo::certificates::sample;
use crate::demo::stock::{Stock, vessel};
use crate::demo::{Lab, TAKEN_OVER, id_of, wire};

const BLANKS: usize = 3;

/// Loads it.
pub(super) async fn load(lab: &Lab<'_>, stock: &Stock) -> Result<(), Refusal> {
    let at = lab.at(28, 13);
    // Calibrated by weighing, with half the relative uncertainty of the others.
    let pipette_20 = vessel(lab, ("P20", "pipette"), "20.00", "20.007", "0.004", 300).await?;
    let bath = sample(lab, "S-BATH-4", "bath 3, for the settlement of acid").await?;
    let portion = json!({ "pipette": pipette_20, "dilution": [{ "flask": stock.flask_250 }], "aliquot_pipette": stock.pipette_25,
        "density": "1.284", "density_u": "0.002", "temperature": "21.0", "observed_at": at, "late_reason": TAKEN_OVER });
    let act = lab.analyst_1.act("register_samples");
    let portion = id_of(&portions::record(lab.db, &act, bath, wire(&portion)?).await?)?;
    let run = open_run_with(lab, &stock.method_iron2, &at, None).await?;
    for _ in 0..BLANKS {
        blank_with(lab, stock, stock.dichromate, (run, &at)).await?;
    }
    let determination = begin_as(lab, run, portion, "sample", &at).await?;
    for last in ["42.94", "42.96", "42.94"] {
        titrate(lab, determination, &titration(stock, "accurate", last, &at, &json!({}))).await?;
    }
    runs::close(lab.db, &lab.analyst_1.act("conduct_runs"), run).await?;
    through(lab, determination).await
}
