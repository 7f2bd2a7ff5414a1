//! Asks the witnesses for countersignatures in the background; no request waits for them.

use std::time::Duration;

use chrono::DateTime;
use ferrotitre_base::db::Db;
use ferrotitre_base::refusal::Refusal;
use ferrotitre_check::note::{NamedKey, Note, NoteError, SignatureLine, size_of};
use ferrotitre_check::witness::Request;
use ferrotitre_core::merkle;

use crate::audit::store::{self, CosignatureRow};

/// How often a new head is looked for.
const EVERY: Duration = Duration::from_secs(2);
/// After so many looks a witness that could not be reached is asked again.
const QUIET_LOOKS: u32 = 15;
/// An answer is a line or two.
const LONGEST_ANSWER: usize = 64 * 1024;

/// Why a witness gave none.
#[derive(Debug, thiserror::Error)]
enum Unwitnessed {
    #[error(transparent)]
    Store(#[from] Refusal),
    #[error("it cannot be reached: {0}")]
    Away(#[from] reqwest::Error),
    #[error("its answer is none: {0}")]
    Answer(#[from] NoteError),
    #[error("it countersigned {known} events of this log, which has {size}: the end of the log was cut off")]
    Beyond { known: i64, size: i64 },
    #[error("it does not find that the log continues what it countersigned before (status {0}): ask whoever runs it")]
    Refused(u16),
}

/// A witness as the policy names it.
struct Witness {
    key: NamedKey,
    address: String,
    /// Looks to let pass before the next try.
    pause: u32,
}

/// Asks for as long as the service runs.
pub async fn run(db: Db, mut stop: tokio::sync::watch::Receiver<bool>) {
    let http = match reqwest::Client::builder().no_proxy().timeout(Duration::from_secs(10)).build() {
        Ok(http) => http,
        Err(error) => {
            tracing::error!(%error, "witnesses cannot be asked");
            return;
        }
    };
    let mut pauses: Vec<(String, u32)> = Vec::new();
    loop {
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            _ = stop.changed() => return,
        }
        let witnesses = match named(&db, &pauses).await {
            Ok(witnesses) => witnesses,
            Err(error) => {
                tracing::warn!(%error, "the policy on witnesses cannot be read");
                continue;
            }
        };
        pauses.clear();
        for witness in witnesses {
            let pause = if witness.pause > 0 {
                witness.pause - 1
            } else if let Err(error) = ask(&db, &http, &witness).await {
                tracing::error!(witness = witness.key.name, %error, "a witness has not countersigned");
                QUIET_LOOKS
            } else {
                0
            };
            pauses.push((witness.key.text(), pause));
        }
    }
}

async fn named(db: &Db, pauses: &[(String, u32)]) -> Result<Vec<Witness>, Refusal> {
    let policy = db.read(async |connection| store::policies(connection, 1).await).await?.pop();
    let Some(policy) = policy else { return Ok(Vec::new()) };
    let pairs = policy.witnesses.iter().zip(policy.addresses);
    let of = |(text, address): (&String, String)| {
        let pause = pauses.iter().find(|(of, _)| of == text).map_or(0, |(_, pause)| *pause);
        // What was recorded was read before.
        NamedKey::read(text).ok().map(|key| Witness { key, address, pause })
    };
    Ok(pairs.filter_map(of).collect())
}

/// Asks for the newest checkpoint, if the witness has not countersigned it.
async fn ask(db: &Db, http: &reqwest::Client, witness: &Witness) -> Result<(), Unwitnessed> {
    let text = witness.key.text();
    let (newest, last) = db
        .read(async |connection| {
            let newest = store::checkpoint(connection, None).await?;
            Ok((newest, store::countersigned_by(connection, &text).await?))
        })
        .await?;
    let Some((size, note)) = newest.filter(|(size, _)| *size > last) else { return Ok(()) };
    let mut old = last;
    // The second time with the size the witness says it knows.
    for _ in 0..2 {
        let request = request(db, (old, size), &note).await?;
        let address = format!("{}/add-checkpoint", witness.address);
        let answer = http.post(address).body(request.print()).send().await?;
        let status = answer.status().as_u16();
        let body = answer.bytes().await?;
        let body = String::from_utf8_lossy(&body[..body.len().min(LONGEST_ANSWER)]).into_owned();
        match status {
            200 => return keep(db, witness, (size, &note), &body).await,
            409 => {
                let known = size_of(body.trim_end_matches('\n'))?.cast_signed();
                if known > size {
                    return Err(Unwitnessed::Beyond { known, size });
                }
                if known == old {
                    return Err(Unwitnessed::Refused(status));
                }
                old = known;
            }
            _ => return Err(Unwitnessed::Refused(status)),
        }
    }
    Err(Unwitnessed::Refused(409))
}

async fn request(db: &Db, (old, size): (i64, i64), note: &str) -> Result<Request, Refusal> {
    let leaves = db.read(async |connection| store::leaf_hashes(connection, size).await).await?;
    let old = old.cast_unsigned();
    let proof = merkle::consistency_proof(&leaves, old).map_err(Refusal::internal)?;
    Ok(Request { old, proof, note: note.to_owned() })
}

/// Keeps the line by the witness's key, once it holds.
async fn keep(db: &Db, witness: &Witness, (size, note): (i64, &str), answer: &str) -> Result<(), Unwitnessed> {
    let read = Note::read(note)?;
    let lines = answer.trim_end_matches('\n').split('\n').map(SignatureLine::read).collect::<Result<Vec<_>, _>>()?;
    let countersigned = Note { text: read.text, signatures: lines };
    let keys = [witness.key.clone()];
    let signed = countersigned.signed_by(&keys)?;
    let Some((_, line)) = signed.first() else { return Err(NoteError::Unsigned.into()) };
    let time = line.time().and_then(|time| i64::try_from(time).ok());
    let signed_at = time.and_then(|time| DateTime::from_timestamp(time, 0));
    let signed_at = signed_at.ok_or(NoteError::Form("its time is none"))?;
    let row = CosignatureRow { tree_size: size, witness: witness.key.text(), line: line.text(), signed_at };
    let act = ferrotitre_base::db::Act::system("countersign");
    db.transact(&act, async |connection| store::insert_cosignature(connection, &row).await).await?;
    Ok(())
}
