//! A live run on the page, with the simulated rig and chain: started, watched, stopped, kept.

mod common;

use std::path::PathBuf;
use std::process::Stdio;
use std::time::{Duration, Instant};

use common::server::Server;
use common::{Bench, live_bench as bench};

/// Looks at an address until it shows `text`; then the page.
fn until(server: &Server, address: &str, text: &str) -> String {
    let begun = Instant::now();
    loop {
        let body = server.get(address).body;
        if body.contains(text) {
            return body;
        }
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "no {text} in {body}"
        );
        std::thread::sleep(Duration::from_millis(100));
    }
}

fn records(bench: &Bench) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(bench.folder()).unwrap();
    let paths = entries.map(|entry| entry.unwrap().path());
    paths
        .filter(|path| path.extension().is_some_and(|e| e == "record"))
        .collect()
}

#[test]
fn a_run_is_started_watched_stopped_and_can_go_on() {
    let bench = bench(400);
    let server = Server::start(&bench, &["--live"]);
    let page = server.get("/measure/live").body;
    assert!(
        page.contains("nothing moves") && page.contains("Start"),
        "{page}"
    );
    // Looking starts nothing, nor does a page of another site.
    assert_eq!(server.get("/measure/live/start").status, 405);
    let foreign = "Origin: http://evil.test\r\n";
    for address in ["/measure/live/start", "/measure/live/stop"] {
        assert_eq!(server.ask("POST", address, foreign, b"").status, 403);
    }
    assert!(records(&bench).is_empty());

    assert_eq!(server.post("/measure/live/start", &[]).status, 303);
    let again = server.post("/measure/live/start", &[]);
    assert_eq!(again.status, 409, "{}", again.body);
    assert!(again.body.contains("goes on already"));
    let first = until(&server, "/measure/live/view", "too long");
    assert!(!first.contains("<html"), "a part of a page: {first}");
    let later = until(&server, "/measure/live/view", "(95 %");
    assert!(later.contains("<svg") && later != first);
    // Without script the page asks again by itself, and the button is there before all figures.
    let page = server.get("/measure/live").body;
    assert!(page.contains("http-equiv=\"refresh\""), "{page}");
    assert!(page.find("Stop").unwrap() < page.find("<svg").unwrap());

    assert_eq!(server.post("/measure/live/stop", &[]).status, 303);
    let page = until(&server, "/measure/live", "Stopped after");
    assert!(page.contains("--resume"), "{page}");
    let [record] = records(&bench).try_into().expect("one record");
    assert!(bench.json(&["runs"])["runs"].as_array().unwrap().is_empty());
    let kept = bench.json(&["read", record.to_str().unwrap()]);
    let median = kept["pooled"]["width_error_ms"]["median"].as_f64().unwrap();
    assert!((8.0..16.0).contains(&median), "{median}");
}

#[test]
fn a_run_to_its_end_is_kept_and_another_can_begin() {
    let bench = bench(6);
    let server = Server::start(&bench, &["--live"]);
    for number in 1..=2 {
        server.post("/measure/live/start", &[]);
        let page = until(&server, "/measure/live", &format!("Kept as run {number}"));
        let link = format!("href=\"/measure/run/{number}\"");
        assert!(page.contains(&link), "{page}");
    }
    assert_eq!(records(&bench).len(), 2);
    let run = bench.json(&["show", "2"]);
    assert_eq!(run["run"]["chain"], "attic");
    assert_eq!(run["outcomes"]["requests"], 48);
    assert_eq!(bench.json(&["show", "2", "--again"])["same_numbers"], true);
    // Stopping what has ended does no harm.
    assert_eq!(server.post("/measure/live/stop", &[]).status, 303);
}

#[test]
fn without_live_nothing_can_be_started() {
    let bench = bench(6);
    let server = Server::start(&bench, &[]);
    let page = server.get("/measure/live").body;
    assert!(page.contains("serve --live"), "{page}");
    assert!(!page.contains("<button class=\"danger\""), "{page}");
    for address in ["/measure/live/start", "/measure/live/stop"] {
        assert_eq!(server.post(address, &[]).status, 409);
    }
    assert_eq!(server.get("/measure/live/view").status, 409);
    assert!(records(&bench).is_empty());
}

#[test]
fn nobody_serves_a_run_of_hardware_without_being_asked() {
    let bench = bench(6);
    bench.file("chain.toml", "version = 1\nname = \"attic\"\n[hand]\n");
    let printed = bench.run(&["serve", "--live", "--listen", "127.0.0.1:0"]);
    assert_eq!(printed.code, 2, "{}", printed.err);
    for words in ["keep a hand on the power", "moves at most", "--yes"] {
        assert!(printed.err.contains(words), "{words} in {}", printed.err);
    }
    bench.fails(&["serve", "--plan", "plan.toml"], &["--live"]);
    bench.fails(&["serve", "--live", "--chain", "none.toml"], &["none.toml"]);
    bench.fails(
        &["serve", "--live", "-o", "nowhere"],
        &["nowhere", "folder"],
    );
}

/// The end of the server is the end of the run, and the record can go on.
#[test]
#[cfg(unix)]
fn a_server_that_ends_stops_its_run_and_keeps_it() {
    let bench = bench(400);
    let told = bench.path("told.txt");
    let child = bench
        .command(&["serve", "--live", "--listen", "127.0.0.1:0", "--json"])
        .stdout(Stdio::piped())
        .stderr(std::fs::File::create(&told).unwrap())
        .spawn()
        .unwrap();
    let server = Server::of(child);
    server.post("/measure/live/start", &[]);
    until(&server, "/measure/live/view", "too long");
    assert_eq!(server.end(), Some(0));
    let told = std::fs::read_to_string(told).unwrap();
    assert!(
        told.contains("Stopped after") && told.contains("--resume"),
        "{told}"
    );
    let [record] = records(&bench).try_into().expect("one record");
    bench.ok(&["read", record.to_str().unwrap()]);
}
