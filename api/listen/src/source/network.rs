//! An instrument, or a box between its serial port and the network, that waits for connections.

use std::io;
use std::net::{TcpStream, ToSocketAddrs as _};
use std::time::Duration;

use nix::sys::socket::{setsockopt, sockopt};

const PATIENCE: Duration = Duration::from_secs(5);

/// Connects. A cable that is pulled out is noticed within a minute, although nothing is sent.
pub(super) fn open(address: &str) -> io::Result<TcpStream> {
    let mut last = io::Error::other("the name has no address");
    for place in address.to_socket_addrs()? {
        match TcpStream::connect_timeout(&place, PATIENCE) {
            Ok(stream) => {
                setsockopt(&stream, sockopt::KeepAlive, &true)?;
                setsockopt(&stream, sockopt::TcpKeepIdle, &20)?;
                setsockopt(&stream, sockopt::TcpKeepInterval, &10)?;
                setsockopt(&stream, sockopt::TcpKeepCount, &3)?;
                return Ok(stream);
            }
            Err(error) => last = error,
        }
    }
    Err(last)
}
