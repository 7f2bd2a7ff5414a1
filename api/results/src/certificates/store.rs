//! Tables of certificates.

pub mod candidates;

use std::collections::HashMap;

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use ferrotitre_base::db::Connection;
use ferrotitre_base::ids::{
    AccountId, CertificateCopyId, CertificateDeliveryId, CertificateId, CertificatePaperId, CertificateResultId,
    LaboratoryId, SignOffId,
};
use ferrotitre_base::refusal::{Code, ConstraintMeaning, Refusal, from_store};
use ferrotitre_base::web::paging::Listing;
use ferrotitre_core::lifecycle::EntityKind;
use ferrotitre_schema::{
    certificate_copies, certificate_deliveries, certificate_papers, certificate_results, certificates,
};
use uuid::Uuid;

/// Kind of what is drawn up, signed and issued.
pub const KIND: EntityKind = EntityKind::Certificate;

/// A draft or issue as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = certificates)]
pub struct Row {
    pub id: CertificateId,
    pub record_id: Uuid,
    pub version: i32,
    pub supersedes: Option<CertificateId>,
    pub reason: Option<String>,
    pub year: i32,
    pub running: i32,
    pub number: String,
    pub issue: i32,
    pub laboratory_id: LaboratoryId,
    pub customer: String,
    pub customer_address: String,
    pub remarks: Option<String>,
    pub what_changed: Option<String>,
    pub specifications: Vec<Uuid>,
    pub document: String,
    pub content_digest: String,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// A result on a certificate, as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = certificate_results)]
pub struct ResultRow {
    pub id: CertificateResultId,
    pub certificate_id: CertificateId,
    pub position: i32,
    pub result_kind: String,
    pub result_id: Uuid,
    pub sign_off_id: SignOffId,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// Who was sent an issue, as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = certificate_deliveries)]
pub struct DeliveryRow {
    pub id: CertificateDeliveryId,
    pub certificate_id: CertificateId,
    pub recipient: String,
    pub means: String,
    pub delivered_at: DateTime<Utc>,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

/// A document that was taken out, as stored.
#[derive(Debug, Clone, Queryable, Selectable, Insertable)]
#[diesel(table_name = certificate_copies)]
pub struct CopyRow {
    pub id: CertificateCopyId,
    pub certificate_id: CertificateId,
    #[diesel(skip_insertion)]
    pub recorded_at: DateTime<Utc>,
    pub recorded_by: AccountId,
}

#[derive(Insertable)]
#[diesel(table_name = certificate_papers)]
struct PaperRow<'a> {
    id: CertificatePaperId,
    certificate_id: CertificateId,
    pdf: &'a [u8],
    pdf_digest: &'a str,
    recorded_by: AccountId,
}

const MEANINGS: &[ConstraintMeaning] = &[
    ConstraintMeaning {
        constraint: "certificates_supersedes_once",
        code: Code::StaleVersion,
        field: "",
        detail: "somebody drew it up anew at the same moment; read it again",
    },
    ConstraintMeaning {
        constraint: "certificates_number_once",
        code: Code::StateConflict,
        field: "",
        detail: "somebody took this number at the same moment; send it again",
    },
    ConstraintMeaning {
        constraint: "certificate_results_once",
        code: Code::Invalid,
        field: "results",
        detail: "a result stands on a certificate once",
    },
];

#[derive(QueryableByName)]
struct Number {
    #[diesel(sql_type = diesel::sql_types::Integer)]
    number: i32,
}

/// The next place in a year's numbers; whoever comes second waits until the first has taken its own.
pub(super) async fn next_running(mut connection: &Connection, year: i32) -> Result<i32, Refusal> {
    diesel::sql_query("SELECT pg_advisory_xact_lock(hashtextextended('numbers of certificates', 0))")
        .execute(&mut connection)
        .await?;
    let found: Number =
        diesel::sql_query("SELECT coalesce(max(running), 0) + 1 AS number FROM certificates WHERE year = $1")
            .bind::<diesel::sql_types::Integer, _>(year)
            .get_result(&mut connection)
            .await?;
    Ok(found.number)
}

pub(super) async fn insert(mut connection: &Connection, row: &Row, results: &[ResultRow]) -> Result<Row, Refusal> {
    let row = diesel::insert_into(certificates::table)
        .values(row)
        .returning(Row::as_returning())
        .get_result(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    diesel::insert_into(certificate_results::table)
        .values(results)
        .execute(&mut connection)
        .await
        .map_err(|error| from_store(error, MEANINGS))?;
    Ok(row)
}

/// Every version of a certificate, oldest first.
pub(super) async fn versions(mut connection: &Connection, record: Uuid) -> Result<Vec<Row>, Refusal> {
    let rows: Vec<Row> = certificates::table
        .filter(certificates::record_id.eq(record))
        .order(certificates::version)
        .select(Row::as_select())
        .load(&mut connection)
        .await?;
    if rows.is_empty() { Err(Refusal::not_found(KIND.noun(), record)) } else { Ok(rows) }
}

/// The certificate of a number.
pub(super) async fn by_number(mut connection: &Connection, number: &str) -> Result<Option<Uuid>, Refusal> {
    Ok(certificates::table
        .filter(certificates::number.eq(number))
        .select(certificates::record_id)
        .first(&mut connection)
        .await
        .optional()?)
}

/// The certificate that a draft or issue is of.
pub(super) async fn of_version(mut connection: &Connection, id: Uuid) -> Result<Option<Uuid>, Refusal> {
    Ok(certificates::table
        .find(CertificateId(id))
        .select(certificates::record_id)
        .first(&mut connection)
        .await
        .optional()?)
}

/// Versions by their identities, newest first.
pub(super) async fn several(mut connection: &Connection, ids: &[Uuid]) -> Result<Vec<Row>, Refusal> {
    let ids: Vec<CertificateId> = ids.iter().copied().map(CertificateId).collect();
    Ok(certificates::table
        .filter(certificates::id.eq_any(ids))
        .order(certificates::id.desc())
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// An issue in force, without its document.
#[derive(Debug, QueryableByName)]
pub(super) struct InForce {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub(super) id: CertificateId,
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub(super) record_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Integer)]
    pub(super) issue: i32,
}

/// The issues in force of certificates.
pub(super) async fn in_force(mut connection: &Connection, records: &[Uuid]) -> Result<Vec<InForce>, Refusal> {
    Ok(diesel::sql_query(
        "SELECT c.id, c.record_id, c.issue FROM certificates c JOIN present_states s ON s.entity_id = c.id \
         WHERE c.record_id = ANY($1) AND s.state = 'issued'",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(records)
    .load(&mut connection)
    .await?)
}

/// Certificates in their latest version, newest first.
pub(super) async fn list(mut connection: &Connection, listing: &Listing, limit: i64) -> Result<Vec<Row>, Refusal> {
    let newer = diesel::alias!(certificates as newer);
    let replaced = newer.filter(newer.field(certificates::supersedes).eq(certificates::id.nullable()));
    Ok(certificates::table
        .filter(diesel::dsl::not(diesel::dsl::exists(replaced)))
        .filter(certificates::record_id.lt(listing.before()))
        .filter(certificates::recorded_at.ge(listing.window_start()))
        .filter(certificates::recorded_at.lt(listing.window_end()))
        .order(certificates::record_id.desc())
        .limit(limit)
        .select(Row::as_select())
        .load(&mut connection)
        .await?)
}

/// Results of several versions, in their order.
pub(super) async fn results(mut connection: &Connection, of: &[CertificateId]) -> Result<Vec<ResultRow>, Refusal> {
    Ok(certificate_results::table
        .filter(certificate_results::certificate_id.eq_any(of))
        .order((certificate_results::certificate_id, certificate_results::position))
        .select(ResultRow::as_select())
        .load(&mut connection)
        .await?)
}

#[derive(QueryableByName)]
struct Named {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    code: String,
}

/// Codes of determinations and iron results.
pub(super) async fn codes(mut connection: &Connection, ids: &[Uuid]) -> Result<HashMap<Uuid, String>, Refusal> {
    let rows: Vec<Named> = diesel::sql_query(
        "SELECT id, code FROM determinations WHERE id = ANY($1) UNION ALL SELECT id, code FROM iron_results WHERE id = ANY($1)",
    )
    .bind::<diesel::sql_types::Array<diesel::sql_types::Uuid>, _>(ids)
    .load(&mut connection)
    .await?;
    Ok(rows.into_iter().map(|row| (row.id, row.code)).collect())
}

/// Keeps the document of an issue.
pub(super) async fn keep_paper(
    mut connection: &Connection,
    certificate: CertificateId,
    (pdf, pdf_digest): (&[u8], &str),
    by: AccountId,
) -> Result<(), Refusal> {
    let row = PaperRow { id: CertificatePaperId::new(), certificate_id: certificate, pdf, pdf_digest, recorded_by: by };
    diesel::insert_into(certificate_papers::table).values(&row).execute(&mut connection).await?;
    Ok(())
}

/// The document of an issue with its digest.
pub(super) async fn paper(
    mut connection: &Connection,
    certificate: CertificateId,
) -> Result<Option<(Vec<u8>, String)>, Refusal> {
    Ok(certificate_papers::table
        .filter(certificate_papers::certificate_id.eq(certificate))
        .select((certificate_papers::pdf, certificate_papers::pdf_digest))
        .first(&mut connection)
        .await
        .optional()?)
}

/// Digests of documents, by issue.
pub(super) async fn paper_digests(
    mut connection: &Connection,
    of: &[CertificateId],
) -> Result<Vec<(CertificateId, String)>, Refusal> {
    Ok(certificate_papers::table
        .filter(certificate_papers::certificate_id.eq_any(of))
        .select((certificate_papers::certificate_id, certificate_papers::pdf_digest))
        .load(&mut connection)
        .await?)
}

/// Rows that issues consist of, beside their own: what was certified, what document went out, and the laboratory.
pub(super) async fn parts(mut connection: &Connection, of: &[CertificateId]) -> Result<Vec<Uuid>, Refusal> {
    let certified = certificate_results::table.filter(certificate_results::certificate_id.eq_any(of));
    let certified: Vec<Uuid> = certified.select(certificate_results::id).load(&mut connection).await?;
    let papers = certificate_papers::table.filter(certificate_papers::certificate_id.eq_any(of));
    let papers: Vec<Uuid> = papers.select(certificate_papers::id).load(&mut connection).await?;
    let laboratories = certificates::table.filter(certificates::id.eq_any(of)).select(certificates::laboratory_id);
    let laboratories: Vec<Uuid> = laboratories.load(&mut connection).await?;
    Ok([certified, papers, laboratories].concat())
}

/// Puts on record that a document was taken out.
pub(super) async fn insert_copy(mut connection: &Connection, row: &CopyRow) -> Result<(), Refusal> {
    diesel::insert_into(certificate_copies::table).values(row).execute(&mut connection).await?;
    Ok(())
}

/// Documents that were taken out, newest first.
pub(super) async fn copies(
    mut connection: &Connection,
    of: &[CertificateId],
    limit: i64,
) -> Result<Vec<CopyRow>, Refusal> {
    Ok(certificate_copies::table
        .filter(certificate_copies::certificate_id.eq_any(of))
        .order(certificate_copies::id.desc())
        .limit(limit)
        .select(CopyRow::as_select())
        .load(&mut connection)
        .await?)
}

pub(super) async fn insert_delivery(mut connection: &Connection, row: &DeliveryRow) -> Result<(), Refusal> {
    diesel::insert_into(certificate_deliveries::table).values(row).execute(&mut connection).await?;
    Ok(())
}

/// Who was sent which issue, oldest first.
pub(super) async fn deliveries(mut connection: &Connection, of: &[CertificateId]) -> Result<Vec<DeliveryRow>, Refusal> {
    Ok(certificate_deliveries::table
        .filter(certificate_deliveries::certificate_id.eq_any(of))
        .order(certificate_deliveries::id)
        .select(DeliveryRow::as_select())
        .load(&mut connection)
        .await?)
}

/// An issued certificate over a result that no longer stands as it was certified.
#[derive(Debug, Clone, QueryableByName)]
pub(super) struct Fallen {
    #[diesel(sql_type = diesel::sql_types::Uuid)]
    pub(super) record_id: Uuid,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(super) number: String,
    #[diesel(sql_type = diesel::sql_types::Integer)]
    pub(super) issue: i32,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(super) code: String,
    #[diesel(sql_type = diesel::sql_types::Text)]
    pub(super) state: String,
    #[diesel(sql_type = diesel::sql_types::Timestamptz)]
    pub(super) since: DateTime<Utc>,
}

/// Issued certificates over results that were amended, signed anew or invalidated since.
pub(super) async fn fallen(mut connection: &Connection, limit: i64) -> Result<Vec<Fallen>, Refusal> {
    Ok(diesel::sql_query(
        "SELECT c.record_id, c.number, c.issue, coalesce(d.code, f.code) AS code, t.state, m.recorded_at AS since \
         FROM (SELECT DISTINCT entity_id FROM state_moves WHERE from_state = 'reported') l \
         JOIN certificate_results r ON r.result_id = l.entity_id JOIN present_states t ON t.entity_id = r.result_id \
         JOIN certificates c ON c.id = r.certificate_id JOIN present_states s ON s.entity_id = c.id \
         LEFT JOIN determinations d ON d.id = r.result_id LEFT JOIN iron_results f ON f.id = r.result_id \
         JOIN LATERAL (SELECT recorded_at FROM state_moves m WHERE m.entity_id = r.result_id ORDER BY position DESC LIMIT 1) m ON true \
         WHERE s.state = 'issued' AND t.state <> 'reported' ORDER BY m.recorded_at DESC LIMIT $1",
    )
    .bind::<diesel::sql_types::BigInt, _>(limit)
    .load(&mut connection)
    .await?)
}
