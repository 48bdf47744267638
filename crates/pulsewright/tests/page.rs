//! What the page shows equals what the commands print.

mod common;

use std::time::{Duration, Instant};

use common::server::{Answer, Server};
use common::{Bench, unescaped};
use serde_json::Value;

/// How long a result may take.
const PATIENCE: Duration = Duration::from_secs(120);

/// The demo's book and setup, served.
struct Served {
    bench: Bench,
    server: Server,
}

impl Served {
    fn demo() -> Served {
        let bench = Bench::new();
        bench.ok(&["demo", ".", "-q"]);
        let server = Server::start(&bench, &[]);
        Served { bench, server }
    }

    /// An answer that may take its time: the page that waits is asked again.
    fn get(&self, address: &str) -> Answer {
        let begun = Instant::now();
        loop {
            let answer = self.server.get(address);
            if answer.status != 202 {
                assert_eq!(answer.status, 200, "{address}: {}", answer.body);
                return answer;
            }
            assert!(begun.elapsed() < PATIENCE, "{address} takes too long");
            std::thread::sleep(Duration::from_millis(200));
        }
    }

    /// The text of a page: its tags taken off, each cell and sentence by itself.
    fn lines(&self, address: &str) -> Vec<String> {
        let body = self.get(address).body;
        body.split('<')
            .filter_map(|part| part.split_once('>'))
            .map(|(_, text)| unescaped(text.trim()))
            .filter(|text| !text.is_empty())
            .collect()
    }
}

/// Whether a cell is the number, in the digits that the cell has.
fn is(cell: &str, value: &Value) -> bool {
    let value = value.as_f64().expect("a number");
    let shown: f64 = cell.trim_start_matches('+').parse().expect(cell);
    let decimals = cell.split_once('.').map_or(0, |(_, after)| after.len());
    // Half a unit of the last digit, and a little for the rounding of halves.
    (shown - value).abs() <= 0.500_001 * 10f64.powi(-(decimals as i32))
}

fn has(lines: &[String], sentence: &Value) {
    let sentence = sentence.as_str().expect("a text");
    assert!(
        lines.iter().any(|line| line == sentence),
        "no `{sentence}` in {lines:?}"
    );
}

#[test]
fn measure_shows_what_the_commands_print() {
    let served = Served::demo();
    for run in 1..=5 {
        let number = run.to_string();
        let document = served.bench.json(&["show", &number]);
        let lines = served.lines(&format!("/measure/run/{run}"));
        has(&lines, &document["answer"]);
        for group in document["groups"].as_array().expect("groups") {
            let direction = group["direction"].as_str().expect("a direction");
            let width = group["requested_ms"].as_f64().expect("a width");
            let error = &group["width_error_ms"];
            let cells = lines.iter().position(|line| {
                let words: Vec<&str> = line.split_whitespace().collect();
                words == [direction, &width.to_string(), "ms"]
            });
            let at = cells.unwrap_or_else(|| panic!("no {direction} {width} ms in {lines:?}"));
            let cells = &lines[at + 1..];
            assert_eq!(cells[0], group["n"].to_string());
            assert!(is(&cells[1], &error["median"]), "{cells:?} {error}");
            assert!(is(&cells[3], &error["mean"]), "{cells:?} {error}");
            assert!(is(&cells[4], &error["sd"]), "{cells:?} {error}");
            assert!(is(&cells[9], &error["max"]), "{cells:?} {error}");
        }
        for warning in document["warnings"].as_array().expect("warnings") {
            let text = warning["text"].as_str().expect("a text");
            let shown = |line: &String| line.to_lowercase().starts_with(&text.to_lowercase());
            assert!(lines.iter().any(shown), "no `{text}` in {lines:?}");
        }
        // Files, byte for byte.
        let csv = served.get(&format!("/measure/run/{run}/pulses.csv"));
        assert_eq!(csv.body, served.bench.ok(&["export", &number]));
        let json = served.get(&format!("/measure/run/{run}/run.json"));
        assert_eq!(
            json.body,
            served.bench.ok(&["export", &number, "--as", "json"])
        );
    }
    let document = served.bench.json(&["compare", "1", "2", "3", "4"]);
    let lines = served.lines("/measure/compare?run=1&run=2&run=3&run=4");
    has(&lines, &document["answer"]);
    for run in document["runs"].as_array().expect("runs") {
        let name = run["name"].as_str().expect("a name");
        // The name stands in the figures too; in the table the pulses follow it.
        let n = run["n"].to_string();
        let at = lines
            .windows(2)
            .position(|pair| pair[0] == name && pair[1] == n);
        let cells = &lines[at.expect(name) + 2..];
        assert!(is(&cells[0], &run["median_ms"]), "{cells:?} {run}");
    }
}

#[test]
fn judge_and_prove_show_what_the_commands_print() {
    let served = Served::demo();
    let judge = ["judge", "1", "--setup", "setup.toml"];
    let document = served.bench.json(&judge);
    let lines = served.lines("/judge?run=1");
    has(&lines, &document["sentence"]);
    for (name, key) in [
        ("as measured", "measured"),
        ("trimmed", "trimmed"),
        ("perfect", "perfect"),
    ] {
        let case = &document[key]["present"];
        let at = lines
            .windows(2)
            .position(|pair| pair[0] == name && pair[1] == "present");
        let cells = &lines[at.expect(name) + 2..];
        assert!(is(&cells[0], &case["fwhm_arcsec"]["value"]), "{case}");
        assert!(is(&cells[2], &case["elongation"]["value"]), "{case}");
        let control = &case["settings"]["control"];
        assert!(is(&cells[3], &control["ra_gain"]), "{control}");
    }
    let json = served.get("/judge/json?run=1");
    let printed: Value = serde_json::from_str(&json.body).expect("JSON");
    assert_eq!(printed, document, "to the last bit");

    let document = served
        .bench
        .json(&["prove", "1", "5", "--setup", "setup.toml"]);
    has(
        &served.lines("/prove?before=1&after=5"),
        &document["answer"],
    );
    let document = served.bench.json(&["prove", "1", "5", "--margin", "1ms"]);
    has(
        &served.lines("/prove?before=1&after=5&margin=1"),
        &document["answer"],
    );
}

#[test]
fn correct_shows_what_the_commands_print_and_its_files_are_theirs() {
    let served = Served::demo();
    let tune = ["tune", "--run", "1", "--setup", "setup.toml"];
    let document = served.bench.json(&tune);
    let lines = served.lines("/correct/tune?run=1");
    has(&lines, &document["answer"]);
    for (ending, format) in [("h", "c"), ("rs", "rust"), ("csv", "csv")] {
        for (loss, below) in [("median", "carry"), ("p10", "skip")] {
            let file = served.get(&format!(
                "/correct/trim.{ending}?run=1&loss={loss}&below={below}&shortest=20"
            ));
            let printed = served.bench.ok(&[
                "trim",
                "1",
                "--loss",
                loss,
                "--below",
                below,
                "--shortest",
                "20ms",
                "--as",
                format,
            ]);
            assert_eq!(file.body, printed, "{ending} {loss} {below}");
        }
    }
    let document = served
        .bench
        .json(&["trim", "1", "--shortest", "20ms", "--setup", "setup.toml"]);
    let lines = served.lines("/correct/trim?run=1&loss=median&below=carry&shortest=20");
    has(&lines, &document["answer"]);
    has(&lines, &document["on_sky"]["answer"]);
}
