//! The token that is asked for off loopback.

use std::process::Stdio;

use super::bench;
use super::common::server::{FORM, Server};

fn open() -> (super::Bench, Server, String) {
    let bench = bench();
    let server = Server::start(&bench, &["--listen", "0.0.0.0:0"]);
    let token = server.token.clone().expect("a token");
    (bench, server, token)
}

#[test]
fn nobody_is_let_in_without_the_token() {
    let (bench, server, token) = open();
    let before = bench.contents();
    let name = format!("pulsewright-token-{}", server.port);
    let changed = |at: usize| {
        let mut bytes = token.clone().into_bytes();
        bytes[at] = if bytes[at] == b'0' { b'1' } else { b'0' };
        String::from_utf8(bytes).expect("digits")
    };
    let mut forged: Vec<String> = ["", "0", "null", "undefined"].map(str::to_owned).to_vec();
    forged.extend([
        changed(0),
        changed(63),
        token[..63].to_owned(),
        format!("{token}0"),
    ]);
    forged.extend([token.to_uppercase(), "f".repeat(64)]);
    let mut asked = vec![(String::from("/measure"), String::new())];
    for text in forged {
        asked.push((format!("/measure?token={text}"), String::new()));
        asked.push(("/measure".into(), format!("Cookie: {name}={text}\r\n")));
        asked.push((
            "/measure".into(),
            format!("Authorization: Bearer {text}\r\n"),
        ));
    }
    asked.push((
        "/measure".into(),
        format!("Authorization: Basic {token}\r\n"),
    ));
    asked.push(("/measure".into(), format!("Cookie: other={token}\r\n")));
    asked.push(("/measure/run/1/run.json".into(), String::new()));
    asked.push(("/book/backup".into(), String::new()));
    asked.push(("/nothing".into(), String::new()));
    for (address, more) in asked {
        let answer = server.ask("GET", &address, &more, b"");
        assert_eq!(answer.status, 401, "{address} {more}");
        assert!(answer.header("www-authenticate").is_some());
        assert_eq!(answer.header("set-cookie"), None);
        assert!(
            answer.body.contains("terminal"),
            "the way out: {}",
            answer.body
        );
        for told in ["book.sqlite", "/judge", &token] {
            assert!(!answer.body.contains(told), "{address} {more} tells {told}");
        }
    }
    // A form of our own without the token; and the token does not stand in for the origin.
    assert_eq!(server.post("/theme", &[("theme", "night")]).status, 401);
    let more = format!("Authorization: Bearer {token}\r\nOrigin: http://evil.test\r\n{FORM}");
    assert_eq!(
        server.ask("POST", "/theme", &more, b"theme=night").status,
        403
    );
    assert_eq!(bench.contents(), before);
}

#[test]
fn the_token_opens_and_leaves_the_address() {
    let (_bench, server, token) = open();
    let answer = server.get(&format!("/judge?run=1&token={token}&x=a%26b"));
    assert_eq!(answer.status, 303);
    assert_eq!(answer.header("location"), Some("/judge?run=1&x=a%26b"));
    assert!(!answer.header("location").unwrap_or("").contains(&token));
    let cookie = answer.header("set-cookie").expect("a cookie");
    for part in ["; httponly", "; samesite=strict", "; path=/"] {
        assert!(cookie.contains(part), "{cookie}");
    }
    let pair = cookie.split(';').next().expect("a pair");
    let page = server.ask("GET", "/measure", &format!("Cookie: a=b; {pair}\r\n"), b"");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("Not encrypted"), "the foot says so");
    assert!(!page.body.contains(&token));
    let bearer = format!("Authorization: Bearer {token}\r\n");
    assert_eq!(server.ask("GET", "/measure", &bearer, b"").status, 200);
    // A path that a browser would take for another host.
    let answer = server.get(&format!("//evil.test/?token={token}"));
    assert_eq!(answer.header("location"), Some("/evil.test/"));
}

#[test]
fn each_start_has_a_token_of_its_own_and_loopback_has_none() {
    let (bench, first, one) = open();
    let second = Server::start(&bench, &["--listen", "0.0.0.0:0"]);
    let other = second.token.clone().expect("a token");
    assert_ne!(one, other);
    assert_eq!(one.len(), 64);
    let bearer = format!("Authorization: Bearer {one}\r\n");
    assert_eq!(second.ask("GET", "/measure", &bearer, b"").status, 401);
    assert_eq!(first.ask("GET", "/measure", &bearer, b"").status, 200);
    let here = Server::start(&bench, &[]);
    assert_eq!(here.token, None);
    assert!(!here.get("/measure").body.contains("Not encrypted"));
}

#[test]
fn a_name_that_leads_here_by_another_way_is_refused_with_the_token_too() {
    let (_bench, server, token) = open();
    let port = server.port;
    let ask = |host: &str| {
        let request = format!(
            "GET /measure HTTP/1.1\r\nHost: {host}:{port}\r\nAuthorization: Bearer {token}\r\nConnection: close\r\n\r\n"
        );
        server.raw(request.as_bytes()).status
    };
    assert_eq!(ask("192.168.1.77"), 200);
    assert_eq!(ask("evil.test"), 421);
}

#[test]
fn a_port_that_is_taken_is_a_clear_error() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    bench.fails(
        &["serve", "--listen", &server.host],
        &["can't listen", "--listen"],
    );
    bench.fails(&["serve", "--listen", "nowhere"], &["127.0.0.1:4747"]);
    bench.fails(
        &["serve", "--listen", "192.0.2.1:0"],
        &["an address of this computer"],
    );
}

/// The terminal says how to come in and that others can read along.
#[cfg(unix)]
#[test]
fn the_terminal_says_what_matters_and_an_interrupt_ends_it_well() {
    let bench = bench();
    let mut child = bench
        .command(&["serve", "--listen", "0.0.0.0:0"])
        .stderr(Stdio::piped())
        .spawn()
        .expect("the server starts");
    std::thread::sleep(std::time::Duration::from_millis(700));
    let id = child.id().to_string();
    let ended = std::process::Command::new("kill")
        .args(["-INT", &id])
        .status();
    assert!(ended.expect("kill runs").success());
    let status = child.wait().expect("it ends");
    let mut text = String::new();
    std::io::Read::read_to_string(&mut child.stderr.take().expect("a pipe"), &mut text)
        .expect("text");
    assert_eq!(status.code(), Some(0), "{text}");
    assert_eq!(text.matches("?token=").count(), 1, "{text}");
    assert!(text.contains("not encrypted"), "{text}");
}
