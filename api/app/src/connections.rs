//! How many connections there are, of one address and in all. When there are too many, the oldest gives way to the newest: whoever
//! holds connections open without using them loses them, and who comes with a request is served.

use std::any::Any;
use std::collections::{BTreeMap, HashMap};
use std::net::{IpAddr, Shutdown, TcpStream};
use std::os::fd::AsFd as _;
use std::sync::{Arc, Mutex, PoisonError};

use actix_web::dev::Extensions;
use actix_web::rt::net::TcpStream as AsyncStream;

/// Connections of one address.
const OF_ONE: usize = 256;
/// Connections in all.
const IN_ALL: usize = 1024;

#[derive(Debug, Default)]
struct Open {
    next: u64,
    all: usize,
    by_address: HashMap<IpAddr, BTreeMap<u64, TcpStream>>,
}

impl Open {
    /// Closes the oldest connection of an address; its own end takes it off the list.
    fn close_oldest(&mut self, address: IpAddr) {
        let Some((_, stream)) = self.by_address.get_mut(&address).and_then(BTreeMap::pop_first) else { return };
        self.all -= 1;
        // One that has just gone by itself is no trouble.
        let _ = stream.shutdown(Shutdown::Both);
    }

    fn close(&mut self, address: IpAddr, id: u64) {
        if let Some(stream) = self.by_address.get(&address).and_then(|streams| streams.get(&id)) {
            let _ = stream.shutdown(Shutdown::Both);
        }
    }

    fn remove(&mut self, address: IpAddr, id: u64) {
        let Some(streams) = self.by_address.get_mut(&address) else { return };
        if streams.remove(&id).is_some() {
            self.all -= 1;
        }
        if streams.is_empty() {
            self.by_address.remove(&address);
        }
    }
}

/// The open connections of this process.
#[derive(Debug, Clone, Default)]
pub struct Connections {
    /// Addresses behind which many stand.
    proxies: &'static [IpAddr],
    open: Arc<Mutex<Open>>,
}

/// A connection on the list, until it ends.
pub struct Listed {
    connections: Connections,
    address: IpAddr,
    id: u64,
}

/// How long somebody who still sends may take to read why it is not wanted.
const LAST_WORD: std::time::Duration = std::time::Duration::from_secs(2);

impl Listed {
    /// Ends the connection in a moment, whatever is still being sent: the server itself would read a body in pieces to its end.
    pub fn end_soon(self: &Arc<Self>) {
        let listed = Arc::downgrade(self);
        actix_web::rt::spawn(async move {
            tokio::time::sleep(LAST_WORD).await;
            if let Some(listed) = listed.upgrade() {
                listed.connections.open.lock().unwrap_or_else(PoisonError::into_inner).close(listed.address, listed.id);
            }
        });
    }
}

impl Drop for Listed {
    fn drop(&mut self) {
        self.connections.open.lock().unwrap_or_else(PoisonError::into_inner).remove(self.address, self.id);
    }
}

impl Connections {
    /// An empty list; addresses of proxies count for all who stand behind them, and have no bound of their own.
    #[must_use]
    pub fn new(proxies: &'static [IpAddr]) -> Self {
        Self { proxies, open: Arc::default() }
    }

    /// Puts a connection on the list; the server calls it for each.
    pub fn admit(&self, stream: &dyn Any, extensions: &mut Extensions) {
        let plain = stream.downcast_ref::<AsyncStream>();
        let tls = || stream.downcast_ref::<crate::tls::Stream>().map(|stream| stream.get_ref().0);
        let Some(stream) = plain.or_else(tls) else { return };
        let Ok(peer) = stream.peer_addr() else { return };
        let Ok(held) = stream.as_fd().try_clone_to_owned() else { return };
        let address = peer.ip().to_canonical();
        let id = self.list(address, TcpStream::from(held));
        extensions.insert(Arc::new(Listed { connections: self.clone(), address, id }));
    }

    fn list(&self, address: IpAddr, stream: TcpStream) -> u64 {
        let mut open = self.open.lock().unwrap_or_else(PoisonError::into_inner);
        let of_one = open.by_address.get(&address).map_or(0, BTreeMap::len);
        if of_one >= OF_ONE && !self.proxies.contains(&address) {
            open.close_oldest(address);
        }
        if open.all >= IN_ALL {
            let most = open.by_address.iter().max_by_key(|(_, streams)| streams.len()).map(|(address, _)| *address);
            open.close_oldest(most.unwrap_or(address));
        }
        let id = open.next;
        open.next += 1;
        open.all += 1;
        open.by_address.entry(address).or_default().insert(id, stream);
        id
    }
}

/// Lets the process have as many files open as the machine allows it: each connection is one, and its entry on the list another.
pub fn raise_limit() {
    use nix::sys::resource::{Resource, getrlimit, setrlimit};
    let Ok((soft, hard)) = getrlimit(Resource::RLIMIT_NOFILE) else { return };
    let wanted = hard.min(8192);
    if soft < wanted
        && let Err(error) = setrlimit(Resource::RLIMIT_NOFILE, wanted, hard)
    {
        tracing::warn!(%error, soft, "the number of open files could not be raised");
    }
}

#[cfg(test)]
mod tests {
    use std::io::Read as _;
    use std::net::TcpListener;

    use super::*;

    #[test]
    fn the_oldest_connection_of_a_crowded_address_gives_way_and_the_list_forgets_what_ended() {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let place = listener.local_addr().unwrap();
        let connections = Connections::new(&[]);
        let (one, other) = (IpAddr::from([192, 0, 2, 1]), IpAddr::from([192, 0, 2, 2]));
        let mut ends = Vec::new();
        let mut admit = |address| {
            ends.push(TcpStream::connect(place).unwrap());
            connections.list(address, listener.accept().unwrap().0)
        };
        let lone = admit(other);
        let first = admit(one);
        let others: Vec<u64> = (0..OF_ONE).map(|_| admit(one)).collect();
        let open = connections.open.lock().unwrap();
        assert_eq!(open.all, OF_ONE + 1);
        assert!(open.by_address[&other].contains_key(&lone) && !open.by_address[&one].contains_key(&first));
        drop(open);
        // The far end of the one that gave way sees its end, and only that one.
        let mut byte = [0];
        assert_eq!(ends[1].read(&mut byte).unwrap(), 0);
        ends[0].set_nonblocking(true).unwrap();
        assert!(ends[0].read(&mut byte).is_err());
        let mut open = connections.open.lock().unwrap();
        for id in others {
            open.remove(one, id);
            open.remove(one, id);
        }
        open.remove(other, lone);
        assert_eq!((open.all, open.by_address.len()), (0, 0));
    }
}
