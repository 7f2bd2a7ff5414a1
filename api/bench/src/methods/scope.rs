//! What a method version was found to be valid for: what its approved validation study concluded.
//!
//! The studies themselves belong to a room above; every reading of a determination asks for this one line of them.

use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use ferrotitre_schema::{validation_conclusions, validation_studies};
use uuid::Uuid;

/// What a method version was found to be valid for.
#[derive(Debug, Clone, Queryable)]
pub struct Scope {
    study: String,
    fit: bool,
    low: Decimal,
    high: Decimal,
    unit: String,
    matrix: String,
}

impl Scope {
    /// What a reader should know of a result: a flag, not a refusal.
    pub fn flags(&self, in_unit: impl Fn(&str) -> Option<f64>, matrix: &str) -> Vec<String> {
        let mut flags = Vec::new();
        if !self.fit {
            flags.push(format!("study {} found the method not fit for its purpose", self.study));
        }
        let outside = in_unit(&self.unit).is_some_and(|value| !(self.low.value()..=self.high.value()).contains(&value));
        if outside {
            flags.push(format!(
                "outside the range {} to {} {} concluded in study {}",
                self.low, self.high, self.unit, self.study
            ));
        }
        if matrix != self.matrix {
            flags.push(format!("the matrix {matrix} is not {}, the one of study {}", self.matrix, self.study));
        }
        flags
    }
}

/// Conclusions of the approved studies of a method version by identity, last of the newest study first, which is the one that
/// holds: one statement, since every reading of a determination asks for it.
pub async fn scopes(mut connection: &Connection, method: MethodId) -> Result<Vec<(Uuid, Scope)>, Refusal> {
    use validation_conclusions as concluded;
    let approved = diesel::dsl::sql::<diesel::sql_types::Bool>(
        "(SELECT m.to_state FROM state_moves m WHERE m.entity_id = validation_studies.id ORDER BY m.position DESC LIMIT 1) \
         = 'approved'",
    );
    Ok(validation_studies::table
        .inner_join(concluded::table.on(concluded::study_id.eq(validation_studies::id)))
        .filter(validation_studies::method_id.eq(method))
        .filter(approved)
        .order((validation_studies::id.desc(), concluded::number.desc()))
        .select((
            concluded::id,
            (
                validation_studies::code,
                concluded::fit,
                concluded::validated_low,
                concluded::validated_high,
                concluded::unit,
                concluded::matrix,
            ),
        ))
        .load(&mut connection)
        .await?)
}
