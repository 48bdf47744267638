//! Judge, Correct and Prove on the page: what they show is what the command line gives.

mod common;

use std::time::{Duration, Instant};

use common::server::{Answer, Server};
use common::{Bench, ragged, vcd};

/// Runs of a chain before and after a trim, and a setup.
fn bench() -> Bench {
    let bench = Bench::new();
    for (chain, late_us) in [("attic", 12_000), ("attic-trimmed", 200)] {
        let file = format!("{chain}.vcd");
        bench.file(&file, vcd(&ragged(40, &[50, 250, 500], late_us)));
        bench.ok(&[
            "read",
            &file,
            "--requested",
            "50ms,250ms,500ms",
            "--chain",
            chain,
        ]);
    }
    bench.ok(&["setup", "new"]);
    bench
}

/// Asks again as the waiting page does.
fn waited(server: &Server, address: &str) -> Answer {
    let begin = Instant::now();
    loop {
        let answer = server.get(address);
        if answer.status != 202 {
            assert_eq!(answer.status, 200, "{address}: {}", answer.body);
            return answer;
        }
        assert!(answer.body.contains("http-equiv=\"refresh\""));
        assert!(begin.elapsed() < Duration::from_secs(300), "{address}");
        std::thread::sleep(Duration::from_millis(200));
    }
}

/// Text as it stands in HTML.
fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

#[test]
fn the_verdict_is_that_of_the_command_line() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let printed = bench.ok(&["judge", "1", "--setup", "setup.toml", "--json"]);
    assert_eq!(waited(&server, "/judge/json?run=1").body, printed);
    let page = waited(&server, "/judge?run=attic").body;
    let json: serde_json::Value = serde_json::from_str(&printed).unwrap();
    assert!(page.contains(&escaped(json["sentence"].as_str().unwrap())));
    assert!(page.contains("aria-current=\"true\""));
    // The newest run is chosen by itself.
    let newest = waited(&server, "/judge").body;
    assert!(newest.contains("<option value=\"2\" selected"), "{newest}");
}

#[test]
fn the_files_for_a_controller_are_those_of_the_command_line() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    for (file, format) in [
        ("trim.h", "c"),
        ("trim.rs", "rust"),
        ("trim.csv", "csv"),
        ("trim.json", "json"),
    ] {
        let printed = bench.ok(&[
            "trim",
            "1",
            "--as",
            format,
            "--loss",
            "p10",
            "--below",
            "floor",
            "--shortest",
            "30ms",
        ]);
        let answer = server.get(&format!(
            "/correct/{file}?run=1&loss=p10&below=floor&shortest=30"
        ));
        assert_eq!(answer.status, 200, "{}", answer.body);
        assert_eq!(answer.body, printed, "{file}");
        let disposition = answer.header("content-disposition").unwrap();
        assert!(disposition.contains(file) && disposition.contains("attachment"));
    }
    let page = waited(&server, "/correct/trim?run=1").body;
    let words = bench.json(&["trim", "1", "--setup", "setup.toml"]);
    assert!(page.contains(&escaped(words["answer"].as_str().unwrap())));
    assert!(page.contains(&escaped(words["on_sky"]["answer"].as_str().unwrap())));
    // What the page offers is the trim that it shows.
    assert!(page.contains("/correct/trim.h?run=1&amp;loss=median&amp;below=carry&amp;shortest=20"));
    for wrong in [
        "/correct/trim?run=1&loss=worst",
        "/correct/trim?run=1&below=x",
        "/correct/trim?run=1&shortest=9000",
        "/correct/trim.h?run=1&shortest=-1",
    ] {
        let answer = server.get(wrong);
        assert_eq!(answer.status, 422, "{wrong}");
        assert!(answer.body.contains("expected"), "{wrong}: {}", answer.body);
    }
    assert_eq!(server.get("/correct/trim.exe?run=1").status, 404);
    assert_eq!(server.get("/correct?run=77").status, 404);
}

#[test]
fn the_loop_follows_its_controls_and_its_settings_go_into_the_setup() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let page = waited(&server, "/correct?run=1&loop.ra_gain=0.31&chain=trimmed").body;
    assert!(page.contains("name=\"loop.ra_gain\" value=\"0.31\""));
    assert!(page.contains("behind its trim"));
    let fragment = |query: &str| waited(&server, &format!("/correct/loop?run=1&{query}")).body;
    assert!(fragment("loop.ra_gain=0.31").contains("loop-tracking"));
    assert!(
        fragment("loop.ra_gain=2.9").contains("These settings don&#39;t hold")
            || fragment("loop.ra_gain=2.9").contains("These settings don't hold")
    );
    assert!(fragment("loop.cadence_s=0.01").contains("class=\"answer\""));
    assert!(fragment("loop.dec_gain=many").contains("class=\"answer\""));
    assert!(fragment("chain=hand&error_ms=80&delay_ms=500").contains("a chain set by hand"));
    assert_eq!(server.get("/correct/loop?run=1&error_ms=x").status, 200);

    // The form that takes them: first shown, then written.
    let shown = fragment("loop.ra_gain=0.31");
    let stamp = shown
        .split("name=\"stamp\" value=\"")
        .nth(1)
        .and_then(|rest| rest.split('"').next())
        .unwrap();
    let before = std::fs::read(bench.path("setup.toml")).unwrap();
    let settings = [("loop.ra_gain", "0.31"), ("stamp", stamp)];
    let preview = server.post("/correct/settings", &settings);
    assert_eq!(preview.status, 200, "{}", preview.body);
    assert!(preview.body.contains("0.31") && preview.body.contains("Write the setup"));
    assert_eq!(std::fs::read(bench.path("setup.toml")).unwrap(), before);
    let sure = [settings.as_slice(), &[("sure", "yes")]].concat();
    assert_eq!(server.post("/correct/settings", &sure).status, 303);
    let after = std::fs::read_to_string(bench.path("setup.toml")).unwrap();
    assert!(after.contains("ra_gain = 0.31"));
    // A setup that has changed since is not written over.
    let again = server.post("/correct/settings", &sure);
    assert_eq!(again.status, 422);
    assert!(again.body.contains("has changed since"));
}

#[test]
fn an_odd_setup_answers_in_time_too() {
    let bench = bench();
    let text = std::fs::read_to_string(bench.path("setup.toml")).unwrap();
    // `exposure_s` stands twice: first the long exposure, then the guide camera's.
    let mut exposures = ["exposure_s = 7200", "exposure_s = 0.5"].into_iter();
    let odd: Vec<&str> = text
        .lines()
        .map(|line| match line.split(' ').next() {
            Some("exposure_s") => exposures.next().unwrap(),
            Some("cadence_s") => "cadence_s = 0.6",
            Some("readout_s") => "readout_s = 0.05",
            Some("law") => "law = \"predictor\"",
            _ => line,
        })
        .collect();
    bench.file("setup.toml", odd.join("\n"));
    let server = Server::start(&bench, &[]);
    waited(&server, "/correct?run=1");
    let begin = Instant::now();
    let answer = server.get("/correct/loop?run=1&loop.ra_gain=0.2");
    let took = begin.elapsed();
    assert_eq!(answer.status, 200);
    assert!(answer.body.contains("to answer at once"), "{}", answer.body);
    // Ten times what is promised of a release build on a machine of its own.
    assert!(took < Duration::from_secs(2), "{took:?}");
}

#[test]
fn a_proof_is_that_of_the_command_line_and_says_what_is_missing() {
    let bench = bench();
    let server = Server::start(&bench, &[]);
    let json = bench.json(&["prove", "1", "2", "--margin", "2ms"]);
    let page = waited(&server, "/prove?before=1&after=2&margin=2").body;
    assert!(page.contains(&escaped(json["answer"].as_str().unwrap())));
    // By themselves: the newest run and the one of the chain that its name begins with; the setup's margin.
    let json = bench.json(&["prove", "1", "2", "--setup", "setup.toml"]);
    let page = waited(&server, "/prove").body;
    assert!(page.contains(&escaped(json["answer"].as_str().unwrap())));
    let twice = server.get("/prove?before=1&after=1&margin=2");
    assert!(twice.body.contains("named twice"), "{}", twice.body);
    assert_eq!(server.get("/prove?before=nobody&after=1").status, 404);
    assert_eq!(server.get("/prove?before=1&after=2&margin=0").status, 422);
}

#[test]
fn without_a_run_or_a_setup_each_place_says_what_to_do_first() {
    let empty = Bench::new();
    let server = Server::start(&empty, &[]);
    for place in [
        "/judge",
        "/correct",
        "/correct/tune",
        "/correct/trim",
        "/prove",
    ] {
        let answer = server.get(place);
        assert_eq!(answer.status, 200, "{place}");
        assert!(answer.body.contains("Upload a capture"), "{place}");
    }
    let bench = bench();
    std::fs::remove_file(bench.path("setup.toml")).unwrap();
    let server = Server::start(&bench, &[]);
    for place in ["/judge", "/correct", "/correct/tune"] {
        assert!(
            server.get(place).body.contains("Fill in the setup"),
            "{place}"
        );
    }
    assert!(
        waited(&server, "/correct/trim")
            .body
            .contains("What to type into the controller")
    );
    bench.file("setup.toml", "version = 1\n[loop]\nra_gain = 99\n");
    let faulty = server.get("/judge");
    assert_eq!(faulty.status, 422);
    assert!(faulty.body.contains("ra_gain") && faulty.body.contains("Mend the setup"));
}
