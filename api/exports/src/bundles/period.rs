//! The bundle of a period, written as it is read.

use std::fs::File;
use std::io::{BufWriter, Write as _};

use chrono::{DateTime, Utc};
use ferrotitre_base::auth::permissions::exports_own_data_only;
use ferrotitre_base::db::Db;
use ferrotitre_base::entry::canonical_time;
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_check::bundle::FORMAT;
use ferrotitre_check::canonical;
use ferrotitre_ledger::audit::checkpoints::{self, Placed};
use sha2::{Digest, Sha256};

use super::{Bundle, By, finished, io, log, service_name, text};
use crate::service::put_on_record;
use crate::spool::nameless;

/// Events of a period that are read at once.
const STRETCH: i64 = 5000;

/// The bundle of a period: every event of the log between the first and the last of that time, written as it is read.
pub(crate) async fn period(
    db: &Db,
    (act, user, key): By<'_>,
    (from, until): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Bundle, Refusal> {
    if exports_own_data_only(&user.roles) {
        return Err(Refusal::new(
            Code::Forbidden,
            "a period of the log holds everybody's work: managers and auditors take it out",
        ));
    }
    if from >= until {
        return Err(Refusal::invalid("until", "range", "must be after from", canonical_time(until)));
    }
    let found = checkpoints::between(db, from, until).await?;
    let (first, last) = found.ok_or_else(|| Refusal::new(Code::NotEnoughData, "nothing of that time is sealed"))?;
    let code = format!("{} to {}", canonical_time(from), canonical_time(until));
    let mut page = Page::begin(&code)?;
    let mut leaves = Vec::new();
    let mut next = first;
    while next <= last {
        let placed = checkpoints::stretch(db, next, STRETCH.min(last - next + 1)).await?;
        for one in &placed {
            page.event(one)?;
            leaves.push(one.leaf);
        }
        let Some(end) = placed.last() else { break };
        next = end.leaf.cast_signed() + 1;
    }
    if leaves.len() as u64 != (last - first + 1).cast_unsigned() {
        return Err(Refusal::new(
            Code::Internal,
            "events of that time are gone from the store: ferrotitre verify says which",
        ));
    }
    let (mut file, digest) = page.end()?;
    let records = last - first + 1;
    let export = put_on_record(db, act, ("bundle", format!("period {code}"), "bundle"), (&digest, records)).await?;
    let proven = checkpoints::prove(db, &leaves, export.0).await?;
    let tail = format!(",\"format\":\"{FORMAT}\",\"log\":{}}}", canonical::text(&log(key, &leaves, &proven)?));
    file.write_all(tail.as_bytes()).map_err(io)?;
    let file = finished(file, digest, leaves.len())?;
    let name = format!("period-{}-{}.bundle", from.format("%Y%m%d"), until.format("%Y%m%d"));
    Ok(Bundle { name, size: file.size()?, file })
}

/// The content of a period in its canonical form, written and hashed as it comes.
struct Page {
    file: BufWriter<File>,
    digest: Sha256,
    first: bool,
}

impl Page {
    fn begin(code: &str) -> Result<Self, Refusal> {
        let mut page = Self { file: BufWriter::new(nameless()?), digest: Sha256::new(), first: true };
        page.file.write_all(b"{\"content\":").map_err(io)?;
        let mut head = String::from("{\"code\":");
        canonical::string(&mut head, code);
        head.push_str(",\"events\":[");
        page.add(&head)?;
        Ok(page)
    }

    fn add(&mut self, piece: &str) -> Result<(), Refusal> {
        self.digest.update(piece.as_bytes());
        self.file.write_all(piece.as_bytes()).map_err(io)
    }

    fn event(&mut self, placed: &Placed) -> Result<(), Refusal> {
        let mut piece = String::from(if self.first { "" } else { "," });
        canonical::string(&mut piece, &text(placed)?);
        self.first = false;
        self.add(&piece)
    }

    fn end(mut self) -> Result<(File, String), Refusal> {
        let mut tail = String::from("],\"figures\":[],\"kind\":\"period\",\"service\":");
        canonical::string(&mut tail, &service_name());
        tail.push_str(",\"subject\":\"\"}");
        self.add(&tail)?;
        let file = self.file.into_inner().map_err(|error| io(error.into_error()))?;
        Ok((file, hex::encode(self.digest.finalize())))
    }
}
