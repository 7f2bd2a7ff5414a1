//! A serial port, read as bytes: no echo, no translation of characters, none swallowed.

use std::fs::{File, OpenOptions};
use std::io::{self, Read};
use std::os::fd::AsFd as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;
use std::str::FromStr;

use nix::fcntl::OFlag;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::termios::{
    BaudRate, ControlFlags, FlushArg, InputFlags, SetArg, SpecialCharacterIndices, cfmakeraw, cfsetspeed, tcflush,
    tcgetattr, tcsetattr,
};

/// How characters go over the line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Line {
    pub(crate) speed: u32,
    pub(crate) frame: Frame,
    pub(crate) flow: Flow,
}

/// Data bits, parity, stop bits, such as 8N1 or 7E1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Frame {
    bits: u8,
    parity: char,
    stops: u8,
}

impl FromStr for Frame {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong = || format!("'{text}' is not data bits, parity and stop bits, such as 8N1, 7E1 or 7O2");
        let [bits @ (b'7' | b'8'), parity, stops @ (b'1' | b'2')] = text.as_bytes() else { return Err(wrong()) };
        let parity = char::from(parity.to_ascii_uppercase());
        if !"NEO".contains(parity) {
            return Err(wrong());
        }
        Ok(Self { bits: bits - b'0', parity, stops: stops - b'0' })
    }
}

/// How the instrument is told to wait.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Flow {
    /// Not at all.
    None,
    /// By characters (XON, XOFF).
    Xon,
    /// By the lines RTS and CTS.
    Rts,
}

/// The speeds there are.
const SPEEDS: [(u32, BaudRate); 10] = [
    (300, BaudRate::B300),
    (600, BaudRate::B600),
    (1200, BaudRate::B1200),
    (2400, BaudRate::B2400),
    (4800, BaudRate::B4800),
    (9600, BaudRate::B9600),
    (19200, BaudRate::B19200),
    (38400, BaudRate::B38400),
    (57600, BaudRate::B57600),
    (115_200, BaudRate::B115200),
];

/// A speed as it is given.
pub(crate) fn speed(text: &str) -> Result<u32, String> {
    let given = text.parse::<u32>().ok().filter(|speed| SPEEDS.iter().any(|(known, _)| known == speed));
    let known = || SPEEDS.map(|(speed, _)| speed.to_string()).join(", ");
    given.ok_or_else(|| format!("'{text}' is none of the speeds {}", known()))
}

/// An open port.
pub(super) struct Port(File);

/// Opens a port. Two connectors do not read one port, each every other character.
pub(super) fn open(device: &Path, line: Line) -> io::Result<Port> {
    let flags = OFlag::O_NOCTTY | OFlag::O_NONBLOCK;
    let port = OpenOptions::new().read(true).custom_flags(flags.bits()).open(device)?;
    if port.try_lock().is_err() {
        return Err(io::Error::other("another connector reads it"));
    }
    let mut settings = tcgetattr(&port).map_err(|_error| io::Error::other("it is no serial port"))?;
    cfmakeraw(&mut settings);
    settings.control_flags.insert(ControlFlags::CLOCAL | ControlFlags::CREAD);
    settings.control_flags.remove(
        ControlFlags::CSIZE
            | ControlFlags::PARENB
            | ControlFlags::PARODD
            | ControlFlags::CSTOPB
            | ControlFlags::CRTSCTS,
    );
    settings.input_flags.remove(InputFlags::INPCK | InputFlags::IXON | InputFlags::IXOFF | InputFlags::IXANY);
    settings.control_flags.insert(if line.frame.bits == 7 { ControlFlags::CS7 } else { ControlFlags::CS8 });
    if line.frame.parity != 'N' {
        settings.control_flags.insert(ControlFlags::PARENB);
        // A character whose parity is wrong comes as a zero, so that its line is not taken.
        settings.input_flags.insert(InputFlags::INPCK);
    }
    if line.frame.parity == 'O' {
        settings.control_flags.insert(ControlFlags::PARODD);
    }
    if line.frame.stops == 2 {
        settings.control_flags.insert(ControlFlags::CSTOPB);
    }
    match line.flow {
        Flow::None => {}
        Flow::Xon => settings.input_flags.insert(InputFlags::IXON | InputFlags::IXOFF),
        Flow::Rts => settings.control_flags.insert(ControlFlags::CRTSCTS),
    }
    settings.control_chars[SpecialCharacterIndices::VMIN as usize] = 1;
    settings.control_chars[SpecialCharacterIndices::VTIME as usize] = 0;
    let known = SPEEDS.iter().find(|(speed, _)| *speed == line.speed);
    let (_, rate) = known.ok_or_else(|| io::Error::other("no such speed"))?;
    cfsetspeed(&mut settings, *rate)?;
    tcsetattr(&port, SetArg::TCSANOW, &settings)?;
    // What came with other settings is no text.
    tcflush(&port, FlushArg::TCIFLUSH)?;
    Ok(Port(port))
}

impl Read for Port {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        loop {
            poll(&mut [PollFd::new(self.0.as_fd(), PollFlags::POLLIN)], PollTimeout::NONE)?;
            match self.0.read(buffer) {
                Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                outcome => return outcome,
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_and_speeds_are_those_that_lines_have() {
        assert_eq!("7e1".parse(), Ok(Frame { bits: 7, parity: 'E', stops: 1 }));
        assert_eq!("8N2".parse(), Ok(Frame { bits: 8, parity: 'N', stops: 2 }));
        for wrong in ["", "8N", "9N1", "8X1", "8N3", "8N11"] {
            assert!(wrong.parse::<Frame>().is_err(), "{wrong}");
        }
        assert_eq!(speed("9600"), Ok(9600));
        assert!(speed("9601").unwrap_err().contains("300, 600"));
    }
}
