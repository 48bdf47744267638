//! Slow clients, and many.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::bench;
use super::common::server::{Answer, FORM, Server};

/// Whether the server has closed a connection, and after how long.
fn closed_after(mut stream: TcpStream, begun: Instant) -> Duration {
    let mut rest = Vec::new();
    // A reset is an end as well.
    let _ = stream.read_to_end(&mut rest);
    begun.elapsed()
}

#[test]
fn headers_that_dribble_are_cut_and_others_are_served_meanwhile() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let begun = Instant::now();
    let mut dribbler = server.connect();
    let reader = dribbler.try_clone().expect("a second handle");
    let writer = std::thread::spawn(move || {
        for byte in "GET /measure HTTP/1.1\r\nHost: x\r\nX-Slow: "
            .bytes()
            .chain(std::iter::repeat(b'a'))
        {
            if dribbler.write_all(&[byte]).is_err() || begun.elapsed() > Duration::from_secs(25) {
                return;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
    });
    let watcher = std::thread::spawn(move || closed_after(reader, begun));
    for _ in 0..5 {
        let asked = Instant::now();
        assert_eq!(server.get("/measure").status, 200);
        assert!(
            asked.elapsed() < Duration::from_secs(3),
            "{:?}",
            asked.elapsed()
        );
        std::thread::sleep(Duration::from_millis(300));
    }
    let cut = watcher.join().expect("the watcher ends");
    assert!(
        cut > Duration::from_secs(5) && cut < Duration::from_secs(20),
        "{cut:?}"
    );
    writer.join().expect("the writer ends");
}

#[test]
fn silence_ends_a_connection() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let begun = Instant::now();
    // One that never asks, one that keeps its connection after an answer, one whose form never comes.
    let silent = server.connect();
    let mut kept = server.connect();
    let host = &server.host;
    write!(kept, "GET /theme HTTP/1.1\r\nHost: {host}\r\n\r\n").expect("a request");
    let mut unsent = server.connect();
    write!(
        unsent,
        "POST /theme HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n{FORM}Content-Length: 100\r\n\r\nthe"
    )
    .expect("a request");
    let watchers = [silent, kept, unsent]
        .map(|stream| std::thread::spawn(move || closed_after(stream, begun)));
    for watcher in watchers {
        let after = watcher.join().expect("the watcher ends");
        assert!(
            after > Duration::from_secs(5) && after < Duration::from_secs(25),
            "{after:?}"
        );
    }
    assert_eq!(server.get("/measure").status, 200);
}

#[test]
fn two_hundred_clients_at_once_are_all_answered() {
    let bench = bench();
    let server = Arc::new(Server::start(&bench, &[]));
    let clients: Vec<_> = (0..200)
        .map(|n| {
            let server = server.clone();
            let address = ["/measure", "/book", "/assets/page.css", "/nothing"][n % 4];
            std::thread::spawn(move || (address, server.get(address).status))
        })
        .collect();
    for client in clients {
        let (address, status) = client.join().expect("the client ends");
        assert_eq!(
            status,
            if address == "/nothing" { 404 } else { 200 },
            "{address}"
        );
    }
}

#[test]
fn more_connections_than_are_taken_only_wait() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let idle: Vec<TcpStream> = (0..300).map(|_| server.connect()).collect();
    let asked = Instant::now();
    assert_eq!(server.get("/measure").status, 200);
    assert!(
        asked.elapsed() < Duration::from_secs(25),
        "{:?}",
        asked.elapsed()
    );
    drop(idle);
}

#[test]
fn garbage_is_no_request() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    for bytes in [
        &b"\0\0\0\0\0\0\0\0\r\n\r\n"[..],
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03\r\n\r\n",
        b"GET\r\n\r\n",
        b"GET / HTTP/9.9\r\n\r\n",
        b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
        b"GET /\xff\xfe HTTP/1.1\r\nHost: x\r\n\r\n",
        b"GET / HTTP/1.1\r\nBad Header\r\n\r\n",
    ] {
        let mut stream = server.connect();
        // It may be closed before all is written.
        let _ = stream.write_all(bytes);
        let answer = Answer::read(&mut stream);
        assert!(
            matches!(answer.status, 0 | 400 | 405 | 421 | 505),
            "{bytes:?} {}",
            answer.status
        );
    }
    assert_eq!(server.get("/measure").status, 200);
}
