//! The server against those who mean it ill. docs/security.md says what each test stands for.

mod common;

#[path = "hostile/markup.rs"]
mod markup;
#[path = "hostile/places.rs"]
mod places;
#[path = "hostile/slow.rs"]
mod slow;
#[path = "hostile/token.rs"]
mod token;
#[path = "hostile/uploads.rs"]
mod uploads;

use common::server::{FORM, Server};
use common::{Bench, ragged, vcd};

use places::Place;

/// A bench with a run in its book and a setup.
fn bench() -> Bench {
    let bench = Bench::new();
    bench.file("port.vcd", vcd(&ragged(20, &[50, 250], 9_000)));
    bench.ok(&["setup", "new"]);
    let args = [
        "read",
        "port.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "one",
    ];
    bench.ok(&args);
    bench
}

#[test]
fn another_host_is_refused_and_told_nothing() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let port = server.port;
    let ask = |line: &str, hosts: &[&str]| {
        let hosts: String = hosts
            .iter()
            .map(|host| format!("Host: {host}\r\n"))
            .collect();
        server.raw(
            format!("GET {line} HTTP/1.1\r\n{hosts}Accept: text/html\r\nConnection: close\r\n\r\n")
                .as_bytes(),
        )
    };
    for own in ["127.0.0.1", "localhost", "[::1]", "LocalHost"] {
        let answer = ask("/measure", &[&format!("{own}:{port}")]);
        assert_eq!(answer.status, 200, "{own}");
    }
    for other in [
        "evil.test".to_owned(),
        format!("evil.test:{port}"),
        format!("localhost.evil.test:{port}"),
        "127.0.0.1".to_owned(),
        "127.0.0.1:1".to_owned(),
        format!("192.168.0.1:{port}"),
        format!("x@localhost:{port}"),
    ] {
        let answer = ask("/measure", &[&other]);
        assert_eq!(answer.status, 421, "{other}");
        assert!(!answer.body.contains("book.sqlite"), "{other}");
        assert!(!answer.body.contains("/judge"), "{other}");
    }
    let own = format!("127.0.0.1:{port}");
    assert_eq!(ask("/measure", &[]).status, 400);
    assert_eq!(ask("/measure", &[&own, "evil.test"]).status, 400);
    assert_eq!(ask("/measure", &["\u{fffd}"]).status, 400);
    assert_eq!(ask("http://evil.test/measure", &[&own]).status, 400);
}

#[test]
fn a_name_that_was_given_is_answered_to() {
    let bench = bench();
    let server = Server::start(&bench, &["--name", "pier.lan"]);
    let ask = |host: String| {
        let request = format!("GET /measure HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
        server.raw(request.as_bytes()).status
    };
    assert_eq!(ask(format!("pier.lan:{}", server.port)), 200);
    assert_eq!(ask(format!("other.lan:{}", server.port)), 421);
}

#[test]
fn no_other_site_changes_anything() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let before = bench.contents();
    let changing: Vec<Place> = places::all()
        .into_iter()
        .filter(|place| place.post)
        .collect();
    assert!(changing.len() > 4, "the routes of the page are found");
    let host = &server.host;
    for place in &changing {
        for from in [
            String::new(),
            "Origin: null\r\n".to_owned(),
            "Origin: http://evil.test\r\n".to_owned(),
            format!("Origin: https://{host}\r\n"),
            format!("Origin: http://{host}.evil.test\r\n"),
            format!("Origin: http://{host}/\r\n"),
            "Origin: http://127.0.0.1:1\r\n".to_owned(),
            "Sec-Fetch-Site: cross-site\r\n".to_owned(),
            "Sec-Fetch-Site: same-site\r\n".to_owned(),
            "Sec-Fetch-Site: none\r\n".to_owned(),
            format!("Origin: http://{host}\r\nSec-Fetch-Site: cross-site\r\n"),
            format!("Referer: http://{host}/\r\n"),
        ] {
            let body = b"run=1&theme=night&yes=1&number=1";
            let answer = server.ask("POST", &place.address, &format!("{from}{FORM}"), body);
            assert_eq!(answer.status, 403, "{} {from}", place.address);
            assert_eq!(answer.header("set-cookie"), None, "{}", place.address);
        }
    }
    assert_eq!(bench.contents(), before);
    assert_eq!(server.post("/theme", &[("theme", "night")]).status, 303);
}

#[test]
fn another_site_may_link_here_but_not_embed_or_read() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let embedded = "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: no-cors\r\n";
    assert_eq!(server.ask("GET", "/measure", embedded, b"").status, 403);
    let read = "Origin: http://evil.test\r\nSec-Fetch-Mode: cors\r\n";
    let answer = server.ask("GET", "/measure", read, b"");
    assert_eq!(answer.status, 403);
    assert_eq!(answer.header("access-control-allow-origin"), None);
    let followed = "Sec-Fetch-Site: cross-site\r\nSec-Fetch-Mode: navigate\r\n";
    assert_eq!(server.ask("GET", "/measure", followed, b"").status, 200);
}

#[test]
fn looking_changes_nothing() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let before = bench.contents();
    for place in places::all() {
        for method in ["GET", "HEAD"] {
            let address = format!("{}?run=1&yes=1&forget=1&chain=one&delete=1", place.address);
            let answer = server.ask(method, &address, "", b"");
            assert!(
                answer.status < 500 && answer.status != 0,
                "{method} {address} {}",
                answer.body
            );
        }
    }
    assert_eq!(bench.contents(), before);
}

#[test]
fn other_methods_are_refused() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let before = bench.contents();
    for method in [
        "TRACE", "PUT", "DELETE", "PATCH", "OPTIONS", "CONNECT", "BREW", "get",
    ] {
        for address in ["/measure", "/measure/run/1", "/theme", "/assets/page.css"] {
            let answer = server.ask(method, address, &server.own_origin(), b"");
            assert!(
                matches!(answer.status, 400 | 405),
                "{method} {address} {}",
                answer.status
            );
        }
    }
    assert_eq!(server.get("/theme").status, 405);
    assert_eq!(bench.contents(), before);
}

#[test]
fn every_answer_carries_the_headers() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let mut answers = vec![
        ("root", server.get("/")),
        ("nothing", server.get("/nothing")),
        ("asset", server.get("/assets/page.css")),
        ("no asset", server.get("/assets/none.css")),
        ("wrong method", server.ask("PUT", "/measure", "", b"")),
        (
            "no origin",
            server.ask("POST", "/theme", FORM, b"theme=day"),
        ),
        ("theme", server.post("/theme", &[("theme", "day")])),
        ("wrong theme", server.post("/theme", &[("theme", "x")])),
        (
            "no form",
            server.ask("POST", "/theme", &server.own_origin(), b"x"),
        ),
        (
            "wrong host",
            server.raw(b"GET / HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n"),
        ),
    ];
    let places = places::all();
    for place in &places {
        answers.push((&place.address, server.get(&place.address)));
    }
    for (name, answer) in answers {
        assert_ne!(answer.status, 0, "{name}");
        let header = |key| answer.header(key).unwrap_or("");
        let policy = header("content-security-policy");
        assert!(
            policy.contains("default-src 'none'"),
            "{name}: {}",
            answer.head
        );
        assert!(policy.contains("frame-ancestors 'none'"), "{name}");
        assert!(!policy.contains("unsafe"), "{name}");
        assert_eq!(header("x-content-type-options"), "nosniff", "{name}");
        assert_eq!(header("x-frame-options"), "deny", "{name}");
        assert_eq!(header("referrer-policy"), "same-origin", "{name}");
        assert_eq!(
            header("cross-origin-opener-policy"),
            "same-origin",
            "{name}"
        );
        assert_eq!(
            header("cross-origin-resource-policy"),
            "same-origin",
            "{name}"
        );
        assert!(
            matches!(header("cache-control"), "no-store" | "no-cache"),
            "{name}"
        );
        let kind = header("content-type");
        assert!(answer.body.is_empty() || !kind.is_empty(), "{name}");
        // What a policy of content forbids, no page of ours should try.
        if kind.starts_with("text/html") {
            let body = answer.body.to_lowercase();
            assert!(
                !body.contains(" style=") && !body.contains("<style"),
                "{name}"
            );
            assert!(
                !body.contains(" onclick=") && !body.contains("javascript:"),
                "{name}"
            );
        }
    }
}

#[test]
fn no_path_reaches_a_file() {
    let bench = bench();
    bench.file("secret.txt", "the secret");
    let server = Server::start(&bench, &[]);
    let up = "../".repeat(12);
    for path in [
        format!("/assets/{up}etc/passwd"),
        format!("/{up}etc/passwd"),
        "/assets/..%2f..%2f..%2f..%2fetc%2fpasswd".to_owned(),
        "/assets/%2e%2e%2f%2e%2e%2fsecret.txt".to_owned(),
        "/assets/%2e%2e/%2e%2e/secret.txt".to_owned(),
        "/assets/..%5c..%5csecret.txt".to_owned(),
        "/assets/..\\..\\secret.txt".to_owned(),
        "/assets//etc/passwd".to_owned(),
        "/assets/%2fetc%2fpasswd".to_owned(),
        "/assets/page.css%00.txt".to_owned(),
        "/assets/secret.txt".to_owned(),
        "/assets/".to_owned(),
        "//etc/passwd".to_owned(),
        "/measure/run/..%2f..%2fsecret.txt".to_owned(),
        "/measure/run/1/..%2f..%2fsecret.txt".to_owned(),
        "/measure/run/1/secret.txt".to_owned(),
        "/correct/..%2fsecret.txt?run=1".to_owned(),
        "/correct/secret.txt?run=1".to_owned(),
        "/secret.txt".to_owned(),
        "/book.sqlite".to_owned(),
        "/setup.toml".to_owned(),
        "/%ff%fe".to_owned(),
        format!("/assets/{}", "a".repeat(8_000)),
    ] {
        let answer = server.get(&path);
        assert!(
            matches!(answer.status, 400 | 404),
            "{path}: {}",
            answer.status
        );
        assert!(!answer.body.contains("the secret"), "{path}");
        assert!(!answer.body.contains("root:"), "{path}");
    }
    let long = server.get(&format!("/{}", "a".repeat(200_000)));
    assert!(
        matches!(long.status, 0 | 400 | 404 | 414 | 431),
        "{}",
        long.status
    );
    for name in [
        "../secret.txt",
        "/etc/passwd",
        "secret.txt",
        "1/../../secret.txt",
        "-",
        "\0",
        "1\r\nx: y",
    ] {
        let name: String = form_urlencoded::byte_serialize(name.as_bytes()).collect();
        let fields = ["run", "before", "after", "chain", "setup", "file", "back"];
        let query = fields.map(|field| format!("{field}={name}")).join("&");
        for place in places::all() {
            let answer = server.get(&format!("{}?{query}", place.address));
            assert!(answer.status < 500, "{} {name}", place.address);
            assert!(
                !answer.body.contains("the secret"),
                "{} {name}",
                place.address
            );
            assert!(!answer.body.contains("root:"), "{} {name}", place.address);
            assert_eq!(answer.header("x"), None);
        }
    }
}

#[test]
fn a_theme_leads_nowhere_else() {
    let bench = Bench::new();
    let server = Server::start(&bench, &[]);
    for (back, to) in [
        ("/judge?run=1", "/judge?run=1"),
        ("http://evil.test/", "/"),
        ("//evil.test/", "/"),
        ("/\\evil.test/", "/"),
        ("/a\r\nSet-Cookie: x=y", "/"),
        ("", "/"),
    ] {
        let answer = server.post("/theme", &[("theme", "night"), ("back", back)]);
        assert_eq!(answer.status, 303, "{back}");
        assert_eq!(answer.header("location"), Some(to), "{back}");
        let cookies = answer.head.matches("set-cookie").count();
        assert_eq!(cookies, 1, "{back}");
    }
}

#[test]
fn a_huge_form_is_refused() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let before = bench.contents();
    for place in places::all().iter().filter(|place| place.post) {
        let body = format!("name={}", "x".repeat(1_000_000));
        let more = format!("{}{FORM}", server.own_origin());
        let answer = server.ask("POST", &place.address, &more, body.as_bytes());
        // An upload is no form, whatever its size; a live run that was not asked for reads none.
        assert!(
            matches!(answer.status, 413 | 415 | 400 | 409),
            "{} {}",
            place.address,
            answer.status
        );
    }
    assert_eq!(bench.contents(), before);
}

#[test]
fn requests_that_two_readers_would_cut_differently_are_refused() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let host = &server.host;
    for lines in [
        "Content-Length: 5\r\nContent-Length: 6\r\n",
        "Content-Length: 5\r\nTransfer-Encoding: chunked\r\n",
        "Transfer-Encoding: chunked, identity\r\n",
        "Content-Length: -1\r\n",
        "Content-Length: 5 \r\n\tfolded\r\n",
        " Host: evil.test\r\n",
    ] {
        let inner = format!("GET /inner HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n");
        let request = format!(
            "POST /theme HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\n{FORM}{lines}\r\n0\r\n\r\n{inner}"
        );
        let answer = server.raw(request.as_bytes());
        // Either the whole is refused, or the rest is never taken for a request of its own.
        let answers =
            answer.head.matches("http/1.1 ").count() + answer.body.matches("HTTP/1.1 ").count();
        assert!(answers <= 1, "{lines}: {}{}", answer.head, answer.body);
    }
}
