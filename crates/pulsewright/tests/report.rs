//! The report: one file that stands by itself, holds what the commands print, and can be remade.

mod common;

use std::collections::HashSet;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use common::{Bench, unescaped};
use serde_json::Value;
use sha2::{Digest, Sha256};

/// The text between two marks, each time they stand in that order.
fn between<'a>(text: &'a str, from: &str, to: &str) -> Vec<&'a str> {
    text.split(from)
        .skip(1)
        .filter_map(|rest| rest.split_once(to))
        .map(|(inside, _)| inside)
        .collect()
}

/// The demo's bench, and the report of its first chain before and after the trim.
fn made() -> (Bench, Value, String) {
    let bench = Bench::new();
    bench.ok(&["demo", ".", "-q"]);
    let document = bench.json(&["report", "attic-laptop", "--after", "5", "-o", "r.html"]);
    let html = std::fs::read_to_string(bench.path("r.html")).expect("the report");
    (bench, document, html)
}

#[test]
fn the_report_stands_by_itself_and_runs_nothing_else() {
    let (_, document, html) = made();
    assert_eq!(document["bytes"], html.len() as u64);
    let sum: String = Sha256::digest(&html)
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    assert_eq!(document["sha256"], sum.as_str());
    // Every link stays in the file, and nothing is fetched.
    for link in between(&html, " href=\"", "\"") {
        assert!(link.starts_with('#'), "{link}");
    }
    for fetched in [" src=", "@import", "url(http", "<link", "<iframe"] {
        assert!(!html.contains(fetched), "{fetched}");
    }
    // The policy allows its own style and scripts, and no others.
    let policy = between(&html, "Content-Security-Policy\" content=\"", "\"")[0];
    let hashed = |text: &str| format!("'sha256-{}'", STANDARD.encode(Sha256::digest(text)));
    let policy = unescaped(policy).replace("&#39;", "'");
    let styles = between(&html, "<style>", "</style>");
    let scripts = between(&html, "<script type=\"module\">", "</script>");
    assert!(!styles.is_empty() && !scripts.is_empty());
    for text in styles.iter().chain(&scripts) {
        assert!(policy.contains(&hashed(text)), "{policy}");
    }
    assert_eq!(
        policy.matches("sha256-").count(),
        styles.len() + scripts.len()
    );
    assert!(policy.starts_with("default-src 'none'"), "{policy}");
    // No two parts share an id.
    let mut ids = HashSet::new();
    for id in between(&html, " id=\"", "\"") {
        assert!(ids.insert(id), "{id} twice");
    }
}

#[test]
fn the_report_holds_what_the_commands_print() {
    let (bench, document, html) = made();
    let html = unescaped(&html);
    let answers = document["answers"].as_array().expect("answers");
    for answer in answers {
        let sentence = answer["sentence"].as_str().expect("a text");
        assert!(html.contains(sentence), "{sentence}");
    }
    let printed = [
        ("Measure", bench.json(&["show", "1"])["answer"].clone()),
        ("Judge", bench.json(&["judge", "1"])["sentence"].clone()),
        (
            "Correct",
            bench.json(&["tune", "--run", "1"])["answer"].clone(),
        ),
        ("Prove", bench.json(&["prove", "1", "5"])["answer"].clone()),
    ];
    for (question, sentence) in printed {
        let told =
            |answer: &Value| answer["question"] == question && answer["sentence"] == sentence;
        assert!(answers.iter().any(told), "{question}: {sentence}");
    }
    // Settings and checksums of all that the numbers come from.
    for source in bench.json(&["show", "1"])["sources"]
        .as_array()
        .expect("sources")
    {
        let sum = source["sha256"].as_str().expect("a checksum");
        assert!(html.contains(sum), "{sum}");
    }
    let setup = std::fs::read_to_string(bench.path("setup.toml")).expect("a setup");
    assert!(html.contains(&setup));
}

#[test]
fn the_commands_of_the_report_remake_its_numbers() {
    let (bench, _, html) = made();
    let html = unescaped(&html);
    let reads: Vec<&str> = between(&html, "<pre>", "</pre>")
        .into_iter()
        .flat_map(str::lines)
        .filter_map(|line| line.strip_prefix("pulsewright read "))
        .collect();
    assert_eq!(reads.len(), 2, "{reads:?}");
    for (line, old) in reads.iter().zip(["1", "5"]) {
        // No name of the demo's needs quotes.
        let mut args = vec!["read", "--book", "new.sqlite"];
        args.extend(line.split(' '));
        let remade = bench.json(&args);
        let stored = bench.json(&["show", old]);
        for part in [
            "answer",
            "pooled",
            "groups",
            "uncertainty",
            "settings",
            "seed",
        ] {
            assert_eq!(remade[part], stored[part], "{part} of {line}");
        }
    }
}

#[test]
fn what_can_t_be_reported_is_told() {
    let bench = Bench::new();
    bench.fails(&["report", "1"], &["there is no lab book yet"]);
    bench.ok(&["demo", ".", "-q"]);
    bench.fails(&["report", "99"], &["run 99"]);
    bench.fails(&["report", "1", "1"], &["named twice"]);
    bench.fails(&["report", "1", "--after", "1"], &["named twice"]);
    bench.fails(
        &["report", "1", "--setup", "none.toml"],
        &["none.toml", "setup new"],
    );
    bench.fails(
        &["report", "1", "-o", "book.sqlite"],
        &["not to be replaced"],
    );
    bench.fails(&["report", "1", "-o", "-", "--json"], &["standard output"]);
    assert!(!bench.path("report.html").exists());
}
