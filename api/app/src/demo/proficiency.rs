//! Two rounds of a proficiency test (event r of the scenario): a good one, and one that asks why.

use ferrotitre_base::refusal::Refusal;
use ferrotitre_quality::proficiency_rounds::service as rounds;
use serde_json::{Value, json};

use crate::demo::{Lab, wire};

fn round(code: &str, own: (&str, &str), assigned_u: &str, observed_at: String) -> Value {
    json!({
        "code": code, "series": "iron in pickling baths", "provider": "accredited provider",
        "material": "hydrochloric pickling bath, sample of the round", "quantity": "total iron", "unit": "g/L",
        "assigned_value": "118.30", "assigned_u": assigned_u, "assigned_k": "2", "sigma_pt": "1.20",
        "own_value": own.0, "own_u": own.1, "own_k": "2", "own_basis": "as reported to the provider, bench book 8",
        "observed_at": observed_at,
    })
}

/// Records z = -0.6 with zeta = -1.4, and a quarter later z = 2.6, which opens a nonconformity.
pub(super) async fn load(lab: &Lab<'_>) -> Result<(), Refusal> {
    for facts in [
        round("PT-2026-1", ("117.58", "0.45"), "0.249", lab.at(-100, 12)),
        round("PT-2026-2", ("121.42", "0.45"), "0.249", lab.at(-8, 12)),
    ] {
        rounds::record(lab.db, &lab.manager_1.act("record_proficiency_rounds"), wire(&facts)?).await?;
    }
    Ok(())
}
