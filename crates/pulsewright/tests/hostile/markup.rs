//! Markup in every name that a person can type is shown as what it is: text.

use super::common::server::Server;
use super::common::{Bench, ragged, vcd};
use super::places;

/// Each would do harm in another place: in text, in an attribute, in a script, in an address.
const NAMES: [&str; 4] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "'onfocus='alert(1)' autofocus='",
    "</title></script></textarea><svg/onload=alert(1)>",
];

/// Whether a page holds a piece of a name as markup. Our attributes stand between `"`, so that a `'` may
/// stay as it is.
fn harmed(body: &str) -> Option<&'static str> {
    let body = body.to_lowercase();
    let pieces = [
        "<script>alert",
        "<img src=x",
        "<svg/onload",
        "\"onfocus",
        " onerror=alert(1)>",
    ];
    pieces.into_iter().find(|piece| body.contains(piece))
}

fn bench() -> Bench {
    let bench = Bench::new();
    bench.file("port.vcd", vcd(&ragged(20, &[50, 250], 9_000)));
    bench.ok(&["setup", "new"]);
    for name in NAMES {
        let note = format!("{}={}", name.replace('=', ""), name);
        let note = note.chars().take(400).collect::<String>();
        let key_and_value = match note.split_once('=') {
            Some((key, value)) => {
                format!("{}={value}", key.chars().take(40).collect::<String>())
            }
            None => note,
        };
        bench.ok(&[
            "read",
            "port.vcd",
            "--requested",
            "50ms,250ms",
            "--chain",
            name,
            "--note",
            &key_and_value,
        ]);
    }
    bench
}

#[test]
fn stored_names_are_text_on_every_page() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let mut seen = 0;
    for place in places::all() {
        for query in [
            "",
            "?run=1",
            "?run=2",
            "?before=1&after=2",
            "?run=1&run=2&run=3&run=4",
        ] {
            let address = format!("{}{query}", place.address);
            let answer = server.get(&address);
            let kind = answer.header("content-type").unwrap_or("");
            if !kind.starts_with("text/html") {
                continue;
            }
            assert_eq!(harmed(&answer.body), None, "{address}");
            seen += usize::from(answer.body.contains("&lt;script&gt;alert"));
        }
    }
    assert!(seen > 5, "the names are on the pages: {seen}");
}

#[test]
fn what_is_asked_for_is_text_in_the_answer() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let fields = [
        "run",
        "find",
        "chain",
        "before",
        "after",
        "margin",
        "loss",
        "below",
        "shortest",
        "gain",
        "theme",
        "setup",
        "requested",
        "goal",
        "title",
        "law",
        "case",
        "number",
        "back",
    ];
    for place in places::all() {
        for name in NAMES {
            let encoded: String = form_urlencoded::byte_serialize(name.as_bytes()).collect();
            let query: Vec<String> = fields
                .iter()
                .map(|field| format!("{field}={encoded}"))
                .collect();
            for asked in [query.join("&"), encoded.clone()] {
                let answer = server.get(&format!("{}?{asked}", place.address));
                let kind = answer.header("content-type").unwrap_or("");
                if kind.starts_with("text/html") {
                    assert_eq!(harmed(&answer.body), None, "{} {asked}", place.address);
                }
            }
            // As it stands, where a browser would have encoded it.
            let answer = server.get(&format!("/{}", name.replace(' ', "")));
            assert_eq!(harmed(&answer.body), None, "{name}");
        }
    }
}

#[test]
fn what_is_sent_is_text_in_the_answer() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    // Fields of every form that the pages show.
    for place in places::all().iter().filter(|place| place.post) {
        let form = server.get(&format!("{}?run=1", place.address)).body
            + &server.get("/setup").body
            + &server.get("/book").body
            + &server.get("/correct?run=1").body;
        let names: Vec<&str> = form
            .split("name=\"")
            .skip(1)
            .filter_map(|rest| rest.split('"').next())
            .collect();
        for name in NAMES {
            let fields: Vec<(&str, &str)> = names.iter().map(|field| (*field, name)).collect();
            let answer = server.post(&place.address, &fields);
            assert!(
                answer.status < 500 && answer.status != 0,
                "{}",
                place.address
            );
            if answer
                .header("content-type")
                .unwrap_or("")
                .starts_with("text/html")
            {
                assert_eq!(harmed(&answer.body), None, "{}", place.address);
            }
        }
    }
}
