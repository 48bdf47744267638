//! From a capture file to a stored, compared, understood result, as a beginner would go.

mod common;

use common::server::Server;
use common::{Bench, ragged, vcd};
use serde_json::Value;

#[test]
fn the_answer_comes_first_with_unit_and_uncertainty() {
    let bench = Bench::new();
    bench.file("port.vcd", vcd(&ragged(100, &[50, 250, 500], 12_000)));
    let out = bench.ok(&["read", "port.vcd", "--requested", "50ms,0.25s,500000us"]);
    let first = out.lines().next().unwrap();
    assert!(first.starts_with("Pulses come out 12."), "{first}");
    assert!(first.contains("ms too long (median; 95 % 12."), "{first}");
    assert!(out.contains("expanded uncertainty") && out.contains("about the same at every width"));
    assert!(out.contains("1 in 40 is over"), "{out}");
    // Each number stands under its own name.
    let run = bench.json(&["read", "port.vcd", "--requested", "50ms,250ms,500ms"]);
    let header = out.lines().find(|l| l.contains("p97.5")).unwrap();
    let row = out
        .lines()
        .skip_while(|l| *l != header)
        .find(|l| l.trim_start().starts_with("all"))
        .unwrap();
    // Aligned on the right: the number ends where its title ends.
    for (title, field) in [("p2.5", "p025"), ("p97.5", "p975"), ("max", "max")] {
        let end = header.find(title).unwrap() + title.len();
        let shown: f64 = row[..end].rsplit(' ').next().unwrap().parse().unwrap();
        let number = run["pooled"]["width_error_ms"][field].as_f64().unwrap();
        assert!((shown - number).abs() <= 0.051, "{title}: {shown} {number}");
    }
    // No terminal, no colour.
    assert!(!out.contains('\u{1b}'));
    // Quiet: the answer alone.
    let quiet = bench.ok(&["read", "port.vcd", "--requested", "50ms,250ms,500ms", "-q"]);
    assert_eq!(quiet.lines().count(), 1);
}

#[test]
fn the_numbers_are_those_of_the_pulses() {
    let bench = Bench::new();
    // Ten pulses of 261, 262, ... 270 ms asked as 250: every number follows by hand.
    let widths: Vec<u64> = (1..=10).map(|i| 260_000 + i * 1000).collect();
    bench.file("port.vcd", vcd(&widths));
    let run = bench.json(&[
        "read",
        "port.vcd",
        "--requested",
        "250ms",
        "--direction",
        "ra+",
    ]);
    assert_eq!(run["schema_version"], 1);
    let group = &run["groups"][0];
    assert_eq!(group["direction"], "ra+");
    assert_eq!(group["n"], 10);
    let e = &group["width_error_ms"];
    let near = |value: &Value, expected: f64| {
        let found = value.as_f64().unwrap();
        assert!((found - expected).abs() < 1e-9, "{found} {expected}");
    };
    near(&e["median"], 15.5);
    near(&e["mean"], 15.5);
    // The sum of squares of 1..10 about its mean is 82.5.
    near(&e["sd"], (82.5f64 / 9.0).sqrt());
    near(&e["skewness"], 0.0);
    near(&e["min"], 11.0);
    near(&e["max"], 20.0);
    // Order statistics 2 and 9 of ten: coverage 0.979 (binomial), the narrowest above 0.95.
    near(&e["median_ci95"][0], 12.0);
    near(&e["median_ci95"][1], 19.0);
    assert_eq!(run["outcomes"]["delivered"], 10);
    assert_eq!(run["outcomes"]["missing"], Value::Null);
    // One width: no line can be drawn, and the run says so.
    assert_eq!(run["offset_scale"], Value::Null);
    assert!(run["warnings"].to_string().contains("only one width"));
    // The budgets of the pooled median and of the group's; the time stamps fall on whole milliseconds,
    // whatever the timescale says, and their row is 1 ms / sqrt(6) (docs/method.md).
    assert_eq!(run["uncertainty"].as_array().unwrap().len(), 2);
    near(
        &run["uncertainty"][0]["rows"][0]["standard_ms"],
        1.0 / 6f64.sqrt(),
    );
}

#[test]
fn a_run_goes_into_the_book_and_comes_out_the_same() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(40, &[50, 250], 12_000)));
    bench.file("b.vcd", vcd(&ragged(40, &[50, 250], 2_000)));
    let read = |file: &str, chain: &str| {
        bench.json(&[
            "read",
            file,
            "--requested",
            "50ms,250ms",
            "--chain",
            chain,
            "--note",
            "cable=5 m",
        ])
    };
    let first = read("a.vcd", "attic");
    assert_eq!(first["run"]["number"], 1);
    read("b.vcd", "pier");

    let runs = bench.json(&["runs"]);
    assert_eq!(runs["runs"].as_array().unwrap().len(), 2);
    assert_eq!(runs["runs"][1]["chain"], "pier");

    let shown = bench.json(&["show", "attic"]);
    assert_eq!(shown["run"]["notes"]["cable"], "5 m");
    assert_eq!(shown["sources"], first["sources"]);
    for part in [
        "answer",
        "groups",
        "pooled",
        "offset_scale",
        "tick",
        "trend",
        "uncertainty",
        "warnings",
        "outcomes",
    ] {
        assert_eq!(shown[part], first[part], "{part}");
    }
    assert_eq!(shown["groups"].as_array().unwrap().len(), 2);
    let again = bench.json(&["show", "1", "--again"]);
    assert_eq!(again["same_files"], true);
    assert_eq!(again["same_numbers"], true);

    let comparison = bench.json(&["compare", "attic", "pier"]);
    let shift = comparison["pairs"][0]["shift_ms"].as_f64().unwrap();
    assert!((shift + 10.0).abs() < 1e-6, "{shift}");
    assert!(comparison["answer"].as_str().unwrap().contains("pier"));

    // The export reads back to the same numbers.
    bench.ok(&["export", "1", "-o", "out.csv"]);
    let back = bench.json(&["read", "out.csv"]);
    assert_eq!(
        back["pooled"]["width_error_ms"]["median"],
        first["pooled"]["width_error_ms"]["median"]
    );
    let exported = bench.ok(&["export", "1", "--as", "json"]);
    let exported: Value = serde_json::from_str(&exported).unwrap();
    assert_eq!(exported["pulses"].as_array().unwrap().len(), 80);

    bench.fails(&["forget", "1"], &["--yes"]);
    bench.ok(&["forget", "1", "--yes"]);
    bench.fails(&["show", "1"], &["run 1", "no such run"]);
    bench.fails(&["show", "attic"], &["attic", "pulsewright runs"]);
}

#[test]
fn a_changed_file_is_told_when_it_is_read_again() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(20, &[50, 250], 12_000)));
    bench.ok(&[
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "attic",
    ]);
    bench.file("a.vcd", vcd(&ragged(20, &[50, 250], 12_001)));
    let again = bench.json(&["show", "attic", "--again"]);
    assert_eq!(again["same_files"], false);
    assert_eq!(again["same_numbers"], false);
    std::fs::remove_file(bench.path("a.vcd")).unwrap();
    bench.fails(&["show", "attic", "--again"], &["a.vcd"]);
    // What was stored is still there.
    bench.ok(&["show", "attic"]);
}

#[test]
fn a_request_log_tells_what_is_missing() {
    let bench = Bench::new();
    let widths = ragged(20, &[50, 250], 5_000);
    // Every tenth pulse is lost on the wire.
    let mut lost = 0;
    let mut log = String::from("direction,requested_ms,issued_s\n");
    let mut text = String::from("t_s,channel,level\n0,D0,0\n");
    for (i, width) in widths.iter().enumerate() {
        let start = 1.0 + i as f64;
        let requested = if i % 2 == 0 { 50 } else { 250 };
        log += &format!("ra+,{requested},{:.3}\n", start - 0.02);
        if i % 10 == 9 {
            lost += 1;
        } else {
            text += &format!("{start},D0,1\n{:.6},D0,0\n", start + *width as f64 / 1e6);
        }
    }
    text += "60,D0,0\n";
    bench.file("edges.csv", text);
    bench.file("sent.csv", log);
    let run = bench.json(&[
        "read",
        "edges.csv",
        "--requests",
        "sent.csv",
        "--map",
        "ra+=D0",
        "--shared-clock",
    ]);
    let o = &run["outcomes"];
    assert_eq!(
        (o["requests"].as_u64(), o["missing"].as_u64()),
        (Some(40), Some(lost))
    );
    assert_eq!(o["delivered"].as_u64(), Some(40 - lost));
    let delay = run["start_delay"]["median_ms"].as_f64().unwrap();
    assert!((delay - 20.0).abs() < 1e-3, "{delay}");
    assert!(run["warnings"].to_string().contains("came to nothing"));
}

#[test]
fn several_captures_make_one_run() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(20, &[50, 250], 12_000)));
    bench.file("b.vcd", vcd(&ragged(30, &[50, 250], 12_000)));
    let run = bench.json(&["read", "a.vcd", "b.vcd", "--requested", "50ms,250ms"]);
    assert_eq!(run["pooled"]["n"], 100);
    assert_eq!(run["captures"].as_array().unwrap().len(), 2);
    assert_eq!(run["sources"].as_array().unwrap().len(), 2);
}

#[test]
fn standard_input_is_a_capture_too() {
    let bench = Bench::new();
    let capture = vcd(&ragged(20, &[50, 250], 12_000));
    let from_pipe = bench.run_with_input(
        &["read", "-", "--requested", "50ms,250ms", "--json"],
        capture.as_bytes(),
    );
    assert_eq!(from_pipe.code, 0, "{}", from_pipe.err);
    let from_pipe: Value = serde_json::from_str(&from_pipe.out).unwrap();
    bench.file("a.vcd", &capture);
    let from_file = bench.json(&["read", "a.vcd", "--requested", "50ms,250ms"]);
    assert_eq!(from_pipe["pooled"], from_file["pooled"]);
    assert_eq!(
        from_pipe["sources"][0]["sha256"],
        from_file["sources"][0]["sha256"]
    );
}

#[test]
fn the_same_seed_gives_the_same_bits() {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(50, &[50, 250], 12_000)));
    let read = |seed: &str| {
        bench.ok(&[
            "read",
            "a.vcd",
            "--requested",
            "50ms,250ms",
            "--json",
            "--seed",
            seed,
        ])
    };
    assert_eq!(read("7"), read("7"));
    assert_ne!(read("7"), read("8"));
}

#[test]
fn the_demo_makes_a_book_that_the_other_commands_read() {
    let bench = Bench::new();
    let out = bench.ok(&["demo", "d"]);
    assert!(
        out.starts_with("Measure:") && out.contains("Of 4 runs, pier-board comes closest"),
        "{out}"
    );
    let demo = |args: &[&str]| {
        let mut args = args.to_vec();
        args.extend(["--book", "d/book.sqlite"]);
        bench.json(&args)
    };
    assert_eq!(demo(&["runs"])["runs"].as_array().unwrap().len(), 5);
    let attic = demo(&["show", "attic-laptop"]);
    let pier = demo(&["show", "pier-board"]);
    let serial = demo(&["show", "serial-adapter"]);
    let cable = demo(&["show", "long-cable"]);
    let number = |run: &Value, path: &str| run.pointer(path).unwrap().as_f64().unwrap();
    // Unlike in offset, spread, skew, hidden tick and missing pulses, as the scenario says.
    assert!((number(&attic, "/pooled/width_error_ms/median") - 12.3).abs() < 0.6);
    assert!(number(&attic, "/pooled/width_error_ms/skewness") > 1.0);
    assert!((number(&pier, "/pooled/width_error_ms/median") - 0.9).abs() < 0.05);
    assert!(number(&pier, "/pooled/width_error_ms/sd") < 0.25);
    assert_eq!(pier["start_delay"]["absolute"], true);
    assert_eq!(serial["tick"]["found"], true);
    assert!((number(&serial, "/tick/period_ms") - 8.0).abs() < 0.08);
    assert!(number(&cable, "/outcomes/missing") >= 5.0);
    assert!(number(&cable, "/pooled/width_error_ms/median") < 0.0);
    for run in [&attic, &pier] {
        assert_eq!(run["tick"]["found"], false);
    }
    // The trim takes the offset away, and that is proven.
    let proof = demo(&[
        "prove",
        "attic-laptop",
        "attic-laptop-trimmed",
        "--margin",
        "2ms",
    ]);
    assert_eq!(proof["equivalence"]["within"], true);
    assert!(number(&proof, "/improvement/gain_ms") > 8.0);
    // Its own commands give the same numbers, and it can be made again in the same folder.
    for chain in [
        "attic-laptop",
        "pier-board",
        "serial-adapter",
        "long-cable",
        "attic-laptop-trimmed",
    ] {
        assert_eq!(
            demo(&["show", chain, "--again"])["same_numbers"],
            true,
            "{chain}"
        );
    }
    bench.ok(&["demo", "d"]);
    // But not over anything else.
    bench.file("d2", "");
    bench.fails(&["demo", "d2"], &["d2"]);
    std::fs::create_dir(bench.path("d3")).unwrap();
    bench.file("d3/thesis.txt", "precious");
    bench.fails(&["demo", "d3"], &["other files"]);
}

#[test]
fn the_demo_prints_commands_that_work_as_written() {
    let bench = Bench::new();
    let out = bench.ok(&["demo", "d"]);
    let commands: Vec<&str> = out
        .lines()
        .filter_map(|line| line.trim().strip_prefix("pulsewright "))
        .collect();
    assert!(commands.len() >= 9, "{out}");
    for command in commands {
        let args: Vec<&str> = command.split_whitespace().collect();
        // A server goes on until it is ended.
        if args[0] == "serve" {
            let server = Server::start(&bench, &args[1..]);
            assert_eq!(server.get("/measure").status, 200);
        } else {
            bench.ok(&args);
        }
    }
}

#[test]
fn one_pulse_is_told_as_one() {
    // The example of docs/formats.md.
    let bench = Bench::new();
    let example = "$timescale 1 us $end\n$scope module port $end\n$var wire 1 ! D0 $end\n$upscope $end\n\
                   $enddefinitions $end\n#0\n0!\n#1000000\n1!\n#1062000\n0!\n#3000000\n";
    bench.file("port.vcd", example);
    let out = bench.ok(&["read", "port.vcd", "--requested", "50ms", "-q"]);
    assert!(out.starts_with("The one pulse came out 12"), "{out}");
    assert!(out.contains("six"), "{out}");
}

#[test]
fn one_pulse_of_a_minute_spoils_nothing() {
    let bench = Bench::new();
    let mut widths = ragged(20, &[50], 2_000);
    widths.push(50_000);
    let mut text = vcd(&widths);
    // A straggler of 50 s, asked for as 40 s.
    let end = (widths.len() as u64 + 3) * 1_000_000;
    text += &format!(
        "#{end}\n1!\n#{}\n0!\n#{}\n",
        end + 50_000_000,
        end + 52_000_000
    );
    bench.file("a.vcd", text);
    let run = bench.json(&["read", "a.vcd", "--requested", "50ms,40s", "--idle", "low"]);
    assert_eq!(run["pooled"]["n"], 22);
}

#[test]
fn a_log_that_does_not_belong_is_doubted_in_the_answer() {
    let bench = Bench::new();
    let widths = ragged(60, &[50, 250, 500], 5_000);
    bench.file("a.vcd", vcd(&widths));
    // The same number of requests, but of other widths at other places.
    let mut log = String::from("direction,requested_ms,issued_s\n");
    for (i, _) in widths.iter().enumerate() {
        let requested = [500, 50, 1000][(i * i) % 3];
        log += &format!("ra+,{requested},{}\n", i as f64 * 1.37);
    }
    bench.file("other.csv", log);
    let out = bench.ok(&[
        "read",
        "a.vcd",
        "--requests",
        "other.csv",
        "--direction",
        "ra+",
        "-q",
    ]);
    assert!(out.contains("may not belong together"), "{out}");
}

#[test]
fn requests_for_lines_that_were_not_captured_are_not_missing() {
    let bench = Bench::new();
    let widths = ragged(30, &[50, 250], 5_000);
    bench.file("a.vcd", vcd(&widths));
    let mut log = String::from("direction,requested_ms,issued_s\n");
    for (i, _) in widths.iter().enumerate() {
        let requested = if i % 2 == 0 { 50 } else { 250 };
        log += &format!(
            "ra+,{requested},{:.3}\ndec-,{requested},{:.3}\n",
            i as f64 + 0.98,
            i as f64 + 1.4
        );
    }
    bench.file("sent.csv", log);
    for line in [&["--direction", "ra+"][..], &["--map", "ra+=D0"]] {
        let mut args = vec!["read", "a.vcd", "--requests", "sent.csv"];
        args.extend(line);
        let run = bench.json(&args);
        assert_eq!(run["outcomes"]["requests"], 60);
        assert_eq!(run["outcomes"]["missing"], 0);
        assert_eq!(run["groups"][0]["direction"], "ra+");
        assert!(
            run["captures"][0]["notes"]
                .to_string()
                .contains("60 requests for other directions")
        );
    }
    bench.fails(
        &[
            "read",
            "a.vcd",
            "--requests",
            "sent.csv",
            "--direction",
            "dec+",
        ],
        &["dec+"],
    );
}
