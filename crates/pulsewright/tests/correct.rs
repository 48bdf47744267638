//! From a stored run to a trim, into a controller's language, and to the proof that it helped.

mod common;

use common::{Bench, ragged, vcd};

/// A run of a chain that adds about 12 ms, stored as `attic`.
fn attic() -> Bench {
    let bench = Bench::new();
    bench.file("a.vcd", vcd(&ragged(60, &[50, 250, 500], 12_000)));
    bench.ok(&[
        "read",
        "a.vcd",
        "--requested",
        "50ms,250ms,500ms",
        "--chain",
        "attic",
    ]);
    bench
}

#[test]
fn the_trim_says_in_words_what_to_type_into_the_controller() {
    let bench = attic();
    let out = bench.ok(&["trim", "attic"]);
    let first = out.lines().next().unwrap();
    assert!(first.starts_with("Make every pulse 12."), "{first}");
    assert!(
        first.contains("ms shorter; send nothing for a wanted width under 62"),
        "{first}"
    );
    let quiet = bench.ok(&["trim", "attic", "-q"]);
    assert!(quiet.contains("but carry it to the next"), "{quiet}");
    let json = bench.json(&["trim", "attic"]);
    assert_eq!(json["kind"], "trim");
    let after = json["residual"]["mean_distance_after_ms"].as_f64().unwrap();
    assert!(after < 0.5, "{after}");
}

#[test]
fn every_format_is_written_to_a_file_or_to_standard_output() {
    let bench = attic();
    let c = bench.ok(&["trim", "attic", "--as", "c"]);
    assert!(c.contains("static inline uint32_t trim_request") && c.contains("trim_carry"));
    bench.ok(&["trim", "attic", "--as", "c", "-o", "pulse_trim.h"]);
    assert_eq!(
        std::fs::read_to_string(bench.path("pulse_trim.h")).unwrap(),
        c
    );
    let rust = bench.ok(&["trim", "attic", "--as", "rust", "--below", "floor"]);
    assert!(rust.contains("pub fn request_us") && !rust.contains("pub fn carry"));
    let csv = bench.ok(&[
        "trim",
        "attic",
        "--as",
        "csv",
        "--shortest",
        "20ms",
        "--below",
        "skip",
    ]);
    let rows: Vec<&str> = csv.lines().collect();
    assert_eq!(rows.len(), 5002);
    assert_eq!((rows[0], rows[20]), ("wanted_ms,request_ms", "19,0.000"));
    assert!(rows[263].starts_with("262,249."), "{}", rows[263]);
    let text = bench.ok(&["trim", "attic", "-q"]);
    assert_eq!(text.lines().count(), 1);
    bench.fails(
        &["trim", "attic", "-o", "book.sqlite"],
        &["not to be replaced"],
    );
    bench.fails(
        &["trim", "attic", "-o", "book.sqlite-wal"],
        &["lab book beside it"],
    );
    bench.fails(
        &["trim", "attic", "--shortest", "1h"],
        &["--shortest", "500 ms"],
    );
    bench.fails(&["trim", "attic", "--loss", "p0"], &["p1 to p99"]);
    bench.fails(&["trim", "none"], &["none"]);
    bench.file("few.vcd", vcd(&ragged(3, &[50, 250], 12_000)));
    bench.ok(&[
        "read",
        "few.vcd",
        "--requested",
        "50ms,250ms",
        "--chain",
        "few",
    ]);
    bench.fails(&["trim", "few"], &["6 delivered pulses", "20"]);
}

#[test]
fn a_change_that_helped_is_proven() {
    let bench = attic();
    bench.file("b.vcd", vcd(&ragged(60, &[50, 250, 500], 0)));
    bench.ok(&[
        "read",
        "b.vcd",
        "--requested",
        "50ms,250ms,500ms",
        "--chain",
        "trimmed",
    ]);
    let out = bench.ok(&["prove", "attic", "trimmed", "--margin", "2ms"]);
    assert!(
        out.starts_with("Proven: trimmed's median error is 0."),
        "{out}"
    );
    assert!(out.contains("less than before"), "{out}");
    // And one that did not is not.
    let out = bench.ok(&["prove", "trimmed", "attic", "--margin", "2ms", "-q"]);
    assert!(
        out.starts_with("Not so: attic's median error is 12."),
        "{out}"
    );
    assert!(out.contains("more than before"), "{out}");
    bench.fails(&["prove", "attic", "1", "--margin", "2ms"], &["twice"]);
    bench.fails(&["prove", "attic", "trimmed"], &["--margin"]);
    // The margin that follows from a setup: a tenth of the star's width.
    bench.ok(&["setup", "new"]);
    let proof = bench.json(&["prove", "attic", "trimmed", "--setup", "setup.toml"]);
    let setup = bench.json(&["setup", "check"]);
    let margin = proof["equivalence"]["margin_ms"].as_f64().unwrap();
    let star = setup["star_fwhm_arcsec"].as_f64().unwrap();
    let per_ms = setup["dec_arcsec_per_ms"].as_f64().unwrap();
    assert!((margin * per_ms - 0.1 * star).abs() < 1e-9);
    bench.fails(
        &["prove", "attic", "trimmed", "--margin", "0"],
        &["above zero"],
    );
}

#[test]
fn a_setup_is_written_checked_and_never_replaced() {
    let bench = attic();
    bench.ok(&["setup", "new", "pier.toml"]);
    let text = std::fs::read_to_string(bench.path("pier.toml")).unwrap();
    // A comment on every line.
    assert!(
        text.lines()
            .all(|line| line.is_empty() || line.contains('#'))
    );
    bench.fails(
        &["setup", "new", "pier.toml"],
        &["pier.toml", "not replaced"],
    );
    let out = bench.ok(&["setup", "check", "pier.toml"]);
    assert!(out.starts_with("10 ms of pulse move the star by"), "{out}");
    // 12.4 ms too long, at half the sidereal rate of 15.041067 arcsec/s (IERS Conventions 2010), on
    // declination: 0.0932 arcsec.
    let checked = bench.json(&["setup", "check", "pier.toml", "--run", "attic"]);
    let median = bench.json(&["show", "attic"])["pooled"]["width_error_ms"]["median"].clone();
    let axes = checked["effect"]["on_sky"]["axes"].as_array().unwrap();
    let expected = median.as_f64().unwrap() / 1000.0 * 0.5 * 15.041067;
    assert_eq!(axes[1]["axis"], "dec");
    assert!((axes[1]["median"]["arcsec"].as_f64().unwrap() - expected).abs() < 1e-6);
    // At 60 degrees a pulse in right ascension moves the star half as far as on the equator.
    let at = |declination: f64| {
        let table = axes[0]["table"].as_array().unwrap();
        let row = table
            .iter()
            .find(|row| row["declination_deg"] == declination);
        row.unwrap()["median"]["arcsec"].as_f64().unwrap()
    };
    assert!((at(60.0) / at(0.0) - 0.5).abs() < 1e-12);
}

#[test]
fn every_fault_of_a_setup_is_told_with_its_line() {
    let bench = Bench::new();
    bench.ok(&["setup", "new"]);
    let good = std::fs::read_to_string(bench.path("setup.toml")).unwrap();
    let with = |key: &str, value: &str| -> String {
        let changed = good.lines().map(|line| {
            if line.starts_with(&format!("{key} =")) {
                format!("{key} = {value}\n")
            } else {
                format!("{line}\n")
            }
        });
        changed.collect()
    };
    for (key, value, words) in [
        (
            "ra_rate",
            "0",
            &["mount.ra_rate", "found 0", "guide rate of zero"][..],
        ),
        ("declination_deg", "95", &["target.declination_deg", "95"]),
        ("version", "2", &["version", "2"]),
        ("wind_m_s", "\"strong\"", &["sky.wind_m_s", "strong"]),
        ("cadence_s", "0.1", &["cadence_s"]),
    ] {
        bench.file("bad.toml", with(key, value));
        let mut all = vec!["bad.toml", "line "];
        all.extend(words);
        bench.fails(&["setup", "check", "bad.toml"], &all);
    }
    bench.file("bad.toml", good.replace("ra_rate", "ra_rat"));
    bench.fails(&["setup", "check", "bad.toml"], &["ra_rat", "ra_rate"]);
    bench.file("bad.toml", "not = [toml");
    bench.fails(&["setup", "check", "bad.toml"], &["bad.toml", "line 1"]);
    bench.file("bad.toml", [0u8, 159, 146, 150]);
    bench.fails(&["setup", "check", "bad.toml"], &["bad.toml", "setup new"]);
    bench.fails(&["setup", "check", "none.toml"], &["none.toml"]);
}
