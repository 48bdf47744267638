//! The pages of the lab book and of the setup.

mod common;

use common::server::Server;
use common::{Bench, ragged, vcd};

/// A book of two chains.
fn bench() -> Bench {
    let bench = Bench::new();
    bench.file("port.vcd", vcd(&ragged(12, &[50, 250], 12_000)));
    for chain in ["attic-laptop", "pier-board"] {
        let note = format!("cable=5 m to {chain}");
        let args = ["read", "port.vcd", "--requested", "50ms,250ms"];
        bench.ok(&[&args[..], &["--chain", chain, "--note", &note]].concat());
    }
    bench
}

#[test]
fn runs_are_found_noted_copied_and_forgotten() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let page = server.get("/book").body;
    assert!(
        page.contains("The lab book holds 2 runs of 2 chains."),
        "{page}"
    );
    for link in [
        "/measure/run/1",
        "/measure/run/2/pulses.csv",
        "/book/backup",
    ] {
        assert!(page.contains(link), "{link} in {page}");
    }
    let found = server.get("/book?find=CABLE+pier").body;
    assert!(found.contains("Found: 1 run of 1 chain.") && !found.contains("/measure/run/1\""));
    assert!(
        server
            .get("/book?find=nothing+such")
            .body
            .contains("search for fewer")
    );

    // A fault changes nothing, stands at its row, and keeps what was typed.
    let typed = [
        ("chain", "attic-laptop"),
        ("key", "adapter"),
        ("value", "relay <box>"),
        ("key", "link"),
        ("value", ""),
    ];
    let refused = server.post("/book/notes", &typed);
    assert_eq!(refused.status, 422);
    for part in [
        "relay &lt;box&gt;",
        "no value behind the name `link`",
        "aria-invalid",
    ] {
        assert!(refused.body.contains(part), "{part} in {}", refused.body);
    }
    let notes = |bench: &Bench| bench.json(&["show", "1"])["run"]["notes"].clone();
    assert_eq!(notes(&bench)["cable"], "5 m to attic-laptop");
    assert_eq!(server.post("/book/notes", &typed[..3]).status, 303);
    assert_eq!(notes(&bench), serde_json::json!({"adapter": "relay <box>"}));
    assert!(
        server
            .get("/book?done=notes")
            .body
            .contains("relay &lt;box&gt;")
    );
    let nobody = server.post("/book/notes", &[("chain", "nobody")]);
    assert_eq!(nobody.status, 404, "{}", nobody.body);

    let copy = server.get("/book/backup");
    assert_eq!(copy.status, 200);
    assert!(
        copy.head.contains("attachment; filename=\"book-"),
        "{}",
        copy.head
    );
    assert!(copy.body.starts_with("SQLite format 3"));
    // It was made beside the book, and goes once it is sent.
    let is_left = || {
        std::fs::read_dir(bench.folder()).unwrap().any(|entry| {
            let name = entry.unwrap().file_name();
            name.to_string_lossy().starts_with(".pulsewright-copy")
        })
    };
    let begun = std::time::Instant::now();
    while is_left() {
        assert!(begun.elapsed().as_secs() < 30, "the copy is left behind");
        std::thread::sleep(std::time::Duration::from_millis(20));
    }

    // To forget is asked before it is done.
    let question = server.get("/book/forget?run=2").body;
    assert!(
        question.contains("Forget run 2 of pier-board?"),
        "{question}"
    );
    assert!(question.contains("the chain goes too"), "{question}");
    assert_eq!(bench.json(&["runs"])["runs"].as_array().unwrap().len(), 2);
    assert_eq!(server.post("/book/forget", &[("run", "2")]).status, 303);
    assert_eq!(bench.json(&["runs"])["runs"].as_array().unwrap().len(), 1);
    for run in ["2", "0", "x", ""] {
        let status = server.post("/book/forget", &[("run", run)]).status;
        assert!(status == 404 || status == 422, "{run}: {status}");
    }
}

#[test]
fn an_empty_book_says_what_to_do_first() {
    let bench = Bench::new();
    let server = Server::start(&bench, &[]);
    let page = server.get("/book");
    assert_eq!(page.status, 200);
    assert!(page.body.contains("/measure/upload") && page.body.contains("pulsewright demo"));
    assert!(!bench.path("book.sqlite").exists());
}

/// What the form holds in a hidden field.
fn made_from(page: &str) -> String {
    let (_, rest) = page
        .split_once("name=\"made-from\" value=\"")
        .expect("the field");
    rest.split('"').next().expect("its value").to_owned()
}

#[test]
fn a_setup_is_filled_in_saved_and_never_lost() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let page = server.get("/setup").body;
    assert!(page.contains("common amateur case"), "{page}");
    assert_eq!(server.get("/setup/setup.toml").status, 404);
    let mark = made_from(&page);

    let wrong = [
        ("made-from", mark.as_str()),
        ("mount.ra_rate", "fast"),
        ("sky.wind_m_s", "\"><b>"),
    ];
    let refused = server.post("/setup", &wrong);
    assert_eq!(refused.status, 422);
    for part in [
        "2 values can't be used",
        "href=\"#mount.ra_rate\"",
        "aria-describedby=\"mount.ra_rate-hint mount.ra_rate-fault\"",
        "value=\"fast\"",
        "value=\"&quot;&gt;&lt;b&gt;\"",
    ] {
        assert!(refused.body.contains(part), "{part} in {}", refused.body);
    }
    assert!(!bench.path("setup.toml").exists());

    let right = [("made-from", mark.as_str()), ("mount.ra_rate", "0.75")];
    assert_eq!(server.post("/setup", &right).status, 303);
    assert_eq!(
        bench.json(&["setup", "check"])["setup"]["mount"]["ra_rate"],
        0.75
    );
    let saved = std::fs::read_to_string(bench.path("setup.toml")).unwrap();
    assert_eq!(server.get("/setup/setup.toml").body, saved);
    // What a millisecond is worth follows, for the newest run.
    let page = server.get("/setup").body;
    assert!(page.contains("What a millisecond of pulse is worth") && page.contains("pier-board"));

    // A file that was changed meanwhile is not written over unless one means it.
    let by_hand = saved.replace("ra_rate = 0.75 ", "ra_rate = 0.85 ");
    bench.file("setup.toml", &by_hand);
    let late = [
        ("made-from", made_from(&page)),
        ("mount.ra_rate", "0.6".into()),
    ];
    let late: Vec<(&str, &str)> = late.iter().map(|(k, v)| (*k, v.as_str())).collect();
    let told = server.post("/setup", &late);
    assert_eq!(told.status, 409);
    assert!(told.body.contains("has changed since") && told.body.contains("value=\"0.6\""));
    assert_eq!(
        std::fs::read_to_string(bench.path("setup.toml")).unwrap(),
        by_hand
    );
    let mark = made_from(&told.body);
    let meant = [("made-from", mark.as_str()), ("mount.ra_rate", "0.6")];
    assert_eq!(server.post("/setup", &meant).status, 303);

    // A file with faults still gives a form, with what can be read of it.
    bench.file(
        "setup.toml",
        "version = 1\n[mount]\nra_rate = 0.9\ndec_rate = \"fast\"\nfoo = 1\n",
    );
    let page = server.get("/setup").body;
    for part in ["line 4: ", "line 5: ", "mount.foo", "value=\"0.9\""] {
        assert!(page.contains(part), "{part} in {page}");
    }
}
