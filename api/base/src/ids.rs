//! A newtype per table id. Ids are UUIDs of version 7: their order is the order of creation.

use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::expression::AsExpression;
use diesel::pg::{Pg, PgValue};
use diesel::serialize::{self, Output, ToSql};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

macro_rules! ids {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, ToSchema, AsExpression, FromSqlRow)]
        #[diesel(sql_type = diesel::sql_types::Uuid)]
        #[serde(transparent)]
        #[schema(value_type = Uuid)]
        pub struct $name(pub Uuid);

        impl $name {
            /// A fresh id.
            #[must_use]
            pub fn new() -> Self {
                Self(Uuid::now_v7())
            }
        }

        impl Default for $name {
            fn default() -> Self {
                Self::new()
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                self.0.fmt(f)
            }
        }

        impl FromSql<diesel::sql_types::Uuid, Pg> for $name {
            fn from_sql(value: PgValue<'_>) -> deserialize::Result<Self> {
                <Uuid as FromSql<diesel::sql_types::Uuid, Pg>>::from_sql(value).map(Self)
            }
        }

        impl ToSql<diesel::sql_types::Uuid, Pg> for $name {
            fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
                <Uuid as ToSql<diesel::sql_types::Uuid, Pg>>::to_sql(&self.0, out)
            }
        }
    )+};
}

ids! {
    /// A person or an instrument.
    AccountId;
    /// A stored password.
    AccountSecretId;
    /// A role given or withdrawn.
    RoleGrantId;
    /// A manager's answer to a role grant.
    RoleGrantDecisionId;
    /// A move between states.
    StateMoveId;
    /// An authorisation for a method.
    CompetenceId;
    /// A confirmation of whose an account is.
    IdentityConfirmationId;
    /// A token of an instrument.
    ServiceTokenId;
    /// A sign-in.
    SessionId;
    /// A checked password.
    SignInAttemptId;
    /// One-time codes set up for an account.
    CodeEnrolmentId;
    /// A one-time code that was taken.
    CodeUseId;
    /// A one-time code that was not.
    CodeRefusalId;
    /// Whether signatures ask for codes.
    CodeChoiceId;
    /// The end of one-time codes.
    CodeEndId;
    /// A decision on who must use codes.
    CodeRuleId;
    /// How the laboratory sends e-mail, one decision.
    MailSettingsId;
    /// What a person wants to be told by e-mail.
    MailChoiceId;
    /// A program of others that is told of alerts.
    WebhookEndpointId;
    /// The end of one.
    WebhookEndpointEndId;
    /// A message, the same at every try.
    MessageId;
    /// An audit event.
    AuditEventId;
    /// A piece of measuring equipment, one version.
    EquipmentId;
    /// A calibration of equipment.
    CalibrationId;
    /// A check of equipment.
    EquipmentCheckId;
    /// A reading that an instrument sent.
    InstrumentReadingId;
    /// What a reading of an instrument was accepted for.
    ReadingUseId;
    /// A primary-standard lot, one version.
    PrimaryStandardId;
    /// A reagent lot, one version.
    ReagentId;
    /// A method version.
    MethodId;
    /// A sample, one version.
    SampleId;
    /// A test portion, one version.
    PortionId;
    /// A step of a dilution chain.
    DilutionStepId;
    /// A titrant lot.
    TitrantId;
    /// A direct preparation of a titrant lot, one version.
    PreparationId;
    /// A standardisation.
    StandardisationId;
    /// A titration of a standardisation, one version.
    StandardisationTitrationId;
    /// A concentration a titrant lot had from a moment on.
    FactorId;
    /// A concession.
    ConcessionId;
    /// An analytical run.
    RunId;
    /// A blank, one version.
    BlankId;
    /// What was added to a blank.
    BlankAdditionId;
    /// A decision on a refuted budget.
    BudgetDecisionId;
    /// How far the replicates of a standardisation may differ.
    StandardisationLimitId;
    /// A determination.
    DeterminationId;
    /// A titration, one version.
    TitrationId;
    /// Whose supervision a titration was made under.
    SupervisionId;
    /// Why a record was made late.
    LateEntryId;
    /// Since when the owner of an account has worked here.
    AccountStartId;
    /// Iron(III) by difference.
    IronResultId;
    /// A signature.
    SignOffId;
    /// A lot of control material, one version.
    ControlMaterialId;
    /// A control chart.
    ControlChartId;
    /// A phase of a control chart.
    ChartPhaseId;
    /// A point of a phase's baseline.
    BaselinePointId;
    /// A control value.
    ControlValueId;
    /// A plan of quality control, one version.
    QcPlanId;
    /// A run that repeats another.
    RunRepeatId;
    /// A nonconformity.
    NonconformityId;
    /// What was found or done about a nonconformity.
    NonconformityStepId;
    /// A record that a nonconformity concerns.
    NonconformityLinkId;
    /// An imported file.
    ImportedFileId;
    /// An imported table.
    ImportedTableId;
    /// A round of a proficiency test or comparison, one version.
    ProficiencyRoundId;
    /// An export that was handed out.
    ExportId;
    /// A validation study.
    ValidationStudyId;
    /// A performance characteristic of a validation study.
    ValidationCharacteristicId;
    /// A late change of limits of acceptance.
    ValidationAmendmentId;
    /// A datum of a validation study.
    ValidationDatumId;
    /// The iron result that gave a datum.
    ValidationIronDatumId;
    /// A datum left out with an assigned cause.
    ValidationExclusionId;
    /// A conclusion of a validation study.
    ValidationConclusionId;
    /// A decision rule, one version.
    DecisionRuleId;
    /// A specification, one version.
    SpecificationId;
    /// A specification of a sample.
    SampleSpecificationId;
    /// A specification taken off a sample.
    SpecificationRemovalId;
    /// The rows a signature stands over.
    PinsId;
    /// A signature of an earlier release that fits no rows.
    UnpinnedSignatureId;
    /// Something that touched what a signature stands over.
    ImpactId;
    /// What was decided for a result that something touched.
    ImpactDecisionId;
    /// A correction of a calibration.
    CalibrationCorrectionId;
    /// A file of a certificate.
    CertificateFileId;
    /// What a certificate states of a calibration.
    CalibrationStatementId;
    /// A correction of a factor.
    FactorCorrectionId;
    /// A correction of a check.
    CheckCorrectionId;
    /// The laboratory, one version.
    LaboratoryId;
    /// An issue or draft of a certificate of analysis.
    CertificateId;
    /// A result on a certificate.
    CertificateResultId;
    /// The document of an issue.
    CertificatePaperId;
    /// A document that was taken out.
    CertificateCopyId;
    /// Who was sent an issue.
    CertificateDeliveryId;
    /// A decision on who countersigns the heads of the audit log.
    WitnessPolicyId;
    /// A sign-in with a name that nobody has.
    UnknownSignInId;
    /// A review of the audit trail.
    TrailReviewId;
}
