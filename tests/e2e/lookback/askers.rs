//! Askers who leave in the middle of an answer, or read nothing of it: the next has its turn.

use std::time::{Duration, Instant};

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpSocket, TcpStream};

use super::*;
use crate::copies::Copies;

/// Results that are reached: their lines are more than the sockets and the service hold between them.
const MANY: usize = 16_000;
/// What Linux keeps for a socket that sends, at most, unless somebody said otherwise.
const MOST_HELD: usize = 4 << 20;

/// Sends a request over a connection that takes little before it is read from.
async fn ask(lab: &Lab, path: &str) -> TcpStream {
    let socket = TcpSocket::new_v4().unwrap();
    socket.set_recv_buffer_size(4096).unwrap();
    let mut stream = socket.connect(lab.app.running.address).await.unwrap();
    let request = format!(
        "GET /api/v1{path} HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {}\r\n\r\n",
        lab.app.running.address,
        lab.app.auditor.token()
    );
    stream.write_all(request.as_bytes()).await.unwrap();
    stream
}

#[tokio::test(flavor = "multi_thread")]
async fn an_asker_who_leaves_or_reads_nothing_gives_way_to_the_next() {
    let lab = Lab::open().await;
    let app = &lab.app;
    let (path, _) = approved(&lab).await;
    Copies::approved(path.trim_start_matches("/determinations/"), MANY).make(&lab).await;
    let id = standard(&lab).await;
    let long = format!("/what-if?standard={id}&mass_fraction=0.9975");
    // From tomorrow on nothing was made: reached at once, and none.
    let short = format!("without_person={}&from={}T00:00:00Z", app.analyst.id, day(1));
    let begun = Instant::now();
    let whole = app.auditor.get(&long).await;
    let in_full = begun.elapsed();
    assert_eq!(Answered::of(&whole).totals["reached"], json!(MANY + 2));
    assert!(whole.text.len() > MOST_HELD + (1 << 20), "the answer would fit into the sockets: {}", whole.text.len());
    let begun = Instant::now();
    let _ = what_if(&app.auditor, &short).await;
    let alone = begun.elapsed();

    // Dropped after its first bytes: the next does not wait for its end.
    let mut leaving = ask(&lab, &long).await;
    let mut first = [0; 64];
    leaving.read_exact(&mut first).await.unwrap();
    assert!(first.starts_with(b"HTTP/1.1 200"), "{}", String::from_utf8_lossy(&first));
    drop(leaving);
    let begun = Instant::now();
    let _ = what_if(&app.auditor, &short).await;
    let waited = begun.elapsed();
    assert!(waited < alone + in_full / 2, "{waited:?} after one who left; {in_full:?} in full, {alone:?} alone");

    // Open, and never read: it is given up before the next one's patience ends.
    let silent = ask(&lab, &long).await;
    tokio::time::sleep(Duration::from_secs(1)).await;
    let begun = Instant::now();
    let _ = what_if(&app.auditor, &short).await;
    let waited = begun.elapsed();
    assert!(waited > Duration::from_secs(2), "nobody held the turn: {waited:?}");
    drop(silent);
}
