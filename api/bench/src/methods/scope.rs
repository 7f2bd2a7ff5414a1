//! What a method version was found to be valid for: what its approved validation study concluded.
//!
//! The studies themselves belong to a room above; every reading of a determination asks for this one line of them.

use diesel::deserialize::QueryableByName;
use diesel::sql_types::{Bool, Numeric, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::MethodId;
use ferrotitre_base::kept::kept;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_base::web::decimal::Decimal;
use uuid::Uuid;

/// What a method version was found to be valid for.
#[derive(Debug, Clone, QueryableByName)]
pub struct Scope {
    #[diesel(sql_type = Text)]
    study: String,
    #[diesel(sql_type = Bool)]
    fit: bool,
    #[diesel(sql_type = Numeric)]
    low: Decimal,
    #[diesel(sql_type = Numeric)]
    high: Decimal,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = Text)]
    matrix: String,
}

#[derive(QueryableByName)]
struct Concluded {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(embed)]
    scope: Scope,
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
    let concluded: Vec<Concluded> = kept(
        "SELECT c.id, s.code AS study, c.fit, c.validated_low AS low, c.validated_high AS high, c.unit, c.matrix \
         FROM validation_studies s JOIN validation_conclusions c ON c.study_id = s.id WHERE s.method_id = $1 \
         AND (SELECT m.to_state FROM state_moves m WHERE m.entity_id = s.id ORDER BY m.position DESC LIMIT 1) = 'approved' \
         ORDER BY s.id DESC, c.number DESC",
    )
    .bind::<SqlUuid, _>(method)
    .load(&mut connection)
    .await?;
    Ok(concluded.into_iter().map(|one| (one.id, one.scope)).collect())
}
