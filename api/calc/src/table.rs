//! The one table of subjects, for the command line and for HTTP.

use crate::subject::Subject;
use crate::subjects::{
    agreement, bench, conformity, control, decision, distributions, hypothesis, integrity, merkle, models, outliers,
    planning, plans, process, regression, rounding, rules, schedules, stopping, substances, summaries, titrants,
    titration, trend, uncertainty, validation, volumes,
};

#[cfg(test)]
fn collect<T: utoipa::ToSchema>(found: &mut Vec<(String, utoipa::openapi::RefOr<utoipa::openapi::Schema>)>) {
    found.push((T::name().into_owned(), T::schema()));
    T::schemas(found);
}

macro_rules! subjects {
    ($($input:ty,)+) => {
        /// All subjects, in the order of the trade: data first, then tests, models, uncertainty, control, validation, bench.
        pub const SUBJECTS: &[Subject] = &[$(Subject::of::<$input>()),+];

        #[cfg(test)]
        fn schemas() -> Vec<(String, utoipa::openapi::RefOr<utoipa::openapi::Schema>)> {
            let mut found = Vec::new();
            $(
                collect::<$input>(&mut found);
                collect::<<$input as crate::subject::Calculation>::Result>(&mut found);
            )+
            found
        }
    };
}

subjects! {
    summaries::SummaryInput,
    summaries::WeightedSummaryInput,
    summaries::PooledSdInput,
    summaries::SigmaIntervalInput,
    summaries::RobustMeanInput,
    summaries::RobustSdInput,
    rounding::RoundingInput,
    distributions::DistributionInput,
    outliers::DixonInput,
    outliers::DixonCriticalInput,
    outliers::GrubbsInput,
    outliers::GrubbsCriticalInput,
    outliers::GrubbsPairInput,
    outliers::GrubbsPairCriticalInput,
    outliers::CochranInput,
    outliers::CochranCriticalInput,
    outliers::HampelInput,
    agreement::ConcordanceInput,
    agreement::CriticalRangeInput,
    agreement::PrecisionLimitsInput,
    agreement::FollowUpInput,
    agreement::ChanceAgreementInput,
    stopping::StoppingRuleInput,
    hypothesis::TTestInput,
    hypothesis::FTestInput,
    hypothesis::VarianceTestInput,
    hypothesis::EquivalenceInput,
    hypothesis::ToleranceIntervalInput,
    hypothesis::NormalityInput,
    trend::MannKendallInput,
    trend::TheilSenInput,
    trend::PowerInput,
    planning::StudySizeInput,
    models::AnovaInput,
    models::NestedAnovaInput,
    regression::LineInput,
    regression::PolynomialInput,
    regression::LinearModelInput,
    regression::DemingInput,
    regression::PassingBablokInput,
    regression::BlandAltmanInput,
    models::RuggednessInput,
    uncertainty::UncertaintyInput,
    uncertainty::MonteCarloInput,
    plans::JointUncertaintyInput,
    plans::UncertaintyPlanInput,
    schedules::Iron3PlanInput,
    schedules::StandardisationIntervalInput,
    conformity::CoverageFactorInput,
    conformity::ConformityInput,
    decision::DecisionRiskInput,
    conformity::TopDownInput,
    control::ChartFactorsInput,
    control::ChartLimitsInput,
    rules::ChartJudgementInput,
    rules::RunLengthInput,
    control::EwmaInput,
    control::CusumInput,
    process::ProportionLimitsInput,
    process::ProcessStatisticsInput,
    process::BudgetCheckInput,
    validation::TruenessInput,
    validation::RecoveryInput,
    validation::DetectionLimitsInput,
    validation::HorratInput,
    validation::ProficiencyScoresInput,
    validation::HomogeneityInput,
    integrity::TerminalDigitsInput,
    integrity::IdenticalTitresInput,
    integrity::SmallVarianceInput,
    integrity::PileUpInput,
    integrity::FalseDiscoveryInput,
    titration::IronContentInput,
    bench::Iron3Input,
    volumes::VolumeCorrectionInput,
    titrants::TitrantPreparationInput,
    titrants::TitrantStandardisationInput,
    substances::MolarMassInput,
    volumes::GlasswareInput,
    merkle::MerkleTreeInput,
    merkle::MerkleProofInput,
}

/// The subject of that name.
#[must_use]
pub fn subject(name: &str) -> Option<&'static Subject> {
    SUBJECTS.iter().find(|subject| subject.name == name)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::csv::Table;
    use crate::subject::{Place, page};
    use serde_json::Value;
    use std::collections::BTreeMap;

    #[test]
    fn every_example_runs_in_both_places_and_reads_as_a_page() {
        for subject in SUBJECTS {
            for place in [Place::CommandLine, Place::Service] {
                let answer = subject.calculate(subject.example.as_bytes(), place);
                let answer =
                    answer.unwrap_or_else(|refusal| panic!("{}: {refusal} {:?}", subject.name, refusal.fields));
                let value: Value = serde_json::from_str(&answer).unwrap();
                assert_eq!(value["subject"], subject.name);
                assert!(value["result"].as_object().is_some_and(|result| !result.is_empty()), "{}", subject.name);
                assert!(page(&answer).unwrap().contains(subject.name), "{}", subject.name);
            }
        }
    }

    #[test]
    fn every_subject_describes_itself_in_the_style_of_the_table() {
        let mut names = Vec::new();
        for subject in SUBJECTS {
            assert!(
                subject.name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-'),
                "{}",
                subject.name
            );
            assert!(!names.contains(&subject.name), "{} is there twice", subject.name);
            names.push(subject.name);
            for text in [subject.summary, subject.method, subject.source] {
                assert!(!text.is_empty() && !text.contains('\n') && text.len() <= 130, "{}: {text}", subject.name);
            }
            let schema = subject.input_schema();
            assert_eq!(schema["additionalProperties"], false, "{}", subject.name);
            let properties = schema["properties"].as_object().unwrap();
            let fields = match subject.table {
                Table::None => vec![],
                Table::Columns(names) | Table::TextColumns(names) => names.to_vec(),
                Table::Groups(name) | Table::NestedGroups(name) | Table::Rows(name) => vec![name],
            };
            for field in fields {
                assert!(properties.contains_key(field), "{} has no {field}", subject.name);
            }
        }
    }

    /// Two types of one name would overwrite each other in the OpenAPI document.
    #[test]
    fn schemas_of_one_name_are_one_schema() {
        let mut seen: BTreeMap<String, String> = BTreeMap::new();
        for (name, schema) in schemas() {
            let text = serde_json::to_string(&schema).unwrap();
            let first = seen.entry(name.clone()).or_insert_with(|| text.clone());
            assert_eq!(first, &text, "{name}");
        }
    }

    #[test]
    fn an_unknown_field_is_refused_everywhere() {
        for subject in SUBJECTS {
            let mut input = subject.example_value();
            input.as_object_mut().unwrap().insert("colour".to_owned(), 1.into());
            let refusal = subject.calculate(input.to_string().as_bytes(), Place::Service).unwrap_err();
            assert_eq!(refusal.fields[0].rule, "unknown_field", "{}", subject.name);
        }
    }
}
