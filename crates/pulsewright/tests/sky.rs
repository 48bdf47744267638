//! From a stored run to the verdict, the loop, its best settings, and a check for scripts.

mod common;

use common::{Bench, ragged, vcd};
use serde_json::Value;

/// A run of a chain that adds about 12 ms, stored as `attic`, and a setup.
fn attic() -> Bench {
    let bench = Bench::new();
    keep(&bench, "attic", 60, &[20, 100, 500], 12_000);
    bench.ok(&["setup", "new"]);
    bench
}

/// Reads a run of `n` pulses of each width, too long by `late_us` and ragged, as `chain`.
fn keep(bench: &Bench, chain: &str, n: u64, widths_ms: &[u64], late_us: u64) {
    let file = format!("{chain}.vcd");
    bench.file(&file, vcd(&ragged(n, widths_ms, late_us)));
    let widths: Vec<String> = widths_ms.iter().map(|w| format!("{w}ms")).collect();
    bench.ok(&[
        "read",
        &file,
        "--requested",
        &widths.join(","),
        "--chain",
        chain,
    ]);
}

/// Changes a value in the setup.
fn set(bench: &Bench, file: &str, key: &str, value: &str) {
    let text = std::fs::read_to_string(bench.path("setup.toml")).unwrap();
    let changed: Vec<String> = text
        .lines()
        .map(|line| {
            if line.starts_with(&format!("{key} =")) {
                format!("{key} = {value}")
            } else {
                line.to_owned()
            }
        })
        .collect();
    assert_ne!(changed, text.lines().collect::<Vec<_>>(), "{key}");
    bench.file(file, changed.join("\n"));
}

fn number(document: &Value, path: &str) -> f64 {
    document
        .pointer(path)
        .and_then(Value::as_f64)
        .unwrap_or_else(|| panic!("no number at {path}"))
}

fn warned(document: &Value, path: &str, of: &str) -> bool {
    let warnings = document.pointer(path).and_then(Value::as_array).unwrap();
    warnings
        .iter()
        .any(|w| w["text"].as_str().unwrap().contains(of))
}

#[test]
fn the_verdict_comes_first_with_the_rule_and_its_numbers() {
    let bench = attic();
    let found = bench.json(&["judge", "attic"]);
    let verdict = found["verdict"].as_str().unwrap();
    let name = match verdict {
        "leave_it" => "Leave it",
        "retune" => "Retune",
        "trim" => "Trim",
        "mend_the_chain" => "Mend the chain",
        _ => "Measure more",
    };
    let page = bench.ok(&["judge", "attic"]);
    assert!(page.starts_with(name), "{page}");
    assert!(page.contains("The rule") && page.contains("0.01 of elongation"));
    for chain in ["measured", "trimmed", "perfect"] {
        for settings in ["present", "best"] {
            let at = |what: &str| number(&found, &format!("/{chain}/{settings}/{what}"));
            assert!(at("fwhm_arcsec/low") <= at("fwhm_arcsec/value"));
            assert!((1.0..5.0).contains(&at("fwhm_arcsec/value")));
        }
        // At its own best no chain is worse than at the present settings.
        assert!(
            number(&found, &format!("/{chain}/best/fwhm_arcsec/value"))
                <= number(&found, &format!("/{chain}/present/fwhm_arcsec/value"))
        );
    }
    assert_eq!(bench.ok(&["judge", "attic", "-q"]).lines().count(), 1);
    assert!(warned(&found, "/warnings", "start delay"));
    // The same seed, the same bits.
    assert_eq!(found, bench.json(&["judge", "attic"]));
    assert_ne!(found, bench.json(&["judge", "attic", "--seed", "2"]));
    let family = bench.json(&["judge", "attic", "--draw-from", "family"]);
    let star = "/measured/present/fwhm_arcsec/value";
    assert!((number(&family, star) / number(&found, star) - 1.0).abs() < 0.02);
}

#[test]
fn the_loop_of_a_perfect_chain_and_of_one_by_hand() {
    let bench = attic();
    let perfect = bench.json(&["loop"]);
    let star = "/outcome/fwhm_arcsec/value";
    let floor = number(&perfect, "/outcome/undisturbed_fwhm_arcsec");
    assert!(number(&perfect, star) > floor);
    let late = bench.json(&["loop", "--width-error", "150ms", "--missing", "5%"]);
    assert!(number(&late, star) > number(&perfect, star));
    assert!((number(&late, "/outcome/axes/0/pulses/lost") - 0.05).abs() < 0.01);
    let small = "/outcome/axes/0/small_corrections";
    assert!((number(&late, &format!("{small}/width_error_ms")) - 150.0).abs() < 1e-6);
    assert!(
        number(&late, &format!("{small}/effective_gain"))
            > number(&perfect, &format!("{small}/effective_gain"))
    );
    let short = bench.json(&["loop", "--width-error", "-10ms"]);
    assert!(number(&short, &format!("{small}/effective_gain")) < 0.6);
    // With a gain of 0.6 and no further delay the limit is a gain of 2, by the closed form.
    let margin = number(&perfect, "/outcome/axes/0/margins/gain_margin");
    assert!((margin - 2.0 / 0.6).abs() < 1e-6, "{margin}");
    let page = bench.ok(&["loop", "--run", "attic"]);
    for heading in ["Stability", "What takes how much", "by period"] {
        assert!(page.contains(heading), "{heading}");
    }
}

#[test]
fn a_setup_without_sense_is_named_with_its_line() {
    let bench = attic();
    for (key, value, says) in [
        ("ra_rate", "0.0", "ra_rate"),
        ("declination_deg", "95.0", "-90 to 90"),
        ("exposure_s", "600.0", "exposure"),
        ("version", "9", "newer"),
    ] {
        set(&bench, "bad.toml", key, value);
        for command in [
            &["judge", "attic", "--setup", "bad.toml"][..],
            &["loop", "--setup", "bad.toml"],
            &["tune", "--setup", "bad.toml"],
            &["trim", "attic", "--setup", "bad.toml"],
        ] {
            bench.fails(command, &["bad.toml", says]);
        }
    }
    bench.fails(
        &["judge", "attic", "--setup", "none.toml"],
        &["none.toml", "pulsewright setup new"],
    );
}

#[test]
fn an_unstable_loop_is_reported_as_such_and_not_as_a_number() {
    let bench = attic();
    set(&bench, "wild.toml", "ra_gain", "2.5");
    for command in [
        &["judge", "attic", "--setup", "wild.toml"][..],
        &["loop", "--setup", "wild.toml"],
    ] {
        bench.fails(
            command,
            &[
                "unstable in right ascension",
                "below 2.000",
                "lower the gain",
            ],
        );
    }
    // It can be tuned all the same.
    let tuned = bench.json(&["tune", "--setup", "wild.toml", "--keep-timing"]);
    assert!(tuned["untrimmed"]["present_value"].is_null());
    assert!(
        tuned["answer"]
            .as_str()
            .unwrap()
            .contains("unstable or lose")
    );
}

#[test]
fn ten_pulses_are_too_few_for_a_verdict() {
    let bench = attic();
    keep(&bench, "few", 10, &[100], 12_000);
    let found = bench.json(&["judge", "few"]);
    assert_eq!(found["verdict"], "measure_more");
    assert!(found["sentence"].as_str().unwrap().contains("10 pulses"));
    assert!(warned(&found, "/warnings", "only 10 pulses"));
}

#[test]
fn a_trim_that_does_not_belong_here_is_warned_of_or_refused() {
    let bench = attic();
    keep(&bench, "other", 60, &[400], 5_000);
    let short = [
        "trim",
        "other",
        "--shortest",
        "20ms",
        "--json",
        "-o",
        "other.json",
    ];
    bench.ok(&short);
    let found = bench.json(&["judge", "attic", "--trim", "other.json"]);
    assert!(warned(
        &found,
        "/warnings",
        "fitted on run 2 of other, and stands here before run 1 of attic"
    ));
    // Fitted on one width, and used at much shorter ones.
    let looped = bench.json(&["loop", "--run", "other", "--trim", "other.json"]);
    assert!(warned(
        &looped,
        "/outcome/warnings",
        "the shortest that the trim was fitted on was 400 ms"
    ));
    bench.ok(&["trim", "attic", "--json", "-o", "own.json"]);
    let own = bench.json(&["judge", "attic", "--trim", "own.json"]);
    assert!(!warned(&own, "/warnings", "fitted on run"));
    bench.file("no.json", "{\"kind\": \"trim\"");
    bench.fails(
        &["loop", "--trim", "no.json"],
        &["no.json", "line 1", "trim RUN --json"],
    );
    bench.file("runs.json", bench.ok(&["runs", "--json"]));
    bench.fails(&["loop", "--trim", "runs.json"], &["runs.json", "no trim"]);
    let text = std::fs::read_to_string(bench.path("own.json")).unwrap();
    let newer = text.replace("\"schema_version\": 1", "\"schema_version\": 2");
    bench.file("newer.json", newer);
    bench.fails(&["loop", "--trim", "newer.json"], &["newer pulsewright"]);
    // Knots out of order would give a curve that falls.
    let mut document: Value = serde_json::from_str(&text).unwrap();
    document["curve"].as_array_mut().unwrap().reverse();
    bench.file("falls.json", document.to_string());
    bench.fails(
        &["loop", "--run", "attic", "--trim", "falls.json"],
        &["ascend"],
    );
}

#[test]
fn tuning_finds_settings_that_are_as_good_as_it_says() {
    let bench = attic();
    let tuned = bench.json(&["tune", "--run", "attic", "-o", "tuned.toml"]);
    let best = number(&tuned, "/untrimmed/best_value/value");
    assert!(best <= number(&tuned, "/untrimmed/present_value/value"));
    let map = &tuned["untrimmed"]["map"];
    let rows = map["values"].as_array().unwrap();
    assert_eq!(rows.len(), map["cadences_s"].as_array().unwrap().len());
    assert!(
        rows.iter()
            .all(|row| row.as_array().unwrap().len() == map["gains"].as_array().unwrap().len())
    );
    // The file that it writes is a setup, and its star is narrower than that of the present one.
    bench.ok(&["setup", "check", "tuned.toml"]);
    let star = |file: &str| {
        let found = bench.json(&["loop", "--run", "attic", "--setup", file]);
        number(&found, "/outcome/fwhm_arcsec/value")
    };
    assert!(star("tuned.toml") < star("setup.toml"));
    bench.fails(
        &["tune", "--keep-timing", "-o", "tuned.toml"],
        &["tuned.toml", "not replaced"],
    );
    let page = bench.ok(&["tune", "--run", "attic", "--keep-timing"]);
    assert!(page.starts_with("Set gain"), "{page}");
    assert!(page.contains("With the trim:") && page.contains("How flat the optimum is"));
    for goal in ["rms", "elongation"] {
        let found = bench.json(&["tune", "--goal", goal, "--keep-timing"]);
        assert_eq!(found["untrimmed"]["goal"], goal);
        assert!(found["trimmed"].is_null());
    }
}

#[test]
fn a_trim_says_what_it_does_for_the_star_and_what_to_set_without_it() {
    let bench = attic();
    let found = bench.json(&["trim", "attic", "--setup", "setup.toml", "--loss", "p10"]);
    let names: Vec<&str> = found["on_sky"]["cases"]
        .as_array()
        .unwrap()
        .iter()
        .map(|case| case["name"].as_str().unwrap())
        .collect();
    assert_eq!(
        names,
        [
            "as it is",
            "trim to the median",
            "trim to the mean",
            "trim to the 10 % quantile",
            "perfect"
        ]
    );
    let answer = found["on_sky"]["answer"].as_str().unwrap();
    assert!(answer.starts_with("With the present settings this trim makes the star"));
    assert!(answer.contains("If the controller can't be changed: set the gain to"));
    // The trim that `judge` judges is the one that `trim --setup` gives.
    let trim = bench.json(&["trim", "attic", "--setup", "setup.toml"]);
    assert_eq!(bench.json(&["judge", "attic"])["trim"], trim["answer"]);
    bench.fails(
        &["trim", "attic", "--setup", "setup.toml", "--as", "c"],
        &["--setup", "--as csv, c and rust"],
    );
    assert!(
        bench
            .ok(&["trim", "attic", "--setup", "setup.toml"])
            .contains("What it does for the star")
    );
    assert!(bench.json(&["trim", "attic"])["on_sky"].is_null());
}

#[test]
fn a_check_tells_scripts_by_its_exit_code() {
    let bench = attic();
    keep(&bench, "worse", 60, &[20, 100, 500], 16_000);
    let code = |args: &[&str]| bench.run(args).code;
    assert_eq!(
        code(&[
            "check",
            "attic",
            "--limit",
            "median=14ms",
            "--limit",
            "sd=5ms"
        ]),
        0
    );
    assert_eq!(code(&["check", "attic", "--limit", "median=10ms"]), 1);
    let said = bench.run(&["check", "attic", "--limit", "median=10ms"]).out;
    assert!(said.starts_with("attic fails: the median width error is 12."));
    // A limit within the interval passes, but not a strict eye.
    let median = number(
        &bench.json(&["show", "attic"]),
        "/pooled/width_error_ms/median",
    );
    let limit = format!("median={median}ms");
    assert_eq!(code(&["check", "attic", "--limit", &limit]), 0);
    assert_eq!(code(&["check", "attic", "--limit", &limit, "--strict"]), 1);
    assert_eq!(code(&["check", "worse", "--baseline", "attic"]), 1);
    assert_eq!(code(&["check", "attic", "--baseline", "worse"]), 0);
    assert_eq!(
        code(&["check", "worse", "--baseline", "attic", "--slack", "6ms"]),
        0
    );
    let found: Value = serde_json::from_str(
        &bench
            .run(&["check", "worse", "--baseline", "1", "--json"])
            .out,
    )
    .unwrap();
    assert_eq!(found["passed"], false);
    assert_eq!(found["baseline"]["stand"], "beyond");
    assert!((number(&found, "/baseline/worse_ms") - 4.0).abs() < 0.5);
    // Errors are no failures.
    assert_eq!(code(&["check", "nobody", "--limit", "median=1ms"]), 2);
    bench.fails(
        &["check", "attic", "--limit", "missing=1%"],
        &["without a log", "--requests"],
    );
    bench.fails(&["check", "attic", "--baseline", "attic"], &["its own"]);
    bench.fails(&["check", "attic"], &["--limit"]);
    bench.fails(
        &["check", "attic", "--limit", "colour=1ms"],
        &["median", "missing"],
    );
}

#[test]
fn a_proof_takes_its_margin_from_the_setup_at_hand() {
    let bench = attic();
    keep(&bench, "trimmed", 60, &[20, 100, 500], 300);
    let found = bench.json(&["prove", "attic", "trimmed"]);
    // A tenth of the star's width over the guide rate, half the sidereal rate (the faster axis is
    // declination): 15.041067 "/s by the IERS.
    let star = number(&bench.json(&["setup", "check"]), "/star_fwhm_arcsec");
    let expected = 0.1 * star / (0.5 * 15.041_067e-3);
    let margin = number(&found, "/equivalence/margin_ms");
    assert!(
        (margin / expected - 1.0).abs() < 1e-6,
        "{margin} {expected}"
    );
    std::fs::remove_file(bench.path("setup.toml")).unwrap();
    bench.fails(
        &["prove", "attic", "trimmed"],
        &["--margin", "--setup", "setup new"],
    );
}
