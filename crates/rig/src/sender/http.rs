//! An HTTP/1.1 request for each pulse (RFC 9112), each over a connection of its own, without TLS.

use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::{Act, Ask, Issued, SendError};
use crate::chain_file::ChainFile;
use crate::port::Clock;
use crate::system::connect;

/// How long one read waits before the stop flag is looked at.
const SLICE: Duration = Duration::from_millis(50);
/// A head longer than this is no answer.
const MOST_HEAD: usize = 16_384;

pub(super) struct Http {
    pub(super) file: ChainFile,
    pub(super) method: String,
    pub(super) address: String,
    pub(super) headers: Vec<(String, String)>,
    pub(super) body: String,
}

/// Host, what to connect to, and path of an address.
///
/// # Errors
/// What was expected, and the way out.
pub(crate) fn parts(address: &str) -> Result<(&str, String, &str), (&'static str, &'static str)> {
    const EXPECTED: &str = "an address such as http://host:port/path";
    if address.starts_with("https:") {
        return Err((
            "an address that begins with http://",
            "TLS is not spoken here: use a program that does, by [program], or a local forwarder",
        ));
    }
    let rest = address
        .strip_prefix("http://")
        .ok_or((EXPECTED, "begin it with http://"))?;
    let at = rest.find(['/', '?']).unwrap_or(rest.len());
    let (host, path) = rest.split_at(at);
    if host.is_empty() || address.contains(char::is_whitespace) || host.contains('@') {
        return Err((
            EXPECTED,
            "give host and path without blanks, and no user name",
        ));
    }
    // The colons of an IPv6 address stand in brackets.
    let after_brackets = host.rsplit(']').next().unwrap_or(host);
    let target = if after_brackets.contains(':') {
        host.to_owned()
    } else {
        format!("{host}:80")
    };
    Ok((host, target, path))
}

impl Act for Http {
    fn act(
        &mut self,
        ask: &Ask,
        clock: &dyn Clock,
        stop: &AtomicBool,
    ) -> Result<Issued, SendError> {
        let fill = |template: &str| self.file.fill(template, ask.direction, ask.width_ms);
        let address = fill(&self.address);
        let (host, target, path) =
            parts(&address).map_err(|(expected, advice)| SendError::Failed {
                what: format!("{address} is not {expected}"),
                advice: advice.into(),
            })?;
        let failed = |what: &str, error: std::io::Error| SendError::Failed {
            what: format!("{what} {target}: {error}"),
            advice: "check that the chain's program runs and listens there".into(),
        };
        let limit_s = self.file.timeout_s + ask.width_ms / 1000.0;
        let begun = clock.now_s();
        let mut stream = connect(&target, Duration::from_secs_f64(self.file.timeout_s))
            .map_err(|error| failed("no connection to", error))?;
        let slash = if path.starts_with('/') { "" } else { "/" };
        let body = fill(&self.body);
        let mut request = format!("{} {slash}{path} HTTP/1.1\r\nHost: {host}\r\n", self.method);
        for (name, value) in &self.headers {
            request += &format!("{name}: {}\r\n", fill(value));
        }
        if !body.is_empty() || matches!(self.method.as_str(), "POST" | "PUT" | "PATCH") {
            request += &format!("Content-Length: {}\r\n", body.len());
        }
        request += "Connection: close\r\n\r\n";
        request += &body;
        let prepare = stream
            .set_write_timeout(Some(Duration::from_secs_f64(self.file.timeout_s)))
            .and_then(|()| stream.set_read_timeout(Some(SLICE)));
        prepare.map_err(|error| failed("no timeout on", error))?;
        let before = clock.now_s();
        stream
            .write_all(request.as_bytes())
            .and_then(|()| stream.flush())
            .map_err(|error| failed("nothing could be sent to", error))?;
        let after = clock.now_s();
        let over = || clock.now_s() - begun > limit_s;
        let head = read_head(&mut stream, stop, &over).map_err(|fault| match fault {
            Fault::Stopped => SendError::Stopped,
            Fault::TimedOut => SendError::TimedOut {
                what: address.clone(),
                after_s: limit_s,
            },
            Fault::Broken(error) => failed("no answer from", error),
        })?;
        let status = head.lines().next().unwrap_or_default();
        let code = status
            .strip_prefix("HTTP/1.")
            .and_then(|rest| rest.split_whitespace().nth(1));
        match code.and_then(|code| code.parse::<u16>().ok()) {
            Some(200..=299) => Ok(Issued::between(before, after)),
            _ => Err(SendError::Refused {
                what: address,
                answer: if status.is_empty() {
                    "an empty answer".into()
                } else {
                    status.chars().take(200).collect()
                },
            }),
        }
    }
}

enum Fault {
    Stopped,
    TimedOut,
    Broken(std::io::Error),
}

/// The answer up to the empty line after its headers, or up to its end.
fn read_head(
    stream: &mut TcpStream,
    stop: &AtomicBool,
    over: &dyn Fn() -> bool,
) -> Result<String, Fault> {
    let mut head: Vec<u8> = Vec::new();
    let mut part = [0; 1024];
    loop {
        match stream.read(&mut part) {
            Ok(0) => break,
            Ok(count) => {
                head.extend_from_slice(part.get(..count).unwrap_or_default());
                // An answer "100 Continue" comes before the real one only if it was asked for.
                if head.windows(4).any(|w| w == b"\r\n\r\n") || head.len() > MOST_HEAD {
                    break;
                }
            }
            Err(error)
                if matches!(
                    error.kind(),
                    ErrorKind::WouldBlock | ErrorKind::TimedOut | ErrorKind::Interrupted
                ) => {}
            Err(error) => return Err(Fault::Broken(error)),
        }
        if stop.load(Ordering::SeqCst) {
            return Err(Fault::Stopped);
        }
        if over() {
            return Err(Fault::TimedOut);
        }
    }
    Ok(String::from_utf8_lossy(&head).into_owned())
}
