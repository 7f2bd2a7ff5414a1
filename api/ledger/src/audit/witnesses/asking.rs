//! Asks the witnesses for countersignatures in the background; no request waits for them.

use std::time::Duration;

use chrono::DateTime;
use ferrotitre_base::db::{Connection, Db};
use ferrotitre_base::refusal::{Code, Refusal};
use ferrotitre_check::note::{Checkpoint, NamedKey, Note, NoteError, SignatureLine, size_of};
use ferrotitre_check::witness::Request;
use ferrotitre_core::merkle::{self, Hash};

use crate::audit::store::{self, CosignatureRow};
use crate::audit::witnesses::http::{Away, Http};

/// How often a new head is looked for.
const EVERY: Duration = Duration::from_secs(2);
/// After so many looks a witness that could not be reached is asked again.
const QUIET_LOOKS: u32 = 15;

/// Why a witness gave none.
#[derive(Debug, thiserror::Error)]
enum Unwitnessed {
    #[error(transparent)]
    Store(#[from] Refusal),
    #[error(transparent)]
    Away(#[from] Away),
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
pub async fn run(db: Db, http: Http, mut stop: tokio::sync::watch::Receiver<bool>) {
    let mut pauses: Vec<(String, u32)> = Vec::new();
    let mut leaves = Leaves::default();
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
            } else if let Err(error) = ask(&db, &http, &witness, &mut leaves).await {
                tracing::error!(witness = witness.key.name, %error, "a witness has not countersigned");
                QUIET_LOOKS
            } else {
                0
            };
            pauses.push((witness.key.text(), pause));
        }
    }
}

/// Leaves that were read before, so that a new head costs only what is new.
#[derive(Default)]
struct Leaves(Vec<Hash>);

impl Leaves {
    /// The leaves under a checkpoint; all are read again where those at hand are not under it.
    async fn under(&mut self, db: &Db, checkpoint: &Checkpoint) -> Result<&[Hash], Refusal> {
        let size = usize::try_from(checkpoint.size).map_err(Refusal::internal)?;
        for _ in 0..2 {
            if self.0.len() < size {
                let from = i64::try_from(self.0.len()).map_err(Refusal::internal)?;
                let upto = checkpoint.size.cast_signed();
                let new = db.read(async |connection| store::leaf_hashes(connection, (from, upto)).await).await?;
                self.0.extend(new);
            }
            match self.0.get(..size) {
                Some(leaves) if merkle::root(leaves) == checkpoint.root => break,
                _ => self.0.clear(),
            }
        }
        self.0.get(..size).ok_or_else(|| {
            Refusal::new(
                Code::Internal,
                "the newest checkpoint is not over the leaves of the log: ferrotitre verify says more",
            )
        })
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

/// The newest checkpoint that a witness has not countersigned, and the size of the last that it has.
async fn due(db: &Db, witness: &Witness) -> Result<Option<(i64, i64, String)>, Refusal> {
    let text = witness.key.text();
    db.read(async |connection| {
        let last = store::countersigned_by(connection, &text).await?;
        let newest = store::checkpoint(connection, None).await?.filter(|(size, _)| *size > last);
        Ok(newest.map(|(size, note)| (last, size, note)))
    })
    .await
}

/// Asks for the newest checkpoint, if the witness has not countersigned it. Of two processes over one store the second leaves it
/// to the first: a head that came late would look like that of a store put back.
async fn ask(db: &Db, http: &Http, witness: &Witness, leaves: &mut Leaves) -> Result<(), Unwitnessed> {
    if due(db, witness).await?.is_none() {
        return Ok(());
    }
    let act = ferrotitre_base::db::Act::system("countersign");
    db.transact(&act, async |connection| {
        if !store::try_asking(connection, &witness.key.text()).await? {
            return Ok(Ok(()));
        }
        Ok(match due(db, witness).await? {
            Some((last, size, note)) => asked((db, connection), http, witness, (last, size, &note), leaves).await,
            None => Ok(()),
        })
    })
    .await?
}

async fn asked(
    (db, connection): (&Db, &Connection),
    http: &Http,
    witness: &Witness,
    (last, size, note): (i64, i64, &str),
    leaves: &mut Leaves,
) -> Result<(), Unwitnessed> {
    let checkpoint = Checkpoint::read(&Note::read(note)?.text)?;
    let leaves = leaves.under(db, &checkpoint).await?;
    let mut old = last;
    // The second time with the size the witness says it knows.
    for _ in 0..2 {
        let proof = merkle::consistency_proof(leaves, old.cast_unsigned()).map_err(Refusal::internal)?;
        let request = Request { old: old.cast_unsigned(), proof, note: note.to_owned() };
        let address = format!("{}/add-checkpoint", witness.address);
        let (status, body) = http.post(&address, request.print()).await?;
        match status {
            200 => return keep(connection, witness, (size, note), &body).await,
            409 => {
                let known = size_of(body.trim_end_matches('\n'))?.cast_signed();
                if known > size {
                    let now = db.read(async |connection| store::tree_size(connection).await).await?;
                    // The log may have gone on meanwhile; the next look asks for the newer head.
                    return if known > now { Err(Unwitnessed::Beyond { known, size: now }) } else { Ok(()) };
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

/// Keeps the line by the witness's key, once it holds.
async fn keep(
    connection: &Connection,
    witness: &Witness,
    (size, note): (i64, &str),
    answer: &str,
) -> Result<(), Unwitnessed> {
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
    Ok(store::insert_cosignature(connection, &row).await?)
}
