//! A plain blocking client: one connection, kept alive, nothing in the way of the figures.

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read as _, Write as _};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

/// Bytes that are kept of the end of a long answer.
const LAST: usize = 4096;

/// One connection.
pub struct Client {
    stream: BufReader<TcpStream>,
    address: SocketAddr,
}

/// What came back.
#[derive(Debug)]
pub struct Answer {
    /// HTTP status.
    pub status: u16,
    /// Body as text.
    pub body: String,
}

impl Client {
    /// Connects.
    pub fn connect(address: SocketAddr) -> io::Result<Self> {
        let stream = TcpStream::connect(address)?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(60)))?;
        Ok(Self { stream: BufReader::new(stream), address })
    }

    /// Connects to wait for an answer that takes minutes.
    pub fn patient(address: SocketAddr) -> io::Result<Self> {
        let client = Self::connect(address)?;
        client.stream.get_ref().set_read_timeout(Some(Duration::from_secs(3600)))?;
        Ok(client)
    }

    /// Reads an answer of any size without keeping it; returns its length. Anything but 200 is an error.
    pub fn download(&mut self, path: &str, headers: &str) -> io::Result<usize> {
        Ok(self.download_to_its_end(path, headers)?.0)
    }

    /// The same into a file.
    pub fn save(&mut self, path: &str, headers: &str, file: &mut File) -> io::Result<u64> {
        let request = format!("GET {path} HTTP/1.1\r\nHost: {}\r\n{headers}Connection: close\r\n\r\n", self.address);
        self.stream.get_mut().write_all(request.as_bytes())?;
        let mut line = String::new();
        self.stream.read_line(&mut line)?;
        if line.split(' ').nth(1) != Some("200") {
            return Err(io::Error::other(line));
        }
        let mut chunked = false;
        while line.trim_end() != "" {
            line.clear();
            self.stream.read_line(&mut line)?;
            chunked |= line.to_ascii_lowercase().starts_with("transfer-encoding: chunked");
        }
        if !chunked {
            return io::copy(&mut self.stream, file);
        }
        let mut length = 0;
        loop {
            line.clear();
            self.stream.read_line(&mut line)?;
            let size = u64::from_str_radix(line.trim(), 16).map_err(io::Error::other)?;
            length += io::copy(&mut (&mut self.stream).take(size), file)?;
            line.clear();
            self.stream.read_line(&mut line)?;
            if size == 0 {
                return Ok(length);
            }
        }
    }

    /// The same; returns the last bytes, too.
    pub fn download_to_its_end(&mut self, path: &str, headers: &str) -> io::Result<(usize, String)> {
        let request = format!("GET {path} HTTP/1.1\r\nHost: {}\r\n{headers}Connection: close\r\n\r\n", self.address);
        self.stream.get_mut().write_all(request.as_bytes())?;
        let mut line = String::new();
        self.stream.read_line(&mut line)?;
        if line.split(' ').nth(1) != Some("200") {
            return Err(io::Error::other(line));
        }
        while line.trim_end() != "" {
            line.clear();
            self.stream.read_line(&mut line)?;
        }
        let (mut length, mut piece, mut last) = (0, vec![0; 64 * 1024], Vec::new());
        loop {
            match self.stream.read(&mut piece)? {
                0 => return Ok((length, String::from_utf8_lossy(&last).into_owned())),
                more => {
                    length += more;
                    last.extend_from_slice(&piece[..more]);
                    last.drain(..last.len().saturating_sub(LAST));
                }
            }
        }
    }

    /// Sends a request and reads the whole answer.
    pub fn send(&mut self, method: &str, path: &str, headers: &str, body: &str) -> io::Result<Answer> {
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {}\r\n{headers}Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            self.address,
            body.len()
        );
        self.stream.get_mut().write_all(request.as_bytes())?;
        self.answer()
    }

    /// The same without a body, for an answer that may be no text; gives its status.
    pub fn send_bytes(&mut self, method: &str, path: &str, headers: &str) -> io::Result<u16> {
        Ok(self.get(method, path, headers)?.0)
    }

    /// The same with what came, whatever it is.
    pub fn get(&mut self, method: &str, path: &str, headers: &str) -> io::Result<(u16, Vec<u8>)> {
        let request = format!("{method} {path} HTTP/1.1\r\nHost: {}\r\n{headers}\r\n", self.address);
        self.stream.get_mut().write_all(request.as_bytes())?;
        let (status, body, _) = self.raw()?;
        Ok((status, body))
    }

    /// Fields as a page sends them; gives the status and the cookies that were set, as a header.
    pub fn form(&mut self, path: &str, fields: &str) -> io::Result<(u16, String)> {
        let request = format!(
            "POST {path} HTTP/1.1\r\nHost: {}\r\nSec-Fetch-Site: same-origin\r\n\
             Content-Type: application/x-www-form-urlencoded\r\nContent-Length: {}\r\n\r\n{fields}",
            self.address,
            fields.len()
        );
        self.stream.get_mut().write_all(request.as_bytes())?;
        let (status, _, cookies) = self.raw()?;
        Ok((status, format!("Cookie: {}\r\n", cookies.join("; "))))
    }

    fn answer(&mut self) -> io::Result<Answer> {
        let (status, body, _) = self.raw()?;
        let body = String::from_utf8(body).map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))?;
        Ok(Answer { status, body })
    }

    /// Status, body and cookies of an answer.
    fn raw(&mut self) -> io::Result<(u16, Vec<u8>, Vec<String>)> {
        let bad = |text: &str| io::Error::new(io::ErrorKind::InvalidData, text.to_owned());
        let mut line = String::new();
        self.stream.read_line(&mut line)?;
        let status = line.split(' ').nth(1).and_then(|text| text.parse().ok()).ok_or_else(|| bad("no status line"))?;
        let (mut length, mut chunked, mut cookies) = (None, false, Vec::new());
        loop {
            line.clear();
            self.stream.read_line(&mut line)?;
            let Some((name, value)) = line.trim_end().split_once(": ") else { break };
            match name.to_ascii_lowercase().as_str() {
                "set-cookie" => cookies.extend(value.split(';').next().map(str::to_owned)),
                "content-length" => length = value.parse::<usize>().ok(),
                "transfer-encoding" => chunked = value.eq_ignore_ascii_case("chunked"),
                _ => {}
            }
        }
        let mut body = Vec::new();
        if chunked {
            loop {
                line.clear();
                self.stream.read_line(&mut line)?;
                let size = usize::from_str_radix(line.trim(), 16).map_err(|error| bad(&error.to_string()))?;
                let start = body.len();
                body.resize(start + size, 0);
                self.stream.read_exact(&mut body[start..])?;
                line.clear();
                self.stream.read_line(&mut line)?;
                if size == 0 {
                    break;
                }
            }
        } else {
            body.resize(length.unwrap_or(0), 0);
            self.stream.read_exact(&mut body)?;
        }
        Ok((status, body, cookies))
    }
}
