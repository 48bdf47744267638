//! The program's page, served from a bench, and a plain client for it that may also misbehave.

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};
use std::time::Duration;

use super::Bench;

/// A server at a free port; it ends with this value.
pub struct Server {
    child: Child,
    pub port: u16,
    /// `127.0.0.1:PORT`.
    pub host: String,
    /// The token that it printed, off loopback.
    pub token: Option<String>,
    /// What it printed.
    pub document: String,
}

/// What was answered.
pub struct Answer {
    pub status: u16,
    pub head: String,
    pub body: String,
}

impl Server {
    /// Serves the book of a bench, with its `setup.toml`; `--listen` and more may be given.
    pub fn start(bench: &Bench, more: &[&str]) -> Server {
        let mut args = vec!["serve", "--json"];
        if !more.contains(&"--listen") {
            args.extend(["--listen", "127.0.0.1:0"]);
        }
        args.extend(more);
        let child = bench
            .command(&args)
            .stdout(Stdio::piped())
            .spawn()
            .expect("the server starts");
        Server::of(child)
    }

    /// A server that starts, with `--json` and a pipe for what it prints.
    pub fn of(mut child: Child) -> Server {
        // The document is printed at one go, and the server goes on.
        let mut out = BufReader::new(child.stdout.take().expect("a pipe"));
        let mut text = String::new();
        while !text.ends_with("}\n") {
            let n = out.read_line(&mut text).expect("text");
            assert_ne!(n, 0, "the server ended: {text}");
        }
        let said: serde_json::Value = serde_json::from_str(&text).expect("JSON");
        let listens_on = said["listens_on"].as_str().expect("an address");
        let port = listens_on
            .rsplit(':')
            .next()
            .and_then(|port| port.parse().ok());
        let port = port.expect("a port");
        Server {
            child,
            port,
            host: format!("127.0.0.1:{port}"),
            token: said["token"].as_str().map(str::to_owned),
            document: text,
        }
    }

    /// Asks it to end as the system does, and waits; its exit code.
    #[cfg(unix)]
    pub fn end(mut self) -> Option<i32> {
        let asked = std::process::Command::new("kill")
            .args(["-TERM", &self.child.id().to_string()])
            .status()
            .expect("a signal");
        assert!(asked.success());
        self.child.wait().expect("an end").code()
    }

    pub fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.port)).expect("a connection");
        let patience = Some(Duration::from_secs(40));
        stream.set_read_timeout(patience).expect("a timeout");
        stream
    }

    /// Sends bytes as they are and reads to the end.
    pub fn raw(&self, request: &[u8]) -> Answer {
        let mut stream = self.connect();
        // The server may answer, and close, before it has read all.
        let _ = stream.write_all(request);
        Answer::read(&mut stream)
    }

    /// A request with a right Host, and more header lines, each with its line end.
    pub fn ask(&self, method: &str, address: &str, more: &str, body: &[u8]) -> Answer {
        let mut request = format!(
            "{method} {address} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\nAccept: text/html\r\n{more}",
            self.host
        )
        .into_bytes();
        if !body.is_empty() || method == "POST" {
            request.extend(format!("Content-Length: {}\r\n", body.len()).bytes());
        }
        request.extend(b"\r\n");
        request.extend(body);
        self.raw(&request)
    }

    pub fn get(&self, address: &str) -> Answer {
        self.ask("GET", address, "", b"")
    }

    /// Sends a form as the page's own would be sent.
    pub fn post(&self, address: &str, fields: &[(&str, &str)]) -> Answer {
        let body = form_urlencoded::Serializer::new(String::new())
            .extend_pairs(fields)
            .finish();
        let more = format!("{}{}", self.own_origin(), FORM);
        self.ask("POST", address, &more, body.as_bytes())
    }

    /// The header line of a page of this server.
    pub fn own_origin(&self) -> String {
        format!("Origin: http://{}\r\n", self.host)
    }
}

/// The header line of a form.
pub const FORM: &str = "Content-Type: application/x-www-form-urlencoded\r\n";

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Answer {
    /// Reads an answer to its end; status 0 is none.
    pub fn read(stream: &mut TcpStream) -> Answer {
        let mut bytes = Vec::new();
        // A connection that is cut ends what there is.
        let _ = stream.read_to_end(&mut bytes);
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let status = head
            .split(' ')
            .nth(1)
            .and_then(|status| status.parse().ok());
        Answer {
            status: status.unwrap_or(0),
            head: head.to_ascii_lowercase(),
            body: body.to_owned(),
        }
    }

    /// The value of a header.
    pub fn header(&self, name: &str) -> Option<&str> {
        let mut lines = self.head.lines().filter_map(|line| line.split_once(": "));
        lines.find(|(key, _)| *key == name).map(|(_, value)| value)
    }
}
