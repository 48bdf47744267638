//! Uploads that are too large, broken off, or named to do harm.

use std::io::Write;
use std::path::Path;

use super::bench;
use super::common::server::{Answer, Server};
use super::common::{Bench, ragged, vcd};

const BOUNDARY: &str = "----a-boundary";

/// The parts of the form before the bytes of the capture, and after them.
fn parts(file_name: &str, chain: &str) -> (String, String) {
    let mut before = String::new();
    for (name, value) in [("chain", chain), ("requested", "50ms,250ms")] {
        before += &format!(
            "--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n"
        );
    }
    before += &format!(
        "--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"capture\"; filename=\"{file_name}\"\r\nContent-Type: application/octet-stream\r\n\r\n"
    );
    (before, format!("\r\n--{BOUNDARY}--\r\n"))
}

fn kind() -> String {
    format!("Content-Type: multipart/form-data; boundary={BOUNDARY}\r\n")
}

fn upload(server: &Server, file_name: &str, chain: &str, capture: &str) -> Answer {
    let (before, after) = parts(file_name, chain);
    let body = format!("{before}{capture}{after}");
    let more = format!("{}{}", server.own_origin(), kind());
    server.ask("POST", "/measure/upload", &more, body.as_bytes())
}

/// A capture like no other.
fn capture(n: usize) -> String {
    vcd(&ragged(20, &[50, 250], 9_000 + n as u64))
}

/// Names of the files of a bench, but for its first.
fn files(bench: &Bench) -> Vec<String> {
    let shown = |path: &Path| {
        let path = path.strip_prefix(bench.folder()).unwrap_or(path);
        path.to_string_lossy().into_owned()
    };
    let contents = bench.contents();
    let names = contents.iter().map(|(path, _)| shown(path));
    names
        .filter(|name| !matches!(name.as_str(), "port.vcd" | "setup.toml" | "book.sqlite"))
        .collect()
}

#[test]
fn a_file_name_leads_nowhere() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let long = format!("{}.vcd", "a".repeat(3_000));
    let names = [
        "../../evil.vcd",
        "..\\..\\evil.vcd",
        "/tmp/pulsewright-evil.vcd",
        "..",
        "",
        "book.sqlite",
        "setup.toml",
        "-",
        "a%00b%2f..%2f.vcd",
        "a\tb.vcd",
        "<script>alert(1)</script>.vcd",
        "x.vcd'><img src=x onerror=alert(1)>",
        long.as_str(),
    ];
    for (n, name) in names.into_iter().enumerate() {
        let answer = upload(&server, name, "two", &capture(n));
        assert!(
            matches!(answer.status, 303 | 422),
            "{name}: {} {}",
            answer.status,
            answer.body
        );
        let page = match answer.header("location") {
            Some(run) => server.get(run).body,
            None => answer.body,
        };
        assert!(!page.to_lowercase().contains("<script>alert"), "{name}");
        assert!(!page.to_lowercase().contains("<img src"), "{name}");
    }
    assert!(!Path::new("/tmp/pulsewright-evil.vcd").exists());
    let kept = files(&bench);
    assert!(kept.len() >= names.len() - 3, "{kept:?}");
    for file in kept {
        let (folder, name) = file
            .split_once(std::path::MAIN_SEPARATOR)
            .expect("in a folder");
        assert_eq!(folder, "book.sqlite.captures", "{file}");
        let (sum, ending) = name.split_once('.').expect("an ending");
        assert!(
            sum.len() == 64 && sum.bytes().all(|b| b.is_ascii_hexdigit()),
            "{file}"
        );
        assert_eq!(ending, "vcd", "{file}");
    }
    assert_eq!(bench.run(&["show", "two", "--again"]).code, 0);
}

#[test]
fn a_huge_upload_is_refused_and_not_kept() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let before = bench.contents();
    let (head, _) = parts("large.vcd", "large");
    let mut stream = server.connect();
    let bytes = 300 << 20;
    write!(
        stream,
        "POST /measure/upload HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nAccept: text/html\r\n{}Content-Length: {bytes}\r\nConnection: close\r\n\r\n{head}",
        kind(),
        host = server.host,
    )
    .expect("a request");
    let reader = stream.try_clone().expect("a second handle");
    let answer = std::thread::spawn(move || Answer::read(&mut { reader }));
    let piece = vec![b'0'; 1 << 20];
    let mut left: usize = bytes - head.len();
    while left > 0 {
        let n = left.min(piece.len());
        // The server may have had enough.
        if stream.write_all(&piece[..n]).is_err() {
            break;
        }
        left -= n;
    }
    let answer = answer.join().expect("the reader ends");
    assert_eq!(answer.status, 413, "{}", answer.head);
    assert!(
        answer.body.contains("256"),
        "the limit is told: {}",
        answer.body
    );
    assert_eq!(bench.contents(), before);
    assert_eq!(server.get("/measure").status, 200);
}

#[test]
fn an_upload_that_is_broken_or_broken_off_leaves_nothing() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let before = bench.contents();
    let (head, tail) = parts("port.vcd", "two");
    let broken = [
        format!("{head}{}", capture(1)),
        format!("{head}not a capture{tail}"),
        format!("{head}{tail}"),
        format!("--{BOUNDARY}--\r\n"),
        "no parts at all".to_owned(),
        format!("--{BOUNDARY}\r\n{}", "X-Header: y\r\n".repeat(5_000)),
        format!(
            "--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"chain\"\r\n\r\n{}{tail}",
            "x".repeat(500_000)
        ),
        format!("--{BOUNDARY}\r\nContent-Disposition: form-data; name=\"a\"\r\n\r\nb\r\n")
            .repeat(5_000),
    ];
    for body in broken {
        let more = format!("{}{}", server.own_origin(), kind());
        let answer = server.ask("POST", "/measure/upload", &more, body.as_bytes());
        let shown = &body[..body.len().min(200)];
        assert!(
            (400..500).contains(&answer.status),
            "{} {shown}",
            answer.status
        );
        assert_eq!(bench.contents(), before, "{shown}");
    }
    // The client goes in the middle.
    let mut stream = server.connect();
    write!(
        stream,
        "POST /measure/upload HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n{}Content-Length: 1000000\r\n\r\n{head}$timescale",
        kind(),
        host = server.host,
    )
    .expect("a request");
    drop(stream);
    std::thread::sleep(std::time::Duration::from_millis(500));
    assert_eq!(bench.contents(), before);
}

#[test]
fn what_is_typed_beside_a_capture_is_text() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let name = "<script>alert(1)</script>\"><img src=x>";
    for capture in [capture(1), "not a capture".to_owned()] {
        let answer = upload(&server, "port.vcd", name, &capture);
        let page = match answer.header("location") {
            Some(run) => server.get(run).body + &server.get("/measure").body,
            None => answer.body,
        };
        assert!(page.contains("&lt;script&gt;alert"), "it is shown");
        assert!(
            !page.contains("<script>alert") && !page.contains("<img src"),
            "as text"
        );
    }
}
