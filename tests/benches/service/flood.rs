//! What a crowd of strangers costs somebody who works: connections that trickle, wrong passwords, and a genuine sign-in and save.

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use serde_json::json;
use tokio::io::AsyncWriteExt as _;
use tokio::net::TcpSocket;

use crate::figures::median;
use crate::http::Client;
use crate::laboratory::{Laboratory, determination, key};
use crate::{Outcome, Service, s, server};

/// Connections that are held open with a body that never comes, and addresses that they come from.
const TRICKLES: usize = 3000;
const ADDRESSES: usize = 12;
/// Sign-ins with wrong passwords, and how many are under way at a time.
const GUESSES: usize = 10_000;
const GUESSERS: usize = 32;
/// Accounts of the demo that are guessed at.
const NAMES: [&str; 6] = ["analyst-1", "analyst-2", "manager-1", "manager-2", "auditor-1", "administrator-1"];

/// Prints how long a sign-in and a save take while nobody else is there, and in the crowd.
pub fn measure(folder: &Path) -> Outcome<()> {
    let data = folder.join("data");
    let (service, _) = Service::start(&data)?;
    let said = service.said.clone();
    let laboratory = Laboratory::open(service.address, &said, &server(&data)?)?;
    let mut number = 0;
    let (calm_in, calm_save) = genuine(service.address, &said, &laboratory, &mut number, 20)?;
    println!("alone: {}", told(&calm_in, &calm_save));
    // Everybody has signed in from here before, as people have where they work.
    for name in NAMES {
        let _ = sign_in(service.address, name, password(&said, name)?)?;
    }
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    let over = Arc::new(AtomicBool::new(false));
    let answers = Arc::new([const { AtomicUsize::new(0) }; 6]);
    let began = Instant::now();
    let trickling = runtime.block_on(trickle(service.address))?;
    println!("{} connections held open after {:.1} s", trickling.len(), s(began.elapsed()));
    let crowd = runtime.spawn(guess(service.address, Arc::clone(&answers), Arc::clone(&over)));
    let (mut ins, mut saves) = (Vec::new(), Vec::new());
    while !over.load(Ordering::Relaxed) {
        let (more_in, more_saves) = genuine(service.address, &said, &laboratory, &mut number, 1)?;
        ins.extend(more_in);
        saves.extend(more_saves);
    }
    runtime.block_on(crowd)?;
    let classes: Vec<usize> = answers.iter().map(|count| count.load(Ordering::Relaxed)).collect();
    println!("{GUESSES} wrong sign-ins in {:.0} s; without an answer, 1xx to 5xx: {classes:?}", s(began.elapsed()));
    println!("in the crowd: {}", told(&ins, &saves));
    drop(trickling);
    for name in NAMES {
        let status = sign_in(service.address, name, password(&said, name)?)?.1;
        println!("{name} signs in at once afterwards: {status}");
    }
    println!("resident memory at most: {:.1} MB", service.memory_kb("VmHWM")? / 1024.0);
    service.stop()
}

/// Password of a person of the demo, as the service printed it.
fn password<'s>(said: &'s str, name: &str) -> Outcome<&'s str> {
    let line = said.lines().map(str::trim).find(|line| line.starts_with(&format!("{name} ")));
    line.and_then(|line| line.split_whitespace().nth(1)).ok_or_else(|| format!("no {name}").into())
}

fn told(ins: &[f64], saves: &[f64]) -> String {
    let most = |times: &[f64]| times.iter().copied().fold(0.0, f64::max);
    format!(
        "{} sign-ins, median {:.0} ms, {:.0} ms at most; a save median {:.0} ms, {:.0} ms at most",
        ins.len(),
        median(ins.to_vec()),
        most(ins),
        median(saves.to_vec()),
        most(saves)
    )
}

fn sign_in(address: SocketAddr, name: &str, password: &str) -> Outcome<(f64, u16)> {
    let began = Instant::now();
    let credentials = json!({ "account": name, "password": password }).to_string();
    let answer = Client::connect(address)?.send("POST", "/api/v1/sessions", "", &credentials)?;
    Ok((began.elapsed().as_secs_f64() * 1e3, answer.status))
}

/// Sign-ins of an analyst from their own address, each followed by a save; ms each.
fn genuine(
    address: SocketAddr,
    said: &str,
    laboratory: &Laboratory,
    number: &mut usize,
    times: usize,
) -> Outcome<(Vec<f64>, Vec<f64>)> {
    let password = password(said, "analyst-1")?;
    let (mut ins, mut saves) = (Vec::new(), Vec::new());
    for _ in 0..times {
        let (took, status) = sign_in(address, "analyst-1", password)?;
        if status != 200 {
            return Err(format!("the analyst was kept out: {status}").into());
        }
        ins.push(took);
        *number += 1;
        let began = Instant::now();
        let headers = laboratory.headers(Some(&key(*number)));
        let path = Laboratory::write_path(&determination(*number));
        let answer = Client::connect(address)?.send("POST", &path, &headers, laboratory.titration())?;
        if answer.status != 201 {
            return Err(answer.body.into());
        }
        saves.push(began.elapsed().as_secs_f64() * 1e3);
    }
    Ok((ins, saves))
}

const fn stranger(number: usize) -> Ipv4Addr {
    Ipv4Addr::new(127, 0, 1, (number % ADDRESSES) as u8 + 1)
}

/// Connections with the head of a request and the first byte of its body.
async fn trickle(address: SocketAddr) -> Outcome<Vec<tokio::net::TcpStream>> {
    let head = "POST /api/v1/sessions HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{";
    let mut held = Vec::new();
    for number in 0..TRICKLES {
        let socket = TcpSocket::new_v4()?;
        socket.bind(SocketAddr::new(IpAddr::V4(stranger(number)), 0))?;
        let mut stream = socket.connect(address).await?;
        // The oldest gave way already.
        let _ = stream.write_all(head.as_bytes()).await;
        held.push(stream);
    }
    Ok(held)
}

/// Wrong passwords for every account, from all addresses.
async fn guess(address: SocketAddr, answers: Arc<[AtomicUsize; 6]>, over: Arc<AtomicBool>) {
    let next = Arc::new(AtomicUsize::new(0));
    let guessers: Vec<_> = (0..GUESSERS)
        .map(|number| {
            let (next, answers) = (Arc::clone(&next), Arc::clone(&answers));
            tokio::spawn(async move {
                let client = reqwest::Client::builder().no_proxy().local_address(IpAddr::V4(stranger(number)));
                let Ok(client) = client.timeout(Duration::from_secs(60)).build() else { return };
                loop {
                    let guess = next.fetch_add(1, Ordering::Relaxed);
                    if guess >= GUESSES {
                        return;
                    }
                    let body =
                        json!({ "account": NAMES[guess % NAMES.len()], "password": format!("not this one {guess}") });
                    let answer = client.post(format!("http://{address}/api/v1/sessions")).json(&body).send().await;
                    let class = answer.map_or(0, |answer| usize::from(answer.status().as_u16() / 100));
                    answers[class.min(5)].fetch_add(1, Ordering::Relaxed);
                }
            })
        })
        .collect();
    for guesser in guessers {
        let _ = guesser.await;
    }
    over.store(true, Ordering::Relaxed);
}
